"""Alter the program's own code, piece by piece, and see which alterations no test notices.

    python tests/mutate.py formulas [--sample 200] [--seed 1] [--workers 2] [--keep FOLDER]

Needs `pip install -e '.[mutation]'`. Works in a copy of the files that git knows; the tests are
those of PARTS, the everyday ones. Of the alterations (an operator, a number, an argument, a text)
a sample is drawn from the seed. Prints how many of them were noticed, module by module, and the
others one by one, each as lines taken away and put in. Run by hand and every night; it passes
judgement on the tests, not on the program, so that its exit status is 0 whatever it finds.
"""

from __future__ import annotations

import argparse
import random
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PARTS = {
    "formulas": ["tests/formulas"],
    "findings": ["tests/findings", "tests/outside"],
    "verdicts": ["tests/verdicts", "tests/outside"],
}
"""The packages whose code is altered, and the tests that are to notice."""
NOTICED = ("killed", "timeout", "suspicious", "segfault", "caught by type check")
CONFIG = """
[tool.mutmut]
source_paths = ["src"]
only_mutate = ["src/waysapart/{part}/*"]
also_copy = ["examples", "docs", "README.md", "DEVELOPERS.md", "LICENSE", ".ci", ".github"]
pytest_add_cli_args = ["-p", "no:xdist", "-p", "no:cacheprovider", "-m", "not browser"]
pytest_add_cli_args_test_selection = {tests}
timeout_multiplier = 30.0
timeout_constant = 10.0
"""


def copied(folder: Path, part: str) -> None:
    """The files that git knows, and what the tool is to do with them."""
    listed = subprocess.run(
        ["git", "ls-files", "-z"], cwd=ROOT, check=True, capture_output=True, text=True
    )
    for name in filter(None, listed.stdout.split("\0")):
        if (ROOT / name).is_file():
            target = folder / name
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, target)
    with (folder / "pyproject.toml").open("a", encoding="utf-8") as config:
        config.write(CONFIG.format(part=part, tests=PARTS[part]))


def mutmut(folder: Path, *arguments: str) -> str:
    """What the tool prints, its errors too."""
    command = [sys.executable, "-m", "mutmut", *arguments]
    run = subprocess.run(
        command,
        cwd=folder,
        check=False,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    return run.stdout


def states(folder: Path) -> dict[str, str]:
    """What became of each alteration."""
    lines = mutmut(folder, "results", "--all", "true").splitlines()
    pairs = (line.strip().rpartition(": ") for line in lines if ": " in line)
    return {name: state for name, _, state in pairs}


def altered(folder: Path, name: str) -> str:
    """The lines that an alteration takes away and puts in."""
    shown = mutmut(folder, "show", name).splitlines()
    return "\n".join(
        line for line in shown if line[:1] in "-+" and not line.startswith(("---", "+++"))
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("part", choices=PARTS)
    parser.add_argument("--sample", type=int, help="so many alterations; all where it is left out")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--keep", type=Path, help="work in this folder, and leave it there")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="waysapart-mutate-") as temporary:
        folder = asked.keep or Path(temporary)
        if not (folder / "pyproject.toml").exists():
            copied(folder, asked.part)
        # Without a name that is met, the alterations are written and the tests are timed.
        told = mutmut(folder, "run", "--max-children", str(asked.workers), "none-of-them")
        names = sorted(states(folder))
        if not names:
            print(f"No alteration was made:\n{told}", file=sys.stderr)
            return 2
        drawn = names
        if asked.sample is not None and asked.sample < len(names):
            drawn = sorted(random.Random(asked.seed).sample(names, asked.sample))
        mutmut(folder, "run", "--max-children", str(asked.workers), *drawn)
        found = {name: state for name, state in states(folder).items() if name in set(drawn)}
        modules = Counter(name.rpartition(".")[0] for name in found)
        noticed = Counter(
            name.rpartition(".")[0] for name, state in found.items() if state in NOTICED
        )
        for module, count in sorted(modules.items()):
            print(f"{module}: {noticed[module]} of {count} noticed")
        for name, state in sorted(found.items()):
            if state not in NOTICED:
                print(f"\n{name}: {state}\n{altered(folder, name)}")
        total = sum(noticed.values())
        print(
            f"\n{asked.part}: {total} of {len(found)} noticed ({100 * total / len(found):.1f} %), "
            f"of {len(names)} alterations, seed {asked.seed}"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
