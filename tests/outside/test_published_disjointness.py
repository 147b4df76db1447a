"""Published cases of disjoint paths: how many there are, which are best, and when none are.

Each network of a document is drawn as pits and ducts with a free cable in every duct, all of them
far apart in one plant; `reroute` looks for the separate paths of one circuit in each.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

import networkx as nx
import pytest

import waysapart as wa
from published import published
from published_plants import Island, islands, off_island
from spacing_plants import rechecked
from waysapart.reroute.api import TargetFacts

NOTHING = wa.Candidates(wanted=False)
NOT_VIA = "S-P P-G G-D S-A P-B G-F D-H A-B A-C B-E C-E E-F F-H C-J J-K E-K"
OVERLAY = (
    "EN1-CN1 EN2-CN1 EN2-CN4 CN1-CN2 CN2-CN3 CN1-CN4 CN2-CN5 CN3-CN5 CN4-CN5 CN3-EN3 CN5-EN3 "
    "CN5-EN4"
)
GRID = " ".join(
    [f"{r}{c}-{r}{c + 1}" for r in range(5) for c in range(4)]
    + [f"{r}{c}-{r + 1}{c}" for r in range(4) for c in range(5)]
)
TRAP = "A-B:1 A-C:2 B-D:1 B-E:2 C-D:2 D-F:1 E-F:2"


def edges_of(graph: nx.Graph[int]) -> str:
    return " ".join(f"{a}-{b}" for a, b in graph.edges)


PLANT = {
    "repair": Island("S-P P-B P-A P-C S-X X-Y Y-Z Z-B", "S P B"),
    "one_risk": Island("S-P P-D S-A P-B A-B A-C B-E C-E", "S P", risks={"a": "S-P A-B"}),
    "series_1": Island(
        "S-P P-D S-A P-B A-B A-C B-E C-E D-F E-F", "S P", risks={"a": "S-P P-D A-B"}
    ),
    "series_2": Island(
        "S-P P-D S-A P-B A-B A-C B-E C-E D-F E-F", "P D", risks={"a": "S-P P-D A-B"}
    ),
    "two_risks": Island(NOT_VIA, "S P", risks={"a": "S-P A-B G-D", "b": "S-P C-E F-H"}),
    "last_link": Island(NOT_VIA, "G D", risks={"a": "S-P A-B G-D", "b": "S-P C-E F-H"}),
    "dual_homed": Island(OVERLAY, "EN2 CN1 CN2 CN3 EN3"),
    "single_homed": Island(OVERLAY, "EN1 CN1 CN2 CN3 EN3"),
    "last_node": Island(OVERLAY, "EN2 CN1 CN2 CN5 EN4"),
    "cut_link": Island("E-D D-C R-E D-F F-B R-A A-B B-C C-G G-J G-H J-H", "G C D E R"),
    "trap": Island(TRAP, "A B D F"),
    "domains": Island(
        "Src-A A-B B-U U-V V-W W-Dst Src-C C-D D-X X-Y Y-Z Z-Dst X-V Y-W", "Src A B U V W Dst"
    ),
}
"""One circuit in each."""

ONE_BY_ONE = {
    "three": Island("1-2:1 2-5:6 1-3:4 3-5:5 1-4:4 4-5:1 2-3:1 3-4:1", "1 4 5", members=3),
    "igraph": Island("0-1 0-2 1-2 1-3 2-4 3-4 3-5 4-5 0-5", "0 5", members=3),
    "remote": Island(
        "S-N1 N1-R1 R1-R2 R1-R3 R2-R4 R3-R4 R4-D S-E E-D S-N2 N2-PQ PQ-R5 R5-D",
        "S E D",
        members=3,
    ),
    "petersen": Island(edges_of(nx.petersen_graph()), "0 1 6", members=3),
    "corner": Island(GRID, "00 01 02 12 22", members=3),
    "side": Island(GRID, "02 12 22", members=3),
}
"""Groups of three protections, each in one cable: three paths that are apart from each other."""

FOUR = {
    "petersen": Island(edges_of(nx.petersen_graph()), "0 1 6", members=4),
    "octahedral": Island(edges_of(nx.octahedral_graph()), "0 1 5", members=4),
    "igraph": Island("0-1 0-2 1-2 1-3 2-4 3-4 3-5 4-5 0-5", "0 5", members=4),
}


class Asked(NamedTuple):
    """What `reroute` found, and what it says of each circuit and group."""

    reroute: wa.Reroute
    answers: dict[str, TargetFacts]

    @property
    def after(self) -> wa.Proof:
        assert self.reroute.after is not None
        return self.reroute.after


def asked(proof: wa.Proof, **options: Any) -> Asked:
    found = wa.reroute(proof, build=NOTHING, **options)
    return Asked(found, {one["id"]: one for one in found.facts()["circuits"]})


@pytest.fixture(scope="module")
def proof(tmp_path_factory: pytest.TempPathFactory) -> wa.Proof:
    return islands(PLANT).proof(tmp_path_factory.mktemp("circuits"))


@pytest.fixture(scope="module")
def found(proof: wa.Proof) -> Asked:
    """Two paths for the circuit of every island."""
    return asked(proof, circuits=list(PLANT))


def test_recheck_says_the_same(found: Asked, tmp_path: Path) -> None:
    """Of every pair of paths and of every proof that there is none, by code of its own."""
    folder = islands(PLANT).write(tmp_path)
    assert rechecked(folder, dict(found.reroute.facts()))["false"] == []


def groups_of(plant: dict[str, Island], paths: int, folder: Path) -> Asked:
    """So many paths for the group of every island."""
    return asked(islands(plant).proof(folder), groups=list(plant), paths=paths)


@pytest.fixture(scope="module")
def three(tmp_path_factory: pytest.TempPathFactory) -> Asked:
    return groups_of(ONE_BY_ONE, 3, tmp_path_factory.mktemp("three"))


@pytest.fixture(scope="module")
def four(tmp_path_factory: pytest.TempPathFactory) -> Asked:
    return groups_of(FOUR, 4, tmp_path_factory.mktemp("four"))


def ducts_of(found: Asked, name: str, circuit: str, path: str) -> set[frozenset[str]]:
    """Ducts, as pairs of nodes of an island, that the proposed path of a circuit runs through."""
    tables = found.after.study.tables
    runs, segments = tables["link_runs"], tables["cable_runs"]
    cables = runs.loc[runs["link"].isin(found.reroute.links[circuit][path]), "cable"]
    ducts = segments.loc[segments["cable"].isin(cables), "segment"]
    return {frozenset(duct.split("-")) for duct in off_island(name, ducts)}


def along(nodes: str) -> set[frozenset[str]]:
    return {frozenset(pair) for pair in pairwise(nodes.split())}


def paths_of(found: Asked, name: str) -> set[frozenset[frozenset[str]]]:
    """Both paths of a circuit as sets of ducts."""
    return {frozenset(ducts_of(found, name, name, path)) for path in found.reroute.links[name]}


def these(*paths: str) -> set[frozenset[frozenset[str]]]:
    return {frozenset(along(path)) for path in paths}


@published(
    "rfc-6981",
    "section 3, figure 1",
    "when P on S-P-B fails, the path to B that does not pass P is S-X-Y-Z-B",
    of="disjointness",
)
def test_a_repair_round_a_node(found: Asked) -> None:
    assert paths_of(found, "repair") == these("S P B", "S X Y Z B")


@published(
    "rfc-6981",
    "section 6.1, figure 4",
    "links S-P and A-B are of one risk: the repair of S-P avoids both",
    of="disjointness",
)
def test_a_repair_avoids_the_whole_risk(found: Asked) -> None:
    """S-A-B-P would be shorter and falls with S-P."""
    assert paths_of(found, "one_risk") == these("S P", "S A C E B P")


@published(
    "rfc-6981",
    "section 6.1, figure 5",
    "where S-P and P-D are of one risk with A-B, each of the two is repaired round all of it",
    of="disjointness",
)
def test_repairs_of_two_links_in_series(found: Asked) -> None:
    assert paths_of(found, "series_1") == these("S P", "S A C E B P")
    assert paths_of(found, "series_2") == these("P D", "P B E F D")


@published(
    "rfc-6981",
    "section 6.1, figures 7 and 8",
    "S-P is of risks a and b; its repair is S-A-C-J-K-E-B-P",
    of="disjointness",
)
def test_a_link_of_two_risks(found: Asked) -> None:
    assert paths_of(found, "two_risks") == these("S P", "S A C J K E B P")


@published(
    "rfc-6981",
    "section 6.1, figure 9",
    "G-D is of risk a alone; its repair is G-F-H-D, whose link F-H is of risk b",
    of="disjointness",
)
def test_a_link_of_one_of_the_two_risks(found: Asked) -> None:
    assert paths_of(found, "last_link") == these("G D", "G F H D")


@published(
    "rfc-8390",
    "section 1, figure 1",
    "EN2 and EN3 have two links each and can be joined by two diverse connections; the one link "
    "from EN1 to CN1 is a single point of failure",
    of="disjointness",
)
def test_single_and_dual_homed_edge_nodes(found: Asked) -> None:
    first, second = paths_of(found, "dual_homed")
    assert not first & second
    for link in ({"EN2", "CN1"}, {"EN2", "CN4"}, {"CN3", "EN3"}, {"CN5", "EN3"}):
        assert sum(frozenset(link) in path for path in (first, second)) == 1
    assert shared_least(found, "single_homed") == {"CN1", "EN1-CN1"}


@published(
    "rfc-8390",
    "section 2.1, penultimate node exception",
    "EN4 is not dual-homed: all paths to it have to go through CN5",
    of="disjointness",
)
def test_all_paths_pass_the_last_node(found: Asked) -> None:
    assert shared_least(found, "last_node") == {"CN5", "CN5-EN4"}


def shared_least(found: Asked, name: str) -> set[str]:
    """What the two paths that share least have in common, where no two are apart."""
    one = found.answers[name]
    assert one["status"] == "none"
    assert one["least_shared"] is not None
    return off_island(name, (asset for some in one["least_shared"]["shared"] for asset in some))


@published(
    "rfc-8390",
    "section 1.4, figure 2",
    "two disjoint paths from Src to Dst are wanted, of which one is Src-A-B-U-V-W-Dst",
    of="disjointness",
)
def test_the_second_path_through_two_domains(found: Asked) -> None:
    assert paths_of(found, "domains") == these("Src A B U V W Dst", "Src C D X Y Z Dst")


@published(
    "rfc-7812",
    "section 4, figure 2",
    "it is impossible to have two link- or node-disjoint paths from G to R",
    of="events",
)
def test_no_two_paths_over_a_cut_link(found: Asked) -> None:
    assert shared_least(found, "cut_link") == {"C", "C-G"}


@published(
    "jgrapht-kdisjoint",
    "testWikipediaGraph",
    "the shortest path of length 3 is in no best pair: A-C-D-F and A-B-E-F of length 5 each",
    of="disjointness",
)
def test_the_trap(found: Asked) -> None:
    assert paths_of(found, "trap") == these("A C D F", "A B E F")
    assert found.answers["trap"]["cost"] == pytest.approx(10_000)


@published(
    "rfc-5298",
    "section 3.2, sequential or simultaneous path computation",
    "one path after the other may find no diverse pair in a trap; both at once avoid it",
    of="disjointness",
)
def test_one_path_after_the_other(proof: wa.Proof, found: Asked) -> None:
    """With the shortest path kept there is no second; both at once are found."""
    kept = asked(proof, circuits=["trap"], keep="main")
    assert kept.answers["trap"]["status"] == "none"
    assert found.answers["trap"]["status"] == "apart"


@published(
    "jgrapht-kdisjoint",
    "three disjoint paths from 1 to 5",
    "paths of length 5, 7 and 9",
    of="disjointness",
)
def test_three_paths_of_5_7_and_9(three: Asked) -> None:
    """Directed there. Undirected too: 1 and 5 have three neighbours, so no path passes two."""
    lengths = [
        path["length_m"] / 1000
        for one in three.after.facts()["circuits"]
        if one["id"].startswith("three-")
        for label, path in one["paths"].items()
        if label == "main"
    ]
    assert sorted(lengths) == pytest.approx([5, 7, 9])
    assert three.answers["three"]["cost"] == pytest.approx(21_000)


@published(
    "igraph-disjoint",
    "graph of six nodes and nine edges",
    "3 vertex-disjoint paths from 0 to 5, one of them the edge between them",
    of="disjointness",
)
def test_three_paths_and_no_fourth(three: Asked, four: Asked) -> None:
    """Directed there; node 0 has three neighbours, so there are no more undirected."""
    assert (three.answers["igraph"]["status"], four.answers["igraph"]["status"]) == (
        "apart",
        "none",
    )


@published(
    "rfc-7916",
    "section 6.2.5.1, figure 7",
    "beside S-E-D there is a path by N1, R1, R2 or R3, and R4, and one by N2, PQ and R5",
    of="disjointness",
)
def test_two_alternates_beside_the_primary(three: Asked) -> None:
    found = {
        frozenset(ducts_of(three, "remote", f"remote-{member}", "main")) for member in (1, 2, 3)
    }
    fixed = these("S E D", "S N2 PQ R5 D")
    assert fixed < found
    assert found - fixed < these("S N1 R1 R2 R4 D", "S N1 R1 R3 R4 D")


@published(
    "networkx-disjoint",
    "test_petersen",
    "three edge- and three node-disjoint paths of the Petersen graph from 0 to 6",
    of="disjointness",
)
@published(
    "networkx-disjoint",
    "test_octahedral",
    "four of either of the octahedral graph from 0 to 5",
    of="disjointness",
)
def test_three_and_four_paths_of_known_graphs(three: Asked, four: Asked) -> None:
    assert three.answers["petersen"]["status"] == "apart"
    assert four.answers["petersen"]["status"] == "none"
    assert four.answers["octahedral"]["status"] == "apart"


@pytest.mark.slow
@published(
    "networkx-disjoint",
    "test_icosahedral",
    "five of either of the icosahedral graph from 0 to 6",
    of="disjointness",
)
def test_five_paths_of_the_icosahedral_graph(tmp_path: Path) -> None:
    plant = {"ico": Island(edges_of(nx.icosahedral_graph()), "0 1 6", members=5)}
    assert groups_of(plant, 5, tmp_path).answers["ico"]["status"] == "apart"


@published(
    "networkx-connectivity",
    "docstring of all_node_cuts",
    "a grid of 5 by 5 has node connectivity 2, and 4 cuts of two nodes: the neighbours of each "
    "corner",
    of="disjointness",
)
def test_cuts_of_two_nodes_in_a_grid(three: Asked) -> None:
    """From a corner there are not three paths, and the reason names its neighbours; elsewhere
    there are."""
    corner = three.answers["corner"]
    assert corner["status"] == "none"
    assert "one of pit corner.01 or pit corner.10" in corner["says"]
    assert three.answers["side"]["status"] == "apart"
