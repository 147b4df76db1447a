"""Published cases of what one event takes: single points of failure, outages, disasters."""

from __future__ import annotations

from pathlib import Path

import pytest

import waysapart as wa
from drawn_plant import on_the_grid
from published import published
from published_plants import PublishedNet, ducts, shared


def takes(proof: wa.Proof, circuit: str) -> set[str]:
    """Pits, ducts, sites and holders whose loss alone loses a circuit, less its two ends."""
    lost = wa.contingency(proof).frame()
    lost = lost[(lost["circuit"] == circuit) & (lost["state"] == "lost")]
    ends = {row["id"]: (row["a"], row["b"]) for _, row in proof.study.tables["circuits"].iterrows()}
    own = {end for relay in ends[circuit] for end in (relay, relay.removeprefix("R-"))}
    return set(lost["asset"]) - own


def states(proof: wa.Proof, *assets: str) -> dict[str, str]:
    """How each circuit stands while some things are out of service."""
    return {one["id"]: one["state"] for one in wa.outage(proof, assets=assets).facts()["circuits"]}


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
        proof = net.proof(tmp_path / name)
        assert takes(proof, "K") == ({"flood"} if taken else set())
        (found,) = proof.facts()["circuits"]
        assert found["verdict"] == ("shared" if taken else "apart")


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
def test_a_node_is_isolated_by_what_its_two_circuits_share(tmp_path: Path) -> None:
    for name, second, lost in (
        ("common", "A X C", {"A", "A-X", "X"}),
        ("diverse", "A Y C", {"A"}),
    ):
        net = PublishedNet("A-X X-B X-C A-Y Y-C", sites="A B C")
        net.circuit("AB", "A X B", group="G")
        net.circuit("AC", second, group="G")
        counts = wa.contingency(net.proof(tmp_path / name)).counts()
        isolating = set(counts.loc[counts["groups_lost"] > 0, "asset"])
        assert isolating - {"R-A"} == lost


@published(
    "rfc-4872",
    "section 5",
    "A-B-C-D and A-E-F-G-D are node- and link-disjoint; when B fails, D takes the other",
    of="events",
)
def test_one_plus_one_when_a_node_of_main_fails(tmp_path: Path) -> None:
    net = PublishedNet("A-B B-C C-D A-E E-F F-G G-D", sites="A D")
    net.circuit("K", "A B C D", "A E F G D")
    proof = net.proof(tmp_path)
    assert proof.facts()["circuits"][0]["verdict"] == "apart"
    assert states(proof, "B") == {"K": "on-alternate"}
    assert states(proof, "B", "F") == {"K": "lost"}


@published(
    "rfc-6372",
    "section 4.2.3",
    "node-diverse paths are link-diverse; ingress and egress remain single points of failure",
    of="events",
)
def test_the_ends_remain_single_points_of_failure(tmp_path: Path) -> None:
    net = PublishedNet("S-A A-T S-B B-T", sites="S T")
    net.circuit("K", "S A T", "S B T")
    proof = net.proof(tmp_path)
    (found,) = proof.facts()["circuits"]
    assert (found["verdict"], found["shared"]) == ("apart", [])
    assert set(found["unavoidable"]) == {"S", "T", "R-S", "R-T"}
    lost = wa.contingency(proof).frame().query("state == 'lost'")
    assert set(lost["asset"]) == {"S", "T", "R-S", "R-T"}


TWO_CONNECTED = "E-D D-C R-E D-F F-B R-A A-B B-C"


@published(
    "rfc-7812",
    "section 4, figure 2",
    "the failure of C, of G or of the link C-G partitions the network; from G the trees towards R "
    "part behind C",
    of="events",
)
def test_cut_nodes_and_a_cut_link_of_a_network_that_is_not_2_connected(tmp_path: Path) -> None:
    """From J, which is behind G: those three, and nothing else."""
    net = PublishedNet(f"{TWO_CONNECTED} C-G G-J G-H J-H", sites="R G J")
    net.circuit("G", "G C D E R", "G C B A R")
    net.circuit("J", "J G C D E R", "J H G C B A R")
    proof = net.proof(tmp_path)
    assert takes(proof, "G") == {"C", "C-G"}
    assert takes(proof, "J") == {"C", "C-G", "G"}


@published(
    "rfc-7812",
    "section 5, example of figure 2",
    "when the link B-A fails, B goes on by B-F-D-E-R",
    of="events",
)
def test_the_blue_path_stands_in_when_a_link_of_the_red_fails(tmp_path: Path) -> None:
    net = PublishedNet(f"{TWO_CONNECTED} C-G G-J G-H J-H", sites="R B")
    net.circuit("K", "B A R", "B F D E R")
    proof = net.proof(tmp_path)
    assert states(proof, "A-B") == {"K": "on-alternate"}
    assert states(proof, "C", "G", "C-G") == {"K": "untouched"}


BLOCKS = "R-E E-D D-C R-A A-B B-C C-F F-G G-H H-I I-J J-C H-K K-P P-O O-N N-M M-L L-K"


@published(
    "rfc-7811",
    "section 4.3, figure 9",
    "C is a cut vertex: F reaches R by C alone, while D has a path to R that goes round C",
    of="events",
)
def test_a_cut_vertex_for_one_child_and_not_for_the_other(tmp_path: Path) -> None:
    net = PublishedNet(BLOCKS, sites="R D F")
    net.circuit("F", "F C D E R", "F G H I J C B A R")
    net.circuit("D", "D E R", "D C B A R")
    proof = net.proof(tmp_path)
    assert takes(proof, "F") == {"C"}
    assert takes(proof, "D") == set()


@published(
    "rfc-7811",
    "section 4.4, figure 10",
    "blocks 1 and 2 meet in C; blocks 2 and 3 are joined by the cut-link H-K",
    of="events",
)
def test_blocks_and_the_cut_link_between_them(tmp_path: Path) -> None:
    """The figure's blue and red path from O to R."""
    net = PublishedNet(BLOCKS, sites="R O")
    net.circuit("K", "O P K H I J C D E R", "O N M L K H G F C B A R")
    proof = net.proof(tmp_path)
    assert takes(proof, "K") == {"C", "H", "H-K", "K"}
    assert shared(proof.facts()["circuits"][0]) == {"C", "H", "H-K", "K"}


@published(
    "rfc-5286",
    "section 1.1, figure 2",
    "the alternate by N works when the link S-E fails, and not when router E fails",
    of="events",
)
def test_link_protection_is_no_node_protection(tmp_path: Path) -> None:
    net = PublishedNet("S-N S-E N-E E-D", sites="S D")
    net.circuit("K", "S E D", "S N E D")
    proof = net.proof(tmp_path)
    assert states(proof, "S-E") == {"K": "on-alternate"}
    assert states(proof, "E") == {"K": "lost"}


@published(
    "rfc-7490",
    "section 3, figure 1",
    "on a ring of six with equal costs S keeps reaching E without the link S-E, by A, B, C and D",
    of="events",
)
def test_a_ring_of_six_goes_the_other_way_round(tmp_path: Path) -> None:
    net = PublishedNet("S-E E-D D-C C-B B-A A-S", sites="S E")
    net.circuit("K", "S E", "S A B C D E")
    proof = net.proof(tmp_path)
    assert states(proof, "S-E") == {"K": "on-alternate"}
    assert {node: states(proof, node)["K"] for node in "ABCD"} == dict.fromkeys("ABCD", "on-main")


@published(
    "rfc-8102",
    "section 2.1, table 1",
    "repair by R2 protects the link S-E for all destinations, but node E for R3 and D2 only, not "
    "for E and D1",
    of="events",
)
def test_which_destinations_survive_the_node(tmp_path: Path) -> None:
    net = PublishedNet("D1-E S-E E-R3 R3-D2 S-N N-R1 R1-R2 R2-R3", sites="S R3 E D1 D2")
    for name, primary, backup in (
        ("R3", "S E R3", "S N R1 R2 R3"),
        ("E", "S E", "S N R1 R2 R3 E"),
        ("D1", "S E D1", "S N R1 R2 R3 E D1"),
        ("D2", "S E R3 D2", "S N R1 R2 R3 D2"),
    ):
        net.circuit(name, primary, backup)
    proof = net.proof(tmp_path)
    assert set(states(proof, "S-E").values()) == {"on-alternate"}
    assert states(proof, "E") == {
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
def test_what_repair_tunnels_survive(tmp_path: Path) -> None:
    net = PublishedNet("S-E E-R3 S-N N-E N-R1 R1-R2 R2-R3", sites="S R2 R3")
    tunnels = {
        "S N R1 R2": (True, True),
        "S E R3 R2": (False, False),
        "S N E R3": (True, False),
    }
    for number, tunnel in enumerate(tunnels):
        net.circuit(str(number), tunnel)
    proof = net.proof(tmp_path)
    link, node = states(proof, "S-E"), states(proof, "E")
    found = [
        (link[str(number)] != "lost", node[str(number)] != "lost") for number in range(len(tunnels))
    ]
    assert found == list(tunnels.values())


@published(
    "46-cfr-129",
    "129.340(f)",
    "a casualty that affects one cable does not affect the other",
    of="events",
)
@pytest.mark.parametrize("tray", [False, True])
def test_no_casualty_takes_both_cables(tmp_path: Path, tray: bool) -> None:
    """Apart is what the rule asks; a tray that holds a length of each is a casualty for both."""
    risks = {"tray": "S-A B-T"} if tray else {}
    net = PublishedNet("S-A A-T S-B B-T", sites="S T", risks=risks)
    net.circuit("K", "S A T", "S B T")
    proof = net.proof(tmp_path)
    assert takes(proof, "K") == set(risks)
    assert (proof.facts()["circuits"][0]["verdict"] == "apart") is not tray


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
def test_the_bridge_of_a_barbell(tmp_path: Path) -> None:
    """Lost across it: the bridge, and the pits at its ends; lost within a half: nothing."""
    edges = [(a, b) for half in (0, 10) for a in range(half, half + 10) for b in range(half, a)]
    text = " ".join(f"{a}-{b}" for a, b in [*edges, (9, 10)])
    net = PublishedNet(text, sites="0 5 14 19")
    net.circuit("across", "0 9 10 19", "0 1 9 10 11 19")
    net.circuit("left", "0 1 5", "0 2 5")
    net.circuit("right", "14 12 19", "14 13 19")
    proof = net.proof(tmp_path)
    assert takes(proof, "across") == {"9", "9-10", "10"}
    assert takes(proof, "left") == takes(proof, "right") == set()


@published(
    "networkx-biconnected",
    "docstring of articulation_points",
    "two complete graphs of four, joined over two nodes: 4 articulation points; none once 2 and 8 "
    "are joined",
    of="events",
)
def test_articulation_points_of_a_barbell(tmp_path: Path) -> None:
    edges = [(a, b) for half in (0, 6) for a in range(half, half + 4) for b in range(half, a)]
    path = [(3, 4), (4, 5), (5, 6), (2, 8)]
    net = PublishedNet(" ".join(f"{a}-{b}" for a, b in edges + path), sites="0 9")
    net.circuit("without", "0 3 4 5 6 9", "0 1 3 4 5 6 7 9")
    net.circuit("with", "0 3 4 5 6 9", "0 2 8 9")
    proof = net.proof(tmp_path)
    lost = takes(proof, "without")
    assert lost - ducts(lost) == {"3", "4", "5", "6"}
    assert takes(proof, "with") == set()


@published(
    "igraph-bridges",
    "fourth graph (seven nodes)",
    "of eight edges the bridges are 0-3 and 4-6",
    of="events",
)
def test_two_bridges_among_eight_edges(tmp_path: Path) -> None:
    net = PublishedNet("0-1 1-2 0-2 0-3 3-4 4-5 3-5 4-6", sites="1 6")
    net.circuit("K", "1 0 3 4 6", "1 2 0 3 5 4 6")
    assert ducts(takes(net.proof(tmp_path), "K")) == {"0-3", "4-6"}


@published(
    "igraph-biconnected",
    "graph of seven nodes",
    "two components {0, 1, 2, 3} and {2, 4, 5}, which meet in node 2",
    of="events",
)
def test_two_cycles_meet_in_one_node(tmp_path: Path) -> None:
    net = PublishedNet("0-1 1-2 2-3 3-0 2-4 4-5 2-5", sites="0 4")
    net.circuit("K", "0 1 2 4", "0 3 2 5 4")
    assert takes(net.proof(tmp_path), "K") == {"2"}
