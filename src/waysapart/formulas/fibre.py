"""Attenuation, group index, bandwidth and dispersion of fibre at a wavelength.

A wavelength that the catalogue does not cover gives NaN, never a guess; the
caller reports a record gap.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike

from waysapart.arrays import Floats, Words, floats
from waysapart.errors import CallError

WAVELENGTH_TOLERANCE_NM = 30.0
"""How far outside the catalogue's wavelengths, or from a bandwidth's, a value still
holds. Common practice, no source: sources sold as '850' or '1310' are
specified over windows about this wide either side (the interface of IEEE
C37.94 works at 820 nm in the manual of GE's B30, p. 3-46; fibre for it is specified at 850 nm)."""

LIMITS = ("loss", "bandwidth", "dispersion")


def attenuation_db_per_km(
    wavelength_nm: ArrayLike,
    table: Mapping[float, float],
    tolerance_nm: float = WAVELENGTH_TOLERANCE_NM,
) -> Floats:
    """Attenuation at each wavelength, from a catalogue's values.

    Parameters
    ----------
    wavelength_nm : array_like
        Wavelengths in nm.
    table : mapping of float to float
        dB/km by wavelength in nm.
    tolerance_nm : float
        How far beyond the table's ends a value is still given, in nm.

    Returns
    -------
    numpy.ndarray
        dB/km: linear between the table's wavelengths; NaN beyond the tolerance, and
        where the wavelength is NaN.

    Raises
    ------
    CallError
        The tolerance is below 0.

    Notes
    -----
    Below the shortest wavelength the value grows as (l0 / l)^4, the law of
    Rayleigh scattering. No other loss of the fibre grows faster there, so the
    figure errs on the safe side. Beyond the longest it stays as it is.

    Examples
    --------
    >>> attenuation_db_per_km([1310, 1430, 1550, 1600], {1310: 0.35, 1550: 0.22}).round(3).tolist()
    [0.35, 0.285, 0.22, nan]
    >>> attenuation_db_per_km(820, {850: 3.5, 1300: 1.5}).round(3).item()  # 3.5 x (850 / 820)^4
    4.041
    """
    wavelength = floats(wavelength_nm)
    found = _interpolated(wavelength, table, tolerance_nm)
    if not table:
        return found
    shortest = min(table)
    with np.errstate(divide="ignore"):
        return np.asarray(found * np.maximum(1.0, shortest / wavelength) ** 4)


def group_index(
    wavelength_nm: ArrayLike,
    table: Mapping[float, float],
    tolerance_nm: float = WAVELENGTH_TOLERANCE_NM,
) -> Floats:
    """Group index at each wavelength, from a catalogue's values.

    Parameters
    ----------
    wavelength_nm, tolerance_nm
        As in `attenuation_db_per_km`.
    table : mapping of float to float
        Group index by wavelength in nm.

    Returns
    -------
    numpy.ndarray
        Linear between the table's wavelengths, constant beyond its ends; NaN beyond the
        tolerance. Over 30 nm it changes by about 1e-4 in single-mode fibre, that is, by less
        than a nanosecond per kilometre.

    Raises
    ------
    CallError
        The tolerance is below 0.

    Examples
    --------
    >>> group_index([1310, 1430, 1500], {1310: 1.4676, 1550: 1.4682}).round(5).tolist()
    [1.4676, 1.4679, 1.46808]
    """
    return _interpolated(floats(wavelength_nm), table, tolerance_nm)


def by_type(
    fibre_type: ArrayLike,
    wavelength_nm: ArrayLike,
    tables: Mapping[str, Mapping[float, float]],
    tolerance_nm: float = WAVELENGTH_TOLERANCE_NM,
    *,
    attenuation: bool,
) -> Floats:
    """Attenuation, or else group index, of rows of different fibre types.

    Parameters
    ----------
    fibre_type : array_like of str, shape (n,)
    wavelength_nm : array_like, shape (n,)
        In nm.
    tables : mapping of fibre type to table
        Values by wavelength in nm.
    tolerance_nm : float
        In nm.
    attenuation : bool
        True for `attenuation_db_per_km`, False for `group_index`.

    Returns
    -------
    numpy.ndarray of shape (n,)
        dB/km, or group index; NaN where the type has no table.

    Examples
    --------
    >>> tables = {"G.652.D": {1310: 0.35, 1550: 0.22}, "OM1": {850: 3.5, 1300: 1.5}}
    >>> by_type(["OM1", "G.652.D", None], [850, 1550, 850], tables, attenuation=True).tolist()
    [3.5, 0.22, nan]
    """
    types, wavelength = np.broadcast_arrays(
        np.asarray(fibre_type, dtype=object), floats(wavelength_nm)
    )
    value = np.full(wavelength.shape, np.nan)
    look_up = attenuation_db_per_km if attenuation else group_index
    for name, table in tables.items():
        rows = types == name
        if rows.any():
            value[rows] = look_up(wavelength[rows], table, tolerance_nm)
    return value


def bandwidth_mhz_km(
    wavelength_nm: ArrayLike,
    table: Mapping[float, float],
    tolerance_nm: float = WAVELENGTH_TOLERANCE_NM,
) -> Floats:
    """Modal bandwidth at the nearest wavelength that the catalogue gives.

    Parameters
    ----------
    wavelength_nm, tolerance_nm
        As in `attenuation_db_per_km`.
    table : mapping of float to float
        MHz km by wavelength in nm.

    Returns
    -------
    numpy.ndarray
        MHz km; NaN where no wavelength of the table lies within the tolerance. The bandwidth
        of graded-index fibre peaks at one wavelength, so it cannot be interpolated.

    Examples
    --------
    >>> bandwidth_mhz_km([820, 850, 1310, 1000], {850: 200, 1300: 500}).tolist()
    [200.0, 200.0, 500.0, nan]
    """
    wavelength = floats(wavelength_nm)
    if not table:
        return np.full(wavelength.shape, np.nan)
    known_nm = np.array(sorted(table), dtype=np.float64)
    values = np.array([table[key] for key in sorted(table)], dtype=np.float64)
    away_nm = np.abs(wavelength[..., None] - known_nm)
    near = away_nm.min(axis=-1) <= tolerance_nm
    return np.where(near, values[away_nm.argmin(axis=-1)], np.nan)


def dispersion_ps_nm_km(wavelength_nm: ArrayLike, lambda0_nm: ArrayLike, s0: ArrayLike) -> Floats:
    """Chromatic dispersion of single-mode fibre, with its sign.

    Parameters
    ----------
    wavelength_nm, lambda0_nm : array_like
        Wavelength, and that of zero dispersion, in nm.
    s0 : array_like
        Slope at zero dispersion, in ps/(nm^2 km).

    Returns
    -------
    numpy.ndarray
        ps/(nm km).

    Notes
    -----
    D = (S0/4) (l - l0^4 / l^3); D. K. Mynbaev and L. L. Scheiner,
    *Fiber-Optic Communications Technology*, ch. 3 and 6.

    Examples
    --------
    >>> dispersion_ps_nm_km(1550, 1310, 0.092).round(2).item()  # Example 6.3.1
    17.46
    >>> dispersion_ps_nm_km(1300, 1343, 0.097).round(2).item()  # Example 3.3.5
    -4.38
    """
    wavelength, lambda0 = floats(wavelength_nm), floats(lambda0_nm)
    return np.asarray(floats(s0) / 4 * (wavelength - lambda0**4 / wavelength**3))


def greatest_dispersion_ps_nm_km(
    wavelength_nm: ArrayLike,
    lambda0_min_nm: ArrayLike,
    lambda0_max_nm: ArrayLike,
    s0_max: ArrayLike,
) -> Floats:
    """Greatest absolute dispersion of a fibre within the limits of its type.

    Parameters
    ----------
    wavelength_nm, lambda0_min_nm, lambda0_max_nm : array_like
        Wavelength, and limits of that of zero dispersion, in nm.
    s0_max : array_like
        Greatest slope at zero dispersion, in ps/(nm^2 km).

    Returns
    -------
    numpy.ndarray
        ps/(nm km), never below 0.

    Notes
    -----
    D falls as l0 rises and is proportional to S0, so the extremes lie at the
    two ends of l0 with the greatest slope.

    Examples
    --------
    >>> greatest_dispersion_ps_nm_km([1550, 1310], 1300, 1324, 0.092).round(2).tolist()
    [18.01, 1.31]
    """
    return np.maximum(
        np.abs(dispersion_ps_nm_km(wavelength_nm, lambda0_min_nm, s0_max)),
        np.abs(dispersion_ps_nm_km(wavelength_nm, lambda0_max_nm, s0_max)),
    )


def link_dispersion_ps_nm(length_m: ArrayLike, dispersion: ArrayLike) -> Floats:
    """Dispersion of a length of fibre; that of a link is the sum over its cables.

    Parameters
    ----------
    length_m : array_like
        In metres.
    dispersion : array_like
        In ps/(nm km).

    Returns
    -------
    numpy.ndarray
        ps/nm.

    Examples
    --------
    >>> link_dispersion_ps_nm(100_000, dispersion_ps_nm_km(1550, 1310, 0.092)).round(2).item()
    1746.06
    """
    return np.asarray(floats(length_m) / 1000 * floats(dispersion))


def binding_limit(
    by_loss_m: ArrayLike, by_bandwidth_m: ArrayLike, by_dispersion_m: ArrayLike
) -> tuple[Floats, Words]:
    """Greatest length of a link by all limits at once, and which of them sets it.

    Parameters
    ----------
    by_loss_m, by_bandwidth_m, by_dispersion_m : array_like
        Greatest length by each limit in metres; infinite or NaN where a limit
        does not apply.

    Returns
    -------
    length_m : numpy.ndarray
        The least of the three; NaN where none applies.
    limit : numpy.ndarray of str
        'loss', 'bandwidth' or 'dispersion', the first of these where two are
        equal; '' where none applies.

    Examples
    --------
    >>> length_m, limit = binding_limit([40_000, None], [np.inf, None], [25_000, None])
    >>> length_m.tolist(), limit.tolist()
    ([25000.0, nan], ['dispersion', ''])
    """
    limits = np.stack(
        np.broadcast_arrays(floats(by_loss_m), floats(by_bandwidth_m), floats(by_dispersion_m))
    )
    limits = np.where(np.isnan(limits), np.inf, limits)
    length_m = limits.min(axis=0)
    applies = np.isfinite(length_m)
    names = np.where(applies, np.array(LIMITS)[limits.argmin(axis=0)], "")
    return np.where(applies, length_m, np.nan), names


def _interpolated(wavelength: Floats, table: Mapping[float, float], tolerance_nm: float) -> Floats:
    if tolerance_nm < 0:
        raise CallError("tolerance_nm must be 0 or more")
    if not table:
        return np.full(wavelength.shape, np.nan)
    known_nm = np.array(sorted(table), dtype=np.float64)
    values = np.array([table[key] for key in sorted(table)], dtype=np.float64)
    covered = (wavelength >= known_nm[0] - tolerance_nm) & (
        wavelength <= known_nm[-1] + tolerance_nm
    )
    return np.where(covered, np.interp(wavelength, known_nm, values), np.nan)
