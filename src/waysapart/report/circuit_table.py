"""Every circuit in one row: its verdict and its figures, for the page's table and as CSV.

`circuit_rows` makes the rows, each figure as it is written everywhere and with a number to sort by;
`circuits_csv` the file. A figure that is not known stands in no column of numbers: the file gives
its bound in a column of its own, and the table marks it and sorts it by that bound.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

from waysapart import figures
from waysapart.evidence import Circuit
from waysapart.report import words
from waysapart.report.escape import csv_cell
from waysapart.report.stretches import folded
from waysapart.report.words import LinkLoss, Links
from waysapart.text import counted


class Cell(NamedTuple):
    """A figure in a table whose heading names the unit.

    Attributes
    ----------
    text : str
        `322.2`, `at least 97.9`, `not known`, `not examined`.
    sort : float or None
        What it sorts by; None stands last in either order.
    broken : bool
        Whether it is outside its limit.
    """

    text: str
    sort: float | None
    broken: bool = False


class CircuitRow(NamedTuple):
    """A circuit in the table of figures; `place` is its number among the circuits of the facts."""

    id: str
    name: str
    place: int
    anchor: str
    verdict: str
    urgency: int
    limits: str
    closest: Cell
    between: tuple[str, ...]
    single: int
    at_ends: int
    delay: Cell
    asymmetry: Cell
    margin: Cell
    margin_link: str
    down: Cell


def circuit_rows(
    circuits: Sequence[Circuit], links: Links, places: Mapping[str, tuple[int, str]]
) -> list[CircuitRow]:
    """The rows of the table of figures, in the natural order of the ids.

    Parameters
    ----------
    circuits : sequence of Circuit
    links : mapping of str to Link
        By id.
    places : mapping of str to (int, str)
        Number and anchor of the entry of each circuit on the page.

    Returns
    -------
    list of CircuitRow
    """
    rows = []
    for one in sorted(circuits, key=lambda circuit: counted(circuit["id"])):
        place, anchor = places[one["id"]]
        single = set(words.single_points(one))
        margin = least_margin(words.link_losses(one, links))
        rows.append(
            CircuitRow(
                one["id"],
                one["name"] or "",
                place,
                anchor,
                one["verdict"],
                words.urgency(one),
                limits_word(one),
                _closest(one),
                _between(one),
                len(single),
                len(single & words.at_the_ends(one)),
                _delay(one, "worst", "ok"),
                _delay(one, "asymmetry", "asymmetry_ok"),
                _margin(one, margin),
                margin.link,
                _down(one),
            )
        )
    return rows


def limits_word(circuit: Circuit) -> str:
    """Whether a circuit keeps its limits: `within`, `outside` or `not known`."""
    kept = circuit["within_limits"]
    return "not known" if kept is None else "within" if kept else "outside"


def _closest(one: Circuit) -> Cell:
    known = one["closest_m"]
    if known is None:
        return Cell("not examined", None)
    near = one["verdict"] == "shared" and any(
        not row["waived"] and row["distance_m"] <= known for row in one["near"]
    )
    most = "at most " if words.course_open(one) else ""
    return Cell(f"{most}{figures.plain_metres(known)}", known, near)


def _between(one: Circuit) -> tuple[str, ...]:
    if one["closest_m"] is None or "closest" not in one:
        return ()
    return one["closest"]["main"], one["closest"]["alternate"]


def _delay(one: Circuit, key: str, ok: str) -> Cell:
    delay: figures.Figures = one["delay"]
    return _bounded(
        delay[f"{key}_us"],
        delay[f"{key}_at_least_us"],
        "at least",
        figures.plain_microseconds,
        delay[ok] is False,
    )


def _down(one: Circuit) -> Cell:
    down: figures.Figures = one["unavailability"]
    known, bound = down["both"], down["at_least"].get("both")
    return _bounded(known, bound, "at least", figures.minutes_a_year, down["ok"] is False)


def _bounded(
    known: float | None,
    bound: float | None,
    word: str,
    say: Callable[[float], str],
    broken: bool,
) -> Cell:
    if known is not None:
        return Cell(say(known), known, broken)
    if not bound:
        return Cell("not known", None, broken)
    return Cell(f"{word} {say(bound)}", bound, broken)


class LeastMargin(NamedTuple):
    """The least optical margin of all links of a circuit, its link and what that requires.

    Attributes
    ----------
    known, at_most : float or None
        In dB: the least where every link has a margin, else its upper bound; both None where none
        has either.
    link : str
        Empty where none has either.
    required_db : float or None
    """

    known: float | None
    at_most: float | None
    link: str
    required_db: float | None


def least_margin(losses: Sequence[LinkLoss]) -> LeastMargin:
    """The least margin of some links.

    Parameters
    ----------
    losses : sequence of LinkLoss

    Returns
    -------
    LeastMargin
    """
    bounds = [
        (bound, one)
        for one in losses
        for bound in (one.row["margin_db"], one.link["margin_at_most_db"])
        if bound is not None
    ]
    if not bounds:
        return LeastMargin(None, None, "", None)
    least, of = min(bounds, key=lambda told: told[0])
    whole = all(one.row["margin_db"] is not None and not one.open for one in losses)
    required = of.held["min_margin_db"]
    return LeastMargin(least if whole else None, None if whole else least, of.row["link"], required)


def _margin(one: Circuit, margin: LeastMargin) -> Cell:
    if not margin.link:
        return Cell("not known" if one["loss_ok"] is None else "", None)
    broken = one["loss_ok"] is False
    say = figures.plain_decibels
    if margin.known is not None:
        return Cell(say(margin.known), margin.known, broken)
    assert margin.at_most is not None
    return Cell(f"at most {say(margin.at_most)}", margin.at_most, broken)


# --- The file.

_COLUMNS = (
    *("circuit", "name", "service", "group", "scheme", "verdict", "limits", "found"),
    *("closest m", "closest at most m", "closest main", "closest alternate", "separation required"),
    *("shared", "near stretches", "crossings forbidden", "findings waived", "record gaps"),
    *("single points", "single points at the ends", "single points avoidable"),
    *("delay us", "delay at least us", "delay limit us", "delay kept"),
    *("asymmetry us", "asymmetry at least us", "asymmetry limit us", "asymmetry kept"),
    *("recovery ms", "recovery assumed", "recovery limit ms", "recovery kept"),
    *("least margin dB", "least margin at most dB", "least margin link", "margin required dB"),
    "optical limits kept",
    *("down at once min a year", "down at once at least min a year"),
    *("unavailability", "unavailability at least", "unavailability limit", "unavailability kept"),
    "paths",
)
CIRCUITS_HEADING = ",".join(map(csv_cell, _COLUMNS))
"""First line of the file."""


def circuits_csv(circuits: Sequence[Circuit], links: Links) -> str:
    """Every circuit with its verdict and figures as CSV, in the natural order of the ids.

    Parameters
    ----------
    circuits : sequence of Circuit
    links : mapping of str to Link
        By id.

    Returns
    -------
    str
        A figure has the digits that it has everywhere, and an empty cell where it is not known.
        Every cell is escaped, so that no spreadsheet takes one for a formula.
    """
    rows: list[Sequence[object]] = [_COLUMNS]
    ordered = sorted(circuits, key=lambda one: counted(one["id"]))
    rows += [_csv_row(one, links) for one in ordered]
    return "".join(",".join(csv_cell(cell) for cell in row) + "\r\n" for row in rows)


def _csv_row(one: Circuit, links: Links) -> list[object]:
    margin = least_margin(words.link_losses(one, links))
    single, ends = words.single_points(one), words.at_the_ends(one)
    avoidable = [name for name in single if name not in ends]
    delay, down = one["delay"], one["unavailability"]
    findings = folded(one)
    close = [*one["near"], *one["cross"]]
    return [
        *(one["id"], one["name"], one["service"], one["group"], one["scheme"]),
        *(one["verdict"], limits_word(one), words.finding(one, links)),
        *_closest_or_bound(one),
        *(_between(one) or ("", "")),
        figures.separation_said(one["separation_m"]),
        "; ".join(row["asset"] for row in one["shared"] if not row["waived"]),
        sum(not row["waived"] for row in one["near"]),
        sum(row["forbidden"] and not row["waived"] for row in one["cross"]),
        sum(found.waived for found in findings) + sum(row["waived"] for row in close),
        words.gap_count(one["gaps"]),
        *(len(set(single)), len(set(single) & ends), "; ".join(avoidable)),
        _number(delay["worst_us"], figures.plain_microseconds),
        _bound(delay["worst_us"], delay["worst_at_least_us"], figures.plain_microseconds),
        *(_number(delay["limit_us"], figures.own_digits), _kept(delay["ok"])),
        _number(delay["asymmetry_us"], figures.plain_microseconds),
        _bound(delay["asymmetry_us"], delay["asymmetry_at_least_us"], figures.plain_microseconds),
        _number(delay["asymmetry_limit_us"], figures.own_digits),
        _kept(delay["asymmetry_ok"]),
        _number(delay["recovery_ms"], figures.own_digits),
        "yes" if delay["recovery_assumed"] else "no" if delay["recovery_ms"] is not None else "",
        _number(delay["recovery_limit_ms"], figures.own_digits),
        _kept(delay["recovery_ok"]),
        _number(margin.known, figures.plain_decibels),
        _number(margin.at_most, figures.plain_decibels),
        margin.link,
        _number(margin.required_db, figures.own_digits),
        _kept(one["loss_ok"]),
        _number(down["both"], figures.minutes_a_year),
        _bound(down["both"], down["at_least"].get("both"), figures.minutes_a_year),
        _number(down["both"], _share),
        _bound(down["both"], down["at_least"].get("both"), _share),
        _number(down["limit"], lambda value: f"{value:g}"),
        _kept(down["ok"]),
        "; ".join(f"{label}: {' - '.join(path['links'])}" for label, path in one["paths"].items()),
    ]


def _closest_or_bound(one: Circuit) -> tuple[str, str]:
    """The closest approach, or its upper bound where a record gap may hide a closer one."""
    said = _number(one["closest_m"], figures.plain_metres)
    return ("", said) if words.course_open(one) else (said, "")


def _number(value: float | None, say: Callable[[float], str]) -> str:
    return "" if value is None else say(value)


def _bound(known: float | None, bound: float | None, say: Callable[[float], str]) -> str:
    """The bound of a figure that is not known."""
    return "" if known is not None or not bound else say(bound)


def _share(value: float) -> str:
    """A share of time with three digits, in the notation of spreadsheets: `1.23e-04`."""
    return "0" if value == 0 else f"{value:.2e}"


def _kept(ok: bool | None) -> str:
    return "not known" if ok is None else "yes" if ok else "no"
