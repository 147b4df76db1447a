"""Several assets lost at once, played through by plain sets; shares no code with the package."""

from __future__ import annotations

from collections.abc import Iterable

from oracle_records import Plant
from oracle_simulation import World

Way = tuple[str, str]


class Loss(World):
    """A plant from which several assets are gone, with all that goes with them."""

    def __init__(self, plant: Plant, taken: Iterable[str]) -> None:
        self.plant = plant
        self.lost = set()
        self._lose(set(taken) - set(plant.ignored))


def cut(plant: Plant, taken: Iterable[str]) -> set[Way]:
    """Ways (circuit, label) that do not stand once the assets are gone."""
    world = Loss(plant, taken)
    return {
        (path.circuit, path.label)
        for each in plant.paths.values()
        for path in each
        if not world.path_stands(path)
    }


def ways(plant: Plant) -> dict[str, list[str]]:
    """Labels of the ways of every circuit."""
    found: dict[str, list[str]] = {circuit: [] for circuit in plant.circuits}
    for each in plant.paths.values():
        for path in each:
            found[path.circuit].append(path.label)
    return found


def lost_circuits(plant: Plant, taken: Iterable[str]) -> set[str]:
    """Circuits that have a way on record, and none that stands."""
    gone = cut(plant, taken)
    return {
        circuit
        for circuit, labels in ways(plant).items()
        if labels and all((circuit, label) in gone for label in labels)
    }


def last_straws(plant: Plant, taken: Iterable[str]) -> dict[str, set[str]]:
    """For every circuit that stands: single further assets whose loss would lose it."""
    gone = set(taken)
    down = Loss(plant, gone).lost
    before = lost_circuits(plant, gone)
    found: dict[str, set[str]] = {circuit: set() for circuit in plant.circuits}
    for asset in plant.assets:
        if asset in down or asset in plant.ignored:
            continue
        for circuit in lost_circuits(plant, gone | {asset}) - before:
            found[circuit].add(asset)
    return found
