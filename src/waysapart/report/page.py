"""The report: one HTML file that holds all it needs and asks the network for nothing."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import jinja2
from markupsafe import Markup

from waysapart.report.escape import json_for_script, visible
from waysapart.report.map import Tiles, folium_map, map_data
from waysapart.report.offline import CSP_PLACE, seal
from waysapart.report.view import page_view

Facts = Mapping[str, Any]
_SCRIPTS = ("data.js", "draw.js", "pick.js", "plan.js", "tables.js")


def render_report(facts: Facts, geo: Facts, *, title: str, tiles: Tiles | None = None) -> str:
    """The whole report as HTML.

    Parameters
    ----------
    facts : mapping
        As `prove --json` writes them. Optional beyond that: `revision`;
        `notes` (list of str); `schemes` (like `groups`); `name`, `group`,
        `scheme` of a circuit; `route_m` of a path; `name` of a shared asset, and `at` where it has
        no geometry of its own;
        `waived` of a near or cross; `circuits` and `group_test` of a group;
        `file`, `layer`, `row`, `column` of a gap; `expired` or `state` of a
        waiver; `name`, `value`, `unit`, `source` of an assumption; and
        `reliance`, asset -> path label -> ids of the circuits whose path of
        that label relies on it, from which the map tells what a loss takes.
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

    Returns
    -------
    str
        HTML with a Content-Security-Policy that names its scripts and styles
        by SHA-256.

    Raises
    ------
    LookupError
        Where folium's page names a remote file that is not packaged.
    ValueError
        Where a number in the facts or a coordinate is not finite.
    """
    label = f"Map of {facts.get('study') or title}"
    parts = folium_map(geo, label)
    document = (
        _environment()
        .get_template("report.html.j2")
        .render(
            title=title,
            view=page_view(facts),
            csp=Markup(CSP_PLACE),
            styles=[Markup(style) for style in parts.styles] + [Markup(_file("page.css"))],
            map_body=Markup(parts.body),
            map_data=json_for_script(map_data(facts, geo, tiles)),
            scripts=[Markup(script) for script in (*parts.scripts, *map(_file, _SCRIPTS))],
            tiles=tiles,
        )
    )
    return seal(document, [tiles.origin] if tiles else [])


def write_text_safely(path: str | Path, text: str) -> None:
    """Write a text so that the file is either the old one or the whole new one.

    It is written beside its place first, then renamed, in UTF-8 with line
    feeds as they are.
    """
    path = Path(path)
    handle, beside = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
            file.write(text)
        os.chmod(beside, _usual_mode(path))
        os.replace(beside, path)
    except BaseException:
        Path(beside).unlink(missing_ok=True)
        raise


def _usual_mode(path: Path) -> int:
    """The mode of the file that is replaced, or the one that a new file would get."""
    if path.exists():
        return path.stat().st_mode & 0o777
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask


@cache
def _environment() -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.FunctionLoader(_file),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=_shown,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _shown(value: object) -> object:
    """Every text that a template shows, with its unseen characters written out."""
    return visible(value) if type(value) is str else value


@cache
def _file(name: str) -> str:
    return files("waysapart.report").joinpath("templates", name).read_text(encoding="utf-8")
