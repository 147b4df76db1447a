"""Tests of published facts: which document says so, where in it, and what it says.

    @published("keiser-2008", "example 8.1, p. 287", "29.0 dB are lost over 6 km", of="loss")
    def test_...

The decorator changes nothing but what stands on docs/sources-of-truth.md, which
`docs/generate.py` makes from the source of the tests: its arguments are literals. A test may
hold several facts, one decorator each. A fact is a place in a document: the rows of one table,
or the cases of one parametrised test, are one fact.

Documents stand in `documents.py`. One that nobody can find from what is known of it, a value
from memory and one of common practice are listed apart and count for nothing.
"""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from documents import DOCUMENTS, Document

TESTS = Path(__file__).resolve().parents[1]

MAIN_JOB = ("sharing", "separation", "disjointness", "events")
"""What the program exists for: which of two paths' plant is the same, how far apart they run,
whether separate paths exist, and what one event puts out of service."""

OF = {
    "sharing": "what two paths have in common",
    "separation": "how far apart they run, and where they cross",
    "disjointness": "whether separate paths exist, and which are best",
    "events": "what one event puts out of service",
    "loss": "optical loss and margin",
    "delay": "delay and asymmetry",
    "dispersion": "dispersion and bandwidth",
    "availability": "how often paths are down",
    "geometry": "lengths and sag",
    "limits": "limits that services and interfaces set",
    "defaults": "values that ship",
    "data": "data that other tests rest on",
}
"""What facts are of, and what that means, in the order of the page."""

_Test = TypeVar("_Test", bound=Callable[..., object])


def published(document: str, place: str, fact: str, *, of: str) -> Callable[[_Test], _Test]:
    """Say which published fact a test holds the program to.

    Parameters
    ----------
    document : str
        Key of `DOCUMENTS`.
    place : str
        Where in the document: section, table, example, page.
    fact : str
        What it says, with its numbers.
    of : str
        One of `OF`.

    Raises
    ------
    ValueError
        A document or an aim that is not there, or a blank.
    """
    if document not in DOCUMENTS:
        raise ValueError(f"no document {document!r} in tests/support/documents.py")
    if of not in OF:
        raise ValueError(f"of={of!r}: expected one of {', '.join(OF)}")
    if not place.strip() or not fact.strip():
        raise ValueError(f"{document}: state the place and the fact")

    def mark(test: _Test) -> _Test:
        return test

    return mark


@dataclass(frozen=True)
class Fact:
    """A decorator as it stands in the source.

    Attributes
    ----------
    document, place, says, of : str
        Its arguments.
    file, test : str
        Where it stands: path below tests/, and the name of the function.
    asserts : bool
        Whether that function can fail: it holds an assertion.
    """

    document: str
    place: str
    says: str
    of: str
    file: str
    test: str
    asserts: bool

    @property
    def key(self) -> tuple[str, str]:
        """What makes it the same fact as another: document and place."""
        return self.document, " ".join(self.place.casefold().split())

    @property
    def source(self) -> Document:
        """The document behind the key."""
        return DOCUMENTS[self.document]

    @property
    def counts(self) -> bool:
        """Whether a stranger can find it, and it was read there or in what quotes it."""
        return self.source.counts


def gather(folder: Path = TESTS) -> list[Fact]:
    """Every published fact that a test below `folder` holds, from the source alone.

    Parameters
    ----------
    folder : pathlib.Path

    Returns
    -------
    list of Fact
        In the order of files and lines.

    Raises
    ------
    ValueError
        An argument that is no literal.
    """
    found = []
    for path in sorted(folder.rglob("test_*.py")):
        text = path.read_text(encoding="utf-8")
        if "published(" not in text:
            continue
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.FunctionDef):
                found += _facts(node, path.relative_to(folder).as_posix())
    return found


def _facts(test: ast.FunctionDef, file: str) -> Iterable[Fact]:
    for mark in test.decorator_list:
        if not (isinstance(mark, ast.Call) and ast.unparse(mark.func) == "published"):
            continue
        try:
            given = [ast.literal_eval(one) for one in mark.args]
            named = {str(one.arg): ast.literal_eval(one.value) for one in mark.keywords}
        except ValueError as error:
            raise ValueError(f"{file}:{mark.lineno}: published() takes literals only") from error
        words = dict(zip(("document", "place", "fact"), given, strict=False)) | named
        says = words.pop("fact")
        yield Fact(**words, says=says, file=file, test=test.name, asserts=can_fail(test))


def can_fail(test: ast.FunctionDef) -> bool:
    """Whether a test holds an assertion: `assert`, `pytest.raises` or one of numpy's.

    Parameters
    ----------
    test : ast.FunctionDef

    Returns
    -------
    bool
    """
    for node in ast.walk(test):
        if isinstance(node, ast.Assert):
            return not (isinstance(node.test, ast.Constant) and node.test.value)
        if isinstance(node, ast.Call):
            name = ast.unparse(node.func)
            if name == "pytest.raises" or "testing.assert_" in name:
                return True
    return False


def distinct(facts: Iterable[Fact]) -> dict[tuple[str, str], list[Fact]]:
    """Facts by document and place, those of one place together.

    Parameters
    ----------
    facts : iterable of Fact

    Returns
    -------
    dict
    """
    found: dict[tuple[str, str], list[Fact]] = {}
    for fact in facts:
        found.setdefault(fact.key, []).append(fact)
    return found


def counted(facts: Iterable[Fact]) -> tuple[int, int]:
    """How many distinct facts count, and how many of those are of the main job.

    Parameters
    ----------
    facts : iterable of Fact

    Returns
    -------
    tuple of int
    """
    there = distinct(fact for fact in facts if fact.counts)
    return len(there), sum(any(one.of in MAIN_JOB for one in same) for same in there.values())
