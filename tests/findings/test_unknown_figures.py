"""A figure that lacks an input is null, with the reason and its bound beside it.

The study is the small one with 20 km of fibre on either way and both relays without a delay
on record. L1 works at 1310 nm (group index 1.4677): 20 km take 97.914 us; L2 at 1550 nm
(1.4682): 97.948 us. Everything else is on record.
"""

from __future__ import annotations

import json
import random
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

import waysapart as wa
from everyday import some
from figures_study import SmallStudy, circuit
from proofs import proof_of
from small_study import SEGMENTS
from waysapart.cli import main
from waysapart.formulas.delay import LIGHT_M_PER_US, least_difference_us
from waysapart.recheck import recheck
from waysapart.report import words

RULES = """
[defaults]
overlength_pct = { opgw = 0.0, duct = 0.0, other = 0.0 }
[services.default]
separation_m = 0
forbid_cross = false
min_margin_db = -99
[records]
within = "none"
needs = "none"
"""
L1_US = round(20_000 * 1.4677 / LIGHT_M_PER_US, 3)
L2_US = round(20_000 * 1.4682 / LIGHT_M_PER_US, 3)
HOPS = (
    "id,a,b,wavelength_nm,medium,channel,length_m,relies_on,extra_delay_us,"
    "tx_min_dbm,rx_min_dbm,splices\n"
    "L1,R-W,R-M,1310,fibre,,,,,0,-40,0\n"
)


@pytest.fixture
def study(tmp_path: Path) -> SmallStudy:
    made = SmallStudy(tmp_path / "small")
    made.text("rules.toml", RULES)
    for segment in SEGMENTS:
        made.feature("segments", segment, length_m=5000.0)
    for relay in ("R-W", "R-M"):
        made.cell("equipment", relay, delay_us="")
    for link in ("L1", "L2"):
        made.cell("links", link, tx_min_dbm=0, rx_min_dbm=-40, splices=0)
    return made


def _known(study: SmallStudy) -> SmallStudy:
    """Both relays with a delay of 100 us on record."""
    for relay in ("R-W", "R-M"):
        study.cell("equipment", relay, delay_us=100)
    return study


def _alternate(study: SmallStudy, medium: str, relies_on: str = "P1", **cells: object) -> None:
    """The alternate over one hop without cables."""
    study.text("links.csv", HOPS + f"L2,R-W,R-M,,{medium},,,{relies_on},,,,\n")
    study.text("link_runs.csv", "link,seq,cable,fibres,direction\nL1,1,C1,1;2,\n")
    study.cell("links", "L2", **cells)


def _codes(found: dict[str, Any]) -> list[str]:
    return [gap["code"] for gap in found["gaps"]]


# Equipment


def test_relays_without_a_delay_leave_the_delay_unknown_and_say_what_it_is_at_least(
    study: SmallStudy,
) -> None:
    proof = study.prove()
    found = circuit(proof.facts())
    path, delay = found["paths"]["main"], found["delay"]
    assert (path["delay_us"], path["delay_at_least_us"]) == (None, L1_US)
    assert (path["go_us"], path["go_at_least_us"]) == (None, L1_US)
    assert (path["return_us"], path["return_at_least_us"]) == (None, L1_US)
    assert path["delay_why"] == ["R-M has no delay on record", "R-W has no delay on record"]
    assert path["delay_terms"] == {
        "fibre_us": L1_US,
        "equipment_us": None,
        "extra_us": 0.0,
        "test_us": 0.0,
    }
    assert (delay["main_us"], delay["alternate_us"]) == (None, None)
    assert (delay["worst_us"], delay["worst_at_least_us"]) == (None, L2_US)
    assert delay["states"][1] == {
        "state": "alternate",
        "delay_us": None,
        "delay_at_least_us": L2_US,
    }
    assert delay["ok"] is None
    assert found["within_limits"] is None
    assert found["verdict"] == "apart"
    assert {(gap["code"], gap["bears_on"]) for gap in found["gaps"]} == {("blank-delay", "limits")}
    assert proof.exit_code() == 3


@pytest.mark.parametrize(("limit", "ok"), [(90, False), (97, False), (98, None)])
def test_a_limit_is_broken_where_the_bound_alone_breaks_it(
    limit: int, ok: bool | None, study: SmallStudy
) -> None:
    study.rules(f"[services.line-differential]\nmax_delay_us = {limit}\n")
    proof = study.prove()
    found = circuit(proof.facts())
    assert found["delay"]["worst_us"] is None
    assert found["delay"]["ok"] is ok
    assert found["within_limits"] is ok
    assert found["verdict"] == "apart"
    assert proof.exit_code() == (1 if ok is False else 3)


def test_a_delay_on_record_is_known_and_has_no_bound_beside_it(study: SmallStudy) -> None:
    found = circuit(_known(study).facts())
    assert found["delay"]["worst_us"] == 200 + L2_US
    assert found["delay"]["worst_at_least_us"] is None
    assert found["delay"]["delay_why"] == found["paths"]["main"]["delay_why"] == []
    assert found["delay"]["ok"] is True
    assert found["within_limits"] is True


def test_the_rules_may_state_a_delay_for_a_kind(study: SmallStudy) -> None:
    study.rules("delay_us = { relay = 500 }\n")
    found = circuit(study.facts())
    assert found["paths"]["main"]["delay_us"] == 1000 + L1_US
    assert found["within_limits"] is True


def test_a_panel_adds_no_delay(study: SmallStudy) -> None:
    _known(study).rows("equipment", "PN,WS,panel,-,,,\n")
    study.cell("links", "L1", via="PN")
    assert circuit(study.facts())["paths"]["main"]["delay_us"] == 200 + L1_US


# Asymmetry


def test_what_both_paths_pass_cancels_in_the_asymmetry_known_or_not(study: SmallStudy) -> None:
    """Both relays stand on both paths: the difference is that of the fibre."""
    delay = circuit(study.facts())["delay"]
    assert delay["asymmetry_us"] == pytest.approx(L2_US - L1_US, abs=2e-3)
    assert (delay["asymmetry_at_least_us"], delay["asymmetry_why"]) == (None, [])
    assert delay["asymmetry_ok"] is True


def test_what_one_path_passes_alone_leaves_the_asymmetry_open(study: SmallStudy) -> None:
    """A multiplexer without a delay on main alone: main may be any longer than the alternate."""
    _known(study).rows("equipment", "MX,WS,multiplexer,-,B-W,,\n")
    study.cell("links", "L1", via="MX", extra_delay_us=150)
    delay = circuit(study.facts())["delay"]
    assert delay["asymmetry_us"] is None
    assert delay["asymmetry_at_least_us"] == pytest.approx(150 + L1_US - L2_US, abs=2e-3)
    assert delay["asymmetry_why"] == ["MX has no delay on record"]
    assert delay["asymmetry_ok"] is None


def test_unknown_delay_on_the_shorter_path_may_make_up_the_difference(study: SmallStudy) -> None:
    """150 us more on the alternate, and a multiplexer without a delay on main: at least 0."""
    _known(study).rows("equipment", "MX,WS,multiplexer,-,B-W,,\n")
    study.cell("links", "L1", via="MX")
    study.cell("links", "L2", extra_delay_us=150)
    delay = circuit(study.facts())["delay"]
    assert (delay["asymmetry_us"], delay["asymmetry_at_least_us"]) == (None, 0.0)


@pytest.mark.parametrize(("extra", "ok"), [(199, None), (201, False)])
def test_asymmetry_is_broken_where_its_bound_breaks_the_limit(
    extra: int, ok: bool | None, study: SmallStudy
) -> None:
    _known(study).rows("equipment", "MX,WS,multiplexer,-,B-W,,\n")
    study.cell("links", "L1", via="MX", extra_delay_us=extra)
    found = circuit(study.facts())
    assert found["delay"]["asymmetry_ok"] is ok
    assert found["within_limits"] is ok


def test_directions_that_switch_together_pass_the_same_equipment(study: SmallStudy) -> None:
    """What one path alone passes cancels too: go and return are on that same path."""
    study.rows("equipment", "MX,WS,multiplexer,-,B-W,,\n")
    study.cell("links", "L1", via="MX")
    study.cell("circuits", "K1", switching="both")
    delay = circuit(study.facts())["delay"]
    assert (delay["asymmetry_us"], delay["asymmetry_ok"]) == (0.0, True)
    assert delay["worst_us"] is None


def test_a_limit_that_a_service_does_not_set_is_not_asked(study: SmallStudy) -> None:
    """The default service sets no limit of asymmetry: the unknown one breaks nothing."""
    _known(study).rows("equipment", "MX,WS,multiplexer,-,B-W,,\n")
    study.cell("links", "L1", via="MX")
    study.cell("circuits", "K1", service="default")
    delay = circuit(study.facts())["delay"]
    assert (delay["asymmetry_us"], delay["asymmetry_ok"]) == (None, True)


@pytest.mark.parametrize(
    ("known", "first", "second", "least"),
    [
        (5.0, False, False, 5.0),
        (-5.0, False, False, 5.0),
        (5.0, True, False, 5.0),
        (-5.0, True, False, 0.0),
        (5.0, False, True, 0.0),
        (-5.0, False, True, 5.0),
        (5.0, True, True, 0.0),
    ],
)
def test_the_least_difference(known: float, first: bool, second: bool, least: float) -> None:
    assert float(least_difference_us(known, first, second)) == least


# Hops without cables


def test_a_leased_hop_without_length_or_delay_passes_no_limit(study: SmallStudy) -> None:
    """Its route is on record, how long it takes is not: neither 0 m of fibre nor 0 us."""
    _alternate(_known(study), "leased")
    proof = study.prove()
    found = circuit(proof.facts())
    path, delay = found["paths"]["alternate"], found["delay"]
    said = "this leased hop has neither a length nor a delay on record"
    assert (path["length_m"], path["route_m"], path["delay_us"]) == (None, None, None)
    assert path["other_lengths"] == [{"medium": "leased", "length_m": None}]
    assert path["length_why"] == ["L2: the length of this leased hop is not on record"]
    assert path["delay_at_least_us"] == 200.0
    assert path["delay_why"] == [f"L2: {said}"]
    assert (delay["asymmetry_us"], delay["asymmetry_ok"]) == (None, None)
    assert found["within_limits"] is None
    assert found["verdict"] == "apart"
    assert _codes(found) == ["hop-length"]
    assert proof.exit_code() == 3


@pytest.mark.parametrize(
    ("cells", "tests", "us"),
    [
        ({"length_m": 30_000}, "", 30_000 * 1.4682 / LIGHT_M_PER_US),
        ({"extra_delay_us": 900}, "", 900.0),
        ({"length_m": 0, "extra_delay_us": 900}, "", 900.0),
        ({}, ",L2,,910,end-to-end,,\n", 910.0),
    ],
)
def test_a_leased_hop_is_known_by_its_length_its_stated_or_its_measured_delay(
    cells: dict[str, object], tests: str, us: float, study: SmallStudy
) -> None:
    _alternate(_known(study), "leased", **cells)
    if tests:
        study.rows("measurements", "cable,link,fibre,delay_us,stage,direction,date\n" + tests)
    found = circuit(study.facts())
    assert found["paths"]["alternate"]["delay_us"] == pytest.approx(200 + us, abs=2e-3)
    assert _codes(found) == []
    assert found["delay"]["ok"] is True


def test_one_measured_direction_leaves_the_other_open(study: SmallStudy) -> None:
    _alternate(_known(study), "leased")
    study.rows(
        "measurements",
        "cable,link,fibre,delay_us,stage,direction,date\n,L2,,910,end-to-end,go,\n",
    )
    path = circuit(study.facts())["paths"]["alternate"]
    assert (path["go_us"], path["return_us"], path["delay_us"]) == (1110.0, None, None)
    assert path["delay_at_least_us"] == 1110.0


def test_other_media_are_told_apart_from_fibre(study: SmallStudy) -> None:
    """Main by fibre to Marsh Point's multiplexer, then 3 km leased: the path has 20 km of fibre."""
    _known(study).rows("equipment", "MX,MP,multiplexer,-,B-M,,10\n")
    study.text(
        "links.csv", HOPS.replace("L1,R-W,R-M", "L1,R-W,MX") + "L2,R-W,R-M,1550,fibre,,,,,0,-40,0\n"
    )
    study.rows("links", "L3,MX,R-M,,leased,,3000,P2,,,,\n")
    study.rows("circuit_paths", "K1,main,2,L3\n")
    facts = study.facts()
    path = circuit(facts)["paths"]["main"]
    assert (path["length_m"], path["route_m"]) == (20_000.0, 23_000.0)
    assert path["other_lengths"] == [{"medium": "leased", "length_m": 3000.0}]
    media = {one["id"]: one["medium"] for one in facts["links"]}
    assert [media[name] for name in path["links"]] == ["fibre", "leased"]
    assert words.lengths_said(path) == "20.0 km of fibre, 3.00 km of leased line"


def test_a_radio_hop_is_as_long_as_the_line_between_its_masts(study: SmallStudy) -> None:
    """T1 and T3 stand 2000 m apart on the grid of a metre-true study."""
    _alternate(_known(study), "radio", relies_on="T1;T3")
    path = circuit(study.facts())["paths"]["alternate"]
    assert path["length_m"] == 0.0
    (hop,) = path["other_lengths"]
    assert hop["medium"] == "radio"
    assert hop["length_m"] == pytest.approx(2000 / 0.9996, rel=1e-4)
    air = hop["length_m"] * 1.0003 / LIGHT_M_PER_US
    assert path["delay_us"] == pytest.approx(200 + air, abs=2e-3)
    assert words.lengths_said(path) == "2.00 km by radio"


@pytest.mark.parametrize(
    ("relies_on", "metres"),
    [("-", 4000.0), ("P1", 4000.0), ("T1", (3000**2 + 200**2) ** 0.5)],
)
def test_a_radio_hop_without_two_masts_runs_from_its_sites(
    relies_on: str, metres: float, study: SmallStudy
) -> None:
    """A pit is no mast. One mast stands at the nearer site: T1 at West Sands."""
    _alternate(_known(study), "radio", relies_on=relies_on)
    found = circuit(study.facts())
    (hop,) = found["paths"]["alternate"]["other_lengths"]
    assert hop["length_m"] == pytest.approx(metres / 0.9996, rel=1e-4)
    assert _codes(found) == []


def test_a_stated_length_goes_before_the_line_between_masts(study: SmallStudy) -> None:
    _alternate(_known(study), "radio", relies_on="T1;T3", length_m=2100)
    (hop,) = circuit(study.facts())["paths"]["alternate"]["other_lengths"]
    assert hop["length_m"] == 2100.0


def test_a_radio_hop_without_masts_or_path_is_a_gap(study: SmallStudy) -> None:
    _alternate(_known(study), "radio", relies_on="")
    found = circuit(study.facts())
    (gap,) = found["gaps"]
    assert (gap["code"], gap["asset"], gap["bears_on"]) == ("radio-route", "L2", "separation")
    assert found["verdict"] == "unproven"
    assert found["within_limits"] is True


def test_an_internal_hop_between_two_sites_is_a_gap_that_names_both(study: SmallStudy) -> None:
    """4000 m on the grid, whose scale is 0.9996 there."""
    _alternate(_known(study), "internal", relies_on="")
    found = circuit(study.facts())
    (gap,) = found["gaps"]
    assert (gap["code"], gap["bears_on"]) == ("internal-far", "both")
    assert "R-W (WS) and R-M (MP), which are 4002 m apart" in gap["message"]
    assert found["verdict"] == "unproven"
    assert found["paths"]["alternate"]["delay_us"] is None
    assert found["within_limits"] is None


@pytest.mark.parametrize("medium", ["internal", "electrical"])
def test_a_hop_within_one_site_adds_no_length(medium: str, study: SmallStudy) -> None:
    _known(study).rows("equipment", "MX,MP,multiplexer,-,B-M,,10\n")
    study.text(
        "links.csv", HOPS.replace("L1,R-W,R-M", "L1,R-W,MX") + "L2,R-W,R-M,1550,fibre,,,,,0,-40,0\n"
    )
    study.rows("links", f"L3,MX,R-M,,{medium},,,,,,,\n")
    study.rows("circuit_paths", "K1,main,2,L3\n")
    found = circuit(study.facts())
    assert found["paths"]["main"]["delay_us"] == 210 + L1_US
    assert words.lengths_said(found["paths"]["main"]) == "20.0 km of fibre"
    assert _codes(found) == []


def test_a_wire_between_two_sites_has_a_length_or_none_that_anybody_knows(
    study: SmallStudy,
) -> None:
    _alternate(_known(study), "electrical")
    found = circuit(study.facts())
    assert found["paths"]["alternate"]["delay_us"] is None
    assert _codes(found) == ["hop-length"]


# Fibre


def test_fibre_of_an_unknown_type_is_no_faster_than_light(study: SmallStudy) -> None:
    """20 km take at least 20 000 / 299.792458 us, whatever the glass."""
    _known(study).cell("cables", "C1", fibre_type="")
    found = circuit(study.facts())
    path = found["paths"]["main"]
    assert (path["delay_us"], path["length_m"]) == (None, 20_000.0)
    assert path["delay_at_least_us"] == pytest.approx(200 + 20_000 / LIGHT_M_PER_US, abs=2e-3)
    assert path["delay_why"] == ["L1: the fibre_type of C1 is not on record"]
    assert _codes(found) == ["fibre-type"]
    assert found["verdict"] == "apart"


def test_fibre_that_the_rules_have_no_group_index_of(study: SmallStudy) -> None:
    """The rules that ship give G.655 at 1550 and 1625 nm."""
    _known(study).cell("cables", "C1", fibre_type="G.655")
    path = circuit(study.facts())["paths"]["main"]
    assert path["delay_us"] is None
    assert path["delay_why"] == [
        "L1: the rules have no group index of G.655 at 1310 nm: add it under [fibres]"
    ]


def test_a_measured_delay_needs_nothing_else(study: SmallStudy) -> None:
    _known(study).cell("cables", "C1", fibre_type="")
    study.rows("measurements", "cable,link,fibre,delay_us,stage,direction,date\n,L1,,99,,,\n")
    path = circuit(study.facts())["paths"]["main"]
    assert (path["delay_us"], path["delay_why"]) == (299.0, [])


def test_a_missing_segment_leaves_the_rest_as_the_least(study: SmallStudy) -> None:
    """C1 without S2: 15 km are on record."""
    _known(study)
    runs = (study.folder / "cable_runs.csv").read_text(encoding="utf-8")
    study.text("cable_runs.csv", runs.replace("C1,2,S2\n", ""))
    found = circuit(study.facts())
    path = found["paths"]["main"]
    assert _codes(found) == ["cable-broken"]
    assert (path["length_m"], path["length_at_least_m"]) == (None, 15_000.0)
    assert path["delay_us"] is None
    assert path["delay_at_least_us"] == pytest.approx(200 + L1_US * 3 / 4, abs=2e-3)
    assert path["delay_why"] == ["L1: two consecutive segments of a cable do not meet"]


def test_a_disputed_length_is_neither_known_nor_a_bound(study: SmallStudy) -> None:
    """20 km by record, 12 km by test: one of them is of another cable, nobody knows which."""
    _known(study).rows(
        "measurements", "cable,link,fibre,length_m,stage,date\nC1,,1,12000,installed,\n"
    )
    found = circuit(study.facts())
    path = found["paths"]["main"]
    assert _codes(found) == ["measured-length"]
    assert (path["length_m"], path["length_at_least_m"]) == (None, 0.0)
    assert (path["delay_us"], path["delay_at_least_us"]) == (None, 200.0)


def test_one_path_on_record_is_the_least_of_the_worst(study: SmallStudy) -> None:
    _known(study).text("circuit_paths.csv", "circuit,path,seq,link\nK1,main,1,L1\n")
    delay = circuit(study.facts())["delay"]
    assert (delay["main_us"], delay["worst_us"]) == (200 + L1_US, None)
    assert delay["worst_at_least_us"] == 200 + L1_US
    assert delay["delay_why"] == ["fewer than two complete paths of a circuit are on record"]
    assert delay["asymmetry_us"] is None


def test_a_ring_that_turns_back_is_as_unknown_as_its_nodes(study: SmallStudy) -> None:
    """Both ways round and both states turned back: the fibre of the ring is known, R-X is not."""
    _known(study).rows("equipment", "R-X,MP,multiplexer,-,B-M,,\n")
    study.rules("[recovery]\nring_turns_back = true\n")
    study.text(
        "links.csv",
        "id,a,b,wavelength_nm,medium,channel,length_m,relies_on,extra_delay_us\n"
        "L1,R-W,R-X,,radio,,0,T1,2000\nL3,R-X,R-M,,radio,,0,T2,4000\nL2,R-W,R-M,,radio,,0,P1,1000\n",
    )
    study.text("link_runs.csv", "link,seq,cable,fibres,direction\n")
    study.text("circuit_paths.csv", "circuit,path,seq,link\n")
    study.text("rings.csv", "ring,seq,link\nG,1,L1\nG,2,L3\nG,3,L2\n")
    study.text("ring_circuits.csv", "circuit,ring,main_way\nK1,G,backward\n")
    delay = circuit(study.facts())["delay"]
    states = {one["state"]: (one["delay_us"], one["delay_at_least_us"]) for one in delay["states"]}
    assert states["main"] == (1200.0, None)
    assert states["alternate"] == (None, 6200.0)
    assert states["turned back on alternate"][0] is None
    assert delay["worst_us"] is None
    assert delay["worst_at_least_us"] == max(
        bound if known is None else known for known, bound in states.values()
    )


# Where figures are told


def _terminal(study: SmallStudy, *more: str) -> str:
    result = CliRunner().invoke(main, ["prove", str(study.folder), *more])
    assert result.exit_code in (0, 1, 3), result.output
    return " ".join(result.output.split())


def test_the_terminal_says_at_least(study: SmallStudy) -> None:
    text = _terminal(study)
    assert "Not proven: 1 of 1 circuit cannot be checked against every limit" in text
    assert (
        "Delay is at least 97.9 µs and may exceed its limit of 5000 µs: not all of it is on record."
    ) in text
    one = _terminal(study, "--circuit", "K1")
    assert "20.0 km of fibre, at least 97.9 µs one way" in one
    assert "not known: R-M has no delay on record" in one


def test_the_terminal_calls_no_leased_line_fibre(study: SmallStudy) -> None:
    _alternate(_known(study), "leased")
    one = _terminal(study, "--circuit", "K1")
    assert "alternate: L2; an unknown length of leased line, at least 200.0 µs one way" in one
    assert "0.0 m of fibre" not in one


def test_a_broken_bound_is_told_as_a_bound(study: SmallStudy) -> None:
    study.rules("[services.line-differential]\nmax_delay_us = 90\n")
    assert "Delay of at least 97.9 µs exceeds its limit of 90 µs." in _terminal(study)


def test_the_page_says_at_least_and_why(study: SmallStudy, tmp_path: Path) -> None:
    page = tmp_path / "report.html"
    result = CliRunner().invoke(main, ["report", str(study.folder), "-o", str(page)])
    assert result.exit_code == 3, result.output
    text = page.read_text(encoding="utf-8")
    assert "<b>at least 97.9 µs</b> of 5000 µs · not known" in text
    assert "Not on record: R-M has no delay on record; R-W has no delay on record." in text
    assert '<td>main</td><td class="number">at least 97.9 µs</td>' in text


def test_a_page_for_readers_outside_gives_no_names_in_its_reasons(
    study: SmallStudy, tmp_path: Path
) -> None:
    page = tmp_path / "report.html"
    arguments = ["report", str(study.folder), "-o", str(page), "--share-outside"]
    assert CliRunner().invoke(main, arguments).exit_code == 3
    text = page.read_text(encoding="utf-8")
    assert "<b>at least 98.0 µs</b> of 5000 µs · not known" in text
    assert "R-M" not in text
    assert "Not on record:" not in text


def test_exported_layers_hold_the_bound_beside_the_blank(study: SmallStudy, tmp_path: Path) -> None:
    import pyogrio

    file = tmp_path / "out.gpkg"
    wa.export(wa.read_study(study.folder), file)
    paths = pyogrio.read_dataframe(file, layer="found_paths", read_geometry=False)
    assert paths["delay_us"].isna().all()
    assert paths["delay_at_least_us"].tolist() == [L1_US, L2_US]
    circuits = pyogrio.read_dataframe(file, layer="found_circuits", read_geometry=False)
    assert circuits["worst_us"].isna().all()
    assert circuits["worst_at_least_us"].tolist()[0] == L2_US


def test_a_dig_that_leaves_one_path_says_what_is_known_of_its_delay(study: SmallStudy) -> None:
    """The alternate is cut; main runs on, and how long it takes nobody knows."""
    found = wa.dig(wa.read_study(study.folder), assets=["D2"]).facts()
    (one,) = found["circuits"]
    assert (one["delay_us"], one["delay_at_least_us"], one["delay_ok"]) == (None, L1_US, None)
    assert one["within_limits"] is None


def test_a_record_that_goes_makes_a_limit_worse(study: SmallStudy, tmp_path: Path) -> None:
    """A proposal that puts in a relay without a delay: the limit was kept, now nobody knows."""
    before = proof_of(_known(study).folder).facts()
    study.cell("equipment", "R-W", delay_us="")
    (change,) = wa.compare(before, wa.read_study(study.folder)).facts()["circuits"]
    assert change["change"] == "worse"
    assert change["figures"]["worst_us"] == {"before": 200 + L2_US, "after": None}
    assert change["figures"]["worst_at_least_us"] == {
        "before": None,
        "after": round(100 + L2_US, 3),
    }


def test_a_path_of_unknown_delay_is_no_answer_of_reroute(study: SmallStudy) -> None:
    """Ways that are apart exist; whether they keep the limit of delay nobody can tell."""
    (one,) = wa.reroute(wa.read_study(study.folder), circuits=["K1"]).facts()["circuits"]
    assert one["status"] == "undecided"
    assert "nobody could tell whether K1 would keep its limit of delay" in one["why"]
    (one,) = wa.reroute(wa.read_study(_known(study).folder), circuits=["K1"]).facts()["circuits"]
    assert one["status"] == "apart"


# Whatever is blank


def _vary(study: SmallStudy, rng: random.Random) -> dict[str, Any]:
    """A study of three equipments and three links with some cells blank; what was blanked."""
    study.text(
        "equipment.csv",
        "id,site,kind,within,supplies,needs,delay_us\nR-W,WS,relay,-,B-W,-,\nR-M,MP,relay,-,B-M,-,\n"
        "MX,MP,multiplexer,-,B-M,-,\n",
    )
    study.text(
        "links.csv",
        "id,a,b,wavelength_nm,medium,via,length_m,relies_on,extra_delay_us\n"
        "L1,R-W,MX,1310,fibre,,,,\nL2,R-W,R-M,,leased,,,P1,\nL3,MX,R-M,,leased,,,P2,\n",
    )
    study.text("link_runs.csv", "link,seq,cable,fibres,direction\nL1,1,C1,1;2,\n")
    study.text(
        "circuit_paths.csv",
        "circuit,path,seq,link\nK1,main,1,L1\nK1,main,2,L3\nK1,alternate,1,L2\n",
    )
    study.cell("circuits", "K1", switching=rng.choice(["each", "both"]))
    values: dict[str, Any] = {
        **{("equipment", name, "delay_us"): rng.randint(0, 900) for name in ("R-W", "R-M", "MX")},
        **{("links", name, "length_m"): rng.randint(0, 90_000) for name in ("L2", "L3")},
        ("cables", "C1", "fibre_type"): "G.652.D",
    }
    for (role, name, column), value in values.items():
        study.cell(role, name, **{column: value})
    return values


@pytest.mark.parametrize("seed", some(range(12), every=8))
def test_no_record_that_is_filled_in_leads_below_the_bound(seed: int, study: SmallStudy) -> None:
    """Figures with blanks say no more than is true of the same study with all on record."""
    rng = random.Random(seed)
    values = _vary(study, rng)
    whole = circuit(study.facts())
    assert whole["delay"]["delay_why"] == []
    blanked = rng.sample(sorted(values), rng.randint(1, 4))
    for role, name, column in blanked:
        study.cell(role, name, **{column: ""})
    found = circuit(study.facts())
    assert found["delay"]["worst_us"] is None
    assert found["within_limits"] is not True
    pairs = [(found["delay"], whole["delay"], name) for name in ("worst", "asymmetry")]
    pairs += [
        (found["paths"][label], whole["paths"][label], name)
        for label in ("main", "alternate")
        for name in ("delay", "go", "return")
    ]
    for open_, true, name in pairs:
        if open_[f"{name}_us"] is None:
            assert open_[f"{name}_at_least_us"] <= true[f"{name}_us"] + 2e-3
        else:
            assert open_[f"{name}_us"] == pytest.approx(true[f"{name}_us"], abs=2e-3)
    for label in ("main", "alternate"):
        path = found["paths"][label]
        assert (path["delay_us"] is None) == bool(path["delay_why"])
    for key in ("ok", "asymmetry_ok"):
        assert found["delay"][key] in (None, whole["delay"][key])


@pytest.mark.parametrize("seed", some(range(12), every=8))
def test_recheck_confirms_figures_with_blanks_and_finds_false_ones(
    seed: int, study: SmallStudy, tmp_path: Path
) -> None:
    rng = random.Random(seed)
    values = _vary(study, rng)
    for role, name, column in rng.sample(sorted(values), rng.randint(1, 4)):
        study.cell(role, name, **{column: ""})
    facts = json.loads(json.dumps(study.facts()))
    file = tmp_path / "evidence.json"
    file.write_text(json.dumps(facts), encoding="utf-8")
    assert recheck(study.folder, file)["false"] == []
    delay = circuit(facts)["delay"]
    delay["worst_us"], delay["ok"], circuit(facts)["within_limits"] = 10.0, True, True
    file.write_text(json.dumps(facts), encoding="utf-8")
    assert any("worst delay" in said for said in recheck(study.folder, file)["false"])


def test_recheck_tells_a_figure_that_is_hidden_behind_a_null(
    study: SmallStudy, tmp_path: Path
) -> None:
    """All is on record, but the evidence says that nobody knows: no limit could be broken."""
    _known(study).rules("[services.line-differential]\nmax_delay_us = 250\n")
    facts = json.loads(json.dumps(study.facts()))
    found = circuit(facts)
    assert found["delay"]["ok"] is False
    for path in found["paths"].values():
        for name in ("delay", "go", "return"):
            path[f"{name}_us"], path[f"{name}_at_least_us"] = None, 0.0
    found["delay"] |= {"worst_us": None, "worst_at_least_us": 0.0, "ok": None}
    found["within_limits"] = None
    file = tmp_path / "evidence.json"
    file.write_text(json.dumps(facts), encoding="utf-8")
    assert any("go_us" in said for said in recheck(study.folder, file)["false"])


@pytest.mark.parametrize(
    ("medium", "relies_on"),
    some(
        [("radio", "T1;T3"), ("radio", "T1"), ("radio", "-"), ("radio", ""), ("internal", ""),
         ("electrical", "P1"), ("leased", "P1"), ("carrier", "")],
        every=4,
    ),
)  # fmt: skip
def test_recheck_agrees_on_hops_without_cables(
    medium: str, relies_on: str, study: SmallStudy, tmp_path: Path
) -> None:
    _alternate(study, medium, relies_on=relies_on)
    file = tmp_path / "evidence.json"
    file.write_text(json.dumps(study.facts()), encoding="utf-8")
    assert recheck(study.folder, file)["false"] == []


# What is not known of one stretch says nothing of others


def test_a_span_of_unknown_length_leaves_the_joints_of_other_cables_where_they_are(
    study: SmallStudy,
) -> None:
    """C1 has a span of unknown length. C2, after it in the tables, has 20 km of duct in reels of
    11 km and its one joint in the middle: no stretch is longer than a reel."""
    study.text("rules.toml", RULES.replace("[defaults]", "[defaults]\nreel_m = { duct = 11000 }"))
    study.cell("links", "L2", splices="")
    study.undraw("segments", "S2")
    facts = study.confirmed()
    terms = next(one for one in facts["links"] if one["id"] == "L2")["loss"]["terms"]
    assert (terms["splices"], terms["splices_from"]) == (1, "joints")
    assert "joints-unrecorded" not in _codes(facts)


@pytest.mark.parametrize(("slack_m", "length_m"), [(0, 10_000.0), (40, None)])
def test_part_of_a_cable_is_as_long_as_its_own_records_say(
    slack_m: int, length_m: float | None, study: SmallStudy
) -> None:
    """L2 ends in P2, halfway along C2, and beyond P2 the length of C2 is not known. Its two ducts
    are 10 km; its share of the cable's slack cannot be told, unless there is none."""
    study.cell("cables", "C2", slack_m=slack_m)
    study.rows("equipment", "R-P,WS,relay,-,-,-,0\n")
    study.cell("links", "L2", b="R-P")
    study.text("link_runs.csv", "link,seq,cable,from,to\nL1,1,C1,,\nL2,1,C2,WS,P2\n")
    study.undraw("segments", "D3")
    facts = study.confirmed()
    lengths = next(one for one in facts["links"] if one["id"] == "L2")["lengths"]
    assert (lengths["route_m"], lengths["length_m"]) == (10_000.0, length_m)
