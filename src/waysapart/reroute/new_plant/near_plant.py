"""What stands in the ground about a new line: which plant is near it, and how it lies to it.

A stretch of the line that lies within a distance of something runs *inside* it, *crosses* it,
*meets* it at one of its own ends, or runs *beside* it. It crosses or meets at 30 degrees or more:
what leaves so slowly that it stays near for longer runs beside. The figures are metres on the
ellipsoid.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal, NamedTuple

import numpy as np
import shapely

from waysapart.arrays import Bools, Floats, Ints, csr_row
from waysapart.network.assets import surveyed_m
from waysapart.reroute.plant.context import Ground
from waysapart.schema import LIST_SEPARATOR
from waysapart.study.plane import Plane

How = Literal["inside", "crosses", "meets", "beside"]
SPAN = "span"
HOLDING = frozenset({"trench", "tunnel", "bridge", "culvert", "duct bank"})
"""Kinds of segment that hold others, whether anything is on record as lying in them or not."""
_STEEP = 4.0
"""A line that crosses another at 30 degrees is within a distance of it for four times that."""
_QUADRANT = 32
"""Corners of a quarter circle: it lies 0.03 % inside, and `Plane.reach` goes 0.1 % beyond."""
_AT_END_M = 1e-3
_NONE_M = 1e-3
"""Lengths below this are rounding."""
AREA = 2


@dataclass(frozen=True)
class Stretch:
    """A stretch of a line that lies within a distance of something.

    Attributes
    ----------
    how : str
    shape : LineString
        The stretch itself, in the plane.
    length_m : float
        Of the stretch; of one inside, the length within the outline.
    distance_m : float
        Least distance.
    at : list of float
        Longitude and latitude of the place where it is nearest, or crosses.
    """

    how: How
    shape: Any
    length_m: float
    distance_m: float
    at: list[float]


def ground_m(plane: Plane, line: Any) -> float:
    """Length on the ellipsoid of a line in the plane."""
    points = shapely.get_coordinates(line)
    return float(plane.chainage(points, np.zeros(len(points), dtype=np.int64))[-1])


def stretches_near(
    plane: Plane, line: Any, shape: Any, reach_m: float, meet_m: float
) -> list[Stretch]:
    """Stretches of a line that lie within a distance of something, in their order along it.

    Parameters
    ----------
    plane : Plane
    line : LineString
        In the plane.
    shape : geometry
        In the plane.
    reach_m : float
        Metres.
    meet_m : float
        How far an end of the line may lie from what it meets.

    Returns
    -------
    list of Stretch
    """
    reach = float(plane.reach(line, reach_m)[0])
    west, south, east, north = shapely.bounds(line)
    room = 2.0 * reach + 1.0
    here = shapely.clip_by_rect(shape, west - room, south - room, east + room, north + room)
    if shapely.is_empty(here):
        return []
    grown = shapely.buffer(here, reach, quad_segs=_QUADRANT)
    parts = shapely.get_parts(shapely.line_merge(_lines(shapely.intersection(line, grown))))
    found = [_stretch(plane, line, here, part, reach, meet_m) for part in parts]
    return sorted(
        (one for one in found if one is not None),
        key=lambda one: float(shapely.line_locate_point(line, shapely.get_point(one.shape, 0))),
    )


def _lines(shape: Any) -> Any:
    """The lines of what two shapes have in common, without the points."""
    parts = shapely.get_parts(shape)
    return shapely.multilinestrings(parts[shapely.get_dimensions(parts) == 1])


def _stretch(
    plane: Plane, line: Any, shape: Any, part: Any, reach: float, meet_m: float
) -> Stretch | None:
    length = float(shapely.length(part))
    if length <= _NONE_M:
        return None
    ends = [shapely.get_point(line, place) for place in (0, -1)]
    own = [end for end in ends if shapely.distance(end, part) <= _AT_END_M]
    distance_m = float(plane.metres(part, shape)[0])
    how: How = "beside"
    told = part
    common = shapely.intersection(part, shape)
    if shapely.get_dimensions(shape) == AREA:
        inside = _lines(common)
        if float(shapely.length(inside)) > _NONE_M:
            how, told = "inside", inside
    elif not own and length <= _STEEP * reach and not shapely.is_empty(common):
        how = "crosses" if shapely.get_dimensions(shape) == 1 else "beside"
    elif (
        len(own) == 1
        and length <= _STEEP / 2.0 * reach
        and float(plane.metres(own[0], shape)[0]) <= meet_m
    ):
        how = "meets"
    if how == "crosses" or (how == "beside" and distance_m <= 0.0):
        place = shapely.get_point(shapely.shortest_line(part, common), 1)
    else:
        place = shapely.get_point(shapely.shortest_line(told, shape), 0)
    lon, lat = plane.degrees(shapely.get_coordinates(place)[:1])[0].tolist()
    metres = sum(ground_m(plane, one) for one in shapely.get_parts(told))
    return Stretch(how, part, metres, distance_m, [round(lon, 7), round(lat, 7)])


class LiesIn(NamedTuple):
    """What a new line lies in.

    Attributes
    ----------
    whole : bool
        All of it lies in `known`.
    known : tuple of str
        Segments that hold others, along which it runs, and areas of holders that it enters.
    sites : tuple of str
        Sites that it enters.
    maybe : tuple of str
        What segments lie in along which it runs.
    """

    whole: bool
    known: tuple[str, ...]
    sites: tuple[str, ...]
    maybe: tuple[str, ...]


@dataclass(frozen=True)
class NearPlant:
    """Everything of a study that has a place, to be asked about new lines.

    Attributes
    ----------
    ground : Ground
    """

    ground: Ground

    @cached_property
    def number(self) -> Ints:
        """Asset number of everything that has a place."""
        assets = self.ground.network.assets
        found = []
        for role in ("sites", "structures", "holders", "segments", "hazards"):
            shapes = self.ground.study.geometries(role)
            rows = np.flatnonzero(~shapely.is_missing(shapes) & ~shapely.is_empty(shapes))
            found.append(assets.start[role] + rows)
        return np.concatenate(found).astype(np.int64)

    @cached_property
    def shapes(self) -> np.ndarray:
        """Geometry of each in the plane; a hazard's with its reach."""
        study, assets = self.ground.study, self.ground.network.assets
        every = np.full(len(assets), None, dtype=object)
        for role in ("sites", "structures", "holders", "segments"):
            shapes = study.geometries(role)
            every[assets.start[role] : assets.start[role] + len(shapes)] = shapes
        hazards = study.geometries("hazards")
        reach = np.nan_to_num(study.tables["hazards"]["reach_m"].to_numpy(dtype=np.float64))
        every[assets.start["hazards"] : assets.start["hazards"] + len(hazards)] = study.plane.grown(
            hazards, reach
        )
        return np.asarray(every[self.number], dtype=object)

    @cached_property
    def tree(self) -> shapely.STRtree:
        """Of `shapes`."""
        return shapely.STRtree(self.shapes)

    @cached_property
    def accuracy_m(self) -> Floats:
        """How far each may lie from its recorded place."""
        study, assets = self.ground.study, self.ground.network.assets
        every = np.zeros(len(assets))
        for role in ("sites", "structures", "segments"):
            own = surveyed_m(study, study.tables[role])
            every[assets.start[role] : assets.start[role] + len(own)] = own
        return np.asarray(every[self.number], dtype=np.float64)

    @cached_property
    def roles(self) -> np.ndarray:
        """Role of each."""
        frame = self.ground.network.assets.frame
        return np.asarray(frame["role"].to_numpy(dtype=object)[self.number])

    @cached_property
    def kinds(self) -> np.ndarray:
        """Kind of each; the role where it has none."""
        frame = self.ground.network.assets.frame
        kinds = frame["kind"].to_numpy(dtype=object)[self.number]
        named = np.array([isinstance(kind, str) for kind in kinds], dtype=bool)
        return np.asarray(np.where(named, kinds, self.roles), dtype=object)

    @cached_property
    def ids(self) -> np.ndarray:
        """Id of each."""
        return np.asarray(self.ground.names[self.number])

    @cached_property
    def place(self) -> dict[int, int]:
        """Place in these arrays by asset number."""
        return {number: at for at, number in enumerate(self.number.tolist())}

    @cached_property
    def holding(self) -> Bools:
        """Segments and holders in which a new line may lie: those that hold others."""
        within = self.ground.network.recorded.tocoo()
        held = np.zeros(len(self.ground.network.assets), dtype=bool)
        held[within.col] = True
        trench = np.array([str(kind).casefold() in HOLDING for kind in self.kinds], dtype=bool)
        segments = self.roles == "segments"
        return np.asarray((segments & (held[self.number] | trench)) | (self.roles == "holders"))

    def directly_in(self, number: int) -> list[str]:
        """Ids of the segments and holders in which an asset lies by its record."""
        assets = self.ground.network.assets
        roles = assets.frame["role"].to_numpy()
        row = csr_row(self.ground.network.recorded, number)
        return [str(self.ground.names[one]) for one in row if roles[one] in ("segments", "holders")]

    def within_reach(self, line: Any, metres: float) -> Ints:
        """Places of everything within a distance of a line, and what may be so by its accuracy."""
        wide = metres + float(self.accuracy_m.max(initial=0.0))
        reach = float(self.ground.study.plane.reach(line, wide)[0])
        return np.sort(self.tree.query(line, predicate="dwithin", distance=reach))

    def lies_in(self, line: Any, kind: str) -> LiesIn:
        """What a new line lies in by its place.

        Parameters
        ----------
        line : LineString
            In the plane.
        kind : str
            A span lies in no trench, and nothing in the ground along a span.

        Returns
        -------
        LiesIn
        """
        plane, snap_m = self.ground.study.plane, self.ground.study.snap_m
        known: list[str] = []
        sites: list[str] = []
        maybe: list[str] = []
        covers = []
        for at in self.within_reach(line, snap_m).tolist():
            role, shape = self.roles[at], self.shapes[at]
            area = shapely.get_dimensions(shape) == AREA
            if role in ("hazards", "structures") or (role == "sites" and not area):
                continue
            if role == "segments" and (self.kinds[at] == SPAN) != (kind == SPAN):
                continue
            reach_m = 0.0 if area else max(snap_m, float(self.accuracy_m[at]))
            runs = [
                one
                for one in stretches_near(plane, line, shape, reach_m or _NONE_M, snap_m)
                if one.how == ("inside" if area else "beside")
            ]
            if not runs or shapely.get_dimensions(shape) == 0:
                continue
            if role == "sites":
                sites.append(str(self.ids[at]))
            elif self.holding[at]:
                known.append(str(self.ids[at]))
            if role == "segments":
                maybe += self.directly_in(int(self.number[at]))
            if role == "sites" or self.holding[at]:
                wide = float(plane.reach(line, reach_m)[0]) if reach_m else 0.0
                covers += [shape if area else shapely.buffer(one.shape, wide) for one in runs]
        left = shapely.difference(line, shapely.union_all(covers)) if covers else line
        whole = bool(covers) and float(shapely.length(left)) <= 2.0 * snap_m
        return LiesIn(
            whole,
            tuple(dict.fromkeys(known)),
            tuple(sites),
            tuple(one for one in dict.fromkeys(maybe) if one not in known),
        )


def joined(ids: Sequence[str]) -> str | None:
    """Ids in one cell, each once; None where there are none."""
    return LIST_SEPARATOR.join(dict.fromkeys(ids)) or None
