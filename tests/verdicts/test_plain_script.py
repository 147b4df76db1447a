"""A small national plant: the program's answer is that of the plain script it is timed against.

The script (`benchmarks/plain_script.py`) is networkx, sets and shapely loops, and shares no code
with the program.
"""

from __future__ import annotations

import sys
from pathlib import Path

from proofs import proof_of

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "benchmarks"))

from answers import agrees
from national_plant import Plant, Size
from plain_script import answer, read


def test_one_answer(tmp_path: Path) -> None:
    """Shared, unavoidable, near, closest and lengths of 200 circuits, each as the script has it."""
    folder = Plant(Size(4, 4, 200)).write(tmp_path)
    circuits = proof_of(folder).facts()["circuits"]
    theirs = answer(read(folder))
    assert [one["id"] for one in circuits if not agrees(one, theirs[one["id"]])] == []
    # Some share, some come near, and most are apart, or the comparison means nothing.
    verdicts = [one["verdict"] for one in circuits]
    assert 2 <= verdicts.count("shared") < 40
    assert any(one["shared"] for one in circuits)
    assert any(one["near"] for one in circuits)
