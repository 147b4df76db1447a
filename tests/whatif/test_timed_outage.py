"""Outages that last some hours: batteries that last as long bridge them, others do not."""

from __future__ import annotations

from pathlib import Path

import pytest

import waysapart as wa
from commands import run
from dig_plant import two_ways
from drawn_plant import DrawnPlant
from waysapart.errors import CallError


def _plant(autonomy_h: object) -> DrawnPlant:
    """Relay RA is fed by battery BAT alone, which needs charger CHG."""
    plant = two_ways()
    for row in plant.rows["equipment"]:
        if row["id"] == "RA":
            row["supplies"] = "BAT"
    plant.rows["holders"].append({"id": "CHG", "kind": "charger", "within": "-"})
    battery = {"id": "BAT", "site": "A", "within": "-", "needs": "CHG", "autonomy_h": autonomy_h}
    plant.rows["supplies"].append(battery)
    return plant


@pytest.mark.parametrize(
    ("autonomy_h", "hours", "state"),
    [
        (8, None, "lost"),
        (8, 4, "untouched"),
        (8, 8, "untouched"),
        (8, 8.5, "lost"),
        ("", 1, "lost"),
    ],
)
def test_a_battery_bridges_as_long_as_it_lasts(
    tmp_path: Path, autonomy_h: object, hours: float | None, state: str
) -> None:
    """The charger is out. An autonomy that nobody recorded bridges nothing."""
    study = _plant(autonomy_h).read(tmp_path)
    works = wa.outage(study, assets=["CHG"], hours=hours)
    (circuit,) = works.facts()["circuits"]
    assert circuit["state"] == state
    riding = [one["asset"] for one in works.facts()["on_battery"]]
    assert riding == (["BAT"] if state == "untouched" else [])


def test_a_battery_that_is_hit_bridges_nothing(tmp_path: Path) -> None:
    study = _plant(8).read(tmp_path)
    works = wa.outage(study, assets=["CHG", "BAT"], hours=1)
    assert works.counts()["lost"] == 1
    assert works.facts()["on_battery"] == []


def test_a_battery_that_is_down_already_does_not_stand_again(tmp_path: Path) -> None:
    """Its charger is out of service now, nobody knows since when."""
    plant = _plant(8)
    plant.settings = 'out = ["CHG"]\n'
    study = plant.read(tmp_path)
    assert wa.outage(study, assets=["P1"], hours=1).facts()["on_battery"] == []


def test_the_command_says_what_bridges(tmp_path: Path) -> None:
    folder = _plant(8).write(tmp_path / "study")
    done = run("outage", folder, "--asset", "CHG", "--hours", "4")
    assert "For 4 h, on battery: BAT (8 h)" in done.stdout
    assert done.exit_code == 0
    page = tmp_path / "notice.html"
    run("outage", folder, "--asset", "CHG", "--hours", "4", "-o", page)
    assert "For 4 h, on battery: BAT (8 h)." in page.read_text(encoding="utf-8")
    done = run("outage", folder, "--asset", "CHG", "--hours", "9")
    assert "For 9 h: no battery on record lasts that long" in done.stdout
    assert done.exit_code == 1


def test_hours_must_be_more_than_none(tmp_path: Path) -> None:
    with pytest.raises(CallError, match="more than 0 h"):
        wa.outage(_plant(8).read(tmp_path), assets=["CHG"], hours=0)
