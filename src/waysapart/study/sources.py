"""One source to a raw frame, as it stands there, with the row numbers its owner sees."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from functools import partial
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from waysapart.errors import Problem
from waysapart.opening import (
    BAD_CRS,
    RefusedError,
    check_columns,
    check_filter,
    check_parquet,
    check_query,
    check_regular,
    fenced,
    vector,
)
from waysapart.study.database import read_database
from waysapart.study.filters import filtered
from waysapart.study.raw import (
    ROW,
    RawLayer,
    SourceError,
    fault,
    held,
    is_database,
    one_line,
    stated_crs,
)
from waysapart.study.text_table import read_csv

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from waysapart.study.raw import InputFile, LayerSpec

_SHEETS = ("XLSX", "ODS")
_PARQUET = (".parquet", ".geoparquet")


def layer_names(path: Path) -> list[str]:
    """Names of the layers in a vector file.

    Raises
    ------
    RefusedError
        Where it is none that is read.
    """
    import pyogrio

    file = vector(path)
    try:
        with fenced():
            return [str(name) for name in pyogrio.list_layers(file.name)[:, 0]]
    except (OSError, pyogrio.errors.DataSourceError) as error:
        raise RefusedError(f"GDAL cannot read the file: {file.plain(error)}") from error


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
    try:
        with held(spec) as inputs:
            if not spec.path.is_dir() or suffix != ".gdb":
                check_regular(spec.path)
            if spec.where:
                check_filter(spec.where)
            if suffix == ".csv":
                return read_csv(spec, inputs)
            if suffix in _PARQUET:
                return _read_parquet(spec, inputs)
            return _read_vector(spec, inputs)
    except MemoryError as error:
        raise fault(spec, "needs more memory to be read than there is: split it up") from error


def _read_vector(spec: LayerSpec, inputs: tuple[InputFile, ...]) -> RawLayer:
    import numpy as np
    import pandas as pd
    import pyogrio
    import shapely

    file = vector(spec.path)
    notes: tuple[str, ...] = ()
    with warnings.catch_warnings(), fenced():
        # A column of numbers and texts stays text, and is told further on, row by row.
        warnings.filterwarnings("ignore", message="Could not parse column")
        try:
            layers = [str(name) for name in pyogrio.list_layers(file.name)[:, 0]]
        except pyogrio.errors.DataSourceError as error:
            raise fault(spec, f"GDAL cannot read the file: {file.plain(error)}") from error
        layer = _choose_layer(spec, layers)
        check_query(file, layer, spec.where)
        try:
            info = pyogrio.read_info(file.name, layer=layer)
            if info["driver"] != file.driver:
                raise RefusedError(f"is read as {info['driver']}, not as {file.driver}: damaged?")
            check_columns(len(info["fields"]))
            rows_of = partial(
                pyogrio.read_dataframe,
                file.name,
                layer=layer,
                where=spec.where,
                fid_as_index=True,
            )
            try:
                frame = rows_of(use_arrow=find_spec("pyarrow") is not None)
            except NotImplementedError:  # curves do not go by Arrow; else GDAL straightens them
                frame = rows_of()
                notes = (
                    f"{spec.shown_source}, layer {layer}: holds curves, which are taken as "
                    "straight pieces of 4 degrees each",
                )
        except UnboundLocalError as error:  # pyogrio's, of a .prj that GDAL makes nothing of
            raise fault(spec, BAD_CRS) from error
        except (OSError, ValueError, RuntimeError, shapely.errors.ShapelyError) as error:
            asked = f" with where = {spec.where!r}" if spec.where else ""
            said = file.plain(error)
            raise fault(spec, f"GDAL cannot read the layer{asked}: {said}") from error
        if info["driver"] in ("GPKG", *_SHEETS):  # of a sheet, the row that the spreadsheet shows
            rows: NDArray[Any] = frame.index.to_numpy(dtype=np.int64)
        elif spec.where:
            every = pyogrio.read_dataframe(
                file.name, layer=layer, columns=[], read_geometry=False, fid_as_index=True
            ).index
            rows = every.get_indexer(frame.index) + 1
        else:
            rows = np.arange(1, len(frame) + 1)
    crs = getattr(frame, "crs", None) if "geometry" in frame else None
    bare = pd.DataFrame(frame).reset_index(drop=True)
    bare[ROW] = rows
    _readable(spec, bare)
    several = len(layers) > 1 or info["driver"] in ("GPKG", *_SHEETS)
    return RawLayer(bare, stated_crs(crs), layer if several else None, inputs, notes)


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


def _read_parquet(spec: LayerSpec, inputs: tuple[InputFile, ...]) -> RawLayer:
    import numpy as np
    import pandas as pd

    if find_spec("pyarrow") is None:
        raise fault(spec, "GeoParquet needs pyarrow: python -m pip install 'waysapart[parquet]'")
    import geopandas as gpd

    check_parquet(spec.path)
    crs = None
    try:
        try:
            frame = gpd.read_parquet(spec.path)
            crs = frame.crs
            if frame.active_geometry_name not in (None, "geometry"):
                frame = frame.rename_geometry("geometry")
        except ValueError:  # no geometry on record: a plain table
            frame = pd.read_parquet(spec.path)
    except MemoryError:
        raise
    except Exception as error:  # whatever damaged metadata lead to
        raise fault(spec, f"is no Parquet file that can be read: {one_line(error)}") from error
    bare = pd.DataFrame(frame).reset_index(drop=True)
    bare[ROW] = np.arange(1, len(bare) + 1)
    if spec.where:
        bare = filtered(spec, bare)
    return RawLayer(bare, stated_crs(crs), None, inputs)
