"""A small plant whose links are traced: ports, cords, panels, splices and terminations.

Sites A and B lie 1.6 km apart. North: cable N1 runs from A through pits P1 and P2 (joint J0 stands
in P1) and cable N2 from P2 to B; they meet in joint J1 at P2. South: cable S runs from A through
pit Q1 to B. Relays RA and RB; panels FA and FB. Link LN goes over the north, with one port for each
direction: RA tx, rx; cord KA (duplex) to FA ports 1 and 2; fibres 1 and 2 of N1; J1; fibres 5 and
6 of N2; FB ports 1 and 2; cord KB to RB rx, tx. Link LS goes over the south on one port: RA s, cord
KC, FA port 3, fibre 1 of S, FB port 3, cord KD, RB s. Circuit K has main LN and alternate LS.
"""

from __future__ import annotations

from typing import Any

from drawn_plant import DrawnPlant


class SplicedPlant(DrawnPlant):
    """The plant of the module, with what a test changes of it."""

    def __init__(self) -> None:
        super().__init__((0, 0), (1600, 0))
        self.nodes("pit", P1=(400, 120), P2=(1000, 120), Q1=(800, -400))
        for name, line in (
            ("d1", "A P1"),
            ("d2", "P1 P2"),
            ("d3", "P2 B"),
            ("e1", "A Q1"),
            ("e2", "Q1 B"),
        ):
            self.segment(name, "duct", *line.split())
        for cable, segments in (("N1", "d1 d2"), ("N2", "d3"), ("S", "e1 e2")):
            self.laid(cable, segments)
        for panel, site in (("FA", "A"), ("FB", "B")):
            self.rows["equipment"].append(
                {"id": panel, "site": site, "kind": "panel", "within": "-", "supplies": "-"}
            )
        self.rows["joints"] += [{"id": "J0", "at": "P1"}, {"id": "J1", "at": "P2"}]
        self.splice("J1", "N1", 1, "N2", 5, tray="1", loss_db=0.08)
        self.splice("J1", "N1", 2, "N2", 6, tray="1")
        for cable, fibre, panel, port in (
            ("N1", 1, "FA", 1),
            ("N1", 2, "FA", 2),
            ("N2", 5, "FB", 1),
            ("N2", 6, "FB", 2),
            ("S", 1, "FA", 3),
            ("S", 1, "FB", 3),
        ):
            self.end(cable, fibre, panel, port)
        self.cord("KA", "RA", "tx", "FA", 1)
        self.cord("KA", "RA", "rx", "FA", 2)
        self.cord("KB", "FB", 1, "RB", "rx")
        self.cord("KB", "FB", 2, "RB", "tx")
        self.cord("KC", "RA", "s", "FA", 3)
        self.cord("KD", "FB", 3, "RB", "s")
        self.link("LN", "tx;rx", "rx;tx")
        self.link("LS", "s", "s")
        self.rows["circuits"].append({"id": "K", "a": "RA", "b": "RB", "service": ""})
        for path, link in (("main", "LN"), ("alternate", "LS")):
            self.rows["circuit_paths"].append(
                {"circuit": "K", "path": path, "seq": 1, "link": link}
            )

    def laid(self, cable: str, segments: str, **row: Any) -> None:
        """A cable of 24 fibres through some segments."""
        self.rows["cables"].append({"id": cable, "fibre_type": "G.652.D", "fibre_count": 24, **row})
        for seq, segment in enumerate(segments.split(), start=1):
            self.rows["cable_runs"].append({"cable": cable, "seq": seq, "segment": segment})

    def link(self, id: str, a_port: str, b_port: str, **row: Any) -> None:
        """A link from RA to RB."""
        ends = {"id": id, "a": "RA", "b": "RB", "a_port": a_port, "b_port": b_port}
        self.rows["links"].append({**ends, "wavelength_nm": 1310, **row})

    def splice(
        self, joint: str, a: str, a_fibre: int, b: str, b_fibre: int, **row: Any
    ) -> dict[str, Any]:
        """One fibre joined to one fibre; returns the row, to change it."""
        made = {
            "joint": joint,
            "a_cable": a,
            "a_fibre": a_fibre,
            "b_cable": b,
            "b_fibre": b_fibre,
            **row,
        }
        self.rows["splices"].append(made)
        return made

    def end(self, cable: str, fibre: int, panel: str, port: object, **row: Any) -> None:
        """One end of a fibre on a port."""
        made = {"cable": cable, "fibre": fibre, "equipment": panel, "port": port, **row}
        self.rows["terminations"].append(made)

    def cord(self, id: str, a: str, a_port: object, b: str, b_port: object, **row: Any) -> None:
        """A cord between two ports."""
        ends = {"id": id, "a": a, "a_port": a_port, "b": b, "b_port": b_port}
        self.rows["patches"].append({**ends, **row})

    def without(self, role: str, **cells: object) -> None:
        """Take the rows away whose cells are these."""
        self.rows[role] = [
            row
            for row in self.rows[role]
            if not all(row.get(name) == value for name, value in cells.items())
        ]
