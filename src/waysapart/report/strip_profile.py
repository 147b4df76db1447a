"""How far apart the ways are, drawn beneath the lanes on the axis of the first."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from waysapart.report import words
from waysapart.report.escape import html_text
from waysapart.report.marks import short_number as _n

Facts = Mapping[str, Any]

HEIGHT = 56.0
_EVEN = 0.3
"""Share of the height up to the distance that is asked; above it the scale goes by tens."""


def profile_band(
    profile: Facts,
    zones: Sequence[Sequence[float]],
    x: Callable[[float], float],
    edges: tuple[float, float],
    base: float,
) -> str:
    """Draw a separation profile.

    Parameters
    ----------
    profile : mapping
        `points`, each a place in metres and a distance or None; `limit_m`.
    zones : sequence of pairs
        End zones on the first lane, in metres.
    x : callable
        Pixels from the left of a place in metres.
    edges : pair of float
        Where the lanes begin and end, in pixels.
    base : float
        Height of the axis, in pixels from the top.

    Returns
    -------
    str
        A group of the SVG: even up to the distance that is asked, then by tens.
    """
    left, right = edges
    limit = float(profile["limit_m"])
    known = [d for _, d in profile["points"] if d is not None]
    even = limit or 1.0
    most = max(2.0 * even, *known)

    def height(distance: float) -> float:
        if distance <= even:
            return base - HEIGHT * _EVEN * distance / even
        share = math.log(distance / even) / math.log(most / even)
        return base - HEIGHT * (_EVEN + (1.0 - _EVEN) * share)

    runs: list[list[str]] = [[]]
    for at, distance in profile["points"]:
        if distance is None:
            runs.append([])
        else:
            runs[-1].append(f"{_n(x(at))} {_n(height(distance))}")
    line = "".join("M" + "L".join(run) for run in runs if len(run) > 1)
    shaded = "".join(
        f'<rect class="zone" x="{_n(x(low))}" y="{_n(base - HEIGHT)}" '
        f'width="{_n(x(high) - x(low))}" height="{_n(HEIGHT)}"/>'
        for low, high in zones
    )
    asked = ""
    if limit:
        y = height(limit)
        asked = (
            f'<path class="asked" d="M{_n(left)} {_n(y)}H{_n(right)}"/>'
            f'<text class="km side" x="{_n(left - 6)}" y="{_n(y + 4)}">'
            f"{html_text(words.metres(limit))} asked</text>"
        )
    return (
        f'<g class="apart-by">{shaded}'
        f'<path class="tick" d="M{_n(left)} {_n(base)}H{_n(right)}"/>'
        f'{asked}<text class="km side" x="{_n(left - 6)}" y="{_n(base - HEIGHT + 8)}">'
        f"{html_text(words.metres(most))}</text>"
        f'<text class="km side" x="{_n(left - 6)}" y="{_n(base + 1)}">0 m</text>'
        f'<text class="lane-label" x="2" y="{_n(base - 22)}">apart</text>'
        f'<path class="distance" d="{line}"/></g>'
    )
