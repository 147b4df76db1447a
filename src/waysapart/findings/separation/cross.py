"""Find where the two paths of a pair cross or meet in plan without a common asset."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import scipy.sparse as sp
from scipy.sparse.csgraph import connected_components

from waysapart.arrays import Bools, Floats, Ints, expand, interval_runs
from waysapart.findings.separation.earth import chord_m, east_north, on_surface, to_lonlat, to_space
from waysapart.findings.separation.layout import Layout
from waysapart.findings.separation.measure import piece_distance, point_distance, within
from waysapart.findings.separation.pieces import MAX_PIECE_M, Pieces, position
from waysapart.findings.separation.search import approaches

TOUCH_M = 0.001
"""Lines within a millimetre of each other in plan meet: rounding, not survey."""
_LOOK_M = 0.05
"""How far before and after a meeting the two lines are looked at."""
_SAG_M = MAX_PIECE_M**2 / 6.3e6 / 8.0
"""A chord lies up to this far below the surface, so lines that meet in plan may be so far apart."""
_TOUCH, _OVERLAP, _CROSS = 0, 1, 2
_NAMES = np.array(["touch", "overlap", "cross"])


def crossings(
    layout: Layout,
    *,
    common_pair: npt.ArrayLike = (),
    common_lon: npt.ArrayLike = (),
    common_lat: npt.ArrayLike = (),
    common_radius_m: npt.ArrayLike = 0.5,
    touch_m: float = TOUCH_M,
) -> pd.DataFrame:
    """Find places where a line of the first path crosses or meets one of the second in plan.

    Lines that both paths follow are left out on both sides, as is everything in the zones of the
    pair.

    Parameters
    ----------
    layout : Layout
    common_pair, common_lon, common_lat : array_like, shape (x,)
        Points (structures) that the pair shares: lines that meet there meet at a
        shared asset, and that is no crossing.
    common_radius_m : array_like, shape () or (x,)
        How near to such a point a meeting belongs to it.
    touch_m : float
        Lines no further apart than this in plan meet.

    Returns
    -------
    DataFrame, ordered by pair and place
        `pair`, `line_i`, `line_j`, `how`, `at_m` and `length_m` (along line i),
        `at_j_m` and `length_j_m` (along line j), `lon`, `lat`. Lengths are 0 but
        for overlaps, whose places are where they begin on either line. `how`:
        `cross`, line j passes from one side of line i to the other; `touch`, it
        meets it and stays on its side or ends there; `overlap`, they run
        together. A place that one line passes twice is two meetings, whichever of
        the two lines that is.

    Notes
    -----
    Plan means the tangent plane at each meeting. O(n log n) for n pieces plus
    the size of the result.
    """
    found = approaches(layout, float(chord_m(touch_m)) + _SAG_M)
    pieces = layout.pieces
    one, other = found.one, found.other
    flat = _in_plan(pieces, one, other, found.part_one)
    gap, part_one, part_other = piece_distance(*flat)
    proper = _straddle(flat, touch_m)
    meets = (gap <= touch_m) | proper
    low, high = within(*flat, np.full(len(one), touch_m))
    low_j, high_j = within(*flat[2:], *flat[:2], np.full(len(one), touch_m))
    length = pieces.to_m[one] - pieces.from_m[one]
    length_j = pieces.to_m[other] - pieces.from_m[other]
    together = np.where((high > low) & ~proper, (high - low) * length, 0.0)
    overlaps = meets & (together > 100.0 * touch_m) & (low_j <= high_j)
    at_one = pieces.from_m[one] + part_one * length
    at_other = pieces.from_m[other] + part_other * length_j
    how = np.where(proper, _CROSS, np.where(overlaps, _OVERLAP, _TOUCH))
    doubtful = np.flatnonzero(meets & ~proper & ~overlaps)
    passes = _changes_side(
        pieces,
        (pieces.line[one[doubtful]], at_one[doubtful]),
        (pieces.line[other[doubtful]], at_other[doubtful]),
    )
    how[doubtful[passes]] = _CROSS
    raw = pd.DataFrame(
        {
            "pair": found.pair,
            "line_i": pieces.line[one],
            "line_j": pieces.line[other],
            "how": how,
            "from_m": np.where(overlaps, pieces.from_m[one] + low * length, at_one),
            "to_m": np.where(overlaps, pieces.from_m[one] + high * length, at_one),
            "from_j_m": np.where(overlaps, pieces.from_m[other] + low_j * length_j, at_other),
            "to_j_m": np.where(overlaps, pieces.from_m[other] + high_j * length_j, at_other),
        }
    )[meets]
    rows = _joined(raw, touch_m)
    start = position(pieces, rows["line_i"].to_numpy(), rows["at_m"].to_numpy())
    rows["lon"], rows["lat"] = to_lonlat(start)
    common = _Common.of(common_pair, common_lon, common_lat, common_radius_m)
    away = ~(common.holds(rows["pair"].to_numpy(), start) & (rows["how"] != "overlap").to_numpy())
    return rows[away].reset_index(drop=True)


def told_before(rows: pd.DataFrame, layout: Layout, whole: Ints) -> Bools:
    """Find crossings that repeat a place of the same two lines that another row of the pair states.

    A path that follows a line twice, once in part, has two lines there; a place that a line passes
    twice is met twice.

    Parameters
    ----------
    rows : DataFrame
        From `crossings`.
    layout : Layout
    whole : ndarray of int, shape (lines,)
        For every line the line that it is a part of, or itself.

    Returns
    -------
    ndarray of bool
        Of the rows that tell one place all but the longest, or else the first.
    """
    again = np.zeros(len(rows), dtype=bool)
    names = [whole[rows[f"line_{side}"].to_numpy(dtype=np.int64)] for side in ("i", "j")]
    keys = np.column_stack([rows["pair"].to_numpy(dtype=np.int64), *names])
    _, group, rows_of = np.unique(keys, axis=0, return_inverse=True, return_counts=True)
    several = np.flatnonzero(rows_of[group.ravel()] > 1)
    if not len(several):
        return again
    group, asked = group.ravel()[several].astype(np.int64), rows.iloc[several]
    run, run_j = (
        interval_runs(group, *_along(asked, layout.pieces, whole, *of), 10.0 * TOUCH_M)[0]
        for of in (("line_i", "at_m", "length_m"), ("line_j", "at_j_m", "length_j_m"))
    )
    size = int(run.max()) + int(run_j.max()) + 2
    edges = np.ones(len(run)), (run, int(run.max()) + 1 + run_j)
    graph = sp.coo_array(edges, shape=(size, size))
    place = connected_components(graph, directed=False)[1][run]
    longest = np.lexsort((-asked["length_m"].to_numpy(), place))
    first = longest[np.flatnonzero(np.diff(place[longest], prepend=-1))]
    again[np.delete(several, first)] = True
    return again


def _along(
    rows: pd.DataFrame, pieces: Pieces, whole: Ints, name: str, at: str, length: str
) -> tuple[Floats, Floats]:
    """From where to where each crossing goes along the line that its own is a part of."""
    line, begin = rows[name].to_numpy(dtype=np.int64), rows[at].to_numpy()
    ends = []
    for to in (begin, begin + rows[length].to_numpy()):
        point = position(pieces, line, np.clip(to, 0.0, pieces.line_length_m[line]))
        ends.append(_place(pieces, whole[line], point))
    return np.minimum(*ends), np.maximum(*ends)


def _place(pieces: Pieces, line: Ints, point: Floats) -> Floats:
    """How far along its line the piece nearest to each point has it."""
    row, piece = expand(pieces.first[line], pieces.first[line + 1] - pieces.first[line])
    gap, part = point_distance(point[row], pieces.start[piece], pieces.end[piece])
    nearest = np.lexsort((gap, row))
    first = nearest[np.flatnonzero(np.diff(row[nearest], prepend=-1))]
    at, part = piece[first], part[first]
    return np.asarray(pieces.from_m[at] + part * (pieces.to_m[at] - pieces.from_m[at]))


def _in_plan(
    pieces: Pieces, one: Ints, other: Ints, part: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """Ends of both pieces in the tangent plane at the closest point of the first."""
    middle = pieces.start[one] + part[:, None] * (pieces.end[one] - pieces.start[one])
    east, north = east_north(middle)

    def flat(points: Floats) -> Floats:
        off = points - middle
        return np.stack(
            [np.einsum("ij,ij->i", off, east), np.einsum("ij,ij->i", off, north)], axis=1
        )

    return (
        flat(pieces.start[one]),
        flat(pieces.end[one]),
        flat(pieces.start[other]),
        flat(pieces.end[other]),
    )


def _straddle(flat: tuple[Floats, Floats, Floats, Floats], touch_m: float) -> Bools:
    """The ends of each piece lie clearly on either side of the other."""
    p1, q1, p2, q2 = flat

    def sides(p: Floats, q: Floats, points: tuple[Floats, Floats]) -> Bools:
        along = q - p
        length = np.hypot(along[:, 0], along[:, 1])
        one, two = (
            (along[:, 0] * (x - p)[:, 1] - along[:, 1] * (x - p)[:, 0])
            / np.where(length > 0, length, np.inf)
            for x in points
        )
        return np.asarray((one * two < 0) & (np.minimum(np.abs(one), np.abs(two)) > touch_m))

    return sides(p1, q1, (p2, q2)) & sides(p2, q2, (p1, q1))


def _changes_side(pieces: Pieces, one: tuple[Ints, Floats], other: tuple[Ints, Floats]) -> Bools:
    """Whether line `other` leaves on the other side of line `one` than it came from.

    Each is (line, distance along it) of the meeting. A line that ends there
    passes nothing.
    """
    middle = position(pieces, *one)
    east, north = east_north(middle)

    def bearing(line: Ints, at: Floats) -> Floats:
        off = position(pieces, line, at) - middle
        to_east, to_north = (np.einsum("ij,ij->i", off, way) for way in (east, north))
        return np.asarray(np.arctan2(to_east, to_north))

    before = bearing(one[0], one[1] - _LOOK_M)

    def turn(line: Ints, at: Floats) -> Floats:
        return np.asarray(np.mod(bearing(line, at) - before, 2 * np.pi))

    after = turn(one[0], one[1] + _LOOK_M)
    came, left = turn(other[0], other[1] - _LOOK_M), turn(other[0], other[1] + _LOOK_M)
    # A direction that the two lines have in common is no side.
    clear = np.ones(len(after), dtype=bool)
    for angle in (came, left):
        clear &= (np.abs(angle - after) > 1e-6) & (angle > 1e-6) & (angle < 2 * np.pi - 1e-6)
    known = np.isfinite(after + came + left)
    return np.asarray(known & clear & ((came < after) != (left < after)))


def _joined(raw: pd.DataFrame, touch_m: float) -> pd.DataFrame:
    """One row per meeting: pieces that meet at a vertex report it more than once."""
    group = raw.groupby(["pair", "line_i", "line_j"], sort=True).ngroup().to_numpy()
    # Near a vertex in a sharp bend the same meeting is found a little apart.
    runs = {
        name: interval_runs(
            group.astype(np.int64), raw[low].to_numpy(), raw[high].to_numpy(), 10.0 * touch_m
        )[0]
        for name, low, high in (("run", "from_m", "to_m"), ("run_j", "from_j_m", "to_j_m"))
    }
    order = np.lexsort((runs["run_j"], runs["run"]))
    new = np.ones(len(raw), dtype=bool)
    new[1:] = np.any([np.diff(runs[name][order]) != 0 for name in runs], axis=0)
    first = np.flatnonzero(new)

    def over(name: str, reduce: np.ufunc) -> np.ndarray:
        values = raw[name].to_numpy()[order]
        return np.asarray(reduce.reduceat(values, first)) if len(first) else values

    how = raw["how"].to_numpy(dtype=np.int64)[order]
    overlaps, most = how == _OVERLAP, how
    if len(first):
        overlaps = np.logical_or.reduceat(overlaps, first)
        most = np.maximum.reduceat(how, first)
    at_m, at_j_m = over("from_m", np.fmin), over("from_j_m", np.fmin)
    return pd.DataFrame(
        {
            **{name: raw[name].to_numpy()[order[first]] for name in ("pair", "line_i", "line_j")},
            "how": _NAMES[np.where(overlaps, _OVERLAP, most)],
            "at_m": at_m,
            "at_j_m": at_j_m,
            "length_m": np.where(overlaps, over("to_m", np.fmax) - at_m, 0.0),
            "length_j_m": np.where(overlaps, over("to_j_m", np.fmax) - at_j_m, 0.0),
        }
    )


@dataclass(frozen=True)
class _Common:
    """Points that pairs share, ordered by pair."""

    pair: Ints
    point: Floats
    radius_m: Floats

    @classmethod
    def of(
        cls, pair: npt.ArrayLike, lon: npt.ArrayLike, lat: npt.ArrayLike, radius_m: npt.ArrayLike
    ) -> _Common:
        pairs = np.asarray(pair, dtype=np.int64).reshape(-1)
        order = np.argsort(pairs, kind="stable")
        point = to_space(np.asarray(lon, dtype=float), np.asarray(lat, dtype=float))
        radius = np.broadcast_to(np.asarray(radius_m, dtype=float), pairs.shape)
        return cls(pairs[order], point.reshape(-1, 3)[order], radius[order])

    def holds(self, pair: Ints, space: Floats) -> Bools:
        """Whether each point lies at one of its pair's common points."""
        low = np.searchsorted(self.pair, pair, side="left").astype(np.int64)
        high = np.searchsorted(self.pair, pair, side="right").astype(np.int64)
        row, at = expand(low, high - low)
        off = on_surface(space[row]) - self.point[at]
        held = np.zeros(len(pair), dtype=bool)
        held[row[np.linalg.norm(off, axis=1) <= chord_m(self.radius_m[at])]] = True
        return held
