"""What the commands print on a terminal.

Each `show_...` function prints the facts of one command, the most important first: problems and
record gaps (`check`), a proof and its circuits (`prove`), `reroute`, and the what-ifs `dig`,
`compare`, `worst` and `dig --plan`. `--json` writes the same facts. Every text of a layer passes
through `styled`, which writes out characters that a terminal would obey or hide.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import cast

from rich.console import Console
from rich.table import Table
from rich.text import Text

from waysapart.errors import Problem
from waysapart.evidence import (
    Circuit,
    Evidence,
    GapBrief,
    Group,
    JudgedWaiver,
    RecordFirst,
    RecordGap,
    Scheme,
    Shared,
)
from waysapart.figures import position, significant
from waysapart.report import compare_words, words
from waysapart.report.escape import terminal_text
from waysapart.report.marks import id_runs
from waysapart.report.stretches import Finding, shared_routes
from waysapart.report.view import LimitRow, limit_rows
from waysapart.report.words import (
    MOST_NAMED,
    clash_said,
    lasting_said,
    less_on_record_said,
    money,
    plan_answer,
    works_answer,
)
from waysapart.reroute.api import (
    BuildFacts,
    LeastSharedFacts,
    OptionFacts,
    RerouteFacts,
    SegmentFacts,
    SeveralFacts,
    TargetFacts,
)
from waysapart.reroute.new_plant.costs import METRES, BudgetFacts
from waysapart.text import few, in_runs, sentence_list
from waysapart.verdicts.waiver_offers import offer_toml, replaced
from waysapart.verdicts.waivers import LAPSES_SOON_DAYS
from waysapart.whatif.changes import DifferenceFacts
from waysapart.whatif.compare import ComparisonFacts
from waysapart.whatif.dig import CircuitFacts, DigFacts, GroupFacts, SchemeFacts
from waysapart.whatif.plan import PeriodFacts, WorksFacts
from waysapart.whatif.regions import RegionFacts
from waysapart.whatif.resplice import ResplicePlace
from waysapart.whatif.worst import RankedEvent, RankedPlace, WorstFacts

_STYLE = {
    "shared": "bold red",
    "unproven": "bold yellow",
    "accepted": "cyan",
    "apart": "green",
}
_MOST_REASONS = 4
_MOST_GAPS = 12
_MOST_OF_A_KIND = 5
_MOST_STEPS = 3
_MOST_TO_SIGN = 8
_MOST_CIRCUITS = 60
_MOST_NAMES = 5
_MOST_SILENT = 12
_MOST_OFFERS = 12
_MOST_PLACES = 8
_MOST_STEPS_THERE = 16
_MOST_WITHIN = 8
_MOST_MEETINGS = 12


def styled(text: object, style: str = "") -> Text:
    """Make a text of a layer safe for a terminal.

    Parameters
    ----------
    text : object
        Printed as `str` gives it, with control characters and characters that cannot be seen
        written out.
    style : str
        A style of rich, such as `bold red`.

    Returns
    -------
    rich.text.Text
    """
    return Text(terminal_text(str(text)), style=style)


# --- `check`: problems of the input, record gaps, what to record first.


def show_problems(console: Console, problems: Iterable[Problem]) -> None:
    """Print every problem of the input on its own line, under its file and layer.

    Parameters
    ----------
    console : rich.console.Console
    problems : iterable of Problem
        Problems of one file stand together; a new file or layer gets a new heading.
    """
    found = list(problems)
    console.print(
        styled(f"{words.count_of(len(found), 'problem')} in the input: nothing was proved", "bold")
    )
    last: str | None = None
    for problem in found:
        head = ", ".join(
            part
            for part in (problem.file, f"layer {problem.layer}" if problem.layer else "")
            if part
        )
        if head != last:
            console.print(styled(head or "study", "bold"))
            last = head
        place = ", ".join(
            part
            for part in (
                f"row {problem.row}" if problem.row is not None else "",
                f"column {problem.column}" if problem.column else "",
                f"id {problem.id}" if problem.id else "",
            )
            if part
        )
        console.print(styled(f"  {place}: {problem.message}" if place else f"  {problem.message}"))


def show_gaps(
    console: Console, gaps: Sequence[RecordGap] | Sequence[GapBrief], most: int | None = None
) -> None:
    """Print record gaps with what they bear on and what to do, the first few of each kind.

    Parameters
    ----------
    console : rich.console.Console
    gaps : sequence of RecordGap or of GapBrief
        With the place of the record where the gaps have one.
    most : int, optional
        Print at most so many; all that the few of each kind make, if left out.
    """
    if not gaps:
        return
    first = words.first_of_each(gaps, _MOST_OF_A_KIND)
    shown = first if most is None else first[:most]
    table = Table(box=None, show_header=False, padding=(0, 2, 0, 0))
    for gap in shown:
        table.add_row(
            styled(gap["code"], "yellow"),
            styled(words.BEARS[gap["bears_on"]], "dim"),
            _gap_said(gap),
        )
    console.print(table)
    left = words.gap_count(gaps) - words.gap_count(shown)
    if left:
        console.print(styled(f"  and {left} more: waysapart check --csv FILE lists all"))


def _gap_said(gap: RecordGap | GapBrief) -> Text:
    """The message of a gap, with file, layer and row where the gap has them."""
    said = styled(gap["message"])
    place = words.place_said(cast(RecordGap, gap)) if "file" in gap else ""
    return said.append_text(styled(f" [{place}]", "dim")) if place else said


def show_record_first(console: Console, first: RecordFirst, most: int = 8) -> None:
    """Print which records to enter first; nothing where no record decides a circuit.

    Parameters
    ----------
    console : rich.console.Console
    first : RecordFirst
    most : int
        Steps printed before the number of those left.
    """
    steps = first["steps"]
    if not steps:
        return
    console.print(styled("What to record first", "bold"))
    for step in steps[:most]:
        said = f"{words.records_to_enter(step)}: decides {words.step_decides(step)}"
        console.print(styled(f"  {step['step']}. {said}"))
    if len(steps) > most:
        console.print(styled(f"  and {words.count_of(len(steps) - most, 'step')} more"))
    console.print(styled(f"  {words.work_said(first)}"))


# --- `prove`: the whole proof, the waivers on offer, one circuit or group.


def show_proof(console: Console, facts: Evidence, *, quiet: bool = False) -> None:
    """Print a proof: the answer, the counts, then what needs a decision.

    Parameters
    ----------
    console : rich.console.Console
    facts : Evidence
        What `prove --json` writes.
    quiet : bool
        Print the answer and the counts alone.
    """
    counts = facts["summary"]
    head = facts["study"] + (f", revision {facts['revision']}" if facts["revision"] else "")
    console.print(styled(head, "bold"))
    console.print(styled(_answer(facts)))
    parts = [
        Text(f"{counts[verdict]} {verdict}", _STYLE[verdict] if counts[verdict] else "dim")
        for verdict in words.VERDICTS
    ]
    over = counts["over_a_limit"]
    parts.append(Text(f"{over} outside a limit", "bold red" if over else "dim"))
    gaps = counts["gaps"]
    parts.append(Text(words.count_of(gaps, "record gap"), "" if gaps else "dim"))
    _in_rows(console, parts)
    if quiet:
        return
    links = {one["id"]: one for one in facts["links"]}
    urgent = [one for one in facts["circuits"] if _urgent(one)]
    urgent.sort(key=words.importance)
    first = [(one, words.finding(one, links)) for one in urgent[:_MOST_CIRCUITS]]
    _table(console, "Circuits that need a decision", first)
    if len(urgent) > _MOST_CIRCUITS:
        left = len(urgent) - _MOST_CIRCUITS
        console.print(styled(f"  and {left} more: --json and the report list all"))
    groups = [one for one in facts["groups"] if one["verdict"] != "apart"]
    _table(console, "Groups", [(one, words.group_finding(one)) for one in groups])
    schemes = [one for one in facts["schemes"] if one["verdict"] != "apart"]
    if schemes:
        console.print()
        console.print(styled("Schemes (the worst of their circuits)", "bold"))
        for one in schemes:
            console.print(_verdict_line(one, sentence_list(one["members"])))
    _own_lines(console, facts["circuits"])
    if facts["gaps"]:
        console.print()
        console.print(styled("Record gaps", "bold"))
        show_gaps(console, facts["gaps"], _MOST_GAPS)
    if facts["record_first"]["steps"]:
        console.print()
        show_record_first(console, facts["record_first"], _MOST_STEPS)
    _show_to_sign(console, facts)
    _waivers(console, facts["waivers"])
    for note in facts["notes"]:
        console.print(styled(f"note: {note}", "dim"))
    console.print()
    console.print(styled(facts["caution"], "dim"))


def _own_lines(console: Console, circuits: Sequence[Circuit]) -> None:
    """Print the circuits that lose all their paths, or one, when what they protect falls."""
    silent = [one for one in circuits if words.silent_with(one)]
    taken = sum(bool(one["with_protected"]) for one in circuits) - len(silent)
    if not silent and not taken:
        return
    console.print()
    console.print(styled("Circuits that lose paths when what they protect falls", "bold"))
    for one in silent[:_MOST_SILENT]:
        said = sentence_list(words.silent_with(one))
        console.print(styled(f"  {one['id']} is silent when {said} falls", "bold red"))
    if len(silent) > _MOST_SILENT:
        left = len(silent) - _MOST_SILENT
        console.print(styled(f"  and {left} more: --json and the report list all"))
    if taken:
        alone = ("loses", "keeps", "it protects")
        verb, keeps, what = alone if taken == 1 else ("lose", "keep", "they protect")
        counted = words.count_of(taken, "other circuit" if silent else "circuit")
        console.print(
            styled(
                f"  {counted} {verb} a path when what {what} falls, and {keeps} another: "
                "--circuit shows which"
            )
        )


def _show_to_sign(console: Console, facts: Evidence) -> None:
    """Print the assumptions that the rules make for the records and that need a signature."""
    rows = words.to_sign(facts)
    if not rows:
        return
    console.print()
    console.print(styled(f"{words.count_of(len(rows), 'assumption')} to sign:", "bold"))
    for row in rows[:_MOST_TO_SIGN]:
        console.print(styled(f"  {words.assumption_said(row)} ({row['key']})"))
    if len(rows) > _MOST_TO_SIGN:
        console.print(styled(f"  and {len(rows) - _MOST_TO_SIGN} more: the report lists all"))


def _waivers(console: Console, waivers: Sequence[JudgedWaiver]) -> None:
    """Print waivers that do not count, with the reason, and those that lapse soon."""
    idle = [one for one in waivers if not one["counts"]]
    soon = [one for one in waivers if words.lapses_soon(one)]
    soon.sort(key=lambda one: one["lapses_in_days"] or 0)
    for title, rows in (
        ("Waivers that do not count", idle),
        (f"Waivers that lapse within {LAPSES_SOON_DAYS} days", soon),
    ):
        if rows:
            console.print()
            console.print(styled(title, "bold"))
        for one in rows:
            said = f"{one['circuit']} {words.waived_thing(one)}: {words.waiver_state(one)}"
            console.print(styled(f"  {said} (until {one['until']})"))


def show_offers(
    console: Console, judged: Sequence[Circuit | Group], waivers: Sequence[JudgedWaiver]
) -> None:
    """Print blocks for rules.toml that accept the findings of some circuits and groups.

    Parameters
    ----------
    console : rich.console.Console
    judged : sequence of Circuit or Group
        With the waivers that the proof offers for them.
    waivers : sequence of JudgedWaiver
        The study's own waivers: an offer that replaces one of them says so.
    """
    offers = [offer for one in judged for offer in one["waivers_offered"]]
    if not offers:
        return
    console.print()
    console.print(styled("To accept these findings, sign these waivers in rules.toml", "bold"))
    for offer in offers[:_MOST_OFFERS]:
        console.print()
        if offer["within"] is not None:
            console.print(styled(f"# accepts {offer['covers']} findings", "dim"))
        before = replaced(offer, waivers)
        if before is not None:
            console.print(styled(f"# replaces a waiver that does not count: {before}", "dim"))
        for line in offer_toml(offer).splitlines():
            console.print(styled(line), soft_wrap=True)
    if len(offers) > _MOST_OFFERS:
        console.print()
        console.print(
            styled(
                f"and {len(offers) - _MOST_OFFERS} more: --json lists all. One waiver can cover "
                "everything within a holder, such as a line: record the line as a holder and name "
                "it in `within` of each span and tower",
                "dim",
            )
        )


def _in_rows(console: Console, parts: Sequence[Text]) -> None:
    """Print parts side by side, and break the line between parts, never within one."""
    line = Text("  ")
    for part in parts:
        if line.cell_len > 2 and line.cell_len + 3 + part.cell_len > console.width:
            console.print(line)
            line = Text("  ")
        line.append("   " if line.cell_len > 2 else "")
        line.append_text(part)
    console.print(line)


def show_circuit(console: Console, facts: Evidence, name: str) -> None:
    """Print one circuit or group with everything that its verdict rests on.

    Parameters
    ----------
    console : rich.console.Console
    facts : Evidence
    name : str
        Id of a circuit or group of the study.

    Raises
    ------
    StopIteration
        No circuit or group has this id.
    """
    group = next((one for one in facts["groups"] if one["id"] == name), None)
    if group is None:
        circuit = next(one for one in facts["circuits"] if one["id"] == name)
        filled = words.filled_delays_said(words.to_sign(facts))
        _circuit(console, circuit, {one["id"]: one for one in facts["links"]}, filled)
        return
    console.print(styled(name, "bold"))
    console.print(_verdict_line(group, words.group_finding(group)))
    _found(console, group)
    down = group["unavailability"]
    _time_down(console, [f"all at once {words.unavailable(down, 'all')}"], down["why"])
    _at_the_ends(console, group)
    show_gaps(console, group["gaps"])


def _circuit(console: Console, circuit: Circuit, links: words.Links, filled: str) -> None:
    called = f" {circuit['name']}" if circuit["name"] else ""
    console.print(styled(f"{circuit['id']}{called}", "bold"))
    console.print(_verdict_line(circuit, words.finding(circuit, links)))
    losses = words.link_losses(circuit, links)
    for label, path in circuit["paths"].items():
        listed = " - ".join(path["links"]) or "no link on record"
        said = f"{words.lengths_said(path)}, {words.figure(path, 'delay_us')} one way"
        console.print(styled(f"  {label}: {listed}; {said}"))
        for name in path["links"]:
            if links[name]["stated"] is not None or links[name]["medium"] == "leased":
                console.print(styled(f"    {name}: {words.route_said(links[name])}"))
        for why in dict.fromkeys([*path["length_why"], *path["delay_why"]]):
            console.print(styled(f"    not known: {why}", "yellow"))
        for loss in losses:
            if loss.path == label:
                lost = words.link_decibels(loss, "loss")
                kept = words.link_decibels(loss, "margin")
                console.print(
                    styled(
                        f"    {loss.row['link']}: loss {lost}, margin {kept}",
                        "red" if loss.row["ok"] is False else "",
                    )
                )
    for row in limit_rows(circuit["delay"], filled):
        _limit(console, row)
    _found(console, circuit)
    down = circuit["unavailability"]
    shares = [f"{label} {words.unavailable(down, label)}" for label in circuit["paths"]]
    every = "all" if len(circuit["paths"]) > 2 else "both"
    shares.append(f"{every} at once {words.unavailable(down, 'both')}")
    _time_down(console, shares, down["why"])
    _at_the_ends(console, circuit)
    if circuit["tail"]:
        console.print(
            styled(f"  all paths pass through the tail: {sentence_list(circuit['tail'])}")
        )
    for text, _ in words.own_line_said(circuit):
        console.print(styled(f"  {text}", "bold" if text.startswith("silent") else ""))
    if circuit["blank_within"]:
        lies = "has no record of what it lies"
        if circuit["blank_within"] > 1:
            lies = "have no record of what they lie"
        counted = words.count_of(circuit["blank_within"], "asset")
        console.print(styled(f"  {counted} on its paths {lies} within"))
    show_gaps(console, circuit["gaps"])


_KEPT = {True: "within", False: "outside", None: "not known whether within"}


def _limit(console: Console, row: LimitRow) -> None:
    """Print a figure beside its limit, and what of it is assumed."""
    said = f"  {row.name.lower()}: {row.value}"
    if row.limit:
        said += f" of {row.limit}, {_KEPT[row.ok]}"
        said += " if the assumption holds" if row.assumed and row.ok else ""
    else:
        said += ", no limit"
    console.print(styled(said, "red" if row.ok is False else ""))
    if row.assumed:
        console.print(styled(f"    assumed: {row.assumed}", "yellow"))


def _found(console: Console, one: Circuit | Group) -> None:
    """Print what is shared, near and crossing, and the closest approach."""
    for route in shared_routes(one):
        if len(route.findings) > 1:
            accepted = ", accepted by waiver" if route.waived else ""
            console.print(styled(f"  shared: {route.label}{accepted}; its parts:"))
        for found in route.findings:
            _shared(console, found, part=len(route.findings) > 1)
    few_paths = not words.spared(one)
    if not few_paths:
        console.print(styled(f"  {words.spared_said(one)}", "dim"))
    for near in one["near"] if few_paths else ():
        console.print(styled(f"  near: {words.near_stretch(near)}"))
    for cross in one["cross"] if few_paths else ():
        console.print(styled(f"  cross: {cross['main']} and {cross['alternate']}"))
    console.print(styled(f"  closest approach: {_closest(one)}"))


def _time_down(console: Console, shares: Sequence[str], why: Sequence[str]) -> None:
    console.print(styled(f"  share of the time down: {sentence_list(shares)}"))
    for reason in why[:_MOST_REASONS]:
        console.print(styled(f"    not on record: {reason}"))


def _at_the_ends(console: Console, one: Circuit | Group) -> None:
    console.print(styled(f"  {words.single_points_said(one)}"))
    needed = sentence_list(one["unavoidable"]) or "-"
    console.print(styled(f"  unavoidably shared at the ends: {needed}"))


def _shared(console: Console, found: Finding, *, part: bool = False) -> None:
    """Print one shared asset or stretch, with the chain by which each path relies on it."""
    waived = ", accepted by waiver" if found.waived else ""
    what = "shared need" if found.needed else "shared"
    indent = "      " if part else "    "
    label = f"    {found.label}" if part else f"  {what}: {found.label}{waived}"
    console.print(styled(label))
    if len(found.members) > 1:
        console.print(styled(f"{indent}all: {_some(found.members)}", "dim"))
    if found.places:
        console.print(styled(f"{indent}with their structures {_some(found.places)}", "dim"))
    if found.holders:
        console.print(styled(f"{indent}and what holds it: {_some(found.holders)}", "dim"))
    for label, chain in found.via.items():
        where = words.along_said(found.along.get(label))
        place = f", {where}" if where else ""
        console.print(styled(f"{indent}{label} by {' > '.join(chain)}{place}", "dim"))


def _some(entries: Sequence[Shared]) -> str:
    """Ids, of those that count up the first and the last; what is left out is counted."""
    runs = id_runs(one["asset"] for one in entries)
    names = [first if count == 1 else f"{first} to {last}" for first, last, count in runs]
    left = sum(count for *_, count in runs[_MOST_NAMES:])
    return ", ".join(names[:_MOST_NAMES]) + (f" and {left} more" if left else "")


def _closest(circuit: Circuit | Group) -> str:
    if circuit["closest_m"] is None:
        return "not examined (the end zones cover a whole path, or a path has no geometry)"
    return words.closest_said(circuit)


def _answer(facts: Evidence) -> str:
    counts = facts["summary"]
    unknown = sum(
        one["within_limits"] is None and one["verdict"] != "unproven" for one in facts["circuits"]
    )
    return words.answer(
        {
            **{verdict: counts[verdict] for verdict in words.VERDICTS},
            "over_limit": counts["over_a_limit"],
            "unknown_limit": unknown,
            "to_sign": len(words.to_sign(facts)),
            "total": counts["circuits"],
            **{
                f"groups_{verdict}": sum(one["verdict"] == verdict for one in facts["groups"])
                for verdict in ("shared", "unproven")
            },
        }
    )


def _urgent(circuit: Circuit) -> bool:
    open_ = circuit["verdict"] in ("shared", "unproven")
    return open_ or circuit["within_limits"] is not True


def _table(console: Console, title: str, rows: Sequence[tuple[Circuit | Group, str]]) -> None:
    if not rows:
        return
    console.print()
    console.print(styled(title, "bold"))
    table = Table(box=None, show_header=False, padding=(0, 2, 0, 0))
    table.add_column(no_wrap=True)
    table.add_column(no_wrap=True)
    table.add_column()
    for one, said in rows:
        table.add_row(
            styled(f"  {one['id']}"),
            styled(one["verdict"], _STYLE[one["verdict"]]),
            styled(said),
        )
    console.print(table)


def _verdict_line(one: Circuit | Group | Scheme, said: str) -> Text:
    line = styled(f"  {one['id']}  ")
    line.append(one["verdict"], _STYLE[one["verdict"]])
    line.append(f"  {terminal_text(said)}")
    return line


# --- `reroute`: the answer for each circuit, the work, and what to build.

_ANSWER_STYLE = {"apart": "green", "none": "bold red", "undecided": "bold yellow"}
_MOST_SHARED = 6


def show_reroute(console: Console, facts: RerouteFacts) -> None:
    """Print the answer for each circuit or group, the work to do, and what could be built.

    Parameters
    ----------
    console : rich.console.Console
    facts : RerouteFacts
        What `reroute --json` writes.
    """
    head = facts["study"] + (f", revision {facts['revision']}" if facts["revision"] else "")
    console.print(styled(head, "bold"))
    counts = facts["summary"]
    if not facts["circuits"]:
        console.print(styled("every circuit and group is apart and within its limits"))
        return
    console.print(
        styled(
            f"{words.count_of(len(facts['circuits']), 'circuit or group', 'circuits and groups')} "
            f"searched: {counts['apart']} with separate paths, {counts['none']} without, "
            f"{counts['undecided']} undecided"
        )
    )
    for status in ("apart", "none", "undecided"):
        found = [one for one in facts["circuits"] if one["status"] == status]
        if found:
            console.print()
            _section(console, facts, status, found)
    _work(console, facts)
    if facts["budget"] is not None:
        _budget(console, facts["budget"], "  ")
    if facts["build"] is not None:
        _build(console, facts["build"])
    if facts["proved"]["worse"]:
        console.print()
        listed = sentence_list(facts["proved"]["worse"])
        console.print(styled(f"worse with this proposal: {listed}", "bold red"))
    for note in facts["notes"]:
        console.print(styled(f"note: {note}", "dim"))
    console.print()
    console.print(styled(facts["caution"], "dim"))


_HEADS = {
    "apart": "Separate paths, proved apart and within limits",
    "none": "No separate paths exist in the plant on record",
    "undecided": "Undecided",
}


def _section(console: Console, facts: RerouteFacts, status: str, found: list[TargetFacts]) -> None:
    console.print(styled(_HEADS[status], "bold"))
    for one in found:
        console.print(styled(f"  {one['id']}", _ANSWER_STYLE[status]), end="")
        console.print(styled(f"  {one['says']}{_cost(facts, one)}"))
        if not one["together"]:
            console.print(styled(f"      not in the common proposal: {one['why']}", "yellow"))
        for label, links in one["paths"].items():
            console.print(styled(f"      {label}: {' - '.join(links)}"))
        least = one["least_shared"]
        if least is not None and least["weight"] is not None:
            console.print(styled(f"      shared at least: {_least(least)}"))


_WITHOUT_UNIT = ("splices", "unavailability")
"""Costs whose name already says what they count."""


def _cost(facts: RerouteFacts, one: TargetFacts) -> str:
    if one["cost"] is None:
        return ""
    unit = "" if facts["cost_is"] in _WITHOUT_UNIT else f" {facts['cost_unit']}"
    told = f"; {facts['cost_is']} {one['cost']:,g}{unit} together"
    if one["optimal"]:
        return told
    return f"{told}, the best found so far: no pair of paths has less than {one['lower_bound']:,g}"


def _least(least: LeastSharedFacts) -> str:
    """The least that a pair shares: exact, or the bounds found in the time given."""
    names = [
        names[0] if len(names) == 1 else f"{names[0]} with all that is lost with it"
        for names in least["shared"]
    ]
    names += [f"{one} and {other}, too near or crossing" for one, other in least["near"]]
    told = f"{few(names, _MOST_SHARED)} (weight {least['weight']}"
    if least["weight"] != least["weight_at_least"]:
        return (
            f"{told}, the least found in the time given; "
            f"every pair of paths shares at least {least['weight_at_least']})"
        )
    return f"{told}; every pair of paths shares at least that much)"


def _work(console: Console, facts: RerouteFacts) -> None:
    if not facts["work"]:
        return
    console.print()
    console.print(styled("Work", "bold"))
    table = Table(box=None, show_header=False, padding=(0, 2, 0, 0))
    for one in facts["work"]:
        table.add_row(styled(one["circuit"] or ""), styled(one["at"] or ""), styled(one["text"]))
    console.print(table)


def _build(console: Console, build: BuildFacts) -> None:
    console.print()
    console.print(styled("What to build or change where no separate paths exist", "bold"))
    if not build["single"]:
        looked = sentence_list([f"{n} {kind}" for kind, n in build["looked_at"].items() if n])
        console.print(styled(f"  no solution found; looked at {looked or 'nothing'}"))
    for option in build["single"]:
        _option(console, option)
    if build["over_budget"]:
        told = [
            f"{one['id']} ({'' if one['cost'] is not None else 'at least '}"
            f"{money(one['at_least'], build['cost_unit'])})"
            for one in build["over_budget"]
        ]
        listed = few(told, _MOST_SHARED)
        console.print(styled(f"  each over the budget alone, so in no set: {listed}", "yellow"))
    if build["unpriced"]:
        left = ", so in no set" if build["budget"] is not None else ""
        listed = few(build["unpriced"], _MOST_SHARED)
        console.print(styled(f"  candidates whose cost is not known{left}: {listed}", "yellow"))
    for out in build["refused"]:
        console.print(styled(f"  {out['id']} is out: {out['why']}", "yellow"))
    if build["several"] is not None:
        _several(console, build["several"], build["cost_unit"])
    if build["set"] is not None:
        console.print(
            styled(
                f"  all of these together, {_within(build)}make {_count(build['set'])}; "
                f"no set of them makes more than {build['at_most_apart']} apart"
            )
        )
        _cost_of(console, build["set"])


def _several(console: Console, several: SeveralFacts, unit: str) -> None:
    """Print the bounds on a set of new segments, where the search for it ran out of time."""
    if not several["optimal"]:
        console.print(
            styled(
                "  sets of new segments: not all were tried in the time given; a set makes at most "
                f"{several['at_most_apart']} apart"
                + (
                    f", and as many cost at least {money(several['cost_at_least'], unit)}"
                    if several["cost_at_least"] is not None
                    else ""
                ),
                "yellow",
            )
        )


def _count(option: OptionFacts) -> str:
    """How many circuits and groups an option makes apart, now and once it is on record."""
    once = len(option["once_recorded"])
    told = [f"{len(option['apart'])} apart"] if option["apart"] or not once else []
    return " and ".join([*told, *([f"{once} apart once recorded"] if once else [])])


def _within(build: BuildFacts) -> str:
    if build["set"] is None or build["set"]["budget"]["within_budget"] is not True:
        return ""
    return f"within {money(build['set']['budget']['budget'], build['cost_unit'])}, "


def _budget(console: Console, budget: BudgetFacts, indent: str) -> None:
    """Print a budget on one line: each part, the total, and whether that is within the budget."""
    unit, total = budget["unit"], budget["total"]
    parts = [words.budget_line(line) for line in budget["lines"]]
    told = f"{indent}cost: {' + '.join(parts)}{'; ' if parts else ''}"
    if total is not None:
        told += f"total {money(total, unit)}"
    else:
        keys = [line["key"] for line in budget["lines"] if line["rate"] is None]
        told += f"total not known, at least {money(budget['at_least'], unit)}"
        if named := list(dict.fromkeys(keys)):
            told += f" (the rules state no {sentence_list(named, 'nor')})"
    console.print(styled(told), end="" if budget["budget"] is not None else "\n")
    if budget["budget"] is not None:
        most = money(budget["budget"], unit)
        state, style = {
            True: ("within", "green"),
            False: ("over", "bold red"),
            None: ("perhaps over", "yellow"),
        }[budget["within_budget"]]
        console.print(styled(f"; {state} the budget of {most}", style))


def _cost_of(console: Console, option: OptionFacts) -> None:
    """Print what an option costs, and how many circuits that makes apart."""
    budget, per = option["budget"], option["apart_per_cost"]
    if budget["unit"] != METRES:
        _budget(console, budget, "      ")
        if per is not None and budget["lines"]:
            several = per["apart"] + per["once_recorded"]
            count = words.count_of(several, "circuit or group", "circuits and groups")
            waits = per["once_recorded"]
            once = f" ({waits} of them once recorded)" if waits and per["apart"] else ""
            once = " once recorded" if waits and not per["apart"] else once
            console.print(
                styled(
                    f"      {count} apart{once} for {money(per['cost'], per['unit'])}: "
                    f"{significant(per['value'])} per "
                    f"{money(per['per'], per['unit'])}"
                )
            )
    elif budget["within_budget"] is False:
        most = money(budget["budget"], METRES)
        console.print(styled(f"      over the budget of {most}", "bold red"))


def _option(console: Console, option: OptionFacts) -> None:
    in_metres = option["apart_per_km"] and option["budget"]["unit"] == METRES
    per = f", {significant(option['apart_per_km'])} for each km" if in_metres else ""
    console.print(styled(f"  {option['text']}: "), end="")
    told = [(f"{sentence_list(option['apart'])} apart, proved{per}", "green")]
    once = f"{sentence_list(option['once_recorded'])} apart once it is on record what it lies in"
    told = [*told[: len(option["apart"])], *([(once, "yellow")] if option["once_recorded"] else [])]
    for place, (said, style) in enumerate(told):
        console.print(styled(f"{'; ' if place else ''}{said}", style), end="")
    console.print()
    for segment in option["segments"]:
        _new_segment(console, segment)
    if option["worse"]:
        console.print(styled(f"      but worse: {sentence_list(option['worse'])}", "bold red"))
    _cost_of(console, option)
    for said in option["survey"]:
        console.print(styled(f"      {said}", "dim"))


_MOST_MET = 6
_COURSES = {
    "given": "its course as given",
    "along": "along the corridors offered",
    "straight": "straight between its ends",
}


def _new_segment(console: Console, segment: SegmentFacts) -> None:
    """Print how a new segment lies, and what remains to be surveyed."""
    within = segment["within"]
    lies = "what it lies in is not on record"
    if within is not None:
        lies = f"lies in {sentence_list(within)}" if within else "lies in nothing"
    told = [f"{segment['id']}: {_COURSES[segment['course']]}; {lies}"]
    beside = [
        f"{one['asset']} ({words.metres(one['distance_m'])} away over "
        f"{words.metres(one['length_m'])})"
        for one in segment["beside"]
    ]
    crosses = list(dict.fromkeys(one["asset"] for one in segment["crosses"]))
    passes = [f"{one['asset']} ({words.metres(one['distance_m'])})" for one in segment["passes"]]
    for word, names in (("beside", beside), ("crosses", crosses), ("passes", passes)):
        if names:
            told.append(f"{word} {few(names, _MOST_MET)}")
    for row in segment["backdrops"]:
        name = row["layer"] + (f" {row['id']}" if row["id"] else "")
        figures = [f"crosses it {row['crossings']} times"] if row["crossings"] > 1 else []
        figures += ["crosses it"] if row["crossings"] == 1 else []
        figures += [f"{words.metres(row['inside_m'])} inside"] if row["inside_m"] else []
        figures += [f"{words.metres(row['beside_m'])} beside it"] if row["beside_m"] else []
        told.append(f"{name}: {', '.join(figures) or 'meets it'}")
    for said in told:
        console.print(styled(f"      {said}"))
    for said in segment["survey"]:
        console.print(styled(f"      to survey: {said}", "yellow"))


# --- The what-ifs: `dig` and `outage`, `compare`, `worst`, `dig --plan`.

_STATE = {"lost": "bold red", "unknown": "yellow", "untouched": "green"}
_CHANGE = {"worse": "bold red", "better": "green", "new": "cyan", "gone": "yellow"}


def row_table() -> Table:
    """Make a table without lines or headings, for rows that belong together."""
    return Table(box=None, show_header=False, padding=(0, 2, 0, 0))


_NAMES_WIDTH = 30


def names_cell(names: Sequence[str]) -> Text:
    """All names that a row is about, in lines of no more than a third of a narrow terminal.

    Parameters
    ----------
    names : sequence of str

    Returns
    -------
    rich.text.Text
    """
    lines: list[str] = []
    found = in_runs(names)
    for number, name in enumerate(found, start=1):
        told = name if number == len(found) else f"{name},"
        if lines and len(lines[-1]) + 1 + len(told) <= _NAMES_WIDTH:
            lines[-1] += f" {told}"
        else:
            lines.append(f"  {told}")
    return Text("\n").join(styled(line) for line in lines)


def show_dig(console: Console, facts: DigFacts) -> None:
    """Print what works hit: circuits lost first, then those left with one path.

    Parameters
    ----------
    console : rich.console.Console
    facts : DigFacts
        What `dig --json` writes.
    """
    counts = facts["summary"]
    answer = works_answer(facts)
    console.print(styled(f"{answer[:1].upper()}{answer[1:]}.", "bold"))
    console.print(styled(facts["study"], "dim"))
    hits = [f"{one['kind'] or one['role']} {one['asset']}" for one in facts["hits"]]
    console.print(styled(f"Hit: {few(hits, MOST_NAMED) or 'nothing on record'}"))
    if facts["hours"] is not None:
        console.print(styled(lasting_said(facts)))
    if facts["cables"]:
        cut = [
            f"{one['cable']} ({words.count_of(len(one['links']), 'link')})"
            for one in facts["cables"]
        ]
        console.print(styled(f"Cables cut: {few(cut, MOST_NAMED)}"))
    touched = [one for one in facts["circuits"] if one["state"] != "untouched" or one["weakened"]]
    table = row_table()
    for one in touched:
        table.add_row(
            styled(f"  {one['id']}"),
            styled(*_dig_state(one)),
            styled(_circuit_words(one)),
        )
    if touched:
        console.print(table)
    for what, rows in (("group", facts["groups"]), ("scheme", facts["schemes"])):
        for row in rows:
            if row["state"] != "untouched":
                console.print(styled(f"  {what} {row['id']}: {_together_words(row)}"))
    weakened = sum(bool(one["weakened"]) for one in facts["circuits"] if _runs_whole(one))
    some = f", {weakened} of them weakened" if weakened else ""
    console.print(styled(f"{counts['untouched']} untouched{some}", "dim"))
    _next(console, facts)
    _resplice(console, facts["resplice"])
    for note in facts["area"]["notes"]:
        console.print(styled(f"note: {note}", "dim"))
    console.print()
    for caution in facts["notice"]["cautions"]:
        console.print(styled(caution, "dim"))


_MOST_NEXT = 12


def _runs_whole(one: CircuitFacts) -> bool:
    return one["state"] == "untouched"


def _dig_state(one: CircuitFacts) -> tuple[str, str]:
    """The word for a circuit during works, and its style."""
    if one["weakened"] and _runs_whole(one):
        return "weakened", "bold"
    return one["state"], _STATE.get(one["state"], "bold")


def _together_words(row: GroupFacts | SchemeFacts) -> str:
    said = [row["state"]]
    if row["weakened"]:
        said.append(f"kept up by {few(row['weakened'], 4)}")
    if row["unknown"] and row["state"] not in ("unknown", "lost"):
        said.append(f"{few(row['unknown'], 4)} unknown")
    return "; ".join(said)


def _next(console: Console, facts: DigFacts) -> None:
    """Print the single things that are fatal while the works last, the worst first."""
    rows = words.next_rows(facts["next_events"])
    if rows:
        console.print()
        console.print(
            styled(
                "While this lasts, losing any one of these puts more out of service than before:",
                "bold",
            )
        )
        table = Table(box=None, padding=(0, 2, 0, 0))
        for head in ("any of", "kind", "also out of service"):
            table.add_column(head)
        table.add_column("", style="dim")
        for row in rows[:_MOST_NEXT]:
            groups = [f"group {name}" for name in row.groups]
            table.add_row(
                styled(few(row.assets, 3)),
                styled(few(row.kinds, 3)),
                styled(few([*row.lost, *groups], MOST_NAMED)),
                "a site as a whole" if row.end else "",
            )
        console.print(table)
        left = sum(len(row.assets) for row in rows[_MOST_NEXT:])
        if left:
            console.print(styled(f"and {left} more: --json lists them all", "dim"))
    if facts["unknown"]:
        console.print(styled(words.unknown_said(facts), "yellow"))


def _resplice(console: Console, places: Sequence[ResplicePlace]) -> None:
    """Print what to re-splice first, joint by joint and cable by cable."""
    if not places:
        return
    console.print()
    console.print(styled("Re-splice in this order:", "bold"))
    for place in places[:_MOST_PLACES]:
        console.print(styled(f"  {words.resplice_place(place)}"))
        steps = words.resplice_steps(place)
        for step in steps[:_MOST_STEPS_THERE]:
            tray = f"tray {step.tray}, " if step.tray else ""
            console.print(styled(f"    {step.carries}: {tray}{step.fibres}"))
        if len(steps) > _MOST_STEPS_THERE:
            more = len(steps) - _MOST_STEPS_THERE
            console.print(styled(f"    and {more} more: --json lists them all", "dim"))
        for said in words.resplice_unknown(place):
            console.print(styled(f"    {said}", "dim"))
    if len(places) > _MOST_PLACES:
        left = len(places) - _MOST_PLACES
        console.print(styled(f"  and {left} more places: --json lists them all", "dim"))


def _circuit_words(one: CircuitFacts) -> str:
    said = []
    if one["cut"]:
        said.append(f"{sentence_list(one['cut'])} cut")
    if one["within_limits"] is False and (one["cut"] or one["out"]):
        said.append("the path still in service is outside a limit")
    if one["touched"] and one["running"] and one["within_limits"] is None:
        said.append("whether its limits are then kept is not known")
    if one["weakened"]:
        said.append(f"kept up by {few(one['weakened'], 4)}")
    if one["next"] and one["state"] != "untouched":
        said.append(f"would be lost with any of {few(one['next'], 4)}")
    if one["gaps"] and one["state"] != "lost":
        said.append(f"{words.count_of(words.gap_count(one['gaps']), 'record gap')} on its paths")
    return "; ".join(said)


def show_comparison(console: Console, facts: ComparisonFacts) -> None:
    """Print what changed between two studies, the worse first.

    Parameters
    ----------
    console : rich.console.Console
    facts : ComparisonFacts
        What `compare --json` writes.
    """
    before, after = facts["before"], facts["after"]
    console.print(styled(f"{before['study']} against {after['study']}", "bold"))
    console.print(styled(compare_words.comparison_answer(facts), "bold"))
    if facts["signed"] is not None:
        from waysapart.report.audit_words import signatures_answer

        console.print(styled(signatures_answer(facts), "bold"))
    if facts["proposal"] is not None:
        console.print(styled(compare_words.proposal_said(facts["proposal"])))
    if facts["unread"]:
        console.print(styled(compare_words.unread_said(facts["unread"]), "bold yellow"))
    for line in compare_words.audit_heads(facts):
        console.print(styled(line))
    if facts["nothing_changed"]:
        return
    _changed(console, compare_words.changed_in_order(facts), causes=facts["proposal"] is None)
    meetings = compare_words.meetings_said(facts["passes"], facts["beside"])
    if meetings:
        console.print()
        console.print(styled("New plant that meets plant that is there", "bold"))
        _some_lines(console, meetings)
    quiet = [compare_words.same_said(facts), less_on_record_said(facts["circuits"])]
    if any(quiet) or facts["rules"] or facts["records"]:
        console.print()
    for line in filter(None, quiet):
        console.print(styled(line))
    for line in compare_words.differing_rules_said(facts):
        console.print(styled(line))
    if facts["proposal"] is None and facts["records_changed"] is not None:
        for line in compare_words.records_said(facts):
            console.print(styled(line))
        return
    for role, change in (facts["records"] or {}).items():
        counts = {what: len(change[what]) for what in ("added", "removed", "changed")}
        told = [f"{count} {what}" for what, count in counts.items() if count]
        if told:
            console.print(styled(f"Records of {role}: {', '.join(told)}", "dim"))


def _changed(
    console: Console, rows: Sequence[tuple[str, str, DifferenceFacts]], *, causes: bool
) -> None:
    """Circuits, groups and schemes that changed, under a heading for each change.

    `causes`: with what their paths rely on now, and what of the records may be why.
    """
    for heading in dict.fromkeys(change for change, _, _ in rows):
        mine = [(what, row) for change, what, row in rows if change == heading]
        console.print()
        style = f"bold {_CHANGE.get(heading, '')}".replace("bold bold", "bold")
        console.print(styled(heading.capitalize(), style.strip()))
        within = heading == compare_words.WITHIN
        table = row_table()
        alike: dict[tuple[str, ...], list[str]] = {}
        for what, row in mine:
            verdicts = (
                row["after"] or ""
                if row["before"] == row["after"]
                else f"{row['before'] or '-'} to {row['after'] or '-'}"
            )
            why = [compare_words.within_said(row)] if within else compare_words.reasons_said(row)
            if causes:
                why += [*compare_words.reliances_said(row), *compare_words.causes_said(row)]
            name = f"{what} {row['id']}" if what else row["id"]
            alike.setdefault((verdicts, *why), []).append(name)
        rows_alike = list(alike.items())
        shown = rows_alike[:_MOST_WITHIN] if within else rows_alike
        for (verdicts, *why), names in shown:
            table.add_row(
                names_cell(names), styled(verdicts), Text("\n").join(styled(text) for text in why)
            )
        console.print(table)
        if left := sum(len(names) for _, names in rows_alike[len(shown) :]):
            console.print(styled(f"  and {left} more"))


def _some_lines(console: Console, lines: Sequence[str]) -> None:
    for line in lines[:_MOST_MEETINGS]:
        console.print(styled(f"  {line}"))
    if len(lines) > _MOST_MEETINGS:
        console.print(styled(f"  and {len(lines) - _MOST_MEETINGS} more"))


def show_worst(console: Console, facts: WorstFacts, top: int = 10) -> None:
    """Print the single events, pairs and places that put most circuits out of service.

    Parameters
    ----------
    console : rich.console.Console
    facts : WorstFacts
        What `worst --json` writes.
    top : int
        How many of the largest sets to print, where they were asked for.
    """
    console.print(styled(f"{facts['study']}: the events that put most out of service", "bold"))
    table = Table(box=None, padding=(0, 2, 0, 0), title_justify="left")
    for head in ("single event", "kind", "lost", "exposed", "min/a"):
        table.add_column(head, justify="right" if head in ("lost", "exposed", "min/a") else "left")
    for one in facts["events"]:
        table.add_row(
            styled(one["asset"]),
            styled(one["kind"] or one["role"]),
            str(one["lost"]),
            str(one["exposed"]),
            _minutes(one),
        )
    console.print(table)
    console.print()
    pairs = Table(box=None, padding=(0, 2, 0, 0))
    pairs.add_column("two events together")
    pairs.add_column("lost", justify="right")
    pairs.add_column("circuits")
    for pair in facts["pairs"]:
        pairs.add_row(
            styled(" + ".join(pair["assets"])),
            str(pair["lost"]),
            styled(few(pair["circuits"], MOST_NAMED)),
        )
    console.print(pairs)
    console.print()
    zones = "with" if facts["everything"] else "outside"
    radius = words.limit_said(facts["radius_m"], "m")
    console.print(styled(f"Places: circles of {radius} radius, {zones} the circuits' end zones"))
    console.print(_circles(facts["places"]))
    sets = facts["sets"]
    if sets is not None:
        shown = "" if len(sets) <= top else f"; the first {top}, all with --json"
        many = words.count_of(len(sets), "largest set", "largest sets")
        console.print()
        console.print(
            styled(f"{many} of segments that a circle of {radius} radius can take{shown}")
        )
        console.print(_circles(sets[:top]))
    if facts["unknown"]:
        console.print()
        console.print(styled(words.unknown_said(facts), "yellow"))


def _circles(rows: Sequence[RankedPlace | RegionFacts]) -> Table:
    """Circles, what they hit, and how many circuits that takes."""
    table = Table(box=None, padding=(0, 2, 0, 0))
    table.add_column("at")
    table.add_column("lost", justify="right")
    table.add_column("touched", justify="right")
    table.add_column("hits")
    for one in rows:
        table.add_row(
            position(one["at"]),
            str(one["lost"]),
            str(one["circuits"]),
            styled(few(one["hit"], 4)),
        )
    return table


def _minutes(event: RankedEvent) -> str:
    """Outage that an event causes, in minutes a year; `at least` where a rate is not known."""
    known = event["minutes_a_year"]
    if known is not None:
        return significant(known)
    return f"at least {significant(event['at_least']['minutes_a_year'])}"


def show_plan(console: Console, facts: WorksFacts) -> None:
    """Print works that must not overlap, the planned days, and the order that loses least.

    Parameters
    ----------
    console : rich.console.Console
    facts : WorksFacts
        What `dig --plan --json` writes.
    """
    console.print(
        styled(f"{facts['study']}: {words.count_of(len(facts['works']), 'work')}", "bold")
    )
    console.print(styled(plan_answer(facts), _plan_style(facts)))
    for clash in facts["clashes"]:
        console.print(styled(f"  {clash_said(clash)}", "red"))
    for one in words.closed_days_said(facts):
        console.print(styled(f"  {one}", "yellow"))
    said = words.clashes_said(facts)
    if said:
        console.print(styled(f"  {said}", "yellow"))
    nothing = "no circuit known to be lost" if facts["unknown"] else "no circuit lost"
    _periods(console, "As planned", facts["as_planned"], nothing)
    _periods(console, "Proposed", facts["proposed"], nothing)
    for note in facts["notes"]:
        console.print(styled(f"note: {note}", "dim"))


def _plan_style(facts: WorksFacts) -> str:
    """Green only where nothing is lost, outside a limit, or not known."""
    if not facts["loses_nothing"] or any(one["over_limit"] for one in facts["proposed"]):
        return "red"
    open_ = facts["unknown"] or any(one["limits_unknown"] for one in facts["proposed"])
    return "yellow" if open_ else "green"


def _periods(console: Console, title: str, periods: Sequence[PeriodFacts], nothing: str) -> None:
    console.print()
    console.print(styled(title, "bold"))
    table = row_table()
    for one in periods:
        days = one["from"] if one["from"] == one["to"] else f"{one['from']} to {one['to']}"
        lost = f"loses {few(one['lost'], MOST_NAMED)}" if one["lost"] else nothing
        table.add_row(
            styled(f"  {days}"),
            styled(sentence_list(one["works"])),
            styled(lost, "bold red" if one["lost"] else "green"),
            styled("; ".join(_period_words(one))),
        )
    console.print(table)


def _period_words(one: PeriodFacts) -> list[str]:
    told = (
        ("one path left", one["exposed"]),
        ("weakened", one["weakened"]),
        ("outside a limit", one["over_limit"]),
        ("limits not known", one["limits_unknown"]),
    )
    return [f"{what}: {few(names, MOST_NAMED)}" for what, names in told if names]
