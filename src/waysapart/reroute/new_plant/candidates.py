"""Candidates for new segments: given ones, or short ones across the cut of a proof."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
import pandas as pd
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components, dijkstra
from scipy.spatial import KDTree

from waysapart.arrays import Bools, Ints, boolean
from waysapart.errors import CallError
from waysapart.network.ends import Places, places
from waysapart.reroute.new_plant.corridors import Corridors, corridors_of
from waysapart.reroute.new_plant.costs import given_costs
from waysapart.reroute.new_plant.near_plant import AREA, NearPlant, ground_m, joined
from waysapart.reroute.new_plant.siting import Held
from waysapart.reroute.plant.cable_sections import cable_nodes
from waysapart.reroute.plant.context import Ground, rows_hitting
from waysapart.reroute.plant.search_graph import Space, Terms
from waysapart.reroute.proposal_rows import Draft
from waysapart.reroute.search.no_pair_proof import Beyond, Listed, NoPairProof
from waysapart.schema import KNOWN_EMPTY, LIST_SEPARATOR
from waysapart.study.crs import LON_LAT

OVERHEAD = frozenset({"tower", "gantry", "pole"})
FIBRES = 24
"""Fibres of a new cable; common practice, no source."""
_PARTNERS = 24
"""Structures beyond the cut that are looked at for each of this side, the nearest. No source."""
_MOST_LED = 60
"""Structures of a side from which routes along corridors are sought, the nearest to one. No
source."""
Course = Literal["given", "along", "straight"]


@dataclass(frozen=True)
class Candidates:
    """How to look for something to build.

    Attributes
    ----------
    lines : GeoDataFrame or None
        Given candidates, with optional columns `id`, `kind`, `a`, `b`, `within` and `cost`;
        longitude and latitude on WGS 84 where it states no CRS. Points among them are new
        structures at which lines may end: `id`, `kind`, and optionally `within`. None: short
        ones are generated.
    longest_m : float
        Of generated segments, in metres.
    forbidden : sequence of geometry
        Areas in longitude and latitude, WGS 84, that no new segment may touch.
    budget : float or None
        Most that a proposal may cost, in the unit of [build] in the rules, else of `cost`, else
        in metres. None: what [build] says.
    most : int
        Segments generated for each circuit, shortest first.
    wanted : bool
        False: build nothing.
    keep_out : sequence of geometry
        As `forbidden`: nothing is built there. Plant that exists there may be used all the same.
    along : sequence of geometry
        Corridors: lines and areas in longitude and latitude, WGS 84, that generated segments
        follow.
    """

    lines: Any = None
    longest_m: float = 2000.0
    forbidden: Sequence[Any] = ()
    budget: float | None = None
    most: int = 40
    wanted: bool = True
    keep_out: Sequence[Any] = ()
    along: Sequence[Any] = ()


@dataclass(frozen=True)
class NewStructure:
    """A structure to be built; its place as longitude and latitude, its cell `within` as stated."""

    id: str
    kind: str
    within: str | None
    lonlat: Any = field(repr=False)


@dataclass(frozen=True)
class Segment:
    """A candidate.

    Attributes
    ----------
    id, kind : str
    a, b : str
        Ids of the structures or sites at its ends.
    line : LineString
        In the study's plane.
    length_m : float
    cost : float
        By which searches rank it; where it is not `priced`, no cost that anybody stated.
    given : float or None
        The cost that it states itself.
    within : str or None
        The cell `within` of its row; None: not on record.
    relied : str
        What it is taken to lie in by a search: all that it may lie in by its place.
    course : str
        `given`, `along` corridors, or `straight` between its ends.
    leads_m : tuple of float
        Of a course along corridors, the straight leads at either end.
    new : tuple of NewStructure
        Those of its ends that are to be built.
    """

    id: str
    kind: str
    a: str
    b: str
    line: Any = field(repr=False)
    length_m: float
    cost: float
    given: float | None = None
    priced: bool = True
    within: str | None = None
    relied: str = KNOWN_EMPTY
    course: Course = "given"
    leads_m: tuple[float, ...] = ()
    new: tuple[NewStructure, ...] = ()

    @property
    def cable(self) -> str:
        """Id of the cable that it would hold."""
        return f"{self.id}-cable"


@dataclass(frozen=True)
class Given:
    """Given candidates, and those that may not be built at all, by id with the reason."""

    segments: list[Segment]
    refused: dict[str, str]


@dataclass(frozen=True)
class Grounds:
    """Where candidates may lie.

    Attributes
    ----------
    plant : NearPlant
    candidates : Candidates
    forbidden : STRtree
        Of the areas that no new segment may touch.
    """

    plant: NearPlant
    candidates: Candidates
    forbidden: shapely.STRtree = field(repr=False)

    @classmethod
    def of(cls, ground: Ground, candidates: Candidates) -> Grounds:
        """Those of a study."""
        areas = [*in_degrees(candidates.forbidden), *in_degrees(candidates.keep_out)]
        flat = ground.study.plane.flat(np.array(areas, dtype=object))
        return cls(NearPlant(ground), candidates, shapely.STRtree(flat))

    def barred(self, line: Any) -> bool:
        """Whether a line touches an area that it may not touch."""
        return bool(len(self.forbidden.query(line, predicate="intersects")))

    def laid(self, kind: str, line: Any, stated: str | None = None) -> tuple[str | None, str]:
        """The cell `within` of a new segment, and what a search takes it to lie in.

        What all of it lies in by the records is stated. Where a part of it lies in nothing on
        record, what it lies in is not known: the cell stays blank, unless the rules take a blank
        as none; the search relies on all that it enters.
        """
        ground = self.plant.ground
        lies = self.plant.lies_in(line, kind)
        every = [*lies.known, *lies.maybe, *lies.sites]
        if stated is not None:
            own = [one for one in stated.split(LIST_SEPARATOR) if one != KNOWN_EMPTY]
            within = joined([*own, *lies.known]) or KNOWN_EMPTY
            return within, joined([*own, *every]) or KNOWN_EMPTY
        relied = joined(every) or KNOWN_EMPTY
        if lies.whole:
            return joined([*lies.known, *lies.sites]), relied
        open_ = ground.study.rules.records.of_within(kind, "segments") == "gap"
        return (None if open_ else joined(lies.known)), relied


def given_segments(grounds: Grounds) -> Given:
    """Candidates of a layer, tied to the structures or sites at their ends.

    Parameters
    ----------
    grounds : Grounds
        The `lines` of its candidates: a line or a new structure in each row.

    Returns
    -------
    Given
        Segments in the order of the rows.

    Raises
    ------
    CallError
        With every fault of every row: a geometry that is neither a line nor a point, an id that is
        taken, an end that meets nothing, a structure without a kind, or a reference to nothing.
    """
    ground, candidates = grounds.plant.ground, grounds.candidates
    plane = ground.study.plane
    frame = pd.DataFrame(candidates.lines).reset_index(drop=True)
    lonlat = in_degrees(candidates.lines)
    shapes = plane.flat(lonlat)
    faults: list[str] = []
    names = _given_names(frame, ground, faults)
    new: dict[str, NewStructure] = {}
    at: dict[str, Any] = {}
    for row in np.flatnonzero(shapely.get_type_id(shapes) == 0).tolist():
        kind = _text(frame, "kind", row)
        within = _within(frame, row, names[row], ground, faults)
        if kind is None:
            faults.append(f"structure {names[row]}: the column kind is blank; say pit, entry, ...")
            continue
        beside = _beside(ground, shapes[row], kind)
        if beside is not None:
            faults.append(f"structure {names[row]} {beside}")
        inside = _sites_about(ground, shapes[row])
        new[names[row]] = NewStructure(names[row], kind, within or joined(inside), lonlat[row])
        at[names[row]] = shapes[row]
    where = places(ground.study, ground.network.assets)
    segments: list[Segment] = []
    refused: dict[str, str] = {}
    given = given_costs(frame, names)
    for row in range(len(frame)):
        line, name = shapes[row], names[row]
        if line is not None and shapely.get_type_id(line) == 0:
            continue
        if line is None or shapely.get_type_id(line) != 1:
            faults.append(f"candidate {row + 1} is neither a single line nor a point")
            continue
        ends = [
            _end(ground, where, at, frame, row, line, name, *side, faults)
            for side in (("a", 0), ("b", -1))
        ]
        stated = _within(frame, row, name, ground, faults)
        if None in ends:
            continue
        if ends[0] == ends[1]:
            faults.append(f"candidate {name}: both ends are at {ends[0]}")
            continue
        kind = _text(frame, "kind", row) or _kind(ground, new, *map(str, ends))
        length = ground_m(plane, line)
        if grounds.barred(line):
            refused[name] = "touches an area in which nothing may be built"
            continue
        within, relied = grounds.laid(kind, line, stated)
        segments.append(
            Segment(
                name,
                kind,
                str(ends[0]),
                str(ends[1]),
                line,
                length,
                length,
                given[row],
                within=within,
                relied=relied,
                new=tuple(new[str(end)] for end in ends if end in new),
            )
        )
    if faults:
        raise CallError("\n".join(["candidates cannot be used:", *faults]))
    return Given(segments, refused)


def _given_names(frame: pd.DataFrame, ground: Ground, faults: list[str]) -> list[str]:
    """Ids of given candidates; each that is taken is a fault."""
    taken = {str(name) for name in ground.names}
    found: list[str] = []
    for row in range(len(frame)):
        name = _text(frame, "id", row) or f"new-{row + 1}"
        if name in taken or f"{name}-cable" in taken:
            faults.append(f"candidate {name}: that id is taken; candidates need ids of their own")
        elif name in found:
            faults.append(f"candidate {name}: that id is used twice")
        found.append(name)
    return found


def _text(frame: pd.DataFrame, column: str, row: int) -> str | None:
    value = frame[column].iloc[row] if column in frame else None
    if isinstance(value, str):
        return value.strip() or None
    if value is None or pd.isna(value):
        return None
    return f"{value:g}" if isinstance(value, float) else str(value)


def _within(
    frame: pd.DataFrame, row: int, name: str, ground: Ground, faults: list[str]
) -> str | None:
    """The cell `within` of a candidate; an id that is none of the study's is a fault."""
    stated = _text(frame, "within", row)
    if stated is None or stated == KNOWN_EMPTY:
        return stated
    ids = [one.strip() for one in stated.split(LIST_SEPARATOR) if one.strip()]
    numbers = ground.network.assets.numbers(ids)
    for one, number in zip(ids, numbers.tolist(), strict=True):
        if number < 0:
            faults.append(f"candidate {name}: within names {one}, which is no asset of the study")
    return joined(ids)


def _beside(ground: Ground, point: Any, kind: str) -> str | None:
    """What is wrong with a new structure that stands where one is already."""
    study = ground.study
    table, shapes = study.tables["structures"], study.geometries("structures")
    if not len(shapes):
        return None
    metres = study.plane.metres(point, shapes)
    alike = (table["kind"] == kind).to_numpy() & (metres <= study.snap_m)
    if not alike.any():
        return None
    one = int(np.flatnonzero(alike)[0])
    return f"lies {metres[one]:.1f} m from {table['id'].iloc[one]}: let the line end there instead"


def _sites_about(ground: Ground, point: Any) -> list[str]:
    """Sites whose outline holds a point."""
    sites = ground.study.tables["sites"]["id"].to_numpy()
    shapes = ground.study.geometries("sites")
    area = shapely.get_dimensions(shapes) == AREA
    return [str(name) for name in sites[area & shapely.covers(shapes, point)]]


def _end(
    ground: Ground,
    where: Places,
    new: dict[str, Any],
    frame: pd.DataFrame,
    row: int,
    line: Any,
    name: str,
    column: str,
    vertex: int,
    faults: list[str],
) -> str | None:
    """The structure or site at an end of a given candidate, stated or the nearest."""
    study, assets = ground.study, ground.network.assets
    stated = _text(frame, column, row)
    if stated is not None:
        number = int(assets.numbers([stated])[0])
        roles = ("sites", "structures")
        if stated in new or (number >= 0 and assets.frame["role"].iloc[number] in roles):
            return stated
        faults.append(
            f"candidate {name}: its end {column} is stated at {stated}, no structure or site"
        )
        return None
    point = shapely.get_point(line, vertex)
    found: list[tuple[float, str]] = [
        (float(study.plane.metres(point, one)[0]), other) for other, one in new.items()
    ]
    near = where.tree.query_nearest(point)
    metres = study.plane.metres(point, where.geometry[near])
    found += zip(metres.tolist(), map(str, ground.names[where.number[near]]), strict=True)
    found = [one for one in found if one[0] <= study.snap_m]
    if not found:
        faults.append(
            f"candidate {name}: its end {column} meets no structure or site within "
            f"{study.snap_m:g} m; state {column}, or move it"
        )
        return None
    return min(found, key=lambda one: one[0])[1]


def made_up(
    grounds: Grounds, space: Space, proof: NoPairProof, held: Held, terms: Terms
) -> list[Segment]:
    """Segments between near structures on either side of a cut of the proof.

    Parameters
    ----------
    grounds : Grounds
        The longest length, corridors, areas and greatest number of its candidates hold.
    space : Space
        The search graph that the proof is about.
    proof : NoPairProof
    held : Held
        What the cut of the proof holds: no segment lies in it or runs along it.
    terms : Terms
        What the paths may not use.

    Returns
    -------
    list of Segment
        Shortest first. For each structure of either side only its nearest partner counts, so
        that the candidates lie apart from each other. Along corridors where some of them join
        the sides of a cut, else straight. Where paths exist that are only too long, short cuts
        along corridors: straight ones could lead from anywhere to anywhere.
    """
    ground, candidates = grounds.plant.ground, grounds.candidates
    where = places(ground.study, ground.network.assets)
    position = {int(number): place for place, number in enumerate(where.number.tolist())}
    points = shapely.centroid(where.geometry)
    found: dict[tuple[str, str], Segment] = {}
    for leaf in proof.leaves():
        long = isinstance(leaf, (Beyond, Listed))
        if long and not len(candidates.along):
            continue
        names = [name for risk in leaf.avoid for name in space.risks.assets[risk]]
        share = 1.0
        if isinstance(leaf, Beyond) and leaf.least > 0:
            share = leaf.most / leaf.least
        at = share if long else None
        for side in _two_sides(ground, space, names, terms, points, position, at):
            if not side.one or not side.other:
                continue
            routes = list(_along(grounds, held, where, points, side))
            straight = () if long else _straight(grounds, held, where, points, side)
            for segment in routes or straight:
                found.setdefault((segment.a, segment.b), segment)
    taken = {str(name) for name in ground.names}
    segments = sorted(found.values(), key=lambda one: (one.length_m, one.a, one.b))
    free = [one for one in segments if one.id not in taken and one.cable not in taken]
    return [_lying(grounds, one) for one in free[: candidates.most]]


def _lying(grounds: Grounds, segment: Segment) -> Segment:
    """A generated segment with what it lies in."""
    within, relied = grounds.laid(segment.kind, segment.line)
    return replace(segment, within=within, relied=relied)


def _straight(
    grounds: Grounds,
    held: Held,
    where: Places,
    points: np.ndarray,
    sides: _Sides,
) -> Iterator[Segment]:
    """Straight segments from each structure of a side to the nearest of the other that will do."""
    ground = grounds.plant.ground
    for mine, theirs in ((sides.one, sides.other), (sides.other, sides.one)):
        here, there = (shapely.get_coordinates(points[list(side)]) for side in (mine, theirs))
        near = KDTree(there).query(here, k=min(_PARTNERS, len(theirs)))[1].reshape(len(mine), -1)
        for place, partners in zip(mine, near.tolist(), strict=True):
            for partner in (theirs[number] for number in partners):
                ends = [points[place], points[partner]]
                line = shapely.LineString([shapely.get_coordinates(end)[0] for end in ends])
                if place == partner or not shapely.length(line) > 0:
                    continue
                if ground_m(ground.study.plane, line) > grounds.candidates.longest_m:
                    break
                a, b = (int(where.number[at]) for at in (place, partner))
                segment = _made(grounds, a, b, line, "straight")
                if not grounds.barred(line) and held.why_out(line, segment.kind) is None:
                    yield segment
                    break


def _along(
    grounds: Grounds,
    held: Held,
    where: Places,
    points: np.ndarray,
    sides: _Sides,
) -> Iterator[Segment]:
    """Segments along corridors from each structure of a side to the nearest of the other."""
    ground, candidates = grounds.plant.ground, grounds.candidates
    if not len(candidates.along):
        return
    every = sorted({*sides.one, *sides.other})
    name = {place: str(ground.names[where.number[place]]) for place in every}
    place_of = {mine: place for place, mine in name.items()}
    corridors = corridors_of(
        ground.study.plane,
        ground.study.plane.flat(in_degrees(candidates.along)),
        {name[place]: points[place] for place in every},
        grounds.forbidden,
    )
    for mine, theirs in ((sides.one, sides.other), (sides.other, sides.one)):
        ends = [name[place] for place in theirs]
        for start in _led(corridors, [name[place] for place in mine]):
            a = int(where.number[place_of[start]])

            def objection(line: Any, kind: str = _kind(ground, {}, start)) -> Any:
                out = held.why_out(line, kind)
                return None if out is None else out.stretch.shape

            for end, route in corridors.routes(start, ends, candidates.longest_m, objection):
                b = int(where.number[place_of[end]])
                segment = _made(grounds, a, b, route.line, "along", route.leads_m)
                if not sides.serves(place_of[start], place_of[end], segment.length_m):
                    continue
                if not grounds.barred(route.line) and (
                    held.why_out(segment.line, segment.kind) is None
                ):
                    yield segment
                    break


def _led(corridors: Corridors, names: Sequence[str]) -> list[str]:
    """Structures that are led to corridors, those with the shortest leads first."""
    led = [name for name in names if name in corridors.lead_m]
    return sorted(led, key=lambda name: (corridors.lead_m[name], name))[:_MOST_LED]


def _made(
    grounds: Grounds, a: int, b: int, line: Any, course: Course, leads_m: tuple[float, ...] = ()
) -> Segment:
    """A generated segment, its ends in the order of their numbers; what it lies in comes later."""
    ground = grounds.plant.ground
    if a > b:
        a, b, line, leads_m = b, a, shapely.reverse(line), leads_m[::-1]
    names = str(ground.names[a]), str(ground.names[b])
    kind = _kind(ground, {}, *names)
    length = ground_m(ground.study.plane, line)
    name = f"new-{names[0]}-{names[1]}"
    return Segment(name, kind, *names, line, length, length, course=course, leads_m=leads_m)


@dataclass(frozen=True)
class _Sides:
    """Places on either side of a cut, or, where the ends are joined, near either end.

    Attributes
    ----------
    one, other : list of int
        Rows of `places`.
    from_one, from_other : dict of int to float
        Of joined ends: metres from each place to its end.
    most_m : float or None
        So long a path between joined ends may be in the end; None over a cut.
    """

    one: list[int]
    other: list[int]
    from_one: Mapping[int, float] = field(default_factory=dict)
    from_other: Mapping[int, float] = field(default_factory=dict)
    most_m: float | None = None

    def serves(self, a: int, b: int, length_m: float) -> bool:
        """Whether a segment between two places, one of each side, shortens the path enough."""
        if self.most_m is None:
            return True
        return any(
            self.from_one.get(here, np.inf) + length_m + self.from_other.get(there, np.inf)
            < self.most_m
            for here, there in ((a, b), (b, a))
        )


def in_degrees(given: Any) -> np.ndarray:
    """Geometries of a caller in longitude and latitude: turned where they state another CRS."""
    if getattr(given, "crs", None) is not None:
        given = given.to_crs(LON_LAT)
    shapes = getattr(given, "geometry", given)
    return np.asarray(list(shapes), dtype=object)


def _two_sides(
    ground: Ground,
    space: Space,
    avoid: Sequence[str],
    terms: Terms,
    points: np.ndarray,
    position: Mapping[int, int],
    share: float | None,
) -> Iterator[_Sides]:
    """Places that fibres reach from either end, of each circuit, over what paths may use.

    What the cut names, what is to be avoided, what a record gap touches and what is out of
    service they may not rely on, except for what the ends themselves rely on. With a `share` the
    ends are joined, but a path must be shorter than this share of the shortest on record.
    """
    nodes = cable_nodes(ground.network).sort_values(["cable", "position"])
    nodes = nodes[nodes["node"] >= 0]
    assets = ground.network.assets
    count = len(assets)
    columns = ground.down.copy()
    numbers = assets.numbers([*avoid, *sorted(terms.avoid)])
    columns[numbers[numbers >= 0]] = True
    columns[[column for column in ground.gap_of if column < count]] = True
    exempt = assets.numbers(space.risks.exempt)
    columns[exempt[exempt >= 0]] = False
    hit = rows_hitting(ground.reliance.closed, columns)
    free = np.array([len(one) >= terms.fibres for one in ground.stretches.free], dtype=bool)
    usable = free & ~hit[assets.of_role("cables")]
    one, other = nodes.iloc[:-1], nodes.iloc[1:]
    cable = one["cable"].to_numpy()
    joined_ = (cable == other["cable"].to_numpy()) & usable[cable]
    leads = assets.start["segments"] + other["segment"].to_numpy()
    u, v = one["node"].to_numpy(), other["node"].to_numpy()
    joined_ &= ~hit[u] & ~hit[v] & ~hit[leads]
    u, v = u[joined_], v[joined_]
    part = connected_components(boolean(u, v, (count, count)), directed=False)[1]
    met = np.unique(np.r_[u, v])
    for ends in dict.fromkeys((member.a, member.b) for member in space.members):
        starts = [_of_end(ground, end, hit) for end in ends]
        if share is not None:
            yield _near_ends(ground, u, v, starts, points, position, share)
            continue
        parts = [{int(part[place]) for place in here} for here in starts]
        sides = [
            {*(int(n) for n in met if int(part[n]) in mine), *here, ground.site_of[end]}
            for mine, here, end in zip(parts, starts, ends, strict=True)
        ]
        both = sides[0] & sides[1]
        near, far = ([position[n] for n in sorted(side - both) if n in position] for side in sides)
        yield _Sides(near, far)


def _of_end(ground: Ground, end: int, hit: Bools) -> list[int]:
    """Places at which cables come to the site of an end."""
    site = ground.site_of[end]
    return [
        int(place)
        for places_, sites in (
            (ground.stretches.a, ground.stretches.site_a),
            (ground.stretches.b, ground.stretches.site_b),
        )
        for place in places_[sites == site]
        if not hit[place]
    ]


def _near_ends(
    ground: Ground,
    u: Ints,
    v: Ints,
    starts: Sequence[Sequence[int]],
    points: np.ndarray,
    position: Mapping[int, int],
    share: float,
) -> _Sides:
    """Places from which a short cut to the other end would be short enough; none without a path."""
    count = len(ground.network.assets)
    at = np.array([position.get(n, -1) for n in range(count)])
    placed = (at[u] >= 0) & (at[v] >= 0)
    u, v = np.minimum(u, v)[placed], np.maximum(u, v)[placed]
    metres = np.maximum(ground.study.plane.metres(points[at[u]], points[at[v]]), 1e-3)
    least = pd.Series(metres).groupby([u, v]).min()
    ends = (least.index.get_level_values(0), least.index.get_level_values(1))
    both = coo_array((least.to_numpy(), ends), shape=(count, count)).tocsr()
    far = [
        dijkstra(both, directed=False, indices=sorted(set(here)), min_only=True)
        if here
        else np.full(count, np.inf)
        for here in starts
    ]
    shortest = float(np.min(far[0] + far[1]))
    if not np.isfinite(shortest):
        return _Sides([], [])
    most = min(share, 1.0) * shortest
    near = [
        {position[int(n)]: float(one[n]) for n in np.flatnonzero(one < most) if int(n) in position}
        for one in far
    ]
    return _Sides(sorted(near[0]), sorted(near[1]), near[0], near[1], most)


def _kind(ground: Ground, new: Mapping[str, NewStructure], *ends: str) -> str:
    """A span between what spans hang on, else a duct."""
    assets = ground.network.assets
    kinds = {
        new[end].kind
        if end in new
        else str(assets.frame["kind"].iloc[int(assets.numbers([end])[0])])
        for end in ends
    }
    return "span" if kinds <= OVERHEAD else "duct"


def with_segments(ground: Ground, segments: Sequence[Segment], *, searched: bool = False) -> Draft:
    """Rows of new segments, each with a cable of its own in it, and of new structures.

    Parameters
    ----------
    ground : Ground
    segments : sequence of Segment
    searched : bool
        True: a segment lies in all that it may lie in by its place, so that what nobody knows of it
        stops no search. False: its row as it is proposed, blank where that is not on record.

    Returns
    -------
    Draft
        The cables have the study's most common fibre type.
    """
    draft = Draft()
    types = ground.study.tables["cables"]["fibre_type"].dropna()
    fibre_type = str(types.mode().iloc[0]) if len(types) else None
    for new in {one.id: one for segment in segments for one in segment.new}.values():
        within = (new.within or KNOWN_EMPTY) if searched else new.within
        draft.add("structures", id=new.id, kind=new.kind, within=within, geometry=new.lonlat)
        draft.work.append(
            {"circuit": None, "what": "build", "at": new.id, "text": f"build {new.kind} {new.id}"}
        )
    for one in segments:
        draft.add(
            "segments",
            id=one.id,
            kind=one.kind,
            a=one.a,
            b=one.b,
            within=one.relied if searched else one.within,
            geometry=ground.study.plane.shapes_in_degrees(np.array([one.line]))[0],
        )
        draft.add(
            "cables",
            id=one.cable,
            fibre_type=fibre_type,
            fibre_count=FIBRES,
            kind="adss" if one.kind == "span" else "duct",
        )
        draft.add("cable_runs", cable=one.cable, seq=1, segment=one.id)
        draft.work.append(
            {
                "circuit": None,
                "what": "build",
                "at": one.a,
                "text": f"build {one.kind} {one.id} from {one.a} to {one.b}, "
                f"{one.length_m:.0f} m, with a cable of {FIBRES} fibres",
            }
        )
    return draft
