"""Published cases of what one event loses: single points of failure, outages, disasters.

Networks of documents are islands of one plant, which is proved once; `takes` asks `contingency`,
`states` asks `outage`.
"""

from __future__ import annotations

from pathlib import Path

import pytest

import waysapart as wa
from drawn_plant import on_the_grid
from published import published
from published_plants import Island, Proved, PublishedNet, ducts, islands
from spacing_plants import rechecked

RING = "E-D D-C R-E D-F F-B R-A A-B B-C"
TAIL = f"{RING} C-G G-J G-H J-H"
BLOCKS = "R-E E-D D-C R-A A-B B-C C-F F-G G-H H-I I-J J-C H-K K-P P-O O-N N-M M-L L-K"


def complete(*halves: range) -> str:
    """Complete graphs, each of some nodes."""
    return " ".join(f"{a}-{b}" for nodes in halves for a in nodes for b in nodes if b < a)


PLANT = {
    "isolated": Island("A-X X-B X-C", circuits={"AB": ("A X B",), "AC": ("A X C",)}, grouped=True),
    "kept": Island("A-X X-B A-Y Y-C", circuits={"AB": ("A X B",), "AC": ("A Y C",)}, grouped=True),
    "one_plus_one": Island("A-B B-C C-D A-E E-F F-G G-D", circuits={"K": ("A B C D", "A E F G D")}),
    "ends": Island("S-A A-T S-B B-T", circuits={"K": ("S A T", "S B T")}),
    "cut": Island(
        TAIL,
        circuits={"G": ("G C D E R", "G C B A R"), "J": ("J G C D E R", "J H G C B A R")},
    ),
    "blue": Island(TAIL, circuits={"K": ("B A R", "B F D E R")}),
    "children": Island(
        BLOCKS, circuits={"F": ("F C D E R", "F G H I J C B A R"), "D": ("D E R", "D C B A R")}
    ),
    "blocks": Island(BLOCKS, circuits={"K": ("O P K H I J C D E R", "O N M L K H G F C B A R")}),
    "loop": Island("S-N S-E N-E E-D", circuits={"K": ("S E D", "S N E D")}),
    "ring": Island("S-E E-D D-C C-B B-A A-S", circuits={"K": ("S E", "S A B C D E")}),
    "remote": Island(
        "D1-E S-E E-R3 R3-D2 S-N N-R1 R1-R2 R2-R3",
        circuits={
            "R3": ("S E R3", "S N R1 R2 R3"),
            "E": ("S E", "S N R1 R2 R3 E"),
            "D1": ("S E D1", "S N R1 R2 R3 E D1"),
            "D2": ("S E R3 D2", "S N R1 R2 R3 D2"),
        },
    ),
    "tunnels": Island(
        "S-E E-R3 S-N N-E N-R1 R1-R2 R2-R3",
        circuits={"1": ("S N R1 R2",), "2": ("S E R3 R2",), "3": ("S N E R3",)},
    ),
    "tray": Island(
        "S-A A-T S-B B-T", circuits={"K": ("S A T", "S B T")}, risks={"tray": "S-A B-T"}
    ),
    "barbell": Island(
        f"{complete(range(10), range(10, 20))} 9-10",
        circuits={
            "across": ("0 9 10 19", "0 1 9 10 11 19"),
            "left": ("0 1 5", "0 2 5"),
            "right": ("14 12 19", "14 13 19"),
        },
    ),
    "points": Island(
        f"{complete(range(4), range(6, 10))} 3-4 4-5 5-6 2-8",
        circuits={
            "without": ("0 3 4 5 6 9", "0 1 3 4 5 6 7 9"),
            "with": ("0 3 4 5 6 9", "0 2 8 9"),
        },
    ),
    "bridges": Island(
        "0-1 1-2 0-2 0-3 3-4 4-5 3-5 4-6", circuits={"K": ("1 0 3 4 6", "1 2 0 3 5 4 6")}
    ),
    "cycles": Island("0-1 1-2 2-3 3-0 2-4 4-5 2-5", circuits={"K": ("0 1 2 4", "0 3 2 5 4")}),
}


@pytest.fixture(scope="module")
def proved(tmp_path_factory: pytest.TempPathFactory) -> Proved:
    return Proved(islands(PLANT).proof(tmp_path_factory.mktemp("events")))


def test_recheck_says_the_same(proved: Proved, tmp_path: Path) -> None:
    """Of every island, by code that shares none with the prover."""
    folder = islands(PLANT).write(tmp_path)
    assert rechecked(folder, proved.facts)["false"] == []


@published(
    "rfc-4054",
    "section 6.1, disasters",
    "earthquakes and floods fail things over an extended area, of routes that share nothing",
    of="events",
)
def test_a_flood_takes_two_routes_that_share_nothing(tmp_path: Path) -> None:
    """Two pits 400 m apart: a flood 100 m wide at one of them takes one path, 1 km wide both."""
    for name, width_m, taken in (("small", 100.0, False), ("wide", 1000.0, True)):
        net = PublishedNet(
            "S-N N-T S-P P-T",
            sites="S T",
            places={"S": (0, 0), "N": (2000, 200), "P": (2000, -200), "T": (4000, 0)},
        )
        net.circuit("K", "S N T", "S P T")
        net.rows["hazards"].append(
            {"id": "flood", "kind": "flood", "line": [(2000, 200)], "area_m": width_m}
        )
        found = Proved(net.proof(tmp_path / name))
        assert found.takes("K") == ({"flood"} if taken else set())
        assert found.verdict("K") == ("shared" if taken else "apart")


@published(
    "rfc-4054",
    "section 6.1, two cables on opposite sides of a railroad track",
    "a single backhoe takes one of them; a train wreck might take both",
    of="events",
)
def test_a_backhoe_and_a_train_wreck(tmp_path: Path) -> None:
    """Cables 15 m north and south of the track: a dig of 3 m on one, of 20 m on the track."""
    net = PublishedNet(
        "S-n1 n1-n2 n2-T S-s1 s1-s2 s2-T",
        sites="S T",
        places={
            "S": (0, 0),
            "n1": (500, 15),
            "n2": (3500, 15),
            "s1": (500, -15),
            "s2": (3500, -15),
            "T": (4000, 0),
        },
    )
    net.circuit("K", "S n1 n2 T", "S s1 s2 T")
    proof = net.proof(tmp_path)
    backhoe = wa.dig(proof, at=on_the_grid(2000, 15), radius_m=3, accuracy_m=0).facts()
    wreck = wa.dig(proof, at=on_the_grid(2000, 0), radius_m=20, accuracy_m=0).facts()
    assert (backhoe["hit"], backhoe["circuits"][0]["state"]) == (["n1-n2"], "on-alternate")
    assert (wreck["hit"], wreck["circuits"][0]["state"]) == (["n1-n2", "s1-s2"], "lost")


@published(
    "rfc-4054",
    "section 6.1, no single failure should isolate a node",
    "a node with one lightpath to B and one to C needs A-B and A-C to be diverse",
    of="events",
)
def test_a_node_is_isolated_by_what_its_two_circuits_share(proved: Proved) -> None:
    """Two circuits from A: both by X, and one by X and one by Y."""
    counts = wa.contingency(proved.proof).counts()
    lost = set(counts.loc[counts["groups_lost"] > 0, "asset"])
    assert {one for one in lost if one.startswith("isolated.")} == {
        "isolated.A",
        "isolated.A-isolated.X",
        "isolated.X",
    }
    assert {one for one in lost if one.startswith("kept.")} == {"kept.A"}


@published(
    "rfc-4872",
    "section 5",
    "A-B-C-D and A-E-F-G-D are node- and link-disjoint; when B fails, D takes the other",
    of="events",
)
def test_one_plus_one_when_a_node_of_main_fails(proved: Proved) -> None:
    assert proved.verdict("one_plus_one.K") == "apart"
    assert proved.states("one_plus_one", "B") == {"K": "on-alternate"}
    assert proved.states("one_plus_one", "B", "F") == {"K": "lost"}


@published(
    "rfc-6372",
    "section 4.2.3",
    "node-diverse paths are link-diverse; ingress and egress remain single points of failure",
    of="events",
)
def test_the_ends_remain_single_points_of_failure(proved: Proved) -> None:
    assert (proved.verdict("ends.K"), proved.shared("ends.K")) == ("apart", set())
    ends = {"ends.S", "ends.T", "R-ends.S", "R-ends.T"}
    assert set(proved.said["ends.K"]["unavoidable"]) == ends
    assert set(proved.lost.loc[proved.lost["circuit"] == "ends.K", "asset"]) == ends


@published(
    "rfc-7812",
    "section 4, figure 2",
    "the failure of C, of G or of the link C-G partitions the network; from G the trees towards R "
    "part behind C",
    of="events",
)
def test_cut_nodes_and_a_cut_link_of_a_network_that_is_not_2_connected(proved: Proved) -> None:
    """From J, which is behind G: those three, and nothing else."""
    assert proved.takes("cut.G") == {"C", "C-G"}
    assert proved.takes("cut.J") == {"C", "C-G", "G"}


@published(
    "rfc-7812",
    "section 5, example of figure 2",
    "when the link B-A fails, B goes on by B-F-D-E-R",
    of="events",
)
def test_the_blue_path_stands_in_when_a_link_of_the_red_fails(proved: Proved) -> None:
    assert proved.states("blue", "A-B") == {"K": "on-alternate"}
    assert proved.states("blue", "C", "G", "C-G") == {"K": "untouched"}


@published(
    "rfc-7811",
    "section 4.3, figure 9",
    "C is a cut vertex: F reaches R by C alone, while D has a path to R that goes round C",
    of="events",
)
def test_a_cut_vertex_for_one_child_and_not_for_the_other(proved: Proved) -> None:
    assert proved.takes("children.F") == {"C"}
    assert proved.takes("children.D") == set()


@published(
    "rfc-7811",
    "section 4.4, figure 10",
    "blocks 1 and 2 meet in C; blocks 2 and 3 are joined by the cut-link H-K",
    of="events",
)
def test_blocks_and_the_cut_link_between_them(proved: Proved) -> None:
    """The figure's blue and red path from O to R."""
    assert proved.takes("blocks.K") == {"C", "H", "H-K", "K"}
    assert proved.shared("blocks.K") == {"C", "H", "H-K", "K"}


@published(
    "rfc-5286",
    "section 1.1, figure 2",
    "the alternate by N works when the link S-E fails, and not when router E fails",
    of="events",
)
def test_link_protection_is_no_node_protection(proved: Proved) -> None:
    assert proved.states("loop", "S-E") == {"K": "on-alternate"}
    assert proved.states("loop", "E") == {"K": "lost"}


@published(
    "rfc-7490",
    "section 3, figure 1",
    "on a ring of six with equal costs S keeps reaching E without the link S-E, by A, B, C and D",
    of="events",
)
def test_a_ring_of_six_goes_the_other_way_round(proved: Proved) -> None:
    assert proved.states("ring", "S-E") == {"K": "on-alternate"}
    assert proved.states("ring", "B") == {"K": "on-main"}
    assert proved.takes("ring.K") == set()


@published(
    "rfc-8102",
    "section 2.1, table 1",
    "repair by R2 protects the link S-E for all destinations, but node E for R3 and D2 only, not "
    "for E and D1",
    of="events",
)
def test_which_destinations_survive_the_node(proved: Proved) -> None:
    assert set(proved.states("remote", "S-E").values()) == {"on-alternate"}
    assert proved.states("remote", "E") == {
        "R3": "on-alternate",
        "D2": "on-alternate",
        "E": "lost",
        "D1": "lost",
    }


@published(
    "rfc-8102",
    "section 2.3.1, table 4",
    "tunnels: S-N-R1-R2 protects link and node, S-E-R3-R2 neither, S-N-E-R3 the link only",
    of="events",
)
def test_what_repair_tunnels_survive(proved: Proved) -> None:
    link, node = proved.states("tunnels", "S-E"), proved.states("tunnels", "E")
    found = {name: (link[name] != "lost", node[name] != "lost") for name in link}
    assert found == {"1": (True, True), "2": (False, False), "3": (True, False)}


@published(
    "46-cfr-129",
    "129.340(f)",
    "a casualty that affects one cable does not affect the other",
    of="events",
)
def test_no_casualty_takes_both_cables(proved: Proved) -> None:
    """Apart is what the rule asks; a tray that holds a length of each is a casualty for both."""
    assert (proved.verdict("ends.K"), proved.takes("ends.K")) == ("apart", set())
    assert (proved.verdict("tray.K"), proved.takes("tray.K")) == ("shared", {"tray"})


@published(
    "ferc-2020",
    "study of single points of failure of protection systems",
    "protection systems are studied for components whose single failure disables them",
    of="events",
)
def test_single_points_of_failure_of_a_protection(tmp_path: Path) -> None:
    """Two paths and relays on one battery each: it, relay and site at either end, nothing else."""
    net = PublishedNet("S-A A-T S-B B-T", sites="S T")
    net.circuit("K", "S A T", "S B T")
    for row in net.rows["equipment"]:
        battery = f"BAT-{row['site']}"
        net.rows["supplies"].append(
            {"id": battery, "site": row["site"], "within": "-", "needs": "-"}
        )
        row["supplies"] = battery
    lost = wa.worst(net.proof(tmp_path)).events.query("lost > 0")
    assert set(lost["asset"]) == {"S", "T", "R-S", "R-T", "BAT-S", "BAT-T"}


@published(
    "networkx-bridges",
    "docstring of bridges",
    "two complete graphs of ten nodes, joined by an edge: that edge (9, 10) is the only bridge",
    of="events",
)
def test_the_bridge_of_a_barbell(proved: Proved) -> None:
    """Lost across it: the bridge, and the pits at its ends; lost within a half: nothing."""
    assert proved.takes("barbell.across") == {"9", "9-10", "10"}
    assert proved.takes("barbell.left") == proved.takes("barbell.right") == set()


@published(
    "networkx-biconnected",
    "docstring of articulation_points",
    "two complete graphs of four, joined over two nodes: 4 articulation points; none once 2 and 8 "
    "are joined",
    of="events",
)
def test_articulation_points_of_a_barbell(proved: Proved) -> None:
    lost = proved.takes("points.without")
    assert lost - ducts(lost) == {"3", "4", "5", "6"}
    assert proved.takes("points.with") == set()


@published(
    "igraph-bridges",
    "fourth graph (seven nodes)",
    "of eight edges the bridges are 0-3 and 4-6",
    of="events",
)
def test_two_bridges_among_eight_edges(proved: Proved) -> None:
    assert ducts(proved.takes("bridges.K")) == {"0-3", "4-6"}


@published(
    "igraph-biconnected",
    "graph of seven nodes",
    "two components {0, 1, 2, 3} and {2, 4, 5}, which meet in node 2",
    of="events",
)
def test_two_cycles_meet_in_one_node(proved: Proved) -> None:
    assert proved.takes("cycles.K") == {"2"}
