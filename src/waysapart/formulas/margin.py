"""What is left of the light: margins at the receiver, the attenuator, and how much longer.

Powers in dBm, losses and margins in dB, one value per link. NaN where the
records are blank.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from waysapart.arrays import Floats, floats
from waysapart.errors import CallError
from waysapart.formulas.loss import fibre_loss_db, reel_splices

_ROUNDING = 1e-9


def power_budget_db(tx_min_dbm: ArrayLike, rx_min_dbm: ArrayLike) -> Floats:
    """Loss that a link can stand: least launched power less the receiver's sensitivity."""
    return np.asarray(floats(tx_min_dbm) - floats(rx_min_dbm))


def sensitivity_margin_db(
    tx_min_dbm: ArrayLike, rx_min_dbm: ArrayLike, loss_db: ArrayLike
) -> Floats:
    """How much more could be lost before the receiver sees too little; below 0: too little."""
    return np.asarray(power_budget_db(tx_min_dbm, rx_min_dbm) - floats(loss_db))


def overload_margin_db(tx_max_dbm: ArrayLike, rx_max_dbm: ArrayLike, least_db: ArrayLike) -> Floats:
    """How far the strongest light stays below the receiver's overload; below 0: too much.

    `least_db` is the least loss to reckon with, from `waysapart.formulas.loss.least_loss_db`.
    """
    return np.asarray(floats(rx_max_dbm) - floats(tx_max_dbm) + floats(least_db))


def attenuator_db(overload_db: ArrayLike, sensitivity_db: ArrayLike) -> tuple[Floats, Floats]:
    """Attenuator that a short span with a strong transmitter needs, and the most it can bear.

    Parameters
    ----------
    overload_db, sensitivity_db : array_like
        Margins from `overload_margin_db` and `sensitivity_margin_db`.

    Returns
    -------
    needed_db : numpy.ndarray
        0 where none is needed; NaN where the overload margin is unknown.
    most_db : numpy.ndarray
        What the margin at sensitivity leaves for it, at least 0. Where
        `needed_db` is greater, no attenuator suits: another transmitter does.
    """
    return np.maximum(-floats(overload_db), 0.0), np.maximum(floats(sensitivity_db), 0.0)


def longest_length_m(
    budget_db: ArrayLike,
    fixed_db: ArrayLike,
    db_per_km: ArrayLike,
    splice_db: ArrayLike = 0.0,
    reel_m: ArrayLike = np.inf,
) -> Floats:
    """Greatest length whose loss the budget still covers, a splice after every full reel.

    Parameters
    ----------
    budget_db : array_like
        From `power_budget_db`.
    fixed_db : array_like
        What does not grow with length: connectors, `via`, reserve.
    db_per_km : array_like
        All that grows evenly with length: fibre, a splice or repair allowance per km.
    splice_db : array_like
        Loss of the splice between two reels.
    reel_m : array_like
        Length on one reel in metres, above 0; infinite: no splices.

    Returns
    -------
    numpy.ndarray
        Metres; 0 where the fixed losses alone are too much, infinite where
        nothing grows with length.

    Notes
    -----
    With B = budget - fixed, n whole reels lose a n r + s (n - 1). The greatest
    n within B is floor((B + s) / (a r + s)); the part of the next reel, behind
    n splices, may bring the length to (B - s n) / a.
    """
    budget, fixed, slope, splice, reel = np.broadcast_arrays(
        floats(budget_db), floats(fixed_db), floats(db_per_km), floats(splice_db), floats(reel_m)
    )
    if np.any(reel <= 0) or np.any(slope < 0) or np.any(splice < 0):
        raise CallError("reel_m must be above 0, losses 0 or more")
    left_db = budget - fixed
    endless = np.isinf(reel)
    with np.errstate(divide="ignore", invalid="ignore"):
        step_db = slope * reel / 1000 + splice
        reels = np.floor((left_db + splice) / step_db + _ROUNDING)
        reels = np.where(endless, 0.0, np.maximum(reels, 0.0))
        whole_m = np.where(endless, 0.0, reels * reel)
        length_m = np.maximum((left_db - splice * reels) / slope * 1000, whole_m)
    length_m = np.where(left_db < 0, 0.0, length_m)
    unknown = np.isnan(left_db) | np.isnan(slope) | np.isnan(splice) | np.isnan(reel)
    return np.where(unknown, np.nan, length_m)


def extra_length_m(
    margin_db: ArrayLike,
    length_m: ArrayLike,
    db_per_km: ArrayLike,
    splice_db: ArrayLike = 0.0,
    reel_m: ArrayLike = np.inf,
) -> Floats:
    """How much longer a cable could be before its link's margin is used up.

    Parameters
    ----------
    margin_db : array_like
        Margin of the link as it is, less what must be kept.
    length_m : array_like
        Present length of the cable, in metres.
    db_per_km, splice_db, reel_m : array_like
        As in `longest_length_m`.

    Returns
    -------
    numpy.ndarray
        Metres; below 0 where it is too long already, by as much as that, and
        at worst less its whole length.
    """
    now_db = fibre_loss_db(length_m, db_per_km) + reel_splices(length_m, reel_m) * floats(splice_db)
    longest = longest_length_m(floats(margin_db) + now_db, 0.0, db_per_km, splice_db, reel_m)
    return np.asarray(longest - floats(length_m))
