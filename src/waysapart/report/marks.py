"""Which mark stands for which kind of asset, on the strips and on the map for paper."""

from __future__ import annotations

LAID = {
    "span": "overhead",
    "duct": "buried",
    "subduct": "buried",
    "trench": "buried",
    "buried": "buried",
    "tunnel": "buried",
    "tray": "buried",
    "riser": "buried",
    "bridge": "buried",
    "subsea": "subsea",
}
"""How a segment of each kind is drawn; any other as if it were buried."""

KNOWN_KINDS = frozenset(
    {*LAID, "tower", "gantry", "pole", "pit", "entry", "room", "chassis", "rack", "charger"}
    | {"battery", "relay", "multiplexer", "repeater", "panel", "radio", "clock", "filter"}
    | {"right-of-way", "opgw", "adss", "wrapped", "lashed", "building", "cabinet"}
    | {"fibre", "leased", "electrical", "internal", "carrier"}
)
"""Words of the trade that name a kind and give nothing away."""

_STRUCTURES = {
    "tower": "tower",
    "gantry": "gantry",
    "pole": "pole",
    "pit": "pit",
    "entry": "entry",
    "bridge": "span",
}
_SMALL = frozenset({"tower", "pole", "pit", "other"})


def mark_of(role: str, kind: str, small: bool = False) -> tuple[str, float]:
    """Name of a mark and its radius in pixels.

    Parameters
    ----------
    role, kind : str
        Of the asset.
    small : bool
        Whether the marks stand too close together for more than a tick.
    """
    if role == "sites":
        return "site", 7.0
    if role == "equipment":
        return "machine", 6.5
    if role == "joints":
        return "joint", 2.6
    shape = _STRUCTURES.get(kind, "other")
    return ("tick" if small and shape in _SMALL else shape), 5.0


def plural(number: int, what: str) -> str:
    """`1 pit`, `3 gantries`, `2 entries`."""
    if number == 1:
        return f"1 {what}"
    if what.endswith("y") and what[-2:-1] not in "aeiou":
        return f"{number} {what[:-1]}ies"
    return f"{number} {what}" if what.endswith("s") else f"{number} {what}s"
