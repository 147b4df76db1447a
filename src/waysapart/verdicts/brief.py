"""A proof at a glance, for notebooks: one row for each circuit and group, worst first."""

from __future__ import annotations

from waysapart.arrays import csr_row
from waysapart.shown import few, html_table
from waysapart.verdicts.proof import WORST_FIRST, ProofData

_MOST_ROWS = 60
_MOST_NAMES = 5
_LIMITS = {True: "kept", False: "broken", None: "not known"}


def brief_html(proof: ProofData) -> str:
    """The verdicts as an HTML table, every text of a layer escaped."""
    order = sorted(
        range(len(proof.trials)), key=lambda trial: WORST_FIRST.index(proof.verdicts[trial])
    )
    rows = [_row(proof, trial) for trial in order[:_MOST_ROWS]]
    counts = ", ".join(f"{count} {verdict}" for verdict, count in proof.counts().items())
    return html_table(
        f"{proof.study.name}: {counts}; {proof.over_a_limit()} over a limit",
        ("circuit or group", "verdict", "shared and avoidable", "record gaps", "limits"),
        rows,
        left_out=len(order) - len(rows),
    )


def _row(proof: ProofData, trial: int) -> tuple[object, ...]:
    avoidable = proof.sharing.avoidable
    held = csr_row(avoidable, trial).tolist()
    names = [proof.names[asset][0] for asset in held if (trial, asset) not in proof.sharing.through]
    told = few(names, _MOST_NAMES)
    if not names and proof.verdicts[trial] in ("shared", "accepted"):
        told = "nothing; the ways come near or cross"
    is_circuit = trial < proof.circuit_count
    limits = _LIMITS[proof.limits[trial].within] if is_circuit else None
    return proof.trials[trial].id, proof.verdicts[trial], told, len(proof.gaps_of[trial]), limits
