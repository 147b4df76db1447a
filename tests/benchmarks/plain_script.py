"""What somebody who knows networkx and shapely would write for one national plant.

Run by hand:  python tests/benchmarks/plain_script.py STUDY OUT.json

A graph from everything to what it relies on, sets per path, and per circuit shapely's
buffer, difference and distance. It reads the layers of `national_plant.py` and knows that
plant's habits: no record gaps, no waivers, no groups, two ways each, one set of rules. Written
once as a yardstick and left alone; `run.py` holds its answer against the program's.
"""

import json
import sys
from pathlib import Path

import geopandas as gpd
import networkx as nx
import pandas as pd
import shapely
from pyproj import Geod, Transformer

SNAP_M = 2.0
ZONE_M = 50.0
LIMIT_M = {"span": 40.0, "duct": 5.0, "trench": 5.0}
OVERHEAD = ("tower", "gantry", "pole")
GROUND = ("pit", "entry", "bridge")


def read(folder):
    layers = {}
    for role in ("sites", "structures", "segments", "hazards"):
        layers[role] = gpd.read_file(folder / "study.gpkg", layer=role)
    for path in folder.glob("*.csv"):
        layers[path.stem] = pd.read_csv(path, dtype=str)
    return layers


def reliance_graph(layers):
    """Edges from everything to what it relies on, and the ends of segments."""
    graph = nx.DiGraph()
    for role in ("sites", "structures", "holders", "segments", "equipment", "supplies"):
        for row in layers[role].itertuples():
            graph.add_node(row.id)
            if isinstance(row.within, str) and row.within != "-":
                for holder in row.within.split(";"):
                    graph.add_edge(row.id, holder)
    add_hazards(graph, layers)
    add_power(graph, layers)
    add_cables(graph, layers, segment_nodes(layers))
    for row in layers["links"].itertuples():
        graph.add_edge(("link", row.id), row.a)
        graph.add_edge(("link", row.id), row.b)
    for row in layers["link_runs"].itertuples():
        graph.add_edge(("link", row.link), row.cable)
        graph.add_edge(("link", row.link), ("way", row.cable))
    return graph


def add_hazards(graph, layers):
    hazards = layers["hazards"]
    for role in ("sites", "structures", "segments"):
        frame = layers[role]
        tree = shapely.STRtree(frame.geometry.values)
        for hazard in hazards.itertuples():
            for row in tree.query(hazard.geometry, predicate="intersects"):
                graph.add_edge(frame.id.values[row], hazard.id)


def add_power(graph, layers):
    for row in layers["supplies"].itertuples():
        graph.add_edge(row.id, row.site)
        if isinstance(row.needs, str):
            for needed in row.needs.split(";"):
                graph.add_edge(row.id, needed)
    for row in layers["equipment"].itertuples():
        graph.add_edge(row.id, row.site)
    for row in layers["equipment"].itertuples():
        if isinstance(row.supplies, str) and row.supplies != "-":
            relied = [nx.descendants(graph, one) | {one} for one in row.supplies.split(";")]
            for common in set.intersection(*relied):
                graph.add_edge(row.id, common)


def segment_nodes(layers):
    """Structures and sites that each segment ends at or passes."""
    places = pd.concat([layers["structures"], layers["sites"]], ignore_index=True)
    tree = shapely.STRtree(places.geometry.values)
    names, kinds = places.id.values, places.kind.values
    nodes = {}
    for row in layers["segments"].itertuples():
        mine = set()
        for stated, at in ((row.a, 0), (row.b, -1)):
            if isinstance(stated, str):
                mine.add(stated)
                continue
            end = shapely.Point(row.geometry.coords[at])
            near = tree.query(end, predicate="dwithin", distance=SNAP_M)
            if len(near):
                mine.add(names[min(near, key=lambda k: places.geometry.values[k].distance(end))])
        passes = OVERHEAD if row.kind == "span" else GROUND
        for place in tree.query(row.geometry, predicate="dwithin", distance=SNAP_M):
            if kinds[place] in passes:
                mine.add(names[place])
        nodes[row.id] = mine
    return nodes


def add_cables(graph, layers, nodes):
    """A cable's way is a node of its own, since a duct relies on its trench but not on pits."""
    for row in layers["cable_runs"].itertuples():
        graph.add_edge(("way", row.cable), row.segment)
        for node in nodes[row.segment]:
            graph.add_edge(("way", row.cable), node)
    for row in layers["joints"].itertuples():
        for cable in row.cables.split(";"):
            graph.add_edge(("way", cable), row.id)
            graph.add_edge(row.id, row.at)
    for row in layers["cables"].itertuples():
        graph.add_node(row.id)
        graph.add_node(("way", row.id))
        if isinstance(row.carried_by, str):
            graph.add_edge(("way", row.id), row.carried_by)
            graph.add_edge(("way", row.id), ("way", row.carried_by))


def paths_of(layers):
    """Links of both ways of every circuit."""
    paths = {}
    rows = layers["circuit_paths"]
    rows = rows.assign(seq=rows.seq.astype(int)).sort_values("seq", kind="stable")
    for row in rows.itertuples():
        paths.setdefault(row.circuit, {}).setdefault(row.path, []).append(row.link)
    rings = layers["rings"].sort_values("seq").groupby("ring")["link"].apply(list)
    for row in layers["ring_circuits"].itertuples():
        ways = [[one] for one in rings[row.ring]]
        paths[row.circuit] = dict(zip(("main", "alternate"), ways, strict=True))
    return paths


def answer(layers):
    graph = reliance_graph(layers)
    segments = layers["segments"].set_index("id")
    line, kind = segments.geometry.to_dict(), segments.kind.to_dict()
    place = layers["sites"].set_index("id").geometry.to_dict()
    site = layers["equipment"].set_index("id").site.to_dict()
    to_degrees = Transformer.from_crs(segments.crs, 4326, always_xy=True)
    geod = Geod(ellps="WGS84")
    paths = paths_of(layers)
    found = {}
    for circuit in layers["circuits"].itertuples():
        relied, ways, length = {}, {}, {}
        for label, links in paths[circuit.id].items():
            relied[label] = set()
            for link in links:
                relied[label] |= nx.descendants(graph, ("link", link))
            cables = [
                one
                for link in links
                for one in graph.successors(("link", link))
                if isinstance(one, tuple)
            ]
            cables += [
                one for way in cables for one in graph.successors(way) if isinstance(one, tuple)
            ]
            ways[label] = {one for way in cables for one in graph.successors(way) if one in line}
            length[label] = 0.0
            for one in ways[label]:
                lon, lat = to_degrees.transform(*zip(*line[one].coords, strict=False))
                length[label] += geod.line_length(lon, lat)
        relied = {
            label: {one for one in mine if isinstance(one, str)} for label, mine in relied.items()
        }
        shared = relied["main"] & relied["alternate"]
        ends = {circuit.a, circuit.b}
        for one in (circuit.a, circuit.b):
            ends |= nx.descendants(graph, one)
        near, closest = near_pairs(circuit, ways, line, kind, place, site)
        found[circuit.id] = {
            "shared": sorted(shared - ends),
            "unavoidable": sorted(shared & ends),
            "near": sorted(near),
            "closest_m": closest,
            "route_m": length,
        }
    return found


def near_pairs(circuit, ways, line, kind, place, site):
    """Segments of the two ways that come too close outside the end zones; the least distance."""
    zones = shapely.union_all(
        [place[site[end]].buffer(ZONE_M, quad_segs=64) for end in (circuit.a, circuit.b)]
    )
    outside = {}
    for label, mine in ways.items():
        cut = {one: line[one].difference(zones) for one in mine}
        outside[label] = {one: left for one, left in cut.items() if not left.is_empty}
    if not all(outside.values()):
        return [], None
    main, alternate = (shapely.union_all(list(outside[label].values())) for label in ways)
    closest = main.distance(alternate)
    if closest >= max(LIMIT_M.values()):
        return [], closest
    near = []
    for one, left in outside["main"].items():
        for other, right in outside["alternate"].items():
            limit = LIMIT_M.get(kind[one], 0.0) if kind[one] == kind[other] else 0.0
            if left.distance(right) < limit:
                near.append((one, other))
    return near, closest


if __name__ == "__main__":
    Path(sys.argv[2]).write_text(json.dumps(answer(read(Path(sys.argv[1])))))
