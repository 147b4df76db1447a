"""The command line: parse, call the library, print. No analysis lives here."""

from __future__ import annotations

import os

import click

from waysapart import __version__
from waysapart.cli.check import blank, check, demo
from waysapart.cli.compare import compare
from waysapart.cli.dig import dig, outage, worst
from waysapart.cli.prove import prove, recheck
from waysapart.cli.report import export, report
from waysapart.cli.reroute import reroute
from waysapart.cli.walkdown import walkdown

# No command fetches grids for coordinate systems, whatever the machine is set to: what is
# installed is used, and its accuracy is an assumption. PROJ reads this when it is first loaded.
os.environ["PROJ_NETWORK"] = "OFF"


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
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
