"""Published cases of what two paths share: diverse on a diagram, one trench in the ground.

Each network of a document is drawn as pits and ducts and proved; RFCs call a path an LSP or a
lightpath, and what several links share a shared risk link group (SRLG).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

import waysapart as wa
from published import published
from published_plants import PublishedNet, shared


def group(net: PublishedNet, folder: Path) -> dict[str, Any]:
    """What `prove` says of the only group."""
    (found,) = net.proof(folder).facts()["groups"]
    return dict(found)


def two_circuits(net: PublishedNet, one: str, other: str) -> None:
    """Circuits X and Y of one group, each with one path."""
    net.circuit("X", one, group="G")
    net.circuit("Y", other, group="G")


@published(
    "rfc-4054",
    "section 6.1, figure 6-1",
    "cables A-B and C-D have nothing in common on the cable diagram; in the right of way both "
    "run from X to Y",
    of="sharing",
)
def test_two_cables_through_one_bottleneck(tmp_path: Path) -> None:
    """Drawn as the diagram shows them they are apart; as they are routed they share X, Y, X-Y."""
    diagram = PublishedNet("A-B C-D", sites="A B C D")
    two_circuits(diagram, "A B", "C D")
    assert group(diagram, tmp_path / "diagram")["shared"] == []
    ground = PublishedNet("A-X C-X X-Y Y-B Y-D", sites="A B C D")
    two_circuits(ground, "A X Y B", "C X Y D")
    found = group(ground, tmp_path / "ground")
    assert (found["verdict"], shared(found)) == ("shared", {"X", "X-Y", "Y"})


@published(
    "rfc-4054",
    "section 6.1, figure 6-2",
    "fibres A-B, A-C and C-B look like a triangle; they lie in the cables A-X, X-B and X-C",
    of="sharing",
)
def test_a_triangle_of_fibres_in_a_star_of_cables(tmp_path: Path) -> None:
    """A-B with its alternate over C: apart on the diagram; in the cables A-X and X-B twice."""
    fibres = PublishedNet("A-B A-C C-B", sites="A B")
    fibres.circuit("K", "A B", "A C B")
    assert fibres.facts(tmp_path / "fibres")["K"]["verdict"] == "apart"
    cables = PublishedNet("A-X X-B X-C", sites="A B")
    cables.circuit("K", "A X B", "A X C X B")
    found = cables.facts(tmp_path / "cables")["K"]
    assert (found["verdict"], shared(found)) == ("shared", {"A-X", "X", "X-B"})


@published(
    "rfc-4054",
    "section 6.1, two transport systems that interact a number of times",
    "two systems lie in one right of way for some miles, in another for more, and meet at a node "
    "without sharing right of way",
    of="sharing",
)
def test_routes_that_meet_again_and_again(tmp_path: Path) -> None:
    """Ducts of their own in two common rights of way, and one common pit on the way."""
    net = PublishedNet(
        "N-a a-b b-r r-c c-T P-d d-e e-r r-f f-O",
        sites="N T P O",
        risks={"north": "a-b d-e", "south": "r-c r-f"},
    )
    two_circuits(net, "N a b r c T", "P d e r f O")
    found = group(net, tmp_path)
    assert (found["verdict"], shared(found)) == ("shared", {"north", "r", "south"})


@published(
    "rfc-4054",
    "section 6.1, office outages",
    "an intermediate node in common may be acceptable as long as there is power diversity in it",
    of="sharing",
)
@pytest.mark.parametrize("batteries", [("BAT-1", "BAT-2"), ("BAT-1", "BAT-1")])
def test_one_office_with_two_supplies_or_one(tmp_path: Path, batteries: tuple[str, str]) -> None:
    """Both paths pass office O, which somebody accepts: a battery for both is still shared."""
    net = PublishedNet("S-a a-O O-b b-T S-c c-O O-d d-T", sites="S T O")
    for supply in sorted(set(batteries)):
        net.rows["supplies"].append({"id": supply, "site": "O", "within": "-", "needs": "-"})
    net.rows["circuits"].append({"id": "K", "a": "R-S", "b": "R-T", "service": ""})
    for path, label in (("S a O b T", "main"), ("S c O d T", "alternate")):
        machine = f"M-{label}"
        net.rows["equipment"].append(
            {
                "id": machine,
                "site": "O",
                "kind": "multiplexer",
                "within": "-",
                "supplies": batteries[label == "alternate"],
            }
        )
        nodes = path.split()
        halves = ((nodes[:3], "R-S", machine), (nodes[2:], machine, "R-T"))
        for seq, (half, a, b) in enumerate(halves, start=1):
            link = f"{label}-{seq}"
            net.cabled(f"c-{link}", *net.along(" ".join(half)))
            net.rows["links"].append({"id": link, "a": a, "b": b, "wavelength_nm": 1310})
            net.rows["link_runs"].append({"link": link, "seq": 1, "cable": f"c-{link}"})
            net.rows["circuit_paths"].append(
                {"circuit": "K", "path": label, "seq": seq, "link": link}
            )
    net.rules = (
        '[[waiver]]\ncircuit = "K"\nasset = "O"\nreason = "power diversity"\nby = "note"\n'
        "until = 2999-01-01\n"
    )
    found = net.facts(tmp_path)["K"]
    left = {row["asset"] for row in found["shared"] if not row["waived"]}
    alike = batteries[0] == batteries[1]
    assert left == ({"BAT-1"} if alike else set())
    assert found["verdict"] == ("shared" if alike else "accepted")


@published(
    "rfc-4202",
    "section 2.3",
    "links that share a resource whose failure affects them all form a group, such as two fibres "
    "in one conduit; a link may belong to several",
    of="sharing",
)
def test_two_fibres_in_one_conduit(tmp_path: Path) -> None:
    """Two conduits hold ducts of main; only the one that holds a duct of alternate counts."""
    net = PublishedNet(
        "S-A A-T S-B B-T S-C C-T", sites="S T", risks={"one": "S-A B-T", "two": "S-A S-C"}
    )
    net.circuit("K", "S A T", "S B T")
    found = net.facts(tmp_path)["K"]
    assert (found["verdict"], shared(found)) == ("shared", {"one"})


@published(
    "rfc-4428",
    "section 7.4",
    "link- and node-diverse paths need not be disjoint: a common physical layer fails both",
    of="sharing",
)
def test_link_and_node_diverse_is_not_enough(tmp_path: Path) -> None:
    """The same two paths, node for node, with and without a conduit that two links run through."""
    for name, conduit in (("free", {}), ("common", {"conduit": "A-T S-B"})):
        net = PublishedNet("S-A A-T S-B B-T", sites="S T", risks=conduit)
        net.circuit("K", "S A T", "S B T")
        found = net.facts(tmp_path / name)["K"]
        assert shared(found) == set(conduit)
        assert found["verdict"] == ("shared" if conduit else "apart")


@published(
    "rfc-4428",
    "section 7.4.1",
    "the risks of a path are the union of those of its links; two paths are disjoint with respect "
    "to a risk unless both cover it",
    of="sharing",
)
def test_risks_of_a_path_are_those_of_its_links(tmp_path: Path) -> None:
    """s1 is on main alone, s2 on a link of main and on one of alternate, s3 on alternate alone."""
    net = PublishedNet(
        "S-A A-T S-B B-T",
        sites="S T",
        risks={"s1": "S-A A-T", "s2": "A-T S-B", "s3": "S-B B-T"},
    )
    net.circuit("K", "S A T", "S B T")
    proof = net.proof(tmp_path)
    assert shared(proof.facts()["circuits"][0]) == {"s2"}
    lost = wa.contingency(proof).frame().query("role == 'holders'")
    assert dict(zip(lost["asset"], lost["state"], strict=True)) == {
        "s1": "exposed",
        "s2": "lost",
        "s3": "exposed",
    }


FIGURE_6 = {
    "srlg1": "O1-p1 O1-p2 O1-p3 O1-p4 O2-p5 O2-p6",
    "srlg2": "O1-p1 O1-p2 O1-p3",
    "srlg3": "O1-p4",
    "srlg4": "O2-p7 O2-p8",
}


@published(
    "rfc-3717",
    "section 6.1, figure 6",
    "SRLG 1 holds links 1 to 6 of two adjacencies, SRLG 2 links 1 to 3, SRLG 3 link 4, SRLG 4 "
    "links 7 and 8",
    of="sharing",
)
def test_groups_over_two_adjacencies(tmp_path: Path) -> None:
    """Links 1 to 4 lead from O1 to O2, 5 to 8 from O2 to O3, each with a pit of its own."""
    edges = " ".join(f"O1-p{n} p{n}-O2" if n < 5 else f"O2-p{n} p{n}-O3" for n in range(1, 9))
    net = PublishedNet(edges, sites="O1 O2 O3", risks=FIGURE_6)
    pairs = {
        ("1", "2"): {"srlg1", "srlg2"},
        ("1", "4"): {"srlg1"},
        ("5", "6"): {"srlg1"},
        ("5", "7"): set(),
        ("7", "8"): {"srlg4"},
    }
    for one, other in pairs:
        ends = ("O1", "O2") if int(one) < 5 else ("O2", "O3")
        net.circuit(f"{one}{other}", *(f"{ends[0]} p{link} {ends[1]}" for link in (one, other)))
    net.circuit("X", "O1 p4 O2", group="G")
    net.circuit("Y", "O2 p5 O3", group="G")
    facts = net.proof(tmp_path).facts()
    found = {one["id"]: shared(one) for one in facts["circuits"]}
    assert {pair: found["".join(pair)] for pair in pairs} == pairs
    assert "srlg1" in shared(facts["groups"][0])


@published(
    "rfc-5286",
    "section 3.3, figure 3",
    "N protects S's link to E only over the link S-N: over the broadcast link PN both paths use "
    "one link",
    of="sharing",
)
def test_an_alternate_over_the_same_broadcast_link(tmp_path: Path) -> None:
    net = PublishedNet("S-PN PN-N PN-E E-D N-D S-N", sites="S D")
    net.circuit("near", "S PN E D", "S PN N D")
    net.circuit("far", "S PN E D", "S N D")
    found = net.facts(tmp_path)
    assert shared(found["near"]) == {"PN", "S-PN"}
    assert found["far"]["verdict"] == "apart"


@published(
    "rfc-5286",
    "section 3.4, figure 4",
    "of three equal paths, E1 is link- and node-protected by E3, E2 only node-protected by E1 and "
    "only link-protected by E3",
    of="sharing",
)
def test_equal_paths_protect_each_other_in_part(tmp_path: Path) -> None:
    """L2 is a broadcast link from S to E1 and E2; E3 goes on over E2."""
    net = PublishedNet("S-L2 L2-E1 L2-E2 S-E3 E3-E2 E1-A E2-B A-D B-D S-N N-A", sites="S D")
    paths = {
        "E1": "S L2 E1 A D",
        "E2": "S L2 E2 B D",
        "E3": "S E3 E2 B D",
        "L1": "S N A D",
    }
    for one, other in (("E1", "E3"), ("E2", "E1"), ("E2", "E3"), ("E1", "L1"), ("E2", "L1")):
        net.circuit(f"{one}/{other}", paths[one], paths[other])
    found = {name: shared(facts) for name, facts in net.facts(tmp_path).items()}
    assert found["E1/E3"] == set()
    assert found["E2/E1"] == {"L2", "S-L2"}
    assert found["E2/E3"] == {"B", "B-D", "E2", "E2-B"}
    assert not {"L2", "E1"} & found["E1/L1"]
    assert found["E2/L1"] == set()


@published(
    "rfc-7812",
    "section 4, figure 1",
    "paths B-F-D-E-R and B-C-D-E-R of the blue tree are link- and node-disjoint from B-A-R",
    of="sharing",
)
def test_redundant_trees_of_a_2_connected_graph(tmp_path: Path) -> None:
    net = PublishedNet("E-D D-C R-E D-F F-B R-A A-B B-C", sites="R B")
    net.circuit("F", "B F D E R", "B A R")
    net.circuit("C", "B C D E R", "B A R")
    found = net.facts(tmp_path)
    assert {one["verdict"] for one in found.values()} == {"apart"}


@published(
    "rfc-8001",
    "section 1.1, figure 1",
    "one link to one provider node is a single point of failure; two links to two nodes avoid it "
    "where the paths in between are diverse as well",
    of="sharing",
)
def test_single_and_dual_homing(tmp_path: Path) -> None:
    """C1 by PE1 alone, by PE1 and PE2, and by both with a provider's conduit in common."""
    edges = "C1-PE1 C1-PE2 PE1-P PE2-Q P-PE3 Q-PE4 PE1-PE2 PE3-PE4 PE3-C2 PE4-C2"
    wanted = {"single": {"C1-PE1", "PE1"}, "dual": set(), "conduit": {"conduit"}}
    for name, answer in wanted.items():
        risks = {"conduit": "P-PE3 Q-PE4"} if name == "conduit" else {}
        net = PublishedNet(edges, sites="C1 C2", risks=risks)
        second = "C1 PE1 PE2 Q PE4 C2" if name == "single" else "C1 PE2 Q PE4 C2"
        net.circuit("K", "C1 PE1 P PE3 C2", second)
        assert shared(net.facts(tmp_path / name)["K"]) == answer


@published(
    "rfc-8390",
    "section 1.4, figure 2",
    "Src-A-B-U-V-W-Dst and Src-C-D-X-V-W-Dst leave by different domains' links and still meet",
    of="sharing",
)
def test_two_entries_that_meet_in_the_second_domain(tmp_path: Path) -> None:
    """Over X, Y and Z instead nothing is in common."""
    net = PublishedNet(
        "Src-A A-B B-U U-V V-W W-Dst Src-C C-D D-X X-Y Y-Z Z-Dst X-V Y-W", sites="Src Dst"
    )
    net.circuit("met", "Src A B U V W Dst", "Src C D X V W Dst")
    net.circuit("kept", "Src A B U V W Dst", "Src C D X Y Z Dst")
    found = net.facts(tmp_path)
    assert shared(found["met"]) == {"V", "V-W", "W", "W-Dst"}
    assert found["kept"]["verdict"] == "apart"


@published(
    "rfc-8102",
    "section 2.3.3, figure 7",
    "S reaches D1 by next hops E1 and E2, but the path by E2 passes E1 as well: when E1 fails "
    "both are gone",
    of="sharing",
)
def test_two_next_hops_and_one_node(tmp_path: Path) -> None:
    """Losing the link S-E1 leaves the path by E2; losing E1 leaves none."""
    net = PublishedNet("S-E1 S-E2 E2-E1 E1-D1", sites="S D1")
    net.circuit("K", "S E1 D1", "S E2 E1 D1")
    proof = net.proof(tmp_path)
    assert shared(proof.facts()["circuits"][0]) == {"E1", "E1-D1"}
    states = {
        asset: wa.dig(proof, assets=[asset]).facts()["circuits"][0]["state"]
        for asset in ("S-E1", "E1")
    }
    assert states == {"S-E1": "on-alternate", "E1": "lost"}


@published(
    "fcc-da-12-891",
    "finding on the paths of a centre with diverse entries",
    "entries were diverse, and yet all physical paths had a single point of failure",
    of="sharing",
)
def test_diverse_entries_that_meet_upstream(tmp_path: Path) -> None:
    """Entries at opposite sides of B and ducts of their own, and one pit two streets away."""
    net = PublishedNet(
        "A-W W-up up-north north-B A-E E-up up-south south-B",
        sites="A B",
        places={
            "A": (0, 0),
            "W": (500, 400),
            "E": (500, -400),
            "up": (1500, 0),
            "north": (2500, 300),
            "south": (2500, -300),
            "B": (2600, 0),
        },
    )
    net.circuit("K", "A W up north B", "A E up south B")
    found = net.facts(tmp_path)["K"]
    assert (found["verdict"], shared(found)) == ("shared", {"up"})
