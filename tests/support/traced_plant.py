"""A plant drawn by hand with splices, terminations and patches, in which a link gives its ports.

    A ----- D1 ----- P1 ----- D2 ----- P2 ----- D3 ----- B        duct
     `------------------ S1 ---- T1 ---- S2 -----------'          overhead line

Cable C1 lies in D1, cable C2 in D2 and D3; OPGW C9 hangs on the line. Joint J1 in P1 joins
fibres 1 and 2 of C1 to fibres 3 and 4 of C2. In J2, in P2, which C2 passes, fibre 3 of C2 is cut
and joined to itself; fibre 4 goes on uncut. Relay RA is patched to panel PA by the duplex cord
K-A, RB to PB by K-B. Link L1 runs from RA to RB over all of this; L2 runs over C9 and is written.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from drawn_plant import DrawnPlant

Row = dict[str, Any]


class TracedPlant(DrawnPlant):
    """The plant; each table of it can be changed before it is written."""

    def __init__(self) -> None:
        super().__init__((0, 0), (1500, 0))
        self.nodes("pit", P1=(500, -100), P2=(1000, -100))
        self.node("T1", 750, 300, kind="tower")
        for name, a, b in (("D1", "A", "P1"), ("D2", "P1", "P2"), ("D3", "P2", "B")):
            self.segment(name, "duct", a, b, a=a, b=b)
        for name, a, b in (("S1", "A", "T1"), ("S2", "T1", "B")):
            self.segment(name, "span", a, b, a=a, b=b)
        self.listed("C1", "D1")
        self.listed("C2", "D2 D3")
        self.listed("C9", "S1 S2")
        for site in ("A", "B"):
            self.machine(f"P{site}", site, "panel")
        self.rows["joints"] += [
            {"id": "J1", "at": "P1", "cables": "C1;C2", "loss_db": 0.07},
            {"id": "J2", "at": "P2", "cables": "C2", "loss_db": ""},
        ]
        self.rows["links"] = [
            {
                **{"id": "L1", "a": "RA", "b": "RB", "wavelength_nm": 1310},
                **{"a_port": "TX;RX", "b_port": "RX;TX"},
            },
            {"id": "L2", "a": "RA", "b": "RB", "wavelength_nm": 1310},
        ]
        self.rows["link_runs"] = [{"link": "L2", "seq": 1, "cable": "C9", "fibres": "1;2"}]
        self.splice("J1", "C1", 1, "C2", 3, tray="2", loss_db=0.05)
        self.splice("J1", "C1", 2, "C2", 4, tray="2", loss_ab_db=0.12, loss_ba_db=-0.02)
        self.splice("J2", "C2", 3, "C2", 3)
        self.end("C1", 1, "PA", "1")
        self.end("C1", 2, "PA", "2")
        self.end("C2", 3, "PB", "1", loss_db=0.02)
        self.end("C2", 4, "PB", "2")
        self.patch("RA", "TX;RX", "PA", "1;2", id="K-A", length_m=8)
        self.patch("RB", "RX;TX", "PB", "1;2", id="K-B", loss_db=0.03)
        self.rows["circuits"].append({"id": "K", "a": "RA", "b": "RB", "service": ""})
        self.rows["circuit_paths"] += [
            {"circuit": "K", "path": "main", "seq": 1, "link": "L1"},
            {"circuit": "K", "path": "alternate", "seq": 1, "link": "L2"},
        ]

    def machine(self, id: str, site: str, kind: str) -> None:
        """A further piece of equipment."""
        self.rows["equipment"].append(
            {"id": id, "site": site, "kind": kind, "within": "-", "supplies": "-", "delay_us": 0}
        )

    def splice(self, joint: str, a: str, one: int, b: str, two: int, **more: object) -> None:
        """Fibre `one` of cable `a` joined to fibre `two` of cable `b`."""
        self.rows["splices"].append(
            {"joint": joint, "a_cable": a, "a_fibre": one, "b_cable": b, "b_fibre": two, **more}
        )

    def end(self, cable: str, fibre: int, equipment: str, port: str, **more: object) -> None:
        """A fibre that ends on a port."""
        self.rows["terminations"].append(
            {"cable": cable, "fibre": fibre, "equipment": equipment, "port": port, **more}
        )

    def patch(self, a: str, a_port: str, b: str, b_port: str, **more: object) -> None:
        """A cord, or a connection inside one piece of equipment."""
        self.rows["patches"].append({"a": a, "a_port": a_port, "b": b, "b_port": b_port, **more})

    def link(self, name: str) -> Row:
        """The row of a link."""
        return next(row for row in self.rows["links"] if row["id"] == name)

    def without(self, role: str, **said: object) -> None:
        """Take away the one row of a role that says all this."""
        fits = [row for row in self.rows[role] if said.items() <= row.items()]
        assert len(fits) == 1, (role, said, fits)
        self.rows[role].remove(fits[0])

    def folder(self, under: Path) -> Path:
        """Where it is written."""
        return self.write(under / "study")
