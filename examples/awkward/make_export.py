"""Write the export of an invented utility whose records were not made for waysapart.

    python examples/awkward/make_export.py [FOLDER]

writes the files into FOLDER (default: `export` beside this script). Names are foreign, lengths
are in feet, two coordinate systems are in use, one of them in feet, numbers repeat between
layers, and the Shapefiles have cut their names to ten letters. docs/mapping.md shows how
study.toml reads it.
"""

from __future__ import annotations

import csv
import sys
from collections.abc import Iterable, Sequence
from itertools import pairwise
from pathlib import Path

import geopandas as gpd
import pyogrio
from number_fibres import COLORS, number_sheet
from shapely.geometry import LineString, Point, box

METRES, FEET = "EPSG:26903", "EPSG:4423"
"""What the underground office draws in, and the lines office: UTM zone 3, in metres and in feet."""
EAST, NORTH = 590_000, 5_700_000
"""Where the plant begins: in the open Pacific, where both systems hold, 300 km from any land."""
Spot = tuple[float, float]

STATIONS = {"EEL": ("Eelgrass Substation", 0), "SPR": ("Sandpiper Windfarm Landing", 4000)}
TOWERS = range(1, 12)
MANHOLES: dict[int, Spot] = {
    1: (40, -60),
    2: (1000, -300),
    3: (2000, -320),
    4: (3000, -300),
    5: (4040, -60),
    6: (70, -62),
    7: (1000, -900),
    8: (3000, -900),
    9: (4070, -62),
}
DOORS: dict[str, Spot] = {
    "EEL-N": (40, -40),
    "EEL-S": (70, -40),
    "SPR-N": (4040, -40),
    "SPR-S": (4070, -40),
}
"""Where conduits meet the fences."""
CONDUITS: dict[int, tuple[int | str, int | str, str]] = {
    1: ("EEL-N", 1, "DB-1"),
    2: (1, 2, "DB-1"),
    3: (2, 3, "DB-1"),
    4: (3, 4, "DB-2"),
    5: (4, 5, "DB-2"),
    6: (5, "SPR-N", "DB-2"),
    7: ("EEL-S", 6, "DB-3"),
    8: (6, 7, "DB-3"),
    9: (7, 3, "DB-3"),
    10: (3, 8, "DB-4"),
    11: (8, 9, "DB-4"),
    12: (9, "SPR-S", "DB-4"),
    13: (7, 8, "DB-5"),
}
"""Number: from, to, duct bank. Number 13 is not built yet."""


def _spot(place: int | str) -> Spot:
    return MANHOLES[place] if isinstance(place, int) else DOORS[place]


def _moved(spot: Spot) -> Spot:
    return EAST + spot[0], NORTH + spot[1]


def _supports() -> dict[str, tuple[str, Spot]]:
    """Support: code of its type, place. A gantry in each station, lattice towers between."""
    towers = {f"T{n:03d}": ("LT", (60 + 330.0 * n, 250.0)) for n in TOWERS}
    return {"GA-EEL": ("GA", (60, 30)), **towers, "GA-SPR": ("GA", (4020, 30))}


def _layer(
    rows: Sequence[dict[str, object]], shapes: Iterable[object], crs: str
) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(list(rows), geometry=list(shapes), crs=METRES).to_crs(crs)


def _shapefile(folder: Path, name: str, layer: gpd.GeoDataFrame) -> None:
    """A Shapefile, whose names have ten letters at most."""
    cut = layer.rename(columns={name: name[:10] for name in layer if name != "geometry"})
    pyogrio.write_dataframe(cut, folder / f"{name}.shp", driver="ESRI Shapefile", encoding="UTF-8")


def write_lines(folder: Path) -> None:
    """The lines office: stations, supports and spans as Shapefiles in feet."""
    stations = [
        {"STATION_ID": name, "STATION_NAME": called, "FACILITY_CLASS": "SUB"}
        for name, (called, _) in STATIONS.items()
    ]
    fences = [box(*_moved((east, -40)), *_moved((east + 80, 40))) for _, east in STATIONS.values()]
    _shapefile(folder, "FACILITY", _layer(stations, fences, FEET))
    supports = _supports()
    _shapefile(
        folder,
        "SUPPORTS",
        _layer(
            [
                {"SUPPORT_NUMBER": name, "SUPPORT_TYPE": kind}
                for name, (kind, _) in supports.items()
            ],
            [Point(_moved(spot)) for _, spot in supports.values()],
            FEET,
        ),
    )
    names = list(supports)
    spans = [
        {
            "SPAN_IDENTIFIER": f"SP{number:03d}",
            "FROM_SUPPORT": a,
            "TO_SUPPORT_NUMBER": b,
            "SAG_IN_FEET": 26.5,
        }
        for number, (a, b) in enumerate(pairwise(names), start=1)
    ]
    lines = [
        LineString([_moved(supports[a][1]), _moved(supports[b][1])]) for a, b in pairwise(names)
    ]
    _shapefile(folder, "OH_SPANS", _layer(spans, lines, FEET))


def write_underground(folder: Path) -> None:
    """The underground office: one GeoPackage in metres, each layer numbered from 1."""
    package = folder / "UNDERGROUND.gpkg"
    package.unlink(missing_ok=True)
    manholes = [{"ASSET_NO": number, "COVER": "CI-24"} for number in MANHOLES]
    points = [Point(_moved(spot)) for spot in MANHOLES.values()]
    conduits = [
        {"ASSET_NO": number, "DUCT_BANK": bank, "STATUS": "PLANNED" if number == 13 else "BUILT"}
        for number, (_, _, bank) in CONDUITS.items()
    ]
    lines = [LineString([_moved(_spot(a)), _moved(_spot(b))]) for a, b, _ in CONDUITS.values()]
    for name, layer in (
        ("MANHOLE", _layer(manholes, points, METRES)),
        ("CONDUIT", _layer(conduits, lines, METRES)),
    ):
        pyogrio.write_dataframe(layer, package, layer=name, driver="GPKG", append=package.exists())


def _table(
    folder: Path, name: str, header: str, rows: Iterable[Sequence[object]], sep: str = ","
) -> None:
    with (folder / f"{name}.csv").open("w", newline="", encoding="utf-8-sig") as file:
        writer = csv.writer(file, delimiter=sep)
        writer.writerow(header.split())
        writer.writerows(rows)


ROUTES = {
    "F-201": [1, 2, 3, 4, 5, 6],
    "F-202": [7, 8, 9, 10, 11, 12],
    "F-203": [7, 8, 9, 11, 12],
}
"""Underground cables and their conduits. The record of F-203 leaves out a conduit."""


def write_tables(folder: Path) -> None:
    """The telecom office: tables out of a maintenance system."""
    banks = sorted({bank for _, _, bank in CONDUITS.values()})
    _table(folder, "DUCT_BANKS", "BANK ENCASEMENT", [(bank, "CONCRETE") for bank in banks])
    _table(
        folder,
        "CABLES",
        "CABLE_NO TYPE FIBER_CT SLACK_FT",
        [("G-101", "GW", 24, 300), *[(name, "UG", 48, 200) for name in ROUTES]],
        ";",
    )
    _table(
        folder,
        "ROUTING_OH",
        "CABLE_NO STEP SPAN",
        [("G-101", step, f"SP{step:03d}") for step in range(1, len(_supports()))],
    )
    _table(
        folder,
        "ROUTING_UG",
        "CABLE_NO STEP CONDUIT_NO",
        [
            (name, 10 * step, number)
            for name, numbers in ROUTES.items()
            for step, number in enumerate(numbers, start=1)
        ],
    )
    ends = [
        (f"{kind}-{station}-{n}", station, kind)
        for station in STATIONS
        for kind, n in (("87L", 1), ("87L", 2), ("TT", 1))
    ]
    _table(
        folder,
        "DEVICES",
        "TAG STATION FUNCTION DC",
        [(tag, station, kind, f"BATT-{station}") for tag, station, kind in ends],
    )
    _table(folder, "DC_SYSTEMS", "TAG STATION VOLTS", [(f"BATT-{s}", s, 125) for s in STATIONS])
    write_channels(folder)
    write_sheets(folder)


PILOTS = {
    "PW-1": ("87L-EEL-1", "87L-SPR-1", "DIFF", "G-101", "F-201"),
    "PW-2": ("87L-EEL-2", "87L-SPR-2", "DIFF", "F-201", "F-202"),
    "PW-3": ("TT-EEL-1", "TT-SPR-1", "DTT", "G-101", "F-203"),
}
"""Pilot: its two ends, its use, the cable of its primary and of its secondary channel."""


def write_channels(folder: Path) -> None:
    """Channels over fibers, pilots over channels, and the tests of the fibers."""
    channels, fibers, paths = [], [], []
    for number, (name, (a, b, _, *cables)) in enumerate(PILOTS.items()):
        for mark, cable in zip("PS", cables, strict=True):
            channel = f"{name}{mark}"
            ports = (
                (f"{mark}-TX;{mark}-RX", f"{mark}-RX;{mark}-TX") if cable == "F-201" else ("", "")
            )
            channels.append((channel, a, b, 1.31, -15, -28, *ports))
            fibers.append((channel, cable, f"{2 * number + 1};{2 * number + 2}"))
            paths.append((name, mark, channel))
    header = "CHANNEL END_1 END_2 LAMBDA_UM TX_DBM RX_DBM PORTS_1 PORTS_2"
    _table(folder, "CHANNELS", header, channels)
    _table(folder, "CHANNEL_FIBERS", "CHANNEL CABLE_NO FIBERS", fibers)
    _table(
        folder,
        "PILOTS",
        "PILOT END_1 END_2 USE",
        [(name, a, b, use) for name, (a, b, use, *_) in PILOTS.items()],
    )
    _table(folder, "PILOT_CHANNELS", "PILOT PRI_SEC CHANNEL", paths)
    _table(
        folder,
        "OTDR_RESULTS",
        "CABLE_NO FIBER LAMBDA_UM LENGTH_FT SHOT_ON",
        [("F-201", fiber, 1.31, 13_900 + fiber, "2024-05-14") for fiber in (1, 2, 3, 4)],
    )


def write_sheets(folder: Path) -> None:
    """The splicers' sheets of F-201, by tube and color, and the same with numbers.

    In manhole 3 the first tube is cut and spliced through; the other three pass.
    """
    _table(folder, "CLOSURES", "CLOSURE MANHOLE CABLES", [("FC-3", "MH-3", "F-201")])
    _table(
        folder,
        "SPLICE_SHEET",
        "CLOSURE TRAY IN_CABLE IN_TUBE IN_FIBER OUT_CABLE OUT_TUBE OUT_FIBER LOSS_DB SPLICED_ON",
        [
            (
                "FC-3",
                1,
                "F-201",
                "BL",
                color,
                "F-201",
                "BL",
                color,
                0.03 + 0.01 * (n % 4),
                "2019-03-12",
            )
            for n, color in enumerate(COLORS)
        ],
    )
    panels = [(f"FP-{station}", station) for station in STATIONS]
    _table(folder, "PANELS", "PANEL STATION", panels)
    _table(
        folder,
        "PANEL_PORTS",
        "PANEL PORT CABLE TUBE FIBER",
        [
            (panel, port, "F-201", "BL", color)
            for panel, _ in panels
            for port, color in enumerate(COLORS, start=1)
        ],
    )
    jumpers = []
    for number, (name, (a, b, _, *cables)) in enumerate(PILOTS.items()):
        mark = "PS"[cables.index("F-201")] if "F-201" in cables else ""
        for end, relay in enumerate((a, b) if mark else ()):
            ports = (f"{mark}-TX", f"{mark}-RX") if end == 0 else (f"{mark}-RX", f"{mark}-TX")
            for place, port in enumerate(ports, start=2 * number + 1):
                jumpers.append((f"JU-{name}-{end + 1}", relay, port, panels[end][0], place, 23))
    _table(folder, "JUMPERS", "JUMPER DEVICE DEVICE_PORT PANEL PANEL_PORT LENGTH_FT", jumpers)
    for name in ("SPLICE_SHEET", "PANEL_PORTS"):
        number_sheet(folder / f"{name}.csv", folder / f"{name}_NUMBERED.csv")


def write_export(folder: Path) -> Path:
    """Write every file of the export; returns the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    write_lines(folder)
    write_underground(folder)
    write_tables(folder)
    return folder


if __name__ == "__main__":
    here = Path(__file__).resolve().parent / "export"
    print(write_export(Path(sys.argv[1]) if len(sys.argv) > 1 else here))
