"""Availability of the ways of small studies, held against sums over every state."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import product
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
from click.testing import CliRunner

import waysapart as wa
from figures_study import SmallStudy, circuit
from small_study import lon_lat
from waysapart.cli import main
from waysapart.figures import significant
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
    """Probability that all the paths are down: a sum over every state of what can fail."""
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


def test_two_paths_that_share_a_kilometre(study: SmallStudy) -> None:
    """S1 and D1 in one trench of 1 km, which alone fails: both paths are down as long as it is."""
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


def _holders(study: SmallStudy, **courses: tuple[float, float]) -> None:
    """D2 runs 1000 m by record; each holder lies along it, from and to a part of its length."""
    path = study.folder / "segments.geojson"
    data = json.loads(path.read_text(encoding="utf-8"))
    duct = next(one for one in data["features"] if one["properties"]["id"] == "D2")
    (x, y), (u, v) = duct["geometry"]["coordinates"]
    for name, course in courses.items():
        kind = "tunnel" if name.startswith("TUN") else "trench"
        line = [[x + part * (u - x), y + part * (v - y)] for part in course]
        length_m = 1000.0 * abs(course[1] - course[0])
        cells = {**duct["properties"], "id": name, "kind": kind, "within": "-"}
        data["features"].append(
            {
                **duct,
                "properties": {**cells, "a": None, "b": None, "length_m": length_m},
                "geometry": {"type": "LineString", "coordinates": line},
            }
        )
    path.write_text(json.dumps(data), encoding="utf-8")
    study.feature("segments", "D2", within=";".join(courses))
    text = (study.folder / "rules.toml").read_text(encoding="utf-8")
    for kind in ("duct", "trench"):
        text = text.replace(
            f"[failures.{kind}]\nper_year = 0.0\nrepair_h = 1\n",
            f"[failures.{kind}]\nper_km_year = 0.01\nrepair_h = 12\n",
        )
    study.text("rules.toml", text + "[failures.tunnel]\nper_km_year = 0.02\nrepair_h = 12\n")


def _rates(proof: Proof) -> dict[str, float]:
    ids = proof.network.assets.frame["id"]
    return dict(zip(ids, proof.outages.per_year.tolist(), strict=True))


def test_a_duct_in_a_trench_does_not_count_the_dig_twice(study: SmallStudy) -> None:
    """D2 lies in trench TX for 400 m: 1000 m of trench and duct in all, not 1400 m."""
    _holders(study, TX=(0.0, 0.4))
    proof = study.prove()
    rate = _rates(proof)
    assert rate["D2"] == pytest.approx(0.006)
    assert rate["TX"] == pytest.approx(0.004)
    assert rate["C2"] == 0.0, "a cable of kind duct has no rate of its own"
    alternate = list(proof.network.paths.of_circuit(0))[1]
    relied = proof.reliance.paths[[alternate]].indices
    assert proof.outages.per_year[relied].sum() == pytest.approx(0.04)


@pytest.mark.parametrize(
    "trench",
    [
        {"TX": (0.0, 0.4)},
        {"TX1": (0.0, 0.2), "TX2": (0.2, 0.4)},
        {"TX1": (0.4, 0.15), "TX2": (0.15, 0.0)},
    ],
)
def test_trench_and_tunnel_are_taken_off_once_however_the_rows_are_split(
    study: SmallStudy, trench: dict[str, tuple[float, float]]
) -> None:
    """D2 of 1000 m names a trench of 400 m and a tunnel of 300 m, which overlap by 200 m.

    500 m lie in neither: 0.005 of the duct, 0.004 of the trench, 0.006 of the tunnel; the
    other three ducts 0.03. With the trench in two rows nothing changes.
    """
    _holders(study, **trench, TUN=(0.2, 0.5))
    proof = study.prove()
    rate = _rates(proof)
    assert rate["D2"] == pytest.approx(0.005)
    assert sum(rate[name] for name in trench) == pytest.approx(0.004)
    alternate = list(proof.network.paths.of_circuit(0))[1]
    relied = proof.reliance.paths[[alternate]].indices
    assert proof.outages.per_year[relied].sum() == pytest.approx(0.045)


def _hazard(study: SmallStudy, **cells: object) -> None:
    """A flood over T2 and P2, which both paths pass."""
    ring = [lon_lat(*one) for one in ((1900, -400), (2100, -400), (2100, 300), (1900, 300))]
    feature = {
        "type": "Feature",
        "properties": {"id": "HZ", "kind": "flood", **cells},
        "geometry": {"type": "Polygon", "coordinates": [[*ring, ring[0]]]},
    }
    study.text("hazards.geojson", json.dumps({"type": "FeatureCollection", "features": [feature]}))


def test_a_hazard_is_one_event_on_both_paths(study: SmallStudy) -> None:
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


def test_a_path_out_of_service_is_down_all_the_time(study: SmallStudy) -> None:
    """T2 is out: main is gone, and both are down while the alternate is."""
    _hazard(study, per_year=0.02, repair_h=100)
    toml = (study.folder / "study.toml").read_text(encoding="utf-8")
    study.text("study.toml", 'out = ["T2"]\n' + toml)
    found = circuit(study.facts())["unavailability"]
    assert found["main"] == 1.0
    assert found["both"] == found["alternate"] == float(f"{_down(0.02, 100):.6g}")


def test_a_group_is_lost_when_every_path_of_every_member_is(study: SmallStudy) -> None:
    """K1 and K2 work on opposite cables: working paths share nothing but sites, nor do all."""
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


def test_more_paths_than_can_be_worked_out_give_no_figure_and_no_failure(
    study: SmallStudy,
) -> None:
    """Nine circuits of two paths in one group: 18 paths, 16 are the most."""
    for number in range(2, 10):
        study.rows("circuits", f"K{number},R-W,R-M,line-differential,Line {number},G1,each\n")
        study.rows("circuit_paths", f"K{number},main,1,L1\nK{number},alternate,1,L2\n")
    (group,) = study.facts()["groups"]
    assert group["unavailability"]["all"] is None
    assert group["unavailability"]["working"] is not None


def _radio(study: SmallStudy, **cells: object) -> None:
    """The alternate becomes a radio hop between the masts P1 and P3, which do not fail."""
    study.text("link_runs.csv", "link,seq,cable,fibres,direction\nL1,1,C1,1;2,\n")
    study.cell(
        "links",
        "L2",
        **{"medium": "radio", "wavelength_nm": "", "relies_on": "P1;P3", "length_m": 4000, **cells},
    )


def _failing(study: SmallStudy, **per_year: float) -> None:
    """Let kinds fail so often, with an hour to mend each."""
    text = (study.folder / "rules.toml").read_text(encoding="utf-8")
    for kind, rate in per_year.items():
        text = text.replace(
            f"[failures.{kind}]\nper_year = 0.0", f"[failures.{kind}]\nper_year = {rate}"
        )
    study.text("rules.toml", text)


def test_a_hop_that_fades_is_down_as_long_as_it_states(study: SmallStudy) -> None:
    """Spans down u of the time each, the radio hop 1e-3: main 1 - (1 - u)^4, both 1e-3 of that.

    How often the hop fades is not on record, so nor is how often both paths are lost.
    """
    _radio(study, unavailability=1e-3)
    _failing(study, span=30.0)
    found = circuit(study.facts())["unavailability"]
    main = 1 - (1 - _down(30.0, 1)) ** 4
    assert found["main"] == pytest.approx(main, rel=1e-5)
    assert found["alternate"] == 1e-3
    assert found["both"] == pytest.approx(1e-3 * main, rel=1e-5)
    assert (found["at_least"], found["why"], found["not_counted"]) == ({}, [], [])
    assert found["losses_a_year"] is None
    brings = {row["asset"]: row["share"] for row in found["greatest"]}
    assert brings["L2"] == found["both"]


def test_a_hop_that_is_never_up_is_down_all_the_time(study: SmallStudy) -> None:
    _radio(study, unavailability=1)
    _failing(study, span=30.0)
    found = circuit(study.facts())["unavailability"]
    assert (found["alternate"], found["both"]) == (1.0, found["main"])


def test_a_hop_without_a_rate_gives_at_least(study: SmallStudy) -> None:
    """The relays fail; the radio hop may as well, and nobody recorded how often."""
    _radio(study)
    _failing(study, equipment=90.0)
    found = circuit(study.facts())["unavailability"]
    relays = float(f"{1 - (1 - _down(90.0, 1)) ** 2:.6g}")
    assert found["main"] == relays
    assert found["alternate"] is found["both"] is found["minutes_a_year"] is None
    assert found["losses_a_year"] is None
    assert found["at_least"] == {
        "alternate": relays,
        "both": relays,
        "minutes_a_year": pytest.approx(relays * 525600, rel=1e-5),
    }
    assert found["why"] == [
        "L2: neither a failure rate nor an unavailability of this hop is on record"
    ]
    assert found["not_counted"] == ["L2"]
    assert found["ok"] is True, "no limit is set"


@pytest.mark.parametrize(
    ("cells", "known"),
    [
        ({"medium": "leased", "relies_on": "D2"}, True),
        ({"medium": "leased", "relies_on": "P1"}, False),
        ({"medium": "leased", "relies_on": "P1", "unavailability": 0}, True),
        ({"medium": "electrical", "relies_on": "P1"}, False),
        ({"medium": "carrier", "relies_on": "S2"}, True),
    ],
)
def test_what_a_hop_relies_on_may_have_a_rate(
    study: SmallStudy, cells: dict[str, object], known: bool
) -> None:
    """Ducts and spans fail, pits do not: a hop over a duct is counted with the duct."""
    _radio(study, **cells)
    _failing(study, duct=5.0, span=5.0)
    found = circuit(study.facts())["unavailability"]
    assert (found["both"] is not None) is known


def test_an_internal_hop_is_part_of_the_equipment_at_its_ends(study: SmallStudy) -> None:
    """A multiplexer beside each relay, joined to it by an internal hop."""
    study.rows("equipment", "MX,WS,multiplexer,ROOM-W,B-W,-,0\n")
    study.rows("links", "L3,R-W,MX,,internal,\nL4,MX,R-M,1310,fibre,\n")
    study.rows("link_runs", "L4,1,C1,3;4,\n")
    study.text("circuit_paths.csv", "circuit,path,seq,link\nK1,main,1,L3\nK1,main,2,L4\n")
    study.rows("circuit_paths", "K1,alternate,1,L2\n")
    found = circuit(study.facts())["unavailability"]
    assert (found["main"], found["why"], found["not_counted"]) == (0.0, [], [])


@pytest.mark.parametrize(
    ("limit", "kept", "code"), [(1e-12, False, 1), (0.5, None, 3), (None, True, 0)]
)
def test_a_bound_can_break_a_limit_but_not_keep_it(
    study: SmallStudy, limit: float | None, kept: bool | None, code: int
) -> None:
    """Where a service asks for it, the hop without a rate is a gap that bears on limits."""
    _radio(study, extra_delay_us=20)
    _failing(study, equipment=90.0)
    if limit is not None:
        study.rules(f"[services.line-differential]\nmax_unavailability = {limit}\n")
    study.rules("[fibres.unused]\ndb_per_km = { 1310 = 1.0 }\n")
    study.cell("circuits", "K1", group="")
    for name, powers in (("L1", {"tx_min_dbm": 0, "rx_min_dbm": -30}), ("L2", {})):
        study.cell("links", name, **powers)
    proof = study.prove()
    found = circuit(proof.facts())
    assert found["unavailability"]["ok"] is kept
    gaps = [(gap["code"], gap["bears_on"]) for gap in found["gaps"]]
    assert gaps == ([("hop-rate", "limits")] if limit is not None else [])
    if found["verdict"] == "apart":
        assert proof.exit_code() == code


def test_supplies_that_nobody_recorded_give_at_least(study: SmallStudy) -> None:
    """R-W may hang on anything: both paths are down at least as long as the sites are."""
    study.cell("equipment", "R-W", supplies="")
    _failing(study, sites=20.0)
    found = circuit(study.facts())["unavailability"]
    sites = float(f"{1 - (1 - _down(20.0, 1)) ** 2:.6g}")
    assert found["main"] is found["both"] is None
    assert found["at_least"]["main"] == found["at_least"]["both"] == sites
    assert found["why"] == ["R-W: a piece of equipment does not say what supplies it"]


def test_a_path_that_is_not_on_record_leaves_no_bound(study: SmallStudy) -> None:
    """K1 has one path on record: with the other, both may be down for any less."""
    study.text("circuit_paths.csv", "circuit,path,seq,link\nK1,main,1,L1\n")
    _failing(study, span=30.0)
    found = circuit(study.facts())["unavailability"]
    assert found["main"] == pytest.approx(1 - (1 - _down(30.0, 1)) ** 4, rel=1e-5)
    assert (found["both"], found["at_least"]) == (None, {})
    assert found["why"] == ["K1: fewer than two complete paths of a circuit are on record"]


def test_a_path_out_of_service_is_known_whatever_it_lacks(study: SmallStudy) -> None:
    """The radio hop is out: both paths are down as long as the other is, and that is known."""
    _radio(study)
    _failing(study, span=30.0)
    toml = (study.folder / "study.toml").read_text(encoding="utf-8")
    study.text("study.toml", 'out = ["P1"]\n' + toml)
    found = circuit(study.facts())["unavailability"]
    assert found["alternate"] == 1.0
    assert found["both"] == found["main"] == pytest.approx(1 - (1 - _down(30.0, 1)) ** 4, rel=1e-5)


def test_where_no_rule_gives_a_rate_the_figure_is_a_bound(study: SmallStudy) -> None:
    """Rules without any rate for spans or segments: main is down at least as its relays are."""
    _failing(study, equipment=90.0)
    read = wa.read_study(study.folder)
    kept = {
        name: one for name, one in read.rules.failures.items() if name not in ("span", "segments")
    }
    rules = read.rules.model_copy(update={"failures": kept})
    found = circuit(wa.prove(replace(read, rules=rules)).facts())["unavailability"]
    relays = float(f"{1 - (1 - _down(90.0, 1)) ** 2:.6g}")
    assert (found["main"], found["at_least"]["main"]) == (None, relays)
    assert found["alternate"] == relays
    assert found["why"] == [f"S{n}: no failure rate is on record" for n in (1, 2, 3, 4)]


def test_at_least_stands_in_what_is_printed_reported_and_exported(
    study: SmallStudy, tmp_path: Path
) -> None:
    """Terminal, report, layers, and `worst`: nowhere is a bound shown as the figure."""
    _radio(study)
    _failing(study, equipment=90.0)
    study.rules("[services.line-differential]\nmax_unavailability = 1e-12\n")
    runner = CliRunner()
    printed = runner.invoke(main, ["prove", str(study.folder)], env={"COLUMNS": "200"}).output
    assert "Unavailability of at least 2.02 × 10⁻² exceeds its limit" in printed
    page = tmp_path / "report.html"
    runner.invoke(main, ["report", str(study.folder), "-o", str(page)])
    text = page.read_text(encoding="utf-8")
    assert "at least 2.02 × 10⁻²" in text
    assert "neither a failure rate nor an unavailability of this hop is on record" in text
    layers = tmp_path / "layers.gpkg"
    runner.invoke(main, ["export", str(study.folder), "-o", str(layers)])
    ways = gpd.read_file(layers, layer="found_paths").set_index("path")
    assert np.isnan(ways.loc["alternate", "unavailability"])
    assert ways.loc["alternate", "unavailability_at_least"] == ways.loc["main", "unavailability"]
    assert np.isnan(ways.loc["main", "unavailability_at_least"])
    worst = wa.worst(study.prove()).facts()["events"]
    relay = next(row for row in worst if row["asset"] == "R-W")
    assert relay["unavailability"] is relay["minutes_a_year"] is None
    share = _down(90.0, 1) * (1 - _down(90.0, 1))
    assert relay["at_least"]["unavailability"] == pytest.approx(share, rel=1e-5)
    printed = runner.invoke(main, ["worst", str(study.folder)], env={"COLUMNS": "200"}).output
    minutes = relay["at_least"]["minutes_a_year"]
    assert f"at least {significant(minutes)}" in printed
