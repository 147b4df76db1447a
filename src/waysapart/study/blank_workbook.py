"""A workbook to fill in: a sheet for each role, its headings explained, its cells checked on entry.

Whatever stands in it follows from the table of roles. A spreadsheet program checks what is typed;
what is pasted it does not check, so that `check` has the last word.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from waysapart.schema import (
    FIRST_YEAR,
    KNOWN_EMPTY,
    LAST_YEAR,
    LIST_SEPARATOR,
    MAY_BE_NONE,
    ROLES,
    Column,
    Role,
    csv_safe,
)
from waysapart.study.rules import shipped_tables
from waysapart.study.spelling import KINDS
from waysapart.study.workbooks import EXACT, LISTS, READ_ME, column_letters

if TYPE_CHECKING:
    from xlsxwriter.workbook import Workbook

LAST_ROW = 10_000
"""Rows of a sheet whose cells are formatted and checked; more may be entered. No source."""
LON_LAT_CRS = "EPSG:4326"
_RULE_KEY = re.compile(r"\ba key of \[(\w+)\]")
_PLACES = ("9.2 53.9", "9.3 53.9", "9.3 54")
_GRID_PLACES = ("566000 5984000", "566100 5984000", "566100 5984100")
_WORDS = {("circuit_paths", "path"): ("main", "alternate")}
_WIDTH = {"id": 14, "geometry": 40}
_HEAD = {"bold": True, "bg_color": "#DCE6F1", "border": 1}
_NEEDED = {"bg_color": "#1F4E79", "font_color": "#FFFFFF"}


@dataclass(frozen=True, slots=True)
class BlankColumn:
    """One column of a table to fill in.

    Attributes
    ----------
    name, type, says : str
        As in `schema.Column`; coordinates are numbers, `geometry` is text.
    column : Column or None
        None for geometry.
    """

    name: str
    type: str
    says: str
    column: Column | None = None


def headings(role: Role, crs: str) -> list[BlankColumn]:
    """List the columns of a role in a table without a geometry of its own.

    Parameters
    ----------
    role : Role
    crs : str
        Coordinate system of the study: degrees are `lon` and `lat`, anything else `x` and `y`.

    Returns
    -------
    list of BlankColumn
        The role's columns, then those of its geometry.
    """
    found = [BlankColumn(one.name, one.type, one.says, one) for one in role.columns]
    if "Point" in role.geometry:
        pair = ("lon", "lat") if crs == LON_LAT_CRS else ("x", "y")
        words = ("longitude", "latitude") if crs == LON_LAT_CRS else ("easting", "northing")
        found += [
            BlankColumn(name, "number", f"{word} of a point, in {crs}")
            for name, word in zip(pair, words, strict=True)
        ]
    if role.geometry:
        kind = role.geometry[-1].removeprefix("Multi")
        one, two, three = _PLACES if crs == LON_LAT_CRS else _GRID_PLACES
        sample = {
            "LineString": f"LINESTRING ({one}, {two})",
            "Polygon": f"POLYGON (({one}, {two}, {three}, {one}))",
        }[kind]
        otherwise = "; instead of the two numbers" if "Point" in role.geometry else ""
        says = f"well-known text in {crs}, such as {sample}{otherwise}"
        found.append(BlankColumn("geometry", "text", says))
    return found


def words_of(role: Role, column: Column) -> tuple[str, ...]:
    """Return the words to choose from in a column; other words count too unless it has `choices`.

    Parameters
    ----------
    role : Role
    column : Column

    Returns
    -------
    tuple of str
    """
    if column.choices:
        return column.choices
    key = _RULE_KEY.search(column.says)
    if key is not None:
        return tuple(shipped_tables().get(key[1], {}))
    if column.name == "kind":
        return KINDS.get(role.name, ())
    return _WORDS.get((role.name, column.name), ())


def explained(heading: BlankColumn, role: Role) -> str:
    """Explain a column in a sentence or two: meaning, unit, limits, words.

    Parameters
    ----------
    heading : BlankColumn
    role : Role

    Returns
    -------
    str
    """
    column = heading.column
    if column is None:
        return f"{heading.says}."
    parts = [column.says]
    if column.unit:
        parts.append(f"in {column.unit}")
    parts += _bounds(column)
    if column.type == "date":
        parts.append("a day, such as 2026-03-01")
    if column.type in ("list", "numbers"):
        parts.append(f"several with {LIST_SEPARATOR} between")
    if column.choices:
        parts.append(f"one of: {', '.join(column.choices)}")
    if column.required:
        parts.append("may be blank" if column.may_be_blank else "needed in every row")
    return "; ".join(parts) + "."


def _bounds(column: Column) -> Iterator[str]:
    if column.type == "count":
        yield "a whole number"
    if column.minimum is not None:
        yield f"{'more than' if column.above else 'at least'} {column.minimum:g}"
    if column.maximum is not None:
        yield f"at most {column.maximum:g}"


def write_workbook(path: Path, crs: str) -> None:
    """Write a workbook to fill in.

    Parameters
    ----------
    path : Path
        Overwritten where it exists.
    crs : str
        Coordinate system of its geometry.
    """
    import xlsxwriter

    book = xlsxwriter.Workbook(str(path), {"strings_to_formulas": False, "strings_to_urls": False})
    try:
        _read_me(book, crs)
        lists = _Lists()
        for role in ROLES.values():
            _sheet(book, role, crs, lists)
        lists.write(book)
    finally:
        book.close()


class _Lists:
    """Words to choose from, a column of the sheet of lists for each list."""

    def __init__(self) -> None:
        self.words: dict[tuple[str, ...], str] = {}

    def place(self, name: str, words: tuple[str, ...]) -> str:
        """Where a list will stand, as a formula."""
        self.words.setdefault(words, name)
        letters = column_letters(list(self.words).index(words))
        return f"={LISTS}!${letters}$2:${letters}${len(words) + 1}"

    def write(self, book: Workbook) -> None:
        sheet = book.add_worksheet(LISTS)
        for place, (words, name) in enumerate(self.words.items()):
            for row, word in enumerate((name, *words)):
                sheet.write_string(row, place, csv_safe(word))
            sheet.set_column(place, place, max(map(len, (name, *words))) + 2)


def _read_me(book: Workbook, crs: str) -> None:
    sheet = book.add_worksheet(READ_ME)
    head = book.add_format({**_HEAD, **_NEEDED})
    wrapped = book.add_format({"text_wrap": True, "valign": "top"})
    told = (
        "One sheet for each kind of record. Fill in those that you need; a sheet without rows "
        "says nothing.",
        "Columns with a dark heading are needed in every row. A blank cell means: not recorded. "
        f"A dash ({KNOWN_EMPTY}) means known to be none, in {', '.join(sorted(MAY_BE_NONE))}.",
        "Ids are text and unique. Cells for text are formatted as text, so that 007 and 1-2 stay "
        "as they are typed; keep that when you paste (paste values only).",
        f"Several ids in one cell have {LIST_SEPARATOR} between them. Geometry is in {crs}.",
        "Columns of your own may stand behind the others; they are kept and shown.",
        "Then run: waysapart check, with the name of this workbook's folder.",
    )
    for row, text in enumerate(told):
        sheet.write_string(row, 0, csv_safe(text))
    first = len(told) + 1
    titles = ("sheet", "column", "needed", "type", "unit", "meaning")
    for place, text in enumerate(titles):
        sheet.write_string(first, place, text, head)
    row = first
    for role in ROLES.values():
        for heading in headings(role, crs):
            row += 1
            column = heading.column
            needed = column is not None and column.required and not column.may_be_blank
            cells = (
                role.name,
                heading.name,
                "yes" if needed else "",
                heading.type,
                (column.unit if column is not None else None) or "",
                f"A row is {role.says}. {explained(heading, role)}"
                if heading.column is role.columns[0]
                else explained(heading, role),
            )
            for place, text in enumerate(cells):
                sheet.write_string(row, place, csv_safe(text), wrapped)
    for place, width in enumerate((16, 22, 8, 9, 8, 100)):
        sheet.set_column(place, place, width)
    sheet.freeze_panes(first + 1, 0)


def _sheet(book: Workbook, role: Role, crs: str, lists: _Lists) -> None:
    sheet = book.add_worksheet(role.name)
    sheet.freeze_panes(1, 1)
    heads = book.add_format(_HEAD), book.add_format({**_HEAD, **_NEEDED})
    formats = {
        "text": book.add_format({"num_format": 49}),  # @: text
        "date": book.add_format({"num_format": "yyyy-mm-dd"}),
        "number": book.add_format(),
    }
    for place, heading in enumerate(headings(role, crs)):
        column = heading.column
        needed = column is not None and column.required and not column.may_be_blank
        sheet.write_string(0, place, csv_safe(heading.name), heads[needed])
        sheet.write_comment(0, place, csv_safe(explained(heading, role)), {"x_scale": 2})
        form = heading.type if heading.type in formats else "text"
        form = "number" if heading.type == "count" else form
        width = _WIDTH.get(heading.name, max(len(heading.name) + 2, 11))
        sheet.set_column(place, place, width, formats[form])
        check = _check(role, heading, place, lists)
        if check:
            told = _cut(explained(heading, role), 255)
            check |= {
                "ignore_blank": True,
                "error_title": _cut(f"{role.name}: {heading.name}", 32),
                "error_message": told,
            }
            sheet.data_validation(1, place, LAST_ROW, place, check)


def _check(role: Role, heading: BlankColumn, place: int, lists: _Lists) -> dict[str, Any]:
    """How a spreadsheet program checks the cells of a column; empty: not at all."""
    column = heading.column
    if column is None:
        return _number(heading.type, None) if heading.type == "number" else {}
    if column.type in ("number", "count"):
        return _number(column.type, column)
    if column.type == "date":
        first = date(max(FIRST_YEAR, 1900), 1, 1)  # no cell holds an earlier day
        return {
            "validate": "date",
            "criteria": "between",
            "minimum": first,
            "maximum": date(LAST_YEAR, 12, 31),
        }
    if column.type != "text":
        return {}
    words = words_of(role, column)
    if words:
        name = f"{role.name} {column.name}"
        # kinds and the like may be other words too: they are offered, not demanded
        return {
            "validate": "list",
            "source": lists.place(name, words),
            "show_error": bool(column.choices),
        }
    if column.name == "id" and column.required:
        letters = column_letters(place)
        cells = f"${letters}$2:${letters}${LAST_ROW + 1}"
        return {"validate": "custom", "value": f"=COUNTIF({cells},{letters}2)=1"}
    if len(column.refers) == 1 and "id" in getattr(ROLES.get(column.refers[0]), "column", {}):
        other = column.refers[0]
        at = column_letters(list(ROLES[other].column).index("id"))
        filled = f"MAX(1,COUNTA({other}!${at}$2:${at}${LAST_ROW + 1}))"
        source = f"=OFFSET({other}!${at}$2,0,0,{filled},1)"
        return {"validate": "list", "source": source, "show_error": False}
    return {}


def _number(kind: str, column: Column | None) -> dict[str, Any]:
    low = None if column is None else column.minimum
    high = None if column is None else column.maximum
    check: dict[str, Any] = {"validate": "integer" if kind == "count" else "decimal"}
    if column is not None and column.above and high is None:
        return check | {"criteria": ">", "value": low}
    if high is None and low is not None:
        return check | {"criteria": ">=", "value": low}
    most = 1e9 if kind == "count" else EXACT
    return check | {
        "criteria": "between",
        "minimum": -most if low is None else low,
        "maximum": most if high is None else high,
    }


def _cut(text: str, most: int) -> str:
    """A text that fits a field of the file format."""
    return text if len(text) <= most else text[: most - 3] + "..."
