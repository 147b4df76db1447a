"""A gap that is struck out of the evidence, or made up, is told: `recheck` finds gaps by itself.

Each case is the small study with one thing left open. Its evidence is confirmed. Then every gap
of the code is struck out as somebody would who wants a better answer: from the list of all gaps,
from circuits and groups, from the counts, and what rested on it alone becomes apart or within its
limits. The other way about, the sound study is said to have such a gap.
"""

from __future__ import annotations

import json
import random
import shutil
from collections.abc import Callable
from copy import deepcopy
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from bad_inputs import CASES as BAD_INPUTS
from bad_inputs import Case, more, replaced, rules, text
from conflicting_studies import DAMAGE, TOUCHED, two_circuits
from everyday import some
from mutations import Files
from proofs import proof_of
from random_plant import write_random_study
from small_study import write_small_study
from waysapart.gaps import GAP_CODES
from waysapart.recheck import recheck

Facts = dict[str, Any]
Change = Callable[[Path], None]
ON = date(2026, 1, 1)


def both(*changes: Change) -> Change:
    def mutate(folder: Path) -> None:
        for change in changes:
            change(folder)

    return mutate


LINKS = "id,a,b,wavelength_nm,medium,channel,splices,relies_on,stated_on\nL1,R-W,R-M,1310,,,2,,\n"
TWO_CABLES = both(
    replaced(
        "cable_runs.csv",
        "cable,seq,segment\nC1,1,S1\nC1,2,S2\nC1,3,S3\nC1,4,S4\n"
        "C2,1,D1\nC2,2,D2\nC3,1,D3\nC3,2,D4\n",
    ),
    replaced("joints.csv", "id,at,cables,loss_db\nJ1,P2,C2;C3,0.08\n"),
)
"""The duct's cable is two, spliced in P2."""

CASES: dict[str, Change] = {
    "survey-old": rules("[records]\noldest = { survey = 3650 }\n"),
    "leased-old": both(
        rules("[records]\noldest = { leased_route = 400 }\n"),
        replaced("links.csv", LINKS + "L2,R-W,R-M,,leased,,,-,2020-01-01\n"),
        replaced("link_runs.csv", "link,seq,cable,fibres,direction\nL1,1,C1,1;2,\n"),
    ),
    "leased-route": both(
        replaced("links.csv", LINKS + "L2,R-W,R-M,,leased,,,WS;R-W;ROOM-W,2025-12-01\n"),
        replaced("link_runs.csv", "link,seq,cable,fibres,direction\nL1,1,C1,1;2,\n"),
    ),
    "ring-recovery": both(
        replaced("circuit_paths.csv", "circuit,path,seq,link\n"),
        more("rings.csv", "ring,seq,link,recovery_ms\nRG,1,L1,50\nRG,2,L2,20\n"),
        more("ring_circuits.csv", "circuit,ring\nK1,RG\n"),
    ),
    "hop-rate": both(
        rules("[services.line-differential]\nmax_unavailability = 0.5\n"),
        replaced("links.csv", LINKS + "L2,R-W,R-M,,leased,,,-,2020-01-01\n"),
        replaced("link_runs.csv", "link,seq,cable,fibres,direction\nL1,1,C1,1;2,\n"),
    ),
    "test-old": both(
        rules("[records]\noldest = { test = 1825 }\n"),
        more("measurements.csv", "link,length_m,date\nL2,4693.9,2015-01-01\n"),
    ),
    "test-future": more("measurements.csv", "link,length_m,date\nL2,4693.9,2026-05-01\n"),
    "joint-off-cable": text("joints.csv", "J1,P2,C2", "J1,P2,C1"),
    "site-contradiction": text("equipment.csv", "R-M,MP,relay,-,", "R-M,MP,relay,ROOM-W,"),
    "supply-loop": replaced(
        "supplies.csv",
        "id,site,within,needs,supplies\nB-W,WS,ROOM-W,-,B-X\nB-X,WS,ROOM-W,-,B-W\nB-M,MP,-,CH-M,\n",
    ),
    "fibre-twice": text("link_runs.csv", "L2,1,C2,1;2", "L2,1,C2,1;1"),
    "fibre-merged": both(
        TWO_CABLES,
        more("cables.csv", "C3,G.652.D,48,duct,\n"),
        replaced(
            "link_runs.csv",
            "link,seq,cable,fibres,direction\nL1,1,C1,1;2,\nL2,1,C2,1;2,\nL2,2,C3,1,\n",
        ),
    ),
    "mode-mismatch": both(
        TWO_CABLES,
        more("cables.csv", "C3,OM1,48,duct,\n"),
        replaced(
            "link_runs.csv",
            "link,seq,cable,fibres,direction\nL1,1,C1,1;2,\nL2,1,C2,1;2,\nL2,2,C3,1;2,\n",
        ),
    ),
    "measured-loss": more("measurements.csv", "link,loss_db,date\nL2,9.5,2025-06-01\n"),
    "measured-delay": more("measurements.csv", "link,delay_us,date\nL2,99,2025-06-01\n"),
    "power-limits": replaced(
        "links.csv",
        "id,a,b,wavelength_nm,splices,tx_min_dbm,tx_max_dbm\n"
        "L1,R-W,R-M,1310,2,3,0\nL2,R-W,R-M,1550,2,-3,0\n",
    ),
    "joints-unrecorded": text("links.csv", "1310,fibre,,2", "1310,fibre,,"),
}


def proved(folder: Path) -> Facts:
    proof = proof_of(folder, on=ON)
    return dict(json.loads(json.dumps(proof.facts())))


def told(folder: Path, facts: Facts) -> list[str]:
    file = folder.parent / "evidence.json"
    file.write_text(json.dumps(facts), encoding="utf-8")
    return [str(one) for one in recheck(folder, file)["false"]]


def strike(facts: Facts, code: str) -> Facts:
    """The evidence without the gaps of a code, and with the answers that one hoped for."""
    forged = deepcopy(facts)
    forged["gaps"] = [gap for gap in forged["gaps"] if gap["code"] != code]
    forged["summary"]["gaps"] = sum(gap["count"] for gap in forged["gaps"])
    for kind, mine in (("circuit", forged["circuits"]), ("group", forged["groups"])):
        for one in mine:
            one["gaps"] = [gap for gap in one["gaps"] if gap["code"] != code]
            open_ = any(gap["bears_on"] != "limits" for gap in one["gaps"])
            if one["verdict"] == "unproven" and not open_:
                one["verdict"] = "apart"
                if kind == "circuit":
                    forged["summary"]["unproven"] -= 1
                    forged["summary"]["apart"] += 1
            if kind == "circuit" and not one["gaps"]:
                one["loss_ok"] = one["delay"]["ok"] = one["delay"]["asymmetry_ok"] = True
                one["within_limits"] = True
            for witness in forged["evidence"]["verdicts"]:
                if (witness["kind"], witness["id"]) == (kind, one["id"]):
                    witness["verdict"] = one["verdict"]
    return forged


def invent(facts: Facts, code: str, about: str) -> Facts:
    """The evidence with a gap of a code that touches every circuit."""
    forged = deepcopy(facts)
    gap = {
        "code": code, "asset": about, "message": "doubtful", "bears_on": GAP_CODES[code].bears_on,
        "count": 1, "assets": [about], "rows": [None], "file": None, "layer": None, "row": None,
        "column": None,
    }  # fmt: skip
    forged["gaps"].append(gap)
    forged["summary"]["gaps"] += 1
    for kind, mine in (("circuit", forged["circuits"]), ("group", forged["groups"])):
        for one in mine:
            brief = {name: gap[name] for name in one["gaps"][0]} if one["gaps"] else None
            names = ("code", "asset", "message", "bears_on", "count")
            one["gaps"].append(brief or {name: gap[name] for name in names})
            if GAP_CODES[code].separation and one["verdict"] == "apart":
                one["verdict"] = "unproven"
                if kind == "circuit":
                    forged["summary"]["unproven"] += 1
                    forged["summary"]["apart"] -= 1
            for witness in forged["evidence"]["verdicts"]:
                if (witness["kind"], witness["id"]) == (kind, one["id"]):
                    witness["verdict"] = one["verdict"]
    return forged


def assert_missed(said: list[str], code: str) -> None:
    assert any(f"the gap {code} of" in one and "not told" in one for one in said)


@pytest.mark.parametrize("code", list(CASES))
def test_a_gap_that_is_struck_out_is_told(code: str, tmp_path: Path) -> None:
    folder = write_small_study(tmp_path / "study")
    CASES[code](folder)
    facts = proved(folder)
    assert code in {gap["code"] for gap in facts["gaps"]}
    assert told(folder, facts) == []
    said = told(folder, strike(facts, code))
    assert_missed(said, code)


@pytest.mark.parametrize("code", list(CASES))
def test_a_gap_that_is_made_up_is_told(code: str, tmp_path: Path) -> None:
    folder = write_small_study(tmp_path / "study")
    facts = proved(folder)
    said = told(folder, invent(facts, code, "C2"))
    assert f"there is no gap {code} of C2" in said
    assert any(one.startswith("circuit K1: no such gap") and code in one for one in said)


def test_many_told_as_one_are_as_many(tmp_path: Path) -> None:
    """Four ducts without a day of survey are one line; three of them are not."""
    folder = write_small_study(tmp_path / "study")
    CASES["survey-old"](folder)
    facts = proved(folder)
    (ducts,) = (gap for gap in facts["circuits"][0]["gaps"] if gap["message"].startswith("4 ducts"))
    assert (ducts["count"], ducts["asset"]) == (4, "D1")
    ducts["count"] = 3
    assert any("survey-old" in one for one in told(folder, facts))


@pytest.mark.parametrize(
    "case", some([c for c in BAD_INPUTS if c.name in TOUCHED], every=6), ids=lambda c: c.name
)
def test_a_conflict_that_is_struck_out_is_told(case: Case, tmp_path: Path) -> None:
    """Rows that are faulty or contradict each other: `recheck` cuts and tells apart as `prove`
    does, with code of its own, so that it confirms what is sound and misses what is struck out."""
    folder = two_circuits(tmp_path / "two", case.mutate)
    facts = proved(folder)
    assert told(folder, facts) == []
    for code in TOUCHED[case.name][0]:
        assert_missed(told(folder, strike(facts, code)), code)


@pytest.mark.parametrize(
    "seed", [1, *(pytest.param(n, marks=pytest.mark.slow) for n in range(2, 16))]
)
def test_sound_evidence_of_damaged_records_is_confirmed(seed: int, tmp_path: Path) -> None:
    """A random plant, damaged in every way in turn, some twice."""
    source = write_random_study(tmp_path / "sound", seed)
    rng = random.Random(f"damaged {seed}")
    for number in range(len(DAMAGE)):
        folder = tmp_path / f"damaged{number}" / "study"
        shutil.copytree(source, folder)
        files = Files(folder)
        for kind in (DAMAGE[number], rng.choice(DAMAGE))[: 1 + number % 2]:
            kind(files, rng)
        files.write()
        assert told(folder, proved(folder)) == []


def test_a_circle_of_carriers_is_no_circle_for_recheck(tmp_path: Path) -> None:
    """Cables that carry each other: the records are cut, and nothing goes round for ever."""
    folder = write_small_study(tmp_path / "study")
    replaced(
        "cables.csv",
        "id,fibre_type,fibre_count,kind,carried_by\nC1,G.652.D,24,opgw,C2\nC2,G.652.D,48,duct,C1\n",
    )(folder)
    facts = proved(folder)
    assert [gap["code"] for gap in facts["gaps"]].count("lies-in-itself") == 1
    assert told(folder, facts) == []
