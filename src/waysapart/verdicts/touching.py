"""Which gaps in the records touch which circuits and groups."""

from __future__ import annotations

import numpy as np
import pandas as pd
import scipy.sparse as sp

from waysapart.arrays import Bools, boolean, csr_row
from waysapart.findings.outages import HOP_RATE, Lacks
from waysapart.gaps import GAP_CODES, Gap, Limit
from waysapart.reliance.closure import union
from waysapart.reliance.rely import Reliance
from waysapart.verdicts.sides import Trial


def gaps_of_trials(
    reliance: Reliance, trials: list[Trial], gaps: tuple[Gap, ...]
) -> list[list[int]]:
    """Numbers of the gaps that touch each trial.

    A gap in plant touches every path that relies on it, or on something that it is one of
    several to feed: with a battery's room unknown, nobody can tell what it has in common with
    the other battery. A gap of a link touches every path over it. A gap of a circuit touches
    the circuit, and a group only where the path in question counts there, none is left to
    count, or the gap says so.
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
    """Which links some gap touches that leaves a limit open: shape (links,)."""
    touched = _links_touched(reliance, gaps)
    bears = np.array([limit in gap.limits for gap in gaps], dtype=np.bool_)
    return np.asarray((touched @ bears) > 0)


def paths_touched(reliance: Reliance, gaps: tuple[Gap, ...]) -> sp.csr_array:
    """Paths by the gaps of plant and links on them: bool, shape (paths, gaps)."""
    return sp.csr_array(reliance.along @ _links_touched(reliance, gaps))


def _links_touched(reliance: Reliance, gaps: tuple[Gap, ...]) -> sp.csr_array:
    """Links by gaps, whichever assets or links the gaps name: shape (links, gaps)."""
    network = reliance.network
    count = len(network.assets)
    links = pd.Index(network.study.tables["links"]["id"])
    assets = [(name, number) for number, gap in enumerate(gaps) for name in gap.assets]
    over = [(name, number) for number, gap in enumerate(gaps) for name in gap.links]
    by_asset = boolean(
        network.assets.numbers([name for name, _ in assets]),
        np.array([number for _, number in assets], dtype=np.int64),
        (count, len(gaps)),
    )
    by_link = boolean(
        np.asarray(links.get_indexer(pd.Index([name for name, _ in over])), dtype=np.int64),
        np.array([number for _, number in over], dtype=np.int64),
        (len(links), len(gaps)),
    )
    by_asset = _through_feeds(reliance, by_asset)
    return union(sp.csr_array(reliance.links[:, :count] @ by_asset), by_link)


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
    reliance: Reliance, tests: list[tuple[int, ...]], gaps: tuple[Gap, ...]
) -> Lacks:
    """What gaps leave open of the unavailability of paths, and of tests.

    Hops without a rate the figures know by themselves, whether anybody asks for them or not.

    Parameters
    ----------
    reliance : Reliance
    tests : list of tuple of int
        The circuits of each test whose paths that are not on record count there.
    gaps : tuple of Gap
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
            for mine in tests
        ],
        [any(GAP_CODES[bearing[number].code].doubt for number in mine) for mine in paths],
    )
