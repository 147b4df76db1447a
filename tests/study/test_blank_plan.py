"""`blank --plan`: an empty plan that says what goes where, and that `dig --plan` reads."""

from __future__ import annotations

import csv
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
import shapely

import waysapart as wa
from commands import run
from dig_plant import area, two_ways
from drawn_plant import CRS
from waysapart.schema import PLAN


def test_a_drawn_plan_has_every_column_and_is_read_once_filled_in(tmp_path: Path) -> None:
    folder = two_ways().write(tmp_path / "study")
    done = run("blank", "--plan", folder, "--crs", CRS)
    assert done.exit_code == 0
    assert "waysapart dig STUDY --plan" in done.stdout
    plan = folder / "works.gpkg"
    empty = gpd.read_file(plan)
    assert empty.crs == CRS
    assert list(empty.columns) == [*PLAN.column, "geometry"]
    assert "the table of works has no row" in run("dig", folder, "--plan", plan).stderr
    day = {"id": "W1", "from": "2026-05-04", "to": "2026-05-04T16:00", "reach_m": 2.0}
    row = gpd.GeoDataFrame([day], geometry=area(shapely.Point(1500, 0)).geometry, crs=CRS)
    filled = pd.concat([empty, row])
    filled.to_file(plan, layer="works", driver="GPKG")
    facts = wa.plan_works(wa.read_study(folder), plan).facts()
    assert (facts["works"][0]["hit"], facts["works"][0]["to"]) == (["d2"], "2026-05-04T16:00")
    assert facts["notes"] == []


@pytest.mark.parametrize("place", [{"geometry": "LINESTRING ({lon} {lat}, 8.0 54.0)"}, {}])
def test_a_plan_in_csv_has_a_place_as_text_or_numbers(
    tmp_path: Path, place: dict[str, str]
) -> None:
    folder = two_ways().write(tmp_path / "study")
    assert run("blank", "--plan", "--csv", folder).exit_code == 0
    plan = folder / "works.csv"
    heads = plan.read_text(encoding="utf-8").strip().split(",")
    assert heads == [*PLAN.column, "lon", "lat", "geometry"]
    point = area(shapely.Point(1500, 0)).to_crs(4326).geometry[0]
    where = {key: text.format(lon=point.x, lat=point.y) for key, text in place.items()}
    row = {"id": "W1", "from": "2026-05-04", "to": "2026-05-04"}
    row |= where or {"lon": str(point.x), "lat": str(point.y)}
    with plan.open("a", newline="", encoding="utf-8") as file:
        csv.DictWriter(file, heads, restval="").writerow(row)
    facts = wa.plan_works(wa.read_study(folder), plan).facts()
    assert "d2" in facts["works"][0]["hit"]
    assert facts["notes"] == []


@pytest.mark.parametrize("more", [(), ("--csv",)])
def test_a_text_beside_it_explains_every_column(tmp_path: Path, more: tuple[str, ...]) -> None:
    run("blank", "--plan", tmp_path, *more)
    text = " ".join((tmp_path / "works-columns.txt").read_text(encoding="utf-8").split())
    for column in PLAN.columns:
        needed = "*" if column.required else ""
        assert f"{column.name}{needed}: {column.says}" in text
    assert ("lon: longitude" in text) == bool(more)
    assert "Dates and times are local, without an offset" in text


def test_only_the_plan_is_written_and_what_is_there_stays(tmp_path: Path) -> None:
    run("blank", "--plan", tmp_path)
    assert sorted(one.name for one in tmp_path.iterdir()) == ["works-columns.txt", "works.gpkg"]
    before = (tmp_path / "works.gpkg").read_bytes()
    again = run("blank", "--plan", tmp_path)
    assert again.exit_code == 2
    assert (tmp_path / "works.gpkg").read_bytes() == before
    assert run("blank", "--plan", tmp_path, "--force").exit_code == 0


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (("--csv", "--crs", "EPSG:25832"), "in degrees"),
        (("--crs", "EPSG:0"), "no such coordinate system"),
        (("--workbook", "study.xlsx"), "goes without"),
    ],
)
def test_calls_without_meaning(tmp_path: Path, call: tuple[str, ...], says: str) -> None:
    done = run("blank", "--plan", tmp_path / "new", *call)
    assert done.exit_code == 2
    assert says in done.stderr
    assert not (tmp_path / "new").exists()
