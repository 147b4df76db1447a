"""One source to a raw frame, as it stands there, with the row numbers its owner sees."""

from __future__ import annotations

import csv
import hashlib
import io
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote, urlsplit

from waysapart.errors import Problem
from waysapart.study.model import Input

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray
    from pyproj import CRS

    from waysapart.study.settings import LayerSpec

ROW = "_row"
_PARQUET = (".parquet", ".geoparquet")
_SHAPE_SIDECARS = (".shx", ".dbf", ".prj", ".cpg")
_DELIMITERS = (",", ";", "\t")
_PASSWORD_MASK = "***"


class SourceFault(Exception):
    """A source that cannot be read; carries the problems to write down."""

    def __init__(self, *problems: Problem) -> None:
        super().__init__(*(problem.message for problem in problems))
        self.problems = problems


@dataclass(frozen=True, slots=True)
class RawLayer:
    """A source as it stands: their column names, their values.

    Attributes
    ----------
    frame : DataFrame
        Their columns, `_row`, and `geometry` (shapely, None where blank) where
        the source has geometry.
    crs : CRS or None
        CRS of the geometry, where the source states one.
    layer : str or None
        Name of the layer read, where the source has layers.
    inputs : tuple of Input
    notes : tuple of str
    """

    frame: pd.DataFrame
    crs: CRS | None
    layer: str | None
    inputs: tuple[Input, ...]
    notes: tuple[str, ...] = ()


def is_database(source: str) -> bool:
    """Whether a source is a database address."""
    return source.startswith(("postgresql://", "postgres://", "postgresql+"))


def masked(source: str) -> str:
    """A source without the password that it may hold."""
    if not is_database(source):
        return source
    head, _, rest = source.partition("://")
    netloc, slash, tail = rest.partition("/")
    if "@" in rest and "@" not in netloc:  # a password with an unescaped stroke
        secret, _, after = rest.rpartition("@")
        netloc, slash, tail = f"{secret}@{after.partition('/')[0]}", *after.partition("/")[1:]
    user, at, host = netloc.rpartition("@")
    name, colon, _password = user.partition(":")
    shown = f"{name}{colon}{_PASSWORD_MASK}" if colon else user
    where, question, query = tail.partition("?")
    kept = "&".join(
        f"{part.partition('=')[0]}={_PASSWORD_MASK}"
        if part.partition("=")[0].casefold() in {"password", "sslpassword", "passfile"}
        else part
        for part in query.split("&")
    )
    return f"{head}://{shown}{at}{host}{slash}{where}{question}{kept}"


def layer_names(path: Path) -> list[str]:
    """Names of the layers in a vector file; none where GDAL cannot open it."""
    import pyogrio

    try:
        return [str(name) for name in pyogrio.list_layers(path)[:, 0]]
    except pyogrio.errors.DataSourceError:
        return []


def input_of(path: Path, file: str) -> Input:
    """A file with the SHA-256 of its bytes, read in pieces."""
    with path.open("rb") as stream:
        return Input(file, hashlib.file_digest(stream, "sha256").hexdigest())


def read_source(spec: LayerSpec) -> RawLayer:
    """Read one layer.

    Raises
    ------
    SourceFault
        With every problem that stops it from being read.
    """
    if is_database(spec.source):
        return _read_database(spec)
    suffix = spec.path.suffix.casefold()
    if spec.path.is_file() and suffix == ".csv":
        return _read_csv(spec)
    if suffix in _PARQUET:
        return _read_parquet(spec)
    return _read_vector(spec)


def _fault(spec: LayerSpec, message: str, row: int | None = None) -> SourceFault:
    return SourceFault(
        Problem(message, spec.shown_source, spec.layer or spec.role, row, None, None)
    )


# Vector files that GDAL opens


def _read_vector(spec: LayerSpec) -> RawLayer:
    import numpy as np
    import pandas as pd
    import pyogrio

    try:
        layers = [str(name) for name in pyogrio.list_layers(spec.path)[:, 0]]
    except pyogrio.errors.DataSourceError as error:
        raise _fault(spec, f"GDAL cannot read the file: {_one_line(error)}") from error
    layer = _choose_layer(spec, layers)
    options: dict[str, Any] = {"use_arrow": find_spec("pyarrow") is not None}
    try:
        frame = pyogrio.read_dataframe(
            spec.path, layer=layer, where=spec.where, fid_as_index=True, **options
        )
        info = pyogrio.read_info(spec.path, layer=layer)
    except (ValueError, RuntimeError, pyogrio.errors.DataSourceError) as error:
        asked = f" with where = {spec.where!r}" if spec.where else ""
        raise _fault(spec, f"GDAL cannot read the layer{asked}: {_one_line(error)}") from error
    if info["driver"] == "GPKG":
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
    several = len(layers) > 1 or info["driver"] == "GPKG"
    return RawLayer(
        bare, _stated_crs(crs), layer if several else None, _file_inputs(spec, info["driver"])
    )


def _choose_layer(spec: LayerSpec, layers: Sequence[str]) -> str:
    if spec.layer is not None:
        if spec.layer in layers:
            return spec.layer
        raise _fault(
            spec,
            f"there is no layer {spec.layer!r} in the file; its layers are {', '.join(layers)}",
        )
    if len(layers) == 1:
        return layers[0]
    if spec.role in layers:
        return spec.role
    raise _fault(
        spec,
        f"the file has {len(layers)} layers; say which one with `layer`: {', '.join(layers)}",
    )


def _stated_crs(crs: CRS | None) -> CRS | None:
    """None where the source only says that it does not know."""
    if (
        crs is None
        or crs.is_engineering
        or crs.name.casefold().startswith(("undefined", "unknown"))
    ):
        return None
    return crs


def _file_inputs(spec: LayerSpec, driver: str) -> tuple[Input, ...]:
    files = [(spec.path, spec.source)]
    if driver == "ESRI Shapefile" and spec.path.is_file():
        files += [
            (spec.path.with_suffix(end), str(Path(spec.source).with_suffix(end)))
            for end in _SHAPE_SIDECARS
        ]
    if driver == "GPKG":  # pages that SQLite has not yet written back belong to the data
        files.append((spec.path.with_name(spec.path.name + "-wal"), spec.source + "-wal"))
    if spec.path.is_dir():
        files = [
            (path, f"{spec.source}/{path.relative_to(spec.path)}")
            for path in sorted(spec.path.rglob("*"))
        ]
    return tuple(input_of(path, file) for path, file in files if path.is_file())


def _one_line(error: object) -> str:
    return " ".join(str(error).split())


# Text tables


def _read_csv(spec: LayerSpec) -> RawLayer:
    import numpy as np
    import pandas as pd

    data = spec.path.read_bytes()
    notes: tuple[str, ...] = ()
    encoding = "UTF-8"
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        try:
            text, encoding = data.decode("cp1252"), "Windows-1252"
        except UnicodeDecodeError:
            text, encoding = data.decode("latin-1"), "Latin-1"
        notes = (f"{spec.source} is not UTF-8; read as {encoding}",)
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    blank_before = len(text) - len(text.lstrip("\n"))
    text = text[blank_before:]
    if not text.strip():
        raise _fault(spec, "the file is empty; it needs a header line")
    delimiter = _delimiter(text)
    header_reader = csv.reader(io.StringIO(text), delimiter=delimiter)
    header = [name.strip() for name in next(header_reader)]
    while header and not header[-1]:
        header.pop()
    twice = sorted({name for name in header if header.count(name) > 1})
    if twice:
        raise _fault(
            spec,
            f"the header names {', '.join(map(repr, twice))} more than once; rename one of them",
            row=1 + blank_before,
        )
    _check_widths(spec, text, delimiter, len(header), blank_before)
    lines = text.count("\n", 0, _header_end(text, header_reader.line_num))
    frame = pd.read_csv(
        io.StringIO(text),
        sep=delimiter,
        header=None,
        names=header,
        usecols=range(len(header)),
        skiprows=lines,
        dtype=str,
        keep_default_na=False,
        na_values=[""],
        skip_blank_lines=False,
        index_col=False,
        low_memory=False,
    )
    starts = _record_lines(text, delimiter, len(frame), lines) + blank_before
    filled = frame.notna().any(axis=1).to_numpy() if header else np.zeros(0, dtype=bool)
    frame = frame[filled].reset_index(drop=True)
    frame[ROW] = starts[filled]
    if spec.where:
        frame = _filtered(spec, frame)
    return RawLayer(frame, None, None, _file_inputs(spec, "CSV"), notes)


def _delimiter(text: str) -> str:
    """The one of `,`, `;` and tab that stands most often in the header, outside quotes."""
    outside = "".join(text.split("\n", 1)[0].split('"')[::2])
    return max(_DELIMITERS, key=outside.count)


def _header_end(text: str, header_lines: int) -> int:
    end = 0
    for _ in range(header_lines):
        at = text.find("\n", end)
        if at < 0:
            return len(text)
        end = at + 1
    return end


def _check_widths(
    spec: LayerSpec, text: str, delimiter: str, width: int, blank_before: int
) -> None:
    """Refuse lines with more values than the header has names: nothing is dropped unseen.

    Whole text at once where no quotes are about, which is nearly always.
    """
    longest = max(map(_counter(delimiter), text.split("\n"))) + 1
    if longest <= width and '"' not in text:
        return
    problems = []
    reader = csv.reader(io.StringIO(text), delimiter=delimiter)
    before = 0
    for fields in reader:
        if len(fields) > width and any(value.strip() for value in fields[width:]):
            problems.append(
                Problem(
                    f"expected {width} values as in the header, found {len(fields)}; "
                    f"a value that holds {delimiter!r} must stand in double quotes",
                    spec.source,
                    spec.layer or spec.role,
                    before + 1 + blank_before,
                )
            )
        before = reader.line_num
    if problems:
        raise SourceFault(*problems)


def _counter(delimiter: str) -> Any:
    def count(line: str) -> int:
        return line.count(delimiter)

    return count


def _record_lines(text: str, delimiter: str, records: int, header_lines: int) -> NDArray[np.int64]:
    """Line on which each record starts, the file's first line being 1."""
    import numpy as np

    body_lines = text.count("\n") + (not text.endswith("\n")) - header_lines
    if records == body_lines:
        return np.arange(records, dtype=np.int64) + header_lines + 1
    starts = []
    reader = csv.reader(io.StringIO(text), delimiter=delimiter)
    before = 0
    for _fields in reader:
        starts.append(before + 1)
        before = reader.line_num
    return np.asarray(starts[1 : records + 1], dtype=np.int64)


# GeoParquet and databases, whose libraries are extras


def _read_parquet(spec: LayerSpec) -> RawLayer:
    import numpy as np
    import pandas as pd

    if find_spec("pyarrow") is None:
        raise _fault(spec, "GeoParquet needs pyarrow: python -m pip install 'waysapart[parquet]'")
    import geopandas as gpd
    import pyarrow as pa

    crs = None
    try:
        try:
            frame = gpd.read_parquet(spec.path)
            crs = frame.crs
            if frame.active_geometry_name not in (None, "geometry"):
                frame = frame.rename_geometry("geometry")
        except ValueError:  # no geometry on record: a plain table
            frame = pd.read_parquet(spec.path)
    except (OSError, ValueError, pa.ArrowException) as error:
        raise _fault(spec, f"is no Parquet file that can be read: {_one_line(error)}") from error
    bare = pd.DataFrame(frame).reset_index(drop=True)
    bare[ROW] = np.arange(1, len(bare) + 1)
    if spec.where:
        bare = _filtered(spec, bare)
    return RawLayer(bare, _stated_crs(crs), None, _file_inputs(spec, "Parquet"))


def _read_database(spec: LayerSpec) -> RawLayer:
    import numpy as np
    import pandas as pd

    if find_spec("sqlalchemy") is None or find_spec("psycopg") is None:
        raise _fault(
            spec,
            "a postgresql:// source needs SQLAlchemy and psycopg: "
            "python -m pip install 'waysapart[database]'",
        )
    if spec.layer is None:
        raise _fault(spec, "say which table or view to read with `layer`, such as 'net.ducts'")
    import geopandas as gpd
    import sqlalchemy as sa

    address = "postgresql+psycopg://" + spec.source.partition("://")[2]
    query = f"SELECT * FROM {_quoted(spec.layer)}" + (f" WHERE {spec.where}" if spec.where else "")
    crs = None
    try:
        engine = sa.create_engine(address, connect_args={"connect_timeout": 10})
        with engine.connect() as connection:
            connection.execute(sa.text("SET TRANSACTION READ ONLY"))
            geometry = connection.execute(
                sa.text(
                    "SELECT attname FROM pg_attribute JOIN pg_type ON pg_type.oid = atttypid "
                    "WHERE attrelid = to_regclass(:name) AND typname = 'geometry' AND attnum > 0"
                ),
                {"name": _quoted(spec.layer)},
            ).scalar()
            if geometry is None:
                frame = pd.read_sql(sa.text(query), connection)
            else:
                frame = gpd.read_postgis(sa.text(query), connection, geom_col=geometry)
                crs = frame.crs
                frame = frame.rename_geometry("geometry") if geometry != "geometry" else frame
    except Exception as error:
        said = without_password(_one_line(error), spec.source)
        raise _fault(spec, f"the database cannot be read: {said}") from None
    bare = pd.DataFrame(frame).reset_index(drop=True)
    bare[ROW] = np.arange(1, len(bare) + 1)
    return RawLayer(bare, _stated_crs(crs), spec.layer, (_rows_input(spec, bare),))


def _quoted(name: str) -> str:
    """A table's name, perhaps with its schema, in SQL's quotes."""
    return ".".join('"' + part.replace('"', '""') + '"' for part in name.split("."))


def without_password(text: str, source: str) -> str:
    """A text in which the password of a database address cannot be read."""
    text = text.replace(source, masked(source))
    try:
        password = urlsplit(source).password
    except ValueError:
        password = None
    for secret in sorted({password or "", unquote(password or "")} - {""}, key=len, reverse=True):
        text = text.replace(secret, _PASSWORD_MASK)
    return text


def _rows_input(spec: LayerSpec, frame: pd.DataFrame) -> Input:
    """SHA-256 of the rows read, whatever order the database gave them in."""
    import shapely

    plain = frame.drop(columns=ROW)
    if "geometry" in plain:
        plain["geometry"] = shapely.to_wkb(plain["geometry"].to_numpy(), hex=True)
    header, *lines = plain.to_csv(index=False).splitlines()
    digest = hashlib.sha256("\n".join([header, *sorted(lines)]).encode()).hexdigest()
    return Input(f"{spec.shown_source} {spec.layer}", digest)


# Filters where GDAL does not read the file itself


def _filtered(spec: LayerSpec, frame: pd.DataFrame) -> pd.DataFrame:
    """The rows that an attribute filter keeps, judged by GDAL on a layer in memory.

    Text columns that hold numbers throughout are compared as numbers.
    """
    import pandas as pd
    import pyogrio

    columns: Mapping[Any, Any] = {
        name: _numbers_where_all(values)
        for name, values in frame.drop(columns=["geometry"], errors="ignore").items()
    }
    store = f"/vsimem/{uuid.uuid4().hex}.gpkg"
    try:
        pyogrio.write_dataframe(pd.DataFrame(columns), store, driver="GPKG", layer="rows")
        kept = pyogrio.read_dataframe(
            store, layer="rows", where=spec.where, columns=[ROW], read_geometry=False
        )[ROW]
    except (ValueError, RuntimeError, pyogrio.errors.DataSourceError) as error:
        raise _fault(
            spec, f"the filter where = {spec.where!r} cannot be used: {_one_line(error)}"
        ) from error
    finally:
        pyogrio.vsi_unlink(store)
    return frame[frame[ROW].isin(kept)].reset_index(drop=True)


def _numbers_where_all(values: pd.Series) -> pd.Series:
    import pandas as pd

    if pd.api.types.is_numeric_dtype(values):
        return values
    numbers = pd.to_numeric(values, errors="coerce")
    return numbers if (numbers.notna() | values.isna()).all() and len(values) else values
