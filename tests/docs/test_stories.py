"""Every figure of docs/crossing.md and docs/dig.md is what the program finds."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import shapely
from click.testing import CliRunner

import waysapart as wa
from proofs import proof_of
from waysapart.cli import main
from waysapart.report.words import (
    next_rows,
    resplice_place,
    resplice_steps,
    resplice_unknown,
    sentence_list,
)

ROOT = Path(__file__).resolve().parents[2]
EXAMPLES = ROOT / "examples"


@cache
def page(name: str) -> str:
    return " ".join((ROOT / "docs" / name).read_text(encoding="utf-8").split())


@cache
def proof(name: str) -> wa.Proof:
    return proof_of(EXAMPLES / name)


def circuit(name: str, id: str) -> dict[str, Any]:
    found: dict[str, Any] = next(c for c in proof(name).facts()["circuits"] if c["id"] == id)
    return found


def row(*cells: str) -> str:
    """A row of a table, as it stands in a page."""
    return " ".join(("| " + " | ".join(cells) + " |").split())


def code(names: Iterable[str]) -> str:
    return ", ".join(f"`{name}`" for name in names)


@pytest.mark.parametrize("after", ["proposal-a", "proposal-b"])
def test_what_each_crossing_brings(after: str) -> None:
    comparison = wa.compare(proof("estuary"), proof(after)).facts()
    changed = [one for one in comparison["circuits"] if one["figures"] or one["change"] != "same"]
    (one,) = changed
    delays = one["figures"]["worst_us"]
    line = row(
        one["id"],
        one["before"],
        one["after"],
        one["change"],
        code(one["went"]["shared"]),
        code(one["came"]["shared"]),
        f"{delays['before']:.3f} us",
        f"{delays['after']:.3f} us",
    )
    assert line in page("crossing.md")
    assert len(comparison["circuits"]) - len(changed) == 32
    worse = after == "proposal-a"  # its paths now meet at one pit
    assert wa.compare(proof("estuary"), proof(after)).exit_code() == int(worse)


def test_the_answer_on_the_page_is_what_the_command_prints() -> None:
    printed = CliRunner().invoke(
        main, ["compare", str(EXAMPLES / "estuary"), str(EXAMPLES / "proposal-a")]
    )
    assert printed.exit_code == 1
    text = (ROOT / "docs" / "crossing.md").read_text(encoding="utf-8")
    shown = text.split("```text\nEstuary ring against")[1].split("```")[0].splitlines()
    lines = printed.output.splitlines()
    assert lines[0].startswith("Estuary ring against" + shown[0])
    assert [line.rstrip() for line in lines[1 : len(shown)]] == shown[1:]


def test_figures_in_the_planners_story() -> None:
    text = page("crossing.md")
    before, after = circuit("estuary", "C07"), circuit("proposal-a", "C07")
    old, new = (one["paths"]["alternate"]["length_m"] for one in (before, after))
    assert f"by {new - old:.0f} m of fibre, from {old:.3f} m to {new:.3f} m" in text
    counts, base = proof("proposal-b").counts(), proof("estuary").counts()
    assert f"{counts['apart']} circuits apart and {counts['shared']} shared" in text
    assert f"before it were {base['apart']} and {base['shared']}" in text
    good = circuit("proposal-b", "C07")
    assert f"{good['delay']['asymmetry_us']:.3f} us, far below" in text
    assert f"limit of {good['delay']['asymmetry_limit_us']:.0f} us" in text
    assert f"{good['closest_m']:.3f} m, more than the {good['separation_m']:.0f} m required" in text
    lost = [c["id"] for c in _dug("proposal-a", "B1-P08") if c["state"] == "lost"]
    assert lost == ["C07"]
    assert not [c for c in _dug("estuary", "B1-P08") if c["state"] == "lost"]
    study = proof("proposal-a").study
    ids = study.tables["structures"]["id"]
    place = dict(zip(ids, study.geometries("structures"), strict=True))
    (metres,) = study.plane.metres(place["NB-P1"], place["B2-P07"])
    assert f"{metres:.0f} m further inland" in text
    assert f"{place['B1-P08'].distance(place['B2-P08']):.0f} m to the side" in text


def _dug(study: str, asset: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = wa.dig(proof(study), assets=[asset]).facts()["circuits"]
    return found


def test_records_that_differ_between_the_proposals() -> None:
    records = wa.compare(proof("proposal-a"), proof("proposal-b")).facts()["records"]
    assert set(records) == {"segments", "cable_runs"}
    for role, one in records.items():
        changed = ", ".join(f"`{c['id']}` ({', '.join(c['columns'])})" for c in one["changed"])
        assert row(role, code(one["added"]), code(one["removed"]), changed) in page("crossing.md")


def test_the_proposal_shown_is_the_one_in_the_folder() -> None:
    text = (ROOT / "docs" / "crossing.md").read_text(encoding="utf-8")
    (shown,) = re.findall(r"^```toml\n(name = \"Estuary.*?)```", text, re.DOTALL | re.MULTILINE)
    assert (EXAMPLES / "proposal-a" / "study.toml").read_text(encoding="utf-8").startswith(shown)


def test_evidence_of_the_demo_says_that_nothing_changed(tmp_path: Path) -> None:
    evidence = tmp_path / "evidence.json"
    evidence.write_text(json.dumps(proof("estuary").facts()), encoding="utf-8")
    assert wa.compare(evidence, proof("estuary")).nothing_changed


@cache
def plan() -> dict[str, Any]:
    return wa.plan_works(proof("estuary"), EXAMPLES / "works" / "works.geojson").facts()


def test_the_jobs_are_those_of_the_file() -> None:
    layer = json.loads((EXAMPLES / "works" / "works.geojson").read_text(encoding="utf-8"))
    for one in layer["features"]:
        mine = one["properties"]
        reach = f"{mine['reach_m']:g} m"
        cells = (mine["id"], mine["name"], mine["from"], mine["to"], reach)
        assert row(*cells) in page("dig.md")


def test_what_each_dig_takes() -> None:
    for job in plan()["works"]:
        facts = wa.dig(proof("estuary"), assets=job["hit"]).facts()
        states = {c["id"]: c for c in facts["circuits"]}
        lost = sorted(one for one, c in states.items() if c["state"] == "lost")
        left = sorted(one for one, c in states.items() if c["cut"] and len(c["running"]) == 1)
        assert (lost, left) == (sorted(job["lost"]), sorted(job["exposed"]))
        cables = code(one["cable"] for one in facts["cables"])
        cells = (job["id"], code(job["hit"]), cables, ", ".join(lost), ", ".join(left))
        assert row(*cells) in page("dig.md")
        unknown = {one for one, c in states.items() if c["state"] == "unknown"}
        assert unknown == {"C09", "C12", "C32"}


def test_what_would_be_next_during_the_footing() -> None:
    hit = next(job["hit"] for job in plan()["works"] if job["id"] == "FOOTING")
    states = {c["id"]: c for c in wa.dig(proof("estuary"), assets=hit).facts()["circuits"]}
    assert f"any one of {len(states['C03']['next'])} things for C03" in page("dig.md")
    assert "U2-D05" in states["C03"]["next"]
    assert "HZ-FLOOD-1" in states["C26"]["next"]


def test_the_table_of_what_becomes_fatal_during_the_footing() -> None:
    hit = next(job["hit"] for job in plan()["works"] if job["id"] == "FOOTING")
    events = wa.dig(proof("estuary"), assets=hit).facts()["next_events"]
    text, rows = page("dig.md"), next_rows(events)
    assert f"During FOOTING there are {len(events)}, and one row" in text
    first, *others = rows[:4]
    named = f"{len(first.assets)} entries: {code(first.assets)}"
    assert row(named, ", ".join(first.lost)) in text
    kinds = {one["asset"]: one["kind"] for one in events}
    for one, shown in zip(others, ("G-S2-MAR", "ENT-OYS-1", "G-X1-MAR"), strict=True):
        assert shown in one.assets
        told = f"{len(one.assets)}, among them {kinds[shown]} `{shown}`"
        assert row(told, ", ".join(one.lost)) in text


def test_what_one_of_two_batteries_holds_up() -> None:
    text = page("dig.md")
    facts = wa.outage(proof("estuary"), assets=["BAT-PLO-1"]).facts()
    assert f"and {facts['summary']['weakened']} are *weakened*" in text
    other = next(one for one in facts["next_events"] if one["asset"] == "BAT-PLO-2")
    assert f"would now put {sentence_list(other['lost'])} out of service." in text
    held = {name for one in facts["circuits"] for name in one["weakened"]}
    assert held == {"BAT-PLO-2", "FU-PLO-B"}


def test_the_plan_and_the_days_proposed() -> None:
    text, facts = page("dig.md"), plan()
    for clash in facts["clashes"]:
        assert row(", ".join(clash["works"]), ", ".join(clash["lost"])) in text
    assert len(facts["clashes"]) == 2
    for period in facts["as_planned"]:
        cells = period["from"], period["to"], ", ".join(period["works"]), ", ".join(period["lost"])
        assert row(*cells) in text
    for step in facts["order"]:
        assert row(step["id"], step["from"], step["to"], ", ".join(step["lost"])) in text
    (reason,) = facts["reasons"]
    assert f"> {reason}" in text
    assert facts["exact"]


def test_the_worst_single_event() -> None:
    worst = wa.worst(proof("estuary"), top=1).facts()["events"][0]
    assert f"`{worst['asset']}` is the worst single one, with {worst['lost']} circuits" in page(
        "dig.md"
    )


def test_the_accuracy_taken_where_nothing_is_said() -> None:
    metres = proof("estuary").study.rules.defaults.survey_accuracy_m
    assert f"{metres:g} m is taken" in page("dig.md")


def test_proposals_and_works_are_made_by_their_script(tmp_path: Path) -> None:
    """The files in the folder are those that the script writes, coordinates to a millimetre."""
    import subprocess
    import sys

    script = EXAMPLES / "make_proposals.py"
    subprocess.run([sys.executable, str(script), str(tmp_path)], check=True, capture_output=True)
    made = [one.relative_to(tmp_path) for one in tmp_path.rglob("*") if one.is_file()]
    assert len(made) == 14
    for one in made:
        new = (tmp_path / one).read_text(encoding="utf-8")
        old = (EXAMPLES / one).read_text(encoding="utf-8")
        if one.suffix != ".geojson":
            assert new == old
            continue
        pairs = zip(json.loads(new)["features"], json.loads(old)["features"], strict=True)
        for mine, theirs in pairs:
            assert mine["properties"] == theirs["properties"]
            shapes = [shapely.from_geojson(json.dumps(f["geometry"])) for f in (mine, theirs)]
            assert shapely.equals_exact(shapes[0], shapes[1], tolerance=1e-8)


def test_what_to_resplice_first_is_on_the_page() -> None:
    """Every line of the list for tower N1-T05, in this order."""
    places = wa.dig(proof("estuary"), assets=["N1-T05"]).facts()["resplice"]
    lines = []
    for place in places:
        lines.append(resplice_place(place))
        lines += [f"  {one.carries}: {tray(one.tray)}{one.fibres}" for one in resplice_steps(place)]
        assert not resplice_unknown(place)
    assert "\n".join(lines) in (ROOT / "docs" / "dig.md").read_text(encoding="utf-8")


def tray(name: str) -> str:
    return f"tray {name}, " if name else ""
