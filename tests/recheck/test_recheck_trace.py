"""Links traced port to port by recheck alone: its own walk, and the evidence held against it."""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest

import waysapart as wa
from everyday import some
from evidence_mutator import Proved, Score, mutate
from splice_troubles import troubled_plant
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


def test_the_first_of_two_places_is_taken_and_told(tmp_path: Path) -> None:
    """C2 goes P1 - P2 - P1 - P2 - B: it passes P2 twice, and a cut there is at the first place."""
    plant = TracedPlant()
    for seq, segment in enumerate(("D2", "D2", "D2", "D3"), start=1):
        plant.rows["cable_runs"].append({"cable": "C2", "seq": seq + 10, "segment": segment})
    plant.rows["cable_runs"] = [
        row for row in plant.rows["cable_runs"] if row["cable"] != "C2" or row["seq"] > 10
    ]
    found, gaps = traces(plant, tmp_path)
    _, second, third = (run for run in found["L1"].go.rows("fibre"))  # type: ignore[union-attr]
    assert [(run.begin, run.end) for run in (second, third)] == [(0.0, 1.0), (1.0, 4.0)]
    assert [(gap.code, gap.about, gap.links) for gap in gaps] == [("splice-side", "J2", ("L1",))]


def test_a_cable_without_a_course_is_taken_to_lie_between_its_two_places(tmp_path: Path) -> None:
    """C1 has no runs: its places are A, where it ends on PA, and P1, where J1 is."""
    plant = TracedPlant()
    plant.without("cable_runs", cable="C1")
    found, gaps = traces(plant, tmp_path)
    assert short(found["L1"]).startswith("RA/TX ~K-A~ PA/1 [C1 1] None-C1.1-None xJ1 P1-C2.3-P2")
    assert not gaps


def test_connections_inside_are_tried_for_the_one_that_leads_there(tmp_path: Path) -> None:
    """A filter before PB 1 has three ways; the second in the order of names leads to RB.

    Its inner connections are no cords; their loss counts, and their ports are mated pairs.
    """
    plant = TracedPlant()
    plant.machine("FB", "B", "filter")
    for leaf, loss in (("x1", 0.9), ("x2", 0.8), ("x3", 0.7)):
        plant.patch("FB", "COM", "FB", leaf, id=f"I-{leaf}", loss_db=loss)
    plant.without("patches", id="K-B")
    plant.patch("PB", "1", "FB", "COM", id="K-F")
    plant.patch("FB", "x2", "RB", "RX", id="K-G")
    plant.patch("PB", "2", "RB", "TX", id="K-H", loss_db=0.1)
    found, gaps = traces(plant, tmp_path)
    assert short(found["L1"]).endswith("[C2 3] PB/1 ~K-F~ FB/COM =I-x2= FB/x2 ~K-G~ RB/RX")
    link = found["L1"].link
    assert (link["connectors"], link["via"]) == (4.0, ["PA", "PB", "FB"])
    assert not {"I-x1", "I-x2"} & set(link["relies_on"])
    assert link["loss_db"] == pytest.approx(0.82)  # the end of C2 3 and I-x2
    assert not gaps


# Against the prover: every trap by its name


def _open_splice(plant: TracedPlant) -> None:
    plant.without("splices", a_fibre=1)


def _no_cord(plant: TracedPlant) -> None:
    plant.without("patches", id="K-A")


def _crossed(plant: TracedPlant) -> None:
    for row in plant.rows["splices"][:2]:
        row["b_fibre"] = 7 - row["b_fibre"]
    plant.without("splices", joint="J2")


def _round(plant: TracedPlant) -> None:
    """Fibres 5 and 6 of C1 joined at P1, and through a filter at A: the light comes back."""
    plant.machine("FA", "A", "filter")
    plant.without("patches", id="K-A")
    plant.patch("RA", "TX;RX", ["FA", "PA"][0], "1;9", id="K-A")
    for leaf in ("1", "2"):
        plant.patch("FA", "COM", "FA", leaf, id=f"I-{leaf}")
    plant.patch("FA", "COM", "PA", "5", id="K-5")
    plant.patch("FA", "2", "PA", "6", id="K-6")
    plant.end("C1", 5, "PA", "5")
    plant.end("C1", 6, "PA", "6")
    plant.splice("J1", "C1", 5, "C1", 6)


def _spliced_twice(plant: TracedPlant) -> None:
    plant.splice("J1", "C1", 1, "C2", 9)


def _ended_twice(plant: TracedPlant) -> None:
    plant.end("C2", 4, "PB", "9")


def _two_on_a_port(plant: TracedPlant) -> None:
    plant.end("C2", 8, "PB", "1")


def _two_at_the_end(plant: TracedPlant) -> None:
    """Two cords on the port of RB that receives: the light may come from either."""
    plant.patch("PB", "20", "RB", "RX", id="K-2")


def _uneven(plant: TracedPlant) -> None:
    plant.link("L1")["b_port"] = "RX"


def _uneven_cord(plant: TracedPlant) -> None:
    plant.rows["patches"][0]["b_port"] = "1;2;3"


def _off_cable(plant: TracedPlant) -> None:
    plant.rows["joints"][0]["cables"] = "C2"


def _no_side(plant: TracedPlant) -> None:
    plant.splice("J2", "C2", 4, "C2", 5)


def _beyond(plant: TracedPlant) -> None:
    next(row for row in plant.rows["cables"] if row["id"] == "C2")["fibre_count"] = 3


def _far_cord(plant: TracedPlant) -> None:
    plant.without("patches", id="K-A")
    plant.patch("RA", "TX;RX", "PB", "1;2", id="K-A")
    plant.without("patches", id="K-B")
    plant.patch("RB", "RX;TX", "PA", "1;2", id="K-B")


def _to_nothing(plant: TracedPlant) -> None:
    plant.patch("PA", "30", "PB", "31", id="K-N")


def _two_types(plant: TracedPlant) -> None:
    next(row for row in plant.rows["cables"] if row["id"] == "C1")["fibre_type"] = "G.655"
    plant.rows["splices"][0]["loss_db"] = ""


def _runs_differ(plant: TracedPlant) -> None:
    plant.rows["link_runs"] += [
        {"link": "L1", "seq": 1, "cable": "C1", "fibres": "1;2"},
        {"link": "L1", "seq": 2, "cable": "C2", "fibres": "4;5"},
    ]


def _shared_port(plant: TracedPlant) -> None:
    plant.machine("MA", "A", "multiplexer")
    plant.patch("RA", "9", "MA", "1", id="K-M")
    for name in ("L8", "L9"):
        ends = {"a": "RA", "b": "MA", "a_port": "9", "b_port": "1"}
        plant.rows["links"].append({"id": name, **ends, "wavelength_nm": 1310})


Trap = Callable[[TracedPlant], None]
TRAPS: list[tuple[Trap, str]] = [
    (_open_splice, "trace-stops"),
    (_no_side, "splice-side"),
    (_no_cord, "trace-stops"),
    (_two_on_a_port, "port-twice"),
    (_crossed, "trace-crossed"),
    (_spliced_twice, "end-twice"),
    (_round, "trace-loop"),
    (_ended_twice, "end-twice"),
    (_two_at_the_end, "port-twice"),
    (_runs_differ, "runs-differ"),
    (_uneven, "ports-uneven"),
    (_uneven_cord, "ports-uneven"),
    (_off_cable, "splice-off-cable"),
    (_beyond, "fibre-beyond"),
    (_far_cord, "cord-between-sites"),
    (_to_nothing, "cord-to-nothing"),
    (_two_types, "splice-types"),
    (_shared_port, "port-shared"),
]


def _strike(facts: dict[str, Any], code: str) -> dict[str, Any]:
    """The evidence without the gaps of a code, and apart where nothing else stands against it."""
    forged = deepcopy(facts)
    forged["gaps"] = [gap for gap in forged["gaps"] if gap["code"] != code]
    forged["summary"]["gaps"] = sum(gap["count"] for gap in forged["gaps"])
    for one in forged["circuits"]:
        one["gaps"] = [gap for gap in one["gaps"] if gap["code"] != code]
        if one["verdict"] == "unproven" and not one["gaps"]:
            one["verdict"] = "apart"
            forged["summary"]["unproven"] -= 1
            forged["summary"]["apart"] += 1
            forged["evidence"]["verdicts"][0]["verdict"] = "apart"
    return forged


@pytest.mark.parametrize(
    ("trap", "code"), some(TRAPS, every=10), ids=[one.__name__[1:] for one, _ in TRAPS]
)
def test_a_trap_is_found_as_proved_and_not_struck_out(
    trap: Trap, code: str, tmp_path: Path
) -> None:
    """What `prove` says of the plant is confirmed; without the gap of the trap it is false."""
    plant = TracedPlant()
    trap(plant)
    proved = Proved.of("trap", plant.folder(tmp_path))
    assert code in {gap["code"] for gap in proved.facts["gaps"]}
    assert proved.told(proved.facts) == []
    said = proved.told(_strike(proved.facts, code))
    assert any(f"the gap {code} of" in one and "not told" in one for one in said)


# Forged evidence


def _steps(facts: dict[str, Any], direction: str = "go") -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = facts["links"][0]["trace"][direction]
    return found


def _less_loss(facts: dict[str, Any]) -> None:
    next(step for step in _steps(facts) if step["is"] == "splice")["loss_db"] = 0.01


def _less_loss_in_all(facts: dict[str, Any]) -> None:
    """The loss of a splice as well as that of all splices, of the link and of its path."""
    _less_loss(facts)
    loss = facts["links"][0]["loss"]
    loss["terms"]["splices_db"] = round(loss["terms"]["splices_db"] - 0.04, 4)
    for term in ("loss_db", "loss_at_least_db", "mean_db"):
        loss[term] = None if loss[term] is None else round(loss[term] - 0.04, 4)


def _step_dropped(facts: dict[str, Any]) -> None:
    steps = _steps(facts)
    steps.remove(next(step for step in steps if step.get("joint") == "J2"))


def _other_fibre(facts: dict[str, Any]) -> None:
    next(step for step in _steps(facts) if step["is"] == "fibre")["fibre"] = 7


def _no_return(facts: dict[str, Any]) -> None:
    del facts["links"][0]["trace"]["return"]


def _no_trace(facts: dict[str, Any]) -> None:
    del facts["links"][0]["trace"]


def _a_trace_more(facts: dict[str, Any]) -> None:
    facts["links"][1]["trace"] = deepcopy(facts["links"][0]["trace"])


def _stopped(facts: dict[str, Any]) -> None:
    _steps(facts).insert(4, {"is": "stop", "code": "trace-stops", "text": "it stops"})


def _elsewhere(facts: dict[str, Any]) -> None:
    next(step for step in _steps(facts) if step["is"] == "fibre")["to"] = "P2"


FORGERIES = [
    *(_less_loss, _step_dropped, _less_loss_in_all, _no_trace, _other_fibre, _no_return),
    *(_a_trace_more, _stopped, _elsewhere),
]


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Proved:
    """The plant as it is drawn, proved apart."""
    proved = Proved.of("traced", TracedPlant().folder(tmp_path_factory.mktemp("traced")))
    assert proved.facts["circuits"][0]["verdict"] == "apart"
    assert proved.told(proved.facts) == []
    return proved


@pytest.mark.parametrize("forge", FORGERIES, ids=lambda one: one.__name__[1:])
def test_a_forged_trace_is_told(forge: Callable[[dict[str, Any]], None], sound: Proved) -> None:
    forged = deepcopy(sound.facts)
    forge(forged)
    assert any(one.startswith("link L") for one in sound.told(forged))


def test_every_change_of_a_step_is_told(sound: Proved) -> None:
    """Each number, id and element of each step, changed by itself."""
    score = Score()
    mutate(sound, 1, 1, score, lambda path: path.startswith("links[].trace"))
    assert sum(score.made.values()) > 40
    assert not score.untold


def test_a_stop_that_is_struck_out_is_told(tmp_path: Path) -> None:
    """The trace goes on as if fibre 1 were spliced, and the gap is gone."""
    plant = TracedPlant()
    _open_splice(plant)
    proved = Proved.of("open", plant.folder(tmp_path))
    forged = _strike(proved.facts, "trace-stops")
    place = next(n for n, step in enumerate(_steps(forged)) if step["is"] == "stop")
    _steps(forged)[place] = {"is": "splice", "joint": "J1", "tray": "2", "loss_db": 0.05}
    assert forged["circuits"][0]["verdict"] == "apart"
    said = proved.told(forged)
    assert any(one.startswith("link L1: trace") for one in said)
    assert any("trace-stops of L1 is not told" in one for one in said)


def test_events_are_no_measurements_of_the_whole(tmp_path: Path) -> None:
    """An event of 9 dB at 100 m, and one in J1, say nothing of the loss of C1."""
    plant = TracedPlant()
    plant.rows["measurements"] += [
        {"cable": "C1", "wavelength_nm": 1310, "loss_db": 9, "at_m": 100, "joint": ""},
        {"cable": "C1", "wavelength_nm": 1310, "loss_db": 8, "at_m": "", "joint": "J1"},
    ]
    proved = Proved.of("events", plant.folder(tmp_path))
    assert proved.told(proved.facts) == []
    assert proved.facts["gaps"] == []


def test_a_cord_of_a_tail_is_part_of_it(tmp_path: Path) -> None:
    """Both paths go over one cord from RA to the multiplexer MA, in whose tray it lies."""
    plant = TracedPlant()
    plant.machine("MA", "A", "multiplexer")
    plant.rows["holders"].append({"id": "TR", "kind": "tray", "within": "A"})
    plant.patch("RA", "T", "MA", "R", id="K-T", within="TR")
    plant.rows["patches"][0]["a"] = "MA"
    for row in plant.rows["links"]:
        row["a"] = "MA"
    ends = {"a": "RA", "b": "MA", "a_port": "T", "b_port": "R"}
    plant.rows["links"].append({"id": "LT", **ends, "wavelength_nm": 1310})
    for row in plant.rows["circuit_paths"]:
        row["seq"] = 2
    for path in ("main", "alternate"):
        row = {"circuit": "K", "path": path, "seq": 1, "link": "LT"}
        plant.rows["circuit_paths"].append(row)
    proved = Proved.of("tail", plant.folder(tmp_path))
    (circuit,) = proved.facts["circuits"]
    assert {"K-T", "TR", "MA"} <= set(circuit["tail"])
    assert circuit["shared"] == []
    assert proved.told(proved.facts) == []


# Random plants with random troubles


def _joined_alike(network: wa.Network, found: dict[str, Traced]) -> list[str]:
    """Links whose rows follow otherwise from their traces here than there."""
    links = network.study.tables["links"].set_index("id")
    runs = network.study.tables["link_runs"]
    unlike = []
    for name, one in found.items():
        via, relied = (
            set(str(cell).split(";")) - {"nan"} for cell in links.loc[name, ["via", "relies_on"]]
        )
        mine = {(run["cable"], run["fibres"], run["direction"]) for run in one.rows}
        rows = runs[runs["link"] == name][["cable", "fibres", "direction"]].to_numpy(dtype=object)
        theirs = {tuple(cell if isinstance(cell, str) else None for cell in row) for row in rows}
        stated = set(one.link["via"] or ()), set(one.link["relies_on"] or ())
        if mine != theirs or stated != (via, relied):
            unlike.append(name)
    return unlike


@pytest.mark.parametrize("first", some(range(0, 320, 2), every=160))
def test_random_plants_are_traced_alike(first: int, tmp_path: Path) -> None:
    """Sound evidence of plants with faults of every kind is confirmed, and tied the same."""
    for seed in range(first, first + 2):
        folder = troubled_plant(seed).plant.write(tmp_path / str(seed))
        proved = Proved.of(str(seed), folder)
        assert proved.told(proved.facts) == [], seed
        found, _ = trace_links(follow_cables(survey(read_records(folder)), [], set()))
        assert _joined_alike(wa.tie(wa.read_study(folder)), found) == [], seed
