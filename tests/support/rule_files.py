"""The rules of a file alone, outside a study, for tests that need no plant."""

from __future__ import annotations

from pathlib import Path

from waysapart.errors import StudyError
from waysapart.study.ledger import Ledger
from waysapart.study.rules import Rules, read_rules


def load_rules(path: Path) -> Rules:
    """Rules from a file; StudyError with every fault of it."""
    ledger = Ledger()
    rules = read_rules(path, path.name, ledger)
    if rules is None:
        raise StudyError(ledger.problems)
    return rules
