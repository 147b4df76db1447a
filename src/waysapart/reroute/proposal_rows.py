"""The paths of a search as records: new links, their runs and fibres, and the work.

A draft of these rows can be laid over a study, or written as a study that extends it.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, NamedTuple, NotRequired, TypedDict

import geopandas as gpd
import pandas as pd
import tomli_w

from waysapart.errors import CallError
from waysapart.network.paths import ALTERNATE, MAIN
from waysapart.output_files import Change, OutputFile, replacing, write_layer
from waysapart.reroute.plant.cable_sections import like
from waysapart.reroute.plant.context import Ground, Optics
from waysapart.reroute.plant.edges import LINK, PORT, STRETCH, GraphNode, Member
from waysapart.reroute.plant.search_graph import Space
from waysapart.reroute.search.risk_graph import walk
from waysapart.schema import LIST_SEPARATOR, ROLES
from waysapart.study.crs import LON_LAT
from waysapart.study.model import Study
from waysapart.study.proposal import laid_over
from waysapart.study.settings import STUDY_FILE
from waysapart.study.sources import write_csv
from waysapart.text import visible

Row = dict[str, Any]
"""Cells of any role by column: text, number, geometry or None."""


class WorkItem(TypedDict):
    """A piece of work, as it stands in JSON and in work.txt.

    `joint`: of a splice, the joint on record in which it is made.
    """

    circuit: str | None
    what: str
    at: str | None
    link: NotRequired[str]
    joint: NotRequired[str]
    text: str


@dataclass(frozen=True)
class CableRun:
    """A stretch of one cable that a new link uses, in the link's direction; places as numbers."""

    cable: int
    enter: int
    leave: int
    whole: bool
    fibres: tuple[int, ...]
    panels: tuple[int, ...]
    led_in: tuple[bool, bool]


class Step(NamedTuple):
    """One thing to do: what kind of work, at which place (asset number), in words."""

    what: str
    place: int
    text: str


@dataclass
class Built:
    """What is built for a new link where splices are on record.

    Attributes
    ----------
    name : str
        Id of the link.
    a_port, b_port : str
        Ports of the link, with `;` between.
    rows : list of (str, Row)
        Role and cells of splices, terminations, patches and joints.
    steps : list of Step
        The work, from end a to end b.
    bare : list of (int, int, int, int)
        Cable, fibre, place and side of ends for which no panel is on record, while they wait for
        the port on which they end.
    """

    name: str
    a_port: str = ""
    b_port: str = ""
    rows: list[tuple[str, Row]] = field(default_factory=list)
    steps: list[Step] = field(default_factory=list)
    bare: list[tuple[int, int, int, int]] = field(default_factory=list)


@dataclass(frozen=True)
class NewLink:
    """A link to be made of free fibres."""

    a: int
    b: int
    optics: Optics
    runs: tuple[CableRun, ...]
    connectors: int
    splices: int
    length_m: float
    built: Built | None = None


@dataclass(frozen=True)
class ProposedPath:
    """One path of a circuit: numbers of links on record, and new links, in order."""

    steps: tuple[int | NewLink, ...]

    @property
    def new(self) -> list[NewLink]:
        """The links to be made."""
        return [step for step in self.steps if isinstance(step, NewLink)]


@dataclass
class Draft:
    """Rows that a proposal adds or replaces, and what has to be done for them.

    Attributes
    ----------
    rows : dict of str to list of dict
        By role.
    work : list of WorkItem
    """

    rows: dict[str, list[Row]] = field(default_factory=dict)
    work: list[WorkItem] = field(default_factory=list)

    def add(self, role: str, **row: Any) -> None:
        """Add a row to a role."""
        self.rows.setdefault(role, []).append(row)

    def with_rows(self, other: Draft) -> Draft:
        """The rows and the work of this draft and another one, as a new draft."""
        rows = {role: [*found] for role, found in self.rows.items()}
        for role, found in other.rows.items():
            rows.setdefault(role, []).extend(found)
        return Draft(rows, [*self.work, *other.work])


def paths_of_answer(
    space: Space, paths: Sequence[Sequence[int]], fibres: int, taken: Mapping[int, set[int]]
) -> list[ProposedPath]:
    """Paths as links on record and new links, each new one with its own free fibres.

    Parameters
    ----------
    space : Space
    paths : sequence of sequence of int
        Edges of each path from the first end to the second.
    fibres : int
        Fibres that a new link takes of each cable.
    taken : mapping of int to set of int
        Fibres per cable that the same proposal has given away already.

    Returns
    -------
    list of ProposedPath
        In the order of `paths`.
    """
    used = {cable: set(numbers) for cable, numbers in taken.items()}
    return [_proposed(space, path, fibres, used) for path in paths]


def _proposed(
    space: Space, path: Sequence[int], fibres: int, used: dict[int, set[int]]
) -> ProposedPath:
    edges = space.edges
    nodes = [edges.nodes[n] for n in walk(space.graph, path, edges.s, edges.t)]
    steps: list[int | NewLink] = []
    begun: list[tuple[int, GraphNode, GraphNode]] = []
    port: tuple[int, int] | None = None
    for edge, here, there in zip(path, nodes, nodes[1:], strict=False):
        kind, ref = edges.kind[edge], int(edges.ref[edge])
        if kind == LINK:
            steps.append(ref)
        elif kind == STRETCH:
            begun.append((ref, here, there))
        elif kind == PORT and port is None:
            port, begun = (ref, int(edges.layer[edge])), []
        elif kind == PORT:
            assert port is not None
            optics = edges.optics[port[1]]
            steps.append(_new_link(space.ground, port[0], ref, optics, begun, fibres, used))
            port = None
    return ProposedPath(tuple(steps))


def _new_link(
    ground: Ground,
    a: int,
    b: int,
    optics: Optics,
    course: Sequence[tuple[int, GraphNode, GraphNode]],
    fibres: int,
    used: dict[int, set[int]],
) -> NewLink:
    stretches = ground.stretches
    runs: list[CableRun] = []
    connectors = half_splices = 0
    length_m = 0.0
    for ref, here, there in course:
        cable = int(stretches.cable[ref])
        onward = here.asset == stretches.a[ref]
        ends = (
            (stretches.panels_a[ref], bool(stretches.site_a[ref] >= 0), bool(stretches.first[ref])),
            (stretches.panels_b[ref], bool(stretches.site_b[ref] >= 0), bool(stretches.last[ref])),
        )
        near, far = ends if onward else ends[::-1]
        connectors += int(stretches.connectors[ref])
        half_splices += int(stretches.half_splices[ref])
        length_m += float(stretches.length_m[ref])
        whole = bool(stretches.first[ref] and stretches.last[ref])
        panels = (*near[0], *far[0])
        if runs and runs[-1].cable == cable:
            before = runs[-1]
            runs[-1] = replace(
                before,
                leave=there.asset,
                whole=False,
                panels=(*before.panels, *panels),
                led_in=(before.led_in[0], far[1]),
            )
            continue
        gone = used.setdefault(cable, set())
        numbers = tuple([n for n in stretches.free[cable] if n not in gone][:fibres])
        gone.update(numbers)
        runs.append(
            CableRun(cable, here.asset, there.asset, whole, numbers, panels, (near[1], far[1]))
        )
    joined = tuple(_completed(ground, run) for run in runs)
    return NewLink(a, b, optics, joined, connectors, -(-half_splices // 2), length_m)


def _completed(ground: Ground, run: CableRun) -> CableRun:
    """Mark a run over several stretches as the whole cable where it reaches both ends."""
    mine = ground.stretches.cable == run.cable
    ends = {
        *ground.stretches.a[mine & ground.stretches.first].tolist(),
        *ground.stretches.b[mine & ground.stretches.last].tolist(),
    }
    return replace(run, whole=run.whole or ends == {run.enter, run.leave})


def exhausted(ground: Ground, taken: Mapping[int, set[int]], fibres: int) -> set[tuple[str, int]]:
    """Stretches of cables that have fewer fibres left than a link takes.

    Parameters
    ----------
    ground : Ground
    taken : mapping of int to set of int
        Fibres per cable that are given away already.
    fibres : int
        Fibres that a new link takes of each cable.

    Returns
    -------
    set of (str, int)
        Kind of edge and number of the stretch.
    """
    short = {
        cable
        for cable, gone in taken.items()
        if len(set(ground.stretches.free[cable]) - gone) < fibres
    }
    cables = ground.stretches.cable.tolist()
    return {(STRETCH, ref) for ref, cable in enumerate(cables) if cable in short}


def fibres_of(paths: Sequence[ProposedPath]) -> dict[int, set[int]]:
    """Fibres per cable that new links take.

    Parameters
    ----------
    paths : sequence of ProposedPath

    Returns
    -------
    dict of int to set of int
        Fibre numbers by number of the cable.
    """
    found: dict[int, set[int]] = {}
    for path in paths:
        for link in path.new:
            for run in link.runs:
                found.setdefault(run.cable, set()).update(run.fibres)
    return found


def renumbered(
    ground: Ground, path: ProposedPath, fibres: int, taken: Mapping[int, set[int]]
) -> ProposedPath | None:
    """The same path over other fibres than those taken.

    Parameters
    ----------
    ground : Ground
    path : ProposedPath
    fibres : int
        Fibres that a new link takes of each cable.
    taken : mapping of int to set of int
        Fibres per cable that are given away already.

    Returns
    -------
    ProposedPath or None
        None where too few fibres are left.
    """
    used = {cable: set(numbers) for cable, numbers in taken.items()}
    steps: list[int | NewLink] = []
    for step in path.steps:
        if not isinstance(step, NewLink):
            steps.append(step)
            continue
        runs = []
        for run in step.runs:
            gone = used.setdefault(run.cable, set())
            numbers = tuple([n for n in ground.stretches.free[run.cable] if n not in gone][:fibres])
            if len(numbers) < fibres:
                return None
            gone.update(numbers)
            runs.append(replace(run, fibres=numbers))
        steps.append(replace(step, runs=tuple(runs)))
    return ProposedPath(tuple(steps))


def labelled(
    ground: Ground, member: Member, pair: Sequence[ProposedPath]
) -> dict[str, ProposedPath]:
    """Name two paths main and alternate.

    A path that stays keeps its name, a new path takes the name that is left; of two new paths the
    shorter is main.

    Parameters
    ----------
    ground : Ground
    member : Member
        The circuit.
    pair : sequence of ProposedPath
        Two paths.

    Returns
    -------
    dict of str to ProposedPath
    """
    paths = ground.network.paths
    now = {
        paths.label[path]: paths.links(path).tolist() for path in paths.of_circuit(member.circuit)
    }

    def stays(path: ProposedPath, label: str) -> int:
        mine = now.get(label, [])
        return 10**6 if list(path.steps) == mine else sum(step in mine for step in path.steps)

    first, second = pair[0], pair[1]
    straight = stays(first, MAIN) + stays(second, ALTERNATE)
    crossed = stays(second, MAIN) + stays(first, ALTERNATE)
    if straight == crossed:
        straight += int(_length_m(ground, first) <= _length_m(ground, second))
    if straight >= crossed and straight > 0:
        return {MAIN: first, ALTERNATE: second}
    return {MAIN: second, ALTERNATE: first}


def _length_m(ground: Ground, path: ProposedPath) -> float:
    return sum(
        step.length_m if isinstance(step, NewLink) else float(ground.length_m[step])
        for step in path.steps
    )


def drafted(
    ground: Ground, member: Member, of: Mapping[str, ProposedPath], known: set[str]
) -> tuple[Draft, dict[str, list[str]]]:
    """Rows and work for the paths of one circuit.

    Parameters
    ----------
    ground : Ground
    member : Member
        The circuit.
    of : mapping of str to ProposedPath
        From `labelled`.
    known : set of str
        Ids that must not be given again; new ones are added to it.

    Returns
    -------
    draft : Draft
    links : dict of str to list of str
        Ids of links by the name of the path.
    """
    draft = Draft()
    links = ground.study.tables["links"]["id"].to_numpy()
    paths = ground.network.paths
    now = {
        paths.label[path]: [str(links[link]) for link in paths.links(path)]
        for path in paths.of_circuit(member.circuit)
    }
    found: dict[str, list[str]] = {}
    for label, path in of.items():
        names = []
        for step in path.steps:
            if isinstance(step, NewLink):
                if step.built is not None:
                    name = step.built.name
                    known.add(name)
                else:
                    name = fresh_id(wanted_id(member, label), known)
                _add_link(draft, ground, member, name, step)
                names.append(name)
            else:
                names.append(str(links[step]))
        found[label] = names
    if any(found[label] != now.get(label) for label in found):
        for label, names in found.items():
            for seq, name in enumerate(names, start=1):
                draft.add("circuit_paths", circuit=member.id, path=label, seq=seq, link=name)
            if names != now.get(label):
                _tell_path(draft, member, label, now.get(label, []), names)
    return draft, found


def wanted_id(member: Member, label: str) -> str:
    """The id that a new link of a path has, unless it is given already."""
    return f"{member.id}-{label}-new"


def fresh_id(wanted: str, known: set[str]) -> str:
    """An id that is not known yet; it is added to those known."""
    name, number = wanted, 2
    while name in known:
        name, number = f"{wanted}-{number}", number + 1
    known.add(name)
    return name


def _tell_path(
    draft: Draft, member: Member, label: str, before: list[str], after: list[str]
) -> None:
    old = f" from {' - '.join(before)}" if before else ""
    draft.work.append(
        {
            "circuit": member.id,
            "what": "switch over",
            "at": None,
            "text": f"switch {label}{old} to {' - '.join(after)}",
        }
    )


def _add_link(draft: Draft, ground: Ground, member: Member, name: str, link: NewLink) -> None:
    names = ground.names
    via = [str(names[panel]) for run in link.runs for panel in run.panels]
    own = {key: value for key, value in vars(link.optics).items() if value is not None}
    if link.built is not None:
        _add_built(draft, ground, member, link, link.built, own)
        return
    draft.add(
        "links",
        id=name,
        a=str(names[link.a]),
        b=str(names[link.b]),
        via=LIST_SEPARATOR.join(via) or None,
        connectors=link.connectors,
        splices=link.splices,
        **own,
    )
    cables = ground.study.tables["cables"]["id"].to_numpy()
    for seq, run in enumerate(link.runs, start=1):
        draft.add(
            "link_runs",
            link=name,
            seq=seq,
            cable=str(cables[run.cable]),
            fibres=LIST_SEPARATOR.join(map(str, run.fibres)) or None,
            **({} if run.whole else {"from": str(names[run.enter]), "to": str(names[run.leave])}),
        )
    _tell_work(draft, ground, member, name, link)


def _add_built(
    draft: Draft, ground: Ground, member: Member, link: NewLink, built: Built, own: Row
) -> None:
    """A link that is traced over splices, ends and cords, which are on record or to be made."""
    names = ground.names
    draft.add(
        "links",
        id=built.name,
        a=str(names[link.a]),
        a_port=built.a_port,
        b=str(names[link.b]),
        b_port=built.b_port,
        **own,
    )
    for role, row in built.rows:
        draft.add(role, **row)
    for step in built.steps:
        draft.work.append(
            {
                "circuit": member.id,
                "what": step.what,
                "at": str(names[step.place]),
                "link": built.name,
                "text": step.text,
            }
        )


def _tell_work(draft: Draft, ground: Ground, member: Member, name: str, link: NewLink) -> None:
    names = ground.names
    cables = ground.study.tables["cables"]["id"].to_numpy()

    def fibres(run: CableRun) -> str:
        numbers = ", ".join(map(str, run.fibres))
        unsure = bool(ground.stretches.unnumbered[run.cable])
        return f"{cables[run.cable]} fibres {numbers}" + (
            " (some links in it do not say which fibres they have: check)" if unsure else ""
        )

    def work(what: str, at: int, text: str) -> None:
        draft.work.append(
            {"circuit": member.id, "what": what, "at": str(names[at]), "link": name, "text": text}
        )

    def panel(run: CableRun, last: bool) -> str:
        if not run.panels:
            return "its panel is not on record"
        return f"panel {names[run.panels[-1 if last else 0]]}"

    first, final = link.runs[0], link.runs[-1]
    wave = f"{link.optics.wavelength_nm:g} nm"
    work(
        "patch",
        first.enter,
        f"patch {names[link.a]} ({wave} port) to {fibres(first)}, {panel(first, False)}",
    )
    closures = _closures(ground)
    for before, after in zip(link.runs, link.runs[1:], strict=False):
        at = before.leave
        if before.led_in[1] and after.led_in[0]:
            work(
                "patch",
                at,
                f"patch {fibres(before)}, {panel(before, True)}, to {fibres(after)}, "
                f"{panel(after, False)}",
            )
            continue
        closure = closures.get((at, frozenset((before.cable, after.cable))))
        where = f"in joint {closure}" if closure else "in a closure that is not on record"
        work("splice", at, f"splice {fibres(before)} to {fibres(after)} {where}")
        if closure:
            draft.work[-1]["joint"] = closure
    work(
        "patch",
        final.leave,
        f"patch {fibres(final)}, {panel(final, True)}, to {names[link.b]} ({wave} port)",
    )


def _closures(ground: Ground) -> dict[tuple[int, frozenset[int]], str]:
    """Joints by place and by every two cables that they join."""
    joints, assets = ground.study.tables["joints"], ground.network.assets
    found: dict[tuple[int, frozenset[int]], str] = {}
    at = assets.numbers(joints["at"])
    for name, place, listed in zip(joints["id"], at.tolist(), joints["cables"], strict=True):
        if not isinstance(listed, str):
            continue
        cables = (assets.numbers(listed.split(LIST_SEPARATOR)) - assets.start["cables"]).tolist()
        for one in cables:
            for other in cables:
                if one != other:
                    found[place, frozenset((one, other))] = str(name)
    return found


def proposed(study: Study, draft: Draft) -> Study:
    """The study with a draft laid over it, as if it had been written and read.

    Parameters
    ----------
    study : Study
    draft : Draft

    Returns
    -------
    Study
    """
    over = {
        role: like(table, pd.DataFrame(draft.rows[role]))
        if draft.rows.get(role)
        else table.iloc[:0]
        for role, table in study.tables.items()
    }
    traced = study.traced
    if traced is not None:
        read = _laid(study, {**study.tables, **traced.read}, over)
        traced = replace(traced, read={role: read[role] for role in traced.read})
    return replace(study, tables=_laid(study, study.tables, over), traced=traced)


def _laid(
    study: Study, base: Mapping[str, pd.DataFrame], over: Mapping[str, pd.DataFrame]
) -> dict[str, pd.DataFrame]:
    merged = laid_over(base, over)
    return {role: _sorted(role, merged[role], study.tables[role]) for role in merged}


def _sorted(role: str, table: pd.DataFrame, base: pd.DataFrame) -> pd.DataFrame:
    """Sort rows as reading sorts them."""
    key = [name for name in ROLES[role].key if name in table]
    if table is base or not key:
        return table
    return table.sort_values(key, kind="stable", ignore_index=True)


# --- A draft as a folder: a study that extends the one it is about.

_WORK = "work.txt"
_DRAWN = ("segments", "structures")
"""Roles of which a proposal builds new ones, with a geometry."""


def proposal_targets(folder: Path) -> list[OutputFile]:
    """Every file that may be written of a proposal: in a folder, and in those it builds in.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    list of OutputFile
    """
    folders = [folder, *(sorted(folder.glob("build-*")) if folder.is_dir() else [])]
    return [target for one in folders for target in _targets(one, ROLES)]


def _targets(folder: Path, roles: Iterable[str]) -> list[OutputFile]:
    names = [STUDY_FILE, *map(_file_of, roles), _WORK]
    return [OutputFile(folder / name, "study") for name in names]


def _file_of(role: str) -> str:
    return f"{role}.geojson" if role in _DRAWN else f"{role}.csv"


def write_drafts(
    study: Study, drafts: Sequence[tuple[Draft, Path, str]], *, force: bool = False
) -> list[Path]:
    """Write the rows of drafts as studies that `extend` another, all of them or none.

    Parameters
    ----------
    study : Study
        What is extended; the new studies name its folder relative to their own.
    drafts : sequence of (Draft, Path, str)
        Each with its folder, made where needed, and the name of the new study; empty: that
        of the study extended, rerouted.
    force : bool
        Whether files that are there already may be replaced.

    Returns
    -------
    list of Path
        Of each study.toml, the layers, and work.txt with the work list.

    Raises
    ------
    CallError
        A draft has no rows, or a folder holds one of the files already.
    WriteError
        A file cannot be written; then none is.
    """
    targets = []
    for draft, folder, _ in drafts:
        if not any(draft.rows.values()):
            raise CallError("there is nothing to propose: nothing changes")
        targets += _targets(folder, [role for role, rows in draft.rows.items() if rows])
    if targets:
        with replacing(targets, study.files, force=force, folders=True) as change:
            for draft, folder, name in drafts:
                _write(study, draft, folder, name, change)
    return [target.path for target in targets]


def _write(study: Study, draft: Draft, folder: Path, name: str, change: Change) -> None:
    rows = {role: found for role, found in draft.rows.items() if found}
    head: dict[str, object] = {
        "name": name or f"{study.name}, rerouted",
        "extends": Path(os.path.relpath(study.folder, folder)).as_posix(),
        "layer": [{"role": role, "source": _file_of(role)} for role in rows],
    }
    change.place(folder / STUDY_FILE).write_bytes(tomli_w.dumps(head).encode())
    for role, cells in rows.items():
        frame = pd.DataFrame(cells)
        path = change.place(folder / _file_of(role))
        if role in _DRAWN:
            shapes = gpd.GeoDataFrame(frame, geometry="geometry", crs=LON_LAT)
            write_layer(
                shapes,
                path,
                layer=role,
                driver="GeoJSON",
                layer_options={"COORDINATE_PRECISION": "15"},
            )
        else:
            write_csv(frame, path)
    work = "".join(_line(one) for one in draft.work)
    change.place(folder / _WORK).write_bytes(work.encode())


def _line(work: WorkItem) -> str:
    """One piece of work: for which circuit, where, what."""
    parts = (work.get("circuit"), work.get("at"), work["text"])
    told = "\t".join(visible(str(part)) if part else "" for part in parts)
    return " ".join(told.splitlines()) + "\n"
