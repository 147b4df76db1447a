"""Lengths are those on the ellipsoid wherever the plant lies and however wide it is."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import waysapart as wa
from everyday import examples, some
from moved_plant import (
    ASIDE_M,
    COUNTRIES,
    EUROPE,
    INSIDE,
    OUTSIDE,
    PLACES,
    degrees_about,
    joined,
    thresholds,
    together,
)
from proofs import proof_of
from waysapart.export.layers import found_layers
from waysapart.recheck import recheck
from waysapart.report.map import map_data
from waysapart.report.write import report_facts

CLOSE_M = 0.01
ESTUARY = PLACES["estuary"]


def proved(folder: Path, place: tuple[float, float], off_m: float) -> dict[str, Any]:
    facts: dict[str, Any] = proof_of(thresholds(*place, off_m).write(folder)).facts()
    return facts


def figures(facts: dict[str, Any]) -> dict[tuple[str, ...], float]:
    """Lengths and distances of every circuit, in metres, by what they are of."""
    found: dict[tuple[str, ...], float] = {}
    for one in facts["circuits"]:
        found[one["id"], "closest"] = one["closest_m"]
        for label, path in one["paths"].items():
            found[one["id"], label, "fibre"] = path["length_m"]
        for number, near in enumerate(one["near"]):
            found[one["id"], "near", str(number)] = near["distance_m"]
            found[one["id"], "along", str(number)] = near["length_m"]
    return {key: figure for key, figure in found.items() if figure is not None}


def check_at(place: tuple[float, float], off_m: float, folder: Path) -> None:
    facts = proved(folder / "there", place, off_m)
    assert {one["id"]: one["verdict"] for one in facts["circuits"]} == (
        INSIDE if off_m > 0 else OUTSIDE
    )
    at_home = figures(proved(folder / "here", ESTUARY, off_m))
    assert figures(facts) == pytest.approx(at_home, abs=CLOSE_M)


@pytest.mark.parametrize("off_m", [0.05, -0.05], ids=["inside", "outside"])
@pytest.mark.parametrize("name", some([*PLACES][1:], every=6))
def test_a_plant_moved_over_the_globe_keeps_verdicts_and_distances(
    name: str, off_m: float, tmp_path: Path
) -> None:
    """Everything is 5 cm from its threshold."""
    check_at(PLACES[name], off_m, tmp_path)


@settings(max_examples=examples(60, every_day=2), deadline=None)
@given(
    lon=st.floats(-180, 180),
    lat=st.floats(-89.9, 89.9),
    off_m=st.sampled_from([0.05, -0.05]),
)
def test_the_same_anywhere(
    lon: float, lat: float, off_m: float, tmp_path_factory: pytest.TempPathFactory
) -> None:
    check_at((lon, lat), off_m, tmp_path_factory.mktemp("plant"))


def expected(parts: dict[str, Any], off_m: float) -> dict[str, str]:
    one = INSIDE if off_m > 0 else OUTSIDE
    return {f"{name}-{number}": one[name] for number in range(len(parts)) for name in one}


def check_rechecked(folder: Path, facts: dict[str, Any]) -> None:
    evidence = folder / "evidence.json"
    evidence.write_text(json.dumps(facts), encoding="utf-8")
    assert recheck(folder, evidence)["false"] == []


@pytest.mark.parametrize("off_m", some([0.05, -0.05], every=4), ids=["inside", "outside"])
@pytest.mark.parametrize("name", some(COUNTRIES, every=8))
def test_plant_in_several_parts_of_the_world(name: str, off_m: float, tmp_path: Path) -> None:
    """Each part has the verdicts that it has alone, and recheck finds no false claim."""
    parts = COUNTRIES[name]
    folder = together(parts, off_m).write(tmp_path)
    facts: dict[str, Any] = proof_of(folder).facts()
    assert {one["id"]: one["verdict"] for one in facts["circuits"]} == expected(parts, off_m)
    check_rechecked(folder, facts)


@pytest.mark.parametrize("name", some(["across the antimeridian", "Europe"], every=4))
def test_a_circuit_from_end_to_end_of_a_wide_plant(name: str, tmp_path: Path) -> None:
    """Two spans of 770 or 3,100 km, 3 m apart at both ends: near all the way but the end zones."""
    parts = COUNTRIES[name]
    made = together(parts, 0.05)
    far_m = joined(made, len(parts) - 1)
    facts: dict[str, Any] = proof_of(made.write(tmp_path)).facts()
    (one,) = [one for one in facts["circuits"] if one["id"] == "FAR"]
    assert one["paths"]["main"]["length_m"] == pytest.approx(far_m, abs=CLOSE_M)
    (near,) = one["near"]
    assert near["distance_m"] == pytest.approx(ASIDE_M, abs=CLOSE_M)
    assert near["length_m"] == pytest.approx(far_m - 400, abs=CLOSE_M)
    check_rechecked(tmp_path, facts)


@pytest.mark.parametrize("off_m", some([0.05, -0.05], every=4), ids=["inside", "outside"])
def test_layers_in_five_coordinate_systems_and_two_datums(off_m: float, tmp_path: Path) -> None:
    """ETRS89 in degrees, in two UTM zones and in Lambert's projection; WGS 84 in degrees.

    Much of each layer lies beside the strip that its zone was made for.
    """
    made = together(EUROPE, off_m)
    made.grids = {
        "sites": "EPSG:25832",
        "structures": "EPSG:3035",
        "segments": "EPSG:25833",
        "hazards": "EPSG:4258",
    }
    folder = made.write(tmp_path)
    facts: dict[str, Any] = proof_of(folder).facts()
    assert {one["id"]: one["verdict"] for one in facts["circuits"]} == expected(EUROPE, off_m)
    check_rechecked(folder, facts)


@pytest.mark.parametrize("name", some([*COUNTRIES][1:], every=10))
def test_every_command_takes_such_a_plant(name: str, tmp_path: Path) -> None:
    """What is cut, worst, rerouted, compared; a map and an export that go round no globe."""
    parts = COUNTRIES[name]
    folder = together(parts, 0.05).write(tmp_path / "study")
    proof = proof_of(folder)
    first, *_, last = parts.values()
    for number, place in ((0, first), (len(parts) - 1, last)):
        pit = degrees_about(*place, 0.0, 13_000.0)
        for reach, hit in ((0.1, True), (0.02, False)):
            cut = wa.dig(proof.study, at=pit, radius_m=reach, accuracy_m=0.0).facts()
            assert (f"V-{number}" in cut["hit"]) == hit
    assert wa.worst(proof, radius_m=50.0).facts()["places"]
    changes = wa.compare(proof, proof).facts()["circuits"]
    assert {one["change"] for one in changes} == {"same"}
    assert wa.reroute(proof.study, circuits=["HELD-0"], time_limit_s=5).facts()["circuits"]
    facts, geo = report_facts(proof)
    data = map_data(facts, geo)
    west, _, east, _ = data["frame"]
    spread = 360 - max_gap([lon for lon, _ in parts.values()])
    assert east - west == pytest.approx(spread, abs=8)
    assert data["marks"]
    assert all(west - 0.1 <= mark["at"][0] <= east + 0.1 for mark in data["marks"])
    for layer in found_layers(proof).values():
        if "geometry" in layer and len(layer):
            wide = layer.geometry.bounds
            most = 5 if layer.crs.is_geographic else 60_000
            assert (wide["maxx"] - wide["minx"]).max() < most


def max_gap(longitudes: list[float]) -> float:
    """The widest arc of a parallel without any of some longitudes."""
    found = sorted(lon % 360 for lon in longitudes)
    return max(two - one for one, two in zip(found, [*found[1:], found[0] + 360], strict=True))
