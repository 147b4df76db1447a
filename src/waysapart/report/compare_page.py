"""The page of a comparison: what a change does to each circuit, and both plants on one map.

`write_comparison` writes the page, `comparison_view` makes what its template shows, and
`comparison_geometry` what its map draws.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, cast

from waysapart.figures import before_and_after, moment, probability
from waysapart.gaps import GAP_CODES
from waysapart.output_files import OutputFile, refuse_unsafe, write_text
from waysapart.report import sign_off, words
from waysapart.report.audit_page import audit_page
from waysapart.report.compare_words import (
    comparison_answer,
    figure_name,
    figures_said,
    meetings_said,
    proposal_said,
    reasons_said,
    same_said,
    unread_said,
    within_said,
)
from waysapart.report.geometry import Facts, Geo, Holdings, holdings, proof_geometry, room_around
from waysapart.report.lookup import working_grid
from waysapart.report.map import Tiles, frame, has_places
from waysapart.report.page import render_page
from waysapart.report.picture import map_picture
from waysapart.report.words import CHANGED, less_on_record_said
from waysapart.text import sentence_list
from waysapart.verdicts.prove import Proof
from waysapart.whatif.changes import CHANGES, DifferenceFacts, measured
from waysapart.whatif.compare import Comparison, ComparisonFacts, RecordChanges
from waysapart.whatif.tolerances import TOLERANCES

Records = Mapping[str, RecordChanges]
View = dict[str, Any]


# --- The page as a file.


def write_comparison(
    comparison: Comparison, path: str | Path, *, tiles: Tiles | None = None, force: bool = False
) -> Path:
    """Write a comparison as one self-contained HTML file, the plant of both sides on one map.

    Parameters
    ----------
    comparison : Comparison
        From `compare`. A side given as evidence has no plant: the page says
        so and draws the other side alone.
    path : path
        Where to; an old file there is replaced only by a whole new one.
    tiles : Tiles, optional
        A background map. Without it the file asks the network for nothing.
    force : bool
        Whether a file that waysapart did not write may be replaced.

    Returns
    -------
    Path

    Raises
    ------
    CallError
        `path` is an input of a study, or a file that waysapart did not write.
    WriteError
        The file cannot be written.

    Examples
    --------
    >>> import waysapart as wa
    >>> proof = wa.prove(wa.read_study("examples/estuary"))
    >>> from tempfile import TemporaryDirectory
    >>> comparison = wa.compare(proof, "examples/proposal-a")
    >>> with TemporaryDirectory() as folder:
    ...     wa.write_comparison(comparison, f"{folder}/footbridge.html").name
    'footbridge.html'
    """
    target = OutputFile(Path(path), "html")
    inputs = [file for proof in comparison.proofs if proof for file in proof.study.files]
    refuse_unsafe([target], inputs, force=force)
    write_text(target, comparison_page(comparison, tiles), inputs, force=force)
    return target.path


def comparison_page(comparison: Comparison, tiles: Tiles | None = None) -> str:
    """The page of a comparison, as `write_comparison` writes it.

    Parameters
    ----------
    comparison : Comparison
    tiles : Tiles, optional

    Returns
    -------
    str
        HTML.
    """
    if comparison.is_audit:
        return audit_page(comparison)
    facts = comparison.facts()
    view = comparison_view(comparison, facts)
    geo = comparison_geometry(comparison)
    marked = [
        feature
        for role in ("plant", "points", "hazards")
        for feature in geo.get(role, {}).get("features", [])
        if feature["properties"].get("mark")
    ]
    view["marked"] = bool(marked)
    view["detail"] = map_picture({}, {**geo, "opening": room_around(marked)}) if marked else None
    title = f"{facts['before']['study']} against {facts['after']['study']}"
    return render_page(
        "compare.html.j2",
        view,
        _map_facts(comparison, view, geo),
        geo,
        title=title,
        label=f"Map of {title}",
        map_scripts=("marked.js", "before_after.js"),
        styles=("marked.css",),
        tiles=tiles,
        carried={"comparison": facts, "inputs": view["inputs"]},
    )


def _map_facts(comparison: Comparison, view: dict[str, Any], geo: dict[str, Any]) -> dict[str, Any]:
    """What the map shows: findings after the change; for circuits that are gone, those before."""
    known = {str(one["id"]): one for one in comparison.before.get("circuits", [])}
    known |= {str(one["id"]): one for one in comparison.after.get("circuits", [])}
    one = comparison.proofs[1] or comparison.proofs[0]
    return {
        "circuits": [
            {"shared": [], "near": [], "cross": [], **known[row["id"]]} for row in view["circuits"]
        ],
        "holdings": comparison_holdings(comparison),
        "told": changes_told(comparison, geo),
        "grid": working_grid(one.study.crs, frame(geo)) if one and has_places(geo) else None,
    }


# --- What the page shows: changes in order, figures before and after, findings, records.

QUESTION = (
    "What does the change do to each protection circuit: do its paths share less or more, and is "
    "any limit exceeded?"
)
MEANING = {
    "worse": "The verdict got worse, a limit is no longer met, a finding is new, or a figure moved "
    "for the worse beyond its tolerance, whatever else improved.",
    "better": "The verdict improved, a limit is met again, a finding is gone, or a figure moved "
    "for the better beyond its tolerance, and nothing got worse.",
    "same": "No verdict, limit or finding differs, and no figure beyond its tolerance.",
    "new": "Not in the study before.",
    "gone": "Not in the study after.",
}
_FIRST = 12
"""How many changes the first screen names."""
_ORDER = (*CHANGED, "same")


def comparison_view(comparison: Comparison, facts: ComparisonFacts) -> View:
    """All that the page of a comparison shows: its facts, with parts replaced and added.

    Parameters
    ----------
    comparison : Comparison
        A side of it that came from a file may hold less than evidence does.
    facts : ComparisonFacts
        Its facts.
    """
    before, after = comparison.before, comparison.after
    circuits = _rows("", facts["circuits"], before.get("circuits", []), after.get("circuits", []))
    together = [
        row
        for what, key, rows in (
            ("group", "groups", facts["groups"]),
            ("scheme", "schemes", facts["schemes"]),
        )
        for row in _rows(what, rows, before.get(key, []), after.get(key, []))
    ]
    every = [*circuits, *together]
    changed = [row for row in every if row["change"] in CHANGED]
    changed.sort(key=lambda row: CHANGED.index(row["change"]))
    within = [row for row in every if row["change"] == "same" and row["differs"]]
    drawn = [
        when for when, proof in zip(("before", "after"), comparison.proofs, strict=True) if proof
    ]
    return {
        **facts,
        "sides": [
            {
                "when": when,
                **heading,
                "made": moment(heading["made"] or ""),
                "drawn": when in drawn,
                "circuits": words.count_of(len(side.get("circuits", [])), "circuit"),
                "crs": side.get("crs") or "",
            }
            for when, heading, side in (
                ("before", facts["before"], before),
                ("after", facts["after"], after),
            )
        ],
        "both": len(drawn) == 2,
        "one_drawn": "".join(drawn[:1]),
        "version": after["waysapart"],
        "revision": facts["after"]["revision"] or "",
        "made": moment(facts["after"]["made"] or ""),
        "caution": after.get("caution") or before.get("caution") or "",
        "question": QUESTION,
        "answer": comparison_answer(facts),
        "less_on_record": less_on_record_said(facts["circuits"]),
        "counts": [(name, facts["summary"][name], MEANING[name]) for name in CHANGES],
        "circuits": circuits,
        "together": together,
        "covered": sign_off.comparison_covered(facts, after),
        "to_decide": [_decision(row) for row in changed],
        "urgent": changed[:_FIRST],
        "urgent_left": max(0, len(changed) - _FIRST),
        "within": [(row, within_said(cast(DifferenceFacts, row))) for row in within[:_FIRST]],
        "within_left": max(0, len(within) - _FIRST),
        "same": same_said(facts),
        "held": proposal_said(facts["proposal"]),
        "not_read": unread_said(facts["unread"]),
        "meetings": meetings_said(facts["passes"], facts["beside"]),
        "tolerances": list(TOLERANCES.values()),
        "findings": [(row, *one) for row in every for one in _findings(row)],
        "figures": [
            (row, figure_name(name), *figures_said(name, two))
            for row in every
            for name, two in row["figures"].items()
        ],
        "records": None if facts["records"] is None else _records(facts["records"]),
        "gaps": _gaps(before.get("gaps", []), after.get("gaps", [])),
        "inputs": _inputs(before.get("inputs", []), after.get("inputs", [])),
    }


def _decision(row: View) -> sign_off.Decision:
    """A change that is to be decided on."""
    differ = row["before"] and row["after"] and row["before"] != row["after"]
    verdicts = f" ({row['before']} to {row['after']})" if differ else ""
    said = "; ".join(row["said"])
    found = f"{row['change']}{verdicts}{': ' if said else ''}{said}"
    return sign_off.Decision(f"{row['what']} {row['id']}".strip(), "", False, found)


def _rows(
    what: str, changes: Sequence[Facts], before: Sequence[Facts], after: Sequence[Facts]
) -> list[View]:
    old = {row["id"]: row for row in before}
    new = {row["id"]: row for row in after}
    rows = [
        _row(what, change, old.get(change["id"], {}), new.get(change["id"], {}))
        for change in changes
    ]
    rows.sort(key=lambda row: (row["order"], not row["differs"]))
    return [{**row, "index": place} for place, row in enumerate(rows)]


def _row(what: str, change: Facts, before: Facts, after: Facts) -> View:
    """A change with the figures of both sides, each a pair of texts."""
    old, new = measured(before), measured(after)
    return {
        **change,
        "what": what,
        "name": (after or before).get("name"),
        "order": _ORDER.index(change["change"]),
        "said": reasons_said(cast(DifferenceFacts, change)),
        "within": [_limits(before), _limits(after)],
        "loss": _worst_link(before, after, "loss_db", max, "at least"),
        "margin": _worst_link(before, after, "margin_db", min, "at most"),
        "delay": _bounded(old, new, "worst_us"),
        "asymmetry": _bounded(old, new, "asymmetry_us"),
        "unavailability": _down(before, after),
        "closest": _closest(before, after),
    }


def _both_said(
    known: Sequence[float | None], otherwise: Sequence[str], say: Callable[[float], str]
) -> tuple[str, str]:
    """A figure before and after; where a side does not know it, what else is said of that side."""
    said = before_and_after(known[0], known[1], say)
    return said[0] or otherwise[0], said[1] or otherwise[1]


def _down(before: Facts, after: Facts) -> tuple[str, str]:
    """Unavailability of both paths before and after; `at least` where a failure rate is missing."""
    sides = [side.get("unavailability", {}) for side in (before, after)]
    otherwise = [
        words.unavailable({"both": None, "at_least": {}, **side}, "both") if side else ""
        for side in sides
    ]
    return _both_said([side.get("both") for side in sides], otherwise, probability)


def _closest(before: Facts, after: Facts) -> tuple[str, str]:
    """The closest approach before and after; `at most` where a gap may hide a closer one."""
    sides = (before, after)
    open_ = ["at most " if words.course_open(cast(Any, {"gaps": [], **s})) else "" for s in sides]
    known = [side.get("closest_m") for side in sides]
    otherwise = ["not examined" if side and "closest_m" in side else "" for side in sides]
    said = _both_said(known, otherwise, words.metres)
    first, second = (
        f"{least}{text}" if value is not None else text
        for least, value, text in zip(open_, known, said, strict=True)
    )
    return first, second


def _worst_link(
    before: Facts, after: Facts, key: str, choose: Callable[[Iterable[float]], float], bound: str
) -> tuple[str, str]:
    """The worst loss or margin of all links; only a bound where that of one is not known."""
    known: list[float | None] = []
    otherwise = []
    for side in (before, after):
        rows = [one for path in side.get("paths", {}).values() for one in path.get("loss", [])]
        figures = [one[key] for one in rows if one.get(key) is not None]
        worst = choose(figures) if figures else None
        codes = (GAP_CODES.get(gap["code"]) for gap in side.get("gaps", []))
        gap_open = any(code is not None and "loss" in code.limits for code in codes)
        open_ = gap_open and any(one.get("ok") is None for one in rows)
        known.append(None if open_ or len(figures) < len(rows) else worst)
        told = "not known" if worst is None else f"{bound} {_decibels(worst)}"
        otherwise.append(told if rows else "")
    return _both_said(known, otherwise, _decibels)


def _limits(side: Facts) -> str:
    if not side:
        return ""
    within = side.get("within_limits")
    return "not known" if within is None else "within" if within else "outside"


def _bounded(old: Facts, new: Facts, key: str) -> tuple[str, str]:
    """A delay before and after; where it is not known, its lower bound."""
    known = before_and_after(old.get(key), new.get(key), words.microseconds)
    before, after = (
        said or (words.figure(side, key) if key in side else "")
        for said, side in zip(known, (old, new), strict=True)
    )
    return before, after


def _decibels(value: float) -> str:
    return f"{words.plain_decibels(value)} dB"


_WHAT = {
    "shared": "shared",
    "near": "near",
    "cross": "crossing",
    "silent": "silent when it falls",
    "gaps": "record gap",
}


def _findings(change: Facts) -> Iterable[tuple[str, str, list[str], str]]:
    """Findings that are gone or new: which of both, the finding, its assets, a gap's code."""
    for when in ("went", "came"):
        for key, said in _WHAT.items():
            for found in change[when].get(key, []):
                if key == "gaps":
                    code, asset = found
                    yield when, said, [asset], code
                else:
                    yield when, said, found if isinstance(found, list) else [found], ""


def _records(records: Facts) -> list[tuple[str, str, str, str]]:
    """Role, id, change and changed columns of every record that differs."""
    rows = [
        (role, str(name), what, "")
        for role, change in records.items()
        for what in ("added", "removed")
        for name in change[what]
    ]
    return rows + [
        (role, str(one["id"]), "changed", ", ".join(one["columns"]))
        for role, change in records.items()
        for one in change["changed"]
    ]


def _gaps(before: Sequence[Facts], after: Sequence[Facts]) -> list[tuple[str, Facts]]:
    """Gaps of one side only; of a gap that stands for many ids, those ids of one side only."""

    def known(gaps: Sequence[Facts]) -> dict[tuple[Any, ...], Facts]:
        return {
            (gap["code"], name, None if _folded(gap) else gap["message"]): gap
            for gap in map(_whole, gaps)
            for name in gap["assets"]
        }

    def only(
        mine: dict[tuple[Any, ...], Facts], other: dict[tuple[Any, ...], Facts]
    ) -> list[Facts]:
        left: dict[int, tuple[Facts, list[str]]] = {}
        for key, gap in mine.items():
            if key not in other:
                left.setdefault(id(gap), (gap, []))[1].append(str(key[1]))
        return [_gap_of(gap, names) for gap, names in left.values()]

    old, new = known(before), known(after)
    return [
        *(("came", gap) for gap in only(new, old)),
        *(("went", gap) for gap in only(old, new)),
    ]


_BLANK_GAP = dict.fromkeys(("file", "layer", "row", "column"))


def _whole(gap: Facts) -> Facts:
    """A gap with all its fields; a gap from a file may lack some."""
    asset = gap.get("asset") or ""
    return {"code": "", "asset": asset, "message": "", "count": 1, "assets": [asset]} | {
        **_BLANK_GAP,
        **gap,
    }


def _folded(gap: Facts) -> bool:
    """Whether a gap's message is that of its kind: a blank, or many reported as one."""
    return bool(gap["count"] > 1 or gap["code"].startswith("blank-"))


def _gap_of(gap: Facts, names: Sequence[str]) -> Facts:
    """A gap reduced to some of its ids."""
    if len(names) == len(gap["assets"]):
        return gap
    known = GAP_CODES.get(gap["code"])
    message = f"{sentence_list(names, most=3)}: {known.means if known else gap['message']}"
    part = {"count": len(names), "assets": list(names), "asset": names[0], "message": message}
    return {**gap, **part}


def _inputs(before: Sequence[Facts], after: Sequence[Facts]) -> list[tuple[str, str, str, str]]:
    """Every input file with its state and its digest on both sides."""
    old, new = ({row["file"]: row["sha256"] for row in side} for side in (before, after))
    return [
        (file, _state(old.get(file), new.get(file)), old.get(file, ""), new.get(file, ""))
        for file in sorted({*old, *new})
    ]


def _state(before: str | None, after: str | None) -> str:
    if before == after:
        return "same"
    return "new" if before is None else "gone" if after is None else "changed"


# --- The map: the plant of both studies, with what was added, removed, moved or changed.

_DRAWN = {"plant": ("segments",), "points": ("structures", "sites"), "hazards": ("hazards",)}
_PLACES = frozenset({"geometry", "reach_m"})
"""Columns that say where something is: where one differs, both places are drawn."""
_COURSES = {"cable_runs": "course", "link_runs": "course in cables", "circuit_paths": "paths"}


def comparison_geometry(comparison: Comparison) -> dict[str, Any]:
    """Feature collections of both studies, for `waysapart.report.page.render_page`.

    Parameters
    ----------
    comparison : Comparison

    Returns
    -------
    dict
        As `proof_geometry`. `mark` of a feature: added, removed, changed, or
        was (its place before, under an id of its own). `when` of a path:
        before, after, or left (what it followed before and follows no
        longer). A side that is evidence alone has no plant to draw; then
        nothing is marked.
    """
    before, after = comparison.proofs
    if before is None or after is None:
        one = after or before
        when = "before" if after is None else "after"
        return {} if one is None else _one_sided(one, when)
    old, new = proof_geometry(before), proof_geometry(after)
    records = comparison.records or {}
    taken = {_id(one) for role in _DRAWN for one in new[role]["features"]}
    renamed: dict[str, str] = {}
    for role, kinds in _DRAWN.items():
        _mark(old[role]["features"], new[role]["features"], kinds, records, taken, renamed)
    new["paths"]["features"] = _paths_of_both(
        old["paths"]["features"], new["paths"]["features"], renamed
    )
    return new


def _one_sided(proof: Proof, when: str) -> dict[str, Any]:
    geo = proof_geometry(proof)
    for path in geo["paths"]["features"]:
        path["properties"]["when"] = when
    return geo


def _id(feature: Mapping[str, Any]) -> str:
    return str(feature["properties"]["id"])


def _mark(
    old: list[Any],
    new: list[Any],
    roles: Iterable[str],
    records: Records,
    taken: set[str],
    renamed: dict[str, str],
) -> None:
    """Mark the new features, and add the old ones that are gone or lay elsewhere."""
    found = {role: records[role] for role in roles if role in records}
    added = {name for change in found.values() for name in change.added}
    removed = {name for change in found.values() for name in change.removed}
    changed = {name: set(cols) for one in found.values() for name, cols in one.changed.items()}
    for feature in new:
        name = _id(feature)
        if name in added or name in changed:
            feature["properties"]["mark"] = "added" if name in added else "changed"
    for feature in old:
        name = _id(feature)
        moved = name in changed and changed[name] & _PLACES
        if name in removed or moved:
            mark = "was" if moved else "removed"
            own = _free(name, taken) if name in taken else name
            taken.add(own)
            renamed[name] = own
            new.append(
                {**feature, "properties": {**feature["properties"], "id": own, "mark": mark}}
            )


def _free(name: str, taken: set[str]) -> str:
    """An id of its own for the place where something lay before."""
    own = f"{name} (before)"
    while own in taken:
        own += "'"
    return own


def _paths_of_both(old: list[Any], new: list[Any], renamed: Mapping[str, str]) -> list[Any]:
    now: dict[tuple[str, str], list[str]] = {}
    for path in new:
        told = path["properties"]
        told["when"] = "after"
        now[told["circuit"], told["path"]] = told["segments"]
    found = list(new)
    for path in old:
        told = path["properties"]
        segments = [renamed.get(name, name) for name in told["segments"]]
        follows = set(now.get((told["circuit"], told["path"]), ()))
        left = [name for name in segments if name not in follows]
        for when, course in (("before", segments), ("left", left)):
            found.append({**path, "properties": {**told, "segments": course, "when": when}})
    return found


def comparison_holdings(comparison: Comparison) -> Holdings:
    """As `holdings` for the study after, and the assets that are gone, which search finds too."""
    before, after = comparison.proofs
    one = after or before
    if one is None:
        return {"assets": [], "inside": {}, "runs": {}}
    found = holdings(one)
    if before is not None and after is not None:
        known = set(after.network.assets.frame["id"])
        found["assets"] += [row for row in holdings(before)["assets"] if row["id"] not in known]
    return found


def changes_told(comparison: Comparison, geo: Geo) -> dict[str, Any] | None:
    """What the card of an asset says about its change.

    Parameters
    ----------
    comparison : Comparison
    geo : dict
        From `comparison_geometry`.

    Returns
    -------
    dict or None
        The term, the text of each asset, and the text of all others; None where a side is
        evidence alone, which has no records.
    """
    records = comparison.records
    if records is None:
        return None
    of: dict[str, str] = {}
    for role, change in records.items():
        if role in _COURSES:
            for name in (*change.added, *change.removed, *change.changed):
                of.setdefault(name, f"its {_COURSES[role]} changed")
            continue
        of |= dict.fromkeys(change.added, "added")
        of |= dict.fromkeys(change.removed, "removed")
        of |= {name: f"changed: {', '.join(cols)}" for name, cols in change.changed.items()}
    for role in _DRAWN:
        for feature in geo[role]["features"]:
            if feature["properties"].get("mark") == "was":
                of[_id(feature)] = "its place before"
    return {"term": "Change", "of": of, "others": "none"}
