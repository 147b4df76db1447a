"""Write the report of a comparison."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from waysapart.output import OutputFile, refuse_unsafe, write_text
from waysapart.report.compare_geo import (
    changes_told,
    comparison_geometry,
    comparison_holdings,
)
from waysapart.report.compare_view import comparison_view
from waysapart.report.coordinates import working_grid
from waysapart.report.geo import room_around
from waysapart.report.map import Tiles, frame, has_places
from waysapart.report.page import render_page
from waysapart.report.picture import map_picture
from waysapart.whatif.compare import Comparison


def write_comparison(
    comparison: Comparison, path: str | Path, *, tiles: Tiles | None = None, force: bool = False
) -> Path:
    """Write a comparison as one self-contained HTML file, the plant of both sides on one map.

    Parameters
    ----------
    comparison : Comparison
        From `compare`. A side given as evidence holds no plant: the page says
        so and draws the other side alone.
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
        `path` is an input of a study, or a file that waysapart did not write.
    WriteError
        The file cannot be written.
    """
    target = OutputFile(Path(path), "html")
    inputs = [file for proof in comparison.proofs if proof for file in proof.study.files]
    refuse_unsafe([target], inputs, force=force)
    facts = comparison.facts()
    view = comparison_view(comparison, facts)
    geo = comparison_geometry(comparison)
    marked = [
        feature
        for role in ("plant", "points", "hazards")
        for feature in geo.get(role, {}).get("features", [])
        if feature["properties"].get("mark")
    ]
    view["marked"] = bool(marked)
    view["detail"] = map_picture({}, {**geo, "opening": room_around(marked)}) if marked else None
    title = f"{facts['before']['study']} against {facts['after']['study']}"
    page = render_page(
        "compare.html.j2",
        view,
        _map_facts(comparison, view, geo),
        geo,
        title=title,
        label=f"Map of {title}",
        map_scripts=("marked.js", "before_after.js"),
        styles=("marked.css",),
        tiles=tiles,
    )
    write_text(target, page, inputs, force=force)
    return target.path


def _map_facts(comparison: Comparison, view: dict[str, Any], geo: dict[str, Any]) -> dict[str, Any]:
    """What the map shows: findings as they are after; those before of circuits that are gone."""
    known = {str(one["id"]): one for one in comparison.before.get("circuits", [])}
    known |= {str(one["id"]): one for one in comparison.after.get("circuits", [])}
    one = comparison.proofs[1] or comparison.proofs[0]
    return {
        "circuits": [
            {"shared": [], "near": [], "cross": [], **known[row["id"]]} for row in view["circuits"]
        ],
        "holdings": comparison_holdings(comparison),
        "told": changes_told(comparison, geo),
        "grid": working_grid(one.study.crs, frame(geo)) if one and has_places(geo) else None,
    }
