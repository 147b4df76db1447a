"""Whether the records that stand in the evidence are those of the layers, cell by cell."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import shapely
from pyproj import CRS

from waysapart.evidence import Evidence, RecordTable
from waysapart.recheck.evidence import About
from waysapart.recheck.faulty_rows import Row, day_of
from waysapart.recheck.places import LON_LAT
from waysapart.recheck.records import LayerRead, Records
from waysapart.schema import ROLES

Stated = tuple[tuple[str, Any], ...]
"""A record by what its cells hold, blanks left out."""


def check_records(records: Records, facts: Evidence, about: About, *, same_files: bool) -> None:
    """Check every record that stands in the evidence, and that none is left out.

    Parameters
    ----------
    records : Records
    facts : Evidence
    about : About
        Tallies the claims.
    same_files : bool
        Whether the inputs are those of which the evidence was made. If not, only the records of
        each role are held against the layers, whichever file they stand in.
    """
    if "records" not in facts:
        about.tally.skip(
            "records: the evidence does not hold them, so that an audit cannot say which changed"
        )
        return
    told = about.of("records")
    told.same("snap_m", facts["records"]["snap_m"], records.snap_m)
    tables = facts["records"]["tables"]
    shaped = [told.holds(*_shape(table, len(facts.get("layers", ())))) for table in tables]
    if not all(shaped):
        return
    if same_files:
        places = [(table["role"], table["layer"]) for table in tables]
        told.same_set("tables", places, {(role, at) for role, at, _ in _by_layer(records)})
        for role, at, rows in _by_layer(records):
            layer = records.layers[at]
            for table in (one for one in tables if (one["role"], one["layer"]) == (role, at)):
                _check_table(table, rows, layer, told.of(f"{role} of {layer.file}"))
        return
    for role in ROLES:
        claimed = [
            _in_grid(row, one["crs"])
            for one in tables
            if one["role"] == role
            for row in _claimed(one)
        ]
        grids = [_grid(layer.crs) for layer in records.layers]
        rows = records.stated(role)
        stated = [_in_grid(_stated(role, row), grids[row["_of_layer"]]) for row in rows]
        _check_rows(claimed, stated, told.of(role))
    told.skip(
        "accuracy, file and columns' names of each table: the inputs are not those of the evidence"
    )


def _shape(table: RecordTable, layers: int) -> tuple[bool, str]:
    """Whether a table has a number and a cell for each row and column, and what it lacks."""
    role = ROLES.get(table["role"])
    names = [] if role is None else [*role.column, *(["geometry"] if role.geometry else [])]
    columns = table["columns"]
    count = len(table["rows"])
    if columns != [name for name in names if name in columns] or len(set(columns)) != len(columns):
        return False, f"{table['role']}: columns {columns} are not those of the role, in order"
    if len(table["at"]) != count or any(len(row) != len(columns) for row in table["rows"]):
        return False, f"{table['role']}: rows, cells and numbers do not agree"
    if not 0 <= table["layer"] < layers:
        return False, f"{table['role']}: there is no layer {table['layer']}"
    return True, ""


def _by_layer(records: Records) -> Iterator[tuple[str, int, list[Row]]]:
    """The rows of each role and layer."""
    for role in ROLES:
        found: dict[int, list[Row]] = {}
        for row in records.stated(role):
            found.setdefault(row["_of_layer"], []).append(row)
        for at in sorted(found):
            yield role, at, found[at]


def _check_table(table: RecordTable, rows: list[Row], layer: LayerRead, about: About) -> None:
    stated = [_stated(table["role"], row) for row in rows]
    held = {name for row in stated for name, _ in row}
    about.same_set("columns", table["columns"], held)
    about.same("accuracy_m", table["accuracy_m"], layer.accuracy_m)
    named = {ours: name for ours, name in layer.named.items() if ours in held and ours != name}
    about.same("named", table["named"], named)
    about.same("crs", table["crs"], _grid(layer.crs) if "geometry" in held else None)
    _check_rows(list(_claimed(table)), stated, about)


def _check_rows(claimed: Sequence[Stated], stated: Sequence[Stated], about: About) -> None:
    """Hold rows against rows, each as often as it stands there."""
    mine, due = Counter(claimed), Counter(stated)
    extra, lacking = list((mine - due).elements()), list((due - mine).elements())
    about.tally.confirmed += len(claimed) - len(extra)
    for row in extra:
        about.holds(False, f"the layers have no record {_said(row)}")
    for row in lacking:
        about.holds(False, f"the evidence lacks the record {_said(row)}")


def _said(row: Stated) -> str:
    return ", ".join(f"{name} {value}" for name, value in row)


def _grid(crs: CRS) -> str | None:
    """A grid as evidence writes it; None: longitude and latitude."""
    return None if crs.equals(LON_LAT, ignore_axis_order=True) else crs.to_string()


def _in_grid(row: Stated, grid: str | None) -> Stated:
    """A record with the grid of its geometry, where that is not longitude and latitude."""
    drawn = grid is not None and any(name == "geometry" for name, _ in row)
    return (*row, ("crs", grid)) if drawn else row


def _claimed(table: RecordTable) -> Iterator[Stated]:
    for row in table["rows"]:
        cells = zip(table["columns"], row, strict=True)
        yield tuple((name, cell) for name, cell in cells if cell is not None)


def _stated(role: str, row: Mapping[str, Any]) -> Stated:
    """A record of the layers as evidence writes it."""
    found: list[tuple[str, Any]] = []
    for name, column in ROLES[role].column.items():
        value = row.get(name)
        if value is None:
            continue
        if column.type == "date":
            day = day_of(value)
            value = None if day is None else day.isoformat()
        elif isinstance(value, list):
            value = ";".join(value) or "-"
        elif isinstance(value, float | int):
            value = float(f"{value:.9g}")
        if value is not None:
            found.append((name, value))
    if row.get("_given") is not None:
        found.append(("geometry", _as_wkt(row["_given"], 7 if row["_given_degrees"] else 3)))
    return tuple(found)


def _as_wkt(shape: Any, decimals: int) -> str:
    told = shapely.geometry.mapping(shape)
    inner = _places(told["coordinates"], decimals)
    return f"{told['type'].upper()}{inner if inner.startswith('(') else f'({inner})'}"


def _places(value: Any, decimals: int) -> str:
    if isinstance(value[0], int | float):
        return " ".join(_coordinate(one, decimals) for one in value[:2])
    return f"({','.join(_places(one, decimals) for one in value)})"


def _coordinate(value: float, decimals: int) -> str:
    text = f"{round(float(value), decimals) + 0.0:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
