"""The oracle ties a study: ends to places, cables to segments, links to cables, paths to links."""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from pathlib import Path

import pyproj
import shapely
import shapely.ops
from shapely.geometry import LineString, Point

from oracle_records import (
    Asset,
    Chain,
    Gap,
    Plant,
    Run,
    Way,
    blanks,
    ids,
    number,
    read_records,
)

SPAN_SUPPORTS = ("tower", "gantry", "pole")
GROUND_POINTS = ("pit", "entry", "bridge")
SAME_PLACE_M = 0.5
GEOD = pyproj.Geod(ellps="WGS84")


def read_plant(folder: str | Path) -> Plant:
    """Read and tie the study in `folder`."""
    plant = read_records(folder)
    _tie_segments(plant)
    _find_twins(plant)
    _tie_cables(plant)
    _tie_hazards(plant)
    _tie_air(plant)
    _tie_links(plant)
    _tie_paths(plant)
    plant.gaps += blanks(plant)
    _find_contradictions(plant)
    return plant


def _tie_segments(plant: Plant) -> None:
    for segment in plant.of("segments"):
        line: LineString = segment.plane
        first, last = Point(line.coords[0]), Point(line.coords[-1])
        plant.ends[segment.id] = (
            _end_node(plant, segment, "a", first),
            _end_node(plant, segment, "b", last),
        )
        recorded = number(segment.row.get("length_m"))
        plant.length_m[segment.id] = (
            GEOD.geometry_length(segment.lonlat) if recorded is None else recorded
        )
        fitting = SPAN_SUPPORTS if segment.kind == "span" else GROUND_POINTS
        passed = []
        for structure in plant.of("structures"):
            if structure.id in plant.ends[segment.id] or structure.kind not in fitting:
                continue
            if line.distance(structure.plane) > plant.snap_m:
                continue
            nearest, _ = shapely.ops.nearest_points(line, structure.plane)
            if 1e-6 < line.project(nearest) < line.length - 1e-6:
                passed.append(structure.id)
        plant.passed[segment.id] = tuple(passed)


def _end_node(plant: Plant, segment: Asset, column: str, vertex: Point) -> str | None:
    touched = frozenset({segment.id})
    given = segment.row.get(column)
    if given:
        if vertex.distance(plant.assets[given].plane) > plant.snap_m:
            says = f"end {column} of {segment.id} lies away from {given}"
            plant.gaps.append(Gap("end-far", says, touched))
        return given
    near = [
        (vertex.distance(place.plane), place.id)
        for place in plant.of("structures") + plant.of("sites")
        if vertex.distance(place.plane) <= plant.snap_m
    ]
    structures = [node for _, node in near if plant.assets[node].role == "structures"]

    def stands_in(structure: str, site: str) -> bool:
        outline = plant.assets[site].plane
        return site in plant.all_holders(structure) or (
            outline.area > 0 and outline.covers(plant.assets[structure].plane)
        )

    candidates = [
        (distance, node)
        for distance, node in near
        if plant.assets[node].role == "structures"
        or not any(stands_in(structure, node) for structure in structures)
    ]
    if not candidates:
        says = f"end {column} of {segment.id} meets nothing"
        plant.gaps.append(Gap("end-open", says, touched))
        return None
    if len(candidates) > 1:
        says = f"end {column} of {segment.id} has candidates {sorted(candidates)}"
        plant.gaps.append(Gap("end-several", says, touched))
    return min(candidates)[1]


def _find_twins(plant: Plant) -> None:
    def family(structure: Asset) -> str:
        return "span" if structure.kind in SPAN_SUPPORTS else structure.kind

    for one, other in itertools.combinations(plant.of("structures"), 2):
        if family(one) == family(other) and one.plane.distance(other.plane) <= SAME_PLACE_M:
            says = f"{one.id} and {other.id} stand in one place"
            plant.gaps.append(Gap("twins", says, frozenset({one.id, other.id})))


def _find_contradictions(plant: Plant) -> None:
    """Joints that list a cable which never comes near; sites that are not those lain within."""
    for joint in plant.of("joints"):
        at = joint.row["at"]
        for cable in ids(joint.row.get("cables")):
            segments = plant.chains[cable].segments
            nodes = plant.nodes_on(cable)
            meets = at in nodes or any(
                at in plant.all_holders(node) or node in plant.all_holders(at) for node in nodes
            )
            place = plant.assets[at].plane
            if meets or not segments:
                continue
            if min(plant.assets[segment].plane.distance(place) for segment in segments) > (
                plant.snap_m
            ):
                says = f"{joint.id} lists {cable}, which never passes {at}"
                plant.gaps.append(Gap("joint-off-cable", says, frozenset({joint.id, cable})))
    sites = {site.id for site in plant.of("sites")}
    for asset in plant.of("equipment") + plant.of("supplies"):
        site, held = asset.row.get("site"), plant.all_holders(asset.id) & sites
        if site and held and site not in held and not held & plant.all_holders(site):
            says = f"{asset.id} stands on {site} and lies on {sorted(held)}"
            plant.gaps.append(Gap("site-contradiction", says, frozenset({asset.id})))


def _thread(
    pairs: list[tuple[str | None, str | None]],
) -> tuple[tuple[str | None, ...], bool]:
    """Nodes along a row of segments with these ends; and whether each meets the next."""
    for flip in (False, True):
        enter, leave = pairs[0][::-1] if flip else pairs[0]
        nodes: list[str | None] = [enter, leave]
        for pair in pairs[1:]:
            here = nodes[-1]
            if here is None or here not in pair:
                break
            nodes.append(pair[1] if pair[0] == here else pair[0])
        if len(nodes) == len(pairs) + 1:
            return tuple(nodes), True
    return (pairs[0][0], *(pair[1] for pair in pairs)), False


def _tie_cables(plant: Plant) -> None:
    own: dict[str, list[tuple[int, str]]] = defaultdict(list)
    for row in plant.tables["cable_runs"]:
        own[row["cable"]].append((int(row["seq"]), row["segment"]))
    for cable in plant.of("cables"):
        segments = tuple(s for _, s in sorted(own[plant.follows(cable.id)]))
        touched = frozenset({cable.id})
        if not segments:
            plant.chains[cable.id] = Chain((), (), False)
            plant.gaps.append(Gap("no-runs", f"{cable.id} has no runs", touched))
            continue
        nodes, unbroken = _thread([plant.ends[segment] for segment in segments])
        plant.chains[cable.id] = Chain(segments, nodes, unbroken)
        if not unbroken:
            plant.gaps.append(Gap("cable-broken", f"{cable.id} is broken", touched))


def _tie_hazards(plant: Plant) -> None:
    """For each segment, structure and site: the hazards that touch and take it."""
    for asset in plant.of("segments") + plant.of("structures") + plant.of("sites"):
        plant.takes[asset.id] = frozenset(
            hazard.id
            for hazard in plant.of("hazards")
            if (not ids(hazard.row.get("takes")) or asset.kind in ids(hazard.row["takes"]))
            and hazard.plane.distance(asset.plane) <= (number(hazard.row.get("reach_m")) or 0.0)
        )


def _tie_air(plant: Plant) -> None:
    """For each radio hop: the hazards that take radio on its way, straight from mast to mast."""
    for link, row in plant.links.items():
        if row.get("medium") != "radio":
            continue
        sites = [plant.assets[plant.assets[row[end]].row["site"]] for end in ("a", "b")]
        first, last = (site.plane.centroid for site in sites)
        named = [plant.assets[one] for one in ids(row.get("relies_on"))]
        masts = [
            one.plane.centroid
            for one in named
            if one.role == "structures" and one.kind not in ("pit", "entry", "bridge")
        ]
        points = [first, last]
        if len(masts) == 1:
            points = [masts[0], max(points, key=masts[0].distance)]
        elif masts:
            points = sorted(masts, key=first.distance)
        way = LineString(points)
        plant.in_air[link] = frozenset(
            hazard.id
            for hazard in plant.of("hazards")
            if "radio" in ids(hazard.row.get("takes"))
            and hazard.plane.distance(way) <= (number(hazard.row.get("reach_m")) or 0.0)
        )


def _tie_links(plant: Plant) -> None:
    for link, row in plant.links.items():
        medium = row.get("medium") or "fibre"
        own = [run for run in plant.tables["link_runs"] if run["link"] == link]
        directions = {run.get("direction") or "" for run in own}
        names = sorted(directions - {""}) or ["both"]
        plant.runs[link] = {}
        plant.changes[link] = set()
        if not own:
            plant.runs[link] = {"both": []}
            _check_missing_way(plant, link, row, medium)
            continue
        if len(directions - {""}) == 1 and "" not in directions:
            says = f"{link} has runs for one direction only"
            plant.gaps.append(Gap("one-direction", says, links=frozenset({link})))
        for name in names:
            mine = [run for run in own if (run.get("direction") or name) == name]
            mine.sort(key=lambda run: int(run["seq"]))
            runs = [_part(plant, link, run) for run in mine]
            plant.runs[link][name] = runs
            _check_link_way(plant, link, row, runs)
            for before, after in itertools.pairwise(runs):
                if before.cable != after.cable:
                    plant.changes[link].update(_meeting(plant, before, after))
            for run in runs:
                cable = plant.assets[run.cable].row
                if medium == "fibre" and not cable.get("fibre_type"):
                    says = f"{run.cable} of {link} has no fibre_type"
                    plant.gaps.append(
                        Gap("fibre-type", says, links=frozenset({link}), separation=False)
                    )
                if run.fibres and not cable.get("fibre_count"):
                    says = f"{run.cable} of {link} has no fibre_count"
                    plant.gaps.append(
                        Gap("fibre-count", says, links=frozenset({link}), separation=False)
                    )


def _check_missing_way(plant: Plant, link: str, row: dict[str, str], medium: str) -> None:
    known = bool(row.get("relies_on"))
    if medium == "leased" and known and row["relies_on"] != "-":
        own = _at_ends(plant, row)
        known = not set(row["relies_on"].split(";")) <= own
    apart = plant.assets[row["a"]].row["site"] != plant.assets[row["b"]].row["site"]
    if (
        medium == "fibre"
        or (medium == "leased" and not known)
        or (medium in ("electrical", "carrier", "radio") and not known and apart)
        or (medium == "internal" and apart)
    ):
        says = f"the way of {medium} link {link} is not on record"
        plant.gaps.append(Gap("no-way", says, links=frozenset({link})))


def _at_ends(plant: Plant, row: dict[str, str]) -> set[str]:
    """All that belongs to the two ends of a hop; empty where both are at one site."""
    machines = [row["a"], row["b"], *filter(None, (row.get("via") or "").split(";"))]
    if plant.assets[row["a"]].row["site"] == plant.assets[row["b"]].row["site"]:
        return set()
    found: set[str] = set()
    while machines:
        name = machines.pop()
        if name in found or name not in plant.assets:
            continue
        found.add(name)
        mine = plant.assets[name].row
        for column in ("site", "within", "supplies", "needs"):
            machines += [one for one in (mine.get(column) or "").split(";") if one not in ("", "-")]
    return found


def _part(plant: Plant, link: str, row: dict[str, str]) -> Run:
    chain = plant.chains[row["cable"]]
    start, end = row.get("from") or None, row.get("to") or None
    first, last = 0, len(chain.segments)
    if start or end:
        missing = [node for node in (start, end) if node and node not in chain.nodes]
        if missing:
            says = f"{missing} not on {row['cable']} of {link}"
            plant.gaps.append(Gap("part-unknown", says, links=frozenset({link})))
        else:
            at = chain.nodes.index(start) if start else 0
            to = chain.nodes.index(end) if end else last
            first, last = min(at, to), max(at, to)
    ends = (chain.nodes[first], chain.nodes[last]) if chain.segments else (None, None)
    whole = (first, last) == (0, len(chain.segments))
    return Run(row["cable"], first, last, whole, ends, row.get("fibres") or "")


def _meets(plant: Plant, one: str | None, other: str | None) -> bool:
    if one is None or other is None:
        return False
    if one == other:
        return True
    return (plant.assets[other].role == "sites" and plant.at_site(one, other)) or (
        plant.assets[one].role == "sites" and plant.at_site(other, one)
    )


def _joined(plant: Plant, before: Run, after: Run) -> bool:
    return any(
        {before.cable, after.cable} <= set(ids(joint.row.get("cables")))
        and joint.row["at"] in plant.nodes_on(before.cable) & plant.nodes_on(after.cable)
        for joint in plant.of("joints")
    )


def _meeting(plant: Plant, before: Run, after: Run) -> set[str]:
    """Where a link changes from one cable to the next: a common end, else a site's two."""
    found: set[str] = {node for node in before.ends if node and node in after.ends}
    if found:
        return found
    for one, other in itertools.product(before.ends, after.ends):
        if one and other and _meets(plant, one, other):
            found.update((one, other))
    return found


def _check_link_way(plant: Plant, link: str, row: dict[str, str], runs: list[Run]) -> None:
    sites = [plant.assets[row[end]].row["site"] for end in ("a", "b")]
    for start, finish in (sites, sites[::-1]):
        for turned in itertools.product((False, True), repeat=len(runs)):
            ways = [
                run.ends[::-1] if turn else run.ends for run, turn in zip(runs, turned, strict=True)
            ]
            if (
                plant.at_site(ways[0][0], start)
                and plant.at_site(ways[-1][1], finish)
                and all(
                    _meets(plant, ways[i][1], ways[i + 1][0])
                    or _joined(plant, runs[i], runs[i + 1])
                    for i in range(len(runs) - 1)
                )
            ):
                return
    says = f"the cables of {link} do not lead from one end to the other"
    plant.gaps.append(Gap("link-broken", says, links=frozenset({link})))


def _tie_paths(plant: Plant) -> None:
    for circuit, row in plant.circuits.items():
        own = [step for step in plant.tables["circuit_paths"] if step["circuit"] == circuit]
        labels = list(dict.fromkeys(step["path"] for step in own))
        plant.paths[circuit] = [
            Way(
                circuit,
                label,
                tuple(
                    step["link"]
                    for step in sorted(own, key=lambda step: int(step["seq"]))
                    if step["path"] == label
                ),
            )
            for label in labels
        ]
        for ring_row in plant.tables["ring_circuits"]:
            if ring_row["circuit"] == circuit:
                plant.paths[circuit].extend(_ways_round(plant, row, ring_row))
        for path in plant.paths[circuit]:
            if not _leads(plant, path.links, row["a"], row["b"]):
                says = f"the {path.label} path of {circuit} is broken"
                touched = frozenset({(circuit, path.label)})
                plant.gaps.append(Gap("path-broken", says, paths=touched))
        if len(plant.paths[circuit]) < 2:
            says = f"{circuit} has fewer than two paths"
            plant.gaps.append(Gap("few-paths", says, circuits=frozenset({circuit})))


def _walk(plant: Plant, links: tuple[str, ...], start: str) -> list[str] | None:
    """Equipment met when the links are walked from `start`; None where they do not meet."""
    met = [start]
    for link in links:
        one, other = plant.links[link]["a"], plant.links[link]["b"]
        if met[-1] not in (one, other):
            return None
        met.append(other if met[-1] == one else one)
    return met


def _leads(plant: Plant, links: tuple[str, ...], a: str, b: str) -> bool:
    for start, finish in ((a, b), (b, a)):
        met = _walk(plant, links, start)
        if met is not None and met[-1] == finish:
            return True
    return False


def _ways_round(plant: Plant, circuit: dict[str, str], row: dict[str, str]) -> list[Way]:
    steps = sorted(
        (step for step in plant.tables["rings"] if step["ring"] == row["ring"]),
        key=lambda step: int(step["seq"]),
    )
    links = tuple(step["link"] for step in steps)
    first = plant.links[links[0]]
    for start in (first["a"], first["b"]):
        met = _walk(plant, links, start)
        if met is not None and met[-1] == start:
            break
    else:
        says = f"ring {row['ring']} is not closed"
        plant.gaps.append(Gap("ring-broken", says, circuits=frozenset({circuit["id"]})))
        return []
    at, to = met.index(circuit["a"]), met.index(circuit["b"])
    around = len(links)
    forward = tuple(links[(at + i) % around] for i in range((to - at) % around))
    backward = tuple(links[(at - 1 - i) % around] for i in range((at - to) % around))
    main_way = row.get("main_way")
    if not main_way:
        lengths = [fibre_length_m(plant, way) for way in (forward, backward)]
        main_way = "forward" if lengths[0] <= lengths[1] else "backward"
    main, alternate = (forward, backward) if main_way == "forward" else (backward, forward)
    return [
        Way(circuit["id"], "main", main),
        Way(circuit["id"], "alternate", alternate),
    ]


def run_route_m(plant: Plant, run: Run) -> float:
    return sum(plant.length_m[s] for s in plant.chains[run.cable].segments[run.first : run.last])


def run_fibre_m(plant: Plant, run: Run) -> float:
    """Fibre in the part of a cable that a link uses: sag, helix, overlength, slack."""
    cable = plant.assets[run.cable].row
    segments = plant.chains[run.cable].segments
    used = 0.0
    for segment in segments[run.first : run.last]:
        length = plant.length_m[segment]
        sag = number(plant.assets[segment].row.get("sag_m")) or 0.0
        used += length + 8 * sag**2 / (3 * length)
    pitch = number(cable.get("wrap_pitch_m"))
    turn_m = (number(cable.get("wrap_diameter_mm")) or 0.0) / 1000
    helix = math.sqrt(1 + (math.pi * turn_m / pitch) ** 2) if pitch else 1.0
    over = 1 + (number(cable.get("overlength_pct")) or 0.0) / 100
    total = sum(plant.length_m[segment] for segment in segments)
    share = run_route_m(plant, run) / total if total else 0.0
    return used * helix * over + (number(cable.get("slack_m")) or 0.0) * share


def fibre_length_m(plant: Plant, links: tuple[str, ...]) -> float:
    """Fibre of these links; where go and return differ, the longer of the two."""
    return sum(
        max(sum(run_fibre_m(plant, run) for run in runs) for runs in plant.runs[link].values())
        for link in links
    )
