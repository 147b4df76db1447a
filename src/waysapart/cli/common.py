"""What all commands have in common: arguments, errors, output."""

from __future__ import annotations

import functools
import gc
import json
import os
import re
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from datetime import date, datetime
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, ParamSpec

import click

from waysapart.errors import CallError, Problem, StudyError, WaysapartError, WriteError
from waysapart.output_files import (
    DISK_FULL,
    Kind,
    OutputFile,
    is_standard_output,
    marked_facts,
    reason_of,
    refuse_unsafe,
    write_text,
)

if TYPE_CHECKING:
    from rich.console import Console

    from waysapart.study.model import Study

P = ParamSpec("P")
WRONG = 2
"""Exit status of a wrong call or input."""

study_argument = click.argument(
    "study", default=".", type=click.Path(path_type=Path), metavar="[STUDY]"
)
json_option = click.option(
    "--json",
    "json_file",
    metavar="FILE",
    help="Write the same facts as JSON; - for standard output.",
)
_DAY = "waysapart.on"
_FORCE = "waysapart.force"
_TOLD = "waysapart.told"


def _keep_day(context: click.Context, _parameter: click.Parameter, value: datetime | None) -> None:
    context.meta[_DAY] = None if value is None else value.date()


on_option = click.option(
    "--on",
    type=click.DateTime(formats=["%Y-%m-%d"]),
    metavar="DATE",
    help="Judge for this day (YYYY-MM-DD): waivers, ages of records. Default: today.",
    expose_value=False,
    callback=_keep_day,
)


def asked_day() -> date | None:
    """The day that `--on` names; None: today."""
    found: date | None = click.get_current_context().meta.get(_DAY)
    return found


def _keep_force(context: click.Context, _parameter: click.Parameter, value: bool) -> None:
    context.meta[_FORCE] = value


force_option = click.option(
    "--force",
    is_flag=True,
    help="Replace existing files even if waysapart did not write them. Inputs are never "
    "overwritten.",
    expose_value=False,
    callback=_keep_force,
)


def forced() -> bool:
    """Whether files that waysapart did not write may be replaced."""
    return bool(click.get_current_context().meta.get(_FORCE))


def output() -> Console:
    """A console on standard output: colours only on a terminal, width of the terminal."""
    from rich.console import Console

    width = None if sys.stdout.isatty() else 100
    return Console(width=width, highlight=False, soft_wrap=not sys.stdout.isatty())


def errors() -> Console:
    """A console on standard error."""
    from rich.console import Console

    return Console(stderr=True, highlight=False, soft_wrap=not sys.stderr.isatty())


def telling_errors(command: Callable[P, None]) -> Callable[P, None]:
    """Turn errors of a command into messages and exit status 2, never a traceback.

    With WAYSAPART_TRACEBACK set, an unforeseen error shows its traceback, for the people who
    correct it.

    Parameters
    ----------
    command : callable

    Returns
    -------
    callable
        With the same parameters.
    """

    @functools.wraps(command)
    def run(*args: P.args, **kwargs: P.kwargs) -> None:
        try:
            refuse_outputs(kwargs)
            command(*args, **kwargs)
        except StudyError as error:
            tell_study_error(error)
            _tell_json(kwargs, error.problems, error.notes)
            sys.exit(WRONG)
        except WriteError as error:
            _say(str(error))
            if "standard output" not in str(error):
                _tell_json(kwargs, [Problem(str(error))])
            sys.exit(WRONG)
        except WaysapartError as error:
            _refuse(kwargs, str(error))
        except MemoryError:
            _refuse(
                kwargs,
                "could not go on: there is not enough memory; end other programs, or split the "
                "study into parts",
            )
        except OSError as error:
            # every file has its own error (WriteError), so this is standard output
            full = error.errno in DISK_FULL and not error.filename
            if full:
                _say(f"standard output cannot be written: {reason_of(error)}")
            else:
                _say(f"could not go on: {error}")
            sys.exit(WRONG)
        except (click.ClickException, click.exceptions.Exit, click.Abort):
            raise
        except Exception as error:
            if os.environ.get("WAYSAPART_TRACEBACK"):
                raise
            _refuse(
                kwargs,
                f"this is a fault of waysapart, not of your data: {type(error).__name__}: {error}. "
                "Please report it with the output of the same command with WAYSAPART_TRACEBACK=1 "
                "set.",
            )

    return run


def _refuse(given: Mapping[str, Any], text: str) -> NoReturn:
    """Say what is wrong, also as JSON where that goes to standard output, and exit with 2."""
    _say(text)
    _tell_json(given, [Problem(text)])
    sys.exit(WRONG)


def _tell_json(
    given: Mapping[str, Any], problems: Sequence[Problem], notes: Sequence[str] = ()
) -> None:
    """Write errors in place of facts where JSON goes to standard output and nothing went there.

    A file is left as it was: it holds the facts of a run that went well, or there is none.
    """
    named = (given.get("json_file"), given.get("lines_file"))
    asked = any(one is not None and _to_standard_output(one) for one in named)
    if asked and not click.get_current_context().meta.get(_TOLD):
        tell_errors(problems, notes)


def tell_errors(problems: Sequence[Problem], notes: Sequence[str] = ()) -> None:
    """Write errors as JSON to standard output, with the keys of `check --json`.

    Parameters
    ----------
    problems : sequence of Problem
    notes : sequence of str
    """
    errors = [problem.as_dict() for problem in problems]
    with suppress(OSError):  # what is wrong stands on standard error as well
        click.echo(json_text(marked_facts({"errors": errors, "notes": list(notes)})))


def asks_for_json(arguments: Sequence[str]) -> bool:
    """Whether the arguments of a command ask for JSON on standard output.

    Parameters
    ----------
    arguments : sequence of str

    Returns
    -------
    bool
    """
    names = ("--json", "--json-lines")
    if any(one.partition("=")[0] in names and one.endswith("=-") for one in arguments):
        return True
    return any(one in names and follows == "-" for one, follows in pairwise(arguments))


def _to_standard_output(file: str) -> bool:
    return file == "-" or is_standard_output(Path(file))


def tell_study_error(error: StudyError) -> None:
    """Say on standard error why a study cannot be used, and what else was noticed.

    Parameters
    ----------
    error : StudyError
    """
    from waysapart.report.terminal import show_problems, styled

    console = errors()
    show_problems(console, error.problems)
    for note in error.notes:
        console.print(styled(f"note: {note}"))


def _one(kind: Kind) -> Callable[[Path], list[OutputFile]]:
    return lambda path: [OutputFile(path, kind)]


def _work_list(path: Path) -> list[OutputFile]:
    from waysapart.report.view import WORK_LIST_HEADING

    return [OutputFile(path, "csv", WORK_LIST_HEADING)]


def _walk_sheet(path: Path) -> list[OutputFile]:
    from waysapart.report.walkdown import SHEET_HEADING

    return [OutputFile(path, "csv", SHEET_HEADING)]


def _exported(path: Path) -> list[OutputFile]:
    from waysapart.export.geopackage import export_targets

    return list(export_targets(path))


def _proposed(folder: Path) -> list[OutputFile]:
    from waysapart.reroute.proposal_rows import proposal_targets

    return proposal_targets(folder)


def _of_works(path: Path) -> list[OutputFile]:
    from waysapart.export.field_files import works_target

    found = works_target(path)
    return [] if found is None else [found]


_OUTPUTS: Mapping[str, Callable[[Path], list[OutputFile]]] = {
    "json_file": _one("json"),
    "lines_file": _one("json"),
    "csv_file": _work_list,
    "sheet_csv": _walk_sheet,
    "target": _one("html"),
    "targets": _of_works,
    "calendar": _one("ics"),
    "package": _exported,
    "proposal": _proposed,
}
"""Parameters of commands that name files to be written, and which files these are."""


def refuse_outputs(given: Mapping[str, Any]) -> None:
    """Refuse a call that would write what it must not, before anything is computed.

    Raises
    ------
    CallError
    """
    targets = [
        target
        for name, written in _OUTPUTS.items()
        if given.get(name) not in (None, "-")
        for path in (given[name] if isinstance(given[name], tuple) else [given[name]])
        for target in written(Path(path))
    ]
    if not targets:
        return
    from waysapart.study.settings import files_of

    read = [one for name, one in given.items() if name not in _OUTPUTS and isinstance(one, Path)]
    refuse_unsafe(
        targets,
        [file for one in read for file in files_of(one)],
        force=forced(),
        folders=given.get("proposal") is not None,
    )


def check_html(target: Path | None) -> None:
    """Refuse a name for a report that does not end in .html or .htm.

    Parameters
    ----------
    target : Path or None

    Raises
    ------
    CallError
        The name ends otherwise.
    """
    if target is not None and target.suffix.lower() not in (".html", ".htm"):
        raise CallError(f"-o {target}: the report is HTML; give it a name that ends in .html")


def _say(text: str) -> None:
    from waysapart.report.escape import terminal_text

    click.echo("\n".join(terminal_text(line) for line in text.splitlines()), err=True)


@contextmanager
def busy(text: str) -> Iterator[None]:
    """Show a spinner with a text on standard error while a command works, on a terminal only.

    Parameters
    ----------
    text : str
    """
    if not sys.stderr.isatty():
        yield
        return
    with errors().status(text):
        yield


def collect_seldom() -> None:
    """Run the garbage collector less often.

    Facts are millions of small objects that stay; searching them again and again for reference
    cycles, of which there are next to none, would take a tenth of the time.
    """
    gc.set_threshold(200_000, 50, 50)


def load(path: Path, *, strict: bool = False) -> Study:
    """Read a study for the day that `--on` names, with a spinner on a terminal.

    Parameters
    ----------
    path : Path
    strict : bool
        Whether contradictions in the records are errors, as in `read_study`.

    Returns
    -------
    Study

    Raises
    ------
    StudyError
        The study cannot be used.
    """
    from waysapart.study.read import read_study

    collect_seldom()
    with busy("reading the layers"):
        return read_study(path, on=asked_day(), strict=strict)


def need_circuits(study: Study) -> None:
    """Refuse to judge a study without circuits.

    Parameters
    ----------
    study : Study

    Raises
    ------
    CallError
        The study has none.
    """
    if not len(study.tables["circuits"]):
        raise CallError(
            f"no circuits: {study.name} has none, so there is nothing to prove. Enter circuits "
            "and circuit_paths (or rings and ring_circuits); `waysapart blank FOLDER` writes "
            "empty tables. check, export, dig and worst work without circuits"
        )


def json_text(facts: Any) -> str:
    """Facts as JSON in ASCII, one entry of each upper list or object to a line.

    Two files can be compared line by line, and no character in a name can control a terminal.
    A number that is not finite becomes null.
    """
    text = b"".join(_lines(facts, 2)).decode()
    return text if text.isascii() else _NOT_ASCII.sub(_escaped, text)


def _lines(facts: Any, depth: int) -> Iterator[bytes]:
    if depth and isinstance(facts, dict) and facts:
        for number, (key, one) in enumerate(facts.items()):
            yield (b",\n" if number else b"{\n") + _encoded(key) + b": "
            yield from _lines(one, depth - 1)
        yield b"\n}"
    elif isinstance(facts, list) and facts and isinstance(facts[0], dict):
        for number, one in enumerate(facts):
            yield (b",\n" if number else b"[\n") + _encoded(one)
        yield b"\n]"
    else:
        yield _encoded(facts)


def _encoded(value: Any) -> bytes:
    import orjson

    try:
        return orjson.dumps(value)
    except (
        orjson.JSONEncodeError
    ):  # a number beyond 64 bits, half a surrogate pair in a file's name
        return json.dumps(value, allow_nan=False, separators=(",", ":")).encode()


_NOT_ASCII = re.compile(r"[^\x00-\x7f]")


def _escaped(sign: re.Match[str]) -> str:
    return json.dumps(sign[0])[1:-1]


def write_json(
    file: str | None,
    facts: Mapping[str, Any],
    told: Callable[[Any], Mapping[str, Any]] | None = None,
) -> bool:
    """Write facts as JSON.

    Parameters
    ----------
    file : str or None
        `-` for standard output; None writes nothing.
    facts : mapping
    told : function, optional
        Makes of the facts what stands in the file; called only where one is written.

    Returns
    -------
    bool
        Whether they went to standard output, so that nothing else should.

    Raises
    ------
    CallError
        The file is one that waysapart did not write.
    WriteError
        The file or standard output cannot be written.
    """
    if file is None:
        return False
    return write_out(file, json_text(marked_facts(facts if told is None else told(facts))) + "\n")


def write_out(file: str, text: str) -> bool:
    """Write a text of JSON to a file, whole or not at all, or to standard output.

    Parameters
    ----------
    file : str
        `-` for standard output.
    text : str
        By its beginning it says that waysapart wrote it.

    Returns
    -------
    bool
        Whether it went to standard output.

    Raises
    ------
    CallError
        The file is one that waysapart did not write.
    WriteError
        The file or standard output cannot be written.
    """
    if _to_standard_output(file):
        click.get_current_context().meta[_TOLD] = True
        try:
            click.echo(text, nl=False)
        except BrokenPipeError:
            raise
        except OSError as error:
            raise WriteError(f"standard output cannot be written: {reason_of(error)}") from error
        return True
    write_text(OutputFile(Path(file), "json"), text, force=forced())
    return False
