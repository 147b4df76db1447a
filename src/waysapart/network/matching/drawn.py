"""Match one drawn cable: the pieces of plant along its course, and the chain that it follows.

`draw` finds the chain; `runs_of`, `distances_m` and `in_any_case` say what follows from it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely

from waysapart.arrays import Floats, Ints
from waysapart.network.assets import Assets, Holders
from waysapart.network.matching.frechet import (
    Course,
    NearStretches,
    follows,
    near_areas,
    near_points,
)
from waysapart.network.matching.match_graph import Chain, SegmentPieces, Strand, Web, stretch
from waysapart.study.model import Study
from waysapart.study.plane import Plane

_LEAST_ADVANCE = 0.5
"""Least advance along the course of a piece: share of its chord, or of the tolerance if less.

A stub shorter than the tolerance lies near the course whatever its direction.
"""
_TOUCH_M = 1e-6


FOLLOWED, CANDIDATE = "followed", "candidate"


@dataclass(frozen=True)
class Plant:
    """The plant to which all cables are matched.

    Attributes
    ----------
    assets : Assets
    holders : callable
        From an asset number to the numbers of everything that it lies in.
    pieces : SegmentPieces
    tree : STRtree
        Of `lines`.
    lines : ndarray of LineString, shape (segments,)
        In the study's plane.
    names : ndarray of str, shape (segments,)
    shapes : ndarray of Geometry, shape (assets,)
        From `node_shapes`.
    snap_m : float
    """

    assets: Assets
    holders: Holders
    pieces: SegmentPieces
    tree: shapely.STRtree
    lines: np.ndarray
    names: np.ndarray
    shapes: np.ndarray
    snap_m: float
    plane: Plane


@dataclass(frozen=True)
class Drawn:
    """One cable's course, the strands along it, and the chain that it follows.

    Attributes
    ----------
    cable : int
    course : Course
    tolerance_m : float
        Greatest distance from the course that any segment beside it may have.
    web : Web
    visits : Visits
    chain : Chain
    """

    cable: int
    course: Course
    tolerance_m: float
    web: Web
    visits: Visits
    chain: Chain


@dataclass(frozen=True)
class StrandRun:
    """Consecutive strands of one segment in one direction, joined.

    Attributes
    ----------
    seq : int
        Place in the chain; candidates for one stretch have the same.
    state : str
        `FOLLOWED` or `CANDIDATE`.
    segment : int
    entry, exit : int
        Nodes, as in `SegmentPieces`.
    start, stop : float
        Fractions of the segment's line.
    low, high : float
        Chainages along the course, in metres.
    """

    seq: int
    state: str
    segment: int
    entry: int
    exit: int
    start: float
    stop: float
    low: float
    high: float


def node_shapes(study: Study, assets: Assets) -> np.ndarray:
    """Return the geometries of structures and sites by asset number.

    Parameters
    ----------
    study : Study
    assets : Assets

    Returns
    -------
    ndarray of Geometry, shape (assets,)
        None for other assets.
    """
    shapes = np.full(len(assets), None, dtype=object)
    for role in ("sites", "structures"):
        shapes[assets.of_role(role)] = study.geometries(role)
    return shapes


def draw(
    plant: Plant, cable: int, line: shapely.LineString, segments: Ints, reach: Floats
) -> Drawn:
    """Find the chain that one cable follows.

    Parameters
    ----------
    plant : Plant
    cable : int
    line : LineString
        As the cable is drawn, in the study's plane.
    segments : ndarray of int, shape (n,)
        Those near it, ascending.
    reach : ndarray of float, shape (n,)
        How far each may lie from the line, in metres.

    Returns
    -------
    Drawn
    """
    pieces = plant.pieces
    course = Course(line, plant.plane)
    number = pieces.of_segments(segments)
    tolerance = float(reach.max(initial=plant.snap_m))
    nodes = np.unique(np.r_[pieces.begin[number], pieces.end[number]])
    nodes = nodes[nodes >= 0]
    strands, visits = _strands_beside(
        course,
        pieces,
        number,
        reach[np.searchsorted(segments, pieces.segment[number])],
        nodes,
        plant.shapes[nodes],
        tolerance * plant.plane.scale_at(plant.shapes[nodes]),
    )
    web = Web(strands, course.length_m, 2 * tolerance)
    web = web.without(_needless_holders(plant, web))
    chain = web.chain(lambda one, other: _related(plant, one, other))
    return Drawn(cable, course, tolerance, web, visits, chain)


def _related(plant: Plant, one: int, other: int) -> bool:
    """Whether a piece's segment is, or lies in, that of another."""
    start, segment = plant.assets.start["segments"], plant.pieces.segment
    first, second = start + int(segment[one]), start + int(segment[other])
    return first == second or first in plant.holders(second) or second in plant.holders(first)


def _needless_holders(plant: Plant, web: Web) -> set[int]:
    """Strands to be left out since strands of segments within theirs connect the same nodes."""
    start, segment = plant.assets.start["segments"], plant.pieces.segment
    asset = [start + int(segment[strand.piece]) for strand in web.strands]
    held: dict[int, set[int]] = {}
    here = set(asset)
    for inner in here:
        for holder in plant.holders(inner) & here:
            held.setdefault(holder, set()).add(inner)
    return {
        number
        for number, holder in enumerate(asset)
        if holder in held
        and web.between(number, lambda other, inside=held[holder]: asset[other] in inside)  # type: ignore[misc]
    }


def runs_of(plant: Plant, drawn: Drawn) -> list[StrandRun]:
    """List the segments that a cable follows, and those that it may follow, in order.

    Parameters
    ----------
    plant : Plant
    drawn : Drawn

    Returns
    -------
    list of StrandRun
        Pieces of one segment are joined.
    """
    found: list[StrandRun] = []
    seq = 0
    for step in drawn.chain.steps:
        if step.others:
            seq += 1
            strands = drawn.web.strands
            order = sorted(
                (step.strand, *step.others),
                key=lambda s: (plant.pieces.segment[strands[s].piece], strands[s].backward, s),
            )
            group: list[StrandRun] = []
            for strand in order:
                _append(group, _run(plant, drawn, strand, seq, CANDIDATE))
            found += group
        else:
            run = _run(plant, drawn, step.strand, seq + 1, FOLLOWED)
            seq += _append(found, run)
    return found


def _run(plant: Plant, drawn: Drawn, number: int, seq: int, state: str) -> StrandRun:
    strand, pieces = drawn.web.strands[number], plant.pieces
    ends = float(pieces.start[strand.piece]), float(pieces.stop[strand.piece])
    start, stop = ends[::-1] if strand.backward else ends
    return StrandRun(
        seq,
        state,
        int(pieces.segment[strand.piece]),
        drawn.visits.node[strand.begin],
        drawn.visits.node[strand.end],
        start,
        stop,
        strand.low,
        strand.high,
    )


def _append(runs: list[StrandRun], run: StrandRun) -> bool:
    """Add a run, or extend the last one by it; True where it was added."""
    last = runs[-1] if runs else None
    extends = (
        last is not None
        and (last.segment, last.state, last.stop, last.exit)
        == (run.segment, run.state, run.start, run.entry)
        and (last.start < last.stop) == (run.start < run.stop)
    )
    if extends and last is not None:
        runs[-1] = replace(last, exit=run.exit, stop=run.stop, high=run.high)
    else:
        runs.append(run)
    return not extends


def distances_m(plant: Plant, drawn: Drawn, runs: list[StrandRun]) -> Floats:
    """Measure how far runs lie from their stretches of the course (Hausdorff distance).

    Parameters
    ----------
    plant : Plant
    drawn : Drawn
    runs : list of StrandRun

    Returns
    -------
    ndarray of float, shape (runs,)
        Metres.
    """
    along = plant.lines[[run.segment for run in runs]] if runs else np.empty(0, dtype=object)
    for place, run in enumerate(runs):
        low, high = sorted((run.start, run.stop))
        if low > 0.0 or high < 1.0:
            points = shapely.get_coordinates(plant.lines[run.segment])
            at_m = plant.plane.chainage(points, np.zeros(len(points), dtype=np.int64))
            along[place] = shapely.LineString(stretch(points, at_m, low, high))
    course = [drawn.course.stretch(run.low, run.high)[0] for run in runs]
    owner = np.repeat(np.arange(len(runs)), [len(points) for points in course])
    flat = np.array([point for points in course for point in points]).reshape(-1, 2)
    away = shapely.hausdorff_distance(along, shapely.linestrings(flat, indices=owner))
    return np.asarray(away / plant.plane.scale_at(along), dtype=np.float64)


def in_any_case(plant: Plant, drawn: Drawn) -> set[int]:
    """Find what the cable relies on in any case where its route is not certain.

    Parameters
    ----------
    plant : Plant
    drawn : Drawn

    Returns
    -------
    set of int
        Asset numbers.
    """
    found = {drawn.visits.node[visit] for visit in drawn.chain.visits}
    for step in drawn.chain.steps:
        if not step.others:
            continue
        among = (step.strand, *step.others)
        if drawn.chain.breaks:
            found |= frozenset.intersection(*(_items(plant, drawn, s) for s in among))
        else:
            found |= drawn.web.unavoidable(among, lambda s: _items(plant, drawn, s))
    return {asset for asset in found if asset >= 0}


def _items(plant: Plant, drawn: Drawn, number: int) -> frozenset[int]:
    """A strand's segment, its two nodes, and everything that these lie in."""
    strand = drawn.web.strands[number]
    own = {
        plant.assets.start["segments"] + int(plant.pieces.segment[strand.piece]),
        drawn.visits.node[strand.begin],
        drawn.visits.node[strand.end],
    }
    held: set[int] = set()
    for asset in own:
        if asset >= 0:
            held |= plant.holders(asset)
    return frozenset(own | held)


@dataclass(frozen=True)
class Visits:
    """Stretches of a course within reach of a node; a node may have several.

    Attributes
    ----------
    node : list of int
        Node of each visit.
    low, high : list of float
        Chainages of each visit, in metres.
    of_near : list of int
        Visit to which each stretch near a piece's end belongs.
    """

    node: list[int]
    low: list[float]
    high: list[float]
    of_near: list[int]


def _strands_beside(
    course: Course,
    pieces: SegmentPieces,
    number: Ints,
    reach_m: Floats,
    nodes: Ints,
    shapes: np.ndarray,
    node_reach: Floats,
) -> tuple[list[Strand], Visits]:
    """Find the pieces that stay within reach of a stretch of the course and advance along it.

    Parameters
    ----------
    course : Course
    pieces : SegmentPieces
    number : ndarray of int
        The pieces to look at.
    reach_m : ndarray of float
        How far each of them may lie from the course, in metres.
    nodes, shapes : ndarray
        Structures and sites at their ends (asset numbers) and their geometries.
    node_reach : ndarray of float
        How far the course may lie from each of those, in the plane.

    Returns
    -------
    list of Strand
    Visits
        `Strand.begin` and `Strand.end` are positions in it.
    """
    scale = pieces.scale[number]
    wide = reach_m * scale
    near = near_points(
        course,
        np.vstack([pieces.begin_at[number], pieces.end_at[number]]),
        np.r_[wide, wide],
    )
    visits = _visits(
        course,
        near,
        np.r_[pieces.begin[number], pieces.end[number]][near.which],
        nodes,
        shapes,
        node_reach,
    )
    count = len(number)
    chord = np.hypot(*(pieces.begin_at[number] - pieces.end_at[number]).T) / scale
    least = _LEAST_ADVANCE * np.minimum(chord, reach_m)
    bounds = np.searchsorted(near.which, np.arange(2 * count + 1)).tolist()
    one, two = _pairs(bounds, count)
    backward = near.at[one] > near.at[two]
    first, last = np.where(backward, two, one), np.where(backward, one, two)
    advance = near.at[last] - near.at[first]
    fits = (advance > _TOUCH_M) & (advance >= least[near.which[one]])
    found = []
    for begin, end, turned in zip(
        first[fits].tolist(), last[fits].tolist(), backward[fits].tolist(), strict=True
    ):
        place = int(near.which[begin]) % count
        piece = int(number[place])
        line = pieces.lines[piece].tolist()
        if follows(
            course,
            line[::-1] if turned else line,
            (float(near.low[begin]), float(near.high[begin])),
            (float(near.low[end]), float(near.high[end])),
            float(wide[place]),
        ):
            leaves, comes = visits.of_near[begin], visits.of_near[end]
            found.append(
                Strand(
                    piece,
                    turned,
                    leaves,
                    comes,
                    float(near.at[begin]),
                    float(near.at[end]),
                    visits.low[leaves] <= _TOUCH_M,
                    visits.high[comes] >= course.length_m - _TOUCH_M,
                )
            )
    return found, visits


def _pairs(bounds: list[int], count: int) -> tuple[Ints, Ints]:
    """All pairs of a stretch near a piece's first vertex and one near its last."""
    pairs = [
        (one, two)
        for place in range(count)
        for one in range(bounds[place], bounds[place + 1])
        for two in range(bounds[place + count], bounds[place + count + 1])
    ]
    table = np.array(pairs, dtype=np.int64).reshape(-1, 2)
    return table[:, 0], table[:, 1]


def _visits(
    course: Course, near: NearStretches, node: Ints, nodes: Ints, shapes: np.ndarray, reach: Floats
) -> Visits:
    """Stretches near a node and near the ends of pieces at it, joined where they overlap."""
    is_point = shapely.get_type_id(shapes) == 0
    at_points = near_points(course, shapely.get_coordinates(shapes[is_point]), reach[is_point])
    areas = shapes[~is_point]
    in_areas = near_areas(course, areas, reach[~is_point])
    every = np.r_[node, nodes[is_point][at_points.which], nodes[~is_point][in_areas.which]]
    low = np.r_[near.low, at_points.low, in_areas.low]
    high = np.r_[near.high, at_points.high, in_areas.high]
    order = np.lexsort((low, every))
    of_near = [-1] * len(near.which)
    owner: list[int] = []
    lows: list[float] = []
    highs: list[float] = []
    for row in order.tolist():
        fresh = not owner or owner[-1] != every[row] or low[row] > highs[-1]
        if fresh:
            owner.append(int(every[row]))
            lows.append(float(low[row]))
            highs.append(float(high[row]))
        else:
            highs[-1] = max(highs[-1], float(high[row]))
        if row < len(of_near):
            of_near[row] = len(owner) - 1
    return Visits(owner, lows, highs, of_near)
