"""The findings as tables in Python: the same as the plain data, with NA for what is not known."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from pyproj import Geod

import waysapart as wa
from dig_plant import two_ways
from drawn_plant import DrawnPlant
from waysapart.verdicts.frame_columns import DTYPES, TABLES


def plain(frame: pd.DataFrame, *columns: str) -> list[tuple[Any, ...]]:
    """Cells of a frame with None for NA."""
    some = frame[list(columns)].astype(object)
    return [tuple(row) for row in some.where(some.notna(), None).to_numpy().tolist()]


def in_facts(proof: wa.Proof) -> list[tuple[str, Any]]:
    facts = proof.facts()
    every = [("circuit", one) for one in facts["circuits"]]
    return every + [("group", one) for one in facts["groups"]]


@pytest.mark.parametrize("name", TABLES)
def test_each_table_has_the_columns_that_the_docs_list(
    name: str, estuary_proof: wa.Proof, tmp_path: Path
) -> None:
    table, found = TABLES[name], getattr(estuary_proof, name)
    shape = [] if table.geometry is None else ["geometry"]
    assert list(found.columns) == [one.name for one in table.columns] + shape
    assert [str(found[one.name].dtype) for one in table.columns] == [
        DTYPES[one.type] for one in table.columns
    ]
    assert found is getattr(estuary_proof, name), "made once"
    if shape:
        assert found.crs == "EPSG:4326"
        found.to_file(tmp_path / "found.gpkg")
        assert len(gpd.read_file(tmp_path / "found.gpkg")) == len(found)


def test_circuits_and_groups_are_those_of_the_facts(estuary_proof: wa.Proof) -> None:
    facts = estuary_proof.facts()
    told = [
        (
            *(one["id"], one["name"], one["group"], one["verdict"], one["within_limits"]),
            *(len(one["shared"]), len(one["near"]), len(one["cross"]), one["closest_m"]),
            *(one["delay"]["worst_us"], one["delay"]["worst_at_least_us"], one["loss_ok"]),
            one["unavailability"]["both"],
        )
        for one in facts["circuits"]
    ]
    assert told == plain(
        estuary_proof.circuits,
        *("id", "name", "group", "verdict", "within_limits", "shared", "near", "cross"),
        *("closest_m", "delay_us", "delay_at_least_us", "loss_ok", "unavailability"),
    )
    groups = [
        (one["id"], ";".join(one["members"]), one["verdict"], one["unavailability"]["working"])
        for one in facts["groups"]
    ]
    assert groups == plain(estuary_proof.groups, "id", "members", "verdict", "working")
    within = {one["id"]: one["within_limits"] for one in facts["circuits"]}
    for one in facts["groups"]:
        mine = [within[member] for member in one["members"]]
        assert one["within_limits"] is (False if False in mine else None if None in mine else True)


def test_shared_assets_and_near_stretches_are_those_of_the_facts(estuary_proof: wa.Proof) -> None:
    shared = [
        (of, one["id"], row["asset"], row["waived"], row["through"], row["stretch"])
        for of, one in in_facts(estuary_proof)
        for row in one["shared"]
    ]
    columns = ("of", "id", "asset", "waived", "through", "stretch")
    assert plain(estuary_proof.shared, *columns) == shared
    near = [
        (what, of, one["id"], row["main"], row["alternate"], row.get("distance_m"), row["waived"])
        for of, one in in_facts(estuary_proof)
        for what in ("near", "cross")
        for row in one[what]
    ]
    columns = ("what", "of", "id", "main", "alternate", "distance_m", "waived")
    assert plain(estuary_proof.near, *columns) == near
    assert {row[0] for row in near} == {"near", "cross"}, "the demo has one of each"


def test_a_near_stretch_is_drawn_as_long_as_it_is(estuary_proof: wa.Proof) -> None:
    near = estuary_proof.near.query("what == 'near'")
    for row in near.itertuples():
        metres = Geod(ellps="WGS84").geometry_length(row.geometry)
        assert metres == pytest.approx(row.length_m, abs=0.1)
    crossing = estuary_proof.near.query("what == 'cross'").iloc[0]
    assert crossing.geometry == shapely.Point(crossing["lon"], crossing["lat"])
    assert pd.isna(crossing["distance_m"])


def test_every_gap_stands_by_itself_with_what_it_touches(estuary_proof: wa.Proof) -> None:
    facts = estuary_proof.facts()
    gaps = estuary_proof.gaps
    assert len(gaps) == facts["summary"]["gaps"]
    one = facts["gaps"][0]
    mine = gaps[(gaps["code"] == one["code"]) & gaps["asset"].isin(one["assets"])]
    assert len(mine) == one["count"]
    touching = {name for cell in gaps["touches"].dropna() for name in cell.split(";")}
    assert touching == {row["id"] for _, row in in_facts(estuary_proof) if row["gaps"]}


def test_the_terms_of_a_budget_add_up_to_its_loss(estuary_proof: wa.Proof) -> None:
    budgets = estuary_proof.budgets
    terms = ("fibre_db", "splices_db", "connectors_db", "mismatch_db", "via_db", "test_db")
    whole = budgets[[*terms, "repair_db", "reserve_db"]].sum(axis=1, skipna=False)
    known = budgets["loss_db"].notna() & whole.notna()
    assert known.sum() > 60
    assert (whole[known] - budgets["loss_db"][known]).abs().max() < 1e-3
    unused = budgets[budgets["circuit"].isna()]
    on_paths = {link for cell in estuary_proof.paths["links"] for link in cell.split(";")}
    assert not set(unused["link"]) & on_paths


def test_what_is_not_on_record_is_na_with_its_bound_beside_it(tmp_path: Path) -> None:
    """Relays without a delay: the delay of each path is at least what its fibre takes."""
    plant = two_ways()
    for row in plant.rows["equipment"]:
        row["delay_us"] = None
        row["kind"] = "relay"
    proof = plant.proof(tmp_path / "study")
    (circuit,) = proof.circuits.to_dict("records")
    assert pd.isna(circuit["delay_us"])
    assert circuit["delay_at_least_us"] > 19  # 4 km and its spare length at 4.9 us/km
    assert pd.isna(circuit["loss_ok"]), "no power is on record"
    assert proof.budgets["margin_db"].isna().all()
    assert proof.paths["delay_us"].isna().all()
    assert (proof.paths["delay_at_least_us"] > 0).all()
    assert proof.gaps["limits"].str.contains("delay").any()


def test_a_study_without_circuits_has_empty_tables(tmp_path: Path) -> None:
    proof = DrawnPlant((0, 0), (900, 0)).proof(tmp_path / "study")
    for name, table in TABLES.items():
        found = getattr(proof, name)
        assert [one.name for one in table.columns] == [c for c in found.columns if c != "geometry"]
        if name != "gaps":
            assert not len(found)


def test_lines_run_on_across_the_antimeridian(tmp_path: Path) -> None:
    """The plant is moved so that its middle lies on 180 degrees."""
    plant = two_ways()
    plant.settings = 'crs = "EPSG:4326"\n'
    plant.shows_grid = False
    west = plant.to_degrees

    def moved(x: float, y: float) -> tuple[float, float]:
        lon, lat = west(x, y)
        lon += 180.0 - west(2000, 0)[0]
        return (lon + 180.0) % 360.0 - 180.0, lat

    plant.to_degrees = moved
    paths = plant.proof(tmp_path / "study").paths
    low, _, high, _ = paths.total_bounds
    assert high - low < 0.1
    assert low < 180.0 < high or low < -180.0 < high
