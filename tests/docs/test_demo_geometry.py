"""Is the demo study drawn as docs/demo.md says? Checked with shapely alone, without the package.

The verdicts of the demo rest on its geometry: where a path comes close to the
other, where it crosses it, and what lies within snapping distance of what. All
of that is worked out anew here from the files of the study.
"""

from __future__ import annotations

import csv
import re
import subprocess
import sys
from functools import cache
from itertools import pairwise
from pathlib import Path

import geopandas as gpd
import networkx as nx
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

EXAMPLES = Path(__file__).parents[2] / "examples"
DEMO = EXAMPLES / "estuary"
PAGE = Path(__file__).parents[2] / "docs" / "demo.md"
SNAP_M, SEPARATION_M, END_ZONE_M = 2.0, 5.0, 300.0
Lines = dict[str, shapely.LineString]


@cache
def layer(name: str) -> gpd.GeoDataFrame:
    return gpd.read_file(DEMO / "plant.gpkg", layer=name).set_index("id")


@cache
def table(name: str) -> pd.DataFrame:
    return pd.read_csv(DEMO / f"{name}.csv", dtype=str, keep_default_na=False)


@cache
def expected() -> dict[str, dict[str, str]]:
    with (EXAMPLES / "estuary_expected.csv").open(encoding="utf-8", newline="") as file:
        return {row["circuit_or_group"]: row for row in csv.DictReader(file)}


@pytest.fixture(scope="module")
def lines() -> Lines:
    return dict(layer("segments").geometry)


def cables_of_links() -> dict[str, list[str]]:
    """Cables of every link in order: written, or where its first port leads to."""
    joined = nx.Graph()
    for row in table("patches").itertuples():
        joined.add_edge((row.a, row.a_port), (row.b, row.b_port))
    for row in table("terminations").itertuples():
        joined.add_edge((row.equipment, row.port), (row.cable, row.fibre, "fibre"))
    for row in table("splices").itertuples():
        ends = (row.a_cable, row.a_fibre, "fibre"), (row.b_cable, row.b_fibre, "fibre")
        joined.add_edge(*ends)
    found: dict[str, list[str]] = table("link_runs").groupby("link")["cable"].apply(list).to_dict()
    for link in table("links").query("a_port != ''").itertuples():
        ends = [(getattr(link, end), getattr(link, f"{end}_port").split(";")[0]) for end in "ab"]
        if all(end in joined for end in ends) and nx.has_path(joined, *ends):
            passed = nx.shortest_path(joined, *ends)
            found[link.id] = [node[0] for node in passed if len(node) == 3]
    return found


@pytest.fixture(scope="module")
def paths(lines: Lines) -> dict[str, list[list[str]]]:
    """For every circuit the segments of each of its paths (none for radio and leased hops)."""
    runs = table("cable_runs").groupby("cable")["segment"].apply(list).to_dict()
    for cable, course in layer("ground_wires").geometry.items():
        near = [name for name, line in lines.items() if shapely.covers(course.buffer(0.1), line)]
        runs[cable] = near
    carriers = table("cables").set_index("id")["carried_by"].to_dict()

    def of_cable(cable: str) -> list[str]:
        return runs[cable] if cable in runs else of_cable(carriers[cable])

    of_link = {
        link: [segment for cable in mine for segment in of_cable(cable)]
        for link, mine in cables_of_links().items()
    }
    found: dict[str, list[list[str]]] = {}
    for (circuit, _), rows in table("circuit_paths").groupby(["circuit", "path"]):
        segments = [s for link in rows["link"] for s in of_link.get(link, [])]
        found.setdefault(str(circuit), []).append(segments)
    circuits = table("circuits").set_index("id")
    ring = table("rings")["link"].tolist()
    nodes = table("links").set_index("id")["a"].loc[ring].tolist()
    for circuit in table("ring_circuits")["circuit"]:
        one, other = sorted(nodes.index(circuits.loc[circuit, end]) for end in "ab")
        for links in (ring[one:other], ring[other:] + ring[:one]):
            found.setdefault(circuit, []).append([s for link in links for s in of_link[link]])
    return found


def outside_end_zones(circuit: str, names: list[str], lines: Lines) -> Lines:
    """The parts of segments that lie outside the end zones of a circuit."""
    ends = table("circuits").set_index("id").loc[circuit, ["a", "b"]]
    sites = table("equipment").set_index("id").loc[ends, "site"]
    zone = shapely.union_all(
        [shapely.buffer(layer("sites").geometry[site], END_ZONE_M, quad_segs=256) for site in sites]
    )
    parts = {name: shapely.difference(lines[name], zone) for name in names}
    return {name: part for name, part in parts.items() if not part.is_empty}


def test_the_generator_writes_the_study_that_is_kept(tmp_path: Path) -> None:
    """Tables and layers that the script writes now equal the ones under examples/estuary."""
    script = str(EXAMPLES / "make_estuary.py")
    subprocess.run([sys.executable, "-B", script, str(tmp_path)], check=True, capture_output=True)
    written = {path.name for path in tmp_path.iterdir()}
    assert written == {path.name for path in DEMO.iterdir()}
    for name in written - {"plant.gpkg"}:
        assert (tmp_path / name).read_bytes() == (DEMO / name).read_bytes(), name
    layers = sorted(name for name, _ in pyogrio.list_layers(DEMO / "plant.gpkg"))
    assert layers == sorted(name for name, _ in pyogrio.list_layers(tmp_path / "plant.gpkg"))
    for name in layers:
        again = gpd.read_file(tmp_path / "plant.gpkg", layer=name)
        assert again.to_wkb().equals(gpd.read_file(DEMO / "plant.gpkg", layer=name).to_wkb()), name


def test_every_circuit_group_and_scheme_is_in_the_expected_table() -> None:
    circuits = table("circuits")
    named = {*circuits["id"], *circuits["group"], *circuits["scheme"]} - {""}
    assert set(expected()) == named
    assert len(circuits) >= 24
    assert circuits["group"].replace("", np.nan).nunique() == 3


def test_no_two_structures_in_one_place() -> None:
    """The nearest two structures or sites of the demo are well over the snapping distance apart."""
    places = pd.concat([layer("structures").geometry, layer("sites").geometry])
    one, other = shapely.STRtree(places).query(places, predicate="dwithin", distance=2 * SNAP_M)
    assert [
        (places.index[i], places.index[j]) for i, j in zip(one, other, strict=True) if i < j
    ] == []


def test_segments_end_and_pass_where_they_should(lines: Lines) -> None:
    """A segment lies within 2 m of the structures at its ends, and of no other.

    Two are meant to be passed: the towers of S1, which is kept as one polyline,
    and the road bridge.
    """
    places = pd.concat([layer("structures").geometry, layer("sites").geometry])
    segments = layer("segments")
    tree = shapely.STRtree(places)
    for name, line in lines.items():
        near = {places.index[i] for i in tree.query(line, predicate="dwithin", distance=SNAP_M)}
        ends = set()
        for vertex, column in ((0, "a"), (-1, "b")):
            point = shapely.get_point(line, vertex)
            at = [places.index[i] for i in tree.query(point, predicate="dwithin", distance=SNAP_M)]
            assert len(at) == 1, (name, column, at)
            assert segments.loc[name, column] in (*at, None) or pd.isna(segments.loc[name, column])
            ends.update(at)
        passed = near - ends
        if name == "S1-LINE":
            assert passed == {place for place in places.index if place.startswith("S1-T")}
        elif segments.loc[name, "within"] == "BRG-1":
            assert passed == {"BRG-1"}
        else:
            assert passed == set(), name


def test_some_ends_are_stated_and_some_are_left_to_snapping() -> None:
    blank = layer("segments")["a"].isna().mean()
    assert 0.2 < blank < 0.5


def test_ways_come_close_and_cross_only_where_the_table_says(
    lines: Lines, paths: dict[str, list[list[str]]]
) -> None:
    """Outside the end zones, pairs of segments within 5 m are the table's near and cross pairs.

    Segments that both paths use, and pairs that meet at a structure at which
    both paths meet, are left out: they are shared, not near.
    """
    for circuit, row in expected().items():
        if circuit not in paths or len(paths[circuit]) < 2:
            continue
        one, other = paths[circuit]
        common = set(one) & set(other)
        mine = outside_end_zones(circuit, [s for s in one if s not in common], lines)
        theirs = outside_end_zones(circuit, [s for s in other if s not in common], lines)
        close, cross = set(), set()
        tree, names = shapely.STRtree(list(theirs.values())), list(theirs)
        for name, part in mine.items():
            for i in tree.query(part, predicate="dwithin", distance=SEPARATION_M):
                close.add("/".join(sorted((name, names[i]))))
            for i in tree.query(part, predicate="intersects"):
                cross.add("/".join(sorted((name, names[i]))))
        stated = {kind: set(filter(None, row[kind].split(";"))) for kind in ("near", "cross")}
        assert cross == stated["cross"], circuit
        assert close == stated["near"] | stated["cross"], circuit


def test_the_two_trenches_keep_one_and_a_half_metres(lines: Lines) -> None:
    """C25: 800 m side by side at 1.5 m, and slopes of 45 degrees to it at either end.

    x metres past the bend the slope is 1.5 cos 45° + x sin 45° away, which is 5 m at
    x = 5.57. So within 5 m they are 800 m and twice 5.57 m, 811.1 m, along the
    straight trench.
    """
    one, other = expected()["C25"]["near"].split("/")
    assert shapely.distance(lines[one], lines[other]) == pytest.approx(1.5, abs=0.01)
    beside = shapely.intersection(lines[one], shapely.buffer(lines[other], 5.0, quad_segs=64))
    assert beside.length == pytest.approx(811.1, abs=0.5)


def test_the_crossing_is_in_mid_span(lines: Lines) -> None:
    """C06: the crossing is so far from every tower that no tower can be taken as passed."""
    one, other = expected()["C06"]["cross"].split("/")
    at = shapely.intersection(lines[one], lines[other])
    structures = layer("structures").geometry
    assert structures.distance(at).min() > 50
    assert shapely.get_type_id(at) == 0


def test_ducts_on_the_bridge_are_further_apart_than_the_rules_ask(lines: Lines) -> None:
    on_bridge = layer("segments").query("within == 'BRG-1'").index
    one, other = (lines[name] for name in on_bridge)
    assert shapely.distance(one, other) == pytest.approx(12.0, abs=0.01)


def test_hazards_touch_what_the_page_says(lines: Lines, paths: dict[str, list[list[str]]]) -> None:
    """The flood area reaches both paths of C26 and of no other circuit; the other two reach one."""
    hazards = layer("hazards")
    both = {}
    for hazard, row in hazards.iterrows():
        reach = row.geometry.buffer(row["reach_m"])
        both[hazard] = {
            circuit
            for circuit, mine in paths.items()
            if len(mine) == 2
            and all(any(reach.intersects(lines[s]) for s in segments) for segments in mine)
        }
    assert both == {"HZ-ANCHOR-1": set(), "HZ-FLOOD-1": {"C26"}, "HZ-WORKS-1": set()}
    sites, reach = layer("sites").geometry, hazards.geometry.buffer(hazards["reach_m"])
    assert not any(shapely.intersects(shape, site) for shape in reach for site in sites)


def test_the_record_of_one_cable_leaves_out_a_piece(lines: Lines) -> None:
    """C09: the runs of UC-U6B meet end to end but for one break of over a kilometre."""
    runs = table("cable_runs").query("cable == 'UC-U6B'")["segment"]
    breaks = [
        shapely.distance(lines[a], lines[b])
        for a, b in pairwise(runs)
        if shapely.distance(lines[a], lines[b]) > SNAP_M
    ]
    assert len(breaks) == 1
    assert breaks[0] > 1000


def test_the_page_shows_the_expected_table() -> None:
    """docs/demo.md has a row per circuit, group and scheme with the same answers.

    There, `N1-S01..N1-S30` stands for all ids from the first to the last.
    """
    rows = {}
    for line in PAGE.read_text(encoding="utf-8").splitlines():
        cells = [cell.strip() for cell in line.strip().strip("|").split("|")]
        if len(cells) == 8 and re.fullmatch(r"[CGT]\d+", cells[0]):
            rows[cells[0]] = cells
    answers = expected()
    assert set(rows) == set(answers)
    for name, (_, _, _, verdict, shared, near, cross, limits) in rows.items():
        want = answers[name]
        assert verdict == want["verdict"], name
        assert sorted(spelled_out(shared)) == list(filter(None, want["shared"].split(";"))), name
        assert near.strip("`") == want["near"], name
        assert cross.strip("`") == want["cross"], name
        assert (
            limits == {"true": "yes", "false": "no", "none": "not known"}[want["within_limits"]]
        ), name


def spelled_out(cell: str) -> list[str]:
    """Ids of a cell of the page, with ranges written out."""
    found = []
    for item in re.findall(r"`([^`]+)`", cell):
        first, _, last = item.partition("..")
        stem, start = re.fullmatch(r"(.*?)(\d*)", first).groups()  # type: ignore[union-attr]
        if not last:
            found.append(first)
            continue
        assert last.startswith(stem)
        numbers = range(int(start), int(last.removeprefix(stem)) + 1)
        found += [f"{stem}{number:0{len(start)}d}" for number in numbers]
    return found
