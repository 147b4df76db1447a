"""`waysapart reroute`."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from waysapart.cli.common import (
    asked_day,
    check_html,
    errors,
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

if TYPE_CHECKING:
    from waysapart.study.model import Study

_COSTS = ("length", "delay", "loss", "splices", "unavailability")


@click.command(short_help="The best separate paths; where none exist, why, and what to build.")
@study_argument
@click.option("--circuit", "-c", multiple=True, metavar="ID", help="A circuit; repeatable.")
@click.option("--group", "-g", multiple=True, metavar="ID", help="A group; repeatable.")
@click.option(
    "--between",
    nargs=2,
    metavar="A B",
    help="Two pieces of equipment, for a circuit not yet on record.",
)
@click.option(
    "--cost",
    type=click.Choice(_COSTS),
    default="length",
    show_default=True,
    help="What to minimise.",
)
@click.option("--keep", metavar="LABEL", help="A path that stays as it is, such as main.")
@click.option("--avoid", multiple=True, metavar="ID", help="An asset or link; repeatable.")
@click.option(
    "--avoid-area",
    type=click.Path(path_type=Path, exists=True),
    help="A vector file of areas: no path uses plant that they touch, and nothing is built there.",
)
@click.option(
    "--keep-out",
    type=click.Path(path_type=Path, exists=True),
    metavar="FILE",
    help="A vector file of areas in which nothing is built; paths may use what lies there already.",
)
@click.option(
    "--along",
    type=click.Path(path_type=Path, exists=True),
    metavar="FILE",
    help="A vector file of corridors (roads, own land), lines or areas, that new segments follow.",
)
@click.option("--listed-only", is_flag=True, help="Only links on record, no new ones.")
@click.option(
    "--fibres",
    type=click.IntRange(min=1),
    default=2,
    show_default=True,
    help="Free fibres that a new link takes in each cable.",
)
@click.option(
    "--paths",
    type=click.IntRange(min=2),
    help="For a group: how many working paths must be apart from each other. Default: one for "
    "each of its circuits.",
)
@click.option(
    "--build",
    type=click.Path(path_type=Path, exists=True),
    metavar="CANDIDATES",
    help="A vector file of lines that could be built (columns id, kind, a, b, within, cost), and "
    "of points: new structures at which they may end (columns id, kind, within).",
)
@click.option("--no-build", is_flag=True, help="Do not look for something to build.")
@click.option(
    "--longest",
    type=click.FloatRange(min=0, min_open=True),
    default=2000.0,
    show_default=True,
    help="Greatest length of a proposed segment, in metres.",
)
@click.option(
    "--budget",
    type=click.FloatRange(min=0),
    help="Greatest cost of a proposal, in the unit of [build] in the rules; without [build], in "
    "metres, or as given in the column cost. Default: the budget of [build].",
)
@click.option(
    "--time-limit",
    type=click.FloatRange(min=0, min_open=True),
    default=10.0,
    show_default=True,
    help="Seconds for each search.",
)
@click.option(
    "--proposal",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Write the paths as a study that extends this one, and each proposal to build in a "
    "folder build-1, build-2, ... inside it.",
)
@click.option(
    "-o",
    "--output",
    "target",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Also write one HTML file: the proposals side by side on the map, why there are no "
    "separate paths where there are none, the works list, and the next commands.",
)
@json_option
@on_option
@force_option
@telling_errors
def reroute(
    study: Path,
    circuit: tuple[str, ...],
    group: tuple[str, ...],
    between: tuple[str, str] | None,
    json_file: str | None,
    proposal: Path | None,
    target: Path | None,
    **options: Any,
) -> None:
    """Find the best pair of paths that the plant allows, over links and free fibres on record.

    Without --circuit and --group: every circuit and group that is not apart, and every
    circuit outside a limit. Every answer is proved. Where no separate paths exist, the answer
    says why, what must be shared at least, and what to build.

    Exit status: 0 separate paths for all, 1 none exist for at least one, 3 undecided in the
    time given, 2 wrong call or input.

    \b
    Examples:
        waysapart reroute examples/estuary --circuit C03
        waysapart reroute examples/estuary --keep main --cost delay
        waysapart reroute examples/estuary --proposal rerouted --json reroute.json
        waysapart reroute examples/estuary -o reroute.html
    """
    from waysapart.evidence_file import proposals_in_file
    from waysapart.report.reroute_page import write_reroute
    from waysapart.report.terminal import show_reroute
    from waysapart.reroute.api import reroute as search

    check_html(target)
    records = load(study)
    with _watched() as say:
        found = search(
            records,
            circuit or (() if group or between else None),
            groups=group or (() if circuit or between else None),
            between=between or None,
            cost=options["cost"],
            keep=options["keep"],
            avoid=options["avoid"],
            avoid_area=_areas(records, options["avoid_area"]),
            listed_only=options["listed_only"],
            fibres=options["fibres"],
            paths=options["paths"],
            build=_candidates(records, options),
            time_limit_s=options["time_limit"],
            progress=say,
        )
        facts = found.facts()
    if proposal is not None:
        facts["written"] = [str(path) for path in found.write_all(proposal, force=forced())]
    if target is not None:
        with _watched() as say:
            say("writing the page")
            write_reroute(found, target, proposal=proposal, options=_given(), force=forced())
    if not write_json(json_file, facts, proposals_in_file):
        show_reroute(output(), facts)
    sys.exit(found.exit_code())


_OUTPUTS = ("json_file", "proposal", "target")


def _given() -> list[str]:
    """The options of this call that say what is asked, with their values."""
    context = click.get_current_context()
    found: list[str] = []
    for parameter in context.command.params:
        name = str(parameter.name)
        value = context.params.get(name)
        source = context.get_parameter_source(name)
        if not isinstance(parameter, click.Option) or name in _OUTPUTS or value is None:
            continue
        if source is not click.core.ParameterSource.COMMANDLINE:
            continue
        long = next(option for option in parameter.opts if option.startswith("--"))
        if parameter.is_flag:
            found.append(long)
        elif parameter.multiple:
            found += [part for one in value for part in (long, str(one))]
        else:
            found += [long, *map(str, value if parameter.nargs > 1 else [value])]
    day = asked_day()
    return found if day is None else [*found, "--on", day.isoformat()]


@contextmanager
def _watched() -> Iterator[Callable[[str], None]]:
    """Show what is going on in one changing line, on a terminal only."""
    if not sys.stderr.isatty():
        yield lambda _text: None
        return
    with errors().status("searching") as status:
        yield status.update


def _areas(records: Study, file: Path | None) -> Any:
    if file is None:
        return None
    from waysapart.whatif.area import read_area

    return read_area(records, file).lonlat


def _candidates(records: Study, options: dict[str, Any]) -> Any:
    from waysapart.reroute.new_plant.candidates import Candidates

    lines = None
    if options["build"] is not None:
        from waysapart.whatif.area import read_area

        area = read_area(records, options["build"])
        lines = area.table.assign(geometry=area.lonlat)
    return Candidates(
        lines=lines,
        longest_m=options["longest"],
        forbidden=_shapes(records, options["avoid_area"]),
        budget=options["budget"],
        wanted=not options["no_build"],
        keep_out=_shapes(records, options["keep_out"]),
        along=_shapes(records, options["along"]),
    )


def _shapes(records: Study, file: Path | None) -> tuple[Any, ...]:
    areas = _areas(records, file)
    return () if areas is None else tuple(areas)
