"""One source to a raw frame, as it stands there, with the row numbers its owner sees."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from waysapart.errors import Problem
from waysapart.study.database import is_database, read_database
from waysapart.study.filters import filtered
from waysapart.study.raw import ROW, RawLayer, SourceError, fault, file_inputs, one_line, stated_crs
from waysapart.study.text_table import read_csv

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from waysapart.study.settings import LayerSpec

_SHEETS = ("XLSX", "ODS")
_PARQUET = (".parquet", ".geoparquet")


def layer_names(path: Path) -> list[str]:
    """Names of the layers in a vector file; none where GDAL cannot open it."""
    import pyogrio

    try:
        return [str(name) for name in pyogrio.list_layers(path)[:, 0]]
    except pyogrio.errors.DataSourceError:
        return []


def read_source(spec: LayerSpec) -> RawLayer:
    """Read one layer.

    Raises
    ------
    SourceError
        With every problem that stops it from being read.
    """
    if is_database(spec.source):
        return read_database(spec)
    suffix = spec.path.suffix.casefold()
    if spec.path.is_file() and suffix == ".csv":
        return read_csv(spec)
    if suffix in _PARQUET:
        return _read_parquet(spec)
    return _read_vector(spec)


def _read_vector(spec: LayerSpec) -> RawLayer:
    import numpy as np
    import pandas as pd
    import pyogrio

    try:
        layers = [str(name) for name in pyogrio.list_layers(spec.path)[:, 0]]
    except pyogrio.errors.DataSourceError as error:
        raise fault(spec, f"GDAL cannot read the file: {one_line(error)}") from error
    layer = _choose_layer(spec, layers)
    options: dict[str, Any] = {"use_arrow": find_spec("pyarrow") is not None}
    try:
        with warnings.catch_warnings(), _first_row_names():
            # A column of numbers and texts stays text, and is told further on, row by row.
            warnings.filterwarnings("ignore", message="Could not parse column")
            frame = pyogrio.read_dataframe(
                spec.path, layer=layer, where=spec.where, fid_as_index=True, **options
            )
            info = pyogrio.read_info(spec.path, layer=layer)
    except (OSError, ValueError, RuntimeError) as error:
        asked = f" with where = {spec.where!r}" if spec.where else ""
        raise fault(spec, f"GDAL cannot read the layer{asked}: {one_line(error)}") from error
    if info["driver"] in ("GPKG", *_SHEETS):  # of a sheet, the row that the spreadsheet shows
        rows: NDArray[Any] = frame.index.to_numpy(dtype=np.int64)
    elif spec.where:
        every = pyogrio.read_dataframe(
            spec.path, layer=layer, columns=[], read_geometry=False, fid_as_index=True
        ).index
        rows = every.get_indexer(frame.index) + 1
    else:
        rows = np.arange(1, len(frame) + 1)
    crs = getattr(frame, "crs", None) if "geometry" in frame else None
    bare = pd.DataFrame(frame).reset_index(drop=True)
    bare[ROW] = rows
    _readable(spec, bare)
    several = len(layers) > 1 or info["driver"] in ("GPKG", *_SHEETS)
    return RawLayer(
        bare, stated_crs(crs), layer if several else None, file_inputs(spec, info["driver"])
    )


@contextmanager
def _first_row_names() -> Iterator[None]:
    """Let the first row of a sheet name its columns, even where all cells are text."""
    import pyogrio

    options = [f"OGR_{driver}_HEADERS" for driver in _SHEETS]
    before = {name: pyogrio.get_gdal_config_option(name) for name in options}
    pyogrio.set_gdal_config_options(dict.fromkeys(options, "FORCE"))
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)


def _readable(spec: LayerSpec, frame: pd.DataFrame) -> None:
    """Raise an error for each column with text that is not UTF-8: GDAL hands bytes on unseen."""
    if find_spec("pyarrow") is None:  # then GDAL's text has been decoded on reading
        return
    import pandas as pd
    import pyarrow as pa  # type: ignore[import-untyped]

    problems = []
    for column in frame.columns[[isinstance(kind, pd.StringDtype) for kind in frame.dtypes]]:
        text = pa.Array.from_pandas(frame[column])
        if _is_text(text):
            continue
        at = next(row for row in range(len(text)) if not _is_text(text.slice(row, 1)))
        problems.append(
            Problem(
                "text that is not UTF-8; save the layer as UTF-8",
                spec.shown_source,
                spec.layer or spec.role,
                int(frame[ROW].iloc[at]),
                str(column),
                None,
            )
        )
    if problems:
        raise SourceError(*problems)


def _is_text(array: Any) -> bool:
    import pyarrow as pa

    try:
        array.validate(full=True)
    except pa.ArrowInvalid:
        return False
    return True


def _choose_layer(spec: LayerSpec, layers: Sequence[str]) -> str:
    if spec.layer is not None:
        if spec.layer in layers:
            return spec.layer
        raise fault(
            spec,
            f"there is no layer {spec.layer!r} in the file; its layers are {', '.join(layers)}",
        )
    if len(layers) == 1:
        return layers[0]
    if spec.role in layers:
        return spec.role
    raise fault(
        spec,
        f"the file has {len(layers)} layers; say which one with `layer`: {', '.join(layers)}",
    )


def _read_parquet(spec: LayerSpec) -> RawLayer:
    import numpy as np
    import pandas as pd

    if find_spec("pyarrow") is None:
        raise fault(spec, "GeoParquet needs pyarrow: python -m pip install 'waysapart[parquet]'")
    import geopandas as gpd

    crs = None
    try:
        try:
            frame = gpd.read_parquet(spec.path)
            crs = frame.crs
            if frame.active_geometry_name not in (None, "geometry"):
                frame = frame.rename_geometry("geometry")
        except ValueError:  # no geometry on record: a plain table
            frame = pd.read_parquet(spec.path)
    except (OSError, ValueError, KeyError, NotImplementedError) as error:
        raise fault(spec, f"is no Parquet file that can be read: {one_line(error)}") from error
    bare = pd.DataFrame(frame).reset_index(drop=True)
    bare[ROW] = np.arange(1, len(bare) + 1)
    if spec.where:
        bare = filtered(spec, bare)
    return RawLayer(bare, stated_crs(crs), None, file_inputs(spec, "Parquet"))
