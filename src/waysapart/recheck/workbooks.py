"""Sheets of workbooks (.xlsx, .ods), read from their XML without the prover's reader.

What of a file is opened at all is decided in `waysapart.input_files`, for both.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from functools import lru_cache
from math import floor
from pathlib import Path
from posixpath import join, normpath, split
from xml.etree.ElementTree import Element, ParseError, fromstring, iterparse

from waysapart.input_files import RefusedError, stamp, workbook_kind, workbook_parts
from waysapart.schema import csv_meant

Cells = dict[int, str]
"""Cells of a row that are not blank, by column from 0 on: text, also of numbers, or `Broken`."""
_DIGITS = "0123456789"
_MOST_CELLS = 20_000_000
_OFFICE = "{urn:oasis:names:tc:opendocument:xmlns:office:1.0}"
_TABLE = "{urn:oasis:names:tc:opendocument:xmlns:table:1.0}"
_TEXT = "{urn:oasis:names:tc:opendocument:xmlns:text:1.0}"
_CALC = "{urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0}"
_ESCAPED = re.compile(r"_x([0-9A-Fa-f]{4})_")
_DATES = {*range(14, 23), *range(27, 37), *range(45, 48), *range(50, 59)}
"""Numbers of the built-in formats that show a date or a time (ECMA-376 part 1, 18.8.30)."""
_NOT_CODE = re.compile(r'"[^"]*"|\\.|_.|\*.|\[(?!(?:h+|m+|s+)\])[^\]]*\]', re.IGNORECASE)


class Broken(str):
    """A cell that holds an error, such as `#REF!`, or a formula without a value."""

    __slots__ = ()


def sheet_names(path: Path) -> list[str]:
    """Names of the sheets of a workbook.

    Parameters
    ----------
    path : Path

    Returns
    -------
    list of str

    Raises
    ------
    RefusedError
        It is damaged, encrypted, or unpacks to far more than it is.
    """
    parts = _parts(path)
    try:
        if workbook_kind(path) == "xlsx":
            return list(_places(parts))
        body = fromstring(parts.get("content.xml", b"<none/>"))
    except ParseError as error:
        raise RefusedError(f"is a damaged spreadsheet: {error}") from error
    return [one.get(f"{_TABLE}name", "") for one in body.iter(f"{_TABLE}table")]


def sheet_rows(path: Path, name: str) -> list[dict[str, str | None]]:
    """Rows of one sheet under the headings of its first row that is not blank.

    Parameters
    ----------
    path : Path
    name : str

    Returns
    -------
    list of dict
        By heading: text or `Broken`; None where blank. Whole numbers have no decimal point, days
        stand as in ISO 8601.

    Raises
    ------
    RefusedError
        The sheet cannot be read.
    """
    parts = _parts(path)
    read = _xlsx_rows if workbook_kind(path) == "xlsx" else _ods_rows
    try:
        lines = read(parts, name)
        first = next(lines, {})
        headings = {
            column: csv_meant(said).strip()
            for column, cell in sorted(first.items())
            if (said := cell.strip())
        }
        return [
            {
                heading: cell
                if (cell := line.get(column)) is None or isinstance(cell, Broken)
                else csv_meant(cell)
                for column, heading in headings.items()
            }
            for line in lines
        ]
    except (ParseError, ValueError, IndexError, KeyError, OverflowError) as error:
        raise RefusedError(f"is a damaged spreadsheet: {error}") from error


def _plain(number: float) -> str:
    whole = number.is_integer() and abs(number) < 1e15
    return str(int(number)) if whole else repr(number)


def _parts(path: Path) -> Mapping[str, bytes]:
    return _kept(path, stamp(path))


@lru_cache(maxsize=1)
def _kept(path: Path, _stamp: tuple[int, ...]) -> Mapping[str, bytes]:
    return workbook_parts(path)


# .xlsx (ECMA-376 part 1)


def _book(parts: Mapping[str, bytes]) -> str:
    """The part that lists the sheets (part 2, 8.3)."""
    for one in fromstring(parts.get("_rels/.rels", b"<none/>")):
        if one.get("Type", "").endswith("/officeDocument"):
            return one.get("Target", "").lstrip("/")
    return "xl/workbook.xml"


def _related(parts: Mapping[str, bytes]) -> dict[str, tuple[str, str]]:
    """What the list of sheets refers to: by id the end of its type, and the part."""
    folder, name = split(_book(parts))
    content = parts.get(join(folder, "_rels", f"{name}.rels"), b"<none/>")
    return {
        one.get("Id", ""): (
            one.get("Type", "").rpartition("/")[2],
            normpath(join("/", folder, one.get("Target", ""))).lstrip("/"),
        )
        for one in fromstring(content)
    }


def _named(parts: Mapping[str, bytes], kind: str) -> bytes | None:
    """The one part of a kind, such as `styles`."""
    return next(
        (parts.get(place) for said, place in _related(parts).values() if said == kind), None
    )


def _places(parts: Mapping[str, bytes]) -> dict[str, str]:
    """The part of each sheet, by its name."""
    related = _related(parts)
    found = {}
    book = fromstring(parts.get(_book(parts), b"<none/>"))
    for sheet in book.iterfind("{*}sheets/{*}sheet"):
        id_ = next((value for key, value in sheet.items() if key.endswith("}id")), "")
        found[sheet.get("name", "")] = related.get(id_, ("", ""))[1]
    return found


def _strings(parts: Mapping[str, bytes]) -> list[str]:
    content = _named(parts, "sharedStrings")
    return [] if content is None else [_run(one) for one in fromstring(content).iterfind("{*}si")]


def _run(one: Element) -> str:
    """Text of a string: its own, or that of its runs, without how it is pronounced."""
    texts = [*one.iterfind("{*}t"), *one.iterfind("{*}r/{*}t")]
    whole = "".join(text.text or "" for text in texts)
    return _ESCAPED.sub(lambda found: chr(int(found[1], 16)), whole)


def _dated(parts: Mapping[str, bytes]) -> list[bool]:
    """Whether cells of each style show a date."""
    content = _named(parts, "styles")
    if content is None:
        return []
    styles = fromstring(content)
    own = {
        one.get("numFmtId"): bool(
            re.search("[dmyhs]", _NOT_CODE.sub("", one.get("formatCode", "")))
        )
        for one in styles.iterfind("{*}numFmts/{*}numFmt")
    }
    used = [one.get("numFmtId", "0") for one in styles.iterfind("{*}cellXfs/{*}xf")]
    return [own.get(one, int(one) in _DATES) for one in used]


def _xlsx_rows(parts: Mapping[str, bytes], name: str) -> Iterator[Cells]:
    strings, dated = _strings(parts), _dated(parts)
    properties = fromstring(parts[_book(parts)]).find("{*}workbookPr")
    late = properties is not None and properties.get("date1904", "0") in ("1", "true")
    rows: dict[int, Cells] = {}
    number = -1
    for _, one in iterparse(io.BytesIO(parts[_places(parts)[name]])):
        if not one.tag.endswith("}row"):
            continue
        number = int(one.get("r", number + 2)) - 1
        column = -1
        line = rows.setdefault(number, {})
        for cell in one:
            if not cell.tag.endswith("}c"):
                continue
            at = cell.get("r")
            column = column + 1 if at is None else _column(at.rstrip(_DIGITS))
            value = _cell(cell, strings, dated, late)
            if value is not None:
                line[column] = value
        one.clear()
    yield from (rows[row] for row in sorted(rows) if rows[row])


@lru_cache(maxsize=1 << 16)
def _column(letters: str) -> int:
    column = 0
    for letter in letters:
        column = column * 26 + int(letter, 36) - 9
    return column - 1


def _cell(cell: Element, strings: list[str], dated: list[bool], late: bool) -> str | None:
    kind = cell.get("t", "n")
    said, formula = "", False
    for part in cell:
        if part.tag.endswith("}v"):
            said = part.text or ""
        elif part.tag.endswith("}f"):
            formula = True
        elif part.tag.endswith("}is"):
            return _run(part) or None
    if kind == "e":
        return Broken(said or "#VALUE!")
    if kind != "str" and not said.strip():
        return Broken("a formula without a stored value") if formula else None
    if kind == "s":
        return strings[int(said)] or None
    if kind == "b":
        return "false" if said.strip() in ("0", "false") else "true"
    if kind == "d":
        return said.strip().removesuffix("T00:00:00")
    if kind == "str":
        return _ESCAPED.sub(lambda found: chr(int(found[1], 16)), said) or None
    style = int(cell.get("s", "0"))
    shows_date = dated[style] if style < len(dated) else False
    return _day(float(said), late) if shows_date else _plain(float(said))


@lru_cache(maxsize=1 << 16)
def _day(serial: float, late: bool) -> str:
    """A day counted from the end of 1899, or the beginning of 1904, as text."""
    first = datetime(1904, 1, 1) if late else datetime(1899, 12, 30)
    if not late and serial < 60:  # the programs take 1900 for a leap year
        first += timedelta(days=1)
    days = floor(serial)
    milliseconds = round((serial - days) * 86_400_000)
    moment = first + timedelta(days=days, milliseconds=milliseconds)
    return moment.isoformat().removesuffix("T00:00:00")


# .ods (OpenDocument 1.3 part 3)


def _ods_rows(parts: Mapping[str, bytes], name: str) -> Iterator[Cells]:
    inside = False
    count = 0
    for event, one in iterparse(io.BytesIO(parts["content.xml"]), ("start", "end")):
        if one.tag == f"{_TABLE}table":
            inside = event == "start" and one.get(f"{_TABLE}name") == name
            if event == "end":
                one.clear()
        elif inside and event == "end" and one.tag == f"{_TABLE}table-row":
            line = _line(one)
            times = int(one.get(f"{_TABLE}number-rows-repeated", "1"))
            one.clear()
            if line:
                count += times * len(line)
                if count > _MOST_CELLS:
                    raise ValueError(f"more than {_MOST_CELLS:,} cells")
                yield from (dict(line) for _ in range(times))


def _line(row: Element) -> Cells:
    line: Cells = {}
    column = 0
    for cell in row:
        if cell.tag not in (f"{_TABLE}table-cell", f"{_TABLE}covered-table-cell"):
            continue
        times = int(cell.get(f"{_TABLE}number-columns-repeated", "1"))
        value = _ods_cell(cell)
        if value is not None:
            if column + times > 1 << 14:
                raise ValueError("more columns than a sheet has")
            line |= dict.fromkeys(range(column, column + times), value)
        column += times
    return line


def _ods_cell(cell: Element) -> str | None:
    kind = cell.get(f"{_OFFICE}value-type")
    formula = cell.get(f"{_TABLE}formula") is not None
    shown = "\n".join(_paragraph(one) for one in cell.iterfind(f"{_TEXT}p"))
    wrong = re.fullmatch(r"#[A-Z0-9/_]+[!?]?|Err:\d+", shown.strip()) is not None
    if cell.get(f"{_CALC}value-type") == "error" or (formula and wrong):
        return Broken(shown.strip() or "#VALUE!")
    if kind is None:
        return Broken("a formula without a stored value") if formula else shown or None
    if kind == "boolean":
        return cell.get(f"{_OFFICE}boolean-value")
    if kind == "date":
        return cell.get(f"{_OFFICE}date-value", "").removesuffix("T00:00:00") or None
    if kind == "time":
        return cell.get(f"{_OFFICE}time-value") or None
    if kind == "string":
        stated = cell.get(f"{_OFFICE}string-value")
        return (shown if stated is None else stated) or None
    return _plain(float(cell.get(f"{_OFFICE}value", "")))


def _paragraph(one: Element) -> str:
    """Text of a paragraph; runs of blanks, tabs and line ends are elements."""
    text = one.text or ""
    for part in one:
        if part.tag == f"{_TEXT}s":
            text += " " * min(int(part.get(f"{_TEXT}c", "1")), 1 << 16)
        elif part.tag == f"{_TEXT}tab":
            text += "\t"
        elif part.tag == f"{_TEXT}line-break":
            text += "\n"
        elif part.tag != f"{_OFFICE}annotation":
            text += _paragraph(part)
        text += part.tail or ""
    return text
