"""Random plants of cables, splices, panels and cords, with a graph of what is really joined.

The graph is made together with the plant, of pieces of glass and of ports, and never of the rows
that are written: whoever traces the rows must find the paths of the graph.
"""

from __future__ import annotations

import random
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import networkx as nx

from drawn_plant import DrawnPlant

End = tuple[Any, ...]
"""('port', equipment, port), or ('glass', cable, fibre, piece, place at that end of the piece)."""


@dataclass
class Glass:
    """A cable between two places by way of a pit, and which of its fibres are cut in the pit."""

    name: str
    begin: str
    pit: str
    end: str
    cut: set[int]

    def ends(self, fibre: int, place: str, far: str) -> End:
        """The end at a place of the piece of a fibre that holds an end of the cable."""
        return ("glass", self.name, fibre, far if fibre in self.cut else "whole", place)

    def side(self, far: str) -> str:
        """On which side of the pit the piece towards an end of the cable lies."""
        return "before" if far == self.begin else "after"


@dataclass
class RandomSplices:
    """A plant with links over random splices and cords."""

    seed: int
    plant: DrawnPlant = field(init=False)
    graph: nx.MultiGraph[End] = field(init=False)
    links: dict[str, tuple[End, End]] = field(init=False)

    def __post_init__(self) -> None:
        self.rng = random.Random(self.seed)
        self.graph, self.links = nx.MultiGraph(), {}
        self.plant = DrawnPlant((0, 0), (9000, 0))
        for role in ("equipment", "sites"):
            self.plant.rows[role] = []
        self.sites = [f"S{number}" for number in range(self.rng.randint(2, 4))]
        for number, site in enumerate(self.sites):
            self.plant.node(site, 1000 * number, 0, role="sites", kind="station")
            for machine in (f"R{number}", f"F{number}", f"W{number}"):
                self.plant.rows["equipment"].append(
                    {
                        "id": machine,
                        "site": site,
                        "kind": {"R": "relay", "F": "panel", "W": "filter"}[machine[0]],
                        "within": "-",
                        "supplies": "-",
                    }
                )
        for number, (a, b) in enumerate(zip(self.sites, self.sites[1:], strict=False)):
            for way in range(self.rng.randint(1, 2)):
                self._route(f"{number}{way}", a, b, number, way)
        for number in range(len(self.sites)):
            self._cords(number)
        self._name_links()

    def _route(self, name: str, a: str, b: str, number: int, way: int) -> None:
        """One or two cables from site to site by way of a pit with a joint."""
        rng, plant = self.rng, self.plant
        pit, joint = f"P{name}", f"J{name}"
        plant.node(pit, 1000 * number + 500, 100 + 200 * way)
        plant.segment(f"d{name}a", "duct", a, pit)
        plant.segment(f"d{name}b", "duct", pit, b)
        plant.rows["joints"].append({"id": joint, "at": pit})
        count = rng.randint(2, 6)
        if rng.random() < 0.5:
            turned = rng.random() < 0.5
            begin, end = (b, a) if turned else (a, b)
            cut = {fibre for fibre in range(1, count + 1) if rng.random() < 0.5}
            glass = Glass(f"C{name}", begin, pit, end, cut)
            self._lay(
                glass.name,
                count,
                [f"d{name}b", f"d{name}a"] if turned else [f"d{name}a", f"d{name}b"],
            )
            for fibre in range(1, count + 1):
                if fibre in cut:
                    self.graph.add_edge(
                        glass.ends(fibre, begin, begin),
                        glass.ends(fibre, pit, begin),
                        is_=("fibre", glass.name, fibre),
                    )
                    self.graph.add_edge(
                        glass.ends(fibre, pit, end),
                        glass.ends(fibre, end, end),
                        is_=("fibre", glass.name, fibre),
                    )
                else:
                    self.graph.add_edge(
                        glass.ends(fibre, begin, begin),
                        glass.ends(fibre, end, end),
                        is_=("fibre", glass.name, fibre),
                    )
            loose = [(glass, fibre, begin) for fibre in cut] + [
                (glass, fibre, end) for fibre in cut
            ]
            left = {a: glass, b: glass}
        else:
            one, two = (
                Glass(f"C{name}x", a, pit, pit, set()),
                Glass(f"C{name}y", pit, pit, b, set()),
            )
            for glass, segment in ((one, f"d{name}a"), (two, f"d{name}b")):
                self._lay(glass.name, count, [segment])
                for fibre in range(1, count + 1):
                    self.graph.add_edge(
                        ("glass", glass.name, fibre, "whole", glass.begin),
                        ("glass", glass.name, fibre, "whole", glass.end),
                        is_=("fibre", glass.name, fibre),
                    )
            loose = [(one, fibre, a) for fibre in range(1, count + 1)] + [
                (two, fibre, b) for fibre in range(1, count + 1)
            ]
            left = {a: one, b: two}
        rng.shuffle(loose)
        while len(loose) > 1:
            first, second = loose.pop(), loose.pop()
            if rng.random() < 0.06:
                loose.append(first)  # the second stays open
                continue
            if rng.random() < 0.04:
                loose.append(first)  # and is joined once more
            self._splice(joint, pit, first, second)
        self._without_bare_cuts(pit, {id(one): one for one in left.values()}.values())
        for site in (a, b):
            for fibre in range(1, count + 1):
                if rng.random() < 0.95:
                    self._end(left[site], fibre, site)

    def _without_bare_cuts(self, pit: str, cables: Iterable[Glass]) -> None:
        """A fibre of which no row says that it is cut goes on uncut, by the record and here."""
        for glass in cables:
            for fibre in sorted(glass.cut):
                halves = [glass.ends(fibre, pit, far) for far in (glass.begin, glass.end)]
                if any(self.graph.degree(half) > 1 for half in halves):
                    continue
                for half, far in zip(halves, (glass.begin, glass.end), strict=True):
                    self.graph.remove_nodes_from([half, glass.ends(fibre, far, far)])
                glass.cut.discard(fibre)
                self.graph.add_edge(
                    glass.ends(fibre, glass.begin, glass.begin),
                    glass.ends(fibre, glass.end, glass.end),
                    is_=("fibre", glass.name, fibre),
                )

    def _lay(self, cable: str, count: int, segments: list[str]) -> None:
        self.plant.rows["cables"].append(
            {"id": cable, "fibre_type": "G.652.D", "fibre_count": count}
        )
        for seq, segment in enumerate(segments, start=1):
            self.plant.rows["cable_runs"].append({"cable": cable, "seq": seq, "segment": segment})

    def _splice(
        self, joint: str, pit: str, first: tuple[Glass, int, str], second: tuple[Glass, int, str]
    ) -> None:
        row: dict[str, Any] = {"joint": joint}
        nodes = []
        for letter, (glass, fibre, far) in zip("ab", (first, second), strict=True):
            row |= {f"{letter}_cable": glass.name, f"{letter}_fibre": fibre}
            if glass.cut or glass.begin != glass.pit != glass.end:
                row[f"{letter}_side"] = glass.side(far)
                nodes.append(glass.ends(fibre, pit, far))
            else:
                nodes.append(("glass", glass.name, fibre, "whole", pit))
        self.plant.rows["splices"].append(row)
        self.graph.add_edge(*nodes, is_=("splice", joint))

    def _end(self, glass: Glass, fibre: int, site: str) -> None:
        panel = f"F{site[1:]}"
        port = f"{glass.name}-{fibre}" if self.rng.random() > 0.03 else f"{glass.name}-1"
        node = (
            glass.ends(fibre, site, site)
            if glass.cut
            else ("glass", glass.name, fibre, "whole", site)
        )
        if fibre not in glass.cut:
            node = ("glass", glass.name, fibre, "whole", site)
        self.plant.rows["terminations"].append(
            {"cable": glass.name, "fibre": fibre, "equipment": panel, "port": port}
        )
        self.graph.add_edge(node, ("port", panel, port), is_=("end", glass.name, fibre))

    def _cords(self, number: int) -> None:
        """Cords from panel ports to each other, to relays and to a filter with two inner ways."""
        rng = self.rng
        panel, relay, filter_ = f"F{number}", f"R{number}", f"W{number}"
        ports = sorted({node for node in self.graph if node[:2] == ("port", panel)})
        rng.shuffle(ports)
        made = 0
        if ports and rng.random() < 0.7:
            for leaf in ("1", "2"):
                self._cord(
                    f"I{number}{leaf}", ("port", filter_, "com"), ("port", filter_, leaf), "inner"
                )
                self._cord(
                    f"KW{number}{leaf}",
                    ("port", relay, f"w{leaf}"),
                    ("port", filter_, leaf),
                    "cord",
                )
            self._cord(f"KC{number}", ports.pop(), ("port", filter_, "com"), "cord")
        while len(ports) > 1 and rng.random() < 0.97:
            made += 1
            port = ports.pop()
            other = ports.pop() if rng.random() < 0.25 else ("port", relay, f"p{made}")
            what = "inner" if other[1] == panel else "cord"
            self._cord(f"K{number}-{made}", port, other, what)

    def _cord(self, name: str, one: End, other: End, what: str) -> None:
        if self.rng.random() < 0.5:
            one, other = other, one
        self.plant.rows["patches"].append(
            {"id": name, "a": one[1], "a_port": one[2], "b": other[1], "b_port": other[2]}
        )
        self.graph.add_edge(one, other, is_=(what, name))

    def _name_links(self) -> None:
        """Links between relay ports: mostly those that are joined, some that are not."""
        ports = sorted(node for node in self.graph if node[0] == "port" and node[1][0] == "R")
        for number, port in enumerate(ports):
            joined = [
                one
                for one in nx.node_connected_component(self.graph, port)
                if one in ports and one != port
            ]
            others = sorted(joined)
            if not joined or self.rng.random() < 0.1:
                others = [one for one in ports if one != port]
            if not others or (not joined and self.rng.random() < 0.8):
                continue
            other = self.rng.choice(others)
            name = f"L{number}"
            self.plant.rows["links"].append(
                {
                    "id": name,
                    "a": port[1],
                    "a_port": port[2],
                    "b": other[1],
                    "b_port": other[2],
                    "wavelength_nm": 1310,
                }
            )
            self.links[name] = (port, other)

    # --- The answer, by the graph

    def expected(self, name: str) -> tuple[str, list[tuple[Any, ...]] | None]:
        """Whether a link's ports are joined, and what light passes from the one to the other.

        Where they are not, what it passes before it stops; None where that takes choices to tell.
        """
        start, goal = self.links[name]
        if nx.has_path(self.graph, start, goal):
            for path in nx.all_simple_edge_paths(self.graph, start, goal):
                passed = self._passed(start, path)
                if passed is not None:
                    return "done", passed
        component = nx.node_connected_component(self.graph, start)
        piece = self.graph.subgraph(component)
        leaves = [node for node in piece if piece.degree(node) == 1 and node != start]
        simple = len(leaves) == 1 and piece.degree(start) == 1
        simple &= all(piece.degree(node) <= 2 for node in piece)
        ended = [
            [data["is_"][0] for *_, data in piece.edges(node, data=True)].count("end")
            for node in piece
            if node[0] == "port"
        ]
        simple &= max(ended) <= 1  # two fibres on one port: light stops there
        if not simple:
            return "not", None
        path = next(nx.all_simple_edge_paths(piece, start, leaves[0]))
        edges = [self.graph.edges[edge]["is_"] for edge in path]
        return "not", [edge for edge in edges if edge[0] != "end"]

    def _passed(self, start: End, path: list[tuple[End, End, int]]) -> list[tuple[Any, ...]] | None:
        """What a path passes; None where light does not go that way."""
        passed: list[tuple[Any, ...]] = []
        node = start
        edges = [self.graph.edges[edge]["is_"] for edge in path]
        nodes = [start]
        for one, other, _ in path:
            node = other if node == one else one
            nodes.append(node)
        for place, node in enumerate(nodes):
            kinds = [data["is_"][0] for *_, data in self.graph.edges(node, data=True)]
            outer = [kind for kind in kinds if kind != "inner"]
            if node[0] == "glass" and len(outer) > 2:
                return None
            if node[0] == "port" and (outer.count("end") > 1 or len(outer) > 2):
                return None
            if node in (nodes[0], nodes[-1]):
                if len(outer) > 1:
                    return None
                continue
            arrived, leaves = edges[place - 1][0], edges[place][0]
            if arrived == leaves == "inner":
                return None
        for edge in edges:
            if edge[0] != "end":
                passed.append(edge)
        return passed
