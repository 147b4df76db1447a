"""What `check` and `prove` print, in the order of importance."""

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
from waysapart.report import words
from waysapart.report.escape import terminal_text
from waysapart.report.fold import Finding, folded
from waysapart.shown import few, sentence_list
from waysapart.verdicts.offers import offer_toml, replaced
from waysapart.verdicts.waivers import LAPSES_SOON_DAYS

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


def styled(text: object, style: str = "") -> Text:
    """Text of a layer, made safe for a terminal."""
    return Text(terminal_text(str(text)), style=style)


def show_problems(console: Console, problems: Iterable[Problem]) -> None:
    """Every problem of the input on a line of its own, under the file that it is in."""
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
    """Record gaps with what they bear on and what to do, a few of each kind."""
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
    """The message of a gap, with where its row stands where the gap tells."""
    said = styled(gap["message"])
    place = words.place_said(cast(RecordGap, gap)) if "file" in gap else ""
    return said.append_text(styled(f" [{place}]", "dim")) if place else said


def show_record_first(console: Console, first: RecordFirst, most: int = 8) -> None:
    """Which records to enter first, as a short list; nothing where none decides anything."""
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


def show_proof(console: Console, facts: Evidence, *, quiet: bool = False) -> None:
    """A proof at most a screen long where all is well; what needs a decision first."""
    counts = facts["summary"]
    head = facts["study"] + (f", revision {facts['revision']}" if facts["revision"] else "")
    console.print(styled(head, "bold"))
    console.print(styled(_answer(facts)))
    parts = [
        Text(f"{counts[verdict]} {verdict}", _STYLE[verdict] if counts[verdict] else "dim")
        for verdict in words.VERDICTS
    ]
    over = counts["over_a_limit"]
    parts.append(Text(f"{over} over a limit", "bold red" if over else "dim"))
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
    """Circuits that are silent, or must switch, when what they protect falls."""
    silent = [one for one in circuits if words.silent_with(one)]
    taken = sum(bool(one["with_protected"]) for one in circuits) - len(silent)
    if not silent and not taken:
        return
    console.print()
    console.print(styled("When what they protect falls", "bold"))
    for one in silent[:_MOST_SILENT]:
        said = sentence_list(words.silent_with(one))
        console.print(styled(f"  {one['id']} is silent when {said} falls", "bold red"))
    if len(silent) > _MOST_SILENT:
        left = len(silent) - _MOST_SILENT
        console.print(styled(f"  and {left} more: --json and the report list all"))
    if taken:
        verb = "loses" if taken == 1 else "lose"
        besides = " other" if silent else ""
        console.print(
            styled(
                f"  {taken}{besides} {verb} a way with it and {'keeps' if taken == 1 else 'keep'} "
                "one: --circuit tells how each stands then"
            )
        )


def _show_to_sign(console: Console, facts: Evidence) -> None:
    """What the rules say in place of the records: somebody has to sign that it holds."""
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
    """Waivers that do not count, with the reason, and those that soon will not."""
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
    """Blocks for rules.toml that accept what stands against some circuits and groups."""
    offers = [offer for one in judged for offer in one["waivers_offered"]]
    if not offers:
        return
    console.print()
    console.print(styled("To accept what stands, sign these in rules.toml", "bold"))
    for offer in offers[:_MOST_OFFERS]:
        console.print()
        if offer["within"] is not None:
            console.print(styled(f"# accepts {offer['covers']} findings", "dim"))
        before = replaced(offer, waivers)
        if before is not None:
            console.print(styled(f"# takes the place of one that does not count: {before}", "dim"))
        for line in offer_toml(offer).splitlines():
            console.print(styled(line), soft_wrap=True)
    if len(offers) > _MOST_OFFERS:
        console.print()
        console.print(
            styled(
                f"and {len(offers) - _MOST_OFFERS} more: --json lists all. One waiver can cover "
                "all that lies in a thing, such as a line: record it as a holder, and in `within` "
                "of each span and tower",
                "dim",
            )
        )


def _in_rows(console: Console, parts: Sequence[Text]) -> None:
    """Parts beside each other, a new line before one that would be broken."""
    line = Text("  ")
    for part in parts:
        if line.cell_len > 2 and line.cell_len + 3 + part.cell_len > console.width:
            console.print(line)
            line = Text("  ")
        line.append("   " if line.cell_len > 2 else "")
        line.append_text(part)
    console.print(line)


def show_circuit(console: Console, facts: Evidence, name: str) -> None:
    """One circuit or group with all that its verdict rests on."""
    group = next((one for one in facts["groups"] if one["id"] == name), None)
    if group is None:
        circuit = next(one for one in facts["circuits"] if one["id"] == name)
        _circuit(console, circuit, {one["id"]: one for one in facts["links"]})
        return
    console.print(styled(name, "bold"))
    console.print(_verdict_line(group, words.group_finding(group)))
    _found(console, group)
    down = group["unavailability"]
    _time_down(console, [f"all at once {words.unavailable(down, 'all')}"], down["why"])
    _at_the_ends(console, group)
    show_gaps(console, group["gaps"])


def _circuit(console: Console, circuit: Circuit, links: words.Links) -> None:
    called = f" {circuit['name']}" if circuit["name"] else ""
    console.print(styled(f"{circuit['id']}{called}", "bold"))
    console.print(_verdict_line(circuit, words.finding(circuit, links)))
    losses = words.link_losses(circuit, links)
    for label, path in circuit["paths"].items():
        listed = " - ".join(path["links"]) or "no link on record"
        said = f"{words.lengths_said(path)}, {words.figure(path, 'delay_us')} one way"
        console.print(styled(f"  {label}: {listed}; {said}"))
        for why in dict.fromkeys([*path["length_why"], *path["delay_why"]]):
            console.print(styled(f"    not known: {why}", "yellow"))
        for loss in losses:
            if loss.path == label:
                lost = words.decibels(loss.link, "loss")
                kept = words.decibels(loss.link, "margin")
                console.print(
                    styled(
                        f"    {loss.row['link']}: loss {lost}, margin {kept}",
                        "red" if loss.row["ok"] is False else "",
                    )
                )
    _found(console, circuit)
    down = circuit["unavailability"]
    shares = [f"{label} {words.unavailable(down, label)}" for label in circuit["paths"]]
    shares.append(f"both at once {words.unavailable(down, 'both')}")
    _time_down(console, shares, down["why"])
    _at_the_ends(console, circuit)
    if circuit["tail"]:
        console.print(styled(f"  runs through the tail: {sentence_list(circuit['tail'])}"))
    for text, _ in words.own_line_said(circuit):
        console.print(styled(f"  {text}", "bold" if text.startswith("silent") else ""))
    if circuit["blank_within"]:
        console.print(
            styled(
                f"  {words.count_of(circuit['blank_within'], 'asset')} on its ways without a "
                "record of what they lie within"
            )
        )
    show_gaps(console, circuit["gaps"])


def _found(console: Console, one: Circuit | Group) -> None:
    """What is shared, near and crossing, and the closest approach."""
    for found in folded(one):
        _shared(console, found)
    for near in one["near"]:
        console.print(
            styled(
                f"  near: {near['main']} and {near['alternate']} run {near['distance_m']:.1f} m "
                f"apart over {words.metres(near['length_m'])}"
            )
        )
    for cross in one["cross"]:
        console.print(styled(f"  cross: {cross['main']} and {cross['alternate']}"))
    console.print(styled(f"  closest approach: {_closest(one)}"))


def _time_down(console: Console, shares: Sequence[str], why: Sequence[str]) -> None:
    console.print(styled(f"  share of the time down: {sentence_list(shares)}"))
    for reason in why[:_MOST_REASONS]:
        console.print(styled(f"    not on record of it: {reason}"))


def _at_the_ends(console: Console, one: Circuit | Group) -> None:
    needed = sentence_list(one["unavoidable"]) or "-"
    console.print(styled(f"  shared at the ends by necessity: {needed}"))


def _shared(console: Console, found: Finding) -> None:
    """One shared thing, or a stretch of them, with the chains that lead to it."""
    waived = ", accepted by waiver" if found.waived else ""
    console.print(styled(f"  shared: {found.label}{waived}"))
    if len(found.members) > 1:
        console.print(styled(f"    all: {_some(found.members)}", "dim"))
    if found.places:
        console.print(styled(f"    with their structures {_some(found.places)}", "dim"))
    if found.holders:
        console.print(styled(f"    and what holds it: {_some(found.holders)}", "dim"))
    for label, chain in found.via.items():
        where = words.along_said(found.along.get(label))
        place = f", {where}" if where else ""
        console.print(styled(f"    {label} by {' > '.join(chain)}{place}", "dim"))


def _some(entries: Sequence[Shared]) -> str:
    return few([one["asset"] for one in entries], _MOST_NAMES)


def _closest(circuit: Circuit | Group) -> str:
    if circuit["closest_m"] is None:
        return "not examined (the end zones cover a whole way, or a way has no geometry)"
    between = circuit["closest"]
    return (
        f"{words.metres(circuit['closest_m'])} between {between['main']} and {between['alternate']}"
    )


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
