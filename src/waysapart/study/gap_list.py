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
    groups: dict[tuple[object, ...], list[Gap]] = {}
    for number, gap in enumerate(gaps):
        key = (number,) if gap.fold is None else (gap.code, gap.column, gap.layer, gap.fold)
        groups.setdefault(key, []).append(gap)
    return [_facts(some) for some in groups.values()]


def gap_key(gap: Gap) -> tuple[object, ...] | None:
    """What is the same for two gaps that one entry closes: the cell that is blank.

    None where a gap names no column: then it stands alone.
    """
    if gap.column is None:
        return None
    return gap.code, gap.file, gap.layer, gap.row, gap.asset, gap.column


def _facts(gaps: list[Gap]) -> GapFacts:
    first = gaps[0]
    names = [gap.asset for gap in gaps]
    message = first.message
    if len(gaps) > 1 and first.fold is not None:
        named = ", ".join(names[:_NAMED])
        if len(names) > _NAMED:
            named += f" and {len(names) - _NAMED} more"
        message = first.fold.replace("{count}", str(len(names))).replace("{names}", named)
    return GapFacts(
        code=first.code,
        asset=first.asset,
        message=message,
        bears_on=first.bears_on,
        count=len(gaps),
        assets=names,
        rows=[gap.row for gap in gaps],
        file=first.file,
        layer=first.layer,
        row=first.row,
        column=first.column,
    )
