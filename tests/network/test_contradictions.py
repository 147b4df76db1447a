"""Records that are sound one by one and cannot both be true: each is a gap that names both.

All on the small study: the line West Sands - T1 - T2 - T3 - Marsh Point carries C1, the ducts
D1 to D4 by the pits P1, P2, P3 carry C2. The joint J1 of C2 is in the pit P2.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

import waysapart as wa
from bad_inputs import more, text
from conflicting_studies import add_pits, pit
from proofs import proof_of
from small_study import write_small_study
from waysapart.gaps import Gap

ON = date(2026, 6, 1)


def gaps(folder: Path, *codes: str, on: date = ON) -> list[Gap]:
    network = wa.tie(wa.read_study(folder, on=on))
    return [gap for gap in network.gaps if gap.code in codes]


def small(tmp_path: Path, *mutations: Callable[[Path], None]) -> Path:
    folder = write_small_study(tmp_path / "small")
    for mutate in mutations:
        mutate(folder)
    return folder


def test_a_sound_study_has_no_contradictions(tmp_path: Path) -> None:
    codes = ("joint-off-cable", "site-contradiction", "test-future")
    assert gaps(small(tmp_path), *codes) == []


# Joints


def test_a_joint_that_lists_a_cable_which_never_passes(tmp_path: Path) -> None:
    """P2 lies at (2000, -300), the line at north 200: C1 comes no nearer than 500 m."""
    (gap,) = gaps(small(tmp_path, text("joints.csv", "J1,P2,C2", "J1,P2,C2;C1")), "joint-off-cable")
    assert gap.assets == ("J1", "C1")
    assert "J1 is at P2 and lists cable C1" in gap.message
    assert "no nearer than 500 m" in gap.message
    assert gap.bears_on == "both"
    assert (gap.file, gap.row, gap.column) == ("joints.csv", 2, "cables")


def test_a_joint_forty_kilometres_from_its_cable(tmp_path: Path) -> None:
    """A pit 40 km east of Marsh Point, where nothing runs: 40 km from the end of C2."""
    folder = small(tmp_path, add_pits(pit("PX", 44_000, 0)), text("joints.csv", "J1,P2", "J1,PX"))
    (gap,) = gaps(folder, "joint-off-cable")
    assert gap.assets == ("J1", "C2")
    metres = float(gap.message.split("no nearer than ")[1].split(" m")[0].replace(",", ""))
    assert metres == pytest.approx(40_000, rel=0.001)
    assert proof_of(folder).verdicts[0] == "unproven"


@pytest.mark.parametrize("place", ["WS", "P1", "P2", "P3", "MP"])
def test_a_joint_anywhere_along_its_cable_is_none(place: str, tmp_path: Path) -> None:
    """At both ends of C2, which are sites, and at every pit between."""
    folder = small(tmp_path, text("joints.csv", "J1,P2", f"J1,{place}"))
    assert gaps(folder, "joint-off-cable") == []


def test_a_joint_in_a_pit_on_the_site_where_the_cable_ends_is_none(tmp_path: Path) -> None:
    """The pit is 100 m from the end of C2, and lies within the site at which C2 ends."""
    yard = pit("PX", 4100, 0)
    yard["properties"]["within"] = "MP"
    folder = small(tmp_path, add_pits(yard), text("joints.csv", "J1,P2", "J1,PX"))
    assert gaps(folder, "joint-off-cable") == []


# Sites


@pytest.mark.parametrize(
    ("file", "old", "new", "asset"),
    [
        ("equipment.csv", "R-W,WS,relay,ROOM-W", "R-W,MP,relay,ROOM-W", "R-W"),
        ("supplies.csv", "B-W,WS,ROOM-W", "B-W,MP,ROOM-W", "B-W"),
    ],
)
def test_a_site_that_is_not_the_one_it_lies_within(
    file: str, old: str, new: str, asset: str, tmp_path: Path
) -> None:
    """ROOM-W lies within West Sands; what is in it cannot stand at Marsh Point."""
    (gap,) = gaps(small(tmp_path, text(file, old, new)), "site-contradiction")
    assert gap.assets == (asset,)
    assert "on site MP by its site, and on WS by what it lies within (ROOM-W)" in gap.message
    assert gap.column == "site"


def test_a_room_on_a_site_within_the_site_is_none(tmp_path: Path) -> None:
    """West Sands lies within Marsh Point: what is in its room stands on both."""

    def inside(folder: Path) -> None:
        path = folder / "sites.geojson"
        layer = json.loads(path.read_text())
        for one in layer["features"]:
            if one["properties"]["id"] == "WS":
                one["properties"]["within"] = "MP"
        path.write_text(json.dumps(layer))

    moved = text("equipment.csv", "R-W,WS,relay,ROOM-W", "R-W,MP,relay,ROOM-W")
    assert gaps(small(tmp_path, inside, moved), "site-contradiction") == []


# Tests to come


def test_a_test_dated_after_the_day_of_judgement(tmp_path: Path) -> None:
    """Judged for 1 June 2026, a test of 2 June is still to come; on 2 June it is not."""
    folder = small(tmp_path, more("measurements.csv", "cable,loss_db,date\nC2,2.0,2026-06-02\n"))
    (gap,) = gaps(folder, "test-future")
    assert gap.assets == ("C2",)
    assert "dated 2026-06-02" in gap.message
    assert "judged for 2026-06-01" in gap.message
    assert gap.bears_on == "limits"
    assert gap.limits == ("loss",)
    assert gaps(folder, "test-future", on=date(2026, 6, 2)) == []


def test_a_test_to_come_does_not_count(tmp_path: Path) -> None:
    """It measured 9 km of C2, which is 4.6 km long; the test of 2025 agrees with the record."""
    folder = small(
        tmp_path,
        more("measurements.csv", "link,length_m,date\nL2,4693.9,2025-06-02\nL2,9000,2027-06-02\n"),
    )
    assert gaps(folder, "measured-length") == []
    (gap,) = gaps(folder, "test-future")
    assert gap.links == ("L2",)
    assert gap.limits == ("delay", "asymmetry", "loss")
    assert len(gaps(folder, "measured-length", on=date(2027, 7, 1))) == 1
