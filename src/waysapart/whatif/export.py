"""Findings and tied plant as one GeoPackage that reads back as the same study."""

from __future__ import annotations

import os
import shutil
import tempfile
import tomllib
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import pandas as pd

from waysapart.errors import CallError
from waysapart.network.tie import Network
from waysapart.study.model import Study
from waysapart.study.settings import STUDY_FILE, STUDY_PACKAGE
from waysapart.study.toml_output import toml_document
from waysapart.study.write import write_study
from waysapart.verdicts.prove import Proof, prove
from waysapart.whatif.layers import found_layers

_SUFFIX = ".gpkg"


def export(subject: Proof | Study | Network, path: Path | str) -> list[Path]:
    """Write a proof as layers for any GIS.

    Parameters
    ----------
    subject : Proof, Study or Network
        What is not proved yet is proved first.
    path : path
        A GeoPackage. The study's own tables are layers named after their
        roles, the findings layers `found_...` (see `layer_fields.LAYERS`).
        Beside it stands a TOML file of the same name, with which
        `read_study` reads the same study back, and the study's own rules.

    Returns
    -------
    list of Path
        Files written, the GeoPackage first. Where a proposal removes ids that
        others refer to, no file can hold that study, and the TOML is left out.

    Raises
    ------
    CallError
        Another kind of file, a folder that does not exist, or a study without
        a single row.

    Notes
    -----
    Everything is written beside its place and renamed when it is whole; what
    was there before is replaced.
    """
    target = Path(path)
    if target.suffix.casefold() != _SUFFIX:
        raise CallError(f"{target.name}: expected the name of a GeoPackage, ending in {_SUFFIX}")
    if not target.parent.is_dir():
        raise CallError(f"there is no folder {target.parent}")
    if target.is_dir():
        raise CallError(f"{target.name} is a folder")
    proof = subject if isinstance(subject, Proof) else prove(subject)
    if not any(len(table) for table in proof.study.tables.values()):
        raise CallError(f"{proof.study.name} holds no rows yet, so there is nothing to export")
    beside = Path(tempfile.mkdtemp(prefix=f".{target.stem}-", dir=target.parent))
    try:
        made = _write(proof, target, beside)
        for place in made:
            os.replace(beside / place.name, place)
    finally:
        shutil.rmtree(beside)
    return made


def _write(proof: Proof, target: Path, beside: Path) -> list[Path]:
    """Write everything into a folder of its own, under its final names."""
    study = proof.study
    written = write_study(replace(study, gaps=()), beside, "gpkg")
    package = beside / target.name
    (beside / STUDY_PACKAGE).rename(package)
    for name, frame in found_layers(proof).items():
        _append(frame, package, name)
    if study.gaps:
        return [target]
    rules = target.with_name(f"{target.stem}-rules.toml")
    settings = tomllib.loads((beside / STUDY_FILE).read_text(encoding="utf-8"))
    for layer in settings["layer"]:
        layer["source"] = target.name
    made = [target, target.with_suffix(".toml")]
    if any(one.name == "rules.toml" for one in written):
        settings["rules"] = rules.name
        (beside / "rules.toml").rename(beside / rules.name)
        made.append(rules)
    (beside / made[1].name).write_text(toml_document(settings), encoding="utf-8")
    return made


def _append(frame: pd.DataFrame, package: Path, name: str) -> None:
    import pyogrio

    options = {"FID": "_fid"}
    if isinstance(frame, gpd.GeoDataFrame) and not len(frame):
        pyogrio.write_dataframe(
            frame, package, layer=name, append=True, geometry_type="Unknown", layer_options=options
        )
        return
    pyogrio.write_dataframe(
        frame, package, layer=name, driver="GPKG", append=True, layer_options=options
    )
