"""Sheets of .xlsx and .ods files: cells as they were typed, faults by sheet, row and column."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import waysapart as wa
from commands import run
from everyday import examples, some
from sheets import Error, Formula, Shown, raw_ods, raw_xlsx, write_ods, write_xlsx
from small_study import write_small_study
from waysapart.errors import Problem
from waysapart.recheck.workbooks import sheet_names, sheet_rows
from waysapart.schema import csv_meant
from waysapart.study.sources import LayerSpec, read_source
from waysapart.study.workbooks import cell_text, open_workbook

WRITERS = {"study.xlsx": write_xlsx, "study.ods": write_ods}
every_kind = pytest.mark.parametrize("file", WRITERS)
CABLES: list[list[object]] = [["id", "fibre_type", "fibre_count", "kind", "carried_by"]]
C1: list[object] = ["C1", "G.652.D", 24, "opgw"]
C2: list[object] = ["C2", "G.652.D", 48, "duct"]


def study_with(folder: Path, file: str, **sheets: list[list[object]]) -> Path:
    """The small study, some of its tables in a workbook instead of CSV."""
    write_small_study(folder)
    for role in sheets:
        (folder / f"{role}.csv").unlink(missing_ok=True)
    WRITERS[file](folder / file, **sheets)  # type: ignore[operator]
    return folder


def problems_of(study: Path) -> list[Problem]:
    with pytest.raises(wa.StudyError) as raised:
        wa.read_study(study)
    return list(raised.value.problems)


def told(study: Path) -> str:
    return " ".join(str(problem) for problem in problems_of(study))


@every_kind
def test_cells_read_as_they_were_typed(file: str, tmp_path: Path) -> None:
    """Both readers, cell by cell: the prover's, and the one of `recheck`.

    The table stands below two blank rows and right of a blank column; a blank row lies in it. The
    spreadsheet shows its heading in row 3. A number has no decimal point that was not typed; a
    text keeps its noughts and its E.
    """
    rows: list[list[object]] = [
        [],
        [],
        [None, "id", "value"],
        [None, "007", 12],
        [None, "1E5", 12.5],
        [None, None, None],
        [None, 12, date(2026, 3, 1)],
        [None, 12.5, datetime(2026, 3, 1, 13, 5, 7)],
        [None, Formula("=A1|xy"), Formula("=1+1|2")],
        [None, True, -0.25],
        [None, "'=A1", "a;'=B1"],
        [None, " ", "x"],
        [None, "C-1", None],
    ]
    WRITERS[file](tmp_path / file, cables=rows)  # type: ignore[operator]
    path = tmp_path / file
    spec = LayerSpec("rings", file, tmp_path, "study.toml", layer="cables")
    frame = read_source(spec).frame
    assert frame["_row"].tolist() == [4, 5, 7, 8, 9, 10, 11, 12, 13]
    wanted = [
        ("007", "12"),
        ("1E5", "12.5"),
        ("12", "2026-03-01"),
        ("12.5", "2026-03-01T13:05:07"),
        ("xy", "2"),
        ("true", "-0.25"),
        ("=A1", "a;=B1"),
        (" ", "x"),
        ("C-1", None),
    ]
    ours = frame[["id", "value"]].astype(object).where(frame[["id", "value"]].notna(), None)
    assert [tuple(row) for row in ours.to_numpy()] == wanted
    assert sheet_names(path) == ["cables"]
    assert [(row["id"], row["value"]) for row in sheet_rows(path, "cables")] == wanted


@every_kind
def test_ids_as_text_and_as_numbers_tie(file: str, tmp_path: Path) -> None:
    """Cable 12 is a number in one sheet and a text in the other; its runs tie to it all the same.

    The evidence holds for `recheck`, which reads the workbook with code of its own.
    """
    runs: list[list[object]] = [["cable", "seq", "segment"]]
    runs += [["12", n, f"S{n}"] for n in (1, 2, 3, 4)]
    runs += [["C2", n, f"D{n}"] for n in (1, 2, 3, 4)]
    links: list[list[object]] = [["link", "seq", "cable", "fibres"]]
    links += [["L1", 1, 12, "1;2"], ["L2", 1, "C2", "1;2"]]
    cables = [*CABLES, [12, *C1[1:]], C2]
    study = study_with(tmp_path, file, cables=cables, cable_runs=runs, link_runs=links)
    assert wa.read_study(study).tables["cables"]["id"].tolist() == ["12", "C2"]
    evidence = tmp_path / "evidence.json"
    run("prove", study, "--json", evidence, "--on", "2026-11-29")
    (circuit,) = json.loads(evidence.read_text())["circuits"]
    assert circuit["verdict"] == "apart"
    checked = run("recheck", study, evidence)
    assert checked.exit_code == 0, checked.output


@every_kind
def test_an_error_cell_is_an_error_by_sheet_row_and_column(file: str, tmp_path: Path) -> None:
    """#REF! in the fibre count of the second cable, which the spreadsheet shows in cell C3."""
    cables = [*CABLES, C1, ["C2", "G.652.D", Error("#REF!"), "duct"]]
    (problem,) = problems_of(study_with(tmp_path, file, cables=cables))
    assert (problem.file, problem.layer, problem.row) == (file, "cables", 3)
    assert (problem.column, problem.id) == ("fibre_count", "C2")
    assert problem.message == "cell C3 holds the error #REF!: correct the formula"


@every_kind
def test_an_error_in_a_column_of_no_role_is_none(file: str, tmp_path: Path) -> None:
    cables = [[*CABLES[0], "remark"], [*C1, None, Error("#N/A")], C2]
    study = study_with(tmp_path, file, cables=cables)
    assert wa.read_study(study).tables["cables"]["remark"].tolist()[0] == "#N/A"


@every_kind
def test_a_filter_leaves_rows_with_errors_out(file: str, tmp_path: Path) -> None:
    cables = [[*CABLES[0], "state"], [*C1, None, "built"], [*C2, None, "built"]]
    cables += [["C3", None, Error("#REF!"), None, None, "planned"]]
    study = study_with(tmp_path, file, cables=cables)
    assert "cell C4 holds the error #REF!" in told(study)
    with (study / "study.toml").open("a") as toml:
        toml.write(f'[[layer]]\nrole = "cables"\nsource = "{file}"\nlayer = "cables"\n')
        toml.write("where = \"state = 'built'\"\n")
    assert wa.read_study(study).tables["cables"]["id"].tolist() == ["C1", "C2"]


def test_a_formula_without_a_stored_value_is_an_error(tmp_path: Path) -> None:
    """Written by a program that does not calculate; a blank would be taken as not recorded."""
    ods = study_with(tmp_path / "ods", "study.ods", cables=[*CABLES, C1, ["C2", Formula("=B2")]])
    assert "cell B3 holds a formula without a stored value" in told(ods)
    xlsx = write_small_study(tmp_path / "xlsx")
    (xlsx / "cables.csv").unlink()
    rows = "".join(
        f'<row r="{n}"><c r="A{n}" t="inlineStr"><is><t>{id_}</t></is></c>{cell}</row>'
        for n, id_, cell in (
            (1, "id", '<c r="B1" t="inlineStr"><is><t>fibre_count</t></is></c>'),
            (2, "C1", '<c r="B2"><f>A1</f><v>24</v></c>'),
            (3, "C2", '<c r="B3"><f>A1</f><v></v></c>'),
        )
    )
    raw_xlsx(xlsx / "study.xlsx", rows)
    (problem,) = problems_of(xlsx)
    assert (problem.row, problem.column) == (3, "fibre_count")
    assert "cell B3 holds a formula without a stored value" in problem.message


@every_kind
@pytest.mark.parametrize(
    ("cell", "said"),
    [
        (date(2026, 2, 1), "has made a date or time (2026-02-01) of it"),
        (1234567890123456789, "keeps 15 digits"),
        (Shown("7|000"), "it is the number 7, which a format shows with noughts before it"),
        (Shown("100000|0.00E+00"), "it is the number 100000, which a format shows with an E"),
    ],
)
def test_an_id_that_the_program_has_changed(
    file: str, cell: object, said: str, tmp_path: Path
) -> None:
    """1-2 typed in a cell that is not text becomes the first of February, as 01-02 does."""
    (problem,) = problems_of(study_with(tmp_path, file, cables=[*CABLES, C1, [cell, *C2[1:]]]))
    assert (problem.row, problem.column) == (3, "id")
    assert said in problem.message
    assert "format the column as text" in problem.message


@every_kind
def test_a_length_shown_as_per_cent_is_an_error_where_the_column_is_in_per_cent(
    file: str, tmp_path: Path
) -> None:
    """2 % typed in a spreadsheet is stored as 0.02, a hundredth of what our column means.

    Where study.toml says that the column holds fractions, it is 2 % after all; and a percentage
    in a column that is not in per cent is the number that is stored.
    """
    heads = [*CABLES[0], "overlength_pct", "slack_m"]
    cables = [heads, [*C1], [*C2, None, Shown("0.02|0.00%"), Shown("0.5|0%")]]
    study = study_with(tmp_path, file, cables=cables)
    (problem,) = problems_of(study)
    assert (problem.row, problem.column) == (3, "overlength_pct")
    assert "cell F3 is shown as per cent, so that 0.02 is stored" in problem.message
    with (study / "study.toml").open("a") as toml:
        toml.write(f'[[layer]]\nrole = "cables"\nsource = "{file}"\nlayer = "cables"\n')
        toml.write('units = { overlength_pct = "fraction" }\n')
    table = wa.read_study(study).tables["cables"]
    assert table["overlength_pct"].tolist()[1] == 2.0
    assert table["slack_m"].tolist()[1] == 0.5


@every_kind
def test_other_sheets_are_left_alone_with_a_note(file: str, tmp_path: Path) -> None:
    study = study_with(
        tmp_path,
        file,
        cables=[*CABLES, C1, C2],
        explained=[["what", "this", "is"], [Error("#REF!")]],
        Link_Runs=[["id"], ["L9"]],
        lists=[["kind"]],
    )
    (note,) = [note for note in wa.read_study(study).notes if "sheets" in note]
    assert f"{file}: sheets named after no role are left alone" in note
    assert "'explained'" in note
    assert "'Link_Runs' (is it link_runs?)" in note
    assert "'lists'" in note
    assert note.count("is it") == 1


@every_kind
def test_the_sheets_that_blank_writes_beside_the_records_are_not_noted(
    file: str, tmp_path: Path
) -> None:
    """Both together: then the workbook is one of `blank`. Another sheet is told as before."""
    study = study_with(
        tmp_path, file, **{"cables": [*CABLES, C1, C2], "read me": [["a"]], "lists": [["kind"]]}
    )
    read = wa.read_study(study)
    assert not [note for note in read.notes if "sheets" in note]
    assert not read.unread


@every_kind
def test_a_column_without_a_heading_is_noted(file: str, tmp_path: Path) -> None:
    cables = [[*CABLES[0]], C1, [*C2, None, None, "see the drawing"]]
    study = study_with(tmp_path, file, cables=cables)
    (note,) = [note for note in wa.read_study(study).notes if "heading" in note]
    assert note == (
        f"{file}, sheet cables: column G has no heading and is not read; row 3 is the first with "
        "something in it"
    )


@every_kind
def test_a_heading_twice_and_a_blank_sheet_are_errors(file: str, tmp_path: Path) -> None:
    study = study_with(tmp_path, file, cables=[["id", "kind", "kind"], ["C1", "opgw", "duct"]])
    (problem,) = problems_of(study)
    assert problem.row == 1
    assert "names 'kind' more than once" in problem.message
    WRITERS[file](study / file, cables=[])
    assert "the sheet 'cables' is blank; its first row names the columns" in told(study)


def test_an_error_in_a_workbook_laid_out_otherwise(tmp_path: Path) -> None:
    """Its parts lie in a folder of another name, as the archive's own list says."""
    study = write_small_study(tmp_path)
    (study / "cables.csv").unlink()
    rows = f'<row r="1">{STRING.format("A1", "id")}</row>'
    rows += '<row r="2"><c r="A2" t="e"><v>#N/A</v></c></row>'
    raw_xlsx(study / "study.xlsx", rows, folder="book")
    assert "cell A2 holds the error #N/A" in told(study)
    assert sheet_names(study / "study.xlsx") == ["cables"]
    assert sheet_rows(study / "study.xlsx", "cables") == [{"id": "#N/A"}]


def _encrypted_ods(path: Path) -> Path:
    return raw_ods(path, "", manifest="<manifest><encryption-data/></manifest>")


def _old(path: Path) -> Path:
    path.write_bytes(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 512)
    return path


STRING = '<c r="{}" t="inlineStr"><is><t>{}</t></is></c>'
FAR = f'<row r="1">{STRING.format("A1", "id")}</row><row r="1048576">{{}}</row>'
HOSTILE: dict[str, tuple[Callable[[Path], Path], str, str]] = {
    "encrypted": (_old, "study.xlsx", "is encrypted, or a workbook of the old kind"),
    "encrypted ods": (_encrypted_ods, "study.ods", "is encrypted: save it without a password"),
    "a cell at the far end": (
        lambda path: raw_xlsx(path, FAR.format(STRING.format("XFD1048576", "x"))),
        "study.xlsx",
        "reaches to row 1,048,576 and column XFD",
    ),
    "a cell beyond every end": (
        lambda path: raw_xlsx(path, FAR.format(STRING.format("ZZZZZZZ4294967290", "x"))),
        "study.xlsx",
        "reaches to row",
    ),
    "a far cell by a character reference": (
        lambda path: raw_xlsx(path, FAR.format(STRING.format("&#88;FD1048576", "x"))),
        "study.xlsx",
        "reaches to row 1,048,576",
    ),
    "an error at the far end": (
        lambda path: raw_xlsx(path, FAR.format('<c r="XFD1048576" t="e"/>')),
        "study.xlsx",
        "reaches to row 1,048,576 and column XFD",
    ),
    "a cell before the first": (
        lambda path: raw_xlsx(path, '<row r="0"><c r="A0" t="e"><v>#REF!</v></c></row>'),
        "study.xlsx",
        "a cell of cables has no place",
    ),
    "a cell repeated without end": (
        lambda path: raw_ods(
            path,
            '<table:table table:name="cables"><table:table-row table:number-rows-repeated='
            '"1048576"><table:table-cell office:value-type="string" '
            'table:number-columns-repeated="16384"><text:p>x</text:p></table:table-cell>'
            "</table:table-row></table:table>",
        ),
        "study.ods",
        "reaches to row 1,048,576 and column XFD",
    ),
    "entities": (
        lambda path: raw_xlsx(
            path,
            f'<row r="1">{STRING.format("A1", "&b;")}</row>',
            head='<!DOCTYPE a [<!ENTITY a "ha"><!ENTITY b "&a;&a;">]>',
        ),
        "study.xlsx",
        "declares a document type",
    ),
    "cut short": (
        lambda path: raw_xlsx(path, '<row r="1"><c r="A1"><v>1'),
        "study.xlsx",
        "is a damaged spreadsheet: xl/worksheets/sheet1.xml: mismatched tag",
    ),
    "a string that is not there": (
        lambda path: raw_xlsx(path, '<row r="1"><c r="A1" t="s"><v>7</v></c></row>'),
        "study.xlsx",
        "is a damaged spreadsheet: Cell string index not found",
    ),
    "two parts of one name": (
        lambda path: raw_xlsx(path, "", more={"XL/Worksheets/Sheet1.xml": "<worksheet/>"}),
        "study.xlsx",
        "has two parts called",
    ),
    "no UTF-8": (
        lambda path: raw_xlsx(path, "", more={"xl/styles.xml": "<\0s\0/\0>\0"}),
        "study.xlsx",
        "has a part that is no UTF-8 (xl/styles.xml)",
    ),
    "an archive of nothing": (
        lambda path: zipfile.ZipFile(path, "w").writestr("a.txt", "a") or path,  # type: ignore[func-returns-value]
        "study.xlsx",
        "is a damaged spreadsheet",
    ),
}


@pytest.fixture(scope="module")
def evidence(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Evidence of the small study with its tables in CSV."""
    folder = tmp_path_factory.mktemp("sound")
    run("prove", write_small_study(folder), "--json", folder / "evidence.json")
    return folder / "evidence.json"


@pytest.mark.parametrize("case", some(HOSTILE, every=4))
def test_hostile_workbooks_are_refused_by_name(case: str, evidence: Path, tmp_path: Path) -> None:
    """By `check`; `recheck`, given evidence of sound tables, refuses it or finds claims false."""
    make, file, said = HOSTILE[case]
    study = write_small_study(tmp_path / "study")
    (study / "cables.csv").unlink()
    make(study / file)
    result = run("check", study)
    output = " ".join(result.output.split())
    assert result.exit_code == 2
    assert file in output
    assert said in output
    assert "Traceback" not in output
    checked = run("recheck", study, evidence)
    assert checked.exit_code in (1, 2)
    assert "Traceback" not in checked.output
    assert "fault of waysapart" not in checked.output


CELLS = (
    st.none()
    | st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=12)
    | st.sampled_from(
        ["007", "1E5", "-", "=A1", "'=A1", "a;=b", "#N/A", "<&>", "_x0041_", "  a  b "]
    )
    | st.integers(-(10**14), 10**14)
    | st.floats(-1e12, 1e12).map(lambda number: round(number, 6))
    | st.dates(date(1901, 1, 1), date(2199, 12, 31))
    | st.datetimes(datetime(1901, 1, 1), datetime(2199, 12, 31)).map(
        lambda moment: moment.replace(microsecond=0)
    )
    | st.booleans()
)


@settings(
    max_examples=examples(150, every_day=20),
    derandomize=True,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(rows=st.lists(st.tuples(CELLS, CELLS, CELLS), max_size=6), file=st.sampled_from([*WRITERS]))
def test_both_readers_read_the_same(
    tmp_path: Path, rows: list[tuple[object, ...]], file: str
) -> None:
    """The prover's and that of `recheck`, cell by cell, row by row, over random tables."""
    path = tmp_path / file
    path.unlink(missing_ok=True)
    WRITERS[file](path, cables=[["id", "one", "two"], *rows])  # type: ignore[list-item]
    ours = open_workbook(path).sheet("cables")
    texts = [
        tuple(None if c is None else csv_meant(cell_text(c) or "") for c in cells)
        for _, cells in ours.rows
    ]
    theirs = [(row["id"], row["one"], row["two"]) for row in sheet_rows(path, "cables")]
    assert texts == theirs


def test_a_workbook_of_another_kind_says_what_to_do(tmp_path: Path) -> None:
    study = write_small_study(tmp_path)
    write_xlsx(study / "cables.xlsm", cables=[*CABLES, C1, C2])
    with (study / "study.toml").open("a") as toml:
        toml.write('[[layer]]\nrole = "cables"\nsource = "cables.xlsm"\n')
    assert "is a workbook of another kind (.xlsm): save it as .xlsx" in told(study)
