"""Where cable ends meet: at one structure, on one site, at a joint, or at an equipment's site."""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations

import shapely

from waysapart.network.assets import Assets, listed
from waysapart.study.model import Study


class Reach:
    """Whether a cable's end reaches a site: it is the site, lies within it, or touches it."""

    def __init__(
        self, study: Study, assets: Assets, holders: Callable[[int], frozenset[int]]
    ) -> None:
        self._sites = assets.of_role("sites")
        self._structures = assets.of_role("structures")
        self._site_shapes = study.geometries("sites")
        self._structure_shapes = study.geometries("structures")
        self._holders = holders
        self._snap_m = study.snap_m
        self._known: dict[tuple[int, int], bool] = {}

    def is_site(self, node: int) -> bool:
        """Whether an asset number is a site's."""
        return int(self._sites.start) <= node < int(self._sites.stop)

    def reaches(self, node: int, site: int) -> bool:
        """An end that meets nothing is a gap of its own and not reported twice."""
        if node < 0 or site < 0 or node == site:
            return True
        if (node, site) not in self._known:
            self._known[node, site] = site in self._holders(node) or self._touches(node, site)
        return self._known[node, site]

    def meet(self, one: int, other: int) -> bool:
        """Two cable ends meet in one place, or in a site and a structure on it."""
        if one < 0 or other < 0 or one == other:
            return True
        return (self.is_site(one) and one in self._holders(other)) or (
            self.is_site(other) and other in self._holders(one)
        )

    def _touches(self, node: int, site: int) -> bool:
        if not self._structures.start <= node < self._structures.stop:
            return False
        shape = self._structure_shapes[node - self._structures.start]
        metres = shapely.distance(shape, self._site_shapes[site - self._sites.start])
        return bool(metres <= self._snap_m)


def joint_places(study: Study, assets: Assets) -> dict[frozenset[int], set[int]]:
    """Where two cables are spliced: pairs of cable numbers to places."""
    joints = study.tables["joints"]
    at = assets.numbers(joints["at"])
    rows, names = listed(joints["cables"])
    cables = assets.numbers(names) - assets.start["cables"]
    joined: dict[int, list[int]] = {}
    for joint, cable in zip(rows.tolist(), cables.tolist(), strict=True):
        joined.setdefault(joint, []).append(cable)
    found: dict[frozenset[int], set[int]] = {}
    for joint, members in joined.items():
        for one, other in combinations(members, 2):
            found.setdefault(frozenset((one, other)), set()).add(int(at[joint]))
    return found
