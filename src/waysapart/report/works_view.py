"""Works turned into what their notice shows: whom to tell first, then what is taken and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from waysapart.report import words
from waysapart.report.words_whatif import clash_said, plan_answer, works_answer
from waysapart.study.rules import Rules

Facts = Mapping[str, Any]
View = dict[str, Any]

QUESTION = (
    "What do these works take, and who is to be told before they start, because a protection "
    "circuit is lost or left with one way meanwhile?"
)
_FIRST = 8
_MOST = 80
_ACCURACY = "defaults.survey_accuracy_m"
_FROM = {
    "call": "as asked for all plant in this notice",
    "record": "on record for this asset",
    "rules": "from the rules",
}


def works_view(facts: Sequence[Facts], names: Sequence[str], plan: Facts | None) -> View:
    """What the notice shows, from the facts of every work and of their plan.

    Parameters
    ----------
    facts : sequence of mapping
        As `dig --json`, one for each work.
    names : sequence of str
        Their ids; empty for works by themselves.
    plan : mapping or None
        As `dig --plan --json`.
    """
    first = facts[0]
    ids = [(str(one["id"]), one["name"] or "") for one in first["circuits"]]
    ids.sort()
    index = {name: place for place, (name, _) in enumerate(ids)}
    return {
        "study": first["study"],
        "revision": first["revision"] or "",
        "caution": first["caution"],
        "out": first["out"],
        "question": QUESTION,
        "answer": _answer(first, plan),
        "circuits": [{"index": index[name], "id": name, "name": called} for name, called in ids],
        "works": [_work(name, one, index) for name, one in zip(names, facts, strict=True)],
        "drawn_works": any(one["area"]["features"] for one in facts),
        "cautions": first["notice"]["cautions"],
        "plan": None if plan is None else _plan(plan),
    }


def _answer(facts: Facts, plan: Facts | None) -> str:
    if plan is None:
        said = works_answer(facts)
        return f"{said[0].upper()}{said[1:]}."
    said = plan_answer(plan).rstrip(".")
    return f"{said}."


def accuracy_said(facts: Facts, rules: Rules) -> str:
    """How well plant is taken to be surveyed, with where each figure comes from."""
    area = facts["area"]
    if area["accuracy_m"] is not None:
        return f"{area['accuracy_m']:g} m for all plant, as asked for in this notice."
    source = next((row.source for row in rules.assumptions() if row.key == _ACCURACY), "")
    return (
        "As recorded for each asset and layer; where nothing is recorded "
        f"{area['default_accuracy_m']:g} m ({_ACCURACY} of the rules: {source})."
    )


def _work(name: str, facts: Facts, index: Mapping[str, int]) -> View:
    told = [one for one in facts["circuits"] if one["touched"]]
    unsure = set(facts["notice"]["unsure"])
    return {
        "name": name,
        "said": works_answer(facts),
        "area": _area(facts),
        "tell": [_circuit(one, index) for one in told],
        "unsure": [_circuit(one, index) for one in facts["circuits"] if one["id"] in unsure],
        "untouched": facts["summary"]["untouched"],
        "groups": [
            {"what": what, "id": one["id"], "state": one["state"], "members": one["members"]}
            | {"running": one.get("running"), **_next(one.get("next", []))}
            for what, key in (("group", "groups"), ("scheme", "schemes"))
            for one in facts[key]
            if one["state"] != "untouched"
        ],
        "hits": [
            {
                "asset": one["asset"],
                "kind": one["kind"] or one["role"],
                "feature": one["feature"],
                "distance": "" if one["distance_m"] is None else words.metres(one["distance_m"]),
                "accuracy": ""
                if one["accuracy_m"] is None
                else f"{words.metres(one['accuracy_m'])}, {_FROM[one['accuracy_from']]}",
            }
            for one in facts["hits"]
        ],
        "fallen": [
            {"asset": one["asset"], "kind": one["kind"] or one["role"], "through": one["through"]}
            for one in facts["fallen"]
        ],
        "cables": [{**one, "numbers": _ranges(one["fibres_down"])} for one in facts["cables"]],
        "links": facts["links"],
    }


def _area(facts: Facts) -> View:
    area = facts["area"]
    return {
        "features": area["features"],
        "reach": words.metres(area["reach_m"]) if area["reach_m"] else "",
        "radius": words.metres(area["radius_m"]) if area["radius_m"] else "",
        "nearest": "" if area["nearest_m"] is None else words.metres(area["nearest_m"]),
        "notes": area["notes"],
        "hits": facts["summary"]["hit"],
    }


def _circuit(one: Facts, index: Mapping[str, int]) -> View:
    return {
        "index": index[str(one["id"])],
        "id": str(one["id"]),
        "name": one["name"] or "",
        "owner": one["owner"] or "",
        "state": one["state"],
        "cut": one["cut"],
        "running": one["running"],
        "out": one["out"],
        "within": one["within_limits"],
        "broken": [
            said
            for key, said in (("delay_ok", "delay"), ("asymmetry_ok", "asymmetry"))
            if one[key] is False
        ]
        + (["optical margin"] if one["loss_ok"] is False else []),
        "delay": words.part_of(one, "delay", "us", words.microseconds) if one["running"] else "",
        "gaps": one["gaps"],
        **_next(one["next"]),
    }


def _next(assets: Sequence[str]) -> View:
    """What would lose it now: the first few, the rest folded, at most so many."""
    return {
        "next_count": len(assets),
        "next": assets[:_FIRST],
        "further": assets[_FIRST:_MOST],
        "left": max(0, len(assets) - _MOST),
    }


def _ranges(numbers: Sequence[int]) -> str:
    """`1-4, 7`."""
    runs: list[list[int]] = []
    for one in numbers:
        if runs and one == runs[-1][1] + 1:
            runs[-1][1] = one
        else:
            runs.append([one, one])
    return ", ".join(f"{a}" if a == b else f"{a}-{b}" for a, b in runs)


def _plan(plan: Facts) -> View:
    return {
        "clashes": [
            {"works": one["works"], "lost": one["lost"], "said": clash_said(one)}
            for one in plan["clashes"]
        ],
        "up_to": plan["clashes_up_to"],
        "order": plan["order"],
        "planned": plan["as_planned"],
        "proposed": plan["proposed"],
        "days": {one["id"]: (one["from"], one["to"]) for one in plan["works"]},
        "moved": {
            one["id"]: (one["from"], one["to"]) != (was["from"], was["to"])
            for one in plan["order"]
            for was in plan["works"]
            if was["id"] == one["id"]
        },
        "exact": plan["exact"],
        "reasons": plan["reasons"],
        "lost_before": plan["lost_before"],
    }
