"""`waysapart check`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from waysapart.cli.common import (
    WRONG,
    busy,
    json_option,
    load,
    on_option,
    output,
    study_argument,
    tell_study_error,
    telling_errors,
    write_json,
)
from waysapart.errors import StudyError


@click.command(short_help="Read and tie everything; list errors and record gaps.")
@study_argument
@json_option
@on_option
@telling_errors
def check(study: Path, json_file: str | None) -> None:
    """Read and tie everything; list errors and record gaps, each with where it stands.

    Exit status: 0 nothing amiss, 3 gaps, 2 errors.

    \b
    Example:
        waysapart check examples/estuary
    """
    from waysapart.network.tie import tie
    from waysapart.report.terminal import show_gaps, styled
    from waysapart.report.words import count_of
    from waysapart.study.gap_list import folded_gaps

    try:
        records = load(study)
    except StudyError as error:
        problems: list[Any] = [problem.as_dict() for problem in error.problems]
        write_json(json_file, {"errors": problems, "gaps": []})
        tell_study_error(error)
        sys.exit(WRONG)
    with busy("tying circuits to the plant"):
        network = tie(records)
    gaps = folded_gaps(network.gaps)
    if not write_json(json_file, {"errors": [], "gaps": gaps, "notes": list(records.notes)}):
        console = output()
        rows = [
            count_of(len(table), role.rstrip("s") if len(table) == 1 else role, role)
            for role, table in records.tables.items()
            if len(table)
        ]
        console.print(
            styled(f"{records.name}: {', '.join(rows).replace('_', ' ') or 'no rows yet'}")
        )
        for note in records.notes:
            console.print(styled(f"note: {note}"))
        if gaps:
            console.print(styled(f"{count_of(len(network.gaps), 'record gap')}:", "bold"))
            show_gaps(console, gaps)
        else:
            console.print(styled("no errors and no record gaps", "green"))
    sys.exit(3 if gaps else 0)
