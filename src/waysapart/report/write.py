"""Write the report of a proof."""

from __future__ import annotations

from pathlib import Path
from typing import Any, cast

from waysapart.evidence_file import in_file
from waysapart.output_files import OutputFile, refuse_unsafe, write_text
from waysapart.report.geometry import Facts, effects, holdings, proof_geometry, worst_places
from waysapart.report.lookup import working_grid
from waysapart.report.map import Tiles, frame
from waysapart.report.page import render_report
from waysapart.report.profile_svg import circuits_to_draw, profile_svg
from waysapart.report.redaction import Outside, reduced
from waysapart.report.strip_layout import strips
from waysapart.report.view import ReportFacts
from waysapart.study.settings import files_of
from waysapart.verdicts.prove import Proof
from waysapart.whatif.compare import Side, compare

_BEYOND = frozenset({"strips", "effects", "holdings", "worst", "grid", "since", "file_dates"})
"""What the page shows beyond the facts of the proof."""


def write_report(
    proof: Proof,
    path: str | Path,
    *,
    tiles: Tiles | None = None,
    since: Side | None = None,
    outside: Outside | None = None,
    force: bool = False,
) -> Path:
    """Write a proof as one self-contained HTML file.

    Parameters
    ----------
    proof : Proof
        From `prove`.
    path : path
        Where to; an old file there is replaced only by a whole new one.
    tiles : Tiles, optional
        A background map. Without it the file asks the network for nothing.
    since : path, facts, Study or Proof, optional
        An earlier revision, such as the evidence that `prove --json` wrote of
        it; the report says what has changed.
    outside : Outside, optional
        For readers who must not learn where plant lies: ids, names, exact figures and
        coordinates are replaced, see `waysapart.report.redaction.reduced`. With the `secret` of
        `waysapart.report.redaction.kept_secret` the next report has the same new ids.
    force : bool
        Whether a file that waysapart did not write may be replaced.

    Returns
    -------
    Path

    Raises
    ------
    CallError
        `since` holds no evidence of a proof; or `path` is an input of the study, or a file
        that waysapart did not write.
    WriteError
        The file cannot be written.

    Examples
    --------
    >>> import waysapart as wa
    >>> proof = wa.prove(wa.read_study("examples/estuary"))
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     wa.write_report(proof, f"{folder}/estuary.html").name
    'estuary.html'
    """
    target = OutputFile(Path(path), "html")
    inputs = [*proof.study.files, *(files_of(Path(since)) if isinstance(since, str | Path) else [])]
    refuse_unsafe([target], inputs, force=force)
    facts, geo = report_facts(proof, since=since)
    evidence: Facts | None = in_file({k: v for k, v in facts.items() if k not in _BEYOND})
    title = proof.study.name
    pictures = {}
    if outside is not None:
        facts, geo = reduced(facts, geo, proof.study.crs, outside)
        title = "Report for readers outside"
        evidence = None
    else:
        pictures = {name: profile_svg(proof, name) for name in circuits_to_draw(proof)}
    page = render_report(facts, geo, title=title, tiles=tiles, pictures=pictures, evidence=evidence)
    write_text(target, page, inputs, force=force)
    return target.path


def report_facts(proof: Proof, *, since: Side | None = None) -> tuple[ReportFacts, dict[str, Any]]:
    """Facts of a proof with all that the page shows beyond them, and its geometry.

    Returns
    -------
    facts : ReportFacts
        With `since` where an earlier revision is given.
    geo : dict
        See `proof_geometry`.
    """
    evidence, geo = proof.facts(), proof_geometry(proof)
    beyond = {
        "strips": strips(proof, evidence),
        "effects": effects(proof),
        "holdings": holdings(proof),
        "worst": worst_places(proof),
        "file_dates": [
            None if layer.modified is None else layer.modified.isoformat()
            for layer in proof.study.layers
        ],
        "grid": working_grid(proof.study.crs, frame(geo)),
        **({} if since is None else {"since": compare(since, proof).facts()}),
    }
    return cast(ReportFacts, {**evidence, **beyond}), geo
