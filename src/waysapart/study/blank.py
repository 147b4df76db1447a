"""An empty study to fill in."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from waysapart.output import OutputFile, replacing, write_layer
from waysapart.schema import ROLES, Role
from waysapart.study.rule_keys import rules_text, toml_value
from waysapart.study.settings import RULES_FILE, STUDY_FILE, STUDY_PACKAGE

if TYPE_CHECKING:
    import geopandas as gpd

_TOML = """\
# A study: where the layers are and how to read them.
# Without [[layer]] entries, files named after the roles in this folder and layers
# so named in {package} are taken.

name = {name}
# revision = "A"
# crs = "EPSG:25832"       # working CRS in metres; left out: the UTM zone of the data
# rules = "rules.toml"     # where the rules stand; a rules.toml in this folder needs no mention
# extends = "../as-built"  # start from another study, then add, replace (same id) and remove
# remove = ["D-17"]        # with extends: ids that go
# out = ["S-41"]           # assets out of service now
# snap_m = 2.0             # how far a segment's end may lie from what it ends at

# To read a layer under other names, or from elsewhere:
#
# [[layer]]
# role = "segments"        # {roles}
# source = "plant.gpkg"    # a vector file that GDAL reads, GeoParquet, CSV or postgresql://...
# layer = "ducts"          # the layer inside the source
# where = "status = 'built'"
# columns = {{ id = "ASSET_NO", kind = "TYPE" }}   # our name = their name
# values = {{ kind = "duct" }}                     # constants for columns that the source lacks
# units = {{ length_m = "ft" }}                    # units of the source
# prefix = "D-"            # put before this layer's ids ...
# refers = ["within"]      # ... and before the ids in these columns
# crs = "EPSG:25832"       # for a layer that does not state its own
# accuracy_m = 1.0         # how well the whole layer is surveyed
#
# As soon as one [[layer]] is named, all layers have to be.
"""


def write_blank(folder: Path | str, crs: str = "EPSG:4326", *, force: bool = False) -> list[Path]:
    """Write empty layers with the right columns to fill in.

    Parameters
    ----------
    folder : path
        Made where needed.
    crs : str
        CRS of the empty layers.
    force : bool
        Whether files that are there already may be replaced.

    Returns
    -------
    list of Path
        study.toml, rules.toml with every rule commented out, study.gpkg with
        one layer for each role that needs geometry or may have it, and one CSV
        file for each other role.

    Raises
    ------
    CallError
        Where one of these files exists; nothing is written then.
    WriteError
        A file cannot be written; then none is.
    """
    folder = Path(folder)
    tables = [role for role in ROLES.values() if not role.geometry]
    paths = [folder / STUDY_FILE, folder / RULES_FILE, folder / STUDY_PACKAGE]
    paths += [folder / f"{role.name}.csv" for role in tables]
    targets = [OutputFile(path, "study") for path in paths]
    text = _TOML.format(
        name=toml_value(folder.resolve().name), package=STUDY_PACKAGE, roles=", ".join(ROLES)
    )
    texts = {STUDY_FILE: text, RULES_FILE: rules_text()}
    for role in tables:
        texts[f"{role.name}.csv"] = ",".join(column.name for column in role.columns) + "\n"
    with replacing(targets, force=force, folders=True) as change:
        for name, content in texts.items():
            change.place(folder / name).write_bytes(content.encode())
        package = change.place(folder / STUDY_PACKAGE)
        for role in ROLES.values():
            if role.geometry:
                _write_layer(role, package, crs)
    return paths


def _write_layer(role: Role, path: Path, crs: str) -> None:
    write_layer(
        _empty_layer(role, crs),
        path,
        layer=role.name,
        driver="GPKG",
        geometry_type=role.geometry[0] if len(role.geometry) == 1 else "Unknown",
        append=path.exists(),
    )


def _empty_layer(role: Role, crs: str) -> gpd.GeoDataFrame:
    import geopandas as gpd
    import pandas as pd

    from waysapart.study.columns import HIDDEN, empty_frame

    frame = empty_frame(role).drop(columns=list(HIDDEN))
    return gpd.GeoDataFrame(pd.DataFrame(frame), geometry=gpd.GeoSeries([], crs=crs))
