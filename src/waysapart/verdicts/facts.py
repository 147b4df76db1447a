"""A proof as plain data: what `prove --json` writes and the report shows."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any, TypedDict, cast

import numpy as np

from waysapart.evidence import (
    FORMAT,
    Assumption,
    Circuit,
    Evidence,
    GapBrief,
    Group,
    Match,
    Scheme,
    WithProtected,
)
from waysapart.network.ages import record_ages
from waysapart.network.blanks import explained_blanks
from waysapart.schema import KNOWN_EMPTY, LIST_SEPARATOR, VERSION
from waysapart.study.gap_list import brief_gaps, folded_gaps
from waysapart.verdicts.facts_figures import (
    SAYS,
    FigureSheet,
    availability_facts,
    delay_facts,
    group_availability_facts,
    link_facts,
    path_facts,
)
from waysapart.verdicts.facts_sharing import SharingFacts, entries
from waysapart.verdicts.facts_spacing import SpacingFacts
from waysapart.verdicts.facts_tests import drum_facts, measurement_facts
from waysapart.verdicts.plain import figure, text_or_none
from waysapart.verdicts.proof import WORST_FIRST, ProofData
from waysapart.verdicts.record_first import record_first
from waysapart.verdicts.waivers import waiver_facts
from waysapart.verdicts.witness import witness

__all__ = ["CAUTION", "figure", "proof_facts", "text_or_none"]

CAUTION = (
    "Planning information, not permission to work: national standards, the grid code, the "
    "owner's safety rules and licensed practice come first."
)

_CIRCUIT = ("name", "a", "b", "service", "group", "scheme")


def proof_facts(proof: ProofData) -> Evidence:
    """Everything that a proof found, with the keys of `prove --json`."""
    study = proof.study
    sheet, sharing, spacing = FigureSheet(proof), SharingFacts(proof), SpacingFacts(proof)
    counts = proof.counts()
    rows = study.tables["circuits"][list(_CIRCUIT)].to_dict("records")
    circuits = [_circuit(sheet, sharing, spacing, test, row) for test, row in enumerate(rows)]
    groups = [
        _group(sheet, sharing, spacing, test)
        for test in range(proof.circuit_count, len(proof.trials))
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
            "gaps": len(proof.gaps),
        },
        "circuits": circuits,
        "groups": groups,
        "schemes": _schemes(proof, sharing),
        "links": link_facts(sheet),
        "tests": measurement_facts(proof),
        "drums": drum_facts(proof),
        "figures_say": SAYS,
        "gaps": folded_gaps(proof.gaps),
        "record_first": record_first(proof),
        "waivers": waiver_facts(proof.waivers),
        "evidence": witness(proof),
        "matched": _matched(proof),
        "notes": list(study.notes),
        "ages": record_ages(study),
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
    """What the rules say in place of the records, so that somebody has to sign that it holds."""
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
    test: int,
    row: Mapping[Hashable, Any],
) -> Circuit:
    proof = sheet.proof
    trial = proof.trials[test]
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
        "verdict": proof.verdicts[test],
        "within_limits": proof.limits[circuit].within,
        "paths": {
            paths.label[path]: path_facts(sheet, path, test) for path in paths.of_circuit(circuit)
        },
        **sharing.of(test),
        "tail": _tail(proof, test),
        **_with_protected(proof, circuit),
        **spacing.of(test),
        "delay": delay_facts(sheet, test),
        "loss_ok": proof.limits[circuit].loss_ok,
        "unavailability": availability_facts(sheet, test),
        "gaps": _gaps(proof, test),
    }
    return cast(Circuit, found)


def _group(sheet: FigureSheet, sharing: SharingFacts, spacing: SpacingFacts, test: int) -> Group:
    proof = sheet.proof
    trial = proof.trials[test]
    names = proof.study.tables["circuits"]["id"].to_numpy()
    found: dict[str, Any] = {
        "id": trial.id,
        "group_test": trial.group_test,
        "members": [str(names[circuit]) for circuit in trial.circuits],
        "verdict": proof.verdicts[test],
        **sharing.of(test),
        **spacing.of(test),
        "unavailability": group_availability_facts(sheet, test),
        "gaps": _gaps(proof, test),
    }
    return cast(Group, found)


def _schemes(proof: ProofData, sharing: SharingFacts) -> list[Scheme]:
    table = proof.study.tables["circuits"]
    members: dict[str, list[int]] = {}
    for circuit, scheme in enumerate(table["scheme"]):
        if isinstance(scheme, str):
            members.setdefault(scheme, []).append(circuit)
    found: list[Scheme] = []
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
                    {name for circuit in circuits for name in sharing.single(circuit)}
                ),
            }
        )
    return found


def _name_of(proof: ProofData, number: int) -> tuple[str, str, str | None]:
    """Id, role and kind of an asset, or of a link behind the assets."""
    return proof.names[number]


def _tail(proof: ProofData, test: int) -> list[str]:
    """What a circuit shares inside its end sites before its paths part, where that is excused."""
    return [_name_of(proof, number)[0] for number in entries(proof.sharing.tail, test)]


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


def _gaps(proof: ProofData, test: int) -> list[GapBrief]:
    """What touches one circuit or group; the ids of many told as one stand with the study's."""
    return brief_gaps(proof.gaps[number] for number in proof.gaps_of[test])
