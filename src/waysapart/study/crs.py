"""Coordinate systems: what layers state, how well they get to WGS 84, which grid is also shown."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Unpack

import numpy as np
import shapely
from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError
from pyproj.transformer import AreaOfInterest, TransformerGroup

from waysapart.study.ledger import Ledger

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from waysapart.study.columns import Consequence
    from waysapart.study.sources import Layer, LayerSpec

LON_LAT = CRS.from_epsg(4326)

_SOURCE_MARGIN_DEG = 3.0
"""How far beyond its area of use, in degrees, a CRS is let be: plant crosses the edge of a zone."""
_GRID_MARGIN_DEG = 6.0
"""How far beyond the grid that a study states plant may lie and still be what it was stated for."""
_WIDEST_STRIP_DEG = 30.0
"""How far from its meridian, on the ground, a transverse Mercator grid is let be: owners use one
zone for a whole country, and the projection is as exact there. Lengths in the grid change by 15 %,
but none is taken from a grid."""

_EXACT_M = 1.0
"""Datum shifts at least this good are not mentioned: the best shift between ETRS89 and WGS 84
is on record as 1 m, since WGS 84 itself is not defined better."""

_NO_SHIFT = "proj=noop"
"""How PROJ writes that two datums are taken for one."""

_CELL_DEG = 2
_CELLS = (360 // _CELL_DEG, 180 // _CELL_DEG)
_GAP_CELLS = 5
"""Plant with no more empty cells between is in one region, when swapped axes are looked for."""


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
    spec: LayerSpec,
    found: CRS | None,
    grid: CRS | None,
    has_geometry: bool,
    from_lon_lat: bool,
    ledger: Ledger,
) -> CRS | None:
    """CRS of a layer: what study.toml states for it, else what the source states, else the study's.

    `grid` is `crs` of study.toml. A layer that has geometry, yet no CRS, is a problem that says how
    to state one.
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
    if grid is not None:
        return grid
    if has_geometry:
        ledger.problem(
            "the layer has no coordinate system; state it in its [[layer]] of study.toml, or for "
            'all such layers at its top, such as crs = "EPSG:25832", or define it in your GIS',
            file=spec.shown_source,
            layer=spec.layer or spec.role,
            column="geometry",
        )
    return None


def crs_label(crs: CRS) -> str:
    """Short name of a CRS: its code where it has one."""
    authority = crs.to_authority()
    return ":".join(authority) if authority else crs.name


def shown_grid(stated: CRS | None, corners: Sequence[NDArray[np.float64]], ledger: Ledger) -> CRS:
    """The grid that reports and exports also show; degrees where no grid holds the plant.

    No answer depends on it.

    Parameters
    ----------
    stated : CRS or None
        `crs` of study.toml; None: the UTM zone in the middle of the plant, if it lies in or
        beside that zone.
    corners : sequence of arrays, shape (2 n, 2)
        Corners of each layer's geometries in degrees, from `corners_deg`.
    """
    every = np.concatenate([np.empty((0, 2)), *corners])
    every = every[np.isfinite(every).all(axis=1)]
    if stated is not None:
        if stated == LON_LAT or not len(every) or _inside(stated, every, _GRID_MARGIN_DEG).all():
            return stated
        x, y = transformer_between(LON_LAT, stated).transform(every[:, 0], every[:, 1])
        if np.isfinite(x).all() and np.isfinite(y).all():
            return stated
        ledger.note(
            f"crs: {crs_label(stated)} ({stated.name}) has no place for all of the plant, so that "
            "positions are shown in degrees alone"
        )
        return LON_LAT
    if not len(every):
        return LON_LAT
    low, high = every.min(axis=0), every.max(axis=0)
    lon, lat = (low + high) / 2
    zone = int(min((lon + 180) // 6, 59)) + 1
    utm = CRS.from_epsg((32600 if lat >= 0 else 32700) + zone)
    return utm if bool(_inside(utm, every, _SOURCE_MARGIN_DEG).all()) else LON_LAT


def corners_deg(crs: CRS, geometry: NDArray[np.object_]) -> NDArray[np.float64]:
    """Lower left and upper right corner of each geometry in degrees, shape (2 n, 2).

    Not finite where there is no geometry or the CRS does not reach.
    """
    bounds = shapely.bounds(geometry).reshape(-1, 2)
    return _to_deg(crs, bounds)


def _to_deg(crs: CRS, points: NDArray[np.float64]) -> NDArray[np.float64]:
    if crs.is_geographic and crs.axis_info[0].unit_name == "degree":
        beyond = (np.abs(points[:, 0]) > 180) & (np.abs(points[:, 0]) <= 360)
        if not beyond.any():
            return points
        turned = points.copy()  # counted on across the antimeridian, as some owners do
        turned[beyond, 0] = (points[beyond, 0] + 180) % 360 - 180
        return turned
    transformer = transformer_between(crs, LON_LAT)
    return np.column_stack(transformer.transform(points[:, 0], points[:, 1]))


def check_area_of_use(
    frame: pd.DataFrame,
    geometry: NDArray[np.object_],
    corners: NDArray[np.float64],
    crs: CRS,
    layers: Sequence[Layer],
    ledger: Ledger,
    **follows: Unpack[Consequence],
) -> NDArray[np.bool_]:
    """Which geometries cannot lie in the CRS that their layer states.

    Each is written down, with what `follows`. One problem for the layer where it is true of all
    of it, since then the layer's CRS is wrong, not its rows.
    """
    there = ~shapely.is_missing(geometry)
    outside = there & ~_inside(crs, corners, _SOURCE_MARGIN_DEG).reshape(-1, 2).all(axis=1)
    if not outside.any():
        return outside
    flipped = _to_deg(crs, shapely.bounds(geometry).reshape(-1, 2)[:, ::-1])
    swapped = _inside(crs, flipped, _SOURCE_MARGIN_DEG).reshape(-1, 2).all(axis=1)
    outside &= swapped | ~_in_wide_strip(crs, corners)
    advice = _SWAPPED if np.asarray(swapped)[outside].all() else _CHECK_CRS
    message = (
        f"lies outside the area of use of {crs_label(crs)} ({_area_text(crs)}): "
        f"found {{found}}; {advice}"
    )
    _tell(frame, geometry, there, outside, message, layers, ledger, follows)
    return outside


_SWAPPED = "x and y look swapped: longitude or easting comes first"
_CHECK_CRS = "check the layer's coordinate system and the order of its axes"


def _tell(
    frame: pd.DataFrame,
    geometry: NDArray[np.object_],
    there: NDArray[np.bool_],
    bad: NDArray[np.bool_],
    message: str,
    layers: Sequence[Layer],
    ledger: Ledger,
    follows: Consequence,
) -> None:
    """Write down rows of a layer whose geometry is in the wrong place; the layer where all are."""
    if not bad.any():
        return
    x_y = np.reshape(shapely.bounds(geometry), (-1, 4))[:, :2]
    if bad.sum() == there.sum() and there.sum() > 1:
        layer = layers[int(frame["_layer"].iloc[0])]
        first = int(np.flatnonzero(bad)[0])
        ledger.problem(
            "every geometry " + message.replace("{found}", _point_text(x_y[first])),
            file=layer.file,
            layer=layer.layer or layer.role,
            column="geometry",
        )
        return
    texts = [_point_text(point) for point in x_y]
    ledger.rows(frame, layers, bad, "geometry", message, texts, quoted=False, **follows)


def _in_wide_strip(crs: CRS, corners: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Geometries that a transverse Mercator grid holds beside the strip that it was made for."""
    found = np.zeros(len(corners) // 2, dtype=bool)
    operation = crs.coordinate_operation if crs.is_projected else None
    if operation is None or operation.method_name != "Transverse Mercator":
        return found
    meridian = next(
        (float(one.value) for one in operation.params if one.name == "Longitude of natural origin"),
        0.0,
    )
    area = crs.area_of_use
    south, north = (area.south, area.north) if area else (-90.0, 90.0)
    lon, lat = corners[:, 0], corners[:, 1]
    across = np.abs((lon - meridian + 180) % 360 - 180) * np.cos(np.radians(lat))
    good = (across <= _WIDEST_STRIP_DEG) & (lat >= south - _SOURCE_MARGIN_DEG)
    return np.asarray((good & (lat <= north + _SOURCE_MARGIN_DEG)).reshape(-1, 2).all(axis=1))


def check_swapped(
    systems: Sequence[CRS],
    corners: Sequence[NDArray[np.float64]],
    bounds: Sequence[NDArray[np.float64]],
    grid: CRS | None,
) -> list[NDArray[np.bool_]]:
    """Which geometries lie away from all other plant, but among it with x and y swapped.

    Parameters
    ----------
    systems : sequence of CRS
        Of each layer.
    corners : sequence of ndarray, shape (2 n, 2)
        Of its geometries, in degrees; not finite where there is none.
    bounds : sequence of ndarray, shape (n, 4)
        Of its geometries, in its own coordinates.
    grid : CRS or None
        `crs` of study.toml: the plant is where it is made for, if any is.

    Returns
    -------
    list of ndarray of bool, shape (n,)

    Notes
    -----
    The Earth is taken in cells of 2 degrees. Occupied cells with at most five between them are one
    region; home is the region with most geometries, of those that touch the area of the grid where
    any does. A geometry elsewhere whose swapped coordinates lie in a cell of home or in one beside
    it is swapped.
    """
    cells = [_cells(one[::2]) for one in corners]
    every = np.concatenate([np.empty(0, dtype=np.int64), *cells])
    count = np.bincount(every[every >= 0], minlength=_CELLS[0] * _CELLS[1])
    none = [np.zeros(len(one), dtype=bool) for one in cells]
    regions = _regions(count)
    if not regions:
        return none
    home: set[int] | None = None
    if grid is not None and not grid.is_geographic and grid.area_of_use is not None:
        place = np.concatenate([one[::2] for one in corners])
        inside = set(every[(every >= 0) & _inside(grid, place, _GRID_MARGIN_DEG)].tolist())
        touching = [region for region in regions if region & inside]
        regions = touching or regions
        home = None if touching else set()
    if home is None and len(regions) == 1 and len(regions[0]) == np.count_nonzero(count):
        return none
    if home is None:
        home = max(regions, key=lambda one: (sum(count[list(one)]), -min(one)))
    beside = {near for cell in home for near in _around(cell, 1)}
    found = []
    for crs, cell, box in zip(systems, cells, bounds, strict=True):
        away = np.flatnonzero((cell >= 0) & ~np.isin(cell, list(home)))
        bad = np.zeros(len(cell), dtype=bool)
        if len(away):
            flipped = _to_deg(crs, box[away][:, [1, 0]])
            if home:
                bad[away] = np.isin(_cells(flipped), list(beside))
            elif grid is not None:
                bad[away] = _inside(grid, flipped, _GRID_MARGIN_DEG)
        found.append(bad)
    return found


def tell_swapped(
    frame: pd.DataFrame,
    geometry: NDArray[np.object_],
    bad: NDArray[np.bool_],
    layers: Sequence[Layer],
    ledger: Ledger,
    **follows: Unpack[Consequence],
) -> None:
    """Write down what `check_swapped` found in a layer."""
    there = ~shapely.is_missing(geometry)
    message = f"lies far from all other plant: found {{found}}; {_SWAPPED}"
    _tell(frame, geometry, there, bad, message, layers, ledger, follows)


def _cells(lonlat: NDArray[np.float64]) -> NDArray[np.int64]:
    """Number of the cell that each place lies in; -1 where it lies nowhere."""
    good = np.isfinite(lonlat).all(axis=1) & (np.abs(lonlat[:, 1]) <= 90)
    lon, lat = np.where(good[:, None], lonlat, 0.0).T
    column = ((lon + 180) // _CELL_DEG).astype(np.int64) % _CELLS[0]
    row = np.minimum((lat + 90) // _CELL_DEG, _CELLS[1] - 1).astype(np.int64)
    return np.where(good, column + _CELLS[0] * row, -1)


def _around(cell: int, reach: int) -> list[int]:
    """The cells up to so many steps from one, itself among them."""
    row, column = divmod(cell, _CELLS[0])
    return [
        near * _CELLS[0] + (column + aside) % _CELLS[0]
        for near in range(max(row - reach, 0), min(row + reach, _CELLS[1] - 1) + 1)
        for aside in range(-reach, reach + 1)
    ]


def _regions(count: NDArray[np.int64]) -> list[set[int]]:
    """Occupied cells, put together where few empty ones lie between them."""
    left = set(np.flatnonzero(count).tolist())
    found = []
    while left:
        waiting = [left.pop()]
        region = set(waiting)
        while waiting:
            near = left.intersection(_around(waiting.pop(), _GAP_CELLS + 1))
            left -= near
            region |= near
            waiting += near
        found.append(region)
    return found


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


def reference_datum(systems: Sequence[tuple[CRS, int]]) -> CRS:
    """The geographic CRS of the datum that most geometries state.

    An error that all layers share moves nothing against anything else. So each layer is brought to
    the datum of most of the plant, how well that is known counts, and all of it goes on to WGS 84
    by one transformation.

    Parameters
    ----------
    systems : sequence of (CRS, int)
        Of each layer, with the number of its geometries.
    """
    count: dict[str, int] = {}
    first: dict[str, CRS] = {}
    for crs, number in systems:
        geodetic = crs.geodetic_crs
        if geodetic is None or not number:
            continue
        name = datum_name(crs)
        count[name] = count.get(name, 0) + number
        first.setdefault(name, geodetic)
    if not count:
        return LON_LAT
    most = max(count, key=lambda name: (count[name], name))
    return LON_LAT if most == datum_name(LON_LAT) else first[most].to_2d()


def datum_name(crs: CRS) -> str:
    """What the datum of a CRS is called, without what several names of one differ by."""
    datum = crs.datum
    name = datum.name if datum is not None else crs.name
    return name.removesuffix(" ensemble").replace("_", " ")


def to_lon_lat(
    geometry: NDArray[np.object_],
    corners: NDArray[np.float64],
    crs: CRS,
    reference: CRS,
    snap_m: float,
    label: str,
    ledger: Ledger,
) -> tuple[NDArray[np.object_], float]:
    """Geometries in longitude and latitude on the reference datum, and how accurate that is.

    Returns
    -------
    geometry : array of geometries
        In the coordinates of `reference`.
    accuracy_m : float
        0 where the shift between the datums is good to `snap_m`; otherwise its accuracy. A
        note is written down of a shift that is worse than 1 m.
    """
    if crs.equals(reference, ignore_axis_order=True) or shapely.is_missing(geometry).all():
        return geometry, 0.0
    transformer, best = _best_transformer(crs, reference, corners)
    if transformer is None:
        ledger.problem(
            f"no transformation is known from {crs_label(crs)} to {crs_label(reference)}; "
            "export the layer in another coordinate system",
            file=label,
            column="geometry",
        )
        return geometry, 0.0
    accuracy_m = float(transformer.accuracy)
    if accuracy_m < 0:
        if datum_name(crs) != datum_name(reference):
            ledger.problem(
                f"how {crs_label(crs)} lies to {crs_label(reference)} is not on record, so that "
                "its error could be hundreds of metres; export the layer in a coordinate system "
                "on the datum of the others",
                file=label,
                column="geometry",
            )
        accuracy_m = 0.0
    elif accuracy_m > min(_EXACT_M, snap_m):
        counts = accuracy_m > snap_m
        reason = "" if best else ": the grid for the best shift is not installed"
        so = (
            "it counts as positional accuracy"
            if counts
            else f"snap_m is {snap_m:g} m, so it is let be"
        )
        ledger.note(
            f"{label}: the datum shift from {crs_label(crs)} to {crs_label(reference)} is good to "
            f"{accuracy_m:g} m only{reason}; {so}"
        )
        accuracy_m = accuracy_m if counts else 0.0
    else:
        accuracy_m = 0.0
    return moved(geometry, transformer), accuracy_m


def onto_wgs_84(
    geometry: Sequence[NDArray[np.object_]],
    corners: Sequence[NDArray[np.float64]],
    reference: CRS,
) -> list[NDArray[np.object_]]:
    """Geometries on the reference datum, on WGS 84: all by one transformation."""
    if reference == LON_LAT:
        return list(geometry)
    transformer = to_wgs_84(reference, np.concatenate([np.empty((0, 2)), *corners]))
    if transformer.definition.startswith(_NO_SHIFT):
        return list(geometry)
    return [moved(one, transformer) for one in geometry]


def to_wgs_84(reference: CRS, corners: NDArray[np.float64]) -> Transformer:
    """The best transformation to WGS 84 for plant within some places, in degrees."""
    transformer, _ = _best_transformer(reference, LON_LAT, corners)
    return transformer or transformer_between(reference, LON_LAT)


def _best_transformer(
    crs: CRS, target: CRS, corners: NDArray[np.float64]
) -> tuple[Transformer | None, bool]:
    """The best transformation that is installed here, and whether it is the best on record."""
    finite = corners[np.isfinite(corners).all(axis=1)]
    area = None
    if len(finite):
        low, high = finite.min(axis=0), finite.max(axis=0)
        area = AreaOfInterest(float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # said by us, in the report's own words
        group = TransformerGroup(crs, target, always_xy=True, area_of_interest=area)
    return (group.transformers[0] if group.transformers else None), group.best_available


def moved(geometry: NDArray[np.object_], transformer: Transformer) -> NDArray[np.object_]:
    """Geometries in the coordinates that a transformation leads to."""

    def move(points: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.column_stack(transformer.transform(points[:, 0], points[:, 1]))

    found: NDArray[np.object_] = shapely.transform(geometry, move)
    return found
