"""The report: one HTML file that holds all it needs and asks the network for nothing."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import cache
from importlib.resources import files

import jinja2
from markupsafe import Markup

from waysapart import figures
from waysapart.colours import style_sheet
from waysapart.report import words
from waysapart.report.escape import css_string, json_for_script, packed, packed_html, visible
from waysapart.report.geometry import Facts, Geo
from waysapart.report.map import (
    Tiles,
    backdrop_detail,
    backdrop_layers,
    folium_map,
    has_places,
    map_data,
)
from waysapart.report.marks import id_runs
from waysapart.report.picture import map_picture
from waysapart.report.sign_off import digest_of
from waysapart.report.standalone_html import CSP_PLACE, MapParts, seal
from waysapart.report.stretches import kind_of
from waysapart.report.view import (
    ReportFacts,
    causes,
    digits,
    figures_range,
    page_view,
    plain,
    unit,
)
from waysapart.report.words import clash_said, numbers_said, over_limits, surveyed
from waysapart.text import counted, sentence_list

_SCRIPTS = ("data.js", "unpack.js", "lookup.js")
_MAP_SCRIPTS = (
    "data.js",
    "unpack.js",
    "lookup.js",
    "draw.js",
    "names.js",
    "pick.js",
    "plan.js",
    "measure.js",
)

_LAST = ("tables.js", "links.js", "print.js")


def render_report(
    facts: ReportFacts,
    geo: Geo,
    *,
    title: str,
    tiles: Tiles | None = None,
    pictures: Mapping[str, str] | None = None,
    evidence: Facts | None = None,
) -> str:
    """The whole report as HTML.

    Parameters
    ----------
    facts : ReportFacts
        As `prove --json` writes them, with what `report_facts` adds.
    geo : mapping of str to GeoJSON FeatureCollection
        Longitude and latitude on WGS 84, any of them absent. `plant`: lines
        with the properties id, role, kind, name. `points`: structures and
        sites, the same properties. `paths`: properties circuit and path, and
        either `segments`, a list of plant ids, or a geometry, or both.
        `hazards`: id, kind, name; geometries already grown by their reach.
    title : str
        Heading of the report.
    tiles : Tiles, optional
        Background map. With it, and only with it, the opened page asks one
        host for images.
    pictures : mapping of str to str, optional
        Separation profiles by circuit, from `profile_svg`; put in as they stand.
    evidence : mapping, optional
        What `prove --json` writes; the page carries it for `recheck`, packed and inert.

    Returns
    -------
    str
        HTML with a Content-Security-Policy that names its scripts and styles
        by SHA-256.

    Raises
    ------
    LookupError
        Where folium's map needs a file that is not packaged.
    ValueError
        Where a number in the facts or a coordinate is not finite.
    """
    return render_page(
        "report.html.j2",
        page_view(facts, pictures),
        facts,
        geo,
        title=title,
        label=f"Map of {facts['study'] or title}",
        scripts=("strips.js",),
        styles=("strip.css",),
        tiles=tiles,
        evidence=evidence,
    )


def render_page(
    template: str,
    view: Facts,
    facts: Facts,
    geo: Geo,
    *,
    title: str,
    label: str,
    scripts: Sequence[str] = (),
    map_scripts: Sequence[str] = (),
    styles: Sequence[str] = (),
    tiles: Tiles | None = None,
    evidence: Facts | None = None,
    carried: Facts | None = None,
) -> str:
    """A page made from a template that extends `base.html.j2`, sealed.

    Parameters
    ----------
    template : str
        File in `templates`.
    view : mapping
        What the template shows.
    facts, geo : mapping
        What the map draws, as for `render_report`.
    title, label : str
        Heading of the page; what its map shows, for people who do not see it.
    scripts, map_scripts, styles : sequence of str
        Files in `templates` that this kind of page has beyond the common ones;
        `map_scripts` only where there is something to draw.
    tiles : Tiles, optional
    evidence : mapping, optional
        As for `render_report`.
    carried : mapping, optional
        What `--json` writes, of a page that carries no evidence for `recheck`: packed and inert as
        well, so that its digest on paper is one of the file.

    Returns
    -------
    str
        HTML.

    Raises
    ------
    LookupError, ValueError
        As `render_report`.
    """
    drawn = has_places(geo)
    parts = folium_map(geo, label) if drawn else MapParts((), "", ())
    inside = carried if evidence is None else evidence
    common = (*_MAP_SCRIPTS, *map_scripts) if drawn else _SCRIPTS
    document = (
        _environment()
        .get_template(template)
        .render(
            title=title,
            view=view,
            csp=Markup(CSP_PLACE),
            styles=[
                Markup(style)
                for style in (
                    *parts.styles,
                    style_sheet(),
                    *map(_file, ("page.css", *styles, "print.css")),
                )
            ],
            first=Markup(_file("first.js")),
            running=running_lines,
            map_body=Markup(parts.body),
            picture=map_picture(facts, geo),
            drawn=drawn,
            backdrops=backdrop_layers(geo),
            backdrop_detail=backdrop_detail(geo),
            grid=facts.get("grid"),
            map_data=json_for_script(map_data(facts, geo, tiles)),
            scripts=[
                Markup(script)
                for script in (*parts.scripts, *map(_file, (*common, *scripts, *_LAST)))
            ],
            tiles=tiles,
            evidence=None if evidence is None else packed(evidence),
            carried=None if carried is None else packed(carried),
            digest=None if inside is None else digest_of(inside),
        )
    )
    return seal(document, [tiles.origin] if tiles else [])


def running_lines(kicker: str, title: str, made: str) -> Markup:
    """Style that prints what the report is, its study and when it was made on every page.

    Parameters
    ----------
    kicker, made : str
        HTML of the lines above and below the heading.
    title : str
        The heading.

    Returns
    -------
    Markup
        An `@page` rule. Browsers that know no margin boxes print their own heads instead.
    """
    left, right, below = (
        css_string(visible(text))
        for text in (title, Markup(kicker).striptags(), Markup(made).striptags())
    )
    return Markup(
        f"@page {{ @top-left {{ content: {left}; }} @top-right {{ content: {right}; }} "
        f"@bottom-left {{ content: {below}; }} }}"
    )


@cache
def _environment() -> jinja2.Environment:
    made = jinja2.Environment(
        loader=jinja2.FunctionLoader(_file),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=_shown,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= _FILTERS
    return made


_FILTERS: dict[str, Callable[..., object]] = {
    "along": words.along_said,
    "bears": words.BEARS.__getitem__,
    "by_id": lambda rows: sorted(rows, key=lambda row: counted(row["id"])),
    "causes": causes,
    "closest": words.closest_said,
    "circuit_state": words.circuit_state,
    "clash": clash_said,
    "course_open": words.course_open,
    "distance": words.distance_said,
    "count_of": words.count_of,
    "decibels": figures.decibels,
    "decides": words.step_decides,
    "digits": digits,
    "enter": words.records_to_enter,
    "fibre": words.fibre_said,
    "figure": words.figure,
    "fixed": figures.fixed,
    "packed_html": packed_html,
    "kind_of": kind_of,
    "lasting": words.lasting_said,
    "latitude": figures.latitude,
    "link_db": words.link_decibels,
    "limit_said": figures.limit_said,
    "lengths": words.lengths_said,
    "longitude": figures.longitude,
    "route": words.route_said,
    "metres": words.metres,
    "minutes_down": figures.minutes_down,
    "moment": figures.moment,
    "money": words.money,
    "place": words.place_said,
    "near_where": words.near_where,
    "numbers": numbers_said,
    "over_limits": over_limits,
    "plain": plain,
    "plain_sum": words.plain_sum,
    "position": figures.position,
    "range_to": figures_range,
    "relied": words.relied_said,
    "resplice_place": words.resplice_place,
    "resplice_steps": words.resplice_steps,
    "resplice_unknown": words.resplice_unknown,
    "runs": id_runs,
    "sentence_list": sentence_list,
    "separation": figures.separation_said,
    "significant": figures.significant,
    "single_points": words.single_points_said,
    "surveyed": surveyed,
    "to_sign": words.assumption_said,
    "unavailable": words.unavailable,
    "unit": unit,
    "waived": words.waived_thing,
    "waiver_state": words.waiver_state,
    "work": words.work_said,
}
"""How templates format what stands in the facts; autoescape comes after them."""


def _shown(value: object) -> object:
    """Every text that a template shows, with its unseen characters written out."""
    return visible(value) if type(value) is str else value


@cache
def _file(name: str) -> str:
    return files("waysapart.report").joinpath("templates", name).read_text(encoding="utf-8")
