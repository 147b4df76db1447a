"""The works notice: whom to tell before works start, what they hit, and what is lost with it.

`write_notice` writes the page, `works_view` makes what its template shows, and `works_geometry`
what its map draws.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from waysapart.figures import limit_said, moment
from waysapart.network.lengths import positions_deg
from waysapart.output_files import OutputFile, refuse_unsafe, write_text
from waysapart.report import sign_off
from waysapart.report.geometry import Geo, holdings, proof_geometry, room_around
from waysapart.report.lookup import working_grid
from waysapart.report.map import Tiles, frame, has_places
from waysapart.report.page import render_page
from waysapart.report.picture import map_picture
from waysapart.report.words import (
    clashes_said,
    closed_days_said,
    next_rows,
    plan_answer,
    unknown_said,
    works_answer,
)
from waysapart.schema import VERSION
from waysapart.study.rules import Rules
from waysapart.whatif.base import Base
from waysapart.whatif.crew import Contacts, Site, grown, sites_of, work_days
from waysapart.whatif.dig import Dig, DigFacts
from waysapart.whatif.places import WorkPlace, asset_shapes, grid_name, nearest_point
from waysapart.whatif.plan import WorksFacts, WorksPlan

__all__ = ["Site", "notice_page", "works_geometry", "works_view", "write_notice"]

View = dict[str, Any]


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
    inputs = works.base.study.files
    refuse_unsafe([target], inputs, force=force)
    write_text(target, notice_page(works, tiles=tiles), inputs, force=force)
    return target.path


def notice_page(works: Dig | WorksPlan, *, tiles: Tiles | None = None) -> str:
    """The notice as HTML, as `write_notice` writes it.

    Parameters
    ----------
    works : Dig or WorksPlan
    tiles : Tiles, optional

    Returns
    -------
    str
    """
    base, plan = works.base, works if isinstance(works, WorksPlan) else None
    sites = sites_of(works)
    facts = [site.facts for site in sites]
    view = works_view(sites, facts, plan)
    view |= {
        "made": moment(datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")),
        "version": VERSION,
        "crs": base.study.crs.to_string(),
        "accuracy": accuracy_said(facts[0], base.study.rules),
        "inputs": [{"file": one.file, "sha256": one.sha256} for one in base.study.inputs],
    }
    view |= {
        "covered": sign_off.works_covered(view["works"], view["accuracy"]),
        "to_decide": [
            sign_off.Decision(work["name"] or "the works", "", False, work["said"])
            for work in view["works"]
        ],
    }
    geo = works_geometry(base, sites)
    labels = works_labels(base, sites)
    if len(sites) > 1:
        _add_pictures(view["works"], sites, geo, labels)
    return render_page(
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
            "labels": labels,
        },
        geo,
        title=f"Works notice: {base.study.name}",
        label=f"Map of the works in {base.study.name}",
        map_scripts=("marked.js",),
        styles=("marked.css",),
        tiles=tiles,
        carried={
            "made": view["made"],
            "inputs": view["inputs"],
            "works": facts,
            "plan": None if plan is None else plan.facts(),
        },
    )


# --- What the notice shows: whom to tell first, then what is lost and why.

QUESTION = (
    "What do these works put out of service, and who must be told before they start because a "
    "protection circuit is lost or left with one path meanwhile?"
)
_ACCURACY = "defaults.survey_accuracy_m"


def works_view(sites: Sequence[Site], facts: Sequence[DigFacts], plan: WorksPlan | None) -> View:
    """All that the notice shows: the facts of the works, with parts replaced and added.

    Parameters
    ----------
    sites : sequence of Site
    facts : sequence of DigFacts
        One for each of them.
    plan : WorksPlan or None
        The plan, where there is one.

    Returns
    -------
    dict
    """
    first = facts[0]
    told = None if plan is None else plan.facts()
    answer = works_answer(first) if told is None else plan_answer(told).rstrip(".")
    circuits = sorted(first["circuits"], key=lambda one: str(one["id"]))
    index = {one["id"]: place for place, one in enumerate(circuits)}
    contacts = Contacts(sites[0].works.base)
    works = [_work(site, one, index, contacts) for site, one in zip(sites, facts, strict=True)]
    return {
        **first,
        "question": QUESTION,
        "answer": f"{answer[0].upper()}{answer[1:]}.",
        "circuits": [{**one, "index": index[one["id"]]} for one in circuits],
        "works": works,
        "drawn_works": any(one["area"]["features"] for one in facts),
        "grid_name": grid_name(sites[0].works.base.study),
        "cautions": first["notice"]["cautions"],
        "plan": None if told is None else _plan(told),
        "days": [] if plan is None else work_days(plan, sites),
        "annex": _annex(works),
    }


def accuracy_said(facts: DigFacts, rules: Rules) -> str:
    """The survey accuracy that the notice uses, with the source of the figure."""
    area = facts["area"]
    if area["accuracy_m"] is not None:
        return f"{limit_said(area['accuracy_m'], 'm')} for all plant, as given for this notice."
    source = next((row.source for row in rules.assumptions() if row.key == _ACCURACY), "")
    return (
        "As recorded for each asset and layer; where nothing is recorded "
        f"{limit_said(area['default_accuracy_m'], 'm')} ({_ACCURACY} of the rules: {source})."
    )


MOST_SPOTS = 12
"""So many points of a work stand beside it; where there are more, the annex has all of them."""
MOST_NEXT = 8
"""So many assets whose loss comes next stand beside a circuit; the annex lists all."""
MOST_FATAL = 12
"""So many rows of single things that become fatal stand beside a work; the annex has all."""


def _work(site: Site, facts: DigFacts, index: Mapping[str, int], contacts: Contacts) -> View:
    every = [
        {
            **one,
            "index": index[one["id"]],
            "contact": contacts.of_circuit(one["id"])[1],
        }
        for one in facts["circuits"]
    ]
    tell, unsure = set(facts["notice"]["tell"]), set(facts["notice"]["unsure"])
    places = site.places
    return {
        **facts,
        "name": site.name,
        "details": site.details,
        "places": places,
        "spots": _spots(places),
        "reaches": sorted({site.reach_of(row) for row in range(facts["area"]["features"])}),
        "said": works_answer(facts),
        "tell": [one for one in every if one["id"] in tell],
        "unsure": [one for one in every if one["id"] in unsure - tell],
        "fatal": next_rows(facts["next_events"]),
        "open": unknown_said(facts),
        "parties": contacts.parties(facts, [site]),
        "contacts": {one: contacts.of_asset(one) for one in facts["hit"]},
        "picture": None,
        "together": [
            *(("group", one) for one in facts["groups"] if one["state"] != "untouched"),
            *(("scheme", one) for one in facts["schemes"] if one["state"] != "untouched"),
        ],
    }


def _spots(places: Sequence[WorkPlace]) -> list[View]:
    """Points of all places of a work: the middle of each first."""
    many = len(places) > 1
    return [
        {**spot, "what": f"{place['of']}: {spot['what']}" if many else spot["what"]}
        for place in places
        for spot in place["spots"]
    ]


def _annex(works: Sequence[View]) -> View:
    """What the tables cut off, in full: what comes next, and points of the works.

    Circuits of a work that the same assets would lose stand together.
    """
    following = []
    for work in works:
        same: dict[tuple[str, ...], list[str]] = {}
        for one in (*work["tell"], *work["unsure"]):
            if len(one["next"]) > MOST_NEXT:
                same.setdefault(tuple(one["next"]), []).append(one["id"])
        if same:
            rows = [{"circuits": ids, "next": list(assets)} for assets, ids in same.items()]
            following.append({"name": work["name"], "rows": rows})
    spots = [work for work in works if len(work["spots"]) > MOST_SPOTS]
    fatal = [
        work
        for work in works
        if len(work["fatal"]) > MOST_FATAL
        or any(len(row.assets) > MOST_NEXT for row in work["fatal"])
    ]
    return {"next": following, "spots": spots, "fatal": fatal}


def _plan(plan: WorksFacts) -> View:
    """The plan, with the days on which each work was planned."""
    return {
        **plan,
        "days": {one["id"]: one for one in plan["works"]},
        "clashes_said": clashes_said(plan),
        "closed_said": closed_days_said(plan),
    }


# --- The map: the areas of the works, what they hit, and what is lost with it.


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
    named = {
        name
        for site in sites
        if site.area is None
        for name in base.network.assets.ids(site.works.hits.number)
    }
    opening = _opening(geo, named)
    return {**geo, **({"opening": opening} if opening else {})}


def _taken(base: Base, sites: Sequence[Site]) -> tuple[set[str], set[str]]:
    assets = base.network.assets
    hit = {name for site in sites for name in assets.ids(site.works.hits.number)}
    fallen = {name for site in sites for name in assets.ids(site.works.fallen_with)}
    return hit, fallen - hit


def _areas(base: Base, sites: Sequence[Site]) -> Any:
    for site in sites:
        shapes = grown(site)
        if not shapes:
            continue
        values = np.empty(len(shapes), dtype=object)
        values[:] = shapes
        drawn = base.study.plane.run_on(positions_deg(base.study, values))
        for number, one in enumerate(drawn, start=1):
            label = site.name or f"works {number}"
            yield {
                "type": "Feature",
                "properties": {
                    "id": label if len(shapes) == 1 or not site.name else f"{label} {number}",
                    "role": "works",
                    "kind": "area of works",
                    "name": site.details["name"] or "",
                },
                "geometry": shapely.geometry.mapping(one),
            }


def works_labels(base: Base, sites: Sequence[Site]) -> list[View]:
    """Ids of what is hit, each once, with the place where the works meet it.

    Parameters
    ----------
    base : Base
    sites : sequence of Site

    Returns
    -------
    list of dict
        `id` and `at`, longitude and latitude; without those that nothing places.
    """
    found: dict[str, View] = {}
    for site in sites:
        numbers = site.works.hits.number.tolist()
        names = base.network.assets.ids(numbers)
        shapes = asset_shapes(base, numbers)
        points = [None if shape is None else nearest_point(shape, site.area) for shape in shapes]
        there = [place for place, one in enumerate(points) if one is not None]
        values = np.empty(len(there), dtype=object)
        values[:] = [points[place] for place in there]
        degrees = base.study.plane.run_on(positions_deg(base.study, values))
        for place, point in zip(there, degrees, strict=True):
            found.setdefault(names[place], {"id": names[place], "at": [point.x, point.y]})
    return list(found.values())


MOST_PICTURES = 40
"""So many works of a plan get a picture of their own. Common practice, no source."""


_ROOM_M = 40.0
_HEIGHTS = (220.0, 330.0)


def _add_pictures(
    works: Sequence[View], sites: Sequence[Site], geo: Geo, labels: list[View]
) -> None:
    """Give each work of a plan a picture of its own, of what lies round it, for paper."""
    kept = ("plant", "points", "hazards")
    features = {role: list(geo[role]["features"]) for role in kept}
    shapes = {
        role: np.array(
            [shapely.geometry.shape(one["geometry"]) for one in features[role]], dtype=object
        )
        for role in kept
    }
    trees = {role: shapely.STRtree(shapes[role]) for role in kept}
    for work, site in list(zip(works, sites, strict=True))[:MOST_PICTURES]:
        hit = set(work["hit"])
        mine = [
            one
            for one in features["hazards"]
            if str(one["properties"]["id"]).startswith(site.name) and site.area is not None
        ]
        points = [
            {"geometry": {"type": "Point", "coordinates": one["at"]}}
            for one in labels
            if one["id"] in hit
        ]
        opening = room_around([*mine, *points], _ROOM_M)
        if opening is None:
            continue
        box = shapely.box(*opening)
        near = {
            role: {"features": [features[role][k] for k in sorted(trees[role].query(box).tolist())]}
            for role in kept
        }
        shown = [one for one in labels if one["id"] in hit]
        work["picture"] = map_picture(
            {"circuits": [], "labels": shown}, {**near, "opening": opening}, _HEIGHTS
        )


def _opening(geo: Geo, named: set[str]) -> tuple[float, float, float, float] | None:
    """The works with some room around: their areas, and what they hit where none is drawn."""
    return room_around(
        [
            *geo["hazards"]["features"],
            *(
                feature
                for role in ("plant", "points")
                for feature in geo[role]["features"]
                if str(feature["properties"]["id"]) in named
            ),
        ]
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
