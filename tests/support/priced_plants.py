"""Small plants with prices in their rules, for what proposals cost, and with machines to move."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from pyproj import Geod

from reroute_plants import NO_SPACING, Plant
from reroute_studies import one_pit

PRICES = """
[build]
unit = "EUR"
per_m = { duct = 120, other = 100 }
per_crossing = { creek = 9000 }
per_joint = 800
per_port = 40
"""
_NO_GAP = '[records]\nwithin = { duct = "none" }\n'
"""What new ducts lie in is not on record; here that is taken as nothing."""
_CREEK = '[[layer]]\nname = "creek"\nsource = "creek.geojson"\n'
GEOD = Geod(ellps="WGS84")


def metres(plant: Plant, one: str, other: str) -> float:
    """Metres on the ellipsoid between two places."""
    places = (*plant.to_degrees(*plant.at[one]), *plant.to_degrees(*plant.at[other]))
    return float(GEOD.inv(*places)[2])


def round_one_pit(folder: Path, rules: str = PRICES, *, gap: bool = False) -> Plant:
    """`one_pit`, with prices, and a creek that a duct from N1 to N2 would cross, written.

    `gap`: what new ducts lie in is a gap, as by the rules that ship.
    """
    plant = Plant()
    one_pit(plant)
    plant.service = NO_SPACING + ("" if gap else _NO_GAP) + rules
    folder.mkdir(parents=True, exist_ok=True)
    plant.settings = _CREEK
    line = [plant.to_degrees(1500, 100), plant.to_degrees(1500, 400)]
    shape = {"type": "LineString", "coordinates": line}
    feature = {"type": "Feature", "properties": {"id": "CREEK"}, "geometry": shape}
    text = json.dumps({"type": "FeatureCollection", "features": [feature]})
    (folder / "creek.geojson").write_text(text, encoding="utf-8")
    plant.write(folder)
    return plant


def two_machines(rules: str = "") -> Plant:
    """Two multiplexers at A in rack RK of room RM; each has the only two fibres of a cable to B.

    Both are fed from BT and BT2, each in a room of its own with a charger of its own, so RK, and
    RM with it, is all that the two paths of K have in common.
    """
    plant = Plant()
    plant.service = NO_SPACING + rules
    plant.nodes("pit", N=(1500, 500), S=(1500, -900))
    hold(plant, "RM", "room", "-")
    hold(plant, "RK", "rack", "RM")
    battery(plant, "BT", "BR", "CH")
    battery(plant, "BT2", "BR2", "CH2")
    for number, (cable, pit) in enumerate((("CN", "N"), ("CS", "S")), start=1):
        machine(plant, f"MX{number}")
        plant.laid(cable, "A", pit, "B", km=3.2, fibre_count=2)
        plant.link(f"T{number}", cable, a=f"MX{number}")
        inside = {"medium": "internal", "relies_on": "-", "length_m": 5}
        plant.rows["links"].append({"id": f"I{number}", "a": "RA", "b": f"MX{number}", **inside})
    plant.way("K", "main", "I1", "T1")
    plant.way("K", "alternate", "I2", "T2")
    return plant


def hold(plant: Plant, id: str, kind: str, within: str) -> None:
    """A holder."""
    plant.rows["holders"].append({"id": id, "kind": kind, "within": within})


def battery(plant: Plant, id: str, room: str, charger: str) -> None:
    """A battery with its charger, in a room that is new unless it is there already."""
    if all(row["id"] != room for row in plant.rows["holders"]):
        hold(plant, room, "room", "-")
    hold(plant, charger, "charger", room)
    row = {"id": id, "site": "A", "kind": "battery", "within": room, "needs": charger}
    plant.rows["supplies"].append(row)


def machine(plant: Plant, id: str, within: str = "RK", **row: Any) -> None:
    """A multiplexer at A."""
    own = {"id": id, "site": "A", "kind": "multiplexer", "within": within, "supplies": "BT;BT2"}
    plant.rows["equipment"].append({**own, "delay_us": 10, **row})


def change(plant: Plant, role: str, id: str, **cells: Any) -> None:
    """Other cells in a row."""
    next(row for row in plant.rows[role] if row["id"] == id).update(cells)
