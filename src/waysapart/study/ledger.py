"""Where reading writes down what it finds, so that one run reports all of it."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from waysapart.errors import Problem
from waysapart.schema import ROLES

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from waysapart.study.model import Gap, Input, Layer

MAX_ROWS = 100
"""Rows that are listed one by one for one fault of one column; beyond it they are counted."""


@dataclass(slots=True)
class Ledger:
    """Problems, notes, gaps and inputs of one run of reading; it only ever grows."""

    problems: list[Problem] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    inputs: list[Input] = field(default_factory=list)

    def problem(
        self,
        message: str,
        *,
        file: str | None = None,
        layer: str | None = None,
        row: int | None = None,
        column: str | None = None,
        id: str | None = None,
    ) -> None:
        """Write down one problem."""
        self.problems.append(Problem(message, file, layer, row, column, id))

    def note(self, text: str) -> None:
        """Write down one warning, once."""
        if text not in self.notes:
            self.notes.append(text)

    def rows(
        self,
        frame: pd.DataFrame,
        layers: Sequence[Layer],
        bad: pd.Series | NDArray[np.bool_],
        column: str | None,
        message: str,
        found: Sequence[object] | pd.Series | None = None,
        *,
        quoted: bool = True,
    ) -> None:
        """Write down one problem for each row marked in `bad`.

        Parameters
        ----------
        frame : DataFrame
            Rows with `_layer` and `_row`.
        layers : sequence of Layer
            What `_layer` counts.
        bad : array of bool, shape (rows,)
        column : str or None
            Our name of the column.
        message : str
            May hold `{found}`, filled from `found` (default: the column's value).
        found : sequence, shape (rows,), optional
        quoted : bool
            Whether text found stands in quotes.
        """
        places = np.flatnonzero(np.asarray(bad, dtype=bool))
        told = [] if found is None or not len(places) else list(found)
        for position in places[:MAX_ROWS]:
            row = frame.iloc[position]
            layer = layers[int(row["_layer"])]
            value = row.get(column) if found is None else told[position]
            self.problem(
                message.replace("{found}", shown(value) if quoted else printable(str(value))),
                file=layer.file,
                layer=layer.layer or layer.role,
                row=int(row["_row"]),
                column=column_label(layer, column),
                id=row_id(layer.role, row),
            )
        if len(places) > MAX_ROWS:
            layer = layers[int(frame["_layer"].iloc[places[MAX_ROWS]])]
            self.problem(
                f"{len(places) - MAX_ROWS} more rows have the same fault as those listed before",
                file=layer.file,
                layer=layer.layer or layer.role,
                column=column_label(layer, column),
            )


def shown(value: object) -> str:
    """A value as it is quoted in a message: short, on one line, invisible characters escaped."""
    text = repr(value) if isinstance(value, str) else f"{value}"
    return text if len(text) <= 80 else text[:77] + "..."


def printable(text: str) -> str:
    """Text for one line of a terminal: what cannot be seen is escaped."""
    return "".join(
        sign if sign.isprintable() else sign.encode("unicode_escape").decode() for sign in text
    )


def column_label(layer: Layer, column: str | None) -> str | None:
    """Our name of a column, with theirs in brackets where it differs."""
    theirs = layer.their_columns.get(column or "")
    return f"{column} ({theirs})" if theirs and theirs != column else column


def row_id(role: str, row: pd.Series) -> str | None:
    """The id of a row; for rows without one the id of what they belong to."""
    owners = ROLES[role].key[:1] or ("cable", "link")
    for column in ("id", *owners):
        value = row.get(column)
        if isinstance(value, str) and value:
            return value
        if isinstance(value, int | float | np.number) and np.isfinite(value):
            return f"{value:g}" if isinstance(value, float) else f"{value}"
    return None


def near_matches(word: str, known: Iterable[str], most: int = 3) -> list[str]:
    """The names closest to a mistyped one, case aside, best first."""
    by_fold = {name.casefold(): name for name in known}
    found = difflib.get_close_matches(word.casefold(), list(by_fold), n=most, cutoff=0.6)
    return [by_fold[fold] for fold in found]


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """`; did you mean 'x'?` or nothing."""
    near = near_matches(word, known)
    return f"; did you mean {' or '.join(repr(name) for name in near)}?" if near else ""


def listed(names: Iterable[str], most: int = 25) -> str:
    """Names in one line, cut after a number that a person still reads."""
    names = [str(name) for name in names]
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return (", ".join(names[:most]) + more) or "none"
