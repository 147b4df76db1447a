"""Read the evidence and the study, and hold one against the other."""

from __future__ import annotations

import base64
import json
import re
import tomllib
import zlib
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

from pyproj import CRS

from waysapart.errors import Problem, StudyError
from waysapart.gaps import GAP_CODES
from waysapart.recheck.claims import DERIVED, Findings, check_claims
from waysapart.recheck.no_pair import check_no_pairs
from waysapart.recheck.reading import Records, read_records
from waysapart.recheck.rules import UnreadableError
from waysapart.recheck.sums import check_figures
from waysapart.recheck.world import DRAWN_GAPS, World, build

FORMAT = 2
"""The form of evidence that this program holds; it reads no other."""
SCHEMA = "urn:waysapart:evidence:1"
MOST_BYTES = 1 << 30
"""Of the evidence in a report, unpacked."""
_OF_BOTH = {
    *("format", "waysapart", "study", "revision", "crs", "caution", "inputs", "matched"),
    *("summary", "circuits", "notes"),
}
FIELDS = {
    "prove": {
        *_OF_BOTH,
        *("made", "on", "out", "groups", "schemes", "links", "tests", "drums", "figures_say"),
        *("gaps", "record_first", "waivers", "evidence", "ages", "assumptions"),
    },
    "reroute": {*_OF_BOTH, "cost_is", "cost_unit", "work", "proved", "build", "weights"},
}
"""All that `prove --json` and `reroute --json` write at the top; no more and no less."""
PROPOSAL = "written"
"""Where `reroute --proposal` wrote its layers."""
_UTM = range(32601, 32661), range(32701, 32761)
_BESIDE_DEG = 9.0
"""From the middle of a zone to the far edge of the next."""


def run(study: Path, file: Path) -> dict[str, Any]:
    """What `recheck` returns."""
    facts = _facts(file)
    findings = Findings()
    try:
        records = read_records(study, str(facts["crs"]))
        changed = _changed(records, facts)
        _check_crs(records, facts, findings)
        if "evidence" in facts:
            hold(records, facts, findings)
        else:
            check_no_pairs(records, facts, findings)
        return _told(findings, changed)
    except UnreadableError as error:
        raise StudyError([Problem(str(error), str(study))]) from error
    except (KeyError, TypeError, ValueError, AttributeError, IndexError) as error:
        said = f"{type(error).__name__}: {error}"
        findings.holds(False, f"the evidence cannot be held against this study ({said})")
        return _told(findings, [])


def hold(records: Records, facts: dict[str, Any], findings: Findings) -> None:
    """Hold what `prove --json` wrote against the records of a study."""
    _check_days(facts, findings)
    records.on = facts["on"]
    for key, stated in (("study", records.name), ("revision", records.revision)):
        if stated is not None:
            findings.same(key, facts[key], stated)
    world = build(records, facts)
    findings.false += world.cables.false
    check_claims(world, facts, findings)
    check_figures(world, facts, findings)
    _check_all_gaps(world, facts, findings)
    others = sorted(code for code, one in GAP_CODES.items() if code not in DERIVED)
    findings.skip(f"whether there are more gaps of these codes: {', '.join(others)}")
    _check_assumptions(records, facts, world.ground.left_out, findings)
    if world.cables.drawn:
        findings.skip(
            "drawn cables: that no other segment keeps to their lines as well as those named"
        )


def _check_days(facts: dict[str, Any], findings: Findings) -> None:
    """When the evidence was made, and for which day it judges."""
    made = datetime.fromisoformat(facts["made"])
    ahead = made > datetime.now(tz=UTC) + timedelta(days=1)
    findings.holds(not ahead, f"the evidence was made on {facts['made']}, which is yet to come")
    if date.fromisoformat(facts["on"]) != made.date():
        findings.skip(f"today: the evidence judges {facts['on']}, and was made on {made.date()}")


def _facts(file: Path) -> dict[str, Any]:
    try:
        data = file.read_bytes()
        if data.lstrip()[:9].lower() == b"<!doctype":
            data = _carried(data)
        facts = json.loads(data, object_pairs_hook=_once)
    except OSError as error:
        raise StudyError([Problem(f"cannot be read: {error.strerror}", str(file))]) from error
    except _NoEvidenceError as error:
        raise StudyError([Problem(str(error), str(file))]) from error
    except (ValueError, RecursionError) as error:
        raise StudyError([Problem(f"is not JSON: {error}", str(file))]) from error
    if wrong := list(_misshapen(facts)):
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
    unpack = zlib.decompressobj(wbits=31)
    try:
        data = unpack.decompress(base64.b64decode(found[0], validate=True), MOST_BYTES)
    except (ValueError, zlib.error) as error:
        raise _NoEvidenceError(f"carries evidence that cannot be unpacked: {error}") from error
    if not unpack.eof:
        raise _NoEvidenceError(
            f"carries evidence that is cut off, or of more than {MOST_BYTES >> 20} MiB"
        )
    return data


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        twice = next(key for key, count in Counter(key for key, _ in pairs).items() if count > 1)
        raise ValueError(f"the key {twice!r} stands twice in one object")
    return found


def _misshapen(facts: Any) -> Iterator[str]:
    """What makes a file no evidence of ours, so that nothing in it can be held."""
    expected = "expected what prove --json or reroute --json writes"
    if not isinstance(facts, dict) or "circuits" not in facts:
        yield f"is no evidence: {expected}"
        return
    if facts.get("format") != FORMAT:
        yield f"is of format {facts.get('format')!r}, and recheck holds format {FORMAT}: {expected}"
        return
    command = "reroute" if "cost_is" in facts else "prove"
    lacking, extra = FIELDS[command] - set(facts), set(facts) - FIELDS[command] - {PROPOSAL}
    for name in sorted(lacking):
        yield f"lacks {name!r}, which {command} --json writes"
    for name in sorted(extra):
        yield f"holds {name!r}, which {command} --json does not write"
    schema = facts["evidence"].get("schema") if isinstance(facts.get("evidence"), dict) else SCHEMA
    if schema != SCHEMA:
        yield f"is of schema {schema!r}; {expected}, of schema {SCHEMA}"


def _check_crs(records: Records, facts: dict[str, Any], findings: Findings) -> None:
    """The grid is the study's own, or else a zone of UTM that the plant lies in or beside."""
    if records.stated_crs is not None:
        same = CRS.from_user_input(records.stated_crs) == records.crs
        findings.holds(
            same, f"the crs is {facts['crs']!r}, not {records.stated_crs!r} of the study"
        )
        return
    code = int((records.crs.to_authority() or ("", "0"))[1])
    zone = next((code - north.start for north in _UTM if code in north), None)
    middle = records.middle()
    near = zone is not None and (
        middle is None or abs((middle[0] - (zone * 6 - 177) + 180) % 360 - 180) <= _BESIDE_DEG
    )
    findings.holds(near, f"the crs {facts['crs']!r} is not the UTM zone of the plant")


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
    findings.same_set("out of service", facts["out"], set(records.out))


def _keys(dotted: str) -> list[str]:
    """`fibres."G.652.D".db_per_km.1310` as its keys."""
    found, at = [], tomllib.loads(f"{dotted} = 0")
    while isinstance(at, dict):
        ((key, at),) = at.items()
        found.append(key)
    return found


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    return [_plain(item) for item in value] if isinstance(value, (list, tuple)) else value
