"""Compute how far away the other path is, all along a path."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from waysapart.arrays import Bools, Floats, Ints, expand
from waysapart.errors import CallError
from waysapart.findings.separation.earth import TangentPlane, arc_m
from waysapart.findings.separation.envelope import Arcs, lower_envelope
from waysapart.findings.separation.layout import Layout
from waysapart.findings.separation.measure import distance_arcs, piece_distance, point_distance
from waysapart.findings.separation.pieces import Pieces, around, drawn

PROFILE_COLUMNS = {
    "from_m": "float64",
    "to_m": "float64",
    "a": "float64",
    "b": "float64",
    "c": "float64",
    "distance_from_m": "float64",
    "distance_to_m": "float64",
    "line_i": "int64",
    "line_j": "int64",
    "exempt": "bool",
}


def profile(layout: Layout, pair: int, *, along: str = "first") -> pd.DataFrame:
    """Distance to the other path of a pair as a function of distance along a path.

    Outside the pair's zones the distance is to what lies of the other path
    outside them, so that its least value is the pair's least distance. Inside a
    zone (`exempt`) it is to the whole of the other path.

    Parameters
    ----------
    layout : Layout
    pair : int
    along : {"first", "second"}
        The path to go along; the other way round is another function.

    Returns
    -------
    DataFrame
        One row per arc, in the order of the path: `from_m`, `to_m` along the path;
        `a`, `b`, `c`: the square of the straight distance, x metres after
        `from_m`, is a x^2 + b x + c; `distance_from_m`, `distance_to_m`, geodesic
        distance at both ends of the arc; `line_i`, the line followed; `line_j`, the
        line that is nearest (-1, with NaN, where the other path has nothing
        outside the zones); `exempt`. Stretches without geometry have no row.

    Raises
    ------
    CallError
        There is no such pair, or `along` is neither.

    Notes
    -----
    The square of the distance to a straight piece is at most three quadratics;
    the profile is their lower envelope, piece by piece. The distance to a
    convex piece is convex, so the greater of both end distances to any one piece
    bounds the whole, and only pieces within it are looked at.
    """
    if not 0 <= pair < len(layout):
        raise CallError(f"there is no pair {pair}; there are {len(layout)}")
    if along not in ("first", "second"):
        raise CallError(f"along {along!r}: expected 'first' or 'second'")
    mine, yours = (layout.first[pair], layout.second[pair])[:: 1 if along == "first" else -1]
    piece, at_m, backward = _walk(layout, int(mine))
    other, _, _ = _walk(layout, int(yours))
    excused = layout.excused[[pair]].indices
    exempt = np.isin(piece, excused)
    outside = other[~np.isin(other, excused)]
    parts = [
        _arcs(layout.pieces, piece, at_m, backward, np.flatnonzero(exempt), np.unique(other)),
        _arcs(layout.pieces, piece, at_m, backward, np.flatnonzero(~exempt), np.unique(outside)),
    ]
    for part, flag in zip(parts, (True, False), strict=True):
        part["exempt"] = flag
    rows = pd.concat(parts, ignore_index=True).sort_values(["from_m", "to_m"], kind="stable")
    return rows.reset_index(drop=True)[list(PROFILE_COLUMNS)].astype(PROFILE_COLUMNS)


def evaluate(profile: pd.DataFrame, at_m: npt.ArrayLike) -> Floats:
    """Return the distance to the other path at places along the path.

    Where one arc ends and the next begins, the later counts.

    Parameters
    ----------
    profile : DataFrame
        From `profile`.
    at_m : array_like
        Distances along the path.

    Returns
    -------
    ndarray of float
        Geodesic distance in metres; NaN where the profile has no arc or nothing to measure to.
    """
    at = np.asarray(at_m, dtype=float)
    if not len(profile):
        return np.full(at.shape, np.nan)
    from_m, to_m = profile["from_m"].to_numpy(), profile["to_m"].to_numpy()
    row = np.clip(np.searchsorted(from_m, at, side="right") - 1, 0, len(from_m) - 1)
    x = at - from_m[row]
    square = (profile["a"].to_numpy()[row] * x + profile["b"].to_numpy()[row]) * x
    square = square + profile["c"].to_numpy()[row]
    there = (at >= from_m[row]) & (at <= to_m[row] + 1e-6)
    distance = np.asarray(arc_m(np.sqrt(np.maximum(square, 0.0))))
    return np.asarray(np.where(there, distance, np.nan))


def _walk(layout: Layout, path: int) -> tuple[Ints, Floats, Bools]:
    """Pieces of a path in its order, where along it each starts, and which run backward."""
    paths, pieces = layout.paths, layout.pieces
    entry = np.arange(*np.searchsorted(paths.path, [path, path + 1]))
    line, first = paths.line[entry], pieces.first
    row, number = expand(np.zeros(len(line), dtype=np.int64), first[line + 1] - first[line])
    backward = paths.backward[entry][row]
    piece = np.where(backward, first[line + 1][row] - 1 - number, first[line][row] + number)
    length = pieces.line_length_m[line][row]
    into = np.where(backward, length - pieces.to_m[piece], pieces.from_m[piece])
    return piece, layout.offset_m[entry][row] + into, np.asarray(backward)


def _arcs(
    pieces: Pieces, piece: Ints, at_m: Floats, backward: Bools, rows: Ints, other: Ints
) -> pd.DataFrame:
    """The arcs of the given rows of a walk against the given other pieces."""
    which, begins = piece[rows], at_m[rows]
    turn = backward[rows][:, None]
    start = np.where(turn, pieces.end[which], pieces.start[which])
    end = np.where(turn, pieces.start[which], pieces.end[which])
    length = pieces.to_m[which] - pieces.from_m[which]
    if not len(rows) or not len(other):
        nothing = np.full(len(rows), np.nan)
        return pd.DataFrame(
            {
                "from_m": begins,
                "to_m": begins + length,
                **dict.fromkeys(("a", "b", "c", "distance_from_m", "distance_to_m"), nothing),
                "line_i": pieces.line[which],
                "line_j": np.full(len(rows), -1),
            }
        )
    row, facing = _candidates(pieces, start, end, other)
    coefficients, low, high = distance_arcs(
        start[row], end[row], pieces.start[facing], pieces.end[facing]
    )
    there = (high > low).reshape(-1)
    envelope = lower_envelope(
        Arcs(
            np.repeat(row, 3)[there],
            np.repeat(np.arange(len(row), dtype=np.int64), 3)[there],
            low.reshape(-1)[there],
            high.reshape(-1)[there],
            coefficients.reshape(-1, 3)[there],
            np.repeat(pieces.line[facing], 3)[there],
        )
    )
    return _along(envelope, begins, length, pieces.line[which])


def _candidates(pieces: Pieces, start: Floats, end: Floats, other: Ints) -> tuple[Ints, Ints]:
    """For every piece start..end, the pieces of `other` that may be nearest somewhere on it."""
    facing = pieces.select(other)
    plane = TangentPlane.at(np.concatenate([start, facing.start]))
    tree = shapely.STRtree(drawn(facing, plane))
    middle = shapely.points(plane.project((start + end) / 2.0))
    guess = other[tree.nearest(middle)]
    ends = [
        point_distance(point, pieces.start[guess], pieces.end[guess])[0] for point in (start, end)
    ]
    # One part in 1e9 and a micrometre against rounding in the tree's own arithmetic.
    bound = np.maximum(*ends) * (1.0 + 1e-9) + 1e-6
    row, at = tree.query(around(plane, start, end, bound))
    chosen = other[at]
    distance, _, _ = piece_distance(start[row], end[row], pieces.start[chosen], pieces.end[chosen])
    keep = distance <= bound[row]
    row, chosen = row[keep].astype(np.int64), chosen[keep]
    order = np.lexsort((chosen, row))
    return row[order], chosen[order]


def _along(envelope: Arcs, begins: Floats, length: Floats, line: Ints) -> pd.DataFrame:
    """Arcs on 0..1 of a piece as arcs in metres along the path."""
    row = envelope.group
    scale = length[row]
    a, b, c = envelope.coefficients.T
    low, high = envelope.low, envelope.high
    with np.errstate(divide="ignore", invalid="ignore"):
        # Shift the start of the parameter to `low`, then stretch it to metres.
        square = np.where(scale > 0, a / scale**2, 0.0)
        slope = np.where(scale > 0, (2.0 * a * low + b) / scale, 0.0)
    at_low, at_high = ((a * t + b) * t + c for t in (low, high))
    return pd.DataFrame(
        {
            "from_m": begins[row] + low * scale,
            "to_m": begins[row] + high * scale,
            "a": square,
            "b": slope,
            "c": at_low,
            "distance_from_m": arc_m(np.sqrt(np.maximum(at_low, 0.0))),
            "distance_to_m": arc_m(np.sqrt(np.maximum(at_high, 0.0))),
            "line_i": line[row],
            "line_j": envelope.tag,
        }
    )
