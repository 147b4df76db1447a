"""Write the notice of works."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from waysapart.output import OutputFile, refuse_unsafe, write_text
from waysapart.report.coordinates import working_grid
from waysapart.report.effects import holdings
from waysapart.report.map import Tiles, frame, has_places
from waysapart.report.page import render_page
from waysapart.report.works_geo import Site, works_geometry, works_told
from waysapart.report.works_view import accuracy_said, works_view
from waysapart.schema import VERSION
from waysapart.whatif.dig import Dig, taken
from waysapart.whatif.hits import Hits, reached
from waysapart.whatif.works import WorksPlan
from waysapart.whatif.works_table import Work


def write_notice(
    works: Dig | WorksPlan, path: str | Path, *, tiles: Tiles | None = None, force: bool = False
) -> Path:
    """Write the notice of works, or of a plan of works, as one self-contained HTML file.

    It says which circuits are to be told about before work starts, with the
    owner of each where the table of circuits has an extra column `owner`, and
    holds blank lines for who was told and when. It is no permit to work.

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
    """What a work of a plan hits, with how far from it each lies."""
    feature, metres = np.full(len(work.hit), -1), np.full(len(work.hit), np.nan)
    if work.area is not None:
        near = reached(plan.base, work.area, np.array([work.reach_m]), plan.accuracy_m)
        place = np.searchsorted(work.hit, near.number)
        feature[place], metres[place] = near.feature, near.distance_m
    return Hits(work.hit, feature, metres)
