"""All the largest sets of segments that one circle can take: plants drawn by hand, random ones."""

from __future__ import annotations

import itertools
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import waysapart as wa
from commands import run
from dig_plant import two_ways
from drawn_plant import DrawnPlant
from everyday import some

SEGMENTS = ["d1", "d2", "d3", "d4", "e1", "e2", "e3", "e4"]


@pytest.fixture(scope="module")
def proof(tmp_path_factory: pytest.TempPathFactory) -> wa.Proof:
    """d1 to d4 along y = 0 from x = 0 to 4000; e1 and e4 400 m down, e2 and e3 along y = -400."""
    return two_ways().proof(tmp_path_factory.mktemp("sets") / "study")


def sets_of(table: Any) -> set[frozenset[str]]:
    return {frozenset(one) for one in table["hit"]}


def test_sets_of_two_ducts_drawn_by_hand(proof: wa.Proof) -> None:
    """A circle of 150 m takes two neighbours where they meet; one of 201 m reaches from
    y = 0 to y = -400, at the ends beside the corner and at 1000, 2000 and 3000 beside the pits."""
    small = wa.largest_sets(proof, 150)
    meet = ["d1 e1", "d1 d2", "d2 d3", "d3 d4", "d4 e4", "e1 e2", "e2 e3", "e3 e4"]
    assert sets_of(small) == {frozenset(one.split()) for one in meet}
    # The alternate is met with the main path at the end sites alone, and lost there with it.
    assert {frozenset(row["hit"]): row["lost"] for row in small.to_dict("records")} == {
        frozenset(one.split()): int(one in ("d1 e1", "d4 e4")) for one in meet
    }
    wide = ["d1 e1 e2", "d1 d2 e2", "d2 d3 e2 e3", "d3 d4 e3", "d4 e3 e4"]
    assert sets_of(wa.largest_sets(proof, 201)) == {frozenset(one.split()) for one in wide}


def test_the_circle_given_takes_the_set_and_the_rank_is_by_circuits_lost(proof: wa.Proof) -> None:
    table = wa.largest_sets(proof, 201)
    assert table["lost"].tolist() == [1] * 5
    assert table["circuits_lost"].tolist() == [["K"]] * 5
    for row in table.to_dict("records"):
        hit = wa.dig(proof, at=(row["lon"], row["lat"]), radius_m=201.01, accuracy_m=0)
        assert set(row["hit"]) == {one for one in hit.facts()["hit"] if one in SEGMENTS}
    lost = wa.largest_sets(proof, 150)["lost"].tolist()
    assert lost == sorted(lost, reverse=True)


def test_what_is_out_of_service_is_no_path_to_lose(tmp_path: Path) -> None:
    plant = two_ways()
    plant.settings = 'out = ["CA"]\n'
    table = wa.largest_sets(plant.read(tmp_path / "study"), 150)
    lost = {frozenset(row["hit"]): row["lost"] for row in table.to_dict("records")}
    assert lost[frozenset({"d1", "d2"})] == 1
    assert lost[frozenset({"e1", "e2"})] == 0


def distance_m(xy: np.ndarray, p: Any, q: Any) -> np.ndarray:
    """Of points to a straight piece, by Pythagoras."""
    p, v = np.asarray(p, dtype=float), np.subtract(q, p)
    part = np.clip((xy - p) @ v / max(v @ v, 1e-12), 0, 1)
    return np.hypot(*(xy - p - part[:, None] * v).T)


@pytest.mark.parametrize("seed", some(range(6), every=6))
def test_no_circle_takes_a_set_that_lies_in_none_of_them(seed: int, tmp_path: Path) -> None:
    """Random segments without a circuit; circles of a fine grid, and those through two ends."""
    rng = np.random.default_rng(seed)
    plant = DrawnPlant((-5000, 0), (-5000, 500))
    lines = {}
    for number in range(14):
        start = rng.integers(0, 1000, 2)
        bend = start + rng.integers(-300, 300, 2)
        lines[f"s{number}"] = [
            tuple(int(one) for one in at) for at in (start, bend, bend + rng.integers(20, 200, 2))
        ]
        plant.segment(f"s{number}", "duct", *lines[f"s{number}"])
    radius = float(rng.uniform(40, 160))
    found = sets_of(wa.largest_sets(plant.read(tmp_path / "study"), radius))
    assert not any(one < other for one in found for other in found)
    x = np.arange(-400, 1500, 8.0)
    grid = np.stack(np.meshgrid(x, x), axis=-1).reshape(-1, 2)
    ends = np.array([at for line in lines.values() for at in line], dtype=float)
    round_ = np.linspace(0, 2 * np.pi, 60)[:, None, None]
    about = ends + radius * np.concatenate([np.cos(round_), np.sin(round_)], axis=2)
    centres = np.concatenate([grid, about.reshape(-1, 2)])
    # The grid's scale is 0.9996 there, so a circle of the plane is taken a little smaller.
    off = np.stack(
        [
            np.min([distance_m(centres, *two) for two in itertools.pairwise(line)], axis=0)
            for line in lines.values()
        ],
        axis=1,
    )
    names = np.array(list(lines))
    for row in np.unique(off <= radius * 0.999, axis=0):
        here = frozenset(names[row].tolist())
        assert not here or any(here <= one for one in found)
    # And none is found that a circle a hundredth wider does not take.
    wider = {frozenset(names[row].tolist()) for row in np.unique(off <= radius * 1.01 + 8, axis=0)}
    assert all(any(one <= other for other in wider) for one in found)


def test_the_command_lists_all_whatever_top_says(proof: wa.Proof, tmp_path: Path) -> None:
    folder = two_ways().write(tmp_path / "study")
    options = ("--radius", "150", "--top", "2")
    facts = json.loads(run("worst", folder, *options, "--all", "--json", "-").stdout)
    assert len(facts["places"]) == 2
    assert len(facts["sets"]) == 8
    assert sorted(facts["sets"][0]["hit"]) in (["d1", "e1"], ["d4", "e4"])
    assert facts["sets"] == wa.worst(proof, radius_m=150, all_sets=True).facts()["sets"]
    assert json.loads(run("worst", folder, *options, "--json", "-").stdout)["sets"] is None
    told = run("worst", folder, *options, "--all").stdout
    assert "8 largest sets of segments that a circle of 150 m radius can take; the first 2" in told


@pytest.mark.parametrize("radius", [0.0, -3.0, float("nan"), float("inf")])
def test_a_radius_without_meaning_is_refused(proof: wa.Proof, radius: float) -> None:
    with pytest.raises(wa.CallError, match="radius_m"):
        wa.largest_sets(proof, radius)


def test_a_study_without_segments_has_no_sets(tmp_path: Path) -> None:
    assert not len(wa.largest_sets(DrawnPlant((0, 0), (900, 0)).read(tmp_path / "study"), 50))
