"""Evidence in a file: what follows from the rest is left out, and comes back on reading."""

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
from waysapart import evidence
from waysapart.cli.common import json_text
from waysapart.evidence_file import in_file, in_full
from waysapart.recheck import recheck

ROOT = Path(__file__).resolve().parents[2]


def written(facts: Any) -> Any:
    return json.loads(json_text(in_file(facts)))


@pytest.fixture(scope="module", params=["demo", "awkward", *some(range(24), every=12)])
def facts(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Any:
    if isinstance(request.param, str):
        folder = ROOT / "examples" / {"demo": "estuary", "awkward": "awkward"}[request.param]
    else:
        folder = tmp_path_factory.mktemp("plant") / "study"
        write_random_study(folder, request.param)
    return proof_of(folder).facts()


def test_everything_comes_back(facts: Any) -> None:
    """Field by field; and the file has four fifths of the bytes or less, also of a small plant."""
    before = json.dumps(facts)
    told = written(facts)
    assert in_full(told) == json.loads(before)
    assert json.dumps(facts) == before, "the facts stay as they are"
    assert len(json_text(told)) < 0.8 * len(json_text(facts))


def test_a_file_keeps_to_the_schema(facts: Any) -> None:
    schema = json.loads(files("waysapart").joinpath("evidence.schema.json").read_text("utf-8"))
    jsonschema.Draft202012Validator(schema).validate(written(facts))
    assert evidence.misfits(in_full(written(facts))) == []


CIRCUIT = (
    *("id", "service", "verdict", "within_limits", "paths", "shared", "stretches", "unavoidable"),
    *("blank_within", "near", "cross", "closest_m", "separation", "delay", "unavailability"),
    *("tail", "with_protected", "gaps"),
)
"""What other programs read of a circuit, whatever it holds."""
PATH = ("links", "length_m", "delay_us", "loss", "relies_on")
DELAY = ("worst_us", "limit_us", "ok", "asymmetry_us", "asymmetry_limit_us", "asymmetry_ok")
SHARED = ("asset", "role", "kind", "waived", "through", "stretch")
NEAR = ("main", "alternate", "distance_m", "length_m", "at", "members")
LOSS = ("link", "wavelength_nm", "loss_db", "margin_db", "ok")


def test_what_other_programs_read_is_always_there(facts: Any) -> None:
    """Also where it is null or empty, and with the same value."""
    told = written(facts)
    for mine, full in zip(told["circuits"], facts["circuits"], strict=True):
        for name in CIRCUIT:
            assert name in mine
        for label, path in mine["paths"].items():
            assert {name: path[name] for name in PATH} == {
                name: full["paths"][label][name] for name in PATH
            }
            assert mine["delay"][f"{label}_us"] == full["delay"][f"{label}_us"]
            assert mine["unavailability"][label] == full["unavailability"][label]
            assert all(set(LOSS) <= set(one) for one in path["loss"])
        assert {name: mine["delay"][name] for name in DELAY} == {
            name: full["delay"][name] for name in DELAY
        }
        assert {"both", "ok"} <= set(mine["unavailability"])
        assert all(set(SHARED) <= set(one) for one in mine["shared"])
        for near in mine["near"]:
            assert set(NEAR) <= set(near)
            assert all({"main", "alternate"} <= set(pair) for pair in near["members"])


@pytest.mark.parametrize(
    ("ids", "runs"),
    [
        (["T10", "T11", "T8", "T9"], [["T", "8-11"]]),
        (["T1", "T3"], [["T", "1 3"]]),
        (["T1"], [["T1"]]),
        (["T9", "T10"], [["T9"], ["T10"]]),
        (["T01", "T02", "T1"], [["T0", "1-2"], ["T1"]]),
        (["0", "00", "1"], [["0"], ["00"], ["1"]]),
        (["A", "A1", "A-1", "A-2"], [["A"], ["A1"], ["A-", "1-2"]]),
        (["T" + 20 * "7"], [["T" + 20 * "7"]]),
        (["X²", "X٣", "X1 ", ""], [["X²"], ["X٣"], ["X1 "], [""]]),
        ([], []),
    ],
)
def test_ids_in_runs(ids: list[str], runs: list[list[str]]) -> None:
    """Numbers stand in the order of their texts, 10 before 8; noughts before one belong to the
    beginning; digits of other scripts and more than fifteen of them are no number."""
    from waysapart.evidence_file import _ids, _runs

    assert _runs(ids) == runs
    assert _ids(runs) == ids


def test_a_forged_default_is_told(tmp_path: Path) -> None:
    """To strike a field out of a file says that it has its usual value: recheck holds that."""
    study = ROOT / "examples" / "estuary"
    sound = written(proof_of(study).facts())
    forged = 0
    for circuit in sound["circuits"]:
        told = json.loads(json.dumps(sound))
        mine = next(one for one in told["circuits"] if one["id"] == circuit["id"])
        for name in ("near_folded", "single_points", "group", "end_zone_m"):
            if forged < 3 and name in mine:
                del mine[name]
                file = tmp_path / "forged.json"
                file.write_text(json.dumps(told), encoding="utf-8")
                assert recheck(study, file)["false"], name
                forged += 1
                break
    assert forged == 3


@pytest.mark.parametrize(
    "runs",
    [
        [["T", "0-99999999999"]],
        [["T", "x"]],
        [["T", "1", "2"]],
        [[]],
        "T",
        [7],
        None,
    ],
)
def test_ids_that_are_none_are_refused(runs: Any) -> None:
    """Hostile runs lead to no traceback, and to no more memory than a plant takes."""
    told = written(proof_of(ROOT / "examples" / "estuary").facts())
    told["evidence"]["asset_runs"] = runs
    assert evidence.misfits(in_full(told))


@pytest.mark.parametrize("value", [None, 7, "x", [], {}, [None], [[]], {"a": None}])
def test_a_file_of_another_form_is_refused(value: Any) -> None:
    """Whatever stands in the place of a part of it."""
    told = written(proof_of(ROOT / "examples" / "estuary").facts())
    places: list[tuple[Any, ...]] = [
        *((name,) for name in ("circuits", "groups", "links", "assumptions", "evidence")),
        *(("circuits", 0, name) for name in ("paths", "near", "delay", "unavailability")),
        *(("evidence", name) for name in ("links", "paths", "verdicts")),
        *(("links", 0, name) for name in ("loss", "lengths", "untested")),
    ]
    for place in places:
        spoilt = json.loads(json.dumps(told))
        inner = spoilt
        for key in place[:-1]:
            inner = inner[key]
        inner[place[-1]] = value
        full = in_full(spoilt)
        assert isinstance(full, dict), place
        evidence.misfits(full)
