"""What a proof rests on, compactly and once per study, so that somebody else can check it.

A certifying algorithm gives with every answer a witness that a much simpler
program can check (R. M. McConnell, K. Mehlhorn, S. Näher and P. Schweitzer,
Certifying algorithms, Computer Science Review 5 (2011), 119-161). For `shared`
the witness is the two chains that stand with every shared asset; for `apart` it
is all that either path relies on, and the closest approach of the two with its
two points; for loss and delay it is the terms that add up. `waysapart recheck`
is the simpler program.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import scipy.sparse as sp

from waysapart.evidence import SCHEMA, Approach, PathSet, VerdictWitness, Witness
from waysapart.verdicts.plain import figure, lon_lat
from waysapart.verdicts.proof import ProofData

SAYS = (
    "Sets are written as numbers of `assets`, counted from 0: '0-3 7' is 0, 1, 2, 3 and 7. "
    "A path relies on an asset if losing that asset breaks the path."
)
_POINT_DECIMALS = 9


def witness(proof: ProofData) -> Witness:
    """The witness of every verdict of a proof.

    Parameters
    ----------
    proof : ProofData

    Returns
    -------
    Witness
        `assets`, the ids of all that any path relies on, and `roles`, which of
        them have which role (hops without cables, role `links`, come last);
        `paths`, each with the set that it relies on and the hazards in it;
        `verdicts`, each with the paths on its sides, the hazards that all sides
        meet, and the closest approach of every two paths that were held apart.
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
        "says": SAYS,
        "assets": [str(name) for name in ids[used]],
        "roles": {
            str(role): intervals(np.flatnonzero(roles[used] == role))
            for role in dict.fromkeys(roles[used].tolist())
        },
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
    for test, trial in enumerate(proof.trials):
        met = hazards[test] if len(trial.sides) > 1 else []
        found.append(
            {
                "id": trial.id,
                "kind": "circuit" if trial.group_test is None else "group",
                "verdict": proof.verdicts[test],
                "sides": [list(side) for side in trial.sides],
                "hazards_on_all": met,
                "no_hazard_on_all": not met,
                "closest": closest[test],
            }
        )
    return found


def _closest(proof: ProofData) -> list[list[Approach]]:
    """The closest approach of every two paths, test by test; what was not measured is left out."""
    pairs = proof.spacing.pairs[proof.spacing.pairs["closest_m"].notna()]
    first = proof.network.assets.start["segments"]
    found: list[list[Approach]] = [[] for _ in proof.trials]
    columns = (
        *("test", "first", "second", "segment_i", "segment_j"),
        *("lon_i", "lat_i", "lon_j", "lat_j", "closest_m"),
    )
    rows = zip(*(pairs[name].tolist() for name in columns), strict=True)
    for test, one, other, at_i, at_j, lon_i, lat_i, lon_j, lat_j, metres in rows:
        found[test].append(
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
    """Ascending whole numbers as text: '0-3 7' for 0, 1, 2, 3 and 7."""
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
