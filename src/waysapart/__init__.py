"""waysapart proves the route diversity of protection circuits round a communications ring.

A circuit is apart when no single event can put both its main and its alternate path out of
service.

>>> import waysapart as wa
>>> study = wa.read_study("examples/estuary")
>>> proof = wa.prove(study)
>>> proof.counts()
{'shared': 14, 'unproven': 3, 'accepted': 1, 'apart': 15}
"""

from __future__ import annotations

from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

from waysapart.errors import CallError, Problem, StudyError, WaysapartError, WriteError
from waysapart.schema import VERSION

if TYPE_CHECKING:
    from waysapart.evidence import RecordFirst
    from waysapart.evidence_lines import fact_lines, read_facts, with_ids
    from waysapart.export.due_calendar import write_due
    from waysapart.export.field_files import write_field_files
    from waysapart.export.geopackage import export
    from waysapart.findings.splices import splice_table
    from waysapart.network.build_network import Network, link_traces, tie
    from waysapart.network.spares import Spares, spare_fibres
    from waysapart.report.cards import write_cards
    from waysapart.report.compare_page import write_comparison
    from waysapart.report.explore import explore
    from waysapart.report.map import Tiles
    from waysapart.report.reroute_page import write_reroute
    from waysapart.report.walkdown_page import write_walkdown
    from waysapart.report.works_page import write_notice
    from waysapart.report.write import write_report
    from waysapart.reroute.api import Reroute, reroute
    from waysapart.reroute.new_plant.candidates import Candidates
    from waysapart.study.model import Study
    from waysapart.study.read import read_study
    from waysapart.verdicts.prove import Proof, prove
    from waysapart.verdicts.record_first import record_first
    from waysapart.whatif.compare import Comparison, compare
    from waysapart.whatif.dig import Dig, dig, outage
    from waysapart.whatif.due import due
    from waysapart.whatif.plan import WorksPlan, plan_works
    from waysapart.whatif.regions import largest_sets
    from waysapart.whatif.walkdown import WalkDown, hangs_on
    from waysapart.whatif.worst import Contingency, Worst, contingency, worst

__version__ = VERSION

_WHERE = {
    "Candidates": "waysapart.reroute.new_plant.candidates",
    "Comparison": "waysapart.whatif.compare",
    "Contingency": "waysapart.whatif.worst",
    "Dig": "waysapart.whatif.dig",
    "Network": "waysapart.network.build_network",
    "Proof": "waysapart.verdicts.prove",
    "RecordFirst": "waysapart.evidence",
    "Reroute": "waysapart.reroute.api",
    "Spares": "waysapart.network.spares",
    "Study": "waysapart.study.model",
    "Tiles": "waysapart.report.map",
    "WalkDown": "waysapart.whatif.walkdown",
    "WorksPlan": "waysapart.whatif.plan",
    "Worst": "waysapart.whatif.worst",
    "compare": "waysapart.whatif.compare",
    "contingency": "waysapart.whatif.worst",
    "dig": "waysapart.whatif.dig",
    "due": "waysapart.whatif.due",
    "explore": "waysapart.report.explore",
    "export": "waysapart.export.geopackage",
    "fact_lines": "waysapart.evidence_lines",
    "hangs_on": "waysapart.whatif.walkdown",
    "largest_sets": "waysapart.whatif.regions",
    "outage": "waysapart.whatif.dig",
    "plan_works": "waysapart.whatif.plan",
    "prove": "waysapart.verdicts.prove",
    "read_facts": "waysapart.evidence_lines",
    "read_study": "waysapart.study.read",
    "record_first": "waysapart.verdicts.record_first",
    "reroute": "waysapart.reroute.api",
    "spare_fibres": "waysapart.network.spares",
    "tie": "waysapart.network.build_network",
    "with_ids": "waysapart.evidence_lines",
    "worst": "waysapart.whatif.worst",
    "write_comparison": "waysapart.report.compare_page",
    "link_traces": "waysapart.network.build_network",
    "splice_table": "waysapart.findings.splices",
    "write_cards": "waysapart.report.cards",
    "write_due": "waysapart.export.due_calendar",
    "write_field_files": "waysapart.export.field_files",
    "write_notice": "waysapart.report.works_page",
    "write_report": "waysapart.report.write",
    "write_reroute": "waysapart.report.reroute_page",
    "write_walkdown": "waysapart.report.walkdown_page",
}

__all__ = [
    "CallError",
    "Candidates",
    "Comparison",
    "Contingency",
    "Dig",
    "Network",
    "Problem",
    "Proof",
    "RecordFirst",
    "Reroute",
    "Spares",
    "Study",
    "StudyError",
    "Tiles",
    "WalkDown",
    "WaysapartError",
    "WorksPlan",
    "Worst",
    "WriteError",
    "__version__",
    "compare",
    "contingency",
    "dig",
    "due",
    "explore",
    "export",
    "fact_lines",
    "hangs_on",
    "largest_sets",
    "link_traces",
    "outage",
    "plan_works",
    "prove",
    "read_facts",
    "read_study",
    "record_first",
    "reroute",
    "spare_fibres",
    "splice_table",
    "tie",
    "with_ids",
    "worst",
    "write_cards",
    "write_comparison",
    "write_due",
    "write_field_files",
    "write_notice",
    "write_report",
    "write_reroute",
    "write_walkdown",
]


def __getattr__(name: str) -> Any:
    """Load the stages when they are first asked for, so that `--help` stays quick."""
    if name in _WHERE:
        return getattr(import_module(_WHERE[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


class CallablePackage(ModuleType):
    """A package that may be called like the one function of `waysapart` that has its name.

    Importing `waysapart.export` makes the package an attribute of `waysapart`, in the
    place of the function of the same name.
    """

    def __call__(self, *args: Any, **kwargs: Any) -> Any:
        """Call the function."""
        return __getattr__(self.__name__.rpartition(".")[2])(*args, **kwargs)
