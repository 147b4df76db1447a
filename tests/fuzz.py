"""Feed damaged studies to the program for a while: python tests/fuzz.py --minutes N [--seed S].

Prints every finding with the seed that leads to it again. Exit status 1 where there is one.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
import traceback
from collections import Counter
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE / "support"), str(HERE.parent / "src")]

from fuzzing import FaultError, one_case  # noqa: E402


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--cases", type=int, default=sys.maxsize)
    asked = parser.parse_args()
    end = time.monotonic() + 60 * asked.minutes
    codes: Counter[int] = Counter()
    findings: Counter[str] = Counter()
    seed = asked.seed
    with tempfile.TemporaryDirectory() as folder:
        while time.monotonic() < end and seed < asked.seed + asked.cases:
            try:
                _, run = one_case(Path(folder), seed)
                codes[run.exit_code] += 1
            except FaultError as fault:
                cause = fault.__cause__.__cause__ if fault.__cause__ else None
                where = traceback.extract_tb(cause.__traceback__)[-1] if cause else None
                key = f"{where.filename}:{where.lineno}" if where else str(fault)[:80]
                findings[key] += 1
                if findings[key] == 1:
                    print(f"FINDING at {key}: {str(fault)[:600]}", flush=True)
            seed += 1
    print(
        f"{seed - asked.seed} cases, exit {dict(sorted(codes.items()))}, findings {dict(findings)}"
    )
    return 1 if findings else 0


if __name__ == "__main__":
    sys.exit(main())
