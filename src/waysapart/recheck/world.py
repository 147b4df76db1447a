"""A study as recheck understands it, put together once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from waysapart.recheck.cables import Cables, follow_cables
from waysapart.recheck.figures import Figures
from waysapart.recheck.ground import Gap, Ground, survey
from waysapart.recheck.links import Hop, tie_links
from waysapart.recheck.own_line import own_line
from waysapart.recheck.paths import Key, Trial, service_of, tie_paths, trials_of
from waysapart.recheck.reading import Records
from waysapart.recheck.reliance import Asset, Reliance, fallen, rely

DRAWN_GAPS = {"match-uncovered", "match-ambiguous", "cable-broken"}


@dataclass
class World:
    """Everything that claims are held against.

    `relied`: what each path relies on; `items`: what it uses directly; `lost`:
    paths that are out of service; `undecided`: ways round a ring whose main way
    the records do not settle; `behind`: what each path relies on, and what any
    supply of any of it does.
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
    led_to: dict[Asset, set[Asset]] = field(default_factory=dict)
    cut_by: dict[str, set[Key]] = field(default_factory=dict)
    held: dict[str, set[str]] = field(init=False)

    def __post_init__(self) -> None:
        """`held`: what the records put directly in a thing; joints stand in what they are at."""
        self.held = {}
        for role, rows in self.records.by.items():
            for name, row in rows.items():
                above = [row.get("at")] if role == "joints" else row.get("within") or ()
                for holder in above:
                    self.held.setdefault(str(holder), set()).add(name)

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
    link_gaps += _bare_hops(figures, hops) + figures.length_gaps()
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
    gaps = [*ground.gaps, *cables.gaps, *link_gaps, *path_gaps, *_blanks(records)]
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
    return world


def _bare_hops(figures: Figures, hops: dict[str, Hop]) -> list[Gap]:
    """Hops without cables that join what they should not, or have neither length nor delay."""
    gaps = []
    for name, hop in hops.items():
        medium = hop.row.get("medium") or "fibre"
        if hop.uses() or medium == "fibre":
            continue
        if medium == "internal":
            if figures.internal_apart(hop.row):
                gaps.append(Gap("internal-far", name, links=(name,)))
        elif None in figures.delay_us(name):
            gaps.append(Gap("hop-length", name, links=(name,)))
    return gaps


def _blanks(records: Records) -> list[Gap]:
    """Blanks that `[records]` in the rules does not explain."""
    said = records.rules["records"]
    return [
        Gap(f"blank-{column.removesuffix('_us')}", row["id"], (row["id"],))
        for role, row, column in blanks(records)
        if meaning(said[column], role, row)[0] == "gap"
    ]


def blanks(records: Records) -> Iterator[tuple[str, dict[str, Any], str]]:
    """Every blank of which `[records]` says what it means: role, row and column."""
    passive, links = records.rules["records"]["passive"], records.rows["links"]
    on_signals = {name for row in links for name in (row["a"], row["b"], *(row.get("via") or ()))}
    for role in ("sites", "structures", "holders", "segments", "supplies", "equipment"):
        for row in records.rows[role]:
            columns = ["within"]
            if role == "equipment" and row.get("kind") not in passive:
                columns += ["supplies", "needs", *(["delay_us"] * (row["id"] in on_signals))]
            elif role == "supplies":
                columns.append("needs")
            yield from ((role, row, column) for column in columns if row.get(column) is None)


def meaning(said: Any, role: str, row: dict[str, Any]) -> tuple[Any, str]:
    """What `[records]` says of a blank, and the kind or role that it says so of, if any."""
    if not isinstance(said, dict):
        return said, ""
    rule = next(key for key in (row.get("kind"), role, "other") if key in said)
    return said[rule], str(rule)
