"""Delay of every state, asymmetry, recovery, and what a measured delay changes.

Every segment of the small study is 1000 m long: L1 (1310 nm, group index
1.4677) takes 19.583 us for 4 km, L2 (1550 nm, 1.4682) 19.590 us; each relay 100 us.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from figures_study import SmallStudy, circuit
from published import published

L1_US, L2_US, RELAYS_US = 19.583, 19.59, 200.0


@pytest.fixture
def study(tmp_path: Path) -> SmallStudy:
    return SmallStudy(tmp_path / "small")


def test_both_states_and_the_worse_of_them(study: SmallStudy) -> None:
    delay = circuit(study.facts())["delay"]
    assert delay["states"] == [
        {"state": "main", "delay_us": RELAYS_US + L1_US, "delay_at_least_us": None},
        {"state": "alternate", "delay_us": RELAYS_US + L2_US, "delay_at_least_us": None},
    ]
    assert delay["worst_us"] == RELAYS_US + L2_US


@published(
    "ieee-c37-243",
    "error of phase",
    "360 f dt / 2 degrees; apparent differential current 2 sin(theta / 2)",
    of="delay",
)
@pytest.mark.parametrize(("frequency", "degrees"), [(50, 9.0), (60, 10.8)])
def test_a_millisecond_of_asymmetry_in_degrees(
    study: SmallStudy, frequency: int, degrees: float
) -> None:
    """360 f dt / 2: 9.0 degrees at 50 Hz, 10.8 at 60 Hz (ABB, 1MRK 505 382-UEN, figure 56)."""
    study.rules(f"[power_system]\nfrequency_hz = {frequency}\n")
    study.cell("links", "L2", extra_delay_us=round(1000 - L2_US + L1_US, 3))
    delay = circuit(study.facts())["delay"]
    assert delay["asymmetry_us"] == 1000.0
    assert delay["phase_error_deg"] == degrees
    assert delay["apparent_differential"] == pytest.approx({50: 0.156918, 60: 0.188217}[frequency])
    assert delay["asymmetry_ok"] is False


def test_directions_that_switch_together_differ_by_their_own_paths_only(
    study: SmallStudy,
) -> None:
    study.cell("links", "L2", extra_delay_us=1000)
    study.cell("circuits", "K1", switching="both")
    delay = circuit(study.facts())["delay"]
    assert (delay["asymmetry_us"], delay["asymmetry_ok"]) == (0.0, True)


SPLIT = "link,seq,cable,fibres,direction\nL1,1,C1,1,go\nL1,1,C2,3,return\nL2,1,C2,1;2,\n"


def test_go_and_return_apart_have_delays_of_their_own(study: SmallStudy) -> None:
    """L1 goes through C1 (4 km) and returns through C2, which has 400 m of slack."""
    study.cell("cables", "C2", slack_m=400)
    study.text("link_runs.csv", SPLIT)
    study.cell("circuits", "K1", switching="both")
    found = circuit(study.facts())
    main = found["paths"]["main"]
    go, back = (round(m * 1.4677 / 299.792458, 3) for m in (4000, 4400))
    assert (main["go_us"], main["return_us"]) == (RELAYS_US + go, RELAYS_US + back)
    assert main["delay_us"] == main["return_us"]
    assert main["delay_terms"]["fibre_us"] == back
    assert found["delay"]["asymmetry_us"] == pytest.approx(back - go, abs=1e-9)


def test_a_circuit_that_runs_against_a_link_goes_by_its_return_fibres(study: SmallStudy) -> None:
    """The same, with the circuit from Marsh Point to West Sands: go and return change places."""
    study.cell("cables", "C2", slack_m=400)
    study.text("link_runs.csv", SPLIT)
    study.cell("circuits", "K1", a="R-M", b="R-W")
    main = circuit(study.facts())["paths"]["main"]
    go, back = (round(m * 1.4677 / 299.792458, 3) for m in (4400, 4000))
    assert (main["go_us"], main["return_us"]) == (RELAYS_US + go, RELAYS_US + back)


TESTS = "cable,link,fibre,delay_us,stage,direction,date\n"


def test_a_measured_delay_takes_the_place_of_the_computed_one(study: SmallStudy) -> None:
    """22 us for 19.583: 5 us are allowed."""
    study.rows("measurements", TESTS + ",L1,,22,end-to-end,,\n")
    found = circuit(study.facts())
    terms = found["paths"]["main"]["delay_terms"]
    assert terms["test_us"] == pytest.approx(22 - L1_US)
    assert found["paths"]["main"]["delay_us"] == pytest.approx(sum(terms.values())) == 222.0
    assert found["gaps"] == []


def test_measured_directions_are_not_averaged(study: SmallStudy) -> None:
    """Go 18 us, return 21 us: the difference is what matters."""
    study.cell("circuits", "K1", switching="both")
    study.rows("measurements", TESTS + ",L1,,18,end-to-end,go,\n,L1,,21,end-to-end,return,\n")
    assert circuit(study.facts())["delay"]["asymmetry_us"] == 3.0


def test_a_delay_of_another_route_leaves_the_circuit_unproven(study: SmallStudy) -> None:
    """60 us for 19.583 us: somebody switched the hop to another route, or measured another."""
    study.rows("measurements", TESTS + ",L1,,60,end-to-end,,\n")
    found = circuit(study.facts())
    assert [gap["code"] for gap in found["gaps"]] == ["measured-delay"]
    assert found["verdict"] == "unproven"


def test_recovery_against_the_limit_of_the_service(study: SmallStudy) -> None:
    """Detection 10, hold-off 0, switching 50: 60 ms, which the shipped limit just allows."""
    assert circuit(study.facts())["delay"]["recovery_ok"] is True
    study.rules("[recovery]\nhold_off_ms = 100\n")
    found = circuit(study.facts())
    assert found["delay"]["recovery_ms"] == 160.0
    assert found["delay"]["recovery_ok"] is False
    assert found["within_limits"] is False


def test_a_circuit_with_one_path_has_nothing_to_recover_to(study: SmallStudy) -> None:
    study.text("circuit_paths.csv", "circuit,path,seq,link\nK1,main,1,L1\n")
    study.rules("[recovery]\nhold_off_ms = 100\n")
    delay = circuit(study.facts())["delay"]
    assert (delay["recovery_ms"], delay["recovery_ok"]) == (None, None)


@pytest.fixture
def ring(study: SmallStudy) -> SmallStudy:
    """R-W -L1- R-X -L3- R-M -L2- R-W: main L2 (1 ms), the other way L1 and L3 (2 and 4 ms).

    All hops are radio with a stated delay; the nodes take 100, 100 and 50 us.
    """
    study.text(
        "equipment.csv",
        "id,site,kind,within,supplies,needs,delay_us\n"
        "R-W,WS,relay,ROOM-W,B-W,,100\nR-M,MP,relay,-,B-M,,100\nR-X,MP,relay,-,B-M,,50\n",
    )
    study.text(
        "links.csv",
        "id,a,b,wavelength_nm,medium,channel,length_m,relies_on,extra_delay_us\n"
        "L1,R-W,R-X,,radio,,0,T1,2000\nL3,R-X,R-M,,radio,,0,T2,4000\n"
        "L2,R-W,R-M,,radio,,0,P1,1000\n",
    )
    study.text("link_runs.csv", "link,seq,cable,fibres,direction\n")
    study.text("circuit_paths.csv", "circuit,path,seq,link\n")
    study.text("rings.csv", "ring,seq,link\nG,1,L1\nG,2,L3\nG,3,L2\n")
    study.text("ring_circuits.csv", "circuit,ring,main_way\nK1,G,backward\n")
    return study


def test_a_ring_whose_ends_switch_ends_up_on_either_way(ring: SmallStudy) -> None:
    """1000 + 200 us, or 2000 + 4000 + 250 us."""
    delay = circuit(ring.facts())["delay"]
    assert [state["delay_us"] for state in delay["states"]] == [1200.0, 6250.0]
    assert delay["worst_us"] == 6250.0


def test_a_ring_that_turns_back_takes_longer(ring: SmallStudy) -> None:
    """The nodes at both sides of a failed link join the ring's two halves there.

    Main, L2 lost: from R-W straight round the other way, 6250 us. On the other
    way, L3 lost: out over L1 to R-X, back over L1, then L2: 100 + 2000 + 50 +
    2000 + 100 + 1000 + 100 = 5350 us. L1 lost: from R-W over L2 through R-M on
    to R-X, where L1's signal would come in, and from there over L3 to R-M:
    100 + 1000 + 100 + 4000 + 50 + 4000 + 100 = 9350 us, the worst.
    """
    ring.rules("[recovery]\nring_turns_back = true\n")
    delay = circuit(ring.facts())["delay"]
    states = {state["state"]: state["delay_us"] for state in delay["states"]}
    assert states == {
        "main": 1200.0,
        "alternate": 6250.0,
        "turned back on main": 6250.0,
        "turned back on alternate": 9350.0,
    }


def test_turning_back_far_out_is_the_worst_state(ring: SmallStudy) -> None:
    """Main now the long way, a failure at its far end L3 (100 us): out over L1 and back.

    L1 4000, L3 100, L2 1000 us. Main 4000 + 100 + 250 = 4350 us; turned back at
    R-X: 100 + 4000 + 50 + 4000 + 100 + 1000 + 100 = 9350 us.
    """
    ring.cell("links", "L1", extra_delay_us=4000)
    ring.cell("links", "L3", extra_delay_us=100)
    ring.text("ring_circuits.csv", "circuit,ring,main_way\nK1,G,forward\n")
    ring.rules("[recovery]\nring_turns_back = true\n")
    delay = circuit(ring.facts())["delay"]
    states = {state["state"]: state["delay_us"] for state in delay["states"]}
    assert states["main"] == 4350.0
    assert states["turned back on main"] == delay["worst_us"] == 9350.0
    assert delay["ok"] is False


def test_reversing_a_circuit_or_its_rows_changes_no_figure(study: SmallStudy) -> None:
    """From Marsh Point to West Sands, with links and runs entered the other way round."""
    study.cell("cables", "C1", slack_m=30, overlength_pct=0.7)
    before = circuit(study.facts())
    study.cell("circuits", "K1", a="R-M", b="R-W")
    study.cell("links", "L1", a="R-M", b="R-W")
    runs = (study.folder / "cable_runs.csv").read_text(encoding="utf-8").splitlines()
    for seq, line in enumerate(runs):
        if line.startswith("C1,"):
            cable, number, segment = line.split(",")
            runs[seq] = f"{cable},{5 - int(number)},{segment}"
    study.text("cable_runs.csv", "\n".join([runs[0], *reversed(runs[1:])]) + "\n")
    after = circuit(study.facts())
    for figures in ("paths", "delay", "unavailability"):
        assert after[figures] == before[figures]
