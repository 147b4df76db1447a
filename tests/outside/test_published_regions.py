"""Published cases of failures that take a whole region, not one thing."""

from __future__ import annotations

from pathlib import Path

import pytest

import waysapart as wa
from published import published
from published_plants import PublishedNet

UNIT_M = 100.0
ON_THE_GROUND = 1.0 / 0.99966
"""Metres on the ground of a metre of the grid, where the plant is drawn."""


@pytest.fixture(scope="module")
def grid(tmp_path_factory: pytest.TempPathFactory) -> wa.Proof:
    """Five by five pits 100 m apart, with a duct from each to its neighbours."""
    edges = [f"{r}{c}-{r}{c + 1}" for r in range(5) for c in range(4)]
    edges += [f"{r}{c}-{r + 1}{c}" for r in range(4) for c in range(5)]
    places = {f"{r}{c}": (UNIT_M * c, UNIT_M * r) for r in range(5) for c in range(5)}
    net = PublishedNet(" ".join(edges), sites="00 44", places=places)
    net.circuit("K", "00 01 02 03 04 14 24 34 44", "00 10 20 30 40 41 42 43 44")
    return net.proof(tmp_path_factory.mktemp("grid"))


@published(
    "tapolcai-2017",
    "figure 7",
    "a grid of 5 by 5 with unit edges has 25 largest sets at radius 0.3, 56 at 0.5 and 16 at half "
    "the diagonal",
    of="events",
)
@pytest.mark.parametrize(
    ("units", "sets"),
    [(0.3, 25), (0.499, 25), (0.501, 56), (0.7, 56), (0.708, 16), (0.75, 16)],
)
def test_largest_sets_of_a_grid(grid: wa.Proof, units: float, sets: int) -> None:
    """0.5 and half the diagonal (0.7071) are exact ties, so the radius is taken at either side.

    The document's circle is closed: its counts are those just above the tie.
    """
    radius_m = units * UNIT_M * ON_THE_GROUND
    found = wa.worst(grid, radius_m=radius_m, all_sets=True).facts()["sets"]
    assert found is not None
    assert len(found) == len(wa.largest_sets(grid, radius_m)) == sets


def failing(share: float) -> str:
    """The rate of what is down for a share of the time, with repairs of 100 h."""
    return f"per_year = {share / (1 - share) * 87.6!r}\nrepair_h = 100\n"


def availability(folder: Path, main: float, alternate: float, region: float) -> list[float]:
    """What main, alternate and both together reach, with a flood that takes both at times."""
    net = PublishedNet("S-N N-T S-P P-T", sites="S T")
    net.circuit("K", "S N T", "S P T")
    quiet = "per_year = 0\nrepair_h = 1\n"
    for row in net.rows["structures"]:
        row["kind"] = {"N": "north", "P": "south"}[row["id"]]
    net.rules = (
        f"[failures.sites]\n{quiet}[failures.equipment]\n{quiet}"
        "[failures.duct]\nper_km_year = 0\nrepair_h = 1\n"
        f"[failures.north]\n{failing(1 - (1 - main) / (1 - region))}"
        f"[failures.south]\n{failing(1 - (1 - alternate) / (1 - region))}"
    )
    if region:
        flood = {"id": "F", "kind": "flood", "line": [(0, 0)], "area_m": 4000.0}
        rate = {"per_year": region / (1 - region) * 87.6, "repair_h": 100, "takes": "north;south"}
        net.rows["hazards"].append(flood | rate)
    down = net.facts(folder)["K"]["unavailability"]
    return [1 - down[name] for name in ("main", "alternate", "both")]


@published(
    "tapolcai-2018",
    "section I, figure 1",
    "two paths that are down for 0.0055 and 0.00986 of the time give 0.999945 together if they "
    "fail independently, and 0.9987 with regional failures",
    of="events",
)
def test_regional_failures_outweigh_independent_ones(tmp_path: Path) -> None:
    """The document's disasters are not in what is known of it.

    A region that is down for 0.00125 of the time explains its second figure: both paths are down
    as often as before, and the two together reach three nines no more. 1 - 0.0055 x 0.00986 is
    0.99994577, which it prints cut off, not rounded.
    """
    alone = availability(tmp_path / "alone", 0.0055, 0.00986, 0)
    region = availability(tmp_path / "region", 0.0055, 0.00986, 0.00125)
    for found in (alone, region):
        assert found[:2] == pytest.approx([1 - 0.0055, 1 - 0.00986], abs=1e-6)
    assert int(alone[2] * 1e6) == 999_945
    assert round(region[2], 4) == 0.9987
    assert region[2] < 0.999
    assert alone[2] > 0.9999
