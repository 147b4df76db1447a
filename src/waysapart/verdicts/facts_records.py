"""The records that a proof rests on, as they stand in its evidence.

A row is every cell of the role's columns, in our units, so that a later audit can say which cell
changed, from what to what. Geometry is the layer's own, rounded as the digest of a waiver rounds
it. Rows stand in the natural order of their keys: the order of the file means nothing.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd
import shapely

from waysapart.evidence import Cell, RecordTable, StudyRecords
from waysapart.schema import ROLES, Column, Role
from waysapart.study.model import Study, kept_by_study
from waysapart.verdicts.waivers import DEGREE_DECIMALS, METRE_DECIMALS

_SIGNIFICANT = 9
"""Digits of a number that are kept, as in the digest of a waiver."""
_GEOMETRY = "geometry"


@kept_by_study
def record_facts(study: Study) -> StudyRecords:
    """Return every record of a study that has been read, table by table.

    Parameters
    ----------
    study : Study

    Returns
    -------
    StudyRecords
        A table for each role and layer that holds rows, without what traces of links add and
        without the columns that the contract does not name. Columns that are blank throughout are
        left out.
    """
    tables: list[RecordTable] = []
    for role in ROLES.values():
        table = pd.DataFrame(study.as_read(role.name))
        layer = table["_layer"].to_numpy(dtype=np.int64)
        for number in np.unique(layer).tolist():
            if number < len(study.layers) and study.layers[number].role == role.name:
                rows = np.flatnonzero(layer == number)
                tables.append(_table(study, role, table.iloc[rows], rows, number))
    return {"snap_m": float(study.snap_m), "tables": tables}


def _table(
    study: Study, role: Role, table: pd.DataFrame, rows: np.ndarray, number: int
) -> RecordTable:
    layer = study.layers[number]
    cells: dict[str, list[Cell]] = {}
    for column in role.columns:
        if table[column.name].notna().any():
            cells[column.name] = _cells(column, table[column.name])
    crs = None
    if role.geometry:
        texts, crs = _geometry(study, role.name, rows)
        if any(text is not None for text in texts):
            cells[_GEOMETRY] = texts
        else:
            crs = None
    order = _natural_order(role, cells, len(table))
    at = table["_row"].tolist()
    columns = list(cells)
    return {
        "role": role.name,
        "layer": number,
        "crs": crs,
        "accuracy_m": float(layer.accuracy_m - layer.shift_m),
        "named": {
            name: theirs
            for name, theirs in layer.their_columns.items()
            if name in cells and theirs != name
        },
        "columns": columns,
        "at": [_row_number(at[place]) for place in order],
        "rows": [[cells[name][place] for name in columns] for place in order],
    }


def _row_number(row: Any) -> int | None:
    return None if pd.isna(row) else int(row)


def _cells(column: Column, values: pd.Series) -> list[Cell]:
    blank = values.isna().to_numpy()
    if column.type in ("number", "count"):
        return [
            None if empty else _number(value)
            for value, empty in zip(values.tolist(), blank, strict=True)
        ]
    if column.type in ("date", "time"):
        days = values.dt.strftime("%Y-%m-%d").tolist()
        return [None if empty else day for day, empty in zip(days, blank, strict=True)]
    return [
        None if empty else str(value) for value, empty in zip(values.tolist(), blank, strict=True)
    ]


def _number(value: float) -> float | int:
    number = float(f"{value:.{_SIGNIFICANT}g}")
    return int(number) if number.is_integer() else number


# --- Geometry as WKT, in the layer's own coordinates.


def _geometry(study: Study, role: str, rows: np.ndarray) -> tuple[list[Cell], str | None]:
    """The geometry of rows of one layer as text, and its grid; None: longitude and latitude."""
    shapes, systems = study.given_geometry(role, rows)
    drawn = next((place for place, shape in enumerate(shapes) if shape is not None), None)
    if drawn is None:
        return [None] * len(rows), None
    system = systems[drawn]
    decimals = DEGREE_DECIMALS if system.is_geographic else METRE_DECIMALS
    plain = system.equals(_WGS_84, ignore_axis_order=True)
    return geometry_texts(shapes, decimals), None if plain else system.to_string()


_WGS_84 = 4326


def geometry_texts(shapes: Iterable[Any], decimals: int) -> list[Cell]:
    """Write geometries as WKT without blanks that say nothing, rounded.

    Parameters
    ----------
    shapes : iterable of geometry or None
    decimals : int
        Of coordinates.

    Returns
    -------
    list of str or None

    Examples
    --------
    >>> geometry_texts([shapely.Point(9.123456789, 54), None], 7)
    ['POINT(9.1234568 54)', None]
    """
    return [None if shape is None else _as_wkt(shape, decimals) for shape in shapes]


def _as_wkt(shape: Any, decimals: int) -> str:
    told = shapely.geometry.mapping(shape)
    inner = _written(told["coordinates"], decimals)
    return f"{told['type'].upper()}{inner if inner.startswith('(') else f'({inner})'}"


def _written(value: Any, decimals: int) -> str:
    """Nested coordinates in brackets; those of one place with a blank between."""
    if isinstance(value[0], (int, float)):
        return f"{_decimal(value[0], decimals)} {_decimal(value[1], decimals)}"
    return f"({','.join([_written(one, decimals) for one in value])})"


def _decimal(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


# --- The order of rows.

_DIGITS = re.compile(r"(\d{1,18})")


def _natural_order(role: Role, cells: dict[str, list[Cell]], count: int) -> list[int]:
    """Places of rows in the order of the role's key, numbers in ids by their value."""
    names = [name for name in role.key or tuple(cells) if name in cells]
    ranks = []
    for name in names:  # each value once: most columns hold few
        values = sorted(set(cells[name]), key=_natural)
        rank = {value: place for place, value in enumerate(values)}
        ranks.append([rank[cell] for cell in cells[name]])
    keys = list(zip(*ranks, strict=True)) if ranks else [()] * count
    return sorted(range(count), key=keys.__getitem__)


def _natural(cell: Cell) -> tuple[Any, ...]:
    """A key by which `P-2` comes before `P-10`; a blank comes first."""
    if cell is None:
        return ()
    if isinstance(cell, str):
        parts = _DIGITS.split(cell)
        return (1, *((int(part), part) if n % 2 else (part,) for n, part in enumerate(parts)))
    return (0, (cell,))
