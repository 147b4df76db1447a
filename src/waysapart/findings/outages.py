"""Compute how often paths are down, and all paths of a circuit or group at once, and why."""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import cast

import numpy as np
import pandas as pd
import scipy.sparse as sp

from waysapart.arrays import Bools, Floats, Ints, boolean, csr_row, expand, owners
from waysapart.findings.redundant_supplies import (
    Machines,
    Redundancy,
    Taken,
    machines_of,
    redundancy,
)
from waysapart.formulas.availability import (
    GREATEST_PATHS,
    all_down,
    all_down_by_parts,
    birnbaum_all_down,
    birnbaum_both_down,
    both_down,
    failures_per_year,
    held_share,
    losses_per_year,
    path_unavailability,
    series,
    split,
    unavailability,
    unheld_length_m,
)
from waysapart.gaps import Gap
from waysapart.network.assets import listed, row_gap
from waysapart.network.build_network import Network
from waysapart.network.lengths import WIRED, end_sites
from waysapart.reliance.closure import both, column_classes, union, without
from waysapart.reliance.direct import named
from waysapart.reliance.rely import Reliance
from waysapart.schema import ASSET_ROLES, ROLES
from waysapart.study.model import Study
from waysapart.study.rules import Service

SEGMENT_KINDS = (
    "span",
    "duct",
    "subduct",
    "trench",
    "tray",
    "riser",
    "buried",
    "tunnel",
    "bridge",
    "subsea",
)
"""Rates of these kinds are those of segments, with the cables in them: a cable
of the same kind takes the rate of cables, or the same cut would count twice."""
MOST_SHARE = 1 - 1e-12
"""A hop that is never up counts as up for a second in thirty thousand years: what is down for
certain has no importance to be ranked by."""
NO_HOP_RATE = "neither a failure rate nor an unavailability of this hop is on record"
HOP_RATE = "hop-rate"
MANY_PATHS = f"more than {GREATEST_PATHS} paths at once are not worked out"
NO_RATE = "no failure rate is on record"
TOO_MANY_FEEDS = (
    "too many supplies feed it to work out every state: the case that all of them are down at once "
    "is left out"
)
_TWO = 2
_EVEN_DECIMALS = 15
_EVEN = 10.0**-_EVEN_DECIMALS
"""Contributions that differ by less come in the order of the assets."""


@dataclass(frozen=True)
class Outages:
    """How often things fail, and what that does to the paths.

    What fails are the assets and, behind them, the links that state an unavailability of
    their own. `classes` of them are those that the same links rely on, and that the same
    feeds of machines do.

    Attributes
    ----------
    per_year, share : ndarray of float, shape (assets,)
        Failures a year; part of the time down.
    paths : ndarray of float, shape (paths,)
        Part of the time that each path is down; NaN where something on it has no rate.
    together : ndarray of float, shape (trials,)
        Part of the time that all paths of a trial are down; NaN without paths, with something
        on them that has no rate, and with more of them than can be worked out
        (`GREATEST_PATHS`).
    paths_at_least, together_at_least : ndarray of float
        The same by what has a rate, for those that are not known; NaN for those that are,
        and where a path is not on record that might still run.
    path_why, why : tuple of tuple of str, shapes (paths,) and (trials,)
        What is not on record of each, in sentences.
    losses : ndarray of float, shape (trials,)
        How often in a year all paths of a trial are lost; NaN where that is not known.
    importance : csr_array of float, shape (trials, classes)
        Birnbaum's importance of each class taken as one thing.
    weight : ndarray of float, shape (assets + links,)
        What makes of its class's importance the asset's contribution.
    members : csr_array of bool, shape (classes, assets + links)
    unrated : ndarray of int
        Hazards that no rate is on record for; they count as never happening.
    left_out, path_left_out : tuple of tuple of int, shapes (trials,) and (paths,)
        Machines fed by so much that not every state could be worked out: that all their
        feeds are down at once is not counted, unless one thing takes them all.
    """

    per_year: Floats
    share: Floats
    paths: Floats
    together: Floats
    paths_at_least: Floats
    together_at_least: Floats
    path_why: tuple[tuple[str, ...], ...]
    why: tuple[tuple[str, ...], ...]
    losses: Floats
    importance: sp.csr_array
    weight: Floats
    members: sp.csr_array
    unrated: Ints
    left_out: tuple[tuple[int, ...], ...]
    path_left_out: tuple[tuple[int, ...], ...]

    @cached_property
    def heaviest(self) -> Floats:
        """Greatest weight in each class, shape (classes,)."""
        found = np.zeros(self.members.shape[0])
        of = owners(self.members.indptr)
        np.fmax.at(found, of, self.weight[self.members.indices])  # NaN: no length on record
        return found

    def contributions(self, trials: Sequence[int] | Ints) -> Floats:
        """Compute how much less trials would be down if an asset never failed.

        What has no rate can only add to it, but for failures of two things at the same time.

        Parameters
        ----------
        trials : sequence of int

        Returns
        -------
        ndarray of float, shape (assets,)
            Parts of the time that all paths of a trial are down, added up over the trials; by what
            has a rate.
        """
        total = np.asarray(self.importance[list(trials)].sum(axis=0)).ravel()
        brings = np.asarray((self.members.T.astype(np.float64) @ total) * self.weight)
        return brings[: len(self.share)]

    def doubted(self, trials: Sequence[int] | Ints) -> Bools:
        """Find assets that take a path of a trial whose unavailability is not known.

        Parameters
        ----------
        trials : sequence of int

        Returns
        -------
        ndarray of bool, shape (assets,)
        """
        asked = np.asarray(trials, dtype=np.int64)
        open_ = asked[np.isnan(self.together[asked])]
        total = np.asarray(self.importance[open_].sum(axis=0)).ravel()
        met = np.asarray(self.members.T.astype(np.float64) @ (total > 0))
        return np.asarray((met[: len(self.share)] > 0) & (self.share > 0))


def asset_failures(network: Network) -> tuple[Floats, Floats]:
    """Return the failures a year and hours to repair of every asset, by the rules or the record.

    A segment within others (a duct in a trench in a tunnel) fails only for the length that lies in
    none of those that it names: the dig that takes the trench is the trench's failure.

    Parameters
    ----------
    network : Network

    Returns
    -------
    per_year : ndarray of float, shape (assets,)
        NaN where neither the rules nor the records give a rate.
    repair_h : ndarray of float, shape (assets,)
        Hours.
    """
    study, assets = network.study, network.assets
    count = len(assets)
    per_year, repair_h = np.zeros(count), np.zeros(count)
    segments = assets.of_role("segments")
    length = np.zeros(count)
    held = sp.csr_array(network.within[segments, segments]).tocoo()
    length[segments] = unheld_length_m(
        network.segment_m, held_share(network.lonlat, held.row, held.col)
    )
    cables = len(study.tables["cables"])
    length[assets.of_role("cables")] = np.nan_to_num(network.terms.fibre_m[:cables])
    classes = assets.frame.groupby(["role", "kind"], dropna=False, sort=False).indices
    for key, rows in classes.items():
        role, kind = cast(tuple[str, object], key)
        own = None if role == "cables" and kind in SEGMENT_KINDS else kind
        failure = study.rules.failure(own, role)
        if failure is None:
            per_year[rows] = np.nan
        else:
            per_year[rows] = failures_per_year(
                length[rows], failure.per_km_year or 0.0, failure.per_year or 0.0
            )
            repair_h[rows] = failure.repair_h
    hazards = study.tables["hazards"]
    mine = assets.of_role("hazards")
    for column, values in (("per_year", per_year), ("repair_h", repair_h)):
        stated = hazards[column].to_numpy(dtype=np.float64)
        values[mine] = np.where(np.isnan(stated), values[mine], stated)
    bridged = bridged_h(study)
    if bridged:
        hours = np.array([bridged.get(name, 0.0) for name in assets.frame["id"]])
        with np.errstate(divide="ignore", invalid="ignore"):
            per_year *= np.where(hours > 0, np.exp(-hours / repair_h), 1.0)
    return per_year, repair_h


def bridged_h(study: Study) -> dict[str, float]:
    """Find for how long batteries bridge the loss of what is behind them.

    Parameters
    ----------
    study : Study

    Returns
    -------
    dict of str to float
        Hours by id, for whatever reaches links only through supplies with an autonomy: the shortest
        of all routes to a link. Empty where no supply states one.

    Notes
    -----
    A failure of it is felt once it lasts longer. Of failures whose repair takes an exponential time
    of mean R, the part exp(-T / R) lasts longer than T, and what is left of them is as long again
    on the average (common practice, no source).
    """
    tables = study.tables
    lasts = tables["supplies"].set_index("id")["autonomy_h"].fillna(0.0).to_dict()
    if not any(lasts.values()):
        return {}
    ahead: dict[str, list[tuple[str, float]]] = {}
    behind = {*tables["supplies"]["id"], *tables["holders"]["id"], *tables["equipment"]["id"]}
    roots: set[str] = set()
    for role, column in (("links", "a"), ("links", "b"), ("links", "via"), ("links", "relies_on")):
        roots.update(_listed_ids(tables[role][column]))
    for role in ASSET_ROLES:
        table = tables[role]
        if role not in ("supplies", "holders", "equipment"):
            roots.update(table["id"])
        for column in ("within", "supplies", "needs"):
            if column not in ROLES[role].column:
                continue
            row, names = listed(table[column])
            owners_of = table["id"].to_numpy()[row]
            for owner, name in zip(owners_of, names, strict=True):
                hours = lasts.get(owner, 0.0) if column != "within" else 0.0
                ahead.setdefault(str(owner), []).append((str(name), float(hours)))
    shortest: dict[str, float] = {}
    waiting = [(0.0, name) for name in roots]
    heapq.heapify(waiting)
    while waiting:
        hours, name = heapq.heappop(waiting)
        if name in shortest:
            continue
        shortest[name] = hours
        for onward, more in ahead.get(name, ()):
            if onward in behind and onward not in shortest:
                heapq.heappush(waiting, (hours + more, onward))
    return {name: hours for name, hours in shortest.items() if hours > 0}


def _listed_ids(cells: pd.Series) -> list[str]:
    """Every id in the cells of a column."""
    return [str(name) for name in listed(cells)[1]]


def outages(
    reliance: Reliance,
    trials: Sequence[Sequence[int]],
    lost: Bools,
    lacks: Lacks | None = None,
) -> Outages:
    """Compute the unavailability of paths and of trials, exactly for all that their paths share.

    Parameters
    ----------
    reliance : Reliance
    trials : sequence of sequence of int
        The paths that must all be down for each trial to be lost.
    lost : ndarray of bool, shape (paths,)
        Paths that are out of service now: down all the time.
    lacks : Lacks, optional
        What the records leave open; default: nothing.

    Returns
    -------
    Outages

    Notes
    -----
    A machine with several supplies is down while all of them are. Where the paths of a trial meet
    only one machine with these feeds, and none of what feeds it otherwise, that is one more thing
    that fails by itself. Else all states of what feeds such machines are enumerated
    (`redundancy`).
    """
    network = reliance.network
    count = len(network.assets)
    per_year, repair_h = asset_failures(network)
    rated = ~np.isnan(per_year)
    per_year = np.where(rated, per_year, 0.0)
    share = unavailability(per_year, repair_h)
    hops = hop_unavailability(network)
    machines = machines_of(reliance)
    own = np.flatnonzero(hops > 0)
    relied = sp.csr_array(
        sp.hstack([reliance.links[:, :count], boolean(own, own, (len(hops), len(hops)))])
    )
    fed = sp.csr_array(sp.hstack([machines.behind, _no((machines.behind.shape[0], len(hops)))]))
    matrix = sp.csr_array(sp.vstack([relied, fed], format="csr"))
    classes = column_classes(matrix)
    members = classes.members
    by_class = members.astype(np.float64)
    up = np.log1p(-np.r_[share, np.minimum(hops, MOST_SHARE)])
    down = np.asarray(-np.expm1(by_class @ up))
    of_class = sp.csr_array(matrix[:, classes.first])
    spare = redundancy(machines, sp.csr_array(of_class[len(hops) :]), down)
    alone = [spare.alone(machine) for machine in range(len(machines.assets))]
    things = _Things(
        sp.csr_array(reliance.along @ of_class[: len(hops)]),
        down,
        np.asarray(by_class @ np.r_[per_year, np.zeros(len(hops))]),
        machines,
        spare,
        np.array([0.0 if one is None else one for one, _ in alone]),
        _matrix(
            (
                (row, column, value)
                for row, (_, brings) in enumerate(alone)
                for column, value in brings.items()
            ),
            (len(alone), len(down)),
        ),
        frozenset(machine for machine, (one, _) in enumerate(alone) if one is None),
    )
    blank = network.study.tables["hazards"]["per_year"].isna().to_numpy()
    unrated = blank & (per_year[network.assets.of_role("hazards")] == 0)
    rest_up = np.asarray(members.T.astype(np.float64) @ np.log1p(-down)) - up
    single, path_left_out = _single(things)
    single[lost] = 1.0
    running = [[path for path in paths if not lost[path]] for paths in trials]
    together, losses, importance, left_out = _together(things, running)
    none_runs = [bool(paths) and not running[trial] for trial, paths in enumerate(trials)]
    together[none_runs], losses[none_runs] = 1.0, 0.0
    fading = np.flatnonzero(np.diff(sp.csr_array(members[:, count:]).indptr))
    losses[np.diff(sp.csr_array(importance[:, fading]).indptr) > 0] = np.nan
    lacks = lacks or Lacks.none(len(single), len(trials))
    path_why, why = _why(reliance, rated, running, lacks)
    path_why = _with_machines(network, path_why, path_left_out)
    why = [
        () if off else reasons
        for off, reasons in zip(none_runs, _with_machines(network, why, left_out), strict=True)
    ]
    open_paths = np.array([bool(one) for one in path_why], dtype=np.bool_) & ~lost
    open_tests = np.array([bool(one) for one in why], dtype=np.bool_)
    unbound = np.array(
        [
            len(paths) > GREATEST_PATHS
            or bool(lacks.whole[trial])
            or any(lacks.doubt[path] for path in paths)
            for trial, paths in enumerate(running)
        ],
        dtype=np.bool_,
    )
    losses[open_tests] = np.nan
    return Outages(
        per_year,
        share,
        np.where(open_paths, np.nan, single),
        np.where(open_tests, np.nan, together),
        np.where(open_paths & ~np.array(lacks.doubt, dtype=np.bool_), single, np.nan),
        np.where(open_tests & ~unbound, together, np.nan),
        tuple(path_why),
        tuple(why),
        losses,
        importance,
        -np.expm1(up) * np.exp(rest_up),
        members,
        network.assets.start["hazards"] + np.flatnonzero(unrated),
        left_out,
        path_left_out,
    )


@dataclass(frozen=True)
class Lacks:
    """What gaps in the records leave open of unavailability, in sentences.

    Attributes
    ----------
    paths : sequence of tuple of str, shape (paths,)
        Of each path: what has a rate bounds its figure from below.
    whole : sequence of tuple of str, shape (trials,)
        Paths of a trial that are not on record and might still run: nothing bounds its figure.
    doubt : sequence of bool, shape (paths,)
        Paths of which what is on record may be false: nothing bounds their figures.
    """

    paths: Sequence[tuple[str, ...]]
    whole: Sequence[tuple[str, ...]]
    doubt: Sequence[bool]

    @classmethod
    def none(cls, paths: int, trials: int) -> Lacks:
        """Leave nothing open.

        Parameters
        ----------
        paths, trials : int
            How many there are.

        Returns
        -------
        Lacks
        """
        return cls([()] * paths, [()] * trials, [False] * paths)


def _why(
    reliance: Reliance, rated: Bools, running: list[list[int]], lacks: Lacks
) -> tuple[list[tuple[str, ...]], list[tuple[str, ...]]]:
    """What is not on record of each path and of each trial's paths that run."""
    assets, links = reliance.network.assets, reliance.network.study.tables["links"]
    count = len(assets)
    open_ = np.flatnonzero(unrated_hops(reliance))
    hop = sp.csr_array(reliance.along[:, open_])
    name = links["id"].to_numpy(dtype=object)[open_]
    missing = np.flatnonzero(~rated)
    relied = sp.csr_array(reliance.along @ sp.csr_array(reliance.links[:, :count][:, missing]))
    ids = assets.ids(missing)
    paths = [
        (
            *lacks.paths[path],
            *(f"{name[one]}: {NO_HOP_RATE}" for one in _entries(hop, path)),
            *(f"{ids[one]}: {NO_RATE}" for one in _entries(relied, path)),
        )
        for path in range(len(lacks.paths))
    ]
    trials = []
    for mine, whole in zip(running, lacks.whole, strict=True):
        many = [MANY_PATHS] if len(mine) > GREATEST_PATHS else []
        of_paths = (one for path in mine for one in paths[path])
        trials.append(tuple(dict.fromkeys((*whole, *many, *of_paths))))
    return paths, trials


def _with_machines(
    network: Network, why: list[tuple[str, ...]], left_out: Sequence[tuple[int, ...]]
) -> list[tuple[str, ...]]:
    return [
        (*mine, *(f"{name}: {TOO_MANY_FEEDS}" for name in network.assets.ids(machines)))
        for mine, machines in zip(why, left_out, strict=True)
    ]


def unrated_hops(reliance: Reliance) -> Bools:
    """Find links of which nothing is on record that fails.

    These are radio, leased and other hops that are not fibre, without an unavailability of their
    own, that rely on nothing with a failure rate beyond the equipment at their ends and on them.
    An internal hop, and a wire within one site, are part of that equipment.

    Parameters
    ----------
    reliance : Reliance

    Returns
    -------
    ndarray of bool, shape (links,)
    """
    network = reliance.network
    links = network.study.tables["links"]
    medium = links["medium"].fillna("fibre").to_numpy()
    site_a, site_b = end_sites(network.study)
    inside = (medium == "internal") | (np.isin(medium, WIRED) & (site_a == site_b))
    asked = (medium != "fibre") & ~inside & links["unavailability"].isna().to_numpy()
    if not asked.any():
        return np.asarray(asked, dtype=np.bool_)
    count = len(network.assets)
    fails = np.nan_to_num(asset_failures(network)[0], nan=1.0) > 0
    row, via = named(network, "links", "via")
    number = np.arange(len(links))
    ends = boolean(
        np.r_[number, number, row],
        np.r_[*(network.assets.numbers(links[end]) for end in ("a", "b")), via],
        (len(links), count),
    )
    own = without(sp.csr_array(reliance.links[:, :count]), sp.csr_array(ends @ reliance.closed))
    return np.asarray(asked & ~np.asarray(own @ fails, dtype=np.bool_))


def rate_gaps(reliance: Reliance, services: Sequence[Service]) -> list[Gap]:
    """Make a gap of every hop of `unrated_hops` under a circuit with a limit of unavailability.

    Parameters
    ----------
    reliance : Reliance
    services : sequence of Service
        Of every circuit, in order.

    Returns
    -------
    list of Gap
        Code `hop-rate`.
    """
    network = reliance.network
    open_ = unrated_hops(reliance)
    paths = network.paths
    asked = {
        int(link)
        for circuit, service in enumerate(services)
        if service.max_unavailability is not None and open_.any()
        for path in paths.of_circuit(circuit)
        for link in paths.links(path)
        if open_[link]
    }
    text = f"{NO_HOP_RATE}: record its unavailability, or what it relies on"
    return [
        row_gap(network.study, HOP_RATE, "links", link, text, column="unavailability")
        for link in sorted(asked)
    ]


def hop_unavailability(network: Network) -> Floats:
    """Return the part of the time that each link is down by itself, such as by fading.

    Parameters
    ----------
    network : Network

    Returns
    -------
    ndarray of float, shape (links,)
        0 where the record is blank.
    """
    stated = network.study.tables["links"]["unavailability"].to_numpy(dtype=np.float64)
    return np.asarray(np.nan_to_num(stated), dtype=np.float64)


@dataclass(frozen=True)
class _Things:
    """What fails: classes of assets in series, and machines that go dark.

    Attributes
    ----------
    paths : csr_array of bool, shape (paths, classes)
    down, per_year : ndarray of float, shape (classes,)
    machines, spare : Machines, Redundancy
    dark : ndarray of float, shape (machines,)
        How much of the time a machine is dark by itself.
    brings : csr_array of float, shape (machines, classes)
        Importance of each class for that.
    open_ : frozenset of int
        Machines whose states are too many to enumerate; `dark` is 0.
    """

    paths: sp.csr_array
    down: Floats
    per_year: Floats
    machines: Machines
    spare: Redundancy
    dark: Floats
    brings: sp.csr_array
    open_: frozenset[int]

    @cached_property
    def columns(self) -> sp.csr_array:
        """Classes and, behind them, machines that each path relies on."""
        return sp.csr_array(sp.hstack([self.paths, self.machines.uses], format="csr"))

    @cached_property
    def all_down(self) -> Floats:
        """Unavailability of the classes and, behind them, of the machines by themselves."""
        return np.asarray(np.r_[self.down, self.dark], dtype=np.float64)

    def tangled(self, paths: sp.csr_array) -> sp.csr_array:
        """Clusters of machines on which paths of a trial depend more than once.

        Parameters
        ----------
        paths : csr_array of bool, shape (trials, paths)

        Returns
        -------
        csr_array of bool, shape (trials, clusters)
            They rely on two machines of it, or on one and on something that feeds such.
        """
        clusters = self.spare.of_thing.shape[1]
        if not len(self.spare.cluster):
            return sp.csr_array((paths.shape[0], clusters), dtype=np.bool_)
        uses = sp.csr_array(paths @ self.machines.uses)
        machine = np.arange(len(self.spare.cluster))
        of_machine = boolean(machine, self.spare.cluster, (len(machine), clusters))
        met = sp.csr_array(uses.astype(np.int32) @ of_machine.astype(np.int32))
        direct = sp.csr_array(paths @ sp.csr_array(self.paths @ self.spare.of_thing))
        several = sp.csr_array(met > 1)
        return union(several, both(sp.csr_array(met > 0), direct))

    def left_out(self, paths: Sequence[int]) -> set[int]:
        """Machines on some paths whose states are too many to enumerate."""
        if not self.open_:
            return set()
        met = self.machines.uses[list(paths)].indices
        return set(met.tolist()) & self.open_

    def names(self, machines: Iterable[int]) -> tuple[int, ...]:
        """The assets that some machines stand for."""
        return tuple(sorted(asset for one in machines for asset in self.machines.assets[one]))


def _single(things: _Things) -> tuple[Floats, tuple[tuple[int, ...], ...]]:
    """Unavailability of every path, and the machines on it that are left out."""
    count = things.paths.shape[0]
    found = np.array(path_unavailability(things.columns, things.all_down))
    every = sp.csr_array(sp.eye_array(count, dtype=np.bool_, format="csr"))
    tangled = things.tangled(every)
    left_out: list[tuple[int, ...]] = [things.names(things.left_out([p])) for p in range(count)]
    for path in np.flatnonzero(np.diff(tangled.indptr)).tolist():
        exact = _exact(things, [path], _entries(tangled, path))
        found[path] = exact.probability
        left_out[path] = things.names(exact.left_out)
    return found, tuple(left_out)


def _together(
    things: _Things, running: list[list[int]]
) -> tuple[Floats, Floats, sp.csr_array, tuple[tuple[int, ...], ...]]:
    """All paths of every trial at once: unavailability, losses a year, importance of classes.

    Two paths that are not tangled are computed by sparse products, all others one by one.
    """
    trials, classes = len(running), len(things.down)
    columns, down = things.columns, things.all_down
    paths = np.array([len(one) for one in running], dtype=np.int64)
    together = np.full(trials, np.nan)
    trial = np.repeat(np.arange(trials), paths)
    path = np.array([path for one in running for path in one], dtype=np.int64)
    tangled = things.tangled(boolean(trial, path, (trials, columns.shape[0])))
    plain = np.diff(tangled.indptr) == 0
    pairs = np.flatnonzero((paths == _TWO) & plain)
    both_ways = np.array([running[one] for one in pairs], dtype=np.int64).reshape(-1, _TWO)
    parts = split(sp.csr_array(columns[both_ways[:, 0]]), sp.csr_array(columns[both_ways[:, 1]]))
    together[pairs] = both_down(parts, down)
    birnbaum = birnbaum_both_down(parts, down)
    place = boolean(pairs, np.arange(len(pairs)), (trials, len(pairs))).astype(np.float64)
    importance = sp.csr_array(place @ birnbaum)
    entries: list[tuple[int, int, float]] = []
    left_out = [things.names(things.left_out(one)) for one in running]
    for one in np.flatnonzero((paths > 0) & (paths <= GREATEST_PATHS)).tolist():
        if not plain[one]:
            exact = _exact(things, running[one], _entries(tangled, one))
            together[one], single = exact.probability, exact.importance
            left_out[one] = things.names(exact.left_out)
        elif paths[one] != _TWO:
            mine = sp.csr_array(columns[running[one]])
            together[one] = all_down(mine, np.zeros(paths[one], dtype=np.int64), down)[0]
            brings = birnbaum_all_down(mine, down)
            single = {column: float(brings[column]) for column in np.flatnonzero(brings).tolist()}
        else:
            continue
        entries += [(one, column, value) for column, value in single.items()]
    importance = sp.csr_array(importance + _matrix(entries, importance.shape))
    # An asset behind a machine has the importance of the machine, times its own for the machine.
    by_class = sp.csr_array(
        importance[:, :classes] + importance[:, classes:] @ things.brings, dtype=np.float64
    )
    losses = losses_per_year(by_class, things.per_year, things.down)
    losses[np.isnan(together)] = np.nan
    return together, losses, by_class, tuple(left_out)


@dataclass(frozen=True)
class _Exact:
    """All paths of one trial at once; importance of classes and of machines behind them."""

    probability: float
    importance: dict[int, float]
    left_out: set[int]


def _exact(things: _Things, paths: Sequence[int], clusters: list[int]) -> _Exact:
    """All paths of one trial at once, by every state of what feeds machines in these clusters."""
    masks: dict[int, int] = {}
    for bit, path in enumerate(paths):
        for column in _entries(things.columns, path):
            masks[column] = masks.get(column, 0) | 1 << bit
    classes = len(things.down)
    met = {column - classes: mask for column, mask in masks.items() if column >= classes}
    left_out = things.left_out(paths)
    taken: list[Taken] = []
    for cluster in clusters:
        takes = {m: mask for m, mask in met.items() if things.spare.cluster[m] == cluster}
        feeding = things.spare.things_of[cluster] & masks.keys()
        found = things.spare.taken(takes, {one: masks[one] for one in feeding})
        known = [one for one in found if one is not None]
        left_out -= takes.keys()
        left_out |= takes.keys() - {machine for one in known for machine in one.machines}
        for machine in takes:
            del masks[classes + machine]
        for thing in (thing for one in known for block in one.blocks for thing in block):
            masks.pop(thing, None)
        taken += known
    by_mask: dict[int, list[int]] = {}
    for column, mask in masks.items():
        if things.all_down[column] > 0:
            by_mask.setdefault(mask, []).append(column)
    up = [np.sum(np.log1p(-things.all_down[columns])) for columns in by_mask.values()]
    parts = [series(mask, -np.expm1(one)) for mask, one in zip(by_mask, up, strict=True)]
    probability, given = all_down_by_parts([*parts, *(one.fed.part for one in taken)], len(paths))
    importance = {}
    for (columns, one), two in zip(zip(by_mask.values(), up, strict=True), given, strict=False):
        for column in columns:
            others_up = np.exp(one) / (1 - things.all_down[column])
            importance[column] = float(max(two[1] - two[0], 0.0) * others_up)
    for fed, outcome in zip(taken, given[len(parts) :], strict=True):
        importance |= things.spare.importance(fed, outcome)
    return _Exact(probability, importance, left_out)


def _entries(matrix: sp.csr_array, row: int) -> list[int]:
    found: list[int] = csr_row(matrix, row).tolist()
    return found


def _no(shape: tuple[int, int]) -> sp.csr_array:
    return sp.csr_array(shape, dtype=np.bool_)


def _matrix(entries: Iterable[tuple[int, int, float]], shape: tuple[int, int]) -> sp.csr_array:
    """A sparse matrix of row, column and value."""
    table = np.array(list(entries), dtype=np.float64).reshape(-1, 3)
    place = table[:, 0].astype(np.int64), table[:, 1].astype(np.int64)
    return sp.csr_array((table[:, 2], place), shape=shape)


def greatest_contributions(found: Outages, trial: int, count: int) -> list[tuple[int, float]]:
    """Find the assets that contribute most to the loss of all paths of a trial.

    Parameters
    ----------
    found : Outages
    trial : int
    count : int
        At most so many.

    Returns
    -------
    list of (int, float)
        Asset number and contribution (part of the time), greatest first.
    """
    importance, members = found.importance, found.members
    low, high = importance.indptr[trial], importance.indptr[trial + 1]
    mine, share = importance.indices[low:high], importance.data[low:high]
    # A class counts by its heaviest member: classes below the count-th of these add nothing.
    most = share * found.heaviest[mine]
    if len(mine) > count:
        least = np.partition(most, -count)[-count] - 2 * _EVEN
        mine, share = mine[most >= least], share[most >= least]
    begin = members.indptr[mine]
    size = members.indptr[mine + 1] - begin
    row, at = expand(begin.astype(np.int64), size.astype(np.int64))
    assets = members.indices[at]
    values = share[row] * found.weight[assets]
    order = np.lexsort((assets, -np.round(values, _EVEN_DECIMALS)))[:count]
    return [(int(assets[k]), float(values[k])) for k in order if values[k] > 0]
