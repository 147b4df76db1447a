"""A command run in this process, as a person would type it."""

from __future__ import annotations

from click.testing import CliRunner, Result

from waysapart.cli import main


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])
