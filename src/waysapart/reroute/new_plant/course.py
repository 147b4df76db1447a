"""What a new segment lies in, runs beside, crosses and passes, and what is to be surveyed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, TypedDict

import numpy as np
import shapely

from waysapart.arrays import Ints
from waysapart.reroute.new_plant.candidates import Segment
from waysapart.reroute.new_plant.near_plant import (
    AREA,
    NearPlant,
    Stretch,
    ground_m,
    stretches_near,
)
from waysapart.schema import KNOWN_EMPTY, LIST_SEPARATOR
from waysapart.study.backdrops import Backdrop
from waysapart.study.rules import Service
from waysapart.text import few, sentence_list

BESIDE_M = 10.0
"""New plant that comes nearer than this to something is told, or nearer than the separation where
that is more. No source."""
_MOST = 4
_LEAST_M = 0.05
"""A shorter stretch is rounded to none."""


class Beside(TypedDict):
    """What a new segment runs beside: least distance, over which length, and where."""

    asset: str
    role: str
    kind: str | None
    distance_m: float
    length_m: float
    at: list[float]


class Crossed(TypedDict):
    """What a new segment crosses, and where."""

    asset: str
    role: str
    kind: str | None
    at: list[float]


class PassedStructure(TypedDict):
    """A structure that a new segment passes. Within `snap_m` it relies on it."""

    asset: str
    kind: str | None
    distance_m: float
    at: list[float]


class OnBackdrop(TypedDict):
    """How a new segment lies to one row of a layer without a role."""

    layer: str
    id: str | None
    crossings: int
    beside_m: float
    inside_m: float


@dataclass(frozen=True)
class SegmentCourse:
    """How a new segment lies; its attributes are those of the same names in the JSON."""

    within: list[str] | None
    beside: list[Beside]
    crosses: list[Crossed]
    passes: list[PassedStructure]
    backdrops: list[OnBackdrop]
    survey: list[str]


def course_of(plant: NearPlant, segment: Segment, services: Sequence[Service]) -> SegmentCourse:
    """Say how a new segment lies to what is on record.

    Parameters
    ----------
    plant : NearPlant
    segment : Segment
    services : sequence of Service
        Of the circuits for which something is sought.

    Returns
    -------
    SegmentCourse
    """
    reach_m = max([BESIDE_M, *(one.widest_separation_m() for one in services)])
    beside: list[Beside] = []
    crosses: list[Crossed] = []
    passes: list[PassedStructure] = []
    enters: list[str] = []
    plane, snap_m = plant.ground.study.plane, plant.ground.study.snap_m
    for at in plant.within_reach(segment.line, reach_m).tolist():
        role, name, shape = str(plant.roles[at]), str(plant.ids[at]), plant.shapes[at]
        if name in (segment.a, segment.b):
            continue
        kind = str(plant.kinds[at]) if plant.kinds[at] != role else None
        near = stretches_near(plane, segment.line, shape, reach_m, snap_m)
        if not near:
            continue
        if role == "structures":
            least = min(near, key=lambda one: one.distance_m)
            passes.append(
                {
                    "asset": name,
                    "kind": kind,
                    "distance_m": round(least.distance_m, 2),
                    "at": least.at,
                }
            )
            continue
        if shapely.get_dimensions(shape) == AREA and any(one.how == "inside" for one in near):
            enters.append(name)
            if all(
                shapely.distance(shapely.get_point(segment.line, n), shape) > 0 for n in (0, -1)
            ):
                crosses += [
                    _crossed(name, role, kind, one.at) for one in near if one.how == "inside"
                ]
            continue
        crosses += [_crossed(name, role, kind, one.at) for one in near if one.how == "crosses"]
        runs = [one for one in near if one.how == "beside"]
        if sum(one.length_m for one in runs) >= _LEAST_M:
            beside.append(_beside(plant, segment, at, runs, reach_m))
    within = None
    if segment.within is not None:
        cell = segment.within
        within = [] if cell == KNOWN_EMPTY else cell.split(LIST_SEPARATOR)
    drawn, told = _backdrops(plant, segment.line, reach_m)
    beside.sort(key=lambda one: (one["distance_m"], one["asset"]))
    survey = _survey(plant, segment, within, beside, crosses, passes, enters)
    return SegmentCourse(within, beside, crosses, passes, drawn, [*survey, *told])


def _crossed(name: str, role: str, kind: str | None, at: list[float]) -> Crossed:
    return {"asset": name, "role": role, "kind": kind, "at": at}


def _beside(
    plant: NearPlant, segment: Segment, at: int, runs: Sequence[Stretch], reach_m: float
) -> Beside:
    """How a segment runs beside something; where the two meet at an end of it is left out."""
    plane, shape, role = plant.ground.study.plane, plant.shapes[at], str(plant.roles[at])
    ends = [shapely.get_point(segment.line, place) for place in (0, -1)]
    wide = float(plane.reach(segment.line, reach_m)[0])
    met = [
        shapely.buffer(end, wide)
        for end in ends
        if float(plane.metres(end, shape)[0]) <= plant.ground.study.snap_m
    ]
    parts = shapely.multilinestrings([one.shape for one in runs])
    away = shapely.difference(parts, shapely.union_all(met)) if met else parts
    away = parts if shapely.is_empty(away) else away
    nearest = shapely.get_coordinates(shapely.shortest_line(away, shape))[:1]
    lon, lat = plane.degrees(nearest)[0].tolist()
    return {
        "asset": str(plant.ids[at]),
        "role": role,
        "kind": str(plant.kinds[at]) if plant.kinds[at] != role else None,
        "distance_m": round(float(plane.metres(away, shape)[0]), 2),
        "length_m": round(sum(one.length_m for one in runs), 1),
        "at": [round(lon, 7), round(lat, 7)],
    }


def _backdrops(plant: NearPlant, line: Any, reach_m: float) -> tuple[list[OnBackdrop], list[str]]:
    """How a line lies to each layer without a role, and what is to be surveyed for it."""
    study = plant.ground.study
    found: list[OnBackdrop] = []
    told: list[str] = []
    for layer in study.backdrops:
        mine: list[OnBackdrop] = []
        shapes = layer.lonlat
        ids = layer.table["id"].to_numpy(dtype=object)
        for row in _rows_near(plant, layer, line, reach_m).tolist():
            one = _on_one(plant, line, shapes[row], reach_m)
            if one is not None:
                name = ids[row] if isinstance(ids[row], str) else None
                mine.append({"layer": layer.name, "id": name, **one})
        found += mine
        crossed = [one for one in mine if one["crossings"] or one["inside_m"]]
        if crossed:
            which = few([one["id"] or "a row without an id" for one in crossed], _MOST)
            told.append(
                f"crosses or enters {layer.name} ({which}): survey the place, and find out whose "
                "consent is needed"
            )
        if layer.left_out:
            told.append(
                f"{layer.left_out} of the rows of {layer.name} have no geometry that can be used: "
                "what it crosses there is not known"
            )
    if not study.backdrops:
        told.append(
            "no layer of water, roads or land is given: what it crosses of these is not known"
        )
    return found, told


def _rows_near(plant: NearPlant, layer: Backdrop, line: Any, reach_m: float) -> Ints:
    """Rows of a layer whose bounds come near a line, in degrees."""
    plane = plant.ground.study.plane
    west, south, east, north = shapely.bounds(line)
    room = 2.0 * float(plane.reach(line, reach_m)[0]) + 1.0
    box = shapely.box(west - room, south - room, east + room, north + room)
    edge = plane.degrees(shapely.get_coordinates(shapely.segmentize(box, max(room, 1000.0))))
    if np.ptp(edge[:, 0]) > 180.0:  # about the antimeridian or a pole: look at all of them
        return np.arange(len(layer.table), dtype=np.int64)
    bounds = shapely.box(*edge.min(axis=0), *edge.max(axis=0))
    return np.flatnonzero(shapely.intersects(shapely.envelope(layer.lonlat), bounds))


class _Figures(TypedDict):
    crossings: int
    beside_m: float
    inside_m: float


def _on_one(plant: NearPlant, line: Any, lonlat: Any, reach_m: float) -> _Figures | None:
    """How a line lies to one row; None where that is not near."""
    plane, snap_m = plant.ground.study.plane, plant.ground.study.snap_m
    crossings, beside_m, inside_m = 0, 0.0, 0.0
    near = False
    for shape in shapely.get_parts(plane.flat(np.array([lonlat], dtype=object))[0]):
        several = stretches_near(plane, line, shape, reach_m, snap_m)
        near |= bool(several)
        dimensions = shapely.get_dimensions(shape)
        if dimensions == 1:
            common = shapely.intersection(line, shape)
            crossings += 0 if shapely.is_empty(common) else len(shapely.get_parts(common))
            beside_m += sum(one.length_m for one in several if one.how == "beside")
        elif dimensions == AREA:
            inside = [one for one in several if one.how == "inside"]
            inside_m += sum(one.length_m for one in inside)
            outside = shapely.difference(line, shape)
            crossings += max(0, len(shapely.get_parts(outside)) - 1) if inside else 0
            beside_m += sum(
                max(
                    0.0, ground_m(plane, one.shape) - (one.length_m if one.how == "inside" else 0.0)
                )
                for one in several
            )
        else:
            beside_m += sum(one.length_m for one in several)
    if not near:
        return None
    return {
        "crossings": crossings,
        "beside_m": round(beside_m, 1),
        "inside_m": round(inside_m, 1),
    }


def _survey(
    plant: NearPlant,
    segment: Segment,
    within: list[str] | None,
    beside: Sequence[Beside],
    crosses: Sequence[Crossed],
    passes: Sequence[PassedStructure],
    enters: Sequence[str],
) -> list[str]:
    """What remains to be surveyed, in sentences."""
    study = plant.ground.study
    told: list[str] = []
    maybe = [] if segment.relied == KNOWN_EMPTY else segment.relied.split(LIST_SEPARATOR)
    if within is None:
        gap = study.rules.records.of_within(segment.kind, "segments") == "gap"
        taken = f"; taken to lie in {few(maybe, _MOST)} until then" if maybe else ""
        told.append(
            f"what {segment.id} lies in is not on record: record it in `within`{taken}"
            if gap
            else f"what {segment.id} lies in is not on record; the rules take it as nothing{taken}"
        )
    more = [one for one in maybe if within is not None and one not in within]
    if more:
        told.append(f"whether it lies in {few(more, _MOST)} as well, which it enters or runs along")
    if segment.course == "straight":
        told.append("its course: a straight line between its ends, not yet walked")
    elif segment.course == "along":
        leads = [f"{one:.0f} m" for one in segment.leads_m if one > 0]
        said = f", and the straight leads to it ({sentence_list(leads)})" if leads else ""
        told.append(f"its course in the corridor{said}")
    else:
        told.append("its course, as it was given")
    if crosses:
        which = few([one["asset"] for one in crosses], _MOST)
        told.append(f"depth and clearance where it crosses {which}")
    nearest = [f"{one['asset']} ({one['distance_m']:g} m)" for one in beside]
    if nearest:
        told.append(f"the true distance to {few(nearest, _MOST)}: these are as drawn")
    relied = [one["asset"] for one in passes if one["distance_m"] <= study.snap_m]
    if relied:
        told.append(f"whether it enters {few(relied, _MOST)}: within snap_m it relies on them")
    inside = [one for one in enters if within is None or one not in within]
    if inside and within is None:
        told.append(f"how far it lies in {few(inside, _MOST)}, which it enters")
    return told
