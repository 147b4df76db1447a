"""A study as layers of a GeoPackage, and the TOML files with which they read back the same."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import tomli_w

from waysapart.output_files import write_layer
from waysapart.schema import ROLES
from waysapart.study.crs import LON_LAT, crs_label
from waysapart.study.settings import RULES_FILE, STUDY_FILE

if TYPE_CHECKING:
    from pyproj import CRS

    from waysapart.study.model import Study

_HIDDEN = ("_layer", "_row")


@dataclass(frozen=True, slots=True)
class LayerRows:
    """Rows of one role that go into one layer.

    Attributes
    ----------
    role, name
        Role of the rows; name of the layer.
    frame : DataFrame
        Without `_layer` and `_row`, and without optional columns that are blank.
    accuracy_m : float
        Of the layer that the rows came from.
    has_geometry : bool
    crs : pyproj.CRS
        Coordinate system of the geometry.
    """

    role: str
    name: str
    frame: pd.DataFrame
    accuracy_m: float
    has_geometry: bool
    crs: CRS


def parts_of(study: Study) -> list[LayerRows]:
    """The layers that hold a study's rows, none for a role without rows.

    Rows of a role with and without geometry go into different layers, and so do rows of
    different accuracy. Geometry is in longitude and latitude; where a waiver states the digest of
    the record that it accepts, it is in the CRS of the layer that it came from, since that is
    what the digest is of.

    Parameters
    ----------
    study : Study

    Returns
    -------
    list of LayerRows
        In the order of `waysapart.schema.ROLES`.
    """
    return [part for role in ROLES for part in _parts(study, role)]


def write_parts(parts: Sequence[LayerRows], package: Path, source: str) -> list[dict[str, object]]:
    """Add layers to a GeoPackage.

    Parameters
    ----------
    parts : sequence of LayerRows
    package : Path
        Where the file is made, in `output_files.replacing`.
    source : str
        What the study's TOML file calls it.

    Returns
    -------
    list of dict
        The `[[layer]]` table of each part.

    Raises
    ------
    CallError
        A text holds a NUL character.
    WriteError
        A layer cannot be written whole.
    """
    layers: list[dict[str, object]] = []
    for part in parts:
        frame = part.frame
        if part.has_geometry:
            frame = gpd.GeoDataFrame(frame, geometry="geometry", crs=part.crs)
        frame = frame.rename(columns=_distinct_names(frame))
        write_layer(
            frame,
            package,
            layer=part.name,
            driver="GPKG",
            append=package.exists(),
            layer_options=reserved_names(frame),
        )
        accuracy = {"accuracy_m": part.accuracy_m} if part.accuracy_m else {}
        layers.append({"role": part.role, "source": source, **accuracy, "layer": part.name})
    return layers


def study_texts(
    study: Study,
    layers: Sequence[Mapping[str, object]],
    settings: str = STUDY_FILE,
    rules: str = RULES_FILE,
) -> dict[str, str]:
    """The TOML files of a study.

    Parameters
    ----------
    study : Study
    layers : sequence of mappings
        Its `[[layer]]` tables, as `write_parts` returns them.
    settings, rules : str
        Names of the study's file and of the file of its own rules.

    Returns
    -------
    dict of str to str
        Text by name of the file; no file of rules where the study has none of its own.
    """
    own = dict(study.rules.own())
    head: dict[str, object] = {"name": study.name}
    if study.revision is not None:
        head["revision"] = study.revision
    head["crs"] = _crs_text(study.crs)
    head["snap_m"] = study.snap_m
    if study.out:
        head["out"] = list(study.out)
    if own:
        head["rules"] = rules
    head["layer"] = list(layers)
    texts = {settings: tomli_w.dumps(head)}
    return texts | ({rules: tomli_w.dumps(own)} if own else {})


def reserved_names(frame: pd.DataFrame) -> dict[str, object]:
    """Names of a GeoPackage's own two columns that no column of a table has.

    Parameters
    ----------
    frame : DataFrame

    Returns
    -------
    dict
        The GDAL layer options `FID` and `GEOMETRY_NAME`.
    """
    taken = {str(name).casefold() for name in frame if name != "geometry"}
    names: dict[str, object] = {}
    for option, usual in (("FID", "_fid"), ("GEOMETRY_NAME", "geom")):
        name = usual
        while name in taken:
            name += "_"
        names[option] = name
    return names


def _crs_text(crs: CRS) -> str:
    label = crs_label(crs)
    return label if ":" in label and crs.to_authority() else crs.to_wkt()


def _parts(study: Study, role: str) -> Iterator[LayerRows]:
    """The rows of a role: one layer for each accuracy and CRS, with and without geometry."""
    frame = study.as_read(role)
    if not len(frame):
        return
    accuracies = np.array([layer.accuracy_m for layer in study.layers])
    accuracy = accuracies[frame["_layer"].to_numpy()]
    plain = pd.DataFrame(frame)
    systems, system = [LON_LAT], np.zeros(len(frame), dtype=np.int64)
    drawn = np.zeros(len(frame), dtype=bool)
    if ROLES[role].geometry:
        geometry = frame["geometry"].to_numpy()
        if any(waiver.record is not None for waiver in study.rules.waivers):
            geometry, crs = study.given_geometry(role, np.arange(len(frame)))
            systems = list(dict.fromkeys(crs))
            system = np.array([systems.index(one) for one in crs])
            shifts = np.array([layer.shift_m for layer in study.layers])
            moved = np.array([one != LON_LAT for one in systems])[system]
            accuracy = accuracy - np.where(moved, shifts[frame["_layer"].to_numpy()], 0.0)
            plain = plain.assign(geometry=geometry)
        drawn = ~shapely.is_missing(geometry)
    groups = sorted(set(zip(drawn.tolist(), accuracy.tolist(), system.tolist(), strict=True)))
    for number, (of_drawn, of_accuracy, of_crs) in enumerate(groups, start=1):
        rows = plain[(drawn == of_drawn) & (accuracy == of_accuracy) & (system == of_crs)]
        name = role if len(groups) == 1 else f"{role}_{number}"
        yield LayerRows(role, name, _trimmed(role, rows), of_accuracy, of_drawn, systems[of_crs])


def _trimmed(role: str, frame: pd.DataFrame) -> pd.DataFrame:
    """The rows without hidden columns and without optional columns that are blank."""
    known = ROLES[role].column
    blank = [
        name
        for name, column in known.items()
        if name in frame and not column.required and frame[name].isna().all()
    ]
    frame = frame.drop(columns=[*_HIDDEN, *blank]).reset_index(drop=True)
    if "geometry" in frame and frame["geometry"].isna().all():
        frame = frame.drop(columns="geometry")
    return frame


def _distinct_names(frame: pd.DataFrame) -> Mapping[str, str]:
    """New names for columns that differ in case only, which SQLite does not tell apart."""
    taken: set[str] = set()
    names = {}
    for name in frame:
        new, number = str(name), 2
        while new.casefold() in taken:
            new, number = f"{name}_{number}", number + 1
        taken.add(new.casefold())
        if new != name:
            names[str(name)] = new
    return names
