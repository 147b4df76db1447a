"""Many links side by side, each with its terms as a published example gives them.

    West ----- a duct, of any length ----- East      relays R-W and R-E

Each example has a duct, a cable, a link and a circuit named after it, so that one proof answers
for all of them. Nothing is estimated, kept or allowed for but what an example states: no
overlength, no slack, no margin asked for, reels without end, and nothing varies.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import tomli_w

from figures_study import loss
from proofs import proof_of
from small_study import lon_lat

QUIET: dict[str, Any] = {
    "defaults": {
        "overlength_pct": {"other": 0.0, "duct": 0.0},
        "slack_m": {"other": 0.0},
        "reel_m": {"other": 1e9, "duct": 1e9},
    },
    "services": {"default": {"min_margin_db": 0.0}},
    "statistics": {
        "splice_sigma_db": 0.0,
        "connector_sigma_db": 0.0,
        "fibre_sigma_db_per_km": 0.0,
    },
}
CELLS = (
    "connectors",
    "splices",
    "loss_db",
    "reserve_db",
    "tx_min_dbm",
    "tx_max_dbm",
    "rx_min_dbm",
    "rx_max_dbm",
    "medium",
    "length_m",
    "relies_on",
)
HEADS = {
    "cables": "id,fibre_type,fibre_count,kind,db_per_km",
    "cable_runs": "cable,seq,segment",
    "links": "id,a,b,wavelength_nm," + ",".join(CELLS),
    "link_runs": "link,seq,cable,fibres",
    "circuits": "id,a,b,service,switching",
    "circuit_paths": "circuit,path,seq,link",
    "measurements": "link,delay_us,loss_db,wavelength_nm,stage,direction",
}


def write_budgets(
    folder: Path, examples: Mapping[str, Mapping[str, Any]], rules: Mapping[str, Any] | None = None
) -> Path:
    """Write the study.

    Parameters
    ----------
    folder : pathlib.Path
    examples : mapping of str to mapping
        By name; `km` (or `line`: both ends in degrees), `kind` (duct), `sag_m` (of a span),
        `db_per_km` (absent: that of `fibre`), `fibre` (G.652.D), `wavelength_nm` (1310),
        `min_margin_db`, `measured_db`, `go_us` and `return_us` (measured; such a circuit has a
        second path), and cells of the link: `CELLS`.
        With `medium` radio it is a hop of that length.
    rules : mapping, optional
        Tables over the quiet ones.
    """
    folder.mkdir(parents=True, exist_ok=True)
    sites, segments, relays = [], [], []
    rows: dict[str, list[tuple[object, ...]]] = {role: [] for role in HEADS}
    stated = over(QUIET, rules or {})
    every = dict(examples)
    if any("go_us" in example for example in examples.values()):
        every["other"] = {"km": 1.0}
    for name, example in every.items():
        cells = {"km": 0.001, "fibre": "G.652.D", "wavelength_nm": 1310, **example}
        west, east = ("W", "E") if "line" not in cells else (f"W-{name}", f"E-{name}")
        line = cells.get("line", (lon_lat(0, 0), lon_lat(4000, 0)))
        if (relay := f"R-{west},{west},relay,-,-,-,0") not in relays:
            relays += [relay, f"R-{east},{east},relay,-,-,-,0"]
            for site, at in zip((west, east), line, strict=True):
                sites.append(_feature("Point", at, id=site, within="-"))
        course = {"kind": cells.get("kind", "duct"), "a": west, "b": east, "within": "-"}
        if "line" not in cells:
            course["length_m"] = cells["km"] * 1000
        if "sag_m" in cells:
            course |= {"kind": "span", "sag_m": cells["sag_m"]}
        segments.append(_feature("LineString", line, id=f"D-{name}", **course))
        if cells.get("medium") == "radio":
            cells |= {"length_m": cells["km"] * 1000, "relies_on": "-"}
        else:
            attenuation = cells.get("db_per_km", "")
            rows["cables"].append((f"C-{name}", cells["fibre"], 24, "duct", attenuation))
            rows["cable_runs"].append((f"C-{name}", 1, f"D-{name}"))
            rows["link_runs"].append((f"L-{name}", 1, f"C-{name}", "1;2"))
        own = (cells.get(cell, 0 if cell in ("connectors", "splices") else "") for cell in CELLS)
        rows["links"].append((f"L-{name}", f"R-{west}", f"R-{east}", cells["wavelength_nm"], *own))
        service = "default"
        if "min_margin_db" in cells:
            service = f"S-{name}"
            stated["services"][service] = {"min_margin_db": cells["min_margin_db"]}
        rows["circuits"].append((name, f"R-{west}", f"R-{east}", service, "both"))
        rows["circuit_paths"].append((name, "main", 1, f"L-{name}"))
        if "go_us" in cells:
            rows["circuit_paths"].append((name, "alternate", 1, "L-other"))
            for direction in ("go", "return"):
                delay = cells[f"{direction}_us"]
                rows["measurements"].append((f"L-{name}", delay, "", "", "end-to-end", direction))
        if "measured_db" in cells:
            test = ("", cells["measured_db"], cells["wavelength_nm"], "end-to-end", "")
            rows["measurements"].append((f"L-{name}", *test))
    _collection(folder / "sites.geojson", sites)
    _collection(folder / "segments.geojson", segments)
    for role, head in HEADS.items():
        text = "\n".join([head, *(",".join(map(str, row)) for row in rows[role]), ""])
        (folder / f"{role}.csv").write_text(text, encoding="utf-8")
    table = "\n".join(["id,site,kind,within,supplies,needs,delay_us", *relays, ""])
    (folder / "equipment.csv").write_text(table, encoding="utf-8")
    (folder / "rules.toml").write_text(tomli_w.dumps(stated), encoding="utf-8")
    (folder / "study.toml").write_text(
        'name = "Links side by side"\nrules = "rules.toml"\n', encoding="utf-8"
    )
    return folder


class Proved:
    """What the proof says of each example."""

    def __init__(
        self,
        folder: Path,
        examples: Mapping[str, Mapping[str, Any]],
        rules: Mapping[str, Any] | None = None,
    ) -> None:
        self.facts: Any = proof_of(write_budgets(folder, examples, rules)).facts()
        self._circuits = {one["id"]: one for one in self.facts["circuits"]}

    def circuit(self, name: str) -> dict[str, Any]:
        """The circuit of an example."""
        found: dict[str, Any] = self._circuits[name]
        return found

    def loss(self, name: str) -> dict[str, Any]:
        """All that is said of the loss of its link."""
        return loss({**self.facts, "circuits": [{**self._circuits[name], "id": "K1"}]})


def over(under: Mapping[str, Any], upper: Mapping[str, Any]) -> dict[str, Any]:
    """Tables laid over tables, key by key; neither is changed."""
    merged = dict(under)
    for key, value in under.items():
        merged[key] = over(value, {}) if isinstance(value, dict) else value
    for key, value in upper.items():
        known = merged.get(key)
        nested = isinstance(value, dict) and isinstance(known, dict)
        merged[key] = over(known, value) if nested else value
    return merged


def _feature(shape: str, coordinates: object, **properties: object) -> dict[str, object]:
    geometry = {"type": shape, "coordinates": coordinates}
    return {"type": "Feature", "properties": properties, "geometry": geometry}


def _collection(file: Path, features: list[dict[str, object]]) -> None:
    text = json.dumps({"type": "FeatureCollection", "features": features})
    file.write_text(text, encoding="utf-8")
