"""The walk-down on the terminal, and as a table to fill in."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console
from rich.table import Table

from waysapart.figures import latitude, longitude
from waysapart.report.escape import csv_cell
from waysapart.report.terminal import styled
from waysapart.text import few, in_runs
from waysapart.whatif.walkdown import HeldFacts, KeyRecordFacts, WalkDownFacts

_MOST_CIRCUITS = 4
_COLUMNS = (
    *("number", "look_at", "circuits", "record", "kind", "id", "column"),
    *("file", "layer", "row", "recorded", "or_instead", "means", "place", "site"),
    *("longitude", "latitude", "east_m", "north_m", "surveyed", "why"),
    *("found", "correct_value", "found_by", "found_on"),
)
SHEET_HEADING = ",".join(map(csv_cell, _COLUMNS))
"""First line of the table to fill in."""


def hung(record: KeyRecordFacts) -> list[str]:
    """Name all that hangs on a record: circuits, then groups.

    Parameters
    ----------
    record : KeyRecordFacts

    Returns
    -------
    list of str
    """
    return [*record["circuits"], *(f"group {name}" for name in record["groups"])]


def walkdown_answer(facts: WalkDownFacts) -> str:
    """Say in one sentence how many records to look at, and for what.

    Parameters
    ----------
    facts : WalkDownFacts

    Returns
    -------
    str
    """
    asked = [one for one in facts["circuits"] if one["verdict"] == "apart"]
    some = [one for one in asked if one["records"]]
    if not asked:
        return "None of them is apart, so there is nothing to walk down yet."
    if not some:
        return (
            f"{_count(asked)} apart: no single error of the kinds that are tried would undo that."
        )
    dated = sum(one["walked"] == "dated" for one in facts["records"])
    many = len(facts["records"])
    return (
        f"{_count(asked)} apart. Look at {many} record{'s' if many > 1 else ''} before you sign: "
        f"a single error in one of them would undo a verdict. {dated or 'None'} of them "
        f"{'has' if dated < 2 else 'have'} a day on record on which "
        f"{'it was' if dated < 2 else 'they were'} walked down."
    )


def _count(asked: Sequence[HeldFacts]) -> str:
    circuits = sum(not one["group"] for one in asked)
    groups = len(asked) - circuits
    parts = [
        f"{number} {word}{'s' if number > 1 else ''}"
        for number, word in ((circuits, "circuit"), (groups, "group"))
        if number
    ]
    return f"{' and '.join(parts)} {'is' if len(asked) == 1 else 'are'}"


def show_walkdown(console: Console, facts: WalkDownFacts) -> None:
    """Print the records to look at, and what each circuit and group hangs on.

    Parameters
    ----------
    console : rich.console.Console
    facts : WalkDownFacts
        What `walkdown --json` writes.
    """
    console.print(styled(f"{facts['study']}: what the proof hangs on", "bold"))
    console.print(styled(walkdown_answer(facts)))
    console.print()
    if facts["records"]:
        table = Table(box=None, padding=(0, 2, 0, 0))
        table.add_column("", justify="right", no_wrap=True)
        for head in ("look at", "if it is wrong", "for"):
            table.add_column(head)
        table.add_column("walked down", no_wrap=True)
        for one in facts["records"]:
            table.add_row(
                str(one["number"]),
                styled(one["look_at"]),
                styled(one["values"][0]["means"]),
                styled(few(hung(one), _MOST_CIRCUITS)),
                styled(one["surveyed"] or "no"),
            )
        console.print(table)
        console.print()
    alike: dict[str, list[str]] = {}
    for held in facts["circuits"]:
        numbers = ", ".join(map(str, held["records"]))
        name = f"group {held['id']}" if held["group"] else held["id"]
        alike.setdefault(f"{held['said']}{': ' + numbers if numbers else ''}", []).append(name)
    for said, names in alike.items():
        console.print(styled(f"{', '.join(in_runs(names))}: {said}"))
    console.print()
    console.print(
        styled(
            "Not tried: "
            + "; ".join(facts["not_tried"])
            + ". What is not listed here is not thereby proved right.",
            "dim",
        )
    )
    for caution in facts["cautions"]:
        console.print(styled(caution, "dim"))


def walkdown_csv(facts: WalkDownFacts) -> str:
    """The records to look at as CSV, with empty columns for what is found.

    Parameters
    ----------
    facts : WalkDownFacts

    Returns
    -------
    str
        A row for each record, in the order of the ranking; every cell escaped, so that no
        spreadsheet takes one for a formula.
    """
    rows: list[Sequence[object]] = [_COLUMNS]
    for one in facts["records"]:
        spot = one["place"]["spots"][0] if one["place"] is not None else None
        degrees = (None, None) if spot is None else spot["degrees"]
        grid = (None, None) if spot is None or spot["grid"] is None else spot["grid"]
        rows.append(
            [
                one["number"],
                one["look_at"],
                "; ".join(hung(one)),
                one["role"],
                one["kind"],
                one["id"],
                one["column"],
                one["file"],
                one["layer"],
                one["row"],
                one["recorded"],
                "; ".join(value["value"] or f"without {value['was']}" for value in one["values"]),
                "; ".join(dict.fromkeys(value["means"] for value in one["values"])),
                None if one["place"] is None else one["place"]["words"],
                "; ".join(one["sites"]),
                *degrees,
                *grid,
                one["surveyed"],
                "; ".join(one["reasons"]),
                *("", "", "", ""),
            ]
        )
    return "".join(",".join(csv_cell(cell) for cell in row) + "\r\n" for row in rows)


def where_said(record: KeyRecordFacts, grid: str | None) -> list[str]:
    """Say where to go for a record: in words, in degrees, and in the study's grid.

    Parameters
    ----------
    record : KeyRecordFacts
    grid : str or None
        What the grid is called.

    Returns
    -------
    list of str
    """
    place = record["place"]
    if place is None:
        return ["Nothing on record says where it is."]
    spot = place["spots"][0]
    said = [place["words"], f"{latitude(spot['degrees'])}, {longitude(spot['degrees'])}"]
    if spot["grid"] is not None and grid is not None:
        east, north = spot["grid"]
        said.append(f"E {east:.1f}, N {north:.1f} in {grid}")
    return said
