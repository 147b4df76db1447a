"""A table of works: what each puts out of service, when, and what it restores."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from waysapart.arrays import Ints
from waysapart.errors import Problem, StudyError
from waysapart.schema import LIST_SEPARATOR
from waysapart.study.crs import LON_LAT
from waysapart.study.ledger import did_you_mean, shown
from waysapart.study.sources import LayerSpec, SourceError, read_source
from waysapart.whatif.area import Area, read_area
from waysapart.whatif.base import Base
from waysapart.whatif.dig import reached

if TYPE_CHECKING:
    import geopandas as gpd

COLUMNS = {
    "id": "unique id of the work",
    "from": "first day, such as 2026-05-04",
    "to": "last day",
    "assets": "ids of the assets that it takes, `;` between",
    "geometry": "where it digs: points, lines or areas (or `lon` and `lat`)",
    "reach_m": "how far it reaches beyond the geometry, m",
    "restores": "ids out of service now that work again once it is done, `;` between",
    "after": "ids of works that must be done before, `;` between",
}
"""Columns of a table of works. `assets` or `geometry` is needed; so are id, from and to."""


@dataclass(frozen=True)
class Work:
    """One work.

    Attributes
    ----------
    id : str
    first, last : int
        Days, counted from 1970-01-01; the last one belongs to the work.
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
    """

    id: str
    first: int
    last: int
    hit: Ints
    restores: Ints
    after: tuple[int, ...]
    area: Area | None = None
    reach_m: float = 0.0

    @property
    def days(self) -> int:
        """How many days it takes."""
        return self.last - self.first + 1


def day_text(day: int) -> str:
    """A day as its date.

    Parameters
    ----------
    day : int
        Days since 1970-01-01.

    Returns
    -------
    str

    Examples
    --------
    >>> day_text(20000)
    '2024-10-04'
    """
    return str(np.datetime64(day, "D"))


def read_works(
    base: Base, source: pd.DataFrame | gpd.GeoDataFrame | Path | str, accuracy_m: float | None
) -> list[Work]:
    """Read a table of works and find what each takes out of service and restores.

    Parameters
    ----------
    base : Base
    source : DataFrame, GeoDataFrame or path
        Columns as in `COLUMNS`; any vector file, or CSV with `geometry` as
        well-known text in WGS 84.
    accuracy_m : float or None
        How well everything is surveyed, in metres; None: as recorded, else by the rules.

    Returns
    -------
    list of Work
        In the order of the table.

    Raises
    ------
    StudyError
        With every fault of every row.
    """
    table, name = _table(source)
    problems: list[Problem] = []
    if not len(table):
        raise StudyError([Problem("the table of works has no row", file=name)])
    missing = [column for column in ("id", "from", "to") if column not in table]
    if missing or not {"assets", "geometry"} & set(table):
        told = ", ".join(missing) or "assets or geometry"
        raise StudyError([Problem(f"the table of works needs {told}", file=name)])
    checks = _Checks(name, problems)
    ids = [_text(value) for value in table["id"]]
    for row, one in enumerate(ids):
        if not one:
            checks.tell(row, "id", None, "the id is blank")
        elif one in ids[:row]:
            checks.tell(row, "id", one, "another work has this id as well")
    days = _days(table, ids, checks)
    taken = _named(base, table, "assets", ids, checks)
    restored = _named(base, table, "restores", ids, checks)
    out = set(base.network.assets.numbers(base.study.out).tolist())
    for row, numbers in enumerate(restored):
        for number in numbers:
            if number not in out:
                asset = base.network.assets.ids([number])[0]
                checks.tell(row, "restores", ids[row], f"{asset} is not out of service now")
    after = _after(table, ids, checks)
    areas = _add_drawn(base, table, ids, taken, checks, accuracy_m)
    if problems:
        raise StudyError(problems)
    return [
        Work(
            one,
            first,
            last,
            np.array(sorted(taken[row]), dtype=np.int64),
            np.array(sorted(restored[row]), dtype=np.int64),
            after[row],
            *areas.get(row, (None, 0.0)),
        )
        for row, (one, (first, last)) in enumerate(zip(ids, days, strict=True))
    ]


class _Checks:
    """Where faults of rows are written down."""

    def __init__(self, name: str, problems: list[Problem]) -> None:
        self._name = name
        self.problems = problems

    def tell(self, row: int, column: str, one: str | None, message: str) -> None:
        self.problems.append(Problem(message, self._name, None, row + 1, column, one))


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
    if "geometry" not in table and {"lon", "lat"} <= set(table):
        lon, lat = (
            pd.to_numeric(table[axis], errors="coerce").to_numpy() for axis in ("lon", "lat")
        )
        known = np.isfinite(lon) & np.isfinite(lat)
        points = np.full(len(table), None, dtype=object)
        points[known] = shapely.points(lon[known], lat[known])
        table = table.assign(geometry=points)
    return table.assign(_crs=_each(raw.crs or LON_LAT, len(table))), path.name


def _each(crs: Any, rows: int) -> pd.Series[Any]:
    """One coordinate system for every row; a table of plain rows has none but WGS 84."""
    return pd.Series([crs] * rows, dtype=object)


def _text(value: Any) -> str:
    return "" if bool(pd.isna(value)) else str(value).strip()


def _parts(value: Any) -> list[str]:
    if isinstance(value, (list, tuple)):
        return [str(one) for one in value]
    return [one.strip() for one in _text(value).split(LIST_SEPARATOR) if one.strip()]


def _days(table: pd.DataFrame, ids: list[str], checks: _Checks) -> list[tuple[int, int]]:
    found = []
    for row, one in enumerate(ids):
        ends = []
        for column in ("from", "to"):
            value = table[column].iloc[row]
            day = pd.to_datetime(_text(value), format="ISO8601", errors="coerce")
            if pd.isna(day):
                checks.tell(
                    row, column, one, f"expected a date such as 2026-05-04; found {shown(value)}"
                )
                ends.append(0)
            else:
                ends.append(int(np.datetime64(day, "D").astype(np.int64)))
        if ends[1] < ends[0] and all(ends):
            checks.tell(row, "to", one, "ends before it begins")
        found.append((ends[0], ends[1]))
    return found


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
) -> dict[int, tuple[Area, float]]:
    """Add what each work's geometry reaches; where each row digs, and its reach."""
    import geopandas as gpd

    areas: dict[int, tuple[Area, float]] = {}

    shapes: list[Any] = (
        [
            shape if isinstance(shape, (str, shapely.Geometry)) else None
            for shape in table["geometry"]
        ]
        if "geometry" in table
        else [None] * len(ids)
    )
    drawn = [row for row, shape in enumerate(shapes) if shape is not None]
    for row, one in enumerate(ids):
        named = "assets" in table and bool(_parts(table["assets"].iloc[row]))
        if shapes[row] is None and not named:
            checks.tell(row, "assets", one, "takes nothing: name assets or draw a geometry")
    for row in drawn:
        reach = table["reach_m"].iloc[row] if "reach_m" in table else 0.0
        metres = float(pd.to_numeric(reach, errors="coerce")) if _text(reach) else 0.0
        if not metres >= 0:
            checks.tell(
                row, "reach_m", ids[row], f"expected 0 m or more; found {shown(_text(reach))}"
            )
            continue
        try:
            shape = shapes[row]
            geometry = shapely.from_wkt(shape) if isinstance(shape, str) else shape
            one = gpd.GeoDataFrame(
                {"id": [ids[row]]}, geometry=[geometry], crs=table["_crs"].iloc[row]
            )
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
