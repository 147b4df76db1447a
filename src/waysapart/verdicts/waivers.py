"""Which findings somebody has accepted, on record, until when, and as what record.

A waiver of an asset, of all that lies in a thing, or of a near approach or crossing counts for
one circuit or group, up to its last day, and as long as what it accepts is what was accepted:
where it states the digest of that (`record`), a change of the records ends it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from waysapart.arrays import csr_row
from waysapart.evidence import JudgedWaiver, OfferedWaiver
from waysapart.findings.sharing import Sharing
from waysapart.findings.spacing import Spacing
from waysapart.network.assets import reached
from waysapart.reliance.rely import Reliance
from waysapart.shown import replace_unseen
from waysapart.study.rule_keys import toml_value
from waysapart.study.rules import Waiver
from waysapart.verdicts.digests import COVERED_ROLES, Record, Records
from waysapart.verdicts.sides import Trial

if TYPE_CHECKING:
    from waysapart.verdicts.prove import Proof

IN_FORCE, LAPSED, IDLE = "in force", "lapsed", "nothing to waive"
LAPSES_SOON_DAYS = 90
"""A waiver with no more days than this is listed, in time to renew it or to build (common
practice, no source)."""
_MANY = 3
"""From so many findings in one thing on, `prove --circuit` offers one waiver for all of them."""
_HOLDING_ROLES = ("sites", "structures", "holders", "segments")


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
    records = Records(reliance, trials, sharing, spacing)
    desk = _Desk(records, reliance, trials, sharing)
    judged = tuple(desk.judge(waiver, study.on) for waiver in study.rules.waivers)
    return Waivers(_with_held(desk.assets, sharing), desk.pairs, tuple(desk.inside), judged)


class _Desk:
    """Waivers as they are judged one by one; what those in force cover gathers here."""

    def __init__(
        self, records: Records, reliance: Reliance, trials: list[Trial], sharing: Sharing
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


def offered_waivers(proof: Proof, name: str) -> list[OfferedWaiver]:
    """What waivers it takes to accept all that stands against a circuit or group.

    Parameters
    ----------
    proof : Proof
    name : str
        Id of a circuit, or name of a group.

    Returns
    -------
    list of OfferedWaiver
        Empty where nothing stands against it. Where three findings or more lie in one thing,
        the innermost such thing stands for them in `within`; everything else is an `asset` or
        a `pair`. `covers` counts the findings: shared assets without what is shared only
        through them, near approaches and crossings.
    """
    test = next(number for number, trial in enumerate(proof.trials) if trial.id == name)
    return _Offers(proof, test).found()


class _Offers:
    """What stands against one circuit or group, and which things hold how much of it."""

    def __init__(self, proof: Proof, test: int) -> None:
        self._proof, self._test = proof, test
        self._records = records_of(proof)
        network, sharing, waivers = proof.network, proof.sharing, proof.waivers
        self._start = network.assets.start["segments"]
        self._ids = [name for name, _, _ in proof.names]
        self._roles = [role for _, role, _ in proof.names]
        avoidable = sharing.avoidable
        mine = csr_row(avoidable, test).tolist()
        together = len(proof.trials[test].sides) > 1
        self._assets = [
            number
            for number in sorted(mine)
            if together
            and (test, number) not in waivers.assets
            and (test, number) not in sharing.through
        ]
        self._pairs = [
            (one, other)
            for one, other in sorted(self._records.pairs(test))
            if not waivers.waives_pair(test, self._segment(one), self._segment(other))
        ]
        self._above = self._things()

    def found(self) -> list[OfferedWaiver]:
        holders = self._holders()
        taken = {
            finding
            for finding, above in self._above.items()
            if any(holder in above for holder in holders)
        }
        records, test = self._records, self._test
        offers = [
            self._offer(
                records.of_within(test, thing),
                sum(thing in above for above in self._above.values()),
                within=self._ids[thing],
            )
            for thing in holders
        ]
        assets = [number for number in self._assets if number not in taken]
        records.prepare(assets)
        offers += [
            self._offer(records.of_asset(test, number), 1, asset=self._ids[number])
            for number in assets
        ]
        for pair in self._pairs:
            if pair not in taken:
                ids = [self._segment(one) for one in pair]
                offers.append(self._offer(records.of_pair(test, ids[0], ids[1]), 1, pair=ids))
        return offers

    def _segment(self, number: int) -> str:
        return self._ids[self._start + number]

    def _offer(
        self,
        record: Record,
        covers: int,
        *,
        asset: str | None = None,
        within: str | None = None,
        pair: list[str] | None = None,
    ) -> OfferedWaiver:
        return {
            "circuit": self._proof.trials[self._test].id,
            "asset": asset,
            "within": within,
            "pair": pair,
            "record": record.digest,
            "covers": covers,
        }

    def _things(self) -> dict[int | tuple[int, int], frozenset[int]]:
        """Each finding that a waiver `within` may cover, with the things that hold it."""
        found: dict[int | tuple[int, int], frozenset[int]] = {
            number: self._up(number)
            for number in self._assets
            if self._roles[number] in COVERED_ROLES
        }
        for one, other in self._pairs:
            found[one, other] = self._up(self._start + one) & self._up(self._start + other)
        return found

    def _up(self, number: int) -> frozenset[int]:
        """What holds an asset at any depth, itself included."""
        return frozenset(reached(self._records.held_by, number))

    def _holders(self) -> list[int]:
        """For each finding the innermost thing that holds many; none that lies in another."""
        count: dict[int, int] = {}
        for things in self._above.values():
            for thing in things:
                count[thing] = count.get(thing, 0) + 1
        many = {
            thing
            for thing, findings in count.items()
            if findings >= _MANY and self._roles[thing] in _HOLDING_ROLES
        }
        inside = self._records.inside
        chosen = {
            min(things & many, key=lambda thing: (len(inside(thing)), self._ids[thing]))
            for things in self._above.values()
            if things & many
        }
        outer = [
            thing
            for thing in chosen
            if not any(thing in inside(other) for other in chosen if other != thing)
        ]
        return sorted(outer, key=lambda thing: self._ids[thing])


def records_of(proof: Proof) -> Records:
    """The records behind the findings of a proof."""
    return Records(proof.reliance, proof.trials, proof.sharing, proof.spacing)


def offer_toml(offer: Mapping[str, Any]) -> str:
    """An offered waiver as a block for rules.toml; reason, by and until are left to fill in.

    Signs that cannot be seen are written as TOML's escapes, so that what is printed is what
    is pasted.
    """
    named = [(key, offer[key]) for key in ("circuit", "asset", "within", "pair", "record")]
    lines = [f"{key} = {_shown(toml_value(value))}" for key, value in named if value is not None]
    return "\n".join(["[[waiver]]", *lines, *_PLACEHOLDERS]) + "\n"


_PLACEHOLDERS = (
    'reason = ""                # why it is accepted',
    'by = ""                    # who accepts it: a role or a reference',
    'until = ""                 # the last day that it counts, such as 2027-06-30',
)


def _shown(text: str) -> str:
    def escaped(char: str) -> str:
        code = ord(char)
        return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"

    return replace_unseen(text, escaped)


def give_records(proof: Proof, facts: dict[str, Any], names: Iterable[str]) -> None:
    """Put into a proof's facts, for some circuits and groups, what there is to sign.

    Parameters
    ----------
    proof : Proof
    facts : dict
        Its `facts()`: each entry of `shared`, `near` and `cross` of the named circuits and groups
        gains `record`, and each of these `waivers_offered`.
    names : iterable of str
    """
    wanted = set(names)
    records = records_of(proof)
    numbers: dict[str, int] = {}
    for number, trial in enumerate(proof.trials):
        numbers.setdefault(trial.id, number)
    ids = {(name, role): number for number, (name, role, _) in enumerate(proof.names)}
    for claim in [*facts["circuits"], *facts["groups"]]:
        if claim["id"] not in wanted:
            continue
        wanted.discard(claim["id"])
        test = numbers[claim["id"]]
        mine = {one["asset"]: ids[one["asset"], one["role"]] for one in claim["shared"]}
        records.prepare(mine.values())
        for one in claim["shared"]:
            one["record"] = records.of_asset(test, mine[one["asset"]]).digest
        for pair in [*claim["near"], *claim["cross"]]:
            pair["record"] = records.of_pair(test, pair["main"], pair["alternate"]).digest
        claim["waivers_offered"] = offered_waivers(proof, claim["id"])


def replaced(offer: Mapping[str, Any], waivers: Collection[Mapping[str, Any]]) -> str | None:
    """The state of a waiver of the same thing that no longer counts, if there is one."""
    for one in waivers:
        same = all(one.get(key) == offer[key] for key in ("circuit", "asset", "within"))
        pairs = [sorted(each.get("pair") or ()) for each in (one, offer)]
        if same and pairs[0] == pairs[1] and not one["counts"]:
            return str(one["state"])
    return None
