"""Where assets are: their own geometry, else that of what they run through, lie in or stand on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from waysapart.arrays import Ints, csr_row
from waysapart.network.routes import Routes, route_lines, routes
from waysapart.study.crs import LON_LAT
from waysapart.study.plane import stretch_of
from waysapart.verdicts.proof import ProofData


class AssetShapes:
    """Geometries of assets and paths of a proof in longitude and latitude, each found once.

    Parameters
    ----------
    proof : ProofData
    """

    def __init__(self, proof: ProofData) -> None:
        self._proof = proof
        self._assets = proof.network.assets
        self._shapes: dict[int, Any] | None = None
        self._drawn: tuple[Routes, np.ndarray, Ints] | None = None

    def of(self, number: int) -> Any:
        """Geometry of an asset: its own, that of a cable's segments, else that of its holder.

        Parameters
        ----------
        number : int

        Returns
        -------
        Geometry or None
            Degrees; None where nothing on record places it.
        """
        if self._shapes is None:
            self._shapes = {}
            for role in ("sites", "structures", "holders", "segments", "hazards"):
                start = self._assets.start[role]
                for place, shape in enumerate(self._proof.study.lonlat(role)):
                    if shape is not None:
                        self._shapes[start + place] = shape
        if number in self._shapes:
            return self._shapes[number]
        found = self._cable(number) or self._holder(number)
        self._shapes[number] = found
        return found

    def _cable(self, number: int) -> Any:
        cables = self._assets.of_role("cables")
        if not cables.start <= number < cables.stop:
            return None
        chains = self._proof.network.chains
        segments = chains.segment[chains.rows(number - cables.start)]
        if not len(segments):
            return None
        return shapely.multilinestrings(
            list(self._proof.study.lonlat("segments")[np.unique(segments)])
        )

    def _holder(self, number: int) -> Any:
        """The geometry of the nearest thing that it lies in or stands on."""
        if number >= len(self._assets):
            return None
        steps = self._proof.reliance.steps + self._proof.reliance.works
        seen, layer = {number}, [number]
        shapes = self._shapes or {}
        while layer:
            for at in layer:
                if shapes.get(at) is not None:
                    return shapes[at]
            further = []
            for at in layer:
                for holder in csr_row(steps, at).tolist():
                    if holder not in seen:
                        seen.add(holder)
                        further.append(holder)
            layer = further
        return None

    def drawn(self) -> tuple[Routes, np.ndarray, Ints]:
        """The routes of paths, the lines that they follow in degrees, and the line of each row."""
        if self._drawn is None:
            route = routes(self._proof.network)
            lines, line, _ = route_lines(self._proof.network, route)
            self._drawn = route, lines, line
        return self._drawn

    def paths(self) -> list[Any]:
        """The lines that each path follows, each once; None for a path without any."""
        route, lines, line = self.drawn()
        bounds = np.searchsorted(route.path, np.arange(len(self._proof.network.paths) + 1))
        return [
            shapely.multilinestrings(list(lines[np.unique(line[begin:end])]))
            if begin < end
            else None
            for begin, end in zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True)
        ]

    def stretch(self, line: int, from_m: float, to_m: float) -> shapely.LineString:
        """The stretch of a line that paths follow, between two distances from its first vertex.

        Parameters
        ----------
        line : int
        from_m, to_m : float

        Returns
        -------
        LineString
        """
        _, lines, _ = self.drawn()
        whole = self._proof.spacing.layout.pieces.line_length_m
        share = np.clip(np.array([from_m, to_m]) / max(float(whole[line]), 1e-9), 0, 1)
        return stretch_of(lines[line], float(share[0]), float(share[1]))

    def series(self, shapes: Sequence[Any]) -> gpd.GeoSeries:
        """Geometries for a frame: longitudes run on across the antimeridian.

        Parameters
        ----------
        shapes : sequence of Geometry or None
            Degrees.

        Returns
        -------
        GeoSeries
            EPSG:4326, within 180 degrees of the middle of the plant, so that no line goes round
            the globe.
        """
        values = np.empty(len(shapes), dtype=object)
        values[:] = list(shapes)
        return gpd.GeoSeries(self._proof.study.plane.run_on(values), crs=LON_LAT)
