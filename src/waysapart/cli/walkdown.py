"""`waysapart walkdown`."""

from __future__ import annotations

from pathlib import Path

import click

from waysapart.cli.common import (
    busy,
    check_html,
    force_option,
    forced,
    json_option,
    load,
    need_circuits,
    on_option,
    output,
    study_argument,
    telling_errors,
    write_json,
)


@click.command(short_help="The records to look at on site before a proof is signed.")
@study_argument
@click.option(
    "--circuit", "-c", multiple=True, help="Only this circuit or group. Repeatable; default: all."
)
@click.option(
    "--top",
    type=click.IntRange(min=1),
    default=5,
    show_default=True,
    help="Records for each circuit and group.",
)
@click.option(
    "--reach",
    type=click.FloatRange(min=0, min_open=True),
    default=50.0,
    show_default=True,
    help="How far the truth may lie from the record, in metres.",
)
@click.option(
    "-o",
    "--output",
    "target",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Also write the sheet to take to site, as one HTML file to print.",
)
@click.option(
    "--csv",
    "sheet_csv",
    metavar="FILE",
    help="Also write a table with columns for what is found.",
)
@json_option
@on_option
@force_option
@telling_errors
def walkdown(
    study: Path,
    circuit: tuple[str, ...],
    top: int,
    reach: float,
    target: Path | None,
    sheet_csv: str | None,
    json_file: str | None,
) -> None:
    """List the records of which a single error would undo a verdict of apart, ranked.

    For each circuit and group that is apart: the cable runs, ends, holders, joints, feeds, cords
    and positions to look at on site before the proof is signed. A record with a day in `surveyed`
    counts as walked down and comes last. What is found is entered as `surveyed` and as corrected
    columns in the layers; `compare SIGNED.json STUDY` then shows it.

    Exit status: 0 when it did its work, 2 wrong input.

    \b
    Examples:
        waysapart walkdown examples/estuary
        waysapart walkdown examples/estuary --circuit C14 -o walkdown.html
        waysapart walkdown examples/estuary --csv walkdown.csv
    """
    from waysapart.output_files import OutputFile, write_text
    from waysapart.report.walkdown import SHEET_HEADING, show_walkdown, walkdown_csv
    from waysapart.report.walkdown_page import write_walkdown
    from waysapart.whatif.walkdown import hangs_on

    check_html(target)
    records = load(study)
    need_circuits(records)
    with busy("finding what the proof hangs on"):
        found = hangs_on(records, circuits=circuit or None, top=top, reach_m=reach)
        facts = found.facts()
    if target is not None:
        with busy("writing the sheet"):
            write_walkdown(found, target, force=forced())
    if sheet_csv is not None:
        where = OutputFile(Path(sheet_csv), "csv", SHEET_HEADING)
        write_text(where, walkdown_csv(facts), records.files, force=forced())
    if not write_json(json_file, facts):
        show_walkdown(output(), facts)
