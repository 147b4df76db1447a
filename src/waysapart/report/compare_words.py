"""What a comparison says in words, on the terminal and on its page alike.

The order is that of importance: what got worse, better, is new, is gone, then figures that changed
within their tolerance; what is the same is only counted.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from waysapart.figures import limit_said, metres, microseconds, plain_decibels, probability
from waysapart.report.words import (
    CHANGED,
    MOST_NAMED,
    NOTHING_CHANGED,
    changes_said,
    count_of,
)
from waysapart.text import few, sentence_list
from waysapart.whatif.changes import DifferenceFacts
from waysapart.whatif.compare import ComparisonFacts
from waysapart.whatif.differences import cell_said, value_said, waiver_said
from waysapart.whatif.proposal_plant import BesideFacts, PassFacts, ProposalContent
from waysapart.whatif.record_changes import RecordDifference

WITHIN = "changed within tolerance"
"""What is called the same, though a figure or a finding differs."""
_MOST_FIGURES = 3
_MOST_REASONS = 2


# --- The answer in one sentence, then the counts.


def comparison_answer(facts: ComparisonFacts) -> str:
    """Say in one sentence what gets worse, or that nothing does, then count the changes.

    Parameters
    ----------
    facts : ComparisonFacts

    Returns
    -------
    str
        `C04 becomes shared: B1-P08 newly shared. Circuits: 1 worse, 0 better, 32 same.`, or
        `Nothing gets worse: 12 better, 21 same. C01, C02 and 10 more become apart.`
    """
    if facts["nothing_changed"]:
        return NOTHING_CHANGED
    counts = facts["summary"]
    rows = [
        (f"{what} {row['id']}".strip(), row)
        for what, some in (
            ("", facts["circuits"]),
            ("group", facts["groups"]),
            ("scheme", facts["schemes"]),
        )
        for row in some
    ]
    worse = [told for told in rows if told[1]["change"] == "worse"]
    better = [told for told in rows if told[1]["change"] == "better"]
    if worse:
        more = [
            f"{count_of(counts[key], what)} worse"
            for key, what in (("groups_worse", "group"), ("schemes_worse", "scheme"))
            if counts[key]
        ]
        first = _becomes(worse, "gets worse", "get worse")
        if rows_named := re.match("(group|scheme) ", first):
            first = rows_named[0].capitalize() + first[rows_named.end() :]
        return f"{first}. Circuits: {'; '.join([changes_said(counts), *more])}."
    said = f"Nothing gets worse: {changes_said(counts).removeprefix('0 worse, ')}."
    return f"{said} {_becomes(better, 'gets better', 'get better')}." if better else said


def _becomes(rows: Sequence[tuple[str, DifferenceFacts]], one: str, many: str) -> str:
    """What each of some rows becomes; of a single one also why."""
    together: dict[str | None, list[str]] = {}
    for name, row in rows:
        changed = row["before"] and row["after"] and row["before"] != row["after"]
        together.setdefault(row["after"] if changed else None, []).append(name)
    said = []
    for verdict, names in together.items():
        if verdict is None:
            verb = one if len(names) == 1 else many
        else:
            verb = f"{'becomes' if len(names) == 1 else 'become'} {verdict}"
        said.append(f"{sentence_list(names, most=MOST_NAMED)} {verb}")
    why = _why(rows[0][1]) if len(rows) == 1 else ""
    return "; ".join(said) + (f": {why}" if why else "")


_NEWLY = re.compile(r"(newly \w+|no longer [\w ]+|silent when it falls): (.*)", re.DOTALL)


def _why(row: DifferenceFacts) -> str:
    """The first reasons for a change: `B1-P08 newly shared, closest approach 12.0 m to 0 m`."""
    verdicts = f"{row['before']} to {row['after']}"
    texts = row["worse"] if row["change"] == "worse" else row["better"]
    told = [text for text in texts if text != verdicts]
    return ", ".join(_NEWLY.sub(r"\2 \1", text) for text in told[:_MOST_REASONS])


# --- What the proposal holds, and what was not read.

_ONE_AND_MANY = {
    "supplies": ("supply", "supplies"),
    "equipment": ("piece of equipment", "pieces of equipment"),
    "patches": ("patch cord", "patch cords"),
    "cable_runs": ("course of a cable", "courses of cables"),
    "link_runs": ("course of a link", "courses of links"),
    "circuit_paths": ("path of a circuit", "paths of circuits"),
    "ring_circuits": ("circuit on a ring", "circuits on rings"),
}
"""Names of roles whose rows are steps, or whose plural is no s."""


def rows_said(role: str, number: int) -> str:
    """A number of rows of a role, such as `3 structures` or `1 course of a cable`.

    Parameters
    ----------
    role : str
    number : int

    Returns
    -------
    str
    """
    one, many = _ONE_AND_MANY.get(role, (role.removesuffix("s"), role))
    return count_of(number, one, many)


def proposal_said(proposal: ProposalContent | None) -> str:
    """Say what a proposal adds, replaces and removes.

    Parameters
    ----------
    proposal : ProposalContent or None

    Returns
    -------
    str
        `From this proposal: 3 structures, 4 segments; replaced: 1 course of a cable; removed:
        1 segment`; '' where there is no proposal.
    """
    if proposal is None:
        return ""
    told = []
    for key, said in (("added", ""), ("replaced", "replaced: "), ("removed", "removed: ")):
        counts = [
            rows_said(role, len(names))
            for role, rows in proposal["rows"].items()
            if (names := rows[key])  # type: ignore[literal-required]
        ]
        if counts:
            told.append(said + ", ".join(counts))
    return f"From this proposal: {'; '.join(told) or 'no rows'}"


def unread_said(unread: Sequence[str]) -> str:
    """Name the files that lie with a study and that nothing reads.

    Parameters
    ----------
    unread : sequence of str

    Returns
    -------
    str
        '' where there are none.
    """
    if not unread:
        return ""
    count = "It counts" if len(unread) == 1 else "They count"
    return (
        f"Not read: {sentence_list(list(unread), most=12)}. {count} for nothing: name what is to "
        "count with [[layer]] in study.toml"
    )


# --- New plant that meets old plant.

_NEW = {
    "segment": "new {segment} passes {structure}",
    "structure": "{segment} passes the new {structure}",
    "both": "new {segment} passes the new {structure}",
    "neither": "{segment} passes {structure}, as recorded now",
}


def pass_said(one: PassFacts) -> str:
    """Say which structure a segment passes, how near, and which circuits rely on that.

    Parameters
    ----------
    one : PassFacts

    Returns
    -------
    str
        `new NB-D3 passes B1-P08 at 0.4 m: relied on by C07`
    """
    said = _NEW[one["new"]].format(segment=one["segment"], structure=one["structure"])
    relied = one["circuits"]
    by = f"relied on by {few(relied, MOST_NAMED)}" if relied else "no circuit runs there"
    return f"{said} at {metres(one['distance_m'])}: {by}"


def beside_said(one: BesideFacts) -> str:
    """Say which new segment runs beside old plant of another path, how near and how far.

    Parameters
    ----------
    one : BesideFacts

    Returns
    -------
    str
    """
    limit = "" if one["limit_m"] is None else f", {limit_said(one['limit_m'], 'm')} required"
    waived = ", accepted by a waiver" if one["waived"] else ""
    return (
        f"{one['circuit']}: new {one['segment']} runs beside {one['beside']} of another path, "
        f"{metres(one['distance_m'])} from it{limit}, for {metres(one['length_m'])}{waived}"
    )


# --- What changed, in order.


def changed_in_order(facts: ComparisonFacts) -> list[tuple[str, str, DifferenceFacts]]:
    """Circuits, groups and schemes that changed, in the order of importance.

    Parameters
    ----------
    facts : ComparisonFacts

    Returns
    -------
    list of tuple
        The change (`WITHIN` where only figures within their tolerance differ), '' or group or
        scheme, and the row.
    """
    every = [
        (row["change"] if row["change"] in CHANGED else WITHIN, what, row)
        for what, rows in (
            ("", facts["circuits"]),
            ("group", facts["groups"]),
            ("scheme", facts["schemes"]),
        )
        for row in rows
        if row["change"] in CHANGED or row["differs"] or row["moved"]
    ]
    order = (*CHANGED, WITHIN)
    return sorted(every, key=lambda told: order.index(told[0]))


def same_said(facts: ComparisonFacts) -> str:
    """Count what is the same to the last figure: `The same: 31 circuits, 2 groups`.

    Parameters
    ----------
    facts : ComparisonFacts

    Returns
    -------
    str
        '' where nothing is.
    """
    counts = [
        count_of(number, what)
        for what, rows in (
            ("circuit", facts["circuits"]),
            ("group", facts["groups"]),
            ("scheme", facts["schemes"]),
        )
        if (
            number := sum(
                row["change"] == "same" and not row["differs"] and not row["moved"] for row in rows
            )
        )
    ]
    return f"The same: {', '.join(counts)}" if counts else ""


def reasons_said(row: DifferenceFacts) -> list[str]:
    """Why a row changed: what is worse, then `but better: ...` or what it costs.

    Parameters
    ----------
    row : DifferenceFacts

    Returns
    -------
    list of str
        One line each, without the change of verdict that stands beside them.
    """
    verdicts = f"{row['before']} to {row['after']}"
    said = [text for text in row["worse"] if text != verdicts]
    but = "but better: " if row["worse"] else ""
    said += [but + text for text in row["better"] if row["worse"] or text != verdicts]
    if row["costs"]:
        said.append(f"at the cost of: {'; '.join(row['costs'])}")
    return said


def within_said(row: DifferenceFacts) -> str:
    """The figures and findings of a row that differ within their tolerance.

    Parameters
    ----------
    row : DifferenceFacts

    Returns
    -------
    str
    """
    told = [
        f"{figure_name(name)} {' to '.join(figures_said(name, two))}"
        for name, two in row["figures"].items()
    ]
    for key, said in (("near", "near pairs"), ("gaps", "record gaps")):
        if row["came"].get(key) or row["went"].get(key):
            told.append(f"other {said} of the same number")
    if not told and row["moved"]:
        told = [f"details of {_aspects_said(row['moved'])}"]
    return few(told, _MOST_FIGURES, "; ")


# --- Why: the records, rules, waivers and days that differ.

_ASPECTS = {
    "shared": "what is shared",
    "near": "separation",
    "gaps": "record gaps",
    "waivers": "waivers",
    "paths": "paths",
    "relies": "what the paths rely on",
    "silent": "what falls with what it protects",
    "said": "name, ends or service",
    "length": "length",
    "loss": "loss",
    "delay": "delay",
    "recovery": "recovery time",
    "unavailability": "unavailability",
}
_MOST_CAUSES = 5
_MOST_IDS = 4


def _aspects_said(aspects: Sequence[str]) -> str:
    return sentence_list([_ASPECTS[one] for one in aspects])


def causes_said(row: DifferenceFacts) -> list[str]:
    """Say what may be why a circuit, group or scheme differs, a line each.

    Parameters
    ----------
    row : DifferenceFacts

    Returns
    -------
    list of str
        `because links.csv row 2, reserve_db: 1 to 3 (L1)`, or `one or more of these:` and the
        lines of these, with two blanks before each.
    """
    found = row["causes"]
    if len(found) == 1:
        one = found[0]
        if one["kind"] in ("program", "inputs"):
            return [one["text"]]
        return [f"{'because' if one['sure'] else 'may be because'} {one['text']}"]
    if found and all(one["sure"] for one in found):
        return [f"{_aspects_said(one['explains'])}: because {one['text']}" for one in found]
    told = [f"  {one['text']}" for one in found[:_MOST_CAUSES]]
    if len(found) > _MOST_CAUSES:
        told.append(f"  and {len(found) - _MOST_CAUSES} more: --json lists them")
    return ["because of one or more of these:", *told] if found else []


def reliances_said(row: DifferenceFacts) -> list[str]:
    """Say what the paths of a circuit rely on that they did not, a line for each path.

    Parameters
    ----------
    row : DifferenceFacts

    Returns
    -------
    list of str
        `main: relies on P4, D9; no longer on P2`
    """
    found = []
    for path in row["relies"]:
        told = [f"relies on {few(path['came'], _MOST_IDS)}"] if path["came"] else []
        if path["went"]:
            begin = "no longer on" if told else "relies no longer on"
            told.append(f"{begin} {few(path['went'], _MOST_IDS)}")
        found.append(f"{path['path']}: {'; '.join(told)}")
    return found


_MOST_RECORDS = 12


def records_said(facts: ComparisonFacts) -> list[str]:
    """Say which records differ and move nothing, and how many no circuit rests on.

    Parameters
    ----------
    facts : ComparisonFacts

    Returns
    -------
    list of str
        A line each; empty where no record differs, or the evidence holds none.
    """
    every = facts["records_changed"] or []
    still = [one for one in every if one["circuits"] and not one["explains"]]
    idle = [one for one in every if not one["circuits"]]
    found = []
    if still:
        found.append(
            f"{count_of(len(still), 'record')} that circuits rest on {_differ(len(still))} and "
            f"{'moves' if len(still) == 1 else 'move'} nothing:"
        )
        found += [f"  {record_said(one)}" for one in still[:_MOST_RECORDS]]
        if len(still) > _MOST_RECORDS:
            found.append(f"  and {len(still) - _MOST_RECORDS} more: --json lists them")
    if idle:
        counts: dict[tuple[str, str], int] = {}
        for one in idle:
            counts[one["role"], one["change"]] = counts.get((one["role"], one["change"]), 0) + 1
        told = [f"{number} {change} in {role}" for (role, change), number in counts.items()]
        found.append(
            f"{count_of(len(idle), 'record')} that no circuit rests on {_differ(len(idle))}: "
            f"{', '.join(told)}"
        )
    return found


def _differ(number: int) -> str:
    return "differs" if number == 1 else "differ"


def record_said(one: RecordDifference) -> str:
    """Say where a record stands and what of it differs.

    Parameters
    ----------
    one : RecordDifference

    Returns
    -------
    str
        `links.csv row 2, reserve_db: 1 to 3 (L1)`
    """
    layer = f" ({one['layer']})" if one["layer"] else ""
    row = "" if one["row"] is None else f" row {one['row']}"
    place = f"{one['file'] or one['role']}{layer}{row}"
    if one["change"] != "changed":
        return f"{place}: {one['id']} was {one['change']}"
    return f"{place}, {'; '.join(cell_said(cell) for cell in one['cells'])} ({one['id']})"


def audit_heads(facts: ComparisonFacts) -> list[str]:
    """What differs beside the plant: the program, the day, and whether records can be compared.

    Parameters
    ----------
    facts : ComparisonFacts

    Returns
    -------
    list of str
    """
    before, after = facts["before"], facts["after"]
    found = []
    if before["waysapart"] != after["waysapart"]:
        found.append(f"The program differs: {before['waysapart']}, now {after['waysapart']}")
    if before["on"] != after["on"] and before["on"] is not None:
        found.append(f"Judged on {after['on']}, before on {before['on']}")
    if facts["records_missing"]:
        files = [one["file"] for one in facts["inputs"]]
        told = (
            f"input files that differ: {few(files, MOST_NAMED)}"
            if files
            else "no input file differs"
        )
        whose = " and ".join(facts["records_missing"])
        found.append(
            f"The evidence {whose} holds no records, so which of them differ is not known; {told}"
        )
    elif facts["inputs"] and not facts["records_changed"] and not facts["rules"]:
        files = [one["file"] for one in facts["inputs"]]
        found.append(f"No record differs, though these files do: {few(files, MOST_NAMED)}")
    return found


def differing_rules_said(facts: ComparisonFacts) -> list[str]:
    """Say which rules, shipped defaults, settings and waivers differ, a line for each kind.

    Parameters
    ----------
    facts : ComparisonFacts

    Returns
    -------
    list of str
    """
    found = []
    for kind, said in (
        ("rule", "Rules that differ"),
        ("default", "Shipped defaults that differ"),
        ("used", "Values that are used on one side alone"),
    ):
        told = [
            f"{row['key']} {value_said(row['before'])} to {value_said(row['after'])}"
            for row in facts["rules"]
            if row["kind"] == kind
        ]
        if told:
            found.append(f"{said}: {few(told, MOST_NAMED, '; ')}")
    told = [
        f"{row['key']} {value_said(row['before'])} to {value_said(row['after'])}"
        for row in facts["settings"]
    ]
    if told:
        found.append(f"Settings that differ: {few(told, MOST_NAMED, '; ')}")
    days = facts["before"]["on"], facts["after"]["on"]
    told = [f"{row['circuit']}, {waiver_said(row, *days)}" for row in facts["waivers"]]
    if told:
        found.append(f"Waivers that differ: {few(told, MOST_NAMED, '; ')}")
    return found


# --- Names of figures.

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
    "blank_within": "assets without a record of what they lie within",
}
_UNITS = {"m": "m", "us": "µs", "db": "dB"}


def figure_name(name: str) -> str:
    """A figure's name in words.

    Parameters
    ----------
    name : str
        A key of `figures` in `compare --json`.

    Returns
    -------
    str

    Examples
    --------
    >>> figure_name("main_delay_us"), figure_name("closest_m")
    ('main: delay', 'closest approach')
    """
    if name in _WHOLE:
        return _WHOLE[name]
    for ending, said in _NAMES.items():
        if name.endswith(f"_{ending}"):
            return f"{name.removesuffix(f'_{ending}')}: {said}"
    if name.startswith("unavailability_"):
        return f"unavailability: {name.partition('_')[2].replace('_', ' ')}"
    return name.replace("_", " ")


_SAY: Mapping[str, Callable[[float], str]] = {
    "m": metres,
    "us": microseconds,
    "db": lambda value: f"{plain_decibels(value)} dB",
}


def figures_said(name: str, two: Mapping[str, Any]) -> tuple[str, str]:
    """A figure before and after, as it is written everywhere; more digits where they look alike.

    Parameters
    ----------
    name : str
        A key of `figures` in `compare --json`.
    two : mapping
        Its values `before` and `after`: a number, a list of numbers, or None.

    Returns
    -------
    (str, str)

    Examples
    --------
    >>> figures_said("closest_m", {"before": 12.04, "after": None})
    ('12.0 m', 'not known')
    >>> figures_said("main_length_m", {"before": 16085.708, "after": 16085.9})
    ('16085.708 m', '16085.9 m')
    """
    unit = name.rpartition("_")[2]
    share: Callable[[float], str] = probability if name.startswith("unavailability_") else str
    say = _SAY.get(unit, share)
    said = [_said(two[when], say) for when in ("before", "after")]
    if said[0] == said[1]:
        named = _UNITS.get(unit, "")
        said = [
            _said(two[when], lambda value: f"{value:.8g} {named}".rstrip())
            for when in ("before", "after")
        ]
    return said[0], said[1]


def _said(value: Any, say: Callable[[float], str]) -> str:
    if isinstance(value, list):
        return ", ".join(_said(one, say) for one in value)
    return "not known" if value is None else say(value)


def meetings_said(passes: Iterable[PassFacts], beside: Iterable[BesideFacts]) -> list[str]:
    """Where new plant passes or runs beside old plant, a line each.

    Parameters
    ----------
    passes : iterable of PassFacts
    beside : iterable of BesideFacts

    Returns
    -------
    list of str
        Without what is new on both sides, and what lies next to a structure that is shared and
        told as such.
    """
    return [
        *(pass_said(one) for one in passes if one["new"] != "both"),
        *(beside_said(one) for one in beside if one["under"] is None),
    ]
