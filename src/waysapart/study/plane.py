"""Where does plant lie in the plane in which it is searched, and what is a length there on Earth?

Longitude and latitude are the record. What shapes are asked for (which lie within a distance, where
lines cross, what an outline holds) is asked in one plane: the stereographic projection about the
middle of the plant. It has no zones and no edge but the far side of the Earth, so a plant may span
a continent, the antimeridian or a pole. It is conformal: about a place lengths in every direction
are those on the ellipsoid times one scale, which `Plane.scale` gives. Every distance is divided by
the scale of the place where it is measured, so no answer depends on where the middle lies.

A straight line of the plane bends away from the geodesic by L^2 / 8 times the gradient of the
scale: 4 m in 100 km at 30 km from the middle. Long stretches between vertices are divided along the
geodesic first, so that 2 mm are left.

References
----------
J. P. Snyder, Map projections - a working manual, USGS Professional Paper 1395 (1987), chapter 21
(oblique stereographic projection of the ellipsoid by way of the conformal sphere); C. F. F. Karney,
Transverse Mercator with an accuracy of a few nanometers, Journal of Geodesy 85 (2011), 475-485,
equations 7 to 9 (conformal latitude); K. E. Engsager and K. Poder, A highly accurate world wide
algorithm for the transverse Mercator mapping (almost), 23rd International Cartographic Conference
(2007) (its series for the way back).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import shapely
from pyproj import Geod

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Shapes = NDArray[np.object_]
    OneOrMore = shapely.Geometry | Shapes | None

GEOD = Geod(ellps="WGS84")
_A = 6378137.0
_F = 1.0 / 298.257223563
"""WGS84 (NIMA TR8350.2, table 3.1)."""
_E2 = _F * (2.0 - _F)
_E = np.sqrt(_E2)
_N = _F / (2.0 - _F)
_BACK = (
    2 * _N - 2 / 3 * _N**2 - 2 * _N**3 + 116 / 45 * _N**4,
    7 / 3 * _N**2 - 8 / 5 * _N**3 - 227 / 45 * _N**4,
    56 / 15 * _N**3 - 136 / 35 * _N**4,
    4279 / 630 * _N**4,
)
"""Geographic less conformal latitude: coefficients of sin 2x, 4x, 6x, 8x."""
_MOST_BEND_M = 0.002
_CONFORMAL_GRADIENT = 0.0034
"""Greatest gradient of the conformal sphere's own scale, over the radius of the Earth."""
_BESIDE_M = 100.0
"""Up to this the scale at a point is near enough to that on the way from it: 1 mm at most."""
_NEAR_M = 10_000.0
"""Beyond this a distance is that of the geodesic between the two places."""
_WIDEST_DEG = 110.0
"""As far as plant may lie from the mean of its places before a better middle is looked for."""
_CANDIDATES = 500
_POINT = 0
_LINE_TYPES = (1, 2)
_ROOM = 1.001


@dataclass(frozen=True)
class Plane:
    """The stereographic plane about a place, in metres; its scale is 1 there.

    Attributes
    ----------
    lon, lat : float
        The place, degrees.
    """

    lon: float
    lat: float

    @classmethod
    def about(cls, lonlat: Floats) -> Plane:
        """The plane about the middle of places, shape (n, 2), in degrees.

        The middle is rounded to a tenth of a degree, so that a little more plant seldom moves it.
        """
        finite = lonlat[np.isfinite(lonlat).all(axis=1)]
        if not len(finite):
            return cls(0.0, 0.0)
        units = _units(finite)
        middle = units.mean(axis=0)
        length = float(np.linalg.norm(middle))
        if length < 1e-3 or (units @ (middle / length)).min() < np.cos(np.radians(_WIDEST_DEG)):
            middle = _opposite_the_widest_hole(units)
        lon = float(np.degrees(np.arctan2(middle[1], middle[0])))
        lat = float(np.degrees(np.arctan2(middle[2], np.hypot(middle[0], middle[1]))))
        return cls(round(lon, 1), min(max(round(lat, 1), -89.0), 89.0))

    @cached_property
    def _pole(self) -> tuple[float, float, float]:
        """Sine and cosine of the middle's conformal latitude, and the conformal sphere's radius."""
        sine, cosine = (float(one[0]) for one in _conformal(np.radians([self.lat])))
        lat = np.radians(self.lat)
        normal = _A / np.sqrt(1.0 - _E2 * np.sin(lat) ** 2)
        return sine, cosine, float(normal * np.cos(lat) / cosine)

    def project(self, lonlat: Floats) -> Floats:
        """Places in the plane, shape (n, 2), metres; from longitude and latitude, shape (n, 2)."""
        sine_0, cosine_0, radius = self._pole
        east = np.radians(lonlat[:, 0] - self.lon)
        sine, cosine = _conformal(np.radians(lonlat[:, 1]))
        ahead = cosine * np.cos(east)
        with np.errstate(divide="ignore", invalid="ignore"):
            stretch = 2.0 * radius / (1.0 + sine_0 * sine + cosine_0 * ahead)
            return np.column_stack(
                [stretch * cosine * np.sin(east), stretch * (cosine_0 * sine - sine_0 * ahead)]
            )

    def degrees(self, xy: Floats) -> Floats:
        """Longitude (-180 to 180) and latitude, shape (n, 2), of places in the plane."""
        east, conformal, _ = self._on_sphere(xy)
        lon = self.lon + np.degrees(east)
        return np.column_stack([(lon + 180.0) % 360.0 - 180.0, np.degrees(_geographic(conformal))])

    def scale(self, xy: Floats) -> Floats:
        """How much longer anything about places (n, 2) is in the plane than on the ellipsoid."""
        radius = self._pole[2]
        _, conformal, half = self._on_sphere(xy)
        lat = _geographic(conformal)
        cosine = np.cos(conformal)
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.where(cosine > 1e-9, cosine / np.cos(lat), _RATIO_AT_POLE)
        on_sphere = radius / _A * ratio * np.sqrt(1.0 - _E2 * np.sin(lat) ** 2)
        return np.asarray((1.0 + half) * on_sphere, dtype=np.float64)

    def _on_sphere(self, xy: Floats) -> tuple[Floats, Floats, Floats]:
        """Longitude from the middle and conformal latitude, in radians, and tan^2 (c / 2)."""
        sine_0, cosine_0, radius = self._pole
        x, y = xy[:, 0] / radius, xy[:, 1] / radius
        half = (x * x + y * y) / 4.0
        ahead = (1.0 - half) * cosine_0 - y * sine_0
        up = (1.0 - half) * sine_0 + y * cosine_0
        return np.arctan2(x, ahead), np.arctan2(up, np.hypot(x, ahead)), half

    def scale_at(self, shapes: OneOrMore | Sequence[shapely.Geometry]) -> Floats:
        """The scale at the middle of the bounds of geometries, shape (n,); NaN where there is none.

        Of geometries so small that it is the same throughout: points, sites, short lines.
        """
        bounds = shapely.bounds(np.asarray(shapes, dtype=object)).reshape(-1, 4)
        return self.scale((bounds[:, :2] + bounds[:, 2:]) / 2.0)

    def flat(self, shapes: Shapes) -> Shapes:
        """Geometries in longitude and latitude, in the plane.

        Stretches between vertices that bend away from the geodesic get vertices along it. Two
        vertices either side of the antimeridian are joined the short way.
        """
        points, owner = shapely.get_coordinates(shapes, return_index=True)
        flat = self.project(points)
        of = self._bent(points, flat, owner)
        made: Shapes = shapely.set_coordinates(shapes.copy(), flat)
        if of.any():
            bent = np.unique(owner[:-1][of > 0])
            made[bent] = self._divided(shapes[bent])
        return made

    def run_on(self, lonlat: Shapes) -> Shapes:
        """Geometries in degrees with longitudes that run on across the antimeridian.

        They lie within 180 degrees of the middle of the plant: what is drawn from them goes
        round no globe.
        """
        points = shapely.get_coordinates(lonlat)
        low, high = self.lon - 180.0, self.lon + 180.0
        if not ((points[:, 0] < low) | (points[:, 0] > high)).any():
            return lonlat
        points[:, 0] = (points[:, 0] - low) % 360.0 + low
        return np.asarray(shapely.set_coordinates(lonlat.copy(), points), dtype=object)

    def shapes_in_degrees(self, shapes: Shapes) -> Shapes:
        """Geometries in the plane, in longitude and latitude."""
        points = self.degrees(shapely.get_coordinates(shapes))
        return np.asarray(shapely.set_coordinates(shapes.copy(), points), dtype=object)

    def metres(self, one: OneOrMore, other: OneOrMore) -> Floats:
        """Distances on the ellipsoid between geometries in the plane, pair by pair, in metres.

        NaN where one of them is missing.
        """
        first, second = np.broadcast_arrays(
            np.asarray(one, dtype=object), np.asarray(other, dtype=object)
        )
        metres = np.array(shapely.distance(first, second), dtype=np.float64).reshape(-1)
        apart = np.flatnonzero(metres > 0)
        if not len(apart):
            return metres
        first, second = first.reshape(-1)[apart], second.reshape(-1)[apart]
        beside = (metres[apart] <= _BESIDE_M) & (shapely.get_type_id(first) == _POINT)
        metres[apart[beside]] /= self.scale(shapely.get_coordinates(first[beside]))
        rest = np.flatnonzero(~beside)
        lines = shapely.shortest_line(first[rest], second[rest])
        ends = shapely.get_coordinates(lines).reshape(-1, 2, 2)
        metres[apart[rest]] = self.line_metres(ends)
        return metres

    def line_metres(self, ends: Floats) -> Floats:
        """Lengths on the ellipsoid of straight lines in the plane by their ends, (n, 2, 2)."""
        length = np.hypot(*(ends[:, 1] - ends[:, 0]).T)
        metres = length / self.scale(ends.mean(axis=1))
        far = np.flatnonzero(metres > _NEAR_M)
        if len(far):
            one, other = self.degrees(ends[far, 0]), self.degrees(ends[far, 1])
            metres[far] = GEOD.inv(one[:, 0], one[:, 1], other[:, 0], other[:, 1])[2]
        return np.asarray(metres, dtype=np.float64)

    def reach(self, shapes: OneOrMore, metres: float | Floats) -> Floats:
        """Distances in the plane that hold all that lies within `metres` of geometries.

        A little more than that: what is found is to be measured.
        """
        bounds = shapely.bounds(np.asarray(shapes, dtype=object)).reshape(-1, 4)
        away = np.asarray(metres, dtype=np.float64)
        all_points = (bounds[:, :2] == bounds[:, 2:]).all()
        pairs = ([0, 1],) if all_points else ([0, 1], [0, 3], [2, 1], [2, 3])
        corners = [self.scale(bounds[:, pair]) for pair in pairs]
        widest = np.nan_to_num(np.max(corners, axis=0), nan=1.0)
        return np.asarray(away * widest * _ROOM * (1.0 + away / _A) ** 2, dtype=np.float64)

    def grown(self, shapes: Shapes, metres: float | Floats) -> Shapes:
        """Geometries with all that lies within `metres` of them, by the scale at their middle."""
        wide = np.asarray(metres, dtype=np.float64) * np.nan_to_num(self.scale_at(shapes), nan=1.0)
        return np.asarray(np.where(wide > 0, shapely.buffer(shapes, wide), shapes), dtype=object)

    def chainage(self, points: Floats, owner: NDArray[np.int64]) -> Floats:
        """Distances on the ellipsoid of vertices (n, 2) from the first of their line, metres.

        `owner` numbers the lines and ascends, shape (n,).
        """
        if not len(points):
            return np.empty(0)
        length = np.hypot(*np.diff(points, axis=0).T)
        end, middle = self.scale(points), self.scale((points[1:] + points[:-1]) / 2.0)
        # Simpson's rule for the ground that a step in the plane covers
        step = length * (1.0 / end[:-1] + 4.0 / middle + 1.0 / end[1:]) / 6.0
        step[owner[1:] != owner[:-1]] = 0.0
        run = np.concatenate([[0.0], np.cumsum(step)])
        return np.asarray(run - run[np.searchsorted(owner, owner)], dtype=np.float64)

    def fractions(
        self, lines: Shapes, line: NDArray[np.int64], along: Floats
    ) -> tuple[Floats, Floats]:
        """Places along lines in the plane, as parts of their length on the ellipsoid.

        Parameters
        ----------
        lines : ndarray of LineString
        line : ndarray of int, shape (n,)
            The line that each place is on.
        along : ndarray, shape (n,)
            Its distance from the line's first vertex in the plane, as `line_locate_point` tells.

        Returns
        -------
        fraction : ndarray, shape (n,)
            0 to 1.
        metres : ndarray, shape (n,)
            Length of the place's line on the ellipsoid.
        """
        used, which = np.unique(line, return_inverse=True)
        points, owner = shapely.get_coordinates(lines[used], return_index=True)
        if not len(points) or not len(line):
            return np.zeros(len(line)), np.zeros(len(line))
        ground = self.chainage(points, owner)
        step = np.hypot(*np.diff(points, axis=0).T)
        step[owner[1:] != owner[:-1]] = 0.0
        run = np.concatenate([[0.0], np.cumsum(step)])
        first = np.searchsorted(owner, np.arange(len(used)))
        last = np.searchsorted(owner, np.arange(len(used)), side="right") - 1
        at = run[first[which]] + np.clip(along, 0.0, run[last[which]] - run[first[which]])
        low = np.clip(np.searchsorted(run, at, side="right") - 1, first[which], last[which] - 1)
        length = run[low + 1] - run[low]
        part = np.where(length > 0, (at - run[low]) / np.where(length > 0, length, 1.0), 0.0)
        metres = ground[low] + np.clip(part, 0.0, 1.0) * (ground[low + 1] - ground[low])
        whole = ground[last[which]]
        return np.where(whole > 0, metres / np.where(whole > 0, whole, 1.0), 0.0), whole

    def _bent(self, points: Floats, flat: Floats, owner: NDArray[np.int64]) -> NDArray[np.int64]:
        """Into how many more parts each step between vertices is to be divided, shape (n - 1,)."""
        if len(points) < 2:
            return np.zeros(max(len(points) - 1, 0), dtype=np.int64)
        _, _, radius = self._pole
        length = np.hypot(*np.diff(flat, axis=0).T)
        length[owner[1:] != owner[:-1]] = 0.0
        farthest = np.sqrt(2.0) * np.abs(flat).max(initial=0.0) / (2.0 * radius)
        steepest = (farthest + _CONFORMAL_GRADIENT) / radius
        if length.max() * np.sqrt(steepest / (8.0 * _MOST_BEND_M)) <= 1.0:
            return np.zeros(len(length), dtype=np.int64)
        away = np.hypot(flat[:, 0], flat[:, 1]) / (2.0 * radius)
        # tan(c / 2) of the farther end; a length in the plane is no shorter than on the ground
        gradient = (np.maximum(away[1:], away[:-1]) + _CONFORMAL_GRADIENT) / radius
        parts = length * np.sqrt(gradient / (8.0 * _MOST_BEND_M))
        with np.errstate(invalid="ignore"):
            more = np.nan_to_num(np.ceil(np.minimum(parts, 1e6)) - 1).clip(min=0)
        return np.asarray(more, dtype=np.int64)

    def _divided(self, shapes: Shapes) -> Shapes:
        """Geometries in degrees, in the plane, with vertices along geodesics."""
        kinds = shapely.get_type_id(shapes)
        made = shapes.copy()
        lines = np.flatnonzero(np.isin(kinds, _LINE_TYPES))
        points, owner = shapely.get_coordinates(shapes[lines], return_index=True)
        more, of = self._with_vertices(points, owner)
        made[lines] = shapely.linestrings(more, indices=of)
        for place in np.flatnonzero(~np.isin(kinds, _LINE_TYPES)).tolist():
            made[place] = self._divided_parts(shapes[place])
        return made

    def _divided_parts(self, shape: shapely.Geometry) -> shapely.Geometry:
        if isinstance(shape, shapely.Polygon):
            rings = [shape.exterior, *shape.interiors]
            flat = [self._ring(shapely.get_coordinates(ring)) for ring in rings]
            return shapely.Polygon(flat[0], flat[1:])
        if isinstance(shape, shapely.LineString):
            return shapely.LineString(self._ring(shapely.get_coordinates(shape)))
        parts = [self._divided_parts(part) for part in shapely.get_parts(shape)]
        if not parts:
            return shapely.Point(*self.project(shapely.get_coordinates(shape))[0])
        kind: Callable[[list[shapely.Geometry]], shapely.Geometry] = type(shape)
        return kind(parts)

    def _ring(self, points: Floats) -> Floats:
        return self._with_vertices(points, np.zeros(len(points), dtype=np.int64))[0]

    def _with_vertices(
        self, points: Floats, owner: NDArray[np.int64]
    ) -> tuple[Floats, NDArray[np.int64]]:
        """Vertices in the plane with further ones along geodesics, and the line of each."""
        flat = self.project(points)
        extra = self._bent(points, flat, owner)
        long = np.flatnonzero(extra)
        count = np.ones(len(points), dtype=np.int64)
        count[long] += extra[long]
        place = np.repeat(np.arange(len(points)), count)
        number = np.arange(len(place)) - np.repeat(np.cumsum(count) - count, count)
        more = flat[place]
        inner = np.flatnonzero(number > 0)
        begin, end = points[place[inner]], points[place[inner] + 1]
        one, other = points[long], points[long + 1]
        azimuth, _, metres = GEOD.inv(one[:, 0], one[:, 1], other[:, 0], other[:, 1])
        of = np.searchsorted(long, place[inner])
        share = number[inner] / count[place[inner]]
        lon, lat, _ = GEOD.fwd(
            begin[:, 0], begin[:, 1], np.asarray(azimuth)[of], np.asarray(metres)[of] * share
        )
        assert len(end) == len(lon)
        more[inner] = self.project(np.column_stack([lon, lat]))
        return more, owner[place]


_RATIO_AT_POLE = float(np.exp(_E * np.arctanh(_E)))
"""Cosine of the conformal latitude over that of the geographic one, at a pole."""


def _conformal(lat: Floats) -> tuple[Floats, Floats]:
    """Sine and cosine of the conformal latitude of latitudes in radians."""
    sine, cosine = np.sin(lat), np.maximum(np.cos(lat), 1e-300)
    tangent = sine / cosine
    secant = 1.0 / cosine
    sigma = np.sinh(_E * np.arctanh(_E * sine))
    conformal = tangent * np.sqrt(1.0 + sigma * sigma) - sigma * secant
    length = np.sqrt(1.0 + conformal * conformal)
    return np.asarray(conformal / length), np.asarray(1.0 / length)


def _geographic(conformal: Floats) -> Floats:
    """Latitudes of conformal latitudes, all in radians."""
    found = conformal.copy()
    for number, factor in enumerate(_BACK, start=1):
        found += factor * np.sin(2 * number * conformal)
    return found


def _units(lonlat: Floats) -> Floats:
    lon, lat = np.radians(lonlat).T
    return np.column_stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])


def _opposite_the_widest_hole(units: Floats) -> Floats:
    """The place whose opposite lies farthest from all places: for plant round the whole Earth."""
    number = np.arange(_CANDIDATES) + 0.5
    height, turn = 1.0 - 2.0 * number / _CANDIDATES, np.pi * (1.0 + np.sqrt(5.0)) * number
    ring = np.sqrt(1.0 - height**2)
    spread = np.column_stack([ring * np.cos(turn), ring * np.sin(turn), height])
    nearest = np.full(_CANDIDATES, -1.0)
    for first in range(0, len(units), 10_000):
        found = spread @ units[first : first + 10_000].T
        nearest = np.maximum(nearest, found.max(axis=1))
    return np.asarray(-spread[int(nearest.argmin())])


def stretch_of(line: shapely.LineString, begin: float, end: float) -> shapely.LineString:
    """The stretch of a line in longitude and latitude between two parts of its length.

    Lengths are those of geodesics, and so are places between vertices.
    """
    points = shapely.get_coordinates(line)
    azimuth, _, metres = (
        np.asarray(one)
        for one in GEOD.inv(points[:-1, 0], points[:-1, 1], points[1:, 0], points[1:, 1])
    )
    along = np.concatenate([[0.0], np.cumsum(metres)])
    low, high = begin * along[-1], end * along[-1]
    ends = [place_along(points, azimuth, along, at) for at in (low, high)]
    inner = points[(along > low) & (along < high)]
    return shapely.LineString(np.vstack([ends[:1], inner, ends[1:]]))


def place_along(points: Floats, azimuth: Floats, along: Floats, at_m: float) -> Sequence[float]:
    """The place so far along a line of geodesics: longitude and latitude."""
    if at_m <= 0.0:
        return [float(points[0, 0]), float(points[0, 1])]
    if at_m >= along[-1]:
        return [float(points[-1, 0]), float(points[-1, 1])]
    step = int(np.searchsorted(along, at_m, side="right")) - 1
    lon, lat, _ = GEOD.fwd(points[step, 0], points[step, 1], azimuth[step], at_m - along[step])
    return [float(lon), float(lat)]
