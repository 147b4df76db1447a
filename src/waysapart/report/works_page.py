"""The works notice: whom to tell before works start, what they hit, and what is lost with it.

`write_notice` writes the page, `works_view` makes what its template shows, and `works_geometry`
what its map draws.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from waysapart.network.lengths import positions_deg
from waysapart.output_files import OutputFile, refuse_unsafe, write_text
from waysapart.report.geometry import Geo, holdings, proof_geometry, room_around
from waysapart.report.lookup import working_grid
from waysapart.report.map import Tiles, frame, has_places
from waysapart.report.page import render_page
from waysapart.report.words import clashes_said, plan_answer, works_answer
from waysapart.schema import VERSION
from waysapart.study.rules import Rules
from waysapart.whatif.area import Area
from waysapart.whatif.base import Base
from waysapart.whatif.dig import Dig, DigFacts, Hits, reached, taken
from waysapart.whatif.plan import WorksFacts, WorksPlan
from waysapart.whatif.plan_table import Work

View = dict[str, Any]


@dataclass(frozen=True)
class Site:
    """One work as the page shows it.

    Attributes
    ----------
    name : str
        Its id in a plan; empty for works by themselves.
    works : Dig
        What it puts out of service, by itself and as things are now.
    area : Area or None
    reach_m : float
        How far it reaches beyond its outline, a radius included.
    """

    name: str
    works: Dig
    area: Area | None
    reach_m: float


# --- The notice as a file.


def write_notice(
    works: Dig | WorksPlan, path: str | Path, *, tiles: Tiles | None = None, force: bool = False
) -> Path:
    """Write the notice of works, or of a plan of works, as one self-contained HTML file.

    It lists the circuits whose owners must be told before work starts, with
    the owner where the table of circuits has an extra column `owner`, and has
    blank fields for who was told and when. It is no permit to work.

    Parameters
    ----------
    works : Dig or WorksPlan
        From `dig`, `outage` or `plan_works`.
    path : path
        Where to; an old file there is replaced only by a whole new one.
    tiles : Tiles, optional
        A background map. Without it the file asks the network for nothing.
    force : bool
        Whether a file that waysapart did not write may be replaced.

    Returns
    -------
    Path

    Raises
    ------
    CallError
        `path` is an input of the study, or a file that waysapart did not write.
    WriteError
        The file cannot be written.

    Examples
    --------
    >>> import waysapart as wa
    >>> proof = wa.prove(wa.read_study("examples/estuary"))
    >>> from tempfile import TemporaryDirectory
    >>> works = wa.dig(proof, assets=["PIT-HER-7"])
    >>> with TemporaryDirectory() as folder:
    ...     wa.write_notice(works, f"{folder}/notice.html").name
    'notice.html'
    """
    target = OutputFile(Path(path), "html")
    refuse_unsafe([target], works.base.study.files, force=force)
    base, plan = works.base, works if isinstance(works, WorksPlan) else None
    sites = _sites(works)
    facts = [site.works.facts() for site in sites]
    view = works_view(facts, [site.name for site in sites], plan.facts() if plan else None)
    view |= {
        "made": datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "version": VERSION,
        "crs": base.study.crs.to_string(),
        "accuracy": accuracy_said(facts[0], base.study.rules),
        "inputs": [{"file": one.file, "sha256": one.sha256} for one in base.study.inputs],
    }
    geo = works_geometry(base, sites)
    title = f"Works notice: {base.study.name}"
    page = render_page(
        "notice.html.j2",
        view,
        {
            "circuits": [
                {"id": one["id"], "verdict": "", "shared": [], "near": [], "cross": []}
                for one in view["circuits"]
            ],
            "holdings": holdings(base),
            "told": works_told(sites, facts),
            "grid": working_grid(base.study.crs, frame(geo)) if has_places(geo) else None,
        },
        geo,
        title=title,
        label=f"Map of the works in {base.study.name}",
        map_scripts=("marked.js",),
        styles=("marked.css",),
        tiles=tiles,
    )
    write_text(target, page, base.study.files, force=force)
    return target.path


def _sites(works: Dig | WorksPlan) -> list[Site]:
    if isinstance(works, Dig):
        return [Site("", works, works.area, works.reach_m + works.radius_m)]
    return [
        Site(
            work.id,
            taken(works.base, _hits(works, work), work.area, work.reach_m, works.accuracy_m),
            work.area,
            work.reach_m,
        )
        for work in works.works
    ]


def _hits(plan: WorksPlan, work: Work) -> Hits:
    """What a work of a plan hits, with the distance of each asset."""
    feature, metres = np.full(len(work.hit), -1), np.full(len(work.hit), np.nan)
    if work.area is not None:
        near = reached(plan.base, work.area, np.array([work.reach_m]), plan.accuracy_m)
        place = np.searchsorted(work.hit, near.number)
        feature[place], metres[place] = near.feature, near.distance_m
    return Hits(work.hit, feature, metres)


# --- What the notice shows: whom to tell first, then what is lost and why.

QUESTION = (
    "What do these works put out of service, and who must be told before they start because a "
    "protection circuit is lost or left with one path meanwhile?"
)
_ACCURACY = "defaults.survey_accuracy_m"


def works_view(facts: Sequence[DigFacts], names: Sequence[str], plan: WorksFacts | None) -> View:
    """All that the notice shows: the facts of the works, with parts replaced and added.

    Parameters
    ----------
    facts : sequence of DigFacts
        One for each work.
    names : sequence of str
        Their ids; empty for works by themselves.
    plan : WorksFacts or None
        Facts of the plan, where there is one.
    """
    first = facts[0]
    answer = works_answer(first) if plan is None else plan_answer(plan).rstrip(".")
    circuits = sorted(first["circuits"], key=lambda one: str(one["id"]))
    index = {one["id"]: place for place, one in enumerate(circuits)}
    return {
        **first,
        "question": QUESTION,
        "answer": f"{answer[0].upper()}{answer[1:]}.",
        "circuits": [{**one, "index": index[one["id"]]} for one in circuits],
        "works": [_work(name, one, index) for name, one in zip(names, facts, strict=True)],
        "drawn_works": any(one["area"]["features"] for one in facts),
        "cautions": first["notice"]["cautions"],
        "plan": None if plan is None else _plan(plan),
    }


def accuracy_said(facts: DigFacts, rules: Rules) -> str:
    """The survey accuracy that the notice uses, with the source of the figure."""
    area = facts["area"]
    if area["accuracy_m"] is not None:
        return f"{area['accuracy_m']:g} m for all plant, as given for this notice."
    source = next((row.source for row in rules.assumptions() if row.key == _ACCURACY), "")
    return (
        "As recorded for each asset and layer; where nothing is recorded "
        f"{area['default_accuracy_m']:g} m ({_ACCURACY} of the rules: {source})."
    )


def _work(name: str, facts: DigFacts, index: Mapping[str, int]) -> View:
    every = [{**one, "index": index[one["id"]]} for one in facts["circuits"]]
    tell, unsure = set(facts["notice"]["tell"]), set(facts["notice"]["unsure"])
    return {
        **facts,
        "name": name,
        "said": works_answer(facts),
        "tell": [one for one in every if one["id"] in tell],
        "unsure": [one for one in every if one["id"] in unsure - tell],
        "together": [
            *(("group", one) for one in facts["groups"] if one["state"] != "untouched"),
            *(("scheme", one) for one in facts["schemes"] if one["state"] != "untouched"),
        ],
    }


def _plan(plan: WorksFacts) -> View:
    """The plan, with the days on which each work was planned."""
    return {
        **plan,
        "days": {one["id"]: one for one in plan["works"]},
        "clashes_said": clashes_said(plan),
    }


# --- The map: the areas of the works, what they hit, and what is lost with it.

_POINT_M = 1.0
"""A point without a reach is drawn this wide, so that it can be seen as an area."""


def works_geometry(base: Base, sites: Sequence[Site]) -> dict[str, Any]:
    """Feature collections for `waysapart.report.page.render_page`.

    Parameters
    ----------
    base : Base
        The study that the works take place in.
    sites : sequence of Site

    Returns
    -------
    dict
        As `proof_geometry`, with the areas of the works in place of hazards;
        `mark` of plant is hit or fallen (lost with it); `opening` shows the works.
    """
    geo = proof_geometry(base)
    hit, fallen = _taken(base, sites)
    for role in ("plant", "points"):
        for feature in geo[role]["features"]:
            name = str(feature["properties"]["id"])
            if name in hit or name in fallen:
                feature["properties"]["mark"] = "hit" if name in hit else "fallen"
    geo["hazards"] = {"type": "FeatureCollection", "features": list(_areas(base, sites))}
    opening = _opening(geo)
    return {**geo, **({"opening": opening} if opening else {})}


def _taken(base: Base, sites: Sequence[Site]) -> tuple[set[str], set[str]]:
    assets = base.network.assets
    hit = {name for site in sites for name in assets.ids(site.works.hits.number)}
    fallen = {name for site in sites for name in assets.ids(site.works.fallen_with)}
    return hit, fallen - hit


def _areas(base: Base, sites: Sequence[Site]) -> Any:
    for site in sites:
        if site.area is None:
            continue
        shapes = site.area.geometry
        flat = shapely.get_dimensions(shapes) == 0
        own = np.maximum(site.area.own_reach_m, site.reach_m)
        reach = np.where(flat, np.maximum(own, _POINT_M), own)
        grown = base.study.plane.grown(shapes, reach)
        drawn = base.study.plane.run_on(positions_deg(base.study, grown))
        for number, one in enumerate(drawn, start=1):
            label = site.name or f"works {number}"
            yield {
                "type": "Feature",
                "properties": {
                    "id": label if len(shapes) == 1 or not site.name else f"{label} {number}",
                    "role": "works",
                    "kind": "area of works",
                    "name": "",
                },
                "geometry": shapely.geometry.mapping(one),
            }


def _opening(geo: Geo) -> tuple[float, float, float, float] | None:
    """The works with some room around; where no area is drawn, what they hit."""
    return room_around(geo["hazards"]["features"]) or room_around(
        feature
        for role in ("plant", "points")
        for feature in geo[role]["features"]
        if feature["properties"].get("mark") == "hit"
    )


def works_told(sites: Sequence[Site], facts: Sequence[DigFacts]) -> dict[str, Any]:
    """What the card of an asset says about it during the works.

    Parameters
    ----------
    sites : sequence of Site
    facts : sequence of DigFacts
        One for each site.

    Returns
    -------
    dict
        The term, the text of each asset, and the text of all others.
    """
    of: dict[str, str] = {}
    for site, told in zip(sites, facts, strict=True):
        by = f" by {site.name}" if site.name else ""
        for row in told["fallen"]:
            why = ", ".join(row["through"])
            of.setdefault(row["asset"], f"lost{f' with {why}' if why else ''}{by}")
    for site, told in zip(sites, facts, strict=True):
        by = f" by {site.name}" if site.name else ""
        of |= dict.fromkeys(told["hit"], f"hit{by}")
        for cable in told["cables"]:
            of[cable["cable"]] = f"cut{by} at {', '.join(cable['at'])}"
    return {"term": "In these works", "of": of, "others": "not affected"}
