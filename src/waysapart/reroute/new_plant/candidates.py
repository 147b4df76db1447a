"""Candidates for new segments: given ones, or short ones across the cut of a proof."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
import shapely
from pyproj import Geod
from scipy.sparse.csgraph import connected_components

from waysapart.arrays import boolean
from waysapart.errors import CallError
from waysapart.network.ends import places
from waysapart.network.lengths import positions_deg
from waysapart.reroute.new_plant.costs import given_costs
from waysapart.reroute.plant.cable_sections import cable_nodes
from waysapart.reroute.plant.context import Ground, rows_hitting
from waysapart.reroute.plant.search_graph import Space
from waysapart.reroute.proposal_rows import Draft
from waysapart.reroute.search.no_pair_proof import Beyond, Listed, NoPairProof
from waysapart.study.crs import LON_LAT
from waysapart.study.plane import Plane

OVERHEAD = frozenset({"tower", "gantry", "pole"})
FIBRES = 24
"""Fibres of a new cable; common practice, no source."""
_GEOD = Geod(ellps="WGS84")


@dataclass(frozen=True)
class Candidates:
    """How to look for something to build.

    Attributes
    ----------
    lines : GeoDataFrame or None
        Given candidates, with optional columns `id`, `kind`, `a`, `b` and `cost`; longitude and
        latitude on WGS 84 where it states no CRS. None: short ones are generated.
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
    """

    lines: Any = None
    longest_m: float = 2000.0
    forbidden: Sequence[Any] = ()
    budget: float | None = None
    most: int = 40
    wanted: bool = True


@dataclass(frozen=True)
class Segment:
    """A candidate: its ends as asset numbers, its line in the study's plane, length and cost.

    `given` is the cost that it states itself. `cost` ranks it in searches; where it is not `priced`
    that is no cost that anybody stated.
    """

    id: str
    kind: str
    a: int
    b: int
    line: Any = field(repr=False)
    length_m: float
    cost: float
    given: float | None = None
    priced: bool = True

    @property
    def cable(self) -> str:
        """Id of the cable that it would hold."""
        return f"{self.id}-cable"


def given_segments(ground: Ground, candidates: Candidates) -> list[Segment]:
    """Candidates of a layer, tied to the structures or sites at their ends.

    Parameters
    ----------
    ground : Ground
    candidates : Candidates
        Its `lines`: one candidate in a row.

    Returns
    -------
    list of Segment
        In the order of the rows.

    Raises
    ------
    CallError
        A line is missing or not single, an id is taken, or an end meets no structure and no site.
    """
    frame = pd.DataFrame(candidates.lines).reset_index(drop=True)
    lines = ground.study.plane.flat(in_degrees(candidates.lines))
    where = places(ground.study, ground.network.assets)
    taken = {str(name) for name in ground.names}
    found = []
    names = [
        str(frame["id"].iloc[row]) if "id" in frame else f"new-{row + 1}"
        for row in range(len(frame))
    ]
    given = given_costs(frame, names)
    for row in range(len(frame)):
        line = lines[row]
        if line is None or shapely.get_type_id(line) != 1:
            raise CallError(f"candidate {row + 1} is not a single line")
        name = names[row]
        if name in taken:
            raise CallError(f"candidate {name}: that id is taken; candidates need ids of their own")
        ends = []
        for column, at in (("a", 0), ("b", -1)):
            stated = frame[column].iloc[row] if column in frame else None
            if isinstance(stated, str) and stated:
                number = int(ground.network.assets.numbers([stated])[0])
            else:
                point = shapely.get_point(line, at)
                near = where.tree.query_nearest(point)
                plane, snap_m = ground.study.plane, ground.study.snap_m
                near = near[plane.metres(point, where.geometry[near]) <= snap_m]
                number = int(where.number[near[0]]) if len(near) else -1
            if number < 0:
                raise CallError(
                    f"candidate {name}: its end {column} meets no structure or site within "
                    f"{ground.study.snap_m:g} m; state {column}, or move it"
                )
            ends.append(number)
        kind = frame["kind"].iloc[row] if "kind" in frame else None
        length = _length_m(ground, line)
        found.append(
            Segment(
                name,
                kind if isinstance(kind, str) else _kind(ground, *ends),
                ends[0],
                ends[1],
                line,
                length,
                length,
                given[row],
            )
        )
    return found


def made_up(
    ground: Ground, space: Space, proof: NoPairProof, candidates: Candidates
) -> list[Segment]:
    """Straight segments between near structures on either side of a cut of the proof.

    Parameters
    ----------
    ground : Ground
    space : Space
        The search graph that the proof is about.
    proof : NoPairProof
    candidates : Candidates
        Its longest length, areas to avoid and greatest number hold.

    Returns
    -------
    list of Segment
        Shortest first. For each structure of either side only its nearest partner counts, so
        that the candidates lie apart from each other.
    """
    found: dict[tuple[int, int], float] = {}
    where = places(ground.study, ground.network.assets)
    position = {int(number): place for place, number in enumerate(where.number.tolist())}
    for leaf in proof.leaves():
        if isinstance(leaf, (Beyond, Listed)):
            continue
        names = [name for risk in leaf.avoid for name in space.risks.assets[risk]]
        near, far = _two_sides(ground, space, names)
        one = [position[n] for n in near if n in position]
        other = [position[n] for n in far if n in position]
        if not one or not other:
            continue
        for mine, theirs in ((one, other), (other, one)):
            tree = shapely.STRtree(where.geometry[theirs])
            i, j, metres = _nearest(
                ground.study.plane, tree, where.geometry, mine, theirs, candidates.longest_m
            )
            for left, right, length in zip(i, j, metres, strict=True):
                a, b = sorted((int(where.number[mine[left]]), int(where.number[theirs[right]])))
                if a != b and length > 0:
                    found[a, b] = float(length)
    taken = {str(name) for name in ground.names}
    segments: list[Segment] = []
    barred = shapely.STRtree(ground.study.plane.flat(in_degrees(candidates.forbidden)))
    for (a, b), _ in sorted(found.items(), key=lambda item: (item[1], item[0])):
        ends = [shapely.centroid(where.geometry[position[n]]) for n in (a, b)]
        line = shapely.LineString([shapely.get_coordinates(end)[0] for end in ends])
        if len(barred.query(line, predicate="intersects")):
            continue
        name = f"new-{ground.names[a]}-{ground.names[b]}"
        if name in taken or f"{name}-cable" in taken:
            continue
        length = _length_m(ground, line)
        segments.append(Segment(name, _kind(ground, a, b), a, b, line, length, length))
        if len(segments) == candidates.most:
            break
    return segments


def in_degrees(given: Any) -> np.ndarray:
    """Geometries of a caller in longitude and latitude: turned where they state another CRS."""
    if getattr(given, "crs", None) is not None:
        given = given.to_crs(LON_LAT)
    shapes = getattr(given, "geometry", given)
    return np.asarray(list(shapes), dtype=object)


def _nearest(
    plane: Plane,
    tree: shapely.STRtree,
    shapes: np.ndarray,
    mine: Sequence[int],
    theirs: Sequence[int],
    longest_m: float,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The nearest of `theirs` to each of `mine`, and how far it is, up to a length."""
    i, j = tree.query_nearest(shapes[mine], all_matches=False)
    metres = plane.metres(shapes[mine][i], shapes[theirs][j])
    near = metres <= longest_m
    return i[near], j[near], metres[near]


def _two_sides(ground: Ground, space: Space, avoid: list[str]) -> tuple[set[int], set[int]]:
    """Places that fibres reach from either end without relying on what must be avoided."""
    nodes = cable_nodes(ground.network).sort_values(["cable", "position"])
    nodes = nodes[nodes["node"] >= 0]
    count = len(ground.network.assets)
    numbers = ground.network.assets.numbers(avoid)
    columns = np.zeros(count, dtype=bool)
    columns[numbers[numbers >= 0]] = True
    hit = rows_hitting(ground.reliance.closed, columns)
    free = np.array([len(one) > 0 for one in ground.stretches.free])
    cables = ground.network.assets.of_role("cables")
    usable = free & ~hit[cables]
    gaps = [column for column in ground.gap_of if cables.start <= column < cables.stop]
    usable[np.array(gaps, dtype=np.int64) - cables.start] = False
    one, other = nodes.iloc[:-1], nodes.iloc[1:]
    cable = one["cable"].to_numpy()
    joined = (cable == other["cable"].to_numpy()) & usable[cable]
    leads = ground.network.assets.start["segments"] + other["segment"].to_numpy()
    u, v = one["node"].to_numpy(), other["node"].to_numpy()
    joined &= ~hit[u] & ~hit[v] & ~hit[leads]
    graph = boolean(u[joined], v[joined], (count, count))
    part = connected_components(graph, directed=False)[1]
    member = space.members[0]
    sides = []
    met = np.unique(np.r_[u[joined], v[joined]])
    for end in (member.a, member.b):
        site = ground.site_of[end]
        here = [
            int(place)
            for places_, sites in (
                (ground.stretches.a, ground.stretches.site_a),
                (ground.stretches.b, ground.stretches.site_b),
            )
            for place in places_[sites == site]
        ]
        parts = {int(part[place]) for place in here if not hit[place]}
        inside = {int(n) for n in met if int(part[n]) in parts} | {p for p in here if not hit[p]}
        sides.append({*inside, site})
    return sides[0] - sides[1], sides[1] - sides[0]


def _kind(ground: Ground, a: int, b: int) -> str:
    kinds = ground.network.assets.frame["kind"]
    return "span" if {kinds.iloc[a], kinds.iloc[b]} <= OVERHEAD else "duct"


def _length_m(ground: Ground, line: Any) -> float:
    lonlat = positions_deg(ground.study, np.array([line], dtype=object))
    return float(_GEOD.geometry_length(lonlat[0]))


def with_segments(ground: Ground, segments: Sequence[Segment]) -> Draft:
    """Rows of new segments, each with a cable of its own in it.

    Parameters
    ----------
    ground : Ground
    segments : sequence of Segment

    Returns
    -------
    Draft
        The cables have the study's most common fibre type.
    """
    draft = Draft()
    types = ground.study.tables["cables"]["fibre_type"].dropna()
    fibre_type = str(types.mode().iloc[0]) if len(types) else None
    names = ground.names
    for one in segments:
        draft.add(
            "segments",
            id=one.id,
            kind=one.kind,
            a=str(names[one.a]),
            b=str(names[one.b]),
            within="-",
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
                "at": str(names[one.a]),
                "text": f"build {one.kind} {one.id} from {names[one.a]} to {names[one.b]}, "
                f"{one.length_m:.0f} m, with a cable of {FIBRES} fibres",
            }
        )
    return draft
