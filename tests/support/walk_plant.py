"""Two routes between two stations, drawn by hand, whose proof hangs on many single cells.

    A: RA --- MA1 ==== N1 ==== N2 ==== MB1 --- RB :B       north route, in the lane RN
         \\--- MA2 ==== S1 ==== S2 ==== MB2 ---/            south route, in the lane RS

The routes run 30 m apart between their pits. Each multiplexer has a battery, a rack and a room of
its own; both batteries of a station have chargers of their own.
"""

from __future__ import annotations

from pathlib import Path

from line_plant import LinePlant


def two_routes(*, stated: bool = True) -> LinePlant:
    """The plant; `stated`: whether segments name their ends, or are tied to what is there."""
    plant = LinePlant((0, 0), (600, 0))
    plant.nodes("pit", N1=(200, 15), N2=(400, 15), S1=(200, -15), S2=(400, -15))
    holders = plant.rows["holders"]
    for lane in ("RN", "RS"):
        holders.append({"id": lane, "kind": "right-of-way", "within": "-"})
    for row in plant.rows["structures"]:
        row["within"] = "RN" if row["id"].startswith("N") else "RS"
    for route, lane in (("N", "RN"), ("S", "RS")):
        nodes = ("A", f"{route}1", f"{route}2", "B")
        for number in range(3):
            one, other = nodes[number], nodes[number + 1]
            ends = {"a": one, "b": other} if stated else {}
            within = lane if number != 1 else ""
            plant.segment(f"D{route}{number}", "duct", one, other, **{**ends, "within": within})
        plant.follow(f"C{route}", *(f"D{route}{number}" for number in range(3)))
        plant.rows["joints"].append({"id": f"J{route}", "at": f"{route}1", "cables": f"C{route}"})
    for site in ("A", "B"):
        for number in ("1", "2"):
            holders += [
                {"id": f"RM{site}{number}", "kind": "room", "within": site},
                {"id": f"RK{site}{number}", "kind": "rack", "within": f"RM{site}{number}"},
                {"id": f"CH{site}{number}", "kind": "charger", "within": f"RM{site}{number}"},
            ]
            plant.rows["supplies"].append(
                {
                    "id": f"BT{site}{number}",
                    "site": site,
                    "kind": "battery",
                    "within": f"RM{site}{number}",
                    "needs": f"CH{site}{number}",
                }
            )
            plant.machine(
                f"M{site}{number}",
                site,
                within=f"RK{site}{number}",
                supplies=f"BT{site}{number}",
                delay_us=0,
            )
    for number, route, path in (("1", "N", "main"), ("2", "S", "alternate")):
        plant.hop(f"HA{number}", "RA", f"MA{number}")
        plant.fibre(f"F{number}", f"MA{number}", f"MB{number}", f"C{route}")
        plant.hop(f"HB{number}", f"MB{number}", "RB")
        plant.way("K", path, f"HA{number}", f"F{number}", f"HB{number}")
    return plant


def write_two_routes(folder: Path) -> Path:
    return two_routes().write(folder)
