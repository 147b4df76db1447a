"""What falls due: the last day of waivers and dated records, who rests on them, the calendar.

The plant is the one of examples/audit: the south cable was tested on 2022-04-10 and may be 1825
days old, that is until 2027-04-09; the waiver of K2 ends on 2027-03-31. K1 runs over the line and
the south cable, K2 over the south and the north cable.
"""

from __future__ import annotations

import shutil
from datetime import date
from pathlib import Path

import icalendar
import pytest

import waysapart as wa
from waysapart.export.due_calendar import due_calendar
from waysapart.whatif.due import DueFacts, DueTable

PLANT = Path(__file__).resolve().parents[2] / "examples" / "audit"


@pytest.fixture
def plant(tmp_path: Path) -> Path:
    return Path(shutil.copytree(PLANT, tmp_path / "plant"))


def table(plant: Path, day: date, days: int = 90) -> DueTable:
    return wa.due(wa.prove(wa.read_study(plant, on=day)), days)


def brief(found: DueTable) -> list[tuple[str, str, str, int, list[str]]]:
    return [
        (one["what"], one["id"], one["due"], one["days"], one["circuits"])
        for one in found["records"]
    ]


def replaced(file: Path, old: str, new: str) -> None:
    text = file.read_text(encoding="utf-8")
    assert old in text
    file.write_text(text.replace(old, new), encoding="utf-8")


TEST = ("test", "C-SOUTH", "2027-04-09", 0, ["K1", "K2"])
WAIVER = ("waiver", "K2", "2027-03-31", 0, ["K2"])


@pytest.mark.parametrize(
    ("day", "days", "expected"),
    [
        # the 90th day is 2027-03-30, then 2027-03-31
        (date(2026, 12, 30), 90, []),
        (date(2026, 12, 31), 90, [(*WAIVER[:3], 90, ["K2"])]),
        (date(2027, 3, 31), 0, [WAIVER]),
        (date(2027, 4, 1), 0, [(*WAIVER[:3], -1, ["K2"])]),
        (
            date(2027, 4, 9),
            0,
            [(*WAIVER[:3], -9, ["K2"]), TEST, TEST],
        ),
    ],
)
def test_each_thing_falls_due_on_its_last_day(
    day: date, days: int, expected: list[tuple[object, ...]]
) -> None:
    assert brief(table(PLANT, day, days)) == expected


@pytest.mark.parametrize(("day", "gaps"), [(date(2027, 4, 9), 0), (date(2027, 4, 10), 2)])
def test_a_test_is_a_gap_on_the_day_after_its_last(day: date, gaps: int) -> None:
    proof = wa.prove(wa.read_study(PLANT, on=day))
    assert sum(gap.code == "test-old" for gap in proof.record_gaps) == gaps


def test_an_entry_says_where_it_stands_and_what_becomes_of_it() -> None:
    waiver, test, _ = table(PLANT, date(2027, 2, 1))["records"]
    assert waiver["about"] == "waiver of ENT-T"
    assert (waiver["file"], waiver["layer"], waiver["row"]) == ("rules.toml", "waiver", 1)
    assert (waiver["rule"], waiver["then"]) == ("waiver.until", "lapses")
    assert (test["about"], test["stage"]) == ("loss of cable", "installed")
    assert (test["file"], test["row"], test["column"]) == ("measurements.csv", 2, "date")
    assert (test["dated"], test["rule"]) == ("2022-04-10", "records.oldest.test")
    assert (test["then"], test["overdue"]) == ("gap", False)


def test_tests_that_the_rules_do_not_limit_are_marked_as_old_in_time(plant: Path) -> None:
    """Five years of 365.25 days, floored: 2022-04-10 and 1826 days. Drum tests always go by it."""
    replaced(plant / "rules.toml", "[records.oldest]\ntest = 1825\n", "")
    replaced(
        plant / "measurements.csv", "C-SOUTH,2,1310,1.93,installed", "C-SOUTH,2,1310,1.93,drum"
    )
    found = [one for one in table(plant, date(2027, 2, 1))["records"] if one["what"] == "test"]
    assert [(one["due"], one["rule"], one["then"], one["stage"]) for one in found] == [
        ("2027-04-10", "tests.most_years", "marked as old", "drum"),
        ("2027-04-10", "tests.most_years", "marked as old", "installed"),
    ]


def test_surveys_and_leased_statements_fall_due_by_the_rules(plant: Path) -> None:
    """S2 lies on both circuits' south paths, N2 on K2 alone; a leased hop is K3's."""
    replaced(plant / "rules.toml", "test = 1825", "test = 1825\nsurvey = 3650\nleased_route = 400")
    lines = (plant / "structures.csv").read_text(encoding="utf-8").splitlines()
    day = {"S2": "2017-02-10", "N2": "2016-06-01"}
    lines = [lines[0] + ",surveyed", *(f"{x},{day.get(x.split(',')[0], '')}" for x in lines[1:])]
    (plant / "structures.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (plant / "links.csv").write_text(
        (plant / "links.csv")
        .read_text(encoding="utf-8")
        .replace(",rx_max_dbm\n", ",rx_max_dbm,medium,relies_on,stated_by,stated_on\n")
        .replace("-28,0\n", "-28,0,fibre,,,\n")
        + "L3,R1-H,R1-T,,,,,,leased,T2,its owner,2026-01-10\n",
        encoding="utf-8",
    )
    with (plant / "circuits.csv").open("a", encoding="utf-8") as file:
        file.write("K3,Over the leased hop,R1-H,R1-T,line-differential,each\n")
    with (plant / "circuit_paths.csv").open("a", encoding="utf-8") as file:
        file.write("K3,main,1,L3\nK3,alternate,1,L1-SOUTH\n")
    found = table(plant, date(2027, 1, 1))
    assert brief({**found, "records": [r for r in found["records"] if r["what"] != "waiver"]}) == [
        ("survey", "N2", "2026-05-30", -216, ["K2"]),
        ("survey", "S2", "2027-02-08", 38, ["K1", "K2", "K3"]),
        ("leased_route", "L3", "2027-02-14", 44, ["K3"]),
    ]
    # every other site, structure and segment is without a date, and a gap already
    assert found["undated"] == {"survey": 2 + 10 + 16}


@pytest.mark.slow
def test_a_waiver_with_nothing_left_to_waive_does_not_fall_due(plant: Path) -> None:
    replaced(plant / "rules.toml", '"ENT-T"', '"N2"')
    assert [one["what"] for one in table(plant, date(2027, 4, 1), 0)["records"]] == []


@pytest.mark.parametrize("days", [-1, 40_000])
def test_days_that_cannot_be_are_refused(days: int) -> None:
    with pytest.raises(wa.CallError, match=f"{days} days: expected"):
        table(PLANT, date(2027, 1, 1), days)


# --- The calendar.


def events(text: str) -> list[icalendar.Event]:
    return list(icalendar.Calendar.from_ical(text).walk("VEVENT"))


def test_a_calendar_that_takes_the_file_again_moves_its_events(plant: Path) -> None:
    """The cable is tested again and the waiver put off: the same events, later; more than one
    record of a cable is one event."""
    first = due_calendar(table(plant, date(2027, 2, 1)))
    assert first == due_calendar(table(plant, date(2027, 2, 1)))
    replaced(plant / "rules.toml", "2027-03-31", "2027-05-15")
    replaced(plant / "measurements.csv", "2022-04-10", "2022-06-01")
    then = due_calendar(table(plant, date(2027, 3, 10)))
    was, now = events(first), events(then)
    assert [str(one["uid"]) for one in was] == [str(one["uid"]) for one in now]
    assert [one["dtstart"].dt for one in was] == [date(2027, 3, 31), date(2027, 4, 9)]
    assert [one["dtstart"].dt for one in now] == [date(2027, 5, 15), date(2027, 5, 31)]
    assert all(a["sequence"] < b["sequence"] for a, b in zip(was, now, strict=True))
    assert [str(one["summary"]) for one in was] == [
        "waiver of ENT-T for K2 ends",
        "test cable C-SOUTH again",
    ]
    assert "laser light" in str(was[1]["description"])


@pytest.mark.slow
def test_what_is_overdue_stands_on_the_day_of_judgement() -> None:
    waiver, *_ = events(due_calendar(table(PLANT, date(2027, 4, 2))))
    assert waiver["dtstart"].dt == date(2027, 4, 2)
    assert str(waiver["summary"]) == "Overdue: waiver of ENT-T for K2 ends"


HOSTILE = "X;,\r\nBEGIN:VEVENT\r\nSUMMARY:no\\n\u202e\u0007"


def test_hostile_text_ends_no_line_of_the_calendar() -> None:
    row: DueFacts = {
        "what": "waiver",
        "id": HOSTILE,
        "about": f"waiver of {HOSTILE}",
        "stage": None,
        "file": HOSTILE,
        "layer": HOSTILE,
        "row": 1,
        "column": "until",
        "dated": None,
        "due": "2027-03-31",
        "days": 3,
        "overdue": False,
        "rule": "waiver.until",
        "then": "lapses",
        "circuits": [HOSTILE],
    }
    found: DueTable = {
        "study": HOSTILE,
        "on": "2027-03-28",
        "until": "2027-06-26",
        "days": 90,
        "records": [row],
        "undated": {},
    }
    text = due_calendar(found)
    (event,) = events(text)
    assert "BEGIN:VEVENT" in str(event["summary"])
    assert not {"\u202e", "\u0007"} & set(text)


def test_the_file_is_a_calendar_and_no_other(tmp_path: Path) -> None:
    found = table(PLANT, date(2027, 2, 1))
    written = wa.write_due(found, tmp_path / "due.ics")
    assert len(events(written.read_text(encoding="utf-8"))) == 2
    wa.write_due(found, written)  # its own file
    with pytest.raises(wa.CallError, match=r"ends in \.ics"):
        wa.write_due(found, tmp_path / "due.txt")
    (tmp_path / "mine.ics").write_text("BEGIN:VCALENDAR\nEND:VCALENDAR\n", encoding="utf-8")
    with pytest.raises(wa.CallError, match="waysapart wrote it"):
        wa.write_due(found, tmp_path / "mine.ics")
