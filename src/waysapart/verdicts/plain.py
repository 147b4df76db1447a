"""Values as JSON has them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

_DECIMALS = {"m": 3, "us": 3, "db": 4, "deg": 7}
_DIGITS = 6


def figure(value: float | None, unit: str) -> float | None:
    """A number fit for JSON: rounded far below what the records can know, null where unknown.

    `share` and whatever else has no unit of its own keep six digits.
    """
    if value is None or not math.isfinite(value):
        return None
    if unit not in _DECIMALS:
        return float(f"{value:.{_DIGITS}g}") + 0.0
    return round(float(value), _DECIMALS[unit]) + 0.0


def figures(values: pd.Series | np.ndarray, unit: str) -> list[float | None]:
    """A column of numbers fit for JSON, as `figure` has one."""
    plain = values.tolist()
    if unit not in _DECIMALS:
        return [figure(value, unit) for value in plain]
    decimals, finite = _DECIMALS[unit], math.isfinite
    return [round(value, decimals) + 0.0 if finite(value) else None for value in plain]


def lon_lat(lon: float, lat: float, decimals: int = 7) -> list[float]:
    """Longitude and latitude in degrees, to about a centimetre."""
    return [round(float(lon), decimals) + 0.0, round(float(lat), decimals) + 0.0]


def text_or_none(value: object) -> str | None:
    """A cell's text; None where it is blank."""
    return value if isinstance(value, str) else None
