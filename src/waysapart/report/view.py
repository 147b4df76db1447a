"""Facts turned into what the page shows: ordered, counted, folded, with units.

Nothing is found here. Fields that the facts lack are left out of the page, never guessed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from waysapart.report import words
from waysapart.report.fold import chains_of, folded, kind_of

Facts = Mapping[str, Any]
View = dict[str, Any]

_URGENCY = {"shared": 0, "unproven": 2, "accepted": 3, "apart": 4}
_OVER_LIMIT = 1
_MINUTES_A_YEAR = 8760 * 60
_FIRST = 12
"""How many circuits the first screen names before it points to the table."""


def page_view(facts: Facts) -> View:
    """All that the templates show, from the facts of `prove --json`.

    Parameters
    ----------
    facts : mapping
        See `waysapart.report.page.render_report`.

    Returns
    -------
    dict
        Circuits in the order of importance: shared, over a limit, unproven,
        accepted, apart; within each by how much was found, then by id.
    """
    circuits = [_circuit(index, circuit) for index, circuit in enumerate(facts.get("circuits", []))]
    circuits.sort(key=lambda c: (c["urgency"], -c["found"], c["id"]))
    counts = _counts(circuits)
    urgent = [
        c
        for c in circuits
        if c["verdict"] in ("shared", "unproven") or c["within_limits"] is not True
    ]
    groups = [_group("group", group) for group in facts.get("groups", [])]
    groups += [_group("scheme", scheme) for scheme in facts.get("schemes", [])]
    return {
        "study": facts.get("study") or "",
        "revision": facts.get("revision") or "",
        "version": facts.get("waysapart") or "",
        "made": facts.get("made") or "",
        "question": words.QUESTION,
        "answer": words.answer(counts),
        "verdicts": words.VERDICTS,
        "counts": counts,
        "circuits": circuits,
        "urgent": urgent[:_FIRST],
        "urgent_left": max(0, len(urgent) - _FIRST),
        "groups": groups,
        "gaps": [_gap(gap) for gap in facts.get("gaps", [])],
        "waivers": [_waiver(waiver) for waiver in facts.get("waivers", [])],
        "assumptions": [_assumption(item) for item in facts.get("assumptions", [])],
        "inputs": list(facts.get("inputs", [])),
        "notes": list(facts.get("notes", [])),
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


def _circuit(index: int, circuit: Facts) -> View:
    verdict = str(circuit["verdict"])
    over = circuit.get("within_limits") is False
    urgency = _URGENCY[verdict]
    shared = _shared(circuit.get("shared", []))
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
        "urgency": min(urgency, _OVER_LIMIT) if over else urgency,
        "finding": words.finding(circuit),
        "found": sum(one["counts"] for one in (*near, *cross))
        + sum(not s["waived"] for s in shared),
        "shared": shared,
        "near": near,
        "cross": cross,
        "closest": _closest(circuit),
        "unavoidable": [_name_of(item) for item in circuit.get("unavoidable", [])],
        "blank_within": circuit.get("blank_within"),
        "paths": [_path(label, path) for label, path in (circuit.get("paths") or {}).items()],
        "loss": _loss_rows(circuit),
        "limits": _limits(circuit.get("delay") or {}),
        "delay": circuit.get("delay") or {},
        "availability": _availability(circuit.get("unavailability")),
        "gaps": [_gap(gap) for gap in circuit.get("gaps", [])],
    }


def _shared(shared: Iterable[Facts]) -> list[View]:
    return [
        {
            "label": finding.label,
            "members": [_asset(one) for one in finding.members],
            "places": [_asset(one) for one in finding.places],
            "holders": [_asset(one) for one in finding.holders],
            "waived": finding.waived,
            "chains": [
                {"path": label, "main": label == "main", "links": chain}
                for label, chain in chains_of(finding.members[0]).items()
            ],
        }
        for finding in folded(shared)
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
        "under": found.get("under") or "",
        "state": "accepted" if found.get("waived") else "",
        "counts": not found.get("waived") and not found.get("under"),
        "at": _position(found.get("at")),
    }


def _cross(found: Facts) -> View:
    forbidden = words.forbidden(found)
    return {
        "main": found.get("main") or "",
        "alternate": found.get("alternate") or "",
        "state": "accepted" if found.get("waived") else ("" if forbidden else "allowed"),
        "counts": forbidden and not found.get("waived"),
        "at": _position(found.get("at")),
    }


def _position(at: Sequence[float] | None) -> str:
    if at is None:
        return ""
    lon, lat = at[0], at[1]
    return f"{abs(lat):.5f}° {'N' if lat >= 0 else 'S'} {abs(lon):.5f}° {'E' if lon >= 0 else 'W'}"


def _closest(circuit: Facts) -> str:
    if "closest_m" not in circuit:
        return ""
    closest = circuit["closest_m"]
    return "not examined" if closest is None else words.metres(closest)


def _name_of(item: object) -> str:
    return str(item["asset"] if isinstance(item, Mapping) else item)


def _path(label: str, path: Facts | None) -> View:
    path = path or {}
    return {
        "path": label,
        "main": label == "main",
        "links": [str(link) for link in path.get("links", [])],
        "route": words.metres(path["route_m"]) if "route_m" in path else "",
        "length": words.metres(path.get("length_m")),
        "delay": words.microseconds(path.get("delay_us")),
        "relies_on": path.get("relies_on"),
    }


def _loss_rows(circuit: Facts) -> list[View]:
    rows = []
    for label, path in (circuit.get("paths") or {}).items():
        for row in (path or {}).get("loss", []):
            rows.append(
                {
                    "path": label,
                    "link": row.get("link") or "",
                    "wavelength": row.get("wavelength_nm"),
                    "loss_db": row.get("loss_db"),
                    "margin_db": row.get("margin_db"),
                    "ok": row.get("ok"),
                    "sum": _sum_of(row.get("terms") or {}),
                }
            )
    return rows


def _sum_of(terms: Facts) -> str:
    """The budget written out, to be added up by hand."""
    parts = []
    for key, word, number in (
        ("fibre_db", "fibre", "fibre_m"),
        ("splices_db", "splices", "splices"),
        ("connectors_db", "connectors", "connectors"),
        ("via_db", "on the way", None),
        ("reserve_db", "reserve", None),
    ):
        value = terms.get(key)
        if value is None and key not in terms:
            continue
        counted = terms.get(number) if number else None
        if number == "fibre_m":
            before = "" if counted is None else f" of {words.metres(counted)}"
            said = f"{word}{before}"
        else:
            said = word if counted is None else f"{counted} {word}"
        parts.append(f"{said} {'not known' if value is None else f'{value:.2f}'}")
    budget = terms.get("budget_db")
    total = "" if budget is None else f"; budget {budget:.2f}"
    return " + ".join(parts) + total


def _limits(delay: Facts) -> list[View]:
    """Delay and asymmetry, each against its limit on an axis that the limit divides at 70 %."""
    rows = []
    for name, value, limit, ok in (
        ("One-way delay", delay.get("worst_us"), delay.get("limit_us"), delay.get("ok")),
        (
            "Asymmetry",
            delay.get("asymmetry_us"),
            delay.get("asymmetry_limit_us"),
            delay.get("asymmetry_ok"),
        ),
    ):
        if value is None and limit is None:
            continue
        share = None if value is None or not limit else min(1.0, 0.7 * value / limit)
        rows.append(
            {
                "name": name,
                "value": words.microseconds(value),
                "limit": words.microseconds(limit) if limit is not None else "",
                "ok": ok,
                "share": None if share is None else round(200 * share, 1),
            }
        )
    return rows


_PATHLESS = frozenset({"minutes_a_year", "ok"})


def _availability(found: object) -> list[View]:
    if not isinstance(found, Mapping):
        return []
    names = {"both": "both at once", "all": "all at once", "limit": "limit for both at once"}
    rows = []
    for label, value in found.items():
        if label in _PATHLESS or (label == "limit" and value is None):
            continue
        minutes = "" if value is None else f"{value * _MINUTES_A_YEAR:.1f} min a year"
        rows.append(
            {
                "path": names.get(label, label),
                "share": words.probability(value),
                "minutes": minutes,
            }
        )
    return rows


def _group(what: str, group: Facts) -> View:
    members = group.get("circuits") or group.get("members") or []
    return {
        "what": what,
        "id": str(group["id"]),
        "verdict": str(group["verdict"]),
        "test": group.get("group_test") or group.get("test") or "",
        "members": [_name_of(m) if not isinstance(m, Mapping) else str(m["id"]) for m in members],
        "finding": words.finding(group) if what == "group" else "Its worst circuit decides.",
        "shared": _shared(group.get("shared", [])),
        "near": [_near(n) for n in (*group.get("near", []), *group.get("near_folded", []))],
        "cross": [_cross(c) for c in group.get("cross", [])],
        "unavoidable": [_name_of(item) for item in group.get("unavoidable", [])],
        "gaps": [_gap(gap) for gap in group.get("gaps", [])],
    }


def _gap(gap: Facts | str) -> View:
    if not isinstance(gap, Mapping):
        return {"code": "", "asset": "", "message": str(gap), "place": ""}
    named = [
        ("", gap.get("file")),
        ("layer ", gap.get("layer")),
        ("row ", gap.get("row")),
        ("column ", gap.get("column")),
    ]
    return {
        "code": gap.get("code") or "",
        "asset": gap.get("asset") or "",
        "message": gap.get("message") or "",
        "place": ", ".join(f"{word}{value}" for word, value in named if value is not None),
    }


def _waiver(waiver: Facts) -> View:
    pair = waiver.get("pair") or []
    about = waiver.get("asset") or " / ".join(str(x) for x in pair)
    return {
        "circuit": waiver.get("circuit") or waiver.get("group") or "",
        "about": about,
        "reason": waiver.get("reason") or "",
        "by": waiver.get("by") or "",
        "until": str(waiver.get("until") or ""),
        "state": _waiver_state(waiver),
    }


def _waiver_state(waiver: Facts) -> str:
    if waiver.get("state"):
        return str(waiver["state"])
    if waiver.get("expired"):
        return "expired, does not count"
    if waiver.get("used") is False:
        return "nothing to accept"
    return "counts"


def _assumption(item: Facts | str) -> View:
    if not isinstance(item, Mapping):
        return {"name": str(item), "value": "", "unit": "", "source": ""}
    name = item.get("name") or item.get("key") or item.get("what") or ""
    value = item.get("value")
    return {
        "name": name,
        "value": "" if value is None else _plain(value),
        "unit": item.get("unit") or "",
        "source": item.get("source") or "",
    }


def _plain(value: object) -> str:
    if isinstance(value, list | tuple):
        return ", ".join(_plain(item) for item in value)
    if isinstance(value, Mapping):
        return ", ".join(f"{key}: {_plain(item)}" for key, item in value.items())
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)
