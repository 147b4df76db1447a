"""A plan of works: what must not overlap, and in which order nothing is lost."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, TypedDict

import pandas as pd

from waysapart.whatif.base import Base, Subject, base_of
from waysapart.whatif.situations import Outcome, Situations
from waysapart.whatif.works_order import Clash, Period, best_order, clashes, replay, schedule
from waysapart.whatif.works_table import Work, day_text, read_works

if TYPE_CHECKING:
    import geopandas as gpd

_NONE = frozenset[int]()


WorkFacts = TypedDict(
    "WorkFacts",
    {
        "id": str,
        "from": str,
        "to": str,
        "hit": list[str],
        "restores": list[str],
        "lost": list[str],
        "exposed": list[str],
    },
)
"""One work by itself: its planned days, what it takes out of service and what that loses."""
OrderedWork = TypedDict(
    "OrderedWork", {"id": str, "from": str, "to": str, "lost": list[str], "exposed": list[str]}
)
"""One work in the proposed order, with its proposed days."""
PeriodFacts = TypedDict(
    "PeriodFacts",
    {"from": str, "to": str, "works": list[str], "lost": list[str], "exposed": list[str]},
)
"""Days on which the same works are under way."""


class ClashFacts(TypedDict):
    """Works that must not overlap, and what they lose if they do."""

    works: list[str]
    lost: list[str]


class WorksFacts(TypedDict):
    """A plan of works as plain data."""

    study: str
    out: list[str]
    lost_before: list[str]
    works: list[WorkFacts]
    clashes: list[ClashFacts]
    clashes_up_to: int
    as_planned: list[PeriodFacts]
    order: list[OrderedWork]
    proposed: list[PeriodFacts]
    loses_nothing: bool
    exact: bool
    reasons: list[str]


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
    clashes : list of Clash
        Combinations of works that must not overlap.
    clashes_up_to : int
        How many works were held against each other at once to find them.
    as_planned, proposed : list of Period
        What is lost from day to day, on the planned days and on the proposed.
    order : list of int
    days : list of (int, int)
        Proposed first and last day of each work.
    steps : list of Outcome
        Each work by itself, those before it in `order` done.
    exact : bool
        Whether no order can lose less.
    accuracy_m : float or None
        As asked; None: surveyed as recorded, else by the rules.
    """

    base: Base
    states: Situations
    works: list[Work]
    alone: list[Outcome]
    before: Outcome
    clashes: list[Clash]
    clashes_up_to: int
    as_planned: list[Period]
    proposed: list[Period]
    order: list[int]
    days: list[tuple[int, int]]
    steps: list[Outcome]
    exact: bool
    accuracy_m: float | None = None

    @property
    def loses_nothing(self) -> bool:
        """Whether the proposed days lose no circuit and no group."""
        return not any(period.lost for period in self.proposed)

    def exit_code(self) -> int:
        """1 if the works as planned lose a circuit or a group, else 0."""
        return int(any(period.lost for period in self.as_planned))

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
                    f"{name} takes every way of {', '.join(self.owner_ids(inherent))} by itself, "
                    "whatever else is in service: no order helps"
                )
            if other:
                told.append(
                    f"{name} takes the last way of {', '.join(self.owner_ids(other))} while "
                    f"{', '.join(study.out)} is out of service"
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
            "works": [
                {
                    "id": work.id,
                    "from": day_text(work.first),
                    "to": day_text(work.last),
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
                for clash in self.clashes
            ],
            "clashes_up_to": self.clashes_up_to,
            "as_planned": [self._period(period) for period in self.as_planned],
            "order": [
                {
                    "id": self.works[work].id,
                    "from": day_text(self.days[work][0]),
                    "to": day_text(self.days[work][1]),
                    "lost": self.owner_ids(self._lost_at(place)),
                    "exposed": self.owner_ids(self.steps[place].exposed),
                }
                for place, work in enumerate(self.order)
            ],
            "proposed": [self._period(period) for period in self.proposed],
            "loses_nothing": self.loses_nothing,
            "exact": self.exact,
            "reasons": self.reasons(),
        }

    def _period(self, period: Period) -> PeriodFacts:
        return {
            "from": day_text(period.first),
            "to": day_text(period.last),
            "works": [self.works[work].id for work in period.works],
            "lost": self.owner_ids(period.lost),
            "exposed": self.owner_ids(period.exposed),
        }

    def __repr__(self) -> str:
        lost = sorted({owner for period in self.as_planned for owner in period.lost})
        return (
            f"WorksPlan({len(self.works)} works, {len(self.clashes)} clashes; as planned "
            f"{', '.join(self.owner_ids(lost)) or 'nothing'} lost)"
        )


def plan_works(
    subject: Subject,
    works: pd.DataFrame | gpd.GeoDataFrame | Path | str,
    *,
    accuracy_m: float | None = None,
) -> WorksPlan:
    """Find which works must not overlap, and an order that loses no circuit if there is one.

    Parameters
    ----------
    subject : Study, Network or Proof
    works : DataFrame, GeoDataFrame or path
        One row per work, columns as in `works_table.COLUMNS`.
    accuracy_m : float, optional
        How well the plant is surveyed, as in `dig`.

    Returns
    -------
    WorksPlan
        What each work takes and loses, combinations that must not overlap,
        the planned days replayed, and an order with days of its own, replayed
        as well. Where no order loses nothing, the least bad one with the
        reason. `exact` says whether no order can be better.

    Raises
    ------
    StudyError
        With every fault of the table.
    """
    base = base_of(subject)
    table = read_works(base, works, accuracy_m)
    states = Situations(base, table)
    found, up_to = clashes(states, table)
    order, exact = best_order(states, table)
    days = schedule(states, table, order)
    return WorksPlan(
        base,
        states,
        table,
        states.of_all([(frozenset({work}), _NONE) for work in range(len(table))]),
        states.of((_NONE, _NONE)),
        found,
        up_to,
        replay(states, [(work.first, work.last) for work in table]),
        replay(states, days),
        order,
        days,
        states.of_all(
            [(frozenset({work}), frozenset(order[:place])) for place, work in enumerate(order)]
        ),
        exact,
        accuracy_m,
    )
