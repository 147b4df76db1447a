"""Loss of a link, worst case and statistical, the margins that it leaves, and the longest length.

Arrays hold one value per link (or per cable of a link, with the link's number beside it).
Losses and margins are in dB, losses positive; powers are in dBm. A blank is NaN and stays NaN:
a link with an unknown term has an unknown loss.
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
    """Loss of a length of fibre: length times attenuation.

    Parameters
    ----------
    length_m : array_like
        In metres.
    db_per_km : array_like

    Returns
    -------
    numpy.ndarray
        dB.

    Notes
    -----
    The sum A = alpha L + alpha_s x + alpha_c y of fibre, x splices and y
    connectors is the method of MIL-STD-2042-6B(SH), Method 6E1.

    Examples
    --------
    >>> fibre_loss_db([15_000, 8_000], [2.0, 0.5]).tolist()
    [30.0, 4.0]
    """
    return np.asarray(floats(length_m) / 1000 * floats(db_per_km))


def reel_splices(length_m: ArrayLike, reel_m: ArrayLike) -> Ints:
    """Number of splices inside a cable that came on reels: one fewer than its reels.

    Parameters
    ----------
    length_m : array_like
        Length of the cable, in metres; NaN counts as one reel.
    reel_m : array_like
        Length on one reel, in metres, above 0; NaN or infinite: one reel is enough.

    Returns
    -------
    numpy.ndarray of int
        ceil(length / reel) - 1, at least 0.

    Raises
    ------
    CallError
        A reel is not above 0.

    Examples
    --------
    >>> reel_splices([7000, 7001, None], 1000).tolist()
    [6, 7, 0]
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
    """Number of splices of a link, and the record on which it rests.

    Parameters
    ----------
    given : array_like
        The link's own `splices`; NaN where blank.
    joints_passed : array_like
        Recorded joints that the link passes.
    unrecorded_changes : array_like
        Places without a recorded joint where one cable of the link is joined to the next.
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
    A joint divides a stretch in two. As ceil(x) + ceil(y) >= ceil(x + y), one
    more joint on record never makes the count smaller.

    Examples
    --------
    >>> count, basis = splice_count([4, None, None], [1, 3, 0], 0, reel_joints=[0, 2, 6])
    >>> count.tolist(), basis.tolist()
    ([4, 5, 6], ['given', 'joints and estimate', 'estimate'])
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
    """Loss of a link's splices; a joint with a measured loss counts with that.

    Parameters
    ----------
    count, basis : array_like
        From `splice_count`.
    splice_db : array_like
        Loss of a splice without a measured one, in dB.
    joints_measured, measured_db : array_like
        How many of the joints passed have a loss on record, and its sum in
        dB. Both are ignored where the link states a number of its own: it is not
        known there which splice the loss belongs to.

    Returns
    -------
    numpy.ndarray
        dB.

    Examples
    --------
    >>> splice_loss_db([6, 5], ["estimate", "joints"], 0.5, [0, 2], measured_db=[0.0, 0.3]).tolist()
    [3.0, 1.8]
    """
    by_record = np.asarray(basis) != GIVEN
    measured = np.where(by_record, floats(joints_measured), 0.0)
    own_db = np.where(by_record, floats(measured_db), 0.0)
    return np.asarray((floats(count) - measured) * floats(splice_db) + own_db)


def repair_allowance_db(
    length_m: ArrayLike, splices_per_km_year: ArrayLike, years: ArrayLike, splice_db: ArrayLike
) -> Floats:
    """Loss reserved for splices that repairs will add over the years.

    Parameters
    ----------
    length_m : array_like
        Length of the cable, in metres.
    splices_per_km_year, years : array_like
        Splices that repairs add in a year, per km, and for how many years.
    splice_db : array_like
        Loss of one of them, in dB.

    Returns
    -------
    numpy.ndarray
        dB; the number of splices is not rounded to whole splices.

    Examples
    --------
    >>> repair_allowance_db(10_000, 0.02, 25, 0.1).round(6).item()  # 5 splices
    0.5
    """
    splices = floats(length_m) / 1000 * floats(splices_per_km_year) * floats(years)
    return np.asarray(splices * floats(splice_db))


def fibre_variance_db2(
    length_m: ArrayLike, reel_m: ArrayLike, sigma_db_per_km: ArrayLike
) -> Floats:
    """Variance of a cable's loss where each reel's attenuation varies independently.

    Parameters
    ----------
    length_m, reel_m : array_like
        Length of the cable and of a reel, in metres. The cable is taken as
        equal lengths, one from each reel.
    sigma_db_per_km : array_like
        Standard deviation of attenuation from reel to reel, in dB/km.

    Returns
    -------
    numpy.ndarray
        dB^2: n reels of L/n each give n (sigma L/n)^2 = (sigma L)^2 / n.

    Examples
    --------
    >>> fibre_variance_db2([2000, 8000], 2000, 0.02).round(6).tolist()  # 1 reel, and 4
    [0.0016, 0.0064]
    """
    reels = reel_splices(length_m, reel_m) + 1
    return np.asarray((floats(sigma_db_per_km) * floats(length_m) / 1000) ** 2 / reels)


def items_variance_db2(count: ArrayLike, sigma_db: ArrayLike) -> Floats:
    """Variance of the loss of splices, or connectors, that vary independently: n sigma^2.

    Parameters
    ----------
    count : array_like
    sigma_db : array_like
        Standard deviation of the loss of one, in dB.

    Returns
    -------
    numpy.ndarray
        dB^2.

    Examples
    --------
    >>> items_variance_db2(9, 0.1).round(6).item()
    0.09
    """
    return np.asarray(floats(count) * floats(sigma_db) ** 2)


def statistical_db(
    mean_db: ArrayLike, variance_db2: ArrayLike, k: ArrayLike, worst_db: ArrayLike
) -> Floats:
    """Mean plus k standard deviations, never above the worst case.

    Parameters
    ----------
    mean_db : array_like
        Sum of the terms' means and of the terms that do not vary, in dB.
    variance_db2 : array_like
        Sum of the terms' variances, in dB^2.
    k : array_like
        Standard deviations; for a normal sum 3 leaves 0.135 % above.
    worst_db : array_like
        Sum of the worst values of the terms, in dB.

    Returns
    -------
    numpy.ndarray
        dB.

    Notes
    -----
    Worked with k = 3 in the single-mode link loss worksheet of IBM's hardware
    planning guide (fibre, connections and splices, and a system variance).

    Examples
    --------
    >>> statistical_db(10, 0.25, 3, worst_db=[12, 11]).tolist()
    [11.5, 11.0]
    """
    total = floats(mean_db) + floats(k) * np.sqrt(floats(variance_db2))
    return np.minimum(total, floats(worst_db))


def least_loss_db(mean_db: ArrayLike, variance_db2: ArrayLike, k: ArrayLike) -> Floats:
    """Least loss on the first day: mean less k standard deviations, not below 0.

    The receiver's overload is checked with it.

    Parameters
    ----------
    mean_db : array_like
        Sum of the terms' means, in dB, without the allowances for repairs and ageing, since
        none of that is there yet.
    variance_db2 : array_like
        Sum of the terms' variances, in dB^2.
    k : array_like
        Standard deviations.

    Returns
    -------
    numpy.ndarray
        dB.

    Examples
    --------
    >>> least_loss_db([10, 1], 0.25, 3).tolist()
    [8.5, 0.0]
    """
    return np.maximum(floats(mean_db) - floats(k) * np.sqrt(floats(variance_db2)), 0.0)


def power_budget_db(tx_min_dbm: ArrayLike, rx_min_dbm: ArrayLike) -> Floats:
    """Greatest loss of a link: least launched power less the receiver's sensitivity.

    Parameters
    ----------
    tx_min_dbm, rx_min_dbm : array_like
        In dBm.

    Returns
    -------
    numpy.ndarray
        dB.

    Examples
    --------
    >>> power_budget_db(-10, -41).item()
    31.0
    """
    return np.asarray(floats(tx_min_dbm) - floats(rx_min_dbm))


def sensitivity_margin_db(
    tx_min_dbm: ArrayLike, rx_min_dbm: ArrayLike, loss_db: ArrayLike
) -> Floats:
    """Margin at the receiver's sensitivity; below 0, too little power arrives.

    Parameters
    ----------
    tx_min_dbm, rx_min_dbm : array_like
        Least launched power, and the receiver's sensitivity, in dBm.
    loss_db : array_like
        Loss of the link, in dB.

    Returns
    -------
    numpy.ndarray
        dB.

    Examples
    --------
    >>> sensitivity_margin_db(-10, -41, 28.7).round(6).item()
    2.3
    """
    return np.asarray(power_budget_db(tx_min_dbm, rx_min_dbm) - floats(loss_db))


def overload_margin_db(tx_max_dbm: ArrayLike, rx_max_dbm: ArrayLike, least_db: ArrayLike) -> Floats:
    """Margin at the receiver's overload; below 0, too much power arrives.

    Parameters
    ----------
    tx_max_dbm, rx_max_dbm : array_like
        Greatest launched power, and the receiver's overload, in dBm.
    least_db : array_like
        Least loss of the link, from `least_loss_db`, in dB.

    Returns
    -------
    numpy.ndarray
        dB.

    Examples
    --------
    >>> overload_margin_db(0, -8, [6.0, 9.5]).tolist()
    [-2.0, 1.5]
    """
    return np.asarray(floats(rx_max_dbm) - floats(tx_max_dbm) + floats(least_db))


def attenuator_db(overload_db: ArrayLike, sensitivity_db: ArrayLike) -> tuple[Floats, Floats]:
    """Attenuator that a short span with a strong transmitter needs, and the greatest that fits.

    Parameters
    ----------
    overload_db, sensitivity_db : array_like
        Margins from `overload_margin_db` and `sensitivity_margin_db`, in dB.

    Returns
    -------
    needed_db : numpy.ndarray
        0 where none is needed; NaN where the overload margin is unknown.
    most_db : numpy.ndarray
        What the margin at sensitivity leaves for it, at least 0. Where `needed_db` is
        greater, no attenuator fits, and the link needs another transmitter.

    Examples
    --------
    >>> needed_db, most_db = attenuator_db([-2.0, 1.5], [12.0, 3.0])
    >>> needed_db.tolist(), most_db.tolist()
    ([2.0, 0.0], [12.0, 3.0])
    """
    return np.maximum(-floats(overload_db), 0.0), np.maximum(floats(sensitivity_db), 0.0)


def longest_length_m(
    budget_db: ArrayLike,
    fixed_db: ArrayLike,
    db_per_km: ArrayLike,
    splice_db: ArrayLike = 0.0,
    reel_m: ArrayLike = np.inf,
) -> Floats:
    """Greatest length whose loss the budget covers, with a splice after every full reel.

    Parameters
    ----------
    budget_db : array_like
        From `power_budget_db`, in dB.
    fixed_db : array_like
        Losses that do not grow with length: connectors, `via`, reserve.
    db_per_km : array_like
        Losses in proportion to length: fibre, a splice or repair allowance per km.
    splice_db : array_like
        Loss of the splice between two reels, in dB.
    reel_m : array_like
        Length on one reel in metres, above 0; infinite: no splices.

    Returns
    -------
    numpy.ndarray
        Metres; 0 where the fixed losses alone exceed the budget, infinite where
        no loss grows with length.

    Raises
    ------
    CallError
        A reel is not above 0, or a loss is below 0.

    Notes
    -----
    With B = budget - fixed, n whole reels lose a n r + s (n - 1). The greatest
    n within B is floor((B + s) / (a r + s)); the part of the next reel, behind
    n splices, may bring the length to (B - s n) / a.

    Examples
    --------
    >>> longest_length_m(25, 1.6 + 7, 3.5 + 0.7).round().item()
    3905.0
    >>> longest_length_m(31, 7.5, 2.6, splice_db=0.5, reel_m=1000).round().item()  # 7 splices
    7692.0
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
    """Spare length of a cable before its link's margin is used up.

    Parameters
    ----------
    margin_db : array_like
        Margin of the link as it is, less the margin required, in dB.
    length_m : array_like
        Present length of the cable, in metres.
    db_per_km, splice_db, reel_m : array_like
        As in `longest_length_m`.

    Returns
    -------
    numpy.ndarray
        Metres; below 0 where the cable is too long already, by that much, but by no more than
        its whole length.

    Raises
    ------
    CallError
        As `longest_length_m`.

    Examples
    --------
    >>> margin_db = sensitivity_margin_db(0, -25, fibre_loss_db(2000, 4.2) + 1.6 + 7)
    >>> extra_length_m(margin_db, 2000, 4.2).round().item()
    1905.0
    """
    now_db = fibre_loss_db(length_m, db_per_km) + reel_splices(length_m, reel_m) * floats(splice_db)
    longest = longest_length_m(floats(margin_db) + now_db, 0.0, db_per_km, splice_db, reel_m)
    return np.asarray(longest - floats(length_m))
