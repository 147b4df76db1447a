"""Which records to enter first, so that the most circuits are decided with the fewest of them."""

from __future__ import annotations

import csv
import itertools
import json
import random
import time
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import scipy.sparse as sp
from click.testing import CliRunner, Result

from proofs import proof_of
from small_study import write_small_study
from waysapart.cli import main
from waysapart.verdicts import record_first as module
from waysapart.verdicts.record_first import Bundle, record_first, record_order


def matrix(needs: Sequence[frozenset[int]], records: int) -> sp.csr_array:
    """Circuits by records from the sets that the circuits wait for."""
    full = np.zeros((len(needs), records), dtype=bool)
    for row, some in enumerate(needs):
        full[row, list(some)] = True
    return sp.csr_array(full)


def order(*needs: set[int]) -> list[tuple[list[int], list[int], bool]]:
    wanted = [frozenset(some) for some in needs]
    records = max((one for some in wanted for one in some), default=-1) + 1
    return [
        (one.records.tolist(), one.settled.tolist(), one.best)
        for one in record_order(matrix(wanted, records))
    ]


def random_needs(rng: random.Random) -> tuple[list[frozenset[int]], int]:
    """Up to seven circuits that wait for up to four of eight records each."""
    records = rng.randint(1, 8)
    circuits = rng.randint(1, 7)
    most = min(records, 4)
    return [
        frozenset(rng.sample(range(records), rng.randint(1, most))) for _ in range(circuits)
    ], records


def decided(needs: Sequence[frozenset[int]], entered: set[int]) -> set[int]:
    return {row for row, some in enumerate(needs) if some <= entered}


def most_decided(needs: Sequence[frozenset[int]], records: int, count: int) -> int:
    """The most circuits that so many records decide, by trying all choices."""
    return max(
        len(decided(needs, set(some))) for some in itertools.combinations(range(records), count)
    )


def check_sound(needs: Sequence[frozenset[int]], found: Sequence[Bundle]) -> None:
    """Each step names new records only, and exactly the circuits that are decided with it."""
    entered: set[int] = set()
    done: set[int] = set()
    for one in found:
        new = set(one.records.tolist())
        assert new
        assert not new & entered
        entered |= new
        assert set(one.settled.tolist()) == decided(needs, entered) - done
        assert one.settled.size
        done |= set(one.settled.tolist())
    assert done == set(range(len(needs)))
    assert entered == frozenset().union(*needs)


def test_the_record_that_decides_two_circuits_comes_before_that_which_decides_one() -> None:
    """Record 2 holds up circuits 1 and 2, record 0 circuit 0 alone."""
    assert order({0}, {2}, {2}) == [([2], [1, 2], True), ([0], [0], True)]


def test_two_records_for_three_circuits_come_before_one_for_one() -> None:
    """Records 0 and 1 together decide three circuits, 1.5 each; record 2 decides one. After the
    first of the pair only one circuit is decided, as with record 2, which is as good: so each
    step happens to be the best for its number."""
    found = order({0}, {0, 1}, {1}, {2})
    assert [one[0] for one in found] == [[0], [1], [2]]
    assert [one[1] for one in found] == [[0], [1, 2], [3]]
    assert found[-1][2]


def test_within_a_bundle_the_soonest_comes_first_and_is_not_said_to_be_best() -> None:
    """Records 0, 1 and 2 decide four circuits together. Circuit 0 needs records 0 and 1, so
    it is first; but with two records one could have decided no more, with three none but
    these decide four."""
    found = order({0, 1}, {0, 2}, {1, 2}, {0, 1, 2}, {3, 4, 5, 6})
    assert found[0] == ([0, 1], [0], False)
    assert found[1] == ([2], [1, 2, 3], True)
    assert found[2] == ([3, 4, 5, 6], [4], True)


def test_nothing_open_is_an_empty_list() -> None:
    assert order() == []
    assert record_order(sp.csr_array((3, 2), dtype=bool)) == []


def test_circuits_that_wait_for_nothing_are_passed_over() -> None:
    assert order(set(), {0}) == [([0], [1], True)]


@pytest.mark.parametrize("seed", range(30))
def test_the_exact_order_against_all_choices(seed: int) -> None:
    """After each step that is said to be the best, no choice of as many records decides more;
    the last one always is. Ratios of circuits to records fall from best step to best step, and
    no smaller choice of records has the ratio of the first bundle."""
    needs, records = random_needs(random.Random(seed))
    found = record_order(matrix(needs, records))
    check_sound(needs, found)
    assert found[-1].best
    entered: set[int] = set()
    done = 0
    ratios: list[Fraction] = []
    before = (0, 0)
    for one in found:
        entered |= set(one.records.tolist())
        done += len(one.settled)
        if one.best:
            assert done == most_decided(needs, records, len(entered))
            ratios.append(Fraction(done - before[1], len(entered) - before[0]))
            before = len(entered), done
    assert ratios == sorted(ratios, reverse=True)
    first = next(number for number, one in enumerate(found) if one.best)
    size = sum(len(one.records) for one in found[: first + 1])
    for count in range(1, records + 1):
        ratio = Fraction(most_decided(needs, records, count), count)
        assert ratio <= ratios[0]
        assert ratio < ratios[0] or count >= size


@pytest.mark.parametrize("seed", range(30))
def test_the_greedy_order_is_sound_and_never_said_to_be_best(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each of its steps has the fewest records that decide one circuit more in its part of the
    problem; where circuits have no record in common each is a part by itself, and exact."""
    monkeypatch.setattr(module, "_MOST_TARGETS", 0)
    needs, records = random_needs(random.Random(seed))
    found = record_order(matrix(needs, records))
    check_sound(needs, found)
    alone = all(not (one & other) for one, other in itertools.combinations(set(needs), 2))
    assert all(one.best for one in found) if alone else not any(one.best for one in found)
    entered: set[int] = set()
    for one in found:
        (first, *_) = one.settled.tolist()
        part = _part(needs, first)
        lacking = [len(needs[row] - entered) for row in part if not needs[row] <= entered]
        assert len(one.records) == min(lacking)
        entered |= set(one.records.tolist())


def _part(needs: Sequence[frozenset[int]], row: int) -> set[int]:
    """Circuits that hang together with one by records in common."""
    part = {row}
    while True:
        records = frozenset().union(*(needs[one] for one in part))
        more = {one for one, some in enumerate(needs) if some & records}
        if more == part:
            return part
        part = more


def test_large_is_greedy_and_quick() -> None:
    """3,000 circuits that wait for 100,000 blanks: a few seconds at most, and said to be greedy."""
    rng = np.random.default_rng(1)
    circuits, records, each = 3000, 100_000, 40
    rows = np.repeat(np.arange(circuits), each)
    columns = np.repeat(rng.integers(0, records - 4000, circuits), each)
    columns += rng.integers(0, 4000, circuits * each)
    ones = np.ones(len(rows), dtype=bool)
    needs = sp.csr_array((ones, (rows, columns)), shape=(circuits, records))
    needs.sum_duplicates()
    begin = time.process_time()
    found = record_order(needs)
    assert time.process_time() - begin < 15
    assert not any(one.best for one in found)
    assert sum(len(one.settled) for one in found) == circuits


def test_identical_records_count_as_one_with_a_weight() -> None:
    """100,000 blanks on one way that two circuits use: one step, exact."""
    ones = np.ones((2, 100_000), dtype=bool)
    begin = time.process_time()
    (only,) = record_order(sp.csr_array(ones))
    assert time.process_time() - begin < 5
    assert len(only.records) == 100_000
    assert only.settled.tolist() == [0, 1]
    assert only.best


@pytest.fixture
def sparse(tmp_path: Path) -> Path:
    """The small estuary: duct D2 does not say what it lies in, and relay R-M has no delay.

    Circuit K1 is unproven for the duct alone; with the duct known, its limits still wait for
    the delay. Its group G1 has one member, which no record mends.
    """
    folder = write_small_study(tmp_path / "sparse")
    supplies = folder / "supplies.csv"
    supplies.write_text("id,site,within,needs\nB-W,WS,ROOM-W,-\nB-M,MP,-,CH-M\n")
    equipment = folder / "equipment.csv"
    equipment.write_text(
        "id,site,kind,within,supplies,needs,delay_us\n"
        "R-W,WS,relay,ROOM-W,B-W,-,0\n"
        "R-M,MP,relay,-,B-M,-,\n"
    )
    links = folder / "links.csv"
    links.write_text(
        "id,a,b,wavelength_nm,medium,splices,tx_min_dbm,rx_min_dbm\n"
        "L1,R-W,R-M,1310,fibre,3,-5,-25\nL2,R-W,R-M,1550,fibre,3,-5,-25\n"
    )
    table = json.loads((folder / "segments.geojson").read_text())
    for feature in table["features"]:
        if feature["properties"]["id"] == "D2":
            feature["properties"]["within"] = None
    (folder / "segments.geojson").write_text(json.dumps(table))
    return folder


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(one) for one in arguments])


def test_verdicts_come_first_then_limits(sparse: Path) -> None:
    found = record_first(proof_of(sparse))
    first, second = found["steps"]
    assert (first["decides"], first["limits"], first["count"]) == (["K1"], [], 1)
    assert (second["decides"], second["limits"], second["count"]) == ([], ["K1"], 1)
    assert found["exact"]
    assert found["left"] == ["G1"]
    assert found["limits_left"] == []


def test_the_list_says_where_each_record_stands(sparse: Path) -> None:
    first = record_first(proof_of(sparse))["steps"][0]
    assert first["records"] == [
        {
            "code": "blank-within",
            "action": "enter within, or - where it lies in nothing",
            "file": "segments.geojson",
            "layer": "segments",
            "column": "within",
            "ids": ["D2"],
            "rows": [6],
        }
    ]


def test_check_prints_a_short_list(sparse: Path) -> None:
    done = run("check", sparse)
    assert done.exit_code == 3
    said = " ".join(done.output.split())
    assert "1. within of D2 (segments): decides K1" in said
    assert "2. delay_us of R-M (equipment): decides the limits of K1" in said
    assert "2 records in all, to decide 1 circuit and the limits of 1 circuit." in said
    assert "This order is exact" in said
    assert "These records do not decide G1." in said


def test_check_writes_it_as_json_and_csv(sparse: Path, tmp_path: Path) -> None:
    """The CSV has a row for each record, those of the first step first; a gap that no circuit
    waits for follows without a step."""
    extra = (sparse / "supplies.csv").read_text() + "B-X,MP,,-\n"
    (sparse / "supplies.csv").write_text(extra)
    target = tmp_path / "to-record.csv"
    done = run("check", sparse, "--json", "-", "--csv", target)
    facts = json.loads(done.output)
    assert facts["record_first"]["steps"][0]["decides"] == ["K1"]
    with target.open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(row["step"], row["id"], row["column"], row["file"]) for row in rows] == [
        ("1", "D2", "within", "segments.geojson"),
        ("2", "R-M", "delay_us", "equipment.csv"),
        ("", "B-X", "within", "supplies.csv"),
    ]
    assert rows[0]["decides"] == "K1"
    assert rows[1]["limits of"] == "K1"
    assert rows[1]["bears on"] == "limits"
    assert rows[2]["what to do"] == "enter within, or - where it lies in nothing"


def test_the_csv_is_no_place_for_formulas(sparse: Path, tmp_path: Path) -> None:
    extra = (sparse / "supplies.csv").read_text() + "=cmd()|x,MP,,-\n"
    (sparse / "supplies.csv").write_text(extra)
    run("check", sparse, "--csv", tmp_path / "list.csv")
    assert "'=cmd()|x" in (tmp_path / "list.csv").read_text()


def test_the_csv_is_not_written_over_an_input(sparse: Path) -> None:
    done = run("check", sparse, "--csv", sparse / "supplies.csv")
    assert done.exit_code == 2
    assert "is an input" in done.output


def test_prove_and_the_evidence_carry_the_list(sparse: Path) -> None:
    done = run("prove", sparse)
    assert "1. within of D2 (segments): decides K1" in " ".join(done.output.split())
    facts = proof_of(sparse).facts()
    assert [step["count"] for step in facts["record_first"]["steps"]] == [1, 1]


def test_entering_the_records_decides_what_was_said(sparse: Path) -> None:
    """The promise: with the first step's record in, K1 is no longer unproven, and with the
    second's its limits are known."""
    table = json.loads((sparse / "segments.geojson").read_text())
    for feature in table["features"]:
        if feature["properties"]["id"] == "D2":
            feature["properties"]["within"] = "-"
    (sparse / "segments.geojson").write_text(json.dumps(table))
    proof = proof_of(sparse)
    assert proof.verdicts[0] == "apart"
    assert proof.limits[0].within is None
    equipment = sparse / "equipment.csv"
    equipment.write_text(equipment.read_text().replace("B-M,-,\n", "B-M,-,0\n"))
    assert proof_of(sparse).limits[0].within is True


def test_a_path_out_of_service_is_no_record_to_enter(tmp_path: Path) -> None:
    """K1's alternate is out: nothing that anybody could record decides it."""
    folder = write_small_study(tmp_path / "out")
    toml = folder / "study.toml"
    toml.write_text(toml.read_text() + 'out = ["C2"]\n')
    (folder / "rules.toml").write_text(
        '[records]\nwithin = "none"\nsupplies = "none"\nneeds = "none"\ndelay_us = "none"\n'
    )
    found = record_first(proof_of(folder))
    assert found["steps"] == []
    assert "K1" in found["left"]


def test_a_figure_that_no_gap_names_is_said_to_be_left(sparse: Path) -> None:
    """Without powers of transmitter and receiver nobody knows K1's margin, delay or not."""
    links = sparse / "links.csv"
    links.write_text(links.read_text().replace("-5,-25", ","))
    found = record_first(proof_of(sparse))
    assert [step["decides"] for step in found["steps"]] == [["K1"]]
    assert found["limits_left"] == ["K1"]
    assert "or the limits of K1" in " ".join(run("check", sparse).output.split())


def test_a_study_without_gaps_has_nothing_to_record(tmp_path: Path) -> None:
    folder = write_small_study(tmp_path / "whole")
    (folder / "rules.toml").write_text(
        '[records]\nwithin = "none"\nsupplies = "none"\nneeds = "none"\ndelay_us = "none"\n'
    )
    done = run("check", folder)
    assert done.exit_code == 0
    assert "What to record first" not in done.output
