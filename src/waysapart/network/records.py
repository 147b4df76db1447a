"""Where a row of a table stands in the user's own files."""

from __future__ import annotations

from typing import TypedDict

import numpy as np
import pandas as pd

from waysapart.arrays import Floats, Ints
from waysapart.study.model import Study


class Place(TypedDict):
    """File, layer and row of a record, as a Gap or Problem names them."""

    file: str | None
    layer: str | None
    row: int | None


def place_of(study: Study, table: pd.DataFrame, row: int) -> Place:
    """File, layer and row of the record at a position of a table."""
    return places_of(study, table, np.array([row], dtype=np.int64))[0]


def places_of(study: Study, table: pd.DataFrame, rows: Ints) -> list[Place]:
    """The same for many records of a table at once."""
    layers = table["_layer"].to_numpy()[rows].tolist()
    numbers = table["_row"].to_numpy()[rows].tolist()
    heads = [(layer.file, layer.layer or layer.role) for layer in study.layers]
    found = []
    for layer, row in zip(layers, numbers, strict=True):
        file, name = heads[layer] if 0 <= layer < len(heads) else (None, None)
        found.append(Place(file=file, layer=name, row=int(row)))
    return found


def surveyed_m(study: Study, table: pd.DataFrame) -> Floats:
    """How far, in metres, each row of a table may lie from where it is recorded; 0: exact.

    Its own `accuracy_m` and that of the datum shift of its layer, else what holds
    for the layer as a whole.
    """
    own = table["accuracy_m"].to_numpy(dtype=np.float64)
    layer = table["_layer"].to_numpy(dtype=np.int64)
    whole, shift = (
        np.array([*(getattr(one, name) for one in study.layers), 0.0])[layer]
        for name in ("accuracy_m", "shift_m")
    )
    return np.asarray(np.where(np.isnan(own), whole, own + shift), dtype=np.float64)
