"""Small random studies, full of the cases that are hard to judge.

`write_random_study(folder, seed, **knobs)` writes an invented estuary: a few sites
round the water, a line network of towers, a ground network of pits, cables along
both, links, circuits. The same seed and knobs give the same files. Every study is
valid; some records are left incomplete on purpose.
"""

from __future__ import annotations

import csv
import json
import random
from pathlib import Path
from typing import Any

import pyproj
import shapely
from shapely.geometry import mapping

from oracle import solve
from random_circuits import add_joints, plan_circuits
from random_ground import draw_ground, draw_hazards, draw_lines, draw_sites, draw_transitions
from random_machines import place_equipment
from random_study import GEOMETRY_ROLES, PLACES, TESTS, Knobs, Study
from random_troubles import add_twin, name_ends, spoil, take_out


def write_random_study(folder: str | Path, seed: int, **knobs: Any) -> Path:
    """Write the study of this seed into `folder`, and give the folder back.

    Parameters
    ----------
    folder : path
        Made where it does not exist; should be empty.
    seed : int
        The same seed and knobs write the same files.
    **knobs
        Fields of `Knobs`.
    """
    rng = random.Random(f"estuary {seed}")
    crs, east, north = rng.choice(PLACES)
    study = Study(rng, Knobs(**knobs), crs, (east, north))
    study.sparse = study.chance(study.knobs.blanks)
    draw_sites(study)
    draw_lines(study)
    draw_ground(study)
    draw_transitions(study)
    place_equipment(study)
    draw_hazards(study)
    plan_circuits(study)
    add_joints(study)
    if study.chance(study.knobs.gaps):
        for _ in range(rng.randint(1, 3)):
            spoil(study)
    elif study.chance(study.knobs.out):
        take_out(study)
    name_ends(study)
    if study.chance(study.knobs.twin):
        add_twin(study)
    _choose_rules(study)
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    _write(study, folder)
    if study.chance(study.knobs.waivers):
        _add_waivers(study, folder)
    return folder


def _choose_rules(study: Study) -> None:
    rng = study.rng
    study.settings["tests"] = {
        service: rng.choice(TESTS) for service in ("default", "differential", "intertrip")
    }
    if "out" in study.settings or not study.chance(study.knobs.groups):
        return
    lone = study.settings.get("ungrouped", set())
    circuits = [row for row in study.rows["circuits"] if row["id"] not in lone]
    for i in range(2):
        size = rng.randint(2, 3)
        members, circuits = circuits[:size], circuits[size:]
        if len(members) == size:
            service = rng.choice(["differential", "intertrip", ""])
            for row in members:
                row.update(group=f"PAIR{i + 1}", service=service)


def _write(study: Study, folder: Path) -> None:
    back = pyproj.Transformer.from_crs(study.crs, "EPSG:4326", always_xy=True)
    east, north = study.origin

    def to_lonlat(shape: Any) -> Any:
        def move(x: Any, y: Any) -> Any:
            return back.transform(x + east, y + north)

        return shapely.transform(shape, move, interleaved=False)

    for role in GEOMETRY_ROLES:
        rows = study.rows[role]
        if not rows:
            continue
        names = sorted({name for row in rows for name in row} - {"geometry"})
        features = []
        for row in rows:
            shape = row.get("geometry")
            features.append(
                {
                    "type": "Feature",
                    "properties": {
                        name: None if row.get(name, "") == "" else row[name] for name in names
                    },
                    "geometry": mapping(to_lonlat(shape)) if shape is not None else None,
                }
            )
        layer = {"type": "FeatureCollection", "features": features}
        text = json.dumps(layer, indent=1)
        (folder / f"{role}.geojson").write_text(text + "\n", encoding="utf-8")
    for role, rows in study.rows.items():
        if role in GEOMETRY_ROLES or not rows:
            continue
        names = list(dict.fromkeys(name for row in rows for name in row))
        with (folder / f"{role}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, names, restval="")
            writer.writeheader()
            writer.writerows(rows)
    lines = ['name = "Invented estuary"', f'crs = "{study.crs}"', 'rules = "rules.toml"']
    if "out" in study.settings:
        lines.append(f"out = {json.dumps(study.settings['out'])}")
    (folder / "study.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (folder / "rules.toml").write_text(_rules_text(study), encoding="utf-8")


def _rules_text(study: Study) -> str:
    lines = []
    if "ignore_kinds" in study.settings:
        lines += ["[reliance]", f"ignore_kinds = {json.dumps(study.settings['ignore_kinds'])}"]
    for service, test in study.settings["tests"].items():
        lines += [
            f"[services.{service}]",
            "separation_m = 0",
            "forbid_cross = false",
            f'group_test = "{test}"',
        ]
    lines += _records(study)
    lines += ['[fibres."G.652.D"]', "db_per_km = { 1310 = 0.35, 1550 = 0.22 }"]
    lines += ["group_index = { 1310 = 1.4677, 1550 = 1.4682 }"]
    return "\n".join(lines) + "\n"


def _records(study: Study) -> list[str]:
    """What blanks mean, in words of every sort; `[groups] excuse` at times."""
    rng = study.rng
    lines = []
    if study.chance(0.3):
        lines += ["[groups]", f"excuse = {json.dumps(rng.sample(['room', 'rack', 'charger'], 2))}"]
    if not study.sparse:
        return [*lines, "[records]", 'within = "none"']
    choices = rng.sample(
        [
            'within = { duct = "none", tray = "none" }',
            'supplies = "none"',
            'needs = { supplies = "none", equipment = "gap" }',
            "delay_us = { mux = 250, rly = 90 }",
            'passive = ["pnl", "clock"]',
            'needs = "none"',
        ],
        2,
    )
    kept = {line.partition(" ")[0]: line for line in choices}
    return [*lines, "[records]", *kept.values()] if study.chance(0.7) else lines


def _add_waivers(study: Study, folder: Path) -> None:
    """Waive, for some circuits, all or some of what the oracle finds shared; some lapsed."""
    rng = study.rng
    lines: list[str] = []
    for circuit, answer in solve(folder).circuits.items():
        shared = sorted(answer.shared)
        if not shared or study.chance(0.4):
            continue
        tops = [asset for asset in shared if answer.shared[asset].through is None]
        chosen = rng.choice([tops, tops, shared, [rng.choice(shared)]])
        until = rng.choice(["2099-12-31", "2099-12-31", "2099-12-31", "2001-01-31"])
        for asset in chosen:
            lines += [
                "[[waiver]]",
                f'circuit = "{circuit}"',
                f'asset = "{asset}"',
                'reason = "Accepted until the second way is built"',
                'by = "protection design, note 7"',
                f"until = {until}",
            ]
    if lines:
        with (folder / "rules.toml").open("a", encoding="utf-8") as file:
            file.write("\n".join(lines) + "\n")
