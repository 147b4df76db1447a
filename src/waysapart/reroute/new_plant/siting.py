"""Where a new line may not lie: in or along what the cut of a no-pair proof holds.

End zones excuse nothing here: new plant can be laid elsewhere. Crossing is allowed where the rules
allow it, and so is an end that meets what is there at an angle.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from waysapart.arrays import Ints, csr_row
from waysapart.findings.spacing import least_separation_m
from waysapart.network.build_network import Network
from waysapart.reroute.new_plant.near_plant import NearPlant, Stretch, stretches_near
from waysapart.reroute.plant.search_graph import Space
from waysapart.reroute.search.no_pair_proof import NoPairProof
from waysapart.schema import LIST_SEPARATOR
from waysapart.study.rules import Service


@dataclass(frozen=True)
class Out:
    """Why a line may not lie where it does, and the stretch of it that may not."""

    why: str
    stretch: Stretch


@dataclass(frozen=True)
class Held:
    """What the cut of a proof holds, as far as it has a place.

    Attributes
    ----------
    plant : NearPlant
    at : ndarray of int
        Places in the arrays of `plant`.
    services : tuple of Service
        Of the circuits that the proof is about.
    """

    plant: NearPlant
    at: Ints
    services: tuple[Service, ...]

    def why_out(self, line: Any, kind: str) -> Out | None:
        """Why a new line may not lie where it does.

        Parameters
        ----------
        line : LineString
            In the study's plane.
        kind : str
            Of the new segment.

        Returns
        -------
        Out or None
            None where it keeps away from all that the cut holds.
        """
        plant = self.plant
        study = plant.ground.study
        widest = max(one.widest_separation_m() for one in self.services)
        near = plant.within_reach(line, max(widest, study.snap_m))
        for at in near[np.isin(near, self.at)].tolist():
            role, other, wrong_m = plant.roles[at], str(plant.kinds[at]), plant.accuracy_m[at]
            if role == "hazards" and not self._takes(int(plant.number[at]), kind):
                continue
            least_m = least_separation_m(self.services, kind, other) if role != "hazards" else 0.0
            reach_m = least_m + float(wrong_m) if least_m > 0 else max(study.snap_m, float(wrong_m))
            what = f"{other} {plant.ids[at]}"
            for one in stretches_near(
                study.plane, line, plant.shapes[at], reach_m, study.snap_m + float(wrong_m)
            ):
                if one.how == "inside":
                    return Out(f"lies in {what} over {one.length_m:.0f} m", one)
                if one.how == "crosses" and any(
                    s.forbids_cross(kind, other) for s in self.services
                ):
                    return Out(f"crosses {what}, which the rules forbid", one)
                if one.how == "beside" and role != "hazards":
                    asked = f" where {least_m:g} m are required" if least_m > 0 else ""
                    if shapely.get_dimensions(plant.shapes[at]) == 0:
                        return Out(f"passes {what}, {one.distance_m:.1f} m away{asked}", one)
                    return Out(
                        f"runs {one.distance_m:.1f} m from {what} over {one.length_m:.0f} m{asked}",
                        one,
                    )
        return None

    def _takes(self, hazard: int, kind: str) -> bool:
        table = self.plant.ground.study.tables["hazards"]
        takes = table["takes"].iloc[hazard - self.plant.ground.network.assets.start["hazards"]]
        return not isinstance(takes, str) or kind in takes.split(LIST_SEPARATOR)


def held_by(plant: NearPlant, space: Space, proof: NoPairProof | None) -> Held:
    """What the cut of a proof holds: all that must not be shared, and what stands for it.

    A cable stands for its segments, a joint for the place where it is, and what lies in something
    that has no outline of its own (a right-of-way, a line) for the place of that.

    Parameters
    ----------
    plant : NearPlant
    space : Space
        The search that the proof is about.
    proof : NoPairProof or None
        None where limits taken together rule out a pair: nothing is held then.

    Returns
    -------
    Held
    """
    rules = plant.ground.study.rules
    services = tuple(rules.service(member.service) for member in space.members)
    risks = proof.risks() if proof is not None else ()
    names = {name for risk in risks for name in space.risks.assets[risk]}
    numbers = placed(plant, names)
    at = [plant.place[one] for one in sorted(numbers) if one in plant.place]
    return Held(plant, np.array(at, dtype=np.int64), services)


def placed(plant: NearPlant, names: Iterable[str]) -> set[int]:
    """Asset numbers of what has a place, of assets and of all that stands for them.

    Parameters
    ----------
    plant : NearPlant
    names : iterable of str
        Ids; those of links and of what the study lacks are passed over.

    Returns
    -------
    set of int
    """
    network = plant.ground.network
    assets = network.assets
    found = {int(one) for one in assets.numbers(sorted(names)) if one >= 0}
    cables = assets.of_role("cables")
    joints = assets.of_role("joints")
    for one in sorted(found):
        if cables.start <= one < cables.stop:
            chain = network.chains.segment[network.chains.rows(one - cables.start)]
            found.update((assets.start["segments"] + chain).tolist())
        elif joints.start <= one < joints.stop:
            at = network.study.tables["joints"]["at"].iloc[one - joints.start]
            found.update(int(n) for n in assets.numbers([at]) if n >= 0)
    roles = assets.frame["role"].to_numpy()
    holding = [one for one in found if roles[one] in ("holders", "segments")]
    return found | _in_them(network, holding)


def _in_them(network: Network, holding: Sequence[int]) -> set[int]:
    """Segments and structures that lie in some of these at any depth."""
    within = network.recorded.tocsc()
    found: set[int] = set()
    open_ = list(holding)
    while open_:
        fresh = {int(row) for row in csr_row(within, open_.pop())} - found
        found |= fresh
        open_ += sorted(fresh)
    roles = network.assets.frame["role"].to_numpy()
    return {one for one in found if roles[one] in ("segments", "structures")}


def barred(shapes: np.ndarray) -> shapely.STRtree:
    """Areas that no new segment may touch, to be asked.

    Parameters
    ----------
    shapes : ndarray of geometry
        In the study's plane.

    Returns
    -------
    STRtree
    """
    return shapely.STRtree(shapes)
