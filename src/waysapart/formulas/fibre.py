"""What the glass does: attenuation and group index at a wavelength, dispersion, bandwidth.

A wavelength that the catalogue does not cover gives NaN, never a guess; the
caller makes a record gap of it.
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
C37.94 works at 820 nm in one relay manual, fibre for it is specified at 850 nm)."""

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

    Notes
    -----
    Below the shortest wavelength the value grows as (l0 / l)^4, the law of
    Rayleigh scattering. Nothing else in the glass grows faster there, so the
    figure errs on the safe side. Beyond the longest it stays as it is.
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
    """Group index at each wavelength: linear between the table's, held at its ends.

    Same parameters as `attenuation_db_per_km`, with a table of group indices.
    NaN beyond the tolerance. Over 30 nm it changes by about 1e-4 in
    single-mode fibre, that is, by less than a nanosecond per kilometre.
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
    """Attenuation, or else group index, where every row has a fibre type of its own.

    Parameters
    ----------
    fibre_type : array_like of str, shape (n,)
    wavelength_nm : array_like, shape (n,)
    tables : mapping of fibre type to table
    tolerance_nm : float
    attenuation : bool
        True for `attenuation_db_per_km`, False for `group_index`.

    Returns
    -------
    numpy.ndarray of shape (n,)
        NaN where the type has no table.
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

    Same parameters as `attenuation_db_per_km`, with a table of MHz km. NaN
    where none lies within the tolerance: the bandwidth of graded-index fibre
    peaks at one wavelength, so nothing can be said between two.
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
    """
    wavelength, lambda0 = floats(wavelength_nm), floats(lambda0_nm)
    return np.asarray(floats(s0) / 4 * (wavelength - lambda0**4 / wavelength**3))


def greatest_dispersion_ps_nm_km(
    wavelength_nm: ArrayLike,
    lambda0_min_nm: ArrayLike,
    lambda0_max_nm: ArrayLike,
    s0_max: ArrayLike,
) -> Floats:
    """Greatest size of the dispersion that a fibre within its limits may have.

    D falls as l0 rises and is proportional to S0, so the extremes lie at the
    two ends of l0 with the greatest slope. ps/(nm km), never below 0.
    """
    return np.maximum(
        np.abs(dispersion_ps_nm_km(wavelength_nm, lambda0_min_nm, s0_max)),
        np.abs(dispersion_ps_nm_km(wavelength_nm, lambda0_max_nm, s0_max)),
    )


def link_dispersion_ps_nm(length_m: ArrayLike, dispersion: ArrayLike) -> Floats:
    """Dispersion of a length of fibre: ps/nm, from metres and ps/(nm km).

    A link's is the sum over its cables. To be held against the link's limit.
    """
    return np.asarray(floats(length_m) / 1000 * floats(dispersion))


def binding_limit(
    by_loss_m: ArrayLike, by_bandwidth_m: ArrayLike, by_dispersion_m: ArrayLike
) -> tuple[Floats, Words]:
    """The longest that a link may be by all limits at once, and which one binds.

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
