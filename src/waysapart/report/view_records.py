"""Records as the page lists them: gaps, matched cables, and what has changed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from waysapart.evidence import Match, RecordFirst, RecordGap, RecordRows
from waysapart.gaps import GAP_CODES
from waysapart.report import words
from waysapart.report.escape import csv_cell
from waysapart.whatif.changes import CHANGES

_UNITS = {
    "us": "µs",
    "db": "dB",
    "1/a": "a year",
    "1/(km a)": "a year and km",
    "a": "years",
}


def gap_rows(gaps: Sequence[RecordGap], most: int = 12) -> list[RecordGap]:
    """Record gaps with the first few of each kind; the others of a kind stand as one."""
    rows = words.first_of_each(gaps, most)
    shown = {id(gap) for gap in rows}
    left: dict[str, list[str]] = {}
    for gap in gaps:
        if id(gap) not in shown:
            left.setdefault(gap["code"], []).append(gap["asset"])
    for code, ids in left.items():
        known = GAP_CODES[code]
        rows.append(
            {
                "code": code,
                "asset": ids[0],
                "message": f"{len(ids)} more of this kind: {known.means}",
                "bears_on": known.bears_on,
                "count": len(ids),
                "assets": ids,
                "rows": [],
                "file": None,
                "layer": None,
                "row": None,
                "column": None,
            }
        )
    return rows


_RECORD_COLUMNS = ("file", "layer", "row", "id", "column", "code", "bears on", "what to do")
_WORK_COLUMNS = ("step", "decides", "limits of", *_RECORD_COLUMNS)
WORK_LIST_HEADING = ",".join(map(csv_cell, _WORK_COLUMNS))
"""First line of the work list."""


def work_list_csv(first: RecordFirst, gaps: Sequence[RecordGap]) -> str:
    """The work list of `check` as CSV: a row for each record, those that decide most first.

    Parameters
    ----------
    first : RecordFirst
    gaps : sequence of RecordGap
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


def _record(some: RecordRows | RecordGap, name: str, row: int | None) -> list[object]:
    code = GAP_CODES[some["code"]]
    place = [some["file"], some["layer"], row, name, some["column"]]
    return [*place, code.code, code.bears_on, code.action]


def plain(value: object) -> str:
    """A value of the rules as text: `yes`, `room, rack`, `duct: 2.0, other: 1.0`."""
    if value is None:
        return ""
    if isinstance(value, list | tuple):
        return ", ".join(plain(item) for item in value)
    if isinstance(value, Mapping):
        return ", ".join(f"{key}: {plain(item)}" for key, item in value.items())
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)


def unit(name: str) -> str:
    """A unit as people write it; one that stands at the end of a field's name, too."""
    return _UNITS.get(name, name)


def matched_cables(matched: Sequence[Match]) -> list[list[Match]]:
    """The segments that each drawn cable was matched to, cable by cable."""
    cables: dict[str, list[Match]] = {}
    for row in matched:
        cables.setdefault(row["cable"], []).append(row)
    return list(cables.values())


def figures_range(least: float | None, greatest: float | None) -> str:
    """What the records make of a figure that was tested: one value, or from one to another."""
    low, high = digits(least, 6), digits(greatest, 6)
    return low if low == high or not high else f"{low} to {high}"


def digits(value: float | None, most: int) -> str:
    """A number with so many digits at most; '' where there is none."""
    return "" if value is None else f"{value:.{most}g}"


def changed_rows(since: Mapping[str, Any]) -> list[tuple[str, Mapping[str, Any]]]:
    """What has changed of a comparison's facts, worse first, each with what it is."""
    rows = [
        (what, row)
        for what, key in (("circuit", "circuits"), ("group", "groups"), ("scheme", "schemes"))
        for row in since[key]
        if row["change"] != "same"
    ]
    return sorted(rows, key=lambda told: CHANGES.index(told[1]["change"]))
