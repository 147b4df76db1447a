"""Branch and bound over which path avoids which risk.

A node of the tree says for each path which risks it must avoid; it stands for all sets of
paths that do so. A node is closed by a cut (a path no longer exists), by a limit, by a
bound (nothing cheaper lies below), or because its cheapest paths are separate already.
Otherwise two of the paths rely on one risk, and one branch for each lets it avoid this risk.
"""

from __future__ import annotations

import heapq
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np

from waysapart.arrays import Bools, Ints
from waysapart.reroute.search.min_cost_flow import Flow, cheapest_flow, flow_net
from waysapart.reroute.search.no_pair_proof import (
    Beyond,
    Cut,
    Few,
    Listed,
    Rest,
    Tree,
    fork,
    mirrored,
    parted,
    small_cut,
)
from waysapart.reroute.search.reduce import Reduced
from waysapart.reroute.search.risk_graph import LARGEST_SUM, PathLimits
from waysapart.reroute.search.shortest_paths import (
    GraphPath,
    OutOfTimeError,
    Window,
    cheapest,
    cheapest_within,
    distances,
)


@dataclass(eq=False)
class PathState:
    """What one path must avoid at a node of the tree, and the cheapest paths that do so."""

    avoid: frozenset[int]
    dead: Bools
    plain: GraphPath | None = None
    within: GraphPath | None = None
    within_for: tuple[Window, ...] | None = None
    priced: tuple[Flow, GraphPath] | None = None


@dataclass(eq=False)
class TreeNode:
    """A node of the tree.

    It is branched at `risk`, which one of the paths `between` avoids, or by a
    `figure` (weight, at most, or at least) for the sums of all paths.
    """

    states: tuple[PathState, ...]
    bound: int
    windows: tuple[Window, ...] = ()
    parent: TreeNode | None = None
    side: int = 0
    flow: Flow | None = None
    closed: bool = False
    risk: int = -1
    between: tuple[int, int] = (0, 0)
    figure: tuple[str, int, int] | None = None
    trees: list[Tree | None] = field(default_factory=list)
    left: int = 0

    def added(self, side: int) -> Rest:
        """What the branch on one side (0 or 1) must keep beyond its parent."""
        if self.figure is None:
            return self.between[side], self.risk
        weight, at_most, or_at_least = self.figure
        return (weight, "least", or_at_least) if side else (weight, "most", at_most)

    @property
    def settled(self) -> bool:
        """Whether it needs no more work: branched on already, or decided by an ancestor."""
        if self.left:
            return True
        at: TreeNode | None = self
        while at is not None:
            if at.closed:
                return True
            at = at.parent
        return False


# --- The search.

BUMP_GROWTH = 1.1
"""Factor by which each closed branch counts more in a risk's activity than the last one."""


class Search:
    """One search; `run` does the work and leaves its findings in the attributes.

    Attributes
    ----------
    best, best_cost
        The cheapest paths found, as edges of the reduced graph, and their cost.
    lower
        No separate paths within the limits cost less.
    done
        The tree is closed: `best` is optimal, or there are none.
    tree
        The proof, where there are none.
    nodes
        Nodes looked at.
    """

    def __init__(
        self,
        reduced: Reduced,
        count: int,
        limits: PathLimits,
        avoid: frozenset[int],
        fixed_sums: dict[str, int],
        upper: int | None,
    ) -> None:
        self.reduced = reduced
        self.count = count
        self.limits = limits
        self.fixed_sums = fixed_sums
        self.net = flow_net(reduced) if count > 1 else None
        self.size = np.diff(reduced.by_risk.indptr)
        self.activity = np.zeros(reduced.risks.shape[1])
        self.bump = 1.0
        self.best: list[tuple[int, ...]] | None = None
        self.best_cost = upper
        self.tree: Tree | None = None
        self.done = False
        self.nodes = 0
        self.lower = 0
        dead = np.zeros(reduced.n_edges, dtype=bool)
        for risk in avoid:
            dead[reduced.edges_of(risk)] = True
        self.root = TreeNode(tuple([PathState(avoid, dead)] * count), 0, self._first_windows())
        self.heap: list[tuple[int, int, TreeNode]] = [(0, 0, self.root)]
        self.stack: list[TreeNode] = [self.root]
        self.made = 1

    def run(self, deadline: float, node_limit: int | None = None) -> None:
        """Search until closed, out of time, or out of nodes.

        Until first paths are found the deepest and the cheapest open node take
        turns; from then on the cheapest, which keeps the bound rising.

        Parameters
        ----------
        deadline : float
            As `time.monotonic()` gives it, in seconds.
        node_limit : int, optional
            Greatest number of nodes.
        """
        self.deadline = deadline
        turn = 0
        node: TreeNode | None = None
        try:
            while not self.root.closed:
                if time.monotonic() > deadline or self.nodes == node_limit:
                    raise OutOfTimeError
                turn += 1
                node = self._next(deep=self.best is None and turn % 2 == 1)
                if node is None:
                    break
                if self.best_cost is not None and node.bound >= self.best_cost:
                    self._close(node, None)
                else:
                    self.nodes += 1
                    self._expand(node)
                node = None
        except OutOfTimeError:
            open_bounds = [n.bound for n in self._open()] + ([node.bound] if node else [])
            if self.best_cost is not None:
                open_bounds.append(self.best_cost)
            self.lower = min(open_bounds, default=0)
            return
        self.done = True
        self.lower = self.best_cost or 0

    def _open(self) -> Iterator[TreeNode]:
        return (node for _, _, node in self.heap if not node.settled)

    def _next(self, deep: bool) -> TreeNode | None:
        while self.stack if deep else self.heap:
            node = self.stack.pop() if deep else heapq.heappop(self.heap)[2]
            if not node.settled:
                return node
        return self._next(deep=False) if deep and self.heap else None

    def _push(self, nodes: Sequence[TreeNode]) -> None:
        for node in nodes:
            heapq.heappush(self.heap, (node.bound, self.made, node))
            self.made += 1
        if self.best is None:
            self.stack.extend(reversed(nodes))

    # Closing

    def _close(self, node: TreeNode, tree: Tree | None) -> None:
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
            if found is not None and parent.added(at.side) not in found.used:
                # A proof that does not use what this branch adds holds for the parent.
                at = parent
                continue
            parent.trees[at.side] = found
            parent.left -= 1
            if parent.left:
                return
            found = self._joined(parent)
            at = parent

    @staticmethod
    def _joined(node: TreeNode) -> Tree | None:
        """The proof of a node all of whose branches are closed; None where one closed by bound."""
        first = node.trees[0]
        if first is None:
            return None
        if node.figure is not None:
            other = node.trees[1]
            return None if other is None else parted(*node.figure, (first, other))
        second = node.trees[1] if len(node.trees) > 1 else mirrored(first, node.between)
        return None if second is None else fork(node.risk, node.between, (first, second))

    def _leaf(self, node: TreeNode, path: int) -> None:
        """Close a node whose path `path` no longer reaches the end."""
        state = node.states[path]
        cut, avoid = small_cut(self.reduced, state.dead, state.avoid)
        for risk in avoid:
            self.activity[risk] += self.bump
        self.bump *= BUMP_GROWTH
        if self.bump > 1e100:
            self.activity /= self.bump
            self.bump = 1.0
        on_record = tuple(self.reduced.cut_on_record(cut, avoid))
        self._close(node, Cut(path, on_record, avoid))

    # Expanding

    def _expand(self, node: TreeNode) -> None:
        for path, state in enumerate(node.states):
            if state.plain is None:
                state.plain = cheapest(self.reduced, self.reduced.cost, state.dead)
            if state.plain is None:
                self._leaf(node, path)
                return
        chosen = self._within_limits(node)
        if chosen is None:
            return
        whole = [path.edges for path in chosen]
        node.bound = max(node.bound, sum(path.value for path in chosen))
        separate = self._take(whole)
        if self._dear(node):
            return
        met = self._meetings(whole)
        if self.count > 1 and met:
            if not self._flow(node):
                return
            priced, bound = self._priced(node)
            node.bound = max(node.bound, bound)
            self._take(priced)
            if self.best is None:
                self._complete(node, whole)
            if self._dear(node):
                return
            met = self._meetings(priced) or met
        if met:
            self._branch(node, *self._choose(met))
        elif separate:
            self._close(node, None)
        else:
            self._part_windows(node, whole)

    def _dear(self, node: TreeNode) -> bool:
        if self.best_cost is None or node.bound < self.best_cost:
            return False
        self._close(node, None)
        return True

    def _take(self, whole: Sequence[tuple[int, ...]]) -> bool:
        """Keep these paths if they answer the question and are the cheapest yet."""
        if self._meetings(whole) or not self._keeps_limits(whole):
            return False
        cost = sum(int(self.reduced.cost[list(path)].sum()) for path in whole)
        if self.best_cost is None or cost < self.best_cost:
            self.best, self.best_cost = list(whole), cost
        return True

    def _keeps_limits(self, whole: Sequence[tuple[int, ...]]) -> bool:
        for name, most in self.limits.most.items():
            if any(self._sum(name, path) > most for path in whole):
                return False
        for name, most in self.limits.apart_most.items():
            sums = [self._sum(name, path) for path in whole]
            if name in self.fixed_sums:
                sums.append(self.fixed_sums[name])
            if max(sums) - min(sums) > most:
                return False
        return True

    def _sum(self, name: str, path: Sequence[int]) -> int:
        return int(self.reduced.weights[name][list(path)].sum())

    def _risks(self, path: Sequence[int]) -> Ints:
        parts = [self.reduced.risks_of(edge) for edge in path]
        return np.unique(np.concatenate(parts)) if parts else np.zeros(0, dtype=np.int64)

    def _meetings(self, whole: Sequence[tuple[int, ...]]) -> list[tuple[int, int, Ints]]:
        """Pairs of paths with the risks that both rely on."""
        own = [self._risks(path) for path in whole]
        found = []
        for i, j in combinations(range(len(own)), 2):
            both = np.intersect1d(own[i], own[j], assume_unique=True)
            if len(both):
                found.append((i, j, both))
        return found

    def _choose(self, met: Sequence[tuple[int, int, Ints]]) -> tuple[int, int, int]:
        """The meeting to branch on: by activity, then by how many edges rely on the risk."""
        ranked = []
        for i, j, both in met:
            at = np.lexsort((-both, self.size[both], self.activity[both]))[-1]
            risk = int(both[at])
            ranked.append((self.activity[risk], self.size[risk], -i, -j, risk))
        _, _, i, j, risk = max(ranked)
        return -i, -j, risk

    def _branch(self, node: TreeNode, first: int, second: int, risk: int) -> None:
        alike = node.states[first] is node.states[second]
        node.risk, node.between = risk, (first, second)
        sides = (first,) if alike else (first, second)
        node.trees, node.left = [None] * len(sides), len(sides)
        through = set(self.reduced.edges_of(risk).tolist())
        children = []
        for side, path in enumerate(sides):
            states = list(node.states)
            states[path] = self._avoiding(states[path], risk, through)
            child = TreeNode(tuple(states), node.bound, node.windows, node, side, node.flow)
            children.append(child)
        self._push(children)

    def _avoiding(self, state: PathState, risk: int, through: set[int]) -> PathState:
        dead = state.dead.copy()
        dead[list(through)] = True
        found = PathState(state.avoid | {risk}, dead)
        if state.plain is not None and through.isdisjoint(state.plain.edges):
            found.plain = state.plain
        if state.within is not None and through.isdisjoint(state.within.edges):
            found.within, found.within_for = state.within, state.within_for
        if state.priced is not None and through.isdisjoint(state.priced[1].edges):
            found.priced = state.priced
        return found

    # Bounds from the flow

    def _flow(self, node: TreeNode) -> bool:
        """Bring the node's flow up to date; False where the node was dealt with on the way."""
        assert self.net is not None
        dead = np.logical_and.reduce([state.dead for state in node.states])
        if node.flow is None or dead[list(node.flow.used)].any():
            node.flow = cheapest_flow(self.reduced, self.net, dead, self.count)
        if self.count > 2 and node.flow.cut is not None:
            few = frozenset(node.flow.bottleneck)
            on_record = self.reduced.cut_on_record(list(node.flow.cut), few)
            self._close(node, Few(tuple(on_record), few))
            return False
        if node.flow.bottleneck:
            for risk in node.flow.bottleneck:
                free = [i for i, s in enumerate(node.states) if risk not in s.avoid]
                if len(free) > 1:
                    self._branch(node, free[0], free[1], risk)
                    return False
        node.bound = max(node.bound, node.flow.cost)
        if len(node.flow.paths) == self.count:
            self._take(node.flow.paths)
        return True

    def _priced(self, node: TreeNode) -> tuple[list[tuple[int, ...]], int]:
        """Price each path by the flow, and return the lower bound that they give together."""
        flow = node.flow
        if flow is None or flow.bottleneck:
            return [s.plain.edges for s in node.states if s.plain], node.bound
        whole, doubled = [], 0
        for state in node.states:
            if state.priced is None or state.priced[0] is not flow:
                path = cheapest(self.reduced, flow.weight, state.dead)
                assert path is not None
                state.priced = (flow, path)
            path = state.priced[1]
            doubled += path.value
            whole.append(path.edges)
        return whole, -(-(doubled - 2 * flow.paid) // 2)

    def _complete(self, node: TreeNode, whole: Sequence[tuple[int, ...]]) -> None:
        """Look for first paths: keep one as it is and fit the others round it, in turn."""
        for keep in range(self.count):
            found = {keep: whole[keep]}
            for path, state in enumerate(node.states):
                if path == keep:
                    continue
                barred = state.dead.copy()
                for other in found.values():
                    for risk in self._risks(other):
                        barred[self.reduced.edges_of(int(risk))] = True
                fitted = cheapest(self.reduced, self.reduced.cost, barred)
                if fitted is None:
                    break
                found[path] = fitted.edges
            if len(found) == self.count:
                self._take([found[path] for path in range(self.count)])

    # Limits

    def _first_windows(self) -> tuple[Window, ...]:
        """Windows for every path from the start, by the limits and a kept path."""
        found = []
        for name in sorted({*self.limits.most, *self.limits.apart_most}):
            least, most = 0, self.limits.most.get(name, LARGEST_SUM)
            if name in self.limits.apart_most and name in self.fixed_sums:
                least = max(0, self.fixed_sums[name] - self.limits.apart_most[name])
                most = min(most, self.fixed_sums[name] + self.limits.apart_most[name])
            found.append(Window(name, least, most))
        return tuple(found)

    def _within_limits(self, node: TreeNode) -> list[GraphPath] | None:
        """The cheapest path of each state in the node's windows; None where the node was closed."""
        chosen: list[GraphPath] = []
        for path, state in enumerate(node.states):
            assert state.plain is not None
            if all(w.holds(self._sum(w.weight, state.plain.edges)) for w in node.windows):
                chosen.append(state.plain)
                continue
            if state.within is None or state.within_for != node.windows:
                state.within = cheapest_within(
                    self.reduced, node.windows, state.dead, self.deadline
                )
                state.within_for = node.windows
            if state.within is None:
                self._close(node, self._beyond(node, path))
                return None
            chosen.append(state.within)
        return chosen

    def _beyond(self, node: TreeNode, path: int) -> Tree:
        """A leaf for a path that cannot keep a limit, or several together."""
        state = node.states[path]
        first = {window.weight: window for window in self.root.windows}
        tightest: list[Rest] = []
        for window in node.windows:
            far = distances(
                self.reduced, self.reduced.weights[window.weight], state.dead, self.reduced.s
            )
            least = round(float(far[0][self.reduced.t]))
            begin = first[window.weight]
            if least > begin.most:
                return Beyond(path, window.weight, least, begin.most, state.avoid)
            if least > window.most:
                rest: Rest = (window.weight, "most", window.most)
                return Beyond(
                    path, window.weight, least, window.most, state.avoid, frozenset([rest])
                )
            if window.most < begin.most:
                tightest.append((window.weight, "most", window.most))
            if window.least > begin.least:
                tightest.append((window.weight, "least", window.least))
        bounding = [w for w in node.windows if w.least > 0 or w.most < LARGEST_SUM]
        return Listed(path, tuple(bounding), state.avoid, frozenset(tightest))

    def _part_windows(self, node: TreeNode, whole: Sequence[tuple[int, ...]]) -> None:
        """Branch where separate paths differ by more than they may.

        Paths whose sums differ by at most d either all stay at or below some h, or all
        stay above h - d. With h between the least sum + d and the greatest sum
        neither branch holds the paths found.
        """
        for at, window in enumerate(node.windows):
            apart = self.limits.apart_most.get(window.weight)
            if apart is None:
                continue
            sums = [self._sum(window.weight, path) for path in whole]
            if max(sums) - min(sums) <= apart:
                continue
            h = (min(sums) + apart + max(sums)) // 2
            parts = (
                Window(window.weight, window.least, h),
                Window(window.weight, h - apart + 1, window.most),
            )
            children = []
            for side, part in enumerate(parts):
                windows = (*node.windows[:at], part, *node.windows[at + 1 :])
                children.append(TreeNode(node.states, node.bound, windows, node, side, node.flow))
            node.figure, node.trees, node.left = (window.weight, h, h - apart + 1), [None, None], 2
            self._push(children)
            return
