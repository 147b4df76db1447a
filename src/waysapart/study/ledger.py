"""Where reading writes down what it finds, so that one run reports all of it."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from waysapart.errors import Problem
from waysapart.evidence import GapBrief, RecordGap
from waysapart.gaps import Gap
from waysapart.schema import ROLES
from waysapart.text import few, replace_unseen

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from waysapart.gaps import Limit
    from waysapart.study.sources import InputFile, Layer

MAX_ROWS = 100
"""Rows that are listed one by one for one fault of one column; beyond it they are counted."""


@dataclass(frozen=True, slots=True)
class Conflict:
    """One fault of one row with which a study can still be read: it becomes a gap.

    Attributes
    ----------
    code : str
        Of the gap, from `waysapart.gaps`.
    layer, row : int
        `_layer` and `_row` of the row.
    column, message : str
        As in a Problem.
    limits : tuple of str or None
        The limits that it leaves open, where they are fewer than those of the code.
    everything : bool
        Whether it is not known what it touches, so that it touches every circuit.
    drop : bool
        Whether the row is left out.
    also : tuple of str
        Ids of assets, links or circuits that it touches beyond what the row is about.
    """

    code: str
    layer: int
    row: int
    column: str | None
    message: str
    limits: tuple[Limit, ...] | None = None
    everything: bool = False
    drop: bool = False
    also: tuple[str, ...] = ()


@dataclass(slots=True)
class Ledger:
    """Problems, notes, gaps and inputs of one run of reading; it only ever grows.

    In a strict ledger every conflict is a problem.
    """

    problems: list[Problem] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    inputs: list[InputFile] = field(default_factory=list)
    conflicts: list[Conflict] = field(default_factory=list)
    strict: bool = True

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
        """Write down one problem; parameters as the attributes of `waysapart.Problem`."""
        self.problems.append(Problem(message, file, layer, row, column, id))

    def note(self, text: str) -> None:
        """Write down one warning, once."""
        if text not in self.notes:
            self.notes.append(text)

    def no_row_kept(self, source: str, where: str) -> None:
        """Write down that the filter of a layer leaves none of its rows."""
        self.note(
            f"{source}: where = {shown(where)} keeps no row of the layer; "
            "is the value spelt as in the file, capitals too?"
        )

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
        gap: str | None = None,
        limits: tuple[Limit, ...] | None = None,
        everything: bool = False,
        drop: bool = False,
        also: Sequence[tuple[str, ...]] | None = None,
    ) -> NDArray[np.bool_]:
        """Write down one problem, or one conflict, for each row marked in `bad`.

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
        gap : str, optional
            Code of the gap that a row of a study makes that is not read strictly; None:
            with this fault no study can be read.
        limits, everything, drop
            As in `Conflict`.
        also : sequence, shape (rows,), optional
            As in `Conflict`, for each row.

        Returns
        -------
        ndarray of bool, shape (rows,)
            `bad`.
        """
        marked: NDArray[np.bool_] = np.asarray(bad, dtype=bool)
        places = np.flatnonzero(marked)
        if not len(places):
            return marked
        told = [] if found is None else list(found)
        if gap is not None and not self.strict:
            values = told if found is not None else _column(frame, column)
            where = zip(
                frame["_layer"].to_numpy()[places].tolist(),
                frame["_row"].to_numpy()[places].tolist(),
                strict=True,
            )
            for position, (layer_number, row_number) in zip(places.tolist(), where, strict=True):
                said = values[position] if values else None
                text = message.replace("{found}", shown(said) if quoted else printable(str(said)))
                self.conflicts.append(
                    Conflict(
                        gap,
                        int(layer_number),
                        int(row_number),
                        column,
                        text,
                        limits,
                        everything,
                        drop,
                        () if also is None else also[position],
                    )
                )
            return marked
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
        return marked


def _column(frame: pd.DataFrame, column: str | None) -> list[object]:
    """The values of a column, where there is one."""
    if column is None or column not in frame:
        return []
    return list(frame[column].to_numpy(dtype=object))


def shown(value: object) -> str:
    r"""Quote a value in a message: short, on one line, invisible characters escaped.

    Parameters
    ----------
    value : object

    Returns
    -------
    str
        At most 80 characters.

    Examples
    --------
    >>> shown("a\tb")
    "'a\\tb'"
    """
    text = printable(repr(value)) if isinstance(value, str) else f"{value}"
    return text if len(text) <= 80 else text[:77] + "..."


def printable(text: str) -> str:
    """Text for one line of a terminal: what cannot be seen is escaped."""
    return replace_unseen(text, lambda sign: sign.encode("unicode_escape").decode())


def column_label(layer: Layer, column: str | None) -> str | None:
    """Our name of a column, with theirs in brackets where it differs.

    Parameters
    ----------
    layer : Layer
        Its `their_columns` holds the names of the source.
    column : str or None

    Returns
    -------
    str or None
        None where no column is given.
    """
    theirs = layer.their_columns.get(column or "")
    return f"{column} ({theirs})" if theirs and theirs != column else column


def row_id(role: str, row: pd.Series) -> str | None:
    """The id of a row; for rows without one the id of what they belong to."""
    owners = (ROLES[role].key[:1] if role in ROLES else ()) or ("cable", "link")
    for column in ("id", *owners):
        value = row.get(column)
        if isinstance(value, str) and value:
            return value
        if isinstance(value, int | float | np.number) and np.isfinite(value):
            return f"{value:g}" if isinstance(value, float) else f"{value}"
    return None


def near_matches(word: str, known: Iterable[str]) -> list[str]:
    """Find the names closest to a mistyped one, case aside.

    Parameters
    ----------
    word : str
        The mistyped name.
    known : iterable of str
        Names that exist.

    Returns
    -------
    list of str
        Three at most, the best match first, of a similarity of at least 0.6
        (`difflib.get_close_matches`).

    Examples
    --------
    >>> near_matches("cabels", ["cables", "links"])
    ['cables']
    """
    by_fold: dict[str, list[str]] = {}
    for name in known:
        by_fold.setdefault(name.casefold(), []).append(name)
    found = difflib.get_close_matches(word.casefold(), list(by_fold), n=3, cutoff=0.6)
    return [name for fold in found for name in dict.fromkeys(by_fold[fold])][:3]


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """End a message with the names closest to a mistyped one.

    Parameters
    ----------
    word : str
        The mistyped name.
    known : iterable of str
        Names that exist.

    Returns
    -------
    str
        Empty where no name is close.

    Examples
    --------
    >>> did_you_mean("cabels", ["cables", "links"])
    "; did you mean 'cables'?"
    """
    near = near_matches(word, known)
    return f"; did you mean {' or '.join(repr(name) for name in near)}?" if near else ""


def listed(names: Iterable[str], most: int = 25) -> str:
    """List names in one line, `none` where there are none.

    Parameters
    ----------
    names : iterable of str
    most : int
        How many are named before the rest are counted.

    Returns
    -------
    str

    Examples
    --------
    >>> listed(["C-1", "C-2", "C-3"], most=2)
    'C-1, C-2 and 1 more'
    """
    return few(names, most) or "none"


# --- Gaps as people read them: many of one kind as one.

_NAMED = 3
"""Ids that a folded gap names before it counts the rest."""


def folded_gaps(gaps: Iterable[Gap]) -> list[RecordGap]:
    """Gaps in their order, those with the same code, column and `fold` told as one.

    Parameters
    ----------
    gaps : iterable of Gap

    Returns
    -------
    list of RecordGap
        Each in the place of its first gap.
    """
    return [
        RecordGap(
            code=some[0].code,
            asset=some[0].asset,
            message=_message(some),
            bears_on=some[0].bears_on,
            count=len(some),
            assets=[gap.asset for gap in some],
            rows=[gap.row for gap in some],
            file=some[0].file,
            layer=some[0].layer,
            row=some[0].row,
            column=some[0].column,
        )
        for some in _alike(gaps)
    ]


def brief_gaps(gaps: Iterable[Gap]) -> list[GapBrief]:
    """Fold gaps that are alike into one entry each, without places and ids.

    Parameters
    ----------
    gaps : iterable of Gap

    Returns
    -------
    list of GapBrief
        `count` says how many gaps an entry stands for.
    """
    return [
        GapBrief(
            code=some[0].code,
            asset=some[0].asset,
            message=_message(some),
            bears_on=some[0].bears_on,
            count=len(some),
        )
        for some in _alike(gaps)
    ]


def gap_key(gap: Gap) -> tuple[object, ...] | None:
    """What two gaps have in common that one entry in the records closes: the blank cell.

    Parameters
    ----------
    gap : Gap

    Returns
    -------
    tuple or None
        Code, file, layer, row, asset and column; None where the gap names no column and
        stands alone.
    """
    if gap.column is None:
        return None
    return gap.code, gap.file, gap.layer, gap.row, gap.asset, gap.column


def _alike(gaps: Iterable[Gap]) -> list[list[Gap]]:
    """Groups of gaps that are reported as one, each in the place of its first."""
    groups: dict[object, list[Gap]] = {}
    for number, gap in enumerate(gaps):
        key = number if gap.fold is None else (gap.code, gap.column, gap.layer, gap.fold)
        groups.setdefault(key, []).append(gap)
    return list(groups.values())


def _message(gaps: list[Gap]) -> str:
    first = gaps[0]
    if len(gaps) == 1 or first.fold is None:
        return first.message
    names = few((gap.asset for gap in gaps), _NAMED)
    return first.fold.replace("{count}", str(len(gaps))).replace("{names}", names)
