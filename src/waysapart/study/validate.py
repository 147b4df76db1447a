"""What must hold between rows, and what becomes of rows that contradict each other."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Hashable, Iterator, Mapping, Sequence
from itertools import count, groupby, islice
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from waysapart.gaps import GAP_CODES, Gap
from waysapart.schema import ASSET_ROLES, KNOWN_EMPTY, LIST_SEPARATOR, OWNERS, ROLES, Role
from waysapart.strings import known_texts
from waysapart.study.ledger import Conflict, Ledger, column_label, did_you_mean, listed
from waysapart.study.plane import Plane
from waysapart.study.proposal import cut
from waysapart.study.references import is_among, references, roles_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from waysapart.study.rules import Rules
    from waysapart.study.sources import Layer

_DEEPEST = 100
"""How deep things may lie in each other: many times what any plant needs, and few enough
that what lies in what can be written out in full."""
_WIDE = 2.0
"""Of snap_m: how near a segment may come to a structure of unknown kind without passing it.
Common practice, no source; more than a coordinate system may change lengths by."""


def validate(
    tables: Mapping[str, pd.DataFrame],
    rules: Rules | None,
    layers: Sequence[Layer],
    ledger: Ledger,
    *,
    removed: Collection[str] = (),
    unread: Collection[str] = (),
    rules_file: str = "rules.toml",
    snap_m: float = 0.0,
) -> dict[str, pd.DataFrame]:
    """Write down every contradiction between the rows of a study, and cut what cannot be tied.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        Every role, columns typed, with `_layer` and `_row`.
    rules : Rules or None
        None where the rules have faults of their own.
    layers : sequence of Layer
        What `_layer` counts.
    ledger : Ledger
        A strict one takes the contradictions as problems, another as gaps of what they touch.
    removed : collection of str
        Ids that a proposal took out; rules may still name them.
    unread : collection of str
        Roles of which a layer could not be read: nobody is blamed for naming their ids.
    rules_file : str
        Name of the rules in messages.
    snap_m : float
        How far a segment may lie from a structure that it passes.

    Returns
    -------
    dict of str to DataFrame
        The tables that can be tied: every id is unique, every reference leads to a row, nothing
        lies in itself. None of it depends on the order of the rows.
    """
    patches = cords(tables["patches"])
    whole = unique_ids({**tables, "patches": patches}, layers, ledger)
    dropped = {(one.layer, one.row) for one in ledger.conflicts if one.drop}
    left = _without(whole, layers, dropped)
    left = cut(left, references(left, layers, ledger, unread))
    left = unique_keys(left, layers, ledger)
    left = cycles(left, layers, ledger)
    circuits(left, layers, ledger)
    left = rings(left, layers, ledger)
    left = links(left, layers, ledger)
    left = measurements(left, layers, ledger)
    if rules is not None:
        left = named_in_rules(left, rules, layers, ledger)
        waived(left, rules, ledger, removed, rules_file)
    if len(patches) < len(tables["patches"]):  # what is wrong with a further row of a cord stays
        further = tables["patches"].drop(index=patches.index)
        whole["patches"] = pd.concat([whole["patches"], further])
    ledger.gaps += conflict_gaps(whole, left, layers, ledger, snap_m)
    return left


def named_cords(role: str, frame: pd.DataFrame) -> pd.DataFrame:
    """Give each row of `patches` without an id one that is made of its ends.

    Parameters
    ----------
    role : str
    frame : DataFrame
        Cleaned rows of the role; of any other role they come back as they are.

    Returns
    -------
    DataFrame

    Examples
    --------
    >>> row = {"id": [None], "a": ["R1"], "a_port": ["TX"], "b": ["ODF-A"], "b_port": ["1"]}
    >>> named_cords("patches", pd.DataFrame(row, dtype="str"))["id"].to_list()
    ['R1/TX-ODF-A/1']
    """
    if role != "patches" or not frame["id"].isna().any():
        return frame
    a, a_port, b, b_port = (frame[name].fillna("?") for name in _ENDS)
    return frame.assign(id=frame["id"].fillna(a + "/" + a_port + "-" + b + "/" + b_port))


def cords(patches: pd.DataFrame) -> pd.DataFrame:
    """Make one row of the rows of `patches` with one id: they are the fibres of one cord.

    Parameters
    ----------
    patches : DataFrame

    Returns
    -------
    DataFrame
        `a_port` and `b_port` list the ports of the cord's fibres, in the order of the rows. A row
        that joins other equipment than the first of its id, or says something else of the cord,
        stays, so that the id is told to be taken twice.
    """
    again = patches["id"].notna() & patches["id"].duplicated(keep=False)
    if not again.any():
        return patches
    first: dict[str, int] = {}
    cells: dict[str, list[Any]] = {name: patches[name].to_list() for name in _CORD}
    gone = np.zeros(len(patches), dtype=bool)
    for row in np.flatnonzero(again.to_numpy()).tolist():
        known = first.setdefault(str(patches["id"].iloc[row]), row)
        if known == row:
            continue
        ends = cells["a"][known], cells["b"][known]
        mine = {name: cells[name][row] for name in _CORD}
        if ends == (mine["b"], mine["a"]) != (mine["a"], mine["b"]):
            mine |= {one: mine[other] for one, other in zip(_ENDS, _TURNED, strict=True)}
        said = [(name, mine[name], cells[name][known]) for name in _CORD if name not in _ENDS]
        if ends != (mine["a"], mine["b"]) or any(
            not (pd.isna(one) or pd.isna(other) or one == other) for _, one, other in said
        ):
            continue
        gone[row] = True
        for name in ("a_port", "b_port"):
            ports = [one for one in (cells[name][known], mine[name]) if isinstance(one, str)]
            cells[name][known] = LIST_SEPARATOR.join(ports) if ports else np.nan
        for name, one, other in said:
            cells[name][known] = one if pd.isna(other) else other
    columns = {
        name: pd.Series(cells[name], index=patches.index, dtype=patches[name].dtype)
        for name in _CORD
    }
    return patches.assign(**columns)[~gone]


_ENDS, _TURNED = ("a", "a_port", "b", "b_port"), ("b", "b_port", "a", "a_port")
_CORD = (*_ENDS, "within", "fibre_type", "length_m", "loss_db")


def _without(
    tables: Mapping[str, pd.DataFrame], layers: Sequence[Layer], rows: Collection[tuple[int, int]]
) -> dict[str, pd.DataFrame]:
    """The tables without some rows, by `_layer` and `_row`."""
    left = dict(tables)
    for name in {layers[layer].role for layer, _ in rows}:
        frame = left[name]
        here = zip(frame["_layer"].tolist(), frame["_row"].tolist(), strict=True)
        left[name] = frame[[place not in rows for place in here]]
    return left


def unique_ids(
    tables: Mapping[str, pd.DataFrame], layers: Sequence[Layer], ledger: Ledger
) -> dict[str, pd.DataFrame]:
    """Make ids unique over all asset roles together, and within each other role.

    The same row twice counts once. Of rows that differ the first by role and content keeps the
    id; the others get a number behind it, so that nothing is lost, and the gap touches them all.
    """
    left = dict(tables)
    renamed: dict[str, list[tuple[str, str]]] = {}
    for roles in (ASSET_ROLES, ("links",), ("circuits",)):
        ids = [id_ for name in roles for id_ in known_texts(left[name]["id"])]
        if len(set(ids)) == len(ids):
            continue
        every = pd.concat([left[name][["id", "_layer", "_row"]] for name in roles])
        again = every["id"].notna() & every["id"].duplicated()
        if not again.any():
            continue
        if ledger.strict:
            _tell_taken(every.reset_index(drop=True), layers, ledger)
            continue
        twice = set(every["id"][again])
        for name in roles:
            chosen = is_among(left[name]["id"], twice)
            left[name] = _once(left[name], chosen, ROLES[name], layers, ledger)
        renamed |= _tell_apart(left, roles, twice, set(every["id"].dropna()), layers, ledger)
    return _readdressed(left, renamed) if renamed else left


def _tell_taken(every: pd.DataFrame, layers: Sequence[Layer], ledger: Ledger) -> None:
    """A problem for each row whose id an earlier row has."""
    again = every["id"].notna() & every["id"].duplicated()
    first = every.drop_duplicates("id").set_index("id")
    earlier = every["id"].map(first["_row"]).to_numpy()
    where = every["id"].map(first["_layer"]).to_numpy()
    told = [""] * len(every)
    for position in np.flatnonzero(again).tolist():
        layer = layers[int(where[position])]
        told[position] = f"{layer.layer or layer.role} of {layer.file}, row {earlier[position]:g}"
    ledger.rows(
        every,
        layers,
        again,
        "id",
        "the id is taken by an earlier row ({found}); ids are unique "
        "over all assets, and a prefix in study.toml keeps layers apart",
        told,
        quoted=False,
    )


def _tell_apart(
    tables: dict[str, pd.DataFrame],
    roles: Sequence[str],
    twice: Collection[str],
    taken: set[str],
    layers: Sequence[Layer],
    ledger: Ledger,
) -> dict[str, list[tuple[str, str]]]:
    """Give rows with one id an id each, in `tables`; by old id the role and new id of its rows."""
    places = [
        (str(row["id"]), number, content, int(row["_layer"]), int(row["_row"]))
        for number, name in enumerate(roles)
        for row, content in _rows_of(tables[name], is_among(tables[name]["id"], twice), ROLES[name])
    ]
    new_ids: dict[tuple[int, int], str] = {}
    renamed: dict[str, list[tuple[str, str]]] = {}
    for id_, group in groupby(sorted(places), key=lambda place: place[0]):
        rows = list(group)
        if len(rows) == 1:
            continue
        names = [id_, *islice(_free_names(id_, taken), len(rows) - 1)]
        taken.update(names)
        new_ids |= {(row[3], row[4]): name for row, name in zip(rows, names, strict=True)}
        renamed[id_] = [(roles[row[1]], name) for row, name in zip(rows, names, strict=True)]
        where = [
            f"{layers[layer].layer or layers[layer].role} of {layers[layer].file}, row {row} "
            f"(taken as {name})"
            for (_, _, _, layer, row), name in zip(rows, names, strict=True)
        ]
        ledger.conflicts.append(
            Conflict(
                "duplicate-id",
                rows[0][3],
                rows[0][4],
                "id",
                f"{len(rows)} rows that differ have this id: {listed(where)}; give each thing an "
                "id of its own (a prefix in study.toml keeps layers apart), or keep one of them",
                also=tuple(names[1:]),
            )
        )
    for name in roles:
        frame = tables[name]
        here = zip(frame["_layer"].tolist(), frame["_row"].tolist(), frame["id"], strict=True)
        ids = [new_ids.get((layer, row), id_) for layer, row, id_ in here]
        tables[name] = frame.assign(id=pd.Series(ids, index=frame.index, dtype="str"))
    return renamed


def _rows_of(
    frame: pd.DataFrame, chosen: NDArray[np.bool_], role: Role
) -> list[tuple[pd.Series, tuple[str, ...]]]:
    """Some rows, each with all that it says in its role's columns, for comparing."""
    if not chosen.any():
        return []
    rows = frame[chosen]
    said = rows[[column.name for column in role.columns]].astype(str).to_numpy().tolist()
    shapes = (
        shapely.to_wkb(rows["geometry"].to_numpy(), hex=True).tolist()
        if "geometry" in rows
        else [""] * len(rows)
    )
    return [
        (row, (*map(str, cells), str(shape)))
        for (_, row), cells, shape in zip(rows.iterrows(), said, shapes, strict=True)
    ]


def _once(
    frame: pd.DataFrame,
    chosen: NDArray[np.bool_],
    role: Role,
    layers: Sequence[Layer],
    ledger: Ledger,
) -> pd.DataFrame:
    """The frame with one row for each set of chosen rows that say the same."""
    seen: set[tuple[str, ...]] = set()
    again: set[tuple[int, int]] = set()
    for row, content in _rows_of(frame, chosen, role):
        if content in seen:
            again.add((int(row["_layer"]), int(row["_row"])))
        seen.add(content)
    if not again:
        return frame
    files = listed(sorted({layers[layer].file for layer, _ in again}))
    ledger.note(
        f"{files}: {len(again)} rows of {role.name} say the same as another row, word for word, "
        "and do not count a second time"
    )
    return _without({role.name: frame}, layers, again)[role.name]


def _free_names(id_: str, taken: Collection[str]) -> Iterator[str]:
    return (name for name in (f"{id_} ({number})" for number in count(2)) if name not in taken)


def _readdressed(
    tables: Mapping[str, pd.DataFrame], renamed: Mapping[str, Sequence[tuple[str, str]]]
) -> dict[str, pd.DataFrame]:
    """Change references that can only mean a row whose id was changed.

    Where a cable and a tower have one id, a row of `cable_runs` can only mean the cable. Where
    several places have one, what a segment ends at is left to its geometry.
    """
    left = dict(tables)
    for name, role in ROLES.items():
        for column in role.columns:
            roles = roles_of(column)
            by_place = name == "segments" and column.name in {"a", "b"}
            change = {}
            for id_, rows in renamed.items():
                fits = [new for of, new in rows if of in roles]
                if by_place and len(fits) > 1:
                    change[id_] = ""
                elif fits and fits[0] != id_:
                    change[id_] = fits[0]
            if not change or not len(left[name]):
                continue
            cells = [
                LIST_SEPARATOR.join(change.get(one, one) for one in cell.split(LIST_SEPARATOR))
                if isinstance(cell, str)
                else cell
                for cell in left[name][column.name]
            ]
            values = pd.Series(cells, index=left[name].index, dtype="str")
            left[name] = left[name].assign(**{column.name: values.where(values != "")})
    return left


def unique_keys(
    tables: Mapping[str, pd.DataFrame], layers: Sequence[Layer], ledger: Ledger
) -> dict[str, pd.DataFrame]:
    """Give each row of a course a place of its own.

    The same row twice counts once; rows that differ follow each other in the order of their
    content. A step without a place comes last.
    """
    left = dict(tables)
    for name, role in ROLES.items():
        if role.key in {("id",), ()}:
            continue
        key, frame = list(role.key), left[name]
        blank = frame[key[-1]].isna()
        if not ledger.strict and (blank.any() or frame.duplicated(key).any()):
            frame = _by_content(frame, role)
            frame = _once(frame, frame.duplicated(key, keep=False).to_numpy(), role, layers, ledger)
            blank = frame[key[-1]].isna()
        ledger.rows(
            frame,
            layers,
            frame.duplicated(key) & ~blank,
            key[-1],
            f"an earlier row has the same {', '.join(role.key)}; "
            + ("number the steps" if "seq" in role.key else "keep one of them"),
            gap="duplicate-step",
        )
        if "seq" in role.key and blank.any():
            last = frame["seq"].max()
            frame = frame.assign(seq=frame["seq"].fillna(1.0 if np.isnan(last) else last + 1))
        left[name] = frame
    return left


def _by_content(frame: pd.DataFrame, role: Role) -> pd.DataFrame:
    """The rows in an order that depends on their content only."""
    said = frame[[column.name for column in role.columns]].astype(str)
    return frame.iloc[said.reset_index(drop=True).sort_values(list(said.columns)).index]


def cycles(
    tables: Mapping[str, pd.DataFrame], layers: Sequence[Layer], ledger: Ledger
) -> dict[str, pd.DataFrame]:
    """Cut every reference by which something lies in itself, or a cable carries itself."""
    left = dict(tables)
    inside = [
        tables[name][["id", "within", "_layer", "_row"]]
        for name in ASSET_ROLES
        if "within" in ROLES[name].column
    ]
    holders = pd.concat(inside, ignore_index=True)
    holders = holders[holders["within"].notna() & (holders["within"] != KNOWN_EMPTY)]
    items = holders.assign(to=holders["within"])
    if holders["within"].str.contains(LIST_SEPARATOR, regex=False).any():
        items = holders.assign(to=holders["within"].str.split(LIST_SEPARATOR)).explode("to")
    round_ = _cycles_of(items, "within", "lies within itself", layers, ledger)
    if round_:
        for name in ASSET_ROLES:
            if "within" in ROLES[name].column:
                left[name] = _cut_steps(left[name], "within", round_)
    cables = left["cables"]
    carried = cables[cables["carried_by"].notna()]
    round_ = _cycles_of(
        carried.assign(to=carried["carried_by"]),
        "carried_by",
        "is carried by itself",
        layers,
        ledger,
    )
    if round_:
        left["cables"] = _cut_steps(cables, "carried_by", round_)
    return left


def _cut_steps(
    frame: pd.DataFrame, column: str, steps: Collection[tuple[str, str]]
) -> pd.DataFrame:
    """The frame without the references of a column that are among some steps."""
    starts = {source for source, _ in steps}
    cells: list[object] = list(frame[column].to_numpy(dtype=object))
    for position, id_ in enumerate(frame["id"].to_list()):
        cell = cells[position]
        if id_ in starts and isinstance(cell, str):
            kept = [one for one in cell.split(LIST_SEPARATOR) if (id_, one) not in steps]
            cells[position] = LIST_SEPARATOR.join(kept) if kept else np.nan
    return frame.assign(**{column: pd.Series(cells, index=frame.index, dtype="str")})


def _cycles_of(
    edges: pd.DataFrame, column: str, fault: str, layers: Sequence[Layer], ledger: Ledger
) -> set[tuple[str, str]]:
    """One fault for each knot of rows that lead back to themselves; the steps of all knots.

    Strongly connected components of the rows, linear in their number.
    """
    edges = edges[edges["id"].notna()]
    if edges.empty:
        return set()
    ends = [edges[name].to_numpy(dtype=object) for name in ("id", "to")]
    number, named = pd.factorize(np.concatenate(ends), use_na_sentinel=False)
    source, target = number[: len(edges)], number[len(edges) :]
    left = _left_over(source, target, len(named))
    if not len(left):
        return set()
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    names = pd.Index(named)
    graph = coo_array((np.ones(len(edges), dtype=bool), (source, target)), shape=(len(names),) * 2)
    _, knot = connected_components(graph.tocsr(), directed=True, connection="strong")
    in_knot = (knot[source] == knot[target]) & (
        (np.bincount(knot)[knot[source]] > 1) | (source == target)
    )
    if not in_knot.any():
        ledger.rows(
            edges.iloc[left[:1]],
            layers,
            np.array([True]),
            column,
            f"is the start of a chain more than {_DEEPEST} deep; no plant is nested so: "
            "something is recorded wrongly",
        )
    for number in np.unique(knot[source[in_knot]]):
        rows = np.flatnonzero(in_knot & (knot[source] == number))
        chain = _chain({int(source[row]): int(target[row]) for row in rows})
        first = edges.iloc[rows[np.flatnonzero(source[rows] == chain[0])[0]]]
        route = listed(names[position] for position in chain)
        ledger.rows(
            pd.DataFrame([first]),
            layers,
            np.array([True]),
            column,
            f"{fault}: {route.replace(', ', ' -> ')}; one of these rows is wrong",
            gap="lies-in-itself",
            also=[tuple(sorted({str(names[source[row]]) for row in rows}))],
        )
    return {(str(names[source[row]]), str(names[target[row]])) for row in np.flatnonzero(in_knot)}


def _left_over(source: NDArray[np.intp], target: NDArray[np.intp], count: int) -> NDArray[np.intp]:
    """Steps that are left when ends are taken away, one after the other, up to a depth.

    None where nothing leads round and nothing is deeper.
    """
    left = np.arange(len(source))
    for _ in range(_DEEPEST):
        if not len(left):
            break
        goes_on = np.zeros(count, dtype=bool)
        goes_on[source[left]] = True
        further = goes_on[target[left]]
        if further.all():
            break
        left = left[further]
    return left


def _chain(step: Mapping[int, int]) -> list[int]:
    """A closed walk, first place repeated at its end, along one step from each place."""
    at = min(step)
    walk = [at]
    while True:
        at = step[at]
        if at in walk:
            return [*walk[walk.index(at) :], at]
        walk.append(at)


def circuits(tables: Mapping[str, pd.DataFrame], layers: Sequence[Layer], ledger: Ledger) -> None:
    """Report circuits whose paths are stated both one by one and by a ring."""
    frame = tables["ring_circuits"]
    ledger.rows(
        frame,
        layers,
        is_among(frame["circuit"], tables["circuit_paths"]["circuit"]),
        "circuit",
        "the circuit stands in circuit_paths as well; state its paths in one of the two tables",
        gap="paths-twice",
    )


def rings(
    tables: Mapping[str, pd.DataFrame], layers: Sequence[Layer], ledger: Ledger
) -> dict[str, pd.DataFrame]:
    """Report rings whose rows state different recovery times, each once; blank these."""
    frame = tables["rings"]
    stated = frame.loc[frame["recovery_ms"].notna(), ["ring", "recovery_ms"]]
    if stated.empty:
        return dict(tables)
    several = stated.drop_duplicates().groupby("ring")["recovery_ms"]
    found = {
        ring: " and ".join(f"{one:g}" for one in sorted(values))
        for ring, values in several
        if len(values) > 1
    }
    if not found:
        return dict(tables)
    mine = frame["recovery_ms"].notna() & frame["ring"].isin(list(found))
    first = frame[mine].sort_values(["ring", "seq", "link"]).drop_duplicates("ring").index
    ledger.rows(
        frame,
        layers,
        mine & frame.index.isin(first),
        "recovery_ms",
        "expected one recovery time on every row of a ring; found {found} on its rows",
        [found.get(ring, "") for ring in frame["ring"]],
        quoted=False,
        gap="ring-recovery",
    )
    return {**tables, "rings": frame.assign(recovery_ms=frame["recovery_ms"].mask(mine))}


def links(
    tables: Mapping[str, pd.DataFrame], layers: Sequence[Layer], ledger: Ledger
) -> dict[str, pd.DataFrame]:
    """Report fibre links without a wavelength; blank power limits in the wrong order."""
    frame = tables["links"]
    is_fibre = frame["medium"].isna() | (frame["medium"] == "fibre")
    ledger.rows(
        frame,
        layers,
        is_fibre & frame["wavelength_nm"].isna(),
        "wavelength_nm",
        "is blank; a fibre link needs its wavelength in nm (or another medium)",
        gap="no-wavelength",
    )
    for low, high in (("tx_min_dbm", "tx_max_dbm"), ("rx_min_dbm", "rx_max_dbm")):
        wrong = ledger.rows(
            frame,
            layers,
            frame[low] > frame[high],
            low,
            f"is greater than {high}; found {{found}}",
            gap="power-limits",
        )
        if wrong.any():
            frame = frame.assign(**{low: frame[low].mask(wrong), high: frame[high].mask(wrong)})
    return {**tables, "links": frame}


def measurements(
    tables: Mapping[str, pd.DataFrame], layers: Sequence[Layer], ledger: Ledger
) -> dict[str, pd.DataFrame]:
    """Drop measurements that belong to both a cable and a link, or to neither."""
    frame = tables["measurements"]
    odd = ledger.rows(
        frame,
        layers,
        frame["cable"].isna() == frame["link"].isna(),
        "cable",
        "expected either a cable or a link; found both or neither",
        gap="test-owner",
    )
    return {**tables, "measurements": frame[~odd]} if odd.any() else dict(tables)


def named_in_rules(
    tables: Mapping[str, pd.DataFrame], rules: Rules, layers: Sequence[Layer], ledger: Ledger
) -> dict[str, pd.DataFrame]:
    """Report services and fibre types that the rules lack; blank such fibre types."""
    left = dict(tables)
    for name, column, known, section, code in (
        ("circuits", "service", rules.services, "services", "unknown-service"),
        ("cables", "fibre_type", rules.fibres, "fibres", "unknown-fibre-type"),
    ):
        frame = tables[name]
        wrong = ledger.rows(
            frame,
            layers,
            frame[column].notna() & ~frame[column].isin(list(known)),
            column,
            f"expected a key of [{section}] in the rules ({listed(known)}); found {{found}}",
            gap=code,
        )
        if name == "cables" and wrong.any():
            left[name] = frame.assign(**{column: frame[column].mask(wrong)})
    return left


def waived(
    tables: Mapping[str, pd.DataFrame],
    rules: Rules,
    ledger: Ledger,
    removed: Collection[str],
    rules_file: str,
) -> None:
    """Report waivers of circuits and groups not on record; note assets not on record."""
    if not rules.waivers:
        return
    frame = tables["circuits"]
    circuits, groups = {*frame["id"].dropna()}, {*frame["group"].dropna()}
    names = circuits | groups
    assets = {id_ for name in (*ASSET_ROLES, "links") for id_ in tables[name]["id"].dropna()}
    for position, waiver in enumerate(rules.waivers, start=1):
        for asset in (waiver.asset, waiver.within, *(waiver.pair or ())):
            if asset is not None and asset not in assets:
                ledger.note(
                    f"{rules_file}: waiver {position} is for {asset!r}, which is no asset of the "
                    f"study, so that it waives nothing{did_you_mean(asset, assets)}"
                )
        if waiver.circuit in circuits & groups:
            ledger.note(
                f"{rules_file}: waiver {position} is for {waiver.circuit!r}, which is a circuit "
                "and a group: it counts for the circuit; give the group another name"
            )
        if waiver.circuit in removed:
            ledger.note(f"{rules_file}: waiver {position} is for {waiver.circuit!r}, now removed")
        elif waiver.circuit not in names:
            message = (
                f"the waiver names {waiver.circuit!r}, which is neither a circuit nor a group"
                f"{did_you_mean(waiver.circuit, names)}"
            )
            column = f"waiver.{position}.circuit"
            if ledger.strict:
                ledger.problem(message, file=rules_file, column=column, id=waiver.circuit)
            else:
                ledger.gaps.append(
                    Gap("waiver-owner", message, waiver.circuit, file=rules_file, column=column)
                )


_SINGULAR = {
    "supplies": "supply",
    "equipment": "equipment",
    "cable_runs": "run of cable",
    "link_runs": "run of link",
    "circuit_paths": "path of circuit",
    "rings": "ring",
    "ring_circuits": "ring of circuit",
    "measurements": "test of",
    "splices": "splice in",
    "patches": "patch",
    "terminations": "termination on",
}
_TOLD_APART = 10
"""Faults of one kind in one column of a layer that are reported one by one; more are counted."""


def conflict_gaps(
    whole: Mapping[str, pd.DataFrame],
    tables: Mapping[str, pd.DataFrame],
    layers: Sequence[Layer],
    ledger: Ledger,
    snap_m: float,
) -> list[Gap]:
    """The gaps that the conflicts of a study make.

    Parameters
    ----------
    whole : mapping of str to DataFrame
        All rows, also those that are left out.
    tables : mapping of str to DataFrame
        The tables as they will be tied.
    layers, ledger, snap_m
        As in `validate`.

    Returns
    -------
    list of Gap
        One for each conflict whose row is still in the study: a proposal may have replaced it.
    """
    if not ledger.conflicts:
        return []
    roles = {layers[conflict.layer].role for conflict in ledger.conflicts}
    rows = {
        (int(row["_layer"]), int(row["_row"])): row
        for name in roles
        for row in whole[name].to_dict("records")
    }
    every = tuple(tables["circuits"]["id"].dropna())
    on_ring = tables["ring_circuits"].groupby("ring")["circuit"].agg(tuple).to_dict()
    kinds = Counter((one.code, one.layer, one.column) for one in ledger.conflicts)
    drawn = _drawn_only(tables)
    gaps = []
    for conflict in ledger.conflicts:
        row = rows.get((conflict.layer, conflict.row))
        if row is None:
            continue
        layer = layers[conflict.layer]
        touched: dict[str, list[str]] = {"assets": [], "links": [], "circuits": [], "rings": []}
        owners = OWNERS.get(layer.role, (("id", "assets"),))
        for column, what in owners:
            if isinstance(row[column], str):
                touched[what].append(row[column])
        touched[owners[0][1]] += conflict.also
        near = _beyond(conflict, layer.role, row, tables, drawn, snap_m)
        everything = near is None and (conflict.everything or _on_any_cable(conflict, layer, row))
        touched["assets"] += near or []
        touched["circuits"] += [one for ring in touched["rings"] for one in on_ring.get(ring, ())]
        named = [row[column] for column, _ in owners if isinstance(row[column], str)]
        name = named[0] if named else f"row {conflict.row}"
        what = _SINGULAR.get(layer.role, layer.role.removesuffix("s"))
        what = f"{what} {name}" if named else f"{name} of {layer.layer or layer.role}"
        many = kinds[conflict.code, conflict.layer, conflict.column] > _TOLD_APART
        said = GAP_CODES[conflict.code].means if many else conflict.message
        label = "" if conflict.column is None else f", {conflict.column}"
        gaps.append(
            Gap(
                conflict.code,
                f"{what}{label}: {conflict.message}",
                name,
                assets=tuple(dict.fromkeys(touched["assets"])),
                links=tuple(dict.fromkeys(touched["links"])),
                circuits=every if everything else tuple(dict.fromkeys(touched["circuits"])),
                path=_path_of(layer.role, row),
                with_groups=everything or _whole_circuit(layer.role, row),
                only=conflict.limits,
                file=layer.file,
                layer=layer.layer or layer.role,
                row=conflict.row,
                column=column_label(layer, conflict.column),
                fold=f"{{count}} rows of {layer.layer or layer.role}{label}: {said}: {{names}}",
            )
        )
    return gaps


def _beyond(
    conflict: Conflict,
    role: str,
    row: Mapping[Hashable, object],
    tables: Mapping[str, pd.DataFrame],
    drawn: Sequence[str],
    snap_m: float,
) -> list[str] | None:
    """Assets that a conflict touches beyond those of its row; None: those it names itself.

    What may pass a structure of unknown kind, what stands where a joint does that has lost the
    cables it lists, and what may follow a segment that is not drawn.
    """
    if role == "structures" and conflict.column == "kind":
        return _passing(row.get("geometry"), tables["segments"], snap_m)
    if role == "joints" and conflict.column == "cables" and isinstance(row["at"], str):
        return [row["at"]]
    if role == "segments" and conflict.code == "unusable-geometry":
        return list(drawn)
    return None


def _on_any_cable(conflict: Conflict, layer: Layer, row: Mapping[Hashable, object]) -> bool:
    """Whether a row is a joint that says neither where it is nor of which cables."""
    return layer.role == "joints" and conflict.column == "at" and not isinstance(row["cables"], str)


def _whole_circuit(role: str, row: Mapping[Hashable, object]) -> bool:
    """Whether a row says something of all paths of its circuits."""
    if role == "circuit_paths":
        return _path_of(role, row) is None
    return role in {"circuits", "rings", "ring_circuits"}


def _path_of(role: str, row: Mapping[Hashable, object]) -> str | None:
    """The path that a row of circuit_paths is of."""
    label = row["path"] if role == "circuit_paths" else None
    return label if isinstance(label, str) else None


def _drawn_only(tables: Mapping[str, pd.DataFrame]) -> list[str]:
    """Cables that are matched to the segments they follow: any segment may be one of them."""
    cables = tables["cables"]
    if not len(cables):
        return []
    listed_too = is_among(cables["id"], tables["cable_runs"]["cable"])
    drawn = ~shapely.is_missing(cables["geometry"].to_numpy()) & ~listed_too
    return [str(id_) for id_ in cables["id"][drawn]]


def _passing(shape: object, segments: pd.DataFrame, snap_m: float) -> list[str] | None:
    """Segments that may pass a structure of unknown kind; None where its place is not known."""
    if not isinstance(shape, shapely.Geometry):
        return None
    place = shapely.get_coordinates(shape)
    if not len(place):
        return None
    plane = Plane.about(place)
    here = plane.flat(np.array([shape], dtype=object))[0]
    lines = plane.flat(segments["geometry"].to_numpy())
    near = shapely.dwithin(lines, here, _WIDE * snap_m * float(plane.scale_at([here])[0]))
    return [str(id_) for id_ in segments["id"][near]]
