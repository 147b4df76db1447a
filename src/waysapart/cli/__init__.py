"""The command line: parse, call the library, print. No analysis lives here."""

from __future__ import annotations

import os
from typing import Any

import click

from waysapart import __version__
from waysapart.cli.check import blank, check, demo
from waysapart.cli.common import asks_for_json, tell_errors
from waysapart.cli.compare import compare
from waysapart.cli.dig import dig, outage, worst
from waysapart.cli.prove import prove, recheck
from waysapart.cli.report import export, report
from waysapart.cli.reroute import reroute
from waysapart.cli.walkdown import walkdown
from waysapart.errors import Problem

_ASKED = "waysapart.json"

# No command fetches grids for coordinate systems, whatever the machine is set to: what is
# installed is used, and its accuracy is an assumption. PROJ reads this when it is first loaded.
os.environ["PROJ_NETWORK"] = "OFF"


class _Commands(click.Group):
    """Commands whose wrong calls are told as JSON too, where JSON goes to standard output."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        ctx.meta[_ASKED] = asks_for_json(args)
        return super().parse_args(ctx, args)

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except click.UsageError as error:
            if ctx.meta[_ASKED]:
                tell_errors([Problem(error.format_message())])
            raise


@click.group(
    cls=_Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, prog_name="waysapart")
def main() -> None:
    """Prove that no single event can put both paths of a protection circuit out of service.

    STUDY is a folder with the layers (or its study.toml); the current folder if left out.
    Start with `waysapart demo`, or with an empty workbook: `waysapart blank --workbook`.

    Limits and all other rules: rules.toml beside study.toml. Every key is explained in the
    rules.toml that `waysapart blank` writes, and in docs/rules.md.

    Exit status: 0 all apart or accepted and within limits, 1 something shared or outside a
    limit, 2 the input or the call is wrong, 3 neither, but something is unproven.
    """


for _command in (
    demo,
    check,
    prove,
    report,
    dig,
    outage,
    compare,
    walkdown,
    worst,
    reroute,
    recheck,
    export,
    blank,
):
    main.add_command(_command)
