"""What nobody can tell about counts, and is named: in plans, groups, schemes and rankings."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

import waysapart as wa
from commands import run
from dig_plant import two_ways, with_powers
from drawn_plant import DrawnPlant


def with_unknown() -> DrawnPlant:
    """K, and U between the same relays over a leased hop whose route nobody recorded."""
    plant = with_powers(two_ways())
    plant.rows["links"].append(
        {"id": "L-LEASED", "a": "RA", "b": "RB", "medium": "leased", "extra_delay_us": 1}
    )
    plant.rows["circuits"].append({"id": "U", "a": "RA", "b": "RB", "service": ""})
    for path, link in (("main", "L-CM"), ("alternate", "L-LEASED")):
        plant.rows["circuit_paths"].append({"circuit": "U", "path": path, "seq": 1, "link": link})
    return plant


def plan(folder: Path, *assets: str) -> Path:
    rows = {"id": [f"W{number}" for number in range(len(assets))]}
    table = folder / "plan.csv"
    days = {"from": "2026-05-04", "to": "2026-05-04"}
    pd.DataFrame(rows).assign(**days, assets=assets).to_csv(table, index=False)
    return table


def test_a_plan_that_loses_nothing_known_names_what_is_unknown_and_exits_3(
    tmp_path: Path,
) -> None:
    """e2 takes K's alternate; that U's leased hop runs there as well nobody can rule out."""
    folder = with_unknown().write(tmp_path / "study")
    table = plan(tmp_path, "e2")
    done = run("dig", folder, "--plan", table)
    assert done.exit_code == 3
    said = (
        "In the proposed order no circuit is known to be lost. U: unknown, record gaps leave "
        "open which of its paths the works put out of service."
    )
    assert said in " ".join(done.stdout.split())
    assert "no circuit known to be lost" in done.stdout
    assert "no circuit is lost" not in done.stdout
    facts = wa.plan_works(wa.read_study(folder), table).facts()
    assert facts["unknown"] == ["U"]
    assert facts["loses_nothing"], "as far as known"
    page = tmp_path / "notice.html"
    run("dig", folder, "--plan", table, "-o", page)
    assert said in page.read_text(encoding="utf-8")


def test_a_plan_over_known_records_that_loses_nothing_exits_0(tmp_path: Path) -> None:
    folder = with_powers(two_ways()).write(tmp_path / "study")
    done = run("dig", folder, "--plan", plan(tmp_path, "e2"))
    assert done.exit_code == 0
    assert "In the proposed order no circuit is lost." in done.stdout


def test_limits_that_nobody_knows_count_in_a_plan(tmp_path: Path) -> None:
    """K goes on over e; the powers of its links are not on record."""
    folder = two_ways().write(tmp_path / "study")
    done = run("dig", folder, "--plan", plan(tmp_path, "d2"))
    assert done.exit_code == 3
    assert "K: then on a path whose limits are not known" in " ".join(done.stdout.split())
    facts = wa.plan_works(wa.read_study(folder), plan(tmp_path, "d2")).facts()
    assert facts["as_planned"][0]["limits_unknown"] == ["K"]


def test_a_path_outside_a_limit_counts_in_a_plan(tmp_path: Path) -> None:
    """K's alternate takes 30 us; 25 us are allowed."""
    plant = with_powers(two_ways())
    for row in plant.rows["links"]:
        row["extra_delay_us"] = 0 if row["id"] == "L-CM" else 30
    folder = plant.write(tmp_path / "study")
    (folder / "rules.toml").write_text("[services.default]\nmax_delay_us = 25\n", encoding="utf-8")
    done = run("dig", folder, "--plan", plan(tmp_path, "d2"))
    assert done.exit_code == 1
    assert "K: then on a path outside a limit" in " ".join(done.stdout.split())
    facts = wa.plan_works(wa.read_study(folder), plan(tmp_path, "d2")).facts()
    assert facts["as_planned"][0]["over_limit"] == ["K"]
    back = run("dig", folder, "--plan", plan(tmp_path, "e2"))
    assert back.exit_code == 0, "the main path keeps the limit"


def test_groups_and_schemes_name_the_members_that_are_unknown(tmp_path: Path) -> None:
    """d2 takes a path of K and of U, so that both are weakened; U may be lost as well."""
    plant = with_unknown()
    for row in plant.rows["circuits"]:
        row.update(group="G", scheme="S")
    study = plant.read(tmp_path / "study")
    facts = wa.dig(study, assets=["e2"]).facts()
    (group,), (scheme,) = facts["groups"], facts["schemes"]
    assert (group["state"], group["unknown"]) == ("weakened", ["U"])
    assert (scheme["state"], scheme["unknown"]) == ("weakened", ["U"])
    assert facts["unknown"] == ["U"]
    done = run("dig", tmp_path / "study", "--asset", "e2")
    assert "group G: weakened; U unknown" in done.stdout
    assert "scheme S: weakened; U unknown" in done.stdout
    assert "U: record gaps leave open what else would put it out of service" in done.stdout


def test_a_circuit_on_one_path_says_that_its_records_have_gaps(tmp_path: Path) -> None:
    folder = with_unknown().write(tmp_path / "study")
    done = run("dig", folder, "--asset", "d2")
    (line,) = [one for one in done.stdout.splitlines() if one.startswith("  U")]
    assert "on-alternate" in line
    assert "record gap" in " ".join(done.stdout.split("  U")[1].split()[:30])


def test_a_group_that_drops_exits_1_though_each_member_has_two_paths_left(
    tmp_path: Path,
) -> None:
    """Both members' main paths are in d2; each has two more."""
    plant = with_powers(two_ways())
    plant.segment("f1", "duct", "A", (2000.0, 500.0), "B")
    plant.listed("CT", "f1")
    plant.rows["circuits"].append({"id": "K2", "a": "RA", "b": "RB", "service": ""})
    plant.rows["circuit_paths"] = [
        {"circuit": circuit, "path": path, "seq": 1, "link": f"L-{cable}"}
        for circuit in ("K", "K2")
        for path, cable in (("main", "CM"), ("alternate", "CA"), ("third", "CT"))
    ]
    for row in plant.rows["circuits"]:
        row["group"] = "G"
    works = wa.dig(with_powers(plant).read(tmp_path / "study"), assets=["d2"])
    assert works.facts()["groups"][0]["state"] == "dropped"
    assert works.exit_code() == 1


@pytest.mark.parametrize("circuit", [None, "U"])
def test_worst_names_the_circuits_that_more_may_lose(tmp_path: Path, circuit: str | None) -> None:
    folder = with_unknown().write(tmp_path / "study")
    only = () if circuit is None else ("--circuit", circuit)
    done = run("worst", folder, *only)
    assert "U: record gaps leave open what else would put it out of service" in done.stdout
    assert done.exit_code == 0
    proof = wa.prove(wa.read_study(folder))
    assert wa.worst(proof).facts()["unknown"] == ["U"]
    assert wa.worst(proof, circuits=["K"]).facts()["unknown"] == []
    assert wa.contingency(proof).facts()["unknown"] == ["U"]
