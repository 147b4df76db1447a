"""`waysapart report`."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from waysapart.cli.common import busy, load, output, study_argument, telling_errors
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
@click.option("--attribution", default="", help="What the background map's licence wants said.")
@telling_errors
def report(study: Path, target: Path, background: str | None, attribution: str) -> None:
    """Write the proof as one HTML file that a reviewer can open without network or program.

    Exit status as of `prove`.

    \b
    Example:
        waysapart report examples/estuary -o estuary.html
    """
    from waysapart.report.map import Tiles
    from waysapart.report.terminal import show_proof, styled
    from waysapart.report.write import write_report
    from waysapart.verdicts.prove import prove

    tiles = None
    if background is not None:
        try:
            tiles = Tiles(background, attribution)
        except ValueError as error:
            raise CallError(f"--background: {error}") from error
    if target.suffix.lower() not in (".html", ".htm"):
        raise CallError(f"-o {target}: the report is HTML; give it a name that ends in .html")
    records = load(study)
    with busy("proving"):
        proof = prove(records)
    with busy("writing the report"):
        write_report(proof, target, tiles=tiles)
    console = output()
    show_proof(console, proof.facts(), quiet=True)
    console.print(styled(f"report: {target}"))
    sys.exit(proof.exit_code())
