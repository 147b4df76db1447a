"""A study back to files, in any of the formats that it may come in."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import tomli_w

from waysapart.errors import CallError
from waysapart.output_files import OutputFile, replacing, write_layer
from waysapart.schema import ROLES
from waysapart.study.crs import LON_LAT, crs_label
from waysapart.study.settings import RULES_FILE, STUDY_FILE, STUDY_PACKAGE
from waysapart.study.sources import write_csv

if TYPE_CHECKING:
    from pyproj import CRS

    from waysapart.study.model import Study

Format = Literal["gpkg", "fgb", "shp", "parquet", "geojson", "csv"]
FORMATS: tuple[Format, ...] = ("gpkg", "fgb", "shp", "parquet", "geojson", "csv")

_DRIVERS = {"gpkg": "GPKG", "fgb": "FlatGeobuf", "shp": "ESRI Shapefile", "geojson": "GeoJSON"}
_HIDDEN = ("_layer", "_row")
_SHAPE_NAME_LENGTH = 10
_SHAPE_TEXT_BYTES = 254


@dataclass(frozen=True, slots=True)
class LayerRows:
    """Rows of one role that go into one layer, their geometry in `crs`."""

    role: str
    name: str
    frame: pd.DataFrame
    accuracy_m: float
    has_geometry: bool
    crs: CRS


def write_study(
    study: Study, folder: Path | str, fmt: Format = "gpkg", *, force: bool = False
) -> list[Path]:
    """Write a study into a folder, with a study.toml that reads it back the same.

    Parameters
    ----------
    study : Study
    folder : path
        Made where needed.
    fmt : {'gpkg', 'fgb', 'shp', 'parquet', 'geojson', 'csv'}
        Format of what has geometry. Tables without geometry go into the same
        GeoPackage, into Parquet, or else into CSV. In a Shapefile names are cut
        to ten letters, which the written `columns` map back; extra columns keep
        the cut name. GeoJSON is in WGS 84, the other formats in the study's
        working CRS; where a waiver states the digest of what it accepts, in the CRS of
        the layer that a row came from, since that is what the digest is of. From CSV,
        numbers in extra columns come back as text.
    force : bool
        Whether files that are there already may be replaced.

    Returns
    -------
    list of Path
        Files written, study.toml first.

    Raises
    ------
    CallError
        Where the format is unknown, a file is there already, a text is too
        long for a Shapefile, or the study has references cut by a proposal,
        which no files can hold.
    WriteError
        A file cannot be written; then none is.
    """
    folder = Path(folder)
    if fmt not in FORMATS:
        raise CallError(f"unknown format {fmt!r}; expected one of {', '.join(FORMATS)}")
    if study.gaps:
        raise CallError(
            "the study refers to ids that its proposal removes; write the study that it extends, "
            "or remove what refers to them as well"
        )
    parts = parts_of(study, fmt)
    files = list(dict.fromkeys(folder / _file_of(part, fmt) for part in parts))
    wanted = [folder / STUDY_FILE, *([folder / RULES_FILE] if study.rules.own() else []), *files]
    beside = [
        path.with_suffix(suffix)
        for path in files
        if path.suffix == ".shp"
        for suffix in (".shx", ".dbf", ".prj", ".cpg")
    ]
    targets = [OutputFile(path, "study") for path in (*wanted, *beside)]
    with replacing(targets, study.files, force=force, folders=True) as change:
        layers = write_parts(parts, lambda name: change.place(folder / name), fmt)
        for name, text in study_texts(study, layers).items():
            change.place(folder / name).write_bytes(text.encode())
    return wanted


def parts_of(study: Study, fmt: Format) -> list[LayerRows]:
    """The layers that a study is written as."""
    return [part for role in ROLES for part in _parts(study, role, fmt)]


def write_parts(
    parts: Sequence[LayerRows],
    place: Callable[[str], Path],
    fmt: Format,
    package: str = STUDY_PACKAGE,
) -> list[dict[str, object]]:
    """Write layers, each to where `place` puts a file of its name; returns their `[[layer]]`."""
    layers = []
    for part in parts:
        name = package if fmt == "gpkg" else _file_of(part, fmt)
        layers.append({"role": part.role, "source": name} | _write_part(part, place(name), fmt))
    return layers


def study_texts(
    study: Study,
    layers: Sequence[Mapping[str, object]],
    settings: str = STUDY_FILE,
    rules: str = RULES_FILE,
) -> dict[str, str]:
    """The TOML files of a study by their names: its own, and that of its rules if it has any."""
    own = dict(study.rules.own())
    head: dict[str, object] = {"name": study.name}
    if study.revision is not None:
        head["revision"] = study.revision
    head["crs"] = _crs_text(study.crs)
    head["snap_m"] = study.snap_m
    if study.out:
        head["out"] = list(study.out)
    if own:
        head["rules"] = rules
    head["layer"] = list(layers)
    texts = {settings: tomli_w.dumps(head)}
    return texts | ({rules: tomli_w.dumps(own)} if own else {})


def _crs_text(crs: CRS) -> str:
    label = crs_label(crs)
    return label if ":" in label and crs.to_authority() else crs.to_wkt()


def _parts(study: Study, role: str, fmt: Format) -> Iterator[LayerRows]:
    """The rows of a role, apart where one layer cannot hold them together.

    Rows with and without geometry are apart, rows of layers with different
    accuracy, and in Shapefiles rows with different types of geometry; rows of layers in
    different coordinate systems where they are written in their own.
    """
    frame = study.tables[role]
    if not len(frame):
        return
    accuracies = np.array([layer.accuracy_m for layer in study.layers])
    accuracy = accuracies[frame["_layer"].to_numpy()]
    plain = pd.DataFrame(frame)
    systems, system = [study.crs], np.zeros(len(frame), dtype=np.int64)
    if ROLES[role].geometry:
        geometry = frame["geometry"].to_numpy()
        if any(waiver.record is not None for waiver in study.rules.waivers) and fmt != "geojson":
            geometry, crs = study.given_geometry(role, np.arange(len(frame)))
            systems = list(dict.fromkeys(crs))
            system = np.array([systems.index(one) for one in crs])
            shifts = np.array([layer.shift_m for layer in study.layers])
            moved = np.array([one != study.crs for one in systems])[system]
            accuracy = accuracy - np.where(moved, shifts[frame["_layer"].to_numpy()], 0.0)
            plain = plain.assign(geometry=geometry)
        kind = np.where(shapely.is_missing(geometry), -1, 0)
        if fmt == "shp":
            # a Shapefile's lines and polygons are single or multiple alike
            family = {0: 0, 1: 1, 2: 1, 3: 3, 4: 4, 5: 1, 6: 3, 7: 7}
            types = shapely.get_type_id(geometry).tolist()
            kind = np.array([family.get(number, -1) for number in types])
    else:
        kind = np.full(len(frame), -1)
    keys = zip(kind.tolist(), accuracy.tolist(), system.tolist(), strict=True)
    groups = sorted(set(keys))
    for number, (of_kind, of_accuracy, of_crs) in enumerate(groups, start=1):
        rows = plain[(kind == of_kind) & (accuracy == of_accuracy) & (system == of_crs)]
        name = role if len(groups) == 1 else f"{role}_{number}"
        rows = _trimmed(role, rows)
        yield LayerRows(role, name, rows, of_accuracy, of_kind >= 0, systems[of_crs])


def _trimmed(role: str, frame: pd.DataFrame) -> pd.DataFrame:
    """The rows without hidden columns and without optional columns that are blank."""
    known = ROLES[role].column
    blank = [
        name
        for name, column in known.items()
        if name in frame and not column.required and frame[name].isna().all()
    ]
    frame = frame.drop(columns=[*_HIDDEN, *blank]).reset_index(drop=True)
    if "geometry" in frame and frame["geometry"].isna().all():
        frame = frame.drop(columns="geometry")
    return frame


def _file_of(part: LayerRows, fmt: Format) -> str:
    if fmt == "gpkg":
        return STUDY_PACKAGE
    if fmt == "parquet" or part.has_geometry:
        return f"{part.name}.{fmt}"
    return f"{part.name}.csv"


def _write_part(part: LayerRows, path: Path, fmt: Format) -> dict[str, object]:
    """Write one layer; returns what its `[[layer]]` says beyond role and source."""
    entry: dict[str, object] = {}
    if part.accuracy_m:
        entry["accuracy_m"] = part.accuracy_m
    frame = part.frame
    if path.suffix == ".csv":
        if part.has_geometry:
            entry["crs"] = _crs_text(part.crs)
            wkt = shapely.to_wkt(frame["geometry"].to_numpy(), rounding_precision=-1)
            frame = frame.assign(geometry=wkt)
        write_csv(frame, path)
        return entry
    if fmt == "shp":
        _check_text_length(part)
        names = _short_names(frame)
        frame = frame.rename(columns=names)
        columns = {
            ours: theirs
            for ours, theirs in names.items()
            if ours != theirs and ours in ROLES[part.role].column
        }
        if columns:
            entry["columns"] = columns
    if part.has_geometry:
        frame = gpd.GeoDataFrame(frame, geometry="geometry", crs=part.crs)
    if fmt == "parquet":
        frame.to_parquet(path, index=False)
        return entry
    _write_vector(frame, path, part.name, fmt)
    if fmt == "gpkg":
        entry["layer"] = part.name
    return entry


def _write_vector(frame: pd.DataFrame, path: Path, layer: str, fmt: Format) -> None:
    options: dict[str, object] = {}
    if fmt == "gpkg":
        frame = frame.rename(columns=_distinct_names(frame))
        options |= reserved_names(frame)
    if fmt == "geojson" and isinstance(frame, gpd.GeoDataFrame):
        frame = frame.to_crs(LON_LAT)
        options |= {"RFC7946": "NO", "COORDINATE_PRECISION": "15", "WRITE_NAME": "NO"}
    if fmt == "shp":
        options["ENCODING"] = "UTF-8"
    if fmt == "fgb":
        options["SPATIAL_INDEX"] = "NO"  # an index would put the rows into another order
    write_layer(
        frame,
        path,
        layer=layer,
        driver=_DRIVERS[fmt],
        append=fmt == "gpkg" and path.exists(),
        layer_options=options,
    )


def reserved_names(frame: pd.DataFrame) -> dict[str, object]:
    """What a GeoPackage calls its own two columns, where the table has columns of these names."""
    taken = {str(name).casefold() for name in frame if name != "geometry"}
    names: dict[str, object] = {}
    for option, usual in (("FID", "_fid"), ("GEOMETRY_NAME", "geom")):
        name = usual
        while name in taken:
            name += "_"
        names[option] = name
    return names


def _distinct_names(frame: pd.DataFrame) -> Mapping[str, str]:
    """New names for columns that differ in case only, which SQLite does not tell apart."""
    taken: set[str] = set()
    names = {}
    for name in frame:
        new, number = str(name), 2
        while new.casefold() in taken:
            new, number = f"{name}_{number}", number + 1
        taken.add(new.casefold())
        if new != name:
            names[str(name)] = new
    return names


def _short_names(frame: pd.DataFrame) -> dict[str, str]:
    """Names of at most ten bytes, distinct whatever their case."""
    taken: set[str] = set()
    names = {}
    for name in frame:
        if name == "geometry":
            continue
        new, number = _cut(str(name), _SHAPE_NAME_LENGTH), 2
        while new.casefold() in taken:
            end = f"_{number}"
            new, number = _cut(str(name), _SHAPE_NAME_LENGTH - len(end)) + end, number + 1
        taken.add(new.casefold())
        names[str(name)] = new
    return names


def _cut(name: str, most: int) -> str:
    return name.encode()[:most].decode(errors="ignore")


def _check_text_length(part: LayerRows) -> None:
    for name, values in part.frame.items():
        if isinstance(values.dtype, pd.StringDtype):
            longest = values.dropna().map(lambda text: len(text.encode())).max()
            if longest > _SHAPE_TEXT_BYTES:
                raise CallError(
                    f"{part.role}, column {name}: a text of {longest} bytes; a Shapefile holds "
                    f"{_SHAPE_TEXT_BYTES} at most, so take another format"
                )
