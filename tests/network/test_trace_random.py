"""Traces of random plants against the paths of a graph of what was really joined (networkx).

The graph is built of pieces of glass and ports while the plant is made; see `random_splices`. A
path of the graph is what `networkx.all_simple_edge_paths` finds, so that no code of the tracer
takes part in the answer.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

import waysapart as wa
from everyday import some
from random_splices import RandomSplices

ALL, A_BATCH = 300, 5


@pytest.mark.parametrize("first", some(range(0, ALL, A_BATCH), 30))
def test_traces_are_paths_of_what_was_joined(tmp_path: Path, first: int) -> None:
    """Cords, fibres and splices in order; where ports are not joined, what is passed before."""
    compared = 0
    for seed in range(first, first + A_BATCH):
        made = RandomSplices(seed)
        network = wa.tie(made.plant.read(tmp_path / str(seed)))
        for name, (passed, stopped) in _traces(network).items():
            status, expected = made.expected(name)
            assert stopped == (status == "not"), (seed, name)
            if expected is not None:
                assert passed == expected, (seed, name)
                compared += 1
    assert compared > A_BATCH


def _traces(network: wa.Network) -> dict[str, tuple[list[tuple[Any, ...]], bool]]:
    """By link, what its trace passes before it ends or stops, and whether it stops."""
    traced, assets = network.study.traced, network.assets
    assert traced is not None or not len(network.study.tables["links"])
    found: dict[str, tuple[list[tuple[Any, ...]], bool]] = {}
    if traced is None:
        return found
    links = network.study.tables["links"]["id"].to_list()
    for trace, steps in traced.steps.groupby("trace"):
        passed: list[tuple[Any, ...]] = []
        stopped = False
        for row in steps.to_dict("records"):
            name = assets.ids([row["asset"]])[0] if row["asset"] >= 0 else ""
            if row["is"] == "stop":
                stopped = True
                break
            if row["is"] == "fibre":
                passed.append(("fibre", name, row["fibre"]))
            elif row["is"] in ("cord", "inner", "splice"):
                passed.append((row["is"], name))
        found[links[int(str(trace))]] = passed, stopped
    return found
