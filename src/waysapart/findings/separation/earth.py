"""The frame in which separation is measured: straight chords in space.

Longitude and latitude are turned into earth-centred coordinates on the WGS84
ellipsoid. That frame has no zones, no edge at the antimeridian and no scale
factor, and a straight piece of a line stays straight in it, so every formula
for the distance of straight pieces is exact. Two facts make it usable:

- a chord of length c is shorter than its arc by c^3 / 24 R^2: 1e-7 m in 500 m,
  1 mm in 10 km, 28 m in 300 km; `arc_m` takes the arc back to 1e-6 of itself;
- projecting space square onto a plane never lengthens anything, so a search in
  such a plane misses nothing that lies within a distance in space.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from waysapart.arrays import Floats

SEMI_MAJOR_M = 6378137.0
"""WGS84 (NIMA TR8350.2, table 3.1)."""
FLATTENING = 1.0 / 298.257223563
"""WGS84 (NIMA TR8350.2, table 3.1)."""
SEMI_MINOR_M = SEMI_MAJOR_M * (1.0 - FLATTENING)
ECCENTRICITY_2 = FLATTENING * (2.0 - FLATTENING)
MEAN_RADIUS_M = (2.0 * SEMI_MAJOR_M + SEMI_MINOR_M) / 3.0


def to_space(lon: npt.ArrayLike, lat: npt.ArrayLike) -> Floats:
    """Convert points of the ellipsoid to earth-centred coordinates.

    Parameters
    ----------
    lon, lat : array_like, shape (n,)
        WGS84, degrees.

    Returns
    -------
    ndarray, shape (n, 3)
        Metres.
    """
    east = np.radians(np.asarray(lon, dtype=float))
    north = np.radians(np.asarray(lat, dtype=float))
    normal = SEMI_MAJOR_M / np.sqrt(1.0 - ECCENTRICITY_2 * np.sin(north) ** 2)
    return np.stack(
        [
            normal * np.cos(north) * np.cos(east),
            normal * np.cos(north) * np.sin(east),
            normal * (1.0 - ECCENTRICITY_2) * np.sin(north),
        ],
        axis=-1,
    )


def to_lonlat(space: Floats) -> tuple[Floats, Floats]:
    """Convert points at or near the ellipsoid to longitude and latitude.

    One step of Bowring's formula (B. R. Bowring, Transformation from spatial to geographical
    coordinates, Survey Review 23, 1976), good to well under a micrometre within some kilometres of
    the surface.

    Parameters
    ----------
    space : ndarray of float, shape (..., 3)
        Metres.

    Returns
    -------
    lon, lat : ndarray of float, shape (...)
        Degrees.

    Examples
    --------
    >>> lon, lat = to_lonlat(to_space(9.0, 53.5))
    >>> round(float(lon), 9), round(float(lat), 9)
    (9.0, 53.5)
    """
    x, y, z = space[..., 0], space[..., 1], space[..., 2]
    across = np.hypot(x, y)
    reduced = np.arctan2(z * SEMI_MAJOR_M, across * SEMI_MINOR_M)
    second = ECCENTRICITY_2 / (1.0 - ECCENTRICITY_2)
    lat = np.arctan2(
        z + second * SEMI_MINOR_M * np.sin(reduced) ** 3,
        across - ECCENTRICITY_2 * SEMI_MAJOR_M * np.cos(reduced) ** 3,
    )
    return np.degrees(np.arctan2(y, x)), np.degrees(lat)


def on_surface(space: Floats) -> Floats:
    """Project points straight up or down onto the ellipsoid.

    Parameters
    ----------
    space : ndarray of float, shape (n, 3)

    Returns
    -------
    ndarray of float, shape (n, 3)
        Metres.
    """
    return to_space(*to_lonlat(space))


def east_north(space: Floats) -> tuple[Floats, Floats]:
    """Return unit vectors to the east and to the north at points.

    Parameters
    ----------
    space : ndarray of float, shape (n, 3)

    Returns
    -------
    east, north : ndarray of float, shape (n, 3)
    """
    lon, lat = (np.radians(angle) for angle in to_lonlat(space))
    east = np.stack([-np.sin(lon), np.cos(lon), np.zeros_like(lon)], axis=-1)
    north = np.stack([-np.sin(lat) * np.cos(lon), -np.sin(lat) * np.sin(lon), np.cos(lat)], axis=-1)
    return east, north


def arc_m(chord_m: npt.ArrayLike) -> Floats:
    """Return the distance along the surface that belongs to a straight distance in space.

    Parameters
    ----------
    chord_m : array_like
        Metres.

    Returns
    -------
    ndarray of float
        Metres, on a sphere of `MEAN_RADIUS_M`.
    """
    half = np.asarray(chord_m, dtype=float) / (2.0 * MEAN_RADIUS_M)
    return 2.0 * MEAN_RADIUS_M * np.arcsin(np.clip(half, -1.0, 1.0))


def chord_m(arc_m: npt.ArrayLike) -> Floats:
    """Return the straight distance in space that belongs to a distance along the surface.

    Parameters
    ----------
    arc_m : array_like
        Metres.

    Returns
    -------
    ndarray of float
        Metres, on a sphere of `MEAN_RADIUS_M`.
    """
    half = np.asarray(arc_m, dtype=float) / (2.0 * MEAN_RADIUS_M)
    return 2.0 * MEAN_RADIUS_M * np.sin(np.clip(half, 0.0, np.pi / 2.0))


def plan_m(one: Floats, other: Floats) -> Floats:
    """Return the distance in plan between points at or just below the surface.

    The part of the chord that is square to the plumb line in the middle: chords of crossing lines
    sag differently, and that is no distance in plan.

    Parameters
    ----------
    one, other : ndarray of float, shape (n, 3)
        Metres.

    Returns
    -------
    ndarray of float, shape (n,)
        Metres, along the surface.
    """
    east, north = east_north((one + other) / 2.0)
    off = other - one
    across = np.hypot(np.einsum("ij,ij->i", off, east), np.einsum("ij,ij->i", off, north))
    return arc_m(across)


@dataclass(frozen=True)
class TangentPlane:
    """The plane square to the plumb line in the middle of some points.

    Only for searching: lengths in it are never longer than in space, and
    shorter by the cosine of the angle from its middle.
    """

    origin: Floats
    axes: Floats

    @classmethod
    def at(cls, space: Floats) -> TangentPlane:
        """Return the plane in the middle of points; any plane where there are none.

        Parameters
        ----------
        space : ndarray of float, shape (n, 3)

        Returns
        -------
        TangentPlane
        """
        middle = space.mean(axis=0) if len(space) else np.array([SEMI_MAJOR_M, 0.0, 0.0])
        if not np.linalg.norm(middle) > 1.0:
            middle = np.array([SEMI_MAJOR_M, 0.0, 0.0])
        east, north = east_north(middle[None, :])
        return cls(middle, np.stack([east[0], north[0]], axis=1))

    def project(self, space: Floats) -> Floats:
        """Project points into the plane.

        Parameters
        ----------
        space : ndarray of float, shape (n, 3)

        Returns
        -------
        ndarray of float, shape (n, 2)
            Metres.
        """
        return np.asarray((space - self.origin) @ self.axes, dtype=float)
