"""The properties of every stretch of fibre in a link, from the catalogue of fibre types."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from waysapart.arrays import Floats
from waysapart.formulas.fibre import bandwidth_mhz_km, by_type, greatest_dispersion_ps_nm_km
from waysapart.network.build_network import Network
from waysapart.study.rules import Fibre


@dataclass(frozen=True)
class Glass:
    """Properties of every stretch of every link; arrays of shape (pieces,), as `network.pieces`.

    Attributes
    ----------
    type : ndarray of str
        '' where none is on record: then nothing that the rules say of types is known.
    wavelength_nm : ndarray of float
    fibre_m, reel_m : ndarray of float
        Fibre length of the stretch; length on one reel of its cable.
    db_per_km, mean_db_per_km : ndarray of float
        Greatest and mean attenuation; the cable's own where it states one.
    group_index : ndarray of float
        Of fibre: NaN where the cable's type is not on record, or the rules have
        none for the type at the wavelength. Of any other medium: the medium's
        where the type has none.
    dispersion, bandwidth : ndarray of float
        Greatest chromatic dispersion in ps/(nm km); modal bandwidth in MHz km.
        NaN where the type has none.
    """

    type: np.ndarray
    wavelength_nm: Floats
    fibre_m: Floats
    reel_m: Floats
    db_per_km: Floats
    mean_db_per_km: Floats
    group_index: Floats
    dispersion: Floats
    bandwidth: Floats


def glass_of(network: Network) -> Glass:
    """Look up the fibre of every stretch of every link in the rules.

    Parameters
    ----------
    network : Network

    Returns
    -------
    Glass
    """
    study, pieces = network.study, network.pieces
    cables, rules = study.tables["cables"], study.rules
    links = study.tables["links"]
    cable = network.parts.cable[pieces.part]
    wavelength = links["wavelength_nm"].to_numpy(dtype=np.float64)[pieces.link]
    types = fibre_types(network, cable)
    tolerance = rules.defaults.wavelength_tolerance_nm
    own = cables["db_per_km"].to_numpy(dtype=np.float64)[cable]

    def look_up(table: Mapping[str, Mapping[float, float]], attenuation: bool) -> Floats:
        return by_type(types, wavelength, table, tolerance, attenuation=attenuation)

    greatest, mean = (
        look_up({name: floating(one(f)) for name, f in rules.fibres.items()}, True)
        for one in (lambda fibre: fibre.db_per_km, means)
    )
    index = look_up({name: floating(f.group_index) for name, f in rules.fibres.items()}, False)
    media = links["medium"].fillna("fibre")
    by_medium = media.map({name: one.group_index for name, one in rules.media.items()})
    over_fibre = (media == "fibre").to_numpy()[pieces.link]
    hop_index = np.where(over_fibre, np.nan, by_medium.to_numpy(dtype=np.float64)[pieces.link])
    kinds = cables["kind"].to_numpy()
    reel = np.array([rules.by_kind("reel_m", kind) for kind in kinds], dtype=np.float64)
    return Glass(
        types,
        wavelength,
        network.terms.fibre_m[pieces.part],
        reel[cable] if len(reel) else np.empty(0),
        np.where(np.isnan(own), greatest, own),
        np.where(np.isnan(own), np.fmin(mean, greatest), own),
        np.where(np.isnan(index), hop_index, index),
        _per_type(types, wavelength, rules.fibres, tolerance, _dispersion),
        _per_type(types, wavelength, rules.fibres, tolerance, _bandwidth),
    )


def fibre_types(network: Network, cable: np.ndarray) -> np.ndarray:
    """Return the type of fibre in each of some cables.

    Parameters
    ----------
    network : Network
    cable : ndarray of int, shape (n,)

    Returns
    -------
    ndarray of str, shape (n,)
        Empty where none is on record.
    """
    recorded = network.study.tables["cables"]["fibre_type"].iloc[cable]
    return recorded.fillna("").to_numpy(dtype=object)


def means(fibre: Fibre) -> Mapping[int, float]:
    """Return the mean attenuation by wavelength; the greatest where the type states no mean.

    Parameters
    ----------
    fibre : Fibre

    Returns
    -------
    mapping of int to float
        dB/km by nm.
    """
    return {**fibre.db_per_km, **fibre.mean_db_per_km}


def floating(table: Mapping[int, float]) -> dict[float, float]:
    """Return a table with its wavelengths as floats, as the formulas need them.

    Parameters
    ----------
    table : mapping of int to float

    Returns
    -------
    dict of float to float

    Examples
    --------
    >>> floating({1310: 0.35})
    {1310.0: 0.35}
    """
    return {float(nm): value for nm, value in table.items()}


def _per_type(
    types: np.ndarray,
    wavelength: Floats,
    fibres: Mapping[str, Fibre],
    tolerance: float,
    one: Callable[[Fibre, Floats, float], Floats],
) -> Floats:
    found = np.full(len(types), np.nan)
    for name, fibre in fibres.items():
        rows = types == name
        if rows.any():
            found[rows] = one(fibre, wavelength[rows], tolerance)
    return found


def _dispersion(fibre: Fibre, wavelength: Floats, _tolerance: float) -> Floats:
    if fibre.lambda0_min_nm is None or fibre.s0_max_ps_nm2_km is None:
        return np.full(len(wavelength), np.nan)
    return greatest_dispersion_ps_nm_km(
        wavelength, fibre.lambda0_min_nm, fibre.lambda0_max_nm or np.nan, fibre.s0_max_ps_nm2_km
    )


def _bandwidth(fibre: Fibre, wavelength: Floats, tolerance: float) -> Floats:
    return bandwidth_mhz_km(wavelength, floating(fibre.bandwidth_mhz_km), tolerance)
