"""How old the records are: surveys, measurements, and what was said of leased routes."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from waysapart.arrays import Floats, Ints
from waysapart.evidence import Aged, RecordAge
from waysapart.gaps import Gap, Limit
from waysapart.network.blanks import plural
from waysapart.network.contradictions import TEST_LIMITS
from waysapart.network.measurements import newest_measurements
from waysapart.network.records import places_of
from waysapart.study.model import Study

_SURVEYED = ("sites", "structures", "segments")
_TESTED = {"length_m": "length", "loss_db": "loss", "delay_us": "delay"}


@dataclass(frozen=True)
class _Dated:
    """Records of one kind, with a date or without: rows of a table.

    Attributes
    ----------
    table : DataFrame
    rows : ndarray of int, shape (records,)
    ids : ndarray of str, shape (records,)
    column : str
        Of `table`, which holds the date.
    code : str
        Of the gap that a record leaves which is too old.
    about : ndarray of str, shape (records,)
        What each record is of.
    many : dict
        The same for several, by what it is for one.
    of_link : bool
        Whether it is of a link, else of an asset.
    only : tuple of str or None
        The limits that rest on it; None: what the code says.
    """

    table: pd.DataFrame
    rows: Ints
    ids: np.ndarray
    column: str
    code: str
    about: np.ndarray
    many: Mapping[str, str]
    of_link: bool = False
    only: tuple[Limit, ...] | None = None

    def days(self, study: Study) -> Floats:
        """Ages on the day of judgement, shape (records,)."""
        return ages_days(self.table[self.column].iloc[self.rows], study)


def record_ages(study: Study) -> list[RecordAge]:
    """The ages of all surveys, measurements and statements, kind by kind; not of absent kinds.

    Of several measurements of one fibre only the newest counts. A date after the day of
    judgement counts as none.
    """
    oldest = study.rules.records.oldest
    found = []
    for what, parts in _dated(study).items():
        days = np.concatenate([np.empty(0), *(part.days(study) for part in parts)])
        if not len(days):
            continue
        limit: float | None = getattr(oldest, what)
        known = days[~np.isnan(days)]
        first, last = (int(known.max()), int(known.min())) if len(known) else (None, None)
        found.append(
            RecordAge(
                what=what,
                dated=len(known),
                undated=len(days) - len(known),
                oldest=_day(study, first),
                newest=_day(study, last),
                oldest_days=first,
                limit_days=limit,
                too_old=0 if limit is None else int((known > limit).sum()),
            )
        )
    return found


def _day(study: Study, ago: int | None) -> str | None:
    return None if ago is None else (study.on - datetime.timedelta(days=ago)).isoformat()


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
    for what, parts in _dated(study, only_limited=True).items():
        limit: float | None = getattr(oldest, what)
        if limit is not None:
            gaps += [gap for part in parts for gap in _gaps(study, what, part, limit)]
    return gaps


def _gaps(study: Study, what: str, part: _Dated, limit: float) -> Iterator[Gap]:
    days = part.days(study)
    late = np.flatnonzero(~(days <= limit))
    rule = f"the rules allow {limit:,.0f} days"
    for one, place in zip(
        late.tolist(), places_of(study, part.table, part.rows[late]), strict=True
    ):
        name, about = str(part.ids[one]), str(part.about[one])
        undated = np.isnan(days[one])
        said = _UNDATED[what] if undated else _OLD[what]
        age = "" if undated else f" {_day(study, int(days[one]))}, {days[one]:,.0f} days ago"
        yield Gap(
            part.code,
            f"{about} {name}: {said}{age}; {rule}: {_DO[what]}",
            name,
            assets=() if part.of_link else (name,),
            links=(name,) if part.of_link else (),
            only=part.only,
            column=part.column,
            fold=f"{{count}} {part.many[about]}: {said}; {rule}: {{names}}"
            if undated
            else f"{{count}} {part.many[about]}: {said} longer ago than the rules allow "
            f"({limit:,.0f} days): {{names}}",
            **place,
        )


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


def _dated(study: Study, *, only_limited: bool = False) -> dict[Aged, list[_Dated]]:
    """Every record whose age counts, by the key of `[records] oldest`."""
    oldest = study.rules.records.oldest
    parts: dict[Aged, Callable[[Study], Iterator[_Dated]]] = {
        "survey": _surveys,
        "test": _tests,
        "leased_route": _statements,
    }
    return {
        what: list(part(study))
        for what, part in parts.items()
        if not only_limited or getattr(oldest, what) is not None
    }


def _surveys(study: Study) -> Iterator[_Dated]:
    for role in _SURVEYED:
        table = study.tables[role]
        kinds = table["kind"].where(table["kind"].notna(), role.removesuffix("s")).to_numpy()
        yield _Dated(
            table,
            np.arange(len(table)),
            table["id"].to_numpy(),
            "surveyed",
            "survey-old",
            kinds,
            {kind: plural(str(kind)) for kind in np.unique(kinds.astype(str)).tolist()},
        )


def _tests(study: Study) -> Iterator[_Dated]:
    """The measurements that count, of every fibre the newest."""
    table = study.tables["measurements"]
    for role in ("cables", "links"):
        ids = study.tables[role]["id"].to_numpy()
        for quantity, word in _TESTED.items():
            measurements = newest_measurements(study, role, quantity)
            about = f"{word} of {role.removesuffix('s')}"
            yield _Dated(
                table,
                measurements["row"].to_numpy(dtype=np.int64),
                ids[measurements["owner"].to_numpy(dtype=np.int64)],
                "date",
                "test-old",
                np.full(len(measurements), about),
                {about: f"tests of {word} of {role}"},
                of_link=role == "links",
                only=TEST_LIMITS[quantity],
            )


def _statements(study: Study) -> Iterator[_Dated]:
    """What is on record of the routes of leased hops."""
    table = study.tables["links"]
    rows = np.flatnonzero(((table["medium"] == "leased") & table["relies_on"].notna()).to_numpy())
    yield _Dated(
        table,
        rows,
        table["id"].to_numpy()[rows],
        "stated_on",
        "leased-old",
        np.full(len(rows), "leased link"),
        {"leased link": "leased links"},
        of_link=True,
    )


def ages_days(dates: pd.Series, study: Study) -> Floats:
    """Age in days on the day of judgement; NaN: undated, or dated after it."""
    on = np.datetime64(study.on)
    days = (on - dates.to_numpy(dtype="datetime64[D]")).astype(np.float64)
    return np.asarray(np.where(dates.isna() | (days < 0), np.nan, days), dtype=np.float64)
