"""No mark of a strip leaves its kilometre.

Every mark is read off the drawing: which lane it stands on, and at what kilometre of the ticks of
that lane. Where it should stand is worked out without the code that lays lanes out: from the
records alone, as recheck follows them (it shares no code with the prover), and for what is shared
from the places that the evidence states.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from everyday import some
from proofs import proof_of
from random_plant import write_random_study
from read_strip import DrawnLane, read_strip
from waysapart.recheck.records import read_records
from waysapart.recheck.run import build
from waysapart.recheck.separation import Plane
from waysapart.report.stretches import folded, shared_routes
from waysapart.report.strip import strip_svg
from waysapart.report.strip_layout import strips

PIXELS = 1.0
"""Marks are written to a tenth of a pixel and ticks as well; a lane is 810 pixels long."""


def places(plane: Plane, key: tuple[str, str]) -> tuple[dict[str, list[float]], float] | None:
    """Every place of everything on a path, in metres from end a, and the length of the path.

    Hops without a course have the length on record; None where one has none: its width in the
    drawing is no length.
    """
    world, at = plane.world, 0.0
    found: dict[str, list[float]] = {}
    followed = plane.followed(key)
    node = world.records.by["circuits"][key[0]].get("a")
    number = 0
    for name in world.paths[key]:
        hop = world.hops[name]
        row = hop.row
        back = node == row["b"] and node != row["a"]
        first, node = node, row["a"] if back else row["b"]
        begin = at
        count = sum(
            step.segment in plane._segments
            for use in hop.uses()
            for step, *_ in world.cables.stretch(use)
        )
        for item in followed[number : number + count]:
            segment, low, high = item.line
            for other, share in world.ground.nodes(segment).items():
                if low - 1e-9 <= share <= high + 1e-9 and high > low:
                    into = (high - share if item.backward else share - low) / (high - low)
                    found.setdefault(other, []).append(at + into * item.length_m)
            found.setdefault(segment, []).append(at)
            at += item.length_m
        number += count
        if not count:
            if not row.get("length_m"):
                return None
            at += float(row["length_m"])
        for machine, place in ((first, begin), (node, at)):
            found.setdefault(str(machine), []).append(place)
        for machine in str(row.get("via") or "").split(";"):
            found.setdefault(machine, []).extend((begin, at))
    for joint in world.records.rows["joints"]:
        found.setdefault(joint["id"], []).extend(found.get(str(joint["at"]), []))
    return found, at


def off_by(lane: DrawnLane, x: float, where: list[float]) -> float:
    """How many pixels a mark is from the nearest of some places, in metres."""
    return min(abs(lane.at_m(x) - at) for at in where) / lane.metres_a_pixel


def held(proof: Any, folder: Path) -> tuple[int, int, int]:
    """Hold every strip of a proof against the records; how many lanes, marks, shared places."""
    facts = proof.facts()
    records = read_records(folder)
    records.on = facts["on"]
    plane = Plane(build(records, facts))
    drawn = strips(proof, facts)["circuit"]
    lanes = marks = shared = 0
    for one in facts["circuits"]:
        if one["id"] not in drawn:
            continue
        read = read_strip(str(strip_svg(drawn[one["id"]], folded(one), one["id"], "c1")))
        known = [places(plane, (one["id"], lane.label)) for lane in read.lanes]
        for lane, oracle in zip(read.lanes, known, strict=True):
            if oracle is None or oracle[1] == 0 or lane.metres_a_pixel != lane.metres_a_pixel:
                continue
            lanes += 1
            where, _ = oracle
            for x, name in lane.ids:
                if name in where:
                    assert off_by(lane, x, where[name]) < PIXELS, (one["id"], lane.label, name)
                    marks += 1
            every = [at for some_of in where.values() for at in some_of]
            for x in lane.marks:
                assert off_by(lane, x, every) < PIXELS, (one["id"], lane.label, lane.at_m(x))
        along = {
            name: stretch["along"]
            for stretch in one["stretches"]
            for name in stretch["members"]
            if stretch["along"]
        }
        bare = [
            any(not plane.world.hops[link].directions for link in path["links"])
            for path in one["paths"].values()
        ]
        if any(bare):
            continue
        together = {
            asset: route
            for route in shared_routes(one)
            for asset in (entry["asset"] for f in route.findings for entry in f.assets)
        }
        for asset, spots in read.spots:
            if asset not in along:
                continue
            assets = {one["asset"] for f in together[asset].findings for one in f.assets}
            for spot in spots:
                lane, oracle = read.lanes[spot.lane], known[spot.lane]
                mine = along[asset][lane.label]
                # What lies in it is lost with it: ducts in a bridge that is a structure too.
                known_at = [
                    at
                    for name, where in (oracle[0] if oracle else {}).items()
                    if name in assets or assets & plane.world.ground.above(name)
                    for at in where
                ]
                off = off_by(lane, spot.low, [mine["from_m"], *known_at])
                assert off < PIXELS, (one["id"], lane.label, asset)
                if together[asset].laid and len([s for s in spots if s.lane == spot.lane]) == 1:
                    end = together[asset].along[lane.label][1]
                    assert off_by(lane, spot.high, [end]) < PIXELS or not spot.bracket, asset
                shared += 1
    return lanes, marks, shared


def test_every_mark_of_the_demo_stands_at_its_kilometre(estuary_proof: Any) -> None:
    """60 lanes and more, with towers, pits, sites, joints and equipment; hops of unknown length
    have no kilometre."""
    lanes, marks, shared = held(estuary_proof, estuary_proof.study.folder)
    assert lanes >= 60
    assert marks >= 2000
    assert shared >= 16


@pytest.mark.parametrize("seed", some(range(12), every=4))
def test_every_mark_of_a_random_plant_stands_at_its_kilometre(tmp_path: Path, seed: int) -> None:
    folder = write_random_study(tmp_path / "study", seed, gaps=0.0, out=0.0)
    proof = proof_of(folder)
    lanes, marks, _ = held(proof, folder)
    assert lanes > 0
    assert marks > 20
