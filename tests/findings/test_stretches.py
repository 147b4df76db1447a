"""What stands in one stretch: neighbours that two paths share without a break.

A ==M1== T1 ==== T2 ==== T3 ==M9== B       main on the spans of one line
A ..N1..                     ..N9.. B      alternate on it from T1 to T3, by ducts of its own
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from line_plant import LinePlant
from proofs import proof_of
from waysapart import evidence
from waysapart.recheck import recheck


def line(ends: str = "duct") -> LinePlant:
    """Towers T1, T2 and T3, 1000 m apart, with cable CM on spans S1 and S2 between them."""
    plant = LinePlant((0, 0), (6000, 0))
    plant.nodes("tower", T1=(2000, 0), T2=(3000, 0), T3=(4000, 0))
    plant.nodes("pit", P1=(1000, 500), P2=(5000, 500), Q1=(1000, -500), Q2=(5000, -500))
    for name, one, other in (
        ("M1", "A", "P1"),
        ("M2", "P1", "T1"),
        ("M8", "T3", "P2"),
        ("M9", "P2", "B"),
        ("N1", "A", "Q1"),
        ("N2", "Q1", "T1"),
        ("N8", "T3", "Q2"),
        ("N9", "Q2", "B"),
    ):
        plant.segment(name, ends, one, other, a=one, b=other)
    plant.segment("S1", "span", "T1", "T2", a="T1", b="T2")
    plant.segment("S2", "span", "T2", "T3", a="T2", b="T3")
    plant.follow("CM", "M1", "M2", "S1", "S2", "M8", "M9")
    plant.fibre("LM", "RA", "RB", "CM")
    return plant


def both_ways(plant: LinePlant) -> None:
    plant.fibre("LN", "RA", "RB", "CN")
    plant.way("K", "main", "LM")
    plant.way("K", "alternate", "LN")


def proved(plant: LinePlant, folder: Path) -> dict[str, Any]:
    """The circuit, after recheck has confirmed all that is said of it."""
    facts = json.loads(json.dumps(plant.proved(folder / "study").facts()))
    assert evidence.misfits(facts) == []
    (folder / "evidence.json").write_text(json.dumps(facts), encoding="utf-8")
    assert recheck(folder / "study", folder / "evidence.json")["false"] == []
    (circuit,) = facts["circuits"]
    return dict(circuit)


def members(circuit: dict[str, Any]) -> list[list[str]]:
    return [one["members"] for one in circuit["stretches"]]


def test_two_cables_on_the_same_spans_make_one_stretch(tmp_path: Path) -> None:
    """Three towers and two spans between them, in the order of main. Main comes to T1 after
    sqrt(1000^2 + 500^2) twice, 2236.07 m on the plane of the drawing, and leaves T3 2000 m on."""
    plant = line()
    plant.follow("CN", "N1", "N2", "S1", "S2", "N8", "N9")
    both_ways(plant)
    circuit = proved(plant, tmp_path)
    assert members(circuit) == [["T1", "S1", "T2", "S2", "T3"]]
    (stretch,) = circuit["stretches"]
    assert stretch["via"] == {"main": ["LM", "CM"], "alternate": ["LN", "CN"]}
    assert stretch["holders"] == []
    for way in ("main", "alternate"):
        along = stretch["along"][way]
        assert along["from_m"] == pytest.approx(2 * (1000**2 + 500**2) ** 0.5, rel=1e-3)
        assert along["to_m"] - along["from_m"] == pytest.approx(2000, rel=1e-3)
    assert {one["asset"]: one["stretch"] for one in circuit["shared"]} == dict.fromkeys(
        ("T1", "S1", "T2", "S2", "T3"), 1
    )
    assert circuit["single_points"]["stretches"] == [1]
    assert not set(circuit["single_points"]["assets"]) & {"T1", "S1"}


def test_two_wires_on_the_same_towers_make_one_stretch_of_towers(tmp_path: Path) -> None:
    """Each path has spans of its own, but nothing that stands alone lies between the towers."""
    plant = line()
    plant.segment("R1", "span", "T1", "T2", a="T1", b="T2")
    plant.segment("R2", "span", "T2", "T3", a="T2", b="T3")
    plant.follow("CN", "N1", "N2", "R1", "R2", "N8", "N9")
    both_ways(plant)
    assert members(proved(plant, tmp_path)) == [["T1", "T2", "T3"]]


def test_pits_with_ducts_of_their_own_between_them_are_two_stretches(tmp_path: Path) -> None:
    """The paths part after T1 and meet again at T3: what lies between is not shared."""
    plant = line()
    plant.segment("D", "duct", "T1", (3000, -300), "T3", a="T1", b="T3")
    plant.follow("CN", "N1", "N2", "D", "N8", "N9")
    both_ways(plant)
    assert members(proved(plant, tmp_path)) == [["T1"], ["T3"]]


def test_a_structure_of_one_path_alone_parts_a_stretch(tmp_path: Path) -> None:
    """The alternate goes from T1 to T3 on spans by a tower X of its own, not by T2."""
    plant = line()
    plant.nodes("tower", X=(3000, -40))
    plant.segment("X1", "span", "T1", "X", a="T1", b="X")
    plant.segment("X2", "span", "X", "T3", a="X", b="T3")
    plant.follow("CN", "N1", "N2", "X1", "X2", "N8", "N9")
    both_ways(plant)
    assert members(proved(plant, tmp_path)) == [["T1"], ["T3"]]


def test_a_holder_stands_in_the_stretch_of_what_lies_in_it(tmp_path: Path) -> None:
    """The line is shared only because its spans and towers are."""
    plant = line()
    plant.follow("CN", "N1", "N2", "S1", "S2", "N8", "N9")
    both_ways(plant)
    plant.rows["holders"].append({"id": "LINE", "kind": "line", "within": "-"})
    for role in ("structures", "segments"):
        for row in plant.rows[role]:
            if row["id"] in ("T1", "T2", "T3", "S1", "S2"):
                row["within"] = "LINE"
    circuit = proved(plant, tmp_path)
    (stretch,) = circuit["stretches"]
    assert (stretch["members"], stretch["holders"]) == (["T1", "S1", "T2", "S2", "T3"], ["LINE"])


def test_one_cable_of_both_paths_is_a_stretch_of_its_own(tmp_path: Path) -> None:
    """Both links run in CM: the cable stands alone, its plant is one stretch, ends to ends."""
    plant = line()
    plant.fibre("LN", "RA", "RB", "CM")
    plant.way("K", "main", "LM")
    plant.way("K", "alternate", "LN")
    circuit = proved(plant, tmp_path)
    assert sorted(members(circuit), key=len) == [
        ["CM"],
        ["M1", "P1", "M2", "T1", "S1", "T2", "S2", "T3", "M8", "P2", "M9"],
    ]


def test_what_is_waived_is_a_stretch_of_its_own(tmp_path: Path) -> None:
    """T2 is accepted, and stands apart from what is not; that is shared without a break."""
    plant = line()
    plant.follow("CN", "N1", "N2", "S1", "S2", "N8", "N9")
    both_ways(plant)
    plant.rules = (
        '[[waiver]]\ncircuit = "K"\nasset = "T2"\nreason = "r"\nby = "b"\nuntil = 2099-01-01\n'
    )
    circuit = proved(plant, tmp_path)
    assert sorted(members(circuit)) == [["T1", "S1", "S2", "T3"], ["T2"]]
    assert [one["waived"] for one in circuit["stretches"] if one["members"] == ["T2"]] == [True]


def test_a_near_stretch_has_one_entry_with_its_pairs(tmp_path: Path) -> None:
    """Two lines of three spans each, 20 m apart, where 40 m are asked for: one entry, over the
    3000 m of both and the slopes to the end zones, with a pair for every two spans that come so
    near. The slopes meet at A at 0.01204 rad, so that the paths are 14.4 m apart at its zone."""
    plant = LinePlant((0, 0), (6000, 0))
    plant.nodes("tower", **{f"T{k}": (1500 + 1000 * k, 500) for k in range(4)})
    plant.nodes("tower", **{f"U{k}": (1500 + 1000 * k, 480) for k in range(4)})
    for way, first in (("M", "T"), ("N", "U")):
        plant.laid(f"C{way}", "A", *(f"{first}{k}" for k in range(4)), "B", kind="span")
        plant.fibre(f"L{way}", "RA", "RB", f"C{way}")
    plant.way("K", "main", "LM")
    plant.way("K", "alternate", "LN")
    study = tmp_path / "study"
    plant.read(study)
    rules = (study / "rules.toml").read_text().replace("separation_m = 0", "separation_m = 40")
    (study / "rules.toml").write_text(rules.replace("end_zone_m = 200", "end_zone_m = 1200"))
    facts = json.loads(json.dumps(proof_of(study).facts()))
    (tmp_path / "evidence.json").write_text(json.dumps(facts), encoding="utf-8")
    assert recheck(study, tmp_path / "evidence.json")["false"] == []
    (near,) = facts["circuits"][0]["near"]
    pairs = {(one["main"], one["alternate"]) for one in near["members"]}
    assert {("CM-2", "CN-2"), ("CM-3", "CN-3"), ("CM-4", "CN-4")} <= pairs
    assert near["distance_m"] == min(one["distance_m"] for one in near["members"])
    assert near["distance_m"] == pytest.approx(1200 * 0.01204, abs=0.1)
    assert near["length_m"] == pytest.approx(near["to_m"] - near["from_m"], abs=0.01)
    assert near["length_m"] > 3000


def test_ways_may_be_called_like_fields_of_the_evidence(tmp_path: Path) -> None:
    """`delay` has a limit_us of its own, `unavailability` a share for both: paths called `limit`,
    `both` and `worst` have theirs in `paths`, and what the fields say stays as it is."""
    plant = LinePlant()
    plant.two_cables()
    plant.fibre("LN", "RA", "RB", "CN")
    plant.fibre("LS", "RA", "RB", "CS")
    plant.hop("LW", "RA", "RB", "leased", relies_on="-", length_m=9000)
    plant.service = "max_delay_us = 4000\nmax_unavailability = 0.1"
    for label, link in (("limit", "LN"), ("both", "LS"), ("worst", "LW")):
        plant.way("K", label, link)
    circuit = proved(plant, tmp_path)
    assert circuit["delay"]["limit_us"] == 4000
    assert circuit["paths"]["limit"]["delay_us"] > 0
    assert circuit["delay"]["worst_us"] == max(one["delay_us"] for one in circuit["paths"].values())
    assert circuit["unavailability"]["limit"] == 0.1
