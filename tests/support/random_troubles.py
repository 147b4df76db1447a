"""What is missing, doubtful or out of service in a random study."""

from __future__ import annotations

import math

from shapely.geometry import LineString, Point

from random_study import Study


def spoil(study: Study) -> None:
    """Leave one thing out of the records, or make it doubtful."""
    rng = study.rng
    for row in study.rows["ring_circuits"]:
        # Which way round is the shorter cannot be told from incomplete records.
        row["main_way"] = row["main_way"] or "forward"
    trouble = rng.choice(
        ["run", "type", "count", "shift", "shift", "pit", "path", "link", "way", "part"]
    )
    carried = {row.get("carried_by", "") for row in study.rows["cables"]}
    cables = [row for row in study.rows["cables"] if row["id"] not in carried]
    if trouble == "type":
        rng.choice(cables)["fibre_type"] = ""
    elif trouble == "count":
        rng.choice(cables)["fibre_count"] = ""
    elif trouble == "run":
        plain = [
            row["id"]
            for row in cables
            if row["id"] not in study.spared and len(study.cables[row["id"]].segments) >= 3
        ]
        runs = [run for run in study.rows["cable_runs"] if run["cable"] in plain]
        if runs:
            cable = rng.choice(runs)["cable"]
            mine = [run for run in runs if run["cable"] == cable]
            if len(mine) >= 3:
                study.rows["cable_runs"].remove(rng.choice(mine[1:-1]))
    elif trouble == "shift":
        _shift_end(study)
    elif trouble == "pit":
        towers = [row for row in study.rows["structures"] if row["id"][0] == "M"]
        x, y = study.at[rng.choice(towers)["id"]]
        spot = Point(x + 0.9, y - 0.8)
        study.add("structures", id=study.new("FOOT"), kind="pit", within="-", geometry=spot)
    elif trouble == "path":
        steps = study.rows["circuit_paths"]
        grouped = rng.choice(steps) if steps else None
        if grouped:
            chosen = (grouped["circuit"], grouped["path"])
            study.rows["circuit_paths"] = [
                step for step in steps if (step["circuit"], step["path"]) != chosen
            ]
            study.settings.setdefault("ungrouped", set()).add(grouped["circuit"])
    elif trouble == "link":
        long = [step for step in study.rows["circuit_paths"] if step["seq"] > 1]
        if long:
            study.rows["circuit_paths"].remove(rng.choice(long))
    elif trouble == "way":
        link = rng.choice(sorted(study.links))
        study.rows["link_runs"] = [r for r in study.rows["link_runs"] if r["link"] != link]
    else:
        several = [run for run in study.rows["link_runs"] if run["seq"] > 1]
        if several:
            study.rows["link_runs"].remove(rng.choice(several))


def _shift_end(study: Study) -> None:
    """Draw one end of a segment short of, or beyond, where it belongs."""
    rng = study.rng
    holding = {row.get("within", "") for row in study.rows["segments"]}
    parts = {segment for cable in study.spared - {""} for segment in study.cables[cable].segments}
    free = [
        row
        for row in study.rows["segments"]
        if row["id"] not in holding | parts and row["kind"] != "tray"
    ]
    if not free:
        return
    row = rng.choice(free)
    points = list(row["geometry"].coords)
    end, beside = rng.choice([(0, 1), (-1, -2)])
    (x, y), (u, v) = points[end], points[beside]
    away = rng.choice([-5.0, 5.0]) / math.dist((x, y), (u, v))
    points[end] = (x + away * (u - x), y + away * (v - y))
    row["geometry"] = LineString(points)
    row["keep_ends"] = rng.choice(["given", "blank"])


def take_out(study: Study) -> None:
    """Something out of service that takes no supply with it."""
    rng = study.rng
    towers = [node for node in study.at if node[0] in "MP"]
    pool = [*study.cables, *towers, *(row["id"] for row in study.rows["segments"])]
    pool += [m for machines in study.equipment.values() for m in machines]
    study.settings["out"] = rng.sample(sorted(pool), k=rng.randint(1, 2))


def name_ends(study: Study) -> None:
    """Leave out the ends of about half of the segments, to be found by snapping."""
    for row in study.rows["segments"]:
        keep = row.pop("keep_ends", "")
        for end in ("a", "b"):
            if keep == "blank" or (keep != "given" and study.chance(0.5)):
                row[end] = ""


def add_twin(study: Study) -> None:
    """A tower or pit recorded a second time under another id."""
    rng = study.rng
    row = rng.choice([row for row in study.rows["structures"] if row["id"][0] in "MP"])
    if row["geometry"].geom_type != "Point":
        return
    for segment in study.rows["segments"]:
        for end, at in (("a", 0), ("b", -1)):
            if Point(segment["geometry"].coords[at]).distance(row["geometry"]) < 6:
                segment[end] = row["id"]
    study.add("structures", **{**row, "id": f"{row['id']}-BIS"})
