"""Where works are, as a crew finds them: in words from what stands near, and in coordinates.

Distances and directions are those of the geodesic on the ellipsoid.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypedDict

import numpy as np
import scipy.sparse as sp
import shapely

from waysapart.arrays import csr_row
from waysapart.study.crs import LON_LAT, crs_label, transformer_between
from waysapart.study.model import Study, kept_by_study
from waysapart.study.plane import GEOD
from waysapart.verdicts.facts_figures import text_or_none
from waysapart.whatif.area import Area
from waysapart.whatif.base import Base

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Shapes = NDArray[np.object_]

COMPASS = (
    "north",
    "north-east",
    "east",
    "south-east",
    "south",
    "south-west",
    "west",
    "north-west",
)
AT_M = 1.0
"""What is nearer than this is at the place itself. Common practice, no source."""
SITE_WITHIN_M = 20_000.0
"""A site farther than this says nothing about where works are. Common practice, no source."""
WORTH_BOTH_ENDS_M = 20.0
"""Ends of a line that lie closer together are not told in words. Common practice, no source."""
MOST_NEAR = 3
"""How many structures and sites a place is told from."""


class Spot(TypedDict):
    """One point of works: `what` it is of them, its longitude and latitude, east and north."""

    what: str
    degrees: list[float]
    grid: list[float] | None


class Nearby(TypedDict):
    """A structure or site near the middle of works, and the way from it to that middle."""

    asset: str
    role: str
    kind: str | None
    name: str | None
    distance_m: float
    bearing_deg: float
    direction: str


class WorkPlace(TypedDict):
    """Where one feature of works is.

    `of` is what it is the place of: the number of the feature, or the id of an asset.
    """

    of: str
    words: str
    near: list[Nearby]
    on_site: list[str]
    spots: list[Spot]


@dataclass(frozen=True)
class Landmarks:
    """Structures and sites of a study, to tell places from.

    Attributes
    ----------
    study : Study
    shapes : ndarray of geometry
        In the study's plane; structures and sites that have a place.
    role, asset : list of str
    kind, name : list of str or None
    """

    study: Study
    shapes: Shapes
    role: list[str]
    asset: list[str]
    kind: list[str | None]
    name: list[str | None]

    def nearest(self, point: shapely.Point, role: str | None = None) -> list[Nearby]:
        """Those nearest a point of the plane, at most `MOST_NEAR`.

        Parameters
        ----------
        point : Point
        role : str, optional
            Only those of this role.

        Returns
        -------
        list of Nearby
            The nearest first.
        """
        kept = [i for i, one in enumerate(self.role) if role is None or one == role]
        if not kept:
            return []
        flat = shapely.distance(self.shapes[kept], point)
        first = [kept[i] for i in np.argsort(flat, kind="stable")[: MOST_NEAR + 2]]
        metres = self.study.plane.metres(point, self.shapes[first])
        order = np.argsort(metres, kind="stable")[:MOST_NEAR]
        return [self._nearby(first[i], point, float(metres[i])) for i in order]

    def _nearby(self, number: int, point: shapely.Point, metres: float) -> Nearby:
        shape = self.shapes[number]
        here, there = _degrees(self.study, [shapely.shortest_line(shape, point)])
        bearing = 0.0
        if metres >= AT_M:
            bearing = float(GEOD.inv(here[0], here[1], there[0], there[1])[0]) % 360.0
        return {
            "asset": self.asset[number],
            "role": self.role[number],
            "kind": self.kind[number],
            "name": self.name[number],
            "distance_m": round(metres, 1),
            "bearing_deg": round(bearing, 1) % 360.0,
            "direction": direction(bearing),
        }

    def sites_over(self, shape: Any) -> list[str]:
        """Names of the sites on whose ground a geometry lies, or a part of it.

        Parameters
        ----------
        shape : Geometry
            In the study's plane.

        Returns
        -------
        list of str
            Sites that are drawn as points have no ground.
        """
        return [
            self.name[i] or self.asset[i]
            for i, role in enumerate(self.role)
            if role == "sites"
            and shapely.get_dimensions(self.shapes[i]) == 2
            and self.shapes[i].intersects(shape)
        ]


@kept_by_study
def landmarks_of(study: Study) -> Landmarks:
    """Structures and sites of a study that have a place.

    Parameters
    ----------
    study : Study

    Returns
    -------
    Landmarks
    """
    shapes, rows = [], []
    for role in ("structures", "sites"):
        table = study.tables[role]
        for shape, name, kind, called in zip(
            study.geometries(role), table["id"], table["kind"], table["name"], strict=True
        ):
            if shape is not None and not shape.is_empty:
                shapes.append(shape)
                rows.append((role, str(name), text_or_none(kind), text_or_none(called)))
    found = np.empty(len(shapes), dtype=object)
    found[:] = shapes
    return Landmarks(
        study,
        found,
        [row[0] for row in rows],
        [row[1] for row in rows],
        [row[2] for row in rows],
        [row[3] for row in rows],
    )


def direction(bearing_deg: float) -> str:
    """A bearing as one of eight directions.

    Parameters
    ----------
    bearing_deg : float
        Clockwise from north.

    Returns
    -------
    str

    Examples
    --------
    >>> direction(47.0), direction(350.0)
    ('north-east', 'north')
    """
    return COMPASS[round(bearing_deg / 45.0) % 8]


def area_places(base: Base, area: Area) -> list[WorkPlace]:
    """Where each feature of an area is.

    Parameters
    ----------
    base : Base
    area : Area

    Returns
    -------
    list of WorkPlace
    """
    landmarks = landmarks_of(base.study)
    return [
        _place(landmarks, str(number), shape, degrees)
        for number, (shape, degrees) in enumerate(
            zip(area.geometry, area.lonlat, strict=True), start=1
        )
    ]


def asset_places(base: Base, numbers: Sequence[int]) -> list[WorkPlace]:
    """Where assets are that works name by id; those that nothing on record places are left out.

    Parameters
    ----------
    base : Base
    numbers : sequence of int
        Asset numbers.

    Returns
    -------
    list of WorkPlace
        A cable is where its segments are; what has no place of its own is
        where the thing is that it lies in or stands on.
    """
    landmarks = landmarks_of(base.study)
    found = []
    names = base.network.assets.ids(numbers)
    for name, shape in zip(names, asset_shapes(base, numbers), strict=True):
        if shape is not None:
            found.append(_place(landmarks, name, shape, None))
    return found


def point_place(study: Study, of: str, point: shapely.Point) -> WorkPlace:
    """Say where one point is.

    Parameters
    ----------
    study : Study
    of : str
        What it is the place of.
    point : Point
        In the study's plane.

    Returns
    -------
    WorkPlace
    """
    return _place(landmarks_of(study), of, point, None)


def asset_shapes(base: Base, numbers: Sequence[int]) -> list[Any]:
    """Geometries of assets in the study's plane, or of what they lie in or stand on.

    Parameters
    ----------
    base : Base
    numbers : sequence of int
        Asset numbers.

    Returns
    -------
    list of Geometry or None
        A cable is all the segments that it follows; None: nothing on record places it.
    """
    steps = base.reliance.steps + base.reliance.works
    return [_cable_shape(base, one) or _held_shape(base, one, steps) for one in numbers]


def _cable_shape(base: Base, number: int) -> Any:
    cables = base.network.assets.of_role("cables")
    if not cables.start <= number < cables.stop:
        return None
    chains = base.network.chains
    segments = np.unique(chains.segment[chains.rows(number - cables.start)])
    drawn = [one for one in base.study.geometries("segments")[segments] if one is not None]
    return shapely.line_merge(shapely.union_all(drawn)) if drawn else None


def _held_shape(base: Base, number: int, steps: sp.csr_array) -> Any:
    seen, layer = {number}, [number]
    while layer:
        for at in layer:
            shape = _own_shape(base, at)
            if shape is not None:
                return shape
        further = []
        for at in layer:
            for holder in csr_row(steps, at).tolist():
                if holder not in seen:
                    seen.add(holder)
                    further.append(holder)
        layer = further
    return None


def _own_shape(base: Base, number: int) -> Any:
    for role in ("sites", "structures", "segments", "hazards"):
        rows = base.network.assets.of_role(role)
        if rows.start <= number < rows.stop:
            return base.study.geometries(role)[number - rows.start]
    return None


def grid_name(study: Study) -> str | None:
    """What the grid is called in which positions are also given; None: in degrees alone.

    Parameters
    ----------
    study : Study

    Returns
    -------
    str or None
    """
    if study.crs.is_geographic:
        return None
    label = crs_label(study.crs)
    return study.crs.name if label == study.crs.name else f"{study.crs.name} ({label})"


def nearest_point(shape: Any, area: Area | None) -> shapely.Point:
    """Where works meet a piece of plant: its point nearest the area, else its middle.

    Parameters
    ----------
    shape : Geometry
        In the study's plane.
    area : Area or None

    Returns
    -------
    Point
    """
    if area is None or not len(area.geometry):
        return _middle(shape)
    near = int(np.argmin(shapely.distance(area.geometry, shape)))
    common = shape.intersection(area.geometry[near])
    if not common.is_empty:
        return _middle(common)
    return shapely.Point(
        shapely.get_coordinates(shapely.shortest_line(shape, area.geometry[near]))[0]
    )


def _middle(shape: Any) -> shapely.Point:
    """The middle of a geometry, on it."""
    found: Any = shapely.point_on_surface(shape)
    if shape.geom_type == "LineString":
        found = shape.interpolate(0.5, normalized=True)
    elif shape.geom_type == "Polygon" and shape.contains(shape.centroid):
        found = shape.centroid
    return shapely.Point(found.x, found.y)


def _place(landmarks: Landmarks, of: str, shape: Any, lonlat: Any) -> WorkPlace:
    study = landmarks.study
    middle = _middle(shape)
    near = landmarks.nearest(middle)
    on_site = landmarks.sites_over(shape)
    words = _from(near)
    if on_site:
        words += f"{', ' if words else ''}on site {' and '.join(on_site)}"
    elif near and near[0]["role"] != "sites":
        site = landmarks.nearest(middle, "sites")[:1]
        if site and site[0]["distance_m"] <= SITE_WITHIN_M:
            words += f", {_from(site)}"
    ends = _ends(shape)
    if ends and near and study.plane.metres(*ends)[0] >= WORTH_BOTH_ENDS_M:
        begin, end = (_from(landmarks.nearest(one)).removeprefix("at ") for one in ends)
        words = f"from {begin} to {end}; its middle {words}"
    points = [("middle", middle), *_corners(shape, ends)]
    degrees = _degrees(study, [one for _, one in points])
    if lonlat is not None and lonlat.geom_type == "Point":
        degrees = shapely.get_coordinates(lonlat)
    grid = _on_grid(study, degrees)
    return {
        "of": of,
        "words": words or "nothing on record stands near",
        "near": near,
        "on_site": on_site,
        "spots": [
            {
                "what": what,
                "degrees": [round(float(lon), 7), round(float(lat), 7)],
                "grid": None if grid is None else [round(float(x), 2) for x in grid[row]],
            }
            for row, ((what, _), (lon, lat)) in enumerate(zip(points, degrees, strict=True))
        ],
    }


def _from(near: Sequence[Nearby]) -> str:
    """Such as `34 m north-east of pit PIT-HER-7`; empty where nothing stands near."""
    if not near:
        return ""
    one = near[0]
    if one["role"] == "sites":
        called = f"site {one['name'] or one['asset']}"
    else:
        called = " ".join(filter(None, [one["kind"], one["asset"]]))
        called += f" ({one['name']})" if one["name"] and one["name"] != one["asset"] else ""
    if one["distance_m"] < AT_M:
        return f"at {called}"
    # A direction to walk, not a figure: whole metres, then tenths of a kilometre.
    metres = one["distance_m"]
    far = f"{metres:.0f} m" if metres < 1000 else f"{metres / 1000:.1f} km"
    return f"{far} {one['direction']} of {called}"


def _ends(shape: Any) -> list[shapely.Point]:
    """First and last point of a line."""
    if shape.geom_type != "LineString" or shape.is_closed:
        return []
    points = shapely.get_coordinates(shape)
    return [shapely.Point(points[0]), shapely.Point(points[-1])]


def _corners(shape: Any, ends: list[shapely.Point]) -> list[tuple[str, shapely.Point]]:
    """Ends and bends of a line, corners of an outline; of several parts those of each."""
    if shape.geom_type == "Point":
        return []
    if ends:
        bends = shapely.get_coordinates(shape)[1:-1]
        return [
            ("start", ends[0]),
            *((f"bend {k}", shapely.Point(at)) for k, at in enumerate(bends, start=1)),
            ("end", ends[1]),
        ]
    found: list[tuple[str, shapely.Point]] = []
    parts = shapely.get_parts(shape)
    for number, part in enumerate(parts, start=1):
        if len(parts) > 1 and part.geom_type == "Point":
            found.append((f"part {number}", part))
            continue
        points = shapely.get_coordinates(part.exterior if part.geom_type == "Polygon" else part)
        points = points[:-1] if len(points) > 1 and (points[0] == points[-1]).all() else points
        of = f"part {number}, " if len(parts) > 1 else ""
        found += [(f"{of}corner {k}", shapely.Point(at)) for k, at in enumerate(points, start=1)]
    return found


def _degrees(study: Study, shapes: Sequence[Any]) -> NDArray[np.float64]:
    made = np.empty(len(shapes), dtype=object)
    made[:] = list(shapes)
    return shapely.get_coordinates(study.plane.shapes_in_degrees(made))


def _on_grid(study: Study, degrees: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """East and north in the grid that the study shows; None where it shows none."""
    if study.crs.is_geographic:
        return None
    turn = transformer_between(LON_LAT, study.crs)
    found = np.column_stack(turn.transform(degrees[:, 0], degrees[:, 1]))
    return found if np.isfinite(found).all() else None
