"""What members of a group may share where they end: the sites, and nothing else.

    A ===== CM, by pit M ===== B        K1 works over CM, K2 over CN; each has relays of
    A ===== CN, by pit N ===== B        its own (RA1, RB1 and RA2, RB2)

Each circuit has only its main path, so that the group alone is judged.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from drawn_plant import DrawnPlant
from proofs import proof_of

Facts = dict[str, Any]


class Plant(DrawnPlant):
    """Two main protections on paths that have nothing in common; a test adds what they share."""

    def __init__(self) -> None:
        super().__init__((0, 0), (2000, 0))
        self.rules = ""
        self.rows["equipment"].clear()
        for number, (pit, y) in enumerate((("M", 400), ("N", -400)), start=1):
            for end in ("A", "B"):
                self.machine(f"R{end}{number}", end)
            self.node(pit, 1000, y, kind="pit")
            for piece, (one, other) in enumerate(((f"A{number}", pit), (pit, f"B{number}"))):
                for entry in (one, other):
                    if entry not in self.at:
                        x = 20 if entry[0] == "A" else 1980
                        self.node(entry, x, y / 10, kind="entry", within=entry[0])
                self.segment(f"{pit}{piece}", "duct", one, other)
            for entry in (f"A{number}", f"B{number}"):
                self.segment(f"T-{entry}", "tray", entry, entry[0])
            self.rows["cables"].append(
                {"id": f"C{pit}", "fibre_type": "G.652.D", "fibre_count": 24}
            )
            runs = (f"T-A{number}", f"{pit}0", f"{pit}1", f"T-B{number}")
            for seq, segment in enumerate(runs, start=1):
                self.rows["cable_runs"].append({"cable": f"C{pit}", "seq": seq, "segment": segment})
            ends = {"a": f"RA{number}", "b": f"RB{number}"}
            self.rows["links"].append({"id": f"L{number}", **ends, "wavelength_nm": 1310})
            self.rows["link_runs"].append({"link": f"L{number}", "seq": 1, "cable": f"C{pit}"})
            self.rows["circuits"].append({"id": f"K{number}", **ends, "service": "", "group": "G"})
            self.rows["circuit_paths"].append(
                {"circuit": f"K{number}", "path": "main", "seq": 1, "link": f"L{number}"}
            )

    def machine(self, name: str, site: str, **row: Any) -> None:
        usual = {"kind": "relay", "within": "-", "supplies": "-", "needs": "-", "delay_us": 0}
        self.rows["equipment"].append({"id": name, "site": site, **usual, **row})

    def change(self, *names: str, **row: Any) -> None:
        for one in self.rows["equipment"]:
            if one["id"] in names:
                one.update(row)

    def battery(self, name: str, site: str, **row: Any) -> None:
        self.rows["supplies"].append({"id": name, "site": site, "within": "-", "needs": "-", **row})

    def holder(self, name: str, kind: str, within: str) -> None:
        self.rows["holders"].append({"id": name, "kind": kind, "within": within})

    def group(self, folder: Path) -> Facts:
        service = "[services.default]\nseparation_m = 0\nforbid_cross = false\n"
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "rules.toml").write_text(service + self.rules, encoding="utf-8")
        (found,) = self.proof(folder).facts()["groups"]
        return dict(found)


def shared(group: Facts) -> set[str]:
    return {entry["asset"] for entry in group["shared"]}


def test_nothing_but_the_sites_is_common(tmp_path: Path) -> None:
    group = Plant().group(tmp_path)
    assert group["verdict"] == "apart"
    assert set(group["unavoidable"]) == {"A", "B"}


def test_one_battery_with_its_charger_and_room(tmp_path: Path) -> None:
    """At A both relays hang on BAT, which needs CHG; both stand in ROOM."""
    plant = Plant()
    plant.holder("ROOM", "room", "A")
    plant.holder("CHG", "charger", "ROOM")
    plant.battery("BAT", "A", within="ROOM", needs="CHG")
    plant.change("RA1", "RA2", supplies="BAT", within="ROOM")
    group = plant.group(tmp_path)
    assert group["verdict"] == "shared"
    assert shared(group) == {"BAT", "CHG", "ROOM"}
    assert set(group["unavoidable"]) == {"A", "B"}


@pytest.mark.parametrize("test", ["working", "all", "pairwise"])
def test_the_very_same_relay(test: str, tmp_path: Path) -> None:
    """K2 ends at K1's relay at A: whatever the test, that relay is shared."""
    plant = Plant()
    plant.rules = f'group_test = "{test}"\n'
    plant.rows["links"][1]["a"] = plant.rows["circuits"][1]["a"] = "RA1"
    group = plant.group(tmp_path)
    assert group["verdict"] == "shared"
    assert shared(group) == {"RA1"}


def test_a_clock_at_one_end_that_all_relays_need(tmp_path: Path) -> None:
    """The clock stands at A; the relays at B need it too."""
    plant = Plant()
    plant.machine("CLK", "A", kind="clock")
    plant.change("RA1", "RA2", "RB1", "RB2", needs="CLK")
    group = plant.group(tmp_path)
    assert shared(group) == {"CLK"}


def test_two_batteries_of_which_either_keeps_both_up(tmp_path: Path) -> None:
    """Both relays at A hang on either of two batteries: no single event takes both."""
    plant = Plant()
    plant.battery("BAT1", "A")
    plant.battery("BAT2", "A")
    plant.change("RA1", "RA2", supplies="BAT1;BAT2")
    assert plant.group(tmp_path)["verdict"] == "apart"


def test_what_the_rules_excuse(tmp_path: Path) -> None:
    """One room for both, excused by kind; the battery in it is not, and the rule is to sign."""
    plant = Plant()
    plant.holder("ROOM", "room", "A")
    plant.battery("BAT", "A", within="ROOM")
    plant.change("RA1", "RA2", within="ROOM", supplies="BAT")
    plant.rules = '[groups]\nexcuse = ["room"]\n'
    group = plant.group(tmp_path)
    assert shared(group) == {"BAT"}
    assert set(group["unavoidable"]) == {"A", "B", "ROOM"}
    facts = proof_of(tmp_path).facts()
    rules = [one for one in facts["assumptions"] if one["key"] == "groups.excuse"]
    assert ["room"] in [one["value"] for one in rules if one.get("to_sign")]


def test_a_site_that_one_member_only_passes(tmp_path: Path) -> None:
    """K2 ends at C, and its way passes B, where K1 ends: losing B takes both."""
    plant = Plant()
    plant.node("C", 4000, 0, role="sites")
    plant.machine("RC2", "C")
    plant.machine("MX", "B")
    plant.segment("BC", "duct", "B", "C")
    plant.rows["cables"].append({"id": "CBC", "fibre_type": "G.652.D", "fibre_count": 24})
    plant.rows["cable_runs"].append({"cable": "CBC", "seq": 1, "segment": "BC"})
    plant.rows["links"].append({"id": "L3", "a": "RB2", "b": "RC2", "wavelength_nm": 1310})
    plant.rows["link_runs"].append({"link": "L3", "seq": 1, "cable": "CBC"})
    plant.rows["circuits"][1]["b"] = "RC2"
    plant.rows["circuit_paths"].append({"circuit": "K2", "path": "main", "seq": 2, "link": "L3"})
    group = plant.group(tmp_path)
    assert shared(group) == {"B"}
    assert set(group["unavoidable"]) == {"A"}


@pytest.mark.parametrize(("reaches", "verdict"), [("site", "apart"), ("pit", "shared")])
def test_a_hazard_at_the_site(reaches: str, verdict: str, tmp_path: Path) -> None:
    """A flood over site A takes what stands there. Where it reaches pit M as well, one path
    meets it elsewhere, and that is no excuse."""
    plant = Plant()
    at = (0.0, 0.0) if reaches == "site" else (500.0, 200.0)
    plant.rows["hazards"].append(
        {
            **{"id": "FLOOD", "kind": "flood", "takes": "pit;substation"},
            **{"reach_m": 5 if reaches == "site" else 560, "line": [at]},
        }
    )
    for row in plant.rows["sites"]:
        row["kind"] = "substation"
    group = plant.group(tmp_path)
    assert group["verdict"] == verdict
    assert ("FLOOD" in group["unavoidable"]) == (verdict == "apart")
