"""Geometry of one layer: found, checked, two-dimensional."""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from waysapart.schema import Role
from waysapart.study.crs import LON_LAT, crs_label, layer_crs
from waysapart.study.ledger import Ledger
from waysapart.study.sources import GEOMETRY_COLUMNS

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from pyproj import CRS

    from waysapart.study.columns import Consequence
    from waysapart.study.sources import Layer, LayerSpec

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
_CURVE = re.compile(r"CIRCULARSTRING|COMPOUNDCURVE|CURVEPOLYGON|MULTICURVE|MULTISURFACE", re.I)
"""Kinds of well-known text that the geometry library has no shapes for."""
_LINE, _LINES = 1, 5


def unusable(role: Role) -> Consequence:
    """What follows where a geometry cannot be used: the row is kept without it.

    Anything may pass a structure whose place is not known, and a hazard may take anything.
    """
    return {"gap": "unusable-geometry", "everything": role.name in {"structures", "hazards"}}


def placed(
    spec: LayerSpec,
    stated: CRS | None,
    frame: pd.DataFrame,
    grid: CRS | None,
    layers: Sequence[Layer],
    ledger: Ledger,
) -> tuple[pd.DataFrame, NDArray[np.object_], CRS | None]:
    """The geometries of a layer, checked, and the coordinate system that they are in.

    Parameters
    ----------
    spec : LayerSpec
    stated : CRS or None
        What the source states.
    frame : DataFrame
        Our names, with `_layer` and `_row`.
    grid : CRS or None
        `crs` of study.toml.
    layers : sequence of Layer
        What `_layer` counts.
    ledger : Ledger
        Collects every fault.

    Returns
    -------
    frame : DataFrame
        Without the columns of which the geometry is made.
    geometry : ndarray of geometries, shape (rows,)
        None where blank or unusable.
    crs : CRS or None
        None where the layer has none, which is written down.
    """
    role = spec.feeds
    found = geometry_of(frame, role, layers, ledger)
    from_lon_lat = "geometry" not in frame and {"lon", "lat"} <= set(frame)
    has_geometry = bool(pd.notna(found).any())
    drop = ["geometry"]
    beside = numbers_beside(frame, role)
    if beside is not None:
        text = frame["geometry"].notna()
        if bool(pd.notna(found)[~text].any()):
            drop += beside
            from_lon_lat = beside == ("lon", "lat") and not text.any()
    elif "geometry" not in frame:
        drop = [name for name in GEOMETRY_COLUMNS if name in frame]
    crs = layer_crs(spec, stated, grid, has_geometry, from_lon_lat, ledger)
    if "lon" in drop and "geometry" in frame and crs not in (None, LON_LAT):
        ledger.problem(
            f"geometry is in {crs_label(crs)}, and lon and lat are degrees: name the columns x "
            "and y, and give them in the same coordinate system",
            file=spec.shown_source,
            layer=spec.layer or spec.role,
            column="lon",
        )
    geometry = checked_geometry(frame, found, role, layers, ledger)
    return frame.drop(columns=drop, errors="ignore"), geometry, crs


def geometry_of(
    frame: pd.DataFrame, role: Role, layers: Sequence[Layer], ledger: Ledger
) -> NDArray[np.object_]:
    """Geometries of a raw frame, shape (rows,), None where blank.

    Taken from a `geometry` column (shapely objects, or WKT text), else from
    the numbers in `lon` and `lat`, else from those in `x` and `y`. A row of a table whose
    `geometry` is blank takes the point of its numbers, where its role may be a point.
    """
    found = _drawn(frame, role, layers, ledger)
    if numbers_beside(frame, role) is not None:
        rest = frame["geometry"].isna().to_numpy()  # what is no geometry has been told
        found[rest] = _points_of(frame[rest], role, layers, ledger)
    return found


def numbers_beside(frame: pd.DataFrame, role: Role) -> tuple[str, str] | None:
    """The columns of a table, beside its `geometry`, that hold the two numbers of a point."""
    if "geometry" not in frame or frame["geometry"].dtype == "geometry":
        return None
    if "Point" not in role.geometry:
        return None
    return _pair(frame)


def _pair(frame: pd.DataFrame) -> tuple[str, str] | None:
    pairs = (("lon", "lat"), ("x", "y"))
    return next((pair for pair in pairs if set(pair) <= set(frame)), None)


def _drawn(
    frame: pd.DataFrame, role: Role, layers: Sequence[Layer], ledger: Ledger
) -> NDArray[np.object_]:
    """Geometries of a `geometry` column; where there is none, points of numbers."""
    if "geometry" in frame:
        values: NDArray[np.object_] = frame["geometry"].to_numpy(dtype=object).copy()
        values[pd.isna(values)] = None
        if frame["geometry"].dtype == "geometry":
            return values
        is_text = np.array([isinstance(value, str) for value in values], dtype=bool)
        no_shape = ~is_text & ~np.array(
            [value is None or isinstance(value, shapely.Geometry) for value in values], dtype=bool
        )
        ledger.rows(
            frame,
            layers,
            no_shape,
            "geometry",
            "expected a geometry; found bytes or a value that is none",
            **unusable(role),
        )
        values[no_shape] = None
        if not is_text.any():
            return values
        values[~is_text] = None
        curved = np.array(
            [text is not None and bool(_CURVE.search(text)) for text in values], dtype=bool
        )
        ledger.rows(
            frame,
            layers,
            curved,
            "geometry",
            "expected straight lines; found a curve: {found}; straighten it in your GIS, for "
            "instance with 'segmentize'",
            **unusable(role),
        )
        is_text &= ~curved
        values[curved] = None
        with np.errstate(invalid="ignore"):  # a NaN among the numbers is told further on
            found: NDArray[np.object_] = shapely.from_wkt(values, on_invalid="ignore")
        ledger.rows(
            frame,
            layers,
            is_text & pd.isna(found),
            "geometry",
            "expected well-known text such as LINESTRING (566000 5984000, 566100 5984000); "
            "found {found}",
            **unusable(role),
        )
        return found
    return _points_of(frame, role, layers, ledger)


def _points_of(
    frame: pd.DataFrame, role: Role, layers: Sequence[Layer], ledger: Ledger
) -> NDArray[np.object_]:
    pair = _pair(frame)
    if pair is None:
        return np.full(len(frame), None, dtype=object)
    first, second = pair
    numbers = {}
    for name in (first, second):
        numbers[name] = pd.to_numeric(frame[name], errors="coerce").to_numpy(dtype=float)
        ledger.rows(
            frame,
            layers,
            frame[name].notna().to_numpy() & ~np.isfinite(numbers[name]),
            name,
            "expected a number with a decimal point; found {found}",
            **unusable(role),
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
    """The geometries of a role in two dimensions, parts that join in order made one line.

    Each that is missing or empty where the role needs one, of another type than the role's,
    not finite, an invalid polygon or a line without length is written down and comes back
    as None.
    """
    geometry = geometry.copy()
    follows = unusable(role)

    def tell(
        bad: NDArray[np.bool_], message: str, found: Sequence[str] | pd.Series | None = None
    ) -> None:
        ledger.rows(frame, layers, bad, "geometry", message, found, quoted=False, **follows)
        geometry[bad] = None

    missing = shapely.is_missing(geometry)
    empty = shapely.is_empty(geometry) & ~missing
    expected = " or ".join(role.geometry)
    geometry[empty] = None
    if role.geometry_required:
        tell(missing & ~_told(frame, ledger), f"the geometry is missing; expected {expected}")
        tell(empty, f"the geometry is empty; expected {expected}")

    types = shapely.get_type_id(geometry)
    single = (types >= _FIRST_MULTI) & (shapely.get_num_geometries(geometry) == 1)
    geometry[single] = shapely.get_geometry(geometry[single], 0)
    types = shapely.get_type_id(geometry)
    if "MultiLineString" not in role.geometry and "LineString" in role.geometry:
        several = types == _LINES
        broken = _join_parts(geometry, several)
        tell(
            np.array([place in broken for place in range(len(geometry))], dtype=bool),
            "expected one line; found a MultiLineString whose parts do not join in order: {found}; "
            "join them in your GIS, or make each of them a row of its own",
            [broken.get(place, "") for place in range(len(geometry))],
        )
        types = shapely.get_type_id(geometry)
    there = types >= 0
    names = pd.Series(np.where(there, _TYPE_NAMES[np.maximum(types, 0)], ""), dtype="str")
    wrong = there & ~names.isin(role.geometry).to_numpy()
    tell(wrong, f"expected {expected}; found {{found}}", names)
    tell(_not_finite(geometry), "has a coordinate that is not a finite number")
    deep = shapely.has_z(geometry) | shapely.has_m(geometry)
    if deep.any():
        geometry[deep] = shapely.force_2d(geometry[deep])

    types = shapely.get_type_id(geometry)
    invalid = np.isin(types, (3, 6)) & ~shapely.is_valid(geometry)
    if invalid.any():
        tell(
            invalid,
            "the polygon is invalid ({found}); correct it in your GIS, for instance with "
            "'fix geometries'",
            shapely.is_valid_reason(geometry).tolist(),
        )
    tell(
        np.isin(types, (_LINE, _LINES)) & (shapely.length(geometry) == 0),
        "the line has no length: all its vertices lie in one place; give it its true course, or "
        "leave the row out",
    )
    return geometry


def _told(frame: pd.DataFrame, ledger: Ledger) -> NDArray[np.bool_]:
    """Rows whose geometry is written down as unreadable already."""
    rows = {(one.layer, one.row) for one in ledger.conflicts if one.code == "unusable-geometry"}
    if not rows:
        return np.zeros(len(frame), dtype=bool)
    here = zip(frame["_layer"].tolist(), frame["_row"].tolist(), strict=True)
    return np.array([place in rows for place in here], dtype=bool)


def _join_parts(geometry: NDArray[np.object_], several: NDArray[np.bool_]) -> dict[int, str]:
    """Make one line of each whose parts join end to start; of the others, where they do not.

    Returns
    -------
    dict of int to str
        By position: the end of a part and the start of the next, which is elsewhere.
    """
    broken = {}
    for place in np.flatnonzero(several).tolist():
        parts = [shapely.get_coordinates(part) for part in shapely.get_parts(geometry[place])]
        parts = [part for part in parts if len(part)]
        gap = next(
            (
                number
                for number, (part, after) in enumerate(pairwise(parts), start=1)
                if not _one_place(part[-1], after[0])
            ),
            None,
        )
        if gap is None and parts:
            joined = [parts[0], *(part[1:] for part in parts[1:])]
            geometry[place] = shapely.LineString(np.concatenate(joined))
        elif gap is not None:
            before, after = parts[gap - 1][-1], parts[gap][0]
            broken[place] = (
                f"part {gap} of {len(parts)} ends at {_place(before)}, part {gap + 1} starts at "
                f"{_place(after)}"
            )
    return broken


def _one_place(one: NDArray[np.float64], other: NDArray[np.float64]) -> bool:
    """Whether parts meet: in one vertex, or where a line was cut at the antimeridian."""
    both = one[:2], other[:2]
    cut = both[0][1] == both[1][1] and both[0][0] == -both[1][0] and abs(both[0][0]) == 180.0
    return np.array_equal(one, other) or bool(cut)


def _place(point: NDArray[np.float64]) -> str:
    digits = 7 if np.abs(point).max() <= 360 else 3
    return f"({point[0]:.{digits}f}, {point[1]:.{digits}f})"


def _not_finite(geometry: NDArray[np.object_]) -> NDArray[np.bool_]:
    coordinates, owner = shapely.get_coordinates(geometry, return_index=True)
    bad = np.zeros(len(geometry), dtype=bool)
    bad[owner[~np.isfinite(coordinates).all(axis=1)]] = True
    return bad
