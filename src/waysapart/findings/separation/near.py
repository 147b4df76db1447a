"""Where do the two paths of a pair run closer to each other than they should?"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from waysapart.errors import CallError
from waysapart.findings.separation.earth import Floats, Ints, chord_m, plan_m, to_lonlat
from waysapart.findings.separation.intervals import merged
from waysapart.findings.separation.layout import Layout, occurrences
from waysapart.findings.separation.measure import within
from waysapart.findings.separation.search import approaches

_JOIN_M = 1e-6
"""Rounding between the end of one piece and the start of the next."""

NEAR_COLUMNS = {
    "pair": "int64",
    "stretch": "int64",
    "line_i": "int64",
    "line_j": "int64",
    "distance_m": "float64",
    "from_m": "float64",
    "to_m": "float64",
    "length_m": "float64",
    "path_from_m": "float64",
    "path_to_m": "float64",
    "stretch_from_m": "float64",
    "stretch_to_m": "float64",
    "stretch_m": "float64",
    "lon": "float64",
    "lat": "float64",
}


def near_stretches(
    layout: Layout, limit_m: npt.ArrayLike, *, kind: npt.ArrayLike | None = None
) -> pd.DataFrame:
    """Stretches where the first path of a pair lies within a limit of its second.

    Both the stretch and what it comes near lie outside the zones of the pair.
    A line that both paths follow is a shared asset, not an approach, and is left
    out on both sides.

    Parameters
    ----------
    layout : Layout
    limit_m : array_like, shape (), (k,) or (k, c, c)
        Limit for all pairs, by pair, or by pair and kinds (kind of the first
        path's line, kind of the second's). Where it is 0 nothing is near.
    kind : array_like of int, shape (lines,)
        Kind of every line, 0..c-1; needed with limits by kind.

    Returns
    -------
    DataFrame
        One row per maximal interval of one line of the first path (per occurrence
        in it) near one line of the second, ordered by pair and place:
        `pair`; `line_i`, `line_j`; `distance_m`, least in the interval; `from_m`,
        `to_m`, `length_m` along line i from its first vertex; `path_from_m`,
        `path_to_m` along the path; `stretch`, the same number for rows of a pair
        that meet or overlap along the path, with `stretch_from_m`,
        `stretch_to_m`, `stretch_m` of all of them together; `lon`, `lat`, the
        middle of the closest two points.

    Raises
    ------
    CallError
        `limit_m` has another shape, or lacks `kind`.

    Notes
    -----
    Exact: what lies within a distance of a straight piece is convex, so two
    pieces give one interval in closed form; intervals are merged by chainage,
    never by place, so loops do no harm. O(n log n) for n pieces plus the
    size of the result.
    """
    limits = np.asarray(limit_m, dtype=float)
    kinds = None if kind is None else np.asarray(kind, dtype=np.int64)
    if limits.ndim not in (0, 1, 3) or (limits.ndim == 3 and kinds is None):
        raise CallError("limits go by nothing, by pair, or by pair and two kinds (with `kind`)")
    greatest = float(limits.max(initial=0.0))
    if greatest <= 0.0 or not len(layout):
        return _empty()
    found = approaches(layout, float(chord_m(greatest)))
    pieces = layout.pieces
    line_i, line_j = pieces.line[found.one], pieces.line[found.other]
    if kinds is not None and limits.ndim == 3:
        limit = limits[found.pair, kinds[line_i], kinds[line_j]]
    else:
        limit = np.broadcast_to(limits, (len(layout),))[found.pair]
    reach = np.asarray(chord_m(limit))
    close = np.flatnonzero((found.chord_m <= reach) & (limit > 0))
    one, other = found.one[close], found.other[close]
    start, end = pieces.start[one], pieces.end[one]
    low, high = within(start, end, pieces.start[other], pieces.end[other], reach[close])
    # Where the pieces only just touch the limit, rounding may empty the interval.
    touch = found.part_one[close]
    low, high = np.minimum(low, touch), np.maximum(high, touch)
    length = pieces.to_m[one] - pieces.from_m[one]
    intervals = pd.DataFrame(
        {
            "pair": found.pair[close],
            "line_i": line_i[close],
            "line_j": line_j[close],
            "from_m": pieces.from_m[one] + low * length,
            "to_m": pieces.from_m[one] + high * length,
            "chord_m": found.chord_m[close],
            "row": close,
        }
    )
    by_line = _join(intervals, ["pair", "line_i", "line_j"])
    at = by_line["row"].to_numpy()
    one, other = found.one[at], found.other[at]
    point = pieces.start[one] + found.part_one[at, None] * (pieces.end[one] - pieces.start[one])
    facing = pieces.start[other] + found.part_other[at, None] * (
        pieces.end[other] - pieces.start[other]
    )
    by_line["distance_m"] = plan_m(point, facing)
    by_line["lon"], by_line["lat"] = to_lonlat((point + facing) / 2.0)
    return _along_paths(layout, by_line)


def _join(intervals: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """One row per run of intervals that meet, with the row of its least distance."""
    group = intervals.groupby(by, sort=True).ngroup().to_numpy()
    low, high = intervals["from_m"].to_numpy(), intervals["to_m"].to_numpy()
    run, _ = merged(group.astype(np.int64), low, high, _JOIN_M)
    nearest = np.lexsort((intervals["chord_m"].to_numpy(), run))
    first = nearest[np.flatnonzero(np.diff(run[nearest], prepend=-1))]
    joined = intervals.iloc[first].reset_index(drop=True)
    from_m, to_m = _span(run, low, high)
    joined["from_m"], joined["to_m"] = from_m, to_m
    return joined


def _span(run: Ints, low: Floats, high: Floats) -> tuple[Floats, Floats]:
    """Least low and greatest high of every run 0..r-1."""
    order = np.argsort(run, kind="stable")
    begins = np.flatnonzero(np.diff(run[order], prepend=-1))
    if not len(begins):
        return low, high
    return np.minimum.reduceat(low[order], begins), np.maximum.reduceat(high[order], begins)


def _along_paths(layout: Layout, by_line: pd.DataFrame) -> pd.DataFrame:
    """Repeat rows for every occurrence of line i in the path, and number the stretches."""
    paths, length = layout.paths, layout.pieces.line_length_m
    asked, entry = occurrences(
        paths, layout.first[by_line["pair"].to_numpy()], by_line["line_i"].to_numpy()
    )
    rows = by_line.iloc[asked].reset_index(drop=True)
    low, high = rows["from_m"].to_numpy(), rows["to_m"].to_numpy()
    whole, backward = length[paths.line[entry]], paths.backward[entry]
    offset = layout.offset_m[entry]
    rows["length_m"] = high - low
    rows["path_from_m"] = offset + np.where(backward, whole - high, low)
    rows["path_to_m"] = offset + np.where(backward, whole - low, high)
    pair = rows["pair"].to_numpy(dtype=np.int64)
    path_low, path_high = rows["path_from_m"].to_numpy(), rows["path_to_m"].to_numpy()
    run, order = merged(pair, path_low, path_high, _JOIN_M)
    from_m, to_m = _span(run, path_low, path_high)
    rows["stretch"] = run
    rows["stretch_from_m"], rows["stretch_to_m"] = from_m[run], to_m[run]
    rows["stretch_m"] = (to_m - from_m)[run]
    return rows.iloc[order].reset_index(drop=True)[list(NEAR_COLUMNS)].astype(NEAR_COLUMNS)


def _empty() -> pd.DataFrame:
    return pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in NEAR_COLUMNS.items()})
