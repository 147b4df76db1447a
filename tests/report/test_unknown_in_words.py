"""A figure that lacks an input says so where it stands: `at least`, `at most` or `not known`."""

from __future__ import annotations

import re
from typing import Any

import pytest

import waysapart as wa
from commands import run
from waysapart import figures
from waysapart.report import words
from waysapart.report.compare_page import _closest, _down, _worst_link
from waysapart.report.view import figures_range, limit_rows


@pytest.fixture(scope="module")
def facts(estuary_proof: wa.Proof) -> Any:
    return estuary_proof.facts()


def circuit(facts: Any, name: str) -> Any:
    return next(one for one in facts["circuits"] if one["id"] == name)


def entry(page: str, name: str) -> str:
    """The text of a circuit's entry."""
    begin = page.index('<details class="circuit', page.index('id="circuits"'))
    parts = page[begin:].split('<details class="circuit')
    (mine,) = [part for part in parts if f'<h3><span class="id">{name}</span>' in part]
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", mine))


def test_a_leased_path_is_down_at_least_so_long(facts: Any, estuary_page: str) -> None:
    """Main of C12 is down 1130 minutes a year; of its leased alternate only the ends have rates."""
    down = circuit(facts, "C12")["unavailability"]
    assert down["alternate"] is None
    assert figures.minutes_down(down, "alternate") == "at least 12.5 min a year"
    text = entry(estuary_page, "C12")
    assert " 1130 min a year" in text
    assert "at least 12.5 min a year" in text
    assert not re.search(r"(?<!at least) 12\.5 min", text)


def test_time_down_without_a_bound_is_not_known() -> None:
    for bounds in ({}, {"main": 0.0}):
        assert figures.minutes_down({"main": None, "at_least": bounds}, "main") == "not known"


def test_what_a_gap_may_hide_is_a_bound(facts: Any, estuary_page: str) -> None:
    """A segment of C09's alternate is not on record: its loss, counts and distance are bounds."""
    open_ = circuit(facts, "C09")
    text = entry(estuary_page, "C09")
    assert words.distance_said(open_) == f"at most {words.metres(open_['closest_m'])}"
    assert f"{words.distance_said(open_)}, " in text
    assert "at least 8 single points" in text
    relied = open_["paths"]["alternate"]["relies_on"]
    assert f"at least {relied} assets" in text
    assert "C09-A 1310 at least 6.15 at most 13.85 not known" in text
    assert "C09-M 1310 6.19 13.81 within" in text, "what the gap does not touch is known"


def test_a_gap_in_what_is_needed_hides_no_plant(facts: Any) -> None:
    """C32 lacks a supply on record: its counts are bounds, its course and distances are known."""
    open_ = circuit(facts, "C32")
    assert words.reliance_open(open_)
    assert not words.course_open(open_)
    assert words.distance_said(open_) == words.metres(open_["closest_m"])
    whole = circuit(facts, "C18")
    assert words.relied_said(whole["paths"]["main"], whole).startswith(
        str(whole["paths"]["main"]["relies_on"])
    )


def test_a_loss_in_doubt_is_called_so(facts: Any) -> None:
    """A gap of the kind that may be wrong either way gives no bound."""
    links = {one["id"]: one for one in facts["links"]}
    open_ = circuit(facts, "C09")
    gap = {**open_["gaps"][0], "code": "fibre-twice"}
    doubted = {**open_, "gaps": [gap]}
    said = [words.link_decibels(one, "margin") for one in words.link_losses(doubted, links)]
    assert words.GAP_CODES["fibre-twice"].doubt == any("in doubt" in one for one in said)
    sure = words.link_losses(circuit(facts, "C18"), links)
    assert all(re.fullmatch(r"[\d.]+ dB", words.link_decibels(one, "loss")) for one in sure)


def test_fibre_of_unknown_length_is_not_left_out_beside_radio() -> None:
    path: Any = {
        "other_lengths": [{"medium": "radio", "length_m": 12_000.0}],
        "length_m": None,
        "length_at_least_m": None,
    }
    assert words.lengths_said(path).startswith("not known of fibre, 12")
    assert words.lengths_said({**path, "length_m": 0.0}).startswith("12")


def test_what_records_make_of_a_test_has_both_ends() -> None:
    assert figures_range(None, None) == "not known"
    assert figures_range(1.5, None) == "at least 1.5"
    assert figures_range(None, 2.0) == "at most 2"


def test_an_assumed_recovery_is_marked_where_it_decides(facts: Any, estuary_page: str) -> None:
    """60 of 60 ms holds only if the rules are right; C14 turns back in 50 ms on record."""
    (row,) = [one for one in limit_rows(circuit(facts, "C18")["delay"]) if one.name == "Recovery"]
    assert (row.value, row.limit, row.ok) == ("60 ms (assumed)", "60 ms", True)
    assert "states no recovery_ms" in row.assumed
    text = entry(estuary_page, "C18")
    assert "60 ms (assumed) of 60 ms · within , if the assumption holds" in text or (
        "within, if the assumption holds" in text
    )
    (known,) = [one for one in limit_rows(circuit(facts, "C14")["delay"]) if one.name == "Recovery"]
    assert known.assumed == ""
    assert "if the assumption holds" not in entry(estuary_page, "C14")


def test_delays_that_the_rules_fill_in_are_marked(facts: Any) -> None:
    row: Any = {"key": "records.delay_us.relay", "value": 500.0, "source": "", "unit": "us"}
    filled = words.filled_delays_said([row])
    assert "relay 500" in filled
    assert words.filled_delays_said(words.to_sign(facts)) == ""
    assert [
        one.assumed == filled for one in limit_rows(circuit(facts, "C14")["delay"], filled)
    ] == [*(True, True, False)]


def test_the_terminal_says_it_as_well() -> None:
    told = run("prove", "examples/estuary", "--circuit", "C09").output
    said = " ".join(told.split())
    assert "recovery: 60 ms (assumed) of 60 ms, within if the assumption holds" in said
    assert "C09-A: loss at least 6.15 dB, margin at most 13.85 dB" in said
    assert "closest approach: at most" in said
    assert "asymmetry: not known" in said


def test_a_comparison_bounds_what_one_side_does_not_know(facts: Any) -> None:
    """Both sides differ, or one is not there: never a clean figure for what lacks an input."""
    known, open_ = circuit(facts, "C18"), circuit(facts, "C09")
    leased = circuit(facts, "C12")
    assert _down(known, leased)[1].startswith("at least ")
    assert _down({}, known)[0] == ""
    assert _closest(known, open_)[1].startswith("at most ")
    assert _closest(known, leased)[1] == "not examined"
    rows = [{"loss_db": 5.0, "margin_db": 9.0}, {"loss_db": None, "margin_db": None}]
    half = {"paths": {"main": {"loss": rows}}}
    assert _worst_link(known, half, "loss_db", max, "at least")[1] == "at least 5.00 dB"
    assert _worst_link(known, half, "margin_db", min, "at most")[1] == "at most 9.00 dB"
    none = {"paths": {"main": {"loss": rows[1:]}}}
    assert _worst_link(none, known, "margin_db", min, "at most")[0] == "not known"
    assert _worst_link({"paths": {}}, known, "margin_db", min, "at most")[0] == ""
