"""Why a path relies on an asset: the chain link, cable, segment, structure that leads to it."""

from __future__ import annotations

import numpy as np

from waysapart.reliance.rely import Reliance


class Chains:
    """Chains from a path to the assets that it relies on, worked out when asked for."""

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
        """Ids from the link down to what leads to the asset; the asset itself is left out.

        Parameters
        ----------
        path : int
            Number of a path.
        asset : int
            Number of an asset that it relies on, or of a link behind the assets.

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
            row = matrix.indices[matrix.indptr[path] : matrix.indptr[path + 1]]
            self._relied[path] = frozenset(row.tolist())
        return self._relied[path]

    def _item(self, path: int, item: int) -> tuple[str, ...] | None:
        """The chain to what a path uses directly, by its first link that does; else None."""
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
        row = matrix.indices[matrix.indptr[link] : matrix.indptr[link + 1]].tolist()
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
        """From a cable to its segments and structures, through carriers where these lead there."""
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
        listed = matrix.indices[matrix.indptr[part] : matrix.indptr[part + 1]].tolist()
        carrier = int(chains.carrier[cable])
        if carrier >= 0:
            for item, chain in self._part_chains(carrier).items():
                found.setdefault(item, (name, *chain))
        for item in listed:
            found.setdefault(item, (name,))
        self._cable_items[part] = {item: found[item] for item in listed}
        return self._cable_items[part]
