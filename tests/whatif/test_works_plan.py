"""Works that must not overlap, and orders that lose nothing: every one is replayed by digging."""

from __future__ import annotations

import random
from dataclasses import replace
from itertools import permutations
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import waysapart as wa
from dig_plant import two_ways, with_powers
from everyday import some
from oracle_plant import read_plant
from oracle_records import Plant
from random_plant import write_random_study
from waysapart.study.model import Study
from whatif_oracle import lost_circuits


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return with_powers(two_ways()).read(tmp_path_factory.mktemp("works") / "study")


def table(*rows: tuple[str, str, str, str], **more: list[str]) -> pd.DataFrame:
    """Rows of id, first and last day in May 2026, assets."""
    frame = pd.DataFrame(rows, columns=["id", "from", "to", "assets"])
    for column in ("from", "to"):
        frame[column] = "2026-05-" + frame[column]
    return frame.assign(**more)


def lost_on(study: Study, facts: dict[str, Any], works: pd.DataFrame) -> dict[str, set[str]]:
    """Circuits lost on every day of the proposed plan, dug day by day."""
    taken = dict(zip(works["id"], works["assets"], strict=True))
    back = dict(zip(works["id"], works.get("restores", [""] * len(works)), strict=True))
    days = {row["id"]: (row["from"], row["to"]) for row in facts["order"]}
    found = {}
    first, last = min(d[0] for d in days.values()), max(d[1] for d in days.values())
    for day in pd.date_range(first, last).strftime("%Y-%m-%d"):
        active = [one for one, (begin, end) in days.items() if begin <= day <= end]
        done = [one for one, (_, end) in days.items() if end < day]
        restored = {asset for one in done for asset in str(back[one]).split(";")}
        out = tuple(one for one in study.out if one not in restored)
        assets = [asset for one in active for asset in taken[one].split(";")]
        if assets:
            rows = wa.dig(replace(study, out=out), assets=assets).facts()["circuits"]
            found[day] = {row["id"] for row in rows if row["state"] == "lost"}
    return found


def test_two_works_on_two_paths_must_not_overlap(study: Study) -> None:
    """As planned they meet on the 5th; the second is put off until the first is done."""
    works = table(("W1", "04", "05", "d2"), ("W2", "05", "06", "e2"))
    plan = wa.plan_works(study, works)
    facts = plan.facts()
    assert facts["clashes"] == [{"works": ["W1", "W2"], "lost": ["K"]}]
    assert [(row["from"], row["works"], row["lost"]) for row in facts["as_planned"]] == [
        ("2026-05-04", ["W1"], []),
        ("2026-05-05", ["W1", "W2"], ["K"]),
        ("2026-05-06", ["W2"], []),
    ]
    assert [(row["id"], row["from"], row["to"]) for row in facts["order"]] == [
        ("W1", "2026-05-04", "2026-05-05"),
        ("W2", "2026-05-06", "2026-05-07"),
    ]
    assert facts["loses_nothing"]
    assert facts["exact"]
    assert plan.exit_code() == 1
    assert not any(lost_on(study, facts, works).values())


def test_works_on_one_path_may_overlap_and_keep_their_days(study: Study) -> None:
    plan = wa.plan_works(study, table(("W1", "04", "08", "d2"), ("W2", "05", "06", "d3")))
    facts = plan.facts()
    assert facts["clashes"] == []
    assert [(row["id"], row["from"]) for row in facts["order"]] == [
        ("W1", "2026-05-04"),
        ("W2", "2026-05-05"),
    ]
    assert plan.exit_code() == 0


def test_the_repair_comes_first(study: Study) -> None:
    """d1 is out. W1 on the alternate would cut the last path; W2 repairs d1, so it must be done
    before, though it was planned for later."""
    works = table(("W1", "04", "05", "e2"), ("W2", "06", "07", "d1"), restores=["", "d1"])
    out = replace(study, out=("d1",))
    facts = wa.plan_works(out, works).facts()
    assert [(row["id"], row["from"]) for row in facts["order"]] == [
        ("W2", "2026-05-06"),
        ("W1", "2026-05-08"),
    ]
    assert facts["loses_nothing"]
    assert not any(lost_on(out, facts, works).values())
    assert facts["as_planned"][0]["lost"] == ["K"]


def test_a_work_that_takes_both_paths_by_itself_is_told_with_the_reason(study: Study) -> None:
    facts = wa.plan_works(study, table(("W1", "04", "05", "A"))).facts()
    assert not facts["loses_nothing"]
    assert facts["order"][0]["lost"] == ["K"]
    (reason,) = facts["reasons"]
    assert reason == ("W1 alone puts every path of K out of service, whatever else is in service")


def test_a_work_that_cannot_wait_for_a_repair_names_what_is_out(study: Study) -> None:
    facts = wa.plan_works(replace(study, out=("d1",)), table(("W1", "04", "05", "e2"))).facts()
    (reason,) = facts["reasons"]
    assert reason == "W1 puts the last path of K out of service while d1 is out of service"


def test_order_asked_for_is_kept(study: Study) -> None:
    works = table(("W1", "04", "04", "d1"), ("W2", "04", "04", "d2"), after=["W2", ""])
    facts = wa.plan_works(study, works).facts()
    assert [(row["id"], row["from"]) for row in facts["order"]] == [
        ("W2", "2026-05-04"),
        ("W1", "2026-05-05"),
    ]


def test_three_that_clash_only_together(tmp_path: Path) -> None:
    """Three paths, one work on each: any two may overlap, all three must not."""
    plant = two_ways()
    plant.segment("f1", "duct", "A", (2000.0, 500.0), "B")
    plant.listed("CT", "f1")
    plant.rows["circuit_paths"].append({"circuit": "K", "path": "third", "seq": 1, "link": "L-CT"})
    study = plant.read(tmp_path / "study")
    works = table(*((f"W{n}", "04", "04", one) for n, one in enumerate(("d1", "e1", "f1"))))
    facts = wa.plan_works(study, works).facts()
    assert facts["clashes"] == [{"works": ["W0", "W1", "W2"], "lost": ["K"]}]
    assert facts["clashes_up_to"] == 3
    assert facts["loses_nothing"]


def test_groups_must_not_be_lost_by_works_that_each_lose_one_member(tmp_path: Path) -> None:
    """K and K2 back each other up, each with one path only: the works lose the group together."""
    plant = two_ways()
    plant.rows["circuits"] += [{"id": "K2", "a": "RA", "b": "RB", "service": ""}]
    for row in plant.rows["circuits"]:
        row["group"] = "G"
    plant.rows["circuit_paths"] = [
        {"circuit": "K", "path": "main", "seq": 1, "link": "L-CM"},
        {"circuit": "K2", "path": "main", "seq": 1, "link": "L-CA"},
    ]
    study = plant.read(tmp_path / "study")
    works = table(("W1", "04", "04", "d1"), ("W2", "04", "04", "e1"))
    assert wa.plan_works(study, works).facts()["clashes"] == [
        {"works": ["W1", "W2"], "lost": ["G"]}
    ]


@pytest.mark.parametrize("seed", some(range(8), every=8))
def test_no_order_loses_less_than_the_one_proposed(seed: int, tmp_path: Path) -> None:
    """Four works on a random study, two of which bring back what is out, in all 24 orders."""
    folder = write_random_study(
        tmp_path / "study", 9300 + seed, out=0.0, waivers=0.0, groups=0.0, gaps=0.0
    )
    plant, rng = read_plant(folder), random.Random(seed)
    assets = sorted(plant.assets)
    out = tuple(rng.sample(assets, 2))
    works = pd.DataFrame(
        {
            "id": ["W1", "W2", "W3", "W4"],
            "from": ["2026-05-04"] * 4,
            "to": ["2026-05-04", "2026-05-05", "2026-05-06", "2026-05-04"],
            "assets": [";".join(rng.sample(assets, 2)) for _ in range(4)],
            "restores": [*out, "", ""],
        }
    )
    study = replace(wa.read_study(folder), out=out)
    facts = wa.plan_works(study, works).facts()
    mine = _lost_in(plant, works, [row["id"] for row in facts["order"]], out)
    best = min(_lost_in(plant, works, list(one), out) for one in permutations(works["id"]))
    assert mine == best
    # Day by day, the plan loses no circuit that its order does not.
    told = {circuit for row in facts["order"] for circuit in row["lost"]}
    for day, lost in lost_on(study, facts, works).items():
        days = {row["id"]: row["to"] for row in facts["order"]}
        back = {
            asset
            for one, last in days.items()
            if last < day
            for asset in works.set_index("id").loc[one, "restores"].split(";")
        }
        idle = lost_circuits(plant, set(out) - back)
        assert lost - idle <= told


def _lost_in(plant: Plant, works: pd.DataFrame, order: list[str], out: tuple[str, ...]) -> int:
    """How many circuits an order loses, one work at a time, beyond what is lost anyhow."""
    rows = works.set_index("id")
    down, lost = set(out), 0
    for one in order:
        idle = lost_circuits(plant, down)
        during = lost_circuits(plant, down | set(rows.loc[one, "assets"].split(";")))
        lost += len(during - idle)
        down -= set(rows.loc[one, "restores"].split(";"))
    return lost


def test_many_works_are_ordered_too_and_say_that_it_is_not_certain(study: Study) -> None:
    works = table(
        *((f"W{n:02d}", "04", "04", "d1" if n % 2 else "e1") for n in range(14)),
        restores=["d1", *[""] * 13],
    )
    facts = wa.plan_works(replace(study, out=("d1",)), works).facts()
    assert not facts["exact"]
    assert len(facts["order"]) == 14
    assert wa.plan_works(study, works.drop(columns="restores")).exact


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"id": ["W1", "W1"]}, "another work has this id"),
        ({"id": ["W1", None]}, "id is blank"),
        ({"from": ["4 May", "2026-05-04"]}, "expected a date"),
        ({"to": ["2026-05-01", "2026-05-06"]}, "ends before it begins"),
        ({"assets": ["d2", "d9"]}, "no asset has the id 'd9'"),
        ({"assets": ["d2", ""]}, "hits nothing"),
        ({"restores": ["d2", ""]}, "not out of service"),
        ({"after": ["W9", ""]}, "no work has the id"),
        ({"after": ["W2", "W1"]}, "waits for itself"),
    ],
)
def test_faults_of_a_table_are_told_with_their_row(
    study: Study, change: dict[str, list[Any]], says: str
) -> None:
    works = table(("W1", "04", "05", "d2"), ("W2", "05", "06", "e2")).assign(**change)
    with pytest.raises(wa.StudyError) as caught:
        wa.plan_works(study, works)
    (problem,) = caught.value.problems
    assert says in problem.message
    assert problem.row in (1, 2)


def test_works_come_from_files(study: Study, tmp_path: Path) -> None:
    path = tmp_path / "works.csv"
    table(("W1", "04", "05", "d2"), ("W2", "05", "06", "e2")).to_csv(path, index=False)
    assert len(wa.plan_works(study, path).facts()["clashes"]) == 1
    with pytest.raises(wa.StudyError, match="no such file"):
        wa.plan_works(study, tmp_path / "nothing.csv")
    with pytest.raises(wa.StudyError, match="needs from, to"):
        wa.plan_works(study, pd.DataFrame({"id": ["W1"]}))
    with pytest.raises(wa.StudyError, match="no row"):
        wa.plan_works(study, pd.DataFrame({"id": np.array([], dtype=str)}))
