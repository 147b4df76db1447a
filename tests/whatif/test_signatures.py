"""Which signatures hold, lapse or were never given; see docs/audit.md for what each covers.

The plant is the one of examples/audit, signed on 2026-05-04: K1 apart, K2 accepted by a waiver of
the one pit through which both banks enter. Each test changes one record.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Mapping
from datetime import date
from pathlib import Path
from typing import Any, NamedTuple

import pytest

import waysapart as wa
from waysapart.evidence_file import in_file
from waysapart.whatif.signatures import SignatureFacts

PLANT = Path(__file__).resolve().parents[2] / "examples" / "audit"
K1 = "K1,Hernsand line main 1,R1-H,R1-T,line-differential,each"
SIGNED_ON = date(2026, 5, 4)

Edit = Callable[[Path], None]


@pytest.fixture
def plant(tmp_path: Path) -> Path:
    return Path(shutil.copytree(PLANT, tmp_path / "plant"))


@pytest.fixture(scope="module")
def signed() -> Mapping[str, Any]:
    """As `prove --json` wrote it."""
    facts = wa.prove(wa.read_study(PLANT, on=SIGNED_ON)).facts()
    return dict(json.loads(json.dumps(in_file(facts))))


def audit(signed: Mapping[str, Any], plant: Path, day: date = SIGNED_ON) -> wa.Comparison:
    return wa.compare(signed, plant, on=day)


def of(comparison: wa.Comparison, kind: str, name: str) -> SignatureFacts:
    assert comparison.signatures is not None
    (found,) = [
        one for one in comparison.signatures if one["kind"] == kind and one["id"].startswith(name)
    ]
    return found


def replace(file: str, old: str, new: str) -> Edit:
    def edit(plant: Path) -> None:
        text = (plant / file).read_text(encoding="utf-8")
        assert old in text
        (plant / file).write_text(text.replace(old, new), encoding="utf-8")

    return edit


def add(file: str, text: str) -> Edit:
    def edit(plant: Path) -> None:
        with (plant / file).open("a", encoding="utf-8") as out:
            out.write(text)

    return edit


def test_everything_holds_where_nothing_changed(signed: Mapping[str, Any], plant: Path) -> None:
    comparison = audit(signed, plant)
    assert comparison.signatures is not None
    assert {one["state"] for one in comparison.signatures} == {"holds"}
    kinds = {one["kind"] for one in comparison.signatures}
    assert kinds == {"circuit", "waiver", "assumption", "rule"}
    assert comparison.facts()["signed"] == {"holds": 2, "lapsed": 0, "never": 0}
    assert comparison.exit_code() == 0


class Case(NamedTuple):
    """One change of the records, and what becomes of one signature."""

    said: str
    edit: Edit
    kind: str
    name: str
    state: str
    reason: str | None
    status: int


CASES = (
    Case(
        "a pit moved within tolerance",
        lambda plant: [
            replace(f"{role}.csv", "502000 5979700", "502000 5979712")(plant)
            for role in ("structures", "segments")
        ],
        *("circuit", "K1", "holds", None, 0),
    ),
    Case(
        "a link in another cable",
        replace("link_runs.csv", "L1-SOUTH,1,C-SOUTH", "L1-SOUTH,1,C-NORTH"),
        *("circuit", "K1", "lapsed", "alternate no longer relies on C-SOUTH", 1),
    ),
    Case(
        "another link over the same plant",
        lambda plant: [
            add("links.csv", "L1-S2,R1-H,R1-T,1310,-8,-3,-28,0\n")(plant),
            add("link_runs.csv", "L1-S2,1,C-SOUTH,9;10\n")(plant),
            replace("circuit_paths.csv", "L1-SOUTH", "L1-S2")(plant),
        ],
        *("circuit", "K1", "lapsed", "alternate runs over L1-S2, signed over L1-SOUTH", 3),
    ),
    Case(
        "another service",
        replace("circuits.csv", "R1-T,line-differential", "R1-T,default"),
        *("circuit", "K1", "lapsed", "its service was line-differential, is now default", 3),
    ),
    Case(
        "a relaxed limit",
        add("rules.toml", "\n[services.line-differential]\nmax_delay_us = 9000\n"),
        "circuit",
        "K1",
        "lapsed",
        "max_delay_us of line-differential was 5000, is now 9000",
        3,
    ),
    Case(
        "a default that moves no figure beyond its tolerance",
        add("rules.toml", "\n[defaults]\nsplice_db = 0.09\n"),
        *("rule", "defaults.splice_db", "lapsed", "0.1 to 0.09", 3),
    ),
    Case(
        "a new circuit",
        add("circuits.csv", "K3,,R1-H,R1-T,line-differential,each\n"),
        *("circuit", "K3", "never", "not in the signed evidence", 3),
    ),
    Case(
        "a circuit that is gone",
        lambda plant: [
            replace(
                "circuits.csv", "K1,Hernsand line main 1,R1-H,R1-T,line-differential,each\n", ""
            )(plant),
            replace("circuit_paths.csv", "K1,main,1,L1-OHL\nK1,alternate,1,L1-SOUTH\n", "")(plant),
        ],
        *("circuit", "K1", "lapsed", "no longer in the study", 3),
    ),
    Case(
        "a blank that the rules explain",
        replace("equipment.csv", "BAT-H1,-,0", "BAT-H1,,0"),
        *("assumption", "records.needs.relay", "never", "not in the signed evidence", 3),
    ),
    Case(
        "a waiver taken back",
        lambda plant: (plant / "rules.toml").write_text(
            "[records.oldest]\ntest = 1825\n[defaults.reel_m]\nopgw = 5000\nduct = 5000\n",
            encoding="utf-8",
        ),
        *("waiver", "K2: ENT-T", "lapsed", "waiver of ENT-T: taken back", 1),
    ),
    Case(
        "somebody else accepts it",
        replace("rules.toml", "PD-7", "PD-8"),
        "circuit",
        "K2",
        "lapsed",
        "waiver of ENT-T: who accepted it was protection design note PD-7, is now protection "
        "design note PD-8",
        3,
    ),
)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.said)
def test_one_record_changed(signed: Mapping[str, Any], plant: Path, case: Case) -> None:
    case.edit(plant)
    comparison = audit(signed, plant)
    found = of(comparison, case.kind, case.name)
    assert found["state"] == case.state, case.said
    if case.reason is None:
        assert found["reasons"] == []
    else:
        assert any(text.startswith(case.reason) for text in found["reasons"]), found["reasons"]
    assert comparison.exit_code(strict=True) == case.status


@pytest.mark.slow
def test_the_other_circuit_is_as_it_was(signed: Mapping[str, Any], plant: Path) -> None:
    replace("rules.toml", "PD-7", "PD-8")(plant)
    assert of(audit(signed, plant), "circuit", "K1")["state"] == "holds"


def test_a_waiver_that_ends_takes_the_signature_with_it(
    signed: Mapping[str, Any], plant: Path
) -> None:
    for day, state in ((date(2027, 3, 31), "holds"), (date(2027, 4, 1), "lapsed")):
        comparison = audit(signed, plant, day)
        assert of(comparison, "circuit", "K2")["state"] == state
        assert of(comparison, "waiver", "K2: ENT-T")["state"] == state
    found = of(comparison, "circuit", "K2")
    assert (found["signed"], found["now"]) == ("accepted", "shared")
    assert "waiver of ENT-T: lapsed on 2027-03-31" in found["reasons"]
    assert found["reasons"][-1] == "no decision on record"


def test_what_was_signed_without_a_decision_was_never_signed(plant: Path) -> None:
    """Shared, and no waiver: as long as it stays so nothing is new. A waiver then is."""
    rules = (plant / "rules.toml").read_text(encoding="utf-8")
    (plant / "rules.toml").write_text(rules.partition("[[waiver]]")[0], encoding="utf-8")
    signed = wa.prove(wa.read_study(plant, on=SIGNED_ON)).facts()
    comparison = wa.compare(signed, plant, on=SIGNED_ON)
    found = of(comparison, "circuit", "K2")
    assert (found["state"], found["decision"]) == ("never", True)
    assert found["reasons"] == [
        "no decision on record: shared in the signed evidence, and no waiver"
    ]
    assert comparison.facts()["signed"] == {"holds": 1, "lapsed": 0, "never": 1}
    assert comparison.exit_code(strict=True) == 0
    (plant / "rules.toml").write_text(rules, encoding="utf-8")
    comparison = wa.compare(signed, plant, on=SIGNED_ON)
    assert "since then: shared to accepted" in of(comparison, "circuit", "K2")["reasons"]
    waiver = of(comparison, "waiver", "K2: ENT-T")
    assert waiver["state"] == "never"
    assert "by protection design note PD-7 until 2027-03-31" in waiver["reasons"][0]
    assert (comparison.exit_code(), comparison.exit_code(strict=True)) == (0, 3)


@pytest.mark.slow
def test_a_group_lapses_with_what_its_members_rely_on(plant: Path) -> None:
    """Working paths alone count: K1's main over the line, K2's main in the south ducts."""
    replace("circuits.csv", "switching\n", "switching,group\n")(plant)
    replace("circuits.csv", ",each\n", ",each,G\n")(plant)
    signed = wa.prove(wa.read_study(plant, on=SIGNED_ON)).facts()
    assert of(wa.compare(signed, plant, on=SIGNED_ON), "group", "G")["state"] == "holds"
    replace("segments.csv", "DN3,duct,TR-NORTH", "DN3,duct,-")(plant)
    comparison = wa.compare(signed, plant, on=SIGNED_ON)
    assert of(comparison, "group", "G")["state"] == "holds"  # alternates do not count
    replace("segments.csv", "DS3,duct,TR-SOUTH", "DS3,duct,T2")(plant)
    found = of(wa.compare(signed, plant, on=SIGNED_ON), "group", "G")
    assert found["state"] == "lapsed"
    assert "K2 main now relies on T2" in found["reasons"]


@pytest.mark.slow
def test_evidence_that_names_nothing_is_compared_by_number(
    signed: Mapping[str, Any], plant: Path
) -> None:
    poor = {
        name: value
        for name, value in wa.prove(wa.read_study(PLANT, on=SIGNED_ON)).facts().items()
        if name not in ("evidence", "format")
    }
    held = of(audit(poor, plant), "circuit", "K2")
    assert held["state"] == "holds"
    assert "only how much that is was compared" in held["remarks"][0]
    replace("segments.csv", "DN1,duct,-", "DN1,duct,T2")(plant)
    found = of(audit(poor, plant), "circuit", "K2")
    assert found["state"] == "lapsed"
    assert any("things, signed with" in text for text in found["reasons"])


def test_two_studies_have_no_signatures_and_nothing_due_unless_asked(plant: Path) -> None:
    facts = wa.compare(PLANT, plant, on=date(2027, 2, 1)).facts()
    assert facts["signed"] is facts["signatures"] is facts["due"] is None
    due = wa.compare(PLANT, plant, on=date(2027, 2, 1), due_days=90).due
    assert due is not None
    assert {one["what"] for one in due["records"]} == {"waiver", "test"}


def test_what_falls_due_needs_a_study(signed: Mapping[str, Any]) -> None:
    with pytest.raises(wa.CallError, match="give the study itself as AFTER"):
        wa.compare(PLANT, signed, due_days=90)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("waivers", [{"counts": True}]),
        ("assumptions", [{}]),
        ("groups", [{}]),
        ("evidence", []),
        ("inputs", "none"),
        ("records", [1]),
    ],
)
def test_damaged_evidence_is_refused_with_its_place(
    signed: Mapping[str, Any], key: str, value: object
) -> None:
    with pytest.raises(wa.CallError, match=f"damaged: .*{key}"):
        wa.compare({**signed, key: value}, signed)


def test_evidence_may_lack_what_came_later_and_hold_what_is_not_known(
    signed: Mapping[str, Any],
) -> None:
    other = {key: value for key, value in signed.items() if key not in ("layers", "caution")}
    assert wa.compare({**other, "of_a_later_release": 1}, signed).counts()["same"] == 2
