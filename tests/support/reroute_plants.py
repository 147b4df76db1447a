"""Small plants for rerouting: sites joined by cables, drawn by hand or made up at random."""

from __future__ import annotations

import random
from collections.abc import Iterator
from itertools import combinations, pairwise
from pathlib import Path
from typing import Any

from drawn_plant import DrawnPlant

NO_SPACING = "separation_m = 0\n"
OPTICS = {"tx_min_dbm": -8, "tx_max_dbm": -3, "rx_min_dbm": -28, "rx_max_dbm": 0, "reserve_db": 0}


class Plant(DrawnPlant):
    """Sites A and B with relays RA and RB; cables are listed, links are added one by one.

    `service` is what the rules say of every circuit; by default nothing about
    separation, so that only what is shared counts.
    """

    def __init__(self, a: tuple[float, float] = (0, 0), b: tuple[float, float] = (3000, 0)) -> None:
        super().__init__(a, b)
        self.service = NO_SPACING
        for row in self.rows["equipment"]:
            row["kind"] = "relay"

    def site(self, id: str, x: float, y: float) -> None:
        """Another site, with nothing in it."""
        self.node(id, x, y, role="sites", kind="substation")

    def more_relays(self, number: int = 2) -> tuple[str, str]:
        """A further relay at either end, for another main protection."""
        for row in self.rows["equipment"][:2]:
            self.rows["equipment"].append({**row, "id": f"{row['id']}{number}"})
        return f"RA{number}", f"RB{number}"

    def laid(self, cable: str, *nodes: str, kind: str = "duct", **row: Any) -> list[str]:
        """A cable through new segments from node to node, `km` long where that is given."""
        km = row.pop("km", None)
        segments = []
        for number, (one, other) in enumerate(pairwise(nodes), start=1):
            name = f"{cable}-{number}"
            length = {} if km is None else {"length_m": 1000 * km / (len(nodes) - 1)}
            self.segment(name, kind, one, other, a=one, b=other, **length)
            segments.append(name)
        self.follow(cable, *segments, **row)
        return segments

    def follow(self, cable: str, *segments: str, **row: Any) -> None:
        """A cable through segments that are there already."""
        self.rows["cables"].append(
            {"id": cable, "fibre_type": "G.652.D", "fibre_count": 24, "kind": "plain", **row}
        )
        for seq, segment in enumerate(segments, start=1):
            self.rows["cable_runs"].append({"cable": cable, "seq": seq, "segment": segment})

    def link(self, id: str, *cables: str, a: str = "RA", b: str = "RB", **row: Any) -> None:
        """A link over cables, on the first fibres of each that are free."""
        self.rows["links"].append({"id": id, "a": a, "b": b, "wavelength_nm": 1310, **row})
        for seq, cable in enumerate(cables, start=1):
            used = sum(run["cable"] == cable for run in self.rows["link_runs"])
            fibres = f"{2 * used + 1};{2 * used + 2}"
            self.rows["link_runs"].append(
                {"link": id, "seq": seq, "cable": cable, "fibres": fibres}
            )

    def way(self, circuit: str, path: str, *links: str) -> None:
        """A way of a circuit; the circuit is added with its first one."""
        if all(row["id"] != circuit for row in self.rows["circuits"]):
            self.rows["circuits"].append({"id": circuit, "a": "RA", "b": "RB", "service": ""})
        for seq, link in enumerate(links, start=1):
            self.rows["circuit_paths"].append(
                {"circuit": circuit, "path": path, "seq": seq, "link": link}
            )

    def write(self, folder: Path) -> Path:
        folder.mkdir(parents=True, exist_ok=True)
        common = "min_margin_db = 3.0\nend_zone_m = 200\nforbid_cross = false\n"
        rules = f"[services.default]\n{common}{self.service}"
        (folder / "rules.toml").write_text(rules, encoding="utf-8")
        return super().write(folder)


def one_cable(plant: Plant) -> None:
    """Circuit K with both ways in cable CN, by pit N."""
    plant.nodes("pit", N=(1500, 500))
    plant.laid("CN", "A", "N", "B", km=3.2)
    plant.link("L1", "CN")
    plant.link("L2", "CN")
    plant.way("K", "main", "L1")
    plant.way("K", "alternate", "L2")


def random_plant(seed: int) -> tuple[Plant, dict[tuple[str, str], list[str]]]:
    """Sites on a circle joined by cables through pits, some of them shared; a hazard at times.

    Returns
    -------
    plant : Plant
        Circuit K has both paths over the cable CK, whose ends are A and B.
    cables : dict
        Cables by the two sites that they join.
    """
    rng = random.Random(seed)
    plant = Plant((0, 0), (6000, 0))
    inner = [f"S{n}" for n in range(rng.randint(1, 3))]
    for number, name in enumerate(inner):
        plant.site(name, 1500 + 1500 * number, rng.choice((-900, 900)) + 100 * number)
    pits = [f"P{n}" for n in range(rng.randint(2, 4))]
    for number, name in enumerate(pits):
        plant.node(name, 1000 + 1300 * number, rng.randint(-500, 500) + 37, kind="pit")
    plant.laid("CK", "A", rng.choice(pits), "B")
    joined: dict[tuple[str, str], list[str]] = {("A", "B"): ["CK"]}
    ends = ["A", "B", *inner]
    for number in range(rng.randint(3, 7)):
        one, other = sorted(rng.sample(ends, 2))
        through = rng.sample(pits, rng.randint(0, 2))
        if through:
            plant.laid(f"C{number}", one, *through, other)
        else:
            # Of its own, bent aside so that no two such cables lie in one place.
            own = f"Q{number}"
            plant.node(own, 700 + 800 * number, 1500 + 211 * number, kind="pit")
            plant.laid(f"C{number}", one, own, other)
        joined.setdefault((one, other), []).append(f"C{number}")
    if rng.random() < 0.4:
        x = rng.randint(500, 5500)
        plant.rows["hazards"].append(
            {"id": "HZ", "kind": "flood", "line": [(x, 0)], "area_m": rng.choice((300, 1200))}
        )
    plant.link("LK", "CK")
    plant.way("K", "main", "LK")
    plant.way("K", "alternate", "LK")
    return plant, joined


def simple_ways(joined: dict[tuple[str, str], list[str]]) -> Iterator[tuple[str, ...]]:
    """Every path from A to B over cables that comes to no site twice."""
    beside: dict[str, list[tuple[str, str]]] = {}
    for (one, other), cables in joined.items():
        for cable in cables:
            beside.setdefault(one, []).append((cable, other))
            beside.setdefault(other, []).append((cable, one))

    def onward(at: str, seen: frozenset[str], cables: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
        if at == "B":
            yield cables
            return
        for cable, there in beside.get(at, ()):
            if there not in seen:
                yield from onward(there, seen | {there}, (*cables, cable))

    yield from onward("A", frozenset("A"), ())


def every_pair(plant: Plant, joined: dict[tuple[str, str], list[str]]) -> list[tuple[str, ...]]:
    """Add a circuit for every two simple paths, so that one proof judges them all.

    Returns the paths; circuit ``i/j`` has paths i and j.
    """
    ways = list(simple_ways(joined))
    for cable in plant.rows["cables"]:
        cable["fibre_count"] = 2000
    for number, way in enumerate(ways):
        plant.link(f"W{number}", *way)
    for i, j in combinations(range(len(ways)), 2):
        plant.way(f"{i}/{j}", "main", f"W{i}")
        plant.way(f"{i}/{j}", "alternate", f"W{j}")
    return ways
