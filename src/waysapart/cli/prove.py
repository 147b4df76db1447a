"""`waysapart prove`."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from waysapart.cli.common import (
    busy,
    force_option,
    json_option,
    load,
    need_circuits,
    on_option,
    output,
    study_argument,
    telling_errors,
    write_json,
)
from waysapart.errors import CallError
from waysapart.evidence import Circuit, Group


@click.command(short_help="Verdicts, shared assets, separation, loss, delay, availability.")
@study_argument
@json_option
@click.option(
    "--circuit",
    "-c",
    multiple=True,
    help="Show one circuit or group whole, with waivers to sign for what stands against it, in "
    "JSON with its separation profile; repeatable.",
)
@click.option("--quiet", "-q", is_flag=True, help="Only the answer and the counts.")
@on_option
@force_option
@telling_errors
def prove(study: Path, json_file: str | None, circuit: tuple[str, ...], quiet: bool) -> None:
    """Prove which circuits' main and alternate ways are apart, and within their limits.

    Exit status: 0 all apart or accepted and within limits, 1 something shared or over a limit,
    3 nothing shared but something unproven, 2 wrong input.

    \b
    Examples:
        waysapart prove examples/estuary
        waysapart prove examples/estuary --circuit C03
        waysapart prove examples/estuary --json evidence.json
    """
    from waysapart.report.terminal import show_circuit, show_offers, show_proof
    from waysapart.verdicts.facts_profile import profile_facts
    from waysapart.verdicts.offers import give_records
    from waysapart.verdicts.prove import prove as prove_study

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
    if circuit and json_file is not None:
        facts["profiles"] = [profile_facts(proof, name) for name in circuit]
    if not write_json(json_file, facts):
        console = output()
        if circuit:
            for name in circuit:
                show_circuit(console, facts, name)
            show_offers(console, [found[name] for name in circuit], facts["waivers"])
        else:
            show_proof(console, facts, quiet=quiet)
    sys.exit(proof.exit_code())
