"""Boards, chargers, batteries and fuses; clocks and controllers: what two paths hang on at a site.

K runs from relay RA by multiplexer M1 over the north, and by M2 over the south. Both stand at
site A. Where they take their power, and what else they need, is what each test asks.

    RA -- M1 ==== CN ==== RB
     \\-- M2 ==== CS ==== RB
"""

from __future__ import annotations

import json
import math
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from line_plant import LinePlant
from waysapart.findings.outages import bridged_h
from waysapart.recheck import recheck
from waysapart.report.terminal import show_circuit
from waysapart.report.words import group_finding


class Station(LinePlant):
    """Two multiplexers at A; a test says what feeds them and what they need."""

    def __init__(self, one: dict[str, Any], two: dict[str, Any]) -> None:
        super().__init__()
        self.two_cables()
        for name, row, cable in (("M1", one, "CN"), ("M2", two, "CS")):
            self.machine(name, "A", **row)
            self.hop(f"H-{name}", "RA", name)
            self.fibre(f"L-{name}", name, "RB", cable)
        self.way("K", "main", "H-M1", "L-M1")
        self.way("K", "alternate", "H-M2", "L-M2")

    def supply(self, id: str, kind: str, **row: Any) -> None:
        self.rows["supplies"].append({"id": id, "site": "A", "kind": kind, "within": "-", **row})

    def shared(self, folder: Path) -> set[str]:
        """What both paths share, which `recheck` confirms."""
        found = self.circuit_facts(folder)
        file = folder / "evidence.json"
        file.write_text(json.dumps(self.proved(folder).facts()), encoding="utf-8")
        assert not recheck(folder, file)["false"]
        return {one["asset"] for one in found["shared"]}


def two_boards() -> Station:
    """Each multiplexer has an A and a B feed, by a fuse of its own in board DA and one in DB. Each
    board has a battery, which its own charger keeps charged."""
    made = Station({"supplies": "F1A;F1B"}, {"supplies": "F2A;F2B"})
    for side in ("A", "B"):
        for number in (1, 2):
            made.supply(f"F{number}{side}", "fuse", supplies=f"D{side}")
        made.supply(f"D{side}", "board", supplies=f"B{side}")
        made.supply(f"B{side}", "battery", supplies=f"C{side}", autonomy_h=8)
        made.supply(f"C{side}", "charger")
    return made


def change(made: Station, name: str, **row: Any) -> None:
    next(one for one in made.rows["supplies"] if one["id"] == name).update(row)


def test_two_feeds_of_each_multiplexer_have_nothing_in_common(tmp_path: Path) -> None:
    """Each needs one of two boards: whichever fails, both run on the other."""
    assert two_boards().shared(tmp_path) == set()


def test_two_fuses_in_one_board_hang_on_the_board(tmp_path: Path) -> None:
    """M1 and M2 have two fuses each, all four in board DA."""
    made = two_boards()
    for fuse in ("F1B", "F2B"):
        change(made, fuse, supplies="DA")
    assert made.shared(tmp_path) == {"DA", "BA", "CA"}


def test_a_board_that_either_charger_feeds_hangs_on_neither(tmp_path: Path) -> None:
    """All fuses in DA, which charger CA or CB feeds: the board is shared, the chargers are not."""
    made = two_boards()
    for fuse in ("F1B", "F2B"):
        change(made, fuse, supplies="DA")
    change(made, "DA", supplies="CA;CB")
    assert made.shared(tmp_path) == {"DA"}


def test_one_charger_for_both_batteries_is_shared_however_long_they_last(tmp_path: Path) -> None:
    """Eight hours of autonomy put the loss off and do not prevent it: CA is a single point."""
    made = two_boards()
    change(made, "BB", supplies="CA")
    found = made.shared(tmp_path / "8")
    change(made, "BA", autonomy_h=None)
    change(made, "BB", autonomy_h=None)
    assert found == made.shared(tmp_path / "none") == {"CA"}


@pytest.mark.parametrize(
    ("needs", "role", "kind", "said"),
    [
        ("CLK", "equipment", "clock", "shared need: clock CLK"),
        ("CTRL", "equipment", "controller", "shared need: controller CTRL"),
        ("RACK", "holders", "rack", "shared need: rack RACK"),
    ],
)
def test_what_both_multiplexers_need_is_a_finding_of_its_own_kind(
    tmp_path: Path, needs: str, role: str, kind: str, said: str
) -> None:
    """One clock, or one controller, for both: shared, and told as what both need."""
    made = Station({"needs": needs}, {"needs": needs})
    site = {"site": "A"} if role == "equipment" else {}
    made.rows[role].append({"id": needs, "kind": kind, "within": "-", **site})
    assert made.shared(tmp_path) == {needs}
    facts = made.proved(tmp_path).facts()
    (entry,) = facts["circuits"][0]["shared"]
    assert entry["needed"] is True
    console = Console(file=StringIO(), width=200)
    show_circuit(console, facts, "K")
    text = console.file.getvalue()
    assert said in text
    assert f"All paths need {said.removeprefix('shared need: ')}." in text


def test_what_is_shared_otherwise_is_no_need(tmp_path: Path) -> None:
    """M1 needs the clock, and the fibre of M2 ends on its rack: the rack is shared, not needed. A
    board of both is shared, and is no need either."""
    made = Station({"supplies": "D", "needs": "CLK"}, {"supplies": "D"})
    made.supply("D", "board")
    made.rows["equipment"].append({"id": "CLK", "site": "A", "kind": "clock", "within": "-"})
    assert made.shared(tmp_path) == {"D"}
    (entry,) = made.circuit_facts(tmp_path)["shared"]
    assert entry["needed"] is False


def test_a_need_passed_off_as_something_else_is_told(tmp_path: Path) -> None:
    made = Station({"needs": "CLK"}, {"needs": "CLK"})
    made.rows["equipment"].append({"id": "CLK", "site": "A", "kind": "clock", "within": "-"})
    facts = made.proved(tmp_path).facts()
    facts["circuits"][0]["shared"][0]["needed"] = False
    file = tmp_path / "evidence.json"
    file.write_text(json.dumps(facts), encoding="utf-8")
    assert any("needed" in one for one in recheck(tmp_path, file)["false"])


def test_two_members_of_a_group_that_need_one_clock_are_told_so(tmp_path: Path) -> None:
    """K and K2 back each other up, each by one multiplexer: the group needs the clock."""
    made = Station({"needs": "CLK"}, {"needs": "CLK"})
    made.rows["equipment"].append({"id": "CLK", "site": "A", "kind": "clock", "within": "-"})
    made.rows["circuits"][0]["group"] = "G"
    made.way("K2", "main", "H-M2", "L-M2", group="G")
    made.way("K2", "alternate", "H-M1", "L-M1")
    (group,) = made.proved(tmp_path).facts()["groups"]
    assert "clock CLK" in group_finding(group)
    assert {one["asset"]: one["needed"] for one in group["shared"]}["CLK"] is True


# --- Autonomy: it bears on how much of the time both paths are down, and on nothing else.


def down(folder: Path, made: Station) -> float:
    made.rules = "[failures.charger]\nper_year = 0.5\nrepair_h = 4\n"
    made.shared(folder)
    return float(made.circuit_facts(folder)["unavailability"]["both"])


def test_a_battery_bridges_the_shorter_failures_of_its_charger(tmp_path: Path) -> None:
    """One charger for both batteries fails every other year for 4 h on the average. Batteries that
    last 8 h leave exp(-8 / 4) of its failures, and what remains of these is 4 h again."""
    made = two_boards()
    change(made, "BB", supplies="CA")
    for battery in ("BA", "BB"):
        change(made, battery, autonomy_h=None)
    plain = down(tmp_path / "none", made)
    for battery in ("BA", "BB"):
        change(made, battery, autonomy_h=8)
    bridged = down(tmp_path / "8", made)
    whole, left = (0.5 * share * 4 for share in (1.0, math.exp(-2)))
    ratio = (1 - left / (8760 + left)) / (1 - whole / (8760 + whole))
    assert (1 - bridged) / (1 - plain) == pytest.approx(ratio, abs=2e-8)


def test_the_battery_that_lasts_least_says_how_long(tmp_path: Path) -> None:
    """BA lasts 2 h and BB 8: the failure of their one charger is felt after two."""
    made = two_boards()
    change(made, "BB", supplies="CA")
    change(made, "BA", autonomy_h=2)
    assert bridged_h(made.read(tmp_path)) == {"CA": 2.0}


def test_a_board_between_battery_and_charger_adds_nothing(tmp_path: Path) -> None:
    """The charger feeds a board, the board the battery: both are bridged for 8 h. What stands in
    the charger's room alone is bridged as well, and the room of the battery is not."""
    made = two_boards()
    made.rows["holders"] += [
        {"id": "RC", "kind": "room", "within": "-"},
        {"id": "RB1", "kind": "room", "within": "-"},
    ]
    made.supply("T", "board", supplies="CA")
    change(made, "BA", supplies="T", within="RB1")
    change(made, "CA", within="RC")
    found = bridged_h(made.read(tmp_path))
    assert found == {"T": 8.0, "CA": 8.0, "RC": 8.0, "CB": 8.0}


def test_a_charger_that_feeds_equipment_itself_is_felt_at_once(tmp_path: Path) -> None:
    """M1 is fed by charger CA as well, without a battery between."""
    made = Station({"supplies": "CA"}, {"supplies": "B"})
    made.supply("CA", "charger")
    made.supply("B", "battery", supplies="CA", autonomy_h=8)
    assert bridged_h(made.read(tmp_path)) == {}
