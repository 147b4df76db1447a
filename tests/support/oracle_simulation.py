"""What breaks when one asset is lost, played through: the oracle's second method.

Failure spreads forward from the asset that is taken away until nothing more fails;
then each path is walked to see whether it still stands. `oracle_reliance` works
backward from the path instead. Both read the same tied plant.
"""

from __future__ import annotations

import itertools

from oracle_records import Plant, Run, Way, ids


class World:
    """A plant from which `taken` is gone, with all that goes with it."""

    def __init__(self, plant: Plant, taken: str) -> None:
        self.plant = plant
        self.lost: set[str] = set()
        self._lose({taken})

    def _lose(self, taken: set[str]) -> None:
        """Take assets away, and all that goes with them."""
        sourceless = self._unfed()
        self.lost = set(taken)
        while True:
            more = {asset for asset in self.plant.assets if self._falls(asset)}
            more |= self._unfed() - sourceless
            if more <= self.lost:
                return
            self.lost |= more

    def _unfed(self) -> set[str]:
        """Supplies that stand, but that only each other feed: no source reaches them."""
        standing = {one.id: one.row for one in self.plant.of("supplies") if one.id not in self.lost}
        fed = {one for one, row in standing.items() if not ids(row.get("supplies"))}
        while True:
            more = {
                one for one, row in standing.items() if fed.intersection(ids(row.get("supplies")))
            }
            if more <= fed:
                return set(standing) - fed
            fed |= more

    def _falls(self, asset: str) -> bool:
        plant, row = self.plant, self.plant.assets[asset].row
        if any(holder in self.lost for holder in plant.holders(asset)):
            return True
        if any(hazard in self.lost for hazard in plant.takes.get(asset, ())):
            return True
        role = plant.assets[asset].role
        if role == "joints":
            return row["at"] in self.lost
        if role in ("supplies", "equipment"):
            supplies = ids(row.get("supplies"))
            return (
                row["site"] in self.lost
                or any(self.fails(need) for need in ids(row.get("needs")))
                or (bool(supplies) and all(supply in self.lost for supply in supplies))
            )
        return False

    def fails(self, asset: str) -> bool:
        """Whether something that stands on `asset` fails."""
        role = self.plant.assets[asset].role
        if role == "segments":
            return self._blocked(asset)
        if role == "cables":
            return self._cut(asset, 0, len(self.plant.chains[asset].segments), whole=True)
        return asset in self.lost

    def _blocked(self, segment: str) -> bool:
        places = [node for node in self.plant.ends[segment] if node]
        places.extend(self.plant.passed[segment])
        return segment in self.lost or any(place in self.lost for place in places)

    def _cut(self, cable: str, first: int, last: int, *, whole: bool) -> bool:
        plant = self.plant
        if cable in self.lost:
            return True
        if any(self._blocked(s) for s in plant.chains[cable].segments[first:last]):
            return True
        if any(joint in self.lost for joint in plant.joints_of(cable, first, last)):
            return True
        carrier = plant.carrier(cable)
        if carrier is None:
            return False
        if whole or plant.has_runs(cable):
            return self.fails(carrier)
        return self._cut(carrier, first, last, whole=False)

    def _run_cut(self, run: Run) -> bool:
        return self._cut(run.cable, run.first, run.last, whole=run.whole)

    def link_stands(self, link: str) -> bool:
        plant, row = self.plant, self.plant.links[link]
        machines = [row["a"], row["b"], *ids(row.get("via"))]
        if any(machine in self.lost for machine in machines):
            return False
        if any(self.fails(asset) for asset in ids(row.get("relies_on"))):
            return False
        if self.lost & plant.in_air.get(link, frozenset()):
            return False
        if any(self._run_cut(run) for run in itertools.chain(*plant.runs[link].values())):
            return False
        return not any(
            joint.id in self.lost
            for joint in plant.of("joints")
            if not ids(joint.row.get("cables")) and joint.row["at"] in plant.changes[link]
        )

    def path_stands(self, path: Way) -> bool:
        return all(self.link_stands(link) for link in path.links)


def single_points(plant: Plant) -> dict[tuple[str, str], frozenset[str]]:
    """For each path, the assets whose loss breaks it."""
    paths = [path for each in plant.paths.values() for path in each]
    broken: dict[tuple[str, str], set[str]] = {(p.circuit, p.label): set() for p in paths}
    for asset in plant.assets:
        if asset in plant.ignored:
            continue
        world = World(plant, asset)
        for path in paths:
            if not world.path_stands(path):
                broken[path.circuit, path.label].add(asset)
    return {key: frozenset(found) for key, found in broken.items()}
