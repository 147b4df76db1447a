"""`waysapart check`, and the commands to begin with: `blank` and `demo`."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from waysapart.cli.common import (
    WRONG,
    busy,
    force_option,
    forced,
    json_option,
    load,
    on_option,
    output,
    study_argument,
    tell_study_error,
    telling_errors,
    write_json,
)
from waysapart.errors import CallError, Problem, StudyError
from waysapart.output_files import OutputFile, write_text

if TYPE_CHECKING:
    from waysapart.gaps import Gap


@click.command(short_help="Read the study, tie circuits to plant; list errors and record gaps.")
@study_argument
@json_option
@click.option(
    "--csv",
    "csv_file",
    metavar="FILE",
    help="Write the work list as CSV: a row for each record, those that decide most first.",
)
@click.option(
    "--strict",
    is_flag=True,
    help="Report records that contradict each other as errors, each with its row; "
    "for those who maintain the layers.",
)
@click.option(
    "--trace",
    "traced",
    metavar="LINK",
    help="Print what a link is traced over, from port to port, with the loss at each place.",
)
@click.option(
    "--splices",
    is_flag=True,
    help="Print every splice on record: its loss, where that figure comes from, its age and "
    "links; and how well their sums agree with end-to-end measurements.",
)
@click.option(
    "--cards",
    "cards_file",
    metavar="FILE",
    help="Write a card for each joint and panel as HTML, to print for the field.",
)
@click.option(
    "--spares",
    is_flag=True,
    help="Print the spare fibres of every cable, and those that are free from port to port.",
)
@on_option
@force_option
@telling_errors
def check(
    study: Path,
    json_file: str | None,
    csv_file: str | None,
    strict: bool,
    traced: str | None,
    splices: bool,
    cards_file: str | None,
    spares: bool,
) -> None:
    """Read the study, tie circuits to plant; list errors and record gaps with file and row.

    Records that contradict each other (an id twice, a reference to nothing, a cell that cannot
    be read) are gaps of what they touch. Only what makes the input unreadable is an error.

    Where circuits cannot be decided, `check` says which records to enter first: the fewest that
    decide the most circuits.

    Exit status: 0 neither errors nor gaps, 3 gaps, 2 errors.

    \b
    Examples:
        waysapart check examples/estuary
        waysapart check examples/estuary --csv to-record.csv
        waysapart check examples/estuary --strict
        waysapart check examples/estuary --trace L3
        waysapart check examples/estuary --splices
        waysapart check examples/estuary --spares
        waysapart check examples/estuary --cards cards.html
    """
    if sum((spares, splices, traced is not None)) > 1:
        raise click.UsageError(
            "--trace, --splices and --spares print different things: give one of them"
        )
    from waysapart.cli.as_built import tell_spares, tell_splices, tell_trace
    from waysapart.network.build_network import tie
    from waysapart.network.record_ages import record_ages
    from waysapart.report.compare_words import proposal_said, unread_said
    from waysapart.report.terminal import show_gaps, show_record_first, styled
    from waysapart.report.view import WORK_LIST_HEADING, work_list_csv
    from waysapart.report.words import age_line, count_of
    from waysapart.study.ledger import folded_gaps
    from waysapart.verdicts.prove import prove
    from waysapart.verdicts.record_first import NOTHING_OPEN, record_first
    from waysapart.whatif.proposal_plant import proposal_rows

    try:
        records = load(study, strict=strict)
        with busy("tying circuits to the plant"):
            network = tie(records)
        if strict:
            refuse_contradictions(network.gaps, records.notes)
    except StudyError as error:
        problems: list[Any] = [problem.as_dict() for problem in error.problems]
        failed = {"errors": problems, "gaps": [], "record_first": None, "notes": list(error.notes)}
        write_json(json_file, failed)
        tell_study_error(error)
        sys.exit(WRONG)
    if cards_file is not None:
        from waysapart.report.cards import write_cards

        written = write_cards(network, cards_file, force=forced())
        if json_file is None:
            output().print(styled(f"cards: {written}"))
    if traced is not None:
        tell_trace(network, traced, json_file)
    if splices:
        tell_splices(network, json_file)
    if spares:
        tell_spares(network, json_file)
    gaps = folded_gaps(network.gaps)
    with busy("looking for what to record first"):
        asked = bool(gaps) and len(records.tables["circuits"]) > 0
        first = record_first(prove(network)) if asked else NOTHING_OPEN
    if csv_file is not None:
        target = OutputFile(Path(csv_file), "csv", WORK_LIST_HEADING)
        write_text(target, work_list_csv(first, gaps), force=forced())
    ages = record_ages(records)
    named = [layer for layer in records.layers if layer.by_name]
    held = proposal_rows(None, records, None)
    facts = {
        "errors": [],
        "gaps": gaps,
        "record_first": first,
        "notes": list(records.notes),
        "ages": ages,
        "found_by_name": [
            {"role": one.role, "file": one.file, "layer": one.layer} for one in named
        ],
        "proposal": held,
        "unread": list(records.unread),
    }
    if not write_json(json_file, facts):
        console = output()
        rows = [
            count_of(len(table), role.rstrip("s") if len(table) == 1 else role, role)
            for role, table in records.tables.items()
            if len(table)
        ]
        console.print(
            styled(f"{records.name}: {', '.join(rows).replace('_', ' ') or 'no rows yet'}")
        )
        if named:
            by_file: dict[str, list[str]] = {}
            for one in named:
                by_file.setdefault(one.file, []).extend([one.layer] if one.layer else [])
            places = [
                file + (f" ({', '.join(layers)})" if layers else "")
                for file, layers in by_file.items()
            ]
            console.print(styled(f"found by name: {', '.join(places)}"))
        if held is not None:
            console.print(styled(proposal_said(held)))
        if records.unread:
            console.print(styled(unread_said(records.unread), "bold yellow"))
        for age in ages:
            console.print(styled(age_line(age)))
        for note in records.notes:
            console.print(styled(f"note: {note}"))
        if gaps:
            console.print(styled(f"{count_of(len(network.gaps), 'record gap')}:", "bold"))
            show_gaps(console, gaps)
            show_record_first(console, first)
        else:
            console.print(styled("no errors and no record gaps", "green"))
    sys.exit(3 if gaps else 0)


def refuse_contradictions(gaps: Sequence[Gap], notes: Sequence[str]) -> None:
    """Raise gaps of records that contradict each other as errors.

    Raises
    ------
    StudyError
    """
    from waysapart.gaps import CONTRADICTIONS

    found = [gap for gap in gaps if gap.code in CONTRADICTIONS]
    if found:
        raise StudyError(
            (
                Problem(gap.message, gap.file, gap.layer, gap.row, gap.column, gap.asset)
                for gap in found
            ),
            notes,
        )


# --- `waysapart blank`.


@click.command(short_help="Empty layers with the right columns to fill in.")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False), required=False)
@click.option(
    "--csv",
    "as_csv",
    is_flag=True,
    help="Write CSV for every role, geometry as text (WKT) or two numbers: no GIS is needed.",
)
@click.option(
    "--workbook",
    metavar="FILE.xlsx",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write one workbook instead: a sheet with explanations for each role, drop-down lists "
    "and checked cells. Name it study.xlsx.",
)
@click.option(
    "--plan",
    is_flag=True,
    help="Write an empty plan of works for `dig --plan` instead: works.gpkg, with --csv works.csv.",
)
@click.option("--crs", default="EPSG:4326", show_default=True, help="CRS of the empty layers.")
@force_option
@telling_errors
def blank(folder: Path | None, as_csv: bool, workbook: Path | None, plan: bool, crs: str) -> None:
    """Write empty layers with the right columns, a study.toml and a rules.toml, each key explained.

    \b
    Examples:
        waysapart blank my-ring --crs EPSG:25832
        waysapart blank --csv my-ring
        waysapart blank --workbook my-ring/study.xlsx
        waysapart blank --plan week-19
    """
    from waysapart.report.terminal import styled
    from waysapart.study.blank import write_blank, write_blank_plan, write_blank_workbook
    from waysapart.study.settings import STUDY_FILE, STUDY_WORKBOOK

    if workbook is not None and (as_csv or plan or folder is not None):
        raise CallError(
            "--workbook FILE.xlsx goes without FOLDER, --csv and --plan: FILE names its folder"
        )
    if workbook is None and folder is None:
        raise CallError("name the FOLDER to write to, or --workbook FILE.xlsx")
    console = output()
    if plan and folder is not None:
        tables: Literal["csv", "gpkg"] = "csv" if as_csv else "gpkg"
        written = write_blank_plan(folder, crs, tables=tables, force=forced())
        for path in written:
            console.print(styled(path))
        console.print(styled(f"Fill it in, then run: waysapart dig STUDY --plan {written[0]}"))
        return
    if workbook is not None:
        folder = workbook.parent
        paths = write_blank_workbook(workbook, crs, force=forced())
        if folder / STUDY_FILE not in paths:
            told = f"{folder / STUDY_FILE} was there before and stays as it is"
            if workbook.name != STUDY_WORKBOOK:
                told += f": name the sheets of {workbook.name} in it with [[layer]]"
            console.print(styled(told))
    else:
        assert folder is not None
        paths = write_blank(folder, crs, tables="csv" if as_csv else "gpkg", force=forced())
    for path in paths:
        console.print(styled(path))
    console.print(styled(f"Fill them in, then run: waysapart check {folder}"))


# --- `waysapart demo`.


@click.command(short_help="Write the example study, prove it, write its report.")
@click.argument(
    "folder", default="waysapart-demo", type=click.Path(path_type=Path, file_okay=False)
)
@force_option
@telling_errors
def demo(folder: Path) -> None:
    """Write the example study into FOLDER, prove it, write its report, and say where to look.

    The study is invented: an estuary with one trap for each reason why two paths that look
    apart are not. Two proposals that extend it and a week of works stand in folders of it.

    \b
    Example:
        waysapart demo
    """
    from waysapart.examples import BESIDE, write_example
    from waysapart.output_files import OutputFile, refuse_unsafe
    from waysapart.report.terminal import show_proof, styled
    from waysapart.report.write import write_report
    from waysapart.study.read import read_study
    from waysapart.verdicts.prove import prove

    target = OutputFile(folder / "report.html", "html")
    refuse_unsafe([target], force=forced(), folders=True)
    with busy("writing the example study"):
        write_example(folder, force=forced())
    with busy("proving"):
        proof = prove(read_study(folder))
        report = write_report(proof, target.path, force=forced())
    console = output()
    show_proof(console, proof.facts())
    console.print()
    console.print(styled(f"The study:  {folder}"))
    console.print(styled(f"The report: {report.resolve()}", "bold"))
    console.print(styled("Open the report in a browser; it needs no network."))
    console.print(styled(f"Next:       waysapart prove {folder} --circuit C03"))
    console.print(styled(f"            waysapart compare {folder} {folder / BESIDE[0]}"))
