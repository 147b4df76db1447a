"""Match cables that are drawn but not listed to the segments that they follow.

A segment, or the part of it between structures that it passes, is followed where it lies along a
stretch of the drawn line, in one direction and never farther from it than the tolerance: `snap_m`,
plus the survey accuracy of the segment (`accuracy_m` of its own or of its layer), plus the
accuracy of the cable's layer. What is followed must form a chain through the plant, from node
to node, from the drawn line's first point to its last.

All candidates within the tolerance count as equally near, since their distances differ by no more
than the errors of the records. Where more than one chain is within it, none is chosen, and the
stretch is a gap. Only a segment that lies in another, such as a duct in a drawn trench, is
preferred to its holder, since it relies on the holder too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely

from waysapart.arrays import Floats, Ints
from waysapart.gaps import Gap
from waysapart.network.assets import Assets, Holders, row_gap, surveyed_m
from waysapart.network.ends import Ends, Passing
from waysapart.network.matching.drawn import (
    CANDIDATE,
    FOLLOWED,
    Drawn,
    Plant,
    StrandRun,
    distances_m,
    draw,
    in_any_case,
    node_shapes,
    runs_of,
)
from waysapart.network.matching.match_graph import cut_pieces
from waysapart.study.model import Study


@dataclass(frozen=True)
class Matches:
    """What drawn cables follow, as rows for their chains; only what is certain.

    Attributes
    ----------
    cable : ndarray of int, shape (rows,)
        Cables counted from 0, ascending.
    segment, entry, exit, start, stop : ndarray, shape (rows,)
        As in `Chains`.
    unclear : ndarray of int
        Cables of which something is not certain.
    common_cable, common : ndarray of int, shape (pairs,)
        A cable of these, and the number of an asset that it relies on in any case.
    frame : DataFrame
        One row per segment followed (`state` "followed") or possibly followed ("candidate"; those
        of one stretch have one `seq`): `from_m` and `to_m` along the drawn line, `distance_m` the
        greatest distance between the two at a vertex of either, `coverage` the share of the segment
        that is followed.
    gaps : list of Gap
    """

    cable: Ints
    segment: Ints
    entry: Ints
    exit: Ints
    start: Floats
    stop: Floats
    unclear: Ints
    common_cable: Ints
    common: Ints
    frame: pd.DataFrame
    gaps: list[Gap]


def match_cables(
    study: Study, assets: Assets, ends: Ends, passed: Passing, holders: Holders
) -> Matches:
    """Match every cable that is drawn but not listed to the segments that it follows.

    Parameters
    ----------
    study : Study
    assets : Assets
    ends, passed : Ends, Passing
        What segments end at and pass.
    holders : callable
        From an asset number to the numbers of everything that it lies in.

    Returns
    -------
    Matches
        Stretches along which no chain is within the tolerance, or more than one
        is, are gaps (`match-uncovered`, `match-ambiguous`, `cable-broken`).

    Notes
    -----
    Candidates come from one query of all drawn edges against an STRtree of the
    segments; each candidate then takes O(n m) for its n vertices and the m vertices of
    the drawn line beside it.
    """
    cables = _drawn_only(study)
    courses = study.geometries("cables")[cables]
    lines = study.geometries("segments")
    tree = shapely.STRtree(lines)
    beside = _candidates(study, cables, courses, tree)
    every = np.unique(np.concatenate([cables[:0], *(found for found, _ in beside)]))
    widest = max([study.snap_m, *(float(reach.max(initial=0.0)) for _, reach in beside)])
    tips = np.r_[shapely.get_point(courses, 0), shapely.get_point(courses, -1)]
    pieces = cut_pieces(study, assets, ends, passed, every, tips, widest)
    plant = Plant(
        assets,
        holders,
        pieces,
        tree,
        lines,
        study.tables["segments"]["id"].to_numpy(),
        node_shapes(study, assets),
        study.snap_m,
        study.plane,
    )
    runs: list[tuple[int, StrandRun]] = []
    distance: list[np.ndarray] = []
    common: list[tuple[int, int]] = []
    unclear: list[int] = []
    gaps: list[Gap] = []
    for cable, line, (segments, reach) in zip(cables.tolist(), courses, beside, strict=True):
        drawn = draw(plant, cable, line, segments, reach)
        mine = runs_of(plant, drawn)
        metres = distances_m(plant, drawn, mine)
        found = _ambiguities(study, plant, drawn, mine, metres) + uncovered(study, plant, drawn)
        if found:
            unclear.append(cable)
            common += [(cable, asset) for asset in sorted(in_any_case(plant, drawn))]
        gaps += found
        runs += [(cable, run) for run in mine]
        distance.append(metres)
    return _matches(
        study, plant, runs, np.concatenate([np.empty(0), *distance]), unclear, common, gaps
    )


def _drawn_only(study: Study) -> Ints:
    """Cables with a geometry, without rows in cable_runs, and without a carrier."""
    cables = study.tables["cables"]
    drawn = ~shapely.is_missing(study.geometries("cables"))
    alone = np.flatnonzero(drawn & cables["carried_by"].isna().to_numpy())
    if not len(alone):
        return alone
    listed = cables["id"].iloc[alone].isin(study.tables["cable_runs"]["cable"]).to_numpy()
    return alone[~listed]


def _candidates(
    study: Study, cables: Ints, courses: np.ndarray, tree: shapely.STRtree
) -> list[tuple[Ints, Floats]]:
    """Find the segments near every drawn cable, each with its tolerance in metres."""
    segments = study.tables["segments"]
    if not len(cables) or not len(segments):
        return [(cables[:0], np.empty(0)) for _ in cables]
    of_layer = np.array([layer.accuracy_m for layer in study.layers] or [0.0])
    reach = study.snap_m + surveyed_m(study, segments)
    extra = of_layer[study.tables["cables"]["_layer"].to_numpy(dtype=np.int64)[cables]]
    points, owner = shapely.get_coordinates(courses, return_index=True)
    onward = owner[:-1] == owner[1:]
    edges = shapely.linestrings(np.stack([points[:-1][onward], points[1:][onward]], axis=1))
    of_edge = owner[:-1][onward]
    wide = study.plane.reach(edges, reach.max() + extra[of_edge])
    edge, segment = tree.query(edges, predicate="dwithin", distance=wide)
    pairs = np.unique(np.column_stack([of_edge[edge], segment]), axis=0)
    bounds = np.searchsorted(pairs[:, 0], np.arange(len(cables) + 1))
    found = []
    for place in range(len(cables)):
        near = pairs[bounds[place] : bounds[place + 1], 1].astype(np.int64)
        found.append((near, reach[near] + extra[place]))
    return found


def _matches(
    study: Study,
    plant: Plant,
    runs: list[tuple[int, StrandRun]],
    metres: Floats,
    unclear: list[int],
    common: list[tuple[int, int]],
    gaps: list[Gap],
) -> Matches:
    cable = np.array([cable for cable, _ in runs], dtype=np.int64)
    whole = np.array(
        [(run.segment, run.entry, run.exit, run.seq) for _, run in runs], dtype=np.int64
    ).reshape(-1, 4)
    part = np.array(
        [(run.start, run.stop, run.low, run.high) for _, run in runs], dtype=np.float64
    ).reshape(-1, 4)
    state = np.array([run.state for _, run in runs], dtype=object)
    frame = pd.DataFrame(
        {
            "cable": study.tables["cables"]["id"].to_numpy()[cable],
            "seq": whole[:, 3],
            "segment": plant.names[whole[:, 0]],
            "state": state,
            "from_m": part[:, 2],
            "to_m": part[:, 3],
            "distance_m": metres,
            "coverage": np.abs(part[:, 1] - part[:, 0]),
        }
    )
    sure = state == FOLLOWED
    return Matches(
        cable[sure],
        whole[sure, 0],
        np.maximum(whole[sure, 1], -1),
        np.maximum(whole[sure, 2], -1),
        part[sure, 0],
        part[sure, 1],
        np.array(unclear, dtype=np.int64),
        np.array([cable for cable, _ in common], dtype=np.int64),
        np.array([asset for _, asset in common], dtype=np.int64),
        frame,
        gaps,
    )


def _ambiguities(
    study: Study, plant: Plant, drawn: Drawn, runs: list[StrandRun], metres: Floats
) -> list[Gap]:
    """Make a gap of each stretch along which the cable may follow one segment or another."""
    groups: dict[int, list[int]] = {}
    for place, run in enumerate(runs):
        if run.state == CANDIDATE:
            groups.setdefault(run.seq, []).append(place)
    found = []
    for group in groups.values():
        low = min(runs[place].low for place in group)
        high = max(runs[place].high for place in group)
        names = sorted(
            {(f"{plant.names[runs[place].segment]} ({metres[place]:.2f} m)") for place in group}
        )
        found.append(
            row_gap(
                study,
                "match-ambiguous",
                "cables",
                drawn.cable,
                f"from {low:.1f} m to {high:.1f} m along its drawn line it may follow any of "
                f"{', '.join(names)}, all within {drawn.tolerance_m:g} m: "
                "list what it follows in cable_runs",
            )
        )
    return found


def uncovered(study: Study, plant: Plant, drawn: Drawn) -> list[Gap]:
    """Make a gap of each stretch without a segment and each place where segments do not meet.

    Parameters
    ----------
    study : Study
    plant : Plant
    drawn : Drawn

    Returns
    -------
    list of Gap
        Codes `match-uncovered` and `cable-broken`.
    """
    found = []
    for low, high, before, after in drawn.chain.breaks:
        near = [
            str(plant.names[plant.pieces.segment[drawn.web.strands[step.strand].piece]])
            for step in (drawn.chain.steps[place] for place in (before, after) if place >= 0)
        ]
        if len(near) == 2 and high - low <= 2 * drawn.tolerance_m:
            found.append(
                row_gap(
                    study,
                    "cable-broken",
                    "cables",
                    drawn.cable,
                    f"{near[0]} and {near[1]} follow each other {low:.1f} m along its drawn line "
                    "but meet at no structure or site: record where they meet, or list what it "
                    "follows in cable_runs",
                )
            )
            continue
        middle = shapely.Point(drawn.course.point((low + high) / 2))
        found.append(
            row_gap(
                study,
                "match-uncovered",
                "cables",
                drawn.cable,
                f"from {low:.1f} m to {high:.1f} m ({high - low:.1f} m) along its drawn line it "
                f"follows no segment within {drawn.tolerance_m:g} m"
                f"{_nearest(plant, middle)}: record the segment, correct the "
                "drawing, or list what it follows in cable_runs",
            )
        )
    return found


def _nearest(plant: Plant, point: shapely.Point) -> str:
    if not len(plant.names):
        return ""
    (segment,) = plant.tree.query_nearest(point, all_matches=False)
    (metres,) = plant.plane.metres(point, plant.lines[segment])
    return f" (nearest at its middle: {plant.names[segment]}, {metres:.1f} m)"
