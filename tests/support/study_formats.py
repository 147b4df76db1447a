"""A study written into a folder, in any of the formats that a study may come in."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Literal

import geopandas as gpd
import pandas as pd
import pyogrio
import shapely

from waysapart.schema import ROLES
from waysapart.study.crs import LON_LAT
from waysapart.study.model import Study
from waysapart.study.sources import write_csv
from waysapart.study.write import LayerRows, parts_of, study_texts, write_parts

Format = Literal["gpkg", "fgb", "shp", "parquet", "geojson", "csv"]
FORMATS: tuple[Format, ...] = ("gpkg", "fgb", "shp", "parquet", "geojson", "csv")
_DRIVERS = {"fgb": "FlatGeobuf", "shp": "ESRI Shapefile", "geojson": "GeoJSON"}
_OPTIONS = {
    "fgb": {"SPATIAL_INDEX": "NO"},  # an index would put the rows into another order
    "shp": {"ENCODING": "UTF-8"},
    "geojson": {"RFC7946": "NO", "COORDINATE_PRECISION": "15", "WRITE_NAME": "NO"},
}


def write_study(study: Study, folder: Path, fmt: Format = "gpkg") -> Path:
    """Write a study with a study.toml that reads it back the same; returns that file.

    Tables without geometry go into the same GeoPackage, into Parquet, or else into CSV. In a
    Shapefile names are cut to ten letters, which the written `columns` map back; extra columns
    keep the cut name. GeoJSON is in WGS 84. From CSV, numbers in extra columns come back as text.
    """
    folder.mkdir(parents=True, exist_ok=True)
    if fmt == "gpkg":
        (folder / "study.gpkg").unlink(missing_ok=True)
        layers = write_parts(parts_of(study), folder / "study.gpkg", "study.gpkg")
    else:
        layers = [_write_part(one, folder, fmt) for part in parts_of(study) for one in _split(part)]
    for name, text in study_texts(study, layers).items():
        (folder / name).write_text(text, encoding="utf-8", newline="")
    return folder / "study.toml"


def _split(part: LayerRows) -> Iterator[LayerRows]:
    """Points, lines and polygons of one layer apart: a Shapefile holds one of them."""
    if not part.has_geometry:
        yield part
        return
    kinds = shapely.get_dimensions(part.frame["geometry"].to_numpy())
    for kind in sorted(set(kinds.tolist())):
        name = part.name if (kinds == kind).all() else f"{part.name}_{kind}d"
        rows = part.frame[kinds == kind].reset_index(drop=True)
        yield replace(part, name=name, frame=rows)


def _write_part(part: LayerRows, folder: Path, fmt: Format) -> dict[str, object]:
    """Write one layer; returns its `[[layer]]`."""
    suffix = fmt if fmt == "parquet" or part.has_geometry else "csv"
    path = folder / f"{part.name}.{suffix}"
    entry: dict[str, object] = {"role": part.role, "source": path.name}
    if part.accuracy_m:
        entry["accuracy_m"] = part.accuracy_m
    frame = part.frame
    if suffix == "csv":
        if part.has_geometry:
            entry["crs"] = part.crs.to_string()
            wkt = shapely.to_wkt(frame["geometry"].to_numpy(), rounding_precision=-1)
            frame = frame.assign(geometry=wkt)
        write_csv(frame, path)
        return entry
    if fmt == "shp":
        names = _short_names(frame)
        frame = frame.rename(columns=names)
        known = ROLES[part.role].column
        cut = {ours: theirs for ours, theirs in names.items() if ours != theirs and ours in known}
        if cut:
            entry["columns"] = cut
    if part.has_geometry:
        frame = gpd.GeoDataFrame(frame, geometry="geometry", crs=part.crs)
    if fmt == "parquet":
        frame.to_parquet(path, index=False)
        return entry
    if fmt == "geojson":
        frame = frame.to_crs(LON_LAT)
    pyogrio.write_dataframe(frame, path, driver=_DRIVERS[fmt], layer_options=_OPTIONS[fmt])
    return entry


def _short_names(frame: pd.DataFrame) -> dict[str, str]:
    """Names of at most ten bytes, distinct whatever their case."""
    taken: set[str] = set()
    names = {}
    for name in map(str, frame):
        if name != "geometry":
            new, number = _cut(name, 10), 2
            while new.casefold() in taken:
                end = f"_{number}"
                new, number = _cut(name, 10 - len(end)) + end, number + 1
            taken.add(new.casefold())
            names[name] = new
    return names


def _cut(name: str, most: int) -> str:
    return name.encode()[:most].decode(errors="ignore")
