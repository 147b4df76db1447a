"""The demo with hostile text in every text but the names of rules, and a study before it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
import shapely

import waysapart as wa
from hostile_text import HOSTILE, hostile_tables

ESTUARY = Path(__file__).resolve().parents[2] / "examples" / "estuary"


def hostile_study() -> Any:
    """The demo, hostile; circuits have an owner, hostile as well."""
    study = wa.read_study(ESTUARY).untraced()  # one that was proved before has its traces
    tables = hostile_tables(study)
    for role, column in (("circuits", "service"), ("cables", "fibre_type")):
        tables[role][column] = study.tables[role][column]
    tables["circuits"]["owner"] = HOSTILE + "Grid owner"
    return replace(study, name=HOSTILE + study.name, revision=HOSTILE + "A", tables=tables)


def hostile_before(after: Any) -> Any:
    """What it changed from: a duct and a circuit fewer, a pit more, another pit 30 m away."""
    tables = dict(after.tables)
    for role, column, name in (
        ("segments", "id", "U2-D05"),
        ("circuits", "id", "C03"),
        ("circuit_paths", "circuit", "C03"),
    ):
        kept = tables[role][column] != HOSTILE + name
        tables[role] = tables[role][kept].reset_index(drop=True)
    pits = tables["structures"].copy()
    place = pits.index[pits["id"] == HOSTILE + "B2-P08"][0]
    extra = pits.loc[[place]].assign(id=HOSTILE + "OLD-PIT")
    pits["geometry"] = [
        shapely.transform(shape, lambda points: points + 30) if row == place else shape
        for row, shape in pits["geometry"].items()
    ]
    tables["structures"] = pd.concat([pits, extra], ignore_index=True)
    return replace(after, name=HOSTILE + "before", tables=tables)
