"""The state of every circuit and group while assets are down."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy.sparse as sp

from waysapart.arrays import Bools, boolean, csr_row
from waysapart.network.assets import fed_by
from waysapart.network.paths import Paths
from waysapart.study.rules import Service
from waysapart.verdicts.limits import (
    BY_FIGURES,
    CircuitLimits,
    Unavailable,
    circuit_limits,
    together,
)
from waysapart.whatif.base import Base, further, paths_cut

UNTOUCHED, LOST, UNKNOWN = "untouched", "lost", "unknown"
DROPPED, WEAKENED = "dropped", "weakened"
ON = "on-"
"""Before the label of the path that still runs."""


@dataclass(frozen=True)
class CircuitState:
    """One circuit while something is down.

    Attributes
    ----------
    circuit : int
    state : str
        `untouched`, `on-` and the label of the path that carries it, `lost`, or
        `unknown` (not known to be hit, but a record gap touches it).
    running, cut, out : tuple of str
        Labels of the paths that still run, that the event cuts, that were out
        of service before it.
    next : tuple of int
        Assets whose loss would lose the circuit now.
    weakened : tuple of int
        Supplies that stand in for one that is down, on the paths that run.
    delay_us, delay_at_least_us, limit_us : float, float, float or None
        Greatest delay of the paths that run (NaN where not on record), the least that it can
        be, and the service's limit.
    delay_ok, asymmetry_ok, loss_ok : bool or None
        Whether they keep the limits; None: not on record.
    gaps : tuple of int
    """

    circuit: int
    state: str
    running: tuple[str, ...]
    cut: tuple[str, ...]
    out: tuple[str, ...]
    next: tuple[int, ...]
    weakened: tuple[int, ...]
    delay_us: float
    delay_at_least_us: float
    limit_us: float | None
    delay_ok: bool | None
    asymmetry_ok: bool | None
    loss_ok: bool | None
    gaps: tuple[int, ...]

    @property
    def within(self) -> bool | None:
        """Whether the paths that run keep their limits; None: not on record, or none runs."""
        if not self.running:
            return None
        return together([self.delay_ok, self.asymmetry_ok, self.loss_ok])

    @property
    def touched(self) -> bool:
        """Whether the event cuts any path of it that ran before."""
        return bool(self.cut)

    @property
    def exposed(self) -> bool:
        """Whether it is lost, or left with one path of those it had."""
        return self.state == LOST or (len(self.running) == 1 and bool(self.cut or self.out))

    @property
    def only_weakened(self) -> bool:
        """Whether no path of it is down, and something that keeps one up has lost a supply."""
        return bool(self.weakened) and self.state in (UNTOUCHED, UNKNOWN)

    @property
    def open(self) -> bool:
        """Whether a record gap leaves open that more of it is down than is known."""
        return bool(self.gaps) and self.state != LOST

    @property
    def within_open(self) -> bool:
        """Whether it is touched and nobody can tell whether what runs keeps the limits."""
        return self.touched and self.state != LOST and self.within is None


@dataclass(frozen=True)
class GroupState:
    """One group while something is down.

    Attributes
    ----------
    trial : int
    state : str
        `lost`: no path of any member runs. `dropped`: all paths that its
        `group_test` counts are down at once, though members can switch to other paths.
        `weakened`: some of it, or a supply of some of it, is down. Else `unknown` or `untouched`.
    running : tuple of int
        Members that still have a path.
    next : tuple of int
        Assets whose loss would lose the last path of the last member.
    weakened : tuple of int
        Supplies that stand in for one that is down, of any member.
    gaps : tuple of int
        Numbers of the record gaps that touch the group.
    """

    trial: int
    state: str
    running: tuple[int, ...]
    next: tuple[int, ...]
    weakened: tuple[int, ...]
    gaps: tuple[int, ...]


def circuit_states(base: Base, down: Bools, lost: Bools, after: sp.csr_array) -> list[CircuitState]:
    """The state of every circuit while assets are down.

    Parameters
    ----------
    base : Base
    down : ndarray of bool, shape (assets,)
        Everything that is down, what was out of service before included.
    lost : ndarray of bool, shape (paths,)
        Paths that this cuts, those out of service before included.
    after : csr_array of bool, shape (circuits, assets)
        Which single further loss would lose which circuit, from `next_events`.

    Returns
    -------
    list of CircuitState
        In the order of the table of circuits.
    """
    paths = base.network.paths
    limits = running_limits(base, lost)
    others = stand_ins(base, down, lost)
    found = []
    for circuit in range(base.circuit_count):
        mine = list(paths.of_circuit(circuit))
        labels = {path: paths.label[path] for path in mine}
        running = [path for path in mine if not lost[path]]
        gaps = tuple(base.gaps_of[circuit])
        if mine and not running:
            state = LOST
        elif len(running) < len(mine):
            state = ON + labels[running[0]]
        else:
            state = UNKNOWN if gaps else UNTOUCHED
        limit = limits[circuit]
        found.append(
            CircuitState(
                circuit,
                state,
                tuple(labels[path] for path in running),
                tuple(labels[path] for path in mine if lost[path] and not base.out[path]),
                tuple(labels[path] for path in mine if base.out[path]),
                _row(after, circuit) if running else (),
                others[circuit],
                limit.worst_us,
                limit.worst_at_least_us,
                _service(base, circuit).max_delay_us,
                limit.delay_ok,
                limit.asymmetry_ok,
                limit.loss_ok,
                gaps,
            )
        )
    return found


def group_states(
    base: Base, lost: Bools, circuits: Sequence[CircuitState], after: sp.csr_array
) -> list[GroupState]:
    """The state of every group while assets are down.

    Parameters
    ----------
    base, lost
        As in `circuit_states`.
    circuits : sequence of CircuitState
        What it has found.
    after : csr_array of bool, shape (groups, assets)
        Which single further loss would lose which group, from `next_events`.

    Returns
    -------
    list of GroupState
    """
    paths = base.network.paths
    groups = range(base.circuit_count, len(base.trials))
    found = []
    for place, number in enumerate(groups):
        trial = base.trials[number]
        running = tuple(
            circuit
            for circuit in trial.circuits
            if any(not lost[path] for path in paths.of_circuit(circuit))
        )
        sides = [all(lost[path] for path in side) for side in trial.sides]
        gaps = tuple(base.gaps_of[number])
        supplies = tuple(sorted({s for one in trial.circuits for s in circuits[one].weakened}))
        if not running:
            state = LOST
        elif sides and all(sides):
            state = DROPPED
        elif supplies or any(
            lost[path] for circuit in trial.circuits for path in paths.of_circuit(circuit)
        ):
            state = WEAKENED
        else:
            state = UNKNOWN if gaps else UNTOUCHED
        found.append(
            GroupState(
                number, state, running, _row(after, place) if running else (), supplies, gaps
            )
        )
    return found


def stand_ins(base: Base, down: Bools, lost: Bools) -> list[tuple[int, ...]]:
    """What stands in for supplies that are down, wherever a path that runs hangs on it.

    Parameters
    ----------
    base, down, lost
        As in `circuit_states`.

    Returns
    -------
    list of tuple of int
        For each circuit the supplies, ascending, that keep up what its paths rely on although
        another supply of the same is down.

    Notes
    -----
    A machine, or a board, has lost a feed and still has one. A path relies on it where its loss
    would now cut that path. Of a feed that is a route through a loop of boards, the supply that
    the machine is connected to stands in.
    """
    feeds = base.reliance.feeds
    dead = feeds.hit(down)
    weak = np.intersect1d(feeds.user[dead], feeds.user[~dead])
    weak = weak[~down[weak]]
    found: list[set[int]] = [set() for _ in range(base.circuit_count)]
    if not len(weak):
        return [() for _ in found]
    events = boolean(np.arange(len(weak)), weak, (len(weak), len(down)))
    cut = paths_cut(base, further(base, events, down), lost)
    fed = fed_by(base.study, base.network.assets)
    place = {int(user): row for row, user in enumerate(weak)}
    others: list[set[int]] = [set() for _ in place]
    for feed in np.flatnonzero(~dead & np.isin(feeds.user, weak)).tolist():
        user = int(feeds.user[feed])
        others[place[user]] |= set(csr_row(feeds.assets, feed).tolist()) & set(fed[user])
    for row, supplies in enumerate(others):
        for circuit in base.network.paths.circuit[csr_row(cut, row)].tolist():
            found[circuit] |= supplies
    return [tuple(sorted(one)) for one in found]


def _row(matrix: sp.csr_array, row: int) -> tuple[int, ...]:
    return tuple(sorted(csr_row(matrix, row).tolist()))


def _service(base: Base, circuit: int) -> Service:
    name = base.study.tables["circuits"]["service"].iloc[circuit]
    return base.study.rules.service(name)


def running_limits(base: Base, lost: Bools) -> list[CircuitLimits]:
    """Delay, asymmetry and loss of what still runs, by the stage that judges whole circuits.

    Parameters
    ----------
    base : Base
    lost : ndarray of bool, shape (paths,)

    Returns
    -------
    list of CircuitLimits

    Notes
    -----
    A path that is not on record does not run: it leaves open no figure of those that do.
    """
    alive = np.flatnonzero(~lost)
    network = replace(base.network, paths=_only(base.network.paths, lost))
    services = [_service(base, circuit) for circuit in range(base.circuit_count)]
    return circuit_limits(
        network,
        services,
        base.delays.iloc[alive],
        base.budgets,
        Unavailable.unknown(base.circuit_count),
        [open_ - BY_FIGURES for open_ in base.open_limits],
    )


def _only(paths: Paths, lost: Bools) -> Paths:
    """The paths that are not lost."""
    alive = np.flatnonzero(~lost)
    size = np.diff(paths.first)
    rows = np.repeat(~lost, size)
    return Paths(
        paths.circuit[alive],
        tuple(paths.label[path] for path in alive.tolist()),
        np.r_[0, np.cumsum(size[alive])].astype(np.int64),
        paths.link[rows],
        paths.backward[rows],
    )
