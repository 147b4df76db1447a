"""A page that tells a session at a prompt, run anew: its commands as they stand, their output.

In a block of the language `console` a line that begins with `$ ` is a command, lines that begin
with `> ` go on with it, and what follows is what it prints. `$ echo $?` gives the exit status of
the command before it. `waysapart` runs in this process; every other command in a shell.
"""

from __future__ import annotations

import os
import re
import shlex
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from click.testing import CliRunner

from waysapart.cli import main

_BLOCK = re.compile(r"(?<=^```console\n).*?(?=^```$)", re.MULTILINE | re.DOTALL)


class Step(NamedTuple):
    """A command, what it printed, and its exit status."""

    command: str
    printed: str
    status: int


def retold(page: str, folder: Path) -> tuple[str, list[Step]]:
    """Run every command of a page in a folder, in order.

    Parameters
    ----------
    page : str
        Markdown.
    folder : Path
        Where to; with what the commands read.

    Returns
    -------
    str
        The page with what the commands print now.
    list of Step
        Those of them that are no `echo $?`.
    """
    steps: list[Step] = []
    before = Path.cwd()
    os.chdir(folder)
    try:
        text = _BLOCK.sub(lambda block: "".join(_told(block[0], steps)), page)
    finally:
        os.chdir(before)
    return text, steps


def _told(block: str, steps: list[Step]) -> Iterator[str]:
    lines = block.splitlines(keepends=True)
    for number, line in enumerate(lines):
        if not line.startswith("$ "):
            continue
        said = [line]
        for more in lines[number + 1 :]:
            if not more.startswith("> "):
                break
            said.append(more)
        yield from said
        command = "".join(one[2:] for one in said).strip()
        if command == "echo $?":
            yield f"{steps[-1].status}\n"
            continue
        steps.append(_run(command))
        yield from (f"{one.rstrip()}\n" for one in steps[-1].printed.splitlines())


def _run(command: str) -> Step:
    words = shlex.split(command.replace("\\\n", " "))
    if words[0] == "waysapart":
        done = CliRunner().invoke(main, words[1:], prog_name="waysapart")
        assert done.exception is None or isinstance(done.exception, SystemExit), done.output
        return Step(command, done.output, done.exit_code)
    ran = subprocess.run(["sh", "-c", command], capture_output=True, text=True, check=False)
    assert ran.returncode == 0, f"{command}: {ran.stderr}"
    return Step(command, ran.stdout, ran.returncode)
