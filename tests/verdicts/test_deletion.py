"""Records that are missing never make a circuit apart.

Deleting one row never turns `shared` or `unproven` into `apart`, but for these reasons:

- the row was the shared thing itself, or all that was shared lay in it;
- it was one of two records between which a gap left the choice (`end-ambiguous`,
  `same-place`): without it the choice is settled;
- it was the last row of a path: the circuit then has one path fewer, and what was open about
  that path is open no more. With fewer than two paths left it is unproven for that.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import waysapart as wa
from random_plant import write_random_study
from waysapart.schema import ROLES

ROWS = ("cable_runs", "link_runs", "circuit_paths", "rings", "ring_circuits", "joints", "hazards")
PLACES = ("structures",)
CHOICES = {"end-ambiguous", "same-place"}
PER_STUDY = 8


def _named(study: wa.Study) -> set[str]:
    """Ids that some row refers to."""
    found: set[str] = set()
    for name, role in ROLES.items():
        for column in role.columns:
            if column.refers:
                for cell in study.tables[name][column.name].dropna():
                    found |= set(str(cell).split(";"))
    return found


def deletions(study: wa.Study, rng: random.Random, count: int) -> Iterator[tuple[str, Any]]:
    """Rows that can go without leaving a reference to nothing: role and position."""
    named = _named(study)
    rows = [(role, k) for role in ROWS for k in range(len(study.tables[role]))]
    rows = [
        (role, k)
        for role, k in rows
        if "id" not in study.tables[role] or study.tables[role]["id"].iloc[k] not in named
    ]
    rows += [
        (role, k)
        for role in PLACES
        for k, name in enumerate(study.tables[role]["id"])
        if name not in named
    ]
    yield from rng.sample(rows, min(count, len(rows)))


def without(study: wa.Study, role: str, position: int) -> wa.Study:
    table = study.tables[role]
    left = table.drop(index=table.index[position]).reset_index(drop=True)
    return replace(study, tables={**study.tables, role: left})


def excused(before: dict[str, Any], row: Any, *, a_way_less: bool) -> bool:
    """Whether one of the reasons above holds for a circuit or group that became apart."""
    name = row.get("id")
    if name is not None:
        if any(name in (one["asset"], one["through"]) for one in before["shared"]):
            return True
        choices = [gap for gap in before["gaps"] if gap["code"] in CHOICES]
        if any(name in gap["message"] for gap in choices):
            return True
    return a_way_less


@pytest.mark.parametrize(
    "seed", [1, 8, *(pytest.param(n, marks=pytest.mark.slow) for n in (4, 13))]
)
def test_deleting_a_row_makes_nothing_apart(seed: int, tmp_path: Path) -> None:
    study = wa.read_study(write_random_study(tmp_path / "study", seed, gaps=1.0))
    facts = wa.prove(study).facts()
    before = {(kind, one["id"]): one for kind in ("circuits", "groups") for one in facts[kind]}
    rng = random.Random(seed)
    for role, position in deletions(study, rng, PER_STUDY):
        row = study.tables[role].iloc[position]
        later = wa.prove(without(study, role, position)).facts()
        less = len(later["evidence"]["paths"]) < len(facts["evidence"]["paths"])
        for kind in ("circuits", "groups"):
            for one in later[kind]:
                was = before[kind, one["id"]]
                if was["verdict"] in ("shared", "unproven") and one["verdict"] == "apart":
                    what = f"{role} row {dict(row.drop('geometry', errors='ignore'))}"
                    assert excused(was, row, a_way_less=less), (
                        f"{what} made {kind} {one['id']} apart"
                    )


def test_the_property_would_notice(tmp_path: Path) -> None:
    """A prover that took a cable without runs for one that relies on nothing would fail it."""
    study = wa.read_study(write_random_study(tmp_path / "study", 4, gaps=0.0, groups=0.0))
    facts = wa.prove(study).facts()
    shared = next(one for one in facts["circuits"] if one["verdict"] == "shared")
    row = study.tables["cable_runs"].iloc[0]
    assert not excused(shared, row, a_way_less=False)
