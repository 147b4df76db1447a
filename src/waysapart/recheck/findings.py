"""What holds of evidence, what is false, and what was not checked."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

MOST_SAID = 1_500
"""Characters of what is said to be false, and of a value in it."""
MOST_FALSE = 1_000
"""Sentences; of hostile evidence there could be any number."""


@dataclass
class Findings:
    """What holds (counted), what is false and what was not checked, each in a sentence."""

    confirmed: int = 0
    false: list[str] = field(default_factory=list)
    not_checked: list[str] = field(default_factory=list)
    doubts: dict[str, list[str]] = field(default_factory=dict)

    def holds(self, true: bool, otherwise: str) -> bool:
        """Count a claim that is true, write down one that is not."""
        if true:
            self.confirmed += 1
        elif len(self.false) < MOST_FALSE:
            self.false.append(short(otherwise))
        elif len(self.false) == MOST_FALSE:
            self.false.append(f"and more than these {MOST_FALSE}, which are not listed")
        return true

    def same(self, what: str, claimed: Any, found: Any) -> bool:
        """A claim that must equal what was found."""
        if claimed == found:
            return self.holds(True, "")
        return self.holds(
            False, f"{what}: the evidence says {short(repr(claimed))}, found {short(repr(found))}"
        )

    def same_set(self, what: str, claimed: list[Any], found: set[Any]) -> bool:
        """A claimed list of different things that must be the set that was found."""
        mine, twice = set(claimed), len(claimed) != len(set(claimed))
        if mine == found and not twice:
            return self.holds(True, "")
        extra, lacking = sorted(mine - found), sorted(found - mine)
        told = [f"names {few(extra)} in excess"] * bool(extra)
        told += [f"lacks {few(lacking)}"] * bool(lacking) + ["names something twice"] * twice
        return self.holds(False, f"{what}: the evidence {' and '.join(told)}")

    def skip(self, what: str, *of: str) -> None:
        """Something that was not checked, said once.

        `of`: the circuits and groups, such as `circuit C1`, whose verdicts or limits rest on it,
        where the sentence does not begin with one.
        """
        if what not in self.not_checked:
            self.not_checked.append(what)
        for one in of:
            mine = self.doubts.setdefault(one, [])
            if what not in mine:
                mine.append(what)

    def verdicts(self, facts: dict[str, Any]) -> dict[str, Any]:
        """Verdicts that hold in full, and those that hold but for what was not checked."""
        names = [f"circuit {one['id']}" for one in facts["circuits"]]
        names += [f"group {one['id']}" for one in facts.get("groups", ())]
        ids = {name: name.split(" ", 1)[1] for name in names}
        starts = {name: (f"{name}:", f"{name},") for name in names}
        wrong = {name for name in names if any(s.startswith(starts[name]) for s in self.false)}
        known = tuple(start for name in wrong for start in starts[name])
        if any(not sentence.startswith(known) for sentence in self.false):
            wrong = set(names)  # what is false of the whole may touch any of them
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


def short(text: str) -> str:
    """A text of bearable length."""
    return text if len(text) <= MOST_SAID else f"{text[:MOST_SAID]}..."


def few(names: list[Any], most: int = 8) -> str:
    """The first few of many names, and how many more there are."""
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(short(str(name)) for name in names[:most]) + more


def numbers(text: str, count: int) -> set[int]:
    """'0-3 7' as {0, 1, 2, 3, 7}; a number of `count` or more says that there are such."""
    found: set[int] = set()
    for run in text.split():
        low, _, high = run.partition("-")
        found |= set(range(min(int(low), count), min(int(high or low), count) + 1))
    return found
