"""The routes of the estuary study, each with the trap that lies on it."""

from __future__ import annotations

from itertools import pairwise

from estuary_plant import (
    End,
    Plant,
    Stretch,
    approach,
    area,
    beside,
    buried_route,
    entry,
    ground_wire,
    metres,
    pit_by,
    tower_line,
    tray,
)
from shapely import LineString

BRIDGE_WEST, BRIDGE_EAST = 30.994, 31.006
"""The two ducts on the road bridge lie 12 m apart, one under either footway (km east)."""
DYKE_Y = 4.5
"""The dyke road along which two trenches run 1.5 m apart (km north)."""


def build_routes(plant: Plant) -> None:
    """Every route, north shore first, then round the estuary clockwise."""
    wrapped_line(plant)
    north_shore(plant)
    head_of_the_estuary(plant)
    road_bridge(plant)
    south_shore(plant)
    dyke_road(plant)
    crossing_line(plant)
    under_the_sea(plant)
    hazards(plant)


def wrapped_line(plant: Plant) -> None:
    """N1, Ternsand to Saltmarsh: one cable wrapped on its earth wire, another over both."""
    ends = (End("TRN", 1, 11), End("SAL", 1, 191))
    nodes, spans = tower_line(plant, "N1", ends)
    ground_wire(plant, "N1", ends, nodes, spans)
    # The towers and spans are on record as parts of the line that circuits protect.
    for row in (*plant.structures, *plant.segments):
        if row["id"].startswith(("N1-T", "N1-S")) and row["kind"] in ("tower", "span"):
            row["within"] = "LINE-N1"
    for line, carrier, entries, turn in (("W1", "OP-N1", (2, 2), 25), ("W2", "W1", (1, 1), -25)):
        plant.cables.append(
            {
                "id": line,
                "fibre_type": "G.652.D",
                "fibre_count": 24,
                "kind": "wrapped",
                "carried_by": carrier,
                "wrap_pitch_m": 1.0 if line == "W1" else 1.2,
                "wrap_diameter_mm": 21.0 if line == "W1" else 30.0,
                "overlength_pct": 0.7,
            }
        )
        plant.joints_on(nodes, line, first=4 if line == "W1" else 3, label=line)
        for end, number, gantry in zip(ends, entries, (nodes[0], nodes[-1]), strict=True):
            side = turn if end.site == "TRN" else -turn
            mine = End(end.site, number, end.bearing + side)
            cable = approach(plant, line, mine, [pit_by(plant, line, mine)], gantry)
            plant.joint(gantry, cable, line, name=f"J-{line}-{end.site}")


def north_shore(plant: Plant) -> None:
    """U1 behind N1; N2, N2B and U2 from Saltmarsh to Heronfleet; N3 and U3 on to Plovermoor."""
    buried_route(plant, "U1", (End("TRN", 2, 60), End("SAL", 2, 140)), ((12.0, 24.6), (17.0, 26.2)))

    ends = (End("SAL", 2, -10), End("HER", 1, 170))
    nodes, spans = tower_line(plant, "N2", ends)
    pits = [pit_by(plant, "N2", ends[1], 60.0, 1), pit_by(plant, "N2", ends[1], 150.0, 2)]
    plant.holders.append(
        {
            "id": "ROW-1",
            "kind": "right-of-way",
            "name": "Heronfleet drove",
            "within": "-",
            "geometry": area(
                *(
                    beside("HER", 170, out, aside)
                    for out, aside in ((50, -5), (160, -5), (160, 5), (50, 5))
                )
            ),
        }
    )
    plant.segment("TR-1", "trench", (pits[0], pits[1]), within="ROW-1")
    ground_wire(plant, "N2", ends, nodes, spans, {"HER": pits}, trench="TR-1")
    # In the trench from 80 m to 130 m out, 0.4 m beside the other duct; its pits stand aside.
    in_trench = Stretch(
        "duct",
        beside("HER", 170, 75, 15),
        (beside("HER", 170, 80, 0.4), beside("HER", 170, 130, 0.4)),
        beside("HER", 170, 135, 15),
        within="TR-1",
    )
    buried_route(
        plant,
        "U2",
        (End("SAL", 1, -50), End("HER", 2, 195)),
        ((22.5, 21.6), (27.0, 20.6)),
        near={"HER": [in_trench]},
    )

    ends = (End("SAL", 1, 30), End("HER", 2, 225))
    nodes, spans = tower_line(plant, "N2B", ends, ((23.5, 25.0), (28.4, 20.7)), sag_m=7.5)
    ground_wire(plant, "N2B", ends, nodes, spans)

    ends = (End("HER", 2, -45), End("PLO", 1, 135))
    nodes, spans = tower_line(plant, "N3", ends)
    shared_pit = plant.structure("PIT-HER-7", "pit", beside("HER", -22, 95.0))
    ground_wire(plant, "N3", ends, nodes, spans, {"HER": [shared_pit]})
    buried_route(
        plant,
        "U3",
        (End("HER", 1, 0), End("PLO", 2, 90)),
        ((34.0, 22.4), (38.2, 19.0)),
        near={"HER": [shared_pit]},
    )


def head_of_the_estuary(plant: Plant) -> None:
    """S3 and U4, Plovermoor to Stackmere: they come in through one building entry."""
    ends = (End("PLO", 2, 221), End("STK", 1, 41))
    nodes, spans = tower_line(plant, "S3", ends)
    ground_wire(plant, "S3", ends, nodes, spans)
    # The records of this ground wire hold its course only; it is matched to the spans it follows.
    wire = next(row for row in plant.cables if row["id"] == "OP-S3")
    plant.cables.remove(wire)
    plant.cable_runs[:] = [run for run in plant.cable_runs if run["cable"] != "OP-S3"]
    course = LineString([plant.place(node) for node in nodes])
    plant.drawn_cables.append({**wire, "geometry": course})
    buried_route(plant, "U4", (End("PLO", 1, 270), End("STK", 1, -10)), ((38.0, 11.0), (34.0, 7.2)))


def road_bridge(plant: Plant) -> None:
    """B1 and B2, Heronfleet to Stackmere: wide apart but for the one road bridge."""
    plant.structures.append(
        {
            "id": "BRG-1",
            "kind": "bridge",
            "name": "Estuary road bridge",
            "within": "-",
            "geometry": area((30.99, 14.8), (31.01, 14.8), (31.01, 15.2), (30.99, 15.2)),
        }
    )
    for route, x, ends, north, south in (
        ("B1", BRIDGE_WEST, (End("HER", 1, -110), End("STK", 2, 105)), (30.2, 19.0), (29.0, 11.0)),
        ("B2", BRIDGE_EAST, (End("HER", 2, -70), End("STK", 1, 75)), (32.6, 19.0), (32.2, 11.0)),
    ):
        on_bridge = Stretch("duct", (x, 15.21), (), (x, 14.79), within="BRG-1")
        buried_route(plant, route, ends, (north, on_bridge, south))


def south_shore(plant: Plant) -> None:
    """S2 and U5, Stackmere to Marramby; S1 on to Oysterbeck, kept as one polyline."""
    ends = (End("STK", 1, 190), End("MAR", 1, 11))
    nodes, spans = tower_line(plant, "S2", ends)
    ground_wire(plant, "S2", ends, nodes, spans)
    buried_route(plant, "U5", (End("STK", 2, 235), End("MAR", 2, -40)), ((28.0, 5.6), (23.0, 4.2)))

    ends = (End("MAR", 1, 169), End("OYS", 1, -11))
    nodes, spans = tower_line(plant, "S1", ends, ((15.5, 7.3),))
    towers = tuple(nodes[1:-1])
    plant.segments[:] = [row for row in plant.segments if row["id"] not in spans]
    course = LineString([plant.place(node) for node in nodes])
    plant.segments.append(
        {
            "id": "S1-LINE",
            "kind": "span",
            "name": f"whole line, {len(towers)} towers",
            "within": "-",
            "sag_m": None,
            "geometry": course,
        }
    )
    ground_wire(plant, "S1", ends, nodes, ["S1-LINE"])


def dyke_road(plant: Plant) -> None:
    """U6 and U7, Marramby to Oysterbeck: two trenches, 1.5 m apart along the dyke road."""
    mine = Stretch("trench", (15.9, DYKE_Y), (), (14.7, DYKE_Y))
    runs = buried_route(
        plant,
        "U6",
        (End("MAR", 2, 215), End("OYS", 2, -50)),
        ((17.0, 4.3), mine, (13.0, 4.8)),
    )
    theirs = Stretch(
        "trench",
        (15.8, DYKE_Y - 0.1),
        ((15.7, DYKE_Y - 0.0015), (14.9, DYKE_Y - 0.0015)),
        (14.8, DYKE_Y - 0.1),
    )
    buried_route(
        plant,
        "U7",
        (End("MAR", 1, 240), End("OYS", 1, -75)),
        ((17.0, 3.2), theirs, (13.0, 3.5)),
    )
    # A second cable in the ducts of U6, whose record leaves out the sixth stretch.
    for pit in [row["at"] for row in plant.joints if row["cables"] == "UC-U6"]:
        plant.joint(pit, "UC-U6B", name=f"J-{pit.replace('U6', 'U6B')}")
    plant.cable(
        "UC-U6B",
        "buried",
        [run for number, run in enumerate(runs, start=1) if number != 6],
        fibres=12,
        overlength_pct=2.0,
        slack_m=40.0,
    )


def crossing_line(plant: Plant) -> None:
    """X1, Saltmarsh to Marramby, over the estuary on tall towers."""
    ends = (End("SAL", 3, -90), End("MAR", 2, 90))
    nodes, spans = tower_line(plant, "X1", ends, ((20.3, 18.0), (19.8, 11.0)), sag_m=12.0)
    ground_wire(plant, "X1", ends, nodes, spans)


def under_the_sea(plant: Plant) -> None:
    """M1 across the mouth, Ternsand to Oysterbeck; SUB from the wind platform to Ternsand."""
    sea = Stretch("subsea", (10.2, 20.8), ((9.0, 18.0), (8.8, 12.0)), (9.8, 9.2))
    buried_route(plant, "M1", (End("TRN", 2, -90), End("OYS", 2, 90)), (sea,))

    platform, landfall = End("OFF", 1, 0), End("TRN", 2, 200)
    beach = plant.structure("SUB-P1", "pit", (9.0, 21.6), within="-")
    subsea = [
        tray(plant, "SUB", platform),
        plant.segment(
            "SUB-SEA", "subsea", (entry("OFF", 1), beach), bends=((3.0, 18.2), (7.0, 20.9))
        ),
    ]
    plant.cable("SC-SUB", "subsea", subsea, fibres=24, overlength_pct=1.0)
    pits = [pit_by(plant, "SUB", landfall, out, number) for number, out in ((3, 90.0), (2, 290.0))]
    nodes = [entry("TRN", 2), *pits, beach]
    land = [tray(plant, "SUB", landfall)]
    for number, (a, b) in enumerate(pairwise(nodes), start=1):
        land.append(plant.segment(f"SUB-D{number:02d}", "duct", (a, b)))
    plant.cable("LC-SUB", "duct", land, fibres=24, overlength_pct=2.0, slack_m=20.0)
    plant.joint(beach, "SC-SUB", "LC-SUB")


def hazards(plant: Plant) -> None:
    """A flood area that reaches both X1 and B1, and two areas that reach one route each."""
    plant.hazards += [
        {
            "id": "HZ-FLOOD-1",
            "kind": "flood",
            "name": "Tidal surge area, south bank",
            "reach_m": 20.0,
            "geometry": area((18.5, 12.0), (30.3, 11.6), (30.3, 13.4), (18.5, 13.8)),
        },
        {
            "id": "HZ-ANCHOR-1",
            "kind": "anchorage",
            "name": "Waiting area of the pilot station",
            "reach_m": 100.0,
            "takes": "subsea",
            "geometry": area((6.5, 12.5), (11.0, 12.5), (11.0, 15.5), (6.5, 15.5)),
        },
        {
            "id": "HZ-WORKS-1",
            "kind": "works",
            "name": "New water main to Plovermoor",
            "reach_m": 15.0,
            "geometry": LineString([metres((36.5, 12.0)), metres((39.5, 12.0))]),
        },
    ]
