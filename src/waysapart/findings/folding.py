"""Which shared thing does a near stretch or a crossing belong to?

Two paths that both pass a pit come near each other beside it, and meet there. That is
one finding, the pit, and not three.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import scipy.sparse as sp
import shapely
from scipy.sparse.csgraph import connected_components

from waysapart.arrays import Floats, Ints, boolean, expand, interval_runs
from waysapart.findings.separation.earth import to_lonlat
from waysapart.findings.separation.layout import Layout
from waysapart.reliance.rely import Reliance
from waysapart.study.crs import LON_LAT, transformer_between

FOLD_RATIO = 10.0
"""A near stretch folds under a shared place when all of it lies within this many times
the limit of it: two routes that leave a pit at 6 degrees or more. A longer one is a
finding of its own."""
_JOIN_M = 1e-6


class Folds:
    """The shared things that findings of some pairs may be folded under.

    Parameters
    ----------
    reliance : Reliance
    shared, avoidable : csr_array of bool, shape (pairs, assets + links)
        What counts as shared for every pair of the layout, and what of it is not
        only shared because the circuits end there.
    layout : Layout
    segment : ndarray of int
        Segment of every line of the layout.
    """

    def __init__(
        self,
        reliance: Reliance,
        shared: sp.csr_array,
        avoidable: sp.csr_array,
        layout: Layout,
        segment: Ints,
    ) -> None:
        network = reliance.network
        self.segment = segment
        self._study = network.study
        self._start = network.assets.start
        self._pieces = layout.pieces
        roles = network.assets.frame["role"].to_numpy()
        self._shape = np.full(len(roles), None, dtype=object)
        for role in ("sites", "structures", "segments"):
            self._shape[network.assets.of_role(role)] = network.study.geometries(role)
        place = np.isin(roles, ("sites", "structures"))
        self._met = _only(shared, place)
        self._beside = _only(avoidable, place)
        holding = np.isin(roles, ("segments", "structures"))
        self._holders = _only(reliance.closed, holding)
        self._held = _only(shared, holding)
        self._turn = transformer_between(LON_LAT, network.study.crs)

    def of_crossings(self, cross: pd.DataFrame) -> Ints:
        """What each crossing belongs to; -1: nothing that both paths rely on.

        What holds both segments; else a shared structure or site within `snap_m`
        of the meeting. Lines that run together along a stretch do not meet at a place.
        """
        found = self.holders(cross)
        meets = np.flatnonzero((found < 0) & (cross["how"] != "overlap").to_numpy())
        pair = cross["pair"].to_numpy(dtype=np.int64)[meets]
        row, place = _listed(self._met, pair)
        at = self._points(cross["lon"].to_numpy()[meets], cross["lat"].to_numpy()[meets])
        gap = shapely.distance(at[row], self._shape[place])
        close = gap <= self._study.snap_m
        row, place, gap = row[close], place[close], gap[close]
        nearest = np.lexsort((place, gap, row))
        first = nearest[np.flatnonzero(np.diff(row[nearest], prepend=-1))]
        found[meets[row[first]]] = place[first]
        return found

    def of_stretches(self, near: pd.DataFrame, back: pd.DataFrame) -> tuple[Ints, Ints]:
        """What each row of near stretches along either path is folded under; -1: nothing.

        What holds both segments, such as the trench of two ducts. What is left of a
        stretch folds under a shared structure or site, or under what holds another
        part of it, where all of it lies within `FOLD_RATIO` limits of that and it
        is no longer than twice as much. The sites where the circuits end are no
        such place: how far they excuse is for the end zone to say.

        That must hold for both paths, whichever is called main: what is left along one
        path and all that it faces along the other fold under one thing, or stand together.

        Parameters
        ----------
        near, back : DataFrame
            From `near_both_ways`, with `limit_m`, `segment_i` and `segment_j`.
        """
        rows = pd.concat([near, back], ignore_index=True)
        apart = int(near["stretch"].max()) + 1 if len(near) else 0
        rows.loc[len(near) :, "stretch"] += apart
        found = self.holders(rows)
        left = np.flatnonzero(found < 0)
        if len(left):
            found[left] = self._beside_something(rows, left, found)
        return found[: len(near)], found[len(near) :]

    def _beside_something(self, rows: pd.DataFrame, left: Ints, held: Ints) -> Ints:
        """What the rows `left` fold under, together with all that they face."""
        rest = rows.iloc[left]
        low, high = rest["path_from_m"].to_numpy(), rest["path_to_m"].to_numpy()
        whole = rest["stretch"].to_numpy(dtype=np.int64)
        run, order = interval_runs(whole, low, high, _JOIN_M)
        begins = np.flatnonzero(np.diff(run[order], prepend=-1))
        length = np.maximum.reduceat(high[order], begins) - low[order][begins]
        reach = FOLD_RATIO * np.maximum.reduceat(rest["limit_m"].to_numpy()[order], begins)
        pair = rest["pair"].to_numpy(dtype=np.int64)[order][begins]
        meeting = _together(run, rest["approach"].to_numpy(dtype=np.int64))
        short = np.ones(meeting.max() + 1, dtype=bool)
        short[meeting[length > 2.0 * reach]] = False
        asked = np.flatnonzero(short[meeting])
        stretch = whole[order][begins]
        which, place = self._candidates(
            asked, pair[asked], stretch[asked], rows["stretch"].to_numpy(), held
        )
        which, place, away = self._within_reach(rest, run, which, place, reach)
        return _best_for_all(meeting, which, place, away)[meeting[run]]

    def holders(self, rows: pd.DataFrame) -> Ints:
        """The innermost shared segment or structure that both segments lie within or are."""
        found = np.full(len(rows), -1, dtype=np.int64)
        start = self._start["segments"]
        one, other = (
            self._holders[start + rows[f"segment_{side}"].to_numpy(dtype=np.int64)]
            for side in ("i", "j")
        )
        pair = rows["pair"].to_numpy(dtype=np.int64)
        common = sp.coo_array(one.multiply(other).multiply(self._held[pair]))
        row, holder = (axis.astype(np.int64) for axis in common.coords)
        depth = np.diff(self._holders.indptr)[holder]
        order = np.lexsort((holder, -depth, row))
        first = order[np.flatnonzero(np.diff(row[order], prepend=-1))]
        found[row[first]] = holder[first]
        return found

    def _candidates(
        self, run: Ints, pair: Ints, stretch: Ints, stretch_of_row: Ints, under: Ints
    ) -> tuple[Ints, Ints]:
        """Runs and what they may be folded under: shared places, and holders of their stretch."""
        number, place = _listed(self._beside, pair)
        held = np.flatnonzero(under >= 0)
        seen = np.unique(np.column_stack([stretch_of_row[held], under[held]]), axis=0)
        low = np.searchsorted(seen[:, 0], stretch, side="left").astype(np.int64)
        high = np.searchsorted(seen[:, 0], stretch, side="right").astype(np.int64)
        beside, at = expand(low, high - low)
        both = np.unique(
            np.r_[
                np.column_stack([run[number], place]), np.column_stack([run[beside], seen[at, 1]])
            ],
            axis=0,
        )
        return both[:, 0], both[:, 1]

    def _within_reach(
        self, rows: pd.DataFrame, run: Ints, which: Ints, place: Ints, reach: Floats
    ) -> tuple[Ints, Ints, Floats]:
        """Runs and candidates such that all of the run lies within reach; and how far it goes."""
        if not len(which):
            return which, place, np.zeros(0)
        of, lon, lat = self._corners(rows)
        at = self._points(lon, lat)
        order = np.argsort(run[of], kind="stable")
        first = np.searchsorted(run[of][order], np.arange(len(reach) + 1)).astype(np.int64)
        # One corner tells most candidates to be too far away.
        one = at[order[first[which]]]
        near = shapely.distance(one, self._shape[place]) <= reach[which]
        which, place = which[near], place[near]
        row, number = expand(first[which], first[which + 1] - first[which])
        gap = shapely.distance(at[order[number]], self._shape[place[row]])
        furthest = np.zeros(len(which))
        np.maximum.at(furthest, row, gap)
        good = np.flatnonzero(furthest <= reach[which])
        return which[good], place[good], furthest[good]

    def _corners(self, rows: pd.DataFrame) -> tuple[Ints, Floats, Floats]:
        """Ends of all straight pieces of the intervals of rows: row, longitude, latitude."""
        pieces = self._pieces
        line = rows["line_i"].to_numpy(dtype=np.int64)
        first = pieces.first
        row, piece = expand(first[line], first[line + 1] - first[line])
        from_m, to_m = pieces.from_m[piece], pieces.to_m[piece]
        low = np.maximum(rows["from_m"].to_numpy()[row], from_m)
        high = np.minimum(rows["to_m"].to_numpy()[row], to_m)
        on_it = low <= high
        row, piece, low, high = row[on_it], piece[on_it], low[on_it], high[on_it]
        length = pieces.to_m[piece] - pieces.from_m[piece]
        points = []
        for at in (low, high):
            part = np.divide(
                at - pieces.from_m[piece], length, out=np.zeros_like(length), where=length > 0
            )
            move = pieces.end[piece] - pieces.start[piece]
            points.append(pieces.start[piece] + part[:, None] * move)
        lon, lat = to_lonlat(np.concatenate(points))
        return np.concatenate([row, row]), lon, lat

    def _points(self, lon: Floats, lat: Floats) -> np.ndarray:
        """Points in the working coordinate system."""
        x, y = self._turn.transform(lon, lat)
        return np.asarray(shapely.points(np.column_stack([x, y])), dtype=object)


def _together(run: Ints, approach: Ints) -> Ints:
    """Number the runs so that those which face each other, by whatever others, agree.

    `run` and `approach` of every row along either path.
    """
    runs = int(run.max()) + 1
    _, faced = np.unique(approach, return_inverse=True)
    size = runs + int(faced.max()) + 1
    edges = sp.coo_array((np.ones(len(run)), (run, runs + faced)), shape=(size, size))
    number = connected_components(edges, directed=False)[1][:runs]
    return np.unique(number, return_inverse=True)[1].astype(np.int64)


def _best_for_all(meeting: Ints, run: Ints, place: Ints, away: Floats) -> Ints:
    """Per meeting, the place near to all of its runs that is nearest; -1: none is near to all.

    `run`, `place` and `away`: which places are near to which runs, each once.
    """
    found = np.full(int(meeting.max()) + 1, -1, dtype=np.int64)
    if not len(run):
        return found
    of = meeting[run]
    order = np.lexsort((place, of))
    begins = np.flatnonzero(
        (np.diff(of[order], prepend=-1) != 0) | (np.diff(place[order], prepend=-1) != 0)
    )
    count = np.diff(np.r_[begins, len(order)])
    furthest = np.maximum.reduceat(away[order], begins)
    of, place = of[order][begins], place[order][begins]
    good = np.flatnonzero(count == np.bincount(meeting)[of])
    best = good[np.lexsort((place[good], furthest[good], of[good]))]
    top = best[np.flatnonzero(np.diff(of[best], prepend=-1))]
    found[of[top]] = place[top]
    return found


def _only(matrix: sp.csr_array, wanted: np.ndarray) -> sp.csr_array:
    """The entries of a boolean matrix in the wanted columns; columns keep their numbers."""
    part = sp.csr_array(matrix)[:, : len(wanted)].tocoo()
    keep = wanted[part.col]
    made = boolean(part.row[keep], part.col[keep], (matrix.shape[0], len(wanted)))
    return made


def _listed(matrix: sp.csr_array, rows: Ints) -> tuple[Ints, Ints]:
    """Column numbers of the given rows: place in `rows`, column."""
    start = matrix.indptr.astype(np.int64)
    row, at = expand(start[rows], start[rows + 1] - start[rows])
    return row, matrix.indices[at].astype(np.int64)
