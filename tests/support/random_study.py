"""What a random study is while it is being made up."""

from __future__ import annotations

import random
from collections import defaultdict
from dataclasses import dataclass, field
from typing import Any

# Working CRS, and a point in it that the estuary is drawn round.
PLACES = (
    ("EPSG:25832", 478_000, 5_968_000),
    ("EPSG:32631", 391_000, 5_702_000),
    ("EPSG:32618", 612_000, 4_291_000),
    ("EPSG:32755", 311_000, 5_811_000),
    ("EPSG:32722", 548_000, 6_420_000),
)
GEOMETRY_ROLES = ("sites", "structures", "holders", "segments", "hazards")
TESTS = ("working", "all", "pairwise")
SITE_HALF_M = 30
Edge = tuple[str, str, str]
"""(node, node, segment)."""


@dataclass
class Knobs:
    """How likely each kind of trouble is in a study; 0 leaves it out, 1 always has it.

    `blanks`: whether the records leave cells blank that could say `-` or a figure, and the
    shipped rules make gaps of these; else no cell is blank that the rules do not explain.
    `boards`: supplies fed by either of two others, at times by each other, at a site.
    `taps`: where a link changes cable, the first cable goes on past the joint.
    `joints_elsewhere`: some joints list a cable that does not pass them.
    `sag_passing`: a span drawn as one line past a tower has a sag on record.
    """

    sites: tuple[int, int] = (3, 4)
    circuits: tuple[int, int] = (3, 8)
    hazards: float = 0.5
    gaps: float = 0.4
    out: float = 0.15
    groups: float = 0.7
    rings: float = 0.35
    waivers: float = 0.6
    twin: float = 0.06
    third_path: float = 0.15
    two_directions: float = 0.04
    taps: float = 0.25
    sag_passing: float = 0.0
    other_media: float = 0.25
    supply_elsewhere: float = 0.05
    joints_elsewhere: bool = True
    ignored_kinds: float = 0.1
    relies_on_ways: float = 0.5
    blanks: float = 0.3
    boards: float = 0.4


@dataclass
class Hop:
    """A path along segments from one node to another."""

    nodes: list[str]
    segments: list[str]


@dataclass
class Study:
    """Rows by role, and what the later steps need to know of the earlier ones.

    `at`: metres from `origin`; `edges`: what cables can follow; `terminals`: where cables
    can end at each site; `cables`: the way of each; `fibres`: the last fibre number given
    away; `spared`: cables used in part, which no gap may break.
    """

    rng: random.Random
    knobs: Knobs
    crs: str
    origin: tuple[int, int]
    rows: dict[str, list[dict[str, Any]]] = field(default_factory=lambda: defaultdict(list))
    at: dict[str, tuple[float, float]] = field(default_factory=dict)
    edges: list[Edge] = field(default_factory=list)
    terminals: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))
    equipment: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))
    cables: dict[str, Hop] = field(default_factory=dict)
    fibres: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    counts: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    links: dict[str, tuple[str, str]] = field(default_factory=dict)
    spared: set[str] = field(default_factory=set)
    settings: dict[str, Any] = field(default_factory=dict)
    sparse: bool = False

    def chance(self, likely: float) -> bool:
        return self.rng.random() < likely

    def new(self, letters: str) -> str:
        self.counts[letters] += 1
        return f"{letters}-{self.counts[letters]}"

    def add(self, role: str, **row: Any) -> str:
        self.rows[role].append(row)
        return str(row.get("id", ""))

    def row(self, role: str, asset: str) -> dict[str, Any]:
        return next(row for row in self.rows[role] if row["id"] == asset)

    def site_of(self, machine: str) -> str:
        return str(self.row("equipment", machine)["site"])

    def within(self, *holders: str) -> str:
        """One of the holders, at times `-` or nothing recorded."""
        return self.rng.choice([*holders, *holders, "-", self.blank("-")])

    def blank(self, value: Any) -> Any:
        """At times nothing, in a study with blanks; else the value."""
        return "" if self.sparse and self.chance(0.15) else value
