"""What an audit finds beyond the verdicts: the records, rules and days that moved, as causes.

The shapes are written first; `compare` fills them.
"""

from __future__ import annotations

from typing import Any, Literal, TypedDict

from waysapart.evidence import Cell

CauseKind = Literal[
    "record", "rule", "default", "setting", "waiver", "date", "out", "inputs", "program"
]


class CellDifference(TypedDict):
    """A cell that differs; null: blank, or there is no row."""

    column: str
    before: Cell
    after: Cell
    moved_m: float | None


class RecordDifference(TypedDict):
    """A record that differs, with where it stands now (of one removed: where it stood)."""

    role: str
    id: str
    change: Literal["changed", "added", "removed"]
    file: str | None
    layer: str | None
    row: int | None
    row_before: int | None
    cells: list[CellDifference]
    circuits: list[str]
    groups: list[str]


class Cause(TypedDict):
    """Something that differs and may be why a circuit, group or scheme does.

    `record` is the place of a record in `records_changed`, from 0; `explains` are the figures,
    limits and findings that it may explain; `sure`: nothing else that differs may explain them.
    """

    kind: CauseKind
    text: str
    record: int | None
    column: str | None
    before: Any
    after: Any
    explains: list[str]
    sure: bool
