"""The proof that no separate ways exist, small enough to be read and easy to check.

A tree. At a fork stands a risk that two named ways must not both rely on, so one
of them avoids it: one branch for each. A leaf names a way, the risks that it
must avoid on this branch and a cut: edges whose removal parts the ends, each of
which relies on one of these risks. So this way does not exist, and as it goes on
every branch, nor do the separate ways. To check it takes a breadth-first search per
leaf and nothing else. A leaf may instead rest on a limit: the least sum that a
way can reach while avoiding these risks is more than the limit.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Cut:
    """Way `way` cannot avoid `avoid`: every edge in `edges` relies on one of these risks."""

    way: int
    edges: tuple[int, ...]
    avoid: frozenset[int]

    @property
    def used(self) -> frozenset[tuple[int, int]]:
        """What the leaf rests on: (way, risk that it avoids)."""
        return frozenset((self.way, risk) for risk in self.avoid)


@dataclass(frozen=True)
class Beyond:
    """Way `way`, avoiding `avoid`, has at least `least` of `weight`, over `most`."""

    way: int
    weight: str
    least: int
    most: int
    avoid: frozenset[int]

    @property
    def used(self) -> frozenset[tuple[int, int]]:
        """What the leaf rests on: (way, risk that it avoids)."""
        return frozenset((self.way, risk) for risk in self.avoid)


@dataclass(frozen=True)
class Few:
    """Every way relies on one of `avoid`, and these are fewer than the ways sought.

    Removing `edges` parts the ends, and each of them relies on one of these risks.
    Only for three ways or more; for two a fork says the same.
    """

    edges: tuple[int, ...]
    avoid: frozenset[int]
    used: frozenset[tuple[int, int]] = frozenset()


@dataclass(frozen=True)
class Fork:
    """Ways `between` must not both rely on `risk`.

    `then[0]` is the case that the first of them avoids it, `then[1]` the second.
    """

    risk: int
    between: tuple[int, int]
    then: tuple[Tree, Tree]
    used: frozenset[tuple[int, int]]


Leaf = Cut | Few | Beyond
Tree = Leaf | Fork


@dataclass(frozen=True)
class Proof:
    """A closed tree for one question.

    Attributes
    ----------
    s, t
        The two ends.
    ways
        Number of ways sought (a kept way is not counted).
    from_start
        Risks that every way sought must avoid from the start: those of a kept way.
    without
        Edges that no way may use.
    tree
        The root.
    """

    s: int
    t: int
    ways: int
    from_start: frozenset[int]
    without: frozenset[int]
    tree: Tree

    def leaves(self) -> Iterator[Leaf]:
        """All leaves from left to right."""
        pending: list[Tree] = [self.tree]
        while pending:
            tree = pending.pop()
            if isinstance(tree, Fork):
                pending.extend(reversed(tree.then))
            else:
                yield tree

    def risks(self) -> frozenset[int]:
        """All risks that the proof speaks of; if none of them may be shared, it stands."""
        found: set[int] = set()
        for leaf in self.leaves():
            found |= leaf.avoid
        return frozenset(found)

    def size(self) -> tuple[int, int]:
        """Number of risks and number of leaves, the measure of how hard it is to read."""
        return len(self.risks()), sum(1 for _ in self.leaves())

    def as_dict(
        self,
        nodes: Sequence[str] | None = None,
        edges: Sequence[str] | None = None,
        risks: Sequence[str] | None = None,
    ) -> dict[str, Any]:
        """The proof for JSON, with names in place of numbers where they are given.

        Returns
        -------
        dict
            ``ends``, ``ways``, ``avoid_from_start``, ``without`` and ``tree``. A
            fork is ``{"risk", "between": [way, way], "then": [tree, tree]}``, a
            leaf ``{"way", "avoid", "cut"}``, ``{"way", "avoid", "weight", "least",
            "most"}`` or, for three ways or more, ``{"fewer_than_ways", "cut"}``.
            Ways count from 0.
        """

        def named(number: int, names: Sequence[str] | None) -> str | int:
            return number if names is None else names[number]

        def listed(numbers: Any, names: Sequence[str] | None) -> list[str | int]:
            return [named(number, names) for number in sorted(numbers)]

        def told(tree: Tree) -> dict[str, Any]:
            if isinstance(tree, Fork):
                return {
                    "risk": named(tree.risk, risks),
                    "between": list(tree.between),
                    "then": [told(branch) for branch in tree.then],
                }
            if isinstance(tree, Cut):
                return {
                    "way": tree.way,
                    "avoid": listed(tree.avoid, risks),
                    "cut": listed(tree.edges, edges),
                }
            if isinstance(tree, Few):
                return {
                    "fewer_than_ways": listed(tree.avoid, risks),
                    "cut": listed(tree.edges, edges),
                }
            return {
                "way": tree.way,
                "avoid": listed(tree.avoid, risks),
                "weight": tree.weight,
                "least": tree.least,
                "most": tree.most,
            }

        return {
            "ends": [named(self.s, nodes), named(self.t, nodes)],
            "ways": self.ways,
            "avoid_from_start": listed(self.from_start, risks),
            "without": listed(self.without, edges),
            "tree": told(self.tree),
        }


def fork(risk: int, between: tuple[int, int], then: tuple[Tree, Tree]) -> Tree:
    """Join two closed branches; a branch that does not need its risk stands for both."""
    first, second = between
    for way, branch in zip(between, then, strict=True):
        if (way, risk) not in branch.used:
            return branch
    used = (then[0].used - {(first, risk)}) | (then[1].used - {(second, risk)})
    return Fork(risk, between, then, used)


def mirrored(tree: Tree, between: tuple[int, int]) -> Tree:
    """The same tree with two ways changing places."""
    swap = {between[0]: between[1], between[1]: between[0]}
    if isinstance(tree, Cut):
        return Cut(swap.get(tree.way, tree.way), tree.edges, tree.avoid)
    if isinstance(tree, Few):
        return tree
    if isinstance(tree, Beyond):
        way = swap.get(tree.way, tree.way)
        return Beyond(way, tree.weight, tree.least, tree.most, tree.avoid)
    first, second = tree.between
    then = (mirrored(tree.then[0], between), mirrored(tree.then[1], between))
    used = frozenset((swap.get(way, way), risk) for way, risk in tree.used)
    return Fork(tree.risk, (swap.get(first, first), swap.get(second, second)), then, used)
