"""Search and proof in turn, for many circuits and groups at once, until the prover agrees."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from waysapart.reroute.draft import Draft, ProposedPath, drafted, fibres_of, proposed, renumbered
from waysapart.reroute.ground import Ground
from waysapart.reroute.solve import (
    Ask,
    Found,
    Target,
    against,
    objections,
    solve,
    tests_of,
    too_near,
    trimmed,
)
from waysapart.verdicts.proof import WORST_FIRST
from waysapart.verdicts.prove import Proof, prove

Progress = Callable[[str], None]
Links = dict[str, dict[str, list[str]]]
"""By circuit and name of the path, the ids of its links."""
MOST_ROUNDS = 40
"""Turns of search and proof; each adds what the prover objects to, so few are needed."""


def search_and_prove(
    ground: Ground, found: Sequence[Found], ask: Ask, say: Progress, *, whole: bool = True
) -> tuple[Draft, Links, Proof | None]:
    """Search the paths of all targets; what is found stands in `found`.

    With `whole` the complete proposal is proved at the end, all other circuits
    included; without, the circuits asked about only.

    Returns
    -------
    draft : Draft
        All paths that are apart, as one proposal.
    links : dict
    after : Proof or None
        The proof of the whole study with this proposal; None where it is empty.
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
        trial = prove(study)
        open_ = [one for one in apart if objections(trial, one)]
        if not open_:
            break
    else:
        for one in open_:
            one.status, one.why, one.ways = "undecided", "too many near approaches to go round", {}
    draft, links = _drafted(ground, found, ask)
    if not whole or not any(draft.rows.values()):
        return draft, links, None
    say("proving the whole proposal")
    after = prove(proposed(ground.study, draft))
    hold_to(after, found)
    return draft, links, after


def hold_to(after: Proof, found: Sequence[Found]) -> None:
    """Call targets undecided that the proof of the whole proposal does not accept."""
    for one in found:
        if one.status != "apart" or not one.together:
            continue
        reasons = [
            reason
            for name, test in tests_of(after, one.target).items()
            if (reason := against(after, name, test))
        ]
        if reasons:
            one.status, one.why = "undecided", "; ".join(reasons)


def left_worse(before: Proof, after: Proof) -> list[str]:
    """Circuits and groups whose verdict or limits are worse after than before."""
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
    """Segments that the prover objects to already, to start with."""
    return {name: too_near(proof, test) for name, test in tests_of(proof, target).items()}


def _drafted(ground: Ground, found: Sequence[Found], ask: Ask) -> tuple[Draft, Links]:
    """All paths as one proposal; where fibres run out, a target is searched again with the rest."""
    draft, links = Draft(), Links()
    known = {str(name) for name in ground.names}
    taken: dict[int, set[int]] = {}
    for one in found:
        if one.status != "apart":
            continue
        ways = _with_fibres(ground, one, ask, taken)
        if ways is None:
            alone = dict(one.ways)
            solve(ground, one, ask, taken)
            ways = one.ways if one.status == "apart" else None
            if ways is None:
                one.status, one.ways, one.together = "apart", alone, False
                one.why = "the fibres that are left do not do for this one beside the others"
                continue
        one.ways, one.together = ways, True
        for member in one.target.members:
            if member.id not in ways:
                continue
            rows, links[member.id] = drafted(ground, member, ways[member.id], known)
            draft = draft.with_rows(rows)
            for cable, gone in fibres_of(list(ways[member.id].values())).items():
                taken.setdefault(cable, set()).update(gone)
    return draft, links


def _with_fibres(
    ground: Ground, one: Found, ask: Ask, taken: dict[int, set[int]]
) -> dict[str, dict[str, ProposedPath]] | None:
    """The paths of a target over fibres that are left; None where they are too few."""
    used = {cable: set(gone) for cable, gone in taken.items()}
    made: dict[str, dict[str, ProposedPath]] = {}
    for name, ways in one.ways.items():
        made[name] = {}
        for label, way in ways.items():
            again = renumbered(ground, way, ask.terms.fibres, used)
            if again is None:
                return None
            made[name][label] = again
            for cable, gone in fibres_of([again]).items():
                used.setdefault(cable, set()).update(gone)
    return made
