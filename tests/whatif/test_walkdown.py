"""The walk-down: how records are ranked, what the sheet, the table and the command say."""

from __future__ import annotations

import csv
import io
import json
from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner

import waysapart as wa
from everyday import some
from walk_plant import two_routes
from waysapart.cli import main
from waysapart.report.walkdown import SHEET_HEADING, walkdown_csv
from waysapart.whatif.walkdown import WalkDown, hangs_on


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return two_routes().write(tmp_path_factory.mktemp("walk") / "study")


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> WalkDown:
    proof = two_routes().proof(tmp_path_factory.mktemp("walk") / "study")
    return hangs_on(proof, top=1000)


def ranked(found: WalkDown, role: str, name: str, column: str) -> int:
    (number,) = [
        one["number"]
        for one in found.facts()["records"]
        if (one["role"], one["id"], one["column"]) == (role, name, column)
    ]
    return number


@pytest.mark.parametrize(
    ("role", "column", "row", "name"),
    some(
        [
            ("segments", "within", 1, "DN1"),
            ("joints", "at", 0, "JN"),
            ("cable_runs", "segment", 1, "CN 2"),
            ("equipment", "within", 2, "MA1"),
        ],
        every=2,
    ),
)
def test_a_record_that_was_walked_down_comes_last(
    role: str, column: str, row: int, name: str, found: WalkDown, tmp_path: Path
) -> None:
    """In its own column `surveyed`, or in one that the owner adds to a layer without it."""
    plant = two_routes()
    plant.rows[role][row]["surveyed"] = "2026-03-31"
    study = wa.read_study(plant.write(tmp_path), on=date(2026, 11, 30))
    again = hangs_on(study, top=1000)
    before, after = ranked(found, role, name, column), ranked(again, role, name, column)
    number = len(again.records)
    assert len(found.records) == number
    dated = [one for one in again.facts()["records"] if one["walked"] == "dated"]
    assert before <= number - len(dated) < after
    assert {one["surveyed"] for one in dated} == {"2026-03-31"}
    assert dated[0]["reasons"][0] == "walked down on 2026-03-31"
    assert again.proof.verdicts == found.proof.verdicts


@pytest.mark.parametrize(
    ("day", "said"),
    [
        ("2027-01-01", "surveyed is 2027-01-01, after the day of this sheet"),
        ("last spring", "surveyed is 'last spring', which is no date: write it as 2026-03-31"),
    ],
)
def test_a_day_to_come_and_what_is_no_day_count_as_none(
    day: str, said: str, tmp_path: Path
) -> None:
    plant = two_routes()
    plant.rows["joints"][0]["surveyed"] = day
    study = wa.read_study(plant.write(tmp_path), on=date(2026, 11, 30))
    records = hangs_on(study, top=1000).facts()["records"]
    (mine,) = [one for one in records if one["id"] == "JN" and one["column"] == "at"]
    assert (mine["walked"], mine["surveyed"]) == ("undated", None)
    assert mine["reasons"][0] == said


def test_a_day_longer_ago_than_the_rules_allow_comes_between(tmp_path: Path) -> None:
    """Cable run 2 of CN was walked down ten years ago, that of CS this year, the rest never."""
    plant = two_routes()
    plant.rules = "[records.oldest]\nsurvey = 3650\n"
    for role in ("sites", "structures", "segments"):
        for row in plant.rows[role]:
            row["surveyed"] = "2026-01-01"  # else their positions are gaps
    plant.rows["cable_runs"][1]["surveyed"] = "2015-03-31"
    plant.rows["cable_runs"][4]["surveyed"] = "2026-03-31"
    study = wa.read_study(plant.write(tmp_path), on=date(2026, 11, 30))
    again = hangs_on(study, top=1000)
    walked = [one["walked"] for one in again.facts()["records"]]
    assert walked == sorted(walked, key=["undated", "old", "dated"].index)
    assert walked.count("old") == 1
    records = again.facts()["records"]
    old = records[walked.index("old")]
    assert old["id"] == "CN 2"
    assert old["reasons"][0] == (
        "walked down on 2015-03-31, longer ago than the 3650 days that the rules allow"
    )


def test_blanks_that_the_rules_take_as_none_come_before_what_is_on_record(
    found: WalkDown,
) -> None:
    """DN1 and DS1 lie in nothing on record, by `[records]`, 30 m from the other lane."""
    first = found.facts()["records"][:2]
    assert {one["id"] for one in first} == {"DN1", "DS1"}
    assert all(one["recorded"] is None for one in first)
    assert "nothing is recorded, and the rules ([records]) take that as none" in first[0]["reasons"]
    assert [one["points"] for one in found.facts()["records"]] == sorted(
        (one["points"] for one in found.facts()["records"]), reverse=True
    )


def test_what_the_record_says_and_what_it_would_mean(found: WalkDown) -> None:
    (run,) = [one for one in found.facts()["records"] if one["id"] == "CN 2"]
    assert run["look_at"].startswith("through what cable CN runs here: DN1, or DS1")
    assert run["says"] == "row 2 of CN: segment is DN1"
    assert (run["file"], run["row"]) == ("cable_runs.csv", 3)
    assert run["circuits"] == ["K"]
    value = next(one for one in run["values"] if one["value"] == "DS1")
    assert value["means"] == "both paths would rely on pit S1, pit S2 and duct DS1"
    assert value["distance_m"] == pytest.approx(30.0, abs=0.1)
    place = run["place"]
    assert place is not None
    assert place["spots"][0]["grid"] is not None


def test_each_circuit_has_its_first_records_and_says_how_many_there_are(tmp_path: Path) -> None:
    plant = two_routes()
    plant.way("L", "main", "HA1", "F1", "HB1")
    plant.way("L", "alternate", "HA1", "F1", "HB1")
    found = hangs_on(plant.proof(tmp_path), top=3)
    held = {one["id"]: one for one in found.facts()["circuits"]}
    assert held["K"]["records"] == [1, 2, 3]
    assert held["K"]["said"] == f"hangs on {held['K']['count']} records; the first 3 are shown"
    assert held["L"] == {
        "id": "L",
        "group": False,
        "verdict": "shared",
        "records": [],
        "count": 0,
        "said": "not apart (shared): settle that first",
    }
    assert len(found.facts()["records"]) == 3


def test_circuits_with_the_same_to_say_are_one_line_and_accepted_is_not_to_be_settled(
    tmp_path: Path,
) -> None:
    plant = two_routes()
    for name in ("L1", "L2", "L3", "M"):
        plant.way(name, "main", "HA1", "F1", "HB1")
        plant.way(name, "alternate", "HA1", "F1", "HB1")
    shared = plant.proof(tmp_path / "before").shared
    plant.rules += "".join(
        f'[[waiver]]\ncircuit = "M"\nasset = "{asset}"\nreason = "-"\nby = "-"\n'
        "until = 2049-12-31\n"
        for asset in shared.loc[shared["id"] == "M", "asset"]
    )
    code, said = run("walkdown", plant.write(tmp_path / "after"), "--top", 3)
    assert code == 0
    lines = said.splitlines()
    assert "L1 to L3: not apart (shared): settle that first" in lines
    assert "M: accepted by waiver, not apart: not looked into" in lines


def test_the_frame_has_a_row_for_each_record_and_circuit(found: WalkDown) -> None:
    frame = found.frame()
    assert len(frame) == len(found.records)
    assert frame.crs.to_epsg() == 4326
    assert frame["circuit"].unique().tolist() == ["K"]
    first = frame.iloc[0]
    assert first["id"] in ("DN1", "DS1")
    assert first.geometry.geom_type == "Point"
    none = hangs_on(found.proof, circuits=["K"], reach_m=0.5, top=1)
    assert list(none.frame().columns) == list(frame.columns)


def run(*arguments: object) -> tuple[int, str]:
    done = CliRunner().invoke(main, [str(one) for one in arguments], env={"COLUMNS": "160"})
    return done.exit_code, done.output


def test_the_command_prints_ranks_and_writes_what_it_prints(folder: Path, tmp_path: Path) -> None:
    sheet, table, data = (tmp_path / name for name in ("w.html", "w.csv", "w.json"))
    files = ("-o", sheet, "--csv", table, "--json", data)
    code, said = run("walkdown", folder, "--top", 4, *files)
    assert code == 0, said
    assert "1 circuit is apart. Look at 4 records before you sign" in said
    assert "None of them has a day on record" in said
    assert "Not tried: more than one wrong cell at a time" in said
    assert "It is no permit" in said
    facts = json.loads(data.read_text(encoding="utf-8"))
    rows = list(csv.DictReader(io.StringIO(table.read_text(encoding="utf-8"))))
    assert table.read_text(encoding="utf-8").splitlines()[0] == SHEET_HEADING
    assert [row["id"] for row in rows] == [one["id"] for one in facts["records"]]
    assert {row["found"] + row["found_by"] + row["found_on"] for row in rows} == {""}
    page = sheet.read_text(encoding="utf-8")
    assert page.count('class="walk-item"') == 4
    for caution in facts["cautions"]:
        assert caution.replace("'", "&#39;") in page
    for word in ("Found on site", "E 43", "° N", "EPSG:25832"):
        assert word in page


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (("--circuit", "KK"), "no circuit or group is called KK in this study"),
        (("--top", "0"), "0 is not in the range"),
        (("--reach", "0"), "0 is not in the range"),
        (("-o", "sheet.pdf"), "the report is HTML"),
    ],
)
def test_a_wrong_call_is_told(folder: Path, more: tuple[str, ...], said: str) -> None:
    code, output = run("walkdown", folder, *more)
    assert code == 2
    assert said in " ".join(output.split())
    assert "Traceback" not in output


def test_python_refuses_the_same(found: WalkDown) -> None:
    for wrong in ({"circuits": ["KK"]}, {"top": 0}, {"reach_m": 0.0}, {"reach_m": float("nan")}):
        with pytest.raises(wa.CallError):
            hangs_on(found.proof, **wrong)  # type: ignore[arg-type]


def test_texts_of_layers_do_nothing_on_the_sheet_and_in_the_table(tmp_path: Path) -> None:
    """A pit, a lane and a rack are called what a browser or a spreadsheet would obey."""
    plant = two_routes()
    names = dict(zip(("N1", "RN", "RKA1"), ("<b>N1", "=1+1", '"><script>x'), strict=True))
    for rows in plant.rows.values():
        for row in rows:
            for key, value in row.items():
                if isinstance(value, str) and value in names:
                    row[key] = names[value]
    found = hangs_on(plant.proof(tmp_path / "study"), top=1000)
    table = walkdown_csv(found.facts())
    cells = [cell for row in csv.reader(io.StringIO(table)) for cell in row]
    assert any("=1+1" in cell for cell in cells)
    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@"))]
    page = wa.write_walkdown(found, tmp_path / "w.html").read_text(encoding="utf-8")
    assert "<b>N1" not in page
    assert "<script>x" not in page
    assert "&lt;b&gt;N1" in page


def test_a_plant_without_plant_or_circuits_is_no_fault(tmp_path: Path) -> None:
    assert run("blank", tmp_path / "ring")[0] == 0
    code, said = run("walkdown", tmp_path / "ring")
    assert code == 2
    assert "no circuits" in said
