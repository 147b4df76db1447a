"""Gaps as people read them: many of one kind told as one."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TypedDict

from waysapart.study.model import Gap

_NAMED = 3
"""Ids that a folded gap names before it counts the rest."""


class GapFacts(TypedDict):
    """One gap, or many of one kind, as plain data.

    Attributes
    ----------
    code, message, bears_on
    asset : str
        The id that it is about; of many the first.
    count : int
        How many records it stands for.
    assets, rows : list
        All their ids, and the row of each in the input.
    file, layer, row, column
        Where it stands in the input; of many, where the first one stands.
    """

    code: str
    asset: str
    message: str
    bears_on: str
    count: int
    assets: list[str]
    rows: list[int | None]
    file: str | None
    layer: str | None
    row: int | None
    column: str | None


def folded_gaps(gaps: Iterable[Gap]) -> list[GapFacts]:
    """Gaps in their order, those with the same code, column and `fold` told as one.

    Parameters
    ----------
    gaps : iterable of Gap

    Returns
    -------
    list of GapFacts
        Each in the place of its first gap.
    """
    return [
        GapFacts(
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


class GapBrief(TypedDict):
    """A folded gap as it stands with each circuit that it touches; its ids stand elsewhere."""

    code: str
    asset: str
    message: str
    bears_on: str
    count: int


def brief_gaps(gaps: Iterable[Gap]) -> list[GapBrief]:
    """Folded gaps without their places and ids."""
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
    """What is the same for two gaps that one entry closes: the cell that is blank.

    None where a gap names no column: then it stands alone.
    """
    if gap.column is None:
        return None
    return gap.code, gap.file, gap.layer, gap.row, gap.asset, gap.column


def _alike(gaps: Iterable[Gap]) -> list[list[Gap]]:
    """Gaps that are told as one, each group in the place of its first."""
    groups: dict[object, list[Gap]] = {}
    for number, gap in enumerate(gaps):
        key = number if gap.fold is None else (gap.code, gap.column, gap.layer, gap.fold)
        groups.setdefault(key, []).append(gap)
    return list(groups.values())


def _message(gaps: list[Gap]) -> str:
    first = gaps[0]
    if len(gaps) == 1 or first.fold is None:
        return first.message
    names = ", ".join(gap.asset for gap in gaps[:_NAMED])
    if len(gaps) > _NAMED:
        names += f" and {len(gaps) - _NAMED} more"
    return first.fold.replace("{count}", str(len(gaps))).replace("{names}", names)
