"""The cut that shows why a path no longer exists, with few risks to blame."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from scipy.sparse.csgraph import connected_components

from waysapart.arrays import Bools, boolean
from waysapart.reroute.reduce import Reduced


def small_cut(
    reduced: Reduced, dead: Bools, avoid: frozenset[int]
) -> tuple[list[int], frozenset[int]]:
    """A minimal cut made of dead edges, and few risks in `avoid` that cover it.

    Two cuts are tried, the one next to each end's reach; the one that needs fewer
    risks, then fewer edges, is returned.
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
