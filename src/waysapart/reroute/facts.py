"""A rerouting as plain data: what `reroute --json` writes."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import shapely

from waysapart.evidence import FORMAT
from waysapart.reroute.build_plan import Building
from waysapart.reroute.draft import Draft, proposed
from waysapart.reroute.instead import Instead
from waysapart.reroute.solve import Found
from waysapart.reroute.space import TIE, UNIT
from waysapart.reroute.told import proof_facts, proof_words
from waysapart.reroute.try_out import Option
from waysapart.schema import VERSION
from waysapart.study.model import Study
from waysapart.verdicts.facts import CAUTION
from waysapart.verdicts.prove import Proof, prove

if TYPE_CHECKING:
    from waysapart.reroute.ask import Reroute

_COST_UNITS = {
    "length": "m",
    "delay": "us",
    "loss": "dB",
    "splices": "splices",
    "unavailability": "part of the time",
}
_DECIMALS = {"length": 1, "delay": 3, "loss": 4, "splices": 1, "unavailability": 12}


def reroute_facts(reroute: Reroute) -> dict[str, Any]:
    """Everything that a rerouting found."""
    study = reroute.before.study
    cost = reroute.terms.cost
    circuits = [_target(reroute, found) for found in reroute.found]
    statuses = [one["status"] for one in circuits]
    draft, proof = reroute.draft, reroute.after
    if proof is None:  # all ways are on record
        draft, proof = Draft(), reroute.before
    return {
        "format": FORMAT,
        "waysapart": VERSION,
        "study": study.name,
        "revision": study.revision,
        "crs": study.crs.to_string(),
        "caution": CAUTION,
        "inputs": [{"file": one.file, "sha256": one.sha256} for one in study.inputs],
        "matched": [
            {
                "cable": str(row["cable"]),
                "seq": int(row["seq"]),
                "segment": str(row["segment"]),
                "state": str(row["state"]),
            }
            for row in reroute.before.network.matched.to_dict("records")
        ],
        "cost_is": cost,
        "cost_unit": _COST_UNITS[cost],
        "summary": {name: statuses.count(name) for name in ("apart", "none", "undecided")},
        "circuits": circuits,
        "work": reroute.draft.work,
        "proved": {
            "worse": reroute.worse(),
            "counts": None if reroute.after is None else reroute.after.counts(),
        },
        "proposal": _proposal(draft, proof) if "apart" in statuses else None,
        "build": None if reroute.building is None else _building(study, reroute.building),
        "weights": [
            {"key": row.key, "value": row.value, "source": row.source}
            for row in study.rules.assumptions(
                services=(), fibres=(), failures=(), media=(), weights=None
            )
            if row.key.startswith("reroute.")
        ],
        "notes": list(study.notes),
    }


def _proposal(draft: Draft, proof: Proof) -> dict[str, Any]:
    """The rows that a draft adds or replaces, by role, and the evidence of its proof."""
    return {
        "rows": {
            role: [{name: _cell(value) for name, value in row.items()} for row in rows]
            for role, rows in draft.rows.items()
            if rows
        },
        "proof": proof.facts(),
    }


def _cell(value: Any) -> str | float | None:
    """A cell of a proposed row; a geometry as WKT in the coordinate system of the study."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return None
    if isinstance(value, shapely.Geometry):
        return str(shapely.to_wkt(value, rounding_precision=-1))
    return float(value) if isinstance(value, (int, float)) else str(value)


def _target(reroute: Reroute, found: Found) -> dict[str, Any]:
    target, answer, space = found.target, found.answer, found.space
    status = found.status
    proof = answer.proof if answer is not None and status == "none" else None
    instead = reroute.instead.get(target.id)
    links = {
        f"{member.id} {label}" if target.group else label: names
        for member in target.members
        for label, names in reroute.links.get(member.id, {}).items()
    }
    return {
        "id": target.id,
        "kind": "group" if target.group else "circuit",
        "members": [member.id for member in target.members],
        "status": status,
        "why": found.why or None,
        "together": found.together,
        "paths": links if status == "apart" else {},
        "cost": _cost(found, reroute.terms.cost) if status == "apart" else None,
        "lower_bound": _bound(found, reroute.terms.cost),
        "optimal": bool(answer is not None and answer.optimal and status == "apart"),
        "seconds": None if answer is None else round(answer.seconds, 3),
        "shared": [] if instead is None else [name for names in instead.shared for name in names],
        "least_shared": None if instead is None else _instead(reroute, instead),
        "says": _says(found, instead),
        "no_pair_proof": proof_facts(space, proof) if proof is not None and space else None,
    }


def _cost(found: Found, cost: str) -> float | None:
    """Cost of the ways found; of a group, of its working ways."""
    if found.answer is None or found.answer.ways is None or found.space is None:
        return None
    edges = [edge for way in found.answer.ways for edge in way]
    return round(float(found.space.cost[edges].sum()), _DECIMALS[cost])


def _bound(found: Found, cost: str) -> float | None:
    if found.answer is None or found.answer.lower_bound is None or found.status == "none":
        return None
    if found.answer.optimal:
        return _cost(found, cost)
    return round(found.answer.lower_bound / TIE / UNIT[cost], _DECIMALS[cost])


def _says(found: Found, instead: Instead | None) -> str:
    """The answer in words."""
    if found.status == "none":
        if found.answer is not None and found.answer.proof is not None and found.space is not None:
            return proof_words(found.space, found.answer.proof)
        return found.why or "no separate ways keep the limits"
    if found.status == "undecided":
        return found.why
    del instead
    taken = sum(len(way.new) for ways in found.ways.values() for way in ways.values())
    if taken == 0:
        return "separate ways are on record"
    return f"separate ways exist with {taken} new {'link' if taken == 1 else 'links'}"


def _instead(reroute: Reroute, instead: Instead) -> dict[str, Any]:
    least = instead.least
    ground = reroute.ground
    cables = ground.study.tables["cables"]["id"].to_numpy()
    count = len(ground.network.assets)
    return {
        "status": least.status,
        "weight": least.weight,
        "weight_at_least": least.weight_lower,
        "shared": [list(names) for names in instead.shared],
        "near": [list(pair) for pair in instead.near],
        "ways": {
            label: [
                {"new_over": [str(cables[run.cable]) for run in step.runs]}
                if not isinstance(step, int)
                else str(ground.names[count + step])
                for step in way.steps
            ]
            for label, way in instead.ways.items()
        },
    }


def _building(study: Study, building: Building) -> dict[str, Any]:
    """What could be built. The best single thing and the set carry their proof."""
    return {
        "looked_at": building.looked_at,
        "single": [
            _option(study, option, building, proved=place == 0)
            for place, option in enumerate(building.options)
        ],
        "set": None
        if building.set is None
        else _option(study, building.set, building, proved=True),
        "budget": building.budget,
        "at_most_apart": building.at_most,
        "several": None
        if building.several is None
        else {
            "found": building.several.option is not None,
            "at_most_apart": building.several.at_most,
            "cost_at_least": building.several.cost_at_least,
            "optimal": building.several.optimal,
        },
    }


def _option(study: Study, option: Option, building: Building, *, proved: bool) -> dict[str, Any]:
    return {
        "kind": option.kind,
        "text": option.text,
        "apart": list(option.apart),
        "worse": list(option.worse),
        "length_m": round(option.length_m, 1),
        "cost": round(option.cost, 1),
        "apart_per_km": None if option.per_km is None else round(option.per_km, 3),
        "segments": [
            {
                "id": one.id,
                "kind": one.kind,
                "length_m": round(one.length_m, 1),
                "lonlat": building.lonlat[one.id],
            }
            for one in option.segments
        ],
        "paths": option.links,
        "work": option.draft.work,
        "proposal": _proposal(option.draft, prove(proposed(study, option.draft)))
        if proved and option.apart
        else None,
    }
