"""How long separation takes, and how long a straightforward script takes for the same.

Run by hand:  python tests/benchmarks/bench_separation.py [--streets 224] [--pairs 3000]

The plant is invented: a grid of double streets, 12 m apart and 300 m to the next, with one
segment per block. The two ways of a circuit go round two sides of a rectangle each; in every
tenth circuit the alternate follows the main 12 m beside it, trench by trench.
The straightforward script does what one would write first: a networkx graph for
the ways, a UTM projection, and per circuit shapely's buffer, difference, distance and
intersection. It is run on a sample of the circuits, and its time scaled to all of
them. Both answer the same question and their answers are compared.
"""

from __future__ import annotations

import argparse
import itertools
import statistics
import time
from collections.abc import Callable
from typing import Any

import networkx as nx
import numpy as np
import shapely
from pyproj import Transformer

from waysapart.findings.separation.closest import closest_points
from waysapart.findings.separation.layout import Layout, lay_out
from waysapart.findings.separation.near import near_stretches
from waysapart.findings.separation.places import worst_places

BLOCK_M = 300.0
BESIDE_M = 12.0
ZONE_M = 50.0
LIMIT_M = 20.0
TO_LONLAT = Transformer.from_crs("EPSG:25832", "EPSG:4326", always_xy=True)
TO_UTM = Transformer.from_crs("EPSG:4326", "EPSG:25832", always_xy=True)

Node = tuple[int, int]


class Plant:
    """Segments of a street grid, and two ways round for each of a number of circuits."""

    def __init__(self, streets: int, pairs: int, seed: int = 1) -> None:
        rng = np.random.default_rng(seed)
        grid = np.stack(np.meshgrid(np.arange(streets), np.arange(streets), indexing="ij"), -1)
        bend = rng.normal(0, 25.0, (grid.shape[0] // 2, grid.shape[1] // 2, 2))
        place = grid // 2 * BLOCK_M + grid % 2 * BESIDE_M + [500_000, 5_900_000]
        place = place + np.repeat(np.repeat(bend, 2, axis=0), 2, axis=1)
        self.lonlat = np.stack(TO_LONLAT.transform(place[..., 0], place[..., 1]), axis=-1)
        along = [((i, j), (i + 1, j)) for i in range(streets - 1) for j in range(streets)]
        up = [((i, j), (i, j + 1)) for i in range(streets) for j in range(streets - 1)]
        self.blocks: list[tuple[Node, Node]] = along + up
        ends = np.array([[self.lonlat[a], self.lonlat[b]] for a, b in self.blocks])
        self.lines = shapely.linestrings(ends)
        self.number = {block: at for at, block in enumerate(self.blocks)}
        size = min(50, streets // 2)
        a = rng.integers(0, (streets - size) // 2, (pairs, 2)) * 2
        b = a + rng.integers(1, size // 2, (pairs, 2)) * 2
        self.ends: list[tuple[Node, Node]] = [
            ((int(x), int(y)), (int(u), int(v))) for (x, y), (u, v) in zip(a, b, strict=True)
        ]

    def way(self, pair: int, corner: int) -> list[Node]:
        """Corners passed from a to b: first along then up (0), or first up then along (1)."""
        (x, y), (u, v) = self.ends[pair]
        if corner == 0:
            return [(i, y) for i in range(x, u + 1)] + [(u, j) for j in range(y + 1, v + 1)]
        if pair % 10 == 0:
            beside = [(i, y + 1) for i in range(x, u + 2)]
            up = [(u + 1, j) for j in range(y + 2, v + 1)]
            return [(x, y), *beside, *up, (u, v)]
        return [(x, j) for j in range(y, v + 1)] + [(i, v) for i in range(x + 1, u + 1)]

    def layout(self) -> Layout:
        path, steps = [], []
        for pair in range(len(self.ends)):
            for corner in (0, 1):
                way = list(itertools.pairwise(self.way(pair, corner)))
                path += [2 * pair + corner] * len(way)
                steps += way
        sites = sorted({site for ends in self.ends for site in ends})
        number = {site: at for at, site in enumerate(sites)}
        pairs = np.arange(len(self.ends))
        return lay_out(
            self.lines,
            path=path,
            line=[self.number[min(step), max(step)] for step in steps],
            backward=[step[0] > step[1] for step in steps],
            first=2 * pairs,
            second=2 * pairs + 1,
            zone_places=shapely.points([self.lonlat[site] for site in sites]),
            zone_radius_m=np.full(len(sites), ZONE_M),
            zone_pair=np.repeat(pairs, 2),
            zone=[number[site] for ends in self.ends for site in ends],
        )


def street_graph(plant: Plant) -> nx.Graph:
    """The plant as a graph with its lines in UTM."""
    projected = shapely.transform(
        plant.lines, lambda xy: np.stack(TO_UTM.transform(xy[:, 0], xy[:, 1]), axis=1)
    )
    graph = nx.Graph()
    graph.add_edges_from(
        (a, b, {"line": line}) for (a, b), line in zip(plant.blocks, projected, strict=True)
    )
    return graph


def straightforward(plant: Plant, graph: nx.Graph, sample: int) -> list[tuple[float, float]]:
    """Least distance and length nearer than the limit, circuit by circuit."""
    answers = []
    for pair in range(sample):
        a, b = plant.ends[pair]
        x, y = (
            shapely.Point(TO_UTM.transform(*plant.lonlat[site])).buffer(ZONE_M) for site in (a, b)
        )
        ways = []
        for corner in (0, 1):
            way = graph.subgraph(plant.way(pair, corner))
            nodes = nx.shortest_path(way, a, b)
            lines = [way.edges[two]["line"] for two in itertools.pairwise(nodes)]
            ways.append(shapely.union_all(lines).difference(x).difference(y))
        main, alternate = ways
        near = main.intersection(alternate.buffer(LIMIT_M))
        answers.append((main.distance(alternate), near.length))
    return answers


def timed(name: str, act: Callable[[], Any], runs: int = 3) -> tuple[float, Any]:
    """Median processor time of some runs, seconds, and the last result.

    Processor time, because the clock on the wall also counts what else the machine does.
    """
    wall, processor, result = [], [], None
    for _ in range(runs):
        start = time.perf_counter(), time.process_time()
        result = act()
        wall.append(time.perf_counter() - start[0])
        processor.append(time.process_time() - start[1])
    middle = statistics.median(processor)
    print(f"{name:<54}{middle:9.3f} s   (on the wall {statistics.median(wall):.3f} s)")
    return middle, result


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--streets", type=int, default=224)
    parser.add_argument("--pairs", type=int, default=3000)
    parser.add_argument("--sample", type=int, default=100)
    chosen = parser.parse_args()
    plant = Plant(chosen.streets, chosen.pairs)
    print(f"{len(plant.lines)} segments, {chosen.pairs} circuits")
    prepared, layout = timed("lay out (pieces, zones)", plant.layout)
    shortest, closest = timed("least distance of all pairs", lambda: closest_points(layout))
    nearer, near = timed("stretches nearer than 20 m", lambda: near_stretches(layout, LIMIT_M))
    total = prepared + shortest + nearer
    print(f"{'together':<54}{total:9.3f} s")
    timed("stretches nearer than 200 m", lambda: near_stretches(layout, 200.0))

    sample = min(chosen.sample, chosen.pairs)
    base, graph = timed("straightforward script: graph", lambda: street_graph(plant), 1)
    slow, answers = timed(
        f"straightforward script: {sample} circuits",
        lambda: straightforward(plant, graph, sample),
        1,
    )
    scaled = base + slow * chosen.pairs / sample
    print(f"{'straightforward script, scaled to all circuits':<54}{scaled:9.3f} s")
    print(f"{'ratio':<54}{scaled / total:9.1f}")
    stretches = near.drop_duplicates("stretch").groupby("pair")["stretch_m"].sum()
    length = stretches.reindex(range(sample), fill_value=0.0)
    expected = np.array(answers)
    distance = closest["distance_m"].to_numpy()[:sample]
    off = np.abs(distance - expected[:, 0]).max()
    print(f"greatest difference of least distances: {off:.3f} m (their buffers are polygons)")
    print(f"near: {length.sum():.1f} m here, {expected[:, 1].sum():.1f} m there")

    town = Plant(72, min(300, chosen.pairs), seed=2)
    there = town.layout()
    print(f"\n{len(town.lines)} segments in {len(there.pieces)} pieces, circles of 50 m")
    timed("worst places", lambda: worst_places(there, 50.0))


if __name__ == "__main__":
    main()
