"""What the glass does at a wavelength."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from published import published
from waysapart.errors import CallError
from waysapart.formulas.fibre import (
    attenuation_db_per_km,
    bandwidth_mhz_km,
    binding_limit,
    by_type,
    dispersion_ps_nm_km,
    greatest_dispersion_ps_nm_km,
    group_index,
    link_dispersion_ps_nm,
)

SINGLE_MODE = {1310: 0.35, 1550: 0.22}
MULTIMODE = {850: 3.5, 1300: 1.5}


def test_between_two_wavelengths_the_value_is_linear():
    """Half way from 1310 to 1550 nm: (0.35 + 0.22)/2."""
    np.testing.assert_allclose(
        attenuation_db_per_km([1310, 1430, 1550], SINGLE_MODE), [0.35, 0.285, 0.22]
    )


def test_beyond_the_table_there_is_no_value():
    """30 nm are tolerated, 31 are not; a blank wavelength or an empty table has none either."""
    found = attenuation_db_per_km([1279, 1280, 1580, 1581, np.nan], SINGLE_MODE)
    np.testing.assert_array_equal(np.isnan(found), [True, False, False, True, True])
    assert np.isnan(attenuation_db_per_km([1310], {})).all()
    assert np.isnan(group_index([1500], {1310: 1.4677})).all()
    with pytest.raises(CallError, match="tolerance_nm"):
        attenuation_db_per_km([1310], SINGLE_MODE, -1)


def test_below_the_shortest_wavelength_scattering_is_added():
    """820 nm, 30 below 850: 3.5 x (850/820)^4 = 4.041 dB/km. Above the longest it is held."""
    np.testing.assert_allclose(
        attenuation_db_per_km([820, 850, 1310], MULTIMODE), [4.0410, 3.5, 1.5], atol=5e-5
    )
    np.testing.assert_allclose(group_index([820, 850], {850: 1.483}), 1.483)


@published(
    "untitled-opgw-specification",
    "cl. 1.1.2",
    "from 1285 nm on, attenuation may exceed that of 1310 nm by 0.05 dB/km",
    of="loss",
)
def test_scattering_keeps_within_a_purchase_specification():
    """From 1285 nm on, attenuation may exceed that of 1310 nm by 0.05 dB/km.

    A transmission utility's specification of optical ground wire, cl. 1.1.2; title not on record.
    """
    table = {1310: 0.35, 1550: 0.21}
    excess = attenuation_db_per_km(np.arange(1285, 1311), table) - 0.35
    assert (excess >= -1e-12).all()
    assert (excess <= 0.05).all()


def test_each_row_by_its_own_type():
    tables = {"G.652.D": SINGLE_MODE, "OM1": MULTIMODE}
    found = by_type(
        ["OM1", "G.652.D", "other", None], [850, 1550, 850, 850], tables, attenuation=True
    )
    np.testing.assert_array_equal(found, [3.5, 0.22, np.nan, np.nan])


@published(
    "mynbaev",
    "example 6.3.1",
    "17.46 ps/(nm km) at 1550 nm; 1746.06 ps over 100 km and 1 nm",
    of="dispersion",
)
def test_dispersion_at_1550_nm():
    """l0 1310, S0 0.092, 100 km, 1 nm: D = 17.46, 1746.06 ps.

    Mynbaev and Scheiner, Fiber-Optic Communications Technology, Example 6.3.1.
    """
    dispersion = dispersion_ps_nm_km(1550, 1310, 0.092)
    assert round(float(dispersion), 2) == 17.46
    spread_ps = link_dispersion_ps_nm(100_000, dispersion) * 1
    assert spread_ps == pytest.approx(1746.06, abs=0.005)


@published(
    "mynbaev", "example 3.3.5", "-4.38 ps/(nm km) at 1300 nm; 219 ps/km over 50 nm", of="dispersion"
)
def test_dispersion_below_the_zero():
    """l0 1343, S0 0.097, at 1300 nm: -4.38 ps/(nm km); 50 nm give 219 ps/km.

    Mynbaev and Scheiner, Fiber-Optic Communications Technology, Example 3.3.5.
    """
    dispersion = dispersion_ps_nm_km(1300, 1343, 0.097)
    assert round(float(dispersion), 2) == -4.38
    assert round(float(abs(link_dispersion_ps_nm(1000, dispersion)) * 50)) == 219
    assert dispersion_ps_nm_km(1343, 1343, 0.097) == 0


@settings(derandomize=True, deadline=None)
@given(st.floats(1260, 1625), st.floats(1300, 1324), st.floats(0.0, 0.092))
def test_no_fibre_within_its_limits_exceeds_the_greatest_dispersion(wavelength, lambda0, s0):
    """Limits of a data sheet, title not on record: l0 1300 to 1324 nm, S0 at most 0.092."""
    greatest = greatest_dispersion_ps_nm_km(wavelength, 1300, 1324, 0.092)
    assert abs(dispersion_ps_nm_km(wavelength, lambda0, s0)) <= greatest + 1e-12


def test_greatest_dispersion_takes_either_end():
    """By the formula: 1550 nm with l0 1300 gives 18.01, 1310 nm with l0 1324 gives 1.31."""
    found = greatest_dispersion_ps_nm_km([1550, 1310], 1300, 1324, 0.092)
    np.testing.assert_allclose(found, [18.01, 1.31], atol=0.005)


def test_bandwidth_holds_near_its_wavelength_only():
    """OM1 has 200 MHz km at 850 nm and 500 at 1300 nm (ISO/IEC 11801, ed. 2.2)."""
    table = {850: 200.0, 1300: 500.0}
    np.testing.assert_array_equal(
        bandwidth_mhz_km([820, 850, 1310, 1000, np.nan], table), [200, 200, 500, np.nan, np.nan]
    )
    assert np.isnan(bandwidth_mhz_km([850], {})).all()


def test_which_limit_binds():
    """The least that applies; loss first where two are equal; nothing where none applies."""
    length_m, limit = binding_limit(
        [3000, 9000, 9000, 5000, np.inf],
        [4000, 2000, np.nan, 5000, np.nan],
        [np.inf, np.inf, 800, np.nan, np.nan],
    )
    np.testing.assert_array_equal(length_m, [3000, 2000, 800, 5000, np.nan])
    np.testing.assert_array_equal(limit, ["loss", "bandwidth", "dispersion", "loss", ""])
