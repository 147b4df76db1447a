"""Rerouting held against every pair of simple paths, each judged by the prover."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import waysapart as wa
from everyday import some
from reroute_plants import Plant, every_pair, random_plant
from waysapart.reroute.api import reroute

SEEDS = range(5)
SPACED = "separation_m = 40\nmax_asymmetry_us = 15\n"
"""Limits that many pairs of these small plants break."""


def cheapest_by_enumeration(plant: Plant, joined: dict, folder: Path) -> float | None:
    """Least fibre length of two simple paths that one proof of them all calls apart."""
    every_pair(plant, joined)
    proof = wa.prove(plant.read(folder))
    names = proof.study.tables["circuits"]["id"].tolist()
    lengths = proof.delays["length_m"].to_numpy()
    paths = proof.network.paths
    found = [
        float(np.sum(lengths[list(paths.of_circuit(number))]))
        for number, name in enumerate(names)
        if "/" in name
        and proof.verdicts[number] == "apart"
        and proof.limits[number].within is not False
    ]
    return min(found, default=None)


@pytest.mark.parametrize("seed", some(SEEDS, every=10))
@pytest.mark.parametrize("spaced", [False, True], ids=["shared", "spaced"])
def test_equal_to_every_pair_of_simple_paths(seed: int, spaced: bool, tmp_path: Path) -> None:
    """Same least length to the millimetre for each cable, or none where none is apart."""
    plant, joined = random_plant(seed)
    if spaced:
        plant.service = SPACED
    found = reroute(plant.read(tmp_path / "asked"), ["K"], build=wa.Candidates(wanted=False))
    (one,) = found.facts()["circuits"]
    expected = cheapest_by_enumeration(plant, joined, tmp_path / "all")
    assert one["status"] == ("none" if expected is None else "apart"), (seed, one["why"])
    if expected is not None:
        assert one["cost"] == pytest.approx(expected, abs=0.2)
