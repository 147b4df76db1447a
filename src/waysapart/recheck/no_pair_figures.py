"""What a no-pair proof takes from the records: figures of its edges, limits, segments too near."""

from __future__ import annotations

from collections import Counter
from math import ceil
from typing import TYPE_CHECKING, Any

from waysapart.recheck.apart import Plane, common_holders
from waysapart.recheck.figures import assumed_us
from waysapart.recheck.findings import Findings
from waysapart.recheck.links import Use, stretch, uses_of
from waysapart.recheck.paths import service_of
from waysapart.recheck.spacing import CLOSE_M, Limits, forbids
from waysapart.recheck.world import World

if TYPE_CHECKING:
    from waysapart.recheck.no_pair import Edge

HALF_NS = 2000
"""Delay in a proof is counted in halves of a nanosecond."""
HALF_MDB = 2000
"""Loss in a proof is counted in halves of a thousandth of a dB."""
DELAY_US = 0.005
LOSS_DB = 0.002


def check_limits(
    what: str, circuits: list[str], proof: dict[str, Any], world: World, findings: Findings
) -> None:
    """The limits of a proof are those of the circuit, and each edge has what it says."""
    limits = proof.get("limits")
    if limits is None:
        return
    if len(circuits) > 1:
        findings.skip(f"{what}: what each edge of its proof has of its limits, as it is a group")
        return
    service = service_of(world.records, circuits[0])
    ends = [assumed_us(world.records, end) or 0.0 for end in proof["ends"]]
    room = _widest(_rooms(world, proof, service))
    right: dict[tuple[str, str], float | None] = {
        ("most", "delay"): _less(service.get("max_delay_us"), sum(ends)),
        ("most", "loss"): room,
        ("apart_most", "delay"): service.get("max_asymmetry_us"),
    }
    if (world.records.by["circuits"][circuits[0]].get("switching") or "each") == "both":
        right["apart_most", "delay"] = None
    for kind in ("most", "apart_most"):
        for name, claimed in limits[kind].items():
            found = right.get((kind, name))
            scale, by = (HALF_NS, DELAY_US) if name == "delay" else (HALF_MDB, LOSS_DB)
            same = found is not None and abs(claimed / scale - found) <= by
            findings.holds(same, f"{what}: {kind} of {name} is {found}, not {claimed / scale}")
    lines = _Lines(world, proof, service)
    for edge in proof["edges"]:
        for name, claimed in edge["weights"].items():
            scale, by = (HALF_NS, DELAY_US) if name == "delay" else (HALF_MDB, LOSS_DB)
            found = lines.delay_us(edge) if name == "delay" else lines.loss_db(edge)
            if found is None:
                if not _barred(proof, edge):
                    findings.skip(f"{what}: what {edge['id']} has of {name}")
                continue
            same = abs(claimed / scale - found) <= by
            findings.holds(
                same, f"{what}: {edge['id']} has {found:.4f} of {name}, not {claimed / scale}"
            )


def check_kept(
    what: str, proof: dict[str, Any], edges: dict[str, Edge], findings: Findings
) -> None:
    """What is avoided from the start, and the sums of a kept way, are those of that way."""
    keep = [str(one) for one in proof.get("keep") or ()]
    if keep:
        node = proof["ends"][0]
        for name in keep:
            ends = edges[name].ends if name in edges else ("", "")
            if not findings.holds(node in ends, f"{what}: the kept way is broken at {name}"):
                return
            node = ends[1] if node == ends[0] else ends[0]
        findings.holds(node == proof["ends"][1], f"{what}: the kept way ends at {node}")
    relied = {one for name in keep for one in edges[name].relies_on}
    wrong = sorted(set(proof["avoid_from_start"]) - relied)
    findings.holds(not wrong, f"{what}: no kept way relies on {', '.join(wrong[:8])}")
    sums = proof.get("limits", {}).get("kept", {})
    by_id = {str(one["id"]): one for one in proof["edges"]}
    for name, claimed in sums.items():
        found = sum(by_id[one]["weights"][name] for one in keep)
        findings.holds(
            bool(keep) and claimed == found, f"{what}: the kept way has {found} of {name}"
        )


def _barred(proof: dict[str, Any], edge: dict[str, Any]) -> bool:
    return edge["id"] in proof["without"]


def _less(limit: float | None, by: float) -> float | None:
    return None if limit is None else limit - by


def _rooms(world: World, proof: dict[str, Any], service: dict[str, Any]) -> list[float | None]:
    """Per optics, what fibre, splices and connectors may lose; None: there is no limit."""
    least = service.get("min_margin_db")
    rooms: list[float | None] = []
    for like in proof.get("optics", ()):
        row = world.records.by["links"][like]
        sent, needed, reserve = (row.get(n) for n in ("tx_min_dbm", "rx_min_dbm", "reserve_db"))
        kept = world.records.rules["reserve"]["ageing_db"] if reserve is None else reserve
        if sent is None or needed is None or least is None:
            rooms.append(None)
        else:
            rooms.append(sent - needed - least - kept)
    return rooms


def _widest(rooms: list[float | None]) -> float | None:
    return max((one for one in rooms if one is not None), default=None)


class _Lines:
    """Delay and loss of the edges of one proof."""

    def __init__(self, world: World, proof: dict[str, Any], service: dict[str, Any]) -> None:
        self.world, self.proof = world, proof
        self.rooms = _rooms(world, proof, service)
        self.room = _widest(self.rooms)
        circuit_ends = set(proof["ends"])
        self._half_us = {
            name: 0.0 if name in circuit_ends else (assumed_us(world.records, name) or 0.0) / 2
            for name in world.records.by["equipment"]
        }
        cables = world.cables
        self._link_ends = {
            end for hop in world.hops.values() for uses in hop.ways.values() for end in _outer(uses)
        }
        self._met = Counter(
            node
            for name, chain in cables.chain.items()
            if chain
            for node in (chain[0].entry, chain[-1].exit)
        )
        self._tested = {
            row["cable"]
            for row in world.records.rows["measurements"]
            if row.get("cable") and row.get("loss_db") is not None
        }

    def delay_us(self, edge: dict[str, Any]) -> float | None:
        """Delay one way, with half of each equipment that stands between two edges."""
        if edge["what"] == "port":
            return self._half_us[edge["equipment"]]
        if edge["what"] == "stretch":
            figures, use = self.world.figures, self._use(edge)
            return None if use is None else figures.stretch_us(use, self._wavelength(edge))
        if edge["what"] != "link":
            return None
        hop = self.world.hops[edge["link"]]
        go, back = self.world.figures.delay_us(edge["link"])
        via = sum(assumed_us(self.world.records, one) or 0.0 for one in hop.row.get("via") or ())
        half = sum(self._half_us[end] for end in edge["at"])
        return None if go is None or back is None else float(max(go, back) + via + half)

    def loss_db(self, edge: dict[str, Any]) -> float | None:
        """Loss that counts against the optics of a new link; none where they have no limit."""
        if edge["what"] == "link":
            return 0.0
        own = self.rooms[edge["optics"]]
        if own is None or self.room is None:
            return 0.0
        if edge["what"] == "port":
            return float(ceil((self.room - own) * 1000 - 1e-6) / HALF_MDB)
        use = self._use(edge)
        if use is None or use.cable in self._tested:
            return None
        figures, records = self.world.figures, self.world.records
        metres, glass = figures.fibre_m(use), figures.stretch_db(use, self._wavelength(edge))
        if metres is None or glass is None:
            return None
        rules, keep = records.rules["defaults"], records.rules["reserve"]
        connectors = sum(self._led_in(use, at) for at in (0, 1))
        splices = self._splices(use) + (2 - connectors) / 2
        if records.by["links"][self.proof["optics"][edge["optics"]]].get("reserve_db") is None:
            yearly = keep["repair_splices_per_km_year"] * keep["repair_years"]
            splices += metres / 1000 * yearly
        return float(glass + connectors * rules["connector_db"] + splices * rules["splice_db"])

    def _wavelength(self, edge: dict[str, Any]) -> float:
        like = self.proof["optics"][edge["optics"]]
        return float(self.world.records.by["links"][like]["wavelength_nm"])

    def _use(self, edge: dict[str, Any]) -> Use | None:
        if edge.get("cable") not in self.world.cables.chain:
            return None
        return uses_of(self.world.cables, edge)[0][0]

    def _led_in(self, use: Use, end: int) -> bool:
        """Whether a cable ends here and is led into a site: on a panel, not spliced in the field.

        At a site itself, where a link on record ends on it, or where no other cable ends.
        """
        at, node = ((use.from_, use.begin), (use.to, use.end))[end]
        ground = self.world.ground
        sites = ground.records.by["sites"]
        if node is None or at not in (0.0, float(len(self.world.cables.chain[use.cable]))):
            return False
        there = {name for name in sites if name == node or name in ground.above(node)}
        there |= {
            name
            for name in sites
            if node in ground.shape
            and ground.shape[node].distance(ground.shape[name]) <= ground.records.snap_m
        }
        known = node in sites or (use.cable, node) in self._link_ends or self._met[node] == 1
        return bool(there) and known

    def _splices(self, use: Use) -> int:
        """Joints on record between the ends, and one after each full reel between them."""
        joints = self.world.records.by["joints"]
        met = self.world.figures.joints_met(use)
        inside = [one for one in met if joints[one]["at"] not in (use.begin, use.end)]
        return len(inside) + self.world.figures.reels(use, met)


def _outer(uses: list[Use]) -> set[tuple[str, str | None]]:
    """The cables with which a link begins and stops, and where: not where it goes on."""
    found = set()
    for use, outer, beside in (
        (uses[0], uses[0].begin, uses[1:2]),
        (uses[-1], uses[-1].end, uses[-2:-1]),
    ):
        inner = {node for other in beside for node in (other.begin, other.end)}
        both = {use.begin, use.end}
        found.add((use.cable, next(iter(both - {outer}), outer) if outer in inner else outer))
    return found


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
