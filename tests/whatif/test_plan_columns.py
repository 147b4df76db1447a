"""The columns of a plan of works: what is read, what is told, and how dates and times count."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pytest
import shapely

import waysapart as wa
from commands import run
from dig_plant import area, two_ways
from waysapart.schema import PLAN
from waysapart.study.model import Study


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return two_ways().read(tmp_path_factory.mktemp("plan") / "study")


def plan(*rows: dict[str, Any]) -> pd.DataFrame:
    """Works of one day on d2, unless a row says otherwise."""
    usual = {"id": "W1", "from": "2026-05-04", "to": "2026-05-04", "assets": "d2"}
    return pd.DataFrame([{**usual, **row} for row in rows])


def problems(study: Study, works: pd.DataFrame | Path) -> list[wa.Problem]:
    with pytest.raises(wa.StudyError) as caught:
        wa.plan_works(study, works)
    return list(caught.value.problems)


# --- What a plan says of each work.


def test_name_place_and_who_to_call_stand_in_the_json(study: Study) -> None:
    said = {
        "name": "Field drain",
        "place": "by the second gate of the lane",
        "contractor": "Groundworks crew 4",
        "contact": "site lead",
        "phone": "000 111",
    }
    (work,) = wa.plan_works(study, plan(said)).facts()["works"]
    assert {key: work[key] for key in said} == said
    assert (work["from"], work["to"], work["hit"]) == ("2026-05-04", "2026-05-04", ["d2"])


def test_what_a_plan_does_not_say_is_blank(study: Study) -> None:
    (work,) = wa.plan_works(study, plan({"name": None})).facts()["works"]
    assert (work["name"], work["place"], work["phone"]) == ("", "", "")


# --- Columns that nothing reads.


def test_a_column_that_nothing_reads_is_named_with_the_nearest_one(study: Study) -> None:
    works = plan({"reach": 5, "telephone": "000", "budget": 3})
    assert wa.plan_works(study, works).facts()["notes"] == [
        "a plan of works does not read the column 'reach'; did you mean 'reach_m'?",
        "a plan of works does not read the column 'telephone'; did you mean 'phone'?",
        "a plan of works does not read the column 'budget'",
    ]


def test_every_column_of_a_plan_is_read(study: Study) -> None:
    works = plan(dict.fromkeys(set(PLAN.column) - {"id", "from", "to", "assets"}, ""))
    assert wa.plan_works(study, works).facts()["notes"] == []


def test_missing_columns_are_told_with_what_may_be_meant_and_all_other_faults(
    study: Study,
) -> None:
    works = plan({"assets": "d9"}, {}).rename(columns={"from": "start", "to": "end"})
    missing, unknown, twice = problems(study, works)
    assert missing.message == (
        "the table of works needs from, to; rename 'start' to 'from', rename 'end' to 'to'"
    )
    assert {unknown.column, twice.column} == {"assets", "id"}


# --- Reach.


def test_an_area_reaches_as_far_as_its_own_reach_or_the_call_says(study: Study) -> None:
    """Points 6 m north of d2 and of e2; all is surveyed to 1 m. d2's feature reaches 6 m by
    itself, e2's nothing; with a reach of 5.5 m both are hit."""
    points = area(shapely.Point(1500, 6), shapely.Point(1000, -394))
    alone = wa.dig(study, points.assign(reach_m=[6.0, None])).facts()
    assert alone["hit"] == ["d2"]
    assert alone["area"]["feature_reach_m"] == [6.0, 0.0]
    both = wa.dig(study, points.assign(reach_m=[6.0, 1.0]), reach_m=5.5).facts()
    assert both["hit"] == ["d2", "e2"]
    assert both["area"]["feature_reach_m"] == [6.0, 5.5]
    assert wa.dig(study, points).facts()["hit"] == []


def test_works_reach_as_far_as_their_own_reach_or_the_call_says(study: Study) -> None:
    points = area(shapely.Point(1500, 6)).assign(
        id="W1", reach_m=2.0, **{"from": "2026-05-04", "to": "2026-05-04"}
    )
    assert wa.plan_works(study, points).facts()["works"][0]["hit"] == []
    told = wa.plan_works(study, points, reach_m=5.5).facts()["works"][0]
    assert (told["hit"], told["reach_m"]) == (["d2"], 5.5)
    with pytest.raises(wa.CallError, match="0 m or more"):
        wa.plan_works(study, points, reach_m=-1.0)


def test_the_command_takes_reach_with_a_plan_and_tells_what_it_does_not_read(
    study: Study, tmp_path: Path
) -> None:
    folder = two_ways().write(tmp_path / "study")
    points = area(shapely.Point(1500, 6)).assign(
        id="W1", reach=2.0, **{"from": "2026-05-04", "to": "2026-05-04"}
    )
    points.to_file(tmp_path / "plan.geojson")
    call = ("dig", folder, "--plan", tmp_path / "plan.geojson")
    said = "note: a plan of works does not read the column 'reach'; did you mean 'reach_m'?"
    plain = run(*call)
    assert said in plain.stdout
    assert "one path left" not in plain.stdout
    assert "one path left: K" in run(*call, "--reach", "5.5").stdout
    refused = run(*call, "--radius", "5")
    assert refused.exit_code == 2
    assert "--plan names its own places" in refused.stderr
    dug = run("dig", folder, "--area", tmp_path / "plan.geojson")
    assert "an area of works does not read the column 'reach'; did you mean" in dug.stdout


def test_an_area_tells_columns_that_nothing_reads_and_reaches_that_are_none(study: Study) -> None:
    points = area(shapely.Point(1500, 6), shapely.Point(1500, 8))
    notes = wa.dig(study, points.assign(reach=5, title="pit")).facts()["area"]["notes"]
    assert notes == [
        "an area of works does not read the column 'reach'; did you mean 'reach_m'?",
        "an area of works does not read the column 'title'",
    ]
    with pytest.raises(wa.StudyError) as caught:
        wa.dig(study, points.assign(reach_m=["-1", "wide"]))
    assert [(one.row, one.column) for one in caught.value.problems] == [
        (1, "reach_m"),
        (2, "reach_m"),
    ]


# --- Dates and times.


@pytest.mark.parametrize("blank", ["", "  ", None])
def test_a_blank_date_is_called_blank_with_file_row_column_and_id(
    study: Study, tmp_path: Path, blank: str | None
) -> None:
    path = tmp_path / "plan.csv"
    plan({}, {"id": "W2", "to": blank}).to_csv(path, index=False)
    (problem,) = problems(study, path)
    assert problem.message.startswith("the date is blank; expected a date such as 2026-05-04")
    assert (problem.file, problem.row, problem.column, problem.id) == ("plan.csv", 3, "to", "W2")


@pytest.mark.parametrize("value", ["2026", "2026-05", "46146", "04.05.2026", "2026-05-04T25:00"])
def test_what_is_no_date_is_told(study: Study, value: str) -> None:
    (problem,) = problems(study, plan({"from": value}))
    assert "expected a date such as 2026-05-04" in problem.message
    assert repr(value) in problem.message


@pytest.mark.parametrize("value", ["2026-05-04T08:00+02:00", "2026-05-04T08:00Z"])
def test_a_time_with_an_offset_is_refused(study: Study, value: str) -> None:
    (problem,) = problems(study, plan({"from": value}))
    assert "leave the offset out" in problem.message


def test_works_of_one_day_overlap_by_their_hours(study: Study) -> None:
    """The drain is done at noon, the other path is opened at noon: nothing is lost. With one
    minute in common the circuit is."""
    morning = {"from": "2026-05-04T08:00", "to": "2026-05-04T12:00"}
    noon = {"id": "W2", "from": "2026-05-04T12:00", "to": "2026-05-04T16:30", "assets": "e2"}
    facts = wa.plan_works(study, plan(morning, noon)).facts()
    assert [(row["from"], row["to"], row["lost"]) for row in facts["as_planned"]] == [
        ("2026-05-04T08:00", "2026-05-04T12:00", []),
        ("2026-05-04T12:00", "2026-05-04T16:30", []),
    ]
    late = {**morning, "to": "2026-05-04T12:01"}
    facts = wa.plan_works(study, plan(late, noon)).facts()
    assert [(row["from"], row["to"], row["lost"]) for row in facts["as_planned"]][1] == (
        "2026-05-04T12:00",
        "2026-05-04T12:01",
        ["K"],
    )
    assert [(row["id"], row["from"], row["to"]) for row in facts["order"]] == [
        ("W1", "2026-05-04T08:00", "2026-05-04T12:01"),
        ("W2", "2026-05-05T12:00", "2026-05-05T16:30"),
    ]


def test_a_date_counts_the_whole_day_beside_works_with_hours(study: Study) -> None:
    """W1 has the 4th to itself, W2 begins in its evening."""
    evening = {"id": "W2", "from": "2026-05-04T22:00", "to": "2026-05-05", "assets": "e2"}
    facts = wa.plan_works(study, plan({}, evening)).facts()
    assert [(row["from"], row["to"], row["works"]) for row in facts["as_planned"]] == [
        ("2026-05-04", "2026-05-04T22:00", ["W1"]),
        ("2026-05-04T22:00", "2026-05-04", ["W1", "W2"]),
        ("2026-05-05", "2026-05-05", ["W2"]),
    ]
    assert facts["as_planned"][1]["lost"] == ["K"]


@pytest.mark.parametrize("name", ["plan.geojson", "plan.gpkg", "plan.fgb", "plan.shp"])
def test_a_day_written_as_midnight_counts_to_its_end(
    study: Study, tmp_path: Path, name: str
) -> None:
    """A GIS that keeps both columns as times writes the last day as its midnight."""
    frame = gpd.GeoDataFrame(
        plan({}, {"id": "W2", "from": "2026-05-05T08:00"}).drop(columns="assets"),
        geometry=area(shapely.Point(1500, 0), shapely.Point(1500, 0)).to_crs(4326).geometry,
        crs=4326,
    )
    frame["from"] = pd.to_datetime(frame["from"], format="ISO8601")
    frame["to"] = pd.to_datetime(["2026-05-04", "2026-05-05"])
    frame.to_file(tmp_path / name)
    works = wa.plan_works(study, tmp_path / name).facts()["works"]
    assert [(one["from"], one["to"]) for one in works] == [
        ("2026-05-04", "2026-05-04"),
        ("2026-05-05T08:00", "2026-05-05"),
    ]


def test_half_a_position_is_no_place(study: Study) -> None:
    works = plan({"lon": "7.92", "lat": "north"}, {"id": "W2", "lon": "", "lat": None})
    (problem,) = problems(study, works)
    assert (problem.row, problem.column) == (1, "lon")
