"""Small plants for the tests of separation, and an oracle that shares no code with it.

Plants are drawn in metres east and north of a point, in an azimuthal equidistant
projection about it: within 2 km of the point its lengths are geodesic to 2e-8.
"""

from __future__ import annotations

import itertools

import numpy as np
import shapely
from pyproj import Proj

from waysapart.findings.separation.layout import Layout, lay_out

GENTLE = {"derandomize": True, "deadline": None}


class Ground:
    """Metres east and north of a point, to and from longitude and latitude."""

    def __init__(self, lon: float = 9.0, lat: float = 54.0) -> None:
        self._proj = Proj(proj="aeqd", lon_0=lon, lat_0=lat, ellps="WGS84")

    def lonlat(self, xy) -> np.ndarray:
        xy = np.asarray(xy, dtype=float)
        return np.stack(self._proj(xy[:, 0], xy[:, 1], inverse=True), axis=1)

    def metres(self, lon, lat) -> np.ndarray:
        return np.stack(self._proj(np.asarray(lon), np.asarray(lat)), axis=-1)

    def line(self, *xy) -> shapely.LineString:
        return shapely.LineString(self.lonlat(xy))

    def point(self, x: float, y: float) -> shapely.Point:
        return shapely.Point(self.lonlat([(x, y)])[0])

    def polygon(self, *xy) -> shapely.Polygon:
        return shapely.Polygon(self.lonlat(xy))


def two_ways(main, alternate, zones=(), shared=()) -> Layout:
    """One pair: lines of the main path, of the alternate, shared by both; (place, radius) zones."""
    m, a, s = len(main), len(alternate), len(shared)
    line = [*range(m), *range(m + a, m + a + s), *range(m, m + a), *range(m + a, m + a + s)]
    return lay_out(
        [*main, *alternate, *shared],
        path=[0] * (m + s) + [1] * (a + s),
        line=line,
        first=[0],
        second=[1],
        path_count=2,
        zone_places=[place for place, _ in zones],
        zone_radius_m=[radius for _, radius in zones],
        zone_pair=[0] * len(zones),
        zone=range(len(zones)),
    )


def sampled(xy, step_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Points along a polyline no further apart than a step, and how far along they lie."""
    xy = np.asarray(xy, dtype=float)
    points, along, run = [xy[:1]], [np.zeros(1)], 0.0
    for start, end in itertools.pairwise(xy):
        length = float(np.hypot(*(end - start)))
        part = np.linspace(0, 1, max(2, int(np.ceil(length / step_m)) + 1))[1:]
        points.append(start + part[:, None] * (end - start))
        along.append(run + part * length)
        run += length
    return np.concatenate(points), np.concatenate(along)


def distances(points: np.ndarray, others: np.ndarray) -> np.ndarray:
    """Least distance of every point to any other point, by trying them all."""
    return np.sqrt(((points[:, None, :] - others[None, :, :]) ** 2).sum(axis=2).min(axis=1))


def random_way(rng: np.random.Generator, vertices: int, start=(0.0, 0.0), step_m=120.0):
    """A crooked way of whole metres; now and then a vertex repeats."""
    turns = np.cumsum(rng.normal(0, 0.9, vertices - 1))
    steps = rng.uniform(0.2, 1.0, vertices - 1) * step_m * (rng.random(vertices - 1) > 0.1)
    off = np.stack([np.cos(turns), np.sin(turns)], axis=1) * steps[:, None]
    return np.round(np.concatenate([[start], start + np.cumsum(off, axis=0)]), 0)
