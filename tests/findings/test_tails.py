"""The tail of a circuit: what its paths share inside an end site, before they part.

Every plant has sites A and B, two cables CN and CS between them that share nothing, and
circuit K from relay RA to relay RB.

    RA --HA-- MA ====LN==== MB --HB-- RB      main:      HA LN HB
               \\====LS====/                   alternate: HA LS HB

Unless a test says otherwise both paths run through the multiplexers MA and MB.
"""

from __future__ import annotations

import json
from io import StringIO
from pathlib import Path

import pytest
from rich.console import Console

import waysapart as wa
from line_plant import LinePlant
from proofs import proof_of
from waysapart.export.layers import found_layers
from waysapart.recheck import recheck
from waysapart.report import words
from waysapart.report.terminal import show_circuit
from waysapart.report.words import single_points


def by_one_multiplexer() -> LinePlant:
    plant = LinePlant()
    plant.two_cables()
    plant.machine("MA", "A")
    plant.machine("MB", "B")
    plant.hop("HA", "RA", "MA")
    plant.hop("HB", "MB", "RB")
    plant.fibre("LN", "MA", "MB", "CN")
    plant.fibre("LS", "MA", "MB", "CS")
    plant.way("K", "main", "HA", "LN", "HB")
    plant.way("K", "alternate", "HA", "LS", "HB")
    return plant


def shared(found: dict) -> set[str]:
    return {one["asset"] for one in found["shared"]}


def machine_of(plant: LinePlant, name: str) -> dict:
    (row,) = [one for one in plant.rows["equipment"] if one["id"] == name]
    return row


def test_the_multiplexer_and_the_hop_to_it_are_tail(tmp_path: Path) -> None:
    """Both multiplexers and both hops are run through by both paths: listed, and apart."""
    found = by_one_multiplexer().circuit_facts(tmp_path)
    assert found["verdict"] == "apart"
    assert set(found["tail"]) == {"MA", "MB", "HA", "HB"}
    assert not found["shared"]
    assert set(found["unavoidable"]) == {"RA", "RB", "A", "B"}


def test_the_tail_is_a_single_point_of_failure_all_the_same(tmp_path: Path) -> None:
    """Losing MA loses both paths, whatever the verdict says."""
    found = by_one_multiplexer().circuit_facts(tmp_path)
    assert set(single_points(found)) == {"MA", "MB", "HA", "HB", "RA", "RB", "A", "B"}


def test_a_service_may_count_its_tails(tmp_path: Path) -> None:
    """`tail = "shared"`: the same four things are shared, and nothing is tail."""
    plant = by_one_multiplexer()
    plant.service = 'tail = "shared"\n'
    found = plant.circuit_facts(tmp_path)
    assert found["verdict"] == "shared"
    assert shared(found) == {"MA", "MB", "HA", "HB"}
    assert found["tail"] == []


def test_what_the_tail_relies_on_at_the_site_is_tail(tmp_path: Path) -> None:
    """The battery of MA, its charger, the rack and the room: all needed by MA, none by RA."""
    plant = by_one_multiplexer()
    plant.rows["holders"] += [
        {"id": "RACK", "kind": "rack", "within": "ROOM"},
        {"id": "ROOM", "kind": "room", "within": "A"},
        {"id": "CHG", "kind": "charger", "within": "A"},
    ]
    plant.rows["supplies"].append({"id": "BAT", "site": "A", "within": "A", "needs": "CHG"})
    machine_of(plant, "MA").update(supplies="BAT", within="RACK")
    found = plant.circuit_facts(tmp_path)
    assert found["verdict"] == "apart"
    assert {"BAT", "CHG", "RACK", "ROOM"} <= set(found["tail"])


def test_two_multiplexers_on_one_battery_are_no_tail(tmp_path: Path) -> None:
    """The paths part at the relay: main through MA, alternate through MA2. What both
    multiplexers hang on is passed after the parting, so it is shared."""
    plant = by_one_multiplexer()
    plant.machine("MA2", "A", supplies="BAT")
    machine_of(plant, "MA")["supplies"] = "BAT"
    plant.rows["supplies"].append({"id": "BAT", "site": "A", "within": "-"})
    plant.hop("HA2", "RA", "MA2")
    plant.fibre("LS2", "MA2", "MB", "CS")
    plant.rows["circuit_paths"] = []
    plant.way("K", "main", "HA", "LN", "HB")
    plant.way("K", "alternate", "HA2", "LS2", "HB")
    found = plant.circuit_facts(tmp_path)
    assert found["verdict"] == "shared"
    assert shared(found) == {"BAT"}
    assert set(found["tail"]) == {"MB", "HB"}


def test_outside_the_end_site_it_is_shared(tmp_path: Path) -> None:
    """Both paths go on by the same cable CX to site C, and part there: MA is tail, the
    multiplexer at C and all of CX are shared."""
    plant = by_one_multiplexer()
    plant.node("C", 2000, 1500, role="sites")
    plant.node("X", 1000, 900)
    plant.nodes("pit", N2=(4000, 1200), S2=(4000, 600))
    plant.laid("CX", "A", "X", "C")
    plant.laid("CN2", "C", "N2", "B")
    plant.laid("CS2", "C", "S2", "B")
    plant.machine("MC", "C")
    plant.fibre("LX", "MA", "MC", "CX")
    plant.fibre("LN2", "MC", "MB", "CN2")
    plant.fibre("LS2", "MC", "MB", "CS2")
    plant.rows["circuit_paths"] = []
    plant.way("K", "main", "HA", "LX", "LN2", "HB")
    plant.way("K", "alternate", "HA", "LX", "LS2", "HB")
    found = plant.circuit_facts(tmp_path)
    assert found["verdict"] == "shared"
    assert shared(found) == {"CX", "CX-1", "CX-2", "X", "MC", "C"}
    assert set(found["tail"]) == {"MA", "HA", "MB", "HB"}


def test_what_a_tail_needs_elsewhere_is_shared(tmp_path: Path) -> None:
    """MA takes its time from a clock at site C: the clock and its room are not at the end."""
    plant = by_one_multiplexer()
    plant.node("C", 2000, 1500, role="sites")
    plant.rows["holders"].append({"id": "ROOM-C", "kind": "room", "within": "C"})
    plant.machine("CLK", "C", "clock", within="ROOM-C")
    machine_of(plant, "MA")["needs"] = "CLK"
    found = plant.circuit_facts(tmp_path)
    assert found["verdict"] == "shared"
    assert shared(found) == {"CLK", "C", "ROOM-C"}


def test_a_holder_that_reaches_beyond_the_site_is_shared(tmp_path: Path) -> None:
    """The battery of MA hangs on a transformer of line L1, whose tower stands in the field: the
    transformer has no other place, but the line reaches beyond the station."""
    plant = by_one_multiplexer()
    plant.node("T1", 800, 900, kind="tower", within="L1")
    plant.rows["holders"] += [
        {"id": "L1", "kind": "line", "within": "-"},
        {"id": "TAP", "kind": "transformer", "within": "L1"},
    ]
    plant.rows["supplies"].append({"id": "BAT", "site": "A", "within": "TAP"})
    machine_of(plant, "MA")["supplies"] = "BAT"
    found = plant.circuit_facts(tmp_path)
    assert shared(found) == {"L1"}
    assert {"BAT", "TAP"} <= set(found["tail"])


def test_a_cord_in_a_tray_is_tail(tmp_path: Path) -> None:
    """RA and MA are joined by a fibre cord in a tray of the station: cord, tray and panel."""
    plant = by_one_multiplexer()
    plant.rows["links"] = [row for row in plant.rows["links"] if row["id"] != "HA"]
    plant.segment("TRAY", "tray", (0, 0), (1, 1), a="A", b="A")
    plant.follow("CORD", "TRAY")
    plant.machine("PNL", "A", "panel")
    plant.fibre("HA", "RA", "MA", "CORD", via="PNL")
    found = plant.circuit_facts(tmp_path)
    assert found["gaps"] == []
    assert found["verdict"] == "apart"
    assert set(found["tail"]) == {"CORD", "TRAY", "PNL", "MA", "MB", "HB"}


@pytest.mark.parametrize("kind", ["duct", "trench", "buried", "span"])
def test_laid_plant_on_the_site_is_never_tail(kind: str, tmp_path: Path) -> None:
    """The cord runs through a pit on the station's ground: pit, both segments, and the cable
    in them are shared, though the hop never leaves the site."""
    plant = by_one_multiplexer()
    plant.rows["links"] = [row for row in plant.rows["links"] if row["id"] != "HA"]
    plant.node("PIT", 0, 30)
    plant.laid("CORD", "A", "PIT", "A", kind=kind)
    plant.fibre("HA", "RA", "MA", "CORD")
    found = plant.circuit_facts(tmp_path)
    assert found["verdict"] == "shared"
    assert shared(found) == {"PIT", "CORD-1", "CORD-2", "CORD"}
    assert set(found["tail"]) == {"MA", "MB", "HB"}


def test_an_entry_and_what_stands_in_it_are_never_tail(tmp_path: Path) -> None:
    """Both cables come into the station by one entry, after the paths have parted."""
    plant = by_one_multiplexer()
    plant.node("ENT", 40, 0, kind="entry", within="A")
    for segment in plant.rows["segments"]:
        if segment["id"] in ("CN-1", "CS-1"):
            segment.update(line=[plant.at["ENT"], *segment["line"][1:]], a="ENT")
    for cable in ("CN", "CS"):
        plant.segment(f"{cable}-0", "tray", (0, 0), "ENT", a="A", b="ENT")
        plant.rows["cable_runs"].append({"cable": cable, "seq": 0.5, "segment": f"{cable}-0"})
    for row in plant.rows["cable_runs"]:
        row["seq"] = int(row["seq"] * 2)
    found = plant.circuit_facts(tmp_path)
    assert shared(found) == {"ENT"}
    assert set(found["tail"]) == {"MA", "MB", "HA", "HB"}


def test_a_hazard_is_never_tail(tmp_path: Path) -> None:
    """A flood that takes trays reaches the tray of the cord: shared, as it is no asset of the
    station; the tray itself is tail."""
    plant = by_one_multiplexer()
    plant.rows["links"] = [row for row in plant.rows["links"] if row["id"] != "HA"]
    plant.segment("TRAY", "tray", (0, 0), (1, 1), a="A", b="A")
    plant.follow("CORD", "TRAY")
    plant.fibre("HA", "RA", "MA", "CORD")
    plant.rows["hazards"].append(
        {"id": "FLOOD", "kind": "flood", "line": [(0, 0)], "area_m": 20, "takes": "tray"}
    )
    found = plant.circuit_facts(tmp_path)
    assert shared(found) == {"FLOOD"}
    assert {"TRAY", "CORD"} <= set(found["tail"])


def test_paths_that_never_part_have_no_tail(tmp_path: Path) -> None:
    """Main and alternate over the same links all the way: nowhere to count from, all shared."""
    plant = by_one_multiplexer()
    plant.rows["circuit_paths"] = []
    plant.way("K", "main", "HA", "LN", "HB")
    plant.way("K", "alternate", "HA", "LN", "HB")
    found = plant.circuit_facts(tmp_path)
    assert found["tail"] == []
    assert {"MA", "HA", "MB", "HB", "CN", "N"} <= shared(found)


def test_every_path_has_to_run_through_it(tmp_path: Path) -> None:
    """A third path leaves RA by itself: main and alternate begin alike, but what all three
    share is nothing."""
    plant = by_one_multiplexer()
    plant.nodes("pit", T=(3000, 900))
    plant.laid("CT", "A", "T", "B")
    plant.fibre("LT", "RA", "RB", "CT")
    plant.way("K", "third", "LT")
    found = plant.circuit_facts(tmp_path)
    assert (found["verdict"], found["tail"], found["shared"]) == ("apart", [], [])


def test_groups_know_no_tail(tmp_path: Path) -> None:
    """Two circuits back each other up over MA: the multiplexer is shared by the group though
    each circuit may call it tail."""
    plant = by_one_multiplexer()
    plant.machine("RA2", "A", "relay")
    plant.machine("RB2", "B", "relay")
    plant.hop("HA2", "RA2", "MA")
    plant.hop("HB2", "MB", "RB2")
    plant.rows["circuits"][0]["group"] = "G"
    plant.way("K2", "main", "HA2", "LS", "HB2", a="RA2", b="RB2", group="G")
    plant.way("K2", "alternate", "HA2", "LN", "HB2")
    facts = plant.proved(tmp_path).facts()
    assert [one["verdict"] for one in facts["circuits"]] == ["apart", "apart"]
    (group,) = facts["groups"]
    assert group["verdict"] == "shared"
    assert shared(group) == {"MA", "MB"}
    assert "tail" not in group


def test_a_chain_of_equipment_in_the_site_is_tail_up_to_the_last_common_one(tmp_path: Path) -> None:
    """RA - X - MA - (CN | CS): both hops and X are tail; what only one path uses is not."""
    plant = by_one_multiplexer()
    plant.rows["links"] = [row for row in plant.rows["links"] if row["id"] != "HA"]
    plant.machine("X", "A", "converter")
    plant.hop("H1", "RA", "X", "electrical")
    plant.hop("H2", "X", "MA")
    plant.rows["circuit_paths"] = []
    plant.way("K", "main", "H1", "H2", "LN", "HB")
    plant.way("K", "alternate", "H1", "H2", "LS", "HB")
    found = plant.circuit_facts(tmp_path)
    assert found["verdict"] == "apart"
    assert set(found["tail"]) == {"X", "H1", "H2", "MA", "MB", "HB"}


def test_a_hop_with_a_panel_elsewhere_leaves_the_site(tmp_path: Path) -> None:
    """The hop from RA to MA passes a panel at site C: it is not inside the station, so it and
    what follows are shared."""
    plant = by_one_multiplexer()
    plant.node("C", 2000, 1500, role="sites")
    plant.machine("PNL", "C", "panel")
    (hop,) = [row for row in plant.rows["links"] if row["id"] == "HA"]
    hop["via"] = "PNL"
    found = plant.circuit_facts(tmp_path)
    assert {"PNL", "C", "HA", "MA"} <= shared(found)
    assert set(found["tail"]) == {"MB", "HB"}


def test_the_tail_does_not_hang_on_the_order_of_rows_or_ends(tmp_path: Path) -> None:
    """The same circuit recorded from the other end, with the hops turned round."""
    plant = by_one_multiplexer()
    plant.rows["circuits"][0].update(a="RB", b="RA")
    for row in plant.rows["links"]:
        row["a"], row["b"] = row["b"], row["a"]
    found = plant.circuit_facts(tmp_path)
    assert found["verdict"] == "apart"
    assert set(found["tail"]) == {"MA", "MB", "HA", "HB"}


def with_everything() -> LinePlant:
    """A cord in a tray, a panel, a battery with its charger, a rack: all of it tail."""
    plant = by_one_multiplexer()
    plant.rows["links"] = [row for row in plant.rows["links"] if row["id"] != "HA"]
    plant.segment("TRAY", "tray", (0, 0), (1, 1), a="A", b="A")
    plant.follow("CORD", "TRAY")
    plant.machine("PNL", "A", "panel")
    plant.fibre("HA", "RA", "MA", "CORD", via="PNL")
    plant.rows["holders"] += [
        {"id": "RACK", "kind": "rack", "within": "A"},
        {"id": "CHG", "kind": "charger", "within": "A"},
    ]
    plant.rows["supplies"].append({"id": "BAT", "site": "A", "within": "A", "needs": "CHG"})
    machine_of(plant, "MA").update(supplies="BAT", within="RACK")
    return plant


def held(folder: Path, facts: dict) -> dict:
    file = folder.parent / "evidence.json"
    file.write_text(json.dumps(facts), encoding="utf-8")
    return recheck(folder, file)


def test_recheck_confirms_a_tail(tmp_path: Path) -> None:
    """Evidence of a tail is confirmed; a shared pit passed off as a tail is told."""
    facts = with_everything().proved(tmp_path / "study").facts()
    assert len(facts["circuits"][0]["tail"]) == 9
    assert held(tmp_path / "study", facts)["false"] == []
    plant = with_everything()
    plant.service = 'tail = "shared"\n'
    counted = plant.proved(tmp_path / "counted").facts()
    assert held(tmp_path / "counted", counted)["false"] == []
    (circuit,) = counted["circuits"]
    circuit["tail"] = [one["asset"] for one in circuit["shared"]]
    circuit["shared"], circuit["stretches"] = [], []
    assert any("K: tail" in one for one in held(tmp_path / "counted", counted)["false"])


def test_it_is_told_in_words(tmp_path: Path) -> None:
    """`prove --circuit K`, the one line of a circuit, and the report name the tail."""
    found = by_one_multiplexer().circuit_facts(tmp_path)
    console = Console(width=200, file=StringIO())
    show_circuit(console, proof_of(tmp_path).facts(), "K")
    text = " ".join(_printed(console).split())
    assert "all paths pass through the tail: MA, MB, HA and HB" in text
    assert words.finding(found, {}) == "Nothing shared beyond what its ends need and its tail."
    page = tmp_path / "page.html"
    wa.write_report(proof_of(tmp_path), page)
    assert "All paths pass through the tail" in page.read_text(encoding="utf-8")


def _printed(console: Console) -> str:
    assert isinstance(console.file, StringIO)
    return console.file.getvalue()


def test_it_is_exported(tmp_path: Path) -> None:
    """`found_shared` marks what is tail: not avoidable, and not the relays' own either."""
    proof = with_everything().proved(tmp_path)
    rows = found_layers(proof)["found_shared"].set_index("asset")
    assert rows.loc["MA", ["avoidable", "tail"]].tolist() == [0, 1]
    assert rows.loc["RA", ["avoidable", "tail"]].tolist() == [0, 0]
