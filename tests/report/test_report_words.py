"""Words of the report: times as they are read, and the order of ids."""

from __future__ import annotations

import pytest

from waysapart.figures import decibels, moment
from waysapart.report.words import records_to_enter, step_decides
from waysapart.text import counted


@pytest.mark.parametrize(
    ("stamp", "said"),
    [
        ("2026-11-25T11:35:54Z", "2026-11-25 11:35 UTC"),
        ("2026-03-02T09:41Z", "2026-03-02 09:41 UTC"),
        ("2026-13-02T09:41Z", "2026-13-02T09:41Z"),
        ("yesterday", "yesterday"),
        ("", ""),
    ],
)
def test_a_time_is_said_to_the_minute(stamp, said):
    assert moment(stamp) == said


def test_numbers_in_ids_count():
    names = ["C10", "C2", "circuit-3", "C2b", "C", "2", ""]
    assert sorted(names, key=counted) == ["", "2", "C", "C2", "C2b", "C10", "circuit-3"]


def step(*, decides=(), groups=(), limits=()):
    return {"decides": list(decides), "groups": list(groups), "limits": list(limits)}


def test_what_to_record_is_a_column_or_something_to_do():
    """No code of a gap stands in for what somebody has to do."""
    blank = {"code": "leased-route", "action": "ask", "column": "relies_on", "ids": ["L1", "L2"]}
    broken = {"code": "cable-broken", "action": "enter the missing segment", "ids": ["UC-6"]}
    assert records_to_enter({"records": [{**blank, "layer": "links"}]}) == (
        "relies_on of L1 and L2 (links)"
    )
    assert records_to_enter({"records": [{**broken, "column": None, "layer": "cables"}]}) == (
        "enter the missing segment (UC-6 in cables)"
    )


def test_what_a_step_decides_is_said_once():
    assert step_decides(step(decides=["C9"], limits=["C9"])) == "C9 and its limits"
    assert step_decides(step(decides=["C1", "C2"], limits=["C1", "C2"])) == (
        "C1 and C2 and their limits"
    )
    assert step_decides(step(decides=["C1"], groups=["G1"], limits=["C1"])) == (
        "C1 and group G1; the limits of C1"
    )
    assert step_decides(step(limits=["C3"])) == "the limits of C3"


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ({"margin_db": 13.854, "margin_at_most_db": None}, "13.85 dB"),
        ({"margin_db": None, "margin_at_most_db": 4.2}, "at most 4.20 dB"),
        ({"margin_db": None, "margin_at_most_db": 0.0}, "at most 0.00 dB"),
        ({"margin_db": None, "margin_at_most_db": None}, "not known"),
    ],
)
def test_a_margin_that_is_not_known_is_said_with_its_bound(row, said):
    assert decibels(row, "margin") == said
