"""Supplies that stand in for what is out, and single things that become fatal meanwhile."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import pytest

import waysapart as wa
from commands import run
from dig_plant import two_ways
from drawn_plant import DrawnPlant
from everyday import some
from oracle_plant import read_plant
from oracle_records import ids
from proofs import proof_of
from random_plant import write_random_study
from whatif_oracle import lost_circuits, newly_fatal, stand_ins


def two_batteries(machine: str = "RA") -> DrawnPlant:
    """Relay RA, or another machine at A, is fed by either of two batteries in a room each."""
    plant = two_ways()
    for row in plant.rows["equipment"]:
        if row["id"] == machine:
            row["supplies"] = "BAT1;BAT2"
    for number in ("1", "2"):
        plant.rows["holders"].append({"id": f"ROOM{number}", "kind": "room", "within": "-"})
        plant.rows["supplies"].append(
            {"id": f"BAT{number}", "site": "A", "within": f"ROOM{number}", "needs": "-"}
        )
    return plant


def outage(plant: DrawnPlant, folder: Path, *assets: str) -> Any:
    return wa.outage(plant.read(folder / "study"), assets=assets)


def test_the_other_battery_is_counted_listed_and_next(tmp_path: Path) -> None:
    """BAT1 is out: K runs on both paths, but BAT2, and the room it stands in, would take it."""
    works = outage(two_batteries(), tmp_path, "BAT1")
    facts = works.facts()
    (circuit,) = facts["circuits"]
    assert (circuit["state"], circuit["weakened"]) == ("untouched", ["BAT2"])
    assert {"BAT2", "ROOM2"} <= set(circuit["next"])
    assert facts["summary"]["weakened"] == 1
    assert facts["notice"]["tell"] == ["K"]
    assert works.exit_code() == 1
    events = {one["asset"]: (one["lost"], one["class"]) for one in facts["next_events"]}
    assert events == {"BAT2": (["K"], "avoidable"), "ROOM2": (["K"], "avoidable")}


def test_nothing_is_weakened_where_both_stand_or_none(tmp_path: Path) -> None:
    plant = two_batteries()
    (whole,) = outage(plant, tmp_path / "1", "P2").facts()["circuits"]
    assert whole["weakened"] == []
    (lost,) = outage(plant, tmp_path / "2", "BAT1", "BAT2").facts()["circuits"]
    assert (lost["state"], lost["weakened"]) == ("lost", [])


def test_a_battery_that_is_out_already_weakens_every_day(tmp_path: Path) -> None:
    plant = two_batteries()
    plant.settings = 'out = ["BAT1"]\n'
    works = outage(plant, tmp_path, "ROOM1")
    assert works.facts()["circuits"][0]["weakened"] == ["BAT2"]
    assert works.exit_code() == 1
    assert works.facts()["next_events"] == [], "BAT2 was fatal before these works"


def test_two_of_three_batteries_still_stand_in(tmp_path: Path) -> None:
    plant = two_batteries()
    plant.rows["equipment"][0]["supplies"] = "BAT1;BAT2;BAT3"
    plant.rows["supplies"].append({"id": "BAT3", "site": "A", "within": "-", "needs": "-"})
    works = outage(plant, tmp_path, "BAT1")
    assert works.facts()["circuits"][0]["weakened"] == ["BAT2", "BAT3"]
    assert works.facts()["next_events"] == []
    assert works.exit_code() == 1


def test_a_board_between_is_weakened_by_its_own_feeds(tmp_path: Path) -> None:
    """RA hangs on one board; the board is fed by either battery."""
    plant = two_batteries()
    plant.rows["equipment"][0]["supplies"] = "BRD"
    board = {"id": "BRD", "site": "A", "kind": "board", "within": "-", "needs": "-"}
    plant.rows["supplies"].append({**board, "supplies": "BAT1;BAT2"})
    assert outage(plant, tmp_path, "BAT1").facts()["circuits"][0]["weakened"] == ["BAT2"]


def test_groups_and_schemes_are_weakened_with_a_member(tmp_path: Path) -> None:
    plant = two_batteries()
    plant.rows["circuits"][0].update(group="G", scheme="S")
    plant.rows["circuits"].append(
        {"id": "K2", "a": "RB", "b": "RC", "service": "", "group": "G", "scheme": "S"}
    )
    plant.rows["equipment"].append(
        {"id": "RC", "site": "B", "within": "-", "supplies": "-", "delay_us": "0"}
    )
    plant.rows["links"].append({"id": "L-IN", "a": "RB", "b": "RC", "medium": "internal"})
    plant.rows["circuit_paths"].append({"circuit": "K2", "path": "main", "seq": 1, "link": "L-IN"})
    facts = outage(plant, tmp_path, "BAT1").facts()
    (group,), (scheme,) = facts["groups"], facts["schemes"]
    assert (group["state"], group["weakened"]) == ("weakened", ["BAT2"])
    assert (scheme["state"], scheme["weakened"], scheme["worst"]) == ("weakened", ["BAT2"], "K")
    assert facts["summary"]["weakened"] == 1


def test_the_command_lists_what_is_weakened_and_what_would_be_fatal(tmp_path: Path) -> None:
    folder = two_batteries().write(tmp_path / "study")
    done = run("outage", folder, "--asset", "BAT1")
    assert done.exit_code == 1
    assert "1 weakened" in done.stdout
    assert "kept up by BAT2" in done.stdout
    assert "1 untouched, 1 of them weakened" in done.stdout
    assert "ROOM2, BAT2" in done.stdout
    page = tmp_path / "notice.html"
    run("outage", folder, "--asset", "BAT1", "-o", page)
    html = page.read_text(encoding="utf-8")
    assert "1 weakened" in html
    assert "1 circuits untouched, 1 of them weakened." in html


def test_a_plan_names_what_is_weakened_from_day_to_day(tmp_path: Path) -> None:
    """BAT1 on the 4th, BAT2 on the 5th: K is weakened on both days, and lost on neither."""
    folder = two_batteries().write(tmp_path / "study")
    table = tmp_path / "plan.csv"
    table.write_text(
        "id,from,to,assets\nW1,2026-05-04,2026-05-04,BAT1\nW2,2026-05-05,2026-05-05,BAT2\n",
        encoding="utf-8",
    )
    facts = wa.plan_works(wa.read_study(folder), table).facts()
    assert [(one["lost"], one["weakened"]) for one in facts["as_planned"]] == [([], ["K"])] * 2
    assert facts["clashes"] == [{"works": ["W1", "W2"], "lost": ["K"]}]
    assert "weakened: K" in run("outage", folder, "--plan", table).stdout


# --- Single things that become fatal while the works last.


def test_what_was_fatal_before_is_not_repeated_and_sites_come_last(tmp_path: Path) -> None:
    """d2 is out. The whole other path is fatal now; relays and end sites were before. A third site
    C, which the other path passes, stands at the end of the list."""
    plant = two_ways()
    plant.rows["structures"] = [row for row in plant.rows["structures"] if row["id"] != "Q3"]
    plant.node("C", 4000, -400, role="sites")
    facts = outage(plant, tmp_path, "d2").facts()
    events = facts["next_events"]
    assert [one["asset"] for one in events][-1] == "C"
    assert [one["class"] for one in events] == [*["avoidable"] * (len(events) - 1), "end"]
    told = {one["asset"] for one in events}
    assert {"e1", "e2", "e3", "e4", "Q1", "Q2", "CA"} <= told
    assert not told & {"A", "B", "RA", "RB"}
    assert {"A", "B", "RA", "RB"} <= set(facts["circuits"][0]["next"])


def test_a_long_list_is_a_table_of_twelve_rows_and_a_count(tmp_path: Path) -> None:
    """15 circuits, each with an alternate way of its own behind the shared main one."""
    plant = two_ways()
    for number in range(15):
        plant.segment(f"f{number}", "duct", "A", (2000.0, 500.0 + 40 * number), "B")
        plant.listed(f"CF{number}", f"f{number}")
        plant.rows["circuits"].append({"id": f"X{number:02}", "a": "RA", "b": "RB", "service": ""})
        for path, cable in (("main", "CM"), ("alternate", f"CF{number}")):
            plant.rows["circuit_paths"].append(
                {"circuit": f"X{number:02}", "path": path, "seq": 1, "link": f"L-{cable}"}
            )
    folder = plant.write(tmp_path / "study")
    done = run("dig", folder, "--asset", "d2")
    table = (
        done.stdout.split("puts more out of service than before:")[1].split("\n\n")[0].splitlines()
    )
    assert len(table) == 2 + 12 + 1
    # K's way has 8 things, the other 11 circuits of the table have 2 each; 4 circuits are left.
    assert table[-1].strip() == "and 8 more: --json lists them all"


# --- Random plants, against plain sets.


@pytest.mark.parametrize("seed", some(range(12), every=6))
def test_stand_ins_and_newly_fatal_things_are_what_the_oracle_says(
    seed: int, tmp_path: Path
) -> None:
    knobs = {"boards": 0.8, "supply_elsewhere": 0.3, "waivers": 0.0}
    folder = write_random_study(tmp_path / "study", 7700 + seed, **knobs)
    plant, proof, rng = read_plant(folder), proof_of(folder), random.Random(seed)
    fed = [*plant.of("equipment"), *plant.of("supplies")]
    several = [s for one in fed if len(s := ids(one.row.get("supplies"))) > 1]
    for _ in range(5):
        taken = {rng.choice(sorted(plant.assets))}
        if several:
            taken |= {rng.choice(rng.choice(several))}
        gone = {*taken, *plant.out}
        works = wa.dig(proof, assets=sorted(taken))
        facts = works.facts()
        expected, lost = stand_ins(plant, gone), lost_circuits(plant, gone)
        for row in facts["circuits"]:
            assert set(row["weakened"]) == expected[row["id"]]
            assert row["id"] not in lost or not row["weakened"]
        told = {one["asset"]: set(one["lost"]) for one in facts["next_events"] if one["lost"]}
        assert told == newly_fatal(plant, taken)
        if any(expected.values()):
            assert works.exit_code() == 1
