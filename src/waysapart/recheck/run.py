"""Read the evidence and the study, and hold one against the other."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path
from typing import Any

from pyproj import CRS

from waysapart.errors import Problem, StudyError
from waysapart.recheck.claims import DERIVED, Findings, check_claims
from waysapart.recheck.no_pair import check_no_pairs
from waysapart.recheck.reading import Records, read_records
from waysapart.recheck.rules import UnreadableError
from waysapart.recheck.sums import check_figures
from waysapart.recheck.world import DRAWN_GAPS, World, build

SCHEMA = "urn:waysapart:evidence:1"


def run(study: Path, file: Path) -> dict[str, Any]:
    """What `recheck` returns."""
    facts = _facts(file)
    findings = Findings()
    try:
        if "evidence" not in facts:
            check_no_pairs(study, facts, findings)
            return _told(findings, [])
        records = read_records(study, str(facts["crs"]))
        hold(records, facts, findings)
        return _told(findings, _changed(records, facts))
    except UnreadableError as error:
        raise StudyError([Problem(str(error), str(study))]) from error
    except (KeyError, TypeError, ValueError, AttributeError, IndexError) as error:
        said = f"{type(error).__name__}: {error}"
        findings.holds(False, f"the evidence cannot be held against this study ({said})")
        return _told(findings, [])


def hold(records: Records, facts: dict[str, Any], findings: Findings) -> None:
    """Hold what `prove --json` wrote against the records of a study."""
    world = build(records, facts)
    findings.false += world.cables.false
    check_claims(world, facts, findings)
    check_figures(world, facts, findings)
    _check_all_gaps(world, facts, findings)
    _check_assumptions(records, facts, world.ground.left_out, findings)
    if world.cables.drawn:
        findings.skip(
            "drawn cables: that no other segment keeps to their lines as well as those named"
        )


def _facts(file: Path) -> dict[str, Any]:
    try:
        facts = json.loads(file.read_bytes())
    except OSError as error:
        raise StudyError([Problem(f"cannot be read: {error.strerror}", str(file))]) from error
    except (ValueError, RecursionError) as error:
        raise StudyError([Problem(f"is not JSON: {error}", str(file))]) from error
    known = isinstance(facts, dict) and ("evidence" in facts or "circuits" in facts)
    schema = facts.get("evidence", {"schema": SCHEMA}).get("schema") if known else None
    if schema != SCHEMA:
        message = f"expected what prove --json or reroute --json writes, of schema {SCHEMA}"
        raise StudyError([Problem(message, str(file))])
    return dict(facts)


def _told(findings: Findings, changed: list[str]) -> dict[str, Any]:
    return {
        "confirmed": findings.confirmed,
        "false": findings.false,
        "not_checked": findings.not_checked,
        "changed_inputs": changed,
    }


def _changed(records: Records, facts: dict[str, Any]) -> list[str]:
    """Inputs that are not those that the evidence was made of, by name."""
    told = {(one["file"], one["sha256"]) for one in facts["inputs"]}
    now = set(records.inputs)
    names_now, names_then = {name for name, _ in now}, {name for name, _ in told}
    found = [f"{name} has changed since" for name, _ in sorted(now - told) if name in names_then]
    found += [f"{name} is new" for name in sorted(names_now - names_then)]
    return found + [f"{name} is not read any more" for name in sorted(names_then - names_now)]


def _check_all_gaps(world: World, facts: dict[str, Any], findings: Findings) -> None:
    """The list of all gaps, whether they touch a circuit or not."""
    told = Counter(
        (gap["code"], asset)
        for gap in facts["gaps"]
        for asset in gap["assets"]
        if gap["code"] in DERIVED
        and not (gap["code"] in DRAWN_GAPS and gap["asset"] in world.cables.drawn)
    )
    for gap in facts["gaps"]:
        named = f"the gap {gap['code']} is told of {gap['asset']}, which is not what it is of"
        findings.holds(gap["asset"] in gap["assets"], named)
    found = Counter((gap.code, gap.about) for gap in world.gaps)
    for code, about in sorted((told - found).keys()):
        findings.holds(False, f"there is no gap {code} of {about}")
    for code, about in sorted((found - told).keys()):
        findings.holds(False, f"the gap {code} of {about} is not told")
    findings.confirmed += sum((told & found).values())


def _check_assumptions(
    records: Records, facts: dict[str, Any], left_out: set[str], findings: Findings
) -> None:
    """Values that the rules put in, and the coordinate system where the study states one.

    The kinds that are ignored stand twice: as the rules have them, then what was left out.
    """
    for one in facts["assumptions"]:
        if one.get("to_sign") and one["key"] == "reliance.ignore_kinds":
            findings.same_set("left out as too large", one["value"], left_out)
            continue
        if one.get("to_sign"):
            findings.skip("blanks taken as the rules say: how many of them, by kind")
            continue
        value: Any = records.rules
        for key in _keys(one["key"]):
            value = value.get(key) if isinstance(value, dict) else None
        findings.same(f"assumption {one['key']}", one["value"], _plain(value))
    findings.holds(CRS.from_user_input(facts["crs"]) == records.crs, "the crs is another")
    findings.same_set("out of service", facts["out"], set(records.out))


def _keys(dotted: str) -> list[str]:
    """`fibres."G.652.D".db_per_km.1310` as its keys."""
    found = []
    for place, part in enumerate(dotted.split('"')):
        found += [part] if place % 2 else [key for key in part.split(".") if key]
    return found


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    return [_plain(item) for item in value] if isinstance(value, (list, tuple)) else value
