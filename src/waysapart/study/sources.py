"""Sources of layers as they stand, with row numbers: vector files, sheets, tables, databases.

`read_source` reads one layer into a raw frame, with the columns and row numbers that its owner
sees; the formats follow. The types at the top (`Layer`, `InputFile`) stay on record in the study.

A database address may leave out the host, user or password. libpq then takes them from the
environment (`PGHOST`, `PGPASSWORD`, ...), a service file (`?service=NAME`) or a password file. A
password that the address holds is masked wherever the address is shown.
"""

from __future__ import annotations

import csv
import hashlib
import io
import os
import re
import socket
import sqlite3
import sys
import threading
import warnings
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from datetime import date
from functools import partial
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote

import numpy as np
import pandas as pd

from waysapart.errors import Problem
from waysapart.input_files import (
    BAD_CRS,
    RefusedError,
    bounded,
    check_columns,
    check_filter,
    check_header,
    check_parquet,
    check_query,
    check_regular,
    fenced,
    hashed,
    read_bytes,
    run,
    vector,
    workbook_kind,
)
from waysapart.schema import BACKDROP, ROLES, Column, Role, csv_meant, csv_safe
from waysapart.study.workbooks import (
    Sheet,
    cell_text,
    column_letters,
    not_as_typed,
    open_workbook,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from pyproj import CRS

ROW = "_row"


PASSWORD_MASK = "***"

SECRET_IN_QUERY = re.compile(r"([?&](?:password|sslpassword|passfile)=)([^&]*)", re.IGNORECASE)


def is_database(source: str) -> bool:
    """Whether a source is a database address.

    Parameters
    ----------
    source : str

    Returns
    -------
    bool

    Examples
    --------
    >>> is_database("postgresql://plant")
    True
    """
    return source.startswith(("postgresql://", "postgres://", "postgresql+"))


def user_and_rest(source: str) -> tuple[str, str, str, str]:
    """Split an address into scheme, user, password and the rest, with any characters in them."""
    scheme, _, rest = source.partition("://")
    before_query = rest.partition("?")[0]
    account = (before_query if "@" in before_query else rest).rpartition("@")[0]
    if not account:
        return scheme, "", "", rest
    user, _, password = account.partition(":")
    return scheme, user, password, rest[len(account) + 1 :]


def masked(source: str) -> str:
    """Mask the password in a source."""
    if not is_database(source):
        return source
    scheme, user, password, rest = user_and_rest(source)
    account = f"{user}:{PASSWORD_MASK}@" if password else f"{user}@" if user else ""
    return SECRET_IN_QUERY.sub(rf"\g<1>{PASSWORD_MASK}", f"{scheme}://{account}{rest}")


@dataclass(frozen=True, slots=True)
class GivenGeometry:
    """Geometry of a layer in its own coordinates, kept where the tables hold it transformed.

    Attributes
    ----------
    crs : pyproj.CRS
    rows : ndarray of int
        `_row` of each geometry.
    geometry : ndarray of geometries
        Checked, two-dimensional, not transformed.
    """

    crs: CRS
    rows: NDArray[np.int64]
    geometry: NDArray[np.object_]


@dataclass(frozen=True, slots=True)
class Layer:
    """One source layer that fed a role.

    Attributes
    ----------
    role : str
    file : str
        As the study names it; a database address without its password.
    layer : str or None
        The layer inside the file.
    their_columns : mapping
        Our column name to theirs, where they differ.
    accuracy_m : float
        Positional accuracy of the layer as a whole: what study.toml states for it
        plus that of the shift to the datum of most of the plant (0: exact).
    shift_m : float
        The part of it due to the datum shift, which counts also where a row
        states its own accuracy.
    given : GivenGeometry or None
        Its geometry as it stands there; None: longitude and latitude on WGS 84.
    by_name : bool
        Whether it was found by the name of its role, without an entry in study.toml.
    rows : int
        Rows read of it, before any are replaced or left out.
    days : mapping of str to ndarray of datetime64[D], length (rows,)
        What its columns of dates hold; NaT where blank or no date.
    modified : date or None
        Day in UTC on which its file was last modified; None where it is no file. A copy may have
        another, so nothing that is proved depends on it.
    """

    role: str
    file: str
    layer: str | None
    their_columns: Mapping[str, str]
    accuracy_m: float = 0.0
    shift_m: float = 0.0
    given: GivenGeometry | None = field(default=None, compare=False, repr=False)
    by_name: bool = False
    rows: int = 0
    days: Mapping[str, NDArray[np.datetime64]] = field(
        default_factory=dict, compare=False, repr=False
    )
    modified: date | None = field(default=None, compare=False)


@dataclass(frozen=True, slots=True)
class InputFile:
    """One input file with its SHA-256, which shows whether the records have changed."""

    file: str
    sha256: str


@dataclass(frozen=True, slots=True)
class LayerSpec:
    """One layer to read.

    Attributes
    ----------
    role, source, layer, where, columns, values, units, prefix, refers, crs, accuracy_m
        As in study.toml. `accuracy_m` is the positional accuracy of the whole
        layer, to which that of its datum shift is added.
    folder : Path
        What `source` is relative to.
    declared_in : str
        File that names the layer, for problems with the naming itself.
    by_name : bool
        Whether it was found by the name of its role, with nothing said in study.toml.
    backdrop : bool
        Whether it feeds no role; `role` is then the name that study.toml gives it.
    """

    role: str
    source: str
    folder: Path
    declared_in: str
    layer: str | None = None
    where: str | None = None
    columns: Mapping[str, str] = field(default_factory=dict)
    values: Mapping[str, object] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    prefix: str = ""
    refers: tuple[str, ...] = ()
    crs: str | None = None
    accuracy_m: float | None = None
    by_name: bool = False
    backdrop: bool = False

    @property
    def feeds(self) -> Role:
        """The role that it feeds, with its columns."""
        return BACKDROP if self.backdrop else ROLES[self.role]

    @property
    def shown_source(self) -> str:
        """The source without its password, to be shown."""
        return masked(self.source)

    @property
    def path(self) -> Path:
        """Where the source lies."""
        return self.folder / self.source


class SourceError(Exception):
    """A source that cannot be read, with its problems."""

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
    inputs : tuple of InputFile
    notes : tuple of str
    """

    frame: pd.DataFrame
    crs: CRS | None
    layer: str | None
    inputs: tuple[InputFile, ...]
    notes: tuple[str, ...] = ()


def fault(spec: LayerSpec, message: str, row: int | None = None) -> SourceError:
    """Make an error about one layer."""
    return SourceError(
        Problem(message, spec.shown_source, spec.layer or spec.role, row, None, None)
    )


@contextmanager
def held(spec: LayerSpec) -> Iterator[tuple[InputFile, ...]]:
    """Hold every file of a source with its SHA-256 while it is read.

    Raises
    ------
    SourceError
        A file must not be read, or has changed since its hash was computed.
    """
    try:
        with hashed(spec.path, spec.source) as files:
            yield tuple(InputFile(name, digest) for name, digest in files)
    except RefusedError as error:
        raise fault(spec, str(error)) from error
    except OSError as error:
        raise fault(spec, f"cannot be read: {error.strerror or error}") from error


def one_line(error: object) -> str:
    """Put an error's text on one line."""
    return " ".join(str(error).split())


def stated_crs(crs: CRS | None) -> CRS | None:
    """None where the source only says that it does not know."""
    if (
        crs is None
        or crs.is_engineering
        or crs.name.casefold().startswith(("undefined", "unknown"))
    ):
        return None
    return crs


_PARQUET = (".parquet", ".geoparquet")
GEOMETRY_COLUMNS = ("geometry", "lon", "lat", "x", "y")
"""Names for the geometry of a table without one of its own: WKT, or a point's two numbers."""


def layer_names(path: Path) -> list[str]:
    """Names of the layers in a vector file, or of the sheets in a workbook.

    Parameters
    ----------
    path : Path

    Returns
    -------
    list of str

    Raises
    ------
    RefusedError
        The file is not of a format that is read.
    """
    import pyogrio

    if workbook_kind(path) is not None:
        return list(open_workbook(path).names)
    file = vector(path)
    try:
        with fenced():
            return [str(name) for name in pyogrio.list_layers(file.name)[:, 0]]
    except (OSError, pyogrio.errors.DataSourceError) as error:
        raise RefusedError(f"GDAL cannot read the file: {file.plain(error)}") from error


def read_source(spec: LayerSpec) -> RawLayer:
    """Read one layer as it stands, with the columns and row numbers that its owner sees.

    Parameters
    ----------
    spec : LayerSpec

    Returns
    -------
    RawLayer

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
            if workbook_kind(spec.path) is not None:
                return _read_sheet(spec, inputs)
            return _read_vector(spec, inputs)
    except MemoryError as error:
        raise fault(spec, "needs more memory to be read than there is: split it up") from error


def _arrow_errors() -> tuple[type[Exception], ...]:
    """Errors that pyarrow raises of its own; none where it is not installed."""
    if find_spec("pyarrow") is None:
        return ()
    import pyarrow as pa  # type: ignore[import-untyped]

    return (pa.lib.ArrowException,)


def _read_vector(spec: LayerSpec, inputs: tuple[InputFile, ...]) -> RawLayer:
    import numpy as np
    import pandas as pd
    import pyogrio
    import shapely

    file = vector(spec.path)
    notes: tuple[str, ...] = ()
    with warnings.catch_warnings(), fenced():
        # A column of numbers and texts stays text; `columns` reports it row by row.
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
            except _arrow_errors():  # bytes that are no text: kept as they are, told cell by cell
                with pd.option_context("mode.string_storage", "auto"):
                    frame = rows_of(use_arrow=True)
        except UnboundLocalError as error:  # pyogrio's, of a .prj that GDAL makes nothing of
            raise fault(spec, BAD_CRS) from error
        except (OSError, ValueError, RuntimeError, shapely.errors.ShapelyError) as error:
            asked = f" with where = {spec.where!r}" if spec.where else ""
            said = file.plain(error)
            raise fault(spec, f"GDAL cannot read the layer{asked}: {said}") from error
        if info["driver"] == "GPKG":
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
    several = len(layers) > 1 or info["driver"] == "GPKG"
    return RawLayer(bare, stated_crs(crs), layer if several else None, inputs, notes)


def _readable(spec: LayerSpec, frame: pd.DataFrame) -> None:
    """Raise an error for each column with text that is not UTF-8: GDAL hands bytes on unseen."""
    if find_spec("pyarrow") is None:  # then GDAL's text has been decoded on reading
        return
    import pandas as pd
    import pyarrow as pa

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


# Sheets


def _read_sheet(spec: LayerSpec, inputs: tuple[InputFile, ...]) -> RawLayer:
    """Read a sheet, every cell as text; the first row that is not blank names the columns.

    Removes apostrophes as `read_csv` does, since a table may have been a CSV file before.
    """
    book = open_workbook(spec.path)
    layer = _choose_layer(spec, book.names)
    sheet = book.sheet(layer)
    if not sheet.headings:
        raise fault(spec, f"the sheet {layer!r} is blank; its first row names the columns")
    header = [csv_meant(name).strip() for _, name in sheet.headings]
    check_columns(len(header))
    twice = sorted(name for name, count in Counter(header).items() if count > 1)
    if twice:
        raise fault(
            spec,
            f"the heading names {', '.join(map(repr, twice))} more than once; rename one of them",
            row=sheet.heading_row,
        )
    lines = {row: line for line, (row, _) in enumerate(sheet.rows)} if sheet.errors else {}
    frame = pd.DataFrame({ROW: np.array([row for row, _ in sheet.rows], dtype=np.int64)})
    for place, name in enumerate(header):
        texts = [cell_text(cells[place]) for _, cells in sheet.rows]
        texts = [None if text is None else csv_meant(text) for text in texts]
        for (row, column), said in sheet.errors.items():
            if column == sheet.headings[place][0] and row in lines:
                texts[lines[row]] = said.removeprefix(
                    "the error "
                )  # in columns of no role it is shown, and filters see it
        frame[name] = pd.array(texts, dtype="str")
    frame = frame[[*header, ROW]]
    if spec.where:
        frame = filtered(spec, frame)
    _refuse_cells(spec, layer, sheet, header, set(frame[ROW]))
    notes = tuple(
        f"{spec.shown_source}, sheet {layer}: column {column_letters(column)} has no heading and "
        f"is not read; row {row} is the first with something in it"
        for column, row in sheet.unnamed.items()
    )
    return RawLayer(frame, None, layer, inputs, notes)


_MOST_TOLD = 20
"""Cells of one column that are named one by one; the others are counted. No source."""


def _refuse_cells(
    spec: LayerSpec, layer: str, sheet: Sheet, header: Sequence[str], kept: set[int]
) -> None:
    """Raise an error for each cell of the role's columns that does not say what was entered.

    Raises
    ------
    SourceError
    """
    role = spec.feeds
    ours = [*role.column, *(GEOMETRY_COLUMNS if role.geometry else ())]
    problems: list[Problem] = []
    for name in ours:
        theirs = spec.columns.get(name, name)
        if name in spec.values or theirs not in header:
            continue
        place = header.index(theirs)
        column = sheet.headings[place][0]
        wrong = {
            row: f"holds {said}: correct the formula"
            for (row, at), said in sheet.errors.items()
            if at == column
        }
        wrong |= _changed(spec, sheet, place, role.column.get(name))
        found = sorted(row for row in wrong if row in kept)
        more = len(found) - _MOST_TOLD
        problems += [
            Problem(
                f"cell {column_letters(column)}{row} {wrong[row]}"
                + (f" ({more:,} more cells of this column are wrong)" if last and more > 0 else ""),
                spec.shown_source,
                layer,
                row,
                name if name == theirs else f"{name} ({theirs})",
                _id_of(spec, sheet, header, row),
            )
            for row in found[:_MOST_TOLD]
            for last in (row == found[:_MOST_TOLD][-1],)
        ]
    if problems:
        raise SourceError(*problems)


def _changed(spec: LayerSpec, sheet: Sheet, place: int, column: Column | None) -> dict[int, str]:
    """By row, what a spreadsheet program has made of what was typed in one column."""
    if column is None:
        return {}
    at = sheet.headings[place][0]
    if column.type in ("text", "list", "numbers"):
        said = {
            row: not_as_typed(cells[place], sheet.formats.get((row, at)))
            for row, cells in sheet.rows
        }
        return {
            row: f"should hold text, and {how}: format the column as text, then type it again"
            for row, how in said.items()
            if how is not None
        }
    if column.unit != "%" or column.name in spec.units:
        return {}
    return {
        row: f"is shown as per cent, so that {cell_text(cells[place])} is stored: format the "
        "column as a number, then type it again"
        for row, cells in sheet.rows
        if sheet.formats.get((row, at)) == "percent" and isinstance(cells[place], int | float)
    }


def _id_of(spec: LayerSpec, sheet: Sheet, header: Sequence[str], row: int) -> str | None:
    """The id that stands in a row, if one does."""
    theirs = spec.columns.get("id", "id")
    if theirs not in header:
        return None
    place = header.index(theirs)
    return next((cell_text(cells[place]) for at, cells in sheet.rows if at == row), None)


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
    except Exception as error:  # damaged metadata can raise anything
        raise fault(spec, f"is no Parquet file that can be read: {one_line(error)}") from error
    bare = pd.DataFrame(frame).reset_index(drop=True)
    bare[ROW] = np.arange(1, len(bare) + 1)
    if spec.where:
        bare = filtered(spec, bare)
    return RawLayer(bare, stated_crs(crs), None, inputs)


def filtered(spec: LayerSpec, frame: pd.DataFrame) -> pd.DataFrame:
    """Apply an attribute filter where GDAL does not read the file, with SQLite in memory.

    Text columns that hold numbers throughout are compared as numbers. The filter can only read
    this table, in bounded steps.

    Raises
    ------
    RefusedError
    """
    columns = {
        str(name): _numbers_where_all(values)
        for name, values in frame.drop(columns=["geometry"], errors="ignore").items()
    }
    told = ", ".join(
        f"{_quoted_column(name)} {_affinity(values)}" for name, values in columns.items()
    )
    with closing(sqlite3.connect(":memory:")) as base:
        try:
            base.execute(f"CREATE TABLE rows ({told})")
            marks = ", ".join("?" * len(columns))
            cells = zip(*(_cells(values) for values in columns.values()), strict=True)
            base.executemany(f"INSERT INTO rows VALUES ({marks})", cells)
        except (sqlite3.Error, OverflowError, UnicodeError) as error:
            raise RefusedError(
                f"the filter where = {spec.where!r} cannot be used: {error}"
            ) from error
        bounded(base)
        query = f"SELECT {_quoted_column(ROW)} FROM rows WHERE ({spec.where}\n)"
        kept = run(base, query, f"the filter where = {spec.where!r}")
    return frame[frame[ROW].isin(kept)].reset_index(drop=True)


def _quoted_column(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _affinity(values: pd.Series) -> str:
    return "NUMERIC" if pd.api.types.is_numeric_dtype(values) else "TEXT"


def _cells(values: pd.Series) -> list[Any]:
    """Values as SQLite takes them; None where blank."""
    kept = values.astype(object).where(values.notna(), None)
    return [
        one if one is None or isinstance(one, int | float | str) else _plain(one) for one in kept
    ]


def _plain(one: object) -> int | float | str:
    if isinstance(one, np.generic) and isinstance(one.item(), bool | int | float):
        number: int | float = one.item()
        return number
    return str(one)


def _numbers_where_all(values: pd.Series) -> pd.Series:
    if pd.api.types.is_numeric_dtype(values):
        return values
    numbers = pd.to_numeric(values, errors="coerce")
    return numbers if (numbers.notna() | values.isna()).all() and len(values) else values


_DELIMITERS = (",", ";", "\t")
_LINE_ENDS = re.compile(r'((?:^|(?<=[,;\t\r\n]))"[^"]*(?:""[^"]*)*")|\r\n?')
"""A quoted cell, which keeps its line ends, or a line end other than a line feed."""


def write_csv(frame: pd.DataFrame, path: Path) -> None:
    """Write a frame as CSV in UTF-8, every text and name of a column marked by `csv_safe`.

    Parameters
    ----------
    frame : DataFrame
    path : Path
        Overwritten where it exists.
    """
    written = frame.rename(columns=lambda name: csv_safe(str(name)))
    for place in range(written.shape[1]):
        column = written.iloc[:, place]
        if not pd.api.types.is_numeric_dtype(column):
            told = [csv_safe(one) if isinstance(one, str) else one for one in column]
            written.isetitem(place, pd.array(told, dtype=object))
    written.to_csv(path, index=False, encoding="utf-8")


def read_csv(spec: LayerSpec, inputs: tuple[InputFile, ...]) -> RawLayer:
    """Read a CSV file, every value as text; `_row` is the line on which a row starts.

    Removes the apostrophes by which `write_csv` keeps a text from being a formula.
    """
    before = csv.field_size_limit(
        min(sys.maxsize, 2**31 - 1)
    )  # a cable's line may have more than 131072 characters
    try:
        return _read_csv(spec, inputs)
    except csv.Error as error:
        raise fault(spec, f"is no CSV that can be read: {error}") from error
    finally:
        csv.field_size_limit(before)


def _read_csv(spec: LayerSpec, inputs: tuple[InputFile, ...]) -> RawLayer:
    data = read_bytes(spec.path)
    if (at := data.find(b"\x00")) >= 0:
        what = "UTF-16 text" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "no text"
        raise fault(
            spec,
            f"is {what}: byte {at + 1:,} is nought; save it as CSV in UTF-8",
            row=data.count(b"\n", 0, at) + 1,
        )
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
    if '"' in text and "\r" in text:
        text = _LINE_ENDS.sub(lambda found: found[1] or "\n", text)
    else:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    blank_before = len(text) - len(text.lstrip("\n"))
    text = text[blank_before:]
    if not text.strip():
        raise fault(spec, "the file is empty; it needs a header line")
    check_header(text)
    delimiter = _delimiter(text)
    header_reader = csv.reader(io.StringIO(text), delimiter=delimiter)
    header = [csv_meant(name).strip() for name in next(header_reader)]
    while header and not header[-1]:
        header.pop()
    check_columns(len(header))
    twice = sorted(name for name, count in Counter(header).items() if count > 1)
    if twice:
        raise fault(
            spec,
            f"the header names {', '.join(map(repr, twice))} more than once; rename one of them",
            row=1 + blank_before,
        )
    _check_widths(spec, text, delimiter, len(header), blank_before)
    lines = text.count("\n", 0, _header_end(text, header_reader.line_num))
    frame = pd.read_csv(
        io.StringIO(text),
        sep=delimiter,
        header=0,  # read, so that rows shorter than it are filled up
        names=header,
        usecols=range(len(header)),
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
    if "'" in text:
        for name in header:
            marked = frame[name].str.contains("'", regex=False, na=False)
            if marked.any():
                frame[name] = frame[name].where(~marked, frame[name].map(csv_meant, "ignore"))
    frame[ROW] = starts[filled]
    if spec.where:
        frame = filtered(spec, frame)
    return RawLayer(frame, None, None, inputs, notes)


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
    """Refuse lines with more values than the header has names, so that nothing is dropped silently.

    The whole text at once where it holds no quotes, which is nearly always.
    """
    if _most_on_a_line(text, delimiter) < width and '"' not in text:
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
        raise SourceError(*problems)


def _most_on_a_line(text: str, sign: str) -> int:
    """How often an ASCII sign stands on the line that has most of it."""
    data = np.frombuffer(text.encode(), dtype=np.uint8)
    signs, ends = np.flatnonzero(data == ord(sign)), np.flatnonzero(data == ord("\n"))
    before = np.concatenate([[0], np.searchsorted(signs, ends), [len(signs)]])
    return int(np.diff(before).max())


def _record_lines(text: str, delimiter: str, records: int, header_lines: int) -> NDArray[np.int64]:
    """Line on which each record starts; the first line of the file is 1."""
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


_CONNECT_S = 10
_ANSWER_S = 300.0
"""Time limit for a layer, after which the server is asked to stop."""
_GRACE_S = 30.0
"""So much later a server that has not stopped is disconnected."""


def read_database(spec: LayerSpec) -> RawLayer:
    """Read a table or view of a PostgreSQL database, in a transaction that only reads."""
    import numpy as np
    import pandas as pd

    if find_spec("sqlalchemy") is None or find_spec("psycopg") is None:
        raise fault(
            spec,
            "a postgresql:// source needs SQLAlchemy and psycopg: "
            "python -m pip install 'waysapart[database]'",
        )
    if set(user_and_rest(spec.source)[2]) & set("/@?#"):
        raise fault(
            spec, "the password holds one of / @ ? #; write it percent-encoded, such as %2F for /"
        )
    if spec.layer is None:
        raise fault(spec, "say which table or view to read with `layer`, such as 'net.ducts'")
    import geopandas as gpd
    import sqlalchemy as sa

    address = "postgresql+psycopg://" + spec.source.partition("://")[2]
    crs = engine = None
    try:
        engine = sa.create_engine(address, connect_args={"connect_timeout": _CONNECT_S})
        with _no_longer_than(_ANSWER_S, engine), engine.connect() as connection:
            milliseconds = f"{_ANSWER_S * 1000:.0f}"
            connection.execute(sa.text(f"SET LOCAL statement_timeout = {milliseconds}"))
            connection.execute(sa.text("SET TRANSACTION READ ONLY"))
            geometry = connection.execute(
                sa.text(
                    "SELECT attname FROM pg_attribute JOIN pg_type ON pg_type.oid = atttypid "
                    "WHERE attrelid = to_regclass(:name) AND attnum > 0 "
                    "AND typname IN ('geometry', 'geography') ORDER BY attnum LIMIT 1"
                ),
                {"name": _quoted(spec.layer)},
            ).scalar()
            query, values = _query(spec)
            if geometry is None:
                frame = pd.read_sql(query, connection, params=values)
            else:
                frame = gpd.read_postgis(query, connection, geom_col=geometry, params=values)
                crs = frame.crs
                frame = frame.rename_geometry("geometry") if geometry != "geometry" else frame
    except Exception as error:
        said = without_password(one_line(error), spec.source)
        raise fault(spec, f"the database cannot be read: {said}") from None
    finally:
        if engine is not None:
            engine.dispose()
    bare = pd.DataFrame(frame).reset_index(drop=True)
    bare[ROW] = np.arange(1, len(bare) + 1)
    return RawLayer(bare, stated_crs(crs), spec.layer, (_rows_input(spec, bare),))


@contextmanager
def _no_longer_than(seconds: float, engine: Any) -> Iterator[None]:
    """Close the connection to a server that does not answer in time.

    Raises
    ------
    TimeoutError
    """
    import sqlalchemy as sa

    sockets: list[socket.socket] = []
    late = threading.Event()

    @sa.event.listens_for(engine, "do_connect")
    def connect(dialect: Any, _record: Any, args: Any, named: Any) -> Any:
        raw = dialect.connect(*args, **named)
        sockets.append(socket.socket(fileno=os.dup(raw.fileno())))
        return raw

    def hang_up() -> None:
        late.set()
        for one in sockets:
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)

    timer = threading.Timer(seconds + _GRACE_S, hang_up)
    timer.daemon = True
    timer.start()
    try:
        yield
    except Exception as error:
        if late.is_set():
            raise TimeoutError(f"it did not answer within {seconds:g} s") from error
        raise
    finally:
        timer.cancel()
        for one in sockets:
            one.close()


def _query(spec: LayerSpec) -> tuple[str, dict[str, bool]]:
    """Query the rows, as one statement that cannot become several.

    A filter comes from whoever wrote study.toml. With a value bound to it, PostgreSQL takes a
    single statement only, so that a filter cannot end the transaction that only reads.
    """
    where = f"({spec.where}\n)" if spec.where else "true"
    text = f"SELECT * FROM {_quoted(str(spec.layer))} WHERE {where}".replace("%", "%%")
    return f"{text} AND %(all)s", {"all": True}


def _quoted(name: str) -> str:
    """A table's name, perhaps behind its schema and a full stop, in SQL's quotes."""
    return ".".join('"' + part.replace('"', '""') + '"' for part in name.split(".", 1))


def without_password(text: str, source: str) -> str:
    """Mask the password of a database address in a text."""
    text = text.replace(source, masked(source))
    in_query = [found[2] for found in SECRET_IN_QUERY.finditer(source)]
    stated = [user_and_rest(source)[2], *in_query, os.environ.get("PGPASSWORD", "")]
    secrets = {form for secret in stated for form in (secret, unquote(secret))} - {""}
    for secret in sorted(secrets, key=len, reverse=True):
        text = text.replace(secret, PASSWORD_MASK)
    return text


def _rows_input(spec: LayerSpec, frame: pd.DataFrame) -> InputFile:
    """SHA-256 of the rows read, the same for every order of the rows."""
    import shapely

    plain = frame.drop(columns=ROW)
    if "geometry" in plain:
        plain["geometry"] = shapely.to_wkb(plain["geometry"].to_numpy(), hex=True)
    header, *lines = plain.to_csv(index=False).splitlines()
    digest = hashlib.sha256("\n".join([header, *sorted(lines)]).encode()).hexdigest()
    return InputFile(f"{spec.shown_source} {spec.layer}", digest)
