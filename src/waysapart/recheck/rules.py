"""The rules that hold for a study: the shipped ones with its own laid over them."""

from __future__ import annotations

import tomllib
from copy import deepcopy
from functools import cache
from pathlib import Path
from typing import Any

from waysapart.opening import MOST_SETTINGS_BYTES, RefusedError, read_bytes, sha256


class UnreadableError(Exception):
    """The study or the evidence cannot be read at all."""


def settings_of(path: Path) -> dict[str, Any]:
    """What a TOML file says."""
    try:
        text = read_bytes(path, MOST_SETTINGS_BYTES).decode("utf-8-sig").replace("\r\n", "\n")
        return tomllib.loads(text)
    except RefusedError as error:
        raise UnreadableError(f"{path.name} {error}") from error
    except (ValueError, RecursionError, OverflowError, MemoryError) as error:
        said = str(error) or type(error).__name__
        raise UnreadableError(f"{path.name} is no TOML: {said}") from error


def own_rules(
    chain: list[tuple[Path, dict[str, Any]]],
) -> tuple[dict[str, Any], list[tuple[str, str]]]:
    """A study's own rules, from the last of a chain that has any, and the file with its hash."""
    for path, said in reversed(chain):
        stated = path.parent / said.get("rules", "rules.toml")
        if stated.exists():
            return settings_of(stated), [(stated.name, sha256(stated))]
    return {}, []


WHOLE = {"separation_m", "forbid_cross", "ignore_kinds", "excuse", "passive"}
"""Rules that a study replaces as a whole; others are laid over key by key."""


@cache
def _shipped() -> dict[str, Any]:
    path = Path(__file__).resolve().parents[1] / "study" / "default_rules.toml"
    return tomllib.loads(path.read_text(encoding="utf-8"))


def shipped_sources() -> dict[str, str]:
    """By dotted key, the source of what the shipped rules say under it."""
    found: dict[str, str] = _shipped()["sources"]
    return found


def merged(own: dict[str, Any], file: str) -> tuple[dict[str, Any], dict[tuple[str, ...], str]]:
    """The shipped rules with a study's own over them; services fall back on `default`.

    Also the paths of keys that the study's own rules state, each with the name of their file.
    """
    rules = deepcopy({key: value for key, value in _shipped().items() if key != "sources"})
    said_by: dict[tuple[str, ...], str] = {}

    def lay(under: dict[str, Any], over: dict[str, Any], path: tuple[str, ...]) -> None:
        for key, value in over.items():
            here = (*path, key)
            if isinstance(value, dict) and key not in WHOLE:
                if not isinstance(under.get(key), dict):
                    under[key] = {}
                lay(under[key], value, here)
                if len(here) == 2 and path[0] == "failures":  # a rate stated replaces the other
                    rates = {"per_year", "per_km_year"}
                    if rates & set(value):
                        for other in rates - set(value):
                            under[key].pop(other, None)
            else:
                under[key] = value
                said_by[here] = file

    records = own.get("records", {})
    spread = {
        key: dict.fromkeys(rules["records"][key], value)
        if isinstance(rules["records"].get(key), dict) and not isinstance(value, dict)
        else value
        for key, value in records.items()
    }
    lay(rules, {**own, "records": spread}, ())
    for name, service in rules["services"].items():
        for key, value in rules["services"]["default"].items():
            if key not in service:
                service[key] = value
                origin = "services", "default", key
                source = said_by.get(origin) or shipped_sources().get(".".join(origin))
                said_by["services", name, key] = source or shipped_sources()["services.default"]
    return rules, said_by
