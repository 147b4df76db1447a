"""Whether a proof that lists courses one by one stays short enough to be checked that way."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from waysapart.arrays import Bools
from waysapart.reroute.paths import REACHED, Window, distances
from waysapart.reroute.proof import Listed, NoPairProof
from waysapart.reroute.reduce import Reduced

MOST_LISTED = 500
"""Courses that a leaf may list; a proof that needs more is not given."""
MOST_STEPS = 20_000
"""Steps taken to list them."""


def can_be_listed(reduced: Reduced, proof: NoPairProof) -> bool:
    """Whether every leaf that lists courses has few enough of them.

    Listed are the courses that stay at or below the greatest sums of the leaf;
    a leaf without any greatest sum lists all.
    """
    for leaf in proof.leaves():
        if isinstance(leaf, Listed):
            dead = np.zeros(reduced.n_edges, dtype=bool)
            for risk in leaf.avoid:
                dead[reduced.edges_of(risk)] = True
            if not _few(reduced, leaf.within, dead):
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
