"""`waysapart report` and `export`: files for readers and for a GIS."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from waysapart.cli.common import (
    busy,
    check_html,
    force_option,
    forced,
    load,
    need_circuits,
    on_option,
    output,
    study_argument,
    telling_errors,
)
from waysapart.errors import CallError


@click.command(short_help="The proof as one self-contained HTML file with a map.")
@study_argument
@click.option(
    "-o",
    "--output",
    "target",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    help="The HTML file to write.",
)
@click.option(
    "--background",
    metavar="URL",
    help="Fetch a background map when the report is opened, from a tile address with {z}, {x} "
    "and {y}. Without it the report asks the network for nothing.",
)
@click.option(
    "--attribution", default="", help="Attribution that the background map's licence requires."
)
@click.option(
    "--since",
    type=click.Path(path_type=Path, exists=True),
    metavar="EVIDENCE",
    help="Say what has changed since an earlier proof: the file that `prove --json` wrote of it.",
)
@click.option(
    "--share-outside",
    is_flag=True,
    help="For readers who must not learn where plant lies: the file holds no name, id, free text, "
    "exact figure or coordinate of the study. New ids follow from a secret kept beside the study, "
    "in .waysapart-secret.",
)
@click.option(
    "--grid",
    "grid_m",
    type=float,
    metavar="METRES",
    help="With --share-outside: keep a map, with coordinates rounded to a grid of this width.",
)
@on_option
@force_option
@telling_errors
def report(
    study: Path,
    target: Path,
    background: str | None,
    attribution: str,
    since: Path | None,
    share_outside: bool,
    grid_m: float | None,
) -> None:
    """Write the proof as one HTML file that opens in any browser, without a network.

    Exit status: that of `prove`.

    \b
    Examples:
        waysapart report examples/estuary -o estuary.html
        waysapart report examples/estuary -o outside.html --share-outside --grid 2000
        waysapart report . -o revision-b.html --since revision-a.json
    """
    from waysapart.report.map import Tiles
    from waysapart.report.redaction import Outside, kept_secret
    from waysapart.report.terminal import show_proof, styled
    from waysapart.report.write import write_report
    from waysapart.verdicts.prove import prove

    tiles = None
    if background is not None:
        try:
            tiles = Tiles(background, attribution)
        except ValueError as error:
            raise CallError(f"--background: {error}") from error
    check_html(target)
    if grid_m is not None and not share_outside:
        raise CallError("--grid belongs to --share-outside; a full report keeps its coordinates")
    if share_outside and tiles is not None:
        raise CallError(
            "--background would fetch the very places that --share-outside leaves out; give one"
        )
    outside = Outside(grid_m) if share_outside else None
    records = load(study)
    need_circuits(records)
    said = None
    if outside is not None:
        secret, said = kept_secret(records.folder)
        outside = Outside(grid_m, secret)
    with busy("proving"):
        proof = prove(records)
    with busy("writing the report"):
        write_report(proof, target, tiles=tiles, since=since, outside=outside, force=forced())
    console = output()
    show_proof(console, proof.facts(), quiet=True)
    console.print(styled(f"report: {target}"))
    if said is not None:
        console.print(styled(said))
    sys.exit(proof.exit_code())


# --- `waysapart export`.


@click.command(short_help="Findings and tied network as GIS layers.")
@study_argument
@click.option(
    "-o",
    "--output",
    "package",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    help="The GeoPackage to write.",
)
@on_option
@force_option
@telling_errors
def export(study: Path, package: Path) -> None:
    """Write the tied network, paths, findings and contingency counts as a GeoPackage.

    \b
    Example:
        waysapart export examples/estuary -o estuary-findings.gpkg
    """
    from waysapart.export.geopackage import export as write_layers
    from waysapart.report.terminal import styled

    records = load(study)
    with busy("writing the layers"):
        written = write_layers(records, package, force=forced())
    console = output()
    for path in written:
        console.print(styled(path))
