"""Measurements: means of both directions, disagreement with the records, and missing ones."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from waysapart.arrays import Bools, Floats, floats, sum_by
from waysapart.errors import CallError

TESTS = ("drum", "installed", "end-to-end, go", "end-to-end, return")
"""Measurements that each fibre in use should have before its circuit goes into service.

Common practice, no source."""

DAYS_PER_YEAR = 365.25


def two_way_mean(item: ArrayLike, returns: ArrayLike, value: ArrayLike, count: int) -> Floats:
    """Mean of the measurements of each fibre, with the same weight for both directions.

    Parameters
    ----------
    item : array_like of int, shape (measurements,)
        Which fibre (or link) was measured.
    returns : array_like of bool, shape (measurements,)
        True where it was measured in the return direction.
    value : array_like, shape (measurements,)
        Measured loss, length or delay; NaN where it is blank.
    count : int
        How many fibres there are.

    Returns
    -------
    numpy.ndarray of shape (count,)
        Mean of the go mean and the return mean; the mean of one direction where only that was
        measured; NaN where neither was.

    Notes
    -----
    A reflectometer reads the splice of two fibres that scatter differently too high from one
    end and too low from the other by the same amount; the mean of both is its loss.

    Examples
    --------
    >>> returns, loss_db = [False, False, True, True], [0.10, 0.12, 0.31, 0.2]
    >>> two_way_mean([0, 0, 0, 1], returns, loss_db, count=3).round(6).tolist()
    [0.21, 0.2, nan]
    """
    index, number = np.asarray(item, dtype=np.int64), floats(value)
    known = ~np.isnan(number)
    side = np.asarray(returns, dtype=bool)
    means = np.full((2, count), np.nan)
    for row, wanted in enumerate((~side, side)):
        rows = known & wanted
        times = np.bincount(index[rows], minlength=count)
        total = sum_by(index[rows], number[rows], count)
        np.divide(total, times, out=means[row], where=times > 0)
    directions = (~np.isnan(means)).sum(axis=0)
    mean = np.full(count, np.nan)
    np.divide(np.nan_to_num(means).sum(axis=0), directions, out=mean, where=directions > 0)
    return mean


def differs(
    measured: ArrayLike, computed: ArrayLike, tolerance_pct: ArrayLike, least: ArrayLike
) -> Bools:
    """Whether a measured value differs from the computed one by more than the tolerance.

    Parameters
    ----------
    measured, computed : array_like
        In the same unit; NaN in either is not a difference.
    tolerance_pct : array_like
        In per cent of the computed value.
    least : array_like
        Difference that never counts, in the unit of the values. The larger of
        the two tolerances applies.

    Returns
    -------
    numpy.ndarray of bool

    Examples
    --------
    >>> differs([520, 521, 5100, None], [500, 500, 5000, 1], tolerance_pct=2, least=20).tolist()
    [False, True, False, False]
    """
    expected = floats(computed)
    allowed = np.maximum(floats(tolerance_pct) / 100 * np.abs(expected), floats(least))
    return np.asarray(np.abs(floats(measured) - expected) > allowed, dtype=bool)


def too_old(tested_on: ArrayLike, today: ArrayLike, most_years: float) -> Bools:
    """Whether a measurement is older than the rules allow; one without a date is.

    Parameters
    ----------
    tested_on, today : array_like of datetime64
    most_years : float
        Years of 365.25 days.

    Returns
    -------
    numpy.ndarray of bool

    Examples
    --------
    >>> too_old(["2021-01-01", "2020-12-31", "NaT"], "2026-01-01", 5).tolist()
    [False, True, True]
    """
    then = np.asarray(tested_on, dtype="datetime64[D]")
    age_days = (np.asarray(today, dtype="datetime64[D]") - then) / np.timedelta64(1, "D")
    return np.asarray(np.isnat(then) | (age_days > most_years * DAYS_PER_YEAR), dtype=bool)


def tests_missing(item: ArrayLike, stage: ArrayLike, direction: ArrayLike, count: int) -> Bools:
    """Which of `TESTS` each fibre still lacks.

    Parameters
    ----------
    item : array_like of int, shape (measurements,)
        Which fibre was measured.
    stage : array_like of str, shape (measurements,)
        'drum', 'installed' or 'end-to-end'; a measurement without a stage counts for none.
    direction : array_like of str, shape (measurements,)
        'go' or 'return'; an end-to-end measurement without a direction counts as go.
    count : int
        How many fibres there are.

    Returns
    -------
    numpy.ndarray of bool, shape (count, 4)

    Raises
    ------
    CallError
        The arrays differ in length.

    Examples
    --------
    >>> stage, direction = ["drum", "end-to-end", "end-to-end"], [None, "go", "return"]
    >>> tests_missing([0, 0, 1], stage, direction, count=2).tolist()
    [[False, True, False, True], [True, True, True, False]]
    """
    index = np.asarray(item, dtype=np.int64)
    stages: NDArray[np.object_] = np.asarray(stage, dtype=object)
    back = np.asarray(direction, dtype=object) == "return"
    if not len(index) == len(stages) == len(back):
        raise CallError("item, stage and direction need one entry per test")
    end_to_end = stages == "end-to-end"
    done = (stages == "drum", stages == "installed", end_to_end & ~back, end_to_end & back)
    missing = np.ones((count, len(TESTS)), dtype=bool)
    for column, rows in enumerate(done):
        missing[index[rows], column] = False
    return missing
