"""Geometry of one layer: found, checked, two-dimensional."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from waysapart.schema import Role
from waysapart.study.ledger import Ledger

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from waysapart.study.model import Layer

_TYPE_NAMES = np.array(
    [
        "Point",
        "LineString",
        "LinearRing",
        "Polygon",
        "MultiPoint",
        "MultiLineString",
        "MultiPolygon",
        "GeometryCollection",
    ]
)
_FIRST_MULTI = 4


def geometry_of(
    frame: pd.DataFrame, layers: Sequence[Layer], ledger: Ledger
) -> NDArray[np.object_]:
    """Geometries of a raw frame, shape (rows,), None where blank.

    Taken from a `geometry` column (shapely objects, or WKT text), else from
    the numbers in `lon` and `lat`, else from those in `x` and `y`.
    """
    blank: NDArray[np.object_] = np.full(len(frame), None, dtype=object)
    if "geometry" in frame:
        values: NDArray[np.object_] = frame["geometry"].to_numpy(dtype=object).copy()
        values[pd.isna(values)] = None
        if frame["geometry"].dtype == "geometry":
            return values
        is_text = np.array([isinstance(value, str) for value in values], dtype=bool)
        if not is_text.any():
            return values
        values[~is_text] = None
        found: NDArray[np.object_] = shapely.from_wkt(values, on_invalid="ignore")
        ledger.rows(
            frame,
            layers,
            is_text & pd.isna(found),
            "geometry",
            "expected well-known text such as LINESTRING (566000 5984000, 566100 5984000); "
            "found {found}",
        )
        return found
    for first, second in (("lon", "lat"), ("x", "y")):
        if first in frame and second in frame:
            return _points(frame, first, second, layers, ledger)
    return blank


def _points(
    frame: pd.DataFrame, first: str, second: str, layers: Sequence[Layer], ledger: Ledger
) -> NDArray[np.object_]:
    numbers = {}
    for name in (first, second):
        numbers[name] = pd.to_numeric(frame[name], errors="coerce").to_numpy(dtype=float)
        ledger.rows(
            frame,
            layers,
            frame[name].notna().to_numpy() & ~np.isfinite(numbers[name]),
            name,
            "expected a number with a decimal point; found {found}",
        )
    both = np.isfinite(numbers[first]) & np.isfinite(numbers[second])
    points: NDArray[np.object_] = np.full(len(frame), None, dtype=object)
    points[both] = shapely.points(numbers[first][both], numbers[second][both])
    return points


def checked_geometry(
    frame: pd.DataFrame,
    geometry: NDArray[np.object_],
    role: Role,
    layers: Sequence[Layer],
    ledger: Ledger,
) -> NDArray[np.object_]:
    """The geometries of a role in two dimensions, single parts unwrapped.

    A problem is written down for each that is missing or empty where the role
    needs one, of another type than the role's, not finite, an invalid polygon
    or a line without length; those come back as None.
    """
    geometry = geometry.copy()
    missing = shapely.is_missing(geometry)
    empty = shapely.is_empty(geometry) & ~missing
    expected = " or ".join(role.geometry)
    if role.geometry_required:
        ledger.rows(
            frame, layers, missing, "geometry", f"the geometry is missing; expected {expected}"
        )
        ledger.rows(frame, layers, empty, "geometry", f"the geometry is empty; expected {expected}")
    geometry[empty] = None

    types = shapely.get_type_id(geometry)
    single = (types >= _FIRST_MULTI) & (shapely.get_num_geometries(geometry) == 1)
    geometry[single] = shapely.get_geometry(geometry[single], 0)
    types = shapely.get_type_id(geometry)
    there = types >= 0
    names = pd.Series(np.where(there, _TYPE_NAMES[np.maximum(types, 0)], ""), dtype="str")
    wrong = there & ~names.isin(role.geometry).to_numpy()
    several = wrong & (types == _FIRST_MULTI + 1) & ("LineString" in role.geometry)
    ledger.rows(
        frame,
        layers,
        several,
        "geometry",
        "expected one LineString; found a MultiLineString of {found} parts: join the parts where "
        "they meet, or make each of them a row of its own",
        shapely.get_num_geometries(geometry).tolist(),
    )
    ledger.rows(
        frame,
        layers,
        wrong & ~several,
        "geometry",
        f"expected {expected}; found {{found}}",
        names,
        quoted=False,
    )
    geometry[wrong] = None

    not_finite = _not_finite(geometry)
    ledger.rows(
        frame, layers, not_finite, "geometry", "has a coordinate that is not a finite number"
    )
    geometry[not_finite] = None
    deep = shapely.has_z(geometry) | shapely.has_m(geometry)
    if deep.any():
        geometry[deep] = shapely.force_2d(geometry[deep])

    types = shapely.get_type_id(geometry)
    invalid = np.isin(types, (3, 6)) & ~shapely.is_valid(geometry)
    if invalid.any():
        reasons = shapely.is_valid_reason(geometry).tolist()
        ledger.rows(
            frame,
            layers,
            invalid,
            "geometry",
            "the polygon is invalid ({found}); mend it in your GIS, for instance with "
            "'fix geometries'",
            reasons,
            quoted=False,
        )
        geometry[invalid] = None
    point_like = np.isin(types, (1, 5)) & (shapely.length(geometry) == 0)
    ledger.rows(
        frame,
        layers,
        point_like,
        "geometry",
        "the line has no length: all its vertices lie in one place; give it its true course, or "
        "leave the row out",
    )
    geometry[point_like] = None
    return geometry


def _not_finite(geometry: NDArray[np.object_]) -> NDArray[np.bool_]:
    coordinates, owner = shapely.get_coordinates(geometry, return_index=True)
    bad = np.zeros(len(geometry), dtype=bool)
    bad[owner[~np.isfinite(coordinates).all(axis=1)]] = True
    return bad
