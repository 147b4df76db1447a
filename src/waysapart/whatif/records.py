"""Which records differ between two studies: by role and id, and in which columns."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypedDict

import numpy as np
import pandas as pd
import shapely
from pyproj import Transformer

from waysapart.schema import ROLES
from waysapart.study.model import Study

SAME_M = 1e-6
"""Geometries whose vertices lie within this are the same."""
SAME_MOVED_M = 1e-3
"""The same, where the two studies work in different coordinate systems."""

_OWNER = {
    "cable_runs": ["cable"],
    "link_runs": ["link"],
    "circuit_paths": ["circuit", "path"],
    "rings": ["ring"],
    "ring_circuits": ["circuit"],
}
"""Roles whose rows are steps of something: its course is compared as a whole."""
_HIDDEN = ("_layer", "_row")


class ChangedRow(TypedDict):
    """A row that stands in both studies, and its columns that differ."""

    id: str
    columns: list[str]


class RecordFacts(TypedDict):
    """Rows of one role that came, went or changed."""

    added: list[str]
    removed: list[str]
    changed: list[ChangedRow]


@dataclass(frozen=True)
class RecordChanges:
    """Records of one role that differ.

    Attributes
    ----------
    added, removed : list of str
        Ids; for a course what it belongs to, such as the cable.
    changed : dict of str to list of str
        Id to the columns that differ.
    """

    added: list[str]
    removed: list[str]
    changed: dict[str, list[str]]

    def as_dict(self) -> RecordFacts:
        """The changes with the keys of `compare --json`."""
        return {
            "added": self.added,
            "removed": self.removed,
            "changed": [{"id": name, "columns": self.changed[name]} for name in self.changed],
        }


def differing_records(before: Study, after: Study) -> dict[str, RecordChanges]:
    """Records that differ, per role; roles without a difference are left out.

    Whole columns are compared at once; geometry within `SAME_M`.
    """
    move = None
    if before.crs != after.crs:
        move = Transformer.from_crs(after.crs, before.crs, always_xy=True)
    found = {}
    for role in ROLES:
        changes = _role(role, before.tables[role], after.tables[role], move)
        if changes.added or changes.removed or changes.changed:
            found[role] = changes
    return found


def _role(
    role: str, before: pd.DataFrame, after: pd.DataFrame, move: Transformer | None
) -> RecordChanges:
    old, new = _plain(before), _plain(after)
    if "id" in ROLES[role].column:
        return _by_id(old.set_index("id"), new.set_index("id"), move)
    if role in _OWNER:
        return _by_course(old, new, _OWNER[role])
    return _by_row(old, new)


def _plain(table: pd.DataFrame) -> pd.DataFrame:
    return pd.DataFrame(table).drop(columns=[*_HIDDEN], errors="ignore")


def _by_id(old: pd.DataFrame, new: pd.DataFrame, move: Transformer | None) -> RecordChanges:
    common = old.index.intersection(new.index, sort=False)
    one, other = old.loc[common], new.loc[common]
    changed: dict[str, list[str]] = {}
    for column in dict.fromkeys([*old.columns, *new.columns]):
        if column not in one or column not in other:
            present = one if column in one else other
            differs = present[column].notna().to_numpy()
        elif column == "geometry":
            differs = ~_same_shapes(one[column].to_numpy(), other[column].to_numpy(), move)
        else:
            differs = ~_same(one[column], other[column])
        for name in common[differs]:
            changed.setdefault(str(name), []).append(str(column))
    return RecordChanges(
        [str(name) for name in new.index.difference(old.index)],
        [str(name) for name in old.index.difference(new.index)],
        dict(sorted(changed.items())),
    )


def _same(one: pd.Series[Any], other: pd.Series[Any]) -> np.ndarray:
    a, b = one.to_numpy(dtype=object), other.to_numpy(dtype=object)
    blank = pd.isna(a) & pd.isna(b)
    equal = np.array([bool(x == y) for x, y in zip(a, b, strict=True)], dtype=bool)
    return np.asarray(blank | equal)


def _same_shapes(one: np.ndarray, other: np.ndarray, move: Transformer | None) -> np.ndarray:
    a = np.array([None if pd.isna(shape) else shape for shape in one], dtype=object)
    b = np.array([None if pd.isna(shape) else shape for shape in other], dtype=object)
    tolerance = SAME_M
    if move is not None:
        tolerance = SAME_MOVED_M
        b = shapely.transform(
            b, lambda points: np.column_stack(move.transform(points[:, 0], points[:, 1]))
        )
    missing = shapely.is_missing(a) & shapely.is_missing(b)
    return np.asarray(missing | shapely.equals_exact(a, b, tolerance=tolerance))


def _by_course(old: pd.DataFrame, new: pd.DataFrame, owner: list[str]) -> RecordChanges:
    """Steps in their order: the numbers that count them do not matter."""
    one, other = _courses(old, owner), _courses(new, owner)
    changed = {}
    for name in one:
        if name in other and one[name] != other[name]:
            mine, theirs = one[name], other[name]
            columns = [
                column
                for column in dict.fromkeys([*mine, *theirs])
                if mine.get(column) != theirs.get(column)
            ]
            changed[name] = columns
    return RecordChanges(
        [name for name in other if name not in one],
        [name for name in one if name not in other],
        changed,
    )


def _courses(table: pd.DataFrame, owner: list[str]) -> dict[str, dict[str, tuple[str, ...]]]:
    rest = [column for column in table.columns if column not in (*owner, "seq")]
    order = [*owner, "seq"] if "seq" in table else owner
    text = table.sort_values(order, kind="stable")
    cells = {
        column: text[column].astype(object).where(text[column].notna(), "").map(str).to_numpy()
        for column in rest
    }
    names = text[owner].astype(str).agg(" ".join, axis=1) if len(text) else pd.Series(dtype=str)
    found: dict[str, dict[str, tuple[str, ...]]] = {}
    for name, rows in names.reset_index(drop=True).groupby(names.to_numpy()).indices.items():
        course = {column: tuple(cells[column][rows]) for column in rest}
        found[str(name)] = {column: cell for column, cell in course.items() if any(cell)}
    return found


def _by_row(old: pd.DataFrame, new: pd.DataFrame) -> RecordChanges:
    """Rows without an id (test results): a changed one counts as one removed and one added."""
    one, other = _lines(old), _lines(new)
    added, removed = list(other), list(one)
    for line in one:
        if line in added:
            added.remove(line)
            removed.remove(line)
    return RecordChanges(added, removed, {})


def _lines(table: pd.DataFrame) -> list[str]:
    return [
        ", ".join(f"{key} {value}" for key, value in row.items() if not pd.isna(value))
        for row in table.to_dict("records")
    ]
