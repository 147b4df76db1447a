"""What an excavation or outage cuts, and how every circuit stands during it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from waysapart.arrays import Bools, Ints
from waysapart.errors import CallError
from waysapart.reliance.failure import falls, paths_lost
from waysapart.whatif.area import Area, around, read_area
from waysapart.whatif.base import Base, Subject, base_of
from waysapart.whatif.during import (
    LOST,
    UNKNOWN,
    UNTOUCHED,
    CircuitState,
    GroupState,
    circuit_states,
    group_states,
)
from waysapart.whatif.hits import Hits, causes, reached, stated
from waysapart.whatif.hits import together as hits_together

if TYPE_CHECKING:
    import geopandas as gpd


@dataclass(frozen=True)
class Dig:
    """What works take; `facts()` is what `--json` writes.

    Attributes
    ----------
    base : Base
    area : Area or None
    hits : Hits
    reach_m, accuracy_m : float, float or None
        As asked; None: surveyed as recorded, else by the rules.
    fallen : ndarray of bool, shape (assets,)
        Everything down during the works, what is out of service included.
    lost : ndarray of bool, shape (paths,)
    radius_m : float
        Around a point; 0 otherwise.
    """

    base: Base
    area: Area | None
    hits: Hits
    reach_m: float
    accuracy_m: float | None
    fallen: Bools
    lost: Bools
    radius_m: float = 0.0

    @cached_property
    def circuits(self) -> list[CircuitState]:
        """Every circuit, in the order of the circuits table."""
        return circuit_states(self.base, self.fallen, self.lost)

    @cached_property
    def groups(self) -> list[GroupState]:
        """Every group, by id."""
        return group_states(self.base, self.fallen, self.lost)

    @cached_property
    def reasons(self) -> dict[int, tuple[int, ...]]:
        """Why each asset falls that was not hit itself."""
        return causes(self.base, self.hits.number, self._newly_fallen)

    @property
    def _newly_fallen(self) -> Bools:
        """What the works take, with what was out of service where they hit that too."""
        alone = np.zeros(len(self.fallen), dtype=np.bool_)
        alone[falls(self.base.reliance, self.base.event(self.hits.number)).indices] = True
        return np.asarray(alone | (self.fallen & ~self.base.down))

    @property
    def fallen_with(self) -> Ints:
        """Assets that go with what was hit."""
        went = self._newly_fallen
        went[self.hits.number] = False
        return np.flatnonzero(went)

    @property
    def cables_cut(self) -> Ints:
        """Numbers of the cables that are cut anywhere, counted among the cables."""
        cables = len(self.base.study.tables["cables"])
        whole = self.base.reliance.parts[:cables].astype(np.int32)
        return np.flatnonzero(whole @ self._newly_fallen.astype(np.int32))

    @property
    def links_down(self) -> Ints:
        """Numbers of the links that the works cut."""
        count = len(self.base.network.assets)
        items = self.base.reliance.link_items[:, :count].astype(np.int32)
        return np.flatnonzero(items @ self._newly_fallen.astype(np.int32))

    def counts(self) -> dict[str, int]:
        """How many circuits are in each state, worst first."""
        found = Counter(state.state for state in self.circuits)
        between = sorted(set(found) - {LOST, UNKNOWN, UNTOUCHED})
        return {state: found.get(state, 0) for state in (LOST, *between, UNKNOWN, UNTOUCHED)}

    def exit_code(self) -> int:
        """0 untouched; 1 a circuit lost or left with one way; 3 untouched as far as known.

        3 too where a circuit that is touched goes on with limits that nobody can tell about.
        """
        if any(state.exposed for state in self.circuits):
            return 1
        open_ = any(
            state.state == UNKNOWN or (state.touched and state.within is None)
            for state in self.circuits
        )
        return 3 if open_ else 0

    def facts(self) -> dict[str, Any]:
        """The works as plain data."""
        from waysapart.whatif.dig_facts import dig_facts

        return dig_facts(self)

    def __repr__(self) -> str:
        counts = ", ".join(f"{count} {state}" for state, count in self.counts().items() if count)
        return f"Dig({self.base.study.name!r}: {len(self.hits.number)} assets hit; {counts})"


def dig(
    subject: Subject,
    area: gpd.GeoDataFrame | Path | str | None = None,
    *,
    at: tuple[float, float] | None = None,
    radius_m: float | None = None,
    assets: Iterable[str] = (),
    reach_m: float = 0.0,
    accuracy_m: float | None = None,
) -> Dig:
    """What an excavation cuts, and how every circuit stands during it.

    Parameters
    ----------
    subject : Study, Network or Proof
    area : GeoDataFrame or path, optional
        Any number of points, lines and polygons in any coordinate system; all
        of them are dug at once.
    at : (longitude, latitude) in degrees, optional
        A point, with `radius_m`.
    radius_m : float, optional
        Metres, greater than 0.
    assets : iterable of str, optional
        Ids of assets that are taken whatever lies where: segments,
        structures, sites, cables, supplies, hazards, ...
    reach_m : float
        How far the works reach beyond the outline of `area`, metres.
    accuracy_m : float, optional
        How well the plant is surveyed: the works reach so much farther.
        Default: what is on record for each asset, else
        `defaults.survey_accuracy_m` of the rules. Given, it holds for all.

    Returns
    -------
    Dig

    Raises
    ------
    CallError
        Nothing to dig, a radius without a point, an unknown id.
    StudyError
        The area cannot be used; every reason is listed.

    Notes
    -----
    An area hits segments, structures and sites; through them goes what lies in
    them and what they feed. What is out of service counts as down already.
    """
    base = base_of(subject)
    _check_call(area, at, radius_m, reach_m, accuracy_m)
    parts: list[Hits] = []
    drawn: Area | None = None
    ids = [assets] if isinstance(assets, str) else list(assets)
    if area is not None:
        drawn = read_area(base.study, area)
        reach = np.full(len(drawn.geometry), reach_m)
        parts.append(reached(base, drawn, reach, accuracy_m))
    elif at is not None:
        drawn = around(base.study, at)
        parts.append(reached(base, drawn, np.array([radius_m or 0.0]) + reach_m, accuracy_m))
    if ids:
        parts.append(stated(base, ids))
    if not parts:
        raise CallError("nothing to dig: give an area, a point with a radius, or ids of assets")
    return taken(base, hits_together(*parts), drawn, reach_m, accuracy_m, radius_m or 0.0)


outage = dig
"""The same for planned work: the plant does not care why it is down."""


def taken(
    base: Base,
    hits: Hits,
    area: Area | None = None,
    reach_m: float = 0.0,
    accuracy_m: float | None = None,
    radius_m: float = 0.0,
) -> Dig:
    """Follow what was hit to the paths that are cut."""
    network = base.network
    both = np.union1d(hits.number, network.assets.numbers(base.study.out))
    event = base.event(both[both >= 0])
    down = np.zeros(len(network.assets), dtype=np.bool_)
    fell = falls(base.reliance, event)
    down[fell.indices] = True
    lost = base.out.copy()
    lost[paths_lost(base.reliance, fell).indices] = True
    return Dig(base, area, hits, reach_m, accuracy_m, down, lost, radius_m)


def _check_call(
    area: object,
    at: tuple[float, float] | None,
    radius_m: float | None,
    reach_m: float,
    accuracy_m: float | None,
) -> None:
    if area is not None and at is not None:
        raise CallError("give an area or a point, not both")
    if at is not None and (radius_m is None or not radius_m > 0 or not np.isfinite(radius_m)):
        raise CallError("a point needs a radius greater than 0 m")
    if radius_m is not None and at is None:
        raise CallError("a radius needs a point (at)")
    for name, value in (("reach_m", reach_m), ("accuracy_m", accuracy_m)):
        if value is not None and not (value >= 0 and np.isfinite(value)):
            raise CallError(f"{name} {value:g}: expected 0 m or more")
