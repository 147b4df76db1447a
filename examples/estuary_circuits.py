"""Rooms, batteries, equipment, links and circuits of the estuary study."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field

from estuary_plant import SITES, Plant, Row, beside

ROUTE_ENDS: dict[str, tuple[str, str]] = {
    "N1": ("TRN", "SAL"),
    "W1": ("TRN", "SAL"),
    "W2": ("TRN", "SAL"),
    "U1": ("TRN", "SAL"),
    "N2": ("SAL", "HER"),
    "N2B": ("SAL", "HER"),
    "U2": ("SAL", "HER"),
    "N3": ("HER", "PLO"),
    "U3": ("HER", "PLO"),
    "S3": ("PLO", "STK"),
    "U4": ("PLO", "STK"),
    "B1": ("HER", "STK"),
    "B2": ("HER", "STK"),
    "S2": ("STK", "MAR"),
    "U5": ("STK", "MAR"),
    "S1": ("MAR", "OYS"),
    "U6": ("MAR", "OYS"),
    "U6B": ("MAR", "OYS"),
    "U7": ("MAR", "OYS"),
    "X1": ("SAL", "MAR"),
    "M1": ("TRN", "OYS"),
    "SUB": ("OFF", "TRN"),
}
LINES = ("N1", "W1", "W2", "N2", "N2B", "N3", "S3", "S2", "S1", "X1")
NOT_RECORDED = ("MX-C32-MAR-2",)
"""A multiplexer of which nobody has recorded what supplies it."""
NOT_TRACED = ("U6B",)
"""A cable taken over with its route and without its splices: its links are written in link_runs."""
LONG_HAUL = ("N1", "M1", "S1")
"""Saltmarsh to Marramby the long way: by Ternsand and Oysterbeck, 36 km."""
RING = (
    ("TRN", "SAL", "N1"),
    ("SAL", "HER", "N2"),
    ("HER", "PLO", "N3"),
    ("PLO", "STK", "S3"),
    ("STK", "MAR", "S2"),
    ("MAR", "OYS", "S1"),
    ("OYS", "TRN", "M1"),
)

NEAR_OPTICS = {
    "wavelength_nm": 1310,
    "tx_min_dbm": -8.0,
    "tx_max_dbm": -3.0,
    "rx_min_dbm": -28.0,
    "rx_max_dbm": 0.0,
}
FAR_OPTICS = {
    "wavelength_nm": 1550,
    "tx_min_dbm": -3.0,
    "tx_max_dbm": 0.0,
    "rx_min_dbm": -34.0,
    "rx_max_dbm": 0.0,
}
WEAK_OPTICS = {
    "wavelength_nm": 1310,
    "tx_min_dbm": -15.0,
    "tx_max_dbm": -8.0,
    "rx_min_dbm": -28.0,
    "rx_max_dbm": -7.0,
}
DIFFERENTIAL, INTERTRIP = "line-differential", "direct-intertrip"


@dataclass(frozen=True)
class Circuit:
    """One circuit with its two paths, each as the routes that it follows.

    `second`: the second of two main protections, whose relays stand in a rack of their own.
    `battery`: the one battery that its relays hang on at that site, where there is one.
    """

    id: str
    name: str
    ends: tuple[str, str]
    main: tuple[str, ...]
    alternate: tuple[str, ...]
    service: str = DIFFERENTIAL
    group: str | None = None
    scheme: str | None = None
    switching: str | None = None
    weak_alternate: bool = False
    multiplexed: bool = False
    protects: str | None = None
    second: bool = False
    battery: str | None = None


CIRCUITS = (
    Circuit("C01", "Ternsand-Saltmarsh 1", ("TRN", "SAL"), ("N1",), ("W1",), protects="LINE-N1"),
    Circuit("C02", "Ternsand-Saltmarsh trip", ("TRN", "SAL"), ("W1",), ("W2",), INTERTRIP),
    Circuit("C03", "Saltmarsh-Heronfleet 1", ("SAL", "HER"), ("N2",), ("U2",)),
    Circuit("C04", "Heronfleet-Plovermoor 1", ("HER", "PLO"), ("N3",), ("U3",)),
    Circuit("C05", "Plovermoor-Stackmere 1", ("PLO", "STK"), ("S3",), ("U4",)),
    Circuit("C06", "Saltmarsh-Heronfleet trip", ("SAL", "HER"), ("N2",), ("N2B",), INTERTRIP),
    Circuit("C07", "Heronfleet-Stackmere 1", ("HER", "STK"), ("B1",), ("B2",)),
    Circuit("C08", "Stackmere-Marramby 1", ("STK", "MAR"), ("S2",), ("U5",), multiplexed=True),
    Circuit("C09", "Marramby-Oysterbeck trip", ("MAR", "OYS"), ("S1",), ("U6B",), INTERTRIP),
    Circuit("C10", "Marramby-Oysterbeck 1", ("MAR", "OYS"), ("S1",), ("U6",), multiplexed=True),
    Circuit("C11", "Saltmarsh-Ternsand 2", ("SAL", "TRN"), ("N1",), ("U1",), multiplexed=True),
    Circuit("C12", "Ternsand-Oysterbeck trip", ("TRN", "OYS"), ("M1",), (), INTERTRIP),
    Circuit("C13", "Greyshoal-Ternsand 1", ("OFF", "TRN"), ("SUB",), ()),
    Circuit(
        "C15",
        "Saltmarsh-Marramby 1",
        ("SAL", "MAR"),
        ("X1",),
        LONG_HAUL,
        weak_alternate=True,
    ),
    Circuit("C16", "Tee, Plovermoor-Stackmere", ("PLO", "STK"), ("S3",), ("U4",), scheme="T1"),
    Circuit("C17", "Heronfleet-Plovermoor trip", ("HER", "PLO"), ("N3",), ("U3",), INTERTRIP),
    Circuit("C18", "Ternsand-Saltmarsh main 1", ("TRN", "SAL"), ("U1",), ("N1",), group="G1"),
    Circuit(
        "C19",
        "Ternsand-Saltmarsh main 2",
        ("TRN", "SAL"),
        ("U1",),
        ("N1",),
        group="G1",
        second=True,
    ),
    Circuit("C20", "Stackmere-Marramby main 1", ("STK", "MAR"), ("S2",), ("U5",), group="G2"),
    Circuit(
        "C21",
        "Stackmere-Marramby main 2",
        ("STK", "MAR"),
        ("U5",),
        ("S2",),
        group="G2",
        second=True,
    ),
    Circuit(
        "C22", "Tee, Heronfleet-Plovermoor", ("HER", "PLO"), ("N3",), ("B1", "S3"), scheme="T1"
    ),
    Circuit("C23", "Tee, Heronfleet-Stackmere", ("HER", "STK"), ("B1",), ("N3", "S3"), scheme="T1"),
    Circuit("C25", "Marramby-Oysterbeck 2", ("MAR", "OYS"), ("U6",), ("U7",)),
    Circuit("C26", "Saltmarsh-Stackmere 1", ("SAL", "STK"), ("N2", "B1"), ("X1", "S2")),
    Circuit("C27", "Marramby-Oysterbeck 3", ("MAR", "OYS"), ("S1",), ("U6",)),
    Circuit("C28", "Saltmarsh-Marramby 2", ("SAL", "MAR"), ("X1",), LONG_HAUL, switching="both"),
    Circuit("C29", "Ternsand-Saltmarsh 3", ("TRN", "SAL"), ("N1",), ("U1",), protects="LINE-N1"),
    Circuit(
        "C30",
        "Stackmere-Marramby bus 1",
        ("STK", "MAR"),
        ("S2",),
        ("U5",),
        group="G3",
        battery="STK-3",
    ),
    Circuit(
        "C31",
        "Stackmere-Marramby bus 2",
        ("STK", "MAR"),
        ("U5",),
        ("S2",),
        group="G3",
        second=True,
        battery="STK-3",
    ),
    Circuit("C32", "Marramby-Oysterbeck 4", ("MAR", "OYS"), ("S1",), ("U6",), multiplexed=True),
    Circuit("C33", "Heronfleet-Plovermoor 2", ("HER", "PLO"), ("N3",), ("U3",)),
)
RING_CIRCUITS = (
    ("C14", "Saltmarsh-Heronfleet, ring", "SAL", "HER"),
    ("C24", "Ternsand-Plovermoor, ring", "TRN", "PLO"),
)


@dataclass(frozen=True)
class Course:
    """The routes that a fibre link follows, each as its two sites in order and its first fibre."""

    link: str
    hops: tuple[tuple[str, str, str, int], ...]


@dataclass
class Services:
    """Rows of the tables that have no geometry, as they are added."""

    holders: list[Row] = field(default_factory=list)
    supplies: list[Row] = field(default_factory=list)
    equipment: list[Row] = field(default_factory=list)
    links: list[Row] = field(default_factory=list)
    link_runs: list[Row] = field(default_factory=list)
    circuits: list[Row] = field(default_factory=list)
    circuit_paths: list[Row] = field(default_factory=list)
    rings: list[Row] = field(default_factory=list)
    ring_circuits: list[Row] = field(default_factory=list)
    splices: list[Row] = field(default_factory=list)
    terminations: list[Row] = field(default_factory=list)
    patches: list[Row] = field(default_factory=list)
    courses: list[Course] = field(default_factory=list)
    fibres_used: defaultdict[str, int] = field(default_factory=lambda: defaultdict(int))

    def contain(self, name: str, kind: str, within: str) -> str:
        self.holders.append({"id": name, "kind": kind, "within": within})
        return name

    def battery(self, site: str, number: int, charger: str, room: str) -> None:
        self.supplies.append(
            {
                "id": f"BAT-{site}-{number}",
                "site": site,
                "kind": "battery",
                "within": room,
                "needs": charger,
            }
        )

    def device(
        self,
        name: str,
        site: str,
        kind: str,
        within: str | None,
        delay_us: float,
        supplies: str | None = None,
    ) -> str:
        """Add a piece of equipment, on both batteries of its site unless told otherwise."""
        both = f"BAT-{site}-1;BAT-{site}-2"
        self.equipment.append(
            {
                "id": name,
                "site": site,
                "kind": kind,
                "within": within,
                "supplies": None if kind in ("panel", "filter") else supplies or both,
                "delay_us": delay_us,
            }
        )
        return name

    def hop(self, name: str, a: str, b: str, medium: str, length_m: float, **more: str) -> str:
        """Add a link without fibre."""
        self.links.append(
            {"id": name, "a": a, "b": b, "medium": medium, "length_m": length_m, **more}
        )
        return name

    def fibre(
        self,
        name: str,
        ends: tuple[str, str],
        start: str,
        routes: tuple[str, ...],
        optics: dict[str, float],
        ports: tuple[str, str],
    ) -> str:
        """Add a link over routes one after the other, on the next free pair of fibres of each.

        `ports` are those of its two ends, without the `-tx` or `-rx` that is added to them. What
        lies between is on record in splices, terminations and patches.
        """
        hops = []
        here = start
        for route in routes:
            near, far = ROUTE_ENDS[route]
            if here == far:
                near, far = far, near
            hops.append((route, near, far, self.fibres_used[route] + 1))
            self.fibres_used[route] += 2
            here = far
        traced = not set(routes) & set(NOT_TRACED)
        via = [panel(route, site) for route, *sites, _ in hops for site in sites]
        self.links.append(
            {
                "id": name,
                "a": ends[0],
                "b": ends[1],
                "medium": "fibre",
                "a_port": f"{ports[0]}-tx;{ports[0]}-rx" if traced else None,
                "b_port": f"{ports[1]}-rx;{ports[1]}-tx" if traced else None,
                "via": None if traced else ";".join(via),
                "reserve_db": 1.0,
                **optics,
            }
        )
        if traced:
            self.courses.append(Course(name, tuple(hops)))
            return name
        for seq, (route, *_, first) in enumerate(hops, start=1):
            self.link_runs.append(
                {"link": name, "seq": seq, "cable": f"UC-{route}", "fibres": f"{first};{first + 1}"}
            )
        return name

    def path(self, circuit: str, label: str, links: list[str]) -> None:
        self.circuit_paths += [
            {"circuit": circuit, "path": label, "seq": seq, "link": link}
            for seq, link in enumerate(links, start=1)
        ]


def route_cables(route: str) -> list[str]:
    """Cables of a route in order."""
    if route == "SUB":
        return ["SC-SUB", "LC-SUB"]
    if route in LINES:
        a, b = ROUTE_ENDS[route]
        wire = route if route.startswith("W") else f"OP-{route}"
        return [f"AP-{route}-{a}", wire, f"AP-{route}-{b}"]
    return [f"UC-{route}"]


def panel(route: str, site: str) -> str:
    return f"P-{route}-{site}"


def build_services(plant: Plant) -> Services:
    """Everything in the buildings, and the circuits."""
    made = Services()
    for site in SITES:
        furnish(made, site)
    trap_supplies(made)
    made.contain("LINE-N1", "line", "-")
    for route, ends in ROUTE_ENDS.items():
        for site in ends:
            made.device(panel(route, site), site, "panel", f"RM-{site}", 0.0)
    for circuit in CIRCUITS:
        add_circuit(made, circuit)
    leased_hop(made)
    radio_hop(made, plant)
    ring(made)
    return made


def furnish(made: Services, site: str) -> None:
    """Relay room, racks, and two batteries each with its charger, in rooms of their own."""
    room = made.contain(f"RM-{site}", "room", site)
    for rack in ("PROT", "PROT2", "MUX1", "MUX2"):
        made.contain(f"RK-{site}-{rack}", "rack", room)
    for number in (1, 2):
        own = room if site == "OFF" else made.contain(f"BR-{site}-{number}", "room", site)
        charger = made.contain(f"CHG-{site}-{number}", "charger", own)
        made.battery(site, number, charger, own)


def trap_supplies(made: Services) -> None:
    """One battery for two multiplexers, two batteries on one charger, one chassis for two cards."""
    made.battery("STK", 3, made.contain("CHG-STK-3", "charger", "RM-STK"), "RM-STK")
    charger = made.contain("CHG-SAL-3", "charger", "RM-SAL")
    for number in (3, 4):
        made.battery("SAL", number, charger, "RM-SAL")
    made.contain("CH-MAR-1", "chassis", made.contain("RK-MAR-3", "rack", "RM-MAR"))


TRAP_MULTIPLEXERS = {
    ("C08", "STK", 1): ("RK-STK-MUX1", "BAT-STK-3"),
    ("C08", "STK", 2): ("RK-STK-MUX2", "BAT-STK-3"),
    ("C10", "MAR", 1): ("CH-MAR-1", None),
    ("C10", "MAR", 2): ("CH-MAR-1", None),
    ("C11", "SAL", 1): ("RK-SAL-MUX1", "BAT-SAL-3"),
    ("C11", "SAL", 2): ("RK-SAL-MUX2", "BAT-SAL-4"),
}
"""Where the multiplexer of a path stands and which battery it has, where not the usual ones."""


def add_circuit(made: Services, circuit: Circuit) -> None:
    """Add a circuit with its two relays and its paths over fibre."""
    relays = []
    for end, site in zip("AB", circuit.ends, strict=True):
        name = f"R-{circuit.id}-{end}"
        rack = f"RK-{site}-PROT{2 if circuit.second else ''}"
        lone = circuit.battery if circuit.battery and circuit.battery.startswith(site) else None
        relays.append(made.device(name, site, "relay", rack, 150.0, lone and f"BAT-{lone}"))
    made.circuits.append(
        {
            "id": circuit.id,
            "name": circuit.name,
            "a": relays[0],
            "b": relays[1],
            "service": circuit.service,
            "group": circuit.group,
            "scheme": circuit.scheme,
            "switching": circuit.switching,
            "protects": circuit.protects,
        }
    )
    for number, (label, routes) in enumerate(
        (("main", circuit.main), ("alternate", circuit.alternate)), start=1
    ):
        if not routes:
            continue
        optics = FAR_OPTICS if len(routes) > 1 or routes == ("X1",) else NEAR_OPTICS
        if circuit.weak_alternate and label == "alternate":
            optics = WEAK_OPTICS
        made.path(circuit.id, label, add_path(made, circuit, number, routes, optics))


def add_path(
    made: Services,
    circuit: Circuit,
    number: int,
    routes: tuple[str, ...],
    optics: dict[str, float],
) -> list[str]:
    """One path from relay to relay, through a multiplexer at either end where there are any."""
    name = f"{circuit.id}-{'MA'[number - 1]}"
    ends = (f"R-{circuit.id}-A", f"R-{circuit.id}-B")
    start = circuit.ends[0]
    if not circuit.multiplexed:
        return [made.fibre(name, ends, start, routes, optics, (str(number), str(number)))]
    muxes = []
    for site in circuit.ends:
        usual = (f"RK-{site}-MUX{number}", None)
        rack, battery = TRAP_MULTIPLEXERS.get((circuit.id, site, number), usual)
        mux = made.device(
            f"MX-{circuit.id}-{site}-{number}", site, "multiplexer", rack, 30.0, battery
        )
        if mux in NOT_RECORDED:
            made.equipment[-1]["supplies"] = None
        muxes.append(mux)
    return [
        made.hop(f"{name}1", ends[0], muxes[0], "internal", 15.0),
        made.fibre(f"{name}2", (muxes[0], muxes[1]), start, routes, optics, ("line", "line")),
        made.hop(f"{name}3", muxes[1], ends[1], "internal", 15.0),
    ]


def leased_hop(made: Services) -> None:
    """The alternate of C12: a hop leased from somebody who has not said where it runs."""
    made.path("C12", "alternate", [made.hop("C12-A", "R-C12-A", "R-C12-B", "leased", 42_000.0)])


def radio_hop(made: Services, plant: Plant) -> None:
    """The alternate of C13: a radio hop from mast to mast, which is truly apart from the cable."""
    masts = [
        plant.structure(f"MAST-{site}", "mast", beside(site, 100, 45.0), site)
        for site in ("OFF", "TRN")
    ]
    off = made.device("RAD-OFF", "OFF", "radio", "RM-OFF", 40.0)
    shore = made.device("RAD-TRN", "TRN", "radio", "RK-TRN-MUX2", 40.0)
    made.path(
        "C13",
        "alternate",
        [
            made.hop("C13-A1", "R-C13-A", off, "internal", 20.0),
            made.hop("C13-A2", off, shore, "radio", 11_180.0, relies_on=";".join(masts)),
            made.hop("C13-A3", shore, "R-C13-B", "internal", 20.0),
        ],
    )


def ring_power(made: Services) -> dict[str, str]:
    """What feeds the ring's nodes at two stations, step by step, by station.

    At Plovermoor the node has an A and a B feed: a fuse in each of two boards, each board on a
    battery that lasts eight hours. At Heronfleet one board feeds it, and either of two chargers
    feeds the board.
    """

    def supply(name: str, site: str, kind: str, **more: str) -> str:
        row = {"id": name, "site": site, "kind": kind, "within": f"RM-{site}", "needs": "-"}
        made.supplies.append({**row, **more})
        return name

    fuses = []
    for number, side in ((1, "A"), (2, "B")):
        battery = f"BAT-PLO-{number}"
        next(row for row in made.supplies if row["id"] == battery)["autonomy_h"] = 8
        board = supply(f"DC-PLO-{side}", "PLO", "board", supplies=battery)
        fuses.append(supply(f"FU-PLO-{side}", "PLO", "fuse", supplies=board))
    chargers = [supply(f"REC-HER-{number}", "HER", "rectifier") for number in (1, 2)]
    board = supply("DC-HER", "HER", "board", supplies=";".join(chargers))
    return {"PLO": ";".join(fuses), "HER": board}


def ring(made: Services) -> None:
    """A ring of seven nodes round the estuary, and the circuits that use both ways round it."""
    fed = ring_power(made)
    for site, _, _ in RING:
        name = f"RN-{site}"
        made.device(name, site, "multiplexer", f"RK-{site}-MUX1", 10.0, fed.get(site))
    for seq, (a, b, route) in enumerate(RING, start=1):
        link = made.fibre(f"RG-{seq}", (f"RN-{a}", f"RN-{b}"), a, (route,), NEAR_OPTICS, ("E", "W"))
        made.rings.append({"ring": "RING-1", "seq": seq, "link": link, "recovery_ms": 50})
    for name, title, a, b in RING_CIRCUITS:
        made.circuits.append(
            {
                "id": name,
                "name": title,
                "a": f"RN-{a}",
                "b": f"RN-{b}",
                "service": DIFFERENTIAL,
                "group": None,
                "scheme": None,
                "switching": None,
            }
        )
        made.ring_circuits.append({"circuit": name, "ring": "RING-1"})
