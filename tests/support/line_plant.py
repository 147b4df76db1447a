"""Stations at both ends of a line, with multiplexers and cords in them, drawn by hand.

    A: RA --- MA ==== over N ==== MB --- RB :B          main and alternate, each by its own pit
               \\==== over S ====/

`cables` are laid from site to site through a pit of their own, 300 m apart.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Any

from drawn_plant import DrawnPlant
from waysapart.verdicts.prove import Proof

RECORDS = """
[defaults]
reel_m = { other = 20000 }

[records]
within = "none"
supplies = "none"
needs = "none"
delay_us = "none"
"""
"""These plants record what matters to a test and nothing else."""


class LinePlant(DrawnPlant):
    """Sites A and B with relays RA and RB; `service` is what the rules say of every circuit."""

    def __init__(self, a: tuple[float, float] = (0, 0), b: tuple[float, float] = (6000, 0)) -> None:
        super().__init__(a, b)
        self.service = ""
        self.separation_m = 0.0
        self.rules = ""
        for row in self.rows["equipment"]:
            row["kind"] = "relay"

    def machine(self, id: str, site: str, kind: str = "multiplexer", **row: Any) -> None:
        self.rows["equipment"].append({"id": id, "site": site, "kind": kind, "within": "-", **row})

    def laid(self, cable: str, *nodes: str, kind: str = "duct", **row: Any) -> list[str]:
        """A cable through new segments from node to node."""
        names = []
        for number, (one, other) in enumerate(pairwise(nodes), start=1):
            name = f"{cable}-{number}"
            self.segment(name, kind, one, other, a=one, b=other, **row)
            names.append(name)
        self.follow(cable, *names)
        return names

    def follow(self, cable: str, *segments: str) -> None:
        """A cable through segments that are there already."""
        self.rows["cables"].append({"id": cable, "fibre_type": "G.652.D", "fibre_count": 24})
        for seq, segment in enumerate(segments, start=1):
            self.rows["cable_runs"].append({"cable": cable, "seq": seq, "segment": segment})

    def fibre(self, id: str, a: str, b: str, *cables: str, **row: Any) -> None:
        """A link over cables, on the first fibres of each that are free."""
        self.rows["links"].append({"id": id, "a": a, "b": b, "wavelength_nm": 1310, **row})
        for seq, cable in enumerate(cables, start=1):
            used = sum(run["cable"] == cable for run in self.rows["link_runs"])
            fibres = f"{2 * used + 1};{2 * used + 2}"
            self.rows["link_runs"].append(
                {"link": id, "seq": seq, "cable": cable, "fibres": fibres}
            )

    def hop(self, id: str, a: str, b: str, medium: str = "internal", **row: Any) -> None:
        self.rows["links"].append({"id": id, "a": a, "b": b, "medium": medium, **row})

    def way(self, circuit: str, path: str, *links: str, **row: Any) -> None:
        """A way of a circuit; the circuit is added with its first one."""
        if all(one["id"] != circuit for one in self.rows["circuits"]):
            ends = {"id": circuit, "a": "RA", "b": "RB", "service": ""}
            self.rows["circuits"].append({**ends, **row})
        for seq, link in enumerate(links, start=1):
            self.rows["circuit_paths"].append(
                {"circuit": circuit, "path": path, "seq": seq, "link": link}
            )

    def two_cables(self) -> None:
        """Cables CN and CS from site to site, each with ducts and a pit of its own."""
        self.nodes("pit", N=(3000, 300), S=(3000, -300))
        self.laid("CN", "A", "N", "B")
        self.laid("CS", "A", "S", "B")

    def write(self, folder: Path) -> Path:
        folder.mkdir(parents=True, exist_ok=True)
        common = f"separation_m = {self.separation_m:g}\nend_zone_m = 200\nforbid_cross = false\n"
        rules = f"{RECORDS}\n[services.default]\n{common}{self.service}\n{self.rules}"
        (folder / "rules.toml").write_text(rules, encoding="utf-8")
        return super().write(folder)

    def proved(self, folder: Path) -> Proof:
        return self.proof(folder)

    def circuit_facts(self, folder: Path, name: str = "K") -> dict[str, Any]:
        (found,) = [one for one in self.proved(folder).facts()["circuits"] if one["id"] == name]
        return found
