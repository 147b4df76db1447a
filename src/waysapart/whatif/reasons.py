"""Why a circuit, group or scheme is better or worse than it was: each figure and its tolerance.

`reasons` reads two entries of evidence, before and after, and gives one `Reason` for each verdict,
limit, finding or figure that differs by more than its tolerance in `waysapart.whatif.tolerances`.

Every judgement holds both ways round: what is worse from before to after is better from after to
before.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypedDict

from waysapart.figures import metres, microseconds, plain_decibels, probability
from waysapart.text import few, plural
from waysapart.verdicts.proof import WORST_FIRST
from waysapart.whatif.tolerances import NEAR_M, TOLERANCES, allowed

Facts = Mapping[str, Any]

WORSE, BETTER, COST = "worse", "better", "cost"


class ReasonFacts(TypedDict):
    """A reason as plain data; `figure` is a key of `TOLERANCES`."""

    figure: str
    change: str
    text: str
    before: Any
    after: Any
    tolerance: float | None


@dataclass(frozen=True)
class Reason:
    """One thing that got better or worse by more than its tolerance.

    Attributes
    ----------
    figure : str
        A key of `TOLERANCES`.
    change : str
        worse, better, or cost: worse, but the price of a better verdict or of a limit kept.
    text : str
        In words.
    before, after : object
        A figure, a verdict, whether a limit is kept, or a list of ids; None: not known.
    tolerance : float or None
        In the unit of the figure; None where any difference counts.
    """

    figure: str
    change: str
    text: str
    before: Any = None
    after: Any = None
    tolerance: float | None = None

    def as_dict(self) -> ReasonFacts:
        """The reason with the keys of `compare --json`."""
        return {
            "figure": self.figure,
            "change": self.change,
            "text": self.text,
            "before": self.before,
            "after": self.after,
            "tolerance": self.tolerance,
        }


def reasons(
    before: Facts, after: Facts, ended: Sequence[str] = (), new: Collection[str] = frozenset()
) -> list[Reason]:
    """All that got better or worse between two entries of evidence.

    Parameters
    ----------
    before, after : dict
        A circuit, group or scheme as it stands in the evidence; what evidence of an older
        release does not hold is not judged.
    ended : sequence of str
        Waivers of it that no longer count, in words.
    new : collection of str
        Assets that were not there before.

    Returns
    -------
    list of Reason
        Worse, then better, then costs; each in the order of `TOLERANCES`.
    """
    verdict = _verdict(before, after)
    found = [*verdict, *_limits(before, after)]
    improved = any(one.change == BETTER for one in found) and not any(
        one.change == WORSE for one in verdict
    )
    fell = any(one.change == WORSE for one in verdict)
    if fell:
        found += [Reason("verdict", WORSE, text) for text in ended]
    found += [*_shared(before, after), *_near(before, after)]
    found += [*_crossings(before, after), *_silent(before, after)]
    accepted = [] if fell else _accepted(before, after)
    if any(one.change == WORSE for one in accepted):
        accepted += [Reason("accepted", WORSE, text) for text in ended]
    found += accepted
    found += _gaps(before, after, new)
    for judge in (_paths, _single_points, _closest, _unavailability, _delays, _margin):
        found += judge(before, after)
    found += [*_length(before, after), *_blanks(before, after)]
    order = list(TOLERANCES)
    if improved:
        found = [
            replace(one, change=COST) if one.change == WORSE and _is_cost(one) else one
            for one in found
        ]
    found.sort(key=lambda one: ((WORSE, BETTER, COST).index(one.change), order.index(one.figure)))
    return found


def _is_cost(one: Reason) -> bool:
    return TOLERANCES[one.figure].cost


# --- Verdict and limits.

_KEPT = {False: 0, None: 1, True: 2}
_KEPT_WORDS = {False: "outside its limit", None: "not on record", True: "within its limit"}
_LIMITS = {
    "delay": ("delay", "ok"),
    "asymmetry": ("delay", "asymmetry_ok"),
    "recovery": ("delay", "recovery_ok"),
    "loss": ("loss_ok",),
    "unavailability": ("unavailability", "ok"),
}
_NOTHING = object()


def _verdict(before: Facts, after: Facts) -> list[Reason]:
    was, now = str(before["verdict"]), str(after["verdict"])
    if was == now:
        return []
    change = BETTER if WORST_FIRST.index(now) > WORST_FIRST.index(was) else WORSE
    return [Reason("verdict", change, f"{was} to {now}", was, now)]


def _limits(before: Facts, after: Facts) -> list[Reason]:
    """Limits that are kept, broken or open now and were not; a scheme has one for all of it."""
    told = []
    asked = False
    for limit, keys in _LIMITS.items():
        was, now = (_kept(row, limit, keys) for row in (before, after))
        if was is not _NOTHING and now is not _NOTHING:
            asked = True
            told.append((limit, was, now))
    if not asked and "within_limits" in before and "within_limits" in after:
        told.append(("limits", before["within_limits"], after["within_limits"]))
    return [
        Reason(
            "limit",
            BETTER if _KEPT[now] > _KEPT[was] else WORSE,
            f"{limit} {_KEPT_WORDS[now]}",
            was,
            now,
        )
        for limit, was, now in told
        if _KEPT[was] != _KEPT[now]
    ]


def _kept(row: Facts, limit: str, keys: Sequence[str]) -> Any:
    at: Any = row
    for key in keys:
        if not isinstance(at, Mapping) or key not in at:
            return _NOTHING
        at = at[key]
    if limit == "recovery" and row["delay"].get("recovery_ms") is None:
        return True  # no other path is left to change over to, or nobody asks
    return at


# --- Findings: what is shared, near, crossing, silent; gaps.


def findings(row: Facts) -> dict[str, list[Any]]:
    """Findings against a circuit, without waived ones and crossings that are allowed.

    Parameters
    ----------
    row : dict
        Its entry in the evidence.

    Returns
    -------
    dict of str to list
        `shared` (ids), `near` and `cross` (pairs of ids), `silent` (ids of what the circuit
        protects), `gaps` (code and id).
    """
    return {
        "shared": [one["asset"] for one in row.get("shared", []) if not one.get("waived")],
        "near": [pair for one in row.get("near", []) if not one.get("waived") for pair in _of(one)],
        "cross": [
            _pair(one)
            for one in row.get("cross", [])
            if one.get("forbidden", True) and not one.get("waived")
        ],
        "silent": sorted(
            {one["protected"] for one in row.get("with_protected") or () if not one["remains"]}
        ),
        "gaps": [[one["code"], one["asset"]] for one in row.get("gaps", [])],
    }


def _of(near: Facts) -> list[list[str]]:
    """The pairs of segments of a near stretch."""
    return [_pair(pair) for pair in near.get("members", [near])]


def _pair(one: Facts) -> list[str]:
    return sorted([str(one["main"]), str(one["alternate"])])


def less(one: Iterable[Any], other: Iterable[Any]) -> list[Any]:
    """Entries of one list that another lacks, each once.

    Parameters
    ----------
    one, other : iterable

    Returns
    -------
    list
        In the order of `one`.
    """
    taken, left = list(other), []
    for entry in one:
        if entry not in taken and entry not in left:
            left.append(entry)
    return left


_MOST = 6


def _names(found: Iterable[Any]) -> str:
    return few((one if isinstance(one, str) else " / ".join(one) for one in found), _MOST)


def _came_and_went(
    figure: str, was: list[Any], now: list[Any], newly: str, no_longer: str
) -> list[Reason]:
    came, went = less(now, was), less(was, now)
    found = []
    if came:
        found.append(Reason(figure, WORSE, f"{newly}: {_names(came)}", went, came))
    if went:
        found.append(Reason(figure, BETTER, f"{no_longer}: {_names(went)}", went, came))
    return found


def _shared(before: Facts, after: Facts) -> list[Reason]:
    """Newly shared or no longer; waivers do not matter here.

    What is shared only because something shared lies in it is named where nothing else is.
    """
    sides = [{str(one["asset"]): one for one in row.get("shared", [])} for row in (before, after)]
    came, went = less(sides[1], sides[0]), less(sides[0], sides[1])
    found = []
    for side, names, change, said in (
        (sides[1], came, WORSE, "newly shared"),
        (sides[0], went, BETTER, "no longer shared"),
    ):
        if names:
            plain = [name for name in names if side[name].get("through") not in names]
            text = f"{said}: {_names(plain)}"
            if len(plain) < len(names):
                text += f", and what holds it ({len(names) - len(plain)})"
            found.append(Reason("shared", change, text, went, came))
    return found


def _accepted(before: Facts, after: Facts) -> list[Reason]:
    """Findings of both sides that a waiver accepts on one of them."""
    every, counting = (
        [_found(row, waived=waived) for row in (before, after)] for waived in (True, False)
    )
    both = [one for one in every[1] if one in every[0]]
    ended = [one for one in less(counting[1], counting[0]) if one in both]
    begun = [one for one in less(counting[0], counting[1]) if one in both]
    found = []
    if ended:
        found.append(Reason("accepted", WORSE, f"no longer accepted: {_names(ended)}", [], ended))
    if begun:
        found.append(Reason("accepted", BETTER, f"accepted now: {_names(begun)}", begun, []))
    return found


def _found(row: Facts, *, waived: bool) -> list[Any]:
    """Everything shared, near or crossing, as an id or a pair; `waived`: what is accepted too."""
    if waived:
        bare = {key: [{**one, "waived": False} for one in row.get(key, [])] for key in _WAIVED}
        row = {**row, **bare}
    found = findings(row)
    return [one for key in _WAIVED for one in found[key]]


_WAIVED = ("shared", "near", "cross")


def _near(before: Facts, after: Facts) -> list[Reason]:
    """Stretches that are newly near or no longer, and those that grew or came closer.

    A stretch is the same one where a pair of its segments was near before; a few metres more of a
    neighbouring segment are no new stretch.
    """
    sides = [list(row.get("near", [])) for row in (before, after)]
    pairs = [[tuple(pair) for one in side for pair in _of(one)] for side in sides]
    found = []
    told = ((1, 0, WORSE, "newly near"), (0, 1, BETTER, "no longer near"))
    for mine, other, change, said in told:
        alone = [one for one in sides[mine] if not _meets(one, pairs[other])]
        if alone:
            names = [" / ".join(_pair(one)) + _how_near(one) for one in alone]
            ids = [_pair(one) for one in alone]
            went, came = ([], ids) if change == WORSE else (ids, [])
            found.append(Reason("near", change, f"{said}: {_names(names)}", went, came))
    both = [[one for one in sides[n] if _meets(one, pairs[1 - n])] for n in (0, 1)]
    lengths = [_sum(one.get("length_m") for one in side) for side in both]
    found += _moved("near_m", _moves("near for", metres), *lengths, more=WORSE)
    for one in both[1]:
        here = {tuple(pair) for pair in _of(one)}
        were = [old for old in both[0] if here & {tuple(pair) for pair in _of(old)}]
        was, now = _least(old.get("distance_m") for old in were), _least([one.get("distance_m")])
        found += _moved("near_m", _apart_by(_pair(one)), was, now)
    return found


def _how_near(one: Facts) -> str:
    """Distance of a near stretch with its length and segments: ` (25 m over 13.6 km, 45 spans)`."""
    if not _number(one.get("distance_m")):
        return ""
    said = metres(one["distance_m"])
    if one.get("length_m"):
        said += f" over {metres(one['length_m'])}"
    kinds = {pair["main"]: (pair.get("kinds") or [""])[0] for pair in one.get("members", ())}
    if len(kinds) > 1:
        same = set(kinds.values()) - {""}
        said += f", {plural(len(kinds), same.pop() if len(same) == 1 else 'segment')}"
    return f" ({said})"


def _apart_by(pair: Sequence[str]) -> Callable[[float, float], str]:
    return lambda was, now: f"{' / '.join(pair)} {metres(was)} to {metres(now)} apart"


def _meets(one: Facts, pairs: Sequence[tuple[str, ...]]) -> bool:
    return any(tuple(pair) in pairs for pair in _of(one))


def _crossings(before: Facts, after: Facts) -> list[Reason]:
    was, now = (
        [_pair(one) for one in row.get("cross", []) if one.get("forbidden", True)]
        for row in (before, after)
    )
    return _came_and_went("cross", was, now, "newly crossing", "no longer crossing")


def _silent(before: Facts, after: Facts) -> list[Reason]:
    if ("with_protected" in before) != ("with_protected" in after):  # evidence of an older release
        return []
    was, now = (findings(row)["silent"] for row in (before, after))
    return _came_and_went("silent", was, now, "silent when it falls", "no longer silent with")


def _gaps(before: Facts, after: Facts, new: Collection[str]) -> list[Reason]:
    """More or fewer gaps: those that bear on separation, those on new plant, those on limits alone.

    Only their number counts: where one took the place of another, both are listed.
    """
    found = []
    both = ("separation", "both")
    for figure, said, bearing, fresh in (
        ("gaps", "record gaps that bear on separation", both, False),
        ("new_gaps", "record gaps of new plant that bear on separation", both, True),
        ("limit_gaps", "record gaps that bear on limits alone", ("limits",), None),
    ):
        was, now = (
            sum(
                int(gap.get("count") or 1)
                for gap in row.get("gaps") or []
                if gap.get("bears_on", "both") in bearing
                and (fresh is None or (str(gap.get("asset")) in new) == fresh)
            )
            for row in (before, after)
        )
        found += _counted(figure, said, was, now)
    return found


def _paths(before: Facts, after: Facts) -> list[Reason]:
    found = []
    keys = {"paths": "paths in service"} | ({"members": "members"} if "group_test" in after else {})
    for key, said in keys.items():
        if key in before and key in after:
            was, now = (_standing(row[key]) for row in (before, after))
            found += _counted("paths", said, was, now, more=BETTER)
    return found


def _standing(those: Any) -> int:
    if isinstance(those, Mapping):
        return sum(bool(one) and not one.get("out_of_service") for one in those.values())
    return len(those)


def _single_points(before: Facts, after: Facts) -> list[Reason]:
    """Single points of failure that are not among what is shared."""
    was, now = _single(before), _single(after)
    if was is None or now is None:
        return []
    said = "single points" + (" beyond what is shared" if "shared" in after else "")
    found = _counted("single_points", said, len(was), len(now))
    ends = ""
    if now and "unavoidable" in after:
        needed = {str(one) for one in (*after["unavoidable"], *after.get("tail", ()))}
        ends = f", of which {len(now & needed) or 'none'} at the ends"
    more = f" ({_names(sorted(now - was))})" if len(now) > len(was) else ""
    return [replace(one, text=one.text + ends + more) for one in found]


def _single(row: Facts) -> set[str] | None:
    found = row.get("single_points")
    if found is None:
        return None
    if not isinstance(found, Mapping):
        names = {str(one) for one in found}
    else:
        members = {
            one["stretch"]: (*one.get("members", ()), *one.get("holders", ()))
            for one in row.get("stretches", [])
        }
        names = {str(one) for one in found.get("assets", ())}
        names |= {str(m) for n in found.get("stretches", ()) for m in members.get(n, ())}
    return names - {str(one["asset"]) for one in row.get("shared", [])}


def _blanks(before: Facts, after: Facts) -> list[Reason]:
    was, now = before.get("blank_within"), after.get("blank_within")
    if was is None or now is None:
        return []
    return _counted("blank_within", "assets whose within is blank", was, now)


def _counted(figure: str, said: str, was: int, now: int, *, more: str = WORSE) -> list[Reason]:
    """A number of things that differs; `more` of them is worse or better."""
    if was == now:
        return []
    change = more if now > was else _OTHER[more]
    return [Reason(figure, change, f"{said} {was} to {now}", was, now)]


_OTHER = {WORSE: BETTER, BETTER: WORSE}


# --- Figures.


def _number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _least(values: Iterable[Any]) -> float | None:
    return min((one for one in values if _number(one)), default=None)


def _sum(values: Iterable[Any]) -> float | None:
    """The sum, or None where one of them is not known."""
    found = list(values)
    return sum(found) if all(map(_number, found)) else None


def _moves(said: str, say: Callable[[float], str]) -> Callable[[float, float], str]:
    """Words for a figure that moved: `closest approach 12.0 m to 1.50 m`."""
    return lambda was, now: f"{said} {say(was)} to {say(now)}"


def _decibels(value: float) -> str:
    return f"{plain_decibels(value)} dB"


def _moved(
    figure: str,
    said: Callable[[float, float], str],
    was: float | None,
    now: float | None,
    *,
    more: str = BETTER,
    limit: float | None = None,
) -> list[Reason]:
    """A figure that moved by more than its tolerance; `more` of it is worse or better."""
    if was is None or now is None or not _number(was) or not _number(now):
        return []
    tolerance = allowed(figure, was, now, limit)
    if abs(was - now) <= tolerance:
        return []
    change = more if now > was else _OTHER[more]
    return [Reason(figure, change, said(was, now), was, now, tolerance)]


def _closest(before: Facts, after: Facts) -> list[Reason]:
    was, now = before.get("closest_m"), after.get("closest_m")
    told = before["verdict"] != after["verdict"] or "closest_m" not in after
    if was is not None and now is None and not told:
        return [Reason("closest_m", WORSE, "closest approach no longer known", was, None)]
    if was is None or now is None or min(was, now) >= NEAR_M:
        return []
    return _moved("closest_m", _moves("closest approach", metres), was, now)


_TOGETHER = {
    "both": "unavailability",
    "all": "unavailability of all paths",
    "working": "unavailability of the working paths",
}
"""Figures of all paths at once, of circuits and of groups."""


def _unavailability(before: Facts, after: Facts) -> list[Reason]:
    """Figures of all paths at once; a bound alone shows what is worse, not what is better."""
    found = []
    old, new = before.get("unavailability") or {}, after.get("unavailability") or {}
    tolerance = TOLERANCES["unavailability"]
    for label, said in _TOGETHER.items():
        if label not in old or label not in new or old[label] is None:
            continue
        was, now = old[label], new[label]
        known = (new.get("at_least") or {}).get(label) if now is None else now
        bound = "at least " if now is None else ""
        lesser = was if known is None else min(was, known)
        beyond = max(tolerance.least, tolerance.share * lesser)
        if known is not None and known - was > beyond:
            text = f"{said} {probability(was)} to {bound}{probability(known)}"
            found.append(Reason("unavailability", WORSE, text, was, now, beyond))
        elif now is None:
            text = f"{said} no longer known"
            found.append(Reason("unavailability", WORSE, text, was, None))
        elif was - now > beyond:
            text = f"{said} {probability(was)} to {probability(now)}"
            found.append(Reason("unavailability", BETTER, text, was, now, beyond))
    return found


def _delays(before: Facts, after: Facts) -> list[Reason]:
    """Margins to the limits of delay and asymmetry; without a limit there is no margin."""
    found = []
    old, new = before.get("delay") or {}, after.get("delay") or {}
    for name, key in (("delay", "worst"), ("asymmetry", "asymmetry")):
        limit = new.get("limit_us" if name == "delay" else f"{name}_limit_us")
        was, now = old.get(f"{key}_us"), new.get(f"{key}_us")
        if limit is None or was is None or now is None:
            continue
        found += _moved(
            f"{name}_us",
            _moves(f"margin to the limit of {name}", microseconds),
            limit - was,
            limit - now,
            limit=limit,
        )
    return found


def _margin(before: Facts, after: Facts) -> list[Reason]:
    had, has = _least_margin_db(before), _least_margin_db(after)
    return _moved("margin_db", _moves("least optical margin", _decibels), had, has)


def _least_margin_db(row: Facts) -> float | None:
    """The least optical margin of all links on all paths; None where none is known."""
    return _least(
        one.get("margin_db")
        for path in row.get("paths", {}).values()
        for one in (path or {}).get("loss", [])
    )


def _length(before: Facts, after: Facts) -> list[Reason]:
    """Fibre of all paths together: which of them is called main does not matter."""
    old, new = before.get("paths") or {}, after.get("paths") or {}
    if len(old) != len(new) or not all((*old.values(), *new.values())):
        return []
    was, now = (_sum(path.get("length_m") for path in side.values()) for side in (old, new))
    return _moved("length_m", _moves("fibre of all paths", metres), was, now, more=WORSE)
