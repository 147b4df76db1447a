"""What paths share: avoidable or not, by itself or only because of what lies in it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import scipy.sparse as sp

from waysapart.arrays import Bools, Ints, boolean, csr_row
from waysapart.findings.tails import Indoors, tail_columns
from waysapart.reliance.closure import both, union, without
from waysapart.reliance.explain import Encounters
from waysapart.reliance.rely import Reliance


@dataclass(frozen=True)
class Sides:
    """What is compared: trials with two or more sides, and sides with one or more paths.

    A circuit's sides are its paths. An asset is shared in a trial when all of
    its sides, and at least two, rely on it.

    Attributes
    ----------
    trial : ndarray of int, shape (sides,)
        Trial of each side, ascending.
    paths : csr_array of bool, shape (sides, paths)
    threshold : ndarray of int, shape (trials,)
        How many sides that is.
    circuits : csr_array of bool, shape (sides, circuits)
        Whose ends count as unavoidable, side by side.
    group : ndarray of bool, shape (trials,)
        Trials of groups, whose members back each other up.
    tails : ndarray of bool, shape (trials,), or None
        Trials of one circuit whose tails are excused; None: none.
    """

    trial: Ints
    paths: sp.csr_array
    threshold: Ints
    circuits: sp.csr_array
    group: Bools
    tails: Bools | None = None

    def __len__(self) -> int:
        return len(self.threshold)


@dataclass(frozen=True)
class Sharing:
    """What the sides of every trial share.

    Attributes
    ----------
    shared, unavoidable, avoidable : csr_array of bool, shape (trials, assets + links)
    tail : csr_array of bool, shape (trials, assets + links)
        Shared, and excused as the tail of a circuit; no part of the two before.
    own_line : csr_array of bool, shape (trials, assets + links)
        Counted as avoidable because it takes a path together with what the circuit
        protects, whether all paths rely on it or not.
    folded : csr_array of bool, shape (trials, assets + links)
        Shared only because something shared lies within.
    through : dict of (int, int) to int
        Trial and folded asset to the shared asset in it that is all the reason.
    supports : dict of (int, int) to tuple of int
        For folded assets: every avoidable shared asset directly in it.
    """

    shared: sp.csr_array
    unavoidable: sp.csr_array
    avoidable: sp.csr_array
    tail: sp.csr_array
    own_line: sp.csr_array
    folded: sp.csr_array
    through: dict[tuple[int, int], int] = field(default_factory=dict)
    supports: dict[tuple[int, int], tuple[int, ...]] = field(default_factory=dict)


def share(reliance: Reliance, sides: Sides) -> Sharing:
    """Find what the sides of every trial share.

    Call `merge` to learn the reasons (`through`).

    Parameters
    ----------
    reliance : Reliance
    sides : Sides

    Returns
    -------
    Sharing

    Notes
    -----
    Sides are compared over classes of assets (`Reliance.classes`), of which there are about as
    many as places where links branch; after that the cost is the size of what is shared. Only
    trials whose tails are excused are examined one by one.
    """
    links = sp.csr_array(sides.paths @ reliance.along)
    by_class = sp.csr_array(sides.paths @ reliance.path_classes)
    shared = sp.csr_array(_agreed(sides, by_class) @ reliance.classes.members)
    ends = ends_of_sides(reliance, sides)
    at_ends = both(shared, _agreed(sides, ends))
    unavoidable = without(at_ends, _met_elsewhere(reliance, sides, links, at_ends, ends))
    rest = without(shared, unavoidable)
    tail = _tails(reliance, sides, rest)
    return Sharing(
        shared,
        unavoidable,
        without(rest, tail),
        tail,
        _nothing(rest),
        _folded(reliance, sides, links, shared),
    )


def blank_within(reliance: Reliance, sides: Sides) -> Ints:
    """Count the assets of each trial that do not say what they lie within.

    Parameters
    ----------
    reliance : Reliance
    sides : Sides

    Returns
    -------
    ndarray of int, shape (trials,)
    """
    members = reliance.classes.members
    blank = np.zeros(members.shape[1], dtype=np.int64)
    frame = reliance.network.assets.frame
    blank[: len(frame)] = frame["blank_within"].to_numpy()
    any_side = sp.csr_array(_by_trial(sides) @ sp.csr_array(sides.paths @ reliance.path_classes))
    in_class = members.astype(np.int64) @ blank
    return np.asarray(any_side.astype(np.int64) @ in_class, dtype=np.int64)


def merge(reliance: Reliance, held: Sharing, owner: list[int], sides: Sides) -> Sharing:
    """Combine the trials of one owner, and name the reason of what is folded.

    What is avoidable in any of the trials is avoidable; what is shared on its own in any of them
    is not folded.

    Parameters
    ----------
    reliance : Reliance
    held : Sharing
        Of the trials, from `share`.
    owner : list of int, length (trials)
        Owner of each trial.
    sides : Sides
        Those of the owners.

    Returns
    -------
    Sharing
        Of the owners.
    """
    number = np.array(owner, dtype=np.int64)
    by_owner = boolean(number, np.arange(len(owner)), (len(sides), len(owner)))
    shared = sp.csr_array(by_owner @ held.shared)
    avoidable = sp.csr_array(by_owner @ held.avoidable)
    tail = without(sp.csr_array(by_owner @ held.tail), avoidable)
    alone = sp.csr_array(by_owner @ without(held.shared, held.folded))
    folded = without(shared, both(shared, alone))
    unavoidable = without(shared, union(avoidable, tail))
    merged = Sharing(shared, unavoidable, avoidable, tail, _nothing(shared), folded)
    return _with_reasons(reliance, merged, sides)


def count_own_lines(
    reliance: Reliance, sharing: Sharing, own_line: sp.csr_array, sides: Sides
) -> Sharing:
    """Count as avoidable what takes paths together with what their circuits protect.

    Parameters
    ----------
    reliance : Reliance
    sharing : Sharing
        Of the trials, from `merge`.
    own_line : csr_array of bool, shape (trials, assets + links)
        What their services count. What is unavoidable stays so.
    sides : Sides
        Those of the trials.

    Returns
    -------
    Sharing
        A holder or hazard that counts for nothing but what lies in it is folded under that.
    """
    counted = without(own_line, sharing.unavoidable)
    if not counted.nnz:
        return replace(sharing, own_line=counted)
    avoidable = union(sharing.avoidable, counted)
    count = len(reliance.network.assets)
    holding = sp.csr_array(avoidable[:, :count] @ reliance.steps)
    wide = (avoidable.shape[0], avoidable.shape[1] - count)
    rest = sp.csr_array(wide, dtype=np.bool_)
    held = sp.csr_array(sp.hstack([holding, rest], format="csr"), dtype=np.bool_)
    more = both(without(counted, sharing.avoidable), held)
    grown = replace(
        sharing,
        avoidable=avoidable,
        tail=without(sharing.tail, counted),
        own_line=counted,
        folded=union(sharing.folded, more),
    )
    return _with_reasons(reliance, grown, sides)


def _with_reasons(reliance: Reliance, sharing: Sharing, sides: Sides) -> Sharing:
    folded = both(sharing.folded, sharing.avoidable)
    paths = sp.csr_array(_by_trial(sides) @ sides.paths)
    through, supports = _reasons(reliance, sharing.avoidable, folded, paths)
    return replace(sharing, through=through, supports=supports)


def _nothing(like: sp.csr_array) -> sp.csr_array:
    return sp.csr_array(like.shape, dtype=np.bool_)


def _by_trial(sides: Sides) -> sp.csr_array:
    return boolean(sides.trial, np.arange(len(sides.trial)), (len(sides), len(sides.trial)))


def ends_of_sides(reliance: Reliance, sides: Sides) -> sp.csr_array:
    """Find what each side relies on because its relays stand there.

    Parameters
    ----------
    reliance : Reliance
    sides : Sides

    Returns
    -------
    csr_array of bool, shape (sides, assets + links)

    Notes
    -----
    A circuit must share what its two end equipments rely on by themselves. Members of a
    group back each other up, so they are excused no more than the sites where they end,
    what these lie within and what takes them, and the kinds that `[groups] excuse` lists.
    """
    of_group = sides.group[sides.trial]
    machines = sp.csr_array(sides.circuits @ reliance.ends)
    if not of_group.any():
        return machines
    excuse = reliance.network.study.rules.groups.excuse
    kinds = np.zeros(machines.shape[1], dtype=bool)
    frame = reliance.network.assets.frame
    kinds[: len(frame)] = frame["kind"].isin(excuse).to_numpy()
    listed = sp.csr_array(machines @ sp.diags_array(kinds, dtype=np.bool_))
    sites = union(sp.csr_array(sides.circuits @ reliance.end_sites), listed)
    pick = np.arange(len(of_group))
    shape = (len(of_group), len(of_group))
    return union(
        sp.csr_array(boolean(pick[~of_group], pick[~of_group], shape) @ machines),
        sp.csr_array(boolean(pick[of_group], pick[of_group], shape) @ sites),
    )


def _agreed(sides: Sides, relied: sp.csr_array, least: Ints | None = None) -> sp.csr_array:
    """What enough sides of a trial rely on: from (sides, n) to (trials, n).

    Enough are `threshold`, or `least` where given, per trial.
    """
    counts = sp.csr_array(_by_trial(sides).astype(np.int32) @ relied.astype(np.int32)).tocoo()
    enough = counts.data >= (sides.threshold if least is None else least)[counts.row]
    return boolean(
        counts.row[enough].astype(np.int64),
        counts.col[enough].astype(np.int64),
        (len(sides), relied.shape[1]),
    )


def _columns(matrix: sp.csr_array) -> Ints:
    """Columns of a matrix that hold anything."""
    return np.unique(matrix.indices).astype(np.int64)


def _leading(steps: sp.csr_array, targets: Ints) -> tuple[Ints, sp.csr_array]:
    """What leads directly to the targets, and the steps from there to them."""
    narrow = sp.csr_array(steps[:, targets])
    sources = np.flatnonzero(np.diff(narrow.indptr)).astype(np.int64)
    return sources, sp.csr_array(narrow[sources])


def _spread(matrix: sp.csr_array, columns: Ints, wide: int) -> sp.csr_array:
    """Put the columns of a narrow matrix back to their places in a wide one."""
    coo = matrix.tocoo()
    return boolean(coo.row.astype(np.int64), columns[coo.col], (matrix.shape[0], wide))


def _met_elsewhere(
    reliance: Reliance,
    sides: Sides,
    links: sp.csr_array,
    at_ends: sp.csr_array,
    ends_of_sides: sp.csr_array,
) -> sp.csr_array:
    """Hazards at the ends that sides meet through other plant as well: no excuse.

    For a circuit where enough of its sides do, for a group where any does.
    """
    count = len(reliance.network.assets)
    met = _columns(at_ends)
    met = met[met < count]
    sources, takes = _leading(reliance.network.hazards, met)
    if not len(met):
        return sp.csr_array(at_ends.shape, dtype=np.bool_)
    other = without(
        sp.csr_array(links @ reliance.links[:, sources]), sp.csr_array(ends_of_sides[:, sources])
    )
    least = np.where(sides.group, 1, sides.threshold)
    # A hazard that takes a hop through the air stands among what its link uses directly.
    named = reliance.network.assets.of_role("hazards")
    hazard = sp.diags_array((met >= named.start) & (met < named.stop), dtype=np.bool_)
    in_air = sp.csr_array(sp.csr_array(links @ reliance.link_items[:, met]) @ hazard)
    elsewhere = _agreed(sides, union(sp.csr_array(other @ takes), in_air), least)
    return both(_spread(elsewhere, met, at_ends.shape[1]), at_ends)


def _tails(reliance: Reliance, sides: Sides, avoidable: sp.csr_array) -> sp.csr_array:
    """Avoidable shared assets that are the tail of a circuit whose service excuses it."""
    row: list[int] = []
    column: list[int] = []
    found = np.diff(avoidable.indptr) > 0
    asked = np.flatnonzero(found & sides.tails) if sides.tails is not None else ()
    indoors = Indoors(reliance) if len(asked) else None
    for trial in map(int, asked):
        assert indoors is not None
        low, high = np.searchsorted(sides.trial, [trial, trial + 1])
        paths = sides.paths[low:high].indices.astype(np.int64)
        mine = csr_row(avoidable, trial).tolist()
        tail = tail_columns(indoors, paths).intersection(mine)
        column += sorted(tail)
        row += [trial] * len(tail)
    return boolean(np.array(row, np.int64), np.array(column, np.int64), avoidable.shape)


def _folded(
    reliance: Reliance, sides: Sides, links: sp.csr_array, shared: sp.csr_array
) -> sp.csr_array:
    """Shared only because something shared lies within: not enough sides reach it on their own.

    On its own is what a side uses directly, what must work for something on it,
    and what something on it that is not shared lies within.
    """
    every = _columns(shared)
    held = every[every < len(reliance.network.assets)]
    own = sp.csr_array(links @ reliance.link_items[:, every])
    feeding, works = _leading(reliance.works, held)
    lying, steps = _leading(reliance.steps, held)
    fed = sp.csr_array(sp.csr_array(links @ reliance.links[:, feeding]) @ works)
    unshared = without(
        sp.csr_array(links @ reliance.links[:, lying]), sp.csr_array(shared[:, lying])[sides.trial]
    )
    lain = sp.csr_array(unshared @ steps)
    # Links stand behind the assets, so the columns of `held` come first in those of `every`.
    wide = (own.shape[0], len(every) - len(held))
    rest = sp.csr_array(wide, dtype=np.bool_)
    reached = sp.csr_array(sp.hstack([union(fed, lain), rest], format="csr"), dtype=np.bool_)
    alone = _spread(_agreed(sides, union(own, reached)), every, shared.shape[1])
    return without(shared, both(shared, alone))


def _reasons(
    reliance: Reliance, shared: sp.csr_array, folded: sp.csr_array, sides: sp.csr_array
) -> tuple[dict[tuple[int, int], int], dict[tuple[int, int], tuple[int, ...]]]:
    """For each folded asset, the unfolded shared thing that lies in it by the fewest steps.

    Of several, the first by role; of these the one that the paths (of each trial)
    meet first, whichever of them is called main; of what they meet alike the westernmost.
    Ids tell only what the records do not tell apart.
    """
    assets = reliance.network.assets
    ids = assets.frame["id"].to_numpy()
    role = np.searchsorted(list(assets.start.values()), np.arange(shared.shape[1]), side="right")
    met = Encounters(reliance)
    back = reliance.steps.T.tocsr()
    through: dict[tuple[int, int], int] = {}
    supports: dict[tuple[int, int], tuple[int, ...]] = {}

    def first_met(trial: int, candidates: list[int]) -> int:
        paths = csr_row(sides, trial).tolist()

        def rank(asset: int) -> tuple[object, ...]:
            places = [met.place(path, asset) for path in paths]
            known = [place for place in places if place is not None]
            return sorted(known), met.where(asset), known, str(ids[asset])

        return candidates[0] if len(candidates) == 1 else min(candidates, key=rank)

    for trial in np.flatnonzero(np.diff(folded.indptr)).tolist():
        mine = set(csr_row(shared, trial).tolist())
        hidden = csr_row(folded, trial).tolist()
        hidden_set = set(hidden)
        for asset in hidden:
            found: set[int] = {asset}
            layer = [asset]
            while layer and hidden_set.issuperset(layer):
                layer = [
                    before
                    for at in layer
                    for before in csr_row(back, at).tolist()
                    if before in mine and before not in found and not found.add(before)  # type: ignore[func-returns-value]
                ]
            roots = [number for number in layer if number not in hidden_set]
            if roots:
                first_role = min(role[number] for number in roots)
                alike = [number for number in roots if role[number] == first_role]
                through[trial, asset] = first_met(trial, alike)
                supports[trial, asset] = tuple(sorted(set(csr_row(back, asset).tolist()) & mine))
    return through, supports
