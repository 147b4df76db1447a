"""Everything that relies, is shared, is unavoidable and is judged equals a brute-force oracle's.

The oracle (`oracle.py`) reads the same files with code of its own, follows every
record by plain sets, and was itself held against a simulation that takes one
asset at a time out of the world.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

import waysapart as wa
from everyday import some
from oracle import OracleAnswer, solve
from proofs import proof_of
from random_plant import write_random_study

SEEDS = range(int(os.environ.get("WAYSAPART_PLANTS", "36")))
"""How many plants: 36, a quarter of them every day; 300 before a release."""


@pytest.fixture(scope="module", params=some(SEEDS, every=8))
def answers(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[wa.Proof, OracleAnswer]:
    folder = write_random_study(tmp_path_factory.mktemp("plant") / "study", request.param)
    proof = proof_of(Path(folder))
    return proof, solve(folder, proof.made.date())


def _relied(proof: wa.Proof, path: int) -> set[str]:
    ids = proof.network.assets.frame["id"].to_numpy()
    links = proof.study.tables["links"]["id"].to_numpy()
    matrix = proof.reliance.paths
    row = matrix.indices[matrix.indptr[path] : matrix.indptr[path + 1]]
    return {ids[n] if n < len(ids) else f"hop {links[n - len(ids)]}" for n in row}


def test_every_path_relies_on_what_the_oracle_says(
    answers: tuple[wa.Proof, OracleAnswer],
) -> None:
    proof, oracle = answers
    paths, circuits = proof.network.paths, proof.study.tables["circuits"]["id"]
    assert len(paths) == len(oracle.paths)
    for path in range(len(paths)):
        theirs = oracle.paths[circuits.iloc[paths.circuit[path]], paths.label[path]]
        hops = {f"hop {link}" for link in theirs.own_links}
        assert _relied(proof, path) == theirs.relies_on | hops


def test_lengths_and_delays_agree(answers: tuple[wa.Proof, OracleAnswer]) -> None:
    """Within 0.5 %: the oracle sags a span as one parabola, the program as catenaries.

    Spans that pass a support sag between each two supports; the oracle leaves that out.
    """
    proof, oracle = answers
    paths, circuits = proof.network.paths, proof.study.tables["circuits"]["id"]
    for path in range(len(paths)):
        theirs = oracle.paths[circuits.iloc[paths.circuit[path]], paths.label[path]]
        told = {gap.code for gap in theirs.gaps} - {"fibre-type", "fibre-count"}
        told = {code for code in told if not code.startswith("blank ")}
        if not theirs.fibre_only or not theirs.links or theirs.sag_passing or told:
            continue
        row = proof.delays.iloc[path]
        assert row["length_m"] == pytest.approx(theirs.length_m, rel=5e-3)
        assert row["route_m"] == pytest.approx(theirs.route_m, rel=1e-6)
        if theirs.delay_us is None:
            assert np.isnan(row["delay_us"])
        else:
            assert row["delay_us"] == pytest.approx(theirs.delay_us, rel=5e-3)


def test_circuits_and_groups_share_and_are_judged_alike(
    answers: tuple[wa.Proof, OracleAnswer],
) -> None:
    proof, oracle = answers
    facts = proof.facts()
    theirs = {**oracle.circuits, **oracle.groups}
    for mine in facts["circuits"] + facts["groups"]:
        answer = theirs[mine["id"]]
        shared = {entry["asset"]: entry for entry in mine["shared"]}
        assert set(shared) == set(answer.shared)
        for asset, entry in shared.items():
            assert entry["through"] in (answer.shared[asset].roots or {None})
            assert entry["waived"] == answer.shared[asset].waived
        assert set(mine["unavoidable"]) == answer.unavoidable
        assert set(mine.get("tail", ())) == answer.tail
        # The oracle leaves separation out; these plants are drawn so that none is breached.
        assert not mine["near"]
        assert not [one for one in mine["cross"] if one["forbidden"]]
        assert mine["verdict"] == answer.verdict
    assert {one["id"]: one["verdict"] for one in facts["schemes"]} == oracle.schemes
