"""How the lengths of the formulas come together along cables, links and paths."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from scipy import integrate, optimize

from figures_study import SmallStudy, circuit, lengths

LENGTH_TERMS = ("route_m", "sag_m", "helix_m", "overlength_m", "slack_m", "test_m")


@pytest.fixture
def study(tmp_path: Path) -> SmallStudy:
    return SmallStudy(tmp_path / "small")


def _hanging_m(span: float, sag: float, rise: float) -> float:
    """Arc of the catenary through both supports with this sag at mid-span, by quadrature."""

    def middle(c: float) -> float:
        """Where the middle of the span lies on y = c cosh(x / c)."""
        return c * math.asinh(rise / (2 * c * math.sinh(span / (2 * c))))

    def misfit(c: float) -> float:
        m, half = middle(c), span / 2
        chord = c * (math.cosh((m - half) / c) + math.cosh((m + half) / c)) / 2
        return chord - c * math.cosh(m / c) - sag

    c = optimize.brentq(misfit, span / 4, span * 1e4)
    m = middle(c)
    return float(integrate.quad(lambda x: math.cosh(x / c), m - span / 2, m + span / 2)[0])


def test_every_term_is_shown_and_they_add_up(study: SmallStudy) -> None:
    """4 x 1000 m of spans without sag, 0.7 % of overlength, 30 m of slack: 4058 m."""
    study.cell("cables", "C1", overlength_pct=0.7, slack_m=30)
    facts = study.facts()
    path, terms = circuit(facts)["paths"]["main"], lengths(facts)
    assert [terms[name] for name in LENGTH_TERMS] == [4000.0, 0.0, 0.0, 28.0, 30.0, 0.0]
    assert terms["length_m"] == path["length_m"] == 4058.0


def test_a_wrapped_cable_winds_about_its_carrier(study: SmallStudy) -> None:
    """One turn a metre, 20 mm across: sqrt(1 + (0.02 pi)^2) = 1.0019720, on 4000 m 7.888 m."""
    study.rows("cables", "C3,G.652.D,24,wrapped,C1\n")
    study.cell("cables", "C3", wrap_pitch_m=1.0, wrap_diameter_mm=20)
    study.cell("link_runs", "L1", cable="C3")
    terms = lengths(study.facts())
    assert terms["helix_m"] == pytest.approx(4000 * (math.hypot(1, 0.02 * math.pi) - 1), abs=6e-4)
    assert terms["length_m"] == pytest.approx(4007.888, abs=1e-3)


def test_the_helix_runs_over_all_that_hangs_before_overlength_and_slack(
    study: SmallStudy,
) -> None:
    """C3 on C1: 4000 m and the sag of S2; then 1 % of overlength of that, and 30 m of slack.

    The carrier's own overlength (2 %) and slack (50 m) are no length that C3 winds about.
    """
    study.rows("cables", "C3,G.652.D,24,wrapped,C1\n")
    study.cell("cables", "C1", overlength_pct=2, slack_m=50)
    study.cell("cables", "C3", wrap_pitch_m=1, wrap_diameter_mm=20, overlength_pct=1, slack_m=30)
    study.cell("link_runs", "L1", cable="C3")
    study.feature("segments", "S2", sag_m=20.0)
    terms = lengths(study.facts())
    hangs = 4000 + _hanging_m(1000, 20, 0) - 1000
    wound = hangs * math.hypot(1, 0.02 * math.pi)
    assert terms["helix_m"] == pytest.approx(wound - hangs, abs=2e-3)
    assert terms["overlength_m"] == pytest.approx(wound * 0.01, abs=2e-3)
    assert terms["length_m"] == pytest.approx(wound * 1.01 + 30, abs=5e-3)


def test_the_helix_runs_over_stretches_that_leave_the_carrier_too(study: SmallStudy) -> None:
    """C3 with runs of its own, S1 to S3 on C1 and S4 without it: 4000 m are wound."""
    study.rows("cables", "C3,G.652.D,24,wrapped,C1\n")
    study.cell("cables", "C3", wrap_pitch_m=1.0, wrap_diameter_mm=20)
    study.rows("cable_runs", "C3,1,S1\nC3,2,S2\nC3,3,S3\nC3,4,S4\n")
    study.cell("link_runs", "L1", cable="C3")
    runs = (study.folder / "cable_runs.csv").read_text(encoding="utf-8")
    study.text("cable_runs.csv", runs.replace("C1,4,S4\n", ""))
    terms = lengths(study.facts())
    assert terms["helix_m"] == pytest.approx(4000 * (math.hypot(1, 0.02 * math.pi) - 1), abs=6e-4)


def test_sag_counts_whole_in_each_bay_of_a_span_that_passes_towers(study: SmallStudy) -> None:
    """S2 over T1, a tower half-way, T2: two bays of 500 m, in each of which it hangs 20 m deep.

    A quarter of the sag in half the span would be the same catenary; what is on record is the
    sag of every bay.
    """
    tower = {"kind": "tower", "within": "-"}
    study.point("structures", "T1b", (1500, 200), **tower)
    study.feature("segments", "S2", sag_m=20.0)
    sag = lengths(study.facts())["sag_m"]
    assert sag == pytest.approx(2 * (_hanging_m(500, 20, 0) - 500), abs=2e-3)


def test_supports_of_unequal_height_lengthen_a_span(study: SmallStudy) -> None:
    """S2 hangs from T1 up to T2, 120 m higher, with 20 m of sag; by quadrature."""
    study.feature("segments", "S2", sag_m=20.0)
    level = lengths(study.facts())["sag_m"]
    study.feature("structures", "T1", elevation_m=50.0)
    study.feature("structures", "T2", elevation_m=170.0)
    uneven = lengths(study.facts())["sag_m"]
    assert level == pytest.approx(_hanging_m(1000, 20, 0) - 1000, abs=6e-4)
    assert uneven == pytest.approx(_hanging_m(1000, 20, 120) - 1000, abs=6e-4)


def test_height_counts_without_a_sag_and_only_where_both_supports_have_it(
    study: SmallStudy,
) -> None:
    """T1 and T2 differ by 120 m: sqrt(1000^2 + 120^2) - 1000 = 7.174 m; T3 has no height."""
    study.feature("structures", "T1", elevation_m=50.0)
    study.feature("structures", "T2", elevation_m=170.0)
    sag = lengths(study.facts())["sag_m"]
    assert sag == pytest.approx(math.hypot(1000, 120) - 1000, abs=6e-4)


def test_a_measured_cable_takes_the_place_of_the_record(study: SmallStudy) -> None:
    """C1 is 4000 m by record and 4050 m by test, within 2 % (80 m): no gap, 4050 m count."""
    study.rows("measurements", "cable,link,fibre,length_m,stage,date\nC1,,1,4050,installed,\n")
    facts = study.facts()
    found = circuit(facts)
    assert lengths(facts)["test_m"] == 50.0
    assert found["paths"]["main"]["length_m"] == 4050.0
    assert found["verdict"] == "apart"
    assert facts["tests"][0]["agrees"] is True


def test_a_measured_length_beyond_tolerance_leaves_the_circuit_unproven(
    study: SmallStudy,
) -> None:
    """4090 m for 4000 m is 90 m more, 80 m are allowed: record or test is of another cable."""
    study.cell("links", "L1", splices=1)
    study.rows("measurements", "cable,link,fibre,length_m,stage,date\nC1,,1,4090,installed,\n")
    found = circuit(study.facts())
    assert [gap["code"] for gap in found["gaps"]] == ["measured-length"]
    assert found["verdict"] == "unproven"
    assert "4090.0 m" in found["gaps"][0]["message"]


def test_twenty_metres_are_allowed_on_short_cables(study: SmallStudy) -> None:
    """Each segment 100 m: 2 % of 400 m are 8 m, but 20 m hold."""
    for segment in ("S1", "S2", "S3", "S4"):
        study.feature("segments", segment, length_m=100.0)
    study.rows("measurements", "cable,link,fibre,length_m,stage,date\nC1,,1,419,installed,\n")
    assert circuit(study.facts())["gaps"] == []


def test_both_directions_are_averaged_and_the_newest_tests_count(study: SmallStudy) -> None:
    """Fibre 1: 4020 and 4040 m in 2024, mean 4030 m; 4070 m of 2010 is past."""
    study.rows(
        "measurements",
        "cable,link,fibre,length_m,stage,direction,date\n"
        "C1,,1,4070,installed,go,2010-05-01\n"
        "C1,,1,4020,installed,go,2024-05-01\n"
        "C1,,1,4040,installed,return,2024-05-01\n",
    )
    facts = study.facts()
    assert circuit(facts)["paths"]["main"]["length_m"] == 4030.0
    assert [test["measured"] for test in facts["tests"]] == [4030.0]


def test_a_drum_test_is_no_length_of_the_cable_in_its_place(study: SmallStudy) -> None:
    study.rows("measurements", "cable,link,fibre,length_m,stage,date\nC1,,1,4400,drum,\n")
    found = circuit(study.facts())
    assert found["paths"]["main"]["length_m"] == 4000.0
    assert found["gaps"] == []


def test_the_length_of_a_whole_link_goes_before_that_of_its_cables(study: SmallStudy) -> None:
    """L1 by its own test 4060 m, C1 by its own 4050 m."""
    study.rows(
        "measurements",
        "cable,link,fibre,length_m,stage,date\nC1,,1,4050,installed,\n,L1,,4060,end-to-end,\n",
    )
    facts = study.facts()
    path = circuit(facts)["paths"]["main"]
    assert path["length_m"] == 4060.0
    assert lengths(facts)["test_m"] == 60.0
    assert path["delay_terms"]["fibre_us"] == round(4060 * 1.4677 / 299.792458, 3)


def test_a_measured_length_stands_in_for_one_that_nobody_can_work_out(study: SmallStudy) -> None:
    """C1 has no runs; by test it is 4100 m. The route stays a gap."""
    study.cell("links", "L1", splices=1)
    runs = (study.folder / "cable_runs.csv").read_text(encoding="utf-8")
    kept = [line for line in runs.splitlines() if not line.startswith("C1,")]
    study.text("cable_runs.csv", "\n".join(kept) + "\n")
    study.rows("measurements", "cable,link,fibre,length_m,stage,date\nC1,,1,4100,installed,\n")
    found = circuit(study.facts())
    assert found["paths"]["main"]["length_m"] == 4100.0
    assert [gap["code"] for gap in found["gaps"]] == ["cable-without-runs"]


def test_an_old_test_is_flagged_and_one_without_a_date_too(
    study: SmallStudy, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On 2030-01-01, with five years allowed: 2024 is too old, 2026 is not."""
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1893456000")
    study.rows(
        "measurements",
        "cable,link,fibre,length_m,stage,date\n"
        "C1,,1,4000,installed,2024-05-01\n"
        "C1,,2,4000,installed,2026-05-01\n"
        "C1,,3,4000,installed,\n",
    )
    facts = study.facts()
    assert {test["fibre"]: test["old"] for test in facts["tests"]} == {1: True, 2: False, 3: True}
    assert circuit(facts)["verdict"] == "apart"


def test_whether_the_drum_reaches(study: SmallStudy) -> None:
    """C1 needs 4000 m x 1.01, 30 m of slack, two down-leads of 20 m, two tails of 10 m: 4130 m.

    The shorter of the two fibres on the drum is 4140 m: 10 m are left over.
    """
    study.cell("cables", "C1", overlength_pct=1.0, slack_m=30)
    study.rows(
        "measurements",
        "cable,link,fibre,length_m,stage,date\nC1,,1,4140,drum,\nC1,,2,4150,drum,\n",
    )
    (drum,) = study.facts()["drums"]
    assert (drum["carried_m"], drum["slack_m"]) == (4040.0, 30.0)
    assert (drum["down_leads_m"], drum["tails_m"]) == (40.0, 20.0)
    assert (drum["needed_m"], drum["left_m"], drum["reaches"]) == (4130.0, 10.0, True)


def test_a_drum_that_is_too_short_says_by_how_much(study: SmallStudy) -> None:
    """C2 lies in ducts and needs no down-lead: 4000 m and two tails; 4010 m are 10 m short."""
    study.rows("measurements", "cable,link,fibre,length_m,stage,date\nC2,,1,4010,drum,\n")
    (drum,) = study.facts()["drums"]
    assert (drum["needed_m"], drum["left_m"], drum["reaches"]) == (4020.0, -10.0, False)
