"""Names above a drawing, each on a line of its own, so that no line runs through another name."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

_SPACE = 10.0
"""Between two names of one row."""


@dataclass(frozen=True, slots=True)
class Flag:
    """Where a name stands: like a flag it begins at its line, or ends there.

    Attributes
    ----------
    at : float
        Its line.
    low, high : float
        What the name covers.
    backward : bool
        Whether it ends at its line.
    row : int
        0 is the lowest.
    """

    at: float
    low: float
    high: float
    backward: bool
    row: int


def flags(lines: Sequence[float], widths: Sequence[float], edge: float) -> list[Flag]:
    """Rows and sides of names that stand at some lines.

    Parameters
    ----------
    lines : sequence of float
        Where the line to each name stands, in pixels from the left; no two alike.
    widths : sequence of float
        How wide each name is.
    edge : float
        Where the drawing ends.

    Returns
    -------
    list of Flag
        In the order given. Names point forward where there is room up to the edge, else
        backward; no name covers another or the line of a name in a higher row, unless
        one is wider than all that lies before its line.
    """
    order = sorted(range(len(lines)), key=lambda k: lines[k])
    back = _backward(order, lines, widths, edge)
    placed: dict[int, Flag] = {}
    for k in [k for k in reversed(order) if k not in back] + [k for k in order if k in back]:
        at = lines[k]
        low = max(at - widths[k], 0.0) if k in back else at
        placed[k] = Flag(at, low, low + widths[k], k in back, 0)
        placed[k] = _raised(placed[k], [one for j, one in placed.items() if j != k])
    return [placed[k] for k in range(len(lines))]


def _backward(
    order: Sequence[int], lines: Sequence[float], widths: Sequence[float], edge: float
) -> set[int]:
    """Names that end at their line: no room before the edge, or one that does stands in the way."""
    back: set[int] = set()
    for k in reversed(order):
        nearest = min((lines[j] for j in back), default=edge + _SPACE)
        if lines[k] + widths[k] > edge or lines[k] + widths[k] + _SPACE > nearest:
            back.add(k)
    return back


def _raised(flag: Flag, others: Sequence[Flag]) -> Flag:
    """The flag in the lowest row in which it covers no name and no line."""
    row = 1 + max(
        (one.row for one in others if flag.low - _SPACE < one.at < flag.high + _SPACE), default=-1
    )
    taken = {
        one.row for one in others if one.low < flag.high + _SPACE and flag.low < one.high + _SPACE
    }
    while row in taken:
        row += 1
    return Flag(flag.at, flag.low, flag.high, flag.backward, row)
