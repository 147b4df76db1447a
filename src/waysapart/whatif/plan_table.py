"""A table of works: what each puts out of service, when, and what it restores."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from waysapart.arrays import Ints
from waysapart.errors import Problem, StudyError
from waysapart.schema import FIRST_YEAR, LAST_YEAR, LIST_SEPARATOR, PLAN
from waysapart.study.crs import LON_LAT
from waysapart.study.ledger import did_you_mean, near_matches, shown
from waysapart.study.sources import LayerSpec, SourceError, read_source
from waysapart.whatif.area import (
    ALSO_CALLED,
    HIDDEN,
    PLACES,
    Area,
    own_reach,
    read_area,
    unread_columns,
)
from waysapart.whatif.base import Base
from waysapart.whatif.dig import reached

if TYPE_CHECKING:
    import geopandas as gpd

DAY = 86_400
"""Seconds of a day."""
_SAID = ("name", "place", "contractor", "contact", "phone")
"""Columns that are shown and decide nothing, in the order of `Work`."""
_ISO = re.compile(r"\d{4}-\d\d-\d\d(?:[T ]\d\d:\d\d(?::\d\d(?:\.\d+)?)?(?P<offset>Z|[+-][\d:]+)?)?")


@dataclass(frozen=True)
class Work:
    """One work.

    Attributes
    ----------
    id : str
    start, end : int
        Seconds since 1970-01-01 in local time; the work lasts up to `end`, without it.
    hit : ndarray of int
        Asset numbers that it puts out of service while it lasts.
    restores : ndarray of int
        Asset numbers that are out of service until it is done.
    after : tuple of int
        Places in the table of works that must be done before.
    area : Area or None
        Where it digs, as far as that is drawn.
    reach_m : float
        How far it reaches beyond that.
    name, place, contractor, contact, phone : str
        As the table has them; empty where it does not.
    """

    id: str
    start: int
    end: int
    hit: Ints
    restores: Ints
    after: tuple[int, ...]
    area: Area | None = None
    reach_m: float = 0.0
    name: str = ""
    place: str = ""
    contractor: str = ""
    contact: str = ""
    phone: str = ""

    @property
    def first(self) -> int:
        """Its first day, counted from 1970-01-01."""
        return self.start // DAY

    @property
    def last(self) -> int:
        """Its last day, which belongs to the work."""
        return (self.end - 1) // DAY


@dataclass(frozen=True)
class WorksTable:
    """A table of works as read.

    Attributes
    ----------
    works : list of Work
        In the order of the table.
    notes : tuple of str
        What was noticed and is no fault, such as columns that nothing reads.
    """

    works: list[Work]
    notes: tuple[str, ...]


def start_text(second: int) -> str:
    """When something begins: a date at the beginning of a day, else a date and a time.

    Parameters
    ----------
    second : int
        Seconds since 1970-01-01, local time.

    Returns
    -------
    str

    Examples
    --------
    >>> start_text(1_777_852_800), start_text(1_777_881_600)
    ('2026-05-04', '2026-05-04T08:00')
    """
    if second % DAY == 0:
        return str(np.datetime64(second // DAY, "D"))
    minute = np.datetime64(second // 60, "m")
    return str(np.datetime64(second, "s") if second % 60 else minute)


def end_text(second: int) -> str:
    """When something ends: the last day where it ends with that day, else a date and a time.

    Parameters
    ----------
    second : int
        Seconds since 1970-01-01, local time: the first that no longer belongs to it.

    Returns
    -------
    str

    Examples
    --------
    >>> end_text(1_777_939_200), end_text(1_777_881_600)
    ('2026-05-04', '2026-05-04T08:00')
    """
    return start_text(second - DAY) if second % DAY == 0 else start_text(second)


def read_works(
    base: Base,
    source: pd.DataFrame | gpd.GeoDataFrame | Path | str,
    accuracy_m: float | None,
    reach_m: float = 0.0,
) -> WorksTable:
    """Read a table of works and find what each takes out of service and restores.

    Parameters
    ----------
    base : Base
    source : DataFrame, GeoDataFrame or path
        Columns as in `schema.PLAN`; any vector file, or CSV with `geometry` as
        well-known text in WGS 84.
    accuracy_m : float or None
        How well everything is surveyed, in metres; None: as recorded, else by the rules.
    reach_m : float
        How far each work reaches at least beyond its geometry, in metres.

    Returns
    -------
    WorksTable

    Raises
    ------
    StudyError
        With every fault of every row.
    """
    table, name = _table(source)
    if not len(table):
        raise StudyError([Problem("the table of works has no row", file=name)])
    checks = _Checks(name, table, [])
    read = [*PLAN.column, *PLACES]
    _needed(table, name, checks.problems)
    ids = [_text(value) for value in table["id"]] if "id" in table else [""] * len(table)
    for row, one in enumerate(ids if "id" in table else ()):
        if not one:
            checks.tell(row, "id", None, "the id is blank")
        elif one in ids[:row]:
            checks.tell(row, "id", one, "another work has this id as well")
    times = _times(table, ids, checks)
    taken = _named(base, table, "assets", ids, checks)
    restored = _named(base, table, "restores", ids, checks)
    out = set(base.network.assets.numbers(base.study.out).tolist())
    for row, numbers in enumerate(restored):
        for number in numbers:
            if number not in out:
                asset = base.network.assets.ids([number])[0]
                checks.tell(row, "restores", ids[row], f"{asset} is not out of service now")
    after = _after(table, ids, checks)
    areas = _add_drawn(base, table, ids, taken, checks, accuracy_m, reach_m)
    if checks.problems:
        raise StudyError(checks.problems)
    works = [
        Work(
            one,
            start,
            end,
            np.array(sorted(taken[row]), dtype=np.int64),
            np.array(sorted(restored[row]), dtype=np.int64),
            after[row],
            *areas.get(row, (None, 0.0)),
            *(_text(table[name].iloc[row]) if name in table else "" for name in _SAID),
        )
        for row, (one, (start, end)) in enumerate(zip(ids, times, strict=True))
    ]
    notes = unread_columns(table.columns, read, "a plan of works")
    drawn = (note for area, _ in areas.values() for note in area.notes)
    return WorksTable(works, tuple(dict.fromkeys([*notes, *drawn])))


def _needed(table: pd.DataFrame, name: str, problems: list[Problem]) -> None:
    """Tell every column that a plan cannot do without, and which other one may stand for it."""
    there = [str(one) for one in table.columns if one not in HIDDEN]
    others = [one for one in there if one not in PLAN.column and one not in PLACES]
    missing = [column for column in ("id", "from", "to") if column not in there]
    if not {"assets", "geometry", *PLACES} & set(there):
        missing.append("assets or geometry")
    if not missing:
        return
    meant = []
    for column in missing:
        near = [one for one in others if ALSO_CALLED.get(one.casefold()) == column]
        near = near or near_matches(column.split()[0], others)
        if near:
            meant.append(f"rename {shown(near[0])} to {column.split()[0]!r}")
    hint = f"; {', '.join(meant)}" if meant else ""
    problems.append(Problem(f"the table of works needs {', '.join(missing)}{hint}", file=name))


class _Checks:
    """Where faults of rows are written down."""

    def __init__(self, name: str, table: pd.DataFrame, problems: list[Problem]) -> None:
        self._name = name
        self._rows = table["_row"].tolist() if "_row" in table else range(1, len(table) + 1)
        self.problems = problems

    def tell(self, row: int, column: str, one: str | None, message: str) -> None:
        self.problems.append(
            Problem(message, self._name, None, int(self._rows[row]), column, one or None)
        )


def _table(source: pd.DataFrame | Path | str) -> tuple[pd.DataFrame, str]:
    if not isinstance(source, (str, Path)):
        table = pd.DataFrame(source).reset_index(drop=True)
        crs = getattr(source, "crs", None) if "geometry" in table else None
        return table.assign(_crs=_each(crs, len(table))), "the works"
    path = Path(source)
    if not path.exists():
        raise StudyError([Problem("there is no such file", file=path.name)])
    try:
        raw = read_source(LayerSpec("works", path.name, path.parent, path.name))
    except SourceError as fault:
        raise StudyError(fault.problems) from fault
    table = raw.frame.reset_index(drop=True)
    return _with_points(table).assign(_crs=_each(raw.crs or LON_LAT, len(table))), path.name


def _with_points(table: pd.DataFrame) -> pd.DataFrame:
    """The points of `lon` and `lat`, where a row has no geometry."""
    if not {"lon", "lat"} <= set(table):
        return table
    lon, lat = (pd.to_numeric(table[axis], errors="coerce").to_numpy() for axis in ("lon", "lat"))
    shapes = np.full(len(table), None, dtype=object)
    if "geometry" in table:
        shapes[:] = table["geometry"].to_list()
    blank = np.array([not (isinstance(one, shapely.Geometry) or _text(one)) for one in shapes])
    known = blank & np.isfinite(lon) & np.isfinite(lat)
    shapes[known] = shapely.points(lon[known], lat[known])
    return table.assign(geometry=shapes)


def _each(crs: Any, rows: int) -> pd.Series[Any]:
    """One coordinate system for every row; a table of plain rows has none but WGS 84."""
    return pd.Series([crs] * rows, dtype=object)


def _text(value: Any) -> str:
    return "" if bool(pd.isna(value)) else str(value).strip()


def _parts(value: Any) -> list[str]:
    if isinstance(value, (list, tuple)):
        return [str(one) for one in value]
    return [one.strip() for one in _text(value).split(LIST_SEPARATOR) if one.strip()]


def _times(table: pd.DataFrame, ids: list[str], checks: _Checks) -> list[tuple[int, int]]:
    """When each work begins and ends, in seconds; the end no longer belongs to it."""
    found = []
    for row, one in enumerate(ids):
        ends: list[int | None] = []
        for column in ("from", "to"):
            if column not in table:
                ends.append(None)
                continue
            second, fault = _moment(table[column].iloc[row])
            if fault:
                checks.tell(row, column, one, fault)
            elif second is not None and column == "to" and second % DAY == 0:
                second += DAY
            ends.append(second)
        start, end = ends
        if start is not None and end is not None and end <= start:
            checks.tell(row, "to", one, "ends before it begins")
        found.append((start or 0, end or 0))
    return found


_EXPECTED = "expected a date such as 2026-05-04, or a local time such as 2026-05-04T08:00"


def _moment(value: Any) -> tuple[int | None, str]:
    """Seconds since 1970-01-01, local time; or what is wrong with it."""
    text = value.isoformat() if isinstance(value, (date, datetime)) else _text(value)
    if not text or pd.isna(value):
        return None, f"the date is blank; {_EXPECTED}"
    written = _ISO.fullmatch(text.replace("/", "-"))
    moment = pd.to_datetime(written[0] if written else "", format="ISO8601", errors="coerce")
    if written is None or pd.isna(moment):
        return None, f"{_EXPECTED}; found {shown(text)}"
    if written["offset"]:
        return None, (
            f"states an offset from universal time, {shown(text)}; every time of a plan is local: "
            "leave the offset out"
        )
    if not FIRST_YEAR <= moment.year <= LAST_YEAR:
        return None, f"{_EXPECTED}; found {shown(text)}, which is out of range"
    return int(np.datetime64(moment, "s").astype(np.int64)), ""


def _named(
    base: Base, table: pd.DataFrame, column: str, ids: list[str], checks: _Checks
) -> list[set[int]]:
    """Asset numbers that a list column names."""
    found: list[set[int]] = []
    known = base.network.assets.frame["id"] if column in table else ()
    for row, one in enumerate(ids):
        names = _parts(table[column].iloc[row]) if column in table else []
        numbers = base.network.assets.numbers(names).tolist() if names else []
        for name, number in zip(names, numbers, strict=True):
            if number < 0:
                text = f"no asset has the id {name!r}{did_you_mean(name, known)}"
                checks.tell(row, column, one, text)
        found.append({number for number in numbers if number >= 0})
    return found


def _after(table: pd.DataFrame, ids: list[str], checks: _Checks) -> list[tuple[int, ...]]:
    found: list[tuple[int, ...]] = []
    for row, one in enumerate(ids):
        names = _parts(table["after"].iloc[row]) if "after" in table else []
        for name in names:
            if name not in ids:
                checks.tell(row, "after", one, f"no work has the id {name!r}")
        found.append(tuple(ids.index(name) for name in names if name in ids))
    circle = _circle(found)
    if circle:
        trail = " after ".join(ids[row] for row in circle)
        checks.tell(circle[0], "after", ids[circle[0]], f"waits for itself: {trail}")
    return found


def _circle(after: list[tuple[int, ...]]) -> list[int]:
    """Works that wait for each other in a circle; empty where there is none."""
    done: set[int] = set()
    for start in range(len(after)):
        trail: list[int] = []
        waiting: list[tuple[int, int]] = [(start, 0)]
        while waiting:
            at, place = waiting.pop()
            if place == 0:
                if at in trail:
                    return [*trail[trail.index(at) :], at]
                if at in done:
                    continue
                trail.append(at)
            if place < len(after[at]):
                waiting.append((at, place + 1))
                waiting.append((after[at][place], 0))
            else:
                done.add(at)
                trail.remove(at)
    return []


def _add_drawn(
    base: Base,
    table: pd.DataFrame,
    ids: list[str],
    taken: list[set[int]],
    checks: _Checks,
    accuracy_m: float | None,
    reach_m: float,
) -> dict[int, tuple[Area, float]]:
    """Add what each work's geometry reaches; where each row digs, and its reach."""
    import geopandas as gpd

    areas: dict[int, tuple[Area, float]] = {}

    shapes: list[Any] = (
        [
            shape
            if isinstance(shape, shapely.Geometry) or (isinstance(shape, str) and shape.strip())
            else None
            for shape in table["geometry"]
        ]
        if "geometry" in table
        else [None] * len(ids)
    )
    drawn = [row for row, shape in enumerate(shapes) if shape is not None]
    for row, one in enumerate(ids):
        named = "assets" in table and bool(_parts(table["assets"].iloc[row]))
        stated = [axis for axis in ("lon", "lat") if axis in table and _text(table[axis].iloc[row])]
        if shapes[row] is None and stated:
            checks.tell(row, stated[0], one, "expected a longitude and a latitude, in degrees")
        elif shapes[row] is None and not named:
            checks.tell(row, "assets", one, "hits nothing: name assets or draw a geometry")
    own, faults = own_reach(table)
    for row, fault in faults.items():
        checks.tell(row, "reach_m", ids[row], fault)
    for row in drawn:
        metres = max(float(own[row]), reach_m)
        try:
            shape = shapes[row]
            geometry = shapely.from_wkt(shape) if isinstance(shape, str) else shape
            one = gpd.GeoDataFrame(geometry=[geometry], crs=table["_crs"].iloc[row])
            area = read_area(base.study, one)
        except shapely.errors.GEOSException:
            checks.tell(row, "geometry", ids[row], "is no well-known text")
            continue
        except StudyError as error:
            for problem in error.problems:
                checks.tell(row, "geometry", ids[row], problem.message)
            continue
        areas[row] = (area, metres)
        taken[row] |= set(reached(base, area, np.array([metres]), accuracy_m).number.tolist())
    return areas
