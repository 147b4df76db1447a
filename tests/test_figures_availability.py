"""Availability of the ways of small studies, held against sums over every state."""

from __future__ import annotations

import json
from itertools import product
from pathlib import Path

import numpy as np
import pytest

from figures_study import SmallStudy, circuit
from small_study import lon_lat
from waysapart.verdicts.prove import Proof

HOURS = 8760.0
QUIET = "".join(
    f"[failures.{kind}]\nper_year = 0.0\nrepair_h = 1\n"
    for kind in ("sites", "equipment", "supplies", "charger", "span", "duct", "trench")
)


@pytest.fixture
def study(tmp_path: Path) -> SmallStudy:
    """Nothing fails but what a test lets fail."""
    study = SmallStudy(tmp_path / "small")
    study.rules(QUIET)
    return study


def _down(per_year: float, hours: float) -> float:
    return per_year * hours / (HOURS + per_year * hours)


def _every_state(proof: Proof, ways: list[int]) -> float:
    """Probability that all the ways are down: a sum over every state of what can fail."""
    relied = proof.reliance.paths[ways].toarray()[:, : len(proof.network.assets)]
    share = proof.outages.share
    failing = np.flatnonzero(relied.any(axis=0) & (share > 0))
    assert len(failing) <= 14
    total = 0.0
    for state in product((False, True), repeat=len(failing)):
        down = np.array(state)
        if all((relied[way][failing] & down).any() for way in range(len(ways))):
            total += float(np.prod(np.where(down, share[failing], 1 - share[failing])))
    return total


def test_two_ways_that_share_a_kilometre(study: SmallStudy) -> None:
    """S1 and D1 in one trench of 1 km, which alone fails: both ways are down as long as it is."""
    study.feature("segments", "S1", within="TR1")
    study.feature("segments", "D1", within="TR1")
    study.rules("[failures.right-of-way]\nper_year = 0.5\nrepair_h = 12\n")
    found = circuit(study.facts())["unavailability"]
    down = _down(0.5, 12)
    assert found["main"] == found["alternate"] == found["both"] == float(f"{down:.6g}")
    assert found["minutes_a_year"] == float(f"{down * 525600:.6g}")
    assert found["greatest"][0]["asset"] == "TR1"
    assert found["greatest"][0]["of_all"] == pytest.approx(1.0, abs=1e-3)
    assert found["losses_a_year"] == pytest.approx(0.5 * (1 - down), rel=1e-5)


def test_both_down_is_exact(study: SmallStudy) -> None:
    """Sites, relays and every segment fail often; against the sum over 2^12 states."""
    rules = (study.folder / "rules.toml").read_text(encoding="utf-8")
    for kind, rate in (("sites", 20.0), ("equipment", 90.0), ("span", 40.0), ("duct", 70.0)):
        rules = rules.replace(
            f"[failures.{kind}]\nper_year = 0.0\nrepair_h = 1\n",
            f"[failures.{kind}]\nper_year = {rate}\nrepair_h = 9\n",
        )
    study.text("rules.toml", rules)
    proof = study.prove()
    ways = list(proof.network.paths.of_circuit(0))
    exact = _every_state(proof, ways)
    assert exact > 0.05
    assert proof.outages.together[0] == pytest.approx(exact, rel=1e-12)
    for path in ways:
        assert proof.outages.paths[path] == pytest.approx(_every_state(proof, [path]), rel=1e-12)


def test_what_an_asset_brings_is_what_would_be_spared_without_it(study: SmallStudy) -> None:
    """Contribution of each asset: both down as it is, less both down if it never failed."""
    rules = (study.folder / "rules.toml").read_text(encoding="utf-8")
    for kind in ("sites", "span", "duct"):
        rules = rules.replace(
            f"[failures.{kind}]\nper_year = 0.0", f"[failures.{kind}]\nper_year = 30.0"
        )
    study.text("rules.toml", rules)
    proof = study.prove()
    ways = list(proof.network.paths.of_circuit(0))
    before = _every_state(proof, ways)
    brings = proof.outages.contributions([0])
    share = proof.outages.share
    for asset in np.flatnonzero(brings):
        kept = share[asset]
        share[asset] = 0.0
        assert brings[asset] == pytest.approx(before - _every_state(proof, ways), rel=1e-9)
        share[asset] = kept


def test_a_duct_in_a_trench_does_not_count_the_dig_twice(study: SmallStudy) -> None:
    """D2 lies in trench TX of 400 m: 1000 m of trench and duct in all, not 1400 m."""
    path = study.folder / "segments.geojson"
    data = json.loads(path.read_text(encoding="utf-8"))
    duct = next(one for one in data["features"] if one["properties"]["id"] == "D2")
    data["features"].append(
        {
            **duct,
            "properties": {
                **duct["properties"],
                "id": "TX",
                "kind": "trench",
                "length_m": 400.0,
            },
        }
    )
    path.write_text(json.dumps(data), encoding="utf-8")
    study.feature("segments", "D2", within="TX")
    text = (study.folder / "rules.toml").read_text(encoding="utf-8")
    for kind in ("duct", "trench"):
        text = text.replace(
            f"[failures.{kind}]\nper_year = 0.0\nrepair_h = 1\n",
            f"[failures.{kind}]\nper_km_year = 0.01\nrepair_h = 12\n",
        )
    study.text("rules.toml", text)
    proof = study.prove()
    ids = list(proof.network.assets.frame["id"])
    rate = proof.outages.per_year
    assert rate[ids.index("D2")] == pytest.approx(0.006)
    assert rate[ids.index("TX")] == pytest.approx(0.004)
    assert rate[ids.index("C2")] == 0.0, "a cable of kind duct has no rate of its own"
    alternate = list(proof.network.paths.of_circuit(0))[1]
    assert rate[proof.reliance.paths[[alternate]].indices].sum() == pytest.approx(0.04)


def _hazard(study: SmallStudy, **cells: object) -> None:
    """A flood over T2 and P2, which both ways pass."""
    ring = [lon_lat(*one) for one in ((1900, -400), (2100, -400), (2100, 300), (1900, 300))]
    feature = {
        "type": "Feature",
        "properties": {"id": "HZ", "kind": "flood", **cells},
        "geometry": {"type": "Polygon", "coordinates": [[*ring, ring[0]]]},
    }
    study.text("hazards.geojson", json.dumps({"type": "FeatureCollection", "features": [feature]}))


def test_a_hazard_is_one_event_on_both_ways(study: SmallStudy) -> None:
    """Once in 50 years, 100 h."""
    _hazard(study, per_year=0.02, repair_h=100)
    found = circuit(study.facts())["unavailability"]
    assert found["both"] == float(f"{_down(0.02, 100):.6g}")
    assert found["greatest"][0]["asset"] == "HZ"
    assert found["not_counted"] == []


def test_a_hazard_without_a_rate_is_named_as_not_counted(study: SmallStudy) -> None:
    _hazard(study)
    found = circuit(study.facts())["unavailability"]
    assert (found["both"], found["not_counted"]) == (0.0, ["HZ"])


def test_a_hazard_without_a_repair_time_takes_that_of_the_rules(study: SmallStudy) -> None:
    _hazard(study, per_year=0.02)
    assert circuit(study.facts())["unavailability"]["both"] == float(f"{_down(0.02, 24):.6g}")


def test_a_limit_holds_only_where_a_service_states_one(study: SmallStudy) -> None:
    _hazard(study, per_year=0.02, repair_h=100)
    assert circuit(study.facts())["unavailability"]["limit"] is None
    study.rules("[services.line-differential]\nmax_unavailability = 1e-5\n")
    found = circuit(study.facts())
    assert found["unavailability"]["ok"] is False
    assert found["within_limits"] is False


def test_a_way_out_of_service_is_down_all_the_time(study: SmallStudy) -> None:
    """T2 is out: main is gone, and both are down while the alternate is."""
    _hazard(study, per_year=0.02, repair_h=100)
    toml = (study.folder / "study.toml").read_text(encoding="utf-8")
    study.text("study.toml", 'out = ["T2"]\n' + toml)
    found = circuit(study.facts())["unavailability"]
    assert found["main"] == 1.0
    assert found["both"] == found["alternate"] == float(f"{_down(0.02, 100):.6g}")


def test_a_group_is_lost_when_every_way_of_every_member_is(study: SmallStudy) -> None:
    """K1 and K2 work on opposite cables: working ways share nothing but sites, nor do all."""
    study.rows("circuits", "K2,R-W,R-M,line-differential,Estuary line main two,G1,each\n")
    study.rows("circuit_paths", "K2,main,1,L2\nK2,alternate,1,L1\n")
    text = (study.folder / "rules.toml").read_text(encoding="utf-8")
    for kind in ("sites", "span", "duct"):
        text = text.replace(
            f"[failures.{kind}]\nper_year = 0.0", f"[failures.{kind}]\nper_year = 30.0"
        )
    study.text("rules.toml", text)
    proof = study.prove()
    (group,) = proof.facts()["groups"]
    paths = proof.network.paths
    every = [*paths.of_circuit(0), *paths.of_circuit(1)]
    mains = [path for path in every if paths.label[path] == "main"]
    assert group["unavailability"]["all"] == pytest.approx(_every_state(proof, every), rel=1e-5)
    assert group["unavailability"]["working"] == pytest.approx(_every_state(proof, mains), rel=1e-5)


def test_more_ways_than_can_be_worked_out_give_no_figure_and_no_failure(
    study: SmallStudy,
) -> None:
    """Nine circuits of two ways in one group: 18 ways, 16 are the most."""
    for number in range(2, 10):
        study.rows("circuits", f"K{number},R-W,R-M,line-differential,Line {number},G1,each\n")
        study.rows("circuit_paths", f"K{number},main,1,L1\nK{number},alternate,1,L2\n")
    (group,) = study.facts()["groups"]
    assert group["unavailability"]["all"] is None
    assert group["unavailability"]["working"] is not None
