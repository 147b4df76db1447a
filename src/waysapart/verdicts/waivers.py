"""Which findings somebody has accepted, on record and until when."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from waysapart.findings.sharing import Sharing
from waysapart.study.rules import Rules, Waiver
from waysapart.verdicts.sides import Trial

IN_FORCE, LAPSED, IDLE = "in force", "lapsed", "nothing to waive"


@dataclass(frozen=True)
class Waivers:
    """Waivers laid over the findings of a study.

    Attributes
    ----------
    assets : set of (int, int)
        Test and asset that are waived, with what is shared only because of
        waived assets.
    pairs : set of (int, frozenset of str)
        Test and the two ids of a waived near approach or crossing.
    states : tuple of (Waiver, str)
        Every waiver with what became of it: in force, lapsed, nothing to waive.
    """

    assets: set[tuple[int, int]]
    pairs: set[tuple[int, frozenset[str]]]
    states: tuple[tuple[Waiver, str], ...]


def lay_over(
    rules: Rules, trials: list[Trial], sharing: Sharing, number_of: dict[str, int], today: date
) -> Waivers:
    """Find what each waiver covers today; `number_of` numbers assets and hops by id."""
    number = {trial.id: place for place, trial in enumerate(trials)}
    waived: set[tuple[int, int]] = set()
    pairs: set[tuple[int, frozenset[str]]] = set()
    states = []
    for waiver in rules.waivers:
        test = number.get(waiver.circuit, -1)
        state = IN_FORCE if waiver.counts_on(today) else LAPSED
        if waiver.asset is not None:
            asset = number_of.get(waiver.asset, -1)
            shared = test >= 0 and asset >= 0 and bool(sharing.avoidable[test, asset])
            if state == IN_FORCE and shared:
                waived.add((test, asset))
            elif state == IN_FORCE:
                state = IDLE
        elif waiver.pair is not None and state == IN_FORCE and test >= 0:
            pairs.add((test, frozenset(waiver.pair)))
        states.append((waiver, state))
    return Waivers(_with_held(waived, sharing), pairs, tuple(states))


def _with_held(waived: set[tuple[int, int]], sharing: Sharing) -> set[tuple[int, int]]:
    """Add what is shared only because of waived things in it."""
    covered = set(waived)
    grown = True
    while grown:
        grown = False
        for (test, asset), supports in sharing.supports.items():
            if (test, asset) not in covered and all((test, one) in covered for one in supports):
                covered.add((test, asset))
                grown = True
    return covered
