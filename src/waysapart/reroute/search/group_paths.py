"""The cheapest paths of a group whose test is not that no two of them share anything.

Each path belongs to one circuit of the group. A *contest* is a set of paths that one event must
not cut all: all working paths, all paths, or every two paths of two circuits, as the test of the
group says. Two paths may also have to keep out of each other's way: one must not follow a
segment if the other follows a segment beside it.

Branch and bound as in `branch_and_bound`, with a fork for every path of a contest: something that
all of them rely on must be avoided by one of them. A branch is bounded by the cheapest paths that
avoid what it says. The cheapest open branch and the deepest take turns until paths are found.
"""

from __future__ import annotations

import heapq
import time
from collections.abc import Collection
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from waysapart.arrays import Bools, Ints
from waysapart.reroute.search.branch_and_bound import BUMP_GROWTH
from waysapart.reroute.search.disjoint_paths import (
    SHRINK_NODES,
    SHRINK_RISKS,
    Answer,
    Status,
    barred_edges,
)
from waysapart.reroute.search.least_shared import LeastShared, lightest_hit
from waysapart.reroute.search.no_pair_proof import (
    Beyond,
    Cut,
    Fork,
    Listed,
    NoPairProof,
    Parted,
    Tree,
    can_be_listed,
    fork_of,
    small_cut,
)
from waysapart.reroute.search.reduce import Reduced, reduce_graph
from waysapart.reroute.search.risk_graph import LARGEST_SUM, Question, RiskGraph
from waysapart.reroute.search.shortest_paths import (
    OutOfTimeError,
    Window,
    cheapest,
    cheapest_within,
    distances,
)

Conflict = tuple[tuple[int, int], ...]
"""Path and risk, several times: not all of these paths may rely on their risk."""


@dataclass(frozen=True)
class Contest:
    """Paths that one event must not cut all.

    Attributes
    ----------
    paths : tuple of int
    counts : ndarray of bool, shape (risks,)
        The risks that count; the others may be shared.
    """

    paths: tuple[int, ...]
    counts: Bools


@dataclass(frozen=True)
class KeptApart:
    """Two paths of which one must not rely on one risk while the other relies on another.

    Attributes
    ----------
    paths : tuple of two int
    risks : tuple of two int
        Of the first path and of the second.
    pair : tuple of two str
        The segments, which tell the rule by name.
    """

    paths: tuple[int, int]
    risks: tuple[int, int]
    pair: tuple[str, str]


@dataclass(frozen=True)
class GroupTerms:
    """What the paths of a group must keep.

    Attributes
    ----------
    barred : tuple of frozenset of int
        For each path, the edges that are for other circuits only.
    contests : tuple of Contest
    near : tuple of KeptApart
    """

    barred: tuple[frozenset[int], ...]
    contests: tuple[Contest, ...]
    near: tuple[KeptApart, ...] = ()

    def only(self, risks: Collection[int]) -> GroupTerms:
        """The same terms where no other risks count."""
        few = np.zeros(len(self.contests[0].counts), dtype=bool)
        few[list(risks)] = True
        return replace(
            self,
            contests=tuple(replace(one, counts=one.counts & few) for one in self.contests),
            near=tuple(one for one in self.near if set(one.risks) <= set(risks)),
        )

    def waiving(
        self, risks: Collection[int], pairs: Collection[tuple[str, str]] = ()
    ) -> GroupTerms:
        """The same terms where some risks may be shared, and some segments lie near."""
        free = np.zeros(len(self.contests[0].counts), dtype=bool)
        free[list(risks)] = True
        return replace(
            self,
            contests=tuple(replace(one, counts=one.counts & ~free) for one in self.contests),
            near=tuple(one for one in self.near if one.pair not in pairs),
        )


@dataclass(eq=False)
class _State:
    """What one path must avoid on a branch, and the cheapest path that does so."""

    avoid: frozenset[int]
    dead: Bools
    path: tuple[int, ...] | None = None
    cost: int = 0
    risks: frozenset[int] = frozenset()


@dataclass(eq=False)
class _Node:
    """A branch of the tree."""

    states: tuple[_State, ...]
    bound: int
    parent: _Node | None = None
    side: int = 0
    closed: bool = False
    conflict: Conflict = ()
    pair: tuple[str, str] | None = None
    trees: list[Tree | None] = field(default_factory=list)
    left: int = 0

    @property
    def settled(self) -> bool:
        """Whether it needs no more work: branched on already, or decided by an ancestor."""
        if self.left:
            return True
        at: _Node | None = self
        while at is not None:
            if at.closed:
                return True
            at = at.parent
        return False


class GroupSearch:
    """One search; `run` does the work and leaves its findings in the attributes.

    Attributes
    ----------
    best, best_cost
        The cheapest paths found, as edges on record, and their cost.
    lower
        No paths that keep the terms cost less.
    done
        The tree is closed: `best` is the cheapest, or there are none.
    tree
        The proof, where there are none.
    nodes
        Branches looked at.
    reduced
        The graph of each path.
    """

    def __init__(self, graph: RiskGraph, question: Question, terms: GroupTerms) -> None:
        made: dict[frozenset[int], Reduced] = {}
        for barred in terms.barred:
            if barred not in made:
                forbidden = sorted(barred.union(question.forbidden_edges))
                made[barred] = reduce_graph(graph, replace(question, forbidden_edges=forbidden))
        self.reduced = [made[barred] for barred in terms.barred]
        self.terms = terms
        self.graph = graph
        self.windows = tuple(
            Window(name, 0, most) for name, most in sorted(question.limits.most.items())
        )
        self.activity = np.zeros(graph.n_risks)
        self.bump = 1.0
        self.best: list[tuple[int, ...]] | None = None
        self.best_cost: int | None = None
        self.lower = 0
        self.done = False
        self.tree: Tree | None = None
        self.nodes = 0
        alike = {
            id(one): _State(frozenset(), np.zeros(one.n_edges, dtype=bool)) for one in self.reduced
        }
        self.root = _Node(tuple(alike[id(one)] for one in self.reduced), 0)
        self.heap: list[tuple[int, int, _Node]] = [(0, 0, self.root)]
        self.stack = [self.root]
        self.made = 1

    def run(self, deadline: float, node_limit: int | None = None) -> None:
        """Search until closed, out of time, or out of nodes.

        Parameters
        ----------
        deadline : float
            As `time.monotonic()` gives it, in seconds.
        node_limit : int, optional
            Greatest number of branches.
        """
        self.deadline = deadline
        node: _Node | None = None
        try:
            while not self.root.closed:
                if time.monotonic() > deadline or self.nodes == node_limit:
                    raise OutOfTimeError
                node = self._next(deep=self.best is None and self.nodes % 2 == 1)
                if node is None:
                    break
                if self.best_cost is not None and node.bound >= self.best_cost:
                    self._close(node, None)
                else:
                    self.nodes += 1
                    self._expand(node)
                node = None
        except OutOfTimeError:
            bounds = [one.bound for _, _, one in self.heap if not one.settled]
            bounds += [node.bound] if node is not None else []
            bounds += [self.best_cost] if self.best_cost is not None else []
            self.lower = min(bounds, default=0)
            return
        self.done = True
        self.lower = self.best_cost or 0

    def _next(self, deep: bool) -> _Node | None:
        while self.stack if deep else self.heap:
            node = self.stack.pop() if deep else heapq.heappop(self.heap)[2]
            if not node.settled:
                return node
        return self._next(deep=False) if deep and self.heap else None

    def _expand(self, node: _Node) -> None:
        for path, state in enumerate(node.states):
            if state.path is None and not self._find(node, path, state):
                return
        node.bound = sum(state.cost for state in node.states)
        if self.best_cost is not None and node.bound >= self.best_cost:
            self._close(node, None)
            return
        found = self._conflict(node)
        if found is None:
            self.best_cost = node.bound
            self.best = [
                tuple(reduced.on_record(list(state.path or ())))
                for reduced, state in zip(self.reduced, node.states, strict=True)
            ]
            self._close(node, None)
            return
        node.conflict, node.pair = found
        node.trees, node.left = [None] * len(node.conflict), len(node.conflict)
        children = []
        for side, (path, risk) in enumerate(node.conflict):
            states = list(node.states)
            states[path] = self._avoiding(path, states[path], risk)
            children.append(_Node(tuple(states), node.bound, node, side))
        for child in children:
            heapq.heappush(self.heap, (child.bound, self.made, child))
            self.made += 1
        if self.best is None:
            self.stack.extend(reversed(children))

    def _find(self, node: _Node, path: int, state: _State) -> bool:
        """Find the cheapest path of a state within the limits; False where it closed the node."""
        reduced = self.reduced[path]
        found = cheapest(reduced, reduced.cost, state.dead)
        if found is None:
            self._leaf(node, path)
            return False
        sums = {
            w.weight: int(reduced.weights[w.weight][list(found.edges)].sum()) for w in self.windows
        }
        if not all(window.holds(sums[window.weight]) for window in self.windows):
            found = cheapest_within(reduced, self.windows, state.dead, self.deadline)
            if found is None:
                self._close(node, self._beyond(path, state))
                return False
        state.path = found.edges
        state.cost = int(reduced.cost[list(found.edges)].sum())
        rows = [reduced.risks_of(edge) for edge in found.edges]
        state.risks = frozenset(np.unique(np.concatenate(rows)).tolist()) if rows else frozenset()
        return True

    def _avoiding(self, path: int, state: _State, risk: int) -> _State:
        dead = state.dead.copy()
        dead[self.reduced[path].edges_of(risk)] = True
        found = _State(state.avoid | {risk}, dead)
        if risk not in state.risks:
            found.path, found.cost, found.risks = state.path, state.cost, state.risks
        return found

    def _conflict(self, node: _Node) -> tuple[Conflict, tuple[str, str] | None] | None:
        """What the cheapest paths of a node break: the most active, then in the fewest paths."""
        ranked: list[tuple[float, int, int, Conflict, tuple[str, str] | None]] = []
        for contest in self.terms.contests:
            own = [node.states[path].risks for path in contest.paths]
            shared = [risk for risk in frozenset.intersection(*own) if contest.counts[risk]]
            if shared:
                risk = max(shared, key=lambda r: (self.activity[r], self._size(contest, r), -r))
                told = tuple((path, risk) for path in contest.paths)
                ranked.append((self.activity[risk], -len(told), len(ranked), told, None))
        for rule in self.terms.near:
            told = tuple(zip(rule.paths, rule.risks, strict=True))
            if all(risk in node.states[path].risks for path, risk in told):
                active = max(self.activity[risk] for _, risk in told)
                ranked.append((active, -2, len(ranked), told, rule.pair))
        if not ranked:
            return None
        *_, conflict, pair = max(ranked, key=lambda one: one[:3])
        return conflict, pair

    def _size(self, contest: Contest, risk: int) -> int:
        """How many edges of the paths in a contest rely on a risk."""
        return sum(len(self.reduced[path].edges_of(risk)) for path in contest.paths)

    def _leaf(self, node: _Node, path: int) -> None:
        """Close a node whose path `path` no longer reaches the end."""
        state, reduced = node.states[path], self.reduced[path]
        cut, avoid = small_cut(reduced, state.dead, state.avoid)
        for risk in avoid:
            self.activity[risk] += self.bump
        self.bump *= BUMP_GROWTH
        if self.bump > 1e100:
            self.activity /= self.bump
            self.bump = 1.0
        self._close(node, Cut(path, tuple(reduced.cut_on_record(cut, avoid)), avoid))

    def _beyond(self, path: int, state: _State) -> Tree:
        """A leaf for a path that cannot keep a limit, or several together."""
        reduced = self.reduced[path]
        for window in self.windows:
            far = distances(reduced, reduced.weights[window.weight], state.dead, reduced.s)
            least = round(float(far[0][reduced.t]))
            if least > window.most:
                return Beyond(path, window.weight, least, window.most, state.avoid)
        bounding = tuple(w for w in self.windows if w.most < LARGEST_SUM)
        return Listed(path, bounding, state.avoid)

    def _close(self, node: _Node, tree: Tree | None) -> None:
        """Close a node, and its parents where this decides them."""
        at, found = node, tree
        while True:
            at.closed = True
            parent = at.parent
            if parent is None:
                self.tree = found
                return
            if parent.closed:
                return
            if found is not None and parent.conflict[at.side] not in found.used:
                # A proof that does not use what this branch adds holds for the parent.
                at = parent
                continue
            parent.trees[at.side] = found
            parent.left -= 1
            if parent.left:
                return
            whole = [one for one in parent.trees if one is not None]
            found = None
            if len(whole) == len(parent.trees):
                found = fork_of(parent.conflict, tuple(whole), parent.pair)
            at = parent


def group_paths(
    graph: RiskGraph, question: Question, terms: GroupTerms, *, time_limit_s: float = 10.0
) -> Answer:
    """The paths of a group of least total cost that keep its terms, or the proof of none.

    Parameters
    ----------
    graph : RiskGraph
    question : Question
        Ends and limits; `limits.apart_most` and `keep` are not heeded.
    terms : GroupTerms
        One entry of `barred` for each path sought.
    time_limit_s : float
        Seconds of search.

    Returns
    -------
    Answer
        `paths` in the order of the paths.

    Notes
    -----
    Exact, and exponential at worst: the cost of a branch is a lower bound of what lies below.

    Examples
    --------
    Two paths of each of two circuits, whose edges all rely on one thing:

    >>> graph = RiskGraph(2, [0, 0], [1, 1], [1, 2], np.ones((2, 1), dtype=bool))
    >>> contest = Contest((0, 1), np.ones(1, dtype=bool))
    >>> terms = GroupTerms((frozenset({1}), frozenset({0})), (contest,))
    >>> group_paths(graph, Question(0, 1), terms).status
    'none'
    >>> group_paths(graph, Question(0, 1), terms.waiving([0])).paths
    ((0,), (1,))
    """
    began = time.monotonic()
    deadline = began + time_limit_s
    search = GroupSearch(graph, question, terms)
    search.run(deadline)
    proof = None
    if search.tree is not None and search.best is None:
        proof = _proof(graph, question, terms, search.tree)
        proof = _made_small(graph, question, terms, proof, deadline)
        proof = proof if can_be_listed(search.reduced, proof) else None
    found = None if search.best is None else tuple(search.best)
    status: Status = "apart" if found else "none" if search.done else "undecided"
    why = "" if search.done else "time"
    return Answer(
        status,
        found,
        search.best_cost,
        None if status == "none" else search.lower,
        found is not None and search.done,
        proof,
        "limits" if status == "none" and proof is None else why,
        search.nodes,
        time.monotonic() - began,
    )


def _proof(graph: RiskGraph, question: Question, terms: GroupTerms, tree: Tree) -> NoPairProof:
    return NoPairProof(
        question.s,
        question.t,
        len(terms.barred),
        frozenset(),
        barred_edges(graph, question),
        tree,
        question.limits,
        {},
        terms.barred,
    )


def _made_small(
    graph: RiskGraph, question: Question, terms: GroupTerms, proof: NoPairProof, deadline: float
) -> NoPairProof:
    """A proof of the same with as few risks or fewer, of which no single one can be left out."""

    def again(risks: frozenset[int]) -> NoPairProof | None:
        search = GroupSearch(graph, question, terms.only(risks))
        search.run(deadline, SHRINK_NODES)
        if search.tree is None or search.best is not None:
            return None
        return _proof(graph, question, terms, search.tree)

    while proof.size()[1] > 2 and time.monotonic() < deadline:
        fewer = again(proof.risks())
        if fewer is None or fewer.size() >= proof.size():
            break
        proof = fewer
    if 1 < proof.size()[0] <= SHRINK_RISKS:
        for risk in sorted(proof.risks()):
            if risk in proof.risks() and time.monotonic() < deadline:
                proof = again(proof.risks() - {risk}) or proof
    return proof


# --- The paths that share least, where none keep the terms.


@dataclass(frozen=True)
class GroupLeast:
    """What the paths of a group share at least.

    Attributes
    ----------
    least : LeastShared
    near : list of tuple of str
        Segments that come too near each other, or cross, on them.
    """

    least: LeastShared
    near: list[tuple[str, str]]


def least_of_group(
    graph: RiskGraph,
    question: Question,
    terms: GroupTerms,
    weight: npt.ArrayLike,
    near_weight: int,
    *,
    time_limit_s: float = 20.0,
) -> GroupLeast:
    """The paths of a group whose broken terms weigh least, then cost least.

    As `least_shared`: the forks of a proof are a core, one of which must be waived.

    Parameters
    ----------
    graph, question, terms
        As in `group_paths`.
    weight : array-like of int, shape (risks,)
    near_weight : int
        Weight of two segments that come too near each other.
    time_limit_s : float

    Returns
    -------
    GroupLeast
    """
    began = time.monotonic()
    weights: Ints = np.asarray(weight).astype(np.int64)
    pairs = sorted({rule.pair for rule in terms.near})
    number = {pair: len(weights) + place for place, pair in enumerate(pairs)}
    every = np.append(weights, np.full(len(pairs), near_weight, dtype=np.int64))
    cores: list[frozenset[int]] = []
    waived: frozenset[int] = frozenset()
    lower, first = 0, None
    status: Literal["optimal", "lightest", "none", "undecided"] = "undecided"
    answer: Answer | None = None
    while (left := began + time_limit_s - time.monotonic()) > 0:
        near = [pairs[one - len(weights)] for one in waived if one >= len(weights)]
        given = terms.waiving([one for one in waived if one < len(weights)], near)
        answer = group_paths(graph, question, given, time_limit_s=left)
        if answer.status == "apart":
            status = "optimal" if answer.optimal and not waived else "lightest"
            break
        if answer.proof is None:
            break
        first = first or answer.proof
        core = frozenset(
            number[one] if isinstance(one, tuple) else one for one in _reasons(answer.proof.tree)
        )
        if not core:
            status = "none"
            break
        cores.append(core)
        chosen = lightest_hit(cores, every, None, began + time_limit_s)
        if chosen is None:
            break
        waived = frozenset(chosen)
        lower = int(every[chosen].sum())
    seconds = time.monotonic() - began
    if answer is None or status not in ("optimal", "lightest"):
        return GroupLeast(
            LeastShared(status, None, None, frozenset(), None, lower, first, seconds), []
        )
    shared = frozenset(one for one in waived if one < len(weights))
    found = LeastShared(status, answer.paths, answer.cost, shared, lower, lower, first, seconds)
    return GroupLeast(found, [pairs[one - len(weights)] for one in sorted(waived - shared)])


def _reasons(tree: Tree) -> set[int | tuple[str, str]]:
    """What the forks of a proof say must not be: risks shared by all, or segments too near."""
    found: set[int | tuple[str, str]] = set()
    pending = [tree]
    while pending:
        at = pending.pop()
        if isinstance(at, Fork):
            found.add(at.pair or at.risks[0])
        if isinstance(at, (Fork, Parted)):
            pending += at.then
    return found
