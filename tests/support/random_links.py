"""Cables and links of a random study."""

from __future__ import annotations

import heapq
from collections import defaultdict
from typing import Any

from random_study import Hop, Study


def find_route(study: Study, starts: list[str], goals: list[str], shun: set[str]) -> Hop | None:
    """A path from any start to any goal that keeps off what is to be shunned where it can."""
    noise = study.rng.uniform(0.1, 1.0)
    meets: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for one, other, segment in study.edges:
        meets[one].append((other, segment))
        meets[other].append((one, segment))
    holders = {row["id"]: row.get("within", "") for row in study.rows["segments"]}
    heap = [(study.rng.random(), node, (node,), ()) for node in starts]
    heapq.heapify(heap)
    done: set[str] = set()
    while heap:
        cost, node, nodes, segments = heapq.heappop(heap)
        if node in done:
            continue
        done.add(node)
        if node in goals:
            return Hop(list(nodes), list(segments))
        for other, segment in meets[node]:
            if other in nodes or (other.startswith("SITE") and other not in goals):
                continue
            step = 1 + noise * study.rng.random()
            step += 6 * ((segment in shun) + (other in shun) + (holders[segment] in shun))
            heapq.heappush(heap, (cost + step, other, (*nodes, other), (*segments, segment)))
    return None


def _cable(study: Study, hop: Hop, **row: Any) -> str:
    rng = study.rng
    cable = study.new("C")
    study.add(
        "cables",
        id=cable,
        kind=rng.choice(["duct", "adss", "opgw"]),
        fibre_type="G.652.D",
        fibre_count=48,
        overlength_pct=rng.choice([0, 0.7, 2.0]),
        slack_m=rng.choice([0, 15, 40.5]),
        **row,
    )
    study.cables[cable] = hop
    return cable


def _lay(study: Study, cable: str, hop: Hop) -> None:
    segments = hop.segments[::-1] if study.chance(0.3) else hop.segments
    for i, segment in enumerate(segments):
        study.add("cable_runs", cable=cable, seq=(i + 1) * 10, segment=segment)


def _laid(study: Study, hop: Hop, **row: Any) -> str:
    cable = _cable(study, hop, **row)
    _lay(study, cable, hop)
    return cable


def _wrapped(study: Study, carrier: str) -> str:
    """A cable wrapped on another, at times with runs of its own."""
    hop = study.cables[carrier]
    cable = _cable(
        study,
        hop,
        carried_by=carrier,
        wrap_pitch_m=study.rng.choice(["", 0.6, 1.1]),
        wrap_diameter_mm=study.rng.choice([16, 22.5]),
    )
    if study.chance(0.35):
        own = find_route(study, [hop.nodes[0]], [hop.nodes[-1]], set()) or hop
        study.cables[cable] = own
        _lay(study, cable, own)
    return cable


def _run(study: Study, link: str, seq: int, cable: str, **row: Any) -> None:
    study.fibres[cable] += 1
    numbered = study.row("links", link)["medium"] in ("", "fibre")
    study.add(
        "link_runs",
        link=link,
        seq=seq,
        cable=cable,
        fibres=str(study.fibres[cable]) if numbered and study.chance(0.9) else "",
        **{"direction": "", "from": "", "to": "", **row},
    )


def fibre_link(study: Study, one: str, other: str, shun: set[str]) -> str:
    link = add_link(study, one, other, "fibre")
    start, goal = study.site_of(one), study.site_of(other)
    runs = _fibre_runs(study, link, start, goal, shun)
    for i, (cable, part) in enumerate(runs):
        _run(study, link, i + 1, cable, **part)
    return link


def _fibre_runs(
    study: Study, link: str, start: str, goal: str, shun: set[str]
) -> list[tuple[str, dict[str, str]]]:
    """Cables for a link from one site to another: one, two, part of one, wrapped, shared."""
    rng = study.rng
    starts, goals = study.terminals[start], study.terminals[goal]
    if study.chance(0.2):
        starts, goals = starts[-1:], goals[-1:]
    hop = find_route(study, starts, goals, shun)
    if hop is None or not hop.segments:
        raise RuntimeError("the sites are not joined")
    style = rng.random()
    whole = [
        cable
        for cable, other in study.cables.items()
        if {other.nodes[0], other.nodes[-1]} & set(starts)
        and {other.nodes[0], other.nodes[-1]} & set(goals)
    ]
    if style < 0.12 and whole:
        return [(rng.choice(whole), {})]
    if style < 0.3:
        carriers = [
            cable for cable in whole if set(study.cables[cable].segments).isdisjoint(shun)
        ] or [_laid(study, hop)]
        cable = _wrapped(study, rng.choice(carriers))
        if study.chance(0.35):
            cable = _wrapped(study, cable)
        return [(cable, {})]
    if style < 0.5 and len(hop.segments) >= 2:
        return _two_cables(study, hop)
    if style < 0.65:
        part = _part_of_longer(study, hop, start, goal)
        if part:
            return [part]
    if study.chance(study.knobs.two_directions):
        back = find_route(study, starts, goals, shun | set(hop.segments)) or hop
        go, back_cable = _laid(study, hop), _laid(study, back)
        return [(go, {"direction": "go"}), (back_cable, {"direction": "return"})]
    return [(_laid(study, hop), {})]


def _cut(hop: Hop, at: int) -> tuple[Hop, Hop]:
    return (
        Hop(hop.nodes[: at + 1], hop.segments[:at]),
        Hop(hop.nodes[at:], hop.segments[at:]),
    )


def _two_cables(study: Study, hop: Hop) -> list[tuple[str, dict[str, str]]]:
    rng = study.rng
    at = rng.randint(1, len(hop.segments) - 1)
    before, after = _cut(hop, at)
    place = hop.nodes[at]
    tapped = None
    if study.chance(study.knobs.taps):
        spare = [
            (one if other == place else other, segment)
            for one, other, segment in study.edges
            if place in (one, other)
        ]
        spare = [(node, s) for node, s in spare if node not in hop.nodes and node[0] != "S"]
        if spare:
            node, segment = rng.choice(spare)
            before = Hop([*before.nodes, node], [*before.segments, segment])
            tapped = place
    first, second = _laid(study, before), _laid(study, after)
    if tapped or study.chance(0.7):
        listed = f"{first};{second}" if tapped else rng.choice([f"{first};{second}", "", first])
        study.add("joints", id=study.new("J"), at=place, cables=listed)
    if tapped:
        study.spared.add(first)
    return [(first, {}), (second, {})]


def _part_of_longer(
    study: Study, hop: Hop, start: str, goal: str
) -> tuple[str, dict[str, str]] | None:
    onward = [site for site in study.terminals if site not in (start, goal)]
    study.rng.shuffle(onward)
    last = hop.nodes[-1]
    for site in onward:
        more = find_route(study, [last], study.terminals[site], set(hop.nodes))
        if more is None or set(more.nodes[1:]) & set(hop.nodes) or last.startswith("SITE"):
            continue
        longer = Hop(hop.nodes + more.nodes[1:], hop.segments + more.segments)
        cable = _laid(study, longer)
        if study.chance(0.3):
            cable = _wrapped(study, cable)
            if not set(hop.nodes) <= set(study.cables[cable].nodes):
                return (cable, {}) if study.cables[cable].nodes[-1] == last else None
        study.spared.add(cable)
        study.spared.add(str(study.row("cables", cable).get("carried_by", "")))
        ends = [hop.nodes[0], last]
        if study.chance(0.4):
            ends.reverse()
        # The order of a link's runs goes from its end a; from and to name the part only.
        return cable, {"from": ends[0], "to": ends[1]}
    return None


def add_link(study: Study, one: str, other: str, medium: str, **row: Any) -> str:
    rng = study.rng
    link = study.new("L")
    panels = [
        str(row["id"])
        for row in study.rows["equipment"]
        if row["kind"] == "pnl" and row["site"] in (study.site_of(one), study.site_of(other))
    ]
    swapped = medium != "fibre" and study.chance(0.3)
    study.add(
        "links",
        id=link,
        a=other if swapped else one,
        b=one if swapped else other,
        medium=rng.choice(["", "fibre"]) if medium == "fibre" else medium,
        wavelength_nm=rng.choice([1310, 1550]) if medium == "fibre" else "",
        via=rng.choice(panels) if medium == "fibre" and panels and study.chance(0.25) else "",
        extra_delay_us=rng.choice([0, 0, 33.5]),
        **{"relies_on": "", **row},
    )
    study.links[link] = (one, other)
    return link


def other_link(study: Study, one: str, other: str, shun: set[str]) -> str:
    """A hop that is no fibre: radio, leased, carrier, electrical."""
    rng = study.rng
    medium = rng.choice(["radio", "radio", "leased", "carrier", "electrical"])
    start, goal = study.site_of(one), study.site_of(other)
    structures = [row["id"] for row in study.rows["structures"]]
    relies: list[str] = []
    if medium == "radio":
        relies = rng.choice([[], [f"G1-{start[-1]}", f"G2-{goal[-1]}"], [rng.choice(structures)]])
    elif medium in ("leased", "carrier"):
        hop = find_route(study, study.terminals[start], study.terminals[goal], shun)
        known = hop.segments if hop and study.chance(study.knobs.relies_on_ways) else []
        relies = list(known) or [rng.choice(structures)]
        if study.cables and study.chance(0.15):
            relies.append(rng.choice(sorted(study.cables)))
        if study.chance(study.knobs.gaps * 0.4):
            relies = []
    link = add_link(study, one, other, medium, relies_on=";".join(dict.fromkeys(relies)))
    if medium == "electrical":
        hop = find_route(study, study.terminals[start], study.terminals[goal], shun)
        if hop and hop.segments:
            _run(study, link, 1, _laid(study, hop))
    return link
