"""New links over splices on record: which fibres they take, and the work list joint by joint.

The plant of `spliced_plant`, whose circuit K has both paths over LN in the north. A second way
leads south: cable S1 from A to pit Q1, cable S2 from Q1 through pit Q2 to B; joint JQ stands in Q1,
JR in Q2. Their panels are GA and GB.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

import waysapart as wa
from commands import run
from spliced_plant import SplicedPlant


def _south() -> SplicedPlant:
    plant = SplicedPlant()
    for role, cells in (
        ("links", {"id": "LS"}),
        ("patches", {"id": "KC"}),
        ("patches", {"id": "KD"}),
        ("terminations", {"cable": "S"}),
        ("cables", {"id": "S"}),
        ("cable_runs", {"cable": "S"}),
        ("segments", {"id": "e2"}),
    ):
        plant.without(role, **cells)
    plant.nodes("pit", Q2=(1200, -400))
    plant.segment("e2", "duct", "Q1", "Q2")
    plant.segment("e3", "duct", "Q2", "B")
    plant.laid("S1", "e1")
    plant.laid("S2", "e2 e3")
    plant.rows["joints"] += [{"id": "JQ", "at": "Q1"}, {"id": "JR", "at": "Q2"}]
    for panel, site in (("GA", "A"), ("GB", "B")):
        plant.rows["equipment"].append(
            {"id": panel, "site": site, "kind": "panel", "within": "-", "supplies": "-"}
        )
    for row in plant.rows["circuit_paths"]:
        row["link"] = "LN"
    return plant


def _through(plant: SplicedPlant, one: int, other: int, port: int) -> None:
    """A fibre that is free from port to port: GA, S1, JQ tray 3, S2, GB."""
    plant.splice("JQ", "S1", one, "S2", other, tray="3")
    plant.end("S1", one, "GA", port)
    plant.end("S2", other, "GB", port)


def _reroute(tmp_path: Path, plant: SplicedPlant, fibres: int = 2) -> wa.Reroute:
    proof = wa.prove(plant.read(tmp_path / "study"))
    return wa.reroute(proof, ["K"], fibres=fibres, build=wa.Candidates(wanted=False))


def _work(found: wa.Reroute) -> list[str]:
    return [one["text"] for one in found.facts()["work"] if one["what"] != "switch over"]


def _read_back(tmp_path: Path, found: wa.Reroute) -> wa.Network:
    """The proposal as written and read: it traces clean, and K is apart."""
    found.write_proposal(tmp_path / "proposal")
    network = wa.tie(wa.read_study(tmp_path / "proposal"))
    assert [gap.code for gap in network.gaps] == []
    (circuit,) = wa.prove(network).facts()["circuits"]
    assert circuit["verdict"] == "apart"
    return network


def _runs(network: wa.Network) -> list[list[Any]]:
    runs = network.study.tables["link_runs"]
    mine = runs[runs["link"] == "K-alternate-new"]
    return mine[["cable", "fibres"]].to_numpy().tolist()


def test_fibres_that_are_free_from_port_to_port_come_first(tmp_path: Path) -> None:
    """Fibres 7-11 and 8-12 need cords only; the lower numbers are dark."""
    plant = _south()
    _through(plant, 7, 11, 1)
    _through(plant, 8, 12, 2)
    found = _reroute(tmp_path, plant)
    assert _work(found) == [
        "cord from ports K-alternate-new-tx and K-alternate-new-rx of RA to ports 1 and 2 of GA",
        "cord from ports 1 and 2 of GB to ports K-alternate-new-rx and K-alternate-new-tx of RB",
    ]
    assert _runs(_read_back(tmp_path, found)) == [["S1", "7;8"], ["S2", "11;12"]]


def test_what_is_missing_is_spliced_joint_by_joint(tmp_path: Path) -> None:
    """One fibre leads through; for the other, ended at GA only, a splice and an end are missing.

    The splice goes into the tray that holds its neighbour.
    """
    plant = _south()
    _through(plant, 7, 11, 1)
    plant.end("S1", 9, "GA", 2)
    found = _reroute(tmp_path, plant)
    assert _work(found) == [
        "cord from ports K-alternate-new-tx and K-alternate-new-rx of RA to ports 1 and 2 of GA",
        "joint JQ, tray 3: S1 fibre 9 to S2 fibre 1",
        "end S2 fibre 1 on port 2 of GB",
        "cord from ports 1 and 2 of GB to ports K-alternate-new-rx and K-alternate-new-tx of RB",
    ]
    (splice,) = found.facts()["proposal"]["rows"]["splices"]
    assert (splice["joint"], splice["tray"], splice["a_fibre"]) == ("JQ", "3", 9)
    assert _runs(_read_back(tmp_path, found)) == [["S1", "7;9"], ["S2", "11;1"]]


def test_one_fibre_for_both_directions_has_one_port(tmp_path: Path) -> None:
    found = _reroute(tmp_path, _south(), fibres=1)
    assert _work(found) == [
        "end S1 fibre 1 on port 1 of GA",
        "cord from port K-alternate-new of RA to port 1 of GA",
        "joint JQ: S1 fibre 1 to S2 fibre 1",
        "end S2 fibre 1 on port 1 of GB",
        "cord from port 1 of GB to port K-alternate-new of RB",
    ]
    assert _runs(_read_back(tmp_path, found)) == [["S1", "1"], ["S2", "1"]]


def test_working_fibres_and_doubtful_ones_stay_untouched(tmp_path: Path) -> None:
    """LX, to another relay, has fibre 1 of S1 and S2 by its link_runs; 2 of S1 is spliced to it.

    Fibre 3 of S1 is spliced twice, and 4 is on a port with a cord of somebody's. 5 and 6 are left.
    """
    plant = _south()
    plant.rows["equipment"].append(
        {"id": "RX", "site": "B", "kind": "relay", "within": "-", "supplies": "-", "delay_us": 0}
    )
    plant.rows["links"].append({"id": "LX", "a": "RA", "b": "RX", "wavelength_nm": 1310})
    plant.rows["link_runs"] += [
        {"link": "LX", "seq": 1, "cable": "S1", "fibres": "1"},
        {"link": "LX", "seq": 2, "cable": "S2", "fibres": "1"},
    ]
    plant.splice("JQ", "S1", 2, "S2", 1)
    plant.splice("JQ", "S1", 3, "S2", 9)
    plant.splice("JQ", "S1", 3, "S2", 10)
    plant.end("S1", 4, "GA", 4)
    plant.cord("KZ", "RA", "z", "GA", 4)
    found = _reroute(tmp_path, plant)
    rows = found.facts()["proposal"]["rows"]
    taken = {(row["a_cable"], row["a_fibre"]) for row in rows["splices"]}
    assert taken == {("S1", 5), ("S1", 6)}
    assert {row["b_fibre"] for row in rows["splices"]} == {2, 3}


def test_a_fibre_that_leads_elsewhere_within_a_cable_is_not_taken(tmp_path: Path) -> None:
    """In JR fibre 1 of S2 goes on as 2; 3 is spliced through to itself, 4 passes uncut."""
    plant = _south()
    plant.splice("JR", "S2", 1, "S2", 2, a_side="before", b_side="after")
    plant.splice("JR", "S2", 3, "S2", 3)
    found = _reroute(tmp_path, plant)
    assert _runs(_read_back(tmp_path, found)) == [
        ["S1", "1;2"],
        ["S2", "3;4"],
    ]


def test_a_cable_that_passes_the_joint_is_cut_there(tmp_path: Path) -> None:
    """S2 comes from pit Q0 and passes Q1: its fibre is cut there, and goes on after JQ."""
    plant = _south()
    plant.nodes("pit", Q0=(400, -700))
    plant.segment("f1", "duct", "Q0", "Q1")
    plant.without("cable_runs", cable="S2")
    for seq, segment in enumerate(("f1", "e2", "e3"), start=1):
        plant.rows["cable_runs"].append({"cable": "S2", "seq": seq, "segment": segment})
    found = _reroute(tmp_path, plant, fibres=1)
    assert (
        "joint JQ: S1 fibre 1 to S2 fibre 1 (S2 fibre 1 goes through uncut: cut it there)"
        in _work(found)
    )
    (splice,) = found.facts()["proposal"]["rows"]["splices"]
    assert (splice.get("a_side"), splice["b_side"]) == (None, "after")
    assert _runs(_read_back(tmp_path, found)) == [["S1", "1"], ["S2", "1"]]


def test_without_a_joint_on_record_a_new_one_is_proposed(tmp_path: Path) -> None:
    """JQ holds T only: S1 and S2 are joined in a closure of their own."""
    plant = _south()
    plant.rows["cables"].append({"id": "T", "fibre_type": "G.652.D", "fibre_count": 4})
    plant.rows["cable_runs"].append({"cable": "T", "seq": 1, "segment": "e1"})
    next(row for row in plant.rows["joints"] if row["id"] == "JQ")["cables"] = "T"
    found = _reroute(tmp_path, plant, fibres=1)
    assert "new joint J-Q1-new for S1 and S2" in _work(found)
    assert found.facts()["proposal"]["rows"]["joints"] == [
        {"id": "J-Q1-new", "at": "Q1", "cables": "S1;S2"}
    ]
    _read_back(tmp_path, found)


def test_a_cable_is_led_into_a_joint_that_holds_the_other(tmp_path: Path) -> None:
    """JQ lists S1 alone; in the proposal it lists both, and keeps its loss_db."""
    plant = _south()
    next(row for row in plant.rows["joints"] if row["id"] == "JQ").update(cables="S1", loss_db=0.2)
    found = _reroute(tmp_path, plant)
    assert [text for text in _work(found) if "joint" in text] == [
        "lead S2 into joint JQ",
        "joint JQ: S1 fibre 1 to S2 fibre 1",
        "joint JQ: S1 fibre 2 to S2 fibre 2",
    ]
    (row,) = found.facts()["proposal"]["rows"]["joints"]
    assert (row["id"], row["cables"], row["loss_db"]) == ("JQ", "S1;S2", 0.2)
    _read_back(tmp_path, found)


def test_where_no_fibres_can_be_joined_nothing_is_proposed(tmp_path: Path) -> None:
    """All fibres of S2 are spliced in JQ to fibres of T that a link has by its link_runs."""
    plant = _south()
    plant.nodes("pit", Q0=(400, -700))
    plant.segment("f1", "duct", "Q0", "Q1")
    plant.laid("T", "f1")
    plant.rows["equipment"].append(
        {"id": "RX", "site": "B", "kind": "relay", "within": "-", "supplies": "-", "delay_us": 0}
    )
    for number in range(1, 25):
        plant.splice("JQ", "S2", number, "T", number)
        plant.rows["links"].append(
            {"id": f"LT{number}", "a": "RX", "b": "RX", "wavelength_nm": 1310}
        )
        plant.rows["link_runs"].append(
            {"link": f"LT{number}", "seq": 1, "cable": "T", "fibres": str(number)}
        )
    (circuit,) = _reroute(tmp_path, plant).facts()["circuits"]
    assert circuit["status"] == "undecided"
    assert "no free fibres of S1 and S2 at Q1 can be joined" in circuit["why"]


def test_a_cable_without_a_panel_ends_on_one_that_the_other_path_does_not_pass(
    tmp_path: Path,
) -> None:
    """FA and FB belong to the main path; GA and GB are the panels that are left."""
    rows = _reroute(tmp_path, _south()).facts()["proposal"]["rows"]
    assert {row["equipment"] for row in rows["terminations"]} == {"GA", "GB"}


@pytest.mark.parametrize("spliced", [True, False])
def test_evidence_of_the_proposal_holds(tmp_path: Path, spliced: bool) -> None:
    """`recheck` lays the rows over the study and traces the new link by itself."""
    plant = _south()
    if spliced:
        _through(plant, 7, 11, 1)
    folder = plant.write(tmp_path / "study")
    file = tmp_path / "reroute.json"
    done = run("reroute", folder, "--circuit", "K", "--no-build", "--json", file)
    assert done.exit_code == 0, done.output
    assert json.loads(file.read_text(encoding="utf-8"))["proposal"]["rows"]["patches"]
    done = run("recheck", folder, file)
    assert done.exit_code == 0, done.output
    assert " 0 false" in done.output


def test_without_splices_on_record_links_have_runs_as_before(tmp_path: Path) -> None:
    plant = _south()
    for role in ("splices", "terminations", "patches"):
        del plant.rows[role]
    for row in plant.rows["links"]:
        del row["a_port"], row["b_port"]
    plant.rows["link_runs"] += [
        {"link": "LN", "seq": 1, "cable": "N1", "fibres": "1;2"},
        {"link": "LN", "seq": 2, "cable": "N2", "fibres": "5;6"},
    ]
    rows = _reroute(tmp_path, plant).facts()["proposal"]["rows"]
    assert [row["cable"] for row in rows["link_runs"]] == ["S1", "S2"]
    assert not {"splices", "terminations", "patches"} & set(rows)


@pytest.mark.parametrize("panels", [("PC", "PD"), ("PC", "PC")])
def test_cables_that_end_at_a_site_are_joined_by_a_cord(
    tmp_path: Path, panels: tuple[str, str]
) -> None:
    """S1 leads from A to site C, S2 from C to B; fibre 5 of S1 and 6 of S2 are on ports there.

    On one panel the cord is a connection inside it, which a trace passes as well.
    """
    plant = _south()
    plant.node("C", 800, -400, role="sites", kind="building")
    for role in ("segments", "cables", "cable_runs", "joints"):
        for name in ("e1", "e2", "e3", "JQ", "JR"):
            plant.without(role, id=name)
        plant.without(role, cable="S1")
        plant.without(role, cable="S2")
    plant.without("structures", id="Q1")
    plant.without("structures", id="Q2")
    plant.segment("e1", "duct", "A", "C")
    plant.segment("e2", "duct", "C", "B")
    for cable, segment in (("S1", "e1"), ("S2", "e2")):
        plant.rows["cable_runs"].append({"cable": cable, "seq": 1, "segment": segment})
    for panel in sorted(set(panels)):
        plant.rows["equipment"].append(
            {"id": panel, "site": "C", "kind": "panel", "within": "-", "supplies": "-"}
        )
    for cable, fibre, near, far in (("S1", 5, panels[0], "GA"), ("S2", 6, panels[1], "GB")):
        plant.end(cable, fibre, near, f"c{fibre}")
        plant.end(cable, fibre, far, 1)
    found = _reroute(tmp_path, plant, fibres=1)
    assert _work(found) == [
        "cord from port K-alternate-new of RA to port 1 of GA",
        f"cord from port c5 of {panels[0]} to port c6 of {panels[1]}",
        "cord from port 1 of GB to port K-alternate-new of RB",
    ]
    assert _runs(_read_back(tmp_path, found)) == [["S1", "5"], ["S2", "6"]]


def test_a_splice_between_two_spares_is_opened_only_where_nothing_else_does(
    tmp_path: Path,
) -> None:
    """All fibres of S2 are spliced in JQ to T, which ends there; one, 20, is open.

    The first channel takes 20, the second parts S2 1 from T 1.
    """
    plant = _south()
    plant.nodes("pit", Q0=(400, -700))
    plant.segment("f1", "duct", "Q0", "Q1")
    plant.laid("T", "f1")
    for number in range(1, 25):
        if number != 20:
            plant.splice("JQ", "T", number, "S2", number)
    found = _reroute(tmp_path, plant)
    assert [text for text in _work(found) if text.startswith("joint")] == [
        "joint JQ: S1 fibre 1 to S2 fibre 20",
        "joint JQ: S1 fibre 2 to S2 fibre 1 (part S2 fibre 1 from T fibre 1 first: both are spare)",
    ]
    network = _read_back(tmp_path, found)
    assert _runs(network) == [["S1", "1;2"], ["S2", "20;1"]]
    assert len(network.study.tables["splices"]) == 2 + 23 + 2 - 1
