"""Many gaps of one kind are told as one, and what the rules say in their place is to be signed.

    West Sands ---- T1 ---- T2 ---- T3 ---- Marsh Point      overhead line, OPGW
        |                                        |
        P1 -E1- Q1 -E2- Q2 ... Q8 -E9- P2 ---- P3            nine ducts that say nothing

The nine ducts between P1 and P2 do not say what they lie within.
"""

from __future__ import annotations

import html
import json
import re
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from rich.console import Console

import waysapart as wa
from proofs import proof_of
from small_study import POINTS, lon_lat, write_small_study
from waysapart.cli import main
from waysapart.report.compare_page import comparison_view
from waysapart.report.page import render_report
from waysapart.report.redaction import Outside, reduced
from waysapart.report.terminal import show_gaps
from waysapart.report.view import gap_rows, page_view
from waysapart.report.words import answer, assumption_said, finding, verdict_words
from waysapart.report.write import report_facts
from waysapart.verdicts.prove import Proof

DUCTS = [f"E{number}" for number in range(1, 10)]
SAID = "9 ducts do not say what they lie within: E1, E2, E3 and 6 more"


def write_sparse(folder: Path, known: int = 0, rules: str = "") -> Path:
    """The small study with nine ducts for D2, of which the first `known` say what they lie in."""
    write_small_study(folder)
    places = [POINTS["P1"], *((200 + 200 * k, -300) for k in range(8)), POINTS["P2"]]
    pits = ["P1", *(f"Q{k}" for k in range(1, 9)), "P2"]
    structures = json.loads((folder / "structures.geojson").read_text())
    for pit, place in zip(pits[1:-1], places[1:-1], strict=True):
        structures["features"].append(
            {
                "type": "Feature",
                "properties": {"id": pit, "kind": "pit", "within": "-"},
                "geometry": {"type": "Point", "coordinates": lon_lat(*place)},
            }
        )
    (folder / "structures.geojson").write_text(json.dumps(structures))
    segments = json.loads((folder / "segments.geojson").read_text())
    kept = [one for one in segments["features"] if one["properties"]["id"] != "D2"]
    for number, duct in enumerate(DUCTS):
        kept.append(
            {
                "type": "Feature",
                "properties": {
                    "id": duct,
                    "kind": "duct",
                    "a": pits[number],
                    "b": pits[number + 1],
                    "within": "-" if number < known else None,
                },
                "geometry": {
                    "type": "LineString",
                    "coordinates": [lon_lat(*places[number]), lon_lat(*places[number + 1])],
                },
            }
        )
    (folder / "segments.geojson").write_text(json.dumps({**segments, "features": kept}))
    runs = ["C1,1,S1", "C1,2,S2", "C1,3,S3", "C1,4,S4"]
    runs += [f"C2,{seq},{segment}" for seq, segment in enumerate(["D1", *DUCTS, "D3", "D4"], 1)]
    (folder / "cable_runs.csv").write_text("\n".join(["cable,seq,segment", *runs]) + "\n")
    (folder / "equipment.csv").write_text(
        "id,site,kind,within,supplies,needs,delay_us\n"
        "R-W,WS,relay,ROOM-W,B-W,-,0\nR-M,MP,relay,-,B-M,-,0\n"
    )
    (folder / "links.csv").write_text(
        "id,a,b,wavelength_nm,medium,splices,tx_min_dbm,rx_min_dbm,recovery_ms\n"
        "L1,R-W,R-M,1310,fibre,3,-5,-25,50\nL2,R-W,R-M,1550,fibre,3,-5,-25,50\n"
    )
    circuits = (folder / "circuits.csv").read_text().replace(",G1,", ",,")
    (folder / "circuits.csv").write_text(circuits)
    if rules:
        (folder / "rules.toml").write_text(rules)
    return folder


@pytest.fixture(scope="module")
def sparse(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_sparse(tmp_path_factory.mktemp("sparse") / "study")


@pytest.fixture(scope="module")
def proof(sparse: Path) -> Proof:
    return proof_of(sparse)


@pytest.fixture(scope="module")
def explained(tmp_path_factory: pytest.TempPathFactory) -> Proof:
    """The same with a rule that takes blank ducts as lying in nothing."""
    folder = tmp_path_factory.mktemp("explained") / "study"
    write_sparse(folder, rules='[records]\nwithin = { duct = "none" }\n')
    return proof_of(folder)


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(one) for one in arguments])


def spaced(text: str) -> str:
    return " ".join(text.split())


def page_of(proof: Proof, *, outside: bool = False) -> str:
    facts, geo = report_facts(proof)
    if outside:
        facts, geo = reduced(facts, geo, proof.study.crs, Outside(None))
    return render_report(facts, geo, title="Small")


def shown(page: str) -> str:
    """Text of a page without tags."""
    bare = re.sub(r"<(script|style)\b.*?</\1>", " ", page, flags=re.DOTALL)
    return spaced(html.unescape(re.sub(r"<[^>]*>", " ", bare)))


def test_check_tells_nine_blanks_in_one_line(sparse: Path) -> None:
    """With what they bear on, and the count of all in the heading."""
    done = run("check", sparse)
    assert done.exit_code == 3
    said = spaced(done.output)
    assert "9 record gaps:" in said
    assert "blank-within separation " + SAID in said
    assert "1. within of E1, E2, E3, E4, E5, E6 and 3 more (segments): decides K1" in said
    assert len(done.output.splitlines()) < 12


def test_json_has_every_id_and_row_of_a_folded_gap(sparse: Path) -> None:
    (gap,) = json.loads(run("check", sparse, "--json", "-").output)["gaps"]
    assert gap["count"] == 9
    assert gap["assets"] == DUCTS
    assert gap["bears_on"] == "separation"
    assert len(set(gap["rows"])) == 9
    assert (gap["file"], gap["layer"], gap["column"]) == ("segments.geojson", "segments", "within")


def test_the_facts_of_a_circuit_count_them(proof: Proof) -> None:
    facts = proof.facts()
    (gap,) = facts["circuits"][0]["gaps"]
    assert (gap["count"], gap["message"], gap["bears_on"]) == (9, SAID, "separation")
    assert finding(facts["circuits"][0], {}) == "9 record gaps touch its paths."
    assert facts["summary"]["gaps"] == 9


def gap(code: str, asset: str, bears_on: str, **more: Any) -> Any:
    """A gap of the evidence: one record, without its place."""
    told = {"code": code, "asset": asset, "message": f"{code} {asset}", "bears_on": bears_on}
    place = dict.fromkeys(("file", "layer", "row", "column"))
    return {**told, "count": 1, "assets": [asset], "rows": [None], **place, **more}


def test_a_gap_that_bears_on_limits_touches_no_path(explained: Proof) -> None:
    """It leaves a limit open, and is said apart from what touches the paths."""
    circuit = explained.facts()["circuits"][0]
    circuit["gaps"] = [gap("blank-delay", "R-M", "limits"), gap("cable-broken", "C2", "both")]
    assert finding(circuit, {}) == (
        "1 record gap touches its paths, about C2. 1 record gap leaves a limit open, about R-M."
    )


def test_the_page_folds_and_keeps_all_ids(proof: Proof) -> None:
    page = page_of(proof)
    text = shown(page)
    assert SAID + " separation blank-within segments.geojson, layer segments, column within" in text
    assert "9 ids E1 E2 E3 E4 E5 E6 E7 E8 E9" in text
    assert SAID + " (bears on separation)" in text
    assert page.count("<summary>9 ids</summary>") == 1
    assert "What to record first" in text
    assert "1 within of E1, E2, E3, E4, E5, E6 and 3 more (segments) 9 K1" in text


def test_readers_outside_learn_how_many_and_no_id(proof: Proof) -> None:
    page = page_of(proof, outside=True)
    text = shown(page)
    assert "9 of them: an asset does not say what it lies within" in text
    assert "What to record first" in text
    assert not re.search(r"\bE[1-9]\b", page)
    assert "segments.geojson" not in page
    assert "within of duct-" in text


def test_a_few_of_each_kind_are_shown_and_the_rest_counted() -> None:
    """Seven broken cables and nine blanks: five of the first, the second in one line."""
    broken = [gap("cable-broken", f"C{k}", "both") for k in range(7)]
    blank = gap("blank-within", "E1", "separation", message=SAID, count=9)
    file = StringIO()
    show_gaps(Console(file=file, width=120), [*broken, blank])
    lines = file.getvalue().splitlines()
    assert [line.split()[-1] for line in lines[:5]] == ["C0", "C1", "C2", "C3", "C4"]
    assert SAID in lines[5]
    assert "and 2 more: waysapart check --csv FILE lists all" in lines[6]
    assert len(lines) == 7


def test_the_page_shows_twelve_of_a_kind_and_the_rest_in_one_row() -> None:
    rows = gap_rows([gap("cable-broken", f"C{k}", "both") for k in range(15)])
    assert [row["asset"] for row in rows[:12]] == [f"C{k}" for k in range(12)]
    assert rows[12]["assets"] == ["C12", "C13", "C14"]
    assert rows[12]["message"].startswith("3 more of this kind: two consecutive segments")
    assert rows[12]["bears_on"] == "both"
    assert len(rows) == 13


def test_the_page_lists_four_hundred_ids_and_counts_the_rest(proof: Proof) -> None:
    """Of 1,000 blanks; the CSV of check has them all."""
    facts, geo = report_facts(proof)
    ids = [f"XD{k}" for k in range(1000)]
    facts["gaps"] = [gap("blank-within", "XD0", "separation", count=1000, assets=ids, rows=[])]
    text = shown(render_report(facts, geo, title="Small"))
    assert "1000 ids XD0 XD1 " in text
    assert "XD399 and 600 more: waysapart check --csv lists all" in text
    assert "XD400" not in text


def test_check_says_where_a_gap_stands(tmp_path: Path) -> None:
    """With the row for one; many together share the file and the column."""
    one = run("check", write_sparse(tmp_path / "one", known=8)).output
    assert "[segments.geojson, layer segments, row 16, column within]" in spaced(one)
    many = run("check", write_sparse(tmp_path / "many", known=7)).output
    assert "[segments.geojson, layer segments, column within]" in spaced(many)


def test_comparing_names_the_blanks_that_went(tmp_path: Path, proof: Proof) -> None:
    """E1 and E2 were recorded: less stands against K1, and nothing came."""
    after = proof_of(write_sparse(tmp_path / "after", known=2))
    comparison = wa.compare(proof, after)
    facts = comparison.facts()
    (row,) = facts["circuits"]
    assert row["change"] == "better"
    assert row["went"]["gaps"] == [["blank-within", "E1"]]
    assert row["came"]["gaps"] == []
    ((when, gap),) = comparison_view(comparison, facts)["gaps"]
    assert when == "went"
    assert gap["assets"] == ["E1", "E2"]
    assert gap["message"].startswith("E1 and E2: an asset does not say what it lies within")
    back = wa.compare(after, proof)
    assert back.facts()["circuits"][0]["change"] == "worse"
    assert comparison_view(back, back.facts())["gaps"][0][0] == "came"


def test_a_rule_that_takes_blanks_as_none_is_to_be_signed(explained: Proof) -> None:
    """K1 is apart now, and the proof says on what: nine blanks, by the study's own rule."""
    assert explained.verdicts == ["apart"]
    assert explained.exit_code() == 0
    facts = explained.facts()
    assert [row for row in facts["assumptions"] if row.get("to_sign")] == [
        {
            "key": "records.within.duct",
            "value": "none",
            "unit": "",
            "source": "rules.toml",
            "to_sign": True,
            "count": 9,
        }
    ]


def test_the_terminal_lists_what_is_to_be_signed(explained: Proof) -> None:
    done = spaced(run("prove", explained.study.folder).output)
    assert "Yes, if 1 assumption to sign holds. The one circuit is apart" in done
    assert "1 assumption to sign:" in done
    assert "9 ducts do not say what they lie within: taken as none (records.within.duct)" in done


def test_the_report_tells_them_apart_and_counts_them_at_the_signature(explained: Proof) -> None:
    text = shown(page_of(explained))
    listed = text[text.index("Assumptions To sign") :]
    head, _, values = listed.partition("Values")
    assert "9 ducts do not say what they lie within: taken as none records.within.duct" in head
    assert "defaults.splice_db" not in head
    assert "defaults.splice_db" in values
    assert "9 ducts" not in values.partition("Sign-off")[0]
    assert "It rests on 1 assumption to sign : whoever signs takes it as true." in text


def test_the_page_calls_the_records_complete_only_without_gaps_and_assumptions(
    tmp_path: Path, proof: Proof, explained: Proof
) -> None:
    complete = "The records are complete"
    whole = proof_of(write_sparse(tmp_path / "whole", known=9))
    assert whole.record_gaps == ()
    assert complete in shown(page_of(whole))
    assert complete not in shown(page_of(explained))
    assert "Their records are complete if the assumptions to sign hold" in shown(page_of(explained))
    assert complete not in shown(page_of(proof))
    assert "No gap in the records touches its paths" in verdict_words(3, 0)["apart"][1]


def test_the_answer_says_on_how_many_assumptions_it_rests() -> None:
    well = dict.fromkeys(["shared", "unproven", "accepted", "over_limit", "unknown_limit"], 0)
    counts = {**well, "apart": 3, "total": 3}
    assert answer(counts).startswith("Yes. All 3 circuits")
    assert answer({**counts, "to_sign": 2}).startswith("Yes, if 2 assumptions to sign hold. All 3")
    assert answer({**counts, "apart": 2, "shared": 1, "to_sign": 2}).startswith("No: 1 of 3")


def test_blanks_that_no_path_relies_on_are_not_to_be_signed(tmp_path: Path) -> None:
    """A tenth duct that no cable uses is blank too: K1 does not rest on it."""
    folder = write_sparse(tmp_path / "more", rules='[records]\nwithin = { duct = "none" }\n')
    segments = json.loads((folder / "segments.geojson").read_text())
    spare = json.loads(json.dumps(segments["features"][-1]))
    spare["properties"]["id"] = "E10"
    segments["features"].append(spare)
    (folder / "segments.geojson").write_text(json.dumps(segments))
    (row,) = page_view(proof_of(folder).facts())["to_sign"]
    assert assumption_said(row).startswith("9 ducts")


def test_excused_kinds_and_ignored_holders_are_to_be_signed(tmp_path: Path) -> None:
    """[groups] excuse stands there where groups are, an ignored holder by its id."""
    folder = write_sparse(
        tmp_path / "rules",
        known=9,
        rules='[groups]\nexcuse = ["room"]\n[reliance]\nignore_kinds = ["right-of-way"]\n',
    )
    circuits = folder / "circuits.csv"
    circuits.write_text(circuits.read_text().replace(",,each", ",G1,each"))
    rows = proof_of(folder).facts()["assumptions"]
    said = [assumption_said(row) for row in rows if row.get("to_sign")]
    assert said == [
        "members of a group may share these at their ends: room",
        "1 holder left out as too large to show a common risk: TR1",
    ]


def test_a_stated_delay_is_said_with_its_figure() -> None:
    row = {"key": "records.delay_us.relay", "value": 500.0, "count": 3, "to_sign": True}
    assert assumption_said(row) == "3 relays have no delay on record: taken as 500 µs"


def test_how_many_blanks_there_are_is_no_change_of_a_rule(tmp_path: Path, explained: Proof) -> None:
    """With E1 recorded, eight blanks are explained instead of nine, by the same rule."""
    rules = '[records]\nwithin = { duct = "none" }\n'
    after = proof_of(write_sparse(tmp_path / "after", known=1, rules=rules))
    assert wa.compare(explained, after).rules == []


def test_readers_outside_learn_of_no_kind_of_the_study(tmp_path: Path) -> None:
    """A kind of the owner's own, blank and explained: counted, and named 'other'."""
    folder = write_sparse(
        tmp_path / "own", known=9, rules='[records]\nwithin = { zorgduct = "none" }\n'
    )
    segments = (folder / "segments.geojson").read_text()
    (folder / "segments.geojson").write_text(
        segments.replace(
            '"id": "E9", "kind": "duct", "a": "Q8", "b": "P2", "within": "-"',
            '"id": "E9", "kind": "zorgduct", "a": "Q8", "b": "P2", "within": null',
        )
    )
    proof = proof_of(folder)
    assert "zorgduct" in page_of(proof)
    outside = page_of(proof, outside=True)
    assert "zorgduct" not in outside
    assert "records.within.other" in outside
    assert "the study&#39;s own rules" in outside
