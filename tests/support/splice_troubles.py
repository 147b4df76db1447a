"""Faults, blanks and second opinions in the records of random spliced plants, from a seed."""

from __future__ import annotations

import random
from collections.abc import Callable
from itertools import combinations
from typing import Any

from random_splices import RandomSplices

Row = dict[str, Any]
Rows = dict[str, list[Row]]


def troubled_plant(seed: int, troubles: int = 6) -> RandomSplices:
    """A random plant with circuits and with some of the troubles of this module."""
    made, rng = RandomSplices(seed), random.Random(seed + 10_000)
    rows = made.plant.rows
    _circuits(rows, rng)
    for trouble in rng.choices(TROUBLES, k=troubles):
        trouble(rows, rng)
    for role in [role for role, mine in rows.items() if not mine]:
        del rows[role]
    return made


def _circuits(rows: Rows, rng: random.Random) -> None:
    """Circuits over two links with the same relays at their ends, and over one."""
    for number, (one, two) in enumerate(combinations(rows["links"], 2)):
        if {one["a"], one["b"]} != {two["a"], two["b"]} or rng.random() < 0.5:
            continue
        name = f"K{number}"
        row = {"id": name, "a": one["a"], "b": one["b"], "service": "", "group": "G"}
        rows["circuits"].append(row)
        for path, link in (("main", one), ("alternate", two)):
            rows["circuit_paths"].append(
                {"circuit": name, "path": path, "seq": 1, "link": link["id"]}
            )


def _one(rows: Rows, role: str, rng: random.Random) -> Row:
    return rng.choice(rows[role]) if rows[role] else {}


def _losses(rows: Rows, rng: random.Random) -> None:
    for row in rows["splices"]:
        name = rng.choice(("loss_db", "loss_ab_db", "loss_ba_db", "tray"))
        row[name] = round(rng.uniform(0, 0.3), 3)


def _pigtails(rows: Rows, rng: random.Random) -> None:
    for row in rows["terminations"]:
        row["loss_db"] = rng.choice(("", 0, 0.05))
    for row in rows["patches"]:
        row["loss_db"] = rng.choice(("", 0, 0.1, 1.5))
        row["length_m"] = rng.choice(("", 0, 3, 80))


def _types(rows: Rows, rng: random.Random) -> None:
    for row in (*rows["cables"], *rows["patches"]):
        row["fibre_type"] = rng.choice(("G.652.D", "G.652.D", "G.655", "OM2", ""))


def _side_missing(rows: Rows, rng: random.Random) -> None:
    row = _one(rows, "splices", rng)
    row.pop("a_side", None)
    row.pop("b_side", None)


def _side_turned(rows: Rows, rng: random.Random) -> None:
    row = _one(rows, "splices", rng)
    row[rng.choice(("a_side", "b_side"))] = rng.choice(("before", "after"))
    _one(rows, "terminations", rng)["side"] = rng.choice(("before", "after"))


def _again(rows: Rows, rng: random.Random) -> None:
    role = rng.choice(("splices", "terminations"))
    if rows[role]:
        rows[role].append({**_one(rows, role, rng), "loss_db": 0.2})


def _gone(rows: Rows, rng: random.Random) -> None:
    role = rng.choice(("splices", "terminations", "patches"))
    if rows[role]:
        rows[role].remove(_one(rows, role, rng))


def _other_fibre(rows: Rows, rng: random.Random) -> None:
    _one(rows, "splices", rng)["b_fibre"] = rng.randint(1, 9)
    _one(rows, "terminations", rng)["fibre"] = rng.randint(1, 9)


def _two_ports(rows: Rows, rng: random.Random) -> None:
    """A link that takes the ports of another as its return; sometimes crossed or uneven."""
    for one, two in combinations(rows["links"], 2):
        if (one["a"], one["b"]) != (two["a"], two["b"]) or ";" in one["a_port"] + two["a_port"]:
            continue
        one["a_port"] += f";{two['a_port']}"
        if rng.random() < 0.2:
            return
        turned = rng.random() < 0.3
        ports = (two["b_port"], one["b_port"]) if turned else (one["b_port"], two["b_port"])
        one["b_port"] = ";".join(ports)


def _no_port(rows: Rows, rng: random.Random) -> None:
    _one(rows, "links", rng)[rng.choice(("a_port", "b_port"))] = ""


def _joint_lists(rows: Rows, rng: random.Random) -> None:
    joint = _one(rows, "joints", rng)
    named = {row["a_cable"] for row in rows["splices"] if row["joint"] == joint.get("id")}
    joint["cables"] = ";".join(sorted(named))


def _no_course(rows: Rows, rng: random.Random) -> None:
    cable = _one(rows, "cables", rng).get("id")
    rows["cable_runs"] = [row for row in rows["cable_runs"] if row["cable"] != cable]


def _no_place(rows: Rows, rng: random.Random) -> None:
    _one(rows, "joints", rng)["at"] = ""


def _elsewhere(rows: Rows, rng: random.Random) -> None:
    sites = [row["id"] for row in rows["sites"]]
    _one(rows, "joints", rng)["at"] = rng.choice(sites)
    _one(rows, "equipment", rng)["site"] = rng.choice([*sites, ""])


def _few_fibres(rows: Rows, rng: random.Random) -> None:
    _one(rows, "cables", rng)["fibre_count"] = rng.choice((1, 2, ""))


def _written(rows: Rows, rng: random.Random) -> None:
    """Runs of a link: of some cables, with or without fibres, ends and directions."""
    for link in rng.sample(rows["links"], min(4, len(rows["links"]))):
        for seq in range(1, rng.randint(2, 3)):
            cable = _one(rows, "cables", rng)
            row: Row = {"link": link["id"], "seq": seq, "cable": cable["id"]}
            row["fibres"] = rng.choice(("", "1", "2", "1;2"))
            row["direction"] = rng.choice(("", "", "", "go"))
            rows["link_runs"].append(row)


def _cord_rows(rows: Rows, rng: random.Random) -> None:
    """A cord with a second pair of ports, an uneven one, and one without an id."""
    row = _one(rows, "patches", rng)
    if row:
        rows["patches"].append({**row, "a_port": "z1", "b_port": "z2"})
        _one(rows, "patches", rng)["id"] = ""
        uneven = {"id": "KU", "a": row["a"], "b": row["b"], "a_port": "u1;u2", "b_port": "u3"}
        rows["patches"].append(uneven)


def _far_cord(rows: Rows, rng: random.Random) -> None:
    _one(rows, "patches", rng)["b"] = _one(rows, "equipment", rng)["id"]


def _stated(rows: Rows, rng: random.Random) -> None:
    for link in rows["links"]:
        link |= {
            "connectors": rng.choice(("", 2, 5)),
            "splices": rng.choice(("", "", 3)),
            "loss_db": rng.choice(("", 0.7)),
            "extra_delay_us": rng.choice(("", 1.5)),
            "via": rng.choice(("", "F0")),
            "relies_on": rng.choice(("", "-", "W0")),
            "channel": rng.choice(("", "1")),
            "length_m": rng.choice(("", "", 40)),
        }


def _media(rows: Rows, rng: random.Random) -> None:
    _one(rows, "links", rng)["medium"] = rng.choice(("internal", "electrical", "leased"))


def _through(rows: Rows, rng: random.Random) -> None:
    """A fibre cut and joined to itself in a joint that its cable passes."""
    joint, cable = _one(rows, "joints", rng), _one(rows, "cables", rng)
    if joint and cable:
        fibre = rng.randint(1, 4)
        row = {"joint": joint["id"], "a_cable": cable["id"], "a_fibre": fibre}
        rows["splices"].append({**row, "b_cable": cable["id"], "b_fibre": fibre})


def _events(rows: Rows, rng: random.Random) -> None:
    cable = _one(rows, "cables", rng)["id"]
    rows["measurements"] += [
        {"cable": cable, "fibre": 1, "wavelength_nm": 1310, "loss_db": 0.9, "at_m": 100},
        {"cable": cable, "fibre": 1, "wavelength_nm": 1310, "loss_db": 0.31, "at_m": ""},
    ]


def _nobody(rows: Rows, rng: random.Random) -> None:
    """Ends that name no equipment, or such as nobody has recorded."""
    _one(rows, "links", rng)[rng.choice(("a", "b"))] = rng.choice(("", "R99"))
    _one(rows, "patches", rng)[rng.choice(("a", "b"))] = "R99"


def _in_passing(rows: Rows, rng: random.Random) -> None:
    """A cable over one segment, which passes the pit of its joint between its ends.

    Without groups: how parts of one segment lie to each other is another subject.
    """
    for circuit in rows["circuits"]:
        circuit["group"] = ""
    runs = [row for row in rows["cable_runs"] if row["segment"].startswith("d")]
    cable = rng.choice(runs)["cable"] if runs else None
    mine = [row for row in runs if row["cable"] == cable]
    if len(mine) != 2:
        return
    lines = {row["id"]: row["line"] for row in rows["segments"]}
    one, two = (lines[row["segment"]] for row in mine)
    line = [*one, *two[1:]] if one[-1] == two[0] else [*one[::-1], *two[::-1][1:]]
    name = f"e{cable}"
    if name not in lines:
        rows["segments"].append({"id": name, "kind": "duct", "within": "-", "line": line})
    kept = [row for row in rows["cable_runs"] if row["cable"] != cable]
    rows["cable_runs"] = [*kept, {"cable": cable, "seq": 1, "segment": name}]


def _round_cable(rows: Rows, rng: random.Random) -> None:
    """A cable that leaves a site and comes back to it, with its ends on the panel there."""
    segments = sorted(row["id"] for row in rows["segments"] if row["id"].startswith("d"))
    pairs = [(f"{one[:-1]}a", f"{one[:-1]}b") for one in segments if one.endswith("0a")]
    pairs = [pair for pair in pairs if f"{pair[0][:-2]}1a" in segments]
    if not pairs or any(row["id"] == "Q" for row in rows["cables"]):
        return
    out, on = rng.choice(pairs)
    other = out[:-2]
    for seq, segment in enumerate((out, on, f"{other}1b", f"{other}1a"), start=1):
        rows["cable_runs"].append({"cable": "Q", "seq": seq, "segment": segment})
    rows["cables"].append({"id": "Q", "fibre_type": "G.652.D", "fibre_count": 4})
    panel = f"F{other[1:]}"
    for fibre, side in ((1, "after"), (1, "before"), (2, rng.choice(("", "before")))):
        end = {"cable": "Q", "fibre": fibre, "equipment": panel, "port": f"Q{fibre}{side}"}
        rows["terminations"].append({**end, "side": side})
    ends = {"a": f"R{other[1:]}", "b": f"R{other[1:]}", "a_port": "qa", "b_port": "qb"}
    rows["links"].append({"id": "LQ", **ends, "wavelength_nm": 1310})
    for port, on_panel in (("qa", "Q1after"), ("qb", "Q1before")):
        cord = {"id": f"K{port}", "a": ends["a"], "a_port": port, "b": panel}
        rows["patches"].append({**cord, "b_port": on_panel})


TROUBLES: tuple[Callable[[Rows, random.Random], None], ...] = (
    *(_losses, _pigtails, _types, _side_missing, _side_turned, _again, _gone, _other_fibre),
    *(_two_ports, _two_ports, _no_port, _joint_lists, _no_course, _no_place, _elsewhere),
    *(_few_fibres, _written, _cord_rows, _far_cord, _stated, _media, _through, _events),
    *(_nobody, _in_passing, _in_passing, _round_cable, _through),
)
