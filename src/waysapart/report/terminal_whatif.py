"""What `dig`, `compare` and `worst` print."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rich.console import Console
from rich.table import Table

from waysapart.report import words
from waysapart.report.terminal import styled
from waysapart.report.words_whatif import (
    CHANGED,
    MOST_NAMED,
    NOTHING_CHANGED,
    changes_said,
    clash_said,
    less_on_record_said,
    plan_answer,
    works_answer,
)
from waysapart.shown import few, sentence_list

Facts = Mapping[str, Any]

_STATE = {"lost": "bold red", "unknown": "yellow", "untouched": "green"}
_CHANGE = {"worse": "bold red", "better": "green", "new": "cyan", "gone": "yellow"}


def _rows() -> Table:
    return Table(box=None, show_header=False, padding=(0, 2, 0, 0))


def show_dig(console: Console, facts: Facts) -> None:
    """What works take: circuits lost first, then those left with one way."""
    counts = facts["summary"]
    console.print(styled(f"{facts['study']}: {works_answer(facts)}", "bold"))
    hits = [f"{one['kind'] or one['role']} {one['asset']}" for one in facts["hits"]]
    console.print(styled(f"Hit: {few(hits, MOST_NAMED) or 'nothing on record'}"))
    if facts["cables"]:
        cut = [f"{one['cable']} ({len(one['links'])} links)" for one in facts["cables"]]
        console.print(styled(f"Cables cut: {few(cut, MOST_NAMED)}"))
    touched = [one for one in facts["circuits"] if one["state"] not in ("untouched",)]
    table = _rows()
    for one in touched:
        table.add_row(
            styled(f"  {one['id']}"),
            styled(one["state"], _STATE.get(one["state"], "bold")),
            styled(_circuit_words(one)),
        )
    if touched:
        console.print(table)
    groups = [one for one in facts["groups"] if one["state"] != "untouched"]
    for one in groups:
        console.print(styled(f"  group {one['id']}: {one['state']}"))
    console.print(styled(f"{counts['untouched']} untouched", "dim"))
    for note in facts["area"]["notes"]:
        console.print(styled(f"note: {note}", "dim"))
    console.print()
    for caution in facts["notice"]["cautions"]:
        console.print(styled(caution, "dim"))


def _circuit_words(one: Facts) -> str:
    said = []
    if one["cut"]:
        said.append(f"{sentence_list(one['cut'])} cut")
    if one["within_limits"] is False:
        said.append("the way that still runs breaks a limit")
    if one["next"]:
        said.append(f"any of {few(one['next'], 4)} would lose it now")
    if one["state"] == "unknown":
        said.append(f"{words.count_of(words.gap_count(one['gaps']), 'record gap')} on its ways")
    return "; ".join(said)


def show_comparison(console: Console, facts: Facts) -> None:
    """What changed, the worse first."""
    before, after = facts["before"], facts["after"]
    console.print(styled(f"{before['study']} against {after['study']}", "bold"))
    if facts["nothing_changed"]:
        console.print(styled(NOTHING_CHANGED))
        return
    console.print(styled(changes_said(facts["summary"])))
    for title, rows in (
        ("Circuits", facts["circuits"]),
        ("Groups", facts["groups"]),
        ("Schemes", facts["schemes"]),
    ):
        changed = sorted(
            (one for one in rows if one["change"] in CHANGED),
            key=lambda one: CHANGED.index(one["change"]),
        )
        if not changed:
            continue
        console.print()
        console.print(styled(title, "bold"))
        table = _rows()
        for one in changed:
            verdicts = f"{one['before'] or '-'} to {one['after'] or '-'}"
            table.add_row(
                styled(f"  {one['id']}"),
                styled(one["change"], _CHANGE[one["change"]]),
                styled(verdicts),
                styled("; ".join(one["why"])),
            )
        console.print(table)
    console.print()
    if facts["shared_went"]:
        console.print(styled(f"No longer shared: {few(facts['shared_went'], MOST_NAMED)}"))
    if facts["shared_came"]:
        console.print(styled(f"Newly shared: {few(facts['shared_came'], MOST_NAMED)}"))
    leaner = less_on_record_said(facts["circuits"])
    if leaner:
        console.print(styled(leaner))
    for role, change in (facts["records"] or {}).items():
        told = [
            f"{len(change[key])} {key}"
            for key in ("added", "removed", "changed")
            if change.get(key)
        ]
        if told:
            console.print(styled(f"Records of {role}: {', '.join(told)}", "dim"))


def show_worst(console: Console, facts: Facts) -> None:
    """Single events, pairs and places that take most."""
    console.print(styled(f"{facts['study']}: what would take most", "bold"))
    table = Table(box=None, padding=(0, 2, 0, 0), title_justify="left")
    for head in ("single event", "kind", "lost", "exposed", "min/a"):
        table.add_column(head, justify="right" if head in ("lost", "exposed", "min/a") else "left")
    for one in facts["events"]:
        table.add_row(
            styled(one["asset"]),
            styled(one["kind"] or one["role"]),
            str(one["lost"]),
            str(one["exposed"]),
            _minutes(one),
        )
    console.print(table)
    console.print()
    pairs = Table(box=None, padding=(0, 2, 0, 0))
    pairs.add_column("two events together")
    pairs.add_column("lost", justify="right")
    pairs.add_column("circuits")
    for one in facts["pairs"]:
        pairs.add_row(
            styled(" + ".join(one["assets"])),
            str(one["lost"]),
            styled(few(one["circuits"], MOST_NAMED)),
        )
    console.print(pairs)
    console.print()
    places = Table(box=None, padding=(0, 2, 0, 0))
    places.add_column(f"circle of {facts['radius_m']:g} m at")
    places.add_column("lost", justify="right")
    places.add_column("touched", justify="right")
    places.add_column("takes")
    for one in facts["places"]:
        lon, lat = one["at"]
        places.add_row(
            f"{lat:.5f}, {lon:.5f}",
            str(one["lost"]),
            str(one["circuits"]),
            styled(few(one["hit"], 4)),
        )
    console.print(places)


def _minutes(event: Facts) -> str:
    """What an event brings in minutes a year; `at least` where something has no rate."""
    known = event["minutes_a_year"]
    if known is not None:
        return f"{known:.3g}"
    return f"at least {event['at_least']['minutes_a_year']:.3g}"


def show_plan(console: Console, facts: Facts) -> None:
    """Works that must not overlap, the planned days, and an order that loses least."""
    console.print(
        styled(f"{facts['study']}: {words.count_of(len(facts['works']), 'work')}", "bold")
    )
    for clash in facts["clashes"]:
        console.print(styled(f"  {clash_said(clash)}", "red"))
    _periods(console, "As planned", facts["as_planned"])
    _periods(console, "Proposed", facts["proposed"])
    console.print()
    console.print(styled(plan_answer(facts), "green" if facts["loses_nothing"] else "red"))


def _periods(console: Console, title: str, periods: Sequence[Facts]) -> None:
    console.print()
    console.print(styled(title, "bold"))
    table = _rows()
    for one in periods:
        days = one["from"] if one["from"] == one["to"] else f"{one['from']} to {one['to']}"
        lost = f"loses {few(one['lost'], MOST_NAMED)}" if one["lost"] else "loses nothing"
        table.add_row(
            styled(f"  {days}"),
            styled(sentence_list(one["works"])),
            styled(lost, "bold red" if one["lost"] else "green"),
            styled(f"one way left: {few(one['exposed'], MOST_NAMED)}" if one["exposed"] else ""),
        )
    console.print(table)
