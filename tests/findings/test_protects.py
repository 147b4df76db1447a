"""What takes a circuit together with the line that it protects.

Sites A and B are joined by an overhead line L1 over towers T1, T2, T3, whose earth wire is
the cable CL, and by a duct with the cable CS through pit S. Circuit K protects L1.

    A ===S1=== T1 ===S2=== T2 ===S3=== T3 ===S4=== B        CL: main
     \\--------------- duct, pit S ----------------/          CS: alternate
"""

from __future__ import annotations

import csv
import json
import random
from collections.abc import Callable
from io import StringIO
from pathlib import Path

import pytest
from rich.console import Console

import waysapart as wa
from line_plant import LinePlant
from proofs import proof_of
from random_plant import write_random_study
from waysapart.export.layers import found_layers
from waysapart.recheck import recheck
from waysapart.report import words
from waysapart.report.redaction import Outside
from waysapart.report.terminal import show_circuit, show_proof
from waysapart.verdicts.waiver_offers import offered_waivers

LINE = {"T1", "T2", "T3", "S1", "S2", "S3", "S4"}
INSIDE = {"L1", *LINE}


def line() -> LinePlant:
    plant = LinePlant()
    plant.rows["holders"].append({"id": "L1", "kind": "line", "within": "-"})
    for number in (1, 2, 3):
        plant.node(f"T{number}", 1500 * number, 300, kind="tower", within="L1")
    nodes = ("A", "T1", "T2", "T3", "B")
    for number in (1, 2, 3, 4):
        one, other = nodes[number - 1 : number + 1]
        plant.segment(f"S{number}", "span", one, other, a=one, b=other, within="L1")
    plant.follow("CL", "S1", "S2", "S3", "S4")
    plant.node("S", 3000, -300)
    plant.laid("CS", "A", "S", "B")
    plant.fibre("LN", "RA", "RB", "CL")
    plant.fibre("LS", "RA", "RB", "CS")
    plant.way("K", "main", "LN", protects="L1")
    plant.way("K", "alternate", "LS")
    return plant


def entries(found: dict, path: str) -> dict[str, list[str]]:
    """Assets that take a path, with the paths that remain."""
    return {one["asset"]: one["remains"] for one in found["with_protected"] if one["path"] == path}


def leaving(assets: set[str], *remains: str) -> dict[str, list[str]]:
    """Each of some assets with the paths that remain when it is lost."""
    return {asset: list(remains) for asset in assets}


def row(plant: LinePlant, role: str, name: str) -> dict:
    (found,) = [one for one in plant.rows[role] if one["id"] == name]
    return found


def test_the_line_its_towers_and_spans_take_main(tmp_path: Path) -> None:
    """Main hangs on the line that K protects: each of the eight things takes it, and the
    alternate remains. None takes the alternate."""
    found = line().circuit_facts(tmp_path)
    assert entries(found, "main") == leaving(INSIDE, "alternate")
    assert entries(found, "alternate") == {}
    one = next(one for one in found["with_protected"] if one["asset"] == "T2")
    assert one == {
        "asset": "T2",
        "role": "structures",
        "kind": "tower",
        "path": "main",
        "protected": "L1",
        "protected_kind": "line",
        "remains": ["alternate"],
    }
    assert found["protects"] == ["L1"]
    assert found["with_protected_why"] is None


def on_two_circuits_of_one_line() -> LinePlant:
    """L1 has a second set of towers T4, T5, T6 beside the first; the alternate hangs on it."""
    plant = line()
    for number in (4, 5, 6):
        plant.node(f"T{number}", 1500 * (number - 3), 340, kind="tower", within="L1")
    nodes = ("A", "T4", "T5", "T6", "B")
    for number in (5, 6, 7, 8):
        one, other = nodes[number - 5 : number - 3]
        plant.segment(f"S{number}", "span", one, other, a=one, b=other, within="L1")
    plant.follow("CL2", "S5", "S6", "S7", "S8")
    (link,) = [one for one in plant.rows["link_runs"] if one["link"] == "LS"]
    link["cable"] = "CL2"
    return plant


def alternate_through_ms(plant: LinePlant, supplies: str) -> None:
    """The alternate runs through multiplexer MS at site A."""
    plant.machine("MS", "A", supplies=supplies)
    plant.hop("HS", "RA", "MS")
    (link,) = [one for one in plant.rows["links"] if one["id"] == "LS"]
    link["a"] = "MS"
    plant.rows["circuit_paths"] = []
    plant.way("K", "main", "LN")
    plant.way("K", "alternate", "HS", "LS")


def fed_by_the_line() -> LinePlant:
    """The alternate runs through multiplexer MS with two batteries, one fed from tower T1 and
    one from T2."""
    plant = line()
    for number in (1, 2):
        name = f"TAP{number}"
        plant.rows["holders"].append({"id": name, "kind": "transformer", "within": f"T{number}"})
        plant.rows["supplies"].append({"id": f"BAT{number}", "site": "A", "within": name})
    alternate_through_ms(plant, "BAT1;BAT2")
    return plant


def test_it_changes_no_verdict(tmp_path: Path) -> None:
    """Main is lost with the line, and the rules say nothing of own_line: apart."""
    found = line().circuit_facts(tmp_path)
    assert (found["verdict"], found["shared"], found["gaps"]) == ("apart", [], [])


def test_nothing_remains_when_the_whole_line_falls(tmp_path: Path) -> None:
    """Towers T1 to T3 take main only, T4 to T6 the alternate only; the line takes both."""
    found = on_two_circuits_of_one_line().circuit_facts(tmp_path)
    assert entries(found, "main") == {"L1": [], **leaving(LINE, "alternate")}
    assert entries(found, "alternate")["L1"] == []
    assert entries(found, "alternate")["T4"] == ["main"]
    assert proof_of(tmp_path).facts()["summary"]["silent"] == 1


def test_a_span_of_the_line_brings_its_towers(tmp_path: Path) -> None:
    """Only the spans say that they lie within L1: a fallen tower takes the line as well."""
    plant = line()
    for number in (1, 2, 3):
        row(plant, "structures", f"T{number}")["within"] = "-"
    assert entries(plant.circuit_facts(tmp_path), "main") == leaving(INSIDE, "alternate")


def test_within_counts_at_any_depth(tmp_path: Path) -> None:
    """The spans lie within section SEC, which lies within L1."""
    plant = line()
    plant.rows["holders"].append({"id": "SEC", "kind": "section", "within": "L1"})
    for number in (1, 2, 3, 4):
        row(plant, "segments", f"S{number}")["within"] = "SEC"
    found = entries(plant.circuit_facts(tmp_path), "main")
    assert set(found) == {*INSIDE, "SEC"}


def test_what_the_line_lies_within_counts(tmp_path: Path) -> None:
    """L1 stands on the right-of-way ROW, and so does the duct of the alternate: losing the
    right-of-way leaves nothing."""
    plant = line()
    plant.rows["holders"].append({"id": "ROW", "kind": "right-of-way", "within": "-"})
    row(plant, "holders", "L1")["within"] = "ROW"
    row(plant, "segments", "CS-1")["within"] = "ROW"
    found = plant.circuit_facts(tmp_path)
    assert entries(found, "main")["ROW"] == entries(found, "alternate")["ROW"] == []
    assert "CS-1" not in entries(found, "alternate")


def test_what_a_part_of_the_line_lies_within_counts(tmp_path: Path) -> None:
    """Span S2 hangs on a bridge BR that also carries the duct of the alternate."""
    plant = line()
    plant.rows["holders"].append({"id": "BR", "kind": "bridge", "within": "-"})
    row(plant, "segments", "S2")["within"] = "L1;BR"
    row(plant, "segments", "CS-1")["within"] = "BR"
    found = plant.circuit_facts(tmp_path)
    assert entries(found, "main")["BR"] == entries(found, "alternate")["BR"] == []


def test_hazards_that_take_a_part_count(tmp_path: Path) -> None:
    """A slip under T2 takes tower and main; one at pit S takes the alternate but not the line."""
    plant = line()
    for name, x, y in (("SLIP", 3000, 300), ("WASH", 3000, -300)):
        plant.rows["hazards"].append({"id": name, "kind": "slip", "line": [(x, y)], "area_m": 60})
    found = plant.circuit_facts(tmp_path)
    assert entries(found, "main")["SLIP"] == ["alternate"]
    assert all(one["asset"] != "WASH" for one in found["with_protected"])


def test_the_end_sites_are_left_out(tmp_path: Path) -> None:
    """The gantry of the line stands within site A, which lies within region REG. Site A takes
    both paths and the line, which is no news: the relay stands there. Nor does what only the
    site lies within count."""
    plant = line()
    plant.rows["holders"].append({"id": "REG", "kind": "region", "within": "-"})
    row(plant, "sites", "A")["within"] = "REG"
    plant.node("GA", 20, 0, kind="gantry", within="A;L1")
    for segment in plant.rows["segments"]:
        if segment["id"] == "S1":
            segment.update(a="GA", line=[plant.at["GA"], plant.at["T1"]])
    plant.segment("S0", "span", "A", "GA", a="A", b="GA", within="L1")
    plant.rows["cable_runs"].insert(0, {"cable": "CL", "seq": 0, "segment": "S0"})
    for one in plant.rows["cable_runs"]:
        if one["cable"] == "CL":
            one["seq"] += 1
    found = plant.circuit_facts(tmp_path)
    assert set(entries(found, "main")) == {*INSIDE, "GA", "S0"}


def test_a_supply_on_the_line_takes_a_path(tmp_path: Path) -> None:
    """Multiplexer MS of the alternate is fed by a board that hangs on tower T2: the tower takes
    main by its cable, and the alternate by its supply."""
    plant = line()
    plant.rows["holders"].append({"id": "TAP", "kind": "transformer", "within": "T2"})
    plant.rows["supplies"].append({"id": "BOARD", "site": "A", "within": "TAP"})
    alternate_through_ms(plant, "BOARD")
    found = plant.circuit_facts(tmp_path)
    assert entries(found, "main")["T2"] == entries(found, "alternate")["T2"] == []


def test_an_either_of_supply_holds_until_both_are_gone(tmp_path: Path) -> None:
    """Either tower leaves the alternate its other battery, the whole line leaves nothing."""
    plant = fed_by_the_line()
    found = plant.circuit_facts(tmp_path)
    assert entries(found, "main")["T1"] == entries(found, "main")["T2"] == ["alternate"]
    assert entries(found, "alternate") == {"L1": []}


def test_what_is_out_of_service_does_not_remain(tmp_path: Path) -> None:
    """Cable CS is out: the alternate is gone already, so the line leaves nothing."""
    plant = line()
    plant.settings += 'out = ["CS"]\n'
    found = plant.circuit_facts(tmp_path)
    assert entries(found, "main") == leaving(INSIDE)
    assert entries(found, "alternate") == {}


def test_two_lines_are_told_apart(tmp_path: Path) -> None:
    """K protects L1 and the cable line L2 in the ducts of the alternate: each entry names the
    line that falls with the asset."""
    plant = line()
    plant.rows["holders"].append({"id": "L2", "kind": "line", "within": "-"})
    for name in ("CS-1", "CS-2"):
        row(plant, "segments", name)["within"] = "L2"
    plant.rows["circuits"][0]["protects"] = "L1;L2"
    found = plant.circuit_facts(tmp_path)
    named = {(one["asset"], one["path"]): one["protected"] for one in found["with_protected"]}
    assert named["T1", "main"] == "L1"
    assert named["CS-1", "alternate"] == "L2"
    assert {one["asset"] for one in found["with_protected"]} == {*INSIDE, "L2", "CS-1", "CS-2", "S"}


def test_a_named_cable_is_lost_with_its_course(tmp_path: Path) -> None:
    """K protects a power cable PC that lies in the duct CS-1 and ends at pit S."""
    plant = line()
    plant.rows["circuits"][0]["protects"] = "PC"
    plant.follow("PC", "CS-1")
    found = plant.circuit_facts(tmp_path)
    assert entries(found, "alternate") == leaving({"CS-1", "S"}, "main")
    assert entries(found, "main") == {}


@pytest.mark.parametrize(
    ("named", "why"),
    [
        ("", "the circuit does not say what it protects (column protects)"),
        ("L9", "nothing on record lies within L9"),
        ("PC", "the course of PC is not on record"),
    ],
)
def test_what_nobody_knows_is_null_with_a_reason(named: str, why: str, tmp_path: Path) -> None:
    """A blank; a line with nothing in it; a power cable without a course. Never 'none'."""
    plant = line()
    plant.rows["holders"].append({"id": "L9", "kind": "line", "within": "-"})
    plant.rows["cables"].append({"id": "PC"})
    plant.rows["circuits"][0]["protects"] = named
    found = plant.circuit_facts(tmp_path)
    assert found["with_protected"] is None
    assert found["with_protected_why"] == why
    assert found["verdict"] == "apart"


def test_a_line_of_a_kind_that_is_left_out(tmp_path: Path) -> None:
    """`ignore_kinds = ["line"]`: what lies within L1 does not count, and the reason says so."""
    plant = line()
    plant.rules = '[reliance]\nignore_kinds = ["line"]\n'
    found = plant.circuit_facts(tmp_path / "study")
    assert found["with_protected"] is None
    why = "L1 is of a kind that the rules leave out (ignore_kinds)"
    assert found["with_protected_why"] == why
    facts = proof_of(tmp_path / "study").facts()
    assert held(tmp_path / "study", facts)["false"] == []


def test_what_is_known_of_one_line_is_told_though_another_is_not(tmp_path: Path) -> None:
    """L9 has nothing in it: L1's entries stand, and the reason beside them."""
    plant = line()
    plant.rows["holders"].append({"id": "L9", "kind": "line", "within": "-"})
    plant.rows["circuits"][0]["protects"] = "L1;L9"
    found = plant.circuit_facts(tmp_path)
    assert set(entries(found, "main")) == INSIDE
    assert found["with_protected_why"] == "nothing on record lies within L9"


def test_nothing_in_common_is_an_empty_list(tmp_path: Path) -> None:
    """Main runs in another duct: nothing takes a path and the line at once, and that is known."""
    plant = line()
    plant.node("N", 3000, 900)
    plant.laid("CN", "A", "N", "B")
    (link,) = [one for one in plant.rows["link_runs"] if one["link"] == "LN"]
    link["cable"] = "CN"
    found = plant.circuit_facts(tmp_path)
    assert found["with_protected"] == []
    assert found["with_protected_why"] is None


def shared(found: dict) -> dict[str, str | None]:
    return {one["asset"]: one["own_line"] for one in found["shared"]}


@pytest.mark.parametrize(
    ("own_line", "verdict", "counted"),
    [
        ("excused", "apart", set()),
        ("shared", "apart", set()),
        ("any", "shared", INSIDE),
    ],
)
def test_own_line_counts_where_the_alternate_remains(
    own_line: str, verdict: str, counted: set[str], tmp_path: Path
) -> None:
    """Main hangs on L1, the alternate remains: `shared` counts nothing, `any` all eight."""
    plant = line()
    plant.service = f'own_line = "{own_line}"\n'
    found = plant.circuit_facts(tmp_path)
    assert found["verdict"] == verdict
    assert shared(found) == dict.fromkeys(counted, "L1")


def test_own_line_counts_where_nothing_remains(tmp_path: Path) -> None:
    """Both paths on L1, on towers of their own: the line leaves nothing, each tower something.
    As a holder of both paths L1 is shared in any case; `own_line` names the line with it."""
    plant = on_two_circuits_of_one_line()
    plant.service = 'own_line = "shared"\n'
    found = plant.circuit_facts(tmp_path)
    assert (found["verdict"], shared(found)) == ("shared", {"L1": "L1"})
    (one,) = found["shared"]
    assert (one["role"], one["kind"], one["through"]) == ("holders", "line", None)
    assert found["stretches"][0]["via"]["main"][:2] == ["LN", "CL"]


def test_own_line_sees_what_two_supplies_have_in_common(tmp_path: Path) -> None:
    """As with the two batteries above: neither is relied on, and L1 is, since it takes both."""
    plant = fed_by_the_line()
    plant.service = 'own_line = "shared"\n'
    found = plant.circuit_facts(tmp_path)
    assert (found["verdict"], shared(found)) == ("shared", {"L1": "L1"})


def test_the_line_is_folded_under_its_towers(tmp_path: Path) -> None:
    """`any`: L1 counts because of what lies in it, and names the first of that."""
    plant = line()
    plant.service = 'own_line = "any"\n'
    found = plant.circuit_facts(tmp_path)
    through = {one["asset"]: one["through"] for one in found["shared"]}
    assert through == {"L1": "T1", **dict.fromkeys(LINE)}


def test_it_is_waived_as_any_other_shared_thing(tmp_path: Path) -> None:
    """A waiver of all within L1 accepts the eight; its digest is the one that is offered."""
    plant = line()
    plant.service = 'own_line = "any"\n'
    proof = plant.proved(tmp_path / "first")
    (offer,) = offered_waivers(proof, "K")
    assert (offer["within"], offer["covers"]) == ("L1", 7)
    plant.rules = (
        f'[[waiver]]\ncircuit = "K"\nwithin = "L1"\nrecord = "{offer["record"]}"\n'
        'reason = "r"\nby = "b"\nuntil = 2099-01-01\n'
    )
    found = plant.circuit_facts(tmp_path / "second")
    assert found["verdict"] == "accepted"
    assert all(one["waived"] for one in found["shared"])


def test_own_line_counts_what_leaves_nothing_while_a_path_is_out(tmp_path: Path) -> None:
    """Cable CS is out of service: nothing remains when any part of the line falls, though the
    alternate does not rely on it."""
    plant = line()
    plant.settings += 'out = ["CS"]\n'
    plant.service = 'own_line = "shared"\n'
    found = plant.circuit_facts(tmp_path)
    assert (found["verdict"], shared(found)) == ("shared", dict.fromkeys(INSIDE, "L1"))


def test_what_is_unavoidable_stays_so(tmp_path: Path) -> None:
    """The relay RA stands in a bay of the line, which takes all: listed, and it does not count."""
    plant = line()
    plant.rows["holders"].append({"id": "BAY", "kind": "bay", "within": "L1"})
    plant.rows["equipment"][0]["within"] = "BAY"
    plant.service = 'own_line = "any"\n'
    found = plant.circuit_facts(tmp_path)
    assert entries(found, "main")["BAY"] == entries(found, "alternate")["BAY"] == []
    assert "BAY" in found["unavoidable"]
    assert "BAY" not in shared(found)


@pytest.mark.parametrize("named", ["", "L9"])
@pytest.mark.parametrize("own_line", ["shared", "any"])
def test_where_it_counts_what_nobody_knows_is_a_gap(
    named: str, own_line: str, tmp_path: Path
) -> None:
    """The service counts the own line, but the circuit does not say which, or nothing lies in
    it: unproven, never apart."""
    plant = line()
    plant.rows["holders"].append({"id": "L9", "kind": "line", "within": "-"})
    plant.rows["circuits"][0]["protects"] = named
    plant.service = f'own_line = "{own_line}"\n'
    found = plant.circuit_facts(tmp_path)
    assert found["verdict"] == "unproven"
    assert [gap["code"] for gap in found["gaps"]] == ["own-line"]


def test_a_circuit_with_one_path_may_be_silent_too(tmp_path: Path) -> None:
    """Only main is on record, on L1: `own_line = "shared"` makes it shared, not only unproven."""
    plant = line()
    plant.rows["circuit_paths"] = [
        one for one in plant.rows["circuit_paths"] if one["path"] == "main"
    ]
    plant.service = 'own_line = "shared"\n'
    found = plant.circuit_facts(tmp_path)
    assert found["verdict"] == "shared"
    assert set(shared(found)) == INSIDE


def printed(show, *arguments) -> str:  # type: ignore[no-untyped-def]
    console = Console(width=240, file=StringIO())
    show(console, *arguments)
    assert isinstance(console.file, StringIO)
    return " ".join(console.file.getvalue().split())


def told(found: dict) -> list[str]:
    return [text for text, _ in words.own_line_said(found)]


def test_each_case_is_one_sentence(tmp_path: Path) -> None:
    """Eight things take main: told once, counted by kind, with what remains and how long it
    takes to switch (10 ms to detect and 50 ms to switch, assumed by the rules)."""
    found = line().circuit_facts(tmp_path)
    assert told(found) == [
        "when line L1 falls (4 spans and 3 towers): main is lost with it, alternate remains, "
        f"{found['delay']['recovery_ms']:g} ms to switch (assumed)"
    ]
    assert found["delay"]["recovery_ms"] > 0
    facts = line().proved(tmp_path).facts()
    assert told(found)[0] in printed(show_circuit, facts, "K")


def test_silence_is_told_first(tmp_path: Path) -> None:
    """Both paths on L1: the line as a whole leaves nothing; each set of towers takes one path,
    and where that is the alternate there is nothing to switch."""
    found = on_two_circuits_of_one_line().circuit_facts(tmp_path)
    first, *others = told(found)
    assert first == (
        "silent when line L1 falls (all of it): main and alternate are lost with it, nothing "
        "remains"
    )
    assert [text.split("): ")[1].split(", ")[0] for text in others] == [
        "main is lost with it",
        "alternate is lost with it",
    ]
    assert others[1].endswith("main remains, nothing to switch")
    assert words.finding(found, {}).endswith("Silent when line L1 falls.")


def test_the_study_as_a_whole_names_who_is_silent(tmp_path: Path) -> None:
    """In the terminal below the groups, on the page beside what needs a decision."""
    facts = on_two_circuits_of_one_line().proved(tmp_path / "silent").facts()
    assert "K is silent when line L1 falls" in printed(show_proof, facts)
    facts = line().proved(tmp_path / "not").facts()
    text = printed(show_proof, facts)
    assert "silent" not in text
    assert "1 circuit loses a path when what it protects falls, and keeps another" in text


def test_the_page_tells_it_circuit_by_circuit(tmp_path: Path) -> None:
    proof = on_two_circuits_of_one_line().proved(tmp_path / "study")
    page = tmp_path / "page.html"
    wa.write_report(proof, page)
    text = page.read_text(encoding="utf-8")
    assert "When what it protects falls" in text
    assert "Silent when line L1 falls (all of it)" in text
    assert "Left without a path when what they protect falls" in text


def test_the_page_for_readers_outside_names_no_line(tmp_path: Path) -> None:
    """Neither the id of the line nor the reason in words leaves the house."""
    plant = on_two_circuits_of_one_line()
    plant.rows["holders"].append({"id": "SECRET-9", "kind": "line", "within": "-"})
    plant.rows["circuits"][0]["protects"] = "L1;SECRET-9"
    page = tmp_path / "page.html"
    wa.write_report(plant.proved(tmp_path / "study"), page, outside=Outside())
    text = page.read_text(encoding="utf-8")
    assert "SECRET-9" not in text
    assert "Silent when" in text
    assert (
        "Not known whether more of its paths are lost with what it protects: not on record" in text
    )


def test_hostile_ids_are_escaped(tmp_path: Path) -> None:
    """A line called <b>x</b>."""
    plant = line()
    name = "<b>x</b>"
    row(plant, "holders", "L1")["id"] = name
    for role in ("structures", "segments"):
        for one in plant.rows[role]:
            one["within"] = str(one["within"]).replace("L1", name)
    plant.rows["circuits"][0]["protects"] = name
    proof = plant.proved(tmp_path / "study")
    page = tmp_path / "page.html"
    wa.write_report(proof, page)
    assert "<b>x</b>" not in page.read_text(encoding="utf-8")


def held(folder: Path, facts: dict) -> dict:
    file = folder.parent / "evidence.json"
    file.write_text(json.dumps(facts), encoding="utf-8")
    return recheck(folder, file)


@pytest.mark.parametrize("own_line", ["excused", "shared", "any"])
@pytest.mark.parametrize("built", [line, on_two_circuits_of_one_line, fed_by_the_line])
def test_recheck_confirms_it(built: Callable[[], LinePlant], own_line: str, tmp_path: Path) -> None:
    """Entries, null-ness, what counts and the verdict, worked out from the layers alone."""
    plant = built()
    plant.service = f'own_line = "{own_line}"\n'
    facts = plant.proved(tmp_path / "study").facts()
    assert held(tmp_path / "study", facts)["false"] == []


def test_recheck_tells_a_forged_remainder(tmp_path: Path) -> None:
    """An entry that says that the alternate remains; a list made empty; a reason in its place."""
    facts = on_two_circuits_of_one_line().proved(tmp_path / "study").facts()
    for forge in (
        lambda one: one["with_protected"][-1].update(remains=["other"]),
        lambda one: one["with_protected"].clear(),
        lambda one: one.update(with_protected=None, with_protected_why="not asked"),
        lambda one: one.update(protects=[]),
    ):
        copy = json.loads(json.dumps(facts))
        forge(copy["circuits"][0])
        assert held(tmp_path / "study", copy)["false"]


def test_recheck_confirms_what_is_not_known(tmp_path: Path) -> None:
    """A gap of own_line, and null with its reason."""
    plant = line()
    plant.rows["circuits"][0]["protects"] = ""
    plant.service = 'own_line = "any"\n'
    facts = plant.proved(tmp_path / "study").facts()
    assert held(tmp_path / "study", facts)["false"] == []
    facts["circuits"][0]["gaps"] = []
    assert held(tmp_path / "study", facts)["false"]


@pytest.mark.parametrize("own_line", ["excused", "any"])
def test_a_line_that_a_proposal_removes(own_line: str, tmp_path: Path) -> None:
    """L1 goes, and K still names it: the reference is a gap, and nothing is known of the line."""
    plant = line()
    plant.service = f'own_line = "{own_line}"\n'
    plant.read(tmp_path / "base")
    after = tmp_path / "after"
    after.mkdir()
    (after / "study.toml").write_text('extends = "../base"\nremove = ["L1"]\n', encoding="utf-8")
    facts = proof_of(after).facts()
    (found,) = facts["circuits"]
    assert found["with_protected"] is None
    assert found["verdict"] == "unproven"
    assert held(after, facts)["false"] == []


def test_it_is_exported(tmp_path: Path) -> None:
    """One feature for each asset and path, with what remains."""
    rows = found_layers(on_two_circuits_of_one_line().proved(tmp_path))["found_protected"]
    assert len(rows) == 2 * len(INSIDE)
    tower = rows[rows["asset"] == "T2"].iloc[0]
    assert (tower["path"], tower["protected"], tower["remains"]) == ("main", "L1", "alternate")
    assert tower["silent"] == 0
    assert rows[rows["silent"] == 1]["asset"].unique().tolist() == ["L1"]


def test_a_proposal_that_silences_a_circuit_is_worse(tmp_path: Path) -> None:
    """The alternate moves to the second set of towers of the same line: both verdicts apart
    but for L1, which is shared; silence is named beside it."""
    before = line().read(tmp_path / "before")
    after = on_two_circuits_of_one_line().read(tmp_path / "after")
    (change,) = wa.compare(before, after).facts()["circuits"]
    assert change["change"] == "worse"
    assert change["came"]["silent"] == ["L1"]
    assert change["went"]["silent"] == []


def protecting_at_random(folder: Path, seed: int) -> Path:
    """A random study whose circuits protect holders, structures, segments, sites and cables of
    it, with `own_line` drawn as well."""
    rng = random.Random(seed)
    write_random_study(folder, seed)
    drawn = {
        role: [
            feature["properties"]["id"]
            for feature in json.loads((folder / f"{role}.geojson").read_text("utf-8"))["features"]
        ]
        for role in ("structures", "segments", "sites", "holders")
    }
    tables: dict[str, list[dict[str, str]]] = {}
    for role in ("cables", "circuits"):
        with (folder / f"{role}.csv").open(encoding="utf-8") as file:
            tables[role] = list(csv.DictReader(file))
    cables = [one["id"] for one in tables["cables"]]
    pools = [pool for pool in (*drawn.values(), drawn["holders"], cables) if pool]
    for one in tables["circuits"]:
        named = [rng.choice(rng.choice(pools)) for _ in range(rng.randint(0, 2))]
        one["protects"] = ";".join(dict.fromkeys(named))
    with (folder / "circuits.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(tables["circuits"][0]))
        writer.writeheader()
        writer.writerows(tables["circuits"])
    rules = folder / "rules.toml"
    word = f'own_line = "{rng.choice(["excused", "shared", "any"])}"\n'
    stated = rules.read_text("utf-8") if rules.exists() else ""
    head = "[services.default]\n"
    text = stated.replace(head, head + word) if head in stated else f"{stated}\n{head}{word}"
    rules.write_text(text, encoding="utf-8")
    return folder


@pytest.mark.parametrize("first", [0, pytest.param(6, marks=pytest.mark.slow)])
def test_random_lines_are_confirmed(first: int, tmp_path: Path) -> None:
    """Six plants each: recheck, with code of its own, finds the same entries, the same things
    that count, and the same gaps; and there are entries to find."""
    about = ("protect", "shared", "tail", "single", "verdict", "unavoidable", "own-line", "falls")
    entries = 0
    for seed in range(first, first + 6):
        study = protecting_at_random(tmp_path / str(seed) / "study", seed)
        facts = proof_of(study).facts()
        wrong = [one for one in held(study, facts)["false"] if any(word in one for word in about)]
        assert wrong == [], seed
        entries += sum(len(one["with_protected"] or ()) for one in facts["circuits"])
    assert entries > 20
