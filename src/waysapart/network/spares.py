"""Which fibres are spare: per cable, and from port to port over splices and terminations.

A fibre is in use where a link runs over it, by its trace or by `link_runs`. What is not certain is
not spare: a fibre of which a row of splices or terminations contradicts another is left out, and
a cable through which a link runs that does not say which fibres it has is named as unsure.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypedDict

import numpy as np
import pandas as pd

from waysapart.arrays import Bools, Floats, Ints
from waysapart.network.assets import listed
from waysapart.network.build_network import Network, stretch_lengths_m
from waysapart.network.trace import (
    CORD,
    SPLICE,
    TERMINATION,
    Fibre,
    FibreGraph,
    in_order,
    link_ports,
)
from waysapart.schema import LIST_SEPARATOR
from waysapart.text import counted

IN_USE, JOINED, NEITHER = "in use", "joined", "neither"
"""What a fibre of a cable is: a link runs over it; spliced or on a port, and in use by no link;
neither of both on record."""


class UsedFibre(TypedDict):
    """A fibre in use, and the links that run over it."""

    fibre: int
    links: list[str]


class CableSpares(TypedDict):
    """Fibres of a cable by what they are.

    `fibres` and `neither` are null where the cable has no `fibre_count`. `free` are those of
    `joined` that are part of a free run from port to port. `unsure`: links that run through the
    cable and do not say over which fibres; so many of the fibres that look spare are not.
    """

    cable: str
    fibres: int | None
    in_use: list[UsedFibre]
    joined: list[int]
    free: list[int]
    neither: list[int] | None
    unsure: list[str]


class FreeRun(TypedDict):
    """A fibre that is free from port to port; a cord on a port that no link uses is named."""

    a_port: str
    b_port: str
    fibres: list[int]
    a_cord: str | None
    b_cord: str | None


class SpareRoute(TypedDict):
    """Free fibres from one panel to another over the same cables and joints.

    `fibres` of each run stand in the order of `cables`; a cable that is spliced straight through
    stands once. `length_m` is null where the length of a
    cable is not known. `unsure`: as of a cable.
    """

    a: str
    b: str
    cables: list[str]
    joints: list[str]
    length_m: float | None
    splices: int
    unsure: list[str]
    runs: list[FreeRun]


class SparesFacts(TypedDict):
    """Spare fibres, as `check --spares --json` writes them."""

    cables: list[CableSpares]
    routes: list[SpareRoute]


@dataclass(frozen=True)
class Spares:
    """Spare fibres of a study; `facts()` is what `check --spares --json` writes.

    Attributes
    ----------
    cables : DataFrame
        A row for each cable, in the order of the table of cables: `cable`; `fibres` (its
        `fibre_count`; NaN: not on record); numbers of fibres `in_use`, `joined` (spliced or on a
        port, and in use by no link), `free` (those of the joined that are part of a free run
        from port to port) and `neither` (NaN where the count is not on record); `links` that
        run over it and `unsure`, those of them that do not say over which fibres (ids with
        `;` between).
    fibres : DataFrame
        A row for each fibre that is on record, by cable and number: `cable`, `fibre`, `state`
        (in use, joined or neither), `free` (whether it is part of a free run), `links`.
    routes : DataFrame
        A row for each pair of panels and cables and joints between them that have free
        fibres: `a`, `b` (equipment), `cables`, `joints` (ids in order with `;` between),
        `fibres` (how many are free), `length_m` (of fibre; NaN: not known), `splices`,
        `unsure` (ids of links, as of a cable).
    runs : DataFrame
        A row for each free fibre from port to port: `route` (row of `routes`), `a_port`,
        `b_port`, `fibres` (numbers in the order of the route's cables, with `;` between),
        `a_cord`, `b_cord` (id of a cord on the port that no link uses; missing: none).
    """

    cables: pd.DataFrame
    fibres: pd.DataFrame
    routes: pd.DataFrame
    runs: pd.DataFrame

    def facts(self) -> SparesFacts:
        """The same as plain data."""
        return {"cables": self._cables(), "routes": self._routes()}

    def _cables(self) -> list[CableSpares]:
        by_cable: dict[str, list[tuple[int, str, bool, str]]] = {}
        columns = (self.fibres[name].to_list() for name in ("cable", "fibre", "state", "free"))
        for cable, fibre, state, free, links in zip(
            *columns, self.fibres["links"].to_list(), strict=True
        ):
            by_cable.setdefault(cable, []).append((fibre, state, free, links))
        found: list[CableSpares] = []
        rows = zip(
            self.cables["cable"].to_list(),
            self.cables["fibres"].to_list(),
            self.cables["unsure"].to_list(),
            strict=True,
        )
        for cable, count, unsure in rows:
            mine = by_cable.get(cable, [])
            found.append(
                {
                    "cable": cable,
                    "fibres": None if np.isnan(count) else int(count),
                    "in_use": [
                        {"fibre": fibre, "links": _split(links)}
                        for fibre, state, _, links in mine
                        if state == IN_USE
                    ],
                    "joined": [fibre for fibre, state, _, _ in mine if state == JOINED],
                    "free": [fibre for fibre, _, free, _ in mine if free],
                    "neither": None
                    if np.isnan(count)
                    else [fibre for fibre, state, _, _ in mine if state == NEITHER],
                    "unsure": _split(unsure),
                }
            )
        return found

    def _routes(self) -> list[SpareRoute]:
        runs: dict[int, list[FreeRun]] = {}
        for row in self.runs.to_dict("records"):
            runs.setdefault(int(row["route"]), []).append(
                {
                    "a_port": row["a_port"],
                    "b_port": row["b_port"],
                    "fibres": [int(one) for one in _split(row["fibres"])],
                    "a_cord": _text(row["a_cord"]),
                    "b_cord": _text(row["b_cord"]),
                }
            )
        return [
            {
                "a": row["a"],
                "b": row["b"],
                "cables": _split(row["cables"]),
                "joints": _split(row["joints"]),
                "length_m": None if np.isnan(row["length_m"]) else round(row["length_m"], 1),
                "splices": int(row["splices"]),
                "unsure": _split(row["unsure"]),
                "runs": runs[number],
            }
            for number, row in enumerate(self.routes.to_dict("records"))
        ]

    def __repr__(self) -> str:
        return f"Spares({len(self.runs)} free fibres on {len(self.routes)} routes)"


def spare_fibres(network: Network) -> Spares:
    """Find the spare fibres of every cable, and those that are free from port to port.

    Parameters
    ----------
    network : Network

    Returns
    -------
    Spares

    Notes
    -----
    Walks set out from every port on which a fibre ends and that no link names or passes, all at
    once, along fibres and over splices to the next port; a step costs time in proportion to the
    walks that still go on. A link that is traced occupies what its trace passes; one that has
    rows in `link_runs` alone occupies its fibres over the whole cable.

    Examples
    --------
    >>> import waysapart as wa
    >>> spares = wa.spare_fibres(wa.tie(wa.read_study("examples/estuary")))
    >>> list(spares.cables.columns[:6])
    ['cable', 'fibres', 'in_use', 'joined', 'free', 'neither']
    """
    use = fibre_use_of(network)
    walks = _free_walks(network, use)
    routes, runs, passed = _routes(network, use, walks)
    fibres = _fibres(network, use, passed)
    return Spares(_cables(network, use, fibres), fibres, routes, runs)


# --- What is in use


@dataclass(frozen=True)
class FibreUse:
    """What links use of the fibres of a study.

    Attributes
    ----------
    node : ndarray of bool, shape (nodes of the fibre graph,)
        Ends of fibres and ports that the trace of a link passes or stops at; ports that links
        name; both ends of fibres that a link uses without a trace.
    links : dict
        By cable (number) and fibre, ids of the links that use it, in the order of the links.
    unsure : dict
        By cable, ids of links that do not say which of its fibres they use.
    over : dict
        By cable, ids of all links that run over it.
    doubtful : set
        Fibres of which a row cannot be taken, or contradicts another.
    """

    node: Bools
    links: dict[Fibre, list[str]]
    unsure: dict[int, list[str]]
    over: dict[int, list[str]]
    doubtful: set[Fibre]


def fibre_use_of(network: Network) -> FibreUse:
    """Find out which fibres links use.

    Parameters
    ----------
    network : Network

    Returns
    -------
    FibreUse
    """
    study, assets, graph = network.study, network.assets, network.fibres
    order = {name: place for place, name in enumerate(study.tables["links"]["id"].to_list())}
    used: dict[Fibre, set[str]] = {}
    unsure: dict[int, set[str]] = {}
    over: dict[int, set[str]] = {}
    node = np.zeros(len(graph.first) - 1, dtype=np.bool_)
    whole = frozenset[str]() if study.traced is None else study.traced.links
    if study.traced is not None:
        steps = study.traced.steps
        along = steps[steps["is"] == "fibre"]
        cables = (along["asset"] - assets.start["cables"]).to_list()
        for cable, fibre, link in zip(
            cables, along["fibre"].to_list(), along["link"].to_list(), strict=True
        ):
            used.setdefault((cable, fibre), set()).add(link)
            over.setdefault(cable, set()).add(link)
        passed = steps["node"].to_numpy(dtype=np.int64)
        node[passed[passed >= 0]] = True
    written: set[Fibre] = set()
    # As traced, but for what the steps have told; and as written, where that says otherwise.
    tied = study.tables["link_runs"]
    for runs in (tied[~tied["link"].isin(whole)], study.as_read("link_runs")):
        cable_of = (assets.numbers(runs["cable"]) - assets.start["cables"]).tolist()
        links = runs["link"].to_list()
        row, number = listed(runs["fibres"])
        for at, fibre in zip(row.tolist(), number.to_list(), strict=True):
            one = (cable_of[at], int(float(fibre)))
            if one[0] < 0 or links[at] not in order:
                continue
            if links[at] not in whole or links[at] not in used.get(one, ()):
                written.add(one)
            used.setdefault(one, set()).add(links[at])
        for at, blank in enumerate(runs["fibres"].isna().to_list()):
            if cable_of[at] < 0 or links[at] not in order:
                continue
            over.setdefault(cable_of[at], set()).add(links[at])
            if blank and links[at] not in whole:
                unsure.setdefault(cable_of[at], set()).add(links[at])
    named = graph.ports(*_named(network))
    node[named[named >= 0]] = True
    if graph.ends:
        pairs = pd.MultiIndex.from_arrays([graph.cable, graph.fibre])
        if written:
            node[: graph.ends] |= pairs.isin(list(written))
        both = node[: graph.ends] | node[: graph.ends].reshape(-1, 2)[:, ::-1].ravel()
        node[: graph.ends] = both
    doubtful = {fibre for fault in graph.faults for fibre in fault.fibres}
    twice = np.flatnonzero(graph.twice[: graph.ends])
    doubtful |= set(zip(graph.cable[twice].tolist(), graph.fibre[twice].tolist(), strict=True))

    def sorted_links(names: Iterable[str]) -> list[str]:
        return sorted(names, key=order.__getitem__)

    return FibreUse(
        node,
        {fibre: sorted_links(names) for fibre, names in used.items()},
        {cable: sorted_links(names) for cable, names in unsure.items()},
        {cable: sorted_links(names) for cable, names in over.items()},
        doubtful,
    )


def _named(network: Network) -> tuple[Ints, np.ndarray]:
    """Ports that links name: equipment, port."""
    equipment, names = link_ports(network.study, network.assets)
    return equipment, np.array(names, dtype=object)


# --- From port to port


@dataclass(frozen=True)
class _Walked:
    """Free walks: the ports at both ends, and the half-edges between them in order."""

    start: Ints
    stop: Ints
    steps: list[list[int]]


def _free_walks(network: Network, use: FibreUse) -> _Walked:
    """Walks from every free port along fibres to the next free port, each once."""
    graph = network.fibres
    ends = graph.ends
    on_port = np.flatnonzero((graph.kind == TERMINATION) & (graph.source >= ends))
    port = graph.source[on_port]
    begins = on_port[~use.node[port] & ~graph.twice[port]]
    count = len(begins)
    stop = np.full(count, -1, dtype=np.int64)
    walker, half = np.arange(count), begins
    log: list[tuple[Ints, Ints]] = []
    while len(walker):
        log.append((walker, half))
        node = graph.target[half]
        there = node >= ends
        stop[walker[there]] = node[there]
        far = np.where(there, 0, node ^ 1)
        clear = ~there & ~use.node[far] & ~use.node[np.where(there, 0, node)]
        clear &= (graph.outer[far] == 1) & ~graph.twice[far] & ~graph.twice[node]
        walker, half = walker[clear], graph.first[far[clear]]
    steps = in_order(log, count)
    start = graph.source[begins]
    found = (stop >= 0) & ~use.node[stop] & ~graph.twice[stop] & (start < stop)
    kept = np.flatnonzero(found)
    return _Walked(start[kept], stop[kept], [steps[one] for one in kept.tolist()])


_Route = tuple[str, str, tuple[int, ...], tuple[str, ...], tuple[bool, ...]]
"""Equipment at both ends, stretches of cable, joints, and at which stretches the fibre changes."""


def _routes(
    network: Network, use: FibreUse, walks: _Walked
) -> tuple[pd.DataFrame, pd.DataFrame, set[Fibre]]:
    """Routes and runs of free walks, and the fibres that they pass."""
    graph, assets = network.fibres, network.assets
    names = assets.ids(np.arange(len(assets)))
    ports = [names[one] for one in graph.port_of.tolist()]
    keys = [counted(str(one)) for one in graph.port.tolist()]
    stretch, stretches = _stretches(graph)
    fibre, kind, row = graph.fibre.tolist(), graph.kind.tolist(), graph.row.tolist()
    target = graph.target.tolist()
    splices = network.study.tables["splices"]["joint"].to_list()
    cord = _loose_cords(network)
    found: dict[_Route, list[tuple[int, int, str]]] = {}
    passed: set[Fibre] = set()
    for start, stop, steps in zip(
        walks.start.tolist(), walks.stop.tolist(), walks.steps, strict=True
    ):
        ends = [target[half] for half in steps[:-1]]
        glass = [(int(graph.cable[end]), fibre[end]) for end in ends]
        if not use.doubtful.isdisjoint(glass):
            continue
        passed.update(glass)
        over = [(int(stretch[end]), number) for end, (_, number) in zip(ends, glass, strict=True)]
        joints = [splices[row[half]] for half in steps if kind[half] == SPLICE]
        a, b = start - graph.ends, stop - graph.ends
        if (counted(ports[b]), keys[b]) < (counted(ports[a]), keys[a]):
            a, b, over, joints = b, a, over[::-1], joints[::-1]
        # Spliced straight through, a fibre goes on as itself.
        places = [int(stretches[0][one]) for one, _ in over]
        kept = tuple(
            place == 0 or (places[place - 1], over[place - 1][1]) != (places[place], number)
            for place, (_, number) in enumerate(over)
        )
        key = (ports[a], ports[b], tuple(one for one, _ in over), tuple(joints), kept)
        numbers = LIST_SEPARATOR.join(
            str(number) for (_, number), mine in zip(over, kept, strict=True) if mine
        )
        found.setdefault(key, []).append((a, b, numbers))
    metres = stretch_lengths_m(network, *stretches) if found else np.empty(0)
    cables = network.study.tables["cables"]["id"].to_list()
    routes: list[dict[str, object]] = []
    runs: list[dict[str, object]] = []
    order = sorted(found, key=lambda key: (counted(key[0]), counted(key[1]), key[2:]))
    for number, key in enumerate(order):
        a_name, b_name, course, passes, kept = key
        along = [int(stretches[0][one]) for one in course]
        unsure = [link for cable in along for link in use.unsure.get(cable, ())]
        routes.append(
            {
                "a": a_name,
                "b": b_name,
                "cables": LIST_SEPARATOR.join(
                    cables[one] for one, mine in zip(along, kept, strict=True) if mine
                ),
                "joints": LIST_SEPARATOR.join(passes),
                "fibres": len(found[key]),
                "length_m": float(metres[list(course)].sum()),
                "splices": len(passes),
                "unsure": LIST_SEPARATOR.join(dict.fromkeys(unsure)),
            }
        )
        for a_port, b_port, numbers in sorted(
            found[key], key=lambda one: (keys[one[0]], keys[one[1]])
        ):
            runs.append(
                {
                    "route": number,
                    "a_port": str(graph.port[a_port]),
                    "b_port": str(graph.port[b_port]),
                    "fibres": numbers,
                    "a_cord": cord.get(graph.ends + a_port),
                    "b_cord": cord.get(graph.ends + b_port),
                }
            )
    return _frame(routes, SpareRoute), _frame(runs, FreeRun, "route"), passed


def _frame(rows: list[dict[str, object]], like: type, *first: str) -> pd.DataFrame:
    """Rows as a table that has its columns where there are no rows."""
    columns = [name for name in like.__annotations__ if name != "runs"]
    if like is SpareRoute:
        columns.insert(columns.index("joints") + 1, "fibres")
    return pd.DataFrame(rows, columns=[*first, *columns])


def _stretches(graph: FibreGraph) -> tuple[Ints, tuple[Ints, Floats, Floats]]:
    """The stretch of cable that each end of a fibre belongs to, and what these are.

    Stretches as cable, begin and stop along its chain.
    """
    if not graph.ends:
        nothing = np.empty(0, dtype=np.int64)
        return nothing, (nothing, np.empty(0), np.empty(0))
    low, high = graph.position[0::2], graph.position[1::2]
    index = pd.MultiIndex.from_arrays([graph.cable[0::2], low, high])
    of, known = pd.factorize(index)
    cable, begin, stop = (known.get_level_values(level).to_numpy() for level in range(3))
    return np.repeat(of, 2), (cable.astype(np.int64), begin.astype(float), stop.astype(float))


def _loose_cords(network: Network) -> dict[int, str]:
    """By port, a cord on it."""
    graph = network.fibres
    patches = network.study.tables["patches"]["id"].to_list()
    corded = np.flatnonzero(graph.kind == CORD)
    pairs = zip(graph.source[corded].tolist(), graph.row[corded].tolist(), strict=True)
    return {port: str(patches[row]) for port, row in pairs}


# --- Cable by cable


def _fibres(network: Network, use: FibreUse, passed: set[Fibre]) -> pd.DataFrame:
    """Every fibre that is on record, by cable and number."""
    graph = network.fibres
    cables = network.study.tables["cables"]
    count = cables["fibre_count"].to_numpy(dtype=np.float64)
    known = np.nan_to_num(count).astype(np.int64)
    first = np.r_[0, np.cumsum(known)]
    of = np.repeat(np.arange(len(known)), known)
    every = np.column_stack([of, np.arange(len(of)) - first[of] + 1]).astype(np.int64)
    joined = {*zip(graph.cable.tolist(), graph.fibre.tolist(), strict=True), *use.doubtful}
    said = np.array(sorted(joined | set(use.links)), dtype=np.int64).reshape(-1, 2)
    pairs = np.concatenate([every, said])
    both = pd.MultiIndex.from_arrays([pairs[:, 0], pairs[:, 1]]).unique().sort_values()
    cable, number = (both.get_level_values(level).to_numpy() for level in range(2))
    spliced = both.isin(list(joined)) if joined else np.zeros(len(both), dtype=bool)
    free = both.isin(list(passed)) if passed else np.zeros(len(both), dtype=bool)
    links = np.full(len(both), "", dtype=object)
    if use.links:
        at = both.get_indexer(pd.MultiIndex.from_tuples(list(use.links)))
        links[at] = [LIST_SEPARATOR.join(names) for names in use.links.values()]
    state = np.where(links != "", IN_USE, np.where(spliced, JOINED, NEITHER))
    return pd.DataFrame(
        {
            "cable": cables["id"].to_numpy(dtype=object)[cable.astype(np.int64)],
            "fibre": number.astype(np.int64),
            "state": state.astype(object),
            "free": free,
            "links": links,
        }
    )


def _cables(network: Network, use: FibreUse, fibres: pd.DataFrame) -> pd.DataFrame:
    """How many fibres of every cable are what."""
    cables = network.study.tables["cables"]
    ids = cables["id"].to_list()
    count = cables["fibre_count"].to_numpy(dtype=np.float64)
    of = pd.Index(ids).get_indexer(fibres["cable"])

    def many(mask: pd.Series[bool]) -> Ints:
        return np.bincount(of[mask.to_numpy(dtype=bool)], minlength=len(ids)).astype(np.int64)

    def named(by_cable: dict[int, list[str]]) -> list[str]:
        return [LIST_SEPARATOR.join(by_cable.get(one, ())) for one in range(len(ids))]

    neither = many(fibres["state"] == NEITHER).astype(np.float64)
    return pd.DataFrame(
        {
            "cable": ids,
            "fibres": count,
            "in_use": many(fibres["state"] == IN_USE),
            "joined": many(fibres["state"] == JOINED),
            "free": many(fibres["free"]),
            "neither": np.where(np.isnan(count), np.nan, neither),
            "links": named(use.over),
            "unsure": named(use.unsure),
        }
    )


def _split(cell: str) -> list[str]:
    return cell.split(LIST_SEPARATOR) if cell else []


def _text(cell: object) -> str | None:
    return cell if isinstance(cell, str) else None
