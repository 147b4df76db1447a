"""Read the evidence and the study, and hold one against the other."""

from __future__ import annotations

import base64
import json
import re
import zlib
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from waysapart.errors import Problem, StudyError
from waysapart.evidence import FORMAT, misfits
from waysapart.opening import MOST_EVIDENCE_BYTES, RefusedError, read_bytes
from waysapart.recheck.budgets import check_budgets
from waysapart.recheck.claims import DERIVED, check_claims
from waysapart.recheck.findings import Findings
from waysapart.recheck.limits import check_limits
from waysapart.recheck.no_pair import check_no_pairs
from waysapart.recheck.reading import Records, proposed, read_records
from waysapart.recheck.rules import UnreadableError
from waysapart.recheck.stated import (
    check_ages,
    check_all_gaps,
    check_assumptions,
    check_crs,
    check_days,
    check_names,
    check_repeated,
    check_weights,
)
from waysapart.recheck.sums import check_figures
from waysapart.recheck.world import build

MOST_BYTES = MOST_EVIDENCE_BYTES
MOST_VALUES = 60_000_000
"""In evidence; each takes far more memory than text."""
_PIECE = 1 << 24
COST_M = 0.2
"""Costs are told to a tenth of a metre."""
REROUTE = {
    *("format", "waysapart", "study", "revision", "crs", "caution", "inputs", "matched"),
    *("summary", "circuits", "notes", "cost_is", "cost_unit", "work", "proved", "proposal"),
    *("build", "weights"),
}
"""All that `reroute --json` writes at the top; no more and no less."""
NOT_HELD = {
    "words (messages, reasons, cautions, how ways cross) and the version of the program": (
        *("caution", "notes", "figures_say", "waysapart", "evidence.says", "gaps[].message"),
        *("circuits[].gaps[].message", "groups[].gaps[].message", "links[].loss.loss_why"),
        *(
            "circuits[].paths{}.length_why",
            "circuits[].paths{}.delay_why",
            "links[].loss.not_known",
        ),
        *("circuits[].delay.delay_why", "circuits[].delay.asymmetry_why"),
        *("circuits[].cross[].crossing", "groups[].cross[].crossing"),
        *("circuits[].cross[].how", "groups[].cross[].how"),
    ),
    "where in the input a gap stands (file, layer, row, column)": (
        *("gaps[].file", "gaps[].layer", "gaps[].row", "gaps[].rows", "gaps[].column"),
    ),
    "which records to enter first": ("record_first",),
    "tests beside what the records give, drums, and which tests are missing; the gaps that "
    "follow from tests are held": ("tests", "drums", "links[].tests_missing"),
    "how much longer a link could be": (
        *("links[].loss.held_to[].could_grow_m", "links[].loss.held_to[].binds"),
        "links[].loss.held_to[].longest",
    ),
    "how often all ways are lost, what brings most of that, and why it is not known": tuple(
        f"{of}[].unavailability.{name}"
        for of in ("circuits", "groups")
        for name in ("losses_a_year", "greatest", "why", "not_counted")
    ),
    "the numbers of near stretches": tuple(
        f"{of}[].{name}[].stretch"
        for of in ("circuits", "groups")
        for name in ("near", "near_folded")
    ),
}
"""What is not held, in words, and the schema paths of the fields; all in them is not held either.

No verdict, limit, check of a limit or gap rests on any of these.
"""
REROUTED = {
    *("id", "kind", "members", "status", "why", "together", "paths", "cost", "lower_bound"),
    *("optimal", "seconds", "shared", "least_shared", "says", "no_pair_proof"),
}
"""All that it writes of a circuit or group."""
PROPOSAL = "written"
"""Where `reroute --proposal` wrote its layers."""


def run(study: Path, file: Path) -> dict[str, Any]:
    """What `recheck` returns."""
    facts = _facts(file)
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


def judge(records: Records, facts: dict[str, Any]) -> tuple[Findings, list[str]]:
    """What holds of evidence that is not misshapen, and the inputs that have changed since."""
    findings, changed = Findings(), list[str]()
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


def hold(records: Records, facts: dict[str, Any], findings: Findings) -> None:
    """Hold what `prove --json` wrote against the records of a study."""
    check_days(facts, findings)
    records.on = facts["on"]
    check_names(records, facts, findings)
    world = build(records, facts)
    findings.false += world.cables.false
    check_claims(world, facts, findings)
    check_figures(world, facts, findings)
    check_budgets(world, facts, findings)
    check_limits(world, facts, findings)
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


def hold_rerouting(records: Records, facts: dict[str, Any], findings: Findings) -> None:
    """Hold the proofs that `reroute --json` carries: of its ways, and of what it would build."""
    apart = [one for one in facts["circuits"] if one["status"] == "apart"]
    told = facts["proposal"]
    _check_asked(records, facts, findings)
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


def _check_asked(records: Records, facts: dict[str, Any], findings: Findings) -> None:
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
    facts: dict[str, Any], one: dict[str, Any], circuits: dict[str, Any], findings: Findings
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
    findings: Findings,
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
    own = Findings()
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


def _facts(file: Path) -> dict[str, Any]:
    try:
        data = read_bytes(file, MOST_BYTES)
        if data.lstrip()[:9].lower() == b"<!doctype":
            data = _carried(data)
        if len(data) > MOST_BYTES or sum(map(data.count, (b",", b"[", b"{"))) > MOST_VALUES:
            raise _NoEvidenceError("is larger than evidence of any plant")
        facts = json.loads(data, object_pairs_hook=_once)
    except MemoryError as error:
        raise StudyError([Problem("needs more memory than there is", str(file))]) from error
    except (RefusedError, _NoEvidenceError) as error:
        raise StudyError([Problem(str(error), str(file))]) from error
    except (ValueError, RecursionError) as error:
        raise StudyError([Problem(f"is not JSON: {error}", str(file))]) from error
    if wrong := list(misshapen(facts)):
        raise StudyError([Problem(message, str(file)) for message in wrong])
    return dict(facts)


class _NoEvidenceError(Exception):
    """A page that does not carry evidence as reports do."""


def _carried(page: bytes) -> bytes:
    """The evidence that a report carries."""
    found = re.findall(rb'<script type="application/gzip" id="evidence">([^<]*)</script>', page)
    if len(found) != 1:
        raise _NoEvidenceError(
            f"carries {len(found) or 'no'} evidence{' blocks, not one' if found else ''}: expected "
            "what prove --json or reroute --json writes, or a report that was not made for "
            "readers outside"
        )
    unpack, data = zlib.decompressobj(wbits=31), bytearray()
    try:
        left = base64.b64decode(found[0], validate=True)
        while left and not unpack.eof and len(data) <= MOST_BYTES:
            data += unpack.decompress(left, _PIECE)
            left = unpack.unconsumed_tail
    except (ValueError, zlib.error) as error:
        raise _NoEvidenceError(f"carries evidence that cannot be unpacked: {error}") from error
    if not unpack.eof:
        raise _NoEvidenceError(
            f"carries evidence that is cut off, or of more than {MOST_BYTES >> 20} MiB"
        )
    return bytes(data)


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        twice = next(key for key, count in Counter(key for key, _ in pairs).items() if count > 1)
        raise ValueError(f"the key {twice!r} stands twice in one object")
    return found


def misshapen(facts: Any) -> Iterator[str]:
    """What makes a file no evidence of ours, so that nothing in it can be held."""
    expected = "expected what prove --json or reroute --json writes"
    if not isinstance(facts, dict) or "circuits" not in facts:
        yield f"is no evidence: {expected}"
        return
    if facts.get("format") != FORMAT:
        yield f"is of format {facts.get('format')!r}, and recheck holds format {FORMAT}: {expected}"
        return
    if "cost_is" not in facts:
        yield from misfits(facts)
        return
    for name in sorted(REROUTE - set(facts)):
        yield f"lacks {name!r}, which reroute --json writes"
    for name in sorted(set(facts) - REROUTE - {PROPOSAL}):
        yield f"holds {name!r}, which reroute --json does not write"
    if not isinstance(facts["circuits"], list):
        yield f"circuits are no list: {expected}"
        return
    for one in facts["circuits"]:
        fields = set(one) if isinstance(one, dict) else set()
        if fields != REROUTED:
            yield f"a circuit has other fields than reroute --json writes: {fields ^ REROUTED}"


def _changed(records: Records, facts: dict[str, Any]) -> list[str]:
    """Inputs that are not those that the evidence was made of, by name."""
    told = {(one["file"], one["sha256"]) for one in facts["inputs"]}
    now = set(records.inputs)
    names_now, names_then = {name for name, _ in now}, {name for name, _ in told}
    found = [f"{name} has changed since" for name, _ in sorted(now - told) if name in names_then]
    found += [f"{name} is new" for name in sorted(names_now - names_then)]
    return found + [f"{name} is not read any more" for name in sorted(names_then - names_now)]
