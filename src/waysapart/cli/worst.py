"""`waysapart worst`."""

from __future__ import annotations

from pathlib import Path

import click

from waysapart.cli.common import (
    busy,
    force_option,
    json_option,
    load,
    on_option,
    output,
    study_argument,
    telling_errors,
    write_json,
)


@click.command(short_help="Single events, pairs of events and places, ranked by what they take.")
@study_argument
@json_option
@click.option(
    "--radius",
    type=click.FloatRange(min=0, min_open=True),
    default=50.0,
    show_default=True,
    help="Radius of the circle that ranks places, in metres.",
)
@click.option("--top", type=click.IntRange(min=1), default=10, show_default=True, help="Rows each.")
@click.option("--circuit", "-c", multiple=True, help="Only these circuits; repeatable.")
@on_option
@force_option
@telling_errors
def worst(
    study: Path, json_file: str | None, radius: float, top: int, circuit: tuple[str, ...]
) -> None:
    """Rank what would take most: one asset or hazard, two together, a circle on the ground.

    \b
    Example:
        waysapart worst examples/estuary --radius 100
    """
    from waysapart.report.terminal_whatif import show_worst
    from waysapart.verdicts.prove import prove
    from waysapart.whatif.worst import worst as rank

    records = load(study)
    with busy("ranking events and places"):
        found = rank(prove(records), radius_m=radius, top=top, circuits=circuit or None)
        facts = found.facts()
    if not write_json(json_file, facts):
        show_worst(output(), facts)
