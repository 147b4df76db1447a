"""The settings in study.toml: where the layers are and how to read them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import islice
from pathlib import Path, PurePath
from typing import Annotated, Any

from pydantic import Field, ValidationError

from waysapart.input_files import RefusedError, check_regular
from waysapart.schema import BACKDROP, ROLES
from waysapart.study.ledger import (
    Ledger,
    did_you_mean,
    listed,
    near_matches,
    printable,
    shown,
)
from waysapart.study.sources import (
    GEOMETRY_COLUMNS,
    InputFile,
    LayerSpec,
    is_database,
    layer_names,
)
from waysapart.study.toml import Table, load_toml, tell_faults
from waysapart.study.workbooks import explaining_sheets

STUDY_FILE = "study.toml"
RULES_FILE = "rules.toml"
STUDY_PACKAGE = "study.gpkg"
STUDY_WORKBOOK = "study.xlsx"
PACKAGES = (STUDY_PACKAGE, STUDY_WORKBOOK, "study.ods")
"""Files whose layers or sheets feed the roles that they are named after."""
ROLE_SUFFIXES = (".gpkg", ".geojson", ".json", ".fgb", ".shp", ".parquet", ".geoparquet", ".csv")
DEFAULT_SNAP_M = 2.0
_BEGIN = "`waysapart blank FOLDER` writes empty layers, with every key of study.toml explained"
_OLD_ROLES = {"containers": "the role 'containers' is called 'holders' now: rename it"}


class LayerTable(Table):
    """One `[[layer]]` of study.toml, with a `role`, or with a `name` where it is a backdrop."""

    role: str | None = None
    name: str | None = None
    source: Annotated[str, Field(min_length=1)]
    layer: str | None = None
    where: Annotated[str, Field(min_length=1)] | None = None
    columns: dict[str, str] = Field(default_factory=dict)
    values: dict[str, str | int | float | bool] = Field(default_factory=dict)
    units: dict[str, str] = Field(default_factory=dict)
    prefix: str = ""
    refers: tuple[str, ...] = ()
    crs: str | None = None
    accuracy_m: Annotated[float, Field(ge=0, allow_inf_nan=False)] | None = None


class StudyTable(Table):
    """The whole of study.toml."""

    name: str | None = None
    revision: str | None = None
    crs: str | None = None
    rules: str | None = None
    extends: str | None = None
    remove: tuple[str, ...] = ()
    out: tuple[str, ...] | None = None
    snap_m: Annotated[float, Field(gt=0, allow_inf_nan=False)] | None = None
    layer: tuple[LayerTable, ...] = ()


@dataclass(frozen=True, slots=True)
class Settings:
    """One study's own statements, not those of what it extends.

    `unclear` are the roles after which several files or layers are named. A setting that the
    study does not state is None; that of the study it extends, or the default, then applies. A
    rules.toml in the study's folder is used where `rules` is not stated.
    """

    folder: Path
    file: str
    path: Path | None
    name: str
    read: InputFile | None = None
    revision: str | None = None
    crs: str | None = None
    rules: Path | None = None
    remove: tuple[str, ...] = ()
    out: tuple[str, ...] | None = None
    snap_m: float | None = None
    layers: tuple[LayerSpec, ...] = ()
    backdrops: tuple[LayerSpec, ...] = ()
    unclear: frozenset[str] = frozenset()

    @property
    def place(self) -> Path:
        """Its TOML file, or its folder where it has none."""
        return self.folder if self.path is None else self.path


def find_settings(study: Path, ledger: Ledger) -> tuple[Settings, ...]:
    """The settings of a study and of all that it extends.

    Parameters
    ----------
    study : Path
        Folder (with a study.toml, or with files named after roles) or TOML file.
    ledger : Ledger
        Collects every fault.

    Returns
    -------
    tuple of Settings
        The first base first; empty where nothing can be used.
    """
    chain: list[Settings] = []
    seen: list[Path] = []
    place: Path | None = study
    while place is not None:
        here = place.resolve()
        here = here / STUDY_FILE if here.is_dir() else here
        if here in seen:
            names = [path.parent.name for path in (*seen[seen.index(here) :], here)]
            ledger.problem(
                f"extends goes round in a circle: {' -> '.join(names)}; "
                "one of these studies must stand on its own",
                file=STUDY_FILE,
                column="extends",
            )
            return ()
        seen.append(here)
        table, label, read = _read_table(place, here, study, ledger)
        if table is None:
            return ()
        chain.insert(0, _settings(table, here, label, read, ledger))
        place = here.parent / table.extends if table.extends else None
    return tuple(chain)


def _read_table(
    stated: Path, here: Path, study: Path, ledger: Ledger
) -> tuple[StudyTable | None, str, InputFile | None]:
    """The TOML table at a place, or an empty one for a folder that has none.

    With it the file's name in messages, and its hash where there is a file.
    """
    label = here.name if stated == study else f"{stated.name}/{here.name}"
    if here.is_file():
        loaded = load_toml(here, label, ledger)
        if loaded is None:
            return None, label, None
        try:
            return StudyTable.model_validate(loaded[0]), label, loaded[1]
        except ValidationError as error:
            tell_faults(error, label, ledger, {"layer": LayerTable}, StudyTable)
            return None, label, None
    if here.exists():  # a pipe, a device
        try:
            check_regular(here)
        except RefusedError as error:
            ledger.problem(str(error), file=label)
            return None, label, None
    if here.parent.is_dir() and here.name == STUDY_FILE:
        packages = Ledger()
        if _layers_by_name(here.parent, label, packages):
            return StudyTable(), label, None
        ledger.problems.extend(packages.problems)
        ledger.problem(
            f"the folder {here.parent.name!r} holds neither a {STUDY_FILE} nor a file named after "
            f"a role; {_BEGIN}; roles are {listed(ROLES)}",
            file=label,
        )
        return None, label, None
    said = "extends" if stated != study else None
    ledger.problem(
        f"there is no study at {str(stated)!r}: neither a folder nor a TOML file",
        file=label if said is None else STUDY_FILE,
        column=said,
    )
    return None, label, None


def _settings(
    table: StudyTable, here: Path, label: str, read: InputFile | None, ledger: Ledger
) -> Settings:
    folder = here.parent
    specs = [
        spec
        for position, layer in enumerate(table.layer, start=1)
        if (spec := _spec(layer, position, folder, label, ledger)) is not None
    ]
    layers = tuple(spec for spec in specs if not spec.backdrop)
    _one_name_each(table, label, ledger)
    unclear: set[str] = set()
    if not _extends_beside(table, here):
        named = {layer.role for layer in table.layer if layer.role is not None}
        if "holders" not in named:
            _old_names(folder, ledger)
        by_name = _layers_by_name(folder, label, ledger)
        found = [spec for spec in by_name if spec.role not in named]
        kept = _only_one_each(found, ledger)
        unclear = {spec.role for spec in found if spec not in kept}
        layers = (*layers, *kept)
    if not layers and not table.layer and not table.extends:
        ledger.problem(
            "names no [[layer]], and the folder holds no file named after a role; "
            f"{_BEGIN}; roles are {listed(ROLES)}",
            file=label,
        )
    return Settings(
        folder=folder,
        file=label,
        path=here if read is not None else None,
        read=read,
        name=table.name or folder.name,
        revision=table.revision,
        crs=table.crs,
        rules=folder / table.rules if table.rules else _rules_beside(folder),
        remove=table.remove,
        out=table.out,
        snap_m=table.snap_m,
        layers=layers,
        backdrops=tuple(spec for spec in specs if spec.backdrop),
        unclear=frozenset(unclear),
    )


def _extends_beside(table: StudyTable, here: Path) -> bool:
    """Whether a study extends one of the same folder, whose files named after roles these are."""
    if table.extends is None:
        return False
    base = (here.parent / table.extends).resolve()
    return here.parent == (base if base.is_dir() else base.parent)


def _rules_beside(folder: Path) -> Path | None:
    beside = folder / RULES_FILE
    return beside if beside.exists() else None


def _spec(
    layer: LayerTable, position: int, folder: Path, label: str, ledger: Ledger
) -> LayerSpec | None:
    """A `[[layer]]` checked against the roles and their columns."""
    if layer.role is None or layer.name is not None:
        if not _is_backdrop(layer, position, label, ledger):
            return None
        role, called = BACKDROP, str(layer.name)
    elif layer.role in ROLES:
        role = ROLES[layer.role]
        called = role.name
    else:
        ledger.problem(
            _OLD_ROLES.get(layer.role)
            or f"unknown role {layer.role!r}; roles are {listed(ROLES)}"
            f"{did_you_mean(layer.role, ROLES)}",
            file=label,
            column=f"layer.{position}.role",
        )
        return None
    known = [*role.column, *(GEOMETRY_COLUMNS if role.geometry else ())]
    sound = True
    for key, names in (
        ("columns", layer.columns),
        ("values", layer.values),
        ("units", layer.units),
        ("refers", dict.fromkeys(layer.refers, "")),
    ):
        for name in names:
            if name not in known:
                sound = False
                ledger.problem(
                    f"{called} has no column {name!r}; its columns are {listed(known)}"
                    f"{did_you_mean(name, known)}",
                    file=label,
                    column=f"layer.{position}.{key}.{name}",
                )
    for name in set(layer.columns) & set(layer.values):
        sound = False
        ledger.problem(
            f"{name!r} stands in columns and in values; keep one of them",
            file=label,
            column=f"layer.{position}.values.{name}",
        )
    for name in layer.refers:
        if name in role.column and not role.column[name].refers:
            sound = False
            ledger.problem(
                f"{name!r} refers to no other row, so that no prefix goes before it",
                file=label,
                column=f"layer.{position}.refers.{name}",
            )
    if not sound:
        return None
    return LayerSpec(
        role=called,
        source=layer.source,
        folder=folder,
        declared_in=label,
        layer=layer.layer,
        where=layer.where,
        columns=layer.columns,
        values=layer.values,
        units=layer.units,
        prefix=layer.prefix,
        refers=layer.refers,
        crs=layer.crs,
        accuracy_m=layer.accuracy_m,
        backdrop=role is BACKDROP,
    )


def _is_backdrop(layer: LayerTable, position: int, label: str, ledger: Ledger) -> bool:
    """Whether a `[[layer]]` that has a name, or no role, is a sound backdrop."""
    said, key = None, "name"
    if layer.name is None:
        said, key = (
            f"says neither role nor name: say which role it feeds ({listed(ROLES)}), or name it, "
            'such as name = "water", where it is only what the plant lies among',
            "role",
        )
    elif layer.role is not None:
        said = "has a role and a name; a name is for a layer without a role: take one of them out"
    elif layer.name in ROLES:
        said = f"{layer.name!r} is a role: say role = {layer.name!r}, or give it another name"
    elif not layer.name.strip() or printable(layer.name) != layer.name:
        said = f"expected a name such as 'water'; found {shown(layer.name)}"
    if said is not None:
        ledger.problem(said, file=label, column=f"layer.{position}.{key}")
    return said is None


def _one_name_each(table: StudyTable, label: str, ledger: Ledger) -> None:
    """Write down each name that several layers without a role have."""
    seen: dict[str, int] = {}
    for position, layer in enumerate(table.layer, start=1):
        if layer.role is not None or layer.name is None:
            continue
        first = seen.setdefault(layer.name, position)
        if first != position:
            ledger.problem(
                f"{layer.name!r} is the name of layer {first} already; give each a name of its own",
                file=label,
                column=f"layer.{position}.name",
            )


def backdrops_of(chain: Sequence[Settings]) -> dict[str, tuple[LayerSpec, Settings]]:
    """The layers without a role of a study and of all that it extends, by name.

    Parameters
    ----------
    chain : sequence of Settings
        The first base first.

    Returns
    -------
    dict of str to (LayerSpec, Settings)
        Each with the study that states it: of several of one name the last one's.
    """
    return {spec.role: (spec, settings) for settings in chain for spec in settings.backdrops}


def _layers_by_name(folder: Path, label: str, ledger: Ledger) -> tuple[LayerSpec, ...]:
    """Layers found by role name: files ROLE.suffix, then layers and sheets of study.*.

    The other files of a Shapefile are no role files, since they have other suffixes.
    """
    found = []
    inside: dict[str, set[str]] = {}
    for package in PACKAGES:
        if (folder / package).exists():
            try:
                inside[package] = set(layer_names(folder / package))
            except RefusedError as error:
                ledger.problem(str(error), file=package)
            else:
                _note_others(package, sorted(inside[package]), ledger)
    for role in ROLES:
        for suffix in ROLE_SUFFIXES:
            if (folder / f"{role}{suffix}").exists():
                found.append(LayerSpec(role, f"{role}{suffix}", folder, label, by_name=True))
        for package, names in inside.items():
            if role in names:
                found.append(LayerSpec(role, package, folder, label, layer=role, by_name=True))
    return tuple(found)


def _note_others(package: str, names: Sequence[str], ledger: Ledger) -> None:
    """Note the sheets of a workbook that are named after no role."""
    if package == STUDY_PACKAGE:
        return
    ours = explaining_sheets(names)
    others = [name for name in names if name not in ROLES and name not in ours]
    meant = {_bare(role): role for role in ROLES}
    told = [
        f"{name!r}" + (f" (is it {meant[_bare(name)]}?)" if _bare(name) in meant else "")
        for name in others
    ]
    if told:
        ledger.note(f"{package}: sheets named after no role are left alone: {listed(told)}")


def _bare(name: str) -> str:
    """A name as it may be written otherwise: `Cable Runs` for `cable_runs`."""
    return re.sub(r"[\W_]", "", name.casefold()).removesuffix("s")


def _only_one_each(layers: Sequence[LayerSpec], ledger: Ledger) -> tuple[LayerSpec, ...]:
    """Keep the first layer found for each role; a problem where several have its name."""
    first: dict[str, LayerSpec] = {}
    for spec in layers:
        first.setdefault(spec.role, spec)
    for role, kept in first.items():
        mine = [spec for spec in layers if spec.role == role]
        if len(mine) > 1:
            names = " and ".join(
                f"{spec.source} (layer {spec.layer})" if spec.layer else spec.source
                for spec in mine
            )
            ledger.problem(
                f"{names} bear the name of the role {role}: which of them counts? Keep one, or "
                "name every layer that counts with [[layer]] in study.toml",
                file=kept.source,
                layer=role,
            )
    return tuple(first.values())


def _old_names(folder: Path, ledger: Ledger) -> None:
    """Report each file that has the former name of a role."""
    for name, said in _OLD_ROLES.items():
        for suffix in ROLE_SUFFIXES:
            if (folder / f"{name}{suffix}").is_file():
                ledger.problem(said, file=f"{name}{suffix}")


def check_sources(settings: Settings, ledger: Ledger) -> tuple[LayerSpec, ...]:
    """Keep the layers whose source exists.

    Parameters
    ----------
    settings : Settings
    ledger : Ledger
        Collects a problem with near matches for each source that does not exist.

    Returns
    -------
    tuple of LayerSpec
    """
    return tuple(spec for spec in settings.layers if source_exists(spec, settings, ledger))


def source_exists(spec: LayerSpec, settings: Settings, ledger: Ledger) -> bool:
    """Whether the source of a layer exists; a problem with near matches where it does not."""
    if is_database(spec.source) or spec.path.exists():
        return True
    beside = spec.path.parent
    names = [path.name for path in beside.iterdir()] if beside.is_dir() else []
    near = near_matches(spec.path.name, names)
    hint = f"; did you mean {' or '.join(map(repr, near))}?" if near else ""
    ledger.problem(
        f"the source {spec.source!r} does not exist in {settings.folder.name!r}{hint}",
        file=spec.source,
        layer=spec.layer or spec.role,
    )
    return False


_SHAPE = (".shp", ".shx", ".dbf", ".prj", ".cpg", ".qpj", ".qix", ".sbn", ".sbx")
_BESIDE = (*_SHAPE, ".csvt", ".dat", ".map", ".id", ".ind", ".mid", ".gfs", ".xsd")
"""Suffixes of files that belong to a layer of the same name, in any of the formats GDAL reads."""
_MOST_FILES = 1000
"""Files of a folder that are examined, since a study may name the whole disk. No source."""
_BEHIND = ("-wal", "-shm", "-journal", ".xml", ".aux.xml")
"""Suffixes that SQLite and GDAL append to the whole name of such a file."""


def files_of(read: Path) -> list[Path]:
    """List every file that is read for an argument of a command: a study, layers, evidence.

    For a study these are its TOML files and rules, and the files and folders named as sources,
    as far as its settings can be read; for any file also those that belong to it, such as a
    Shapefile's.

    Parameters
    ----------
    read : Path

    Returns
    -------
    list of Path
        Whether they exist or not, since writing them would change what is read.
    """
    if not (read.is_dir() or read.suffix.casefold() == ".toml"):
        return _with_companions(read)
    return files_of_chain(find_settings(read, Ledger())) or [
        *(_names_that_count(read, list(ROLES)) if read.is_dir() else [read]),
        *([] if read.is_dir() else [read.parent / RULES_FILE]),
    ]


def files_of_chain(chain: Sequence[Settings]) -> list[Path]:
    """List every file from which a study and those that it extends are read, as `files_of` does.

    Parameters
    ----------
    chain : sequence of Settings

    Returns
    -------
    list of Path
    """
    found: list[Path] = []
    for settings in chain:
        found += [path for path in (settings.path, settings.rules) if path is not None]
        found.append(settings.folder / RULES_FILE)
        if settings.path is None or settings.path.name == STUDY_FILE:
            found.append(settings.folder / STUDY_FILE)
        named = {spec.role for spec in settings.layers if not spec.by_name}
        found += _names_that_count(settings.folder, [role for role in ROLES if role not in named])
        for spec in (*settings.layers, *settings.backdrops):
            if is_database(spec.source):
                continue
            found += _with_companions(spec.path)
            if spec.path.is_dir():  # its files by their links; by name the folder stands for them
                found += islice(spec.path.rglob("*"), _MOST_FILES)
    return list(dict.fromkeys(found))


def _names_that_count(folder: Path, roles: Sequence[str]) -> list[Path]:
    """Files from which a study is read because of their names; `roles` have no `[[layer]]`."""
    return [folder / name for name in _read_by_name(tuple(roles))]


@cache
def _read_by_name(roles: tuple[str, ...]) -> tuple[str, ...]:
    names = [STUDY_FILE, RULES_FILE, *(PACKAGES if roles else ())]
    names += [f"{role}{suffix}" for role in roles for suffix in ROLE_SUFFIXES]
    return tuple(dict.fromkeys(name for one in names for name in _companions(one)))


def _with_companions(path: Path) -> list[Path]:
    return [path.with_name(name) for name in _companions(path.name)] if path.name else [path]


def _companions(name: str) -> list[str]:
    """The name of a file, and the names of those that belong to it."""
    stem = PurePath(name).stem
    return [name, *(stem + suffix for suffix in _BESIDE), *(name + end for end in _BEHIND)]


def merged(chain: tuple[Settings, ...], name: str) -> Any:
    """A setting as the last study of a chain states it.

    Parameters
    ----------
    chain : tuple of Settings
        The first base first.
    name : str
        Attribute of `Settings`.

    Returns
    -------
    object
        None where no study states it.
    """
    for settings in reversed(chain):
        value = getattr(settings, name)
        if value is not None:
            return value
    return None
