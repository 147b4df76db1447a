"""What a stretch of cable, a link and a piece of equipment rely on directly."""

from __future__ import annotations

import numpy as np
import scipy.sparse as sp

from waysapart.arrays import Ints, boolean, expand, owners
from waysapart.network.assets import listed
from waysapart.network.tie import Network
from waysapart.reliance.closure import both, close, union, without
from waysapart.reliance.feeding import Feeds, common, living

_NONE = np.empty(0, dtype=np.int64)


def holder_steps(network: Network) -> sp.csr_array:
    """From an asset to what it lies directly within and to the hazards that take it."""
    return union(network.within, network.hazards)


def part_items(network: Network) -> sp.csr_array:
    """Cables, joints, segments, ends and passed structures of every stretch, carriers included.

    Shape (parts, assets). A stretch of a cable without runs of its own brings
    the same stretch of its carrier; a carried cable with runs of its own
    brings the whole of its carrier.
    """
    own = _own_items(network)
    parts, chains = network.parts, network.chains
    cables = len(chains.carrier)
    # A part of a cable need not reach the stretch where its way is not certain.
    nowhere = sp.csr_array((own.shape[0] - cables, own.shape[1]), dtype=np.bool_)
    own = union(own, sp.csr_array(sp.vstack([network.common, nowhere], format="csr")))
    rows = np.flatnonzero(chains.carrier >= 0)
    carried = close(boolean(rows, chains.carrier[rows], (cables, cables)))
    whole = sp.csr_array(carried @ own[:cables])
    if len(parts.cable) == cables:
        return whole
    partial = own[cables:]
    row, column = [], []
    extra = sp.csr_array(partial.shape, dtype=np.bool_)
    joints_on = _JointsOn(network)
    for place, number in enumerate(range(cables, len(parts.cable))):
        cable = int(parts.cable[number])
        nodes = _part_nodes(network, number)
        while chains.carrier[cable] >= 0:
            carrier = int(chains.carrier[cable])
            if not chains.follows[cable]:
                lead = boolean(np.array([place]), np.array([carrier]), (partial.shape[0], cables))
                extra = union(extra, sp.csr_array(lead @ whole))
                break
            column.append(network.assets.start["cables"] + carrier)
            row.append(place)
            joints = joints_on(carrier, nodes)
            column += joints
            row += [place] * len(joints)
            cable = carrier
    followed = boolean(np.array(row, np.int64), np.array(column, np.int64), partial.shape)
    return sp.csr_array(sp.vstack([whole, union(partial, followed, extra)], format="csr"))


def _own_items(network: Network) -> sp.csr_array:
    """Items of every stretch, without what carriers bring."""
    parts, assets, passed = network.parts, network.assets, network.passed
    count = len(parts.cable)
    rows = owners(parts.first)
    low, high = np.minimum(parts.start, parts.stop), np.maximum(parts.start, parts.stop)
    begin = np.searchsorted(passed.segment, parts.segment)
    several = np.searchsorted(passed.segment, parts.segment, side="right") - begin
    owner, passes = expand(begin, several)
    fraction = passed.fraction[passes]
    between = (fraction > low[owner]) & (fraction < high[owner])
    joint_part, joint = _joints_of_parts(network)
    return boolean(
        np.r_[rows, rows, rows, rows[owner[between]], np.arange(count), joint_part],
        np.r_[
            assets.start["segments"] + parts.segment,
            parts.entry,
            parts.exit,
            passed.structure[passes[between]],
            assets.start["cables"] + parts.cable,
            joint,
        ],
        (count, len(assets)),
    )


def _joint_cables(network: Network) -> tuple[Ints, Ints]:
    """Joint (asset number) and cable number of every cable that a joint lists."""
    joints = network.study.tables["joints"]
    row, name = listed(joints["cables"])
    return (
        network.assets.start["joints"] + row,
        network.assets.numbers(name) - network.assets.start["cables"],
    )


def _joints_of_parts(network: Network) -> tuple[Ints, Ints]:
    joint, cable = _joint_cables(network)
    part, found = [cable], [joint]
    joints_on = _JointsOn(network)
    for number in range(len(network.chains.carrier), len(network.parts.cable)):
        mine = joints_on(int(network.parts.cable[number]), _part_nodes(network, number))
        part.append(np.full(len(mine), number))
        found.append(np.array(mine, dtype=np.int64))
    return np.concatenate(part), np.concatenate(found)


def _part_nodes(network: Network, part: int) -> set[int]:
    parts = network.parts
    rows = slice(int(parts.first[part]), int(parts.first[part + 1]))
    return _nodes(
        network,
        parts.segment[rows],
        parts.entry[rows],
        parts.exit[rows],
        parts.start[rows],
        parts.stop[rows],
    )


def _nodes(
    network: Network, segment: Ints, entry: Ints, exit_: Ints, start: np.ndarray, stop: np.ndarray
) -> set[int]:
    passed = network.passed
    found = set(entry.tolist()) | set(exit_.tolist())
    for number, one, other in zip(segment, start, stop, strict=True):
        low, high = np.searchsorted(passed.segment, [number, number + 1])
        at = passed.fraction[low:high]
        on_it = (at > min(one, other)) & (at < max(one, other))
        found |= set(passed.structure[low:high][on_it].tolist())
    return found


class _JointsOn:
    """Joints of a cable that lie on the given nodes, or nowhere on the cable's chain."""

    def __init__(self, network: Network) -> None:
        self._network = network
        joint, cable = _joint_cables(network)
        at = network.assets.numbers(network.study.tables["joints"]["at"])
        place = at[joint - network.assets.start["joints"]]
        self._of: dict[int, list[tuple[int, int]]] = {}
        for number, one, node in zip(joint.tolist(), cable.tolist(), place.tolist(), strict=True):
            self._of.setdefault(one, []).append((number, node))
        self._along: dict[int, set[int]] = {}

    def __call__(self, cable: int, nodes: set[int]) -> list[int]:
        mine = self._of.get(cable, ())
        if not mine:
            return []
        if cable not in self._along:
            self._along[cable] = self._nodes_along(cable)
        along = self._along[cable]
        return [joint for joint, node in mine if node in nodes or node not in along]

    def _nodes_along(self, cable: int) -> set[int]:
        chains = self._network.chains
        rows = chains.rows(cable)
        return _nodes(
            self._network,
            chains.segment[rows],
            chains.entry[rows],
            chains.exit[rows],
            chains.start[rows],
            chains.stop[rows],
        )


def whole_segments(network: Network) -> sp.csr_array:
    """A segment, its ends and the structures that it passes: shape (segments, assets)."""
    ends, passed, assets = network.ends, network.passed, network.assets
    number = np.arange(len(ends.a))
    return boolean(
        np.r_[number, number, number, passed.segment],
        np.r_[assets.start["segments"] + number, ends.a, ends.b, passed.structure],
        (len(number), len(assets)),
    )


def in_full(network: Network, parts: sp.csr_array) -> sp.csr_array:
    """What 'relies on this asset' means directly, for an asset named in a list.

    Shape (assets, assets). A segment brings its ends and what it passes, a
    cable its whole way, anything else itself.
    """
    assets = network.assets
    itself = sp.csr_array(sp.eye_array(len(assets), dtype=np.bool_, format="csr"))
    blocks = []
    for role, start in assets.start.items():
        taken = assets.of_role(role)
        if role == "segments":
            blocks.append(whole_segments(network))
        elif role == "cables":
            blocks.append(parts[: taken.stop - start])
        else:
            blocks.append(itself[taken])
    return sp.csr_array(sp.vstack(blocks, format="csr"))


def named(network: Network, role: str, column: str) -> tuple[Ints, Ints]:
    """Rows of a role and the asset numbers that a list column of theirs names."""
    row, name = listed(network.study.tables[role][column])
    return row, network.assets.numbers(name)


def works(network: Network, full: sp.csr_array, feeds: Feeds) -> sp.csr_array:
    """From equipment, supplies and joints to what must work or stand for them.

    Shape (assets, assets). Site, needs, a joint's place; and for equipment and
    supplies that are fed, what all their feeds have in common.
    """
    assets, tables = network.assets, network.study.tables
    shape = (len(assets), len(assets))
    row, column = [], []
    for role, place in (("equipment", "site"), ("supplies", "site"), ("joints", "at")):
        row.append(assets.start[role] + np.arange(len(tables[role])))
        column.append(assets.numbers(tables[role][place]))
    fixed = boolean(np.concatenate(row), np.concatenate(column), shape)
    for role in ("equipment", "supplies"):
        needing, needed = named(network, role, "needs")
        lead = boolean(assets.start[role] + needing, needed, shape)
        fixed = union(fixed, sp.csr_array(lead @ full))
    return union(fixed, _common_supply(network, fixed, feeds))


def _common_supply(network: Network, fixed: sp.csr_array, feeds: Feeds) -> sp.csr_array:
    """What all feeds of an asset rely on, as far as nothing else in it leads there.

    The least fixed point: supplies may need equipment that has supplies, and be fed by others.
    """
    steps = union(holder_steps(network), fixed)
    feeds = living(feeds, steps, network.assets.numbers(network.study.out))
    shared = sp.csr_array(fixed.shape, dtype=np.bool_)
    while len(feeds):
        closed = close(union(steps, shared))
        grown = common(feeds, closed)
        if grown.nnz == shared.nnz:
            return _sources(grown, steps, closed)
        shared = grown
    return shared


def _sources(shared: sp.csr_array, steps: sp.csr_array, closed: sp.csr_array) -> sp.csr_array:
    """Leave out of `shared` what something else in it leads to, so that chains read well."""
    sources = without(shared, sp.csr_array(shared @ steps))
    covered = both(sp.csr_array(sources @ closed), shared)
    return sources if covered.nnz == shared.nnz else shared
