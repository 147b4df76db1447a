"""A draft as a folder: a study that extends the one it is about."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from waysapart.errors import CallError
from waysapart.reroute.draft import Draft
from waysapart.shown import visible
from waysapart.study.crs import LON_LAT
from waysapart.study.model import Study
from waysapart.study.settings import STUDY_FILE
from waysapart.study.text_table import write_csv
from waysapart.study.toml_output import toml_document


def write_draft(study: Study, draft: Draft, folder: Path | str, name: str = "") -> list[Path]:
    """Write the rows of a draft as a study that `extends` another.

    Parameters
    ----------
    study : Study
        What is extended; the new study names its folder relative to its own.
    draft : Draft
    folder : path
        Made where needed.
    name : str
        Name of the new study.

    Returns
    -------
    list of Path
        study.toml, the layers, and work.txt with the work list.

    Raises
    ------
    CallError
        The draft has no rows, or the folder holds one of the files already.
    """
    rows = {role: found for role, found in draft.rows.items() if found}
    if not rows:
        raise CallError("there is nothing to propose: nothing changes")
    folder = Path(folder)
    targets = {
        role: folder / (f"{role}.geojson" if role == "segments" else f"{role}.csv") for role in rows
    }
    work = folder / "work.txt"
    wanted = [folder / STUDY_FILE, *targets.values(), work]
    there = [path.name for path in wanted if path.exists()]
    if there:
        raise CallError(f"{folder} holds {', '.join(there)} already; nothing was written")
    folder.mkdir(parents=True, exist_ok=True)
    head: dict[str, object] = {
        "name": name or f"{study.name}, rerouted",
        "extends": Path(os.path.relpath(study.folder, folder)).as_posix(),
        "layer": [{"role": role, "source": path.name} for role, path in targets.items()],
    }
    (folder / STUDY_FILE).write_text(toml_document(head), encoding="utf-8")
    for role, path in targets.items():
        frame = pd.DataFrame(rows[role])
        if role == "segments":
            shapes = gpd.GeoDataFrame(frame, geometry="geometry", crs=study.crs).to_crs(LON_LAT)
            shapes.to_file(path, driver="GeoJSON", engine="pyogrio", COORDINATE_PRECISION="15")
        else:
            write_csv(frame, path)
    work.write_text("".join(_line(one) for one in draft.work), encoding="utf-8")
    return wanted


def _line(work: Mapping[str, Any]) -> str:
    """One piece of work: for which circuit, where, what."""
    parts = (work.get("circuit"), work.get("at"), work["text"])
    told = "\t".join(visible(str(part)) if part else "" for part in parts)
    return " ".join(told.splitlines()) + "\n"
