"""What a user would write first for one national plant: loops of networkx and shapely, no index.

Run by hand:  python tests/benchmarks/first_script.py STUDY OUT.json

The same graph and the same answer as `plain_script.py`, which somebody wrote who had waited for
this one: here every segment is held against every structure and hazard, and in every circuit
each segment of one path against each of the other.
"""

import json
import sys
from pathlib import Path

import pandas as pd
import plain_script
import shapely
from plain_script import GROUND, LIMIT_M, OVERHEAD, SNAP_M, ZONE_M


def add_hazards(graph, layers):
    for hazard in layers["hazards"].itertuples():
        for role in ("sites", "structures", "segments"):
            for row in layers[role].itertuples():
                if row.geometry.intersects(hazard.geometry):
                    graph.add_edge(row.id, hazard.id)


def segment_nodes(layers):
    """Structures and sites that each segment ends at or passes."""
    places = pd.concat([layers["structures"], layers["sites"]], ignore_index=True)
    nodes = {}
    for row in layers["segments"].itertuples():
        mine = set()
        for stated, at in ((row.a, 0), (row.b, -1)):
            if isinstance(stated, str):
                mine.add(stated)
                continue
            away = places.geometry.distance(shapely.Point(row.geometry.coords[at]))
            if away.min() <= SNAP_M:
                mine.add(places.id[away.idxmin()])
        passes = OVERHEAD if row.kind == "span" else GROUND
        near = places[places.geometry.distance(row.geometry) <= SNAP_M]
        mine.update(near.id[near.kind.isin(passes)])
        nodes[row.id] = mine
    return nodes


def near_pairs(circuit, ways, line, kind, place, site):
    """Segments of the two paths that come too close outside the end zones; the least distance."""
    zones = shapely.union_all(
        [place[site[end]].buffer(ZONE_M, quad_segs=64) for end in (circuit.a, circuit.b)]
    )
    outside = {
        label: {one: line[one].difference(zones) for one in mine} for label, mine in ways.items()
    }
    near, closest = [], None
    for one, left in outside["main"].items():
        for other, right in outside["alternate"].items():
            if left.is_empty or right.is_empty:
                continue
            metres = left.distance(right)
            closest = metres if closest is None else min(closest, metres)
            if metres < (LIMIT_M.get(kind[one], 0.0) if kind[one] == kind[other] else 0.0):
                near.append((one, other))
    return near, closest


if __name__ == "__main__":
    plain_script.add_hazards = add_hazards
    plain_script.segment_nodes = segment_nodes
    plain_script.near_pairs = near_pairs
    found = plain_script.answer(plain_script.read(Path(sys.argv[1])))
    Path(sys.argv[2]).write_text(json.dumps(found))
