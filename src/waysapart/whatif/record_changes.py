"""Which records differ between two proofs: row by row, cell by cell, with the place of each.

Both sides are the `records` of evidence, so that a proof signed years ago serves as well as a
study. A row is the same row where its key is the same, else where it stands in the same place and
most of its cells agree: an id that was corrected is a changed cell, not a row gone and a row new.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Hashable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Literal, TypedDict

import numpy as np
import shapely
from pyproj import CRS, Transformer
from pyproj.exceptions import ProjError

from waysapart.evidence import Cell
from waysapart.formulas.length import about_place_m
from waysapart.schema import ROLES
from waysapart.study.plane import GEOD

SAME_DEG = 2e-7
"""Geometry of layers in different grids is the same where its vertices lie within this: 2 cm, what
is lost by rounding."""
GEOMETRY = "geometry"
_LONGEST_KEYS: Mapping[str, tuple[tuple[str, ...], ...]] = {
    "splices": (("joint", "a_cable", "a_fibre", "b_cable", "b_fibre"),),
    "terminations": (("cable", "fibre", "side"), ("equipment", "port")),
    "measurements": (
        ("cable", "link", "fibre", "wavelength_nm", "stage", "direction", "joint", "at_m", "date"),
        ("cable", "link", "fibre", "wavelength_nm", "stage", "direction", "joint", "at_m"),
    ),
    "patches": (("id",),),
}
"""What makes a row of these the same row, the strictest first."""


class CellDifference(TypedDict):
    """A cell that differs; null: blank, or there is no such row.

    `named` is what the file calls the column, where that is not our name; `moved_m` how far
    geometry moved at most.
    """

    column: str
    named: str | None
    before: Cell
    after: Cell
    moved_m: float | None


class RecordDifference(TypedDict):
    """A record that differs, with where it stands now (of one removed: where it stood).

    `circuits` and `groups` rest on it, before or after; `explains` are those of them that differ
    and that it may be a cause of.
    """

    role: str
    id: str
    change: Literal["changed", "added", "removed"]
    file: str | None
    layer: str | None
    row: int | None
    row_before: int | None
    cells: list[CellDifference]
    circuits: list[str]
    groups: list[str]
    explains: list[str]


@dataclass(frozen=True)
class Row:
    """A record of evidence.

    Attributes
    ----------
    role : str
    cells : mapping of str to cell
        Those that are not blank, by our name of the column.
    file, layer, number
        Where it stands.
    crs : str or None
        Of its geometry; None: longitude and latitude.
    named : mapping of str to str
        What its layer calls columns, where that is not our name.
    """

    role: str
    cells: Mapping[str, Cell]
    file: str | None
    layer: str | None
    number: int | None
    crs: str | None
    named: Mapping[str, str]

    def key(self, names: tuple[str, ...]) -> tuple[Hashable, ...]:
        """What it holds in some columns."""
        return tuple(self.cells.get(name) for name in names)


@dataclass(frozen=True)
class RowChange:
    """A row of both sides that differs, or of one alone.

    Attributes
    ----------
    before, after : Row or None
    columns : tuple of str
        Those that differ.
    """

    before: Row | None
    after: Row | None
    columns: tuple[str, ...] = field(default=())

    @property
    def now(self) -> Row:
        """The row as it is, else as it was."""
        found = self.after or self.before
        assert found is not None
        return found

    def sides(self) -> Iterator[Row]:
        """The row before and after, as far as it is there."""
        yield from (one for one in (self.before, self.after) if one is not None)


def rows_of(facts: Mapping[str, Any]) -> dict[str, list[Row]] | None:
    """The records in evidence by role, or None where it holds none.

    Parameters
    ----------
    facts : Evidence

    Returns
    -------
    dict of str to list of Row, or None
    """
    told = facts.get("records")
    if told is None:
        return None
    layers = facts.get("layers", [])
    found: dict[str, list[Row]] = {}
    for table in told["tables"]:
        if table["role"] not in ROLES:
            continue  # of a later release
        at = table["layer"]
        of = layers[at] if at < len(layers) else {}
        columns = table["columns"]
        for number, cells in zip(table["at"], table["rows"], strict=True):
            found.setdefault(table["role"], []).append(
                Row(
                    table["role"],
                    {
                        name: cell
                        for name, cell in zip(columns, cells, strict=True)
                        if cell is not None
                    },
                    of.get("file"),
                    of.get("layer"),
                    number,
                    table["crs"],
                    table["named"],
                )
            )
    return found


def changed_rows(
    before: Mapping[str, list[Row]], after: Mapping[str, list[Row]]
) -> list[RowChange]:
    """The rows that differ, in the order of the roles, changed ones first.

    Parameters
    ----------
    before, after : mapping of str to list of Row
        From `rows_of`.

    Returns
    -------
    list of RowChange
    """
    found: list[RowChange] = []
    for role in ROLES:
        found += _of_role(role, before.get(role, []), after.get(role, []))
    return found


def _of_role(role: str, before: list[Row], after: list[Row]) -> list[RowChange]:
    old, new = _without_equal(before, after)
    pairs: list[tuple[Row, Row]] = []
    keys = _LONGEST_KEYS.get(role) or (ROLES[role].key or ("id",),)
    for names in keys:
        old, new, mine = _paired(old, new, lambda row, names=names: row.key(names))  # type: ignore[misc]
        pairs += mine
    old, new, mine = _paired(old, new, lambda row: (row.file, row.layer, row.number), _alike)
    pairs += mine
    found = []
    for one, other in pairs:
        columns = tuple(name for name in _columns(role) if _differs(one, other, name))
        if columns:
            found.append(RowChange(one, other, columns))
    found += [RowChange(None, row, tuple(row.cells)) for row in new]
    found += [RowChange(row, None, tuple(row.cells)) for row in old]
    return found


def _columns(role: str) -> Iterator[str]:
    yield from ROLES[role].column
    if ROLES[role].geometry:
        yield GEOMETRY


def _without_equal(before: list[Row], after: list[Row]) -> tuple[list[Row], list[Row]]:
    """The rows of each side that have no equal on the other."""

    def told(row: Row) -> Hashable:
        return (row.crs if GEOMETRY in row.cells else None, tuple(row.cells.items()))

    left = Counter(told(row) for row in before)
    new = []
    for row in after:
        if left[told(row)]:
            left[told(row)] -= 1
        else:
            new.append(row)
    old = []
    for row in reversed(before):
        if left[told(row)]:
            left[told(row)] -= 1
            old.append(row)
    return old[::-1], new


def _paired(
    old: list[Row],
    new: list[Row],
    key: Callable[[Row], Hashable],
    fits: Callable[[Row, Row], bool] = lambda one, other: True,
) -> tuple[list[Row], list[Row], list[tuple[Row, Row]]]:
    """What is left of both sides, and the pairs of rows of one key, each row once."""
    waiting: dict[Hashable, list[Row]] = defaultdict(list)
    for row in old:
        waiting[key(row)].append(row)
    pairs, left = [], []
    taken: set[int] = set()
    for row in new:
        mine = waiting.get(key(row), [])
        partner = next((one for one in mine if id(one) not in taken and fits(one, row)), None)
        if partner is None:
            left.append(row)
        else:
            taken.add(id(partner))
            pairs.append((partner, row))
    return [row for row in old if id(row) not in taken], left, pairs


def _alike(one: Row, other: Row) -> bool:
    """Whether two rows in one place are one row: all but one or two cells, or half of them."""
    names = {*one.cells, *other.cells}
    differing = sum(one.cells.get(name) != other.cells.get(name) for name in names)
    return differing <= max(1, len(names) // 2)


def _differs(one: Row, other: Row, name: str) -> bool:
    was, now = one.cells.get(name), other.cells.get(name)
    if name != GEOMETRY:
        return was != now
    if was is None or now is None:
        return was is not now
    if one.crs == other.crs:
        return was != now
    shapes = lonlat(one), lonlat(other)
    return not bool(shapely.equals_exact(*shapes, tolerance=SAME_DEG))


# --- What a row is called, and what of it differs.


def name_of(row: Row) -> str:
    """What a record is called: its id, or what it is a step or a fibre of.

    Parameters
    ----------
    row : Row

    Returns
    -------
    str

    Examples
    --------
    >>> name_of(Row("cable_runs", {"cable": "C1", "seq": 3}, None, None, None, None, {}))
    'C1 seq 3'
    """
    cells = row.cells
    if "id" in ROLES[row.role].column:
        return str(cells.get("id", "without an id"))
    if row.role == "splices":
        ends = (f"{cells.get(f'{end}_cable')}/{cells.get(f'{end}_fibre')}" for end in "ab")
        return f"{cells.get('joint')}: {' to '.join(ends)}"
    if row.role == "terminations":
        fibre = f"{cells.get('cable')}/{cells.get('fibre')}"
        return f"{fibre} on {cells.get('equipment')} port {cells.get('port')}"
    if row.role == "measurements":
        fibre = f"/{cells['fibre']}" if "fibre" in cells else ""
        said = (str(cells[name]) for name in ("stage", "direction") if name in cells)
        return " ".join([f"{cells.get('cable') or cells.get('link')}{fibre}", *said])
    *owner, _ = ROLES[row.role].key
    named = [str(cells[name]) for name in owner if name in cells]
    return " ".join([*named, *([f"seq {cells['seq']}"] if "seq" in cells else [])])


def cells_of(change: RowChange) -> list[CellDifference]:
    """The cells of a row that differ.

    Parameters
    ----------
    change : RowChange

    Returns
    -------
    list of CellDifference
        In the order of the role's columns.
    """
    before = change.before.cells if change.before else {}
    after = change.after.cells if change.after else {}
    return [
        {
            "column": name,
            "named": change.now.named.get(name),
            "before": before.get(name),
            "after": after.get(name),
            "moved_m": _moved_m(change) if name == GEOMETRY else None,
        }
        for name in change.columns
    ]


def _moved_m(change: RowChange) -> float | None:
    """How far geometry moved at most, in metres; None where it came or went."""
    if change.before is None or change.after is None:
        return None
    one, other = lonlat(change.before), lonlat(change.after)
    if one is None or other is None:
        return None
    was, now = shapely.get_coordinates(one), shapely.get_coordinates(other)
    if len(was) == len(now) and one.geom_type == other.geom_type:
        _, _, metres = GEOD.inv(was[:, 0], was[:, 1], now[:, 0], now[:, 1])
        return round(float(np.max(metres)), 2)
    lon, lat = was[0]
    flat = [
        shapely.transform(shape, lambda at: about_place_m(at, lon, lat)) for shape in (one, other)
    ]
    return round(float(shapely.hausdorff_distance(*flat)), 2)


def lonlat(row: Row) -> Any:
    """The geometry of a row in longitude and latitude; None where it has none.

    Parameters
    ----------
    row : Row

    Returns
    -------
    geometry or None
    """
    text = row.cells.get(GEOMETRY)
    if not isinstance(text, str):
        return None
    with np.errstate(all="ignore"):
        shape = shapely.from_wkt(text, on_invalid="ignore")
    if shape is None or shape.is_empty or not np.isfinite(shapely.get_coordinates(shape)).all():
        return None  # of evidence that somebody altered
    if row.crs is None:
        return shape
    turn = _to_degrees(row.crs)
    if turn is None:
        return None
    return shapely.transform(shape, lambda at: np.column_stack(turn.transform(*at.T)))


@cache
def _to_degrees(crs: str) -> Transformer | None:
    """The way from a grid that evidence names; None where PROJ knows none."""
    try:
        return Transformer.from_crs(CRS.from_user_input(crs), 4326, always_xy=True)
    except ProjError:
        return None
