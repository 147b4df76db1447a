"""The nodes of the tree that a search grows: what each path must avoid there."""

from __future__ import annotations

from dataclasses import dataclass, field

from waysapart.arrays import Bools
from waysapart.reroute.flow import Flow
from waysapart.reroute.paths import GraphPath, Window
from waysapart.reroute.proof import Rest, Tree


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
        """What the branch on one side adds."""
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
