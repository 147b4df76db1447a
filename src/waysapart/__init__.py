"""waysapart proves that the two ways of protection circuits share nothing one event could take.

import waysapart as wa

study = wa.read_study("examples/estuary")
proof = wa.prove(study)
proof.counts()
"""

from __future__ import annotations

from importlib import import_module
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Any

from waysapart.errors import CallError, Problem, StudyError, WaysapartError

if TYPE_CHECKING:
    from waysapart.network.tie import Network, tie
    from waysapart.report.write import write_report
    from waysapart.study.model import Study
    from waysapart.study.read import read_study
    from waysapart.verdicts.prove import Proof, prove

try:
    __version__ = version("waysapart")
except PackageNotFoundError:  # run from a source tree that was never installed
    __version__ = "0+unknown"

_WHERE = {
    "Network": "waysapart.network.tie",
    "Proof": "waysapart.verdicts.prove",
    "Study": "waysapart.study.model",
    "prove": "waysapart.verdicts.prove",
    "read_study": "waysapart.study.read",
    "tie": "waysapart.network.tie",
    "write_report": "waysapart.report.write",
}

__all__ = [
    "CallError",
    "Network",
    "Problem",
    "Proof",
    "Study",
    "StudyError",
    "WaysapartError",
    "__version__",
    "prove",
    "read_study",
    "tie",
    "write_report",
]


def __getattr__(name: str) -> Any:
    """Load the stages when they are first asked for, so that `--help` stays quick."""
    if name in _WHERE:
        return getattr(import_module(_WHERE[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
