"""Measure how far apart the sides of every trial run: near stretches, crossings, closest approach.

Two paths that both pass a pit come near each other beside it, and meet there. That is one finding,
the pit, and not three: near stretches and crossings are folded under the shared asset that they
belong to.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
import scipy.sparse as sp
import shapely
from scipy.sparse.csgraph import connected_components

from waysapart.arrays import Bools, Floats, Ints, boolean, expand, interval_runs
from waysapart.findings.separation.closest import closest_points
from waysapart.findings.separation.cross import crossings, told_before
from waysapart.findings.separation.earth import chord_m, to_lonlat
from waysapart.findings.separation.layout import Layout, lay_out
from waysapart.findings.separation.measure import roots
from waysapart.findings.separation.near import near_both_ways
from waysapart.findings.separation.profile import profile
from waysapart.findings.sharing import Sharing, Sides
from waysapart.network.assets import surveyed_m
from waysapart.network.build_network import Network
from waysapart.network.routes import route_lines, routes
from waysapart.reliance.rely import Reliance
from waysapart.study.rules import Service

Services = tuple[Service, ...]


@dataclass(frozen=True)
class Spacing:
    """Separation of every pair of paths that is held apart.

    Attributes
    ----------
    pairs : DataFrame
        `trial` (circuit or group), `contest` (what of it is held apart at once),
        `first`, `second` (paths), `closest_m` (NaN: not examined),
        `danger_radius_m`, `segment_i`, `segment_j`, `lon`, `lat`, and both
        closest points.
    near : DataFrame
        Along the first path of each pair: the columns of `near_both_ways` and
        `segment_i`, `segment_j`, `limit_m`, `under` (asset that it is folded
        under, -1: none).
    near_back : DataFrame
        The same along the second path: `segment_i` is a segment of the second path.
        What stands along one path faces something that stands along the other.
    cross : DataFrame
        The columns of `crossings` and `segment_i`, `segment_j`, `forbidden`,
        `under`, `again` (a place of the same two segments that another row tells:
        a path that follows a segment twice, once in part, has two lines there).
    layout : Layout
    line_segment : ndarray of int
        Segment of each line of the layout.
    loose : Spacing or None
        The same with every limit wider by what the records of both segments may be
        wrong; None where all records count as exact.
    """

    pairs: pd.DataFrame
    near: pd.DataFrame
    near_back: pd.DataFrame
    cross: pd.DataFrame
    layout: Layout
    line_segment: Ints
    loose: Spacing | None = None


def space(
    reliance: Reliance,
    sides: Sides,
    sharing: Sharing,
    services: Sequence[Services],
    owner: Ints,
) -> Spacing:
    """Measure the separation of all trials at once.

    Parameters
    ----------
    reliance : Reliance
    sides : Sides
        What is compared, contest by contest.
    sharing : Sharing
        What the sides of every contest share, from `share`.
    services : sequence of tuple of Service, length (contests)
        The services of its circuits; the strictest of them counts.
    owner : ndarray of int, shape (contests,)
        The circuit or group that each contest belongs to.

    Returns
    -------
    Spacing

    Notes
    -----
    O(n log n) for n straight pieces of segments, plus the size of what is found; one
    look-up of its services per contest.
    """
    network = reliance.network
    route = routes(network)
    lines, line, segment = route_lines(network, route)
    pairs = held_pairs(sides)
    contest = pairs["contest"].to_numpy(dtype=np.int64)
    places, radius, zone_pair, zone = _zones(reliance, sides, contest, services)
    layout = lay_out(
        lines,
        path=route.path,
        line=line,
        backward=route.start > route.stop,
        path_count=len(network.paths),
        first=pairs["first"],
        second=pairs["second"],
        zone_places=places,
        zone_radius_m=radius,
        zone_pair=zone_pair,
        zone=zone,
    )
    kind = network.study.tables["segments"]["kind"].to_numpy(dtype=str)[segment]
    limits = _Limits.of(services, kind)

    shared, avoidable = (
        sp.csr_array(matrix[contest]) for matrix in (sharing.shared, sharing.avoidable)
    )
    folds = Folds(reliance, shared, avoidable, layout, segment)
    near, back = _near_rows(layout, limits, contest, folds)
    cross = crossings(layout)
    cross["segment_i"] = segment[cross["line_i"]]
    cross["segment_j"] = segment[cross["line_j"]]
    cross["under"] = folds.of_crossings(cross)
    cross["forbidden"] = limits.forbidden(contest, cross)
    cross["again"] = told_before(cross, layout, segment)
    pairs.insert(0, "trial", owner[contest])
    pairs = _with_closest(pairs, layout, segment)
    found = Spacing(pairs, near, back, cross, layout, segment)
    accuracy_m = surveyed_m(network.study, network.study.tables["segments"])
    if not accuracy_m.any():
        return found
    wide, wide_back = _near_rows(layout, limits.widened(accuracy_m[segment]), contest, folds)
    return replace(found, loose=replace(found, near=wide, near_back=wide_back))


def approaches(
    reliance: Reliance,
    sides: Sides,
    services: Sequence[Services],
    reach_m: float,
) -> pd.DataFrame:
    """Find where paths that are held apart run not far beyond a limit, outside their end zones.

    Parameters
    ----------
    reliance : Reliance
    sides : Sides
        What is compared, contest by contest.
    services : sequence of tuple of Service, length (contests)
    reach_m : float
        How far beyond the limit, metres.

    Returns
    -------
    DataFrame
        The closest place of every two segments of two paths: `contest`, `first`, `second`
        (paths), `segment_i`, `segment_j`, `distance_m`, `limit_m`.
    """
    pairs = held_pairs(sides)
    contest = pairs["contest"].to_numpy(dtype=np.int64)
    layout, segment, kind = _laid(
        reliance, sides, contest, services, pairs["first"], pairs["second"]
    )
    limits = _Limits.of(services, kind)
    near, _ = near_both_ways(layout, limits.of_pairs(contest) + reach_m, kind=limits.kind)
    near["limit_m"] = limits.of_rows(contest, near)
    near["segment_i"] = segment[near["line_i"]]
    near["segment_j"] = segment[near["line_j"]]
    for name in ("contest", "first", "second"):
        near[name] = pairs[name].to_numpy(dtype=np.int64)[near["pair"].to_numpy(dtype=np.int64)]
    columns = ["contest", "first", "second", "segment_i", "segment_j"]
    near = near.sort_values("distance_m", kind="stable").drop_duplicates(columns)
    found: pd.DataFrame = near[[*columns, "distance_m", "limit_m"]].reset_index(drop=True)
    return found


def breaks_spacing(
    reliance: Reliance,
    sides: Sides,
    sharing: Sharing,
    services: Sequence[Services],
    contest: Ints,
    other: Ints,
    lines: np.ndarray,
    segment: Ints,
) -> Bools:
    """Tell which lines would stand against a contest, if one of its paths ran along them.

    Parameters
    ----------
    reliance : Reliance
    sides : Sides
    sharing : Sharing
        What the sides of every contest share, from `share`.
    services : sequence of tuple of Service, length (contests)
    contest, other : ndarray of int, shape (n,)
        The contest of each line, and the path that it is held against there.
    lines : ndarray of LineString, shape (n,)
        In longitude and latitude, degrees.
    segment : ndarray of int, shape (n,)
        The segment whose kind, and whose holders, each line has.

    Returns
    -------
    ndarray of bool, shape (n,)
        It comes too near the other path outside the end zones, or crosses it where the rules
        forbid that, and nothing that both rely on excuses it.
    """
    stands = np.zeros(len(lines), dtype=np.bool_)
    if not len(lines):
        return stands
    number = len(reliance.network.paths) + np.arange(len(lines), dtype=np.int64)
    layout, of, kind = _laid(
        reliance, sides, contest, services, number, other, lines=lines, segment=segment
    )
    limits = _Limits.of(services, kind)
    shared, avoidable = (
        sp.csr_array(matrix[contest]) for matrix in (sharing.shared, sharing.avoidable)
    )
    folds = Folds(reliance, shared, avoidable, layout, of)
    for rows in _near_rows(layout, limits, contest, folds):
        stands[rows["pair"].to_numpy(dtype=np.int64)[(rows["under"] < 0).to_numpy()]] = True
    cross = crossings(layout)
    cross["segment_i"], cross["segment_j"] = of[cross["line_i"]], of[cross["line_j"]]
    against = (folds.of_crossings(cross) < 0) & limits.forbidden(contest, cross)
    stands[cross["pair"].to_numpy(dtype=np.int64)[against]] = True
    return stands


def _laid(
    reliance: Reliance,
    sides: Sides,
    contest: Ints,
    services: Sequence[Services],
    first: npt.ArrayLike,
    second: npt.ArrayLike,
    *,
    lines: np.ndarray | None = None,
    segment: Ints | None = None,
) -> tuple[Layout, Ints, np.ndarray]:
    """A layout of some pairs alone: with the segment and the kind of each of its lines.

    `lines` are further paths of one line each, numbered after those of the network.
    """
    network = reliance.network
    route = routes(network)
    every, line, of = route_lines(network, route)
    asked = np.isin(route.path, np.r_[np.asarray(first), np.asarray(second)])
    used, place = np.unique(line[asked], return_inverse=True)
    path, backward = route.path[asked], (route.start > route.stop)[asked]
    shapes, owner = every[used], of[used]
    count = len(network.paths)
    if lines is not None and segment is not None:
        more = np.arange(len(lines), dtype=np.int64)
        path, place = np.r_[path, count + more], np.r_[place.ravel(), len(used) + more]
        backward = np.r_[backward, np.zeros(len(lines), dtype=np.bool_)]
        shapes, owner = np.r_[shapes, lines], np.r_[owner, segment]
        count += len(lines)
    places, radius, zone_pair, zone = _zones(reliance, sides, contest, services)
    layout = lay_out(
        shapes,
        path=path,
        line=place.ravel(),
        backward=backward,
        path_count=count,
        first=first,
        second=second,
        zone_places=places,
        zone_radius_m=radius,
        zone_pair=zone_pair,
        zone=zone,
    )
    kinds = network.study.tables["segments"]["kind"].to_numpy(dtype=str)
    return layout, owner, kinds[owner]


def held_pairs(sides: Sides) -> pd.DataFrame:
    """Pair every two paths on different sides of one contest.

    Parameters
    ----------
    sides : Sides

    Returns
    -------
    DataFrame
        `contest`, `first`, `second` (paths).
    """
    count = len(sides.trial)
    last = np.searchsorted(sides.trial, sides.trial, side="right")
    number = np.arange(count, dtype=np.int64)
    left, right = expand(number + 1, last - number - 1)
    size = np.diff(sides.paths.indptr).astype(np.int64)
    row, place = expand(np.zeros(len(left), dtype=np.int64), size[left] * size[right])
    start = sides.paths.indptr
    first = sides.paths.indices[start[left[row]] + place // size[right[row]]]
    second = sides.paths.indices[start[right[row]] + place % size[right[row]]]
    return pd.DataFrame(
        {
            "contest": sides.trial[left[row]],
            "first": first.astype(np.int64),
            "second": second.astype(np.int64),
        }
    )


def _with_closest(pairs: pd.DataFrame, layout: Layout, segment: Ints) -> pd.DataFrame:
    """Pairs with their closest approach; paths that follow one line are 0 m apart there."""
    closest = closest_points(layout)
    pairs["closest_m"] = closest["distance_m"].to_numpy()
    for column in ("danger_radius_m", "lon", "lat", "lon_i", "lat_i", "lon_j", "lat_j"):
        pairs[column] = closest[column].to_numpy()
    for side in ("i", "j"):
        number = closest[f"line_{side}"].to_numpy()
        pairs[f"segment_{side}"] = np.where(number >= 0, np.r_[segment, -1][number], -1)
    return pairs


def _near_rows(
    layout: Layout, limits: _Limits, contest: Ints, folds: Folds
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Near stretches along both paths of all pairs, and what they are folded under."""
    both = near_both_ways(layout, limits.of_pairs(contest), kind=limits.kind)
    for rows in both:
        rows["limit_m"] = limits.of_rows(contest, rows)
        rows["segment_i"] = folds.segment[rows["line_i"]]
        rows["segment_j"] = folds.segment[rows["line_j"]]
    near, back = both
    near["under"], back["under"] = folds.of_stretches(near, back)
    return near, back


def _zones(
    reliance: Reliance, sides: Sides, contest: Ints, services: Sequence[Services]
) -> tuple[np.ndarray, Floats, Ints, Ints]:
    """Zones round the end sites of the circuits of every contest.

    Where an end site has no place on record, the place of its zone is not known: it is
    None, and the zone excuses everything.

    Returns
    -------
    places, radius_m
        Every zone of any circuit, once.
    pair, zone : ndarray of int
        Which zones excuse which pair.
    """
    network = reliance.network
    tables, assets = network.study.tables, network.assets
    place = assets.numbers(tables["equipment"]["site"])
    site_of = np.append(np.where(place >= 0, place - assets.start["sites"], -1), -1)
    member = sides.circuits.tocoo()
    ends = [
        np.where(number >= 0, number - assets.start["equipment"], -1)[member.col]
        for number in (
            assets.numbers(tables["circuits"]["a"]),
            assets.numbers(tables["circuits"]["b"]),
        )
    ]
    stands = np.column_stack([np.tile(sides.trial[member.row], 2), site_of[np.concatenate(ends)]])
    shapes = network.study.geometries("sites")
    stands = np.unique(np.where(stands < 0, len(shapes), stands), axis=0).astype(np.int64)
    metres = np.array([min(one.end_zone_m for one in of) for of in services], dtype=np.float64)
    radii, radius = np.unique(metres, return_inverse=True)
    keys, zone = np.unique(
        stands[:, 1] * max(len(radii), 1) + radius[stands[:, 0]], return_inverse=True
    )
    low = np.searchsorted(stands[:, 0], contest, side="left").astype(np.int64)
    high = np.searchsorted(stands[:, 0], contest, side="right").astype(np.int64)
    pair, row = expand(low, high - low)
    if not len(keys):
        return np.empty(0, dtype=object), np.empty(0), pair, row
    sites = np.full(len(shapes) + 1, None, dtype=object)
    sites[:-1] = network.study.lonlat("sites")
    return sites[keys // len(radii)], radii[keys % len(radii)], pair, zone[row].astype(np.int64)


@dataclass(frozen=True)
class _Limits:
    """What the services require of the kinds of two lines.

    Attributes
    ----------
    services : list of tuple of Service
        Each combination once.
    of_contest : ndarray of int
        The services of every contest.
    kinds : ndarray of str
        Kinds that any limit tells apart; all others behave like the last, ''.
    kind : ndarray of int
        Kind of every line.
    accuracy_m : ndarray of float
        By kind, what is added to a limit for how well such a line is surveyed.
    """

    services: list[Services]
    of_contest: Ints
    kinds: np.ndarray
    kind: Ints
    accuracy_m: Floats

    @classmethod
    def of(cls, services: Sequence[Services], kind: np.ndarray) -> _Limits:
        unique = {tuple(id(one) for one in of): of for of in services}
        number = {key: place for place, key in enumerate(unique)}
        named = {
            one
            for of in unique.values()
            for service in of
            for table in (service.separation_m, service.forbid_cross)
            if isinstance(table, (dict, tuple))
            for pair in table
            for one in pair.split("/")
        }
        kinds = np.array([*sorted(named), ""], dtype=str)
        place = pd.Index(kinds[:-1]).get_indexer(pd.Index(kind))
        return cls(
            list(unique.values()),
            np.array([number[tuple(id(one) for one in of)] for of in services], dtype=np.int64),
            kinds,
            np.where(place < 0, len(kinds) - 1, place).astype(np.int64),
            np.zeros(len(kinds)),
        )

    def widened(self, accuracy_m: Floats) -> _Limits:
        """The same limits, wider by what the records of both lines may be wrong, shape (lines,).

        Lines of one kind and accuracy then count as one kind.
        """
        keys, kind = np.unique(
            np.column_stack([self.kind, accuracy_m]), axis=0, return_inverse=True
        )
        number = keys[:, 0].astype(np.int64)
        return replace(
            self,
            kinds=self.kinds[number],
            kind=kind.ravel().astype(np.int64),
            accuracy_m=np.asarray(keys[:, 1], dtype=np.float64),
        )

    def of_pairs(self, contest: Ints) -> Floats:
        """Least separation per pair, or per pair and kinds where any service tells kinds apart."""
        asked = self.of_contest[contest]
        every = range(len(self.kinds))
        if len(every) == 1:
            widest = [self._least_m(of, 0, 0) for of in self.services]
            return np.array(widest, dtype=np.float64)[asked]
        tables = [[[self._least_m(of, a, b) for b in every] for a in every] for of in self.services]
        return np.array(tables, dtype=np.float64)[asked]

    def of_rows(self, contest: Ints, rows: pd.DataFrame) -> Floats:
        """Least separation of the two lines of every row."""
        return self._each(contest, rows, self._least_m).astype(np.float64)

    def forbidden(self, contest: Ints, rows: pd.DataFrame) -> Bools:
        """Whether the two lines of every row may not cross."""
        return self._each(contest, rows, self._forbids).astype(np.bool_)

    def _least_m(self, services: Services, kind: int, other: int) -> float:
        """Least separation of two kinds; accuracy adds to it only where there is one."""
        least = least_separation_m(services, str(self.kinds[kind]), str(self.kinds[other]))
        wrong = float(self.accuracy_m[kind] + self.accuracy_m[other])
        return least + wrong if least > 0 else 0.0

    def _forbids(self, services: Services, kind: int, other: int) -> bool:
        """Whether any of the services forbids that two kinds cross."""
        kinds = str(self.kinds[kind]), str(self.kinds[other])
        return any(service.forbids_cross(*kinds) for service in services)

    def _each(
        self, contest: Ints, rows: pd.DataFrame, ask: Callable[[Services, int, int], float]
    ) -> np.ndarray:
        """Ask the services once for every two kinds that meet."""
        width = len(self.kinds)
        key = self.of_contest[contest[rows["pair"].to_numpy(dtype=np.int64)]]
        for side in ("line_i", "line_j"):
            key = key * width + self.kind[rows[side].to_numpy(dtype=np.int64)]
        unique, place = np.unique(key, return_inverse=True)
        answers = [
            ask(self.services[one // width**2], one // width % width, one % width)
            for one in unique.tolist()
        ]
        return np.array(answers, dtype=np.float64)[place]


def least_separation_m(services: Services, kind: str, other: str) -> float:
    """Return the greatest separation that any of the services requires between plant of two kinds.

    Parameters
    ----------
    services : tuple of Service
    kind, other : str
        Kinds of segments.

    Returns
    -------
    float
        Metres; 0 for none.
    """
    return max(service.separation_between_m(kind, other) for service in services)


# --- The shared asset that a near stretch or a crossing belongs to.

FOLD_RATIO = 10.0
"""A near stretch folds under a shared place when all of it lies within this many times
the limit of it: two routes that leave a pit at 6 degrees or more. A longer one is a
finding of its own."""
_JOIN_M = 1e-6


class Folds:
    """Shared assets under which findings of some pairs may be folded.

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
        self._plane = network.study.plane

    def of_crossings(self, cross: pd.DataFrame) -> Ints:
        """Find the shared asset that each crossing belongs to.

        That is what holds both segments; else a shared structure or site within `snap_m` of the
        meeting. Lines that run together along a stretch do not meet at a place.

        Parameters
        ----------
        cross : DataFrame
            From `crossings`, with `segment_i` and `segment_j`.

        Returns
        -------
        ndarray of int, shape (rows,)
            -1: nothing that both paths rely on.
        """
        found = self.holders(cross)
        meets = np.flatnonzero((found < 0) & (cross["how"] != "overlap").to_numpy())
        pair = cross["pair"].to_numpy(dtype=np.int64)[meets]
        row, place = _listed(self._met, pair)
        at = self._points(cross["lon"].to_numpy()[meets], cross["lat"].to_numpy()[meets])
        gap = self._plane.metres(at[row], self._shape[place])
        close = gap <= self._study.snap_m
        row, place, gap = row[close], place[close], gap[close]
        nearest = np.lexsort((place, gap, row))
        first = nearest[np.flatnonzero(np.diff(row[nearest], prepend=-1))]
        found[meets[row[first]]] = place[first]
        return found

    def of_stretches(self, near: pd.DataFrame, back: pd.DataFrame) -> tuple[Ints, Ints]:
        """Find what each row of near stretches, along either path, is folded under.

        That is what holds both segments, such as the trench of two ducts. The rest of a stretch
        folds under a shared structure or site, or under what holds another part of it, where all
        of it lies within `FOLD_RATIO` limits of that and it is no longer than twice as much. The
        sites where the circuits end are no such place: the end zone states how far they excuse.

        That must hold for both paths, whichever is called main: the rest along one path and all
        that it faces along the other fold under one thing, or stand together.

        Parameters
        ----------
        near, back : DataFrame
            From `near_both_ways`, with `limit_m`, `segment_i` and `segment_j`.

        Returns
        -------
        near, back : ndarray of int, shape (rows,)
            Asset numbers; -1: nothing.
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
        """Find the innermost shared segment or structure that both segments lie within or are.

        Parameters
        ----------
        rows : DataFrame
            With `pair`, `segment_i` and `segment_j`.

        Returns
        -------
        ndarray of int, shape (rows,)
            Asset numbers; -1: none.
        """
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
        # One corner is enough to drop most candidates as too far away.
        one = at[order[first[which]]]
        near = self._plane.metres(one, self._shape[place]) <= reach[which]
        which, place = which[near], place[near]
        row, number = expand(first[which], first[which + 1] - first[which])
        gap = self._plane.metres(at[order[number]], self._shape[place[row]])
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
        """Points in the study's plane."""
        xy = self._plane.project(np.column_stack([lon, lat]))
        return np.asarray(shapely.points(xy), dtype=object)


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


# --- The distance to the other path, all along each path of a circuit or group.

COLUMNS = (
    "pair",
    "path",
    "other",
    "from_m",
    "to_m",
    "distance_from_m",
    "distance_to_m",
    "a",
    "b",
    "c",
    "segment",
    "nearest",
    "limit_m",
    "end_zone",
)


def separation_profiles(
    network: Network, spacing: Spacing, trial: int, services: Services
) -> pd.DataFrame:
    """Compute the distance from every path of a trial to every path that it is compared with.

    Parameters
    ----------
    network : Network
    spacing : Spacing
    trial : int
        Number of the circuit or group, as in `Spacing.pairs`.
    services : tuple of Service
        Services of its circuits; the strictest counts.

    Returns
    -------
    DataFrame
        One row per arc, in the order of pairs, of the two paths of each, and along the
        path: `pair` (row of `Spacing.pairs`); `path`, `other` (path numbers);
        `from_m`, `to_m` along the path; `distance_from_m`, `distance_to_m` at both
        ends of the arc; `a`, `b`, `c`, where the square of the straight distance x
        metres after `from_m` is a x^2 + b x + c; `segment` (id), `nearest` (id of the
        nearest segment of the other path; missing where there is nothing to measure
        to); `limit_m`, what the services ask between those two; `end_zone`, whether
        an end zone excuses it. A path without geometry has no rows.

    Notes
    -----
    Exact, not sampled; see `waysapart.findings.separation.profile`. The limit is
    that of the nearest segment. Under limits by kind another segment may be further
    away and yet too near: the near stretches tell, not this.
    """
    found = [
        _one_way(network, spacing, int(pair), along, services)
        for pair in np.flatnonzero(spacing.pairs["trial"].to_numpy() == trial)
        for along in ("first", "second")
    ]
    if not found:
        return pd.DataFrame(columns=list(COLUMNS))
    return pd.concat(found, ignore_index=True)


def too_close(profiles: pd.DataFrame) -> pd.DataFrame:
    """Find where the nearest segment of the other path is closer than the limit, arc by arc.

    Parameters
    ----------
    profiles : DataFrame
        From `separation_profiles`.

    Returns
    -------
    DataFrame
        `pair`, `path`, `from_m`, `to_m` along the path, outside the end zones. Closed
        form: along an arc the square of the distance is a parabola open upward.
    """
    arcs = profiles[~profiles["end_zone"].astype(bool) & (profiles["limit_m"] > 0)]
    a, b, c, start = (arcs[name].to_numpy(dtype=np.float64) for name in ("a", "b", "c", "from_m"))
    length = arcs["to_m"].to_numpy(dtype=np.float64) - start
    off = c - chord_m(arcs["limit_m"].to_numpy(dtype=np.float64)) ** 2
    low, high = roots(a, b, off)
    even = (a == 0) & (b == 0)
    low = np.where(even, np.where(off < 0, 0.0, np.nan), low)
    high = np.where(even, length, high)
    low, high = np.maximum(low, 0.0), np.minimum(high, length)
    found = arcs[["pair", "path"]].assign(from_m=start + low, to_m=start + high)
    kept: pd.DataFrame = found.iloc[np.flatnonzero(low < high)].reset_index(drop=True)
    return kept


def _one_way(
    network: Network, spacing: Spacing, pair: int, along: str, services: Services
) -> pd.DataFrame:
    """The profile along one path of a pair, with ids and limits."""
    arcs = profile(spacing.layout, pair, along=along)
    row = spacing.pairs.iloc[pair]
    path, other = (row["first"], row["second"])[:: 1 if along == "first" else -1]
    segments = network.study.tables["segments"]
    ids, kinds = (segments[name].to_numpy(dtype=object) for name in ("id", "kind"))
    line, nearest = (arcs[name].to_numpy(dtype=np.int64) for name in ("line_i", "line_j"))
    segment = spacing.line_segment[line]
    facing = np.where(nearest >= 0, np.r_[spacing.line_segment, 0][nearest], 0)
    known = nearest >= 0
    meeting = pd.DataFrame({"one": kinds[segment], "other": kinds[facing]})
    number = meeting.groupby(["one", "other"], sort=False).ngroup().to_numpy()
    _, first = np.unique(number, return_index=True)
    asked = [
        least_separation_m(services, str(one), str(facing_kind))
        for one, facing_kind in meeting.iloc[first].itertuples(index=False, name=None)
    ]
    limit = np.array(asked, dtype=np.float64)[number]
    arcs = arcs.assign(
        pair=pair,
        path=int(path),
        other=int(other),
        segment=ids[segment],
        nearest=pd.Series(ids[facing], dtype=object).where(pd.Series(known), None).to_numpy(),
        limit_m=np.where(known, limit, np.nan),
        end_zone=arcs["exempt"],
    )
    return arcs[list(COLUMNS)]
