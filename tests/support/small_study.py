"""A small sound study on an invented estuary, as CSV and GeoJSON files.

    West Sands ---- T1 ---- T2 ---- T3 ---- Marsh Point      overhead line, OPGW
        |                                        |
        P1 ------------- ducts ------ P2 ------- P3          buried duct

One line differential circuit K1 from West Sands to Marsh Point: its main path
runs over the ground wire, its alternate through the duct.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

CRS_NAME = "EPSG:25832"
X0, Y0 = 500_000.0, 5_980_000.0


def lon_lat(east: float, north: float) -> list[float]:
    """A place so many metres east and north of the estuary's mouth, in degrees."""
    return [round(value, 9) for value in _to_degrees().transform(X0 + east, Y0 + north)]


@cache
def _to_degrees() -> Any:
    from pyproj import Transformer

    return Transformer.from_crs(CRS_NAME, "EPSG:4326", always_xy=True)


POINTS = {
    "WS": (0, 0),
    "MP": (4000, 0),
    "T1": (1000, 200),
    "T2": (2000, 200),
    "T3": (3000, 200),
    "P1": (0, -300),
    "P2": (2000, -300),
    "P3": (4000, -300),
}

SITES = {"WS": ("West Sands", "substation"), "MP": ("Marsh Point", "substation")}
STRUCTURES = {"T1": "tower", "T2": "tower", "T3": "tower", "P1": "pit", "P2": "pit", "P3": "pit"}
SEGMENTS = {
    "S1": ("span", "WS", "T1", "-"),
    "S2": ("span", "T1", "T2", "-"),
    "S3": ("span", "T2", "T3", "-"),
    "S4": ("span", "T3", "MP", "-"),
    "D1": ("duct", "WS", "P1", "TR1"),
    "D2": ("duct", "P1", "P2", "-"),
    "D3": ("duct", "P2", "P3", "-"),
    "D4": ("duct", "P3", "MP", "-"),
}

TABLES = {
    "holders": (
        "id,kind,name,within\n"
        "TR1,right-of-way,Sand Lane,-\n"
        "ROOM-W,room,Relay room west,WS\n"
        "CH-M,charger,Charger east,-\n"
    ),
    "cables": (
        "id,fibre_type,fibre_count,kind,carried_by\nC1,G.652.D,24,opgw,\nC2,G.652.D,48,duct,\n"
    ),
    "cable_runs": (
        "cable,seq,segment\n"
        "C1,1,S1\nC1,2,S2\nC1,3,S3\nC1,4,S4\n"
        "C2,1,D1\nC2,2,D2\nC2,3,D3\nC2,4,D4\n"
    ),
    "joints": "id,at,cables,loss_db\nJ1,P2,C2,0.08\n",
    "supplies": "id,site,within,needs\nB-W,WS,ROOM-W,-\nB-M,MP,-,CH-M\n",
    "equipment": (
        "id,site,kind,within,supplies,needs,delay_us\n"
        "R-W,WS,relay,ROOM-W,B-W,,0\n"
        "R-M,MP,relay,-,B-M,,0\n"
    ),
    "links": (
        "id,a,b,wavelength_nm,medium,channel,splices\n"
        "L1,R-W,R-M,1310,fibre,,2\nL2,R-W,R-M,1550,fibre,,2\n"
    ),
    "link_runs": "link,seq,cable,fibres,direction\nL1,1,C1,1;2,\nL2,1,C2,1;2,\n",
    "circuits": (
        "id,a,b,service,name,group,switching\n"
        "K1,R-W,R-M,line-differential,Estuary line main one,G1,each\n"
    ),
    "circuit_paths": "circuit,path,seq,link\nK1,main,1,L1\nK1,alternate,1,L2\n",
}


def _features(rows: dict[str, dict[str, object]], shapes: dict[str, dict[str, object]]) -> str:
    features = [
        {"type": "Feature", "properties": {"id": id_, **row}, "geometry": shapes[id_]}
        for id_, row in rows.items()
    ]
    return json.dumps({"type": "FeatureCollection", "features": features}, indent=1)


def write_small_study(folder: Path) -> Path:
    """Write the study into a folder (made where needed); returns the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    points = {
        id_: {"type": "Point", "coordinates": lon_lat(*place)} for id_, place in POINTS.items()
    }
    lines = {
        id_: {
            "type": "LineString",
            "coordinates": [lon_lat(*POINTS[a]), lon_lat(*POINTS[b])],
        }
        for id_, (_kind, a, b, _within) in SEGMENTS.items()
    }
    sites = {
        id_: {"name": name, "kind": kind, "within": "-"} for id_, (name, kind) in SITES.items()
    }
    structures = {id_: {"kind": kind, "within": "-"} for id_, kind in STRUCTURES.items()}
    segments = {
        id_: {"kind": kind, "a": a, "b": b, "within": within or None}
        for id_, (kind, a, b, within) in SEGMENTS.items()
    }
    (folder / "sites.geojson").write_text(_features(sites, points), encoding="utf-8")
    (folder / "structures.geojson").write_text(_features(structures, points), encoding="utf-8")
    (folder / "segments.geojson").write_text(_features(segments, lines), encoding="utf-8")
    for role, text in TABLES.items():
        (folder / f"{role}.csv").write_text(text, encoding="utf-8")
    (folder / "study.toml").write_text(
        f'name = "Small estuary"\nrevision = "A"\ncrs = "{CRS_NAME}"\n', encoding="utf-8"
    )
    return folder


def name_layers(folder: Path) -> None:
    """Name every file of a role in study.toml: several may feed one role then."""
    entries = [
        f'[[layer]]\nrole = "{path.stem}"\nsource = "{path.name}"\n'
        for path in sorted(folder.iterdir())
        if path.suffix in (".csv", ".geojson", ".gpkg", ".shp", ".fgb", ".parquet")
        and path.stem in (*TABLES, "sites", "structures", "segments", "hazards", "measurements")
    ]
    with (folder / "study.toml").open("a", encoding="utf-8") as toml:
        toml.write("".join(entries))
