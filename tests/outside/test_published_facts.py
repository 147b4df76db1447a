"""What is published: every fact names a document that can be found and a test that can fail."""

from __future__ import annotations

import ast
from dataclasses import replace
from pathlib import Path

import pytest

from documents import DOCUMENTS, Document
from published import OF, Fact, can_fail, counted, distinct, gather, published

FACTS = gather()
LEAST, LEAST_MAIN = 90, 40
"""Distinct facts, and those of sharing, separation, disjointness and events."""


def test_every_fact_stands_at_a_test_that_can_fail() -> None:
    assert FACTS
    assert [f"{fact.file}::{fact.test}" for fact in FACTS if not fact.asserts] == []


def test_every_fact_says_what_it_is_and_where() -> None:
    for fact in FACTS:
        assert fact.of in OF
        assert fact.place.strip()
        assert any(letter.isalnum() for letter in fact.says)


def test_one_place_is_of_one_thing() -> None:
    for key, same in distinct(FACTS).items():
        assert len({fact.of for fact in same}) == 1, key


def test_every_document_that_counts_can_be_found() -> None:
    """By its title, and by who wrote it or where it is."""
    for key, document in DOCUMENTS.items():
        if document.counts:
            assert len(document.title) > 4, key
            assert document.by, key
            assert document.where, key


def test_every_document_is_used() -> None:
    assert set(DOCUMENTS) == {fact.document for fact in FACTS}


def test_there_are_enough_facts() -> None:
    """Without those that were read where another document quotes them."""
    every, main = counted(fact for fact in FACTS if not fact.source.read_in)
    assert every >= LEAST
    assert main >= LEAST_MAIN


def test_the_rows_of_one_table_count_once() -> None:
    one = Fact("boost-cross-track", "Table 1", "row 1", "separation", "a.py", "test_a", True)
    again = replace(one, place="table  1", says="row 2", test="test_b")
    other = replace(one, place="table 2", of="loss")
    assert counted([one, again, other]) == (2, 1)


@pytest.mark.parametrize("kind", ["untitled", "memory", "practice"])
def test_what_cannot_be_found_counts_for_nothing(
    kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(DOCUMENTS, "tested", Document("Some title", kind=kind))
    fact = Fact("tested", "p. 1", "1 + 1 = 2", "loss", "a.py", "test_a", True)
    assert counted([fact]) == (0, 0)


def test_a_mark_says_what_is_wrong_with_it(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="no document"):
        published("nowhere", "p. 1", "1", of="loss")
    with pytest.raises(ValueError, match="of='loose'"):
        published("boost-cross-track", "p. 1", "1", of="loose")
    with pytest.raises(ValueError, match="state the place"):
        published("boost-cross-track", " ", "1", of="loss")
    (tmp_path / "test_x.py").write_text(
        '@published("a", PLACE, "1", of="loss")\ndef test_x():\n    assert x\n', encoding="utf-8"
    )
    with pytest.raises(ValueError, match=r"test_x\.py:1: .* literals only"):
        gather(tmp_path)


@pytest.mark.parametrize(
    ("body", "fails"),
    [
        ("assert x == 1", True),
        ("with pytest.raises(ValueError):\n        f()", True),
        ("np.testing.assert_allclose(x, 1)", True),
        ("x == 1", False),
        ("assert True", False),
        ("print(x)", False),
    ],
)
def test_what_can_fail(body: str, fails: bool) -> None:
    tree = ast.parse(f"def test_x():\n    {body}\n").body[0]
    assert isinstance(tree, ast.FunctionDef)
    assert can_fail(tree) is fails
