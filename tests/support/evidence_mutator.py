"""Change evidence at every place that its JSON Schema describes, one place at a time.

    python tests/support/evidence_mutator.py --plants 10 --each 3

A *schema path* names all places of one meaning: `circuits[].paths{}.delay_us` is the delay of
every path of every circuit, `[]` stands for any element of a list and `{}` for any key that is
a name. `changes` lists what can be changed at one place, `told` says whether `recheck` tells a
changed document. Run by hand this prints every schema path at which some change goes untold.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import tempfile
import warnings
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, NamedTuple

HERE = Path(__file__).resolve().parent
if __name__ == "__main__":
    sys.path[:0] = [str(HERE), str(HERE.parents[1] / "src")]

import waysapart as wa  # noqa: E402
from random_plant import write_random_study  # noqa: E402
from waysapart.recheck import run, verdicts  # noqa: E402
from waysapart.recheck.evidence import NOT_HELD, misshapen  # noqa: E402
from waysapart.recheck.records import Records, read_records  # noqa: E402

Facts = dict[str, Any]
Schema = dict[str, Any]
EXAMPLES = HERE.parents[1] / "examples"
NONSENSE = "no such thing"
STEP = {"m": 0.5, "us": 0.05, "ms": 0.5, "db": 0.01, "dbm": 0.01, "nm": 20.0, "deg": 0.01}
"""By the unit at the end of a field's name, a change that no rounding explains."""
PLACE_DEG = 0.0005
UNHELD = {path: reason for reason, paths in NOT_HELD.items() for path in paths}
"""Schema paths that recheck does not hold, each with the words under which it says so."""
SHARE = 0.01
"""Change of a figure without a unit, as a part of it."""


class Place(NamedTuple):
    """One place in a document: its schema path, the keys that lead there, and what stands there.

    `schema` is None where the schema says nothing of it.
    """

    path: str
    keys: tuple[str | int, ...]
    value: Any
    schema: Schema | None


class Change(NamedTuple):
    """A kind of change, and the function that makes it in a copy of the document."""

    kind: str
    make: Callable[[Facts], None]


@cache
def evidence_schema() -> Schema:
    """The JSON Schema that ships with the package."""
    text = files("waysapart").joinpath("evidence.schema.json").read_text(encoding="utf-8")
    return dict(json.loads(text))


def _resolved(schema: Schema | None, value: Any) -> Schema | None:
    """What a schema says of a value, references followed and alternatives chosen."""
    while schema is not None:
        more = {k: v for k, v in schema.items() if k not in ("$ref", "anyOf")}
        if "$ref" in schema:
            target: Any = evidence_schema()
            for key in schema["$ref"].removeprefix("#/").split("/"):
                target = target[key]
            schema = {**target, **more}
        elif "anyOf" in schema:
            options = (_resolved(one, value) or {} for one in schema["anyOf"])
            fitting = [one for one in options if isinstance(value, _TYPES[one.get("type", "null")])]
            schema = {**(fitting or [{}])[0], **more}
        else:
            return schema
    return None


_TYPES: dict[str, Any] = {
    **{"object": dict, "array": list, "string": str, "integer": int, "number": (int, float)},
    **{"boolean": bool, "null": type(None)},
}


def places(value: Any, schema: Schema | None = None, path: str = "") -> Iterator[Place]:
    """Every place of a document, the whole of it first."""
    yield from _places(value, _resolved(schema or evidence_schema(), value), path, ())


def _places(
    value: Any, schema: Schema | None, path: str, keys: tuple[str | int, ...]
) -> Iterator[Place]:
    yield Place(path, keys, value, schema)
    if isinstance(value, dict):
        for key, inner in value.items():
            name, of = _member(schema, key, inner)
            below = f"{path}{name}" if name == "{}" else f"{path}.{name}".removeprefix(".")
            yield from _places(inner, of, below, (*keys, key))
    elif isinstance(value, list):
        for number, inner in enumerate(value):
            yield from _places(inner, _element(schema, inner), f"{path}[]", (*keys, number))


def _member(schema: Schema | None, key: str, value: Any) -> tuple[str, Schema | None]:
    """The name in a schema path of a member of an object, and what the schema says of it."""
    if schema is None:
        return key, None
    if key in schema.get("properties", {}):
        return key, _resolved(schema["properties"][key], value)
    more = schema.get("additionalProperties", False)
    if more is False:
        return key, None
    return "{}", _resolved(more if isinstance(more, dict) else {}, value)


def _element(schema: Schema | None, value: Any) -> Schema | None:
    of = (schema or {}).get("items")
    return _resolved(of, value) if isinstance(of, dict) else None


# --- what can be changed -----------------------------------------------------------------


@dataclass
class Pool:
    """What else may stand at a place: values of the same schema path, and ids of the same role."""

    values: dict[str, list[Any]] = field(default_factory=lambda: defaultdict(list))
    alike: dict[str, list[str]] = field(default_factory=dict)

    @classmethod
    def of(cls, found: list[Place], records: Records) -> Pool:
        pool = cls()
        for place in found:
            if place.value is not None:
                pool.values[place.path].append(place.value)
        for rows in records.by.values():
            names = sorted(rows)
            pool.alike |= dict.fromkeys(names, names)
        return pool

    def other(self, place: Place, rng: random.Random) -> Any:
        """Another value that may stand there; None where there is none."""
        known = [*self.alike.get(str(place.value), ()), *self.values[place.path]]
        known += (place.schema or {}).get("enum", [])
        others = [one for one in known if one is not None and _differs(one, place)]
        return rng.choice(others) if others else None


def _differs(one: Any, place: Place) -> bool:
    """Whether a value is another than what stands at a place, by more than rounding explains."""
    numbers = isinstance(one, float) and isinstance(place.value, float)
    return abs(one - place.value) >= step(place) if numbers else bool(one != place.value)


def step(place: Place) -> float:
    """A change of a number that no rounding explains."""
    name = place.path.rstrip("[]{}").rsplit(".", maxsplit=1)[-1]
    if name in ("at", "points") or name.endswith("_at"):
        return PLACE_DEG
    if isinstance(place.value, int):
        return 1
    unit = name.rsplit("_", maxsplit=1)[-1]
    return STEP.get(unit, max(SHARE * abs(place.value), 1e-6))


def at(document: Any, keys: tuple[str | int, ...]) -> Any:
    for key in keys:
        document = document[key]
    return document


def _set(keys: tuple[str | int, ...], value: Any) -> Callable[[Facts], None]:
    def make(document: Facts) -> None:
        at(document, keys[:-1])[keys[-1]] = value

    return make


def _deleted(keys: tuple[str | int, ...]) -> Callable[[Facts], None]:
    def make(document: Facts) -> None:
        del at(document, keys[:-1])[keys[-1]]

    return make


def _doubled(keys: tuple[str | int, ...]) -> Callable[[Facts], None]:
    def make(document: Facts) -> None:
        mine = at(document, keys[:-1])
        mine.insert(keys[-1], mine[keys[-1]])

    return make


def _swapped(keys: tuple[str | int, ...], number: int) -> Callable[[Facts], None]:
    def make(document: Facts) -> None:
        mine = at(document, keys[:-1])
        one = int(keys[-1])
        mine[one], mine[number] = mine[number], mine[one]

    return make


def _renamed(keys: tuple[str | int, ...], name: str) -> Callable[[Facts], None]:
    def make(document: Facts) -> None:
        mine = at(document, keys[:-1])
        mine[name] = mine.pop(keys[-1])

    return make


def changes(place: Place, pool: Pool, whole: Facts, rng: random.Random) -> Iterator[Change]:
    """Every kind of change that fits a place."""
    value, keys = place.value, place.keys
    if isinstance(value, dict):
        yield Change("a field more", _set((*keys, "no_such_field"), 1))
    if not keys:
        return
    if isinstance(keys[-1], str):
        yield Change("deleted", _deleted(keys))
        if place.path.endswith("{}"):
            yield Change("renamed", _renamed(keys, NONSENSE))
    else:
        beside = at(whole, keys[:-1])
        yield Change("element deleted", _deleted(keys))
        yield Change("element doubled", _doubled(keys))
        others = [n for n, one in enumerate(beside) if one != value]
        if others:
            yield Change("elements swapped", _swapped(keys, rng.choice(others)))
    if isinstance(value, bool):
        yield Change("turned", _set(keys, not value))
    elif isinstance(value, int | float):
        yield Change("nudged", _set(keys, value + step(place)))
        yield Change("by a lot", _set(keys, 3 * value + 1000 * step(place)))
        if value:
            yield Change("negated", _set(keys, -value))
    elif isinstance(value, str):
        yield Change("nonsense", _set(keys, NONSENSE))
    other = pool.other(place, rng)
    if other is not None and not isinstance(value, bool):
        kind = "set" if value is None else "another"
        yield Change(kind, _set(keys, other))
    elif value is None:
        given: list[Any] = [1.5, NONSENSE, True, [NONSENSE]]
        for one in given:
            yield Change("set", _set(keys, one))
    if value is not None:
        yield Change("set to null", _set(keys, None))
    if isinstance(value, list | dict) and value:
        yield Change("emptied", _set(keys, type(value)()))


# --- whether it is told ------------------------------------------------------------------


class _Once:
    """Keeps the last world that was built: most changes leave what it is built of as it is."""

    def __init__(self) -> None:
        self.build, self.plane = run.build, verdicts.Plane
        self.key: tuple[int, str] = 0, ""
        self.world: Any = None
        self.of: Any = None
        self.pairs: dict[Any, Any] = {}

    def world_of(self, records: Records, facts: Facts) -> Any:
        used = [
            [facts["on"], facts["matched"], facts["gaps"]],
            [[one["id"], path, links["links"]] for one in facts["circuits"]
             for path, links in one["paths"].items()],
        ]  # fmt: skip
        key = id(records), json.dumps(used)
        if key != self.key:
            self.world, self.of, self.key = self.build(records, facts), None, key
        return self.world

    def plane_of(self, world: Any) -> Any:
        if world is not self.world:
            return self.plane(world)
        if self.of is None:
            self.of, self.pairs = self.plane(world), {}
            self.of.pair = self._pair
        return self.of

    def _pair(self, one: Any, other: Any, circuits: list[str], zone_m: float) -> Any:
        key = one, other, *circuits, zone_m
        if key not in self.pairs:
            self.pairs[key] = self.plane.pair(self.of, one, other, circuits, zone_m)
        return self.pairs[key]


@contextmanager
def built_once() -> Iterator[None]:
    """Let recheck build what the layers say once for many documents that leave it as it is."""
    once = _Once()
    run.build, verdicts.Plane = once.world_of, once.plane_of
    try:
        yield
    finally:
        run.build, verdicts.Plane = once.build, once.plane


@dataclass
class Proved:
    """A study, read once, and the evidence of its proof."""

    name: str
    folder: Path
    facts: Facts
    records: Records

    @classmethod
    def of(cls, name: str, folder: Path) -> Proved:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            facts = json.loads(json.dumps(wa.prove(wa.read_study(folder)).facts()))
        return cls(name, folder, facts, read_records(folder))

    def told(self, facts: Facts) -> list[str]:
        """What recheck says of a document: why it refuses it, what is false, what has changed."""
        refused = list(misshapen(facts))
        if refused:
            return refused
        findings, changed = run.judge(self.records, facts)
        return [*findings.false, *changed]


@dataclass
class Score:
    """By schema path and kind of change: how many were made, and those that went untold."""

    made: dict[tuple[str, str], int] = field(default_factory=lambda: defaultdict(int))
    untold: dict[str, dict[str, str]] = field(default_factory=lambda: defaultdict(dict))


def mutate(
    proved: Proved, each: int, seed: int, score: Score, wanted: Callable[[str], bool] | None = None
) -> None:
    """Make every kind of change at so many places of every schema path.

    `wanted` says of a schema path whether it is looked at. A change is none where all that it
    changes is not held.
    """
    rng = random.Random(f"{proved.name} {seed}")
    found = list(places(proved.facts))
    pool = Pool.of(found, proved.records)
    by_path: dict[str, list[Place]] = defaultdict(list)
    for place in found:
        by_path[place.path].append(place)
    text, held = json.dumps(proved.facts), _held(proved.facts)
    for path, mine in by_path.items():
        if wanted is not None and not wanted(path):
            continue
        full = [one for one in mine if one.value not in (None, [], {})]
        blank = [one for one in mine if one.value in (None, [], {})]
        chosen = rng.sample(full, min(each, len(full)))
        chosen += rng.sample(blank, min(each, len(blank)))
        for place in chosen:
            for change in changes(place, pool, proved.facts, rng):
                changed = json.loads(text)
                change.make(changed)
                if json.dumps(changed) == text:
                    continue
                score.made[path, change.kind] += 1
                if not proved.told(changed) and _held(changed) != held:
                    where = ".".join(map(str, place.keys))
                    score.untold[path].setdefault(change.kind, f"{proved.name}: {where}")


def unheld(path: str) -> bool:
    """Whether `recheck` says that it does not hold what stands at a schema path."""
    return any(path == one or path.startswith((f"{one}.", f"{one}[", f"{one}{{")) for one in UNHELD)


def _held(facts: Facts) -> list[Place]:
    """What stands in a document at the ends of its schema paths, but for what is not held."""
    return [
        place
        for place in places(facts)
        if not (isinstance(place.value, dict | list) and place.value) and not unheld(place.path)
    ]


def plants(count: int, folder: Path) -> Iterator[Proved]:
    """The awkward example and so many random plants."""
    yield Proved.of("awkward", EXAMPLES / "awkward")
    for seed in range(count):
        yield Proved.of(f"plant {seed}", write_random_study(folder / f"{seed}" / "study", seed))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plants", type=int, default=10)
    parser.add_argument("--each", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--demo", action="store_true")
    parser.add_argument("--only", default="")
    asked = parser.parse_args()
    score = Score()
    with tempfile.TemporaryDirectory() as folder:
        for proved in plants(asked.plants, Path(folder)):
            if proved.told(proved.facts):
                print("NOT SOUND", proved.name, proved.told(proved.facts)[:3])
                continue
            mutate(proved, asked.each, asked.seed, score, lambda p: p.startswith(asked.only))
        if asked.demo:
            known = {path for path, _ in score.made}
            demo = Proved.of("demo", EXAMPLES / "estuary")
            mutate(demo, 1, asked.seed, score, lambda p: p not in known)
    for path, kinds in sorted(score.untold.items()):
        print(path, kinds)
    print(f"{sum(score.made.values())} changes at {len({p for p, _ in score.made})} schema paths")
    return 1 if score.untold else 0


if __name__ == "__main__":
    sys.exit(main())
