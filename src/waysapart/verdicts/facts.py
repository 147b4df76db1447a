"""A proof as plain data: what `prove --json` writes and the report shows, with its witness.

A certifying algorithm gives with every answer a witness that a much simpler
program can check (R. M. McConnell, K. Mehlhorn, S. Näher and P. Schweitzer,
Certifying algorithms, Computer Science Review 5 (2011), 119-161). For `shared`
the witness is the two chains that stand with every shared asset; for `apart` it
is all that either path relies on, and the closest approach of the two with its
two points; for loss and delay it is the terms that add up. `waysapart recheck`
is the simpler program.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Mapping
from itertools import pairwise
from typing import Any, TypedDict, cast

import numpy as np
import pandas as pd
import scipy.sparse as sp

from waysapart.errors import CallError
from waysapart.evidence import (
    FORMAT,
    RECOVERY_KEY,
    SCHEMA,
    SHIFT_KEY,
    SHIFT_SOURCE,
    Approach,
    Assumption,
    Circuit,
    Evidence,
    GapBrief,
    Group,
    Match,
    PathSet,
    Profile,
    ProfileOfPath,
    Scheme,
    VerdictWitness,
    WithProtected,
    Witness,
)
from waysapart.findings.recovery import rules_recovery_ms
from waysapart.findings.spacing import separation_profiles
from waysapart.network.record_ages import layer_ages, record_ages
from waysapart.network.record_gaps import explained_blanks
from waysapart.schema import KNOWN_EMPTY, LIST_SEPARATOR, VERSION
from waysapart.study.ledger import brief_gaps, folded_gaps
from waysapart.verdicts.facts_figures import (
    SAYS,
    FigureSheet,
    availability_facts,
    delay_facts,
    drum_facts,
    figure,
    group_availability_facts,
    link_facts,
    lon_lat,
    measurement_facts,
    path_facts,
    text_or_none,
)
from waysapart.verdicts.facts_records import record_facts
from waysapart.verdicts.facts_sharing import SharingFacts, SpacingFacts, entries
from waysapart.verdicts.proof import WORST_FIRST, ProofData, services_of
from waysapart.verdicts.record_first import record_first
from waysapart.verdicts.waivers import waiver_facts

__all__ = ["CAUTION", "figure", "proof_facts", "text_or_none"]

CAUTION = (
    "Planning information, not permission to work: national standards, the grid code, the "
    "owner's safety rules and licensed practice come first."
)

_CIRCUIT = ("name", "a", "b", "service", "group", "scheme")


def proof_facts(proof: ProofData) -> Evidence:
    """Return everything that a proof found, in the form of `prove --json`.

    Parameters
    ----------
    proof : ProofData

    Returns
    -------
    Evidence
    """
    study = proof.study
    sheet, sharing, spacing = FigureSheet(proof), SharingFacts(proof), SpacingFacts(proof)
    counts = proof.counts()
    rows = study.tables["circuits"][list(_CIRCUIT)].to_dict("records")
    circuits = [_circuit(sheet, sharing, spacing, trial, row) for trial, row in enumerate(rows)]
    groups = [
        _group(sheet, sharing, spacing, trial)
        for trial in range(proof.circuit_count, len(proof.trials))
    ]
    return {
        "format": FORMAT,
        "waysapart": VERSION,
        "study": study.name,
        "revision": study.revision,
        "made": proof.made.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "on": study.on.isoformat(),
        "crs": study.crs.to_string(),
        "caution": CAUTION,
        "inputs": [{"file": one.file, "sha256": one.sha256} for one in study.inputs],
        "out": list(study.out),
        "summary": {
            "shared": counts["shared"],
            "unproven": counts["unproven"],
            "accepted": counts["accepted"],
            "apart": counts["apart"],
            "circuits": proof.circuit_count,
            "groups": len(groups),
            "over_a_limit": proof.over_a_limit(),
            "silent": sum(
                bool(proof.own_lines.silent(circuit)) for circuit in range(proof.circuit_count)
            ),
            "gaps": len(proof.record_gaps),
        },
        "circuits": circuits,
        "groups": groups,
        "schemes": _schemes(proof, sharing),
        "links": link_facts(sheet),
        "tests": measurement_facts(proof),
        "drums": drum_facts(proof),
        "figures_say": SAYS,
        "gaps": folded_gaps(proof.record_gaps),
        "record_first": record_first(proof),
        "waivers": waiver_facts(proof.waivers),
        "evidence": witness(proof),
        "matched": _matched(proof),
        "notes": list(study.notes),
        "ages": record_ages(study),
        "layers": layer_ages(study),
        "records": record_facts(study),
        "assumptions": _assumptions(proof),
    }


def _matched(proof: ProofData) -> list[Match]:
    """Which segments each drawn cable follows, or may follow."""
    return [
        {
            "cable": str(row["cable"]),
            "segment": str(row["segment"]),
            "state": row["state"],
            "seq": int(row["seq"]),
            "from_m": figure(row["from_m"], "m") or 0.0,
            "to_m": figure(row["to_m"], "m") or 0.0,
            "distance_m": figure(row["distance_m"], "m") or 0.0,
            "coverage": figure(row["coverage"], "share") or 0.0,
        }
        for row in proof.network.matched.to_dict("records")
    ]


def _assumptions(proof: ProofData) -> list[Assumption]:
    study = proof.study
    tables = study.tables
    kinds = {
        *proof.network.assets.frame["kind"].dropna().unique(),
        *proof.network.assets.frame["role"].unique(),
    }
    medium = {"fibre", *tables["links"]["medium"].dropna().unique()}
    rows = study.rules.assumptions(
        services={"default", *tables["circuits"]["service"].dropna().unique()},
        fibres=set(tables["cables"]["fibre_type"].dropna().unique()),
        failures=kinds,
        media=medium,
    )
    found: list[Assumption] = [
        {"key": row.key, "value": _plain(row.value), "unit": row.unit, "source": row.source}
        for row in rows
    ]
    return found + _to_sign(proof, {row.key: row.source for row in rows})


def _to_sign(proof: ProofData, source: Mapping[str, str]) -> list[Assumption]:
    """What the rules state in place of the records, which somebody has to sign for."""
    study = proof.study
    used = np.zeros(proof.reliance.paths.shape[1], dtype=np.bool_)
    used[proof.reliance.paths.indices] = True
    rows = {role: used[proof.network.assets.of_role(role)] for role in proof.network.assets.start}
    found: list[Assumption] = [
        {
            "key": f"records.{blank.column}.{blank.kind}",
            "value": _plain(blank.value),
            "unit": "us" if blank.column == "delay_us" and blank.value != "none" else "",
            "source": source.get(blank.rule, ""),
            "to_sign": True,
            "count": blank.count,
        }
        for blank in explained_blanks(study, rows)
    ]
    shifts = [layer.shift_m for layer in study.layers if layer.shift_m > 0]
    if shifts:
        found.append(
            {
                "key": SHIFT_KEY,
                "value": max(shifts),
                "unit": "m",
                "source": SHIFT_SOURCE,
                "to_sign": True,
                "count": len(shifts),
            }
        )
    asked = zip(proof.limits, proof.services, strict=False)  # services of groups come last
    assumed = sum(
        limits.recovery_assumed and service.max_recovery_ms is not None for limits, service in asked
    )
    if assumed:
        found.append(
            {
                "key": RECOVERY_KEY,
                "value": rules_recovery_ms(study.rules),
                "unit": "ms",
                "source": source.get("recovery.switching_ms", ""),
                "to_sign": True,
                "count": assumed,
            }
        )
    excused = list(study.rules.groups.excuse)
    if excused and any(trial.group_test is not None for trial in proof.trials):
        key = "groups.excuse"
        found.append(_signed(key, excused, source))
    ignored = list(proof.network.ignored)
    if ignored:
        key = "reliance.ignore_kinds"
        found.append(_signed(key, ignored, source))
    return found


def _signed(key: str, value: list[str], source: Mapping[str, str]) -> Assumption:
    """A list of kinds or holders that somebody has to sign for."""
    return {
        "key": key,
        "value": value,
        "unit": "",
        "source": source.get(key, ""),
        "to_sign": True,
        "count": len(value),
    }


def _plain(value: object) -> object:
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if isinstance(value, (str, int, float, bool)) or value is None:
        return value
    return str(value)


def _circuit(
    sheet: FigureSheet,
    sharing: SharingFacts,
    spacing: SpacingFacts,
    number: int,
    row: Mapping[Hashable, Any],
) -> Circuit:
    proof = sheet.proof
    trial = proof.trials[number]
    circuit = trial.circuits[0]
    paths = proof.network.paths
    found: dict[str, Any] = {
        "id": trial.id,
        "name": text_or_none(row["name"]),
        "a": text_or_none(row["a"]),
        "b": text_or_none(row["b"]),
        "service": text_or_none(row["service"]) or "default",
        "group": text_or_none(row["group"]),
        "scheme": text_or_none(row["scheme"]),
        "verdict": proof.verdicts[number],
        "within_limits": proof.limits[circuit].within,
        "paths": {
            paths.label[path]: path_facts(sheet, path, number) for path in paths.of_circuit(circuit)
        },
        **sharing.of(number),
        "tail": _tail(proof, number),
        **_with_protected(proof, circuit),
        **spacing.of(number),
        "delay": delay_facts(sheet, number),
        "loss_ok": proof.limits[circuit].loss_ok,
        "unavailability": availability_facts(sheet, number),
        "gaps": _gaps(proof, number),
    }
    return cast(Circuit, found)


def _group(sheet: FigureSheet, sharing: SharingFacts, spacing: SpacingFacts, number: int) -> Group:
    proof = sheet.proof
    trial = proof.trials[number]
    names = proof.study.tables["circuits"]["id"].to_numpy()
    found: dict[str, Any] = {
        "id": trial.id,
        "group_test": trial.group_test,
        "members": [str(names[circuit]) for circuit in trial.circuits],
        "verdict": proof.verdicts[number],
        "within_limits": _all_within(proof, trial.circuits),
        **sharing.of(number),
        **spacing.of(number),
        "unavailability": group_availability_facts(sheet, number),
        "gaps": _gaps(proof, number),
    }
    return cast(Group, found)


def _all_within(proof: ProofData, circuits: Iterable[int]) -> bool | None:
    """Whether all of some circuits keep their limits; None where that is not known."""
    within = [proof.limits[circuit].within for circuit in circuits]
    return False if False in within else (None if None in within else True)


def _schemes(proof: ProofData, sharing: SharingFacts) -> list[Scheme]:
    table = proof.study.tables["circuits"]
    members: dict[str, list[int]] = {}
    for circuit, scheme in enumerate(table["scheme"]):
        if isinstance(scheme, str):
            members.setdefault(scheme, []).append(circuit)
    found: list[Scheme] = []
    for scheme, circuits in sorted(members.items()):
        verdicts = [proof.verdicts[circuit] for circuit in circuits]
        found.append(
            {
                "id": scheme,
                "members": [str(table["id"].iloc[circuit]) for circuit in circuits],
                "verdict": min(verdicts, key=WORST_FIRST.index),
                "within_limits": _all_within(proof, circuits),
                "single_points": sorted(
                    {name for circuit in circuits for name in sharing.single(circuit)}
                ),
            }
        )
    return found


def _name_of(proof: ProofData, number: int) -> tuple[str, str, str | None]:
    """Id, role and kind of an asset, or of a link behind the assets."""
    return proof.names[number]


def _tail(proof: ProofData, trial: int) -> list[str]:
    """What a circuit shares inside its end sites before its paths part, where that is excused."""
    return [_name_of(proof, number)[0] for number in entries(proof.sharing.tail, trial)]


class _ProtectedPart(TypedDict):
    """What a circuit protects, and what takes its paths together with that."""

    protects: list[str]
    with_protected: list[WithProtected] | None
    with_protected_why: str | None


def _with_protected(proof: ProofData, circuit: int) -> _ProtectedPart:
    """What takes paths together with what a circuit protects; null where nothing is known of it."""
    own, paths = proof.own_lines, proof.network.paths
    protects = text_or_none(proof.study.tables["circuits"]["protects"].iat[circuit])
    entries: list[WithProtected] | None = None
    if circuit in own.known:
        entries = []
        for row in own.of_circuit(circuit):
            name, role, kind = _name_of(proof, row.asset)
            protected, _, of_kind = _name_of(proof, row.protected)
            entries.append(
                {
                    "asset": name,
                    "role": role,
                    "kind": kind,
                    "path": paths.label[row.path],
                    "protected": protected,
                    "protected_kind": of_kind,
                    "remains": [paths.label[path] for path in own.remains[circuit][row.asset]],
                }
            )
    return {
        "protects": [] if protects in (None, KNOWN_EMPTY) else protects.split(LIST_SEPARATOR),
        "with_protected": entries,
        "with_protected_why": "; ".join(own.unknown.get(circuit, ())) or None,
    }


def _gaps(proof: ProofData, trial: int) -> list[GapBrief]:
    """Gaps that touch one circuit or group; ids of folded gaps stand with the study's gaps."""
    return brief_gaps(proof.record_gaps[number] for number in proof.gaps_of[trial])


# --- The witness: what a proof rests on, once per study, so that somebody else can check it.

WITNESS_SAYS = (
    "Sets are written as numbers of `assets`, counted from 0: '0-3 7' is 0, 1, 2, 3 and 7. "
    "A path relies on an asset if losing that asset breaks the path."
)
_POINT_DECIMALS = 9


def witness(proof: ProofData) -> Witness:
    """Write the witness of every verdict of a proof.

    Parameters
    ----------
    proof : ProofData

    Returns
    -------
    Witness
        `assets`, the ids of all that any path relies on, and `roles`, which of them
        have which role (hops without cables, role `links`, come last); `links`, what
        each link of any path relies on; `paths`, each with the set that it relies on
        and the hazards in it; `verdicts`, each with the paths on its sides, the hazards
        that all sides meet, and the closest approach of every two paths that were held
        apart.
    """
    every = proof.reliance.paths.tocsc().tocsr()  # linear, and sorts each row
    relied_on = np.zeros(every.shape[1], dtype=bool)
    relied_on[every.indices] = True
    used = np.flatnonzero(relied_on)
    number = np.cumsum(relied_on) - 1
    frame = proof.network.assets.frame
    count = len(frame)
    links = proof.study.tables["links"]["id"].to_numpy()
    ids = np.r_[frame["id"].to_numpy(dtype=object), links.astype(object)]
    roles = np.r_[frame["role"].to_numpy(dtype=object), np.full(len(links), "links", object)]
    hazard = np.zeros(every.shape[1], dtype=bool)
    hazard[:count][proof.network.assets.of_role("hazards")] = True
    paths = proof.network.paths
    circuits = proof.study.tables["circuits"]["id"].to_numpy()
    relied = row_intervals(number[every.indices], every.indptr)
    of_links = proof.reliance.links.tocsc().tocsr()
    used_links = np.unique(paths.link)
    of_links = of_links[used_links]
    by_link = row_intervals(number[of_links.indices], of_links.indptr)
    met = _hazards_of(every, ids, hazard)
    names = [str(name) for name in links]
    told: list[PathSet] = [
        {
            "circuit": str(circuits[paths.circuit[path]]),
            "path": paths.label[path],
            "links": [names[link] for link in paths.links(path).tolist()],
            "relies_on": relied[path],
            "hazards": met[path],
        }
        for path in range(len(paths))
    ]
    return {
        "schema": SCHEMA,
        "says": WITNESS_SAYS,
        "assets": [str(name) for name in ids[used]],
        "roles": {
            str(role): intervals(np.flatnonzero(roles[used] == role))
            for role in dict.fromkeys(roles[used].tolist())
        },
        "links": {names[link]: by_link[at] for at, link in enumerate(used_links.tolist())},
        "paths": told,
        "verdicts": _verdicts(proof, _hazards_of(proof.sharing.shared, ids, hazard)),
    }


def _hazards_of(matrix: sp.csr_array, ids: np.ndarray, hazard: np.ndarray) -> list[list[str]]:
    """Ids of the hazards in every row of a matrix of assets."""
    found: list[list[str]] = [[] for _ in range(matrix.shape[0])]
    at = np.flatnonzero(hazard[matrix.indices])
    rows, columns = np.searchsorted(matrix.indptr, at, side="right") - 1, matrix.indices[at]
    order = np.lexsort((columns, rows))
    for row, column in zip(rows[order].tolist(), columns[order].tolist(), strict=True):
        found[row].append(str(ids[column]))
    return found


def _verdicts(proof: ProofData, hazards: list[list[str]]) -> list[VerdictWitness]:
    closest = _closest(proof)
    found: list[VerdictWitness] = []
    for number, trial in enumerate(proof.trials):
        met = hazards[number] if len(trial.sides) > 1 else []
        found.append(
            {
                "id": trial.id,
                "kind": "circuit" if trial.group_test is None else "group",
                "verdict": proof.verdicts[number],
                "sides": [list(side) for side in trial.sides],
                "hazards_on_all": met,
                "no_hazard_on_all": not met,
                "closest": closest[number],
            }
        )
    return found


def _closest(proof: ProofData) -> list[list[Approach]]:
    """The closest approach of every two paths that were measured, by trial."""
    pairs = proof.spacing.pairs[proof.spacing.pairs["closest_m"].notna()]
    first = proof.network.assets.start["segments"]
    found: list[list[Approach]] = [[] for _ in proof.trials]
    columns = (
        *("trial", "first", "second", "segment_i", "segment_j"),
        *("lon_i", "lat_i", "lon_j", "lat_j", "closest_m"),
    )
    rows = zip(*(pairs[name].tolist() for name in columns), strict=True)
    for trial, one, other, at_i, at_j, lon_i, lat_i, lon_j, lat_j, metres in rows:
        found[trial].append(
            {
                "paths": [one, other],
                "segments": [proof.names[first + at][0] for at in (at_i, at_j)],
                "points": [
                    lon_lat(lon_i, lat_i, _POINT_DECIMALS),
                    lon_lat(lon_j, lat_j, _POINT_DECIMALS),
                ],
                "distance_m": figure(metres, "m") or 0.0,
            }
        )
    return found


def intervals(numbers: np.ndarray) -> str:
    """Write ascending whole numbers as text.

    Parameters
    ----------
    numbers : ndarray of int, shape (n,)

    Returns
    -------
    str

    Examples
    --------
    >>> intervals(np.array([0, 1, 2, 3, 7]))
    '0-3 7'
    """
    return row_intervals(numbers, np.array([0, len(numbers)]))[0]


def row_intervals(numbers: np.ndarray, first: np.ndarray) -> list[str]:
    """The same for many sets at once: set `k` is `numbers[first[k]:first[k + 1]]`, ascending."""
    new = np.ones(len(numbers) + 1, dtype=bool)
    new[1:-1] = np.diff(numbers) != 1
    new[first] = True
    begin = np.flatnonzero(new[:-1])
    end = np.r_[begin[1:], len(numbers)][: len(begin)] - 1  # no last run where there is none
    texts = [
        str(low) if low == high else f"{low}-{high}"
        for low, high in zip(numbers[begin].tolist(), numbers[end].tolist(), strict=True)
    ]
    bounds = np.searchsorted(begin, first).tolist()
    return [" ".join(texts[low:high]) for low, high in pairwise(bounds)]


# --- Separation profiles of single circuits and groups.

_COEFFICIENTS = ("a", "b", "c")
_ROW = (
    "from_m",
    "to_m",
    "distance_from_m",
    "distance_to_m",
    *_COEFFICIENTS,
    "segment",
    "nearest",
    "limit_m",
    "end_zone",
)


def profile_of(proof: ProofData, name: str) -> pd.DataFrame:
    """Return the distance to the other paths all along each path of a circuit or group.

    Parameters
    ----------
    proof : ProofData
    name : str
        Id of a circuit, or name of a group.

    Returns
    -------
    DataFrame
        As `waysapart.findings.spacing.separation_profiles` gives it, with `along`
        and `to`, the labels of both paths, in front.

    Raises
    ------
    CallError
        No circuit or group is called so.
    """
    number = _number(proof, name)
    trial = proof.trials[number]
    found = separation_profiles(
        proof.network, proof.spacing, number, services_of(proof.network, trial)
    )
    labels = {
        int(path): proof.path_label(int(path), grouped=trial.group_test is not None)
        for path in pd.unique(found[["path", "other"]].to_numpy().ravel())
    }
    found.insert(0, "to", found["other"].map(labels))
    found.insert(0, "along", found["path"].map(labels))
    return found


def profile_facts(proof: ProofData, name: str) -> Profile:
    """Return the profiles of a circuit or group for JSON.

    Parameters
    ----------
    proof : ProofData
    name : str
        Id of a circuit, or name of a group.

    Returns
    -------
    Profile
        `columns` once, then `rows` path by path.

    Raises
    ------
    CallError
        No circuit or group is called so.
    """
    frame = profile_of(proof, name)
    paths: list[ProfileOfPath] = []
    for (_, _), arcs in frame.groupby(["pair", "path"], sort=False):
        paths.append(
            {
                "along": str(arcs["along"].iloc[0]),
                "to": str(arcs["to"].iloc[0]),
                "rows": [
                    [_row_value(column, value) for column, value in zip(_ROW, row, strict=True)]
                    for row in arcs[list(_ROW)].itertuples(index=False, name=None)
                ],
            }
        )
    return {"id": name, "columns": list(_ROW), "paths": paths}


def _row_value(column: str, value: Any) -> Any:
    """A cell for JSON; coefficients keep the digits that a millimetre in 300 km needs."""
    if column in _COEFFICIENTS:
        return float(f"{value:.15g}") if math.isfinite(value) else None
    if column.endswith("_m"):
        return figure(value, "m")
    return bool(value) if column == "end_zone" else value


def _number(proof: ProofData, name: str) -> int:
    for number, trial in enumerate(proof.trials):
        if trial.id == name:
            return number
    raise CallError(f"no circuit or group is called {name} in this study")
