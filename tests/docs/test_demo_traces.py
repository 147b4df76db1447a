"""The demo's links are traced, and each fault of its splice records is found by name.

The faults stand in `examples/estuary_splice_traps.py` and in a table of docs/as-built.md. They lie
on service links that no circuit uses.
"""

from __future__ import annotations

import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

import waysapart as wa
from proofs import proof_of

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "docs" / "as-built.md").read_text(encoding="utf-8")
TYPED = {"C09-A"}
"""Links whose runs cannot be traced: nobody has the splices of their cable."""
PLAIN = {"cable-broken", "leased-route", "blank-supplies"}
"""Gaps of the demo that have nothing to do with splices."""


def _traps() -> ModuleType:
    sys.path.insert(0, str(ROOT / "examples"))
    try:
        import estuary_splice_traps
    finally:
        sys.path.remove(str(ROOT / "examples"))
    return estuary_splice_traps


TRAPS = _traps().TRAPS


@pytest.fixture(scope="module")
def proof() -> wa.Proof:
    return proof_of(ROOT / "examples" / "estuary")


@pytest.mark.parametrize("trap", TRAPS, ids=[trap.name for trap in TRAPS])
def test_every_fault_is_found_by_name(proof: wa.Proof, trap: Any) -> None:
    """By its code, the links that it touches, and the words of its place."""
    found = [
        gap for gap in proof.record_gaps if gap.code == trap.code and trap.place in gap.message
    ]
    assert found, [gap.message for gap in proof.record_gaps if gap.code == trap.code]
    assert set().union(*(gap.links for gap in found)) == set(trap.links)
    assert all(gap.file and gap.row for gap in found)


@pytest.mark.parametrize("trap", TRAPS, ids=[trap.name for trap in TRAPS])
def test_every_fault_is_on_the_page(trap: Any) -> None:
    links = ", ".join(f"`{link}`" for link in trap.links) or "none"
    assert f"| {trap.name} | {links} | `{trap.code}` | {trap.story} |\n" in PAGE


def test_faults_touch_no_circuit_and_nothing_else_is_wrong(proof: wa.Proof) -> None:
    """Every gap is one of the three that the demo had or of a fault; no link has two kinds of them.

    But for SV-CABLE: where its splice is left out its trace stops as well.
    """
    spliced = {link for trap in TRAPS for link in trap.links}
    codes = {trap.code for trap in TRAPS}
    assert {gap.code for gap in proof.record_gaps} == PLAIN | codes
    for gap in proof.record_gaps:
        if gap.code not in PLAIN:
            assert set(gap.links) <= spliced, gap.message
    for trap in TRAPS:
        for link in trap.links:
            mine = {gap.code for gap in proof.record_gaps if link in gap.links}
            also = {"trace-stops"} if link == "SV-CABLE" else set()
            assert mine == {trap.code} | also, link
    used = {
        link for c in proof.facts()["circuits"] for p in c["paths"].values() for link in p["links"]
    }
    assert not used & spliced
    told = {gap["code"] for c in proof.facts()["circuits"] for gap in c["gaps"]}
    assert told == PLAIN


def test_every_fibre_link_of_a_circuit_is_traced_but_one(proof: wa.Proof) -> None:
    """Both ways from end to end, over a cord at either end and as many mated pairs as panels."""
    links = {one["id"]: one for one in proof.facts()["links"]}
    fibre = proof.study.tables["links"].query("medium == 'fibre'")["id"]
    mine = [name for name in fibre if not name.startswith("SV-")]
    assert {name for name in mine if "trace" not in links[name]} == TYPED
    for name in set(mine) - TYPED:
        trace = links[name]["trace"]
        assert set(trace) == {"go", "return"}
        for steps in trace.values():
            kinds = [step["is"] for step in steps]
            assert "stop" not in kinds
            assert (kinds[:2], kinds[-2:]) == (["port", "cord"], ["cord", "port"])
            assert kinds.count("end") == kinds.count("port") - 2


def test_a_joint_is_on_record_at_every_change_of_cable(proof: wa.Proof) -> None:
    """Between two cables of a trace there is a splice, or a cord where both end on panels."""
    for link in proof.facts()["links"]:
        for steps in link.get("trace", {}).values():
            if "stop" in [step["is"] for step in steps]:
                continue
            for before, here, after in zip(steps, steps[1:], steps[2:], strict=False):
                if here["is"] in ("splice", "end"):
                    assert "fibre" in (before["is"], after["is"])
                if (before["is"], after["is"]) == ("fibre", "fibre"):
                    assert here["is"] == "splice"


def test_a_joint_passed_uncut_is_no_splice(proof: wa.Proof) -> None:
    """UC-B1 has nine joints; light on fibre 1 passes J-B1-P07 without a splice."""
    links = {one["id"]: one for one in proof.facts()["links"]}
    joints = [step["joint"] for step in links["C07-M"]["trace"]["go"] if step["is"] == "splice"]
    assert joints == [f"J-B1-P{number:02d}" for number in (4, 5, 6, 8, 9, 10, 11, 12)]
    relied = proof.study.tables["joints"].query("cables == 'UC-B1'")["id"]
    assert "J-B1-P07" in set(relied)
