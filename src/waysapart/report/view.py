"""Facts turned into what the page shows: ordered, counted, folded, with units.

Nothing is found here. Fields that the facts lack are left out of the page, never guessed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from waysapart.report import words
from waysapart.report.events import event_rows, place_rows
from waysapart.report.fold import folded, kind_of
from waysapart.report.strip import strip_svg
from waysapart.report.view_figures import circuit_figures, once_each, position, with_links
from waysapart.report.view_records import (
    assumption_row,
    gap_row,
    gap_rows,
    matched_rows,
    since_view,
    test_rows,
    waiver_row,
    work_view,
)
from waysapart.verdicts.waivers import LAPSES_SOON_DAYS

Facts = Mapping[str, Any]
View = dict[str, Any]

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


def page_view(facts: Facts, pictures: Mapping[str, str] | None = None) -> View:
    """All that the templates show, from the facts of `prove --json`.

    Parameters
    ----------
    facts : mapping
        See `waysapart.report.page.render_report`.
    pictures : mapping of str to str, optional
        Separation profiles by circuit, safe to stand in the page.

    Returns
    -------
    dict
        Circuits in the order of importance: shared, over a limit, unproven,
        accepted, apart; within each by how much was found, then by id.
    """
    strips: Facts = facts.get("strips") or {}
    links = {str(one["id"]): one for one in facts.get("links", [])}
    circuits = [
        _circuit(index, with_links(circuit, links), links, strips.get("circuit", {}))
        | {"profile": Markup((pictures or {}).get(str(circuit["id"]), ""))}
        for index, circuit in enumerate(facts.get("circuits", []))
    ]
    circuits.sort(key=lambda c: (c["urgency"], -c["found"], words.counted(c["id"])))
    large = len(circuits) > _LARGE
    for place, circuit in enumerate(circuits):
        circuit["waits"] = large and (place >= _OPEN or circuit["urgency"] >= _SETTLED)
        circuit["brief"] = place >= _WHOLE and circuit["urgency"] >= _SETTLED
    counts = _counts(circuits)
    for verdict in ("shared", "unproven"):
        counts[f"groups_{verdict}"] = sum(
            str(group["verdict"]) == verdict for group in facts.get("groups", [])
        )
    counts["to_sign"] = len(words.to_sign(facts))
    urgent = [
        c
        for c in circuits
        if c["verdict"] in ("shared", "unproven") or c["within_limits"] is not True
    ]
    first = len(urgent) if len(urgent) <= _FIRST + 2 else _FIRST
    together = strips.get("group", {})
    groups = [
        _group("group", group, together, f"g{index}")
        for index, group in enumerate(facts.get("groups", []))
    ]
    to_decide = urgent + [
        {**one, "anchor": "groups"} for one in groups if one["verdict"] in ("shared", "unproven")
    ]
    silent = [circuit for circuit in circuits if circuit["silent"]]
    waivers = [waiver_row(waiver) for waiver in facts.get("waivers", [])]
    groups += [_group("scheme", scheme, {}, "") for scheme in facts.get("schemes", [])]
    return {
        "study": facts.get("study") or "",
        "revision": facts.get("revision") or "",
        "version": facts.get("waysapart") or "",
        "made": words.moment(facts.get("made") or ""),
        "question": words.QUESTION,
        "answer": words.answer(counts),
        "verdicts": words.verdict_words(len(facts.get("gaps", [])), counts["to_sign"]),
        "counts": counts,
        "circuits": circuits,
        "urgent": urgent[:first],
        "large": large,
        "strips": any(circuit["strip"] for circuit in circuits),
        "brief": sum(circuit["brief"] for circuit in circuits),
        "budgets": once_each([c for c in circuits if not c["brief"]]) if large else [],
        "to_decide": to_decide[:_SIGNED],
        "to_decide_left": max(0, len(to_decide) - _SIGNED),
        "urgent_left": len(urgent) - first,
        "silent": silent[:_FIRST],
        "silent_left": max(0, len(silent) - _FIRST),
        "groups": groups,
        "gaps": gap_rows(facts.get("gaps", [])),
        "work": work_view(facts.get("record_first")),
        "waivers": waivers,
        "waivers_soon": sorted((w for w in waivers if w["soon"]), key=lambda w: str(w["until"])),
        "waivers_ended": [waiver for waiver in waivers if not waiver["counts"]],
        "soon_days": LAPSES_SOON_DAYS,
        "to_sign": [assumption_row(item) for item in words.to_sign(facts)],
        "assumptions": [
            assumption_row(item)
            for item in facts.get("assumptions", [])
            if not (isinstance(item, Mapping) and item.get("to_sign"))
        ],
        "inputs": list(facts.get("inputs", [])),
        "notes": [*facts.get("notes", []), *map(words.age_line, facts.get("ages", []))],
        "crs": facts.get("crs") or "",
        "caution": facts.get("caution") or "",
        "out": [str(name) for name in facts.get("out", [])],
        "matched": matched_rows(facts.get("matched", [])),
        "says": [str(text) for text in (facts.get("figures_say") or {}).values()],
        "tests": test_rows(facts.get("tests", [])),
        "events": event_rows(facts),
        "places": place_rows(facts),
        "since": since_view(facts.get("since")),
        "outside": facts.get("outside"),
    }


def _counts(circuits: Sequence[View]) -> dict[str, int]:
    counts = dict.fromkeys(words.VERDICTS, 0)
    for circuit in circuits:
        counts[circuit["verdict"]] += 1
    counts["over_limit"] = sum(c["over"] for c in circuits)
    counts["unknown_limit"] = sum(
        c["within_limits"] is None and c["verdict"] != "unproven" for c in circuits
    )
    counts["total"] = len(circuits)
    return counts


def _circuit(index: int, circuit: Facts, links: Facts, strips: Facts) -> View:
    verdict = str(circuit["verdict"])
    over = circuit.get("within_limits") is False
    shared = _shared(circuit)
    near = [_near(n) for n in (*circuit.get("near", []), *circuit.get("near_folded", []))]
    cross = [_cross(c) for c in circuit.get("cross", [])]
    return {
        "index": index,
        "anchor": f"circuit-{index}",
        "id": str(circuit["id"]),
        "name": circuit.get("name") or "",
        "service": circuit.get("service") or "",
        "group": circuit.get("group") or "",
        "scheme": circuit.get("scheme") or "",
        "verdict": verdict,
        "over": over,
        "within_limits": circuit.get("within_limits"),
        "urgency": words.urgency(circuit),
        "finding": words.finding(circuit),
        "found": sum(one["counts"] for one in (*near, *cross))
        + sum(not s["waived"] for s in shared),
        "shared": shared,
        "near": near,
        "cross": cross,
        "unavoidable": [_name_of(item) for item in circuit.get("unavoidable", [])],
        "tail": [_name_of(item) for item in circuit.get("tail", [])],
        "silent": words.silent_with(circuit),
        "own_line": [
            {"said": said[0].upper() + said[1:], "assets": assets}
            for said, assets in words.own_line_said(circuit)
        ]
        if circuit.get("protects")
        else [],
        "blank_within": circuit.get("blank_within"),
        "gaps": [gap_row(gap) for gap in circuit.get("gaps", [])],
        **circuit_figures(circuit, links),
        **_strip(circuit, strips, f"c{index}"),
    }


def _shared(one: Facts) -> list[View]:
    return [
        {
            "label": finding.label,
            "members": [_asset(one) for one in finding.members],
            "places": [_asset(one) for one in finding.places],
            "holders": [_asset(one) for one in finding.holders],
            "waived": finding.waived,
            "chains": [
                {
                    "path": label,
                    "main": label == "main",
                    "links": chain,
                    "where": words.along_said(finding.along.get(label)),
                }
                for label, chain in finding.via.items()
            ],
        }
        for finding in folded(one)
    ]


def _asset(found: Facts) -> View:
    return {
        "asset": str(found["asset"]),
        "kind": kind_of(found),
        "name": found.get("name") or "",
    }


def _near(found: Facts) -> View:
    return {
        "main": found.get("main") or "",
        "alternate": found.get("alternate") or "",
        "distance": words.metres(found.get("distance_m")),
        "length": words.metres(found.get("length_m")),
        "pairs": len(found.get("members", [])),
        "under": found.get("under") or "",
        "state": "accepted" if found.get("waived") else "",
        "counts": not found.get("waived") and not found.get("under"),
        "at": position(found.get("at")),
    }


def _cross(found: Facts) -> View:
    forbidden = words.forbidden(found)
    return {
        "main": found.get("main") or "",
        "alternate": found.get("alternate") or "",
        "state": "accepted" if found.get("waived") else ("" if forbidden else "allowed"),
        "counts": forbidden and not found.get("waived"),
        "at": position(found.get("at")),
    }


def _strip(one: Facts, strips: Facts, number: str) -> View:
    """The drawing of the ways as lanes, where they have a length."""
    strip = strips.get(str(one["id"]))
    if strip is None:
        return {"strip": None}
    labels = [finding.label for finding in folded(one)]
    return {"strip": strip_svg(strip, labels, str(one["id"]), number)}


def _name_of(item: object) -> str:
    return str(item["asset"] if isinstance(item, Mapping) else item)


def _group(what: str, group: Facts, strips: Facts, number: str) -> View:
    members = group.get("circuits") or group.get("members") or []
    return {
        "what": what,
        "id": str(group["id"]),
        "verdict": str(group["verdict"]),
        "test": group.get("group_test") or group.get("test") or "",
        "members": [_name_of(m) if not isinstance(m, Mapping) else str(m["id"]) for m in members],
        "finding": words.finding(group) if what == "group" else "Its worst circuit decides.",
        "shared": _shared(group),
        "near": [_near(n) for n in (*group.get("near", []), *group.get("near_folded", []))],
        "cross": [_cross(c) for c in group.get("cross", [])],
        "unavoidable": [_name_of(item) for item in group.get("unavoidable", [])],
        "gaps": [gap_row(gap) for gap in group.get("gaps", [])],
        **_strip(group, strips, number),
    }
