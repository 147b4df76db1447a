"""A comparison turned into what its page shows: ordered, counted, with units."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from waysapart.gaps import GAP_CODES
from waysapart.report import words
from waysapart.report.view_records import gap_row, since_view
from waysapart.report.words_whatif import (
    CHANGED,
    comparison_answer,
    less_on_record_said,
    why_changed,
)
from waysapart.whatif.changes import CHANGES, measured
from waysapart.whatif.compare import Comparison

Facts = Mapping[str, Any]
View = dict[str, Any]

QUESTION = (
    "What does the change do to each protection circuit: do its paths come to share less or more, "
    "and does any limit break?"
)
MEANING = {
    "worse": "A verdict fell, a limit broke, or more stands against it, whatever else improved.",
    "better": "A verdict rose, a limit is kept again, or less stands against it.",
    "same": "Verdict and limits stay. Where one finding took the place of another, both are "
    "listed; figures may differ.",
    "new": "Not in the study before.",
    "gone": "Not in the study after.",
}
_FIRST = 12
_MOST_RECORDS = 1000
_UNITS = {"m": "m", "us": "µs", "db": "dB"}
_NAMES = {
    "length_m": "fibre length",
    "route_m": "route",
    "delay_us": "delay",
    "length_at_least_m": "least fibre length, where it is not known",
    "route_at_least_m": "least route, where it is not known",
    "delay_at_least_us": "least delay, where it is not known",
    "least_margin_db": "least margin",
    "loss_db": "loss, link by link",
}
_WHOLE = {
    "worst_us": "greatest delay",
    "asymmetry_us": "asymmetry",
    "worst_at_least_us": "least of the greatest delay, where it is not known",
    "asymmetry_at_least_us": "least asymmetry, where it is not known",
    "closest_m": "closest approach",
    "blank_within": "assets of which it is blank what they lie in",
}


def comparison_view(comparison: Comparison, facts: Facts) -> View:
    """All that the page of a comparison shows.

    Parameters
    ----------
    comparison : Comparison
    facts : mapping
        Its facts.
    """
    before, after = comparison.before, comparison.after
    since: View = since_view(facts) or {}
    circuits = _rows(facts["circuits"], before.get("circuits", []), after.get("circuits", []))
    together = [
        {**row, "what": what}
        for what, key in (("group", "groups"), ("scheme", "schemes"))
        for row in _rows(facts[key], before.get(key, []), after.get(key, []))
    ]
    changed = [row for row in (*circuits, *together) if row["change"] in CHANGED]
    changed.sort(key=lambda row: CHANGED.index(row["change"]))
    proofs = comparison.proofs
    return {
        **since,
        "sides": [
            {
                "when": when,
                **facts[when],
                "drawn": proof is not None,
                "circuits": len(side.get("circuits", [])),
                "crs": side.get("crs") or "",
            }
            for when, side, proof in zip(("before", "after"), (before, after), proofs, strict=True)
        ],
        "both": None not in proofs,
        "one_drawn": next(
            (when for when, proof in zip(("before", "after"), proofs, strict=True) if proof), ""
        ),
        "version": str(after.get("waysapart") or ""),
        "revision": str(facts["after"].get("revision") or ""),
        "made": str(facts["after"].get("made") or ""),
        "caution": after.get("caution") or before.get("caution") or "",
        "question": QUESTION,
        "answer": comparison_answer(facts),
        "less_on_record": less_on_record_said(facts["circuits"]),
        "counts": [(name, facts["summary"][name], MEANING[name]) for name in CHANGES],
        "circuits": circuits,
        "together": together,
        "urgent": changed[:_FIRST],
        "urgent_left": max(0, len(changed) - _FIRST),
        "findings": [
            {"what": row["what"], "id": row["id"], **one}
            for row in (*circuits, *together)
            for one in row["findings"]
        ],
        "figures": [
            {"what": row["what"], "id": row["id"], **one}
            for row in (*circuits, *together)
            for one in row["figures"]
        ],
        "records": _records(facts["records"]),
        "gaps": _gaps(before.get("gaps", []), after.get("gaps", [])),
        "inputs": _inputs(before.get("inputs", []), after.get("inputs", [])),
    }


def _rows(changes: Sequence[Facts], before: Sequence[Facts], after: Sequence[Facts]) -> list[View]:
    old = {str(row["id"]): row for row in before}
    new = {str(row["id"]): row for row in after}
    rows = [
        _row(change, old.get(change["id"], {}), new.get(change["id"], {})) for change in changes
    ]
    order = (*CHANGED, "same")
    rows.sort(key=lambda row: (order.index(row["change"]), not row["differs"]))
    return [{**row, "index": place} for place, row in enumerate(rows)]


def _row(change: Facts, before: Facts, after: Facts) -> View:
    old, new = measured(before), measured(after)
    return {
        "what": "",
        "id": str(change["id"]),
        "name": (after or before).get("name") or "",
        "change": change["change"],
        "order": (*CHANGED, "same").index(change["change"]),
        "differs": bool(
            change["figures"] or any(change["went"].values()) or any(change["came"].values())
        ),
        "before": change["before"] or "",
        "after": change["after"] or "",
        "within": [_limits(before), _limits(after)],
        "why": why_changed(change),
        "went": change["went"].get("shared", []),
        "came": change["came"].get("shared", []),
        "loss": pair(_most(old, "_loss_db", max), _most(new, "_loss_db", max), _decibels),
        "margin": pair(
            _most(old, "_least_margin_db", min), _most(new, "_least_margin_db", min), _decibels
        ),
        "delay": _bounded(old, new, "worst"),
        "asymmetry": _bounded(old, new, "asymmetry"),
        "unavailability": _down(before, after),
        "closest": pair(old.get("closest_m"), new.get("closest_m"), words.metres),
        "findings": list(_findings(change)),
        "figures": [
            {"figure": _figure(name), "before": _said(two["before"]), "after": _said(two["after"])}
            for name, two in change["figures"].items()
        ],
    }


def _down(before: Facts, after: Facts) -> tuple[str, str]:
    """Unavailability of both ways before and after; `at least` where something has no rate."""
    sides = [side.get("unavailability") or {} for side in (before, after)]
    known = [side.get("both") for side in sides]
    if any((side.get("at_least") or {}).get("both") is not None for side in sides):
        said = [words.unavailable(side, "both") if side else "" for side in sides]
        return said[0], said[1]
    return pair(known[0], known[1], words.probability)


def _limits(side: Facts) -> str:
    if not side:
        return ""
    within = side.get("within_limits")
    return "not known" if within is None else "within" if within else "over"


def _most(figures: Facts, ending: str, choose: Callable[[Iterable[float]], float]) -> float | None:
    """The greatest or least of a figure over all paths and links."""
    known: list[float] = []
    for name, value in figures.items():
        if name.endswith(ending):
            known += [v for v in (value if isinstance(value, list) else [value]) if v is not None]
    return choose(known) if known else None


def pair(before: Any, after: Any, say: Callable[[Any], str]) -> tuple[str, str]:
    """A figure before and after in words; two that differ never read the same."""
    said = ["" if value is None else say(value) for value in (before, after)]
    if before != after and said[0] == said[1]:
        said = [_said(before), _said(after)]
    return said[0], said[1]


def _bounded(old: Facts, new: Facts, name: str) -> tuple[str, str]:
    """A delay before and after; where it is not known, the least that it can be."""
    known = pair(old.get(f"{name}_us"), new.get(f"{name}_us"), words.microseconds)
    before, after = (
        said
        or (words.part_of(side, name, "us", words.microseconds) if f"{name}_us" in side else "")
        for said, side in zip(known, (old, new), strict=True)
    )
    return before, after


def _decibels(value: float) -> str:
    return f"{value:.2f} dB"


def _said(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, list):
        return ", ".join(_said(one) or "not known" for one in value)
    return f"{value:.8g}" if isinstance(value, float) else str(value)


def _figure(name: str) -> str:
    """A figure's name in words, with its unit."""
    unit = _UNITS.get(name.rpartition("_")[2], "")
    unit = f", {unit}" if unit else ""
    if name in _WHOLE:
        return _WHOLE[name] + unit
    for ending, said in _NAMES.items():
        if name.endswith(f"_{ending}"):
            return f"{name.removesuffix(f'_{ending}')}: {said}{unit}"
    if name.startswith("unavailability_"):
        return f"unavailability: {name.partition('_')[2].replace('_', ' ')}"
    return name.replace("_", " ")


_WHAT = {
    "shared": "shared",
    "near": "near",
    "cross": "crossing",
    "silent": "silent when it falls",
    "gaps": "record gap",
}


def _findings(change: Facts) -> Iterable[View]:
    for when in ("went", "came"):
        for key, said in _WHAT.items():
            for found in change[when].get(key, []):
                gap = key == "gaps"
                parts = found if isinstance(found, list) else [found]
                assets = [parts[1]] if gap else parts
                yield {
                    "change": when,
                    "finding": said,
                    "assets": [str(one) for one in assets if one],
                    "code": str(parts[0]) if gap else "",
                }


def _records(records: Facts | None) -> View | None:
    if records is None:
        return None
    rows = [
        {"role": role, "id": str(name), "change": what, "columns": ""}
        for role, change in records.items()
        for what in ("added", "removed")
        for name in change[what]
    ]
    rows += [
        {
            "role": role,
            "id": str(one["id"]),
            "change": "changed",
            "columns": ", ".join(one["columns"]),
        }
        for role, change in records.items()
        for one in change["changed"]
    ]
    return {"rows": rows[:_MOST_RECORDS], "left": max(0, len(rows) - _MOST_RECORDS)}


def _gaps(before: Sequence[Facts], after: Sequence[Facts]) -> list[View]:
    """Gaps that stand on one side only; of many told as one those of its ids that do."""

    def known(gaps: Sequence[Facts]) -> dict[tuple[Any, ...], Facts]:
        return {
            (gap.get("code"), name, None if _folded(gap) else gap.get("message")): gap
            for gap in gaps
            for name in gap.get("assets") or [gap.get("asset")]
        }

    def only(mine: dict[tuple[Any, ...], Facts], other: dict[tuple[Any, ...], Facts]) -> list[View]:
        left: dict[int, tuple[Facts, list[str]]] = {}
        for key, gap in mine.items():
            if key not in other:
                left.setdefault(id(gap), (gap, []))[1].append(str(key[1]))
        return [_gap_of(gap, names) for gap, names in left.values()]

    old, new = known(before), known(after)
    return [{"change": "came", **row} for row in only(new, old)] + [
        {"change": "went", **row} for row in only(old, new)
    ]


def _folded(gap: Facts) -> bool:
    """Whether a gap has a message of its kind, and not one of its own: a blank, many or one."""
    return int(gap.get("count") or 1) > 1 or str(gap.get("code")).startswith("blank-")


def _gap_of(gap: Facts, names: Sequence[str]) -> View:
    """A gap, or those of many told as one that these ids are."""
    if len(names) == len(gap.get("assets") or [""]):
        return gap_row(gap)
    known = GAP_CODES.get(str(gap.get("code")))
    message = f"{words.few(names)}: {known.means if known else gap.get('message')}"
    part = {"count": len(names), "assets": list(names), "asset": names[0], "message": message}
    return gap_row({**gap, **part})


def _inputs(before: Sequence[Facts], after: Sequence[Facts]) -> list[View]:
    old, new = ({str(row["file"]): str(row["sha256"]) for row in side} for side in (before, after))
    return [
        {
            "file": file,
            "before": old.get(file, ""),
            "after": new.get(file, ""),
            "state": "same"
            if old.get(file) == new.get(file)
            else "new"
            if file not in old
            else "gone"
            if file not in new
            else "changed",
        }
        for file in sorted({*old, *new})
    ]
