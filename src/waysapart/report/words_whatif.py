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
