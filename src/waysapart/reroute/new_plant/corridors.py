"""Routes of new segments along corridors: roads, own land, whatever lines and areas are offered.

Lines are joined where they meet. Within an area a route goes straight from corner to corner, as far
as all of it lies inside. Structures are led to the nearest place of a corridor by a straight lead.
The shortest route along all that is found by Dijkstra's algorithm.

References
----------
E. W. Dijkstra, A note on two problems in connexion with graphs, Numerische Mathematik 1 (1959).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations, pairwise
from typing import Any

import networkx as nx
import numpy as np
import shapely
from shapely.ops import substring

from waysapart.reroute.new_plant.near_plant import AREA, ground_m
from waysapart.study.plane import Plane

Spot = tuple[float, float]
_DIGITS = 3
"""Places in the plane are the same where they agree to a millimetre."""
_MOST_CORNERS = 120
"""Corners of an area, and places in it, that are joined with each other. No source."""
_COARSEST_M = 1000.0
_INSIDE_M = 0.01
_MOST_TURNS = 25
"""Routes that are tried for two structures before they are taken not to be joined. No source."""
_LEAST_PART = 0.5
"""A route whose leads are longer than what lies in corridors follows none."""


@dataclass(frozen=True)
class Route:
    """A route along corridors.

    Attributes
    ----------
    line : LineString
        In the plane, from the first place to the other.
    length_m : float
        Of all of it, leads included.
    leads_m : tuple of float
        Of the straight leads at its beginning and at its end.
    """

    line: Any
    length_m: float
    leads_m: tuple[float, float]


@dataclass(frozen=True)
class Corridors:
    """Corridors with the structures that are led to them.

    Attributes
    ----------
    graph : networkx.Graph
        Nodes are places in the plane; `metres` of each edge is its length.
    lead_m : dict of str to float
        Length of the lead of each structure; structures without one are not there.
    at : dict of str to (float, float)
        Place of each structure.
    """

    plane: Plane
    graph: Any = field(repr=False)
    lead_m: dict[str, float]
    at: dict[str, Spot]

    def routes(
        self,
        start: str,
        ends: Sequence[str],
        longest_m: float,
        objection: Callable[[Any], Any],
    ) -> Iterator[tuple[str, Route]]:
        """Shortest routes from a structure to others, the shortest first.

        Parameters
        ----------
        start : str
        ends : sequence of str
        longest_m : float
        objection : callable
            Given a line in the plane, the stretch of it that may not be there; None where it is
            right. A route that goes round such stretches is sought.

        Yields
        ------
        end : str
        route : Route
        """
        if start not in self.at:
            return
        metres = nx.single_source_dijkstra_path_length(
            self.graph, self.at[start], cutoff=longest_m, weight="metres"
        )
        there = [one for one in ends if one in self.at and self.at[one] in metres and one != start]
        for end in sorted(there, key=lambda one: (metres[self.at[one]], one)):
            route = self._route(start, end, longest_m, objection)
            if route is not None:
                yield end, route

    def _route(
        self, start: str, end: str, longest_m: float, objection: Callable[[Any], Any]
    ) -> Route | None:
        shut: set[frozenset[Spot]] = set()
        for _ in range(_MOST_TURNS):
            open_ = nx.restricted_view(self.graph, (), [tuple(one) for one in shut])
            try:
                spots = nx.dijkstra_path(open_, self.at[start], self.at[end], weight="metres")
            except nx.NetworkXNoPath:
                return None
            line = _line(spots)
            length_m = ground_m(self.plane, line)
            leads = self.lead_m[start], self.lead_m[end]
            if length_m > longest_m or sum(leads) > _LEAST_PART * length_m:
                return None
            wrong = objection(line)
            if wrong is None:
                return Route(line, length_m, leads)
            middle = shapely.line_interpolate_point(wrong, 0.5, normalized=True)
            steps = [(one, other) for one, other in pairwise(spots)]
            lines = shapely.linestrings([list(step) for step in steps])
            shut.add(frozenset(steps[int(np.argmin(shapely.distance(lines, middle)))]))
        return None


def _line(spots: Sequence[Spot]) -> Any:
    """A line through places, without corners that lie on the way."""
    points = np.array(spots)
    keep = np.ones(len(points), dtype=bool)
    for place in range(1, len(points) - 1):
        before = points[np.flatnonzero(keep[:place])[-1]]
        chord = shapely.LineString([before, points[place + 1]])
        keep[place] = shapely.distance(chord, shapely.Point(points[place])) > 10**-_DIGITS / 2
    return shapely.LineString(points[keep])


def corridors_of(
    plane: Plane, shapes: np.ndarray, places: Mapping[str, Any], forbidden: shapely.STRtree
) -> Corridors:
    """Join corridors with each other and with structures.

    Parameters
    ----------
    plane : Plane
    shapes : ndarray of geometry
        Lines and areas in the plane; points count for nothing.
    places : mapping of str to Point
        Structures and sites in the plane.
    forbidden : STRtree
        Areas that no route may touch.

    Returns
    -------
    Corridors
    """
    parts = shapely.get_parts(shapes[~shapely.is_missing(shapes)])
    areas = parts[shapely.get_dimensions(parts) == AREA]
    lines = parts[shapely.get_dimensions(parts) == 1]
    noded = _noded(lines, areas)
    every = [*noded, *areas]
    graph: Any = nx.Graph()
    corners: dict[int, list[Spot]] = defaultdict(list)
    on_line: dict[int, list[float]] = defaultdict(list)
    lead_m: dict[str, float] = {}
    at: dict[str, Spot] = {}
    tree = shapely.STRtree(every) if every else None
    leads: list[tuple[Spot, Spot]] = []
    for name, place in places.items():
        if tree is None or shapely.is_empty(place):
            continue
        nearest = int(tree.query_nearest(place, all_matches=False)[0])
        lead = shapely.shortest_line(place, every[nearest])
        if len(forbidden.query(lead, predicate="intersects")):
            continue
        here = _spot(shapely.get_coordinates(place)[0])
        there = _spot(shapely.get_coordinates(lead)[1])
        at[name], lead_m[name] = here, float(plane.metres(place, every[nearest])[0])
        if here != there:
            leads.append((here, there))
        if nearest < len(noded):
            on_line[nearest].append(
                float(shapely.line_locate_point(every[nearest], shapely.get_point(lead, 1)))
            )
        else:
            corners[nearest - len(noded)].append(there)
    for number, line in enumerate(noded):
        _add_line(graph, line, on_line.get(number, ()))
    nodes = shapely.points(list(graph.nodes)) if len(graph) else np.empty(0, dtype=object)
    spots = list(graph.nodes)
    for number, area in enumerate(areas):
        _add_area(graph, area, [*corners[number], *_on(area, nodes, spots)])
    for here, there in leads:
        if there in graph:
            graph.add_edge(here, there)
    edges = list(graph.edges)
    if edges:
        drawn = shapely.linestrings([list(edge) for edge in edges])
        hit = set(forbidden.query(drawn, predicate="intersects")[0].tolist())
        graph.remove_edges_from(edge for place, edge in enumerate(edges) if place in hit)
    for one, other, told in graph.edges(data=True):
        told["metres"] = ground_m(plane, shapely.LineString([one, other]))
    for name, here in list(at.items()):
        if here not in graph:
            del at[name], lead_m[name]
    return Corridors(plane, graph, lead_m, at)


def _spot(point: Any) -> Spot:
    return round(float(point[0]), _DIGITS), round(float(point[1]), _DIGITS)


def _noded(lines: np.ndarray, areas: np.ndarray) -> list[Any]:
    """Lines, cut where they meet each other and where they enter areas."""
    if not len(lines):
        return []
    rings = shapely.boundary(areas)
    cut = shapely.get_parts(shapely.node(shapely.union_all([*lines, *rings])))
    if not len(rings):
        return list(cut)
    outline = shapely.union_all(rings)
    middle = shapely.line_interpolate_point(cut, 0.5, normalized=True)
    return list(cut[shapely.distance(middle, outline) > _INSIDE_M])


def _add_line(graph: Any, line: Any, along: Sequence[float]) -> None:
    """Add the steps of a line, with nodes where leads come to it."""
    length = float(shapely.length(line))
    stops = sorted({0.0, length, *(min(max(one, 0.0), length) for one in along)})
    for begin, stop in pairwise(stops):
        points = [_spot(one) for one in shapely.get_coordinates(substring(line, begin, stop))]
        graph.add_edges_from((one, other) for one, other in pairwise(points) if one != other)


def _on(area: Any, nodes: np.ndarray, spots: Sequence[Spot]) -> list[Spot]:
    """Nodes of lines that lie in or at the edge of an area."""
    if not len(nodes):
        return []
    near = np.flatnonzero(shapely.distance(nodes, area) <= _INSIDE_M)
    return [spots[place] for place in near.tolist()]


def _add_area(graph: Any, area: Any, spots: Sequence[Spot]) -> None:
    """Join places in an area and its corners wherever the straight line lies inside."""
    room = shapely.buffer(area, _INSIDE_M)
    shape, tolerance = area, 0.5
    while len(shapely.get_coordinates(shape)) > _MOST_CORNERS and tolerance < _COARSEST_M:
        shape, tolerance = shapely.simplify(area, tolerance), 2 * tolerance
    inner = [_spot(one) for one in shapely.get_coordinates(shape)[:_MOST_CORNERS]]
    inner = [one for one in inner if shapely.covers(room, shapely.Point(one))]
    every = list(dict.fromkeys([*spots[:_MOST_CORNERS], *inner]))
    pairs = list(combinations(every, 2))
    if not pairs:
        return
    shapely.prepare(room)
    kept = shapely.covers(room, shapely.linestrings([list(pair) for pair in pairs]))
    graph.add_edges_from(pair for pair, good in zip(pairs, kept.tolist(), strict=True) if good)
