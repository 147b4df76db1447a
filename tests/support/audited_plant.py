"""A small plant with rows of every role, and for every column a cell that can be edited.

It is the traced plant with a room, a battery with its charger, a line that circuit K protects, a
flood, measurements, a leased hop, and a ring of three multiplexers on which circuit KR runs.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from traced_plant import TracedPlant
from waysapart.schema import ROLES

RULES = """
[services.default]
min_margin_db = 3.0
max_delay_us = 5000
max_asymmetry_us = 200
separation_m = 5

[records]
within = "none"
supplies = "none"
needs = "none"
delay_us = "none"
"""
Place = tuple[str, int, str]
"""A role, the place of a row in it from 0, and a column."""


def audited_plant() -> TracedPlant:
    """The plant before anything is edited."""
    plant = TracedPlant()
    rows = plant.rows
    for name, x, y in (("T2", 400.0, 420.0), ("T3", 1100.0, 430.0)):
        plant.node(name, x, y, kind="tower", within="LINE")
    plant.segment("SL", "span", "T2", "T3", a="T2", b="T3", within="LINE")
    plant.nodes("pit", PS=(-400, -600))
    rows["sites"] += [{"id": "SPARE", "kind": "hut", "within": "-", "line": [(-500.0, -700.0)]}]
    rows["holders"] += [
        {"id": "ROOM", "kind": "room", "within": "A"},
        {"id": "LINE", "kind": "line", "within": "-"},
        {"id": "HS", "kind": "room", "within": "-"},
    ]
    rows["supplies"] += [
        {"id": "CH", "site": "A", "within": "ROOM", "needs": "-"},
        {"id": "BAT", "site": "A", "within": "ROOM", "needs": "CH"},
        {"id": "BS", "site": "A", "within": "-", "needs": "-"},
    ]
    rows["equipment"][0] |= {"supplies": "BAT", "within": "ROOM", "kind": "relay"}
    for name in ("MA", "MB", "MC", "MS"):
        plant.machine(name, "B" if name == "MB" else "A", "multiplexer")
    budget = {"tx_min_dbm": 0, "tx_max_dbm": 2, "rx_min_dbm": -30, "rx_max_dbm": 5, "reserve_db": 1}
    for row in rows["links"]:
        row.update(budget)
    rows["cables"] += [{"id": "CS", "fibre_type": "G.652.D", "fibre_count": 24, "line": []}]
    plant.segment("DS", "duct", (-450.0, -650.0), (-420.0, -620.0))
    rows["links"] += [
        {"id": "R1", "a": "MA", "b": "MB", "medium": "leased", "relies_on": "T2", "length_m": 900},
        {"id": "R2", "a": "MB", "b": "MC", "medium": "electrical", "length_m": 50},
        {"id": "R3", "a": "MC", "b": "MA", "medium": "internal"},
        {"id": "LS", "a": "MS", "b": "MA", "medium": "internal"},
    ]
    rows["rings"] += [
        {"ring": "RING", "seq": n, "link": f"R{n}", "recovery_ms": 50 if n == 1 else ""}
        for n in (1, 2, 3)
    ]
    rows["rings"] += [{"ring": "RING2", "seq": n, "link": f"R{n}"} for n in (1, 2, 3)]
    rows["circuits"][0] |= {"protects": "LINE", "group": "G", "scheme": "S", "switching": "each"}
    rows["circuits"] += [
        {"id": "KR", "a": "MA", "b": "MB", "service": "", "group": "G"},
        {"id": "KS", "a": "MS", "b": "MA", "service": ""},
    ]
    rows["circuit_paths"] += [{"circuit": "KS", "path": "main", "seq": 1, "link": "LS"}]
    rows["ring_circuits"] += [{"circuit": "KR", "ring": "RING", "seq": 1}]
    rows["joints"] += [{"id": "JS", "at": "PS", "cables": "CS"}]
    rows["hazards"] += [
        {"id": "FLOOD", "kind": "flood", "reach_m": 20, "line": [(500.0, -140.0)], "area_m": 60}
    ]
    plant.patch("MS", "1", "MA", "9", id="KP")
    plant.nodes("pit", XS=(-480, -680))
    plant.machine("MX", "A", "multiplexer")
    rows["cables"] += [{"id": "CX", "fibre_type": "G.652.D", "fibre_count": 12, "line": []}]
    rows["links"] += [{"id": "LX", "a": "MX", "b": "MA", "medium": "internal"}]
    plant.machine("MZ", "A", "multiplexer")
    rows["circuits"] += [{"id": "KX", "a": "MX", "b": "MA", "service": ""}]
    rows["measurements"] += [
        {"cable": "C9", "fibre": 1, "wavelength_nm": 1310, "loss_db": 0.9, "stage": "installed"},
        {"link": "L2", "wavelength_nm": 1310, "loss_db": 1.9, "stage": "end-to-end"},
    ]
    return plant


_VALUES: dict[tuple[str, str], tuple[int, Any]] = {
    **{(role, "id"): (-1, "RENAMED") for role, told in ROLES.items() if "id" in told.column},
    **{(role, "within"): (0, "ROOM") for role in ("structures", "segments", "equipment", "sites")},
    ("sites", "within"): (-1, "LINE"),
    ("equipment", "within"): (1, "HS"),
    ("holders", "within"): (0, "B"),
    ("supplies", "within"): (1, "HS"),
    ("patches", "within"): (0, "ROOM"),
    ("structures", "kind"): (0, "bridge"),
    ("segments", "kind"): (0, "trench"),
    ("segments", "a"): (0, ""),
    ("segments", "b"): (0, ""),
    ("segments", "length_m"): (0, 900),
    ("cables", "fibre_type"): (0, "G.655"),
    ("cables", "carried_by"): (0, "C9"),
    ("cables", "fibre_count"): (0, 12),
    ("cables", "wrap_pitch_m"): (0, 1.5),
    ("cable_runs", "cable"): (-1, "CS"),
    ("cable_runs", "seq"): (-1, 9),
    ("cable_runs", "segment"): (0, "SL"),
    ("joints", "at"): (0, "P2"),
    ("joints", "cables"): (0, "C1"),
    ("supplies", "site"): (1, "B"),
    ("supplies", "supplies"): (1, "BS"),
    ("supplies", "needs"): (1, "BS"),
    ("equipment", "site"): (3, "A"),
    ("equipment", "supplies"): (0, "BAT;BS"),
    ("equipment", "needs"): (0, "MS"),
    ("links", "a"): (3, "MS"),
    ("links", "b"): (3, "MS"),
    ("links", "medium"): (3, "carrier"),
    ("links", "via"): (1, "PA"),
    ("links", "relies_on"): (2, "T3"),
    ("links", "stated_on"): (2, "2026-03-01"),
    ("links", "wavelength_nm"): (1, 1550),
    ("links", "length_m"): (2, 800),
    ("links", "a_port"): (0, "RX;TX"),
    ("links", "b_port"): (0, "TX;RX"),
    ("links", "unavailability"): (2, 0.001),
    ("links", "recovery_ms"): (0, 40),
    ("links", "dispersion_limit_ps_nm"): (1, 30),
    ("links", "bandwidth_mhz"): (1, 100),
    ("link_runs", "link"): (0, "LS"),
    ("link_runs", "cable"): (0, "CS"),
    ("link_runs", "fibres"): (0, "3;4"),
    ("link_runs", "direction"): (0, "go"),
    ("link_runs", "from"): (0, "A"),
    ("link_runs", "to"): (0, "T1"),
    ("circuits", "a"): (2, "MB"),
    ("circuits", "b"): (2, "MB"),
    ("circuits", "service"): (0, "line-differential"),
    ("circuits", "protects"): (0, "T2"),
    ("circuits", "group"): (1, ""),
    ("circuits", "switching"): (0, "both"),
    ("circuit_paths", "circuit"): (-1, "KR"),
    ("circuit_paths", "link"): (-1, "R3"),
    ("circuit_paths", "path"): (-1, "alternate"),
    ("rings", "ring"): (2, "RING3"),
    ("rings", "link"): (2, "LS"),
    ("rings", "recovery_ms"): (0, 60),
    ("ring_circuits", "circuit"): (0, "KS"),
    ("ring_circuits", "ring"): (0, "RING2"),
    ("ring_circuits", "enter"): (0, "MC"),
    ("ring_circuits", "leave"): (0, "MC"),
    ("ring_circuits", "a_tail"): (0, "LS"),
    ("ring_circuits", "b_tail"): (0, "LS"),
    ("ring_circuits", "main_way"): (0, "backward"),
    ("hazards", "takes"): (0, "tower"),
    ("splices", "joint"): (0, "J2"),
    ("splices", "a_cable"): (0, "CS"),
    ("splices", "b_cable"): (0, "CS"),
    ("splices", "a_side"): (2, "before"),
    ("splices", "b_side"): (2, "after"),
    ("terminations", "cable"): (0, "CS"),
    ("terminations", "equipment"): (0, "PB"),
    ("terminations", "side"): (0, "before"),
    ("patches", "a_port"): (0, "RX;TX"),
    ("patches", "b_port"): (0, "2;1"),
    ("patches", "a"): (0, "RB"),
    ("patches", "b"): (0, "PB"),
    ("measurements", "cable"): (0, "C1"),
    ("measurements", "link"): (1, "L1"),
    ("measurements", "joint"): (0, "J1"),
    ("measurements", "at_m"): (0, 100),
}
"""What is edited where the type of the column alone does not say, and in which row."""


def edit(plant: TracedPlant, role: str, column: str) -> tuple[int, Any]:
    """Edit one cell of a column.

    Returns
    -------
    row : int
        Its place from 0.
    value : object
        What the cell holds now.
    """
    rows = plant.rows[role]
    if column == "geometry":
        place = 0
        if not rows[0].get("line"):
            rows[0]["line"] = [(0.0, 0.0), (700.0, 200.0)]
        else:
            x, y = rows[0]["line"][0]
            rows[0]["line"] = [(x + 12.0, y), *rows[0]["line"][1:]]
        return place, rows[0]["line"]
    told = ROLES[role].column[column]
    place, value = _VALUES.get((role, column), (0, None))
    place %= len(rows)
    if value is None:
        was = rows[place].get(column)
        if told.type == "number":
            value = 0.5 if was in (None, "") else float(was) + 0.25
        elif told.type == "count":
            value = 3 if was in (None, "") else int(was) + 5
        elif told.type == "date":
            value = "2026-02-01"
        else:
            value = told.choices[-1] if told.choices else "edited"
    rows[place][column] = value
    return place, value


def write(plant: TracedPlant, folder: Path) -> Path:
    """Write the plant with its rules."""
    plant.write(folder)
    (folder / "rules.toml").write_text(RULES, encoding="utf-8")
    return folder
