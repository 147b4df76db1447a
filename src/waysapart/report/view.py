"""What the report shows beyond the facts themselves: order, counts, and what stands as one.

Nothing is found here. Templates take the facts as they are and format them with the filters of
`waysapart.report.page`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from waysapart.evidence import Circuit, Evidence, Group, HeldApart, Link, TestsMissing
from waysapart.report import words
from waysapart.report.coordinates import Grid
from waysapart.report.effects import Effects, Holdings, WorstPlace
from waysapart.report.events import event_rows
from waysapart.report.fold import Finding, folded
from waysapart.report.strip import strip_svg
from waysapart.report.tracks import Strip, Strips
from waysapart.report.view_figures import (
    DELAYS,
    LENGTHS,
    LimitRow,
    limit_rows,
    links_of,
    once_each,
    single_points,
    tests_missing,
    used,
)
from waysapart.report.view_records import changed_rows, gap_rows, matched_cables
from waysapart.report.words import LinkLoss, Links
from waysapart.verdicts.waivers import LAPSES_SOON_DAYS

_LARGE = 80
"""With more circuits, most entries are put into the page when they are asked for."""
_OPEN = 24
"""Entries of a large report that stand open, if they need a decision."""
_SETTLED = 3
_WHOLE = 400
"""With more circuits, those behind these that need no decision are shown in brief."""
_FIRST = 18
"""How many circuits the first screen names before it points to the table for three or more."""
_SIGNED = 60
"""How many of them the sign-off lists, each with room for what is decided."""


class ReportFacts(Evidence, total=False):
    """The facts of a proof with what the report shows beyond them, all of which may be left out.

    `since` is what `compare --json` writes; `outside` says how a report for readers outside was
    reduced (see `waysapart.report.outside`).
    """

    strips: Strips
    effects: Effects
    holdings: Holdings
    worst: list[WorstPlace]
    grid: Grid | None
    since: dict[str, Any]
    outside: dict[str, float | None]


class Entry(Circuit):
    """A circuit with what its entry shows beyond its facts.

    Attributes
    ----------
    index : int
        Its place among the circuits of the facts.
    urgency, found : int
        What the entries are ordered by, see `words.importance`.
    lengths : list of (str, Link)
        Every link of every path, with the label of the path.
    length_terms, delay_terms : dict of str to str
        The terms that are not nought everywhere, with their headings.
    waits, brief : bool
        Whether the entry is put into the page when it is opened; whether it shows the paths alone.
    """

    index: int
    anchor: str
    urgency: int
    found: int
    over: bool
    finding: str
    findings: list[Finding]
    single: list[str]
    silent: list[str]
    own_line: list[tuple[str, list[str]]]
    losses: list[LinkLoss]
    limits: list[LimitRow]
    lengths: list[tuple[str, Link]]
    length_terms: dict[str, str]
    delay_terms: dict[str, str]
    tests_missing: list[tuple[str, TestsMissing]]
    strip: Markup | None
    profile: Markup
    waits: bool
    brief: bool


class GroupEntry(Group):
    """A group with what its entry shows beyond its facts."""

    anchor: str
    finding: str
    findings: list[Finding]
    strip: Markup | None


def page_view(facts: ReportFacts, pictures: Mapping[str, str] | None = None) -> dict[str, Any]:
    """All that the templates show: the facts, with these in place of them or beside them.

    Parameters
    ----------
    facts : ReportFacts
    pictures : mapping of str to str, optional
        Separation profiles by circuit, safe to stand in the page.

    Returns
    -------
    dict
        `circuits`, a list of Entry, stands in the order of importance: shared, over a limit,
        unproven, accepted, apart; within each by how much was found, then by id.
    """
    strips: Strips = facts.get("strips") or {"circuit": {}, "group": {}}
    links = {one["id"]: one for one in facts["links"]}
    circuits = [
        _entry(index, circuit, links, strips["circuit"], (pictures or {}).get(circuit["id"], ""))
        for index, circuit in enumerate(facts["circuits"])
    ]
    circuits.sort(key=lambda c: (c["urgency"], -c["found"], words.counted(c["id"])))
    large = len(circuits) > _LARGE
    for place, circuit in enumerate(circuits):
        circuit["waits"] = large and (place >= _OPEN or circuit["urgency"] >= _SETTLED)
        circuit["brief"] = place >= _WHOLE and circuit["urgency"] >= _SETTLED
    groups = [
        _group_entry(group, strips["group"], f"g{index}")
        for index, group in enumerate(facts["groups"])
    ]
    undecided = ("shared", "unproven")
    urgent = [c for c in circuits if c["verdict"] in undecided or c["within_limits"] is not True]
    first = len(urgent) if len(urgent) <= _FIRST + 2 else _FIRST
    to_decide = [*urgent, *(group for group in groups if group["verdict"] in undecided)]
    silent = [circuit for circuit in circuits if circuit["silent"]]
    to_sign = words.to_sign(facts)
    counts = _counts(circuits, facts["groups"], len(to_sign))
    budgets = once_each(loss for c in circuits if large and not c["brief"] for loss in c["losses"])
    soon = [waiver for waiver in facts["waivers"] if words.lapses_soon(waiver)]
    return {
        **facts,
        "version": facts["waysapart"],
        "made": words.moment(facts["made"]),
        "question": words.QUESTION,
        "answer": words.answer(counts),
        "verdicts": words.verdict_words(len(facts["gaps"]), len(to_sign)),
        "counts": counts,
        "circuits": circuits,
        "urgent": urgent[:first],
        "urgent_left": len(urgent) - first,
        "large": large,
        "strips": any(circuit["strip"] for circuit in circuits),
        "brief": sum(circuit["brief"] for circuit in circuits),
        "budgets": list(budgets.values()),
        "budget_of": {link: place for place, link in enumerate(budgets)},
        "to_decide": to_decide[:_SIGNED],
        "to_decide_left": max(0, len(to_decide) - _SIGNED),
        "silent": silent[:_FIRST],
        "silent_left": max(0, len(silent) - _FIRST),
        "groups": groups,
        "gaps": gap_rows(facts["gaps"]),
        "waivers_soon": sorted(soon, key=lambda waiver: waiver["until"]),
        "waivers_ended": [waiver for waiver in facts["waivers"] if not waiver["counts"]],
        "soon_days": LAPSES_SOON_DAYS,
        "to_sign": to_sign,
        "assumptions": [row for row in facts["assumptions"] if not row.get("to_sign")],
        "notes": [*facts["notes"], *map(words.age_line, facts["ages"])],
        "matched": matched_cables(facts["matched"]),
        "events": event_rows(facts.get("effects")),
        "worst": facts.get("worst", []),
        "since": facts.get("since"),
        "changed": changed_rows(facts["since"]) if "since" in facts else [],
        "outside": facts.get("outside"),
    }


def _counts(circuits: Sequence[Entry], groups: Sequence[Group], to_sign: int) -> dict[str, int]:
    """How many circuits and groups there are of each kind, as `words.answer` takes them."""
    verdicts = [circuit["verdict"] for circuit in circuits]
    of_groups = [group["verdict"] for group in groups]
    return {
        **{verdict: verdicts.count(verdict) for verdict in words.VERDICTS},
        "over_limit": sum(c["over"] for c in circuits),
        "unknown_limit": sum(
            c["within_limits"] is None and c["verdict"] != "unproven" for c in circuits
        ),
        "total": len(circuits),
        "groups_shared": of_groups.count("shared"),
        "groups_unproven": of_groups.count("unproven"),
        "to_sign": to_sign,
    }


def _entry(
    index: int, circuit: Circuit, links: Links, strips: Mapping[str, Strip], picture: str
) -> Entry:
    lengths = links_of(circuit, links)
    findings = folded(circuit)
    return {
        **circuit,
        "index": index,
        "anchor": f"circuit-{index}",
        "urgency": words.urgency(circuit),
        "found": words.found_in(circuit),
        "over": circuit["within_limits"] is False,
        "finding": words.finding(circuit, links),
        "findings": findings,
        "single": single_points(circuit),
        "silent": words.silent_with(circuit),
        "own_line": words.own_line_said(circuit) if circuit["protects"] else [],
        "losses": words.link_losses(circuit, links),
        "limits": limit_rows(circuit["delay"]),
        "lengths": lengths,
        "length_terms": used(LENGTHS, (link["lengths"] for _, link in lengths)),
        "delay_terms": used(DELAYS, (path["delay_terms"] for path in circuit["paths"].values())),
        "tests_missing": tests_missing(lengths),
        "strip": _drawn(circuit, findings, strips, f"c{index}"),
        "profile": Markup(picture),
        "waits": False,
        "brief": False,
    }


def _group_entry(group: Group, strips: Mapping[str, Strip], number: str) -> GroupEntry:
    findings = folded(group)
    return {
        **group,
        "anchor": "groups",
        "finding": words.group_finding(group),
        "findings": findings,
        "strip": _drawn(group, findings, strips, number),
    }


def _drawn(
    one: HeldApart, findings: Sequence[Finding], strips: Mapping[str, Strip], number: str
) -> Markup | None:
    """The drawing of the paths as lanes, where they have a length."""
    strip = strips.get(one["id"])
    if strip is None:
        return None
    return strip_svg(strip, [finding.label for finding in findings], one["id"], number)
