"""Find where the two paths of a pair run closer to each other than they should."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
import scipy.sparse as sp
from scipy.sparse.csgraph import connected_components

from waysapart.arrays import Floats, Ints, interval_runs
from waysapart.errors import CallError
from waysapart.findings.separation.earth import chord_m, plan_m, to_lonlat
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
    met = _met(layout, limit_m, kind)
    if met is None or not len(met.pair):
        return _empty()
    return _along_paths(layout, layout.first, _by_line(met)[0])


def near_both_ways(
    layout: Layout, limit_m: npt.ArrayLike, *, kind: npt.ArrayLike | None = None
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Near stretches of each pair along its first path, and along its second.

    Parameters
    ----------
    layout, limit_m, kind
        As in `near_stretches`.

    Returns
    -------
    near, back : DataFrame
        The columns of `near_stretches` and `approach`: rows of the two frames with the
        same number face each other. `back` is measured along the second path, so its
        `line_i` is a line of that.

    Notes
    -----
    Both come from one search, so every row of either faces a row of the other.
    """
    met = _met(layout, limit_m, kind)
    if met is None or not len(met.pair):
        return _empty("approach"), _empty("approach")
    (near, run), (back, run_back) = _by_line(met), _by_line(met.turned())
    near["approach"], back["approach"] = _facing(run, run_back)
    return _along_paths(layout, layout.first, near), _along_paths(layout, layout.second, back)


@dataclass(frozen=True)
class _Met:
    """Pieces within the limit of each other; `one` belongs to the path that is measured along."""

    layout: Layout
    pair: Ints
    one: Ints
    other: Ints
    chord_m: Floats
    reach: Floats
    part_one: Floats
    part_other: Floats

    def turned(self) -> _Met:
        """The same, to be measured along the other path."""
        return replace(
            self,
            one=self.other,
            other=self.one,
            part_one=self.part_other,
            part_other=self.part_one,
        )


def _met(layout: Layout, limit_m: npt.ArrayLike, kind: npt.ArrayLike | None) -> _Met | None:
    """What lies within its limit; None where there is no limit, or no pair."""
    limits = np.asarray(limit_m, dtype=float)
    kinds = None if kind is None else np.asarray(kind, dtype=np.int64)
    if limits.ndim not in (0, 1, 3) or (limits.ndim == 3 and kinds is None):
        raise CallError("limits go by nothing, by pair, or by pair and two kinds (with `kind`)")
    greatest = float(limits.max(initial=0.0))
    if greatest <= 0.0 or not len(layout):
        return None
    found = approaches(layout, float(chord_m(greatest)))
    pieces = layout.pieces
    if kinds is not None and limits.ndim == 3:
        line_i, line_j = pieces.line[found.one], pieces.line[found.other]
        limit = limits[found.pair, kinds[line_i], kinds[line_j]]
    else:
        limit = np.broadcast_to(limits, (len(layout),))[found.pair]
    reach = np.asarray(chord_m(limit))
    close = np.flatnonzero((found.chord_m <= reach) & (limit > 0))
    return _Met(
        layout,
        found.pair[close],
        found.one[close],
        found.other[close],
        found.chord_m[close],
        reach[close],
        found.part_one[close],
        found.part_other[close],
    )


def _by_line(met: _Met) -> tuple[pd.DataFrame, Ints]:
    """Maximal intervals of one line near one other, and in which of them each meeting lies."""
    pieces, one, other = met.layout.pieces, met.one, met.other
    start, end = pieces.start[one], pieces.end[one]
    low, high = within(start, end, pieces.start[other], pieces.end[other], met.reach)
    # Where the pieces only just touch the limit, rounding may empty the interval.
    low, high = np.minimum(low, met.part_one), np.maximum(high, met.part_one)
    length = pieces.to_m[one] - pieces.from_m[one]
    intervals = pd.DataFrame(
        {
            "pair": met.pair,
            "line_i": pieces.line[one],
            "line_j": pieces.line[other],
            "from_m": pieces.from_m[one] + low * length,
            "to_m": pieces.from_m[one] + high * length,
            "chord_m": met.chord_m,
            "row": np.arange(len(one)),
        }
    )
    by_line, run = _join(intervals, ["pair", "line_i", "line_j"])
    at = by_line["row"].to_numpy()
    one, other = one[at], other[at]
    point = pieces.start[one] + met.part_one[at, None] * (pieces.end[one] - pieces.start[one])
    facing = pieces.start[other] + met.part_other[at, None] * (
        pieces.end[other] - pieces.start[other]
    )
    by_line["distance_m"] = plan_m(point, facing)
    by_line["lon"], by_line["lat"] = to_lonlat((point + facing) / 2.0)
    return by_line, run


def _facing(run: Ints, back: Ints) -> tuple[Ints, Ints]:
    """Number intervals so that those with a meeting in common, by whatever others, agree.

    `run` and `back` say for every meeting in which interval along either path it lies.
    """
    count, count_back = (int(one.max(initial=-1)) + 1 for one in (run, back))
    size = count + count_back
    edges = sp.coo_array((np.ones(len(run)), (run, count + back)), shape=(size, size))
    number = connected_components(edges, directed=False)[1].astype(np.int64)
    return number[:count], number[count:]


def _join(intervals: pd.DataFrame, by: list[str]) -> tuple[pd.DataFrame, Ints]:
    """One row per run of intervals that meet, with its least distance; the run of each interval."""
    group = intervals.groupby(by, sort=True).ngroup().to_numpy()
    low, high = intervals["from_m"].to_numpy(), intervals["to_m"].to_numpy()
    run, _ = interval_runs(group.astype(np.int64), low, high, _JOIN_M)
    nearest = np.lexsort((intervals["chord_m"].to_numpy(), run))
    first = nearest[np.flatnonzero(np.diff(run[nearest], prepend=-1))]
    joined = intervals.iloc[first].reset_index(drop=True)
    from_m, to_m = _span(run, low, high)
    joined["from_m"], joined["to_m"] = from_m, to_m
    return joined, run


def _span(run: Ints, low: Floats, high: Floats) -> tuple[Floats, Floats]:
    """Least low and greatest high of every run 0..r-1."""
    order = np.argsort(run, kind="stable")
    begins = np.flatnonzero(np.diff(run[order], prepend=-1))
    if not len(begins):
        return low, high
    return np.minimum.reduceat(low[order], begins), np.maximum.reduceat(high[order], begins)


def _along_paths(layout: Layout, path: Ints, by_line: pd.DataFrame) -> pd.DataFrame:
    """Repeat rows for every occurrence of line i in the pair's path, and number the stretches."""
    paths, length = layout.paths, layout.pieces.line_length_m
    asked, entry = occurrences(
        paths, path[by_line["pair"].to_numpy()], by_line["line_i"].to_numpy()
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
    run, order = interval_runs(pair, path_low, path_high, _JOIN_M)
    from_m, to_m = _span(run, path_low, path_high)
    rows["stretch"] = run
    rows["stretch_from_m"], rows["stretch_to_m"] = from_m[run], to_m[run]
    rows["stretch_m"] = (to_m - from_m)[run]
    columns = {**NEAR_COLUMNS, **({"approach": "int64"} if "approach" in rows else {})}
    return rows.iloc[order].reset_index(drop=True)[list(columns)].astype(columns)


def _empty(*further: str) -> pd.DataFrame:
    columns = {**NEAR_COLUMNS, **dict.fromkeys(further, "int64")}
    return pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in columns.items()})
