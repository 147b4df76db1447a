"""Prove the verdicts on every circuit, group and scheme of a study; the order of all the steps."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import cast

import geopandas as gpd
import numpy as np
import pandas as pd
import scipy.sparse as sp

from waysapart.arrays import Bools, boolean, csr_row
from waysapart.evidence import Evidence, Verdict
from waysapart.findings.delays import path_delays
from waysapart.findings.loss import loss_budgets
from waysapart.findings.measured import compare_measurements, loss_delay_gaps
from waysapart.findings.outages import outages, rate_gaps
from waysapart.findings.own_line import OwnLines, own_lines
from waysapart.findings.sharing import (
    Sharing,
    blank_within,
    count_own_lines,
    merge,
    share,
)
from waysapart.findings.spacing import space
from waysapart.gaps import GAP_CODES, Gap
from waysapart.network.assets import row_gap
from waysapart.network.build_network import Network, tie
from waysapart.reliance.rely import rely
from waysapart.strings import plain_strings
from waysapart.study.model import Study, now
from waysapart.study.rules import Rules, Service
from waysapart.verdicts.breaches import Breach, accuracy_gaps, breaches
from waysapart.verdicts.contests import (
    Trial,
    contests_of,
    gaps_of_trials,
    lacks_of_availability,
    out_of_service,
    paths_to_lose,
    sides_of,
    trials_of,
)
from waysapart.verdicts.facts import profile_of, proof_facts
from waysapart.verdicts.frames import Frames
from waysapart.verdicts.limits import Unavailable, circuit_limits, open_limits
from waysapart.verdicts.proof import (
    ACCEPTED,
    APART,
    SHARED,
    UNPROVEN,
    ProofData,
    brief_html,
    service_names,
    services_by_name,
)
from waysapart.verdicts.waivers import Waivers, lay_over

_OWN_EXCUSED, _OWN_ANY = "excused", "any"


@dataclass(frozen=True)
class Proof(ProofData):
    """Everything that `prove` found: as tables, and as plain data with `facts()`.

    The tables `circuits`, `groups`, `paths`, `shared`, `near`, `gaps` and `budgets` have the
    columns of docs/frames.md. What is not known is NA in them; they are made when first asked
    for and kept, so copy one before changing it. `facts()` is what `--json` writes.

    Attributes
    ----------
    network, reliance : Network, Reliance
    trials : list of Trial
        Circuits first (as in the circuits table), then groups; `verdicts`, `gaps_of`, `services`
        stand in the same order.
    sides : Sides
    own_lines : OwnLines
        What is lost with what each circuit protects.
    sharing, spacing, outages : Sharing, Spacing, Outages
    blank_within : ndarray of int, shape (trials,)
        Assets relied on without a record of what they lie within.
    working_of : dict of int to int
        Where in `outages` each group's working paths stand.
    delays, link_budgets, compared : DataFrame
        Of every path, of every link over fibre, and of every measurement beside the records.
    limits : list of CircuitLimits
        Per circuit.
    waivers : Waivers
    record_gaps : tuple of Gap
    lost : ndarray of bool, shape (paths,)
        Paths that assets out of service have cut.
    made : datetime
    """

    @cached_property
    def _frames(self) -> Frames:
        return Frames(self, self.facts())

    @property
    def circuits(self) -> gpd.GeoDataFrame:
        """Every circuit: verdict, what was found of it, figures, limits, and its lines."""
        return cast(gpd.GeoDataFrame, self._frames.of("circuits"))

    @property
    def groups(self) -> gpd.GeoDataFrame:
        """Every group of circuits that back each other up."""
        return cast(gpd.GeoDataFrame, self._frames.of("groups"))

    @property
    def paths(self) -> gpd.GeoDataFrame:
        """Every path of every circuit: links, lengths, delay, unavailability, and its line."""
        return cast(gpd.GeoDataFrame, self._frames.of("paths"))

    @property
    def shared(self) -> gpd.GeoDataFrame:
        """Every avoidable asset that the paths of a circuit or group share."""
        return cast(gpd.GeoDataFrame, self._frames.of("shared"))

    @property
    def near(self) -> gpd.GeoDataFrame:
        """Every near stretch and crossing of two paths of a circuit or group."""
        return cast(gpd.GeoDataFrame, self._frames.of("near"))

    @property
    def gaps(self) -> gpd.GeoDataFrame:
        """Every record gap, where it is, and the circuits and groups that it touches."""
        return cast(gpd.GeoDataFrame, self._frames.of("gaps"))

    @property
    def budgets(self) -> pd.DataFrame:
        """The optical budget of every link over fibre, for each path that follows it."""
        return self._frames.of("budgets")

    def facts(self) -> Evidence:
        """Return the proof as plain data, in the form of `waysapart.evidence`.

        Returns
        -------
        Evidence
        """
        return proof_facts(self)

    def profile(self, name: str) -> pd.DataFrame:
        """Return the distance to the other paths along each path of a circuit or group.

        Parameters
        ----------
        name : str
            Id of a circuit, or name of a group.

        Returns
        -------
        DataFrame
            See `waysapart.findings.spacing.separation_profiles`.

        Raises
        ------
        CallError
            No circuit or group is called so.
        """
        return profile_of(self, name)

    def __repr__(self) -> str:
        counts = ", ".join(f"{count} {verdict}" for verdict, count in self.counts().items())
        return f"Proof({self.study.name!r}: {counts}; {self.over_a_limit()} outside a limit)"

    def _repr_html_(self) -> str:
        """For notebooks: the circuits and groups, those that need a decision first."""
        return brief_html(self)


def prove(study: Study | Network) -> Proof:
    """Prove which circuits' paths are apart.

    Parameters
    ----------
    study : Study or Network
        From `read_study`, or tied already.

    Returns
    -------
    Proof
        Verdicts `shared`, `unproven`, `accepted`, `apart`, and all that they
        rest on.

    Raises
    ------
    StudyError
        Records name each other in chains or loops too long to follow.

    Examples
    --------
    >>> import waysapart as wa
    >>> study = wa.read_study("examples/estuary")
    >>> proof = wa.prove(study)
    >>> proof.counts()
    {'shared': 14, 'unproven': 3, 'accepted': 1, 'apart': 15}
    >>> proof.facts()["circuits"][0]["verdict"]
    'shared'
    """
    with plain_strings():
        return _proved(study)


def _proved(study: Study | Network) -> Proof:
    network = study if isinstance(study, Network) else tie(study)
    reliance = rely(network)
    lost = out_of_service(reliance)
    trials = trials_of(reliance, lost)
    names, rules = service_names(network), network.study.rules
    services = [_service(services_by_name(names, rules, trial)) for trial in trials]
    sides = sides_of(reliance, trials)
    contests, owner = contests_of(trials)
    held = sides_of(reliance, contests)
    between = share(reliance, held)
    own = own_lines(reliance, lost)
    sharing = merge(reliance, between, owner, sides)
    counted = _counted(own, trials, rules, names, sharing)
    sharing = count_own_lines(reliance, sharing, counted, sides)
    asked = [services_by_name(names, rules, trial) for trial in contests]
    spacing = space(reliance, held, between, asked, np.array(owner, np.int64))
    waivers = lay_over(reliance, trials, sharing, spacing)
    budgets = loss_budgets(network)
    compared = compare_measurements(network, budgets)
    apart = breaches(spacing, waivers, network, len(trials))
    unsure = accuracy_gaps(spacing, apart, waivers, network, trials)
    gaps = (
        *network.gaps,
        *loss_delay_gaps(network, compared),
        *_path_gaps(network, trials, lost),
        *_own_line_gaps(network, own, rules, names),
        *rate_gaps(reliance, services[: len(network.study.tables["circuits"])]),
        *unsure.values(),
    )
    delays = path_delays(network, gaps)
    gaps_of = gaps_of_trials(reliance, trials, gaps)
    for number, index in enumerate(unsure, start=len(gaps) - len(unsure)):
        gaps_of[index] = sorted({*gaps_of[index], number})
    paths, working_of, members = paths_to_lose(network, trials, lost)
    down = outages(reliance, paths, lost, lacks_of_availability(reliance, members, gaps))
    circuits = len(network.study.tables["circuits"])
    open_ = open_limits(gaps, gaps_of[:circuits])
    limits = circuit_limits(
        network,
        services[:circuits],
        delays,
        budgets,
        Unavailable(down.together[:circuits], down.together_at_least[:circuits]),
        open_,
    )
    unknown = [any(GAP_CODES[gaps[number].code].separation for number in mine) for mine in gaps_of]
    verdicts = _verdicts(trials, sharing, apart, waivers, unknown)
    return Proof(
        network,
        reliance,
        trials,
        services,
        sides,
        own,
        sharing,
        blank_within(reliance, sides),
        spacing,
        down,
        working_of,
        delays,
        budgets,
        compared,
        limits,
        waivers,
        gaps,
        gaps_of,
        lost,
        now(),
        verdicts,
    )


def _service(asked: tuple[Service, ...]) -> Service:
    """The limits of a circuit's service; for a group, that with the widest separation."""
    return max(asked, key=lambda service: service.widest_separation_m())


def _path_gaps(network: Network, trials: list[Trial], lost: Bools) -> list[Gap]:
    """Gaps for paths that are out of service now, and for groups of one circuit."""
    gaps = []
    paths = network.paths
    names = network.study.tables["circuits"]["id"].to_numpy()
    for trial in trials:
        if trial.group_test is None:
            circuit = trial.circuits[0]
            mine = paths.of_circuit(circuit)
            out = [path for path in mine if lost[path]]
            if out and len(mine) - len(out) < 2:
                labels = ", ".join(paths.label[path] for path in out)
                gaps.append(
                    Gap(
                        "way-out",
                        f"circuit {names[circuit]}: {labels} is out of service now, which "
                        "leaves it fewer than two paths: prove it again when the work is done",
                        str(names[circuit]),
                        circuits=(str(names[circuit]),),
                    )
                )
        elif len(trial.circuits) < 2:
            member = str(names[trial.circuits[0]])
            gaps.append(
                Gap(
                    "lone-member",
                    f"group {trial.id}: {member} is its only circuit: give the circuits that back "
                    "it up the same group",
                    trial.id,
                )
            )
    return gaps


def _counted(
    own: OwnLines,
    trials: list[Trial],
    rules: Rules,
    names: list[str | None],
    sharing: Sharing,
) -> sp.csr_array:
    """What is lost together with a circuit's line and counts by its service (`own_line`)."""
    row: list[int] = []
    column: list[int] = []
    for number, trial in enumerate(trials):
        if trial.group_test is not None:
            break
        circuit = trial.circuits[0]
        counts = rules.service(names[circuit]).own_line
        if counts == _OWN_EXCUSED:
            continue
        mine = own.assets(circuit) if counts == _OWN_ANY else own.silent(circuit)
        column += mine
        row += [number] * len(mine)
    return boolean(np.array(row, np.int64), np.array(column, np.int64), sharing.shared.shape)


def _own_line_gaps(
    network: Network, own: OwnLines, rules: Rules, names: list[str | None]
) -> list[Gap]:
    """Gaps for circuits whose service counts their line, where that is not on record."""
    gaps = []
    for circuit, reasons in sorted(own.unknown.items()):
        if rules.service(names[circuit]).own_line == _OWN_EXCUSED:
            continue
        text = (
            "its service counts what puts it out of service together with what it protects, but "
            f"{'; '.join(reasons)}"
        )
        gaps.append(
            row_gap(network.study, "own-line", "circuits", circuit, text, column="protects")
        )
    return gaps


def _verdicts(
    trials: list[Trial],
    sharing: Sharing,
    apart: list[Breach],
    waivers: Waivers,
    unknown: list[bool],
) -> list[Verdict]:
    avoidable = sharing.avoidable
    found: list[Verdict] = []
    for number, trial in enumerate(trials):
        assets = csr_row(avoidable, number).tolist()
        unwaived = any((number, asset) not in waivers.assets for asset in assets)
        waived_too = bool(assets) or apart[number].waived
        lone = trial.group_test is not None and len(trial.circuits) < 2
        if unwaived or apart[number].stands:
            found.append(SHARED)
        elif unknown[number] or lone:
            found.append(UNPROVEN)
        elif waived_too:
            found.append(ACCEPTED)
        else:
            found.append(APART)
    return found
