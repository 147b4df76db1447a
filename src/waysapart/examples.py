"""The example study that ships with the package."""

from __future__ import annotations

import shutil
from importlib.resources import as_file, files
from pathlib import Path

from waysapart.errors import CallError


def write_example(folder: Path | str) -> Path:
    """Copy the invented estuary study into a folder.

    Parameters
    ----------
    folder : path
        Made where needed; files of the same names are refused unless they
        are the example's own.

    Raises
    ------
    CallError
        The folder holds something else.
    """
    target = Path(folder)
    with as_file(files("waysapart") / "estuary") as shipped:
        source = shipped if shipped.is_dir() else _in_source_tree()
        names = [path.name for path in sorted(source.iterdir()) if path.is_file()]
        if target.exists():
            known = {*names, "report.html"}
            other = sorted(path.name for path in target.iterdir() if path.name not in known)
            if other:
                raise CallError(
                    f"{target} holds other files ({', '.join(other[:3])}): name a new folder"
                )
        target.mkdir(parents=True, exist_ok=True)
        for name in names:
            shutil.copyfile(source / name, target / name)
    return target


def _in_source_tree() -> Path:
    """The example where the package runs from its source tree."""
    return Path(__file__).resolve().parents[2] / "examples" / "estuary"
