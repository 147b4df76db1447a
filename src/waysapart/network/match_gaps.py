"""What stays open when a drawn cable is matched, in words that say where and what to do."""

from __future__ import annotations

import shapely

from waysapart.arrays import Floats
from waysapart.gaps import Gap
from waysapart.network.drawn import CANDIDATE, Drawn, Plant, StrandRun
from waysapart.network.records import row_gap
from waysapart.study.model import Study


def ambiguities(
    study: Study, plant: Plant, drawn: Drawn, runs: list[StrandRun], metres: Floats
) -> list[Gap]:
    """A gap for each stretch along which the cable may follow one thing or another."""
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
    """A gap for each stretch that nothing follows, and for each place where nothing joins."""
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
    (segment,), (metres,) = plant.tree.query_nearest(point, return_distance=True, all_matches=False)
    return f" (nearest at its middle: {plant.names[segment]}, {metres:.1f} m)"
