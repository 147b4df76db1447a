"""Where segments end, what they pass on the way, and where cable ends meet.

`tie_ends` and `passing` tie segments to structures and sites, `same_place` finds structures that
are recorded twice, and `Reach` and `joint_places` say whether two cables of a link meet.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
import shapely

from waysapart.arrays import Bools, Floats, Ints
from waysapart.gaps import Gap
from waysapart.network.assets import Assets, Holders, listed, place_of, row_gap
from waysapart.study.model import Study

SPAN_STRUCTURES = ("tower", "gantry", "pole")
"""Kinds of structure that a span hangs on."""
GROUND_STRUCTURES = ("pit", "entry", "bridge")
"""Kinds of structure that any other segment passes."""
_TOUCH_M = 1e-6
_DECIMALS_M = 6
"""Decimals of a distance beyond which places are equally near."""
_LINE = shapely.GeometryType.LINESTRING


@dataclass(frozen=True)
class Ends:
    """Structures and sites at the ends of segments.

    Attributes
    ----------
    a, b : ndarray of int, shape (segments,)
        Asset number at the first and last vertex; -1 for none.
    gaps : list of Gap
    """

    a: Ints
    b: Ints
    gaps: list[Gap]


def _end_points(lines: np.ndarray, *, last: bool) -> np.ndarray:
    """Take the first or last vertex of each line; None where it is not one line.

    One call for all vertices is five times as fast as line by line.
    """
    vertices, line = shapely.get_coordinates(lines, return_index=True)
    single = np.flatnonzero((shapely.get_type_id(lines) == _LINE) & ~shapely.is_empty(lines))
    at = np.searchsorted(line, single)
    if last:
        at = np.searchsorted(line, single, side="right") - 1
    points = np.full(len(lines), None, dtype=object)
    points[single] = shapely.points(vertices[at])
    return points


@dataclass(frozen=True)
class Places:
    """Structures and sites that a segment may end at.

    Attributes
    ----------
    geometry : ndarray of Geometry, shape (places,)
    number : ndarray of int, shape (places,)
        Asset numbers.
    is_site : ndarray of bool, shape (places,)
    tree : STRtree
        Of `geometry`.
    """

    geometry: np.ndarray
    number: Ints
    is_site: Bools
    tree: shapely.STRtree
    order: Ints
    """Place of each in the order from west, then south."""


def places(study: Study, assets: Assets) -> Places:
    """Collect the structures and sites that a segment may end at.

    Parameters
    ----------
    study : Study
    assets : Assets

    Returns
    -------
    Places
        Structures first, then sites, in the order of their tables.
    """
    structures, sites = study.geometries("structures"), study.geometries("sites")
    geometry = np.concatenate([structures, sites])
    number = np.concatenate(
        [
            assets.start["structures"] + np.arange(len(structures)),
            assets.start["sites"] + np.arange(len(sites)),
        ]
    ).astype(np.int64)
    is_site = np.arange(len(geometry)) >= len(structures)
    lonlat = np.concatenate([study.lonlat("structures"), study.lonlat("sites")])
    return Places(geometry, number, is_site, shapely.STRtree(geometry), _from_west(lonlat))


def _standing_on(pairs_end: Ints, pairs_place: Ints, where: Places, holders: Holders) -> Bools:
    """Keep all candidates but sites on which another candidate, a structure, stands."""
    keep = np.ones(len(pairs_end), dtype=bool)
    site_rows = np.flatnonzero(where.is_site[pairs_place])
    if not len(site_rows):
        return keep
    by_end: dict[int, list[int]] = {}
    at_site = np.isin(pairs_end, pairs_end[site_rows])
    for row in np.flatnonzero(at_site & ~where.is_site[pairs_place]).tolist():
        by_end.setdefault(int(pairs_end[row]), []).append(int(pairs_place[row]))
    for row in site_rows.tolist():
        site = int(pairs_place[row])
        for structure in by_end.get(int(pairs_end[row]), ()):
            recorded = int(where.number[site]) in holders(int(where.number[structure]))
            if recorded or shapely.covers(where.geometry[site], where.geometry[structure]):
                keep[row] = False
    return keep


def tie_ends(study: Study, assets: Assets, where: Places, holders: Holders) -> Ends:
    """Tie each segment's ends to structures and sites.

    `a` and `b` of the record come first; a blank is snapped to the one structure or site within
    `snap_m` of the end vertex. None, or several, is a gap; so is a recorded end that lies farther
    than `snap_m` from its vertex. Of several the nearest is taken; of equally near ones the one
    that most ends on record name, then the westernmost. Ids decide only where nothing else does.

    Parameters
    ----------
    study : Study
    assets : Assets
    where : Places
        Structures and sites, from `places`.
    holders : callable
        From an asset number to the numbers of everything that it lies in.

    Returns
    -------
    Ends
        With gaps of the codes `end-ambiguous`, `end-far` and `end-meets-nothing`.
    """
    segments = study.tables["segments"]
    lines = study.geometries("segments")
    gaps: list[Gap] = []
    tied: dict[str, Ints] = {}
    recorded = np.r_[assets.numbers(segments["a"]), assets.numbers(segments["b"])]
    named = np.bincount(recorded[recorded >= 0], minlength=len(assets))
    for column, vertex in (("a", 0), ("b", -1)):
        points = _end_points(lines, last=vertex < 0)
        stated = assets.numbers(segments[column])
        node = stated.copy()
        given = np.flatnonzero(stated >= 0)
        position = _place_position(stated[given], assets, len(study.tables["structures"]))
        distance = study.plane.metres(points[given], where.geometry[position])
        far = given[distance > study.snap_m]
        for row, metres in zip(far, distance[distance > study.snap_m], strict=True):
            gaps.append(
                row_gap(
                    study,
                    "end-far",
                    "segments",
                    int(row),
                    f"end {column} is recorded at {assets.ids([stated[row]])[0]}, which lies "
                    f"{metres:.1f} m from the vertex (more than {study.snap_m:g} m): "
                    "correct the geometry or the record",
                    column=column,
                )
            )
        blank = np.flatnonzero(segments[column].isna().to_numpy())
        ends, found, near = _within_snap(study, points[blank], where.geometry, where.tree)
        keep = _standing_on(ends, found, where, holders)
        ends, found, near = ends[keep], found[keep], near[keep]
        number = where.number[found]
        order = np.lexsort(
            (number, where.order[found], -named[number], near.round(_DECIMALS_M), ends)
        )
        ends, found, near = ends[order], found[order], near[order]
        first = np.flatnonzero(np.r_[True, np.diff(ends) > 0]) if len(ends) else np.empty(0, int)
        node[blank[ends[first]]] = where.number[found[first]]
        several = np.flatnonzero(np.bincount(ends, minlength=len(blank)) > 1)
        for end in several:
            mine = ends == end
            names = ", ".join(
                f"{name} ({metres:.2f} m)"
                for name, metres in zip(
                    assets.ids(where.number[found[mine]]), near[mine], strict=True
                )
            )
            gaps.append(
                row_gap(
                    study,
                    "end-ambiguous",
                    "segments",
                    int(blank[end]),
                    f"end {column} may be at any of {names}: fill in column {column}",
                    column=column,
                )
            )
        lone = np.flatnonzero(np.bincount(ends, minlength=len(blank)) == 0)
        if len(lone):
            nearest = _nearest(study, points[blank[lone]], where, assets)
            for end, text in zip(lone, nearest, strict=True):
                gaps.append(
                    row_gap(
                        study,
                        "end-meets-nothing",
                        "segments",
                        int(blank[end]),
                        f"end {column} meets no structure or site within {study.snap_m:g} m"
                        f"{text}: record what is there, or fill in column {column}",
                        column=column,
                    )
                )
        tied[column] = node
    return Ends(tied["a"], tied["b"], gaps)


def _place_position(numbers: Ints, assets: Assets, structures: int) -> Ints:
    is_structure = numbers >= assets.start["structures"]
    return np.where(
        is_structure,
        numbers - assets.start["structures"],
        numbers - assets.start["sites"] + structures,
    )


def _within_snap(
    study: Study, shapes: np.ndarray, among: np.ndarray, tree: shapely.STRtree
) -> tuple[Ints, Ints, Floats]:
    """Which of some geometries lie within `snap_m` of others: which, of which, how far, metres."""
    reach = study.plane.reach(shapes, study.snap_m)
    one, other = tree.query(shapes, predicate="dwithin", distance=reach)
    metres = study.plane.metres(shapes[one], among[other])
    near = metres <= study.snap_m
    return one[near].astype(np.int64), other[near].astype(np.int64), metres[near]


def _nearest(study: Study, points: np.ndarray, where: Places, assets: Assets) -> list[str]:
    if not len(where.geometry):
        return [""] * len(points)
    rows, found = where.tree.query_nearest(points, all_matches=False)
    metres = study.plane.metres(points[rows], where.geometry[found])
    text = [""] * len(points)
    for row, place, distance in zip(rows, found, metres, strict=True):
        text[row] = f" (nearest: {assets.ids([where.number[place]])[0]}, {distance:.1f} m)"
    return text


@dataclass(frozen=True)
class Passing:
    """Structures that segments pass between their ends, in the order of segments and fractions.

    Attributes
    ----------
    segment : ndarray of int, shape (passes,)
        Segments counted from 0.
    structure : ndarray of int, shape (passes,)
        Asset numbers.
    fraction : ndarray of float, shape (passes,)
        Place along the line, 0 to 1; the middle of the stretch within a structure that is drawn as
        an area.
    """

    segment: Ints
    structure: Ints
    fraction: Floats


def passing(study: Study, assets: Assets, ends: Ends) -> Passing:
    """Find the structures within `snap_m` of a segment's line, between its ends.

    Owners often record a whole line or duct as one polyline. A span passes towers, gantries and
    poles; any other segment passes pits, entries and bridges.

    Parameters
    ----------
    study : Study
    assets : Assets
    ends : Ends

    Returns
    -------
    Passing
    """
    structures, segments = study.tables["structures"], study.tables["segments"]
    lines, geometry = study.geometries("segments"), study.geometries("structures")
    if not len(lines) or not len(geometry):
        none = np.empty(0, dtype=np.int64)
        return Passing(none, none, np.empty(0))
    tree = shapely.STRtree(lines)
    structure, segment, _ = _within_snap(study, geometry, lines, tree)
    kind = structures["kind"].to_numpy()[structure]
    span = segments["kind"].to_numpy()[segment] == "span"
    fits = np.where(span, np.isin(kind, SPAN_STRUCTURES), np.isin(kind, GROUND_STRUCTURES))
    number = assets.start["structures"] + structure
    fits &= (number != ends.a[segment]) & (number != ends.b[segment])
    structure, segment, number = structure[fits], segment[fits], number[fits]
    nearest = shapely.get_point(shapely.shortest_line(lines[segment], geometry[structure]), 0)
    along = shapely.line_locate_point(lines[segment], nearest)
    for row in np.flatnonzero(shapely.get_dimensions(geometry[structure]) == 2):
        # All of the line within the outline is at distance 0: take the middle of it.
        inside = shapely.intersection(lines[segment[row]], geometry[structure[row]])
        corners = shapely.get_coordinates(inside)
        if len(corners):
            inside = shapely.line_locate_point(lines[segment[row]], shapely.points(corners))
            along[row] = (inside.min() + inside.max()) / 2
    fraction, length = study.plane.fractions(lines, segment, along)
    between = (fraction * length > _TOUCH_M) & ((1 - fraction) * length > _TOUCH_M)
    order = np.lexsort((number[between], fraction[between], segment[between]))
    return Passing(
        segment[between][order].astype(np.int64),
        number[between][order].astype(np.int64),
        fraction[between][order],
    )


def _from_west(lonlat: np.ndarray) -> Ints:
    """Place of each geometry in the order from west, then south; equal where they are equal."""
    bounds = shapely.bounds(lonlat).reshape(-1, 4)
    order = np.lexsort(bounds.T[::-1])
    rank = np.empty(len(bounds), dtype=np.int64)
    differs = (bounds[order[1:]] != bounds[order[:-1]]).any(axis=1)
    rank[order] = np.r_[0, np.cumsum(differs)][: len(order)]
    return rank


def _codes(kind: np.ndarray) -> Ints:
    return np.unique(kind.astype(str), return_inverse=True)[1].astype(np.int64)


def same_place(study: Study, within_m: float) -> list[Gap]:
    """Find structures of one kind recorded in one place under two ids.

    Two paths through the two records would look apart though they share the structure. The gap is
    of the record that fewer segment ends name, else of the western one, else of the first by id.

    Parameters
    ----------
    study : Study
    within_m : float
        Greatest distance of the two, in metres.

    Returns
    -------
    list of Gap
        Code `same-place`.
    """
    structures = study.tables["structures"]
    geometry = study.geometries("structures")
    if len(geometry) < 2:
        return []
    first, second = shapely.STRtree(geometry).query(
        geometry, predicate="dwithin", distance=study.plane.reach(geometry, within_m)
    )
    kind = structures["kind"].to_numpy()
    rank = np.empty(len(geometry), dtype=np.int64)
    segments = study.tables["segments"]
    uses = pd.concat([segments["a"], segments["b"]]).value_counts()
    named = structures["id"].map(uses).fillna(0).to_numpy(dtype=np.int64)
    west = _from_west(study.lonlat("structures"))
    rank[np.lexsort((_codes(kind), west, named))] = np.arange(len(geometry))
    once = rank[first] < rank[second]
    first, second = first[once], second[once]
    apart_m = study.plane.metres(geometry[first], geometry[second])
    near = apart_m <= within_m
    first, second, apart_m = first[near], second[near], apart_m[near]
    overhead = np.isin(kind, SPAN_STRUCTURES)
    alike = (overhead[first] & overhead[second]) | (kind[first] == kind[second])
    gaps = []
    for one, other, metres in zip(first[alike], second[alike], apart_m[alike], strict=True):
        a, b = str(structures["id"].iloc[one]), str(structures["id"].iloc[other])
        gaps.append(
            Gap(
                "same-place",
                f"structures {a} and {b} lie {metres:.2f} m apart (less than {within_m:g} m): "
                "if they are one thing, keep one id",
                a,
                assets=(a, b),
                **place_of(study, structures, int(one)),
            )
        )
    return gaps


# --- Where cable ends meet: at one structure, on one site, or at a joint


class Reach:
    """Whether ends of cables reach sites and meet each other.

    An end reaches a site that it is, lies within or touches.

    Parameters
    ----------
    study : Study
    assets : Assets
    holders : callable
        From an asset number to the numbers of everything that it lies in.
    """

    def __init__(self, study: Study, assets: Assets, holders: Holders) -> None:
        self._sites = assets.of_role("sites")
        self._structures = assets.of_role("structures")
        self._site_shapes = study.geometries("sites")
        self._structure_shapes = study.geometries("structures")
        self._holders = holders
        self._snap_m, self._plane = study.snap_m, study.plane
        self._snap = study.plane.reach(self._structure_shapes, study.snap_m).tolist()
        self._known: dict[tuple[int, int], bool] = {}

    def is_site(self, node: int) -> bool:
        """Whether an asset number is a site's."""
        return int(self._sites.start) <= node < int(self._sites.stop)

    def reaches(self, node: int, site: int) -> bool:
        """Whether an end reaches a site.

        Parameters
        ----------
        node, site : int
            Asset numbers; -1 where not known.

        Returns
        -------
        bool
            True also for an end or site that is not known: that is a gap of its own.
        """
        if node < 0 or site < 0 or node == site:
            return True
        if (node, site) not in self._known:
            self._known[node, site] = site in self._holders(node) or self._touches(node, site)
        return self._known[node, site]

    def meet(self, one: int, other: int) -> bool:
        """Whether two cable ends meet in one place, or at a site and a structure on it.

        Parameters
        ----------
        one, other : int
            Asset numbers; -1 where not known.

        Returns
        -------
        bool
            True also where one is not known: that is a gap of its own.
        """
        if one < 0 or other < 0 or one == other:
            return True
        return (self.is_site(one) and one in self._holders(other)) or (
            self.is_site(other) and other in self._holders(one)
        )

    def _touches(self, node: int, site: int) -> bool:
        if not self._structures.start <= node < self._structures.stop:
            return False
        place = node - self._structures.start
        shape, other = self._structure_shapes[place], self._site_shapes[site - self._sites.start]
        if not shapely.distance(shape, other) <= self._snap[place]:
            return False
        return bool(self._plane.metres(shape, other)[0] <= self._snap_m)


def joint_places(study: Study, assets: Assets) -> dict[frozenset[int], set[int]]:
    """Find where each pair of cables is joined.

    Parameters
    ----------
    study : Study
    assets : Assets

    Returns
    -------
    dict of frozenset to set of int
        From the numbers of two cables, counted from 0, to the asset numbers of the places of their
        joints.
    """
    joints = study.tables["joints"]
    at = assets.numbers(joints["at"])
    rows, names = listed(joints["cables"])
    cables = assets.numbers(names) - assets.start["cables"]
    joined: dict[int, list[int]] = {}
    for joint, cable in zip(rows.tolist(), cables.tolist(), strict=True):
        joined.setdefault(joint, []).append(cable)
    found: dict[frozenset[int], set[int]] = {}
    for joint, members in joined.items():
        for one, other in combinations(members, 2):
            found.setdefault(frozenset((one, other)), set()).add(int(at[joint]))
    return found
