"""Published delays and differences of delay, each as a circuit of a study that is proved."""

from __future__ import annotations

import math
from typing import Any

import pytest
from scipy import constants

from budget_plant import Proved
from published import published
from waysapart.study.rules import shipped_rules

CIRCUITS: dict[str, dict[str, Any]] = {
    "abb-fig-56": {"go_us": 3000.0, "return_us": 2000.0},
    "amd": {"go_us": 5.0, "return_us": 1.0},
    "toshiba": {"go_us": 5000.0, "return_us": 3000.0},
    "toshiba-reversed": {"go_us": 3000.0, "return_us": 5000.0},
    "buffered": {"go_us": 1099.0, "return_us": 1000.0},
    "no-clock": {"go_us": 1501.0, "return_us": 1000.0},
    "l30": {"go_us": 2501.0, "return_us": 1000.0},
    "1000-km-1310": {"km": 1000.0, "wavelength_nm": 1310},
    "1000-km-1550": {"km": 1000.0, "wavelength_nm": 1550},
    "1000-km-radio": {"km": 1000.0, "medium": "radio"},
}


@pytest.fixture(scope="module")
def proved(tmp_path_factory: pytest.TempPathFactory) -> Proved:
    """All circuits are held to the limit that ships for line differential; tests are believed."""
    ships = shipped_rules().service("line-differential").max_asymmetry_us
    rules = {
        "services": {"default": {"max_asymmetry_us": ships}},
        "tests": {"delay_us": 10_000.0},
    }
    return Proved(tmp_path_factory.mktemp("delays") / "study", CIRCUITS, rules)


def go_us(proved: Proved, name: str) -> float:
    found: float = proved.circuit(name)["paths"]["main"]["go_us"]
    return found


def half_us(delay: dict[str, Any]) -> float:
    """The time by which both clocks are taken to differ, from the error of phase."""
    return float(delay["phase_error_deg"] / 360 / delay["frequency_hz"] * 1e6)


@published(
    "abb-1mrk-505-382",
    "figure 56",
    "3 ms one way and 2 ms the other: half of the 1 ms between them is the error of time",
    of="delay",
)
def test_half_of_the_difference_is_the_error(proved: Proved) -> None:
    delay = proved.circuit("abb-fig-56")["delay"]
    assert delay["asymmetry_us"] == 1000.0
    assert half_us(delay) == pytest.approx(500.0)
    assert delay["phase_error_deg"] == 9.0


@published(
    "amd-ug1602",
    "Asymmetric Networks",
    "delays of 5 us and 1 us give an offset of 2 us, half of the asymmetry",
    of="delay",
)
def test_two_microseconds_of_offset(proved: Proved) -> None:
    delay = proved.circuit("amd")["delay"]
    assert delay["asymmetry_us"] == 4.0
    assert half_us(delay) == pytest.approx(2.0)


@published(
    "toshiba-grl100",
    "6F2S0850, p. 40",
    "TCDT1 = 5000 - 3000 = 2000 us, corrected for from 100 us on",
    of="delay",
)
@pytest.mark.parametrize("name", ["toshiba", "toshiba-reversed"])
def test_difference_of_a_relays_manual(proved: Proved, name: str) -> None:
    """The program states it without its sign, so that it is the same from either end."""
    assert proved.circuit(name)["delay"]["asymmetry_us"] == 2000.0


@published(
    "abb-1mrk-505-370",
    "p. 535",
    "asymmetry from buffers is below 100 us; at most 0.2 to 0.5 ms without a common clock",
    of="limits",
)
@published(
    "ge-l30",
    "p. 8-12",
    "asymmetry cannot be higher than 1 to 1.5 ms",
    of="limits",
)
def test_the_limit_that_ships_is_within_that_of_relays(proved: Proved) -> None:
    """What buffers do is allowed; what no relay stands is not."""
    judged = {name: proved.circuit(name)["delay"] for name in ("buffered", "no-clock", "l30")}
    assert {name: one["asymmetry_us"] for name, one in judged.items()} == {
        "buffered": 99.0,
        "no-clock": 501.0,
        "l30": 1501.0,
    }
    assert {name: one["asymmetry_ok"] for name, one in judged.items()} == {
        "buffered": True,
        "no-clock": False,
        "l30": False,
    }


@published(
    "scipy-constants",
    "speed of light in vacuum",
    "299 792 458 m/s, by definition of the metre",
    of="delay",
)
@published(
    "fis-faq",
    "SMF-28e, effective group index of refraction",
    "1.4682 at 1550 nm, 1.4677 at 1310 nm",
    of="delay",
)
def test_delay_of_a_thousand_kilometres(proved: Proved) -> None:
    for name, index in (("1000-km-1310", 1.4677), ("1000-km-1550", 1.4682)):
        assert go_us(proved, name) == pytest.approx(1000 * index / 299_792.458 * 1e6, abs=5e-4)
    assert constants.speed_of_light == 299_792_458


@published(
    "itu-r-p453",
    "equations 1 and 2",
    "n = 1 + (77.6 P / T + 72 e / T + 375000 e / T^2) / 1e6: 1.0003 near the ground",
    of="delay",
)
def test_delay_of_a_radio_hop(proved: Proved) -> None:
    """Dry air of 1003 hPa and vapour of 10 hPa at 15 degrees; the digits that it has everywhere."""
    dry_hpa, vapour_hpa, kelvin = 1003.25, 10.0, 288.15
    units = 77.6 * dry_hpa / kelvin + 72 * vapour_hpa / kelvin + 3.75e5 * vapour_hpa / kelvin**2
    index = round(1 + units / 1e6, 4)
    assert go_us(proved, "1000-km-radio") == pytest.approx(
        1000 * index / 299_792.458 * 1e6, abs=5e-4
    )


def group_index(wavelength_um: float, squares: list[float], strengths: list[float]) -> float:
    """n - l dn/dl, from n^2 = 1 + sum of b l^2 / (l^2 - c)."""

    def index(at: float) -> float:
        terms = zip(squares, strengths, strict=True)
        return math.sqrt(1 + sum(b * at**2 / (at**2 - c) for c, b in terms))

    step = 1e-4
    slope = (index(wavelength_um + step) - index(wavelength_um - step)) / (2 * step)
    return index(wavelength_um) - wavelength_um * slope


@published(
    "ghatak",
    "table of Sellmeier coefficients of doped silica",
    "silica 0.6961663, 0.4079426, 0.8974794; with 6.3 % of GeO2 0.7083952, 0.4203993, 0.8663412",
    of="delay",
)
@pytest.mark.parametrize("wavelength_nm", [1310, 1550])
def test_light_in_fibre_is_slower_than_in_silica(proved: Proved, wavelength_nm: int) -> None:
    """And quicker than in a core with twice the germanium of a usual one: 6 parts in 1000."""
    silica = [0.004679148, 0.01351206, 97.93400], [0.6961663, 0.4079426, 0.8974794]
    doped = [0.007290464, 0.01050294, 97.93428], [0.7083952, 0.4203993, 0.8663412]
    least, most = (
        1000 * group_index(wavelength_nm / 1000, *glass) / 299_792.458 * 1e6
        for glass in (silica, doped)
    )
    assert least < go_us(proved, f"1000-km-{wavelength_nm}") < most < least * 1.0062
