"""Coordinate systems: which one the study works in, and how well each layer gets there."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Unpack

import numpy as np
import shapely
from pyproj import CRS, Proj, Transformer
from pyproj.exceptions import CRSError, ProjError
from pyproj.transformer import AreaOfInterest, TransformerGroup

from waysapart.study.ledger import Ledger

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from waysapart.study.columns import Consequence
    from waysapart.study.sources import Layer, LayerSpec

LON_LAT = CRS.from_epsg(4326)
NO_GEOMETRY_CRS = CRS.from_epsg(32631)
"""Working CRS of a study without any geometry, where it makes no difference."""

_SOURCE_MARGIN_DEG = 3.0
_WORKING_MARGIN_DEG = 6.0
"""How far beyond its area of use, in degrees, a CRS is let be: plant crosses the edge of a zone."""

_EXACT_M = 1.0
"""Datum shifts at least this good are taken as exact: the best shift between ETRS89 and WGS 84
is on record as 1 m, since WGS 84 itself is not defined better."""

_MOST_SCALE_ERROR = 0.01
_WIDEST_PLANT_DEG = 12.0


@lru_cache(maxsize=32)
def transformer_between(source: CRS, target: CRS) -> Transformer:
    """Turn x and y (or longitude and latitude, in this order) from one CRS into another.

    Choosing the operation takes a tenth of a second each time, and every stage needs one;
    it depends on nothing but the two systems.
    """
    return Transformer.from_crs(source, target, always_xy=True)


def parse_crs(stated: str, file: str, column: str, ledger: Ledger) -> CRS | None:
    """A CRS from its name; None (and a problem) where PROJ does not know it."""
    try:
        return CRS.from_user_input(stated)
    except CRSError:
        ledger.problem(
            f"unknown coordinate system {stated!r}; expected a code such as 'EPSG:25832'",
            file=file,
            column=column,
        )
        return None


def layer_crs(
    spec: LayerSpec, found: CRS | None, has_geometry: bool, from_lon_lat: bool, ledger: Ledger
) -> CRS | None:
    """CRS of a layer: what study.toml states for it, else what the source states.

    A layer that has geometry, yet no CRS, is a problem that says how to state one.
    """
    if spec.crs is not None:
        stated = parse_crs(spec.crs, spec.declared_in, f"layer.crs ({spec.source})", ledger)
        if stated is not None and found is not None and stated != found:
            ledger.note(
                f"{spec.shown_source}: read in {spec.crs}, as study.toml states, "
                f"not in {crs_label(found)}, as the file states"
            )
        return stated
    if found is not None:
        return found
    if from_lon_lat:
        return LON_LAT
    if has_geometry:
        ledger.problem(
            "the layer has no coordinate system; state it in its [[layer]] of study.toml, "
            'such as crs = "EPSG:25832", or define it in your GIS',
            file=spec.shown_source,
            layer=spec.layer or spec.role,
            column="geometry",
        )
    return None


def crs_label(crs: CRS) -> str:
    """Short name of a CRS: its code where it has one."""
    authority = crs.to_authority()
    return ":".join(authority) if authority else crs.name


def working_crs(
    stated: str | None,
    file: str,
    corners: Sequence[NDArray[np.float64]],
    ledger: Ledger,
) -> CRS | None:
    """The CRS that lengths are worked out in: projected, in metres.

    Parameters
    ----------
    stated : str or None
        `crs` of study.toml; None: the UTM zone in the middle of the data.
    corners : sequence of arrays, shape (2 n, 2)
        Corners of each layer's geometries in degrees, from `corners_deg`.
    """
    bounds = _bounds_deg(corners)
    if stated is None:
        if bounds is None:
            return NO_GEOMETRY_CRS
        return _middle_utm(bounds, corners)
    crs = parse_crs(stated, file, "crs", ledger)
    if crs is None:
        return None
    metric = crs.is_projected and all(
        axis.unit_name in {"metre", "meter"} for axis in crs.axis_info[:2]
    )
    if not metric:
        ledger.problem(
            f"the working coordinate system must be projected, in metres; {stated} "
            f"({crs.name}) is not; leave crs out to work in the UTM zone of the data",
            file=file,
            column="crs",
        )
        return None
    if bounds is not None:
        middle = np.array([[(bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2]])
        scale = _scale_error(crs, *middle[0])
        # where the data lie outside the CRS's area, that is what is wrong, and is said elsewhere
        if scale > _MOST_SCALE_ERROR and _inside(crs, middle, _WORKING_MARGIN_DEG).all():
            ledger.problem(
                f"{stated} ({crs.name}) changes lengths by {100 * scale:.0f} % where the plant "
                "lies; take a national grid or a UTM zone, or leave crs out",
                file=file,
                column="crs",
            )
            return None
    return crs


def _middle_utm(
    bounds: tuple[float, float, float, float],
    corners: Sequence[NDArray[np.float64]],
) -> CRS:
    """The UTM zone in the middle of the data.

    The middle is that of the bounds, as in GeoPandas, unless they are wider
    than any plant: then a few stray coordinates must not choose the zone for
    all others, and the median decides.
    """
    import geopandas as gpd

    if max(bounds[2] - bounds[0], bounds[3] - bounds[1]) > _WIDEST_PLANT_DEG:
        every = np.concatenate(list(corners))
        x, y = np.median(every[np.isfinite(every).all(axis=1)], axis=0)
        bounds = (x, y, x, y)
    found: CRS = gpd.GeoSeries([shapely.box(*bounds)], crs=LON_LAT).estimate_utm_crs()
    return found


def _scale_error(crs: CRS, lon: float, lat: float) -> float:
    """Greatest relative change of lengths that a projection makes at a place."""
    try:
        factors = Proj(crs).get_factors(lon, lat)
    except ProjError:
        return 0.0
    scales = (factors.meridional_scale, factors.parallel_scale)
    return float(max(abs(scale - 1) for scale in scales)) if np.isfinite(scales).all() else 0.0


def _bounds_deg(
    corners: Sequence[NDArray[np.float64]],
) -> tuple[float, float, float, float] | None:
    """Bounds of all geometries in degrees; None where there is none."""
    lows, highs = [], []
    for points in corners:
        finite = points[np.isfinite(points).all(axis=1)]
        if len(finite):
            lows.append(finite.min(axis=0))
            highs.append(finite.max(axis=0))
    if not lows:
        return None
    low, high = np.min(lows, axis=0), np.max(highs, axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def corners_deg(crs: CRS, geometry: NDArray[np.object_]) -> NDArray[np.float64]:
    """Lower left and upper right corner of each geometry in degrees, shape (2 n, 2).

    Not finite where there is no geometry or the CRS does not reach.
    """
    bounds = shapely.bounds(geometry).reshape(-1, 2)
    return _to_deg(crs, bounds)


def _to_deg(crs: CRS, points: NDArray[np.float64]) -> NDArray[np.float64]:
    if crs.is_geographic and crs.axis_info[0].unit_name == "degree":
        return points
    transformer = transformer_between(crs, LON_LAT)
    return np.column_stack(transformer.transform(points[:, 0], points[:, 1]))


def check_area_of_use(
    frame: pd.DataFrame,
    geometry: NDArray[np.object_],
    corners: NDArray[np.float64],
    crs: CRS,
    working: CRS,
    layers: Sequence[Layer],
    ledger: Ledger,
    **follows: Unpack[Consequence],
) -> NDArray[np.bool_]:
    """Which geometries lie outside the area of use of their own or the working CRS.

    Each is written down, with what `follows`. One problem for the layer where all of it lies
    outside, since then the layer's CRS is wrong, not its rows.
    """
    there = ~shapely.is_missing(geometry)
    for area_crs, margin in ((crs, _SOURCE_MARGIN_DEG), (working, _WORKING_MARGIN_DEG)):
        inside = _inside(area_crs, corners, margin).reshape(-1, 2).all(axis=1)
        outside = there & ~inside
        if not outside.any():
            continue
        flipped = _to_deg(crs, shapely.bounds(geometry).reshape(-1, 2)[:, ::-1])
        swapped = _inside(area_crs, flipped, margin).reshape(-1, 2).all(axis=1)
        advice = (
            "x and y look swapped: longitude or easting comes first"
            if np.asarray(swapped)[outside].all()
            else "check the layer's coordinate system and the order of its axes"
        )
        message = (
            f"lies outside the area of use of {crs_label(area_crs)} ({_area_text(area_crs)}): "
            f"found {{found}}; {advice}"
        )
        whole = bool(outside.sum() == there.sum() and there.sum() > 1)
        x_y = np.reshape(shapely.bounds(geometry), (-1, 4))[:, :2]
        if whole:
            layer = layers[int(frame["_layer"].iloc[0])]
            first = int(np.flatnonzero(outside)[0])
            ledger.problem(
                "every geometry " + message.replace("{found}", _point_text(x_y[first])),
                file=layer.file,
                layer=layer.layer or layer.role,
                column="geometry",
            )
        else:
            texts = [_point_text(point) for point in x_y] if outside.any() else []
            ledger.rows(frame, layers, outside, "geometry", message, texts, quoted=False, **follows)
        return outside
    return np.zeros(len(geometry), dtype=bool)


def _point_text(point: Sequence[float] | NDArray[np.float64]) -> str:
    return (
        f"({point[0]:g}, {point[1]:g})"
        if abs(point[0]) < 1000
        else (f"({point[0]:.0f}, {point[1]:.0f})")
    )


def _inside(crs: CRS, points: NDArray[np.float64], margin: float) -> NDArray[np.bool_]:
    area = crs.area_of_use
    west, south, east, north = area.bounds if area else (-180.0, -90.0, 180.0, 90.0)
    x, y = points[:, 0], points[:, 1]
    if east < west:  # across the 180th meridian
        east += 360
        x = np.where(x < west - margin, x + 360, x)
    good = (x >= max(west - margin, -180)) & (x <= max(east, min(east + margin, 180)))
    result: NDArray[np.bool_] = (
        good & (y >= max(south - margin, -90)) & (y <= min(north + margin, 90))
    )
    return result


def _area_text(crs: CRS) -> str:
    area = crs.area_of_use
    if area is None:
        return "180 W to 180 E, 90 S to 90 N"
    lon = [f"{abs(value):g} {'W' if value < 0 else 'E'}" for value in (area.west, area.east)]
    lat = [f"{abs(value):g} {'S' if value < 0 else 'N'}" for value in (area.south, area.north)]
    return f"{lon[0]} to {lon[1]}, {lat[0]} to {lat[1]}"


def reprojected(
    geometry: NDArray[np.object_],
    corners: NDArray[np.float64],
    crs: CRS,
    working: CRS,
    label: str,
    ledger: Ledger,
) -> tuple[NDArray[np.object_], float]:
    """Geometries in the working CRS, and the accuracy in metres of getting there.

    Returns
    -------
    geometry : array of geometries
    accuracy_m : float
        0 where the shift between the datums is the best on record and good to
        1 m; otherwise its accuracy, of which a note is written down.
    """
    if crs == working or shapely.is_missing(geometry).all():
        return geometry, 0.0
    bounds = _bounds_deg([corners])
    area = AreaOfInterest(*bounds) if bounds else None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # said below, in the report's own words
        group = TransformerGroup(crs, working, always_xy=True, area_of_interest=area)
    if not group.transformers:
        ledger.problem(
            f"no transformation is known from {crs_label(crs)} to {crs_label(working)}; "
            "export the layer in another coordinate system",
            file=label,
            column="geometry",
        )
        return geometry, 0.0
    transformer = group.transformers[0]
    accuracy_m = float(transformer.accuracy)
    if accuracy_m < 0:
        same_datum = crs.geodetic_crs == working.geodetic_crs
        if not same_datum:
            ledger.problem(
                f"how {crs_label(crs)} lies to {crs_label(working)} is not on record, so that "
                "its error could be hundreds of metres; export the layer in a coordinate system "
                "on the datum of the others",
                file=label,
                column="geometry",
            )
        accuracy_m = 0.0
    elif group.best_available and accuracy_m <= _EXACT_M:
        accuracy_m = 0.0
    else:
        reason = "" if group.best_available else ": the grid for the best shift is not installed"
        ledger.note(
            f"{label}: the datum shift from {crs_label(crs)} to {crs_label(working)} is good to "
            f"{accuracy_m:g} m only{reason}; it counts as positional accuracy"
        )

    def move(points: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.column_stack(transformer.transform(points[:, 0], points[:, 1]))

    moved: NDArray[np.object_] = shapely.transform(geometry, move)
    return moved, accuracy_m
