"""Plants that are dense in one way each, at any size: what grows faster than the plant shows here.

`KINDS` names them: each takes a number and gives a plant with so many circuits, ducts, hazards or
cables in one place, and little else. Lengths in metres from a point of an invented estuary.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from itertools import pairwise
from math import cos, pi, sin
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

CRS = "EPSG:25832"
EAST, NORTH = 430_000.0, 6_020_000.0
RULES = """[services.default]
separation_m = 5
end_zone_m = 50
[records]
within = "none"
needs = "none"
supplies = "none"
delay_us = 0
"""

Place = tuple[float, float]


def _moved(points: np.ndarray) -> np.ndarray:
    return points + np.array([EAST, NORTH])


class Dense:
    """Rows of every layer; sites have one relay each, links one cable."""

    def __init__(self) -> None:
        self.rows: dict[str, list[dict[str, Any]]] = defaultdict(list)
        self.at: dict[str, Place] = {}

    def node(self, name: str, place: Place, kind: str = "pit") -> None:
        self.at[name] = place
        role, more = ("sites", {}) if kind == "site" else ("structures", {"kind": kind})
        self.rows[role].append({"id": name, **more, "geometry": shapely.Point(place)})
        if kind == "site":
            self.rows["equipment"].append({"id": f"R-{name}", "site": name, "kind": "relay"})

    def segment(self, name: str, kind: str, a: str, b: str, *by: Place, **more: Any) -> None:
        line = shapely.LineString([self.at[a], *by, self.at[b]])
        row = {"id": name, "kind": kind, "a": a, "b": b, "geometry": line, **more}
        self.rows["segments"].append(row)

    def cable(self, name: str, *segments: str, count: int = 96) -> None:
        self.rows["cables"].append({"id": name, "fibre_type": "G.652.D", "fibre_count": count})
        self.rows["cable_runs"] += [
            {"cable": name, "seq": seq, "segment": one} for seq, one in enumerate(segments, 1)
        ]

    def link(self, name: str, a: str, b: str, cable: str, fibre: int = 1) -> None:
        ends = {"a": f"R-{a}", "b": f"R-{b}"}
        self.rows["links"].append({"id": name, **ends, "wavelength_nm": 1310, "splices": 1,
                                   "tx_min_dbm": 0, "tx_max_dbm": 0, "rx_min_dbm": -40,
                                   "rx_max_dbm": 0})  # fmt: skip
        fibres = f"{fibre};{fibre + 1}"
        self.rows["link_runs"].append({"link": name, "seq": 1, "cable": cable, "fibres": fibres})

    def circuit(self, name: str, a: str, b: str, main: str, alternate: str) -> None:
        self.rows["circuits"].append({"id": name, "a": f"R-{a}", "b": f"R-{b}", "service": ""})
        self.rows["circuit_paths"] += [
            {"circuit": name, "path": path, "seq": 1, "link": link}
            for path, link in (("main", main), ("alternate", alternate))
        ]

    def write(self, folder: Path) -> Path:
        """Layers with geometry in one GeoPackage, the others as CSV; returns the folder."""
        folder.mkdir(parents=True, exist_ok=True)
        for role, rows in self.rows.items():
            frame = pd.DataFrame(rows)
            if "geometry" not in frame:
                frame.to_csv(folder / f"{role}.csv", index=False)
                continue
            moved = shapely.transform(frame["geometry"].to_numpy(), _moved)
            layer = gpd.GeoDataFrame(frame.assign(geometry=moved), geometry="geometry", crs=CRS)
            layer.to_file(folder / "study.gpkg", layer=role)
        (folder / "study.toml").write_text('name = "Dense"\nrules = "rules.toml"\n')
        (folder / "rules.toml").write_text(RULES)
        return folder


def through_one_pit(count: int) -> Dense:
    """So many circuits on a rim, each with ducts of its own to and from one pit in the middle."""
    made = Dense()
    made.node("P", (0.0, 0.0))
    for k in range(count):
        turns = [2 * pi * (k + part) / count for part in (0.0, 0.25, 0.5)]
        a, middle, b = (
            (far * cos(turn), far * sin(turn))
            for far, turn in zip((20_000.0, 20_400.0, 20_000.0), turns, strict=True)
        )
        made.node(f"A{k}", a, "site")
        made.node(f"B{k}", b, "site")
        made.segment(f"D{k}-1", "duct", f"A{k}", "P")
        made.segment(f"D{k}-2", "duct", "P", f"B{k}")
        made.segment(f"S{k}", "buried", f"A{k}", f"B{k}", middle)
        made.cable(f"C{k}-1", f"D{k}-1", f"D{k}-2")
        made.cable(f"C{k}-2", f"S{k}")
        for number in (1, 2):
            made.link(f"L{k}-{number}", f"A{k}", f"B{k}", f"C{k}-{number}")
        made.circuit(f"K{k}", f"A{k}", f"B{k}", f"L{k}-1", f"L{k}-2")
    return made


def in_one_trench(count: int, pieces: int = 60) -> Dense:
    """So many ducts in one trench of 30 km, pit to pit; every tenth holds the main of a circuit."""
    made = Dense()
    step = 30_000.0 / pieces
    made.node("A", (0.0, 0.0), "site")
    made.node("B", (30_000.0, 0.0), "site")
    names = ["A", *(f"P{n}" for n in range(1, pieces)), "B"]
    for n in range(1, pieces):
        made.node(f"P{n}", (n * step, 20.0 * sin(n)))
    made.segment("FAR", "buried", "A", "B", (0.0, 5_000.0), (30_000.0, 5_000.0))
    made.cable("FAR-C", "FAR", count=4 * count)
    for n, (a, b) in enumerate(pairwise(names)):
        made.segment(f"T{n}", "trench", a, b)
        for k in range(count):
            made.segment(f"D{k}-{n}", "duct", a, b, within=f"T{n}")
    for k in range(0, count, 10):
        made.cable(f"C{k}", *(f"D{k}-{n}" for n in range(pieces)))
        made.link(f"L{k}", "A", "B", f"C{k}")
        made.link(f"M{k}", "A", "B", "FAR-C", 2 * k + 1)
        made.circuit(f"K{k}", "A", "B", f"L{k}", f"M{k}")
    return made


def on_one_line(count: int, spans: int = 100) -> Dense:
    """So many circuits whose main path is on one line of towers and whose alternate on its twin."""
    made = Dense()
    made.node("A", (0.0, 0.0), "site")
    made.node("B", (300.0 * spans, 0.0), "site")
    for line, aside in (("U", 40.0), ("V", -40.0)):
        names = ["A", *(f"{line}{n}" for n in range(1, spans)), "B"]
        for n in range(1, spans):
            made.node(f"{line}{n}", (300.0 * n, aside), "tower")
        for n, (a, b) in enumerate(pairwise(names)):
            made.segment(f"{line}-S{n}", "span", a, b)
        made.cable(f"{line}-C", *(f"{line}-S{n}" for n in range(spans)), count=2 * count)
    for k in range(count):
        for line in "UV":
            made.link(f"{line}-L{k}", "A", "B", f"{line}-C", 2 * k + 1)
        made.circuit(f"K{k}", "A", "B", f"U-L{k}", f"V-L{k}")
    return made


def within_a_kilometre(count: int, circuits: int = 100) -> Dense:
    """So many ducts between pits on a grid within one kilometre, and a hundred circuits."""
    made = Dense()
    wide = int(np.ceil(np.sqrt(count / 2))) + 1
    step = 1_000.0 / (wide - 1)
    for x in range(wide):
        for y in range(wide):
            made.node(f"P{x}-{y}", (x * step, y * step))
    across = [(x, y, x + 1, y) for x in range(wide - 1) for y in range(wide)]
    up = [(x, y, x, y + 1) for x in range(wide) for y in range(wide - 1)]
    for x, y, u, v in (across + up)[:]:
        made.segment(f"D{x}-{y}-{u}-{v}", "duct", f"P{x}-{y}", f"P{u}-{v}")
    made.node("A", (0.0, -300.0), "site")
    made.node("B", (1_000.0, -300.0), "site")
    for k in range(circuits):
        for label, row in (("1", 1 + k % (wide // 2 - 1)), ("2", wide // 2 + k % (wide // 2))):
            made.segment(f"E{k}-{label}", "duct", "A", f"P0-{row}", (-40.0 * k - 9, 9.0 * row))
            made.segment(f"F{k}-{label}", "duct", f"P{wide - 1}-{row}", "B")
            ducts = [f"D{x}-{row}-{x + 1}-{row}" for x in range(wide - 1)]
            made.cable(f"C{k}-{label}", f"E{k}-{label}", *ducts, f"F{k}-{label}")
            made.link(f"L{k}-{label}", "A", "B", f"C{k}-{label}")
        made.circuit(f"K{k}", "A", "B", f"L{k}-1", f"L{k}-2")
    return made


def under_hazards(count: int) -> Dense:
    """So many hazards, each over a whole line of 300 spans and its twin with 50 circuits."""
    made = on_one_line(50, 300)
    for k in range(count):
        area = shapely.box(-100.0 - k, -200.0 - k, 300.0 * 300 + k, 200.0 + k)
        made.rows["hazards"].append({"id": f"H{k}", "kind": "flood", "geometry": area})
    return made


def broken(count: int, spans: int = 60) -> Dense:
    """So many cables on lines of their own, each with a span left out in the middle of its runs."""
    made = Dense()
    for k in range(count):
        y = 100.0 * k
        made.node(f"A{k}", (0.0, y), "site")
        made.node(f"B{k}", (300.0 * spans, y), "site")
        names = [f"A{k}", *(f"U{k}-{n}" for n in range(1, spans)), f"B{k}"]
        for n in range(1, spans):
            made.node(f"U{k}-{n}", (300.0 * n, y), "tower")
        for n, (a, b) in enumerate(pairwise(names)):
            made.segment(f"S{k}-{n}", "span", a, b)
        kept = [f"S{k}-{n}" for n in range(spans) if n != spans // 2]
        made.cable(f"C{k}", *kept)
        made.cable(f"G{k}", *(f"S{k}-{n}" for n in range(spans)))
        made.link(f"L{k}", f"A{k}", f"B{k}", f"C{k}")
        made.link(f"M{k}", f"A{k}", f"B{k}", f"G{k}")
        made.circuit(f"K{k}", f"A{k}", f"B{k}", f"L{k}", f"M{k}")
    return made


def spliced_lines(count: int, joints: int = 40, fibres: int = 50) -> Dense:
    """So many lines of cables in a row, every fibre spliced in every joint; links on all of it."""
    made = Dense()
    for k in range(count):
        names = [f"A{k}", *(f"P{k}-{n}" for n in range(joints)), f"B{k}"]
        for n, name in enumerate(names):
            made.node(name, (1000.0 * n, 200.0 * k), "site" if name[0] in "AB" else "pit")
        for n, (a, b) in enumerate(pairwise(names)):
            made.segment(f"D{k}-{n}", "duct", a, b)
            made.cable(f"C{k}-{n}", f"D{k}-{n}")
        for n in range(joints):
            joint = f"J{k}-{n}"
            made.rows["joints"].append({"id": joint, "at": f"P{k}-{n}"})
            made.rows["splices"] += [
                {"joint": joint, "a_cable": f"C{k}-{n}", "a_fibre": one,
                 "b_cable": f"C{k}-{n + 1}", "b_fibre": one, "loss_db": 0.05}
                for one in range(1, fibres + 1)
            ]  # fmt: skip
        for site, cable in ((f"A{k}", f"C{k}-0"), (f"B{k}", f"C{k}-{joints}")):
            panel, relay = f"F-{site}", f"R-{site}"
            made.rows["equipment"].append({"id": panel, "site": site, "kind": "panel"})
            for one in range(1, fibres + 1):
                end = {"cable": cable, "fibre": one, "equipment": panel, "port": one}
                made.rows["terminations"].append(end)
                made.rows["patches"].append(
                    {"id": f"K-{site}-{one}", "a": relay, "a_port": one, "b": panel, "b_port": one}
                )
        for one in range(1, fibres + 1, 2):
            ports = f"{one};{one + 1}"
            made.rows["links"].append(
                {"id": f"L{k}-{one}", "a": f"R-A{k}", "b": f"R-B{k}", "a_port": ports,
                 "b_port": ports, "wavelength_nm": 1310}
            )  # fmt: skip
    return made


KINDS: dict[str, tuple[int, Callable[[int], Dense]]] = {
    "circuits through one pit": (2_000, through_one_pit),
    "ducts in one trench of 30 km": (500, in_one_trench),
    "circuits on one line": (2_000, on_one_line),
    "ducts within 1 km": (20_000, within_a_kilometre),
    "hazards over everything": (400, under_hazards),
    "broken cables": (400, broken),
}
"""What is dense, the number that is asked for, and what makes it."""
