"""Splices, terminations and patch cords of the estuary study: what its fibre links are traced over.

Every fibre of a route is spliced through, in use or spare, and ends on the port of its number on
the panel at either end. Links take a pair of ports at each panel, by cords.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from datetime import date, timedelta

from estuary_circuits import NOT_TRACED, ROUTE_ENDS, Course, Services, panel, route_cables
from estuary_plant import Plant, Row

TRAY_FIBRES = 12
"""Fibres in a tray of a joint, as many as in a tube."""
SHIFTED = {"SUB": 12}
"""Where the cable changes on the beach, fibre 1 of the subsea cable goes on as fibre 13 on land."""
UNCUT = {"J-B1-P07": range(45, 49)}
"""A joint that its cable passes uncut, but for these fibres: they once served a tide gauge."""
BOTH_WAYS = ("N2", "N2B", "N3", "X1")
"""Routes whose splices were measured from both sides."""
NOT_MEASURED = ("U1",)
"""A route whose splices are on record without a loss."""
FIRST_SPLICED = date(2008, 4, 14)
CORD_M = {"relay": 12.0, "multiplexer": 8.0, "panel": 4.0}
"""Length of a cord from a panel, by what it leads to: rack rows stand 10 m from the panels."""
PIGTAIL_DB = {"P-SUB-OFF": 0.04}
"""A panel whose pigtails were measured one by one."""
FIBRE = "G.652.D"


def build_splices(plant: Plant, made: Services) -> None:
    """Splice and end every fibre of every route, and patch every link."""
    for number, route in enumerate(ROUTE_ENDS):
        if route not in NOT_TRACED:
            first = FIRST_SPLICED + timedelta(days=213 * number)
            made.splices += splices_of(plant, route, first)
            made.terminations += terminations_of(plant, route)
    for course in made.courses:
        made.patches += cords(made, course)


def fibre_count(plant: Plant, cable: str) -> int:
    rows = (*plant.cables, *plant.drawn_cables)
    return next(int(row["fibre_count"]) for row in rows if row["id"] == cable)


def onward(route: str, fibre: int, count: int) -> int:
    """Number of a fibre on the far side of a change of cable."""
    return (fibre - 1 + SHIFTED.get(route, 0)) % count + 1


def splices_of(plant: Plant, route: str, first: date) -> Iterator[Row]:
    """Rows of every joint of a route: a joint takes a day."""
    cables = route_cables(route)
    joints = [row for row in plant.joints if set(row["cables"].split(";")) <= set(cables)]
    for day, joint in enumerate(joints):
        a, _, b = str(joint["cables"]).partition(";")
        count = min(fibre_count(plant, cable) for cable in (a, b or a))
        through = not b
        for fibre in UNCUT.get(joint["id"], range(1, count + 1)):
            yield {
                "joint": joint["id"],
                "tray": str((fibre - 1) // TRAY_FIBRES + 1),
                "a_cable": a,
                "a_fibre": fibre,
                "b_cable": b or a,
                "b_fibre": fibre if through else onward(route, fibre, count),
                **losses(route, joint["id"], fibre),
                **({"a_side": "before", "b_side": "after"} if through else {}),
                "date": (first + timedelta(days=day)).isoformat(),
            }


def losses(route: str, joint: str, fibre: int) -> Row:
    """Loss of a splice: 0.02 to 0.11 dB, always the same for the same splice."""
    if route in NOT_MEASURED:
        return {}
    chance = zlib.crc32(f"{joint}/{fibre}".encode())
    hundredths = 2 + chance % 10
    if route not in BOTH_WAYS:
        return {"loss_db": hundredths / 100}
    # The fibres of two drums scatter light differently: one way a splice seems to gain.
    apart = chance // 10 % 13 - 6
    return {"loss_ab_db": (hundredths + apart) / 100, "loss_ba_db": (hundredths - apart) / 100}


def terminations_of(plant: Plant, route: str) -> Iterator[Row]:
    """Rows of the pigtails at both ends of a route."""
    cables = route_cables(route)
    for site, cable in zip(ROUTE_ENDS[route], (cables[0], cables[-1]), strict=True):
        name = panel(route, site)
        for fibre in range(1, fibre_count(plant, cable) + 1):
            yield {
                "cable": cable,
                "fibre": fibre,
                "equipment": name,
                "port": str(fibre),
                # An approach cable ends at a gantry, which stands on the same site.
                "side": "after" if cable.startswith("AP-") else None,
                "loss_db": PIGTAIL_DB.get(name),
            }


def panel_ports(route: str, site: str, first: int) -> tuple[str, str]:
    """Ports of a panel on which a pair of fibres ends, by its first fibre at the route's start."""
    pair = (first, first + 1)
    if site == ROUTE_ENDS[route][1]:
        pair = (onward(route, first, 24), onward(route, first + 1, 24))
    return str(pair[0]), str(pair[1])


def cords(made: Services, course: Course) -> Iterator[Row]:
    """Duplex cords of a link: from its first end to a panel, between panels, to its other end."""
    link = next(row for row in made.links if row["id"] == course.link)
    kinds = {row["id"]: row for row in made.equipment}
    here = (link["a"], tuple(link["a_port"].split(";")))
    ends: list[tuple[tuple[str, tuple[str, ...]], tuple[str, tuple[str, ...]]]] = []
    for route, near, far, first in course.hops:
        ends.append((here, (panel(route, near), panel_ports(route, near, first))))
        here = (panel(route, far), panel_ports(route, far, first))
    ends.append((here, (link["b"], tuple(link["b_port"].split(";")))))
    for number, ((a, a_ports), (b, b_ports)) in enumerate(ends, start=1):
        leads_to = next((n for n in (a, b) if kinds[n]["kind"] != "panel"), a)
        for a_port, b_port in zip(a_ports, b_ports, strict=True):
            yield cord(
                f"PC-{course.link}-{number}",
                (a, a_port),
                (b, b_port),
                kinds[a]["site"],
                CORD_M[kinds[leads_to]["kind"]],
            )


def cord(
    name: str, a: tuple[str, str], b: tuple[str, str], site: str, length_m: float, **more: object
) -> Row:
    """One fibre of a cord in the relay room of a site."""
    return {
        "id": name,
        "a": a[0],
        "a_port": a[1],
        "b": b[0],
        "b_port": b[1],
        "within": f"RM-{site}",
        "fibre_type": FIBRE,
        "length_m": length_m,
        **more,
    }
