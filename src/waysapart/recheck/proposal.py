"""Rows of a study laid over those of the study that it extends."""

from __future__ import annotations

from typing import Any

Row = dict[str, Any]
ASSET_ROLES = (
    "sites",
    "structures",
    "holders",
    "segments",
    "cables",
    "joints",
    "supplies",
    "equipment",
    "hazards",
)
ROLES = (
    *ASSET_ROLES[:5],
    "cable_runs",
    *ASSET_ROLES[5:8],
    "links",
    "link_runs",
    "circuits",
    "circuit_paths",
    "rings",
    "ring_circuits",
    "hazards",
    "measurements",
)
REFERENCES = {
    *("a", "b", "at", "site", "segment", "cable", "carried_by", "link", "circuit", "from", "to"),
    *("within", "cables", "needs", "supplies", "via", "relies_on", "protects"),
}
"""Columns that hold ids of other rows."""
COURSES = {
    "cable_runs": ("cable",),
    "link_runs": ("link",),
    "circuit_paths": ("circuit", "path"),
    "rings": ("ring",),
    "ring_circuits": ("circuit",),
}
"""Roles whose rows are steps of something, and the columns that say of what."""


def laid_over(under: dict[str, list[Row]], over: dict[str, list[Row]]) -> dict[str, list[Row]]:
    """A proposal's rows over those that it extends: same id, or the same course, replaces."""
    merged = {}
    for role in ROLES:
        mine = under[role]
        if role in COURSES:
            taken = {tuple(row.get(name) for name in COURSES[role]) for row in over[role]}
            mine = [r for r in mine if tuple(r.get(name) for name in COURSES[role]) not in taken]
        else:
            ids = {row["id"] for row in over[role] if row.get("id")}
            mine = [row for row in mine if row.get("id") not in ids]
        other = {"circuit_paths": "ring_circuits", "ring_circuits": "circuit_paths"}.get(role)
        if other:
            moved = {row["circuit"] for row in over[other]}
            mine = [row for row in mine if row["circuit"] not in moved]
        merged[role] = [*mine, *over[role]]
    return merged


def kept(role: str, rows: list[Row], removed: set[str]) -> list[Row]:
    """Rows without those of removed ids and the steps and tests that go with them."""
    owners = {"id", *COURSES.get(role, ())[:1]}
    if role == "measurements":
        owners |= {"cable", "link"}
    return [row for row in rows if not any(row.get(name) in removed for name in owners)]


def cut(rows: dict[str, list[Row]], gone: set[str]) -> list[tuple[str, str, str]]:
    """Take references to removed ids out; tell whose they were."""
    told = []
    for role, mine in rows.items():
        for row in list(mine):
            for name in REFERENCES & set(row):
                value = row[name]
                lost = set(value if isinstance(value, list) else [value]) & gone
                if not lost:
                    continue
                owner = row["id"] if "id" in row else row[COURSES[role][0]]
                told.append((role, str(owner), name))
                if isinstance(value, list):
                    row[name] = [item for item in value if item not in gone] or None
                elif role in COURSES and name not in ("from", "to"):
                    mine.remove(row)
                    break
                else:
                    row[name] = None
    return told
