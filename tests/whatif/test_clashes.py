"""Works that only together lose a circuit: all smallest sets, of any number of works."""

from __future__ import annotations

import random
from itertools import combinations
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

import waysapart as wa
import waysapart.whatif.clashes as clashing
from commands import run
from dig_plant import two_ways
from everyday import some
from oracle_plant import read_plant
from oracle_records import Plant, ids
from proofs import proof_of
from random_plant import write_random_study
from waysapart.study.model import Study
from whatif_oracle import cut, lost_circuits, ways


def works(*assets: str, days: str = "04") -> pd.DataFrame:
    """Works W0, W1, ... of one day, each on some assets."""
    return pd.DataFrame(
        {
            "id": [f"W{number}" for number in range(len(assets))],
            "from": f"2026-05-{days}",
            "to": f"2026-05-{days}",
            "assets": assets,
        }
    )


def five_ways(folder: Path) -> Study:
    """K with main, alternate and three further paths."""
    plant = two_ways()
    for number in (3, 4, 5):
        plant.segment(f"f{number}", "duct", "A", (2000.0, 100.0 * number), "B")
        plant.listed(f"C{number}", f"f{number}")
        plant.rows["circuit_paths"].append(
            {"circuit": "K", "path": f"p{number}", "seq": 1, "link": f"L-C{number}"}
        )
    return plant.read(folder)


def test_five_works_that_clash_only_all_at_once(tmp_path: Path) -> None:
    facts = wa.plan_works(five_ways(tmp_path), works("d1", "e1", "f3", "f4", "f5")).facts()
    assert facts["clashes"] == [{"works": ["W0", "W1", "W2", "W3", "W4"], "lost": ["K"]}]
    assert (facts["clashes_in_all"], facts["clashes_up_to"]) == (1, 5)
    assert facts["clashes_complete"]


def test_forty_works_are_looked_at_in_every_combination(tmp_path: Path) -> None:
    """8 works on each of five paths: 8 to the 5th clashes of five works, 500 of them listed."""
    rows = works(*(one for one in ("d1", "e1", "f3", "f4", "f5") for _ in range(8)))
    facts = wa.plan_works(five_ways(tmp_path), rows).facts()
    assert facts["clashes_in_all"] == 8**5
    assert len(facts["clashes"]) == 500
    assert {len(one["works"]) for one in facts["clashes"]} == {5}
    assert (facts["clashes_up_to"], facts["clashes_complete"]) == (40, True)


def test_the_two_batteries_of_a_relay_clash(tmp_path: Path) -> None:
    plant = two_ways()
    plant.rows["equipment"][0]["supplies"] = "BAT1;BAT2"
    for number in ("1", "2"):
        plant.rows["supplies"].append(
            {"id": f"BAT{number}", "site": "A", "within": "-", "needs": "-"}
        )
    facts = wa.plan_works(plant.read(tmp_path), works("BAT1", "d1", "BAT2")).facts()
    assert facts["clashes"] == [{"works": ["W0", "W2"], "lost": ["K"]}]


def test_what_is_not_looked_at_and_not_listed_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three works on each path, each with a relay battery of its own, so that none does the same
    as another. With room for 5 sets no combination is complete but that of one work."""
    plant = two_ways()
    for number in range(6):
        plant.rows["supplies"].append(
            {"id": f"BAT{number}", "site": "A", "within": "-", "needs": "-"}
        )
    plant.rows["equipment"][0]["supplies"] = ";".join(f"BAT{number}" for number in range(6))
    folder = plant.write(tmp_path / "study")
    pairs = [f"{one};BAT{n}" for n, one in enumerate(("d1", "d2", "d3", "e1", "e2", "e3"))]
    table = tmp_path / "plan.csv"
    works(*pairs).to_csv(table, index=False)
    whole = wa.plan_works(wa.read_study(folder), table).facts()
    assert (len(whole["clashes"]), whole["clashes_complete"]) == (9, True)
    monkeypatch.setattr(clashing, "MOST_SETS", 5)
    part = wa.plan_works(wa.read_study(folder), table).facts()
    assert (part["clashes_up_to"], part["clashes_complete"]) == (1, False)
    said = "not all combinations of more than 1 work were examined"
    assert said in run("dig", folder, "--plan", table).stdout
    monkeypatch.undo()
    monkeypatch.setattr(clashing, "MOST_LISTED", 4)
    assert "5 more clashes are not listed" in run("dig", folder, "--plan", table).stdout
    monkeypatch.setattr(clashing, "MOST_COUNTED", 8)
    some_listed = wa.plan_works(wa.read_study(folder), table).facts()
    assert (len(some_listed["clashes"]), some_listed["clashes_in_all"]) == (4, None)
    told = "there are too many clashes to count; 4 are listed"
    assert told in run("dig", folder, "--plan", table).stdout


@pytest.mark.parametrize("seed", some(range(12), every=8))
def test_every_smallest_set_is_found_and_none_is_made_up(seed: int, tmp_path: Path) -> None:
    """Up to eight works on a random study; every combination is played through by plain sets."""
    knobs: dict[str, Any] = {"boards": 0.8, "supply_elsewhere": 0.2, "groups": 1.0}
    folder = write_random_study(
        tmp_path / "study", 9800 + seed, circuits=(3, 4), waivers=0.0, **knobs
    )
    plant, proof, rng = read_plant(folder), proof_of(folder), random.Random(seed)
    rows = _drawn_works(plant, rng)
    taken = dict(zip(rows["id"], (one.split(";") for one in rows["assets"]), strict=True))
    lost = {
        frozenset(one): lost_circuits(plant, {*plant.out, *(a for w in one for a in taken[w])})
        for size in range(len(taken) + 1)
        for one in combinations(taken, size)
    }
    members: dict[str, set[str]] = {}
    for circuit in plant.circuits.values():
        if circuit.get("group"):
            members.setdefault(circuit["group"], set()).add(circuit["id"])
    recorded = lost_circuits(plant, plant.assets)
    for one, gone in lost.items():
        lost[one] = gone | {g for g, mine in members.items() if mine & recorded <= gone}
    expected = {
        one: mine
        for one, gone in lost.items()
        if len(one) > 1
        if (mine := gone - set().union(*(lost[one - {work}] for work in one)))
    }
    facts = wa.plan_works(proof, rows).facts()
    found = {frozenset(one["works"]): set(one["lost"]) for one in facts["clashes"]}
    assert found == expected
    assert facts["clashes_in_all"] == len(expected)


def _drawn_works(plant: Plant, rng: random.Random) -> pd.DataFrame:
    """Works that each take one way of a group or a circuit, or one supply of a machine on it."""
    fed = [*plant.of("equipment"), *plant.of("supplies")]
    several = {one.id: s for one in fed if len(s := ids(one.row.get("supplies"))) > 1}
    cut_by = {one: cut(plant, {one, *plant.out}) - cut(plant, plant.out) for one in plant.assets}
    by_way = {
        (circuit, label): sorted(one for one, gone in cut_by.items() if (circuit, label) in gone)
        for circuit, labels in ways(plant).items()
        for label in labels
    }
    grouped = sorted(one["id"] for one in plant.circuits.values() if one.get("group"))
    circuits = sorted({circuit for circuit, _ in by_way})
    wanted = grouped if grouped and rng.random() < 0.5 else rng.sample(circuits, 1)
    chosen: list[str] = []
    for way, assets in by_way.items():
        machines = [one for one in assets if one in several]
        if way[0] not in wanted or not assets:
            continue
        if machines and rng.random() < 0.7:
            chosen += several[rng.choice(machines)]
        single = [one for one in assets if len(cut_by[one]) <= 2]
        chosen.append(rng.choice(single or assets))
    chosen = list(dict.fromkeys(chosen))
    rng.shuffle(chosen)
    return works(*(chosen[:8] or ["P1"]))
