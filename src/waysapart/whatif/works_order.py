"""In which order works lose the least, and on which days."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

from waysapart.whatif.situations import Situations
from waysapart.whatif.works_table import Work

EXACT_UP_TO = 12
"""So many works are ordered by going through all sets of them: 2^12 sets."""
PAIRS_UP_TO, TRIPLES_UP_TO = 200, 24

_Cost = tuple[int, int, int]
"""Circuits and groups that works lose; days times circuits lost; days times circuits left with
one path."""
_NONE = frozenset[int]()


@dataclass(frozen=True)
class Clash:
    """Works that must not overlap: together they lose what no fewer of them lose."""

    works: tuple[int, ...]
    lost: frozenset[int]


@dataclass(frozen=True)
class Period:
    """Days on which the same works are under way; `lost` is what these lose."""

    first: int
    last: int
    works: tuple[int, ...]
    lost: frozenset[int]
    exposed: frozenset[int]


def clashes(states: Situations, works: Sequence[Work]) -> tuple[list[Clash], int]:
    """Combinations that must not overlap, as things are now, and up to how many at once."""
    count = len(works)
    most = 3 if count <= TRIPLES_UP_TO else 2 if count <= PAIRS_UP_TO else 1
    smaller: dict[frozenset[int], frozenset[int]] = {_NONE: states.of((_NONE, _NONE)).lost}
    found = []
    for size in range(1, most + 1):
        sets = [frozenset(one) for one in combinations(range(count), size)]
        outcomes = states.of_all([(one, _NONE) for one in sets])
        for one, outcome in zip(sets, outcomes, strict=True):
            explained: frozenset[int] = frozenset().union(*(smaller[one - {work}] for work in one))
            if size > 1 and outcome.lost - explained:
                found.append(Clash(tuple(sorted(one)), outcome.lost - explained))
            smaller[one] = outcome.lost | explained
    return found, most


def replay(states: Situations, days: Sequence[tuple[int, int]]) -> list[Period]:
    """What is lost from day to day: one period for every change of what is under way.

    `days` are the first and last day of each work that is planned; a work
    without (-1, -1) is left out.
    """
    planned = [place for place, (first, _) in enumerate(days) if first >= 0]
    edges = sorted({days[p][0] for p in planned} | {days[p][1] + 1 for p in planned})
    spans = []
    for first, following in pairwise(edges):
        active = frozenset(p for p in planned if days[p][0] <= first <= days[p][1])
        done = frozenset(p for p in planned if days[p][1] < first)
        spans.append((first, following - 1, active, done))
    during = states.of_all([(active, done) for _, _, active, done in spans])
    idle = states.of_all([(_NONE, done) for _, _, _, done in spans])
    return [
        Period(first, last, tuple(sorted(active)), mine.lost - without.lost, mine.exposed)
        for (first, last, active, _), mine, without in zip(spans, during, idle, strict=True)
        if active
    ]


def best_order(states: Situations, works: Sequence[Work]) -> tuple[list[int], bool]:
    """An order, one work at a time, that loses the least; and whether it is certain.

    Least: circuits and groups that the works lose, then days times circuits
    lost, then days times circuits left with one path. Among equals the one
    nearest the planned order.

    Notes
    -----
    Up to `EXACT_UP_TO` works dynamic programming over the sets of works done
    (M. Held, R. M. Karp, 'A dynamic programming approach to sequencing
    problems', J. SIAM 10, 1962): O(2^n n). Where no work brings anything
    back, every order costs the same and any number is certain. Else the
    cheapest next work is taken, and the result may not be the best.
    """
    planned = sorted(range(len(works)), key=lambda w: (works[w].first, works[w].last, works[w].id))
    changing = any(len(work.restores) for work in works)
    if len(works) <= EXACT_UP_TO:
        return _by_sets(states, works, planned), True
    return _one_after_another(states, works, planned), not changing


def _cost(states: Situations, works: Sequence[Work], work: int, done: frozenset[int]) -> _Cost:
    during = states.of((frozenset({work}), done))
    without = states.of((_NONE, done))
    days = works[work].days
    return (
        len(during.lost - without.lost),
        days * len(during.lost),
        days * len(during.exposed),
    )


def _add(one: _Cost, other: _Cost) -> _Cost:
    return (one[0] + other[0], one[1] + other[1], one[2] + other[2])


def _by_sets(states: Situations, works: Sequence[Work], planned: list[int]) -> list[int]:
    count = len(works)
    everything = (1 << count) - 1
    to_go: dict[int, _Cost] = {everything: (0, 0, 0)}
    choice: dict[int, int] = {}
    for mask in range(everything - 1, -1, -1):
        done = frozenset(work for work in range(count) if mask >> work & 1)
        best: _Cost | None = None
        for work in planned:
            if mask >> work & 1 or not set(works[work].after) <= done:
                continue
            rest = to_go.get(mask | 1 << work)
            if rest is None:
                continue
            cost = _add(_cost(states, works, work, done), rest)
            if best is None or cost < best:
                best = cost
                choice[mask] = work
        if best is not None:
            to_go[mask] = best
    order = []
    mask = 0
    while mask != everything:
        order.append(choice[mask])
        mask |= 1 << choice[mask]
    return order


def _one_after_another(states: Situations, works: Sequence[Work], planned: list[int]) -> list[int]:
    order: list[int] = []
    while len(order) < len(works):
        done = frozenset(order)
        ready = [w for w in planned if w not in done and set(works[w].after) <= done]
        order.append(min(ready, key=lambda work: _cost(states, works, work, done)))
    return order


def schedule(
    states: Situations, works: Sequence[Work], order: Sequence[int]
) -> list[tuple[int, int]]:
    """Days for every work, in an order, none before its planned first day.

    Works overlap where that loses nothing that the order itself does not
    lose; whatever comes out is replayed.
    """
    days = [(-1, -1)] * len(works)
    allowed: dict[int, frozenset[int]] = {}
    for place, work in enumerate(order):
        done = frozenset(order[:place])
        without = states.of((_NONE, done))
        allowed[work] = states.of((frozenset({work}), done)).lost - without.lost
        earliest = max([works[work].first, *(days[one][1] + 1 for one in works[work].after)])
        starts = sorted(
            {earliest} | {days[one][1] + 1 for one in done if days[one][1] + 1 > earliest}
        )
        for start in starts:
            trial = list(days)
            trial[work] = (start, start + works[work].days - 1)
            if _keeps(states, trial, allowed):
                break
        days[work] = (start, start + works[work].days - 1)
    return days


def _keeps(
    states: Situations,
    days: Sequence[tuple[int, int]],
    allowed: dict[int, frozenset[int]],
) -> bool:
    return all(
        period.lost <= frozenset().union(*(allowed[work] for work in period.works))
        for period in replay(states, days)
    )
