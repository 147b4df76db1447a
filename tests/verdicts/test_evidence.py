"""What `prove --json` writes keeps to its schema and carries a witness of every verdict."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from everyday import some
from proofs import proof_of
from random_plant import write_random_study
from small_study import write_small_study

ROOT = Path(__file__).resolve().parents[2]
SEEDS = range(12)


def schema() -> Any:
    text = files("waysapart").joinpath("evidence.schema.json").read_text(encoding="utf-8")
    return json.loads(text)


def numbers(text: str) -> set[int]:
    """'0-3 7' as {0, 1, 2, 3, 7}."""
    found: set[int] = set()
    for run in text.split():
        low, _, high = run.partition("-")
        found |= set(range(int(low), int(high or low) + 1))
    return found


def validated(facts: dict[str, Any]) -> dict[str, Any]:
    plain = json.loads(json.dumps(facts, allow_nan=False))
    jsonschema.Draft202012Validator(schema()).validate(plain)
    return dict(plain)


@pytest.fixture(scope="module", params=["demo", *some(SEEDS, every=8)])
def facts(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Any:
    if request.param == "demo":
        return validated(proof_of(ROOT / "examples" / "estuary").facts())
    folder = tmp_path_factory.mktemp("plant") / "study"
    write_random_study(folder, request.param)
    return validated(proof_of(folder).facts())


def test_the_schema_is_a_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(schema())


def test_the_schema_is_not_empty_words() -> None:
    """A verdict that there is not, a set that is none and a missing witness are all refused."""
    sound = proof_of(ROOT / "examples" / "estuary").facts()
    check = jsonschema.Draft202012Validator(schema())
    for place, value in (
        (("circuits", 0, "verdict"), "fine"),
        (("evidence", "paths", 0, "relies_on"), "0-3, 7"),
        (("evidence", "verdicts", 0, "sides"), [["main"]]),
        (("evidence", "schema"), "urn:waysapart:evidence:1"),
        (("inputs", 0, "sha256"), "abc"),
    ):
        spoilt = json.loads(json.dumps(sound))
        inner = spoilt
        for key in place[:-1]:
            inner = inner[key]
        inner[place[-1]] = value
        assert not check.is_valid(spoilt), place


def test_sets_are_as_large_as_each_path_says(facts: Any) -> None:
    circuits = {one["id"]: one for one in facts["circuits"]}
    for path in facts["evidence"]["paths"]:
        told = circuits[path["circuit"]]["paths"][path["path"]]
        assert len(numbers(path["relies_on"])) == told["relies_on"]
        assert path["links"] == told["links"]


def test_shared_assets_are_what_the_sets_have_in_common(facts: Any) -> None:
    """For a circuit: the intersection of all sides' sets is shared, unavoidable and tail."""
    evidence = facts["evidence"]
    circuits = {one["id"]: one for one in facts["circuits"]}
    for verdict in evidence["verdicts"]:
        if verdict["kind"] != "circuit" or len(verdict["sides"]) < 2:
            continue
        sets = [
            set().union(*(numbers(evidence["paths"][path]["relies_on"]) for path in side))
            for side in verdict["sides"]
        ]
        common = {evidence["assets"][number] for number in set.intersection(*sets)}
        told = circuits[verdict["id"]]
        shared = {one["asset"] for one in told["shared"]}
        assert common == shared | set(told["unavoidable"]) | set(told["tail"])
        assert verdict["hazards_on_all"] == [
            name for name in evidence["assets"] if name in common and name in _hazards(evidence)
        ]


def _hazards(evidence: Any) -> set[str]:
    return {evidence["assets"][n] for n in numbers(evidence["roles"].get("hazards", ""))}


def test_every_two_sides_have_their_closest_approach(facts: Any) -> None:
    for told, verdict in zip(
        facts["circuits"] + facts["groups"], facts["evidence"]["verdicts"], strict=True
    ):
        assert told["id"] == verdict["id"]
        assert told["verdict"] == verdict["verdict"]
        metres = [one["distance_m"] for one in verdict["closest"]]
        assert (min(metres) if metres else None) == told["closest_m"]


def test_sets_by_hand(tmp_path: Path) -> None:
    """West Sands to Marsh Point: nothing in common but what the relays stand on by themselves.

    The relays with their sites, their batteries, the charger and the room. The circuit is in
    a group of one, which has nobody to be held against.
    """
    facts = proof_of(write_small_study(tmp_path / "study")).facts()
    evidence = facts["evidence"]
    main, alternate = (
        {evidence["assets"][n] for n in numbers(path["relies_on"])} for path in evidence["paths"]
    )
    at_ends = {"R-W", "R-M", "WS", "MP", "B-W", "B-M", "ROOM-W", "CH-M"}
    assert main == at_ends | {"C1", "S1", "S2", "S3", "S4", "T1", "T2", "T3"}
    assert alternate == at_ends | {
        "C2", "D1", "D2", "D3", "D4", "P1", "P2", "P3", "J1", "TR1",
    }  # fmt: skip
    (verdict, lone) = evidence["verdicts"]
    assert verdict["sides"] == [[0], [1]]
    assert verdict["no_hazard_on_all"]
    assert lone["kind"] == "group"
    assert lone["verdict"] == "unproven"
