"""A study of national size on a published topology: towers, spans and ground wires by rule.

Sites and lines are those of an SNDlib topology as the topohub package carries it;
towers, kinds, ids and circuits are invented. Written as files, as an owner would
hand them in, and kept as plain records beside them for whoever checks the proof.
"""

from __future__ import annotations

import csv
import math
import random
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

import geopandas as gpd
import networkx as nx
import shapely
import topohub
from pyproj import Transformer

CRS = "EPSG:25832"
SPAN_M = 300.0
_NOT_NEAR = "[services.default]\nseparation_m = 0\nforbid_cross = false\n"


@dataclass
class National:
    """What was written: one dict per row and role, in metres, and the topology as a graph.

    `line` maps an edge of the graph to its link; links and cables are one to one.
    """

    graph: nx.Graph[str]
    line: dict[frozenset[str], str]
    rows: dict[str, list[dict[str, Any]]] = field(default_factory=dict)

    def add(self, role: str, **row: Any) -> None:
        self.rows.setdefault(role, []).append(row)

    def links(self, nodes: list[str]) -> list[str]:
        """Links along a path through the graph."""
        return [self.line[frozenset(pair)] for pair in pairwise(nodes)]

    def circuit(self, name: str, main: list[str], alternate: list[str]) -> None:
        """A circuit between the multiplexers at the ends of two paths through the graph."""
        self.add("circuits", id=name, a=f"MUX-{main[0]}", b=f"MUX-{main[-1]}", service="")
        for label, way in (("main", main), ("alternate", alternate)):
            for seq, link in enumerate(self.links(way), start=1):
                self.add("circuit_paths", circuit=name, path=label, seq=seq, link=link)


def topology(name: str) -> nx.Graph[str]:
    """A topohub topology with its sites as text ids and `pos` in metres east and north."""
    raw = topohub.get(name)
    to_metres = Transformer.from_crs("EPSG:4326", CRS, always_xy=True).transform
    graph: nx.Graph[str] = nx.Graph()
    for node in raw["nodes"]:
        graph.add_node(f"N{node['id']}", pos=to_metres(*node["pos"]))
    for edge in raw.get("edges", raw.get("links", [])):
        one, other = f"N{edge['source']}", f"N{edge['target']}"
        if one != other:
            metres = math.dist(graph.nodes[one]["pos"], graph.nodes[other]["pos"])
            graph.add_edge(one, other, metres=metres)
    return graph


def scattered(name: str, rng: random.Random) -> nx.Graph[str]:
    """The same topology with its sites at random places of a square of 200 km."""
    graph = topology(name)
    for site in graph.nodes:
        east, north = rng.uniform(400_000, 600_000), rng.uniform(5_900_000, 6_100_000)
        graph.nodes[site]["pos"] = (east, north)
    return graph


def plant_on(
    graph: nx.Graph[str], span_m: float, rng: random.Random, *, right_of_way: bool = True
) -> National:
    """A site and a multiplexer per node; a line of spans, a ground wire and a link per edge.

    Nine lines in ten are kept span by span (ends stated on some, snapped on the others),
    the tenth as one polyline that passes its towers. The first and the last tower of
    every line, and the spans between, stand in the right-of-way of the site's side they
    leave by, north or south, so that lines which leave on one side share it. Without
    `right_of_way` they lie in nothing.
    """
    made = National(graph, {})
    for site, data in graph.nodes(data=True):
        made.add("sites", id=site, within="-", geometry=shapely.Point(data["pos"]))
        made.add(
            "equipment",
            id=f"MUX-{site}",
            site=site,
            kind="multiplexer",
            within="-",
            supplies="-",
            delay_us=0,
        )
        for side in ("N", "S"):
            made.add("holders", id=f"ROW-{site}-{side}", kind="right-of-way", within="-")
    for number, (one, other) in enumerate(sorted(tuple(sorted(edge)) for edge in graph.edges)):
        name = f"L{number:03d}"
        made.line[frozenset((one, other))] = name
        whole = number % 10 == 0
        _line(made, name, one, other, span_m, whole=whole, sides=right_of_way, rng=rng)
    return made


def _line(
    made: National,
    name: str,
    one: str,
    other: str,
    span_m: float,
    *,
    whole: bool,
    sides: bool,
    rng: random.Random,
) -> None:
    (x0, y0), (x1, y1) = (made.graph.nodes[site]["pos"] for site in (one, other))
    count = max(2, round(math.dist((x0, y0), (x1, y1)) / span_m))
    points = [(x0 + k / count * (x1 - x0), y0 + k / count * (y1 - y0)) for k in range(count + 1)]
    leaving = {1: "-", count - 1: "-"}
    if sides:
        leaving = {
            1: _side(one, points[1], (x0, y0)),
            count - 1: _side(other, points[-2], (x1, y1)),
        }
    nodes = [one, *(f"{name}-T{k}" for k in range(1, count)), other]
    for k in range(1, count):
        made.add(
            "structures",
            id=nodes[k],
            kind="tower",
            within=leaving.get(k, "-"),
            geometry=shapely.Point(points[k]),
        )
    made.add("cables", id=f"{name}-OPGW", fibre_type="G.652.D", fibre_count=48, kind="opgw")
    if whole:
        made.add(
            "segments", id=f"{name}-LINE", kind="span", within="-",
            geometry=shapely.LineString(points),
        )  # fmt: skip
        made.add("cable_runs", cable=f"{name}-OPGW", seq=1, segment=f"{name}-LINE")
    for k in range(0 if whole else count):
        span = f"{name}-S{k + 1}"
        ends = {"a": nodes[k], "b": nodes[k + 1]} if rng.random() < 0.5 else {}
        within = leaving[1] if k == 0 else leaving[count - 1] if k == count - 1 else "-"
        turned = rng.random() < 0.2
        line = points[k : k + 2]
        if turned:
            line, ends = line[::-1], {"a": ends.get("b"), "b": ends.get("a")}
        made.add(
            "segments", id=span, kind="span", within=within,
            geometry=shapely.LineString(line), **ends,
        )  # fmt: skip
        made.add("cable_runs", cable=f"{name}-OPGW", seq=k + 1, segment=span)
    made.add("links", id=name, a=f"MUX-{one}", b=f"MUX-{other}", wavelength_nm=1550, splices=40)
    made.add("link_runs", link=name, seq=1, cable=f"{name}-OPGW")


def _side(site: str, tower: tuple[float, float], at: tuple[float, float]) -> str:
    return f"ROW-{site}-{'N' if tower[1] >= at[1] else 'S'}"


def disjoint_ways(graph: nx.Graph[str], a: str, b: str) -> list[list[str]]:
    """Two node-disjoint paths, the shorter first; fewer where the graph has no two."""
    ways = sorted(nx.node_disjoint_paths(graph, a, b), key=len)
    return [list(way) for way in ways[:2]]


def add_circuits(made: National, count: int, rng: random.Random) -> None:
    """Circuits between random sites: most on node-disjoint paths, one in four on paths that meet.

    The paths that meet are the shortest by length and the shortest by random weights.
    """
    sites = sorted(made.graph.nodes)
    for number in range(count):
        a, b = rng.sample(sites, 2)
        ways = disjoint_ways(made.graph, a, b)
        if number % 4 == 0 or len(ways) < 2:
            weight = {edge: rng.random() for edge in map(frozenset, made.graph.edges)}
            ways = [
                nx.shortest_path(made.graph, a, b, weight="metres"),
                nx.shortest_path(made.graph, a, b, weight=_weighing(weight)),
            ]
        made.circuit(f"K{number:03d}", *ways)


def _weighing(
    weight: dict[frozenset[str], float],
) -> Callable[[str, str, dict[str, Any]], float]:
    return lambda one, other, _: weight[frozenset((one, other))]


def write(made: National, folder: Path, *, near: bool = True) -> Path:
    """Write the study; without `near`, rules that leave separation in space alone."""
    folder.mkdir(parents=True, exist_ok=True)
    for role, rows in made.rows.items():
        if "geometry" in rows[0]:
            frame = gpd.GeoDataFrame(rows, geometry="geometry", crs=CRS)
            frame.to_file(folder / "study.gpkg", layer=role)
        else:
            _write_csv(folder / f"{role}.csv", rows)
    (folder / "study.toml").write_text(f'name = "National"\ncrs = "{CRS}"\n', encoding="utf-8")
    if not near:
        (folder / "rules.toml").write_text(_NOT_NEAR, encoding="utf-8")
    return folder


def _write_csv(path: Path, rows: Iterable[dict[str, Any]]) -> None:
    rows = list(rows)
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(dict.fromkeys(k for row in rows for k in row)))
        writer.writeheader()
        writer.writerows(rows)
