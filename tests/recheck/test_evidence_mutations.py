"""Every change at every place that the form of the evidence describes is told, or listed here.

`evidence_mutator.py` walks the JSON Schema: for every schema path it nudges numbers, turns answers,
changes texts and ids, deletes, doubles and swaps elements, and asks `recheck`. What recheck does
not hold it names itself (`NOT_HELD`, and under `not_checked` of every run); nothing that decides
may rest on that.
"""

from __future__ import annotations

import json
import zlib
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from evidence_mutator import (
    EXAMPLES,
    UNHELD,
    Proved,
    Score,
    at,
    built_once,
    mutate,
    places,
    plants,
    unheld,
)
from forged_study import write_forged_study
from random_plant import write_random_study
from traced_plant import TracedPlant
from waysapart.cli.common import json_text
from waysapart.errors import StudyError
from waysapart.evidence_file import in_file, in_full
from waysapart.recheck import run
from waysapart.recheck.evidence import NOT_HELD

ORDERLESS = {
    *("assumptions[]", "circuits[]", "groups[]", "inputs[]", "links[]", "out[]", "gaps[]"),
    *("circuits[].gaps[]", "groups[].gaps[]", "circuits[].cross[]", "groups[].cross[]"),
    *("circuits[].near[]", "groups[].near[]", "circuits[].near_folded[]"),
    *("groups[].near_folded[]", "circuits[].shared[]", "groups[].shared[]"),
    *("circuits[].near[].members[]", "groups[].near[].members[]"),
    *("circuits[].near_folded[].members[]", "groups[].near_folded[].members[]"),
    *("circuits[].unavoidable[]", "groups[].unavoidable[]", "circuits[].tail[]"),
    *("circuits[].single_points.assets[]", "groups[].single_points.assets[]"),
    *("circuits[].stretches[].holders[]", "groups[].stretches[].holders[]"),
    *("circuits[].with_protected[]", "circuits[].paths{}.other_lengths[]", "schemes[]"),
    *("evidence.verdicts[]", "evidence.verdicts[].closest[]", "evidence.paths[].hazards[]"),
    *("evidence.verdicts[].hazards_on_all[]", "schemes[].single_points[]", "gaps[].assets[]"),
    *("links[].loss.held_to[]", "links[].loss.held_to[].services[]", "matched[]"),
    *("evidence.assets[]", "circuits[].stretches[].members[]", "groups[].stretches[].members[]"),
}
"""Lists of which the order of what has changed places may mean nothing: of `assets` two that the
same paths rely on, of `members` two at one place."""
LAWFUL = {
    ("circuits[].stretches[].via{}[]", "element deleted"): "a shorter chain that leads there too",
    ("groups[].stretches[].via{}[]", "element deleted"): "a shorter chain that leads there too",
    ("circuits[].gaps[].asset", "another"): "another of the many that touch it",
    ("groups[].gaps[].asset", "another"): "another of the many that touch it",
    **{
        (f"circuits[].{figure}", kind): "a bound between what is sure and what is known"
        for figure in (
            *("paths{}.length_at_least_m", "paths{}.route_at_least_m", "paths{}.go_at_least_us"),
            *("paths{}.return_at_least_us", "delay.asymmetry_at_least_us"),
        )
        for kind in ("nudged", "by a lot", "another")
    },
    **{
        (f"links[].lengths.{term}_m", kind): "of a length that is not known as a whole"
        for term in ("route", "sag", "helix", "overlength", "slack", "test")
        for kind in ("nudged", "by a lot", "negated", "another", "set to null", "set")
    },
    **{
        (f"{of}[].{what}", "another"): said
        for of in ("circuits", "groups")
        for what, said in (
            ("gaps", "the same gaps, of another of the many that touch it"),
            ("gaps[]", "the same gap, of another of the many that touch it"),
            ("stretches[].via", "other chains that lead there too"),
            ("stretches[].via{}", "another chain that leads there too"),
            (
                "cross[].at",
                "the same place but for the centimetres that two ways of working differ",
            ),
            ("unavailability.at_least", "the same but for rounding"),
        )
    },
    ("evidence.verdicts[].closest[].points", "another"): "another two places as close",
    ("study", "nonsense"): "a study that states no name is called by its folder",
}
"""Changes that make another thing that is so."""


def _missed(score: Score) -> list[str]:
    """Changes that went untold and should not have."""
    return [
        f"{path}, {kind}: {where}"
        for path, kinds in sorted(score.untold.items())
        for kind, where in kinds.items()
        if not (unheld(path) or (path, kind) in LAWFUL)
        and not (kind == "elements swapped" and path in ORDERLESS)
    ]


def _share(part: int, of: int) -> Any:
    """Which schema paths are looked at in one of so many parts."""
    return lambda path: not unheld(path) and zlib.crc32(path.encode()) % of == part


@pytest.fixture(scope="module")
def some(tmp_path_factory: pytest.TempPathFactory) -> Iterator[list[Proved]]:
    """The awkward example, the plant of the forgers, a random one with groups, a spliced one."""
    folder, stopped = tmp_path_factory.mktemp("mutated"), TracedPlant()
    stopped.without("splices", a_fibre=1)
    with built_once():
        yield [
            Proved.of("awkward", EXAMPLES / "awkward"),
            Proved.of("forged", write_forged_study(folder / "forged" / "study")),
            Proved.of("plant 1", write_random_study(folder / "plant" / "study", 1)),
            Proved.of("a trace that stops", stopped.folder(folder / "traced")),
        ]


@pytest.mark.parametrize("which", range(3))
def test_changes_are_told(which: int, some: list[Proved]) -> None:
    """A share of the schema paths of each, every kind of change once."""
    score, proved = Score(), some[which]
    assert proved.told(proved.facts) == []
    mutate(proved, 1, which, score, _share(which, 12))
    assert _missed(score) == []
    assert sum(score.made.values()) > 60


class Filed(Proved):
    """Evidence as it stands in a file, where what follows from the rest is left out."""

    def told(self, facts: dict[str, Any]) -> list[str]:
        return super().told(in_full(facts))


def _filed(proved: Proved) -> Filed:
    facts = json.loads(json_text(in_file(proved.facts)))
    return Filed(proved.name, proved.folder, facts, proved.records)


IN_PLACE = ("unavailability.greatest_shares", "untested")
"""Of a file, in place of what is not held."""
ROUNDED = {(f"{of}[].closest.danger_radius_m", "deleted") for of in ("circuits", "groups")}
"""What the field is where it is absent, but for the last digit."""


def _missed_in_file(score: Score) -> list[str]:
    said = (one for one in _missed(score) if not any(name in one for name in IN_PLACE))
    return [one for one in said if tuple(one.split(": ")[0].split(", ")) not in ROUNDED]


@pytest.mark.parametrize("which", range(3))
def test_changes_in_a_file_are_told(which: int, some: list[Proved]) -> None:
    """The same of evidence as it stands in a file: a field struck out has its usual value then."""
    score, proved = Score(), _filed(some[which])
    assert proved.told(proved.facts) == []
    mutate(proved, 1, which, score, _share(which + 3, 36))
    assert _missed_in_file(score) == []
    assert sum(score.made.values()) > 15


@pytest.mark.slow
@pytest.mark.parametrize("which", range(3))
def test_all_changes_in_a_file_are_told(which: int, some: list[Proved]) -> None:
    score = Score()
    mutate(_filed(some[which]), 2, which, score, lambda path: not unheld(path))
    assert _missed_in_file(score) == []
    assert sum(score.made.values()) > 1_000


@pytest.mark.slow
@pytest.mark.parametrize("which", range(11))
def test_all_changes_are_told(which: int, tmp_path: Path) -> None:
    """The awkward example and ten random plants, every schema path, three places of each."""
    score = Score()
    for place, proved in enumerate(plants(10, tmp_path)):
        if place == which:
            with built_once():
                mutate(proved, 3, 1, score, lambda path: not unheld(path))
    assert _missed(score) == []
    assert sum(score.made.values()) > 2_000


@pytest.mark.slow
def test_all_changes_of_the_demo_are_told() -> None:
    score = Score()
    with built_once():
        proved = Proved.of("demo", EXAMPLES / "estuary")
        mutate(proved, 1, 1, score, lambda path: not unheld(path))
    assert _missed(score) == []


def test_the_form_describes_every_place(some: list[Proved]) -> None:
    """But what the rules may hold as a value: anything."""
    for proved in some:
        bare = {one.path for one in places(proved.facts) if one.schema is None}
        assert {path for path in bare if not path.startswith("assumptions[].value")} == set()


def test_what_is_not_held_is_said(some: list[Proved]) -> None:
    """In `not_checked`, once for each kind; and every such path is one of the form."""
    for proved in some:
        findings, _ = run.judge(proved.records, proved.facts)
        said = set(findings.not_checked)
        assert set(NOT_HELD) <= said
        assert len(findings.not_checked) == len(said)
    known = {one.path for proved in some for one in places(proved.facts)}
    assert {path for path in UNHELD if path not in known} <= {
        *("drums", "groups[].near[].stretch", "groups[].near_folded[].stretch"),
        *("circuits[].near[].stretch", "circuits[].near_folded[].stretch"),
    }


def _wiped(proved: Proved) -> dict[str, Any]:
    """Evidence with everything that is not held changed at once, as far as the form lets."""
    facts = json.loads(json.dumps(proved.facts))
    for place in places(proved.facts):
        if not unheld(place.path) or not place.keys:
            continue
        value, mine = place.value, at(facts, place.keys[:-1])
        kinds = (place.schema or {}).get("type")
        if isinstance(value, str) and "enum" not in (place.schema or {}):
            if "pattern" not in (place.schema or {}):
                mine[place.keys[-1]] = "something else"
        elif isinstance(value, float) and kinds == "number":
            mine[place.keys[-1]] = value + 1.0
    return facts


def test_nothing_rests_on_what_is_not_held(some: list[Proved]) -> None:
    """With all of it changed nothing else becomes false, and a turned answer is told as before, of
    two places of each path."""
    for proved in some:
        wiped = _wiped(proved)
        assert wiped != proved.facts
        assert proved.told(wiped) == []
        seen: Counter[str] = Counter()
        for place in places(wiped):
            name = place.path.rsplit(".", maxsplit=1)[-1]
            if unheld(place.path) or name not in ("verdict", "within_limits", "ok", "loss_ok"):
                continue
            seen[place.path] += 1
            if seen[place.path] > 2:
                continue
            for answer in ("shared", "unproven", "accepted", "apart", True, False, None):
                if (answer in (True, False, None)) == (name == "verdict") or answer == place.value:
                    continue
                kept = place.value
                at(wiped, place.keys[:-1])[place.keys[-1]] = answer
                assert proved.told(wiped), f"{place.path} {place.keys}: {kept} to {answer}"
                at(wiped, place.keys[:-1])[place.keys[-1]] = kept


def test_a_key_that_stands_twice_is_refused_anywhere(some: list[Proved], tmp_path: Path) -> None:
    """One object of every schema path has its first key a second time, at the end."""
    file, seen = tmp_path / "doubled.json", set[str]()
    proved = some[1]
    for place in places(proved.facts):
        if not isinstance(place.value, dict) or not place.value or place.path in seen:
            continue
        seen.add(place.path)
        facts = json.loads(json.dumps(proved.facts))
        at(facts, place.keys)["\u0001"] = 0
        key = json.dumps(next(iter(place.value)))
        file.write_text(json.dumps(facts).replace('"\\u0001"', key), encoding="utf-8")
        with pytest.raises(StudyError, match="stands twice"):
            run.run(proved.folder, file)
    assert len(seen) > 40
