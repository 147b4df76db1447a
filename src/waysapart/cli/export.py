"""`waysapart export`."""

from __future__ import annotations

from pathlib import Path

import click

from waysapart.cli.common import (
    busy,
    force_option,
    forced,
    load,
    on_option,
    output,
    study_argument,
    telling_errors,
)


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
