"""Records as the page lists them: gaps, waivers, assumptions, tests, and what has changed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from waysapart.gaps import GAP_CODES
from waysapart.report import words
from waysapart.report.escape import csv_cell

Facts = Mapping[str, Any]
View = dict[str, Any]

_MOST_MATCHED = 400
_MOST_IDS = 400
"""Ids of a folded gap that the page lists; `check --csv` lists all."""
_UNITS = {"us": "µs", "1/a": "a year", "1/(km a)": "a year and km", "a": "years"}


def gap_row(gap: Facts | str) -> View:
    """One record gap, or many told as one, with the place where its row stands."""
    if not isinstance(gap, Mapping):
        return {**_NO_GAP, "message": str(gap)}
    many = int(gap.get("count") or 1) > 1
    ids = [str(name) for name in gap.get("assets") or []] if many else []
    return {
        "code": gap.get("code") or "",
        "asset": "" if many else gap.get("asset") or "",
        "ids": ids[:_MOST_IDS],
        "ids_left": max(0, len(ids) - _MOST_IDS),
        "message": gap.get("message") or "",
        "bears": words.bears_said(gap),
        "place": words.place_said(gap),
    }


_NO_GAP: View = {"code": "", "asset": "", "ids": [], "ids_left": 0, "place": "", "bears": ""}


def gap_rows(gaps: Sequence[Facts], most: int = 12) -> list[View]:
    """Record gaps with the first few of each kind; the others of a kind stand in one row."""
    first = words.first_of_each(gaps, most)
    rows = [gap_row(gap) for gap in first]
    shown = {id(gap) for gap in first}
    left: dict[str, list[str]] = {}
    for gap in gaps:
        if id(gap) not in shown:
            left.setdefault(str(gap["code"]), []).append(str(gap["asset"]))
    for code, ids in left.items():
        known = GAP_CODES.get(code)
        row = gap_row({"code": code, "bears_on": known.bears_on if known else None})
        means = f": {known.means}" if known else ""
        told = {"ids": ids[:_MOST_IDS], "ids_left": max(0, len(ids) - _MOST_IDS)}
        rows.append({**row, **told, "message": f"{len(ids)} more of this kind{means}"})
    return rows


def work_view(first: Facts | None, most: int = 30) -> View | None:
    """The work list of what to record first; None where no record decides anything."""
    if not first or not first["steps"]:
        return None
    steps = first["steps"]
    return {
        "steps": [
            {
                "step": step["step"],
                "enter": words.records_to_enter(step),
                "count": step["count"],
                "decides": words.step_decides(step),
            }
            for step in steps[:most]
        ],
        "left": max(0, len(steps) - most),
        "said": words.work_said(first),
    }


_RECORD_COLUMNS = ("file", "layer", "row", "id", "column", "code", "bears on", "what to do")
_WORK_COLUMNS = ("step", "decides", "limits of", *_RECORD_COLUMNS)
WORK_LIST_HEADING = ",".join(map(csv_cell, _WORK_COLUMNS))
"""First line of the work list."""


def work_list_csv(first: Facts, gaps: Sequence[Facts]) -> str:
    """The work list of `check` as CSV: a row for each record, those that decide most first.

    Parameters
    ----------
    first : mapping
        `record_first` of the facts.
    gaps : sequence of mapping
        The gaps; what no step names follows at the end, without a step.

    Returns
    -------
    str
        Every cell escaped, so that no spreadsheet takes one for a formula.
    """
    rows: list[list[object]] = [list(_WORK_COLUMNS)]
    seen: set[tuple[object, ...]] = set()
    for step in first["steps"]:
        decides = "; ".join([*step["decides"], *(f"group {name}" for name in step["groups"])])
        head = [step["step"], decides, "; ".join(step["limits"])]
        for some in step["records"]:
            for name, row in zip(some["ids"], some["rows"], strict=True):
                rows.append([*head, *_record(some, name, row)])
                seen.add(tuple(rows[-1][3:]))
    for gap in gaps:
        for name, row in zip(gap["assets"], gap["rows"], strict=True):
            record = _record(gap, name, row)
            if tuple(record) not in seen:
                rows.append(["", "", "", *record])
    return "".join(",".join(csv_cell(cell) for cell in row) + "\r\n" for row in rows)


def _record(some: Facts, name: str, row: int | None) -> list[object]:
    code = GAP_CODES[some["code"]]
    place = [some["file"], some["layer"], row, name, some["column"]]
    return [*place, code.code, code.bears_on, code.action]


def waiver_row(waiver: Facts) -> View:
    """One waiver and whether it counts."""
    return {
        "circuit": waiver.get("circuit") or waiver.get("group") or "",
        "about": waiver.get("within") or words.waived_thing(waiver),
        "all_in": bool(waiver.get("within")),
        "record": waiver.get("record") or "",
        "reason": waiver.get("reason") or "",
        "by": waiver.get("by") or "",
        "until": str(waiver.get("until") or ""),
        "state": _waiver_state(waiver),
        "counts": bool(waiver.get("counts", True)),
        "soon": words.lapses_soon(waiver),
    }


def _waiver_state(waiver: Facts) -> str:
    if waiver.get("state"):
        return words.waiver_state(waiver)
    if waiver.get("expired"):
        return "expired, does not count"
    if waiver.get("used") is False:
        return "nothing to accept"
    return "counts"


def assumption_row(item: Facts | str) -> View:
    """One value that the records did not give, with its source."""
    if not isinstance(item, Mapping):
        return {"name": str(item), "said": "", "value": "", "unit": "", "source": ""}
    name = item.get("name") or item.get("key") or item.get("what") or ""
    value = item.get("value")
    return {
        "name": name,
        "said": words.assumption_said(item) if item.get("to_sign") else "",
        "value": "" if value is None else _plain(value),
        "unit": _UNITS.get(item.get("unit") or "", item.get("unit") or ""),
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


def matched_rows(matched: Sequence[Facts]) -> View:
    """Cables that are drawn but not listed, and the segments that they were matched to."""
    cables: dict[str, list[Facts]] = {}
    for row in matched:
        cables.setdefault(str(row["cable"]), []).append(row)
    return {
        "rows": [
            {
                "cable": cable,
                "segments": len(rows),
                "first": str(rows[0]["segment"]),
                "last": str(rows[-1]["segment"]),
                "state": ", ".join(dict.fromkeys(str(row["state"]) for row in rows)),
                "distance": words.metres(
                    max((row["distance_m"] or 0.0 for row in rows), default=0.0)
                ),
            }
            for cable, rows in list(cables.items())[:_MOST_MATCHED]
        ],
        "left": max(0, len(cables) - _MOST_MATCHED),
    }


_TEST_UNITS = {"length_m": "m", "loss_db": "dB", "delay_us": "µs"}


def test_rows(tests: Iterable[Facts]) -> list[View]:
    """Test results beside what the records make of the same figure."""
    return [
        {
            "of": str(row["of"]),
            "fibre": row.get("fibre"),
            "what": str(row["quantity"]).rpartition("_")[0],
            "unit": _TEST_UNITS.get(str(row["quantity"]), ""),
            "measured": _number(row.get("measured")),
            "computed": _range(row.get("computed_least"), row.get("computed_greatest")),
            "agrees": row.get("agrees"),
            "date": row.get("date") or "",
            "old": bool(row.get("old")),
        }
        for row in tests
    ]


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.6g}"


def _range(least: float | None, greatest: float | None) -> str:
    low, high = _number(least), _number(greatest)
    return low if low == high or not high else f"{low} to {high}"


_CHANGES = ("worse", "better", "same", "new", "gone")


def since_view(since: Facts | None) -> View | None:
    """What has changed since an earlier revision; None where none is given."""
    if since is None:
        return None
    before = since.get("before") or {}
    summary = since.get("summary") or {}
    rows = [
        {
            "what": what,
            "id": str(row["id"]),
            "before": row.get("before") or "",
            "after": row.get("after") or "",
            "change": row["change"],
            "why": _why(row),
        }
        for what, key in (("circuit", "circuits"), ("group", "groups"), ("scheme", "schemes"))
        for row in since.get(key, [])
        if row["change"] != "same"
    ]
    rows.sort(key=lambda row: _CHANGES.index(row["change"]))
    return {
        "revision": before.get("revision") or "",
        "study": before.get("study") or "",
        "made": before.get("made") or "",
        "nothing": bool(since.get("nothing_changed")),
        "counts": [(name, summary.get(name, 0)) for name in _CHANGES],
        "rows": rows,
        "went": [str(x) for x in since.get("shared_went", []) if x],
        "came": [str(x) for x in since.get("shared_came", []) if x],
        "rules": [
            {
                "key": row["key"],
                "before": _plain(row.get("before")),
                "after": _plain(row.get("after")),
            }
            for row in since.get("rules", [])
        ],
        "inputs": [
            {"file": row["file"], "state": _file_state(row)} for row in since.get("inputs", [])
        ],
    }


def _why(row: Facts) -> str:
    reasons = [*(row.get("worse") or []), *(row.get("better") or [])]
    return "; ".join(str(reason) for reason in reasons)


def _file_state(row: Facts) -> str:
    if row.get("before") is None:
        return "new"
    return "gone" if row.get("after") is None else "changed"
