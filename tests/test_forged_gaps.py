"""A gap that is struck out of the evidence, or made up, is told: `recheck` finds gaps by itself.

Each case is the small study with one thing left open. Its evidence is confirmed. Then every gap
of the code is struck out as somebody would who wants a better answer: from the list of all gaps,
from circuits and groups, from the counts, and what rested on it alone becomes apart or within its
limits. The other way about, the sound study is said to have such a gap.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from copy import deepcopy
from datetime import date
from pathlib import Path
from typing import Any

import pytest

import waysapart as wa
from bad_inputs import more, replaced, rules, text
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
    "joints-unrecorded": text("links.csv", "1310,fibre,,2", "1310,fibre,,"),
}


def proved(folder: Path) -> Facts:
    proof = wa.prove(wa.read_study(folder, on=ON))
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


@pytest.mark.parametrize("code", list(CASES))
def test_a_gap_that_is_struck_out_is_told(code: str, tmp_path: Path) -> None:
    folder = write_small_study(tmp_path / "study")
    CASES[code](folder)
    facts = proved(folder)
    assert code in {gap["code"] for gap in facts["gaps"]}
    assert told(folder, facts) == []
    said = told(folder, strike(facts, code))
    assert any(f"the gap {code} of" in one for one in said)
    assert any("not told" in one and code in one and one.startswith("circuit") for one in said)


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
