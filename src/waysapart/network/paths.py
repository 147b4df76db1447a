"""Put the links of every path in order, of listed paths and of circuits round a ring."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd

from waysapart.arrays import Bools, Floats, Ints
from waysapart.gaps import Gap
from waysapart.network.assets import Assets, row_gap
from waysapart.network.rings import (
    BrokenError,
    LinkEnds,
    Ring,
    RingLeg,
    RingPassed,
    RingPath,
    close,
    courses,
    main_first,
)
from waysapart.schema import LIST_SEPARATOR
from waysapart.study.model import Study

MAIN, ALTERNATE = "main", "alternate"


@dataclass(frozen=True)
class Paths:
    """Every path of every circuit.

    Paths are in the order of circuits; within a circuit main, alternate, then further labels by
    name. Links of path `p` are `link[first[p]:first[p + 1]]`.

    Attributes
    ----------
    circuit : ndarray of int, shape (paths,)
    label : tuple of str
    first : ndarray of int, shape (paths + 1,)
    link : ndarray of int, shape (links of all paths,)
    backward : ndarray of bool, shape (links of all paths,)
        The path follows the link from its end b to its end a.
    passed : dict of int to tuple of RingPassed
        By path, how it passes each ring of its circuit; only of circuits that go over rings.
    """

    circuit: Ints
    label: tuple[str, ...]
    first: Ints
    link: Ints
    backward: Bools
    passed: Mapping[int, tuple[RingPassed, ...]] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.circuit)

    def links(self, path: int) -> Ints:
        """Return the links of one path, in order from circuit end a.

        Parameters
        ----------
        path : int

        Returns
        -------
        ndarray of int
        """
        return self.link[self.first[path] : self.first[path + 1]]

    def of_circuit(self, circuit: int) -> range:
        """Return the numbers of the paths of one circuit.

        Parameters
        ----------
        circuit : int

        Returns
        -------
        range
        """
        bounds = self._bounds
        if circuit + 1 >= len(bounds):
            return range(0)
        return range(bounds[circuit], bounds[circuit + 1])

    @cached_property
    def _bounds(self) -> list[int]:
        """Where the paths of every circuit begin."""
        last = int(self.circuit[-1]) + 1 if len(self.circuit) else 0
        bounds: list[int] = np.searchsorted(self.circuit, np.arange(last + 1)).tolist()
        return bounds


def tie_paths(study: Study, assets: Assets, link_length_m: Floats) -> tuple[Paths, list[Gap]]:
    """Put the links of every path in order from circuit end a; report where they do not connect.

    Parameters
    ----------
    study : Study
    assets : Assets
    link_length_m : ndarray of float, shape (links,)
        Fibre length in metres. Where no main way round a ring is stated, the shorter one is main.

    Returns
    -------
    Paths
    list of Gap
        Codes `path-broken`, `path-end`, `ring-broken`, `single-path`.
    """
    circuits, links = study.tables["circuits"], study.tables["links"]
    ends = LinkEnds(assets.numbers(links["a"]), assets.numbers(links["b"]))
    link_number = pd.Index(links["id"])
    circuit_number = {name: number for number, name in enumerate(circuits["id"].to_list())}
    gaps: list[Gap] = []
    listed = _listed_paths(study, link_number)
    ringed = _ring_paths(study, assets, ends, link_number, link_length_m, gaps)
    end_a, end_b = assets.numbers(circuits["a"]), assets.numbers(circuits["b"])
    made: list[tuple[int, tuple[int, str], str, list[int]]] = []
    over = {(name, label): one for name, mine in ringed.items() for label, one in mine}
    chains = {key: list(course.links) for key, course in over.items()}
    for (name, label), chain in {**listed, **chains}.items():
        circuit = circuit_number.get(name)
        if circuit is None:
            continue
        fault, ordered = _walk(chain, ends, int(end_a[circuit]), int(end_b[circuit]))
        if fault:
            code, message = fault
            names = links["id"].to_numpy()
            gaps.append(
                row_gap(
                    study,
                    code,
                    "circuits",
                    circuit,
                    f"{label}: " + message.format(*names[chain]),
                    path=label,
                )
            )
        made.append((circuit, _rank(label), label, ordered))
    made.sort(key=lambda item: item[:2])
    paths_of = (
        np.bincount([item[0] for item in made], minlength=len(circuits))
        if made
        else np.zeros(len(circuits), dtype=int)
    )
    for short in np.flatnonzero(paths_of < 2):
        text = "no path is on record" if not paths_of[short] else "only one path is on record"
        gaps.append(
            row_gap(
                study, "single-path", "circuits", int(short), f"{text}: record main and alternate"
            )
        )
    lengths = [len(item[3]) for item in made]
    ids = circuits["id"].to_list()
    passed = {
        path: over[ids[item[0]], item[2]].passed
        for path, item in enumerate(made)
        if (ids[item[0]], item[2]) in over
    }
    return (
        Paths(
            np.array([item[0] for item in made], dtype=np.int64),
            tuple(item[2] for item in made),
            np.r_[0, np.cumsum(lengths)].astype(np.int64),
            np.array([link for item in made for link in item[3]], dtype=np.int64),
            np.array(
                [
                    turned
                    for item in made
                    for turned in _directions(item[3], ends, int(end_a[item[0]]))
                ],
                dtype=np.bool_,
            ),
            passed,
        ),
        gaps,
    )


def _rank(label: str) -> tuple[int, str]:
    return ({MAIN: 0, ALTERNATE: 1}.get(label, 2), label)


def _listed_paths(study: Study, link_number: pd.Index[str]) -> dict[tuple[str, str], list[int]]:
    rows = study.tables["circuit_paths"].sort_values(["circuit", "path", "seq"], kind="stable")
    numbers = link_number.get_indexer(pd.Index(rows["link"])).tolist()
    found: dict[tuple[str, str], list[int]] = {}
    named = rows["circuit"].to_list(), rows["path"].to_list()
    for circuit, label, link in zip(*named, numbers, strict=True):
        found.setdefault((circuit, label), []).append(link)
    return {key: [link for link in chain if link >= 0] for key, chain in found.items()}


def _walk(
    chain: Sequence[int], ends: LinkEnds, begin: int, finish: int
) -> tuple[tuple[str, str] | None, list[int]]:
    """Follow links from end to end; return the fault (gap code, text), and the links from end a."""
    best: tuple[int, str] | None = None
    for start, stop, step in ((begin, finish, 1), (finish, begin, -1)):
        node, at = start, 0
        for link in chain:
            following = ends.other(link, node)
            if following is None:
                break
            node, at = following, at + 1
        if at == len(chain) and node == stop and at:
            return None, list(chain)[::step]
        fault = "path-end" if at == len(chain) else "path-broken"
        if best is None or at > best[0]:
            best = at, fault
    assert best is not None
    at, fault = best
    if not chain:
        return ("path-end", "no link of it is on record"), []
    if fault == "path-end" or at == 0:
        text = "its links hold together but do not lead from one end of the circuit to the other"
        if at == 0:
            text = "link {0} does not start at either end of the circuit"
        return ("path-end", text), list(chain)
    return (
        "path-broken",
        f"links {{{at - 1}}} and {{{at}}} follow each other but share no equipment: "
        "a link is missing, or the order is wrong",
    ), list(chain)


def _directions(chain: Sequence[int], ends: LinkEnds, begin: int) -> list[bool]:
    """Which links lead from b to a, as far as the links connect."""
    turned, node = [], begin
    for link in chain:
        backward = node == int(ends.b[link]) and node != int(ends.a[link])
        turned.append(backward)
        node = int(ends.a[link] if backward else ends.b[link])
    return turned


def _ring_paths(
    study: Study,
    assets: Assets,
    ends: LinkEnds,
    link_number: pd.Index[str],
    link_length_m: Floats,
    gaps: list[Gap],
) -> dict[str, list[tuple[str, RingPath]]]:
    """Find the paths over rings, with their labels, of every circuit that names a ring."""
    rings, users = study.tables["rings"], study.tables["ring_circuits"]
    if not len(users):
        return {}
    circuits = study.tables["circuits"]
    rows = {name: number for number, name in enumerate(circuits["id"].to_list())}
    begin = assets.numbers(circuits["a"]).tolist()
    finish = assets.numbers(circuits["b"]).tolist()
    members: dict[str, list[int]] = {}
    ordered = rings.sort_values(["ring", "seq"], kind="stable")
    numbers = link_number.get_indexer(pd.Index(ordered["link"])).tolist()
    for ring, link in zip(ordered["ring"].to_list(), numbers, strict=True):
        if link >= 0:
            members.setdefault(ring, []).append(link)
    closed = {ring: close(ring, chain, ends) for ring, chain in members.items()}
    named = dict(enumerate(link_number.to_list()))
    equipment = {**dict(enumerate(assets.frame["id"].to_list())), -1: "equipment not on record"}
    found: dict[str, list[tuple[str, RingPath]]] = {}
    for name, mine in users.sort_values("seq", kind="stable").groupby("circuit", sort=False):
        row = rows.get(str(name))
        if row is None or not all(ring in members for ring in mine["ring"]):
            continue
        try:
            legs = [_leg(closed, one, assets, link_number) for one in mine.to_dict("records")]
            every = courses(legs, begin[row], finish[row], ends, equipment, named)
        except BrokenError as error:
            gaps.append(row_gap(study, "ring-broken", "circuits", row, str(error)))
            continue
        first, second, *others = main_first(every, legs, link_length_m)
        found[str(name)] = [
            (MAIN, first),
            (ALTERNATE, second),
            *((one.label, one) for one in others),
        ]
    return found


def _leg(
    closed: Mapping[str, Ring | None],
    row: Mapping[Hashable, object],
    assets: Assets,
    link_number: pd.Index[str],
) -> RingLeg:
    """A row of ring_circuits; BrokenError where its ring is not closed."""
    ring = closed[str(row["ring"])]
    if ring is None:
        text = f"ring {row['ring']} is not closed: its links do not lead round in the order given"
        raise BrokenError(text)

    def among(column: str) -> list[str]:
        cell = row[column]
        return cell.split(LIST_SEPARATOR) if isinstance(cell, str) else []

    enter, leave = (tuple(assets.numbers(among(name)).tolist()) for name in ("enter", "leave"))
    a_tail, b_tail = (
        tuple(
            link
            for link in link_number.get_indexer(pd.Index(among(name), dtype="str")).tolist()
            if link >= 0
        )
        for name in ("a_tail", "b_tail")
    )
    stated = row["main_way"]
    return RingLeg(ring, enter, leave, a_tail, b_tail, stated if isinstance(stated, str) else None)
