"""The oracle's own reading of a study folder: slow, plain, and sharing no code.

Nothing here comes from the package under test. A folder holds an optional
`study.toml`, an optional rules file, GeoJSON for roles with geometry and CSV for
the others, each named after its role. `[[layer]]` and `extends` are not read.
"""

from __future__ import annotations

import csv
import datetime
import json
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pyproj
import shapely
from shapely.geometry import shape

ASSET_ROLES = (
    "sites",
    "structures",
    "holders",
    "segments",
    "cables",
    "joints",
    "supplies",
    "equipment",
    "hazards",
)
LYING_ROLES = ("sites", "structures", "holders", "segments", "supplies", "equipment")
OTHER_ROLES = (
    "cable_runs",
    "links",
    "link_runs",
    "circuits",
    "circuit_paths",
    "rings",
    "ring_circuits",
)


@dataclass
class Asset:
    """One row of an asset role, with its geometry on the ellipsoid and in the working CRS."""

    id: str
    role: str
    kind: str
    row: dict[str, str]
    within: tuple[str, ...]
    within_blank: bool
    lonlat: Any = None
    plane: Any = None


@dataclass(frozen=True)
class Gap:
    """Something that the records leave open, and what it touches."""

    code: str
    says: str
    assets: frozenset[str] = frozenset()
    links: frozenset[str] = frozenset()
    circuits: frozenset[str] = frozenset()
    paths: frozenset[tuple[str, str]] = frozenset()
    separation: bool = True


@dataclass(frozen=True)
class Chain:
    """The segments that a cable follows, and the nodes before, between and after them."""

    segments: tuple[str, ...]
    nodes: tuple[str | None, ...]
    unbroken: bool


@dataclass(frozen=True)
class Run:
    """One cable of a link: positions `first` to `last` (exclusive) of the cable's chain."""

    cable: str
    first: int
    last: int
    whole: bool
    ends: tuple[str | None, str | None]
    fibres: str


@dataclass
class Way:
    """One way of a circuit: its links in order."""

    circuit: str
    label: str
    links: tuple[str, ...]


@dataclass
class Plant:
    """A study as read and tied."""

    folder: Path
    snap_m: float
    out: tuple[str, ...]
    rules: dict[str, Any]
    assets: dict[str, Asset]
    tables: dict[str, list[dict[str, str]]]
    gaps: list[Gap] = field(default_factory=list)
    ends: dict[str, tuple[str | None, str | None]] = field(default_factory=dict)
    passed: dict[str, tuple[str, ...]] = field(default_factory=dict)
    length_m: dict[str, float] = field(default_factory=dict)
    chains: dict[str, Chain] = field(default_factory=dict)
    takes: dict[str, frozenset[str]] = field(default_factory=dict)
    in_air: dict[str, frozenset[str]] = field(default_factory=dict)
    runs: dict[str, dict[str, list[Run]]] = field(default_factory=dict)
    changes: dict[str, set[str]] = field(default_factory=dict)
    links: dict[str, dict[str, str]] = field(default_factory=dict)
    circuits: dict[str, dict[str, str]] = field(default_factory=dict)
    paths: dict[str, list[Way]] = field(default_factory=dict)
    ignored: frozenset[str] = frozenset()

    def of(self, role: str) -> list[Asset]:
        return [asset for asset in self.assets.values() if asset.role == role]

    def holders(self, asset: str) -> tuple[str, ...]:
        """What `asset` lies directly within.

        In the place of what the rules leave out stands what that lies in.
        """
        found: list[str] = []
        for holder in self.assets[asset].within:
            found += self.holders(holder) if holder in self.ignored else [holder]
        return tuple(dict.fromkeys(found))

    def all_holders(self, asset: str) -> set[str]:
        found: set[str] = set()
        ahead = [asset]
        while ahead:
            for holder in self.assets[ahead.pop()].within:
                if holder not in found:
                    found.add(holder)
                    ahead.append(holder)
        return found

    def all_counted(self, asset: str) -> set[str]:
        """Everything that holds `asset` and counts, at any depth."""
        found: set[str] = set()
        ahead = [asset]
        while ahead:
            fresh = set(self.holders(ahead.pop())) - found
            found |= fresh
            ahead += fresh
        return found

    def at_site(self, node: str | None, site: str) -> bool:
        """Whether a chain that ends at `node` has reached `site`."""
        if node is None:
            return False
        if node == site or site in self.all_holders(node):
            return True
        distance = self.assets[node].plane.distance(self.assets[site].plane)
        return bool(distance <= self.snap_m)

    def carrier(self, cable: str) -> str | None:
        return self.assets[cable].row.get("carried_by") or None

    def has_runs(self, cable: str) -> bool:
        return any(row["cable"] == cable for row in self.tables["cable_runs"])

    def follows(self, cable: str) -> str:
        """The cable whose runs give the way of `cable`: itself, or the carrier it follows."""
        carrier = self.carrier(cable)
        if self.has_runs(cable) or carrier is None:
            return cable
        return self.follows(carrier)

    def nodes_on(self, cable: str, first: int = 0, last: int | None = None) -> set[str]:
        """Nodes and passed structures of the cable's chain from position `first` to `last`."""
        chain = self.chains[cable]
        last = len(chain.segments) if last is None else last
        found: set[str] = set()
        for segment in chain.segments[first:last]:
            found.update(node for node in self.ends[segment] if node)
            found.update(self.passed[segment])
        return found

    def joints_of(self, cable: str, first: int = 0, last: int | None = None) -> set[str]:
        """Joints that list `cable` and lie on that part of it, or on no part of it at all."""
        part, whole = self.nodes_on(cable, first, last), self.nodes_on(cable)
        return {
            joint.id
            for joint in self.of("joints")
            if cable in ids(joint.row.get("cables"))
            and (joint.row["at"] in part or joint.row["at"] not in whole)
        }


def ids(cell: str | None) -> list[str]:
    """The ids in one cell, `;` between; `-` stands for none."""
    return [part.strip() for part in (cell or "").split(";") if part.strip() not in ("", "-")]


def number(cell: str | None) -> float | None:
    return float(cell) if cell not in (None, "") else None


def read_records(folder: str | Path) -> Plant:
    """Read the study in `folder`."""
    folder = Path(folder)
    settings: dict[str, Any] = {}
    if (folder / "study.toml").exists():
        settings = tomllib.loads((folder / "study.toml").read_text(encoding="utf-8"))
    for unread in ("layer", "extends", "remove"):
        if unread in settings:
            raise ValueError(f"the oracle does not read `{unread}`")
    rules: dict[str, Any] = {}
    rules_file = folder / settings.get("rules", "rules.toml")
    if rules_file.exists():
        rules = tomllib.loads(rules_file.read_text(encoding="utf-8"))

    assets: dict[str, Asset] = {}
    for role in ASSET_ROLES:
        for row, lonlat in _read_rows(folder, role):
            cell = row.get("within", "")
            asset = Asset(
                id=row["id"],
                role=role,
                kind=row.get("kind", ""),
                row=row,
                within=tuple(part for part in ids(cell) if part != "-"),
                within_blank=role in LYING_ROLES and not cell.strip(),
                lonlat=lonlat,
            )
            if asset.id in assets:
                raise ValueError(f"id {asset.id} is used twice")
            assets[asset.id] = asset
    tables = {role: [row for row, _ in _read_rows(folder, role)] for role in OTHER_ROLES}
    _project(assets, settings.get("crs"))
    kinds_ignored = rules.get("reliance", {}).get("ignore_kinds", [])
    return Plant(
        folder=folder,
        snap_m=float(settings.get("snap_m", 2.0)),
        out=tuple(settings.get("out", ())),
        rules=rules,
        assets=assets,
        tables=tables,
        ignored=frozenset(a.id for a in assets.values() if a.kind in kinds_ignored),
        links={row["id"]: row for row in tables["links"]},
        circuits={row["id"]: row for row in tables["circuits"]},
    )


def _read_rows(folder: Path, role: str) -> list[tuple[dict[str, str], Any]]:
    rows: list[tuple[dict[str, str], Any]] = []
    if (folder / f"{role}.geojson").exists():
        layer = json.loads((folder / f"{role}.geojson").read_text(encoding="utf-8"))
        for feature in layer["features"]:
            row = {
                key: "" if value is None else str(value)
                for key, value in feature["properties"].items()
            }
            rows.append((row, shape(feature["geometry"]) if feature["geometry"] else None))
    if (folder / f"{role}.csv").exists():
        with (folder / f"{role}.csv").open(encoding="utf-8-sig", newline="") as file:
            rows.extend(
                ({key: value or "" for key, value in row.items()}, None)
                for row in csv.DictReader(file)
            )
    return rows


def _project(assets: dict[str, Asset], crs: str | None) -> None:
    located = [asset for asset in assets.values() if asset.lonlat is not None]
    if not located:
        return
    if crs is None:
        west, south, east, north = shapely.total_bounds([asset.lonlat for asset in located])
        zone = int(((west + east) / 2 + 180) // 6) + 1
        crs = f"EPSG:{(32600 if south + north >= 0 else 32700) + zone}"
    forward = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform
    for asset in located:
        asset.plane = shapely.transform(asset.lonlat, forward, interleaved=False)


def waivers_now(rules: dict[str, Any], today: datetime.date) -> set[tuple[str, str]]:
    """(circuit or group, asset) of the waivers that still count."""
    return {
        (waiver["circuit"], waiver["asset"])
        for waiver in rules.get("waiver", [])
        if "asset" in waiver and waiver["until"] >= today
    }


USUAL_WITHIN = {
    **dict.fromkeys(("duct", "subduct", "buried", "tray", "riser"), "gap"),
    **dict.fromkeys(("rack", "chassis", "equipment", "supplies"), "gap"),
    "other": "none",
}
"""What a blank `within` means where the rules do not say, by kind or role."""
USUAL_NEEDS = {"supplies": "gap", "equipment": "none", "other": "none"}
USUAL_PASSIVE = ("panel", "filter", "splitter", "attenuator")


def _word(plant: Plant, column: str, usual: dict[str, str], asset: Asset) -> object:
    """What `[records]` says of blanks of a column for the kind or role of an asset."""
    stated = plant.rules.get("records", {}).get(column, {})
    if not isinstance(stated, dict):
        return stated
    table = {**usual, **stated}
    return table.get(asset.kind, table.get(asset.role, table["other"]))


def delay_us(plant: Plant, machine: str) -> float | None:
    """Delay of equipment: recorded, else as the rules have it; None where nobody knows."""
    asset = plant.assets[machine]
    recorded = number(asset.row.get("delay_us"))
    if recorded is not None:
        return recorded
    passive = plant.rules.get("records", {}).get("passive", USUAL_PASSIVE)
    meaning = "none" if asset.kind in passive else _word(plant, "delay_us", {"other": "gap"}, asset)
    return None if meaning == "gap" else 0.0 if meaning == "none" else float(str(meaning))


def blanks(plant: Plant) -> list[Gap]:
    """Gaps of blanks that the rules do not explain, by `[records]`."""
    records = plant.rules.get("records", {})
    passive = records.get("passive", USUAL_PASSIVE)
    found = []
    on_links = {
        machine
        for row in plant.links.values()
        for machine in (row["a"], row["b"], *ids(row.get("via")))
    }

    def word(column: str, usual: dict[str, str], asset: Asset) -> object:
        return _word(plant, column, usual, asset)

    for asset in plant.assets.values():
        asked: list[tuple[str, object]] = []
        active = asset.role == "equipment" and asset.kind not in passive
        if asset.role in LYING_ROLES:
            asked.append(("within", word("within", USUAL_WITHIN, asset)))
        if active:
            asked.append(("supplies", records.get("supplies", "gap")))
            if asset.id in on_links:
                asked.append(("delay_us", word("delay_us", {"other": "gap"}, asset)))
        if active or asset.role == "supplies":
            asked.append(("needs", word("needs", USUAL_NEEDS, asset)))
        for column, meaning in asked:
            if meaning == "gap" and not asset.row.get(column, "").strip():
                found.append(
                    Gap(
                        f"blank {column}",
                        f"{asset.id} leaves {column} blank",
                        frozenset({asset.id}),
                        separation=column != "delay_us",
                    )
                )
    return found
