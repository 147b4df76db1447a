"""Which fibres to re-splice first: working protection circuits, then other links, then spares."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

import waysapart as wa
from commands import run
from spliced_plant import SplicedPlant
from waysapart.report.words import resplice_steps
from waysapart.whatif.resplice import ResplicePlace


def _busy() -> SplicedPlant:
    """J1 holds, besides fibres 1 and 2 of LN (main of K), three pairs in other trays.

    Tray 2: LQ, the alternate of circuit K2, on N1 3 to N2 7, and LO, a link of no circuit, on N1 4
    to N2 8. Tray 0: a spare, N1 9 to N2 9. The main of K2 is LS, on the south.
    """
    plant = SplicedPlant()
    plant.splice("J1", "N1", 9, "N2", 9, tray="0")
    plant.splice("J1", "N1", 4, "N2", 8, tray="2")
    plant.splice("J1", "N1", 3, "N2", 7, tray="2")
    for link, north, south, port in (("LQ", 3, 7, "q"), ("LO", 4, 8, "o")):
        plant.end("N1", north, "FA", f"{port}1")
        plant.end("N2", south, "FB", f"{port}1")
        plant.cord(f"K{port}A", "RA", port, "FA", f"{port}1")
        plant.cord(f"K{port}B", "FB", f"{port}1", "RB", port)
        plant.link(link, port, port)
    plant.rows["circuits"].append({"id": "K2", "a": "RA", "b": "RB", "service": ""})
    for path, link in (("main", "LS"), ("alternate", "LQ")):
        plant.rows["circuit_paths"].append({"circuit": "K2", "path": path, "seq": 1, "link": link})
    return plant


def _places(tmp_path: Path, plant: SplicedPlant, *assets: str) -> list[ResplicePlace]:
    return wa.dig(plant.read(tmp_path / "study"), assets=assets).facts()["resplice"]


def _said(place: Any) -> list[tuple[object, ...]]:
    return [
        (row["carries"], row["circuits"], row["tray"], row["a_fibre"], row["b_fibre"])
        for row in place["splices"]
    ]


def test_a_joint_that_is_hit_begins_with_working_circuits(tmp_path: Path) -> None:
    """LN first though its tray is neither the first nor the last; the spare of tray 0 last."""
    (place,) = _places(tmp_path, _busy(), "J1")
    assert (place["joint"], place["cable"], place["at"]) == ("J1", None, ["P2"])
    assert _said(place) == [
        ("main", ["K"], "1", 1, 5),
        ("main", ["K"], "1", 2, 6),
        ("alternate", ["K2"], "2", 3, 7),
        ("other", [], "2", 4, 8),
        ("spare", [], "0", 9, 9),
    ]
    assert place["splices"][3]["links"] == ["LO"]


def test_a_cable_that_is_cut_has_its_fibres_in_the_same_order(tmp_path: Path) -> None:
    """Duct d2 holds N1 only: its fibres 1 to 4 and 9 are on record, 19 more are not."""
    (place,) = _places(tmp_path, _busy(), "d2")
    assert (place["joint"], place["cable"], place["at"]) == (None, "N1", ["d2"])
    assert [(row["carries"], row["a_fibre"]) for row in place["splices"]] == [
        ("main", 1),
        ("main", 2),
        ("alternate", 3),
        ("other", 4),
        ("spare", 9),
    ]
    assert all(row["a_cable"] == row["b_cable"] == "N1" for row in place["splices"])
    assert place["dark"] == 19


def test_circuits_that_the_works_lose_come_before_those_that_still_run(tmp_path: Path) -> None:
    """S is out of service, so K and K2 are lost with J1; A3, main LO, still runs by radio.

    A3 comes after K, though its name comes first, and before K2, of which J1 holds the alternate.
    """
    plant = _busy()
    plant.rows["links"].append(
        {"id": "LR", "a": "RA", "b": "RB", "medium": "radio", "extra_delay_us": 1}
    )
    plant.rows["circuits"].append({"id": "A3", "a": "RA", "b": "RB", "service": ""})
    for path, link in (("main", "LO"), ("alternate", "LR")):
        plant.rows["circuit_paths"].append({"circuit": "A3", "path": path, "seq": 1, "link": link})
    plant.settings = 'out = ["S"]\n'
    (place,) = _places(tmp_path, plant, "J1")
    assert [row[:2] for row in _said(place)] == [
        ("main", ["K"]),
        ("main", ["K"]),
        ("main", ["A3"]),
        ("alternate", ["K2"]),
        ("spare", []),
    ]


def test_fibres_that_pass_a_hit_joint_uncut_are_cut_too(tmp_path: Path) -> None:
    """J0 stands in P1, through which N1 runs: fibre 9 is spliced in it, all others pass."""
    plant = _busy()
    plant.splice("J0", "N1", 9, "N1", 9, tray="4")
    joint, cable = sorted(_places(tmp_path, plant, "P1"), key=lambda place: place["joint"] is None)
    assert (joint["joint"], [row["tray"] for row in joint["splices"]]) == ("J0", ["4"])
    assert cable["cable"] == "N1"
    assert [row["a_fibre"] for row in cable["splices"]] == [1, 2, 3, 4]


def test_the_most_urgent_place_comes_first(tmp_path: Path) -> None:
    """N2 holds the main of K, S that of K2: both circuits are lost, and K comes first by name."""
    places = _places(tmp_path, _busy(), "e1", "d3")
    assert [place["cable"] for place in places] == ["N2", "S"]


def test_a_link_that_says_no_fibres_is_named(tmp_path: Path) -> None:
    plant = _busy()
    plant.rows["links"].append({"id": "LX", "a": "RA", "b": "RB", "wavelength_nm": 1310})
    plant.rows["link_runs"] += [
        {"link": "LX", "seq": 1, "cable": "N1"},
        {"link": "LX", "seq": 2, "cable": "N2", "fibres": "20"},
    ]
    (place,) = _places(tmp_path, plant, "d2")
    assert place["unsure"] == ["LX"]


def test_without_splices_the_fibres_of_link_runs_are_listed(tmp_path: Path) -> None:
    """Only link_runs are on record; N1 has no fibre_count: how many more there are is unknown."""
    plant = SplicedPlant()
    for role in ("splices", "terminations", "patches"):
        del plant.rows[role]
    for row in plant.rows["links"]:
        del row["a_port"], row["b_port"]
    plant.rows["link_runs"] += [
        {"link": "LN", "seq": 1, "cable": "N1", "fibres": "11;12"},
        {"link": "LN", "seq": 2, "cable": "N2", "fibres": "1;2"},
        {"link": "LS", "seq": 1, "cable": "S", "fibres": "1"},
    ]
    plant.rows["cables"][0]["fibre_count"] = ""
    (place,) = _places(tmp_path, plant, "d2")
    assert _said(place) == [("main", ["K"], None, 11, 11), ("main", ["K"], None, 12, 12)]
    assert place["dark"] is None


@pytest.mark.parametrize("asset", ["RA", "A"])
def test_what_hits_no_joint_and_no_course_needs_no_splice(tmp_path: Path, asset: str) -> None:
    """A relay, and a site at which cables end: panels are hit, no cable between its ends."""
    assert _places(tmp_path, _busy(), asset) == []


def test_the_terminal_prints_the_order(tmp_path: Path) -> None:
    folder = _busy().write(tmp_path / "study")
    lines = [line.strip() for line in run("dig", folder, "--asset", "J1").stdout.splitlines()]
    begin = lines.index("Re-splice in this order:")
    assert lines[begin + 1 : begin + 6] == [
        "joint J1 at P2",
        "main of K: tray 1, N1 1 to N2 5, N1 2 to N2 6",
        "alternate of K2: tray 2, N1 3 to N2 7",
        "link LO: tray 2, N1 4 to N2 8",
        "spare: tray 0, N1 9 to N2 9",
    ]
    lines = [line.strip() for line in run("dig", folder, "--asset", "d2").stdout.splitlines()]
    begin = lines.index("Re-splice in this order:")
    assert lines[begin + 1 : begin + 7] == [
        "cable N1, cut at d2",
        "main of K: fibres 1-2",
        "alternate of K2: fibre 3",
        "link LO: fibre 4",
        "spare: fibre 9",
        "19 fibres with nothing on record",
    ]


def test_fibres_that_count_up_together_are_said_as_one(tmp_path: Path) -> None:
    """Three spares of J1 and the next but one; the pair of LN stays a pair."""
    plant = SplicedPlant()
    for one, other in ((11, 15), (12, 16), (13, 17), (15, 19)):
        plant.splice("J1", "N1", one, "N2", other, tray="2")
    (place,) = _places(tmp_path, plant, "J1")
    assert [step.fibres for step in resplice_steps(place)] == [
        "N1 1 to N2 5, N1 2 to N2 6",
        "N1 11-13 to N2 15-17, N1 15 to N2 19",
    ]


def test_a_cable_of_which_every_fibre_is_spliced_in_the_hit_joint_is_not_told_twice(
    tmp_path: Path,
) -> None:
    """All 24 fibres of N1 are spliced through in J0: with P1 hit, J0 says all there is to do."""
    plant = SplicedPlant()
    for number in range(1, 25):
        plant.splice("J0", "N1", number, "N1", number)
    (place,) = _places(tmp_path, plant, "P1")
    assert (place["joint"], len(place["splices"])) == ("J0", 24)


def test_the_notice_has_the_order_and_escapes_it(tmp_path: Path) -> None:
    plant = _busy()
    for row in plant.rows["splices"]:
        row["tray"] = "<img src=x onerror=alert(1)>"
    works = wa.dig(plant.read(tmp_path / "study"), assets=["J1"])
    text = wa.write_notice(works, tmp_path / "notice.html").read_text(encoding="utf-8")
    assert "Re-splice in this order" in text
    assert "<td>main of K</td>" in text
    assert "<td>N1 1 to N2 5, N1 2 to N2 6</td>" in text
    assert "<img src=x" not in text


def test_a_joint_without_a_splice_on_record_lists_the_fibres_of_its_cables(tmp_path: Path) -> None:
    """With splices on record J1 alone is listed, whether it lists its cables or not."""
    plant = _busy()
    plant.rows["joints"][1]["cables"] = "N1;N2"
    assert [place["joint"] for place in _places(tmp_path, plant, "J1")] == ["J1"]
    del plant.rows["splices"]
    found = _places(tmp_path / "bare", plant, "J1")
    assert [(place["cable"], place["at"]) for place in found] == [("N1", ["J1"]), ("N2", ["J1"])]
    assert [row["a_fibre"] for row in found[0]["splices"]] == [1, 2, 3, 4]
