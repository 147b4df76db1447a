"""Light: too much and too little, fibre of another core, joints nobody recorded, shared fibres.

The plant is that of `figures_study`: L1 runs 4 km through C1 at 1310 nm (0.35 dB/km, mean 0.33)
with a joint in its middle, L2 4 km through C2 at 1550 nm. Two connectors: 1.0 dB at most, 0.5 dB
on average. Its budget is 20 dB.
"""

from __future__ import annotations

import json
from dataclasses import replace
from math import sqrt
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import waysapart as wa
from everyday import examples
from figures_study import SmallStudy, circuit, link, loss
from published import published
from waysapart.findings.loss import loss_budgets
from waysapart.network.build_network import tie
from waysapart.recheck import recheck
from waysapart.study.model import Study

STRONG = {"tx_max_dbm": 0, "rx_max_dbm": -8.7}
TESTS = "cable,link,fibre,wavelength_nm,loss_db,stage,direction\n"
CONNECTORS_SIGMA = sqrt(2) * 0.08


@pytest.fixture
def study(tmp_path: Path) -> SmallStudy:
    study = SmallStudy(tmp_path / "small")
    for name in ("L1", "L2"):
        study.cell("links", name, tx_min_dbm=-8, rx_min_dbm=-28)
    return study


def gaps(facts: dict[str, Any]) -> dict[str, list[dict[str, Any]]]:
    """Gaps that touch the circuit, by code."""
    found: dict[str, list[dict[str, Any]]] = {}
    for gap in circuit(facts)["gaps"]:
        found.setdefault(gap["code"], []).append(gap)
    return found


def denied(study: SmallStudy, facts: dict[str, Any]) -> list[str]:
    """What recheck finds false in the evidence."""
    file = study.folder / "evidence.json"
    file.write_text(json.dumps(facts), encoding="utf-8")
    found: list[str] = recheck(study.folder, file)["false"]
    return found


def ends_in(study: SmallStudy, fibre_type: str, fibres: str = "1;2") -> None:
    """Let the last kilometre of L1, in S4, be a cable C3 of its own."""
    runs = (study.folder / "cable_runs.csv").read_text(encoding="utf-8")
    study.text("cable_runs.csv", runs.replace("C1,4,S4", "C3,1,S4"))
    study.rows("cables", f"C3,{fibre_type},24,opgw,\n")
    study.rows("link_runs", f"L1,2,C3,{fibres},\n")


# Overload and margin


@pytest.mark.parametrize("fibres", [("", ""), ("1", "2")])
def test_overload_rests_on_the_least_and_the_margin_on_the_greatest_measured_loss(
    study: SmallStudy, fibres: tuple[str, str]
) -> None:
    """Go 9.2 dB, return 8.2 dB; sent 0 dBm at most, -8.7 dBm may arrive: -8.7 - 0 + 8.2 = -0.5.

    The margin is 20 - 9.2 = 10.8 dB, whether the tests name fibres or not.
    """
    go, back = fibres
    study.cell("links", "L1", **STRONG)
    study.cell("cables", "C1", db_per_km=2)
    study.rows(
        "measurements",
        TESTS + f",L1,{go},1310,9.2,end-to-end,go\n" + f",L1,{back},1310,8.2,end-to-end,return\n",
    )
    facts = study.facts()
    found = link(facts)
    assert (found["least_db"], found["overload_margin_db"]) == (8.2, -0.5)
    assert (found["measured_least_db"], found["measured_db"]) == (8.2, 9.2)
    assert (loss(facts)["loss_db"], loss(facts)["margin_db"]) == (9.2, 10.8)
    assert loss(facts)["overload_ok"] is False
    assert circuit(facts)["within_limits"] is False
    assert denied(study, facts) == []


def test_a_test_of_go_alone_says_nothing_of_the_return_fibre(study: SmallStudy) -> None:
    """Go 9.2 dB; computed 8 x 4 = 8.0 + 0.1 + 1.0 = 9.1 dB worst, 8.55 dB mean.

    The return fibre may lose less than 9.2 dB: the least is the computed one.
    """
    study.cell("cables", "C1", db_per_km=2)
    study.rows("measurements", TESTS + ",L1,,1310,9.2,end-to-end,go\n")
    found = link(study.facts())
    sigma = sqrt(0.04**2 / 2 + 0.03**2 + CONNECTORS_SIGMA**2)
    assert found["loss_db"] == 9.2
    assert found["least_db"] == pytest.approx(8.55 - 3 * sigma, abs=1e-4)


def test_single_fibres_of_a_cable_that_were_all_tested(study: SmallStudy) -> None:
    """Fibre 1 loses 1.9 dB, fibre 2 1.2 dB, joint included: 2.9 dB worst with connectors.

    Least 1.2 + 0.5 dB, and only the connectors vary.
    """
    study.rows("measurements", TESTS + "C1,,1,1310,1.9,installed,go\nC1,,2,1310,1.2,installed,go\n")
    facts = study.facts()
    assert loss(facts)["loss_db"] == 2.9
    assert link(facts)["least_db"] == pytest.approx(1.7 - 3 * CONNECTORS_SIGMA, abs=1e-4)


@pytest.mark.parametrize("tested_db", [3.0, 0.9])
def test_a_fibre_without_a_test_may_lose_as_little_as_computed(
    study: SmallStudy, tested_db: float
) -> None:
    """Fibre 1 was tested, fibre 2 not: its 1.32 + 0.05 dB on average are the least, or less.

    Fibre 1 may lose less still: then that is.
    """
    study.rows("measurements", TESTS + f"C1,,1,1310,{tested_db},installed,go\n")
    found = link(study.facts())
    sigma = sqrt(0.04**2 / 2 + 0.03**2 + CONNECTORS_SIGMA**2)
    least = min(tested_db, 1.37) + 0.5 - 3 * sigma
    assert found["least_db"] == pytest.approx(least, abs=1e-4)
    assert found["loss_db"] == max(2.5, tested_db + 1.0)


def test_go_and_return_through_different_cables(study: SmallStudy) -> None:
    """Go through C1: 4 x 0.35 + 0.1 + 1.0 = 2.5 dB. Return through C2 of 1 dB/km: 5.08 dB.

    The worst is that of return, the least that of go: 1.87 less 3 sigma.
    """
    study.cell("cables", "C2", db_per_km=1)
    study.text("link_runs.csv", "link,seq,cable,fibres,direction\nL1,1,C1,1,go\nL1,1,C2,1,return\n")
    study.text("links.csv", (study.folder / "links.csv").read_text().split("L2")[0])
    study.text("circuit_paths.csv", "circuit,path,seq,link\nK1,main,1,L1\n")
    facts = study.facts()
    sigma = sqrt(0.04**2 / 2 + 0.03**2 + CONNECTORS_SIGMA**2)
    assert loss(facts)["loss_db"] == 5.08
    assert link(facts)["least_db"] == pytest.approx(1.87 - 3 * sigma, abs=1e-4)
    assert denied(study, facts) == []


# Fibre of another core


def test_a_multimode_cable_in_a_single_mode_link_leaves_the_loss_open(study: SmallStudy) -> None:
    """Known are 3 x 0.35 + 1 x 1.5 dB of fibre, 2 splices and 2 connectors: 3.75 dB at least."""
    ends_in(study, "OM1")
    facts = study.facts()
    (gap,) = gaps(facts)["mode-mismatch"]
    assert "C1 (G.652.D) and C3 (OM1)" in gap["message"]
    assert gap["bears_on"] == "limits"
    found = loss(facts)
    assert (found["loss_db"], found["margin_db"], found["margin_ok"]) == (None, None, None)
    assert (found["loss_at_least_db"], found["margin_at_most_db"]) == (3.75, 16.25)
    assert found["terms"]["mismatch_db"] is None
    assert found["loss_why"] == ["what the light loses between the cores of C1 and C3 is not known"]
    assert (circuit(facts)["verdict"], circuit(facts)["within_limits"]) == ("apart", None)
    assert study.prove().exit_code() == 3
    assert denied(study, facts) == []


def test_a_single_mode_cable_in_a_multimode_link_as_well(study: SmallStudy) -> None:
    """OM1 from West Sands, its last kilometre single-mode."""
    study.cell("cables", "C1", fibre_type="OM1")
    ends_in(study, "G.652.D")
    facts = study.facts()
    assert "C1 (OM1) and C3 (G.652.D)" in gaps(facts)["mode-mismatch"][0]["message"]
    assert loss(facts)["loss_db"] is None


@published(
    "untitled-core-mismatch",
    "core mismatch",
    "multimode to single-mode 17 to 20 dB; 62.5 to 50 um 0.9 to 1.6 dB",
    of="loss",
)
@pytest.mark.parametrize(
    ("first", "last", "key", "step_db"),
    [
        pytest.param("G.652.D", "OM1", "to_single_mode", 20.0, id="multimode to single-mode"),
        pytest.param("OM1", "OM2", "to_smaller_core", 1.6, id="62.5 to 50 um"),
        pytest.param("OM3", "OM1", "to_smaller_core", 0.9, id="50 to 62.5 um, in the other sense"),
    ],
)
def test_a_stated_coupling_loss_is_added_once_per_step(
    study: SmallStudy, first: str, last: str, key: str, step_db: float
) -> None:
    """A page of optics-fibers.com, title not on record: 17 to 20 dB, and 0.9 to 1.6 dB.

    Both directions use these cables, and one of them goes into the smaller core. The least
    loss is that of the other.
    """
    study.cell("cables", "C1", fibre_type=first)
    ends_in(study, last)
    before = loss(study.facts())["loss_at_least_db"]
    study.rules(f"[defaults.mode_mismatch_db]\n{key} = {step_db}\n")
    facts = study.facts()
    assert "mode-mismatch" not in gaps(facts)
    assert loss(facts)["terms"]["mismatch_db"] == step_db
    assert loss(facts)["loss_db"] == pytest.approx(before + step_db)
    assert link(facts)["least_db"] < before
    stated = [row for row in facts["assumptions"] if row["key"].endswith(f"mode_mismatch_db.{key}")]
    assert [(row["value"], row["unit"], row["source"]) for row in stated] == [
        (step_db, "dB", "rules.toml")
    ]
    assert denied(study, facts) == []


def test_fibres_of_one_core_are_no_step(study: SmallStudy) -> None:
    for first, last in (("G.652.D", "G.657.A1"), ("OM2", "OM4")):
        study.cell("cables", "C1", fibre_type=first)
        if first == "G.652.D":
            ends_in(study, last)
        study.cell("cables", "C3", fibre_type=last)
        assert "mode-mismatch" not in gaps(study.facts())


def test_a_type_without_a_core_beside_another_type_is_not_known(study: SmallStudy) -> None:
    """What the owner calls B1.3 may be anything until the rules say."""
    own = '[fibres."B1.3"]\ndb_per_km = { 1310 = 0.35 }\n'
    study.rules(own)
    ends_in(study, "B1.3")
    (gap,) = gaps(study.facts())["mode-mismatch"]
    assert 'state core_um of B1.3 under [fibres."B1.3"]' in gap["message"]
    study.rules("core_um = 9\n")
    assert "mode-mismatch" not in gaps(study.facts())


def test_a_measured_link_covers_its_steps(study: SmallStudy) -> None:
    """12 dB from end to end, steps and all."""
    ends_in(study, "OM1")
    study.rows("measurements", TESTS + ",L1,,1310,12.0,end-to-end,\n")
    facts = study.facts()
    assert "mode-mismatch" not in gaps(facts)
    assert (loss(facts)["loss_db"], loss(facts)["margin_db"]) == (12.0, 8.0)
    assert denied(study, facts) == []


# Joints


def long_cable(study: SmallStudy, *joints: str) -> None:
    """C1 of 4 x 5250 m = 21 km, on reels of 2 km, with joints at towers."""
    for segment in ("S1", "S2", "S3", "S4"):
        study.feature("segments", segment, length_m=5250.0)
    rows = "".join(f"J-{tower},{tower},C1,\n" for tower in joints)
    study.text("joints.csv", "id,at,cables,loss_db\nJ1,P2,C2,0.08\n" + rows)


@pytest.mark.parametrize(
    ("joints", "count", "basis"),
    [
        ((), 10, "estimate"),
        (("T2",), 5 + 1 + 5, "joints and estimate"),
        (("T1",), 2 + 1 + 7, "joints and estimate"),
        (("T1", "T2", "T3"), 3 + 4 * 2, "joints and estimate"),
    ],
)
def test_between_recorded_joints_the_rest_is_estimated(
    study: SmallStudy, joints: tuple[str, ...], count: int, basis: str
) -> None:
    """21 km need 11 reels; one joint on record leaves the splices of the other reels."""
    long_cable(study, *joints)
    facts = study.facts()
    terms = loss(facts)["terms"]
    assert (terms["splices"], terms["splices_from"]) == (count, basis)
    assert terms["splices_db"] == pytest.approx(count / 10)
    assert "joints-unrecorded" in gaps(facts)
    assert denied(study, facts) == []


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return wa.read_study(SmallStudy(tmp_path_factory.mktemp("joints") / "small").folder)


def worst_db(study: Study, lengths_m: list[float], joints: list[tuple[str, str]]) -> list[float]:
    """Worst loss of L1 and L2 with segments of some lengths and joints at (place, cables)."""
    rows = pd.DataFrame(
        {
            "id": [f"J{number}" for number in range(len(joints))],
            "at": [place for place, _ in joints],
            "cables": [cables if cables else np.nan for _, cables in joints],
            "loss_db": np.nan,
            "_layer": 0,
            "_row": 1,
        }
    )
    tables = {
        **study.tables,
        "segments": study.tables["segments"].assign(length_m=lengths_m),
        "joints": rows.astype({"cables": object}),
    }
    return list(loss_budgets(tie(replace(study, tables=tables)))["loss_db"])


@settings(max_examples=examples(25, every_day=8), deadline=None)
@given(
    st.lists(st.floats(100, 9000), min_size=8, max_size=8),
    st.lists(
        st.tuples(
            st.sampled_from(["T1", "T2", "T3", "P1", "P2", "P3", "WS", "MP"]),
            st.sampled_from(["C1", "C2", "C1;C2"]),
        ),
        min_size=1,
        max_size=6,
        unique=True,
    ),
)
def test_recording_a_joint_never_lowers_the_worst_loss(
    small: Study, lengths_m: list[float], joints: list[tuple[str, str]]
) -> None:
    """A joint of unrecorded loss, on the way of its cable or off it, added to any others."""
    with_it = worst_db(small, lengths_m, joints)
    without = worst_db(small, lengths_m, joints[:-1])
    assert all(after >= before for after, before in zip(with_it, without, strict=True))


def test_a_joint_at_a_change_of_cable_is_that_splice(study: SmallStudy) -> None:
    """C1 goes over into C3 at T3: one splice there, recorded or not, and the joint at T2."""
    ends_in(study, "G.652.D")
    assert loss(study.facts())["terms"]["splices_from"] == "joints and estimate"
    study.rows("joints", "J3,T3,C1;C3,0.02\n")
    facts = study.facts()
    terms = loss(facts)["terms"]
    assert (terms["splices"], terms["splices_from"], terms["splices_db"]) == (2, "joints", 0.12)
    assert denied(study, facts) == []


def test_joints_of_the_carrier_are_no_splices_of_what_it_carries(study: SmallStudy) -> None:
    """C1 is lashed to a ground wire with joints of its own, which cut no fibre of C1."""
    study.rows("cables", "GW,G.652.D,24,opgw,\n")
    runs = (study.folder / "cable_runs.csv").read_text(encoding="utf-8")
    study.text("cable_runs.csv", runs.replace("C1,", "GW,"))
    study.cell("cables", "C1", carried_by="GW")
    study.rows("joints", "J8,T1,GW,\nJ9,T3,GW,\n")
    facts = study.facts()
    assert loss(facts)["terms"]["splices"] == 1
    assert denied(study, facts) == []


def test_a_stretch_longer_than_its_reel_leaves_the_limit_of_loss_open(study: SmallStudy) -> None:
    """The loss stays an estimate with a margin of 9.65 dB: neither kept nor broken."""
    long_cable(study)
    proof = study.prove()
    facts = proof.facts()
    (gap,) = gaps(facts)["joints-unrecorded"]
    assert (gap["asset"], gap["bears_on"]) == ("C1", "limits")
    assert "21000 m of fibre without a joint on record, where a reel holds 2000 m" in gap["message"]
    assert loss(facts)["loss_db"] == pytest.approx(21 * 0.35 + 1.0 + 1.0)
    assert (loss(facts)["margin_ok"], loss(facts)["ok"]) == (None, None)
    assert (circuit(facts)["verdict"], circuit(facts)["within_limits"]) == ("apart", None)
    assert proof.exit_code() == 3


def test_an_open_limit_may_still_be_broken(study: SmallStudy) -> None:
    """The estimate alone leaves too little."""
    long_cable(study)
    study.cell("links", "L1", rx_min_dbm=-19)
    facts = study.facts()
    assert loss(facts)["margin_ok"] is False
    assert circuit(facts)["within_limits"] is False


@pytest.mark.parametrize(
    "known",
    [
        pytest.param(lambda s: long_cable(s) or s.cell("links", "L1", splices=12), id="splices"),
        pytest.param(
            lambda s: (
                long_cable(s) or s.rows("measurements", TESTS + ",L1,,1310,9.3,end-to-end,\n")
            ),
            id="link measured",
        ),
        pytest.param(
            lambda s: long_cable(s) or s.rows("measurements", TESTS + "C1,,,1310,8.3,installed,\n"),
            id="cable measured",
        ),
        pytest.param(
            lambda s: (
                long_cable(s) or s.rules("[defaults.reel_m]\nopgw = 25000.0\nduct = 2000.0\n")
            ),
            id="longer reels",
        ),
    ],
)
def test_what_closes_the_gap_of_joints(study: SmallStudy, known: Any) -> None:
    """A number of splices, a measured loss, or reels that hold more."""
    known(study)
    assert "joints-unrecorded" not in gaps(study.facts())


@pytest.mark.parametrize(
    "test",
    [
        pytest.param("C1,,,1310,8.3,drum,\n", id="of the drum"),
        pytest.param("C1,,1,1310,8.3,installed,\n", id="of one fibre of two"),
        pytest.param(",L1,,1550,8.3,end-to-end,\n", id="at another wavelength"),
    ],
)
def test_what_does_not_close_it(study: SmallStudy, test: str) -> None:
    long_cable(study)
    study.rows("measurements", TESTS + test)
    assert "joints-unrecorded" in gaps(study.facts())


def test_a_stretch_of_just_one_reel_needs_no_joint(study: SmallStudy) -> None:
    """2000 m to the joint and 2000 m from it."""
    assert "joints-unrecorded" not in gaps(study.facts())


# Loss that is not known


def test_without_a_fibre_type_the_bound_alone_may_break_the_limit(study: SmallStudy) -> None:
    """1.1 dB at least: of a budget of 4 dB at most 2.9 dB are left, and 3 dB are asked."""
    study.cell("cables", "C1", fibre_type="")
    study.cell("links", "L1", tx_min_dbm=-8, rx_min_dbm=-12)
    facts = study.facts()
    found = loss(facts)
    assert (found["loss_db"], found["loss_at_least_db"]) == (None, 1.1)
    assert (found["margin_db"], found["margin_at_most_db"]) == (None, 2.9)
    assert (found["margin_ok"], circuit(facts)["within_limits"]) == (False, False)
    assert denied(study, facts) == []


def test_without_an_attenuation_at_the_wavelength(study: SmallStudy) -> None:
    study.cell("links", "L1", wavelength_nm=1100)
    facts = study.facts()
    found = loss(facts)
    assert (found["loss_db"], found["loss_at_least_db"], found["ok"]) == (None, 1.1, None)
    assert "no attenuation of G.652.D at 1100 nm" in found["loss_why"][0]
    assert (circuit(facts)["within_limits"], study.prove().exit_code()) == (None, 3)
    assert denied(study, facts) == []


def test_a_cable_that_states_its_attenuation_needs_no_type_for_its_loss(study: SmallStudy) -> None:
    study.cell("cables", "C1", fibre_type="", db_per_km=0.3)
    assert loss(study.facts())["loss_db"] == pytest.approx(4 * 0.3 + 0.1 + 1.0)


def test_a_tested_cable_needs_none_either(study: SmallStudy) -> None:
    """1.3 dB by test, all its fibres: with two connectors 2.3 dB."""
    study.cell("cables", "C1", fibre_type="")
    study.rows("measurements", TESTS + "C1,,,1310,1.3,installed,\n")
    facts = study.facts()
    assert (loss(facts)["terms"]["fibre_db"], loss(facts)["loss_db"]) == (None, 2.3)
    assert denied(study, facts) == []


# Fibres


SHARED = (
    "id,a,b,wavelength_nm,medium,channel,via,splices\n"
    "L1,R-W,R-M,1310,fibre,{0},{1},2\n"
    "L2,R-W,R-M,{2},fibre,{3},{4},2\n"
)
MACHINES = "{0},WS,{1},-,-,-,0\n"


@pytest.mark.parametrize(
    ("cells", "says"),
    [
        pytest.param(("", "", 1310, "", ""), "at one wavelength", id="nothing parts them"),
        pytest.param(("1", "M1", 1310, "", "M1"), "at one wavelength", id="one channel not said"),
        pytest.param(("", "", 1550, "", ""), "no filter or multiplexer", id="two wavelengths"),
        pytest.param(("", "F1", 1550, "", ""), "no filter or multiplexer", id="one has a filter"),
        pytest.param(("", "PN1", 1550, "", "PN1"), "no filter or multiplexer", id="only a panel"),
        pytest.param(("1", "", 1310, "2", ""), "parted by channel alone", id="channels alone"),
        pytest.param(
            ("1", "M1", 1310, "2", "M2"), "parted by channel alone", id="two multiplexers"
        ),
        pytest.param(("", "F1", 1550, "", "F1"), None, id="wavelengths and a filter"),
        pytest.param(("", "F1", 1550, "", "F2"), None, id="wavelengths, a filter each"),
        pytest.param(("1", "M1", 1310, "2", "M1"), None, id="channels in one multiplexer"),
    ],
)
def test_one_fibre_with_two_links(
    study: SmallStudy, cells: tuple[object, ...], says: str | None
) -> None:
    """Both links run through fibres of C1, of which fibre 2 is in both."""
    study.text("links.csv", SHARED.format(*cells))
    for name, kind in (("M1", "multiplexer"), ("M2", "multiplexer"), ("F1", "filter")):
        study.rows("equipment", MACHINES.format(name, kind))
    for name, kind in (("F2", "filter"), ("PN1", "panel")):
        study.rows("equipment", MACHINES.format(name, kind))
    study.text("link_runs.csv", "link,seq,cable,fibres,direction\nL1,1,C1,1;2,\nL2,1,C1,2;3,\n")
    facts = study.facts()
    found = gaps(facts).get("fibre-shared", [])
    assert len(found) == (says is not None)
    if says is not None:
        assert found[0]["bears_on"] == "both"
        assert "links L1 and L2 both use fibre 2 of cable C1" in found[0]["message"]
        assert says in found[0]["message"]
        codes = {gap["code"] for gap in facts["gaps"] if gap["asset"] == "L1"}
        assert codes == {"fibre-shared"}
    assert denied(study, facts) == []


def test_links_that_end_in_one_multiplexer_need_no_other(study: SmallStudy) -> None:
    """Each channel of the multiplexers at both ends is a link of its own."""
    for relay in ("R-W", "R-M"):
        study.cell("equipment", relay, kind="multiplexer")
    study.text("links.csv", SHARED.format("1", "", 1310, "2", ""))
    study.text("link_runs.csv", "link,seq,cable,fibres,direction\nL1,1,C1,1;2,\nL2,1,C1,1;2,\n")
    assert "fibre-shared" not in gaps(study.facts())


def test_one_fibre_used_before_and_behind_a_joint_is_not_shared(study: SmallStudy) -> None:
    """L1 uses fibre 1 of C1 up to T2, L2 the same number from there on."""
    study.text(
        "link_runs.csv",
        "link,seq,cable,fibres,direction,from,to\n"
        "L1,1,C1,1,,WS,T2\nL1,2,C1,2,,T2,MP\nL2,1,C1,3,,WS,T2\nL2,2,C1,1,,T2,MP\n",
    )
    assert "fibre-shared" not in gaps(study.facts())
    study.text(
        "link_runs.csv",
        "link,seq,cable,fibres,direction,from,to\n"
        "L1,1,C1,1,,WS,T3\nL1,2,C1,2,,T3,MP\nL2,1,C1,3,,WS,T2\nL2,2,C1,1,,T2,MP\n",
    )
    facts = study.facts()
    assert "fibre 1 of cable C1" in gaps(facts)["fibre-shared"][0]["message"]
    assert denied(study, facts) == []


def test_a_fibre_number_beyond_the_count_is_a_gap_of_its_link(study: SmallStudy) -> None:
    """C1 has 24 fibres. The study is read, and L1 leaves its circuit unproven."""
    study.text("link_runs.csv", "link,seq,cable,fibres,direction\nL1,1,C1,1;25,\nL2,1,C2,1;2,\n")
    facts = study.facts()
    (gap,) = gaps(facts)["fibre-beyond"]
    assert gap["message"].startswith("link L1: fibre 25 of cable C1, which has 24")
    assert (gap["asset"], gap["bears_on"]) == ("L1", "both")
    assert circuit(facts)["verdict"] == "unproven"
    (told,) = [one for one in facts["gaps"] if one["code"] == "fibre-beyond"]
    assert (told["file"], told["row"], told["column"]) == ("link_runs.csv", 2, "fibres")
    assert denied(study, facts) == []


def test_one_fibre_named_twice_is_a_gap(study: SmallStudy) -> None:
    study.text("link_runs.csv", "link,seq,cable,fibres,direction\nL1,1,C1,5;5,\nL2,1,C2,1;2,\n")
    facts = study.facts()
    (gap,) = gaps(facts)["fibre-twice"]
    assert gap["message"].startswith("link L1: fibre 5 of cable C1 is named twice")
    assert (circuit(facts)["verdict"], circuit(facts)["within_limits"]) == ("apart", None)


@pytest.mark.parametrize(("fibres", "said"), [("3;3", "fibre 3"), ("3", "fibre 3")])
def test_two_fibres_that_go_on_as_one_are_a_gap(study: SmallStudy, fibres: str, said: str) -> None:
    """Fibres 1;2 of C1 cannot go on as fibre 3 of C3, however that is written."""
    ends_in(study, "G.652.D", fibres)
    facts = study.facts()
    (gap,) = gaps(facts)["fibre-merged"]
    assert f"fibres 1;2 of cable C1 cannot go on as {said} of cable C3" in gap["message"]
    assert "fibre-twice" not in gaps(facts)
    assert (circuit(facts)["verdict"], circuit(facts)["within_limits"]) == ("apart", None)


def test_fibres_that_change_their_numbers_are_no_gap(study: SmallStudy) -> None:
    ends_in(study, "G.652.D", "7;8")
    assert not {"fibre-merged", "fibre-twice"} & set(gaps(study.facts()))
