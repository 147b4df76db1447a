"""What cells and rows say, and what becomes of those that are faulty or cannot both be true.

A cell that cannot be read counts as blank; of rows with one id each gets an id of its own; what
refers to nothing is cut. Each such fault is a gap of what its row touches. The columns are those
of the contract's table (`waysapart.schema`), which holds no code.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator
from datetime import UTC, date, datetime
from itertools import count, islice, pairwise
from math import floor, inf, isfinite, isnan
from typing import Any, NamedTuple, TypeVar

import numpy as np
import shapely
from pyproj import Proj

from waysapart.gaps import GAP_CODES, Limit
from waysapart.schema import ASSET_ROLES, FIRST_YEAR, LAST_YEAR, MAY_BE_NONE, OWNERS, ROLES, Column

K = TypeVar("K")
V = TypeVar("V")


def grouped(pairs: Iterable[tuple[K, V]]) -> dict[K, list[V]]:
    """Values by key, each list in the order of the pairs.

    Parameters
    ----------
    pairs : iterable of (key, value)

    Returns
    -------
    dict of key to list

    Examples
    --------
    >>> grouped([("C-1", 1), ("C-2", 2), ("C-1", 3)])
    {'C-1': [1, 3], 'C-2': [2]}
    """
    found: dict[K, list[V]] = {}
    for key, value in pairs:
        found.setdefault(key, []).append(value)
    return found


def reached(start: Iterable[K], onward: Callable[[K], Iterable[K]]) -> set[K]:
    """Everything that steps lead to from some things, themselves included.

    Parameters
    ----------
    start : iterable
    onward : callable
        What one step leads to from a thing.

    Returns
    -------
    set
    """
    found = set(start)
    waiting = list(found)
    while waiting:
        fresh = set(onward(waiting.pop())) - found
        found |= fresh
        waiting += fresh
    return found


KINDS = {
    "structures": {"tower", "gantry", "pole", "pit", "entry", "bridge"},
    "segments": {
        *("span", "duct", "subduct", "trench", "tray", "riser", "buried", "tunnel", "bridge"),
        "subsea",
    },
    "cables": {"opgw", "wrapped", "adss", "duct", "buried", "subsea"},
    "equipment": {"relay", "multiplexer", "repeater", "panel", "radio"},
    "supplies": {"battery", "rectifier"},
    "holders": {"room", "chassis", "rack", "charger", "right-of-way"},
}
"""Kinds that count whether written in capitals or not."""
SIZE = {
    **{"m": 1, "km": 1e3, "cm": 0.01, "mm": 1e-3, "um": 1e-6, "nm": 1e-9, "nmi": 1852.0},
    **{"ft": 0.3048, "us-ft": 1200 / 3937, "in": 0.0254, "yd": 0.9144, "mi": 1609.344},
    **{"us": 1e-6, "ns": 1e-9, "ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0},
    **{"%": 0.01, "fraction": 1.0, "permille": 1e-3, "MHz": 1e6, "kHz": 1e3, "GHz": 1e9},
    **{"dB/km": 1.0, "dB/m": 1e3, "dB/mi": 1 / 1.609344, "dB/kft": 1 / 0.3048},
    **{"1/a": 1.0, "1/h": 8760.0, "FIT": 8760e-9, "ps/nm": 1.0, "ns/nm": 1e3},
}
"""Units of one quantity in one of them."""
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_ENDLESS = re.compile(r"[+-]?inf(inity)?", re.IGNORECASE)
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]")
_WHERE = {"seq", "accuracy_m", "reach_m"}
"""Columns of numbers that say what a path relies on or where it runs; all others are figures."""
_DELAY: tuple[Limit, ...] = ("delay", "asymmetry")
_LOSS: tuple[Limit, ...] = ("loss",)
_LENGTH: tuple[Limit, ...] = ("delay", "asymmetry", "loss")
_FIGURES: tuple[tuple[str, tuple[Limit, ...]], ...] = (
    ("delay_us extra_delay_us", _DELAY),
    ("per_year repair_h autonomy_h", ("unavailability",)),
    ("length_m sag_m elevation_m overlength_pct slack_m wrap_pitch_m wrap_diameter_mm", _LENGTH),
    ("wavelength_nm", _LENGTH),
    ("loss_db db_per_km reserve_db connectors splices fibre_count bandwidth_mhz", _LOSS),
    ("tx_min_dbm tx_max_dbm rx_min_dbm rx_max_dbm dispersion_limit_ps_nm", _LOSS),
    ("recovery_ms", ("recovery",)),
    ("surveyed stated_on", ()),
)
"""The limits that rest on a figure; one that is not named bears on all of them."""
NO_ID = "row 0"
"""What a gap is about whose row has no id: the evidence says which row."""


class Gap(NamedTuple):
    """A record gap: its code, what it is about, and what it touches.

    `with_groups`: whether a gap of circuits touches their groups as well; `only`: the limits
    that it leaves open where they are fewer than those of its code.
    """

    code: str
    about: str
    assets: tuple[str, ...] = ()
    links: tuple[str, ...] = ()
    circuits: tuple[str, ...] = ()
    path: str | None = None
    with_groups: bool = False
    only: tuple[Limit, ...] | None = None

    @property
    def limits(self) -> tuple[Limit, ...]:
        """The limits whose figures it leaves open."""
        return GAP_CODES[self.code].limits if self.only is None else self.only


class Fault(NamedTuple):
    """A fault of a row: its code and column, and the limits that it leaves open, if fewer.

    `everything`: nobody can tell what it touches; `drop`: the row does not count; `also`:
    what it touches besides.
    """

    code: str
    column: str | None
    only: tuple[Limit, ...] | None = None
    everything: bool = False
    drop: bool = False
    also: tuple[str, ...] = ()


def unnumbered(name: str) -> str:
    """What a gap is about; `NO_ID` where that is a row without an id, whichever its number.

    Parameters
    ----------
    name : str

    Returns
    -------
    str
    """
    return NO_ID if re.fullmatch(r"row \d+", name) else name


# Cells


def text_of(value: object) -> str | None:
    """A cell as text: stripped, None where blank, whole numbers without a decimal point."""
    if isinstance(value, str):
        return value.strip() or None
    if value is None or (isinstance(value, float) and isnan(value)):
        return None
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    if isinstance(value, (list, tuple)):
        return ";".join(text_of(part) or "" for part in value) or None
    return str(value).strip() or None


def moment_of(said: object) -> datetime | None:
    """The date, and time, of a cell (ISO 8601).

    Parameters
    ----------
    said : object
        The cell.

    Returns
    -------
    datetime or None
        In UTC; None where the cell holds none.

    Examples
    --------
    >>> moment_of("2026-3-1")
    datetime.datetime(2026, 3, 1, 0, 0)
    """
    text = str(said or "").strip()
    match = re.fullmatch(r"(\d{4})(?:([-/. ])(\d{1,2})(?:\2(\d{1,2})([T ].*)?)?)?", text)
    if match:
        year, _, month, day, rest = match.groups()
        text = f"{year}-{(month or '1').zfill(2)}-{(day or '1').zfill(2)}{rest or ''}"
    elif not re.match(r"\d{8}(?!\d)", text):
        return None
    try:
        moment = datetime.fromisoformat(text)
        if not FIRST_YEAR <= moment.year <= LAST_YEAR:
            return None
        return moment if moment.tzinfo is None else moment.astimezone(UTC).replace(tzinfo=None)
    except (ValueError, OverflowError):
        return None


def day_of(said: object) -> date | None:
    """The day of a cell.

    Parameters
    ----------
    said : object
        The cell.

    Returns
    -------
    date or None
        None where the cell holds none; see `moment_of`.
    """
    moment = moment_of(said)
    return None if moment is None else moment.date()


def typed(role: str, raw: Row, layer: dict[str, Any]) -> Row:
    """The cells of a row by column: text, numbers in our units, lists.

    Parameters
    ----------
    role : str
    raw : dict
        Cells as read, by our name of the column.
    layer : dict
        The layer's table in study.toml: its units, prefix, and columns that refer to others.

    Returns
    -------
    dict
        None where a cell is blank or faulty; the faults stand in `_faults`.
    """
    prefix, refers = layer.get("prefix", ""), layer.get("refers", ())
    columns = ROLES[role].column
    found: Row = {name: text_of(one) for name, one in raw.items() if name and name not in columns}
    found.pop("geometry", None)
    faults: list[Fault] = []
    units = layer.get("units", {})
    for name, column in columns.items():
        cell, value = raw.get(name), None
        text = "" if cell is None else text_of(cell) or ""
        if column.type in ("list", "numbers") and not text.replace(";", "").strip():
            text = ""  # a list without items says nothing
        if text:
            value = _value(column, cell, text, units.get(name))
            if value is None:
                faults.append(_faulty(role, column))
        elif column.required and not column.may_be_blank:
            faults.append(_faulty(role, column, blank=True))
        if value is None:
            value = column.default
        elif prefix and (name == "id" or name in refers):
            value = [prefix + one for one in value] if isinstance(value, list) else prefix + value
        found[name] = value
    kind = found.get("kind")
    if kind and kind.lower() in KINDS.get(role, ()):
        found["kind"] = kind.lower()
    if ROLES[role].geometry:
        found["geometry"] = None
        _draw(role, raw, found, faults)
    found["_faults"] = faults
    return found


def _value(column: Column, cell: object, text: str, unit: str | None) -> Any:
    """The value of a cell by its text; None where its column cannot hold it."""
    if column.type in ("number", "count"):
        return None if isinstance(cell, bool) else _number(column, text, unit)
    if column.type == "date":
        return text if moment_of(text) is not None else None
    items = [item.strip() for item in text.split(";") if item.strip()]
    if column.type == "numbers":
        if not all(re.fullmatch(r"\d+", item, re.ASCII) and int(item) for item in items):
            return None
        return ";".join(str(int(item)) for item in items) or None
    if column.type == "list":
        if _CONTROL.search(text) or ("-" in items and len(items) > 1):
            return None
        if items == ["-"]:
            return [] if column.name in MAY_BE_NONE else None
        return items or None
    if column.name == "id" or column.refers:
        return None if _CONTROL.search(text) or ";" in text or text == "-" else text
    return text if not column.choices or text in column.choices else None


def _number(column: Column, text: str, unit: str | None) -> float | None:
    if _ENDLESS.fullmatch(text) or not _NUMBER.fullmatch(text):
        return None
    number = float(text)
    if unit is not None:
        factor = SIZE.get(unit, 1.0) / SIZE.get(column.unit or "", 1.0)
        number = float(f"{number * factor:.12g}")
    low = -inf if column.minimum is None else column.minimum
    high = inf if column.maximum is None else column.maximum
    good = low <= number <= high and not (column.above and number == low)
    whole = column.type != "count" or number == floor(number)
    return number if isfinite(number) and good and whole else None


def _faulty(role: str, column: Column, *, blank: bool = False) -> Fault:
    """The fault of a cell that its column cannot hold, or that is blank where it must not be."""
    name, wrong = column.name, "blank-required" if blank else "unreadable-value"
    if name == "id":
        return Fault("no-id", name, everything=True, drop=True)
    if column.required and not ROLES[role].asset and "id" not in ROLES[role].column:
        return Fault(wrong, name, drop=name != "seq")
    anything = (role, name) in {("structures", "kind"), ("hazards", "reach_m")}
    number = column.type in ("number", "count") and name not in _WHERE
    if not blank and (column.type == "date" or number):
        limits = next((mine for names, mine in _FIGURES if name in names.split()), None)
        if role == "measurements":
            limits = _LENGTH
        return Fault("unreadable-figure", name, limits)
    return Fault(wrong, name, everything=anything)


# Geometries


def undrawn(role: str, column: str = "geometry") -> Fault:
    """The fault of a geometry that cannot be used.

    Parameters
    ----------
    role : str
    column : str

    Returns
    -------
    Fault
        It concerns everything where a structure or hazard has no known place.
    """
    return Fault("unusable-geometry", column, everything=role in ("structures", "hazards"))


def _straight(text: str) -> Any:
    """A shape of well-known text; None for a curve, of which the library has none."""
    try:
        return shapely.from_wkt(text, on_invalid="ignore")
    except NotImplementedError:
        return None


def _draw(role: str, raw: Row, found: Row, faults: list[Fault]) -> None:
    """Set the geometry of a row in two dimensions, or a fault where it cannot be used."""
    shape, told = raw.get("geometry"), False
    if isinstance(shape, str):
        text, shape = shape, _straight(shape)
        if shape is None and text.strip():
            faults.append(undrawn(role))
            told = True
    elif "geometry" not in raw:
        for x, y in (("lon", "lat"), ("x", "y")):
            if x not in raw or y not in raw:
                continue
            cells = [_plain_number(raw[one]) for one in (x, y)]
            wrong = [n for n, one in zip((x, y), cells, strict=True) if one and isnan(one)]
            faults += [undrawn(role, name) for name in wrong]
            told = bool(wrong)
            if None not in cells and not wrong:
                shape = shapely.Point(*cells)
            found["_degrees"] = x == "lon"
            break
    if shape is None or shape.is_empty:
        if ROLES[role].geometry_required and not told:
            faults.append(undrawn(role))
        return
    shape = _joined(shape, ROLES[role].geometry)
    kinds = ROLES[role].geometry
    good = shape is not None and shape.geom_type in kinds
    if good:
        good = bool(np.isfinite(shapely.get_coordinates(shape)).all())
        good = good and (shape.geom_type.endswith("LineString") or shape.is_valid)
        good = good and not (shape.geom_type.endswith("LineString") and shape.length == 0)
    if good:
        found["geometry"] = shapely.force_2d(shape)
    else:
        faults.append(undrawn(role))


def _plain_number(cell: object) -> float | None:
    """A coordinate; None where blank, NaN where it is no finite number."""
    text = text_of(cell)
    if text is None:
        return None
    return float(text) if _NUMBER.fullmatch(text) and isfinite(float(text)) else float("nan")


def _meet(one: tuple[float, ...], two: tuple[float, ...]) -> bool:
    """Whether places are one; a line that was cut at the antimeridian goes on across it."""
    return one[:2] == two[:2] or (one[1] == two[1] and {one[0], two[0]} == {180.0, -180.0})


def _joined(shape: Any, kinds: tuple[str, ...]) -> Any:
    """A shape of one part as that part, lines that join in order as one; None where they do not."""
    if shape.geom_type.startswith(("Multi", "Geometry")) and len(shape.geoms) == 1:
        shape = shape.geoms[0]
    if (
        shape.geom_type != "MultiLineString"
        or shape.geom_type in kinds
        or "LineString" not in kinds
    ):
        return shape
    parts = [list(part.coords) for part in shape.geoms if len(part.coords)]
    if any(not _meet(one[-1], two[0]) for one, two in pairwise(parts)):
        return None
    return shapely.LineString([*parts[0], *(at for part in parts[1:] for at in part[1:])])


# Rows


def settle(
    rows: dict[str, list[Row]], rules: dict[str, Any], snap_m: float, removed: Collection[str]
) -> list[Gap]:
    """Make rows fit to be tied, and report every fault as a gap of what it touches.

    Parameters
    ----------
    rows : dict of str to list
        By role; changed in place.
    rules : dict
    snap_m : float
        How far a segment's end may lie from where it ends, in metres.
    removed : collection of str
        Ids that a proposal removes.

    Returns
    -------
    list of Gap
    """
    rows["patches"] = _cords(rows["patches"])
    _name_apart(rows)
    whole = [(role, dict(row), row["_faults"]) for role, mine in rows.items() for row in mine]
    for role, mine in rows.items():
        rows[role] = [row for row in mine if not any(fault.drop for fault in row["_faults"])]
    _cut_dangling(rows)
    _order_steps(rows)
    for column, holding in (
        ("within", [(role, row) for role in ASSET_ROLES for row in rows[role]]),
        ("carried_by", [("cables", row) for row in rows["cables"]]),
    ):
        _cut_circles(holding, column)
    _hold_rows(rows, rules)
    drawn = _drawn_only(rows)
    gaps = []
    for role, row, faults in whole:
        gaps += [_gap(rows, role, row, fault, drawn, snap_m) for fault in faults]
    names = {*removed, *(row[name] for row in rows["circuits"] for name in ("id", "group"))}
    stated = [waiver["circuit"] for waiver in rules.get("waiver", ())]
    return gaps + [Gap("waiver-owner", name) for name in stated if name not in names]


def name_cords(patches: list[Row]) -> None:
    """Give patches without an id one that is made of their ends.

    Parameters
    ----------
    patches : list of dict
        Rows of the role as they are read; changed in place.

    Examples
    --------
    >>> rows = [{"id": None, "a": "R1", "a_port": ["TX"], "b": "ODF-A", "b_port": ["1", "2"]}]
    >>> name_cords(rows)
    >>> rows[0]["id"]
    'R1/TX-ODF-A/1;2'
    """
    for row in patches:
        if row["id"] is None:
            ends = (
                f"{row[end] or '?'}/{';'.join(row[f'{end}_port'] or ()) or '?'}"
                for end in ("a", "b")
            )
            row["id"] = "-".join(ends)


def _cords(patches: list[Row]) -> list[Row]:
    """One row for each cord: further rows of its id are further fibres of it.

    A row that joins other equipment, or says something else of the cord, stays as it is, so that
    its id is told to be taken twice.
    """
    found: list[Row] = []
    first: dict[str, Row] = {}
    for row in patches:
        known = first.setdefault(row["id"], row)
        mine = dict(row)
        if (row["a"], row["b"]) != (known["a"], known["b"]) == (row["b"], row["a"]):
            for one, other in (("a", "b"), ("b", "a")):
                mine[one], mine[f"{one}_port"] = row[other], row[f"{other}_port"]
        same = all(mine[end] == known[end] for end in ("a", "b"))
        for name in ("within", "fibre_type", "length_m", "loss_db"):
            same = same and (None in (mine[name], known[name]) or mine[name] == known[name])
        if known is row or not same:
            found.append(row)
            continue
        for name in ("a_port", "b_port"):
            known[name] = [*(known[name] or ()), *(mine[name] or ())] or None
        for name in ("within", "fibre_type", "length_m", "loss_db"):
            known[name] = mine[name] if known[name] is None else known[name]
        known["_faults"] += row["_faults"]
    return found


def _said(role: str, row: Row) -> tuple[str, ...]:
    """All that a row says in its role's columns, and where it is drawn, for comparing."""
    cells = []
    for name in ROLES[role].column:
        value = row.get(name)
        text = "nan" if value is None else str(value)
        cells.append((";".join(value) or "-") if isinstance(value, list) else text)
    shape = row.get("geometry")
    return (*cells, "None" if shape is None else str(shapely.to_wkb(shape, hex=True)))


def _once(role: str, mine: list[Row], chosen: Iterable[Row]) -> list[Row]:
    """Rows without those of the chosen ones that say the same of everything as one before."""
    seen, again = set(), set()
    for row in chosen:
        said = _said(role, row)
        if said in seen:
            again.add(id(row))
        seen.add(said)
    return [row for row in mine if id(row) not in again]


def _name_apart(rows: dict[str, list[Row]]) -> None:
    """Give each thing an id of its own; of rows with one id the first by content keeps it."""
    renamed: dict[str, list[tuple[str, str]]] = {}
    for roles in (ASSET_ROLES, ("links",), ("circuits",)):
        every = Counter(row["id"] for role in roles for row in rows[role] if row["id"] is not None)
        taken, several = set(every), {name for name, times in every.items() if times > 1}
        if not several:
            continue
        for role in roles:
            rows[role] = _once(role, rows[role], [r for r in rows[role] if r["id"] in several])
        places = sorted(
            ((number, _said(role, row), n), role, row)
            for number, role in enumerate(roles)
            for n, row in enumerate(rows[role])
            if row["id"] in several
        )
        of = grouped((row["id"], (role, row)) for _, role, row in places)
        for name, mine in sorted(of.items()):
            if len(mine) == 1:
                continue
            free = (new for n in count(2) if (new := f"{name} ({n})") not in taken)
            names = [name, *islice(free, len(mine) - 1)]
            taken |= set(names)
            known = renamed.setdefault(name, [])
            for new, (role, row) in zip(names, mine, strict=True):
                row["id"] = new
                known.append((role, new))
            mine[0][1]["_faults"].append(Fault("duplicate-id", "id", also=tuple(names[1:])))
    _readdress(rows, renamed)


def _readdress(rows: dict[str, list[Row]], renamed: dict[str, list[tuple[str, str]]]) -> None:
    """Change references that can only mean a row whose id was changed.

    Where several places have one id, what a segment ends at is left to its geometry.
    """
    for role in ROLES if renamed else ():
        for name, column in ROLES[role].column.items():
            change: dict[str, str | None] = {}
            for old, several in renamed.items():
                fits = [new for of, new in several if of in _roles_of(column)]
                if role == "segments" and name in ("a", "b") and len(fits) > 1:
                    change[old] = None
                elif fits and fits[0] != old:
                    change[old] = fits[0]
            for row in rows[role] if change else ():
                value = row.get(name)
                if isinstance(value, list):
                    row[name] = [change.get(one, one) for one in value]
                elif value in change:
                    row[name] = change[value]


def _roles_of(column: Column) -> tuple[str, ...]:
    return ASSET_ROLES if column.refers == ("assets",) else column.refers


def _cut_dangling(rows: dict[str, list[Row]]) -> None:
    """Remove references to ids that no row of a fitting role has; steps and measurements whole."""
    ids = {role: {row.get("id") for row in mine} for role, mine in rows.items()}
    ids["rings"] = {row["ring"] for row in rows["rings"]}
    for role, mine in rows.items():
        course = role == "measurements" or "id" not in ROLES[role].column
        known = {
            name: set().union(*(ids[one] for one in _roles_of(column)))
            for name, column in ROLES[role].column.items()
            if column.refers
        }
        gone = set()
        for place, row in enumerate(mine):
            for name, there in known.items():
                if not row.get(name):
                    continue
                value = row[name] if isinstance(row[name], list) else [row[name]]
                lost = list(dict.fromkeys(one for one in value if one not in there))
                row["_faults"] += [Fault("dangling-reference", name)] * len(lost)
                if not lost:
                    continue
                if course and (ROLES[role].column[name].required or role == "measurements"):
                    gone.add(place)
                left = [one for one in value if one not in lost]
                row[name] = (left or None) if isinstance(row[name], list) else None
        mine[:] = [row for place, row in enumerate(mine) if place not in gone]


def _order_steps(rows: dict[str, list[Row]]) -> None:
    """Give steps of a course different places; steps without a place come last."""
    for role, table in ROLES.items():
        if table.key in (("id",), ()):
            continue
        mine, last = rows[role], table.key[-1]

        def key(row: Row, names: tuple[str, ...] = table.key) -> tuple[Any, ...]:
            return tuple(row.get(name) for name in names)

        several = [key(row) for row in mine]
        if len(set(several)) < len(several) or any(row.get(last) is None for row in mine):
            mine.sort(key=lambda row: _said(role, row)[:-1])
            counts: dict[tuple[Any, ...], int] = {}
            for row in mine:
                counts[key(row)] = counts.get(key(row), 0) + 1
            mine = rows[role] = _once(role, mine, [row for row in mine if counts[key(row)] > 1])
        seen: set[tuple[Any, ...]] = set()
        for row in mine:
            if key(row) in seen and row.get(last) is not None:
                row["_faults"].append(Fault("duplicate-step", last))
            seen.add(key(row))
        if "seq" in table.key:
            end = max((row["seq"] for row in mine if row["seq"] is not None), default=0.0)
            for row in mine:
                if row["seq"] is None:
                    row["seq"] = end + 1


def _cut_circles(rows: list[tuple[str, Row]], column: str) -> None:
    """Cut every step by which things lie in, or are carried by, each other in a circle.

    One fault for each strongly connected set of rows, found by walking in both directions.
    """
    steps = [
        (row["id"], to, row)
        for role, row in rows
        if column in ROLES[role].column
        for to in (row[column] if isinstance(row[column], list) else [row[column]])
        if to is not None
    ]
    names = (*(one for one, _, _ in steps), *(to for _, to, _ in steps))
    order = {name: place for place, name in enumerate(dict.fromkeys(names))}
    for knot in list(_knots(grouped((one, to) for one, to, _ in steps))):
        inside = [step for step in steps if step[0] in knot and step[1] in knot]
        onward = {one: to for one, to, _ in inside}
        walk = [min(knot, key=order.__getitem__)]
        while walk[-1] not in walk[:-1]:
            walk.append(onward[walk[-1]])
        first = next(row for one, _, row in inside if one == walk[-1])
        sources = tuple(sorted({one for one, _, _ in inside}))
        first["_faults"].append(Fault("lies-in-itself", column, also=sources))
        for _, to, row in inside:
            left = [one for one in row[column] or () if one != to]
            row[column] = (left or None) if isinstance(row[column], list) else None


def _knots(ahead: dict[str, list[str]]) -> Iterator[set[str]]:
    """Sets of things from which steps lead back to themselves: strongly connected ones."""
    left = set(ahead)
    while True:  # what only leads to what leads nowhere is in no circle
        kept = {one for one in left if any(to in left for to in ahead[one])}
        if kept == left:
            break
        left = kept
    ahead = {one: [to for to in ahead[one] if to in left] for one in left}
    back = grouped((to, one) for one in left for to in ahead[one])
    for start in sorted(left, reverse=True):
        if start in left:
            forth = reached(ahead[start], lambda at: ahead.get(at, ()))
            if start in forth:
                before: set[str] = reached([start], lambda at: back.get(at, ()))
                yield (knot := forth & before)
                left -= knot


def _hold_rows(rows: dict[str, list[Row]], rules: dict[str, Any]) -> None:
    """Add faults of rows that are sound cell by cell; cells that cannot be true count as blank."""
    listed = {row["circuit"] for row in rows["circuit_paths"]}
    for row in rows["ring_circuits"]:
        if row["circuit"] in listed:
            row["_faults"].append(Fault("paths-twice", "circuit"))
    said = grouped((row["ring"], row) for row in rows["rings"] if row["recovery_ms"] is not None)
    for mine in said.values():
        if len({row["recovery_ms"] for row in mine}) > 1:
            first = min(mine, key=lambda row: (row["seq"], row["link"]))
            first["_faults"].append(Fault("ring-recovery", "recovery_ms"))
            for row in mine:
                row["recovery_ms"] = None
    for row in rows["links"]:
        if row["medium"] in (None, "fibre") and row["wavelength_nm"] is None:
            row["_faults"].append(Fault("no-wavelength", "wavelength_nm"))
        for low, high in (("tx_min_dbm", "tx_max_dbm"), ("rx_min_dbm", "rx_max_dbm")):
            if None not in (row[low], row[high]) and row[low] > row[high]:
                row["_faults"].append(Fault("power-limits", low))
                row[low] = row[high] = None
    for row in list(rows["measurements"]):
        if (row["cable"] is None) == (row["link"] is None):
            row["_faults"].append(Fault("test-owner", "cable"))
            rows["measurements"].remove(row)
    for row in rows["circuits"]:
        if row["service"] is not None and row["service"] not in rules["services"]:
            row["_faults"].append(Fault("unknown-service", "service"))
    for row in rows["cables"]:
        if row["fibre_type"] is not None and row["fibre_type"] not in rules["fibres"]:
            row["_faults"].append(Fault("unknown-fibre-type", "fibre_type"))
            row["fibre_type"] = None


def _drawn_only(rows: dict[str, list[Row]]) -> list[str]:
    """Cables that are matched to the segments they follow: any segment may be one of them."""
    listed = {row["cable"] for row in rows["cable_runs"]}
    return [row["id"] for row in rows["cables"] if row.get("geometry") and row["id"] not in listed]


def _away_m(place: Any, line: Any) -> float:
    """Distance of a line from a place, both in degrees; right where it is short."""
    lon, lat = shapely.get_coordinates(place)[0]
    about = Proj(f"+proj=aeqd +lat_0={lat} +lon_0={lon} +datum=WGS84 +units=m")
    shapes = shapely.transform([place, line], lambda at: np.column_stack(about(*at.T)))
    return float(shapely.distance(*shapes))


def _gap(
    rows: dict[str, list[Row]],
    role: str,
    row: Row,
    fault: Fault,
    drawn: Collection[str],
    snap_m: float,
) -> Gap:
    """A fault as a gap of what its row is about, and of what it may touch besides."""
    touched: dict[str, list[str]] = {"assets": [], "links": [], "circuits": [], "rings": []}
    owners = OWNERS.get(role, (("id", "assets"),))
    named = [row[column] for column, _ in owners if row[column] is not None]
    for column, what in owners:
        if row[column] is not None:
            touched[what].append(row[column])
    touched[owners[0][1]] += fault.also
    near: Collection[str] | None = None
    if role == "structures" and fault.column == "kind" and row.get("geometry") is not None:
        reach, place = 2.0 * snap_m, row["geometry"]
        lines = [(one["id"], one.get("geometry")) for one in rows["segments"]]
        near = [name for name, line in lines if line and _away_m(place, line) <= reach]
    elif role == "joints" and fault.column == "cables" and row["at"] is not None:
        near = [row["at"]]
    elif role == "segments" and fault.code == "unusable-geometry":
        near = drawn
    nowhere = role == "joints" and fault.column == "at" and row["cables"] is None
    everything = near is None and (fault.everything or nowhere)
    touched["assets"] += near or ()
    circuits = touched["circuits"]
    on_rings = [r["circuit"] for r in rows["ring_circuits"] if r["ring"] in touched["rings"]]
    path = row["path"] if role == "circuit_paths" else None
    whole = role in ("circuits", "rings", "ring_circuits")
    whole |= role == "circuit_paths" and path is None
    return Gap(
        fault.code,
        named[0] if named else NO_ID,
        tuple(touched["assets"]),
        tuple(touched["links"]),
        tuple(one["id"] for one in rows["circuits"]) if everything else (*circuits, *on_rings),
        path,
        everything or whole,
        fault.only,
    )


Row = dict[str, Any]
