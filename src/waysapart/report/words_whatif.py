"""Sentences about what-ifs, the same on the terminal and on a page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from waysapart.report import words
from waysapart.shown import few, sentence_list

Facts = Mapping[str, Any]

NOTHING_CHANGED = "Nothing changed."
CHANGED = ("worse", "better", "new", "gone")
"""How a circuit may have changed, in the order of importance."""

MOST_NAMED = 6
"""Names that a sentence gives before it says how many more there are."""

_FROM = {
    "call": "as asked for all plant in this notice",
    "record": "on record for this asset",
    "rules": "from the rules",
}


def changes_said(counts: Mapping[str, int]) -> str:
    """`0 worse, 1 better, 28 same`; new and gone where there are any."""
    return ", ".join(f"{counts[change]} {change}" for change in ("worse", "better", "same")) + (
        "".join(f", {counts[change]} {change}" for change in ("new", "gone") if counts[change])
    )


def less_on_record_said(circuits: Sequence[Mapping[str, Any]]) -> str:
    """Ways that rely on fewer things than before over the same links; empty where none does."""
    ways = [
        f"{one['id']} {way['path']} ({way['relies_on']['before']} to {way['relies_on']['after']})"
        for one in circuits
        for way in one["less_on_record"]
    ]
    if not ways:
        return ""
    return (
        f"Fewer things on record over the same links: {few(ways, MOST_NAMED)}. "
        "Taken out of the way, or a record lost: make sure which."
    )


def comparison_answer(facts: Facts) -> str:
    """Whether anything got worse, in one sentence, with the counts."""
    if facts["nothing_changed"]:
        return NOTHING_CHANGED
    counts = facts["summary"]
    more = [
        f"{words.count_of(counts[key], what)} worse"
        for key, what in (("groups_worse", "group"), ("schemes_worse", "scheme"))
        if counts[key]
    ]
    worse = bool(counts["worse"] or more)
    opening = "Something got worse" if worse else "Nothing got worse"
    return f"{opening}. Circuits: {'; '.join([changes_said(counts), *more])}."


def works_answer(facts: Facts) -> str:
    """How many circuits works lose, leave with one way, and leave open."""
    counts = facts["summary"]
    one_way = sum(n for state, n in counts.items() if state.startswith("on-"))
    parts = [
        f"{words.count_of(counts['lost'], 'circuit')} lost",
        f"{one_way} left with one way",
        f"{counts['unknown']} unknown",
    ]
    return ", ".join(parts)


def clash_said(clash: Facts) -> str:
    """Works that must not overlap, and what they lose together."""
    lost = few(clash["lost"], MOST_NAMED)
    return f"{sentence_list(clash['works'])} must not overlap: that loses {lost}"


def plan_answer(facts: Facts) -> str:
    """Whether the proposed order loses anything, and why."""
    if facts["loses_nothing"]:
        return "In the proposed order no circuit is lost."
    sure = "No order loses less" if facts["exact"] else "A better order may exist"
    return f"{sure}: {'; '.join(facts['reasons'])}"


def surveyed(hit: Facts) -> str:
    """How well what is hit is surveyed, and who says so; '' where it was named by its id."""
    if hit["accuracy_m"] is None:
        return ""
    return f"{words.metres(hit['accuracy_m'])}, {_FROM[hit['accuracy_from']]}"


def over_limits(circuit: Facts) -> list[str]:
    """The limits that a circuit breaks during works."""
    limits = {"delay_ok": "delay", "asymmetry_ok": "asymmetry", "loss_ok": "optical margin"}
    return [said for key, said in limits.items() if circuit[key] is False]


def numbers_said(numbers: Sequence[int]) -> str:
    """Whole numbers in their order, runs as one: `1-4, 7`."""
    runs: list[list[int]] = []
    for one in numbers:
        if runs and one == runs[-1][1] + 1:
            runs[-1][1] = one
        else:
            runs.append([one, one])
    return ", ".join(f"{a}" if a == b else f"{a}-{b}" for a, b in runs)
