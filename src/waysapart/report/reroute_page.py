"""The page of a rerouting: proposals side by side, why there are none, the works, what comes next.

`write_reroute` writes the page and `reroute_view` makes what its template shows; what its map
draws is in `waysapart.report.reroute_map`.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from markupsafe import Markup

from waysapart.evidence import Circuit, Evidence
from waysapart.evidence_file import proposals_in_file
from waysapart.figures import moment, significant
from waysapart.output_files import OutputFile, refuse_unsafe, write_text
from waysapart.report import sign_off, words
from waysapart.report.geometry import Holdings, holdings
from waysapart.report.lookup import working_grid
from waysapart.report.map import Tiles, frame, has_places
from waysapart.report.marks import anchors
from waysapart.report.page import render_page
from waysapart.report.picture import map_picture
from waysapart.report.reroute_map import (
    COMMON,
    ON_RECORD,
    NewPlant,
    ProofSteps,
    Proposal,
    cut_geometry,
    near_at,
    places_of,
    proposals_of,
    reroute_geometry,
    step_data,
    steps_of,
)
from waysapart.report.stretches import folded
from waysapart.report.strip import strip_svg
from waysapart.report.strip_layout import Lanes
from waysapart.report.view import limit_rows, unit
from waysapart.reroute.api import OptionFacts, Reroute, RerouteFacts, SegmentFacts, TargetFacts
from waysapart.reroute.new_plant.costs import METRES, BudgetFacts
from waysapart.reroute.new_plant.course import Beside, Crossed
from waysapart.reroute.proposal_rows import WorkItem
from waysapart.reroute.solve import Status
from waysapart.schema import VERSION
from waysapart.text import sentence_list
from waysapart.verdicts.prove import Proof

View = dict[str, Any]

_MOST_PICTURES = 24
"""Proofs without a pair of paths of which a still picture is drawn, for paper."""
_MOST_STRIPS = 120


# --- The page as a file.


def write_reroute(
    found: Reroute,
    path: str | Path,
    *,
    proposal: str | Path | None = None,
    options: Sequence[str] | None = None,
    tiles: Tiles | None = None,
    force: bool = False,
) -> Path:
    """Write a rerouting as one self-contained HTML file, its proposals side by side.

    It shows the proposed paths as lanes and on a map; for circuits and groups without separate
    paths each step of the proof, with the cut that it rests on; what could be built; all work;
    and the commands that lead on from there, to `compare` and to the notice for a crew.

    Parameters
    ----------
    found : Reroute
        From `reroute`.
    path : path
        Where to; an old file there is replaced only by a whole new one.
    proposal : path, optional
        The folder that `found.write_all` wrote, which the commands then name.
    options : sequence of str, optional
        Options of `waysapart reroute` that lead to the same result, for the command that writes
        the proposals. Without them the page names the Python call.
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
        `path` is an input of the study, or a file that waysapart did not write.
    WriteError
        The file cannot be written.

    Examples
    --------
    >>> import waysapart as wa
    >>> proof = wa.prove(wa.read_study("examples/estuary"))
    >>> from tempfile import TemporaryDirectory
    >>> found = wa.reroute(proof, circuits=["C07"])
    >>> with TemporaryDirectory() as folder:
    ...     wa.write_reroute(found, f"{folder}/reroute.html").name
    'reroute.html'
    """
    target = OutputFile(Path(path), "html")
    study = found.before.study
    refuse_unsafe([target], study.files, force=force)
    facts = found.facts()
    proposals = proposals_of(found, facts)
    geo, new = reroute_geometry(found, proposals)
    held = holdings(found.before)
    place = places_of(geo)
    steps = {one.target.id: steps_of(one, place) for one in found.found}
    near = {name: near_at(study, one.pairs) for name, one in steps.items()}
    view = reroute_view(found, facts, proposals, new)
    for row in view["targets"]:
        row["proof"] = steps[row["id"]]
        row["picture"] = None
    without = [row for row in view["targets"] if steps[row["id"]].steps][:_MOST_PICTURES]
    for row in without:
        row["picture"] = _picture(geo, steps[row["id"]], near[row["id"]], held)
    view |= _leading_on(found, proposals, proposal, options)
    page = render_page(
        "reroute.html.j2",
        view,
        {
            "circuits": [
                {
                    "id": row["id"],
                    "verdict": "",
                    "shared": [
                        {"asset": name, "role": "", "waived": False}
                        for name in steps[row["id"]].named
                    ],
                    "near": [one for one in near[row["id"]] if one["distance_m"] > 0],
                    "cross": [one for one in near[row["id"]] if one["distance_m"] == 0],
                }
                for row in view["targets"]
            ],
            "holdings": held,
            "told": _told(view["targets"], steps, proposals, new),
            "grid": working_grid(study.crs, frame(geo)) if has_places(geo) else None,
            "reroute": _map_data(view, steps, proposals, new),
        },
        geo,
        title=f"Rerouting: {study.name}",
        label=f"Map of {study.name} with what is proposed",
        scripts=("strips.js",),
        map_scripts=("marked.js", "reroute.js"),
        styles=("strip.css", "marked.css", "reroute.css"),
        tiles=tiles,
        evidence=proposals_in_file(facts),
    )
    write_text(target, page, study.files, force=force)
    return target.path


def _picture(
    geo: Mapping[str, Any], steps: ProofSteps, near: Sequence[Mapping[str, Any]], held: Holdings
) -> Markup | None:
    """What a proof names and its first cut, as a still picture."""
    part = cut_geometry(geo, steps, near, held)
    if part is None:
        return None
    crossing = [one for one in near if one["distance_m"] == 0]
    close = [one for one in near if one["distance_m"] > 0]
    return map_picture({"circuits": [{"near": close, "cross": crossing}]}, part)


def _map_data(
    view: View,
    steps: Mapping[str, ProofSteps],
    proposals: Sequence[Proposal],
    new: Mapping[str, NewPlant],
) -> View:
    """What `reroute.js` draws: new plant of each proposal, steps of each proof, sides of cuts."""
    sides: dict[tuple[int, ...], int] = {}
    known = {row["id"]: row["index"] for row in view["targets"]}
    data = {
        "record": ON_RECORD,
        "proposals": [
            {
                "key": one.key,
                "new": new[one.key].ids,
                "apart": sorted(known[name] for name in one.helps if name in known),
            }
            for one in proposals
        ],
        "steps": [step_data(steps[row["id"]], sides) for row in view["targets"]],
        "ends": [row["sites"] for row in view["targets"]],
    }
    return {**data, "sides": [list(one) for one in sides]}


def _told(
    targets: Sequence[View],
    steps: Mapping[str, ProofSteps],
    proposals: Sequence[Proposal],
    new: Mapping[str, NewPlant],
) -> View:
    """What the card of an asset says about it."""
    named: dict[str, list[str]] = {}
    for row in targets:
        one = steps[row["id"]]
        for name in dict.fromkeys([*one.named, *(name for pair in one.pairs for name in pair)]):
            named.setdefault(name, []).append(row["id"])
    of = {
        name: f"named in the proof for {sentence_list(ids, most=6)}" for name, ids in named.items()
    }
    built: dict[str, list[str]] = {}
    for proposal in proposals:
        for name in new[proposal.key].ids:
            built.setdefault(name, []).append(proposal_name(proposal.key))
    of |= {name: f"to be built: {sentence_list(keys)}" for name, keys in built.items()}
    return {"term": "In this search", "of": of, "others": "as on record"}


# --- What the page shows: the answer, each circuit or group, each proposal, the work.

QUESTION = (
    "Which separate paths does the plant on record allow, why are there none where there are "
    "none, and what would have to be built?"
)
_MEANING: dict[Status, str] = {
    "apart": "Separate paths exist over the plant on record: proved apart and within limits.",
    "none": "No separate paths exist over the plant on record: proved.",
    "undecided": "Neither was proved.",
}
_HEADINGS = {
    "optics": "Other optics",
    "supply": "Another supply",
    "move": "Another rack or room",
    "closure": "A new closure",
    "segment": "A new segment",
    "segments": "New segments",
    "set": "Together",
    "room": "A new room",
}


def proposal_name(key: str) -> str:
    """What a proposal is called on the page.

    Parameters
    ----------
    key : str

    Returns
    -------
    str

    Examples
    --------
    >>> proposal_name("all"), proposal_name("build-2"), proposal_name("build-set")
    ('over plant on record', 'proposal 2', 'the set')
    """
    if key == COMMON:
        return "over plant on record"
    return "the set" if key == "build-set" else f"proposal {key.removeprefix('build-')}"


def reroute_answer(facts: RerouteFacts) -> str:
    """The answer in a sentence or two.

    Parameters
    ----------
    facts : RerouteFacts

    Returns
    -------
    str
    """
    counts, every = facts["summary"], len(facts["circuits"])
    if not every:
        return (
            "Every circuit and group is apart and within its limits: there is nothing to reroute."
        )
    asked = words.count_of(every, "circuit or group", "circuits and groups")
    said = (
        f"Of {asked}, {counts['apart']} {_has(counts['apart'])} separate paths over the plant on "
        f"record, {counts['none']} {_has(counts['none'])} none"
    )
    open_ones = counts["undecided"]
    said += (
        f", and {open_ones} {'is' if open_ones == 1 else 'are'} undecided." if open_ones else "."
    )
    build = facts["build"]
    if build is None or not counts["none"]:
        return said
    options = [*build["single"], *([] if build["set"] is None else [build["set"]])]
    without = {one["id"] for one in facts["circuits"] if one["status"] == "none"}
    helped = without & {name for option in options for name in option["apart"]}
    once = {name for option in options for name in option["once_recorded"]}
    once = once & without - helped
    if helped:
        said += f" Something to build or change was found for {len(helped)} of these"
        said += f", and for {len(once)} more once what it lies in is on record." if once else "."
    elif once:
        said += (
            f" Something to build was found for {len(once)} of these, once what it lies in is on "
            "record."
        )
    else:
        said += " Nothing was found to build or change that would help."
    return said


def _has(number: int) -> str:
    return "has" if number == 1 else "have"


def reroute_view(
    found: Reroute,
    facts: RerouteFacts,
    proposals: Sequence[Proposal],
    new: Mapping[str, NewPlant],
) -> View:
    """All that the page shows: the facts, with parts replaced and added.

    Parameters
    ----------
    found : Reroute
    facts : RerouteFacts
        Its facts.
    proposals : sequence of Proposal
    new : mapping of str to NewPlant
        By key of the proposal.

    Returns
    -------
    dict
    """
    lanes = _Strips(found, proposals)
    keys = [one.key for one in proposals]
    anchor = anchors(
        (row["id"] for row in facts["circuits"]), [*keys, *(f"{key}-head" for key in keys)]
    )
    targets = [
        _target(found, facts, number, anchor[row["id"]], lanes)
        for number, row in enumerate(facts["circuits"])
    ]
    built = [one for one in proposals if one.facts is not None]
    for row in targets:
        row["helped"] = [one.key for one in built if row["id"] in one.apart]
        row["with"] = [one.key for one in proposals if row["id"] in one.apart]
        row["once"] = [one.key for one in proposals if row["id"] in one.once_recorded]
    names = dict(
        zip(
            (str(name) for name in found.before.study.tables["circuits"]["id"]),
            found.before.study.tables["circuits"]["name"],
            strict=True,
        )
    )
    for row in targets:
        name = names.get(row["id"])
        row["name"] = name if isinstance(name, str) else ""
    build = facts["build"]
    return {
        **facts,
        "question": QUESTION,
        "answer": reroute_answer(facts),
        "covered": [sign_off.Covered("The answer", reroute_answer(facts))],
        "version": VERSION,
        "made": moment(datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")),
        "revision": facts["revision"] or "",
        "counts": [(name, facts["summary"][name], said) for name, said in _MEANING.items()],
        "targets": targets,
        "anchor": anchor,
        "proposals": [_card(one, facts, anchor, new[one.key]) for one in proposals],
        "built": [one.key for one in built],
        "shown": [one.key for one in proposals],
        "looked_at": _looked_at(facts),
        "refused": [] if build is None else build["refused"],
        "all_work": [
            (proposal_name(one.key), item) for one in proposals for item in one.draft.work
        ],
        "left_worse": facts["proved"]["worse"],
        "any_new": any(one.ids for one in new.values()),
        "proposal_name": {ON_RECORD: "as on record"}
        | {one.key: proposal_name(one.key) for one in proposals},
    }


def _looked_at(facts: RerouteFacts) -> str:
    build = facts["build"]
    if build is None:
        return ""
    return sentence_list([f"{count} {kind}" for kind, count in build["looked_at"].items() if count])


def _target(found: Reroute, facts: RerouteFacts, number: int, anchor: str, lanes: _Strips) -> View:
    """A circuit or group: its answer, its paths with figures and strips, what it would share."""
    one, told = found.found[number], facts["circuits"][number]
    status = told["status"]
    keys = [] if status == "apart" and told["together"] else [ON_RECORD]
    keys += [proposal.key for proposal in lanes.proposals if told["id"] in proposal.helps]
    shows: list[View] = []
    for key in keys:
        entry = lanes.entry(key, told, number)
        alike = next((one for one in shows if entry and one["same_as"] == entry["same_as"]), None)
        if alike is not None:
            alike["keys"].append(key)
        elif entry is not None:
            shows.append(entry)
    return {
        **told,
        "index": number,
        "anchor": anchor,
        "said": f"{told['says'][:1].upper()}{told['says'][1:]}",
        "cost_said": cost_said(facts, told),
        "order": ("none", "undecided", "apart").index(status),
        "shows": shows,
        "sites": [
            _sites_of(found.before, [getattr(member, end) for member in one.target.members])
            for end in ("a", "b")
        ],
    }


def _sites_of(proof: Proof, ends: Iterable[int]) -> list[str]:
    """Sites at which equipment stands, by the numbers of the equipment."""
    assets = proof.network.assets.of_role("equipment")
    table = proof.study.tables["equipment"]["site"]
    return list(dict.fromkeys(str(table.iloc[end - assets.start]) for end in ends))


def cost_said(facts: RerouteFacts, one: TargetFacts) -> str:
    """What the paths found cost together, with its unit and how sure that is.

    Parameters
    ----------
    facts : RerouteFacts
    one : TargetFacts
        One of its circuits and groups.

    Returns
    -------
    str
        Empty where no paths were found.
    """
    if one["cost"] is None:
        return ""
    without = ("splices", "unavailability")
    named = "" if facts["cost_is"] in without else f" {unit(facts['cost_unit'])}"
    told = f"{facts['cost_is']} {one['cost']:,g}{named} together"
    if one["optimal"]:
        return f"{told}, the least there is"
    bound = one["lower_bound"]
    return told if bound is None else f"{told}; no pair of paths has less than {bound:,g}{named}"


class _Strips:
    """Strips of circuits and groups, on record and in each proposal."""

    def __init__(self, found: Reroute, proposals: Sequence[Proposal]) -> None:
        self.proposals = proposals
        self._proofs: dict[str, tuple[Proof, Evidence]] = {
            one.key: (one.proof, one.evidence)
            for one in proposals
            if one.proof is not None and one.evidence is not None
        }
        self._before = found.before
        self._lanes: dict[str, Lanes] = {}
        self._left = _MOST_STRIPS

    def entry(self, key: str, target: TargetFacts, number: int) -> View | None:
        """Paths, figures and strip of a circuit or group; None where there is no proof of it."""
        if key == ON_RECORD and key not in self._proofs:
            self._proofs[key] = self._before, self._before.facts()
        if key not in self._proofs:
            return None
        proof, evidence = self._proofs[key]
        group = target["kind"] == "group"
        judged = evidence["groups"] if group else evidence["circuits"]
        facts = next((one for one in judged if one["id"] == target["id"]), None)
        if facts is None:
            return None
        trial = next(
            place
            for place, one in enumerate(proof.trials)
            if one.id == target["id"] and (place >= proof.circuit_count) == group
        )
        strip = None
        lanes = self._lanes.setdefault(key, Lanes(proof))
        if self._left > 0:
            strip = lanes.strip(trial, facts)
            self._left -= strip is not None
        members = [one for one in evidence["circuits"] if one["id"] in target["members"]]
        paths = [
            (member["id"] if group else "", label, path, _least_margin(path["loss"]))
            for member in members
            for label, path in member["paths"].items()
        ]
        limits = [
            (member["id"] if group else "", row)
            for member in members
            for row in limit_rows(member["delay"])
        ]
        return {
            "key": key,
            "keys": [key],
            "same_as": (facts["verdict"], paths, limits, strip),
            "verdict": facts["verdict"],
            "strip": None
            if strip is None
            else strip_svg(
                strip,
                folded(facts),
                target["id"],
                f"r{number}{key.replace('-', '')}",
            ),
            "places": [] if strip is None else [_places(lane) for lane in strip["lanes"]],
            "paths": paths,
            "limits": limits,
            "within": _within(members),
        }


def _places(lane: Mapping[str, Any]) -> tuple[str, list[str]]:
    """The places that a path passes, in order."""
    marks = sorted(lane["marks"], key=lambda mark: float(mark[0]))
    ids = [str(mark[3]) for mark in marks if mark[1] in ("sites", "structures")]
    return str(lane["label"]), list(dict.fromkeys(ids))


def _least_margin(losses: Sequence[Mapping[str, Any]]) -> float | None:
    """Least margin of the links of a path; None where one is not known, or no link has any."""
    margins = [one["margin_db"] for one in losses]
    return None if not margins or None in margins else min(margins)


def _within(circuits: Sequence[Circuit]) -> bool | None:
    """Whether all circuits are within their limits; None where one is not known."""
    every = [one["within_limits"] for one in circuits]
    return False if False in every else None if None in every else True


def _card(one: Proposal, facts: RerouteFacts, anchor: Mapping[str, str], new: NewPlant) -> View:
    """A proposal as its card shows it."""
    told = one.facts
    name = proposal_name(one.key)
    places: dict[str, list[WorkItem]] = {}
    for item in one.draft.work:
        places.setdefault(item["at"] or "", []).append(item)
    card: View = {
        "key": one.key,
        "anchor": one.key,
        "name": name,
        "heading": f"{name[:1].upper()}{name[1:]}",
        "apart": sorted(one.apart),
        "linked": [(item, anchor.get(item)) for item in sorted(one.apart)],
        "new": new.ids,
        "work": sorted(places.items(), key=lambda pair: pair[0] == ""),
        "pieces": len(one.draft.work),
        "once_recorded": sorted(one.once_recorded),
        "once_linked": [(item, anchor.get(item)) for item in sorted(one.once_recorded)],
        "worse": facts["proved"]["worse"] if told is None else told["worse"],
        "what": "Nothing to build",
        "text": "Links over cables with free fibres",
        "length_m": 0.0,
        "per_cost": "",
        "segments": [],
        "survey": [],
        "budget": facts["budget"],
    }
    if told is not None:
        card |= _built(told)
    return {**card, "cost_said": budget_said(card["budget"])}


def budget_said(budget: BudgetFacts | None) -> str:
    """What a proposal costs, in a few words; with its bound where that is not known.

    Parameters
    ----------
    budget : BudgetFacts or None

    Returns
    -------
    str
        Empty where nothing is stated that costs anything.

    Examples
    --------
    >>> lines = [{"what": "joints", "key": "build.per_joint", "count": 2, "rate": None}]
    >>> told = {"unit": "EUR", "lines": lines, "total": None, "at_least": 900.0}
    >>> budget_said({**told, "budget": None, "within_budget": None})
    'not known, at least 900 EUR'
    """
    if budget is None or not budget["lines"]:
        return ""
    if budget["total"] is not None:
        return words.money(budget["total"], budget["unit"])
    return f"not known, at least {words.money(budget['at_least'], budget['unit'])}"


def _per_cost(told: OptionFacts) -> str:
    """Circuits and groups that get apart per cost, where that is more than metres."""
    one = told["apart_per_cost"]
    if not told["apart"] and not told["once_recorded"]:
        return ""
    if one is None or one["unit"] == METRES:
        return (
            ""
            if told["apart_per_km"] is None
            else f"{significant(told['apart_per_km'])} per km built"
        )
    return f"{significant(one['value'])} per {words.money(one['per'], one['unit'])}"


def _built(told: OptionFacts) -> View:
    """What is built: its text, its cost, and what each new segment lies in and meets."""
    return {
        "what": _HEADINGS.get(told["kind"], told["kind"]),
        "text": f"{told['text'][:1].upper()}{told['text'][1:]}",
        "length_m": told["length_m"],
        "per_cost": _per_cost(told),
        "budget": told["budget"],
        "survey": told["survey"],
        "segments": [_segment(one) for one in told["segments"]],
    }


def _segment(one: SegmentFacts) -> View:
    """A new segment with what it lies in and meets, each thing met by its kind, else its role."""
    return {
        **one,
        "beside": [{**row, "what": _what(row)} for row in one["beside"]],
        "crosses": [{**row, "what": _what(row)} for row in one["crosses"]],
        "passes": [{**row, "what": row["kind"] or "structure"} for row in one["passes"]],
    }


def _what(met: Beside | Crossed) -> str:
    """The kind of what new plant meets, else its role."""
    return met["kind"] or met["role"].removesuffix("s")


# --- What comes next: the commands that write the proposals, compare them, and make the notice.


def _leading_on(
    found: Reroute,
    proposals: Sequence[Proposal],
    folder: str | Path | None,
    options: Sequence[str] | None,
) -> View:
    """Commands by proposal, and the one that writes the proposals where that is still to do."""
    study = _from_here(found.before.study.folder)
    out = Path("proposals") if folder is None else Path(folder)
    rows = {one.key: any(one.draft.rows.values()) for one in proposals}
    next_ones: dict[str, list[tuple[str, str]]] = {}
    for one in proposals:
        if not rows[one.key]:
            continue
        at = out if one.key == COMMON else out / one.key
        suffix = "" if one.key == COMMON else f"-{one.key}"
        compare = ("compare", study, at, "-o", f"compare{suffix}.html")
        next_ones[one.key] = [("What it changes, circuit by circuit", command(*compare))]
        works = _works(found, one, at)
        if works:
            notice = (works[0], study, *works[1:], "-o", f"notice{suffix}.html")
            next_ones[one.key].append(("The notice for its works", command(*notice)))
    first = ""
    if folder is None and next_ones and options is not None:
        first = command("reroute", study, *options, "--proposal", out)
    return {
        "next": next_ones,
        "write_first": first,
        "write_python": "" if folder is not None or first else f'found.write_all("{out}")',
        "folder": "" if folder is None else str(out),
    }


def _from_here(folder: Path) -> Path:
    """A folder as seen from the working folder, where it lies inside that."""
    here = Path.cwd()
    return folder.relative_to(here) if folder.is_relative_to(here) else folder


def _works(found: Reroute, one: Proposal, folder: Path) -> list[str]:
    """Command and arguments for the works of a proposal; empty where it digs and opens nothing.

    New segments are dug; closures that are opened and equipment that is changed are out of
    service meanwhile.
    """
    study = found.before.study
    if one.draft.rows.get("segments"):
        return ["dig", "--area", (folder / "segments.geojson").as_posix(), "--reach", "2"]
    opened = {str(row["joint"]) for row in one.draft.rows.get("splices", ())}
    opened |= {str(row["id"]) for row in one.draft.rows.get("equipment", ())}
    known = {*study.tables["joints"]["id"], *study.tables["equipment"]["id"]}
    touched = sorted(opened & known)
    return ["outage", *(part for name in touched for part in ("--asset", name))] if touched else []


def command(*parts: object) -> str:
    """A command of waysapart, quoted for a shell.

    Parameters
    ----------
    *parts : object
        Paths with forward slashes; the rest as text.

    Returns
    -------
    str

    Examples
    --------
    >>> command("compare", Path("examples/estuary"), Path("my proposals/build-1"))
    "waysapart compare examples/estuary 'my proposals/build-1'"
    """
    texts = [part.as_posix() if isinstance(part, Path) else str(part) for part in parts]
    return shlex.join(["waysapart", *texts])
