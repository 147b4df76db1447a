"""Where everything lies along the paths of a circuit: what its two-lane strip is drawn from."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd
from scipy.sparse import csc_array

from waysapart.evidence import Evidence, HeldApart
from waysapart.findings.separation.profile import profile
from waysapart.report.fold import Finding, folded
from waysapart.report.profile_svg import outline
from waysapart.report.tracks import (
    Bridge,
    Interval,
    Lane,
    Strip,
    StripCross,
    StripLane,
    StripNear,
    StripProfile,
    Strips,
    Tracks,
    joined,
)
from waysapart.verdicts.facts import figure, text_or_none
from waysapart.verdicts.prove import Proof

_MOST_PROFILES = 80
"""Profiles that a report draws: those of circuits that need a decision before the others."""
_MOST_STRIPS = 400
"""Strips that a report holds, chosen in the same order."""
_COLUMNS = 240


class Lanes:
    """Lays out the paths of circuits and groups of a proof, one at a time.

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
        links = proof.network.study.tables["links"]["id"].to_numpy()
        reliance = proof.reliance
        self._closed, self._parts, self._links = (
            csc_array(matrix) for matrix in (reliance.closed, reliance.parts, reliance.links)
        )
        self._near_rows = _by_pair(proof.spacing.near)
        self._cross_rows = _by_pair(proof.spacing.cross)
        self._unknown = {gap.asset for gap in proof.gaps if gap.code == "leased-route"}
        self._numbers: dict[str, int] = {}
        for number, name in enumerate([*self._ids.tolist(), *links.tolist()]):
            self._numbers.setdefault(str(name), number)
        pairs = proof.spacing.pairs
        ends = zip(pairs["first"].tolist(), pairs["second"].tolist(), strict=True)
        self._pairs = {pair: number for number, pair in enumerate(ends)}

    def strip(self, test: int, facts: HeldApart, *, with_profile: bool = True) -> Strip | None:
        """What to draw of one trial.

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
                bridge
                for number, finding in enumerate(folded(facts))
                if (bridge := self._bridge(number, finding, lanes))
            ],
            "near": [] if pair is None else self._near(pair, lanes),
            "cross": [] if pair is None else self._cross(pair, lanes),
            "profile": self._profile(pair, lanes[0], facts) if with_profile else None,
        }

    def _drawn(self, lane: Lane, label: str, pair: int | None) -> StripLane:
        paths = self._network.paths
        circuit = self._network.study.tables["circuits"].iloc[int(paths.circuit[lane.path])]
        medium = self._network.study.tables["links"]["medium"]
        names = self._network.study.tables["links"]["id"].to_numpy()
        return {
            "label": label,
            "a": text_or_none(circuit["a"]),
            "b": text_or_none(circuit["b"]),
            "length_m": lane.length_m,
            "stretches": self._tracks.stretches(lane),
            "marks": self._tracks.marks(lane),
            "hops": [
                {
                    "link": str(names[link]),
                    "medium": text_or_none(medium.iloc[link]) or "fibre",
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

    def _bridge(self, number: int, finding: Finding, lanes: Sequence[Lane]) -> Bridge | None:
        """Where a shared thing lies on every lane; nothing where a lane does not show it."""
        wanted = [self._number(one["asset"]) for one in (*finding.members, *finding.places)]
        where = [self._where(lane, [n for n in wanted if n >= 0]) for lane in lanes]
        if not all(where):
            return None
        return {
            "finding": number,
            "asset": finding.members[0]["asset"],
            "waived": finding.waived,
            "spots": where,
        }

    def _number(self, name: str) -> int:
        """Number of an asset or, counted on from these, of a link; -1 where there is none."""
        return self._numbers.get(name, -1)

    def _where(self, lane: Lane, wanted: Sequence[int]) -> list[Interval]:
        """Stretches and points of a lane that the loss of any of some assets would take."""
        count = len(self._ids)
        assets = np.array([n for n in wanted if n < count], dtype=np.int64)
        spots: list[Interval] = [
            (start, stop) for link, start, stop in lane.links if count + link in wanted
        ]
        if len(assets):
            touched = _rows_of(self._closed, assets)
            rows = touched[
                self._network.assets.start["segments"] + self._tracks.route.segment[lane.rows]
            ]
            cables = assets[self._role[assets] == "cables"]
            if len(cables):
                rows = rows | _rows_of(self._parts, cables)[self._tracks.route.part[lane.rows]]
            spots += list(zip(lane.begin[rows], lane.end[rows], strict=True))
            spots += [
                (at, at)
                for asset, places in self._tracks.points(lane).items()
                if touched[asset]
                for at in places
            ]
            if not spots:
                used = _rows_of(self._links, assets)
                spots += [(start, stop) for link, start, stop in lane.links if used[link]]
        return joined(spots, lane.length_m / 200)

    def _near(self, pair: int, lanes: Sequence[Lane]) -> list[StripNear]:
        """Near stretches with their places on both lanes, and their course on the map."""
        found: list[StripNear] = []
        ids = self._network.study.tables["segments"]["id"].to_numpy()
        for row in _records(self._near_rows, pair):
            one = self._tracks.moved(lanes[0], [row.path_from_m, row.path_to_m])
            facing = self._tracks.facing(row)
            other = self._tracks.on_path(lanes[1], int(row.line_j), facing)
            if other is None:
                continue
            found.append(
                {
                    "on": [(one[0], one[1]), other],
                    "distance_m": float(row.distance_m),
                    "main": str(ids[row.segment_i]),
                    "alternate": str(ids[row.segment_j]),
                    "folded": bool(row.under >= 0),
                    "lines": [
                        self._tracks.course(int(row.line_i), float(row.from_m), float(row.to_m)),
                        self._tracks.course(int(row.line_j), *facing),
                    ],
                }
            )
        return found

    def _profile(self, pair: int | None, lane: Lane, facts: HeldApart) -> StripProfile | None:
        """Distance from the first path to the second, all along the first lane."""
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
        for row in _records(self._cross_rows, pair):
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


def _records(rows: pd.DataFrame, pair: int) -> Iterator[Any]:
    """The rows of one pair, by name, of a table in the order of pairs."""
    low, high = np.searchsorted(rows["pair"].to_numpy(), [pair, pair + 1])
    return rows.iloc[low:high].itertuples()


def _by_pair(rows: pd.DataFrame) -> pd.DataFrame:
    return rows.sort_values("pair", kind="stable")


def _rows_of(matrix: Any, columns: np.ndarray) -> np.ndarray:
    """Which rows of a matrix kept by columns have anything in some of them."""
    found = np.zeros(matrix.shape[0], dtype=bool)
    found[matrix[:, columns].indices] = True
    return found


def strips(proof: Proof, facts: Evidence) -> Strips:
    """What the strips of all circuits and groups are drawn from.

    Parameters
    ----------
    proof : Proof
    facts : Evidence
        Its facts.
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
