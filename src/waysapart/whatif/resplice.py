"""Which fibres to re-splice first where a joint is hit or a cable is cut.

Protection circuits come before other links, and these before spares; of the circuits main before
alternate, and those that the works lose before those that still run (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, TypedDict

import numpy as np
import pandas as pd

from waysapart.arrays import Bools, Ints, csr_row
from waysapart.network.links import CableNodes
from waysapart.network.paths import MAIN
from waysapart.network.trace import Fibre
from waysapart.text import counted
from waysapart.whatif.base import Base
from waysapart.whatif.outage_state import LOST, CircuitState

Carries = Literal["main", "alternate", "other", "spare"]
"""What a fibre carries: the main path of a protection circuit, an alternate or further path, a
link of no circuit, or nothing."""
ORDER: tuple[Carries, ...] = ("main", "alternate", "other", "spare")
"""What is re-spliced first stands first."""


class SpliceToMake(TypedDict):
    """One splice to make, what it carries, and the circuits and links that it brings back."""

    tray: str | None
    a_cable: str
    a_fibre: int
    b_cable: str
    b_fibre: int
    carries: Carries
    circuits: list[str]
    links: list[str]


class ResplicePlace(TypedDict):
    """A joint that is hit, or a cable that is cut between its ends, with its splices in order.

    `joint` is null for a cable, `cable` for a joint. `at` says where: the structure or site of
    the joint, or what of the cable's course is hit. `dark` is the number of fibres of the cable
    of which nothing is on record, null where it has no `fibre_count`. `unsure`: links that are
    down and do not say which fibres of these cables they have.
    """

    joint: str | None
    cable: str | None
    at: list[str]
    splices: list[SpliceToMake]
    dark: int | None
    unsure: list[str]


def resplice_first(
    base: Base, fallen: Bools, links: Ints, cables: Ints, circuits: Sequence[CircuitState]
) -> list[ResplicePlace]:
    """Put the splices that works make necessary in order, joint by joint and cable by cable.

    Parameters
    ----------
    base : Base
    fallen : ndarray of bool, shape (assets,)
        All that the works put out of service.
    links : ndarray of int
        Links that they cut.
    cables : ndarray of int
        Cables that they cut.
    circuits : sequence of CircuitState
        Every circuit during the works.

    Returns
    -------
    list of ResplicePlace
        The place with the most urgent splice first. A cable that is hit at its own end alone is
        not cut: its joint or its panel is hit. Where no splice of a joint is on record, the fibres
        of the cables in it are listed.
    """
    carried = _Carried(base, links, circuits)
    joints = _hit_joints(base, fallen)
    found = [*_in_joints(base, joints, carried), *_along(base, fallen, cables, joints, carried)]
    found = [one for one in found if one["splices"] or one["unsure"] or one["dark"] != 0]
    found.sort(key=lambda place: _urgency(place, carried))
    return found


@dataclass(frozen=True)
class _Use:
    """What a fibre carries, and for whom."""

    carries: Carries
    circuits: tuple[str, ...]
    links: tuple[str, ...]


class _Carried:
    """What the links that are down carry."""

    def __init__(self, base: Base, links: Ints, circuits: Sequence[CircuitState]) -> None:
        ids = base.study.tables["links"]["id"].to_list()
        names, paths = base.circuit_ids(), base.network.paths
        self.down = {str(ids[link]) for link in links.tolist()}
        self.rank = {
            names[one.circuit]: 0 if one.state == LOST else 1 if one.touched else 2
            for one in circuits
        }
        self._paths: dict[str, list[tuple[bool, str]]] = {}
        for path, label in enumerate(paths.label):
            circuit = names[int(paths.circuit[path])]
            for link in paths.links(path).tolist():
                mine = self._paths.setdefault(str(ids[link]), [])
                mine.append((label == MAIN, circuit))

    def of(self, links: Collection[str]) -> _Use:
        """What links carry of which nobody else is asked about; those that are not down do not."""
        down = sorted(self.down.intersection(links), key=counted)
        on = {one for link in down for one in self._paths.get(link, ())}
        main = {circuit for is_main, circuit in on if is_main}
        circuits = main or {circuit for _, circuit in on}
        order = sorted(circuits, key=lambda name: (self.rank.get(name, 2), counted(name)))
        carries: Carries = (
            "main" if main else "alternate" if circuits else "other" if down else "spare"
        )
        return _Use(carries, tuple(order), tuple(down))


def _hit_joints(base: Base, fallen: Bools) -> Ints:
    """Joints that fall, counted from 0."""
    return np.flatnonzero(fallen[base.network.assets.of_role("joints")])


def _in_joints(base: Base, joints: Ints, carried: _Carried) -> list[ResplicePlace]:
    """Joints that are hit, with all their splices."""
    if not len(joints):
        return []
    study, use = base.study, base.fibre_use
    table, traced = study.tables["splices"], study.traced
    names = study.tables["joints"]["id"].to_numpy(dtype=object)[joints]
    mine = np.flatnonzero(table["joint"].isin(names))
    over = _traced_over(base)
    whole = frozenset[str]() if traced is None else traced.links
    number = {name: place for place, name in enumerate(study.tables["cables"]["id"].to_list())}
    made: dict[str, list[SpliceToMake]] = {}
    rows = table.iloc[mine][["joint", "tray", "a_cable", "a_fibre", "b_cable", "b_fibre"]]
    for row, (joint, tray, a, a_fibre, b, b_fibre) in zip(
        mine.tolist(), rows.itertuples(index=False, name=None), strict=True
    ):
        if a not in number or b not in number or np.isnan(a_fibre) or np.isnan(b_fibre):
            continue  # not on record; a gap says so
        ends: list[Fibre] = [(number[a], int(a_fibre)), (number[b], int(b_fibre))]
        links = set(over.get(row, ()))
        links |= {link for end in ends for link in use.links.get(end, ()) if link not in whole}
        made.setdefault(joint, []).append(
            _splice(tray, (str(a), int(a_fibre)), (str(b), int(b_fibre)), carried.of(links))
        )
    at = study.tables["joints"].set_index("id")["at"].to_dict()
    return [
        {
            "joint": str(joint),
            "cable": None,
            "at": [at[joint]] if isinstance(at[joint], str) else [],
            "splices": _in_order(made[joint], carried),
            "dark": 0,
            "unsure": _unsure(
                use.unsure,
                {number[one[side]] for one in made[joint] for side in ("a_cable", "b_cable")},
                carried,
            ),
        }
        for joint in names
        if joint in made
    ]


def _traced_over(base: Base) -> dict[int, set[str]]:
    """By row of splices, ids of the links that are traced over it."""
    traced = base.study.traced
    found: dict[int, set[str]] = {}
    if traced is not None:
        steps = traced.steps[traced.steps["is"] == "splice"]
        for row, link in zip(steps["row"].to_list(), steps["link"].to_list(), strict=True):
            found.setdefault(row, set()).add(link)
    return found


def _along(
    base: Base, fallen: Bools, cables: Ints, joints: Ints, carried: _Carried
) -> list[ResplicePlace]:
    """Cables that are cut between their ends, with the fibres that are to be joined again."""
    study, use, assets = base.study, base.fibre_use, base.network.assets
    nodes = CableNodes(base.network.chains, base.network.passed)
    ids = study.tables["cables"]["id"].to_list()
    count = study.tables["cables"]["fibre_count"].to_numpy(dtype=np.float64)
    known = _on_record(base)
    spliced = _spliced_in(base, joints)
    joints_at = assets.of_role("joints")
    places = [assets.of_role("sites"), assets.of_role("structures"), joints_at]
    stand = dict(zip(assets.ids(assets.start["joints"] + joints), _at(base, joints), strict=True))
    told = set(study.tables["splices"]["joint"].dropna())
    found: list[ResplicePlace] = []
    for cable in cables.tolist():
        items = csr_row(base.reliance.parts, cable)
        at = np.sort(items[fallen[items]]).tolist()
        course = nodes.nodes(cable)
        ends = {node for node, place in course if place in (0.0, float(nodes.length(cable)))}
        node_only = all(any(role.start <= one < role.stop for role in places) for one in at)
        mine = [name for name in assets.ids(at) if name in stand]
        where = {stand.get(name, one) for name, one in zip(assets.ids(at), at, strict=True)}
        if course and node_only and ends.issuperset(where) and told.issuperset(mine):
            continue
        fibres = sorted(
            number
            for number in known.get(cable, ())
            if not (node_only and (cable, number) in spliced)
        )
        rows = [
            _splice(
                None,
                (str(ids[cable]), number),
                (str(ids[cable]), number),
                carried.of(use.links.get((cable, number), ())),
            )
            for number in fibres
        ]
        shown = [one for one in at if not joints_at.start <= one < joints_at.stop]
        dark = count[cable] - len([n for n in known.get(cable, ()) if n <= count[cable]])
        found.append(
            {
                "joint": None,
                "cable": str(ids[cable]),
                "at": assets.ids(shown or at),
                "splices": _in_order(rows, carried),
                "dark": None if np.isnan(dark) else int(dark),
                "unsure": _unsure(use.unsure, {cable}, carried),
            }
        )
    return found


def _at(base: Base, joints: Ints) -> list[int]:
    """Asset numbers of the places of joints."""
    at = base.network.assets.numbers(base.study.tables["joints"]["at"])[joints]
    found: list[int] = at.tolist()
    return found


def _on_record(base: Base) -> dict[int, set[int]]:
    """By cable, fibres of which anything is on record."""
    graph = base.network.fibres
    found: dict[int, set[int]] = {}
    pairs = set(zip(graph.cable.tolist(), graph.fibre.tolist(), strict=True))
    for cable, number in (*pairs, *base.fibre_use.doubtful, *base.fibre_use.links):
        found.setdefault(cable, set()).add(number)
    return found


def _spliced_in(base: Base, joints: Ints) -> set[Fibre]:
    """Fibres that are spliced in some joints."""
    study = base.study
    table = study.tables["splices"]
    mine = table[table["joint"].isin(study.tables["joints"]["id"].iloc[joints])]
    index = pd.Index(study.tables["cables"]["id"])
    found: set[Fibre] = set()
    for side in "ab":
        cable = index.get_indexer(pd.Index(mine[f"{side}_cable"]))
        fibre = mine[f"{side}_fibre"].fillna(0).astype(int)
        found |= set(zip(cable.tolist(), fibre.to_list(), strict=True))
    return found


def _splice(tray: object, a: tuple[str, int], b: tuple[str, int], use: _Use) -> SpliceToMake:
    return {
        "tray": tray if isinstance(tray, str) else None,
        "a_cable": a[0],
        "a_fibre": a[1],
        "b_cable": b[0],
        "b_fibre": b[1],
        "carries": use.carries,
        "circuits": list(use.circuits),
        "links": list(use.links),
    }


_Key = tuple[int, int, list[list[tuple[int, str]]]]


def _key(row: SpliceToMake, carried: _Carried) -> _Key:
    """How urgent a splice is: by what it carries, then lost circuits first."""
    rank = min((carried.rank.get(name, 2) for name in row["circuits"]), default=2)
    return ORDER.index(row["carries"]), rank, [counted(name) for name in row["circuits"]]


def _in_order(rows: list[SpliceToMake], carried: _Carried) -> list[SpliceToMake]:
    return sorted(
        rows,
        key=lambda row: (
            *_key(row, carried),
            counted(row["tray"] or ""),
            counted(row["a_cable"]),
            row["a_fibre"],
        ),
    )


def _urgency(place: ResplicePlace, carried: _Carried) -> tuple[_Key, list[tuple[int, str]]]:
    first = _key(place["splices"][0], carried) if place["splices"] else (len(ORDER), 2, [])
    return first, counted(place["joint"] or place["cable"] or "")


def _unsure(
    unsure: Mapping[int, Sequence[str]], cables: Collection[int], carried: _Carried
) -> list[str]:
    """Links that are down and do not say which fibres of some cables they have."""
    found = {link for cable in cables for link in unsure.get(cable, ())}
    return sorted(found & carried.down, key=counted)
