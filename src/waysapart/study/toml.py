"""TOML files to checked models, every fault of a file told at once."""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel, ConfigDict

from waysapart.input_files import MOST_SETTINGS_BYTES, RefusedError, read_bytes
from waysapart.study.ledger import Ledger, did_you_mean, listed, shown
from waysapart.study.sources import InputFile

if TYPE_CHECKING:
    from pydantic import ValidationError

_MOST_DEPTH = 50
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


class Table(BaseModel):
    """A TOML table whose keys are all known."""

    model_config = ConfigDict(frozen=True, extra="forbid")


def dotted(path: Sequence[object]) -> str:
    """A path of keys as TOML writes it.

    Parameters
    ----------
    path : sequence of object

    Returns
    -------
    str

    Examples
    --------
    >>> print(dotted(["fibres", "G.652.D", "db_per_km", 1310]))
    fibres."G.652.D".db_per_km.1310
    """
    keys = (str(key) for key in path)
    return ".".join(
        key if _BARE_KEY.fullmatch(key) else json.dumps(key, ensure_ascii=False) for key in keys
    )


def load_toml(path: Path, file: str, ledger: Ledger) -> tuple[dict[str, Any], InputFile] | None:
    """Parse one TOML file; a byte-order mark at its start is passed over.

    Parameters
    ----------
    path : Path
    file : str
        Name of the file in messages.
    ledger : Ledger
        Collects a problem, with the line, where the file is not TOML.

    Returns
    -------
    tuple of dict and InputFile, or None
        The tables, and the file with the hash of the bytes that were parsed; None where there
        is a problem.
    """
    try:
        data = read_bytes(path, MOST_SETTINGS_BYTES)
        text = data.decode("utf-8-sig").replace("\r\n", "\n")
    except RefusedError as error:
        ledger.problem(str(error), file=file)
        return None
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        ledger.problem("is not UTF-8 text; save it as UTF-8", file=file, row=line)
        return None
    try:
        told = tomllib.loads(text)
        _check_plain(told)
        return told, InputFile(file, hashlib.sha256(data).hexdigest())
    except tomllib.TOMLDecodeError as error:
        said = re.search(r"^(.*?)\s*\(at line (\d+), column (\d+)\)", str(error), re.DOTALL)
        ledger.problem(
            f"is not valid TOML: {said[1] if said else error}"
            + (f" (column {said[3]} of the line)" if said else ""),
            file=file,
            row=int(said[2]) if said else None,
        )
    except RecursionError:
        ledger.problem(
            "is not valid TOML: lists or tables stand within each other too deeply",
            file=file,
            row=_deepest(text),
        )
    except (ValueError, OverflowError) as error:  # a number of thousands of digits, a day 0000
        ledger.problem(f"is not valid TOML: {_without_advice(error)}", file=file)
    except MemoryError:
        ledger.problem("needs more memory to be read than there is", file=file)
    return None


def _check_plain(told: dict[str, Any]) -> None:
    """Raise RecursionError or ValueError for tables too deep and numbers too large to be shown."""
    left: list[tuple[str, Any, int]] = [(key, value, 1) for key, value in told.items()]
    while left:
        key, value, depth = left.pop()
        if depth > _MOST_DEPTH:
            raise RecursionError
        if isinstance(value, int) and abs(value) >= 1 << 63:
            raise ValueError(f"the number of the key {key[:60]!r} is beyond 64 bits")
        if isinstance(value, dict):
            left += [(name, inner, depth + 1) for name, inner in value.items()]
        elif isinstance(value, list):
            left += [(key, inner, depth + 1) for inner in value]


def _deepest(text: str) -> int:
    """The line with the most opening brackets, or dots in a key."""
    lines = text.split("\n")
    return (
        max(
            range(len(lines)),
            key=lambda n: lines[n].count("[") + lines[n].count("{") + lines[n].count("."),
        )
        + 1
    )


def _without_advice(error: Exception) -> str:
    """Python's message without its advice to programmers."""
    return str(error).split(";")[0]


def tell_faults(
    error: ValidationError,
    file: str,
    ledger: Ledger,
    known: Mapping[str, type[BaseModel]],
    top: type[BaseModel],
    explained: str = "",
) -> None:
    """Write down every fault that pydantic found.

    Parameters
    ----------
    error : pydantic.ValidationError
    file : str
        Name of the file in messages.
    ledger : Ledger
        Collects a problem for each fault.
    known : mapping of str to model
        Model of the tables under each top-level key, for naming near matches.
    top : model
        Model of the file.
    explained : str
        Where the keys of the file are explained, for whoever wrote one that there is not.
    """
    told: dict[tuple[str, str], list[str]] = {}
    for fault in error.errors(include_url=False):
        path = [part for part in fault["loc"] if not _is_branch(part)]
        key = dotted([part + 1 if isinstance(part, int) else part for part in path])
        found = ""
        if fault["type"] == "extra_forbidden":
            model = _model_at(path, known, top)
            names = [field.alias or name for name, field in model.model_fields.items()]
            word = str(path[-1])
            reason = f"unknown key {word!r}; known keys: {listed(names)}{did_you_mean(word, names)}"
            reason += f"; {explained}" if explained else ""
        elif fault["type"] == "missing":
            reason = f"the key {str(path[-1])!r} is required and missing"
        else:
            reason = str(fault["msg"]).removeprefix("Value error, ")
            reason = reason[:1].lower() + reason[1:]
            found = f"; found {shown(fault['input'])}"
        reasons = told.setdefault((key, found), [])
        if reason not in reasons:
            reasons.append(reason)
    for (key, found), reasons in told.items():
        # a value that may be of several types has one fault for each of them
        ledger.problem(" or ".join(reasons) + found, file=file, column=key)


def _model_at(
    path: Sequence[object], known: Mapping[str, type[BaseModel]], top: type[BaseModel]
) -> type[BaseModel]:
    """Model of the table that the last key of a path stands in."""
    model = top if len(path) == 1 else known.get(str(path[0]), top)
    for part in path[1:-1]:
        field = model.model_fields.get(str(part))
        inner = field.annotation if field is not None else None
        if isinstance(inner, type) and issubclass(inner, BaseModel):
            model = inner
    return model


def _is_branch(part: object) -> bool:
    """Whether a part of a fault's place names one branch of a union, not a key."""
    return isinstance(part, str) and (
        part in {"float", "bool", "int", "str"}
        or part.startswith(("dict[", "tuple[", "constrained"))
    )
