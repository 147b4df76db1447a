"""Every code of a record gap is documented, and every documented code is used."""

from __future__ import annotations

import ast
import re
from pathlib import Path

from waysapart.gaps import GAP_CODES

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "src" / "waysapart"
CODE = re.compile(r"[a-z]+(?:-[a-z]+)+")
STAGES = ("study", "network", "findings", "verdicts")


def _texts(stage: str) -> set[str]:
    """Every text in a stage's code that could be a code."""
    return {
        node.value
        for path in (PACKAGE / stage).rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant)
        and isinstance(node.value, str)
        and CODE.fullmatch(node.value)
    }


def _made(stage: str) -> set[str]:
    """Codes that are handed to something that makes a gap."""
    found = set()
    for path in (PACKAGE / stage).rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            name = getattr(node.func, "id", getattr(node.func, "attr", ""))
            if "gap" not in name.lower():
                continue
            for part in (*node.args, *(keyword.value for keyword in node.keywords)):
                if isinstance(part, ast.Constant) and isinstance(part.value, str):
                    found |= {part.value} if CODE.fullmatch(part.value) else set()
    return found


def test_every_gap_that_is_made_is_documented() -> None:
    made = set().union(*(_made(stage) for stage in STAGES))
    assert len(made) > 15
    assert made <= set(GAP_CODES)


def test_every_documented_gap_is_made() -> None:
    texts = set().union(*(_texts(stage) for stage in STAGES))
    assert set(GAP_CODES) <= texts


def test_recheck_knows_no_other_codes() -> None:
    from waysapart.recheck.gaps import DERIVED, NEAR_ACCURACY

    assert {*DERIVED, NEAR_ACCURACY} <= set(GAP_CODES)


def test_every_code_says_what_to_do() -> None:
    page = (ROOT / "docs" / "gaps.md").read_text(encoding="utf-8")
    for code, entry in GAP_CODES.items():
        assert f"`{code}`" in page
        assert entry.means
        assert entry.action
