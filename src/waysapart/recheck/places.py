"""Where plant lies: layers in longitude and latitude, and the plane in which it is measured.

Everything is drawn in one conformal plane about the middle of the plant (stereographic, by PROJ),
with long straight stretches divided along the geodesic first. In a conformal plane lengths about a
place are those on the ground times the scale there, whatever their direction; so every distance is
divided by the scale of the place where it is measured. What lies too far apart for that is measured
along the geodesic between the two places.
"""

from __future__ import annotations

import warnings
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise, product
from math import atan2, ceil, cos, degrees, hypot, radians, sin
from typing import Any

import numpy as np
import shapely
from pyproj import CRS, Geod, Proj, Transformer
from pyproj.transformer import AreaOfInterest, TransformerGroup

from waysapart.recheck.faulty_rows import Row, undrawn

LON_LAT = CRS.from_epsg(4326)
GEOD = Geod(ellps="WGS84")
STRAIGHT_M = 500.0
FAR_M = 1_000.0
"""Beyond this a distance is that of the geodesic between the two places."""
_NEAR_MIDDLE_M = 3e6
_ROOM = 1.002
_CELL_DEG = 2
_COLUMNS, _ROWS = 360 // _CELL_DEG, 180 // _CELL_DEG
_GAP_CELLS = 5
_STRIP_DEG = 30.0
_GRID_DEG, _AREA_DEG = 6.0, 3.0


class NoTransformationError(Exception):
    """PROJ knows no way from one coordinate system to another."""


def geodesic_m(one: Sequence[float], other: Sequence[float]) -> float:
    """Metres on the ellipsoid between two places in longitude and latitude."""
    return float(GEOD.inv(one[0], one[1], other[0], other[1])[2])


class Sheet:
    """The plane in which a study is drawn; shapes in it are called flat."""

    def __init__(self, lonlat: Iterable[Any]) -> None:
        self.middle = _middle(shapely.get_coordinates(list(lonlat)))
        lon, lat = self.middle or (0.0, 0.0)
        said = f"+proj=stere +lat_0={lat} +lon_0={lon} +datum=WGS84 +units=m"
        self._flat = Transformer.from_crs(LON_LAT, said, always_xy=True)
        self._factors = Proj(said)
        self._scales: dict[tuple[float, float], float] = {}

    def flat(self, shape: Any) -> Any:
        """A shape in longitude and latitude, or a list of them, in the plane."""
        return carried(shape, self._flat)

    def drawn(self, shapes: Iterable[Any]) -> list[Any]:
        """Shapes in longitude and latitude in the plane, with vertices along geodesics."""
        return list(self.flat(divided(shapes))) if (shapes := list(shapes)) else []

    def degrees(self, place: Any) -> tuple[float, float]:
        """Longitude and latitude of a point in the plane."""
        lon, lat = self._factors(place.x, place.y, inverse=True)
        return float(lon), float(lat)

    def scale(self, place: Any) -> float:
        """How much longer anything about a point is in the plane than on the ground.

        Worked out every 100 m (every 10 m beyond 3,000 km from the middle): it differs by less
        than 4e-6 between these, 4 mm in the longest distance that is measured so.
        """
        digits = -2 if hypot(place.x, place.y) < _NEAR_MIDDLE_M else -1
        near = round(place.x, digits), round(place.y, digits)
        if near not in self._scales:
            place_deg = self._factors(*near, inverse=True)
            self._scales[near] = float(self._factors.get_factors(*place_deg).meridional_scale)
        return self._scales[near]

    def scales(self, shapes: Sequence[Any]) -> Any:
        """The scale at the middle of the bounds of each shape; 1 for none."""
        box = shapely.bounds(np.array(shapes, dtype=object)).reshape(-1, 4)
        good = np.isfinite(box).all(axis=1)
        found = np.ones(len(box))
        if good.any():
            x, y = (box[good, 0] + box[good, 2]) / 2, (box[good, 1] + box[good, 3]) / 2
            lon, lat = self._factors(x, y, inverse=True)
            found[good] = self._factors.get_factors(lon, lat).meridional_scale
        return found

    def widest(self, shapes: Sequence[Any]) -> float:
        """The greatest scale at any corner of the bounds of shapes, and a little more."""
        box = shapely.total_bounds(np.array(shapes, dtype=object))
        if not np.isfinite(box).all():
            return 1.0
        corners = product((box[0], box[2]), (box[1], box[3]))
        return max(self.scale(shapely.Point(*corner)) for corner in corners) * _ROOM

    def metres(self, one: Any, other: Any) -> float:
        """How far two shapes in the plane lie apart on the ground."""
        if one.intersects(other):
            return 0.0
        first, last = (shapely.Point(at) for at in shapely.shortest_line(one, other).coords)
        middle = shapely.Point((first.x + last.x) / 2, (first.y + last.y) / 2)
        away = first.distance(last) / self.scale(middle)
        if away < FAR_M:
            return float(away)
        return geodesic_m(self.degrees(first), self.degrees(last))

    def length(self, line: Any) -> Length:
        """Where along a line in the plane its vertices lie, there and on the ground."""
        points = shapely.get_coordinates(line)
        lon, lat = self._factors(points[:, 0], points[:, 1], inverse=True)
        ground = GEOD.inv(lon[:-1], lat[:-1], lon[1:], lat[1:])[2]
        flat = np.hypot(*np.diff(points, axis=0).T)
        return Length(*(np.concatenate([[0.0], np.cumsum(one)]) for one in (flat, ground)))


@dataclass
class Length:
    """Chainages of the vertices of a line: in the plane, and on the ground."""

    flat: Any
    ground: Any

    @property
    def metres(self) -> float:
        """Length of the line on the ground."""
        return float(self.ground[-1])

    def fraction(self, flat: float) -> float:
        """What part of its length on the ground a place so far along it in the plane is."""
        return float(np.interp(flat, self.flat, self.ground)) / (self.metres or 1.0)

    def flat_at(self, metres: float) -> float:
        """How far along it in the plane a place so far on the ground is."""
        return float(np.interp(metres, self.ground, self.flat))


def part_of(line: Any, low: float, high: float) -> Any:
    """What of a line in longitude and latitude lies between two parts of its length."""
    if (low, high) == (0.0, 1.0):
        return line
    places = shapely.get_coordinates(line)
    lon, lat = places.T
    azimuth, _, step = GEOD.inv(lon[:-1], lat[:-1], lon[1:], lat[1:])
    at = np.concatenate([[0.0], np.cumsum(step)])

    def place(metres: float) -> tuple[float, ...]:
        k = min(max(int(np.searchsorted(at, metres)) - 1, 0), len(step) - 1)
        return tuple(GEOD.fwd(lon[k], lat[k], azimuth[k], metres - at[k])[:2])

    begin, end = low * at[-1], high * at[-1]
    inner = places[(at > begin) & (at < end)].tolist()
    return shapely.LineString([place(begin), *inner, place(end)])


def divided(shapes: Iterable[Any]) -> list[Any]:
    """Shapes in longitude and latitude with vertices along geodesics on their long edges."""
    found = list(shapes)
    points, owner = shapely.get_coordinates(found, return_index=True)
    if len(points) < 2:
        return found
    lon, lat = points.T
    metres = np.asarray(GEOD.inv(lon[:-1], lat[:-1], lon[1:], lat[1:])[2])
    long = (metres > STRAIGHT_M) & (owner[1:] == owner[:-1])
    for number in set(owner[1:][long].tolist()):
        found[number] = _divided(found[number])
    return found


def _divided(shape: Any) -> Any:
    if shape.geom_type == "Polygon":
        rings = [_divided(ring).coords for ring in (shape.exterior, *shape.interiors)]
        return shapely.Polygon(rings[0], rings[1:])
    if hasattr(shape, "geoms"):
        return type(shape)([_divided(part) for part in shape.geoms])
    if shape.geom_type == "Point":
        return shape
    more = [shape.coords[0]]
    for one, two in pairwise(shape.coords):
        metres = geodesic_m(one, two)
        if metres > STRAIGHT_M:
            more += GEOD.npts(one[0], one[1], two[0], two[1], ceil(metres / STRAIGHT_M) - 1)
        more.append(two)
    return shapely.LineString(more)


def _middle(lonlat: Any) -> tuple[float, float] | None:
    """Longitude and latitude in the middle of places, wherever on the globe they lie.

    The mean of them, or a place that lies less far from all of them where some lie more than 110
    degrees away. None where there is no place.
    """
    good = lonlat[np.isfinite(lonlat).all(axis=1)]
    if not len(good):
        return None
    lon, lat = np.radians(good).T
    units = np.stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)], axis=1)
    mean = units.mean(axis=0)
    if np.linalg.norm(mean) < 1e-3 or (units @ mean).min() < cos(radians(110)) * hypot(*mean):
        spread = [
            (cos(n) * cos(e), cos(n) * sin(e), sin(n))
            for n in map(radians, range(-85, 90, 10))
            for e in map(radians, range(-180, 180, 10))
        ]
        mean = max(spread, key=lambda one: float((units @ np.array(one)).min()))
    x, y, z = (float(one) for one in mean)
    return degrees(atan2(y, x)), degrees(atan2(z, hypot(x, y)))


# Layers brought to longitude and latitude


@dataclass
class Drawn:
    """Rows of a layer, its CRS (None: it states none), and how accurate it says that it is."""

    role: str
    rows: list[Row]
    own: CRS
    accuracy_m: float
    shift_m: float = 0.0

    @property
    def there(self) -> list[Row]:
        """Rows that have a place."""
        return [row for row in self.rows if row.get("geometry") is not None]

    def leave_out(self, rows: Iterable[Row]) -> None:
        """Rows that lie where they cannot lie lose their place."""
        for row in rows:
            row["geometry"] = row["_given"] = None  # not on record
            row["_faults"].append(undrawn(self.role))


def place(layers: list[Drawn], grid: CRS | None, snap_m: float) -> CRS:
    """Bring rows to longitude and latitude; note how far they may lie from where they are.

    Returns the geographic coordinates of the datum that most of them state.
    """
    for layer in layers:
        for row in layer.rows:
            row["_given"], row["_given_degrees"] = row.get("geometry"), layer.own.is_geographic
        layer.leave_out(_outside(layer))
    for layer, rows in _swapped(layers, grid):
        layer.leave_out(rows)
    datum = _datum([(layer.own, len(layer.there)) for layer in layers])
    put(layers, datum, snap_m)
    return datum


def put(layers: list[Drawn], datum: CRS, snap_m: float) -> None:
    """Bring rows to a datum, each layer by the best way there is, and all at once to WGS 84."""
    for layer in layers:
        layer.shift_m = shift = _moved(layer, datum, snap_m)
        for row in layer.rows:
            row["_accuracy_m"], row["_shift_m"] = layer.accuracy_m + shift, shift
    there = [row for layer in layers for row in layer.there]
    if there and datum != LON_LAT:
        shapes = [row["geometry"] for row in there]
        onward = _best(datum, LON_LAT, datum, shapes)
        for row, shape in zip(there, carried(shapes, onward), strict=True):
            row["geometry"] = shape


def _datum(systems: list[tuple[CRS, int]]) -> CRS:
    count: Counter[str] = Counter()
    for crs, number in systems:
        if number:
            count[_called(crs)] += number
    most = max(count, key=lambda name: (count[name], name), default=_called(LON_LAT))
    if most == _called(LON_LAT):
        return LON_LAT
    first = next(crs for crs, number in systems if number and _called(crs) == most)
    return LON_LAT if first.geodetic_crs is None else first.geodetic_crs.to_2d()


def _called(crs: CRS) -> str:
    name = crs.datum.name if crs.datum is not None else crs.name
    return str(name).removesuffix(" ensemble").replace("_", " ")


def _best(own: CRS, to: CRS, of: CRS, shapes: list[Any]) -> Any:
    """The best transformation at hand from one CRS to another, for shapes in `of`."""
    corners = shapely.bounds(shapes)
    x, y = _to_degrees(of, corners[:, [0, 2]].ravel(), corners[:, [1, 3]].ravel())
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)
        area = AreaOfInterest(min(x), min(y), max(x), max(y))
        group = TransformerGroup(own, to, always_xy=True, area_of_interest=area)
    if not group.transformers:
        raise NoTransformationError(f"no transformation is known from {own.name} to {to.name}")
    return group.transformers[0]


def _moved(layer: Drawn, datum: CRS, snap_m: float) -> float:
    """Bring geometries to a datum; the accuracy of the datum shift, 0 where good to `snap_m`."""
    there, own = layer.there, layer.own
    if not there or own.equals(datum, ignore_axis_order=True):
        return 0.0
    shapes = [row["geometry"] for row in there]
    way = _best(own, datum, own, shapes)
    for row, shape in zip(there, carried(shapes, way), strict=True):
        row["geometry"] = shape
    return 0.0 if way.accuracy <= snap_m else float(way.accuracy)


def _to_degrees(own: CRS, x: Any, y: Any) -> tuple[Any, Any]:
    if own.is_geographic and own.axis_info[0].unit_name == "degree":
        beyond = (np.abs(x) > 180) & (np.abs(x) <= 360)
        return np.where(beyond, (x + 180) % 360 - 180, x), y
    lon, lat = to_degrees(own).transform(x, y)
    return lon, lat


def _outside(layer: Drawn) -> list[Row]:
    """Rows that cannot lie in their own CRS: beside its area, and beside its wide strip."""
    there, own = layer.there, layer.own
    if not there:
        return []
    box = shapely.bounds([row["geometry"] for row in there]).reshape(-1, 2).T
    lon, lat = _to_degrees(own, *box)
    inside = _both(_inside(own, lon, lat, _AREA_DEG))
    if inside.all():
        return []
    turned = _both(_inside(own, *_to_degrees(own, *box[::-1]), _AREA_DEG))
    wide = np.zeros(len(there), dtype=bool)
    way = own.coordinate_operation if own.is_projected else None
    if way is not None and way.method_name == "Transverse Mercator":
        said = [one.value for one in way.params if one.name == "Longitude of natural origin"]
        off = np.abs((lon - float(said[0] if said else 0.0) + 180) % 360 - 180)
        _, south, _, north = own.area_of_use.bounds if own.area_of_use else (0, -90, 0, 90)
        strip = off * np.cos(np.radians(lat)) <= _STRIP_DEG
        wide = _both(strip & (lat >= south - _AREA_DEG) & (lat <= north + _AREA_DEG))
    bad = ~inside & (turned | ~wide)
    return [row for row, one in zip(there, bad.tolist(), strict=True) if one]


def _both(good: Any) -> Any:
    return np.asarray(good).reshape(-1, 2).all(axis=1)


def _inside(area: CRS, lon: Any, lat: Any, margin: float) -> Any:
    bounds = area.area_of_use.bounds if area.area_of_use else (-180.0, -90.0, 180.0, 90.0)
    west, south, east, north = bounds
    across = east < west
    east += 360 * across
    x = np.where(across & (lon < west - margin), lon + 360, lon)
    good = (x >= max(west - margin, -180)) & (x <= max(east, min(east + margin, 180)))
    return good & (lat >= max(south - margin, -90)) & (lat <= min(north + margin, 90))


Cell = tuple[int, int]


def _swapped(layers: list[Drawn], grid: CRS | None) -> list[tuple[Drawn, list[Row]]]:
    """Rows that lie away from all other plant, but among it with x and y swapped."""
    at: list[tuple[Drawn, Row, Cell, float, float]] = []
    for layer in layers:
        if not (there := layer.there):
            continue
        box = shapely.bounds([row["geometry"] for row in there])
        lon, lat = _to_degrees(layer.own, box[:, 0], box[:, 1])
        for row, x, y in zip(there, lon.tolist(), lat.tolist(), strict=True):
            if np.isfinite([x, y]).all() and abs(y) <= 90:
                at.append((layer, row, _cell(x, y), x, y))
    count = Counter(one[2] for one in at)
    regions = _regions(set(count))
    found: list[tuple[Drawn, list[Row]]] = []
    stated = None if grid is None or grid.is_geographic else grid
    area = stated if stated is not None and stated.area_of_use is not None else None
    home: set[Cell] | None = None
    if area is not None:
        inside = {cell for _, _, cell, x, y in at if bool(_inside(area, x, y, _GRID_DEG))}
        touching = [region for region in regions if region & inside]
        home = None if touching else set()
        regions = touching or regions
    if not regions or (home is None and len(regions) == 1 and len(regions[0]) == len(count)):
        return found
    if home is None:
        home = max(
            regions, key=lambda one: (sum(count[cell] for cell in one), [-n for n in min(one)])
        )
    beside = {near for cell in home for near in _around(cell, 1)}
    for layer in layers:
        bad = []
        for mine, row, cell, _, _ in at:
            if mine is layer and cell not in home:
                x, y = shapely.bounds(row["geometry"])[[1, 0]]
                lon, lat = _to_degrees(layer.own, np.array([x]), np.array([y]))
                if home:
                    good = np.isfinite([lon[0], lat[0]]).all() and abs(lat[0]) <= 90
                    among = bool(good) and _cell(float(lon[0]), float(lat[0])) in beside
                else:
                    assert area is not None
                    among = bool(_inside(area, lon, lat, _GRID_DEG)[0])
                if among:
                    bad.append(row)
        found.append((layer, bad))
    return found


def _cell(lon: float, lat: float) -> Cell:
    row = min(int((lat + 90) // _CELL_DEG), _ROWS - 1)
    return row, int((lon + 180) // _CELL_DEG) % _COLUMNS


def _around(cell: Cell, reach: int) -> list[Cell]:
    near = range(-reach, reach + 1)
    return [(cell[0] + up, (cell[1] + aside) % _COLUMNS) for up, aside in product(near, near)]


def _regions(cells: set[Cell]) -> list[set[Cell]]:
    """Cells with few empty ones between them, together."""
    left, found = set(cells), []
    while left:
        waiting = [left.pop()]
        region = set(waiting)
        for cell in waiting:  # grows as it goes
            near = left & set(_around(cell, _GAP_CELLS + 1))
            left -= near
            region |= near
            waiting += near
        found.append(region)
    return found


@cache
def to_degrees(crs: CRS) -> Transformer:
    """From a coordinate system to longitude and latitude."""
    return Transformer.from_crs(crs, LON_LAT, always_xy=True)


def carried(shape: Any, transformer: Transformer) -> Any:
    """A geometry, or a list of them, in another coordinate system."""
    return shapely.transform(
        shape, lambda points: np.column_stack(transformer.transform(points[:, 0], points[:, 1]))
    )
