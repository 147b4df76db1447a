"""What the templates of the report show: the facts of a proof, ordered, counted and grouped.

Nothing is judged here. `page_view` adds to the facts what the page shows beyond them; templates
format them with the filters of `waysapart.report.page`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple, TypedDict
from urllib.parse import quote

from markupsafe import Markup

from waysapart.evidence import (
    Circuit,
    Delay,
    Evidence,
    Group,
    HeldApart,
    Link,
    Match,
    RecordFirst,
    RecordGap,
    RecordRows,
    TestsMissing,
    Unavailability,
)
from waysapart.figures import moment
from waysapart.formulas.availability import MINUTES_PER_YEAR
from waysapart.gaps import GAP_CODES
from waysapart.report import sign_off, words
from waysapart.report.circuit_table import circuit_rows, circuits_csv
from waysapart.report.escape import csv_cell, visible
from waysapart.report.geometry import Effects, Holdings
from waysapart.report.lookup import Grid
from waysapart.report.marks import anchors
from waysapart.report.stretches import SharedRoute, folded, shared_routes
from waysapart.report.strip import strip_svg
from waysapart.report.strip_layout import Strip, Strips
from waysapart.report.trace import Line, lines_of
from waysapart.report.words import LinkLoss, Links
from waysapart.text import counted
from waysapart.verdicts.waivers import LAPSES_SOON_DAYS
from waysapart.whatif.changes import CHANGES
from waysapart.whatif.worst import RankedPlace

# --- The page: facts with order, counts and drawings added.

_LARGE = 80
"""With more circuits, most entries are put into the page only when they are opened."""
_OPEN = 24
"""Entries of a large report that stand open, if they need a decision."""
_SETTLED = 3
_WHOLE = 400
"""With more circuits, those after these that need no decision are shown in brief."""
_FIRST = 18
"""How many circuits the first screen names before it points to the table for three or more."""


class ReportFacts(Evidence, total=False):
    """The facts of a proof with what the report shows beyond them, each part optional.

    `since` is what `compare --json` writes; `outside` says how a report for readers outside was
    reduced (see `waysapart.report.redaction`); `file_dates` is the day on which the file of each of
    `layers` was last modified, null where that is not known.
    """

    strips: Strips
    effects: Effects
    holdings: Holdings
    worst: list[RankedPlace]
    grid: Grid | None
    since: dict[str, Any]
    outside: dict[str, float | None]
    file_dates: list[str | None]


class Entry(Circuit):
    """A circuit with what its entry shows beyond its facts.

    Attributes
    ----------
    index : int
        Its place among the circuits of the facts.
    urgency, found : int
        What the entries are ordered by, see `words.importance`.
    lengths : list of (str, Link)
        Every link of every path, with the label of the path.
    traces : list of (str, str, list of Line)
        Label of the path, id of the link, and what it is traced over, of links that give ports.
    length_terms, delay_terms : dict of str to str
        The terms that are not nought everywhere, with their headings.
    waits, brief : bool
        Whether the entry is put into the page when it is opened; whether it shows the paths alone.
    condensed : bool
        Whether paper has it in tables only, unless it stands open.
    """

    index: int
    anchor: str
    urgency: int
    found: int
    over: bool
    finding: str
    routes: list[SharedRoute]
    single: list[str]
    silent: list[str]
    own_line: list[tuple[str, list[str]]]
    losses: list[LinkLoss]
    limits: list[LimitRow]
    lengths: list[tuple[str, Link]]
    traces: list[tuple[str, str, list[Line]]]
    length_terms: dict[str, str]
    delay_terms: dict[str, str]
    tests_missing: list[tuple[str, TestsMissing]]
    strip: Markup | None
    profile: Markup
    waits: bool
    brief: bool
    condensed: bool


class GroupEntry(Group):
    """A group with what its entry shows beyond its facts."""

    anchor: str
    finding: str
    routes: list[SharedRoute]
    strip: Markup | None


def page_view(facts: ReportFacts, pictures: Mapping[str, str] | None = None) -> dict[str, Any]:
    """All that the templates show: the facts, with parts replaced and added.

    Parameters
    ----------
    facts : ReportFacts
    pictures : mapping of str to str, optional
        Separation profiles by circuit, safe to stand in the page.

    Returns
    -------
    dict
        `circuits`, a list of Entry, stands in the order of importance: shared, outside a limit,
        unproven, accepted, apart; within each by how much was found, then by id.
    """
    strips: Strips = facts.get("strips") or {"circuit": {}, "group": {}}
    links = {one["id"]: one for one in facts["links"]}
    anchor = anchors(circuit["id"] for circuit in facts["circuits"])
    filled = words.filled_delays_said(words.to_sign(facts))
    circuits = [
        _entry(
            index,
            anchor[circuit["id"]],
            circuit,
            links,
            strips["circuit"],
            (pictures or {}).get(circuit["id"], ""),
            filled=filled,
        )
        for index, circuit in enumerate(facts["circuits"])
    ]
    circuits.sort(key=lambda c: (c["urgency"], -c["found"], counted(c["id"])))
    large = len(circuits) > _LARGE
    for place, circuit in enumerate(circuits):
        circuit["waits"] = large and (place >= _OPEN or circuit["urgency"] >= _SETTLED)
        circuit["brief"] = place >= _WHOLE and circuit["urgency"] >= _SETTLED
        settled = circuit["verdict"] == "apart" and circuit["within_limits"] is True
        circuit["condensed"] = settled or circuit["waits"]
    groups = [
        _group_entry(group, strips["group"], f"g{index}")
        for index, group in enumerate(facts["groups"])
    ]
    undecided = ("shared", "unproven")
    urgent = [c for c in circuits if c["verdict"] in undecided or c["within_limits"] is not True]
    first = len(urgent) if len(urgent) <= _FIRST + 2 else _FIRST
    to_decide = sign_off.open_decisions(
        [*urgent, *(group for group in groups if group["verdict"] in undecided)]
    )
    accepted = sign_off.accepted_decisions([*circuits, *groups], facts["waivers"])
    silent = [circuit for circuit in circuits if circuit["silent"]]
    to_sign = words.to_sign(facts)
    counts = _counts(circuits, facts["groups"], len(to_sign))
    layers = facts.get("layers", [])
    modified = facts.get("file_dates") or [None] * len(layers)
    budgets = once_each(loss for c in circuits if large and not c["brief"] for loss in c["losses"])
    soon = [waiver for waiver in facts["waivers"] if words.lapses_soon(waiver)]
    return {
        **facts,
        "version": facts["waysapart"],
        "made": moment(facts["made"]),
        "question": words.QUESTION,
        "answer": words.answer(counts),
        "verdicts": words.verdict_words(len(facts["gaps"]), len(to_sign)),
        "counts": counts,
        "circuits": circuits,
        "urgent": urgent[:first],
        "urgent_left": len(urgent) - first,
        "large": large,
        "strips": any(circuit["strip"] for circuit in circuits),
        "brief": sum(circuit["brief"] for circuit in circuits),
        "budgets": list(budgets.values()),
        "budget_of": {link: f"budget:{quote(visible(link), safe='')}" for link in budgets},
        "to_decide": to_decide,
        "accepted": accepted,
        "covered": _covered(facts, counts),
        "loss_assumed": words.loss_assumed_said(facts["assumptions"]),
        "layers": sign_off.layer_rows(layers, modified),
        "oldest": sign_off.oldest_said(layers, modified),
        "silent": silent[:_FIRST],
        "silent_left": max(0, len(silent) - _FIRST),
        "groups": groups,
        "gaps": gap_rows(facts["gaps"]),
        "gap_kinds": gap_kinds(facts["gaps"]),
        "waivers_soon": sorted(soon, key=lambda waiver: waiver["until"]),
        "waivers_ended": [waiver for waiver in facts["waivers"] if not waiver["counts"]],
        "soon_days": LAPSES_SOON_DAYS,
        "to_sign": to_sign,
        "assumptions": [row for row in facts["assumptions"] if not row.get("to_sign")],
        "notes": [*facts["notes"], *map(words.age_line, facts["ages"])],
        "matched": matched_cables(facts["matched"]),
        "events": event_rows(facts.get("effects"), facts["circuits"], facts["groups"]),
        "rows": circuit_rows(
            facts["circuits"],
            links,
            {one["id"]: (one["index"], one["anchor"]) for one in circuits},
        ),
        "circuits_csv": circuits_csv(facts["circuits"], links),
        "worst": facts.get("worst", []),
        "since": facts.get("since"),
        "changed": changed_rows(facts["since"]) if "since" in facts else [],
        "outside": facts.get("outside"),
    }


def _covered(facts: ReportFacts, counts: Mapping[str, int]) -> list[sign_off.Covered]:
    """What a signature under the report covers."""
    groups = [one["verdict"] for one in facts["groups"]]
    schemes = [one["verdict"] for one in facts["schemes"]]
    return [
        sign_off.Covered("Verdicts", sign_off.verdicts_said(counts, groups, schemes)),
        sign_off.Covered("Waivers", sign_off.waivers_said(facts["waivers"])),
        sign_off.Covered("Assumptions", sign_off.assumptions_said(facts["assumptions"])),
        sign_off.Covered("Record gaps", sign_off.gaps_said(facts["gaps"])),
    ]


def _counts(circuits: Sequence[Entry], groups: Sequence[Group], to_sign: int) -> dict[str, int]:
    """How many circuits and groups there are of each kind, as `words.answer` takes them."""
    verdicts = [circuit["verdict"] for circuit in circuits]
    of_groups = [group["verdict"] for group in groups]
    return {
        **{verdict: verdicts.count(verdict) for verdict in words.VERDICTS},
        "over_limit": sum(c["over"] for c in circuits),
        "apart_outside": sum(c["over"] and c["verdict"] == "apart" for c in circuits),
        "unknown_limit": sum(
            c["within_limits"] is None and c["verdict"] != "unproven" for c in circuits
        ),
        "total": len(circuits),
        "groups_shared": of_groups.count("shared"),
        "groups_unproven": of_groups.count("unproven"),
        "to_sign": to_sign,
    }


def _entry(
    index: int,
    anchor: str,
    circuit: Circuit,
    links: Links,
    strips: Mapping[str, Strip],
    picture: str,
    *,
    filled: str,
) -> Entry:
    lengths = links_of(circuit, links)
    return {
        **circuit,
        "index": index,
        "anchor": anchor,
        "urgency": words.urgency(circuit),
        "found": words.found_in(circuit),
        "over": circuit["within_limits"] is False,
        "finding": words.finding(circuit, links),
        "routes": shared_routes(circuit),
        "single": words.single_points(circuit),
        "silent": words.silent_with(circuit),
        "own_line": words.own_line_said(circuit) if circuit["protects"] else [],
        "losses": words.link_losses(circuit, links),
        "limits": limit_rows(circuit["delay"], filled),
        "lengths": lengths,
        "traces": [
            (label, link["id"], lines_of(link)) for label, link in lengths if link.get("trace")
        ],
        "length_terms": used(LENGTHS, (link["lengths"] for _, link in lengths)),
        "delay_terms": used(DELAYS, (path["delay_terms"] for path in circuit["paths"].values())),
        "tests_missing": tests_missing(lengths),
        "strip": _drawn(circuit, strips, f"c{index}"),
        "profile": Markup(picture),
        "waits": False,
        "brief": False,
        "condensed": False,
    }


def _group_entry(group: Group, strips: Mapping[str, Strip], number: str) -> GroupEntry:
    return {
        **group,
        "anchor": "groups",
        "finding": words.group_finding(group),
        "routes": shared_routes(group),
        "strip": _drawn(group, strips, number),
    }


def _drawn(one: HeldApart, strips: Mapping[str, Strip], number: str) -> Markup | None:
    """The drawing of the paths as lanes, where they have a length."""
    strip = strips.get(one["id"])
    if strip is None:
        return None
    return strip_svg(strip, folded(one), one["id"], number)


# --- The entry of a circuit: terms of length and delay, limits, losses, time down.

LENGTHS = {
    "route_m": "route",
    "sag_m": "sag",
    "helix_m": "helix",
    "overlength_m": "overlength",
    "slack_m": "slack",
    "test_m": "by measurement",
}
"""Terms of the length of a link, each with its heading."""
DELAYS = {
    "fibre_us": "fibre",
    "equipment_us": "equipment",
    "extra_us": "extra of links",
    "test_us": "by measurement",
}
"""Terms of the delay of a path, each with its heading."""


def links_of(circuit: Circuit, links: Links) -> list[tuple[str, Link]]:
    """Every link of every path, with the label of the path."""
    return [
        (label, links[name]) for label, path in circuit["paths"].items() for name in path["links"]
    ]


def used(terms: Mapping[str, str], rows: Iterable[Mapping[str, Any]]) -> dict[str, str]:
    """The terms, with their headings, that differ from 0 in at least one row."""
    found = list(rows)
    return {key: said for key, said in terms.items() if any(row[key] != 0 for row in found)}


def tests_missing(found: Sequence[tuple[str, Link]]) -> list[tuple[str, TestsMissing]]:
    """Measurements that are not on record, by link, each link once."""
    once = {link["id"]: link for _, link in found}
    return [(name, row) for name, link in once.items() for row in link["tests_missing"]]


def once_each(losses: Iterable[LinkLoss]) -> dict[str, LinkLoss]:
    """The first loss of each link, so that a report with many circuits shows its budget once."""
    found: dict[str, LinkLoss] = {}
    for loss in losses:
        found.setdefault(loss.row["link"], loss)
    return found


class LimitRow(NamedTuple):
    """A figure and its limit; `share` is the length of its bar, in pixels up to 200.

    `why` is what is not on record of a figure that is not known, `assumed` what the rules fill in.
    """

    name: str
    value: str
    limit: str
    ok: bool | None
    why: Sequence[str]
    share: float | None
    assumed: str = ""


def limit_rows(delay: Delay, filled: str = "") -> list[LimitRow]:
    """Delay, asymmetry and recovery against their limits; a limit is drawn at 140 pixels.

    Parameters
    ----------
    delay : Delay
    filled : str
        What delays rest on that the rules fill in, see `words.filled_delays_said`.

    Returns
    -------
    list of LimitRow
    """
    rows = []
    for name, key, least, limit_key, ok, why in (
        ("One-way delay", "worst_us", delay["worst_at_least_us"], "limit_us", "ok", "delay_why"),
        (
            "Asymmetry",
            "asymmetry_us",
            delay["asymmetry_at_least_us"],
            "asymmetry_limit_us",
            "asymmetry_ok",
            "asymmetry_why",
        ),
        ("Recovery", "recovery_ms", None, "recovery_limit_ms", "recovery_ok", None),
    ):
        figures: Mapping[str, Any] = delay
        known, limit = figures[key], figures[limit_key]
        value = least if known is None else known
        if value is None and limit is None:
            continue
        share = None if value is None or not limit else min(1.0, 0.7 * value / limit)
        rows.append(
            LimitRow(
                name,
                words.figure(figures, key)
                + (words.recovery_mark(delay) if key == "recovery_ms" else ""),
                "" if limit is None else words.limit_said(limit, limit_key.rpartition("_")[2]),
                figures[ok],
                figures[why] if why else (),
                None if share is None else round(200 * share, 1),
                words.recovery_assumed_said(delay) if key == "recovery_ms" else filled,
            )
        )
    return rows


class Cause(NamedTuple):
    """A cause of the time in which every path is down; no asset: all causes that are not named."""

    asset: str | None
    minutes: float
    percent: float


def causes(down: Unavailability) -> list[Cause]:
    """The greatest causes of the time in which every path is down, and all else in one row.

    Parameters
    ----------
    down : Unavailability

    Returns
    -------
    list of Cause
        Together they make the whole time. Empty where that, or a part of it, is not known.
    """
    whole = down["both"]
    if not whole or any(one["share"] is None for one in down["greatest"]):
        return []
    shares = [(one["asset"], one["share"] or 0.0) for one in down["greatest"]]
    told = [*shares, (None, max(0.0, whole - sum(share for _, share in shares)))]
    return [Cause(asset, share * MINUTES_PER_YEAR, 100 * share / whole) for asset, share in told]


# --- Single events: the contingency table, assets with the same effect in one row.

_MOST = 300


class EventRow(NamedTuple):
    """Assets of one kind with the same effect: circuits lost, left with one path, groups lost."""

    assets: list[str]
    kind: str
    lost: list[str]
    left: list[str]
    groups: list[str]


class EventRows(NamedTuple):
    """The rows, worst first: those that plant elsewhere avoids, and those at the ends.

    Attributes
    ----------
    rows, ends : list of EventRow
        An asset stands at the ends where no circuit and no group that it puts out of service could
        avoid it.
    avoidable, at_ends : int
        Number of assets in all their rows, those left out included.
    left_out, ends_left_out : int
        Rows beyond those here.
    """

    rows: list[EventRow]
    ends: list[EventRow]
    avoidable: int
    at_ends: int
    left_out: int
    ends_left_out: int


def event_rows(
    effects: Effects | None, circuits: Sequence[Circuit] = (), groups: Sequence[Group] = ()
) -> EventRows:
    """Assets that alone put a circuit or group out of service, those alike in one row.

    Parameters
    ----------
    effects : Effects or None
    circuits : sequence of Circuit
    groups : sequence of Group
        With the circuits: what each needs at its ends.

    Returns
    -------
    EventRows
    """
    ends = {one["id"]: words.at_the_ends(one) for one in circuits}
    group_ends = {one["id"]: words.at_the_ends(one) for one in groups}
    together: dict[tuple[bool, int, str], list[str]] = {}
    if effects is not None:
        for asset, (loss, _, kind) in effects["of"].items():
            if loss < 0:
                continue
            lost, _left, lost_groups = effects["losses"][loss]
            if lost or lost_groups:
                needed = all(asset in ends.get(name, ()) for name in lost) and all(
                    asset in group_ends.get(name, ()) for name in lost_groups
                )
                key = needed, loss, effects["kinds"][kind]
                together.setdefault(key, []).append(asset)
    rows: dict[bool, list[EventRow]] = {False: [], True: []}
    for (needed, number, named), assets in together.items():
        assert effects is not None
        taken = (sorted(names, key=counted) for names in effects["losses"][number])
        alike = EventRow(sorted(assets, key=counted), named, *taken)
        rows[needed].append(alike)
    for some in rows.values():
        some.sort(key=lambda row: (-len(row.lost), -len(row.left), counted(row.assets[0])))
    return EventRows(
        rows[False][:_MOST],
        rows[True][:_MOST],
        *(sum(len(row.assets) for row in rows[needed]) for needed in (False, True)),
        *(max(0, len(rows[needed]) - _MOST) for needed in (False, True)),
    )


# --- Records: gaps, the work list, matched cables, changes, values of the rules.


def gap_rows(gaps: Sequence[RecordGap], most: int = 12) -> list[RecordGap]:
    """The first `most` record gaps of each kind, and one row for the others of that kind."""
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


class GapKind(TypedDict):
    """A kind of record gap, and how many there are of it."""

    code: str
    count: int


def gap_kinds(gaps: Sequence[RecordGap]) -> list[GapKind]:
    """How many record gaps there are of each kind, the most first; together they are all gaps."""
    counts: dict[str, int] = {}
    for gap in gaps:
        counts[gap["code"]] = counts.get(gap["code"], 0) + gap["count"]
    ordered = sorted(counts.items(), key=lambda told: (-told[1], told[0]))
    return [{"code": code, "count": count} for code, count in ordered]


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
        Those that no step names follow at the end, without a step.

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


def matched_cables(matched: Sequence[Match]) -> list[list[Match]]:
    """The segments that each drawn cable was matched to, one list for each cable."""
    cables: dict[str, list[Match]] = {}
    for row in matched:
        cables.setdefault(row["cable"], []).append(row)
    return list(cables.values())


def changed_rows(since: Mapping[str, Any]) -> list[tuple[str, Mapping[str, Any]]]:
    """Rows of a comparison that changed, worse first, each with circuit, group or scheme."""
    rows = [
        (what, row)
        for what, key in (("circuit", "circuits"), ("group", "groups"), ("scheme", "schemes"))
        for row in since[key]
        if row["change"] != "same"
    ]
    return sorted(rows, key=lambda told: CHANGES.index(told[1]["change"]))


_UNITS = {
    "us": "µs",
    "db": "dB",
    "1/a": "a year",
    "1/(km a)": "a year and km",
    "a": "years",
}


def unit(name: str) -> str:
    """A unit as it is written, from its name in the facts or at the end of a field's name.

    Parameters
    ----------
    name : str

    Returns
    -------
    str
        Other words are returned as they are.

    Examples
    --------
    >>> unit("us")
    'µs'
    """
    return _UNITS.get(name, name)


def plain(value: object) -> str:
    """A value of the rules as text.

    Parameters
    ----------
    value : object

    Returns
    -------
    str
        Empty for None.

    Examples
    --------
    >>> plain(True), plain(["room", "rack"]), plain({"duct": 2.0, "other": 1.0})
    ('yes', 'room, rack', 'duct: 2.0, other: 1.0')
    """
    if value is None:
        return ""
    if isinstance(value, list | tuple):
        return ", ".join(plain(item) for item in value)
    if isinstance(value, Mapping):
        return ", ".join(f"{key}: {plain(item)}" for key, item in value.items())
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)


def figures_range(least: float | None, greatest: float | None) -> str:
    """The value computed from the records for a measured figure: one value, or a range.

    Parameters
    ----------
    least, greatest : float or None

    Returns
    -------
    str

    Examples
    --------
    >>> figures_range(1.5, 1.5), figures_range(1.5, 2.0), figures_range(None, None)
    ('1.5', '1.5 to 2', 'not known')
    """
    low, high = digits(least, 6), digits(greatest, 6)
    if not low or not high:
        return f"at least {low}" if low else f"at most {high}" if high else "not known"
    return low if low == high else f"{low} to {high}"


def digits(value: float | None, most: int) -> str:
    """A number with at most so many significant digits.

    Parameters
    ----------
    value : float or None
    most : int

    Returns
    -------
    str
        Empty for None.
    """
    return "" if value is None else f"{value:.{most}g}"
