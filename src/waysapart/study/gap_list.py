"""Gaps as people read them: many of one kind told as one."""

from __future__ import annotations

from collections.abc import Iterable

from waysapart.evidence import GapBrief, RecordGap
from waysapart.gaps import Gap
from waysapart.shown import few

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
    names = few((gap.asset for gap in gaps), _NAMED)
    return first.fold.replace("{count}", str(len(gaps))).replace("{names}", names)
