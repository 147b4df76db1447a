"""One cell of a study replaced, as somebody would correct it in the layers, and proved again."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import shapely

import waysapart as wa
from waysapart.study.model import InPlane, Study
from waysapart.whatif.single_errors import SingleError


def with_cell(study: Study, role: str, row: int, column: str, value: Any) -> Study:
    """A study with another value in one cell, proved from its tables as they were read."""
    base = study.untraced()
    table = base.tables[role].copy()
    if column == "reach_m":
        value = float(value)
    table.iloc[row, table.columns.get_loc(column)] = value
    tables = {**base.tables, role: table}
    return replace(base, tables=tables, in_plane=InPlane(base.plane))


def with_error(proof: wa.Proof, error: SingleError) -> Study:
    """The study as its records would read with an error."""
    value: Any = error.cell
    if error.column == "geometry":
        value = _moved(proof, error)
    return with_cell(proof.study, error.role, error.row, error.column, value)


def _moved(proof: wa.Proof, error: SingleError) -> shapely.Geometry:
    """The geometry so many metres nearer to the other, by its own reckoning in degrees."""
    study = proof.study
    here = study.geometries(error.role)[error.row]
    roles = list(proof.network.assets.start)
    (role,) = [
        one
        for one in roles
        if error.other in range(*proof.network.assets.of_role(one).indices(10**9))
    ]
    there = study.geometries(role)[error.other - proof.network.assets.start[role]]
    ends = shapely.get_coordinates(shapely.shortest_line(here, there))
    away = float(study.plane.metres(here, there)[0])
    more = 0.01 if role == "hazards" else 0.0
    lonlat = study.plane.degrees(ends)
    step = (lonlat[1] - lonlat[0]) * (error.moved_m + more) / away
    shape = study.lonlat(error.role)[error.row]
    return shapely.transform(shape, lambda points: np.asarray(points) + step)
