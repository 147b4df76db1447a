"""Small random plants and slow, plain answers for the tests of rerouting.

Nothing here is shared with the solver: paths are listed one by one, and proofs are
checked by breadth-first search alone.
"""

from __future__ import annotations

import random
from collections import deque
from dataclasses import dataclass, replace
from itertools import combinations, combinations_with_replacement

import numpy as np
from scipy.sparse import csr_array

from waysapart.reroute.search.risk_graph import PathLimits, Question, RiskGraph


@dataclass
class Plant:
    """A plant as plain Python: edges (u, v, cost, risks, weights) and risks of nodes."""

    n_nodes: int
    edges: list[tuple[int, int, int, set[int], dict[str, int]]]
    node_risks: list[set[int]]
    n_risks: int

    def graph(self) -> RiskGraph:
        risks = _matrix([e[3] for e in self.edges], self.n_risks)
        names = sorted({name for e in self.edges for name in e[4]})
        return RiskGraph(
            self.n_nodes,
            np.array([e[0] for e in self.edges], dtype=np.int64),
            np.array([e[1] for e in self.edges], dtype=np.int64),
            np.array([e[2] for e in self.edges], dtype=np.int64),
            risks,
            _matrix(self.node_risks, self.n_risks),
            {name: np.array([e[4][name] for e in self.edges]) for name in names},
        )

    def relied_on(self, edge: int, s: int, t: int) -> set[int]:
        u, v, _, risks, _ = self.edges[edge]
        found = set(risks)
        for node in (u, v):
            if node not in (s, t):
                found |= self.node_risks[node]
        return found


def _matrix(rows: list[set[int]], columns: int) -> csr_array:
    dense = np.zeros((len(rows), columns), dtype=bool)
    for row, found in enumerate(rows):
        for column in found:
            dense[row, column] = True
    return csr_array(dense)


def plant_of(*edges: tuple[str, int, set[int]], delay: tuple[int, ...] = ()) -> Plant:
    """A plant from edges like ("AB", 1, {0}); node A is 0, B is 1 and so on, none a risk."""
    rows = []
    for number, (ends, cost, risks) in enumerate(edges):
        weights = {"delay": delay[number]} if delay else {}
        rows.append((ord(ends[0]) - 65, ord(ends[1]) - 65, cost, risks, weights))
    nodes = 1 + max(max(row[0], row[1]) for row in rows)
    risks_named = set().union(*(row[3] for row in rows))
    return Plant(nodes, rows, [set() for _ in range(nodes)], 1 + max(risks_named))


def with_node_risk(plant: Plant, node: int, risk: int) -> Plant:
    """The same plant, in which passing one node relies on a further risk."""
    nodes = [{risk} if number == node else set() for number in range(plant.n_nodes)]
    return Plant(plant.n_nodes, plant.edges, nodes, risk + 1)


def random_plant(seed: int) -> Plant:
    """A net of 4 to 7 nodes with parallel edges, nested groups, hazards and shared nodes."""
    rng = random.Random(seed)
    n = rng.randint(4, 7)
    ends = [(i, i + 1) for i in range(n - 1)]
    ends += [tuple(rng.sample(range(n), 2)) for _ in range(rng.randint(2, 7))]
    ends += rng.choices(ends, k=rng.randint(0, 2))
    rng.shuffle(ends)
    sets: list[set[int]] = [set() for _ in ends]
    nodes: list[set[int]] = [set() for _ in range(n)]
    risks = 0
    for row in sets:
        if rng.random() < 0.95:
            row.add(risks)
            risks += 1
    if rng.random() < 0.6:
        for row in nodes:
            if rng.random() < 0.8:
                row.add(risks)
                risks += 1
    for _ in range(rng.randint(0, 4)):  # trenches, each perhaps inside a road
        members = rng.sample(range(len(ends)), min(len(ends), rng.randint(2, 3)))
        for edge in members:
            sets[edge].add(risks)
        risks += 1
        if rng.random() < 0.4:
            for edge in [*members, rng.randrange(len(ends))]:
                sets[edge].add(risks)
            risks += 1
    if rng.random() < 0.3:  # a hazard over a node and some edges
        nodes[rng.randrange(n)].add(risks)
        for edge in rng.sample(range(len(ends)), 2):
            sets[edge].add(risks)
        risks += 1
    edges = []
    for (u, v), row in zip(ends, sets, strict=True):
        cost = rng.choice([0, 1, 1, 2, 3, 5, 8, 13])
        edges.append((u, v, cost, row, {"delay": rng.randint(0, 9), "loss": rng.randint(1, 6)}))
    return Plant(n, edges, nodes, risks)


def random_question(plant: Plant, seed: int, limited: bool = False) -> Question:
    rng = random.Random(seed)
    t = plant.n_nodes - 1
    exempt = [r for r in range(plant.n_risks) if rng.random() < 0.05]
    barred = [e for e in range(len(plant.edges)) if rng.random() < 0.03]
    barred_risks = [r for r in range(plant.n_risks) if rng.random() < 0.02]
    limits = PathLimits()
    if limited:
        most = {}
        if rng.random() < 0.7:
            most["delay"] = rng.randint(8, 25)
        if rng.random() < 0.5:
            most["loss"] = rng.randint(6, 18)
        limits = PathLimits(most, {"delay": rng.randint(0, 8)} if rng.random() < 0.6 else {})
    question = Question(0, t, exempt, barred, barred_risks, None, limits)
    if rng.random() < 0.2:
        ways = simple_ways(plant, question)
        if ways:
            question = Question(0, t, exempt, barred, barred_risks, rng.choice(ways), limits)
    return question


def simple_ways(plant: Plant, question: Question) -> list[list[int]]:
    """Every path without a repeated node that uses nothing forbidden."""
    s, t = question.s, question.t
    banned = set(question.forbidden_risks)
    at: dict[int, list[tuple[int, int]]] = {}
    for number, (u, v, *_) in enumerate(plant.edges):
        if number in question.forbidden_edges or banned & plant.relied_on(number, s, t):
            continue
        at.setdefault(u, []).append((number, v))
        at.setdefault(v, []).append((number, u))
    found: list[list[int]] = []

    def go(node: int, seen: set[int], way: list[int]) -> None:
        if node == t:
            found.append(list(way))
            return
        for edge, onward in at.get(node, []):
            if onward not in seen:
                go(onward, seen | {onward}, [*way, edge])

    go(s, {s}, [])
    return found


def by_enumeration(
    plant: Plant, question: Question, ways: int = 2, weights: list[int] | None = None
) -> tuple[int, int] | None:
    """(weight shared, cost) of the best paths, by trying every combination.

    Without `weights` nothing may be shared and the first figure is 0.
    """
    s, t, limits = question.s, question.t, question.limits
    listed = simple_ways(plant, question)
    exempt = set(question.exempt)
    own = [
        set().union(*(plant.relied_on(e, s, t) for e in way)) - exempt if way else set()
        for way in listed
    ]
    costs = [sum(plant.edges[e][2] for e in way) for way in listed]

    def total(way: list[int], name: str) -> int:
        return sum(plant.edges[e][4][name] for e in way)

    ok = [all(total(way, name) <= most for name, most in limits.most.items()) for way in listed]
    best = None
    choices = [i for i in range(len(listed)) if ok[i]]
    for combination in combinations_with_replacement(choices, ways):
        if question.keep is not None and list(question.keep) not in [
            listed[i] for i in combination
        ]:
            continue
        twice: set[int] = set()
        for i, j in combinations(combination, 2):
            twice |= own[i] & own[j]
        if weights is None and twice:
            continue
        if any(
            max(total(listed[i], name) for i in combination)
            - min(total(listed[i], name) for i in combination)
            > most
            for name, most in limits.apart_most.items()
        ):
            continue
        shared = 0 if weights is None else sum(weights[r] for r in twice)
        key = (shared, sum(costs[i] for i in combination))
        best = key if best is None or key < best else best
    return best


def false_in_proof(proof: dict, plant: Plant, question: Question) -> list[str]:
    """What is wrong with a no-pair proof in its JSON form; empty where it holds."""
    s, t = proof["ends"]
    wrong: list[str] = []
    barred = {
        e
        for e in range(len(plant.edges))
        if e in question.forbidden_edges or set(question.forbidden_risks) & plant.relied_on(e, s, t)
    }
    from_start: set[int] = set()
    if question.keep is not None:
        for edge in question.keep:
            from_start |= plant.relied_on(edge, s, t)
    exempt = set(question.exempt)
    if {s, t} != {question.s, question.t}:
        wrong.append("other ends")
    if not set(proof["without"]) <= barred:
        wrong.append("edges left out that are not forbidden")
    if not set(proof["avoid_from_start"]) <= from_start - exempt:
        wrong.append("avoids from the start what the kept way does not rely on")
    ways = proof["paths"]
    if ways != 2 - (question.keep is not None) and ways < 2:
        wrong.append("number of ways")

    limits = proof.get("limits", {"most": {}, "apart_most": {}, "kept": {}})
    if not limits["most"].items() <= dict(question.limits.most).items():
        wrong.append("another limit than the one asked for")
    if not limits["apart_most"].items() <= dict(question.limits.apart_most).items():
        wrong.append("another difference than the one asked for")
    windows: dict[str, tuple[float, float]] = {}
    for name in {*limits["most"], *limits["apart_most"]}:
        windows[name] = (0, limits["most"].get(name, float("inf")))
        if name in limits["apart_most"] and question.keep is not None:
            kept = sum(plant.edges[e][4][name] for e in question.keep)
            apart = limits["apart_most"][name]
            if limits["kept"].get(name) != kept:
                wrong.append("another sum of the kept way")
            windows[name] = (max(0, kept - apart), min(windows[name][1], kept + apart))

    def look(
        tree: dict, avoided: list[set[int]], windows: dict[str, tuple[float, float]] = windows
    ) -> None:
        if "at_most" in tree:
            name, h, x = tree["weight"], tree["at_most"], tree["or_at_least"]
            if name not in limits["apart_most"] or x > h - limits["apart_most"][name] + 1:
                wrong.append("a fork that leaves ways between")
            least, most = windows[name]
            look(tree["then"][0], avoided, {**windows, name: (least, min(h, most))})
            look(tree["then"][1], avoided, {**windows, name: (max(x, least), most)})
            return
        if "between" in tree:
            first, second = tree["between"]
            if first == second or not {first, second} <= set(range(ways)):
                wrong.append("a fork between no two ways")
            if tree["risk"] in exempt:
                wrong.append("a fork at an exempt risk")
            for way, branch in zip((first, second), tree["then"], strict=True):
                further = [set(a) for a in avoided]
                further[way].add(tree["risk"])
                look(branch, further, windows)
            return
        out = set(proof["without"])
        if "fewer_than_paths" in tree:
            few = set(tree["fewer_than_paths"])
            if len(few) >= ways or few & exempt:
                wrong.append("not fewer risks than ways")
            if any(not few & plant.relied_on(edge, s, t) for edge in tree["cut"]):
                wrong.append("an edge of a cut relies on none of the few")
            if _reached(plant, out | set(tree["cut"]), s, t):
                wrong.append("a cut does not part the ends")
            return
        avoid = set(tree["avoid"])
        if not avoid <= avoided[tree["path"]]:
            wrong.append("a leaf avoids more than its branch says")
        if "cut" in tree:
            for edge in tree["cut"]:
                if not avoid & plant.relied_on(edge, s, t):
                    wrong.append(f"edge {edge} of a cut may be used")
            if _reached(plant, out | set(tree["cut"]), s, t):
                wrong.append("a cut does not part the ends")
        elif "windows" in tree:
            named = [
                (one["weight"], one["least"], float("inf") if one["most"] is None else one["most"])
                for one in tree["windows"]
            ]
            if any(windows[n][0] < low or windows[n][1] > high for n, low, high in named):
                wrong.append("a window that its branch does not give")
            barred_too = replace(
                question,
                forbidden_edges=sorted(out),
                forbidden_risks=sorted(avoid),
                keep=None,
            )
            for way in simple_ways(plant, barred_too):
                sums = [sum(plant.edges[e][4][n] for e in way) for n, _, _ in named]
                if all(
                    low <= total <= high for total, (_, low, high) in zip(sums, named, strict=True)
                ):
                    wrong.append("a course in all windows")
        else:
            dead = {
                e for e in range(len(plant.edges)) if e in out or avoid & plant.relied_on(e, s, t)
            }
            least = _least(plant, dead, s, t, tree["weight"])
            if windows[tree["weight"]][1] > tree["most"]:
                wrong.append("another limit than its branch gives")
            if least is None or least < tree["least"] or least <= tree["most"]:
                wrong.append("the limit can be kept")

    look(proof["tree"], [set(proof["avoid_from_start"]) for _ in range(ways)])
    return wrong


def _reached(plant: Plant, out: set[int], s: int, t: int) -> bool:
    queue, seen = deque([s]), {s}
    while queue:
        node = queue.popleft()
        for number, (u, v, *_) in enumerate(plant.edges):
            if number not in out and node in (u, v):
                onward = v if node == u else u
                if onward not in seen:
                    seen.add(onward)
                    queue.append(onward)
    return t in seen


def _least(plant: Plant, out: set[int], s: int, t: int, name: str) -> int | None:
    """Bellman and Ford: plain, and not what the solver uses."""
    far = {s: 0}
    for _ in range(plant.n_nodes):
        for number, (u, v, _, _, weights) in enumerate(plant.edges):
            if number in out:
                continue
            for a, b in ((u, v), (v, u)):
                if a in far and far[a] + weights[name] < far.get(b, 1 << 60):
                    far[b] = far[a] + weights[name]
    return far.get(t)
