"""Attribute filters where GDAL does not read the file itself."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from waysapart.opening import RefusedError, bounded, run
from waysapart.study.raw import ROW

if TYPE_CHECKING:
    from waysapart.study.raw import LayerSpec


def filtered(spec: LayerSpec, frame: pd.DataFrame) -> pd.DataFrame:
    """The rows that an attribute filter keeps, judged by SQLite on a table in memory.

    Text columns that hold numbers throughout are compared as numbers. The filter can only read
    this table, in bounded steps.

    Raises
    ------
    RefusedError
    """
    columns = {
        str(name): _numbers_where_all(values)
        for name, values in frame.drop(columns=["geometry"], errors="ignore").items()
    }
    told = ", ".join(f"{_quoted(name)} {_affinity(values)}" for name, values in columns.items())
    with closing(sqlite3.connect(":memory:")) as base:
        try:
            base.execute(f"CREATE TABLE rows ({told})")
            marks = ", ".join("?" * len(columns))
            cells = zip(*(_cells(values) for values in columns.values()), strict=True)
            base.executemany(f"INSERT INTO rows VALUES ({marks})", cells)
        except (sqlite3.Error, OverflowError, UnicodeError) as error:
            raise RefusedError(
                f"the filter where = {spec.where!r} cannot be used: {error}"
            ) from error
        bounded(base)
        query = f"SELECT {_quoted(ROW)} FROM rows WHERE ({spec.where}\n)"
        kept = run(base, query, f"the filter where = {spec.where!r}")
    return frame[frame[ROW].isin(kept)].reset_index(drop=True)


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _affinity(values: pd.Series) -> str:
    return "NUMERIC" if pd.api.types.is_numeric_dtype(values) else "TEXT"


def _cells(values: pd.Series) -> list[Any]:
    """Values as SQLite takes them; None where blank."""
    kept = values.astype(object).where(values.notna(), None)
    return [
        one if one is None or isinstance(one, int | float | str) else _plain(one) for one in kept
    ]


def _plain(one: object) -> int | float | str:
    if isinstance(one, np.generic) and isinstance(one.item(), bool | int | float):
        number: int | float = one.item()
        return number
    return str(one)


def _numbers_where_all(values: pd.Series) -> pd.Series:
    if pd.api.types.is_numeric_dtype(values):
        return values
    numbers = pd.to_numeric(values, errors="coerce")
    return numbers if (numbers.notna() | values.isna()).all() and len(values) else values
