"""Attribute filters where GDAL does not read the file itself."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import pandas as pd

from waysapart.study.raw import ROW, fault, one_line

if TYPE_CHECKING:
    from waysapart.study.settings import LayerSpec


def filtered(spec: LayerSpec, frame: pd.DataFrame) -> pd.DataFrame:
    """The rows that an attribute filter keeps, judged by GDAL on a layer in memory.

    Text columns that hold numbers throughout are compared as numbers.
    """
    import pandas as pd
    import pyogrio

    columns: Mapping[Any, Any] = {
        name: _numbers_where_all(values)
        for name, values in frame.drop(columns=["geometry"], errors="ignore").items()
    }
    store = f"/vsimem/{uuid.uuid4().hex}.gpkg"
    try:
        pyogrio.write_dataframe(pd.DataFrame(columns), store, driver="GPKG", layer="rows")
        kept = pyogrio.read_dataframe(
            store, layer="rows", where=spec.where, columns=[ROW], read_geometry=False
        )[ROW]
    except (OSError, ValueError, RuntimeError) as error:
        raise fault(
            spec, f"the filter where = {spec.where!r} cannot be used: {one_line(error)}"
        ) from error
    finally:
        pyogrio.vsi_unlink(store)
    return frame[frame[ROW].isin(kept)].reset_index(drop=True)


def _numbers_where_all(values: pd.Series) -> pd.Series:
    import pandas as pd

    if pd.api.types.is_numeric_dtype(values):
        return values
    numbers = pd.to_numeric(values, errors="coerce")
    return numbers if (numbers.notna() | values.isna()).all() and len(values) else values
