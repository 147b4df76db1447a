"""How far apart the sides of every test run: near stretches, crossings, closest approach."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import scipy.sparse as sp

from waysapart.arrays import Bools, Floats, Ints, expand
from waysapart.findings.folding import Folds
from waysapart.findings.separation.closest import closest_points
from waysapart.findings.separation.cross import crossings, told_before
from waysapart.findings.separation.layout import Layout, lay_out
from waysapart.findings.separation.near import near_both_ways
from waysapart.findings.sharing import Sharing, Sides
from waysapart.network.lengths import to_lonlat
from waysapart.network.records import surveyed_m
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
        `test` (circuit or group), `contest` (what of it is held apart at once),
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
    """Measure the separation of all tests at once.

    Parameters
    ----------
    reliance, sides
        What is held against what, contest by contest.
    sharing : Sharing
        What the sides of every contest share, from `share`.
    services : sequence of tuple of Service
        Per contest, the services of its circuits; the strictest of them counts.
    owner : ndarray of int
        Per contest, the circuit or group that it belongs to.

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
    near, back = _near(layout, limits, contest, folds)
    cross = crossings(layout)
    cross["segment_i"] = segment[cross["line_i"]]
    cross["segment_j"] = segment[cross["line_j"]]
    cross["under"] = folds.of_crossings(cross)
    cross["forbidden"] = limits.forbidden(contest, cross)
    cross["again"] = told_before(cross, layout, segment)
    pairs.insert(0, "test", owner[contest])
    pairs = _with_closest(pairs, layout, segment)
    found = Spacing(pairs, near, back, cross, layout, segment)
    accuracy_m = surveyed_m(network.study, network.study.tables["segments"])
    if not accuracy_m.any():
        return found
    wide, wide_back = _near(layout, limits.widened(accuracy_m[segment]), contest, folds)
    return replace(found, loose=replace(found, near=wide, near_back=wide_back))


def held_pairs(sides: Sides) -> pd.DataFrame:
    """Every two paths on different sides of one contest: `contest`, `first`, `second`."""
    count = len(sides.test)
    last = np.searchsorted(sides.test, sides.test, side="right")
    number = np.arange(count, dtype=np.int64)
    left, right = expand(number + 1, last - number - 1)
    size = np.diff(sides.paths.indptr).astype(np.int64)
    row, place = expand(np.zeros(len(left), dtype=np.int64), size[left] * size[right])
    start = sides.paths.indptr
    first = sides.paths.indices[start[left[row]] + place // size[right[row]]]
    second = sides.paths.indices[start[right[row]] + place % size[right[row]]]
    return pd.DataFrame(
        {
            "contest": sides.test[left[row]],
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


def _near(
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

    Where an end site has no place on record, nobody knows where its zone lies: the place is
    None, and the zone excuses everything.

    Returns
    -------
    places, radius_m
        Every zone that anybody has, once.
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
    stands = np.column_stack([np.tile(sides.test[member.row], 2), site_of[np.concatenate(ends)]])
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
    sites[:-1] = to_lonlat(network.study, shapes)
    return sites[keys // len(radii)], radii[keys % len(radii)], pair, zone[row].astype(np.int64)


@dataclass(frozen=True)
class _Limits:
    """What the services ask of the kinds of two lines.

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
        """Least separation of two kinds; where there is none, no accuracy makes one."""
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
    """The greatest distance that any of the services asks between plant of two kinds."""
    return max(service.separation_between_m(kind, other) for service in services)
