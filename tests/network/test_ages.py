"""Ages of surveys, tests and statements: gaps where `[records] oldest` says so, else listed only.

Judged for 1 January 2026. 2025-01-01 is 365 days before it, 2015-01-01 is 4018 days before it.
"""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import pytest

import waysapart as wa
from bad_inputs import more
from commands import run
from proofs import proof_of
from small_study import SEGMENTS, write_small_study
from waysapart.gaps import Gap
from waysapart.network.record_ages import record_ages

ON = date(2026, 1, 1)
LIMITS = "[records]\noldest = { survey = 3650, test = 1825, leased_route = 400 }\n"


def study(folder: Path, rules: str = LIMITS, day: str | None = "2025-01-01") -> Path:
    """The small study with every position surveyed on one day."""
    write_small_study(folder)
    for role in ("sites", "structures", "segments"):
        path = folder / f"{role}.geojson"
        layer = json.loads(path.read_text())
        for one in layer["features"]:
            one["properties"]["surveyed"] = day
        path.write_text(json.dumps(layer))
    (folder / "rules.toml").write_text(rules)
    return folder


def surveyed(folder: Path, role: str, id_: str, day: str | None) -> None:
    path = folder / f"{role}.geojson"
    layer = json.loads(path.read_text())
    for one in layer["features"]:
        if one["properties"]["id"] == id_:
            one["properties"]["surveyed"] = day
    path.write_text(json.dumps(layer))


def old(folder: Path) -> list[Gap]:
    network = wa.tie(wa.read_study(folder, on=ON))
    return [gap for gap in network.gaps if gap.code.endswith("-old")]


def verdict(folder: Path) -> tuple[str, bool | None]:
    proof = proof_of(folder, on=ON)
    return proof.verdicts[0], proof.facts()["circuits"][0]["within_limits"]


def test_young_surveys_are_no_gaps(tmp_path: Path) -> None:
    folder = study(tmp_path)
    assert old(folder) == []
    assert verdict(folder)[0] == "apart"


@pytest.mark.parametrize(
    ("day", "said"),
    [
        ("2015-01-01", "surveyed 2015-01-01, 4,018 days ago; the rules allow 3,650 days"),
        (None, "survey date not on record; the rules allow 3,650 days"),
        ("2026-01-02", "survey date not on record"),
    ],
)
def test_an_old_survey_or_none_leaves_separation_open(
    day: str | None, said: str, tmp_path: Path
) -> None:
    """A survey dated after the day of judgement counts as none."""
    folder = study(tmp_path)
    surveyed(folder, "segments", "D2", day)
    (gap,) = old(folder)
    assert gap.code == "survey-old"
    assert gap.assets == ("D2",)
    assert said in gap.message
    assert gap.bears_on == "separation"
    assert verdict(folder)[0] == "unproven"


def test_a_survey_exactly_as_old_as_allowed_counts(tmp_path: Path) -> None:
    """2016-01-04 is 3650 days before 2026-01-01, of which three are leap days."""
    folder = study(tmp_path)
    surveyed(folder, "segments", "D2", "2016-01-04")
    assert old(folder) == []
    surveyed(folder, "segments", "D2", "2016-01-03")
    assert len(old(folder)) == 1


def test_without_the_rule_ages_are_listed_only(tmp_path: Path) -> None:
    folder = study(tmp_path, rules="", day="2015-01-01")
    assert old(folder) == []
    assert verdict(folder)[0] == "apart"
    (survey,) = record_ages(wa.read_study(folder, on=ON))
    places = len(SEGMENTS) + 6 + 2  # segments, structures, sites
    assert (survey["dated"], survey["undated"]) == (places, 0)
    assert (survey["oldest"], survey["oldest_days"]) == ("2015-01-01", 4018)
    assert survey["limit_days"] is None


def test_many_undated_surveys_are_few_lines(tmp_path: Path) -> None:
    """One line for each kind: substations, towers, pits, spans, ducts."""
    done = run("check", study(tmp_path, day=None), "--on", "2026-01-01", "--json", "-")
    told = [gap for gap in json.loads(done.stdout)["gaps"] if gap["code"] == "survey-old"]
    assert sorted(gap["count"] for gap in told) == [2, 3, 3, 4, 4]


@pytest.mark.parametrize(
    ("column", "value", "limits"),
    [
        ("length_m", "4693.9", ("delay", "asymmetry", "loss")),
        ("loss_db", "1.9", ("loss",)),
        ("delay_us", "22.99", ("delay", "asymmetry")),
    ],
)
def test_an_old_test_leaves_open_what_rests_on_it(
    column: str, value: str, limits: tuple[str, ...], tmp_path: Path
) -> None:
    """The circuit stays apart: how old a test is says nothing about where cables run."""
    folder = study(tmp_path)
    more("measurements.csv", f"link,{column},date\nL2,{value},2015-01-01\n")(folder)
    (gap,) = old(folder)
    assert gap.code == "test-old"
    assert gap.links == ("L2",)
    assert gap.limits == limits
    assert gap.bears_on == "limits"
    assert verdict(folder) == ("apart", None)


def test_an_undated_test_is_a_gap(tmp_path: Path) -> None:
    folder = study(tmp_path)
    more("measurements.csv", "cable,loss_db,date\nC2,1.9,\n")(folder)
    (gap,) = old(folder)
    assert gap.assets == ("C2",)
    assert "test date not on record" in gap.message


def test_a_newer_test_of_the_same_fibre_mends_an_old_one(tmp_path: Path) -> None:
    folder = study(tmp_path)
    more("measurements.csv", "link,loss_db,date\nL2,1.9,2015-01-01\nL2,1.9,2025-01-01\n")(folder)
    assert old(folder) == []


@pytest.mark.parametrize(("day", "count"), [("2025-01-01", 0), ("2024-01-01", 1), ("", 1)])
def test_what_was_said_of_a_leased_route_ages(day: str, count: int, tmp_path: Path) -> None:
    """400 days are allowed: a statement 365 days old counts, one of 731 days or undated not."""
    folder = study(tmp_path)
    (folder / "links.csv").write_text(
        "id,a,b,wavelength_nm,medium,relies_on,stated_by,stated_on\n"
        "L1,R-W,R-M,1310,fibre,,,\n"
        f"L2,R-W,R-M,,leased,P2,its owner,{day}\n"
    )
    (folder / "link_runs.csv").write_text("link,seq,cable\nL1,1,C1\n")
    found = old(folder)
    assert [gap.code for gap in found] == ["leased-old"] * count
    for gap in found:
        assert gap.links == ("L2",)
        assert gap.bears_on == "separation"
        assert gap.column == "stated_on"


def test_a_route_that_nobody_stated_is_as_good_as_old(tmp_path: Path) -> None:
    """The day is on record, and nobody who said so; without a limit nothing is asked."""
    for name, rules, count in (("asked", LIMITS, 1), ("not", "", 0)):
        folder = study(tmp_path / name, rules)
        (folder / "links.csv").write_text(
            "id,a,b,wavelength_nm,medium,relies_on,stated_by,stated_on\n"
            "L1,R-W,R-M,1310,fibre,,,\nL2,R-W,R-M,,leased,P2,,2025-12-01\n"
        )
        (folder / "link_runs.csv").write_text("link,seq,cable\nL1,1,C1\n")
        found = old(folder)
        assert [(gap.code, gap.column) for gap in found] == [("leased-old", "stated_by")] * count


def test_a_leased_hop_without_a_route_is_told_once(tmp_path: Path) -> None:
    """Nothing was stated, so that nothing is old: `leased-route` says it."""
    folder = study(tmp_path)
    (folder / "links.csv").write_text(
        "id,a,b,wavelength_nm,medium,relies_on\nL1,R-W,R-M,1310,fibre,\nL2,R-W,R-M,,leased,\n"
    )
    (folder / "link_runs.csv").write_text("link,seq,cable\nL1,1,C1\n")
    network = wa.tie(wa.read_study(folder, on=ON))
    codes = [gap.code for gap in network.gaps]
    assert codes.count("leased-route") == 1
    assert "leased-old" not in codes


def test_check_lists_ages(tmp_path: Path) -> None:
    folder = study(tmp_path, rules="")
    more("measurements.csv", "cable,loss_db,date\nC2,1.9,2024-01-01\n")(folder)
    done = run("check", folder, "--on", "2026-01-01", "--json", "-")
    ages = {one["what"]: one for one in json.loads(done.stdout)["ages"]}
    assert ages["survey"]["oldest_days"] == 365
    assert ages["test"]["oldest_days"] == 731
    told = run("check", folder, "--on", "2026-01-01").output
    assert "surveys: 16 dated, the oldest 2025-01-01 (365 days); none undated" in told


def test_an_old_test_of_loss_leaves_delay_alone(tmp_path: Path) -> None:
    """Delay rests on lengths, and these nobody doubts."""
    folder = study(tmp_path)
    more("measurements.csv", "link,loss_db,date\nL2,1.9,2015-01-01\n")(folder)
    (circuit,) = proof_of(folder, on=ON).facts()["circuits"]
    assert circuit["paths"]["alternate"]["length_m"] is not None
    assert circuit["delay"]["ok"] is True
    assert circuit["within_limits"] is None


def test_a_test_of_the_day_itself_counts(tmp_path: Path) -> None:
    """Measured at ten in the morning of the day for which the study is judged."""
    folder = study(tmp_path)
    more("measurements.csv", "link,length_m,date\nL2,4700,2026-01-01T10:00:00\n")(folder)
    proof = proof_of(folder, on=ON)
    assert "test-future" not in {gap.code for gap in proof.record_gaps}
    assert proof.facts()["circuits"][0]["paths"]["alternate"]["length_m"] == 4700
