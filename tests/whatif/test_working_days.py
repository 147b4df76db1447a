"""Working days and closed days of the rules: what a plan tells, and what the proposal keeps to."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

import waysapart as wa
from commands import run
from dig_plant import two_ways
from waysapart.study.model import Study

WEEK = '[works]\ndays = ["mon", "tue", "wed", "thu", "fri"]\n'
"""4 May 2026 is a Monday."""


def study(folder: Path, rules: str = WEEK) -> Study:
    two_ways().write(folder)
    (folder / "rules.toml").write_text(rules, encoding="utf-8")
    return wa.read_study(folder)


def works(*rows: tuple[str, str, str]) -> pd.DataFrame:
    """Rows of first day, last day, asset; days of May 2026 or times."""
    frame = pd.DataFrame(rows, columns=["from", "to", "assets"])
    for column in ("from", "to"):
        frame[column] = "2026-05-" + frame[column]
    return frame.assign(id=[f"W{number}" for number in range(len(rows))])


def proposed(study: Study, *rows: tuple[str, str, str]) -> list[tuple[str, str]]:
    facts = wa.plan_works(study, works(*rows)).facts()
    return [
        (one["from"].removeprefix("2026-05-"), one["to"].removeprefix("2026-05-"))
        for one in sorted(facts["order"], key=lambda one: one["id"])
    ]


def test_every_day_is_a_working_day_where_the_rules_say_nothing(tmp_path: Path) -> None:
    plan = wa.plan_works(study(tmp_path, ""), works(("09", "10", "d2")))
    facts = plan.facts()
    assert (facts["working_days"], facts["closed"]) == ([], [])
    assert facts["works"][0]["closed_days"] == []
    assert (facts["order"][0]["from"], facts["order"][0]["to"]) == ("2026-05-09", "2026-05-10")


def test_a_work_planned_on_a_closed_day_is_told_and_moved(tmp_path: Path) -> None:
    """Saturday and Sunday become Monday and Tuesday."""
    facts = wa.plan_works(study(tmp_path), works(("09", "10", "d2"))).facts()
    assert facts["works"][0]["closed_days"] == ["2026-05-09", "2026-05-10"]
    assert facts["working_days"] == ["mon", "tue", "wed", "thu", "fri"]
    assert (facts["order"][0]["from"], facts["order"][0]["to"]) == ("2026-05-11", "2026-05-12")
    table = tmp_path / "plan.csv"
    works(("09", "10", "d2")).to_csv(table, index=False)
    said = "W0 is planned on closed days: Sat 2026-05-09, Sun 2026-05-10"
    assert said in run("dig", tmp_path, "--plan", table).stdout
    page = tmp_path / "notice.html"
    run("dig", tmp_path, "--plan", table, "-o", page)
    assert said in page.read_text(encoding="utf-8")


def test_a_named_day_is_closed_whatever_day_of_the_week(tmp_path: Path) -> None:
    """Wednesday the 6th is closed, so that the work takes Tuesday and Thursday."""
    closed = study(tmp_path, f"{WEEK}closed = [2026-05-06]\n")
    facts = wa.plan_works(closed, works(("05", "05", "d2"), ("06", "06", "d3"))).facts()
    assert facts["closed"] == ["2026-05-06"]
    assert [one["closed_days"] for one in facts["works"]] == [[], ["2026-05-06"]]
    assert proposed(closed, ("05", "05", "d2"), ("06", "06", "d3")) == [("05", "05"), ("07", "07")]


@pytest.mark.parametrize(
    ("planned", "moved"),
    [
        (("07", "08"), ("11", "12")),  # Thursday and Friday: after the other work, from Monday on
        (("08", "11"), ("11", "12")),  # Friday and Monday: two days of work
        (("08", "09"), ("11", "12")),  # Friday and Saturday: Saturday is made up for
        (("05", "12"), ("11", "18")),  # a weekend inside: six days of work
    ],
)
def test_a_work_that_moves_takes_as_many_working_days(
    tmp_path: Path, planned: tuple[str, str], moved: tuple[str, str]
) -> None:
    """W0 has the main path to the end of Friday; W1 is on the alternate one."""
    spans = proposed(study(tmp_path), ("04", "08", "d2"), (*planned, "e2"))
    assert spans == [("04", "08"), moved]


def test_plant_stays_out_over_the_closed_days_in_between(tmp_path: Path) -> None:
    """W0 from Friday to Monday: what it takes is not back on Saturday."""
    facts = wa.plan_works(study(tmp_path), works(("08", "11", "d2"), ("09", "09", "e2"))).facts()
    lost = [(one["from"], one["to"]) for one in facts["as_planned"] if one["lost"]]
    assert lost == [("2026-05-09", "2026-05-09")]


def test_a_night_counts_as_the_day_on_which_it_begins(tmp_path: Path) -> None:
    """Friday night ends on Saturday; a second night on the other path waits for Monday."""
    nights = [("08T22:00", "09T06:00", one) for one in ("d2", "e2")]
    facts = wa.plan_works(study(tmp_path), works(*nights)).facts()
    assert [one["closed_days"] for one in facts["works"]] == [[], []]
    assert proposed(study(tmp_path), *nights) == [
        ("08T22:00", "09T06:00"),
        ("11T22:00", "12T06:00"),
    ]


@pytest.mark.parametrize(
    ("rules", "says"),
    [
        ('[works]\ndays = ["monday"]\n', "works.days"),
        ('[works]\nclosed = ["4 May"]\n', "works.closed"),
        ("[works]\nholidays = []\n", "holidays"),
    ],
)
def test_days_that_mean_nothing_are_told(tmp_path: Path, rules: str, says: str) -> None:
    with pytest.raises(wa.StudyError) as caught:
        study(tmp_path, rules)
    assert any(says in str(problem) for problem in caught.value.problems)


def test_no_verdict_rests_on_working_days(tmp_path: Path) -> None:
    """The evidence of a proof does not hold them, and recheck does not miss them."""
    folder = tmp_path / "study"
    study(folder)
    evidence = tmp_path / "evidence.json"
    run("prove", folder, "--json", evidence)
    assert "works." not in evidence.read_text(encoding="utf-8")
    done = run("recheck", folder, evidence)
    assert done.exit_code == 0, done.stdout
