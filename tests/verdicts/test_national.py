"""A study of 50 sites, 25,000 spans, 300 circuits: every shared asset, and the time it takes.

The oracle reads the records as they were generated, not the files, and knows neither
arrays nor the program: dictionaries, sets and plain geometry.
"""

from __future__ import annotations

import math
import random
import time
from collections import defaultdict
from itertools import pairwise
from typing import Any

import pytest

import waysapart as wa
from national import SPAN_M, National, add_circuits, plant_on, topology, write
from waysapart.report.words import single_points

pytestmark = pytest.mark.slow  # the plant alone takes 20 s; test_plain_script.py has a small one

TOPOLOGY = "sndlib/germany50"
CIRCUITS = 300
SNAP_M = 2.0
LIMIT_S = 15.0
CELL_M = 500.0


class Oracle:
    """What every link relies on, by walking every span with a ruler."""

    def __init__(self, made: National) -> None:
        self.rows = made.rows
        self.within = {
            row["id"]: row["within"]
            for role in ("sites", "structures", "segments", "equipment")
            for row in made.rows[role]
        }
        self.site = {row["id"]: row["site"] for row in made.rows["equipment"]}
        self.places: dict[tuple[int, int], list[tuple[str, float, float]]] = defaultdict(list)
        for role in ("sites", "structures"):
            for row in made.rows[role]:
                x, y = row["geometry"].x, row["geometry"].y
                self.places[self._cell(x, y)].append((row["id"], x, y))
        self.on = {row["id"]: self._walk(row) for row in made.rows["segments"]}
        self.segments: dict[str, set[str]] = defaultdict(set)
        for row in made.rows["cable_runs"]:
            self.segments[row["cable"]].add(row["segment"])
        self.cables: dict[str, set[str]] = defaultdict(set)
        for row in made.rows["link_runs"]:
            self.cables[row["link"]].add(row["cable"])
        self.link = {row["id"]: self._link(row) for row in made.rows["links"]}
        self.path: dict[tuple[str, str], set[str]] = defaultdict(set)
        for row in made.rows["circuit_paths"]:
            self.path[row["circuit"], row["path"]] |= self.link[row["link"]]

    def _cell(self, x: float, y: float) -> tuple[int, int]:
        return math.floor(x / CELL_M), math.floor(y / CELL_M)

    def _walk(self, row: dict[str, Any]) -> set[str]:
        """Sites and towers within 2 m of a segment, vertex by vertex."""
        found = set()
        points = list(row["geometry"].coords)
        for (x0, y0), (x1, y1) in pairwise(points):
            low = self._cell(min(x0, x1) - SNAP_M, min(y0, y1) - SNAP_M)
            high = self._cell(max(x0, x1) + SNAP_M, max(y0, y1) + SNAP_M)
            for column in range(low[0], high[0] + 1):
                for line in range(low[1], high[1] + 1):
                    for name, x, y in self.places.get((column, line), ()):
                        if _apart_m(x, y, x0, y0, x1, y1) <= SNAP_M:
                            found.add(name)
        return found

    def _link(self, row: dict[str, Any]) -> set[str]:
        found = set(self.cables[row["id"]])
        for end in (row["a"], row["b"]):
            found |= {end, self.site[end]}
        for cable in self.cables[row["id"]]:
            for segment in self.segments[cable]:
                found |= {segment} | self.on[segment]
        return found | {self.within[name] for name in found if self.within.get(name, "-") != "-"}

    def shared(self, circuit: str) -> set[str]:
        return self.path[circuit, "main"] & self.path[circuit, "alternate"]

    def unavoidable(self, circuit: dict[str, Any]) -> set[str]:
        ends = {circuit["a"], circuit["b"]}
        return ends | {self.site[end] for end in ends}


def _apart_m(x: float, y: float, x0: float, y0: float, x1: float, y1: float) -> float:
    dx, dy = x1 - x0, y1 - y0
    share = ((x - x0) * dx + (y - y0) * dy) / (dx * dx + dy * dy)
    share = min(max(share, 0.0), 1.0)
    return math.hypot(x - x0 - share * dx, y - y0 - share * dy)


@pytest.fixture(scope="module")
def national(tmp_path_factory: pytest.TempPathFactory) -> tuple[National, dict[str, Any], float]:
    """The records, the facts of the proof, and the processor time from files to facts."""
    rng = random.Random(50)
    made = plant_on(topology(TOPOLOGY), SPAN_M, rng)
    add_circuits(made, CIRCUITS, rng)
    folder = write(made, tmp_path_factory.mktemp("national"))
    begin = time.process_time()
    facts = wa.prove(wa.read_study(folder)).facts()
    return made, facts, time.process_time() - begin


def test_size(national: tuple[National, dict[str, Any], float]) -> None:
    """50 sites, more than 25,000 segments and 29,000 spans between towers, 300 circuits."""
    made, facts, _ = national
    assert len(made.rows["sites"]) == 50
    assert len(made.rows["segments"]) > 25_000
    assert len(made.rows["structures"]) > 29_000
    assert len(facts["circuits"]) == CIRCUITS


def test_every_shared_asset_is_the_oracles(
    national: tuple[National, dict[str, Any], float],
) -> None:
    """Shared and unavoidable assets of every circuit, id by id; nothing more, nothing less."""
    made, facts, _ = national
    oracle = Oracle(made)
    circuits = {row["id"]: row for row in made.rows["circuits"]}
    meeting = 0
    for found in facts["circuits"]:
        name = found["id"]
        shared = oracle.shared(name)
        unavoidable = shared & oracle.unavoidable(circuits[name])
        assert set(found["unavoidable"]) == unavoidable, name
        assert {row["asset"] for row in found["shared"]} == shared - unavoidable, name
        assert set(single_points(found)) == shared, name
        for path in ("main", "alternate"):
            assert found["paths"][path]["relies_on"] == len(oracle.path[name, path]), name
        if shared - unavoidable:
            meeting += 1
            assert found["verdict"] == "shared", name
    # Both kinds must be there for the comparison to mean anything.
    assert 75 <= meeting < CIRCUITS


def test_nothing_is_left_open(national: tuple[National, dict[str, Any], float]) -> None:
    """Every end of the 25,000 spans is stated or snaps to its tower: no record gap."""
    _, facts, _ = national
    assert facts["gaps"] == []
    assert facts["summary"]["unproven"] == 0


def test_from_files_to_facts_in_time(national: tuple[National, dict[str, Any], float]) -> None:
    """Under 15 s of processor time, all threads together: so on two cores in less."""
    assert national[2] < LIMIT_S
