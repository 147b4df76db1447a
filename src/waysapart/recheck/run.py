"""Which claim is held against what: what `prove` and `reroute` wrote, and the outcome."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, cast

from waysapart.errors import Problem, StudyError
from waysapart.evidence import Circuit, Evidence, misfits
from waysapart.gaps import GAP_CODES
from waysapart.recheck.availability import (
    check_availability,
    hop_rate_gaps,
    unavailability,
    unrated_hops,
)
from waysapart.recheck.budgets import check_budgets
from waysapart.recheck.evidence import NOT_HELD, About, Tally, read_evidence
from waysapart.recheck.faulty_rows import Gap, grouped
from waysapart.recheck.figures import Figures, total
from waysapart.recheck.gaps import check_all_gaps, gaps_of_records, measurement_gaps
from waysapart.recheck.limits import check_figures
from waysapart.recheck.no_pair import check_no_pairs
from waysapart.recheck.paths import tie_paths
from waysapart.recheck.plant import follow_cables, survey
from waysapart.recheck.records import Records, UnreadableError, proposed, read_records
from waysapart.recheck.reliance import (
    DRAWN_GAPS,
    World,
    fallen,
    rely,
    service_of,
    trials_of,
)
from waysapart.recheck.sharing import own_line
from waysapart.recheck.stated_records import check_records
from waysapart.recheck.traced import follow_links
from waysapart.recheck.verdicts import (
    check_ages,
    check_assumptions,
    check_claims,
    check_crs,
    check_days,
    check_layers,
    check_names,
    check_weights,
)

Named = tuple[str | None, str, dict[str, list[str]] | None]
"""A circuit or group: its kind, its id, and the links of its paths by label."""
COST_M = 0.2
"""Costs are stated to a tenth of a metre."""


def run(study: Path, file: Path) -> dict[str, Any]:
    """Check what `prove` or `reroute` wrote, or a report, against a study.

    Parameters
    ----------
    study, file : Path

    Returns
    -------
    dict
        As `recheck` returns it.

    Raises
    ------
    StudyError
        The study or the file cannot be read.
    """
    facts, digest = read_evidence(file)
    try:
        records = read_records(study)
        tally, changed = judge(records, facts)
    except UnreadableError as error:
        raise StudyError([Problem(str(error), str(study))]) from error
    return {
        "confirmed": tally.confirmed,
        "false": tally.false,
        "not_checked": tally.not_checked,
        "verdicts": tally.verdicts(facts),
        "changed_inputs": changed,
        "sha256": digest,
    }


def judge(records: Records, facts: dict[str, Any]) -> tuple[Tally, list[str]]:
    """The tally of evidence in the right form, and the inputs that have changed since."""
    tally, changed = Tally(), list[str]()
    about = About(tally)
    try:
        changed = _changed(records, facts)
        check_crs(records, facts["crs"], about)
        if "evidence" in facts:
            proved = cast("Evidence", facts)
            hold(records, proved, about)
            check_records(records, proved, about, same_files=not changed)
        else:
            check_no_pairs(records, facts, about)
            hold_rerouting(records, facts, about)
    except (StudyError, UnreadableError):
        raise
    except Exception as error:  # hostile evidence must not lead to a traceback
        said = f"{type(error).__name__}: {error}"
        about.holds(False, f"the evidence cannot be held against this study ({said})")
    return tally, changed


def hold(records: Records, facts: Evidence, about: About) -> World:
    """Check what `prove --json` wrote against the records of a study; returns what was followed."""
    check_days(facts, about)
    records.on = facts["on"]
    check_names(records, facts, about)
    world = build(records, facts)
    about.tally.false += world.cables.false
    check_claims(world, facts, about)
    check_figures(world, facts, about)
    check_availability(world, facts, about)
    check_all_gaps(world, facts, about)
    check_assumptions(world, facts, about)
    check_ages(records, facts, about)
    check_layers(records, facts, about, same_files=not _changed(records, facts))
    for said in NOT_HELD:
        about.skip(said)
    if world.cables.drawn:
        drawn = "drawn cables: that no other segments follow their lines as closely as those named"
        on_them = (key[0] for key, mine in world.relied.items() if mine & world.cables.drawn)
        about.skip(drawn, *world.concerned(on_them))
    return world


def hold_rerouting(records: Records, facts: dict[str, Any], about: About) -> None:
    """Check the proofs that `reroute --json` carries: of its paths, and of what it would build."""
    apart = [one for one in facts["circuits"] if one["status"] == "apart"]
    told, to_build = facts["proposal"], facts["build"] or {"single": [], "set": None}
    _check_statuses(records, facts, about)
    check_weights(records, facts["weights"], about)
    check_budgets(records, facts, about)
    due = (told is None) == (not apart)
    if about.holds(due, "a proposal: told without paths, or not") and told is not None:
        paths = [(one["kind"], one["id"], one["paths"]) for one in apart]
        _hold_proposal(records, facts, told, paths, about.of("the proposal"))
        counts = told["proof"]["summary"]
        if told["rows"]:
            said = facts["proved"]["counts"]
            found = {name: counts[name] for name in said}
            about.same("the proposal: counts", said, found)
        circuits = {one["id"]: one for one in told["proof"]["circuits"]}
        for one in apart:
            _check_cost(facts["cost_is"], one, circuits.get(one["id"]), about)
        about.skip("that no cheaper paths exist")
    options = ("to build", *to_build["single"][:1]), ("to build together", to_build["set"])
    for what, option in (one for one in options if len(one) > 1 and one[1]):
        once = option.get("once_recorded", [])
        due = bool(option["apart"] or once)
        if due and about.holds(option["proposal"] is not None, f"{what}: there is no proof"):
            mine: list[Named] = [(None, name, None) for name in option["apart"]]
            _hold_proposal(records, facts, option["proposal"], mine, about.of(what), once)
    if len(to_build["single"]) > 1:
        about.skip("what else could be built: prove the folder that reroute --proposal writes")


def _check_statuses(records: Records, facts: dict[str, Any], about: About) -> None:
    """Check that each circuit and group stands once, with its members and its status counted."""
    statuses = [one["status"] for one in facts["circuits"]]
    counts = {name: statuses.count(name) for name in ("apart", "none", "undecided")}
    about.same("summary", facts["summary"], counts)
    about.same("every status is known", sum(counts.values()), len(statuses))
    asked = [(one["kind"], one["id"]) for one in facts["circuits"]]
    about.same("circuits and groups told twice", len(asked) - len(set(asked)), 0)
    members = grouped((str(row.get("group")), n) for n, row in records.by["circuits"].items())
    for one in facts["circuits"]:
        group, mine = one["kind"] == "group", about.of(f"{one['kind']} {one['id']}")
        found = members.get(one["id"], []) if group else [one["id"]]
        mine.same("members", sorted(one["members"]), sorted(found))
        if one["status"] == "none":
            about.skip("what the paths that share least share")
        if one["cost"] is not None:
            low = one["lower_bound"] is None or one["lower_bound"] <= one["cost"]
            same = not one["optimal"] or one["lower_bound"] == one["cost"]
            mine.holds(low and same, f"cost {one['cost']} does not agree with its lower bound")


def _check_cost(cost_is: str, one: dict[str, Any], proved: Circuit | None, about: About) -> None:
    """Check the fibre length of a circuit's paths by their proof."""
    known = proved["paths"] if proved is not None else {}
    mine = [known[label] for label in one["paths"] if label in known]
    lengths = [path["length_m"] for path in mine if not path["other_lengths"]]
    metres = total(lengths) if len(lengths) == len(one["paths"]) else None
    if cost_is != "length" or one["kind"] != "circuit" or metres is None or one["cost"] is None:
        about.skip(f"the cost ({cost_is}) of the paths of {one['id']}")
    else:
        about.close(f"{one['id']}: metres of fibre of its paths", one["cost"], metres, COST_M)


def _hold_proposal(
    records: Records,
    facts: dict[str, Any],
    told: dict[str, Any],
    named: list[Named],
    about: About,
    once: list[str] | None = None,
) -> None:
    """Check the proof of a proposal against the records with its rows over them.

    `named` are the circuits and groups that it makes apart; in a group a label has its member
    before it. `once` are those that are apart but for what its new plant does not say.
    """
    if wrong := misfits(told["proof"]):
        about.tally.false += [f"{about.what}, its proof: {one}" for one in wrong]
        return
    for name in ("crs", "inputs", "study", "revision"):
        about.same(name, told["proof"][name], facts[name])
    unknown = set(told["rows"]) - set(records.rows)
    about.holds(not unknown, f"no role is called {', '.join(sorted(unknown))}")
    own, proof = Tally(), cast("Evidence", told["proof"])
    world = hold(proposed(records, told["rows"]), proof, About(own))
    about.tally.add(own, about.what)
    circuits = {one["id"]: one for one in proof["circuits"]}
    groups = {one["id"]: one for one in proof["groups"]}
    known_as: list[tuple[str, dict[str, Any]]]
    known_as = [("circuit", dict(circuits)), ("group", dict(groups))]
    for kind, name, paths in named:
        found = [mine[name] for of, mine in known_as if kind in (of, None) and name in mine]
        good = [
            one["verdict"] in ("apart", "accepted") and one.get("within_limits") is not False
            for one in found
        ]
        about.holds(any(good), f"{name} is not apart and within limits by its proof")
        if paths is not None:
            known = {
                label if kind == "circuit" else f"{member} {label}": path["links"]
                for one in found
                for member in one.get("members", [name])
                for label, path in circuits[member]["paths"].items()
            }
            about.same(f"paths of {name}", paths, {label: known.get(label) for label in paths})
            about.holds(len(paths) > 1, f"{name} has fewer than two paths")
    for name in once or ():
        _hold_once(world, told["rows"], records, name, known_as, about)


def _hold_once(
    world: World,
    rows: dict[str, list[dict[str, Any]]],
    before: Records,
    name: str,
    known_as: list[tuple[str, dict[str, Any]]],
    about: About,
) -> None:
    """Check that a circuit or group is unproven by its proof for blanks of new plant alone."""
    new = {
        str(row.get("id"))
        for role in ("segments", "structures")
        for row in rows.get(role, [])
        if row.get("within") is None and row.get("id") not in before.by[role]
    }
    found = [mine[name] for _, mine in known_as if name in mine]
    good = [one["verdict"] == "unproven" and one.get("within_limits") is not False for one in found]
    about.holds(any(good), f"{name} is not unproven and within limits by its proof")
    gaps = [
        gap
        for trial in world.trials
        if trial.id == name
        for gap in world.touching(trial)
        if GAP_CODES[gap.code].bears_on != "limits"
    ]
    other = sorted({gap.code for gap in gaps if gap.code != "blank-within" or gap.about not in new})
    about.holds(bool(gaps), f"{name}: no gap of the new plant touches it")
    about.holds(not other, f"{name} has other gaps than those of the new plant: {', '.join(other)}")


def _changed(records: Records, facts: Mapping[str, Any]) -> list[str]:
    """Names of inputs that are not those of which the evidence was made."""
    told = {
        (one["file"], one["sha256"])
        for one in facts["inputs"]
        if not str(one["file"]).startswith(("postgresql", "postgres:"))  # a backdrop, never read
    }
    now = set(records.inputs)
    names_now, names_then = {name for name, _ in now}, {name for name, _ in told}
    found = [f"{name} has changed since" for name, _ in sorted(now - told) if name in names_then]
    found += [f"{name} is new" for name in sorted(names_now - names_then)]
    return found + [f"{name} is not read any more" for name in sorted(names_then - names_now)]


def build(records: Records, facts: Evidence) -> World:
    """Follow every record of a study, from the ground up."""
    ground = survey(records)
    drawn = {row["id"] for row in records.rows["cables"] if row.get("geometry") is not None}
    unsure = {
        gap["asset"] for gap in facts["gaps"] if gap["code"] in DRAWN_GAPS and gap["asset"] in drawn
    }
    listed = {row["cable"] for row in records.rows["cable_runs"]}
    cables = follow_cables(ground, [dict(row) for row in facts["matched"]], unsure - listed)
    hops, link_gaps = follow_links(cables)
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
    on_paths = {link for links in paths.values() for link in links}
    link_relied = {link: reliance.closure(reliance.items[link]) for link in on_paths}
    relied = {
        key: set().union(*(link_relied[link] for link in links)) for key, links in paths.items()
    }
    down = fallen(reliance, cables, records.out) if records.out else set()
    lost = {key for key, mine in items.items() if mine & down}
    trials = trials_of(records, paths, lost)
    gaps = [*ground.gaps, *cables.gaps, *link_gaps, *path_gaps, *gaps_of_records(figures)]
    behind = {key: reliance.behind(mine) for key, mine in relied.items()}
    world = World(
        records, ground, cables, hops, figures, reliance, paths, undecided, items, relied,
        link_relied, lost, trials, gaps, behind,
    )  # fmt: skip
    for trial in trials:
        mine = world.paths_of.get(trial.id, [])
        alive = [key for key in mine if key not in lost]
        if trial.group_test is None and len(alive) < min(len(mine), 2):
            gaps.append(Gap("way-out", trial.id, circuits=(trial.id,)))
        elif trial.group_test is not None and len(trial.circuits) < 2:
            gaps.append(Gap("lone-member", trial.id))
    for name in records.by["circuits"]:
        if service_of(records, name)["own_line"] != "excused" and own_line(world, name).why:
            gaps.append(Gap("own-line", name, circuits=(name,)))
    world.down = unavailability(world)
    world.unrated = unrated_hops(world)
    gaps += hop_rate_gaps(world)
    gaps += measurement_gaps(world.budgets)
    return world
