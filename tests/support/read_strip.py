"""Reads a strip as a person does: which lane a mark is on, and at what kilometre of its scale."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any
from xml.etree import ElementTree

from browser import marks_of

SPACE = "http://www.w3.org/2000/svg"
_NUMBERS = re.compile(r"-?\d+(?:\.\d+)?|-?\.\d+")
_STEP = re.compile(r"([MmLlHhVvAaZz])([^MmLlHhVvAaZz]*)")


@dataclass
class DrawnLane:
    """One lane of a drawing: the height of its name, its scale, and the marks on it."""

    label: str
    y: float
    begin: float
    metres_a_pixel: float
    ids: list[tuple[float, str]]
    """Pixels and id of every asset that the drawing names when it is pointed at."""
    marks: list[float] = field(default_factory=list)
    """Pixels of the middle of every mark that is drawn."""

    def at_m(self, x: float) -> float:
        """Metres from end a, read off the ticks of the lane."""
        return (x - self.begin) * self.metres_a_pixel


@dataclass
class Spot:
    """What is drawn on one lane for one thing that is shared: a diamond, or a bracket."""

    lane: int
    low: float
    high: float
    bracket: bool


@dataclass
class DrawnStrip:
    """Lanes of a drawing, and by the first asset of each what is shared."""

    lanes: list[DrawnLane]
    spots: list[tuple[str, list[Spot]]]
    names: list[str]


def boxes(path: str) -> list[tuple[float, float, float, float]]:
    """Least and greatest x and y of every part of SVG path data."""
    found: list[tuple[float, float, float, float]] = []
    x = y = 0.0
    xs: list[float] = []
    ys: list[float] = []

    def close() -> None:
        if xs:
            found.append((min(xs), max(xs), min(ys), max(ys)))
        xs.clear()
        ys.clear()

    for letter, rest in _STEP.findall(path):
        numbers = [float(one) for one in _NUMBERS.findall(rest)]
        if letter == "M":
            close()
            pairs = list(zip(numbers[::2], numbers[1::2], strict=True))
        elif letter in "ml":
            pairs, at = [], (x, y)
            for dx, dy in zip(numbers[::2], numbers[1::2], strict=True):
                at = at[0] + dx, at[1] + dy
                pairs.append(at)
        elif letter == "L":
            pairs = list(zip(numbers[::2], numbers[1::2], strict=True))
        elif letter == "v":
            pairs = [(x, y + numbers[0])]
        elif letter == "V":
            pairs = [(x, numbers[0])]
        elif letter == "H":
            pairs = [(numbers[0], y)]
        elif letter == "a":  # the circle of a joint begins at its left
            xs.append(x + 2 * numbers[0])
            ys.extend((y - numbers[0], y + numbers[0]))
            continue
        else:
            assert letter in "Zz", letter
            continue
        for px, py in pairs:
            xs.append(px)
            ys.append(py)
        x, y = pairs[-1]
    close()
    return found


def _classed(element: Any, name: str) -> list[Any]:
    return [one for one in element.iter() if name in one.attrib.get("class", "").split()]


def read_strip(svg: str) -> DrawnStrip:
    """Lanes, marks and what is shared, from the drawing alone."""
    root = ElementTree.fromstring(svg.replace("<svg ", f'<svg xmlns="{SPACE}" ', 1))
    lanes = []
    for group in _classed(root, "lane"):
        name = _classed(group, "lane-label")[0]
        ticks = [low for low, *_ in boxes(_classed(group, "tick")[0].attrib["d"])]
        said = [one for one in _classed(group, "km") if "end" not in one.attrib["class"].split()]
        if len(said) > 1:
            whole = float(said[1].text) * 1000
            metres_a_pixel = whole / (ticks[1] - ticks[0])
        else:  # a lane of one tick: its whole length stands at its right end
            metres_a_pixel = float("nan")
        (marks,) = _classed(group, "marks")
        lane = DrawnLane(
            name.text,
            float(name.attrib["y"]) - 4,
            ticks[0],
            metres_a_pixel,
            marks_of(marks.attrib["data-marks"]),
        )
        drawn = [*marks, *_classed(group, "mark-machine")]
        for path in drawn:
            lane.marks += [(low + high) / 2 for low, high, *_ in boxes(path.attrib["d"])]
        lanes.append(lane)
    spots = []
    for group in _classed(root, "spots"):
        found = []
        for path in (*_classed(group, "bridge"), *_classed(group, "bracket")):
            for low, high, top, bottom in boxes(path.attrib["d"]):
                y = (top + bottom) / 2
                lane = min(range(len(lanes)), key=lambda k: abs(lanes[k].y - y))
                bracket = "bracket" in path.attrib["class"].split()
                middle = (low + high) / 2
                ends = (low, high) if bracket else (middle, middle)
                found.append(Spot(lane, *ends, bracket))
        spots.append((group.attrib["data-asset"], found))
    names = [one.text for one in _classed(root, "bridge-label")]
    return DrawnStrip(lanes, spots, names)
