"""What is lost while some works are under way and some are done."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

from waysapart.arrays import Ints, boolean
from waysapart.reliance.failure import falls, paths_lost
from waysapart.whatif.base import Base, group_ways
from waysapart.whatif.works_table import Work

Situation = tuple[frozenset[int], frozenset[int]]
"""Works under way, works done: places in the table of works."""


@dataclass(frozen=True)
class Outcome:
    """How circuits and groups stand in one situation.

    Attributes
    ----------
    lost : frozenset of int
        Owners without a path: circuits, then groups behind them.
    exposed : frozenset of int
        Circuits with one path left of the several they have.
    """

    lost: frozenset[int]
    exposed: frozenset[int]


class Situations:
    """Outcomes of situations, each followed once.

    `out` are the assets out of service until a work restores them; None: those
    of the study.
    """

    def __init__(self, base: Base, works: Sequence[Work], out: Sequence[str] | None = None) -> None:
        self._base = base
        self._works = works
        self._out = base.network.assets.numbers(base.study.out if out is None else out)
        self._ways = sp.csr_array(sp.hstack([base.ways(), group_ways(base)], format="csr"))
        self._count = np.asarray(np.ones(len(base.network.paths), np.int32) @ self._ways)
        self._known: dict[tuple[frozenset[int], frozenset[int]], Outcome] = {}

    def _key(self, situation: Situation) -> tuple[frozenset[int], frozenset[int]]:
        """Assets down decide: those taken, and those out that nothing done has restored."""
        active, done = situation
        restored = {int(one) for work in done for one in self._works[work].restores}
        return active, frozenset(set(self._out.tolist()) - restored)

    def of(self, situation: Situation) -> Outcome:
        """The outcome of one situation."""
        return self.of_all([situation])[0]

    def of_all(self, situations: Sequence[Situation]) -> list[Outcome]:
        """Outcomes of many situations, followed together."""
        keys = [self._key(one) for one in situations]
        fresh = [key for key in dict.fromkeys(keys) if key not in self._known]
        if fresh:
            for key, outcome in zip(fresh, self._follow(fresh), strict=True):
                self._known[key] = outcome
        return [self._known[key] for key in keys]

    def _follow(self, keys: Sequence[tuple[frozenset[int], frozenset[int]]]) -> list[Outcome]:
        down: list[Ints] = []
        for active, out in keys:
            parts = [self._works[work].hit for work in active]
            down.append(np.unique(np.concatenate([*parts, np.array(sorted(out), dtype=np.int64)])))
        row = np.repeat(np.arange(len(keys)), [len(one) for one in down])
        column = np.concatenate(down) if down else np.empty(0, dtype=np.int64)
        shape = (len(keys), len(self._base.network.assets))
        fallen = falls(self._base.reliance, boolean(row, column, shape))
        cut = paths_lost(self._base.reliance, fallen).astype(np.int32)
        taken = sp.csr_array(cut @ self._ways)
        found = []
        for place in range(len(keys)):
            rows = slice(taken.indptr[place], taken.indptr[place + 1])
            owner, many = taken.indices[rows], taken.data[rows]
            left = self._count[owner] - many
            circuits = self._base.circuit_count
            found.append(
                Outcome(
                    frozenset(owner[left == 0].tolist()),
                    frozenset(owner[(left == 1) & (owner < circuits)].tolist()),
                )
            )
        return found
