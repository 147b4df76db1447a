"""The page of an audit: what changed, which signatures hold, what falls due, and where to sign.

A plant where little changed takes one side of A4.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from waysapart.figures import moment
from waysapart.report import audit_words, sign_off, words
from waysapart.report.compare_words import (
    changed_in_order,
    comparison_answer,
    reasons_said,
    same_said,
    within_said,
)
from waysapart.report.page import render_page
from waysapart.whatif.compare import Comparison, ComparisonFacts
from waysapart.whatif.differences import value_said
from waysapart.whatif.signatures import HOLDS, OWNERS, SignatureFacts

View = dict[str, Any]
_MOST = 200
"""Most rows of a table; the JSON, which the page carries, has all."""
QUESTION = (
    "Is what was signed still so: which verdicts, limits, records and waivers are as they were, "
    "and what falls due?"
)


def audit_page(comparison: Comparison) -> str:
    """Make the page of an audit.

    Parameters
    ----------
    comparison : Comparison
        Of evidence with a study.

    Returns
    -------
    str
        HTML that asks the network for nothing. It has no map: the evidence holds no plant.
    """
    facts = comparison.facts()
    view = audit_view(facts, comparison.after)
    return render_page(
        "audit.html.j2",
        view,
        {"circuits": [], "holdings": {"assets": [], "inside": {}, "runs": {}}, "grid": None},
        {},
        title=f"{facts['after']['study']}: audit for {comparison.after['on']}",
        label="No map",
        styles=("audit.css",),
        carried={"comparison": facts},
    )


def audit_view(facts: ComparisonFacts, after: Mapping[str, Any]) -> View:
    """All that the page of an audit shows.

    Parameters
    ----------
    facts : ComparisonFacts
        Of an audit.
    after : Evidence
        Of the study now.

    Returns
    -------
    dict
    """
    signatures = facts["signatures"] or []
    rows = _rows(facts, signatures)
    due = facts["due"]
    lines = [] if due is None else audit_words.due_lines(due)
    open_ = audit_words.signatures_in_order(signatures)
    inputs = [
        (one["file"], "new" if not one["before"] else "gone" if not one["after"] else "changed")
        for one in facts["inputs"]
    ]
    before, records = facts["before"], _records(facts)
    return {
        "version": after["waysapart"],
        "revision": facts["after"]["revision"] or "",
        "made": moment(facts["after"]["made"] or ""),
        "on": after["on"],
        "signed_made": moment(before["made"] or ""),
        "signed_revision": before["revision"] or "",
        "signed_study": before["study"] or "",
        "caution": after.get("caution", ""),
        "question": QUESTION,
        "answer": comparison_answer(facts),
        "signed": audit_words.signatures_answer(facts),
        "rows": rows[:_MOST],
        "rows_left": sum(len(row["ids"]) for row in rows[_MOST:]),
        "same": same_said(facts),
        "holding": audit_words.holding_said(signatures),
        "remarks": audit_words.remarks_said(signatures),
        "due_head": "" if due is None else audit_words.due_head(due),
        "due": lines[:_MOST],
        "due_left": max(0, len(lines) - _MOST),
        "undated": "" if due is None else audit_words.undated_said(due["undated"]),
        "records": records[:_MOST],
        "records_left": max(0, len(records) - _MOST),
        "records_missing": facts["records_changed"] is None,
        "rules": [
            f"{one['key']}: {_value(one['before'])} to {_value(one['after'])}"
            for one in facts["rules"]
        ],
        "sha256": before["sha256"] or "",
        "inputs": inputs,
        "covered": _covered(facts, after),
        "to_decide": [_decision(one) for one in open_[:_MOST]],
        "to_decide_left": max(0, len(open_) - _MOST),
    }


def _rows(facts: ComparisonFacts, signatures: Sequence[SignatureFacts]) -> list[View]:
    """What is to be read, circuit by circuit: change, verdicts, signature, and why.

    First the circuits, groups and schemes that changed, then signatures that do not hold though
    nothing got better or worse, lapsed ones first, then figures that moved within their
    tolerance. Those with the same to say are one row.
    """
    of = {(str(one["kind"]), one["id"]): one for one in signatures}
    found: list[View] = []
    told: set[tuple[str, str]] = set()
    unsigned: list[tuple[SignatureFacts, View]] = []
    quiet: list[View] = []
    for change, what, row in changed_in_order(facts):
        key = (what or "circuit", row["id"])
        signature = of.get(key)
        within = change not in words.CHANGED
        why = [within_said(row)] if within else reasons_said(row)
        if signature is not None and signature["state"] != HOLDS:
            told.add(key)
            why = audit_words.reasons_together(why, audit_words.not_said(signature, why))
        entry = {
            "what": what,
            "id": row["id"],
            "change": change,
            "before": row["before"],
            "after": row["after"],
            "state": audit_words.STATES[signature["state"]] if signature else "",
            "why": why,
            "causes": audit_words.causes_said(row, facts["records_changed"] or ()),
        }
        if not within:
            found.append(entry)
        elif signature is not None and key in told:
            unsigned.append((signature, entry))
        else:
            quiet.append(entry)
    for one in audit_words.signatures_in_order(signatures):
        if (one["kind"], one["id"]) in told:
            continue
        owner = one["kind"] in OWNERS
        entry = {
            "what": "" if one["kind"] == "circuit" else one["kind"],
            "id": one["id"],
            "change": "same" if owner else "",
            "before": one["signed"] if owner else None,
            "after": one["now"] if owner else None,
            "state": audit_words.STATES[one["state"]],
            "why": one["reasons"],
            "causes": [],
        }
        unsigned.append((one, entry))
    of_them = {id(one): entry for one, entry in unsigned}
    ordered = audit_words.signatures_in_order([one for one, _ in unsigned])
    return _alike([*found, *(of_them[id(one)] for one in ordered), *quiet])


def _alike(rows: Sequence[View]) -> list[View]:
    """Rows of which all but the id is the same as one, where the first of them stands.

    Every id is there in full: readers filter the table and search the page by them.
    """
    together: dict[str, View] = {}
    ids: dict[str, list[str]] = {}
    for row in rows:
        key = repr({name: value for name, value in row.items() if name != "id"})
        together.setdefault(key, row)
        ids.setdefault(key, []).append(row["id"])
    return [{**row, "ids": ids[key]} for key, row in together.items()]


def _records(facts: ComparisonFacts) -> list[tuple[str, str, list[str], list[str]]]:
    """Records that differ: where each stands, which it is, what differs, who rests on it."""
    return [
        (
            audit_words.record_place(one),
            f"{one['role']} {one['id']}",
            audit_words.record_said(one),
            [*one["circuits"], *(f"group {name}" for name in one["groups"])],
        )
        for one in facts["records_changed"] or ()
    ]


def _value(value: object) -> str:
    return "not used" if value is None else value_said(value)


def _decision(one: SignatureFacts) -> sign_off.Decision:
    said = one["reasons"][0] if one["reasons"] else ""
    if one["kind"] in OWNERS and one["now"]:
        said = f"{one['now']} now; {audit_words.STATES[one['state']]}: {said}"
    else:
        said = f"{audit_words.STATES[one['state']]}: {said}"
    return sign_off.Decision(audit_words.signature_name(one), "", False, said)


def _covered(facts: ComparisonFacts, after: Mapping[str, Any]) -> list[sign_off.Covered]:
    """What a signature under an audit covers."""
    before = facts["before"]
    revision = f", revision {before['revision']}" if before["revision"] else ""
    counts = facts["summary"]
    told = [f"{counts[change]} {change}" for change in ("worse", "better", "same", "new", "gone")]
    inputs = words.count_of(len(after["inputs"]), "input file")
    found = [
        sign_off.Covered(
            "The audit",
            f"of {facts['after']['study']} as its records stood on {after['on']} ({inputs}), "
            f"against the evidence of {before['study']}{revision}, made "
            f"{moment(before['made'] or '')}.",
        ),
        sign_off.Covered("Circuits", f"{', '.join(told)}. {audit_words.signatures_answer(facts)}"),
        sign_off.Covered("Waivers now", sign_off.waivers_said(after["waivers"])),
        sign_off.Covered("Assumptions now", sign_off.assumptions_said(after["assumptions"])),
        sign_off.Covered("Gaps now", sign_off.gaps_said(after["gaps"])),
    ]
    return found
