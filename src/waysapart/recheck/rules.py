"""The rules that hold for a study: the shipped ones with its own laid over them."""

from __future__ import annotations

import hashlib
import tomllib
from pathlib import Path
from typing import Any


class UnreadableError(Exception):
    """The study or the evidence cannot be read at all."""


def sha256(path: Path) -> str:
    """SHA-256 of a file's bytes."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def own_rules(
    chain: list[tuple[Path, dict[str, Any]]],
) -> tuple[dict[str, Any], list[tuple[str, str]]]:
    """A study's own rules, from the last of a chain that has any, and the file with its hash."""
    for path, said in reversed(chain):
        stated = path.parent / said.get("rules", "rules.toml")
        if stated.is_file():
            text = stated.read_bytes().decode("utf-8-sig").replace("\r\n", "\n")
            try:
                return tomllib.loads(text), [(stated.name, sha256(stated))]
            except tomllib.TOMLDecodeError as error:
                raise UnreadableError(f"{stated.name} is no TOML: {error}") from error
    return {}, []


WHOLE = {"separation_m", "forbid_cross", "ignore_kinds", "excuse", "passive"}
"""Rules that a study replaces as a whole; others are laid over key by key."""


def merged(own: dict[str, Any]) -> dict[str, Any]:
    """The shipped rules with a study's own over them; services fall back on `default`."""
    shipped = Path(__file__).resolve().parents[1] / "study" / "default_rules.toml"
    rules = tomllib.loads(shipped.read_text(encoding="utf-8"))
    rules.pop("sources")

    def lay(under: dict[str, Any], over: dict[str, Any]) -> None:
        for key, value in over.items():
            if isinstance(value, dict) and key not in WHOLE:
                lay(under.setdefault(key, {}), value)
            else:
                under[key] = value

    records = own.get("records", {})
    spread = {
        key: dict.fromkeys(rules["records"][key], value)
        if isinstance(rules["records"].get(key), dict) and not isinstance(value, dict)
        else value
        for key, value in records.items()
    }
    lay(rules, {**own, "records": spread})
    for service in rules["services"].values():
        for key, value in rules["services"]["default"].items():
            service.setdefault(key, value)
    return rules
