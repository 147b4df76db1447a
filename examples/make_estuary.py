"""Write the estuary study: an invented plant with a trap for each way of not being apart.

    python examples/make_estuary.py [FOLDER]

writes the study into FOLDER (default: `estuary` beside this script). Writing it
twice gives the same tables. What must be found in it is worked out by hand in
docs/demo.md.
"""

from __future__ import annotations

import csv
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd
import pyogrio
from estuary_circuits import Services, build_services
from estuary_plant import CRS, Plant, Row, build_sites
from estuary_routes import build_routes
from estuary_splice_traps import build_traps
from estuary_splices import build_splices

COLUMNS: Mapping[str, tuple[str, ...]] = {
    "sites": ("id", "name", "kind", "within"),
    "structures": ("id", "kind", "name", "within", "accuracy_m"),
    "segments": ("id", "kind", "name", "a", "b", "within", "sag_m"),
    "hazards": ("id", "kind", "name", "reach_m", "takes"),
    "holders": ("id", "kind", "name", "within"),
    "cables": (
        "id",
        "kind",
        "fibre_type",
        "fibre_count",
        "carried_by",
        "overlength_pct",
        "slack_m",
        "wrap_pitch_m",
        "wrap_diameter_mm",
    ),
    "cable_runs": ("cable", "seq", "segment"),
    "joints": ("id", "at", "cables"),
    "supplies": ("id", "site", "kind", "within", "supplies", "autonomy_h", "needs"),
    "equipment": ("id", "site", "kind", "within", "supplies", "delay_us"),
    "links": (
        "id",
        "a",
        "b",
        "medium",
        "a_port",
        "b_port",
        "wavelength_nm",
        "via",
        "relies_on",
        "length_m",
        "tx_min_dbm",
        "tx_max_dbm",
        "rx_min_dbm",
        "rx_max_dbm",
        "reserve_db",
    ),
    "link_runs": ("link", "seq", "cable", "fibres"),
    "splices": (
        "joint",
        "tray",
        "a_cable",
        "a_fibre",
        "a_side",
        "b_cable",
        "b_fibre",
        "b_side",
        "loss_db",
        "loss_ab_db",
        "loss_ba_db",
        "date",
    ),
    "terminations": ("equipment", "port", "cable", "fibre", "side", "loss_db"),
    "patches": (
        "id",
        "a",
        "a_port",
        "b",
        "b_port",
        "within",
        "fibre_type",
        "length_m",
        "loss_db",
    ),
    "circuits": ("id", "name", "a", "b", "service", "protects", "group", "scheme", "switching"),
    "circuit_paths": ("circuit", "path", "seq", "link"),
    "rings": ("ring", "seq", "link", "recovery_ms"),
    "ring_circuits": ("circuit", "ring"),
    "measurements": (
        "cable",
        "link",
        "fibre",
        "wavelength_nm",
        "length_m",
        "loss_db",
        "stage",
        "direction",
        "date",
    ),
}

STUDY_HEAD = """\
name = "Estuary ring"
revision = "A"
crs = "EPSG:32626"
rules = "rules.toml"
snap_m = 2.0
"""

RULES = """\
# Only what differs from the rules that ship with the program.

[services.line-differential]
max_delay_us = 5000
max_asymmetry_us = 200
min_margin_db = 3.0
separation_m = 5.0
end_zone_m = 300.0
forbid_cross = true
group_test = "working"

[services.direct-intertrip]
max_delay_us = 10000
min_margin_db = 3.0
separation_m = { "duct/duct" = 5.0, "trench/trench" = 5.0, "buried/buried" = 5.0 }
end_zone_m = 300.0
forbid_cross = ["span/span"]

# Both main protections of a line stand in the one relay room of each site; the owner accepts it.
[groups]
excuse = ["room"]

# Drums of this owner; a submarine cable is laid in one length.
[defaults]
reel_m = { buried = 3000.0, subsea = 30000.0 }

[[waiver]]
circuit = "C16"
asset = "ENT-STK-1"
reason = "One entry for both paths until the relay room is rebuilt; the tee has two further paths"
by = "protection design note PD-114"
until = 2049-12-31

[[waiver]]
circuit = "C17"
asset = "PIT-HER-7"
reason = "Second pit ordered"
by = "protection design note PD-087"
until = 2023-06-30

# The record is that of the pit as it was: what it names has changed since.
[[waiver]]
circuit = "C33"
asset = "PIT-HER-7"
reason = "Accepted while the pit held one duct"
by = "protection design note PD-131"
until = 2049-12-31
record = "5b1f0c9d27ae"
"""


def measurements(plant: Plant) -> list[Row]:
    """A few test results: lengths 0.7 % and 2 % over the route, losses below the catalogue's."""
    route_m = {row["id"]: row["geometry"].length for row in plant.segments}

    def length_m(cable: str, overlength: float) -> float:
        mine = [run["segment"] for run in plant.cable_runs if run["cable"] == cable]
        return float(round(sum(route_m[segment] for segment in mine) * overlength, -1))

    wire_m, buried_m = length_m("OP-N1", 1.007), length_m("UC-U1", 1.02)
    common = {"fibre": 1, "wavelength_nm": 1310, "stage": "installed", "direction": "go"}
    return [
        {
            **common,
            "cable": "OP-N1",
            "length_m": wire_m,
            "loss_db": round(wire_m * 0.34 / 1000 + 0.3, 2),
            "date": "2024-05-14",
        },
        {
            **common,
            "cable": "UC-U1",
            "length_m": buried_m,
            "loss_db": round(buried_m * 0.34 / 1000 + 0.3, 2),
            "date": "2024-05-15",
        },
        {
            "link": "C29-M",
            "wavelength_nm": 1310,
            "loss_db": round(wire_m * 0.34 / 1000 + 1.3, 2),
            "stage": "end-to-end",
            "date": "2024-05-21",
        },
    ]


KEYS: Mapping[str, tuple[str, ...]] = {
    "rings": ("ring", "seq"),
    "splices": ("joint", "a_fibre"),
    "terminations": ("equipment",),
}
"""What rows are ordered by, where it is not the id, cable, link or circuit of their table."""


def ordered(role: str, rows: list[Row]) -> list[Row]:
    """Rows in the order of their key, so that the tables read well and never change by chance."""
    key = [column for column in COLUMNS[role] if column in ("id", "cable", "link", "circuit")][:1]
    keys = KEYS.get(role, (*key, *(c for c in ("path", "seq") if c in COLUMNS[role])))
    return sorted(rows, key=lambda row: tuple(_sortable(row.get(column)) for column in keys))


def _sortable(cell: object) -> str:
    if isinstance(cell, int):
        return f"{cell:04d}"
    return "" if cell is None else str(cell)


def write_layer(path: Path, layer: str, role: str, rows: list[Row]) -> None:
    """Write one layer of the GeoPackage."""
    columns = COLUMNS[role]
    rows = ordered(role, rows)
    data = {column: [row.get(column) for row in rows] for column in columns}
    used = {name: values for name, values in data.items() if any(v is not None for v in values)}
    frame = gpd.GeoDataFrame(used, geometry=[row["geometry"] for row in rows], crs=CRS)
    frame.to_file(path, layer=layer, driver="GPKG", engine="pyogrio")


def write_table(path: Path, role: str, rows: list[Row]) -> None:
    """Write one CSV table."""
    with path.open("w", newline="", encoding="utf-8") as out:
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(COLUMNS[role])
        for row in ordered(role, rows):
            values = [row.get(column) for column in COLUMNS[role]]
            writer.writerow(["" if value is None else value for value in values])


def layer_entry(role: str, source: str, layer: str | None = None) -> str:
    """One [[layer]] of study.toml."""
    inside = f'layer = "{layer}"\n' if layer else ""
    return f'\n[[layer]]\nrole = "{role}"\nsource = "{source}"\n{inside}'


def write_estuary(folder: Path) -> None:
    """Write the whole study into a folder, which is made where it does not exist."""
    plant = Plant()
    build_sites(plant)
    build_routes(plant)
    services = build_services(plant)
    build_splices(plant, services)
    build_traps(plant, services)
    drawn: dict[str, tuple[str, list[Row]]] = {
        "sites": ("sites", plant.sites),
        "structures": ("structures", plant.structures),
        "rights_of_way": ("holders", plant.holders),
        "segments": ("segments", plant.segments),
        "ground_wires": ("cables", plant.drawn_cables),
        "hazards": ("hazards", plant.hazards),
    }
    tables = csv_tables(plant, services)

    folder.mkdir(parents=True, exist_ok=True)
    geopackage = folder / "plant.gpkg"
    geopackage.unlink(missing_ok=True)
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "2026-01-01T00:00:00.000Z"})
    toml = STUDY_HEAD
    for layer, (role, rows) in drawn.items():
        write_layer(geopackage, layer, role, rows)
        toml += layer_entry(role, geopackage.name, layer)
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})
    for role, rows in tables.items():
        write_table(folder / f"{role}.csv", role, rows)
        toml += layer_entry(role, f"{role}.csv")
    (folder / "study.toml").write_text(toml, encoding="utf-8", newline="\n")
    (folder / "rules.toml").write_text(RULES, encoding="utf-8", newline="\n")


def csv_tables(plant: Plant, services: Services) -> dict[str, list[Row]]:
    """The tables without geometry, by role."""
    from_services: dict[str, Any] = vars(services)
    return {
        "cables": plant.cables,
        "cable_runs": plant.cable_runs,
        "joints": plant.joints,
        **{role: from_services[role] for role in COLUMNS if role in from_services},
        "measurements": measurements(plant),
    }


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent / "estuary"
    write_estuary(target)
    print(f"wrote {target}")
