"""Small plants drawn by hand for rerouting, and how to ask for a circuit."""

from __future__ import annotations

from pathlib import Path

from reroute_plants import Plant
from waysapart.reroute.api import Reroute, reroute


def ask(plant: Plant, folder: Path, *circuits: str, **options: object) -> Reroute:
    return reroute(plant.read(folder), circuits or ("K",), **options)  # type: ignore[arg-type]


def one_pit(plant: Plant) -> None:
    """CN by N1, P, N2 and CS by S1, P, S2: they meet in pit P, which lies in road R."""
    plant.nodes("pit", N1=(1300, 150), P=(1500, 0), N2=(1700, 150))
    plant.nodes("pit", S1=(1250, -300), S2=(1750, -300))
    plant.laid("CN", "A", "N1", "P", "N2", "B")
    plant.laid("CS", "A", "S1", "P", "S2", "B")
    plant.link("L1", "CN")
    plant.link("L2", "CS")
    plant.way("K", "main", "L1")
    plant.way("K", "alternate", "L2")
