"""The report's map: folium makes the map, scripts of our own draw the plant on it.

No text of a layer passes through folium, which reads all that it renders a second time as a
template. Geometry, ids and names go into one JSON block of the page, which the scripts
read; they draw on a canvas and set text as text. Coordinates
are whole millionths of a degree (0.11 m), each as the step from the one before, so
that 100,000 segments stay a file of reasonable size.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

import numpy as np
from shapely.geometry import shape

from waysapart.gaps import GAP_CODES
from waysapart.report.escape import map_text, visible, visible_all
from waysapart.report.geometry import Facts, Geo
from waysapart.report.lookup import columns, lookup_data
from waysapart.report.marks import id_runs
from waysapart.report.standalone_html import MapParts, map_parts

Features = Sequence[Mapping[str, Any]]

MAP_ID = "plan"
_DEGREE = 1_000_000
_HOST = re.compile(r"[A-Za-z0-9.{}-]+(:\d+)?")
_WORLD = (-180.0, -85.0, 180.0, 85.0)
_SLACK_DEG = 0.01
_PLAN = """
{% macro html(this, kwargs) %}
<p class="unseen" id="map-label">{{ this.label }}</p>
{% endmacro %}
{% macro script(this, kwargs) %}
{{ this._parent.get_name() }}.fitBounds({{ this.opening|tojson }}, { padding: [24, 24] });
{% endmacro %}
"""
"""What the report adds to folium's map: its label, and the frame that it opens with."""


@dataclass(frozen=True, slots=True)
class Tiles:
    """A background map, which the page fetches from elsewhere when it is opened.

    Attributes
    ----------
    url : str
        Address of a tile with `{z}`, `{x}`, `{y}` and, where the server asks
        for it, `{s}`.
    attribution : str
        What the map's licence wants said.
    max_zoom : int
    """

    url: str
    attribution: str = ""
    max_zoom: int = 19

    def __post_init__(self) -> None:
        parts = urlsplit(self.url)
        placeholders = all(part in self.url for part in ("{z}", "{x}", "{y}"))
        if parts.scheme not in ("http", "https") or not _HOST.fullmatch(parts.netloc):
            raise ValueError(f"a tile address starts with https:// and a host, not {self.url!r}")
        if not placeholders:
            raise ValueError(f"a tile address holds {{z}}, {{x}} and {{y}}, unlike {self.url!r}")

    @property
    def origin(self) -> str:
        """What a Content-Security-Policy calls the place that the tiles come from."""
        parts = urlsplit(self.url)
        host = parts.netloc.replace("{s}", "*")
        if "{" in host or ("*" in host and not host.startswith("*.")):
            raise ValueError(f"{{s}} must be the first part of the host, unlike {self.url!r}")
        return f"{parts.scheme}://{host}"


def folium_map(geo: Geo, label: str) -> MapParts:
    """The map, set to show all plant, as parts for a page of ours.

    folium makes the map and its controls; an element of ours names the map and sets what it
    shows. Of folium's libraries the page needs Leaflet only.

    Parameters
    ----------
    geo : mapping of str to GeoJSON FeatureCollection
        `plant`, `points`, `paths`, `hazards`; longitude and latitude, WGS 84.
    label : str
        What the map shows, for people who do not see it.

    Returns
    -------
    MapParts
    """
    import folium
    from branca.element import MacroElement
    from folium.template import Template

    west, south, east, north = opening(geo)
    fmap = folium.Map(
        location=[(south + north) / 2, (west + east) / 2],
        tiles=None,
        zoom_control=True,
        control_scale=True,
        prefer_canvas=True,
        attributionControl=False,
        zoomAnimation=False,
        zoomSnap=0.25,
        zoomDelta=0.5,
        maxZoom=22,
        minZoom=2,
    )
    fmap.default_js = [one for one in fmap.default_js if one[0] == "leaflet"]
    fmap.default_css = [one for one in fmap.default_css if one[0] == "leaflet_css"]
    # folium draws a random id; a report of the same study should be the same file.
    fmap._id = MAP_ID
    plan: Any = MacroElement()
    plan._template = Template(_PLAN)
    plan.label = map_text(label)
    plan.opening = [[south, west], [north, east]]
    plan.add_to(fmap)
    return map_parts(fmap)


def frame(geo: Geo) -> tuple[float, float, float, float]:
    """West, south, east and north of all that the map shows, in degrees.

    Parameters
    ----------
    geo : mapping
        What the map draws.

    Returns
    -------
    tuple of four float
        The whole world if it shows nothing.

    Raises
    ------
    ValueError
        A coordinate is not finite.
    """
    points = [point[:2] for chain in _all_chains(geo) for point in chain]
    if not points:
        return _WORLD
    corners = np.asarray(points, dtype=float)
    if not np.isfinite(corners).all():
        raise ValueError("a coordinate on the map is not a finite number")
    west, south = corners.min(axis=0)
    east, north = corners.max(axis=0)
    return float(west), float(south), float(east), float(north)


def opening(geo: Geo) -> tuple[float, float, float, float]:
    """What the map shows when it is opened: `opening` of the geometry, else its frame."""
    west, south, east, north = geo.get("opening") or frame(geo)
    return west, south, east, north


def on_map(at: Sequence[float], west: float) -> list[float]:
    """A place as the map draws it: its longitude runs on from the map's western edge.

    Parameters
    ----------
    at : sequence of float
        Longitude and latitude, degrees.
    west : float
        The western edge of the map's frame.

    Returns
    -------
    list of float
        Rounded to 0.1 m.
    """
    lon = float(at[0])
    turns = math.ceil((west - _SLACK_DEG - lon) / 360.0)
    return [round(lon + 360.0 * turns, 6), round(float(at[1]), 6)]


def has_places(geo: Geo) -> bool:
    """Whether there is anything to draw on a map.

    Parameters
    ----------
    geo : mapping
        What the map draws.

    Returns
    -------
    bool
    """
    return any(True for _ in _all_chains(geo))


def _all_chains(geo: Geo) -> Iterable[Sequence[Sequence[float]]]:
    return (
        chain
        for role in ("plant", "points", "paths", "hazards")
        for feature in _features(geo, role)
        if feature.get("geometry")
        for chain in _chains(feature["geometry"])
    )


def map_data(facts: Facts, geo: Geo, tiles: Tiles | None = None) -> dict[str, Any]:
    """What the map's script draws, as JSON-ready data.

    Parameters
    ----------
    facts : mapping
        As `prove --json` gives them.
    geo : mapping of str to GeoJSON FeatureCollection
        As for `render_report`; `backdrops` as `waysapart.report.geometry.backdrop_features` gives
        them.
        A page of a what-if adds `mark` (a style of `marked.js`) to features, `when`
        (before, after, left, or a proposal) to paths and `opening` (west, south, east, north);
        to the facts `told`: the term, the text of each asset, and the text of others; `labels`:
        ids to be written beside places; and `reroute`, what `reroute.js` draws.
    tiles : Tiles, optional

    Returns
    -------
    dict
        Every text in it is visible text (see `waysapart.report.escape.visible`).
    """
    plant = [f for f in _features(geo, "plant") if f.get("geometry")]
    points = [f for f in _features(geo, "points") if f.get("geometry")]
    hazards = [f for f in _features(geo, "hazards") if f.get("geometry")]
    place = {str(f["properties"]["id"]): i for i, f in enumerate(plant)}
    circuits = list(facts.get("circuits", []))
    number = {str(c["id"]): i for i, c in enumerate(circuits)}
    west = frame(geo)[0]
    data: dict[str, Any] = {
        "frame": list(opening(geo)),
        "plant": {**_properties(plant), **_lines([f["geometry"] for f in plant])},
        "points": {**_properties(points), **_places([f["geometry"] for f in points])},
        "hazards": {
            **_properties(hazards),
            **_lines([f["geometry"] for f in hazards]),
            "shape": [_shape_of(f["geometry"]["type"]) for f in hazards],
        },
        "circuits": [
            {
                "id": visible(str(c["id"])),
                "name": visible(str(c.get("name") or "")),
                "verdict": c["verdict"],
                "shared": _shared(c.get("shared", [])),
                "paths": [],
            }
            for c in circuits
        ],
        "marks": _marks(circuits, place, west),
        "close": _close(facts, number, west),
        "worst": [
            {
                "at": on_map(one["at"], west),
                "radius_m": one["radius_m"],
                "lost": [number[c] for c in one["circuits_lost"] if c in number],
            }
            for one in facts.get("worst", [])
        ],
        "groups": [
            {"id": visible(str(g["id"])), "shared": _shared(g.get("shared", []))}
            for g in facts.get("groups", [])
            if g.get("shared")
        ],
        "gaps": _gaps(facts.get("gaps", [])),
        "backdrops": _backdrops(geo),
        "moved_m": (facts.get("outside") or {}).get("grid_m"),
        "grid": facts.get("grid"),
        "told": visible_all(facts["told"]) if facts.get("told") else None,
        "labels": [
            {"id": visible(str(one["id"])), "at": on_map(one["at"], west)}
            for one in facts.get("labels", [])
        ],
        **({"reroute": visible_all(facts["reroute"])} if facts.get("reroute") else {}),
    }
    ids = {key: data[key]["id"] for key in ("points", "plant", "hazards")}
    data |= lookup_data(facts, place, ids)
    for feature in _features(geo, "paths"):
        properties = feature["properties"]
        circuit = number.get(str(properties["circuit"]))
        if circuit is None:
            continue
        named = [place[str(s)] for s in properties.get("segments", []) if str(s) in place]
        drawn = [feature["geometry"]] if feature.get("geometry") else []
        data["circuits"][circuit]["paths"].append(
            {
                "path": visible(str(properties["path"])),
                "segments": in_runs(named),
                **({"when": properties["when"]} if "when" in properties else {}),
                **_lines(drawn),
            }
        )
    if tiles is not None:
        data["tiles"] = {
            "url": tiles.url,
            "attribution": visible(tiles.attribution),
            "max_zoom": tiles.max_zoom,
        }
    return data


def _shared(entries: Sequence[Mapping[str, Any]]) -> list[list[Any]]:
    """Runs of shared assets: first id, last id, how many, and 1 where they are waived.

    Those of one role stand together: spans and the towers between them make two runs.
    """
    alike: dict[tuple[bool, str], list[str]] = {}
    for one in entries:
        key = bool(one["waived"]), str(one.get("role"))
        alike.setdefault(key, []).append(visible(str(one["asset"])))
    return [[*run, int(waived)] for (waived, _), ids in alike.items() for run in id_runs(ids)]


def _features(geo: Geo, role: str) -> Features:
    collection = geo.get(role) or {}
    features: Features = collection.get("features", [])
    return features


def _properties(features: Features) -> dict[str, Any]:
    rows = [feature["properties"] for feature in features]
    marks = [str(row.get("mark") or "") for row in rows]
    return {**columns(rows), **({"mark": marks} if any(marks) else {})}


def _lines(geometries: Sequence[Mapping[str, Any]]) -> dict[str, list[int]]:
    """All lines and outlines end to end: whose part each is, its number of points, the points."""
    owners: list[int] = []
    counts: list[int] = []
    chains: list[Any] = []
    for owner, geometry in enumerate(geometries):
        for chain in _chains(geometry):
            owners.append(owner)
            counts.append(len(chain))
            chains.extend(point[:2] for point in chain)
    return {"of": owners, "n": counts, "xy": _steps(chains)}


def _chains(geometry: Mapping[str, Any]) -> Iterable[Sequence[Sequence[float]]]:
    kind, coordinates = geometry["type"], geometry["coordinates"]
    if kind == "Point":
        return [[coordinates]]
    if kind == "MultiPoint":
        return [[point] for point in coordinates]
    if kind == "LineString":
        return [coordinates]
    if kind in ("MultiLineString", "Polygon"):
        return list(coordinates)
    if kind == "MultiPolygon":
        return [ring for polygon in coordinates for ring in polygon]
    raise ValueError(f"the map draws points, lines and polygons, not {kind}")


def _places(geometries: Sequence[Mapping[str, Any]]) -> dict[str, list[int]]:
    """One point for each: a polygon is drawn at a point inside it."""
    where = []
    for geometry in geometries:
        if geometry["type"] == "Point":
            where.append(geometry["coordinates"][:2])
        else:
            inside = shape(dict(geometry)).representative_point()
            where.append((inside.x, inside.y))
    return {"xy": _steps(where)}


def in_runs(numbers: Sequence[int]) -> list[int]:
    """Whole numbers as runs: the first and how many follow upwards, below nought downwards.

    Parameters
    ----------
    numbers : sequence of int

    Returns
    -------
    list of int
    """
    made: list[int] = []
    step, last = 0, None
    for number in numbers:
        if last is not None and number - last in (1, -1) and step in (0, number - last):
            step = number - last
            made[-1] += step
        else:
            made += [number, 0]
            step = 0
        last = number
    return made


def _steps(points: Sequence[Sequence[float]]) -> list[int]:
    if not points:
        return []
    whole = np.rint(np.asarray(points, dtype=float) * _DEGREE).astype(np.int64)
    steps: list[int] = np.diff(whole, axis=0, prepend=[[0, 0]]).ravel().tolist()
    return steps


def _shape_of(kind: str) -> str:
    return {"Point": "point", "LineString": "line", "MultiLineString": "line"}.get(kind, "area")


_MOST_PAIRS = 20_000
"""Pairs of near segments that a page holds; beyond them only the closest of each stretch."""


def _marks(
    circuits: Sequence[Facts], place: Mapping[str, int], west: float
) -> list[dict[str, Any]]:
    """Near stretches and crossings that have a position.

    `pairs` of a near stretch are its pairs of segments but for the closest: places of both among
    the plant that is drawn, and their distance in centimetres. `whole` is false where there are
    too many for the page.
    """
    found = []
    left = _MOST_PAIRS
    for number, circuit in enumerate(circuits):
        for what in ("near", "cross"):
            for one in circuit.get(what, []):
                if one.get("at") is None:
                    continue
                mark = {
                    "circuit": number,
                    "what": what,
                    "main": one.get("main"),
                    "alternate": one.get("alternate"),
                    "at": on_map(one["at"], west),
                    "distance_m": one.get("distance_m"),
                    "length_m": one.get("length_m"),
                    "waived": bool(one.get("waived")),
                }
                pairs = _pairs(one, place)
                left -= len(pairs) // 3
                if pairs:
                    mark |= {"pairs": pairs if left >= 0 else [], "whole": left >= 0}
                found.append(visible_all(mark))
    return found


def _pairs(near: Facts, place: Mapping[str, int]) -> list[int]:
    closest = str(near.get("main")), str(near.get("alternate"))
    pairs: list[int] = []
    for pair in near.get("members", []):
        names = str(pair["main"]), str(pair["alternate"])
        distance_m = pair.get("distance_m", near.get("distance_m"))
        if names != closest and names[0] in place and names[1] in place and distance_m is not None:
            pairs += [place[names[0]], place[names[1]], round(100 * distance_m)]
    return pairs


_MOST_MESSAGES = 1_000
"""Record gaps of which the map tells each message; with more, what gaps of their kind mean."""


def _gaps(gaps: Sequence[Facts]) -> list[list[Any]]:
    """Record gaps that have an asset: what they say, what they bear on, and runs of ids."""
    said: dict[tuple[str, str], list[str]] = {}
    each = len(gaps) <= _MOST_MESSAGES
    for gap in gaps:
        ids = [str(one) for one in gap.get("assets") or [gap.get("asset")] if one]
        known = GAP_CODES.get(str(gap.get("code")))
        general = known is not None and (len(ids) > 1 or not each)
        text = known.means if known is not None and general else str(gap.get("message", ""))
        if ids and text:
            key = visible(text), str(gap.get("bears_on") or "")
            said.setdefault(key, []).extend(map(visible, ids))
    return [[text, bears_on, id_runs(ids)] for (text, bears_on), ids in said.items()]


def backdrop_layers(geo: Geo) -> list[str]:
    """Names of the layers without a role that the map draws, each once.

    Parameters
    ----------
    geo : mapping

    Returns
    -------
    list of str
    """
    return list(dict.fromkeys(f["properties"]["layer"] for f in _features(geo, "backdrops")))


def backdrop_detail(geo: Geo) -> dict[str, float]:
    """How far a line of a backdrop may be drawn from where it lies, and how many parts are not.

    Parameters
    ----------
    geo : mapping

    Returns
    -------
    dict
        `detail_m` and `left_out`.
    """
    collection = geo.get("backdrops") or {}
    return {key: collection.get(key, 0) for key in ("detail_m", "left_out")}


def _backdrops(geo: Geo) -> dict[str, Any]:
    """Layers without a role: of each shape in each the layer's place, the shape, and its parts."""
    features = _features(geo, "backdrops")
    collection = geo.get("backdrops") or {}
    names = {name: place for place, name in enumerate(backdrop_layers(geo))}
    return {
        "layers": [visible(name) for name in names],
        "layer": [names[f["properties"]["layer"]] for f in features],
        "shape": [f["properties"]["shape"] for f in features],
        "box": collection.get("box"),
        **_lines([f["geometry"] for f in features]),
    }


def _close(facts: Facts, number: Mapping[str, int], west: float) -> list[dict[str, Any]]:
    """Courses of near stretches on both paths, by circuit."""
    strips = (facts.get("strips") or {}).get("circuit", {})
    return [
        {"circuit": number[name], **_lines([{"type": "MultiLineString", "coordinates": lines}])}
        for name, strip in strips.items()
        if name in number
        if (
            lines := [
                [on_map(at, west) for at in line]
                for near in strip["near"]
                for line in near["lines"]
            ]
        )
    ]
