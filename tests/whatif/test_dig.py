"""What an excavation hits, and what it does, on a plant drawn by hand.

      A ---- P1 ---- P2 ---- P3 ---- B      ducts d1..d4, y = 0; main
      |                              |
      Q1 ----------- Q2 ------------ Q3     ducts e1..e4, y = -400; alternate

A at (0, 0), B at (4000, 0), pits every 1000 m; Q1, Q2, Q3 at x = 0, 2000, 4000.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import shapely

import waysapart as wa
from dig_plant import area, degrees, two_ways, with_powers
from drawn_plant import CRS, DrawnPlant
from waysapart.study.model import Study

Read = Callable[[DrawnPlant], Study]


@pytest.fixture
def read(tmp_path: Path) -> Read:
    return lambda plant: plant.read(tmp_path / "study")


@pytest.fixture
def study(read: Read) -> Study:
    return read(two_ways())


def state(works: wa.Dig) -> dict[str, Any]:
    found: dict[str, Any] = works.facts()["circuits"][0]
    return found


def test_a_dig_on_one_path_leaves_the_other(study: Study) -> None:
    """A square round P2 takes P2 and the two ducts that meet there; K runs on its alternate.

    What would lose it next is all that the alternate relies on, and nothing of the main way alone.
    """
    works = wa.dig(study, area(shapely.box(1990, -10, 2010, 10)))
    assert works.facts()["hit"] == ["P2", "d2", "d3"]
    row = state(works)
    assert (row["state"], row["running"], row["cut"]) == ("on-alternate", ["alternate"], ["main"])
    assert {"CA", "e1", "e2", "e3", "e4", "Q1", "Q2", "Q3", "A", "B", "RA", "RB"} == set(
        row["next"]
    )
    assert works.exit_code() == 1
    assert works.facts()["links"] == ["L-CM"]
    assert works.facts()["cables"] == [
        {
            "cable": "CM",
            "at": ["P2", "d2", "d3"],
            "fibres": 24,
            "fibres_down": [],
            "links": ["L-CM"],
        }
    ]


def test_a_dig_between_the_paths_takes_nothing(study: Study) -> None:
    """What is shared (the ends, and their sites) would lose it as before."""
    works = wa.dig(study, area(shapely.box(1000, -300, 3000, -100)))
    assert works.facts()["hit"] == []
    row = state(works)
    assert row["state"] == "untouched"
    assert set(row["next"]) == {"A", "B", "RA", "RB"}
    assert works.exit_code() == 0
    assert works.facts()["area"]["nearest_m"] == pytest.approx(100, abs=0.1)


def test_one_area_across_both_paths_loses_the_circuit(study: Study) -> None:
    works = wa.dig(study, area(shapely.box(1500, -450, 1510, 50)))
    assert works.facts()["hit"] == ["d2", "e2"]
    assert state(works)["state"] == "lost"
    assert state(works)["next"] == []
    assert works.facts()["notice"]["tell"] == ["K"]


def test_several_features_are_dug_at_once(study: Study) -> None:
    """A point on d1 and a line on e3, each harmless to the other path: together they lose K."""
    works = wa.dig(
        study, area(shapely.Point(500, 0), shapely.LineString([(3000, -400.2), (3100, -400.2)]))
    )
    assert works.facts()["hit"] == ["d1", "e3"]
    assert [row["feature"] for row in works.facts()["hits"]] == [1, 2]
    assert state(works)["state"] == "lost"


@pytest.mark.parametrize("crs", [CRS, "EPSG:4326", "EPSG:3857", "EPSG:25831"])
def test_any_coordinate_system_hits_the_same(study: Study, crs: str) -> None:
    works = wa.dig(study, area(shapely.box(1990, -10, 2010, 10), crs=crs))
    assert works.facts()["hit"] == ["P2", "d2", "d3"]


@pytest.mark.parametrize(("radius_m", "hit"), [(98.5, []), (99.1, ["d2"])])
def test_a_radius_is_measured_on_the_ground_and_grows_by_the_survey(
    study: Study, radius_m: float, hit: list[str]
) -> None:
    """100 m south of d2. Surveyed to 1 m by default: 99 m reach it, and 98.5 m do not."""
    works = wa.dig(study, at=degrees(1500, -100), radius_m=radius_m)
    assert works.facts()["hit"] == hit


def test_the_accuracy_asked_for_holds_for_everything(study: Study) -> None:
    assert wa.dig(study, at=degrees(1500, -100), radius_m=99.5, accuracy_m=0).facts()["hit"] == []
    assert wa.dig(study, at=degrees(1500, -100), radius_m=80, accuracy_m=20.1).facts()["hit"] == [
        "d2"
    ]


def test_a_record_of_its_own_accuracy_counts_before_the_default(read: Read) -> None:
    """d2 is surveyed to 10 m, e2 to 0.1 m: halfway from both, 200 m away."""
    plant = two_ways()
    for row in plant.rows["segments"]:
        row["accuracy_m"] = {"d2": 10, "e2": 0.1}.get(str(row["id"]))
    study = read(plant)
    assert wa.dig(study, at=degrees(1500, -200), radius_m=195).facts()["hit"] == ["d2"]
    assert wa.dig(study, at=degrees(1500, -200), radius_m=200.2).facts()["hit"] == ["d2", "e2"]


def test_lines_have_a_reach(study: Study) -> None:
    """A water main along y = -30."""
    main = area(shapely.LineString([(1200, -30), (1800, -30)]))
    assert wa.dig(study, main).facts()["hit"] == []
    assert wa.dig(study, main, reach_m=29.5).facts()["hit"] == ["d2"]


def test_a_site_takes_all_that_stands_there(study: Study) -> None:
    """The relay falls through its site, and with it both paths."""
    works = wa.dig(study, assets=["A"])
    assert works.facts()["fallen"] == [
        {"asset": "RA", "role": "equipment", "kind": None, "through": ["A"]}
    ]
    assert state(works)["state"] == "lost"


def test_both_batteries_at_once_lose_what_neither_loses_alone(read: Read) -> None:
    """The relay at A is fed by BAT1 and BAT2, which have nothing in common."""
    plant = two_ways()
    plant.rows["equipment"][0]["supplies"] = "BAT1;BAT2"
    plant.rows["supplies"] += [
        {"id": f"BAT{n}", "site": "A", "within": f"RM{n}", "needs": "-"} for n in (1, 2)
    ]
    plant.rows["holders"] += [{"id": f"RM{n}", "kind": "room", "within": "-"} for n in (1, 2)]
    study = read(plant)
    one = wa.dig(study, assets=["RM1"])
    assert state(one)["state"] == "untouched"
    assert {"BAT2", "RM2"} <= set(state(one)["next"])
    both = wa.dig(study, assets=["RM1", "RM2"])
    assert state(both)["state"] == "lost"
    why = {row["asset"]: row["through"] for row in both.facts()["fallen"]}
    assert why == {"BAT1": ["RM1"], "BAT2": ["RM2"], "RA": ["BAT1", "BAT2"]}


def test_what_is_out_of_service_counts_as_lost_already(study: Study) -> None:
    """With e2 out, a dig on d2 loses K; elsewhere it stays on its one path, and says so."""
    out = replace(study, out=("e2",))
    assert state(wa.dig(out, assets=["d2"]))["state"] == "lost"
    elsewhere = wa.dig(out, area(shapely.box(1000, -300, 1100, -200)))
    row = state(elsewhere)
    assert (row["state"], row["cut"], row["out"]) == ("on-main", [], ["alternate"])
    assert not row["touched"]
    assert elsewhere.exit_code() == 1


def test_the_path_that_still_runs_is_held_against_its_limits(read: Read) -> None:
    """The alternate is 4.8 km and the main 4 km. 5 dB of budget are too little for either with
    3 dB to spare: 2 connectors take 1.0 dB, the fibre 1.4 dB. A delay limit of 1 us is broken too.
    """
    plant = two_ways()
    for row in plant.rows["links"]:
        row |= {"tx_min_dbm": -10, "rx_min_dbm": -15}
    folder = read(plant).folder
    (folder / "rules.toml").write_text("[services.default]\nmax_delay_us = 1\n", encoding="utf-8")
    with (folder / "study.toml").open("a", encoding="utf-8") as settings:
        settings.write('rules = "rules.toml"\n')
    study = wa.read_study(folder)
    row = state(wa.dig(study, assets=["d1"]))
    assert (row["state"], row["loss_ok"], row["delay_ok"]) == ("on-alternate", False, False)
    assert row["within_limits"] is False
    # 4.8 km of G.652.D with 0 % overlength at 1.4677: 4800 x 1.4677 / 299.792458 = 23.50 us
    assert row["delay_us"] == pytest.approx(23.50, abs=0.02)


def test_a_gap_that_touches_an_untouched_circuit_makes_it_unknown(read: Read) -> None:
    """The alternate's records leave out e2: nobody knows where it runs, so nobody can say that a
    dig between the paths misses it."""
    plant = two_ways()
    plant.rows["cable_runs"] = [r for r in plant.rows["cable_runs"] if r["segment"] != "e2"]
    study = read(plant)
    works = wa.dig(study, area(shapely.box(1000, -300, 1100, -200)))
    assert state(works)["state"] == "unknown"
    assert works.exit_code() == 3
    assert works.facts()["notice"]["unsure"] == ["K"]
    assert state(wa.dig(study, assets=["d2"]))["state"] == "on-alternate"


def test_ways_that_run_on_with_a_delay_that_nobody_knows_are_no_clean_answer(read: Read) -> None:
    """RA has no delay on record: two of three paths still run, how long they take is open."""
    plant = with_powers(two_ways())
    plant.segment("f1", "duct", "A", (2000.0, 500.0), "B")
    plant.listed("CT", "f1")
    with_powers(plant).rows["equipment"][0]["delay_us"] = ""
    plant.rows["circuit_paths"].append({"circuit": "K", "path": "third", "seq": 1, "link": "L-CT"})
    one = wa.dig(read(plant), assets=["d1"])
    assert state(one)["delay_ok"] is None
    assert one.exit_code() == 3


def test_a_third_path_is_named_by_its_label(read: Read) -> None:
    plant = two_ways()
    plant.segment("f1", "duct", "A", (2000.0, 500.0), "B")
    plant.listed("CT", "f1")
    plant.rows["circuit_paths"].append({"circuit": "K", "path": "third", "seq": 1, "link": "L-CT"})
    study = read(with_powers(plant))
    one = wa.dig(study, assets=["d1"])
    assert state(one)["state"] == "on-alternate"
    assert state(one)["running"] == ["alternate", "third"]
    assert one.exit_code() == 0, "two of three ways still run, within limits"
    two = wa.dig(study, assets=["d1", "e1"])
    assert state(two)["state"] == "on-third"
    assert two.exit_code() == 1


def test_groups_drop_together_though_each_member_has_another_path(read: Read) -> None:
    """K and K2 both have their main way in CM: a dig on it drops both while they switch over."""
    plant = two_ways()
    plant.rows["circuits"][0]["group"] = "G"
    plant.rows["circuits"].append({"id": "K2", "a": "RA", "b": "RB", "service": "", "group": "G"})
    for path, cable in (("main", "CM"), ("alternate", "CA")):
        plant.rows["circuit_paths"].append(
            {"circuit": "K2", "path": path, "seq": 1, "link": f"L-{cable}"}
        )
    study = read(plant)
    group = wa.dig(study, assets=["d2"]).facts()["groups"][0]
    assert (group["state"], group["running"]) == ("dropped", ["K", "K2"])
    assert wa.dig(study, assets=["e2"]).facts()["groups"][0]["state"] == "weakened"
    assert wa.dig(study, assets=["d2", "e2"]).facts()["groups"][0]["state"] == "lost"


def test_outage_is_the_same_for_planned_work(study: Study) -> None:
    assert wa.outage(study, assets=["d2"]).facts() == wa.dig(study, assets=["d2"]).facts()


def test_a_proof_and_its_study_give_the_same(study: Study) -> None:
    assert wa.dig(wa.prove(study), assets=["d2"]).facts() == wa.dig(study, assets=["d2"]).facts()
