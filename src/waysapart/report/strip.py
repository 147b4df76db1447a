"""The strip: the paths of a circuit or group drawn as lanes, as SVG, and the same in words.

Every lane has a scale of its own from end to end, so that the ends are aligned however much the
paths differ in length; ticks show each scale. Every mark stands at its kilometre on its lane: a
stretch that all paths rely on as a bracket beside each lane, a single thing as a diamond on each,
joined from lane to lane. What stands at a node, such as a chassis or a battery, hangs beneath it.
Names stand in rows above; where there are more than fit, the rest are counted. Where the paths
come near, the lanes lean together. The page sets colours and line styles through classes; nothing
depends on colour alone. What a strip is drawn from is laid out by
`waysapart.report.strip_layout`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from markupsafe import Markup

from waysapart.figures import bounded
from waysapart.report import words
from waysapart.report.escape import html_text, json_for_script, visible
from waysapart.report.marks import LAID, id_runs, km_said, mark_of, mark_shape, round_step
from waysapart.report.marks import short_number as _n
from waysapart.report.profile_svg import BAND, LEFT, RIGHT, WIDTH, profile_band
from waysapart.report.stretches import Finding, kind_of, route_of
from waysapart.report.strip_layout import (
    Bridge,
    Hop,
    Interval,
    Strip,
    StripCross,
    StripLane,
    StripNear,
    joined,
)
from waysapart.text import plural, sentence_list

# --- The drawing, as SVG: two lanes or more, and what ties them together.

_GAP = 122.0
"""Least distance of one lane from the next, in pixels."""
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
_MOST_NAMES = 12
"""Findings that are named in the drawing; the others are marked and counted."""
_BRACKET = 12.0
"""A stretch at least so many pixels long is a bracket, a shorter one a diamond in its middle."""
_HANG, _NEXT = 19.0, 15.0
"""How far beneath its node equipment hangs, and how far the next piece beneath that, in pixels."""
_SAME_NODE = 4.0
"""Things no farther apart than this, in pixels, hang beneath one another."""
_MOST_HUNG = 2
"""Pieces of equipment that are drawn at one node; the others are counted."""


def strip_svg(strip: Strip, findings: Sequence[Finding], name: str, number: str) -> Markup:
    """Draw the paths of a circuit or group.

    Parameters
    ----------
    strip : Strip
        From `waysapart.report.strip_layout.strips`.
    findings : sequence of Finding
        What is shared, from `folded`.
    name : str
        Id of the circuit or group, for the text alternative.
    number : str
        Letters and digits that make the ids within the drawing unique on the page.

    Returns
    -------
    Markup
        An `svg` element without style attributes; the marks of each lane stand
        in its attribute `data-marks`, see `marks_in_runs`, and the place of the first finding
        in `data-first`, in pixels from the left.
    """
    return _Drawing(strip, findings, name, number).svg()


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
    """A bridge with the name that stands above it, and what kind of thing it is."""

    label: str
    kind: str


@dataclass(frozen=True)
class _Named:
    """Something found that gets a name above the drawing: where, and what it is counted as."""

    at: Interval
    """From and to on the first lane, in pixels."""
    name: str
    kind: str
    asset: str
    down: float
    """How far down the line to it goes, in pixels from the first lane."""


@dataclass
class _Stack:
    """What hangs at one node: bridges first, then equipment."""

    last: float
    bridges: list[int] = field(default_factory=list)
    machines: list[tuple[float, str, str]] = field(default_factory=list)

    @property
    def depth(self) -> int:
        """How many things hang beneath one another, with the count of those left out."""
        return len(self.bridges) + min(len(self.machines), _MOST_HUNG + 1)


class _Drawing:
    """One strip while it is drawn."""

    def __init__(self, strip: Strip, findings: Sequence[Finding], name: str, number: str) -> None:
        self.strip = strip
        self.lanes = strip["lanes"]
        self.bridges: list[NamedBridge] = [_named(bridge, findings) for bridge in strip["bridges"]]
        # What comes near beside a structure that both rely on is part of that finding.
        apart = [near for near in strip["near"] if not near["folded"]]
        self.near: list[StripNear] = apart if len(self.lanes) == 2 else []
        self.cross = strip["cross"]
        self.name, self.number = name, number
        self.leaning = [
            joined([self._span(near, place) for near in self.near], _RAMP) for place in (0, 1)
        ]
        self.top = 0.0
        self.stacks = [self._stacks(place) for place in range(len(self.lanes))]
        deep = sorted(max((one.depth for one in some), default=0) for some in self.stacks)
        self.gap = max(_GAP, _NEXT * sum(deep[-2:]) + 2 * _HANG + 16.0)
        every = self._found()
        chosen = sorted(range(len(every)), key=lambda k: _rank(every[k]))[:_MOST_NAMES]
        self.named = [every[k] for k in sorted(chosen)]
        self.left = [every[k] for k in range(len(every)) if k not in chosen]
        widths = [_LETTER * len(_short(one.name)) + 4 for one in self.named]
        self.flags = flags([_line_x(one.at) for one in self.named], widths, WIDTH)
        rows = max((flag.row + 1 for flag in self.flags), default=0)
        self.top = 44.0 + 17.0 * rows + (14.0 if rows else 0.0) + (18.0 if self.left else 0.0)
        self.first = min((one.at[0] for one in every), default=None)
        self.profile = strip.get("profile")
        self.floor = self.top + self.gap * (len(self.lanes) - 1) + 50.0
        self.height = self.floor + (BAND + 14.0 if self.profile else 0.0)

    def svg(self) -> Markup:
        """The whole drawing."""
        names = {one.name for one in self.named}
        text = strip_said(self.strip, [one for one in self.bridges if one["label"] in names])
        if self.left:
            text += f" {self._left_said()}"
        first = "" if self.first is None else f' data-first="{_n(self.first)}"'
        parts = [
            f'<svg class="strip" role="img" viewBox="0 0 {WIDTH} {_n(self.height)}" '
            f'width="{WIDTH}" height="{_n(self.height)}"{first} '
            f'aria-labelledby="st{self.number} sd{self.number}">',
            f'<title id="st{self.number}">{html_text(f"Paths of {self.name} as lanes")}</title>',
            f'<desc id="sd{self.number}">{html_text(text)}</desc>',
        ]
        if self.left:
            parts.append(f'<text class="more" x="2" y="13">{html_text(self._left_said())}</text>')
        parts += [self._zones(place) for place in range(len(self.lanes))]
        parts += [self._lean_fill(near) for near in self.near]
        parts += [self._band(bridge) for bridge in self.bridges]
        parts += [self._leader(number) for number in range(len(self.named))]
        parts += [self._lane(place) for place in range(len(self.lanes))]
        parts += [self._spots(number, bridge) for number, bridge in enumerate(self.bridges)]
        parts += [self._label(number) for number in range(len(self.named))]
        parts += [self._crossing(cross) for cross in self.cross]
        if self.profile:
            first_lane = self.lanes[0]
            parts.append(
                profile_band(
                    self.profile,
                    first_lane["zones"],
                    float(first_lane["length_m"]),
                    self.floor + BAND,
                )
            )
        parts.append("</svg>")
        return Markup("".join(parts))

    def x(self, place: int, at_m: float) -> float:
        """Pixels from the left of a chainage on a lane."""
        return LEFT + (RIGHT - LEFT) * at_m / float(self.lanes[place]["length_m"])

    def y(self, place: int, x: float) -> float:
        """Height of a lane at x: level, but leaning where the paths come near."""
        level = self.top + self.gap * place
        if place > 1 or not self.leaning[place]:
            return level
        outside = min(max(low - x, x - high, 0.0) for low, high in self.leaning[place])
        lean = max(0.0, 1.0 - outside / _RAMP)
        return level + (_LEAN if place == 0 else -_LEAN) * lean

    def _found(self) -> list[_Named]:
        """Everything found, in the order of the first lane."""
        found = []
        for number, bridge in enumerate(self.bridges):
            low, high = (self.x(0, at) for at in bridge["spots"][0][0])
            down = self._below(0, number, (low + high) / 2) if bridge["off"] else 0.0
            label, kind = bridge["label"], bridge["kind"]
            found.append(_Named((low, high), label, kind, bridge["asset"], down))
        for near in self.near:
            low, high = (self.x(0, at) for at in near["on"][0])
            said = near_short(near)
            found.append(_Named((low, high), said, "near stretch", near["main"], 0.0))
        for cross in self.cross:
            if cross["forbidden"]:
                at = self.x(0, cross["on"][0])
                found.append(_Named((at, at), "the paths cross", "crossing", "", 0.0))
        return sorted(found, key=lambda one: one.at)

    def _left_said(self) -> str:
        """What is marked without a name, in words."""
        kinds: dict[str, int] = {}
        for one in self.left:
            kinds[one.kind] = kinds.get(one.kind, 0) + 1
        every = len(self.left) + len(self.named)
        counts = sentence_list([plural(count, kind) for kind, count in kinds.items()], most=5)
        named = f"{len(self.named)} of {every} findings are named here"
        return f"{named}; marked without a name: {counts}."

    def _span(self, near: StripNear, place: int) -> Interval:
        low, high = (self.x(place, at) for at in near["on"][place])
        wider = max(0.0, 8.0 - (high - low)) / 2
        return low - wider, high + wider

    def _zones(self, place: int) -> str:
        level = self.top + self.gap * place
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
        placed = [(self.x(place, mark[0]), *mark) for mark in self.lanes[place]["marks"]]
        many = len({round(x / _CROWDED) for x, *_ in placed if LEFT + 12 < x < RIGHT - 12})
        small = len(placed) > 1.25 * (RIGHT - LEFT) / 14 or many > 0.8 * (RIGHT - LEFT) / _CROWDED
        shapes: dict[str, list[str]] = {}
        taken: set[tuple[str, int]] = set()
        for x, _, role, kind, _ in placed:
            if role == "equipment":
                continue
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
        return f"{self._equipment(place)}<g class='marks' data-marks='{data}'>{drawn}</g>"

    def _stacks(self, place: int) -> list[_Stack]:
        """What hangs at each node of a lane; things no more than a few pixels apart hang as one."""
        hung: list[tuple[float, int | None, tuple[str, str] | None]] = [
            (self.x(place, (low + high) / 2), number, None)
            for number, bridge in enumerate(self.bridges)
            if bridge["off"]
            for low, high in bridge["spots"][place]
        ]
        hung += [
            (self.x(place, mark[0]), None, (mark[1], mark[2]))
            for mark in self.lanes[place]["marks"]
            if mark[1] == "equipment"
        ]
        found: list[_Stack] = []
        for x, number, machine in sorted(hung, key=lambda one: one[0]):
            if not found or x - found[-1].last > _SAME_NODE:
                found.append(_Stack(x))
            found[-1].last = x
            if number is not None:
                found[-1].bridges.append(number)
            elif machine is not None:
                found[-1].machines.append((x, *machine))
        return found

    def _below(self, place: int, number: int, x: float) -> float:
        """How far beneath its node a bridge that hangs there is, in pixels."""
        stack = min(
            (one for one in self.stacks[place] if number in one.bridges),
            key=lambda one: abs(one.last - x),
        )
        return _HANG + _NEXT * stack.bridges.index(number)

    def _inward(self, place: int) -> float:
        return 1.0 if place == 0 else -1.0

    def _equipment(self, place: int) -> str:
        """Equipment hangs at its node, on the side of the other lane; more than two are counted."""
        side, parts = self._inward(place), []
        for stack in self.stacks[place]:
            shown, first = stack.machines[:_MOST_HUNG], len(stack.bridges)
            if not shown:
                continue
            x = shown[0][0]
            level = self.y(place, x)
            end = level + side * (_HANG + _NEXT * (first + len(shown) - 1))
            marks = "".join(
                mark_shape(*_at(mark_of(role, kind), x_of, level + side * (_HANG + _NEXT * k)))
                for k, (x_of, role, kind) in enumerate(shown, start=first)
            )
            parts.append(
                f'<path class="stem" d="M{_n(x)} {_n(level)}V{_n(end)}"/>'
                f'<path class="mark-machine" d="{marks}"/>'
            )
            if len(stack.machines) > len(shown):
                said = f"+{len(stack.machines) - len(shown)}"
                parts.append(
                    f'<text class="hung" x="{_n(x)}" y="{_n(end + side * 14 + 4)}">{said}</text>'
                )
        return f'<g class="machines">{"".join(parts)}</g>' if parts else ""

    def _scale(self, place: int, whole_m: float, side: int) -> list[str]:
        if not to_scale(self.lanes[place]):
            return []
        step, level = round_step(whole_m), self.top + self.gap * place
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
        y = self.y(place, LEFT) + 4
        return f'<text class="lane-label" x="2" y="{_n(y)}">{label}</text>'

    def _lean_fill(self, near: StripNear) -> str:
        corners = []
        for place in (0, 1):
            low, high = self._span(near, place)
            corners.append([(low, self.y(place, low)), (high, self.y(place, high))])
        ring = [*corners[0], *reversed(corners[1])]
        brackets = "".join(self._bracket(place, *self._span(near, place)) for place in (0, 1))
        return (
            f'<g class="over"><title>{html_text(near_said(near))}</title><path class="closing" '
            f'd="M{"L".join(f"{_n(x)} {_n(y)}" for x, y in ring)}Z"/>'
            f'<path class="bracket" d="{brackets}"/></g>'
        )

    def _bracket(self, place: int, low: float, high: float) -> str:
        """Path data of a bracket beside a lane, on the side away from the other."""
        side = -self._inward(place)
        level = self.top + self.gap * place + side * 38
        return f"M{_n(low)} {_n(level - side * 6)}v{_n(side * 6)}H{_n(high)}v{_n(-side * 6)}"

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
                        a, b = (a + b) / 2 - 1.5, (a + b) / 2 + 1.5
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

    def _spots(self, number: int, bridge: NamedBridge) -> str:
        """A diamond on every lane for each place of a bridge; a bracket where it is long."""
        hollow = " hollow" if bridge["waived"] else ""
        diamonds, brackets, stems = [], [], []
        for place, spots in enumerate(bridge["spots"]):
            for low_m, high_m in spots:
                low, high = self.x(place, low_m), self.x(place, high_m)
                if high - low >= _BRACKET:
                    brackets.append(self._bracket(place, low, high))
                    continue
                x = (low + high) / 2
                y, radius = self.y(place, x), 8.0
                if bridge["off"]:
                    y, radius = y + self._inward(place) * self._below(place, number, x), 6.5
                    stems.append(f"M{_n(x)} {_n(self.y(place, x))}V{_n(y)}")
                diamonds.append(mark_shape("diamond", x, y, radius))
        parts = []
        if brackets:
            parts.append(f'<path class="bracket{hollow}" d="{"".join(brackets)}"/>')
        if stems:
            parts.append(f'<path class="stem" d="{"".join(stems)}"/>')
        if diamonds:
            parts.append(f'<path class="bridge{hollow}" d="{"".join(diamonds)}"/>')
        asset, told = html_text(str(bridge["asset"])), html_text(bridge_said(bridge, self.lanes))
        return f'<g class="spots" data-asset="{asset}"><title>{told}</title>{"".join(parts)}</g>'

    def _leader(self, number: int) -> str:
        """The line from a name down to what it names, on the first lane."""
        one, flag = self.named[number], self.flags[number]
        wide = one.at[1] - one.at[0] >= _BRACKET or one.kind == "near stretch"
        y = self.top - 38 if wide else self.y(0, flag.at) + one.down
        top = _n(self._name_y(flag) - 10)
        return f'<path class="leader" d="M{_n(flag.at)} {top}V{_n(y)}"/>'

    def _label(self, number: int) -> str:
        one, flag = self.named[number], self.flags[number]
        side, name_x = (" side", flag.high - 4) if flag.backward else ("", flag.low + 4)
        asset = f' data-asset="{html_text(one.asset)}"' if one.asset else ""
        return (
            f'<g class="head"{asset}><text class="bridge-label{side}" x="{_n(name_x)}" '
            f'y="{_n(self._name_y(flag))}">{html_text(_short(one.name))}</text></g>'
        )

    def _name_y(self, flag: Flag) -> float:
        return self.top - 46 - 17 * flag.row

    def _crossing(self, cross: StripCross) -> str:
        """A crossing: a mark on each lane where it is, and a line between the two."""
        xs = [self.x(place, at) for place, at in enumerate(cross["on"])]
        ys = [self.y(place, x) for place, x in enumerate(xs)]
        kind = "" if cross["forbidden"] else " allowed"
        marks = "".join(
            f'<circle class="near" cx="{_n(x)}" cy="{_n(y)}" r="8"/>'
            f'<path class="glyph" d="M{_n(x - 3.5)} {_n(y - 3.5)}l7 7m0 -7l-7 7"/>'
            for x, y in zip(xs, ys, strict=True)
        )
        return (
            f'<g class="meets{kind}"><title>The paths cross here</title><path class="leader" '
            f'd="M{_n(xs[0])} {_n(ys[0])}L{_n(xs[1])} {_n(ys[1])}"/>{marks}</g>'
        )


def _named(bridge: Bridge, findings: Sequence[Finding]) -> NamedBridge:
    """A bridge with its name, and the kind that it is counted under where it gets none."""
    route = route_of(findings, bridge["findings"])
    many = len(route.findings) > 1 or len(route.findings[0].members) > 1
    kind = "shared stretch" if many else kind_of(route.findings[0].members[0])
    return NamedBridge(label=route.label, kind=kind, **bridge)


def _rank(one: _Named) -> tuple[float, float]:
    """Long stretches are named first, then what comes first along the lane."""
    return -max(one.at[1] - one.at[0] - _BRACKET, 0.0), one.at[0]


def _line_x(at: Interval) -> float:
    """Where the line to a name stands: at the begin of a bracket, in the middle of a diamond."""
    return at[0] if at[1] - at[0] >= _BRACKET else (at[0] + at[1]) / 2


def _at(mark: tuple[str, float], x: float, y: float) -> tuple[str, float, float, float]:
    return mark[0], x, y, mark[1]


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
    lanes, crossings = strip["lanes"], strip["cross"]
    near_by = [near for near in strip["near"] if not near["folded"]]
    parts = []
    for lane in lanes:
        metres = to_scale(lane)
        runs = [
            f"{words.metres(high - low)} {kind}" if metres else str(kind)
            for low, high, kind in lane["stretches"]
        ]
        runs += [
            f"{'an' if hop['medium'][0] in 'aeiou' else 'a'} {hop['medium']} hop {hop['link']}"
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


def near_short(near: StripNear) -> str:
    """A near stretch by its least distance, its length and its segments, for its name above."""
    apart = f"{words.metres(near['distance_m'])} apart over {words.metres(near['length_m'])}"
    return f"{apart}, {plural(near['count'], near['kind'])}" if near["count"] > 1 else apart


def near_said(near: StripNear) -> str:
    """A near stretch in words: both segments and the least distance."""
    return f"near: {near_short(near)}, nearest {near['main']} and {near['alternate']}"


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
        Where the line to each name stands, in pixels from the left. Names of one line stand
        above each other.
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
