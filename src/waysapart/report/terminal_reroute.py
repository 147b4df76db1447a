"""What `reroute` prints: the answer for each circuit, the work, and what to build."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table

from waysapart.report import words
from waysapart.report.terminal import styled
from waysapart.reroute.facts import (
    BuildFacts,
    LeastSharedFacts,
    OptionFacts,
    RerouteFacts,
    SeveralFacts,
    TargetFacts,
)
from waysapart.shown import few, sentence_list

_STYLE = {"apart": "green", "none": "bold red", "undecided": "bold yellow"}
_MOST_SHARED = 6


def show_reroute(console: Console, facts: RerouteFacts) -> None:
    """All circuits asked about; then the work, and what could be built."""
    head = facts["study"] + (f", revision {facts['revision']}" if facts["revision"] else "")
    console.print(styled(head, "bold"))
    counts = facts["summary"]
    if not facts["circuits"]:
        console.print(styled("every circuit and group is apart and within its limits"))
        return
    console.print(
        styled(
            f"{words.count_of(len(facts['circuits']), 'circuit or group', 'circuits and groups')} "
            f"searched: {counts['apart']} with separate ways, {counts['none']} without, "
            f"{counts['undecided']} undecided"
        )
    )
    for status in ("apart", "none", "undecided"):
        found = [one for one in facts["circuits"] if one["status"] == status]
        if found:
            console.print()
            _section(console, facts, status, found)
    _work(console, facts)
    if facts["build"] is not None:
        _build(console, facts["build"])
    if facts["proved"]["worse"]:
        console.print()
        listed = sentence_list(facts["proved"]["worse"])
        console.print(styled(f"worse with this proposal: {listed}", "bold red"))
    for note in facts["notes"]:
        console.print(styled(f"note: {note}", "dim"))
    console.print()
    console.print(styled(facts["caution"], "dim"))


_HEADS = {
    "apart": "Separate ways, proved apart and within limits",
    "none": "No separate ways exist on what is on record",
    "undecided": "Undecided",
}


def _section(console: Console, facts: RerouteFacts, status: str, found: list[TargetFacts]) -> None:
    console.print(styled(_HEADS[status], "bold"))
    for one in found:
        console.print(styled(f"  {one['id']}", _STYLE[status]), end="")
        console.print(styled(f"  {one['says']}{_cost(facts, one)}"))
        if not one["together"]:
            console.print(styled(f"      not in the common proposal: {one['why']}", "yellow"))
        for label, links in one["paths"].items():
            console.print(styled(f"      {label}: {' - '.join(links)}"))
        least = one["least_shared"]
        if least is not None and least["weight"] is not None:
            console.print(styled(f"      shared at least: {_least(least)}"))


_WITHOUT_UNIT = ("splices", "unavailability")
"""Costs that say by their name what they count."""


def _cost(facts: RerouteFacts, one: TargetFacts) -> str:
    if one["cost"] is None:
        return ""
    unit = "" if facts["cost_is"] in _WITHOUT_UNIT else f" {facts['cost_unit']}"
    told = f"; {facts['cost_is']} {one['cost']:,g}{unit} together"
    if one["optimal"]:
        return told
    return f"{told}, the best found so far: none has less than {one['lower_bound']:,g}"


def _least(least: LeastSharedFacts) -> str:
    """What the best pair shares; in time only, within which bounds."""
    names = [
        names[0] if len(names) == 1 else f"{names[0]} with all that goes with it"
        for names in least["shared"]
    ]
    names += [f"{one} and {other}, too near or crossing" for one, other in least["near"]]
    told = f"{few(names, _MOST_SHARED)} (weight {least['weight']}"
    if least["weight"] != least["weight_at_least"]:
        return f"{told}, found in the time given; no pair has less than {least['weight_at_least']})"
    return f"{told}, no pair has less)"


def _work(console: Console, facts: RerouteFacts) -> None:
    if not facts["work"]:
        return
    console.print()
    console.print(styled("Work", "bold"))
    table = Table(box=None, show_header=False, padding=(0, 2, 0, 0))
    for one in facts["work"]:
        table.add_row(styled(one["circuit"] or ""), styled(one["at"] or ""), styled(one["text"]))
    console.print(table)


def _build(console: Console, build: BuildFacts) -> None:
    console.print()
    console.print(styled("What to build or change where no separate ways exist", "bold"))
    if not build["single"]:
        looked = sentence_list([f"{n} {kind}" for kind, n in build["looked_at"].items() if n])
        console.print(styled(f"  nothing found that works; looked at {looked or 'nothing'}"))
    for option in build["single"]:
        _option(console, option)
    if build["several"] is not None:
        _several(console, build["several"])
    if build["set"] is not None:
        console.print(
            styled(
                f"  together, {_within(build)}they make {len(build['set']['apart'])} apart; "
                f"no set of single things makes more than {build['at_most_apart']}"
            )
        )


def _several(console: Console, several: SeveralFacts) -> None:
    """Of a set of segments that was not closed in time, what is known."""
    if not several["optimal"]:
        console.print(
            styled(
                "  sets of new segments: not all were tried in the time given; none makes more "
                f"than {several['at_most_apart']} apart, nor as many for less than "
                f"{several['cost_at_least']:,g}",
                "yellow",
            )
        )


def _within(build: BuildFacts) -> str:
    return "" if build["budget"] is None else f"within {build['budget']:,g}, "


def _option(console: Console, option: OptionFacts) -> None:
    per = f", {option['apart_per_km']:g} for each km" if option["apart_per_km"] else ""
    console.print(styled(f"  {option['text']}: "), end="")
    console.print(styled(f"{sentence_list(option['apart'])} apart, proved{per}", "green"))
    if option["worse"]:
        console.print(styled(f"      but worse: {sentence_list(option['worse'])}", "bold red"))
