"""What a proof rests on, compactly and once per study, so that somebody else can check it.

A certifying algorithm gives with every answer a witness that a much simpler
program can check (R. M. McConnell, K. Mehlhorn, S. Näher and P. Schweitzer,
Certifying algorithms, Computer Science Review 5 (2011), 119-161). For `shared`
the witness is the two chains that stand with every shared asset; for `apart` it
is all that either way relies on, and the closest approach of the two with its
two points; for loss and delay it is the terms that add up. `waysapart recheck`
is the simpler program.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from waysapart.verdicts.plain import figure
from waysapart.verdicts.prove import Proof

SCHEMA = "urn:waysapart:evidence:1"
"""Identifier of the JSON Schema (`evidence.schema.json` in the package) that this keeps to."""
SAYS = (
    "Sets are written as numbers of `assets`, counted from 0: '0-3 7' is 0, 1, 2, 3 and 7. "
    "A path relies on an asset if losing that asset breaks the path."
)
_POINT_DECIMALS = 9


def evidence(proof: Proof) -> dict[str, Any]:
    """The witness of every verdict of a proof.

    Parameters
    ----------
    proof : Proof

    Returns
    -------
    dict
        `assets`, the ids of all that any path relies on, and `roles`, which of
        them have which role (hops without cables, role `links`, come last);
        `paths`, each with the set that it relies on and the hazards in it;
        `verdicts`, each with the paths on its sides, the hazards that all sides
        meet, and the closest approach of every two paths that were held apart.
    """
    every = proof.reliance.paths
    used = np.unique(every.indices)
    number = np.full(every.shape[1], -1, dtype=np.int64)
    number[used] = np.arange(len(used))
    frame = proof.network.assets.frame
    count = len(frame)
    links = proof.study.tables["links"]["id"].to_numpy()
    ids = np.r_[frame["id"].to_numpy(dtype=object), links.astype(object)]
    roles = np.r_[frame["role"].to_numpy(dtype=object), np.full(len(links), "links", object)]
    hazard = np.zeros(every.shape[1], dtype=bool)
    hazard[:count][proof.network.assets.of_role("hazards")] = True
    paths = proof.network.paths
    circuits = proof.study.tables["circuits"]["id"].to_numpy()
    told = []
    for path in range(len(paths)):
        mine = np.sort(every.indices[every.indptr[path] : every.indptr[path + 1]])
        told.append(
            {
                "circuit": str(circuits[paths.circuit[path]]),
                "path": paths.label[path],
                "links": [str(links[link]) for link in paths.links(path)],
                "relies_on": intervals(number[mine].tolist()),
                "hazards": [str(name) for name in ids[mine[hazard[mine]]]],
            }
        )
    return {
        "schema": SCHEMA,
        "says": SAYS,
        "assets": [str(name) for name in ids[used]],
        "roles": {
            str(role): intervals(np.flatnonzero(roles[used] == role).tolist())
            for role in dict.fromkeys(roles[used].tolist())
        },
        "paths": told,
        "verdicts": [_verdict(proof, test, ids, hazard) for test in range(len(proof.trials))],
    }


def _verdict(proof: Proof, test: int, ids: np.ndarray, hazard: np.ndarray) -> dict[str, Any]:
    trial, shared = proof.trials[test], proof.sharing.shared
    mine = np.sort(shared.indices[shared.indptr[test] : shared.indptr[test + 1]])
    met = [str(name) for name in ids[mine[hazard[mine]]]] if len(trial.sides) > 1 else []
    return {
        "id": trial.id,
        "kind": "circuit" if trial.group_test is None else "group",
        "verdict": proof.verdicts[test],
        "sides": [list(side) for side in trial.sides],
        "hazards_on_all": met,
        "no_hazard_on_all": not met,
        "closest": _closest(proof, test),
    }


def _closest(proof: Proof, test: int) -> list[dict[str, Any]]:
    """The closest approach of every two paths; those that nothing was measured of are left out."""
    pairs = proof.spacing.pairs
    first = proof.network.assets.start["segments"]
    mine = pairs[(pairs["test"] == test) & pairs["closest_m"].notna()]
    return [
        {
            "paths": [int(row["first"]), int(row["second"])],
            "segments": [proof.names[first + row[f"segment_{side}"]][0] for side in ("i", "j")],
            "points": [
                [
                    round(float(row[f"lon_{side}"]), _POINT_DECIMALS) + 0.0,
                    round(float(row[f"lat_{side}"]), _POINT_DECIMALS) + 0.0,
                ]
                for side in ("i", "j")
            ],
            "distance_m": figure(row["closest_m"], "m"),
        }
        for row in mine.to_dict("records")
    ]


def intervals(numbers: Iterable[int]) -> str:
    """Ascending whole numbers as text: '0-3 7' for 0, 1, 2, 3 and 7."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return " ".join(str(low) if low == high else f"{low}-{high}" for low, high in runs)
