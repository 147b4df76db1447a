"""`blank --workbook` and `blank --csv`: what they write says what goes where, and reads back."""

from __future__ import annotations

import csv
import re
import zipfile
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import Element, fromstring

import pandas as pd
import pytest
import shapely

import waysapart as wa
from commands import run
from everyday import some
from sheets import write_xlsx
from small_study import CRS_NAME, write_small_study
from waysapart.schema import ROLES, csv_meant, csv_safe
from waysapart.study.blank_workbook import LAST_ROW, headings, words_of
from waysapart.study.workbooks import column_letters, open_workbook

SHEET = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"


def parts_of(book: Path, sheet: str) -> tuple[Element, str]:
    """XML of a sheet, and the text of its notes."""
    number = list(open_workbook(book).names).index(sheet) + 1
    with zipfile.ZipFile(book) as archive:
        made = fromstring(archive.read(f"xl/worksheets/sheet{number}.xml"))
        notes = f"xl/comments{number - 1}.xml"
        said = archive.read(notes).decode() if notes in archive.namelist() else ""
    return made, said


def checks_of(book: Path, role: str) -> dict[str, Element]:
    """The check of each column that has one, by our name of the column."""
    made, _ = parts_of(book, role)
    names = {
        column_letters(place): one.name
        for place, one in enumerate(headings(ROLES[role], "EPSG:4326"))
    }
    found = {}
    for one in made.iter(f"{SHEET}dataValidation"):
        letters = re.fullmatch(rf"([A-Z]+)2:(?:\1){LAST_ROW + 1}", one.attrib["sqref"])
        assert letters is not None
        found[names[letters[1]]] = one
    return found


def formula(check: Element, number: int = 1) -> str:
    return check.findtext(f"{SHEET}formula{number}") or ""


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("blank") / "study.xlsx"
    wa_blank = run("blank", "--workbook", path)
    assert wa_blank.exit_code == 0, wa_blank.output
    return path


def test_a_workbook_has_a_sheet_for_each_role_and_reads_at_once(book: Path) -> None:
    """Twenty roles and two sheets more, of explanations and lists; `check` finds no fault."""
    assert set(open_workbook(book).names) == {"read me", *ROLES, "lists"}
    assert sorted(one.name for one in book.parent.iterdir()) == [
        "rules.toml",
        "study.toml",
        "study.xlsx",
    ]
    done = run("check", book.parent)
    assert done.exit_code == 0, done.output
    study = wa.read_study(book.parent)
    assert {layer.role for layer in study.layers} == set(ROLES)
    assert [note for note in study.notes if "lists" not in note] == []
    for role, table in study.tables.items():
        assert set(ROLES[role].column) <= set(table)
        assert len(table) == 0


@pytest.mark.parametrize("role", some(ROLES, every=10))
def test_each_heading_is_explained(book: Path, role: str) -> None:
    """By a note with the column's meaning, and by a row of the first sheet."""
    sheet = open_workbook(book).sheet(role)
    assert [name for _, name in sheet.headings] == [
        one.name for one in headings(ROLES[role], "EPSG:4326")
    ]
    _, notes = parts_of(book, role)
    for column in ROLES[role].columns:
        assert csv_safe(column.says).replace("&", "&amp;") in notes


def test_the_first_sheet_lists_every_column(book: Path) -> None:
    """Sheet, column, needed, type, unit, meaning; the unit of `length_m` is m."""
    with zipfile.ZipFile(book) as archive:
        strings = fromstring(archive.read("xl/sharedStrings.xml"))
        words = ["".join(one.itertext()) for one in strings.iter(f"{SHEET}si")]
    made, _ = parts_of(book, "read me")
    rows = [
        [words[int(cell.findtext(f"{SHEET}v") or 0)] for cell in row.iter(f"{SHEET}c")]
        for row in made.iter(f"{SHEET}row")
    ]
    table = rows[rows.index(["sheet", "column", "needed", "type", "unit", "meaning"]) + 1 :]
    wanted = [
        [role.name, one.name] for role in ROLES.values() for one in headings(role, "EPSG:4326")
    ]
    assert [row[:2] for row in table] == wanted
    (length,) = [row for row in table if row[:2] == ["segments", "length_m"]]
    assert length[2:5] == ["", "number", "m"]
    assert length[5] == "measured length, instead of the geometry's; in m; more than 0."


def test_words_to_choose_from(book: Path) -> None:
    """A choice is demanded; a kind is offered, since any other word may be one."""
    medium = checks_of(book, "links")["medium"]
    assert (medium.get("type"), medium.get("showErrorMessage")) == ("list", "1")
    kind = checks_of(book, "segments")["kind"]
    assert (kind.get("type"), kind.get("showErrorMessage")) == ("list", None)
    lists = open_workbook(book).sheet("lists")
    by_name = {name: place for place, (_, name) in enumerate(lists.headings)}
    for role, column in (("links", "medium"), ("segments", "kind"), ("cables", "fibre_type")):
        place = by_name[f"{role} {column}"]
        words = [cells[place] for _, cells in lists.rows if cells[place] is not None]
        assert tuple(words) == words_of(ROLES[role], ROLES[role].column[column])
        letters = column_letters(lists.headings[place][0])
        source = formula(checks_of(book, role)[column])
        assert source == f"lists!${letters}$2:${letters}${len(words) + 1}"
    assert "G.652.D" in words
    runs = checks_of(book, "cable_runs")
    assert formula(runs["segment"]).startswith("OFFSET(segments!$A$2,0,0,")


@pytest.mark.parametrize("role", some(ROLES, every=10))
def test_numbers_days_and_ids_are_checked_as_the_schema_says(book: Path, role: str) -> None:
    """Every column of numbers and days, with its least and greatest; an id stands once."""
    checks = checks_of(book, role)
    for column in ROLES[role].columns:
        check = checks.get(column.name)
        if column.type in ("number", "count"):
            assert check is not None
            assert check.get("type") == {"number": "decimal", "count": "whole"}[column.type]
            first = float(formula(check))
            if column.minimum is not None:
                assert first == column.minimum
                operator = "greaterThan" if column.above else "greaterThanOrEqual"
                if column.maximum is None:
                    assert check.get("operator") == operator
            if column.maximum is not None:
                assert float(formula(check, 2)) == column.maximum
        elif column.type == "date":
            assert check is not None
            assert check.get("type") == "date"
        elif column.name == "id" and column.required:
            assert check is not None
            assert formula(check) == f"COUNTIF($A$2:$A${LAST_ROW + 1},A2)=1"


def test_cells_for_text_are_formatted_as_text(book: Path) -> None:
    """Format 49 is `@`: what is typed stays as it is, whether 007, 1E5 or 1-2."""
    with zipfile.ZipFile(book) as archive:
        styles = fromstring(archive.read("xl/styles.xml"))
    formats = [one.get("numFmtId") for one in styles.find(f"{SHEET}cellXfs") or ()]
    for role in ROLES.values():
        made, _ = parts_of(book, role.name)
        widths = {int(one.attrib["min"]) - 1: one for one in made.iter(f"{SHEET}col")}
        spread = {
            place: formats[int(one.get("style", "0"))]
            for first, one in widths.items()
            for place in range(first, int(one.attrib["max"]))
        }
        for place, column in enumerate(role.columns):
            is_text = column.type in ("text", "list", "numbers")
            assert (spread[place] == "49") == is_text, (role.name, column.name)


def filled(study: Path, crs: str) -> dict[str, pd.DataFrame]:
    """Tables of a study as text, geometry as in the forms: points as numbers, others as WKT."""
    tables = {}
    for role, frame in wa.read_study(study).tables.items():
        if not len(frame):
            continue
        columns = {name: frame[name] for name in ROLES[role].column}
        table = pd.DataFrame(columns)
        for column in ROLES[role].columns:
            if column.type == "date":
                table[column.name] = table[column.name].dt.strftime("%Y-%m-%d")
        if ROLES[role].geometry:
            shapes = frame.geometry.to_crs(crs)
            points = shapes.geom_type == "Point"
            x, y = ("lon", "lat") if crs == "EPSG:4326" else ("x", "y")
            if "Point" in ROLES[role].geometry:
                table[x], table[y] = shapes.x.where(points), shapes.y.where(points)
            table["geometry"] = [
                None if point or shape is None else shapely.to_wkt(shape, rounding_precision=-1)
                for point, shape in zip(points, shapes, strict=True)
            ]
        tables[role] = table
    return tables


@pytest.mark.parametrize(
    ("form", "crs"),
    some(
        [
            ("workbook", "EPSG:4326"),
            ("workbook", CRS_NAME),
            ("csv", CRS_NAME),
            ("csv", "EPSG:4326"),
        ],
        every=4,
    ),
)
def test_what_is_filled_in_reads_and_proves_as_the_original(
    tmp_path: Path, form: str, crs: str
) -> None:
    """Every table of the small study put into the empty ones, then proved and rechecked."""
    tables = filled(write_small_study(tmp_path / "original"), crs)
    folder = tmp_path / "new"
    if form == "csv":
        assert run("blank", "--csv", folder, "--crs", crs).exit_code == 0
        for role, table in tables.items():
            with (folder / f"{role}.csv").open(encoding="utf-8") as file:
                header = next(csv.reader(file))
            assert set(table) <= set(header)
            table.reindex(columns=header).to_csv(folder / f"{role}.csv", index=False)
    else:
        assert run("blank", "--workbook", folder / "study.xlsx", "--crs", crs).exit_code == 0
        rows: dict[str, Any] = {}
        for role, table in tables.items():
            header = [one.name for one in headings(ROLES[role], crs)]
            cells = table.reindex(columns=header).astype(object)
            rows[role] = [header, *cells.where(cells.notna(), None).to_numpy().tolist()]
        write_xlsx(folder / "study.xlsx", **rows)
    study = wa.read_study(folder)
    original = wa.read_study(tmp_path / "original")
    for role, table in original.tables.items():
        assert study.tables[role]["id" if "id" in table else next(iter(table))].tolist() == (
            table["id" if "id" in table else next(iter(table))].tolist()
        )
    wanted = [circuit["verdict"] for circuit in wa.prove(original).facts()["circuits"]]
    evidence = tmp_path / "evidence.json"
    run("prove", folder, "--json", evidence)
    proof = wa.prove(study).facts()
    assert [circuit["verdict"] for circuit in proof["circuits"]] == wanted == ["apart"]
    assert run("recheck", folder, evidence).exit_code == 0


def test_csv_for_every_role_and_a_page_that_explains_it(tmp_path: Path) -> None:
    """No GeoPackage; every heading is explained, and no cell is a formula to a spreadsheet."""
    done = run("blank", tmp_path / "new", "--csv", "--crs", CRS_NAME)
    assert done.exit_code == 0, done.output
    names = {path.name for path in (tmp_path / "new").iterdir()}
    assert names == {"study.toml", "rules.toml", "columns.txt", *(f"{role}.csv" for role in ROLES)}
    told = " ".join((tmp_path / "new" / "columns.txt").read_text(encoding="utf-8").split())
    for role in ROLES.values():
        text = (tmp_path / "new" / f"{role.name}.csv").read_text(encoding="utf-8")
        names_of = text.strip().split(",")
        assert names_of == [one.name for one in headings(role, CRS_NAME)]
        assert all(csv_safe(name) == name == csv_meant(name) for name in names_of)
        for column in role.columns:
            assert " ".join(column.says.split()) in told
    assert f'crs = "{CRS_NAME}"' in (tmp_path / "new" / "study.toml").read_text()
    assert run("check", tmp_path / "new").exit_code == 0


def test_a_workbook_of_another_name_is_named_in_study_toml(tmp_path: Path) -> None:
    assert run("blank", "--workbook", tmp_path / "plant.xlsx").exit_code == 0
    done = run("check", tmp_path)
    assert done.exit_code == 0, done.output
    assert {layer.file for layer in wa.read_study(tmp_path).layers} == {"plant.xlsx"}


def test_a_workbook_leaves_what_is_there_as_it_is(tmp_path: Path) -> None:
    """study.toml beside it stays; a workbook that somebody may have filled in is not replaced."""
    (tmp_path / "study.toml").write_text('name = "Mine"\n')
    done = run("blank", "--workbook", tmp_path / "study.xlsx")
    assert done.exit_code == 0, done.output
    assert "was there before and stays as it is" in done.output
    assert (tmp_path / "study.toml").read_text() == 'name = "Mine"\n'
    before = (tmp_path / "study.xlsx").read_bytes()
    again = run("blank", "--workbook", tmp_path / "study.xlsx")
    assert again.exit_code == 2
    assert "may hold what somebody entered" in again.output
    assert (tmp_path / "study.xlsx").read_bytes() == before


@pytest.mark.parametrize(
    ("call", "said"),
    [
        ((), "name the FOLDER"),
        (("new", "--workbook", "study.xlsx"), "goes without FOLDER"),
        (("--csv", "--workbook", "study.xlsx"), "goes without FOLDER"),
        (("--workbook", "study.ods"), "ends in .xlsx"),
        (("new", "--csv", "--crs", "EPSG:1"), "no such coordinate system"),
        (("--workbook", "study.xlsx", "--crs", "none"), "no such coordinate system"),
    ],
)
def test_calls_that_make_no_sense(
    call: tuple[str, ...], said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    done = run("blank", *call)
    assert done.exit_code == 2
    assert said in " ".join(done.output.split())
    assert list(tmp_path.iterdir()) == []
