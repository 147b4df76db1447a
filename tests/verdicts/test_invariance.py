"""No verdict hangs on what things are called, in which order rows stand, or which path is main.

Every plant is written again with all ids exchanged for others that sort in another order and
with all rows shuffled; and again with the names main and alternate exchanged. What is found
must be the same, under the new names.
"""

from __future__ import annotations

import csv
import json
import random
import re
from collections import Counter
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import pytest

import waysapart as wa
from drawn_plant import DrawnPlant
from everyday import some
from oracle import solve
from random_plant import write_random_study
from waysapart.report.words import single_points

Facts = dict[str, Any]
Row = dict[str, Any]
SEPARATION = "separation_m = 8\nend_zone_m = 60\nforbid_cross = true"
WORKING = "held by the ways in use"
_NOT_IDS = {"kind", "takes", "path", "medium", "service", "main_way"}
_OTHER = {"main": "alternate", "alternate": "main", "forward": "backward", "backward": "forward"}


def plant_with_limits(folder: Path, seed: int) -> Path:
    """A random plant whose paths must keep 8 m apart, some of what is found there waived."""
    write_random_study(folder, seed, waivers=0.0)
    # Where a ring's main way is blank, the shorter is main: then the names say nothing.
    rings = folder / "ring_circuits.csv"
    if rings.exists():
        _rewrite(
            folder,
            folder,
            rings.name,
            lambda row: {**row, "main_way": row["main_way"] or "forward"},
        )
    rules = folder / "rules.toml"
    text = rules.read_text(encoding="utf-8")
    text = text.replace("separation_m = 0\nforbid_cross = false", SEPARATION)
    rules.write_text(text, encoding="utf-8")
    rng = random.Random(f"waivers {seed}")
    facts = wa.prove(wa.read_study(folder)).facts()
    for found in (*facts["circuits"], *facts["groups"]):
        if rng.random() < 0.3:
            continue
        tops = [one["asset"] for one in found["shared"] if one["through"] is None]
        pairs = {(one["main"], one["alternate"]) for one in (*found["near"], *found["cross"])}
        share = rng.choice((0.7, 1.0, 1.0))
        for what in (*tops, *sorted(pairs)):
            if rng.random() < share:
                key = "asset" if isinstance(what, str) else "pair"
                text += (
                    f'[[waiver]]\ncircuit = "{found["id"]}"\n{key} = {json.dumps(what)}\n'
                    'reason = "agreed"\nby = "note 7"\nuntil = 2999-12-31\n'
                )
    rules.write_text(text, encoding="utf-8")
    return folder


def renamed(source: Path, folder: Path, seed: int) -> dict[str, str]:
    """Write a study again under other ids, its rows shuffled; old ids by the new ones."""
    rng = random.Random(f"names {seed}")
    folder.mkdir()
    old = set()
    for file in _layers(source):
        for row in _rows(source, file):
            old |= {str(row[name]) for name in ("id", "group", "scheme", "ring") if row.get(name)}
    fresh = [f"{rng.choice('ABKXYZ')}{number:04}" for number in rng.sample(range(10_000), len(old))]
    new = dict(zip(sorted(old), fresh, strict=True))

    def told(row: Row) -> Row:
        return {
            name: cell
            if name in _NOT_IDS or not isinstance(cell, str)
            else ";".join(new.get(part, part) for part in cell.split(";"))
            for name, cell in row.items()
        }

    for file in _layers(source):
        _rewrite(source, folder, file, told, rng.shuffle)
    for name in ("study.toml", "rules.toml"):
        text = (source / name).read_text(encoding="utf-8")
        text = re.sub('"([^"]*)"', lambda found: f'"{new.get(found[1], found[1])}"', text)
        (folder / name).write_text(text, encoding="utf-8")
    return {one: other for other, one in new.items()}


def swapped(source: Path, folder: Path) -> None:
    """Write a study again with main called alternate, and alternate main."""
    folder.mkdir()

    def told(row: Row) -> Row:
        turned = {
            name: _OTHER.get(row[name], row[name]) for name in ("path", "main_way") if name in row
        }
        return {**row, **turned}

    for file in _layers(source):
        _rewrite(source, folder, file, told)
    for name in ("study.toml", "rules.toml"):
        (folder / name).write_text((source / name).read_text(encoding="utf-8"), encoding="utf-8")


def _layers(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir() if path.suffix in (".csv", ".geojson"))


def _rows(folder: Path, file: str) -> list[Row]:
    text = (folder / file).read_text(encoding="utf-8")
    if file.endswith(".csv"):
        return list(csv.DictReader(text.splitlines()))
    return [feature["properties"] for feature in json.loads(text)["features"]]


def _rewrite(
    source: Path,
    folder: Path,
    file: str,
    told: Callable[[Row], Row],
    order: Callable[[list[Any]], None] = lambda rows: None,
) -> None:
    """Write a layer again, row by row."""
    if file.endswith(".csv"):
        rows = [told(row) for row in _rows(source, file)]
        order(rows)
        with (folder / file).open("w", encoding="utf-8", newline="") as out:
            writer = csv.DictWriter(out, list(rows[0]))
            writer.writeheader()
            writer.writerows(rows)
        return
    layer = json.loads((source / file).read_text(encoding="utf-8"))
    for feature in layer["features"]:
        feature["properties"] = told(feature["properties"])
    order(layer["features"])
    (folder / file).write_text(json.dumps(layer), encoding="utf-8")


def found_in(folder: Path, name: Callable[[str], str] = str) -> dict[str, Any]:
    """What is found for every circuit, group and scheme, ids as `name` gives them."""
    proof = wa.prove(wa.read_study(folder))
    facts = proof.facts()

    def told(numbers: Iterable[int]) -> Counter[tuple[str, ...]]:
        gaps = [proof.record_gaps[number] for number in numbers]
        # Two structures recorded alike in one place differ in nothing but their ids.
        return Counter(
            (gap.code, *sorted(map(name, gap.assets)))
            if gap.code == "same-place"
            else (gap.code, name(gap.asset or ""))
            for gap in gaps
        )

    found: dict[str, Any] = {
        "summary": facts["summary"],
        "gaps": told(range(len(proof.record_gaps))),
    }
    tests = zip((*facts["circuits"], *facts["groups"]), proof.gaps_of, strict=True)
    for one, gaps in tests:
        found[name(one["id"])] = {
            "verdict": one["verdict"],
            **({WORKING: True} if one.get("group_test") == "working" else {}),
            "within limits": one.get("within_limits"),
            "shared": {
                name(shared["asset"]): (
                    shared["waived"],
                    None if shared["through"] is None else name(shared["through"]),
                )
                for shared in one["shared"]
            },
            "unavoidable": sorted(map(name, one["unavoidable"])),
            "single points": sorted(map(name, single_points(one))),
            "blank": one["blank_within"],
            "near": _pairs(one["near"], name),
            "folded": _pairs(one["near_folded"], name),
            "cross": Counter(
                (frozenset(map(name, (row["main"], row["alternate"]))), row["waived"])
                for row in one["cross"]
            ),
            "closest": one["closest_m"] and round(one["closest_m"], 2),
            "gaps": told(gaps),
        }
    for one in facts["schemes"]:
        found[name(one["id"])] = (
            one["verdict"],
            one["within_limits"],
            sorted(map(name, one["single_points"])),
        )
    return found


def _pairs(rows: list[Row], name: Callable[[str], str]) -> set[Any]:
    """Segments that come near each other, whichever is told first, and whether that is waived."""
    return {
        (frozenset(map(name, (pair["main"], pair["alternate"]))), row["waived"])
        for row in rows
        for pair in row["members"]
    }


def check(folder: Path, seed: int) -> Counter[str]:
    """All that must not matter, on one plant; its verdicts."""
    source = plant_with_limits(folder / "plant", seed)
    base = found_in(source)
    back = renamed(source, folder / "renamed", seed)
    assert found_in(folder / "renamed", lambda name: back.get(name, name)) == base
    swapped(source, folder / "swapped")
    turned = found_in(folder / "swapped")
    assert turned.keys() == base.keys()
    working = {name for name, one in base.items() if WORKING in one}
    for name in base.keys() - working:
        assert turned[name] == base[name], name
    # Under `working` the swap puts other paths into use: those that the oracle finds there.
    after = solve(folder / "swapped").groups if working else {}
    for name in working:
        assert turned[name]["shared"].keys() == after[name].shared.keys()
    return Counter(one["verdict"] for one in base.values() if "verdict" in one)


@pytest.mark.parametrize("seed", some(range(4), every=4))
def test_names_order_and_which_path_is_main_change_nothing(seed: int, tmp_path: Path) -> None:
    check(tmp_path, seed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4, 200))
def test_they_change_nothing_on_many_more_plants(seed: int, tmp_path: Path) -> None:
    check(tmp_path, seed)


def test_the_plants_hold_every_verdict_and_what_is_hard_to_judge(tmp_path: Path) -> None:
    """Ten plants hold all verdicts, waived and folded runs, crossings, and reasons: as many are
    looked at as it takes to see them."""
    expected = {"shared", "unproven", "accepted", "apart", "near", "folded", "cross", "through"}
    expected |= {"waived"}
    seen: Counter[str] = Counter()
    for seed in range(10):
        if expected <= {name for name, count in seen.items() if count}:
            break
        for one in found_in(plant_with_limits(tmp_path / str(seed), seed)).values():
            if "verdict" in one:
                seen[one["verdict"]] += 1
                seen.update(name for name in ("near", "folded", "cross", "shared") if one[name])
                seen["through"] += any(through for _, through in one["shared"].values())
                seen["waived"] += any(waived for _, waived in one["near"])
    assert expected <= {name for name, count in seen.items() if count}


def twins(plain: str, other: str) -> DrawnPlant:
    """Pit `plain` stands between M1 and M2; `other` is the same pit, recorded once more.

    Only the end of M1 names it. The ends of M2 and N2 lie where both are.
    """
    plant = DrawnPlant((0, 0), (1000, 0))
    plant.nodes("pit", **{plain: (500, 0), other: (500, 0)})
    plant.segment("M1", "duct", "A", (250, 50), plain, b=plain)
    plant.segment("M2", "duct", plain, (750, 50), "B")
    plant.listed("CM", "M1 M2")
    plant.segment("N", "duct", "A", (0, 300), (1000, 300), "B")
    plant.listed("CN", "N")
    plant.circuit("CM", "CN")
    return plant


@pytest.mark.parametrize(("plain", "other"), [("P", "Q"), ("Q", "P")])
def test_a_pit_recorded_twice_is_told_of_the_one_that_no_end_names(
    plain: str, other: str, tmp_path: Path
) -> None:
    """And an end that lies at both is tied to the one that another end names."""
    proof = wa.prove(twins(plain, other).read(tmp_path))
    assert {(gap.code, gap.asset) for gap in proof.record_gaps} == {
        ("same-place", other),
        ("end-ambiguous", "M2"),
    }
