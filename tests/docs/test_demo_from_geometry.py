"""The demo's traps in space are found from geometry alone, with every id hidden.

Both paths of a circuit are written again as if by two owners: every segment and every
structure has a meaningless id, is recorded once per path, and lies within nothing. So no
record shows that a trench, a pit or a bridge is common.
"""

from __future__ import annotations

import csv
import hashlib
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely

import waysapart as wa
from proofs import proof_of
from waysapart.network.lengths import positions_deg
from waysapart.network.routes import route_lines, routes

ROOT = Path(__file__).resolve().parents[2]
FIVE = 'separation_m = 5\nend_zone_m = 300\nforbid_cross = ["span/span"]\n'


@pytest.fixture(scope="module")
def demo() -> wa.Proof:
    return proof_of(ROOT / "examples" / "estuary")


def token(*parts: object) -> str:
    """An id that says nothing, the same for the same parts."""
    return hashlib.sha256(repr(parts).encode()).hexdigest()[:10]


def hidden(demo: wa.Proof, circuit: str, rules: str, folder: Path) -> dict[str, Any]:
    """Prove one circuit of the demo with its ids hidden; its facts."""
    network = demo.network
    study = network.study
    route = routes(network)
    lines, line, _ = route_lines(network, route)
    kinds = study.tables["segments"]["kind"].to_numpy()
    row = study.tables["circuits"].set_index("id").loc[circuit]
    equipment = study.tables["equipment"].set_index("id")
    ends = [str(equipment.loc[row[side], "site"]) for side in ("a", "b")]
    sites = study.tables["sites"].reset_index(drop=True)
    places = positions_deg(study, study.geometries("sites"))
    shapes = {str(name): place for name, place in zip(sites["id"], places, strict=True)}
    layers: dict[str, list[dict[str, Any]]] = {
        "sites": [
            {"id": f"END{place}", "within": "-", "geometry": shapes[site]}
            for place, site in enumerate(ends)
        ],
        "structures": [],
        "segments": [],
    }  # fmt: skip
    tables: dict[str, list[dict[str, Any]]] = {
        "equipment": [{"id": f"R{n}", "site": f"END{n}", "within": "-"} for n in (0, 1)],
        "circuits": [{"id": "K", "a": "R0", "b": "R1", "service": ""}],
        "cables": [], "cable_runs": [], "links": [], "link_runs": [], "circuit_paths": [],
    }  # fmt: skip
    number = list(study.tables["circuits"]["id"]).index(circuit)
    for path in network.paths.of_circuit(number):
        label = network.paths.label[path]
        mine = np.flatnonzero(route.path == path)
        assert len(mine)
        node = "END0"
        for seq, at in enumerate(mine.tolist(), start=1):
            shape = lines[line[at]]
            if route.start[at] > route.stop[at]:
                shape = shapely.reverse(shape)
            onward = "END1" if seq == len(mine) else token(circuit, label, seq, "node")
            if onward != "END1":
                layers["structures"].append(
                    {"id": onward, "kind": "joint box", "within": "-",
                     "geometry": shapely.get_point(shape, -1)}
                )  # fmt: skip
            name = token(circuit, label, seq)
            layers["segments"].append(
                {"id": name, "kind": kinds[route.segment[at]], "a": node, "b": onward,
                 "within": "-", "geometry": shape}
            )  # fmt: skip
            tables["cable_runs"].append({"cable": f"W-{label}", "seq": seq, "segment": name})
            node = onward
        tables["cables"].append({"id": f"W-{label}", "fibre_type": "G.652.D", "fibre_count": 12})
        tables["links"].append({"id": label, "a": "R0", "b": "R1", "wavelength_nm": 1310})
        tables["link_runs"].append({"link": label, "seq": 1, "cable": f"W-{label}"})
        tables["circuit_paths"].append({"circuit": "K", "path": label, "seq": 1, "link": label})
    for role, rows in layers.items():
        gpd.GeoDataFrame(rows, geometry="geometry", crs=4326).to_file(
            folder / "study.gpkg", layer=role
        )
    for role, rows in tables.items():
        with (folder / f"{role}.csv").open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, list(rows[0]))
            writer.writeheader()
            writer.writerows(rows)
    (folder / "study.toml").write_text('crs = "EPSG:25832"\nrules = "rules.toml"\n')
    (folder / "rules.toml").write_text(f"[services.default]\n{rules}")
    found: dict[str, Any] = proof_of(folder).facts()["circuits"][0]
    assert found["shared"] == [], "an id still shows it"
    return found


def test_trench_by_trench(demo: wa.Proof, tmp_path: Path) -> None:
    """C25: 811 m at 1.5 m, as docs/demo.md works it out."""
    found = hidden(demo, "C25", FIVE, tmp_path)
    (stretch,) = found["near"]
    assert stretch["distance_m"] == pytest.approx(1.5, abs=0.01)
    assert stretch["length_m"] == pytest.approx(811.1, abs=0.5)
    assert found["verdict"] == "shared"


def test_crossing_in_mid_span(demo: wa.Proof, tmp_path: Path) -> None:
    """C06: one line crosses over the other, and shares nothing with it."""
    rules = 'end_zone_m = 300\nforbid_cross = ["span/span"]\n'
    found = hidden(demo, "C06", rules, tmp_path)
    (cross,) = found["cross"]
    assert (cross["crossing"], cross["how"], cross["forbidden"]) == (
        "span over span",
        "cross",
        True,
    )
    assert found["closest_m"] == 0.0
    assert found["verdict"] == "shared"


def test_two_ducts_on_one_bridge(demo: wa.Proof, tmp_path: Path) -> None:
    """C07: 12 m apart over the whole bridge of 420 m. Near where 15 m are required."""
    found = hidden(demo, "C07", FIVE.replace("= 5", "= 15"), tmp_path)
    (stretch,) = found["near"]
    assert stretch["distance_m"] == pytest.approx(12.0, abs=0.02)
    assert stretch["length_m"] == pytest.approx(420, rel=0.1)
    assert found["verdict"] == "shared"
    assert hidden(demo, "C07", FIVE, _other(tmp_path))["near"] == []


def test_two_ducts_in_one_trench(demo: wa.Proof, tmp_path: Path) -> None:
    """C03: the trench lies at Heronfleet, inside the end zone of 300 m; 50 m show it."""
    assert hidden(demo, "C03", FIVE, tmp_path)["near"] == []
    found = hidden(demo, "C03", FIVE.replace("300", "50"), _other(tmp_path))
    assert min(one["distance_m"] for one in found["near"]) < 1.0
    assert found["verdict"] == "shared"


@pytest.mark.parametrize("circuit", ["C18", "C20", "C27"])
def test_ways_that_are_apart_stay_so(demo: wa.Proof, circuit: str, tmp_path: Path) -> None:
    found = hidden(demo, circuit, FIVE, tmp_path)
    assert (found["near"], found["cross"]) == ([], [])
    assert found["closest_m"] > 200


def _other(folder: Path) -> Path:
    made = folder / "other"
    made.mkdir()
    return made
