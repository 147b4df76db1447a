"""Where a row of a table stands in the user's own files."""

from __future__ import annotations

from typing import TypedDict

import pandas as pd

from waysapart.study.model import Study


class Place(TypedDict):
    """File, layer and row of a record, as a Gap or Problem names them."""

    file: str | None
    layer: str | None
    row: int | None


def place_of(study: Study, table: pd.DataFrame, row: int) -> Place:
    """File, layer and row of the record at a position of a table."""
    number = int(table["_layer"].iloc[row])
    layer = study.layers[number] if 0 <= number < len(study.layers) else None
    return Place(
        file=layer.file if layer else None,
        layer=(layer.layer or layer.role) if layer else None,
        row=int(table["_row"].iloc[row]),
    )
