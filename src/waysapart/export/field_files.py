"""Works as files for the field: places for a GIS or a handheld receiver, and calendar entries.

`write_field_files` writes them; the suffix of each name says which kind it is.

GPX and KML are made as trees of elements and not through GDAL, whose driver of GPX cannot put
waypoints and tracks into one file. Every text goes through `_clean` first: what cannot be seen is
written out, since XML and calendars forbid most of it.

References
----------
GPX 1.1 schema (topografix.com/GPX/1/1, 2004); OGC 07-147r2, KML 2.2 (2008); OGC 12-128, GeoPackage
Encoding Standard; RFC 5545, Internet Calendaring and Scheduling (iCalendar).
"""

from __future__ import annotations

import hashlib
import html
import xml.etree.ElementTree as ET
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
import shapely
from shapely import affinity

from waysapart.errors import CallError
from waysapart.output_files import (
    Kind,
    OutputFile,
    is_stream,
    refuse_unsafe,
    replacing,
    write_layer,
    write_text,
)
from waysapart.schema import LIST_SEPARATOR, VERSION
from waysapart.study.crs import LON_LAT
from waysapart.text import one_line, sentence_list
from waysapart.whatif.base import Base
from waysapart.whatif.crew import (
    Contacts,
    Party,
    Site,
    grown,
    sites_of,
    told_circuits,
)
from waysapart.whatif.dig import CAUTIONS, Dig, DigFacts
from waysapart.whatif.outage_state import LOST
from waysapart.whatif.places import WorkPlace, asset_shapes, nearest_point
from waysapart.whatif.plan import WorksFacts, WorksPlan
from waysapart.whatif.plan_table import DAY, Work


class Format(NamedTuple):
    """A kind of field file: what it is called, what `written_by_us` knows it by."""

    name: str
    kind: Kind
    what: str


FORMATS: Mapping[str, Format] = {
    ".gpkg": Format("GeoPackage", "works", "areas, plant hit and lost with it, places, for a GIS"),
    ".gpx": Format("GPX", "gpx", "waypoints and tracks for a handheld receiver"),
    ".kml": Format("KML", "kml", "the same for a map viewer"),
    ".ics": Format("calendar", "ics", "the works of a plan and what they must not overlap with"),
}
"""Field files by suffix."""
PAGE_SUFFIXES = (".html", ".htm")
"""Suffixes of the notice itself, which `write_notice` writes."""


def write_field_files(
    works: Dig | WorksPlan,
    *paths: str | Path,
    pages: Sequence[tuple[Path, Callable[[], str]]] = (),
    force: bool = False,
) -> list[Path]:
    """Write works as files for the field, each in the format that its suffix names.

    Parameters
    ----------
    works : Dig or WorksPlan
        From `dig`, `outage` or `plan_works`.
    *paths : path
        Each ends in `.gpkg` (layers of the areas, of the plant hit and lost
        with it, and of places), `.gpx` (GPX 1.1), `.kml` (KML 2.2) or `.ics`
        (iCalendar). Positions are longitude and latitude, WGS 84.
    pages : sequence of (Path, callable)
        Pages of HTML to be written together with these files, and what makes each.
    force : bool
        Whether files that waysapart did not write may be replaced.

    Returns
    -------
    list of Path
        In the order given, pages last. All of them are written, or none.

    Raises
    ------
    CallError
        No file, another suffix, a calendar of works without days; or a path is
        an input, is given twice, or holds what waysapart did not write.
    WriteError
        A file cannot be written; then none is changed.

    Examples
    --------
    >>> import waysapart as wa
    >>> proof = wa.prove(wa.read_study("examples/estuary"))
    >>> from tempfile import TemporaryDirectory
    >>> plan = wa.plan_works(proof, "examples/works/works.geojson")
    >>> with TemporaryDirectory() as folder:
    ...     for file in wa.write_field_files(plan, f"{folder}/week.gpx", f"{folder}/week.ics"):
    ...         print(file.name)
    week.gpx
    week.ics
    """
    targets = [Path(one) for one in paths]
    check_suffixes(targets, planned=isinstance(works, WorksPlan))
    files = [OutputFile(one, FORMATS[_suffix(one)].kind) for one in targets]
    files += [OutputFile(one, "html") for one, _ in pages]
    if not files:
        raise CallError(f"no file named: give one that ends in {_known()}")
    inputs = works.base.study.files
    refuse_unsafe(files, inputs, force=force)
    told = _Told.of(works) if targets else None
    streams = [one for one in files if is_stream(one.path)]
    regular = [one for one in files if one not in streams]
    made = {} if told is None else {one: _text(told, one) for one in targets if _is_text(one)}
    made |= {one: page() for one, page in pages}
    if regular:
        with replacing(regular, inputs, force=force) as change:
            for one in regular:
                place = change.place(one.path)
                if one.path in made:
                    place.write_bytes(made[one.path].encode())
                elif told is not None:
                    _write_package(told, place)
    for one in streams:
        write_text(one, made[one.path], inputs, force=force)
    return [one.path for one in files]


def works_target(path: Path) -> OutputFile | None:
    """What a file of works is, by its suffix; None for a suffix that is not known.

    Parameters
    ----------
    path : Path

    Returns
    -------
    OutputFile or None
    """
    if _suffix(path) in PAGE_SUFFIXES:
        return OutputFile(path, "html")
    known = FORMATS.get(_suffix(path))
    return None if known is None else OutputFile(path, known.kind)


def check_suffixes(paths: Iterable[Path], *, planned: bool, pages: bool = False) -> None:
    """Refuse names of files of a kind that is not known, all of them in one message.

    Parameters
    ----------
    paths : iterable of Path
    planned : bool
        Whether the works have days, which a calendar needs.
    pages : bool
        Whether a page of HTML is let be.

    Raises
    ------
    CallError
    """
    faults = []
    for one in paths:
        suffix = _suffix(one)
        if pages and suffix in PAGE_SUFFIXES:
            continue
        if suffix in PAGE_SUFFIXES:
            faults.append(f"{one}: the notice as HTML is written by write_notice")
        elif suffix not in FORMATS:
            known = (".html, " if pages else "") + _known()
            faults.append(
                f"{one}: give it a name that ends in {known}; the end says what is written"
            )
        elif suffix == ".ics" and not planned:
            faults.append(
                f"{one}: a calendar needs days, and these works have none: put them into a table "
                "with from and to, and give it with --plan (in Python plan_works)"
            )
    if faults:
        raise CallError("\n".join(faults))


def _suffix(path: Path) -> str:
    return path.suffix.casefold()


def _known() -> str:
    return sentence_list([*FORMATS], last="or")


def _is_text(path: Path) -> bool:
    return _suffix(path) != ".gpkg"


# --- What all of the formats tell.

LAYERS: Mapping[str, tuple[str, Mapping[str, str]]] = {
    "works_areas": (
        "one feature of a work with its reach, as an outline",
        {
            "work": "id of the work in the plan; blank for works by themselves",
            "feature": "number of the feature, from 1",
            "name": "what is done",
            "place": "where it is, in words: as the plan says, else from what stands near",
            "begins": "first day, or when it begins",
            "ends": "last day, or when it ends",
            "contractor": "who does the work",
            "contact": "whom to call",
            "phone": "number to call",
            "reach_m": "how far it reaches beyond what is drawn, m; included in the outline",
            "lost": "circuits that it alone puts out of service",
            "one_path": "circuits that it leaves with one path",
            "weakened": "circuits kept up by another supply than the one that is out",
            "unknown": "circuits that record gaps leave open",
            "tell": "circuits whose owners are told before work starts",
            "not_with": "works that it must not overlap with",
        },
    ),
    "works_hit": (
        "one asset that a work hits",
        {
            "work": "id of the work",
            "asset": "id of the asset",
            "role": "its role",
            "kind": "its kind",
            "name": "its name",
            "distance_m": "how far its record lies from what is drawn, m; blank: named by id",
            "surveyed_to_m": "how well it is surveyed, m",
            "cables": "cables that are cut there",
            "owner": "its owner, where its layer has such a column",
            "contact": "whom to call about it, where its layer has such a column",
        },
    ),
    "works_fallen": (
        "one asset that is lost with what a work hits",
        {
            "work": "id of the work",
            "asset": "id of the asset",
            "role": "its role",
            "kind": "its kind",
            "name": "its name",
            "through": "what it is lost through",
            "owner": "its owner",
            "contact": "whom to call about it",
        },
    ),
    "works_places": (
        "one point of a work: the middle, ends, bends and corners",
        {
            "work": "id of the work",
            "of": "number of the feature, or the id of the asset that is named",
            "what": "middle, start, bend, end, corner",
            "words": "where the middle is, in words",
            "longitude": "degrees, WGS 84",
            "latitude": "degrees, WGS 84",
            "east_m": "in the grid that the study shows; blank where it shows none",
            "north_m": "in the same grid",
        },
    ),
}
"""Layers of the GeoPackage: what one row is, and its fields."""

_PLANT_LAYERS = ("works_hit", "works_fallen")


class _Row(NamedTuple):
    """One row of a layer: whose work it is of, its fields, and its geometry in the plane."""

    site: Site
    fields: dict[str, Any]
    shape: Any


@dataclass(frozen=True)
class _Told:
    """Works with their facts, worked out once for all the files."""

    works: Dig | WorksPlan
    sites: list[Site]
    facts: list[DigFacts]
    plan: WorksFacts | None
    contacts: Contacts

    @classmethod
    def of(cls, works: Dig | WorksPlan) -> _Told:
        sites = sites_of(works)
        return cls(
            works,
            sites,
            [site.facts for site in sites],
            works.facts() if isinstance(works, WorksPlan) else None,
            Contacts(works.base),
        )

    @property
    def base(self) -> Base:
        return self.works.base

    def pairs(self) -> Iterator[tuple[Site, DigFacts]]:
        yield from zip(self.sites, self.facts, strict=True)

    def exclusions(self, work: str) -> list[tuple[list[str], list[str]]]:
        """Works that one must not overlap with, together, and what is lost if they do."""
        clashes = [] if self.plan is None else self.plan["clashes"]
        return [
            ([one for one in clash["works"] if one != work], clash["lost"])
            for clash in clashes
            if work in clash["works"]
        ]

    def rows(self, layer: str) -> list[_Row]:
        """Rows of a layer, with their fields in order."""
        rows: Mapping[str, Callable[[], Iterator[_Row]]] = {
            "works_areas": self._areas,
            "works_hit": self._hits,
            "works_fallen": self._fallen,
            "works_places": self._places,
        }
        return [
            one._replace(fields={field: _cleaned(one.fields[field]) for field in LAYERS[layer][1]})
            for one in rows[layer]()
        ]

    def _areas(self) -> Iterator[_Row]:
        for site, facts in self.pairs():
            places = site.places
            circuits = facts["circuits"]
            for number, shape in enumerate(grown(site), start=1):
                details = site.details
                yield _Row(
                    site,
                    {
                        "work": site.name,
                        "feature": number,
                        **details,
                        "place": details["place"] or places[number - 1]["words"],
                        "reach_m": site.reach_of(number - 1),
                        "lost": _ids(
                            one for one in circuits if one["touched"] and one["state"] == LOST
                        ),
                        "one_path": _ids(
                            one for one in circuits if one["touched"] and len(one["running"]) == 1
                        ),
                        "weakened": _ids(one for one in circuits if one["weakened"]),
                        "unknown": LIST_SEPARATOR.join(facts["unknown"]),
                        "tell": _ids(told_circuits(facts)),
                        "not_with": LIST_SEPARATOR.join(
                            " with ".join(others) for others, _ in self.exclusions(site.name)
                        ),
                    },
                    shape,
                )

    def _asset(self, site: Site, name: str) -> dict[str, Any]:
        row = self.base.network.assets.frame.iloc[self.base.network.assets.numbers([name])[0]]
        owner, contact = self.contacts.of_asset(name)
        table = self.base.study.tables[row["role"]]
        called = None
        if "name" in table:
            called = table["name"].to_numpy()[table["id"].to_numpy() == name][0]
        return {
            "work": site.name,
            "asset": name,
            "role": row["role"],
            "kind": row["kind"],
            "name": called,
            "owner": owner,
            "contact": contact,
        }

    def _shapes(self, names: Sequence[str]) -> list[Any]:
        return asset_shapes(self.base, self.base.network.assets.numbers(names).tolist())

    def _hits(self) -> Iterator[_Row]:
        for site, facts in self.pairs():
            cut: dict[str, list[str]] = {}
            for cable in facts["cables"]:
                for at in cable["at"]:
                    cut.setdefault(at, []).append(cable["cable"])
            shapes = self._shapes(facts["hit"])
            for hit, shape in zip(facts["hits"], shapes, strict=True):
                yield _Row(
                    site,
                    {
                        **self._asset(site, hit["asset"]),
                        "distance_m": hit["distance_m"],
                        "surveyed_to_m": hit["accuracy_m"],
                        "cables": LIST_SEPARATOR.join(cut.get(hit["asset"], [])),
                    },
                    shape,
                )

    def _fallen(self) -> Iterator[_Row]:
        for site, facts in self.pairs():
            shapes = self._shapes([one["asset"] for one in facts["fallen"]])
            for fallen, shape in zip(facts["fallen"], shapes, strict=True):
                yield _Row(
                    site,
                    {
                        **self._asset(site, fallen["asset"]),
                        "through": LIST_SEPARATOR.join(fallen["through"]),
                    },
                    shape,
                )

    def _places(self) -> Iterator[_Row]:
        for site in self.sites:
            for place in site.places:
                for spot in place["spots"]:
                    lon, lat = spot["degrees"]
                    east, north = spot["grid"] or (None, None)
                    point = shapely.points([[lon, lat]])
                    yield _Row(
                        site,
                        {
                            "work": site.name,
                            "of": place["of"],
                            "what": spot["what"],
                            "words": place["words"],
                            "longitude": lon,
                            "latitude": lat,
                            "east_m": east,
                            "north_m": north,
                        },
                        self.base.study.plane.flat(point)[0],
                    )

    def sums(self, site: Site, facts: DigFacts) -> list[tuple[str, str]]:
        """What people are told about one work: terms and texts, without those that are blank."""
        details = site.details
        places = [place["words"] for place in site.places]
        circuits = facts["circuits"]
        days = " to ".join(filter(None, dict.fromkeys([details["begins"], details["ends"]])))
        lost = [one["id"] for one in circuits if one["touched"] and one["state"] == LOST]
        one_path = [one["id"] for one in circuits if one["touched"] and len(one["running"]) == 1]
        weakened = [one["id"] for one in circuits if one["weakened"]]
        terms = [
            ("Work", details["name"]),
            ("When", days),
            ("Where", "; ".join(filter(None, [details["place"], *places[:MOST_PLACES]]))),
            ("Contractor", details["contractor"]),
            ("Contact", details["contact"]),
            ("Phone", details["phone"]),
            *(
                (
                    "Must not overlap with",
                    f"{sentence_list(others)} (lost together: {', '.join(lost_)})",
                )
                for others, lost_ in self.exclusions(site.name)
            ),
            ("Lost", ", ".join(lost) or "no circuit"),
            ("Left with one path", ", ".join(one_path)),
            ("Weakened", ", ".join(weakened)),
            ("Unknown (a record gap leaves it open)", ", ".join(facts["unknown"])),
            ("Hit", ", ".join(facts["hit"]) or "nothing on record"),
            *(
                ("Tell", _party(one))
                for one in self.contacts.parties(facts, [site])
                if one["circuits"] or one["plant"] or one["sites"]
            ),
            ("Caution", CAUTIONS[0]),
            ("Caution", CAUTIONS[1]),
        ]
        return [(term, one_line(text)) for term, text in terms if text]


MOST_PLACES = 3
"""So many places of one work are told in a description; all of them are places of their own."""


def _party(party: Party) -> str:
    who = ", ".join(filter(None, [party["owner"], party["contact"]])) or "owner not on record"
    what = [f"{', '.join(ids)} ({_state(state)})" for state, ids in party["circuits"].items()]
    what += [", ".join(party[key]) for key in ("plant", "sites") if party[key]]
    return f"{who}: {'; '.join(what)}"


def _state(state: str) -> str:
    return f"in service on {state[3:]}" if state.startswith("on-") else state


def _ids(circuits: Iterable[Mapping[str, Any]]) -> str:
    return LIST_SEPARATOR.join(str(one["id"]) for one in circuits)


def _cleaned(value: Any) -> Any:
    if isinstance(value, str):
        return one_line(value)
    return None if value is None or bool(pd.isna(value)) else value


def _degrees(base: Base, shapes: Sequence[Any]) -> list[Any]:
    """Geometries of the plane in longitude and latitude, parted at the antimeridian."""
    study = base.study
    values = np.empty(len(shapes), dtype=object)
    values[:] = list(shapes)
    there = ~shapely.is_missing(values)
    found = values.copy()
    found[there] = study.plane.run_on(study.plane.shapes_in_degrees(values[there]))
    return [_parted(one) for one in found]


def _parted(shape: Any) -> Any:
    """A geometry whose longitudes may run on, in parts that lie between -180 and 180 degrees."""
    if shape is None:
        return None
    west, _, east, _ = shape.bounds
    if west >= -180.0 and east <= 180.0:
        return shape
    dimensions = int(shapely.get_dimensions(shape))
    parts: list[Any] = []
    for turn in (-360.0, 0.0, 360.0):
        part = shape.intersection(shapely.box(turn - 180.0, -90.0, turn + 180.0, 90.0))
        back = affinity.translate(part, -turn)
        parts += [
            one
            for one in shapely.get_parts(back)
            if not one.is_empty and shapely.get_dimensions(one) == dimensions
        ]
    if len(parts) == 1 or dimensions == 0:
        return parts[0]
    return (shapely.MultiLineString if dimensions == 1 else shapely.MultiPolygon)(parts)


# --- GeoPackage.


def _write_package(told: _Told, place: Path) -> None:
    import geopandas as gpd

    for number, (layer, (_, fields)) in enumerate(LAYERS.items()):
        rows = told.rows(layer)
        shapes = _degrees(told.base, [one.shape for one in rows])
        frame = gpd.GeoDataFrame(
            pd.DataFrame([one.fields for one in rows], columns=list(fields)),
            geometry=gpd.GeoSeries(shapes, crs=LON_LAT),
            crs=LON_LAT,
        )
        for field in fields:
            if field in _NUMBERS:
                frame[field] = frame[field].astype(np.float64)
            elif field != "feature":
                frame[field] = frame[field].astype("string")
        more = {"geometry_type": "Unknown"} if frame.geometry.isna().all() else {}
        write_layer(
            frame,
            place,
            layer=layer,
            driver="GPKG",
            append=number > 0,
            layer_options={"FID": "_fid", "GEOMETRY_NAME": "geom"},
            **more,
        )


_NUMBERS = frozenset(
    {"reach_m", "distance_m", "surveyed_to_m", "longitude", "latitude", "east_m", "north_m"}
)


# --- GPX and KML.

_GPX = "http://www.topografix.com/GPX/1/1"
_KML = "http://www.opengis.net/kml/2.2"


def _text(told: _Told, path: Path) -> str:
    made: Mapping[str, Callable[[_Told], str]] = {".gpx": _gpx, ".kml": _kml, ".ics": _ics}
    return made[_suffix(path)](told)


def _title(told: _Told) -> str:
    return one_line(f"Works notice: {told.base.study.name}")


def _now() -> datetime:
    return datetime.now(UTC).replace(microsecond=0)


def _add(parent: ET.Element, tag: str, text: object = None, **attributes: str) -> ET.Element:
    made = ET.SubElement(parent, tag, attributes)
    if text is not None:
        made.text = str(text)
    return made


def _xml(root: ET.Element, remark: str = "") -> str:
    ET.indent(root)
    body = ET.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{remark}{body}\n'


def _middles(told: _Told) -> Iterator[tuple[Site, DigFacts, WorkPlace, list[float]]]:
    for site, facts in told.pairs():
        for place in site.places:
            yield site, facts, place, place["spots"][0]["degrees"]


def _called(site: Site, of: str, many: bool) -> str:
    """Name of a place of works: the id of the work, and of several features which of them."""
    name = site.name or "works"
    return one_line(f"{name} {of}" if many else name)


def _said(terms: Iterable[tuple[str, str]]) -> str:
    return "\n".join(f"{term}: {text}" for term, text in terms)


def _gpx(told: _Told) -> str:
    root = ET.Element("gpx", {"version": "1.1", "creator": f"waysapart {VERSION}", "xmlns": _GPX})
    about = _add(root, "metadata")
    _add(about, "name", _title(told))
    _add(about, "desc", CAUTIONS[0])
    _add(about, "time", _now().strftime("%Y-%m-%dT%H:%M:%SZ"))
    for site, facts, place, (lon, lat) in _middles(told):
        many = len(site.places) > 1
        _waypoint(
            root,
            (lon, lat),
            _called(site, place["of"], many),
            one_line(place["words"]),
            _said(told.sums(site, facts)),
            "works",
        )
    hit = told.rows("works_hit")
    points = _degrees(
        told.base,
        [None if one.shape is None else nearest_point(one.shape, one.site.area) for one in hit],
    )
    for one, point in zip(hit, points, strict=True):
        if point is not None:
            said = _plant(one.fields)
            _waypoint(root, (point.x, point.y), one.fields["asset"], said, said, "hit")
    areas = told.rows("works_areas")
    for one, shape in zip(areas, _degrees(told.base, [one.shape for one in areas]), strict=True):
        name = f"{one.fields['work'] or 'works'} outline {one.fields['feature']}"
        _track(root, name, one.fields["place"], "works", shape)
    for one, shape in zip(hit, _degrees(told.base, [one.shape for one in hit]), strict=True):
        if shape is not None and shapely.get_dimensions(shape) == 1:
            _track(root, one.fields["asset"], _plant(one.fields), "hit", shape)
    return _xml(root)


def _plant(row: Mapping[str, Any]) -> str:
    """One hit asset in words."""
    parts = [
        f"{row['kind'] or row['role']} {row['asset']}",
        row["name"],
        f"hit by {row['work']}" if row["work"] else "hit",
        f"{row['distance_m']:.1f} m away on record" if row["distance_m"] is not None else None,
        f"surveyed to {row['surveyed_to_m']:g} m" if row["surveyed_to_m"] is not None else None,
        f"cables {row['cables'].replace(LIST_SEPARATOR, ', ')}" if row["cables"] else None,
        row["owner"],
        row["contact"],
    ]
    return "; ".join(str(one) for one in parts if one)


def _waypoint(
    root: ET.Element, at: tuple[float, float], name: str, cmt: str, desc: str, kind: str
) -> None:
    point = _add(root, "wpt", lat=_lat(at[1]), lon=_lon(at[0]))
    for tag, text in (("name", name), ("cmt", cmt), ("desc", desc), ("type", kind)):
        _add(point, tag, text)


def _track(root: ET.Element, name: str, desc: str, kind: str, shape: Any) -> None:
    track = _add(root, "trk")
    for tag, text in (("name", name), ("desc", desc), ("type", kind)):
        _add(track, tag, text)
    for chain in _chains(shape):
        stretch = _add(track, "trkseg")
        for lon, lat in chain:
            _add(stretch, "trkpt", lat=_lat(lat), lon=_lon(lon))


def _chains(shape: Any) -> Iterator[Any]:
    for part in shapely.get_parts(shape):
        rings = [part.exterior, *part.interiors] if part.geom_type == "Polygon" else [part]
        for ring in rings:
            yield shapely.get_coordinates(ring)


def _lat(value: float) -> str:
    return f"{value:.7f}"


def _lon(value: float) -> str:
    """The schema of GPX takes -180 and not 180."""
    return f"{-180.0 if value >= 179.99999995 else value:.7f}"


_STYLES = {
    "area": (
        ("LineStyle", {"color": "ff545d66", "width": "2"}),
        ("PolyStyle", {"color": "40545d66"}),
    ),
    "hit": (("LineStyle", {"color": "ff00d7ff", "width": "5"}),),
    "fallen": (("LineStyle", {"color": "ff545d66", "width": "3"}),),
    "place": (),
}
"""Colours of KML: opacity, blue, green, red."""
_FOLDERS = (
    ("works_areas", "area", "Works"),
    ("works_hit", "hit", "Hit"),
    ("works_fallen", "fallen", "Lost with what is hit"),
    ("works_places", "place", "Places"),
)


def _kml(told: _Told) -> str:
    root = ET.Element("kml", {"xmlns": _KML})
    document = _add(root, "Document")
    _add(document, "name", _title(told))
    _add(document, "description", html.escape(CAUTIONS[0]))
    for name, parts in _STYLES.items():
        look = _add(document, "Style", id=name)
        for tag, values in parts:
            made = _add(look, tag)
            for key, value in values.items():
                _add(made, key, value)
    said = {site.name: told.sums(site, facts) for site, facts in told.pairs()}
    for layer, style, title in _FOLDERS:
        folder = _add(document, "Folder")
        _add(folder, "name", title)
        rows = told.rows(layer)
        for one, shape in zip(rows, _degrees(told.base, [one.shape for one in rows]), strict=True):
            _placemark(folder, layer, style, one.fields, shape, said[one.site.name])
    return _xml(root, f"<!-- Written by waysapart {VERSION} -->\n")


def _placemark(
    folder: ET.Element,
    layer: str,
    style: str,
    row: Mapping[str, Any],
    shape: Any,
    said: list[tuple[str, str]],
) -> None:
    made = _add(folder, "Placemark")
    work = row["work"] or "works"
    if layer == "works_areas":
        name, told = f"{work} {row['feature']}", said
    elif layer == "works_places":
        name, told = f"{work} {row['of']} {row['what']}", [("Where", row["words"])]
    else:
        name = row["asset"]
        told = [(key, str(value)) for key, value in row.items() if value not in (None, "")]
    _add(made, "name", name)
    # a viewer shows a description as HTML
    _add(made, "description", "<br>".join(html.escape(f"{term}: {text}") for term, text in told))
    _add(made, "styleUrl", f"#{style}")
    data = _add(made, "ExtendedData")
    for key, value in row.items():
        if value not in (None, ""):
            _add(_add(data, "Data", name=key), "value", value)
    if shape is not None:
        _kml_shape(made, shape)


def _kml_shape(parent: ET.Element, shape: Any) -> None:
    parts = shapely.get_parts(shape)
    if len(parts) != 1:
        parent = _add(parent, "MultiGeometry")
    for part in parts:
        made = _add(parent, part.geom_type)
        if part.geom_type != "Polygon":
            _add(made, "coordinates", _coordinates(part))
            continue
        turned = shapely.geometry.polygon.orient(part)
        for tag, ring in (
            ("outerBoundaryIs", turned.exterior),
            *(("innerBoundaryIs", one) for one in turned.interiors),
        ):
            _add(_add(_add(made, tag), "LinearRing"), "coordinates", _coordinates(ring))


def _coordinates(shape: Any) -> str:
    return " ".join(f"{lon:.7f},{lat:.7f}" for lon, lat in shapely.get_coordinates(shape))


# --- Calendar.


def _ics(told: _Told) -> str:
    from icalendar import Calendar

    plan = told.works
    if not isinstance(plan, WorksPlan) or told.plan is None:
        raise CallError("a calendar needs a plan of works")
    calendar = Calendar()
    calendar.add("prodid", f"-//waysapart//waysapart {VERSION}//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    calendar.add("x-wr-calname", _title(told))
    for site, facts in told.pairs():
        if site.work is None:
            continue
        details = site.details
        places = site.places
        span = span_of([site.work])
        if span is None:
            continue
        calendar.add_component(
            _event(
                told,
                (site.name,),
                span,
                f"{site.name}: {details['name']}" if details["name"] else site.name,
                _said(told.sums(site, facts)),
                details["place"] or (places[0]["words"] if places else ""),
                places[0]["spots"][0]["degrees"] if places else None,
                "Works",
            )
        )
    for clash in plan.clashes.found:
        works = [plan.works[number] for number in clash.works]
        span = span_of(works)
        if span is None:
            continue
        names = [one.id for one in works]
        lost = ", ".join(plan.owner_ids(clash.lost))
        calendar.add_component(
            _event(
                told,
                tuple(names),
                span,
                f"Must not overlap: {sentence_list(names)}",
                f"Planned at the same time, these works together lose {lost}. Move one of them.",
                "",
                None,
                "Must not overlap",
            )
        )
    return str(calendar.to_ical().decode())


def _event(
    told: _Told,
    key: tuple[str, ...],
    span: tuple[date | datetime, date | datetime],
    summary: str,
    description: str,
    location: str,
    at: list[float] | None,
    category: str,
) -> Any:
    from icalendar import Event

    event = Event()
    name = "\0".join((told.base.study.name, category, *key))
    event.add(
        "uid", f"{hashlib.sha256(name.encode('utf-8', 'surrogatepass')).hexdigest()[:32]}@waysapart"
    )
    event.add("dtstamp", _now())
    event.add("dtstart", span[0])
    event.add("dtend", span[1])
    event.add("summary", one_line(summary))
    event.add("description", description)
    if location:
        event.add("location", one_line(location))
    if at is not None:
        event.add("geo", (at[1], at[0]))
    event.add("categories", [category])
    event.add("transp", "TRANSPARENT")
    return event


def span_of(works: Sequence[Work]) -> tuple[date | datetime, date | datetime] | None:
    """When all of some works run at once, up to and without the second; None: never, as planned.

    Days where they begin and end with a day, else local times without a zone, as a plan has them.
    """
    start, end = max(one.start for one in works), min(one.end for one in works)
    if start >= end:
        return None
    first, last = (datetime(1970, 1, 1) + timedelta(seconds=one) for one in (start, end))
    if start % DAY or end % DAY:
        return first, last
    return first.date(), last.date()
