"""Links traced over ports, cords, panels, splices: what is found, and every trap by its name."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

import waysapart as wa
from spliced_plant import SplicedPlant
from waysapart.findings.loss import loss_budgets


def _network(tmp_path: Path, plant: SplicedPlant) -> wa.Network:
    return wa.tie(plant.read(tmp_path / "study"))


def test_runs_follow_from_splices(tmp_path: Path) -> None:
    """LN: N1 fibres 1;2 from A to P2, then N2 fibres 5;6 to B; LS: S fibre 1. No gap."""
    network = _network(tmp_path, SplicedPlant())
    runs = network.study.tables["link_runs"]
    columns = ["link", "cable", "fibres", "from", "to"]
    assert runs[columns].to_numpy().tolist() == [
        ["LN", "N1", "1;2", "A", "P2"],
        ["LN", "N2", "5;6", "P2", "B"],
        ["LS", "S", "1", "A", "B"],
    ]
    assert runs["direction"].isna().all()
    links = network.study.tables["links"].set_index("id")
    assert links.loc["LN", "via"] == "FA;FB"
    assert set(links.loc["LN", "relies_on"].split(";")) == {"KA", "KB", "J1"}
    assert links["connectors"].to_list() == [2, 2]
    assert [gap.code for gap in network.gaps] == []


def test_splices_count_with_their_own_loss(tmp_path: Path) -> None:
    """Go passes a splice of 0.08 dB, return one without a figure: 0.1 dB by the rules.

    J0 lies in P1, which N1 passes uncut: no splice. The worse direction is shown: 0.1 dB.
    """
    network = _network(tmp_path, SplicedPlant())
    loss = loss_budgets(network).set_index("link")
    assert loss["splices"].to_list() == [1, 0]
    assert loss["splices_db"].to_list() == pytest.approx([0.1, 0.0])
    assert loss["connectors_db"].to_list() == pytest.approx([1.0, 1.0])


def test_loss_of_a_splice_is_the_mean_of_both_directions(tmp_path: Path) -> None:
    """+0.20 dB one way and -0.04 dB the other: 0.08 dB (common practice, no source)."""
    plant = SplicedPlant()
    for row in plant.rows["splices"]:
        row |= {"loss_db": "", "loss_ab_db": 0.2, "loss_ba_db": -0.04}
    loss = loss_budgets(_network(tmp_path, plant)).set_index("link")
    assert loss["splices_db"].iloc[0] == pytest.approx(0.08)


def test_paths_rely_on_cords_panels_and_joints(tmp_path: Path) -> None:
    """A cord that lies in a tray which the other path uses as well is shared through the tray."""
    plant = SplicedPlant()
    plant.rows["holders"].append({"id": "T1", "kind": "tray", "within": "-"})
    for name in ("KA", "KC"):
        for row in plant.rows["patches"]:
            if row["id"] == name:
                row["within"] = "T1"
    (circuit,) = wa.prove(_network(tmp_path, plant)).facts()["circuits"]
    shared = {one["asset"] for one in [*circuit["shared"], *circuit["tail"]]}
    assert {"FA", "FB", "T1"} <= shared | set(circuit["unavoidable"])
    assert not {"KA", "KC", "J1"} & shared


def test_both_paths_over_one_cord_share_it(tmp_path: Path) -> None:
    """A duplex cord of which the main path uses one fibre and the alternate the other."""
    plant = SplicedPlant()
    plant.rows["patches"] = [row for row in plant.rows["patches"] if row["id"] not in ("KB", "KD")]
    plant.cord("KB", "FB", 1, "RB", "rx")
    plant.cord("KX", "FB", 2, "RB", "tx")
    plant.cord("KX", "FB", 3, "RB", "s")
    (circuit,) = wa.prove(_network(tmp_path, plant)).facts()["circuits"]
    assert "KX" in {one["asset"] for one in circuit["shared"]}
    assert circuit["verdict"] == "shared"


def test_a_fibre_goes_on_uncut_where_nothing_is_spliced(tmp_path: Path) -> None:
    """Fibre 1 of N1 cut and spliced through in J0, at P1: still one run, and one splice more."""
    plant = SplicedPlant()
    plant.splice("J0", "N1", 1, "N1", 1)
    network = _network(tmp_path, plant)
    runs = network.study.tables["link_runs"]
    assert runs[runs["link"] == "LN"]["cable"].to_list() == ["N1", "N2"]
    known = network.splices.known
    assert sorted(known["way"].to_list()) == [1, 1, 2]
    inside = known[known["piece"] >= 0]
    assert network.parts.cable[network.pieces.part[inside["piece"]]].tolist() == [0]


def test_fibres_may_change_in_a_joint_of_one_cable(tmp_path: Path) -> None:
    """Fibre 1 of N1 goes on as fibre 3 behind P1: go and return have rows of their own."""
    plant = SplicedPlant()
    plant.splice("J0", "N1", 1, "N1", 3, a_side="before", b_side="after")
    plant.without("splices", joint="J1", a_fibre=1)
    plant.splice("J1", "N1", 3, "N2", 5)
    runs = _network(tmp_path, plant).study.tables["link_runs"]
    mine = runs[runs["link"] == "LN"][["cable", "fibres", "direction", "from", "to"]]
    assert mine.to_numpy().tolist() == [
        ["N1", "1", "go", "A", "P1"],
        ["N1", "3", "go", "P1", "P2"],
        ["N2", "5", "go", "P2", "B"],
        ["N1", "2", "return", "A", "P2"],
        ["N2", "6", "return", "P2", "B"],
    ]


def test_a_filter_is_passed_inside(tmp_path: Path) -> None:
    """RA - filter WA (com) - FA 3 ... FB 3 - WB (com) - RB: the filters are via, with 4 pairs."""
    plant = SplicedPlant()
    plant.rows["patches"] = [row for row in plant.rows["patches"] if row["id"] not in ("KC", "KD")]
    for name, site in (("WA", "A"), ("WB", "B")):
        plant.rows["equipment"].append(
            {"id": name, "site": site, "kind": "filter", "within": "-", "supplies": "-"}
        )
        for leaf in ("1310", "1550"):
            plant.cord(f"I{name}{leaf}", name, "com", name, leaf)
    plant.cord("K1", "RA", "s", "WA", 1310)
    plant.cord("K2", "WA", "com", "FA", 3)
    plant.cord("K3", "FB", 3, "WB", "com")
    plant.cord("K4", "WB", 1310, "RB", "s")
    network = _network(tmp_path, plant)
    link = network.study.tables["links"].set_index("id").loc["LS"]
    assert link["via"] == "WA;FA;FB;WB"
    assert link["connectors"] == 6
    assert "IWA1310" not in link["relies_on"]
    assert [gap.code for gap in network.gaps] == []


def test_a_link_over_a_cord_alone(tmp_path: Path) -> None:
    """Two relays in one room joined by one cord of 8 m: no cable, 0.04 us, no gap of runs."""
    plant = SplicedPlant()
    plant.rows["equipment"].append(
        {"id": "MA", "site": "A", "within": "-", "supplies": "-", "delay_us": 0}
    )
    plant.cord("KM", "RA", "m", "MA", "r", length_m=8, loss_db=0.02)
    plant.rows["links"].append(
        {"id": "LM", "a": "RA", "b": "MA", "a_port": "m", "b_port": "r", "wavelength_nm": 1310}
    )
    network = _network(tmp_path, plant)
    assert [gap.code for gap in network.gaps] == []
    link = network.study.tables["links"].set_index("id").loc["LM"]
    assert (link["connectors"], link["length_m"], link["loss_db"]) == (0, 0, 0.02)
    assert link["extra_delay_us"] == pytest.approx(0.04)
    budget = loss_budgets(network).set_index("link").iloc[0]
    assert budget["loss_db"] == pytest.approx(0.02)


def test_written_runs_that_agree_are_no_gap(tmp_path: Path) -> None:
    """The same cables and fibres, written from the other end."""
    plant = SplicedPlant()
    plant.rows["link_runs"] += [
        {"link": "LN", "seq": 1, "cable": "N2", "fibres": "6;5"},
        {"link": "LN", "seq": 2, "cable": "N1", "fibres": "1;2"},
    ]
    assert [gap.code for gap in _network(tmp_path, plant).gaps] == []


def _no_splice(plant: SplicedPlant) -> None:
    plant.without("splices", joint="J1", a_fibre=1)


def _no_end(plant: SplicedPlant) -> None:
    plant.without("terminations", cable="S", equipment="FB")


def _no_cord(plant: SplicedPlant) -> None:
    plant.without("patches", id="KD")


def _no_cord_at_a(plant: SplicedPlant) -> None:
    plant.without("patches", id="KC")


def _crossed(plant: SplicedPlant) -> None:
    for row in plant.rows["splices"]:
        row["b_fibre"] = 11 - row["b_fibre"]


def _spliced_twice(plant: SplicedPlant) -> None:
    plant.splice("J1", "N1", 1, "N2", 9)


def _ended_twice(plant: SplicedPlant) -> None:
    plant.end("S", 1, "FA", 9)


def _two_on_a_port(plant: SplicedPlant) -> None:
    plant.end("N1", 7, "FA", 3)


def _off_cable(plant: SplicedPlant) -> None:
    plant.splice("J1", "S", 4, "N2", 9)


def _not_listed(plant: SplicedPlant) -> None:
    plant.rows["joints"][1]["cables"] = "N1"


def _off_site(plant: SplicedPlant) -> None:
    plant.end("N1", 9, "FB", 9)


def _no_side(plant: SplicedPlant) -> None:
    plant.splice("J0", "N1", 1, "N1", 3)


def _wrong_side(plant: SplicedPlant) -> None:
    plant.rows["splices"][0]["a_side"] = "after"


def _beyond(plant: SplicedPlant) -> None:
    plant.splice("J1", "N1", 25, "N2", 9)


def _far_cord(plant: SplicedPlant) -> None:
    plant.without("patches", id="KD")
    plant.without("patches", id="KC")
    plant.cord("KC", "RA", "s", "FB", 9)
    plant.cord("KD", "RA", "z", "RB", "s")
    plant.rows["links"][1]["a_port"] = "z"


def _to_nothing(plant: SplicedPlant) -> None:
    plant.cord("KZ", "RA", "z", "FA", 20)


def _round(plant: SplicedPlant) -> None:
    """Two fibres of S joined at both ends, entered by a filter that leads back into itself."""
    plant.without("patches", id="KC")
    plant.rows["equipment"].append(
        {"id": "WA", "site": "A", "kind": "filter", "within": "-", "supplies": "-"}
    )
    plant.cord("I1", "WA", "com", "WA", 1)
    plant.cord("I2", "WA", "com", "WA", 2)
    plant.cord("KC", "RA", "s", "WA", 1)
    plant.cord("KE", "WA", "com", "FA", 7)
    plant.cord("KF", "WA", 2, "FA", 8)
    plant.end("S", 7, "FA", 7)
    plant.end("S", 8, "FA", 8)
    plant.end("S", 7, "FB", 7)
    plant.end("S", 8, "FB", 8)
    plant.cord("KG", "FB", 7, "FB", 8)


def _uneven(plant: SplicedPlant) -> None:
    plant.rows["links"][0]["b_port"] = "rx"


def _uneven_cord(plant: SplicedPlant) -> None:
    plant.without("patches", id="KD")
    plant.cord("KD", "FB", "3;4", "RB", "s")


def _two_types(plant: SplicedPlant) -> None:
    plant.rows["cables"][1]["fibre_type"] = "G.655"


def _runs(plant: SplicedPlant) -> None:
    plant.rows["link_runs"].append({"link": "LS", "seq": 1, "cable": "S", "fibres": "2"})


def _one_port(plant: SplicedPlant) -> None:
    plant.rows["equipment"].append(
        {"id": "MA", "site": "A", "within": "-", "supplies": "-", "delay_us": 0}
    )
    plant.cord("KM", "RA", "m", "MA", "r")
    for name in ("LM", "LO"):
        ends = {"a": "RA", "b": "MA", "a_port": "m", "b_port": "r"}
        plant.rows["links"].append({"id": name, **ends, "wavelength_nm": 1310})


TRAPS: list[tuple[Callable[[SplicedPlant], None], str, set[str], str]] = [
    (_no_splice, "trace-stops", {"LN"}, "joint J1, tray 1: fibre 1 of cable N1"),
    (_no_end, "trace-stops", {"LS"}, "B: fibre 1 of cable S"),
    (_no_cord, "trace-stops", {"LS"}, "port 3 of FB"),
    (_no_cord_at_a, "trace-stops", {"LS"}, "port s of RA"),
    (_crossed, "trace-crossed", {"LN"}, "port tx of RB"),
    (_spliced_twice, "end-twice", {"LN"}, "joint J1, tray 1: fibre 1 of cable N1"),
    (_ended_twice, "end-twice", {"LS"}, "fibre 1 of cable S"),
    (_two_on_a_port, "port-twice", {"LS"}, "port 3 of FA"),
    (_off_cable, "splice-off-cable", set(), "fibre 4 of cable S is spliced in joint J1"),
    (_not_listed, "splice-off-cable", {"LN"}, "cable N2 is spliced in joint J1"),
    (_off_site, "splice-off-cable", set(), "fibre 9 of cable N1 ends on FB"),
    (_no_side, "splice-side", {"LN"}, "joint J0"),
    (_wrong_side, "splice-side", {"LN"}, "joint J1"),
    (_beyond, "fibre-beyond", set(), "fibre 25 of cable N1"),
    (_far_cord, "cord-between-sites", {"LS"}, "KD"),
    (_to_nothing, "cord-to-nothing", set(), "port 20 of FA"),
    (_round, "trace-loop", {"LS"}, "goes round"),
    (_uneven, "ports-uneven", {"LN"}, "2 ports and b_port 1"),
    (_uneven_cord, "ports-uneven", {"LS"}, "KD"),
    (_two_types, "splice-types", {"LN"}, "G.655"),
    (_runs, "runs-differ", {"LS"}, "fibre 2"),
    (_one_port, "port-shared", {"LM", "LO"}, "port m of RA"),
]


@pytest.mark.parametrize(
    ("trap", "code", "links", "words"), TRAPS, ids=[one[0].__name__[1:] for one in TRAPS]
)
def test_every_trap_is_found_by_name(
    tmp_path: Path,
    trap: Callable[[SplicedPlant], None],
    code: str,
    links: set[str],
    words: str,
) -> None:
    """The gap, what it touches, and the place; what it touches is not proved apart."""
    plant = SplicedPlant()
    trap(plant)
    network = _network(tmp_path, plant)
    found = [gap for gap in network.gaps if gap.code == code]
    assert found, [gap.message for gap in network.gaps]
    assert set().union(*(gap.links for gap in found)) == links
    assert any(words in gap.message for gap in found), [gap.message for gap in found]
    assert all(gap.file and gap.row for gap in found)
    assert not {"link-broken", "link-end", "link-without-runs"} & {g.code for g in network.gaps}
    (circuit,) = wa.prove(network).facts()["circuits"]
    if links & {"LN", "LS"} and code != "splice-types":
        assert circuit["verdict"] in ("unproven", "shared")
        assert code in {gap["code"] for gap in circuit["gaps"]}


def test_a_trace_that_fails_keeps_what_it_found(tmp_path: Path) -> None:
    """Without the splice of fibre 1 both cables are relied on: one from each end."""
    plant = SplicedPlant()
    _no_splice(plant)
    network = _network(tmp_path, plant)
    runs = network.study.tables["link_runs"]
    mine = runs[runs["link"] == "LN"]
    assert mine[["cable", "fibres"]].to_numpy().tolist() == [["N1", "1;2"], ["N2", "5;6"]]


def test_both_records_are_relied_on_where_they_differ(tmp_path: Path) -> None:
    """LS is written over N1 and N2: traced over S, and relying on all three."""
    plant = SplicedPlant()
    for seq, cable in enumerate(("N1", "N2"), start=1):
        plant.rows["link_runs"].append({"link": "LS", "seq": seq, "cable": cable})
    proof = wa.prove(_network(tmp_path, plant))
    (circuit,) = proof.facts()["circuits"]
    assert {"N1", "N2"} <= {one["asset"] for one in circuit["shared"]}
    assert circuit["verdict"] == "shared"


def test_a_duplex_cord_is_one_asset(tmp_path: Path) -> None:
    """Two rows of KA, one of them written from the other end: one cord with two pairs of ports."""
    plant = SplicedPlant()
    plant.without("patches", id="KA", a_port="rx")
    plant.cord("KA", "FA", 2, "RA", "rx")
    network = _network(tmp_path, plant)
    cord = network.study.tables["patches"].set_index("id").loc["KA"]
    assert (cord["a"], cord["a_port"], cord["b_port"]) == ("RA", "tx;rx", "1;2")
    assert [gap.code for gap in network.gaps] == []


def test_a_cord_without_an_id_is_named_by_its_ends(tmp_path: Path) -> None:
    plant = SplicedPlant()
    for row in plant.rows["patches"]:
        if row["id"] == "KC":
            row["id"] = ""
    study = plant.read(tmp_path / "study")
    assert "RA/s-FA/3" in study.tables["patches"]["id"].to_list()


def test_events_of_a_trace_are_no_loss_of_the_cable(tmp_path: Path) -> None:
    """A reflectometer event of 0.4 dB at 600 m is not the loss of the whole cable."""
    plant = SplicedPlant()
    plant.rows["measurements"].append(
        {"cable": "S", "fibre": 1, "wavelength_nm": 1310, "loss_db": 0.4, "at_m": 600}
    )
    loss = loss_budgets(_network(tmp_path, plant)).set_index("link")
    assert np.isnan(loss["measured_db"]).all()
    assert loss["test_db"].to_list() == [0, 0]


def test_a_cord_is_no_route_of_a_leased_hop(tmp_path: Path) -> None:
    """LS is leased: its cord is relied on, and still no route is on record."""
    plant = SplicedPlant()
    plant.rows["links"][1] |= {"medium": "leased", "length_m": 2000}
    plant.without("patches", id="KC")
    plant.without("patches", id="KD")
    plant.cord("KX", "RA", "s", "RB", "s")
    network = _network(tmp_path, plant)
    assert {"leased-route", "cord-between-sites"} <= {gap.code for gap in network.gaps}
