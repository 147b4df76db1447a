"""Whom to tell, day by day: every day is dug again as one event, contacts come from any layer."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

import waysapart as wa
from dig_plant import two_ways
from everyday import some
from random_plant import write_random_study
from waysapart.study.model import Study
from waysapart.whatif.crew import Contacts, sites_of, work_days


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """Two owners and a contact on record: of circuit K, of pit P2, of segment e2 and of site B."""
    plant = two_ways()
    plant.rows["circuits"][0]["owner"] = "Grid desk"
    plant.rows["circuits"][0]["contact"] = "duty 0555 0100"
    for row in plant.rows["structures"]:
        row["contact"] = "ducts 0555 0200" if row["id"] == "P2" else ""
    for row in plant.rows["segments"]:
        row["owner"] = "Ring works" if row["id"] == "e2" else ""
    for row in plant.rows["sites"]:
        row["contact"] = "gate 0555 0300" if row["id"] == "B" else ""
    return plant.read(tmp_path_factory.mktemp("crew") / "study")


def table(*rows: tuple[str, str, str, str], **more: list[str]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["id", "from", "to", "assets"])
    for column in ("from", "to"):
        frame[column] = "2026-05-" + frame[column]
    return frame.assign(**more)


def parties(study: Study, works: Any) -> dict[str, Any]:
    found = Contacts(works.base).parties(works.facts(), sites_of(works))
    return {", ".join(filter(None, [one["owner"], one["contact"]])): one for one in found}


def test_contacts_come_from_circuits_plant_and_sites(study: Study) -> None:
    """K goes on over its alternate; P2 and what ends there are hit; K ends at site B."""
    told = parties(study, wa.dig(study, assets=["P2", "e2"]))
    assert told["Grid desk, duty 0555 0100"]["circuits"] == {"lost": ["K"]}
    assert told["ducts 0555 0200"]["plant"] == ["P2"]
    assert told["Ring works"]["plant"] == ["e2"]
    assert told["gate 0555 0300"]["sites"] == ["B"]
    assert next(iter(told)) == "Grid desk, duty 0555 0100"


def test_what_nobody_answers_for_comes_last_and_is_never_left_out(study: Study) -> None:
    told = parties(study, wa.dig(study, assets=["d2"]))
    assert list(told)[-1] == ""
    assert told[""]["plant"] == ["d2"]
    assert told["Grid desk, duty 0555 0100"]["circuits"] == {"on-alternate": ["K"]}


def test_who_works_there_is_told_as_well(study: Study) -> None:
    works = table(
        ("W1", "04", "04", "d2"), contractor=["Ditch crew"], phone=["0555 0400"], contact=["lead"]
    )
    (day,) = work_days(wa.plan_works(study, works))
    crew = next(one for one in day["parties"] if one["owner"] == "Ditch crew")
    assert (crew["contact"], crew["works"]) == ("lead, 0555 0400", ["W1"])


def test_a_day_is_followed_with_all_its_works_together(study: Study) -> None:
    """Each of W1 and W2 leaves K one path; on the 5th, when both run, it is lost."""
    plan = wa.plan_works(study, table(("W1", "04", "05", "d2"), ("W2", "05", "06", "e2")))
    days = work_days(plan)
    assert [(one["from"], one["to"], one["works"]) for one in days] == [
        ("2026-05-04", "2026-05-04", ["W1"]),
        ("2026-05-05", "2026-05-05", ["W1", "W2"]),
        ("2026-05-06", "2026-05-06", ["W2"]),
    ]
    assert [one["lost"] for one in days] == [[], ["K"], []]
    assert [one["one_path"] for one in days] == [["K"], [], ["K"]]
    desk = [one["parties"][0]["circuits"] for one in days]
    assert desk == [{"on-alternate": ["K"]}, {"lost": ["K"]}, {"on-main": ["K"]}]


def test_hours_make_days_of_their_own(study: Study) -> None:
    works = table(("W1", "04T08:00", "04T12:00", "d2"), ("W2", "04T10:00", "04T16:00", "e2"))
    days = work_days(wa.plan_works(study, works))
    assert [(one["from"], one["to"], one["lost"]) for one in days] == [
        ("2026-05-04 08:00", "2026-05-04 10:00", []),
        ("2026-05-04 10:00", "2026-05-04 12:00", ["K"]),
        ("2026-05-04 12:00", "2026-05-04 16:00", []),
    ]


def test_what_earlier_works_restore_is_back_the_day_after(study: Study) -> None:
    """d1 is out until W1 is done: the same work on the alternate loses K before, not after."""
    works = table(
        ("W0", "03", "03", "e2"),
        ("W1", "04", "04", "d1"),
        ("W2", "05", "05", "e2"),
        restores=["", "d1", ""],
    )
    days = work_days(wa.plan_works(replace(study, out=("d1",)), works))
    assert [one["lost"] for one in days] == [["K"], [], []]
    assert [one["one_path"] for one in days] == [[], [], ["K"]]


def test_unknown_circuits_are_told_of_too(tmp_path: Path) -> None:
    """The second circuit's route is not on record: no day is known to leave it alone."""
    plant = two_ways()
    plant.rows["links"].append(
        {"id": "L-X", "a": "RA", "b": "RB", "wavelength_nm": "", "medium": "leased"}
    )
    plant.rows["circuits"].append({"id": "X", "a": "RA", "b": "RB", "service": ""})
    for path in ("main", "alternate"):
        plant.rows["circuit_paths"].append({"circuit": "X", "path": path, "seq": 1, "link": "L-X"})
    plan = wa.plan_works(plant.read(tmp_path / "study"), table(("W1", "04", "04", "d2")))
    (day,) = work_days(plan)
    assert day["unknown"] == ["X"]
    assert day["parties"][-1]["circuits"] == {"on-alternate": ["K"], "unknown": ["X"]}


@pytest.mark.parametrize("seed", some(range(8), every=8))
def test_every_day_of_a_random_plan_is_one_dig(seed: int, tmp_path: Path) -> None:
    """Five works on three days, one of which restores what is out, dug again day by day."""
    folder = write_random_study(tmp_path / "study", 7700 + seed, waivers=0.0, out=0.0)
    study = wa.read_study(folder)
    rng = random.Random(seed)
    network = wa.tie(study)
    assets = sorted(network.assets.frame["id"].astype(str))
    out = rng.choice(assets)
    study = replace(study, out=(out,))
    rows = []
    for number in range(5):
        first = rng.randint(4, 6)
        rows.append(
            (
                f"W{number}",
                f"{first:02d}",
                f"{rng.randint(first, 6):02d}",
                ";".join(rng.sample(assets, 2)),
            )
        )
    works = table(*rows, restores=[out, "", "", "", ""])
    plan = wa.plan_works(study, works)
    periods = plan.facts()["as_planned"]
    for day, period in zip(work_days(plan), periods, strict=True):
        assert set(day["over_limit"]) == set(period["over_limit"])
        assert set(day["limits_unknown"]) == set(period["limits_unknown"])
        assert {*day["lost"], *day["groups"]} >= set(period["lost"])
        mine = works[works["id"].isin(day["works"])]
        first = works.iloc[0]
        back = first["to"] < day["from"]
        then = replace(study, out=() if back else (out,))
        facts = wa.dig(then, assets=[a for row in mine["assets"] for a in row.split(";")]).facts()
        touched = [one for one in facts["circuits"] if one["touched"]]
        assert set(day["lost"]) == {one["id"] for one in touched if one["state"] == "lost"}
        assert set(day["one_path"]) == {one["id"] for one in touched if len(one["running"]) == 1}
        assert set(day["over_limit"]) == {
            one["id"] for one in touched if one["within_limits"] is False
        }
        assert day["unknown"] == facts["unknown"]
        assert set(day["weakened"]) == {one["id"] for one in facts["circuits"] if one["weakened"]}
        told = {
            name for one in day["parties"] for some_ in one["circuits"].values() for name in some_
        }
        assert told >= set(facts["notice"]["tell"]) | set(facts["notice"]["unsure"])
