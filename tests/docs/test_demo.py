"""The demo's verdicts equal the table in docs/demo.md, which was worked out by hand."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from pyproj import Transformer

import waysapart as wa
from proofs import proof_of

ROOT = Path(__file__).resolve().parents[2]
ROWS = list(csv.DictReader((ROOT / "examples" / "estuary_expected.csv").open(encoding="utf-8")))


@pytest.fixture(scope="module")
def proof() -> wa.Proof:
    return proof_of(ROOT / "examples" / "estuary")


@pytest.fixture(scope="module")
def found(proof: wa.Proof) -> dict[str, dict[str, Any]]:
    facts = proof.facts()
    return {one["id"]: one for one in facts["circuits"] + facts["groups"] + facts["schemes"]}


def _pairs(entries: list[dict[str, Any]]) -> str:
    return ";".join(sorted({f"{one['main']}/{one['alternate']}" for one in entries}))


def test_the_table_covers_every_circuit_group_and_scheme(found: dict[str, dict[str, Any]]) -> None:
    assert {row["circuit_or_group"] for row in ROWS} == set(found)


@pytest.mark.parametrize("row", ROWS, ids=[row["circuit_or_group"] for row in ROWS])
def test_verdict(row: dict[str, str], found: dict[str, dict[str, Any]]) -> None:
    mine = found[row["circuit_or_group"]]
    assert mine["verdict"] == row["verdict"]
    if "shared" in mine:
        assert ";".join(sorted(one["asset"] for one in mine["shared"])) == row["shared"]
        assert _pairs(mine["near"]) == row["near"]
        assert _pairs(mine["cross"]) == row["cross"]
    if "within_limits" in mine:
        assert str(mine["within_limits"]).lower() == row["within_limits"]


def test_exit_status_says_that_something_is_shared(proof: wa.Proof) -> None:
    assert proof.exit_code() == 1


def test_every_shared_asset_names_the_chains_that_lead_to_it(
    found: dict[str, dict[str, Any]],
) -> None:
    for one in found.values():
        stretches = one.get("stretches", [])
        for entry in one.get("shared", []):
            chains = stretches[entry["stretch"] - 1]["via"]
            assert len(chains) >= 2
            assert all(chain for chain in chains.values())


def test_the_plant_stands_in_open_ocean_where_the_pages_say(proof: wa.Proof) -> None:
    """The demo in the middle of the North Atlantic, the awkward export in the North Pacific."""
    awkward = wa.read_study(ROOT / "examples" / "awkward")
    for study, box, page, said in (
        (proof.study, (-29.6, 54.1, -28.5, 54.7), "demo.md", "EPSG:32626; about 54.4° N 29.0° W"),
        (awkward, (-163.8, 51.4, -163.6, 51.5), "mapping.md", "590 000, 5 700 000"),
    ):
        west, south, east, north = shapely.total_bounds(
            np.concatenate([study.lonlat(role) for role in ("sites", "structures", "segments")])
        )
        assert box[0] < west < east < box[2], page
        assert box[1] < south < north < box[3], page
        assert said in " ".join((ROOT / "docs" / page).read_text(encoding="utf-8").split())
    assert proof.study.crs.to_epsg() == 32626
    feet = Transformer.from_crs("EPSG:26903", "EPSG:4423", always_xy=True)
    east, north = (
        f"{round(one):,}".replace(",", " ") for one in feet.transform(590_000, 5_700_000)
    )
    assert f"{east}, {north}" in (ROOT / "docs" / "mapping.md").read_text(encoding="utf-8")
