"""`waysapart blank`."""

from __future__ import annotations

from pathlib import Path

import click

from waysapart.cli.common import force_option, forced, output, telling_errors


@click.command(short_help="Empty layers with the right columns to fill in.")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.option("--crs", default="EPSG:4326", show_default=True, help="CRS of the empty layers.")
@force_option
@telling_errors
def blank(folder: Path, crs: str) -> None:
    """Write empty layers with the right columns, a study.toml and a rules.toml, each key explained.

    \b
    Example:
        waysapart blank my-ring --crs EPSG:25832
    """
    from waysapart.report.terminal import styled
    from waysapart.study.blank import write_blank

    console = output()
    for path in write_blank(folder, crs, force=forced()):
        console.print(styled(path))
    console.print(styled("Fill them in, then run: waysapart check " + str(folder)))
