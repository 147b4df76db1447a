"""Proofs of studies that several tests write: the same files are proved once in a run.

Many tests begin with the same small plant, and many files with the same random ones. What they
ask of a proof does not change it, so that one is enough; each test gets a copy of its own.
"""

from __future__ import annotations

import hashlib
import os
import pickle
import tempfile
import tomllib
from datetime import date
from pathlib import Path

import waysapart as wa

KEPT = [Path(tempfile.gettempdir())]
"""Where proofs are kept: conftest.py puts the folder of the run there."""


def proof_of(folder: Path, on: date | None = None) -> wa.Proof:
    """What `wa.prove(wa.read_study(folder, on=on))` returns, made anew or from an equal study.

    Equal are studies whose files, and those of the studies that they extend, have the same names
    and the same bytes, on the same day. The study of a proof from an equal one names that one's
    folder. A study with layers outside these folders is to be proved by itself.
    """
    digest = hashlib.sha256(f"{on or date.today()}\n{digest_of(folder)}".encode()).hexdigest()
    file = KEPT[-1] / f"{digest}.proof"
    if file.exists():
        found: wa.Proof = pickle.loads(file.read_bytes())
        return found
    proof = wa.prove(wa.read_study(folder, on=on))
    half = file.with_suffix(f".{os.getpid()}")
    half.write_bytes(pickle.dumps(proof))
    half.replace(file)
    found = pickle.loads(file.read_bytes())
    return found


def digest_of(folder: Path) -> str:
    """A digest of all files of a study, and of the study that it extends."""
    found = hashlib.sha256()
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            data = path.read_bytes()
            found.update(f"{path.relative_to(folder)} {len(data)}\n".encode())
            found.update(data)
    base = tomllib.loads((folder / "study.toml").read_text(encoding="utf-8")).get("extends")
    if base is not None:
        found.update(digest_of(folder / base).encode())
    return found.hexdigest()
