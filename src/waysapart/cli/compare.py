"""`waysapart compare`."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from waysapart.cli.common import busy, json_option, output, telling_errors, write_json


@click.command(short_help="What a proposal changes, circuit by circuit.")
@click.argument("before", type=click.Path(path_type=Path, exists=True))
@click.argument("after", type=click.Path(path_type=Path, exists=True))
@json_option
@telling_errors
def compare(before: Path, after: Path, json_file: str | None) -> None:
    """Hold two studies against each other, circuit by circuit.

    BEFORE and AFTER are studies; BEFORE may be the evidence of an earlier proof
    (`prove --json`), for the periodic audit. A proposal is a study that `extends` another.

    Exit status: 0 nothing got worse, 1 something did, 2 wrong input.

    \b
    Examples:
        waysapart compare examples/estuary examples/proposal-a
        waysapart compare last-year.json examples/estuary
    """
    from waysapart.report.terminal_whatif import show_comparison
    from waysapart.whatif.compare import compare as compare_studies

    with busy("proving both"):
        found = compare_studies(before, after)
        facts = found.facts()
    if not write_json(json_file, facts):
        show_comparison(output(), facts)
    sys.exit(found.exit_code())
