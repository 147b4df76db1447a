"""Search the paths of circuits and groups, and prove them, until the prover has no objection.

The search graph holds what paths share. Whether paths come too near each other or cross, the
prover says: two segments to which it objects must not be on different paths, and the search
goes on with that. Every objection is true of the plant. So a proof that no pair exists stands,
and the first pair without an objection is the cheapest that the prover accepts.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import Literal, NamedTuple

import numpy as np

from waysapart.arrays import csr_row
from waysapart.errors import CallError
from waysapart.gaps import GAP_CODES
from waysapart.network.build_network import tie
from waysapart.network.paths import ALTERNATE, MAIN
from waysapart.reroute.as_built import Fitting, as_built
from waysapart.reroute.plant.context import Ground
from waysapart.reroute.plant.edges import MEMBER, Key, Member
from waysapart.reroute.plant.search_graph import (
    NEAR,
    ONLY_ONE,
    Pair,
    Space,
    Terms,
    space_of,
    weight_of,
)
from waysapart.reroute.proposal_rows import (
    Draft,
    ProposedPath,
    drafted,
    exhausted,
    fibres_of,
    labelled,
    paths_of_answer,
    proposed,
    renumbered,
    wanted_id,
)
from waysapart.reroute.search.disjoint_paths import Answer, best_paths
from waysapart.reroute.search.group_paths import (
    Contest,
    GroupTerms,
    KeptApart,
    group_paths,
    least_of_group,
)
from waysapart.reroute.search.least_shared import LeastShared, least_shared
from waysapart.reroute.search.no_pair_proof import MOST_LISTED
from waysapart.study.model import Study
from waysapart.text import few
from waysapart.verdicts.contests import PAIRWISE, WORKING
from waysapart.verdicts.proof import APART, SHARED, WORST_FIRST
from waysapart.verdicts.prove import Proof, prove

Status = Literal["apart", "none", "undecided"]
_MOST_WHY = 3
"""Missing records of a limit that are named before the rest are counted."""


@dataclass(frozen=True)
class Target:
    """A circuit, or a group with its circuits, that is to be rerouted.

    `test` says which paths of a group count, as its rules do.
    """

    id: str
    members: tuple[Member, ...]
    group: bool = False
    test: str = WORKING


class MemberPath(NamedTuple):
    """A path that is sought for a group: number of the circuit among its members, and its name."""

    member: int
    label: str


@dataclass
class Found:
    """What is known of one target so far.

    Attributes
    ----------
    target : Target
    status : str
    why : str
        Why `status` is not `apart`.
    paths : dict of str to dict of str to ProposedPath
        By circuit and by the name of the path.
    space, answer : Space, Answer
        Of the last search; of a group, that of the paths that its test counts.
    courses : tuple of MemberPath
        Of a group, the path that each one of `answer` is; empty where none is that of
        one circuit from the start.
    terms : GroupTerms or None
        What the paths of a group must keep, where that is not to share nothing.
    short : dict of str to str
        Of a group that is apart, its circuits that are not so by themselves, and why.
    pairs : dict of str to set of pair
        By circuit (or group), segments that must not be on different paths.
    together : bool
        The paths are part of the common proposal.
    """

    target: Target
    status: Status = "undecided"
    why: str = ""
    paths: dict[str, dict[str, ProposedPath]] = field(default_factory=dict)
    space: Space | None = None
    answer: Answer | None = None
    courses: tuple[MemberPath, ...] = ()
    terms: GroupTerms | None = None
    short: dict[str, str] = field(default_factory=dict)
    pairs: dict[str, set[Pair]] = field(default_factory=dict)
    together: bool = True


@dataclass(frozen=True)
class Ask:
    """How to search.

    Attributes
    ----------
    terms : Terms
    keep : str or None
        Name of a path that stays.
    paths : int or None
        Paths of a group of which no two share anything; None: as many as it has circuits.
    time_limit_s : float
        For each search.
    barred : mapping of str to frozenset of str
        By circuit or group, ids of new segments that its paths may not use.
    """

    terms: Terms
    keep: str | None = None
    paths: int | None = None
    time_limit_s: float = 10.0
    barred: Mapping[str, frozenset[str]] = field(default_factory=dict)

    def terms_for(self, target: str) -> Terms:
        """What the paths of one circuit or group may use."""
        mine = self.barred.get(target)
        return replace(self.terms, avoid=self.terms.avoid | mine) if mine else self.terms


def solve(ground: Ground, found: Found, ask: Ask, taken: Mapping[int, set[int]]) -> None:
    """Search the paths of one target; the result is written into `found`.

    `taken` are fibres per cable that the same proposal has given away.
    """
    target = found.target
    ask = replace(ask, terms=ask.terms_for(target.id))
    try:
        if target.group:
            _solve_group(ground, found, ask, taken)
        else:
            _solve_circuit(ground, found, ask, taken)
    except CallError as error:
        found.status, found.why = "undecided", str(error)


def _solve_circuit(ground: Ground, found: Found, ask: Ask, taken: Mapping[int, set[int]]) -> None:
    member = found.target.members[0]
    keep = kept_keys(ground, found.target, ask)
    space, answer = _search(ground, (member,), ask, found.pairs.get(member.id, ()), keep, taken)
    found.space, found.answer, found.paths = space, answer, {}
    found.status, found.why = answer.status, _why(answer)
    _doubt(found, space, answer)
    if answer.paths is not None:
        paths = paths_of_answer(space, answer.paths, ask.terms.fibres, taken)
        found.paths = {member.id: labelled(ground, member, paths)}


def _solve_group(ground: Ground, found: Found, ask: Ask, taken: Mapping[int, set[int]]) -> None:
    """Search the paths that the test of a group counts, and let each circuit have its own two.

    The group is apart as soon as the paths that count are. That each circuit has a second path
    apart from its first is sought as well, and told where it is not to be had: it is a matter
    of that circuit's own verdict.
    """
    target = found.target
    found.paths, found.courses, found.terms, found.short = {}, (), None, {}
    if target.test == WORKING or (ask.paths is not None and target.test != PAIRWISE):
        _solve_working(ground, found, ask, taken)
        return
    recorded = {m.number: _labels(ground, m) for m in target.members}
    two = {number: [*labels, *_more(labels)] for number, labels in recorded.items()}
    for labels, own in ((two, True), (recorded if target.test == PAIRWISE else two, False)):
        courses = tuple(MemberPath(n, label) for n in sorted(labels) for label in labels[n])
        if _solve_courses(ground, found, ask, taken, courses, own=own) and _take(found, ask, taken):
            return


def _labels(ground: Ground, member: Member) -> list[str]:
    """Names of the paths of a circuit that are on record; its main path where none is."""
    paths = ground.network.paths
    return [paths.label[p] for p in paths.of_circuit(member.circuit)] or [MAIN]


def _more(labels: Sequence[str]) -> list[str]:
    """The name of a second path where there is one only."""
    return [ALTERNATE if labels[0] != ALTERNATE else MAIN] if len(labels) == 1 else []


def _solve_working(ground: Ground, found: Found, ask: Ask, taken: Mapping[int, set[int]]) -> None:
    """Search working paths of which no two share anything, then a second path of each circuit.

    Where not all working paths can be apart from each other, those that no event takes all.
    """
    target = found.target
    members = target.members
    wanted = ask.paths or len(members)
    pairs = {pair for pair in found.pairs.get(target.id, ()) if pair[0] != pair[1]}
    space, answer = _search(ground, members, ask, pairs, None, taken, wanted)
    found.space, found.answer = space, answer
    found.status, found.why = answer.status, _why(answer)
    _doubt(found, space, answer)
    if answer.paths is None and ask.paths is None and len(members) > 2:
        mains = tuple(MemberPath(member.number, MAIN) for member in members)
        if _solve_courses(ground, found, ask, taken, mains, own=False):
            _take(found, ask, taken)
    space, answer = found.space, found.answer
    if found.status != "apart" or answer is None or answer.paths is None:
        return
    used = {cable: set(gone) for cable, gone in taken.items()}
    for path, first in zip(
        answer.paths, paths_of_answer(space, answer.paths, ask.terms.fibres, taken), strict=True
    ):
        member = members[int(space.edges.member[path[0]])]
        found.paths[member.id] = {MAIN: first}
        for cable, gone in fibres_of([first]).items():
            used.setdefault(cable, set()).update(gone)
    for path in answer.paths:
        member = members[int(space.edges.member[path[0]])]
        second = _second(ground, found, ask, space, member, path, used)
        if second is not None:
            found.paths[member.id][ALTERNATE] = second
            for cable, gone in fibres_of([second]).items():
                used.setdefault(cable, set()).update(gone)
    if found.short and wanted == len(members):
        _all_with_second(ground, found, ask, taken)


def _second(
    ground: Ground,
    found: Found,
    ask: Ask,
    space: Space,
    member: Member,
    path: Sequence[int],
    used: Mapping[int, set[int]],
) -> ProposedPath | None:
    """A second path beside the working path of a circuit; None, and a reason, if there is none."""
    keys = [space.edges.keys[edge] for edge in path if space.edges.kind[edge] != MEMBER]
    own, pair = _search(ground, (member,), ask, found.pairs.get(member.id, ()), keys, used)
    if pair.paths is not None:
        return paths_of_answer(own, pair.paths[1:], ask.terms.fibres, used)[0]
    found.short[member.id] = (
        f"{member.id} has no second path apart from the working path that the others leave it"
    )
    return None


def _all_with_second(ground: Ground, found: Found, ask: Ask, taken: Mapping[int, set[int]]) -> None:
    """Search other working paths, which leave each circuit a second one."""
    target, answer = found.target, found.answer
    again = Found(target, pairs=found.pairs)
    courses = tuple(
        MemberPath(member.number, label) for member in target.members for label in (MAIN, ALTERNATE)
    )
    if not _solve_courses(ground, again, ask, taken, courses, own=True):
        return
    if not _take(again, ask, taken):
        return
    assert again.answer is not None
    assert again.answer.paths is not None
    assert again.space is not None
    working = again.answer.paths[::2]
    edges = [edge for path in working for edge in path]
    cost = int(again.space.graph.cost[edges].sum())
    least = None if answer is None else answer.lower_bound
    found.answer = replace(
        again.answer, paths=working, cost=cost, lower_bound=least, optimal=cost == least
    )
    found.space, found.paths, found.short = again.space, again.paths, {}


def _solve_courses(
    ground: Ground,
    found: Found,
    ask: Ask,
    taken: Mapping[int, set[int]],
    courses: tuple[MemberPath, ...],
    *,
    own: bool,
) -> bool:
    """Search these paths of a group by its test, and if `own` by each circuit's; True if found."""
    target = found.target
    working = [n for n, one in enumerate(courses) if one.label == MAIN]
    counted = list(range(len(courses))) if target.test != WORKING else working
    together = [tuple(counted)]
    if target.test == PAIRWISE:
        together = [
            two for two in combinations(counted, 2) if len({courses[n].member for n in two}) > 1
        ]
    mine = [
        tuple(n for n, one in enumerate(courses) if one.member == member.number)
        for member in target.members
    ]
    held = [*together, *(mine if own else ())]
    members = [tuple(sorted({courses[n].member for n in paths})) for paths in held]
    asked = list(dict.fromkeys(members))
    pairs = [(pair, target.id) for pair in sorted(found.pairs.get(target.id, ()))]
    for member in target.members if own else ():
        pairs += [(pair, member.id) for pair in sorted(found.pairs.get(member.id, ()))]
    space = space_of(
        ground,
        target.members,
        ask.terms,
        no_edge=frozenset(exhausted(ground, taken, ask.terms.fibres)),
        contests=asked,
        alone=frozenset(segment for pair, _ in pairs for segment in pair),
    )
    column = {name: risk for risk, names in enumerate(space.risks.assets) for name in names}
    near: list[KeptApart] = []
    for (one, other), name in pairs:
        if one not in column or other not in column:
            continue
        of = [m for m, member in zip(mine, target.members, strict=True) if member.id == name]
        for first, second in {two for paths in (of or together) for two in combinations(paths, 2)}:
            for i, j in {(first, second), (second, first)}:
                risks = (column[one], column[other])
                near.append(KeptApart((i, j), risks, (one, other)))
                if one == other:
                    break
    entry = space.edges.kind == MEMBER
    entries = [
        frozenset(np.flatnonzero(entry & (space.edges.member != one.member)).tolist())
        for one in courses
    ]
    terms = GroupTerms(
        tuple(entries),
        tuple(
            Contest(paths, space.counted[asked.index(of)])
            for paths, of in zip(held, members, strict=True)
        ),
        tuple(sorted(near, key=lambda rule: (rule.paths, rule.risks))),
    )
    answer = group_paths(space.graph, space.question, terms, time_limit_s=ask.time_limit_s)
    found.space, found.answer, found.courses, found.terms = space, answer, courses, terms
    found.status, found.why = answer.status, _why(answer)
    _doubt(found, space, answer)
    return answer.paths is not None


def _take(found: Found, ask: Ask, taken: Mapping[int, set[int]]) -> bool:
    """Take the paths of an answer, each for the circuit that it was sought for.

    False, and undecided, where several of them use a cable that has free fibres for fewer.
    """
    assert found.answer is not None
    assert found.answer.paths is not None
    assert found.space is not None
    paths = paths_of_answer(found.space, found.answer.paths, ask.terms.fibres, taken)
    cables = found.space.ground.study.tables["cables"]["id"]
    full = {
        str(cables.iloc[run.cable])
        for path in paths
        for link in path.new
        for run in link.runs
        if len(run.fibres) < ask.terms.fibres
    }
    if full:
        found.status = "undecided"
        found.why = f"the paths found take more free fibres of {few(sorted(full), 3)} than it has"
        return False
    for course, path in zip(found.courses, paths, strict=True):
        member = found.target.members[course.member]
        found.paths.setdefault(member.id, {})[course.label] = path
    return True


def _search(
    ground: Ground,
    members: Sequence[Member],
    ask: Ask,
    pairs: Sequence[Pair] | set[Pair],
    keep: Sequence[Key] | None,
    taken: Mapping[int, set[int]],
    paths: int = 2,
) -> tuple[Space, Answer]:
    space = space_of(
        ground,
        members,
        ask.terms,
        pairs=sorted(pairs),
        keep=keep,
        no_edge=frozenset(exhausted(ground, taken, ask.terms.fibres)),
    )
    return space, best_paths(space.graph, space.question, paths, time_limit_s=ask.time_limit_s)


def _doubt(found: Found, space: Space, answer: Answer) -> None:
    """Call a target undecided if its proof rests on a segment that links follow only in part.

    The segment comes too near another, but the part that is followed may keep away.
    """
    if answer.status != "none":
        return
    pairs = space.risks.pairs
    used = set(pairs) if answer.proof is None else answer.proof.risks() & set(pairs)
    in_part = space.ground.stretches.in_part
    near = {pairs[risk] for risk in used}
    if found.terms is not None:
        near = {rule.pair for rule in found.terms.near}
        near &= near if answer.proof is None else answer.proof.near()
    unsure = sorted({one for two in near for one in two if one in in_part})
    if near and found.terms is not None and max(map(len, _held(found.terms))) > 2:
        # Of more than two paths, two that come close lose nothing by themselves.
        found.status = "undecided"
        found.why = "whether all of its paths come close at one place was not worked out"
    elif unsure:
        found.status = "undecided"
        found.why = (
            f"{unsure[0]} comes too near, but links follow only a part of it: divide it in the "
            "records where they leave it"
        )


def _held(terms: GroupTerms) -> list[tuple[int, ...]]:
    """The paths of each contest."""
    return [contest.paths for contest in terms.contests]


def _why(answer: Answer) -> str:
    return {
        "time": "not decided in the time given",
        "limits": "no pair keeps all limits together; a proof would have to list more courses "
        f"than {MOST_LISTED}, so there is none to check",
        "kept": "the path to keep is itself outside a limit",
    }.get(answer.why, "")


def kept_path(ground: Ground, member: Member, label: str) -> list[Key]:
    """The links of a path on record, as keys of edges.

    Raises
    ------
    CallError
        The circuit has no such path, or a record gap touches it.
    """
    paths = ground.network.paths
    mine = [p for p in paths.of_circuit(member.circuit) if paths.label[p] == label]
    if not mine or not len(paths.links(mine[0])):
        raise CallError(f"circuit {member.id} has no {label} path to keep")
    count = len(ground.network.assets)
    relied = ground.reliance.paths
    columns = csr_row(relied, mine[0]).tolist()
    links = paths.links(mine[0]).tolist()
    gaps = [c for c in (*columns, *(count + link for link in links)) if c in ground.gap_of]
    if gaps:
        raise CallError(
            f"circuit {member.id}: {label} cannot be kept: it rests on a record gap "
            f"({ground.gap_of[gaps[0]]}, {ground.names[gaps[0]]})"
        )
    return [("link", link, 0) for link in links]


def kept_keys(ground: Ground, target: Target, ask: Ask) -> list[Key] | None:
    """The path that stays as it is, as keys of edges; None where no path of the target does.

    Raises
    ------
    CallError
        As `kept_path`.
    """
    if ask.keep is None or target.group:
        return None
    return kept_path(ground, target.members[0], ask.keep)


def member_of(ground_proof: Proof, circuit: int, number: int) -> Member:
    """A circuit as a member of a question.

    Parameters
    ----------
    ground_proof : Proof
    circuit : int
        Its place in the table of circuits.
    number : int
        Its number among the members.

    Returns
    -------
    Member
    """
    network = ground_proof.network
    row = network.study.tables["circuits"].iloc[circuit]
    paths = network.paths
    service = row["service"]
    return Member(
        number,
        str(row["id"]),
        circuit,
        int(network.assets.numbers([row["a"]])[0]),
        int(network.assets.numbers([row["b"]])[0]),
        service if isinstance(service, str) else None,
        row["switching"] == "both",
        frozenset(int(link) for path in paths.of_circuit(circuit) for link in paths.links(path)),
    )


def trimmed(study: Study, targets: Sequence[Target]) -> Study:
    """The study with the circuits of some targets only, so that proving it is quick.

    Parameters
    ----------
    study : Study
    targets : sequence of Target

    Returns
    -------
    Study
    """
    wanted = {member.id for target in targets for member in target.members}
    grouped = {m.id for target in targets if target.group for m in target.members}
    circuits = study.tables["circuits"]
    circuits = circuits[circuits["id"].isin(wanted)].reset_index(drop=True)
    alone = ~circuits["id"].isin(grouped)
    circuits = circuits.assign(
        group=circuits["group"].mask(alone), scheme=circuits["scheme"].mask(alone)
    )
    tables = {**study.tables, "circuits": circuits}
    for role in ("circuit_paths", "ring_circuits"):
        rows = study.tables[role]
        tables[role] = rows[rows["circuit"].isin(wanted)].reset_index(drop=True)
    return replace(study, tables=tables)


def trial_numbers(proof: Proof, target: Target) -> dict[str, int]:
    """Numbers of the trials of a target's circuits, and of the group itself, in a proof."""
    names = {trial.id: number for number, trial in enumerate(proof.trials[: proof.circuit_count])}
    found = {member.id: names[member.id] for member in target.members}
    if target.group:
        groups = proof.trials[proof.circuit_count :]
        number = next(place for place, trial in enumerate(groups) if trial.id == target.id)
        found[target.id] = proof.circuit_count + number
    return found


def objections(proof: Proof, found: Found) -> bool:
    """Add the objections of a proof to what was found; True where the search must go on.

    Pairs of segments to which the prover objects are added to `found`. Any other objection
    makes the target undecided, with the reason.
    """
    numbers = trial_numbers(proof, found.target)
    again = False
    for name, number in numbers.items():
        if name in found.short or (
            name == found.target.id and proof.verdicts[number] == APART and found.terms is not None
        ):
            continue
        fresh = too_near(proof, number) - found.pairs.get(name, set())
        if fresh:
            found.pairs.setdefault(name, set()).update(fresh)
            again = True
    if again:
        return True
    if reasons := _against(proof, found):
        found.status, found.why, found.paths = "undecided", "; ".join(reasons), {}
    return False


def _against(proof: Proof, found: Found) -> list[str]:
    """Why the prover does not accept a target. A group's circuits are told in `short`."""
    target = found.target
    said = {
        name: reason
        for name, number in trial_numbers(proof, target).items()
        if (reason := against(proof, name, number))
    }
    if not target.group:
        return list(said.values())
    group = said.pop(target.id, "")
    found.short = {name: found.short.get(name, reason) for name, reason in said.items()}
    return [group] if group else []


def too_near(proof: Proof, trial: int) -> set[Pair]:
    """Pairs of segments of one trial that come too near or cross where they must not.

    Includes pairs that may come too near within the accuracy of the records.
    """
    spacing = proof.spacing
    ids = proof.study.tables["segments"]["id"].to_numpy()
    mine = np.flatnonzero(spacing.pairs["trial"].to_numpy() == trial)
    near = (spacing.loose or spacing).near
    near = near[near["pair"].isin(mine) & (near["under"] < 0)]
    cross = spacing.cross
    cross = cross[cross["pair"].isin(mine) & (cross["under"] < 0) & cross["forbidden"]]
    # What all paths follow is shared; of more than two, two alone may follow one segment.
    several = len(proof.trials[trial].sides) > 2
    found: set[Pair] = set()
    for rows in (near, cross):
        for i, j in zip(rows["segment_i"], rows["segment_j"], strict=True):
            one, other = sorted((str(ids[int(i)]), str(ids[int(j)])))
            if one != other or several:
                found.add((one, other))
    return found


def against(proof: Proof, name: str, trial: int) -> str:
    """Why the prover does not accept a trial; empty where it is apart and within limits.

    A limit of delay or asymmetry that cannot be judged counts as broken.
    """
    if proof.verdicts[trial] == SHARED:
        row = csr_row(proof.sharing.avoidable, trial)
        ids = proof.network.assets.ids(row[row < len(proof.network.assets)])
        what = few(ids, _MOST_WHY) if len(ids) else "paths too near each other, or crossing"
        return f"{name} would be shared ({what})"
    if proof.verdicts[trial] != APART:
        gaps = {proof.record_gaps[gap].code for gap in proof.gaps_of[trial]}
        codes = sorted(code for code in gaps if GAP_CODES[code].separation)
        told = f" ({', '.join(codes)})" if codes else ""
        return f"{name} would be {proof.verdicts[trial]}{told}"
    return over_limits(proof, name, trial)


def over_limits(proof: Proof, name: str, trial: int) -> str:
    """Which limit a trial breaks, or may break for all that is known; empty where it keeps all.

    Parameters
    ----------
    proof : Proof
    name : str
        Id of the circuit or group.
    trial : int

    Returns
    -------
    str
    """
    if trial < proof.circuit_count and proof.limits[trial].within is False:
        limits = proof.limits[trial]
        broken = [
            words
            for words, kept in (
                ("delay", limits.delay_ok),
                ("asymmetry", limits.asymmetry_ok),
                ("loss", limits.loss_ok),
                ("unavailability", limits.unavailability_ok),
            )
            if kept is False
        ]
        return f"{name} would be outside its limit of {', '.join(broken) or 'recovery'}"
    if trial < proof.circuit_count:
        limits = proof.limits[trial]
        for words, kept, why in (
            ("delay", limits.delay_ok, limits.delay_why),
            ("asymmetry", limits.asymmetry_ok, limits.asymmetry_why),
        ):
            if kept is None:
                told = f" ({few(why, _MOST_WHY, '; ')})" if why else ""
                return f"nobody could tell whether {name} would keep its limit of {words}{told}"
    return ""


# --- Search and proof in turn, for many circuits and groups, until the prover agrees.

Progress = Callable[[str], None]
Links = dict[str, dict[str, list[str]]]
"""By circuit and name of the path, the ids of its links."""
MOST_ROUNDS = 40
"""Rounds of search and proof; each adds what the prover objects to, so few are needed."""


def search_and_prove(
    ground: Ground, found: Sequence[Found], ask: Ask, say: Progress, *, whole: bool = True
) -> tuple[Draft, Links, Proof | None]:
    """Search the paths of all targets and prove them; what is found stands in `found`.

    Parameters
    ----------
    ground : Ground
    found : sequence of Found
        One for each target; changed in place.
    ask : Ask
    say : callable
        Told in words what is going on.
    whole : bool
        Whether the complete proposal is proved at the end, all other circuits included.

    Returns
    -------
    draft : Draft
        All paths that are apart, as one proposal.
    links : dict
        Ids of links by circuit and name of the path.
    after : Proof or None
        The proof of the whole study with this proposal; None where it is empty or not asked for.
    """
    open_ = list(found)
    for round_ in range(1, MOST_ROUNDS + 1):
        for number, one in enumerate(open_, start=1):
            say(f"round {round_}: searching {one.target.id} ({number} of {len(open_)})")
            solve(ground, one, ask, {})
        draft, _ = _drafted(ground, found, ask)
        apart = [one for one in found if one.status == "apart" and one.together]
        if not apart:
            break
        say(f"round {round_}: proving {len(apart)}")
        study = trimmed(proposed(ground.study, draft), [one.target for one in apart])
        trial = prove(tie(study, like=ground.network))
        open_ = [one for one in apart if objections(trial, one)]
        if not open_:
            break
    else:
        for one in open_:
            one.status, one.why, one.paths = "undecided", "too many near approaches to go round", {}
    built = whole and as_built(ground, ask.terms.fibres)
    draft, links = _drafted(ground, found, ask, built=built)
    if not whole or not any(draft.rows.values()):
        return draft, links, None
    say("proving the whole proposal")
    study = ground.study.untraced() if built else ground.study
    after = prove(tie(proposed(study, draft), like=ground.network))
    hold_to(after, found)
    return draft, links, after


def hold_to(after: Proof, found: Sequence[Found]) -> None:
    """Call targets undecided that the proof of the whole proposal does not accept.

    Parameters
    ----------
    after : Proof
    found : sequence of Found
        Changed in place.
    """
    for one in found:
        if one.status != "apart" or not one.together:
            continue
        if reasons := _against(after, one):
            one.status, one.why = "undecided", "; ".join(reasons)


def left_worse(before: Proof, after: Proof) -> list[str]:
    """Circuits and groups whose verdict or limits are worse after than before.

    Parameters
    ----------
    before, after : Proof

    Returns
    -------
    list of str
        Their ids.
    """
    old = _ranks(before)
    return [name for name, rank in _ranks(after).items() if _below(rank, old.get(name, rank))]


def _below(rank: tuple[int, int], other: tuple[int, int]) -> bool:
    return rank[0] < other[0] or rank[1] < other[1]


def _ranks(proof: Proof) -> dict[str, tuple[int, int]]:
    """Verdict and limits of every circuit and group; higher is better."""
    kept = {False: 0, None: 1, True: 2}
    return {
        trial.id: (
            WORST_FIRST.index(verdict),
            kept[proof.limits[number].within] if number < proof.circuit_count else 0,
        )
        for number, (trial, verdict) in enumerate(zip(proof.trials, proof.verdicts, strict=True))
    }


def known_pairs(proof: Proof, target: Target) -> dict[str, set[tuple[str, str]]]:
    """Segments to which the prover objects already: no two of a pair on different paths.

    Parameters
    ----------
    proof : Proof
    target : Target

    Returns
    -------
    dict of str to set of (str, str)
        Pairs of segments by id of the circuit or group.
    """
    numbers = trial_numbers(proof, target)
    # Of more than two paths, two that come close lose nothing yet: see what the prover says.
    wide = (
        target.group and target.test != PAIRWISE and len(proof.trials[numbers[target.id]].sides) > 2
    )
    return {
        name: set() if wide and name == target.id else too_near(proof, number)
        for name, number in numbers.items()
    }


def _drafted(
    ground: Ground, found: Sequence[Found], ask: Ask, *, built: bool = False
) -> tuple[Draft, Links]:
    """All paths as one proposal; where fibres run out, a target is searched again with the rest.

    `built`: over fibres that can be joined, with their splices; a target for which there are none
    is left undecided.
    """
    fitting = Fitting(ground) if built else None
    draft, links = Draft(), Links()
    known = {str(name) for name in ground.names}
    taken: dict[int, set[int]] = {}
    for one in found:
        if one.status != "apart":
            continue
        paths = _with_fibres(ground, one, ask, taken)
        if paths is None:
            alone = dict(one.paths)
            solve(ground, one, ask, taken)
            paths = one.paths if one.status == "apart" else None
            if paths is None:
                one.status, one.paths, one.together = "apart", alone, False
                one.why = "too few fibres are left for this one beside the others"
                continue
        if fitting is not None:
            fitted = _fitted(fitting, one, paths, ask)
            if isinstance(fitted, str):
                one.status, one.why, one.paths = "undecided", fitted, {}
                continue
            paths = fitted
        one.paths, one.together = paths, True
        for member in one.target.members:
            if member.id not in paths:
                continue
            rows, links[member.id] = drafted(ground, member, paths[member.id], known)
            draft = draft.with_rows(rows)
            for cable, gone in fibres_of(list(paths[member.id].values())).items():
                taken.setdefault(cable, set()).update(gone)
    if "joints" in draft.rows:  # a joint into which several cables are led: as the last has it
        draft.rows["joints"] = [*{row["id"]: row for row in draft.rows["joints"]}.values()]
    return draft, links


def _fitted(
    fitting: Fitting, one: Found, paths: Mapping[str, Mapping[str, ProposedPath]], ask: Ask
) -> dict[str, dict[str, ProposedPath]] | str:
    """The paths of a target over fibres that can be joined, or why there are none."""
    members = {member.id: member for member in one.target.members}
    every = {(name, label): path for name, of in paths.items() for label, path in of.items()}
    names = {(name, label): wanted_id(members[name], label) for name, label in every}
    fitted = fitting.fitted(every, names, ask.terms.fibres)
    if isinstance(fitted, str):
        return fitted
    made: dict[str, dict[str, ProposedPath]] = {}
    for (name, label), path in fitted.items():
        made.setdefault(name, {})[label] = path
    return made


def _with_fibres(
    ground: Ground, one: Found, ask: Ask, taken: dict[int, set[int]]
) -> dict[str, dict[str, ProposedPath]] | None:
    """The paths of a target over fibres that are left; None where they are too few."""
    used = {cable: set(gone) for cable, gone in taken.items()}
    made: dict[str, dict[str, ProposedPath]] = {}
    for name, paths in one.paths.items():
        made[name] = {}
        for label, path in paths.items():
            again = renumbered(ground, path, ask.terms.fibres, used)
            if again is None:
                return None
            made[name][label] = again
            for cable, gone in fibres_of([again]).items():
                used.setdefault(cable, set()).update(gone)
    return made


# --- The pair of paths that shares least, where no separate pair exists.


@dataclass(frozen=True)
class Instead:
    """The pair whose shared assets weigh least.

    Attributes
    ----------
    least : LeastShared
    paths : dict of str to ProposedPath
        By the name of the path, of a group by circuit and path; empty where there is no pair.
    shared : list of tuple of str
        What both rely on; assets that are always shared together stand together.
    near : list of tuple of str
        Segments of either that come too near each other, or cross.
    """

    least: LeastShared
    paths: dict[str, ProposedPath]
    shared: list[tuple[str, ...]]
    near: list[tuple[str, str]]


def share_least(ground: Ground, found: Found, ask: Ask) -> Instead:
    """Search the pair that shares the least, for a target without separate paths.

    Weights are those of the rules. Near approaches are weighed as far as they
    are known from the search for a separate pair.

    Parameters
    ----------
    ground : Ground
    found : Found
    ask : Ask
        Its time limit holds for this search.

    Returns
    -------
    Instead
    """
    space = found.space
    assert space is not None
    risks = space.risks
    if found.terms is not None:
        weight = weight_of(ground.study.rules, NEAR, NEAR)
        of_group = least_of_group(
            space.graph,
            space.question,
            found.terms,
            risks.weight,
            weight,
            time_limit_s=ask.time_limit_s,
        )
        least, near = of_group.least, of_group.near
    else:
        least = least_shared(
            space.graph, space.question, risks.weight, time_limit_s=ask.time_limit_s
        )
        near = [risks.pairs[risk] for risk in sorted(least.shared) if risk in risks.pairs]
    if any(risks.assets[risk][0].startswith(ONLY_ONE) for risk in least.shared):
        # Both paths would be one circuit's: another has none at all.
        least = replace(
            least, status="none", paths=None, cost=None, shared=frozenset(), weight=None
        )
        near = []
    shared = [risks.assets[risk] for risk in sorted(least.shared) if risk not in risks.pairs]
    if least.paths is None:
        return Instead(least, {}, shared, near)
    paths = paths_of_answer(space, least.paths, ask.terms.fibres, {})
    if not found.target.group:
        return Instead(least, labelled(ground, found.target.members[0], paths), shared, near)
    courses = found.courses or [
        MemberPath(int(space.edges.member[path[0]]), MAIN) for path in least.paths
    ]
    names = [f"{found.target.members[one.member].id} {one.label}" for one in courses]
    return Instead(least, dict(sorted(zip(names, paths, strict=True))), shared, near)
