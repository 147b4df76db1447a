"""Evidence with one fact to a line, and with ids in place of numbers: for git, and for scripts.

A line is `{"at": [...], "value": ...}`. In `at` a text is the key of an object; an entry of a list
stands in brackets with what it is called by, such as `["circuits", ["C1"], "paths", "main",
"delay_us"]`, and never with its number: what comes before it may change without changing the line.
The first line names the format and the version, the next the study, when the evidence was made,
and the inputs with their hashes.

The order is that of the evidence, which follows from the ids in the records and not from the order
of their rows.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from waysapart.errors import CallError
from waysapart.evidence import FORMAT, Evidence, misfits
from waysapart.evidence_file import in_full
from waysapart.input_files import RefusedError, read_bytes
from waysapart.schema import ROLES

Facts = dict[str, Any]
LINES = 1
"""Version of the form of the lines."""
MOST_BYTES = 2_000_000_000
"""A file beyond this is not read."""
MOST_ROWS = 50_000_000
"""Rows that one run of their numbers may stand for; more is no plant."""

_FIRST = ("study", "revision", "made", "on", "inputs")
"""What stands before everything else."""
_WHOLE: Facts = {}
_OPENED: Facts = {
    "circuits": {
        "[]": {"paths": {"*": _WHOLE}, "delay": _WHOLE, "unavailability": _WHOLE},
    },
    "groups": {"[]": {"unavailability": _WHOLE}},
    "links": {"[]": {"loss": _WHOLE, "trace": _WHOLE}},
    "figures_say": _WHOLE,
    "record_first": _WHOLE,
    "records": {"tables": {"[]": {"rows": _WHOLE}}},
    "evidence": {
        "roles": _WHOLE,
        "links": _WHOLE,
        "paths": {"[]": _WHOLE},
        "verdicts": {"[]": _WHOLE},
    },
    "profiles": {"[]": {"paths": _WHOLE}},
}
"""Objects of which every field has a line of its own; any other is one fact, and every list has a
line for each entry. `[]` is each entry of a list, `*` each key of an object."""

_AS_ONE = ("at", "columns", "sides")
"""Lists that are one fact."""
_NAMES: dict[str, tuple[str, ...]] = {
    "inputs": ("file",),
    "shared": ("asset",),
    "with_protected": ("asset", "path"),
    "near": ("main", "alternate"),
    "near_folded": ("main", "alternate"),
    "cross": ("main", "alternate"),
    "loss": ("link",),
    "gaps": ("code", "asset", "column"),
    "greatest": ("asset",),
    "states": ("state",),
    "other_lengths": ("medium",),
    "tests": ("of", "fibre", "quantity", "date"),
    "tests_missing": ("cable",),
    "drums": ("cable",),
    "held_to": ("min_margin_db",),
    "waivers": ("circuit", "asset", "within", "pair"),
    "waivers_offered": ("circuit", "asset", "within", "pair"),
    "matched": ("cable", "segment", "seq"),
    "ages": ("what",),
    "layers": ("role", "file", "layer"),
    "assumptions": ("key",),
    "paths": ("circuit", "path"),
    "verdicts": ("kind", "id"),
    "tables": ("role",),
    "go": ("is", "id", "cable", "fibre", "joint", "port"),
    "return": ("is", "id", "cable", "fibre", "joint", "port"),
}
"""What entries of lists are called by; others by their `id`, a stretch by its first member."""


# --- Ids in place of numbers.


def with_ids(facts: Any) -> Facts:
    """Put ids where the evidence of a proof has numbers of other entries.

    Parameters
    ----------
    facts : Evidence
        As `Proof.facts` gives it; it stays as it is.

    Returns
    -------
    dict
        The same, where `evidence.roles`, `evidence.links` and `relies_on` of
        `evidence.paths` list ids in place of numbers such as '0-3 7', and `sides` and
        `closest[].paths` of `evidence.verdicts` name paths as [circuit, path].

    Examples
    --------
    >>> import waysapart as wa
    >>> proof = wa.prove(wa.read_study("examples/estuary"))
    >>> proof.facts()["evidence"]["roles"]["hazards"]
    '1283-1285'
    >>> wa.with_ids(proof.facts())["evidence"]["roles"]["hazards"]
    ['HZ-ANCHOR-1', 'HZ-FLOOD-1', 'HZ-WORKS-1']
    """
    told = facts["evidence"]
    assets = told["assets"]
    paths = [[one["circuit"], one["path"]] for one in told["paths"]]
    return {
        **facts,
        "evidence": {
            **told,
            "roles": {role: _named(assets, some) for role, some in told["roles"].items()},
            "links": {link: _named(assets, some) for link, some in told["links"].items()},
            "paths": [
                {**one, "relies_on": _named(assets, one["relies_on"])} for one in told["paths"]
            ],
            "verdicts": [
                {
                    **one,
                    "sides": [[paths[path] for path in side] for side in one["sides"]],
                    "closest": [
                        {**near, "paths": [paths[path] for path in near["paths"]]}
                        for near in one["closest"]
                    ],
                }
                for one in told["verdicts"]
            ],
        },
    }


def _named(assets: list[str], numbers: str) -> list[str]:
    """The ids that '0-3 7' stands for."""
    found: list[str] = []
    for part in numbers.split():
        low, _, high = part.partition("-")
        found += assets[int(low) : int(high or low) + 1]
    return found


# --- To lines.


def fact_lines(facts: Any) -> Iterator[str]:
    """Write the evidence of a proof with one fact to a line.

    Parameters
    ----------
    facts : Evidence
        As `Proof.facts` gives it.

    Yields
    ------
    str
        JSON in ASCII without a line end: first `{"format", "waysapart", "lines"}`, then
        `{"at": [...], "value": ...}`. An entry that is nothing but the text or number in its
        last brackets has no `value`.

    Examples
    --------
    >>> import waysapart as wa
    >>> proof = wa.prove(wa.read_study("examples/estuary"))
    >>> lines = list(wa.fact_lines(proof.facts()))
    >>> next(one for one in lines if '"C29"' in one and '"verdict"' in one)
    '{"at":["circuits",["C29"],"verdict"],"value":"apart"}'
    """
    named = with_ids(facts)
    yield _text({"format": named["format"], "waysapart": named["waysapart"], "lines": LINES})
    rest = [name for name in named if name not in (*_FIRST, "format", "waysapart")]
    for name in (*_FIRST, *rest):
        if name not in named:
            continue
        value = _by_column(named[name]) if name == "records" else named[name]
        for at, one in _facts(value, [name], name, _OPENED.get(name)):
            last = at[-1]
            plain = isinstance(last, list) and len(last) == 1 and not isinstance(one, (dict, list))
            yield _text({"at": at} if plain and last[0] == one else {"at": at, "value": one})


def _facts(
    value: Any, at: list[Any], name: str, opened: Facts | None
) -> Iterator[tuple[list[Any], Any]]:
    """Every fact in a value, and where it stands."""
    if isinstance(value, list) and value and name not in _AS_ONE:
        met: dict[str, int] = {}
        inner = None if opened is None else opened.get("[]")
        for one in value:
            called = _called(one, name)
            key = _text(called)
            met[key] = met.get(key, 0) + 1
            entry = [*at, called if met[key] == 1 else [*called, f"no. {met[key]}"]]
            if name == "rows":
                yield entry, one[1]
            elif inner is not None and isinstance(one, dict):
                yield from _fields(one, entry, inner)
            else:
                yield entry, one
    elif isinstance(value, dict) and value and opened is not None:
        yield from _fields(value, at, opened)
    else:
        yield at, value


def _fields(value: Facts, at: list[Any], opened: Facts) -> Iterator[tuple[list[Any], Any]]:
    for name, one in value.items():
        yield from _facts(one, [*at, name], name, opened.get(name, opened.get("*")))


def _called(one: Any, name: str) -> list[Any]:
    """What an entry of a list is called by."""
    if name == "rows":
        return list(one[0])
    if not isinstance(one, dict):
        return [one]
    if name == "stretches":
        return [one["members"][0]]
    if name == "paths" and "along" in one:
        return [one["along"], one["to"]]
    found = [one.get(part) for part in _NAMES.get(name, ("id", "step"))]
    return [part for part in found if part is not None] or [""]


def _text(value: Any) -> str:
    return json.dumps(value, separators=(",", ":"), allow_nan=False)


# --- Records, each row by its key with a cell for each column.


def _by_column(records: Facts) -> Facts:
    """Tables of records: of each row its key, and its cells by column but for blank ones."""
    tables = []
    for table in records["tables"]:
        names = table["columns"]
        rows = []
        for row in table["rows"]:
            cells = dict(zip(names, row, strict=True))
            known = {name: cell for name, cell in cells.items() if cell is not None}
            rows.append(([known.get(name) for name in _key_of(table["role"], known)], known))
        tables.append({**table, "at": _runs(table["at"]), "rows": rows})
    return {**records, "tables": tables}


def _key_of(role: str, cells: Facts) -> list[str]:
    """The columns that tell a record from others of its role."""
    if "id" in cells:
        return ["id"]
    needed = ROLES[role].columns if role in ROLES else ()
    return [one.name for one in needed if one.required and one.name in cells]


def _runs(numbers: list[int | None]) -> list[list[int | None]]:
    """Numbers of rows as runs: [first, last] where they count up, [None] where there is none."""
    found: list[list[int | None]] = []
    for number in numbers:
        last = found[-1] if found else [None]
        if number is not None and last[-1] is not None and number == last[-1] + 1:
            found[-1] = [last[0], number]
        else:
            found.append([number])
    return found


# --- And back.


class _Entries(dict[str, Any]):
    """The entries of a list, by the text of what they are called by."""


def read_facts(file: Path | str) -> Facts:
    """Read the evidence of a proof from a file, with ids in place of numbers.

    Parameters
    ----------
    file : path
        What `prove --json` or `prove --json-lines` wrote.

    Returns
    -------
    dict
        What `with_ids` gives of `Proof.facts`, whichever of the two it is.

    Raises
    ------
    CallError
        The file cannot be read, or holds something else; with the number of the line.
    """
    path = Path(file)
    try:
        text = read_bytes(path, MOST_BYTES).decode()
    except (RefusedError, UnicodeDecodeError) as error:
        raise CallError(f"{path.name} cannot be read as evidence: {error}") from error
    head, *lines = text.split("\n")
    first = _parsed(head)
    if isinstance(first, dict) and "lines" in first:
        return _of_lines(path.name, first, lines)
    found = in_full(_parsed(text))
    if wrong := misfits(found, most=3):
        raise CallError(
            f"{path.name} holds no evidence that this version reads ({'; '.join(wrong)}); expected "
            "what `prove --json` or `prove --json-lines` writes"
        )
    return with_ids(found)


def _parsed(text: str) -> Any:
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        return None


def _of_lines(name: str, head: Facts, lines: Iterable[str]) -> Facts:
    if head.get("lines") != LINES or head.get("format") != FORMAT:
        raise CallError(
            f"{name}, line 1: form {head.get('lines')} of format {head.get('format')}; expected "
            f"form {LINES} of format {FORMAT}: write it again with this version"
        )
    found: Facts = {"format": head["format"], "waysapart": head.get("waysapart")}
    for number, line in enumerate(lines, start=2):
        if line:
            try:
                _put(found, json.loads(line))
            except (ValueError, TypeError, KeyError, RecursionError) as error:
                raise CallError(
                    f"{name}, line {number}: {error or 'no fact'}; expected "
                    '{"at": [...], "value": ...} with each place once'
                ) from error
    whole = _plain(found)
    try:
        for table in whole.get("records", {}).get("tables", ()):
            names = table["columns"]
            table["rows"] = [[row.get(name) for name in names] for row in table["rows"]]
            table["at"] = [one for run in table["at"] for one in _counted(*run)]
        if "circuits" not in whole or "evidence" not in whole:
            raise KeyError("circuits")
    except (AttributeError, KeyError, TypeError, ValueError) as error:
        raise CallError(f"{name} holds less than the evidence of a proof: {error}") from error
    return {key: whole[key] for key in _ORDER if key in whole}


_ORDER = tuple(Evidence.__annotations__)


def _counted(first: int | None, last: int | None = None) -> list[int | None]:
    """The numbers of rows that a run stands for."""
    if first is None or last is None:
        return [first]
    if last - first > MOST_ROWS:
        raise ValueError("a run of rows is too long")
    return list(range(first, last + 1))


def _put(found: Facts, line: Any) -> None:
    """Put one fact in its place."""
    at = line["at"]
    if not isinstance(at, list) or not at or not isinstance(at[0], str):
        raise ValueError("no place")
    last = at[-1]
    if "value" in line:
        value = line["value"]
    elif isinstance(last, list) and len(last) == 1:
        value = last[0]
    else:
        raise ValueError("no value")
    owner: Facts = found
    for step, follows in zip(at, [*at[1:], None], strict=True):
        if isinstance(step, list) != isinstance(owner, _Entries):
            raise ValueError("an entry of no list")
        key = _text(step) if isinstance(step, list) else step
        if not isinstance(key, str):
            raise TypeError("a place is a text or stands in brackets")
        if follows is None:
            if key in owner:
                raise ValueError("the same place twice")
            owner[key] = value
        else:
            owner = owner.setdefault(key, _Entries() if isinstance(follows, list) else {})
            if not isinstance(owner, dict):
                raise TypeError("a fact within a fact")


def _plain(value: Any) -> Any:
    """Entries as lists."""
    if isinstance(value, _Entries):
        return [_plain(one) for one in value.values()]
    return {key: _plain(one) for key, one in value.items()} if isinstance(value, dict) else value
