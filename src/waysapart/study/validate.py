"""What must hold between rows: unique ids, references, cycles, services."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from waysapart.schema import ASSET_ROLES, KNOWN_EMPTY, LIST_SEPARATOR, ROLES
from waysapart.study.ledger import Ledger, did_you_mean, listed
from waysapart.study.membership import is_among
from waysapart.study.references import references

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from waysapart.study.model import Layer
    from waysapart.study.rules import Rules

_DEEPEST = 100
"""How deep things may lie in each other: many times what any plant needs, and few enough
that what lies in what can be written out in full."""


def validate(
    tables: Mapping[str, pd.DataFrame],
    rules: Rules | None,
    layers: Sequence[Layer],
    ledger: Ledger,
    *,
    removed: Collection[str] = (),
    unread: Collection[str] = (),
    rules_file: str = "rules.toml",
) -> None:
    """Write down every problem between the rows of a study.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        Every role, columns typed, with `_layer` and `_row`.
    rules : Rules or None
        None where the rules have faults of their own.
    layers : sequence of Layer
        What `_layer` counts.
    ledger : Ledger
    removed : collection of str
        Ids that a proposal took out; rules may still name them.
    unread : collection of str
        Roles of which a layer could not be read: nobody is blamed for naming their ids.
    rules_file : str
        Name of the rules in messages.
    """
    unique_ids(tables, layers, ledger)
    unique_keys(tables, layers, ledger)
    references(tables, layers, ledger, unread)
    cycles(tables, layers, ledger)
    circuits(tables, layers, ledger)
    links(tables, layers, ledger)
    measurements(tables, layers, ledger)
    if rules is not None:
        named_in_rules(tables, rules, layers, ledger)
        waived(tables, rules, ledger, removed, rules_file)


def unique_ids(tables: Mapping[str, pd.DataFrame], layers: Sequence[Layer], ledger: Ledger) -> None:
    """Ids are unique over all asset roles together, and within each other role."""
    every = pd.concat(
        [tables[name][["id", "_layer", "_row"]] for name in ASSET_ROLES], ignore_index=True
    )
    groups = [every, *(tables[name] for name in ("links", "circuits"))]
    for frame in groups:
        again = frame["id"].notna() & frame["id"].duplicated()
        if not again.any():
            continue
        first = frame.drop_duplicates("id").set_index("id")
        earlier = frame["id"].map(first["_row"]).to_numpy()
        where = frame["id"].map(first["_layer"]).to_numpy()
        told = [""] * len(frame)
        for position in np.flatnonzero(again).tolist():
            layer = layers[int(where[position])]
            told[position] = (
                f"{layer.layer or layer.role} of {layer.file}, row {earlier[position]:g}"
            )
        ledger.rows(
            frame.reset_index(drop=True),
            layers,
            again,
            "id",
            "the id is taken by an earlier row ({found}); ids are unique "
            "over all assets, and a prefix in study.toml keeps layers apart",
            told,
            quoted=False,
        )


def unique_keys(
    tables: Mapping[str, pd.DataFrame], layers: Sequence[Layer], ledger: Ledger
) -> None:
    """No two rows of a course have the same place in it."""
    for name, role in ROLES.items():
        if role.key in {("id",), ()}:
            continue
        frame = tables[name]
        again = frame.duplicated(list(role.key)) & frame[list(role.key)[-1]].notna()
        ledger.rows(
            frame,
            layers,
            again,
            role.key[-1],
            f"an earlier row has the same {', '.join(role.key)}; "
            + ("number the steps" if "seq" in role.key else "keep one of them"),
        )


def cycles(tables: Mapping[str, pd.DataFrame], layers: Sequence[Layer], ledger: Ledger) -> None:
    """Nothing lies in itself, and no cable carries itself, through whatever others."""
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
    _cycles_of(items, "within", "lies within itself", layers, ledger)
    cables = tables["cables"]
    carried = cables[cables["carried_by"].notna()]
    _cycles_of(
        carried.assign(to=carried["carried_by"]),
        "carried_by",
        "is carried by itself",
        layers,
        ledger,
    )


def _cycles_of(
    edges: pd.DataFrame, column: str, fault: str, layers: Sequence[Layer], ledger: Ledger
) -> None:
    """One problem for each knot of rows that lead back to themselves.

    Strongly connected components of the rows, linear in their number.
    """
    edges = edges[edges["id"].notna()]
    if edges.empty:
        return
    ends = [edges[name].to_numpy(dtype=object) for name in ("id", "to")]
    number, named = pd.factorize(np.concatenate(ends), use_na_sentinel=False)
    source, target = number[: len(edges)], number[len(edges) :]
    left = _left_over(source, target, len(named))
    if not len(left):
        return
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
        bad = pd.DataFrame([first])
        ledger.rows(
            bad,
            layers,
            np.array([True]),
            column,
            f"{fault}: {route.replace(', ', ' -> ')}; one of these rows is wrong",
        )


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
    """A circuit has its paths stated in one way, not in two."""
    frame = tables["ring_circuits"]
    ledger.rows(
        frame,
        layers,
        is_among(frame["circuit"], tables["circuit_paths"]["circuit"]),
        "circuit",
        "the circuit stands in circuit_paths as well; state its paths in one of the two tables",
    )


def links(tables: Mapping[str, pd.DataFrame], layers: Sequence[Layer], ledger: Ledger) -> None:
    """A fibre link names its wavelength; power limits are the right way round."""
    frame = tables["links"]
    is_fibre = frame["medium"].isna() | (frame["medium"] == "fibre")
    ledger.rows(
        frame,
        layers,
        is_fibre & frame["wavelength_nm"].isna(),
        "wavelength_nm",
        "is blank; a fibre link needs its wavelength in nm (or another medium)",
    )
    for low, high in (("tx_min_dbm", "tx_max_dbm"), ("rx_min_dbm", "rx_max_dbm")):
        ledger.rows(
            frame,
            layers,
            frame[low] > frame[high],
            low,
            f"is greater than {high}; found {{found}}",
        )


def measurements(
    tables: Mapping[str, pd.DataFrame], layers: Sequence[Layer], ledger: Ledger
) -> None:
    """A test result belongs to a cable or to a link."""
    frame = tables["measurements"]
    ledger.rows(
        frame,
        layers,
        frame["cable"].isna() == frame["link"].isna(),
        "cable",
        "expected either a cable or a link; found both or neither",
    )


def named_in_rules(
    tables: Mapping[str, pd.DataFrame], rules: Rules, layers: Sequence[Layer], ledger: Ledger
) -> None:
    """Services and fibre types are keys of the rules."""
    for name, column, known, section in (
        ("circuits", "service", rules.services, "services"),
        ("cables", "fibre_type", rules.fibres, "fibres"),
    ):
        frame = tables[name]
        ledger.rows(
            frame,
            layers,
            frame[column].notna() & ~frame[column].isin(list(known)),
            column,
            f"expected a key of [{section}] in the rules ({listed(known)}); found {{found}}",
        )


def waived(
    tables: Mapping[str, pd.DataFrame],
    rules: Rules,
    ledger: Ledger,
    removed: Collection[str],
    rules_file: str,
) -> None:
    """Waivers name a circuit or group that there is; assets that there are not get a note."""
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
            ledger.problem(
                f"the waiver names {waiver.circuit!r}, which is neither a circuit nor a group"
                f"{did_you_mean(waiver.circuit, names)}",
                file=rules_file,
                column=f"waiver.{position}.circuit",
                id=waiver.circuit,
            )
