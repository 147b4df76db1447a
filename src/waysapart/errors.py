"""The exceptions of waysapart.

All errors of a run are collected as `Problem` and raised together, so that a user corrects a
study in one round and not one error at a time.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong with the input: where, what, and what to do.

    Attributes
    ----------
    file, layer
        Source file (as the study names it) and the layer inside it, or the
        role where the file has no layers.
    row
        Row as the user's tool counts it: the line of a CSV (header = 1), the
        feature id of a GeoPackage, else the feature's place counted from 1.
        None where the problem belongs to the whole layer.
    column
        Our name of the column, with theirs in brackets where it differs.
    id
        The row's id, where it has one.
    message
        What was expected, what was found, what to do.
    """

    message: str
    file: str | None = None
    layer: str | None = None
    row: int | None = None
    column: str | None = None
    id: str | None = None

    def as_dict(self) -> dict[str, str | int | None]:
        """The problem with the keys of `check --json`."""
        found = asdict(self)
        return {key: found[key] for key in ("file", "layer", "row", "column", "id", "message")}

    def __str__(self) -> str:
        place = [
            f"{self.file}" if self.file else "",
            f"layer {self.layer}" if self.layer else "",
            f"row {self.row}" if self.row is not None else "",
            f"column {self.column}" if self.column else "",
            f"id {self.id}" if self.id else "",
        ]
        where = ", ".join(part for part in place if part)
        return f"{where}: {self.message}" if where else self.message


class WaysapartError(Exception):
    """Base of all errors that waysapart raises on purpose."""


class CallError(WaysapartError):
    """A command or function was called with arguments that have no meaning."""


class WriteError(WaysapartError, OSError):
    """A file cannot be written; what was there before is unchanged."""


class StudyError(WaysapartError):
    """The study cannot be used; `problems` lists every reason found in this run.

    `notes` holds further observations, such as a filter that keeps no row: it is often
    the cause of ids that do not exist.
    """

    def __init__(self, problems: Iterable[Problem], notes: Iterable[str] = ()) -> None:
        self.problems = tuple(problems)
        self.notes = tuple(notes)
        count = len(self.problems)
        head = f"{count} problem{'s' if count != 1 else ''} in the input"
        super().__init__("\n".join([head, *(f"  {problem}" for problem in self.problems)]))
