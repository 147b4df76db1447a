"""What does an asset rely on that any one of several supplies keeps up, boards included?

RA at A is fed by board BRD; rectifiers RECT1 and RECT2 stand in rooms RM1 and RM2 of
house HOUSE. Both ways of circuit K end at RA, so what RA relies on is `unavoidable`.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import waysapart as wa
from dig_plant import two_ways
from drawn_plant import DrawnPlant
from waysapart.recheck import recheck
from waysapart.study.model import Study

Read = Callable[[DrawnPlant], Study]


@pytest.fixture
def read(tmp_path: Path) -> Read:
    return lambda plant: plant.read(tmp_path / "study")


def boards(**supplies: str) -> DrawnPlant:
    """Two rectifiers in two rooms of one house, and boards, each with what feeds it."""
    plant = two_ways()
    plant.rows["holders"] = [
        {"id": "HOUSE", "kind": "building", "within": "-"},
        *({"id": f"RM{n}", "kind": "room", "within": "HOUSE"} for n in (1, 2)),
    ]
    for n in (1, 2):
        supply(plant, f"RECT{n}", within=f"RM{n}")
    for board, feeding in supplies.items():
        supply(plant, board, supplies=feeding)
    return plant


def supply(plant: DrawnPlant, name: str, **cells: Any) -> None:
    plant.rows["supplies"].append(
        {"id": name, "site": "A", "within": "-", "supplies": "", "needs": "-", **cells}
    )


def relied(study: Study) -> set[str]:
    """What the relay at A relies on, with its own id and site left out."""
    (circuit,) = wa.prove(study).facts()["circuits"]
    return set(circuit["unavoidable"]) - {"RA", "A", "RB", "B"}


def told(facts: dict[str, Any]) -> list[tuple[str, str]]:
    """Gaps that leave open what is shared; those of limits alone are not asked for here."""
    return [(one["code"], one["asset"]) for one in facts["gaps"] if one["bears_on"] != "limits"]


def lost(study: Study, *assets: str) -> bool:
    (row,) = wa.dig(study, assets=list(assets)).facts()["circuits"]
    return bool(row["state"] == "lost")


def test_a_board_fed_by_either_rectifier_relies_on_what_both_have_in_common(read: Read) -> None:
    """The board and the house; neither rectifier, neither room. Both rooms together lose it."""
    plant = boards(BRD="RECT1;RECT2")
    plant.rows["equipment"][0]["supplies"] = "BRD"
    study = read(plant)
    assert relied(study) == {"BRD", "HOUSE"}
    assert not lost(study, "RM1")
    assert not lost(study, "RECT2")
    assert lost(study, "RM1", "RECT2")


def test_a_board_with_one_supply_relies_on_it(read: Read) -> None:
    plant = boards(BRD="RECT1")
    plant.rows["equipment"][0]["supplies"] = "BRD"
    assert relied(read(plant)) == {"BRD", "RECT1", "RM1", "HOUSE"}


def test_either_board_each_with_either_rectifier(read: Read) -> None:
    """RA hangs on two boards: neither counts, but the house behind all of it does."""
    plant = boards(BRD1="RECT1;RECT2", BRD2="RECT2;RECT1")
    plant.rows["equipment"][0]["supplies"] = "BRD1;BRD2"
    study = read(plant)
    assert relied(study) == {"HOUSE"}
    assert lost(study, "BRD1", "BRD2")
    assert lost(study, "RECT1", "RECT2")
    assert not lost(study, "BRD1", "RECT2")


def test_two_boards_with_a_tie_do_not_feed_each_other_out_of_nothing(read: Read) -> None:
    """Each board has a rectifier of its own and the other board. RA hangs on BRD1.

    One rectifier may go, and BRD2 with the other's; both may not: the tie feeds nothing.
    """
    plant = boards(BRD1="RECT1;BRD2", BRD2="RECT2;BRD1")
    plant.rows["equipment"][0]["supplies"] = "BRD1"
    study = read(plant)
    assert relied(study) == {"BRD1", "HOUSE"}
    assert not lost(study, "RECT1")
    assert not lost(study, "RECT2", "BRD2")
    assert lost(study, "RECT1", "RECT2")
    assert lost(study, "RECT1", "BRD2")


def test_a_ring_of_three_boards_with_one_source(read: Read) -> None:
    """BRD1, BRD2, BRD3 feed each other round; only BRD1 has a rectifier. RA hangs on BRD3.

    BRD3 is fed by BRD1 at once or through BRD2: it relies on BRD1 and its rectifier.
    """
    plant = boards(BRD1="RECT1;BRD2;BRD3", BRD2="BRD1;BRD3", BRD3="BRD1;BRD2")
    plant.rows["equipment"][0]["supplies"] = "BRD3"
    study = read(plant)
    assert relied(study) == {"BRD3", "BRD1", "RECT1", "RM1", "HOUSE"}
    assert not lost(study, "BRD2")


def test_boards_that_only_feed_each_other_are_a_gap(read: Read) -> None:
    plant = boards(BRD1="BRD2", BRD2="BRD1")
    plant.rows["equipment"][0]["supplies"] = "BRD1"
    facts = wa.prove(read(plant)).facts()
    assert told(facts) == [
        ("supply-loop", "BRD1"),
        ("supply-loop", "BRD2"),
    ]
    (circuit,) = facts["circuits"]
    assert circuit["verdict"] == "unproven"


def test_with_one_rectifier_out_of_service_the_board_relies_on_the_other(read: Read) -> None:
    """Its room as well; the room of the one that is out takes nothing any more."""
    plant = boards(BRD="RECT1;RECT2")
    plant.rows["equipment"][0]["supplies"] = "BRD"
    plant.settings = 'out = ["RM1"]\n'
    assert relied(read(plant)) == {"BRD", "RECT2", "RM2", "HOUSE"}


def test_with_a_rectifier_out_of_service_its_tied_board_relies_on_the_other_side(
    read: Read,
) -> None:
    plant = boards(BRD1="RECT1;BRD2", BRD2="RECT2;BRD1")
    plant.rows["equipment"][0]["supplies"] = "BRD1"
    plant.settings = 'out = ["RECT1"]\n'
    assert relied(read(plant)) == {"BRD1", "BRD2", "RECT2", "RM2", "HOUSE"}


@pytest.mark.parametrize("hangs_on", ["BRD1", "BRD1;BRD2", "BRD2;RECT1"])
@pytest.mark.parametrize("out", ["", 'out = ["RECT2"]\n'])
def test_recheck_confirms_it(read: Read, hangs_on: str, out: str) -> None:
    plant = boards(BRD1="RECT1;BRD2", BRD2="RECT2;BRD1")
    plant.rows["equipment"][0]["supplies"] = hangs_on
    plant.settings = out
    study = read(plant)
    evidence = study.folder / "evidence.json"
    evidence.write_text(json.dumps(wa.prove(study).facts()), encoding="utf-8")
    found = recheck(study.folder, evidence)
    assert found["false"] == []


def test_pairs_of_events_reach_through_boards(read: Read) -> None:
    """RECT1 and RECT2 alone take nothing; together they take BRD, and with it RA and K."""
    plant = boards(BRD="RECT1;RECT2")
    plant.rows["equipment"][0]["supplies"] = "BRD"
    pairs = wa.worst(wa.prove(read(plant)), top=10_000).pairs.frame
    listed = {
        frozenset((one, other))
        for row in pairs.to_dict("records")
        for one in row["a"]
        for other in row["b"]
    }
    assert {frozenset(pair) for pair in (("RECT1", "RECT2"), ("RM1", "RM2"))} <= listed
    assert frozenset(("RECT1", "RM1")) not in listed


def test_why_a_board_falls_is_told_by_its_supplies(read: Read) -> None:
    plant = boards(BRD="RECT1;RECT2")
    plant.rows["equipment"][0]["supplies"] = "BRD"
    works = wa.dig(read(plant), assets=["RECT1", "RM2"])
    why = {row["asset"]: row["through"] for row in works.facts()["fallen"]}
    assert why == {"RECT2": ["RM2"], "BRD": ["RECT1", "RECT2"], "RA": ["BRD"]}


@pytest.mark.parametrize(("blank", "code"), [("within", "blank-within"), ("needs", "blank-needs")])
def test_what_nobody_recorded_of_one_of_two_batteries_leaves_open_what_both_share(
    read: Read, blank: str, code: str
) -> None:
    """RA relies on neither rectifier, but the blank room or charger may be that of the other."""
    plant = boards(BRD="RECT1;RECT2")
    plant.rows["equipment"][0]["supplies"] = "BRD"
    (circuit,) = wa.prove(read(plant)).facts()["circuits"]
    assert circuit["verdict"] == "apart"
    plant.rows["supplies"][1][blank] = ""
    (circuit,) = wa.prove(read(plant)).facts()["circuits"]
    assert circuit["verdict"] == "unproven"
    assert told(circuit) == [(code, "RECT2")]
