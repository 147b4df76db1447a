"""Which paths are compared with which, and which gaps touch them.

A trial is one circuit, or one group of circuits, that is judged. A circuit is judged by its paths,
a group by the paths of its members.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
import scipy.sparse as sp

from waysapart.arrays import Bools, boolean, csr_row
from waysapart.findings.outages import HOP_RATE, Lacks
from waysapart.findings.sharing import Sides
from waysapart.gaps import GAP_CODES, Gap, Limit
from waysapart.network.build_network import Network
from waysapart.network.paths import MAIN
from waysapart.reliance.closure import union
from waysapart.reliance.rely import Reliance, falls, paths_lost

WORKING, ALL, PAIRWISE = "working", "all", "pairwise"
_STRICTEST = (PAIRWISE, WORKING, ALL)


@dataclass(frozen=True)
class Trial:
    """One circuit or group that is judged.

    Attributes
    ----------
    id : str
    circuits : tuple of int
        The circuit itself, or a group's members.
    sides : tuple of tuple of int
        The paths on each side.
    group_test : str or None
        For a group, which paths count; None for a circuit.
    """

    id: str
    circuits: tuple[int, ...]
    sides: tuple[tuple[int, ...], ...]
    group_test: str | None = None


def out_of_service(reliance: Reliance) -> Bools:
    """Find the paths that the assets out of service (`out` in study.toml) have cut.

    Parameters
    ----------
    reliance : Reliance

    Returns
    -------
    ndarray of bool, shape (paths,)
    """
    network = reliance.network
    numbers = network.assets.numbers(network.study.out)
    zero = np.zeros(len(numbers), dtype=np.int64)
    event = boolean(zero, numbers, (1, len(network.assets)))
    lost = np.zeros(len(network.paths), dtype=bool)
    lost[paths_lost(reliance, falls(reliance, event)).indices] = True
    return lost


def trials_of(reliance: Reliance, lost: Bools) -> list[Trial]:
    """List every circuit, then every group of two or more, by id.

    A path that is out of service does not count. Where fewer than two paths of a circuit are left,
    all recorded ones are compared, so that what they share is shown; a gap then says that a path
    is out.

    Parameters
    ----------
    reliance : Reliance
    lost : ndarray of bool, shape (paths,)
        Paths out of service.

    Returns
    -------
    list of Trial
    """
    network = reliance.network
    circuits = network.study.tables["circuits"]
    trials = []
    for circuit, name in enumerate(circuits["id"]):
        paths = list(network.paths.of_circuit(circuit))
        alive = [path for path in paths if not lost[path]]
        kept = alive if len(alive) >= 2 else paths
        trials.append(Trial(str(name), (circuit,), tuple((path,) for path in kept)))
    members: dict[str, list[int]] = {}
    for circuit, group in enumerate(circuits["group"]):
        if isinstance(group, str):
            members.setdefault(group, []).append(circuit)
    for group in sorted(members):
        trials.append(_group(reliance, lost, group, tuple(members[group])))
    return trials


def _group(reliance: Reliance, lost: Bools, name: str, members: tuple[int, ...]) -> Trial:
    network = reliance.network
    services = network.study.tables["circuits"]["service"]
    rules = network.study.rules
    asked = {rules.service(services.iloc[circuit]).group_test for circuit in members}
    strictest = next(one for one in _STRICTEST if one in asked)
    paths = [list(network.paths.of_circuit(circuit)) for circuit in members]
    sides: list[tuple[int, ...]]
    if strictest == WORKING:
        working = [_working(network.paths.label, mine, lost) for mine in paths if mine]
        sides = [(path,) for path in working]
    elif strictest == ALL:
        sides = [(path,) for mine in paths for path in mine]
    else:
        sides = [tuple(mine) for mine in paths if mine]
    return Trial(name, members, tuple(sides), strictest)


def _working(labels: tuple[str, ...], paths: list[int], lost: Bools) -> int:
    """The path that carries the service now: main, or the first one left if main is out."""
    ordered = sorted(paths, key=lambda path: labels[path] != MAIN)
    return next((path for path in ordered if not lost[path]), ordered[0])


def contests_of(trials: list[Trial]) -> tuple[list[Trial], list[int]]:
    """Divide every trial into contests: itself, or every two members of a pairwise group.

    Parameters
    ----------
    trials : list of Trial

    Returns
    -------
    contests : list of Trial
    owner : list of int
        The trial of each contest.
    """
    contests, owner = [], []
    for number, trial in enumerate(trials):
        mine = [trial]
        if trial.group_test == PAIRWISE:
            mine = [
                Trial(trial.id, trial.circuits, ((one,), (other,)), PAIRWISE)
                for left, right in combinations(trial.sides, 2)
                for one in left
                for other in right
            ] or mine
        contests += mine
        owner += [number] * len(mine)
    return contests, owner


def paths_to_lose(
    network: Network, trials: list[Trial], lost: Bools
) -> tuple[list[list[int]], dict[int, int], list[tuple[int, ...]]]:
    """List the paths that must all be down for each trial's service to be lost.

    Parameters
    ----------
    network : Network
    trials : list of Trial
    lost : ndarray of bool, shape (paths,)
        Paths out of service.

    Returns
    -------
    chosen : list of list of int
        Per trial every path of its circuits; then, per group, the paths that
        its members work on now.
    working_of : dict of int to int
        Number of each group to the place of its working paths in `chosen`.
    members : list of tuple of int
        For each of `chosen`, the circuits whose paths count there though they are not on record:
        all of them, or those of which the working path is not.
    """
    paths = network.paths
    of_circuit = [list(paths.of_circuit(one)) for one in range(_circuit_count(network))]
    chosen = [[path for one in trial.circuits for path in of_circuit[one]] for trial in trials]
    members = [trial.circuits for trial in trials]
    working_of = {}
    for number, trial in enumerate(trials):
        if trial.group_test is not None:
            working_of[number] = len(chosen)
            of_member = [of_circuit[one] for one in trial.circuits]
            chosen.append([_working(paths.label, mine, lost) for mine in of_member if mine])
            members.append(tuple(one for one in trial.circuits if not of_circuit[one]))
    return chosen, working_of, members


def _circuit_count(network: Network) -> int:
    return len(network.study.tables["circuits"])


def sides_of(reliance: Reliance, trials: list[Trial]) -> Sides:
    """Put trials into matrices.

    Parameters
    ----------
    reliance : Reliance
    trials : list of Trial

    Returns
    -------
    Sides
    """
    paths = len(reliance.network.paths)
    circuits = len(reliance.network.study.tables["circuits"])
    owner = [number for number, trial in enumerate(trials) for _ in trial.sides]
    row = [side for side, paths_in in enumerate(_flat(trials)) for _ in paths_in]
    column = [path for paths_in in _flat(trials) for path in paths_in]
    owners = reliance.network.paths.circuit[column] if column else np.empty(0, np.int64)
    return Sides(
        np.array(owner, dtype=np.int64),
        sp.csr_array(
            boolean(np.array(row, np.int64), np.array(column, np.int64), (len(owner), paths))
        ),
        np.array([max(2, len(trial.sides)) for trial in trials], dtype=np.int64),
        boolean(np.array(row, np.int64), owners, (len(owner), circuits)),
        np.array([trial.group_test is not None for trial in trials], dtype=bool),
        _tails_excused(reliance.network, trials),
    )


def _tails_excused(network: Network, trials: list[Trial]) -> Bools:
    """Trials of one circuit whose service does not count its tails as shared."""
    services = network.study.tables["circuits"]["service"].to_list()
    rules = network.study.rules
    return np.array(
        [
            trial.group_test is None and rules.service(services[trial.circuits[0]]).tail != "shared"
            for trial in trials
        ],
        dtype=np.bool_,
    )


def _flat(trials: list[Trial]) -> list[tuple[int, ...]]:
    return [side for trial in trials for side in trial.sides]


# --- Which gaps in the records touch which circuits and groups.


def gaps_of_trials(
    reliance: Reliance, trials: list[Trial], gaps: tuple[Gap, ...]
) -> list[list[int]]:
    """Find the gaps that touch each trial.

    A gap in plant touches every path that relies on it, or on something that it is one of several
    to feed: with a battery's room unknown, it is not known what it has in common with the other
    battery. A gap of a link touches every path over it. A gap of a circuit touches the circuit,
    and a group only where the path in question counts there, none is left to count, or the gap
    says so.

    Parameters
    ----------
    reliance : Reliance
    trials : list of Trial
    gaps : tuple of Gap

    Returns
    -------
    list of list of int
        Numbers of gaps, by trial.
    """
    network = reliance.network
    if not gaps:
        return [[] for _ in trials]
    touched = paths_touched(reliance, gaps)
    circuits = pd.Index(network.study.tables["circuits"]["id"])
    of_circuit: dict[int, list[tuple[int, str | None]]] = {}
    for number, gap in enumerate(gaps):
        for name in circuits.get_indexer(pd.Index(list(gap.circuits))) if gap.circuits else ():
            of_circuit.setdefault(int(name), []).append((number, gap.path))
    found = []
    for trial in trials:
        counted = {path for side in trial.sides for path in side}
        mine = {int(gap) for path in counted for gap in csr_row(touched, path)}
        labels = {(int(network.paths.circuit[path]), network.paths.label[path]) for path in counted}
        for circuit in trial.circuits:
            alone = trial.group_test is None
            without = not any(owner == circuit for owner, _ in labels)
            for number, label in of_circuit.get(circuit, ()):
                here = label is not None and (circuit, label) in labels
                if alone or without or here or gaps[number].with_groups:
                    mine.add(number)
        found.append(sorted(mine))
    return found


def links_left_open(reliance: Reliance, gaps: tuple[Gap, ...], limit: Limit) -> Bools:
    """Find the links that a gap touches which leaves a limit open.

    Parameters
    ----------
    reliance : Reliance
    gaps : tuple of Gap
    limit : Limit

    Returns
    -------
    ndarray of bool, shape (links,)
    """
    touched = _links_touched(reliance, gaps)
    bears = np.array([limit in gap.limits for gap in gaps], dtype=np.bool_)
    return np.asarray((touched @ bears) > 0)


def paths_touched(reliance: Reliance, gaps: tuple[Gap, ...]) -> sp.csr_array:
    """Find the gaps of plant and links that touch each path.

    Parameters
    ----------
    reliance : Reliance
    gaps : tuple of Gap

    Returns
    -------
    csr_array of bool, shape (paths, gaps)
    """
    return sp.csr_array(reliance.along @ _links_touched(reliance, gaps))


def _links_touched(reliance: Reliance, gaps: tuple[Gap, ...]) -> sp.csr_array:
    """Links by gaps, whichever assets or links the gaps name: shape (links, gaps)."""
    network = reliance.network
    count = len(network.assets)
    links = pd.Index(network.study.tables["links"]["id"])
    over = [(name, number) for number, gap in enumerate(gaps) for name in gap.links]
    by_link = boolean(
        np.asarray(links.get_indexer(pd.Index([name for name, _ in over])), dtype=np.int64),
        np.array([number for _, number in over], dtype=np.int64),
        (len(links), len(gaps)),
    )
    by_asset = _assets_touched(reliance, gaps)
    return union(sp.csr_array(reliance.links[:, :count] @ by_asset), by_link)


def touched_by_gaps(reliance: Reliance, gaps: tuple[Gap, ...]) -> sp.csr_array:
    """Find the gaps that touch each asset: of itself, of what it relies on, and of its feeds.

    Parameters
    ----------
    reliance : Reliance
    gaps : tuple of Gap

    Returns
    -------
    csr_array of bool, shape (assets, gaps)
    """
    return sp.csr_array(reliance.closed @ _assets_touched(reliance, gaps))


def _assets_touched(reliance: Reliance, gaps: tuple[Gap, ...]) -> sp.csr_array:
    """Assets by the gaps that name them, or what any feed of theirs relies on."""
    named = [(name, number) for number, gap in enumerate(gaps) for name in gap.assets]
    by_asset = boolean(
        reliance.network.assets.numbers([name for name, _ in named]),
        np.array([number for _, number in named], dtype=np.int64),
        (len(reliance.network.assets), len(gaps)),
    )
    return _through_feeds(reliance, by_asset)


def _through_feeds(reliance: Reliance, by_asset: sp.csr_array) -> sp.csr_array:
    """Gaps of assets, and of what any feed of theirs relies on: shape (assets, gaps)."""
    feeds = reliance.feeds
    behind = sp.csr_array(feeds.assets @ reliance.closed)
    users = sp.csr_array(feeds.owner.T.astype(np.bool_))
    while len(feeds):
        grown = union(by_asset, sp.csr_array(users @ sp.csr_array(behind @ by_asset)))
        if grown.nnz == by_asset.nnz:
            break
        by_asset = grown
    return by_asset


def lacks_of_availability(
    reliance: Reliance, trials: list[tuple[int, ...]], gaps: tuple[Gap, ...]
) -> Lacks:
    """State what gaps leave open of the unavailability of paths and of trials.

    Hops without a rate are left out: `outages` knows them.

    Parameters
    ----------
    reliance : Reliance
    trials : list of tuple of int
        The circuits of each trial whose paths that are not on record count there.
    gaps : tuple of Gap

    Returns
    -------
    Lacks
    """
    network = reliance.network
    bearing = tuple(gap for gap in gaps if "unavailability" in gap.limits and gap.code != HOP_RATE)
    said = [f"{gap.asset}: {GAP_CODES[gap.code].means}" for gap in bearing]
    touched = paths_touched(reliance, bearing)
    paths = [{*csr_row(touched, path).tolist()} for path in range(len(network.paths))]
    of_circuit: dict[int, list[int]] = {}
    circuits = {name: number for number, name in enumerate(network.study.tables["circuits"]["id"])}
    for number, gap in enumerate(bearing):
        for circuit in (circuits[name] for name in gap.circuits if name in circuits):
            if gap.path is None:
                of_circuit.setdefault(circuit, []).append(number)
                continue
            for path in network.paths.of_circuit(circuit):
                if network.paths.label[path] == gap.path:
                    paths[path].add(number)
    return Lacks(
        [tuple(said[number] for number in sorted(mine)) for mine in paths],
        [
            tuple(said[number] for circuit in mine for number in of_circuit.get(circuit, ()))
            for mine in trials
        ],
        [any(GAP_CODES[bearing[number].code].doubt for number in mine) for mine in paths],
    )
