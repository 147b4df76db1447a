"""How far apart paths run, as plain data: near stretches, crossings, closest approach."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any, Literal, NotRequired, TypedDict

import numpy as np
import pandas as pd

from waysapart.arrays import merge_intervals
from waysapart.evidence import Closest, Cross, Near, NearPair, Separation
from waysapart.verdicts.plain import figure, figures, lon_lat
from waysapart.verdicts.proof import ProofData

_OVERHEAD = ("span", "bridge")
_IN_THE_GROUND = ("duct", "subduct", "trench", "buried", "tunnel", "subsea")
_PAIRWISE = "pairwise"
_BOTH = ("pair", "segment_i", "segment_j", "lon", "lat", "under")
_NEAR = (
    "stretch",
    "distance_m",
    "length_m",
    "limit_m",
    "path_from_m",
    "path_to_m",
    "stretch_m",
)
_CROSS = ("how", "forbidden", "again")
_CLOSEST = (
    *("first", "second", "segment_i", "segment_j", "closest_m", "danger_radius_m"),
    *("lon", "lat", "lon_i", "lat_i", "lon_j", "lat_j"),
)

Row = dict[str, Any]


class ClosestPart(TypedDict):
    """The least distance of two paths; without `closest` it was not examined."""

    closest_m: float | None
    separation: Literal["measured", "not examined"]
    closest: NotRequired[Closest]


class SpacingPart(ClosestPart):
    """How far a circuit's or group's paths are apart: its part of the evidence."""

    near: list[Near]
    cross: list[Cross]
    near_folded: list[Near]
    separation_m: Separation
    end_zone_m: float


class SpacingFacts:
    """Rows of a proof's spacing by circuit and group, sorted out once for all of them."""

    def __init__(self, proof: ProofData) -> None:
        spacing = proof.spacing
        segments = proof.study.tables["segments"]
        self._proof = proof
        self._ids = segments["id"].to_numpy(dtype=object)
        self._kinds = segments["kind"].to_numpy(dtype=object)
        self._test = spacing.pairs["test"].to_numpy(dtype=np.int64)
        self._near = self._by_test(spacing.near, (*_BOTH, *_NEAR))
        self._cross = self._by_test(spacing.cross, (*_BOTH, *_CROSS))
        bounds = np.searchsorted(self._test, np.arange(len(proof.trials) + 1))
        self._bounds = [range(a, b) for a, b in pairwise(bounds.tolist())]
        lists = [spacing.pairs[name].tolist() for name in _CLOSEST]
        self._pairs = [dict(zip(_CLOSEST, one, strict=True)) for one in zip(*lists, strict=True)]

    def of(self, test: int) -> SpacingPart:
        """Separation of one circuit or group."""
        proof = self._proof
        pairs = self._bounds[test]
        rows = self._near.get(test, ())
        open_ = [row for row in rows if row["under"] < 0]
        folded = [row for row in rows if row["under"] >= 0]
        numbers = {
            stretch: number
            for number, stretch in enumerate(dict.fromkeys(row["stretch"] for row in rows), start=1)
        }
        service = proof.services[test]
        return {
            "near": self._near_entries(test, open_, numbers, len(pairs) > 1),
            "cross": [
                self._cross_entry(test, row, len(pairs) > 1)
                for row in self._cross.get(test, ())
                if row["under"] < 0 and not row["again"]
            ],
            "near_folded": self._near_entries(test, folded, numbers, len(pairs) > 1),
            **self._closest(test, pairs),
            "separation_m": service.separation_m,
            "end_zone_m": service.end_zone_m,
        }

    def _by_test(self, rows: pd.DataFrame, columns: tuple[str, ...]) -> dict[int, list[Row]]:
        """Rows as records, by circuit or group; what is measured in metres is fit for JSON.

        A limit stays as the rules state it: rounded, it would be another.
        """
        of = self._test[rows["pair"].to_numpy(dtype=np.int64)].tolist()
        lists = [
            figures(rows[name], "m")
            if name.endswith("_m") and name != "limit_m"
            else rows[name].tolist()
            for name in columns
        ]
        found: dict[int, list[Row]] = {}
        for test, *values in zip(of, *lists, strict=True):
            found.setdefault(test, []).append(dict(zip(columns, values, strict=True)))
        return found

    def _near_entries(
        self, test: int, rows: list[Row], numbers: dict[int, int], several: bool
    ) -> list[Near]:
        """One entry a stretch, by its closest pair, with all its pairs in the order of the path.

        A stretch that is partly waived, or folded under different structures, makes one entry
        for each part.
        """
        waives = self._proof.waivers.waives_pair
        parts: dict[tuple[int, int, bool, int], list[tuple[Row, NearPair]]] = {}
        for row in rows:
            pair = self._near_pair(row)
            waived = waives(test, pair["main"], pair["alternate"])
            key = int(row["stretch"]), int(row["under"]), waived, int(row["pair"])
            parts.setdefault(key, []).append((row, pair))
        found: list[Near] = []
        for (stretch, under, waived, between), some in parts.items():
            pairs = [pair for _, pair in some]
            nearest = min(pairs, key=lambda pair: pair["distance_m"])
            entry: Near = {
                "stretch": numbers[stretch],
                "main": nearest["main"],
                "alternate": nearest["alternate"],
                "kinds": nearest["kinds"],
                "at": nearest["at"],
                "distance_m": nearest["distance_m"],
                "length_m": round(covered_m([(p["from_m"], p["to_m"]) for p in pairs]), 3),
                "limit_m": max(pair["limit_m"] for pair in pairs),
                "from_m": min(pair["from_m"] for pair in pairs),
                "to_m": max(pair["to_m"] for pair in pairs),
                "waived": waived,
                "members": pairs,
            }
            if several:
                entry["paths"] = self._path_names(between)
            if under >= 0:
                entry["under"] = self._asset(under)
            found.append(entry)
        return found

    def _near_pair(self, row: Row) -> NearPair:
        one, other = int(row["segment_i"]), int(row["segment_j"])
        return {
            "main": str(self._ids[one]),
            "alternate": str(self._ids[other]),
            "kinds": [str(self._kinds[one]), str(self._kinds[other])],
            "at": lon_lat(row["lon"], row["lat"]),
            "distance_m": row["distance_m"],
            "length_m": row["length_m"],
            "limit_m": row["limit_m"],
            "from_m": row["path_from_m"],
            "to_m": row["path_to_m"],
        }

    def _cross_entry(self, test: int, row: Row, several: bool) -> Cross:
        """The two segments that cross, where and how."""
        one, other = int(row["segment_i"]), int(row["segment_j"])
        names = str(self._ids[one]), str(self._ids[other])
        kinds = [str(self._kinds[one]), str(self._kinds[other])]
        entry: Cross = {
            "main": names[0],
            "alternate": names[1],
            "kinds": kinds,
            "at": lon_lat(row["lon"], row["lat"]),
            "waived": self._proof.waivers.waives_pair(test, *names),
            "crossing": crossing_words(*kinds),
            "how": str(row["how"]),
            "forbidden": bool(row["forbidden"]),
        }
        if several:
            entry["paths"] = self._path_names(int(row["pair"]))
        return entry

    def _closest(self, test: int, pairs: range) -> ClosestPart:
        """The least distance of any two paths, and the smallest circle that touches both."""
        known = [pair for pair in pairs if math.isfinite(self._pairs[pair]["closest_m"])]
        if not known:
            return {"closest_m": None, "separation": "not examined"}
        least = min(known, key=lambda pair: float(self._pairs[pair]["closest_m"]))
        row = self._pairs[least]
        closest: Closest = {
            "distance_m": figure(row["closest_m"], "m") or 0.0,
            "danger_radius_m": figure(row["danger_radius_m"], "m"),
            "danger_at": lon_lat(row["lon"], row["lat"]) if math.isfinite(row["lon"]) else None,
            "main": str(self._ids[int(row["segment_i"])]),
            "alternate": str(self._ids[int(row["segment_j"])]),
            "main_at": lon_lat(row["lon_i"], row["lat_i"]),
            "alternate_at": lon_lat(row["lon_j"], row["lat_j"]),
        }
        if len(pairs) > 1:
            closest["paths"] = self._path_names(least)
        if len(pairs) > 1 and self._proof.trials[test].group_test != _PAIRWISE:
            # A circle that touches all paths touches every two of them: a bound, no figure.
            halves = [self._pairs[pair]["danger_radius_m"] for pair in pairs]
            whole = all(map(math.isfinite, halves))
            closest["danger_radius_m"] = closest["danger_at"] = None
            closest["danger_radius_at_least_m"] = figure(max(halves), "m") if whole else None
        return {
            "closest_m": closest["distance_m"],
            "separation": "measured",
            "closest": closest,
        }

    def _path_names(self, pair: int) -> list[str]:
        ends = (self._pairs[pair][side] for side in ("first", "second"))
        return [self._proof.path_label(path, grouped=True) for path in ends]

    def _asset(self, number: int) -> str:
        return self._proof.names[number][0]


def covered_m(intervals: list[tuple[float, float]]) -> float:
    """Length that intervals cover together; what two of them cover counts once."""
    return math.fsum(end - begin for begin, end in merge_intervals(intervals))


def crossing_words(kind: str, other: str) -> str:
    """Which kinds cross, in words: 'span over duct'; who lies deeper is not on record."""
    over = [one for one in _OVERHEAD if one in (kind, other)]
    if over:
        under = other if kind == over[0] else kind
        return f"{over[0]} over {under}"
    if kind in _IN_THE_GROUND and other in _IN_THE_GROUND:
        return f"{kind} under {other}" if kind == other else f"{kind} under or over {other}"
    return f"{kind} and {other}"
