"""Sentences, the same on the terminal and on every page.

From the top: the sentences of a proof (its answer, its verdicts, one circuit, one group), then
what a circuit loses when the line that it protects falls, its limits, its waivers and record
gaps; the sentences of the what-ifs; and last lengths and places along a path. How a figure is
written stands in `waysapart.figures`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from typing import NamedTuple, TypeVar, cast

from waysapart.evidence import (
    RECOVERY_KEY,
    SHIFT_KEY,
    Assumption,
    Circuit,
    Cross,
    Delay,
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
from waysapart.figures import (
    Figures,
    beyond,
    decibels,
    figure,
    fixed,
    limit_said,
    metres,
    microseconds,
    milliseconds,
    plain_decibels,
    unavailable,
)
from waysapart.gaps import GAP_CODES
from waysapart.network.record_gaps import said_of_blanks
from waysapart.report.stretches import folded, from_to, kind_of, paths_of, shared_routes
from waysapart.reroute.new_plant.costs import AS_GIVEN, BudgetLine
from waysapart.text import counted, few, plural, sentence_list
from waysapart.verdicts.waivers import LAPSES_SOON_DAYS
from waysapart.whatif.changes import DifferenceFacts
from waysapart.whatif.dig import CircuitFacts, DigFacts, HitFacts, NextEventFacts
from waysapart.whatif.plan import ClashFacts, WorksFacts
from waysapart.whatif.resplice import ResplicePlace, SpliceToMake
from waysapart.whatif.worst import WorstFacts

GapT = TypeVar("GapT", RecordGap, GapBrief)
Links = Mapping[str, Link]
"""Facts of each link, by its id."""


# --- The whole proof: the question, the answer, what the verdicts mean.

QUESTION = (
    "Are the paths of each protection circuit apart, so that no one event puts them all out of "
    "service, and does each path stay within its limits?"
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
        "Nothing shared was found, but the records have a gap on one of the paths. The circuit "
        "may or may not be apart.",
    ),
    "accepted": (
        "accepted",
        "Everything that the paths share is accepted by a waiver that is still in force.",
    ),
    "apart": ("apart", _COMPLETE),
}


def answer(counts: Mapping[str, int]) -> str:
    """Answer the question of a proof: Yes, No or Not proven, with the counts.

    Parameters
    ----------
    counts : mapping of str to int
        Number of circuits under each verdict, `over_limit`, `unknown_limit` and `total`;
        `groups_shared` and `groups_unproven` where there are groups, `to_sign` where the
        answer rests on assumptions that somebody has to sign.

    Returns
    -------
    str
    """
    total = counts["total"]
    groups = _groups_said(counts)
    if total == 0:
        return "The study has no circuits, so there is nothing to judge."
    faults = [
        (counts["shared"], "shares plant between its paths", "share plant between their paths"),
        (counts["over_limit"], "is outside a limit", "are outside a limit"),
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


def _groups_said(counts: Mapping[str, int]) -> str:
    """Say how many groups share plant or cannot be proven; '' where none does."""
    shared, unproven = counts.get("groups_shared", 0), counts.get("groups_unproven", 0)
    said = []
    if shared:
        verb = "shares" if shared == 1 else "share"
        said.append(f"{count_of(shared, 'group')} {verb} plant between circuits")
    if unproven:
        said.append(f"{count_of(unproven, 'group')} cannot be proven")
    return sentence_list(said)


def _well(counts: Mapping[str, int]) -> str:
    """Say how many circuits are apart or accepted."""
    parts = []
    if counts["apart"]:
        parts.append(f"{counts['apart']} {'is' if counts['apart'] == 1 else 'are'} apart")
    if counts["accepted"]:
        verb = "is" if counts["accepted"] == 1 else "are"
        parts.append(f"{counts['accepted']} {verb} accepted by waiver")
    return f"{sentence_list(parts)}." if parts else "None is apart."


def verdict_words(gaps: int, to_sign: int) -> dict[Verdict, tuple[str, str]]:
    """Every verdict with its name and its meaning in a study.

    Parameters
    ----------
    gaps : int
        Record gaps of the study.
    to_sign : int
        Assumptions that somebody has to sign. Only without gaps and assumptions are the
        records of an apart circuit called complete.

    Returns
    -------
    dict of verdict to (str, str)
        Name and meaning.
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


# --- One circuit or group: what was found, and in which order circuits are listed.


def finding(circuit: Circuit, links: Links) -> str:
    """Say what was found about one circuit, in a sentence or two.

    Parameters
    ----------
    circuit : Circuit
        Its entry in the evidence.
    links : mapping of str to Link
        By id; needed for the limits of loss.

    Returns
    -------
    str
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
    """Say what was found about one group, in a sentence or two.

    Parameters
    ----------
    group : Group
        Its entry in the evidence.

    Returns
    -------
    str
    """
    return " ".join(_found_said(group, []) or [_NOTHING.format("")])


_NOTHING = "Nothing shared beyond what its ends need{}."


def _found_said(one: HeldApart, limits: Sequence[str]) -> list[str]:
    """Sentences on what is shared, near, crossing, outside a limit, not on record and accepted."""
    routes = shared_routes(one)
    left = [route for route in routes if not route.waived]
    heads = [route.label for route in left if not route.needed]
    needs = [route.label for route in left if route.needed]
    same = same_route_said(one)
    parts = [same] if same else []
    parts += [f"Shared: {_listed(heads)}."] if heads else []
    parts += [f"All paths need {_listed(needs)}."] if needs else []
    near = [row for row in one["near"] if not row["waived"]]
    cross = [row for row in one["cross"] if row["forbidden"] and not row["waived"]]
    if spared(one):
        parts.append(spared_said(one))
        near, cross = [], []
    parts += _near_said(near)
    if len(cross) == 1:
        parts.append(f"{cross[0]['main']} and {cross[0]['alternate']} cross.")
    elif cross:
        parts.append(f"Crossing at {count_of(len(cross), 'place')}.")
    parts += [*limits, *_gaps_said(one["gaps"])]
    waived = sum(len(route.findings) for route in routes if route.waived)
    waived += sum(near["waived"] for near in one["near"])
    waived += sum(row["waived"] for row in one["cross"])
    if waived:
        parts.append(f"{count_of(waived, 'finding').capitalize()} accepted by waiver.")
    return parts


_MOST_SHARED = 3
_MOST = 0.5
"""Paths that are the same over this share of the length of each say so first."""


def _listed(labels: Sequence[str]) -> str:
    """Names in a sentence; where one has a comma of its own, semicolons part them."""
    if not any(", " in label for label in labels) or len(labels) == 1:
        return sentence_list(labels, most=_MOST_SHARED)
    more = len(labels) - _MOST_SHARED
    return "; ".join([*labels[:_MOST_SHARED], *([f"and {more} more"] if more > 0 else [])])


def same_route_said(one: HeldApart) -> str:
    """Say first that the paths of a circuit are the same over most of the length of each.

    Parameters
    ----------
    one : Circuit or Group

    Returns
    -------
    str
        `The paths are the same over 302 km of 310 km.`; empty where they are not, where that is
        accepted, and for groups and paths whose whole length is not on record.
    """
    paths = paths_of(one)
    shared = dict.fromkeys(paths, 0.0)
    for route in shared_routes(one):
        if route.laid and not route.waived:
            for label in shared.keys() & route.along.keys():
                low, high = route.along[label]
                shared[label] += high - low
    whole = {label: path["route_m"] for label, path in paths.items()}
    if len(whole) < 2 or not all(whole.values()):
        return ""
    share = min(shared[label] / length for label, length in whole.items() if length)
    if share < _MOST:
        return ""
    label = next(iter(whole))
    if share > 0.999:
        return f"The paths are the same all the way, {metres(whole[label])}."
    said, of = metres(shared[label]), metres(whole[label])
    return f"The paths are the same over {said} of {of}."


def spared(one: HeldApart) -> int:
    """Number of near approaches and crossings of some paths that stand against nothing.

    Of more than two paths, two may come close where others do not: wherever that is, a path is
    left.

    Parameters
    ----------
    one : Circuit or Group

    Returns
    -------
    int
        0 where what is told stands against it, so that the verdict is `shared`.
    """
    if one["verdict"] == "shared":
        return 0
    cross = [row for row in one["cross"] if row["forbidden"] and not row["waived"]]
    return sum(not row["waived"] for row in one["near"]) + len(cross)


def spared_said(one: HeldApart) -> str:
    """Say of `spared` that it does not count.

    Parameters
    ----------
    one : Circuit or Group

    Returns
    -------
    str
    """
    number = spared(one)
    verb = "leaves" if number == 1 else "each leave"
    what = count_of(number, "near approach or crossing", "near approaches or crossings")
    return f"{what} between some of its paths {verb} another path clear."


def _near_said(near: Sequence[Near]) -> list[str]:
    """Near stretches of a circuit: the nearest in full, and how many there are."""
    if not near:
        return []
    nearest = min(near, key=lambda one: one["distance_m"])
    said = f"{near_stretch(nearest)}."
    if len(near) == 1:
        return [said]
    along = metres(sum(one["length_m"] for one in near))
    return [f"Near in {len(near)} stretches, {along} together; the nearest: {said}"]


def near_stretch(near: Near) -> str:
    """Say how near paths come along a stretch, over what length, and which pair is nearest.

    Parameters
    ----------
    near : Near

    Returns
    -------
    str
        `25.0 m apart over 13.6 km, 46 spans (nearest: SP32-0 and SP128-0)`; of one pair alone
        `U6-D06 and U7-D07 are 1.5 m apart over 811 m`.
    """
    names = f"{near['main']} and {near['alternate']}"
    apart = f"{metres(near['distance_m'])} apart"
    if near["length_m"]:
        apart += f" over {metres(near['length_m'])}"
    if len(near["members"]) == 1:
        return f"{names} are {apart}"
    return f"{apart}, {_segments_said(near)} (nearest: {names})"


def near_where(near: Near) -> str:
    """How many segments of the first path a near stretch has, and where along it they lie.

    Parameters
    ----------
    near : Near

    Returns
    -------
    str
        `46 spans, 0.1 to 13.7 km`.
    """
    return f"{_segments_said(near)}, {from_to(near['from_m'], near['to_m'])}"


def _segments_said(near: Near) -> str:
    kinds = {one["main"]: one["kinds"][0] for one in near["members"]}
    same = set(kinds.values())
    return plural(len(kinds), next(iter(same)) if len(same) == 1 else "segment")


def closest_said(one: HeldApart) -> str:
    """Closest approach with the pair that it is between, and what the rules say of that pair.

    Parameters
    ----------
    one : Circuit or Group

    Returns
    -------
    str
        `12.2 m, AD32-1 and AD128-1, far enough apart by the rules`; without a pair where it was
        not examined.
    """
    if one["closest_m"] is None or "closest" not in one:
        return "not examined"
    pair = one["closest"]["main"], one["closest"]["alternate"]
    distance = distance_said(one)
    if pair[0] == pair[1]:
        return f"{distance}, both on {pair[0]}"
    said = f"{distance}, {pair[0]} and {pair[1]}"
    for near in (*one["near"], *one["near_folded"]):
        if any((row["main"], row["alternate"]) == pair for row in near["members"]):
            return f"{said}, beside shared {near['under']}" if "under" in near else said
    met = any((row["main"], row["alternate"]) == pair for row in one["cross"])
    return said if met or not one["near"] else f"{said}, far enough apart by the rules"


def _gaps_said(gaps: Sequence[GapBrief]) -> list[str]:
    """How many gaps touch a circuit: one sentence for separation, one for limits."""
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


_URGENCY = {"shared": 0, "unproven": 2, "accepted": 3, "apart": 4}
_OVER_LIMIT = 1


def importance(circuit: Circuit) -> tuple[int, int, list[tuple[int, str]]]:
    """Sort key of circuits: urgency, then the number of findings, then the id.

    Parameters
    ----------
    circuit : Circuit

    Returns
    -------
    tuple
    """
    return urgency(circuit), -found_in(circuit), counted(circuit["id"])


def urgency(circuit: Circuit) -> int:
    """Order of importance of a circuit.

    Parameters
    ----------
    circuit : Circuit

    Returns
    -------
    int
        From 0: shared, outside a limit, unproven or limit not known, the rest.
    """
    by_verdict, kept = _URGENCY[circuit["verdict"]], circuit["within_limits"]
    if kept is None:
        return min(by_verdict, _URGENCY["unproven"])
    return by_verdict if kept else min(by_verdict, _OVER_LIMIT)


def found_in(one: HeldApart) -> int:
    """Number of findings of a circuit or group that no waiver accepts.

    Parameters
    ----------
    one : Circuit or Group

    Returns
    -------
    int
        Shared stretches, near approaches and forbidden crossings.
    """
    close: list[Near | Cross] = [
        near for near in (*one["near"], *one["near_folded"]) if "under" not in near
    ]
    close += [cross for cross in one["cross"] if cross["forbidden"]]
    if spared(one):
        close = []
    return sum(not found.waived for found in folded(one)) + sum(not row["waived"] for row in close)


# --- Single points of failure.


def single_points(one: HeldApart) -> list[str]:
    """Ids of all assets whose loss alone breaks every path of a circuit or group.

    Parameters
    ----------
    one : Circuit or Group

    Returns
    -------
    list of str
        Those of one stretch and one role stand together.
    """
    found = one["single_points"]
    whole = set(found["stretches"])
    # Those of one role stand together: spans and the towers between them make two runs.
    by_role: dict[tuple[int, str], list[str]] = {}
    for entry in one["shared"]:
        if entry["stretch"] in whole:
            by_role.setdefault((entry["stretch"], entry["role"]), []).append(entry["asset"])
    return [*found["assets"], *(name for names in by_role.values() for name in names)]


def at_the_ends(one: HeldApart) -> set[str]:
    """What a circuit or group cannot avoid: what its ends need, and the tail of a circuit.

    Parameters
    ----------
    one : Circuit or Group

    Returns
    -------
    set of str
        Ids.
    """
    return {*one["unavoidable"], *cast("list[str]", one.get("tail", ()))}


def single_points_said(one: HeldApart) -> str:
    """Count the single points of failure: `10 single points, of which 8 at the ends`.

    Parameters
    ----------
    one : Circuit or Group

    Returns
    -------
    str
        Those at the ends are what no routing avoids, see `at_the_ends`.
    """
    every = set(single_points(one))
    ends = len(every & at_the_ends(one))
    said = count_of(len(every), "single point")
    if reliance_open(one):
        said = f"at least {said}" if every else "single points not known"
    if not every:
        return said
    if len(every) == 1:
        return f"{said}, {'at an end' if ends else 'not at the ends'}"
    return f"{said}, of which {ends or 'none'} at the ends"


# --- What a circuit loses when what it protects falls.


def own_line_said(circuit: Circuit) -> list[tuple[str, list[str]]]:
    """Say what happens to a circuit when what it protects falls.

    Parameters
    ----------
    circuit : Circuit

    Returns
    -------
    list of (str, list of str)
        A sentence for each case and the ids of the assets that fall; the cases in which no path
        remains come first: `silent when line L1 falls (...)`, then `when line L1 falls (45
        towers and 44 spans): main is lost with it, alternate remains, 50 ms to switch`.
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
        more = "more of its paths" if entries else "its paths"
        said.append((f"not known whether {more} are lost with what it protects: {why}", []))
    return said


def silent_with(circuit: Circuit) -> list[str]:
    """What a circuit protects and cannot survive: if it, or a part of it, falls, no path remains.

    Parameters
    ----------
    circuit : Circuit

    Returns
    -------
    list of str
        Kind and id, such as `line L1`, each once.
    """
    cases = own_line_cases(circuit)
    return list(dict.fromkeys(case.protected for case in cases if not case.remains))


@dataclass(frozen=True)
class OwnLineCase:
    """Parts of what a circuit protects that cut the same paths when they fall.

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
    """Group `with_protected` by what falls and what is lost; cases without a path come first."""
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
    """An asset by kind and id; an id that begins with its kind stands alone.

    Examples
    --------
    >>> kind_and_id("line", "L1"), kind_and_id("pit", "pit-7"), kind_and_id(None, "X")
    ('line L1', 'pit-7', 'X')
    """
    return name if not kind or name.startswith(f"{kind}-") else f"{kind} {name}"


def _verb(subjects: Sequence[str], one: str, many: str) -> str:
    return one if len(subjects) == 1 else many


def _to_switch(circuit: Circuit, lost: Sequence[str]) -> str:
    """Time to switch, where the working path is among those lost."""
    paths = circuit["paths"]
    working = next((one for one, path in paths.items() if not path["out_of_service"]), None)
    if working not in lost:
        return "nothing to switch"
    recovery = circuit["delay"]["recovery_ms"]
    if recovery is None:
        return "time to switch not known"
    return f"{milliseconds(recovery)} to switch{recovery_mark(circuit['delay'])}"


def recovery_mark(delay: Delay) -> str:
    """Say whether a recovery time is assumed.

    Parameters
    ----------
    delay : Delay

    Returns
    -------
    str
        To be put behind the figure; empty where it is on record.
    """
    return " (assumed)" if delay["recovery_assumed"] else ""


_MORE_UNKNOWN = frozenset(
    [
        *("removed-reference", "dangling-reference", "no-id", "blank-required", "unreadable-value"),
        *("unusable-geometry", "cable-without-runs", "match-uncovered", "match-ambiguous"),
        *("cable-broken", "link-without-runs", "link-broken", "link-end", "path-broken"),
        *("path-end", "single-path", "ring-broken", "leased-route", "hop-route", "radio-route"),
        *("internal-far", "trace-stops", "trace-loop", "runs-differ", "end-meets-nothing"),
    ]
)
"""Codes of gaps that may hide plant of a path: what is on record of it is not the whole course."""
_MORE_RELIED = _MORE_UNKNOWN | {
    *("blank-within", "blank-supplies", "blank-needs", "supply-loop", "end-ambiguous"),
    *("joints-unrecorded", "ports-uneven", "splice-side", "lies-in-itself"),
}
"""Codes of gaps that may hide something that a path relies on."""


def course_open(one: HeldApart) -> bool:
    """Whether a record gap may hide plant of a path, so that a closer approach may exist.

    Parameters
    ----------
    one : Circuit or Group

    Returns
    -------
    bool
    """
    return any(gap["code"] in _MORE_UNKNOWN for gap in one["gaps"])


def reliance_open(one: HeldApart) -> bool:
    """Whether a record gap may hide something that a path relies on, so that counts are the least.

    Parameters
    ----------
    one : Circuit or Group

    Returns
    -------
    bool
    """
    return any(gap["code"] in _MORE_RELIED for gap in one["gaps"])


def distance_said(one: HeldApart) -> str:
    """The closest approach outside the end zones: `248 m`, `at most 248 m`, `not examined`.

    Parameters
    ----------
    one : Circuit or Group

    Returns
    -------
    str
        `at most` where a record gap may hide a closer one.
    """
    if one["closest_m"] is None:
        return "not examined"
    return f"{'at most ' if course_open(one) else ''}{metres(one['closest_m'])}"


def relied_said(path: Path, one: HeldApart) -> str:
    """How many assets a path relies on: `57 assets`, `at least 57 assets`.

    Parameters
    ----------
    path : Path
    one : Circuit
        Whose path it is.

    Returns
    -------
    str
    """
    at_least = "at least " if reliance_open(one) else ""
    return f"{at_least}{count_of(path['relies_on'], 'asset')}"


def recovery_assumed_said(delay: Delay) -> str:
    """Say what a recovery time rests on that the rules fill in; '' where it is on record.

    Parameters
    ----------
    delay : Delay

    Returns
    -------
    str
    """
    if not delay["recovery_assumed"]:
        return ""
    return (
        "something on its paths that must switch states no recovery_ms, and the rules count "
        f"{milliseconds(delay['recovery_ms'])} at the least"
    )


def filled_delays_said(to_sign_for: Sequence[Assumption]) -> str:
    """Say that delays rest on what the rules take for equipment that states none; '' if none does.

    Parameters
    ----------
    to_sign_for : sequence of Assumption
        Those to sign.

    Returns
    -------
    str
    """
    kinds = [
        f"{kind} {row['value'] if isinstance(row['value'], str) else microseconds(row['value'])}"
        for row in to_sign_for
        for head, _, kind in (row["key"].rpartition("."),)
        if head == "records.delay_us"
    ]
    if not kinds:
        return ""
    return (
        "equipment that states no delay counts as the rules say, wherever it is on a path: "
        f"{sentence_list(kinds)}"
    )


def loss_assumed_said(assumptions: Sequence[Assumption]) -> str:
    """Say which values of the rules count in a loss where nothing is on record or measured.

    Parameters
    ----------
    assumptions : sequence of Assumption

    Returns
    -------
    str
    """
    known = {row["key"]: row["value"] for row in assumptions}
    said = [
        f"{what} {limit_said(known[key], 'db')}"
        for key, what in (("defaults.splice_db", "splice"), ("defaults.connector_db", "connector"))
        if isinstance(known.get(key), int | float)
    ]
    return sentence_list([*said, "the attenuation of each type of fibre"])


# --- Limits: those that are broken, and those that the records leave open.


def limits_broken(circuit: Circuit, links: Links) -> list[str]:
    """One sentence for each limit that the circuit exceeds."""
    said: list[str] = []
    delay = circuit["delay"]
    if delay["ok"] is False:
        said.append(
            f"Delay of {_exceeding(delay, 'worst_us', 'limit_us')} exceeds its limit of "
            f"{limit_said(delay['limit_us'], 'us')}."
        )
    if delay["asymmetry_ok"] is False:
        said.append(
            f"Asymmetry of {_exceeding(delay, 'asymmetry_us', 'asymmetry_limit_us')} exceeds its "
            f"limit of {limit_said(delay['asymmetry_limit_us'], 'us')}."
        )
    if delay["recovery_ok"] is False:
        said.append(
            f"Recovery time of {milliseconds(delay['recovery_ms'])}{recovery_mark(delay)} exceeds "
            f"its limit of {limit_said(delay['recovery_limit_ms'], 'ms')}."
        )
    if circuit["loss_ok"] is False:
        for one in link_losses(circuit, links):
            said += [f"Link {one.row['link']} ({one.path}) {what}." for what in _optical(one)]
    down = circuit["unavailability"]
    if down["ok"] is False:
        said.append(
            f"Unavailability of {unavailable(down, 'both')} exceeds its limit of "
            f"{limit_said(down['limit'], 'share')}."
        )
    return said


def _exceeding(figures: Figures, key: str, limit: str) -> str:
    """A delay that breaks a limit; where only its bound is known, the bound as it stands."""
    text, value = figure(figures, key), figures[key]
    return text if value is None else beyond(value, figures[limit], text)


def _optical(one: LinkLoss) -> list[str]:
    """Limits that a link's optical budget breaks, each as the end of a sentence."""
    faults, held = [], one.held
    if held["margin_ok"] is False:
        margin = one.row["margin_db"]
        left = "too little"
        if margin is not None:
            text = f"{plain_decibels(margin)} dB"
            left = f"only {beyond(margin, held['min_margin_db'], text)} of"
        required = limit_said(held["min_margin_db"], "db")
        faults.append(f"has {left} optical margin; {required} required")
    if held["overload_ok"] is False:
        faults.append("may overload its receiver")
    if held["bandwidth_ok"] is False:
        faults.append("has too little bandwidth")
    if held["dispersion_ok"] is False:
        faults.append("has too much dispersion")
    return faults


def limits_open(circuit: Circuit) -> list[str]:
    """One sentence for each limit of delay that the records leave open."""
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
                f"{name}{bound} may exceed its limit of {limit_said(limit, 'us')}: not all of it "
                "is on record."
            )
    return said


@dataclass(frozen=True)
class LinkLoss:
    """Loss of one link of a path.

    Attributes
    ----------
    path : str
        Label of the path.
    row : PathLoss
        Facts of the loss on this path.
    link : Loss
        Facts of the link's loss, the same for every circuit.
    held : HeldTo
        Limits that the circuit's service sets.
    doubt : bool
        Whether a record gap of the circuit puts in doubt what is on record of a loss.
    """

    path: str
    row: PathLoss
    link: Loss
    held: HeldTo
    doubt: bool = False

    @property
    def open(self) -> bool:
        """Whether a record gap leaves open the loss that the records give, and with it the limit.

        It may lack something: a segment that is not on record, say.
        """
        return self.link["margin_db"] is not None and self.held["margin_ok"] is None


def link_losses(circuit: Circuit, links: Links) -> list[LinkLoss]:
    """Loss of every link of every path of a circuit, under the limits of its service.

    Parameters
    ----------
    circuit : Circuit
    links : mapping of str to Link
        By id.

    Returns
    -------
    list of LinkLoss
        In the order of the paths.
    """
    found = []
    codes = (GAP_CODES[gap["code"]] for gap in circuit["gaps"])
    doubt = any(code.doubt and "loss" in code.limits for code in codes)
    for label, path in circuit["paths"].items():
        for row in path["loss"]:
            loss = links[row["link"]]["loss"]
            assert loss is not None
            held = next(one for one in loss["held_to"] if circuit["service"] in one["services"])
            found.append(LinkLoss(label, row, loss, held, doubt))
    return found


def link_decibels(one: LinkLoss, name: str, unit: str = " dB") -> str:
    """Loss or margin of a link on a path: `6.33 dB`, `at least 6.33 dB`, `6.33 dB, in doubt`.

    Parameters
    ----------
    one : LinkLoss
    name : str
        `loss` or `margin`.
    unit : str
        Follows the number.

    Returns
    -------
    str
        A bound where a gap leaves the figure open; in doubt where it may be wrong either way.
    """
    said = decibels(one.link, name, unit)
    if not one.open:
        return said
    if one.doubt:
        return f"{said}, in doubt"
    return f"at {'least' if name == 'loss' else 'most'} {said}"


def budget_line(line: BudgetLine) -> str:
    """Say a line of a budget, so that it can be worked out again.

    Parameters
    ----------
    line : BudgetLine

    Returns
    -------
    str

    Examples
    --------
    >>> row = {"what": "duct D9", "key": "build.per_m.duct", "count": None, "length_m": 120.0}
    >>> budget_line({**row, "rate": 95.0, "cost": 11400.0})
    '120 m of duct D9 at 95 = 11,400'
    """
    if line["length_m"] is not None:
        much = f"{plain_sum(line['length_m'])} m of"
    else:
        much = "an unknown number of" if line["count"] is None else f"{line['count']:,d}"
    told = f"{much} {line['what']}"
    if line.get("as_given"):
        return f"{told}, as given: {plain_sum(line['cost'])}"
    if line["rate"] is None:
        return f"{told} at an unknown price"
    if line["cost"] is None:
        return f"{told} at {plain_sum(line['rate'])}"
    return f"{told} at {plain_sum(line['rate'])} = {plain_sum(line['cost'])}"


def plain_sum(value: float | None) -> str:
    """A sum or a length as people write it: 18,400, 12.5 or 0.75.

    Parameters
    ----------
    value : float or None

    Returns
    -------
    str
        `not known` for None.
    """
    if value is None:
        return "not known"
    return f"{value:,.2f}".rstrip("0").rstrip(".")


def money(value: float | None, named: str) -> str:
    """A sum with its unit; what names no unit stands in brackets.

    Parameters
    ----------
    value : float or None
    named : str
        The unit.

    Returns
    -------
    str

    Examples
    --------
    >>> money(18400.0, "EUR"), money(12.5, "as given"), money(None, "EUR")
    ('18,400 EUR', '12.5 (as given)', 'not known')
    """
    if value is None:
        return plain_sum(None)
    return f"{plain_sum(value)} ({named})" if named == AS_GIVEN else f"{plain_sum(value)} {named}"


# --- Record gaps, what to record first, assumptions to sign, waivers.

BEARS = {"separation": "separation", "limits": "limits", "both": "separation and limits"}
"""What a gap bears on, in words."""


def first_of_each(gaps: Sequence[GapT], most: int) -> list[GapT]:
    """The first gaps of each code, in their order.

    Parameters
    ----------
    gaps : sequence of gaps
    most : int
        How many of one code at most.

    Returns
    -------
    list of gaps
    """
    seen: dict[str, int] = {}
    kept = []
    for gap in gaps:
        seen[gap["code"]] = seen.get(gap["code"], 0) + 1
        if seen[gap["code"]] <= most:
            kept.append(gap)
    return kept


def gap_count(gaps: Sequence[RecordGap | GapBrief]) -> int:
    """Number of gaps in a list where one entry may stand for many gaps of one kind.

    Parameters
    ----------
    gaps : sequence of RecordGap or GapBrief

    Returns
    -------
    int
    """
    return sum(gap["count"] for gap in gaps)


def place_said(gap: RecordGap) -> str:
    """Place of a gap's record: `cables.csv, layer cables, row 40`.

    Parameters
    ----------
    gap : RecordGap

    Returns
    -------
    str
        Without the row where the entry stands for many gaps.
    """
    named = [
        ("", gap["file"]),
        ("layer ", gap["layer"]),
        ("row ", None if gap["count"] > 1 else gap["row"]),
        ("column ", gap["column"]),
    ]
    return ", ".join(f"{word}{value}" for word, value in named if value is not None)


def records_to_enter(step: RecordStep) -> str:
    """Say which records one step of the work list enters: `within of D-4 and D-7 (segments)`.

    Parameters
    ----------
    step : RecordStep

    Returns
    -------
    str
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
    """Say what the records of one step decide: `C03, C07 and group G1; the limits of C05`.

    Parameters
    ----------
    step : RecordStep

    Returns
    -------
    str
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
    """Sum up the work list: how many records decide what, and whether the order is exact.

    Parameters
    ----------
    first : RecordFirst

    Returns
    -------
    str
    """
    steps = first["steps"]
    records = count_of(sum(step["count"] for step in steps), "record")
    circuits = {name for step in steps for name in step["decides"]}
    limits = {name for step in steps for name in step["limits"]}
    groups = sum(len(step["groups"]) for step in steps)
    parts = [count_of(len(circuits), "circuit")] if circuits else []
    parts += [count_of(groups, "group")] if groups else []
    parts += [f"the limits of {count_of(len(limits), 'circuit')}"] if limits else []
    how = (
        "This order is exact: no other decides as much with fewer records."
        if first["exact"]
        else "This order was built step by step: another may decide as much with fewer records."
    )
    said = f"{records} in all, to decide {sentence_list(parts)}. {how}"
    left = [sentence_list(first["left"], most=6)] if first["left"] else []
    if first["limits_left"]:
        left.append(f"the limits of {sentence_list(first['limits_left'], most=6)}")
    return f"{said} These records do not decide {' or '.join(left)}." if left else said


_AGED = {"survey": "surveys", "test": "measurements", "leased_route": "statements of leased routes"}


def age_line(age: RecordAge) -> str:
    """Say how old the records of one kind are, in one line.

    Parameters
    ----------
    age : RecordAge

    Returns
    -------
    str
    """
    said = f"{_AGED[age['what']]}: {age['dated']:,} dated"
    if age["oldest"] is not None:
        said += f", the oldest {age['oldest']} ({age['oldest_days']:,} days)"
    if age["limit_days"] is not None:
        said += f", {age['too_old']:,} older than the {age['limit_days']:,.0f} days allowed"
    return f"{said}; {age['undated']:,} undated" if age["undated"] else f"{said}; none undated"


def to_sign(facts: Evidence) -> list[Assumption]:
    """The assumptions of a proof that somebody has to sign.

    Parameters
    ----------
    facts : Evidence

    Returns
    -------
    list of Assumption
    """
    return [row for row in facts["assumptions"] if row.get("to_sign")]


def assumption_said(row: Assumption) -> str:
    """Say what an assumption to sign assumes: `needs of 3 relays: taken as none`.

    Parameters
    ----------
    row : Assumption

    Returns
    -------
    str
    """
    head, _, rest = row["key"].partition(".")
    value, count = row["value"], row.get("count", 0)
    if head == "records":
        column, _, kind = rest.partition(".")
        taken = value if isinstance(value, str) else f"{value:g} µs"
        return f"{said_of_blanks(column, kind, count)}: taken as {taken}"
    if row["key"] == SHIFT_KEY:
        lie = "layer lies" if count == 1 else "layers lie"
        return f"{count} {lie} within {value:g} m of where another datum puts the rest of the plant"
    if row["key"] == RECOVERY_KEY:
        its = "its" if count == 1 else "their"
        return (
            f"recovery time of {count_of(count, 'circuit')}: taken as at least {value:g} ms, "
            f"because something on {its} paths that must switch states no recovery_ms"
        )
    if isinstance(value, int | float):  # of a file that has been changed
        return f"{row['key']}: {value:g}"
    names = [str(name) for name in value]
    if head == "groups":
        return f"members of a group may share these at their ends: {sentence_list(names)}"
    told = sentence_list(names, most=6)
    return f"{count_of(count, 'holder')} left out as too large to show a common risk: {told}"


def waived_thing(waiver: JudgedWaiver) -> str:
    """Say what a waiver accepts: `P-9`, `all in L1`, `D-5 / S-3`.

    Parameters
    ----------
    waiver : JudgedWaiver

    Returns
    -------
    str
    """
    if waiver["within"]:
        return f"all in {waiver['within']}"
    return waiver["asset"] or " / ".join(waiver["pair"] or ())


def waiver_state(waiver: JudgedWaiver) -> str:
    """The state of a waiver, with the days left where it lapses soon.

    Parameters
    ----------
    waiver : JudgedWaiver

    Returns
    -------
    str
    """
    state, days = waiver["state"], waiver["lapses_in_days"]
    if not lapses_soon(waiver):
        return state
    return f"{state}, " + (f"{count_of(days, 'day')} left" if days else "today is its last day")


def lapses_soon(waiver: JudgedWaiver) -> bool:
    """Whether a waiver that counts has `LAPSES_SOON_DAYS` days or fewer left.

    Parameters
    ----------
    waiver : JudgedWaiver

    Returns
    -------
    bool
    """
    days = waiver["lapses_in_days"]
    return days is not None and days <= LAPSES_SOON_DAYS


# --- The what-ifs: comparison, works, plan of works.

NOTHING_CHANGED = "Nothing changed."
CHANGED = ("worse", "better", "new", "gone")
"""Changes of a circuit, in the order of importance."""
MOST_NAMED = 6
"""Names in a sentence before it says how many more there are."""
_FROM = {
    "call": "as given for all plant in this notice",
    "record": "on record for this asset",
    "rules": "from the rules",
}


def changes_said(counts: Mapping[str, int]) -> str:
    """Counts of changes: `0 worse, 1 better, 28 same`.

    Parameters
    ----------
    counts : mapping of str to int
        By change.

    Returns
    -------
    str
        New and gone only where there are any.
    """
    return ", ".join(f"{counts[change]} {change}" for change in ("worse", "better", "same")) + (
        "".join(f", {counts[change]} {change}" for change in ("new", "gone") if counts[change])
    )


def less_on_record_said(circuits: Iterable[DifferenceFacts]) -> str:
    """Name the paths that rely on fewer assets than before over the same links.

    Parameters
    ----------
    circuits : iterable of DifferenceFacts

    Returns
    -------
    str
        Empty if there are none.
    """
    paths = [
        f"{one['id']} {path['path']} "
        f"({path['relies_on']['before']} to {path['relies_on']['after']})"
        for one in circuits
        for path in one["less_on_record"]
    ]
    if not paths:
        return ""
    return (
        f"Fewer assets on record for the same links: {few(paths, MOST_NAMED)}. "
        "Either plant was removed or a record was lost: check which."
    )


def lasting_said(facts: DigFacts) -> str:
    """Say which supplies bridge works that last so many hours.

    Parameters
    ----------
    facts : DigFacts
        With `hours`.

    Returns
    -------
    str
        Such as `For 4 h, on battery: BAT-1 (8 h)`.
    """
    riding = [f"{one['asset']} ({one['autonomy_h']:g} h)" for one in facts["on_battery"]]
    if not riding:
        return f"For {facts['hours']:g} h: no battery on record lasts that long"
    return f"For {facts['hours']:g} h, on battery: {few(riding, MOST_NAMED)}"


def works_answer(facts: DigFacts) -> str:
    """Say which circuits works put out of service, and how many they leave with one path.

    Parameters
    ----------
    facts : DigFacts

    Returns
    -------
    str
        `C04, C17 and C33 are lost; 4 left with one path, 3 unknown`, with no full stop.
    """
    counts = facts["summary"]
    one_path = sum(n for state, n in counts.items() if state.startswith("on-"))
    lost = [one["id"] for one in facts["circuits"] if one["state"] == "lost"]
    groups = [f"group {one['id']}" for one in facts["groups"] if one["state"] == "lost"]
    parts = [
        f"{one_path or 'none'} left with one path",
        *([f"{counts['weakened']} weakened"] if counts["weakened"] else []),
        f"{counts['unknown']} unknown",
    ]
    named = [*lost, *groups]
    known = "is known to be lost" if counts["unknown"] else "is lost"
    said = f"{_several(named)} {_verb(named, 'is', 'are')} lost" if named else f"no circuit {known}"
    return f"{said}; {', '.join(parts)}"


class NextRow(NamedTuple):
    """Single things that would take the same, while works last.

    Attributes
    ----------
    assets : list of str
    kinds : list of str
        Each once, in the order of the assets.
    lost, groups : list of str
    end : bool
        Whether they are sites, or what sites lie in.
    """

    assets: list[str]
    kinds: list[str]
    lost: list[str]
    groups: list[str]
    end: bool


def next_rows(events: Sequence[NextEventFacts]) -> list[NextRow]:
    """Put single things that would take the same circuits and groups into one row.

    Parameters
    ----------
    events : sequence of NextEventFacts
        `next_events` of the facts of a dig.

    Returns
    -------
    list of NextRow
        In the order of the facts: things to be avoided first, the most circuits first.
    """
    rows: dict[tuple[bool, tuple[str, ...], tuple[str, ...]], list[NextEventFacts]] = {}
    for one in events:
        key = (one["class"] == "end", tuple(one["lost"]), tuple(one["groups"]))
        rows.setdefault(key, []).append(one)
    return [
        NextRow(
            [one["asset"] for one in mine],
            list(dict.fromkeys(one["kind"] or one["role"] for one in mine)),
            list(lost),
            list(groups),
            end,
        )
        for (end, lost, groups), mine in rows.items()
    ]


def unknown_said(facts: DigFacts | WorstFacts) -> str:
    """Say for which circuits the records leave open what else takes them.

    Parameters
    ----------
    facts : DigFacts or WorstFacts

    Returns
    -------
    str
        Empty where there are none.
    """
    names = facts["unknown"]
    if not names:
        return ""
    return (
        f"{few(names, MOST_NAMED)}: record gaps leave open what else would put "
        f"{'it' if len(names) == 1 else 'them'} out of service"
    )


def over_limits(circuit: CircuitFacts) -> list[str]:
    """Names of the limits that a circuit breaks during works.

    Parameters
    ----------
    circuit : CircuitFacts

    Returns
    -------
    list of str
        A limit that cannot be checked is not broken.
    """
    kept = {
        "delay": circuit["delay_ok"],
        "asymmetry": circuit["asymmetry_ok"],
        "optical margin": circuit["loss_ok"],
    }
    return [name for name, ok in kept.items() if ok is False]


def surveyed(hit: HitFacts) -> str:
    """Survey accuracy of an asset that is hit, and its source.

    Parameters
    ----------
    hit : HitFacts

    Returns
    -------
    str
        Empty where the asset was named by its id.
    """
    if hit["accuracy_m"] is None or hit["accuracy_from"] is None:
        return ""
    return f"{metres(hit['accuracy_m'])}, {_FROM[hit['accuracy_from']]}"


class RespliceStep(NamedTuple):
    """Splices of one place that carry the same and lie in one tray.

    Attributes
    ----------
    carries : str
        Such as `main of C04`, or `spare`.
    tray : str
        Empty where none is on record.
    fibres : str
        Such as `UC-4 5 to OP-N1 9, UC-4 6 to OP-N1 10`, or for a cable that is cut `fibres 5-8`.
    """

    carries: str
    tray: str
    fibres: str


def resplice_place(place: ResplicePlace) -> str:
    """Say which joint is hit, or which cable is cut where.

    Parameters
    ----------
    place : ResplicePlace

    Returns
    -------
    str
    """
    at = few(place["at"], MOST_NAMED)
    if place["joint"] is not None:
        return f"joint {place['joint']}" + (f" at {at}" if at else "")
    return f"cable {place['cable']}" + (f", cut at {at}" if place["at"] != [place["cable"]] else "")


def resplice_steps(place: ResplicePlace) -> list[RespliceStep]:
    """The splices to make at one place, in order, those that go together as one.

    Parameters
    ----------
    place : ResplicePlace

    Returns
    -------
    list of RespliceStep
    """
    found = []
    for (carries, tray), rows in groupby(
        place["splices"], key=lambda row: (_carries_said(row), row["tray"])
    ):
        mine = list(rows)
        if place["joint"] is None:
            several = "fibres" if len(mine) > 1 else "fibre"
            fibres = f"{several} {numbers_said([row['a_fibre'] for row in mine])}"
        else:
            fibres = ", ".join(_pairs_said(several) for several in _pairs_in_step(mine))
        found.append(RespliceStep(carries, tray or "", fibres))
    return found


def _pairs_in_step(rows: Sequence[SpliceToMake]) -> list[list[SpliceToMake]]:
    """Splices of the same cables whose fibres count up together, as one; three and more."""
    found: list[list[SpliceToMake]] = []
    for row in rows:
        last = found[-1][-1] if found else None
        if (
            last is not None
            and (row["a_cable"], row["b_cable"]) == (last["a_cable"], last["b_cable"])
            and row["a_fibre"] == last["a_fibre"] + 1
            and row["b_fibre"] == last["b_fibre"] + 1
        ):
            found[-1].append(row)
        else:
            found.append([row])
    return [part for some in found for part in ([some] if len(some) > 2 else [[r] for r in some])]


def _pairs_said(rows: Sequence[SpliceToMake]) -> str:
    a, b = ([row[name] for row in rows] for name in ("a_fibre", "b_fibre"))
    cables = rows[0]["a_cable"], rows[0]["b_cable"]
    return f"{cables[0]} {numbers_said(a)} to {cables[1]} {numbers_said(b)}"


def _carries_said(row: SpliceToMake) -> str:
    if row["carries"] == "spare":
        return "spare"
    if row["carries"] == "other":
        return f"{'link' if len(row['links']) == 1 else 'links'} {sentence_list(row['links'])}"
    return f"{row['carries']} of {sentence_list(row['circuits'])}"


def resplice_unknown(place: ResplicePlace) -> list[str]:
    """Say what the records leave open about the fibres of one place.

    Parameters
    ----------
    place : ResplicePlace

    Returns
    -------
    list of str
    """
    said = []
    if place["unsure"]:
        said.append(
            f"which fibres {sentence_list(place['unsure'])} "
            f"{'has' if len(place['unsure']) == 1 else 'have'} is not on record: find out first"
        )
    if place["dark"] is None:
        said.append("how many fibres it has is not on record")
    elif place["dark"]:
        said.append(f"{count_of(place['dark'], 'fibre')} with nothing on record")
    return said


def clash_said(clash: ClashFacts) -> str:
    """Say which works must not overlap, and which circuits are lost if they do.

    Parameters
    ----------
    clash : ClashFacts

    Returns
    -------
    str
    """
    lost = few(clash["lost"], MOST_NAMED)
    return (
        f"{sentence_list(clash['works'])} must not overlap: together they put {lost} out of service"
    )


def plan_answer(facts: WorksFacts) -> str:
    """Say whether the proposed order of works loses a circuit, and why, and what is not known.

    Parameters
    ----------
    facts : WorksFacts

    Returns
    -------
    str
    """
    said = []
    if facts["loses_nothing"]:
        known = "is known to be lost" if facts["unknown"] else "is lost"
        said.append(f"In the proposed order no circuit {known}")
    else:
        said += _lost_in_order(facts)
    periods = facts["proposed"]
    outside = dict.fromkeys(name for one in periods for name in one["over_limit"])
    open_ = dict.fromkeys(name for one in periods for name in one["limits_unknown"])
    for names, then in (
        (list(outside), "then on a path outside a limit"),
        (list(open_), "then on a path whose limits are not known"),
    ):
        if names:
            said.append(f"{few(names, MOST_NAMED)}: {then}")
    if facts["unknown"]:
        said.append(
            f"{few(facts['unknown'], MOST_NAMED)}: unknown, record gaps leave open which of "
            f"{'its' if len(facts['unknown']) == 1 else 'their'} paths the works put out of service"
        )
    return f"{'. '.join(said)}."


def _lost_in_order(facts: WorksFacts) -> list[str]:
    """Name what every order loses, what the proposed one loses, and say why."""
    alone = {work["id"]: set(work["lost"]) for work in facts["works"]}
    lost = [(work["id"], name) for work in facts["order"] for name in work["lost"]]
    # Only where nothing else is out of service does a work by itself decide.
    any_order = [name for work, name in lost if not facts["out"] and name in alone[work]]
    others = [name for _, name in lost if name not in any_order]
    said = []
    if any_order:
        names = list(dict.fromkeys(any_order))
        said.append(f"{_several(names)} {_verb(names, 'is', 'are')} lost in any order")
    if others:
        names = list(dict.fromkeys(others))
        sure = "every order loses at least that much" if facts["exact"] else "a better may exist"
        verb = _verb(names, "is", "are")
        said.append(f"{_several(names)} {verb} lost in the proposed order: {sure}")
    return [*said, *([_sentence("; ".join(facts["reasons"]))] if facts["reasons"] else [])]


def _several(names: Sequence[str]) -> str:
    return sentence_list(names, most=MOST_NAMED)


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def closed_days_said(facts: WorksFacts) -> list[str]:
    """Say which works are planned on days on which no works are carried out.

    Parameters
    ----------
    facts : WorksFacts

    Returns
    -------
    list of str
        One for each such work.
    """
    return [
        f"{one['id']} is planned on {_closed_days(one['closed_days'])}"
        for one in facts["works"]
        if one["closed_days"]
    ]


def _closed_days(days: Sequence[str]) -> str:
    named = [f"{_WEEKDAYS[date.fromisoformat(day).weekday()]} {day}" for day in days]
    return f"{'closed days' if len(days) > 1 else 'a closed day'}: {few(named, MOST_NAMED)}"


_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def clashes_said(facts: WorksFacts) -> str:
    """Say how far combinations of works were looked at, where not all are listed or looked at.

    Parameters
    ----------
    facts : WorksFacts

    Returns
    -------
    str
        Empty where every combination was looked at and every clash is listed.
    """
    said = []
    listed, count = len(facts["clashes"]), facts["clashes_in_all"]
    if count is None:
        said.append(f"there are too many clashes to count; {listed} are listed")
    elif count > listed:
        said.append(f"{count - listed} more clashes are not listed")
    if not facts["clashes_complete"]:
        said.append(
            f"not all combinations of more than {count_of(facts['clashes_up_to'], 'work')} were "
            "examined"
        )
    return "; ".join(said)


# --- Counts, lengths and places along a path.


def count_of(number: int, one: str, many: str | None = None) -> str:
    """A number with its noun.

    Parameters
    ----------
    number : int
    one : str
        The noun in the singular.
    many : str, optional
        Its plural; without it the singular with an s.

    Returns
    -------
    str

    Examples
    --------
    >>> count_of(3, "circuit"), count_of(1, "circuit"), count_of(0, "entry", "entries")
    ('3 circuits', '1 circuit', 'no entries')
    """
    words = one if number == 1 else (many or one + "s")
    return f"{number or 'no'} {words}"


def numbers_said(numbers: Sequence[int]) -> str:
    """Whole numbers, consecutive ones as a range.

    Parameters
    ----------
    numbers : sequence of int
        In ascending order.

    Returns
    -------
    str

    Examples
    --------
    >>> numbers_said([1, 2, 3, 4, 7])
    '1-4, 7'
    """
    ranges: list[list[int]] = []
    for one in numbers:
        if ranges and one == ranges[-1][1] + 1:
            ranges[-1][1] = one
        else:
            ranges.append([one, one])
    return ", ".join(f"{a}" if a == b else f"{a}-{b}" for a, b in ranges)


def circuit_state(state: str) -> str:
    """State of a circuit during works, in words.

    Parameters
    ----------
    state : str
        As in the facts: `lost`, `on-` and the label of a path, `unknown`, ...

    Returns
    -------
    str

    Examples
    --------
    >>> circuit_state("on-main"), circuit_state("lost")
    ('in service on main', 'lost')
    """
    return f"in service on {state[3:]}" if state.startswith("on-") else state


_BY_MEDIUM = {
    "radio": "by radio",
    "leased": "of leased line",
    "electrical": "of wire",
    "carrier": "of power line carrier",
    "internal": "inside a site",
}


def route_said(link: Link) -> str:
    """Say whose statement the route of a hop is: `leased, as Estuary Lines stated on 2025-03-01`.

    Parameters
    ----------
    link : Link

    Returns
    -------
    str
        The medium alone where it is nobody's statement; of a leased hop, that nobody is on record.
    """
    stated = link["stated"]
    if stated is None:
        nobody = ", no statement of its route on record" if link["medium"] == "leased" else ""
        return f"{link['medium']}{nobody}"
    if not any(stated.values()):  # in a report for readers outside
        return f"{link['medium']}, as stated"
    day = f" on {stated['on']}" if stated["on"] else ", date not on record"
    by = f" by {stated['by']}" if stated["by"] else ", by whom is not on record"
    return f"{link['medium']}, as stated{by}{day}"


def lengths_said(path: Path) -> str:
    """Length of a path by medium: `8.12 km of fibre, 12.0 km by radio`.

    Parameters
    ----------
    path : Path
        Its entry in the evidence.

    Returns
    -------
    str
    """
    others = [one for one in path["other_lengths"] if one["length_m"] != 0]
    said = [
        f"{metres(one['length_m'])} {_BY_MEDIUM.get(one['medium'], one['medium'])}"
        if one["length_m"] is not None
        else f"an unknown length {_BY_MEDIUM.get(one['medium'], one['medium'])}"
        for one in others
    ]
    known = path["length_m"] or path["length_at_least_m"]
    # A length that is null for want of the others' says nothing of fibre; else fibre is not known.
    lacks = path["length_m"] is None and all(one["length_m"] is not None for one in others)
    if known or lacks or not others:
        said.insert(0, f"{figure(path, 'length_m')} of fibre")
    return ", ".join(said)


def along_said(along: tuple[float, float] | None) -> str:
    """Where a stretch lies along a path.

    Parameters
    ----------
    along : (float, float) or None
        From and to, in metres from end a; None: not on the line of the path, which gives ''.

    Returns
    -------
    str

    Examples
    --------
    >>> along_said((144.0, 144.0)), along_said((181.0, 10_000.0))
    ('at 144 m', '0.2 to 10.0 km')
    """
    return "" if along is None else from_to(*along)


def fibre_said(terms: LossTerms) -> str:
    """Fibre that a loss is computed from: `8123.4 m of fibre at 0.350 dB/km`.

    Parameters
    ----------
    terms : LossTerms

    Returns
    -------
    str
    """
    length, loss = terms["fibre_m"], terms["fibre_db"]
    if not length:
        return "fibre"
    return f"{fixed(length, 1)} m of fibre" + (
        "" if loss is None else f" at {1000 * loss / length:.3f} dB/km"
    )
