"""Why a path relies on an asset, and in which order a path meets what it relies on."""

from __future__ import annotations

from functools import cached_property

import numpy as np
import shapely

from waysapart.arrays import Ints, csr_row, owners
from waysapart.network.assets import listed
from waysapart.reliance.rely import Reliance
from waysapart.schema import ROLES

_LEADS = ("within", "site", "at", "needs", "supplies", "carried_by")
"""Columns by which one asset leads to others, in the order in which they are followed."""


class ReasonChains:
    """Chains from a path to the assets that it relies on, computed on demand.

    Parameters
    ----------
    reliance : Reliance
    """

    def __init__(self, reliance: Reliance) -> None:
        self._reliance = reliance
        network = reliance.network
        self._wide = len(network.assets)
        self._ids = network.assets.frame["id"].to_numpy()
        self._links = network.study.tables["links"]["id"].to_numpy()
        back = (reliance.steps + reliance.works).T.tocsr()
        self._back_first, self._back = back.indptr, back.indices
        self._cables = network.assets.of_role("cables")
        self._segments = network.assets.of_role("segments")
        passed = network.passed
        first = np.searchsorted(passed.segment, np.arange(len(network.segment_m) + 1))
        self._passed_first, self._passed = first.tolist(), passed.structure
        self._relied: dict[int, frozenset[int]] = {}
        self._items_of_link: dict[int, dict[int, tuple[str, ...]]] = {}
        self._cable_items: dict[int, dict[int, tuple[str, ...]]] = {}

    def to(self, path: int, asset: int) -> list[str]:
        """Return the ids of a chain from a link to an asset, without the asset itself.

        Parameters
        ----------
        path : int
        asset : int
            Number of an asset that the path relies on, or of a link after the assets.

        Returns
        -------
        list of str
            Shortest such chain; empty where the path does not rely on it.
        """
        if asset >= self._wide:
            return []
        direct = self._item(path, asset)
        if direct is not None:
            return list(direct)
        relied = self._path_relied(path)
        if asset not in relied:
            return []
        came: dict[int, int] = {asset: -1}
        layer = [asset]
        while layer:
            further = []
            for at in layer:
                for before in self._back[self._back_first[at] : self._back_first[at + 1]].tolist():
                    if before in came or before not in relied:
                        continue
                    came[before] = at
                    direct = self._item(path, before)
                    if direct is not None:
                        return [*direct, *self._down(before, came)]
                    further.append(before)
            layer = further
        return []

    def _down(self, start: int, came: dict[int, int]) -> list[str]:
        chain = []
        at = start
        while came[at] != -1:
            chain.append(str(self._ids[at]))
            at = came[at]
        return chain

    def _path_relied(self, path: int) -> frozenset[int]:
        if path not in self._relied:
            matrix = self._reliance.paths
            row = csr_row(matrix, path)
            self._relied[path] = frozenset(row.tolist())
        return self._relied[path]

    def _item(self, path: int, item: int) -> tuple[str, ...] | None:
        """Chain to what a path uses directly, from its first link that does; else None."""
        for link in self._reliance.network.paths.links(path).tolist():
            chain = self._link_items(link).get(item)
            if chain is not None:
                return chain
        return None

    def _link_items(self, link: int) -> dict[int, tuple[str, ...]]:
        if link in self._items_of_link:
            return self._items_of_link[link]
        reliance, pieces = self._reliance, self._reliance.network.pieces
        name = str(self._links[link])
        matrix = reliance.link_items
        row = csr_row(matrix, link).tolist()
        found: dict[int, tuple[str, ...]] = {}
        low, high = np.searchsorted(pieces.link, [link, link + 1])
        for part in pieces.part[low:high].tolist():
            for item, chain in self._part_chains(part).items():
                found.setdefault(item, (name, *chain))
        for item in row:
            if item < self._wide:
                found.setdefault(item, (name,))
        self._items_of_link[link] = {item: found[item] for item in row if item in found}
        return self._items_of_link[link]

    def _part_chains(self, part: int) -> dict[int, tuple[str, ...]]:
        """Chains from a cable to its segments and structures, through its carriers where needed."""
        if part in self._cable_items:
            return self._cable_items[part]
        network = self._reliance.network
        parts, chains = network.parts, network.chains
        cable = int(parts.cable[part])
        name = str(self._ids[self._cables.start + cable])
        found: dict[int, tuple[str, ...]] = {self._cables.start + cable: ()}
        rows = slice(int(parts.first[part]), int(parts.first[part + 1]))
        courses = (parts.segment, parts.entry, parts.exit)
        for segment, *ends in zip(*(one[rows].tolist() for one in courses), strict=True):
            asset = self._segments.start + segment
            onto = (name, str(self._ids[asset]))
            found.setdefault(asset, (name,))
            low, high = self._passed_first[segment], self._passed_first[segment + 1]
            for node in (*ends, *self._passed[low:high].tolist()):
                if node >= 0:
                    found.setdefault(node, onto)
        matrix = self._reliance.parts
        listed = csr_row(matrix, part).tolist()
        carrier = int(chains.carrier[cable])
        if carrier >= 0:
            for item, chain in self._part_chains(carrier).items():
                found.setdefault(item, (name, *chain))
        for item in listed:
            found.setdefault(item, (name,))
        self._cable_items[part] = {item: found[item] for item in listed}
        return self._cable_items[part]


class Encounters:
    """The order in which paths meet what they rely on, by the records and never by the ids.

    A path meets what its links rely on link by link, from the circuit's end a. Within a link the
    order is its equipment (a, `via`, b), then its cables with their segments and structures in the
    order of the runs, then what `relies_on` names; after these what they rely on, step by step,
    lists in the order in which they are written.

    Parameters
    ----------
    reliance : Reliance
    """

    def __init__(self, reliance: Reliance) -> None:
        self._reliance = reliance
        self._on_link: dict[int, dict[int, int]] = {}

    def place(self, path: int, asset: int) -> tuple[int, int] | None:
        """Find where a path first meets an asset.

        Parameters
        ----------
        path, asset : int

        Returns
        -------
        (int, int) or None
            Number of the first link of the path that relies on the asset, and the asset's place in
            the order there; None where the path does not rely on it.
        """
        for number, link in enumerate(self._reliance.network.paths.links(path).tolist()):
            at = self._met(link).get(asset)
            if at is not None:
                return number, at
        return None

    def where(self, asset: int) -> tuple[float, ...]:
        """Return the bounds of an asset, or of its place.

        Parameters
        ----------
        asset : int

        Returns
        -------
        tuple of float
            West, south, east, north, in degrees; infinite where unknown.
        """
        place = self._place[asset]
        return tuple(self._bounds[place if place >= 0 else asset].tolist())

    def _met(self, link: int) -> dict[int, int]:
        """Everything that a link relies on, numbered in the order of meeting."""
        if link not in self._on_link:
            links = self._reliance.links
            relied = set(csr_row(links, link).tolist())
            met = dict.fromkeys(self._direct(link))
            first, follows = self._follows
            waiting = list(met)
            for asset in waiting:  # grows as it goes
                for following in follows[first[asset] : first[asset + 1]].tolist():
                    if following not in met:
                        met[following] = None
                        waiting.append(following)
            met |= dict.fromkeys(sorted(relied - met.keys(), key=self._by_place))
            kept = [asset for asset in met if asset in relied]
            self._on_link[link] = {asset: place for place, asset in enumerate(kept)}
        return self._on_link[link]

    def _by_place(self, number: int) -> tuple[float, ...]:
        return self.where(number) if number < len(self._place) else ()

    def _direct(self, link: int) -> list[int]:
        """What the link's record names, and the assets along its cables."""
        network = self._reliance.network
        found: list[int] = []
        for column in ("a", "via", "b"):
            found += self._named(link, column)
        low, high = np.searchsorted(network.pieces.link, [link, link + 1])
        for piece in range(int(low), int(high)):
            part, turned = int(network.pieces.part[piece]), bool(network.pieces.reversed[piece])
            found += self._course(part, turned)
        return [*found, *self._named(link, "relies_on")]

    def _named(self, link: int, column: str) -> list[int]:
        network = self._reliance.network
        _, names = listed(network.study.tables["links"][column].iloc[[link]])
        return [number for number in network.assets.numbers(names).tolist() if number >= 0]

    def _course(self, part: int, turned: bool) -> list[int]:
        """Structures and segments of a stretch of cable in order, then the cable itself."""
        network = self._reliance.network
        parts, passed = network.parts, network.passed
        rows = range(int(parts.first[part]), int(parts.first[part + 1]))
        found: list[int] = []
        for row in reversed(rows) if turned else rows:
            segment = int(parts.segment[row])
            low, high = np.searchsorted(passed.segment, [segment, segment + 1])
            between = passed.structure[low:high].tolist()
            against = (parts.start[row] > parts.stop[row]) != turned
            ends = [int(parts.entry[row]), int(parts.exit[row])]
            found += [
                ends[turned],
                network.assets.start["segments"] + segment,
                *(reversed(between) if against else between),
                ends[not turned],
            ]
        found.append(network.assets.start["cables"] + int(parts.cable[part]))
        return [asset for asset in found if asset >= 0]

    @cached_property
    def _follows(self) -> tuple[Ints, Ints]:
        """What each asset relies on directly, in the order of its record; as in a CSR matrix."""
        network = self._reliance.network
        assets, tables = network.assets, network.study.tables
        rows, columns = [], []
        for column in _LEADS:
            for role, start in assets.start.items():
                if column in ROLES[role].column:
                    row, names = listed(tables[role][column])
                    rows.append(start + row)
                    columns.append(assets.numbers(names))
        segments, cables = assets.start["segments"], assets.start["cables"]
        ends, passed, chains = network.ends, network.passed, network.chains
        rows += [segments + np.arange(len(ends.a)), segments + np.arange(len(ends.b))]
        columns += [ends.a, ends.b]
        rows.append(segments + passed.segment)
        columns.append(passed.structure)
        rows.append(cables + owners(chains.first))
        columns.append(segments + chains.segment)
        row, column_ = np.concatenate(rows), np.concatenate(columns)
        order = np.argsort(row, kind="stable")
        order = order[column_[order] >= 0]
        first = np.searchsorted(row[order], np.arange(len(assets) + 1))
        return first.astype(np.int64), column_[order].astype(np.int64)

    @cached_property
    def _place(self) -> Ints:
        """Places of assets without geometry of their own; -1: they have it, or it is not known."""
        assets, tables = self._reliance.network.assets, self._reliance.network.study.tables
        place = np.full(len(assets), -1, dtype=np.int64)
        for role, column in (("equipment", "site"), ("supplies", "site"), ("joints", "at")):
            place[assets.of_role(role)] = assets.numbers(tables[role][column])
        return place

    @cached_property
    def _bounds(self) -> np.ndarray:
        """Bounds of all geometries in degrees, shape (assets, 4); infinite without."""
        network = self._reliance.network
        bounds = np.full((len(network.assets), 4), np.inf)
        for role in network.assets.start:
            if ROLES[role].geometry:
                bounds[network.assets.of_role(role)] = shapely.bounds(network.study.lonlat(role))
        return np.where(np.isnan(bounds), np.inf, bounds)
