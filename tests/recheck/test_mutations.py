"""Every mutation that changes a fact is caught, every harmless one is passed over in silence.

`mutations.py` holds the mutations; run by hand over more seeds it does the same at length.
"""

from __future__ import annotations

import random
from copy import deepcopy
from pathlib import Path

import pytest

from everyday import examples
from mutations import (
    EVIDENCE,
    HARMLESS,
    NothingToDamageError,
    Outcome,
    mutate_evidence,
    mutate_study,
    proved,
    run,
)
from random_plant import write_random_study
from small_study import write_small_study

PLANTS = (3, 15, 24, 53)
PER_PLANT = examples(80, every_day=len(EVIDENCE))
"""Every kind of damage in turn, so that each is done once at least."""


@pytest.mark.parametrize(
    "plant", [3, *(pytest.param(n, marks=pytest.mark.slow) for n in PLANTS if n != 3)]
)
def test_damage_is_caught(plant: int, tmp_path: Path) -> None:
    """80 mutations (46 every day) of each plant's evidence, six of each plant itself."""
    study = write_random_study(tmp_path / "study", plant)
    facts, outcome = proved(study), Outcome()
    mutate_evidence(study, facts, f"{plant}", PER_PLANT, outcome)
    mutate_study(study, facts, f"{plant}", 6, outcome)
    assert outcome.missed == []
    assert sum(outcome.caught.values()) >= PER_PLANT


def test_harmless_changes_are_passed_over(tmp_path: Path) -> None:
    """Rows in another order, columns of one's own, other file formats."""
    study = write_random_study(tmp_path / "study", 15)
    outcome = Outcome()
    mutate_study(study, proved(study), "harmless", len(HARMLESS), outcome, HARMLESS)
    assert outcome.missed == []
    assert set(outcome.silent) == {change.__name__ for change in HARMLESS}


def test_every_kind_of_damage_finds_something_to_damage() -> None:
    """Over a few plants no mutation is idle; otherwise the score would say less than it seems."""
    import tempfile

    idle = {change.__name__ for change in EVIDENCE}
    for plant in PLANTS[:4]:
        with tempfile.TemporaryDirectory() as folder:
            facts = proved(write_random_study(Path(folder) / "study", plant))
        for change in [one for one in EVIDENCE if one.__name__ in idle]:
            for number in range(8):
                try:
                    change(deepcopy(facts), random.Random(number))
                except NothingToDamageError:
                    continue
                idle.discard(change.__name__)
                break
    assert idle == set()


def test_a_run_counts_what_it_does(tmp_path: Path) -> None:
    write_small_study(tmp_path / "study")
    outcome = run(7, evidence=5, study=1, harmless=1, plants=1)
    assert outcome.total >= 5
    assert outcome.missed == []
