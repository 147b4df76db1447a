"""A study as recheck understands it, put together once."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from waysapart.gaps import GAP_CODES, Limit
from waysapart.recheck.budgets import Budgets, test_gaps
from waysapart.recheck.cables import Cables, follow_cables
from waysapart.recheck.figures import Figures
from waysapart.recheck.gaps_of_records import gaps_of_records
from waysapart.recheck.gaps_of_rows import Gap
from waysapart.recheck.ground import Ground, survey
from waysapart.recheck.limits import hop_rate_gaps, unavailability, unrated_hops
from waysapart.recheck.links import Hop, tie_links
from waysapart.recheck.own_line import own_line
from waysapart.recheck.paths import Key, Trial, service_of, tie_paths, trials_of
from waysapart.recheck.reading import Records
from waysapart.recheck.reliance import Asset, Reliance, fallen, rely

BY_FIGURES = {"delay", "asymmetry", "unavailability"}
"""Limits whose figures say themselves that they are not known."""
DRAWN_GAPS = {"match-uncovered", "match-ambiguous", "cable-broken"}


@dataclass
class World:
    """Everything that claims are held against.

    `relied`: what each path relies on; `items`: what it uses directly; `lost`:
    paths that are out of service; `undecided`: ways round a ring whose main way
    the records do not settle; `behind`: what each path relies on, and what any
    supply of any of it does; `down`: share of the time for which each asset is down, None
    without a rate; `unrated`: hops of which nothing on record fails.
    """

    records: Records
    ground: Ground
    cables: Cables
    hops: dict[str, Hop]
    figures: Figures
    reliance: Reliance
    paths: dict[Key, list[str]]
    undecided: set[Key]
    items: dict[Key, set[Asset]]
    relied: dict[Key, set[Asset]]
    lost: set[Key]
    trials: list[Trial]
    gaps: list[Gap]
    behind: dict[Key, set[Asset]] = field(default_factory=dict)
    _leads: dict[str, set[Asset]] = field(default_factory=dict)
    _left_open: dict[str, set[Limit]] = field(default_factory=dict)
    led_to: dict[Asset, set[Asset]] = field(default_factory=dict)
    cut_by: dict[str, set[Key]] = field(default_factory=dict)
    down: dict[Asset, float | None] = field(default_factory=dict)
    unrated: set[str] = field(default_factory=set)
    held: dict[str, set[str]] = field(init=False)
    blank_within: set[Asset] = field(init=False)

    def __post_init__(self) -> None:
        """`held`: what the records put directly in a thing; joints stand in what they are at.

        `blank_within`: of what nobody recorded what it lies in.
        """
        self.blank_within = {
            name
            for role in ("sites", "structures", "holders", "segments", "supplies", "equipment")
            for name, row in self.records.by[role].items()
            if row.get("within") is None
        }
        self.held = {}
        for role, rows in self.records.by.items():
            for name, row in rows.items():
                above = [row.get("at")] if role == "joints" else row.get("within") or ()
                for holder in above:
                    self.held.setdefault(str(holder), set()).add(name)

    @cached_property
    def paths_of(self) -> dict[str, list[Key]]:
        """The paths of every circuit that has any."""
        found: dict[str, list[Key]] = {}
        for key in self.paths:
            found.setdefault(key[0], []).append(key)
        return found

    def touching(self, trial: Trial) -> list[Gap]:
        """The gaps that touch a circuit or group: in plant, of a link, or of a circuit."""
        counted = [key for side in trial.sides for key in side]
        at = self._gaps_at
        hit = {n for key in counted for link in self.paths[key] for n in at[1].get(link, ())}
        for key in counted:
            few, many = sorted((at[0].keys(), self.behind[key]), key=len)
            hit |= {n for asset in few if asset in many for n in at[0].get(asset, ())}
        for circuit in trial.circuits:
            mine = [label for name, label in counted if name == circuit]
            for n in at[2].get(circuit, ()):
                whole = trial.group_test is None or self.gaps[n].with_groups or not mine
                if whole or self.gaps[n].path in mine:
                    hit.add(n)
        return [self.gaps[n] for n in sorted(hit)]

    def concerned(self, circuits: Iterable[str]) -> list[str]:
        """Some circuits and the groups that they are in, as sentences name them."""
        mine = set(circuits)
        return [
            f"{'circuit' if trial.group_test is None else 'group'} {trial.id}"
            for trial in self.trials
            if mine & set(trial.circuits)
        ]

    def left_open(self, circuit: str) -> set[Limit]:
        """The limits of a circuit that gaps leave open, whatever its figures say.

        Delay, asymmetry and unavailability only by gaps that leave a whole path open, or put in
        doubt what is on record: what else is missing the figures of its paths know.
        """
        if circuit not in self._left_open:
            (trial,) = (t for t in self.trials if t.id == circuit and t.group_test is None)
            self._left_open[circuit] = {
                limit
                for gap in self.touching(trial)
                for limit in gap.limits
                if limit not in BY_FIGURES
                or (gap.circuits and gap.path is None)
                or GAP_CODES[gap.code].doubt
            }
        return self._left_open[circuit]

    @cached_property
    def budgets(self) -> Budgets:
        """What light loses on every link."""
        return Budgets(self.figures)

    @cached_property
    def _gaps_at(self) -> tuple[dict[Asset, list[int]], dict[str, list[int]], dict[str, list[int]]]:
        """Numbers of gaps by the assets, links and circuits that they touch."""
        assets: dict[Asset, list[int]] = {}
        links: dict[str, list[int]] = {}
        circuits: dict[str, list[int]] = {}
        for number, gap in enumerate(self.gaps):
            for asset in gap.assets:
                assets.setdefault(asset, []).append(number)
            for link in gap.links:
                links.setdefault(link, []).append(number)
            for circuit in gap.circuits:
                circuits.setdefault(circuit, []).append(number)
        return assets, links, circuits

    def leads(self, asset: str) -> set[Asset]:
        """Everything that one asset leads to, itself included."""
        if asset not in self._leads:
            self._leads[asset] = self.reliance.closure([asset])
        return self._leads[asset]


def build(records: Records, facts: dict[str, Any]) -> World:
    """Follow every record of a study, from the ground up."""
    ground = survey(records)
    drawn = {row["id"] for row in records.rows["cables"] if row.get("geometry") is not None}
    unsure = {
        gap["asset"] for gap in facts["gaps"] if gap["code"] in DRAWN_GAPS and gap["asset"] in drawn
    }
    listed = {row["cable"] for row in records.rows["cable_runs"]}
    cables = follow_cables(ground, facts["matched"], unsure - listed)
    hops, link_gaps = tie_links(cables)
    figures = Figures(cables, hops)
    claimed = {
        (circuit["id"], label): path["links"]
        for circuit in facts["circuits"]
        for label, path in circuit["paths"].items()
    }
    length_m = {name: length.longer_m for name, length in figures.lengths.items()}
    paths, path_gaps, undecided = tie_paths(records, length_m, claimed)
    reliance = rely(cables, hops)
    items = {
        key: set().union(*(reliance.items[link] for link in links)) for key, links in paths.items()
    }
    relied = {key: reliance.closure(mine) for key, mine in items.items()}
    down = fallen(reliance, cables, records.out) if records.out else set()
    lost = {key for key, mine in items.items() if mine & down}
    trials = trials_of(records, paths, lost)
    gaps = [*ground.gaps, *cables.gaps, *link_gaps, *path_gaps, *gaps_of_records(figures)]
    for trial in trials:
        mine = [key for key in paths if key[0] == trial.id]
        out = [key for key in mine if key in lost]
        if trial.group_test is None and out and len(mine) - len(out) < 2:
            gaps.append(Gap("way-out", trial.id, circuits=(trial.id,)))
        elif trial.group_test is not None and len(trial.circuits) < 2:
            gaps.append(Gap("lone-member", trial.id))
    world = World(
        records, ground, cables, hops, figures, reliance, paths, undecided, items, relied, lost,
        trials, gaps, {key: reliance.behind(mine) for key, mine in relied.items()},
    )  # fmt: skip
    for name in records.by["circuits"]:
        if service_of(records, name)["own_line"] != "excused" and own_line(world, name).why:
            gaps.append(Gap("own-line", name, circuits=(name,)))
    world.down = unavailability(world)
    world.unrated = unrated_hops(world)
    gaps += hop_rate_gaps(world)
    gaps += test_gaps(world.budgets)
    return world
