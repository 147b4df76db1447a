"""Faults of splice, termination and patch records, each on a service link that no circuit uses.

The service multiplexers SV-TRN and SV-OFF at Ternsand and on the platform are joined by one fibre
of the platform's cable for each link. The records of each link hold one fault. `TRAPS` says which.
"""

from __future__ import annotations

from dataclasses import dataclass

from estuary_circuits import FAR_OPTICS, Services
from estuary_plant import Plant, Row
from estuary_splices import cord, onward

SHORE, PLATFORM = "SV-TRN", "SV-OFF"
SHORE_PANEL, PLATFORM_PANEL, OLD_PANEL = "P-SUB-TRN", "P-SUB-OFF", "P-SVC-TRN"
BEACH = "J-SUB-P1"
"""Joint of the subsea cable, the land cable, and the old service cable beside the land cable."""
SEA, LAND, OLD = "SC-SUB", "LC-SUB", "LC-SVC"
FIBRES = 24


@dataclass(frozen=True)
class Trap:
    """A fault: the links that it touches, the gap that tells it, words of its place, its story.

    `fibres` are those of the subsea cable that the links have.
    """

    name: str
    links: tuple[str, ...]
    code: str
    place: str
    story: str
    fibres: tuple[int, ...] = ()


TRAPS = (
    Trap(
        "no splice",
        ("SV-SPLICE",),
        "trace-stops",
        "fibre 15 of cable LC-SUB",
        "nobody entered the splice of its fibre in the joint on the beach",
        (3,),
    ),
    Trap(
        "no cord",
        ("SV-CORD",),
        "trace-stops",
        "port 4 of P-SUB-OFF",
        "nobody entered its cord on the platform",
        (4,),
    ),
    Trap(
        "crossed pair",
        ("SV-CROSS",),
        "trace-crossed",
        "port cross-tx of SV-OFF",
        "its two fibres are crossed in the joint on the beach",
        (5, 6),
    ),
    Trap(
        "loop",
        ("SV-LOOP",),
        "trace-loop",
        "goes round",
        "a test loop was left on the platform, and both fibres come from one filter on shore",
        (7, 8),
    ),
    Trap(
        "end twice",
        ("SV-TWICE",),
        "end-twice",
        "fibre 9 of cable SC-SUB",
        "its fibre is spliced to the land cable and to the old service cable",
        (9,),
    ),
    Trap(
        "port twice",
        ("SV-PANEL",),
        "port-twice",
        "port 22 of P-SUB-TRN",
        "fibres of two cables end on one port",
        (10,),
    ),
    Trap(
        "two types of fibre",
        ("SV-TYPES",),
        "splice-types",
        "at J-SUB-P1",
        "G.652.D is spliced to G.655, and the loss of the splice is not on record",
        (11,),
    ),
    Trap(
        "cord of another type",
        ("SV-MODES",),
        "splice-types",
        "PC-SV-MODES-1",
        "its cord on shore is a multimode one",
        (12,),
    ),
    Trap(
        "cable not in the joint",
        ("SV-CABLE",),
        "splice-off-cable",
        "fibre 13 of cable UC-M1",
        "the splice in the joint on the beach names a cable that never comes there",
        (13,),
    ),
    Trap(
        "no side",
        ("SV-SIDE",),
        "splice-side",
        "joint J-SVC-P2",
        "a splice of fibre 2 to fibre 3 of the old service cable, in a pit that the cable passes, "
        "does not say which of the two comes from the sea",
        (14,),
    ),
    Trap(
        "no such fibre",
        ("SV-BEYOND",),
        "fibre-beyond",
        "fibre 25 of cable LC-SUB",
        "it is recorded over fibre 25 of a cable of 24",
        (15,),
    ),
    Trap(
        "cord between sites",
        ("SV-SITES",),
        "cord-between-sites",
        "PC-SV-SITES-1",
        "its cord leads from Ternsand to a panel on the platform, 11 km away",
    ),
    Trap(
        "one fibre for two links",
        ("SV-FIBRE-1", "SV-FIBRE-2"),
        "fibre-shared",
        "fibre 4 of cable LC-SUB",
        "both links name the same two ports, at one wavelength",
        (16,),
    ),
    Trap(
        "one port for two links",
        ("SV-PORT-1", "SV-PORT-2"),
        "port-shared",
        "port test of SV-TRN",
        "the same over a cord alone",
    ),
    Trap(
        "runs that differ",
        ("SV-RUNS",),
        "runs-differ",
        "fibre 3",
        "its link_runs, typed before the joint was rebuilt, name fibre 3 of the land cable",
        (17,),
    ),
    Trap(
        "uneven ports",
        ("SV-UNEVEN",),
        "ports-uneven",
        "2 ports and b_port 1",
        "two ports at one end, one at the other",
        (18,),
    ),
    Trap(
        "cord to nothing",
        (),
        "cord-to-nothing",
        "port 12 of P-SVC-TRN",
        "the cord `PC-SV-NOTHING` is plugged into a port behind which no fibre ends",
    ),
)


def build_traps(plant: Plant, made: Services) -> None:
    """Add the service links with the fault of each."""
    furnish(plant, made)
    for trap in TRAPS:
        for link in trap.links:
            sound_link(made, link, trap.fibres)
    in_the_joint(made)
    on_shore(plant, made)
    without_the_sea(made)


def furnish(plant: Plant, made: Services) -> None:
    """Service multiplexers, an old cable beside the land cable, its panel and its joint."""
    made.device(SHORE, "TRN", "multiplexer", "RK-TRN-MUX2", 30.0)
    made.device(PLATFORM, "OFF", "multiplexer", "RK-OFF-MUX1", 30.0)
    made.device(OLD_PANEL, "TRN", "panel", "RM-TRN", 0.0)
    made.device("WDM-TRN", "TRN", "filter", "RM-TRN", 0.0)
    land = [run["segment"] for run in plant.cable_runs if run["cable"] == LAND]
    plant.cable(OLD, "duct", land, fibres=12, fibre_type="G.655", overlength_pct=2.0, slack_m=20.0)
    beach = next(row for row in plant.joints if row["id"] == BEACH)
    beach["cables"] += f";{OLD}"
    plant.joint("SUB-TRN-P2", OLD, name="J-SVC-P2")


def name_of(link: str) -> str:
    """The port of a link at both ends: `splice` for SV-SPLICE; one for a trap of two links."""
    return link.split("-")[1].lower()


def sound_link(made: Services, link: str, fibres: tuple[int, ...]) -> None:
    """A link with its cords, over one fibre of the platform's cable for each direction or both."""
    name = name_of(link)
    pairs = [f"{name}-tx", f"{name}-rx"] if link == "SV-CROSS" else [name]
    made.links.append(
        {
            "id": link,
            "a": SHORE,
            "b": PLATFORM,
            "medium": "fibre",
            "a_port": ";".join(pairs),
            "b_port": ";".join(reversed(pairs)),
            "reserve_db": 1.0,
            **FAR_OPTICS,
        }
    )
    if link.endswith("-2"):
        return  # over the cords of the first of the two
    for mine, theirs, fibre in zip(pairs, reversed(pairs), fibres, strict=False):
        port = str(onward("SUB", fibre, FIBRES))
        shore, sea = (SHORE_PANEL, port), (PLATFORM_PANEL, str(fibre))
        made.patches.append(cord(f"PC-{link}-1", (SHORE, mine), shore, "TRN", 8.0))
        made.patches.append(cord(f"PC-{link}-2", sea, (PLATFORM, theirs), "OFF", 8.0))


def splice_on_the_beach(made: Services, fibre: int) -> Row:
    """The row that joins a fibre of the subsea cable."""
    return next(
        row
        for row in made.splices
        if row["joint"] == BEACH and (row["a_cable"], row["a_fibre"]) == (SEA, fibre)
    )


def in_the_joint(made: Services) -> None:
    """Faults in the joint on the beach."""
    made.splices.remove(splice_on_the_beach(made, 3))
    one, other = splice_on_the_beach(made, 5), splice_on_the_beach(made, 6)
    one["b_fibre"], other["b_fibre"] = other["b_fibre"], one["b_fibre"]
    made.splices.append({**splice_on_the_beach(made, 9), "b_cable": OLD, "b_fibre": 9})
    splice_on_the_beach(made, 11).update(b_cable=OLD, b_fibre=1, loss_db=None)
    splice_on_the_beach(made, 13).update(b_cable="UC-M1", b_fibre=13)
    splice_on_the_beach(made, 14).update(b_cable=OLD, b_fibre=2, loss_db=0.28)
    splice_on_the_beach(made, 15).update(b_fibre=25)


def on_shore(plant: Plant, made: Services) -> None:
    """Faults on panels and cords, in links and their runs, and in the pit that LC-SVC passes."""

    def patch(name: str) -> Row:
        return next(row for row in made.patches if row["id"] == name)

    def link(name: str) -> Row:
        return next(row for row in made.links if row["id"] == name)

    def ends(cable: str, fibre: int, equipment: str, port: int) -> None:
        row = {"cable": cable, "fibre": fibre, "equipment": equipment, "port": str(port)}
        made.terminations.append(row)

    made.patches.remove(patch("PC-SV-CORD-2"))
    ends(OLD, 10, SHORE_PANEL, 22)
    ends(LAND, 25, SHORE_PANEL, 25)
    patch("PC-SV-BEYOND-1")["b_port"] = "25"
    for name, fibre in (("SV-TYPES", 1), ("SV-SIDE", 2)):
        ends(OLD, fibre, OLD_PANEL, fibre)
        patch(f"PC-{name}-1").update(b=OLD_PANEL, b_port=str(fibre))
    patch("PC-SV-TYPES-1")["fibre_type"] = patch("PC-SV-SIDE-1")["fibre_type"] = "G.655"
    patch("PC-SV-MODES-1")["fibre_type"] = "OM3"
    made.splices.append(
        {
            "joint": "J-SVC-P2",
            "tray": "1",
            "a_cable": OLD,
            "a_fibre": 2,
            "b_cable": OLD,
            "b_fibre": 3,
            "loss_db": 0.06,
            "date": "2021-09-02",
        }
    )
    link("SV-UNEVEN")["a_port"] = "uneven;uneven-rx"
    made.link_runs += [
        {"link": "SV-RUNS", "seq": 1, "cable": LAND, "fibres": "3"},
        {"link": "SV-RUNS", "seq": 2, "cable": SEA, "fibres": "17"},
    ]
    nothing = cord("PC-SV-NOTHING", (SHORE, "nothing"), (OLD_PANEL, "12"), "TRN", 8.0)
    made.patches.append(nothing)


def without_the_sea(made: Services) -> None:
    """A test loop, a cord from site to site, and two links over a cord alone."""
    made.patches[:] = [
        row for row in made.patches if row["id"] not in ("PC-SV-LOOP-1", "PC-SV-LOOP-2")
    ]
    first, second = (str(onward("SUB", fibre, FIBRES)) for fibre in (7, 8))
    for name, a, b in (
        ("PC-SV-LOOP-1", (SHORE, "loop"), ("WDM-TRN", "1550")),
        ("WDM-TRN-1550", ("WDM-TRN", "com"), ("WDM-TRN", "1550")),
        ("WDM-TRN-1310", ("WDM-TRN", "com"), ("WDM-TRN", "1310")),
        ("PC-SV-LOOP-2", ("WDM-TRN", "com"), (SHORE_PANEL, first)),
        ("PC-SV-LOOP-3", ("WDM-TRN", "1310"), (SHORE_PANEL, second)),
    ):
        made.patches.append(cord(name, a, b, "TRN", 2.0))
    loop = cord("PC-SV-LOOP-4", (PLATFORM_PANEL, "7"), (PLATFORM_PANEL, "8"), "OFF", 1.0)
    sites = [
        cord("PC-SV-SITES-1", (SHORE, "sites"), (PLATFORM_PANEL, "26"), "TRN", 8.0),
        cord("PC-SV-SITES-2", (PLATFORM_PANEL, "26"), (PLATFORM, "sites"), "OFF", 8.0),
    ]
    made.patches += [loop, *sites]
    made.patches.append(cord("PC-SV-PORT-1", (SHORE, "test"), ("RAD-TRN", "test"), "TRN", 8.0))
    for row in made.links:
        if row["id"] in ("SV-PORT-1", "SV-PORT-2"):
            row.update(b="RAD-TRN", a_port="test", b_port="test")
