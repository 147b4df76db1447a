"""`waysapart compare`."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from waysapart.cli.common import (
    asked_day,
    busy,
    check_html,
    force_option,
    forced,
    json_option,
    on_option,
    output,
    telling_errors,
    write_json,
)


@click.command(short_help="What a proposal changes, circuit by circuit.")
@click.argument("before", type=click.Path(path_type=Path, exists=True))
@click.argument("after", type=click.Path(path_type=Path, exists=True))
@click.option(
    "-o",
    "--output",
    "target",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Also write one HTML file, with the plant of both studies on one map.",
)
@json_option
@on_option
@force_option
@telling_errors
def compare(before: Path, after: Path, target: Path | None, json_file: str | None) -> None:
    """Compare two studies, circuit by circuit.

    BEFORE and AFTER are studies; BEFORE may be the evidence of an earlier proof
    (`prove --json`), for the periodic audit. A proposal is a study that `extends` another.

    Exit status: 0 nothing got worse, 1 something did, 2 wrong input.

    \b
    Examples:
        waysapart compare examples/estuary examples/proposal-a
        waysapart compare last-year.json examples/estuary
        waysapart compare examples/estuary examples/proposal-b -o crossing.html
    """
    from waysapart.report.compare_page import write_comparison
    from waysapart.report.terminal import show_comparison
    from waysapart.whatif.compare import compare as compare_studies

    check_html(target)
    with busy("proving both"):
        found = compare_studies(before, after, on=asked_day())
        facts = found.facts()
    if target is not None:
        with busy("writing the report"):
            write_comparison(found, target, force=forced())
    if not write_json(json_file, facts):
        show_comparison(output(), facts)
    sys.exit(found.exit_code())
