"""The plant of two studies on one map: what was added, removed, moved or changed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from waysapart.report.effects import Holdings, holdings
from waysapart.report.geo import proof_geometry
from waysapart.verdicts.prove import Proof
from waysapart.whatif.compare import Comparison
from waysapart.whatif.records import RecordChanges

Geo = dict[str, Any]
Records = Mapping[str, RecordChanges]

_DRAWN = {"plant": ("segments",), "points": ("structures", "sites"), "hazards": ("hazards",)}
_PLACES = frozenset({"geometry", "reach_m"})
"""Columns that say where something is: where one differs, both places are drawn."""
_COURSES = {"cable_runs": "course", "link_runs": "course in cables", "circuit_paths": "paths"}


def comparison_geometry(comparison: Comparison) -> Geo:
    """Feature collections of both studies, for `waysapart.report.page.render_page`.

    Returns
    -------
    dict
        As `proof_geometry`. `mark` of a feature: added, removed, changed, or
        was (its place before, under an id of its own). `when` of a path:
        before, after, or left (what it followed before and follows no
        longer). Of a side that is evidence alone nothing is drawn, and then
        nothing is marked.
    """
    before, after = comparison.proofs
    if before is None or after is None:
        one = after or before
        when = "before" if after is None else "after"
        return {} if one is None else _one_sided(one, when)
    old, new = proof_geometry(before), proof_geometry(after)
    records = comparison.records or {}
    taken = {_id(one) for role in _DRAWN for one in new[role]["features"]}
    renamed: dict[str, str] = {}
    for role, kinds in _DRAWN.items():
        _mark(old[role]["features"], new[role]["features"], kinds, records, taken, renamed)
    new["paths"]["features"] = _paths(old["paths"]["features"], new["paths"]["features"], renamed)
    return new


def _one_sided(proof: Proof, when: str) -> Geo:
    geo = proof_geometry(proof)
    for path in geo["paths"]["features"]:
        path["properties"]["when"] = when
    return geo


def _id(feature: Mapping[str, Any]) -> str:
    return str(feature["properties"]["id"])


def _mark(
    old: list[Any],
    new: list[Any],
    roles: Iterable[str],
    records: Records,
    taken: set[str],
    renamed: dict[str, str],
) -> None:
    """Mark the new features and add those old ones that are gone or lay elsewhere."""
    found = {role: records[role] for role in roles if role in records}
    added = {name for change in found.values() for name in change.added}
    removed = {name for change in found.values() for name in change.removed}
    changed = {name: set(cols) for one in found.values() for name, cols in one.changed.items()}
    for feature in new:
        name = _id(feature)
        if name in added or name in changed:
            feature["properties"]["mark"] = "added" if name in added else "changed"
    for feature in old:
        name = _id(feature)
        moved = name in changed and changed[name] & _PLACES
        if name in removed or moved:
            mark = "was" if moved else "removed"
            own = _free(name, taken) if name in taken else name
            taken.add(own)
            renamed[name] = own
            new.append(
                {**feature, "properties": {**feature["properties"], "id": own, "mark": mark}}
            )


def _free(name: str, taken: set[str]) -> str:
    """An id of its own for the place where something lay before."""
    own = f"{name} (before)"
    while own in taken:
        own += "'"
    return own


def _paths(old: list[Any], new: list[Any], renamed: Mapping[str, str]) -> list[Any]:
    now: dict[tuple[str, str], list[str]] = {}
    for path in new:
        told = path["properties"]
        told["when"] = "after"
        now[told["circuit"], told["path"]] = told["segments"]
    found = list(new)
    for path in old:
        told = path["properties"]
        segments = [renamed.get(name, name) for name in told["segments"]]
        follows = set(now.get((told["circuit"], told["path"]), ()))
        left = [name for name in segments if name not in follows]
        for when, course in (("before", segments), ("left", left)):
            found.append({**path, "properties": {**told, "segments": course, "when": when}})
    return found


def comparison_holdings(comparison: Comparison) -> Holdings:
    """As `holdings`, of the study after; what is gone from it can still be found by its id."""
    before, after = comparison.proofs
    one = after or before
    if one is None:
        return {"assets": [], "inside": {}, "runs": {}}
    found = holdings(one)
    if before is not None and after is not None:
        known = set(after.network.assets.frame["id"])
        found["assets"] += [row for row in holdings(before)["assets"] if row["id"] not in known]
    return found


def changes_told(comparison: Comparison, geo: Geo) -> dict[str, Any] | None:
    """What the card of an asset says of it; None where one side's records are not here."""
    records = comparison.records
    if records is None:
        return None
    of: dict[str, str] = {}
    for role, change in records.items():
        if role in _COURSES:
            for name in (*change.added, *change.removed, *change.changed):
                of.setdefault(name, f"its {_COURSES[role]} changed")
            continue
        of |= dict.fromkeys(change.added, "added")
        of |= dict.fromkeys(change.removed, "removed")
        of |= {name: f"changed: {', '.join(cols)}" for name, cols in change.changed.items()}
    for role in _DRAWN:
        for feature in geo[role]["features"]:
            if feature["properties"].get("mark") == "was":
                of[_id(feature)] = "its place before"
    return {"term": "Change", "of": of, "others": "none"}
