"""Larger invented nets for tests and benchmarks, and the same question as an integer programme."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array, hstack, lil_array, vstack
from scipy.spatial import Delaunay, cKDTree

from waysapart.reroute.search.risk_graph import Question, RiskGraph, edge_risks


@dataclass
class Net:
    graph: RiskGraph
    question: Question
    places: np.ndarray


def geographic_net(n: int, seed: int, rivers: int = 0, bridges: int = 2) -> Net:
    """A thinned triangulation with parallel cables, shared corridors and, if asked, rivers.

    Every edge and every inner node is a risk; so is every first duct (edges that
    leave one node within 30 degrees), and every disc of a few edge lengths round a
    random point. A river is crossed only at a few bridges, each a risk; pairs of
    bridges on different rivers, and pairs of discs, are tied by further risks (one
    crew hut, one feeder).
    """
    rng = np.random.default_rng([n, seed, rivers])
    places = rng.random((n, 2)) * 100_000
    sides = Delaunay(places).simplices
    pairs = np.vstack([sides[:, [0, 1]], sides[:, [1, 2]], sides[:, [0, 2]]])
    ends = np.unique(np.sort(pairs, axis=1), axis=0)
    ends = ends[rng.random(len(ends)) < 0.6]
    twins = ends[rng.random(len(ends)) < 0.08]
    ends = np.vstack([ends, twins])
    middle = (places[ends[:, 0]] + places[ends[:, 1]]) / 2
    length = np.hypot(*(places[ends[:, 0]] - places[ends[:, 1]]).T)
    rows: list[np.ndarray] = []
    for line in range(rivers):
        x = 100_000 * (line + 1) / (rivers + 1)
        left = places[:, 0] < x
        across = np.flatnonzero(left[ends[:, 0]] != left[ends[:, 1]])
        bridge_of = rng.integers(0, bridges, len(across))
        rows += [across[bridge_of == b] for b in range(bridges)]
    tied = [
        np.concatenate([rows[a], rows[b]])
        for a, b in rng.integers(0, max(len(rows), 1), (2 * rivers, 2))
        if rows and a // bridges != b // bridges
    ]
    rows += tied
    reach = 1.5 * 100_000 / np.sqrt(n)
    centres = rng.random((n // 4, 2)) * 100_000
    corridors = [
        np.array(found, dtype=np.int64)
        for found in cKDTree(middle).query_ball_point(centres, 0.6 * reach)
    ]
    rows += corridors
    for a, b in rng.integers(0, len(corridors), (n // 40, 2)):
        rows.append(np.concatenate([corridors[a], corridors[b]]))
    rows += _first_ducts(places, ends)
    s = int(np.argmin(places.sum(axis=1)))
    t = int(np.argmax(places.sum(axis=1)))
    # What holds everything at an end would make the question void; it is left out.
    kept = []
    for row in rows:
        if len(row) < 2:
            continue
        touch = ends[row]
        if not ((touch == s).any() or (touch == t).any()):
            kept.append(row)
    groups = csr_array(
        (
            np.ones(sum(map(len, kept)), dtype=bool),
            (np.concatenate(kept), np.repeat(np.arange(len(kept)), [len(r) for r in kept])),
        ),
        shape=(len(ends), len(kept)),
    )
    edges = _identity(len(ends))
    nodes = csr_array((len(ends), n), dtype=bool)
    risks = hstack([edges, nodes, groups], format="csr")
    node_risks = hstack(
        [
            csr_array((n, len(ends)), dtype=bool),
            _identity(n),
            csr_array((n, len(kept)), dtype=bool),
        ],
        format="csr",
    )
    cost = np.round(length).astype(np.int64)
    weights = {"delay": np.round(length * 4.9).astype(np.int64)}
    graph = RiskGraph(n, ends[:, 0], ends[:, 1], cost, risks, node_risks, weights)
    return Net(graph, Question(s, t), places)


def _identity(size: int) -> csr_array:
    at = np.arange(size)
    return csr_array((np.ones(size, dtype=bool), (at, at)), shape=(size, size))


def _first_ducts(places: np.ndarray, ends: np.ndarray) -> list[np.ndarray]:
    rows = []
    number = np.tile(np.arange(len(ends)), 2)
    tail = np.concatenate([ends[:, 0], ends[:, 1]])
    head = np.concatenate([ends[:, 1], ends[:, 0]])
    step = places[head] - places[tail]
    sector = ((np.arctan2(step[:, 1], step[:, 0]) + np.pi) / (np.pi / 6)).astype(int)
    key = tail * 13 + sector
    order = np.argsort(key, kind="stable")
    for found in np.split(number[order], np.flatnonzero(np.diff(key[order])) + 1):
        if len(np.unique(found)) > 1:
            rows.append(np.unique(found))
    return rows


def by_integer_programme(
    graph: RiskGraph, question: Question, time_limit_s: float, ways: int = 2
) -> tuple[str, int | None]:
    """Flows x, one unit per path, and y = 1 where a path relies on a risk; solved by HiGHS.

    Returns ``("apart", cost)``, ``("none", None)`` or ``("undecided", None)``.
    """
    n, m, r = graph.n_nodes, graph.n_edges, graph.n_risks
    risks = csr_array(edge_risks(graph, question.s, question.t), dtype=float)
    tail = np.concatenate([graph.u, graph.v])
    head = np.concatenate([graph.v, graph.u])
    arcs = np.arange(2 * m)
    balance = csr_array((np.ones(2 * m), (tail, arcs)), shape=(n, 2 * m)) - csr_array(
        (np.ones(2 * m), (head, arcs)), shape=(n, 2 * m)
    )
    supply = np.zeros(n)
    supply[question.s], supply[question.t] = 1, -1
    used = csr_array((np.ones(2 * m), (np.tile(np.arange(m), 2), arcs)), shape=(m, 2 * m))
    pair = risks.tocoo()
    rows = np.arange(len(pair.row))
    use = used[pair.row]
    rely = csr_array((-np.ones(len(rows)), (rows, pair.col)), shape=(len(rows), r))
    blank_x, blank_y = csr_array((n, 2 * m)), csr_array((n, r))
    blocks, low, high = [], [], []
    for way in range(ways):
        row = []
        for other in range(ways):
            row += [balance if other == way else blank_x, blank_y]
        blocks.append(hstack(row))
        low.append(supply)
        high.append(supply)
    for way in range(ways):
        row = []
        for other in range(ways):
            here = other == way
            row += [use if here else csr_array(use.shape), rely if here else csr_array(rely.shape)]
        blocks.append(hstack(row))
        low.append(np.full(len(rows), -np.inf))
        high.append(np.zeros(len(rows)))
    counted = np.ones(r, dtype=bool)
    counted[list(question.exempt)] = False
    once = lil_array((r, r))
    once.setdiag(counted.astype(float))
    blocks.append(hstack([csr_array((r, 2 * m)), once] * ways))
    low.append(np.full(r, -np.inf))
    high.append(np.ones(r))
    cost = np.concatenate([np.tile(graph.cost, 2), np.zeros(r)] * ways)
    found = milp(
        cost,
        constraints=LinearConstraint(
            vstack(blocks).tocsc(), np.concatenate(low), np.concatenate(high)
        ),
        integrality=np.ones(len(cost)),
        bounds=Bounds(0, 1),
        options={"time_limit": time_limit_s, "mip_rel_gap": 0.0},
    )
    if found.status == 0:
        return "apart", round(found.fun)
    return ("none" if found.status == 2 else "undecided"), None
