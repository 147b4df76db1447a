"""How old the records are: surveys of positions, tests, and what was said of leased routes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypedDict

import numpy as np
import pandas as pd

from waysapart.gaps import Limit
from waysapart.network.assets import Floats
from waysapart.network.blanks import plural
from waysapart.network.contradictions import TEST_LIMITS
from waysapart.network.measurements import newest_tests
from waysapart.network.records import Place, place_of
from waysapart.study.model import Gap, Study

_SURVEYED = ("sites", "structures", "segments")
_TESTED = {"length_m": "length", "loss_db": "loss", "delay_us": "delay"}


class RecordAge(TypedDict):
    """The ages of one kind of record.

    Attributes
    ----------
    what : str
        `survey`, `test` or `leased_route`, as in `[records] oldest` of the rules.
    dated, undated : int
        How many have a date that counts, and how many have none.
    oldest, newest : str or None
        Days, as ISO 8601.
    oldest_days : int or None
        Age of the oldest on the day of judgement.
    limit_days : float or None
        What the rules allow; None: ages are listed only.
    too_old : int
        How many are older than that. With a limit these and the undated are gaps.
    """

    what: str
    dated: int
    undated: int
    oldest: str | None
    newest: str | None
    oldest_days: int | None
    limit_days: float | None
    too_old: int


@dataclass(frozen=True)
class _Dated:
    """One record with a date, or without."""

    date: pd.Timestamp
    days: float
    code: str
    about: str
    many: str
    id: str
    assets: tuple[str, ...]
    links: tuple[str, ...]
    only: tuple[Limit, ...] | None
    column: str
    place: Place


def record_ages(study: Study) -> list[RecordAge]:
    """The ages of all surveys, tests and statements; kinds of which there is none are left out.

    Of several tests of one fibre only the newest counts. A date after the day of judgement counts
    as none.
    """
    oldest = study.rules.records.oldest
    found = []
    for what, records in _dated(study).items():
        if not records:
            continue
        limit: float | None = getattr(oldest, what)
        known = [one for one in records if not np.isnan(one.days)]
        first = max(known, key=lambda one: one.days, default=None)
        last = min(known, key=lambda one: one.days, default=None)
        found.append(
            RecordAge(
                what=what,
                dated=len(known),
                undated=len(records) - len(known),
                oldest=None if first is None else first.date.date().isoformat(),
                newest=None if last is None else last.date.date().isoformat(),
                oldest_days=None if first is None else int(first.days),
                limit_days=limit,
                too_old=0 if limit is None else sum(one.days > limit for one in known),
            )
        )
    return found


def age_gaps(study: Study) -> list[Gap]:
    """A gap for every record older than `[records] oldest` of the rules allows, or undated.

    Returns
    -------
    list of Gap
        Codes `survey-old` and `leased-old`, which bear on separation, and `test-old`, which
        bears on the limits that rest on what was tested. None of a kind without a limit.
    """
    oldest = study.rules.records.oldest
    gaps = []
    for what, records in _dated(study, only_limited=True).items():
        limit: float | None = getattr(oldest, what)
        if limit is None:
            continue
        for one in records:
            if one.days <= limit:
                continue
            undated = np.isnan(one.days)
            said = _UNDATED[what] if undated else _OLD[what]
            age = "" if undated else f" {one.date.date().isoformat()}, {one.days:,.0f} days ago"
            rule = f"the rules allow {limit:,.0f} days"
            gaps.append(
                Gap(
                    one.code,
                    f"{one.about} {one.id}: {said}{age}; {rule}: {_DO[what]}",
                    one.id,
                    assets=one.assets,
                    links=one.links,
                    only=one.only,
                    column=one.column,
                    fold=f"{{count}} {one.many}: {said}; {rule}: {{names}}"
                    if undated
                    else f"{{count}} {one.many}: {said} longer ago than the rules allow "
                    f"({limit:,.0f} days): {{names}}",
                    **one.place,
                )
            )
    return gaps


_OLD = {"survey": "surveyed", "test": "tested", "leased_route": "route stated"}
_UNDATED = {
    "survey": "no day of survey on record",
    "test": "no day of test on record",
    "leased_route": "no day on which the route was stated on record",
}
_DO = {
    "survey": "survey it, and enter surveyed",
    "test": "test it again, and enter date",
    "leased_route": "ask its owner again, and enter stated_on",
}


def _dated(study: Study, *, only_limited: bool = False) -> dict[str, list[_Dated]]:
    """Every record whose age counts, by the key of `[records] oldest`."""
    oldest = study.rules.records.oldest
    parts = {"survey": _surveys, "test": _tests, "leased_route": _statements}
    return {
        what: list(part(study))
        for what, part in parts.items()
        if not only_limited or getattr(oldest, what) is not None
    }


def _surveys(study: Study) -> Iterator[_Dated]:
    for role in _SURVEYED:
        table = study.tables[role]
        days = ages_days(table["surveyed"], study)
        kinds = table["kind"].where(table["kind"].notna(), role.removesuffix("s"))
        for row, (name, kind) in enumerate(zip(table["id"], kinds, strict=True)):
            yield _Dated(
                table["surveyed"].iloc[row],
                float(days[row]),
                "survey-old",
                str(kind),
                plural(str(kind)),
                str(name),
                (str(name),),
                (),
                None,
                "surveyed",
                place_of(study, table, row),
            )


def _tests(study: Study) -> Iterator[_Dated]:
    """The tests that count, of every fibre the newest."""
    table = study.tables["measurements"]
    days = ages_days(table["date"], study)
    for role in ("cables", "links"):
        ids = study.tables[role]["id"].to_numpy()
        for quantity, word in _TESTED.items():
            tests = newest_tests(study, role, quantity)
            for owner, row in zip(tests["owner"].tolist(), tests["row"].tolist(), strict=True):
                name = str(ids[owner])
                yield _Dated(
                    table["date"].iloc[row],
                    float(days[row]),
                    "test-old",
                    f"{word} of {role.removesuffix('s')}",
                    f"tests of {word} of {role}",
                    name,
                    (name,) if role == "cables" else (),
                    (name,) if role == "links" else (),
                    TEST_LIMITS[quantity],
                    "date",
                    place_of(study, table, row),
                )


def _statements(study: Study) -> Iterator[_Dated]:
    """What is on record of the routes of leased hops."""
    table = study.tables["links"]
    days = ages_days(table["stated_on"], study)
    stated = (table["medium"] == "leased") & table["relies_on"].notna()
    for row in np.flatnonzero(stated.to_numpy()).tolist():
        name = str(table["id"].iloc[row])
        yield _Dated(
            table["stated_on"].iloc[row],
            float(days[row]),
            "leased-old",
            "leased link",
            "leased links",
            name,
            (),
            (name,),
            None,
            "stated_on",
            place_of(study, table, row),
        )


def ages_days(dates: pd.Series, study: Study) -> Floats:
    """Age in days on the day of judgement; NaN: undated, or dated after it."""
    on = np.datetime64(study.on)
    days = (on - dates.to_numpy(dtype="datetime64[D]")).astype(np.float64)
    return np.asarray(np.where(dates.isna() | (days < 0), np.nan, days), dtype=np.float64)
