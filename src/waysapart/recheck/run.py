"""Which claim is held against what: what `prove` and `reroute` wrote, and the outcome."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from waysapart.errors import Problem, StudyError
from waysapart.evidence import misfits
from waysapart.recheck.availability import (
    check_availability,
    hop_rate_gaps,
    unavailability,
    unrated_hops,
)
from waysapart.recheck.evidence import NOT_HELD, Tally, read_evidence
from waysapart.recheck.figures import Figures
from waysapart.recheck.gaps import DERIVED, check_all_gaps, gaps_of_records, test_gaps
from waysapart.recheck.limits import check_budgets, check_figures
from waysapart.recheck.no_pair import check_no_pairs
from waysapart.recheck.plant import follow_cables, survey, tie_links
from waysapart.recheck.records import Records, UnreadableError, proposed, read_records
from waysapart.recheck.reliance import (
    DRAWN_GAPS,
    World,
    fallen,
    rely,
    service_of,
    tie_paths,
    trials_of,
)
from waysapart.recheck.rows import Gap
from waysapart.recheck.sharing import own_line
from waysapart.recheck.verdicts import (
    check_ages,
    check_assumptions,
    check_claims,
    check_crs,
    check_days,
    check_names,
    check_repeated,
    check_weights,
)

COST_M = 0.2
"""Costs are told to a tenth of a metre."""


def run(study: Path, file: Path) -> dict[str, Any]:
    """What `recheck` returns."""
    facts = read_evidence(file)
    try:
        records = read_records(study, str(facts["crs"]))
        findings, changed = judge(records, facts)
    except UnreadableError as error:
        raise StudyError([Problem(str(error), str(study))]) from error
    return {
        "confirmed": findings.confirmed,
        "false": findings.false,
        "not_checked": findings.not_checked,
        "verdicts": findings.verdicts(facts),
        "changed_inputs": changed,
    }


def judge(records: Records, facts: dict[str, Any]) -> tuple[Tally, list[str]]:
    """What holds of evidence that is not misshapen, and the inputs that have changed since."""
    findings, changed = Tally(), list[str]()
    try:
        changed = _changed(records, facts)
        check_crs(records, facts, findings)
        if "evidence" in facts:
            hold(records, facts, findings)
        else:
            check_no_pairs(records, facts, findings)
            hold_rerouting(records, facts, findings)
    except (StudyError, UnreadableError):
        raise
    except Exception as error:  # whatever hostile evidence leads to is no traceback
        said = f"{type(error).__name__}: {error}"
        findings.holds(False, f"the evidence cannot be held against this study ({said})")
    return findings, changed


def hold(records: Records, facts: dict[str, Any], findings: Tally) -> None:
    """Hold what `prove --json` wrote against the records of a study."""
    check_days(facts, findings)
    records.on = facts["on"]
    check_names(records, facts, findings)
    world = build(records, facts)
    findings.false += world.cables.false
    check_claims(world, facts, findings)
    check_figures(world, facts, findings)
    check_budgets(world, facts, findings)
    check_availability(world, facts, findings)
    check_repeated(world, facts, findings)
    check_all_gaps(world, facts, DERIVED, findings)
    check_assumptions(world, facts, findings)
    check_ages(records, facts, findings)
    for said in NOT_HELD:
        findings.skip(said)
    if world.cables.drawn:
        drawn = "drawn cables: that no other segment keeps to their lines as well as those named"
        on_them = (key[0] for key, mine in world.relied.items() if mine & world.cables.drawn)
        findings.skip(drawn, *world.concerned(on_them))


def hold_rerouting(records: Records, facts: dict[str, Any], findings: Tally) -> None:
    """Hold the proofs that `reroute --json` carries: of its ways, and of what it would build."""
    apart = [one for one in facts["circuits"] if one["status"] == "apart"]
    told = facts["proposal"]
    _check_statuses(records, facts, findings)
    check_weights(records, facts, findings)
    if findings.holds((told is None) == (not apart), "a proposal: told without ways, or not") and (
        told is not None
    ):
        ways = [(one["kind"], one["id"], one["paths"]) for one in apart]
        _hold_proposal(records, facts, "the proposal", told, ways, findings)
        counts = told["proof"]["summary"]
        if told["rows"]:
            said = facts["proved"]["counts"]
            findings.same("the proposal: counts", said, {name: counts[name] for name in said})
        circuits = {one["id"]: one for one in told["proof"]["circuits"]}
        for one in apart:
            _check_cost(facts, one, circuits, findings)
        findings.skip("that no cheaper ways exist")
    build = facts["build"] or {"single": [], "set": None}
    for what, options in (("to build", build["single"][:1]), ("to build together", [build["set"]])):
        for option in options:
            if option is None or not option["apart"]:
                continue
            if not findings.holds(option["proposal"] is not None, f"{what}: there is no proof"):
                continue
            ways = [(None, name, None) for name in option["apart"]]
            _hold_proposal(records, facts, what, option["proposal"], ways, findings)
    if len(build["single"]) > 1:
        findings.skip("what else could be built: prove the folder that reroute --proposal writes")


def _check_statuses(records: Records, facts: dict[str, Any], findings: Tally) -> None:
    """Each circuit and group stands once, has its own members, and is counted by its status."""
    statuses = [one["status"] for one in facts["circuits"]]
    counts = {name: statuses.count(name) for name in ("apart", "none", "undecided")}
    findings.same("summary", facts["summary"], counts)
    findings.same("every status is known", sum(counts.values()), len(statuses))
    asked = [(one["kind"], one["id"]) for one in facts["circuits"]]
    findings.same("circuits and groups told twice", len(asked) - len(set(asked)), 0)
    members: dict[str, list[str]] = {}
    for name, row in sorted(records.by["circuits"].items()):
        members.setdefault(str(row.get("group")), []).append(name)
    for one in facts["circuits"]:
        mine = members.get(one["id"]) if one["kind"] == "group" else [one["id"]]
        said = f"{one['kind']} {one['id']}"
        findings.same(f"{said}: members", sorted(one["members"]), sorted(mine or []))
        if one["status"] == "none":
            findings.skip("what the ways that share least share")
        if one["cost"] is not None:
            low = one["lower_bound"] is None or one["lower_bound"] <= one["cost"]
            same = not one["optimal"] or one["lower_bound"] == one["cost"]
            findings.holds(low and same, f"{said}: costs {one['cost']}, over its lower bound")


def _check_cost(
    facts: dict[str, Any], one: dict[str, Any], circuits: dict[str, Any], findings: Tally
) -> None:
    """What the ways of a circuit come to in fibre, by their proof."""
    paths = circuits.get(one["id"], {}).get("paths", {})
    ways = [paths[label] for label in one["paths"] if label in paths]
    known = [way["length_m"] for way in ways if not way["other_lengths"]]
    counts = facts["cost_is"] == "length" and one["kind"] == "circuit"
    if not counts or None in known or len(known) != len(one["paths"]) or one["cost"] is None:
        findings.skip(f"the cost ({facts['cost_is']}) of the ways of {one['id']}")
        return
    away = abs(one["cost"] - sum(known))
    findings.holds(away <= COST_M, f"{one['id']}: its ways cost {sum(known):.1f} m of fibre")


def _hold_proposal(
    records: Records,
    facts: dict[str, Any],
    what: str,
    told: dict[str, Any],
    ways: list[tuple[str | None, str, dict[str, list[str]] | None]],
    findings: Tally,
) -> None:
    """Hold the proof of a proposal against the records with its rows over them.

    `ways` are the circuits and groups that it makes apart: the kind and the ways where they
    are told, by label, in a group by member and label.
    """
    proof = told["proof"]
    if wrong := misfits(proof):
        findings.false += [f"{what}, its proof: {one}" for one in wrong]
        return
    for name in ("crs", "inputs", "study", "revision"):
        findings.same(f"{what}: {name}", proof[name], facts[name])
    unknown = set(told["rows"]) - set(records.rows)
    findings.holds(not unknown, f"{what}: no role is called {', '.join(sorted(unknown))}")
    own = Tally()
    hold(proposed(records, told["rows"]), proof, own)
    findings.confirmed += own.confirmed
    findings.false += [f"{what}: {one}" for one in own.false]
    for one in own.not_checked:
        findings.skip(one)
    for name, because in own.doubts.items():
        for one in because:
            findings.skip(one, name)
    circuits = {one["id"]: one for one in proof["circuits"]}
    groups = {one["id"]: one for one in proof["groups"]}
    for kind, name, paths in ways:
        found = [mine[name] for mine in _of_kind(kind, circuits, groups) if name in mine]
        good = [
            one["verdict"] in ("apart", "accepted") and one.get("within_limits") is not False
            for one in found
        ]
        findings.holds(any(good), f"{what}: {name} is not apart and within limits by its proof")
        if paths is None:
            continue
        known = {
            label if kind == "circuit" else f"{member} {label}": path["links"]
            for one in found
            for member in one.get("members", [name])
            for label, path in circuits[member]["paths"].items()
        }
        said = {label: known.get(label) for label in paths}
        findings.same(f"{what}: ways of {name}", paths, said)
        findings.holds(len(paths) > 1, f"{what}: {name} has fewer than two ways")


def _of_kind(
    kind: str | None, circuits: dict[str, Any], groups: dict[str, Any]
) -> list[dict[str, Any]]:
    """Circuits, groups, or both where it is not told which."""
    return {"circuit": [circuits], "group": [groups]}.get(str(kind), [circuits, groups])


def _changed(records: Records, facts: dict[str, Any]) -> list[str]:
    """Inputs that are not those that the evidence was made of, by name."""
    told = {(one["file"], one["sha256"]) for one in facts["inputs"]}
    now = set(records.inputs)
    names_now, names_then = {name for name, _ in now}, {name for name, _ in told}
    found = [f"{name} has changed since" for name, _ in sorted(now - told) if name in names_then]
    found += [f"{name} is new" for name in sorted(names_now - names_then)]
    return found + [f"{name} is not read any more" for name in sorted(names_then - names_now)]


def build(records: Records, facts: dict[str, Any]) -> World:
    """Follow every record of a study, from the ground up."""
    ground = survey(records)
    drawn = {row["id"] for row in records.rows["cables"] if row.get("geometry") is not None}
    unsure = {
        gap["asset"] for gap in facts["gaps"] if gap["code"] in DRAWN_GAPS and gap["asset"] in drawn
    }
    listed = {row["cable"] for row in records.rows["cable_runs"]}
    cables = follow_cables(ground, facts["matched"], unsure - listed)
    hops, link_gaps = tie_links(cables)
    figures = Figures(cables, hops)
    claimed = {
        (circuit["id"], label): path["links"]
        for circuit in facts["circuits"]
        for label, path in circuit["paths"].items()
    }
    length_m = {name: length.longer_m for name, length in figures.lengths.items()}
    paths, path_gaps, undecided = tie_paths(records, length_m, claimed)
    reliance = rely(cables, hops)
    items = {
        key: set().union(*(reliance.items[link] for link in links)) for key, links in paths.items()
    }
    relied = {key: reliance.closure(mine) for key, mine in items.items()}
    down = fallen(reliance, cables, records.out) if records.out else set()
    lost = {key for key, mine in items.items() if mine & down}
    trials = trials_of(records, paths, lost)
    gaps = [*ground.gaps, *cables.gaps, *link_gaps, *path_gaps, *gaps_of_records(figures)]
    for trial in trials:
        mine = [key for key in paths if key[0] == trial.id]
        out = [key for key in mine if key in lost]
        if trial.group_test is None and out and len(mine) - len(out) < 2:
            gaps.append(Gap("way-out", trial.id, circuits=(trial.id,)))
        elif trial.group_test is not None and len(trial.circuits) < 2:
            gaps.append(Gap("lone-member", trial.id))
    world = World(
        records, ground, cables, hops, figures, reliance, paths, undecided, items, relied, lost,
        trials, gaps, {key: reliance.behind(mine) for key, mine in relied.items()},
    )  # fmt: skip
    for name in records.by["circuits"]:
        if service_of(records, name)["own_line"] != "excused" and own_line(world, name).why:
            gaps.append(Gap("own-line", name, circuits=(name,)))
    world.down = unavailability(world)
    world.unrated = unrated_hops(world)
    gaps += hop_rate_gaps(world)
    gaps += test_gaps(world.budgets)
    return world
