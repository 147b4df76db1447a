"""`waysapart recheck`."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from waysapart.cli.common import (
    busy,
    collect_seldom,
    force_option,
    json_option,
    output,
    telling_errors,
    write_json,
)
from waysapart.shown import few

FEW = 8
"""Names that are told one by one."""


@click.command(short_help="Check evidence, of prove --json or in a report, against the layers.")
@click.argument("study", type=click.Path(path_type=Path), metavar="STUDY")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE")
@json_option
@force_option
@telling_errors
def recheck(study: Path, file: Path, json_file: str | None) -> None:
    """Check evidence against the layers, sharing no code with the prover.

    FILE is what `prove --json` wrote, or `reroute --json` for its proofs that no
    separate pair exists, or a report, which carries its evidence. Says what holds,
    what is false, what could not be checked, and which inputs have changed since.

    Exit status: 0 nothing is false, 1 something is, 2 wrong call or input.

    \b
    Example:
        waysapart recheck examples/estuary evidence.json
        waysapart recheck examples/estuary report.html
    """
    from waysapart.recheck import recheck as check
    from waysapart.report.terminal import styled

    collect_seldom()
    with busy("checking the evidence"):
        found = check(study, file)
    if not write_json(json_file, found):
        console = output()
        label = "no longer true" if found["changed_inputs"] else "false"
        for sentence in found["false"]:
            console.print(styled(f"{label}: {sentence}", "bold red"))
        for sentence in found["changed_inputs"]:
            console.print(styled(f"input: {sentence}", "yellow"))
        for sentence in found["not_checked"]:
            console.print(styled(f"not checked: {sentence}"))
        verdicts = found["verdicts"]
        sound = f"{verdicts['confirmed']} verdicts confirmed"
        if but := verdicts["confirmed_except"]:
            ids = few((one["id"] for one in but), FEW)
            sound += f", {len(but)} confirmed except for what was not checked: {ids}"
        console.print(styled(sound))
        style = "red" if found["false"] else "green"
        count = f"{found['confirmed']} claims confirmed, {len(found['false'])} {label}"
        console.print(styled(f"{count}, {len(found['not_checked'])} not checked", style))
    sys.exit(1 if found["false"] else 0)
