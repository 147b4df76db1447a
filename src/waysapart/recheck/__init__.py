"""Check evidence against the layers with as little as it takes: plain sets, plain sums.

Shares no analysis code with the prover: nothing of waysapart is imported here but
`waysapart.errors`. The order in which to read it: `reading` (files to rows),
`ground`, `cables`, `links`, `paths` (what is tied to what), `reliance` (sets by
breadth-first search), `world` (all of it put together), `sharing`, `figures`,
`apart` (what follows), `claims`, `spacing`, `sums` (the evidence held against it),
`no_pair` (proofs that no separate pair exists).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

__all__ = ["recheck"]


def recheck(study: str | Path, file: str | Path) -> dict[str, Any]:
    """Confirm the evidence of `prove --json` (or of `reroute --json`) against a study's layers.

    Parameters
    ----------
    study : path
        The study's folder or TOML file.
    file : path
        What `prove --json` wrote.

    Returns
    -------
    dict
        `confirmed`, how many claims hold; `false` and `not_checked`, a sentence each;
        `verdicts`, how many circuits and groups hold in full, and those that hold but for what
        was not checked; `changed_inputs`, the files that are not what they were.

    Raises
    ------
    StudyError
        The study or the file cannot be read.
    """
    from waysapart.recheck.run import run

    return run(Path(study), Path(file))
