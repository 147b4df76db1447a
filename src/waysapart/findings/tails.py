"""The tail of a circuit: what all its paths run through inside an end site, before they part."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cached_property

import numpy as np
import scipy.sparse as sp

from waysapart.arrays import Bools, Ints, csr_row
from waysapart.network.assets import listed, reached
from waysapart.reliance.closure import union
from waysapart.reliance.rely import Reliance

INDOOR_KINDS = ("tray", "riser")
"""Kinds of segments in which patch cords run from rack to rack. Every other segment is laid
plant, and no part of a tail, wherever it lies."""


class Indoors:
    """The equipment of each site, and the hops that do not leave it.

    Parameters
    ----------
    reliance : Reliance
    """

    def __init__(self, reliance: Reliance) -> None:
        network = reliance.network
        assets, tables = network.assets, network.study.tables
        self.reliance = reliance
        self.count = len(assets)
        self.role = assets.frame["role"].to_numpy(dtype=object)
        links = tables["links"]
        self.a: list[int] = assets.numbers(links["a"]).tolist()
        self.b: list[int] = assets.numbers(links["b"]).tolist()
        site = np.full(self.count, -1, dtype=np.int64)
        for role, place in (("equipment", "site"), ("supplies", "site"), ("joints", "at")):
            site[assets.of_role(role)] = assets.numbers(tables[role][place])
        self.site: list[int] = site.tolist()
        """By asset, the site of an equipment or supply, and the place of a joint; else -1."""
        self._via: dict[int, list[int]] = {}
        self._here: dict[tuple[int, int], bool] = {}
        row, names = listed(links["via"])
        for link, machine in zip(row.tolist(), assets.numbers(names).tolist(), strict=True):
            self._via.setdefault(link, []).append(machine)

    def home(self, link: int) -> int:
        """Return the site in which both ends of a hop and all equipment on it stand.

        Parameters
        ----------
        link : int

        Returns
        -------
        int
            Asset number; -1: none.
        """
        site = self._site_of(self.a[link])
        others = (self.b[link], *self._via.get(link, ()))
        return site if all(self._site_of(one) == site for one in others) else -1

    def across(self, link: int, machine: int) -> int:
        """Return the equipment at the other end of a hop.

        Parameters
        ----------
        link : int
        machine : int
            Asset number of the equipment at this end.

        Returns
        -------
        int
            Asset number; -1 where the hop does not end at `machine`.
        """
        if machine == self.a[link]:
            return self.b[link]
        return self.a[link] if machine == self.b[link] else -1

    def common(self, paths: Sequence[Sequence[int]], end: int) -> list[int]:
        """Find the hops inside the site of an end equipment that all paths begin with.

        Parameters
        ----------
        paths : sequence of sequence of int
            Links of each path, in order from this end.
        end : int
            Asset number of the equipment at this end.

        Returns
        -------
        list of int
            Links, up to the first that is not the same on all paths or that leads out of the site.
            None where the paths never part.
        """
        if not paths or all(list(one) == list(paths[0]) for one in paths):
            return []
        site, at = self._site_of(end), end
        hops: list[int] = []
        for step in zip(*paths, strict=False):
            link = step[0]
            onward = self.across(link, at)
            if len(set(step)) > 1 or onward < 0 or site < 0 or self.home(link) != site:
                break
            hops.append(link)
            at = onward
        return hops

    def brings(self, hops: Iterable[int], site: int) -> set[int]:
        """Find what hops inside a site are made of, and what that relies on inside the site.

        Parameters
        ----------
        hops : iterable of int
            Links.
        site : int
            Asset number of the site.

        Returns
        -------
        set of int
            Columns (assets, then links): the equipment passed, its supplies, what both
            need, and the holders of any of these; the hops themselves; cords and joints;
            trays and risers. Structures, laid plant, hazards and what stands elsewhere
            are never among them, nor is a holder that reaches beyond the site.
        """
        items = self.reliance.link_items
        found: set[int] = set()
        for link in hops:
            mine = csr_row(items, link).tolist()
            cord = not any(self._laid(one, site) for one in mine)
            found |= {one for one in mine if self.stands(one, site)}
            found |= {one for one in mine if cord and self._is(one, "cables")}
        waiting = list(found)
        while waiting:
            at = waiting.pop()
            if at >= self.count:
                continue
            ahead = self._ahead
            for onward in csr_row(ahead, at).tolist():
                if onward not in found and self.stands(onward, site):
                    found.add(onward)
                    waiting.append(onward)
        return found

    def _site_of(self, machine: int) -> int:
        return self.site[machine] if machine >= 0 else -1

    def _is(self, column: int, role: str) -> bool:
        return column < self.count and bool(self.role[column] == role)

    def stands(self, column: int, site: int) -> bool:
        """Tell whether an asset may be part of a tail at a site: by itself, whatever it belongs to.

        Parameters
        ----------
        column : int
            Assets, then links.
        site : int
            Asset number of the site.

        Returns
        -------
        bool
        """
        if column >= self.count:
            return True
        role = self.role[column]
        if role in ("equipment", "supplies", "joints"):
            return self.site[column] == site
        if role == "segments":
            return not self._laid(column, site)
        if role == "holders":
            return self._only_here(column, site)
        return bool(role == "patches")

    def _only_here(self, holder: int, site: int) -> bool:
        """Whether a holder lies in no other site, and holds nothing that stands elsewhere."""
        key = holder, site
        if key not in self._here:
            places = self.reliance.network.assets.of_role("sites")
            above = reached(self.reliance.network.within, holder)
            sites = {one for one in above if places.start <= one < places.stop}
            inside = reached(self._down, holder)
            self._here[key] = sites <= {site} and all(self._is_here(one, site) for one in inside)
        return self._here[key]

    def _is_here(self, asset: int, site: int) -> bool:
        """Whether something that a holder holds stands, lies or ends at a site."""
        role = self.role[asset]
        if role in ("equipment", "supplies"):
            return self.site[asset] == site
        if role == "segments":
            number = asset - self.reliance.network.assets.start["segments"]
            ends = self.reliance.network.ends
            return all(self._on(int(one), site) for one in (ends.a[number], ends.b[number]))
        return role == "holders" or self._on(asset, site)

    def _on(self, place: int, site: int) -> bool:
        """Whether a structure or site is a site, or lies in it."""
        return place == site or (
            place >= 0 and site in reached(self.reliance.network.within, place)
        )

    def _laid(self, column: int, site: int) -> bool:
        """Whether it is a structure, or a segment that is no tray or riser inside the site."""
        if self._is(column, "structures"):
            return True
        if not self._is(column, "segments"):
            return False
        number = column - self.reliance.network.assets.start["segments"]
        ends = self.reliance.network.ends
        inside = int(ends.a[number]) == site and int(ends.b[number]) == site
        return not (self._indoor[number] and inside)

    @cached_property
    def _indoor(self) -> Bools:
        kinds = self.reliance.network.study.tables["segments"]["kind"]
        return np.asarray(kinds.isin(INDOOR_KINDS).to_numpy(), dtype=np.bool_)

    @cached_property
    def _down(self) -> sp.csr_array:
        return sp.csr_array(self.reliance.network.within.T)

    @cached_property
    def _ahead(self) -> sp.csr_array:
        return union(self.reliance.steps, self.reliance.works)


def tail_hops(indoors: Indoors, paths: Sequence[int]) -> list[tuple[int, list[int]]]:
    """Find the site and the common hops at both ends of a circuit, each in order from its end.

    Parameters
    ----------
    indoors : Indoors
    paths : sequence of int
        The paths of one circuit that count.

    Returns
    -------
    list of (int, list of int)
        Asset number of the site (-1: none), and links; end a, then end b.
    """
    network = indoors.reliance.network
    if not len(paths):
        return []
    circuit = network.study.tables["circuits"].iloc[int(network.paths.circuit[paths[0]])]
    machines = network.assets.numbers([circuit["a"], circuit["b"]]).tolist()
    courses = [network.paths.links(path).tolist() for path in paths]
    return [
        (
            indoors.site[machine] if machine >= 0 else -1,
            indoors.common([one[::way] for one in courses], machine),
        )
        for machine, way in zip(machines, (1, -1), strict=True)
    ]


def tail_columns(indoors: Indoors, paths: Ints) -> set[int]:
    """Find all that the tails of a circuit at both its ends are made of.

    Parameters
    ----------
    indoors : Indoors
    paths : ndarray of int
        The paths of one circuit that count.

    Returns
    -------
    set of int
        Columns: assets, then links.
    """
    found: set[int] = set()
    for site, hops in tail_hops(indoors, paths.tolist()):
        if hops:
            found |= indoors.brings(hops, site)
    return found
