"""Separation profiles as SVG: how far away the other path is, all along a path.

One drawing serves both places: the band beneath the lanes of a strip, and the picture of
all paths of a circuit. Heights are linear up to the required distance, then by powers of
ten. Parts carry classes, which the stylesheets of the page colour, and attributes for where there
is no stylesheet. There are no ids, styles or scripts, so it can stand in a sealed page.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from waysapart.errors import CallError
from waysapart.findings.separation.earth import arc_m
from waysapart.findings.separation.profile import evaluate
from waysapart.findings.spacing import too_close
from waysapart.report import words
from waysapart.report.escape import html_text
from waysapart.report.marks import km_said, round_step
from waysapart.report.marks import short_number as _n
from waysapart.verdicts.facts import profile_of
from waysapart.verdicts.proof import APART
from waysapart.verdicts.prove import Proof

WIDTH = 1000
"""Of a strip and of a picture of profiles, in pixels."""
LEFT, RIGHT = 120.0, 930.0
"""Where lanes and axes begin and end."""
BAND = 56.0
"""Height of a profile beneath the lanes of a strip."""
_PANEL = 110.0
"""Height of a profile that stands alone."""
_ABOVE, _BELOW = 30.0, 34.0
"""Room for the heading of a panel, and for its kilometres."""
_COLUMNS = 400
"""Columns of the drawing: in each, the least and the greatest distance are drawn."""
_EVEN_M = 1.0
"""Heights are linear up to this, in metres, where no distance is required."""
_EVEN = 0.3
"""Share of the height up to the required distance."""
_CLEAR = 11.0
"""Pixels between one label of the heights and the next."""

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Axes:
    """Where a profile stands in its drawing.

    Attributes
    ----------
    length_m : float
        Length of the path, drawn from `LEFT` to `RIGHT`.
    even_m : float
        Heights are even up to this distance, and logarithmic from there on.
    most_m : float
        Distance at the top.
    base : float
        Where distance 0 lies, in pixels from the top of the drawing.
    height : float
        In pixels.
    """

    length_m: float
    even_m: float
    most_m: float
    base: float
    height: float

    def x(self, at_m: float) -> float:
        """Pixels from the left of a place along the path."""
        return LEFT + (RIGHT - LEFT) * at_m / max(self.length_m, 1e-9)

    def y(self, distance_m: float) -> float:
        """Pixels from the top of a distance."""
        if distance_m <= self.even_m:
            return self.base - self.height * _EVEN * distance_m / self.even_m
        share = math.log(distance_m / self.even_m) / math.log(self.most_m / self.even_m)
        return self.base - self.height * (_EVEN + (1.0 - _EVEN) * share)


def profile_band(
    profile: Mapping[str, Any], zones: Iterable[Sequence[float]], length_m: float, base: float
) -> str:
    """Draw a profile beneath the lanes of a strip.

    Parameters
    ----------
    profile : mapping
        `points`, each a place and a distance or None, both in metres; `limit_m`.
    zones : iterable of pairs
        End zones on the first lane, in metres.
    length_m : float
        Length of the first lane.
    base : float
        Where distance 0 lies, in pixels from the top.

    Returns
    -------
    str
        A `g` element.
    """
    limit = float(profile["limit_m"])
    at = np.array([point[0] for point in profile["points"]], dtype=np.float64)
    distance = np.array([point[1] for point in profile["points"]], dtype=np.float64)
    axes = _axes(length_m, limit, distance, base, BAND)
    asked = [(0.0, length_m, limit)] if limit else []
    drawn = _drawn(axes, at, distance, asked, [(low, high) for low, high in zones])
    return (
        f'<g class="apart-by">{drawn}'
        f'<text class="lane-label" x="2" y="{_n(base - 22)}">apart</text></g>'
    )


def profile_svg(proof: Proof, name: str) -> str:
    """Draw how far away the other path is, all along each path of a circuit or group.

    Parameters
    ----------
    proof : Proof
    name : str
        Id of a circuit, or name of a group.

    Returns
    -------
    str
        An `svg` element to be put into HTML as it stands, with a title and a description
        for people who do not see it. Empty where there is nothing to measure. The same
        proof gives the same text. Parts carry classes for the page's own colours:
        `profile-line`, `profile-limit`, `profile-zone`, `profile-close`.

    Raises
    ------
    CallError
        No circuit or group is called so.
    """
    frame = profile_of(proof, name)
    panels = [
        arcs
        for _, arcs in frame.groupby(["pair", "path"], sort=False)
        if arcs["distance_from_m"].notna().any()
    ]
    if not panels:
        return ""
    whole = _ABOVE + _PANEL + _BELOW
    height = _n(whole * len(panels))
    told = " ".join(_told(arcs) for arcs in panels)
    return "".join(
        [
            f'<svg class="profile" role="img" viewBox="0 0 {WIDTH} {height}" '
            'fill="currentColor" font-size="11" xmlns="http://www.w3.org/2000/svg">',
            f"<title>{html_text(f'Distance between the paths of {name}, along each of them')}"
            f"</title><desc>{html_text(told)}</desc>",
            *(_panel(arcs, whole * number + _ABOVE + _PANEL) for number, arcs in enumerate(panels)),
            "</svg>",
        ]
    )


def circuits_to_draw(proof: Proof, most: int = 12) -> list[str]:
    """Circuits whose profile is worth its place: those with a near approach or crossing first.

    Then come the others that are not apart, then those that are, the closest first.
    Circuits whose separation was not examined have none.

    Parameters
    ----------
    proof : Proof
    most : int
        At most so many, so that a report stays small.

    Returns
    -------
    list of str
        Ids, in the order of the circuits.

    Raises
    ------
    CallError
        `most` is negative.
    """
    if most < 0:
        raise CallError(f"most {most}: expected 0 or more")
    spacing = proof.spacing
    pairs = spacing.pairs[spacing.pairs["trial"] < proof.circuit_count]
    closest = pairs.groupby("trial")["closest_m"].min().dropna()
    found = np.zeros(proof.circuit_count, dtype=bool)
    for rows in (spacing.near, spacing.cross):
        open_ = rows["pair"].to_numpy(dtype=np.int64)[rows["under"].to_numpy() < 0]
        tests = spacing.pairs["trial"].to_numpy()[open_]
        found[tests[tests < proof.circuit_count]] = True
    tests = closest.index.to_numpy(dtype=np.int64)
    apart = np.array([proof.verdicts[test] == APART for test in tests], dtype=bool)
    ranked = tests[np.lexsort((closest.to_numpy(), apart, ~found[tests]))]
    return [proof.trials[test].id for test in sorted(ranked[:most].tolist())]


def outline(arcs: pd.DataFrame, columns: int = _COLUMNS) -> tuple[np.ndarray, np.ndarray]:
    """Points of a profile for drawing.

    Every column of the drawing shows the least and the greatest distance in it, with
    the ends and the lowest point of every arc among those looked at, so that no
    close approach is lost however long the path.

    Parameters
    ----------
    arcs : DataFrame
        Profile of one path, as `findings.separation` gives it.
    columns : int
        Number of columns of the drawing.

    Returns
    -------
    at, distance : ndarray, shape (points,)
        Place along the path and distance to the other path, in metres; distance NaN where the
        line breaks off.
    """
    begin, end = (arcs[name].to_numpy(dtype=np.float64) for name in ("from_m", "to_m"))
    after, lowest = _lowest(arcs)
    width = float(end.max()) / columns
    even = np.arange(columns + 1) * width
    even = even[(even >= begin.min()) & (even <= end.max())]
    at = np.concatenate([begin, begin + after, end, even])
    distance = np.concatenate(
        [arcs["distance_from_m"], lowest, arcs["distance_to_m"], evaluate(arcs, even)]
    )
    order = np.argsort(at, kind="stable")
    at, distance = at[order], distance[order]
    column = np.minimum((at / max(width, 1e-12)).astype(np.int64), columns - 1)
    known = np.isfinite(distance)
    gone = np.setdiff1d(np.unique(column), column[known])
    by_height = np.flatnonzero(known)[np.lexsort((distance[known], column[known]))]
    first = np.flatnonzero(np.diff(column[by_height], prepend=-1))
    last = np.append(first[1:] - 1, len(by_height) - 1) if len(first) else first
    blank = np.searchsorted(column, gone)
    keep = np.unique(np.concatenate([by_height[first], by_height[last], blank]))
    return at[keep], distance[keep]


def _panel(arcs: pd.DataFrame, base: float) -> str:
    """Distance to one other path along one path, with its kilometres and a heading."""
    at, distance = outline(arcs)
    limits = arcs["limit_m"].to_numpy(dtype=np.float64)
    length = float(arcs["to_m"].max())
    axes = _axes(length, float(np.nanmax(limits, initial=0.0)), distance, base, _PANEL)
    asked = arcs[arcs["limit_m"] > 0]
    drawn = _drawn(
        axes,
        at,
        distance,
        _intervals(asked, asked["limit_m"]),
        [(low, high) for low, high, _ in _intervals(arcs[arcs["end_zone"]])],
        [(low, high) for low, high, _ in _intervals(too_close(arcs))],
    )
    along, other = _names(arcs)
    heading = html_text(f"Along {along}: distance to {other}")
    return (
        f'<g>{drawn}{_kilometres(axes)}<text class="profile-head" font-weight="bold" '
        f'x="{_n(LEFT)}" y="{_n(base - _PANEL - 12.0)}">{heading}</text></g>'
    )


def _axes(length_m: float, limit_m: float, distance: np.ndarray, base: float, px: float) -> Axes:
    even = limit_m if limit_m > 0 else _EVEN_M
    return Axes(length_m, even, max(2.0 * even, float(np.nanmax(distance, initial=0.0))), base, px)


def _drawn(
    axes: Axes,
    at_m: np.ndarray,
    distance_m: np.ndarray,
    asked: Sequence[tuple[float, float, float]],
    zones: Sequence[Interval],
    close: Sequence[Interval] = (),
) -> str:
    """Draw end zones, heights, required distances (from, to, metres), distance, breaches."""
    top, base = axes.base - axes.height, axes.base
    parts = [
        f'<rect class="profile-zone" fill-opacity=".15" x="{_n(axes.x(low))}" y="{_n(top)}" '
        f'width="{_n(axes.x(high) - axes.x(low))}" height="{_n(axes.height)}"/>'
        for low, high in zones
    ]
    parts += _heights(axes, max((limit for *_, limit in asked), default=0.0))
    if asked:
        line = "".join(
            f"M{_n(axes.x(low))} {_n(axes.y(limit))}H{_n(axes.x(high))}"
            for low, high, limit in asked
        )
        parts.append(
            '<path class="profile-limit" fill="none" stroke="currentColor" '
            f'stroke-dasharray="4 3" d="{line}"/>'
        )
    known = np.isfinite(distance_m)
    starts = np.flatnonzero(known & ~np.append(False, known[:-1]))
    stops = np.flatnonzero(known & ~np.append(known[1:], False)) + 1
    line = "".join(
        "M"
        + "L".join(
            f"{_n(axes.x(at))} {_n(axes.y(distance))}"
            for at, distance in zip(at_m[low:high], distance_m[low:high], strict=True)
        )
        for low, high in zip(starts, stops, strict=True)
        if high - low > 1
    )
    parts.append(
        '<path class="profile-line" fill="none" stroke="currentColor" stroke-width="1.6" '
        f'stroke-linejoin="round" d="{line}"/>'
    )
    if close:
        line = "".join(f"M{_n(axes.x(low))} {_n(base)}H{_n(axes.x(high))}" for low, high in close)
        parts.append(
            '<path class="profile-close" fill="none" stroke="currentColor" stroke-width="5" '
            f'd="{line}"/>'
        )
    return "".join(parts)


def _heights(axes: Axes, limit_m: float) -> list[str]:
    """The base line, and the heights with their labels as far as there is room between them."""
    wanted = [(0.0, "0 m"), (axes.most_m, words.metres(axes.most_m))]
    if limit_m > 0:
        wanted.insert(1, (limit_m, f"{words.limit_said(limit_m, 'm')} required"))
    power = math.ceil(math.log10(axes.even_m))
    while 10.0**power < axes.most_m:
        wanted.append((10.0**power, _round_metres(10.0**power)))
        power += 1
    taken: list[float] = []
    labels = []
    for distance, said in wanted:
        y = axes.y(distance)
        if any(abs(y - other) < _CLEAR for other in taken):
            continue
        taken.append(y)
        labels.append(
            f'<text class="km side" text-anchor="end" x="{_n(LEFT - 6)}" y="{_n(y + 4)}">'
            f"{html_text(said)}</text>"
        )
    lines = "".join(f"M{_n(LEFT)} {_n(y)}H{_n(RIGHT)}" for y in taken[1:])
    return [
        '<path class="profile-grid" fill="none" stroke="currentColor" stroke-opacity=".15" '
        f'd="{lines}"/>',
        '<path class="profile-axis" fill="none" stroke="currentColor" stroke-opacity=".5" '
        f'd="M{_n(LEFT)} {_n(axes.base)}H{_n(RIGHT)}"/>',
        *labels,
    ]


def _kilometres(axes: Axes) -> str:
    """Ticks along the path, each with its kilometres, and the whole length at the end."""
    step = round_step(axes.length_m)
    count = int(axes.length_m / step + 1e-9) + 1
    y = axes.base
    ticks = "".join(f"M{_n(axes.x(k * step))} {_n(y)}v4" for k in range(count))
    labels = [
        f'<text class="km" text-anchor="middle" x="{_n(axes.x(k * step))}" y="{_n(y + 16)}">'
        f"{km_said(k * step, step)}{' km' if k == 0 else ''}</text>"
        for k in range(count)
        if k == 0 or axes.x(k * step) < RIGHT - 58
    ]
    return (
        f'<path class="profile-axis" fill="none" stroke="currentColor" stroke-opacity=".5" '
        f'd="{ticks}"/>{"".join(labels)}<text class="km end" text-anchor="end" x="{_n(RIGHT)}" '
        f'y="{_n(y + 16)}">{html_text(words.metres(axes.length_m))}</text>'
    )


def _told(arcs: pd.DataFrame) -> str:
    """A panel in words: closest approach, required distance, length closer than that."""
    along, other = _names(arcs)
    outside = arcs[~arcs["end_zone"].astype(bool)]
    parts = [f"Along {along}, {words.metres(float(arcs['to_m'].max()))}:"]
    lowest = np.concatenate(
        [_lowest(outside)[1], outside["distance_from_m"], outside["distance_to_m"]]
    )
    if np.isfinite(lowest).any():
        parts.append(
            f"{other} is {words.metres(float(np.nanmin(lowest)))} away at the nearest place "
            "outside the end zones"
        )
    else:
        parts.append(f"{other} is measured within end zones only")
    limits = outside["limit_m"].to_numpy(dtype=np.float64)
    if (most := float(np.nanmax(limits, initial=0.0))) > 0:
        close = too_close(arcs)
        length = float((close["to_m"] - close["from_m"]).sum())
        over = f"closer over {words.metres(length)}" if length > 0 else "nowhere closer"
        parts.append(f"({words.limit_said(most, 'm')} required, {over})")
    return " ".join(parts) + "."


def _names(arcs: pd.DataFrame) -> tuple[str, str]:
    """Labels of the path and of the other one, each on one line."""
    along, other = (" ".join(str(arcs[name].iloc[0]).splitlines()) for name in ("along", "to"))
    return along, other


def _lowest(arcs: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Where on each arc the distance is least, in metres after its start, and that distance."""
    a, b, c, begin, end = (
        arcs[name].to_numpy(dtype=np.float64) for name in ("a", "b", "c", "from_m", "to_m")
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        after = np.clip(np.nan_to_num(-b / (2.0 * a)), 0.0, end - begin)
    return after, arc_m(np.sqrt(np.maximum((a * after + b) * after + c, 0.0)))


def _intervals(
    arcs: pd.DataFrame, level: pd.Series | None = None
) -> list[tuple[float, float, float]]:
    """Stretches that arcs of the same level cover together: from, to, level."""
    if not len(arcs):
        return []
    begin, end = arcs["from_m"].to_numpy(), arcs["to_m"].to_numpy()
    height = np.zeros(len(arcs)) if level is None else level.to_numpy(dtype=np.float64)
    opens = np.append(True, (begin[1:] > end[:-1] + 1e-6) | (height[1:] != height[:-1]))
    closes = np.append(opens[1:], True)
    found = zip(begin[opens].tolist(), end[closes].tolist(), height[opens].tolist(), strict=True)
    return list(found)


def _round_metres(value: float) -> str:
    return f"{value / 1000:g} km" if value >= 1000 else f"{value:g} m"
