"""How a link's loss comes together from the records, and what else limits the link.

Every segment of the small study is 1000 m long. L1 runs 4 km through C1 at
1310 nm (0.35 dB/km, mean 0.33), L2 4 km through C2 at 1550 nm (0.22 dB/km).
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from figures_study import SmallStudy, circuit, link, loss

POWERS = {"tx_min_dbm": -8, "tx_max_dbm": -3, "rx_min_dbm": -28, "rx_max_dbm": 0}
SUM = (
    "fibre_db",
    "splices_db",
    "connectors_db",
    "mismatch_db",
    "via_db",
    "test_db",
    "repair_db",
    "reserve_db",
)


@pytest.fixture
def study(tmp_path: Path) -> SmallStudy:
    study = SmallStudy(tmp_path / "small")
    for name in ("L1", "L2"):
        study.cell("links", name, **POWERS)
    return study


def test_the_terms_add_up_to_the_last_digit_printed(study: SmallStudy) -> None:
    """4 x 0.35 = 1.4; one joint without a loss of its own, 0.1; two connectors, 1.0; 1.25 + 0.5.

    Sum 4.25 dB; budget 20 dB; margin 15.75 dB.
    """
    study.cell("links", "L1", loss_db=1.25, reserve_db=0.5)
    found = loss(study.facts())
    terms = found["terms"]
    assert [terms[name] for name in SUM] == [1.4, 0.1, 1.0, 0.0, 1.25, 0.0, 0.0, 0.5]
    assert terms["splices_from"] == "joints"
    assert (found["loss_db"], found["margin_db"]) == (4.25, 15.75)


def test_recorded_joints_and_their_losses_go_before_the_estimate(study: SmallStudy) -> None:
    """C2 has one joint on record, with 0.08 dB: 4 x 0.22 + 0.08 + 1.0 = 1.96 dB."""
    found = loss(study.facts(), "alternate")
    assert found["terms"]["splices_from"] == "joints"
    assert (found["terms"]["splices_db"], found["loss_db"]) == (0.08, 1.96)


def test_repairs_and_ageing_of_the_rules_stand_in_for_a_blank_reserve(study: SmallStudy) -> None:
    """0.01 splices per km and year, 25 years, 4 km, 0.1 dB: 0.1 dB; ageing 0.3 dB; L2 says 1 dB."""
    study.rules("[reserve]\nrepair_splices_per_km_year = 0.01\nageing_db = 0.3\n")
    study.cell("links", "L2", reserve_db=1)
    facts = study.facts()
    first, second = loss(facts)["terms"], loss(facts, "alternate")["terms"]
    assert (first["repair_db"], first["reserve_db"]) == (0.1, 0.3)
    assert (second["repair_db"], second["reserve_db"]) == (0.0, 1.0)


def test_the_statistical_loss_stands_beside_the_worst_case(study: SmallStudy) -> None:
    """Mean 4 x 0.33 + 0.05 + 2 x 0.25 = 1.87; two reels: (0.01 x 4)^2 / 2 + 0.03^2 + 2 x 0.08^2."""
    found = link(study.facts())
    sigma = math.sqrt(0.04**2 / 2 + 0.03**2 + 2 * 0.08**2)
    assert found["mean_db"] == 1.87
    assert found["sigma_db"] == pytest.approx(sigma, abs=5e-5)
    assert found["statistical_db"] == pytest.approx(1.87 + 3 * sigma, abs=1e-4)
    assert found["statistical_db"] <= found["loss_db"] == 2.5
    assert found["statistical_margin_db"] == pytest.approx(20 - found["statistical_db"])


def test_a_strong_transmitter_on_a_short_span_needs_an_attenuator(study: SmallStudy) -> None:
    """tx_max 3 dBm, overload -3 dBm: 6 dB must be lost, least loss 1.87 - 3 sigma = 1.507 dB.

    4.493 dB are wanting; the circuit is not within limits until they are there.
    """
    study.cell("links", "L1", tx_max_dbm=3, rx_max_dbm=-3)
    facts = study.facts()
    found = link(facts)
    least = 1.87 - 3 * math.sqrt(0.04**2 / 2 + 0.03**2 + 2 * 0.08**2)
    assert found["least_db"] == pytest.approx(least, abs=1e-4)
    assert found["overload_margin_db"] == pytest.approx(least - 6, abs=1e-4)
    assert found["attenuator_db"] == pytest.approx(6 - least, abs=1e-4)
    assert found["attenuator_most_db"] == found["margin_db"] == 17.5
    assert loss(facts)["overload_ok"] is False
    assert circuit(facts)["within_limits"] is False
    study.cell("links", "L1", loss_db=4.5)
    assert circuit(study.facts())["within_limits"] is True


def test_overload_is_not_checked_where_the_receiver_states_none(study: SmallStudy) -> None:
    study.cell("links", "L1", tx_max_dbm="", rx_max_dbm="")
    facts = study.facts()
    assert link(facts)["overload_margin_db"] is None
    assert "rx_max_dbm is not on record: overload is not checked" in link(facts)["not_known"]
    assert circuit(facts)["within_limits"] is True


def test_powers_that_are_not_on_record_leave_the_margin_open(study: SmallStudy) -> None:
    study.cell("links", "L1", rx_min_dbm="", tx_max_dbm="")
    facts = study.facts()
    found = loss(facts)
    assert (found["margin_db"], found["margin_ok"], found["overload_ok"]) == (None, None, None)
    assert circuit(facts)["within_limits"] is None
    assert link(facts)["not_known"] == [
        "rx_min_dbm is not on record: no margin",
        "tx_max_dbm is not on record: overload cannot be checked",
    ]


def test_a_wavelength_that_the_catalogue_lacks_gives_no_loss_and_says_why(
    study: SmallStudy,
) -> None:
    study.cell("links", "L1", wavelength_nm=1100)
    facts = study.facts()
    assert loss(facts)["loss_db"] is None
    assert circuit(facts)["within_limits"] is None
    assert "no attenuation of G.652.D at 1100 nm" in link(facts)["not_known"][0]


def test_an_unrecorded_fibre_type_is_a_gap_and_leaves_the_loss_open(study: SmallStudy) -> None:
    """One splice and two connectors are known, 1.1 dB at least; 18.9 dB of margin at most."""
    study.cell("cables", "C1", fibre_type="")
    facts = study.facts()
    assert [gap["code"] for gap in circuit(facts)["gaps"]] == ["fibre-type"]
    found = loss(facts)
    assert (found["terms"]["fibre_db"], found["loss_db"], found["margin_db"]) == (None, None, None)
    assert (found["loss_at_least_db"], found["margin_at_most_db"]) == (1.1, 18.9)
    assert found["loss_why"] == ["fibre_type of C1 is not on record"]


def test_multimode_is_limited_by_bandwidth_beforeloss(study: SmallStudy) -> None:
    """OM3 at 850 nm: 2000 MHz km / 4 km = 500 MHz; 1000 MHz needed: 2 km at most.

    Loss: 4 x 3.0 + 0.1 + 1.0 = 13.1 dB of 20: far longer by that.
    """
    study.cell("cables", "C1", fibre_type="OM3")
    study.cell("links", "L1", wavelength_nm=850, bandwidth_mhz=1000)
    facts = study.facts()
    found = loss(facts)
    assert link(facts)["bandwidth_mhz"] == 500.0
    assert found["bandwidth_ok"] is False
    assert (found["margin_ok"], circuit(facts)["within_limits"]) == (True, False)
    assert (found["binds"], found["could_grow_m"]) == ("bandwidth", -2000.0)
    assert found["longest"]["by_bandwidth_m"] == 2000.0


def test_dispersion_against_the_limit_of_the_link(study: SmallStudy) -> None:
    """1550 nm: S0/4 (l - l0^4/l^3) with l0 1300, S0 0.092: 18.009 ps/(nm km); 4 km: 72.0 ps/nm."""
    per_km = 0.092 / 4 * (1550 - 1300**4 / 1550**3)
    study.cell("links", "L2", dispersion_limit_ps_nm=80)
    found = loss(study.facts(), "alternate")
    assert found["dispersion_ok"] is True
    assert found["binds"] == "dispersion"
    assert found["longest"]["by_dispersion_m"] == pytest.approx(80 / per_km * 1000, abs=1e-2)
    study.cell("links", "L2", dispersion_limit_ps_nm=70)
    facts = study.facts()
    assert link(facts, "L2")["dispersion_ps_nm"] == pytest.approx(4 * per_km, abs=1e-4)
    assert loss(facts, "alternate")["dispersion_ok"] is False


def test_how_much_longer_byloss(study: SmallStudy) -> None:
    """Margin 17.5 - 3.0 = 14.5 dB to spend, with what C1 loses now (1.5 dB) 16 dB.

    n reels of 2 km lose 0.7 n + 0.1 (n - 1): 20 reels 15.9 dB; the splice
    behind them takes the rest: 40 km, 36 km more.
    """
    found = loss(study.facts())
    assert found["margin_db"] == 17.5
    assert (found["could_grow_m"], found["longest"]["by_loss_m"]) == (36000.0, 40000.0)


def test_more_length_never_improves_a_margin(study: SmallStudy) -> None:
    margins, least = [], []
    for length_m in (100.0, 999.0, 1000.0, 1001.0, 5000.0):
        study.feature("segments", "S2", length_m=length_m)
        facts = study.facts()
        margins.append(link(facts)["margin_db"])
        least.append(link(facts)["statistical_margin_db"])
    assert margins == sorted(margins, reverse=True)
    assert least == sorted(least, reverse=True)


TESTS = "cable,link,fibre,wavelength_nm,length_m,loss_db,stage,direction,date\n"


def test_a_measured_link_takes_the_place_of_fibre_splices_and_connectors(
    study: SmallStudy,
) -> None:
    """Go 2.0 and return 2.2 dB: the worse counts, 2.2 dB; computed 2.5; reserve 1.0 stays."""
    study.cell("links", "L1", reserve_db=1)
    study.rows(
        "measurements",
        TESTS + ",L1,,1310,,2.0,end-to-end,go,\n,L1,,1310,,2.2,end-to-end,return,\n",
    )
    facts = study.facts()
    found = loss(facts)
    assert found["terms"]["test_db"] == -0.3
    assert found["loss_db"] == pytest.approx(sum(found["terms"][name] for name in SUM)) == 3.2
    assert (link(facts)["measured_db"], link(facts)["measured_least_db"]) == (2.2, 2.0)
    assert circuit(facts)["gaps"] == []


def test_one_fibre_of_two_tested_counts_only_if_it_found_more(study: SmallStudy) -> None:
    """Of fibres 1 and 2 only 1 was tested: the other may lose the 2.5 dB computed."""
    study.rows("measurements", TESTS + ",L1,1,1310,,2.1,end-to-end,go,\n")
    assert loss(study.facts())["loss_db"] == 2.5
    study.rows("measurements", ",L1,2,1310,,2.7,end-to-end,go,\n")
    assert loss(study.facts())["loss_db"] == 2.7


def test_a_test_at_another_wavelength_says_nothing_of_the_link(study: SmallStudy) -> None:
    study.rows("measurements", TESTS + ",L1,,1550,,2.1,end-to-end,go,\n")
    assert loss(study.facts())["loss_db"] == 2.5


def test_a_measured_cable_brings_its_own_fibre_and_reel_splices(study: SmallStudy) -> None:
    """C1 by test 1.3 dB, computed 1.4 + 0.1: with two connectors 2.3 dB."""
    study.rows("measurements", TESTS + "C1,,,1310,,1.3,installed,go,\n")
    found = loss(study.facts())
    assert (found["terms"]["test_db"], found["loss_db"]) == (-0.2, 2.3)


def test_a_loss_that_nothing_explains_is_a_gap(study: SmallStudy) -> None:
    """6 dB where at most 2.5 dB are explained and 0.5 dB allowed."""
    study.rows("measurements", TESTS + ",L1,,1310,,6.0,end-to-end,go,\n")
    found = circuit(study.facts())
    assert [gap["code"] for gap in found["gaps"]] == ["measured-loss"]
    assert (found["verdict"], found["within_limits"]) == ("unproven", None)
    assert found["paths"]["main"]["loss"][0]["loss_db"] == 6.0


def test_too_little_loss_is_a_gap_too(study: SmallStudy) -> None:
    """The least that 4 km explain is 1.507 dB; 0.9 dB is of some shorter fibre."""
    study.rows("measurements", TESTS + ",L1,,1310,,0.9,end-to-end,go,\n")
    assert [gap["code"] for gap in circuit(study.facts())["gaps"]] == ["measured-loss"]


def test_with_the_right_length_a_high_loss_is_no_other_cable(study: SmallStudy) -> None:
    """6 dB, but the same link measures 4010 m: flagged, and counted, but no gap."""
    study.rows("measurements", TESTS + ",L1,,1310,4010,6.0,end-to-end,go,\n")
    facts = study.facts()
    found = circuit(facts)
    assert found["gaps"] == []
    assert found["verdict"] == "apart"
    assert [t["agrees"] for t in facts["tests"] if t["quantity"] == "loss_db"] == [False]
    assert found["paths"]["main"]["loss"][0]["loss_db"] == 6.0


def test_the_tests_that_each_fibre_still_lacks(study: SmallStudy) -> None:
    """Fibre 1 of C1 was tested on the drum and installed, L1 end to end one way; C2 not at all."""
    study.rows(
        "measurements",
        TESTS
        + "C1,,1,1310,4000,,drum,,\n"
        + "C1,,1,1310,4000,,installed,go,\n"
        + ",L1,,1310,,2.4,end-to-end,go,\n",
    )
    every = ["drum", "installed", "end-to-end, go", "end-to-end, return"]
    facts = study.facts()
    assert link(facts, "L1")["tests_missing"] == [
        {"cable": "C1", "fibres": [1], "missing": ["end-to-end, return"]},
        {"cable": "C1", "fibres": [2], "missing": ["drum", "installed", "end-to-end, return"]},
    ]
    assert link(facts, "L2")["tests_missing"] == [
        {"cable": "C2", "fibres": [1, 2], "missing": every}
    ]
