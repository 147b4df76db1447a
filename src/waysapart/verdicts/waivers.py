"""Which findings somebody has accepted, on record, until when, and as what record.

A waiver of an asset, of all that lies in a thing, or of a near approach or crossing counts for
one circuit or group, up to its last day, and as long as what it accepts is what was accepted:
where it states the digest of that (`record`), a change of the records ends it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from waysapart.evidence import JudgedWaiver
from waysapart.findings.sharing import Sharing
from waysapart.findings.spacing import Spacing
from waysapart.reliance.rely import Reliance
from waysapart.study.rules import Waiver
from waysapart.verdicts.digests import FindingRecords, Record
from waysapart.verdicts.sides import Trial

IN_FORCE, LAPSED, IDLE = "in force", "lapsed", "nothing to waive"
LAPSES_SOON_DAYS = 90
"""A waiver with no more days than this is listed, in time to renew it or to build (common
practice, no source)."""


@dataclass(frozen=True)
class Judged:
    """A waiver, and what became of it on the day of judgement.

    Attributes
    ----------
    waiver : Waiver
    state : str
        'in force', 'lapsed', 'nothing to waive', or that the record changed, with both digests.
    record : str or None
        Digest of what it would accept now; None where there is nothing of the kind.
    days : int or None
        Days until its last one, on which it still counts; None where it does not count.
    """

    waiver: Waiver
    state: str
    record: str | None
    days: int | None

    @property
    def counts(self) -> bool:
        """Whether it accepts anything."""
        return self.state == IN_FORCE

    @property
    def lapses_soon(self) -> bool:
        """Whether it counts, and for 90 days at most."""
        return self.days is not None and self.days <= LAPSES_SOON_DAYS


@dataclass(frozen=True)
class Waivers:
    """Waivers laid over the findings of a study.

    Attributes
    ----------
    assets : set of (int, int)
        Trial and asset that are waived, with what is shared only because of
        waived assets.
    pairs : set of (int, frozenset of str)
        Trial and the two ids of a waived near approach or crossing.
    inside : tuple of (int, frozenset of str)
        Trial and the segments in a thing all of which is waived: near approaches and
        crossings among them are.
    judged : tuple of Judged
        Every waiver in the order of the rules.
    """

    assets: set[tuple[int, int]]
    pairs: set[tuple[int, frozenset[str]]]
    inside: tuple[tuple[int, frozenset[str]], ...]
    judged: tuple[Judged, ...]

    def waives_pair(self, test: int, one: str, other: str) -> bool:
        """Whether a near approach or crossing of two segments is waived for a trial."""
        return (test, frozenset((one, other))) in self.pairs or any(
            test == mine and one in segments and other in segments for mine, segments in self.inside
        )

    @property
    def waive_pairs(self) -> bool:
        """Whether any near approach or crossing may be waived."""
        return bool(self.pairs or self.inside)


def lay_over(
    reliance: Reliance, trials: list[Trial], sharing: Sharing, spacing: Spacing
) -> Waivers:
    """Find what each waiver covers on the day for which the study is judged.

    A circuit and a group may bear one name: a waiver that states it counts for the circuit.
    """
    study = reliance.network.study
    if not study.rules.waivers:
        return Waivers(set(), set(), (), ())
    records = FindingRecords(reliance, trials, sharing, spacing)
    desk = _Desk(records, reliance, trials, sharing)
    judged = tuple(desk.judge(waiver, study.on) for waiver in study.rules.waivers)
    return Waivers(_with_held(desk.assets, sharing), desk.pairs, tuple(desk.inside), judged)


class _Desk:
    """Waivers as they are judged one by one; what those in force cover gathers here."""

    def __init__(
        self, records: FindingRecords, reliance: Reliance, trials: list[Trial], sharing: Sharing
    ) -> None:
        self._records, self._network, self._sharing = records, reliance.network, sharing
        self._number: dict[str, int] = {}
        for place, trial in enumerate(trials):
            self._number.setdefault(trial.id, place)
        links = self._network.study.tables["links"]["id"].to_list()
        count = len(self._network.assets)
        # A hop may bear the id of an asset; the id then means the asset.
        self._named = {str(name): count + place for place, name in enumerate(links)}
        names = self._network.assets.frame["id"].to_list()
        self._named |= {str(name): place for place, name in enumerate(names)}
        self.assets: set[tuple[int, int]] = set()
        self.pairs: set[tuple[int, frozenset[str]]] = set()
        self.inside: list[tuple[int, frozenset[str]]] = []

    def judge(self, waiver: Waiver, day: date) -> Judged:
        """What becomes of one waiver; what it covers is noted where it is in force."""
        test = self._number.get(waiver.circuit)
        now = None if test is None else self._record(test, waiver)
        digest = None if now is None else now.digest
        if not waiver.counts_on(day):
            return Judged(waiver, LAPSED, digest, None)
        if test is None or digest is None:
            return Judged(waiver, IDLE, None, None)
        if waiver.record is not None and waiver.record != digest:
            return Judged(waiver, changed(waiver.record, digest), digest, None)
        self._note(test, waiver)
        return Judged(waiver, IN_FORCE, digest, (waiver.until - day).days)

    def _record(self, test: int, waiver: Waiver) -> Record | None:
        """What a waiver would accept; None where there is nothing to waive."""
        records = self._records
        if waiver.pair is not None:
            segments = self._segments(waiver.pair)
            there = segments in records.possible_pairs(test)
            return records.of_pair(test, *waiver.pair) if there else None
        number = self._named.get(waiver.asset or waiver.within or "", -1)
        if number < 0:
            return None
        if waiver.asset is not None:
            shared = bool(self._sharing.avoidable[test, number])
            return records.of_asset(test, number) if shared else None
        if records.covered(test, number) or records.pairs_in(test, number):
            return records.of_within(test, number)
        inside, start = records.inside(number), self._network.assets.start["segments"]
        loose = any(
            start + one in inside and start + other in inside
            for one, other in records.possible_pairs(test)
        )
        return records.of_within(test, number) if loose else None

    def _segments(self, pair: tuple[str, str]) -> tuple[int, int]:
        start = self._network.assets.start["segments"]
        low, high = sorted(self._named.get(name, -1) - start for name in pair)
        return low, high

    def _note(self, test: int, waiver: Waiver) -> None:
        if waiver.pair is not None:
            self.pairs.add((test, frozenset(waiver.pair)))
        elif waiver.asset is not None:
            self.assets.add((test, self._named[waiver.asset]))
        elif waiver.within is not None:
            thing = self._named[waiver.within]
            self.assets |= {(test, number) for number in self._records.covered(test, thing)}
            segments = self._network.assets.of_role("segments")
            inside = self._records.inside(thing)
            mine = [number for number in inside if segments.start <= number < segments.stop]
            self.inside.append((test, frozenset(self._network.assets.ids(mine))))


def changed(before: str, now: str) -> str:
    """The state of a waiver whose record is not what was accepted."""
    return f"the record changed: digest was {before}, is now {now}"


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


def waiver_facts(waivers: Waivers) -> list[JudgedWaiver]:
    """Every waiver with what became of it, as plain data."""
    return [
        {
            "circuit": one.waiver.circuit,
            "asset": one.waiver.asset,
            "within": one.waiver.within,
            "pair": list(one.waiver.pair) if one.waiver.pair else None,
            "reason": one.waiver.reason,
            "by": one.waiver.by,
            "until": one.waiver.until.isoformat(),
            "record": one.waiver.record,
            "record_now": one.record,
            "state": one.state,
            "counts": one.counts,
            "lapses_in_days": one.days,
        }
        for one in waivers.judged
    ]
