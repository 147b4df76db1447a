"""Which files are opened, and how: regular ones, of a known format, bounded, unchanged while read.

`prove` and `recheck` each read layers by themselves; what a file may be is the same for both.

GDAL reads some eighty formats, and opens as a layer whatever one of them recognises: a VRT or a
pipeline names other files and hosts, whatever its own name is. So the first bytes settle the
format before GDAL sees a file, and GDAL is asked for that format alone. References that these
formats can still hold (a coordinate system by link, a view without end) are looked for first, and
refused.
"""

from __future__ import annotations

import hashlib
import io
import json
import mmap
import os
import re
import sqlite3
import stat
import zipfile
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, Literal

MOST_COLUMNS = 2_000
"""In one layer; as many as SQLite allows a table."""
MOST_SETTINGS_BYTES = 1 << 24
"""Of one TOML file."""
MOST_EVIDENCE_BYTES = 1 << 29
"""Of evidence, unpacked: three times what a plant of a million segments takes."""
_MOST_HEADER_SIGNS = 1 << 20
MOST_FILTER_SIGNS = 10_000
MOST_FILTER_DEPTH = 50
"""Parentheses within each other in an attribute filter; GDAL calls itself once for each."""
MOST_UNPACKED = 100
"""By how much the sheets of a spreadsheet may grow when they are unpacked; 10 to 20 is usual."""
_ALWAYS_UNPACKED_BYTES = 1 << 26
_NEVER_UNPACKED_BYTES = 1 << 30
_MOST_SHEET_FILES = 2_000
_MOST_STEPS = 60_000_000
"""Instructions of SQLite for one view or filter: some seconds; a filter on a million rows took
9 million."""
_MOST_CELL_BYTES = 100_000_000

FORMATS = (
    "GeoPackage (.gpkg), GeoJSON, GeoJSON by lines (.geojsonl), FlatGeobuf (.fgb), Shapefile "
    "(.shp), a file geodatabase (folder .gdb), a spreadsheet (.xlsx, .ods), GeoParquet (.parquet) "
    "or CSV (.csv)"
)
_BY_LINES = (".geojsonl", ".geojsons", ".ndjson", ".jsonl", ".geojsonseq")
_WORKBOOKS: Mapping[str, Literal["xlsx", "ods"]] = {".xlsx": "xlsx", ".ods": "ods"}
_OTHER_WORKBOOKS = (".xlsm", ".xlsb", ".xltx", ".xltm", ".ots", ".fods", ".numbers")
_SHAPE_PARTS = (".shx", ".dbf", ".prj", ".cpg", ".idm", ".ind", ".qix", ".sbn", ".sbx")
_PACKAGE_PARTS = ("-wal", "-journal")
_GEODATABASE_PART = re.compile(
    r"gdb|timestamps|.*\.lock|"
    r"[0-9a-z_]+\.(?:gdbtable|gdbtablx|gdbindexes|atx|spx|freelist|horizon|cdf)",
    re.IGNORECASE,
)

FENCE = {
    "GDAL_HTTP_PROXY": "off://off",
    "CPL_VSIL_CURL_ALLOWED_EXTENSIONS": ".none",
    "OGR_SQLITE_ALLOW_EXTERNAL_ACCESS": "NO",
}
"""Settings of GDAL while it reads. A proxy of a scheme that does not exist stops every request
before it leaves the machine."""


@contextmanager
def fenced() -> Iterator[None]:
    """Keep GDAL from the network in the body of a `with`."""
    with gdal_settings(FENCE):
        yield


@contextmanager
def gdal_settings(options: Mapping[str, str]) -> Iterator[None]:
    """Set options of GDAL in the body of a `with`, and put back what they were.

    Parameters
    ----------
    options : mapping of str to str
        By name, as GDAL's documentation of configuration options has them.
    """
    import pyogrio

    before = {name: pyogrio.get_gdal_config_option(name) for name in options}
    pyogrio.set_gdal_config_options(options)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)


BAD_CRS = (
    "states a coordinate system that GDAL makes nothing of (of a Shapefile, its .prj): correct it, "
    "or take it away and state crs in study.toml"
)


class RefusedError(Exception):
    """A file that is not read; the message says why, and what to do."""


@dataclass(frozen=True, slots=True)
class Vector:
    """A file that GDAL may open.

    Attributes
    ----------
    name : str
        What GDAL is to be given: the absolute path, behind the format where GDAL takes one.
    driver : str
        The only one of GDAL's drivers that may open it.
    path : Path
    """

    name: str
    driver: str
    path: Path

    def plain(self, error: object) -> str:
        """Return what GDAL said on one line, with the name of the file in place of its full path.

        Parameters
        ----------
        error : object

        Returns
        -------
        str
        """
        said = " ".join(str(error).split())
        for long in (self.name, os.path.abspath(self.path)):
            said = said.replace(long, self.path.name)
        return said


# Files


def check_regular(path: Path) -> None:
    """Refuse what is not a regular file: a pipe, a device, a socket, a folder.

    Parameters
    ----------
    path : Path

    Raises
    ------
    RefusedError
        It is none, or cannot be read.
    """
    try:
        mode = path.stat().st_mode
    except OSError as error:
        raise RefusedError(f"cannot be read: {error.strerror or error}") from error
    except ValueError as error:  # a name with a NUL
        raise RefusedError(f"cannot be read: {error}") from error
    _refuse_mode(mode)


def _refuse_mode(mode: int) -> None:
    if stat.S_ISREG(mode):
        return
    kinds = {
        stat.S_IFDIR: "a folder",
        stat.S_IFIFO: "a pipe",
        stat.S_IFSOCK: "a socket",
        stat.S_IFCHR: "a device",
        stat.S_IFBLK: "a device",
    }
    raise RefusedError(
        f"is {kinds.get(stat.S_IFMT(mode), 'no file')}, and only a regular file is read: "
        "save what it gives as a file"
    )


def read_bytes(path: Path, most: int | None = None) -> bytes:
    """Read a regular file of limited size; never wait for a pipe.

    Parameters
    ----------
    path : Path
    most : int, optional
        Most bytes that it may hold.

    Returns
    -------
    bytes

    Raises
    ------
    RefusedError
        It is no regular file, is larger, cannot be read, or changed meanwhile.
    """
    check_regular(path)
    try:
        number = os.open(
            path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
        )
        with os.fdopen(number, "rb", closefd=True) as file:
            before = os.fstat(number)
            _refuse_mode(before.st_mode)
            if most is not None and before.st_size > most:
                raise RefusedError(
                    f"holds {before.st_size:,} bytes; at most {most:,} are read of such a file"
                )
            data = file.read()
            if _mark(os.fstat(number)) != _mark(before):
                raise RefusedError(CHANGED)
    except OSError as error:
        raise RefusedError(f"cannot be read: {error.strerror or error}") from error
    except ValueError as error:
        raise RefusedError(f"cannot be read: {error}") from error
    return data


CHANGED = "has changed while it was read; wait until nobody writes to it, then start again"


def _mark(found: os.stat_result) -> tuple[int, ...]:
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns


def parts(path: Path) -> tuple[tuple[Path, str], ...]:
    """List every file that a source is read from.

    Of a folder all in it; of a Shapefile its sidecars; of a GeoPackage the pages that SQLite has
    not yet written back.

    Parameters
    ----------
    path : Path

    Returns
    -------
    tuple of (Path, str)
        Each with its name, from the source on.
    """
    if path.is_dir():
        return tuple(
            (part, f"{path.name}/{part.relative_to(path).as_posix()}")
            for part in sorted(path.rglob("*"))
            if part.is_file()
        )
    found = [path]
    if path.suffix.casefold() == ".shp":
        with suppress(OSError):
            beside = sorted(path.parent.glob(f"{_escaped(path.stem)}.*"))
            by_end = {
                end: [p for p in beside if p.suffix.casefold() == end] for end in _SHAPE_PARTS
            }
            found += [part for end in _SHAPE_PARTS for part in by_end[end]]
    else:
        found += [path.with_name(path.name + end) for end in _PACKAGE_PARTS]
    return tuple((part, part.name) for part in found if part.is_file())


def modified(path: Path) -> date | None:
    """Day in UTC on which any file of a source was last modified.

    Parameters
    ----------
    path : Path

    Returns
    -------
    date or None
        None where there is no file, as of a database, or the file system has no time for it.
    """
    try:
        times = [part.stat().st_mtime for part, _ in parts(path)]
        return datetime.fromtimestamp(max(times), tz=UTC).date() if times else None
    except (OSError, OverflowError, ValueError):
        return None


def _escaped(name: str) -> str:
    return re.sub(r"([*?[])", r"[\1]", name)


@contextmanager
def hashed(path: Path, source: str) -> Iterator[tuple[tuple[str, str], ...]]:
    """Hash every file of a source, and check at the end of the `with` that it is the same.

    Parameters
    ----------
    path : Path
    source : str
        The path as the study states it; names begin as it does.

    Raises
    ------
    RefusedError
        At the end, where a file is not what it was when its hash was taken.
    """
    files = parts(path)
    before = [_mark(part.stat()) for part, _ in files]
    plain = source.rstrip("/\\")
    folder = plain[: len(plain) - len(Path(plain).name)]
    told = tuple((folder + name, sha256(part)) for part, name in files)
    yield told
    try:
        after = [_mark(part.stat()) for part, _ in files]
        more = {part for part, _ in parts(path)} - {part for part, _ in files}
        grown = any(part.stat().st_size for part in more)
    except OSError as error:
        raise RefusedError(CHANGED) from error
    if after != before or grown:
        raise RefusedError(CHANGED)


def sha256(path: Path) -> str:
    """Return the SHA-256 of a file's bytes, read in pieces.

    Parameters
    ----------
    path : Path

    Returns
    -------
    str
        Hexadecimal.
    """
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


# Formats


def vector(path: Path) -> Vector:
    """Decide how GDAL opens a file: as the one format that its first bytes show.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Vector

    Raises
    ------
    RefusedError
        It is of no format that is read, or refers to something elsewhere.
    """
    whole = os.path.abspath(path)
    if whole.startswith("/vsi") or re.search(r"\.(?:zip|tar|tgz|kmz)(?:$|[!/\\])", whole, re.I):
        raise RefusedError(f"archives and remote files are not read; unpack it: expected {FORMATS}")
    if path.is_dir():
        return _geodatabase(path, whole)
    check_regular(path)
    with path.open("rb") as file:
        head = file.read(1 << 16)
    suffix = path.suffix.casefold()
    if head.startswith(b"SQLite format 3\x00"):
        _check_written_back(path)
        _check_database(path)
        return Vector(whole, "GPKG", path)
    if head.startswith(b"fgb\x03fgb"):
        return Vector(whole, "FlatGeobuf", path)
    if head.startswith(b"\x00\x00\x27\x0a") and suffix == ".shp":
        return Vector(whole, "ESRI Shapefile", path)
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip(b" \t\r\n\x1e")
    if text.startswith(b"{"):
        _check_links(path)
        if suffix in _BY_LINES or _stands_by_lines(text):
            return Vector(f"GeoJSONSeq:{whole}", "GeoJSONSeq", path)
        return Vector(f"GeoJSON:{whole}", "GeoJSON", path)
    raise RefusedError(f"{_instead(head, suffix)}; expected {FORMATS}")


def _instead(head: bytes, suffix: str) -> str:
    """What a file looks like that is of none of the formats."""
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if not head.strip(b"\x00"):
        return "holds nothing but noughts" if head else "is empty"
    if text[:1] == b"<":
        return (
            "is XML (a VRT, KML, GML, ...), which could name other files and is not read: convert "
            "it in your GIS"
        )
    if head.startswith(_COMPOUND):
        return (
            "is encrypted, or a workbook of the old kind (.xls): save it as .xlsx without a "
            "password"
        )
    if head.startswith(b"PK"):
        if suffix in _OTHER_WORKBOOKS:
            return f"is a workbook of another kind ({suffix}): save it as .xlsx"
        return "is an archive: unpack it"
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "is UTF-16 text: save it as UTF-8"
    return "is of no format that is read"


def _geodatabase(path: Path, whole: str) -> Vector:
    if path.suffix.casefold() != ".gdb":
        raise RefusedError(f"is a folder; expected {FORMATS}")
    inside = sorted(path.iterdir())
    odd = [one.name for one in inside if not _GEODATABASE_PART.fullmatch(one.name)]
    odd += [one.name for one in inside if not one.is_file() and one.name not in odd]
    if odd or not (path / "a00000001.gdbtable").is_file():
        what = f": {odd[0]!r} belongs to none" if odd else ": it has no a00000001.gdbtable"
        raise RefusedError(f"is a folder and no file geodatabase{what}; expected {FORMATS}")
    return Vector(whole, "OpenFileGDB", path)


def _stands_by_lines(text: bytes) -> bool:
    """Whether the first line is a JSON object of its own, and another follows."""
    line, _, rest = text.partition(b"\n")
    if not rest.lstrip(b" \t\r\n\x1e").startswith(b"{"):
        return False
    try:
        return isinstance(json.loads(line), dict)
    except (ValueError, RecursionError):
        return False


# GeoJSON

_CRS_KEY = re.compile(rb"crs|\\u00[0-9a-f]{2}", re.IGNORECASE)
_PLAIN_CRS = re.compile(
    rb'"crs"\s*:\s*(?:null|\{\s*"type"\s*:\s*"name"\s*,\s*"properties"\s*:\s*'
    rb'\{\s*"name"\s*:\s*"[A-Za-z0-9:._ /()+-]*"\s*\}\s*\})'
)
_NAME = re.compile(r"(?!.*://)[^\\]*|https?://(?:www\.)?opengis\.net/def/crs/[\w/.-]*")
_MOST_SUSPECT_BYTES = 1 << 28


def _check_links(path: Path) -> None:
    """Refuse GeoJSON with a coordinate system by reference: GDAL would fetch it.

    The whole file is only parsed where the text `crs` stands in it otherwise than
    `"crs": {"type": "name", "properties": {"name": "urn:..."}}`, as programs write it.
    """
    if not path.stat().st_size:
        return
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
        plain = [found.span() for found in _PLAIN_CRS.finditer(data) if _is_plain(found[0])]
        place = 0
        for found in _CRS_KEY.finditer(data):
            while place < len(plain) and plain[place][1] <= found.start():
                place += 1
            if place == len(plain) or found.start() < plain[place][0]:
                break
        else:
            return
    for one in _objects(read_bytes(path, _MOST_SUSPECT_BYTES)):
        for key, value in one.items():
            if key.casefold() == "crs" and not _stated_here(value):
                raise RefusedError(
                    'says where its coordinate system is to be fetched from ("crs" with a link), '
                    'and nothing is fetched: take "crs" out of the file and state it in '
                    'study.toml, such as crs = "EPSG:25832"'
                )


def _is_plain(found: bytes) -> bool:
    return b"://" not in found or b"opengis.net/def/crs/" in found


def _objects(data: bytes) -> Iterator[dict[str, Any]]:
    """Every object of a JSON text, or of each of its lines; none where it is not JSON."""
    try:
        roots = [json.loads(data)]
    except RecursionError as error:
        raise RefusedError("is nested too deeply to be a layer") from error
    except ValueError:
        roots = []
        for line in data.replace(b"\x1e", b"\n").splitlines():
            with suppress(ValueError):
                roots.append(json.loads(line))
    left = roots
    while left:
        one = left.pop()
        if isinstance(one, dict):
            yield one
            left.extend(value for value in one.values() if isinstance(value, dict | list))
        elif isinstance(one, list) and not (one and isinstance(one[0], int | float)):
            left.extend(value for value in one if isinstance(value, dict | list))


def _stated_here(crs: object) -> bool:
    """Whether a `crs` is a name or a code, or anything but an object."""
    if not isinstance(crs, dict):
        return not isinstance(crs, str) or bool(_NAME.fullmatch(crs))
    said = {str(key).casefold(): value for key, value in crs.items()}
    if str(said.get("type", "name")).casefold() not in ("name", "epsg", "ogc"):
        return False
    inside = said.get("properties")
    names = inside.values() if isinstance(inside, dict) else [inside]
    return all(not isinstance(name, str) or _NAME.fullmatch(name) for name in names)


# Workbooks

_COMPOUND = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
"""How a file of the OLE2 format begins, in which encrypted workbooks are kept ([MS-CFB] 2.2)."""


def workbook_kind(path: Path) -> Literal["xlsx", "ods"] | None:
    """Tell which kind of workbook a file is, by its name and first bytes.

    Parameters
    ----------
    path : Path

    Returns
    -------
    str or None
        `xlsx` or `ods`; None where it is no workbook.

    Raises
    ------
    RefusedError
        It cannot be read.
    """
    kind = _WORKBOOKS.get(path.suffix.casefold())
    if kind is None or path.is_dir():
        return None
    check_regular(path)
    with path.open("rb") as file:
        return kind if file.read(4) == b"PK\x03\x04" else None


def stamp(path: Path) -> tuple[int, ...]:
    """Return what changes of a file whenever somebody writes to it: its number, size and times.

    Parameters
    ----------
    path : Path

    Returns
    -------
    tuple of int
    """
    return _mark(path.stat())


def workbook_parts(path: Path) -> Mapping[str, bytes]:
    """Read the parts of a workbook's archive that hold XML.

    The sizes that the archive states are checked against what is unpacked.

    Parameters
    ----------
    path : Path

    Returns
    -------
    mapping of str to bytes
        By the name of the part.

    Raises
    ------
    RefusedError
        It unpacks to far more than it is, is encrypted or damaged, has two parts of one name, or
        one that is no UTF-8.
    """
    data = read_bytes(path)
    most = min(max(_ALWAYS_UNPACKED_BYTES, MOST_UNPACKED * len(data)), _NEVER_UNPACKED_BYTES)
    too_large = RefusedError(
        f"unpacks to more than {most:,} bytes, which no sheet of records does: save the sheets "
        "that are needed as CSV"
    )
    parts: dict[str, bytes] = {}
    names: set[str] = set()
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            inside = archive.infolist()
            if sum(one.file_size for one in inside) > most or len(inside) > _MOST_SHEET_FILES:
                raise too_large
            for one in inside:
                with archive.open(one) as file:
                    content = file.read()
                if one.filename.casefold() in names:
                    raise RefusedError(
                        f"has two parts called {one.filename!r}: save it again in your "
                        "spreadsheet program"
                    )
                names.add(one.filename.casefold())
                parts[one.filename] = content
    except RefusedError:
        raise
    except Exception as error:  # those of zipfile, and of each way of packing: zlib, bz2, lzma
        raise RefusedError(f"is a damaged spreadsheet: {error}") from error
    if b"encryption-data" in parts.get("META-INF/manifest.xml", b""):
        raise RefusedError("is encrypted: save it without a password")
    for name, content in parts.items():
        if content.startswith((b"<\0", b"\0<", b"\xff\xfe", b"\xfe\xff")):
            raise RefusedError(f"has a part that is no UTF-8 ({name})")
    return parts


# SQLite: GeoPackages, and filters

_FUNCTIONS = re.compile(
    "abs|avg|ceil|ceiling|char|coalesce|concat|concat_ws|count|date|datetime|exp|floor|format|"
    "glob|group_concat|hex|ifnull|iif|instr|julianday|length|like|likelihood|likely|ln|log|log10|"
    "lower|ltrim|max|min|mod|nullif|octet_length|pow|power|printf|quote|random|replace|round|"
    "row_number|rank|dense_rank|first_value|last_value|lag|lead|rtrim|sign|sqrt|strftime|"
    "string_agg|substr|substring|sum|time|total|trim|trunc|typeof|unicode|unixepoch|unlikely|upper|"
    r"(?:st_|gpkg)\w+",
    re.IGNORECASE,
)
"""Functions that a view or a filter may call: those of SQLite that read and compare, and those
of GeoPackages."""
_SPATIAL = (
    *("ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY", "ST_IsEmpty", "ST_GeometryType", "ST_SRID"),
    *("ST_Area", "ST_Length", "ST_Transform", "ST_MakeValid", "GPKG_IsAssignable"),
    *("ST_Intersects", "ST_Centroid", "ST_Envelope"),
)
_ALLOWED_ACTS = frozenset({sqlite3.SQLITE_READ, sqlite3.SQLITE_SELECT, sqlite3.SQLITE_TRANSACTION})


def check_filter(where: str) -> None:
    """Refuse an attribute filter that is too long or too deeply nested for its readers.

    Parameters
    ----------
    where : str

    Raises
    ------
    RefusedError
        More than `MOST_FILTER_SIGNS` or `MOST_FILTER_DEPTH`.
    """
    if len(where) > MOST_FILTER_SIGNS:
        raise RefusedError(
            f"the filter `where` has {len(where):,} characters; at most {MOST_FILTER_SIGNS:,} are "
            "taken: mark the rows in a column of their own and ask for that"
        )
    depth = deepest = 0
    for sign in where:
        depth += (sign == "(") - (sign == ")")
        deepest = max(deepest, depth)
    words = len(re.findall(r"\b(?:not|case)\b|[-+~]", where, re.IGNORECASE))
    if deepest > MOST_FILTER_DEPTH or words > 500:
        raise RefusedError(
            f"the filter `where` nests too deeply; at most {MOST_FILTER_DEPTH} parentheses within "
            "each other are taken: write it with IN (...)"
        )


def check_query(vector: Vector, layer: str, where: str | None) -> None:
    """Run a filter of a GeoPackage in bounded steps, before GDAL does.

    Parameters
    ----------
    vector : Vector
    layer : str
    where : str or None

    Raises
    ------
    RefusedError
        It takes too long, or calls functions that SQLite does not have by itself.
    """
    if where is None:
        return
    check_filter(where)
    if vector.driver == "GPKG":
        with closing(_opened(vector.path)) as base:
            bounded(base)
            name = '"' + layer.replace('"', '""') + '"'
            run(base, f"SELECT 1 FROM {name} WHERE ({where}\n)", f"the filter where = {where!r}")


def bounded(base: sqlite3.Connection) -> None:
    """Restrict a connection to reading, without recursion, in bounded steps and cells.

    Parameters
    ----------
    base : Connection
    """
    for name in _SPATIAL:
        with suppress(sqlite3.Error):
            base.create_function(name, -1, lambda *_given: 1)
    base.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _MOST_CELL_BYTES)
    base.setlimit(sqlite3.SQLITE_LIMIT_EXPR_DEPTH, 1_000)

    def may(act: int, first: str | None, second: str | None, *_more: str | None) -> int:
        if act in _ALLOWED_ACTS:
            return sqlite3.SQLITE_OK
        name = (second or first or "").casefold()
        if act == sqlite3.SQLITE_FUNCTION and _FUNCTIONS.fullmatch(name):
            return sqlite3.SQLITE_OK
        return sqlite3.SQLITE_DENY

    base.set_authorizer(may)
    left = [_MOST_STEPS // 1_000_000]

    def tick() -> int:
        left[0] -= 1
        return int(left[0] < 0)

    base.set_progress_handler(tick, 1_000_000)


def run(base: sqlite3.Connection, query: str, what: str) -> list[Any]:
    """Run a query on a bounded connection.

    Parameters
    ----------
    base : Connection
    query : str
    what : str
        The query in words, for messages.

    Returns
    -------
    list
        First column of each row.

    Raises
    ------
    RefusedError
        It takes too long or cannot be run.
    """
    try:
        return [row[0] for row in base.execute(query)]
    except sqlite3.OperationalError as error:
        if "interrupted" in str(error):
            raise RefusedError(
                f"{what} takes too long: write the rows that are wanted to a table"
            ) from error
        raise RefusedError(f"{what} cannot be used: {error}") from error
    except (sqlite3.Error, sqlite3.Warning, ValueError, OverflowError) as error:
        raise RefusedError(
            f"{what} cannot be used: {error}; a filter compares columns, without recursion"
        ) from error


def _opened(path: Path) -> sqlite3.Connection:
    address = Path(os.path.abspath(path)).as_uri()
    base = sqlite3.connect(f"{address}?mode=ro", uri=True)
    base.text_factory = bytes
    try:
        base.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError:  # in a folder that cannot be written to
        base.close()
        base = sqlite3.connect(f"{address}?mode=ro&immutable=1", uri=True)
        base.text_factory = bytes
    return base


def _rows(base: sqlite3.Connection, query: str) -> list[Any]:
    base.text_factory = lambda data: data.decode("utf-8", "replace")
    try:
        return base.execute(query).fetchall()
    finally:
        base.text_factory = bytes


def _check_written_back(path: Path) -> None:
    """Refuse a database with changes beside it: SQLite would write them into it on reading."""
    for end in _PACKAGE_PARTS:
        beside = path.with_name(path.name + end)
        if beside.is_file() and beside.stat().st_size:
            raise RefusedError(
                f"has changes that are not yet written into it ({beside.name}): save and close it "
                "in the program that has it open, then start again"
            )


def _check_database(path: Path) -> None:
    """Refuse SQLite that is no GeoPackage, tables made up by code, and views without end."""
    try:
        with closing(_opened(path)) as base:
            tables = _rows(
                base,
                "SELECT name, type, coalesce(sql, '') FROM sqlite_master WHERE type != 'index'",
            )
            names = {str(name).casefold() for name, _, _ in tables}
            if "gpkg_contents" not in names:
                raise RefusedError(
                    "is an SQLite database and no GeoPackage: it has no table gpkg_contents; "
                    f"expected {FORMATS}"
                )
            for name, _, sql in tables:
                told = re.match(
                    r"\s*CREATE\s+VIRTUAL\s+TABLE.*?\bUSING\s+\"?(\w+)", sql, re.I | re.S
                )
                if told and told[1].casefold() not in ("rtree", "fts3", "fts4", "fts5"):
                    raise RefusedError(
                        f"has the virtual table {name!r}, which reads what lies elsewhere: copy "
                        "its rows into a table"
                    )
            worked_out = [
                str(name)
                for name, kind, sql in tables
                if kind == "view" or (kind == "table" and re.search(r"\bAS\s*\(", sql, re.I))
            ]
            bounded(base)
            for name in worked_out:  # GDAL runs each view to see its columns
                quoted = '"' + name.replace('"', '""') + '"'
                run(base, f"SELECT * FROM {quoted}", f"the view or computed table {name!r}")
    except sqlite3.Error as error:
        raise RefusedError(f"is a damaged GeoPackage: {error}") from error


def check_header(text: str) -> None:
    """Refuse a table whose first line is longer than names of columns can be.

    Parameters
    ----------
    text : str

    Raises
    ------
    RefusedError
        More than a million characters.
    """
    end = text.find("\n")
    if (len(text) if end < 0 else end) > _MOST_HEADER_SIGNS:
        raise RefusedError(
            f"has a first line of more than {_MOST_HEADER_SIGNS:,} characters; expected a line "
            "with the names of the columns"
        )


def check_columns(count: int) -> None:
    """Refuse a layer with more than `MOST_COLUMNS` columns.

    Parameters
    ----------
    count : int

    Raises
    ------
    RefusedError
        It has more.
    """
    if count > MOST_COLUMNS:
        raise RefusedError(
            f"has {count:,} columns; at most {MOST_COLUMNS:,} are read: leave out those that no "
            "role knows"
        )


# Parquet


def check_parquet(path: Path) -> None:
    """Refuse a Parquet file whose tables take far more memory than the file.

    Runs of one value and dictionaries are short in the file: a thousand million rows take a few
    bytes. Rows and columns are counted before anything is read; texts are read as dictionaries
    first, so that their whole length is known before it is taken.

    Parameters
    ----------
    path : Path

    Raises
    ------
    RefusedError
        Its tables are too large, or it cannot be read.
    """
    import pyarrow as pa  # type: ignore[import-untyped]
    import pyarrow.compute as pc  # type: ignore[import-untyped]
    import pyarrow.parquet as pq  # type: ignore[import-untyped]

    size = path.stat().st_size
    most = max(_ALWAYS_UNPACKED_BYTES, MOST_UNPACKED * size)
    too_large = RefusedError(
        f"unpacks to more than {most:,} bytes, which no layer of records does: save what is "
        "needed as GeoPackage"
    )
    try:
        with pq.ParquetFile(path) as file:
            told = file.metadata
            check_columns(told.num_columns)
            groups = [told.row_group(number) for number in range(told.num_row_groups)]
            unpacked = sum(group.total_byte_size for group in groups)
            cells = max(told.num_rows, 0) * max(told.num_columns, 1)
            if max(unpacked, 4 * cells) > most or unpacked < 0:
                raise too_large
            texts = [
                told.schema.column(number).path
                for number in range(told.num_columns)
                if told.schema.column(number).physical_type == "BYTE_ARRAY"
            ]
        for text in texts:
            total = 0
            with pq.ParquetFile(path, read_dictionary=[text]) as file:
                for batch in file.iter_batches(columns=[text]):
                    for array in _flat(batch.columns):
                        if not pa.types.is_dictionary(array.type):
                            total += array.nbytes
                            continue
                        lengths = pc.binary_length(array.dictionary)
                        total += pc.sum(lengths.take(array.indices)).as_py() or 0
                    if total > most:
                        raise too_large
    except RefusedError:
        raise
    except (pa.ArrowException, OSError, ValueError, KeyError, TypeError) as error:
        raise RefusedError(
            f"is no Parquet file that can be read: {' '.join(str(error).split())}"
        ) from error


def _flat(arrays: list[Any]) -> Iterator[Any]:
    """Arrays with lists and structures taken apart."""
    import pyarrow as pa

    left = list(arrays)
    while left:
        array = left.pop()
        if pa.types.is_struct(array.type):
            left += array.flatten()
        elif pa.types.is_nested(array.type) and hasattr(array, "flatten"):
            left.append(array.flatten())
        else:
            yield array
