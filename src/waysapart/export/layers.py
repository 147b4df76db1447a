"""The layers that `export` writes: the one table of their fields, and their frames."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import scipy.sparse as sp
import shapely

from waysapart.arrays import Ints, csr_row, owners
from waysapart.schema import LIST_SEPARATOR
from waysapart.verdicts.prove import Proof
from waysapart.verdicts.shapes import AssetShapes
from waysapart.whatif.worst import Contingency, contingency


@dataclass(frozen=True, slots=True)
class LayerFields:
    """One layer of findings.

    Attributes
    ----------
    name, title : str
        `title` is for people.
    says : str
        What one feature is.
    geometry : str or None
        Its geometry; None: a table.
    fields : mapping of str to str
        Field name to its meaning. Units end the name.
    """

    name: str
    title: str
    says: str
    geometry: str | None
    fields: Mapping[str, str]


_COUNTS = {
    "lost": "circuits that its loss alone leaves without a path",
    "exposed": "circuits that its loss alone leaves with one path",
    "circuits": "circuits with any path that relies on it",
    "hazards": "hazards that reach it",
}
_OWNER = {"test": "circuit or group", "verdict": "its verdict"}

_LAYERS = (
    LayerFields(
        "found_segments",
        "Findings: segments",
        "a segment as tied",
        "LineString",
        {
            "id": "segment",
            "kind": "its kind",
            "end_a": "structure or site at its first vertex, stated or snapped",
            "end_b": "structure or site at its last vertex",
            "passes": "structures that it passes between its ends",
            "holders": "everything that it lies within, at any depth",
            "cables": "cables that run through it",
            "ground_m": "length on the ellipsoid, or as measured",
            **_COUNTS,
        },
    ),
    LayerFields(
        "found_places",
        "Findings: structures and sites",
        "a structure or site",
        "Point or polygon",
        {
            "id": "structure or site",
            "role": "structures or sites",
            "kind": "its kind",
            "holders": "everything that it lies within, at any depth",
            **_COUNTS,
        },
    ),
    LayerFields(
        "found_paths",
        "Findings: paths",
        "a path of a circuit",
        "MultiLineString",
        {
            "circuit": "circuit",
            "path": "main, alternate or a further label",
            "verdict": "verdict of the circuit",
            "links": "its links, in order from end a",
            "out": "1: cut by what is out of service",
            "length_m": "fibre length; blank: not on record",
            "length_at_least_m": "its least value",
            "route_m": "ground length; blank: not on record",
            "route_at_least_m": "its least value",
            "delay_us": "one-way delay; blank: not on record",
            "delay_at_least_us": "its least value",
            "unavailability": "share of the time that it is down; blank: not known",
            "unavailability_at_least": "where it is not known: by what has a failure rate",
        },
    ),
    LayerFields(
        "found_shared",
        "Findings: shared assets",
        "an asset that all paths of a circuit or group rely on",
        "where the asset is, or what holds it; blank where nothing says",
        {
            **_OWNER,
            "asset": "what is shared",
            "role": "its role",
            "kind": "its kind",
            "avoidable": "0: shared because the relays stand there, or as a tail",
            "tail": "1: shared inside an end site before the paths part, and excused",
            "waived": "1: accepted, on record",
            "through": "the shared asset within it that is the only reason",
        },
    ),
    LayerFields(
        "found_protected",
        "Findings: losses together with what is protected",
        "an asset whose loss breaks a path of a circuit together with what the circuit protects",
        "where the asset is, or what holds it; blank where nothing says",
        {
            **_OWNER,
            "asset": "what is lost",
            "role": "its role",
            "kind": "its kind",
            "path": "the path that is lost",
            "protected": "what the circuit protects that is lost",
            "remains": "paths that remain",
            "silent": "1: none remains",
        },
    ),
    LayerFields(
        "found_near",
        "Findings: near stretches",
        "a stretch of one path too close to the other",
        "LineString",
        {
            **_OWNER,
            "segment": "segment of the first path",
            "other": "segment of the second path",
            "distance_m": "least distance",
            "length_m": "length of the stretch",
            "limit_m": "distance that the rules require",
            "waived": "1: accepted, on record",
            "under": "shared structure or holder that it is folded under",
        },
    ),
    LayerFields(
        "found_cross",
        "Findings: crossings",
        "a crossing in plan without a common asset",
        "Point",
        {
            **_OWNER,
            "segment": "segment of the first path",
            "other": "segment of the second path",
            "forbidden": "1: the rules forbid it",
            "waived": "1: accepted, on record",
            "under": "shared structure or holder that it is folded under",
        },
    ),
    LayerFields(
        "found_gaps",
        "Findings: record gaps",
        "something that the records leave open",
        "where the asset is; blank where nothing says",
        {
            "code": "kind of gap",
            "asset": "what it is about",
            "message": "what is missing, where, and what to do",
            "tests": "circuits and groups that it touches",
        },
    ),
    LayerFields(
        "found_hazards",
        "Findings: hazards",
        "a hazard",
        "as drawn, without its reach",
        {
            "id": "hazard",
            "kind": "its kind",
            "reach_m": "how far beyond its outline it reaches",
            "takes": "segments, structures and sites that it reaches",
            "lost": _COUNTS["lost"],
            "exposed": _COUNTS["exposed"],
            "circuits": _COUNTS["circuits"],
        },
    ),
    LayerFields(
        "found_contingency",
        "Findings: single events",
        "a single event and a circuit that loses a path by it",
        None,
        {
            "asset": "asset or hazard that is lost",
            "role": "its role",
            "kind": "its kind",
            "circuit": "circuit",
            "state": "lost: no path left; exposed: one path left",
        },
    ),
    LayerFields(
        "found_circuits",
        "Findings: circuits and groups",
        "a circuit or group",
        None,
        {
            "id": "circuit or group",
            "is_group": "1: a group",
            "verdict": "shared, unproven, accepted or apart",
            "within_limits": "1: all limits kept, 0: one broken, blank: not on record",
            "worst_us": "greatest one-way delay; blank: not on record",
            "worst_at_least_us": "its least value",
            "asymmetry_us": "greatest difference of the two directions; blank: not on record",
            "asymmetry_at_least_us": "its least value",
            "closest_m": "least distance of its paths outside the end zones",
            "unavailability": "share of the time that all paths are down; blank: not known",
            "unavailability_at_least": "where it is not known: by what has a failure rate",
            "gaps": "record gaps that touch it",
        },
    ),
)

LAYERS: Mapping[str, LayerFields] = MappingProxyType({layer.name: layer for layer in _LAYERS})
"""Every layer of findings, by name."""


_ALIASES = {
    "test": "circuit or group",
    "tests": "circuits and groups touched",
    "lost": "circuits left without a path",
    "exposed": "circuits left with one path",
    "hazards": "hazards that reach it",
    "holders": "lies within",
    "passes": "structures passed",
    "out": "out of service",
    "avoidable": "could be avoided",
    "waived": "accepted by a waiver",
    "through": "only because of",
    "under": "along with",
    "remains": "paths that remain",
    "silent": "no path remains",
    "other": "other segment",
    "takes": "reaches",
    "is_group": "group",
    "worst_us": "greatest delay (us)",
    "worst_at_least_us": "greatest delay, at least (us)",
    "within_limits": "within its limits",
}
"""Names of fields for people, where a field's own name is none."""
_UNITS = ("m", "us", "ms", "mm", "nm", "h", "db", "dbm", "pct", "kv", "db_per_km")
_UNITS_SAID = {"db": "dB", "dbm": "dBm", "pct": "%", "kv": "kV", "db_per_km": "dB/km"}


def alias(field: str, found: bool = True) -> str:
    """Name of a field for people: words, and its unit in brackets.

    Parameters
    ----------
    field : str
    found : bool
        Whether it is one of a layer of findings, not one of a study's own.

    Returns
    -------
    str
        The fields of a layer get names that differ.

    Examples
    --------
    >>> alias("route_at_least_m")
    'route, at least (m)'
    """
    if found and field in _ALIASES:
        return _ALIASES[field]
    unit = max((one for one in _UNITS if field.endswith(f"_{one}")), key=len, default="")
    name = field.removesuffix(f"_{unit}") if unit else field
    said = name.replace("_at_least", ", at least").replace("_", " ")
    return f"{said} ({_UNITS_SAID.get(unit, unit)})" if unit else said


def found_layers(proof: Proof) -> dict[str, pd.DataFrame]:
    """The findings of a proof as layers.

    Parameters
    ----------
    proof : Proof

    Returns
    -------
    dict of str to GeoDataFrame (in the grid that the study shows) or DataFrame
        Keys and columns as in `LAYERS`.
    """
    plant = _Plant(proof)
    makers: Mapping[str, Callable[[_Plant], pd.DataFrame]] = {
        "found_segments": _segments,
        "found_places": _places,
        "found_paths": _paths,
        "found_shared": _shared,
        "found_protected": _protected,
        "found_near": _near,
        "found_cross": _cross,
        "found_gaps": _gaps,
        "found_hazards": _hazards,
        "found_contingency": lambda plant: plant.table.frame(),
        "found_circuits": _circuits,
    }
    found = {}
    for name, layer in LAYERS.items():
        frame = makers[name](plant)
        shape = [] if layer.geometry is None else ["geometry"]
        found[name] = frame[[*layer.fields, *shape]]
    return found


class _Plant:
    """A proof, and what several layers need of it."""

    def __init__(self, proof: Proof) -> None:
        self.proof = proof
        self.network = proof.network
        self.assets = proof.network.assets
        self.ids = self.assets.frame["id"].to_numpy()
        self.table: Contingency = contingency(proof)
        self.counts = self.table.counts()
        links = proof.study.tables["links"]["id"].to_numpy()
        self.names = np.r_[self.ids, links]
        self.segment_ids = proof.study.tables["segments"]["id"].to_numpy()
        self.shapes = AssetShapes(proof)

    def joined(self, numbers: Iterable[int]) -> str:
        return LIST_SEPARATOR.join(str(self.names[number]) for number in numbers)

    def rows_joined(self, matrix: sp.csr_array, rows: range | slice) -> list[str]:
        picked = range(rows.start, rows.stop)
        return [self.joined(sorted(csr_row(matrix, r).tolist())) for r in picked]

    def relied(self) -> Ints:
        """How many circuits rely on each asset by any path."""
        paths = self.proof.reliance.paths[:, : len(self.assets)].astype(np.int32)
        ways = self.table.base.path_circuits()
        by_circuit = sp.csr_array(sp.csr_array(ways.T) @ paths)
        return np.bincount(by_circuit.indices, minlength=len(self.assets)).astype(np.int64)

    def counted(self, rows: slice, relied: Ints) -> dict[str, Any]:
        return {
            "lost": self.counts["lost"].to_numpy()[rows],
            "exposed": self.counts["exposed"].to_numpy()[rows],
            "circuits": relied[rows],
        }

    def geo(self, columns: Mapping[str, Any], shapes: Any) -> pd.DataFrame:
        series = self.shapes.series(shapes).to_crs(self.proof.study.crs)
        frame: pd.DataFrame = gpd.GeoDataFrame(
            pd.DataFrame(columns).assign(geometry=series), crs=series.crs
        )
        return frame

    def owner(self, tests: np.ndarray) -> dict[str, list[str]]:
        trials, verdicts = self.proof.trials, self.proof.verdicts
        return {
            "test": [trials[test].id for test in tests.tolist()],
            "verdict": [verdicts[test] for test in tests.tolist()],
        }


def _held(plant: _Plant, rows: slice) -> list[str]:
    """Everything that each asset lies within, at any depth."""
    closed, within = plant.proof.reliance.closed, plant.network.within
    hazards = plant.assets.of_role("hazards")
    found = []
    for number in range(rows.start, rows.stop):
        if within.indptr[number] == within.indptr[number + 1]:
            found.append("")
            continue
        above = csr_row(closed, number)
        kept = (above != number) & ~((above >= hazards.start) & (above < hazards.stop))
        found.append(plant.joined(sorted(above[kept].tolist())))
    return found


def _segments(plant: _Plant) -> pd.DataFrame:
    network, study = plant.network, plant.proof.study
    rows = plant.assets.of_role("segments")
    count = rows.stop - rows.start
    passes: list[list[int]] = [[] for _ in range(count)]
    for segment, structure in zip(
        network.passed.segment.tolist(), network.passed.structure.tolist(), strict=True
    ):
        passes[segment].append(structure)
    cables: list[list[int]] = [[] for _ in range(count)]
    chains = network.chains
    cable = owners(chains.first)
    pairs = np.unique(np.column_stack([chains.segment, cable]), axis=0)
    for segment, number in pairs.tolist():
        cables[segment].append(plant.assets.start["cables"] + number)
    table = study.tables["segments"]
    return plant.geo(
        {
            "id": table["id"].to_numpy(),
            "kind": table["kind"].to_numpy(),
            "end_a": [plant.joined([end]) if end >= 0 else None for end in network.ends.a.tolist()],
            "end_b": [plant.joined([end]) if end >= 0 else None for end in network.ends.b.tolist()],
            "passes": [plant.joined(one) for one in passes],
            "holders": _held(plant, rows),
            "cables": [plant.joined(one) for one in cables],
            "ground_m": network.segment_m,
            **plant.counted(rows, plant.relied()),
            "hazards": plant.rows_joined(network.hazards, rows),
        },
        study.lonlat("segments"),
    )


def _places(plant: _Plant) -> pd.DataFrame:
    relied = plant.relied()
    parts = []
    for role in ("sites", "structures"):
        table, rows = plant.proof.study.tables[role], plant.assets.of_role(role)
        parts.append(
            plant.geo(
                {
                    "id": table["id"].to_numpy(),
                    "role": [role] * len(table),
                    "kind": table["kind"].to_numpy(),
                    "holders": _held(plant, rows),
                    **plant.counted(rows, relied),
                    "hazards": plant.rows_joined(plant.network.hazards, rows),
                },
                plant.proof.study.lonlat(role),
            )
        )
    full = [part for part in parts if len(part)] or parts[:1]
    joined: pd.DataFrame = pd.concat(full, ignore_index=True)
    return joined


def _paths(plant: _Plant) -> pd.DataFrame:
    proof, paths = plant.proof, plant.network.paths
    owner = paths.circuit
    names = proof.study.tables["circuits"]["id"].to_numpy()
    links = proof.study.tables["links"]["id"].to_numpy()
    delays = proof.delays
    return plant.geo(
        {
            "circuit": names[owner],
            "path": list(paths.label),
            "verdict": [proof.verdicts[circuit] for circuit in owner.tolist()],
            "links": [
                LIST_SEPARATOR.join(str(links[link]) for link in paths.links(path))
                for path in range(len(paths))
            ],
            "out": proof.lost.astype(np.int32),
            **{
                name: delays[name].to_numpy(dtype=np.float64)
                for kind in ("length_m", "route_m", "delay_us")
                for name in (kind, _at_least(kind))
            },
            "unavailability": proof.outages.paths,
            "unavailability_at_least": proof.outages.paths_at_least,
        },
        plant.shapes.paths(),
    )


def _at_least(name: str) -> str:
    """`delay_at_least_us` for `delay_us`."""
    figure, _, unit = name.rpartition("_")
    return f"{figure}_at_least_{unit}"


def _shared(plant: _Plant) -> pd.DataFrame:
    sharing, proof = plant.proof.sharing, plant.proof
    entries = sharing.shared.tocoo()
    standing = np.array([len(trial.sides) > 1 for trial in proof.trials], dtype=bool)
    keep = standing[entries.row] if len(standing) else np.empty(0, dtype=bool)
    order = np.lexsort((entries.col[keep], entries.row[keep]))
    tests, numbers = entries.row[keep][order], entries.col[keep][order]
    count = len(plant.assets)
    frame = plant.assets.frame
    pairs = list(zip(tests.tolist(), numbers.tolist(), strict=True))
    through = [sharing.through.get(pair) for pair in pairs]
    avoidable = {
        (int(test), int(number))
        for test, number in zip(*sharing.avoidable.tocoo().coords, strict=True)
    }
    tail = set(zip(*(one.tolist() for one in sharing.tail.tocoo().coords), strict=True))
    return plant.geo(
        {
            **plant.owner(tests),
            "asset": plant.names[numbers],
            "role": [frame["role"].iloc[n] if n < count else "links" for n in numbers.tolist()],
            "kind": [frame["kind"].iloc[n] if n < count else None for n in numbers.tolist()],
            "avoidable": [int(pair in avoidable) for pair in pairs],
            "tail": [int(pair in tail) for pair in pairs],
            "waived": [int(pair in proof.waivers.assets) for pair in pairs],
            "through": [None if one is None else str(plant.names[one]) for one in through],
        },
        [plant.shapes.of(number) for number in numbers.tolist()],
    )


def _protected(plant: _Plant) -> pd.DataFrame:
    own, paths = plant.proof.own_lines, plant.network.paths
    rows = own.rows
    numbers, circuits = rows["asset"].to_numpy(), rows["circuit"].to_numpy()
    frame = plant.assets.frame
    keys = list(zip(circuits.tolist(), numbers.tolist(), strict=True))
    left = [own.remains[circuit][asset] for circuit, asset in keys]
    return plant.geo(
        {
            **plant.owner(circuits),
            "asset": plant.names[numbers],
            "role": frame["role"].to_numpy()[numbers],
            "kind": frame["kind"].to_numpy()[numbers],
            "path": [paths.label[path] for path in rows["path"].tolist()],
            "protected": plant.names[rows["protected"].to_numpy()],
            "remains": [LIST_SEPARATOR.join(paths.label[one] for one in some) for some in left],
            "silent": [int(not some) for some in left],
        },
        [plant.shapes.of(number) for number in numbers.tolist()],
    )


def _pair_columns(plant: _Plant, rows: pd.DataFrame) -> dict[str, Any]:
    """What near stretches and crossings have in common."""
    tests = plant.proof.spacing.pairs["trial"].to_numpy()[rows["pair"].to_numpy()]
    one = plant.segment_ids[rows["segment_i"].to_numpy(dtype=np.int64)]
    other = plant.segment_ids[rows["segment_j"].to_numpy(dtype=np.int64)]
    waivers = plant.proof.waivers
    return {
        **plant.owner(tests),
        "segment": one,
        "other": other,
        "waived": [
            int(waivers.waives_pair(int(test), str(a), str(b)))
            for test, a, b in zip(tests, one, other, strict=True)
        ],
        "under": [plant.joined([n]) if n >= 0 else None for n in rows["under"].tolist()],
    }


def _near(plant: _Plant) -> pd.DataFrame:
    rows = plant.proof.spacing.near
    shapes = [
        plant.shapes.stretch(line, begin, end)
        for line, begin, end in zip(rows["line_i"], rows["from_m"], rows["to_m"], strict=True)
    ]
    return plant.geo(
        {
            **_pair_columns(plant, rows),
            "distance_m": rows["distance_m"].to_numpy(),
            "length_m": rows["length_m"].to_numpy(),
            "limit_m": rows["limit_m"].to_numpy(),
        },
        shapes,
    )


def _cross(plant: _Plant) -> pd.DataFrame:
    rows = plant.proof.spacing.cross
    rows = rows[~rows["again"].to_numpy(dtype=bool)]
    points = shapely.points(rows["lon"].to_numpy(float), rows["lat"].to_numpy(float))
    forbidden = rows["forbidden"].to_numpy().astype(bool).astype(np.int32)
    return plant.geo({**_pair_columns(plant, rows), "forbidden": forbidden}, points)


def _gaps(plant: _Plant) -> pd.DataFrame:
    proof = plant.proof
    touched: dict[int, list[str]] = {}
    for test, gaps in enumerate(proof.gaps_of):
        for gap in gaps:
            touched.setdefault(gap, []).append(proof.trials[test].id)
    every = proof.record_gaps
    numbers = plant.assets.numbers([gap.asset for gap in every]).tolist() if every else []
    return plant.geo(
        {
            "code": [gap.code for gap in every],
            "asset": [gap.asset for gap in every],
            "message": [gap.message for gap in every],
            "tests": [LIST_SEPARATOR.join(touched.get(number, [])) for number in range(len(every))],
        },
        [plant.shapes.of(number) if number >= 0 else None for number in numbers],
    )


def _hazards(plant: _Plant) -> pd.DataFrame:
    table, rows = plant.proof.study.tables["hazards"], plant.assets.of_role("hazards")
    taken = sp.csr_array(plant.network.hazards.T)
    return plant.geo(
        {
            "id": table["id"].to_numpy(),
            "kind": table["kind"].to_numpy(),
            "reach_m": table["reach_m"].fillna(0.0).to_numpy(dtype=np.float64),
            "takes": plant.rows_joined(taken, rows),
            **plant.counted(rows, plant.relied()),
        },
        plant.proof.study.lonlat("hazards"),
    )


def _circuits(plant: _Plant) -> pd.DataFrame:
    proof = plant.proof
    circuits = proof.circuit_count
    pairs = proof.spacing.pairs
    closest = pairs.groupby("trial")["closest_m"].min() if len(pairs) else pd.Series(dtype=float)
    limits = proof.limits
    blank = [np.nan] * (len(proof.trials) - len(limits))
    within = [np.nan if one.within is None else float(one.within) for one in limits]
    return pd.DataFrame(
        {
            "id": [trial.id for trial in proof.trials],
            "is_group": [int(test >= circuits) for test in range(len(proof.trials))],
            "verdict": proof.verdicts,
            "within_limits": [*within, *blank],
            "worst_us": [*(one.worst_us for one in limits), *blank],
            "worst_at_least_us": [*(one.worst_at_least_us for one in limits), *blank],
            "asymmetry_us": [*(one.asymmetry_us for one in limits), *blank],
            "asymmetry_at_least_us": [*(one.asymmetry_at_least_us for one in limits), *blank],
            "closest_m": [float(closest.get(test, np.nan)) for test in range(len(proof.trials))],
            "unavailability": proof.outages.together[: len(proof.trials)],
            "unavailability_at_least": proof.outages.together_at_least[: len(proof.trials)],
            "gaps": [len(gaps) for gaps in proof.gaps_of],
        }
    )
