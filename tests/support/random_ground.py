"""The estuary of a random study: sites, towers, pits, what joins them, and hazards."""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from typing import Any

from shapely.geometry import LineString, Point, box

from random_study import SITE_HALF_M, Study


def draw_sites(study: Study) -> None:
    rng = study.rng
    count = rng.randint(*study.knobs.sites)
    if study.chance(0.3):
        study.add("holders", id="ESTATE", kind="estate", within=rng.choice(["", "-"]))
    region = ""
    if study.chance(study.knobs.ignored_kinds):
        basin = study.add("holders", id="BASIN", kind="basin", within="-")
        region = study.add(
            "holders", id="REGION", kind="region", within=rng.choice(["-", basin, basin])
        )
        study.settings["ignore_kinds"] = ["region"]
    for i in range(count):
        angle = 2 * math.pi * i / count + rng.uniform(-0.2, 0.2)
        x, y = round(1500 * math.cos(angle)), round(1100 * math.sin(angle))
        site = f"SITE-{'ABCDE'[i]}"
        study.at[site] = (x, y)
        shape = Point(x, y) if study.chance(0.25) else square(x, y, SITE_HALF_M)
        area = isinstance(shape, Point)
        holders = [h for h in ("ESTATE" if _has(study, "ESTATE") else "", region) if h]
        study.add(
            "sites",
            id=site,
            kind=rng.choice(["substation", "substation", "converter", ""]),
            within=rng.choice([*holders, "-", "", ""]),
            geometry=shape,
        )
        hall = study.add("holders", id=f"HALL-{site[-1]}", kind="building", within=site)
        places = (("G1", "gantry", -17, 13), ("G2", "gantry", 16, 14))
        places += (("E1", "entry", -15, -14), ("E2", rng.choice(["entry", "pit"]), 18, -12))
        for name, kind, dx, dy in places:
            node = f"{name}-{site[-1]}"
            study.at[node] = (x + dx, y + dy)
            holder = rng.choice([site, site, hall] if area else [site, site, hall, "", "-"])
            if kind == "gantry" and holder == hall:
                holder = site
            study.add(
                "structures", id=node, kind=kind, within=holder, geometry=Point(x + dx, y + dy)
            )
            study.terminals[site].append(node)


def _has(study: Study, container: str) -> bool:
    return any(row["id"] == container for row in study.rows["holders"])


def square(x: float, y: float, half: float) -> Any:
    return box(x - half, y - half, x + half, y + half)


def _scatter(study: Study, count: int) -> list[tuple[int, int]]:
    """Places well away from one another, inland of the sites."""
    found: list[tuple[int, int]] = []
    while len(found) < count:
        x, y = study.rng.randint(-1100, 1100), study.rng.randint(-800, 800)
        if all(math.dist((x, y), other) > 80 for other in [*study.at.values(), *found]):
            found.append((x, y))
    return found


def nearest(study: Study, node: str, others: list[str], count: int) -> list[str]:
    here = study.at[node]
    ranked = sorted(others, key=lambda other: (math.dist(here, study.at[other]), other))
    return [other for other in ranked if other != node][:count]


def _pairs(study: Study, inner: list[str], feet: list[str]) -> list[tuple[str, str]]:
    """Pairs of nodes to join: every terminal to one inner node, the inner ones in a mesh."""
    found: set[tuple[str, str]] = set()
    for site, group in itertools.groupby(feet, key=lambda foot: foot[-1]):
        near = nearest(study, f"SITE-{site}", inner, 3)
        study.rng.shuffle(near)
        for foot, node in zip(group, near, strict=False):
            found.add((foot, node))
            if study.chance(0.35):
                found.add((foot, study.rng.choice(near)))
    for node in inner:
        found.update(
            (min(node, other), max(node, other)) for other in nearest(study, node, inner, 1)
        )
    order = sorted(inner, key=lambda node: math.atan2(*study.at[node]))
    found.update(
        (min(one, other), max(one, other))
        for one, other in zip(order, order[1:] + order[:1], strict=True)
        if one != other
    )
    return sorted(found)


def _segment(
    study: Study, kind: str, one: str, other: str, bend: tuple[float, float] | None, **row: Any
) -> str:
    rng = study.rng
    points = [study.at[one], *([bend] if bend else []), study.at[other]]
    letters = {"span": "S", "duct": "D", "subduct": "U", "trench": "T"}.get(kind, "W")
    segment = study.new(letters)
    sagging = bend is None or study.chance(study.knobs.sag_passing)
    backward = study.chance(0.3)
    line = LineString(points[::-1] if backward else points)
    study.add(
        "segments",
        id=segment,
        kind=kind,
        geometry=line,
        a=other if backward else one,
        b=one if backward else other,
        sag_m=rng.choice(["", 4.5, 7.25]) if kind == "span" and sagging else "",
        length_m=round(line.length * rng.uniform(1.0, 1.05), 2) if study.chance(0.15) else "",
        **row,
    )
    return segment


def draw_lines(study: Study) -> None:
    rng = study.rng
    towers = []
    way = ""
    if study.chance(0.4):
        inside = rng.choice(["-", "REGION"]) if _has(study, "REGION") else "-"
        way = study.add("holders", id="LINE-WAY", kind="right-of-way", within=inside)
    for x, y in _scatter(study, rng.randint(3, 4)):
        tower = study.new("M")
        study.at[tower] = (x, y)
        kind = rng.choice(["tower", "tower", "pole"])
        study.add(
            "structures", id=tower, kind=kind, within=rng.choice(["", "-"]), geometry=Point(x, y)
        )
        towers.append(tower)
    feet = sorted(
        (n for nodes in study.terminals.values() for n in nodes if n[0] == "G"),
        key=lambda node: node[-1],
    )
    spans: dict[str, list[str]] = defaultdict(list)
    for one, other in _pairs(study, towers, feet):
        holder = way if way and study.chance(0.3) else rng.choice(["", "-"])
        segment = _segment(study, "span", one, other, None, within=holder)
        study.edges.append((one, other, segment))
        spans[one].append(other)
        spans[other].append(one)
    _draw_long_runs(study, "span", towers, spans)


def _draw_long_runs(
    study: Study, kind: str, middles: list[str], joined: dict[str, list[str]]
) -> None:
    """One polyline that passes a structure on its way, a little to the side of it."""
    for middle in study.rng.sample(middles, k=min(len(middles), study.rng.randint(0, 1))):
        if len(joined[middle]) < 2:
            continue
        one, other = study.rng.sample(sorted(set(joined[middle])), k=2)
        x, y = study.at[middle]
        bend = (x + study.rng.choice([-0.9, 0.0, 0.7]), y + study.rng.choice([-0.8, 0.0, 0.6]))
        segment = _segment(study, kind, one, other, bend, within="-")
        study.edges.append((one, other, segment))


def draw_ground(study: Study) -> None:
    rng = study.rng
    pits = []
    for x, y in _scatter(study, rng.randint(3, 4)):
        pit = study.new("P")
        study.at[pit] = (x, y)
        kind = rng.choice(["pit", "pit", "pit", "bridge"])
        shape = square(x, y, 1.0) if study.chance(0.2) else Point(x, y)
        study.add("structures", id=pit, kind=kind, within=rng.choice(["", "-"]), geometry=shape)
        pits.append(pit)
    road = ""
    if study.chance(0.6):
        shape = LineString([(-900, 37), (950, -41)]) if study.chance(0.5) else None
        road = study.add(
            "holders",
            id="ROAD",
            kind="right-of-way",
            within=rng.choice(["", "REGION" if _has(study, "REGION") else "-"]),
            geometry=shape,
        )
    feet = sorted(
        (n for nodes in study.terminals.values() for n in nodes if n[0] == "E"),
        key=lambda node: node[-1],
    )
    ducts: dict[str, list[str]] = defaultdict(list)
    for one, other in _pairs(study, pits, feet):
        trench = ""
        if study.chance(0.4):
            holder = road if road and study.chance(0.6) else rng.choice(["", "-"])
            trench = _segment(study, "trench", one, other, None, within=holder)
        for _ in range(2 if study.chance(0.25) else 1):
            kind = rng.choice(["duct", "duct", "buried", "tunnel"])
            holder = trench or study.within(*([road] if road and study.chance(0.3) else ["-"]))
            duct = _segment(study, kind, one, other, None, within=holder)
            if kind == "duct" and study.chance(0.25):
                duct = _segment(study, "subduct", one, other, None, within=duct)
            study.edges.append((one, other, duct))
        ducts[one].append(other)
        ducts[other].append(one)
    _draw_long_runs(study, "duct", pits, ducts)


def draw_transitions(study: Study) -> None:
    """Where a cable leaves a line for the ground, and trays from an entry to the site."""
    rng = study.rng
    towers = [node for node in study.at if node[0] == "M"]
    pits = [node for node in study.at if node[0] == "P"]
    for tower in rng.sample(towers, k=1):
        pit = nearest(study, tower, pits, 1)[0]
        study.edges.append((tower, pit, _segment(study, "riser", tower, pit, None, within="")))
    for site, nodes in study.terminals.items():
        if study.chance(0.3):
            entry = rng.choice([node for node in nodes if node[0] == "E"])
            hall = f"HALL-{site[-1]}"
            tray = _segment(study, "tray", entry, site, None, within=study.within(hall))
            study.edges.append((entry, site, tray))
            study.terminals[site].append(site)


def draw_hazards(study: Study) -> None:
    rng = study.rng
    if not study.chance(study.knobs.hazards):
        return
    for _ in range(rng.randint(1, 2)):
        x, y = study.at[rng.choice(sorted(study.at))]
        x, y = x + rng.uniform(-40, 40), y + rng.uniform(-40, 40)
        reach = rng.uniform(11.3, 90.7)
        shape, reach_m = rng.choice(
            [
                (square(x, y, reach), ""),
                (Point(x, y), round(reach, 1)),
                (LineString([(x - 3 * reach, y - reach), (x + 3 * reach, y + reach)]), ""),
                (square(x, y, reach / 3), round(reach / 3, 1)),
            ]
        )
        kinds = rng.choice(
            [
                "",
                "",
                "span;tower;pole",
                "duct;trench;subduct;pit;radio",
                "substation;entry;radio",
                "trench",
            ]
        )
        study.add(
            "hazards",
            id=study.new("HZ"),
            kind=rng.choice(["flood", "slip", "works"]),
            takes=kinds,
            reach_m=reach_m,
            geometry=shape,
        )
