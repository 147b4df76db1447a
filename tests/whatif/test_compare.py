"""What counts as better or worse between two studies, and which records differ."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

import waysapart as wa
from dig_plant import two_ways
from everyday import some
from random_plant import write_random_study
from rule_files import load_rules
from waysapart.cli import main
from waysapart.study.model import Study
from waysapart.whatif.changes import changes

Read = Callable[[str, str], Study]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    two_ways().read(tmp_path / "base")
    return tmp_path


@pytest.fixture
def proposal(folder: Path) -> Read:
    """A study that extends the base: lines of its study.toml, and its circuit paths."""

    def write(settings: str, paths: str = "", extends: str = "../base") -> Study:
        number = len(list(folder.iterdir()))
        mine = folder / f"proposal-{number}"
        mine.mkdir()
        (mine / "study.toml").write_text(f'extends = "{extends}"\n{settings}\n', encoding="utf-8")
        if paths:
            (mine / "circuit_paths.csv").write_text(
                f"circuit,path,seq,link\n{paths}\n", encoding="utf-8"
            )
        return wa.read_study(mine)

    return write


@pytest.fixture
def base(folder: Path) -> Study:
    return wa.read_study(folder / "base")


def only(comparison: wa.Comparison) -> dict[str, Any]:
    (found,) = comparison.facts()["circuits"]
    result: dict[str, Any] = found
    return result


def test_a_study_compared_with_itself_says_that_nothing_changed(base: Study) -> None:
    same = wa.compare(base, base)
    assert same.nothing_changed
    assert same.exit_code() == 0
    assert same.facts()["nothing_changed"] is True
    assert repr(same) == "Comparison(nothing changed)"


@pytest.mark.parametrize("seed", some(range(5), every=6))
def test_random_studies_compared_with_themselves(seed: int, tmp_path: Path) -> None:
    """Read twice from the same files, with whatever gaps and waivers they have."""
    place = write_random_study(tmp_path / "study", 9200 + seed)
    assert wa.compare(wa.read_study(place), wa.prove(wa.read_study(place))).nothing_changed


def test_moving_the_alternate_onto_the_main_link_is_worse(base: Study, proposal: Read) -> None:
    """Both ways in CM: every duct and pit of it comes to be shared.

    By the default rates a relay is down 9.13e-6 of the time and a site 2.74e-6, so two of each make
    2.4e-5. Four ducts of 1 km, 2.92e-6 each, are then down for both paths at once: 3.5e-5.
    """
    comparison = wa.compare(base, proposal("", "K,alternate,1,L-CM"))
    row = only(comparison)
    assert (row["before"], row["after"], row["change"]) == ("apart", "shared", "worse")
    assert row["worse"] == [
        "apart to shared",
        "newly shared: CM, d1, P1, d2, P2, d3 and 2 more",
        "closest approach 70.7 m to 0 m",
        "unavailability 2.37 × 10⁻⁵ to 3.54 × 10⁻⁵",
    ]
    assert set(row["came"]["shared"]) == {"P1", "P2", "P3", "d1", "d2", "d3", "d4", "CM"}
    assert comparison.exit_code() == 1
    assert comparison.facts()["records"] == {
        "circuit_paths": {
            "added": [],
            "removed": [],
            "changed": [{"id": "K alternate", "columns": ["link"]}],
        }
    }
    back = only(wa.compare(comparison.proofs[1] or base, base))
    assert back["change"] == "better"
    assert back["better"][:2] == [
        "shared to apart",
        "no longer shared: CM, d1, P1, d2, P2, d3 and 2 more",
    ]
    assert back["worse"] == []
    assert back["costs"] == ["record gaps that bear on limits alone 1 to 2"]  # joints of CA


def test_adding_and_taking_away_again_is_nothing(folder: Path, base: Study) -> None:
    """A proposal adds a pit and a duct, a second one on top of it removes both."""
    first = folder / "first"
    first.mkdir()
    lon_lat = json.loads((folder / "base" / "structures.geojson").read_text(encoding="utf-8"))
    pit = lon_lat["features"][0]
    pit["properties"]["id"] = "P9"
    pit["geometry"]["coordinates"][1] += 0.01
    (first / "structures.geojson").write_text(
        json.dumps({"type": "FeatureCollection", "features": [pit]}), encoding="utf-8"
    )
    (first / "study.toml").write_text('extends = "../base"\n', encoding="utf-8")
    second = folder / "second"
    second.mkdir()
    (second / "study.toml").write_text('extends = "../first"\nremove = ["P9"]\n', encoding="utf-8")
    added = wa.compare(base, wa.read_study(first))
    assert added.facts()["records"] == {
        "structures": {"added": ["P9"], "removed": [], "changed": []}
    }
    assert not added.nothing_changed
    assert wa.compare(base, wa.read_study(second)).nothing_changed


def test_removing_a_duct_that_a_path_needs_leaves_a_gap(base: Study, proposal: Read) -> None:
    comparison = wa.compare(base, proposal('remove = ["e2"]'))
    row = only(comparison)
    assert (row["before"], row["after"], row["change"]) == ("apart", "unproven", "worse")
    assert ["removed-reference", "CA"] in row["came"]["gaps"]
    assert comparison.exit_code() == 1


def test_a_circuit_that_is_new_or_gone_is_neither_better_nor_worse(
    base: Study, proposal: Read
) -> None:
    after = proposal('remove = ["K"]')
    gone = only(wa.compare(base, after))
    assert (gone["before"], gone["after"], gone["change"]) == ("apart", None, "gone")
    new = only(wa.compare(after, base))
    assert (new["before"], new["after"], new["change"]) == (None, "apart", "new")
    assert wa.compare(base, after).exit_code() == 0


def test_evidence_of_an_earlier_proof_serves_as_before(
    base: Study, proposal: Read, tmp_path: Path
) -> None:
    """The audit: the same study a year later, then one that has changed. Records cannot be told."""
    evidence = tmp_path / "evidence.json"
    facts = wa.prove(base).facts()
    evidence.write_text(json.dumps(facts), encoding="utf-8")
    assert wa.compare(evidence, base).nothing_changed
    changed = wa.compare(str(evidence), proposal("", "K,alternate,1,L-CM"))
    assert only(changed)["change"] == "worse"
    assert changed.facts()["records"] is None
    assert any(row["after"] and not row["before"] for row in changed.facts()["inputs"])


@pytest.mark.parametrize(
    "text", ["", "[]", '{"circuits": []}', '{"waysapart": 1, "circuits": [1]}']
)
def test_files_without_evidence_are_refused(base: Study, tmp_path: Path, text: str) -> None:
    evidence = tmp_path / "evidence.json"
    evidence.write_text(text, encoding="utf-8")
    with pytest.raises(wa.CallError, match=r"evidence\.json"):
        wa.compare(evidence, base)


def test_a_waiver_that_lapses_between_two_audits_is_worse(base: Study) -> None:
    """Verdicts alone: accepted, then shared."""
    old = {"id": "K", "verdict": "accepted", "shared": [{"asset": "P1", "waived": True}]}
    new = {"id": "K", "verdict": "shared", "shared": [{"asset": "P1", "waived": False}]}
    (change,) = changes([old], [new])
    assert (change.change, change.came["shared"]) == ("worse", ["P1"])


VERDICTS = ["shared", "unproven", "accepted", "apart"]


@pytest.mark.parametrize("before", VERDICTS)
@pytest.mark.parametrize("after", VERDICTS)
def test_the_order_of_verdicts(before: str, after: str) -> None:
    (change,) = changes([{"id": "K", "verdict": before}], [{"id": "K", "verdict": after}])
    step = VERDICTS.index(after) - VERDICTS.index(before)
    assert change.change == ("better" if step > 0 else "worse" if step < 0 else "same")


@pytest.mark.parametrize(
    ("before", "after", "change"),
    [
        (True, False, "worse"),
        (True, None, "worse"),
        (None, False, "worse"),
        (False, True, "better"),
        (False, None, "better"),
        (None, True, "better"),
        (False, False, "same"),
    ],
)
def test_limits_that_break_are_worse(before: bool, after: bool, change: str) -> None:
    def owner(kept: object) -> dict[str, Any]:
        delay = {"ok": True, "asymmetry_ok": kept}
        return {"id": "K", "verdict": "apart", "delay": delay, "loss_ok": True}

    (found,) = changes([owner(before)], [owner(after)])
    assert found.change == change


def test_a_better_verdict_does_not_excuse_a_broken_limit() -> None:
    old = {"id": "K", "verdict": "shared", "loss_ok": True}
    new = {"id": "K", "verdict": "apart", "loss_ok": False}
    (change,) = changes([old], [new])
    assert change.change == "worse"
    assert change.better == ("shared to apart",)
    assert change.worse == ("loss outside its limit",)


@pytest.mark.parametrize(
    ("before", "after", "change"),
    [
        (["P1"], ["P1", "P2"], "worse"),
        (["P1", "P2"], ["P1"], "better"),
        (["P1"], ["P2"], "worse"),
        (["P1", "P3"], ["P2"], "worse"),
        (["P1"], ["P1"], "same"),
    ],
)
def test_where_the_verdict_stays_the_findings_decide(
    before: list[str], after: list[str], change: str
) -> None:
    def owner(assets: list[str]) -> dict[str, Any]:
        return {"id": "K", "verdict": "shared", "shared": [{"asset": one} for one in assets]}

    (found,) = changes([owner(before)], [owner(after)])
    assert found.change == change
    assert set(found.went["shared"]) == set(before) - set(after)
    assert set(found.came["shared"]) == set(after) - set(before)


def test_rules_that_differ_are_told(base: Study, tmp_path: Path) -> None:
    rules = tmp_path / "rules.toml"
    rules.write_text("[services.default]\nmax_delay_us = 1\n", encoding="utf-8")
    comparison = wa.compare(base, replace(base, rules=load_rules(rules)))
    (rule,) = comparison.rules
    assert (rule["key"], rule["before"], rule["after"], rule["kind"]) == (
        "services.default.max_delay_us",
        10000,
        1,
        "rule",
    )
    row = only(comparison)
    assert (row["change"], row["worse"]) == ("worse", ["delay outside its limit"])
    assert row["within_limits"]["after"] is False


def test_a_record_that_went_missing_is_told_though_nothing_is_worse(tmp_path: Path) -> None:
    """Without its tray in the cable's runs a path still reaches the site: fewer things, no gap."""
    examples = Path(__file__).resolve().parents[2] / "examples" / "estuary"
    later = tmp_path / "later"
    shutil.copytree(examples, later)
    runs = (later / "cable_runs.csv").read_text(encoding="utf-8")
    (later / "cable_runs.csv").write_text(runs.replace("AP-N2-SAL,1,N2-SAL-tray\n", ""), "utf-8")
    comparison = wa.compare(wa.read_study(examples), wa.read_study(later))
    assert comparison.exit_code() == 0
    told = {one["id"]: one["less_on_record"] for one in comparison.facts()["circuits"]}
    (way,) = told["C03"]
    assert way["path"] == "main"
    assert way["relies_on"]["before"] - way["relies_on"]["after"] == 1
    assert way["route_m"]["after"] < way["route_m"]["before"]
    assert told["C01"] == []


def _owner(**figures: Any) -> dict[str, Any]:
    return {"id": "K", "verdict": "apart", **figures}


def _down(both: float | None, **more: Any) -> dict[str, Any]:
    return _owner(unavailability={"both": both, "ok": True, **more})


def _delay(worst_us: float, uneven_us: float) -> dict[str, Any]:
    limits = {"limit_us": 5000, "asymmetry_limit_us": 200, "ok": True, "asymmetry_ok": True}
    return _owner(delay={"worst_us": worst_us, "asymmetry_us": uneven_us, **limits})


def _margins(*margin_db: float | None) -> dict[str, Any]:
    return _owner(paths={"main": {"links": [], "loss": [{"margin_db": one} for one in margin_db]}})


@pytest.mark.parametrize(
    ("before", "after", "why"),
    [
        pytest.param(
            _down(1e-4), _down(1.1e-3), ["unavailability 1.00 × 10⁻⁴ to 1.10 × 10⁻³"], id="x 11"
        ),
        pytest.param(_down(1e-4), _down(1.09e-4), [], id="less than a tenth"),
        pytest.param(_down(1e-11), _down(5e-10), [], id="next to nothing"),
        pytest.param(
            _down(1e-4),
            _down(None, at_least={"both": 1e-3}),
            ["unavailability 1.00 × 10⁻⁴ to at least 1.00 × 10⁻³"],
            id="the bound alone",
        ),
        pytest.param(
            _down(1e-4),
            _down(None, at_least={"both": 1e-5}),
            ["unavailability no longer known"],
            id="no longer known",
        ),
        pytest.param(_down(None), _down(1e-3), [], id="not known before"),
        pytest.param(
            _delay(1000, 10),
            _delay(1251, 10),
            ["margin to the limit of delay 4000.0 µs to 3749.0 µs"],
        ),
        pytest.param(_delay(1000, 10), _delay(1249, 10), [], id="less than 5 % of 5000 us"),
        pytest.param(
            _delay(1000, 10),
            _delay(1000, 21),
            ["margin to the limit of asymmetry 190.0 µs to 179.0 µs"],
        ),
        pytest.param(_delay(1000, 10), _delay(1000, 19), [], id="less than 5 % of 200 us"),
        pytest.param(
            _margins(9.2, 12), _margins(12, 8.1), ["least optical margin 9.20 dB to 8.10 dB"]
        ),
        pytest.param(_margins(9.2), _margins(8.3), [], id="less than 1 dB"),
        pytest.param(_margins(9.2), _margins(None), [], id="no margin to compare"),
        pytest.param(
            _owner(closest_m=150.0), _owner(closest_m=60.0), ["closest approach 150 m to 60.0 m"]
        ),
        pytest.param(_owner(closest_m=900.0), _owner(closest_m=400.0), [], id="far apart still"),
        pytest.param(_owner(closest_m=5.5), _owner(closest_m=4.7), [], id="within the survey"),
        pytest.param(_owner(closest_m=40.0), _owner(closest_m=37.0), [], id="less than a tenth"),
        pytest.param(_owner(closest_m=None), _owner(closest_m=3.0), [], id="not measured before"),
    ],
)
def test_a_figure_that_worsens_beyond_its_tolerance_is_worse(
    before: dict[str, Any], after: dict[str, Any], why: list[str]
) -> None:
    (change,) = changes([before], [after])
    assert change.as_dict()["why"] == why
    assert change.change == ("worse" if why else "same")


@pytest.mark.parametrize(
    ("before", "after", "why"),
    [
        pytest.param(
            _down(1e-3), _down(1e-4), ["unavailability 1.00 × 10⁻³ to 1.00 × 10⁻⁴"], id="a tenth"
        ),
        pytest.param(_down(1.09e-4), _down(1e-4), [], id="less than a tenth"),
        pytest.param(_delay(1251, 10), _delay(1000, 10), ["margin to the limit of delay"], id="us"),
        pytest.param(_margins(8.1), _margins(9.2), ["least optical margin 8.10 dB to 9.20 dB"]),
        pytest.param(
            _owner(closest_m=60.0), _owner(closest_m=150.0), ["closest approach 60.0 m to 150 m"]
        ),
    ],
)
def test_a_figure_that_improves_beyond_its_tolerance_is_better(
    before: dict[str, Any], after: dict[str, Any], why: list[str]
) -> None:
    (change,) = changes([before], [after])
    assert change.worse == ()
    assert len(change.better) == len(why)
    assert all(said.startswith(wanted) for said, wanted in zip(change.better, why, strict=True))
    assert change.change == ("better" if why else "same")


def test_a_group_down_more_often_is_worse_by_either_figure() -> None:
    def group(all_: float, working: float) -> dict[str, Any]:
        return _owner(unavailability={"all": all_, "working": working})

    (one,) = changes([group(1e-6, 1e-4)], [group(1e-6, 1e-3)])
    assert one.worse == ("unavailability of the working paths 1.00 × 10⁻⁴ to 1.00 × 10⁻³",)
    (other,) = changes([group(1e-6, 1e-4)], [group(1e-5, 1e-4)])
    assert other.worse == ("unavailability of all paths 1.00 × 10⁻⁶ to 1.00 × 10⁻⁵",)


def test_a_better_verdict_excuses_a_thinner_margin_but_not_more_time_down() -> None:
    """Ways that part over a longer route cost delay; they must not be down more often for it."""
    old = {**_delay(1000, 10), "verdict": "shared"}
    (change,) = changes([old], [_delay(2000, 10)])
    assert (change.change, change.better) == ("better", ("shared to apart",))
    (change,) = changes([{**_down(1e-4), "verdict": "shared"}], [_down(1e-3)])
    assert change.change == "worse"


def _two_protections(tmp_path: Path, battery: str) -> Study:
    """Main 1 (K1) and Main 2 (K2) from A to B on swapped cables; K1's relay at A hangs on B1, K2's
    on the one named. Batteries are excused to members of a group. A battery is down 1 % of the
    time, site A or B 9e-4 together.
    """
    plant = two_ways()
    plant.rows["circuits"] = []
    plant.rows["circuit_paths"] = []
    for n, feeding in (("1", "B1"), ("2", battery)):
        for site, supplies in (("A", feeding), ("B", "-")):
            plant.rows["equipment"].append(
                {
                    "id": f"R{site}{n}",
                    "site": site,
                    "within": "-",
                    "supplies": supplies,
                    "delay_us": 0,
                }
            )
        plant.rows["supplies"].append(
            {"id": f"B{n}", "site": "A", "kind": "battery", "within": "-", "needs": "-"}
        )
        plant.rows["circuits"].append(
            {"id": f"K{n}", "a": f"RA{n}", "b": f"RB{n}", "service": "", "group": "PAIR"}
        )
        cables = ("CM", "CA") if n == "1" else ("CA", "CM")
        for path, cable in zip(("main", "alternate"), cables, strict=True):
            link = f"L{n}-{cable}"
            plant.rows["links"].append(
                {"id": link, "a": f"RA{n}", "b": f"RB{n}", "wavelength_nm": 1310}
            )
            plant.rows["link_runs"].append({"link": link, "seq": 1, "cable": cable})
            plant.rows["circuit_paths"].append(
                {"circuit": f"K{n}", "path": path, "seq": 1, "link": link}
            )
    plant.settings = 'rules = "rules.toml"\n'
    folder = tmp_path / f"on-{battery}"
    folder.mkdir()
    quiet = "".join(
        f"[failures.{kind}]\nper_year = 0.0\nrepair_h = 1\n"
        for kind in ("equipment", "duct", "segments")
    )
    (folder / "rules.toml").write_text(
        '[groups]\nexcuse = ["battery"]\n[services.default]\nseparation_m = 0\n'
        + quiet
        + f"[failures.battery]\nper_year = {0.01 / 0.99 * 87.6!r}\nrepair_h = 100\n"
        + f"[failures.sites]\nper_year = {4.5e-4 / (1 - 4.5e-4) * 87.6!r}\nrepair_h = 100\n",
        encoding="utf-8",
    )
    return plant.read(folder)


def test_two_protections_put_on_one_battery_are_worse_though_no_verdict_changes(
    tmp_path: Path,
) -> None:
    """Before: a site, 9e-4, or both batteries, 1e-4: 0.0010 of the time. After: a site or the one
    battery, 0.0109, eleven times as much. Each circuit by itself is as it was.
    """
    before, after = (_two_protections(tmp_path, battery) for battery in ("B2", "B1"))
    comparison = wa.compare(before, after)
    facts = comparison.facts()
    (group,) = facts["groups"]
    assert group["before"] == group["after"] == "apart"
    working = group["figures"]["unavailability_working"]
    assert working["before"] == pytest.approx(1e-3, rel=1e-2)
    assert working["after"] == pytest.approx(1.09e-2, rel=1e-2)
    assert group["change"] == "worse"
    assert "unavailability of the working paths 1.00 × 10⁻³ to 1.09 × 10⁻²" in group["why"]
    assert {row["change"] for row in facts["circuits"]} == {"same"}
    assert facts["summary"]["groups_worse"] == 1
    assert comparison.exit_code() == 1
    printed = CliRunner().invoke(
        main, ["compare", str(before.folder), str(after.folder)], env={"COLUMNS": "200"}
    )
    assert printed.exit_code == 1
    said = " ".join(printed.output.split())
    assert "unavailability of the working paths 1.00 × 10⁻³ to 1.09 × 10⁻²" in said
