"""Tests and drums as plain data: what was measured, what is missing, what reaches."""

from __future__ import annotations

from typing import Any, cast

import numpy as np
import pandas as pd

from waysapart.evidence import Drum, Test, TestsMissing
from waysapart.findings.compared import old_measurements
from waysapart.findings.stages import drums, missing_stages
from waysapart.formulas.measured import TESTS
from waysapart.network.measurements import NO_FIBRE
from waysapart.verdicts.plain import figure
from waysapart.verdicts.proof import ProofData


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """A frame row by row."""
    return cast(list[dict[str, Any]], frame.to_dict("records"))


def stages_by_link(proof: ProofData) -> dict[int, list[TestsMissing]]:
    """Missing measurements by link; fibres of one cable that lack the same ones stand together."""
    frame = missing_stages(proof.network)
    cables = proof.study.tables["cables"]["id"].to_numpy()
    missing = frame[list(range(len(TESTS)))].to_numpy(dtype=bool)
    code = missing @ (1 << np.arange(len(TESTS)))
    order = np.lexsort((frame["fibre"], code, frame["cable"], frame["link"]))
    found: dict[int, list[TestsMissing]] = {}
    last: tuple[int, int, int] | None = None
    for link, cable, fibre, lacks in zip(
        *(frame[name].to_numpy()[order].tolist() for name in ("link", "cable", "fibre")),
        code[order].tolist(),
        strict=True,
    ):
        if not lacks:
            continue
        rows = found.setdefault(link, [])
        if (link, cable, lacks) != last:
            last = (link, cable, lacks)
            names = [name for bit, name in enumerate(TESTS) if lacks >> bit & 1]
            rows.append(
                {
                    "cable": str(cables[cable]),
                    "fibres": None,
                    "missing": names,
                }
            )
        if fibre != NO_FIBRE:
            rows[-1]["fibres"] = [*(rows[-1]["fibres"] or []), fibre]
    return found


def measurement_facts(proof: ProofData) -> list[Test]:
    """Every measurement that gives a figure, beside what the records give."""
    study, compared = proof.study, proof.compared
    if not len(compared):
        return []
    old = old_measurements(study, compared, study.on)
    dates = study.tables["measurements"]["date"]
    units = {"length_m": "m", "loss_db": "db", "delay_us": "us"}
    found: list[Test] = []
    for row, stale in zip(records(compared), old, strict=True):
        unit = units[row["quantity"]]
        taken = dates.iloc[int(row["row"])]
        found.append(
            {
                "of": str(study.tables[row["role"]]["id"].iloc[int(row["owner"])]),
                "role": row["role"],
                "fibre": None if row["fibre"] == NO_FIBRE else int(row["fibre"]),
                "quantity": row["quantity"],
                "measured": figure(row["measured"], unit) or 0.0,
                "computed_least": figure(row["least"], unit),
                "computed_greatest": figure(row["greatest"], unit),
                "agrees": bool(row["agrees"]),
                "date": None if pd.isna(taken) else taken.date().isoformat(),
                "old": bool(stale),
            }
        )
    return found


def drum_facts(proof: ProofData) -> list[Drum]:
    """Whether each tested drum reaches, with what is left over or short."""
    cables = proof.study.tables["cables"]["id"].to_numpy()
    return [
        {
            "cable": str(cables[int(row["cable"])]),
            "drum_m": figure(row["drum_m"], "m"),
            "carried_m": figure(row["carried_m"], "m"),
            "slack_m": figure(row["slack_m"], "m"),
            "down_leads_m": figure(row["down_leads_m"], "m"),
            "tails_m": figure(row["tails_m"], "m"),
            "needed_m": figure(row["needed_m"], "m"),
            "left_m": figure(row["left_m"], "m"),
            "reaches": None if np.isnan(row["left_m"]) else bool(row["left_m"] >= 0),
        }
        for row in records(drums(proof.network))
    ]
