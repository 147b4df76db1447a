"""What traces add to the figures of links, and what they leave open."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

import waysapart as wa
from spliced_plant import SplicedPlant


def _tied(folder: Path, plant: SplicedPlant) -> wa.Network:
    return wa.tie(plant.read(folder / "study"))


def _link(network: wa.Network, name: str) -> dict[str, Any]:
    row = network.study.tables["links"].set_index("id").loc[name]
    return {str(key): value for key, value in row.items()}


def _codes(network: wa.Network) -> list[str]:
    return sorted(gap.code for gap in network.gaps)


def test_cords_of_the_longer_direction_count(tmp_path: Path) -> None:
    """Go over cords of 3 and 5 m, return over cords of 80 and 5 m: 85 m at 0.005 us."""
    plant = SplicedPlant()
    plant.without("patches", id="KA")
    plant.cord("KT", "RA", "tx", "FA", 1, length_m=3)
    plant.cord("KR", "RA", "rx", "FA", 2, length_m=80)
    network = _tied(tmp_path, plant)
    assert _link(network, "LN")["extra_delay_us"] == pytest.approx(0.425)
    assert _codes(network) == []


@pytest.mark.parametrize("loss_db", [0.2, ""])
@pytest.mark.parametrize("cord", ["KC", "KD"])
def test_a_cord_of_another_type_needs_a_loss_on_record(
    tmp_path: Path, cord: str, loss_db: float | str
) -> None:
    """At end a, where the light goes from the cord into S, and at b, where it comes from S."""
    plant = SplicedPlant()
    for row in plant.rows["patches"]:
        if row["id"] == cord:
            row |= {"fibre_type": "OM2", "loss_db": loss_db}
    assert _codes(_tied(tmp_path, plant)) == ["splice-types"] * (loss_db == "")


def test_a_link_whose_ports_nobody_recorded_is_no_traced_one(tmp_path: Path) -> None:
    """No splice, termination or cord at all: runs are written, and ports lead nowhere."""
    plant = SplicedPlant()
    for role in ("splices", "terminations", "patches"):
        del plant.rows[role]
    for name, cable in (("LN", "N1"), ("LN", "N2"), ("LS", "S")):
        seq = 1 + (cable == "N2")
        plant.rows["link_runs"].append({"link": name, "seq": seq, "cable": cable})
    network = _tied(tmp_path, plant)
    assert _codes(network) == ["trace-stops"] * 3  # go and return of LN, and LS


def test_a_cord_to_a_panel_of_unknown_site_is_none_between_sites(tmp_path: Path) -> None:
    plant = SplicedPlant()
    next(row for row in plant.rows["equipment"] if row["id"] == "FA")["site"] = ""
    assert "cord-between-sites" not in _codes(_tied(tmp_path, plant))


def test_go_and_return_may_not_change_places(tmp_path: Path) -> None:
    """Traced: go over fibres 1 and 5. Written: go over 2 and 6, return over 1 and 5."""
    plant = SplicedPlant()
    for direction, fibres in (("go", (2, 6)), ("return", (1, 5))):
        for seq, (cable, fibre) in enumerate(zip(("N1", "N2"), fibres, strict=True), start=1):
            run = {"link": "LN", "seq": seq, "cable": cable, "fibres": fibre}
            plant.rows["link_runs"].append({**run, "direction": direction})
    assert _codes(_tied(tmp_path, plant)) == ["runs-differ"]


def test_a_trace_ends_where_something_else_ends_on_its_last_port(tmp_path: Path) -> None:
    """Two cords on the port of RB that receives: the light may come over either."""
    plant = SplicedPlant()
    plant.cord("KY", "FB", 9, "RB", "rx")
    (gap,) = (one for one in _tied(tmp_path, plant).gaps if one.code == "port-twice")
    assert gap.links == ("LN",)
    assert "port rx of RB" in gap.message


def test_a_loop_is_shown_once(tmp_path: Path) -> None:
    """S 7 and S 8 through a filter and back: every step of the round once."""
    plant = SplicedPlant()
    plant.without("patches", id="KC")
    plant.rows["equipment"].append(
        {"id": "WA", "site": "A", "kind": "filter", "within": "-", "supplies": "-"}
    )
    for leaf in (1, 2):
        plant.cord(f"I{leaf}", "WA", "com", "WA", leaf)
    plant.cord("KC", "RA", "s", "WA", 1)
    plant.cord("KE", "WA", "com", "FA", 7)
    plant.cord("KF", "WA", 2, "FA", 8)
    plant.cord("KG", "FB", 7, "FB", 8)
    for fibre in (7, 8):
        for panel in ("FA", "FB"):
            plant.end("S", fibre, panel, fibre)
    network = _tied(tmp_path, plant)
    assert "trace-loop" in _codes(network)
    traced = network.study.traced
    assert traced is not None
    mine = traced.steps[traced.steps["link"] == "LS"]
    before = mine["is"].to_list().index("stop")
    assert mine["is"].to_list()[:before].count("fibre") == 2


def test_a_direction_of_unknown_length_leaves_the_link_open(tmp_path: Path) -> None:
    """Go over N1, return over M, whose course nobody recorded: the length is not that of go."""
    plant = SplicedPlant()
    plant.rows["cables"].append({"id": "M", "fibre_type": "G.652.D", "fibre_count": 24})
    plant.rows["links"] = [{"id": "LN", "a": "RA", "b": "RB", "wavelength_nm": 1310}]
    plant.rows["link_runs"] = [
        {"link": "LN", "seq": 1, "cable": "S", "fibres": 1, "direction": "go"},
        {"link": "LN", "seq": 1, "cable": "M", "fibres": 1, "direction": "return"},
    ]
    plant.rows["circuit_paths"] = [{"circuit": "K", "path": "main", "seq": 1, "link": "LN"}]
    (link,) = wa.prove(_tied(tmp_path, plant)).facts()["links"]
    assert link["lengths"]["length_m"] is None


def test_a_direction_of_unknown_delay_leaves_the_fibre_of_its_path_open(tmp_path: Path) -> None:
    """Go over N1 and N2, whose types are not known, return over S: S alone is not the answer."""
    plant = SplicedPlant()
    for row in plant.rows["cables"]:
        row["fibre_type"] = "G.652.D" if row["id"] == "S" else ""
    plant.rows["links"] = [{"id": "LN", "a": "RA", "b": "RB", "wavelength_nm": 1310}]
    plant.rows["link_runs"] = [
        {"link": "LN", "seq": 1, "cable": "N1", "direction": "go"},
        {"link": "LN", "seq": 2, "cable": "N2", "direction": "go"},
        {"link": "LN", "seq": 1, "cable": "S", "direction": "return"},
    ]
    plant.rows["circuit_paths"] = [{"circuit": "K", "path": "main", "seq": 1, "link": "LN"}]
    (circuit,) = wa.prove(_tied(tmp_path, plant)).facts()["circuits"]
    assert circuit["paths"]["main"]["delay_terms"]["fibre_us"] is None


def test_a_link_over_cords_alone_is_as_long_as_no_fibre(tmp_path: Path) -> None:
    """Its length is known to be nought, and its loss is that of its cord."""
    plant = SplicedPlant()
    plant.rows["equipment"].append(
        {"id": "MA", "site": "A", "within": "-", "supplies": "-", "delay_us": 0}
    )
    plant.cord("KM", "RA", "m", "MA", "r", length_m=8, loss_db=0.02)
    ends = {"a": "RA", "b": "MA", "a_port": "m", "b_port": "r"}
    plant.rows["links"].append({"id": "LM", **ends, "wavelength_nm": 1310})
    facts = wa.prove(_tied(tmp_path, plant)).facts()
    link = next(one for one in facts["links"] if one["id"] == "LM")
    assert link["lengths"]["length_m"] == 0
    assert link["loss"] is not None
    assert link["loss"]["terms"]["via_db"] == pytest.approx(0.02)
