"""A plant with two paths between two sites, drawn by hand, for digs and outages."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from pyproj import Transformer

from drawn_plant import CRS, EAST, NORTH, DrawnPlant


def two_ways() -> DrawnPlant:
    plant = DrawnPlant((0, 0), (4000, 0))
    plant.nodes("pit", P1=(1000, 0), P2=(2000, 0), P3=(3000, 0))
    plant.nodes("pit", Q1=(0, -400), Q2=(2000, -400), Q3=(4000, -400))
    for name, a, b in (
        ("d1", "A", "P1"),
        ("d2", "P1", "P2"),
        ("d3", "P2", "P3"),
        ("d4", "P3", "B"),
    ):
        plant.segment(name, "duct", a, b)
    for name, a, b in (
        ("e1", "A", "Q1"),
        ("e2", "Q1", "Q2"),
        ("e3", "Q2", "Q3"),
        ("e4", "Q3", "B"),
    ):
        plant.segment(name, "duct", a, b)
    plant.listed("CM", "d1 d2 d3 d4")
    plant.listed("CA", "e1 e2 e3 e4")
    plant.circuit("CM", "CA")
    return plant


def with_powers(plant: DrawnPlant) -> DrawnPlant:
    """The same with all that the optical margin of every link needs."""
    for row in plant.rows["links"]:
        row |= {"tx_min_dbm": 0, "rx_min_dbm": -40, "splices": 2}
    return plant


def area(*shapes: Any, crs: str = CRS) -> gpd.GeoDataFrame:
    """Shapes in metres of the drawn plant."""
    moved = [shapely.transform(shape, lambda p: np.add(p, (EAST, NORTH))) for shape in shapes]
    return gpd.GeoDataFrame(geometry=moved, crs=CRS).to_crs(crs)


def degrees(x: float, y: float) -> tuple[float, float]:
    turn = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
    lon, lat = turn.transform(EAST + x, NORTH + y)
    return lon, lat
