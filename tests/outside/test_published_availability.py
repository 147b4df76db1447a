"""Published rates of failure and availabilities, each as a path of a study that is proved."""

from __future__ import annotations

from typing import Any

import pytest

from budget_plant import Proved
from published import published
from waysapart.study.rules import shipped_rules

HOURS = 8760.0
QUIET = {"per_year": 0.0, "repair_h": 1.0}
PATHS: dict[str, dict[str, Any]] = {
    "buried": {"km": 1000.0, "kind": "buried"},
    "in-duct": {"km": 1000.0, "kind": "duct"},
    "ground-wire": {"km": 1000.0, "kind": "span"},
    "54-years": {"kind": "fifty-four"},
    "133-years": {"kind": "one-three-three"},
}


@pytest.fixture(scope="module")
def proved(tmp_path_factory: pytest.TempPathFactory) -> Proved:
    """Nothing fails but what each path runs through, as it ships or as the rules say."""
    failures = {
        "sites": QUIET,
        "equipment": QUIET,
        "fifty-four": {"per_year": 1 / 54, "repair_h": 0.0005 * HOURS},
        "one-three-three": {"per_year": 1 / 133, "repair_h": 1e-4 * HOURS},
    }
    folder = tmp_path_factory.mktemp("availability") / "study"
    return Proved(folder, PATHS, {"failures": failures})


def down(proved: Proved, name: str) -> float:
    found: float = proved.circuit(name)["unavailability"]["main"]
    return found


def failures_per_year(proved: Proved, name: str, kind: str) -> float:
    """How often the whole path fails, from the part of the time that it is down."""
    shipped = shipped_rules().failure(kind, "segments")
    assert shipped is not None
    share = down(proved, name)
    return share / (1 - share) * HOURS / shipped.repair_h


@published(
    "alcoa-fujikura",
    "executive summary",
    "failures in 1000 km and a year: buried cable 2.130, ground wire 0.085, over 25 times",
    of="availability",
)
def test_failures_of_a_thousand_kilometres(proved: Proved) -> None:
    """With the rates that ship; cable in ducts fails like buried cable."""
    buried = failures_per_year(proved, "buried", "buried")
    ground_wire = failures_per_year(proved, "ground-wire", "span")
    assert buried == pytest.approx(2.130, rel=1e-5)
    assert failures_per_year(proved, "in-duct", "duct") == pytest.approx(2.130, rel=1e-5)
    assert ground_wire == pytest.approx(0.085, rel=1e-5)
    assert buried / ground_wire > 25


@published(
    "fishercom-a14",
    "examples of repair over time between failures",
    "0.0005 years of repair every 54: 99.999074 %; 0.0001 every 133: 99.999925 %",
    of="availability",
)
@pytest.mark.parametrize(("name", "per_cent"), [("54-years", 99.999074), ("133-years", 99.999925)])
def test_repair_over_time_between_failures(proved: Proved, name: str, per_cent: float) -> None:
    assert round(100 * (1 - down(proved, name)), 6) == per_cent
