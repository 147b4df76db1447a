"""Whether the program and the plain script say the same about a circuit."""

from __future__ import annotations

from typing import Any


def agrees(ours: dict[str, Any], theirs: dict[str, Any]) -> bool:
    """Whether two answers about one circuit are one.

    Near pairs are compared where nothing avoidable is shared: what comes near beside
    something shared the program puts under it. Its distances are geodesic, theirs planar.
    """
    shared = sorted(row["asset"] for row in ours["shared"])
    near = sorted(
        [pair["main"], pair["alternate"]] for row in ours["near"] for pair in row["members"]
    )
    same = shared == theirs["shared"] and sorted(ours["unavoidable"]) == theirs["unavoidable"]
    same &= bool(shared) or near == [list(pair) for pair in theirs["near"]]
    if ours["closest_m"] is not None:
        same &= abs(ours["closest_m"] - theirs["closest_m"]) <= 0.01 + 0.002 * ours["closest_m"]
    return same and all(
        abs(ours["paths"][label]["route_m"] - metres) < 0.01
        for label, metres in theirs["route_m"].items()
    )
