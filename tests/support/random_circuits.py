"""Circuits, paths and a ring of a random study."""

from __future__ import annotations

import itertools

from random_links import add_link, fibre_link, other_link
from random_study import Study


def _footprint(study: Study, links: list[str]) -> set[str]:
    """Segments, nodes and holders that these links use, for the next path to keep off."""
    holders = {row["id"]: row.get("within", "") for row in study.rows["segments"]}
    used: set[str] = set()
    for run in study.rows["link_runs"]:
        if run["link"] in links:
            hop = study.cables[run["cable"]]
            used.update(hop.nodes, hop.segments)
            used.update(holders[segment] for segment in hop.segments)
    return used - {"", "-"}


def _hop_link(study: Study, one: str, other: str, shun: set[str]) -> str:
    if study.site_of(one) == study.site_of(other):
        for link, ends in study.links.items():
            if set(ends) == {one, other} and study.chance(0.5):
                return link
        medium = study.rng.choice(["internal", "internal", "electrical"])
        return add_link(study, one, other, medium)
    for link, ends in study.links.items():
        if set(ends) == {one, other} and study.chance(0.35):
            return link
    if study.chance(study.knobs.other_media):
        return other_link(study, one, other, shun)
    return fibre_link(study, one, other, shun)


def _way(study: Study, a: str, b: str, shun: set[str], *, detour: bool) -> list[str]:
    """A new path from a to b, at times by way of equipment elsewhere or a local multiplexer."""
    rng = study.rng
    stops = [a]
    local = [m for m in study.equipment[study.site_of(a)] if m != a and m.startswith("MUX")]
    if local and study.chance(0.3):
        stops.append(rng.choice(local))
    elsewhere = [
        machine
        for site, machines in study.equipment.items()
        if site not in (study.site_of(a), study.site_of(b))
        for machine in machines
        if machine.startswith("MUX")
    ]
    if detour and elsewhere:
        stops.append(rng.choice(elsewhere))
    stops.append(b)
    return [_hop_link(study, one, other, shun) for one, other in itertools.pairwise(stops)]


def plan_circuits(study: Study) -> None:
    rng = study.rng
    sites = sorted(study.terminals)
    ring = _plan_ring(study, sites) if study.chance(study.knobs.rings) else []
    total = rng.randint(*study.knobs.circuits)
    ends: list[str] = []
    for i in range(total):
        circuit = f"K{i + 1}"
        if ring and study.chance(0.25):
            a, b = rng.sample(ring, k=2)
            way = _main_way(study, ring, a, b)
            study.add("ring_circuits", circuit=circuit, ring="RING", main_way=way)
            _circuit(study, circuit, a, b)
            continue
        if not ends or study.chance(0.6):
            ends = rng.sample(sites, k=2)
        a, b = (rng.choice(study.equipment[site]) for site in ends)
        _circuit(study, circuit, a, b)
        labels = ["main", "alternate", *(["third"] if study.chance(study.knobs.third_path) else [])]
        used: list[str] = []
        for label in labels:
            keen = study.chance(0.8)
            shun = _footprint(study, used) if keen else set()
            links = _way(study, a, b, shun, detour=label != "main" and study.chance(0.35))
            used += links
            _write_path(study, circuit, label, links)


def _circuit(study: Study, circuit: str, a: str, b: str) -> None:
    rng = study.rng
    study.add(
        "circuits",
        id=circuit,
        a=a,
        b=b,
        service=rng.choice(["differential", "intertrip", ""]),
        group="",
        scheme=rng.choice(["", "", "", "THREE-ENDED"]),
        switching=rng.choice(["", "each", "both"]),
    )


def _write_path(study: Study, circuit: str, label: str, links: list[str]) -> None:
    if study.chance(0.2):
        links = links[::-1]
    for i, link in enumerate(links):
        study.add("circuit_paths", circuit=circuit, path=label, seq=i + 1, link=link)


def _plan_ring(study: Study, sites: list[str]) -> list[str]:
    nodes = [
        study.rng.choice([m for m in study.equipment[site] if m.startswith("MUX")])
        for site in sites
    ]
    links: list[str] = []
    for i, (one, other) in enumerate(zip(nodes, nodes[1:] + nodes[:1], strict=True)):
        shun = _footprint(study, links) if study.chance(0.9) else set()
        link = fibre_link(study, one, other, shun)
        links.append(link)
        study.add("rings", ring="RING", seq=i + 1, link=link)
    return nodes


def _main_way(study: Study, ring: list[str], a: str, b: str) -> str:
    """Blank only where one path has one hop and the other three or more."""
    apart = abs(ring.index(a) - ring.index(b))
    if len(ring) >= 4 and apart in (1, len(ring) - 1) and study.chance(0.5):
        return ""
    return study.rng.choice(["forward", "backward"])


def add_joints(study: Study) -> None:
    rng = study.rng
    for _ in range(rng.randint(0, 3)):
        cable = rng.choice(sorted(study.cables))
        on_cable = study.chance(0.8) or not study.knobs.joints_elsewhere
        places = study.cables[cable].nodes if on_cable else sorted(study.at)
        others = rng.sample(sorted(study.cables), k=1) if study.chance(0.2) else []
        others = others if study.knobs.joints_elsewhere else []
        listed = "" if study.chance(0.15) else ";".join(dict.fromkeys([cable, *others]))
        study.add("joints", id=study.new("J"), at=rng.choice(places), cables=listed)
