"""The map as a still picture, for paper and for browsers without scripts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from markupsafe import Markup
from shapely.geometry import shape

from waysapart.report.escape import html_text
from waysapart.report.geometry import Facts, Geo
from waysapart.report.map import on_map
from waysapart.report.marks import LAID

_WIDTH = 680.0
_HEIGHTS = (260.0, 620.0)
_MARGIN = 24.0
_DETAIL = 0.4
"""Bends smaller than this, in pixels, are left out."""
_LETTER = 5.6
_Box = tuple[float, float, float, float]


def map_picture(facts: Facts, geo: Geo, heights: tuple[float, float] = _HEIGHTS) -> Markup | None:
    """Draw plant, sites, hazards, and what is shared, near or crossing.

    Parameters
    ----------
    facts, geo : mapping
        As for `render_report`.
    heights : (float, float)
        The least and the most, in pixels; it is 680 pixels wide.

    Returns
    -------
    Markup or None
        An `svg` without style attributes; None where nothing has a place.
    """
    opening = geo.get("opening")
    drawn: dict[str, list[Facts]] = {}
    shapes: dict[str, list[Any]] = {}
    for role in ("plant", "points", "hazards"):
        every_one = [
            one for one in (geo.get(role) or {}).get("features", []) if one.get("geometry")
        ]
        pairs = [(one, shape(dict(one["geometry"]))) for one in every_one]
        if opening is not None:
            box = shapely.box(*opening)
            pairs = [pair for pair in pairs if pair[1].intersects(box)]
        drawn[role] = [feature for feature, _ in pairs]
        shapes[role] = [one for _, one in pairs]
    every = [one for some in shapes.values() for one in some]
    if not every:
        return None
    sheet = _Sheet(opening or shapely.total_bounds(every).tolist(), heights)
    shown = "all plant" if opening is None else "a part of the plant"
    parts = [
        f'<svg class="picture" role="img" viewBox="0 0 {_WIDTH:g} {sheet.height:.0f}" '
        f'width="{_WIDTH:g}" height="{sheet.height:.0f}" aria-label="Map of {shown}, north up">'
    ]
    laid: dict[str, list[Any]] = {}
    for feature, line in zip(drawn["plant"], shapes["plant"], strict=True):
        kind = str(feature["properties"].get("kind") or "")
        laid.setdefault(LAID.get(kind, "buried"), []).append(line)
    parts += [
        f'<path class="p-plant {name}" d="{sheet.path(_merged(lines))}"/>'
        for name, lines in laid.items()
    ]
    parts += _marked(drawn, shapes, sheet)
    parts += [f'<path class="p-hazard" d="{sheet.path([one])}"/>' for one in shapes["hazards"]]
    taken: list[_Box] = []
    parts += _marks(facts, drawn, shapes, sheet, taken)
    parts += _labels(facts.get("labels", []), sheet, taken)
    parts += _sites(drawn["points"], shapes["points"], sheet, taken)
    parts += [sheet.scale(), "</svg>"]
    return Markup("".join(parts))


class _Sheet:
    """Mercator fitted to a sheet."""

    def __init__(self, bounds: Sequence[float], heights: tuple[float, float]) -> None:
        west, south, east, north = (float(value) for value in bounds)
        self.west, self._top = west, _down(north)
        wide = max(east - west, 1e-4) / 360.0
        tall = max(_down(south) - self._top, 1e-7)
        low, high = (limit - 2 * _MARGIN for limit in heights)
        self._scale = min((_WIDTH - 2 * _MARGIN) / wide, high / tall)
        self.height = max(tall * self._scale, low) + 2 * _MARGIN
        self._left = (_WIDTH - wide * self._scale) / 2
        self._over = (self.height - tall * self._scale) / 2
        self._lat = (south + north) / 2

    def place(self, points: np.ndarray) -> np.ndarray:
        """Pixels of longitudes and latitudes, shape (n, 2)."""
        x = self._left + (points[:, 0] - self.west) / 360.0 * self._scale
        y = self._over + (_down(points[:, 1]) - self._top) * self._scale
        return np.column_stack([x, y])

    def path(self, shapes: Sequence[Any]) -> str:
        """Path data of lines and outlines."""
        moved = shapely.transform(np.asarray(shapes, dtype=object), self.place)
        parts = []
        for one in shapely.get_parts(shapely.simplify(moved, _DETAIL)):
            rings = [one.exterior, *one.interiors] if one.geom_type == "Polygon" else [one]
            for ring in rings:
                points = shapely.get_coordinates(ring)
                if len(points) > 1:
                    parts.append("M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points))
        return "".join(parts)

    def scale(self) -> str:
        """A bar of a round length, and north."""
        metre = self._scale / (40_075_016.7 * math.cos(math.radians(self._lat)))
        length = 10.0 ** math.floor(math.log10(140.0 / metre))
        length = next(k * length for k in (5, 2, 1) if k * length * metre <= 140.0)
        said = f"{length / 1000:g} km" if length >= 1000 else f"{length:g} m"
        y = self.height - 10
        return (
            f'<path class="p-scale" d="M12 {y - 6:.1f}V{y:.1f}H{12 + length * metre:.1f}v-6"/>'
            f'<text x="18" y="{y - 4:.1f}">{said}</text>'
            f'<path class="p-north" d="M{_WIDTH - 20} 8l6 22l-6 -4l-6 4z"/>'
            f'<text class="p-n" x="{_WIDTH - 20}" y="42">N</text>'
        )


def _down(lat: Any) -> Any:
    sine = np.sin(np.radians(np.clip(lat, -85.05, 85.05)))
    return 0.5 - np.log((1 + sine) / (1 - sine)) / (4 * np.pi)


def _merged(lines: Sequence[Any]) -> list[Any]:
    merged = shapely.line_merge(shapely.union_all(np.asarray(lines, dtype=object)))
    return list(shapely.get_parts(merged))


_CROSS = "m-4 -4l8 8m0 -8l-8 8"
_SIGNS = {"added": "m-4 0h8m-4 -4v8", "removed": _CROSS, "hit": _CROSS}
_CORED = ("changed", "hit")
"""Marks of lines that have a core of another colour."""


def _marked(drawn: Facts, shapes: Facts, sheet: _Sheet) -> list[str]:
    """Plant with a mark, in the styles of the map: lines first, then signs."""
    lines: dict[str, list[Any]] = {}
    signs: list[str] = []
    for role in ("hazards", "plant", "points"):
        for feature, one in zip(drawn[role], shapes[role], strict=True):
            mark = feature["properties"].get("mark")
            if mark and role != "points":
                lines.setdefault(mark, []).append(one)
            elif mark:
                middle = one.representative_point()
                x, y = sheet.place(np.array([[middle.x, middle.y]]))[0]
                round_or_square = (
                    f'<path class="k-sign k-{mark}" d="M{x - 5:.1f} {y - 5:.1f}h10v10h-10z"/>'
                    if mark == "changed"
                    else f'<circle class="k-sign k-{mark}" cx="{x:.1f}" cy="{y:.1f}" r="6"/>'
                )
                signs.append(round_or_square)
                if mark in _SIGNS:
                    signs.append(f'<path class="p-sign" d="M{x:.1f} {y:.1f}{_SIGNS[mark]}"/>')
    parts = []
    for mark, some in lines.items():
        d = sheet.path(some)
        parts.append(f'<path class="k-{mark}" d="{d}"/>')
        if mark in _CORED:
            parts.append(f'<path class="k-{mark}-core" d="{d}"/>')
    return parts + signs


_BAND = 24.0
"""A shared stretch of so many pixels is drawn as a band."""
_ON_BAND = 4.0
"""What is no farther from a band, in pixels, has no diamond of its own."""


def _marks(
    facts: Facts, drawn: Facts, shapes: Facts, sheet: _Sheet, taken: list[_Box]
) -> list[str]:
    """What is shared: a band along stretches that can be seen as such, a diamond elsewhere.

    What is near or crossing has a round mark. Of marks in one patch one is drawn, and no diamond
    on a band.
    """
    where = {
        str(feature["properties"]["id"]): one
        for role in ("plant", "points")
        for feature, one in zip(drawn[role], shapes[role], strict=True)
    }
    shared: dict[str, Any] = {}
    rounds: dict[tuple[int, int], str] = {}
    for circuit in facts.get("circuits", []):
        for found in circuit.get("shared", []):
            one = where.get(str(found["asset"]))
            if one is not None and not found.get("waived"):
                shared[str(found["asset"])] = one
        for found in (*circuit.get("near", []), *circuit.get("cross", [])):
            if found.get("at") is not None:
                x, y = sheet.place(np.array([on_map(found["at"], sheet.west)]))[0]
                patch = (round(x / 10), round(y / 10))
                rounds[patch] = f'<circle class="near" cx="{x:.1f}" cy="{y:.1f}" r="6"/>'
    lines = [one for one in shared.values() if one.geom_type == "LineString"]
    stretches = _merged(lines) if lines else []
    moved = shapely.transform(np.asarray(stretches, dtype=object), sheet.place)
    long = shapely.length(moved) >= _BAND
    bands = [one for one, keep in zip(stretches, long, strict=True) if keep]
    others = [one for one, keep in zip(stretches, long, strict=True) if not keep]
    others += [one for one in shared.values() if one.geom_type != "LineString"]
    on_band = shapely.union_all(moved[long])
    diamonds: dict[tuple[int, int], str] = {}
    for one in others:
        line = one.geom_type == "LineString"
        middle = one.interpolate(0.5, normalized=True) if line else one.centroid
        x, y = sheet.place(np.array([[middle.x, middle.y]]))[0]
        if bands and on_band.distance(shapely.Point(x, y)) < _ON_BAND:
            continue
        diamonds[round(x / 10), round(y / 10)] = f"M{x:.1f} {y - 6:.1f}l6 6l-6 6l-6 -6z"
        taken.append((x - 5, y - 5, x + 5, y + 5))
    d = sheet.path(bands)
    along = [f'<path class="p-{name}" d="{d}"/>' for name in ("edge", "band", "core") if d]
    bridges = [f'<path class="bridge" d="{"".join(diamonds.values())}"/>'] if diamonds else []
    return [*along, *bridges, *rounds.values()]


_ROWS = (0, -1, 1, -2, 2, -3, 3, -4, 4, -5, 5, -6, 6)
"""Rows above and below a place in which its label looks for room."""
_ROW = 14.0
_ID_LETTER = 6.7


def _labels(labels: Sequence[Facts], sheet: _Sheet, taken: list[_Box]) -> list[str]:
    """Ids beside their places, each where there is room; one in another row has a line to it."""
    parts: list[str] = []
    places = [sheet.place(np.array([on_map(one["at"], sheet.west)]))[0] for one in labels]
    seen = [
        (str(one["id"]), x, y)
        for one, (x, y) in zip(labels, places, strict=True)
        if 0 <= x <= _WIDTH and 0 <= y <= sheet.height
    ]
    taken += [(x - 7, y - 7, x + 7, y + 7) for _, x, y in seen]
    for name, x, y in seen:
        said = name if len(name) <= 40 else f"{name[:39]}…"
        wide = _ID_LETTER * len(said)
        for row, left in ((row, left) for row in _ROWS for left in (x + 12, x - 12 - wide)):
            middle = y + row * _ROW
            box = (left, middle - 7, left + wide, middle + 7)
            if not _free(box, taken, sheet):
                continue
            taken.append(box)
            if row:
                edge = left - 2 if left > x else left + wide + 2
                parts.append(f'<path class="p-lead" d="M{x:.1f} {y:.1f}L{edge:.1f} {middle:.1f}"/>')
            text = html_text(said)
            parts.append(f'<text class="p-id" x="{left:.1f}" y="{middle + 4:.1f}">{text}</text>')
            break
    return parts


def _free(box: _Box, taken: Sequence[_Box], sheet: _Sheet) -> bool:
    if box[0] < 2 or box[2] > _WIDTH - 2 or box[1] < 2 or box[3] > sheet.height - 2:
        return False
    return not _crossed(box, taken)


def _crossed(box: _Box, taken: Sequence[_Box]) -> bool:
    return any(a < box[2] and c > box[0] and b < box[3] and d > box[1] for a, b, c, d in taken)


def _sites(
    features: Sequence[Facts], shapes: Sequence[Any], sheet: _Sheet, taken: list[_Box]
) -> list[str]:
    """Squares of sites, with their names where these cover no site and no other name."""
    parts: list[str] = []
    named: list[tuple[str, float, float]] = []
    for feature, one in zip(features, shapes, strict=True):
        told = feature["properties"]
        if told.get("role") != "sites":
            continue
        middle = one.representative_point()
        x, y = sheet.place(np.array([[middle.x, middle.y]]))[0]
        parts.append(f'<path class="p-site" d="M{x - 4:.1f} {y - 4:.1f}h8v8h-8z"/>')
        named.append((str(told.get("name") or told["id"])[:40], x, y))
    squares = [(x - 4, y - 4, x + 4, y + 4) for _, x, y in named]
    for name, x, y in named:
        wide = _LETTER * len(name)
        centred = min(max(x - wide / 2, 3), _WIDTH - 3 - wide)
        for left, down in ((x + 8, 0), (x - 8 - wide, 0), (centred, -13), (centred, 13)):
            box = (left, y + down - 7, left + wide, y + down + 7)
            if _free(box, taken, sheet) and not _crossed(box, squares):
                taken.append(box)
                text = html_text(name)
                parts.append(f'<text x="{left:.1f}" y="{y + down + 4:.1f}">{text}</text>')
                break
    return parts
