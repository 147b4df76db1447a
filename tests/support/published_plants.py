"""Plants that are drawn after published networks and lines, so that tests ask the public functions.

A published network becomes pits joined by ducts; the nodes that a circuit ends at are sites with a
relay. What a document calls a shared risk (a conduit, a line card) holds the ducts in it. Rules on
separation are off unless a test sets them: a verdict then rests on what paths have in common.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

import waysapart as wa
from drawn_plant import DrawnPlant, Place
from line_plant import RECORDS

RADIUS_M = 900.0
NO_SPACING = "separation_m = 0\nforbid_cross = false\n"


class PublishedNet(DrawnPlant):
    """Pits, or sites with a relay `R-` each, joined by ducts that are named after both ends.

    Parameters
    ----------
    edges : str
        Pairs of nodes, as in ``"A-B B-C:5"``; a number behind a colon is the length of the duct
        in kilometres.
    sites : str
        Nodes that circuits end at.
    risks : mapping of str to str, optional
        What several ducts lie in, with the ducts, as in ``{"a": "S-P A-B"}``.
    places : mapping of str to (float, float), optional
        Metres east and north; on a circle in the order in which nodes appear, where absent.
    """

    def __init__(
        self,
        edges: str,
        *,
        sites: str,
        risks: Mapping[str, str] | None = None,
        places: Mapping[str, Place] | None = None,
    ) -> None:
        super().__init__((0, 0), (1, 0))
        self.rows.clear()
        self.at.clear()
        self.service = NO_SPACING
        self.rules = ""
        self.name: dict[frozenset[str], str] = {}
        pairs = [edge.partition(":") for edge in edges.split()]
        nodes = list(dict.fromkeys(node for pair, *_ in pairs for node in pair.split("-")))
        for number, node in enumerate(nodes):
            turn = 2 * math.pi * number / len(nodes)
            ring = (RADIUS_M * math.cos(turn), RADIUS_M * math.sin(turn))
            self._node(node, *(places or {}).get(node, ring), site=node in sites.split())
        within: dict[str, list[str]] = {}
        for risk, ducts in (risks or {}).items():
            self.rows["holders"].append({"id": risk, "kind": "conduit", "within": "-"})
            for duct in ducts.split():
                within.setdefault(duct, []).append(risk)
        for pair, _, km in pairs:
            a, b = pair.split("-")
            length = {"length_m": 1000 * float(km)} if km else {}
            held = ";".join(within.pop(pair, ["-"]))
            self.segment(pair, "duct", a, b, a=a, b=b, within=held, **length)
            self.name[frozenset((a, b))] = pair
        assert not within, f"no such ducts: {within}"

    def _node(self, node: str, x: float, y: float, *, site: bool) -> None:
        if not site:
            self.node(node, x, y)
            return
        self.node(node, x, y, role="sites", kind="substation")
        self.rows["equipment"].append(
            {"id": f"R-{node}", "site": node, "kind": "relay", "within": "-"}
        )

    def along(self, nodes: str) -> list[str]:
        """Ducts from node to node."""
        names = nodes.split()
        return [self.name[frozenset(pair)] for pair in pairwise(names)]

    def circuit(self, circuit: str, *paths: str, **row: Any) -> None:
        """A circuit whose paths pass some nodes; each path is one link in a cable of its own."""
        ends = {node: None for path in paths for node in (path.split()[0], path.split()[-1])}
        a, b = (f"R-{node}" for node in ends)
        self.rows["circuits"].append({"id": circuit, "a": a, "b": b, "service": "", **row})
        for number, path in enumerate(paths):
            name = f"{circuit}-{number + 1}"
            self.cabled(f"c-{name}", *self.along(path))
            self.rows["links"].append({"id": name, "a": a, "b": b, "wavelength_nm": 1310})
            self.rows["link_runs"].append(
                {"link": name, "seq": 1, "cable": f"c-{name}", "fibres": "1;2"}
            )
            label = ("main", "alternate")[number] if number < 2 else f"path-{number + 1}"
            self.rows["circuit_paths"].append(
                {"circuit": circuit, "path": label, "seq": 1, "link": name}
            )

    def cabled(self, cable: str, *ducts: str) -> None:
        """A cable through ducts."""
        self.rows["cables"].append({"id": cable, "fibre_type": "G.652.D", "fibre_count": 24})
        for seq, duct in enumerate(ducts, start=1):
            self.rows["cable_runs"].append({"cable": cable, "seq": seq, "segment": duct})

    def wanted(self, path: str, members: int = 1, name: str = "K") -> None:
        """A circuit that is to get separate paths, on one path as things are.

        With several members: so many circuits, `name`-1 and so on, of a group `name`.
        """
        a, b = path.split(maxsplit=1)[0], path.rsplit(maxsplit=1)[-1]
        self.cabled(f"now-{name}", *self.along(path))
        for number in range(1, members + 1):
            own = f"{name}-{number}" if members > 1 else name
            ends = {"a": f"R-{a}-{own}", "b": f"R-{b}-{own}"}
            for relay, site in zip(ends.values(), (a, b), strict=True):
                self.rows["equipment"].append(
                    {"id": relay, "site": site, "kind": "relay", "within": "-"}
                )
            fibres = f"{2 * number - 1};{2 * number}"
            self.rows["links"].append({"id": f"L-{own}", **ends, "wavelength_nm": 1310})
            self.rows["link_runs"].append(
                {"link": f"L-{own}", "seq": 1, "cable": f"now-{name}", "fibres": fibres}
            )
            group = name if members > 1 else ""
            self.rows["circuits"].append({"id": own, **ends, "service": "", "group": group})
            for label in ("main", "alternate"):
                self.rows["circuit_paths"].append(
                    {"circuit": own, "path": label, "seq": 1, "link": f"L-{own}"}
                )

    def write(self, folder: Path) -> Path:
        folder.mkdir(parents=True, exist_ok=True)
        text = f"{RECORDS}\n[services.default]\nend_zone_m = 0\n{self.service}\n{self.rules}"
        (folder / "rules.toml").write_text(text, encoding="utf-8")
        return super().write(folder)

    def facts(self, folder: Path) -> dict[str, dict[str, Any]]:
        """What `prove` says of each circuit."""
        return {one["id"]: one for one in self.proof(folder).facts()["circuits"]}


@dataclass(frozen=True)
class Island:
    """A network of a document, with circuits in it.

    Attributes
    ----------
    edges : str
        As of `PublishedNet`.
    path : str
        Where separate paths are looked for: the one that the circuit, or group, is on now.
    members : int
        How many circuits are to get paths that are apart from each other.
    circuits : mapping of str to tuple of str
        Paths of circuits on record, by the circuit's name.
    grouped : bool
        Whether these circuits are one group.
    risks : mapping of str to str
    """

    edges: str
    path: str = ""
    members: int = 1
    circuits: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    grouped: bool = False
    risks: Mapping[str, str] = field(default_factory=dict)

    def nodes(self) -> list[str]:
        pairs = [edge.partition(":")[0] for edge in self.edges.split()]
        return list(dict.fromkeys(node for pair in pairs for node in pair.split("-")))

    def ends(self) -> set[str]:
        """Nodes at which a path of a circuit ends."""
        paths = [self.path, *(path for paths in self.circuits.values() for path in paths)]
        return {node for path in paths if path for node in (path.split()[0], path.split()[-1])}


def islands(found: Mapping[str, Island]) -> PublishedNet:
    """Several networks in one plant, far from each other, so that they are proved at once.

    Nodes, risks and circuits bear the name of their island and a dot before their own; the group
    of an island, and the circuit that separate paths are looked for, have its name alone.
    """
    edges: list[str] = []
    risks: dict[str, str] = {}
    places: dict[str, Place] = {}
    for number, (name, one) in enumerate(found.items()):
        nodes = one.nodes()
        east, north = 3 * RADIUS_M * (number % 6), 3 * RADIUS_M * (number // 6)
        for at, node in enumerate(nodes):
            turn = 2 * math.pi * at / len(nodes)
            x, y = RADIUS_M * math.cos(turn), RADIUS_M * math.sin(turn)
            places[f"{name}.{node}"] = (east + x, north + y)
        for edge in one.edges.split():
            pair, colon, km = edge.partition(":")
            edges.append(on_island(name, pair) + colon + km)
        for risk, held in one.risks.items():
            risks[f"{name}.{risk}"] = " ".join(on_island(name, duct) for duct in held.split())
    sites = " ".join(f"{name}.{end}" for name, one in found.items() for end in sorted(one.ends()))
    net = PublishedNet(" ".join(edges), sites=sites, risks=risks, places=places)
    for name, one in found.items():
        if one.path:
            for duct in one.edges.split():
                here = on_island(name, duct.partition(":")[0])
                net.cabled(f"f-{here}", here)
            net.wanted(_path_on(name, one.path), one.members, name)
        for circuit, paths in one.circuits.items():
            group = {"group": name} if one.grouped else {}
            net.circuit(f"{name}.{circuit}", *(_path_on(name, path) for path in paths), **group)
    return net


def _path_on(name: str, path: str) -> str:
    return " ".join(f"{name}.{node}" for node in path.split())


def on_island(name: str, duct: str) -> str:
    """The duct of an island, as the plant names it."""
    return "-".join(f"{name}.{node}" for node in duct.split("-"))


def off_island(name: str, ids: Iterable[str]) -> set[str]:
    """Ids as the document names them."""
    return {one.replace(f"{name}.", "") for one in ids}


class LinePairs(DrawnPlant):
    """Circuits whose main path is one drawn line and whose alternate is another.

    Each line has a site with a relay at either end; an alternate is reached over a carrier's hops.

    Parameters
    ----------
    rules : str
        Of services.
    degrees : bool
        Lines are in longitude and latitude; else in metres east and north.
    """

    def __init__(self, rules: str, *, degrees: bool) -> None:
        super().__init__((0, 0), (1, 0))
        self.rows.clear()
        self.at.clear()
        self.rules = rules
        self.settings = 'rules = "rules.toml"\n'
        if degrees:
            self.to_degrees = lambda x, y: (x, y)
            self.shows_grid = False

    def pair(
        self,
        circuit: str,
        main: Sequence[Place],
        alternate: Sequence[Place],
        kind: str = "buried",
        service: str = "",
    ) -> None:
        """Add a circuit."""
        ends = {"A": main[0], "B": main[-1], "C": alternate[0], "D": alternate[-1]}
        relays = {}
        for end, place in ends.items():
            self.node(f"{circuit}-{end}", *place, role="sites", kind="substation")
            relays[end] = f"R-{circuit}-{end}"
            self.rows["equipment"].append(
                {"id": relays[end], "site": f"{circuit}-{end}", "kind": "relay", "within": "-"}
            )
        paths = {
            "main": [("A", "B", f"{circuit}-main")],
            "alternate": [("A", "C", ""), ("C", "D", f"{circuit}-alternate"), ("D", "B", "")],
        }
        for cable, line, (a, b) in (
            (f"{circuit}-main", main, "AB"),
            (f"{circuit}-alternate", alternate, "CD"),
        ):
            nodes = {"a": f"{circuit}-{a}", "b": f"{circuit}-{b}"}
            self.segment(cable, kind, *line, **nodes)
            self.rows["cables"].append(
                {"id": f"c-{cable}", "fibre_type": "G.652.D", "fibre_count": 24}
            )
            self.rows["cable_runs"].append({"cable": f"c-{cable}", "seq": 1, "segment": cable})
        self.rows["circuits"].append(
            {"id": circuit, "a": relays["A"], "b": relays["B"], "service": service}
        )
        for path, hops in paths.items():
            for seq, (a, b, cable) in enumerate(hops, start=1):
                link = f"{circuit}-{path}-{seq}"
                medium = {"wavelength_nm": 1310} if cable else {"medium": "carrier"}
                self.rows["links"].append({"id": link, "a": relays[a], "b": relays[b], **medium})
                if cable:
                    self.rows["link_runs"].append({"link": link, "seq": 1, "cable": f"c-{cable}"})
                self.rows["circuit_paths"].append(
                    {"circuit": circuit, "path": path, "seq": seq, "link": link}
                )

    def write(self, folder: Path) -> Path:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "rules.toml").write_text(f"{RECORDS}\n{self.rules}", encoding="utf-8")
        return super().write(folder)

    def facts(self, folder: Path) -> dict[str, dict[str, Any]]:
        """What `prove` says of each circuit."""
        return {one["id"]: one for one in self.proof(folder).facts()["circuits"]}


class Proved:
    """What the program says of the islands of one plant, in the names of the documents.

    Circuits are asked for as ``"island.circuit"``, the group of an island by its name.
    """

    def __init__(self, proof: wa.Proof) -> None:
        facts: dict[str, Any] = dict(proof.facts())
        self.proof = proof
        self.facts = facts
        self.said: dict[str, Any] = {one["id"]: one for one in facts["circuits"]}
        self.said |= {one["id"]: one for one in facts["groups"]}
        self.lost = wa.contingency(proof).frame().query("state == 'lost'")

    def verdict(self, name: str) -> str:
        return str(self.said[name]["verdict"])

    def shared(self, name: str) -> set[str]:
        """Ids of what the paths of a circuit or group share and need not."""
        return off_island(name.split(".", maxsplit=1)[0], shared(self.said[name]))

    def takes(self, name: str) -> set[str]:
        """Ids of what alone loses a circuit, less its ends and their relays."""
        island = name.split(".", maxsplit=1)[0]
        ends = {self.said[name][end] for end in ("a", "b")}
        ends |= {relay.removeprefix("R-") for relay in ends}
        lost = set(self.lost.loc[self.lost["circuit"] == name, "asset"])
        return off_island(island, lost - ends)

    def states(self, island: str, *assets: str) -> dict[str, str]:
        """How the circuits of an island stand while some things are out of service."""
        works = wa.outage(
            self.proof,
            assets=[on_island(island, asset) for asset in assets],
        )
        return {
            one["id"].removeprefix(f"{island}."): one["state"]
            for one in works.facts()["circuits"]
            if one["id"].startswith(f"{island}.")
        }


def shared(facts: Mapping[str, Any]) -> set[str]:
    """Ids of what the paths of a circuit share and need not."""
    return {row["asset"] for row in facts["shared"]}


def ducts(names: Iterable[str]) -> set[str]:
    """Those of some assets that are ducts of a `PublishedNet`."""
    return {name for name in names if "-" in name}
