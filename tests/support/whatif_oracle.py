"""Several assets lost at once, played through by plain sets; shares no code with the package."""

from __future__ import annotations

from collections.abc import Iterable

from oracle_records import Plant, ids
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
    """Circuits that have a path on record, and none that stands."""
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


def stand_ins(plant: Plant, taken: Iterable[str]) -> dict[str, set[str]]:
    """For every circuit the supplies that stand in for one that is gone, on paths that stand.

    Walks every machine: one of its feeds is gone, another stands, and a path that stands would
    break without the machine.
    """
    gone = set(taken)
    world = Loss(plant, gone)
    found: dict[str, set[str]] = {circuit: set() for circuit in plant.circuits}
    stand = set(_ways_that_stand(plant, world))
    for machine in [*plant.of("equipment"), *plant.of("supplies")]:
        if machine.id in world.lost:
            continue
        feeds = _feeds(plant, machine.id)
        whole = [feed for feed in feeds if not feed & world.lost]
        if not whole or len(whole) == len(feeds):
            continue
        others = set().union(*whole) & _supplies(plant, machine.id)
        without = set(_ways_that_stand(plant, Loss(plant, gone | {machine.id})))
        for circuit, _ in stand - without:
            found[circuit] |= others
    return found


def newly_fatal(plant: Plant, taken: Iterable[str]) -> dict[str, set[str]]:
    """Single further assets, each with the circuits that it takes now and did not take before."""
    before, now = last_straws(plant, plant.out), last_straws(plant, {*taken, *plant.out})
    found: dict[str, set[str]] = {}
    for circuit, straws in now.items():
        for asset in straws - before[circuit]:
            found.setdefault(asset, set()).add(circuit)
    return found


def _ways_that_stand(plant: Plant, world: Loss) -> Iterable[Way]:
    for each in plant.paths.values():
        for path in each:
            if world.path_stands(path):
                yield path.circuit, path.label


def _supplies(plant: Plant, machine: str) -> set[str]:
    return set(ids(plant.assets[machine].row.get("supplies")))


def _feeds(plant: Plant, machine: str) -> list[set[str]]:
    """Each supply; in a loop of boards each shortest way out of the loop."""
    if machine not in _behind(plant, machine):
        return [{one} for one in _supplies(plant, machine)]
    chains: list[set[str]] = []
    ahead = [[machine]]
    while ahead:
        chain = ahead.pop()
        for one in _supplies(plant, chain[-1]) - set(chain):
            if machine in _behind(plant, one):
                ahead.append([*chain, one])
            else:
                chains.append({*chain[1:], one})
    shortest = [one for one in chains if not any(other < one for other in chains)]
    return shortest or [{one} for one in _supplies(plant, machine)]


def _behind(plant: Plant, machine: str) -> set[str]:
    """Everything that feeds a machine, at any depth."""
    found: set[str] = set()
    ahead = [machine]
    while ahead:
        for one in _supplies(plant, ahead.pop()) - found:
            found.add(one)
            ahead.append(one)
    return found
