"""Files, layers and sheets that lie with a study and that nothing reads.

A drawing saved beside a proposal whose study.toml does not name it changes nothing, and nobody
notices: `unread_of` names each one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import islice
from pathlib import Path

from waysapart.input_files import RefusedError
from waysapart.output_files import OutputFile, written_by_us
from waysapart.schema import ROLES
from waysapart.study.ledger import Ledger
from waysapart.study.settings import ROLE_SUFFIXES, Settings
from waysapart.study.sources import LayerSpec, is_database, layer_names
from waysapart.study.toml import load_toml
from waysapart.study.workbooks import explaining_sheets

_LAYERED = (".gpkg", ".xlsx", ".ods")
"""Suffixes of files with several layers or sheets."""
_DATA = (*(one for one in ROLE_SUFFIXES if one != ".json"), ".xlsx", ".ods", ".kml", ".gml", ".tab")
"""Suffixes of files that may hold plant; of .json only what is named after a role."""
_NO_PLANT = ("layer_styles", "qgis_projects")
"""Tables that a GIS keeps in a GeoPackage for itself."""
_MOST_FILES = 1000
"""Files of a folder that are examined, since a study may lie among a whole disk's. No source."""


def unread_of(chain: Sequence[Settings]) -> tuple[str, ...]:
    """Name the files, layers and sheets that lie with a study and that nothing reads.

    Examined are the folder of the study and those of the studies that it extends, but for the
    first: what lies there is no part of a proposal. Where the study extends none, its own folder
    is examined.

    Parameters
    ----------
    chain : sequence of Settings
        From `find_settings`.

    Returns
    -------
    tuple of str
        Such as `segments.geojson` or `study.xlsx (sheet Ducts)`; with its folder where that is
        not the folder of the study itself. What another TOML file of the folder names as a
        source, and what waysapart wrote, is left out.
    """
    read: dict[Path, list[LayerSpec]] = {}
    for settings in chain:
        for spec in (*settings.layers, *settings.backdrops):
            if not is_database(spec.source):
                read.setdefault(spec.path.resolve(), []).append(spec)
    base = chain[0].folder.resolve()
    own = chain[-1].folder.resolve()
    found: list[str] = []
    examined: set[Path] = set()
    for settings in chain[1:] or chain:
        folder = settings.folder.resolve()
        if folder == base and folder != own:
            continue
        for inside in _folders(settings):
            if inside not in examined:
                examined.add(inside)
                before = inside.relative_to(folder if folder == own else folder.parent).as_posix()
                before = "" if before == "." else f"{before}/"
                found += [before + name for name in _in_folder(inside, read)]
    return tuple(found)


def _folders(settings: Settings) -> list[Path]:
    """The folder of a study, and the folders within it from which it reads layers."""
    own = settings.folder.resolve()
    sources = [
        spec.path.resolve().parent for spec in settings.layers if not is_database(spec.source)
    ]
    return list(dict.fromkeys([own, *(one for one in sources if one.is_relative_to(own))]))


def _in_folder(folder: Path, read: Mapping[Path, Sequence[LayerSpec]]) -> Iterable[str]:
    try:
        files = sorted(islice(folder.iterdir(), _MOST_FILES))
    except OSError:
        return
    others = _named_by_others(folder, files)
    for path in files:
        suffix = path.suffix.casefold()
        named_so = suffix == ".json" and path.stem in ROLES
        if not (suffix in _DATA or named_so) or not path.is_file():
            continue
        specs = read.get(path.resolve())
        if specs is None:
            if path.resolve() not in others and not _ours(path):
                yield path.name
        elif suffix in _LAYERED:
            left = _unread_layers(path, specs)
            what = "layer" if suffix == ".gpkg" else "sheet"
            if left:
                yield f"{path.name} ({what}{'s' if len(left) > 1 else ''} {', '.join(left)})"


def _unread_layers(path: Path, specs: Sequence[LayerSpec]) -> list[str]:
    try:
        names = layer_names(path)
    except RefusedError:
        return []
    taken = {spec.layer or spec.role for spec in specs}
    if len(names) == 1 and any(spec.layer is None for spec in specs):
        return []
    no_plant = {*_NO_PLANT, *explaining_sheets(names)}
    return [name for name in names if name not in taken and name not in no_plant]


def _named_by_others(folder: Path, files: Iterable[Path]) -> set[Path]:
    """Sources of every TOML file of a folder: several studies may lie in one."""
    found: set[Path] = set()
    for path in files:
        if path.suffix.casefold() != ".toml" or not path.is_file():
            continue
        loaded = load_toml(path, path.name, Ledger())
        layers = loaded[0].get("layer", ()) if loaded is not None else ()
        for one in layers if isinstance(layers, list) else ():
            source = one.get("source") if isinstance(one, Mapping) else None
            if isinstance(source, str) and not is_database(source):
                found.add((folder / source).resolve())
    return found


def _ours(path: Path) -> bool:
    return path.suffix.casefold() == ".gpkg" and written_by_us(OutputFile(path, "gpkg"))
