"""What a signature under a page covers, what it decides, and how old the records are.

The digest ties the paper to the file: it is the SHA-256 of what the page carries as packed data,
printed where the page is signed. `waysapart recheck` prints it of the evidence that it checks.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from waysapart.evidence import Assumption, DatedColumn, JudgedWaiver, LayerAge, RecordGap
from waysapart.report import words
from waysapart.report.escape import json_bytes
from waysapart.text import sentence_list

NO_SOURCE = "no source"
"""Stands in the source of every value of the rules that no publication backs."""


def digest_of(carried: Any) -> str:
    """SHA-256 of facts as a page carries them: of the bytes that unpacking its data gives.

    Parameters
    ----------
    carried : object
        Plain data.

    Returns
    -------
    str
        64 hexadecimal digits.
    """
    return hashlib.sha256(json_bytes(carried)).hexdigest()


# --- How old the records are: one row for each layer, and the oldest of each kind.

_ROLES_TESTED = ("measurements", "splices")


class LayerRow(NamedTuple):
    """A layer with its ages in words; a text is empty where its table has no such column."""

    role: str
    file: str
    layer: str | None
    modified: str
    rows: int
    surveyed: str
    tested: str
    stated: str


def layer_rows(layers: Sequence[LayerAge], modified: Sequence[str | None]) -> list[LayerRow]:
    """A row for each layer that was read.

    Parameters
    ----------
    layers : sequence of LayerAge
    modified : sequence of str or None
        The day on which the file of each was last modified; None where that is not known.

    Returns
    -------
    list of LayerRow
    """
    found = []
    for layer, day in zip(layers, modified, strict=True):
        dates = {one["column"]: span_said(one) for one in layer["dates"]}
        found.append(
            LayerRow(
                layer["role"],
                layer["file"],
                layer["layer"],
                day or "not known",
                layer["rows"],
                dates.get("surveyed", ""),
                dates.get("date", ""),
                dates.get("stated_on", "") if _any_dated(layer, "stated_on") else "",
            )
        )
    return found


def span_said(dates: DatedColumn) -> str:
    """The oldest and newest of some dates in words, and how many rows have none.

    Parameters
    ----------
    dates : DatedColumn

    Returns
    -------
    str

    Examples
    --------
    >>> span = {"column": "date", "oldest": "2019-05-02", "newest": "2024-03-01"}
    >>> span_said({**span, "dated": 7, "undated": 3})
    '2019-05-02 to 2024-03-01; 3 of 10 undated'
    >>> span_said({"column": "date", "dated": 0, "undated": 3, "oldest": None, "newest": None})
    'not known: none of 3 dated'
    """
    every = dates["dated"] + dates["undated"]
    if dates["oldest"] is None:
        return f"not known: none of {every:,} dated" if every else "no rows"
    span = dates["oldest"]
    if dates["newest"] != span:
        span = f"{span} to {dates['newest']}"
    return f"{span}; {dates['undated']:,} of {every:,} undated" if dates["undated"] else span


def oldest_said(layers: Sequence[LayerAge], modified: Sequence[str | None]) -> list[str]:
    """The oldest file, the oldest survey and the oldest test, each in a few words.

    Parameters
    ----------
    layers : sequence of LayerAge
    modified : sequence of str or None
        As for `layer_rows`.

    Returns
    -------
    list of str
        Empty where no layer is told, as in a report for readers outside.
    """
    if not layers:
        return []
    known = [(day, one["file"]) for one, day in zip(layers, modified, strict=True) if day]
    unknown = len(modified) - len(known)
    if not known:
        said = ["date of no file known"]
    else:
        day, file = min(known)
        more = f", date of {words.count_of(unknown, 'layer')} not known" if unknown else ""
        said = [f"oldest file {day} ({file}{more})"]
    for what, column, roles in (
        ("survey", "surveyed", None),
        ("test", "date", _ROLES_TESTED),
    ):
        dates = [
            (one, layer)
            for layer in layers
            if roles is None or layer["role"] in roles
            for one in layer["dates"]
            if one["column"] == column
        ]
        undated = sum(one["undated"] for one, _ in dates)
        every = undated + sum(one["dated"] for one, _ in dates)
        days = [(one["oldest"], of["file"], of["role"]) for one, of in dates if one["oldest"]]
        if not days:
            none = f"none of {every:,} records dated" if every else "none on record"
            said.append(f"oldest {what} not known: {none}")
            continue
        first, file, role = min(days)
        name = "test or splice" if role == "splices" else what
        more = f", {undated:,} of {every:,} undated" if undated else ""
        said.append(f"oldest {name} {first} ({file}{more})")
    return said


def _any_dated(layer: LayerAge, column: str) -> bool:
    return any(one["column"] == column and one["dated"] for one in layer["dates"])


# --- What a signature covers.


class Covered(NamedTuple):
    """One thing that a signature covers: its name, and what is to be said of it."""

    what: str
    said: str


def verdicts_said(counts: Mapping[str, int], groups: Iterable[str], schemes: Iterable[str]) -> str:
    """How many circuits, groups and schemes have each verdict.

    Parameters
    ----------
    counts : mapping of str to int
        Circuits by verdict, `total`, `over_limit` and `unknown_limit`.
    groups, schemes : iterable of str
        The verdict of each.

    Returns
    -------
    str
    """
    said = [f"{words.count_of(counts['total'], 'circuit')}: {_by_verdict(counts)}"]
    limits = []
    if counts["over_limit"]:
        limits.append(f"{counts['over_limit']} outside a limit")
    if counts["unknown_limit"]:
        limits.append(f"{counts['unknown_limit']} with a limit that the records leave open")
    said.append(sentence_list(limits) if limits else "none outside a limit")
    for what, verdicts in (("group", list(groups)), ("scheme", list(schemes))):
        if verdicts:
            of = Counter(verdicts)
            said.append(f"{words.count_of(len(verdicts), what)}: {_by_verdict(of)}")
    return f"{'; '.join(said)}."


def _by_verdict(counts: Mapping[Any, int]) -> str:
    return ", ".join(f"{counts[verdict]} {verdict}" for verdict in words.VERDICTS)


def waivers_said(waivers: Sequence[JudgedWaiver]) -> str:
    """How many waivers are in force, lapse soon, and do not count.

    Parameters
    ----------
    waivers : sequence of JudgedWaiver

    Returns
    -------
    str
    """
    idle = sum(not one["counts"] for one in waivers)
    soon = sum(words.lapses_soon(one) for one in waivers)
    said = f"{len(waivers) - idle} in force"
    if soon:
        said += f", of which {soon} {'lapses' if soon == 1 else 'lapse'} soon"
    return f"{said}; {idle} that {'does' if idle == 1 else 'do'} not count."


def assumptions_said(assumptions: Sequence[Assumption]) -> str:
    """How many assumptions there are to sign, how many values, and how many without a source.

    Parameters
    ----------
    assumptions : sequence of Assumption

    Returns
    -------
    str
    """
    signed = [one for one in assumptions if one.get("to_sign")]
    values = [one for one in assumptions if not one.get("to_sign")]
    without = [
        sum(NO_SOURCE in one["source"] for one in rows) for rows in (signed, values, assumptions)
    ]
    return (
        f"{len(signed)} to sign, {without[0]} of them without a source; "
        f"{words.count_of(len(values), 'value')} of the rules, {without[1]} of them without a "
        f"source: {without[2]} without a source in all."
    )


def gaps_said(gaps: Sequence[RecordGap]) -> str:
    """How many record gaps there are, and how many of them bear on separation and on limits.

    Parameters
    ----------
    gaps : sequence of RecordGap

    Returns
    -------
    str
    """
    bearing = {
        what: words.gap_count([one for one in gaps if one["bears_on"] in (what, "both")])
        for what in ("separation", "limits")
    }
    every = words.gap_count(gaps)
    if not every:
        return "none."
    return (
        f"{every}: {bearing['separation']} bear on separation, {bearing['limits']} on limits "
        "(some on both)."
    )


def comparison_covered(facts: Mapping[str, Any], after: Mapping[str, Any]) -> list[Covered]:
    """What a signature under a comparison covers: the change, not what was there before it.

    Parameters
    ----------
    facts : ComparisonFacts
    after : mapping
        Evidence of the side after the change; of a file, it may hold less than evidence does.

    Returns
    -------
    list of Covered
    """
    counts, sides = facts["summary"], []
    for side in (facts["before"], facts["after"]):
        revision = f", revision {side['revision']}" if side["revision"] else ""
        sides.append(f"{side['study']}{revision}")
    told = [f"{counts[change]} {change}" for change in ("worse", "better", "same", "new", "gone")]
    said = [f"{words.count_of(len(facts['circuits']), 'circuit')}: {', '.join(told)}"]
    for what in ("group", "scheme"):
        if facts[f"{what}s"]:
            worse = counts[f"{what}s_worse"]
            said.append(f"{words.count_of(len(facts[f'{what}s']), what)}: {worse} worse")
    found = [
        Covered("The change", f"from {sides[0]} to {sides[1]}, and nothing that is in both."),
        Covered("Circuits", f"{'; '.join(said)}."),
        Covered("Findings", _came_and_went(facts)),
        Covered("Rules", f"{words.count_of(len(facts['rules']), 'value')} changed."),
    ]
    if "waivers" in after:
        found.append(Covered("Waivers after", waivers_said(after["waivers"])))
    if "assumptions" in after:
        found.append(Covered("Assumptions after", assumptions_said(after["assumptions"])))
    if "gaps" in after:
        found.append(Covered("Gaps after", gaps_said(after["gaps"])))
    return found


def _came_and_went(facts: Mapping[str, Any]) -> str:
    """How many findings and record gaps of circuits and groups are new, and how many are gone."""
    said = []
    for when, word in (("came", "new"), ("went", "gone")):
        every = [one[when] for what in ("circuits", "groups") for one in facts[what]]
        gaps = sum(len(one.get("gaps", ())) for one in every)
        found = sum(len(ids) for one in every for ids in one.values()) - gaps
        said.append(f"{words.count_of(found, 'finding')} and {words.count_of(gaps, 'gap')} {word}")
    return f"{'; '.join(said)}, counted with each circuit and group."


def works_covered(works: Sequence[Mapping[str, Any]], accuracy: str) -> list[Covered]:
    """What a signature under a works notice covers: these works, as they are described there.

    Parameters
    ----------
    works : sequence of mapping
        As the notice shows them: `name`, and the facts of each.
    accuracy : str
        What was taken as the accuracy of the survey.

    Returns
    -------
    list of Covered
    """
    found = []
    for work in works:
        counts = work["summary"]
        said = [
            f"{counts['lost']} lost",
            *(f"{n} {words.circuit_state(one)}" for one, n in counts.items() if "on-" in one),
            f"{counts['unknown']} unknown",
            f"{counts['untouched']} untouched, of which {counts['weakened']} weakened",
        ]
        head = f"Works {work['name']}" if work["name"] else "The works"
        hit = words.count_of(counts["hit"], "asset")
        found.append(Covered(head, f"{hit} hit; circuits: {', '.join(said)}."))
    found.append(Covered("Accuracy", accuracy))
    return found


# --- What is decided: a row for each circuit or group, filled in where a waiver accepts it.


class Decision(NamedTuple):
    """A row of the sign-off; what is empty is for a pen."""

    id: str
    anchor: str
    group: bool
    found: str
    decided: str = ""
    until: str = ""
    who: str = ""


def open_decisions(entries: Iterable[Mapping[str, Any]]) -> list[Decision]:
    """A row to be filled in for each circuit and group that needs a decision.

    Parameters
    ----------
    entries : iterable of Entry or GroupEntry

    Returns
    -------
    list of Decision
    """
    return [Decision(one["id"], one["anchor"], "members" in one, one["finding"]) for one in entries]


def accepted_decisions(
    entries: Iterable[Mapping[str, Any]], waivers: Iterable[JudgedWaiver]
) -> list[Decision]:
    """A row for each waiver in force of a circuit or group that rests on waivers.

    Parameters
    ----------
    entries : iterable of Entry or GroupEntry
    waivers : iterable of JudgedWaiver

    Returns
    -------
    list of Decision
        With who accepted what, until when and why; only the initials are left to write.
    """
    by_id: dict[str, list[JudgedWaiver]] = {}
    for waiver in waivers:
        if waiver["counts"]:
            by_id.setdefault(waiver["circuit"], []).append(waiver)
    return [
        Decision(
            one["id"],
            one["anchor"],
            "members" in one,
            f"Accepted by waiver: {words.waived_thing(waiver)}.",
            f"accepted: {waiver['reason']}" if waiver["reason"] else "accepted",
            waiver["until"],
            waiver["by"],
        )
        for one in entries
        if one["verdict"] == "accepted"
        for waiver in by_id.get(one["id"], ())
    ]
