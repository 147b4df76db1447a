"""How exported layers are drawn: the report's colours, as styles that desktop GIS programs apply.

One table says how each layer is drawn: rules, each with a title, the rows that it is for, and
strokes and marks. Width, dashes and shapes differ as well, so that colour is never the only sign.
Every rule is written twice: as OGC Styled Layer Descriptor 1.0.0 (OGC 02-070), and as the XML that
the table `layer_styles` of a GeoPackage holds beside it, by an open convention of GIS programs.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import sqrt
from types import MappingProxyType
from typing import Literal
from xml.etree import ElementTree as ET

from waysapart.colours import LIGHT

POINTS, LINES, AREAS = 0, 1, 2
"""Dimensions of geometries."""
PIXEL_MM = 0.28
"""Size of a pixel in Styled Layer Descriptor 1.0.0, section 11.1.3."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What a field of a row must be.

    Attributes
    ----------
    name : str
        Field.
    is_ : {"in", "not in", "above", "blank", "filled"}
        Whether it is one of the values, none of them, above the only one, blank or not blank.
    values : tuple of str and int
    """

    name: str
    is_: Literal["in", "not in", "above", "blank", "filled"]
    values: tuple[str | int, ...] = ()


@dataclass(frozen=True, slots=True)
class Stroke:
    """A line along a line, or round an area.

    Attributes
    ----------
    colour : str
        Name in `waysapart.colours.LIGHT`.
    width : float
        In pixels.
    dash : tuple of float
        Lengths of dashes and of the spaces between them, in pixels; empty: solid.
    level : int
        Of all rows of a layer, what has a lower level is drawn first.
    """

    colour: str
    width: float
    dash: tuple[float, ...] = ()
    level: int = 0


@dataclass(frozen=True, slots=True)
class Mark:
    """A mark at a point, in the middle of a line or inside an area, above all strokes.

    Attributes
    ----------
    shape : str
        square, circle, triangle, star, x, diamond, or "?" for that sign.
    size : float
        In pixels.
    fill, edge : str or None
        Names of colours; None: none.
    width : float
        Of the edge, in pixels.
    """

    shape: str
    size: float
    fill: str | None
    edge: str | None = "ink"
    width: float = 1.75


@dataclass(frozen=True, slots=True)
class Rule:
    """How some rows of a layer are drawn.

    Attributes
    ----------
    title : str
        What these rows are.
    asked : tuple of Asked
        All must hold. The rules of a layer exclude each other; empty: all rows that no other
        rule of the layer is for.
    strokes : tuple of Stroke
    marks : tuple of Mark
    marked : tuple of int
        Dimensions of the geometries that get the marks.
    hatch : str or None
        Name of the colour that areas are hatched in.
    """

    title: str
    asked: tuple[Asked, ...] = ()
    strokes: tuple[Stroke, ...] = ()
    marks: tuple[Mark, ...] = ()
    marked: tuple[int, ...] = (POINTS, LINES, AREAS)
    hatch: str | None = None

    def marks_on(self, dimension: int) -> tuple[Mark, ...]:
        """Return the marks on geometries of a dimension: a dot where a point had none.

        Parameters
        ----------
        dimension : int

        Returns
        -------
        tuple of Mark
        """
        if dimension in self.marked and self.marks:
            return self.marks
        if dimension == POINTS:
            return (Mark("circle", 6, self.strokes[-1].colour, None),)
        return ()


@dataclass(frozen=True, slots=True)
class Style:
    """The style of a layer in both forms.

    Attributes
    ----------
    sld : str
        Styled Layer Descriptor 1.0.0.
    qml : str
        The convention's own XML.
    """

    sld: str
    qml: str


# --- How each layer is drawn. Widths and dashes are those of the report's map.

_DOTS, _DASHES, _SHORT = (1.5, 3.0), (10.0, 5.0), (2.0, 5.0)
_LAID = (("overhead", ("span",), ()), ("subsea", ("subsea",), (9.0, 3.0, 1.5, 3.0)))
"""Title, kinds and dashes of segments; all of other kinds lie in the ground."""
_STANDING = (
    ("tower, gantry or pole", ("tower", "gantry", "pole"), "triangle"),
    ("pit or building entry", ("pit", "entry"), "square"),
)
"""Title, kinds and mark of structures; all of other kinds are circles."""
_FILLED, _HOLLOW = (Mark("diamond", 16, "common"),), (Mark("diamond", 16, "paper"),)
_OPEN = (Mark("circle", 16, "paper"), Mark("?", 12, "ink", None))
_VERDICTS = {"shared": _FILLED, "accepted": _HOLLOW, "unproven": _OPEN, "apart": ()}
_TAKES = ", its loss leaves a circuit without a path"


def _is(name: str, *values: str | int) -> Asked:
    return Asked(name, "in", values)


def _lost() -> Asked:
    return Asked("lost", "above", (0,))


def _segments(counted: bool) -> tuple[Rule, ...]:
    """Overhead, subsea and in the ground; where losses are counted, the heavy ones broad."""
    rules = []
    for title, kinds, dash in _LAID:
        kept = (_is("lost", 0),) if counted else ()
        rules.append(Rule(title, (_is("kind", *kinds), *kept), (Stroke("soft", 1.25, dash),)))
        if counted:
            heavy = (Stroke("ink", 3.0, dash),)
            rules.append(Rule(title + _TAKES, (_is("kind", *kinds), _lost()), heavy))
    if counted:
        known = tuple(kind for _, kinds, _ in _LAID for kind in kinds)
        under = (Asked("kind", "not in", known), _lost())
        rules.append(Rule("in the ground" + _TAKES, under, (Stroke("ink", 3.0, _DOTS),)))
    return (*rules, Rule("in the ground", (), (Stroke("soft", 1.25, _DOTS),)))


def _structures(counted: bool, site: tuple[Asked, ...] | None) -> tuple[Rule, ...]:
    """Structures by kind; with them the sites, where both stand in one layer."""
    rules = []
    if site is not None:
        rules.append(Rule("site", site, (Stroke("ink", 1.75),), (_SITE,)))
    standing = () if site is None else (_is("role", "structures"),)
    for title, kinds, shape in _STANDING:
        of_kind = (*standing, _is("kind", *kinds))
        if counted:
            rules.append(Rule(title + _TAKES, (*of_kind, _lost()), *_stands(shape, "ink", 2.5)))
        kept = (_is("lost", 0),) if counted else ()
        rules.append(Rule(title, (*of_kind, *kept), *_stands(shape, "soft", 1.1)))
    if counted:
        known = tuple(kind for _, kinds, _ in _STANDING for kind in kinds)
        other = (*standing, Asked("kind", "not in", known), _lost())
        rules.append(Rule("other structure" + _TAKES, other, *_stands("circle", "ink", 2.5)))
    return (*rules, Rule("other structure", (), *_stands("circle", "soft", 1.1)))


_SITE = Mark("square", 12, "ink", "paper", 1.5)


def _stands(shape: str, edge: str, width: float) -> tuple[tuple[Stroke, ...], tuple[Mark, ...]]:
    size = 8.0 if edge == "soft" else 10.0
    return (Stroke(edge, width),), (Mark(shape, size, "paper", edge, width),)


def _paths() -> tuple[Rule, ...]:
    """The main path a broad band, the others dashes on top of it; a mark for the verdict."""
    out = Rule(
        "path cut by what is out of service", (_is("out", 1),), (Stroke("soft", 2.0, _SHORT),)
    )
    drawn = (
        ("main path", _is("path", "main"), (Stroke("paper", 9.0), Stroke("main", 6.0, (), 1))),
        (
            "alternate path",
            _is("path", "alternate"),
            (Stroke("paper", 5.0, (), 2), Stroke("alternate", 3.0, _DASHES, 3)),
        ),
        (
            "further path",
            Asked("path", "not in", ("main", "alternate")),
            (Stroke("paper", 5.0, (), 2), Stroke("alternate", 3.0, _SHORT, 3)),
        ),
    )
    return (
        out,
        *(
            Rule(
                f"{title}, {verdict}", (_is("out", 0), path, _is("verdict", verdict)), lines, marks
            )
            for title, path, lines in drawn
            for verdict, marks in _VERDICTS.items()
        ),
    )


def _banded(colour: str, casing: float, width: float) -> tuple[Stroke, Stroke]:
    """A line along an asset that stands out from what lies under it."""
    return Stroke("ink", casing), Stroke(colour, width, (), 1)


_SHARED = (
    Rule(
        "shared, and could be avoided",
        (_is("avoidable", 1), _is("waived", 0)),
        _banded("common", 7.0, 4.0),
        _FILLED,
    ),
    Rule(
        "shared, accepted by a waiver",
        (_is("avoidable", 1), _is("waived", 1)),
        _banded("paper", 7.0, 4.0),
        _HOLLOW,
    ),
    Rule(
        "shared at the ends, or as a tail: excused",
        (),
        (Stroke("soft", 1.25, _DOTS),),
        (Mark("diamond", 8, "paper", "soft", 1.1),),
    ),
)
_PROTECTED = (
    Rule(
        "its loss leaves no path, together with what is protected",
        (_is("silent", 1),),
        (Stroke("broken", 4.0, (6.0, 2.0)),),
        (Mark("star", 14, "broken", "paper", 1.0),),
        (POINTS, AREAS),
    ),
    Rule(
        "its loss breaks a path, together with what is protected",
        (),
        (Stroke("broken", 1.75, (6.0, 4.0)),),
        (Mark("star", 10, "paper", "broken", 1.25),),
        (POINTS, AREAS),
    ),
)
_NEAR = (
    Rule("near, accepted by a waiver", (_is("waived", 1),), _banded("paper", 9.0, 6.0)),
    Rule(
        "near, along with something shared",
        (_is("waived", 0), Asked("under", "filled")),
        (Stroke("ink", 5.0), Stroke("near", 3.0, (6.0, 3.0), 1)),
    ),
    Rule("near: closer than the rules require", (), _banded("near", 9.0, 6.0)),
)
_CROSS = (
    Rule(
        "crossing, accepted by a waiver",
        (_is("waived", 1),),
        (),
        (Mark("circle", 16, "paper"), Mark("x", 7, None, "ink", 2.0)),
    ),
    Rule(
        "crossing that the rules forbid",
        (_is("waived", 0), _is("forbidden", 1)),
        (),
        (Mark("circle", 16, "near"), Mark("x", 7, None, "ink", 2.0)),
    ),
    Rule(
        "crossing that the rules allow",
        (),
        (),
        (Mark("circle", 10, "paper", "soft", 1.1), Mark("x", 4, None, "soft", 1.1)),
    ),
)
_GAPS = (
    Rule(
        "record gap that touches no circuit",
        (_is("tests", ""),),
        (Stroke("soft", 1.25, (1.0, 4.0)),),
        (Mark("circle", 12, "paper", "soft", 1.1), Mark("?", 9, "soft", None)),
    ),
    Rule("record gap that touches circuits", (), (Stroke("ink", 3.0, (1.0, 4.0)),), _OPEN),
)


def _hazards(counted: bool) -> tuple[Rule, ...]:
    """Hatched, so that a hazard reads as an area in grey as well."""
    point = (Mark("circle", 18, None, "hazard", 1.75),)
    heavy = Rule(
        "hazard that leaves a circuit without a path",
        (_lost(),),
        (Stroke("hazard", 2.5, (4.0, 3.0)),),
        point,
        (POINTS,),
        "hazard",
    )
    plain = Rule("hazard", (), (Stroke("hazard", 1.0, (2.0, 3.0)),), point, (POINTS,), "hazard")
    return (heavy, plain) if counted else (plain,)


FOUND: Mapping[str, tuple[Rule, ...]] = MappingProxyType(
    {
        "found_segments": _segments(counted=True),
        "found_places": _structures(counted=True, site=(_is("role", "sites"),)),
        "found_paths": _paths(),
        "found_shared": _SHARED,
        "found_protected": _PROTECTED,
        "found_near": _NEAR,
        "found_cross": _CROSS,
        "found_gaps": _GAPS,
        "found_hazards": _hazards(counted=True),
    }
)
"""Rules of the layers of findings, by name."""

_PLAIN = (
    Rule(
        "record",
        (),
        (Stroke("soft", 1.0, _SHORT),),
        (Mark("circle", 6, "paper", "soft", 1.1),),
        (POINTS,),
    ),
)
_OWN: Mapping[str, tuple[Rule, ...]] = MappingProxyType(
    {
        "sites": (Rule("site", (), (Stroke("ink", 1.75),), (_SITE,)),),
        "structures": _structures(counted=False, site=None),
        "segments": _segments(counted=False),
        "hazards": _hazards(counted=False),
    }
)


def rules_of(layer: str, role: str | None = None) -> tuple[Rule, ...]:
    """How a layer is drawn.

    Parameters
    ----------
    layer : str
        Name of a layer of findings, or of any other.
    role : str, optional
        Role of the rows of another.

    Returns
    -------
    tuple of Rule
    """
    return FOUND[layer] if role is None else _OWN.get(role, _PLAIN)


def style_of(layer: str, rules: Sequence[Rule], dimensions: Collection[int]) -> Style:
    """The style of a layer in both forms.

    Parameters
    ----------
    layer : str
        Its name.
    rules : sequence of Rule
    dimensions : collection of int
        Of its geometries: `POINTS`, `LINES`, `AREAS`; none: all of them may come.

    Returns
    -------
    Style
    """
    shown = tuple(sorted(set(dimensions))) or (POINTS, LINES, AREAS)
    return Style(_text(_sld(layer, rules, shown)), _text(_qml(rules, shown)))


def _text(root: ET.Element) -> str:
    ET.indent(root, " ")
    return ET.tostring(root, encoding="unicode") + "\n"


def _others(rules: Sequence[Rule]) -> list[tuple[Asked, ...]]:
    return [rule.asked for rule in rules if rule.asked]


def _levels(rules: Iterable[Rule]) -> int:
    """Levels of strokes; marks are one level above."""
    return 1 + max((stroke.level for rule in rules for stroke in rule.strokes), default=-1)


# --- Styled Layer Descriptor 1.0.0

_SLD, _OGC = "http://www.opengis.net/sld", "http://www.opengis.net/ogc"
_DIAMOND = sqrt(0.5)
"""Side of a square that stands on its corner, by its height."""


def _sld(layer: str, rules: Sequence[Rule], shown: tuple[int, ...]) -> ET.Element:
    """One FeatureTypeStyle for each level: they are drawn one after another.

    Its symbolizers cannot ask what the geometry is. In a layer of several dimensions areas are so
    drawn by their outline, and what has marks has them on geometries of every dimension.
    """
    root = ET.Element("StyledLayerDescriptor", version="1.0.0", xmlns=_SLD)
    root.set("xmlns:ogc", _OGC)
    named = ET.SubElement(root, "NamedLayer")
    _leaf(named, "Name", layer)
    style = ET.SubElement(named, "UserStyle")
    _leaf(style, "Name", layer)
    levels = _levels(rules)
    for level in range(levels + 1):
        drawn = [(rule, list(_symbolizers(rule, level, levels, shown))) for rule in rules]
        if not any(symbols for _, symbols in drawn):
            continue
        pass_ = ET.SubElement(style, "FeatureTypeStyle")
        for rule, symbols in drawn:
            if symbols:
                made = ET.SubElement(pass_, "Rule")
                _leaf(made, "Name", rule.title)
                _leaf(made, "Title", rule.title)
                if len(rules) > 1:
                    made.append(_filter(rule, rules))
                made.extend(symbols)
    return root


def _leaf(parent: ET.Element, name: str, text: str) -> ET.Element:
    made = ET.SubElement(parent, name)
    made.text = text
    return made


def _filter(rule: Rule, rules: Sequence[Rule]) -> ET.Element:
    made = ET.Element("ogc:Filter")
    if rule.asked:
        made.append(_all([_comparison(one) for one in rule.asked]))
    else:
        others = [_all([_comparison(one) for one in asked]) for asked in _others(rules)]
        ET.SubElement(made, "ogc:Not").append(_joined("ogc:Or", others))
    return made


def _all(parts: list[ET.Element]) -> ET.Element:
    return _joined("ogc:And", parts)


def _joined(name: str, parts: list[ET.Element]) -> ET.Element:
    if len(parts) == 1:
        return parts[0]
    made = ET.Element(name)
    made.extend(parts)
    return made


def _comparison(asked: Asked) -> ET.Element:
    if asked.is_ in ("blank", "filled"):
        null = ET.Element("ogc:PropertyIsNull")
        _leaf(null, "ogc:PropertyName", asked.name)
        return null if asked.is_ == "blank" else _negated(null)
    name = "ogc:PropertyIsGreaterThan" if asked.is_ == "above" else "ogc:PropertyIsEqualTo"
    parts = []
    for value in asked.values:
        one = ET.Element(name)
        _leaf(one, "ogc:PropertyName", asked.name)
        _leaf(one, "ogc:Literal", str(value))
        parts.append(one)
    either = _joined("ogc:Or", parts)
    return _negated(either) if asked.is_ == "not in" else either


def _negated(part: ET.Element) -> ET.Element:
    made = ET.Element("ogc:Not")
    made.append(part)
    return made


def _symbolizers(
    rule: Rule, level: int, levels: int, shown: tuple[int, ...]
) -> Iterator[ET.Element]:
    """What a rule draws at one level; marks come above all strokes."""
    lines = [stroke for stroke in rule.strokes if stroke.level == level]
    if AREAS in shown and len(shown) == 1 and level == 0 and rule.hatch:
        area = ET.Element("PolygonSymbolizer")
        fill = ET.SubElement(ET.SubElement(area, "Fill"), "GraphicFill")
        fill.append(_graphic(Mark("x", 8, None, rule.hatch, 0.9)))
        yield area
    if shown != (POINTS,):
        for stroke in lines:
            line = ET.Element("LineSymbolizer")
            line.append(_pen(stroke.colour, stroke.width, stroke.dash))
            yield line
    if level == levels:
        marks = max((rule.marks_on(dimension) for dimension in shown), key=len)
        yield from (_lettered(mark) if mark.shape == "?" else _pointed(mark) for mark in marks)


def _pen(colour: str, width: float, dash: Sequence[float] = ()) -> ET.Element:
    made = ET.Element("Stroke")
    _css(made, "stroke", LIGHT[colour])
    _css(made, "stroke-width", f"{width:g}")
    _css(made, "stroke-linejoin", "round")
    if dash:
        _css(made, "stroke-dasharray", " ".join(f"{one:g}" for one in dash))
    return made


def _css(parent: ET.Element, name: str, value: str) -> None:
    _leaf(parent, "CssParameter", value).set("name", name)


def _pointed(mark: Mark) -> ET.Element:
    made = ET.Element("PointSymbolizer")
    made.append(_graphic(mark))
    return made


def _graphic(mark: Mark) -> ET.Element:
    graphic = ET.Element("Graphic")
    drawn = ET.SubElement(graphic, "Mark")
    diamond = mark.shape == "diamond"
    _leaf(drawn, "WellKnownName", "square" if diamond else mark.shape)
    if mark.fill is not None:
        _css(ET.SubElement(drawn, "Fill"), "fill", LIGHT[mark.fill])
    if mark.edge is not None:
        drawn.append(_pen(mark.edge, mark.width))
    _leaf(graphic, "Size", f"{mark.size * (_DIAMOND if diamond else 1.0):.4g}")
    if diamond:
        _leaf(graphic, "Rotation", "45")
    return graphic


def _lettered(mark: Mark) -> ET.Element:
    made = ET.Element("TextSymbolizer")
    _leaf(made, "Label", mark.shape)
    font = ET.SubElement(made, "Font")
    for name, value in (("family", "sans-serif"), ("size", f"{mark.size:g}"), ("weight", "bold")):
        _css(font, f"font-{name}", value)
    anchor = ET.SubElement(
        ET.SubElement(ET.SubElement(made, "LabelPlacement"), "PointPlacement"), "AnchorPoint"
    )
    _leaf(anchor, "AnchorPointX", "0.5")
    _leaf(anchor, "AnchorPointY", "0.5")
    _css(ET.SubElement(made, "Fill"), "fill", LIGHT[str(mark.fill)])
    return made


# --- The XML of layer_styles. Names of its elements and properties are those of the convention.

_ROOT = "qgis"
_TYPES = {POINTS: "marker", LINES: "line", AREAS: "fill"}
_GEOMETRIES = {POINTS: "Point", LINES: "Line", AREAS: "Polygon"}
_INSIDE = "closest_point($geometry, centroid($geometry))"
"""A point of the line next to its middle."""


def _qml(rules: Sequence[Rule], shown: tuple[int, ...]) -> ET.Element:
    """One rule and one symbol for each rule and dimension.

    A program that opens a layer of several dimensions makes a layer of each, all with this style.
    """
    root = ET.Element(_ROOT, version="3.0", styleCategories="Symbology")
    renderer = ET.SubElement(root, "renderer-v2", type="RuleRenderer", symbollevels="1")
    tree = ET.SubElement(renderer, "rules", key="{waysapart}")
    symbols = ET.SubElement(renderer, "symbols")
    levels = _levels(rules)
    for rule in rules:
        for dimension in shown:
            symbol = ET.Element("symbol", type=_TYPES[dimension], alpha="1", clip_to_extent="1")
            symbol.extend(_symbol_layers(rule, dimension, levels))
            if not len(symbol):
                continue
            symbol.set("name", str(len(symbols)))
            one = ET.SubElement(tree, "rule", key=f"{{waysapart-{len(symbols)}}}", label=rule.title)
            one.set("symbol", str(len(symbols)))
            parts = [_expression(rule, rules)] if len(rules) > 1 else []
            if len(shown) > 1:
                parts.append(f"geometry_type($geometry) = '{_GEOMETRIES[dimension]}'")
            if parts:
                one.set("filter", " AND ".join(parts))
            symbols.append(symbol)
    return root


def _expression(rule: Rule, rules: Sequence[Rule]) -> str:
    if rule.asked:
        return " AND ".join(map(_condition, rule.asked))
    others = (" AND ".join(map(_condition, asked)) for asked in _others(rules))
    return " AND ".join(f"NOT coalesce({one}, false)" for one in others)


def _condition(asked: Asked) -> str:
    name = f'"{asked.name}"'
    if asked.is_ in ("blank", "filled"):
        return f"{name} IS {'NOT ' if asked.is_ == 'filled' else ''}NULL"
    if asked.is_ == "above":
        return f"{name} > {asked.values[0]}"
    values = [str(one) if isinstance(one, int) else f"'{one}'" for one in asked.values]
    if asked.is_ == "not in":
        return f"coalesce({name} NOT IN ({', '.join(values)}), true)"
    return f"{name} = {values[0]}" if len(values) == 1 else f"{name} IN ({', '.join(values)})"


def _symbol_layers(rule: Rule, dimension: int, levels: int) -> Iterator[ET.Element]:
    marks = rule.marks_on(dimension)
    if dimension == AREAS and rule.hatch:
        area = _drawn("LinePatternFill", 0, angle="45", distance=_mm(8), distance_unit="MM")
        pen = Stroke(rule.hatch, 0.9)
        area.append(_inner("line", [_simple_line(pen)]))
        yield area
    if dimension != POINTS:
        yield from (_simple_line(stroke) for stroke in rule.strokes)
    for mark in marks:
        if dimension == POINTS:
            yield _simple_mark(mark, levels)
            continue
        if dimension == AREAS:
            placed = _drawn("CentroidFill", levels, point_on_surface="1")
        else:
            placed = _drawn(
                "GeometryGenerator", levels, SymbolType="Marker", geometryModifier=_INSIDE
            )
        placed.append(_inner("marker", [_simple_mark(mark, 0)]))
        yield placed


def _drawn(kind: str, level: int, **properties: str) -> ET.Element:
    made = ET.Element("layer", {"class": kind, "enabled": "1", "locked": "0", "pass": str(level)})
    for name, value in properties.items():
        ET.SubElement(made, "prop", k=name, v=value)
    return made


def _inner(kind: str, layers: list[ET.Element]) -> ET.Element:
    made = ET.Element("symbol", name="@inner", type=kind, alpha="1", clip_to_extent="1")
    made.extend(layers)
    return made


def _simple_line(stroke: Stroke) -> ET.Element:
    dashes = {
        "use_custom_dash": "1",
        "customdash": ";".join(map(_mm, stroke.dash)),
        "customdash_unit": "MM",
    }
    return _drawn(
        "SimpleLine",
        stroke.level,
        line_color=_rgb(stroke.colour),
        line_width=_mm(stroke.width),
        line_width_unit="MM",
        line_style="solid",
        joinstyle="round",
        capstyle="flat" if stroke.dash else "round",
        **(dashes if stroke.dash else {}),
    )


def _simple_mark(mark: Mark, level: int) -> ET.Element:
    size = {"size": _mm(mark.size), "size_unit": "MM"}
    if mark.shape == "?":
        return _drawn(
            "FontMarker", level, chr="?", font="Sans Serif", color=_rgb(mark.fill), **size
        )
    return _drawn(
        "SimpleMarker",
        level,
        name="cross2" if mark.shape == "x" else mark.shape,
        color=_rgb(mark.fill),
        outline_color=_rgb(mark.edge),
        outline_style="no" if mark.edge is None else "solid",
        outline_width=_mm(mark.width),
        outline_width_unit="MM",
        joinstyle="miter",
        **size,
    )


def _rgb(name: str | None) -> str:
    if name is None:
        return "0,0,0,0"
    colour = LIGHT[name]
    return ",".join(str(int(colour[at : at + 2], 16)) for at in (1, 3, 5)) + ",255"


def _mm(pixels: float) -> str:
    return f"{pixels * PIXEL_MM:.4g}"
