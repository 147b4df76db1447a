"""The example study that ships with the package, with two proposals and a week of works."""

from __future__ import annotations

from importlib.resources import as_file, files
from pathlib import Path

from waysapart.errors import CallError
from waysapart.output_files import LEFT_OVER, OutputFile, clear_left_over, replacing

BESIDE = ("proposal-a", "proposal-b", "works", "planning", "offers")
"""Folders that come with the study: two crossings that extend it, works to plan, the study with
prices, water and roads, and what is offered to build along."""


def write_example(folder: Path | str, *, force: bool = False) -> Path:
    """Copy the invented estuary study into a folder, with proposals and works in folders of it.

    Parameters
    ----------
    folder : path
        Created where needed. Files of the same names are refused unless they are the example's
        own, unchanged.
    force : bool
        Whether changed ones may be replaced.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    CallError
        The folder holds something else.
    WriteError
        A file cannot be written; then none is.
    """
    target = Path(folder)
    clear_left_over(target)
    with as_file(files("waysapart") / "estuary") as shipped:
        source = shipped if shipped.is_dir() else _in_source_tree()
        contents = {path.name: path.read_bytes() for path in _files(source)}
        for name in BESIDE:
            beside = source / name if (source / name).is_dir() else source.parent / name
            for path in _files(beside):
                contents[f"{name}/{path.name}"] = _moved(path)
        names = list(contents)
        if target.exists():
            known = {*names, *BESIDE, "report.html"}
            names_there = {path.name for path in target.iterdir()}
            other = sorted(one for one in names_there - known if not LEFT_OVER.fullmatch(one))
            if other:
                raise CallError(
                    f"{target} holds other files ({', '.join(other[:3])}): name a new folder"
                )
        changed = [name for name in names if not _holds(target / name, contents[name])]
        if changed:
            wanted = [OutputFile(target / name, "study") for name in changed]
            with replacing(wanted, force=force, folders=True) as change:
                for name in changed:
                    change.place(target / name).write_bytes(contents[name])
    return target


def _files(folder: Path) -> list[Path]:
    return [path for path in sorted(folder.iterdir()) if path.is_file()]


def _moved(path: Path) -> bytes:
    """A file of a proposal; the study that it extends is the folder that it stands in."""
    content = path.read_bytes()
    if path.name == "study.toml":
        return content.replace(b'extends = "../estuary"', b'extends = ".."')
    return content


def _holds(path: Path, content: bytes) -> bool:
    return path.is_file() and path.stat().st_size == len(content) and path.read_bytes() == content


def _in_source_tree() -> Path:
    """The example where the package runs from its source tree."""
    return Path(__file__).resolve().parents[2] / "examples" / "estuary"
