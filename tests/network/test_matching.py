"""Cables that are drawn and not listed: what they follow, and what cannot be known.

Plants are drawn in metres. The tolerance is `snap_m`, 2 m unless a test says more.
"""

from __future__ import annotations

import math
import random
import tempfile
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

import waysapart as wa
from drawn_plant import DrawnPlant, Place
from spacing_plants import SCALE
from waysapart.network.build_network import Network
from waysapart.network.matching.frechet import Course, follows, near_points
from waysapart.study.plane import Plane
from waysapart.verdicts.prove import Proof


def told(drawn_m: float) -> str:
    """A length on the ground as messages tell it; plants are drawn on a grid."""
    return f"{drawn_m / SCALE:.1f}"


ESTUARY = Path(__file__).resolve().parents[2] / "examples" / "estuary"


def overhead() -> DrawnPlant:
    """A - T1 - T2 - T3 - B, four spans with a slight bend at T2."""
    plant = DrawnPlant((0, 0), (1200, 0))
    plant.nodes("tower", T1=(300, 20), T2=(600, 40), T3=(900, 20))
    for number, (a, b) in enumerate((("A", "T1"), ("T1", "T2"), ("T2", "T3"), ("T3", "B")), 1):
        plant.segment(f"S{number}", "span", a, b)
    return plant


def two_ducts(apart_m: float = 1.0) -> DrawnPlant:
    """A - P1 = P2 - B; between the pits two ducts, D2 and D3, lie in one trench TR."""
    plant = DrawnPlant((0, 0), (300, 0))
    plant.nodes("pit", P1=(100, 0), P2=(200, 0))
    plant.rows["holders"].append({"id": "TR", "kind": "trench", "within": "-"})
    plant.segment("D1", "duct", "A", "P1")
    half = apart_m / 2
    for name, y in (("D2", half), ("D3", -half)):
        plant.segment(name, "duct", (100, y), (200, y), a="P1", b="P2", within="TR")
    plant.segment("D4", "duct", "P2", "B")
    return plant


def tied(plant: DrawnPlant, folder: Path) -> Network:
    return wa.tie(plant.read(folder))


def followed(network: Network, cable: str = "C") -> list[str]:
    """Segments of a cable's chain, in order; against their line marked with a minus."""
    ids = network.study.tables["segments"]["id"].to_numpy()
    number = network.study.tables["cables"]["id"].tolist().index(cable)
    rows = network.chains.rows(number)
    return [
        ("-" if start > stop else "") + str(ids[segment])
        for segment, start, stop in zip(
            network.chains.segment[rows],
            network.chains.start[rows],
            network.chains.stop[rows],
            strict=True,
        )
    ]


def codes(network: Network) -> list[str]:
    return [gap.code for gap in network.gaps]


def relied(proof: Proof, circuit_path: int = 0) -> set[str]:
    matrix = proof.reliance.paths
    row = matrix.indices[matrix.indptr[circuit_path] : matrix.indptr[circuit_path + 1]]
    return set(proof.network.assets.ids(row[row < len(proof.network.assets)]))


# -- clean matches


def test_the_demo_wire_follows_its_spans() -> None:
    """OP-S3 is drawn from tower to tower along the 31 spans of line S3, and on them."""
    network = wa.tie(wa.read_study(ESTUARY))
    mine = network.matched[network.matched["cable"] == "OP-S3"]
    assert mine["segment"].tolist() == [f"S3-S{number:02d}" for number in range(1, 32)]
    assert mine["seq"].tolist() == list(range(1, 32))
    assert (mine["state"] == "followed").all()
    assert (mine["distance_m"] < 0.01).all()
    assert (mine["coverage"] == 1.0).all()
    assert not [gap for gap in network.gaps if gap.asset == "OP-S3"]


@pytest.mark.parametrize("turned", [False, True])
def test_spans_in_either_direction(tmp_path: Path, turned: bool) -> None:
    """Drawn 1 m beside the line: it follows all four spans, backward where drawn from B to A."""
    plant = overhead()
    line: list[Place] = [(0, 1), (300, 21), (600, 41), (900, 21), (1200, 1)]
    plant.cable("C", *(line[::-1] if turned else line))
    network = tied(plant, tmp_path)
    expected = ["S1", "S2", "S3", "S4"]
    assert followed(network) == ([f"-{name}" for name in expected[::-1]] if turned else expected)
    assert codes(network) == []
    assert network.matched["distance_m"].tolist() == pytest.approx([1.0] * 4, abs=0.01)
    assert network.matched["to_m"].iloc[-1] == pytest.approx(
        4 * math.hypot(300, 20) / SCALE, abs=0.01
    )


def test_a_match_is_no_gap_and_counts_in_full(tmp_path: Path) -> None:
    """Wire C over the towers, duct D apart from it: apart; C relies on every tower."""
    plant = overhead()
    plant.nodes("pit", P=(600, -300))
    plant.segment("D1", "duct", "A", "P")
    plant.segment("D2", "duct", "P", "B")
    plant.cable("C", "A", "T1", "T2", "T3", "B")
    plant.listed("D", "D1 D2")
    plant.circuit("C", "D")
    proof = wa.prove(plant.read(tmp_path))
    assert proof.verdicts == ["apart"]
    assert {"S1", "S2", "S3", "S4", "T1", "T2", "T3", "C"} <= relied(proof)
    facts = proof.facts()
    assert [row["segment"] for row in facts["matched"]] == ["S1", "S2", "S3", "S4"]
    assert set(facts["matched"][0]) == {
        "cable", "seq", "segment", "state", "from_m", "to_m", "distance_m", "coverage"
    }  # fmt: skip


def test_listed_runs_win_over_the_drawing(tmp_path: Path) -> None:
    """C has a run over S1 alone and a drawing along all spans: the run stands, unmatched."""
    plant = overhead()
    plant.cable("C", "A", "T1", "T2", "T3", "B")
    plant.rows["cable_runs"].append({"cable": "C", "seq": 1, "segment": "S1"})
    network = tied(plant, tmp_path)
    assert followed(network) == ["S1"]
    assert network.matched.empty


def test_a_carried_cable_follows_its_carrier(tmp_path: Path) -> None:
    """W is drawn far off but carried by the drawn wire C: it has C's spans and no gap."""
    plant = overhead()
    plant.cable("C", "A", "T1", "T2", "T3", "B")
    plant.cable("W", (0, 500), (1200, 500), carried_by="C")
    network = tied(plant, tmp_path)
    assert followed(network, "W") == ["S1", "S2", "S3", "S4"]
    assert set(network.matched["cable"]) == {"C"}
    assert codes(network) == []


def test_one_polyline_with_its_towers(tmp_path: Path) -> None:
    """The whole line is one segment that passes T1 to T3; C follows all of it as one row."""
    plant = DrawnPlant((0, 0), (1200, 0))
    plant.nodes("tower", T1=(300, 20), T2=(600, 40), T3=(900, 20))
    plant.segment("LINE", "span", "A", "T1", "T2", "T3", "B")
    plant.cable("C", "A", "T1", "T2", "T3", "B")
    network = tied(plant, tmp_path)
    assert followed(network) == ["LINE"]
    assert network.matched["coverage"].tolist() == [1.0]
    assert codes(network) == []


def test_part_of_a_polyline(tmp_path: Path) -> None:
    """C leaves the polyline at T2, 600.7 m of 1,201.8 m on, by a riser to pit P.

    Half of LINE is followed, from A to T2; T1 is passed, T3 is not.
    """
    plant = DrawnPlant((0, 0), (600, -400))
    plant.node("END", 1200, 0, kind="gantry")
    plant.nodes("tower", T1=(300, 20), T2=(600, 40), T3=(900, 20))
    plant.nodes("pit", P=(600, -200))
    plant.segment("LINE", "span", "A", "T1", "T2", "T3", "END")
    plant.segment("RISER", "riser", "T2", "P")
    plant.segment("D", "duct", "P", "B")
    plant.cable("C", "B", "P", "T2", "T1", "A")
    plant.listed("X", "D")
    plant.circuit("C", "X")
    study = plant.read(tmp_path)
    network = wa.tie(study)
    assert followed(network) == ["-D", "-RISER", "-LINE"]
    assert network.matched["coverage"].tolist() == pytest.approx([1.0, 1.0, 0.5])
    reached = relied(wa.prove(study))
    assert {"T1", "T2", "P", "LINE"} <= reached
    assert not {"T3", "END"} & reached


def test_coarse_drawing_over_fine_ducts(tmp_path: Path) -> None:
    """C has vertices at A, P and B only; the ducts wave 1.5 m about it, a vertex every 20 m."""
    plant = DrawnPlant((0, 0), (800, 300))
    plant.nodes("pit", P=(400, 0))

    def wave(a: Place, b: Place) -> list[Place]:
        (x0, y0), (x1, y1) = a, b
        length = math.hypot(x1 - x0, y1 - y0)
        ux, uy = (x1 - x0) / length, (y1 - y0) / length
        points = [a]
        for step in range(20, int(length) - 10, 20):
            side = 1.5 if step % 40 else -1.5
            points.append((x0 + ux * step - uy * side, y0 + uy * step + ux * side))
        return [*points, b]

    plant.segment("D1", "duct", *wave((0, 0), (400, 0)))
    plant.segment("D2", "duct", *wave((800, 300), (400, 0)))
    plant.cable("C", "A", "P", "B")
    network = tied(plant, tmp_path)
    assert followed(network) == ["D1", "-D2"]
    assert network.matched["distance_m"].tolist() == pytest.approx([1.5, 1.5], abs=0.01)
    assert codes(network) == []


def test_branch_at_a_pit(tmp_path: Path) -> None:
    """At P one duct goes on and one turns off; C turns off, then comes back along the same duct."""
    plant = DrawnPlant((0, 0), (400, 0))
    plant.nodes("pit", P=(200, 0), Q=(200, 150))
    plant.segment("D1", "duct", "A", "P")
    plant.segment("D2", "duct", "P", "B")
    plant.segment("SPUR", "duct", "P", "Q")
    plant.cable("C", "A", "P", "Q", "P", "B")
    plant.cable("E", "A", "P", "B")
    network = tied(plant, tmp_path)
    assert followed(network) == ["D1", "SPUR", "-SPUR", "D2"]
    assert followed(network, "E") == ["D1", "D2"]
    assert codes(network) == []


def test_a_stub_within_the_tolerance_is_not_followed(tmp_path: Path) -> None:
    """Q lies 1.5 m beside P, with a duct between: C passes P and leaves the stub aside."""
    plant = DrawnPlant((0, 0), (400, 0))
    plant.nodes("pit", P=(200, 0))
    plant.node("Q", 200, 1.5, kind="entry")
    plant.segment("D1", "duct", "A", "P", b="P")
    plant.segment("D2", "duct", "P", "B", a="P")
    plant.segment("STUB", "duct", "P", "Q", a="P", b="Q")
    plant.cable("C", "A", "P", "B")
    network = tied(plant, tmp_path)
    assert followed(network) == ["D1", "D2"]
    assert [code for code in codes(network) if code.startswith("match")] == []


@pytest.mark.parametrize(("end_m", "expected"), [(200.3, ["D"]), (201.5, ["D", "RISER"])])
def test_a_short_riser_where_the_cable_ends(
    tmp_path: Path, end_m: float, expected: list[str]
) -> None:
    """From pit P, 200 m on, a riser leads 1.5 m on to Q. Drawn 0.3 m past P, C ends at P;
    drawn to Q, it ends at Q: the riser counts once the drawing takes in half of it.
    """
    plant = DrawnPlant((0, 0), (400, 0))
    plant.nodes("pit", P=(200, 0))
    plant.node("Q", 201.5, 0, kind="entry")
    plant.segment("D", "duct", "A", "P", b="P")
    plant.segment("RISER", "riser", "P", "Q", a="P", b="Q")
    plant.cable("C", "A", (end_m, 0))
    network = tied(plant, tmp_path)
    assert followed(network) == expected
    assert [code for code in codes(network) if code.startswith("match")] == []


def test_inside_a_site_drawn_as_an_area(tmp_path: Path) -> None:
    """A is 80 m square; the duct ends at its fence, the cable is drawn on to its middle."""
    plant = DrawnPlant((0, 0), (400, 0))
    plant.rows["sites"][0]["area_m"] = 80
    plant.segment("D", "duct", (40, 0), "B")
    plant.cable("C", "A", "B")
    network = tied(plant, tmp_path)
    assert followed(network) == ["D"]
    assert network.matched["from_m"].tolist() == pytest.approx([40.0 / SCALE], abs=1e-3)
    assert codes(network) == []


def test_surveyed_badly_and_said_so(tmp_path: Path) -> None:
    """C runs 4 m beside the duct: not within 2 m, but within 2 m plus its accuracy of 3 m."""
    for accuracy, expected in ((None, []), (3.0, ["D"])):
        plant = DrawnPlant((0, 0), (400, 0))
        plant.segment("D", "duct", "A", "B", accuracy_m=accuracy)
        plant.cable("C", (0, 4), (400, 4))
        network = tied(plant, tmp_path / str(accuracy))
        assert followed(network) == expected


def test_duct_in_a_drawn_trench(tmp_path: Path) -> None:
    """Trench TR is drawn along all of A to B, duct D2 lies in it from P on; both under C.

    The duct goes first where it is; where it isn't, the trench itself is followed.
    """
    plant = DrawnPlant((0, 0), (400, 0))
    plant.nodes("pit", P=(200, 0))
    plant.segment("TR", "trench", "A", "P", "B")
    plant.segment("D2", "duct", "P", "B", within="TR")
    plant.cable("C", "A", "B")
    network = tied(plant, tmp_path)
    assert followed(network) == ["TR", "D2"]
    assert network.matched["coverage"].tolist() == pytest.approx([0.5, 1.0])
    assert codes(network) == []


# -- what cannot be known


@pytest.mark.parametrize("offset_m", [0.0, 0.5, -0.4])
def test_two_ducts_of_one_trench(tmp_path: Path, offset_m: float) -> None:
    """D2 and D3 lie 1 m apart; wherever C is drawn between them, it may be in either.

    From 100 m to 200 m is open. D1, D4, both pits and the trench are certain: they
    carry C whichever duct it took.
    """
    plant = two_ducts()
    plant.cable("C", "A", (100, offset_m), (200, offset_m), "B")
    plant.listed("X", "D1 D2 D4")
    plant.circuit("C", "X")
    proof = wa.prove(plant.read(tmp_path))
    network = proof.network
    (gap,) = [gap for gap in network.gaps if gap.asset == "C"]
    assert gap.code == "match-ambiguous"
    assert f"from {told(100)} m to {told(200)} m" in gap.message
    assert f"D2 ({abs(0.5 - offset_m):.2f} m)" in gap.message
    assert f"D3 ({abs(-0.5 - offset_m):.2f} m)" in gap.message
    assert followed(network) == ["D1", "D4"]
    mine = network.matched
    assert mine["segment"].tolist() == ["D1", "D2", "D3", "D4"]
    assert mine["state"].tolist() == ["followed", "candidate", "candidate", "followed"]
    assert mine["seq"].tolist() == [1, 2, 2, 3]
    assert {"D1", "D4", "P1", "P2", "TR"} <= relied(proof)
    assert not {"D2", "D3"} & relied(proof)
    assert "TR" in {row["asset"] for row in proof.facts()["circuits"][0]["shared"]}


def test_an_open_stretch_leaves_the_verdict_unproven(tmp_path: Path) -> None:
    """X runs elsewhere; C is in D2 or D3: nothing is shared, but nothing is proved. No length."""
    plant = two_ducts()
    plant.nodes("pit", Q=(150, -400))
    plant.segment("E1", "duct", "A", "Q")
    plant.segment("E2", "duct", "Q", "B")
    plant.cable("C", "A", "P1", "P2", "B")
    plant.listed("X", "E1 E2")
    plant.circuit("C", "X")
    facts = wa.prove(plant.read(tmp_path)).facts()["circuits"][0]
    assert facts["verdict"] == "unproven"
    assert [gap["code"] for gap in facts["gaps"]] == ["match-ambiguous"]
    assert facts["paths"]["main"]["length_m"] is None


def test_one_of_two_ducts_out_of_reach(tmp_path: Path) -> None:
    """D2 and D3 lie 3 m apart; C is drawn on D2, and D3 is more than 2 m away: no question."""
    plant = two_ducts(apart_m=3.0)
    plant.cable("C", "A", (100, 1.5), (200, 1.5), "B")
    network = tied(plant, tmp_path)
    assert followed(network) == ["D1", "D2", "D4"]
    assert codes(network) == []


def test_a_parallel_duct_that_leads_elsewhere_is_no_candidate(tmp_path: Path) -> None:
    """Span E hangs 1 m beside duct D2, from pole Q1 to pole Q2, which no duct passes."""
    plant = two_ducts()
    plant.rows["segments"] = [row for row in plant.rows["segments"] if row["id"] != "D3"]
    plant.nodes("pole", Q1=(120, -1), Q2=(180, -1))
    plant.segment("E", "span", "Q1", "Q2")
    plant.cable("C", "A", "P1", "P2", "B")
    network = tied(plant, tmp_path)
    assert followed(network) == ["D1", "D2", "D4"]
    assert codes(network) == []


def test_two_whole_lines_side_by_side(tmp_path: Path) -> None:
    """Two pit rows 1.2 m apart share only the sites: which of them C is in is open all along.

    A hand count: every chain is A - P1 - P2 - B or A - Q1 - Q2 - B.
    """
    plant = DrawnPlant((0, 0), (300, 0))
    for row, y in (("P", 0.6), ("Q", -0.6)):
        plant.node(f"{row}1", 100, y, kind="pit" if row == "P" else "entry")
        plant.node(f"{row}2", 200, y, kind="pit" if row == "P" else "entry")
        ends = ["A", f"{row}1", f"{row}2", "B"]
        for number, (a, b) in enumerate(pairwise(ends), start=1):
            plant.segment(f"{row}-{number}", "duct", a, b, a=a, b=b)
    plant.cable("C", "A", "B")
    network = tied(plant, tmp_path)
    (gap,) = [gap for gap in network.gaps if gap.asset == "C"]
    assert gap.code == "match-ambiguous"
    assert followed(network) == []
    assert set(network.matched["segment"]) == {f"{row}-{n}" for row in "PQ" for n in (1, 2, 3)}


def test_drawn_ten_metres_off(tmp_path: Path) -> None:
    """Nothing lies within 2 m: one gap over the whole length, with the nearest segment at 10 m."""
    plant = overhead()
    plant.cable("C", (0, 10), (300, 30), (600, 50), (900, 30), (1200, 10))
    network = tied(plant, tmp_path)
    (gap,) = network.gaps
    assert gap.code == "match-uncovered"
    assert gap.assets == ("C",)
    assert f"from 0.0 m to {told(1202.66)} m ({told(1202.66)} m)" in gap.message
    assert "S2, 10.0 m" in gap.message or "S3, 10.0 m" in gap.message
    assert followed(network) == []


def test_a_missing_middle_segment(tmp_path: Path) -> None:
    """S2 is not on record: S1, S3 and S4 are followed, the 300.7 m between T1 and T2 are open."""
    plant = overhead()
    plant.rows["segments"] = [row for row in plant.rows["segments"] if row["id"] != "S2"]
    plant.cable("C", "A", "T1", "T2", "T3", "B")
    network = tied(plant, tmp_path)
    (gap,) = network.gaps
    assert gap.code == "match-uncovered"
    assert f"from {told(300.67)} m to {told(601.33)} m ({told(300.67)} m)" in gap.message
    assert followed(network) == ["S1", "S3", "S4"]
    assert np.isnan(network.lengths.go_m).all()


def test_ends_that_meet_nothing_in_common(tmp_path: Path) -> None:
    """S2 and S3 end on two towers 1 m apart: C cannot pass from one to the other on record."""
    plant = DrawnPlant((0, 0), (600, 0))
    plant.node("T1", 299.5, 0, kind="tower")
    plant.node("T2", 300.5, 0, kind="pole")
    plant.segment("S1", "span", "A", "T1", b="T1")
    plant.segment("S2", "span", "T2", "B", a="T2")
    plant.cable("C", "A", "B")
    network = tied(plant, tmp_path)
    mine = [gap for gap in network.gaps if gap.asset == "C"]
    assert [gap.code for gap in mine] == ["cable-broken"]
    assert "S1 and S2" in mine[0].message
    assert followed(network) == ["S1", "S2"]


def test_drawn_beyond_the_last_segment(tmp_path: Path) -> None:
    """C goes on for 250 m past T3, where no segment is: open from 901.3 m to the end."""
    plant = overhead()
    plant.rows["segments"] = [row for row in plant.rows["segments"] if row["id"] != "S4"]
    plant.cable("C", "A", "T1", "T2", "T3", (1150, 20))
    network = tied(plant, tmp_path)
    (gap,) = [gap for gap in network.gaps if gap.asset == "C"]
    assert gap.code == "match-uncovered"
    assert f"from {told(902)} m to {told(1152)} m ({told(250)} m)" in gap.message
    assert followed(network) == ["S1", "S2", "S3"]


def test_crossing_segments_are_not_followed(tmp_path: Path) -> None:
    """A duct under a span at right angles is near it, but nowhere along it."""
    plant = overhead()
    plant.nodes("pit", P=(450, -200), Q=(450, 200))
    plant.segment("X", "duct", "P", "Q")
    plant.cable("C", "A", "T1", "T2", "T3", "B")
    network = tied(plant, tmp_path)
    assert followed(network) == ["S1", "S2", "S3", "S4"]
    assert codes(network) == []


# -- the leash


def brute_follows(course: np.ndarray, line: np.ndarray, reach: float, step: float) -> bool:
    """Whole line against whole course, both sampled: the discrete Fréchet distance."""

    def sample(points: np.ndarray) -> np.ndarray:
        found = [points[:1]]
        for a, b in pairwise(points):
            count = max(1, math.ceil(float(np.hypot(*(b - a))) / step))
            found.append(a + (b - a) * np.linspace(0, 1, count + 1)[1:, None])
        return np.vstack(found)

    p, q = sample(course), sample(line)
    near = np.hypot(p[:, None, 0] - q[:, 0], p[:, None, 1] - q[:, 1]) <= reach
    reached = np.zeros_like(near)
    for i in range(len(p)):
        for j in range(len(q)):
            before = i == j == 0 or (
                (i > 0 and reached[i - 1, j])
                or (j > 0 and reached[i, j - 1])
                or (i > 0 and j > 0 and reached[i - 1, j - 1])
            )
            reached[i, j] = near[i, j] and before
    return bool(reached[-1, -1])


coordinates = st.integers(-6, 6).map(lambda value: value / 2)


@settings(derandomize=True, deadline=None, max_examples=150)
@given(
    st.lists(coordinates, min_size=2, max_size=5),
    st.lists(coordinates, min_size=2, max_size=5),
    st.sampled_from([1.0, 2.0, 3.0]),
)
def test_the_leash_agrees_with_dense_sampling(
    up: list[float], other: list[float], reach: float
) -> None:
    """Two lines over 12 m, both ends of both within reach: follows() says what sampling says.

    Sampled every `step`, the discrete distance is at most `step` above the true one,
    so that the two may only differ within that much of the limit.
    """
    step = 0.1
    course = np.column_stack([np.linspace(0, 12, len(up)), up])
    line = np.column_stack([np.linspace(0, 12, len(other)), other])
    if max(np.hypot(*(course[0] - line[0])), np.hypot(*(course[-1] - line[-1]))) > reach:
        return
    drawn = Course(shapely.LineString(course), Plane(0.0, 0.0))
    near = near_points(drawn, line[[0, -1]], np.full(2, reach))
    begin = next(k for k in range(len(near.which)) if near.which[k] == 0 and near.low[k] == 0)
    end = next(
        k
        for k in range(len(near.which))
        if near.which[k] == 1 and near.high[k] >= drawn.length_m - 1e-9
    )
    found = follows(
        drawn,
        line.tolist(),
        (0.0, float(near.high[begin])),
        (float(near.low[end]), float(near.high[end])),
        reach,
    )
    # The course may be left and joined anywhere near the line's ends: so may the samples.
    if brute_follows(course, line, reach, step):
        assert found
    if not found:
        assert not brute_follows(course, line, reach - step, step)


# -- chains at random


def random_chain(plant: DrawnPlant, rng: random.Random, name: str, at: Place) -> list[str]:
    """Draw a chain of ducts and a cable along it; returns what the cable must follow.

    Pits stand 20 m to 200 m apart, ducts have bends, some are recorded against the
    cable, and at every pit a branch goes off at right angles. Each vertex of the drawn
    cable is off by less than the tolerance of 2 m; more vertices are put in between.
    """
    heading = rng.uniform(0, 2 * math.pi)
    route = [at]
    expected = []
    plant.node(f"{name}-P0", *at)
    for number in range(1, rng.randint(2, 9)):
        line = [route[-1]]
        off = heading + rng.choice((-1, 1)) * math.pi / 2
        far = (line[0][0] + 400 * math.cos(off), line[0][1] + 400 * math.sin(off))
        plant.node(f"{name}-Q{number}", *far)
        plant.segment(f"{name}-B{number}", "duct", line[0], far)
        for _ in range(rng.randint(1, 3)):
            heading += rng.uniform(-0.6, 0.6)
            length = rng.uniform(20, 70)
            x, y = line[-1]
            line.append((x + length * math.cos(heading), y + length * math.sin(heading)))
        route += line[1:]
        plant.node(f"{name}-P{number}", *line[-1])
        against = rng.random() < 0.4
        plant.segment(f"{name}-D{number}", "duct", *(line[::-1] if against else line))
        expected.append(("-" if against else "") + f"{name}-D{number}")
    drawn = [route[0]]
    for (x0, y0), (x1, y1) in pairwise(route):
        if rng.random() < 0.5:
            share = rng.uniform(0.3, 0.7)
            drawn.append((x0 + share * (x1 - x0), y0 + share * (y1 - y0)))
        drawn.append((x1, y1))
    moved = []
    for x, y in drawn:
        radius, angle = rng.uniform(0, 1.9), rng.uniform(0, 2 * math.pi)
        moved.append((x + radius * math.cos(angle), y + radius * math.sin(angle)))
    plant.cable(name, *moved)
    return expected


@settings(derandomize=True, deadline=None, max_examples=6)
@given(st.integers(0, 10**6))
def test_cables_drawn_along_random_chains(seed: int) -> None:
    """Twenty chains, 5 km from each other, each with a cable drawn along it: it is the match."""
    rng = random.Random(seed)
    plant = DrawnPlant((0, -5000), (100, -5000))
    expected = {
        f"C{number}": random_chain(plant, rng, f"C{number}", (0, 5000 * number))
        for number in range(20)
    }
    with tempfile.TemporaryDirectory() as folder:
        network = tied(plant, Path(folder))
    assert {name: followed(network, name) for name in expected} == expected
    assert [gap for gap in network.gaps if gap.asset in expected] == []
