"""Writing output files: what may be replaced, whole or not at all, and nothing left behind.

Every file that a command or a public function writes goes through this module.

* No output is written over an input, whatever name it is given: `refuse_unsafe` compares
  files by device and number (links, hard links) and by name whatever its case.
* A file that waysapart did not write is replaced only where that is forced. What waysapart
  wrote says so itself, see `written_by_us`.
* New files are made in a folder `.waysapart-XXXXXXXX.part` beside their places, and are put
  there by renaming once all are whole. Where that fails half way, the old ones come back.
* A run that was killed leaves that folder behind, and the next run that writes in the same
  place removes it and undoes a change that was half made. A lock on the folder marks one
  that is still in use.
* A device, a pipe or a descriptor (/dev/stdout) is written to and never replaced; of a
  symbolic link the target is replaced.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import re
import shutil
import sqlite3
import stat
import sys
import tempfile
import time
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal
from urllib.parse import quote

from waysapart.errors import CallError, WriteError
from waysapart.input_files import gdal_settings
from waysapart.schema import ROLES, VERSION

if TYPE_CHECKING:
    import pandas as pd

try:
    import fcntl
except ImportError:  # no such locks on Windows: there a folder is left over by its age
    fcntl = None  # type: ignore[assignment]

Kind = Literal["html", "json", "csv", "toml", "gpkg", "works", "gpx", "kml", "ics", "study", "text"]
"""What a file is: `works` is a GeoPackage of works for the field, `study` is what people go on to
edit, `text` what says nothing of itself. Neither of these two is ever taken for one that may be
replaced."""

_HEAD_BYTES = 4096
_OLD_S = 24 * 3600.0
"""Age at which a left folder is removed where locks do not work. Common practice, no source."""
LEFT_OVER = re.compile(r"\.waysapart-\w{8}\.part")
"""Names of the folders in which files are made."""
_JOURNAL = "journal.json"
_NOT_KNOWN = (
    ", and it cannot be told that waysapart wrote {it} and nobody changed {it}: give another "
    "name, or --force (in Python force=True) to replace {it}; nothing was written"
)
_ENTERED = (
    " and may hold what somebody entered; nothing was written: name another folder, or --force "
    "(in Python force=True) to replace {it}"
)


@dataclass(frozen=True, slots=True)
class OutputFile:
    """One file to be written.

    Attributes
    ----------
    path : Path
        As it was given; messages name it so.
    kind : Kind
    heading : str
        Of a CSV: its first line, by which an earlier one is recognised.
    """

    path: Path
    kind: Kind = "text"
    heading: str = ""


# What may be written


def refuse_unsafe(
    targets: Iterable[OutputFile],
    inputs: Iterable[Path] = (),
    *,
    force: bool = False,
    folders: bool = False,
) -> None:
    """Refuse files that must not be written, all of them in one message; nothing is written.

    Parameters
    ----------
    targets : iterable of OutputFile
    inputs : iterable of Path
        Files that are read, whether they exist yet or not, and folders all of whose files are.
    force : bool
        Whether files that waysapart did not write may be replaced.
    folders : bool
        Whether folders that do not exist are made.

    Raises
    ------
    CallError
        A target is an input, is given twice, is not waysapart's, or lies where no file can.
    """
    targets = list(targets)
    for folder in {_real(one.path).parent for one in targets}:
        clear_left_over(folder)
    read = _Inputs(inputs)
    faults: list[str] = []
    strange: list[Path] = []
    taken: list[Path] = []
    names: dict[object, Path] = {}
    for target in targets:
        path = target.path
        if (source := read.same(path)) is not None:
            faults.append(
                f"{path} is an input ({source.name}) and is not written over; nothing was "
                "written: give another name"
            )
        elif (fault := _no_place(target, folders)) is not None:
            faults.append(fault)
        elif is_stream(path):
            if _is_disk(path) and not force:
                faults.append(f"{path} is a disk: --force writes over what it holds")
        elif (other := names.setdefault(_name_key(_real(path)), path)) is not path:
            faults.append(f"{path} and {other} are one file: give two names")
        elif not force and _holds_something(path) and not written_by_us(target):
            (taken if target.kind == "study" else strange).append(path)
    for paths, why in ((strange, _NOT_KNOWN), (taken, _ENTERED)):
        if paths:
            are, it = ("is", "it") if len(paths) == 1 else ("are", "them")
            faults.append(f"{_listed(paths)} {are} there already{why.format(it=it)}")
    if faults:
        raise CallError("\n".join(faults))


def _listed(paths: Sequence[Path]) -> str:
    """Paths by name, with their folder where it is one for all."""
    if len(paths) == 1:
        return str(paths[0])
    folders = {path.parent for path in paths}
    if len(folders) > 1:
        return ", ".join(map(str, paths))
    return f"in {folders.pop()} {', '.join(path.name for path in paths)}"


def _no_place(target: OutputFile, folders: bool) -> str | None:
    """Why no file can be written at a place, or None."""
    try:
        return _no_file(target, folders)
    except OSError as error:
        return f"{target.path} cannot be written: {reason_of(error)}"


def _no_file(target: OutputFile, folders: bool) -> str | None:
    path, real = target.path, _real(target.path)
    if is_stream(path):
        if target.kind in ("gpkg", "works", "study", "toml"):
            return f"{path} is no regular file, and a file of this kind cannot be written to it"
        if _own_descriptor(path) is None and not _may(path, os.W_OK):
            return f"{path} cannot be written: there is no right to write to it"
        return None
    if real.is_dir():
        return f"{path} is a folder: give the name of a file"
    if real.is_symlink():
        return f"{path} cannot be written: it is a link that leads back to itself"
    folder = real.parent
    if folders:
        while not os.path.lexists(folder) and folder != folder.parent:
            folder = folder.parent
        if not folder.is_dir():
            return f"{path} cannot be written: {folder} is not a folder"
    elif not folder.is_dir():
        return f"{path} cannot be written: there is no folder {folder}"
    if not _may(folder, os.W_OK | os.X_OK):
        return f"{path} cannot be written: there is no right to write in the folder {folder}"
    if real.is_file() and not _may(real, os.W_OK):
        return f"{path} cannot be written: it is read-only"
    return None


def _may(path: Path, how: int) -> bool:
    effective = os.access in os.supports_effective_ids
    return os.access(path, how, effective_ids=effective)


def _holds_something(path: Path) -> bool:
    try:
        return os.stat(path).st_size > 0
    except OSError:
        return False


def _name_key(path: Path) -> tuple[object, str]:
    """A folder and a name in it, the same for names that some file systems do not tell apart."""
    name = unicodedata.normalize("NFC", path.name).casefold()
    try:
        found = os.stat(path.parent)
        return (found.st_dev, found.st_ino), name
    except OSError:
        return str(path.parent), name


class _Inputs:
    """Files that are read, to be found again by whatever name."""

    def __init__(self, paths: Iterable[Path]) -> None:
        self._files: dict[tuple[int, int], Path] = {}
        self._names: dict[tuple[object, str], Path] = {}
        self._folders: dict[tuple[int, int], Path] = {}
        for path in dict.fromkeys(paths):
            with suppress(OSError, ValueError):  # a study may name a path that no file can have
                for name in (path, _real(path)):
                    self._names.setdefault(_name_key(name), path)
                found = os.stat(path)
                if stat.S_ISDIR(found.st_mode):
                    self._folders[found.st_dev, found.st_ino] = path
                elif stat.S_ISREG(found.st_mode):
                    self._files[found.st_dev, found.st_ino] = path

    def same(self, path: Path) -> Path | None:
        """The input that a path stands for, or lies in."""
        real = _real(path)
        with suppress(OSError):
            found = os.stat(path)
            if (one := self._files.get((found.st_dev, found.st_ino))) is not None:
                return one
        for name in (path, real):
            if (one := self._names.get(_name_key(name))) is not None:
                return one
        for folder in real.parents if self._folders else ():
            with suppress(OSError):
                found = os.stat(folder)
                if (one := self._folders.get((found.st_dev, found.st_ino))) is not None:
                    return one
        return None


# What waysapart wrote

_HTML_MARK = b'<meta name="generator" content="waysapart '
_JSON_MARK = re.compile(rb'\s*\{\s*(?:"format"\s*:\s*\d+\s*,\s*)?"waysapart"\s*:\s*"')
_TOML_MARK = re.compile(rb"# Written by waysapart [^\n]*: sha256 ([0-9a-f]{64})\n")
_GPX_MARK = re.compile(rb'<gpx\b[^>]* creator="waysapart ')
_KML_MARK = b"<!-- Written by waysapart "
_ICS_MARK = re.compile(rb"^PRODID:-//waysapart//", re.MULTILINE)
_SQLITE_MARK = b"SQLite format 3\0"
_SQLITE_STEPS = 1_000_000


def written_by_us(target: OutputFile) -> bool:
    """Whether the file at a place says by its own content that waysapart wrote it.

    Each kind of file has a mark of its own: HTML its `generator`; JSON its first keys, of which
    `waysapart` is one; GPX its `creator`, KML a remark, a calendar its PRODID; TOML its first line
    with the hash of what follows, so that a file which somebody edited does not count; CSV its
    exact heading; a GeoPackage its layers, which are layers of findings and roles of a study, or
    those of works, and no others. Styles in it must be unchanged too.

    Parameters
    ----------
    target : OutputFile

    Returns
    -------
    bool
    """
    try:
        with target.path.open("rb") as file:
            if target.kind == "toml":
                mark = _TOML_MARK.match(line := file.readline(_HEAD_BYTES))
                rest = hashlib.file_digest(file, "sha256").hexdigest().encode()
                return mark is not None and mark.end() == len(line) and mark[1] == rest
            head = file.read(_HEAD_BYTES)
    except OSError:
        return False
    if target.kind == "html":
        return _HTML_MARK in head
    if target.kind == "json":
        return _JSON_MARK.match(head) is not None
    if target.kind == "csv":
        first = head.split(b"\n", 1)[0].rstrip(b"\r")
        return bool(target.heading) and first == target.heading.encode()
    marks = {"gpx": _GPX_MARK.search, "ics": _ICS_MARK.search}
    if target.kind in marks:
        return marks[target.kind](head) is not None
    if target.kind == "kml":
        return _KML_MARK in head
    if target.kind not in ("gpkg", "works") or not head.startswith(_SQLITE_MARK):
        return False
    names = _layers_of(target.path)
    if target.kind == "works":
        return names == WORKS_LAYERS
    return _are_findings(names - {STYLES}) and (STYLES not in names or _own_styles(target.path))


WORKS_LAYERS = frozenset({"works_areas", "works_hit", "works_fallen", "works_places"})
"""Layers of a GeoPackage of works for the field."""


STYLES = "layer_styles"
"""The table of a GeoPackage in which desktop GIS programs look for how its layers are drawn."""
STYLES_OWNER = "waysapart"


def style_mark(*texts: str) -> str:
    """What a style says of itself, by which `written_by_us` knows that nobody changed it.

    Parameters
    ----------
    *texts : str
        The style in each of its forms.

    Returns
    -------
    str
    """
    digest = hashlib.sha256("\0".join(texts).encode()).hexdigest()
    return f"Written by waysapart, replaced while unchanged: sha256 {digest}"


def _own_styles(path: Path) -> bool:
    """Whether every style in a GeoPackage is as it was written."""
    rows = _asked(path, f"SELECT owner, description, styleQML, styleSLD FROM {STYLES} LIMIT 1000")
    return bool(rows) and all(
        owner == STYLES_OWNER and mark == style_mark(str(one), str(other))
        for owner, mark, one, other in rows
    )


def _layers_of(path: Path) -> set[str]:
    """Names of the layers of a GeoPackage; none where it cannot be read as one."""
    return {
        str(name) for (name,) in _asked(path, "SELECT table_name FROM gpkg_contents LIMIT 1000")
    }


def _asked(path: Path, query: str) -> list[tuple[Any, ...]]:
    """Rows of a GeoPackage that may be hostile; none where they cannot be read."""
    address = f"file:{quote(str(path.absolute()))}?mode=ro&immutable=1"
    try:
        with closing(sqlite3.connect(address, uri=True)) as base:
            base.set_progress_handler(lambda: 1, _SQLITE_STEPS)  # a view may go on for ever
            return base.execute(query).fetchall()
    except sqlite3.Error:
        return []


def _are_findings(names: set[str]) -> bool:
    """Whether layers are those of findings and of a study, and no others."""
    ours = {name for name in names if name.startswith("found_")}
    roles = {re.sub(r"_\d+$", "", name) for name in names - ours}
    return {"found_segments", "found_circuits"} <= ours and roles <= set(ROLES)


def marked_toml(text: str) -> str:
    """Put a first line before a TOML document by which `written_by_us` knows it.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
    """
    digest = hashlib.sha256(text.encode()).hexdigest()
    return f"# Written by waysapart {VERSION}, replaced while unchanged: sha256 {digest}\n{text}"


def marked_facts(facts: Mapping[str, Any]) -> dict[str, Any]:
    """Put the version of waysapart among the first keys of facts.

    Parameters
    ----------
    facts : mapping

    Returns
    -------
    dict
    """
    return {**facts} if "waysapart" in facts else {"waysapart": VERSION, **facts}


# Devices, pipes and descriptors


def is_stream(path: Path) -> bool:
    """Whether a path stands for something that is written to and never replaced.

    Parameters
    ----------
    path : Path

    Returns
    -------
    bool
    """
    if _descriptor(path) is not None:
        return True
    try:
        mode = os.stat(path).st_mode
    except OSError:
        return False
    return not (stat.S_ISREG(mode) or stat.S_ISDIR(mode))


def is_standard_output(path: Path) -> bool:
    """Whether a path is a name of standard output, such as /dev/stdout.

    Parameters
    ----------
    path : Path

    Returns
    -------
    bool
    """
    return _own_descriptor(path) == 1


def _is_disk(path: Path) -> bool:
    try:
        return stat.S_ISBLK(os.stat(path).st_mode)
    except OSError:
        return False


def _descriptor(path: Path) -> tuple[str, int] | None:
    """Folder and number of the open file that a path such as /dev/fd/3 stands for.

    Such a path must not be resolved: what it leads to may be a file by now without a name.
    """
    here = os.path.abspath(path)
    for _ in range(40):
        folder = os.path.realpath(os.path.dirname(here))
        name = os.path.basename(here)
        if name.isdecimal() and re.fullmatch(r"/dev/fd|/proc/\d+(/task/\d+)?/fd", folder):
            return folder, int(name)
        here = os.path.join(folder, name)
        if not os.path.islink(here):
            return None
        here = os.path.join(folder, os.readlink(here))
    return None


def _own_descriptor(path: Path) -> int | None:
    found = _descriptor(path)
    if found is None or not (found[0] == "/dev/fd" or found[0].split("/")[2] == str(os.getpid())):
        return None
    return found[1]


def _write_stream(path: Path, text: str) -> None:
    number = _own_descriptor(path)
    if number is not None:
        handle = os.dup(number)  # it shares the place in the file, and its mode of appending
    else:
        handle = os.open(path, os.O_WRONLY | getattr(os, "O_NOCTTY", 0) | os.O_APPEND)
    with os.fdopen(handle, "wb") as file:
        file.write(text.encode())


# Writing


def write_text(
    target: OutputFile, text: str, inputs: Iterable[Path] = (), *, force: bool = False
) -> None:
    """Write a text in UTF-8, so that the file is either the old one or the whole new one.

    Line feeds stay as they are. A device, a pipe or a descriptor is written to.

    Parameters
    ----------
    target : OutputFile
    text : str
    inputs, force : iterable of Path, bool
        As for `refuse_unsafe`.

    Raises
    ------
    CallError
        As `refuse_unsafe`.
    WriteError
        The file cannot be written; what was there is as it was.
    """
    if is_stream(target.path):
        refuse_unsafe([target], inputs, force=force)
        try:
            _write_stream(target.path, text)
        except OSError as error:
            raise WriteError(f"{target.path} cannot be written: {reason_of(error)}") from error
        return
    content = text.encode()
    with replacing([target], inputs, force=force) as change:
        change.place(target.path).write_bytes(content)


def write_texts(
    texts: Mapping[OutputFile, str], inputs: Iterable[Path] = (), *, force: bool = False
) -> None:
    """Write several texts in UTF-8, all of them or none; streams are written to last.

    Parameters
    ----------
    texts : mapping of OutputFile to str
    inputs, force : iterable of Path, bool
        As for `refuse_unsafe`.

    Raises
    ------
    CallError
        As `refuse_unsafe`.
    WriteError
        A file cannot be written; then every regular file is as it was.
    """
    inputs = list(inputs)
    refuse_unsafe(texts, inputs, force=force)
    streams = [one for one in texts if is_stream(one.path)]
    regular = [one for one in texts if one not in streams]
    if regular:
        with replacing(regular, inputs, force=force) as change:
            for one in regular:
                change.place(one.path).write_bytes(texts[one].encode())
    for one in streams:
        write_text(one, texts[one], inputs, force=force)


@contextmanager
def replacing(
    targets: Sequence[OutputFile],
    inputs: Iterable[Path] = (),
    *,
    force: bool = False,
    folders: bool = False,
) -> Iterator[Change]:
    """Replace several files together or not at all, in the body of a `with`.

    Parameters
    ----------
    targets, inputs, force, folders : sequence of OutputFile, iterable of Path, bool, bool
        As for `refuse_unsafe`. The body may write other files of the same folders too.

    Yields
    ------
    Change
        Once the body has ended without an error, all that was written is put into its place.

    Raises
    ------
    CallError
        As `refuse_unsafe`.
    WriteError
        A file cannot be written; what was there is as it was.
    """
    refuse_unsafe(targets, inputs, force=force, folders=folders)
    streams = [one.path for one in targets if is_stream(one.path)]
    if streams:
        raise CallError(f"{_listed(streams)}: no regular file, and files are put in its place here")
    made: list[Path] = []
    change = Change(targets[0].path)
    try:
        for target in targets:
            change.at = target.path
            _make_folder(_real(target.path).parent, made)
        change.at = targets[0].path
        with _staged(_real(change.at).parent) as change.folder:
            yield change
            change.put_in_place()
    except BaseException as error:
        for folder in reversed(made):
            with suppress(OSError):
                folder.rmdir()
        if isinstance(error, WriteError) or not isinstance(error, _writing_errors()):
            raise
        raise WriteError(
            f"{change.about(error)} cannot be written: {reason_of(error)}; "
            "what was there before is unchanged"
        ) from error


def _make_folder(folder: Path, made: list[Path]) -> None:
    """Make a folder and what it lies in; what was made is added to `made`."""
    for one in reversed([one for one in (folder, *folder.parents) if not one.exists()]):
        one.mkdir()
        made.append(one)


def _real(path: Path) -> Path:
    """Where a file lies once links are followed, whether it exists or not."""
    return Path(os.path.realpath(path))


def _writing_errors() -> tuple[type[Exception], ...]:
    """Errors of writing a file, those of GDAL where it is in use."""
    module = sys.modules.get("pyogrio.errors")
    if module is None:
        return (OSError,)
    return (OSError, module.DataSourceError, module.DataLayerError, module.FieldError)


DISK_FULL = (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC))
"""Numbers of the errors of a full disk or quota."""
_REASONS = {
    errno.ENOSPC: "the disk is full",
    errno.EFBIG: "it would be larger than files may be here",
    errno.EACCES: "there is no right to do so",
    errno.EPERM: "there is no right to do so",
    errno.EROFS: "the file system is read-only",
    errno.EXDEV: "it lies on another file system than the files written with it",
    errno.ENXIO: "nothing reads from it",
    errno.EPIPE: "nothing reads from it any more",
} | ({errno.EDQUOT: "the quota of disk space is used up"} if hasattr(errno, "EDQUOT") else {})


def reason_of(error: BaseException) -> str:
    """State in words why a file cannot be written.

    Parameters
    ----------
    error : BaseException

    Returns
    -------
    str
    """
    if isinstance(error, OSError) and error.errno is not None:
        told = os.strerror(error.errno)
        words = _REASONS.get(error.errno)
        return told if words is None else f"{words} ({told})"
    text = " ".join(str(error).split())
    full = "database or disk is full" in text or "No space left" in text
    text = text if len(text) <= 200 else text[:200] + "..."
    return f"the disk is full ({text})" if full else f"{text or type(error).__name__}"


# One change of several files


class Change:
    """Files in the making, and how they are put into their places.

    Attributes
    ----------
    at : Path
        The file that is being written, for messages.
    folder : Path
        Where all of it is made.
    """

    folder: Path

    def __init__(self, first: Path) -> None:
        self.at = first
        self._folders: dict[Path, Path] = {}  # real folder: where its files are made
        self._gone: list[Path] = []

    def place(self, path: Path) -> Path:
        """Return where to write a file, for it to be put into its place at the end.

        Parameters
        ----------
        path : Path
            Its place.

        Returns
        -------
        Path
        """
        self.at = path
        real = _real(path)
        made = self._folders.get(real.parent)
        if made is None:
            made = self.folder / f"new-{len(self._folders)}"
            made.mkdir()
            self._folders[real.parent] = made
        return made / real.name

    def remove(self, path: Path) -> None:
        """Remove a file at the end, such as one that no longer belongs to the others.

        Parameters
        ----------
        path : Path
        """
        if path.exists():
            self._gone.append(_real(path))

    def about(self, error: BaseException) -> Path:
        """Return the file that an error is about, by the name of its place.

        Parameters
        ----------
        error : BaseException

        Returns
        -------
        Path
        """
        name = getattr(error, "filename", None)
        if isinstance(name, str | Path):
            for real, made in self._folders.items():
                if Path(name).parent == made:
                    return self.at if self.at.name == Path(name).name else real / Path(name).name
        return self.at

    def put_in_place(self) -> None:
        """Put all files into their places, or none of them.

        A journal says what is about to change; while it stands, the change counts as half
        made and `_undo` takes it back, in this run or in the next one.
        """
        steps = [
            (path, real / path.name)
            for real, made in self._folders.items()
            for path in sorted(made.iterdir())
        ]
        for path, place in steps:
            with path.open("r+b") as file:
                os.fsync(file.fileno())  # a disk over the network tells only here that it is full
            _as_before(path, place)
        if len(steps) == 1 and not self._gone:
            os.replace(*steps[0])
            return
        old = self.folder / "old"
        old.mkdir()
        steps += [(old / "nothing", place) for place in self._gone]
        entries = [
            {"new": str(new), "is": _identity(new), "place": str(place), "had": place.exists()}
            for new, place in steps
        ]
        _write_journal(self.folder, entries)
        try:
            for number, (new, place) in enumerate(steps):
                self.at = place
                _keep(place, old / str(number))
                if place in self._gone:
                    place.unlink(missing_ok=True)
                else:
                    os.replace(new, place)
            (self.folder / _JOURNAL).unlink()
        except BaseException:
            self._take_back()
            raise

    def _take_back(self) -> None:
        try:
            _undo(self.folder)
        except OSError as error:
            raise WriteError(
                f"{self.at} cannot be written, and what was there before cannot be put back: "
                f"{reason_of(error)}; it lies in {self.folder}, and the next run that writes here "
                "puts it back"
            ) from error


def _write_journal(folder: Path, entries: list[dict[str, Any]]) -> None:
    draft = folder / f"{_JOURNAL}.new"
    draft.write_text(json.dumps(entries), encoding="utf-8")
    os.replace(draft, folder / _JOURNAL)


def _identity(path: Path) -> list[int] | None:
    """Numbers by which a file differs from one that was put there later."""
    try:
        found = os.lstat(path)
    except OSError:
        return None
    return [found.st_ino, found.st_size, found.st_mtime_ns]


def _keep(place: Path, kept: Path) -> None:
    """Keep what lies at a place under another name; it stays there where links can be made."""
    if not os.path.lexists(place):
        return
    try:
        os.link(place, kept, follow_symlinks=False)
    except OSError:
        os.replace(place, kept)


def _undo(folder: Path) -> None:
    """Undo a change of several files that was half made, if there is one.

    Where somebody has changed one of the files since, all are left as they are.
    """
    try:
        journal = (folder / _JOURNAL).read_text(encoding="utf-8")
    except FileNotFoundError:
        return
    changes: list[tuple[Path, Path | None]] = []
    for number, entry in enumerate(json.loads(journal)):
        new, place, kept = Path(entry["new"]), Path(entry["place"]), folder / "old" / str(number)
        there = _identity(place)
        if kept.exists():
            if there not in (None, entry["is"], _identity(kept)):
                return
            changes.append((place, kept))
        elif not entry["had"] and not new.exists():
            if there not in (None, entry["is"]):
                return
            changes.append((place, None))
    for place, old in changes:
        if old is None:
            place.unlink(missing_ok=True)
        else:
            os.replace(old, place)
    (folder / _JOURNAL).unlink()


def _as_before(path: Path, place: Path) -> None:
    """Give a new file the mode, and as far as possible the owner, of the one it replaces."""
    try:
        old, new = os.stat(place), os.stat(path)
    except OSError:
        return
    if (old.st_uid, old.st_gid) != (new.st_uid, new.st_gid) and hasattr(os, "chown"):
        with suppress(OSError):
            os.chown(path, old.st_uid, old.st_gid)
    os.chmod(path, stat.S_IMODE(old.st_mode) & 0o777)


@contextmanager
def _staged(base: Path) -> Iterator[Path]:
    """A folder to make files in, locked while it is in use, and removed in the end."""
    folder, lock = _locked_folder(base)
    try:
        yield folder
    finally:
        if not (folder / _JOURNAL).exists():  # else the old files are still in it
            shutil.rmtree(folder, ignore_errors=True)
        if lock is not None:
            os.close(lock)


def _locked_folder(base: Path) -> tuple[Path, int | None]:
    while True:
        folder = Path(tempfile.mkdtemp(prefix=".waysapart-", suffix=".part", dir=base))
        try:
            lock, _ = _lock(folder, wait=True)
        except FileNotFoundError:
            continue  # another run took it for a left one before it was locked
        if folder.exists():
            return folder, lock
        if lock is not None:
            os.close(lock)


def _lock(folder: Path, *, wait: bool) -> tuple[int | None, bool]:
    """A lock on a folder, where there are such locks; whether another process holds it."""
    if fcntl is None:
        return None, False
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
    except BlockingIOError:
        os.close(handle)
        return None, True
    except OSError:  # a file system without locks
        os.close(handle)
        return None, False
    return handle, False


def clear_left_over(folder: Path) -> None:
    """Remove what killed runs left in a folder, and undo what they half changed.

    Only folders of this program's name, of the same user, which no process holds; where locks do
    not work, those a day old.

    Parameters
    ----------
    folder : Path
    """
    try:
        with os.scandir(folder) as entries:
            left = [Path(one.path) for one in entries if LEFT_OVER.fullmatch(one.name)]
    except OSError:
        return
    for one in left:
        with suppress(OSError, ValueError, LookupError, TypeError):
            _clear(one)


def _clear(folder: Path) -> None:
    found = os.lstat(folder)
    mine = not hasattr(os, "geteuid") or found.st_uid == os.geteuid()
    if not mine or not stat.S_ISDIR(found.st_mode):
        return
    lock, used = _lock(folder, wait=False)
    try:
        if used or (lock is None and time.time() - found.st_mtime < _OLD_S):
            return
        _undo(folder)
        shutil.rmtree(folder, ignore_errors=True)
    finally:
        if lock is not None:
            os.close(lock)


# Layers

_UNSYNCED = {"OGR_SQLITE_SYNCHRONOUS": "OFF"}
"""GDAL does not wait for the disk after each layer: `replacing` waits once, before a file takes
its place."""


def write_layer(
    frame: pd.DataFrame, path: Path, *, layer: str, driver: str, append: bool = False, **more: Any
) -> None:
    """Write one layer through GDAL, and check that all of it is there.

    Parameters
    ----------
    frame : DataFrame or GeoDataFrame
    path : Path
        Where it is made, in `replacing`.
    layer, driver, append : str, str, bool
        As for `pyogrio.write_dataframe`.
    **more
        Its further options.

    Raises
    ------
    CallError
        A text or the name of a column holds a character that ends text for GDAL (NUL).
    OSError
        The layer is not whole; `replacing` makes a WriteError of it.
    """
    import pyogrio

    _refuse_nul(frame, layer)
    with gdal_settings(_UNSYNCED):
        pyogrio.write_dataframe(frame, path, layer=layer, driver=driver, append=append, **more)
    faults: tuple[type[Exception], ...] = (IndexError, *_writing_errors())
    # GDAL does not report a full disk for every format, so the rows are counted in the file
    try:
        if driver == "GPKG":
            rows = int(pyogrio.read_info(path, layer=layer)["features"])
        else:
            rows = len(pyogrio.read_dataframe(path, use_arrow=False)) if len(frame) else 0
    except faults as error:
        raise OSError(
            f"the layer {layer} did not arrive whole, as where the disk is full: {error}"
        ) from error
    if rows != len(frame):
        raise OSError(f"only {rows} of {len(frame)} rows of the layer {layer} arrived")


def _refuse_nul(frame: pd.DataFrame, layer: str) -> None:
    import pandas as pd

    faults = []
    for name, values in frame.items():
        if "\0" in str(name):
            faults.append(f"{layer}: the name of the column {str(name)!r} holds a NUL character")
        if isinstance(values.dtype, pd.StringDtype):
            held = values.str.contains("\0", regex=False).fillna(value=False)
        elif values.dtype == object:
            held = values.map(lambda one: isinstance(one, str) and "\0" in one)
        else:
            continue
        faults += [
            f"{layer}, column {name}, id {row.get('id')!r}: the text holds a NUL character, which "
            "ends a text in a GIS file: take it out"
            for _, row in frame[held.to_numpy(dtype=bool)].head(3).iterrows()
        ]
    if faults:
        raise CallError("\n".join(faults))
