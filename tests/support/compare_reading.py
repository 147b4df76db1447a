"""What got worse between two proofs, read from their evidence; shares no code with `compare`.

`got_worse` reads every circuit, group and scheme by itself and names what a reviewer would hold
against the later proof. The tolerances stand here a second time, as plain numbers.
"""

from __future__ import annotations

from typing import Any

Facts = dict[str, Any]

RANK = ["shared", "unproven", "accepted", "apart"]
EASED = {"delay", "asymmetry", "margin", "fibre", "blank", "open limits"}
"""What does not count where the verdict or a limit got better."""


def got_worse(before: Facts, after: Facts) -> set[str]:
    """Names of what got worse from one entry of evidence to another."""
    found, improved = set(), False
    rank = [RANK.index(one["verdict"]) for one in (before, after)]
    found |= {"verdict"} if rank[1] < rank[0] else set()
    improved |= rank[1] > rank[0]
    kept = [_limits(one) for one in (before, after)]
    for limit in kept[0].keys() & kept[1].keys():
        found |= {f"limit {limit}"} if kept[1][limit] < kept[0][limit] else set()
        improved |= kept[1][limit] > kept[0][limit] and rank[1] >= rank[0]
    for what, of in (("shared", _shared), ("crossing", _crossing), ("silent", _silent)):
        if of(after) - of(before):
            found.add(what)
    if rank[1] >= rank[0] and _no_longer_accepted(before, after):
        found.add("acceptance")
    found |= _nearer(before, after)
    counts = {
        "paths": lambda one: -len([p for p in one.get("paths", {}).values() if _in_service(p)]),
        "members": lambda one: -len(one.get("members", [])) if "group_test" in one else 0,
        "single points": lambda one: len(_alone(one) - _shared(one)),
        "gaps": lambda one: _gaps(one, {"separation", "both"}),
        "open limits": lambda one: _gaps(one, {"limits"}),
        "blank": lambda one: one.get("blank_within", 0),
    }
    found |= {what for what, count in counts.items() if count(after) > count(before)}
    near = [one.get("closest_m") for one in (before, after)]
    if near[0] is not None and near[1] is None and rank[0] == rank[1]:
        found.add("closest unknown")
    if None not in near and near[1] < 100 and near[0] > near[1] + max(1, near[1] / 10):
        found.add("closest")
    down = [one.get("unavailability", {}) for one in (before, after)]
    for label in ("both", "all", "working"):
        was, now = (one.get(label) for one in down)
        if was is None or label not in down[1]:
            continue
        least = now if now is not None else down[1].get("at_least", {}).get(label, 0)
        if now is None or least > was + max(1e-9, was / 10):
            found.add("unavailability")
    delay = [one.get("delay", {}) for one in (before, after)]
    for what, figure, limit in (
        ("delay", "worst_us", "limit_us"),
        ("asymmetry", "asymmetry_us", "asymmetry_limit_us"),
    ):
        was, now, most = delay[0].get(figure), delay[1].get(figure), delay[1].get(limit)
        if None not in (was, now, most) and now - was > most / 20:
            found.add(what)
    margins = [
        [p["margin_db"] for w in one.get("paths", {}).values() for p in w["loss"]]
        for one in (before, after)
    ]
    least_db = [min((m for m in side if m is not None), default=None) for side in margins]
    if None not in least_db and least_db[0] - least_db[1] > 1:
        found.add("margin")
    fibre = [[w["length_m"] for w in one.get("paths", {}).values()] for one in (before, after)]
    if len(fibre[0]) == len(fibre[1]) and None not in fibre[0] + fibre[1]:
        was, now = map(sum, fibre)
        if now - was > max(1000, was / 10):
            found.add("fibre")
    return found - EASED if improved else found


def _limits(one: Facts) -> dict[str, int]:
    """2 kept, 1 nobody knows, 0 broken."""
    worth = {True: 2, None: 1, False: 0}
    if "delay" not in one:
        return {"all": worth[one["within_limits"]]} if "within_limits" in one else {}
    states = {
        "delay": one["delay"]["ok"],
        "asymmetry": one["delay"]["asymmetry_ok"],
        "recovery": one["delay"]["recovery_ok"]
        if one["delay"]["recovery_ms"] is not None
        else True,
        "loss": one["loss_ok"],
        "unavailability": one["unavailability"]["ok"],
    }
    return {limit: worth[state] for limit, state in states.items()}


def _in_service(path: Facts) -> bool:
    return bool(path) and not path["out_of_service"]


def _shared(one: Facts) -> set[str]:
    return {row["asset"] for row in one.get("shared", [])}


def _crossing(one: Facts) -> set[frozenset[str]]:
    return {
        frozenset((row["main"], row["alternate"]))
        for row in one.get("cross", [])
        if row["forbidden"]
    }


def _silent(one: Facts) -> set[str]:
    return {row["protected"] for row in one.get("with_protected") or [] if not row["remains"]}


def _stretches(one: Facts) -> list[set[frozenset[str]]]:
    return [
        {frozenset((pair["main"], pair["alternate"])) for pair in row["members"]}
        for row in one.get("near", [])
    ]


def _no_longer_accepted(before: Facts, after: Facts) -> bool:
    """Whether something found on both sides was waived and is not."""

    def every(one: Facts) -> dict[Any, bool]:
        found: dict[Any, bool] = {row["asset"]: row["waived"] for row in one.get("shared", [])}
        for row in one.get("near", []):
            for pair in row["members"]:
                found[frozenset((pair["main"], pair["alternate"], "near"))] = row["waived"]
        for row in one.get("cross", []):
            if row["forbidden"]:
                found[frozenset((row["main"], row["alternate"], "cross"))] = row["waived"]
        return found

    old, new = every(before), every(after)
    return any(old[key] and not new[key] for key in old.keys() & new.keys())


def _nearer(before: Facts, after: Facts) -> set[str]:
    old, new = _stretches(before), _stretches(after)
    known = set().union(*old) if old else set()
    found = set()
    if any(not pairs & known for pairs in new):
        found.add("near")
    was = sum(
        row["length_m"]
        for row, pairs in zip(before.get("near", []), old, strict=True)
        if any(pairs & other for other in new)
    )
    now = 0.0
    for row, pairs in zip(after.get("near", []), new, strict=True):
        if not pairs & known:
            continue
        now += row["length_m"]
        before_m = min(
            one["distance_m"]
            for one, other in zip(before["near"], old, strict=True)
            if pairs & other
        )
        if before_m - row["distance_m"] > max(1, row["distance_m"] / 10):
            found.add("near distance")
    if now - was > max(1, was / 10):
        found.add("near length")
    return found


def _alone(one: Facts) -> set[str]:
    points = one.get("single_points", [])
    if isinstance(points, list):
        return set(points)
    members = {row["stretch"]: row["members"] + row["holders"] for row in one["stretches"]}
    return {*points["assets"], *(name for n in points["stretches"] for name in members[n])}


def _gaps(one: Facts, bearing: set[str]) -> int:
    return sum(gap["count"] for gap in one.get("gaps", []) if gap["bears_on"] in bearing)
