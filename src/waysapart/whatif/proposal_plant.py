"""What a proposal holds, and what of its plant meets plant that is there already.

`proposal_rows` counts what comes from the proposal, role by role. `new_passes` names new segments
that pass old structures, and old segments that pass new ones: paths rely on what they pass.
`new_beside` names new plant that runs nearer to old plant of another path than the rules allow.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypedDict

import numpy as np

from waysapart.arrays import Ints
from waysapart.network.build_network import Network
from waysapart.study.model import Study
from waysapart.study.proposal import LaidRows
from waysapart.verdicts.prove import Proof

Facts = Mapping[str, Any]


# --- What comes from the proposal.


class RowsFacts(TypedDict):
    """Rows of one role that a proposal adds, replaces and removes, by id."""

    added: list[str]
    replaced: list[str]
    removed: list[str]


class ProposalContent(TypedDict):
    """What a proposal holds; `extends` is what it is laid over."""

    study: str
    extends: str
    rows: dict[str, RowsFacts]


def proposal_rows(before: Study | None, after: Study, name: str | None) -> ProposalContent | None:
    """What a study adds to, replaces in and removes from the one that it extends.

    Parameters
    ----------
    before : Study or None
        What it is compared with; None where that is evidence alone.
    after : Study
    name : str or None
        The name of what it is compared with.

    Returns
    -------
    ProposalContent or None
        What all studies between `before` and `after` hold together; of evidence, that of a study
        with its name. None where `after` extends nothing, or not what it is compared with.
    """
    laid = list(after.laid)
    if not laid:
        return None
    if before is not None:
        if after.chain[: len(before.chain)] != before.chain or after.chain == before.chain:
            return None
        laid = laid[len(before.chain) - 1 :]
    else:
        named = [place for place, one in enumerate(laid) if one.over == name]
        laid = laid[named[-1] if named else -1 :]
    parts = [one.rows for one in laid]
    rows = {role: _together([one[role] for one in parts if role in one]) for role in _roles(parts)}
    return {
        "study": after.name,
        "extends": laid[0].over,
        "rows": {role: found for role, found in rows.items() if any(found.values())},
    }


def _roles(laid: Iterable[Mapping[str, LaidRows]]) -> list[str]:
    return list(dict.fromkeys(role for one in laid for role in one))


def _together(several: Sequence[LaidRows]) -> RowsFacts:
    """What several proposals, one laid over the other, come to."""
    state: dict[str, str] = {}
    for one in several:
        for name in one.removed:
            if state.pop(name, None) != "added":
                state[name] = "removed"
        for name in one.added:
            state[name] = "replaced" if state.get(name) == "removed" else "added"
        for name in one.replaced:
            state.setdefault(name, "replaced")
    return {
        "added": [name for name, what in state.items() if what == "added"],
        "replaced": [name for name, what in state.items() if what == "replaced"],
        "removed": [name for name, what in state.items() if what == "removed"],
    }


# --- Where its plant meets plant that is there already.


class PassFacts(TypedDict):
    """A structure that a segment passes and did not before.

    `new`: which of both came with the change or was moved by it: segment, structure, both, or
    neither (where another record, or `snap_m`, makes the pair). `circuits` rely on the segment.
    """

    segment: str
    structure: str
    distance_m: float
    new: str
    circuits: list[str]


class BesideFacts(TypedDict):
    """New plant of one path that runs beside old plant of another, nearer than the rules allow.

    `under`: the structure next to it that both rely on, which is told in its place.
    """

    circuit: str
    segment: str
    beside: str
    distance_m: float
    length_m: float
    limit_m: float | None
    under: str | None
    waived: bool


@dataclass(frozen=True)
class ChangedPlant:
    """Ids of segments and structures that a change adds or moves."""

    segments: frozenset[str]
    structures: frozenset[str]


def new_passes(before: Network | None, after: Proof, new: ChangedPlant) -> list[PassFacts]:
    """Structures that segments pass and did not pass before.

    Parameters
    ----------
    before : Network or None
        None where that is evidence alone: then what new plant passes is told, and what passes it.
    after : Proof
    new : ChangedPlant

    Returns
    -------
    list of PassFacts
        Where one of both is old first, the nearest first.
    """
    known = set() if before is None else {pair for pair, _, _ in _pairs(before)}
    fresh = [
        (one, (one[0][0] in new.segments, one[0][1] in new.structures))
        for one in _pairs(after.network)
        if one[0] not in known
    ]
    fresh = [(one, which) for one, which in fresh if before is not None or any(which)]
    if not fresh:
        return []
    study, start = after.study, after.network.assets.start
    segments = np.array([segment for (_, segment, _), _ in fresh])
    structures = np.array([number for (_, _, number), _ in fresh]) - start["structures"]
    metres = study.plane.metres(
        study.geometries("structures")[structures], study.geometries("segments")[segments]
    )
    relying = _relying(after, start["segments"] + segments)
    found: list[PassFacts] = [
        {
            "segment": pair[0],
            "structure": pair[1],
            "distance_m": round(float(distance_m), 3),
            "new": _NEW[which],
            "circuits": circuits,
        }
        for ((pair, _, _), which), distance_m, circuits in zip(fresh, metres, relying, strict=True)
    ]
    found.sort(
        key=lambda one: (
            one["new"] == "both",
            one["distance_m"],
            one["segment"],
            one["structure"],
        )
    )
    return found


_NEW = {
    (True, False): "segment",
    (False, True): "structure",
    (True, True): "both",
    (False, False): "neither",
}


def _pairs(network: Network) -> list[tuple[tuple[str, str], int, int]]:
    passed, ids = network.passed, network.study.tables["segments"]["id"].to_numpy()
    structures = network.assets.ids(passed.structure)
    return [
        ((str(ids[segment]), structure), int(segment), int(number))
        for segment, structure, number in zip(
            passed.segment, structures, passed.structure, strict=True
        )
    ]


def _relying(proof: Proof, assets: Ints) -> list[list[str]]:
    """For each of some assets the circuits of which a path relies on it."""
    reliance, first = proof.reliance, proof.network.paths.circuit
    columns, place = np.unique(assets, return_inverse=True)
    paths = (reliance.along @ reliance.links[:, columns]).tocsc()
    names = proof.study.tables["circuits"]["id"].to_numpy()
    found = [
        [
            str(names[one])
            for one in np.unique(
                first[paths.indices[paths.indptr[column] : paths.indptr[column + 1]]]
            )
        ]
        for column in range(len(columns))
    ]
    return [found[one] for one in place]


def new_beside(after: Facts, new: ChangedPlant) -> list[BesideFacts]:
    """New segments that run nearer to old ones of another path than the rules allow.

    Parameters
    ----------
    after : dict
        Facts of the proof after.
    new : ChangedPlant

    Returns
    -------
    list of BesideFacts
        By circuit or group, the nearest first; also what is folded under a shared structure.
    """
    found: list[BesideFacts] = []
    for owner in (*after.get("circuits", []), *after.get("groups", [])):
        mine: dict[tuple[str, str], BesideFacts] = {}
        for stretch in (*owner.get("near", []), *owner.get("near_folded", [])):
            for pair in stretch.get("members", [stretch]):
                two = str(pair["main"]), str(pair["alternate"])
                fresh = [one in new.segments for one in two]
                if fresh[0] == fresh[1]:
                    continue
                segment, beside = two if fresh[0] else two[::-1]
                told: BesideFacts = {
                    "circuit": str(owner["id"]),
                    "segment": segment,
                    "beside": beside,
                    "distance_m": pair["distance_m"],
                    "length_m": pair["length_m"],
                    "limit_m": pair.get("limit_m"),
                    "under": stretch.get("under"),
                    "waived": bool(stretch.get("waived")),
                }
                nearer = mine.get((segment, beside))
                if nearer is None or told["distance_m"] < nearer["distance_m"]:
                    mine[segment, beside] = told
        found += sorted(mine.values(), key=lambda one: one["distance_m"])
    return found
