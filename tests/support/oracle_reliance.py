"""What each asset and each path relies on, worked backward from the path.

How reliance is worked out: every asset has *parts that it cannot do without*. They
are of two sorts, kept apart because holders are folded under what they hold:

- steps *up*: what it lies within, and hazards that touch and take it;
- steps *across*: ends, passed structures, site, needs, carrier, joints and so on.

The reliance of an asset is the least set that is closed under both, where an
equipment or a supply adds what all its supplies have in common. It is found by
repeating until nothing changes. Supplies that feed each other in a loop count by
the routes that lead into the loop from outside. `oracle_simulation` finds the same
sets by breaking one asset after the other.
"""

from __future__ import annotations

import itertools

from oracle_records import Plant, Way, ids

Key = tuple[str, ...]
"""("asset", id); ("held", segment): reached through `within` only;
("part", cable, first, last): a cable used between two positions of its chain."""


class Reliance:
    """What every asset of a plant relies on by itself."""

    def __init__(self, plant: Plant) -> None:
        self.plant = plant
        self.across: dict[Key, set[Key]] = {}
        self.feeds: dict[Key, list[tuple[Key, ...]]] = {}
        for asset in plant.assets:
            self._add(("asset", asset))
        for segment in plant.of("segments"):
            self._add(("held", segment.id))
        for runs in plant.runs.values():
            for run in itertools.chain.from_iterable(runs.values()):
                if not run.whole:
                    self._add(("part", run.cable, str(run.first), str(run.last)))
        self.of: dict[Key, set[str]] = {key: {key[1]} for key in self.across}
        self._grow()

    def up(self, asset: str) -> set[str]:
        """What takes `asset` with it by holding or touching it."""
        return set(self.plant.holders(asset)) | self.plant.takes.get(asset, frozenset())

    def _held(self, holder: str) -> Key:
        return ("held" if self.plant.assets[holder].role == "segments" else "asset", holder)

    def _add(self, key: Key) -> None:
        if key in self.across:
            return
        self.across[key] = set()
        self.across[key] = self._steps_across(key)
        for step in self.across[key]:
            self._add(step)
        asset = self.plant.assets[key[1]]
        if asset.role in ("equipment", "supplies"):
            self.feeds[key] = [tuple(("asset", s) for s in r) for r in self._routes(asset.id)]

    def _fed_by(self, asset: str) -> list[str]:
        return [one for one in ids(self.plant.assets[asset].row.get("supplies")) if one != "-"]

    def _upstream(self, asset: str) -> set[str]:
        """Everything that feeds an asset, at any distance."""
        found: set[str] = set()
        ahead = self._fed_by(asset)
        while ahead:
            if (at := ahead.pop()) not in found:
                found.add(at)
                ahead += self._fed_by(at)
        return found

    def _routes(self, user: str) -> list[tuple[str, ...]]:
        """Supplies that together feed `user`: one alone, or those on a way into its loop."""
        found: list[tuple[str, ...]] = []

        def follow(at: str, passed: tuple[str, ...]) -> None:
            for supply in self._fed_by(at):
                if supply == user or supply in passed:
                    continue
                if user in self._upstream(supply):
                    follow(supply, (*passed, supply))
                else:
                    found.append((*passed, supply))

        follow(user, ())
        return found or [(supply,) for supply in self._fed_by(user)]

    def _steps_across(self, key: Key) -> set[Key]:
        plant, asset = self.plant, self.plant.assets[key[1]]
        if key[0] == "held":
            return set()
        found: set[str] = set()
        if asset.role == "segments":
            found.update(node for node in plant.ends[asset.id] if node)
            found.update(plant.passed[asset.id])
        elif asset.role == "joints":
            found.add(asset.row["at"])
        elif asset.role in ("supplies", "equipment"):
            found.add(asset.row["site"])
            found.update(ids(asset.row.get("needs")))
        elif asset.role == "cables":
            return self._cable_steps(key)
        return {("asset", step) for step in found}

    def _cable_steps(self, key: Key) -> set[Key]:
        plant, cable = self.plant, key[1]
        chain = plant.chains[cable]
        first, last = (int(key[2]), int(key[3])) if key[0] == "part" else (0, len(chain.segments))
        steps: set[Key] = {("asset", segment) for segment in chain.segments[first:last]}
        steps.update(("asset", joint) for joint in plant.joints_of(cable, first, last))
        carrier = plant.carrier(cable)
        if carrier:
            follows = key[0] == "part" and not plant.has_runs(cable)
            steps.add(("part", carrier, *key[2:]) if follows else ("asset", carrier))
        return steps

    def _grow(self) -> None:
        changed = True
        while changed:
            changed = False
            for key, mine in self.of.items():
                before = len(mine)
                mine.update(*(self.of[step] for step in self.across[key]))
                mine.update(self.plant.takes.get(key[1], ()))
                mine.update(*(self.of[self._held(up)] for up in self.plant.holders(key[1])))
                if self.feeds.get(key):
                    mine.update(self.common(key))
                changed = changed or len(mine) > before

    def common(self, key: Key) -> set[str]:
        """What all feeds of an equipment or a supply have in common."""
        return set.intersection(
            *(set().union(*(self.of[one] for one in feed)) for feed in self.feeds[key])
        )

    def first_steps(self, link: str) -> set[Key]:
        """What a link relies on at first hand."""
        plant, row = self.plant, self.plant.links[link]
        steps: set[Key] = {
            ("asset", asset)
            for asset in [row["a"], row["b"], *ids(row.get("via")), *ids(row.get("relies_on"))]
        }
        steps |= {("asset", hazard) for hazard in plant.in_air.get(link, ())}
        for run in itertools.chain.from_iterable(plant.runs[link].values()):
            if run.whole:
                steps.add(("asset", run.cable))
            else:
                steps.add(("part", run.cable, str(run.first), str(run.last)))
        steps.update(
            ("asset", joint.id)
            for joint in plant.of("joints")
            if not ids(joint.row.get("cables")) and joint.row["at"] in plant.changes[link]
        )
        return steps

    def of_path(self, path: Way) -> set[str]:
        steps = [self.first_steps(link) for link in path.links]
        return set().union(*(self.of[key] for key in itertools.chain.from_iterable(steps)))

    def direct(self, path: Way) -> set[str]:
        """What the path reaches by a step across, whatever else leads there."""
        ahead = list(itertools.chain.from_iterable(self.first_steps(link) for link in path.links))
        found = {key[1] for key in ahead}
        seen: set[Key] = set()
        while ahead:
            key = ahead.pop()
            if key in seen:
                continue
            seen.add(key)
            found.update(step[1] for step in self.across[key])
            ahead.extend(self.across[key])
            ahead.extend(self._held(holder) for holder in self.plant.holders(key[1]))
            if self.feeds.get(key):
                common = self.common(key)
                across = {
                    step[1]
                    for asset in common
                    if self.plant.assets[asset].role != "segments"
                    for step in self.across["asset", asset]
                }
                above = set().union(*(self.up(asset) for asset in common))
                found.update(x for x in common if x in across or x not in above)
                ahead.extend(
                    ("asset", x)
                    for x in common
                    if self.plant.assets[x].role in ("equipment", "supplies")
                )
        return found

    def behind(self, path: Way) -> set[str]:
        """What the path relies on, and all that any supply of any of it relies on."""
        found = self.of_path(path)
        while True:
            more = {
                asset
                for key, feeds in self.feeds.items()
                if key[1] in found
                for supply in itertools.chain.from_iterable(feeds)
                for asset in self.of[supply]
            }
            if more <= found:
                return found
            found |= more
