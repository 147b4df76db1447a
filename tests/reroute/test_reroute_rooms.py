"""A new room where the room, rack or supply of every multiplexer on the way is one and the same."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

import waysapart as wa
from priced_plants import battery, change, hold, machine, two_machines
from reroute_plants import Plant
from waysapart.cli import main
from waysapart.recheck import recheck
from waysapart.reroute.api import Reroute, reroute
from waysapart.reroute.new_plant.measures import Option

CONFIRM = "Confirm"


def asked(plant: Plant, folder: Path) -> Reroute:
    return reroute(plant.read(folder))


def only_option(found: Reroute) -> Option:
    assert found.building is not None
    (option,) = found.building.options
    return option


def rows(option: Option, role: str) -> dict[str, dict[str, Any]]:
    return {row["id"]: row for row in option.draft.rows.get(role, [])}


def test_a_room_is_proposed_proved_and_compares_as_better(tmp_path: Path) -> None:
    """MX1 and MX2 in rack RK. MX1 goes into a rack in a new room; its two batteries are clear."""
    found = asked(two_machines(), tmp_path / "base")
    option = only_option(found)
    assert (option.kind, option.apart, option.worse) == ("room", ("K",), ())
    assert option.text == "build a room at A and move MX1 into it"
    assert rows(option, "holders") == {
        "MX1-room": {"id": "MX1-room", "kind": "room"},
        "MX1-rack": {"id": "MX1-rack", "kind": "rack", "within": "MX1-room"},
    }
    assert rows(option, "supplies") == {}
    (moved,) = rows(option, "equipment").values()
    assert (moved["id"], moved["within"], moved["supplies"]) == ("MX1", "MX1-rack", "BT;BT2")
    assert [one["text"] for one in option.draft.work] == [
        "build room MX1-room with rack MX1-rack",
        "move MX1 from RK to MX1-rack",
    ]
    found.write_all(tmp_path / "out")
    assert wa.prove(wa.read_study(tmp_path / "out" / "build-1")).verdicts == ["apart"]
    (changed,) = wa.compare(tmp_path / "base", tmp_path / "out" / "build-1").circuits
    assert (changed.before, changed.after, changed.change) == ("shared", "apart", "better")


def test_what_is_to_be_surveyed_is_said(tmp_path: Path) -> None:
    """Where the room stands, what it must be clear of, and how cables get there."""
    facts = asked(two_machines(), tmp_path).facts()
    assert facts["build"] is not None
    (option,) = facts["build"]["single"]
    said = option["survey"]
    assert all(one.startswith(CONFIRM) for one in said)
    assert said[0].endswith("at A stands: what it lies in is not on record.")
    assert "clear of RK, RM" in said[1]
    assert "no wall, duct, cable entry or supply" in said[1]
    assert "MX1" in said[2]
    assert len(said) == 3


def test_it_is_fed_from_a_new_supply_where_none_on_record_is_clear(tmp_path: Path) -> None:
    """One battery in the room itself feeds both: a new one with its own charger in the new room."""
    plant = two_machines()
    plant.rows["supplies"] = []
    battery(plant, "BT", "RM", "CHM")
    for name in ("MX1", "MX2"):
        change(plant, "equipment", name, supplies="BT")
    found = asked(plant, tmp_path / "base")
    option = only_option(found)
    assert (option.kind, option.apart) == ("room", ("K",))
    assert rows(option, "supplies") == {
        "MX1-supply": {
            "id": "MX1-supply",
            "site": "A",
            "kind": "battery",
            "within": "MX1-room",
            "needs": "MX1-charger",
        }
    }
    assert rows(option, "holders")["MX1-charger"]["within"] == "MX1-room"
    assert rows(option, "equipment")["MX1"]["supplies"] == "MX1-supply"
    assert option.measure.changes == ("room", "move", "new_supply")
    assert any("charger MX1-charger" in one for one in option.measure.survey)
    found.write_all(tmp_path / "out")
    assert wa.prove(wa.read_study(tmp_path / "out" / "build-1")).verdicts == ["apart"]


def test_it_is_fed_from_a_supply_on_record_that_is_clear(tmp_path: Path) -> None:
    """Both hang on BT in the room; BT9, in a room of its own, feeds neither yet.

    That alone helps nothing, as the rack is one; with the room it does.
    """
    plant = two_machines()
    plant.rows["supplies"] = []
    battery(plant, "BT", "RM", "CHM")
    battery(plant, "BT9", "BR9", "CH9")
    for name in ("MX1", "MX2"):
        change(plant, "equipment", name, supplies="BT")
    option = only_option(asked(plant, tmp_path))
    assert (option.kind, option.apart) == ("room", ("K",))
    assert rows(option, "equipment")["MX1"]["supplies"] == "BT9"
    assert rows(option, "supplies") == {}
    assert option.measure.changes == ("room", "move", "supply")


def test_its_panel_moves_with_it(tmp_path: Path) -> None:
    """T1 passes panel P1 in the same rack, T2 panel P2: MX1 alone would leave P1 and P2 in RK."""
    plant = two_machines()
    for number in (1, 2):
        panel = {"id": f"P{number}", "site": "A", "kind": "panel", "within": "RK", "supplies": "-"}
        plant.rows["equipment"].append(panel)
        change(plant, "links", f"T{number}", via=f"P{number}")
    option = only_option(asked(plant, tmp_path))
    assert option.apart == ("K",)
    assert {name: row["within"] for name, row in rows(option, "equipment").items()} == {
        "MX1": "MX1-rack",
        "P1": "MX1-rack",
    }
    assert option.measure.changes == ("room", "move", "move")


def test_no_room_where_another_rack_on_record_is_clear(tmp_path: Path) -> None:
    """RK2, with a multiplexer in it: MX1 is moved there, and nothing is built."""
    plant = two_machines()
    hold(plant, "RK2", "rack", "-")
    machine(plant, "MX9", within="RK2")
    found = asked(plant, tmp_path)
    assert only_option(found).kind == "move"
    assert found.building is not None
    assert found.building.looked_at["rooms"] == 0


def test_no_room_for_the_one_multiplexer_that_all_pass(tmp_path: Path) -> None:
    """Both links end on MX1: wherever it stands, it is passed by both."""
    plant = two_machines()
    change(plant, "links", "T2", a="MX1")
    change(plant, "links", "I2", b="MX1")
    found = asked(plant, tmp_path)
    assert found.building is not None
    assert [one.kind for one in found.building.options if one.kind == "room"] == []
    assert found.building.looked_at["rooms"] == 0


def test_what_lacks_a_record_is_to_be_recorded_not_built(tmp_path: Path) -> None:
    """What feeds MX1 and MX2 is blank: no room is proposed in place of the record."""
    plant = two_machines()
    for name in ("MX1", "MX2"):
        change(plant, "equipment", name, supplies="")
    found = asked(plant, tmp_path)
    assert found.building is None or found.building.looked_at["rooms"] == 0


def test_a_clock_in_the_old_room_is_left_behind(tmp_path: Path) -> None:
    """Both need a clock in RK: a room would not help, and none is proposed."""
    plant = two_machines()
    clock = {"id": "CLK", "site": "A", "kind": "clock", "within": "RK", "supplies": "-"}
    plant.rows["equipment"].append(clock)
    for name in ("MX1", "MX2"):
        change(plant, "equipment", name, needs="CLK")
    found = asked(plant, tmp_path)
    assert found.building is not None
    assert [one for one in found.building.options if one.kind == "room"] == []


def test_rules_that_call_a_blank_room_a_gap_are_kept_to(tmp_path: Path) -> None:
    """Where a blank `within` of a room is a gap the new room is not proved, so not proposed."""
    plant = two_machines("[records]\nwithin = { room = 'gap' }\n")
    found = asked(plant, tmp_path)
    assert found.building is not None
    assert found.building.looked_at["rooms"] > 0
    assert [one for one in found.building.options if one.kind == "room"] == []


def test_a_room_and_a_duct_are_one_set(tmp_path: Path) -> None:
    """K needs a room for 62,500. Q has both paths by pit P: 400 m from Q1 to Q2 round it, 100 a
    metre, with two joints and eight ports at nothing. The set holds the rows of both, and costs
    both; within 62,500 there is no set, and one circuit at most is apart.
    """
    prices = """[records]
within = { duct = "none" }
[build]
unit = "EUR"
per_m = 100
per_joint = 0
per_port = 0
per_change = { room = 60000, move = 2500 }
"""
    plant = two_machines(prices)
    a, b = plant.more_relays()
    plant.nodes("pit", Q1=(1300, -250), P=(1500, -400), Q2=(1700, -250), Q3=(1500, -700))
    for cable, link, path, pits in (
        ("QN", "L1", "main", ("Q1", "P", "Q2")),
        ("QS", "L2", "alternate", ("Q3", "P")),
    ):
        plant.laid(cable, "A", *pits, "B")
        plant.link(link, cable, a=a, b=b)
        plant.way("Q", path, link)
    change(plant, "circuits", "Q", a=a, b=b)
    study = plant.read(tmp_path / "base")
    found = reroute(study, build=wa.Candidates(longest_m=450))
    build = found.facts()["build"]
    assert build is not None
    kinds = {one["kind"]: one for one in build["single"]}
    assert {"room", "segment"} <= set(kinds)
    option = build["set"]
    assert option is not None
    assert sorted(option["apart"]) == ["K", "Q"]
    assert {row["id"] for row in found.building.set.draft.rows["holders"]} == {
        "MX1-room",
        "MX1-rack",
    }
    least = min(one["cost"] for one in build["single"] if one["kind"] == "segment")
    assert option["cost"] == pytest.approx(62_500 + least, abs=0.01)
    assert len(option["survey"]) >= 3
    found.write_all(tmp_path / "out")
    assert set(wa.prove(wa.read_study(tmp_path / "out" / "build-set")).verdicts) == {"apart"}
    tight = reroute(study, build=wa.Candidates(longest_m=450, budget=62_500)).facts()["build"]
    assert tight is not None
    assert tight["set"] is None
    assert tight["at_most_apart"] == 1


def test_it_is_printed_and_rechecked(tmp_path: Path) -> None:
    prices = '[build]\nunit = "EUR"\nper_change = { room = 60000, move = 2500 }\n'
    two_machines(prices).write(tmp_path)
    result = CliRunner().invoke(main, ["reroute", str(tmp_path)])
    told = " ".join(result.output.split())
    assert "build a room at A and move MX1 into it: K apart, proved" in told
    assert "1 new room with a rack at 60,000 = 60,000; total 62,500 EUR" in told
    assert "Confirm where room MX1-room at A stands" in told
    file = tmp_path / "reroute.json"
    CliRunner().invoke(main, ["reroute", str(tmp_path), "--json", str(file)])
    (option,) = json.loads(file.read_text())["build"]["single"]
    assert option["budget"]["total"] == 62_500
    found = recheck(tmp_path, file)
    assert found["false"] == []
    assert found["confirmed"] > 100


@pytest.mark.parametrize("kind", ["room", "chassis"])
def test_the_cut_may_be_the_room_or_the_chassis(tmp_path: Path, kind: str) -> None:
    """Racks of their own in one room; or one chassis, which MX1 leaves for one of its own."""
    plant = two_machines()
    if kind == "room":
        hold(plant, "RK1", "rack", "RM")
        change(plant, "equipment", "MX1", within="RK1")
        plant.rows["equipment"] = [
            {**row, "kind": "repeater"} if row["id"] == "MX2" else row
            for row in plant.rows["equipment"]
        ]
    else:
        hold(plant, "CHS", "chassis", "RK")
        for name in ("MX1", "MX2"):
            change(plant, "equipment", name, within="CHS")
    option = only_option(asked(plant, tmp_path))
    assert (option.kind, option.apart) == ("room", ("K",))
    texts = [one["text"] for one in option.draft.work]
    assert any("in a chassis of its own" in one for one in texts) == (kind == "chassis")
