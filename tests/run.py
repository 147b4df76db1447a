"""Everything that must pass before a change lands: lint, format, types, tests, docs.

Run from the repository: python tests/run.py [--all] [pytest arguments]

With --all the tests marked slow run as well: the same properties on many more plants. Types are
then checked against the stubs of scipy too, whose sparse matrices take as long as all the rest.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

import tomli_w

ROOT = Path(__file__).resolve().parents[1]
WITHOUT = ("IPython.*", "scipy.*")
"""Packages whose types are not looked into every day."""


def settings_of_types(folder: Path) -> Path:
    """The settings of mypy for every day: those of pyproject.toml, without some packages' types.

    What is of no known type for that reason may be returned, and its exemptions are not needed.
    """
    tool = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]
    settings = {**tool["mypy"], "warn_return_any": False, "warn_unused_ignores": False}
    settings["overrides"] = [
        *settings["overrides"],
        {"module": [*WITHOUT], "follow_imports": "skip", "follow_imports_for_stubs": True},
    ]
    path = folder / "types.toml"
    path.write_text(tomli_w.dumps({"tool": {"mypy": settings}}), encoding="utf-8")
    return path


def main() -> int:
    python = sys.executable
    # One more than there are cores: browser and subprocess tests wait for a part of their time.
    workers = (os.cpu_count() or 1) + 1
    steps = {
        "lint": [python, "-m", "ruff", "check", "."],
        "format": [python, "-m", "ruff", "format", "--check", "."],
        "types": [python, "-m", "mypy"],
        "tests": [
            *(python, "-m", "pytest", "-q", "-n", str(workers), "--dist", "loadfile"),
            *("--durations=25", *sys.argv[1:]),
        ],
    }
    # Commands that tests start would compile the program anew each time.
    environment = {**os.environ}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    failed = []
    with tempfile.TemporaryFile() as told, tempfile.TemporaryDirectory() as folder:
        if "--all" not in sys.argv[1:]:
            steps["types"] += ["--config-file", str(settings_of_types(Path(folder)))]
        # The types are checked on one core, beside the tests, and what that says comes after them.
        types = subprocess.Popen(
            steps["types"], cwd=ROOT, env=environment, stdout=told, stderr=subprocess.STDOUT
        )
        if not (ROOT / "tests" / "__pycache__").exists():
            # Compiled once, and not by each worker: the tests, and all that they import.
            subprocess.run(
                [python, "-m", "pytest", "-qq", "--collect-only", "-p", "no:cacheprovider"],
                cwd=ROOT,
                env=environment,
                stdout=subprocess.DEVNULL,
                check=False,
            )
        for name in ("lint", "format", "tests", "types"):
            print(f"== {name}: {' '.join(steps[name][1:])}", flush=True)
            if name == "types":
                status = types.wait()
                told.seek(0)
                print(told.read().decode(errors="replace"), end="", flush=True)
            else:
                status = subprocess.run(
                    steps[name], cwd=ROOT, env=environment, check=False
                ).returncode
            if status:
                failed.append(name)
    print(f"== failed: {', '.join(failed)}" if failed else "== all passed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
