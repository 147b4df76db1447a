"""Offer the waivers that would accept what stands against a circuit or group."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import Any

from waysapart.arrays import csr_row
from waysapart.evidence import Evidence, OfferedWaiver
from waysapart.network.assets import reached
from waysapart.study.blank import toml_value
from waysapart.text import replace_unseen
from waysapart.verdicts.proof import ProofData
from waysapart.verdicts.waivers import COVERED_ROLES, FindingRecords, Record

_MANY = 3
"""From so many findings in one thing on, `prove --circuit` offers one waiver for all of them."""
_HOLDING_ROLES = ("sites", "structures", "holders", "segments")


def offered_waivers(proof: ProofData, name: str) -> list[OfferedWaiver]:
    """List the waivers that would accept all findings against a circuit or group.

    Parameters
    ----------
    proof : ProofData
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
    index = next(number for number, trial in enumerate(proof.trials) if trial.id == name)
    return _Offers(proof, index).found()


class _Offers:
    """What stands against one circuit or group, and which things hold how much of it."""

    def __init__(self, proof: ProofData, trial: int) -> None:
        self._proof, self._trial = proof, trial
        self._records = records_of(proof)
        network, sharing, waivers = proof.network, proof.sharing, proof.waivers
        self._start = network.assets.start["segments"]
        self._ids = [name for name, _, _ in proof.names]
        self._roles = [role for _, role, _ in proof.names]
        avoidable = sharing.avoidable
        mine = csr_row(avoidable, trial).tolist()
        together = len(proof.trials[trial].sides) > 1
        self._assets = [
            number
            for number in sorted(mine)
            if together
            and (trial, number) not in waivers.assets
            and (trial, number) not in sharing.through
        ]
        self._pairs = [
            (one, other)
            for one, other in sorted(self._records.pairs(trial))
            if proof.verdicts[trial] == "shared"
            and not waivers.waives_pair(trial, self._segment(one), self._segment(other))
        ]
        self._above = self._things()

    def found(self) -> list[OfferedWaiver]:
        holders = self._holders()
        taken = {
            finding
            for finding, above in self._above.items()
            if any(holder in above for holder in holders)
        }
        records, trial = self._records, self._trial
        offers = [
            self._offer(
                records.of_within(trial, thing),
                sum(thing in above for above in self._above.values()),
                within=self._ids[thing],
            )
            for thing in holders
        ]
        assets = [number for number in self._assets if number not in taken]
        records.prepare(assets)
        offers += [
            self._offer(records.of_asset(trial, number), 1, asset=self._ids[number])
            for number in assets
        ]
        for pair in self._pairs:
            if pair not in taken:
                ids = [self._segment(one) for one in pair]
                offers.append(self._offer(records.of_pair(trial, ids[0], ids[1]), 1, pair=ids))
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
            "circuit": self._proof.trials[self._trial].id,
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


def records_of(proof: ProofData) -> FindingRecords:
    """Collect the records behind the findings of a proof.

    Parameters
    ----------
    proof : ProofData

    Returns
    -------
    FindingRecords
    """
    return FindingRecords(proof.reliance, proof.trials, proof.sharing, proof.spacing)


def offer_toml(offer: Mapping[str, Any]) -> str:
    """Write an offered waiver as a block for rules.toml; reason, by and until are left to fill in.

    Invisible characters are written as TOML escapes, so that the text printed is the text pasted.

    Parameters
    ----------
    offer : mapping
        An `OfferedWaiver`.

    Returns
    -------
    str
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


def give_records(proof: ProofData, facts: Evidence, names: Iterable[str]) -> None:
    """Add to the facts of some circuits and groups the digests and waivers that can be signed.

    Parameters
    ----------
    proof : ProofData
    facts : Evidence
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
        index = numbers[claim["id"]]
        mine = {one["asset"]: ids[one["asset"], one["role"]] for one in claim["shared"]}
        records.prepare(mine.values())
        for one in claim["shared"]:
            one["record"] = records.of_asset(index, mine[one["asset"]]).digest
        for pair in [*claim["near"], *claim["cross"]]:
            pair["record"] = records.of_pair(index, pair["main"], pair["alternate"]).digest
        claim["waivers_offered"] = offered_waivers(proof, claim["id"])


def replaced(offer: Mapping[str, Any], waivers: Collection[Mapping[str, Any]]) -> str | None:
    """Return the state of an earlier waiver of the same thing that no longer counts.

    Parameters
    ----------
    offer : mapping
        An `OfferedWaiver`.
    waivers : collection of mapping
        From `waiver_facts`.

    Returns
    -------
    str or None
        None where there is none.
    """
    for one in waivers:
        same = all(one.get(key) == offer[key] for key in ("circuit", "asset", "within"))
        pairs = [sorted(each.get("pair") or ()) for each in (one, offer)]
        if same and pairs[0] == pairs[1] and not one["counts"]:
            return str(one["state"])
    return None
