"""The array types that the figures are worked out in."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats: TypeAlias = NDArray[np.float64]
Counts: TypeAlias = NDArray[np.int64]
Flags: TypeAlias = NDArray[np.bool_]
Words: TypeAlias = NDArray[np.str_]


def floats(values: ArrayLike) -> Floats:
    """Any numbers as a float64 array; a blank (None) becomes NaN."""
    return np.asarray(values, dtype=np.float64)


def sum_by(index: ArrayLike, values: ArrayLike, count: int) -> Floats:
    """Add values up by the whole number beside each: shape (count,); NaN carries through."""
    return np.bincount(np.asarray(index, np.int64), floats(values), count).astype(np.float64)


def greatest_by(index: ArrayLike, values: ArrayLike, count: int) -> Floats:
    """Greatest value by the whole number beside each: shape (count,); NaN where none or unknown."""
    greatest = np.full(count, -np.inf)
    with np.errstate(invalid="ignore"):
        np.maximum.at(greatest, np.asarray(index, np.int64), floats(values))
    return np.where(np.isneginf(greatest), np.nan, greatest)
