"""Sentences of the report: what was found, said in words."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

from waysapart.evidence import (
    Assumption,
    Circuit,
    Cross,
    Evidence,
    GapBrief,
    Group,
    HeldApart,
    HeldTo,
    JudgedWaiver,
    Link,
    Loss,
    LossTerms,
    Near,
    Path,
    PathLoss,
    RecordAge,
    RecordFirst,
    RecordGap,
    RecordStep,
    Verdict,
    WithProtected,
)
from waysapart.network.record_gaps import said_of_blanks
from waysapart.report.marks import folded, kind_of, plural
from waysapart.text import few, sentence_list
from waysapart.verdicts.waivers import LAPSES_SOON_DAYS

Figures = Mapping[str, Any]
"""Any part of the facts that holds figures by name."""
GapT = TypeVar("GapT", RecordGap, GapBrief)
Links = Mapping[str, Link]
"""What the facts say of each link, by its id."""

QUESTION = (
    "Do the paths of each protection circuit share anything physical that one event could put out "
    "of service, and does each path stay within its limits?"
)

_MONTHS = (
    *("January", "February", "March", "April", "May", "June", "July"),
    *("August", "September", "October", "November", "December"),
)

_COMPLETE = "The records are complete, and the paths share nothing beyond what their ends need."

VERDICTS: dict[Verdict, tuple[str, str]] = {
    "shared": (
        "shared",
        "The paths rely on the same asset, or come closer than the rules allow, and could avoid "
        "it.",
    ),
    "unproven": (
        "unproven",
        "Nothing shared was found, but the records have a gap on one of the paths. It may or may "
        "not be apart.",
    ),
    "accepted": (
        "accepted",
        "Everything that the paths share is accepted by a waiver that is still in force.",
    ),
    "apart": ("apart", _COMPLETE),
}


_AGED = {"survey": "surveys", "test": "measurements", "leased_route": "statements of leased routes"}


def age_line(age: RecordAge) -> str:
    """The ages of one kind of record, in a line."""
    said = f"{_AGED[age['what']]}: {age['dated']:,} dated"
    if age["oldest"] is not None:
        said += f", the oldest {age['oldest']} ({age['oldest_days']:,} days)"
    if age["limit_days"] is not None:
        said += f", {age['too_old']:,} older than the {age['limit_days']:,.0f} days allowed"
    return f"{said}; {age['undated']:,} undated" if age["undated"] else f"{said}; none undated"


def verdict_words(gaps: int, to_sign: int) -> dict[Verdict, tuple[str, str]]:
    """Every verdict with what it means in a study with so many gaps and assumptions to sign.

    The records are complete only where there is neither.
    """
    if to_sign:
        said = (
            "The paths share nothing beyond what their ends need. Their records are complete if "
            "the assumptions to sign hold: what the rules fill in for blanks, excuse or leave out."
        )
    elif gaps:
        said = (
            "No gap in the records touches its paths, and they share nothing beyond what their "
            "ends need."
        )
    else:
        said = _COMPLETE
    return {**VERDICTS, "apart": ("apart", said)}


def to_sign(facts: Evidence) -> list[Assumption]:
    """The assumptions that somebody has to sign."""
    return [row for row in facts["assumptions"] if row.get("to_sign")]


def assumption_said(row: Assumption) -> str:
    """An assumption to sign, in a sentence."""
    head, _, rest = row["key"].partition(".")
    value, count = row["value"], row.get("count", 0)
    if head == "records":
        column, _, kind = rest.partition(".")
        taken = value if isinstance(value, str) else f"{value:g} µs"
        return f"{said_of_blanks(column, kind, count)}: taken as {taken}"
    names = [str(name) for name in value]
    if head == "groups":
        return f"members of a group may share at their ends: {sentence_list(names)}"
    told = sentence_list(names, most=6)
    return f"{count_of(count, 'holder')} left out as too large to show a common risk: {told}"


def count_of(number: int, one: str, many: str | None = None) -> str:
    """`1 circuit`, `3 circuits`; `no circuits` where there are none."""
    words = one if number == 1 else (many or one + "s")
    return f"{number or 'no'} {words}"


def records_to_enter(step: RecordStep) -> str:
    """What one step of the work list enters: `within of D-4 and D-7 (segments)`.

    Where no single column is blank, what to do: `enter the missing segment (UC-6 in cables)`.
    """
    said = []
    for some in step["records"]:
        names, layer = sentence_list(some["ids"], most=6), some["layer"]
        if some["column"]:
            what = f"{some['column']} of {names}"
            said.append(f"{what} ({layer})" if layer else what)
        else:
            said.append(f"{some['action']} ({names} in {layer})" if layer else some["action"])
    return "; ".join(said)


def step_decides(step: RecordStep) -> str:
    """What the records of one step decide: `C03, C07 and group G1; the limits of C05`.

    `C09 and its limits` where the same records decide both.
    """
    if step["decides"] == step["limits"] and not step["groups"]:
        its = "its" if len(step["decides"]) == 1 else "their"
        return f"{sentence_list(step['decides'], most=8)} and {its} limits"
    decided = [*step["decides"], *(f"group {name}" for name in step["groups"])]
    parts = [sentence_list(decided, most=8)] if decided else []
    if step["limits"]:
        parts.append(f"the limits of {sentence_list(step['limits'], most=8)}")
    return "; ".join(parts)


def work_said(first: RecordFirst) -> str:
    """What the whole work list comes to, and how it was found."""
    steps = first["steps"]
    records = count_of(sum(step["count"] for step in steps), "record")
    circuits = {name for step in steps for name in step["decides"]}
    limits = {name for step in steps for name in step["limits"]}
    groups = sum(len(step["groups"]) for step in steps)
    parts = [count_of(len(circuits), "circuit")] if circuits else []
    parts += [count_of(groups, "group")] if groups else []
    parts += [f"the limits of {count_of(len(limits), 'circuit')}"] if limits else []
    how = (
        "The order is exact: it decides the most with the fewest records."
        if first["exact"]
        else "The order is greedy: another may decide as much with fewer records."
    )
    said = f"{records} in all, to decide {sentence_list(parts)}. {how}"
    left = [sentence_list(first["left"], most=6)] if first["left"] else []
    if first["limits_left"]:
        left.append(f"the limits of {sentence_list(first['limits_left'], most=6)}")
    return f"{said} None of them decides {' or '.join(left)}." if left else said


def answer(counts: Mapping[str, int]) -> str:
    """The answer to the question, in one sentence.

    Parameters
    ----------
    counts : mapping
        Number of circuits under each verdict, `over_limit`, `unknown_limit` and `total`;
        `groups_shared` and `groups_unproven` where there are groups, `to_sign` where the
        answer rests on assumptions that somebody has to sign.
    """
    total = counts["total"]
    groups = _groups_said(counts)
    if total == 0:
        return "The study has no circuits, so there is nothing to judge."
    faults = [
        (counts["shared"], "shares plant between its paths", "share plant between their paths"),
        (counts["over_limit"], "is over a limit", "are over a limit"),
        (counts["unproven"], "cannot be proven from the records", ""),
        (counts["unknown_limit"], "cannot be checked against every limit", ""),
    ]
    said = [
        f"{number} {one if number == 1 or not many else many}"
        for number, one, many in faults
        if number
    ]
    if not said:
        accepted = f", {counts['accepted']} of them by waiver" if counts["accepted"] else ""
        subject = "The one circuit is" if total == 1 else f"All {total} circuits are"
        well = f"{subject} apart or accepted{accepted}, and within the limits"
        to_sign = counts.get("to_sign", 0)
        if not groups and to_sign:
            holds = "holds" if to_sign == 1 else "hold"
            return f"Yes, if {count_of(to_sign, 'assumption')} to sign {holds}. {well}."
        if not groups:
            return f"Yes. {well}."
        opening = "No" if counts.get("groups_shared") else "Not proven"
        return f"{opening}: {well[0].lower()}{well[1:]}, but {groups}."
    broken = counts["shared"] or counts["over_limit"] or counts.get("groups_shared")
    opening = "No" if broken else "Not proven"
    number, _, rest = said[0].partition(" ")
    of = f"{number} of {count_of(total, 'circuit')} {rest}"
    besides = f" {groups[0].upper()}{groups[1:]}." if groups else ""
    return f"{opening}: {sentence_list([of, *said[1:]])}. {_well(counts)}{besides}"


def waived_thing(waiver: JudgedWaiver) -> str:
    """What a waiver is for: `P-9`, `all in L1`, `D-5 / S-3`."""
    if waiver["within"]:
        return f"all in {waiver['within']}"
    return waiver["asset"] or " / ".join(waiver["pair"] or ())


def waiver_state(waiver: JudgedWaiver) -> str:
    """The state of a waiver, with the days that it has left where these are few."""
    state, days = waiver["state"], waiver["lapses_in_days"]
    if not lapses_soon(waiver):
        return state
    return f"{state}, " + (f"{count_of(days, 'day')} left" if days else "today is its last day")


def lapses_soon(waiver: JudgedWaiver) -> bool:
    """Whether a waiver that counts has 90 days or fewer left."""
    days = waiver["lapses_in_days"]
    return days is not None and days <= LAPSES_SOON_DAYS


def _groups_said(counts: Mapping[str, int]) -> str:
    """What is wrong with groups of circuits that back each other up."""
    shared, unproven = counts.get("groups_shared", 0), counts.get("groups_unproven", 0)
    said = []
    if shared:
        verb = "shares" if shared == 1 else "share"
        said.append(f"{count_of(shared, 'group')} {verb} plant between circuits")
    if unproven:
        said.append(f"{count_of(unproven, 'group')} cannot be proven")
    return sentence_list(said)


def _well(counts: Mapping[str, int]) -> str:
    """What is left of a study once its faults are told."""
    parts = []
    if counts["apart"]:
        parts.append(f"{counts['apart']} {'is' if counts['apart'] == 1 else 'are'} apart")
    if counts["accepted"]:
        verb = "is" if counts["accepted"] == 1 else "are"
        parts.append(f"{counts['accepted']} {verb} accepted by waiver")
    return f"{sentence_list(parts)}." if parts else "None is apart."


_URGENCY = {"shared": 0, "unproven": 2, "accepted": 3, "apart": 4}
_OVER_LIMIT = 1


def urgency(circuit: Circuit) -> int:
    """Order of importance: shared, over a limit, unproven or not known to keep one, the rest."""
    by_verdict, kept = _URGENCY[circuit["verdict"]], circuit["within_limits"]
    if kept is None:
        return min(by_verdict, _URGENCY["unproven"])
    return by_verdict if kept else min(by_verdict, _OVER_LIMIT)


def found_in(one: HeldApart) -> int:
    """How much stands against a circuit or group: shared, too close, crossing where forbidden."""
    close: list[Near | Cross] = [
        near for near in (*one["near"], *one["near_folded"]) if "under" not in near
    ]
    close += [cross for cross in one["cross"] if cross["forbidden"]]
    return sum(not found.waived for found in folded(one)) + sum(not row["waived"] for row in close)


def importance(circuit: Circuit) -> tuple[int, int, list[tuple[int, str]]]:
    """What circuits are ordered by: urgency, then how much was found, then their ids."""
    return urgency(circuit), -found_in(circuit), counted(circuit["id"])


def finding(circuit: Circuit, links: Links) -> str:
    """What was found about one circuit, in a sentence or two.

    Parameters
    ----------
    circuit : Circuit
    links : mapping of str to Link
        By id; what limits of loss are said from.
    """
    said = _found_said(circuit, [*limits_broken(circuit, links), *limits_open(circuit)])
    if not said:
        beyond = " and its tail" if circuit["tail"] else ""
        said = [_NOTHING.format(beyond)]
    silent = silent_with(circuit)
    if silent:
        said.append(f"Silent when {sentence_list(silent)} {_verb(silent, 'falls', 'fall')}.")
    return " ".join(said)


def group_finding(group: Group) -> str:
    """What was found about one group, in a sentence or two."""
    return " ".join(_found_said(group, []) or [_NOTHING.format("")])


_NOTHING = "Nothing shared beyond what its ends need{}."


def _found_said(one: HeldApart, limits: Sequence[str]) -> list[str]:
    """What is shared, near, crossing, over a limit, not on record and accepted."""
    findings = folded(one)
    heads = [found.label for found in findings if not found.waived]
    parts = [f"Shared: {sentence_list(heads, most=3)}."] if heads else []
    parts += _near_said([near for near in one["near"] if not near["waived"]])
    cross = [row for row in one["cross"] if row["forbidden"] and not row["waived"]]
    if len(cross) == 1:
        parts.append(f"{cross[0]['main']} and {cross[0]['alternate']} cross.")
    elif cross:
        parts.append(f"Crossing at {count_of(len(cross), 'place')}.")
    parts += [*limits, *_gaps_said(one["gaps"])]
    waived = len(findings) - len(heads)
    waived += sum(near["waived"] for near in one["near"])
    waived += sum(row["waived"] for row in one["cross"])
    if waived:
        parts.append(f"{count_of(waived, 'finding').capitalize()} accepted by waiver.")
    return parts


def _gaps_said(gaps: Sequence[GapBrief]) -> list[str]:
    """How many gaps touch a circuit, one sentence for each thing that they bear on."""
    said = []
    for bears_on, one, many in (
        (("separation", "both"), "touches its paths", "touch its paths"),
        (("limits",), "leaves a limit open", "leave a limit open"),
    ):
        mine = [gap for gap in gaps if gap["bears_on"] in bears_on]
        count = gap_count(mine)
        if count:
            named = list(dict.fromkeys(gap["asset"] for gap in mine))
            told = count == len(mine) and len(named) < 3
            names = f", about {sentence_list(named)}" if told else ""
            verb = one if count == 1 else many
            said.append(f"{count_of(count, 'record gap').capitalize()} {verb}{names}.")
    return said


def first_of_each(gaps: Sequence[GapT], most: int) -> list[GapT]:
    """The first few gaps of each kind."""
    seen: dict[str, int] = {}
    kept = []
    for gap in gaps:
        seen[gap["code"]] = seen.get(gap["code"], 0) + 1
        if seen[gap["code"]] <= most:
            kept.append(gap)
    return kept


def gap_count(gaps: Sequence[RecordGap | GapBrief]) -> int:
    """How many gaps stand in a list in which many of one kind are told as one."""
    return sum(gap["count"] for gap in gaps)


def place_said(gap: RecordGap) -> str:
    """Where a gap's row stands: `cables.csv, layer cables, row 40`; of many, without the row."""
    named = [
        ("", gap["file"]),
        ("layer ", gap["layer"]),
        ("row ", None if gap["count"] > 1 else gap["row"]),
        ("column ", gap["column"]),
    ]
    return ", ".join(f"{word}{value}" for word, value in named if value is not None)


BEARS = {"separation": "separation", "limits": "limits", "both": "separation and limits"}
"""What a gap bears on, in words."""


def _near_said(near: Sequence[Near]) -> list[str]:
    if not near:
        return []
    closest = metres(min(one["distance_m"] for one in near))
    if len(near) == 1:
        (one,) = near
        over = f" over {metres(one['length_m'])}" if one["length_m"] else ""
        return [f"{one['main']} and {one['alternate']} run {closest} apart{over}."]
    return [f"Near each other at {count_of(len(near), 'place')}, {closest} at the closest."]


def bounded(value: float | None, at_least: float | None, say: Callable[[float], str]) -> str:
    """A figure in words; where it is not known, the least that it can be: `at least 97.9 µs`."""
    if value is not None:
        return say(value)
    return f"at least {say(at_least)}" if at_least else "not known"


def figure(figures: Figures, key: str) -> str:
    """A figure of some facts with its unit, such as `delay_us`; if unknown, by its bound.

    The bound of `delay_us` stands beside it as `delay_at_least_us`, where it has one.
    """
    name, _, unit = key.rpartition("_")
    return bounded(figures[key], figures.get(f"{name}_at_least_{unit}"), _SAY[unit])


def decibels(row: Figures, name: str, unit: str = " dB") -> str:
    """The `loss` or `margin` of a link: `6.33 dB`, `at least 4.20 dB`, `not known`."""
    least = "least" if name == "loss" else "most"
    known, bound = row[f"{name}_db"], row[f"{name}_at_{least}_db"]
    if known is not None:
        return f"{known:.2f}{unit}"
    return "not known" if bound is None else f"at {least} {bound:.2f}{unit}"


_BY_MEDIUM = {
    "radio": "by radio",
    "leased": "of leased line",
    "electrical": "of wire",
    "carrier": "of power line carrier",
    "internal": "inside a site",
}


def along_said(along: tuple[float, float] | None) -> str:
    """Where a stretch lies on its way: `at 144 m`, `from 181 m to 10.0 km`; '' if off its line."""
    if along is None:
        return ""
    begin, end = along
    return f"at {metres(begin)}" if end - begin < 1 else f"from {metres(begin)} to {metres(end)}"


def lengths_said(path: Path) -> str:
    """The length of a path by medium: `8.12 km of fibre, 12.0 km by radio`."""
    others = [one for one in path["other_lengths"] if one["length_m"] != 0]
    said = [
        f"{metres(one['length_m'])} {_BY_MEDIUM.get(one['medium'], one['medium'])}"
        if one["length_m"] is not None
        else f"a length not known {_BY_MEDIUM.get(one['medium'], one['medium'])}"
        for one in others
    ]
    if path["length_m"] or path["length_at_least_m"] or not others:
        said.insert(0, f"{figure(path, 'length_m')} of fibre")
    return ", ".join(said)


def limits_open(circuit: Circuit) -> list[str]:
    """One sentence for each limit of delay that nobody can tell whether it is kept."""
    delay = circuit["delay"]
    said = []
    for name, least, limit, ok in (
        ("Delay", delay["worst_at_least_us"], delay["limit_us"], delay["ok"]),
        (
            "Asymmetry",
            delay["asymmetry_at_least_us"],
            delay["asymmetry_limit_us"],
            delay["asymmetry_ok"],
        ),
    ):
        if ok is None and limit is not None:
            bound = f" is at least {microseconds(least)} and" if least else ""
            said.append(
                f"{name}{bound} may exceed its limit of {microseconds(limit)}: not all of it is "
                "on record."
            )
    return said


def own_line_said(circuit: Circuit) -> list[tuple[str, list[str]]]:
    """What becomes of a circuit when what it protects falls: a sentence a case, with its assets.

    The cases in which nothing remains come first: `silent when line L1 falls (...)`, `when line
    L1 falls (45 towers and 44 spans): main is lost with it, alternate remains, 50 ms to switch`.
    """
    said: list[tuple[str, list[str]]] = []
    for case in own_line_cases(circuit):
        paths, remains = case.paths, case.remains
        thing = f"{case.protected} falls ({case.what})"
        lost = f"{sentence_list(paths)} {_verb(paths, 'is', 'are')} lost with it"
        if remains:
            left = f"{sentence_list(remains)} {_verb(remains, 'remains', 'remain')}"
            text = f"when {thing}: {lost}, {left}, {_to_switch(circuit, paths)}"
        else:
            text = f"silent when {thing}: {lost}, nothing remains"
        said.append((text, [one["asset"] for one in case.members]))
    entries, why = circuit["with_protected"], circuit["with_protected_why"]
    if entries is not None and not entries:
        said.append((f"no path is lost with {sentence_list(circuit['protects'])}", []))
    if why:
        told = "more may fall with what it protects" if entries else "what falls with what it"
        told += "" if entries else " protects is not known"
        said.append((f"{told}: {why}", []))
    return said


def silent_with(circuit: Circuit) -> list[str]:
    """What a circuit protects whose fall, or that of a part of it, leaves it no path."""
    cases = own_line_cases(circuit)
    return list(dict.fromkeys(case.protected for case in cases if not case.remains))


def _verb(subjects: Sequence[str], one: str, many: str) -> str:
    return one if len(subjects) == 1 else many


@dataclass(frozen=True)
class OwnLineCase:
    """Parts of what a circuit protects whose fall takes the same paths.

    Attributes
    ----------
    protected : str
        Kind and id: `line L1`.
    paths, remains : sequence of str
        Labels of the paths that fall with it, and of those that are left.
    members : list of WithProtected
        One for each part that falls.
    what : str
        The parts counted by kind, without the line itself: `45 towers and 44 spans`.
    """

    protected: str
    paths: Sequence[str]
    remains: Sequence[str]
    members: list[WithProtected]
    what: str


def own_line_cases(circuit: Circuit) -> list[OwnLineCase]:
    """`with_protected` by what falls and what is lost; what leaves no path comes first."""
    paths: dict[tuple[str, str], list[str]] = {}
    parts: dict[tuple[str, str], WithProtected] = {}
    for one in circuit["with_protected"] or []:
        key = one["protected"], one["asset"]
        paths.setdefault(key, []).append(one["path"])
        parts.setdefault(key, one)
    cases: dict[tuple[str, tuple[str, ...], tuple[str, ...]], list[WithProtected]] = {}
    for key, one in parts.items():
        case = one["protected"], tuple(paths[key]), tuple(one["remains"])
        cases.setdefault(case, []).append(one)
    found = [
        OwnLineCase(
            kind_and_id(members[0]["protected_kind"], protected),
            lost,
            remains,
            members,
            _parts_said([one for one in members if one["asset"] != protected]),
        )
        for (protected, lost, remains), members in cases.items()
    ]
    return sorted(found, key=lambda case: bool(case.remains))


def _parts_said(parts: Sequence[WithProtected]) -> str:
    """Parts of a line counted by kind."""
    kinds: dict[str, list[str]] = {}
    for one in parts:
        kinds.setdefault(kind_of(one), []).append(one["asset"])
    counts = [
        kind_and_id(kind, ids[0]) if len(ids) == 1 else plural(len(ids), kind)
        for kind, ids in sorted(kinds.items(), key=lambda item: (-len(item[1]), item[0]))
    ]
    return sentence_list(counts) or "all of it"


def kind_and_id(kind: str | None, name: str) -> str:
    """`line L1`; an id that begins with its kind stands alone."""
    return name if not kind or name.startswith(f"{kind}-") else f"{kind} {name}"


def _to_switch(circuit: Circuit, lost: Sequence[str]) -> str:
    """How long until the path that is left carries the circuit, if the working path is lost."""
    paths = circuit["paths"]
    working = next((one for one, path in paths.items() if not path["out_of_service"]), None)
    if working not in lost:
        return "nothing to switch"
    recovery = circuit["delay"]["recovery_ms"]
    return "time to switch not known" if recovery is None else f"{recovery:g} ms to switch"


@dataclass(frozen=True)
class LinkLoss:
    """Loss of one link of a path, with all that is said of the link.

    Attributes
    ----------
    path : str
    row : PathLoss
        As it stands with the path.
    link : Loss
        As it stands with the link, the same for every circuit.
    held : HeldTo
        What the circuit's service holds it to.
    """

    path: str
    row: PathLoss
    link: Loss
    held: HeldTo


def link_losses(circuit: Circuit, links: Links) -> list[LinkLoss]:
    """Loss of every link over fibre of every path, under the service of the circuit."""
    found = []
    for label, path in circuit["paths"].items():
        for row in path["loss"]:
            loss = links[row["link"]]["loss"]
            assert loss is not None
            held = next(one for one in loss["held_to"] if circuit["service"] in one["services"])
            found.append(LinkLoss(label, row, loss, held))
    return found


def limits_broken(circuit: Circuit, links: Links) -> list[str]:
    """One sentence for each limit that the circuit exceeds."""
    said: list[str] = []
    delay = circuit["delay"]
    if delay["ok"] is False:
        said.append(
            f"Delay of {figure(delay, 'worst_us')} is over its limit of "
            f"{microseconds(delay['limit_us'])}."
        )
    if delay["asymmetry_ok"] is False:
        said.append(
            f"Asymmetry of {figure(delay, 'asymmetry_us')} is over its limit of "
            f"{microseconds(delay['asymmetry_limit_us'])}."
        )
    if delay["recovery_ok"] is False:
        said.append(
            f"Recovery in {milliseconds(delay['recovery_ms'])} is over its limit of "
            f"{milliseconds(delay['recovery_limit_ms'])}."
        )
    if circuit["loss_ok"] is False:
        for one in link_losses(circuit, links):
            said += [f"Link {one.row['link']} ({one.path}) {what}." for what in _optical(one)]
    down = circuit["unavailability"]
    if down["ok"] is False:
        said.append(
            f"Unavailability of {unavailable(down, 'both')} is over its limit of "
            f"{probability(down['limit'])}."
        )
    return said


def _optical(one: LinkLoss) -> list[str]:
    """What is wrong with a link's optical budget."""
    faults, held = [], one.held
    if held["margin_ok"] is False:
        margin = one.row["margin_db"]
        left = "too little" if margin is None else f"only {margin:.1f} dB of"
        faults.append(f"has {left} optical margin; {held['min_margin_db']:g} dB required")
    if held["overload_ok"] is False:
        faults.append("may overload its receiver")
    if held["bandwidth_ok"] is False:
        faults.append("has too little bandwidth")
    if held["dispersion_ok"] is False:
        faults.append("has too much dispersion")
    return faults


def counted(name: str) -> list[tuple[int, str]]:
    """What ids are ordered by: numbers within them by value, `C2` before `C10`."""
    parts = re.split(r"(\d+)", name)
    return [(int(part), "") if k % 2 else (0, part) for k, part in enumerate(parts)]


def moment(stamp: str) -> str:
    """A time as it is read: `25 November 2026, 11:35 UTC`; anything else as it stands."""
    found = re.fullmatch(r"(\d{4})-(\d\d)-(\d\d)T(\d\d:\d\d)(:\d\d(\.\d+)?)?Z", stamp)
    if found is None or not 1 <= int(found[2]) <= 12:
        return stamp
    return f"{int(found[3])} {_MONTHS[int(found[2]) - 1]} {found[1]}, {found[4]} UTC"


def metres(value: float | None) -> str:
    """A length with its unit: `1.8 m`, `140 m`, `8.12 km`."""
    if value is None:
        return "not known"
    if value >= 10_000:
        return f"{value / 1000:.1f} km"
    if value >= 1000:
        return f"{value / 1000:.2f} km"
    return f"{value:.0f} m" if value >= 100 else f"{value:.1f} m"


def microseconds(value: float | None) -> str:
    """A delay with its unit: `61.2 µs`, `5000 µs`."""
    if value is None:
        return "not known"
    return f"{value:.0f} µs" if value >= 1000 else f"{value:.1f} µs"


def milliseconds(value: float | None) -> str:
    """A duration with its unit: `60.0 ms`."""
    return "not known" if value is None else f"{value:.1f} ms"


def probability(value: float | None) -> str:
    """A share of time: `1.2 × 10⁻⁴`; `0` where it is nought."""
    if value is None:
        return "not known"
    if value == 0:
        return "0"
    mantissa, _, exponent = f"{value:.1e}".partition("e")
    raised = str(int(exponent)).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))
    return f"{mantissa} × 10{raised}"


def fibre_said(terms: LossTerms) -> str:
    """What the loss in fibre is made of: `8123 m of fibre at 0.350 dB/km`."""
    length, loss = terms["fibre_m"], terms["fibre_db"]
    if not length:
        return "fibre"
    return f"{length:.0f} m of fibre" + (
        "" if loss is None else f" at {1000 * loss / length:.3f} dB/km"
    )


def fixed(value: float | None, digits: int) -> str:
    """A number with so many decimals."""
    return "not known" if value is None else f"{value:.{digits}f}"


def position(at: Sequence[float] | None) -> str:
    """Latitude and longitude in words; '' where there is no place."""
    if at is None:
        return ""
    lon, lat = at[0], at[1]
    return f"{abs(lat):.5f}° {'N' if lat >= 0 else 'S'} {abs(lon):.5f}° {'E' if lon >= 0 else 'W'}"


def separation_said(asked: float | Mapping[str, float]) -> str:
    """How far apart the rules ask paths to be, as a whole or by kinds of segment."""
    if isinstance(asked, Mapping):
        return ", ".join(f"{kinds} {metres(value)}" for kinds, value in asked.items())
    return metres(asked) if asked else "none"


def unavailable(down: Figures, label: str) -> str:
    """An unavailability by its label; `at least 1.2 × 10⁻⁴` where something has no rate."""
    known, least = down[label], down["at_least"].get(label)
    return f"at least {probability(least)}" if known is None and least else probability(known)


_SAY: Mapping[str, Callable[[float | None], str]] = {
    "m": metres,
    "us": microseconds,
    "ms": milliseconds,
}
"""How a figure is said by the unit that its name ends with."""


# --- Sentences about what-ifs, the same on the terminal and on a page.

Facts = Mapping[str, Any]

NOTHING_CHANGED = "Nothing changed."
CHANGED = ("worse", "better", "new", "gone")
"""How a circuit may have changed, in the order of importance."""

MOST_NAMED = 6
"""Names that a sentence gives before it says how many more there are."""

_FROM = {
    "call": "as given for all plant in this notice",
    "record": "on record for this asset",
    "rules": "from the rules",
}


def changes_said(counts: Mapping[str, int]) -> str:
    """`0 worse, 1 better, 28 same`; new and gone where there are any."""
    return ", ".join(f"{counts[change]} {change}" for change in ("worse", "better", "same")) + (
        "".join(f", {counts[change]} {change}" for change in ("new", "gone") if counts[change])
    )


def less_on_record_said(circuits: Sequence[Mapping[str, Any]]) -> str:
    """Ways that rely on fewer things than before over the same links; empty where none does."""
    ways = [
        f"{one['id']} {way['path']} ({way['relies_on']['before']} to {way['relies_on']['after']})"
        for one in circuits
        for way in one["less_on_record"]
    ]
    if not ways:
        return ""
    return (
        f"Fewer things on record over the same links: {few(ways, MOST_NAMED)}. "
        "Either plant was removed or a record was lost: check which."
    )


def comparison_answer(facts: Facts) -> str:
    """Whether anything got worse, in one sentence, with the counts."""
    if facts["nothing_changed"]:
        return NOTHING_CHANGED
    counts = facts["summary"]
    more = [
        f"{count_of(counts[key], what)} worse"
        for key, what in (("groups_worse", "group"), ("schemes_worse", "scheme"))
        if counts[key]
    ]
    worse = bool(counts["worse"] or more)
    opening = "Something got worse" if worse else "Nothing got worse"
    return f"{opening}. Circuits: {'; '.join([changes_said(counts), *more])}."


def works_answer(facts: Facts) -> str:
    """How many circuits works put out of service, leave with one path, and leave unknown."""
    counts = facts["summary"]
    one_path = sum(n for state, n in counts.items() if state.startswith("on-"))
    parts = [
        f"{count_of(counts['lost'], 'circuit')} lost",
        f"{one_path} left with one path",
        f"{counts['unknown']} unknown",
    ]
    return ", ".join(parts)


def clash_said(clash: Facts) -> str:
    """Works that must not overlap, and what they lose together."""
    lost = few(clash["lost"], MOST_NAMED)
    return f"{sentence_list(clash['works'])} must not overlap: that loses {lost}"


def plan_answer(facts: Facts) -> str:
    """Whether the proposed order loses anything, and why."""
    if facts["loses_nothing"]:
        return "In the proposed order no circuit is lost."
    sure = "Every order loses at least this" if facts["exact"] else "A better order may exist"
    return f"{sure}: {'; '.join(facts['reasons'])}"


def surveyed(hit: Facts) -> str:
    """How well what is hit is surveyed, and who says so; '' where it was named by its id."""
    if hit["accuracy_m"] is None:
        return ""
    return f"{metres(hit['accuracy_m'])}, {_FROM[hit['accuracy_from']]}"


def over_limits(circuit: Facts) -> list[str]:
    """The limits that a circuit breaks during works."""
    limits = {"delay_ok": "delay", "asymmetry_ok": "asymmetry", "loss_ok": "optical margin"}
    return [said for key, said in limits.items() if circuit[key] is False]


def numbers_said(numbers: Sequence[int]) -> str:
    """Whole numbers in their order, runs as one: `1-4, 7`."""
    runs: list[list[int]] = []
    for one in numbers:
        if runs and one == runs[-1][1] + 1:
            runs[-1][1] = one
        else:
            runs.append([one, one])
    return ", ".join(f"{a}" if a == b else f"{a}-{b}" for a, b in runs)
