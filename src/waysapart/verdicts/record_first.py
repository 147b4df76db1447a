"""Which records to enter first, so that the most circuits are decided with the fewest.

A circuit is decided once every record that it waits for has been entered. To decide as many
circuits as possible for the number of records entered is the problem of the densest
sub-hypergraph: choose circuits, pay for the union of the records that they need. The best ratio of
circuits to records is found by maximising `q * circuits - p * records` for a ratio p/q until
nothing is left above it (W. Dinkelbach, On nonlinear fractional programming, Management Science 13
(1967), 492-498); each such maximum is a closure problem (J.-C. Picard, Maximal closure of a graph,
Management Science 22 (1976), 1268-1272), whose constraint matrix is totally unimodular. Bundles
taken in this order have falling ratios, so the records of the first few bundles together are
optimal: no other set of as many records decides more circuits. Within a bundle, the records that
decide a circuit with the fewest entries come first.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from heapq import heapify, heappop, heappush

import numpy as np
import scipy.sparse as sp
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse.csgraph import connected_components

from waysapart.arrays import Bools, Floats, Ints, boolean, csr_row
from waysapart.evidence import RecordFirst, RecordRows, RecordStep
from waysapart.gaps import GAP_CODES, Gap
from waysapart.study.ledger import gap_key
from waysapart.verdicts.limits import CircuitLimits
from waysapart.verdicts.proof import UNPROVEN, ProofData

_MOST_EDGES = 1500
"""Needs of circuits on records (grouped) of a part of the problem, up to which it is exact."""
_MOST_TARGETS = 120
"""Circuits (grouped) that are looked for exactly, over all parts that more than one makes up."""
_MOST_RECORDS = 2000
"""Records of one part, up to which it is exact: beyond, sums are too large for the solver."""
_LIMITS = ("delay", "asymmetry", "loss", "unavailability", "recovery")
_NO_RECORD = ("way-out", "lone-member")
"""Gaps that no entry in the records closes: work in progress, a group of one."""


@dataclass(frozen=True)
class Bundle:
    """Records that are worth entering together.

    Attributes
    ----------
    records : ndarray of int
        Columns of `needs`, those of earlier bundles left out.
    settled : ndarray of int
        Rows of `needs` that have all they need, once these records are entered as well.
    best : bool
        The records up to here settle as many circuits as any so many records can.
    """

    records: Ints
    settled: Ints
    best: bool


def record_order(needs: sp.csr_array) -> list[Bundle]:
    """Order in which to enter records, so that the most circuits are decided the soonest.

    Parameters
    ----------
    needs : sparse array of bool, shape (circuits, records)
        Which circuit waits for which record; circuits that wait for none are ignored.

    Returns
    -------
    list of Bundle
        Together they settle every circuit. Parts of the problem that have no record in common
        are solved each by itself: exactly where they are small, else greedily, always what
        settles one circuit more with the fewest records. With a part that was solved
        greedily no bundle is said to be the best; else the last one always is.

    Notes
    -----
    Records that the same circuits wait for count as one with a weight, as do circuits that
    wait for the same records. The greedy order takes time linear in the entries of `needs`
    and quadratic in the circuits.
    """
    needs = sp.csr_array(needs)
    needs.sort_indices()
    rows = np.flatnonzero(np.diff(needs.indptr))
    if not len(rows):
        return []
    records = _alike(sp.csr_array(needs[rows].T))
    grouped = sp.csr_array(needs[rows][:, [members[0] for members in records]])
    targets = _alike(grouped)
    problem = _Part(
        sp.csr_array(grouped[[members[0] for members in targets]]),
        np.array([len(members) for members in targets], dtype=np.int64),
        np.array([len(members) for members in records], dtype=np.int64),
    )
    return [
        Bundle(
            np.sort(np.concatenate([records[one] for one in chosen])),
            np.sort(rows[np.concatenate([targets[one] for one in settled])]),
            best,
        )
        for chosen, settled, best in _in_order(problem)
    ]


def _alike(matrix: sp.csr_array) -> list[Ints]:
    """Rows with the same entries, together; rows without an entry are left out."""
    known: dict[bytes, int] = {}
    group = np.full(matrix.shape[0], -1, dtype=np.int64)
    listed = sp.csr_array(matrix)
    listed.sort_indices()
    for row in np.flatnonzero(np.diff(listed.indptr)).tolist():
        entries = csr_row(listed, row).tobytes()
        group[row] = known.setdefault(entries, len(known))
    order = np.argsort(group, kind="stable")
    bounds = np.searchsorted(group[order], np.arange(len(known) + 1))
    return [order[bounds[k] : bounds[k + 1]] for k in range(len(known))]


@dataclass(frozen=True)
class _Part:
    """Targets by records, boolean, and how many circuits and records each stands for."""

    needs: sp.csr_array
    circuits: Ints
    records: Ints

    def of(self, targets: Ints) -> tuple[_Part, Ints]:
        """The part that some targets make up, and the columns of their records."""
        rows = sp.csr_array(self.needs[targets])
        columns = np.unique(rows.indices).astype(np.int64)
        inner = sp.csr_array(rows[:, columns])
        return _Part(inner, self.circuits[targets], self.records[columns]), columns


_Step = tuple[Ints, Ints]
"""Columns and rows of a part."""


def _in_order(problem: _Part) -> Iterator[tuple[Ints, Ints, bool]]:
    """Steps of all parts, bundles with the most circuits for each record first."""
    rows, columns = problem.needs.shape
    entries = problem.needs.tocoo()
    joined = sp.csr_array(
        (np.ones(entries.nnz, dtype=np.int32), (entries.row, rows + entries.col)),
        shape=(rows + columns, rows + columns),
    )
    label = connected_components(joined, directed=False)[1][:rows]
    order = np.argsort(label, kind="stable")
    members = np.split(order, np.flatnonzero(np.diff(label[order])) + 1)
    members.sort(key=len)
    left, exact = _MOST_TARGETS, True
    waiting: list[list[_Step]] = []
    for targets in members:
        part, place = problem.of(targets)
        small = part.needs.nnz <= _MOST_EDGES and int(part.records.sum()) <= _MOST_RECORDS
        steps = None
        if len(targets) > 1 and len(targets) <= left and small:
            left -= len(targets)
            steps = _exact(part)
        if steps is None:
            exact = exact and len(targets) == 1
            steps = _greedy(part)
        waiting.append([(place[one], targets[other]) for one, other in steps])
    queue = [(_cost(problem, steps[0]), at, 0) for at, steps in enumerate(waiting)]
    heapify(queue)
    while queue:
        _, at, number = heappop(queue)
        steps = waiting[at]
        if number + 1 < len(steps):
            heappush(queue, (_cost(problem, steps[number + 1]), at, number + 1))
        *first, last = _split(problem, steps[number])
        for records, targets in first:
            yield records, targets, False
        yield *last, exact


def _split(problem: _Part, step: _Step) -> list[_Step]:
    """A bundle in the order in which its circuits are settled soonest."""
    records, targets = step
    if len(targets) == 1:
        return [step]
    inner = _Part(
        sp.csr_array(problem.needs[targets][:, records]),
        problem.circuits[targets],
        problem.records[records],
    )
    return [(records[one], targets[other]) for one, other in _greedy(inner)]


def _cost(problem: _Part, step: _Step) -> tuple[Fraction, int, int]:
    """The order of steps: records per circuit, then number of records, then position."""
    records, circuits = _sums(problem, step)
    return Fraction(records, circuits), records, int(step[1].min())


def _sums(part: _Part, step: _Step) -> tuple[int, int]:
    return int(part.records[step[0]].sum()), int(part.circuits[step[1]].sum())


def _exact(part: _Part) -> list[_Step] | None:
    """Bundles of the greatest ratio, one after the other; None where the solver gives up."""
    found: list[_Step] = []
    entered = np.zeros(part.needs.shape[1], dtype=bool)
    settled = np.zeros(part.needs.shape[0], dtype=bool)
    while not settled.all():
        targets = np.flatnonzero(~settled)
        open_ = sp.csr_array(part.needs[targets][:, ~entered])
        rest = _Part(open_, part.circuits[targets], part.records[~entered])
        densest = _densest(rest)
        if densest is None:
            return None
        chosen = np.flatnonzero(~entered)[densest]
        entered[chosen] = True
        done = targets[np.asarray(part.needs[targets][:, ~entered].sum(axis=1)).ravel() == 0]
        settled[done] = True
        found.append((chosen, done))
    return found


def _densest(part: _Part) -> Ints | None:
    """Records of the bundle with the most circuits for each record, the smallest such bundle."""
    targets, count = part.needs.shape
    entries = part.needs.tocoo()
    rows = np.arange(entries.nnz)
    closed = LinearConstraint(
        sp.csr_array(
            (
                np.r_[np.ones(entries.nnz), -np.ones(entries.nnz)],
                (np.r_[rows, rows], np.r_[entries.row, targets + entries.col]),
            ),
            shape=(entries.nnz, targets + count),
        ),
        -np.inf,
        0.0,
    )
    best = _first_guess(part)
    worth = _ratio(part, best)
    while True:
        gain = np.r_[worth.denominator * part.circuits, -worth.numerator * part.records]
        found = _solve(-gain.astype(np.float64), [closed])
        if found is None:
            return None
        more = found[:targets]
        if not more.any() or _ratio(part, more) <= worth:
            break
        best, worth = more, _ratio(part, more)
    dense = LinearConstraint(gain.astype(np.float64)[None, :], -0.5, np.inf)
    some = LinearConstraint(np.r_[np.ones(targets), np.zeros(count)][None, :], 1.0, np.inf)
    price = np.r_[np.zeros(targets), part.records].astype(np.float64)
    small = _solve(price, [closed, dense, some])
    if small is not None and _ratio(part, small[:targets]) == worth:
        best = small[:targets]
    return _needed(part, best)


def _solve(cost: Floats, constraints: Sequence[LinearConstraint]) -> Bools | None:
    """Which variables are one in the cheapest binary solution; None: none found."""
    found = milp(
        cost,
        integrality=np.ones(len(cost), dtype=np.int64),
        bounds=Bounds(0, 1),
        constraints=constraints,
        options={"mip_rel_gap": 0.0},
    )
    return np.asarray(found.x > 0.5, dtype=np.bool_) if found.status == 0 else None


def _first_guess(part: _Part) -> Bools:
    """The single target with the most circuits for each record."""
    weights = part.needs @ part.records
    best = max(
        range(part.needs.shape[0]),
        key=lambda one: Fraction(int(part.circuits[one]), int(weights[one])),
    )
    chosen = np.zeros(part.needs.shape[0], dtype=bool)
    chosen[best] = True
    return chosen


def _needed(part: _Part, targets: Bools) -> Ints:
    """Columns that any of some targets needs."""
    return np.unique(part.needs[np.flatnonzero(targets)].indices).astype(np.int64)


def _ratio(part: _Part, targets: Bools) -> Fraction:
    records = int(part.records[_needed(part, targets)].sum())
    return Fraction(int(part.circuits[targets].sum()), records)


def _greedy(part: _Part) -> list[_Step]:
    """Repeatedly take the target that lacks the fewest records; of equals the first."""
    by_record = sp.csr_array(part.needs.T)
    lacking = np.asarray(part.needs @ part.records, dtype=np.int64)
    entered = np.zeros(part.needs.shape[1], dtype=bool)
    settled = np.zeros(part.needs.shape[0], dtype=bool)
    never = np.iinfo(np.int64).max
    found: list[_Step] = []
    while not settled.all():
        target = int(np.argmin(np.where(settled, never, lacking)))
        mine = csr_row(part.needs, target)
        chosen = mine[~entered[mine]].astype(np.int64)
        entered[chosen] = True
        for record in chosen.tolist():
            users = csr_row(by_record, record)
            lacking[users] -= part.records[record]
        done = np.flatnonzero((lacking == 0) & ~settled)
        settled[done] = True
        found.append((chosen, done))
    return found


NOTHING_OPEN = RecordFirst(exact=True, left=[], limits_left=[], steps=[])


def record_first(proof: ProofData) -> RecordFirst:
    """Find the records to enter first, so that the most circuits are decided.

    An unproven circuit or group waits for every gap on it that bears on separation; a circuit
    whose limits are open waits for every gap that leaves one of these limits open. Verdicts come
    first, and limits then wait for the records that remain. A record that is entered may show that
    a circuit is shared or outside a limit: that decides it as well.

    Parameters
    ----------
    proof : ProofData
        Any `Proof` is one.

    Returns
    -------
    RecordFirst
        See `record_order` for how the order is found.

    Examples
    --------
    >>> import waysapart as wa
    >>> proof = wa.prove(wa.read_study("examples/estuary"))
    >>> for step in wa.record_first(proof)["steps"][:2]:
    ...     print(step["decides"], step["records"][0]["action"])
    ['C09'] enter the missing segment, or correct the order
    ['C12'] ask its owner for the route and enter relies_on
    """
    verdicts, waiting = _open_verdicts(proof)
    limits, unknown = _open_limits(proof)
    numbers, first = _records(proof.record_gaps)
    trials = [*verdicts, *limits]
    needs = _matrix([*verdicts.values(), *limits.values()], numbers, len(first))
    bundles = record_order(sp.csr_array(needs[: len(verdicts)]))
    exact = not bundles or bundles[-1].best
    entered = np.zeros(len(first), dtype=bool)
    for bundle in bundles:
        entered[bundle.records] = True
    rest = sp.csr_array(needs[len(verdicts) :].multiply(~entered[None, :]))
    rest.eliminate_zeros()
    more = record_order(rest)
    exact = exact and (not more or more[-1].best)
    bundles += more
    settled = _settled(needs, bundles)
    return RecordFirst(
        exact=exact,
        left=[proof.trials[one].id for one in waiting],
        limits_left=[proof.trials[one].id for one in unknown],
        steps=[
            RecordStep(
                step=number,
                count=len(bundle.records),
                decides=_ids(proof, [trials[one] for one in done if one < len(verdicts)], False),
                groups=_ids(proof, [trials[one] for one in done if one < len(verdicts)], True),
                limits=_ids(proof, [trials[one] for one in done if one >= len(verdicts)], False),
                best=bundle.best,
                records=_rows([proof.record_gaps[first[one]] for one in bundle.records.tolist()]),
            )
            for number, (bundle, done) in enumerate(zip(bundles, settled, strict=True), start=1)
        ],
    )


def _settled(needs: sp.csr_array, bundles: Sequence[Bundle]) -> list[list[int]]:
    """Rows of `needs` that have all they need once each bundle is entered."""
    when = np.zeros(needs.shape[1], dtype=np.int64)
    for number, bundle in enumerate(bundles):
        when[bundle.records] = number
    found: list[list[int]] = [[] for _ in bundles]
    if needs.shape[0]:
        last = np.maximum.reduceat(when[needs.indices], needs.indptr[:-1])
        for row, number in enumerate(last.tolist()):
            found[number].append(row)
    return found


def _ids(proof: ProofData, trials: Sequence[int], groups: bool) -> list[str]:
    """Ids of those trials that are groups, or of those that are circuits."""
    return [proof.trials[one].id for one in trials if (one >= proof.circuit_count) == groups]


def _open_verdicts(proof: ProofData) -> tuple[dict[int, list[int]], list[int]]:
    """Gaps that every unproven trial waits for, and the trials that wait for something else."""
    found: dict[int, list[int]] = {}
    left = []
    for trial, verdict in enumerate(proof.verdicts):
        if verdict != UNPROVEN:
            continue
        codes = {one: proof.record_gaps[one].code for one in proof.gaps_of[trial]}
        mine = [one for one, code in codes.items() if GAP_CODES[code].separation]
        if not mine or any(codes[one] in _NO_RECORD for one in mine):
            left.append(trial)
        else:
            found[trial] = mine
    return found, left


def _open_limits(proof: ProofData) -> tuple[dict[int, list[int]], list[int]]:
    """The same of circuits of which a limit is neither kept nor broken."""
    found: dict[int, list[int]] = {}
    left = []
    for circuit, limits in enumerate(proof.limits):
        if limits.within is not None:
            continue
        mine: set[int] = set()
        whole = True
        for name in _unknown(limits):
            every = proof.record_gaps
            gaps = [one for one in proof.gaps_of[circuit] if name in every[one].limits]
            whole &= bool(gaps) and not any(every[one].code in _NO_RECORD for one in gaps)
            mine.update(gaps)
        if whole:
            found[circuit] = sorted(mine)
        else:
            left.append(circuit)
    return found, left


def _unknown(limits: CircuitLimits) -> list[str]:
    """Names of the limits that are neither kept nor broken."""
    names = [name for name in _LIMITS if getattr(limits, f"{name}_ok") is None]
    if "recovery" in names and np.isnan(limits.recovery_ms):
        names.remove("recovery")
    return names


def _records(gaps: Sequence[Gap]) -> tuple[Ints, list[int]]:
    """The record that closes each gap, and one gap of each record."""
    known: dict[object, int] = {}
    first: list[int] = []
    numbers = np.zeros(len(gaps), dtype=np.int64)
    for number, gap in enumerate(gaps):
        key = gap_key(gap) or number
        if key not in known:
            known[key] = len(first)
            first.append(number)
        numbers[number] = known[key]
    return numbers, first


def _matrix(wanted: Sequence[Sequence[int]], numbers: Ints, count: int) -> sp.csr_array:
    rows = np.repeat(np.arange(len(wanted)), [len(one) for one in wanted])
    columns = np.array([one for some in wanted for one in some], dtype=np.int64)
    return boolean(rows, numbers[columns], (len(wanted), count))


def _rows(gaps: Sequence[Gap]) -> list[RecordRows]:
    """Records by what is to be entered: the same column of the same layer together."""
    kinds: dict[tuple[object, ...], list[Gap]] = {}
    for gap in gaps:
        kinds.setdefault((gap.code, gap.file, gap.layer, gap.column), []).append(gap)
    return [
        RecordRows(
            code=some[0].code,
            action=GAP_CODES[some[0].code].action,
            file=some[0].file,
            layer=some[0].layer,
            column=some[0].column,
            ids=[gap.asset for gap in some],
            rows=[gap.row for gap in some],
        )
        for some in kinds.values()
    ]
