"""Where a row of a table stands in the user's own files."""

from __future__ import annotations

from typing import TypedDict, Unpack

import numpy as np
import pandas as pd

from waysapart.arrays import Floats, Ints
from waysapart.gaps import Gap, Limit
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


class Details(TypedDict, total=False):
    """What a gap may say beyond its code, message, asset and place: fields of `Gap`."""

    assets: tuple[str, ...]
    links: tuple[str, ...]
    circuits: tuple[str, ...]
    path: str | None
    only: tuple[Limit, ...] | None
    column: str | None
    fold: str | None


def row_gap(
    study: Study,
    code: str,
    role: str,
    row: int,
    text: str,
    *,
    joined: str = ": ",
    shown_by: tuple[str, int] | None = None,
    **details: Unpack[Details],
) -> Gap:
    """A gap about one row of a table.

    Parameters
    ----------
    study : Study
    code : str
        From `waysapart.gaps`.
    role : str
    row : int
        Position in the role's table.
    text : str
        What the message says behind the row's role and id: 'no joint is on record'.
    joined : str
        What stands between the id and the text.
    shown_by : (str, int), optional
        Role and position of the row that the message names as the place to look at, where
        it is another one.
    **details
        Fields of `Gap`. Unless they say otherwise the gap touches the row's own asset, link
        or circuit.
    """
    name = str(study.tables[role]["id"].iloc[row])
    if not {"assets", "links", "circuits"} & details.keys():
        touched = (name,)
        if role == "links":
            details["links"] = touched
        elif role == "circuits":
            details["circuits"] = touched
        else:
            details["assets"] = touched
    shown_role, shown_row = shown_by or (role, row)
    place = place_of(study, study.tables[shown_role], shown_row)
    return Gap(code, f"{one_of(role)} {name}{joined}{text}", name, **details, **place)


def one_of(role: str) -> str:
    """A role's name for one row of it: `cable` for cables."""
    return {"supplies": "supply"}.get(role, role.removesuffix("s"))


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
