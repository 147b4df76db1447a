"""A plant drawn by hand in metres, with cables that are drawn and not listed."""

from __future__ import annotations

import csv
import json
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
from pyproj import Transformer

import waysapart as wa
from proofs import proof_of
from waysapart.study.model import Study

CRS = "EPSG:25832"
EAST, NORTH = 430_000.0, 6_020_000.0
_to_degrees = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True).transform

Place = tuple[float, float]


def on_the_grid(x: float, y: float) -> tuple[float, float]:
    """A place so many metres east and north of the corner of the grid, in degrees."""
    lon, lat = _to_degrees(EAST + x, NORTH + y)
    return lon, lat


class DrawnPlant:
    """Sites A and B, each with a relay (RA, RB); everything else is added by the test."""

    def __init__(self, a: Place, b: Place) -> None:
        self.rows: dict[str, list[dict[str, Any]]] = defaultdict(list)
        self.at: dict[str, Place] = {}
        for name, place in (("A", a), ("B", b)):
            self.node(name, *place, role="sites")
            self.rows["equipment"].append(
                {"id": f"R{name}", "site": name, "within": "-", "supplies": "-", "delay_us": 0}
            )
        self.settings = ""
        self.shows_grid = True
        self.to_degrees: Callable[[float, float], tuple[float, float]] = on_the_grid
        self.grids: dict[str, str] = {}
        """CRS of the layers that are written as GeoPackages, by role; all others are GeoJSON."""

    def node(self, id: str, x: float, y: float, role: str = "structures", **row: Any) -> None:
        self.at[id] = (x, y)
        self.rows[role].append({"id": id, "kind": "pit", "within": "-", "line": [(x, y)], **row})

    def nodes(self, kind: str, **places: Place) -> None:
        for name, place in places.items():
            self.node(name, *place, kind=kind)

    def segment(self, id: str, kind: str, *line: str | Place, **row: Any) -> None:
        points = [self.at[one] if isinstance(one, str) else one for one in line]
        self.rows["segments"].append({"id": id, "kind": kind, "within": "-", "line": points, **row})

    def cable(self, id: str, *line: str | Place, **row: Any) -> None:
        """A cable along a line (none: without a drawing), and a link of its own over it."""
        points = [self.at[one] if isinstance(one, str) else one for one in line]
        self.rows["cables"].append(
            {"id": id, "fibre_type": "G.652.D", "fibre_count": 24, "line": points, **row}
        )
        self.rows["links"].append({"id": f"L-{id}", "a": "RA", "b": "RB", "wavelength_nm": 1310})
        self.rows["link_runs"].append({"link": f"L-{id}", "seq": 1, "cable": id})

    def listed(self, cable: str, segments: str) -> None:
        """A cable without a drawing, with rows in cable_runs."""
        self.cable(cable)
        for seq, segment in enumerate(segments.split(), start=1):
            self.rows["cable_runs"].append({"cable": cable, "seq": seq, "segment": segment})

    def circuit(self, main: str, alternate: str) -> None:
        """Circuit K over the links of two cables."""
        self.rows["circuits"].append({"id": "K", "a": "RA", "b": "RB", "service": ""})
        for path, cable in (("main", main), ("alternate", alternate)):
            self.rows["circuit_paths"].append(
                {"circuit": "K", "path": path, "seq": 1, "link": f"L-{cable}"}
            )

    def write(self, folder: Path) -> Path:
        """Write its layers and settings into a folder, made where needed; returns the folder."""
        folder.mkdir(parents=True, exist_ok=True)
        for role, rows in self.rows.items():
            if any("line" in row for row in rows):
                features = [self._feature(row) for row in rows]
                if role in self.grids:
                    frame = gpd.GeoDataFrame.from_features(features, crs="EPSG:4326")
                    frame.to_crs(self.grids[role]).to_file(folder / f"{role}.gpkg", layer=role)
                    continue
                text = json.dumps({"type": "FeatureCollection", "features": features})
                (folder / f"{role}.geojson").write_text(text, encoding="utf-8")
                continue
            names = list(dict.fromkeys(name for row in rows for name in row))
            with (folder / f"{role}.csv").open("w", newline="", encoding="utf-8") as file:
                writer = csv.DictWriter(file, names, restval="")
                writer.writeheader()
                writer.writerows(rows)
        grid = f'crs = "{CRS}"\n' if self.shows_grid else ""
        (folder / "study.toml").write_text(f"{grid}{self.settings}", encoding="utf-8")
        return folder

    def _feature(self, row: dict[str, Any]) -> dict[str, Any]:
        degrees = [list(self.to_degrees(x, y)) for x, y in row["line"]]
        shape = None
        if row.get("area_m"):
            half = row["area_m"] / 2
            x, y = row["line"][0]
            corners = [(-half, -half), (half, -half), (half, half), (-half, half), (-half, -half)]
            ring = [list(self.to_degrees(x + dx, y + dy)) for dx, dy in corners]
            shape = {"type": "Polygon", "coordinates": [ring]}
        elif len(degrees) == 1:
            shape = {"type": "Point", "coordinates": degrees[0]}
        elif degrees:
            shape = {"type": "LineString", "coordinates": degrees}
        properties = {name: value for name, value in row.items() if name not in ("line", "area_m")}
        return {"type": "Feature", "properties": properties, "geometry": shape}

    def read(self, folder: Path) -> Study:
        """Write it and read it back."""
        return wa.read_study(self.write(folder))

    def proof(self, folder: Path) -> wa.Proof:
        """Write it and prove it, once for all plants that are written the same."""
        return proof_of(self.write(folder))
