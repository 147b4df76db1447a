"""What every what-if starts from: a tied study, who relies on what, and what is down already."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
import scipy.sparse as sp

from waysapart.arrays import Bools, Ints, boolean
from waysapart.findings.delays import path_delays
from waysapart.findings.loss import loss_budgets
from waysapart.findings.measured import compare_measurements, loss_delay_gaps
from waysapart.gaps import GAP_CODES, Gap
from waysapart.network.build_network import Network, tie
from waysapart.network.spares import FibreUse, fibre_use_of
from waysapart.reliance.rely import Reliance, falls, paths_lost, rely
from waysapart.study.model import Study
from waysapart.verdicts.contests import Trial, gaps_of_trials, out_of_service, trials_of
from waysapart.verdicts.limits import open_limits
from waysapart.verdicts.prove import Proof

Subject = Study | Network | Proof
"""What may be asked about: a study, tied or proved already or not."""
_OF_THE_PROOF = ("way-out", "lone-member")
"""Codes that are not gaps in the records; what is out of service counts here as down."""


@dataclass(frozen=True)
class Base:
    """A study made ready for events.

    Attributes
    ----------
    reliance : Reliance
    trials : list of Trial
        Circuits first, then groups.
    gaps : tuple of Gap
    gaps_of : list of list of int
        Gaps in the records that touch each trial and leave open where its paths run.
    open_limits : list of frozenset of str
        The limits that gaps leave open, per circuit.
    delays, budgets : DataFrame
    down : ndarray of bool, shape (assets,)
        Assets that are out of service now, with what falls with them.
    out : ndarray of bool, shape (paths,)
        Paths that these have cut.
    """

    reliance: Reliance
    trials: list[Trial]
    gaps: tuple[Gap, ...]
    gaps_of: list[list[int]]
    open_limits: list[frozenset[str]]
    delays: pd.DataFrame
    budgets: pd.DataFrame
    down: Bools
    out: Bools

    @property
    def network(self) -> Network:
        """The tied study."""
        return self.reliance.network

    @property
    def study(self) -> Study:
        """The study."""
        return self.reliance.network.study

    @cached_property
    def fibre_use(self) -> FibreUse:
        """What links use of the fibres on record."""
        return fibre_use_of(self.network)

    @cached_property
    def fatal_circuits(self) -> sp.csr_array:
        """Which single loss cuts every path that runs now: bool, shape (circuits, assets)."""
        return next_events(self, self.down, self.out, self.path_circuits())

    @cached_property
    def fatal_groups(self) -> sp.csr_array:
        """Which single loss cuts every path of every member: bool, shape (groups, assets)."""
        return next_events(self, self.down, self.out, path_groups(self))

    @property
    def circuit_count(self) -> int:
        """How many of the trials are circuits."""
        return len(self.study.tables["circuits"])

    def circuit_ids(self) -> list[str]:
        """Ids of the circuits, in their order."""
        return [str(name) for name in self.study.tables["circuits"]["id"]]

    def path_circuits(self) -> sp.csr_array:
        """Which path belongs to which circuit: int32, shape (paths, circuits)."""
        circuit = self.network.paths.circuit
        member = boolean(np.arange(len(circuit)), circuit, (len(circuit), self.circuit_count))
        return sp.csr_array(member.astype(np.int32))

    def event(self, numbers: Ints) -> sp.csr_array:
        """One event that puts assets out of service.

        Parameters
        ----------
        numbers : ndarray of int, shape (hit,)
            Asset numbers.

        Returns
        -------
        csr_array of bool, shape (1, assets)
        """
        row = np.zeros(len(numbers), dtype=np.int64)
        return boolean(row, numbers, (1, len(self.network.assets)))


def base_of(subject: Subject) -> Base:
    """Run the stages that a what-if needs, as far as they have not been run.

    Parameters
    ----------
    subject : Study, Network or Proof

    Returns
    -------
    Base
    """
    if isinstance(subject, Proof):
        reliance, trials = subject.reliance, subject.trials
        gaps, gaps_of, lost = subject.record_gaps, subject.gaps_of, subject.lost
        delays, budgets = subject.delays, subject.link_budgets
    else:
        reliance = rely(subject if isinstance(subject, Network) else tie(subject))
        lost = out_of_service(reliance)
        trials = trials_of(reliance, lost)
        budgets = loss_budgets(reliance.network)
        compared = compare_measurements(reliance.network, budgets)
        gaps = (*reliance.network.gaps, *loss_delay_gaps(reliance.network, compared))
        delays = path_delays(reliance.network, gaps)
        gaps_of = gaps_of_trials(reliance, trials, gaps)
    network = reliance.network
    numbers = network.assets.numbers(network.study.out)
    down = np.zeros(len(network.assets), dtype=np.bool_)
    event = boolean(np.zeros(len(numbers), np.int64), numbers, (1, len(network.assets)))
    down[falls(reliance, event).indices] = True
    kept = [gap.code not in _OF_THE_PROOF and GAP_CODES[gap.code].separation for gap in gaps]
    recorded = [[one for one in mine if kept[one]] for mine in gaps_of]
    circuits = len(network.study.tables["circuits"])
    open_ = open_limits(gaps, gaps_of[:circuits])
    return Base(reliance, trials, gaps, recorded, open_, delays, budgets, down, lost)


def further(base: Base, events: sp.csr_array, down: Bools | None = None) -> sp.csr_array:
    """What each event puts out of service beyond what is down already.

    Parameters
    ----------
    base : Base
    events : csr_array of bool, shape (events, assets)
    down : ndarray of bool, shape (assets,), optional
        Replaces what is out of service now.

    Returns
    -------
    csr_array of bool, shape (events, assets)
    """
    return falls(base.reliance, events, base.down if down is None else down)


def paths_cut(base: Base, fallen: sp.csr_array, out: Bools | None = None) -> sp.csr_array:
    """Paths in service now that each event cuts.

    Parameters
    ----------
    base : Base
    fallen : csr_array of bool, shape (events, assets)
        All that each event puts out of service.
    out : ndarray of bool, shape (paths,), optional
        Replaces the paths that are out of service now.

    Returns
    -------
    csr_array of bool, shape (events, paths)
    """
    already = base.out if out is None else out
    cut = paths_lost(base.reliance, fallen)
    running = boolean(
        np.flatnonzero(~already), np.flatnonzero(~already), (len(already), len(already))
    )
    return sp.csr_array(cut @ running)


def every_asset(base: Base) -> sp.csr_array:
    """The loss of each asset as an event of its own.

    Parameters
    ----------
    base : Base

    Returns
    -------
    csr_array of bool, shape (assets, assets)
    """
    return sp.csr_array(sp.eye_array(len(base.network.assets), dtype=np.bool_, format="csr"))


def path_groups(base: Base) -> sp.csr_array:
    """Which path belongs to a member of which group.

    Parameters
    ----------
    base : Base

    Returns
    -------
    csr_array of int32, shape (paths, groups)
    """
    paths = base.network.paths
    groups = base.trials[base.circuit_count :]
    rows = [
        (path, place)
        for place, trial in enumerate(groups)
        for circuit in trial.circuits
        for path in paths.of_circuit(circuit)
    ]
    table = np.array(rows, dtype=np.int64).reshape(-1, 2)
    return sp.csr_array(
        boolean(table[:, 0], table[:, 1], (len(paths), len(groups))).astype(np.int32)
    )


def next_events(base: Base, down: Bools, lost: Bools, paths: sp.csr_array) -> sp.csr_array:
    """Which single further loss would cut every path that still runs.

    Parameters
    ----------
    base : Base
    down : ndarray of bool, shape (assets,)
        Everything that is down.
    lost : ndarray of bool, shape (paths,)
        Paths that this cuts.
    paths : csr_array of int32, shape (paths, owners)
        Whose path each path is: circuits, or groups.

    Returns
    -------
    csr_array of bool, shape (owners, assets)
        Assets that are down already are left out.
    """
    up = np.flatnonzero(~down)
    events = boolean(up, up, every_asset(base).shape)
    cut = paths_cut(base, further(base, events, down), lost).astype(np.int32)
    running = np.asarray((~lost).astype(np.int32) @ paths)
    taken = sp.csr_array(cut @ paths).tocoo()
    last = taken.data == running[taken.col]
    return boolean(
        taken.col[last].astype(np.int64),
        taken.row[last].astype(np.int64),
        (paths.shape[1], len(down)),
    )
