"""Links traced port to port by recheck alone: its own walk, and the evidence held against it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from traced_plant import TracedPlant
from waysapart.recheck.faulty_rows import Gap, settle, typed
from waysapart.recheck.plant import follow_cables, survey
from waysapart.recheck.records import cut, kept, laid_over, read_records
from waysapart.recheck.traced import Traced, trace_links
from waysapart.schema import ROLES

Rows = dict[str, list[dict[str, Any]]]


def traces(plant: TracedPlant, folder: Path) -> tuple[dict[str, Traced], list[Gap]]:
    """What recheck traces of a plant, and the gaps of it."""
    ground = survey(read_records(plant.folder(folder)))
    return trace_links(follow_cables(ground, [], set()))


def short(trace: Traced, direction: str = "go") -> str:
    """The steps of a trace in one line."""
    told = trace.told
    assert told is not None
    return " ".join(_short(step) for step in told[direction])


def _short(step: dict[str, Any]) -> str:
    words = {
        "port": "{at}/{port}",
        "cord": "~{id}~",
        "inner": "={id}=",
        "end": "[{cable} {fibre}]",
        "fibre": "{from}-{cable}.{fibre}-{to}",
        "splice": "x{joint}",
        "stop": "!{code}!",
    }
    return words[str(step["is"])].format(**step)


def codes(gaps: list[Gap]) -> list[str]:
    return sorted(gap.code for gap in gaps)


# Rows


def rows_of(**given: list[dict[str, Any]]) -> Rows:
    """Rows as the reader makes them of cells, by role."""
    return {role: [typed(role, row, {}) for row in given.get(role, [])] for role in ROLES}


SPLICE = {"joint": "J", "a_cable": "C1", "a_fibre": 1, "b_cable": "C2", "b_fibre": 7}
END = {"cable": "C1", "fibre": 1, "equipment": "P", "port": "1"}


@pytest.mark.parametrize(
    ("new", "stays"),
    [
        ({**SPLICE, "b_fibre": 8}, False),
        ({**SPLICE, "a_cable": "C2", "a_fibre": 7, "b_cable": "C3", "b_fibre": 1}, False),
        ({**SPLICE, "a_fibre": 2, "b_fibre": 8}, True),
        ({**SPLICE, "joint": "J9"}, True),
    ],
    ids=["its first fibre", "its second fibre, as the first", "other fibres", "another joint"],
)
def test_a_proposal_takes_a_splice_away_where_it_splices_a_fibre_of_it(
    new: dict[str, Any], stays: bool
) -> None:
    """The base joins C1 1 to C2 7 in J. A row of the proposal in J that names either fibre, on
    whichever side, takes that splice away; one that names neither, or another joint, does not."""
    laid = laid_over(rows_of(splices=[SPLICE]), rows_of(splices=[new]))
    assert len(laid["splices"]) == 1 + stays


@pytest.mark.parametrize(
    ("new", "stays"),
    [
        ({**END, "port": "2"}, False),
        ({**END, "fibre": 2}, False),
        ({**END, "fibre": 2, "port": "2"}, True),
        ({**END, "equipment": "Q"}, True),
    ],
    ids=["its fibre", "its port", "neither", "another panel"],
)
def test_a_proposal_takes_a_termination_away_where_it_takes_its_fibre_or_its_port(
    new: dict[str, Any], stays: bool
) -> None:
    laid = laid_over(rows_of(terminations=[END]), rows_of(terminations=[new]))
    assert len(laid["terminations"]) == 1 + stays


def test_splices_and_ends_go_with_what_they_belong_to() -> None:
    """Removing a joint, a cable or a panel removes its splices and terminations without a gap; a
    row of the proposal that names what is gone is left out, and its owner is told."""
    splices = rows_of(splices=[SPLICE])["splices"]
    ends = rows_of(terminations=[END])["terminations"]
    assert [kept("splices", splices, {gone}) for gone in ("J", "C1", "C2")] == [[], [], []]
    assert [kept("terminations", ends, {gone}) for gone in ("P", "C1")] == [[], []]
    rows = rows_of(splices=[SPLICE], terminations=[END])
    assert sorted(cut(rows, {"C1"})) == [
        ("splices", "J", "a_cable"),
        ("terminations", "P", "cable"),
    ]
    assert (rows["splices"], rows["terminations"]) == ([], [])


def cords(*patches: dict[str, Any]) -> tuple[Rows, list[str]]:
    equipment = [{"id": one, "site": "A", "kind": "panel"} for one in ("P", "Q")]
    rows = rows_of(patches=list(patches), equipment=equipment, sites=[{"id": "A"}])
    rules: dict[str, Any] = {"fibres": {}, "services": {}}
    gaps = settle(rows, rules, 2.0, set())
    return rows, [gap.code for gap in gaps if gap.about.startswith("K")]


CORD = {"id": "K", "a": "P", "a_port": "1", "b": "Q", "b_port": "5"}


def test_patches_of_one_id_are_the_fibres_of_one_cord() -> None:
    """The second row joins the same panels, written the other way round: its ports are turned."""
    rows, told = cords(CORD, {"id": "K", "a": "Q", "a_port": "6", "b": "P", "b_port": "2"})
    mine = rows["patches"]
    assert [(one["a_port"], one["b_port"]) for one in mine] == [(["1", "2"], ["5", "6"])]
    assert not told


def test_what_a_further_row_of_a_cord_says_is_kept() -> None:
    """The first row has no length and a length that is not a number in the second is told."""
    rows, told = cords(CORD, {**CORD, "a_port": "2", "b_port": "6", "length_m": 4})
    assert ([one["length_m"] for one in rows["patches"]], told) == ([4.0], [])
    rows, told = cords(CORD, {**CORD, "a_port": "2", "b_port": "6", "length_m": "long"})
    assert told == ["unreadable-figure"]


def test_a_further_row_that_contradicts_the_cord_is_another_with_its_id() -> None:
    rows, told = cords({**CORD, "length_m": 3}, {**CORD, "a_port": "2", "length_m": 4})
    assert [one["id"] for one in rows["patches"]] == ["K", "K (2)"]
    assert told == ["duplicate-id"]


# The walk


def test_a_link_is_traced_fibre_by_fibre(tmp_path: Path) -> None:
    """Go over fibre 1 of C1 and 3 of C2, which J2 cuts; return over 2 and 4, which go on there.

    Both run over the same stretches, so that there is one row a stretch. Two ports lie between the
    ends. Cords: 8 m and a default of 5 m at 0.005 us a metre; losses of K-B 0.03 and of the end of
    C2 3 0.02 dB.
    """
    found, gaps = traces(TracedPlant(), tmp_path)
    one = found["L1"]
    assert short(one) == (
        "RA/TX ~K-A~ PA/1 [C1 1] A-C1.1-P1 xJ1 P1-C2.3-P2 xJ2 P2-C2.3-B [C2 3] PB/1 ~K-B~ RB/RX"
    )
    assert short(one, "return") == (
        "RA/RX ~K-A~ PA/2 [C1 2] A-C1.2-P1 xJ1 P1-C2.4-B [C2 4] PB/2 ~K-B~ RB/TX"
    )
    assert [(row["cable"], row["fibres"], row["from"], row["to"]) for row in one.rows] == [
        ("C1", "1;2", "A", "P1"),
        ("C2", "3;4", "P1", "B"),
    ]
    link = one.link
    assert (link["via"], link["connectors"]) == (["PA", "PB"], 2)
    assert link["relies_on"] == ["K-A", "K-B", "J1", "J2"]
    assert link["loss_db"] == pytest.approx(0.05)
    assert link["extra_delay_us"] == pytest.approx(0.065)
    assert [place for place, _ in one.splices("go")] == [None, 1]
    assert not gaps


def test_a_fibre_without_a_splice_ends_the_trace(tmp_path: Path) -> None:
    """Fibre 1 of C1 is open in J1: from b the trace comes back as far as the other side of it."""
    plant = TracedPlant()
    plant.without("splices", a_fibre=1)
    found, gaps = traces(plant, tmp_path)
    assert short(found["L1"]) == (
        "RA/TX ~K-A~ PA/1 [C1 1] A-C1.1-P1 !trace-stops! "
        "P1-C2.3-P2 xJ2 P2-C2.3-B [C2 3] PB/1 ~K-B~ RB/RX"
    )
    assert [(gap.code, gap.links) for gap in gaps] == [("trace-stops", ("L1",))]
    assert found["L1"].failed
