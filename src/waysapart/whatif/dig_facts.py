"""Works as plain data: what `dig --json` writes and a works notice is made from."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from waysapart.arrays import csr_row
from waysapart.network.assets import listed
from waysapart.study.gap_list import brief_gaps
from waysapart.verdicts.facts import CAUTION, figure, text_or_none
from waysapart.verdicts.facts_figures import bounded
from waysapart.whatif.area import PLANT_ROLES
from waysapart.whatif.dig import Dig
from waysapart.whatif.during import (
    DROPPED,
    LOST,
    UNKNOWN,
    UNTOUCHED,
    WEAKENED,
    CircuitState,
    GroupState,
)
from waysapart.whatif.hits import accuracies_m

CAUTIONS = (
    "This notice names circuits whose owners are to be told before work starts. It is no permit: "
    "the owner's safety documents are.",
    "Records show where plant was meant to be. Locate it on the ground, and dig by hand where it "
    "may lie.",
    "Plant that is not on record is not in this notice.",
    "Agree with the control room that nothing on the other way of these circuits is taken out at "
    "the same time.",
)
"""Cautions of a works notice: common practice, no source."""

_RANK = {LOST: 0, UNKNOWN: 3, UNTOUCHED: 4}
_GROUP_RANK = {LOST: 0, DROPPED: 1, WEAKENED: 2, UNKNOWN: 3, UNTOUCHED: 4}


def dig_facts(works: Dig) -> dict[str, Any]:
    """Everything that works take, with the keys of `dig --json`; worst first."""
    study = works.base.study
    circuits = sorted(works.circuits, key=lambda state: _order(works, state))
    groups = sorted(works.groups, key=lambda state: (_GROUP_RANK[state.state], state.trial))
    names = works.base.circuit_ids()
    rules = study.rules.defaults
    return {
        "study": study.name,
        "revision": study.revision,
        "caution": CAUTION,
        "area": {
            "features": 0 if works.area is None else len(works.area.geometry),
            "reach_m": works.reach_m,
            "radius_m": works.radius_m or None,
            "accuracy_m": works.accuracy_m,
            "default_accuracy_m": rules.survey_accuracy_m,
            "nearest_m": _nearest(works),
            "notes": [] if works.area is None else list(works.area.notes),
        },
        "out": list(study.out),
        "summary": {**works.counts(), "hit": len(works.hits.number)},
        "hit": works.base.network.assets.ids(works.hits.number),
        "hits": _hits(works),
        "fallen": _fallen(works),
        "cables": _cables(works),
        "links": [str(name) for name in study.tables["links"]["id"].to_numpy()[works.links_down]],
        "circuits": [_circuit(works, state, names) for state in circuits],
        "groups": [_group(works, state, names) for state in groups],
        "schemes": _schemes(works, names),
        "notice": {
            "tell": [names[state.circuit] for state in circuits if state.touched],
            "unsure": [names[state.circuit] for state in circuits if state.state == UNKNOWN],
            "cautions": list(CAUTIONS),
        },
    }


def _order(works: Dig, state: CircuitState) -> tuple[int, int, int, str]:
    """Lost first; then those that run outside a limit, then the ones most things would lose."""
    outside = 0 if state.within is False else 1
    rank = _RANK.get(state.state, 1 if state.within is False else 2)
    return rank, outside, -len(state.next), works.base.circuit_ids()[state.circuit]


def _nearest(works: Dig) -> float | None:
    if works.area is None or not len(works.area.nearest_m):
        return None
    return figure(float(works.area.nearest_m.min()), "m")


def _asset(works: Dig, number: int) -> dict[str, Any]:
    row = works.base.network.assets.frame.iloc[number]
    return {"asset": str(row["id"]), "role": str(row["role"]), "kind": text_or_none(row["kind"])}


def _surveyed(works: Dig) -> dict[int, tuple[float, str]]:
    """How well the plant that an area hit is surveyed, and who says so."""
    study, assets = works.base.study, works.base.network.assets
    drawn = set(works.hits.number[works.hits.feature >= 0].tolist())
    found: dict[int, tuple[float, str]] = {}
    for role in PLANT_ROLES if drawn else ():
        table = study.tables[role]
        each = accuracies_m(study, role, study.rules.defaults.survey_accuracy_m)
        for number in drawn:
            row = number - assets.start[role]
            if 0 <= row < len(table):
                recorded = not np.isnan(table["accuracy_m"].iloc[row])
                found[number] = (float(each[row]), "record" if recorded else "rules")
    if works.accuracy_m is not None:
        return dict.fromkeys(found, (works.accuracy_m, "call"))
    return found


def _hits(works: Dig) -> list[dict[str, Any]]:
    surveyed = _surveyed(works)
    return [
        {
            **_asset(works, int(number)),
            "feature": int(feature) + 1 if feature >= 0 else None,
            "distance_m": figure(float(metres), "m"),
            "accuracy_m": surveyed.get(int(number), (None, None))[0],
            "accuracy_from": surveyed.get(int(number), (None, None))[1],
        }
        for number, feature, metres in zip(
            works.hits.number, works.hits.feature, works.hits.distance_m, strict=True
        )
    ]


def _fallen(works: Dig) -> list[dict[str, Any]]:
    ids = works.base.network.assets.frame["id"].to_numpy()
    return [
        {
            **_asset(works, number),
            "through": [str(ids[one]) for one in works.reasons.get(number, ())],
        }
        for number in works.fallen_with.tolist()
    ]


def _cables(works: Dig) -> list[dict[str, Any]]:
    """Cables that are cut: where, how many fibres, and which of these carry links."""
    base = works.base
    tables, assets = base.study.tables, base.network.assets
    down = np.zeros(len(assets), dtype=bool)
    down[works.hits.number] = True
    down[works.fallen_with] = True
    runs = tables["link_runs"]
    links = set(tables["links"]["id"].to_numpy()[works.links_down])
    used = runs[runs["link"].isin(links)]
    row, fibre = listed(pd.Series(used["fibres"].reset_index(drop=True), dtype=str))
    on_cable = used["cable"].to_numpy()[row] if len(row) else np.empty(0, dtype=object)
    count = tables["cables"]["fibre_count"].to_numpy(dtype=np.float64)
    found = []
    for cable in works.cables_cut.tolist():
        items = base.reliance.parts
        mine = csr_row(items, cable)
        name = str(tables["cables"]["id"].iloc[cable])
        numbers = {int(float(one)) for one in fibre[on_cable == name]} if len(row) else set()
        found.append(
            {
                "cable": name,
                "at": assets.ids(sorted(mine[down[mine]].tolist())),
                "fibres": None if np.isnan(count[cable]) else int(count[cable]),
                "fibres_down": sorted(numbers),
                "links": sorted(set(used.loc[used["cable"] == name, "link"])),
            }
        )
    return found


def _circuit(works: Dig, state: CircuitState, names: list[str]) -> dict[str, Any]:
    base = works.base
    return {
        "id": names[state.circuit],
        "name": text_or_none(base.study.tables["circuits"]["name"].iloc[state.circuit]),
        "owner": _owner(works, state.circuit),
        "state": state.state,
        "touched": state.touched,
        "running": list(state.running),
        "cut": list(state.cut),
        "out": list(state.out),
        "within_limits": state.within,
        **bounded("delay", state.delay_us, state.delay_at_least_us, "us"),
        "delay_limit_us": state.limit_us,
        "delay_ok": state.delay_ok if state.running else None,
        "asymmetry_ok": state.asymmetry_ok if state.running else None,
        "loss_ok": state.loss_ok if state.running else None,
        "next": base.network.assets.ids(state.next),
        "gaps": brief_gaps(base.gaps[number] for number in state.gaps),
    }


def _owner(works: Dig, circuit: int) -> str | None:
    """Who owns a circuit, where the table of circuits has an extra column `owner`."""
    table = works.base.study.tables["circuits"]
    return text_or_none(table["owner"].iloc[circuit]) if "owner" in table else None


def _group(works: Dig, state: GroupState, names: list[str]) -> dict[str, Any]:
    trial = works.base.trials[state.trial]
    return {
        "id": trial.id,
        "group_test": trial.group_test,
        "members": [names[circuit] for circuit in trial.circuits],
        "state": state.state,
        "running": [names[circuit] for circuit in state.running],
        "next": works.base.network.assets.ids(state.next),
        "gaps": len(state.gaps),
    }


def _schemes(works: Dig, names: list[str]) -> list[dict[str, Any]]:
    """Schemes need all of their circuits: the state is that of the worst."""
    members: dict[str, list[CircuitState]] = {}
    schemes = works.base.study.tables["circuits"]["scheme"]
    for state in works.circuits:
        scheme = schemes.iloc[state.circuit]
        if isinstance(scheme, str):
            members.setdefault(scheme, []).append(state)
    found = []
    for scheme, states in sorted(members.items()):
        worst = min(states, key=lambda state: _RANK.get(state.state, 2))
        found.append(
            {
                "id": scheme,
                "members": [names[state.circuit] for state in states],
                "state": LOST
                if worst.state == LOST
                else WEAKENED
                if worst.state not in _RANK
                else worst.state,
                "worst": names[worst.circuit],
            }
        )
    return found
