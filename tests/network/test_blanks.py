"""What a blank means: a gap by default, and nothing but what the rules say otherwise.

The plant is that of tests/verdicts/test_groups.py with one circuit K whose main path runs over
cable CM by pit M and whose alternate over CN by pit N, between relays RA and RB.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

import waysapart as wa
from drawn_plant import DrawnPlant
from waysapart.recheck import recheck

Facts = dict[str, Any]
OPTICS = {"tx_min_dbm": -8, "tx_max_dbm": -3, "rx_min_dbm": -28, "rx_max_dbm": 0, "reserve_db": 0}


class Plant(DrawnPlant):
    """Everything on record; a test blanks what its question needs."""

    def __init__(self) -> None:
        super().__init__((0, 0), (2000, 0))
        self.rules = ""
        self.nodes("pit", M=(1000, 400), N=(1000, -400))
        for row in self.rows["equipment"]:
            row.update(kind="relay", needs="-", delay_us=100)
        for pit in ("M", "N"):
            self.segment(f"{pit}0", "duct", "A", pit)
            self.segment(f"{pit}1", "duct", pit, "B")
            self.listed(f"C{pit}", f"{pit}0 {pit}1")
            self.rows["joints"].append({"id": f"J{pit}", "at": pit, "cables": f"C{pit}"})
        for row in self.rows["links"]:
            row.update(OPTICS)
        self.circuit("CM", "CN")

    def change(self, role: str, name: str, **row: Any) -> None:
        next(one for one in self.rows[role] if one["id"] == name).update(row)

    def proof(self, folder: Path) -> wa.Proof:
        service = (
            "[services.default]\nseparation_m = 0\nforbid_cross = false\nmax_delay_us = 1000\n"
        )
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "rules.toml").write_text(service + self.rules, encoding="utf-8")
        return super().proof(folder)


def circuit(proof: wa.Proof) -> Facts:
    (found,) = proof.facts()["circuits"]
    return dict(found)


def test_with_everything_on_record_it_is_apart_and_within(tmp_path: Path) -> None:
    proof = Plant().proof(tmp_path)
    one = circuit(proof)
    assert (one["verdict"], one["within_limits"], one["gaps"]) == ("apart", True, [])
    assert proof.exit_code() == 0


@pytest.mark.parametrize(
    ("role", "name", "blank", "code"),
    [
        ("segments", "M0", {"within": None}, "blank-within"),
        ("equipment", "RA", {"within": ""}, "blank-within"),
        ("equipment", "RA", {"supplies": ""}, "blank-supplies"),
    ],
)
def test_a_blank_that_bears_on_separation(
    role: str, name: str, blank: Facts, code: str, tmp_path: Path
) -> None:
    """Nobody said what it lies within, or hangs on: it may be what the other path needs."""
    plant = Plant()
    plant.change(role, name, **blank)
    proof = plant.proof(tmp_path)
    one = circuit(proof)
    assert [(gap["code"], gap["asset"]) for gap in one["gaps"]] == [(code, name)]
    assert one["verdict"] == "unproven"
    assert proof.exit_code() == 3


def test_a_battery_that_does_not_say_what_it_needs(tmp_path: Path) -> None:
    """Its charger may be the other battery's; a panel needs no supply and says nothing."""
    plant = Plant()
    plant.rows["supplies"].append({"id": "BAT", "site": "A", "within": "-", "needs": ""})
    plant.change("equipment", "RA", supplies="BAT")
    plant.rows["equipment"].append({"id": "PNL", "site": "A", "kind": "panel", "within": "-"})
    plant.change("links", "L-CM", via="PNL")
    one = circuit(plant.proof(tmp_path))
    assert [(gap["code"], gap["asset"]) for gap in one["gaps"]] == [("blank-needs", "BAT")]
    assert one["verdict"] == "unproven"


def test_a_missing_relay_delay_leaves_apart_as_it_is_and_passes_no_limit(tmp_path: Path) -> None:
    plant = Plant()
    plant.change("equipment", "RA", delay_us="")
    proof = plant.proof(tmp_path)
    one = circuit(proof)
    assert one["verdict"] == "apart"
    assert one["within_limits"] is None
    assert [(gap["code"], gap["bears_on"]) for gap in one["gaps"]] == [("blank-delay", "limits")]
    assert one["delay"]["main_us"] is None
    assert one["delay"]["ok"] is None
    assert proof.exit_code() == 3


def test_nobody_asks_the_delay_of_what_no_signal_passes(tmp_path: Path) -> None:
    """A clock that the relay needs adds none; a filter of a kind of our own on the hop may."""
    plant = Plant()
    for name in ("CLOCK", "BOX"):
        plant.rows["equipment"].append(
            {"id": name, "site": "A", "kind": "box", "within": "-", "supplies": "-"}
        )
    plant.change("equipment", "RA", needs="CLOCK")
    plant.change("links", "L-CM", via="BOX")
    one = circuit(plant.proof(tmp_path))
    assert [(gap["code"], gap["asset"]) for gap in one["gaps"]] == [("blank-delay", "BOX")]
    assert one["within_limits"] is None


@pytest.mark.parametrize(
    ("rules", "blank", "verdict", "within"),
    [
        ('within = "none"', {"within": ""}, "apart", True),
        ('within = { relay = "none" }', {"within": ""}, "apart", True),
        ('within = { relay = "gap", equipment = "none" }', {"within": ""}, "unproven", True),
        ('within = { equipment = "none" }', {"within": ""}, "apart", True),
        ("delay_us = { relay = 950 }", {"delay_us": ""}, "apart", False),
        ('supplies = "none"', {"supplies": ""}, "apart", True),
        ('passive = ["relay"]', {"supplies": "", "delay_us": ""}, "apart", True),
        ("delay_us = 500", {"delay_us": ""}, "apart", True),
        ('needs = { equipment = "gap" }', {"needs": ""}, "unproven", True),
        ('delay_us = "none"', {"delay_us": ""}, "apart", True),
    ],
)
def test_what_the_rules_say_of_a_blank(
    rules: str, blank: Facts, verdict: str, within: bool, tmp_path: Path
) -> None:
    """By kind, then role, then other; 950 + 100 us and the fibre's are over 1000 us."""
    plant = Plant()
    plant.rules = f"[records]\n{rules}\n"
    plant.change("equipment", "RA", **blank)
    one = circuit(plant.proof(tmp_path))
    assert (one["verdict"], one["within_limits"]) == (verdict, within)


def test_a_blank_that_the_rules_take_as_none_is_to_be_signed(tmp_path: Path) -> None:
    plant = Plant()
    plant.rules = '[records]\nsupplies = "none"\n'
    for name in ("RA", "RB"):
        plant.change("equipment", name, supplies="")
    facts = plant.proof(tmp_path).facts()
    (mine,) = (
        one
        for one in facts["assumptions"]
        if one.get("to_sign") and one["key"].startswith("records.supplies")
    )
    assert (mine["value"], mine["count"], mine["source"]) == ("none", 2, "rules.toml")


def test_many_of_one_kind_are_told_as_one(tmp_path: Path) -> None:
    """Four ducts: one line for people, all four ids in the study's list."""
    plant = Plant()
    for row in plant.rows["segments"]:
        row["within"] = None
    facts = plant.proof(tmp_path).facts()
    (gap,) = facts["gaps"]
    assert gap["count"] == 4
    assert gap["assets"] == ["M0", "M1", "N0", "N1"]
    assert gap["message"] == "4 ducts do not say what they lie within: M0, M1, N0 and 1 more"
    assert [one["count"] for one in facts["circuits"][0]["gaps"]] == [4]


def test_a_dash_is_known_to_be_none_everywhere_it_may_stand(tmp_path: Path) -> None:
    """A leased hop that is known to rely on nothing shares nothing and is no gap."""
    plant = Plant()
    plant.rows["links"].append(
        {"id": "LL", "a": "RA", "b": "RB", "medium": "leased", "length_m": 3000, "relies_on": "-"}
    )
    plant.rows["circuit_paths"][1]["link"] = "LL"
    one = circuit(plant.proof(tmp_path))
    assert (one["verdict"], one["gaps"]) == ("apart", [])


@pytest.mark.parametrize(
    ("named", "gaps"),
    [
        ("A", ["leased-route"]),
        ("A;B;RA", ["leased-route"]),
        ("A;ROOM", ["leased-route"]),
        ("A;N", []),
        ("N", []),
    ],
)
def test_naming_ones_own_site_is_no_route(tmp_path: Path, named: str, gaps: list[str]) -> None:
    """A leased hop from A to B that relies on site A, relay RA or the room of RA says nothing of
    what lies between; with pit N it does. `recheck` finds the same."""
    plant = Plant()
    plant.rows["holders"].append({"id": "ROOM", "kind": "room", "within": "A"})
    for row in plant.rows["equipment"]:
        if row["id"] == "RA":
            row["within"] = "ROOM"
    lease = {"id": "LL", "a": "RA", "b": "RB", "medium": "leased", "length_m": 3000}
    plant.rows["links"].append({**lease, "relies_on": named, "stated_by": "its owner"})
    plant.rows["circuit_paths"][1]["link"] = "LL"
    proof = plant.proof(tmp_path)
    one = circuit(proof)
    assert [gap["code"] for gap in one["gaps"]] == gaps
    assert one["verdict"] == ("unproven" if gaps else "apart")
    facts = proof.facts()
    (link,) = [link for link in facts["links"] if link["id"] == "LL"]
    assert link["stated"] == {"by": "its owner", "on": None}
    file = tmp_path / "evidence.json"
    file.write_text(json.dumps(facts), encoding="utf-8")
    assert not recheck(tmp_path, file)["false"]
    link["stated"] = {"by": "its owner", "on": "2026-01-01"}
    file.write_text(json.dumps(facts), encoding="utf-8")
    assert any("route stated" in said for said in recheck(tmp_path, file)["false"])
