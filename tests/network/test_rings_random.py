"""Random circuits over one to three rings, against what a graph of the rings says.

Each ring has nodes of its own and one or two in common with the next, in any order round it. In the
graph every ring has its own copy of each node; copies meet only where the circuit may go over. A
link or a node is a single point of all paths exactly if both ends fall apart without it.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any, cast

import networkx as nx
import numpy as np
import pytest

from everyday import some
from waysapart.network.rings import LinkEnds, RingLeg, close, courses, main_first
from waysapart.recheck.paths import tie_paths
from waysapart.recheck.records import Records


@dataclass
class Chain:
    """Rings in order: links by their ends, the links of each ring, and where it is left."""

    ends: list[tuple[int, int]] = field(default_factory=list)
    rings: list[list[int]] = field(default_factory=list)
    joins: list[list[int]] = field(default_factory=list)
    a: int = 0
    b: int = 0


def chain(seed: int) -> Chain:
    rng = random.Random(seed)
    made, fresh = Chain(), iter(range(1, 100))
    common: list[int] = []
    count = rng.randint(1, 3)
    for place in range(count):
        own = [next(fresh) for _ in range(rng.randint(1 if common else 3, 4))]
        onward = [next(fresh) for _ in range(rng.randint(1, 2))] if place < count - 1 else []
        nodes = [*common, *own, *onward]
        rng.shuffle(nodes)
        links = []
        for one, other in zip(nodes, nodes[1:] + nodes[:1], strict=True):
            links.append(len(made.ends))
            made.ends.append(rng.choice([(one, other), (other, one)]))
        made.rings.append(links)
        if onward:
            made.joins.append(rng.sample(onward, k=len(onward)))
        if place == 0:
            made.a = rng.choice([n for n in nodes if n not in onward or len(onward) > 1])
        if place == count - 1:
            rest = [n for n in nodes if n != made.a and (n not in common or len(common) > 1)]
            made.b = rng.choice(rest)
        common = onward
    return made


def layered(made: Chain) -> nx.MultiGraph:
    """A node is (ring, equipment); a link keeps its number, a join is an edge without one."""
    graph = nx.MultiGraph()
    for ring, links in enumerate(made.rings):
        for link in links:
            one, other = made.ends[link]
            graph.add_edge((ring, one), (ring, other), link=link)
    for ring, join in enumerate(made.joins):
        for node in join:
            graph.add_edge((ring, node), (ring + 1, node), link=None)
    return graph


def joined(graph: nx.MultiGraph, made: Chain) -> bool:
    first, last = (0, made.a), (len(made.rings) - 1, made.b)
    return first in graph and last in graph and nx.has_path(graph, first, last)


@pytest.mark.parametrize("seed", some(range(120), every=8))
def test_single_points_are_those_of_the_graph(seed: int) -> None:
    made = chain(seed)
    ends = LinkEnds(*(np.array([pair[side] for pair in made.ends]) for side in (0, 1)))
    legs = []
    for place, links in enumerate(made.rings):
        ring = close(f"R{place}", links, ends)
        assert ring is not None
        leave = tuple(made.joins[place]) if place < len(made.joins) else ()
        legs.append(RingLeg(ring, (), leave, (), (), None))
    names = {number: f"N{number}" for number in range(100)}
    links = {number: f"L{number}" for number in range(len(made.ends))}
    found = courses(legs, made.a, made.b, ends, names, links)
    graph = layered(made)
    for link in range(len(made.ends)):
        less = graph.edge_subgraph(
            [edge for edge in graph.edges(keys=True) if graph.edges[edge]["link"] != link]
        )
        single = all(link in path.links for path in found)
        assert single == (not joined(less, made)), f"link {link}"
    for node in {one for pair in made.ends for one in pair}:
        if node in (made.a, made.b):
            continue
        less = graph.subgraph([one for one in graph if one[1] != node])
        single = all(node in path.nodes for path in found)
        assert single == (not joined(less, made)), f"node {node}"
    _recheck_finds_the_same(made, main_first(found, legs, np.ones(len(made.ends))))


def _recheck_finds_the_same(made: Chain, found: list[Any]) -> None:
    """The independent walk has the same paths, by their names, whichever comes first."""
    rows: dict[str, list[dict[str, Any]]] = {"circuit_paths": [], "rings": [], "ring_circuits": []}
    for place, links in enumerate(made.rings):
        rows["rings"] += [
            {"ring": f"R{place}", "seq": seq, "link": f"L{link}", "recovery_ms": None}
            for seq, link in enumerate(links)
        ]
        leave = [f"N{node}" for node in made.joins[place]] if place < len(made.joins) else None
        blank = dict.fromkeys(("enter", "a_tail", "b_tail", "main_way"))
        ring = {"circuit": "K", "ring": f"R{place}", "seq": place, "leave": leave}
        rows["ring_circuits"].append({**ring, **blank})
    by = {
        "circuits": {"K": {"id": "K", "a": f"N{made.a}", "b": f"N{made.b}"}},
        "links": {
            f"L{number}": {"a": f"N{one}", "b": f"N{other}"}
            for number, (one, other) in enumerate(made.ends)
        },
    }
    labels = ["main", "alternate", *(path.label for path in found[2:])]
    told = {
        ("K", label): [f"L{link}" for link in path.links]
        for label, path in zip(labels, found, strict=True)
    }
    records = cast(Records, SimpleNamespace(rows=rows, by=by))
    length_m = dict.fromkeys(by["links"], 1.0)
    paths, gaps, _ = tie_paths(records, length_m, told)
    assert gaps == []
    assert paths == told
