"""Published delays and differences of delay, each as a circuit of a study that is proved."""

from __future__ import annotations

from typing import Any

import pytest

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
    "fis-faq",
    "SMF-28e, effective group index of refraction",
    "1.4682 at 1550 nm, 1.4677 at 1310 nm",
    of="delay",
)
def test_delay_of_a_thousand_kilometres(proved: Proved) -> None:
    """The speed of light in vacuum is 299 792.458 km/s by definition."""
    for name, index in (("1000-km-1310", 1.4677), ("1000-km-1550", 1.4682)):
        found = proved.circuit(name)["paths"]["main"]["go_us"]
        assert found == pytest.approx(1000 * index / 299_792.458 * 1e6, abs=5e-4)
