"""A plan of works: which works must not overlap, and in which order they lose the least."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, TypedDict

import numpy as np
import pandas as pd
import scipy.sparse as sp

from waysapart.arrays import Ints, boolean
from waysapart.errors import CallError
from waysapart.reliance.rely import falls, paths_lost
from waysapart.study.rules import WorksRules
from waysapart.verdicts.limits import together
from waysapart.whatif.base import Base, Subject, base_of, path_groups
from waysapart.whatif.clashes import Clashes, clashes
from waysapart.whatif.outage_state import running_limits, stand_ins
from waysapart.whatif.plan_table import DAY, Work, end_text, read_works, start_text

if TYPE_CHECKING:
    import geopandas as gpd

WorkFacts = TypedDict(
    "WorkFacts",
    {
        "id": str,
        "name": str,
        "place": str,
        "contractor": str,
        "contact": str,
        "phone": str,
        "from": str,
        "to": str,
        "closed_days": list[str],
        "reach_m": float,
        "hit": list[str],
        "restores": list[str],
        "lost": list[str],
        "exposed": list[str],
    },
)
"""One work by itself: what the plan says of it, what it takes out of service, what that loses.

`from` and `to` are dates, the last one included, or local times such as 2026-05-04T08:00.
`closed_days`: days of these on which the rules have no works carried out.
"""
OrderedWork = TypedDict(
    "OrderedWork", {"id": str, "from": str, "to": str, "lost": list[str], "exposed": list[str]}
)
"""One work in the proposed order, with its proposed time."""
PeriodFacts = TypedDict(
    "PeriodFacts",
    {
        "from": str,
        "to": str,
        "works": list[str],
        "lost": list[str],
        "exposed": list[str],
        "weakened": list[str],
        "over_limit": list[str],
        "limits_unknown": list[str],
    },
)
"""A time in which the same works are under way.

`weakened`: circuits of which works put a supply out while another keeps up what they rely on.
`over_limit`, `limits_unknown`: circuits that lose a path and go on outside a limit, or nobody can
tell whether they do.
"""


class ClashFacts(TypedDict):
    """Works that must not overlap, and what they lose if they do."""

    works: list[str]
    lost: list[str]


class WorksFacts(TypedDict):
    """A plan of works as plain data.

    `unknown`: circuits and groups of which a record gap leaves open what works take; whatever is
    said to lose nothing may lose these. `clashes` has the smallest combinations of works that lose
    something; every combination of up to `clashes_up_to` works was looked at, and with
    `clashes_complete` every one. `clashes_in_all` counts those that are not listed as well; null:
    too many to count. `working_days` and `closed` are those of `[works]` in the rules; none: works
    are carried out every day.
    """

    study: str
    out: list[str]
    lost_before: list[str]
    unknown: list[str]
    works: list[WorkFacts]
    clashes: list[ClashFacts]
    clashes_in_all: int | None
    clashes_up_to: int
    clashes_complete: bool
    working_days: list[str]
    closed: list[str]
    as_planned: list[PeriodFacts]
    order: list[OrderedWork]
    proposed: list[PeriodFacts]
    loses_nothing: bool
    exact: bool
    reasons: list[str]
    notes: list[str]


@dataclass(frozen=True)
class WorksPlan:
    """What a table of works does; `facts()` is plain data.

    Attributes
    ----------
    base : Base
    states : Situations
        Answers what is lost while some works are under way and some done.
    works : list of Work
        In the order of the table.
    alone : list of Outcome
        Each work by itself, as things are now.
    before : Outcome
        As things are now, without works.
    clashes : Clashes
        Combinations of works that must not overlap.
    as_planned, proposed : list of Period
        What is lost from one change of what is under way to the next, as planned and as proposed.
    order : list of int
    times : list of (int, int)
        Proposed beginning and end of each work, in seconds since 1970-01-01, local time.
    steps : list of Outcome
        Each work by itself, those before it in `order` done.
    exact : bool
        Whether every order loses at least as much.
    accuracy_m : float or None
        As asked; None: surveyed as recorded, else by the rules.
    notes : tuple of str
        What reading the table noticed.
    """

    base: Base
    states: Situations
    works: list[Work]
    alone: list[Outcome]
    before: Outcome
    clashes: Clashes
    as_planned: list[Period]
    proposed: list[Period]
    order: list[int]
    times: list[tuple[int, int]]
    steps: list[Outcome]
    exact: bool
    accuracy_m: float | None = None
    notes: tuple[str, ...] = ()

    @property
    def loses_nothing(self) -> bool:
        """Whether the proposed days lose no circuit and no group."""
        return not any(period.lost for period in self.proposed)

    @cached_property
    def unknown(self) -> list[int]:
        """Circuits and groups of which a record gap leaves open what works take."""
        gaps = self.base.gaps_of
        return [one for one in range(len(gaps)) if gaps[one] and one not in self.before.lost]

    def exit_code(self) -> int:
        """1 if the works as planned lose something or leave it outside a limit; 3 if they may.

        Else 0.
        """
        if any(period.lost or period.left.over_limit for period in self.as_planned):
            return 1
        open_ = any(period.left.limits_unknown for period in self.as_planned)
        return 3 if self.unknown or open_ else 0

    def owner_ids(self, owners: Iterable[int]) -> list[str]:
        """Ids of circuits and groups."""
        return [self.base.trials[owner].id for owner in sorted(owners)]

    def reasons(self) -> list[str]:
        """Why the order loses what it loses; empty where it loses nothing."""
        told = []
        study = self.base.study
        clear = Situations(self.base, self.works, out=())
        for place, work in enumerate(self.order):
            lost = self._lost_at(place)
            if not lost:
                continue
            by_itself = clear.of((frozenset({work}), _NONE)).lost
            inherent, other = lost & by_itself, lost - by_itself
            name = self.works[work].id
            if inherent:
                told.append(
                    f"{name} alone puts every path of {', '.join(self.owner_ids(inherent))} out of "
                    "service, whatever else is in service"
                )
            if other:
                told.append(
                    f"{name} puts the last path of {', '.join(self.owner_ids(other))} out of "
                    f"service while {', '.join(study.out)} is out of service"
                )
        return told

    def _lost_at(self, place: int) -> frozenset[int]:
        done = frozenset(self.order[:place])
        return self.steps[place].lost - self.states.of((_NONE, done)).lost

    def facts(self) -> WorksFacts:
        """The plan as plain data."""
        names = self.base.network.assets
        return {
            "study": self.base.study.name,
            "out": list(self.base.study.out),
            "lost_before": self.owner_ids(self.before.lost),
            "unknown": self.owner_ids(self.unknown),
            "works": [
                {
                    "id": work.id,
                    "name": work.name,
                    "place": work.place,
                    "contractor": work.contractor,
                    "contact": work.contact,
                    "phone": work.phone,
                    "from": start_text(work.start),
                    "to": end_text(work.end),
                    "closed_days": [
                        start_text(day * DAY)
                        for day in _days_of(work)
                        if not self.base.study.rules.works.working(day)
                    ],
                    "reach_m": work.reach_m,
                    "hit": names.ids(work.hit),
                    "restores": names.ids(work.restores),
                    "lost": self.owner_ids(alone.lost - self.before.lost),
                    "exposed": self.owner_ids(alone.exposed - self.before.exposed),
                }
                for work, alone in zip(self.works, self.alone, strict=True)
            ],
            "clashes": [
                {
                    "works": [self.works[work].id for work in clash.works],
                    "lost": self.owner_ids(clash.lost),
                }
                for clash in self.clashes.found
            ],
            "clashes_in_all": self.clashes.count,
            "clashes_up_to": self.clashes.up_to,
            "clashes_complete": self.clashes.complete,
            "working_days": list(self.base.study.rules.works.days or ()),
            "closed": [day.isoformat() for day in sorted(self.base.study.rules.works.closed or ())],
            "as_planned": [self._period(period) for period in self.as_planned],
            "order": [
                {
                    "id": self.works[work].id,
                    "from": start_text(self.times[work][0]),
                    "to": end_text(self.times[work][1]),
                    "lost": self.owner_ids(self._lost_at(place)),
                    "exposed": self.owner_ids(self.steps[place].exposed),
                }
                for place, work in enumerate(self.order)
            ],
            "proposed": [self._period(period) for period in self.proposed],
            "loses_nothing": self.loses_nothing,
            "exact": self.exact,
            "reasons": self.reasons(),
            "notes": list(self.notes),
        }

    def _period(self, period: Period) -> PeriodFacts:
        return {
            "from": start_text(period.start),
            "to": end_text(period.end),
            "works": [self.works[work].id for work in period.works],
            "lost": self.owner_ids(period.lost),
            "exposed": self.owner_ids(period.exposed),
            "weakened": self.owner_ids(period.left.weakened),
            "over_limit": self.owner_ids(period.left.over_limit),
            "limits_unknown": self.owner_ids(period.left.limits_unknown),
        }

    def __repr__(self) -> str:
        lost = sorted({owner for period in self.as_planned for owner in period.lost})
        return (
            f"WorksPlan({len(self.works)} works, {len(self.clashes.found)} clashes; as planned "
            f"{', '.join(self.owner_ids(lost)) or 'nothing'} lost)"
        )


def plan_works(
    subject: Subject,
    works: pd.DataFrame | gpd.GeoDataFrame | Path | str,
    *,
    accuracy_m: float | None = None,
    reach_m: float = 0.0,
) -> WorksPlan:
    """Find which works must not overlap, and an order that loses no circuit if there is one.

    Parameters
    ----------
    subject : Study, Network or Proof
    works : DataFrame, GeoDataFrame or path
        One row per work; the columns of a plan are those of `waysapart.schema.PLAN`.
    accuracy_m : float, optional
        How well the plant is surveyed, as in `dig`.
    reach_m : float
        How far works reach beyond their geometry, metres, where their own `reach_m` is less.

    Returns
    -------
    WorksPlan
        What each work takes and loses, combinations that must not overlap,
        the planned days replayed, and an order with days of its own, replayed
        as well. Where every order loses something, the one that loses least,
        with the reason. `exact`: every order loses at least as much.

    Raises
    ------
    StudyError
        With every fault of the table.
    CallError
        `reach_m` is less than 0.

    Notes
    -----
    Works overlap by time. A date alone counts from its beginning to its end, and so does an end
    at 00:00, since many programs write a day so. Times are local: a stated offset is refused.

    Examples
    --------
    >>> import waysapart as wa
    >>> proof = wa.prove(wa.read_study("examples/estuary"))
    >>> plan = wa.plan_works(proof, "examples/works/works.geojson")
    >>> [plan.works[number].id for number in plan.order]
    ['DRAIN', 'FOOTING', 'COVER']
    >>> plan.loses_nothing
    False
    """
    if not (reach_m >= 0 and np.isfinite(reach_m)):
        raise CallError(f"reach_m {reach_m:g}: expected 0 m or more")
    base = base_of(subject)
    read = read_works(base, works, accuracy_m, reach_m)
    table = read.works
    states = Situations(base, table)
    order, exact = best_order(states, table)
    times = schedule(states, table, order, base.study.rules.works)
    return WorksPlan(
        base,
        states,
        table,
        states.of_all([(frozenset({work}), _NONE) for work in range(len(table))]),
        states.of((_NONE, _NONE)),
        clashes(base, table),
        with_those_left(states, replay(states, [(work.start, work.end) for work in table])),
        with_those_left(states, replay(states, times)),
        order,
        times,
        states.of_all(
            [(frozenset({work}), frozenset(order[:place])) for place, work in enumerate(order)]
        ),
        exact,
        accuracy_m,
        read.notes,
    )


# --- The order in which works lose the least, and their days.

EXACT_UP_TO = 12
"""Up to this number of works all 2^12 sets of them are examined."""

_Cost = tuple[int, int, int]
"""Circuits and groups that works lose; seconds times circuits lost; seconds times circuits left
with one path."""
_NONE = frozenset[int]()


@dataclass(frozen=True)
class Meanwhile:
    """Circuits that keep a path while works are in progress.

    Attributes
    ----------
    weakened : frozenset of int
        Those of which the works put a supply out while another keeps up what they rely on.
    over_limit, limits_unknown : frozenset of int
        Those that lose a path and go on outside a limit, or nobody can tell whether they do.
    """

    weakened: frozenset[int]
    over_limit: frozenset[int]
    limits_unknown: frozenset[int]


@dataclass(frozen=True)
class Period:
    """A time in which the same works are under way; `lost` is what these lose.

    It begins at `start` and lasts up to `end`, in seconds since 1970-01-01, local time.
    """

    start: int
    end: int
    works: tuple[int, ...]
    done: frozenset[int]
    lost: frozenset[int]
    exposed: frozenset[int]
    left: Meanwhile = field(default_factory=lambda: Meanwhile(_NONE, _NONE, _NONE))

    @property
    def situation(self) -> Situation:
        """Works in progress, works done."""
        return frozenset(self.works), self.done


def with_those_left(states: Situations, periods: Sequence[Period]) -> list[Period]:
    """The same periods, with how the circuits go on that keep a path."""
    return [replace(one, left=states.meanwhile(one.situation)) for one in periods]


def replay(states: Situations, times: Sequence[tuple[int, int] | None]) -> list[Period]:
    """What is lost over time: one period for every change of what is under way.

    `times` are the beginning and the end of each work; a work without is left out.
    """
    planned = {place: span for place, span in enumerate(times) if span is not None}
    edges = sorted({edge for span in planned.values() for edge in span})
    spans = []
    for start, end in pairwise(edges):
        active = frozenset(p for p, span in planned.items() if span[0] <= start < span[1])
        done = frozenset(p for p, span in planned.items() if span[1] <= start)
        spans.append((start, end, active, done))
    during = states.of_all([(active, done) for _, _, active, done in spans])
    idle = states.of_all([(_NONE, done) for _, _, _, done in spans])
    return [
        Period(start, end, tuple(sorted(active)), done, mine.lost - without.lost, mine.exposed)
        for (start, end, active, done), mine, without in zip(spans, during, idle, strict=True)
        if active
    ]


def best_order(states: Situations, works: Sequence[Work]) -> tuple[list[int], bool]:
    """An order, one work at a time, that loses the least; and whether it is certain.

    Least: circuits and groups that the works lose, then time by circuits
    lost, then time by circuits left with one path. Among equals the one
    nearest the planned order.

    Notes
    -----
    Up to `EXACT_UP_TO` works dynamic programming over the sets of works done
    (M. Held, R. M. Karp, 'A dynamic programming approach to sequencing
    problems', J. SIAM 10, 1962): O(2^n n). Where no work brings anything
    back, every order costs the same and any number is certain. Else the
    cheapest next work is taken, and the result may not be the best.
    """
    planned = sorted(range(len(works)), key=lambda w: (works[w].start, works[w].end, works[w].id))
    changing = any(len(work.restores) for work in works)
    if len(works) <= EXACT_UP_TO:
        return _by_sets(states, works, planned), True
    return _one_after_another(states, works, planned), not changing


def _cost(states: Situations, works: Sequence[Work], work: int, done: frozenset[int]) -> _Cost:
    during = states.of((frozenset({work}), done))
    without = states.of((_NONE, done))
    lasts = works[work].end - works[work].start
    return (
        len(during.lost - without.lost),
        lasts * len(during.lost),
        lasts * len(during.exposed),
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
    states: Situations, works: Sequence[Work], order: Sequence[int], calendar: WorksRules
) -> list[tuple[int, int]]:
    """A time for every work, in an order: as planned, or some whole days later.

    Works overlap where that loses nothing that the order itself does not
    lose; whatever comes out is replayed. They begin and end on working days.
    """
    times: list[tuple[int, int] | None] = [None] * len(works)
    ends = [0] * len(works)
    allowed: dict[int, frozenset[int]] = {}
    for place, work in enumerate(order):
        done = frozenset(order[:place])
        without = states.of((_NONE, done))
        allowed[work] = states.of((frozenset({work}), done)).lost - without.lost
        earliest = max([works[work].start, *(ends[one] for one in works[work].after)])
        bounds = {earliest, *(max(earliest, ends[one]) for one in done)}
        for span in sorted({_not_before(works[work], moment, calendar) for moment in bounds}):
            trial = list(times)
            trial[work] = span
            if _keeps(states, trial, allowed):
                break
        times[work], ends[work] = span, span[1]
    return [span for span in times if span is not None]


def _days_of(work: Work) -> range:
    """The days of a work; of one that lasts 24 hours at most, the day on which it begins."""
    last = work.first if work.end - work.start <= DAY else work.last
    return range(work.first, last + 1)


def _not_before(work: Work, moment: int, calendar: WorksRules) -> tuple[int, int]:
    """The first span of a work that begins at its time of day, on a working day, from a moment on.

    It takes as many working days as the plan gives it: closed days between two working days are
    not worked on, in the plan as in the proposal; closed days at either end are made up for.
    """
    planned = _days_of(work)
    working = [day for day in planned if calendar.working(day)]
    inner = range(working[0], working[-1] + 1) if working else range(0)
    needed = len(working) + len(planned) - len(inner)
    first = work.first + max(0, -((work.start - moment) // DAY))
    while not calendar.working(first):
        first += 1
    last = first
    for _ in range(needed - 1):
        last += 1
        while not calendar.working(last):
            last += 1
    later = last - planned[-1]
    return work.start + (first - work.first) * DAY, work.end + later * DAY


def _keeps(
    states: Situations,
    times: Sequence[tuple[int, int] | None],
    allowed: dict[int, frozenset[int]],
) -> bool:
    return all(
        period.lost <= frozenset().union(*(allowed[work] for work in period.works))
        for period in replay(states, times)
    )


# --- What is lost while some works are in progress and some are done.

Situation = tuple[frozenset[int], frozenset[int]]
"""Works in progress, works done: places in the table of works."""


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
        self._owned = sp.csr_array(
            sp.hstack([base.path_circuits(), path_groups(base)], format="csr")
        )
        self._count = np.asarray(np.ones(len(base.network.paths), np.int32) @ self._owned)
        self._known: dict[tuple[frozenset[int], frozenset[int]], Outcome] = {}

    def _key(self, situation: Situation) -> tuple[frozenset[int], frozenset[int]]:
        """The assets down: those that works take, and those out that no finished work restored."""
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

    def meanwhile(self, situation: Situation) -> Meanwhile:
        """How circuits that keep a path go on while works are in progress."""
        _, done = situation
        fallen = self._fallen([self._key(situation), self._key((_NONE, done))])
        down, idle = (np.asarray(fallen[[row]].todense()).ravel() for row in (0, 1))
        cut = paths_lost(self._base.reliance, fallen)
        lost, before = (np.asarray(cut[[row]].todense()).ravel() for row in (0, 1))
        circuit = self._base.network.paths.circuit
        touched = set(circuit[lost & ~before].tolist()) & set(circuit[~lost].tolist())
        supplies = zip(
            stand_ins(self._base, down, lost), stand_ins(self._base, idle, before), strict=True
        )
        limits = running_limits(self._base, lost) if touched else []
        kept = {
            one: together([limits[one].delay_ok, limits[one].asymmetry_ok, limits[one].loss_ok])
            for one in touched
        }
        return Meanwhile(
            frozenset(one for one, (now, then) in enumerate(supplies) if set(now) - set(then)),
            frozenset(one for one, ok in kept.items() if ok is False),
            frozenset(one for one, ok in kept.items() if ok is None),
        )

    def _fallen(self, keys: Sequence[tuple[frozenset[int], frozenset[int]]]) -> sp.csr_array:
        """Assets that are down in each: bool, shape (keys, assets)."""
        down: list[Ints] = []
        for active, out in keys:
            parts = [self._works[work].hit for work in active]
            down.append(np.unique(np.concatenate([*parts, np.array(sorted(out), dtype=np.int64)])))
        row = np.repeat(np.arange(len(keys)), [len(one) for one in down])
        column = np.concatenate(down) if down else np.empty(0, dtype=np.int64)
        shape = (len(keys), len(self._base.network.assets))
        return falls(self._base.reliance, boolean(row, column, shape))

    def _follow(self, keys: Sequence[tuple[frozenset[int], frozenset[int]]]) -> list[Outcome]:
        cut = paths_lost(self._base.reliance, self._fallen(keys))
        taken = sp.csr_array(cut.astype(np.int32) @ self._owned)
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
