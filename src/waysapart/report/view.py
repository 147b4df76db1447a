"""Facts turned into what the page shows: ordered, counted, folded, with units.

Nothing is found here. Fields that the facts lack are left out of the page, never guessed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from waysapart.report import words

Facts = Mapping[str, Any]
View = dict[str, Any]

_URGENCY = {"shared": 0, "unproven": 2, "accepted": 3, "apart": 4}
_OVER_LIMIT = 1
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
    urgent = [c for c in circuits if c["verdict"] in ("shared", "unproven") or c["over"]]
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
    shared = _folded(circuit.get("shared", []))
    near = [_near(n) for n in circuit.get("near", [])]
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
        "found": sum(not s["waived"] for s in shared) + len(near) + len(cross),
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


def _folded(shared: Iterable[Facts]) -> list[View]:
    """Shared assets, each holder under what it holds."""
    views = [_shared(found) for found in shared]
    by_asset = {view["asset"]: view for view in views}
    heads = []
    for view in views:
        head = _head_of(view, by_asset)
        if head is view:
            heads.append(view)
        else:
            head["holders"].append(view)
    heads.sort(key=lambda view: view["waived"])
    return heads


def _head_of(view: View, by_asset: Mapping[str, View]) -> View:
    """What a holder is shown under; itself, where the facts name it through itself."""
    head, seen = view, {view["asset"]}
    while head["through"] in by_asset:
        head = by_asset[head["through"]]
        if head["asset"] in seen:
            return view
        seen.add(head["asset"])
    return head


def _shared(found: Facts) -> View:
    chains = dict(found.get("via") or {})
    chains |= {key[:-4]: value for key, value in found.items() if key.endswith("_via") and value}
    through = found.get("through")
    return {
        "asset": str(found["asset"]),
        "name": found.get("name") or "",
        "role": found.get("role") or "",
        "kind": found.get("kind") or "",
        "waived": bool(found.get("waived")),
        "through": str(through) if through else None,
        "chains": [
            {"path": label, "main": label == "main", "links": [str(x) for x in chain]}
            for label, chain in chains.items()
        ],
        "holders": [],
    }


def _near(found: Facts) -> View:
    return {
        "main": found.get("main") or "",
        "alternate": found.get("alternate") or "",
        "distance": words.metres(found.get("distance_m")),
        "distance_m": found.get("distance_m"),
        "length": words.metres(found.get("length_m")),
        "waived": bool(found.get("waived")),
        "at": _position(found.get("at")),
    }


def _cross(found: Facts) -> View:
    return {
        "main": found.get("main") or "",
        "alternate": found.get("alternate") or "",
        "waived": bool(found.get("waived")),
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
                }
            )
    return rows


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
                "limit": words.microseconds(limit) if limit is not None else "no limit",
                "ok": ok,
                "share": None if share is None else round(200 * share, 1),
            }
        )
    return rows


def _availability(found: object) -> list[View]:
    if not isinstance(found, Mapping):
        return []
    hours_per_year = 8766
    rows = []
    for label, value in found.items():
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if value is not None and not number:
            continue
        minutes = None if value is None else value * hours_per_year * 60
        rows.append(
            {
                "path": "both at once" if label == "both" else label.replace("_", " "),
                "share": words.probability(value),
                "minutes": "" if minutes is None else f"{minutes:.1f} min a year",
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
        "shared": _folded(group.get("shared", [])),
        "near": [_near(n) for n in group.get("near", [])],
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
