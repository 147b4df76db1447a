"""The plant of the estuary study: sites, lines, ducts, cables, and the areas that threaten them.

Everything is invented, the coast too: the coordinates lie in the open Atlantic, about 54.4 N
29.0 W, a thousand kilometres from any land, so that nobody takes the plant for one that stands.
Coordinates here are kilometres east and north of `ORIGIN_M`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from shapely import LineString, Point, Polygon
from shapely.ops import substring

Xy = tuple[float, float]
Row = dict[str, Any]

ORIGIN_M = (350_000.0, 6_015_000.0)
CRS = "EPSG:32626"
GANTRY_M = 180.0
"""Distance of a line's gantry from the middle of its site."""
PITS_M = (90.0, 290.0, 490.0)
"""Pits of a buried route near a site: a pit every 200 m."""
SPAN_M = 330.0
MARKER_M = 1800.0
"""Distance of pits on the buried routes between the sites."""
NOT_RECORDED = frozenset({"U1-P05", "U1-P06", "U6-P05"})
"""Pits whose `within` nobody has filled in."""

SITES: dict[str, tuple[str, str, Xy]] = {
    "OFF": ("Greyshoal Platform", "wind platform", (0.0, 17.0)),
    "TRN": ("Ternsand Landfall", "substation", (10.0, 22.0)),
    "SAL": ("Saltmarsh", "substation", (20.0, 24.0)),
    "HER": ("Heronfleet", "substation", (31.0, 22.0)),
    "PLO": ("Plovermoor Converter Hall", "converter hall", (38.0, 15.0)),
    "STK": ("Stackmere Thermal Station", "thermal station", (30.0, 8.0)),
    "MAR": ("Marramby", "substation", (20.0, 6.0)),
    "OYS": ("Oysterbeck", "substation", (10.0, 8.0)),
}
ENTRY_AT = {1: 0.0, 2: 180.0, 3: 270.0}
"""Where the building entries of a site are: bearing from its middle, degrees from east."""
THIRD_ENTRY = ("SAL",)


@dataclass(frozen=True)
class End:
    """Where a route comes into a site: through which entry, from which bearing (from east)."""

    site: str
    entry: int
    bearing: float


@dataclass(frozen=True)
class Stretch:
    """A stretch that has to lie just here: from pit to pit, in kilometres."""

    kind: str
    start: Xy
    bends: tuple[Xy, ...]
    end: Xy
    within: str = "-"


@dataclass
class Plant:
    """Rows of the plant's tables, as they are added."""

    sites: list[Row] = field(default_factory=list)
    structures: list[Row] = field(default_factory=list)
    holders: list[Row] = field(default_factory=list)
    segments: list[Row] = field(default_factory=list)
    cables: list[Row] = field(default_factory=list)
    drawn_cables: list[Row] = field(default_factory=list)
    cable_runs: list[Row] = field(default_factory=list)
    joints: list[Row] = field(default_factory=list)
    hazards: list[Row] = field(default_factory=list)

    def place(self, structure: str) -> Point:
        """Where a structure or site stands."""
        for row in (*self.structures, *self.sites):
            if row["id"] == structure:
                point: Point = row["geometry"]
                return point
        raise KeyError(structure)

    def structure(self, name: str, kind: str, at: Xy, within: str = "-") -> str:
        """Add a structure, unless it is there already: routes may share one."""
        if all(row["id"] != name for row in self.structures):
            self.structures.append(
                {
                    "id": name,
                    "kind": kind,
                    "within": None if name in NOT_RECORDED else within,
                    "accuracy_m": 0.5 if kind in ("tower", "gantry") else None,
                    "geometry": Point(metres(at)),
                }
            )
        return name

    def segment(
        self,
        name: str,
        kind: str,
        ends: tuple[str, str],
        bends: tuple[Xy, ...] = (),
        within: str = "-",
        sag_m: float | None = None,
    ) -> str:
        """Add a segment. Every third record leaves its ends blank: they are exact, so they snap."""
        a, b = ends
        blank = len(self.segments) % 3 == 2
        line = LineString([xy(self.place(a)), *(metres(bend) for bend in bends), xy(self.place(b))])
        self.segments.append(
            {
                "id": name,
                "kind": kind,
                "a": None if blank else a,
                "b": None if blank else b,
                "within": within,
                "sag_m": sag_m,
                "geometry": line,
            }
        )
        return name

    def cable(self, name: str, kind: str, runs: list[str], fibres: int = 48, **more: Any) -> str:
        """Add a cable with the segments that it runs through, in order."""
        self.cables.append(
            {"id": name, "fibre_type": "G.652.D", "fibre_count": fibres, "kind": kind, **more}
        )
        self.cable_runs += [
            {"cable": name, "seq": seq, "segment": segment}
            for seq, segment in enumerate(runs, start=1)
        ]
        return name

    def joint(self, at: str, *cables: str, name: str | None = None) -> None:
        """Add a splice closure, where cables meet or from drum to drum of one."""
        self.joints.append(
            {"id": name or f"J-{at.removeprefix('G-')}", "at": at, "cables": ";".join(cables)}
        )

    def joints_on(self, nodes: list[str], cable: str, first: int, label: str | None = None) -> None:
        """Add a splice closure at every fifth tower from the first on, about every 1.7 km."""
        for node in nodes[first:-1:5]:
            name = None if label is None else f"J-{label}-{node.rpartition('-')[2]}"
            self.joint(node, cable, name=name)


def metres(at: Xy) -> Xy:
    """Kilometres from the origin as coordinates of the CRS, to the centimetre."""
    return (round(ORIGIN_M[0] + 1000 * at[0], 2), round(ORIGIN_M[1] + 1000 * at[1], 2))


def xy(point: Point) -> Xy:
    """Coordinates of a point."""
    return (point.x, point.y)


def kilometres(point: Point) -> Xy:
    return ((point.x - ORIGIN_M[0]) / 1000, (point.y - ORIGIN_M[1]) / 1000)


def beside(site: str, bearing: float, distance_m: float, aside_m: float = 0.0) -> Xy:
    """A point so far out from a site on a bearing, and so far to the left of that."""
    x, y = SITES[site][2]
    east, north = math.cos(math.radians(bearing)), math.sin(math.radians(bearing))
    return (
        x + (distance_m * east - aside_m * north) / 1000,
        y + (distance_m * north + aside_m * east) / 1000,
    )


def entry(site: str, number: int) -> str:
    return f"ENT-{site}-{number}"


def tray(plant: Plant, route: str, end: End) -> str:
    """The tray that one route has from the entry to the relay room."""
    x, y = beside(end.site, ENTRY_AT[end.entry], 12.0)
    offset = len(plant.segments) % 7 / 10_000
    return plant.segment(
        f"{route}-{end.site}-tray",
        "tray",
        (entry(end.site, end.entry), end.site),
        bends=((x, y + offset),),
        within=f"RM-{end.site}",
    )


def build_sites(plant: Plant) -> None:
    """Sites, their building entries and rooms."""
    for site, (name, kind, at) in SITES.items():
        plant.sites.append(
            {"id": site, "name": name, "kind": kind, "within": "-", "geometry": Point(metres(at))}
        )
        for number in (1, 2, 3) if site in THIRD_ENTRY else (1, 2):
            if site != "OFF" or number == 1:
                plant.structure(
                    entry(site, number), "entry", beside(site, ENTRY_AT[number], 25.0), site
                )


def approach(
    plant: Plant, route: str, end: End, pits: list[str], last: str, trench: str = "-"
) -> str:
    """An approach cable: relay room, tray, entry, ducts from pit to pit, up the gantry.

    `trench` holds the second duct, from the first pit to the second.
    """
    nodes = [entry(end.site, end.entry), *pits, last]
    runs = [tray(plant, route, end)]
    for number, (a, b) in enumerate(pairwise(nodes), start=1):
        kind = "riser" if b == last else "duct"
        within = trench if number == 2 else "-"
        runs.append(
            plant.segment(f"{route}-{end.site}-{kind}-{number}", kind, (a, b), within=within)
        )
    return plant.cable(f"AP-{route}-{end.site}", "duct", runs, overlength_pct=2.0, slack_m=20.0)


def tower_line(
    plant: Plant, line: str, ends: tuple[End, End], bends: tuple[Xy, ...] = (), sag_m: float = 9.0
) -> tuple[list[str], list[str]]:
    """Gantries, towers about every 330 m and the spans between: their ids, in order."""
    corners = [beside(ends[0].site, ends[0].bearing, GANTRY_M), *bends]
    corners.append(beside(ends[1].site, ends[1].bearing, GANTRY_M))
    course = LineString([metres(corner) for corner in corners])
    count = round(course.length / SPAN_M)
    nodes = [plant.structure(f"G-{line}-{ends[0].site}", "gantry", corners[0], ends[0].site)]
    for number in range(1, count):
        at = kilometres(course.interpolate(number / count, normalized=True))
        nodes.append(plant.structure(f"{line}-T{number:02d}", "tower", at))
    nodes.append(plant.structure(f"G-{line}-{ends[1].site}", "gantry", corners[-1], ends[1].site))
    spans = [
        plant.segment(f"{line}-S{number:02d}", "span", (a, b), sag_m=sag_m)
        for number, (a, b) in enumerate(pairwise(nodes), start=1)
    ]
    return nodes, spans


def ground_wire(
    plant: Plant,
    line: str,
    ends: tuple[End, End],
    nodes: list[str],
    spans: list[str],
    pits: dict[str, list[str]] | None = None,
    trench: str = "-",
) -> None:
    """The optical ground wire of a line, and its approach cables.

    `pits` replaces the pit next to a site; `trench` holds a duct between two such pits.
    """
    wire = plant.cable(f"OP-{line}", "opgw", spans, overlength_pct=0.7)
    plant.joints_on(nodes, wire, first=5)
    for end, gantry in zip(ends, (nodes[0], nodes[-1]), strict=True):
        mine = (pits or {}).get(end.site)
        cable = approach(
            plant, line, end, mine or [pit_by(plant, line, end)], gantry, trench if mine else "-"
        )
        plant.joint(gantry, cable, wire)


def pit_by(plant: Plant, route: str, end: End, distance_m: float = 90.0, number: int = 1) -> str:
    """A route's own pit near a site."""
    at = beside(end.site, end.bearing, distance_m)
    return plant.structure(f"{route}-{end.site}-P{number}", "pit", at)


def buried_route(
    plant: Plant,
    route: str,
    ends: tuple[End, End],
    course: tuple[Xy | Stretch, ...],
    *,
    near: dict[str, list[Stretch | str]] | None = None,
) -> list[str]:
    """A buried route from entry to entry: ids of its segments in order, one cable through all.

    `course` are bends between the sites and stretches that must lie just
    there. `near` replaces the pits next to a site: stretches, or a pit that
    is there already, from the site outwards.
    """
    laid = _Course(plant, route)
    laid.begin(ends[0], (near or {}).get(ends[0].site))
    for item in course:
        laid.go(item)
    laid.finish(ends[1], (near or {}).get(ends[1].site))
    kind = "subsea" if "subsea" in laid.kinds else "buried"
    cable = plant.cable(f"UC-{route}", kind, laid.runs, overlength_pct=2.0, slack_m=40.0)
    for pit in laid.markers:
        plant.joint(pit, cable)
    return laid.runs


class _Course:
    """Lays a buried route piece by piece."""

    def __init__(self, plant: Plant, route: str) -> None:
        self.runs: list[str] = []
        self.kinds: set[str] = set()
        self.markers: list[str] = []
        self._plant, self._route = plant, route
        self._pits = self._ducts = 0
        self._here = ""
        self._bends: list[Xy] = []

    def begin(self, end: End, near: list[Stretch | str] | None) -> None:
        self.runs.append(tray(self._plant, self._route, end))
        self._here = entry(end.site, end.entry)
        for step in self._steps(end, near):
            self._step(step)

    def finish(self, end: End, near: list[Stretch | str] | None) -> None:
        steps = [_turned(step) for step in reversed(self._steps(end, near))]
        first = steps.pop(0)
        self._cross_country(first if isinstance(first, tuple) else None, first)
        for step in steps:
            self._step(step)
        self._duct("duct", entry(end.site, end.entry))
        self.runs.append(tray(self._plant, self._route, end))

    def go(self, item: Xy | Stretch) -> None:
        if isinstance(item, Stretch):
            self._cross_country(item.start, item.start)
            self._lay_stretch(item)
            self.markers.append(self._here)
        else:
            self._bends.append(item)

    def _steps(self, end: End, near: list[Stretch | str] | None) -> list[Xy | Stretch | str]:
        if near is None:
            return [beside(end.site, end.bearing, out) for out in PITS_M]
        return [*near, *(beside(end.site, end.bearing, out) for out in PITS_M[1:])]

    def _pit(self, at: Xy) -> str:
        self._pits += 1
        return self._plant.structure(f"{self._route}-P{self._pits:02d}", "pit", at)

    def _duct(self, kind: str, to: str, bends: tuple[Xy, ...] = (), within: str = "-") -> None:
        self._ducts += 1
        self.kinds.add(kind)
        name = f"{self._route}-D{self._ducts:02d}"
        self.runs.append(self._plant.segment(name, kind, (self._here, to), bends, within))
        self._here = to

    def _step(self, step: Xy | Stretch | str) -> None:
        if isinstance(step, Stretch):
            self._duct("duct", self._pit(step.start))
            self._lay_stretch(step)
        else:
            self._duct("duct", step if isinstance(step, str) else self._pit(step))

    def _lay_stretch(self, stretch: Stretch) -> None:
        self._duct(stretch.kind, self._pit(stretch.end), stretch.bends, stretch.within)

    def _cross_country(self, to: Xy | None, target: Xy | Stretch | str) -> None:
        """Buried straight in the ground, with a pit about every 1.8 km."""
        if to is None:
            raise ValueError(f"{self._route}: a route reaches a site at a plain pit, not {target}")
        start = self._plant.place(self._here)
        way = LineString([xy(start), *(metres(bend) for bend in self._bends), metres(to)])
        count = max(1, round(way.length / MARKER_M))
        for number in range(1, count + 1):
            piece = substring(way, (number - 1) / count, number / count, normalized=True)
            inner = tuple(kilometres(Point(bend)) for bend in piece.coords[1:-1])
            there = to if number == count else kilometres(Point(piece.coords[-1]))
            self.markers.append(self._pit(there))
            self._duct("buried", self.markers[-1], inner)
        self._bends = []


def _turned(step: Xy | Stretch | str) -> Xy | Stretch | str:
    if isinstance(step, Stretch):
        return Stretch(step.kind, step.end, step.bends[::-1], step.start, step.within)
    return step


def area(*corners: Xy) -> Polygon:
    return Polygon([metres(corner) for corner in corners])
