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
    json_text,
    on_option,
    output,
    telling_errors,
    write_json,
)
from waysapart.output_files import OutputFile, is_standard_output, marked_facts, write_texts


@click.command(short_help="What a proposal changes, circuit by circuit; the periodic audit.")
@click.argument("before", type=click.Path(path_type=Path, exists=True))
@click.argument("after", type=click.Path(path_type=Path, exists=True))
@click.option(
    "-o",
    "--output",
    "target",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Also write one HTML file: of two studies with both plants on one map; of an audit a page "
    "to sign.",
)
@click.option(
    "--due",
    "due_days",
    type=int,
    metavar="DAYS",
    help="Also list waivers, tests, surveys and leased statements that fall due within so many "
    "days. Default: 90 where BEFORE is evidence.",
)
@click.option(
    "--ics",
    "calendar",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Also write what falls due as a calendar file.",
)
@click.option(
    "--strict",
    is_flag=True,
    help="Exit status 3 where nothing got worse, but something has to be signed again.",
)
@json_option
@on_option
@force_option
@telling_errors
def compare(
    before: Path,
    after: Path,
    target: Path | None,
    due_days: int | None,
    calendar: Path | None,
    strict: bool,
    json_file: str | None,
) -> None:
    """Compare two studies, circuit by circuit, or hold a study against signed evidence.

    BEFORE and AFTER are studies. For the periodic audit BEFORE is the evidence of an earlier
    proof, what `prove --json` wrote or the report that was signed: which records, rules, waivers
    and days are the cause, which signatures still hold, and what falls due. A proposal is a study
    that `extends` another.

    Exit status: 0 nothing got worse; 1 something did; 2 wrong input. With --strict, in an audit: 3
    nothing got worse, but a signature has lapsed, or something came that nobody has signed.

    \b
    Examples:
        waysapart compare examples/estuary examples/proposal-a
        waysapart compare last-year.json examples/estuary
        waysapart compare signed.json examples/estuary --strict --ics due.ics -o audit.html
        waysapart compare signed-report.html examples/estuary --on 2027-03-31
        waysapart compare examples/estuary examples/proposal-b -o crossing.html
    """
    from waysapart.report.audit_terminal import show_audit
    from waysapart.report.compare_page import comparison_page
    from waysapart.report.terminal import show_comparison
    from waysapart.whatif.compare import compare as compare_studies
    from waysapart.whatif.due import DUE_DAYS, check_days

    check_html(target)
    if calendar is not None:
        from waysapart.export.due_calendar import calendar_file, due_calendar

        calendar_file(calendar)
    if due_days is not None:
        check_days(due_days)
    days = DUE_DAYS if due_days is None and calendar is not None else due_days
    with busy("proving both"):
        found = compare_studies(before, after, on=asked_day(), due_days=days)
        facts = found.facts()
    texts: dict[OutputFile, str] = {}
    if target is not None:
        with busy("writing the report"):
            texts[OutputFile(target, "html")] = comparison_page(found)
    if calendar is not None and found.due is not None:
        texts[calendar_file(calendar)] = due_calendar(found.due)
    told = json_file is not None and (json_file == "-" or is_standard_output(Path(json_file)))
    if json_file is not None and not told:
        texts[OutputFile(Path(json_file), "json")] = json_text(marked_facts(facts)) + "\n"
    if texts:
        inputs = [file for proof in found.proofs if proof for file in proof.study.files]
        write_texts(texts, [before, *inputs], force=forced())
    if not told:
        show_comparison(output(), facts)
        show_audit(output(), facts)
    else:
        write_json(json_file, facts)
    sys.exit(found.exit_code(strict=strict))
