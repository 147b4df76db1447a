"""`waysapart prove` and `recheck`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from waysapart.cli.common import (
    busy,
    collect_seldom,
    force_option,
    json_option,
    load,
    need_circuits,
    on_option,
    output,
    study_argument,
    telling_errors,
    write_json,
    write_out,
)
from waysapart.errors import CallError
from waysapart.text import few

if TYPE_CHECKING:  # pydantic is heavy, and --help needs none of it
    from waysapart.evidence import Circuit, Group


@click.command(short_help="Verdicts, shared assets, separation, loss, delay, availability.")
@study_argument
@json_option
@click.option(
    "--json-lines",
    "lines_file",
    metavar="FILE",
    help="Write the same facts with one fact to a line, for comparing two of them line by line; "
    "- for standard output.",
)
@click.option(
    "--circuit",
    "-c",
    multiple=True,
    help="Show one circuit or group in full, with waivers to sign for its findings; in JSON with "
    "its separation profile. Repeatable.",
)
@click.option("--quiet", "-q", is_flag=True, help="Only the answer and the counts.")
@on_option
@force_option
@telling_errors
def prove(
    study: Path,
    json_file: str | None,
    lines_file: str | None,
    circuit: tuple[str, ...],
    quiet: bool,
) -> None:
    """Prove which circuits' main and alternate paths are apart, and within their limits.

    Exit status: 0 all apart or accepted and within limits, 1 something shared or outside a limit,
    3 neither, but something is unproven, 2 wrong input.

    Limits, separation and waivers are rules: rules.toml, explained in docs/rules.md.

    \b
    Examples:
        waysapart prove examples/estuary
        waysapart prove examples/estuary --circuit C03
        waysapart prove examples/estuary --json evidence.json
        waysapart prove examples/estuary --json-lines facts.jsonl
    """
    from waysapart.evidence_file import in_file
    from waysapart.evidence_lines import fact_lines
    from waysapart.report.terminal import show_circuit, show_offers, show_proof
    from waysapart.verdicts.facts import profile_facts
    from waysapart.verdicts.prove import prove as prove_study
    from waysapart.verdicts.waiver_offers import give_records

    if json_file == lines_file == "-":
        raise CallError("--json and --json-lines cannot both go to standard output")
    records = load(study)
    need_circuits(records)
    with busy("proving"):
        proof = prove_study(records)
        facts = proof.facts()
    every: list[Circuit | Group] = [*facts["groups"], *facts["circuits"]]
    found = {one["id"]: one for one in every}
    unknown = [name for name in circuit if name not in found]
    if unknown:
        raise CallError(f"no circuit or group is called {', '.join(unknown)} in this study")
    if circuit:
        give_records(proof, facts, circuit)
    if circuit and (json_file, lines_file) != (None, None):
        facts["profiles"] = [profile_facts(proof, name) for name in circuit]
    told = write_json(json_file, facts, in_file)
    if lines_file is not None:
        lines = "".join(f"{line}\n" for line in fact_lines(facts))
        told = write_out(lines_file, lines) or told
    if not told:
        console = output()
        if circuit:
            for name in circuit:
                show_circuit(console, facts, name)
            show_offers(console, [found[name] for name in circuit], facts["waivers"])
        else:
            show_proof(console, facts, quiet=quiet)
    sys.exit(proof.exit_code())


# --- `waysapart recheck`.

FEW = 8
"""Names that are listed before the rest are counted."""


@click.command(short_help="Check evidence, of prove --json or in a report, against the layers.")
@click.argument("study", type=click.Path(path_type=Path), metavar="STUDY")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE")
@json_option
@force_option
@telling_errors
def recheck(study: Path, file: Path, json_file: str | None) -> None:
    """Check evidence against the layers, sharing no code with the prover.

    FILE is what `prove --json` wrote, or `reroute --json` for its proofs that no
    separate pair exists, or a report, which carries its evidence. Says what is true,
    what is false, what could not be checked, and which inputs have changed since.

    Exit status: 0 nothing is false, 1 something is false, 2 wrong call or input.

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
        console.print(styled(f"SHA-256 of the evidence: {found['sha256']}"), soft_wrap=True)
        style = "red" if found["false"] else "green"
        count = f"{found['confirmed']} claims confirmed, {len(found['false'])} {label}"
        console.print(styled(f"{count}, {len(found['not_checked'])} not checked", style))
    sys.exit(1 if found["false"] else 0)
