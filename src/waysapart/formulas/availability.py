"""How often and how long: unavailability of paths that may share assets, exactly.

Assets fail independently of each other; an event that takes several at once
is an asset of its own (a hazard), on every path that it takes. Such figures
compare designs with each other; they do not predict outages.

Paths are the rows of boolean sparse arrays whose columns are the assets. All
sums are of positive terms: no 1 - (1 - u), which has no digits left at 1e-17.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import ArrayLike
from scipy import sparse

from waysapart.arrays import Floats, expand, floats
from waysapart.errors import CallError

HOURS_PER_YEAR = 8760.0
MINUTES_PER_YEAR = 60 * HOURS_PER_YEAR


@dataclass(frozen=True, slots=True)
class Split:
    """Two paths of each circuit, parted into what both use and what only one uses.

    Attributes
    ----------
    shared, main_only, alternate_only : sparse.csr_array of bool, shape (circuits, assets)
    """

    shared: sparse.csr_array
    main_only: sparse.csr_array
    alternate_only: sparse.csr_array


def failures_per_year(
    length_m: ArrayLike, per_km_year: ArrayLike, per_item_year: ArrayLike
) -> Floats:
    """Failures of an asset a year: its rate per km over its length, and its rate per item.

    Lengths in metres; 0 for a rate or a length that does not apply.
    """
    return np.asarray(floats(length_m) / 1000 * floats(per_km_year) + floats(per_item_year))


def held_share(lines: np.ndarray, held: ArrayLike, holder: ArrayLike) -> Floats:
    """Part of each line that lies in the lines that hold it, each stretch once.

    Parameters
    ----------
    lines : ndarray of shapely.LineString, shape (n,)
        In longitude and latitude, degrees; one that is not drawn (None) holds nothing.
    held, holder : array_like of int, shape (pairs,)
        Line `held` lies in line `holder`, as the records have it.

    Returns
    -------
    numpy.ndarray of shape (n,)
        From 0 to 1: the union of what each holder covers when its vertices are projected on
        the line, however far beside it the holder is drawn.

    Notes
    -----
    In a plane about the line's first vertex, so lines of some hundred kilometres may be wrong
    by a thousandth. It does not matter whether a holder is one line or several, nor how far
    it goes on beyond the line.
    """
    mine, other = (np.asarray(one, dtype=np.int64) for one in (held, holder))
    found = np.zeros(len(lines))
    if not len(mine):
        return found
    xy, of = shapely.get_coordinates(lines, return_index=True)
    first = np.searchsorted(of, np.arange(len(lines) + 1))
    drawn = np.diff(first) > 0
    mine, other = (one[drawn[mine] & drawn[other]] for one in (mine, other))
    if not len(mine):
        return found
    used, place = np.unique(mine, return_inverse=True)
    owner, at = expand(first[used], first[used + 1] - first[used])
    flat = np.asarray(shapely.linestrings(_flat(xy[at], xy[first[used]][owner]), indices=owner))
    pair, at = expand(first[other], first[other + 1] - first[other])
    point = shapely.points(_flat(xy[at], xy[first[mine]][pair]))
    along = shapely.line_locate_point(flat[place[pair]], point, normalized=True)
    onward = np.flatnonzero(pair[1:] == pair[:-1])
    low, high = (choose(along[onward], along[onward + 1]) for choose in (np.minimum, np.maximum))
    # Two numbers a line, so that what one covers never reaches into the next.
    line = place[pair[onward]]
    order = np.lexsort((low, line))
    low, high = (np.nan_to_num(one[order]) + 2.0 * line[order] for one in (low, high))
    reached = np.maximum.accumulate(np.r_[-1.0, high])[:-1]
    covered = np.maximum(high - np.maximum(low, reached), 0.0)
    found[used] = np.bincount(line[order], covered, len(used))
    return np.minimum(found, 1.0)


def _flat(lonlat: np.ndarray, about: np.ndarray) -> np.ndarray:
    """Places in a plane about another each, in degrees of latitude."""
    east = (lonlat[:, 0] - about[:, 0] + 180) % 360 - 180
    return np.stack([east * np.cos(np.radians(about[:, 1])), lonlat[:, 1] - about[:, 1]], axis=1)


def unheld_length_m(length_m: ArrayLike, held: ArrayLike) -> Floats:
    """Length of each segment that lies in no other segment, for rates per km.

    Parameters
    ----------
    length_m : array_like, shape (segments,)
    held : array_like, shape (segments,)
        Part of each that lies in others, from `held_share`.

    Returns
    -------
    numpy.ndarray of shape (segments,)
        One dig takes the trench, its ducts and their subducts together: it is the trench's
        failure, common to all, and must not count again for each of them.
    """
    return np.asarray(floats(length_m) * (1 - floats(held)))


def unavailability(per_year: ArrayLike, repair_h: ArrayLike) -> Floats:
    """Part of the time that an asset is down.

    Parameters
    ----------
    per_year : array_like
        Failures in a year of operation.
    repair_h : array_like
        Hours from failure to repair, on average.

    Notes
    -----
    1 - A with A = MTBF / (MTBF + MTTR), MTBF = 8760 h / per_year (IEC 61078).
    For rare failures it is per_year x repair_h / 8760.
    """
    down_h = floats(per_year) * floats(repair_h)
    return np.asarray(down_h / (HOURS_PER_YEAR + down_h))


def minutes_a_year(share: ArrayLike) -> Floats:
    """Unavailability as minutes in a year of 8760 hours."""
    return np.asarray(floats(share) * MINUTES_PER_YEAR)


def path_unavailability(paths: sparse.csr_array, asset: ArrayLike) -> Floats:
    """Unavailability of each path: it is down when any asset that it relies on is.

    Parameters
    ----------
    paths : sparse array of bool, shape (paths, assets)
    asset : array_like, shape (assets,)
        Unavailability of each asset, from 0 to 1.

    Returns
    -------
    numpy.ndarray of shape (paths,)
        1 - product of (1 - u), by sums of logarithms: a series of blocks
        (IEC 61078), with its digits kept however small u is.
    """
    return np.asarray(-np.expm1(_log_up(paths, asset)))


def split(main: sparse.csr_array, alternate: sparse.csr_array) -> Split:
    """Part each circuit's assets by whether both paths, or one, rely on them.

    Parameters
    ----------
    main, alternate : sparse array of bool, shape (circuits, assets)
        Row i of each is a path of circuit i.
    """
    if main.shape != alternate.shape:
        raise CallError("main and alternate need one row per circuit and the same assets")
    on_main, on_alternate = (
        sparse.csr_array(side.astype(bool).astype(np.int8)) for side in (main, alternate)
    )
    shared = sparse.csr_array(on_main.multiply(on_alternate))
    return Split(
        shared.astype(bool),
        _without(on_main, shared),
        _without(on_alternate, shared),
    )


def both_down(parts: Split, asset: ArrayLike) -> Floats:
    """Unavailability of both paths at once, exact with what they share.

    Parameters
    ----------
    parts : Split
    asset : array_like, shape (assets,)
        Unavailability of each asset.

    Returns
    -------
    numpy.ndarray of shape (circuits,)
        U = uS + (1 - uS) uA uB, with uS, uA and uB the unavailability of
        the shared assets, those of main alone, and of alternate alone: three
        sparse products over all circuits. O(entries).
    """
    u_shared, u_main, u_alternate = (
        path_unavailability(part, asset)
        for part in (parts.shared, parts.main_only, parts.alternate_only)
    )
    return np.asarray(u_shared + (1 - u_shared) * u_main * u_alternate)


def birnbaum_both_down(parts: Split, asset: ArrayLike) -> sparse.csr_array:
    """Birnbaum's importance of each asset for losing both paths of each circuit.

    The probability that both paths are down with the asset down, less that with it up.

    Parameters
    ----------
    parts : Split
    asset : array_like, shape (assets,)
        Unavailability of each asset, below 1.

    Returns
    -------
    sparse.csr_array of float, shape (circuits, assets)
        Shared: (1 - uA uB) (1 - uS)/(1 - u). Main alone: (1 - uS) uB
        (1 - uA)/(1 - u); alternate alone likewise.

    Raises
    ------
    CallError
        An asset is down for certain: take it out of the study first.

    Notes
    -----
    Z. W. Birnbaum, 'On the importance of different components in a
    multicomponent system', in *Multivariate Analysis II* (1969).
    """
    u = floats(asset)
    if np.any(u >= 1):
        raise CallError("an asset that is down for certain has no importance to be ranked by")
    log_up = {
        name: _log_up(getattr(parts, name), u) for name in ("shared", "main_only", "alternate_only")
    }
    down = {name: -np.expm1(value) for name, value in log_up.items()}
    up = {name: np.exp(value) for name, value in log_up.items()}
    factor = {
        "shared": up["shared"] * (1 - down["main_only"] * down["alternate_only"]),
        "main_only": up["shared"] * down["alternate_only"] * up["main_only"],
        "alternate_only": up["shared"] * down["main_only"] * up["alternate_only"],
    }
    others_up = sparse.diags_array(1 / (1 - u))
    total = sparse.csr_array(parts.shared.shape, dtype=np.float64)
    for name, value in factor.items():
        total = total + sparse.diags_array(value) @ _ones(getattr(parts, name)) @ others_up
    return sparse.csr_array(total)


def losses_per_year(birnbaum: sparse.csr_array, per_year: ArrayLike, asset: ArrayLike) -> Floats:
    """How often in a year all paths are lost.

    Parameters
    ----------
    birnbaum : sparse array, shape (circuits, assets)
    per_year : array_like, shape (assets,)
        Failures of each asset in a year of operation.
    asset : array_like, shape (assets,)
        Unavailability of each asset.

    Returns
    -------
    numpy.ndarray of shape (circuits,)
        Sum over the assets of importance x rate x (1 - u): an asset that is
        down cannot fail again.
    """
    return np.asarray(birnbaum @ (floats(per_year) * (1 - floats(asset))), dtype=np.float64)


def _log_up(paths: sparse.csr_array, asset: ArrayLike) -> Floats:
    """Logarithm of the availability of each row."""
    u = floats(asset)
    if np.any((u < 0) | (u > 1)):
        raise CallError("an unavailability must lie between 0 and 1")
    with np.errstate(divide="ignore"):
        return np.asarray(_ones(paths) @ np.log1p(-u), dtype=np.float64)


def _ones(paths: sparse.csr_array) -> sparse.csr_array:
    """The same entries as float64 ones, explicit zeros and repeats removed."""
    return sparse.csr_array(paths.astype(bool).astype(np.float64))


def _without(paths: sparse.csr_array, taken: sparse.csr_array) -> sparse.csr_array:
    rest = sparse.csr_array(paths - taken)
    rest.eliminate_zeros()
    return rest.astype(bool)
