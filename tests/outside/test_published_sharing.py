"""Published cases of what two paths share: diverse on a diagram, one trench in the ground.

Networks of documents are islands of one plant, which is proved once. RFCs call a path an LSP or a
lightpath, and what several links share a shared risk link group (SRLG).
"""

from __future__ import annotations

from pathlib import Path

import pytest

import waysapart as wa
from published import published
from published_plants import Island, Proved, PublishedNet, islands
from spacing_plants import rechecked

HOMED = "C1-PE1 C1-PE2 PE1-P PE2-Q P-PE3 Q-PE4 PE1-PE2 PE3-PE4 PE3-C2 PE4-C2"
EQUAL = {
    "E1": "S L2 E1 A D",
    "E2": "S L2 E2 B D",
    "E3": "S E3 E2 B D",
    "L1": "S N A D",
}
FIGURE_6 = {
    "srlg1": "O1-p1 O1-p2 O1-p3 O1-p4 O2-p5 O2-p6",
    "srlg2": "O1-p1 O1-p2 O1-p3",
    "srlg3": "O1-p4",
    "srlg4": "O2-p7 O2-p8",
}
PLANT = {
    "diagram": Island("A-B C-D", circuits={"X": ("A B",), "Y": ("C D",)}, grouped=True),
    "ground": Island(
        "A-X C-X X-Y Y-B Y-D", circuits={"X": ("A X Y B",), "Y": ("C X Y D",)}, grouped=True
    ),
    "fibres": Island("A-B A-C C-B", circuits={"K": ("A B", "A C B")}),
    "cables": Island("A-X X-B X-C", circuits={"K": ("A X B", "A X C X B")}),
    "meeting": Island(
        "N-a a-b b-r r-c c-T P-d d-e e-r r-f f-O",
        circuits={"X": ("N a b r c T",), "Y": ("P d e r f O",)},
        grouped=True,
        risks={"north": "a-b d-e", "south": "r-c r-f"},
    ),
    "conduits": Island(
        "S-A A-T S-B B-T S-C C-T",
        circuits={"K": ("S A T", "S B T")},
        risks={"one": "S-A B-T", "two": "S-A S-C"},
    ),
    "free": Island("S-A A-T S-B B-T", circuits={"K": ("S A T", "S B T")}),
    "common": Island(
        "S-A A-T S-B B-T", circuits={"K": ("S A T", "S B T")}, risks={"conduit": "A-T S-B"}
    ),
    "union": Island(
        "S-A A-T S-B B-T",
        circuits={"K": ("S A T", "S B T")},
        risks={"s1": "S-A A-T", "s2": "A-T S-B", "s3": "S-B B-T"},
    ),
    "adjacent": Island(
        " ".join(
            [f"O1-p{link} p{link}-O2" for link in (1, 2, 3, 4)]
            + [f"O2-p{link} p{link}-O3" for link in (5, 6, 7, 8)]
        ),
        circuits={
            "12": ("O1 p1 O2", "O1 p2 O2"),
            "14": ("O1 p1 O2", "O1 p4 O2"),
            "56": ("O2 p5 O3", "O2 p6 O3"),
            "57": ("O2 p5 O3", "O2 p7 O3"),
            "78": ("O2 p7 O3", "O2 p8 O3"),
        },
        risks=FIGURE_6,
    ),
    "over_two": Island(
        "O1-p4 p4-O2 O2-p5 p5-O3",
        circuits={"4": ("O1 p4 O2",), "5": ("O2 p5 O3",)},
        grouped=True,
        risks={"srlg1": "O1-p4 O2-p5"},
    ),
    "broadcast": Island(
        "S-PN PN-N PN-E E-D N-D S-N",
        circuits={"near": ("S PN E D", "S PN N D"), "far": ("S PN E D", "S N D")},
    ),
    "equal": Island(
        "S-L2 L2-E1 L2-E2 S-E3 E3-E2 E1-A E2-B A-D B-D S-N N-A",
        circuits={
            f"{one}/{other}": (EQUAL[one], EQUAL[other])
            for one, other in (
                ("E1", "E3"),
                ("E2", "E1"),
                ("E2", "E3"),
                ("E1", "L1"),
                ("E2", "L1"),
            )
        },
    ),
    "trees": Island(
        "E-D D-C R-E D-F F-B R-A A-B B-C",
        circuits={"F": ("B F D E R", "B A R"), "C": ("B C D E R", "B A R")},
    ),
    "homed": Island(
        HOMED,
        circuits={
            "single": ("C1 PE1 P PE3 C2", "C1 PE1 PE2 Q PE4 C2"),
            "dual": ("C1 PE1 P PE3 C2", "C1 PE2 Q PE4 C2"),
        },
    ),
    "inside": Island(
        HOMED,
        circuits={"dual": ("C1 PE1 P PE3 C2", "C1 PE2 Q PE4 C2")},
        risks={"conduit": "P-PE3 Q-PE4"},
    ),
    "domains": Island(
        "Src-A A-B B-U U-V V-W W-Dst Src-C C-D D-X X-Y Y-Z Z-Dst X-V Y-W",
        circuits={
            "met": ("Src A B U V W Dst", "Src C D X V W Dst"),
            "kept": ("Src A B U V W Dst", "Src C D X Y Z Dst"),
        },
    ),
    "next_hops": Island("S-E1 S-E2 E2-E1 E1-D1", circuits={"K": ("S E1 D1", "S E2 E1 D1")}),
    "entries": Island(
        "A-W W-up up-north north-B A-E E-up up-south south-B",
        circuits={"K": ("A W up north B", "A E up south B")},
    ),
}


@pytest.fixture(scope="module")
def proved(tmp_path_factory: pytest.TempPathFactory) -> Proved:
    return Proved(islands(PLANT).proof(tmp_path_factory.mktemp("sharing")))


def test_recheck_says_the_same(proved: Proved, tmp_path: Path) -> None:
    """Of every island, by code that shares none with the prover."""
    folder = islands(PLANT).write(tmp_path)
    assert rechecked(folder, proved.facts)["false"] == []


@published(
    "rfc-4054",
    "section 6.1, figure 6-1",
    "cables A-B and C-D have nothing in common on the cable diagram; in the right of way both "
    "run from X to Y",
    of="sharing",
)
def test_two_cables_through_one_bottleneck(proved: Proved) -> None:
    """Drawn as the diagram shows them they share nothing; as they are routed, X, Y and X-Y."""
    assert proved.shared("diagram") == set()
    assert (proved.verdict("ground"), proved.shared("ground")) == ("shared", {"X", "X-Y", "Y"})


@published(
    "rfc-4054",
    "section 6.1, figure 6-2",
    "fibres A-B, A-C and C-B look like a triangle; they lie in the cables A-X, X-B and X-C",
    of="sharing",
)
def test_a_triangle_of_fibres_in_a_star_of_cables(proved: Proved) -> None:
    """A-B with its alternate over C: apart on the diagram; in the cables A-X and X-B twice."""
    assert proved.verdict("fibres.K") == "apart"
    assert proved.verdict("cables.K") == "shared"
    assert proved.shared("cables.K") == {"A-X", "X", "X-B"}


@published(
    "rfc-4054",
    "section 6.1, two transport systems that interact a number of times",
    "two systems lie in one right of way for some miles, in another for more, and meet at a node "
    "without sharing right of way",
    of="sharing",
)
def test_routes_that_meet_again_and_again(proved: Proved) -> None:
    """Ducts of their own in two common rights of way, and one common pit on the way."""
    assert proved.verdict("meeting") == "shared"
    assert proved.shared("meeting") == {"north", "r", "south"}


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
def test_two_fibres_in_one_conduit(proved: Proved) -> None:
    """Two conduits hold ducts of main; only the one that holds a duct of alternate counts."""
    assert proved.verdict("conduits.K") == "shared"
    assert proved.shared("conduits.K") == {"one"}


@published(
    "rfc-4428",
    "section 7.4",
    "link- and node-diverse paths need not be disjoint: a common physical layer fails both",
    of="sharing",
)
def test_link_and_node_diverse_is_not_enough(proved: Proved) -> None:
    """The same two paths, node for node, with and without a conduit that two links run through."""
    assert (proved.verdict("free.K"), proved.shared("free.K")) == ("apart", set())
    assert (proved.verdict("common.K"), proved.shared("common.K")) == ("shared", {"conduit"})


@published(
    "rfc-4428",
    "section 7.4.1",
    "the risks of a path are the union of those of its links; two paths are disjoint with respect "
    "to a risk unless both cover it",
    of="sharing",
)
def test_risks_of_a_path_are_those_of_its_links(proved: Proved) -> None:
    """s1 is on main alone, s2 on a link of main and on one of alternate, s3 on alternate alone."""
    assert proved.shared("union.K") == {"s2"}
    events = (
        wa.contingency(proved.proof).frame().query("circuit == 'union.K' and role == 'holders'")
    )
    assert dict(zip(events["asset"], events["state"], strict=True)) == {
        "union.s1": "exposed",
        "union.s2": "lost",
        "union.s3": "exposed",
    }


@published(
    "rfc-3717",
    "section 6.1, figure 6",
    "SRLG 1 holds links 1 to 6 of two adjacencies, SRLG 2 links 1 to 3, SRLG 3 link 4, SRLG 4 "
    "links 7 and 8",
    of="sharing",
)
def test_groups_over_two_adjacencies(proved: Proved) -> None:
    """Links 1 to 4 lead from O1 to O2, 5 to 8 from O2 to O3, each with a pit of its own."""
    found = {pair: proved.shared(f"adjacent.{pair}") for pair in ("12", "14", "56", "57", "78")}
    assert found == {
        "12": {"srlg1", "srlg2"},
        "14": {"srlg1"},
        "56": {"srlg1"},
        "57": set(),
        "78": {"srlg4"},
    }
    assert "srlg1" in proved.shared("over_two")


@published(
    "rfc-5286",
    "section 3.3, figure 3",
    "N protects S's link to E only over the link S-N: over the broadcast link PN both paths use "
    "one link",
    of="sharing",
)
def test_an_alternate_over_the_same_broadcast_link(proved: Proved) -> None:
    assert proved.shared("broadcast.near") == {"PN", "S-PN"}
    assert proved.verdict("broadcast.far") == "apart"


@published(
    "rfc-5286",
    "section 3.4, figure 4",
    "of three equal paths, E1 is link- and node-protected by E3, E2 only node-protected by E1 and "
    "only link-protected by E3",
    of="sharing",
)
def test_equal_paths_protect_each_other_in_part(proved: Proved) -> None:
    """L2 is a broadcast link from S to E1 and E2; E3 goes on over E2."""
    found = {name: proved.shared(f"equal.{name}") for name in PLANT["equal"].circuits}
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
def test_redundant_trees_of_a_2_connected_graph(proved: Proved) -> None:
    assert proved.verdict("trees.F") == proved.verdict("trees.C") == "apart"


@published(
    "rfc-8001",
    "section 1.1, figure 1",
    "one link to one provider node is a single point of failure; two links to two nodes avoid it "
    "where the paths in between are diverse as well",
    of="sharing",
)
def test_single_and_dual_homing(proved: Proved) -> None:
    """C1 by PE1 alone, by PE1 and PE2, and by both with a provider's conduit in common."""
    assert proved.shared("homed.single") == {"C1-PE1", "PE1"}
    assert (proved.verdict("homed.dual"), proved.shared("homed.dual")) == ("apart", set())
    assert proved.shared("inside.dual") == {"conduit"}


@published(
    "rfc-8390",
    "section 1.4, figure 2",
    "Src-A-B-U-V-W-Dst and Src-C-D-X-V-W-Dst leave by different domains' links and still meet",
    of="disjointness",
)
def test_two_entries_that_meet_in_the_second_domain(proved: Proved) -> None:
    """Over X, Y and Z instead nothing is in common."""
    assert proved.shared("domains.met") == {"V", "V-W", "W", "W-Dst"}
    assert proved.verdict("domains.kept") == "apart"


@published(
    "rfc-8102",
    "section 2.3.3, figure 7",
    "S reaches D1 by next hops E1 and E2, but the path by E2 passes E1 as well: when E1 fails "
    "both are gone",
    of="sharing",
)
def test_two_next_hops_and_one_node(proved: Proved) -> None:
    """Losing the link S-E1 leaves the path by E2; losing E1 leaves none."""
    assert proved.shared("next_hops.K") == {"E1", "E1-D1"}
    assert proved.states("next_hops", "S-E1") == {"K": "on-alternate"}
    assert proved.states("next_hops", "E1") == {"K": "lost"}


@published(
    "fcc-da-12-891",
    "finding on the paths of a centre with diverse entries",
    "entries were diverse, and yet all physical paths had a single point of failure",
    of="sharing",
)
def test_diverse_entries_that_meet_upstream(proved: Proved) -> None:
    """Two entries at either site, ducts of their own all the way, and one pit in the middle."""
    assert proved.verdict("entries.K") == "shared"
    assert proved.shared("entries.K") == {"up"}
