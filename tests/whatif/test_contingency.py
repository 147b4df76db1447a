"""Every single event against every circuit: by hand, as a table, and fast."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import scipy.sparse as sp

import waysapart as wa
from dig_plant import two_ways
from proofs import proof_of
from waysapart.arrays import boolean
from waysapart.reliance.closure import close
from waysapart.reliance.direct import Feeds
from waysapart.report.words import single_points
from waysapart.study.model import Study
from waysapart.whatif.base import Base
from waysapart.whatif.worst import held_against, single_cuts


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return two_ways().read(tmp_path_factory.mktemp("contingency") / "study")


def test_what_each_event_does_to_the_one_circuit(study: Study) -> None:
    """The sites and relays lose K; everything on one way leaves it on the other."""
    table = wa.contingency(study)
    frame = table.frame()
    assert set(frame.loc[frame["state"] == "lost", "asset"]) == {"A", "B", "RA", "RB"}
    ways = {"P1", "P2", "P3", "d1", "d2", "d3", "d4", "CM"}
    ways |= {"Q1", "Q2", "Q3", "e1", "e2", "e3", "e4", "CA"}
    assert set(frame.loc[frame["state"] == "exposed", "asset"]) == ways
    counts = table.counts().set_index("asset")
    assert counts.loc["A", ["lost", "exposed"]].tolist() == [1, 0]
    assert counts.loc["d1", ["lost", "exposed"]].tolist() == [0, 1]
    assert len(table.facts()["events"]) == 4 + len(ways)


def test_what_is_out_leaves_events_that_lose_the_other_path(study: Study) -> None:
    """With e2 out, every asset of the main way loses K, and none of the alternate does anything."""
    frame = wa.contingency(replace(study, out=("e2",))).frame()
    assert set(frame["state"]) == {"lost"}
    assert set(frame["asset"]) == {
        *("A", "B", "RA", "RB", "CM"),
        *("P1", "P2", "P3", "d1", "d2", "d3", "d4"),
    }


def test_single_events_that_lose_a_circuit_are_its_single_points() -> None:
    """On the demo, where nothing is out, with the proof's own list."""
    proof = proof_of(Path(__file__).parents[2] / "examples" / "estuary")
    frame = wa.contingency(proof).frame()
    lost = frame[frame["state"] == "lost"].groupby("circuit")["asset"].apply(set).to_dict()
    for circuit in proof.facts()["circuits"]:
        assert lost.get(circuit["id"], set()) == set(single_points(circuit)), circuit["id"]


def test_ten_thousand_circuits_against_a_hundred_thousand_events() -> None:
    """Twenty thousand ways of 100 assets each, ducts in trenches in drives: seconds, not hours.

    The bound is five times what it takes on two cores, so that a busy machine passes.
    """
    rng = np.random.default_rng(1)
    assets, circuits = 100_000, 10_000
    start = rng.integers(0, 70_000, size=(2 * circuits, 10))
    column = (start[:, :, None] + np.arange(10)).reshape(-1)
    row = np.repeat(np.arange(2 * circuits), 100)
    items = boolean(row, column, (2 * circuits, assets))
    low = np.arange(95_000)
    high = np.r_[80_000 + rng.integers(0, 15_000, 80_000), 95_000 + rng.integers(0, 5_000, 15_000)]
    closed = close(boolean(low, high, (assets, assets)))
    network = SimpleNamespace(
        assets=_Numbers(assets),
        paths=SimpleNamespace(circuit=np.repeat(np.arange(circuits), 2)),
        study=SimpleNamespace(tables={"circuits": pd.DataFrame({"id": range(circuits)})}),
    )
    alone = sp.eye_array(2 * circuits, dtype=np.bool_, format="csr")
    reliance = SimpleNamespace(
        network=network,
        closed=closed,
        path_items=items,
        link_items=items,
        along=alone,
        feeds=Feeds(np.empty(0, np.int64), sp.csr_array((0, assets), dtype=bool)),
    )
    none = np.zeros(assets, dtype=bool)
    base = Base(reliance, [], (), [], [], None, None, none, np.zeros(2 * circuits, dtype=bool))  # type: ignore[arg-type]
    begin = time.process_time()
    cut = single_cuts(base)
    lost, exposed = held_against(base, cut, base.path_circuits())
    assert time.process_time() - begin < 10
    one = int(rng.integers(0, assets))
    fallen = np.flatnonzero(closed[:, [one]].toarray().ravel())
    taken = np.flatnonzero(np.asarray(items[:, fallen].sum(axis=1)).ravel())
    ways = np.bincount(taken // 2, minlength=circuits)
    assert set(lost[[one]].indices) == set(np.flatnonzero(ways == 2))
    assert set(exposed[[one]].indices) == set(np.flatnonzero(ways == 1))


class _Numbers:
    """As much of `Assets` as the sweep asks for."""

    def __init__(self, count: int) -> None:
        self._count = count
        self.start = {"equipment": 0}

    def __len__(self) -> int:
        return self._count

    def numbers(self, ids: object) -> np.ndarray:
        return np.empty(0, dtype=np.int64)
