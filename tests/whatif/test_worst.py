"""The worst single events, pairs and places."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

import waysapart as wa
from commands import run
from dig_plant import two_ways
from everyday import some
from oracle_plant import read_plant
from proofs import proof_of
from random_plant import write_random_study
from waysapart.findings.outages import asset_failures
from waysapart.formulas.availability import all_down, unavailability
from whatif_oracle import lost_circuits


@pytest.fixture(scope="module")
def proof(tmp_path_factory: pytest.TempPathFactory) -> wa.Proof:
    return wa.prove(two_ways().read(tmp_path_factory.mktemp("worst") / "study"))


def test_events_by_circuits_lost_then_exposed_then_availability(proof: wa.Proof) -> None:
    """Sites and relays lose K; a relay fails 0.02 times a year for 4 h, a site 0.001 for 24 h.

    0.02 x 4 = 0.08 h a year and 0.001 x 24 = 0.024 h a year: relays come first. Behind them what
    leaves K on one way, the longest ducts first (e2 and e3 are 2000 m, d1 to d4 1000 m).
    """
    events = wa.worst(proof, top=8).facts()["events"]
    assert [row["asset"] for row in events[:4]] == ["RA", "RB", "A", "B"]
    assert [row["lost"] for row in events] == [1, 1, 1, 1, 0, 0, 0, 0]
    assert events[0]["unavailability"] == pytest.approx(0.08 / 8760, rel=1e-3)
    assert events[2]["unavailability"] == pytest.approx(0.024 / 8760, rel=1e-3)
    shares = [row["unavailability"] for row in events[4:]]
    assert shares == sorted(shares, reverse=True)


def test_availability_lost_is_what_the_circuit_gains_without_the_failure(proof: wa.Proof) -> None:
    """Against a second evaluation with the asset's own failures left out."""
    count = len(proof.network.assets)
    share = unavailability(*asset_failures(proof.network))
    paths = proof.reliance.paths[:, :count]
    together = all_down(paths, [0, 0], share)[0]
    ids = proof.network.assets.frame["id"].to_list()
    for row in wa.worst(proof, top=50).facts()["events"]:
        without = share.copy()
        without[ids.index(row["asset"])] = 0.0
        gain = together - all_down(paths, [0, 0], without)[0]
        assert row["unavailability"] == pytest.approx(gain, rel=1e-5, abs=1e-18)


def test_pairs_take_one_of_either_path(proof: wa.Proof) -> None:
    """8 assets on either way: 64 pairs, all alike; sites and relays explain themselves."""
    facts = wa.worst(proof).facts()
    assert facts["pairs_in_all"] == 64
    (row,) = facts["pairs"]
    assert (row["lost"], row["pairs"], row["circuits"]) == (1, 64, ["K"])
    assert {frozenset(side) for side in row["alike"]} == {
        frozenset({"P1", "P2", "P3", "d1", "d2", "d3", "d4", "CM"}),
        frozenset({"Q1", "Q2", "Q3", "e1", "e2", "e3", "e4", "CA"}),
    }


@pytest.mark.parametrize("seed", some(range(6), every=6))
def test_no_pair_is_missed_and_none_is_made_up(seed: int, tmp_path: Path) -> None:
    """Against pairs of assets, played through; what one event explains is not listed."""
    knobs = {"sites": (3, 3), "circuits": (2, 3), "waivers": 0.0, "supply_elsewhere": 0.5}
    folder = write_random_study(tmp_path / "study", 8100 + seed, **knobs)
    plant = read_plant(folder)
    proof = proof_of(folder)
    before = lost_circuits(plant, plant.out)
    singles = {one: lost_circuits(plant, {one, *plant.out}) - before for one in plant.assets}
    rng = np.random.default_rng(seed)
    pairs = list(combinations(sorted(plant.assets), 2))
    chosen = [pairs[at] for at in rng.choice(len(pairs), size=min(500, len(pairs)), replace=False)]
    chosen += _supplies(plant)
    worst = wa.worst(proof, top=10_000_000)
    listed: dict[frozenset[str], set[str]] = {}
    for row in worst.pairs.frame.to_dict("records"):
        for one in row["a"]:
            for other in row["b"]:
                assert frozenset((one, other)) not in listed
                listed[frozenset((one, other))] = set(row["circuits"])
    assert worst.pairs.count == len(listed)
    for one, other in chosen:
        both = lost_circuits(plant, {one, other, *plant.out}) - before
        mine = listed.get(frozenset((one, other)), set())
        assert mine == both - singles[one] - singles[other]


def _supplies(plant) -> list[tuple[str, str]]:  # type: ignore[no-untyped-def]
    """The two supplies of every machine or board that has two: no single asset need take both."""
    found = set()
    for machine in [*plant.of("equipment"), *plant.of("supplies")]:
        supplies = (machine.row.get("supplies") or "").split(";")
        if len(set(supplies)) == 2:
            found.add(tuple(sorted(supplies)))
    return sorted(found)  # type: ignore[arg-type]


@pytest.mark.parametrize(("radius_m", "lost"), [(35.0, 0), (36.0, 1)])
def test_places_lose_the_circuit_where_a_circle_reaches_both_paths(
    proof: wa.Proof, radius_m: float, lost: int
) -> None:
    """The ducts leave A at right angles and count from 50 m out, the edge of its end zone.

    There they are 50 x sqrt(2) = 70.7 m apart: a circle of 35.4 m reaches both, one of 35 m
    neither here nor at B.
    """
    places = wa.worst(proof, radius_m=radius_m).facts()["places"]
    assert max(row["lost"] for row in places) == lost
    for row in places:
        if row["lost"]:
            assert row["circuits_lost"] == ["K"]
            hit = wa.dig(proof, at=tuple(row["at"]), radius_m=radius_m + 0.01, accuracy_m=0)
            assert set(row["hit"]) <= set(hit.facts()["hit"])
            assert hit.facts()["circuits"][0]["state"] == "lost"


def test_circles_leave_out_end_zones_unless_everything_counts(
    proof: wa.Proof, tmp_path: Path
) -> None:
    """A circle of 35 m reaches both ducts only within 50 m of A or B, in their end zones."""
    left_out = wa.worst(proof, radius_m=35).facts()
    assert (left_out["everything"], max(row["lost"] for row in left_out["places"])) == (False, 0)
    whole = wa.worst(proof, radius_m=35, everything=True).facts()
    assert whole["everything"]
    first = whole["places"][0]
    assert (first["lost"], first["circuits_lost"]) == (1, ["K"])
    hit = wa.dig(proof, at=tuple(first["at"]), radius_m=35.01, accuracy_m=0).facts()
    assert hit["circuits"][0]["state"] == "lost"
    folder = two_ways().write(tmp_path / "study")
    plain = run("worst", folder, "--radius", "35").stdout
    assert "Places: circles of 35 m radius, outside the circuits' end zones" in plain
    told = run("worst", folder, "--radius", "35", "--everything").stdout
    assert "Places: circles of 35 m radius, with the circuits' end zones" in told
    assert "--everything" in run("worst", "--help").stdout
    assert "leave out the end zones" in run("worst", "--help").stdout


def test_only_circuits_asked_for_count(proof: wa.Proof) -> None:
    assert wa.worst(proof, circuits=["K"]).facts()["circuits"] == ["K"]
    with pytest.raises(wa.CallError, match="no circuit of the study"):
        wa.worst(proof, circuits=["K9"])


@pytest.mark.parametrize("call", [{"radius_m": 0.0}, {"radius_m": float("nan")}, {"top": 0}])
def test_calls_without_meaning(proof: wa.Proof, call: dict[str, float]) -> None:
    with pytest.raises(wa.CallError):
        wa.worst(proof, **call)  # type: ignore[arg-type]


@pytest.mark.parametrize("seed", some(range(5), every=6))
def test_the_foremost_pairs_are_those_that_lose_the_most(seed: int, tmp_path: Path) -> None:
    """The first rows of a short list are the first of the whole list, as far as they differ."""
    folder = write_random_study(tmp_path / "study", 8200 + seed, waivers=0.0)
    proof = proof_of(folder)
    whole = wa.worst(proof, top=10_000_000).pairs
    ranks = [
        (row["lost"], row["groups_lost"], row["pairs"]) for row in whole.frame.to_dict("records")
    ]
    assert ranks == sorted(ranks, reverse=True)
    for top in (1, 3, 7):
        short = wa.worst(proof, top=top).pairs
        assert short.count == whole.count
        assert [
            (row["lost"], row["groups_lost"], row["pairs"])
            for row in short.frame.to_dict("records")
        ] == ranks[:top]
