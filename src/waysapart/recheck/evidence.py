"""What is claimed: the evidence read, its form, and the tally of what of it holds."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

from waysapart.errors import Problem, StudyError
from waysapart.evidence import FORMAT, misfits
from waysapart.evidence_file import NoEvidenceError, carried, in_full, is_page, proposals_in_full
from waysapart.input_files import MOST_EVIDENCE_BYTES, RefusedError, read_bytes

MOST_SAID = 1_500
"""Characters of what is said to be false, and of a value in it."""
MOST_FALSE = 1_000
"""False claims that are listed; hostile evidence could hold any number."""


@dataclass
class Tally:
    """What holds (counted), what is false and what was not checked, each in a sentence.

    `doubts`: by circuit and group, what was not checked of all that it rests on.
    """

    confirmed: int = 0
    false: list[str] = field(default_factory=list)
    not_checked: list[str] = field(default_factory=list)
    doubts: dict[str, list[str]] = field(default_factory=dict)

    def deny(self, sentence: str) -> None:
        """Write down what is false, the first `MOST_FALSE` of it."""
        if len(self.false) < MOST_FALSE:
            self.false.append(short(sentence))
        elif len(self.false) == MOST_FALSE:
            self.false.append(f"and more than these {MOST_FALSE}, which are not listed")

    def skip(self, sentence: str, *of: str) -> None:
        """Write down what was not checked, once, and as a doubt of circuits and groups.

        Parameters
        ----------
        sentence : str
        *of : str
            Those whose verdicts or limits rest on it, such as `circuit C1`, where the sentence
            does not begin with one.
        """
        for mine in (self.not_checked, *(self.doubts.setdefault(one, []) for one in of)):
            if sentence not in mine:
                mine.append(sentence)

    def add(self, other: Tally, what: str) -> None:
        """Add the tally of another document, which is part of this one and called `what`."""
        self.confirmed += other.confirmed
        self.false += [f"{what}: {one}" for one in other.false]
        for one in other.not_checked:
            self.skip(one)
        for name, because in other.doubts.items():
            for one in because:
                self.skip(one, name)

    def verdicts(self, facts: dict[str, Any]) -> dict[str, Any]:
        """Count verdicts that hold in full, and list those that hold but for what was not checked.

        Parameters
        ----------
        facts : dict
            The evidence.

        Returns
        -------
        dict
            `confirmed`, a number; `confirmed_except`, a list with `kind`, `id` and `because`.
        """
        names = [f"circuit {one['id']}" for one in facts["circuits"]]
        names += [f"group {one['id']}" for one in facts.get("groups", ())]
        ids = {name: name.split(" ", 1)[1] for name in names}
        starts = {name: (f"{name}:", f"{name},") for name in names}
        wrong = {name for name in names if any(s.startswith(starts[name]) for s in self.false)}
        known = tuple(start for name in wrong for start in starts[name])
        if any(not sentence.startswith(known) for sentence in self.false):
            wrong = set(names)  # what is false of the whole may concern any of them
        confirmed, but = 0, []
        for name in names:
            because = [one for one in self.not_checked if one.startswith(starts[name])]
            because += [one for one in self.doubts.get(name, ()) if one not in because]
            if name in wrong:
                continue
            if because:
                but.append({"kind": name.split(" ")[0], "id": ids[name], "because": because})
            else:
                confirmed += 1
        return {"confirmed": confirmed, "confirmed_except": but}


class About(NamedTuple):
    """The tally for claims about one thing, with which all their sentences begin."""

    tally: Tally
    what: str = ""

    def of(self, part: str) -> About:
        """The same tally, for claims about a part of the thing."""
        return About(self.tally, self._said(part))

    def _said(self, sentence: str) -> str:
        return f"{self.what}: {sentence}" if self.what else sentence

    def holds(self, true: bool, otherwise: str) -> bool:
        """Tally one claim and return whether it is true.

        Parameters
        ----------
        true : bool
        otherwise : str
            What is so instead.

        Returns
        -------
        bool
        """
        if true:
            self.tally.confirmed += 1
        else:
            self.tally.deny(self._said(otherwise))
        return true

    def same(self, name: str, claimed: Any, found: Any) -> bool:
        """Tally a claim that must equal what was found, and return whether it does.

        Parameters
        ----------
        name : str
            What is claimed, for the sentence.
        claimed, found : object

        Returns
        -------
        bool
        """
        if claimed == found:
            return self.holds(True, "")
        told = f"the evidence says {short(repr(claimed))}, found {short(repr(found))}"
        return self.holds(False, f"{name}: {told}")

    def close(self, name: str, claimed: float | None, found: float | None, by: float) -> bool:
        """Tally a figure that may differ from what was found, and return whether it holds.

        Parameters
        ----------
        name : str
            What is claimed, for the sentence.
        claimed, found : float or None
            None where not known; both must be.
        by : float
            Greatest difference, in the unit of the figure.

        Returns
        -------
        bool
        """
        known = claimed is not None and found is not None
        same = abs(claimed - found) <= by if known else claimed is found  # type: ignore[operator]
        if same:
            return self.holds(True, "")
        due = None if found is None else f"{found:.9g}"
        return self.holds(False, f"{name}: the evidence says {claimed}, found {due}")

    def same_set(self, name: str, claimed: Collection[Any], found: Collection[Any]) -> bool:
        """Tally a list of different things that must be the set that was found.

        Parameters
        ----------
        name : str
            What is claimed, for the sentence.
        claimed, found : collection

        Returns
        -------
        bool
        """
        mine, due = set(claimed), set(found)
        twice = len(claimed) != len(mine)
        if mine == due and not twice:
            return self.holds(True, "")
        extra, lacking = sorted(mine - due), sorted(due - mine)
        told = [f"names {few(extra)} in excess"] * bool(extra)
        told += [f"lacks {few(lacking)}"] * bool(lacking) + ["names something twice"] * twice
        return self.holds(False, f"{name}: the evidence {' and '.join(told)}")

    def skip(self, sentence: str, *of: str) -> None:
        """Write down something about the thing that was not checked; `of` as in `Tally.skip`."""
        self.tally.skip(self._said(sentence), *of)


def short(text: str) -> str:
    """A text cut to a length that can be read."""
    return text if len(text) <= MOST_SAID else f"{text[:MOST_SAID]}..."


def few(names: list[Any], most: int = 8) -> str:
    """The first few of many names, and how many more there are.

    Parameters
    ----------
    names : list
    most : int
        How many are named before the rest are counted.

    Returns
    -------
    str
    """
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(short(str(name)) for name in names[:most]) + more


def numbers(text: str, count: int) -> set[int]:
    """Read whole numbers and ranges of them.

    Parameters
    ----------
    text : str
        Numbers and ranges with spaces between.
    count : int
        Numbers above it become it, which says that there are such.

    Returns
    -------
    set of int

    Examples
    --------
    >>> sorted(numbers("0-3 7", count=10))
    [0, 1, 2, 3, 7]
    """
    found: set[int] = set()
    for run in text.split():
        low, _, high = run.partition("-")
        found |= set(range(min(int(low), count), min(int(high or low), count) + 1))
    return found


MOST_VALUES = 60_000_000
"""In evidence; each takes far more memory than text."""
REROUTE = {
    *("format", "waysapart", "study", "revision", "crs", "caution", "inputs", "matched"),
    *("summary", "circuits", "notes", "cost_is", "cost_unit", "work", "proved", "proposal"),
    *("build", "weights", "budget"),
}
"""All that `reroute --json` writes at the top; `--proposal` adds where it wrote (`written`)."""
NOT_HELD = {
    "words (messages, reasons, cautions, how paths cross) and the version of the program": (
        *("caution", "notes", "figures_say", "waysapart", "evidence.says", "gaps[].message"),
        *("circuits[].gaps[].message", "groups[].gaps[].message", "links[].loss.loss_why"),
        *("circuits[].paths{}.length_why", "circuits[].paths{}.delay_why"),
        *("circuits[].delay.delay_why", "circuits[].delay.asymmetry_why", "links[].loss.not_known"),
        *("circuits[].cross[].crossing", "groups[].cross[].crossing"),
        *("circuits[].cross[].how", "groups[].cross[].how", "links[].trace{}[].text"),
    ),
    "where in the input a gap or a record stands (file, layer, row, column), and which layer of "
    "its file each table is": (
        *(f"gaps[].{name}" for name in ("file", "layer", "row", "rows", "column")),
        *("layers[].layer", "records.tables[].at"),
    ),
    "which records to enter first": ("record_first",),
    "how tests compare with the records, drum tests, and which tests are missing; the gaps that "
    "follow from tests are checked": ("tests", "drums", "links[].tests_missing"),
    "how much longer a link could be": tuple(
        f"links[].loss.held_to[].{name}" for name in ("could_grow_m", "binds", "longest")
    ),
    "how often all paths are lost, what contributes most to that, and why it is not known": tuple(
        f"{of}[].unavailability.{name}"
        for of in ("circuits", "groups")
        for name in ("losses_a_year", "greatest", "why", "not_counted")
    ),
    "the numbers of near stretches": tuple(
        f"{of}[].{name}[].stretch"
        for of in ("circuits", "groups")
        for name in ("near", "near_folded")
    ),
}
"""What is not checked, in words, and the schema paths of the fields, with all in them.

No verdict, limit, check of a limit or gap rests on any of these.
"""
REROUTED = {
    *("id", "kind", "members", "status", "why", "together", "paths", "cost", "lower_bound"),
    *("optimal", "seconds", "shared", "least_shared", "says", "no_pair_proof"),
}
"""All that it writes of a circuit or group; `short` only of groups that leave circuits short."""


def read_evidence(file: Path) -> tuple[dict[str, Any], str]:
    """The evidence in a JSON file or in a report.

    Parameters
    ----------
    file : Path

    Returns
    -------
    facts : dict
        In the form that the schema states.
    digest : str
        SHA-256 of the evidence as it stands there: of the whole JSON file, or of what unpacking
        the data that a report carries gives. A report prints it where it is signed.

    Raises
    ------
    StudyError
        The file cannot be read, or is not what `prove --json` or `reroute --json` writes.
    """
    try:
        data = read_bytes(file, MOST_EVIDENCE_BYTES)
        if is_page(data):
            data = carried(data, MOST_EVIDENCE_BYTES)
        if (
            len(data) > MOST_EVIDENCE_BYTES
            or sum(map(data.count, (b",", b"[", b"{"))) > MOST_VALUES
        ):
            raise NoEvidenceError("is larger than evidence of any plant")
        facts = _whole(json.loads(data, object_pairs_hook=_each_key_once))
    except MemoryError as error:
        raise StudyError([Problem("needs more memory than there is", str(file))]) from error
    except (RefusedError, NoEvidenceError) as error:
        raise StudyError([Problem(str(error), str(file))]) from error
    except (ValueError, RecursionError) as error:
        raise StudyError([Problem(f"is not JSON: {error}", str(file))]) from error
    if wrong := list(misshapen(facts)):
        raise StudyError([Problem(message, str(file)) for message in wrong])
    return dict(facts), hashlib.sha256(data).hexdigest()


def _whole(facts: Any) -> Any:
    """Evidence with what a file leaves out put in; anything else as it is."""
    if not isinstance(facts, dict) or facts.get("format") != FORMAT:
        return facts
    return proposals_in_full(facts) if "cost_is" in facts else in_full(facts)


def _each_key_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        twice = next(key for key, count in Counter(key for key, _ in pairs).items() if count > 1)
        raise ValueError(f"the key {twice!r} stands twice in one object")
    return found


def misshapen(facts: Any) -> Iterator[str]:
    """Faults for which a file is not evidence of ours, so that nothing in it can be checked."""
    expected = "expected what prove --json or reroute --json writes"
    if not isinstance(facts, dict) or "circuits" not in facts:
        yield f"is no evidence: {expected}"
        return
    if facts.get("format") != FORMAT:
        yield f"is of format {facts.get('format')!r}, and recheck holds format {FORMAT}: {expected}"
        return
    if "cost_is" not in facts:
        yield from misfits(facts)
        return
    for name in sorted(REROUTE - set(facts)):
        yield f"lacks {name!r}, which reroute --json writes"
    for name in sorted(set(facts) - REROUTE - {"written"}):
        yield f"holds {name!r}, which reroute --json does not write"
    if not isinstance(facts["circuits"], list):
        yield f"circuits are no list: {expected}"
        return
    for one in facts["circuits"]:
        fields = set(one) if isinstance(one, dict) else set()
        if fields - {"short"} != REROUTED:
            yield f"a circuit has other fields than reroute --json writes: {fields ^ REROUTED}"
