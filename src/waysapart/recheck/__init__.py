"""Check evidence against the layers with as little as it takes: plain sets, plain sums.

Shares no analysis code with the prover: nothing of waysapart is imported here but
the table of columns, the gap codes, the form of evidence and the reader of bytes.
Each module answers one question, and holds the claims about it:

| module | question |
| --- | --- |
| `evidence` | what is claimed, and what of it holds? |
| `faulty_rows` | what does a row say, and what if it is faulty? |
| `workbooks` | what do the cells of a sheet say? |
| `places` | where does everything lie, and how far from anything else? |
| `records` | what do the study's files and rules say? |
| `plant` | which segments, cables and links are tied to what? |
| `trace` | what is joined to a fibre or a port, and where does a walk from port to port lead? |
| `traced` | what follows from the traces of links? |
| `figures` | what does each link measure: length, delay, loss? |
| `paths` | which links does a path take? |
| `reliance` | what does a path rely on? |
| `sharing` | what do paths share, and what of it is waived? |
| `separation` | how far apart do paths run, and where do they cross? |
| `limits` | are lengths, delays and losses as claimed, and within limits? |
| `availability` | how much of the time are paths down? |
| `gaps` | which gaps do the records have, and whom do they touch? |
| `verdicts` | do the verdicts follow, and on what rules and ages? |
| `no_pair` | does a proof that no separate pair exists hold? |
| `budgets` | what do proposals cost? |
| `run` | in which order is all of it checked? |

Modules are listed in the order of their imports.
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
        was not checked; `changed_inputs`, the files that are not what they were; `sha256`, the
        digest of the evidence, as a report prints it where it is signed.

    Raises
    ------
    StudyError
        The study or the file cannot be read.
    """
    from waysapart.recheck.run import run

    return run(Path(study), Path(file))
