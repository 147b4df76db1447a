"""Works turned into what their notice shows: whom to tell first, then what is taken and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from waysapart.report.words_whatif import plan_answer, works_answer
from waysapart.study.rules import Rules

Facts = Mapping[str, Any]
View = dict[str, Any]

QUESTION = (
    "What do these works take, and who is to be told before they start, because a protection "
    "circuit is lost or left with one way meanwhile?"
)
_ACCURACY = "defaults.survey_accuracy_m"


def works_view(facts: Sequence[Facts], names: Sequence[str], plan: Facts | None) -> View:
    """What the notice shows: the facts of the works, with these in place of or beside them.

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
    answer = works_answer(first) if plan is None else plan_answer(plan).rstrip(".")
    circuits = sorted(first["circuits"], key=lambda one: str(one["id"]))
    index = {one["id"]: place for place, one in enumerate(circuits)}
    return {
        **first,
        "question": QUESTION,
        "answer": f"{answer[0].upper()}{answer[1:]}.",
        "circuits": [{**one, "index": index[one["id"]]} for one in circuits],
        "works": [_work(name, one, index) for name, one in zip(names, facts, strict=True)],
        "drawn_works": any(one["area"]["features"] for one in facts),
        "cautions": first["notice"]["cautions"],
        "plan": None if plan is None else _plan(plan),
    }


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
    every = [{**one, "index": index[one["id"]]} for one in facts["circuits"]]
    unsure = set(facts["notice"]["unsure"])
    return {
        **facts,
        "name": name,
        "said": works_answer(facts),
        "tell": [one for one in every if one["touched"]],
        "unsure": [one for one in every if one["id"] in unsure],
        "together": [
            (what, one)
            for what, key in (("group", "groups"), ("scheme", "schemes"))
            for one in facts[key]
            if one["state"] != "untouched"
        ],
    }


def _plan(plan: Facts) -> View:
    """The plan, with the days on which each work was planned."""
    return {**plan, "days": {one["id"]: one for one in plan["works"]}}
