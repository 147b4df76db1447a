"""Splices one by one: bidirectional means, events, age; and what was measured over them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import waysapart as wa
from commands import run
from spliced_plant import SplicedPlant
from waysapart.findings.loss import loss_budgets
from waysapart.findings.splices import explained_losses, splice_table


def _network(tmp_path: Path, plant: SplicedPlant) -> wa.Network:
    return wa.tie(plant.read(tmp_path / "study"))


def test_what_the_loss_of_a_splice_rests_on(tmp_path: Path) -> None:
    """A mean of two directions, one direction only, events from both ends, and nothing."""
    plant = SplicedPlant()
    plant.rows["splices"] = []
    plant.splice("J1", "N1", 1, "N2", 5, loss_ab_db=0.5, loss_ba_db=0.1, date="2020-01-01")
    plant.splice("J1", "N1", 2, "N2", 6, loss_ab_db=0.02)
    plant.splice("J1", "N1", 3, "N2", 7)
    plant.splice("J1", "N1", 4, "N2", 8)
    for direction, loss in (("go", 0.11), ("return", 0.05)):
        plant.rows["measurements"].append(
            {"cable": "N1", "fibre": 3, "joint": "J1", "loss_db": loss, "direction": direction}
        )
    table = splice_table(_network(tmp_path, plant))
    assert table["rests_on"].to_list() == ["mean", "one way", "events", ""]
    assert table["loss_db"].to_list()[:3] == pytest.approx([0.3, 0.02, 0.08])
    assert table["over"].to_list() == [True, False, False, False]
    assert table["days"].iloc[0] > 2000
    assert table["days"].isna().to_list() == [False, True, True, True]
    assert table["links"].to_list() == [("LN",), ("LN",), (), ()]


def test_the_likeliest_bad_splice_is_named(tmp_path: Path) -> None:
    """3.2 dB were measured from a to b; the records explain 0.57 + 1.0 + 0.3 = 1.87 dB.

    The only splice of that direction has 0.5 and 0.1 dB by direction: 0.3 dB. From b to a 1.5 dB
    were measured, which the records explain.
    """
    plant = SplicedPlant()
    plant.rows["splices"][0] |= {"loss_db": "", "loss_ab_db": 0.5, "loss_ba_db": 0.1}
    for direction, loss in (("go", 3.2), ("return", 1.5)):
        plant.rows["measurements"].append(
            {"link": "LN", "wavelength_nm": 1310, "loss_db": loss, "direction": direction}
        )
    network = _network(tmp_path, plant)
    held = explained_losses(network, loss_budgets(network)).set_index("way")
    go, back = held.loc["go"], held.loc["return"]
    assert (go["splices"], back["splices"]) == (1, 1)
    assert go["others_db"] == pytest.approx(1.5705, abs=1e-3)
    assert go["unexplained_db"] == pytest.approx(3.2 - 1.5705 - 0.3, abs=1e-3)
    assert (bool(go["explained"]), bool(back["explained"])) == (False, True)
    assert go["suspect_db"] == pytest.approx(0.3)
    assert back["unmeasured"] == 1
    assert back["suspect_row"] == -1
    done = run("check", tmp_path / "study", "--splices")
    said = " ".join(done.stdout.split())
    assert "look first at joint J1, tray 1, N1 fibre 1 to N2 fibre 5 (0.30 dB)" in said
    told = json.loads(run("check", tmp_path / "study", "--splices", "--json", "-").stdout)
    assert told["splices"][0]["a_fibre"] == 1
    assert told["measured"][0]["link"] == "LN"


def test_cards_show_joints_and_panels(tmp_path: Path) -> None:
    """Who is on a fibre stands beside it; what is not spliced is counted; text is escaped."""
    plant = SplicedPlant()
    plant.rows["splices"][1]["tray"] = "<script>alert(1)</script>"
    page = wa.write_cards(_network(tmp_path, plant), tmp_path / "cards.html")
    text = page.read_text(encoding="utf-8")
    assert "<script>alert(1)" not in text
    for words in (
        "N1 fibre 1</td><td>N2 fibre 5",
        '<span class="id">LN</span> (K main)',
        "fibres 3-24",
        "port tx of RA",
        "Laser light",
    ):
        assert words in text, words
    done = run("check", tmp_path / "study", "--cards", tmp_path / "again.html")
    assert done.exit_code == 0
    assert (tmp_path / "again.html").exists()
