"""Whether two segments that a no-pair proof calls too near are so, wherever ways follow them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from waysapart.recheck.apart import Plane, common_holders
from waysapart.recheck.links import Use, stretch, uses_of
from waysapart.recheck.paths import service_of
from waysapart.recheck.spacing import CLOSE_M, Limits, forbids
from waysapart.recheck.world import World

if TYPE_CHECKING:
    from waysapart.recheck.claims import Findings


def check_pairs(
    what: str, circuits: list[str], proof: dict[str, Any], world: World, findings: Findings
) -> None:
    """Every two segments come nearer than the rules allow outside the end zones, or cross.

    What the accuracy of their records leaves open counts as too near, as it does for
    a verdict. Segments that some way follows only in part are not checked: the part
    may be the one that keeps away.
    """
    if not proof.get("pairs"):
        return
    plane = Plane(world)
    services = [service_of(world.records, circuit) for circuit in circuits]
    zones = plane.zones(circuits, min(float(one["end_zone_m"]) for one in services))
    limits = Limits(plane, services)
    in_part = _followed_in_part(world, proof)
    ends = {str(world.records.by["circuits"][name][end]) for name in circuits for end in ("a", "b")}
    excused = {one for one in world.reliance.closure(ends) if isinstance(one, str)}
    for pair in proof["pairs"]:
        one, other = pair["segments"]
        if not {one, other} <= set(world.ground.kind) or in_part & {one, other}:
            findings.skip(f"{what}: that {one} and {other} come too near, followed in part")
            continue
        shapes = []
        for name in (one, other):
            shape = plane.line((name, 0.0, 1.0))[0]
            for zone in zones:
                shape = shape.difference(zone)
            shapes.append(shape)
        kinds = [str(world.ground.kind[name]) for name in (one, other)]
        limit = limits.loose_m(one, other)
        away = float("inf") if any(s.is_empty for s in shapes) else shapes[0].distance(shapes[1])
        near = limit > 0 and away <= limit + CLOSE_M
        cross = away <= CLOSE_M and any(forbids(service, *kinds) for service in services)
        held = common_holders(world, one, other, excused)
        findings.holds(
            (near or cross) and not held,
            f"{what}: {one} and {other} come within {away:.3f} m, where {limit:g} m are asked for",
        )


def _followed_in_part(world: World, proof: dict[str, Any]) -> set[str]:
    """Segments of which a link, or a stretch of cable in the proof, follows less than the whole."""
    uses: list[Use] = [use for hop in world.hops.values() for use in hop.uses()]
    for edge in proof["edges"]:
        if edge.get("cable") in world.cables.chain:
            uses.append(uses_of(world.cables, edge)[0][0])
    return {
        step.segment
        for use in uses
        for step, begin, end, _ in stretch(world.cables, use)
        if abs(end - begin) < 1
    }
