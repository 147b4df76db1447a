"""What `recheck` holds of limits by sums of its own, and which verdicts it says hold in full."""

from __future__ import annotations

import json
from collections.abc import Callable
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

import drawn_plant
from proofs import proof_of
from small_study import write_small_study
from waysapart.cli import main
from waysapart.recheck import recheck

Facts = dict[str, Any]
ROOT = Path(__file__).resolve().parents[2]
ESTUARY = ROOT / "examples" / "estuary"


def proved(folder: Path) -> Facts:
    return dict(json.loads(json.dumps(proof_of(folder).facts())))


def held(folder: Path, facts: Facts, file: Path) -> dict[str, Any]:
    file.write_text(json.dumps(facts), encoding="utf-8")
    return recheck(folder, file)


@pytest.fixture(scope="module")
def estuary() -> Facts:
    return proved(ESTUARY)


def _path(facts: Facts) -> None:
    facts["circuits"][0]["unavailability"]["main"] /= 2


def _both(facts: Facts) -> None:
    facts["circuits"][0]["unavailability"]["both"] /= 2


def _nothing_known(facts: Facts) -> None:
    facts["circuits"][0]["unavailability"]["both"] = None


def _every_way(facts: Facts) -> None:
    facts["groups"][0]["unavailability"]["all"] *= 0.999


def _working(facts: Facts) -> None:
    facts["groups"][0]["unavailability"]["working"] *= 0.999


def _recovery(facts: Facts) -> None:
    facts["circuits"][0]["delay"]["recovery_ms"] = 20.0


def _no_recovery(facts: Facts) -> None:
    facts["circuits"][0]["delay"]["recovery_ms"] = None


def _limit_of_recovery(facts: Facts) -> None:
    facts["circuits"][0]["delay"]["recovery_limit_ms"] = 600.0


def _of_link(name: str, value: Any = 1e3) -> Callable[[Facts], None]:
    """Another figure of the first link over fibre."""

    def forge(facts: Facts) -> None:
        loss = next(one["loss"] for one in facts["links"] if one["loss"] is not None)
        assert loss[name] != value
        loss[name] = value

    return forge


def _no_overload(facts: Facts) -> None:
    """The receiver of every link said to see less than it can stand."""
    for one in facts["links"]:
        for held_ in (one["loss"] or {"held_to": []})["held_to"]:
            held_["overload_ok"] = not held_["overload_ok"]


LINK_FIGURES = (
    *("mean_db", "sigma_db", "statistical_db", "statistical_margin_db", "least_db"),
    *("overload_margin_db", "attenuator_db", "attenuator_most_db", "dispersion_ps_nm"),
    *("bandwidth_mhz", "bandwidth_needed_mhz", "dispersion_limit_ps_nm", "measured_db"),
    "measured_least_db",
)


@pytest.mark.parametrize(
    ("forge", "said"),
    [
        *((_of_link(name), f"loss, {name}") for name in LINK_FIGURES),
        (_no_overload, "loss, overload_ok"),
        (_path, "unavailability of main"),
        (_both, "unavailability"),
        (_nothing_known, "unavailability"),
        (_every_way, "unavailability, all"),
        (_working, "unavailability, working"),
        (_recovery, "recovery"),
        (_no_recovery, "recovery"),
        (_limit_of_recovery, "limit of recovery"),
    ],
)
def test_a_figure_that_is_not_so_is_told(
    forge: Callable[[Facts], None], said: str, estuary: Facts, tmp_path: Path
) -> None:
    """The demo has batteries with two chargers, shared trenches, and groups."""
    facts = deepcopy(estuary)
    forge(facts)
    told = held(ESTUARY, facts, tmp_path / "evidence.json")["false"]
    assert any(one.split(": ")[1] == said for one in told)


def test_unavailability_of_the_small_study(tmp_path: Path) -> None:
    """Worked out by hand: both paths share two relays, their batteries, the charger of one, and the
    two sites. 0.02 x 4, 0.01 x 8, 0.02 x 8 and 0.001 x 24 hours a year are lost of each.

    `prove` and `recheck` give the same figure for both paths; paths alone add a little to it.
    """
    folder = write_small_study(tmp_path / "study")
    facts = proved(folder)
    hours = 2 * 0.02 * 4 + 2 * 0.01 * 8 + 0.02 * 8 + 2 * 0.001 * 24
    both = facts["circuits"][0]["unavailability"]["both"]
    assert both == pytest.approx(hours / 8760, rel=1e-3)
    assert held(folder, facts, tmp_path / "evidence.json")["false"] == []


def test_all_verdicts_of_a_sound_study_are_confirmed_in_full(tmp_path: Path) -> None:
    """One circuit and its group; nothing that their verdicts or limits rest on is left out."""
    folder = write_small_study(tmp_path / "study")
    found = held(folder, proved(folder), tmp_path / "evidence.json")
    assert found["verdicts"] == {"confirmed": 2, "confirmed_except": []}


def test_a_verdict_that_rests_on_what_is_not_held_is_confirmed_except_for_it(
    tmp_path: Path,
) -> None:
    """M is drawn and not listed: that it follows no other segment as well is not held."""
    plant = drawn_plant.DrawnPlant((0, 0), (3_000, 0))
    plant.nodes("pit", P1=(1_500, 600))
    plant.segment("D1", "duct", "A", "B")
    plant.segment("D2", "duct", "A", "P1", "B")
    plant.cable("M", "A", "B")
    plant.listed("N", "D2")
    plant.circuit("M", "N")
    folder = tmp_path / "study"
    plant.read(folder)
    facts = proved(folder)
    evidence = tmp_path / "evidence.json"
    found = held(folder, facts, evidence)
    assert found["false"] == []
    (one,) = found["verdicts"]["confirmed_except"]
    assert one["id"] == facts["circuits"][0]["id"]
    assert any("drawn cables" in because for because in one["because"])
    done = CliRunner().invoke(main, ["recheck", str(folder), str(evidence)])
    assert "0 verdicts confirmed, 1 confirmed except for what was not checked" in done.output


def test_a_verdict_of_which_something_is_false_is_not_confirmed(tmp_path: Path) -> None:
    folder = write_small_study(tmp_path / "study")
    facts = proved(folder)
    facts["circuits"][0]["delay"]["recovery_ms"] = 20.0
    found = held(folder, facts, tmp_path / "evidence.json")
    assert found["verdicts"] == {"confirmed": 1, "confirmed_except": []}
    facts["study"] = "Another estuary"
    found = held(folder, facts, tmp_path / "evidence.json")
    assert found["verdicts"] == {"confirmed": 0, "confirmed_except": []}
