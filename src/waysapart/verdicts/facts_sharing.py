"""What paths share and how far apart they are, as plain data.

Every shared asset stands there once. Shared neighbours along a path form a stretch, with its
reason and its place.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Any, Literal, NotRequired, TypedDict

import numpy as np
import pandas as pd

from waysapart.arrays import Bools, Floats, Ints, csr_row, merge_intervals
from waysapart.evidence import (
    Along,
    Closest,
    Cross,
    Near,
    NearPair,
    Separation,
    Shared,
    SinglePoints,
    Stretch,
)
from waysapart.findings.separation.earth import to_lonlat
from waysapart.findings.separation.pieces import position
from waysapart.network.assets import listed
from waysapart.network.routes import routes
from waysapart.verdicts.contests import Trial
from waysapart.verdicts.facts_figures import figure, figures, lon_lat
from waysapart.verdicts.proof import ProofData

_OVERHEAD = ("span", "bridge")
_ON_LINE = ("structures", "segments", "joints")


@dataclass(frozen=True)
class PathCourse:
    """The plant that one path follows, in order from its end a.

    Attributes
    ----------
    item : ndarray of int, shape (n,)
        Numbers of assets: a structure or site, a segment, the next structure, and so on.
    parts : ndarray of bool, shape (n,)
        Paths part where only one of them follows the item: all but spans, whose towers may be
        shared where their wires are not.
    place : dict of int to int
        Asset to its first place in `item`.
    from_m, to_m : ndarray of float, shape (n,)
        Along the geometry of the path.
    row : ndarray of int, shape (n,)
        Of the layout's paths, on which the item lies.
    """

    item: Ints
    parts: Bools
    place: dict[int, int]
    from_m: Floats
    to_m: Floats
    row: Ints


@dataclass
class _Member:
    """A shared asset that is to be put into a stretch."""

    asset: int
    paths: tuple[int, ...]
    chains: tuple[tuple[str, ...], ...]
    waived: bool
    places: tuple[int, ...] | None = None

    def prefix(self, segments: frozenset[str]) -> tuple[tuple[str, ...], ...]:
        """The chains down to the cable; the segment that leads to a structure is left out."""
        return tuple(
            chain[:-1] if len(chain) > 1 and chain[-1] in segments else chain
            for chain in self.chains
        )


class SharingPart(TypedDict):
    """What a circuit or group shares: its part of the evidence."""

    shared: list[Shared]
    stretches: list[Stretch]
    unavoidable: list[str]
    blank_within: int
    single_points: SinglePoints


class SharingFacts:
    """What is shared, by circuit and group; the course of each path is worked out once.

    Parameters
    ----------
    proof : ProofData
    """

    def __init__(self, proof: ProofData) -> None:
        self._proof = proof
        self._assets = proof.network.assets
        self._courses: dict[int, PathCourse] = {}
        self._segment_ids = frozenset(proof.study.tables["segments"]["id"].astype(str))
        self._joint_at = self._assets.numbers(proof.study.tables["joints"]["at"])
        row, names = listed(proof.study.tables["equipment"]["needs"])
        self._needs: dict[int, set[int]] = {}
        first = self._assets.start["equipment"]
        for machine, need in zip(row.tolist(), self._assets.numbers(names).tolist(), strict=True):
            self._needs.setdefault(need, set()).add(first + machine)

    def of(self, index: int) -> SharingPart:
        """Return what one circuit or group shares.

        Parameters
        ----------
        index : int
            Number of the trial.

        Returns
        -------
        SharingPart
        """
        proof, sharing = self._proof, self._proof.sharing
        trial = proof.trials[index]
        numbers = entries(sharing.avoidable, index)
        through = {number: sharing.through.get((index, number)) for number in numbers}
        heads = [number for number in numbers if self._head(number, through) == number]
        stretches = self._stretches([self._member(index, trial, n) for n in heads])
        stretch_of = {
            one.asset: place for place, some in enumerate(stretches, start=1) for one in some
        }
        holders: dict[int, list[int]] = {}
        for number in numbers:
            if number not in stretch_of:
                place = stretch_of[self._head(number, through)]
                stretch_of[number] = place
                holders.setdefault(place, []).append(number)
        order = [
            number
            for place, some in enumerate(stretches, start=1)
            for number in (*(one.asset for one in some), *holders.get(place, ()))
        ]
        own = proof.own_lines.named_by if sharing.own_line.nnz else {}
        on_own_line = set(entries(sharing.own_line, index)) if own else set()
        shared = []
        for number in order:
            name, role, kind = proof.names[number]
            to = through[number]
            shared.append(
                Shared(
                    asset=name,
                    role=role,
                    kind=kind,
                    waived=(index, number) in proof.waivers.assets,
                    through=None if to is None else proof.names[to][0],
                    own_line=proof.names[own[trial.circuits[0], number]][0]
                    if number in on_own_line
                    else None,
                    needed=self._needed(trial, number),
                    stretch=stretch_of[number],
                )
            )
        return {
            "shared": shared,
            "stretches": [
                self._told(trial, place, some, holders.get(place, []))
                for place, some in enumerate(stretches, start=1)
            ],
            "unavoidable": [proof.names[n][0] for n in entries(sharing.unavoidable, index)],
            "blank_within": int(proof.blank_within[index]),
            "single_points": self._single_points(index, stretch_of),
        }

    def _needed(self, trial: Trial, asset: int) -> bool:
        """Whether equipment that a path of a trial relies on names an asset in `needs`."""
        machines = self._needs.get(asset)
        if machines is None:
            return False
        paths, links = self._proof.network.paths, self._proof.reliance.links
        on_it = {link for side in trial.sides for path in side for link in paths.links(path)}
        return any(machines.intersection(csr_row(links, int(link)).tolist()) for link in on_it)

    def single(self, trial: int) -> list[str]:
        """List every asset whose loss alone puts all sides out of service, avoidable or not.

        Parameters
        ----------
        trial : int

        Returns
        -------
        list of str
        """
        if len(self._proof.trials[trial].sides) < 2:
            return []
        return [
            self._proof.names[number][0] for number in entries(self._proof.sharing.shared, trial)
        ]

    def _single_points(self, trial: int, stretch_of: dict[int, int]) -> SinglePoints:
        if len(self._proof.trials[trial].sides) < 2:
            return SinglePoints(stretches=[], assets=[])
        on_all = entries(self._proof.sharing.shared, trial)
        among = set(on_all)
        some = set(stretch_of.values()) - {
            place for number, place in stretch_of.items() if number not in among
        }
        return SinglePoints(
            stretches=sorted(some),
            assets=[
                self._proof.names[number][0]
                for number in on_all
                if stretch_of.get(number) not in some
            ],
        )

    def _head(self, number: int, through: dict[int, int | None]) -> int:
        """What an asset is shown under: itself, or the thing in it that is shared."""
        seen = {number}
        head = number
        while (under := through.get(head)) is not None and under in through and under not in seen:
            head = under
            seen.add(head)
        return head

    def _member(self, index: int, trial: Trial, number: int) -> _Member:
        proof = self._proof
        paths, chains = [], []
        for side in trial.sides:
            for path in side:
                chain = self._chain(path, number)
                if chain:
                    paths.append(path)
                    chains.append(chain)
                    break
        role = proof.names[number][1]
        waived = (index, number) in proof.waivers.assets
        found = _Member(number, tuple(paths), tuple(chains), waived)
        if role in _ON_LINE and paths:
            at = number
            if role == "joints":
                at = int(self._joint_at[number - self._assets.start["joints"]])
            places = [self._course(path).place.get(at) for path in paths]
            found.places = tuple(place for place in places if place is not None)
            if len(found.places) < len(paths):
                found.places = None
        return found

    def _chain(self, path: int, number: int) -> tuple[str, ...]:
        proof = self._proof
        if number >= len(self._assets):
            on_path = bool(proof.reliance.path_items[path, number])
            return (proof.names[number][0],) if on_path else ()
        return tuple(proof.chains.to(path, number))

    def _stretches(self, members: Iterable[_Member]) -> list[list[_Member]]:
        """Members in stretches, in the order in which the first path comes to them."""
        alone: list[list[_Member]] = []
        rows: dict[tuple[object, ...], list[_Member]] = {}
        listed = list(members)
        shared = np.zeros(len(self._assets), dtype=bool)
        for one in listed:
            if one.asset < len(shared):
                shared[one.asset] = True
        for one in listed:
            if one.places is None:
                alone.append([one])
            else:
                key = (one.paths, one.prefix(self._segment_ids), one.waived)
                rows.setdefault(key, []).append(one)
        parted: dict[int, Ints] = {}
        found = alone
        for some in rows.values():
            some.sort(key=lambda one: (one.places or (), one.asset))
            run = [some[0]]
            for before, after in pairwise(some):
                if self._unbroken(before, after, shared, parted):
                    run.append(after)
                else:
                    found.append(run)
                    run = [after]
            found.append(run)
        found.sort(key=lambda run: (*self._rank(run[0]), run[0].asset))
        return found

    def _unbroken(
        self, before: _Member, after: _Member, shared: Bools, parted: dict[int, Ints]
    ) -> bool:
        """Whether nothing that one path alone follows lies between two members, on any path."""
        for path, one, two in zip(
            before.paths, before.places or (), after.places or (), strict=True
        ):
            if path not in parted:
                course = self._course(path)
                alone = course.parts & ~shared[course.item]
                parted[path] = np.concatenate([[0], np.cumsum(alone)])
            low, high = min(one, two), max(one, two)
            if parted[path][high] - parted[path][min(low + 1, high)]:
                return False
        return True

    def _rank(self, member: _Member) -> tuple[float, ...]:
        """Where along the first path, by the place itself or by the link that leads there."""
        if not member.paths:
            return (float("inf"), 0.0)
        path = member.paths[0]
        course = self._course(path)
        if member.places is not None:
            return float(member.places[0]), 0.0
        for name in reversed(member.chains[0]):
            number = self._number.get(name)
            if number is not None and number in course.place:
                return float(course.place[number]), 1.0
        links = self._proof.network.paths.links(path).tolist()
        names = self._link_names
        at = next((k for k, link in enumerate(links) if names[link] == member.chains[0][0]), 0)
        first = np.searchsorted(self._link_rank(path), at)
        return float(course.place.get(int(course.item[first]), 0)) if first < len(
            course.item
        ) else float(len(course.item)), 2.0

    @cached_property
    def _number(self) -> dict[str, int]:
        segments = self._assets.of_role("segments")
        ids = self._assets.frame["id"].to_list()
        return {ids[number]: number for number in range(segments.start, segments.stop)}

    @cached_property
    def _link_names(self) -> list[str]:
        return [str(name) for name in self._proof.study.tables["links"]["id"]]

    def _link_rank(self, path: int) -> Ints:
        """Which link of the path each item of its course lies on, by place in the path."""
        links = self._proof.network.paths.links(path).tolist()
        place = {link: k for k, link in reversed(list(enumerate(links)))}
        rows = self._course(path).row
        return np.array([place[int(one)] for one in self._routes.link[rows]], dtype=np.int64)

    def _told(
        self, trial: Trial, place: int, members: list[_Member], holders: list[int]
    ) -> Stretch:
        names = self._proof.names
        grouped = trial.group_test is not None
        labels = [self._proof.path_label(path, grouped=grouped) for path in members[0].paths]
        via: dict[str, list[str]] = {}
        along: dict[str, Along] = {}
        for side, label in enumerate(labels):
            via[label] = _common([one.chains[side] for one in members])
            if members[0].places is None:
                continue
            course = self._course(members[0].paths[side])
            at = [one.places[side] for one in members if one.places is not None]
            along[label] = Along(
                from_m=figure(float(course.from_m[at].min()), "m") or 0.0,
                to_m=figure(float(course.to_m[at].max()), "m") or 0.0,
            )
        return Stretch(
            stretch=place,
            members=[names[one.asset][0] for one in members],
            holders=[names[number][0] for number in holders],
            waived=members[0].waived,
            via=via,
            along=along,
            at=self._at(members[0]),
        )

    def _at(self, member: _Member) -> list[float] | None:
        """Longitude and latitude of something on the line of its first path."""
        if member.places is None:
            return None
        course = self._course(member.paths[0])
        item = member.places[0]
        layout = self._proof.spacing.layout
        row = int(course.row[item])
        line = layout.paths.line[[row]]
        whole = layout.pieces.line_length_m[line]
        into = np.array([(course.from_m[item] + course.to_m[item]) / 2 - layout.offset_m[row]])
        into = np.clip(np.where(layout.paths.backward[row], whole - into, into), 0.0, whole)
        lon, lat = to_lonlat(position(layout.pieces, line, into))
        return lon_lat(lon[0], lat[0]) if np.isfinite(lon[0]) else None

    @cached_property
    def _routes(self) -> Any:
        return routes(self._proof.network)

    @cached_property
    def _overhead(self) -> list[bool]:
        kinds = self._proof.study.tables["segments"]["kind"]
        return [kind in _OVERHEAD for kind in kinds.to_list()]

    @cached_property
    def _line_m(self) -> Floats:
        return np.nan_to_num(self._proof.spacing.layout.pieces.line_length_m)

    @cached_property
    def _bounds(self) -> Ints:
        return np.searchsorted(self._routes.path, np.arange(len(self._proof.network.paths) + 1))

    def _course(self, path: int) -> PathCourse:
        if path not in self._courses:
            self._courses[path] = self._followed(path)
        return self._courses[path]

    def _followed(self, path: int) -> PathCourse:
        network, layout, route = self._proof.network, self._proof.spacing.layout, self._routes
        ends, passed = network.ends, network.passed
        first = network.assets.start["segments"]
        overhead, length = self._overhead, self._line_m
        rows: list[tuple[int, bool, float, float, int]] = []
        for row in range(int(self._bounds[path]), int(self._bounds[path + 1])):
            segment = int(route.segment[row])
            start, stop = float(route.start[row]), float(route.stop[row])
            begin = float(layout.offset_m[row])
            whole = float(length[layout.paths.line[row]])
            nodes = [
                (share, int(node))
                for share, node in ((0.0, ends.a[segment]), (1.0, ends.b[segment]))
                if node >= 0
            ]
            low, high = np.searchsorted(passed.segment, [segment, segment + 1])
            nodes += zip(
                passed.fraction[low:high].tolist(), passed.structure[low:high].tolist(), strict=True
            )
            on_it = []
            for share, node in nodes:
                into = (share - start) / (stop - start) if stop != start else 0.0
                if -1e-9 <= into <= 1 + 1e-9:
                    on_it.append((min(max(into, 0.0), 1.0), node))
            on_it.sort()
            at_start = [one for one in on_it if one[0] <= 1e-9]
            later = [one for one in on_it if one[0] > 1e-9]
            alone = not overhead[segment]
            for into, node in at_start:
                rows.append((node, True, begin + into * whole, begin + into * whole, row))
            rows.append((first + segment, alone, begin, begin + whole, row))
            for into, node in later:
                rows.append((node, True, begin + into * whole, begin + into * whole, row))
        item = np.array([one[0] for one in rows], dtype=np.int64)
        parts = np.array([one[1] for one in rows], dtype=np.bool_)
        from_m, to_m = (np.array([one[k] for one in rows], dtype=np.float64) for k in (2, 3))
        row_of = np.array([one[4] for one in rows], dtype=np.int64)
        place: dict[int, int] = {}
        for at, asset in enumerate(item.tolist()):
            place.setdefault(asset, at)
        return PathCourse(item, parts, place, from_m, to_m, row_of)


def _common(chains: list[tuple[str, ...]]) -> list[str]:
    """What chains have in common from the link on; of one chain all of it."""
    least = min(chains, key=len)
    for place, name in enumerate(least):
        if any(chain[place] != name for chain in chains):
            return list(least[:place])
    return list(least)


def entries(matrix: Any, row: int) -> list[int]:
    """List the columns of a row of a sparse matrix that hold something, ascending.

    Parameters
    ----------
    matrix : csr_array, shape (n, m)
    row : int

    Returns
    -------
    list of int
    """
    listed: list[int] = csr_row(matrix, row).tolist()
    return sorted(listed)


# --- How far apart paths are: near stretches, crossings, closest approach.

_IN_THE_GROUND = ("duct", "subduct", "trench", "buried", "tunnel", "subsea")
_PAIRWISE = "pairwise"
_BOTH = ("pair", "segment_i", "segment_j", "lon", "lat", "under")
_NEAR = (
    "line_i",
    "from_m",
    "to_m",
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
    """Rows of a proof's spacing by circuit and group, sorted once for all of them.

    Parameters
    ----------
    proof : ProofData
    """

    def __init__(self, proof: ProofData) -> None:
        spacing = proof.spacing
        segments = proof.study.tables["segments"]
        self._proof = proof
        self._ids = segments["id"].to_numpy(dtype=object)
        self._kinds = segments["kind"].to_numpy(dtype=object)
        self._trial = spacing.pairs["trial"].to_numpy(dtype=np.int64)
        self._near = self._by_trial(spacing.near, (*_BOTH, *_NEAR))
        self._cross = self._by_trial(spacing.cross, (*_BOTH, *_CROSS))
        bounds = np.searchsorted(self._trial, np.arange(len(proof.trials) + 1))
        self._bounds = [range(a, b) for a, b in pairwise(bounds.tolist())]
        lists = [spacing.pairs[name].tolist() for name in _CLOSEST]
        self._pairs = [dict(zip(_CLOSEST, one, strict=True)) for one in zip(*lists, strict=True)]

    def of(self, trial: int) -> SpacingPart:
        """Return how far apart the paths of one circuit or group are.

        Parameters
        ----------
        trial : int

        Returns
        -------
        SpacingPart
        """
        proof = self._proof
        pairs = self._bounds[trial]
        rows = self._near.get(trial, ())
        open_ = [row for row in rows if row["under"] < 0]
        folded = [row for row in rows if row["under"] >= 0]
        numbers = {
            stretch: number
            for number, stretch in enumerate(dict.fromkeys(row["stretch"] for row in rows), start=1)
        }
        service = proof.services[trial]
        return {
            "near": self._near_entries(trial, open_, numbers, len(pairs) > 1),
            "cross": [
                self._cross_entry(trial, row, len(pairs) > 1)
                for row in self._cross.get(trial, ())
                if row["under"] < 0 and not row["again"]
            ],
            "near_folded": self._near_entries(trial, folded, numbers, len(pairs) > 1),
            **self._closest(trial, pairs),
            "separation_m": service.separation_m,
            "end_zone_m": service.end_zone_m,
        }

    def _by_trial(self, rows: pd.DataFrame, columns: tuple[str, ...]) -> dict[int, list[Row]]:
        """Rows as records, by circuit or group; what is measured in metres is fit for JSON.

        A limit stays as the rules state it: rounded, it would be another.
        """
        of = self._trial[rows["pair"].to_numpy(dtype=np.int64)].tolist()
        lists = [
            figures(rows[name], "m")
            if name.endswith("_m") and name != "limit_m"
            else rows[name].tolist()
            for name in columns
        ]
        found: dict[int, list[Row]] = {}
        for trial, *values in zip(of, *lists, strict=True):
            found.setdefault(trial, []).append(dict(zip(columns, values, strict=True)))
        return found

    def _near_entries(
        self, trial: int, rows: list[Row], numbers: dict[int, int], several: bool
    ) -> list[Near]:
        """One entry a stretch, by its closest pair, with all its pairs in the order of the path.

        A stretch that is partly waived, or folded under different structures, makes one entry
        for each part.
        """
        found: list[Near] = []
        for (stretch, under, waived, between), some in self._near_parts(trial, rows).items():
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

    def _near_parts(
        self, trial: int, rows: list[Row]
    ) -> dict[tuple[int, int, bool, int], list[tuple[Row, NearPair]]]:
        """Rows and their pairs by stretch, what that is folded under, waived or not, and paths."""
        waives = self._proof.waivers.waives_pair
        parts: dict[tuple[int, int, bool, int], list[tuple[Row, NearPair]]] = {}
        for row in rows:
            pair = self._near_pair(row)
            waived = waives(trial, pair["main"], pair["alternate"])
            key = int(row["stretch"]), int(row["under"]), waived, int(row["pair"])
            parts.setdefault(key, []).append((row, pair))
        return parts

    def near_lines(self, trial: int) -> list[list[tuple[int, float, float]]]:
        """Return where the entries of `near` lie, in their order.

        Parameters
        ----------
        trial : int

        Returns
        -------
        list of list of tuple
            For each entry the line of each of its pairs, and from where to where along it, m.
        """
        open_ = [row for row in self._near.get(trial, ()) if row["under"] < 0]
        return [
            [(int(row["line_i"]), row["from_m"], row["to_m"]) for row, _ in some]
            for some in self._near_parts(trial, open_).values()
        ]

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

    def _cross_entry(self, trial: int, row: Row, several: bool) -> Cross:
        """The two segments that cross, where and how."""
        one, other = int(row["segment_i"]), int(row["segment_j"])
        names = str(self._ids[one]), str(self._ids[other])
        kinds = [str(self._kinds[one]), str(self._kinds[other])]
        entry: Cross = {
            "main": names[0],
            "alternate": names[1],
            "kinds": kinds,
            "at": lon_lat(row["lon"], row["lat"]),
            "waived": self._proof.waivers.waives_pair(trial, *names),
            "crossing": crossing_words(*kinds),
            "how": str(row["how"]),
            "forbidden": bool(row["forbidden"]),
        }
        if several:
            entry["paths"] = self._path_names(int(row["pair"]))
        return entry

    def _closest(self, trial: int, pairs: range) -> ClosestPart:
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
        if len(pairs) > 1 and self._proof.trials[trial].group_test != _PAIRWISE:
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
    """Add up the length that intervals cover; an overlap counts once."""
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
