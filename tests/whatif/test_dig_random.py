"""Digs of random studies against plain sets: states, what would be next, and single events."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import waysapart as wa
from everyday import some
from oracle_plant import read_plant
from oracle_records import Plant, ids
from proofs import proof_of
from random_plant import write_random_study
from whatif_oracle import cut, last_straws, lost_circuits, ways

SEEDS = range(10)


@pytest.fixture(scope="module", params=some(SEEDS, every=6))
def studied(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[wa.Proof, Plant, random.Random]:
    folder = write_random_study(
        tmp_path_factory.mktemp("plant") / "study", 7000 + request.param, waivers=0.0
    )
    proof = proof_of(Path(folder))
    return proof, read_plant(folder), random.Random(request.param)


def _some(plant: Plant, rng: random.Random) -> list[str]:
    """A few assets, at times all supplies of one machine or board, which no single asset takes."""
    fed = [*plant.of("equipment"), *plant.of("supplies")]
    machines = [supplies for one in fed if (supplies := ids(one.row.get("supplies")))]
    if machines and rng.random() < 0.4:
        return [*rng.choice(machines), rng.choice(sorted(plant.assets))]
    return rng.sample(sorted(plant.assets), rng.randint(1, 5))


def _by_id(facts: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {row["id"]: row for row in facts["circuits"]}


def test_every_state_is_what_the_oracle_says(
    studied: tuple[wa.Proof, Plant, random.Random],
) -> None:
    proof, plant, rng = studied
    labels = ways(plant)
    for _ in range(6):
        taken = _some(plant, rng)
        facts = wa.dig(proof, assets=taken).facts()
        gone = cut(plant, {*taken, *plant.out})
        before = cut(plant, plant.out)
        for circuit, row in _by_id(facts).items():
            standing = {one for one in labels[circuit] if (circuit, one) not in gone}
            assert set(row["running"]) == standing
            assert set(row["out"]) == {one for one in labels[circuit] if (circuit, one) in before}
            assert set(row["cut"]) == set(labels[circuit]) - standing - set(row["out"])
            if labels[circuit] and not standing:
                assert row["state"] == "lost"
            elif len(standing) < len(labels[circuit]):
                assert row["state"] == f"on-{row['running'][0]}"
            else:
                assert row["state"] == ("unknown" if row["gaps"] else "untouched")


def test_what_would_be_next_is_what_the_oracle_says(
    studied: tuple[wa.Proof, Plant, random.Random],
) -> None:
    proof, plant, rng = studied
    taken = _some(plant, rng)
    straws = last_straws(plant, {*taken, *plant.out})
    for circuit, row in _by_id(wa.dig(proof, assets=taken).facts()).items():
        assert set(row["next"]) == straws[circuit]


def test_groups_are_lost_when_every_member_is(
    studied: tuple[wa.Proof, Plant, random.Random],
) -> None:
    proof, plant, rng = studied
    for _ in range(4):
        taken = _some(plant, rng)
        lost = lost_circuits(plant, {*taken, *plant.out})
        gone = cut(plant, {*taken, *plant.out})
        for row in wa.dig(proof, assets=taken).facts()["groups"]:
            members = set(row["members"])
            assert set(row["running"]) == {
                one for one in members if one not in lost and ways(plant)[one]
            }
            assert (row["state"] == "lost") == (not row["running"])
            if row["state"] in ("untouched", "unknown"):
                assert not any(circuit in members for circuit, _ in gone)


def test_a_dig_of_one_asset_is_its_row_of_the_contingency_table(
    studied: tuple[wa.Proof, Plant, random.Random],
) -> None:
    proof, plant, rng = studied
    rows = {row["asset"]: row for row in wa.contingency(proof).facts()["events"]}
    for asset in rng.sample(sorted(plant.assets), 25):
        row = rows.get(asset, {"lost": [], "exposed": []})
        touched = [one for one in wa.dig(proof, assets=[asset]).facts()["circuits"] if one["cut"]]
        assert set(row["lost"]) == {one["id"] for one in touched if not one["running"]}
        assert set(row["exposed"]) == {one["id"] for one in touched if len(one["running"]) == 1}


def test_digging_everything_loses_everything(
    studied: tuple[wa.Proof, Plant, random.Random],
) -> None:
    proof, plant, _ = studied
    works = wa.dig(proof, assets=sorted(plant.assets))
    recorded = {circuit for circuit, labels in ways(plant).items() if labels}
    assert {row["id"] for row in works.facts()["circuits"] if row["state"] == "lost"} == recorded
    assert works.exit_code() == 1


def test_reasons_lead_back_to_what_was_hit(
    studied: tuple[wa.Proof, Plant, random.Random],
) -> None:
    """Everything that fell names a cause that fell too, and every trail ends at a hit."""
    proof, plant, rng = studied
    for _ in range(4):
        facts = wa.dig(proof, assets=_some(plant, rng)).facts()
        why = {row["asset"]: row["through"] for row in facts["fallen"]}
        hit = set(facts["hit"])
        for asset in why:
            trail = [asset]
            while trail[-1] not in hit:
                assert why[trail[-1]], f"{trail[-1]} fell for no reason"
                trail.append(why[trail[-1]][0])
                assert len(trail) < 50


def test_a_proof_and_its_study_give_the_same(
    studied: tuple[wa.Proof, Plant, random.Random],
) -> None:
    """Assets out of service, lone members of groups and all."""
    proof, plant, rng = studied
    out = tuple(rng.sample(sorted(plant.assets), 2))
    study = replace(proof.study, out=out)
    taken = _some(plant, rng)
    assert wa.dig(wa.prove(study), assets=taken).facts() == wa.dig(study, assets=taken).facts()
