"""How far apart the sides of every test run: near stretches, crossings, closest approach."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
import shapely
from pyproj import Transformer

from waysapart.findings.separation.closest import closest_points
from waysapart.findings.separation.cross import crossings
from waysapart.findings.separation.layout import Layout, lay_out
from waysapart.findings.separation.near import near_stretches
from waysapart.findings.sharing import Sharing, Sides
from waysapart.network.assets import Floats, Ints
from waysapart.network.ends import geometries
from waysapart.network.routes import route_lines, routes
from waysapart.reliance.rely import Reliance
from waysapart.study.rules import Service

FOLD_RATIO = 10.0
"""A near stretch folds under a shared structure when all of it lies within this many
times the limit of it: two routes that leave a pit at 6 degrees or more. A longer one
is a finding of its own."""


@dataclass(frozen=True)
class Spacing:
    """Separation of every pair of paths that is held apart.

    Attributes
    ----------
    pairs : DataFrame
        `test`, `first`, `second` (paths), `closest_m` (NaN: not examined),
        `danger_radius_m`, `segment_i`, `segment_j`, `lon`, `lat`, and both
        closest points.
    near : DataFrame
        `pair`, `segment_i`, `segment_j`, `distance_m`, `length_m`, `lon`,
        `lat`, `path_from_m`, `path_to_m`, `limit_m`, `under` (asset that it
        is folded under, -1: none).
    cross : DataFrame
        `pair`, `segment_i`, `segment_j`, `lon`, `lat`, `forbidden`, `under`.
    """

    pairs: pd.DataFrame
    near: pd.DataFrame
    cross: pd.DataFrame
    layout: Layout
    line_segment: Ints


def space(
    reliance: Reliance,
    sides: Sides,
    sharing: Sharing,
    services: list[Service],
    owner: Ints,
) -> Spacing:
    """Measure the separation of all tests at once.

    Parameters
    ----------
    reliance, sides, sharing
        What is held against what; what is shared already, per owner.
    services : list of Service
        Per test, the limits that hold for it.
    owner : ndarray of int
        Per test, the circuit or group that it belongs to; `pairs` names it.
    """
    network = reliance.network
    route = routes(network)
    lines, line, segment = route_lines(network, route)
    pairs = _pairs(sides)
    places, radius, zone_pair, zone = _zones(reliance, sides, pairs, services)
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
    kinds, kind_of = np.unique(
        network.study.tables["segments"]["kind"].to_numpy(dtype=str), return_inverse=True
    )
    tests = pairs["test"].to_numpy()
    limits = _limits(services, tests, kinds)
    near = near_stretches(layout, limits, kind=kind_of[segment] if limits.ndim == 3 else None)
    near["limit_m"] = _limit_of_rows(limits, near, kind_of[segment])
    near["segment_i"] = segment[near["line_i"]]
    near["segment_j"] = segment[near["line_j"]]
    nodes = _Nodes(reliance, sharing, lines)
    near["under"] = nodes.under(near, owner[tests])
    common = nodes.common_points(owner[tests])
    cross = crossings(
        layout,
        common_pair=common[0],
        common_lon=common[1],
        common_lat=common[2],
        common_radius_m=network.study.snap_m,
    )
    cross["segment_i"] = segment[cross["line_i"]]
    cross["segment_j"] = segment[cross["line_j"]]
    cross["under"] = nodes.holders(cross, owner[tests])
    cross["forbidden"] = np.array(
        [
            services[tests[pair]].forbids_cross(str(kinds[kind_of[i]]), str(kinds[kind_of[j]]))
            for pair, i, j in zip(
                cross["pair"], cross["segment_i"], cross["segment_j"], strict=True
            )
        ],
        dtype=np.bool_,
    )
    pairs["test"] = owner[tests]
    closest = closest_points(layout, skip_shared=True)
    pairs["closest_m"] = closest["distance_m"].to_numpy()
    for column in ("danger_radius_m", "lon", "lat", "lon_i", "lat_i", "lon_j", "lat_j"):
        pairs[column] = closest[column].to_numpy()
    for side in ("i", "j"):
        number = closest[f"line_{side}"].to_numpy()
        pairs[f"segment_{side}"] = np.where(number >= 0, np.r_[segment, -1][number], -1)
    return Spacing(pairs, near, cross, layout, segment)


def _pairs(sides: Sides) -> pd.DataFrame:
    """Every two paths on different sides of one test."""
    rows = []
    for test in range(len(sides)):
        mine = [
            sides.paths.indices[sides.paths.indptr[side] : sides.paths.indptr[side + 1]].tolist()
            for side in sides.of_test(test)
        ]
        rows += [
            (test, one, other)
            for left, right in combinations(mine, 2)
            for one in left
            for other in right
        ]
    table = np.array(rows, dtype=np.int64).reshape(-1, 3)
    return pd.DataFrame(table, columns=["test", "first", "second"])


def _zones(
    reliance: Reliance, sides: Sides, pairs: pd.DataFrame, services: list[Service]
) -> tuple[np.ndarray, Floats, list[int], list[int]]:
    """Zones round the end sites of the circuits of every test."""
    network = reliance.network
    tables, assets = network.study.tables, network.assets
    turn = Transformer.from_crs(network.study.crs, "EPSG:4326", always_xy=True)
    shapes = shapely.transform(
        geometries(network.study, "sites"),
        lambda points: np.column_stack(turn.transform(points[:, 0], points[:, 1])),
    )
    equipment = assets.numbers(tables["equipment"]["site"]) - assets.start["sites"]
    site_of: list[set[int]] = []
    for test in range(len(sides)):
        circuits = sides.circuits.indices[
            sides.circuits.indptr[test] : sides.circuits.indptr[test + 1]
        ]
        ends = np.r_[
            assets.numbers(tables["circuits"]["a"].iloc[circuits]),
            assets.numbers(tables["circuits"]["b"].iloc[circuits]),
        ]
        known = ends[ends >= 0] - assets.start["equipment"]
        site_of.append({int(site) for site in equipment[known] if site >= 0})
    zones: dict[tuple[int, float], int] = {}
    zone_pair, zone = [], []
    for pair, test in enumerate(pairs["test"].tolist()):
        for site in sorted(site_of[test]):
            key = (site, services[test].end_zone_m)
            zone_pair.append(pair)
            zone.append(zones.setdefault(key, len(zones)))
    places = np.array([shapes[site] for site, _ in zones], dtype=object)
    return places, np.array([metres for _, metres in zones]), zone_pair, zone


def _limits(services: list[Service], tests: np.ndarray, kinds: np.ndarray) -> Floats:
    """Least separation per pair, or per pair and kinds where any service tells kinds apart."""
    if not any(isinstance(services[test].separation_m, dict) for test in np.unique(tests)):
        return np.array([services[test].widest_separation_m() for test in tests], dtype=np.float64)
    tables = {
        int(test): np.array(
            [[services[test].separation_between_m(str(a), str(b)) for b in kinds] for a in kinds]
        )
        for test in np.unique(tests)
    }
    return np.array([tables[int(test)] for test in tests])


def _limit_of_rows(limits: Floats, near: pd.DataFrame, kind: Ints) -> Floats:
    pair = near["pair"].to_numpy()
    if limits.ndim == 1:
        return np.asarray(limits[pair], dtype=np.float64)
    found: Floats = limits[pair, kind[near["line_i"]], kind[near["line_j"]]]
    return found


class _Nodes:
    """Shared structures near findings, and holders that the two segments have in common."""

    def __init__(self, reliance: Reliance, sharing: Sharing, lines: np.ndarray) -> None:
        network = reliance.network
        self._sharing = sharing
        self._assets = network.assets
        self._closed = reliance.closed
        self._lines = lines
        structures = network.assets.of_role("structures")
        self._structures = structures
        turn = Transformer.from_crs(network.study.crs, "EPSG:4326", always_xy=True)
        shape = geometries(network.study, "structures")
        centre = (
            shapely.get_coordinates(shapely.centroid(shape)) if len(shape) else np.empty((0, 2))
        )
        self._lon, self._lat = turn.transform(centre[:, 0], centre[:, 1])
        self._holding = np.isin(network.assets.frame["role"].to_numpy(), ("segments", "structures"))

    def _shared_structures(self, test: int) -> Ints:
        shared = self._sharing.shared
        row = shared.indices[shared.indptr[test] : shared.indptr[test + 1]]
        mine = row[(row >= self._structures.start) & (row < self._structures.stop)]
        return np.asarray(mine, dtype=np.int64)

    def common_points(self, tests: np.ndarray) -> tuple[Ints, Floats, Floats]:
        """Shared structures of every pair: pair, longitude, latitude."""
        pair, place = [], []
        for number, test in enumerate(tests.tolist()):
            mine = self._shared_structures(test) - self._structures.start
            pair.append(np.full(len(mine), number))
            place.append(mine)
        if not pair:
            none = np.empty(0, dtype=np.int64)
            return none, np.empty(0), np.empty(0)
        at = np.concatenate(place).astype(np.int64)
        return np.concatenate(pair).astype(np.int64), self._lon[at], self._lat[at]

    def holders(self, rows: pd.DataFrame, tests: np.ndarray) -> Ints:
        """A segment or structure that both segments of a finding lie within or are; else -1."""
        start = self._assets.start["segments"]
        found = np.full(len(rows), -1, dtype=np.int64)
        shared = self._sharing.shared
        for place, (pair, i, j) in enumerate(
            zip(rows["pair"], rows["segment_i"], rows["segment_j"], strict=True)
        ):
            common = self._row(start + i) & self._row(start + j)
            if common:
                test = tests[pair]
                mine = set(shared.indices[shared.indptr[test] : shared.indptr[test + 1]].tolist())
                held = sorted(number for number in common & mine if self._holding[number])
                found[place] = held[0] if held else -1
        return found

    def _row(self, asset: int) -> set[int]:
        closed = self._closed
        return set(closed.indices[closed.indptr[asset] : closed.indptr[asset + 1]].tolist())

    def under(self, near: pd.DataFrame, tests: np.ndarray) -> Ints:
        """What a near stretch is folded under: a common holder, or a shared structure beside it."""
        found = self.holders(near, tests)
        stretches = near.groupby(["pair", "stretch"], sort=False)
        for rows in stretches.indices.values():
            pair = int(near["pair"].iloc[rows[0]])
            mine = self._shared_structures(int(tests[pair]))
            if not len(mine):
                continue
            reach = FOLD_RATIO * float(near["limit_m"].iloc[rows].max())
            nearest = self._beside(near.iloc[rows], mine, reach)
            if nearest >= 0:
                found[rows] = np.where(found[rows] >= 0, found[rows], nearest)
        return found

    def _beside(self, rows: pd.DataFrame, structures: Ints, reach_m: float) -> int:
        """The shared structure within reach of every end of a stretch; -1: none."""
        metres_per_degree = 111_320.0
        place = structures - self._structures.start
        lon, lat = self._lon[place], self._lat[place]
        worst = np.zeros(len(structures))
        for line, begin, end in zip(rows["line_i"], rows["from_m"], rows["to_m"], strict=True):
            points = self._points(int(line), float(begin), float(end))
            for x, y in points:
                east = (x - lon) * metres_per_degree * np.cos(np.radians(y))
                north = (y - lat) * metres_per_degree
                worst = np.maximum(worst, np.hypot(east, north))
        best = int(worst.argmin())
        return int(structures[best]) if worst[best] <= reach_m else -1

    def _points(self, line: int, begin_m: float, end_m: float) -> np.ndarray:
        """The two ends of an interval of a line, by share of its length."""
        whole = self._lines[line]
        points = shapely.get_coordinates(whole)
        step = np.diff(points, axis=0)
        metres = np.hypot(
            step[:, 0] * 111_320.0 * np.cos(np.radians(points[:-1, 1])), step[:, 1] * 111_320.0
        )
        along = np.r_[0.0, np.cumsum(metres)]
        at = np.clip([begin_m, end_m], 0, along[-1])
        return np.column_stack([np.interp(at, along, points[:, k]) for k in (0, 1)])
