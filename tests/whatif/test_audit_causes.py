"""Why a circuit differs since its proof was signed: which record, rule, waiver or day moved.

The small estuary is proved and put away as evidence; then a cell, a rule or the day changes, and
the audit says so in JSON and on the terminal.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

import waysapart as wa
from small_study import write_small_study
from waysapart.cli import main
from waysapart.evidence_file import in_file
from waysapart.recheck import recheck
from waysapart.report.write import write_report
from waysapart.whatif import record_changes

Facts = dict[str, Any]
EVIDENCE = Path(__file__).resolve().parents[1] / "support" / "evidence"
DAY = date(2026, 6, 1)
BUDGET = ",tx_min_dbm,rx_min_dbm,reserve_db\n"


@pytest.fixture
def study(tmp_path: Path) -> Path:
    folder = write_small_study(tmp_path / "study")
    links = folder / "links.csv"
    text = links.read_text(encoding="utf-8").replace("splices\n", "splices" + BUDGET)
    links.write_text(text.replace(",2\n", ",2,0,-30,1\n"), encoding="utf-8")
    return folder


@pytest.fixture
def audit(study: Path, tmp_path: Path) -> Callable[..., Facts]:
    """Signs the study as it is; what it returns proves it again and holds it against that."""
    signed = tmp_path / "signed.json"
    proof = wa.prove(wa.read_study(study, on=DAY))
    signed.write_text(json.dumps(in_file(proof.facts())), encoding="utf-8")

    def again(on: date = DAY) -> Facts:
        found: Facts = json.loads(json.dumps(wa.compare(signed, study, on=on).facts()))
        return found

    return again


def edit(file: Path, before: str, after: str) -> None:
    text = file.read_text(encoding="utf-8")
    assert before in text
    file.write_text(text.replace(before, after, 1), encoding="utf-8")


def of(facts: Facts, name: str = "K1") -> Facts:
    return next(row for row in facts["circuits"] if row["id"] == name)


def printed(study: Path, signed: Path, *more: str) -> str:
    call = ["compare", str(signed), str(study), "--on", "2026-06-01", *more]
    return CliRunner(env={"COLUMNS": "200"}).invoke(main, call).output


def test_a_reserve_is_named_with_file_row_column_before_and_after(
    study: Path, audit: Callable[..., Facts], tmp_path: Path
) -> None:
    edit(
        study / "links.csv", "L1,R-W,R-M,1310,fibre,,2,0,-30,1", "L1,R-W,R-M,1310,fibre,,2,0,-30,3"
    )
    row = of(audit())
    assert row["change"] == "worse"
    (cause,) = row["causes"]
    assert cause["text"] == "links.csv row 2, reserve_db: 1 to 3 (L1)"
    assert cause["sure"]
    assert cause["explains"] == ["loss"]
    assert "because links.csv row 2, reserve_db: 1 to 3 (L1)" in printed(
        study, tmp_path / "signed.json"
    )


def test_a_moved_pit_is_given_from_where_to_where(study: Path, audit: Callable[..., Facts]) -> None:
    """P2 goes 0.0002 degrees east, which at 53.97 degrees north is 13.1 m."""
    file = study / "structures.geojson"
    layer = json.loads(file.read_text(encoding="utf-8"))
    (pit,) = (one for one in layer["features"] if one["properties"]["id"] == "P2")
    pit["geometry"]["coordinates"][0] += 0.0002
    file.write_text(json.dumps(layer), encoding="utf-8")
    (record,) = audit()["records_changed"]
    assert (record["id"], record["file"], record["row"]) == ("P2", "structures.geojson", 5)
    assert record["cells"][0]["moved_m"] == pytest.approx(13.13, abs=0.02)
    assert record["cells"][0]["before"] == "POINT(9.0304862 53.9656473)"
    assert record["cells"][0]["after"] == "POINT(9.0306862 53.9656473)"


def test_of_several_each_is_one_of_them(
    study: Path, audit: Callable[..., Facts], tmp_path: Path
) -> None:
    edit(
        study / "links.csv", "L2,R-W,R-M,1550,fibre,,2,0,-30,1", "L2,R-W,R-M,1550,fibre,,2,0,-28,2"
    )
    row = of(audit())
    assert [one["column"] for one in row["causes"]] == ["rx_min_dbm", "reserve_db"]
    assert not any(one["sure"] for one in row["causes"])
    assert "because of one or more of these:" in printed(study, tmp_path / "signed.json")


def test_what_bears_on_something_else_is_no_cause(study: Path, audit: Callable[..., Facts]) -> None:
    """The delay of a relay moves delays, the name of a tower nothing at all."""
    edit(study / "equipment.csv", "R-W,WS,relay,ROOM-W,B-W,,0", "R-W,WS,relay,ROOM-W,B-W,,40")
    edit(study / "structures.geojson", '"kind": "tower"', '"kind": "tower", "name": "First"')
    facts = audit()
    (cause,) = of(facts)["causes"]
    assert (cause["column"], cause["before"], cause["after"]) == ("delay_us", 0, 40)
    assert cause["explains"] == ["delay"]
    assert {one["id"]: one["explains"] for one in facts["records_changed"]} == {
        "T1": [],
        "R-W": ["K1"],
    }


def test_records_that_no_circuit_rests_on_are_counted(
    study: Path, audit: Callable[..., Facts], tmp_path: Path
) -> None:
    with (study / "holders.csv").open("a", encoding="utf-8") as file:
        file.write("SHED,room,Shed,-\n")
    facts = audit()
    (record,) = facts["records_changed"]
    assert (record["change"], record["file"], record["row"]) == ("added", "holders.csv", 5)
    assert record["circuits"] == []
    assert not of(facts)["causes"]
    said = "1 record that no circuit rests on differs: 1 added in holders"
    assert said in printed(study, tmp_path / "signed.json")


def test_what_a_path_relies_on_now_is_told_with_its_cause(
    study: Path, audit: Callable[..., Facts]
) -> None:
    edit(study / "equipment.csv", "R-M,MP,relay,-,B-M", "R-M,MP,relay,TR1,B-M")
    row = of(audit())
    assert [(one["path"], one["came"], one["went"]) for one in row["relies"]] == [
        ("main", ["TR1"], [])
    ]
    assert row["causes"][0]["text"] == "equipment.csv row 3, within: - to TR1 (R-M)"


def test_a_changed_rule_is_a_cause(study: Path, audit: Callable[..., Facts]) -> None:
    rules = "[services.line-differential]\nmax_delay_us = 1\n"
    (study / "rules.toml").write_text(rules, encoding="utf-8")
    facts = audit()
    assert [(one["key"], one["kind"]) for one in facts["rules"]] == [
        ("services.line-differential.max_delay_us", "rule")
    ]
    assert of(facts)["within_limits"]["after"] is False
    (cause,) = of(facts)["causes"]
    assert cause["kind"] == "rule"
    assert cause["text"].startswith("rule services.line-differential.max_delay_us: ")


def test_a_shipped_default_that_changed_between_versions_is_a_cause(study: Path) -> None:
    """The evidence of an earlier version says 0.4 dB a splice where the program says 0.1 dB now."""
    before = json.loads(json.dumps(wa.prove(wa.read_study(study, on=DAY)).facts()))
    for row in before["assumptions"]:
        if row["key"] == "defaults.splice_db":
            row["value"] = 0.4
    for path in of(before)["paths"].values():
        path["loss"][0]["loss_db"] += 0.6
    before["waysapart"] = "0.1.0"
    facts = wa.compare(before, wa.read_study(study, on=DAY)).facts()
    assert [(one["key"], one["kind"]) for one in facts["rules"]] == [
        ("defaults.splice_db", "default")
    ]
    kinds = [one["kind"] for one in facts["circuits"][0]["causes"]]
    assert kinds == ["default"]
    assert not facts["circuits"][0]["causes"][0]["sure"]  # the program differs as well


def test_where_nothing_on_record_differs_the_program_does(study: Path) -> None:
    before = json.loads(json.dumps(wa.prove(wa.read_study(study, on=DAY)).facts()))
    of(before)["delay"]["worst_us"] += 1
    before["waysapart"] = "0.1.0"
    (cause,) = wa.compare(before, wa.read_study(study, on=DAY)).facts()["circuits"][0]["causes"]
    assert cause["kind"] == "program"
    assert "the program differs: 0.1.0, now " in cause["text"]


def test_a_waiver_that_lapses_by_the_day_is_its_cause(study: Path, tmp_path: Path) -> None:
    edit(study / "segments.geojson", '"within": "TR1"', '"within": "ROW"')
    edit(study / "segments.geojson", '"within": "-"', '"within": "ROW"')
    edit(study / "holders.csv", "TR1,", "ROW,right-of-way,Lane,-\nTR1,")
    waiver = (
        '[[waiver]]\ncircuit = "K1"\nasset = "ROW"\nreason = "x"\nby = "y"\nuntil = 2026-12-31\n'
    )
    (study / "rules.toml").write_text(waiver, encoding="utf-8")
    before = wa.prove(wa.read_study(study, on=DAY)).facts()
    facts = wa.compare(before, wa.read_study(study, on=date(2027, 1, 1))).facts()
    (row,) = facts["circuits"]
    assert (row["before"], row["after"]) == ("accepted", "shared")
    (cause,) = row["causes"]
    assert cause["kind"] == "date"
    assert "valid until 2026-12-31, judged on 2027-01-01" in cause["text"]
    assert [one["change"] for one in facts["waivers"]] == ["ends"]


def test_a_waiver_that_was_cut_short_lapsed_on_its_last_day_of_now(study: Path) -> None:
    edit(study / "segments.geojson", '"within": "TR1"', '"within": "ROW"')
    edit(study / "segments.geojson", '"within": "-"', '"within": "ROW"')
    edit(study / "holders.csv", "TR1,", "ROW,right-of-way,Lane,-\nTR1,")
    waiver = (
        '[[waiver]]\ncircuit = "K1"\nasset = "ROW"\nreason = "x"\nby = "y"\nuntil = 2027-12-31\n'
    )
    (study / "rules.toml").write_text(waiver, encoding="utf-8")
    before = wa.prove(wa.read_study(study, on=DAY)).facts()
    edit(study / "rules.toml", "2027-12-31", "2026-05-31")
    facts = wa.compare(before, wa.read_study(study, on=DAY)).facts()
    (signature,) = (one for one in facts["signatures"] if one["kind"] == "waiver")
    assert signature["reasons"] == [
        "waiver of ROW: lapsed on 2026-05-31, its last day was 2027-12-31"
    ]


def test_a_new_assumption_is_a_change(study: Path, audit: Callable[..., Facts]) -> None:
    """The towers come from a survey on another datum: the same places, but for its shift."""
    import geopandas as gpd

    file = study / "structures.geojson"
    gpd.read_file(file).to_crs("EPSG:31467").to_file(study / "structures.gpkg", layer="structures")
    file.unlink()
    facts = audit()
    assert facts["records_changed"] == []
    never = [one["id"] for one in facts["signatures"] if one["state"] == "never"]
    assert "datum_shift.accuracy_m" in never
    assert not facts["nothing_changed"]


def test_a_survey_that_became_too_old_is_the_days_doing(study: Path) -> None:
    edit(study / "structures.geojson", '"kind": "pit"', '"kind": "pit", "surveyed": "2020-01-01"')
    rules = "[records]\noldest = { survey = 2500 }\n"
    (study / "rules.toml").write_text(rules, encoding="utf-8")
    before = wa.prove(wa.read_study(study, on=DAY)).facts()
    facts = wa.compare(before, wa.read_study(study, on=date(2027, 6, 1))).facts()
    assert [one["kind"] for one in facts["circuits"][0]["causes"]] == ["date"]


@pytest.mark.parametrize("name", ["format-1", "format-2-early", "format-2"])
def test_evidence_without_records_says_so_and_names_files_and_figures(
    name: str, tmp_path: Path
) -> None:
    """Made by the program of that time of the small estuary: nothing but its version differs."""
    study = write_small_study(tmp_path / "study")
    edit(study / "cable_runs.csv", "C1,1,S1", "C1,1,D1")
    facts = wa.compare(EVIDENCE / f"{name}.json", study, on=DAY).facts()
    assert facts["records_missing"] == ["before"]
    assert facts["records_changed"] is None
    assert "cable_runs.csv" in [one["file"] for one in facts["inputs"]]
    (row,) = facts["circuits"]
    assert row["after"] == "shared"
    assert row["change"] == "worse"
    main_path = next(one for one in row["relies"] if one["path"] == "main")
    assert {"D1", "P1"} <= set(main_path["came"])
    assert "S1" in main_path["went"]
    assert [one["kind"] for one in row["causes"]] == ["inputs"]
    assert "cable_runs.csv" in row["causes"][0]["text"]
    text = printed(study, EVIDENCE / f"{name}.json")
    assert "holds no records, so which of them differ is not known" in text
    assert "cable_runs.csv" in text


def test_the_report_that_was_signed_serves_as_its_evidence(
    study: Path, audit: Callable[..., Facts], tmp_path: Path
) -> None:
    report = tmp_path / "report.html"
    write_report(wa.prove(wa.read_study(study, on=DAY)), report)
    edit(study / "joints.csv", "0.08", "0.5")
    found = json.loads(json.dumps(wa.compare(report, study, on=DAY).facts()))
    expected = audit()
    assert found["records_changed"] == expected["records_changed"] != []
    assert of(found)["causes"] == of(expected)["causes"]
    page = report.read_text(encoding="utf-8")
    bare = tmp_path / "bare.html"
    bare.write_text(page.replace('id="evidence"', 'id="none"'), encoding="utf-8")
    with pytest.raises(wa.CallError, match=r"bare\.html carries no evidence"):
        wa.compare(bare, study)


@pytest.mark.parametrize(
    "damage",
    [
        lambda records: records.update(tables=5),
        lambda records: records["tables"][0].update(cells={"id": [[10**12, "x"]]}),
        lambda records: records["tables"][0].update(columns=["id"], cells={"id": []}),
        lambda records: records["tables"][0]["cells"].update(id=[["S", "a-b"]]),
    ],
)
def test_records_out_of_form_are_refused_in_words(
    damage: Callable[[Any], None], study: Path, audit: Callable[..., Facts], tmp_path: Path
) -> None:
    file = tmp_path / "signed.json"
    facts = json.loads(file.read_text(encoding="utf-8"))
    damage(facts["records"])
    file.write_text(json.dumps(facts), encoding="utf-8")
    with pytest.raises(wa.CallError, match=r"signed\.json is damaged: .*records"):
        audit()


def test_recheck_holds_the_records_against_the_layers(study: Path, tmp_path: Path) -> None:
    file = tmp_path / "evidence.json"
    facts = wa.prove(wa.read_study(study, on=DAY)).facts()

    def told(facts: Any) -> list[str]:
        file.write_text(json.dumps(in_file(facts)), encoding="utf-8")
        return [one for one in recheck(study, file)["false"] if one.startswith("records")]

    assert told(facts) == []
    forged = json.loads(json.dumps(facts))
    table = next(one for one in forged["records"]["tables"] if one["role"] == "joints")
    table["rows"][0][table["columns"].index("loss_db")] = 0.02
    assert told(forged) == [
        "records: joints of joints.csv: the layers have no record id J1, at P2, cables C2, "
        "loss_db 0.02",
        "records: joints of joints.csv: the evidence lacks the record id J1, at P2, cables C2, "
        "loss_db 0.08",
    ]
    left = json.loads(json.dumps(facts))
    table = next(one for one in left["records"]["tables"] if one["role"] == "segments")
    del table["rows"][0], table["at"][0]
    assert len(told(left)) == 1


def test_records_add_less_than_half_to_the_evidence_of_the_demo(estuary_proof: wa.Proof) -> None:
    found = in_file(estuary_proof.facts())
    records = len(json.dumps(found["records"], separators=(",", ":")))
    whole = len(json.dumps(found, separators=(",", ":")))
    assert records < (whole - records) / 2


@pytest.mark.parametrize("written", [3, 0, "2", None])
def test_evidence_of_a_later_format_is_refused(study: Path, written: Any) -> None:
    before = json.loads(json.dumps(wa.prove(wa.read_study(study, on=DAY)).facts()))
    before["format"] = written
    with pytest.raises(wa.CallError, match=r"is evidence of format .*reads formats 1 to 2: take"):
        wa.compare(before, study, on=DAY)


@pytest.mark.parametrize(
    "drawn", ["LINESTRING EMPTY", "LINESTRING(0 0,1e400 1)", "LINESTRING(nan 0,1 1)", "EVIL(0 0)"]
)
def test_geometry_that_is_none_moved_nobody_knows_how_far(study: Path, drawn: str) -> None:
    before = json.loads(json.dumps(wa.prove(wa.read_study(study, on=DAY)).facts()))
    table = next(one for one in before["records"]["tables"] if one["role"] == "segments")
    table["rows"][0][table["columns"].index("geometry")] = drawn
    facts = wa.compare(before, wa.read_study(study, on=DAY)).facts()
    json.dumps(facts, allow_nan=False)
    ((cell,),) = (record["cells"] for record in facts["records_changed"])
    assert (cell["column"], cell["before"], cell["moved_m"]) == ("geometry", drawn, None)


def test_damaged_records_lead_to_no_fault_of_the_program(study: Path) -> None:
    before = json.loads(json.dumps(wa.prove(wa.read_study(study, on=DAY)).facts()))
    table = next(one for one in before["records"]["tables"] if one["role"] == "joints")
    table["role"] = "poles"
    (record,) = wa.compare(before, wa.read_study(study, on=DAY)).facts()["records_changed"]
    assert (record["id"], record["change"]) == ("J1", "added")
    table["role"], table["rows"][0][-1] = "joints", 10**4000
    with pytest.raises(wa.CallError, match="larger than any that a record can hold"):
        wa.compare(before, study, on=DAY)


def test_a_line_redrawn_over_the_antimeridian_moved_by_metres() -> None:
    """A vertex was put in 11 m north of the line; 0.001 degrees are some 110 m."""

    def row(wkt: str) -> record_changes.Row:
        return record_changes.Row("segments", {"geometry": wkt}, None, None, 2, None, {})

    before = row("LINESTRING (179.999 0, -179.999 0)")
    after = row("LINESTRING (179.999 0, 180 0.0001, -179.999 0)")
    moved = record_changes._moved_m(record_changes.RowChange(before, after, ("geometry",)))
    assert moved == pytest.approx(11.1, abs=0.2)
