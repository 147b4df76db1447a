"""Where works are: areas from a file or a frame, a point with a radius; checked before use."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely
from pyproj import CRS, Geod

from waysapart.arrays import Floats
from waysapart.errors import CallError, Problem, StudyError
from waysapart.figures import metres
from waysapart.schema import ROLES
from waysapart.study.crs import (
    LON_LAT,
    check_area_of_use,
    corners_deg,
    crs_label,
    onto_wgs_84,
    to_lon_lat,
    transformer_between,
)
from waysapart.study.geometry import checked_geometry, geometry_of
from waysapart.study.ledger import Ledger, near_matches, shown
from waysapart.study.model import PLANT_ROLES, Study
from waysapart.study.sources import Layer, LayerSpec, SourceError, read_source

if TYPE_CHECKING:
    import geopandas as gpd
    from numpy.typing import NDArray

ELSEWHERE_M = 50_000.0
"""An area farther than this from all plant is taken to be a mistake."""

_CHECKED_AS = "hazards"
"""An area of works is drawn as a hazard is: points, lines, polygons."""
_GEOD = Geod(ellps="WGS84")
_STEP_M = 1000.0
"""Vertices are put on long lines this close, so that the nearest one is near enough."""
PLACES = ("geometry", "lon", "lat")
"""Columns that say where something is."""
HIDDEN = ("_row", "_layer", "_crs")
"""Columns that reading adds."""
ALSO_CALLED = {
    "start": "from",
    "begin": "from",
    "end": "to",
    "finish": "to",
    "asset": "assets",
    "where": "place",
    "firm": "contractor",
    "company": "contractor",
    "telephone": "phone",
}
"""Other words for columns of a plan, to tell which is meant."""


@dataclass(frozen=True)
class Area:
    """Checked features.

    Attributes
    ----------
    geometry : ndarray of geometry, shape (features,)
        In the study's plane.
    lonlat : ndarray of geometry, shape (features,)
        In longitude and latitude, WGS 84.
    table : DataFrame
        The features' other columns.
    nearest_m : ndarray of float, shape (features,)
        Distance of each to the nearest plant.
    own_reach_m : ndarray of float, shape (features,)
        How far each reaches beyond its outline by its own column `reach_m`; 0 where blank.
    accuracy_m : float
        What the shift to the datum of the plant adds to the uncertainty.
    notes : tuple of str
    """

    geometry: NDArray[np.object_]
    lonlat: NDArray[np.object_]
    table: pd.DataFrame
    nearest_m: Floats
    own_reach_m: Floats
    accuracy_m: float = 0.0
    notes: tuple[str, ...] = ()


def read_area(study: Study, source: gpd.GeoDataFrame | Path | str) -> Area:
    """Read the features of an area and place them among the plant of a study.

    Parameters
    ----------
    study : Study
    source : GeoDataFrame or path
        Any vector file that a layer of a study may come from, in any
        coordinate system; points, lines and areas may be mixed. Of its columns
        `reach_m` is read; notes name the others.

    Returns
    -------
    Area

    Raises
    ------
    StudyError
        With every feature that is empty, crosses itself, has no coordinate
        system, or lies elsewhere on Earth (with the distance to the nearest
        plant).
    """
    ledger = Ledger()
    frame, crs, name = _features(source, ledger)
    layers = [Layer(_CHECKED_AS, name, "area", {})]
    if not len(frame):
        ledger.problem(
            "the area holds no feature; draw at least one point, line or polygon", file=name
        )
    if ledger.problems:
        raise StudyError(ledger.problems)
    frame["_layer"] = 0
    found = geometry_of(frame, ROLES[_CHECKED_AS], layers, ledger)
    shapes = checked_geometry(frame, found, ROLES[_CHECKED_AS], layers, ledger)
    if crs is None and not ledger.problems:
        ledger.problem(
            "the area has no coordinate system; define it in your GIS, so that it can be laid "
            "over the plant",
            file=name,
            column="geometry",
        )
    own, faults = own_reach(frame)
    for row, fault in faults.items():
        ledger.problem(fault, file=name, row=int(frame["_row"].iloc[row]), column="reach_m")
    if ledger.problems or crs is None:
        raise StudyError(ledger.problems)
    for note in unread_columns(frame.columns, ("reach_m", *PLACES), "an area of works"):
        ledger.note(note)
    return _placed(study, frame, shapes, crs, layers, ledger, own)


def own_reach(table: pd.DataFrame) -> tuple[Floats, dict[int, str]]:
    """Read the column `reach_m` of a table of works.

    Parameters
    ----------
    table : DataFrame

    Returns
    -------
    reach_m : ndarray of float, shape (rows,)
        Metres; 0 where the column is absent or blank.
    faults : dict of int to str
        What is wrong, by row.
    """
    found = np.zeros(len(table))
    faults = {}
    for row, value in enumerate(table.get("reach_m", ())):
        if pd.isna(value) or not str(value).strip():
            continue
        metres = float(pd.to_numeric(str(value).strip(), errors="coerce"))
        if metres >= 0 and np.isfinite(metres):
            found[row] = metres
        else:
            faults[row] = f"expected 0 m or more; found {shown(str(value).strip())}"
    return found, faults


def unread_columns(columns: Iterable[str], read: Iterable[str], reader: str) -> list[str]:
    """Say which columns nothing reads, each with the one that it may stand for.

    Parameters
    ----------
    columns : iterable of str
        Those of the table.
    read : iterable of str
        Those that are read.
    reader : str
        What reads it, such as `a plan of works`.

    Returns
    -------
    list of str
        A sentence for each column that resembles one that is read, and one for all others.
    """
    known = list(read)
    told, others = [], []
    for name in map(str, columns):
        if name in known or name in HIDDEN:
            continue
        other = ALSO_CALLED.get(name.casefold())
        near = [other] if other in known else near_matches(name, known)
        near = [one for one in near if one in known]
        if near:
            told.append(
                f"{reader} does not read the column {shown(name)}; "
                f"did you mean {' or '.join(repr(one) for one in near)}?"
            )
        else:
            others.append(shown(name))
    if others:
        several = "columns" if len(others) > 1 else "column"
        told.append(f"{reader} does not read the {several} {', '.join(others)}")
    return told


def around(study: Study, at: tuple[float, float]) -> Area:
    """A point given by longitude and latitude, placed among the plant of a study.

    Parameters
    ----------
    study : Study
    at : tuple of two float
        Longitude and latitude in degrees, WGS 84.

    Returns
    -------
    Area

    Raises
    ------
    CallError
        Not a longitude and a latitude.
    StudyError
        The point lies elsewhere on Earth.
    """
    lon, lat = (float(value) for value in at)
    if not (np.isfinite(lon) and np.isfinite(lat) and abs(lon) <= 180 and abs(lat) <= 90):
        raise CallError(
            f"({lon:g}, {lat:g}): expected a longitude from -180 to 180 and a latitude from -90 "
            "to 90, in degrees, in this order"
        )
    frame = pd.DataFrame({"_row": [1], "_layer": [0]})
    shapes = np.array([shapely.Point(lon, lat)], dtype=object)
    layers = [Layer(_CHECKED_AS, "the point", "area", {})]
    return _placed(study, frame, shapes, LON_LAT, layers, Ledger(), np.zeros(1))


def _features(
    source: gpd.GeoDataFrame | Path | str, ledger: Ledger
) -> tuple[pd.DataFrame, CRS | None, str]:
    """Rows as they stand, their CRS, and what to call them in messages."""
    if isinstance(source, (str, Path)):
        path = Path(source)
        spec = LayerSpec("area", path.name, path.parent, path.name)
        if not path.exists():
            ledger.problem("there is no such file", file=path.name)
            return pd.DataFrame(), None, path.name
        try:
            raw = read_source(spec)
        except SourceError as fault:
            ledger.problems.extend(fault.problems)
            return pd.DataFrame(), None, path.name
        crs = raw.crs
        if crs is None and {"lon", "lat"} <= set(raw.frame):
            crs = LON_LAT
        return raw.frame.reset_index(drop=True), crs, path.name
    shape = getattr(source, "active_geometry_name", None)
    frame = pd.DataFrame(source).reset_index(drop=True)
    if shape is not None and shape != "geometry":
        frame = frame.drop(columns="geometry", errors="ignore").rename(columns={shape: "geometry"})
    frame["_row"] = np.arange(1, len(frame) + 1)
    return frame, getattr(source, "crs", None) if shape else None, "the area"


def _placed(
    study: Study,
    frame: pd.DataFrame,
    shapes: NDArray[np.object_],
    crs: CRS,
    layers: list[Layer],
    ledger: Ledger,
    own_reach_m: Floats,
) -> Area:
    """Bring features to the plant, once it is certain that they lie near it."""
    nearest = _nearest_m(study, shapes, crs)
    far = ~(nearest <= ELSEWHERE_M)
    if far.any():
        for row in np.flatnonzero(far):
            ledger.problems.append(_elsewhere(study, frame, shapes, crs, layers, nearest, int(row)))
        raise StudyError(ledger.problems)
    corners = corners_deg(crs, shapes)
    check_area_of_use(frame, shapes, corners, crs, layers, ledger)
    there, accuracy_m = to_lon_lat(
        shapes, corners, crs, study.datum, study.snap_m, layers[0].file, ledger
    )
    if ledger.problems:
        raise StudyError(ledger.problems)
    (lonlat,) = onto_wgs_84([there], [_corners_of_plant(study)], study.datum)
    flat = study.plane.flat(lonlat)
    hidden = ["_layer", "_row", "geometry"]
    plant = _plant(study)
    if len(plant):
        row, found = shapely.STRtree(plant).query_nearest(flat, all_matches=False)
        nearest = np.full(len(flat), np.nan)
        nearest[row] = study.plane.metres(flat[row], plant[found])
    return Area(
        flat,
        lonlat,
        frame.drop(columns=hidden, errors="ignore"),
        nearest,
        own_reach_m,
        accuracy_m,
        tuple(ledger.notes),
    )


def _nearest_m(study: Study, shapes: NDArray[np.object_], crs: CRS) -> Floats:
    """Metres on the ellipsoid from a point of each feature to the nearest plant; inf: not on Earth.

    To the nearest vertex, with one at least every kilometre: good enough to
    tell a dig from a mistake, and exact to metres where it is far.
    """
    plant = _plant(study)
    if not len(plant):
        return np.zeros(len(shapes))
    vertices = shapely.get_coordinates(shapely.segmentize(plant, _STEP_M))
    lon, lat = study.plane.degrees(vertices).T
    points = shapely.get_coordinates(shapely.point_on_surface(shapes))
    inside = transformer_between(crs, LON_LAT)
    x, y = (np.asarray(axis) for axis in inside.transform(points[:, 0], points[:, 1]))
    found = np.full(len(shapes), np.inf)
    for row in np.flatnonzero(np.isfinite(x) & np.isfinite(y)):
        many = np.ones(len(lon))
        found[row] = float(np.min(_GEOD.inv(x[row] * many, y[row] * many, lon, lat)[2]))
    return found


def _plant(study: Study) -> NDArray[np.object_]:
    """Geometries of everything that a dig can hit, in the study's plane."""
    plant = np.concatenate([study.geometries(role) for role in PLANT_ROLES])
    return np.asarray(plant[~shapely.is_missing(plant)], dtype=object)


def _corners_of_plant(study: Study) -> Floats:
    """Corners of what a dig can hit, in degrees: digs take the transformation of the plant."""
    shapes = np.concatenate([study.lonlat(role) for role in PLANT_ROLES])
    return shapely.bounds(shapes).reshape(-1, 2)


def _elsewhere(
    study: Study,
    frame: pd.DataFrame,
    shapes: NDArray[np.object_],
    crs: CRS,
    layers: list[Layer],
    nearest: Floats,
    row: int,
) -> Problem:
    first = shapely.get_coordinates(shapes[row])[0]
    where = f"({first[0]:.7g}, {first[1]:.7g}) in {crs_label(crs)}"
    lies = float(nearest[row])
    far = f"{metres(lies)} from the nearest plant" if np.isfinite(lies) else "nowhere on Earth"
    hint = "check its coordinate system"
    swapped = shapely.transform(shapes[row : row + 1], lambda points: points[:, ::-1])
    if crs.is_geographic and _nearest_m(study, swapped, crs)[0] <= ELSEWHERE_M:
        hint = "x and y look swapped: longitude comes first"
    elif crs.is_projected and np.abs(shapely.bounds(shapes[row])).max() <= 360:
        hint = "its coordinates look like degrees, but its coordinate system is in metres"
    return Problem(
        f"{where} lies {far}; {hint}",
        layers[0].file,
        None,
        int(frame["_row"].iloc[row]),
        "geometry",
    )
