"""Sheets of workbooks (.xlsx, .ods): their cells as text, by row and column as they are shown.

calamine reads the values. It shows a cell with an error as a blank one, and takes memory for every
cell up to the last, wherever that is; so each sheet's XML is read through first, for cells with
errors, formulas without a stored value, and how far the sheet reaches.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from functools import lru_cache
from pathlib import Path
from posixpath import join, normpath, split
from typing import TYPE_CHECKING, Any
from xml.parsers.expat import ExpatError, ParserCreate

from waysapart.input_files import RefusedError, stamp, workbook_kind, workbook_parts

if TYPE_CHECKING:
    from python_calamine import CalamineWorkbook

MOST_CELLS = 20_000_000
"""From the first cell of a sheet to its last: a million rows of twenty columns. No source."""
MOST_ROWS, MOST_COLUMNS = 1_048_576, 16_384
"""Of a sheet in every current spreadsheet program (Office Open XML, ECMA-376 part 1, 18.3.1.73)."""
EXACT = 1e15
"""Whole numbers from here on have lost digits: spreadsheet programs keep fifteen."""
READ_ME, LISTS = "read me", "lists"
"""Sheets of no role in a workbook of `blank`: what each column means, words to choose from."""
_ERRORS = frozenset(
    {"#NULL!", "#DIV/0!", "#VALUE!", "#REF!", "#NAME?", "#NUM!", "#N/A", "#GETTING_DATA"}
    | {"#SPILL!", "#CALC!", "#FIELD!", "#BLOCKED!", "#UNKNOWN!"}
)
_BETWEEN = re.compile(rb">\s+<(?=/?(?:table|office|calcext):|text:p[\s/>])")
"""Blanks between elements of an .ods, as GDAL and so QGIS write them; calamine knows none."""
_NOT_CODE = re.compile(r'"[^"]*"|\\.|_.|\*.|\[[^\]]*\]')
"""What a number format holds beside its code: texts, spaces, fillings, colours, conditions."""
_NOT_STORED = "a formula without a stored value"


@dataclass(frozen=True, slots=True)
class Sheet:
    """One sheet.

    Attributes
    ----------
    headings : tuple of (int, str)
        Column of each heading, from 0 on, and its text.
    rows : tuple of (int, tuple of object)
        Number of each row below the headings, as the spreadsheet shows it, and its cells under
        the headings: text, int, float, bool, or something of `datetime`; None where blank.
    heading_row : int
        0 where the sheet is blank.
    errors : mapping of (int, int) to str
        By row and column: what is wrong with a cell without a value, such as `the error #REF!`.
    unnamed : mapping of int to int
        Columns that have no heading and hold something, and the first row in which they do.
    formats : mapping of (int, int) to str
        By row and column, of numbers that a format shows as something else: `percent` (2 % is
        0.02), `padded` (007 is 7) or `scientific` (1E5 is 100000).
    """

    headings: tuple[tuple[int, str], ...]
    rows: Sequence[tuple[int, tuple[object, ...]]]
    heading_row: int
    errors: Mapping[tuple[int, int], str]
    unnamed: Mapping[int, int]
    formats: Mapping[tuple[int, int], str]


@dataclass(slots=True)
class _Extent:
    """How far a sheet reaches, and its cells without a value, by row and column from 0 on."""

    name: str
    rows: int = 0
    columns: int = 0
    errors: dict[tuple[int, int], str] = field(default_factory=dict)
    formats: dict[tuple[int, int], str] = field(default_factory=dict)

    def reach(self, row: int, column: int) -> None:
        if row < 0 or column < 0:
            raise RefusedError(f"is a damaged spreadsheet: a cell of {self.name} has no place")
        self.rows, self.columns = max(self.rows, row + 1), max(self.columns, column + 1)
        if row >= MOST_ROWS or column >= MOST_COLUMNS or self.rows * self.columns > MOST_CELLS:
            raise RefusedError(
                f"has a sheet ({self.name}) that reaches to row {self.rows:,} and column "
                f"{column_letters(self.columns - 1)}: more than {MOST_CELLS:,} cells are not "
                "read. Delete the rows and columns beyond the last record"
            )


class Workbook:
    """An open workbook.

    Parameters
    ----------
    path : Path

    Attributes
    ----------
    names : tuple of str
        Of its sheets, in their order.
    """

    names: tuple[str, ...]

    def __init__(self, path: Path) -> None:
        parts = dict(workbook_parts(path))
        if workbook_kind(path) == "xlsx":
            self._found = _scan_xlsx(parts)
        else:
            self._found = _scan_ods(parts)
            if "content.xml" in parts:
                parts["content.xml"] = _BETWEEN.sub(b"><", parts["content.xml"])
        self._book = _opened(parts)
        self.names = tuple(self._book.sheet_names)
        twice = [name for name, count in Counter(self.names).items() if count > 1]
        if twice:
            raise RefusedError(f"has two sheets called {twice[0]!r}: rename one of them")

    def sheet(self, name: str) -> Sheet:
        """Read one sheet.

        Parameters
        ----------
        name : str

        Returns
        -------
        Sheet

        Raises
        ------
        RefusedError
            It cannot be read.
        """
        cells = _guarded(
            lambda: self._book.get_sheet_by_name(name).to_python(skip_empty_area=False)
        )
        found = self._found.get(name)
        errors = {} if found is None else found.errors
        shown: list[tuple[object, ...]] = [
            tuple(None if cell == "" else cell for cell in row)  # a blank cell comes as ""
            for row in cells
        ]
        for row, column in errors:
            if row >= len(shown):
                shown += [()] * (row + 1 - len(shown))
            if column >= len(shown[row]):
                shown[row] += (None,) * (column + 1 - len(shown[row]))
        broken = {row for row, _ in errors}
        filled = [
            place
            for place, row in enumerate(shown)
            if place in broken or row.count(None) < len(row)
        ]
        if not filled:
            return Sheet((), (), 0, {}, {}, {})
        head = filled[0]
        headings = [
            (column, text)
            for column, cell in enumerate(shown[head])
            if (text := (cell_text(cell) or errors.get((head, column), "")).strip())
        ]
        named = [column for column, _ in headings]
        unnamed: dict[int, int] = {}
        rows = []
        free = sorted(set(range(max(map(len, shown)))) - set(named))
        for place in filled[1:]:
            line = shown[place]
            rows.append((place + 1, tuple(line[at] if at < len(line) else None for at in named)))
            for at in free:
                if at < len(line) and line[at] is not None:
                    unnamed.setdefault(at, place + 1)
        told = {(row + 1, column): what for (row, column), what in errors.items()}
        formats = {} if found is None else found.formats
        shown_so = {(row + 1, column): how for (row, column), how in formats.items()}
        return Sheet(tuple(headings), rows, head + 1, told, unnamed, shown_so)


def open_workbook(path: Path) -> Workbook:
    """Open a workbook; the one opened last is kept while its file is the same.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Workbook

    Raises
    ------
    RefusedError
        It is damaged, encrypted, or larger than a workbook of records.
    """
    return _kept(path, stamp(path))


@lru_cache(maxsize=1)
def _kept(path: Path, _stamp: tuple[int, ...]) -> Workbook:
    return Workbook(path)


def _opened(parts: Mapping[str, bytes]) -> CalamineWorkbook:
    """Have calamine open a workbook of the parts that have been read through, and no others."""
    import python_calamine

    data = io.BytesIO()
    with zipfile.ZipFile(data, "w") as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    data.seek(0)
    book: CalamineWorkbook = _guarded(lambda: python_calamine.CalamineWorkbook.from_filelike(data))
    return book


def _guarded(read: Callable[[], Any]) -> Any:
    """What a call of calamine returns; whatever it raises is told as a damaged file."""
    try:
        return read()
    except (KeyboardInterrupt, SystemExit, MemoryError):
        raise
    except BaseException as error:  # a panic of Rust is no Exception
        said = " ".join(str(error).split()) or type(error).__name__
        raise RefusedError(f"is a damaged spreadsheet: {said}") from error


def column_letters(column: int) -> str:
    """Letters by which a spreadsheet shows a column, counted from 0.

    Parameters
    ----------
    column : int

    Returns
    -------
    str

    Examples
    --------
    >>> column_letters(0), column_letters(27)
    ('A', 'AB')
    """
    letters = ""
    column += 1
    while column:
        column, last = divmod(column - 1, 26)
        letters = chr(ord("A") + last) + letters
    return letters


def cell_text(cell: object) -> str | None:
    """A cell as text: whole numbers without a decimal point, days as ISO 8601.

    Parameters
    ----------
    cell : object
        Text, int, float, bool, something of `datetime`, or None.

    Returns
    -------
    str or None

    Examples
    --------
    >>> cell_text(12.0), cell_text("007"), cell_text(date(2026, 3, 1))
    ('12', '007', '2026-03-01')
    """
    if cell is None or isinstance(cell, str):
        return cell
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, int | float):
        whole = float(cell).is_integer() and abs(cell) < EXACT
        return str(int(cell)) if whole else repr(float(cell))
    if isinstance(cell, datetime):
        return (cell.date() if cell.time() == time() else cell).isoformat()
    if isinstance(cell, date | time):
        return cell.isoformat()
    return str(cell)


def not_as_typed(cell: object, shown: str | None = None) -> str | None:
    """Say how a spreadsheet program has changed what was typed in a cell that should hold text.

    Parameters
    ----------
    cell : object
        As in `cell_text`.
    shown : str, optional
        How a format shows it, as in `Sheet.formats`.

    Returns
    -------
    str or None
        None where the cell says what was typed.
    """
    if isinstance(cell, date | time | timedelta):
        return f"the spreadsheet program has made a date or time ({cell_text(cell)}) of it"
    if not isinstance(cell, int | float) or isinstance(cell, bool):
        return None
    if abs(cell) >= EXACT:
        return f"of a number this long ({cell_text(cell)}) the spreadsheet program keeps 15 digits"
    if shown == "padded":
        return f"it is the number {cell_text(cell)}, which a format shows with noughts before it"
    if shown == "scientific":
        return f"it is the number {cell_text(cell)}, which a format shows with an E"
    return None


# How far sheets reach, and cells without a value


class _Reader:
    """Reads the XML of one part; what is no sound XML, or declares entities, is refused."""

    def __init__(self, part: str) -> None:
        self.part = part
        self.parser = ParserCreate()
        self.parser.buffer_text = True
        self.parser.StartDoctypeDeclHandler = self._no_doctype

    def _no_doctype(self, *_given: object) -> None:
        raise RefusedError(f"is a damaged spreadsheet: {self.part} declares a document type")

    def read(self, content: bytes) -> None:
        try:
            self.parser.Parse(content, True)
        except ExpatError as error:
            raise RefusedError(f"is a damaged spreadsheet: {self.part}: {error}") from error


def _local(name: str) -> str:
    return name.rpartition(":")[2]


def _scan_xlsx(parts: Mapping[str, bytes]) -> dict[str, _Extent]:
    """By sheet, how far it reaches; every part that could be one is read through."""
    names = _sheets_of_parts(parts)
    formats = _formats(parts)
    found: dict[str, _Extent] = {}
    for part, content in parts.items():
        if b"sheetData" in content:
            extent = _Extent(names.get(part, part))
            _scan_cells(part, content, extent, formats)
            found[extent.name] = extent
    return found


def _sheets_of_parts(parts: Mapping[str, bytes]) -> dict[str, str]:
    """By part, the name of the sheet that it holds (ECMA-376 part 2, 8.3 and part 1, 12.3)."""
    book = "xl/workbook.xml"
    for told in _elements(parts, "_rels/.rels", "Relationship"):
        if told.get("Type", "").endswith("/officeDocument"):
            book = normpath(told.get("Target", "").lstrip("/"))
    folder, name = split(book)
    targets = {
        told.get("Id", ""): normpath(join("/", folder, told.get("Target", ""))).lstrip("/")
        for told in _elements(parts, join(folder, "_rels", f"{name}.rels"), "Relationship")
    }
    return {
        targets.get(value, value): told.get("name", "")
        for told in _elements(parts, book, "sheet")
        for key, value in told.items()
        if key.endswith(":id")
    }


def _formats(parts: Mapping[str, bytes]) -> dict[str, str]:
    """By style of a cell, how it shows a number that is something else (part 1, 18.8.30)."""
    codes = {"9": "0%", "10": "0.00%", "11": "0.00E+00", "48": "##0.0E+0"}
    styles = [part for part in parts if part.endswith("/styles.xml")]
    found: dict[str, str] = {}
    for part in styles:
        for told in _elements(parts, part, "numFmt"):
            codes[told.get("numFmtId", "")] = told.get("formatCode", "")
        for style, told in enumerate(_elements(parts, part, "xf", within="cellXfs")):
            how = _shown_as(codes.get(told.get("numFmtId", ""), ""))
            if how is not None:
                found[str(style)] = how
    return found


def _shown_as(code: str) -> str | None:
    """How a number format shows a number, in the words of `Sheet.formats`."""
    plain = _NOT_CODE.sub("", code.partition(";")[0])
    if "%" in plain:
        return "percent"
    if re.search(r"E[+-]", plain):
        return "scientific"
    return "padded" if re.match(r"00(?![^0]*[dmyhs])", plain) else None


def _elements(
    parts: Mapping[str, bytes], part: str, wanted: str, within: str | None = None
) -> list[dict[str, str]]:
    """Attributes of each element of one name in a part, or of those within another element."""
    found: list[dict[str, str]] = []
    inside = within is None

    def start(name: str, told: dict[str, str]) -> None:
        nonlocal inside
        if _local(name) == wanted and inside:
            found.append(told)
        inside = inside or _local(name) == within

    def end(name: str) -> None:
        nonlocal inside
        inside = inside and _local(name) != within

    reader = _Reader(part)
    reader.parser.StartElementHandler = start
    reader.parser.EndElementHandler = end
    reader.read(parts.get(part, b"<none/>"))
    return found


def _scan_cells(part: str, content: bytes, extent: _Extent, formats: Mapping[str, str]) -> None:
    """Read a sheet of an .xlsx through (ECMA-376 part 1, 18.3.1.4 c: Cell)."""
    at = [-1, -1]
    letters: dict[str, int] = {}
    kind = ""
    formula = filled = False
    text = ""

    def close() -> None:
        """The cell before is whole."""
        nonlocal filled, formula
        if kind == "e":
            extent.errors[at[0], at[1]] = f"the error {text.strip() or '#VALUE!'}"
        elif formula and not text.strip() and kind != "str":
            extent.errors[at[0], at[1]] = _NOT_STORED
        if filled or formula or kind == "e":
            extent.reach(at[0], at[1])
        filled = formula = False

    def start(name: str, told: dict[str, str]) -> None:
        nonlocal kind, formula, filled, text
        local = name if ":" not in name else _local(name)
        if local == "c":
            close()
            kind, text = told.get("t", ""), ""
            place = told.get("r")
            if place is None:
                at[1] += 1
                return
            column = place.rstrip("0123456789")
            digits = place[len(column) :]
            if column not in letters:
                letters[column] = _column_of(column)
            at[1] = letters[column]
            at[0] = int(digits[:9]) - 1 if digits else at[0]
            if told.get("s") in formats:
                extent.formats[at[0], at[1]] = formats[told["s"]]
        elif local == "row":
            close()
            kind = ""
            place = told.get("r", "")
            at[:] = [int(place[:9]) - 1 if place.isdecimal() else at[0] + 1, -1]
        elif local == "f":
            formula = True
        elif local in ("v", "t"):
            filled = True

    def characters(data: str) -> None:
        nonlocal text
        if filled and len(text) < 100:
            text += data

    reader = _Reader(part)
    reader.parser.StartElementHandler = start
    reader.parser.CharacterDataHandler = characters
    reader.read(content)
    close()


def _column_of(letters: str) -> int:
    """Column of letters such as `AB`, counted from 0; beyond every sheet where they are none."""
    column = 0
    for letter in letters.upper():
        if not "A" <= letter <= "Z" or column > MOST_COLUMNS:
            return MOST_COLUMNS
        column = column * 26 + ord(letter) - ord("A") + 1
    return column - 1


def _scan_ods(parts: Mapping[str, bytes]) -> dict[str, _Extent]:
    """Read the sheets of an .ods through (OpenDocument 1.3 part 3, 9.1.4 table:table-cell)."""
    found: dict[str, _Extent] = {}
    extent = _Extent("")
    row = column = rows = columns = 0
    in_cell = filled = formula = error = False
    text = kind = value = ""

    def start(name: str, told: dict[str, str]) -> None:
        nonlocal extent, row, column, rows, columns, in_cell, filled, formula, error
        nonlocal text, kind, value
        if name == "table:table":
            extent = _Extent(told.get("table:name", ""))
            found[extent.name] = extent
            row = rows = 0
        elif name == "table:table-row":
            row += rows
            rows, column, columns = _times(told.get("table:number-rows-repeated")), 0, 0
        elif name in ("table:table-cell", "table:covered-table-cell"):
            column += columns
            columns = _times(told.get("table:number-columns-repeated"))
            in_cell, text = True, ""
            formula = "table:formula" in told
            error = told.get("calcext:value-type") == "error"
            kind = told.get("office:value-type", "")
            value = told.get("office:value", "")
            filled = bool(kind)
            if formula and not filled:
                extent.errors[row, column] = _NOT_STORED
                filled = True
        elif name == "text:p" and in_cell:
            filled = True

    def end(name: str) -> None:
        nonlocal in_cell
        if name in ("table:table-cell", "table:covered-table-cell"):
            in_cell = False
            if filled or error:
                extent.reach(row + max(rows, 1) - 1, column + max(columns, 1) - 1)
            shown = text.strip()
            how = _shown_by(kind, value, shown)
            if how is not None:
                for more in range(min(columns, MOST_COLUMNS)):
                    extent.formats[row, column + more] = how
            if error or (formula and (shown in _ERRORS or shown.startswith("Err:"))):
                extent.errors[row, column] = f"the error {shown or '#VALUE!'}"

    def characters(data: str) -> None:
        nonlocal text
        if in_cell and len(text) < 100:
            text += data

    reader = _Reader("content.xml")
    reader.parser.StartElementHandler = start
    reader.parser.EndElementHandler = end
    reader.parser.CharacterDataHandler = characters
    reader.read(parts.get("content.xml", b"<none/>"))
    return found


def _shown_by(kind: str, value: str, shown: str) -> str | None:
    """How a cell of an .ods shows its number, in the words of `Sheet.formats`.

    Long numbers are shown with an E without a format that says so; their digits are all there.
    """
    if kind == "percentage":
        return "percent"
    if kind == "float" and re.fullmatch(r"0\d+", shown):
        return "padded"
    short = len(value.rstrip("0")) < 12
    with_e = short and kind == "float" and re.search(r"\dE[+-]?\d", shown)
    return "scientific" if with_e else None


def _times(stated: str | None) -> int:
    """How often a row or cell is repeated."""
    if stated is None:
        return 1
    return int(stated[:9]) if stated.isdecimal() else MOST_ROWS


def explaining_sheets(names: Sequence[str]) -> frozenset[str]:
    """Name the sheets of a workbook of `blank` that hold no records; empty for other workbooks."""
    both = frozenset({READ_ME, LISTS})
    return both if both <= set(names) else frozenset()
