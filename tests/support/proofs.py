"""Proofs that several tests ask for: the same files are proved once in a run.

Many tests begin with the same small plant, and many files with the same random ones; the pages and
docstrings name the demo a hundred times. What they ask of a proof does not change it, so that one
is enough. `proof_of` gives each test a copy of its own; with `read_and_prove_once` commands and
examples that call waysapart as a user does share theirs.
"""

from __future__ import annotations

import hashlib
import importlib
import os
import pickle
import pkgutil
import sys
import tempfile
import tomllib
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from types import MappingProxyType
from typing import Any

import pytest

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
    return proof


_READ: dict[tuple[str, ...], wa.Study] = {}
_PROVED: dict[int, wa.Proof] = {}


def read_and_prove_once(
    patch: pytest.MonkeyPatch, known: Mapping[str, wa.Proof] = MappingProxyType({})
) -> None:
    """Let all of waysapart read and prove equal files of one name once.

    Every module that has `read_study` or `prove` gets one that remembers, until `patch` is undone;
    every other function does its own work. `known` holds proofs by the name of their study in the
    current folder, which are not made again.
    """
    for module in pkgutil.walk_packages(wa.__path__, "waysapart."):
        importlib.import_module(module.name)  # so that each name below is found, and put back
    read_study, prove = wa.read_study, wa.prove

    def read(path: str | os.PathLike[str], **options: Any) -> wa.Study:
        if not (Path(path) / "study.toml").is_file():
            return read_study(path, **options)
        key = _asked(path, options)
        if key not in _READ:
            _READ[key] = read_study(path, **options)
        return _READ[key]

    def proved(study: wa.Study | wa.Network) -> wa.Proof:
        if not any(study is one for one in _READ.values()):
            return prove(study)
        if id(study) not in _PROVED:
            _PROVED[id(study)] = prove(study)
        return _PROVED[id(study)]

    for name, proof in known.items():
        _READ[_asked(name, {})] = proof.study
        _PROVED[id(proof.study)] = proof
    for name, module in list(sys.modules.items()):
        if name.partition(".")[0] == "waysapart":
            for attribute, value in list(vars(module).items()):
                if value is read_study:
                    patch.setattr(module, attribute, read)
                elif value is prove:
                    patch.setattr(module, attribute, proved)


def _asked(path: str | os.PathLike[str], options: Mapping[str, Any]) -> tuple[str, ...]:
    """What a study is remembered by: its name, its files, and what is asked beyond the defaults."""
    told = sorted((name, value) for name, value in options.items() if value not in (None, False))
    return str(path), digest_of(Path(path)), repr(told)


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
