"""Sentences of the report: what was found, said in words."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from waysapart.network.blanks import said_of_blanks
from waysapart.report.fold import folded, kind_of
from waysapart.report.marks import plural
from waysapart.verdicts.waivers import LAPSES_SOON_DAYS

Facts = Mapping[str, Any]

QUESTION = (
    "Do the paths of each protection circuit share anything physical that one event could take, "
    "and does each path stay within its limits?"
)

_MONTHS = (
    *("January", "February", "March", "April", "May", "June", "July"),
    *("August", "September", "October", "November", "December"),
)

_COMPLETE = "The records are complete, and the paths share nothing beyond what their ends need."

VERDICTS = {
    "shared": (
        "shared",
        "The paths rely on the same thing, or come closer than the rules allow, where they need "
        "not.",
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


_AGED = {"survey": "surveys", "test": "tests", "leased_route": "statements of leased routes"}


def age_line(age: Facts) -> str:
    """The ages of one kind of record, in a line."""
    said = f"{_AGED[age['what']]}: {age['dated']:,} dated"
    if age["oldest"] is not None:
        said += f", the oldest {age['oldest']} ({age['oldest_days']:,} days)"
    if age["limit_days"] is not None:
        said += f", {age['too_old']:,} older than the {age['limit_days']:,.0f} days allowed"
    return f"{said}; {age['undated']:,} undated" if age["undated"] else f"{said}; none undated"


def verdict_words(gaps: int, to_sign: int) -> dict[str, tuple[str, str]]:
    """Every verdict with what it means in a study with so many gaps and assumptions to sign.

    The records are complete only where there is neither.
    """
    if to_sign:
        said = (
            "The paths share nothing beyond what their ends need. Their records are complete as "
            "far as the assumptions to sign hold: what the rules say in place of blanks, and what "
            "they excuse or leave out."
        )
    elif gaps:
        said = (
            "No gap in the records touches its paths, and they share nothing beyond what their "
            "ends need."
        )
    else:
        said = _COMPLETE
    return {**VERDICTS, "apart": ("apart", said)}


def to_sign(facts: Facts) -> list[Facts]:
    """The assumptions that somebody has to sign."""
    return [
        row
        for row in facts.get("assumptions", [])
        if isinstance(row, Mapping) and row.get("to_sign")
    ]


def assumption_said(row: Facts) -> str:
    """An assumption to sign, in a sentence."""
    head, _, rest = str(row["key"]).partition(".")
    value, count = row["value"], int(row.get("count") or 0)
    if head == "records":
        column, _, kind = rest.partition(".")
        taken = value if isinstance(value, str) else f"{value:g} µs"
        return f"{said_of_blanks(column, kind, count)}: taken as {taken}"
    names = [str(name) for name in value]
    if head == "groups":
        return f"members of a group may share at their ends: {listed(names)}"
    return f"{count_of(count, 'holder')} left out as too large to mean anything: {few(names, 6)}"


def count_of(number: int, one: str, many: str | None = None) -> str:
    """`1 circuit`, `3 circuits`; `no circuits` where there are none."""
    words = one if number == 1 else (many or one + "s")
    return f"{number or 'no'} {words}"


def listed(parts: Sequence[str]) -> str:
    """`a`, `a and b`, `a, b and c`."""
    if len(parts) < 2:
        return "".join(parts)
    return ", ".join(parts[:-1]) + " and " + parts[-1]


def few(names: Sequence[str], most: int = 3) -> str:
    """`a, b, c and 85 more`."""
    if len(names) <= most + 1:
        return listed(names)
    return f"{', '.join(names[:most])} and {len(names) - most} more"


def records_to_enter(step: Facts) -> str:
    """What one step of the work list enters: `within of D-4 and D-7 (segments)`.

    Where no single column is blank, what to do: `enter the missing segment (UC-6 in cables)`.
    """
    said = []
    for some in step["records"]:
        names = few([str(name) for name in some["ids"]], 6)
        layer = some.get("layer")
        if some.get("column"):
            what = f"{some['column']} of {names}"
            said.append(f"{what} ({layer})" if layer else what)
        else:
            said.append(f"{some['action']} ({names} in {layer})" if layer else some["action"])
    return "; ".join(said)


def step_decides(step: Facts) -> str:
    """What the records of one step decide: `C03, C07 and group G1; the limits of C05`.

    `C09 and its limits` where the same records decide both.
    """
    if step["decides"] == step["limits"] and not step["groups"]:
        its = "its" if len(step["decides"]) == 1 else "their"
        return f"{few(step['decides'], 8)} and {its} limits"
    groups = [f"group {name}" for name in step["groups"]]
    parts = [few([*step["decides"], *groups], 8)] if step["decides"] or groups else []
    if step["limits"]:
        parts.append(f"the limits of {few(step['limits'], 8)}")
    return "; ".join(parts)


def work_said(first: Facts) -> str:
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
    said = f"{records} in all, to decide {listed(parts)}. {how}"
    left = [few(first["left"], 6)] if first["left"] else []
    if first["limits_left"]:
        left.append(f"the limits of {few(first['limits_left'], 6)}")
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
        return "The study holds no circuits, so nothing was asked of it."
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
    return f"{opening}: {listed([of, *said[1:]])}. {_well(counts)}{besides}"


def waived_thing(waiver: Facts) -> str:
    """What a waiver is for: `P-9`, `all in L1`, `D-5 / S-3`."""
    if waiver.get("within"):
        return f"all in {waiver['within']}"
    return str(waiver.get("asset") or " / ".join(map(str, waiver.get("pair") or ())))


def waiver_state(waiver: Facts) -> str:
    """The state of a waiver, with the days that it has left where these are few."""
    state = str(waiver.get("state") or "")
    if not lapses_soon(waiver):
        return state
    days = waiver["lapses_in_days"]
    return f"{state}, " + (f"{count_of(days, 'day')} left" if days else "today is its last day")


def lapses_soon(waiver: Facts) -> bool:
    """Whether a waiver that counts has 90 days or fewer left."""
    days = waiver.get("lapses_in_days")
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
    return listed(said)


def _well(counts: Mapping[str, int]) -> str:
    """What is left of a study once its faults are told."""
    parts = []
    if counts["apart"]:
        parts.append(f"{counts['apart']} {'is' if counts['apart'] == 1 else 'are'} apart")
    if counts["accepted"]:
        verb = "is" if counts["accepted"] == 1 else "are"
        parts.append(f"{counts['accepted']} {verb} accepted by waiver")
    return f"{listed(parts)}." if parts else "None is apart."


_URGENCY = {"shared": 0, "unproven": 2, "accepted": 3, "apart": 4}
_OVER_LIMIT = 1


def urgency(circuit: Facts) -> int:
    """Order of importance: shared, over a limit, unproven or not known to keep one, the rest."""
    by_verdict = _URGENCY[str(circuit["verdict"])]
    kept = circuit.get("within_limits", True)
    if kept is None:
        return min(by_verdict, _URGENCY["unproven"])
    return by_verdict if kept else min(by_verdict, _OVER_LIMIT)


def importance(circuit: Facts) -> tuple[int, int, list[tuple[int, str]]]:
    """What circuits are ordered by: urgency, then how much was found, then their ids."""
    close = [
        *(
            n
            for n in (*circuit.get("near", []), *circuit.get("near_folded", []))
            if not n.get("under")
        ),
        *(n for n in circuit.get("cross", []) if forbidden(n)),
    ]
    found = sum(not one.waived for one in folded(circuit))
    found += sum(not one.get("waived") for one in close)
    return urgency(circuit), -found, counted(str(circuit["id"]))


def finding(circuit: Facts) -> str:
    """What was found about one circuit or group, in a sentence or two."""
    parts: list[str] = []
    heads = [one for one in folded(circuit) if not one.waived]
    if heads:
        named = [one.label for one in heads[:3]]
        if len(heads) > 3:
            named.append(f"{len(heads) - 3} more")
        parts.append(f"Shared: {listed(named)}.")
    parts += _near_said([n for n in circuit.get("near", []) if not n.get("waived")])
    cross = [n for n in circuit.get("cross", []) if forbidden(n) and not n.get("waived")]
    if len(cross) == 1:
        parts.append(f"{cross[0].get('main')} and {cross[0].get('alternate')} cross.")
    elif cross:
        parts.append(f"Crossing at {count_of(len(cross), 'place')}.")
    parts += limits_broken(circuit)
    parts += limits_open(circuit)
    parts += _gaps_said(circuit.get("gaps", []))
    waived = sum(one.waived for one in folded(circuit))
    waived += sum(bool(n.get("waived")) for key in ("near", "cross") for n in circuit.get(key, []))
    if waived:
        parts.append(f"{count_of(waived, 'finding').capitalize()} accepted by waiver.")
    if not parts:
        beyond = " and its tail" if circuit.get("tail") else ""
        parts.append(f"Nothing shared beyond what its ends need{beyond}.")
    silent = silent_with(circuit)
    if silent:
        parts.append(f"Silent when {listed(silent)} {_verb(silent, 'falls', 'fall')}.")
    return " ".join(parts)


def _gaps_said(gaps: Sequence[Facts]) -> list[str]:
    """How many gaps touch a circuit, one sentence for each thing that they bear on."""
    said = []
    for bears_on, about in (
        (("separation", "both"), "touches its paths"),
        (("limits",), "leaves a limit open"),
    ):
        mine = [gap for gap in gaps if gap.get("bears_on", "separation") in bears_on]
        count = gap_count(mine)
        if count:
            named = list(dict.fromkeys(gap["asset"] for gap in mine))
            names = f", about {listed(named)}" if count == len(mine) and len(named) < 3 else ""
            verb = (
                about
                if count == 1
                else about.replace("touches", "touch").replace("leaves", "leave")
            )
            said.append(f"{count_of(count, 'record gap').capitalize()} {verb}{names}.")
    return said


def first_of_each(gaps: Sequence[Facts], most: int) -> list[Facts]:
    """The first few gaps of each kind."""
    seen: dict[str, int] = {}
    kept = []
    for gap in gaps:
        code = str(gap["code"])
        seen[code] = seen.get(code, 0) + 1
        if seen[code] <= most:
            kept.append(gap)
    return kept


def gap_count(gaps: Sequence[Facts]) -> int:
    """How many gaps stand in a list in which many of one kind are told as one."""
    return sum(int(gap.get("count") or 1) for gap in gaps)


def place_said(gap: Facts) -> str:
    """Where a gap's row stands: `cables.csv, layer cables, row 40`; of many, without the row."""
    many = int(gap.get("count") or 1) > 1
    named = [
        ("", gap.get("file")),
        ("layer ", gap.get("layer")),
        ("row ", None if many else gap.get("row")),
        ("column ", gap.get("column")),
    ]
    return ", ".join(f"{word}{value}" for word, value in named if value is not None)


_BEARS = {"separation": "separation", "limits": "limits", "both": "separation and limits"}


def bears_said(gap: Facts) -> str:
    """What a gap bears on; '' where that is not known."""
    return _BEARS.get(str(gap.get("bears_on")), "")


def _near_said(near: Sequence[Facts]) -> list[str]:
    measured = [n["distance_m"] for n in near if n.get("distance_m") is not None]
    if not near:
        return []
    if len(near) == 1 and measured:
        one = near[0]
        over = f" over {metres(one['length_m'])}" if one.get("length_m") else ""
        return [
            f"{one.get('main')} and {one.get('alternate')} run {metres(measured[0])} apart{over}."
        ]
    closest = f", {metres(min(measured))} at the closest" if measured else ""
    return [f"Near each other at {count_of(len(near), 'place')}{closest}."]


def forbidden(cross: Facts) -> bool:
    """Whether the rules forbid a crossing; where the facts do not say, they do."""
    return cross.get("forbidden") is not False


def bounded(value: float | None, at_least: float | None, say: Callable[[float], str]) -> str:
    """A figure in words; where it is not known, the least that it can be: `at least 97.9 µs`."""
    if value is not None:
        return say(value)
    return f"at least {say(at_least)}" if at_least else "not known"


def part_of(figures: Facts, name: str, unit: str, say: Callable[[float], str]) -> str:
    """The figure `name` of some facts in words, such as `delay_us` or `delay_at_least_us`."""
    return bounded(figures.get(f"{name}_{unit}"), figures.get(f"{name}_at_least_{unit}"), say)


def decibels(row: Facts, key: str, bound: str, word: str) -> str:
    """A loss or margin with its unit: `6.33 dB`, `at least 4.20 dB`, `not known`."""
    known, least = row.get(key), row.get(bound)
    if known is not None:
        return f"{known:.2f} dB"
    return "not known" if least is None else f"{word} {least:.2f} dB"


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


def lengths_said(path: Facts) -> str:
    """The length of a path by medium: `8.12 km of fibre, 12.0 km by radio`."""
    others = [one for one in path.get("other_lengths") or () if one["length_m"] != 0]
    said = [
        f"{bounded(one['length_m'], None, metres)} {_BY_MEDIUM.get(one['medium'], one['medium'])}"
        if one["length_m"] is not None
        else f"a length not known {_BY_MEDIUM.get(one['medium'], one['medium'])}"
        for one in others
    ]
    if path.get("length_m") or path.get("length_at_least_m") or not others:
        said.insert(0, f"{part_of(path, 'length', 'm', metres)} of fibre")
    return ", ".join(said)


def limits_open(circuit: Facts) -> list[str]:
    """One sentence for each limit of delay that nobody can tell whether it is kept."""
    delay = circuit.get("delay") or {}
    said = []
    for name, figure, limit, ok in (
        ("delay", "worst", "limit_us", "ok"),
        ("asymmetry", "asymmetry", "asymmetry_limit_us", "asymmetry_ok"),
    ):
        if delay.get(ok) is None and delay.get(limit) is not None:
            least = delay.get(f"{figure}_at_least_us")
            bound = f" is at least {microseconds(least)} and" if least else ""
            said.append(
                f"{name.capitalize()}{bound} may exceed its limit of "
                f"{microseconds(delay[limit])}: not all of it is on record."
            )
    return said


def own_line_said(circuit: Facts) -> list[tuple[str, list[str]]]:
    """What becomes of a circuit when what it protects falls: a sentence a case, with its assets.

    The cases in which nothing remains come first: `silent when line L1 falls (...)`, `when line
    L1 falls (45 towers and 44 spans): main is lost with it, alternate remains, 50 ms to switch`.
    """
    said: list[tuple[str, list[str]]] = []
    for case in own_line_cases(circuit):
        thing = f"{_thing(case)} falls ({case['what']})"
        lost = f"{listed(case['paths'])} {_verb(case['paths'], 'is', 'are')} lost with it"
        if case["remains"]:
            left = f"{listed(case['remains'])} {_verb(case['remains'], 'remains', 'remain')}"
            text = f"when {thing}: {lost}, {left}, {_to_switch(circuit, case)}"
        else:
            text = f"silent when {thing}: {lost}, nothing remains"
        said.append((text, [str(one["asset"]) for one in case["members"]]))
    entries, why = circuit.get("with_protected"), circuit.get("with_protected_why")
    if entries is not None and not entries:
        said.append((f"no path is lost with {listed(circuit.get('protects') or [])}", []))
    if why:
        told = "more may fall with what it protects" if entries else "what falls with what it"
        told += "" if entries else " protects is not known"
        said.append((f"{told}: {why}", []))
    return said


def silent_with(circuit: Facts) -> list[str]:
    """What a circuit protects whose fall, or that of a part of it, leaves it no path."""
    cases = (case for case in own_line_cases(circuit) if not case["remains"])
    return list(dict.fromkeys(_thing(case) for case in cases))


def _thing(case: Facts) -> str:
    return kind_and_id(case.get("protected_kind"), str(case["protected"]))


def _verb(subjects: Sequence[str], one: str, many: str) -> str:
    return one if len(subjects) == 1 else many


def own_line_cases(circuit: Facts) -> list[dict[str, Any]]:
    """`with_protected` by what falls and what is lost: `protected`, `paths`, `remains`, `members`.

    `what` counts the members by kind, without the line itself: `45 towers and 44 spans`.
    """
    taken: dict[tuple[str, str], dict[str, Any]] = {}
    for one in circuit.get("with_protected") or []:
        key = str(one["protected"]), str(one["asset"])
        taken.setdefault(key, {**one, "paths": []})["paths"].append(one["path"])
    cases: dict[tuple[Any, ...], dict[str, Any]] = {}
    for one in taken.values():
        key = (one["protected"], *one["paths"], None, *one["remains"])
        case = cases.setdefault(key, {**one, "members": []})
        case["members"].append(one)
    for case in cases.values():
        inner = [one for one in case["members"] if one["asset"] != case["protected"]]
        kinds: dict[str, list[str]] = {}
        for one in inner:
            kinds.setdefault(kind_of(one), []).append(str(one["asset"]))
        counts = [
            kind_and_id(kind, ids[0]) if len(ids) == 1 else plural(len(ids), kind)
            for kind, ids in sorted(kinds.items(), key=lambda item: (-len(item[1]), item[0]))
        ]
        case["what"] = listed(counts) or "all of it"
    return sorted(cases.values(), key=lambda case: bool(case["remains"]))


def kind_and_id(kind: str | None, name: str) -> str:
    """`line L1`; an id that begins with its kind stands alone."""
    return name if not kind or name.startswith(f"{kind}-") else f"{kind} {name}"


def _to_switch(circuit: Facts, case: Facts) -> str:
    """How long until the way that is left carries the circuit, if the working way is lost."""
    paths = circuit.get("paths") or {}
    working = next((one for one, path in paths.items() if not path.get("out_of_service")), None)
    if working not in case["paths"]:
        return "nothing to switch"
    recovery = (circuit.get("delay") or {}).get("recovery_ms")
    return "time to switch not known" if recovery is None else f"{recovery:g} ms to switch"


def limits_broken(circuit: Facts) -> list[str]:
    """One sentence for each limit that the circuit exceeds."""
    said: list[str] = []
    delay = circuit.get("delay") or {}
    if delay.get("ok") is False:
        said.append(
            f"Delay of {part_of(delay, 'worst', 'us', microseconds)} is over its limit of "
            f"{microseconds(delay.get('limit_us'))}."
        )
    if delay.get("asymmetry_ok") is False:
        said.append(
            f"Asymmetry of {part_of(delay, 'asymmetry', 'us', microseconds)} is over its limit of "
            f"{microseconds(delay.get('asymmetry_limit_us'))}."
        )
    if delay.get("recovery_ok") is False:
        said.append(
            f"Recovery in {milliseconds(delay.get('recovery_ms'))} is over its limit of "
            f"{milliseconds(delay.get('recovery_limit_ms'))}."
        )
    for label, path in (circuit.get("paths") or {}).items():
        for row in (path or {}).get("loss", []):
            if row.get("ok") is False:
                said += [f"Link {row['link']} ({label}) {what}." for what in _optical(row)]
    down = circuit.get("unavailability") or {}
    if down.get("ok") is False:
        said.append(
            f"Unavailability of {unavailable(down, 'both')} is over its limit of "
            f"{probability(down.get('limit'))}."
        )
    if circuit.get("within_limits") is False and not said:
        said.append("It is over a limit.")
    return said


def _optical(row: Facts) -> list[str]:
    """What is wrong with a link's optical budget."""
    faults = []
    if row.get("margin_ok", False) is False:
        margin = row.get("margin_db")
        left = "too little" if margin is None else f"only {margin:.1f} dB of"
        least = row.get("min_margin_db")
        asked = "" if least is None else f"; {least:g} dB are asked"
        faults.append(f"has {left} optical margin{asked}")
    for key, what in (
        ("overload_ok", "may overload its receiver"),
        ("bandwidth_ok", "has too little bandwidth"),
        ("dispersion_ok", "has too much dispersion"),
    ):
        if row.get(key) is False:
            faults.append(what)
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


def unavailable(down: Facts, label: str) -> str:
    """An unavailability by its label; `at least 1.2 × 10⁻⁴` where something has no rate."""
    known, least = down.get(label), (down.get("at_least") or {}).get(label)
    return f"at least {probability(least)}" if known is None and least else probability(known)
