"""Length of fibre: span, helix, overlength and slack, and lines on the ellipsoid.

Every function takes arrays (or single numbers) that broadcast against each
other. NaN stands for a blank record and gives NaN: the caller decides which
default to take instead, so that the default is on record.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from waysapart.arrays import Floats, floats
from waysapart.errors import CallError

_STEPS = 60
_EXACT = 1e-14


def catenary_length_m(span_m: ArrayLike, sag_m: ArrayLike, rise_m: ArrayLike = 0.0) -> Floats:
    """Length of a cable that hangs freely between two supports, exactly.

    Parameters
    ----------
    span_m : array_like
        Horizontal distance of the supports, in metres, above 0.
    sag_m : array_like
        Drop at mid-span below the straight line between the supports, in
        metres, 0 or more; any shape that broadcasts with `span_m`.
    rise_m : array_like
        Difference of the supports' heights in metres, either sign.

    Returns
    -------
    numpy.ndarray
        Metres. NaN where an input is NaN.

    Raises
    ------
    CallError
        A span is not above 0, or a sag is below 0.

    Notes
    -----
    The catenary y = c cosh(x/c), c = H/w, is in any text on mechanics and, from memory, in
    AS/NZS 7000. With u = L/2c, supports L apart and h different in
    height satisfy h = 2c sinh(u) sinh(m/c), where m is where the middle of the
    span lies, and the length is

        s = sqrt(h^2 + (2c sinh u)^2)

    while the drop below the chord at mid-span is

        d = c (cosh u - 1) cosh(m/c).

    Examples
    --------
    >>> catenary_length_m(160, 6.4).round(2).item()  # span 160 m, 4 N/m, 2000 N: sag 6.4 m
    160.68
    >>> catenary_length_m(1920 * np.log(1.5), 80).round(9).item()  # 800 m of cable that sag 80 m
    800.0
    """
    span, sag, rise = _checked(span_m, sag_m, rise_m)
    half_angle = _half_angle(sag / span, rise / span)
    return np.hypot(rise, span * _sinh_over(half_angle))


def helix_factor(pitch_m: ArrayLike, diameter_m: ArrayLike) -> Floats:
    """Length of a helix over the length of its axis: sqrt(1 + (pi D / p)^2), never below 1.

    Parameters
    ----------
    pitch_m : array_like
        Length along the carrier of one turn, in metres, above 0.
    diameter_m : array_like
        Diameter of the circle on which the cable's own axis lies, in metres.

    Returns
    -------
    numpy.ndarray

    Raises
    ------
    CallError
        A pitch is not above 0, or a diameter is below 0.

    Notes
    -----
    One turn unrolled is the hypotenuse of a right triangle with sides p and pi D.

    Examples
    --------
    >>> helix_factor(4, 3 / np.pi).item()  # sides 4 and 3 of a right triangle
    1.25
    >>> helix_factor(1.0, 0.020).round(5).item()
    1.00197
    """
    pitch, diameter = np.broadcast_arrays(floats(pitch_m), floats(diameter_m))
    if np.any(pitch <= 0) or np.any(diameter < 0):
        raise CallError("a helix needs a pitch above 0 m and a diameter of 0 m or more")
    return np.asarray(np.hypot(1.0, np.pi * diameter / pitch))


def fibre_length_m(
    route_m: ArrayLike,
    sag_extra_m: ArrayLike = 0.0,
    helix: ArrayLike = 1.0,
    overlength_pct: ArrayLike = 0.0,
    slack_m: ArrayLike = 0.0,
) -> Floats:
    """Length of fibre in a cable: (route + sag) x helix x (1 + overlength) + slack.

    Parameters
    ----------
    route_m, sag_extra_m : array_like
        Ground length of the cable's segments, and what sag adds to it
        (`catenary_length_m` less the span), in metres.
    helix : array_like
        From `helix_factor`; 1 for a cable that is not wrapped.
    overlength_pct : array_like
        Extra length in per cent of the length so far.
    slack_m : array_like
        Coils and loops, all together, in metres.

    Returns
    -------
    numpy.ndarray
        Metres.

    Notes
    -----
    No source states the order. Ours gives the longest fibre: overlength applies to all of the
    length but the coils, which are measured as they are.

    Examples
    --------
    >>> length_m = fibre_length_m(1000, 2.5, helix=1.002, overlength_pct=0.7, slack_m=40)
    >>> length_m.round(3).item()
    1051.537
    """
    carried_m = (floats(route_m) + floats(sag_extra_m)) * floats(helix)
    return np.asarray(carried_m * (1 + floats(overlength_pct) / 100) + floats(slack_m))


def drum_length_needed_m(
    route_m: ArrayLike,
    sag_extra_m: ArrayLike = 0.0,
    helix: ArrayLike = 1.0,
    down_leads_m: ArrayLike = 0.0,
    slack_m: ArrayLike = 0.0,
    tails_m: ArrayLike = 0.0,
) -> Floats:
    """Length of cable that a drum must hold: route, down-leads, slack and tails.

    Parameters
    ----------
    route_m, sag_extra_m, helix, slack_m : array_like
        As in `fibre_length_m`.
    down_leads_m : array_like
        From the top of each end structure down to its joint, in metres.
    tails_m : array_like
        Into closures and racks, both ends together, in metres.

    Returns
    -------
    numpy.ndarray
        Metres. The cable length on the drum less this is what is left over; below 0, what is
        missing. An optical measurement gives fibre length: divide it by 1 + the cable's own
        excess fibre first.

    Examples
    --------
    >>> drum_length_needed_m(2000, sag_extra_m=5, down_leads_m=36, slack_m=30, tails_m=12).item()
    2083.0
    """
    carried_m = (floats(route_m) + floats(sag_extra_m)) * floats(helix)
    return np.asarray(carried_m + floats(down_leads_m) + floats(slack_m) + floats(tails_m))


M_PER_DEGREE = 111_320.0
"""Metres in a degree of the equator; along a meridian good to 1 %. For sketches and rough sizes."""


def about_place_m(lonlat: ArrayLike, lon: float, lat: float) -> Floats:
    """Metres east and north of a place, on a plane about it; good to 1 % within some kilometres.

    Parameters
    ----------
    lonlat : array_like, shape (n, 2)
        Longitude and latitude in degrees, on whichever side of the antimeridian.
    lon, lat : float
        The place, in degrees.

    Returns
    -------
    numpy.ndarray of shape (n, 2)
        Metres.

    Examples
    --------
    >>> about_place_m([(-179.999, 60.001)], 179.999, 60).round().tolist()
    [[111.0, 111.0]]
    """
    points = floats(lonlat)
    east = (points[:, 0] - lon + 540.0) % 360.0 - 180.0
    scale = np.array([np.cos(np.radians(lat)), 1.0]) * M_PER_DEGREE
    return np.asarray(np.column_stack([east, points[:, 1] - lat]) * scale)


def geodesic_length_m(lines: ArrayLike) -> Floats:
    """Length of each line on the WGS 84 ellipsoid, vertex to vertex by geodesics.

    Parameters
    ----------
    lines : array_like of shapely geometries, shape (n,)
        Lines with longitude and latitude in degrees; None where blank.

    Returns
    -------
    numpy.ndarray of shape (n,)
        Metres; NaN where a line is missing. Parts of a multi-line are added,
        the jumps between them are not.

    Notes
    -----
    The inverse geodesic is PROJ's, after C. F. F. Karney, 'Algorithms for
    geodesics', J. Geodesy 87 (2013) 43-55.

    Examples
    --------
    >>> import shapely
    >>> geodesic_length_m([shapely.LineString([(8, 54), (8, 55)]), None]).round(1).tolist()
    [111314.3, nan]
    """
    import shapely
    from pyproj import Geod

    ellipsoid = Geod(ellps="WGS84")
    array: NDArray[np.object_] = np.atleast_1d(np.asarray(lines, dtype=object))
    parts, line_of_part = array, np.arange(len(array))
    if np.any(shapely.get_num_geometries(array) > 1):
        parts, line_of_part = shapely.get_parts(array, return_index=True)
    vertices, part = shapely.get_coordinates(parts, return_index=True)
    from_, to = vertices[:-1], vertices[1:]
    step_m = ellipsoid.inv(from_[:, 0], from_[:, 1], to[:, 0], to[:, 1])[2]
    inside = part[:-1] == part[1:]
    length_m = np.bincount(
        line_of_part[part[:-1][inside]], np.asarray(step_m)[inside], len(array)
    ).astype(np.float64)
    length_m[shapely.is_missing(array)] = np.nan
    return length_m


def _checked(
    span_m: ArrayLike, sag_m: ArrayLike, rise_m: ArrayLike
) -> tuple[Floats, Floats, Floats]:
    span, sag, rise = np.broadcast_arrays(floats(span_m), floats(sag_m), floats(rise_m))
    if np.any(span <= 0):
        raise CallError("a span must be longer than 0 m")
    if np.any(sag < 0):
        raise CallError("a sag must be 0 m or more, measured downwards")
    return span, sag, rise


def _half_angle(sag_ratio: Floats, rise_ratio: Floats) -> Floats:
    """Solve for u = L/2c from d/L and h/L.

    Both terms of d/L = hypot(sinh^2(u/2)/u, (h/L) tanh(u/2)/2) rise with u, so
    there is one root. It lies in [0, 4 d/L], since sinh^2(u/2)/u is at least
    u/4; with u at most v, sinh^2(u/2) is at most v d/L, which tightens the
    bracket for deep sags. Newton steps that leave it are replaced by bisection.
    """
    low = np.zeros_like(sag_ratio)
    high = 4 * sag_ratio
    for _ in range(2):
        high = np.minimum(high, 2 * np.arcsinh(np.sqrt(sag_ratio * high)))
    u = np.array(high, dtype=np.float64)
    for _ in range(_STEPS):
        drop, slope = _drop(u, rise_ratio)
        too_far = drop > sag_ratio
        high = np.where(too_far, u, high)
        low = np.where(too_far, low, u)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = u - (drop - sag_ratio) / slope
        inside = (step > low) & (step < high)
        following = np.where(inside, step, (low + high) / 2)
        done = np.abs(following - u) <= _EXACT * np.abs(u)
        u = following
        if np.all(done | np.isnan(u)):
            break
    return u


def _drop(u: Floats, rise_ratio: Floats) -> tuple[Floats, Floats]:
    """Return d/L at u, and its derivative by u."""
    safe = np.where(u > 0, u, 1.0)
    level = np.where(u > 0, np.sinh(safe / 2) ** 2 / safe, 0.0)
    level_slope = np.where(u > 0, np.sinh(safe) / (2 * safe) - level / safe, 0.25)
    tilt = rise_ratio * np.tanh(u / 2) / 2
    tilt_slope = rise_ratio / (4 * np.cosh(u / 2) ** 2)
    drop = np.hypot(level, tilt)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = (level * level_slope + tilt * tilt_slope) / drop
    return drop, slope


def _sinh_over(u: Floats) -> Floats:
    """sinh(u)/u, 1 at 0."""
    safe = np.where(u > 0, u, 1.0)
    return np.where(np.isnan(u), np.nan, np.where(u > 0, np.sinh(safe) / safe, 1.0))
