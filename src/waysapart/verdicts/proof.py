"""The parts of a proof: the results of every stage, and the verdicts that rest on them."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

import pandas as pd

from waysapart.arrays import Bools, Ints, csr_row
from waysapart.evidence import Verdict
from waysapart.findings.outages import Outages
from waysapart.findings.own_line import OwnLines
from waysapart.findings.sharing import Sharing, Sides
from waysapart.findings.spacing import Spacing
from waysapart.gaps import Gap
from waysapart.network.build_network import Network
from waysapart.reliance.explain import ReasonChains
from waysapart.reliance.rely import Reliance
from waysapart.study.model import Study
from waysapart.study.rules import Rules, Service
from waysapart.text import few, html_table
from waysapart.verdicts.contests import Trial
from waysapart.verdicts.limits import CircuitLimits
from waysapart.verdicts.waivers import Waivers

SHARED: Verdict = "shared"
UNPROVEN: Verdict = "unproven"
ACCEPTED: Verdict = "accepted"
APART: Verdict = "apart"
WORST_FIRST: tuple[Verdict, ...] = (SHARED, UNPROVEN, ACCEPTED, APART)


@dataclass(frozen=True)
class ProofData:
    """Everything that `prove` found, as the tables and matrices of the stages before.

    `Proof` says what each attribute is, and adds `facts()` and `profile()`.
    """

    network: Network
    reliance: Reliance
    trials: list[Trial]
    services: list[Service]
    sides: Sides
    own_lines: OwnLines
    sharing: Sharing
    blank_within: Ints
    spacing: Spacing
    outages: Outages
    working_of: dict[int, int]
    delays: pd.DataFrame
    link_budgets: pd.DataFrame
    compared: pd.DataFrame
    limits: list[CircuitLimits]
    waivers: Waivers
    record_gaps: tuple[Gap, ...]
    gaps_of: list[list[int]]
    lost: Bools
    made: datetime
    verdicts: list[Verdict]

    @property
    def study(self) -> Study:
        """The study that was proved."""
        return self.network.study

    @cached_property
    def chains(self) -> ReasonChains:
        """Why paths rely on assets."""
        return ReasonChains(self.reliance)

    @cached_property
    def names(self) -> list[tuple[str, str, str | None]]:
        """Id, role and kind of every asset, then of every link (with its medium as the kind)."""
        frame, links = self.network.assets.frame, self.study.tables["links"]
        kinds = pd.concat([frame["kind"], links["medium"]]).to_numpy(dtype=object, copy=True)
        kinds[pd.isna(kinds)] = None
        return list(
            zip(
                (*frame["id"].to_list(), *links["id"].to_list()),
                (*frame["role"].to_list(), *["links"] * len(links)),
                kinds.tolist(),
                strict=True,
            )
        )

    @cached_property
    def circuit_ids(self) -> list[str]:
        """Ids of the circuits, in the order of their table."""
        return [str(name) for name in self.study.tables["circuits"]["id"]]

    def path_label(self, path: int, *, grouped: bool) -> str:
        """Name a path for readers.

        Parameters
        ----------
        path : int
        grouped : bool
            Whether paths of other circuits stand beside it.

        Returns
        -------
        str
            `main`, or `C1 main` where grouped.
        """
        paths = self.network.paths
        label = str(paths.label[path])
        return f"{self.circuit_ids[int(paths.circuit[path])]} {label}" if grouped else label

    @property
    def circuit_count(self) -> int:
        """Number of trials that are circuits; groups follow."""
        return len(self.study.tables["circuits"])

    def counts(self) -> dict[Verdict, int]:
        """Count the circuits with each verdict, worst first.

        Returns
        -------
        dict of Verdict to int
        """
        found = Counter(self.verdicts[: self.circuit_count])
        return {verdict: found.get(verdict, 0) for verdict in WORST_FIRST}

    def over_a_limit(self) -> int:
        """Count the circuits that break a limit of their service.

        Returns
        -------
        int
        """
        return sum(limit.within is False for limit in self.limits)

    def exit_code(self) -> int:
        """Return the exit status of `prove`.

        Returns
        -------
        int
            0: all apart or accepted, and within limits; 1: shared or outside a limit; 3: not
            proved.
        """
        if SHARED in self.verdicts or self.over_a_limit():
            return 1
        open_ = UNPROVEN in self.verdicts or any(limit.within is None for limit in self.limits)
        return 3 if open_ else 0


def services_of(network: Network, trial: Trial) -> tuple[Service, ...]:
    """Return the services of a trial's circuits, each once.

    Parameters
    ----------
    network : Network
    trial : Trial

    Returns
    -------
    tuple of Service
    """
    return services_by_name(service_names(network), network.study.rules, trial)


def service_names(network: Network) -> list[str | None]:
    """Return the name of the service of every circuit.

    Parameters
    ----------
    network : Network

    Returns
    -------
    list of str or None
        None where a circuit names none.
    """
    names = network.study.tables["circuits"]["service"].to_list()
    return [name if isinstance(name, str) else None for name in names]


def services_by_name(names: list[str | None], rules: Rules, trial: Trial) -> tuple[Service, ...]:
    """Return the services of a trial's circuits, each once, from `service_names`.

    Parameters
    ----------
    names : list of str or None, length (circuits)
    rules : Rules
    trial : Trial

    Returns
    -------
    tuple of Service
    """
    mine = dict.fromkeys(names[circuit] for circuit in trial.circuits)
    return tuple(rules.service(name) for name in mine)


# --- A proof at a glance, for notebooks: a row for each circuit and group, worst first.

_MOST_ROWS = 60
_MOST_NAMES = 5
_LIMITS = {True: "kept", False: "broken", None: "not known"}


def brief_html(proof: ProofData) -> str:
    """Show the verdicts as an HTML table for notebooks; every text of a layer is escaped.

    Parameters
    ----------
    proof : ProofData

    Returns
    -------
    str
    """
    order = sorted(
        range(len(proof.trials)), key=lambda trial: WORST_FIRST.index(proof.verdicts[trial])
    )
    rows = [_row(proof, trial) for trial in order[:_MOST_ROWS]]
    counts = ", ".join(f"{count} {verdict}" for verdict, count in proof.counts().items())
    return html_table(
        f"{proof.study.name}: {counts}; {proof.over_a_limit()} outside a limit",
        ("circuit or group", "verdict", "shared and avoidable", "record gaps", "limits"),
        rows,
        left_out=len(order) - len(rows),
    )


def _row(proof: ProofData, trial: int) -> tuple[object, ...]:
    avoidable = proof.sharing.avoidable
    held = csr_row(avoidable, trial).tolist()
    names = [proof.names[asset][0] for asset in held if (trial, asset) not in proof.sharing.through]
    told = few(names, _MOST_NAMES)
    if not names and proof.verdicts[trial] in ("shared", "accepted"):
        told = "nothing; the paths come near or cross"
    is_circuit = trial < proof.circuit_count
    limits = _LIMITS[proof.limits[trial].within] if is_circuit else None
    return proof.trials[trial].id, proof.verdicts[trial], told, len(proof.gaps_of[trial]), limits
