"""How much light is lost: each term of a link's loss, and their sum, worst and statistical.

Arrays hold one value per link (or per cable that a link runs through, with
the link's number beside it). Losses are positive, in dB. Blanks are NaN and
stay NaN: a link with an unknown term has an unknown loss.

Powers in dBm, losses and margins in dB, one value per link. NaN where the
records are blank.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from waysapart.arrays import Floats, Ints, Words, floats
from waysapart.errors import CallError

GIVEN, JOINTS, ESTIMATE, MIXED = "given", "joints", "estimate", "joints and estimate"
"""Where a number of splices comes from: the link's own column; the recorded joints that it
passes; an estimate from cable changes and reels; or recorded joints and, where none is on
record, an estimate."""

_ROUNDING = 1e-9  # a length of exactly n reels, computed, must not count as n + 1


def fibre_loss_db(length_m: ArrayLike, db_per_km: ArrayLike) -> Floats:
    """Loss of a length of fibre: metres times dB/km.

    The sum A = alpha L + alpha_s x + alpha_c y of fibre, x splices and y
    connectors is the method of MIL-STD-2042-6B(SH), Method 6E1.
    """
    return np.asarray(floats(length_m) / 1000 * floats(db_per_km))


def reel_splices(length_m: ArrayLike, reel_m: ArrayLike) -> Ints:
    """Splices inside a cable that came on reels: one fewer than the reels it took.

    Parameters
    ----------
    length_m : array_like
        Length of the cable, in metres; NaN counts as one reel.
    reel_m : array_like
        Length on one reel, above 0; NaN or infinite: one reel is enough.

    Returns
    -------
    numpy.ndarray of int
        ceil(length / reel) - 1, at least 0.
    """
    reel = floats(reel_m)
    if np.any(reel <= 0):
        raise CallError("reel_m must be above 0")
    reels = np.ceil(floats(length_m) / reel - _ROUNDING)
    return np.asarray(np.maximum(np.nan_to_num(reels), 1) - 1, dtype=np.int64)


def splice_count(
    given: ArrayLike,
    joints_passed: ArrayLike,
    unrecorded_changes: ArrayLike,
    reel_joints: ArrayLike,
) -> tuple[Ints, Words]:
    """How many splices a link has, and on which record that rests.

    Parameters
    ----------
    given : array_like
        The link's own `splices`; NaN where blank.
    joints_passed : array_like
        Recorded joints that it passes.
    unrecorded_changes : array_like
        Places without a recorded joint where it goes from one cable to the next.
    reel_joints : array_like
        `reel_splices` of every stretch between two recorded joints, or a joint
        and the cable's end, added up.

    Returns
    -------
    count : numpy.ndarray of int
        The given number; else recorded joints and the estimate together.
    basis : numpy.ndarray of str
        'given', 'joints', 'estimate' or 'joints and estimate'.

    Notes
    -----
    A joint cuts a stretch in two. As ceil(x) + ceil(y) >= ceil(x + y), one
    more joint on record never makes the count smaller.
    """
    own, joints = floats(given), floats(joints_passed)
    estimate = floats(unrecorded_changes) + floats(reel_joints)
    has_own = ~np.isnan(own)
    count = np.where(has_own, own, joints + estimate)
    by_record = np.where(joints > 0, np.where(estimate > 0, MIXED, JOINTS), ESTIMATE)
    return count.astype(np.int64), np.where(has_own, GIVEN, by_record)


def splice_loss_db(
    count: ArrayLike,
    basis: ArrayLike,
    splice_db: ArrayLike,
    joints_measured: ArrayLike = 0,
    measured_db: ArrayLike = 0.0,
) -> Floats:
    """Loss of a link's splices; joints with a loss of their own bring that.

    Parameters
    ----------
    count, basis : array_like
        From `splice_count`.
    splice_db : array_like
        Loss of a splice without a measured one, in dB.
    joints_measured, measured_db : array_like
        How many of the joints passed have a loss on record, and its sum in
        dB. Does not count where the link states a number of its own: it is not
        known there which splice the loss belongs to.
    """
    by_record = np.asarray(basis) != GIVEN
    measured = np.where(by_record, floats(joints_measured), 0.0)
    own_db = np.where(by_record, floats(measured_db), 0.0)
    return np.asarray((floats(count) - measured) * floats(splice_db) + own_db)


def repair_allowance_db(
    length_m: ArrayLike, splices_per_km_year: ArrayLike, years: ArrayLike, splice_db: ArrayLike
) -> Floats:
    """Loss kept for splices that repairs will add over the years, not rounded to whole splices."""
    splices = floats(length_m) / 1000 * floats(splices_per_km_year) * floats(years)
    return np.asarray(splices * floats(splice_db))


def fibre_variance_db2(
    length_m: ArrayLike, reel_m: ArrayLike, sigma_db_per_km: ArrayLike
) -> Floats:
    """Variance of a cable's loss where each reel's attenuation varies by itself.

    Parameters
    ----------
    length_m, reel_m : array_like
        Length of the cable and of a reel, in metres. The cable is taken as
        equal lengths, one off each reel.
    sigma_db_per_km : array_like
        Standard deviation of attenuation from reel to reel, in dB/km.

    Returns
    -------
    numpy.ndarray
        dB^2: n reels of L/n each give n (sigma L/n)^2 = (sigma L)^2 / n.
    """
    reels = reel_splices(length_m, reel_m) + 1
    return np.asarray((floats(sigma_db_per_km) * floats(length_m) / 1000) ** 2 / reels)


def items_variance_db2(count: ArrayLike, sigma_db: ArrayLike) -> Floats:
    """Variance of a number of splices, or connectors, that vary each by itself: n sigma^2, dB^2."""
    return np.asarray(floats(count) * floats(sigma_db) ** 2)


def statistical_db(
    mean_db: ArrayLike, variance_db2: ArrayLike, k: ArrayLike, worst_db: ArrayLike
) -> Floats:
    """Mean plus k standard deviations, never above the worst case.

    Parameters
    ----------
    mean_db : array_like
        Sum of the terms' means, with terms that do not vary in full.
    variance_db2 : array_like
        Sum of the terms' variances.
    k : array_like
        Standard deviations; for a normal sum 3 leaves 0.135 % above.
    worst_db : array_like
        The plain sum of the terms of a link.

    Notes
    -----
    Worked with k = 3 in the single-mode link loss worksheet of IBM's hardware
    planning guide (fibre, connections and splices, and a system variance).
    """
    total = floats(mean_db) + floats(k) * np.sqrt(floats(variance_db2))
    return np.minimum(total, floats(worst_db))


def least_loss_db(mean_db: ArrayLike, variance_db2: ArrayLike, k: ArrayLike) -> Floats:
    """Least loss to reckon with on the first day: mean less k standard deviations, not below 0.

    For the receiver's overload. `mean_db` must leave out what is kept for
    later, repairs and ageing, since none of it is there yet.
    """
    return np.maximum(floats(mean_db) - floats(k) * np.sqrt(floats(variance_db2)), 0.0)


# --- What is left of the light: margins at the receiver, the attenuator, and how much longer.


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
