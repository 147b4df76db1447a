"""Separation profiles as pictures: one static SVG per circuit, fit to stand in a sealed page."""

from __future__ import annotations

import hashlib
import io
import math
import re
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

import numpy as np
import pandas as pd

from waysapart.errors import CallError
from waysapart.findings.profiles import too_close
from waysapart.findings.separation.profile import evaluate
from waysapart.shown import visible
from waysapart.verdicts.facts_profile import profile_of
from waysapart.verdicts.prove import APART, Proof

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_SVG = "http://www.w3.org/2000/svg"
_WIDTH_IN, _PANEL_IN = 7.2, 1.75
_COLUMNS = 400
"""Columns of the drawing: in each, the least and the greatest distance are drawn."""
_LEAST_LIMIT_M = 1.0
"""Distances below this are drawn on an even scale where no limit asks for more."""
_INK = "#000000"
"""Drawn in the colour of the page's text."""
_ATTRIBUTES = frozenset(
    [
        "fill",
        "fill-opacity",
        "fill-rule",
        "stroke",
        "stroke-width",
        "stroke-opacity",
        "stroke-dasharray",
        "stroke-dashoffset",
        "stroke-linejoin",
        "stroke-linecap",
        "stroke-miterlimit",
        "opacity",
        "text-anchor",
        "clip-path",
        "clip-rule",
        "font-size",
        "font-weight",
        "visibility",
    ]
)
"""Style properties that may stand as attributes of their own (SVG 1.1, appendix N)."""
_FONT_SIZE = re.compile(r"(\d+(?:\.\d+)?)px")
_LONG_NUMBER = re.compile(r"-?\d+\.\d{2,}")
_REFERENCE = re.compile(r"url\(#([^)]*)\)")


def profile_svg(proof: Proof, name: str) -> str:
    """Draw how far away the other way is, all along each way of a circuit or group.

    Parameters
    ----------
    proof : Proof
    name : str
        Id of a circuit, or name of a group.

    Returns
    -------
    str
        An `svg` element to be put into HTML as it stands: no style attributes, no
        script, no address, ids that begin with a mark of the circuit, text
        escaped. Empty where there is nothing to measure. The same proof gives the same text.
        Parts carry classes for the page's own colours: `profile-line`,
        `profile-limit`, `profile-zone`, `profile-close`.

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
    return _sealed(_drawn(panels), name)


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
    pairs = spacing.pairs[spacing.pairs["test"] < proof.circuit_count]
    closest = pairs.groupby("test")["closest_m"].min().dropna()
    found = np.zeros(proof.circuit_count, dtype=bool)
    for rows in (spacing.near, spacing.cross):
        open_ = rows["pair"].to_numpy(dtype=np.int64)[rows["under"].to_numpy() < 0]
        tests = spacing.pairs["test"].to_numpy()[open_]
        found[tests[tests < proof.circuit_count]] = True
    tests = closest.index.to_numpy(dtype=np.int64)
    apart = np.array([proof.verdicts[test] == APART for test in tests], dtype=bool)
    ranked = tests[np.lexsort((closest.to_numpy(), apart, ~found[tests]))]
    return [proof.trials[test].id for test in sorted(ranked[:most].tolist())]


def _drawn(panels: Sequence[pd.DataFrame]) -> str:
    """The panels under each other, as matplotlib writes them."""
    import matplotlib as mpl
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    settings: dict[Any, Any] = {"svg.hashsalt": "waysapart", "svg.fonttype": "none"}
    with mpl.rc_context({**mpl.rcParamsDefault, **settings}):
        height = _PANEL_IN * len(panels)
        figure = Figure(figsize=(_WIDTH_IN, height))
        FigureCanvasSVG(figure)
        figure.patch.set_visible(False)
        figure.subplots_adjust(
            left=0.55 / _WIDTH_IN,
            right=1.0 - 0.1 / _WIDTH_IN,
            bottom=0.42 / height,
            top=1.0 - 0.06 / height,
            hspace=0.5,
        )
        for axes, arcs in zip(
            figure.subplots(len(panels), squeeze=False).flat, panels, strict=True
        ):
            _panel(axes, arcs)
        file = io.StringIO()
        figure.savefig(file, format="svg", metadata={"Date": None, "Creator": None})
    return file.getvalue()


def _panel(axes: Axes, arcs: pd.DataFrame) -> None:
    """Distance to one other way along one way: log above the limit, even below."""
    from matplotlib.ticker import FuncFormatter

    limit = float(np.nanmax(arcs["limit_m"], initial=0.0))
    even = max(limit, _LEAST_LIMIT_M)
    at_m, distance_m = outline(arcs)
    axes.set_yscale("symlog", linthresh=even, linscale=0.4)
    axes.set_ylim(0.0, max(10.0 * even, 2.0 * float(np.nanmax(distance_m, initial=0.0))))
    axes.set_xlim(0.0, float(arcs["to_m"].max()) / 1000.0)
    axes.patch.set_visible(False)
    axes.grid(True, color=_INK, alpha=0.15, linewidth=0.5)
    for begin, end in _runs(arcs[arcs["end_zone"]]):
        span = axes.axvspan(begin / 1000.0, end / 1000.0, color=_INK, alpha=0.1, linewidth=0)
        span.set_gid("class-profile-zone")
    asked = np.repeat(arcs["limit_m"].where(arcs["limit_m"] > 0).to_numpy(), 2)
    (line,) = axes.plot(
        _doubled(arcs) / 1000.0, asked, color="#b00020", linewidth=1.0, linestyle="--"
    )
    line.set_gid("class-profile-limit")
    (line,) = axes.plot(at_m / 1000.0, distance_m, color="#1f4e79", linewidth=1.1)
    line.set_gid("class-profile-line")
    close = too_close(arcs)
    (line,) = axes.plot(
        _doubled(close, apart=True) / 1000.0,
        np.zeros(3 * len(close)),
        color="#b00020",
        linewidth=4.0,
        solid_capstyle="butt",
        clip_on=False,
    )
    line.set_gid("class-profile-close")
    axes.set_yticks([0.0, even, *_decades(even, axes.get_ylim()[1])])
    axes.set_yticks([], minor=True)
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: _metres(value)))
    axes.set_ylabel("apart", fontsize=8)
    axes.set_xlabel(
        _shown(f"km along {arcs['along'].iloc[0]}, to {arcs['to'].iloc[0]}"),
        fontsize=8,
        parse_math=False,
    )
    axes.tick_params(labelsize=7)


def outline(arcs: pd.DataFrame, columns: int = _COLUMNS) -> tuple[np.ndarray, np.ndarray]:
    """Points of a profile for drawing: place along the way and distance, both in metres.

    Every column of the drawing shows the least and the greatest distance in it, with
    the ends and the lowest point of every arc among those looked at, so that no
    close approach is lost however long the way. NaN where the line breaks off.
    """
    begin, end = (arcs[name].to_numpy(dtype=np.float64) for name in ("from_m", "to_m"))
    a, b = (arcs[name].to_numpy(dtype=np.float64) for name in ("a", "b"))
    with np.errstate(divide="ignore", invalid="ignore"):
        lowest = np.clip(np.nan_to_num(-b / (2.0 * a)), 0.0, end - begin)
    width = float(end.max()) / columns
    even = np.arange(columns + 1) * width
    even = even[(even >= begin.min()) & (even <= end.max())]
    at = np.concatenate([begin, begin + lowest, end, even])
    distance = np.concatenate(
        [
            arcs["distance_from_m"],
            _within_arcs(arcs, lowest),
            arcs["distance_to_m"],
            evaluate(arcs, even),
        ]
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


def _within_arcs(arcs: pd.DataFrame, after_m: np.ndarray) -> np.ndarray:
    """Distance at a place of each arc of its own, so many metres after its start."""
    from waysapart.findings.separation.earth import arc_m

    a, b, c = (arcs[name].to_numpy(dtype=np.float64) for name in ("a", "b", "c"))
    return arc_m(np.sqrt(np.maximum((a * after_m + b) * after_m + c, 0.0)))


def _runs(arcs: pd.DataFrame) -> list[tuple[float, float]]:
    """Stretches that arcs cover together."""
    if not len(arcs):
        return []
    begin, end = arcs["from_m"].to_numpy(), arcs["to_m"].to_numpy()
    opens = np.append(True, begin[1:] > end[:-1] + 1e-6)
    closes = np.append(opens[1:], True)
    return list(zip(begin[opens].tolist(), end[closes].tolist(), strict=True))


def _doubled(arcs: pd.DataFrame, *, apart: bool = False) -> np.ndarray:
    """Both ends of every arc in a row; `apart`: with a break after each."""
    ends = [arcs["from_m"].to_numpy(), arcs["to_m"].to_numpy()]
    if apart:
        ends.append(np.full(len(arcs), np.nan))
    return np.column_stack(ends).ravel()


def _decades(above: float, top: float) -> list[float]:
    """Powers of ten that are clear of a limit below and within the drawing."""
    first = math.ceil(math.log10(2.0 * above))
    return [10.0**power for power in range(first, math.floor(math.log10(top)) + 1)]


def _metres(value: float) -> str:
    return f"{value / 1000:g} km" if value >= 1000 else f"{value:g} m"


def _shown(text: str) -> str:
    """Text on one line with what cannot be seen, and what XML does not have, written out."""
    return visible(" ".join(text.splitlines()))


def _sealed(svg: str, name: str) -> str:
    """The drawing without styles, metadata and comments, its ids marked with the circuit's."""
    ElementTree.register_namespace("", _SVG)
    root = ElementTree.fromstring(svg)
    mark = "s" + hashlib.sha256(name.encode()).hexdigest()[:10] + "-"
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag in (f"{{{_SVG}}}metadata", f"{{{_SVG}}}style"):
                parent.remove(child)
    used = {
        reference
        for element in root.iter()
        for value in element.attrib.values()
        for reference in _references(value)
    }
    for element in root.iter():
        _flatten(element, used, mark)
    for key in ("width", "height", "version"):
        root.attrib.pop(key, None)
    root.set("class", "profile")
    root.set("role", "img")
    root.set("stroke-linejoin", "round")
    title = ElementTree.Element(f"{{{_SVG}}}title")
    title.text = _shown(f"Distance between the ways of {name}, along each of them")
    root.insert(0, title)
    return ElementTree.tostring(root, encoding="unicode")


def _references(value: str) -> Iterable[str]:
    return [value[1:]] if value.startswith("#") else _REFERENCE.findall(value)


def _short(number: re.Match[str]) -> str:
    """A coordinate to a tenth of a point, which is finer than any screen."""
    return f"{float(number.group()):.1f}"


def _flatten(element: ElementTree.Element, used: set[str], mark: str) -> None:
    """Style properties as attributes; ids marked, those that nobody names dropped."""
    for declaration in element.attrib.pop("style", "").split(";"):
        key, _, value = (part.strip() for part in declaration.partition(":"))
        if key == "font" and (size := _FONT_SIZE.search(value)):
            element.set("font-size", size.group(1))
        elif key in _ATTRIBUTES:
            element.set(key, "currentColor" if value == _INK else value.removesuffix("px"))
    for key in ("d", "x", "y", "transform"):
        if key in element.attrib:
            element.set(key, _LONG_NUMBER.sub(_short, element.attrib[key]))
    own = element.attrib.pop("id", "")
    if element.tag == f"{{{_SVG}}}text":
        element.set("fill", "currentColor")
    if own.startswith("class-"):
        element.set("class", own.removeprefix("class-"))
    elif own in used:
        element.set("id", mark + own)
    for key in list(element.attrib):
        value = element.attrib[key]
        if _REFERENCE.search(value):
            element.set(key, _REFERENCE.sub(rf"url(#{mark}\1)", value))
        elif key.endswith("}href") and value.startswith("#"):
            del element.attrib[key]
            element.set("href", f"#{mark}{value[1:]}")
