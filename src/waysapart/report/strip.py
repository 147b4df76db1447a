"""The strip: the paths of a circuit or group drawn as lanes, as SVG, and the same in words.

Every lane has a scale of its own from end to end, so that the ends are aligned however much the
paths differ in length; ticks show each scale. An asset that all paths rely on is a bridge from
lane to lane, at its place on each. Where the paths come near, the lanes lean together. The page
sets colours and line styles through classes; nothing depends on colour alone. What a strip is
drawn from is laid out by `waysapart.report.strip_layout`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from waysapart.figures import bounded
from waysapart.report import words
from waysapart.report.escape import html_text, json_for_script, visible
from waysapart.report.marks import LAID, id_runs, km_said, mark_of, mark_shape, plural, round_step
from waysapart.report.marks import short_number as _n
from waysapart.report.profile_svg import BAND, LEFT, RIGHT, WIDTH, profile_band
from waysapart.report.strip_layout import (
    Bridge,
    Hop,
    Strip,
    StripCross,
    StripLane,
    StripNear,
    joined,
)
from waysapart.text import sentence_list

# --- The drawing, as SVG: two lanes or more, and what ties them together.

_GAP = 92.0
"""Pixels between one lane and the next."""
_LEAN = 26.0
"""Pixels that each lane leans towards the other where they come near."""
_RAMP = 12.0
_CROWDED = 7.0
"""Marks closer together than this, in pixels, become ticks."""
_APART = 6.0
"""Ticks stand at least so far apart, in pixels: of more towers the lane looks the same."""
_LETTER = 6.4
"""Width of a letter of the labels, in pixels, rounded up."""
_EVEN = 0.5
_MOST_BRIDGES = 14
"""Bridges that are drawn; the list beside the drawing holds all."""


def strip_svg(strip: Strip, labels: Sequence[str], name: str, number: str) -> Markup:
    """Draw the paths of a circuit or group.

    Parameters
    ----------
    strip : Strip
        From `waysapart.report.strip_layout.strips`.
    labels : sequence of str
        Names of what is shared, in the order of `folded`.
    name : str
        Id of the circuit or group, for the text alternative.
    number : str
        Letters and digits that make the ids within the drawing unique on the page.

    Returns
    -------
    Markup
        An `svg` element without style attributes; the marks of each lane stand
        in its attribute `data-marks`, see `marks_in_runs`.
    """
    return _Drawing(strip, labels, name, number).svg()


def marks_in_runs(marks: Sequence[tuple[float, str]]) -> list[list[Any]]:
    """Marks of a lane for the script: towers of one line, evenly spaced, as one.

    Parameters
    ----------
    marks : sequence of (float, str)
        Place in pixels, and id.

    Returns
    -------
    list of list
        `[x, id]`; or `[x of the first, x of the last, first id, last id, how many]`, where none
        lies farther than half a pixel from its place in an even row.
    """
    found: list[list[Any]] = []
    at = 0
    for first, last, count in id_runs(name for _, name in marks):
        some = [x for x, _ in marks[at : at + count]]
        at += count
        step = (some[-1] - some[0]) / max(count - 1, 1)
        if count > 1 and all(abs(some[0] + k * step - x) <= _EVEN for k, x in enumerate(some)):
            found.append([some[0], some[-1], first, last, count])
        else:
            found += [[x, name] for x, name in marks[at - count : at]]
    return found


class NamedBridge(Bridge):
    """A bridge with the name that stands above it."""

    label: str


class _Drawing:
    """One strip while it is drawn."""

    def __init__(self, strip: Strip, labels: Sequence[str], name: str, number: str) -> None:
        self.strip = strip
        self.lanes = strip["lanes"]
        self.bridges: list[NamedBridge] = [
            {**bridge, "label": labels[bridge["finding"]]}
            for bridge in strip["bridges"][:_MOST_BRIDGES]
        ]
        self.more = len(strip["bridges"]) - len(self.bridges)
        self.near: list[StripNear] = strip["near"] if len(self.lanes) == 2 else []
        self.cross = strip["cross"]
        self.name, self.number = name, number
        self.leaning = [
            joined([self._span(near, place) for near in self.near], _RAMP) for place in (0, 1)
        ]
        self.top = 0.0
        self.names = [_short(str(bridge["label"])) for bridge in self.bridges]
        widths = [_LETTER * len(name) + 4 for name in self.names]
        self.flags = flags([x for x, _ in self._head_places()], widths, WIDTH)
        self.top = 38.0 + 17.0 * max((flag.row + 1 for flag in self.flags), default=0)
        self.heads = self._head_places()
        self.profile = strip.get("profile")
        self.floor = self.top + _GAP * (len(self.lanes) - 1) + 44.0
        self.height = self.floor + (BAND + 14.0 if self.profile else 0.0)

    def svg(self) -> Markup:
        """The whole drawing."""
        text = strip_said(self.strip, self.bridges)
        if self.more:
            text += f" {words.count_of(self.more, 'bridge')} more in the list of what is shared."
        parts = [
            f'<svg class="strip" role="img" viewBox="0 0 {WIDTH} {_n(self.height)}" '
            f'width="{WIDTH}" height="{_n(self.height)}" '
            f'aria-labelledby="st{self.number} sd{self.number}">',
            f'<title id="st{self.number}">{html_text(f"Paths of {self.name} as lanes")}</title>',
            f'<desc id="sd{self.number}">{html_text(text)}</desc>',
        ]
        parts += [self._zones(place) for place in range(len(self.lanes))]
        parts += [self._lean_fill(near) for near in self.near]
        parts += [self._band(bridge) for bridge in self.bridges]
        parts += [self._leader(number) for number in range(len(self.bridges))]
        parts += [self._lane(place) for place in range(len(self.lanes))]
        parts += [self._head(number) for number in range(len(self.bridges))]
        parts += [self._crossing(cross) for cross in self.cross]
        if self.profile:
            first = self.lanes[0]
            parts.append(
                profile_band(
                    self.profile, first["zones"], float(first["length_m"]), self.floor + BAND
                )
            )
        parts.append("</svg>")
        return Markup("".join(parts))

    def x(self, place: int, at_m: float) -> float:
        """Pixels from the left of a chainage on a lane."""
        return LEFT + (RIGHT - LEFT) * at_m / float(self.lanes[place]["length_m"])

    def y(self, place: int, x: float) -> float:
        """Height of a lane at x: level, but leaning where the paths come near."""
        level = self.top + _GAP * place
        if place > 1 or not self.leaning[place]:
            return level
        outside = min(max(low - x, x - high, 0.0) for low, high in self.leaning[place])
        lean = max(0.0, 1.0 - outside / _RAMP)
        return level + (_LEAN if place == 0 else -_LEAN) * lean

    def _span(self, near: StripNear, place: int) -> tuple[float, float]:
        low, high = (self.x(place, at) for at in near["on"][place])
        wider = max(0.0, 8.0 - (high - low)) / 2
        return low - wider, high + wider

    def _zones(self, place: int) -> str:
        level = self.top + _GAP * place
        return "".join(
            f'<rect class="zone" x="{_n(self.x(place, low))}" y="{_n(level - 20)}" '
            f'width="{_n(self.x(place, high) - self.x(place, low))}" height="40"/>'
            for low, high in self.lanes[place]["zones"]
        )

    def _line(self, place: int, low_m: float, high_m: float, off: float = 0.0) -> str:
        """Path data of a stretch of a lane, with the corners of its leanings."""
        low, high = self.x(place, low_m), self.x(place, high_m)
        bends = {
            corner
            for begin, end in (self.leaning[place] if place < 2 else ())
            for corner in (begin - _RAMP, begin, end, end + _RAMP)
            if low < corner < high
        }
        points = [low, *sorted(bends), high]
        return "M" + "L".join(f"{_n(x)} {_n(self.y(place, x) + off)}" for x in points)

    def _lane(self, place: int) -> str:
        lane = self.lanes[place]
        kind = "main" if place == 0 else "other"
        side = -1 if place == 0 else 1
        whole = float(lane["length_m"])
        parts = [f'<g class="lane {kind}">']
        covered = [(run[0], run[1]) for run in lane["stretches"]]
        parts += [
            f'<path class="way" d="{self._line(place, low, high)}"/>'
            for low, high in joined(covered)
        ]
        parts += [
            f'<path class="hop" d="{self._line(place, hop["from_m"], hop["to_m"])}"/>'
            for hop in lane["hops"]
        ]
        parts += self._ground(place, 11.0 * side)
        parts.append(self._marks(place))
        parts += [self._hop_said(place, hop) for hop in lane["hops"]]
        parts += [self._break(place, at) for at in lane["breaks"]]
        parts += self._scale(place, whole, side)
        parts.append(self._lane_name(place))
        parts.append("</g>")
        return "".join(parts)

    def _ground(self, place: int, off: float) -> list[str]:
        """A thin line beside the lane: overhead, buried or subsea."""
        runs: dict[str, list[str]] = {}
        for low, high, kind in self.lanes[place]["stretches"]:
            runs.setdefault(LAID.get(kind, "buried"), []).append(self._line(place, low, high, off))
        return [f'<path class="laid {laid}" d="{"".join(d)}"/>' for laid, d in runs.items()]

    def _hop_said(self, place: int, hop: Hop) -> str:
        """The medium of a hop above its line, where there is room for it."""
        low, high = self.x(place, hop["from_m"]), self.x(place, hop["to_m"])
        x, y = (low + high) / 2, self.y(place, low)
        said, mark = f"{hop['medium']} hop", ""
        if hop.get("unknown"):
            said += ", route not on record"
            mark = _query(x, y, "The route of this hop is not on record")
        if high - low < _LETTER * len(said) + 16:
            return mark
        return mark + (
            f'<text class="hop-said" x="{_n(x)}" y="{_n(y - (13 if mark else 9))}">'
            f"{html_text(said)}</text>"
        )

    def _break(self, place: int, at_m: float) -> str:
        x = self.x(place, at_m)
        said = "The record breaks off here: the next segment begins elsewhere"
        return _query(x, self.y(place, x), said)

    def _marks(self, place: int) -> str:
        """Every asset on the lane, one path for each kind of mark; crowded ones as ticks."""
        placed = self._placed(place)
        many = len({round(x / _CROWDED) for x, *_ in placed if LEFT + 12 < x < RIGHT - 12})
        small = len(placed) > 1.25 * (RIGHT - LEFT) / 14 or many > 0.8 * (RIGHT - LEFT) / _CROWDED
        shapes: dict[str, list[str]] = {}
        taken: set[tuple[str, int]] = set()
        for x, _, role, kind, _ in placed:
            shape, radius = mark_of(role, kind, small)
            spot = (shape, round(x / (_APART if shape == "tick" else 2)))
            if spot in taken:
                continue
            taken.add(spot)
            shapes.setdefault(shape, []).append(mark_shape(shape, x, self.y(place, x), radius))
        listed = marks_in_runs([(round(x, 1), visible(name)) for x, _, _, _, name in placed])
        data = str(json_for_script(listed)).replace("'", "&#39;")
        drawn = "".join(
            f'<path class="mark-{shape}" d="{"".join(d)}"/>' for shape, d in shapes.items()
        )
        return f"<g class='marks' data-marks='{data}'>{drawn}</g>"

    def _placed(self, place: int) -> list[tuple[float, float, str, str, str]]:
        """Marks with their x: equipment of both ends stands outside the ends, side by side."""
        lane = self.lanes[place]
        outside = {False: 0, True: 0}
        ends = {False: str(lane["a"]), True: str(lane["b"])}
        placed = []
        marks = [mark for mark in lane["marks"] if mark[1] == "equipment"]
        marks.sort(key=lambda mark: mark[3] in ends.values())
        for mark in [*(m for m in lane["marks"] if m[1] != "equipment"), *marks]:
            x = self.x(place, mark[0])
            far = mark[0] > lane["length_m"] / 2
            end = lane["length_m"] if far else 0.0
            if mark[1] == "equipment" and abs(mark[0] - end) < lane["length_m"] / 100:
                outside[far] += 1
                x = (RIGHT if far else LEFT) + (18.0 * outside[far]) * (1 if far else -1)
            placed.append((x, *mark))
        return placed

    def _scale(self, place: int, whole_m: float, side: int) -> list[str]:
        if not to_scale(self.lanes[place]):
            return []
        step, level = round_step(whole_m), self.top + _GAP * place
        ticks, labels = [], []
        for k in range(int(whole_m / step + 1e-9) + 1):
            x = self.x(place, k * step)
            y = level + side * 17
            ticks.append(f"M{_n(x)} {_n(y)}v{4 * side}")
            if x < RIGHT - 58 or k == 0:
                said = km_said(k * step, step) + (" km" if k == 0 else "")
                labels.append(
                    f'<text class="km" x="{_n(x)}" y="{_n(y + (14 if side > 0 else -7))}">'
                    f"{said}</text>"
                )
        end = level + side * 17
        labels.append(
            f'<text class="km end" x="{RIGHT}" y="{_n(end + (14 if side > 0 else -7))}">'
            f"{html_text(words.metres(whole_m))}</text>"
        )
        return [f'<path class="tick" d="{"".join(ticks)}"/>', *labels]

    def _lane_name(self, place: int) -> str:
        label = html_text(_short(str(self.lanes[place]["label"]), 14))
        y = self.top + _GAP * place + 4
        return f'<text class="lane-label" x="2" y="{_n(y)}">{label}</text>'

    def _lean_fill(self, near: StripNear) -> str:
        corners = []
        for place in (0, 1):
            low, high = self._span(near, place)
            corners.append([(low, self.y(place, low)), (high, self.y(place, high))])
        ring = [*corners[0], *reversed(corners[1])]
        return (
            f'<path class="closing" d="M{"L".join(f"{_n(x)} {_n(y)}" for x, y in ring)}Z">'
            f"<title>{html_text(near_said(near))}</title></path>"
        )

    def _band(self, bridge: NamedBridge) -> str:
        """The bridge itself: stretches of the lanes, and the band from each to the next."""
        hollow = " hollow" if bridge["waived"] else ""
        parts = []
        for place, spots in enumerate(bridge["spots"]):
            for low, high in spots:
                if self.x(place, high) - self.x(place, low) > 3:
                    parts.append(
                        f'<path class="shared-run{hollow}" d="{self._line(place, low, high)}"/>'
                    )
        for place in range(len(bridge["spots"]) - 1):
            for upper, lower in _partners(
                bridge["spots"][place], bridge["spots"][place + 1], self, place
            ):
                ring = []
                for at, (low, high) in ((place, upper), (place + 1, lower)):
                    a, b = self.x(at, low), self.x(at, high)
                    if b - a < 5:
                        a, b = (a + b) / 2 - 2.5, (a + b) / 2 + 2.5
                    ring.append([(a, self.y(at, a)), (b, self.y(at, b))])
                outline = [*ring[0], *reversed(ring[1])]
                wide = " wide" if ring[0][1][0] - ring[0][0][0] > 60 else ""
                parts.append(
                    f'<path class="band{wide}{hollow}" '
                    f'd="M{"L".join(f"{_n(x)} {_n(y)}" for x, y in outline)}Z"/>'
                )
        told = html_text(bridge_said(bridge, self.lanes))
        asset = html_text(str(bridge["asset"]))
        return f'<g class="over" data-asset="{asset}"><title>{told}</title>{"".join(parts)}</g>'

    def _leader(self, number: int) -> str:
        """The line from a bridge's name down to its diamond, and over to where the bridge is."""
        (x, y), flag = self.heads[number], self.flags[number]
        middle, _ = self._middle(self.bridges[number])
        top = _n(self._name_y(flag) - 10)
        return f'<path class="leader" d="M{_n(x)} {top}V{_n(y)}H{_n(middle)}"/>'

    def _head(self, number: int) -> str:
        """The diamond of a bridge halfway between its lanes, and its name above."""
        bridge, flag = self.bridges[number], self.flags[number]
        x, y = self.heads[number]
        hollow = " hollow" if bridge["waived"] else ""
        asset, label = html_text(str(bridge["asset"])), html_text(self.names[number])
        side, name_x = (" side", flag.high - 4) if flag.backward else ("", flag.low + 4)
        return (
            f'<g class="head" data-asset="{asset}">'
            f'<path class="bridge{hollow}" d="{mark_shape("diamond", x, y, 10)}"/>'
            f'<text class="bridge-label{side}" x="{_n(name_x)}" y="{_n(self._name_y(flag))}">'
            f"{label}</text></g>"
        )

    def _name_y(self, flag: Flag) -> float:
        return self.top - 42 - 17 * flag.row

    def _middle(self, bridge: NamedBridge) -> tuple[float, float]:
        upper, lower = _partners(bridge["spots"][0], bridge["spots"][1], self, 0)[0]
        xs = [sum(self.x(at, m) for m in pair) / 2 for at, pair in ((0, upper), (1, lower))]
        return sum(xs) / 2, (self.y(0, xs[0]) + self.y(1, xs[1])) / 2

    def _head_places(self) -> list[tuple[float, float]]:
        """Where the diamond of each bridge stands; those of one place side by side."""
        found: list[tuple[float, float]] = []
        for bridge in self.bridges:
            x, y = self._middle(bridge)
            aside = 21 if x < WIDTH / 2 else -21
            while any(abs(x - other) < 20 for other, _ in found):
                x += aside
            found.append((x, y))
        return found

    def _crossing(self, cross: StripCross) -> str:
        xs = [self.x(place, at) for place, at in enumerate(cross["on"])]
        ys = [self.y(place, x) for place, x in enumerate(xs)]
        x, y = sum(xs) / 2, sum(ys) / 2
        kind = "" if cross["forbidden"] else " allowed"
        return (
            f'<g class="meets{kind}"><title>The paths cross here</title>'
            f'<path class="leader" d="M{_n(xs[0])} {_n(ys[0])}L{_n(xs[1])} {_n(ys[1])}"/>'
            f'<circle class="near" cx="{_n(x)}" cy="{_n(y)}" r="10"/>'
            f'<path class="glyph" d="M{_n(x - 4.5)} {_n(y - 4.5)}l9 9m0 -9l-9 9"/></g>'
        )


def _partners(
    upper: Sequence[Sequence[float]],
    lower: Sequence[Sequence[float]],
    drawing: _Drawing,
    place: int,
) -> list[tuple[Sequence[float], Sequence[float]]]:
    """Each stretch of the upper lane with the one of the lower that is drawn nearest to it."""
    found = []
    for one in upper:
        x = sum(drawing.x(place, m) for m in one) / 2
        nearest = min(
            lower, key=lambda other: abs(sum(drawing.x(place + 1, m) for m in other) / 2 - x)
        )
        found.append((one, nearest))
    return found


def _query(x: float, y: float, said: str) -> str:
    """The mark of a gap in the records."""
    return (
        f'<g><title>{said}</title><rect class="break" x="{_n(x - 9)}" y="{_n(y - 9)}" width="18" '
        f'height="18"/><text class="query-mark" x="{_n(x)}" y="{_n(y + 5)}">?</text></g>'
    )


def _short(text: str, most: int = 60) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"


# --- The drawing in words: its text alternative, and the tips of its parts.


def strip_said(strip: Strip, bridges: Sequence[NamedBridge]) -> str:
    """Describe a strip in words, for readers who do not see it.

    Parameters
    ----------
    strip : Strip
    bridges : sequence of NamedBridge
        Those that are drawn.
    """
    lanes, near_by, crossings = strip["lanes"], strip["near"], strip["cross"]
    parts = []
    for lane in lanes:
        metres = to_scale(lane)
        runs = [
            f"{words.metres(high - low)} {kind}" if metres else str(kind)
            for low, high, kind in lane["stretches"]
        ]
        runs += [
            f"a {hop['medium']} hop {hop['link']}"
            + (", whose route is not on record" if hop.get("unknown") else "")
            for hop in lane["hops"]
        ]
        shown = runs if len(runs) <= 9 else [*runs[:8], f"{len(runs) - 8} more stretches"]
        broken = (
            "; the record breaks off" + (f" at {words.metres(lane['breaks'][0])}" if metres else "")
            if lane["breaks"]
            else ""
        )
        length = f"{_length_said(lane)}, " if metres else ""
        parts.append(
            f"{lane['label']}: {length}{sentence_list(shown)}; {_kinds(lane['marks'])}{broken}."
        )
    parts += [f"Bridge: {bridge_said(bridge, lanes)}." for bridge in bridges]
    parts += [f"{near_said(near)}." for near in near_by]
    parts += [
        f"They cross at {words.metres(cross['on'][0])} along {lanes[0]['label']}."
        if to_scale(lanes[0])
        else "They cross."
        for cross in crossings
    ]
    if not (bridges or near_by or crossings):
        parts.append("Nothing bridges the lanes.")
    return " ".join(parts)


def bridge_said(bridge: NamedBridge, lanes: Sequence[StripLane]) -> str:
    """A bridge in words: what it is and where it lies on every lane."""
    places = [
        f"on {lane['label']} {_stretch(spots)}" if to_scale(lane) else f"on {lane['label']}"
        for lane, spots in zip(lanes, bridge["spots"], strict=True)
    ]
    accepted = ", accepted by waiver" if bridge["waived"] else ""
    return f"{bridge['label']}{accepted}: {sentence_list(places)}"


def near_said(near: StripNear) -> str:
    """A near stretch in words: both segments and the least distance."""
    return (
        f"near: {near['main']} and {near['alternate']}, "
        f"{words.metres(near['distance_m'])} at the closest"
    )


def to_scale(lane: StripLane) -> bool:
    """Whether places along a lane are in metres; in a report for readers outside only in order."""
    return bool(lane.get("to_scale", True))


def _length_said(lane: StripLane) -> str:
    """Length of a lane on record; a hop without a length on record is drawn with a width."""
    drawn = sum(hop["to_m"] - hop["from_m"] for hop in lane["hops"])
    known = [hop["length_m"] for hop in lane["hops"] if hop["length_m"] is not None]
    least = lane["length_m"] - drawn + sum(known)
    whole = len(known) == len(lane["hops"]) and not lane["breaks"]
    return bounded(least if whole else None, least, words.metres)


def _kinds(marks: Sequence[Sequence[Any]]) -> str:
    counts: dict[str, int] = {}
    for _, role, kind, _ in marks:
        what = "joint" if role == "joints" else kind or role
        counts[what] = counts.get(what, 0) + 1
    return "passes " + sentence_list([plural(n, what) for what, n in counts.items()])


def _stretch(spots: Sequence[Sequence[float]]) -> str:
    said = [
        f"at {words.metres(low)}"
        if high - low < 1
        else f"from {words.metres(low)} to {words.metres(high)}"
        for low, high in spots
    ]
    return sentence_list(said if len(said) <= 3 else [*said[:2], f"{len(said) - 2} more places"])


# --- Names above the drawing: rows and sides, so that no line runs through a name.

_SPACE = 10.0
"""Pixels between two names of one row."""


def flags(lines: Sequence[float], widths: Sequence[float], edge: float) -> list[Flag]:
    """Place names at their lines, so that no line runs through another name.

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


@dataclass(frozen=True, slots=True)
class Flag:
    """Place of a name: it begins at its line, or ends there.

    Attributes
    ----------
    at : float
        Its line, in pixels from the left.
    low, high : float
        Pixels that the name covers.
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


def _backward(
    order: Sequence[int], lines: Sequence[float], widths: Sequence[float], edge: float
) -> set[int]:
    """Names that end at their line: those without room before the edge or before such a name."""
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
