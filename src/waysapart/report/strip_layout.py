"""Lays the paths of circuits and groups out as lanes: what lies where, in metres from end a.

`strips` makes, for each circuit and group, all that `waysapart.report.strip` draws: one lane for
each path, bridges where all paths rely on the same asset, near stretches, crossings, and the
distance between the first two paths.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Any, NotRequired, TypedDict

import numpy as np
import pandas as pd
from scipy.sparse import csc_array

from waysapart.arrays import Floats, Ints, csr_row, expand, merge_intervals
from waysapart.evidence import Evidence, HeldApart
from waysapart.findings.separation.earth import to_lonlat
from waysapart.findings.separation.pieces import position
from waysapart.findings.separation.profile import profile
from waysapart.network.routes import Routes, routes
from waysapart.report.profile_svg import outline
from waysapart.report.stretches import SharedRoute, shared_routes
from waysapart.verdicts.facts import figure, text_or_none
from waysapart.verdicts.facts_sharing import covered_m
from waysapart.verdicts.prove import Proof

Interval = tuple[float, float]


# --- What a strip is drawn from.


class Hop(TypedDict):
    """A hop without a course of its own: where it is drawn, and its length on record."""

    link: str
    medium: str
    from_m: float
    to_m: float
    unknown: bool
    length_m: float | None


class StripLane(TypedDict):
    """One path of a strip; every place is in metres along it from end a.

    `stretches` are from, to and kind, `marks` place, role, kind and id. Only a lane that is
    reduced for readers outside has `to_scale`: its places give the order of things alone.
    """

    label: str
    a: str | None
    b: str | None
    length_m: float
    stretches: list[list[Any]]
    marks: list[list[Any]]
    hops: list[Hop]
    breaks: list[float]
    zones: list[Interval]
    to_scale: NotRequired[bool]


class Bridge(TypedDict):
    """A shared route, or one thing that all paths rely on: where it lies on every lane.

    `findings` are the places of its parts in `folded`. `off` marks what stands on no line of its
    own, such as a chassis or a battery, and is drawn hanging at the node that it serves.
    """

    findings: list[int]
    asset: str
    waived: bool
    off: bool
    spots: list[list[Interval]]


class StripNear(TypedDict):
    """A near stretch: where it lies on the first two lanes, and its course on the map.

    `length_m` of the first lane is near, on `count` segments of it; `kind` is theirs.
    """

    on: list[Interval]
    distance_m: float
    length_m: float
    count: int
    kind: str
    main: str
    alternate: str
    folded: bool
    lines: list[list[list[float]]]


class StripCross(TypedDict):
    """A crossing: where it lies on the first two lanes."""

    on: list[float]
    forbidden: bool


class StripProfile(TypedDict):
    """Place on the first lane and distance to the second; the distance that is required."""

    points: list[list[float | None]]
    limit_m: float


class Strip(TypedDict):
    """All that the drawing of the paths of a circuit or group shows."""

    lanes: list[StripLane]
    bridges: list[Bridge]
    near: list[StripNear]
    cross: list[StripCross]
    profile: StripProfile | None


class Strips(TypedDict):
    """The strips of circuits and of groups, each by id."""

    circuit: dict[str, Strip]
    group: dict[str, Strip]


# --- The strips of a proof, and what ties the lanes of one together.

_MOST_PROFILES = 80
"""Profiles that a report draws: those of circuits that need a decision before the others."""
_MOST_STRIPS = 400
"""Strips that a report draws, chosen in the same order."""
_COLUMNS = 240
_ONE_SPOT = 1 / 200
"""Places of one thing nearer together than this share of a lane are one."""
_OFF_LINE = ("equipment", "supplies", "holders")
"""Roles of what stands at a node and on no line."""


def strips(proof: Proof, facts: Evidence) -> Strips:
    """The strips of all circuits and groups of a proof.

    Parameters
    ----------
    proof : Proof
    facts : Evidence
        Its facts.

    Returns
    -------
    Strips
        At most 400 strips and 80 profiles: those that are not apart before the others.
    """
    lanes = Lanes(proof)
    found: Strips = {"circuit": {}, "group": {}}
    every: list[HeldApart] = [*facts["circuits"], *facts["groups"]]
    first = sorted(range(len(every)), key=lambda test: every[test]["verdict"] == "apart")
    profiled = set(first[:_MOST_PROFILES])
    for test in sorted(first[:_MOST_STRIPS]):
        one = every[test]
        strip = lanes.strip(test, one, with_profile=test in profiled)
        if strip is not None:
            kind = found["circuit"] if test < proof.circuit_count else found["group"]
            kind[one["id"]] = strip
    return found


class Lanes:
    """Makes the strips of circuits and groups of a proof, one at a time.

    Parameters
    ----------
    proof : Proof
    """

    def __init__(self, proof: Proof) -> None:
        self._proof = proof
        self._network = proof.network
        self._tracks = Tracks(proof)
        self._layout = proof.spacing.layout
        frame = proof.network.assets.frame
        self._ids, self._role = frame["id"].to_numpy(), frame["role"].to_numpy()
        tables = proof.network.study.tables
        links = tables["links"]["id"].to_numpy()
        self._link_ids, self._medium = links, tables["links"]["medium"].to_list()
        self._segment_ids = tables["segments"]["id"].to_list()
        self._ends = {end: tables["circuits"][end].to_list() for end in ("a", "b")}
        reliance = proof.reliance
        self._closed, self._parts, self._links = (
            csc_array(matrix) for matrix in (reliance.closed, reliance.parts, reliance.links)
        )
        self._near_rows = _by_pair(proof.spacing.near)
        self._cross_rows = _by_pair(proof.spacing.cross)
        self._unknown = {gap.asset for gap in proof.record_gaps if gap.code == "leased-route"}
        self._numbers: dict[str, int] = {}
        for number, name in enumerate([*self._ids.tolist(), *links.tolist()]):
            self._numbers.setdefault(str(name), number)
        pairs = proof.spacing.pairs
        ends = zip(pairs["first"].tolist(), pairs["second"].tolist(), strict=True)
        self._pairs = {pair: number for number, pair in enumerate(ends)}

    def strip(self, test: int, facts: HeldApart, *, with_profile: bool = True) -> Strip | None:
        """The strip of one circuit or group.

        Parameters
        ----------
        test : int
            Number of a trial: circuits first, then groups.
        facts : HeldApart
            Its facts.
        with_profile : bool
            Whether to work out how far apart the first two paths are.

        Returns
        -------
        Strip or None
            None where fewer than two paths have a length.
        """
        trial = self._proof.trials[test]
        paths = [side[0] for side in trial.sides]
        lanes = [lane for lane in (self._tracks.lane(path) for path in paths) if lane.length_m > 0]
        if len(lanes) < 2:
            return None
        grouped = trial.group_test is not None
        labels = [self._proof.path_label(lane.path, grouped=grouped) for lane in lanes]
        pair = self._pairs.get((lanes[0].path, lanes[1].path))
        return {
            "lanes": [
                self._drawn(lane, label, pair) for lane, label in zip(lanes, labels, strict=True)
            ],
            "bridges": [
                bridge for route in shared_routes(facts) if (bridge := self._bridge(route, lanes))
            ],
            "near": [] if pair is None else self._near(pair, lanes),
            "cross": [] if pair is None else self._cross(pair, lanes),
            "profile": self._profile(pair, lanes[0], facts) if with_profile else None,
        }

    def _drawn(self, lane: Lane, label: str, pair: int | None) -> StripLane:
        medium, names = self._medium, self._link_ids
        circuit = int(self._network.paths.circuit[lane.path])
        return {
            "label": label,
            "a": text_or_none(self._ends["a"][circuit]),
            "b": text_or_none(self._ends["b"][circuit]),
            "length_m": lane.length_m,
            "stretches": self._tracks.stretches(lane),
            "marks": self._tracks.marks(lane),
            "hops": [
                {
                    "link": str(names[link]),
                    "medium": text_or_none(medium[link]) or "fibre",
                    "from_m": start,
                    "to_m": stop,
                    "unknown": str(names[link]) in self._unknown,
                    "length_m": figure(self._tracks.hop_m(link), "m"),
                }
                for link, start, stop in lane.hops
            ],
            "breaks": self._tracks.breaks(lane),
            "zones": [] if pair is None else self._tracks.zones(lane, pair),
        }

    def _bridge(self, route: SharedRoute, lanes: Sequence[Lane]) -> Bridge | None:
        """Where a shared route lies on every lane; nothing where a lane does not show it."""
        on_line = [finding for finding in route.findings if finding.along]
        some = on_line or route.findings
        wanted = [self._number(one["asset"]) for f in some for one in (*f.members, *f.places)]
        where = self._where(lanes, [n for n in wanted if n >= 0])
        if not all(where):
            return None
        return {
            "findings": list(route.numbers),
            "asset": some[0].members[0]["asset"],
            "waived": route.waived,
            "off": some[0].members[0]["role"] in _OFF_LINE
            and all(
                high - low <= lane.length_m * _ONE_SPOT
                for lane, spots in zip(lanes, where, strict=True)
                for low, high in spots
            ),
            "spots": where,
        }

    def _number(self, name: str) -> int:
        """Number of an asset or, counted on from these, of a link; -1 where there is none."""
        return self._numbers.get(name, -1)

    def _where(self, lanes: Sequence[Lane], wanted: Sequence[int]) -> list[list[Interval]]:
        """Stretches and points of each lane that the loss of any of some assets would take."""
        count = len(self._ids)
        links = {n - count for n in wanted if n >= count}
        assets = np.array([n for n in wanted if n < count], dtype=np.int64)
        cables = assets[self._role[assets] == "cables"]
        touched = _rows_of(self._closed, assets)
        parts = _rows_of(self._parts, cables)
        segments = touched[self._network.assets.of_role("segments")]
        found = []
        for lane in lanes:
            spots = [(start, stop) for link, start, stop in lane.links if link in links]
            rows = segments[self._tracks.route.segment[lane.rows]]
            if len(cables):
                rows = rows | parts[self._tracks.route.part[lane.rows]]
            spots += list(zip(lane.begin[rows].tolist(), lane.end[rows].tolist(), strict=True))
            at, places = self._tracks.places_of(lane)
            spots += [(one, one) for one in places[touched[at]].tolist()]
            if not spots and len(assets):
                used = _rows_of(self._links, assets)
                spots += [(start, stop) for link, start, stop in lane.links if used[link]]
            found.append(joined(spots, lane.length_m * _ONE_SPOT))
        return found

    def _near(self, pair: int, lanes: Sequence[Lane]) -> list[StripNear]:
        """Near stretches, each by its closest pair: places on both lanes, and course on the map."""
        parts: dict[tuple[int, bool], list[tuple[Any, Interval, Interval, Interval]]] = {}
        for row in self._near_rows.get(pair, ()):
            low, high = self._tracks.moved(lanes[0], [row.path_from_m, row.path_to_m])
            facing = self._tracks.facing(row)
            other = self._tracks.on_path(lanes[1], int(row.line_j), facing)
            if other is not None:
                key = int(row.stretch), bool(row.under >= 0)
                parts.setdefault(key, []).append((row, (low, high), other, facing))
        found: list[StripNear] = []
        for (_, is_folded), some in parts.items():
            nearest = min((row for row, *_ in some), key=lambda row: float(row.distance_m))
            sides = (
                [(int(row.line_i), (row.from_m, row.to_m)) for row, *_ in some],
                [(int(row.line_j), facing) for row, _, _, facing in some],
            )
            mine = {int(row.segment_i) for row, *_ in some}
            kinds = {self._tracks.kind_of(segment) for segment in mine}
            found.append(
                {
                    "on": [_hull([one[place] for one in some]) for place in (1, 2)],
                    "distance_m": float(nearest.distance_m),
                    "length_m": covered_m([one[1] for one in some]),
                    "count": len(mine),
                    "kind": next(iter(kinds)) if len(kinds) == 1 else "segment",
                    "main": str(self._segment_ids[nearest.segment_i]),
                    "alternate": str(self._segment_ids[nearest.segment_j]),
                    "folded": is_folded,
                    "lines": [line for side in sides for line in self._courses(side)],
                }
            )
        return found

    def _courses(self, along: Iterable[tuple[int, Interval]]) -> list[list[list[float]]]:
        """Courses of stretches of lines; those that go on where the last one ended as one."""
        on_line: dict[int, list[Interval]] = {}
        for line, stretch in along:
            on_line.setdefault(line, []).append(stretch)
        found: list[list[list[float]]] = []
        for line, stretches in on_line.items():
            for low, high in joined(stretches):
                course = self._tracks.course(line, low, high)
                if found and found[-1][-1] == course[0]:
                    found[-1] += course[1:]
                elif found and found[-1][0] == course[-1]:
                    found[-1] = course[:-1] + found[-1]
                else:
                    found.append(course)
        return found

    def _profile(self, pair: int | None, lane: Lane, facts: HeldApart) -> StripProfile | None:
        """Distance from the first path to the second, along the whole first lane."""
        if pair is None or not len(lane.rows):
            return None
        arcs = profile(self._layout, pair, along="first")
        if not len(arcs) or not arcs["distance_from_m"].notna().any():
            return None
        at, distance = outline(arcs, _COLUMNS)
        asked = facts["separation_m"]
        limits = asked.values() if isinstance(asked, dict) else [asked]
        return {
            "points": [
                [round(x, 1), None if np.isnan(d) else round(float(d), 2)]
                for x, d in zip(self._tracks.moved(lane, at.tolist()), distance, strict=True)
            ],
            "limit_m": float(max(limits, default=0.0)),
        }

    def _cross(self, pair: int, lanes: Sequence[Lane]) -> list[StripCross]:
        found: list[StripCross] = []
        for row in self._cross_rows.get(pair, ()):
            if row.under >= 0:
                continue
            places = self._crossing(row, lanes)
            if places is not None:
                found.append({"on": places, "forbidden": bool(row.forbidden)})
        return found

    def _crossing(self, row: Any, lanes: Sequence[Lane]) -> list[float] | None:
        places = []
        for lane, line, at in (
            (lanes[0], row.line_i, row.at_m),
            (lanes[1], row.line_j, row.at_j_m),
        ):
            spot = self._tracks.on_path(lane, int(line), (float(at), float(at)))
            if spot is None:
                return None
            places.append(spot[0])
        return places


def _by_pair(rows: pd.DataFrame) -> dict[int, list[Any]]:
    """The rows of every pair, by name."""
    found: dict[int, list[Any]] = {}
    for pair, row in zip(rows["pair"].tolist(), rows.itertuples(), strict=True):
        found.setdefault(int(pair), []).append(row)
    return found


def _hull(intervals: Sequence[Interval]) -> Interval:
    return min(low for low, _ in intervals), max(high for _, high in intervals)


def _rows_of(matrix: Any, columns: np.ndarray) -> np.ndarray:
    """Which rows of a matrix kept by columns have anything in some of them."""
    found = np.zeros(matrix.shape[0], dtype=bool)
    found[matrix[:, columns].indices] = True
    return found


# --- One path as a lane: chainage of its segments, hops, and what lies where along it.

_HOP_SHARE = 0.06
"""A hop without a length on record is drawn as this share of the lane."""
_SAME_M = 0.5
"""Marks of one asset nearer to each other than this are one."""
_MET_M = 1.0
"""Gap between consecutive segments, beyond the snap tolerance, that counts as a break."""


@dataclass(frozen=True)
class Lane:
    """One path laid out: chainage of its segments, with the hops without a course between them.

    Attributes
    ----------
    path : int
        Number of the path in the network.
    rows : ndarray of int, shape (n,)
        Its rows in the routes, one for each segment passed.
    begin, end : ndarray of float, shape (n,)
        Chainage of each row, in metres.
    hops : list of (int, float, float)
        Number of a link without cables, from and to.
    length_m : float
    links : list of (int, float, float)
        Number of each link of the path, from and to.
    """

    path: int
    rows: Ints
    begin: Floats
    end: Floats
    hops: list[tuple[int, float, float]]
    length_m: float
    links: list[tuple[int, float, float]]


class Tracks:
    """Lays paths of a proof out along their segments, one at a time.

    Parameters
    ----------
    proof : Proof
    """

    def __init__(self, proof: Proof) -> None:
        network = proof.network
        self._network = network
        self._reliance = proof.reliance
        self._layout = proof.spacing.layout
        self.route: Routes = routes(network)
        self._bounds = np.searchsorted(self.route.path, np.arange(len(network.paths) + 1))
        self._length = np.nan_to_num(self._layout.pieces.line_length_m)
        self._columns = {
            column: [text_or_none(one) or "" for one in network.assets.frame[column].tolist()]
            for column in ("id", "role", "kind")
        }
        self._segment_kind = [
            text_or_none(kind) or "" for kind in network.study.tables["segments"]["kind"].tolist()
        ]
        self._site_of = self.places("equipment", "site")
        self._joints_at: dict[int, list[int]] = {}
        for joint, node in enumerate(self.places("joints", "at").tolist()):
            self._joints_at.setdefault(node, []).append(network.assets.start["joints"] + joint)
        self._link_ends = self.places("links", "a"), self.places("links", "b")
        self._points: dict[int, dict[int, list[float]]] = {}
        self._placed: dict[int, tuple[Ints, Floats]] = {}
        self._nodes: dict[tuple[bytes, bytes, bytes], list[tuple[int, float]]] = {}

    def places(self, role: str, column: str) -> Ints:
        """Asset numbers that a column of a role's table names; -1 for none."""
        network = self._network
        return network.assets.numbers(network.study.tables[role][column])

    def lane(self, path: int) -> Lane:
        """Lay one path out: its links in order, each hop without cables given a length."""
        rows = np.arange(self._bounds[path], self._bounds[path + 1])
        length = self._length[self._layout.paths.line[rows]]
        links = self._network.paths.links(path).tolist()
        owner = self.route.link[rows]
        total = float(length.sum())
        bare = [link for link in links if not (owner == link).any()]
        hop_m = self._hop_lengths(bare, total)
        begin = np.zeros(len(rows))
        hops, spans, at = [], [], 0.0
        for link in links:
            mine = np.flatnonzero(owner == link)
            start = at
            if len(mine):
                run = np.concatenate([[0.0], np.cumsum(length[mine])])
                begin[mine] = at + run[:-1]
                at += float(run[-1])
            else:
                at += hop_m[link]
                hops.append((link, start, at))
            spans.append((link, start, at))
        return Lane(path, rows, begin, begin + length, hops, at, spans)

    def _hop_lengths(self, links: Sequence[int], laid_m: float) -> dict[int, float]:
        """Length of hops without cables: as recorded, else a share of the lane to be visible."""
        nominal = max(laid_m * _HOP_SHARE, 1.0)
        recorded = {link: self.hop_m(link) for link in links}
        return {link: length if length > 0 else nominal for link, length in recorded.items()}

    def hop_m(self, link: int) -> float:
        """Length of a hop without cables; NaN where it is not on record."""
        lengths = self._network.lengths
        return float(np.maximum(lengths.go_m[link], lengths.return_m[link]))

    def kind_of(self, segment: int) -> str:
        """Kind of a segment; `segment` where it has none."""
        return self._segment_kind[segment] or "segment"

    def stretches(self, lane: Lane) -> list[list[Any]]:
        """Consecutive segments of one kind as one stretch: from, to, kind."""
        runs: list[list[Any]] = []
        kinds = self._segment_kind
        for segment, begin, end in zip(
            self.route.segment[lane.rows].tolist(),
            lane.begin.tolist(),
            lane.end.tolist(),
            strict=True,
        ):
            kind = kinds[segment]
            if runs and runs[-1][2] == kind and abs(runs[-1][1] - begin) < 1e-6:
                runs[-1][1] = end
            else:
                runs.append([begin, end, kind])
        return runs

    def breaks(self, lane: Lane) -> list[float]:
        """Places on a lane, in metres, where one segment ends and the next begins elsewhere."""
        if len(lane.rows) < 2:
            return []
        starts, ends = self._row_ends
        gap = np.linalg.norm(starts[lane.rows[1:]] - ends[lane.rows[:-1]], axis=1)
        onward = np.abs(lane.begin[1:] - lane.end[:-1]) < 1e-6
        wide = onward & (gap > self._network.study.snap_m + _MET_M)
        return [float(at) for at in lane.begin[1:][wide]]

    @cached_property
    def _row_ends(self) -> tuple[Floats, Floats]:
        """Points at which every row of the routes begins and ends, each of shape (n, 3)."""
        paths, pieces = self._layout.paths, self._layout.pieces
        first, last = pieces.first[paths.line], pieces.first[paths.line + 1] - 1
        there = last >= first
        low = np.full((len(first), 3), np.nan)
        high = np.full((len(first), 3), np.nan)
        low[there], high[there] = pieces.start[first[there]], pieces.end[last[there]]
        turn = paths.backward[:, None]
        return np.where(turn, high, low), np.where(turn, low, high)

    def points(self, lane: Lane) -> dict[int, list[float]]:
        """Places on a lane, in metres, of every structure, site, joint and piece of equipment."""
        if lane.path not in self._points:
            self._points[lane.path] = self._found(lane)
        return self._points[lane.path]

    def places_of(self, lane: Lane) -> tuple[Ints, Floats]:
        """The same as columns: numbers of assets, and a place of each."""
        if lane.path not in self._placed:
            found = [(asset, at) for asset, places in self.points(lane).items() for at in places]
            self._placed[lane.path] = (
                np.array([asset for asset, _ in found], dtype=np.int64),
                np.array([at for _, at in found], dtype=np.float64),
            )
        return self._placed[lane.path]

    def _found(self, lane: Lane) -> dict[int, list[float]]:
        found: dict[int, list[float]] = {}

        def put(asset: int, at_m: float) -> None:
            places = found.get(asset)
            if places is None:
                found[asset] = [at_m]
            elif all(abs(place - at_m) >= _SAME_M for place in places):
                places.append(at_m)

        if len(lane.rows):
            new = np.flatnonzero(np.diff(self.route.link[lane.rows])) + 1
            bounds = [0, *new.tolist(), len(lane.rows)]
            for low, high in pairwise(bounds):
                begin = float(lane.begin[low])
                for node, into in self._nodes_along(lane.rows[low:high]):
                    put(node, begin + into)
        relied = self.relied(lane.path)
        for node in list(found):
            for joint in self._joints_at.get(node, ()):
                if joint in relied:
                    for at in list(found[node]):
                        put(joint, at)
        self._equipment(lane, found, put)
        return found

    def _nodes_along(self, rows: Ints) -> list[tuple[int, float]]:
        """Structures and sites on rows of one link, in metres from the first; kept for others."""
        segments, starts, stops = (
            each[rows] for each in (self.route.segment, self.route.start, self.route.stop)
        )
        key = segments.tobytes(), starts.tobytes(), stops.tobytes()
        if key not in self._nodes:
            length = self._length[self._layout.paths.line[rows]]
            ends, passed = self._network.ends, self._network.passed
            into = np.concatenate([[0.0], np.cumsum(length)])
            found: list[tuple[int, float]] = []
            for start, stop, begin, end, a, b, low, high in zip(
                *(starts.tolist(), stops.tolist(), into[:-1].tolist(), into[1:].tolist()),
                *(ends.a[segments].tolist(), ends.b[segments].tolist()),
                *(np.searchsorted(passed.segment, segments + k).tolist() for k in (0, 1)),
                strict=True,
            ):
                for node, fraction in ((a, 0.0), (b, 1.0)):
                    if node >= 0 and min(abs(fraction - start), abs(fraction - stop)) < 1e-9:
                        found.append((node, begin if abs(fraction - start) < 1e-9 else end))
                for k in range(low, high):
                    share = (passed.fraction[k] - start) / (stop - start) if stop != start else -1.0
                    if 0.0 < share < 1.0:
                        at_m = begin + float(share) * (end - begin)
                        found.append((int(passed.structure[k]), at_m))
            self._nodes[key] = list(dict.fromkeys(found))
        return self._nodes[key]

    def _equipment(self, lane: Lane, found: dict[int, list[float]], put: Any) -> None:
        """Place the equipment at both ends of every link, and along it where its site is known."""
        network = self._network
        links = network.study.tables["links"]
        a, b = self._link_ends
        start = network.assets.start["equipment"]
        backward = dict(
            zip(
                network.paths.links(lane.path).tolist(),
                network.paths.backward[
                    network.paths.first[lane.path] : network.paths.first[lane.path + 1]
                ].tolist(),
                strict=True,
            )
        )
        for link, begin, end in lane.links:
            near, far = (b[link], a[link]) if backward[link] else (a[link], b[link])
            for asset, at in ((int(near), begin), (int(far), end)):
                if asset >= 0:
                    put(asset, at)
            via = links["via"].iloc[link]
            if not isinstance(via, str):
                continue
            sites = [self._site_of[n - start] if n >= 0 else -1 for n in (int(near), int(far))]
            for asset in network.assets.numbers(via.split(";")).tolist():
                if asset < 0:
                    continue
                site = int(self._site_of[asset - start])
                if site == sites[0]:
                    put(asset, begin)
                elif site == sites[1]:
                    put(asset, end)
                elif site in found:
                    put(asset, found[site][0])
                else:
                    put(asset, (begin + end) / 2)

    def relied(self, path: int) -> set[int]:
        """Numbers of everything that a path relies on."""
        matrix = self._reliance.paths
        return set(csr_row(matrix, path).tolist())

    def marks(self, lane: Lane) -> list[list[Any]]:
        """Marks in the order of the lane: place, role, kind, id; a joint after its structure."""
        marks = [
            [at, *self._named(asset)]
            for asset, places in self.points(lane).items()
            for at in places
        ]
        return sorted(marks, key=lambda mark: (mark[0], mark[1] == "joints", mark[1], mark[3]))

    def _named(self, asset: int) -> list[str]:
        columns = self._columns
        return [columns["role"][asset], columns["kind"][asset], columns["id"][asset]]

    def zones(self, lane: Lane, pair: int) -> list[Interval]:
        """End zones of a pair along a lane, in metres: there coming close is excused."""
        pieces, paths = self._layout.pieces, self._layout.paths
        line, first = paths.line[lane.rows], pieces.first
        row, number = expand(np.zeros(len(line), dtype=np.int64), first[line + 1] - first[line])
        turned = paths.backward[lane.rows][row]
        piece = np.where(turned, first[line + 1][row] - 1 - number, first[line][row] + number)
        inside = np.isin(piece, self._layout.excused[[pair]].indices)
        whole = self._length[line][row]
        low = np.where(turned, whole - pieces.to_m[piece], pieces.from_m[piece])
        high = np.where(turned, whole - pieces.from_m[piece], pieces.to_m[piece])
        begin = lane.begin[row]
        return joined(zip(begin[inside] + low[inside], begin[inside] + high[inside], strict=True))

    def moved(self, lane: Lane, path_m: Sequence[float]) -> list[float]:
        """Turn chainages along a path's geometry into chainages along its lane, hops included."""
        offset = self._layout.offset_m[lane.rows]
        at = np.asarray(path_m, dtype=np.float64)
        row = np.clip(np.searchsorted(offset, at, side="right") - 1, 0, len(offset) - 1)
        moved: list[float] = (lane.begin[row] + at - offset[row]).tolist()
        return moved

    def facing(self, row: Any) -> Interval:
        """The stretch of the other line nearest to a near stretch, in metres along that line."""
        pieces = self._layout.pieces
        at = np.array([row.from_m, (row.from_m + row.to_m) / 2, row.to_m], dtype=np.float64)
        line = np.full(3, int(row.line_i))
        points = position(pieces, line, at)
        mine = slice(int(pieces.first[row.line_j]), int(pieces.first[row.line_j + 1]))
        begin, along = pieces.start[mine], pieces.end[mine] - pieces.start[mine]
        square = np.maximum((along**2).sum(axis=1), 1e-12)
        share = ((points[:, None] - begin) * along).sum(axis=2) / square
        share = np.clip(share, 0.0, 1.0)
        away = np.linalg.norm(points[:, None] - begin - share[..., None] * along, axis=2)
        best = away.argmin(axis=1)
        length = (pieces.to_m - pieces.from_m)[mine]
        where = pieces.from_m[mine][best] + share[np.arange(3), best] * length[best]
        return float(where.min()), float(where.max())

    def on_path(self, lane: Lane, line: int, along: Interval) -> Interval | None:
        """Turn an interval of a line into one of a lane; None where the lane does not follow it."""
        paths = self._layout.paths
        at = np.flatnonzero(paths.line[lane.rows] == line)
        if not len(at):
            return None
        row = int(at[0])
        if paths.backward[lane.rows[row]]:
            whole = float(self._length[line])
            along = (whole - along[1], whole - along[0])
        return float(lane.begin[row]) + along[0], float(lane.begin[row]) + along[1]

    def course(self, line: int, begin_m: float, end_m: float) -> list[list[float]]:
        """Longitude and latitude in degrees of the points of a stretch of a line."""
        pieces = self._layout.pieces
        mine = slice(int(pieces.first[line]), int(pieces.first[line + 1]))
        inner = pieces.from_m[mine]
        inner = inner[(inner > begin_m) & (inner < end_m)]
        at = np.concatenate([[begin_m], inner, [end_m]])
        lon, lat = to_lonlat(position(pieces, np.full(len(at), line), at))
        return [[round(float(x), 7), round(float(y), 7)] for x, y in zip(lon, lat, strict=True)]


def joined(intervals: Iterable[tuple[Any, Any]], gap_m: float = 1e-6) -> list[Interval]:
    """Merge intervals that meet or lie close together.

    Parameters
    ----------
    intervals : iterable of (float, float)
        From and to.
    gap_m : float
        Greatest gap that is closed, in metres.

    Returns
    -------
    list of (float, float)
        In ascending order.

    Examples
    --------
    >>> joined([(5.0, 6.0), (0.0, 2.0), (1.0, 3.0)])
    [(0.0, 3.0), (5.0, 6.0)]
    """
    return merge_intervals(((float(low), float(high)) for low, high in intervals), gap_m)
