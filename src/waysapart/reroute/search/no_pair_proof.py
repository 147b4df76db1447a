"""The proof that no separate paths exist, small enough to be read and easy to check.

The proof is a tree. A fork names a risk that two of the paths must not both rely on: one
branch lets the first of them avoid it, one the second. A leaf names a path, the risks that it
must avoid on this branch, and a cut: edges whose removal separates the ends, each of
which relies on one of these risks. So this path does not exist on this branch. Where that holds
on every branch, there are no separate paths. Checking takes one breadth-first search per leaf.

A leaf may instead rest on a limit: the least sum that a path can reach while avoiding these
risks exceeds the limit. It may rest on several limits: all courses that avoid these risks are
listed, and none keeps every limit. Where the sums of the paths may differ by a given figure
only, a fork may split on that: either all paths stay at or below one figure, or all stay above
another.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, NotRequired, TypeAlias, TypedDict

import numpy as np
from scipy.sparse.csgraph import connected_components

from waysapart.arrays import Bools, boolean
from waysapart.reroute.search.reduce import Reduced
from waysapart.reroute.search.risk_graph import LARGEST_SUM, PathLimits
from waysapart.reroute.search.shortest_paths import REACHED, Window, distances

Rest = tuple[int, int] | tuple[str, str, int]
"""A condition of a branch: (path, risk that it avoids), or (weight, `least` or `most`, figure)."""


@dataclass(frozen=True)
class Cut:
    """Path `path` cannot avoid `avoid`: every edge in `edges` relies on one of these risks."""

    path: int
    edges: tuple[int, ...]
    avoid: frozenset[int]

    @property
    def used(self) -> frozenset[Rest]:
        """What the leaf rests on: (path, risk that it avoids)."""
        return frozenset((self.path, risk) for risk in self.avoid)


@dataclass(frozen=True)
class Beyond:
    """Path `path`, avoiding `avoid`, has at least `least` of `weight`, over `most`.

    `parted`: what `most` rests on, where a fork set it.
    """

    path: int
    weight: str
    least: int
    most: int
    avoid: frozenset[int]
    parted: frozenset[Rest] = frozenset()

    @property
    def used(self) -> frozenset[Rest]:
        """What the leaf rests on: (path, risk that it avoids), and figures of forks."""
        return self.parted.union((self.path, risk) for risk in self.avoid)


@dataclass(frozen=True)
class Listed:
    """No course of path `path` that avoids `avoid` has its sums in all of `within`.

    `parted`: what the windows rest on, where forks set them.
    """

    path: int
    within: tuple[Window, ...]
    avoid: frozenset[int]
    parted: frozenset[Rest] = frozenset()

    @property
    def used(self) -> frozenset[Rest]:
        """What the leaf rests on: (path, risk that it avoids), and figures of forks."""
        return self.parted.union((self.path, risk) for risk in self.avoid)


@dataclass(frozen=True)
class Few:
    """Every path relies on one of `avoid`, and these are fewer than the paths sought.

    Removing `edges` parts the ends, and each of them relies on one of these risks.
    Only for three paths or more; for two a fork says the same.
    """

    edges: tuple[int, ...]
    avoid: frozenset[int]
    used: frozenset[Rest] = frozenset()


@dataclass(frozen=True)
class Fork:
    """Paths `between` must not all rely on a risk, each on its own one of `risks`.

    `then[0]` is the case that the first of them avoids it, `then[1]` the second, and so on. The
    risks are the same but for two segments too near each other, which `pair` names.
    """

    risks: tuple[int, ...]
    between: tuple[int, ...]
    then: tuple[Tree, ...]
    used: frozenset[Rest]
    pair: tuple[str, str] | None = None


@dataclass(frozen=True)
class Parted:
    """All paths have at most `at_most` of `weight` (`then[0]`), or all at least `or_at_least`.

    Paths that differ by d at most do one or the other where `or_at_least` is
    `at_most` - d + 1 or less.
    """

    weight: str
    at_most: int
    or_at_least: int
    then: tuple[Tree, Tree]
    used: frozenset[Rest]


Name = str | int
"""What a risk, an edge or a node is called; its number where no names are given."""


class WindowFacts(TypedDict):
    """Sums of a weight that a path may have in one part of the search."""

    weight: str
    least: int
    most: int | None


class CutFacts(TypedDict):
    """A path that avoids some risks is cut off."""

    path: int
    avoid: list[Name]
    cut: list[Name]


class FewFacts(TypedDict):
    """A cut with fewer edges than there are paths."""

    fewer_than_paths: list[Name]
    cut: list[Name]


class BeyondFacts(TypedDict):
    """The best path that avoids some risks is outside its limit."""

    path: int
    avoid: list[Name]
    weight: str
    least: int
    most: int


class ListedFacts(TypedDict):
    """No path that avoids some risks keeps all windows; they are to be listed."""

    path: int
    avoid: list[Name]
    windows: list[WindowFacts]


class ForkFacts(TypedDict):
    """One path or another avoids a risk."""

    risk: Name
    between: list[int]
    then: list[TreeFacts]


class NearForkFacts(TypedDict):
    """One path avoids a segment, or the other avoids one that lies too near it."""

    risks: list[Name]
    between: list[int]
    then: list[TreeFacts]


class PartedFacts(TypedDict):
    """The sums of the paths lie on one side of a figure or on the other."""

    weight: str
    at_most: int
    or_at_least: int
    then: list[TreeFacts]


TreeFacts: TypeAlias = (
    "CutFacts | FewFacts | BeyondFacts | ListedFacts | ForkFacts | NearForkFacts | PartedFacts"
)


class LimitFacts(TypedDict):
    """Limits on which a proof rests, by name of a weight."""

    most: dict[str, int]
    apart_most: dict[str, int]
    kept: dict[str, int]


class ProofFacts(TypedDict):
    """A no-pair proof in JSON."""

    ends: list[Name]
    paths: int
    avoid_from_start: list[Name]
    without: list[Name]
    limits: NotRequired[LimitFacts]
    tree: TreeFacts


Leaf = Cut | Few | Beyond | Listed
Tree = Leaf | Fork | Parted


@dataclass(frozen=True)
class NoPairProof:
    """A closed tree for one question.

    Attributes
    ----------
    s, t
        The two ends.
    count
        Number of paths sought (a kept path is not counted).
    from_start
        Risks that every path sought must avoid from the start: those of a kept path.
    without
        Edges that no path may use.
    tree
        The root.
    limits
        What each path must keep, and how much they may differ.
    kept
        Sums of a kept path by name of a weight; empty where no path is kept.
    barred
        For each path of a group's circuits, edges that are for other circuits only; empty
        where every path may use all edges.
    """

    s: int
    t: int
    count: int
    from_start: frozenset[int]
    without: frozenset[int]
    tree: Tree
    limits: PathLimits = field(default_factory=PathLimits)
    kept: Mapping[str, int] = field(default_factory=dict)
    barred: tuple[frozenset[int], ...] = ()

    def leaves(self) -> Iterator[Leaf]:
        """All leaves from left to right."""
        pending: list[Tree] = [self.tree]
        while pending:
            tree = pending.pop()
            if isinstance(tree, (Fork, Parted)):
                pending.extend(reversed(tree.then))
            else:
                yield tree

    def weights(self) -> list[str]:
        """Names of the weights in it."""
        found: set[str] = set()
        for leaf in self.leaves():
            if isinstance(leaf, Beyond):
                found.add(leaf.weight)
            elif isinstance(leaf, Listed):
                found |= {window.weight for window in leaf.within}
        return sorted(found)

    def risks(self) -> frozenset[int]:
        """All risks in the proof; as long as none of them may be shared, it holds."""
        found: set[int] = set()
        for leaf in self.leaves():
            found |= leaf.avoid
        return frozenset(found)

    def near(self) -> set[tuple[str, str]]:
        """Segments that its forks hold to be too near each other."""
        found: set[tuple[str, str]] = set()
        pending: list[Tree] = [self.tree]
        while pending:
            tree = pending.pop()
            if isinstance(tree, Fork) and tree.pair is not None:
                found.add(tree.pair)
            if isinstance(tree, (Fork, Parted)):
                pending.extend(tree.then)
        return found

    def apart(self) -> dict[str, int]:
        """Limits on the difference that it rests on, by name of a weight."""
        limited = set(self.limits.apart_most)
        named = {str(rest[0]) for leaf in self.leaves() for rest in _figures(leaf)}
        if self.kept:
            named |= limited & set(self.weights())
        return {name: most for name, most in self.limits.apart_most.items() if name in named}

    def size(self) -> tuple[int, int]:
        """Number of risks and number of leaves, the measure of how hard it is to read."""
        return len(self.risks()), sum(1 for _ in self.leaves())

    def as_dict(
        self,
        nodes: Sequence[str] | None = None,
        edges: Sequence[str] | None = None,
        risks: Sequence[str] | None = None,
    ) -> ProofFacts:
        """The proof for JSON, with names in place of numbers where they are given.

        Parameters
        ----------
        nodes, edges, risks : sequence of str, optional
            Names by number.

        Returns
        -------
        dict
            ``ends``, ``paths``, ``avoid_from_start``, ``without`` and ``tree``. A
            fork is ``{"risk", "between": [path, path], "then": [tree, tree]}``, with as many
            of both as must not all rely on it, and ``risks`` for two segments too near. A
            leaf is ``{"path", "avoid", "cut"}``, ``{"path", "avoid", "weight", "least",
            "most"}``, ``{"path", "avoid", "windows"}`` or, for three paths or more,
            ``{"fewer_than_paths", "cut"}``. A fork by a weight is ``{"weight",
            "at_most", "or_at_least", "then"}``. Where it rests on limits they
            stand in ``limits``: ``most`` of each path, ``apart_most`` between
            paths, and the sums of a path that is ``kept``. Paths count from 0.
        """

        def named(number: int, names: Sequence[str] | None) -> str | int:
            return number if names is None else names[number]

        def listed(numbers: Iterable[int], names: Sequence[str] | None) -> list[str | int]:
            return [named(number, names) for number in sorted(numbers)]

        def told(tree: Tree) -> TreeFacts:
            if isinstance(tree, Fork) and tree.pair is not None:
                return {
                    "risks": [named(risk, risks) for risk in tree.risks],
                    "between": list(tree.between),
                    "then": [told(branch) for branch in tree.then],
                }
            if isinstance(tree, Fork):
                return {
                    "risk": named(tree.risks[0], risks),
                    "between": list(tree.between),
                    "then": [told(branch) for branch in tree.then],
                }
            if isinstance(tree, Parted):
                return {
                    "weight": tree.weight,
                    "at_most": tree.at_most,
                    "or_at_least": tree.or_at_least,
                    "then": [told(branch) for branch in tree.then],
                }
            if isinstance(tree, Listed):
                return {
                    "path": tree.path,
                    "avoid": listed(tree.avoid, risks),
                    "windows": [
                        {
                            "weight": one.weight,
                            "least": one.least,
                            "most": one.most if one.most < LARGEST_SUM else None,
                        }
                        for one in tree.within
                    ],
                }
            if isinstance(tree, Cut):
                return {
                    "path": tree.path,
                    "avoid": listed(tree.avoid, risks),
                    "cut": listed(tree.edges, edges),
                }
            if isinstance(tree, Few):
                return {
                    "fewer_than_paths": listed(tree.avoid, risks),
                    "cut": listed(tree.edges, edges),
                }
            return {
                "path": tree.path,
                "avoid": listed(tree.avoid, risks),
                "weight": tree.weight,
                "least": tree.least,
                "most": tree.most,
            }

        rests_on = self.weights()
        limits: LimitFacts = {
            "most": {k: v for k, v in self.limits.most.items() if k in rests_on},
            "apart_most": {k: v for k, v in self.limits.apart_most.items() if k in rests_on},
            "kept": {k: v for k, v in self.kept.items() if k in rests_on},
        }
        facts: ProofFacts = {
            "ends": [named(self.s, nodes), named(self.t, nodes)],
            "paths": self.count,
            "avoid_from_start": listed(self.from_start, risks),
            "without": listed(self.without, edges),
            "limits": limits,
            "tree": told(self.tree),
        }
        if not rests_on:
            del facts["limits"]
        return facts


def _figures(leaf: Leaf) -> frozenset[Rest]:
    return leaf.parted if isinstance(leaf, (Beyond, Listed)) else frozenset()


def fork(risk: int, between: tuple[int, int], then: tuple[Tree, Tree]) -> Tree:
    """Join two closed branches of a risk.

    Parameters
    ----------
    risk : int
    between : tuple of two int
        The paths that must not both rely on it.
    then : tuple of two trees
        The branch in which the first path avoids it, and that in which the second does.

    Returns
    -------
    Tree
        A branch that does not need its risk stands for both.
    """
    return fork_of(tuple((path, risk) for path in between), then)


def fork_of(
    conflict: tuple[tuple[int, int], ...],
    then: tuple[Tree, ...],
    pair: tuple[str, str] | None = None,
) -> Tree:
    """Join the closed branches of paths that must not all rely on their risks.

    Parameters
    ----------
    conflict : tuple of (path, risk)
    then : tuple of tree
        For each of them, the branch in which that path avoids that risk.
    pair : tuple of two str, optional
        Two segments too near each other, where they are the reason.

    Returns
    -------
    Tree
        A branch that does not need what it avoids stands for all.
    """
    for added, branch in zip(conflict, then, strict=True):
        if added not in branch.used:
            return branch
    used = frozenset[Rest]().union(
        *(branch.used - {added} for added, branch in zip(conflict, then, strict=True))
    )
    paths, risks = zip(*conflict, strict=True)
    return Fork(risks, paths, then, used, pair)


def parted(weight: str, at_most: int, or_at_least: int, then: tuple[Tree, Tree]) -> Tree:
    """Join two closed branches of a weight.

    Parameters
    ----------
    weight : str
    at_most, or_at_least : int
        In one branch all sums stay at or below the first, in the other at or above the second.
    then : tuple of two trees

    Returns
    -------
    Tree
        A branch that does not need its figure stands for both.
    """
    added: tuple[Rest, Rest] = (weight, "most", at_most), (weight, "least", or_at_least)
    for figure, branch in zip(added, then, strict=True):
        if figure not in branch.used:
            return branch
    used = (then[0].used - {added[0]}) | (then[1].used - {added[1]})
    return Parted(weight, at_most, or_at_least, then, used)


def mirrored(tree: Tree, between: tuple[int, int]) -> Tree:
    """The same tree with two paths changing places.

    Parameters
    ----------
    tree : Tree
    between : tuple of two int
        Numbers of the paths.

    Returns
    -------
    Tree
    """
    swap = {between[0]: between[1], between[1]: between[0]}
    if isinstance(tree, Few):
        return tree
    if isinstance(tree, (Cut, Beyond, Listed)):
        return replace(tree, path=swap.get(tree.path, tree.path))
    used = frozenset(_swapped(rest, swap) for rest in tree.used)
    if isinstance(tree, Parted):
        both = (mirrored(tree.then[0], between), mirrored(tree.then[1], between))
        return replace(tree, then=both, used=used)
    then = tuple(mirrored(branch, between) for branch in tree.then)
    paths = tuple(swap.get(path, path) for path in tree.between)
    return replace(tree, between=paths, then=then, used=used)


def _swapped(rest: Rest, swap: Mapping[int, int]) -> Rest:
    return rest if len(rest) == 3 else (swap.get(rest[0], rest[0]), rest[1])


# --- Leaves that list courses: whether the list is short enough to be checked.

MOST_LISTED = 500
"""Courses that a leaf may list; a proof that needs more is not given."""
MOST_STEPS = 20_000
"""Steps taken to list them."""


def can_be_listed(reduced: Reduced | Sequence[Reduced], proof: NoPairProof) -> bool:
    """Whether every leaf that lists courses has few enough of them.

    Listed are the courses that stay at or below the greatest sums of the leaf;
    a leaf without any greatest sum lists all.

    Parameters
    ----------
    reduced : Reduced, or a sequence of them
        One for all paths, or for each its own.
    proof : NoPairProof

    Returns
    -------
    bool
    """
    for leaf in proof.leaves():
        if isinstance(leaf, Listed):
            own = reduced if isinstance(reduced, Reduced) else reduced[leaf.path]
            dead = np.zeros(own.n_edges, dtype=bool)
            for risk in leaf.avoid:
                dead[own.edges_of(risk)] = True
            if not _few(own, leaf.within, dead):
                return False
    return True


def _few(reduced: Reduced, within: Sequence[Window], dead: Bools) -> bool:
    """Depth first, leaving out what can no longer stay at or below a greatest sum."""
    to_come = [
        distances(reduced, reduced.weights[one.weight], dead, reduced.t)[0].tolist()
        for one in within
    ]
    weights = [reduced.weights[one.weight].tolist() for one in within]
    most = [one.most for one in within]
    heads, edges = reduced.arc_head.tolist(), reduced.arc_edge.tolist()
    pending = [(reduced.s, (0,) * len(within), 1 << reduced.s)]
    steps = listed = 0
    while pending:
        node, sums, passed = pending.pop()
        steps += 1
        listed += node == reduced.t
        if steps > MOST_STEPS or listed > MOST_LISTED:
            return False
        if node == reduced.t:
            continue
        for arc in range(reduced.indptr[node], reduced.indptr[node + 1]):
            edge, head = edges[arc], heads[arc]
            if dead[edge] or passed >> head & 1:
                continue
            onward = tuple(total + w[edge] for total, w in zip(sums, weights, strict=True))
            if all(
                far[head] < REACHED and total + far[head] <= limit
                for total, far, limit in zip(onward, to_come, most, strict=True)
            ):
                pending.append((head, onward, passed | 1 << head))
    return True


# --- The minimum cut that shows why a path no longer exists, with few risks.


def small_cut(
    reduced: Reduced, dead: Bools, avoid: frozenset[int]
) -> tuple[list[int], frozenset[int]]:
    """A minimal cut made of dead edges, and few risks that cover it.

    Two cuts are tried, the one next to each end's reach; the one that needs fewer
    risks, then fewer edges, is returned.

    Parameters
    ----------
    reduced : Reduced
    dead : ndarray of bool, shape (edges,)
        Edges that rely on a risk in `avoid`; without them the ends are parted.
    avoid : frozenset of int

    Returns
    -------
    cut : list of int
    risks : frozenset of int
        Part of `avoid`; every edge of the cut relies on one of them.
    """
    tried = []
    alive = _parts(reduced, ~dead)
    for near, beyond in ((reduced.s, reduced.t), (reduced.t, reduced.s)):
        reach = alive == alive[near]
        rest = _parts(reduced, ~(reach[reduced.u] | reach[reduced.v]))
        far = (rest == rest[beyond]) & ~reach
        cut = np.flatnonzero(far[reduced.u] != far[reduced.v]).tolist()
        cover = _few_risks(reduced, cut, avoid)
        tried.append((len(cover), len(cut), cut, cover))
    _, _, cut, cover = min(tried, key=lambda row: row[:2])
    return cut, frozenset(cover)


def _parts(reduced: Reduced, alive: Bools) -> Any:
    n = reduced.n_nodes
    graph = boolean(reduced.u[alive], reduced.v[alive], (n, n))
    return connected_components(graph, directed=False)[1]


def _few_risks(reduced: Reduced, cut: Sequence[int], avoid: frozenset[int]) -> list[int]:
    """Cover the edges of a cut by risks in `avoid`, greedily: the most edges first."""
    covers: dict[int, set[int]] = {}
    for edge in cut:
        for risk in avoid.intersection(reduced.risks_of(edge).tolist()):
            covers.setdefault(risk, set()).add(edge)
    left, chosen = set(cut), []
    while left:
        risk = max(covers, key=lambda r: (len(covers[r] & left), -r))
        chosen.append(risk)
        left -= covers[risk]
    return chosen
