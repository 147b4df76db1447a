"""Deliberate damage to proven studies and to their evidence, all of it from seeds.

    python tests/support/mutations.py --seeds 1 2 3 --count 600

A mutation of the evidence always states something that is not so, and `recheck` must
say so. A mutation of a study is proved again: where the proof then differs in
anything that recheck checks, recheck must find the old evidence false, and where
nothing differs it must keep silent. Prints every miss, and the score by kind.
"""

from __future__ import annotations

import argparse
import csv
import json
import random
import shutil
import sys
import tempfile
import tomllib
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from copy import deepcopy
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
if __name__ == "__main__":
    sys.path[:0] = [str(HERE), str(HERE.parents[1] / "src")]

import tomli_w  # noqa: E402

import waysapart as wa  # noqa: E402
from random_plant import write_random_study  # noqa: E402
from waysapart.recheck import recheck  # noqa: E402
from waysapart.recheck.evidence import NOT_HELD  # noqa: E402

Facts = dict[str, Any]
Row = dict[str, Any]
Rng = random.Random
SHIFT_DEG = 0.002


class NothingToDamageError(Exception):
    """The study or its evidence has nothing of the kind."""


def some(rng: Rng, items: Any) -> Any:
    """One of some things; there may be none."""
    things = list(items)
    if not things:
        raise NothingToDamageError
    return rng.choice(things)


# --- evidence ---------------------------------------------------------------------------


def _verdicts(facts: Facts) -> list[Row]:
    return [*facts["circuits"], *facts["groups"]]


def _path(facts: Facts, rng: Rng) -> Row:
    paths = [path for circuit in facts["circuits"] for path in circuit["paths"].values()]
    return dict_of(some(rng, paths))


def dict_of(value: Any) -> Row:
    assert isinstance(value, dict)
    return value


def _members(text: str) -> list[int]:
    found = []
    for run in text.split():
        low, _, high = run.partition("-")
        found += range(int(low), int(high or low) + 1)
    return found


def drop_from_set(facts: Facts, rng: Rng) -> None:
    path = some(rng, (one for one in facts["evidence"]["paths"] if one["relies_on"]))
    members = _members(path["relies_on"])
    members.remove(rng.choice(members))
    path["relies_on"] = " ".join(map(str, members))


def add_to_set(facts: Facts, rng: Rng) -> None:
    evidence = facts["evidence"]
    path = some(rng, evidence["paths"])
    members = set(_members(path["relies_on"]))
    extra = some(rng, set(range(len(evidence["assets"]))) - members)
    path["relies_on"] = " ".join(map(str, sorted({*members, extra})))


def swap_assets(facts: Facts, rng: Rng) -> None:
    """Two ids of the list of assets change places, where some path relies on one of them only."""
    evidence = facts["evidence"]
    sets = [set(_members(path["relies_on"])) for path in evidence["paths"]]
    pairs = [
        (one, other)
        for one in range(len(evidence["assets"]))
        for other in range(one)
        if any((one in mine) != (other in mine) for mine in sets)
    ]
    one, other = some(rng, pairs)
    names = evidence["assets"]
    names[one], names[other] = names[other], names[one]


def flip_verdict(facts: Facts, rng: Rng) -> None:
    where = some(rng, [_verdicts(facts), facts["schemes"], facts["evidence"]["verdicts"]])
    one = some(rng, where)
    others = {"shared", "unproven", "accepted", "apart"} - {one["verdict"]}
    one["verdict"] = rng.choice(sorted(others))


def flip_verdict_everywhere(facts: Facts, rng: Rng) -> None:
    """A circuit's verdict, its witness's and the summary, so that they agree with each other."""
    circuit = some(rng, facts["circuits"])
    before = circuit["verdict"]
    after = rng.choice(sorted({"shared", "unproven", "accepted", "apart"} - {before}))
    circuit["verdict"] = after
    for one in facts["evidence"]["verdicts"]:
        if one["id"] == circuit["id"] and one["kind"] == "circuit":
            one["verdict"] = after
    facts["summary"][before] -= 1
    facts["summary"][after] += 1


def edit_length(facts: Facts, rng: Rng) -> None:
    path = _path(facts, rng)
    name = some(rng, [n for n in ("length_m", "route_m") if path[n] is not None])
    path[name] += rng.choice((-1, 1)) * rng.uniform(0.5, 500)


def edit_link_length(facts: Facts, rng: Rng) -> None:
    """A link's length and the term that makes it, so that they still add up."""
    link = some(rng, (one["lengths"] for one in facts["links"] if one["lengths"]["length_m"]))
    more = rng.uniform(0.5, 500)
    link["length_m"] += more
    link["slack_m"] += more


def edit_delay(facts: Facts, rng: Rng) -> None:
    path = _path(facts, rng)
    name = some(rng, [n for n in ("delay_us", "go_us", "return_us") if path[n] is not None])
    path[name] += rng.choice((-1, 1)) * rng.uniform(0.1, 50)


def edit_delay_term(facts: Facts, rng: Rng) -> None:
    """Glass and equipment trade a part, so that they still add up."""
    path = _path(facts, rng)
    terms = path["delay_terms"]
    if None in (terms["fibre_us"], terms["equipment_us"]):
        raise NothingToDamageError
    part = rng.uniform(0.1, 5)
    terms["fibre_us"] += part
    terms["equipment_us"] -= part


def edit_worst(facts: Facts, rng: Rng) -> None:
    told = some(rng, facts["circuits"])["delay"]
    name = some(rng, [n for n in ("worst_us", "asymmetry_us") if told[n] is not None])
    told[name] += rng.choice((-1, 1)) * rng.uniform(0.1, 50)


def edit_limit(facts: Facts, rng: Rng) -> None:
    told = some(rng, facts["circuits"])["delay"]
    name = rng.choice(("limit_us", "asymmetry_limit_us"))
    told[name] = (told[name] or 0) + rng.choice((1, 100, 5000))


def flip_check(facts: Facts, rng: Rng) -> None:
    circuit = some(rng, facts["circuits"])
    losses = [one for path in circuit["paths"].values() for one in path["loss"]]
    places = [(circuit["delay"], "ok"), (circuit["delay"], "asymmetry_ok")]
    places += [(circuit, "within_limits"), (circuit, "loss_ok")]
    held = [h for one in facts["links"] if one["loss"] for h in one["loss"]["held_to"]]
    places += [(one, "margin_ok") for one in held] + [(one, "ok") for one in (*losses, *held)]
    place, name = some(rng, places)
    place[name] = rng.choice([one for one in (True, False, None) if one is not place[name]])


def _losses(facts: Facts) -> list[Row]:
    return [one["loss"] for one in facts["links"] if one["loss"]]


def edit_loss(facts: Facts, rng: Rng) -> None:
    loss = some(rng, _path(facts, rng)["loss"])
    name = some(rng, [n for n in ("loss_db", "margin_db") if loss[n] is not None])
    loss[name] += rng.choice((-1, 1)) * rng.uniform(0.01, 5)


def edit_loss_term(facts: Facts, rng: Rng) -> None:
    """A term, the loss and the margin together, so that they still add up."""
    loss = some(rng, (one for one in _losses(facts) if one["loss_db"] is not None))
    name = rng.choice(("fibre_db", "splices_db", "connectors_db", "via_db", "reserve_db"))
    more = rng.uniform(0.01, 3)
    loss["terms"][name] += more
    loss["loss_db"] += more
    if loss["margin_db"] is not None:
        loss["margin_db"] -= more


def edit_loss_count(facts: Facts, rng: Rng) -> None:
    terms = some(rng, _losses(facts))["terms"]
    name = rng.choice(("splices", "connectors", "fibre_m", "budget_db"))
    if terms[name] is None:
        raise NothingToDamageError
    terms[name] += rng.choice((1, 2, 7))


def drop_shared(facts: Facts, rng: Rng) -> None:
    one = some(rng, (one for one in _verdicts(facts) if one["shared"]))
    one["shared"].remove(rng.choice(one["shared"]))


def excuse_shared(facts: Facts, rng: Rng) -> None:
    """A shared asset is called unavoidable."""
    one = some(rng, (one for one in _verdicts(facts) if one["shared"]))
    gone = rng.choice(one["shared"])
    one["shared"].remove(gone)
    one["unavoidable"].append(gone["asset"])


def drop_unavoidable(facts: Facts, rng: Rng) -> None:
    one = some(rng, (one for one in _verdicts(facts) if one["unavoidable"]))
    one["unavoidable"].remove(rng.choice(one["unavoidable"]))


def excuse_as_tail(facts: Facts, rng: Rng) -> None:
    """A shared asset is called a tail."""
    one = some(rng, (one for one in facts["circuits"] if one["shared"]))
    gone = rng.choice(one["shared"])
    one["shared"].remove(gone)
    one["tail"].append(gone["asset"])


def edit_shared(facts: Facts, rng: Rng) -> None:
    one = some(rng, (entry for one in _verdicts(facts) for entry in one["shared"]))
    what = rng.choice(("through", "waived", "role", "kind"))
    if what == "waived":
        one["waived"] = not one["waived"]
    elif what == "through":
        one["through"] = None if one["through"] else one["asset"]
    else:
        one[what] = "another"


def break_chain(facts: Facts, rng: Rng) -> None:
    one = some(rng, (entry for one in _verdicts(facts) for entry in one["stretches"]))
    chain = some(rng, (chain for chain in one["via"].values() if chain))
    if rng.random() < 0.2:
        chain.clear()
    else:
        chain[rng.randrange(len(chain))] = "another"


def edit_single_points(facts: Facts, rng: Rng) -> None:
    told = some(rng, _verdicts(facts))["single_points"]
    name = some(rng, [name for name in ("stretches", "assets") if told[name]] or ["assets"])
    if told[name] and rng.random() < 0.6:
        told[name].remove(rng.choice(told[name]))
    else:
        extra = set(facts["evidence"]["assets"]) - set(told["assets"])
        told["assets"].append(some(rng, sorted(extra)))


def edit_blank(facts: Facts, rng: Rng) -> None:
    some(rng, _verdicts(facts))["blank_within"] += rng.choice((-1, 1, 3))


def move_closest_point(facts: Facts, rng: Rng) -> None:
    found = [c for one in facts["evidence"]["verdicts"] for c in one["closest"]]
    point = rng.choice(some(rng, found)["points"])
    point[rng.randrange(2)] += rng.choice((-1, 1)) * rng.uniform(1e-5, 1e-3)


def edit_closest(facts: Facts, rng: Rng) -> None:
    found = [c for one in facts["evidence"]["verdicts"] for c in one["closest"]]
    some(rng, found)["distance_m"] += rng.uniform(0.3, 40)


def edit_closest_figure(facts: Facts, rng: Rng) -> None:
    one = some(rng, (one for one in _verdicts(facts) if one["closest_m"] is not None))
    one["closest_m"] = rng.choice((None, one["closest_m"] + rng.uniform(0.3, 40)))


def drop_closest(facts: Facts, rng: Rng) -> None:
    one = some(rng, (one for one in facts["evidence"]["verdicts"] if one["closest"]))
    one["closest"].remove(rng.choice(one["closest"]))


def _spaced(facts: Facts) -> list[tuple[Row, str]]:
    names = ("near", "near_folded", "cross")
    return [(one, name) for one in _verdicts(facts) for name in names if one[name]]


def drop_near_or_cross(facts: Facts, rng: Rng) -> None:
    one, name = some(rng, _spaced(facts))
    gone = rng.choice(one[name])
    one[name] = [
        e for e in one[name] if (e["main"], e["alternate"]) != (gone["main"], gone["alternate"])
    ]


def edit_near_or_cross(facts: Facts, rng: Rng) -> None:
    one, name = some(rng, _spaced(facts))
    entry = rng.choice(one[name])
    what = rng.choice(("main", "waived", "figure"))
    if what == "main":
        entry["main"] = "another"
    elif what == "waived":
        entry["waived"] = not entry["waived"]
    elif name == "cross":
        entry["forbidden"] = not entry["forbidden"]
    else:
        entry[rng.choice(("distance_m", "length_m", "limit_m"))] += rng.uniform(1.5, 40)


def add_cross(facts: Facts, rng: Rng) -> None:
    circuit = some(rng, (one for one in facts["circuits"] if len(one["paths"]) == 2))
    names = [name for name in facts["evidence"]["assets"] if name[0] in "SDT"]
    entry = {"main": some(rng, names), "alternate": some(rng, names), "at": [9.0, 54.0]}
    circuit["cross"].append({**entry, "forbidden": rng.random() < 0.5, "waived": False})


def drop_gap(facts: Facts, rng: Rng) -> None:
    where = some(rng, (one for one in [facts, *_verdicts(facts)] if _held_gaps(one)))
    where["gaps"].remove(rng.choice(_held_gaps(where)))


def edit_gap(facts: Facts, rng: Rng) -> None:
    where = some(rng, (one for one in [facts, *_verdicts(facts)] if _held_gaps(one)))
    gap = rng.choice(_held_gaps(where))
    if rng.random() < 0.5:
        gap["asset"] = "another"
    else:
        gap["code"] = "end-far" if gap["code"] != "end-far" else "link-end"


def _held_gaps(facts: Facts) -> list[Row]:
    return [gap for gap in facts["gaps"] if gap["code"] not in AS_STATED]


def add_gap(facts: Facts, rng: Rng) -> None:
    one = some(rng, [facts, *_verdicts(facts)])
    asset = some(rng, facts["evidence"]["assets"])
    one["gaps"].append({"code": "end-meets-nothing", "asset": asset, "message": "invented"})


def edit_links(facts: Facts, rng: Rng) -> None:
    every = {link for one in facts["evidence"]["paths"] for link in one["links"]}
    path = _path(facts, rng)
    if path["links"] and rng.random() < 0.5:
        path["links"].pop(rng.randrange(len(path["links"])))
    else:
        path["links"].append(some(rng, sorted(every)))


def edit_counts(facts: Facts, rng: Rng) -> None:
    summary = facts["summary"]
    summary[rng.choice(sorted(summary))] += rng.choice((-1, 1))


def edit_relies_on(facts: Facts, rng: Rng) -> None:
    _path(facts, rng)["relies_on"] += rng.choice((-1, 1))


def edit_hazards(facts: Facts, rng: Rng) -> None:
    evidence = facts["evidence"]
    if rng.random() < 0.4:
        one = some(rng, evidence["verdicts"])
        one["no_hazard_on_all"] = not one["no_hazard_on_all"]
        return
    where = [(one, "hazards") for one in evidence["paths"]]
    where += [(one, "hazards_on_all") for one in evidence["verdicts"]]
    one, name = some(rng, where)
    if one[name]:
        one[name].pop()
    else:
        one[name].append(some(rng, evidence["assets"]))


def edit_sides(facts: Facts, rng: Rng) -> None:
    one = some(rng, (one for one in facts["evidence"]["verdicts"] if one["sides"]))
    if rng.random() < 0.5:
        one["sides"].pop()
    else:
        one["sides"][0] = [number + 1 for number in one["sides"][0]]


def out_of_service(facts: Facts, rng: Rng) -> None:
    path = _path(facts, rng)
    path["out_of_service"] = not path["out_of_service"]


def edit_waiver(facts: Facts, rng: Rng) -> None:
    one = some(rng, facts["waivers"])
    if rng.random() < 0.5:
        one["counts"] = not one["counts"]
    else:
        states = {"in force", "lapsed", "nothing to waive"} - {one["state"]}
        one["state"] = rng.choice(sorted(states))


def edit_waiver_text(facts: Facts, rng: Rng) -> None:
    what = rng.choice(("reason", "by", "until", "circuit", "within", "record", "record_now"))
    some(rng, facts["waivers"])[what] = "2031-01-01"


def edit_assumption(facts: Facts, rng: Rng) -> None:
    numbers = [
        one
        for one in facts["assumptions"]
        if isinstance(one["value"], int | float) and not isinstance(one["value"], bool)
    ]
    some(rng, numbers)["value"] += rng.choice((0.5, 1, 10))


def drop_circuit(facts: Facts, rng: Rng) -> None:
    facts["circuits"].remove(some(rng, facts["circuits"]))


def drop_path(facts: Facts, rng: Rng) -> None:
    circuit = some(rng, (one for one in facts["circuits"] if one["paths"]))
    del circuit["paths"][some(rng, circuit["paths"])]


EVIDENCE: tuple[Callable[[Facts, Rng], None], ...] = (
    *(drop_from_set, add_to_set, swap_assets, flip_verdict, flip_verdict_everywhere),
    *(edit_length, edit_link_length, edit_delay, edit_delay_term, edit_worst, edit_limit),
    *(flip_check, edit_loss, edit_loss_term, edit_loss_count, drop_shared, excuse_shared),
    excuse_as_tail,
    *(drop_unavoidable, edit_shared, break_chain, edit_single_points, edit_blank),
    *(move_closest_point, edit_closest, edit_closest_figure, drop_closest),
    *(drop_near_or_cross, edit_near_or_cross, add_cross, drop_gap, edit_gap, add_gap),
    *(edit_links, edit_counts, edit_relies_on, edit_hazards, edit_sides, out_of_service),
    *(edit_waiver, edit_waiver_text, edit_assumption, drop_circuit, drop_path),
)


# --- study ------------------------------------------------------------------------------


class Files:
    """The rows of a study's files, by role, and what its TOML says; `write` puts them back."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.rows: dict[str, list[Row]] = {}
        for path in sorted(folder.iterdir()):
            if path.suffix == ".csv":
                with path.open(newline="", encoding="utf-8") as file:
                    self.rows[path.stem] = list(csv.DictReader(file))
            elif path.suffix == ".geojson":
                layer = json.loads(path.read_text(encoding="utf-8"))
                self.rows[path.stem] = [
                    {**one["properties"], "geometry": one["geometry"]} for one in layer["features"]
                ]
        self.toml = tomllib.loads((folder / "study.toml").read_text(encoding="utf-8"))
        rules = folder / "rules.toml"
        self.rules = tomllib.loads(rules.read_text(encoding="utf-8")) if rules.is_file() else {}

    def of(self, role: str, *needs: str) -> list[Row]:
        """Rows of a role in which some columns are filled."""
        return [row for row in self.rows.get(role, ()) if all(row.get(name) for name in needs)]

    def write(self, delimiter: str = ",") -> None:
        for role, rows in self.rows.items():
            geo = self.folder / f"{role}.geojson"
            if geo.exists():
                features = [
                    {
                        "type": "Feature",
                        "properties": {k: v for k, v in row.items() if k != "geometry"},
                        "geometry": row["geometry"],
                    }
                    for row in rows
                ]
                layer = {"type": "FeatureCollection", "features": features}
                geo.write_text(json.dumps(layer), encoding="utf-8")
                continue
            with (self.folder / f"{role}.csv").open("w", newline="", encoding="utf-8") as file:
                names = list(dict.fromkeys(name for row in rows for name in row))
                if not names:
                    continue
                writer = csv.DictWriter(file, names, delimiter=delimiter)
                writer.writeheader()
                writer.writerows(rows)
        (self.folder / "study.toml").write_text(tomli_w.dumps(self.toml), encoding="utf-8")
        if self.rules:
            (self.folder / "rules.toml").write_text(tomli_w.dumps(self.rules), encoding="utf-8")


def _moved(geometry: Any, east: float, north: float) -> None:
    def shift(place: Any) -> Any:
        if isinstance(place[0], list):
            return [shift(one) for one in place]
        return [place[0] + east, place[1] + north]

    geometry["coordinates"] = shift(geometry["coordinates"])


def _shift(rng: Rng) -> tuple[float, float]:
    far = rng.choice((2e-5, 2e-4, SHIFT_DEG))
    return rng.uniform(-far, far), rng.uniform(-far, far)


def drop_row(files: Files, rng: Rng) -> None:
    roles = ("cable_runs", "link_runs", "circuit_paths", "joints", "hazards", "rings")
    role = some(rng, [role for role in roles if files.rows.get(role)])
    files.rows[role].remove(rng.choice(files.rows[role]))


def move_segment(files: Files, rng: Rng) -> None:
    _moved(some(rng, files.rows["segments"])["geometry"], *_shift(rng))


def move_vertex(files: Files, rng: Rng) -> None:
    line = some(rng, files.rows["segments"])["geometry"]["coordinates"]
    middle = [(a + b) / 2 for a, b in zip(line[0], line[1], strict=True)]
    line.insert(1, [place + more for place, more in zip(middle, _shift(rng), strict=True)])


def move_structure(files: Files, rng: Rng) -> None:
    _moved(some(rng, files.rows["structures"])["geometry"], *_shift(rng))


def move_hazard(files: Files, rng: Rng) -> None:
    _moved(some(rng, files.of("hazards"))["geometry"], *_shift(rng))


def edit_hazard(files: Files, rng: Rng) -> None:
    hazard = some(rng, files.of("hazards"))
    hazard["reach_m"] = rng.choice((0, 30, 300, 3000))
    hazard["takes"] = rng.choice(("", "span", "duct;pit", "tower"))


def merge_holders(files: Files, rng: Rng) -> None:
    """One thing lies where another does: two trenches become one."""
    roles = ("segments", "structures", "equipment", "supplies", "holders")
    rows = [row for role in roles for row in files.of(role, "within") if row["within"] != "-"]
    one, other = some(rng, rows), some(rng, rows)
    one["within"] = other["within"]


def blank_within(files: Files, rng: Rng) -> None:
    roles = ("segments", "structures", "equipment", "sites")
    some(rng, [row for role in roles for row in files.of(role, "within")])["within"] = rng.choice(
        ("", "-")
    )


def swap_cables(files: Files, rng: Rng) -> None:
    rows = files.of("link_runs", "cable")
    one, other = some(rng, rows), some(rng, rows)
    for name in ("cable", "fibres"):
        one[name], other[name] = other.get(name), one.get(name)


def swap_segments(files: Files, rng: Rng) -> None:
    rows = files.of("cable_runs", "segment")
    one, other = some(rng, rows), some(rng, rows)
    one["segment"], other["segment"] = other["segment"], one["segment"]


def swap_links(files: Files, rng: Rng) -> None:
    rows = files.of("circuit_paths", "link")
    one, other = some(rng, rows), some(rng, rows)
    one["link"], other["link"] = other["link"], one["link"]


def swap_labels(files: Files, rng: Rng) -> None:
    circuit = some(rng, files.of("circuit_paths"))["circuit"]
    turn = {"main": "alternate", "alternate": "main"}
    for row in files.rows["circuit_paths"]:
        if row["circuit"] == circuit:
            row["path"] = turn.get(row["path"], row["path"])


def edit_number(files: Files, rng: Rng) -> None:
    role, name = rng.choice(
        (
            *(("cables", "slack_m"), ("cables", "overlength_pct"), ("cables", "db_per_km")),
            *(("segments", "length_m"), ("segments", "sag_m"), ("equipment", "delay_us")),
            *(("links", "loss_db"), ("links", "extra_delay_us"), ("links", "connectors")),
            *(("links", "tx_min_dbm"), ("links", "rx_min_dbm"), ("links", "reserve_db")),
            *(("links", "splices"), ("joints", "loss_db")),
        )
    )
    row = some(rng, files.of(role))
    before = float(row.get(name) or 0)
    row[name] = before + rng.choice((1, 2, 5))


def swap_supplies(files: Files, rng: Rng) -> None:
    rows = files.of("equipment", "supplies")
    one, other = some(rng, rows), some(rng, rows)
    one["supplies"] = rng.choice((other["supplies"], "", one["supplies"].split(";")[0]))


def move_equipment(files: Files, rng: Rng) -> None:
    some(rng, files.of("equipment"))["site"] = some(rng, files.of("sites"))["id"]


def move_joint(files: Files, rng: Rng) -> None:
    some(rng, files.of("joints"))["at"] = some(rng, files.of("structures"))["id"]


def change_kind(files: Files, rng: Rng) -> None:
    kinds = {"structures": ("tower", "pit", "pole", "entry"), "segments": ("span", "duct", "tray")}
    role = rng.choice(sorted(kinds))
    some(rng, files.of(role))["kind"] = rng.choice(kinds[role])


def change_carrier(files: Files, rng: Rng) -> None:
    row = some(rng, files.of("cables"))
    row["carried_by"] = "" if row.get("carried_by") else some(rng, files.of("cables"))["id"]


def change_circuit(files: Files, rng: Rng) -> None:
    rows = files.of("circuits")
    one, other = some(rng, rows), some(rng, rows)
    name = rng.choice(("a", "b", "group", "scheme", "service", "switching"))
    choices = {"switching": ("each", "both", ""), "group": ("G9", ""), "scheme": ("H9", "")}
    one[name] = rng.choice(choices[name]) if name in choices else other.get(name)


def change_setting(files: Files, rng: Rng) -> None:
    places = [
        row["id"] for role in ("sites", "structures", "segments") for row in files.of(role, "id")
    ]
    what = rng.choice(("snap_m", "out", "ignore", "same_place_m"))
    if what == "snap_m":
        files.toml["snap_m"] = rng.choice((0.01, 0.5, 30.0))
    elif what == "out":
        files.toml["out"] = [some(rng, places)]
    elif what == "ignore":
        kinds = {row["kind"] for row in files.of("holders", "kind")}
        files.rules.setdefault("reliance", {})["ignore_kinds"] = [some(rng, sorted(kinds))]
    else:
        files.rules.setdefault("defaults", {})["same_place_m"] = rng.choice((5.0, 60.0))


def change_rule(files: Files, rng: Rng) -> None:
    service = files.rules.setdefault("services", {}).setdefault("default", {})
    name, value = rng.choice(
        (
            *(("separation_m", 60.0), ("separation_m", 0.0), ("end_zone_m", 0.0)),
            *(("end_zone_m", 600.0), ("forbid_cross", False), ("forbid_cross", True)),
            *(("group_test", "pairwise"), ("group_test", "all"), ("max_delay_us", 20)),
            *(("max_asymmetry_us", 1), ("min_margin_db", 30.0)),
        )
    )
    service[name] = value


def lapse_waiver(files: Files, rng: Rng) -> None:
    from datetime import date

    some(rng, files.rules.get("waiver", ()))["until"] = date(2020, 1, 1)


def reverse_rows(files: Files, _rng: Rng) -> None:
    for rows in files.rows.values():
        rows.reverse()


def shuffle_rows(files: Files, rng: Rng) -> None:
    for rows in files.rows.values():
        rng.shuffle(rows)


def extra_columns(files: Files, rng: Rng) -> None:
    for rows in files.rows.values():
        for number, row in enumerate(rows):
            row["remark"] = f"{number} of {rng.randrange(9)}, =1+1"


def other_format(files: Files, _rng: Rng) -> None:
    """Geometry layers as one GeoPackage, tables with semicolons."""
    import geopandas as gpd

    files.write(delimiter=";")
    for path in sorted(files.folder.glob("*.geojson")):
        frame = gpd.read_file(path)
        if len(frame):
            frame.to_file(files.folder / "study.gpkg", layer=path.stem, driver="GPKG")
            path.unlink()


STUDY: tuple[Callable[[Files, Rng], None], ...] = (
    *(drop_row, move_segment, move_vertex, move_structure, move_hazard, edit_hazard),
    *(merge_holders, blank_within, swap_cables, swap_segments, swap_links, swap_labels),
    *(edit_number, swap_supplies, move_equipment, move_joint, change_kind, change_carrier),
    *(change_circuit, change_setting, change_rule, lapse_waiver),
)
HARMLESS: tuple[Callable[[Files, Rng], None], ...] = (
    *(reverse_rows, shuffle_rows, extra_columns, other_format),
)


# --- what counts as a fact --------------------------------------------------------------

UNCHECKED = {
    *(path.rsplit(".", 1)[-1].rstrip("[]{}") for paths in NOT_HELD.values() for path in paths),
    *("made", "inputs", "closest", "at", "along", "via", "name", "stretches"),
    *("from_m", "to_m"),
    *("sag_m", "helix_m", "overlength_m", "slack_m", "test_m"),
}
"""Fields that recheck does not check by themselves: texts, counts of the same things in another
form, and figures that it says it leaves alone."""

AS_STATED: set[str] = set()
"""Codes of gaps that recheck says it takes as the evidence states them."""


def checked(facts: Any) -> Any:
    """Facts without what recheck leaves alone; lists of things in one order."""
    if isinstance(facts, dict):
        return {
            key: _approaches(value) if _is_witness(key, value) else checked(value)
            for key, value in facts.items()
            if key not in UNCHECKED or _is_witness(key, value)
        }
    if isinstance(facts, list):
        return [checked(one) for one in facts if not _as_stated(one)]
    return facts


def _as_stated(one: Any) -> bool:
    return isinstance(one, dict) and one.get("code") in AS_STATED


def _is_witness(key: str, value: Any) -> bool:
    """The evidence's closest approaches, one to every two paths; a circuit's is one of them."""
    return key == "closest" and isinstance(value, list)


def _approaches(closest: list[Row]) -> list[Row]:
    """How close each two paths come, and where; only one of several places need be named."""
    return [{key: one[key] for key in ("paths", "distance_m", "points")} for one in closest]


def differs(one: Any, other: Any, name: str = "") -> bool:
    """Whether two facts differ by more than recheck can tell apart.

    Witnesses of which several are true (where paths come closest, the chain to what is
    shared) may differ; those of the old evidence then still hold, or recheck tells.
    """
    if isinstance(one, dict) and isinstance(other, dict):
        return set(one) != set(other) or any(
            differs(one[key], other[key], key)
            for key in one
            if key != "points" and not key.endswith("via")
        )
    if isinstance(one, list) and isinstance(other, list):
        return len(one) != len(other) or any(
            differs(a, b, name) for a, b in zip(one, other, strict=True)
        )
    if isinstance(one, float) and isinstance(other, float):
        unit = name.rsplit("_", maxsplit=1)[-1]
        return abs(one - other) > {"m": 0.3, "us": 0.02, "db": 0.001}.get(unit, 1e-5)
    return bool(one != other)


# --- runs -------------------------------------------------------------------------------


class Outcome:
    """Counts by mutation, and what was missed."""

    def __init__(self) -> None:
        self.caught: Counter[str] = Counter()
        self.silent: Counter[str] = Counter()
        self.missed: list[str] = []

    @property
    def total(self) -> int:
        return sum(self.caught.values()) + sum(self.silent.values()) + len(self.missed)


def proved(folder: Path) -> Facts:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return dict(json.loads(json.dumps(wa.prove(wa.read_study(folder)).facts())))


def held(folder: Path, facts: Facts) -> dict[str, Any]:
    file = folder.parent / "evidence.json"
    file.write_text(json.dumps(facts), encoding="utf-8")
    try:
        return recheck(folder, file)
    except wa.StudyError as error:
        return {"false": [problem.message for problem in error.problems]}


def mutate_evidence(folder: Path, facts: Facts, seed: str, count: int, outcome: Outcome) -> None:
    """Damage the evidence of one study so many times, each kind in turn."""
    done, number = 0, 0
    while done < count and number < 40 * count:
        rng = random.Random(f"{seed} evidence {number}")
        change = EVIDENCE[number % len(EVIDENCE)]
        number += 1
        damaged = deepcopy(facts)
        try:
            change(damaged, rng)
        except NothingToDamageError:
            continue
        done += 1
        if held(folder, damaged)["false"]:
            outcome.caught[change.__name__] += 1
        else:
            outcome.missed.append(f"{change.__name__} {seed} evidence {number - 1}")


def mutate_study(
    folder: Path, facts: Facts, seed: str, count: int, outcome: Outcome,
    kinds: tuple[Callable[[Files, Rng], None], ...] = STUDY,
) -> None:  # fmt: skip
    """Damage a copy of a study so many times; what can be read is proved and held again."""
    before = checked(facts)
    done, number = 0, 0
    other = folder.parent / "damaged"
    while done < count and number < 10 * count:
        rng = random.Random(f"{seed} study {number}")
        change = kinds[number % len(kinds)]
        number += 1
        shutil.rmtree(other, ignore_errors=True)
        shutil.copytree(folder, other)
        files = Files(other)
        try:
            change(files, rng)
        except NothingToDamageError:
            continue
        if change is not other_format:
            files.write()
        try:
            after = checked(proved(other))
        except wa.StudyError:
            continue
        done += 1
        told = held(other, facts)["false"]
        label = f"{change.__name__} {seed} study {number - 1}"
        if differs(before, after):
            if told:
                outcome.caught[change.__name__] += 1
            else:
                outcome.missed.append(f"{label}: {first_difference(before, after)}")
        elif before == after:
            if told:
                outcome.missed.append(f"{label}: harmless, and told {told[:3]}")
            else:
                outcome.silent[change.__name__] += 1


def first_difference(one: Any, other: Any, path: str = "") -> str:
    """Where two facts differ first, for a person who looks into a miss."""
    for place, a, b in _differences(one, other, path):
        return f"{place}: {str(a)[:80]} -> {str(b)[:80]}"
    return "nothing"


def _differences(one: Any, other: Any, path: str) -> Iterator[tuple[str, Any, Any]]:
    if isinstance(one, dict) and isinstance(other, dict) and set(one) == set(other):
        for key in one:
            if differs(one[key], other[key], key):
                yield from _differences(one[key], other[key], f"{path}.{key}")
    elif isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        for place, (a, b) in enumerate(zip(one, other, strict=True)):
            if differs(a, b, path.rsplit(".", maxsplit=1)[-1]):
                yield from _differences(a, b, f"{path}[{place}]")
    else:
        yield path, one, other


def run(seed: int, evidence: int, study: int, harmless: int, plants: int) -> Outcome:
    """One run: some random plants, so many mutations of each sort in all."""
    outcome, told = Outcome(), 0
    with tempfile.TemporaryDirectory() as place:
        for plant in range(plants):
            folder = Path(place) / f"{plant}" / "study"
            write_random_study(folder, 1000 * seed + plant)
            facts = proved(folder)
            name = f"{seed}/{plant}"
            mutate_evidence(folder, facts, name, -(-evidence // plants), outcome)
            mutate_study(folder, facts, name, -(-study // plants), outcome)
            mutate_study(folder, facts, name, -(-harmless // plants), outcome, HARMLESS)
            for label in outcome.missed[told:]:
                print("    MISSED", label, flush=True)
            told = len(outcome.missed)
    return outcome


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3])
    parser.add_argument("--count", type=int, default=600, help="mutations per seed")
    parser.add_argument("--plants", type=int, default=12)
    asked = parser.parse_args()
    missed = 0
    for seed in asked.seeds:
        count = asked.count
        outcome = run(seed, count // 2, count * 2 // 5, count // 10, asked.plants)
        caught, silent = sum(outcome.caught.values()), sum(outcome.silent.values())
        print(
            f"seed {seed}: {caught} caught, {silent} harmless and silent, "
            f"{len(outcome.missed)} missed"
        )
        print("   ", dict(sorted((outcome.caught + outcome.silent).items())))
        missed += len(outcome.missed)
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
