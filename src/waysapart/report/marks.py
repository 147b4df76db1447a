"""Marks, findings and numbers, the same on strips, maps, pages and the terminal."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from functools import cache
from importlib.resources import files
from itertools import pairwise
from urllib.parse import quote

from waysapart.evidence import NUMBER_DIGITS
from waysapart.report.escape import visible

# --- Anchors: where on a page a circuit stands, the same in every run.

_OWN_ID = re.compile(r'\bid="([^"{]*)(\{\{)?')


def anchors(ids: Iterable[str], taken: Iterable[str] = ()) -> dict[str, str]:
    """The element id of each circuit's entry, which is also the hash that leads to it.

    Parameters
    ----------
    ids : iterable of str
        Circuits, or whatever else has an entry of its own.
    taken : iterable of str
        Element ids that the page needs for other things than its templates name.

    Returns
    -------
    dict of str to str
        By id: the id as a page shows it, percent-encoded; after `circuit:` where an element of
        the page itself has that id. No two are the same.

    Examples
    --------
    >>> anchors(["C03", "C 4/a", "map"])
    {'C03': 'C03', 'C 4/a': 'C%204%2Fa', 'map': 'circuit:map'}
    """
    whole, begins = _own_ids()
    used = {*whole, *taken}
    made: dict[str, str] = {}
    for name in ids:
        plain = quote(visible(name), safe="")
        own = plain in used or plain.startswith(begins)
        anchor = f"circuit:{plain}" if own else plain
        while anchor in used:
            anchor += "_"
        used.add(anchor)
        made[name] = anchor
    return made


@cache
def _own_ids() -> tuple[frozenset[str], tuple[str, ...]]:
    """Element ids in the page's own templates; and what those begin with that end in a number."""
    folder = files("waysapart.report").joinpath("templates")
    texts = [one.read_text("utf-8") for one in folder.iterdir() if one.name.endswith(".j2")]
    found = [match for text in texts for match in _OWN_ID.findall(text)]
    # Of the map: the element that holds it, its label. Of a strip: its title, its description.
    begins = {"map_", "stc", "stg", "sdc", "sdg", *(name for name, more in found if more and name)}
    return frozenset({"map-label", *(name for name, more in found if not more)}), tuple(begins)


# --- Marks: which one stands for which asset, and its outline.

LAID = {
    "span": "overhead",
    "duct": "buried",
    "subduct": "buried",
    "trench": "buried",
    "buried": "buried",
    "tunnel": "buried",
    "tray": "buried",
    "riser": "buried",
    "bridge": "buried",
    "subsea": "subsea",
}
"""How a segment of each kind is drawn; other kinds are drawn as buried."""
KNOWN_KINDS = frozenset(
    {*LAID, "tower", "gantry", "pole", "pit", "entry", "room", "chassis", "rack", "charger"}
    | {"battery", "relay", "multiplexer", "repeater", "panel", "radio", "clock", "filter"}
    | {"right-of-way", "opgw", "adss", "wrapped", "lashed", "building", "cabinet"}
    | {"fibre", "leased", "electrical", "internal", "carrier"}
)
"""Kinds that are terms of the trade, and so say nothing about a particular study."""
_STRUCTURES = {
    "tower": "tower",
    "gantry": "gantry",
    "pole": "pole",
    "pit": "pit",
    "entry": "entry",
    "bridge": "span",
}
_SMALL = frozenset({"tower", "pole", "pit", "other"})


def mark_of(role: str, kind: str, small: bool = False) -> tuple[str, float]:
    """Name and radius of the mark of an asset.

    Parameters
    ----------
    role, kind : str
        Of the asset.
    small : bool
        Whether the marks stand too close together for more than a tick.

    Returns
    -------
    str, float
        Name of the mark, for `mark_shape`; radius in pixels.
    """
    if role == "sites":
        return "site", 7.0
    if role == "equipment":
        return "machine", 6.5
    if role == "joints":
        return "joint", 2.6
    shape = _STRUCTURES.get(kind, "other")
    return ("tick" if small and shape in _SMALL else shape), 5.0


_SQUARE = ((-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0), (-1.0, -1.0))
_OUTLINES: dict[str, tuple[tuple[tuple[float, float], ...], ...]] = {
    "tower": (((0, -1), (1, 0.8), (-1, 0.8), (0, -1)),),
    "gantry": (
        ((-1, 1), (-1, -1), (1, -1), (1, 1), (0.5, 1), (0.5, -0.4), (-0.5, -0.4), (-0.5, 1)),
    ),
    "pole": (((0, 1), (0, -1)), ((-0.8, -0.5), (0.8, -0.5))),
    "entry": (_SQUARE, ((-1, 0), (1, 0))),
    "span": (((-1, 0.8), (-0.8, -0.2), (-0.3, -0.8), (0.3, -0.8), (0.8, -0.2), (1, 0.8)),),
    "diamond": (((0, -1), (1, 0), (0, 1), (-1, 0), (0, -1)),),
    "machine": (_SQUARE, ((-0.4, -1), (-0.4, 1)), ((0.4, -1), (0.4, 1))),
}
"""Corners of each mark, from its middle, in radii; a mark not listed is a square."""


def mark_shape(shape: str, x: float, y: float, radius: float) -> str:
    """SVG path data of a mark around a place.

    Parameters
    ----------
    shape : str
        From `mark_of`.
    x, y, radius : float
        In pixels.

    Returns
    -------
    str
    """
    dx, dy, rest = _steps(shape, radius)
    return f"M{short_number(x + dx)} {short_number(y + dy)}{rest}"


@cache
def _steps(shape: str, radius: float) -> tuple[float, float, str]:
    """Start of a mark, from its middle, and its relative steps, the same wherever it stands."""
    if shape == "tick":
        return 0.0, -radius, f"v{short_number(2 * radius)}"
    if shape in ("joint", "other"):
        r = short_number(radius)
        return -radius, 0.0, f"a{r} {r} 0 1 1 0 .1z"
    parts = []
    at = begin = (0.0, 0.0)
    for number, line in enumerate(_OUTLINES.get(shape, (_SQUARE,))):
        corners = [(round(dx * radius, 1), round(dy * radius, 1)) for dx, dy in line]
        if number:
            parts.append(f"m{_step(at, corners[0])}")
        else:
            begin = corners[0]
        parts.append("l" + " ".join(_step(*pair) for pair in pairwise(corners)))
        at = corners[-1]
    return begin[0], begin[1], "".join(parts)


def _step(one: tuple[float, float], other: tuple[float, float]) -> str:
    return f"{short_number(other[0] - one[0])} {short_number(other[1] - one[1])}"


# --- Ids in a row, told by the first and the last.

_DIGITS = "0123456789"
_LEAST_RUN = 4
Run = tuple[str, str, int]
"""First id, last id, and how many there are from the one to the other."""


def id_runs(ids: Iterable[str]) -> list[Run]:
    """Ids in their order, those that count up or down by one as one run.

    Parameters
    ----------
    ids : iterable of str

    Returns
    -------
    list of (str, str, int)
        Runs of fewer than four ids are told one by one.

    Examples
    --------
    >>> id_runs(["T7-9", "T7-10", "T7-11", "T7-12", "J3", "N1-S01", "N1-S02"])
    [('T7-9', 'T7-12', 4), ('J3', 'J3', 1), ('N1-S01', 'N1-S01', 1), ('N1-S02', 'N1-S02', 1)]
    """
    found: list[Run] = []
    run: list[str] = []
    head, last, step, wide = "", 0, 0, 0

    def close() -> None:
        if len(run) >= _LEAST_RUN:
            found.append((run[0], run[-1], len(run)))
        else:
            found.extend((name, name, 1) for name in run)

    for name in ids:
        tail = name[len(head) :]
        if run and tail.isdigit() and name.startswith(head) and tail.isascii():
            number = int(tail) if len(tail) <= NUMBER_DIGITS else last
            by = number - last
            same = by in (1, -1) and step in (0, by)
            if same and (len(tail) == wide or "0" not in (tail[0], run[-1][len(head)])):
                run.append(name)
                last, step, wide = number, by, len(tail)
                continue
        close()
        head = name.rstrip(_DIGITS)
        tail = name[len(head) :]
        run, step, wide = [name], 0, len(tail)
        if 0 < wide <= NUMBER_DIGITS:
            last = int(tail)
        else:
            head = f"{name}\0"  # begins no other id
    close()
    return found


# --- Numbers and ticks of drawings.


def short_number(value: float) -> str:
    """A number with at most one decimal.

    Parameters
    ----------
    value : float

    Returns
    -------
    str

    Examples
    --------
    >>> short_number(12.0), short_number(12.46)
    ('12', '12.5')
    """
    return f"{value:.1f}".removesuffix(".0")


def round_step(whole_m: float) -> float:
    """A round step along a path that gives four to ten ticks.

    Parameters
    ----------
    whole_m : float
        Length of the path in metres.

    Returns
    -------
    float
        In metres.

    Examples
    --------
    >>> round_step(9200.0)
    1000.0
    """
    power = 10.0 ** math.floor(math.log10(max(whole_m, 1.0) / 8.0))
    return next((k * power for k in (1, 2, 5) if whole_m / (k * power) <= 10.0), 10.0 * power)


def km_said(at_m: float, step_m: float) -> str:
    """Kilometres at a tick, with as many decimals as its step needs.

    Parameters
    ----------
    at_m, step_m : float
        In metres.

    Returns
    -------
    str

    Examples
    --------
    >>> km_said(1500.0, 500.0)
    '1.5'
    """
    digits = max(0, math.ceil(3 - math.log10(step_m) - 1e-9)) if step_m < 1000 else 0
    return f"{at_m / 1000:.{digits}f}"
