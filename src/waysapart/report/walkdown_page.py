"""The walk-down sheet: what to look at on site, as one page to print and to fill in."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from markupsafe import Markup

from waysapart.arrays import csr_row
from waysapart.figures import moment
from waysapart.formulas.length import about_place_m
from waysapart.output_files import OutputFile, refuse_unsafe, write_text
from waysapart.report.escape import html_text
from waysapart.report.marks import round_step, short_number
from waysapart.report.page import render_page
from waysapart.report.walkdown import hung, walkdown_answer, where_said
from waysapart.schema import VERSION
from waysapart.text import visible
from waysapart.whatif.places import grid_name
from waysapart.whatif.walkdown import (
    KeyRecord,
    KeyRecordFacts,
    WalkDown,
    asset_shape,
    spot_of,
    subject_shape,
)

QUESTION = "What should be looked at on site before this proof is signed?"
_WIDE, _HIGH = 300.0, 210.0
_LEAST_M, _MOST_M = 30.0, 400.0
_ROOM = 1.7
_MOST_NAMED = 4
_LONGEST = 24
_LETTER, _LINE = 6.2, 12.0
"""Width and height of a letter of the sketches, in pixels; a little more."""


def write_walkdown(found: WalkDown, path: str | Path, *, force: bool = False) -> Path:
    """Write the walk-down sheet as one self-contained HTML file, made to be printed.

    Parameters
    ----------
    found : WalkDown
        From `hangs_on`.
    path : path
        Where to; an old file there is replaced only by a whole new one.
    force : bool
        Whether a file that waysapart did not write may be replaced.

    Returns
    -------
    Path

    Raises
    ------
    CallError
        `path` is an input of the study, or a file that waysapart did not write.
    WriteError
        The file cannot be written.

    Examples
    --------
    >>> import waysapart as wa
    >>> found = wa.hangs_on(wa.prove(wa.read_study("examples/estuary")), circuits=["C14"])
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     wa.write_walkdown(found, f"{folder}/walkdown.html").name
    'walkdown.html'
    """
    target = OutputFile(Path(path), "html")
    inputs = found.proof.study.files
    refuse_unsafe([target], inputs, force=force)
    write_text(target, walkdown_page(found), inputs, force=force)
    return target.path


def walkdown_page(found: WalkDown) -> str:
    """The walk-down sheet as HTML, as `write_walkdown` writes it.

    Parameters
    ----------
    found : WalkDown

    Returns
    -------
    str
    """
    study, facts = found.proof.study, found.facts()
    grid = grid_name(study)
    view = {
        **facts,
        "question": QUESTION,
        "answer": walkdown_answer(facts),
        "held": [one for one in facts["circuits"] if one["verdict"] == "apart"],
        "others": [one for one in facts["circuits"] if one["verdict"] != "apart"],
        "sheets": [
            {
                **one,
                "hung": hung(one),
                "where": where_said(one, grid),
                "sketch": sketch(found, found.records[place], one),
            }
            for place, one in zip(found.listed, facts["records"], strict=True)
        ],
        "made": moment(datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")),
        "version": VERSION,
        "inputs": [{"file": one.file, "sha256": one.sha256} for one in study.inputs],
    }
    title = f"Walk-down: {study.name}"
    return render_page(
        "walkdown.html.j2",
        view,
        {"circuits": []},
        {},
        title=title,
        label=title,
        styles=("walkdown.css",),
        carried=facts,
    )


# --- A sketch for each record: the ground about it, or what stands in what.


def sketch(found: WalkDown, record: KeyRecord, facts: KeyRecordFacts) -> Markup:
    """Draw what a record is about, and what it may be instead.

    Parameters
    ----------
    found : WalkDown
    record : KeyRecord
    facts : KeyRecordFacts
        The same record as data.

    Returns
    -------
    Markup
        An `svg` without style attributes: the ground about the place, north up; of what stands
        indoors three boxes.
    """
    point = spot_of(found.proof, record)
    indoors = bool(np.isnan(record.errors[0].distance_m))
    if point is None or indoors:
        return _boxes(record, facts)
    return _Ground(found, record, point).drawn()


def _boxes(record: KeyRecord, facts: KeyRecordFacts) -> Markup:
    error = record.errors[0]
    upper = error.was or "nothing on record"
    lower = error.value or f"not {error.was}"
    said = f"{facts['id']}: on record {upper}; if wrong {lower}"
    parts = [
        f'<svg class="walk" role="img" viewBox="0 0 {_WIDE:g} 120" width="{_WIDE:g}" height="120" '
        f'aria-label="{html_text(said)}">',
        '<path class="w-on" d="M118 60 L152 32"/><path class="w-if" d="M118 60 L152 88"/>',
    ]
    for left, top, wide, name, kind, caption in (
        (4, 44, 114, facts["id"], "w-box", None),
        (152, 16, 144, upper, "w-box", "on record"),
        (152, 72, 144, lower, "w-box w-if", "if the record is wrong"),
    ):
        parts.append(f'<rect class="{kind}" x="{left}" y="{top}" width="{wide}" height="32"/>')
        parts.append(
            f'<text x="{left + wide / 2:g}" y="{top + 20}" text-anchor="middle">'
            f"{html_text(_short(name, 18 if wide > 120 else 14))}</text>"
        )
        if caption:
            parts.append(
                f'<text class="w-small" x="{left + wide / 2:g}" y="{top - 4}" '
                f'text-anchor="middle">{caption}</text>'
            )
    return Markup("".join([*parts, "</svg>"]))


def _short(text: str, most: int = _LONGEST) -> str:
    said = visible(text)
    return said if len(said) <= most else f"{said[: most - 1]}…"


class _Ground:
    """The ground about a place, in metres east and north of it."""

    def __init__(self, found: WalkDown, record: KeyRecord, point: shapely.Point) -> None:
        self.found, self.record, self.proof = found, record, found.proof
        self.study, self.point = found.proof.study, point
        flat = np.empty(1, dtype=object)
        flat[0] = point
        self.lon, self.lat = shapely.get_coordinates(self.study.plane.shapes_in_degrees(flat))[
            0
        ].tolist()
        error = record.errors[0]
        self.half_m = float(np.clip(_ROOM * error.distance_m, _LEAST_M, _MOST_M))
        self.pixels = _HIGH / 2.0 / self.half_m
        across = _WIDE / 2.0 / self.pixels
        self.frame = shapely.box(-across, -self.half_m, across, self.half_m)
        reach = float(self.study.plane.reach(point, 1.2 * across)[0])
        self.around = shapely.box(
            point.x - reach, point.y - reach, point.x + reach, point.y + reach
        )

    def drawn(self) -> Markup:
        """The sketch."""
        assets = self.proof.network.assets
        lines = self.study.lonlat("segments")
        near = self._near("segments")
        sides = self._sides()
        parts = [
            f'<svg class="walk" role="img" viewBox="0 0 {_WIDE:g} {_HIGH:g}" width="{_WIDE:g}" '
            f'height="{_HIGH:g}" aria-label="{html_text(self._said())}">'
        ]
        start = assets.start["segments"]
        for name in ("w-plant", "w-alternate", "w-main"):
            own = [lines[one] for one in near if sides.get(start + one, "w-plant") == name]
            parts.append(f'<path class="{name}" d="{self._path(own)}"/>')
        subject = subject_shape(self.proof, self.record)
        other = asset_shape(self.proof, self.record.errors[0].other)
        parts += [self._marked(other, "w-if"), self._marked(subject, "w-what")]
        parts += self._structures()
        parts.append(self._scale())
        return Markup("".join([*parts, "</svg>"]))

    def _said(self) -> str:
        error = self.record.errors[0]
        names = self.proof.network.assets.ids([error.other])
        return f"Sketch about the place, north up, with {names[0]} beside it"

    def _near(self, role: str) -> list[int]:
        shapes = self.study.geometries(role)
        drawn = np.flatnonzero(~shapely.is_missing(shapes))
        hit = shapely.intersects(shapes[drawn], self.around)
        return [int(one) for one in drawn[hit]]

    def _sides(self) -> dict[int, str]:
        """Assets by the path of the first circuit that relies on them."""
        reliance = self.proof.reliance
        trial = self.proof.trials[self.record.errors[0].trial]
        found: dict[int, str] = {}
        for number, side in reversed(list(enumerate(trial.sides))):
            name = "w-main" if number == 0 else "w-alternate"
            for path in side:
                for link in csr_row(reliance.along, path).tolist():
                    found |= dict.fromkeys(csr_row(reliance.links, link).tolist(), name)
        return found

    def _local(self, points: np.ndarray) -> np.ndarray:
        """Metres east and north of the place."""
        return about_place_m(points, self.lon, self.lat)

    def _pixel(self, points: np.ndarray) -> np.ndarray:
        return np.column_stack(
            [
                _WIDE / 2.0 + points[:, 0] * self.pixels,
                _HIGH / 2.0 - points[:, 1] * self.pixels,
            ]
        )

    def _path(self, shapes: Sequence[Any]) -> str:
        """Path data of lines and outlines in degrees, cut to the frame."""
        parts = []
        for one in shapes:
            cut = shapely.intersection(shapely.transform(one, self._local), self.frame)
            for part in shapely.get_parts(cut):
                piece = part.exterior if part.geom_type == "Polygon" else part
                if piece.is_empty or piece.geom_type not in ("LineString", "LinearRing"):
                    continue
                points = self._pixel(shapely.get_coordinates(piece))
                parts.append("M" + " L".join(f"{x:.1f} {y:.1f}" for x, y in points.tolist()))
        return " ".join(parts)

    def _marked(self, shape: Any, name: str) -> str:
        """A geometry in the plane, marked as what is asked about or what it may be instead."""
        if shape is None:
            return ""
        flat = np.empty(1, dtype=object)
        flat[0] = shape
        degrees = self.study.plane.shapes_in_degrees(flat)[0]
        if degrees.geom_type == "Point":
            x, y = self._pixel(self._local(shapely.get_coordinates(degrees)))[0].tolist()
            return f'<circle class="{name}" cx="{x:.1f}" cy="{y:.1f}" r="9"/>'
        return f'<path class="{name}" d="{self._path(list(shapely.get_parts(degrees)))}"/>'

    def _structures(self) -> list[str]:
        """Structures and sites within the frame, those nearest with their ids."""
        found: list[tuple[float, float, float, str, bool]] = []
        for role in ("structures", "sites"):
            lonlat, names = self.study.lonlat(role), self.study.tables[role]["id"].to_list()
            for one in self._near(role):
                local = self._local(shapely.get_coordinates(shapely.centroid(lonlat[one])))
                if not self.frame.contains(shapely.Point(local[0])):
                    continue
                x, y = self._pixel(local)[0].tolist()
                found.append((float(np.hypot(*local[0])), x, y, str(names[one]), role == "sites"))
        parts = []
        taken: list[tuple[float, float, float]] = []
        for place, (_, x, y, name, site) in enumerate(sorted(found)):
            size = 4.0 if site else 3.0
            parts.append(
                f'<rect class="w-place" x="{x - size:.1f}" y="{y - size:.1f}" '
                f'width="{2 * size:g}" height="{2 * size:g}"/>'
            )
            text = _short(name)
            wide = _LETTER * len(text)
            left = x - 9 - wide if x > 0.6 * _WIDE else x + 9
            top = max(12.0, y - 7)
            clear = all(
                abs(top - line) > _LINE or left > end or left + wide < begin
                for line, begin, end in taken
            )
            if place < _MOST_NAMED and clear:
                taken.append((top, left, left + wide))
                parts.append(f'<text x="{left:.1f}" y="{top:.1f}">{html_text(text)}</text>')
        return parts

    def _scale(self) -> str:
        step = round_step(1.2 * self.half_m)
        wide = step * self.pixels
        low = _HIGH - 8
        return (
            f'<path class="w-scale" d="M8 {low - 4:g} V{low:g} H{8 + wide:.1f} V{low - 4:g}"/>'
            f'<text x="{12 + wide:.1f}" y="{low:g}">{short_number(step)} m</text>'
            f'<path class="w-north" d="M{_WIDE - 14:g} 26 l5 -16 l5 16 l-5 -4 z"/>'
            f'<text x="{_WIDE - 9:g}" y="38" text-anchor="middle">N</text>'
        )
