"""How long every circuit is interrupted while it changes over to another path.

What switches says how long it takes: a ring on each of its rows, a link on its own row, 0 where it
is hitless. A figure for which something that must switch states nothing is assumed from the rules.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from waysapart.arrays import Bools, Floats
from waysapart.formulas.delay import recovery_ms
from waysapart.network.build_network import Network
from waysapart.study.rules import Rules

_INTERNAL = "internal"


@dataclass(frozen=True)
class Recoveries:
    """Interruption of every circuit while it changes over.

    Attributes
    ----------
    ms : ndarray of float, shape (circuits,)
        NaN for circuits of fewer than two paths: nothing to change over to.
    assumed : ndarray of bool, shape (circuits,)
        Whether the rules had to fill in for something that must switch.
    """

    ms: Floats
    assumed: Bools


def rules_recovery_ms(rules: Rules) -> float:
    """Return the interruption that the rules assume where nobody states one.

    Parameters
    ----------
    rules : Rules

    Returns
    -------
    float
        Milliseconds: detection, hold-off and switching.
    """
    said = rules.recovery
    return float(recovery_ms(said.detection_ms, said.hold_off_ms, said.switching_ms))


def recoveries(network: Network) -> Recoveries:
    """Find the recovery time of every circuit from what its paths run over.

    Parameters
    ----------
    network : Network

    Returns
    -------
    Recoveries

    Notes
    -----
    Whichever link fails, the circuit leaves a path that has it for one that has not. So all links
    must be able to switch that are not on every path; cords inside a site (`internal`) switch with
    the link that they lead to, unless they state a time of their own. Each takes the time that
    its own row states, else that of its ring (of the rings of the circuit, where it is on several).
    The circuit takes the longest of these. Where one states nothing, it takes no less than the
    rules say, and the figure is assumed.
    """
    paths, tables = network.paths, network.study.tables
    links = tables["links"]
    own = links["recovery_ms"].to_numpy(dtype=np.float64)
    internal = (links["medium"] == _INTERNAL).to_numpy()
    by_ring, rings_of = _rings(network)
    otherwise = rules_recovery_ms(network.study.rules)
    count = len(tables["circuits"])
    ms, assumed = np.full(count, np.nan), np.zeros(count, dtype=np.bool_)
    for circuit, name in enumerate(tables["circuits"]["id"]):
        each = [set(paths.links(path).tolist()) for path in paths.of_circuit(circuit)]
        if len(each) < 2:
            continue
        switching = set.union(*each) - set.intersection(*each)
        mine = rings_of.get(str(name), frozenset())
        stated = []
        silent = not switching
        for link in switching:
            said = _of_link(own[link], by_ring.get(link, {}), mine)
            if said is not None:
                stated.append(said)
            elif not internal[link]:
                silent = True
        silent = silent or not stated
        ms[circuit] = max([*stated, otherwise] if silent else stated)
        assumed[circuit] = silent
    return Recoveries(ms, assumed)


def _of_link(own: float, rings: dict[str, float], mine: frozenset[str]) -> float | None:
    """The time that a link, or the rings that it is on, state; those of the circuit first."""
    if not np.isnan(own):
        return float(own)
    near = [value for ring, value in rings.items() if ring in mine] or list(rings.values())
    return max(near, default=None)


def _rings(network: Network) -> tuple[dict[int, dict[str, float]], dict[str, frozenset[str]]]:
    """By link, the rings that it is on and state a time; by circuit, its rings."""
    tables = network.study.tables
    rings, users = tables["rings"], tables["ring_circuits"]
    by_ring: dict[int, dict[str, float]] = {}
    stated = rings[rings["recovery_ms"].notna()]
    if len(stated):
        values = stated.groupby("ring")["recovery_ms"].max().to_dict()
        rows = rings[rings["ring"].isin(list(values))]
        numbers = pd.Index(tables["links"]["id"]).get_indexer(pd.Index(rows["link"]))
        for link, ring in zip(numbers.tolist(), rows["ring"], strict=True):
            by_ring.setdefault(link, {})[ring] = values[ring]
    of = users.groupby("circuit")["ring"] if len(users) else ()
    return by_ring, {str(circuit): frozenset(mine) for circuit, mine in of}
