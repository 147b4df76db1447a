"""Plain values to TOML."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from datetime import date, datetime

_BARE = re.compile(r"[A-Za-z0-9_-]+")


def toml_value(value: object) -> str:
    """One value as TOML writes it, on one line.

    Raises
    ------
    TypeError
        Where TOML has no such value.
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _toml_text(value)
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, Mapping):
        inner = ", ".join(f"{_key(key)} = {toml_value(part)}" for key, part in value.items())
        return f"{{ {inner} }}" if inner else "{}"
    if isinstance(value, Sequence):
        return f"[{', '.join(toml_value(part) for part in value)}]"
    raise TypeError(f"TOML has no value for {type(value).__name__}")


def _toml_text(text: str) -> str:
    # JSON's escapes are a subset of TOML's, surrogate pairs aside; DEL is the one sign
    # that TOML wants escaped and JSON doesn't
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _key(name: object) -> str:
    """A key bare where TOML allows it, else quoted with all that needs it escaped."""
    return str(name) if _BARE.fullmatch(str(name)) else _toml_text(str(name))


def toml_document(tables: Mapping[str, object]) -> str:
    """A whole document: plain values first, then tables, then lists of tables."""
    plain, sections = [], []
    for key, value in tables.items():
        if isinstance(value, Mapping) and value:
            for name, part in value.items():
                if isinstance(part, Mapping):
                    lines = [f"{_key(at)} = {toml_value(inner)}" for at, inner in part.items()]
                    sections.append("\n".join([f"[{_key(key)}.{_key(name)}]", *lines]))
            lines = [
                f"{_key(name)} = {toml_value(part)}"
                for name, part in value.items()
                if not isinstance(part, Mapping)
            ]
            if lines:
                sections.append("\n".join([f"[{_key(key)}]", *lines]))
        elif _is_tables(value):
            for part in value:  # type: ignore[attr-defined]
                lines = [f"{_key(at)} = {toml_value(inner)}" for at, inner in part.items()]
                sections.append("\n".join([f"[[{_key(key)}]]", *lines]))
        else:
            plain.append(f"{_key(key)} = {toml_value(value)}")
    return "\n\n".join(["\n".join(plain), *sections]).strip() + "\n"


def _is_tables(value: object) -> bool:
    return (
        isinstance(value, Sequence)
        and not isinstance(value, str)
        and bool(value)
        and all(isinstance(part, Mapping) for part in value)
    )
