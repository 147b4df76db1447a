"""Separation profiles of single circuits and groups: as a frame and as plain data."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from waysapart.errors import CallError
from waysapart.evidence import Profile, ProfileOfWay
from waysapart.findings.profiles import separation_profiles
from waysapart.verdicts.plain import figure
from waysapart.verdicts.proof import ProofData, services_of

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
    """Distance to the other paths all along each path of a circuit or group.

    Parameters
    ----------
    proof : ProofData
    name : str
        Id of a circuit, or name of a group.

    Returns
    -------
    DataFrame
        As `waysapart.findings.profiles.separation_profiles` gives it, with `along`
        and `to`, the labels of both paths, in front.

    Raises
    ------
    CallError
        No circuit or group is called so.
    """
    test = _number(proof, name)
    trial = proof.trials[test]
    found = separation_profiles(
        proof.network, proof.spacing, test, services_of(proof.network, trial)
    )
    labels = {
        int(path): proof.path_label(int(path), grouped=trial.group_test is not None)
        for path in pd.unique(found[["path", "other"]].to_numpy().ravel())
    }
    found.insert(0, "to", found["other"].map(labels))
    found.insert(0, "along", found["path"].map(labels))
    return found


def profile_facts(proof: ProofData, name: str) -> Profile:
    """The profiles of a circuit or group for JSON: `columns` once, then `rows` path by path."""
    frame = profile_of(proof, name)
    ways: list[ProfileOfWay] = []
    for (_, _), arcs in frame.groupby(["pair", "path"], sort=False):
        ways.append(
            {
                "along": str(arcs["along"].iloc[0]),
                "to": str(arcs["to"].iloc[0]),
                "rows": [
                    [_plain(column, value) for column, value in zip(_ROW, row, strict=True)]
                    for row in arcs[list(_ROW)].itertuples(index=False, name=None)
                ],
            }
        )
    return {"id": name, "columns": list(_ROW), "ways": ways}


def _plain(column: str, value: Any) -> Any:
    """A cell for JSON; coefficients keep the digits that a millimetre in 300 km needs."""
    if column in _COEFFICIENTS:
        return float(f"{value:.15g}") if math.isfinite(value) else None
    if column.endswith("_m"):
        return figure(value, "m")
    return bool(value) if column == "end_zone" else value


def _number(proof: ProofData, name: str) -> int:
    for test, trial in enumerate(proof.trials):
        if trial.id == name:
            return test
    raise CallError(f"no circuit or group is called {name} in this study")
