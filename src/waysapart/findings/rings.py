"""How long a circuit takes where its ring turns back at a failure."""

from __future__ import annotations

import numpy as np
import pandas as pd

from waysapart.arrays import Floats
from waysapart.formulas.delay import ring_worst_us
from waysapart.network.assets import listed
from waysapart.network.paths import ALTERNATE, MAIN
from waysapart.network.tie import Network


def turned_back_us(network: Network, slower_us: Floats, machine_us: Floats) -> Floats:
    """Longest delay of each path of a ring circuit, whole or turned back at a failure on it.

    Parameters
    ----------
    network : Network
    slower_us : ndarray of float, shape (links,)
        Delay of every link, the greater of its two directions.
    machine_us : ndarray of float, shape (equipment,)
        Delay of every piece of equipment.

    Returns
    -------
    ndarray of float, shape (paths,)
        Microseconds; NaN for paths of circuits that run round no ring, and
        everywhere where the rules do not say that rings turn back
        (`recovery.ring_turns_back`): there the ends take the other way. NaN too
        where a delay on the ring is NaN. Never less for greater delays.
    """
    study, paths = network.study, network.paths
    found = np.full(len(paths), np.nan)
    users = study.tables["ring_circuits"]["circuit"]
    if not study.rules.recovery.ring_turns_back or not len(users):
        return found
    link_us = slower_us + _via_us(network, machine_us)
    offset = network.assets.start["equipment"]
    hops = study.tables["links"]
    end_a, end_b = (network.assets.numbers(hops[name]) - offset for name in ("a", "b"))
    circuits = pd.Index(study.tables["circuits"]["id"])
    for circuit in circuits.get_indexer(pd.Index(users)).tolist():
        ways = {paths.label[path]: path for path in paths.of_circuit(circuit)}
        if MAIN not in ways or ALTERNATE not in ways:
            continue
        main, other = ways[MAIN], ways[ALTERNATE]
        count = len(paths.links(main))
        round_ = np.r_[paths.links(main), paths.links(other)[::-1]]
        turned = np.r_[_backward(network, main), ~_backward(network, other)[::-1]]
        before = np.where(turned, end_b[round_], end_a[round_])
        node_us = machine_us[before]
        found[main] = ring_worst_us(link_us[round_], node_us, 0, count, loops_back=True)[0]
        swapped = np.roll(round_, -count), np.roll(node_us, -count)
        found[other] = ring_worst_us(
            link_us[swapped[0]], swapped[1], 0, len(round_) - count, loops_back=True
        )[0]
    return found


def _backward(network: Network, path: int) -> np.ndarray:
    paths = network.paths
    return paths.backward[paths.first[path] : paths.first[path + 1]]


def _via_us(network: Network, machine_us: Floats) -> Floats:
    """Delay of the equipment within every link."""
    tables = network.study.tables
    row, name = listed(tables["links"]["via"])
    place = pd.Index(tables["equipment"]["id"]).get_indexer(pd.Index(name))
    known = place >= 0
    added = np.bincount(row[known], machine_us[place[known]], len(tables["links"]))
    return added.astype(np.float64)
