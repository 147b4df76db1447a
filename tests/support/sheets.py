"""Workbooks made cell by cell: .xlsx by XlsxWriter or by hand, .ods by hand."""

from __future__ import annotations

import zipfile
from datetime import date
from pathlib import Path
from xml.sax.saxutils import escape, quoteattr

import xlsxwriter

MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
LINKS = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
PACKAGE = "http://schemas.openxmlformats.org/package/2006"
OPEN = "urn:oasis:names:tc:opendocument:xmlns"


class Error(str):
    """A cell with an error, such as `#REF!`."""


class Formula(str):
    """A cell with a formula and, behind `|`, its stored value; no `|`: none is stored."""


class Shown(str):
    """A number, and behind `|` the format that shows it, such as `7|000`."""


Cell = str | int | float | bool | date | Error | Formula | Shown | None


def write_xlsx(path: Path, **sheets: list[list[Cell]]) -> Path:
    """Write an .xlsx file; each sheet begins at A1, a list for each row."""
    book = xlsxwriter.Workbook(str(path))
    day = book.add_format({"num_format": "yyyy-mm-dd"})
    for name, rows in sheets.items():
        sheet = book.add_worksheet(name)
        for row, cells in enumerate(rows):
            for column, cell in enumerate(cells):
                if isinstance(cell, Error):
                    sheet.write_formula(row, column, "=A1", None, str(cell))
                elif isinstance(cell, Formula):
                    formula, _, value = cell.partition("|")
                    sheet.write_formula(row, column, formula, None, value)
                elif isinstance(cell, Shown):
                    number, _, code = cell.partition("|")
                    sheet.write_number(
                        row, column, float(number), book.add_format({"num_format": code})
                    )
                elif isinstance(cell, str):
                    sheet.write_string(row, column, cell)
                elif isinstance(cell, bool):
                    sheet.write_boolean(row, column, cell)
                elif isinstance(cell, date):
                    sheet.write_datetime(row, column, cell, day)
                elif cell is not None:
                    sheet.write_number(row, column, cell)
    book.close()
    return path


def write_ods(path: Path, **sheets: list[list[Cell]]) -> Path:
    """Write an .ods file with blanks between its elements, as GDAL does."""
    tables = (
        f"<table:table table:name={quoteattr(name)}>"
        + "\n".join(
            "<table:table-row>\n" + "\n".join(map(_ods_cell, row)) + "\n</table:table-row>"
            for row in rows
        )
        + "</table:table>"
        for name, rows in sheets.items()
    )
    return raw_ods(path, "".join(tables))


def _ods_cell(cell: Cell) -> str:
    if cell is None:
        return "<table:table-cell/>"
    formula, shown, kind = "", str(cell), "string"
    if isinstance(cell, Shown):
        number, _, code = cell.partition("|")
        kind = "percentage" if "%" in code else "float"
        shown = {"000": number.zfill(3), "0.00E+00": f"{float(number):.2E}"}.get(code, number)
        return (
            f'<table:table-cell office:value-type="{kind}" office:value="{number}">'
            f"<text:p>{shown}</text:p></table:table-cell>"
        )
    if isinstance(cell, Error):
        formula, kind = ' table:formula="of:=A1"', 'string" calcext:value-type="error'
    elif isinstance(cell, Formula):
        formula, _, shown = cell.partition("|")
        formula = f" table:formula={quoteattr('of:' + formula)}"
        if "|" not in cell:
            return f"<table:table-cell{formula}/>"
    value = f'office:value-type="{kind}"'
    if isinstance(cell, bool):
        value = f'office:value-type="boolean" office:boolean-value="{str(cell).lower()}"'
    elif isinstance(cell, date):
        value = f'office:value-type="date" office:date-value="{cell.isoformat()}"'
    elif isinstance(cell, int | float):
        value = f'office:value-type="float" office:value="{cell!r}"'
    return (
        f"<table:table-cell{formula} {value}>\n<text:p>{escape(shown)}</text:p></table:table-cell>"
    )


def raw_ods(path: Path, tables: str, manifest: str = "") -> Path:
    """Write an .ods file whose tables are given as XML."""
    names = "".join(
        f' xmlns:{name}="{OPEN}:{name}:1.0"' for name in ("office", "table", "text", "drawing")
    )
    calc = ' xmlns:calcext="urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0"'
    body = f"<office:body>\n<office:spreadsheet>\n{tables}</office:spreadsheet></office:body>"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("META-INF/manifest.xml", manifest or "<manifest/>")
        archive.writestr(
            "content.xml", f"<office:document-content{names}{calc}>{body}</office:document-content>"
        )
    return path


def raw_xlsx(
    path: Path,
    rows: str,
    name: str = "cables",
    head: str = "",
    more: dict[str, str] | None = None,
    folder: str = "xl",
) -> Path:
    """Write an .xlsx file of one sheet whose rows are given as XML."""
    target = f'Type="{LINKS}/worksheet" Target="worksheets/sheet1.xml"'
    parts = {
        "[Content_Types].xml": f'<Types xmlns="{PACKAGE}/content-types"/>',
        "_rels/.rels": f'<Relationships xmlns="{PACKAGE}/relationships"><Relationship Id="rId1" '
        f'Type="{LINKS}/officeDocument" Target="{folder}/workbook.xml"/></Relationships>',
        f"{folder}/workbook.xml": f'<workbook xmlns="{MAIN}" xmlns:r="{LINKS}"><sheets>'
        f'<sheet name={quoteattr(name)} sheetId="1" r:id="rId1"/></sheets></workbook>',
        f"{folder}/_rels/workbook.xml.rels": f'<Relationships xmlns="{PACKAGE}/relationships">'
        f'<Relationship Id="rId1" {target}/></Relationships>',
        f"{folder}/worksheets/sheet1.xml": f'{head}<worksheet xmlns="{MAIN}"><sheetData>{rows}'
        "</sheetData></worksheet>",
    }
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for part, content in (parts | (more or {})).items():
            archive.writestr(part, content)
    return path
