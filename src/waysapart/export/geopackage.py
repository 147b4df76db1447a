"""Findings and tied plant as one GeoPackage that reads back as the same study."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import pandas as pd

from waysapart.errors import CallError
from waysapart.export.layers import found_layers
from waysapart.network.build_network import Network
from waysapart.output_files import (
    Change,
    OutputFile,
    marked_toml,
    refuse_unsafe,
    replacing,
    write_layer,
    written_by_us,
)
from waysapart.study.model import Study
from waysapart.study.write import parts_of, reserved_names, study_texts, write_parts
from waysapart.verdicts.prove import Proof, prove

_SUFFIX = ".gpkg"


def export_targets(path: Path) -> tuple[OutputFile, OutputFile, OutputFile]:
    """The files that `export` writes: the GeoPackage, its TOML file and its rules.

    Parameters
    ----------
    path : Path
        The GeoPackage.

    Returns
    -------
    tuple of three OutputFile
    """
    settings, rules = path.with_suffix(".toml"), path.with_name(f"{path.stem}-rules.toml")
    return OutputFile(path, "gpkg"), OutputFile(settings, "toml"), OutputFile(rules, "toml")


def export(
    subject: Proof | Study | Network, path: Path | str, *, force: bool = False
) -> list[Path]:
    """Write a proof as layers for any GIS.

    Parameters
    ----------
    subject : Proof, Study or Network
        What is not proved yet is proved first.
    path : path
        A GeoPackage. The study's own tables are layers named after their
        roles, the findings layers `found_...` (see `export.layers.LAYERS`).
        Beside it stands a TOML file of the same name, with which
        `read_study` reads the same study back, and the study's own rules.
    force : bool
        Whether files of these names that waysapart did not write may be replaced.

    Returns
    -------
    list of Path
        Files written, the GeoPackage first. Where a proposal removes ids that
        others refer to, no file can hold that study, and the TOML is left out.

    Raises
    ------
    CallError
        Another kind of file, a folder that does not exist, a study without a
        single row; or a file that is an input, or that waysapart did not write.
    WriteError
        A file cannot be written; then none is changed.

    Notes
    -----
    Everything is written beside its place and renamed when it is whole: the
    files change together or not at all.

    Examples
    --------
    >>> import waysapart as wa
    >>> proof = wa.prove(wa.read_study("examples/estuary"))
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     for file in wa.export(proof, f"{folder}/estuary.gpkg"):
    ...         print(file.name)
    estuary.gpkg
    estuary.toml
    estuary-rules.toml
    """
    target = Path(path)
    if target.suffix.casefold() != _SUFFIX:
        raise CallError(f"{target.name}: expected the name of a GeoPackage, ending in {_SUFFIX}")
    targets = export_targets(target)
    study = subject if isinstance(subject, Study) else subject.study
    refuse_unsafe(targets, study.files, force=force)
    proof = subject if isinstance(subject, Proof) else prove(subject)
    if not any(len(table) for table in proof.study.tables.values()):
        raise CallError(f"{proof.study.name} holds no rows yet, so there is nothing to export")
    with replacing(targets, study.files, force=force) as change:
        return _write(proof, targets, change)


def _write(
    proof: Proof, targets: tuple[OutputFile, OutputFile, OutputFile], change: Change
) -> list[Path]:
    target, settings, rules = (one.path for one in targets)
    study = replace(proof.study, gaps=())
    package = change.place(target)
    layers = write_parts(parts_of(study), package, target.name)
    for name, frame in found_layers(proof).items():
        _append(frame, package, name)
    texts = {} if proof.study.read_gaps else study_texts(study, layers, settings.name, rules.name)
    for name, text in texts.items():
        change.place(target.with_name(name)).write_bytes(marked_toml(text).encode())
    for one in targets[1:]:  # an earlier study's would not belong to these layers
        if one.path.name not in texts and one.path.is_file() and written_by_us(one):
            change.remove(one.path)
    return [target, *(target.with_name(name) for name in texts)]


def _append(frame: pd.DataFrame, package: Path, name: str) -> None:
    more = (
        {"geometry_type": "Unknown"} if isinstance(frame, gpd.GeoDataFrame) and frame.empty else {}
    )
    options = reserved_names(frame)
    write_layer(
        frame, package, layer=name, driver="GPKG", append=True, layer_options=options, **more
    )
