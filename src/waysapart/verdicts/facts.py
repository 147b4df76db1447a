"""A proof as plain data: what `prove --json` writes and the report shows."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

import numpy as np

from waysapart import __version__
from waysapart.network.ages import record_ages
from waysapart.network.blanks import explained_blanks
from waysapart.schema import KNOWN_EMPTY, LIST_SEPARATOR
from waysapart.study.gap_list import GapBrief, brief_gaps, folded_gaps
from waysapart.verdicts.evidence import evidence
from waysapart.verdicts.facts_figures import (
    SAYS,
    FigureSheet,
    availability_facts,
    budget_facts,
    delay_facts,
    group_availability_facts,
    path_facts,
    stage_facts,
)
from waysapart.verdicts.facts_spacing import SpacingFacts
from waysapart.verdicts.facts_tests import drum_facts, tested_facts
from waysapart.verdicts.plain import FORMAT, figure, text_or_none
from waysapart.verdicts.prove import WORST_FIRST, Proof
from waysapart.verdicts.record_first import record_first
from waysapart.verdicts.sides import Trial
from waysapart.verdicts.waivers import waiver_facts

__all__ = ["CAUTION", "figure", "proof_facts", "text_or_none"]

CAUTION = (
    "Planning information, not permission to work: national standards, the grid code, the "
    "owner's safety rules and licensed practice come first."
)

_CIRCUIT = ("name", "a", "b", "service", "group", "scheme")


def proof_facts(proof: Proof) -> dict[str, Any]:
    """Everything that a proof found, with the keys of `prove --json`."""
    study = proof.study
    sheet, spacing = FigureSheet(proof), SpacingFacts(proof)
    rows = study.tables["circuits"][list(_CIRCUIT)].to_dict("records")
    circuits = [_circuit(sheet, spacing, test, row) for test, row in enumerate(rows)]
    groups = [
        _group(sheet, spacing, test) for test in range(proof.circuit_count, len(proof.trials))
    ]
    return {
        "format": FORMAT,
        "waysapart": __version__,
        "study": study.name,
        "revision": study.revision,
        "made": proof.made.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "on": study.on.isoformat(),
        "crs": study.crs.to_string(),
        "caution": CAUTION,
        "inputs": [{"file": one.file, "sha256": one.sha256} for one in study.inputs],
        "out": list(study.out),
        "summary": {
            **proof.counts(),
            "circuits": proof.circuit_count,
            "groups": len(groups),
            "over_a_limit": proof.over_a_limit(),
            "silent": sum(
                bool(proof.own_lines.silent(circuit)) for circuit in range(proof.circuit_count)
            ),
            "gaps": len(proof.gaps),
        },
        "circuits": circuits,
        "groups": groups,
        "schemes": _schemes(proof),
        "links": budget_facts(sheet),
        "tests": tested_facts(proof),
        "drums": drum_facts(proof),
        "figures_say": SAYS,
        "gaps": folded_gaps(proof.gaps),
        "record_first": record_first(proof),
        "waivers": waiver_facts(proof.waivers),
        "evidence": evidence(proof),
        "matched": [
            {
                **{key: str(row[key]) for key in ("cable", "segment", "state")},
                "seq": int(row["seq"]),
                **{key: figure(row[key], "m") for key in ("from_m", "to_m", "distance_m")},
                "coverage": figure(row["coverage"], "share"),
            }
            for row in proof.network.matched.to_dict("records")
        ],
        "notes": list(study.notes),
        "ages": record_ages(study),
        "assumptions": _assumptions(proof),
    }


def _assumptions(proof: Proof) -> list[dict[str, Any]]:
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
    found = [
        {"key": row.key, "value": _plain(row.value), "unit": row.unit, "source": row.source}
        for row in rows
    ]
    return found + _to_sign(proof, {row.key: row.source for row in rows})


def _to_sign(proof: Proof, source: Mapping[str, str]) -> list[dict[str, Any]]:
    """What the rules say in place of the records, so that somebody has to sign that it holds."""
    study = proof.study
    used = np.zeros(proof.reliance.paths.shape[1], dtype=np.bool_)
    used[proof.reliance.paths.indices] = True
    rows = {role: used[proof.network.assets.of_role(role)] for role in proof.network.assets.start}
    found: list[dict[str, Any]] = [
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
    excused = list(study.rules.groups.excuse)
    if excused and any(trial.group_test is not None for trial in proof.trials):
        key = "groups.excuse"
        told = {"key": key, "value": excused, "unit": "", "source": source.get(key, "")}
        found.append({**told, "to_sign": True, "count": len(excused)})
    ignored = list(proof.network.ignored)
    if ignored:
        key = "reliance.ignore_kinds"
        told = {"key": key, "value": ignored, "unit": "", "source": source.get(key, "")}
        found.append({**told, "to_sign": True, "count": len(ignored)})
    return found


def _plain(value: object) -> object:
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if isinstance(value, (str, int, float, bool)) or value is None:
        return value
    return str(value)


def _circuit(
    sheet: FigureSheet, spacing: SpacingFacts, test: int, row: Mapping[Hashable, Any]
) -> dict[str, Any]:
    proof = sheet.proof
    trial = proof.trials[test]
    circuit = trial.circuits[0]
    paths = proof.network.paths
    return {
        "id": trial.id,
        **{name: text_or_none(row[name]) for name in ("name", "a", "b")},
        "service": text_or_none(row["service"]) or "default",
        "group": text_or_none(row["group"]),
        "scheme": text_or_none(row["scheme"]),
        "verdict": proof.verdicts[test],
        "within_limits": proof.limits[circuit].within,
        "paths": {
            paths.label[path]: path_facts(sheet, path, test) for path in paths.of_circuit(circuit)
        },
        **_sharing(proof, test),
        "tail": _tail(proof, test),
        **_with_protected(proof, circuit),
        **spacing.of(test),
        "delay": delay_facts(sheet, test),
        "loss_ok": proof.limits[circuit].loss_ok,
        "unavailability": availability_facts(sheet, test),
        "tests_missing": stage_facts(sheet, test),
        "single_points": _single_points(proof, test),
        "gaps": _gaps(proof, test),
    }


def _group(sheet: FigureSheet, spacing: SpacingFacts, test: int) -> dict[str, Any]:
    proof = sheet.proof
    trial = proof.trials[test]
    names = proof.study.tables["circuits"]["id"].to_numpy()
    return {
        "id": trial.id,
        "group_test": trial.group_test,
        "members": [str(names[circuit]) for circuit in trial.circuits],
        "verdict": proof.verdicts[test],
        **_sharing(proof, test),
        **spacing.of(test),
        "unavailability": group_availability_facts(sheet, test),
        "single_points": _single_points(proof, test),
        "gaps": _gaps(proof, test),
    }


def _schemes(proof: Proof) -> list[dict[str, Any]]:
    table = proof.study.tables["circuits"]
    members: dict[str, list[int]] = {}
    for circuit, scheme in enumerate(table["scheme"]):
        if isinstance(scheme, str):
            members.setdefault(scheme, []).append(circuit)
    found = []
    for scheme, circuits in sorted(members.items()):
        verdicts = [proof.verdicts[circuit] for circuit in circuits]
        within = [proof.limits[circuit].within for circuit in circuits]
        found.append(
            {
                "id": scheme,
                "members": [str(table["id"].iloc[circuit]) for circuit in circuits],
                "verdict": min(verdicts, key=WORST_FIRST.index),
                "within_limits": False if False in within else (None if None in within else True),
                "single_points": sorted(
                    {name for circuit in circuits for name in _single_points(proof, circuit)}
                ),
            }
        )
    return found


def _entries(matrix: Any, row: int) -> list[int]:
    listed: list[int] = matrix.indices[matrix.indptr[row] : matrix.indptr[row + 1]].tolist()
    return sorted(listed)


def _name_of(proof: Proof, number: int) -> tuple[str, str, str | None]:
    """Id, role and kind of an asset, or of a link behind the assets."""
    return proof.names[number]


def _side_labels(proof: Proof, trial: Trial) -> list[str]:
    """Label of each side: 'main', or 'C1 main' in a group."""
    paths = proof.network.paths
    labels = [paths.label[side[0]] for side in trial.sides]
    if trial.group_test is None:
        return labels
    names = proof.study.tables["circuits"]["id"].to_numpy(dtype=object)
    owners = (names[paths.circuit[side[0]]] for side in trial.sides)
    return [f"{owner} {label}" for owner, label in zip(owners, labels, strict=True)]


def _sharing(proof: Proof, test: int) -> dict[str, Any]:
    trial, sharing = proof.trials[test], proof.sharing
    named = proof.own_lines.named_by if sharing.own_line.nnz else {}
    shared = []
    labels = _side_labels(proof, trial)
    for number in _entries(sharing.avoidable, test):
        name, role, kind = _name_of(proof, number)
        through = sharing.through.get((test, number))
        shared.append(
            {
                "asset": name,
                "role": role,
                "kind": kind,
                "waived": (test, number) in proof.waivers.assets,
                "through": None if through is None else _name_of(proof, through)[0],
                "own_line": _name_of(proof, named[trial.circuits[0], number])[0]
                if sharing.own_line[test, number]
                else None,
                **_chains(proof, trial, labels, number),
            }
        )
    return {
        "shared": shared,
        "unavoidable": [_name_of(proof, n)[0] for n in _entries(sharing.unavoidable, test)],
        "blank_within": int(proof.blank_within[test]),
    }


def _tail(proof: Proof, test: int) -> list[str]:
    """What a circuit shares inside its end sites before its paths part, where that is excused."""
    return [_name_of(proof, number)[0] for number in _entries(proof.sharing.tail, test)]


def _with_protected(proof: Proof, circuit: int) -> dict[str, Any]:
    """What takes paths together with what a circuit protects; null where nothing is known of it."""
    own, paths = proof.own_lines, proof.network.paths
    protects = text_or_none(proof.study.tables["circuits"]["protects"].iat[circuit])
    entries = None
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


def _chains(proof: Proof, trial: Trial, labels: list[str], number: int) -> dict[str, Any]:
    """The chain of every side that leads to a shared asset."""
    chains: dict[str, list[str]] = {}
    for label, side in zip(labels, trial.sides, strict=True):
        for path in side:
            if number >= len(proof.network.assets):
                on_way = bool(proof.reliance.path_items[path, number])
                found = [proof.names[number][0]] if on_way else []
            else:
                found = proof.chains.to(path, number)
            if found:
                chains[label] = found
                break
    if trial.group_test is not None:
        return {"via": chains}
    return {f"{label}_via": chain for label, chain in chains.items()}


def _single_points(proof: Proof, test: int) -> list[str]:
    """Every asset whose loss alone takes all sides, avoidable or not."""
    trial = proof.trials[test]
    if len(trial.sides) < 2:
        return []
    return [_name_of(proof, number)[0] for number in _entries(proof.sharing.shared, test)]


def _gaps(proof: Proof, test: int) -> list[GapBrief]:
    """What touches one circuit or group; the ids of many told as one stand with the study's."""
    return brief_gaps(proof.gaps[number] for number in proof.gaps_of[test])
