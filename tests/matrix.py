"""Try waysapart with the oldest or the newest libraries that pyproject.toml allows.

    python tests/matrix.py oldest python3.11
    python tests/matrix.py newest python3.13 -m "not browser"

Makes a virtual environment of the interpreter in a temporary folder, installs the package there
(oldest: every dependency at its lower bound), and runs pytest with whatever arguments follow.
Run by hand before a release; it takes as long as the tests, and needs a package index.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
_BOUND = re.compile(r"([A-Za-z0-9_.-]+)(?:\[[^\]]*\])?>=([0-9.]+)")


def lower_bounds() -> list[str]:
    """What a user's environment may hold at its oldest; the tests' own tools stay new."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    stated = [*project["dependencies"], *extras["parquet"], *extras["database"]]
    found = [_BOUND.fullmatch(one) for one in stated]
    missing = [one for one, match in zip(stated, found, strict=True) if match is None]
    if missing:
        raise SystemExit(f"no lower bound: {', '.join(missing)}")
    return [f"{match[1]}=={match[2]}" for match in found if match]


def main() -> int:
    """Install and test; the exit status is pytest's."""
    if len(sys.argv) < 3 or sys.argv[1] not in ("oldest", "newest"):
        print(__doc__)
        return 2
    which, interpreter, *arguments = sys.argv[1:]
    with tempfile.TemporaryDirectory(prefix="waysapart-matrix-") as work:
        bounds = Path(work) / "constraints.txt"
        bounds.write_text("\n".join(lower_bounds() if which == "oldest" else []) + "\n")
        subprocess.run([interpreter, "-m", "venv", f"{work}/venv"], check=True)
        python = f"{work}/venv/bin/python"
        install = [python, "-m", "pip", "install", "--quiet", "--constraint", str(bounds)]
        subprocess.run([*install, f"{ROOT}[test]"], check=True)
        subprocess.run([python, "-m", "pip", "list", "--format", "freeze"], check=True)
        tests = [python, "-m", "pytest", "-q", "-n", "auto", "--dist", "loadfile", *arguments]
        return subprocess.run(tests, cwd=ROOT, check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
