"""A draft as a folder: a study that extends the one it is about."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from pathlib import Path

import geopandas as gpd
import pandas as pd
import tomli_w

from waysapart.errors import CallError
from waysapart.output import Change, OutputFile, replacing, write_layer
from waysapart.reroute.draft import Draft, WorkItem
from waysapart.schema import ROLES
from waysapart.shown import visible
from waysapart.study.crs import LON_LAT
from waysapart.study.model import Study
from waysapart.study.settings import STUDY_FILE
from waysapart.study.text_table import write_csv

_WORK = "work.txt"


def proposal_targets(folder: Path) -> list[OutputFile]:
    """Every file that may be written of a proposal: in a folder, and in those it builds in."""
    folders = [folder, *(sorted(folder.glob("build-*")) if folder.is_dir() else [])]
    return [target for one in folders for target in _targets(one, ROLES)]


def _targets(folder: Path, roles: Iterable[str]) -> list[OutputFile]:
    names = [STUDY_FILE, *map(_file_of, roles), _WORK]
    return [OutputFile(folder / name, "study") for name in names]


def _file_of(role: str) -> str:
    return f"{role}.geojson" if role == "segments" else f"{role}.csv"


def write_drafts(
    study: Study, drafts: Sequence[tuple[Draft, Path, str]], *, force: bool = False
) -> list[Path]:
    """Write the rows of drafts as studies that `extend` another, all of them or none.

    Parameters
    ----------
    study : Study
        What is extended; the new studies name its folder relative to their own.
    drafts : sequence of (Draft, Path, str)
        Each with its folder, made where needed, and the name of the new study; empty: that
        of the study extended, rerouted.
    force : bool
        Whether files that are there already may be replaced.

    Returns
    -------
    list of Path
        Of each study.toml, the layers, and work.txt with the work list.

    Raises
    ------
    CallError
        A draft has no rows, or a folder holds one of the files already.
    WriteError
        A file cannot be written; then none is.
    """
    targets = []
    for draft, folder, _ in drafts:
        if not any(draft.rows.values()):
            raise CallError("there is nothing to propose: nothing changes")
        targets += _targets(folder, [role for role, rows in draft.rows.items() if rows])
    if targets:
        with replacing(targets, study.files, force=force, folders=True) as change:
            for draft, folder, name in drafts:
                _write(study, draft, folder, name, change)
    return [target.path for target in targets]


def _write(study: Study, draft: Draft, folder: Path, name: str, change: Change) -> None:
    rows = {role: found for role, found in draft.rows.items() if found}
    head: dict[str, object] = {
        "name": name or f"{study.name}, rerouted",
        "extends": Path(os.path.relpath(study.folder, folder)).as_posix(),
        "layer": [{"role": role, "source": _file_of(role)} for role in rows],
    }
    change.place(folder / STUDY_FILE).write_bytes(tomli_w.dumps(head).encode())
    for role, cells in rows.items():
        frame = pd.DataFrame(cells)
        path = change.place(folder / _file_of(role))
        if role == "segments":
            shapes = gpd.GeoDataFrame(frame, geometry="geometry", crs=study.crs).to_crs(LON_LAT)
            write_layer(
                shapes,
                path,
                layer=role,
                driver="GeoJSON",
                layer_options={"COORDINATE_PRECISION": "15"},
            )
        else:
            write_csv(frame, path)
    work = "".join(_line(one) for one in draft.work)
    change.place(folder / _WORK).write_bytes(work.encode())


def _line(work: WorkItem) -> str:
    """One piece of work: for which circuit, where, what."""
    parts = (work.get("circuit"), work.get("at"), work["text"])
    told = "\t".join(visible(str(part)) if part else "" for part in parts)
    return " ".join(told.splitlines()) + "\n"
