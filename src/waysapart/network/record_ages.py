"""How old the records are: surveys, measurements, and statements on leased routes.

`[records] oldest` in the rules states how old each may be; what is older, or undated, is a gap.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, NamedTuple, cast

import numpy as np
import pandas as pd

from waysapart.arrays import Floats, Ints
from waysapart.evidence import Aged, DatedColumn, LayerAge, RecordAge
from waysapart.formulas.measured import DAYS_PER_YEAR
from waysapart.gaps import Gap, Limit
from waysapart.network.assets import places_of
from waysapart.network.measurements import newest_measurements
from waysapart.network.record_gaps import TEST_LIMITS, plural
from waysapart.study.model import Study

if TYPE_CHECKING:
    from numpy.typing import NDArray

_SURVEYED = ("sites", "structures", "segments")
_TESTED = {"length_m": "length", "loss_db": "loss", "delay_us": "delay"}


@dataclass(frozen=True)
class _Dated:
    """Records of one kind, with or without a date: rows of a table.

    Attributes
    ----------
    table : DataFrame
    rows : ndarray of int, shape (records,)
    ids : ndarray of str, shape (records,)
    column : str
        Column of `table` with the date.
    code : str
        Code of the gap of a record that is too old.
    about : ndarray of str, shape (records,)
        What each record describes.
    many : dict
        The plural of each value of `about`.
    of_link : bool
        Whether a record describes a link, not an asset.
    only : tuple of str or None
        The limits that rest on a record; None: those of the gap code.
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
        return _ages_days(self.table[self.column].iloc[self.rows], study)


def record_ages(study: Study) -> list[RecordAge]:
    """State how old surveys, measurements and statements on routes are, by kind.

    Of several measurements of one fibre only the newest counts. A date after the day of judgement
    counts as none.

    Parameters
    ----------
    study : Study

    Returns
    -------
    list of RecordAge
        Kinds without records are left out.
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


def layer_ages(study: Study) -> list[LayerAge]:
    """State how many rows each layer has, and the oldest and newest date in each of its columns.

    A date after the day of judgement counts as none.

    Parameters
    ----------
    study : Study

    Returns
    -------
    list of LayerAge
        In the order in which the layers were read.
    """
    return [
        {
            "role": layer.role,
            "file": layer.file,
            "layer": layer.layer,
            "rows": layer.rows,
            "dates": [_dates_in(name, days, study.on) for name, days in layer.days.items()],
        }
        for layer in study.layers
    ]


def _dates_in(name: str, days: NDArray[np.datetime64], on: datetime.date) -> DatedColumn:
    known = days[days <= np.datetime64(on)]  # NaT is not before any day
    return {
        "column": cast(Literal["surveyed", "date", "stated_on"], name),
        "dated": len(known),
        "undated": len(days) - len(known),
        "oldest": str(known.min()) if len(known) else None,
        "newest": str(known.max()) if len(known) else None,
    }


def _day(study: Study, ago: int | None) -> str | None:
    return None if ago is None else (study.on - datetime.timedelta(days=ago)).isoformat()


def age_gaps(study: Study) -> list[Gap]:
    """Make a gap of every record that is undated or older than `[records] oldest` allows.

    Parameters
    ----------
    study : Study

    Returns
    -------
    list of Gap
        Codes `survey-old` and `leased-old`, which bear on separation, and `test-old`, which
        bears on the limits that rest on the measurement. None for a kind without a limit.
    """
    oldest = study.rules.records.oldest
    gaps = []
    for what, parts in _dated(study, only_limited=True).items():
        limit: float | None = getattr(oldest, what)
        if limit is not None:
            gaps += [gap for part in parts for gap in _gaps(study, what, part, limit)]
    if oldest.leased_route is not None:
        told = {gap.asset for gap in gaps if gap.code == "leased-old"}
        gaps += (gap for gap in _unsigned(study) if gap.asset not in told)
    return gaps


def _unsigned(study: Study) -> Iterator[Gap]:
    """Statements on the routes of leased hops of which nobody is on record as having made them."""
    links = study.as_read("links")
    leased = (links["medium"] == "leased") & links["relies_on"].notna()
    rows = np.flatnonzero((leased & links["stated_by"].isna()).to_numpy())
    said = "who stated its route is not on record"
    for row, place in zip(rows.tolist(), places_of(study, links, rows), strict=True):
        name = str(links["id"].iloc[row])
        yield Gap(
            "leased-old",
            f"leased link {name}: {said}: ask its owner, and enter stated_by",
            name,
            links=(name,),
            column="stated_by",
            fold=f"{{count}} leased links: {said}: {{names}}",
            **place,
        )


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
    "survey": "survey date not on record",
    "test": "test date not on record",
    "leased_route": "date of the statement of its route not on record",
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


def _tests(study: Study, *, drum: bool = False) -> Iterator[_Dated]:
    """The measurements that count: the newest of every fibre."""
    table = study.tables["measurements"]
    for role in ("cables", "links"):
        ids = study.tables[role]["id"].to_numpy()
        for quantity, word in _TESTED.items():
            measurements = newest_measurements(study, role, quantity, drum=drum)
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
    """Statements on the routes of leased hops."""
    table = study.as_read("links")
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


def _ages_days(dates: pd.Series, study: Study) -> Floats:
    """Age in days on the day of judgement; NaN where undated, or dated after that day."""
    on = np.datetime64(study.on)
    days = (on - dates.to_numpy(dtype="datetime64[D]")).astype(np.float64)
    return np.asarray(np.where(dates.isna() | (days < 0), np.nan, days), dtype=np.float64)


# --- What falls due: the last day on which each dated record is taken as it is


class DueRecord(NamedTuple):
    """A dated record, and the last day on which the rules take it as it is.

    Attributes
    ----------
    what : str
        `survey`, `test` or `leased_route`.
    about : str
        What the record describes: `duct`, `loss of cable`, `leased link`.
    stage : str or None
        Of a test: `drum`, `installed`, `end-to-end`; None where it states none.
    day, due : date
    rule : str
        The key of the rule that limits its age.
    gap : Gap
        The gap that it is once that day is past, where `counts`.
    counts : bool
        Whether it becomes a gap; else it is only marked as old.
    """

    what: Aged
    about: str
    stage: str | None
    day: datetime.date
    due: datetime.date
    rule: str
    gap: Gap
    counts: bool


def records_due(study: Study, within_days: int) -> list[DueRecord]:
    """Find the records that grow older within some days than the rules allow.

    Surveys, statements on leased routes and tests go by `[records] oldest`, past which they are
    gaps. Tests on the drum, which are never gaps, and all tests where that rule sets nothing for
    them, go by `[tests] most_years`, past which they are marked as old.

    Parameters
    ----------
    study : Study
    within_days : int
        Counted from the day of judgement.

    Returns
    -------
    list of DueRecord
        The earliest first, those that are too old already among them. Records without a date are
        not here: they are gaps where their age is limited.
    """
    oldest = study.rules.records.oldest
    found: list[DueRecord] = []
    parts = _dated(study, only_limited=True)
    for what, those in parts.items():
        limit: float = getattr(oldest, what)
        for part in those:
            found += _due(study, what, part, limit, f"records.oldest.{what}", within_days)
    listed = [*_tests(study, drum=True), *(() if "test" in parts else _tests(study))]
    years = study.rules.tests.most_years * DAYS_PER_YEAR
    for part in listed:
        found += _due(study, "test", part, years, "tests.most_years", within_days)
    return sorted(found, key=lambda one: one.due)


def _due(
    study: Study, what: Aged, part: _Dated, limit: float, rule: str, within_days: int
) -> Iterator[DueRecord]:
    days = part.days(study)
    last = math.floor(limit)
    chosen = np.flatnonzero(last - days <= within_days)  # NaN is no number to compare
    rows = part.rows[chosen]
    stages = part.table["stage"].to_numpy()[rows] if what == "test" else [None] * len(rows)
    for one, place, stage in zip(
        chosen.tolist(), places_of(study, part.table, rows), stages, strict=True
    ):
        name, about = str(part.ids[one]), str(part.about[one])
        day = study.on - datetime.timedelta(days=int(days[one]))
        gap = Gap(
            part.code,
            f"{about} {name}: {_OLD[what]} {day.isoformat()}: {_DO[what]}",
            name,
            assets=() if part.of_link else (name,),
            links=(name,) if part.of_link else (),
            only=part.only,
            column=part.column,
            **place,
        )
        yield DueRecord(
            what,
            about,
            stage if isinstance(stage, str) else None,
            day,
            day + datetime.timedelta(days=last),
            rule,
            gap,
            rule != "tests.most_years",
        )
