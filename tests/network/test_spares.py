"""Spare fibres: per cable, and free from port to port; what is not certain is not spare."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import networkx as nx
import numpy as np
import pytest

import waysapart as wa
from everyday import some
from random_splices import RandomSplices
from spliced_plant import SplicedPlant
from waysapart.network.spares import Spares


def _with_spares() -> SplicedPlant:
    """Two fibres more through J1, of which one is on ports at both ends; one more on S.

    Free from port to port: FA 11 - N1 3 - J1 - N2 7 - FB 10, and FA 9 - S 2 - FB 4. Fibre 4 of N1
    and fibre 8 of N2 are spliced and end nowhere.
    """
    plant = SplicedPlant()
    plant.splice("J1", "N1", 3, "N2", 7, tray="2")
    plant.splice("J1", "N1", 4, "N2", 8, tray="2")
    for cable, fibre, panel, port in (
        ("N1", 3, "FA", 11),
        ("N2", 7, "FB", 10),
        ("S", 2, "FA", 9),
        ("S", 2, "FB", 4),
    ):
        plant.end(cable, fibre, panel, port)
    return plant


def _spares(tmp_path: Path, plant: SplicedPlant) -> Spares:
    return wa.spare_fibres(wa.tie(plant.read(tmp_path / "study")))


def _runs(spares: Spares) -> list[list[object]]:
    joined = spares.runs.join(spares.routes[["a", "b", "cables"]], on="route")
    return joined[["a", "a_port", "cables", "fibres", "b", "b_port"]].to_numpy().tolist()


NORTH = ["FA", "11", "N1;N2", "3;7", "FB", "10"]
SOUTH = ["FA", "9", "S", "2", "FB", "4"]


def test_fibres_are_free_from_port_to_port(tmp_path: Path) -> None:
    """North 1,623 m of fibre and a splice in J1; south none. Fibre lengths are those of links."""
    plant = _with_spares()
    network = wa.tie(plant.read(tmp_path / "study"))
    spares = wa.spare_fibres(network)
    assert _runs(spares) == [NORTH, SOUTH]
    assert spares.routes[["joints", "fibres", "splices"]].to_numpy().tolist() == [
        ["J1", 1, 1],
        ["", 1, 0],
    ]
    assert spares.routes["length_m"].to_list() == pytest.approx(network.lengths.go_m)


def test_cables_count_their_fibres_by_what_they_are(tmp_path: Path) -> None:
    """N1: 1 and 2 in use by LN, 3 and 4 spliced, of which 3 is free; 20 of 24 are left."""
    cables = _spares(tmp_path, _with_spares()).cables.set_index("cable")
    columns = ["fibres", "in_use", "joined", "free", "neither", "links"]
    assert cables.loc[["N1", "N2", "S"], columns].to_numpy().tolist() == [
        [24, 2, 2, 1, 20, "LN"],
        [24, 2, 2, 1, 20, "LN"],
        [24, 1, 1, 1, 22, "LS"],
    ]


def test_facts_name_every_fibre(tmp_path: Path) -> None:
    facts = _spares(tmp_path, _with_spares()).facts()
    (one,) = (cable for cable in facts["cables"] if cable["cable"] == "N2")
    assert one["in_use"] == [{"fibre": 5, "links": ["LN"]}, {"fibre": 6, "links": ["LN"]}]
    assert (one["joined"], one["free"]) == ([7, 8], [7])
    assert one["neither"] == [1, 2, 3, 4, *range(9, 25)]
    assert facts["routes"][0]["runs"] == [
        {"a_port": "11", "b_port": "10", "fibres": [3, 7], "a_cord": None, "b_cord": None}
    ]


def test_a_count_that_is_not_on_record_stays_unknown(tmp_path: Path) -> None:
    """S has no fibre_count: how many of its fibres are left nobody can tell."""
    plant = _with_spares()
    plant.rows["cables"][2]["fibre_count"] = ""
    spares = _spares(tmp_path, plant)
    (row,) = spares.cables[spares.cables["cable"] == "S"].to_dict("records")
    assert np.isnan(row["fibres"])
    assert np.isnan(row["neither"])
    assert (row["in_use"], row["joined"]) == (1, 1)
    told = next(one for one in spares.facts()["cables"] if one["cable"] == "S")
    assert (told["fibres"], told["neither"]) == (None, None)


def test_a_link_that_says_no_fibres_makes_its_cables_unsure(tmp_path: Path) -> None:
    """LX runs over N2 by its link_runs: which fibres it has there nobody can tell."""
    plant = _with_spares()
    plant.rows["links"].append({"id": "LX", "a": "RA", "b": "RB", "wavelength_nm": 1310})
    plant.rows["link_runs"].append({"link": "LX", "seq": 1, "cable": "N2"})
    spares = _spares(tmp_path, plant)
    assert spares.cables["unsure"].to_list() == ["", "LX", ""]
    assert spares.routes["unsure"].to_list() == ["LX", ""]


def test_written_fibres_are_in_use(tmp_path: Path) -> None:
    """A link without ports has fibre 3 of N1 by its link_runs: that fibre is no longer free."""
    plant = _with_spares()
    plant.rows["links"].append({"id": "LX", "a": "RA", "b": "RB", "wavelength_nm": 1310})
    plant.rows["link_runs"].append({"link": "LX", "seq": 1, "cable": "N1", "fibres": "3"})
    spares = _spares(tmp_path, plant)
    assert _runs(spares) == [SOUTH]
    mine = spares.fibres[(spares.fibres["cable"] == "N1") & (spares.fibres["fibre"] == 3)]
    assert mine[["state", "links"]].to_numpy().tolist() == [["in use", "LX"]]


def test_a_trace_that_fails_still_occupies_what_it_found(tmp_path: Path) -> None:
    """Without cord KD the trace of LS stops at FB 3: fibre 1 of S is no spare."""
    plant = _with_spares()
    plant.without("patches", id="KD")
    assert _runs(_spares(tmp_path, plant)) == [NORTH, SOUTH]


def test_a_cord_that_no_link_uses_is_named(tmp_path: Path) -> None:
    plant = _with_spares()
    plant.cord("KZ", "RB", "z", "FB", 4)
    runs = _spares(tmp_path, plant).runs
    assert runs["b_cord"].isna().to_list() == [True, False]
    assert runs["b_cord"].iloc[1] == "KZ"
    assert runs["a_cord"].isna().all()


def test_a_port_that_a_link_names_is_not_free(tmp_path: Path) -> None:
    """LX begins at port 9 of FA by itself, and its b end is not on record as a port."""
    plant = _with_spares()
    plant.rows["links"].append(
        {"id": "LX", "a": "FA", "b": "RB", "a_port": "9", "b_port": "y", "wavelength_nm": 1310}
    )
    assert _runs(_spares(tmp_path, plant)) == [NORTH]


def test_records_that_contradict_each_other_are_not_spare(tmp_path: Path) -> None:
    """Fibre 3 of N1 spliced twice in J1, fibre 2 of S on two ports of FB: neither is free."""
    plant = _with_spares()
    plant.splice("J1", "N1", 3, "N2", 12)
    plant.end("S", 2, "FB", 5)
    spares = _spares(tmp_path, plant)
    assert _runs(spares) == []
    assert list(spares.runs.columns) == ["route", "a_port", "b_port", "fibres", "a_cord", "b_cord"]
    assert "length_m" in spares.routes


def test_the_rest_of_a_fibre_that_is_cut_may_be_free(tmp_path: Path) -> None:
    """S passes Q1; its fibre 5 is cut there and its first piece ends on a panel at Q1's building.

    Link LQ uses the piece from A; the piece from Q1 on to B is free.
    """
    plant = SplicedPlant()
    plant.node("C", 800, -402, role="sites", kind="building")
    plant.rows["structures"][-1]["within"] = "C"
    plant.rows["equipment"] += [
        {"id": name, "site": "C", "kind": kind, "within": "-", "supplies": "-", "delay_us": 0}
        for name, kind in (("FC", "panel"), ("RC", "relay"))
    ]
    plant.end("S", 5, "FC", 1, side="before")
    plant.end("S", 5, "FC", 2, side="after")
    plant.end("S", 5, "FA", 12)
    plant.end("S", 5, "FB", 12)
    plant.cord("KQ", "RA", "q", "FA", 12)
    plant.cord("KR", "FC", 1, "RC", "q")
    plant.rows["links"].append(
        {"id": "LQ", "a": "RA", "b": "RC", "a_port": "q", "b_port": "q", "wavelength_nm": 1310}
    )
    spares = _spares(tmp_path, plant)
    assert _runs(spares) == [["FB", "12", "S", "5", "FC", "2"]]
    assert spares.routes["length_m"].iloc[0] == pytest.approx(894.4, rel=0.03)


def test_a_cable_that_is_spliced_straight_through_stands_once(tmp_path: Path) -> None:
    """Fibre 2 of S is cut and spliced to itself in JQ at Q1: one run over S, with a splice."""
    plant = _with_spares()
    plant.rows["joints"].append({"id": "JQ", "at": "Q1"})
    plant.splice("JQ", "S", 2, "S", 2)
    spares = _spares(tmp_path, plant)
    assert _runs(spares) == [NORTH, SOUTH]
    assert spares.routes[["joints", "splices"]].to_numpy().tolist() == [["J1", 1], ["JQ", 1]]
    assert spares.routes["length_m"].iloc[1] == pytest.approx(1789.5, abs=0.1)


def test_a_study_without_splices_has_cables_only(tmp_path: Path) -> None:
    plant = SplicedPlant()
    for role in ("splices", "terminations", "patches"):
        del plant.rows[role]
    for row in plant.rows["links"]:
        del row["a_port"], row["b_port"]
    plant.rows["link_runs"].append({"link": "LS", "seq": 1, "cable": "S", "fibres": "1;2"})
    spares = _spares(tmp_path, plant)
    assert len(spares.routes) == 0
    assert spares.cables["in_use"].to_list() == [0, 0, 2]
    assert spares.cables["joined"].to_list() == [0, 0, 0]


@pytest.mark.parametrize("first", some(range(0, 60, 5), 12))
def test_free_fibres_are_the_paths_of_random_plants(tmp_path: Path, first: int) -> None:
    """Without links every path of glass and splices from port to port is free.

    The graph of what was joined (networkx) says which there are; fibres and ports that are joined
    twice are left out.
    """
    found_any = 0
    for seed in range(first, first + 5):
        made = RandomSplices(seed)
        made.plant.rows.pop("links", None)
        spares = wa.spare_fibres(wa.tie(made.plant.read(tmp_path / str(seed))))
        told = spares.runs.join(spares.routes[["a", "b", "cables"]], on="route")
        found = {
            _either_way(
                (row["a"], row["a_port"]),
                list(zip(row["cables"].split(";"), row["fibres"].split(";"), strict=True)),
                (row["b"], row["b_port"]),
            )
            for row in told.to_dict("records")
        }
        assert found == _free_paths(made.graph), seed
        found_any += len(found)
    assert found_any > 5


Course = tuple[tuple[str, str], tuple[tuple[str, str], ...], tuple[str, str]]


def _either_way(a: tuple[str, str], over: list[tuple[str, str]], b: tuple[str, str]) -> Course:
    merged = tuple(one for place, one in enumerate(over) if not place or over[place - 1] != one)
    return min((a, merged, b), (b, merged[::-1], a))


def _free_paths(graph: nx.MultiGraph[Any]) -> set[Course]:
    """Paths between two ports over fibres, ends and splices of which none is joined twice."""
    glass: nx.MultiGraph[Any] = nx.MultiGraph(
        (one, other, data)
        for one, other, data in graph.edges(data=True)
        if data["is_"][0] in ("fibre", "splice", "end")
    )
    twice = {node[1:3] for node in glass if node[0] == "glass" and glass.degree(node) > 2}
    found = set()
    for nodes in nx.connected_components(glass):
        piece = glass.subgraph(nodes)
        ports = [node for node in nodes if node[0] == "port"]
        if len(ports) != 2 or any(piece.degree(node) > 2 for node in nodes):
            continue
        if any(piece.degree(port) > 1 for port in ports):
            continue
        path = next(nx.all_simple_edge_paths(piece, *ports))
        edges = [piece.edges[edge]["is_"] for edge in path]
        over = [(one[1], str(one[2])) for one in edges if one[0] == "fibre"]
        if not {(cable, int(fibre)) for cable, fibre in over} & twice:
            found.add(_either_way(ports[0][1:], over, ports[1][1:]))
    return found
