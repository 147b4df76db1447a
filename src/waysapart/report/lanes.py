"""Where everything lies along the ways of a circuit: what its two-lane strip is drawn from."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from waysapart.findings.separation.earth import to_lonlat
from waysapart.findings.separation.intervals import expand
from waysapart.findings.separation.pieces import position
from waysapart.findings.separation.profile import profile
from waysapart.network.assets import Floats, Ints
from waysapart.network.routes import routes
from waysapart.report.fold import Finding, folded
from waysapart.report.profile_svg import outline
from waysapart.verdicts.facts import text_or_none
from waysapart.verdicts.prove import Proof

Interval = tuple[float, float]

_HOP_SHARE = 0.06
"""A hop without a course on record is drawn as this share of the lane, for want of a length."""
_MOST_PROFILES = 80
"""Profiles that a report draws: those of circuits that need a decision before the others."""
_COLUMNS = 240
_MET_M = 1.0
"""Ends of consecutive segments farther apart than this, beyond the snap tolerance, are a break."""


@dataclass(frozen=True)
class _Lane:
    """One path laid out: chainage of its rows, with hops that have no course put between them."""

    path: int
    rows: Ints
    begin: Floats
    end: Floats
    hops: list[tuple[int, float, float]]
    length_m: float
    links: list[tuple[int, float, float]]


class Lanes:
    """Lays out the ways of circuits and groups of a proof, one at a time.

    Parameters
    ----------
    proof : Proof
    """

    def __init__(self, proof: Proof) -> None:
        self._proof = proof
        network = proof.network
        self._network = network
        self._layout = proof.spacing.layout
        self._route = routes(network)
        self._bounds = np.searchsorted(self._route.path, np.arange(len(network.paths) + 1))
        self._length = np.nan_to_num(self._layout.pieces.line_length_m)
        self._ids = network.assets.frame["id"].to_numpy()
        self._kind = network.assets.frame["kind"].to_numpy()
        self._role = network.assets.frame["role"].to_numpy()
        tables = network.study.tables
        self._segment_start = network.assets.start["segments"]
        self._segment_kind = tables["segments"]["kind"].to_numpy()
        self._site_of = self._places("equipment", "site")
        joints = tables["joints"]
        self._joint_at = network.assets.numbers(joints["at"])
        self._joint_start = network.assets.start["joints"]
        self._pairs = {
            (int(row.first), int(row.second)): number
            for number, row in enumerate(proof.spacing.pairs.itertuples())
        }

    def strip(
        self, test: int, facts: dict[str, Any], *, with_profile: bool = True
    ) -> dict[str, Any] | None:
        """What to draw of one trial.

        Parameters
        ----------
        test : int
            Number of a trial: circuits first, then groups.
        facts : dict
            Its facts.
        with_profile : bool
            Whether to work out how far apart the first two ways are.

        Returns
        -------
        dict or None
            `lanes` (label, ends, length_m, stretches, marks, hops, breaks,
            zones), `bridges` (finding: its place in `folded`), `near`, `cross`,
            `profile` (points: place on the first lane and distance; limit_m); every
            place is metres along its lane from end a. None where fewer
            than two ways have a length.
        """
        trial = self._proof.trials[test]
        paths = [side[0] for side in trial.sides]
        lanes = [lane for lane in (self._lane(path) for path in paths) if lane.length_m > 0]
        if len(lanes) < 2:
            return None
        labels = self._labels([lane.path for lane in lanes], trial.group_test is not None)
        pair = self._pairs.get((lanes[0].path, lanes[1].path))
        return {
            "lanes": [
                self._drawn(lane, label, pair, place)
                for place, (lane, label) in enumerate(zip(lanes, labels, strict=True))
            ],
            "bridges": [
                bridge
                for number, finding in enumerate(folded(facts.get("shared", [])))
                if (bridge := self._bridge(number, finding, lanes))
            ],
            "near": [] if pair is None else self._near(pair, lanes),
            "cross": [] if pair is None else self._cross(pair, lanes),
            "profile": self._profile(pair, lanes[0], facts) if with_profile else None,
        }

    def _places(self, role: str, column: str) -> Ints:
        network = self._network
        return network.assets.numbers(network.study.tables[role][column])

    def _labels(self, paths: Sequence[int], grouped: bool) -> list[str]:
        every = self._network.paths
        names = self._network.study.tables["circuits"]["id"].to_numpy()
        return [
            f"{names[every.circuit[path]]} {every.label[path]}" if grouped else every.label[path]
            for path in paths
        ]

    def _lane(self, path: int) -> _Lane:
        rows = np.arange(self._bounds[path], self._bounds[path + 1])
        length = self._length[self._layout.paths.line[rows]]
        links = self._network.paths.links(path).tolist()
        owner = self._route.link[rows]
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
        return _Lane(path, rows, begin, begin + length, hops, at, spans)

    def _hop_lengths(self, links: Sequence[int], laid_m: float) -> dict[int, float]:
        """Length of hops without cables: as recorded, else a share of what there is."""
        table = self._network.study.tables["links"]
        recorded = table["length_m"].to_numpy(dtype=np.float64)
        nominal = max(laid_m * _HOP_SHARE, 1.0)
        return {link: float(recorded[link]) if recorded[link] > 0 else nominal for link in links}

    def _drawn(self, lane: _Lane, label: str, pair: int | None, place: int) -> dict[str, Any]:
        paths = self._network.paths
        circuit = self._network.study.tables["circuits"].iloc[int(paths.circuit[lane.path])]
        medium = self._network.study.tables["links"]["medium"]
        names = self._network.study.tables["links"]["id"].to_numpy()
        return {
            "label": label,
            "a": text_or_none(circuit["a"]),
            "b": text_or_none(circuit["b"]),
            "length_m": lane.length_m,
            "stretches": self._stretches(lane),
            "marks": self._marks(lane),
            "hops": [
                {
                    "link": str(names[link]),
                    "medium": text_or_none(medium.iloc[link]) or "fibre",
                    "from_m": start,
                    "to_m": stop,
                }
                for link, start, stop in lane.hops
            ],
            "breaks": self._breaks(lane),
            "zones": [] if pair is None else self._zones(lane, pair),
        }

    def _stretches(self, lane: _Lane) -> list[list[Any]]:
        """Runs of segments of one kind: from, to, kind."""
        runs: list[list[Any]] = []
        segments = self._route.segment[lane.rows]
        for segment, begin, end in zip(segments, lane.begin, lane.end, strict=True):
            kind = text_or_none(self._segment_kind[segment]) or ""
            if runs and runs[-1][2] == kind and abs(runs[-1][1] - begin) < 1e-6:
                runs[-1][1] = float(end)
            else:
                runs.append([float(begin), float(end), kind])
        return runs

    def _breaks(self, lane: _Lane) -> list[float]:
        """Places where one segment ends and the next begins elsewhere."""
        if len(lane.rows) < 2:
            return []
        starts, ends = self._row_ends
        gap = np.linalg.norm(starts[lane.rows[1:]] - ends[lane.rows[:-1]], axis=1)
        onward = np.abs(lane.begin[1:] - lane.end[:-1]) < 1e-6
        wide = onward & (gap > self._network.study.snap_m + _MET_M)
        return [float(at) for at in lane.begin[1:][wide]]

    @cached_property
    def _row_ends(self) -> tuple[Floats, Floats]:
        """Points in space at which every row of the routes begins and ends."""
        paths, pieces = self._layout.paths, self._layout.pieces
        first, last = pieces.first[paths.line], pieces.first[paths.line + 1] - 1
        there = last >= first
        low = np.full((len(first), 3), np.nan)
        high = np.full((len(first), 3), np.nan)
        low[there], high[there] = pieces.start[first[there]], pieces.end[last[there]]
        turn = paths.backward[:, None]
        return np.where(turn, high, low), np.where(turn, low, high)

    def _points(self, lane: _Lane) -> dict[int, list[float]]:
        """Asset number of every structure, site, joint and equipment to its places on a lane."""
        found: dict[int, list[float]] = {}

        def put(asset: int, at_m: float) -> None:
            places = found.setdefault(asset, [])
            if not any(abs(place - at_m) < 0.5 for place in places):
                places.append(float(at_m))

        ends, passed = self._network.ends, self._network.passed
        for row, begin, end in zip(lane.rows.tolist(), lane.begin, lane.end, strict=True):
            segment = int(self._route.segment[row])
            start, stop = float(self._route.start[row]), float(self._route.stop[row])
            for node, fraction in ((int(ends.a[segment]), 0.0), (int(ends.b[segment]), 1.0)):
                if node >= 0 and min(abs(fraction - start), abs(fraction - stop)) < 1e-9:
                    put(node, begin if abs(fraction - start) < 1e-9 else end)
            low, high = np.searchsorted(passed.segment, [segment, segment + 1])
            for k in range(low, high):
                share = (passed.fraction[k] - start) / (stop - start) if stop != start else -1.0
                if 0.0 < share < 1.0:
                    put(int(passed.structure[k]), begin + share * (end - begin))
        relied = self._relied(lane.path)
        for joint, node in enumerate(self._joint_at.tolist()):
            if self._joint_start + joint in relied and node in found:
                for at in list(found[node]):
                    put(self._joint_start + joint, at)
        self._equipment(lane, found, put)
        return found

    def _equipment(self, lane: _Lane, found: dict[int, list[float]], put: Any) -> None:
        """Equipment at both ends of every link, and on its way where its site tells."""
        network = self._network
        links = network.study.tables["links"]
        a, b = self._places("links", "a"), self._places("links", "b")
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

    def _relied(self, path: int) -> set[int]:
        matrix = self._proof.reliance.paths
        return set(matrix.indices[matrix.indptr[path] : matrix.indptr[path + 1]].tolist())

    def _marks(self, lane: _Lane) -> list[list[Any]]:
        """Marks in the order of the lane: place, role, kind, id."""
        marks = [
            [at, *self._named(asset)]
            for asset, places in self._points(lane).items()
            for at in places
        ]
        return sorted(marks, key=lambda mark: (mark[0], mark[1], mark[3]))

    def _named(self, asset: int) -> list[str]:
        kind = text_or_none(self._kind[asset]) or ""
        return [str(self._role[asset]), kind, str(self._ids[asset])]

    def _zones(self, lane: _Lane, pair: int) -> list[Interval]:
        """Stretches in which coming close is excused."""
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

    def _bridge(
        self, number: int, finding: Finding, lanes: Sequence[_Lane]
    ) -> dict[str, Any] | None:
        """Where a shared thing lies on every lane; nothing where a lane does not show it."""
        wanted = [self._number(str(one["asset"])) for one in (*finding.members, *finding.places)]
        where = [self._where(lane, [n for n in wanted if n >= 0]) for lane in lanes]
        if not all(where):
            return None
        return {
            "finding": number,
            "asset": str(finding.members[0]["asset"]),
            "waived": finding.waived,
            "spots": where,
        }

    def _number(self, name: str) -> int:
        found = int(self._network.assets.numbers([name])[0])
        if found >= 0:
            return found
        links = self._network.study.tables["links"]["id"].to_numpy()
        at = np.flatnonzero(links == name)
        return len(self._ids) + int(at[0]) if len(at) else -1

    def _where(self, lane: _Lane, wanted: Sequence[int]) -> list[Interval]:
        """Stretches and points of a lane that the loss of any of some assets would take."""
        reliance, count = self._proof.reliance, len(self._ids)
        assets = np.array([n for n in wanted if n < count], dtype=np.int64)
        spots: list[Interval] = [
            (start, stop) for link, start, stop in lane.links if count + link in wanted
        ]
        if len(assets):
            taken = reliance.closed[:, assets].tocsr()
            touched = np.diff(taken.indptr) > 0
            rows = touched[self._segment_start + self._route.segment[lane.rows]]
            cables = assets[self._role[assets] == "cables"]
            if len(cables):
                carried = reliance.parts[:, cables].tocsr()
                rows = rows | (np.diff(carried.indptr) > 0)[self._route.part[lane.rows]]
            spots += list(zip(lane.begin[rows], lane.end[rows], strict=True))
            spots += [
                (at, at)
                for asset, places in self._points(lane).items()
                if touched[asset]
                for at in places
            ]
            if not spots:
                used = np.diff(reliance.links[:, assets].tocsr().indptr) > 0
                spots += [(start, stop) for link, start, stop in lane.links if used[link]]
        return joined(spots, lane.length_m / 200)

    def _near(self, pair: int, lanes: Sequence[_Lane]) -> list[dict[str, Any]]:
        """Near stretches with their places on both lanes, and their course on the map."""
        found = []
        ids = self._network.study.tables["segments"]["id"].to_numpy()
        rows = self._proof.spacing.near
        for row in rows[(rows["pair"] == pair)].itertuples():
            one = self._moved(lanes[0], [row.path_from_m, row.path_to_m])
            facing = self._facing(row)
            other = self._on_path(lanes[1], int(row.line_j), facing)
            if other is None:
                continue
            found.append(
                {
                    "on": [one, list(other)],
                    "distance_m": float(row.distance_m),
                    "main": str(ids[row.segment_i]),
                    "alternate": str(ids[row.segment_j]),
                    "folded": bool(row.under >= 0),
                    "lines": [
                        self._course(int(row.line_i), float(row.from_m), float(row.to_m)),
                        self._course(int(row.line_j), *facing),
                    ],
                }
            )
        return found

    def _profile(self, pair: int | None, lane: _Lane, facts: dict[str, Any]) -> Any:
        """Distance from the first way to the second, all along the first lane."""
        if pair is None or not len(lane.rows):
            return None
        arcs = profile(self._layout, pair, along="first")
        if not len(arcs) or not arcs["distance_from_m"].notna().any():
            return None
        at, distance = outline(arcs, _COLUMNS)
        asked = facts.get("separation_m")
        limits = asked.values() if isinstance(asked, dict) else [asked or 0.0]
        return {
            "points": [
                [round(x, 1), None if np.isnan(d) else round(float(d), 2)]
                for x, d in zip(self._moved(lane, at.tolist()), distance, strict=True)
            ],
            "limit_m": float(max(limits, default=0.0)),
        }

    def _moved(self, lane: _Lane, path_m: Sequence[float]) -> list[float]:
        """Chainages along the geometry of a path as chainages along its lane, hops included."""
        offset = self._layout.offset_m[lane.rows]
        at = np.asarray(path_m, dtype=np.float64)
        row = np.clip(np.searchsorted(offset, at, side="right") - 1, 0, len(offset) - 1)
        moved: list[float] = (lane.begin[row] + at - offset[row]).tolist()
        return moved

    def _facing(self, row: Any) -> Interval:
        """The stretch of the other line that a near stretch faces, along that line."""
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

    def _on_path(self, lane: _Lane, line: int, along: Interval) -> Interval | None:
        """An interval of a line as an interval of the lane that follows it."""
        paths = self._layout.paths
        at = np.flatnonzero(paths.line[lane.rows] == line)
        if not len(at):
            return None
        row = int(at[0])
        if paths.backward[lane.rows[row]]:
            whole = float(self._length[line])
            along = (whole - along[1], whole - along[0])
        return float(lane.begin[row]) + along[0], float(lane.begin[row]) + along[1]

    def _course(self, line: int, begin_m: float, end_m: float) -> list[list[float]]:
        """Longitude and latitude of a stretch of a line."""
        pieces = self._layout.pieces
        mine = slice(int(pieces.first[line]), int(pieces.first[line + 1]))
        inner = pieces.from_m[mine]
        inner = inner[(inner > begin_m) & (inner < end_m)]
        at = np.concatenate([[begin_m], inner, [end_m]])
        lon, lat = to_lonlat(position(pieces, np.full(len(at), line), at))
        return [[round(float(x), 7), round(float(y), 7)] for x, y in zip(lon, lat, strict=True)]

    def _cross(self, pair: int, lanes: Sequence[_Lane]) -> list[dict[str, Any]]:
        found = []
        rows = self._proof.spacing.cross
        for row in rows[(rows["pair"] == pair)].itertuples():
            if row.under >= 0:
                continue
            places = self._crossing(row, lanes)
            if places is not None:
                found.append({"on": places, "forbidden": bool(row.forbidden)})
        return found

    def _crossing(self, row: Any, lanes: Sequence[_Lane]) -> list[float] | None:
        places = []
        for lane, line, at in (
            (lanes[0], row.line_i, row.at_m),
            (lanes[1], row.line_j, row.at_j_m),
        ):
            spot = self._on_path(lane, int(line), (float(at), float(at)))
            if spot is None:
                return None
            places.append(spot[0])
        return places


def joined(intervals: Iterable[tuple[Any, Any]], gap_m: float = 1e-6) -> list[Interval]:
    """Intervals in order, those that meet or nearly meet as one."""
    runs: list[list[float]] = []
    for low, high in sorted((float(a), float(b)) for a, b in intervals):
        if runs and low <= runs[-1][1] + gap_m:
            runs[-1][1] = max(runs[-1][1], high)
        else:
            runs.append([low, high])
    return [(low, high) for low, high in runs]


def strips(proof: Proof, facts: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """What the strips of all circuits and groups are drawn from, by id.

    Parameters
    ----------
    proof : Proof
    facts : dict
        Its facts.

    Returns
    -------
    dict of str to dict
        See `Lanes.strip`. Groups stand under `group` and their id, circuits under `circuit`.
    """
    lanes = Lanes(proof)
    found: dict[str, dict[str, Any]] = {"circuit": {}, "group": {}}
    every = [*facts["circuits"], *facts["groups"]]
    first = sorted(range(len(every)), key=lambda test: every[test]["verdict"] == "apart")
    profiled = set(first[:_MOST_PROFILES])
    for test, one in enumerate(every):
        strip = lanes.strip(test, one, with_profile=test in profiled)
        if strip is not None:
            kind = "circuit" if test < proof.circuit_count else "group"
            found[kind][str(one["id"])] = strip
    return found
