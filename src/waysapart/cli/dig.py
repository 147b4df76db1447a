"""`waysapart dig`, `outage` and `worst`."""

from __future__ import annotations

import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from waysapart.cli.common import (
    busy,
    force_option,
    forced,
    json_option,
    load,
    on_option,
    output,
    study_argument,
    telling_errors,
    write_json,
)
from waysapart.errors import CallError

if TYPE_CHECKING:
    from waysapart.whatif.dig import Dig
    from waysapart.whatif.plan import WorksPlan


def _position(
    _context: click.Context, _parameter: click.Parameter, value: str | None
) -> tuple[float, float] | None:
    """Longitude and latitude in degrees with a comma between."""
    if value is None:
        return None
    try:
        lon, lat = (float(part) for part in value.split(","))
    except ValueError:
        raise click.BadParameter(f"{value!r}: expected two numbers with a comma between") from None
    return lon, lat


_WHERE = (
    click.option(
        "--area",
        type=click.Path(path_type=Path, exists=True),
        help="Any vector file: points, lines, areas.",
    ),
    click.option("--at", metavar="LON,LAT", callback=_position, help="A point, with --radius."),
    click.option(
        "--radius", type=click.FloatRange(min=0, min_open=True), help="Metres round --at."
    ),
    click.option(
        "--asset", multiple=True, metavar="ID", help="An asset put out of service; repeatable."
    ),
    click.option(
        "--reach",
        type=click.FloatRange(min=0),
        default=0.0,
        help="How far the works reach beyond the outlines in --area or a plan, in metres; where a "
        "feature states a greater reach_m, that counts.",
    ),
    click.option(
        "--accuracy",
        type=click.FloatRange(min=0),
        help="Survey accuracy of the plant in metres, added to the reach of the works. "
        "Default: what is on record, else the rules.",
    ),
    click.option(
        "--hours",
        type=click.FloatRange(min=0, min_open=True),
        help="How long it lasts: batteries with at least that autonomy_h keep up their loads.",
    ),
    click.option(
        "--plan",
        type=click.Path(path_type=Path, exists=True),
        help="A table of works with days and places: says what must not overlap, and proposes an "
        "order.",
    ),
    click.option(
        "-o",
        "--output",
        "targets",
        multiple=True,
        type=click.Path(path_type=Path, dir_okay=False),
        help="Also write a file, in the format that its name ends in; repeatable. .html: the works "
        "notice, whom to tell before work starts; .gpkg, .gpx, .kml: places for a GIS, a handheld "
        "receiver, a map viewer; .ics: a calendar of a plan.",
    ),
)


def _run(
    study: Path,
    json_file: str | None,
    area: Path | None,
    at: tuple[float, float] | None,
    radius: float | None,
    asset: tuple[str, ...],
    reach: float,
    accuracy: float | None,
    hours: float | None,
    plan: Path | None,
    targets: tuple[Path, ...],
) -> None:
    from waysapart.export.field_files import check_suffixes
    from waysapart.report.terminal import show_dig, show_plan
    from waysapart.whatif.dig import dig as dig_up
    from waysapart.whatif.plan import plan_works

    if plan is not None and (area is not None or at is not None or radius is not None or asset):
        raise CallError("--plan names its own places: leave out --area, --at, --radius and --asset")
    if plan is not None and hours is not None:
        raise CallError("--plan has days of its own: leave out --hours")
    check_suffixes(targets, planned=plan is not None, pages=True)
    records = load(study)
    if plan is not None:
        with busy("planning the works"):
            works = plan_works(records, plan, accuracy_m=accuracy, reach_m=reach)
            planned = works.facts()
        _write(works, targets)
        if not write_json(json_file, planned):
            show_plan(output(), planned)
        sys.exit(works.exit_code())
    with busy("finding what the works put out of service"):
        taken = dig_up(
            records,
            area,
            at=at,
            radius_m=radius,
            assets=asset,
            reach_m=reach,
            accuracy_m=accuracy,
            hours=hours,
        )
        facts = taken.facts()
    _write(taken, targets)
    if not write_json(json_file, facts):
        show_dig(output(), facts)
    sys.exit(taken.exit_code())


def _write(works: Dig | WorksPlan, targets: tuple[Path, ...]) -> None:
    """Write all files of works, or none of them."""
    from waysapart.export.field_files import PAGE_SUFFIXES, write_field_files
    from waysapart.report.works_page import notice_page

    if not targets:
        return
    with busy("writing the notice"):
        pages = [one for one in targets if one.suffix.casefold() in PAGE_SUFFIXES]
        others = [one for one in targets if one not in pages]
        write_field_files(
            works,
            *others,
            pages=[(one, partial(notice_page, works)) for one in pages],
            force=forced(),
        )


def _make(name: str, text: str, example: str) -> click.Command:
    help_text = (
        f"{text}\n\n"
        "Exit status: 0 every circuit keeps its paths and supplies; 1 a circuit is lost, left with "
        "one path, or weakened (a battery or other supply is out, and another carries its load); 3 "
        "none of these, but a record gap leaves a circuit or its limits unknown; 2 wrong call or "
        "input. With --plan: 1 where the works as planned lose a circuit or a group, or leave one "
        "outside a limit.\n\n"
        f"\b\nExamples:\n    {example}\n"
        f"    waysapart {name} examples/estuary --at -28.95,54.4 --radius 20\n"
        f"    waysapart {name} examples/estuary --area works.geojson --json {name}.json\n"
        f"    waysapart {name} examples/estuary --plan works.geojson -o notice.html -o week.ics"
    )
    command = click.command(name, short_help=text, help=help_text)
    function = telling_errors(_run)
    for option in (force_option, on_option, *reversed(_WHERE), json_option, study_argument):
        function = option(function)
    return command(function)


dig = _make(
    "dig",
    "What an excavation cuts, and the state of every circuit during it.",
    "waysapart dig examples/estuary --asset PIT-HER-7",
)
outage = _make(
    "outage",
    "What planned work puts out of service, and the state of every circuit during it.",
    "waysapart outage examples/estuary --asset OP-N1",
)


# --- `waysapart worst`.


@click.command(short_help="Single events, pairs and places, ranked by the circuits lost.")
@study_argument
@json_option
@click.option(
    "--radius",
    type=click.FloatRange(min=0, min_open=True),
    default=50.0,
    show_default=True,
    help="Radius of the circle at each place, in metres.",
)
@click.option(
    "--top", type=click.IntRange(min=1), default=10, show_default=True, help="Rows of each table."
)
@click.option("--circuit", "-c", multiple=True, help="Only these circuits; repeatable.")
@click.option(
    "--everything",
    is_flag=True,
    help="Count what lies in the circuits' end zones as well.",
)
@click.option(
    "--all",
    "all_sets",
    is_flag=True,
    help="List all the largest sets of segments that one circle of the radius can take: in --json "
    "every one, in the terminal the first of --top.",
)
@on_option
@force_option
@telling_errors
def worst(
    study: Path,
    json_file: str | None,
    radius: float,
    top: int,
    circuit: tuple[str, ...],
    everything: bool,
    all_sets: bool,
) -> None:
    """Rank events by the circuits lost: one asset or hazard, two together, a circle on the ground.

    Circles leave out the end zones of each circuit (end_zone_m of its service), where both paths
    come together; with --everything they count too. With --all follow the largest sets of
    segments that one circle can take, wherever it is put: no set lies in another, and what any
    circle of the radius takes lies in one of them. Every segment counts for these, in end zones
    and without circuits too.

    \b
    Examples:
        waysapart worst examples/estuary --radius 100
        waysapart worst examples/estuary --radius 100 --everything
        waysapart worst examples/estuary --radius 500 --all --json sets.json
    """
    from waysapart.report.terminal import show_worst
    from waysapart.verdicts.prove import prove
    from waysapart.whatif.worst import worst as rank

    records = load(study)
    with busy("ranking events and places"):
        found = rank(
            prove(records),
            radius_m=radius,
            top=top,
            circuits=circuit or None,
            everything=everything,
            all_sets=all_sets,
        )
        facts = found.facts()
    if not write_json(json_file, facts):
        show_worst(output(), facts, top)
