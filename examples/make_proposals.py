"""Write proposals for the estuary study, and a week of works, into the folder of this script.

    python examples/make_proposals.py [FOLDER]

Both proposals take the second cable over the road bridge to a new footbridge. The
first saves a pit at its southern end and gains nothing by it; the second extends
the first and does not. What they change is told in docs/crossing.md, what the
works cut in docs/dig.md. The study planning adds prices, water
and roads; offers holds a wayleave and a building entry to plan with.
"""

from __future__ import annotations

import csv
import json
import sys
from pathlib import Path
from typing import Any

from estuary_plant import CRS, Xy, area, metres
from pyproj import Transformer
from shapely import LineString, Point, Polygon, transform
from shapely.geometry import mapping
from shapely.geometry.base import BaseGeometry

_TO_DEGREES = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True).transform

NORTH_PIT, SOUTH_PIT = (31.07, 15.21), (31.07, 14.79)
"""Pits at either end of the footbridge, 64 m east of the second cable's old pits."""
OLD_NORTH, OLD_SOUTH, OTHERS_SOUTH = (31.006, 15.21), (31.006, 14.79), (30.994, 14.79)
"""Pits B2-P07, B2-P08, and B1-P08 of the other cable."""
COURSE = (
    *("B2-HER-tray", "B2-D01", "B2-D02", "B2-D03", "B2-D04", "B2-D05", "B2-D06", "B2-D07"),
    *("NB-D1", "NB-D2", "NB-D3", "NB-D4"),
    *("B2-D09", "B2-D10", "B2-D11", "B2-D12", "B2-D13", "B2-D14", "B2-D15", "B2-STK-tray"),
)


def feature(shape: BaseGeometry, **properties: Any) -> dict[str, Any]:
    """A feature in longitude and latitude, to the tenth of a millimetre."""
    moved = mapping(transform(shape, _TO_DEGREES, interleaved=False))
    return {"type": "Feature", "properties": properties, "geometry": _rounded(moved)}


def _rounded(shape: Any) -> Any:
    if isinstance(shape, dict):
        return {**shape, "coordinates": _rounded(shape["coordinates"])}
    if isinstance(shape, float):
        return round(shape, 9)
    return [_rounded(part) for part in shape]


def pit(name: str, at: Xy) -> dict[str, Any]:
    return feature(Point(metres(at)), id=name, kind="pit", within="-")


def duct(name: str, a: str, b: str, within: str, *course: Xy) -> dict[str, Any]:
    line = LineString([metres(at) for at in course])
    return feature(line, id=name, kind="duct", a=a, b=b, within=within)


def layer(path: Path, features: list[dict[str, Any]]) -> None:
    """Write one GeoJSON layer."""
    text = json.dumps({"type": "FeatureCollection", "features": features}, indent=1)
    path.write_text(text + "\n", encoding="utf-8", newline="\n")


def course(path: Path, segments: tuple[str, ...]) -> None:
    """Write the course of cable UC-B2."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["cable", "seq", "segment"])
        writer.writerows(["UC-B2", seq, one] for seq, one in enumerate(segments, start=1))


def study(folder: Path, name: str, extends: str, remove: tuple[str, ...], roles: list[str]) -> None:
    """Write the study.toml of a proposal."""
    lines = [
        f'name = "{name}"',
        'revision = "draft"',
        f'extends = "{extends}"',
        f"remove = {json.dumps(list(remove))}",
    ]
    for source in roles:
        lines += ["", "[[layer]]", f'role = "{source.split(".")[0]}"', f'source = "{source}"']
    (folder / "study.toml").write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


def proposal_a(folder: Path) -> None:
    """A footbridge for the second cable; south of it, into the pit that is there already."""
    folder.mkdir(parents=True, exist_ok=True)
    bridge = area((31.06, 14.8), (31.08, 14.8), (31.08, 15.2), (31.06, 15.2))
    layer(
        folder / "structures.geojson",
        [
            feature(bridge, id="BRG-2", kind="bridge", name="New footbridge", within="-"),
            pit("NB-P1", NORTH_PIT),
            pit("NB-P2", SOUTH_PIT),
        ],
    )
    layer(
        folder / "segments.geojson",
        [
            duct("NB-D1", "B2-P07", "NB-P1", "-", OLD_NORTH, NORTH_PIT),
            duct("NB-D2", "NB-P1", "NB-P2", "BRG-2", NORTH_PIT, SOUTH_PIT),
            duct("NB-D3", "NB-P2", "B1-P08", "-", SOUTH_PIT, (31.0, 14.775), OTHERS_SOUTH),
            duct("NB-D4", "B1-P08", "B2-P08", "-", OTHERS_SOUTH, OLD_SOUTH),
        ],
    )
    course(folder / "cable_runs.csv", COURSE)
    study(
        folder,
        "Estuary ring, footbridge",
        "../estuary",
        ("B2-D08",),
        ["structures.geojson", "segments.geojson", "cable_runs.csv"],
    )


def proposal_b(folder: Path) -> None:
    """The same footbridge, and straight on to the cable's own pit."""
    folder.mkdir(parents=True, exist_ok=True)
    straight = duct("NB-D3", "NB-P2", "B2-P08", "-", SOUTH_PIT, OLD_SOUTH)
    layer(folder / "segments.geojson", [straight])
    course(folder / "cable_runs.csv", tuple(one for one in COURSE if one != "NB-D4"))
    study(
        folder,
        "Estuary ring, footbridge with a pit of its own",
        "../proposal-a",
        ("NB-D4",),
        ["segments.geojson", "cable_runs.csv"],
    )


def works(folder: Path) -> None:
    """Three digs in the week of 4 May 2026."""
    folder.mkdir(parents=True, exist_ok=True)
    drain = LineString([metres((22.9, 21.6)), metres((22.9, 21.4))])
    guy = Point(metres((21.7902, 23.6752)))
    pit_cover: Polygon = area(
        (31.084, 21.961), (31.092, 21.961), (31.092, 21.968), (31.084, 21.968)
    )
    days = {"DRAIN": ("04", "05"), "FOOTING": ("05", "06"), "COVER": ("07", "08")}
    shapes = {
        "DRAIN": (
            drain,
            "Field drain across the buried route U2",
            "Meadow east of the lane, 200 m along the hedge",
            1.5,
            "marsh drainage crew",
            "555 0101",
        ),
        "FOOTING": (
            guy,
            "New footing for tower 5 of line N2",
            "Tower 5, reached over the embankment track",
            6.0,
            "line crew 2",
            "555 0102",
        ),
        "COVER": (
            pit_cover,
            "New cover for the pit at Heronfleet",
            "Pit in the verge outside the station gate",
            0.0,
            "civil works crew",
            "555 0103",
        ),
    }
    layer(
        folder / "works.geojson",
        [
            feature(
                shape,
                id=name,
                name=says,
                place=where,
                reach_m=reach_m,
                **{"from": f"2026-05-{days[name][0]}", "to": f"2026-05-{days[name][1]}"},
                contractor=crew,
                contact=f"site lead, {crew}",
                phone=phone,
            )
            for name, (shape, says, where, reach_m, crew, phone) in shapes.items()
        ],
    )


PRICES = """
# Invented prices, for the budgets of proposals.
[build]
unit = "EUR"
per_m = { duct = 140, span = 55, other = 160 }
per_crossing = { water = 60000, roads = 4000 }
per_joint = 600
per_port = 45
per_change = { supply = 900, move = 2500, optics = 700, room = 70000, new_supply = 15000 }
budget = 150000
"""


def planning(folder: Path) -> None:
    """The estuary with prices, water and roads."""
    folder.mkdir(parents=True, exist_ok=True)
    channel = area((28.0, 14.83), (34.0, 14.83), (34.0, 15.17), (28.0, 15.17))
    road = LineString([metres((31.0, 16.5)), metres((31.0, 13.5))])
    water = feature(channel, id="CHANNEL", name="Tidal channel", kind="channel")
    causeway = feature(road, id="CAUSEWAY", name="Causeway road", kind="road")
    layer(folder / "water.geojson", [water])
    layer(folder / "roads.geojson", [causeway])
    rules = Path(__file__).parent / "estuary" / "rules.toml"
    text = rules.read_text(encoding="utf-8") + PRICES
    (folder / "rules.toml").write_text(text, encoding="utf-8", newline="\n")
    lines = ['name = "Estuary ring, planning"', 'extends = "../estuary"']
    for name in ("water", "roads"):
        lines += ["", "[[layer]]", f'name = "{name}"', f'source = "{name}.geojson"']
    text = "\n".join(lines) + "\n"
    (folder / "study.toml").write_text(text, encoding="utf-8", newline="\n")


def offers(folder: Path) -> None:
    """A wayleave for a bore under the channel; a second entry at Stackmere with a duct to it."""
    folder.mkdir(parents=True, exist_ok=True)
    wayleave = LineString([metres((31.07, 15.25)), metres((31.07, 14.75))])
    bore = feature(wayleave, id="WL-BORE", name="Wayleave for a bore under the channel")
    entry = feature(Point(metres((30.0, 7.975))), id="ENT-STK-3", kind="entry", within="STK")
    lead = duct("STK3-D1", "U4-P12", "ENT-STK-3", "-", (30.089, 7.984), (30.0, 7.975))
    layer(folder / "corridor.geojson", [bore])
    layer(folder / "entry.geojson", [entry, lead])


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent
    proposal_a(target / "proposal-a")
    proposal_b(target / "proposal-b")
    works(target / "works")
    planning(target / "planning")
    offers(target / "offers")
    print(f"wrote proposal-a, proposal-b, works, planning, offers into {target}")
