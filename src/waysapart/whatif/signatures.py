"""Which signatures under an earlier proof hold, which lapse and why, and what was never signed.

What somebody signed is the evidence of a proof: the verdict of each circuit and group with what it
rests on, each waiver in force, what stands in for the records, and the rules. `signatures` holds
that against a new proof. docs/audit.md states what each of them covers.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Literal, TypedDict

from waysapart.study.toml import dotted
from waysapart.text import counted, few
from waysapart.whatif.changes import GONE, NEW, Difference
from waysapart.whatif.differences import value_said

Facts = Mapping[str, Any]

State = Literal["holds", "lapsed", "never"]
HOLDS: State = "holds"
LAPSED: State = "lapsed"
NEVER: State = "never"
Kind = Literal["circuit", "group", "waiver", "assumption", "rule"]
OWNERS = ("circuit", "group")
"""Kinds of signature that stand for a verdict."""
_UNDECIDED = ("shared", "unproven")
_MOST = 4
_BY_NUMBER = (
    "the signed evidence does not name what its paths rely on: only how much that is was compared"
)


class SignatureFacts(TypedDict):
    """One thing that was signed, or should be.

    Attributes
    ----------
    id : str
        Of a circuit or group; of a waiver `C1: P-9`; of an assumption or rule its key.
    of : str or None
        Of a waiver, the circuit or group that it holds for.
    kind : str
        `circuit`, `group`, `waiver`, `assumption` (to be signed) or `rule`.
    state : str
        `holds`; `lapsed`: it was signed, and is not as it was; `never`: nobody has signed it.
    reasons : list of str
        Why it lapses, or why it is not signed.
    remarks : list of str
        What does not end it and is worth knowing.
    decision : bool
        Whether it is `never` because the signed evidence leaves a decision open that no waiver
        puts on record; what changed since then stands in the reasons.
    signed, now : object
        The verdict, the last day of a waiver, or a value; None: not there.
    """

    id: str
    of: str | None
    kind: Kind
    state: State
    reasons: list[str]
    remarks: list[str]
    decision: bool
    signed: Any
    now: Any


def signatures(
    before: Facts, after: Facts, circuits: Sequence[Difference], groups: Sequence[Difference]
) -> list[SignatureFacts]:
    """Hold what was signed against a new proof.

    Parameters
    ----------
    before, after : mapping
        Evidence of the proof that was signed, and of the new one, in full.
    circuits, groups : sequence of Difference
        From `changes`, of both.

    Returns
    -------
    list of SignatureFacts
        Circuits, groups, waivers, assumptions, rules. What is no longer assumed needs no
        signature and is not listed.
    """
    waivers = _waivers(before, after)
    ended: dict[str, list[str]] = {}
    for waiver in waivers:
        ended.setdefault(str(waiver["of"]), []).extend(waiver["reasons"])
    sets = _relied_on(before), _relied_on(after)
    found: list[SignatureFacts] = []
    named = {one.id for one in circuits}
    owners: tuple[tuple[Kind, Sequence[Difference]], ...] = (
        ("circuit", circuits),
        ("group", groups),
    )
    for kind, differences in owners:
        sides = [{row["id"]: row for row in side.get(f"{kind}s", [])} for side in (before, after)]
        paths = [_counted(side, kind) for side in (before, after)]
        for one in differences:
            rows = sides[0].get(one.id, {}), sides[1].get(one.id, {})
            beyond = [] if kind == "group" and one.id in named else ended.get(one.id, [])
            beyond = [*beyond, *_held_to(before, after, *rows)]
            if kind == "circuit":
                beyond += _other_links(*rows)
            beyond += _relies(sets, [side.get(one.id, []) for side in paths], kind == "group")
            by_number = kind == "circuit" and not sets[0]
            if by_number:
                beyond += _relies_on_as_many(*rows)
            entry = _signature(kind, one, rows, beyond)
            if by_number and entry["state"] == HOLDS:
                entry["remarks"].append(_BY_NUMBER)
            found.append(entry)
    return [*found, *waivers, *_assumptions(before, after)]


def signature_counts(found: Iterable[SignatureFacts]) -> dict[str, int]:
    """Count the signatures of circuits and groups by their state.

    Parameters
    ----------
    found : iterable of SignatureFacts

    Returns
    -------
    dict of str to int
        `holds`, `lapsed`, `never`.
    """
    states = [one["state"] for one in found if one["kind"] in OWNERS]
    return {state: states.count(state) for state in (HOLDS, LAPSED, NEVER)}


def to_sign_again(found: Iterable[SignatureFacts]) -> list[SignatureFacts]:
    """What changed under a signature, or came without one.

    Parameters
    ----------
    found : iterable of SignatureFacts

    Returns
    -------
    list of SignatureFacts
        Without decisions that were open when the evidence was signed, and still are as they were.
    """
    return [
        one for one in found if one["state"] == LAPSED or (one["state"] == NEVER and _came(one))
    ]


def _came(one: SignatureFacts) -> bool:
    return not one["decision"] or len(one["reasons"]) > 1


def _signature(
    kind: Kind, one: Difference, rows: tuple[Facts, Facts], beyond: Sequence[str]
) -> SignatureFacts:
    """The signature under the verdict of a circuit or group."""
    state: State = HOLDS
    reasons: list[str] = []
    decision = False
    if one.change == NEW:
        state = NEVER
        reasons = ["not in the signed evidence"]
        if one.after in _UNDECIDED:
            reasons.append(f"{one.after}: needs a decision")
    elif one.change == GONE:
        state, reasons = LAPSED, ["no longer in the study"]
    else:
        texts = dict.fromkeys([*(each.text for each in one.reasons), *beyond])
        changed = [text for text in texts if not _said_fuller(text, texts)]
        if one.before in _UNDECIDED:
            state, decision = NEVER, True
            reasons = [
                f"no decision on record: {one.before} in the signed evidence, and no waiver",
                *(f"since then: {text}" for text in changed),
            ]
        elif changed:
            state, reasons = LAPSED, changed
            if one.after in _UNDECIDED:
                reasons.append("no decision on record")
    return {
        "id": one.id,
        "of": None,
        "kind": kind,
        "state": state,
        "reasons": reasons,
        "remarks": _remarks(one, rows) if one.change not in (NEW, GONE) else [],
        "decision": decision,
        "signed": one.before,
        "now": one.after,
    }


def _said_fuller(text: str, texts: Iterable[str]) -> bool:
    """Whether another text says the same and more, as of a waiver also when it lapsed."""
    return any(other != text and other.startswith(f"{text} ") for other in texts)


def _remarks(one: Difference, rows: tuple[Facts, Facts]) -> list[str]:
    """What ends no signature: a limit that was open or broken when it was signed, other gaps."""
    found = []
    if "within_limits" in rows[0] and one.within_before is not True:
        said = "outside a limit" if one.within_before is False else "with a limit not known"
        found.append(f"signed {said}: a decision on that is on paper alone")
    for code, asset in one.came.get("gaps", ()):
        found.append(f"new record gap: {code} of {asset}")
    return found


# --- What a circuit or group is held to, and what its paths rely on.

_SAID = {
    "a": "its end a",
    "b": "its end b",
    "service": "its service",
    "group_test": "which paths of the group count",
}


def _held_to(before: Facts, after: Facts, was: Facts, now: Facts) -> list[str]:
    """Its service and every rule of it, its ends, what it protects, who its members are."""
    if not was or not now:
        return []
    found = [
        f"{said} was {was[key]}, is now {now[key]}"
        for key, said in _SAID.items()
        if key in was and key in now and was[key] != now[key]
    ]
    for key, said in (("protects", "what it protects"), ("members", "its members")):
        if key in was and key in now and sorted(was[key]) != sorted(now[key]):
            found.append(f"{said}: {_names(was[key])} before, {_names(now[key])} now")
    service = now.get("service")
    if service is None or was.get("service") != service:
        return found
    head = f"{dotted(('services', str(service)))}."
    rules = [
        {
            row["key"].removeprefix(head): row["value"]
            for row in side.get("assumptions", [])
            if row["key"].startswith(head) and not row.get("to_sign")
        }
        for side in (before, after)
    ]
    one_release = before.get("waysapart") == after.get("waysapart")
    return found + [
        f"{key} of {service} was {_value(rules[0].get(key))}, is now {_value(rules[1].get(key))}"
        for key in dict.fromkeys([*rules[0], *rules[1]])
        if rules[0].get(key) != rules[1].get(key)
        # a later release may state rules that an earlier one did not know
        and (key in rules[0] or one_release or key.startswith(("max_", "min_")))
    ]


def _value(value: Any) -> str:
    return "not set" if value is None else value_said(value)


Paths = Sequence[tuple[str, str]]
"""Circuits and labels of paths."""
Sets = Mapping[tuple[str, str], frozenset[str]]


def _relied_on(facts: Facts) -> Sets:
    """By circuit and path, everything that the path relies on, as far as the evidence names it."""
    witness = facts.get("evidence")
    found: dict[tuple[str, str], frozenset[str]] = {}
    if not isinstance(witness, Mapping):
        return found
    names = witness.get("assets") or []
    for path in witness.get("paths") or []:
        if path.get("relies_on") is not None and "circuit" in path and "path" in path:
            numbers = _numbers(str(path["relies_on"]), len(names))
            named = {*(str(names[one]) for one in numbers), *map(str, path.get("hazards") or ())}
            found[str(path["circuit"]), str(path["path"])] = frozenset(named)
    return found


def _numbers(text: str, most: int) -> list[int]:
    """`0-2 7` as 0, 1, 2, 7, without those that no asset has."""
    found: list[int] = []
    for part in text.split():
        first, _, last = part.partition("-")
        if first.isdecimal() and (last or first).isdecimal():
            found += range(int(first), min(int(last or first) + 1, most))
    return found


def _counted(facts: Facts, kind: Kind) -> dict[str, list[tuple[str, str]]]:
    """The paths that count for each circuit or group, as circuit and label."""
    if kind == "circuit":
        return {
            row["id"]: [(row["id"], label) for label in row.get("paths", {})]
            for row in facts.get("circuits", [])
        }
    witness = facts.get("evidence")
    if not isinstance(witness, Mapping):
        return {}
    paths = [(str(one.get("circuit")), str(one.get("path"))) for one in witness.get("paths") or []]
    return {
        str(one.get("id")): [
            paths[number]
            for side in one.get("sides") or []
            for number in side
            if 0 <= number < len(paths)
        ]
        for one in witness.get("verdicts") or []
        if one.get("kind") == "group"
    }


def _relies(sets: tuple[Sets, Sets], paths: Sequence[Paths], named: bool) -> list[str]:
    """What each path relies on now and did not, or no longer does."""
    found = []
    for circuit, label in dict.fromkeys([*paths[0], *paths[1]]):
        said = f"{circuit} {label}" if named else label
        if (circuit, label) not in sets[0] or (circuit, label) not in sets[1]:
            continue
        one, other = sets[0][circuit, label], sets[1][circuit, label]
        if came := sorted(other - one, key=counted):
            found.append(f"{said} now relies on {few(came, _MOST)}")
        if went := sorted(one - other, key=counted):
            found.append(f"{said} no longer relies on {few(went, _MOST)}")
    return found


def _relies_on_as_many(was: Facts, now: Facts) -> list[str]:
    """For evidence that names nothing of what paths rely on: whether it is as much."""
    found = []
    for label, path in (now.get("paths") or {}).items():
        both = ((was.get("paths") or {}).get(label) or {}).get("relies_on"), path.get("relies_on")
        if None not in both and both[0] != both[1]:
            found.append(f"{label} relies on {both[1]} things, signed with {both[0]}")
    return found


def _other_links(was: Facts, now: Facts) -> list[str]:
    """Paths that run over other links, that are new, or gone."""
    found: list[str] = []
    sides = was.get("paths") or {}, now.get("paths") or {}
    if not was or not now:
        return found
    for label in dict.fromkeys([*sides[0], *sides[1]]):
        links = [list((side.get(label) or {}).get("links", [])) for side in sides]
        if links[0] != links[1]:
            found.append(f"{label} runs over {_names(links[1])}, signed over {_names(links[0])}")
    return found


def _names(names: Iterable[Any]) -> str:
    return few(names, _MOST) or "none"


# --- Waivers, assumptions, rules.


def _subject(waiver: Facts) -> str:
    """What a waiver accepts, and for whom: `C1: P-9`."""
    pair = waiver.get("pair")
    thing = waiver.get("asset") or (" / ".join(sorted(map(str, pair))) if pair else "")
    if waiver.get("within"):
        thing = f"all in {waiver['within']}"
    return f"{waiver.get('circuit')}: {thing}"


_TERMS = {
    "until": "its last day",
    "by": "who accepted it",
    "reason": "its reason",
    "record": "the record that it states",
}


def _waivers(before: Facts, after: Facts) -> list[SignatureFacts]:
    """Each waiver that counted when the evidence was signed, and each that counts now."""
    signed = {_subject(one): one for one in before.get("waivers", []) if one.get("counts")}
    now = {_subject(one): one for one in after.get("waivers", [])}
    counting = [_subject(one) for one in after.get("waivers", []) if one.get("counts")]
    now |= {_subject(one): one for one in after.get("waivers", []) if one.get("counts")}
    found: list[SignatureFacts] = []
    for name in dict.fromkeys([*signed, *counting]):
        was, one = signed.get(name), now.get(name)
        thing = name.partition(": ")[2]
        reasons: list[str] = []
        state: State = HOLDS
        if was is None and one is not None:
            state = NEVER
            reasons = [
                f"waiver of {thing}, by {one.get('by')} until {one.get('until')}: not signed"
            ]
        elif was is not None and (one is None or not one.get("counts")):
            state = LAPSED
            became = "taken back" if one is None else str(one.get("state"))
            until = was.get("until") if one is None else one.get("until")
            day = f" on {until}" if became == "lapsed" else ""
            if day and until != was.get("until"):
                day += f", its last day was {was.get('until')}"
            reasons = [f"waiver of {thing}: {became}{day}"]
        elif was is not None and one is not None:
            reasons = [
                f"waiver of {thing}: {said} was {was.get(key)}, is now {one.get(key)}"
                for key, said in _TERMS.items()
                if was.get(key) != one.get(key)
            ]
            reasons += _accepts_more(was, one, thing)
            state = LAPSED if reasons else HOLDS
        fact: SignatureFacts = {
            "id": name,
            "of": str((was or one or {}).get("circuit")),
            "kind": "waiver",
            "state": state,
            "reasons": reasons,
            "remarks": [],
            "decision": False,
            "signed": None if was is None else was.get("until"),
            "now": None if one is None or not one.get("counts") else one.get("until"),
        }
        found.append(fact)
    return found


def _accepts_more(was: Facts, now: Facts, thing: str) -> list[str]:
    """A waiver that states no record accepts whatever is there: the signature was under another."""
    digests = was.get("record_now"), now.get("record_now")
    if None in digests or digests[0] == digests[1]:
        return []
    return [f"waiver of {thing}: what it accepts has changed, digest {digests[0]} to {digests[1]}"]


def assumptions_differ(before: Facts, after: Facts) -> bool:
    """Whether a value stands in for records that did not, or no longer does, or for more of them.

    Parameters
    ----------
    before, after : Evidence

    Returns
    -------
    bool
    """
    told = [one for one in _assumptions(before, after) if one["kind"] == "assumption"]
    gone = {row["key"] for row in before.get("assumptions", []) if row.get("to_sign")}
    return any(one["state"] != HOLDS for one in told) or not gone <= {one["id"] for one in told}


def _assumptions(before: Facts, after: Facts) -> list[SignatureFacts]:
    """Each value that stands in for the records and each rule, as signed and as it is now."""
    sides = [
        {(bool(row.get("to_sign")), row["key"]): row for row in facts.get("assumptions", [])}
        for facts in (before, after)
    ]
    found: list[SignatureFacts] = []
    for (to_sign, key), row in sides[1].items():
        was = sides[0].get((to_sign, key))
        state: State = HOLDS
        reasons: list[str] = []
        if was is None:
            state, reasons = NEVER, ["not in the signed evidence"]
        elif was["value"] != row["value"]:
            state = LAPSED
            reasons = [f"{_value(was['value'])} to {_value(row['value'])}"]
        elif (row.get("count") or 0) > (was.get("count") or 0):
            state = LAPSED
            reasons = [f"made of {row['count']} records, signed for {was.get('count')}"]
        found.append(
            {
                "id": key,
                "of": None,
                "kind": "assumption" if to_sign else "rule",
                "state": state,
                "reasons": reasons,
                "remarks": [],
                "decision": False,
                "signed": None if was is None else was["value"],
                "now": row["value"],
            }
        )
    order = ("assumption", "rule")
    return sorted(found, key=lambda one: order.index(one["kind"]))
