"""Circuits over rings: tails to the ring, several rings in order, and joins at one or two nodes.

Every plant has sites A, B, C, D and in each of them multiplexers. Ring R1 runs by the west, R2 by
the east; both have N1 (at C) and N2 (at D). Every link has a cable, a pit and ducts of its own.

              C: N1                 R1: W1 (MA-N1), W2 (N1-N2), W3 (N2-MA)
        W1  /  | |  \\  E1          R2: E1 (N1-MB), E2 (MB-N2), E3 (N2-N1)
    A: MA     W2 E3    MB :B
        W3  \\  | |  /  E2          K runs from relay RA over HA to MA, and from MB over HB to RB.
              D: N2
"""

from __future__ import annotations

import json
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

import waysapart as wa
from line_plant import LinePlant
from waysapart.recheck import recheck
from waysapart.report.terminal import show_circuit, show_proof
from waysapart.report.view import limit_rows
from waysapart.report.words import found_in, spared
from waysapart.verdicts.waiver_offers import offered_waivers

WEST = {"W1": ("MA", "N1"), "W2": ("N1", "N2"), "W3": ("N2", "MA")}
EAST = {"E1": ("N1", "MB"), "E2": ("MB", "N2"), "E3": ("N2", "N1")}


class RingPlant(LinePlant):
    """Rings R1 and R2, and circuit K, whose rows of `ring_circuits` a test sets."""

    def __init__(self) -> None:
        super().__init__()
        at = {"A": (0, 0), "C": (3000, 800), "D": (3000, -1000), "B": (6000, 0)}
        for site in ("C", "D"):
            self.node(site, *at[site], role="sites")
        for machine, site in (("MA", "A"), ("MB", "B"), ("N1", "C"), ("N2", "D")):
            self.machine(machine, site)
        site_of = {row["id"]: row["site"] for row in self.rows["equipment"]}
        for ring, links in (("R1", WEST), ("R2", EAST)):
            for seq, (link, (one, other)) in enumerate(links.items(), start=1):
                (x, y), (x2, y2) = at[site_of[one]], at[site_of[other]]
                aside = 300 if ring == "R2" else -300
                self.node(f"P-{link}", (x + x2) / 2 + aside, (y + y2) / 2)
                self.laid(f"C-{link}", site_of[one], f"P-{link}", site_of[other])
                self.fibre(link, one, other, f"C-{link}")
                self.rows["rings"].append({"ring": ring, "seq": seq, "link": link})
        self.hop("HA", "RA", "MA")
        self.hop("HB", "MB", "RB")
        self.rows["circuits"].append({"id": "K", "a": "RA", "b": "RB", "service": ""})

    def over(self, ring: str, **row: Any) -> None:
        self.rows["ring_circuits"].append({"circuit": "K", "ring": ring, **row})

    def confirmed(self, folder: Path) -> None:
        """`recheck` finds every claim about it true."""
        file = folder / "evidence.json"
        file.write_text(json.dumps(self.proved(folder).facts()), encoding="utf-8")
        found = recheck(folder, file)
        assert not found["false"]
        assert found["confirmed"] > 50


def by_two_joins() -> RingPlant:
    plant = RingPlant()
    plant.over("R1", seq=1, leave="N1;N2", a_tail="HA")
    plant.over("R2", seq=2, enter="N1;N2", b_tail="HB")
    return plant


def paths_of(found: dict[str, Any]) -> dict[str, list[str]]:
    return {label: path["links"] for label, path in found["paths"].items()}


def gaps_of(found: dict[str, Any]) -> dict[str, str]:
    return {gap["code"]: gap["message"] for gap in found["gaps"]}


def test_tails_lead_to_one_ring_and_away(tmp_path: Path) -> None:
    """K goes round R1 from MA to N2: W3 is the shorter way, W1 W2 the other. The tail from N2 is
    the hop HD to a relay at D."""
    plant = RingPlant()
    plant.machine("RD", "D", kind="relay")
    plant.hop("HD", "N2", "RD")
    plant.rows["circuits"][0]["b"] = "RD"
    plant.over("R1", a_tail="HA", b_tail="HD")
    found = plant.circuit_facts(tmp_path)
    assert paths_of(found) == {
        "main": ["HA", "W3", "HD"],
        "alternate": ["HA", "W1", "W2", "HD"],
    }
    assert found["verdict"] == "apart"
    assert set(found["tail"]) == {"HA", "HD", "MA", "N2"}
    plant.confirmed(tmp_path)


@pytest.mark.parametrize("tail", ["HB2;HB1", "HB1;HB2"])
def test_a_tail_of_two_hops_is_read_from_either_end(tmp_path: Path, tail: str) -> None:
    """From MB over a panel PB to RB: HB1 is next to the relay, and comes last on each path."""
    plant = RingPlant()
    plant.machine("PB", "B", kind="panel")
    plant.hop("HB1", "PB", "RB")
    plant.hop("HB2", "MB", "PB")
    plant.rows["circuits"][0]["a"] = "N1"
    plant.over("R2", b_tail=tail, main_way="backward")
    found = plant.circuit_facts(tmp_path)
    assert paths_of(found) == {
        "main": ["E3", "E2", "HB2", "HB1"],
        "alternate": ["E1", "HB2", "HB1"],
    }
    plant.confirmed(tmp_path)


def test_rings_that_join_at_one_node_hang_on_it(tmp_path: Path) -> None:
    """R1 is left, and R2 entered, at N1 alone: four ways, and each passes N1 at site C. One way
    round R1 and the other round R2 passes N2 twice; it is a way all the same."""
    plant = RingPlant()
    plant.over("R1", seq=1, leave="N1", a_tail="HA")
    plant.over("R2", seq=2, b_tail="HB")
    found = plant.circuit_facts(tmp_path)
    assert paths_of(found) == {
        "main": ["HA", "W1", "E1", "HB"],
        "alternate": ["HA", "W3", "W2", "E3", "E2", "HB"],
        "R1 forward, R2 backward": ["HA", "W1", "E3", "E2", "HB"],
        "R1 backward, R2 forward": ["HA", "W3", "W2", "E1", "HB"],
    }
    assert found["verdict"] == "shared"
    assert {one["asset"] for one in found["shared"]} == {"N1", "C"}
    plant.confirmed(tmp_path)


def test_rings_that_join_at_two_nodes_hang_on_neither(tmp_path: Path) -> None:
    """Six ways. Two more would pass the other join on both rings, and are no use: by R1 backward
    to N1 and R2 backward, N2 is passed on both, and there is a way that goes over at N2."""
    plant = by_two_joins()
    found = plant.circuit_facts(tmp_path)
    assert paths_of(found) == {
        "main": ["HA", "W1", "E1", "HB"],
        "alternate": ["HA", "W3", "E2", "HB"],
        "R1 forward to N1, R2 backward": ["HA", "W1", "E3", "E2", "HB"],
        "R1 backward to N1, R2 forward": ["HA", "W3", "W2", "E1", "HB"],
        "R1 forward to N2, R2 backward": ["HA", "W1", "W2", "E2", "HB"],
        "R1 backward to N2, R2 forward": ["HA", "W3", "E3", "E1", "HB"],
    }
    assert found["verdict"] == "apart"
    plant.confirmed(tmp_path)


def test_a_joint_that_all_paths_pass_is_a_single_point(tmp_path: Path) -> None:
    """The ways that leave MA by W1 and by W3 pass one pit beside site A, with a joint in it: every
    way of the two rings hangs on the pit. Main and alternate are two of the six."""
    plant = by_two_joins()
    plant.node("PIT", 200, 0)
    for link in ("W1", "W3"):
        pit = f"P-{link}"
        cable = f"C-{link}"
        runs = [run for run in plant.rows["cable_runs"] if run["cable"] == cable]
        near_a = next(
            run["segment"]
            for run in runs
            for row in plant.rows["segments"]
            if row["id"] == run["segment"] and "A" in (row["a"], row["b"])
        )
        row = next(row for row in plant.rows["segments"] if row["id"] == near_a)
        row["a"], row["b"] = (
            (row["a"] if row["a"] != "A" else "PIT"),
            (row["b"] if row["b"] != "A" else "PIT"),
        )
        row["line"] = [plant.at[row["a"]], plant.at[row["b"]]]
        plant.segment(f"IN-{link}", "duct", "A", "PIT", a="A", b="PIT")
        seqs = {run["segment"]: run["seq"] for run in runs}
        at = 0.5 if seqs[near_a] == 1 else 2.5
        plant.rows["cable_runs"].append({"cable": cable, "seq": at, "segment": f"IN-{link}"})
        assert pit in plant.at
    for run in plant.rows["cable_runs"]:
        run["seq"] = int(2 * run["seq"])
    plant.rows["joints"].append({"id": "J", "at": "PIT", "cables": "C-W1;C-W3"})
    found = plant.circuit_facts(tmp_path)
    assert found["verdict"] == "shared"
    assert {"PIT", "J"} <= {one["asset"] for one in found["shared"]}
    plant.confirmed(tmp_path)


def test_what_only_some_combinations_have_in_common_is_not_shared(tmp_path: Path) -> None:
    """R1's north way and R2's south way lie in one trench. Main uses neither, alternate both, and
    the loss of the trench leaves the ways that use neither: K is apart. Were only R1 north with R2
    south, and R1 south with R2 north, on record, nothing would be shared either; were it R1 north
    and R1 south, the trench would be a single point."""
    plant = by_two_joins()
    plant.rows["holders"].append({"id": "T", "kind": "trench", "within": "-"})
    for row in plant.rows["segments"]:
        if row["id"] in ("C-W1-1", "C-E2-1"):
            row["within"] = "T"
    assert plant.circuit_facts(tmp_path / "apart")["verdict"] == "apart"
    for row in plant.rows["segments"]:
        if row["id"] == "C-W3-1":
            row["within"] = "T"
    found = plant.circuit_facts(tmp_path / "shared")
    assert {one["asset"] for one in found["shared"]} == {"T"}


def test_near_approaches_count_only_where_no_path_is_left(tmp_path: Path) -> None:
    """W1 and E1 come to C from the north, 4 m apart: both are on main, one of them on most other
    paths, and alternate (W3 E2) has neither. W1 and W3 leave A northwards, 4 m apart: every path
    has one of them, and a digger there may take both."""

    def verdict(folder: Path, **pits: tuple[float, float]) -> str:
        plant = by_two_joins()
        plant.separation_m = 10
        moved = {f"P-{link}": place for link, place in pits.items()}
        plant.at.update(moved)
        for row in plant.rows["structures"]:
            row["line"] = [plant.at[row["id"]]]
        for row in plant.rows["segments"]:
            row["line"] = [plant.at[row["a"]], plant.at[row["b"]]]
        found = plant.circuit_facts(folder)
        plant.confirmed(folder)
        return str(found["verdict"])

    assert verdict(tmp_path / "one", W1=(2998, 3000), E1=(3002, 3000)) == "apart"
    assert verdict(tmp_path / "two", W1=(0, 1500), W3=(-4, 1500)) == "shared"


def test_approaches_that_leave_a_path_are_counted_and_not_listed(tmp_path: Path) -> None:
    """At C and D the links of both rings come together, as every two of six paths tell: 40 rows,
    and none of them counts. They are one line, and no waiver is offered for them."""
    plant = by_two_joins()
    plant.separation_m = 10
    proof = plant.proved(tmp_path)
    facts = proof.facts()
    (found,) = facts["circuits"]
    assert found["verdict"] == "apart"
    assert found["near"]
    assert spared(found) == len(found["near"])
    assert found_in(found) == 0
    assert offered_waivers(proof, "K") == []
    console = Console(file=StringIO(), width=200)
    show_circuit(console, facts, "K")
    said = console.file.getvalue()
    assert "between some of its paths each leave another path clear." in said
    assert "near: " not in said


def test_main_way_is_stated_ring_by_ring(tmp_path: Path) -> None:
    """R1 backward, R2 forward is main though both are the longer; the other paths are alternate."""
    plant = RingPlant()
    plant.over("R1", seq=1, leave="N1", a_tail="HA", main_way="backward")
    plant.over("R2", seq=2, b_tail="HB", main_way="forward")
    found = plant.circuit_facts(tmp_path)
    paths = paths_of(found)
    assert paths["main"] == ["HA", "W3", "W2", "E1", "HB"]
    assert paths["alternate"] == ["HA", "W1", "E3", "E2", "HB"]
    assert set(paths) == {
        "main",
        "alternate",
        "R1 forward, R2 forward",
        "R1 backward, R2 backward",
    }
    plant.confirmed(tmp_path)


BROKEN: dict[str, tuple[list[dict[str, Any]], str]] = {
    "a tail that does not begin at the end": (
        [{"ring": "R1", "a_tail": "HB", "leave": "N1"}, {"ring": "R2", "seq": 2, "b_tail": "HB"}],
        "link HB of a_tail does not begin at its end a",
    ),
    "a tail that breaks off": (
        [
            {"ring": "R1", "a_tail": "HA;E1", "leave": "N1"},
            {"ring": "R2", "seq": 2, "b_tail": "HB"},
        ],
        "link E1 of a_tail does not begin where HA ends",
    ),
    "a tail that ends beside the ring": (
        [{"ring": "R2", "a_tail": "HA", "b_tail": "HB"}],
        "a_tail ends at MA, which is not on ring R2",
    ),
    "no tail": (
        [{"ring": "R1", "leave": "N1"}, {"ring": "R2", "seq": 2, "b_tail": "HB"}],
        "its end equipment is not on ring R1",
    ),
    "two joins, and nobody says which": (
        [{"ring": "R1", "a_tail": "HA"}, {"ring": "R2", "seq": 2, "b_tail": "HB"}],
        "rings R1 and R2 meet at N1, N2, and nothing says where it goes over",
    ),
    "left here and entered there": (
        [
            {"ring": "R1", "a_tail": "HA", "leave": "N1"},
            {"ring": "R2", "seq": 2, "enter": "N2", "b_tail": "HB"},
        ],
        "ring R1 is left at N1 and ring R2 entered at N2",
    ),
    "a join that is on one ring only": (
        [
            {"ring": "R1", "a_tail": "HA", "leave": "N1;MB"},
            {"ring": "R2", "seq": 2, "b_tail": "HB"},
        ],
        "MB, where it goes over between rings R1 and R2, is not on ring R1",
    ),
    "an entrance that is not where the tail ends": (
        [
            {"ring": "R1", "a_tail": "HA", "enter": "N2", "leave": "N1"},
            {"ring": "R2", "seq": 2, "b_tail": "HB"},
        ],
        "enter of ring R1 says N2, and the circuit meets the ring at MA",
    ),
    "a tail between rings": (
        [
            {"ring": "R1", "a_tail": "HA", "leave": "N1", "b_tail": "HB"},
            {"ring": "R2", "seq": 2, "b_tail": "HB"},
        ],
        "b_tail stands with ring R1; it belongs to the circuit's last ring, R2",
    ),
}


@pytest.mark.parametrize("case", BROKEN)
def test_rings_that_do_not_lead_across_are_a_gap(tmp_path: Path, case: str) -> None:
    """Each names ring, equipment and link; the circuit has no path, and is unproven."""
    rows, message = BROKEN[case]
    plant = RingPlant()
    for row in rows:
        plant.over(**row)
    found = plant.circuit_facts(tmp_path)
    assert found["verdict"] == "unproven"
    assert found["paths"] == {}
    gaps = gaps_of(found)
    assert set(gaps) == {"ring-broken", "single-path"}
    assert message in gaps["ring-broken"]
    plant.confirmed(tmp_path)


def test_a_proposal_replaces_all_rings_of_a_circuit(tmp_path: Path) -> None:
    """The proposal puts K on R1 and R2 by N1 alone; the base's two rows go together."""
    by_two_joins().write(tmp_path / "base")
    folder = tmp_path / "proposal"
    folder.mkdir()
    (folder / "study.toml").write_text('extends = "../base"\n', encoding="utf-8")
    (folder / "ring_circuits.csv").write_text(
        "circuit,ring,seq,leave,a_tail,b_tail\nK,R1,1,N1,HA,\nK,R2,2,,,HB\n", encoding="utf-8"
    )
    (found,) = wa.prove(wa.read_study(folder)).facts()["circuits"]
    assert len(found["paths"]) == 4
    assert found["verdict"] == "shared"


def test_rows_of_a_ring_that_state_two_recovery_times(tmp_path: Path) -> None:
    """One row says 50 ms, another 20: told once, by the ring, and the limit is open."""
    plant = by_two_joins()
    plant.rows["rings"][0]["recovery_ms"] = 50
    plant.rows["rings"][1]["recovery_ms"] = 20
    plant.service = "max_recovery_ms = 60\n"
    found = plant.circuit_facts(tmp_path)
    gaps = gaps_of(found)
    assert set(gaps) == {"ring-recovery"}
    assert "20 and 50 on its rows" in gaps["ring-recovery"]
    assert found["verdict"] == "apart"
    assert found["delay"]["recovery_ok"] is None
    assert found["within_limits"] is None
    plant.confirmed(tmp_path)


# --- How long it takes to change over.


def recovery_of(plant: RingPlant, folder: Path) -> tuple[float | None, bool, bool | None]:
    delay = plant.circuit_facts(folder)["delay"]
    plant.confirmed(folder)
    return delay["recovery_ms"], delay["recovery_assumed"], delay["recovery_ok"]


def times(plant: RingPlant, **ms: float) -> RingPlant:
    """Rings and links state their recovery times."""
    for row in plant.rows["rings"]:
        if row["ring"] in ms:
            row["recovery_ms"] = ms[row["ring"]]
    for row in plant.rows["links"]:
        if row["id"] in ms:
            row["recovery_ms"] = ms[row["id"]]
    return plant


def test_the_slower_ring_says_how_long_a_circuit_is_interrupted(tmp_path: Path) -> None:
    """R1 switches in 50 ms, R2 in 20: whichever fails, K is back after 50 ms at the most. The tails
    are on every path and never switch."""
    plant = times(by_two_joins(), R1=50, R2=20)
    assert recovery_of(plant, tmp_path) == (50.0, False, True)
    facts = plant.proved(tmp_path).facts()
    assert all(row["key"] != "recovery.assumed_ms" for row in facts["assumptions"])


def test_a_hitless_circuit_needs_no_time(tmp_path: Path) -> None:
    """Both rings state 0: hitless."""
    assert recovery_of(times(by_two_joins(), R1=0, R2=0), tmp_path) == (0.0, False, True)


def test_a_link_that_switches_more_slowly_than_its_ring_counts(tmp_path: Path) -> None:
    """E2 is a hop with a switch of its own, of 200 ms: over the limit of 60 ms, and on record."""
    plant = times(by_two_joins(), R1=50, R2=20, E2=200)
    assert recovery_of(plant, tmp_path) == (200.0, False, False)


def test_a_time_that_nobody_stated_is_assumed(tmp_path: Path) -> None:
    """Nobody states anything: 10 ms of detection and 50 ms of switching, by the rules, which keeps
    the limit of 60 ms only if that is so. Somebody has to sign."""
    plant = by_two_joins()
    assert recovery_of(plant, tmp_path) == (60.0, True, True)
    facts = plant.proved(tmp_path).facts()
    (row,) = [row for row in facts["assumptions"] if row["key"] == "recovery.assumed_ms"]
    assert (row["value"], row["unit"], row["count"], row["to_sign"]) == (60.0, "ms", 1, True)
    console = Console(file=StringIO(), width=200)
    show_proof(console, facts)
    said = console.file.getvalue()
    assert "recovery time of 1 circuit: taken as at least 60 ms" in said
    (limit,) = [row for row in limit_rows(facts["circuits"][0]["delay"]) if row.name == "Recovery"]
    assert limit.value == "60 ms (assumed)"


def test_one_silent_ring_leaves_the_figure_assumed(tmp_path: Path) -> None:
    """R1 states 50 ms, R2 nothing: 60 ms by the rules, assumed. R1 at 90 ms: 90 and not less, and
    assumed all the same, as R2 may take longer."""
    assert recovery_of(times(by_two_joins(), R1=50), tmp_path / "50") == (60.0, True, True)
    assert recovery_of(times(by_two_joins(), R1=90), tmp_path / "90") == (90.0, True, False)


def test_listed_paths_take_the_times_of_their_links_and_rings(tmp_path: Path) -> None:
    """K runs over links of R1 and R2 without being on a ring by its record: W1, E1 against W3, E2.
    The rings state 40 and 30 ms, W1 itself 0. Cords need no time of their own."""
    plant = times(RingPlant(), R1=40, R2=30, W1=0)
    plant.way("K", "main", "HA", "W1", "E1", "HB")
    plant.way("K", "alternate", "HA", "W3", "E2", "HB")
    assert recovery_of(plant, tmp_path) == (40.0, False, True)


def test_one_path_has_nothing_to_change_over_to(tmp_path: Path) -> None:
    """A single path: no figure, and none that is assumed."""
    plant = times(RingPlant(), R1=40)
    plant.way("K", "main", "HA", "W1", "E1", "HB")
    found = plant.circuit_facts(tmp_path)["delay"]
    assert (found["recovery_ms"], found["recovery_assumed"]) == (None, False)
    plant.confirmed(tmp_path)


@pytest.mark.parametrize(
    ("field", "value", "told"),
    [
        ("recovery_assumed", False, "recovery assumed"),
        ("recovery_ms", 50.0, "recovery"),
    ],
)
def test_a_forged_recovery_is_told(tmp_path: Path, field: str, value: object, told: str) -> None:
    """An assumed figure passed off as recorded, or the time of one ring as that of both."""
    plant = times(by_two_joins(), R1=50)
    facts = plant.proved(tmp_path).facts()
    facts["circuits"][0]["delay"][field] = value  # type: ignore[literal-required]
    file = tmp_path / "evidence.json"
    file.write_text(json.dumps(facts), encoding="utf-8")
    assert any(f"circuit K: {told}" in one for one in recheck(tmp_path, file)["false"])


def test_a_path_over_rings_that_is_left_out_is_told(tmp_path: Path) -> None:
    """The evidence has five of six paths, or one with the wrong links."""
    plant = by_two_joins()
    for number in range(2):
        facts = json.loads(json.dumps(plant.proved(tmp_path).facts()))
        paths = facts["circuits"][0]["paths"]
        if number:
            del paths["R1 forward to N1, R2 backward"]
        else:
            paths["alternate"]["links"] = ["HA", "W3", "E3", "E1", "HB"]
        file = tmp_path / "evidence.json"
        file.write_text(json.dumps(facts), encoding="utf-8")
        assert recheck(tmp_path, file)["false"]


# --- Tails to a ring: listed, counted where the service says so, shared where they leave the site.


def test_a_tail_to_a_ring_counts_where_the_service_says_so(tmp_path: Path) -> None:
    """Both paths run over the one cord HA, the one multiplexer MA and its rack: tail, or shared."""
    plant = by_two_joins()
    plant.rows["holders"].append({"id": "RACK", "kind": "rack", "within": "A"})
    for row in plant.rows["equipment"]:
        if row["id"] == "MA":
            row["within"] = "RACK"
    found = plant.circuit_facts(tmp_path / "excused")
    assert set(found["tail"]) == {"HA", "MA", "RACK", "HB", "MB"}
    assert (found["verdict"], found["shared"]) == ("apart", [])
    plant.confirmed(tmp_path / "excused")
    plant.service = 'tail = "shared"\n'
    found = plant.circuit_facts(tmp_path / "counted")
    assert found["tail"] == []
    assert {one["asset"] for one in found["shared"]} == {"HA", "MA", "RACK", "HB", "MB"}
    plant.confirmed(tmp_path / "counted")


def test_a_tail_that_leaves_the_site_is_shared(tmp_path: Path) -> None:
    """K comes onto R2 at N1, over HA and then W1 from site A to site C: the cord and the
    multiplexer at A are tail, W1 with its cable, ducts and pit is shared, and so are N1 and C."""
    plant = RingPlant()
    plant.over("R2", a_tail="HA;W1", b_tail="HB")
    found = plant.circuit_facts(tmp_path)
    assert set(found["tail"]) == {"HA", "MA", "HB", "MB"}
    shared = {one["asset"] for one in found["shared"]}
    assert shared == {"C-W1", "C-W1-1", "C-W1-2", "P-W1", "N1", "C"}
    plant.confirmed(tmp_path)


def test_a_group_knows_no_tail(tmp_path: Path) -> None:
    """K and K2 back each other up by the same two rings and tails: all of the tails is shared."""
    plant = by_two_joins()
    plant.rows["circuits"][0]["group"] = "G"
    plant.rows["circuits"].append({**plant.rows["circuits"][0], "id": "K2"})
    for row in list(plant.rows["ring_circuits"]):
        ways = {"main_way": "backward"} if row["ring"] == "R1" else {"main_way": "forward"}
        plant.rows["ring_circuits"].append({**row, "circuit": "K2", **ways})
    proof = plant.proved(tmp_path)
    (group,) = proof.facts()["groups"]
    assert {"HA", "MA", "HB", "MB", "RA", "RB"} <= {one["asset"] for one in group["shared"]}
    plant.confirmed(tmp_path)


# --- A ring that turns back at a failure.


def test_a_ring_turns_back_between_its_tails(tmp_path: Path) -> None:
    """R1 by hops of 100 us (W1), 200 (W2) and 400 (W3), its nodes MA 10, N1 20, N2 40 us, relays RA
    1 and RD 2 us at the ends of tails without delay. K goes from MA to N2.

    Turned back on main, which is W1 W2 (370 us on the ring): with W1 cut at MA and N1 it is MA W3
    N2 W2 N1 W2 N2 = 10 + 400 + 40 + 200 + 20 + 200 + 40 = 910; with W2 cut MA W1 N1 W1 MA W3 N2
    = 10 + 100 + 20 + 100 + 10 + 400 + 40 = 680. N1, where the ring is turned, counts once, and
    what is passed out and back, N2 or MA, twice. The relays add 3: 913 us.

    Turned back on alternate, W3 (450): MA W1 N1 W2 N2 = 370, less than the way itself: 453 us.
    """
    plant = RingPlant()
    plant.machine("RD", "D", kind="relay")
    plant.hop("HD", "N2", "RD")
    plant.rows["circuits"][0]["b"] = "RD"
    plant.over("R1", a_tail="HA", b_tail="HD", main_way="forward")
    plant.rules = "[recovery]\nring_turns_back = true\n"
    for row in plant.rows["links"]:
        us = {"W1": 100, "W2": 200, "W3": 400}.get(row["id"])
        if us is not None:
            pit = f"P-{row['id']}"
            row.update(medium="carrier", wavelength_nm="", extra_delay_us=us, relies_on=pit)
    del plant.rows["link_runs"]
    plant.rows["links"] = [row for row in plant.rows["links"] if row["id"][0] != "E"]
    plant.rows["rings"] = [row for row in plant.rows["rings"] if row["ring"] == "R1"]
    machines = {"MA": 10, "N1": 20, "N2": 40, "RA": 1, "RD": 2}
    for row in plant.rows["equipment"]:
        row["delay_us"] = machines.get(row["id"], 0)
    delay = plant.circuit_facts(tmp_path)["delay"]
    states = {one["state"]: one["delay_us"] for one in delay["states"]}
    assert states == {
        "main": 373.0,
        "alternate": 453.0,
        "turned back on main": 913.0,
        "turned back on alternate": 453.0,
    }
    assert delay["worst_us"] == 913.0
    plant.confirmed(tmp_path)
