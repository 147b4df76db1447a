"""What `prove` prints: most important first, short where all is well, plain in a pipe."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from click.testing import CliRunner
from rich.console import Console

from waysapart.cli import main
from waysapart.report.terminal import show_circuit, show_proof

ESTUARY = Path(__file__).resolve().parents[2] / "examples" / "estuary"


@pytest.fixture(scope="module")
def facts(estuary_proof):
    return estuary_proof.facts()


def printed(show, *arguments, width=80, terminal=False, **options):
    file = io.StringIO()
    console = Console(
        file=file, width=width, force_terminal=terminal, highlight=False, legacy_windows=False
    )
    show(console, *arguments, **options)
    return file.getvalue()


def healthy(facts):
    """The demo with only its circuits that are apart and within limits."""
    kept = [one for one in facts["circuits"] if one["verdict"] == "apart" and one["within_limits"]]
    counts = dict.fromkeys(facts["summary"], 0) | {"circuits": len(kept), "apart": len(kept)}
    empty = {"groups": [], "schemes": [], "gaps": [], "waivers": [], "assumptions": []}
    empty["record_first"] = {"exact": True, "left": [], "limits_left": [], "steps": []}
    return {**facts, **empty, "circuits": kept, "summary": counts}


def test_a_healthy_study_takes_less_than_a_screen(facts):
    well = healthy(facts)
    text = " ".join(printed(show_proof, well).split())
    count = len(well["circuits"])
    assert f"Yes. All {count} circuits are apart or accepted, and within the limits." in text
    text = printed(show_proof, well)
    assert len(text.splitlines()) < 12


def test_the_order_is_that_of_importance(facts):
    """Shared first, then outside a limit, then unproven; as in the report, the most found first."""
    lines = printed(show_proof, facts, width=120).splitlines()
    first = lines.index("Circuits that need a decision")
    rows = lines[first + 1 : lines.index("Groups")]
    ids = [line.split()[0] for line in rows if line.startswith("  C")]
    shared = ["C02", "C01", "C08", "C03", "C04", "C05", "C06", "C07", "C10", "C11", "C17"]
    assert ids == [*shared, "C25", "C26", "C33", "C14", "C15", "C09", "C12", "C32"]


def test_no_sentence_is_said_twice(facts):
    text = " ".join(printed(show_proof, facts, width=200).split())
    assert text.count("Link C15-A (alternate) has only") == 1
    assert text.count("Asymmetry of 322.2 µs exceeds its limit of 200 µs.") == 1
    text = " ".join(printed(show_circuit, facts, "C15", width=200).split())
    assert text.count("has only") == 1


def test_spans_of_one_line_are_one_finding(facts):
    text = printed(show_circuit, facts, "C01", width=100)
    assert "shared: one and the same route, 0.2 to 10.0 km, 70 assets; its parts:" in text
    assert "    30 spans N1-S01 to N1-S30, 0.2 to 10.0 km" in text
    assert "all: N1-S01 to N1-S30" in text
    assert len(text.splitlines()) < 40


@pytest.mark.parametrize("width", [40, 80, 200])
def test_no_line_is_wider_than_the_terminal(facts, width):
    text = printed(show_proof, facts, width=width)
    assert max(len(line.rstrip()) for line in text.splitlines()) <= width


def test_colour_only_on_a_terminal(facts, monkeypatch):
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm-256color")
    assert "\x1b[" in printed(show_proof, facts, terminal=True)
    assert "\x1b" not in printed(show_proof, facts)
    assert "\x1b" not in CliRunner().invoke(main, ["prove", str(ESTUARY)]).output
    monkeypatch.setenv("NO_COLOR", "1")
    colours = printed(show_proof, facts, terminal=True)
    assert "\x1b[31" not in colours
    assert "\x1b[1;31" not in colours


def test_quiet_is_the_answer_and_the_counts(facts):
    lines = printed(show_proof, facts, width=120, quiet=True).splitlines()
    assert lines[0] == "Estuary ring, revision A"
    assert lines[1].startswith("No: 14 of 33 circuits share plant between their paths")
    assert " ".join(lines[-1].split()) == (
        "14 shared 3 unproven 1 accepted 15 apart 2 outside a limit 24 record gaps"
    )


def test_a_narrow_terminal_breaks_no_count_in_two(facts):
    """At 60 columns the counts take two lines; at 100 one."""
    lines = printed(show_proof, facts, width=60).splitlines()
    first = next(k for k, line in enumerate(lines) if line.startswith("  14 shared"))
    assert lines[first].split("   ")[-1] == "15 apart"
    assert lines[first + 1] == "  2 outside a limit   24 record gaps"
    wide = printed(show_proof, facts, width=100).splitlines()
    assert (
        "  14 shared   3 unproven   1 accepted   15 apart   2 outside a limit   24 record gaps"
        in wide
    )
