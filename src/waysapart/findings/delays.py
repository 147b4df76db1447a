"""One-way delay of every path, go and return, from fibre, hops and equipment.

An unknown delay is never taken as zero. A figure that lacks an input is NaN, and beside it stands
its lower bound: the sum of all delays that are known. Unknown delays can only add to it. Where a
ring turns back at a failure, its circuits run the other way round; the longest delay that this
causes is worked out here too.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy.sparse as sp

from waysapart.arrays import Bools, Floats, Ints, boolean, csr_row, owners
from waysapart.findings.fibre_types import Glass, glass_of
from waysapart.findings.loss import length_terms
from waysapart.formulas.delay import fibre_delay_us, ring_way_us, ring_worst_us
from waysapart.gaps import GAP_CODES, Gap
from waysapart.network.assets import listed
from waysapart.network.build_network import Network
from waysapart.network.links import BOTH, GO, RETURN
from waysapart.network.measurements import measured_lengths, measured_us
from waysapart.network.record_gaps import assumed_delay_us

DECIMALS_US = 3
"""Nanoseconds: figures are rounded to this link by link, so that the sums that
are shown can be done again by hand."""
IN_VACUUM = 1.0
"""Least possible group index: for the least delay of a length."""
FIBRE = "fibre"
_TOLD_BY_FIGURES = frozenset({"blank-delay", "fibre-type", "hop-length"})
"""Gaps whose figure is NaN here in any case, or known by a measurement."""
_EITHER_WAY = frozenset({"match-ambiguous", "link-broken", "measured-length", "measured-delay"})
"""Gaps after which the figure on record may be too great as well as too small."""
_DISPUTED = "measured-delay"
_BY_TEST = frozenset({"measured-length", _DISPUTED})
"""Gaps of what was tested: a measurement does not settle them."""


def link_delays(network: Network) -> pd.DataFrame:
    """Compute the delay of every link without the equipment at its ends and on it.

    Parameters
    ----------
    network : Network

    Returns
    -------
    DataFrame
        One row per link: `fibre_go_us`, `fibre_return_us` (glass, air or wire),
        `extra_us`, `test_go_us`, `test_return_us` (what a measured delay adds
        to the computed one; 0 without), `go_us`, `return_us` (all together),
        NaN where the records do not tell; `go_least_us`, `return_least_us` (the
        least that they can be, the figures themselves where known) and `why`
        (what is not on record; empty where nothing lacks).

    Notes
    -----
    A hop without cables whose length is blank but whose `extra_delay_us` is
    stated takes that: it is all of its delay.
    """
    links = network.study.tables["links"]
    stated = links["extra_delay_us"].to_numpy(dtype=np.float64)
    extra = np.nan_to_num(stated)
    glass = glass_of(network)
    columns: dict[str, Floats] = {"extra_us": extra}
    known: list[Bools] = []
    for way, (in_glass, least), measured in zip(
        ("go", "return"), _glass_us(network, glass), measured_us(network.study), strict=True
    ):
        tested = ~np.isnan(measured)
        blank = np.isnan(in_glass) & (tested | (~np.isnan(stated) & _bare(network)))
        fibre = np.where(blank, 0.0, np.round(in_glass, DECIMALS_US))
        columns[f"fibre_{way}_us"] = fibre
        columns[f"test_{way}_us"] = np.where(tested, measured - fibre - extra, 0.0)
        whole = np.where(tested, measured, fibre + extra)
        columns[f"{way}_us"] = whole
        columns[f"{way}_least_us"] = np.where(np.isnan(whole), least + extra, whole)
        known.append(~np.isnan(whole))
    frame = pd.DataFrame(columns).round(DECIMALS_US)
    frame["why"] = _reasons(network, glass, known[0] & known[1])
    return frame


def path_delays(network: Network, gaps: Sequence[Gap] = ()) -> pd.DataFrame:
    """Compute the delay and length of every path.

    Parameters
    ----------
    network : Network
    gaps : sequence of Gap
        What the records leave open. Where one that bears on delay touches the
        cables, segments, links or the order of a path, its figures are NaN.

    Returns
    -------
    DataFrame
        One row per path: `go_us`, `return_us`, `delay_us` (the greater), its
        terms `fibre_us`, `equipment_us`, `extra_us`, `test_us` (what measured
        delays add), `length_m` (of its links over fibre), `route_m`; and
        `turned_us`, the longest that the path's circuit takes where its ring
        turns back at a failure on this path. NaN where the records do not tell.

        The same with `_at_least` before the unit: the least that the figure can
        be, itself where it is known. `turned_at_least_us` is NaN for paths of
        circuits whose ring does not turn back.

        `machines_open`, `links_open`, `length_open`: sets of sentences on what
        is not on record of the equipment, of the links, and of their length.

    Notes
    -----
    Fibre length times group index over c; every piece of equipment on the path
    (both ends and `via` included) counts once. `go` is from the circuit's end
    a to its end b, in whichever direction the links are recorded.
    """
    paths = network.paths
    doubts = _Doubts.of(network, gaps)
    links = doubts.over(link_delays(network))
    rows = owners(paths.first)

    def along(go: str, back: str) -> Floats:
        onward, backward = (links[name].to_numpy()[paths.link] for name in (go, back))
        walked = np.where(paths.backward, backward, onward)
        return np.bincount(rows, walked, len(paths)).astype(np.float64)

    def added(values: Floats) -> Floats:
        return np.bincount(rows, values[paths.link], len(paths)).astype(np.float64)

    machine_us = assumed_delay_us(network.study)
    used = _machines(network, rows)
    equipment, least_of_equipment = (
        np.asarray(used.astype(np.float64) @ delay)
        for delay in (machine_us, np.nan_to_num(machine_us))
    )
    broken = doubts.paths
    go = np.where(broken, np.nan, along("go_us", "return_us") + equipment)
    back = np.where(broken, np.nan, along("return_us", "go_us") + equipment)
    least_go = along("go_least_us", "return_least_us") + least_of_equipment
    least_back = along("return_least_us", "go_least_us") + least_of_equipment
    # The terms are those of the longer direction; one that is not known may be the longer.
    open_go, open_back = (
        np.isnan(along(*names)) for names in (("go_us", "return_us"), ("return_us", "go_us"))
    )
    longer = ~open_go & (open_back | (least_back > least_go))

    def term(name: str) -> Floats:
        onward, backward = f"{name}_go_us", f"{name}_return_us"
        return np.where(longer, along(backward, onward), along(onward, backward))

    turned, least_turned = (
        _turned_back_us(
            network,
            np.maximum(links[f"go{kind}_us"].to_numpy(), links[f"return{kind}_us"].to_numpy()),
            delay,
            on_path,
        )
        for kind, delay, on_path in (
            ("", machine_us, equipment),
            ("_least", np.nan_to_num(machine_us), least_of_equipment),
        )
    )
    frame = pd.DataFrame(
        {
            "go_us": go,
            "return_us": back,
            "delay_us": np.maximum(go, back),
            "fibre_us": term("fibre"),
            "equipment_us": equipment,
            "extra_us": added(links["extra_us"].to_numpy()),
            "test_us": term("test"),
            "turned_us": turned,
            **_lengths(network, doubts, added),
            "go_at_least_us": least_go,
            "return_at_least_us": least_back,
            "delay_at_least_us": np.maximum(least_go, least_back),
            "turned_at_least_us": least_turned,
        }
    ).round(DECIMALS_US)
    frame[np.diff(paths.first) == 0] = np.nan
    why, why_no_length = links["why"].to_numpy(dtype=object), _why_no_length(network, doubts)
    return frame.assign(
        machines_open=pd.Series(_of_machines(network, used, machine_us), dtype=object),
        links_open=pd.Series(_of_paths(network, why, doubts.why_of_paths), dtype=object),
        length_open=pd.Series(_of_paths(network, why_no_length, doubts.why_of_paths), dtype=object),
    )


@dataclass(frozen=True)
class _Doubts:
    """What gaps leave open of every link and path.

    Attributes
    ----------
    of_delay, of_length : ndarray of str, shape (links,)
        Why a link's delay, or its length, is in doubt; empty where it is not.
    either_way : ndarray of bool, shape (links,)
        Whether the figure may be smaller than the records make it.
    paths : ndarray of bool, shape (paths,)
        Whether a path does not hold together.
    why_of_paths : list of str
        Why not; empty where it does.
    """

    of_delay: np.ndarray
    of_length: np.ndarray
    either_way: Bools
    paths: Bools
    why_of_paths: list[str]

    @classmethod
    def of(cls, network: Network, gaps: Sequence[Gap]) -> _Doubts:
        """Find the links and paths that gaps touch."""
        links, paths = network.study.tables["links"], network.paths
        names, count = links["id"].to_numpy(dtype=object), len(links)
        of_delay, of_length = (np.full(count, "", dtype=object) for _ in range(2))
        either_way = np.zeros(count, dtype=np.bool_)
        why_of_paths = [""] * len(paths)
        bearing = [
            gap for gap in gaps if "delay" in gap.limits and gap.code not in _TOLD_BY_FIGURES
        ]
        if bearing:
            measured = ~np.isnan(np.minimum(*measured_us(network.study)))
            whole = network.lengths
            by_measurement = ~np.isclose(whole.go_m, whole.by_cables_go_m, rtol=0, atol=1e-9)
            by_measurement &= ~np.isnan(whole.go_m)
            place = {name: number for number, name in enumerate(names)}
            named = {name for gap in bearing for name in gap.assets}
            carries = _carriers(network, named, tested=True)
            open_to_it = _carriers(network, named, tested=False)
            for gap in bearing:
                touched = {place[name] for name in gap.links if name in place}
                over = carries if gap.code in _BY_TEST else open_to_it
                touched |= {link for name in gap.assets for link in over.get(name, ())}
                for link in sorted(touched):
                    said = f"{names[link]}: {GAP_CODES[gap.code].means}"
                    if gap.code == _DISPUTED or not measured[link]:
                        of_delay[link] = of_delay[link] or said
                        either_way[link] |= gap.code in _EITHER_WAY
                    disputed = gap.code in _BY_TEST
                    if gap.code != _DISPUTED and (disputed or not by_measurement[link]):
                        of_length[link] = of_length[link] or said
            circuits = network.study.tables["circuits"]["id"].to_numpy(dtype=object)
            of_path = {
                (circuit, gap.path): GAP_CODES[gap.code].means
                for gap in bearing
                if gap.path is not None
                for circuit in gap.circuits
            }
            why_of_paths = [
                of_path.get((circuits[circuit], label), "")
                for circuit, label in zip(paths.circuit.tolist(), paths.label, strict=True)
            ]
        return cls(
            of_delay,
            of_length,
            either_way,
            np.array([bool(why) for why in why_of_paths], dtype=np.bool_),
            why_of_paths,
        )

    def over(self, links: pd.DataFrame) -> pd.DataFrame:
        """The delays of links with those in doubt taken back to what is sure of them."""
        doubted = self.of_delay != ""
        if not doubted.any():
            return links
        links = links.copy()
        for way in ("go", "return"):
            sure = np.where(self.either_way, 0.0, links[f"{way}_least_us"])
            links.loc[doubted, f"{way}_least_us"] = sure[doubted]
            for name in (f"fibre_{way}_us", f"{way}_us"):
                links.loc[doubted, name] = np.nan
        links["why"] = np.where(doubted, self.of_delay, links["why"])
        return links


def _carriers(network: Network, names: set[str], *, tested: bool) -> dict[str, list[int]]:
    """Links by the cables and segments that their fibre runs in, of those named.

    Without `tested`, cables that a link uses whole and whose length was measured are left
    out: whatever their record lacks, their length is known.
    """
    assets, pieces, parts = network.assets, network.pieces, network.parts
    rows = owners(parts.first)
    size = (len(parts.cable), len(assets))
    inside = boolean(
        np.r_[np.arange(len(parts.cable)), rows],
        np.r_[parts.cable + assets.start["cables"], parts.segment + assets.start["segments"]],
        size,
    )
    measured = ~np.isnan(measured_lengths(network.study).cable_m)
    settled = parts.whole[pieces.part] & measured[parts.cable[pieces.part]] & (not tested)
    over = boolean(
        pieces.link[~settled],
        pieces.part[~settled],
        (len(network.lengths.go_m), len(parts.cable)),
    )
    wanted = sorted(names)
    numbers = assets.numbers(wanted)
    used = sp.csc_array(sp.csc_array(over @ inside)[:, np.maximum(numbers, 0)])
    return {
        name: csr_row(used, at).tolist()
        for at, (name, number) in enumerate(zip(wanted, numbers.tolist(), strict=True))
        if number >= 0
    }


def _lengths(
    network: Network, doubts: _Doubts, added: Callable[[Floats], Floats]
) -> dict[str, Floats]:
    """Fibre and ground length of every path, each with the least that it can be.

    The fibre length of a path without fibre is not known where its hops have no length.
    """
    terms, lengths = length_terms(network), network.lengths
    doubted = doubts.of_length != ""
    unsure = doubted & doubts.either_way
    over_fibre = (network.study.tables["links"]["medium"].fillna(FIBRE) == FIBRE).to_numpy()
    length = np.where(doubted, np.nan, terms["length_m"].to_numpy())
    ground = np.where(doubted, np.nan, terms["ground_m"].to_numpy())
    least = np.where(unsure, 0.0, np.maximum(lengths.go_least_m, lengths.return_least_m))
    fibre = added(np.where(over_fibre, length, 0.0))
    none = added(over_fibre.astype(np.float64)) == 0
    return {
        "length_m": np.where(doubts.paths | (none & np.isnan(added(length))), np.nan, fibre),
        "route_m": np.where(doubts.paths, np.nan, added(ground)),
        "length_at_least_m": added(np.where(over_fibre, least, 0.0)),
        "route_at_least_m": added(np.where(unsure, 0.0, lengths.route_least_m)),
    }


def _reasons(network: Network, glass: Glass, known: Bools) -> np.ndarray:
    """What is not on record of every link whose delay is not known; empty where it is."""
    study, pieces = network.study, network.pieces
    links = study.tables["links"]
    names = links["id"].to_numpy(dtype=object)
    medium = links["medium"].fillna(FIBRE).to_numpy(dtype=object)
    found = np.full(len(links), "", dtype=object)
    for link in np.flatnonzero(~known).tolist():
        mine = np.flatnonzero((pieces.link == link) & np.isnan(glass.group_index))
        found[link] = f"{names[link]}: "
        if len(mine):
            cable = int(network.parts.cable[pieces.part[mine[0]]])
            row = study.tables["cables"].iloc[cable]
            found[link] += (
                f"the fibre_type of {row['id']} is not on record"
                if pd.isna(row["fibre_type"])
                else f"the rules have no group index of {row['fibre_type']} at "
                f"{glass.wavelength_nm[mine[0]]:g} nm: add it under [fibres]"
            )
        elif medium[link] == FIBRE:
            found[link] += "its fibre length is not on record"
        else:
            found[link] += f"this {medium[link]} hop has neither a length nor a delay on record"
    return found


def _why_no_length(network: Network, doubts: _Doubts) -> np.ndarray:
    """Why the length of every link is not known; empty where it is."""
    links = network.study.tables["links"]
    lengths = network.lengths
    blank = np.isnan(np.maximum(lengths.go_m, lengths.return_m))
    medium = links["medium"].fillna(FIBRE).to_numpy(dtype=object)
    said = [
        f"{name}: the length of this {kind} {'link' if kind == FIBRE else 'hop'} is not on record"
        if missing
        else doubt
        for name, kind, missing, doubt in zip(
            links["id"], medium, blank, doubts.of_length, strict=True
        )
    ]
    return np.array(said, dtype=object)


def _of_paths(network: Network, why: np.ndarray, of_paths: Sequence[str]) -> list[frozenset[str]]:
    """What links lack, and what paths lack as a whole, as one set per path."""
    paths = network.paths
    if not any(why) and not any(of_paths):
        return [frozenset()] * len(paths)
    return [
        frozenset(
            {one for one in why[paths.links(path)].tolist() if one} | ({own} if own else set())
        )
        for path, own in enumerate(of_paths)
    ]


def _of_machines(network: Network, used: sp.csr_array, delay_us: Floats) -> list[frozenset[str]]:
    """The equipment of every path that has no delay on record, in sentences."""
    blank = np.flatnonzero(np.isnan(delay_us))
    if not len(blank):
        return [frozenset()] * len(network.paths)
    names = network.study.tables["equipment"]["id"].to_numpy(dtype=object)[blank]
    said = [f"{name} has no delay on record" for name in names]
    mine = sp.csr_array(used[:, blank])
    return [frozenset(said[at] for at in csr_row(mine, path)) for path in range(mine.shape[0])]


def _bare(network: Network) -> Bools:
    """Which links are hops without cables that are not over fibre."""
    links = network.study.tables["links"]
    without = np.bincount(network.pieces.link, minlength=len(links)) == 0
    return np.asarray(without & (links["medium"].fillna(FIBRE) != FIBRE).to_numpy(), np.bool_)


def _glass_us(network: Network, glass: Glass) -> tuple[tuple[Floats, Floats], ...]:
    """Delay in the glass or the air of every link by its length, and the least it can be.

    For go and for return. The least takes stretches without a length as nothing, and
    glass of an unknown kind as no slower than light in vacuum.
    """
    pieces, study, lengths = network.pieces, network.study, network.lengths
    links, rules = study.tables["links"], study.rules
    count = len(links)
    medium = links["medium"].fillna(FIBRE)
    hop_index = medium.map({name: one.group_index for name, one in rules.media.items()})
    number = np.bincount(pieces.link, minlength=count)
    without = number == 0

    def along(
        fibre_m: Floats, index: Floats, way: int, length_m: Floats, cables_m: Floats
    ) -> Floats:
        mean_index = np.where(
            without,
            hop_index.to_numpy(dtype=np.float64),
            np.bincount(pieces.link, index, count) / np.maximum(number, 1),
        )
        chosen = (pieces.way == BOTH) | (pieces.way == way)
        each = fibre_delay_us(fibre_m, index)
        total = np.bincount(pieces.link[chosen], each[chosen], count)
        by_length = fibre_delay_us(length_m, mean_index)
        with np.errstate(invalid="ignore", divide="ignore"):
            scaled = total * (length_m / cables_m)
        scaled = np.where(length_m == cables_m, total, scaled)
        return np.where(without | ~np.isfinite(scaled), by_length, scaled)

    sure_m = np.nan_to_num(glass.fibre_m)
    sure_index = np.where(np.isnan(glass.group_index), IN_VACUUM, glass.group_index)
    least_index = np.full(count, np.inf)
    np.minimum.at(least_index, pieces.link, sure_index)
    found = []
    for way, length_m, cables_m, least_m in (
        (GO, lengths.go_m, lengths.by_cables_go_m, lengths.go_least_m),
        (RETURN, lengths.return_m, lengths.by_cables_return_m, lengths.return_least_m),
    ):
        chosen = (pieces.way == BOTH) | (pieces.way == way)
        each = fibre_delay_us(sure_m, sure_index)[chosen]
        by_cables = np.bincount(pieces.link[chosen], each, count).astype(np.float64)
        index = np.where(without, hop_index.to_numpy(dtype=np.float64), least_index)
        tested = ~without & ~np.isnan(length_m) & (length_m != cables_m)
        least = np.where(without | tested, fibre_delay_us(least_m, index), by_cables)
        found.append((along(glass.fibre_m, glass.group_index, way, length_m, cables_m), least))
    return tuple(found)


def _machines(network: Network, rows: Ints) -> sp.csr_array:
    """Which equipment each path passes, each piece once: shape (paths, equipment)."""
    study, assets, paths = network.study, network.assets, network.paths
    links, equipment = study.tables["links"], study.tables["equipment"]
    offset, count = assets.start["equipment"], len(links)
    via_row, via = listed(links["via"])
    number = np.arange(count)
    on_link = boolean(
        np.r_[number, number, via_row],
        np.r_[assets.numbers(links["a"]), assets.numbers(links["b"]), assets.numbers(via)] - offset,
        (count, len(equipment)),
    )
    return sp.csr_array(boolean(rows, paths.link, (len(paths), count)) @ on_link)


# --- Rings that turn back at a failure.


def _turned_back_us(
    network: Network, slower_us: Floats, machine_us: Floats, on_path_us: Floats
) -> Floats:
    """Longest delay of each path of a ring circuit, whole or turned back at a failure on it.

    Parameters
    ----------
    network : Network
    slower_us : ndarray of float, shape (links,)
        Delay of every link, the greater of its two directions.
    machine_us : ndarray of float, shape (equipment,)
        Delay of every piece of equipment.
    on_path_us : ndarray of float, shape (paths,)
        Delay of all equipment on each path, each piece once.

    Returns
    -------
    ndarray of float, shape (paths,)
        Microseconds; NaN for paths of circuits that run round no ring, and
        everywhere where the rules do not say that rings turn back
        (`recovery.ring_turns_back`): there the ends take the other way. NaN too
        where a delay on the ring is NaN. Never less for greater delays.

    Notes
    -----
    One failure turns back one ring: of several rings in order the worst counts. The
    signal passes the two nodes at which the ring is turned once. What lies between them and
    where the circuit comes onto the ring or leaves it is passed on the way out and on the way
    back, and so counts twice, the equipment on it as well (`ring_worst_us`).
    """
    study, paths = network.study, network.paths
    found = np.full(len(paths), np.nan)
    if not study.rules.recovery.ring_turns_back or not paths.passed:
        return found
    link_us = slower_us + _via_us(network, machine_us)
    offset = network.assets.start["equipment"]
    whole = np.bincount(owners(paths.first), slower_us[paths.link], len(paths)) + on_path_us
    for path, rings in paths.passed.items():
        longer = []
        for ring in rings:
            around = link_us[list(ring.links)]
            nodes = machine_us[np.array(ring.nodes, dtype=np.int64) - offset]
            worst = ring_worst_us(around, nodes, 0, ring.count, loops_back=True)[0]
            longer.append(worst - ring_way_us(around, nodes, 0, ring.count)[0])
        found[path] = whole[path] + np.max(longer, initial=0.0)
    return found


def _via_us(network: Network, machine_us: Floats) -> Floats:
    """Delay of the equipment within every link."""
    tables = network.study.tables
    row, name = listed(tables["links"]["via"])
    place = pd.Index(tables["equipment"]["id"]).get_indexer(pd.Index(name))
    known = place >= 0
    added = np.bincount(row[known], machine_us[place[known]], len(tables["links"]))
    return added.astype(np.float64)
