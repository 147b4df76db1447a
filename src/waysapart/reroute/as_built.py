"""New links as they are to be built: which fibres can be joined, and the rows and work for that.

Where splices and terminations are on record, a proposal says for each fibre of a new link what it
is spliced to, on which port it ends and which cords complete it. Fibres that are free from port to
port already come first, then those that need the fewest splices; a splice between two spare fibres
is opened only where nothing else does. No fibre that a link uses, and none whose records contradict
each other, is touched.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal, NamedTuple, TypeVar

import numpy as np
import pandas as pd

from waysapart.network.assets import listed
from waysapart.network.links import CableNodes
from waysapart.network.spares import fibre_use_of
from waysapart.network.trace import AFTER, BEFORE, SPLICE, TERMINATION, Fibre
from waysapart.reroute.plant.context import Ground
from waysapart.reroute.proposal_rows import (
    Built,
    CableRun,
    NewLink,
    ProposedPath,
    Row,
    Step,
    fresh_id,
)
from waysapart.schema import LIST_SEPARATOR
from waysapart.text import counted

_NEVER = float("inf")
_CUT, _OPENED = 0.5, 1.5
"""What it costs to cut a fibre that passes a joint, and to open a splice between two spares.

A splice, an end on a port and a cord cost 1.
"""
MOST_FIBRES = 2
"""A link has one port for both directions, or one for each."""
K = TypeVar("K")
_GIVEN = ("gone", "_taken_ports", "_joints", "_known", "_listed", "_ports")
"""What a proposal gives away, link by link."""
_SIDES = {BEFORE: "before", AFTER: "after"}


def as_built(ground: Ground, fibres: int) -> bool:
    """Whether a proposal says how its links are spliced.

    Parameters
    ----------
    ground : Ground
    fibres : int
        Fibres that a new link takes of each cable.

    Returns
    -------
    bool
        Where splices or terminations are on record; not with more than two fibres, for which a
        link has no ports.
    """
    tables = ground.study.tables
    on_record = len(tables["splices"]) or len(tables["terminations"])
    return bool(on_record) and fibres <= MOST_FIBRES


class _State(NamedTuple):
    """What is at one end of a stretch of a fibre.

    `is_`: open (nothing joined), uncut (it goes on past the joint), port or spliced; `node` is
    the port, or the end of the fibre that it is spliced to.
    """

    is_: Literal["open", "uncut", "port", "spliced", "bad"]
    node: int


_BAD = _State("bad", -1)


class _End(NamedTuple):
    """An end of a run: where on the cable, and on which side of the place the run lies."""

    place: int
    position: float
    side: int


@dataclass
class _Chosen:
    """Fibres of one channel, run by run, and the work that they cost."""

    fibres: list[int]
    cost: float


@dataclass
class Fitting:
    """Fibres, ports and joints that the links of one proposal take, one link after the other.

    Attributes
    ----------
    ground : Ground
    gone : set of (int, int)
        Fibres that are given away.
    """

    ground: Ground
    gone: set[Fibre] = field(default_factory=set)

    def __post_init__(self) -> None:
        network = self.ground.network
        self.graph, self.use = network.fibres, fibre_use_of(network)
        self.nodes = CableNodes(network.chains, network.passed)
        self._ends: dict[Fibre, dict[tuple[float, int], int]] = {}
        graph = self.graph
        for node, key in enumerate(
            zip(
                graph.cable.tolist(),
                graph.fibre.tolist(),
                graph.position.tolist(),
                graph.side.tolist(),
                strict=True,
            )
        ):
            self._ends.setdefault(key[:2], {})[key[2:]] = node
        self._ports: dict[int, set[str]] = {}
        for machine, port in zip(graph.port_of.tolist(), graph.port.tolist(), strict=True):
            self._ports.setdefault(machine, set()).add(str(port))
        self._taken_ports: set[int] = set()
        self._joints: dict[tuple[int, frozenset[int]], str] = {}
        self._avoided: set[int] = set()
        study, assets = self.ground.study, network.assets
        self._cables = study.tables["cables"]["id"].to_list()
        self._known = {str(name) for name in self.ground.names}
        joints = study.tables["joints"]
        self._at: dict[int, list[str]] = {}
        self._listed: dict[str, frozenset[str] | None] = {}
        for name, at, cell in zip(
            joints["id"].to_list(),
            assets.numbers(joints["at"]).tolist(),
            joints["cables"].to_list(),
            strict=True,
        ):
            cables = frozenset(cell.split(LIST_SEPARATOR)) if isinstance(cell, str) else None
            self._at.setdefault(at, []).append(str(name))
            self._listed[str(name)] = cables
        self._trays: dict[str, list[tuple[Fibre, Fibre, object]]] = {}
        number = {name: place for place, name in enumerate(self._cables)}
        splices = study.tables["splices"].dropna(subset=["a_fibre", "b_fibre"])
        for joint, tray, a, a_fibre, b, b_fibre in splices[
            ["joint", "tray", "a_cable", "a_fibre", "b_cable", "b_fibre"]
        ].itertuples(index=False, name=None):
            ends = (number.get(a, -1), int(a_fibre)), (number.get(b, -1), int(b_fibre))
            self._trays.setdefault(str(joint), []).append((*ends, tray))

    def fitted(
        self, paths: Mapping[K, ProposedPath], names: Mapping[K, str], fibres: int
    ) -> dict[K, ProposedPath] | str:
        """Choose the fibres of all new links of some paths.

        Parameters
        ----------
        paths : mapping of any to ProposedPath
        names : mapping of the same to str
            For each path, the id that a new link of it has, unless it is given already.
        fibres : int
            Of each link: 1, both directions on it, or 2.

        Returns
        -------
        dict of the same to ProposedPath, or str
            The same over fibres that can be joined, each new link with what is to be built; or
            why there are none, and then nothing is given away.
        """
        kept = {name: getattr(self, name) for name in _GIVEN}
        self.gone, self._taken_ports = set(self.gone), set(self._taken_ports)
        self._joints, self._known = dict(self._joints), set(self._known)
        self._listed = dict(self._listed)
        self._ports = {machine: set(known) for machine, known in self._ports.items()}
        found: dict[K, ProposedPath] = {}
        for key, path in paths.items():
            self._avoided = self._passed(
                [found.get(other, one) for other, one in paths.items() if other != key]
            )
            steps: list[int | NewLink] = []
            for step in path.steps:
                if isinstance(step, NewLink):
                    made = self._link(step, names[key], fibres)
                    if isinstance(made, str):
                        for name, value in kept.items():
                            setattr(self, name, value)
                        return made
                    steps.append(made)
                else:
                    steps.append(step)
            found[key] = ProposedPath(tuple(steps))
        return found

    def _passed(self, paths: Sequence[ProposedPath]) -> set[int]:
        """Equipment that paths pass between the ends of their links."""
        via = self.ground.study.tables["links"]["via"]
        assets = self.ground.network.assets
        links = [step for path in paths for step in path.steps if not isinstance(step, NewLink)]
        passed = set(assets.numbers(listed(via.iloc[links])[1]).tolist())
        made = [one.built for path in paths for one in path.new if one.built is not None]
        ends = {"terminations": ("equipment",), "patches": ("a", "b")}
        named = [row[end] for one in made for role, row in one.rows for end in ends.get(role, ())]
        return passed | set(assets.numbers(named).tolist())

    # --- Which fibres

    def _link(self, link: NewLink, name: str, fibres: int) -> NewLink | str:
        ends = [self._run_ends(run) for run in link.runs]
        chosen: list[list[int]] = []
        for _ in range(fibres):
            one = self._channel(link, ends)
            if isinstance(one, str):
                return one
            chosen.append(one)
            self.gone.update(
                (run.cable, number) for run, number in zip(link.runs, one, strict=True)
            )
            self._taken_ports.update(self._ports_of(link, ends, one))
        runs = tuple(
            replace(run, fibres=tuple(one[place] for one in chosen))
            for place, run in enumerate(link.runs)
        )
        return replace(
            link, runs=runs, built=self._built(link, ends, chosen, fresh_id(name, self._known))
        )

    def _run_ends(self, run: CableRun) -> tuple[_End, _End]:
        begin, stop = (
            self.nodes.positions(run.cable, place)[0] for place in (run.enter, run.leave)
        )
        onward = begin < stop
        return (
            _End(run.enter, begin, AFTER if onward else BEFORE),
            _End(run.leave, stop, BEFORE if onward else AFTER),
        )

    def _state(self, cable: int, number: int, end: _End) -> _State:
        """What is at one end of a run of a fibre."""
        node = self._node(cable, number, end)
        if node < 0:
            return _State("open" if self._at_end(cable, end) else "uncut", -1)
        graph = self.graph
        if graph.twice[node] or self.use.node[node] or graph.outer[node] > 1:
            return _BAD
        if not graph.outer[node]:
            # A new row at a place where the fibre is cut would replace the row that cuts it.
            return _State("open", -1) if self._at_end(cable, end) else _BAD
        half = int(graph.first[node])
        target = int(graph.target[half])
        if graph.twice[target] or self.use.node[target]:
            return _BAD
        if graph.kind[half] == SPLICE:
            return _State("spliced", target)
        if graph.kind[half] == TERMINATION:
            alone = int(graph.outer[target]) == 1 and not int(graph.inner[target])
            return _State("port", target) if alone and target not in self._taken_ports else _BAD
        return _BAD

    def _at_end(self, cable: int, end: _End) -> bool:
        return end.position in (0.0, float(self.nodes.length(cable)))

    def _spare(self, cable: int, end: _End, state: _State) -> bool:
        """Whether a splice may be opened: at the end of a cable, to a fibre that is spare too."""
        if state.is_ != "spliced" or not self._at_end(cable, end):
            return False
        other: Fibre = int(self.graph.cable[state.node]), int(self.graph.fibre[state.node])
        busy = other in self.gone or other in self.use.links or other in self.use.doubtful
        at = float(self.graph.position[state.node])
        stands = self._spliced_in(state) in self._at.get(end.place, ())
        return not busy and stands and at in (0.0, float(self.nodes.length(other[0])))

    def _spliced_in(self, state: _State) -> str:
        """The joint in which a fibre is spliced."""
        return str(self.ground.study.tables["splices"]["joint"].iloc[self._row(state)])

    def _row(self, state: _State) -> int:
        """The row of a splice."""
        return int(self.graph.row[self.graph.first[state.node]])

    def _node(self, cable: int, number: int, end: _End) -> int:
        return self._ends.get((cable, number), {}).get((end.position, end.side), -1)

    def _runs_through(self, cable: int, number: int, ends: tuple[_End, _End]) -> bool:
        """Whether a fibre leads from one end of a run to the other: uncut, or spliced to itself.

        A fibre that a record cuts on the way leads somewhere else, on one side at least.
        """
        low, high = sorted((ends[0].position, ends[1].position))
        cuts = {at for at, _ in self._ends.get((cable, number), {}) if low < at < high}
        return all(
            self._state(cable, number, _End(-1, at, BEFORE))
            == ("spliced", self._node(cable, number, _End(-1, at, AFTER)))
            for at in cuts
        )

    def _candidates(self, run: CableRun, ends: tuple[_End, _End]) -> list[int]:
        """Free fibres of a cable that lead from one end of a run to the other."""
        count = self.ground.study.tables["cables"]["fibre_count"].iloc[run.cable]
        several = 0 if np.isnan(count) else int(count)
        return [
            number
            for number in range(1, several + 1)
            if (run.cable, number) not in self.gone
            and (run.cable, number) not in self.use.links
            and (run.cable, number) not in self.use.doubtful
            and self._runs_through(run.cable, number, ends)
        ]

    def _channel(self, link: NewLink, ends: Sequence[tuple[_End, _End]]) -> list[int] | str:
        """Fibre of each run, by the fewest splices, ends and cords; or where there are none."""
        reached: dict[int, _Chosen] = {}
        for place, (run, own) in enumerate(zip(link.runs, ends, strict=True)):
            numbers = self._candidates(run, own)
            fresh: dict[int, _Chosen] = {}
            states = {number: self._state(run.cable, number, own[0]) for number in numbers}
            if place == 0:
                for number in numbers:
                    cost = self._on_port(states[number])
                    if cost < _NEVER:
                        fresh[number] = _Chosen([number], cost)
            else:
                fresh = self._onward(link, place, ends, reached, states)
            if not fresh:
                return self._none(link, place)
            reached = fresh
        final = {
            number: one.cost + self._on_port(self._state(link.runs[-1].cable, number, ends[-1][1]))
            for number, one in reached.items()
        }
        best = min(final, key=lambda number: (final[number], number))
        return reached[best].fibres if final[best] < _NEVER else self._none(link, len(ends))

    def _none(self, link: NewLink, place: int) -> str:
        cables = self._cables
        runs = link.runs
        where = f"{cables[runs[min(place, len(runs) - 1)].cable]}"
        if 0 < place < len(runs):
            at = self.ground.names[runs[place].enter]
            where = f"{cables[runs[place - 1].cable]} and {where} at {at}"
            return f"no free fibres of {where} can be joined, by the splices on record"
        return f"no free fibre of {where} can be brought to a port, by its ends on record"

    def _onward(
        self,
        link: NewLink,
        place: int,
        ends: Sequence[tuple[_End, _End]],
        reached: Mapping[int, _Chosen],
        states: Mapping[int, _State],
    ) -> dict[int, _Chosen]:
        """The cheapest way to each fibre of a run from those of the run before."""
        before, run = link.runs[place - 1], link.runs[place]
        patched = self._patched(before, run)
        left = {n: self._state(before.cable, n, ends[place - 1][1]) for n in reached}

        def cost(cable: int, end: _End, state: _State) -> float:
            if patched:
                return self._on_port(state)
            if self._spare(cable, end, state):
                return _OPENED
            return {"open": 0.0, "uncut": _CUT}.get(state.is_, _NEVER)

        near, far = ends[place - 1][1], ends[place][0]
        leaving = {n: one.cost + cost(before.cable, near, left[n]) for n, one in reached.items()}
        loose = min(reached, key=lambda n: (leaving[n], n))
        # Two splices that would have to be opened lie in two joints: one of two fibres only.
        whole = min(reached, key=lambda n: (left[n].is_ == "spliced", leaving[n], n))
        fresh: dict[int, _Chosen] = {}
        for number, state in states.items():
            mine = self._node(run.cable, number, far)
            if state.is_ == "spliced":
                source = next((n for n, one in left.items() if one == ("spliced", mine)), None)
                if source is not None:
                    was = reached[source]
                    fresh[number] = _Chosen([*was.fibres, number], was.cost)
                    continue
            source = whole if state.is_ == "spliced" else loose
            total = leaving[source] + cost(run.cable, far, state) + 1.0
            if total < _NEVER and {state.is_, left[source].is_} != {"spliced"}:
                fresh[number] = _Chosen([*reached[source].fibres, number], total)
        return fresh

    @staticmethod
    def _on_port(state: _State) -> float:
        return {"port": 0.0, "open": 1.0}.get(state.is_, _NEVER)

    def _patched(self, before: CableRun, after: CableRun) -> bool:
        """Whether two cables are joined by a cord, from panel to panel."""
        both = before.led_in[1] and after.led_in[0]
        return both and all(
            self._panel(run, end) >= 0 for run, end in ((before, True), (after, False))
        )

    # --- What is to be built

    def _panel(self, run: CableRun, last: bool) -> int:
        """Panel on which a cable ends at one end of a run; -1 where none is on record.

        Where none is on record of the cable, a panel of the site that no other path passes.
        """
        if run.panels:
            return run.panels[-1 if last else 0]
        place = run.leave if last else run.enter
        ground, graph = self.ground, self.graph
        at = self.nodes.positions(run.cable, place)[0]
        mine = np.flatnonzero((graph.cable == run.cable) & (graph.position == at))
        on = Counter(
            int(graph.port_of[graph.target[half] - graph.ends])
            for node in mine.tolist()
            for half in range(int(graph.first[node]), int(graph.first[node + 1]))
            if graph.kind[half] == TERMINATION
        )
        if on:
            return min(on, key=lambda one: (-on[one], one))
        stretches = ground.stretches
        sites = {
            *stretches.site_a[(stretches.cable == run.cable) & (stretches.a == place)].tolist(),
            *stretches.site_b[(stretches.cable == run.cable) & (stretches.b == place)].tolist(),
        } - {-1}
        equipment = ground.study.tables["equipment"]
        start = ground.network.assets.start["equipment"]
        panels = start + np.flatnonzero((equipment["kind"] == "panel").to_numpy())
        free = [
            one
            for one in panels.tolist()
            if ground.site_of[one] in sites and one not in self._avoided
        ]
        return min(free, default=-1)

    def _ports_of(
        self, link: NewLink, ends: Sequence[tuple[_End, _End]], one: Sequence[int]
    ) -> set[int]:
        """Ports on which the fibres of a channel end already."""
        return {
            state.node
            for run, own, number in zip(link.runs, ends, one, strict=True)
            for end in own
            if (state := self._state(run.cable, number, end)).is_ == "port"
        }

    def _new_port(self, machine: int) -> str:
        """A name for a port that is not on record yet: the number after the highest."""
        known = self._ports.setdefault(machine, set())
        highest = max((int(one) for one in known if one.isdecimal()), default=0)
        known.add(str(highest + 1))
        return str(highest + 1)

    def _joint(self, built: Built, place: int, cables: frozenset[int], opened: str | None) -> str:
        """The joint at a place in which two cables are joined.

        The one in which a splice is opened; else one that holds both cables, or may; else one that
        holds either, into which the other is led; else a new one.
        """
        names = frozenset(str(self._cables[one]) for one in cables)
        found = opened or self._joints.get((place, cables))
        if found is None:
            known = {joint: self._listed[joint] for joint in self._at.get(place, ())}
            fit = [joint for joint, given in known.items() if given is None or names <= given]
            fit = fit or [joint for joint, given in known.items() if given and names & given]
            both = Counter(
                joint
                for joint in fit
                for a, b, _ in self._trays.get(joint, ())
                if {a[0], b[0]} & cables
            )
            found = min(fit, key=lambda joint: (-both[joint], counted(joint)), default=None)
            if found is None:
                at = str(self.ground.names[place])
                found = fresh_id(f"J-{at}-new", self._known)
                self._listed[found] = names
                listed_names = LIST_SEPARATOR.join(sorted(names, key=counted))
                built.rows.append(("joints", {"id": found, "at": at, "cables": listed_names}))
                said = " and ".join(sorted(names, key=counted))
                built.steps.append(Step("joint", place, f"new joint {found} for {said}"))
            self._joints[place, cables] = found
        given = self._listed[found]
        if given is not None and not names <= given:
            self._led_into(built, place, found, given, names)
        return found

    def _led_into(
        self, built: Built, place: int, joint: str, given: frozenset[str], names: frozenset[str]
    ) -> None:
        """Lead a cable into a joint that did not hold it."""
        self._listed[joint] = given | names
        joints = self.ground.study.tables["joints"]
        mine = joints[joints["id"] == joint].iloc[0]
        row: Row = {
            str(name): value
            for name, value in mine.items()
            if not str(name).startswith("_") and not pd.isna(value)
        }
        row["cables"] = LIST_SEPARATOR.join(sorted(given | names, key=counted))
        built.rows.append(("joints", row))
        said = " and ".join(sorted(names - given, key=counted))
        built.steps.append(Step("joint", place, f"lead {said} into joint {joint}"))

    def _tray(self, joint: str, a: Fibre, b: Fibre) -> str | None:
        """The tray that holds the fibre next to one of two fibres of the same cables."""
        near = [
            (abs(one[1] - mine[1]), str(tray))
            for *several, tray in self._trays.get(joint, ())
            if isinstance(tray, str)
            for one in several
            for mine in (a, b)
            if one[0] == mine[0] and {end[0] for end in several} == {a[0], b[0]}
        ]
        return min(near)[1] if near else None

    def _built(
        self,
        link: NewLink,
        ends: Sequence[tuple[_End, _End]],
        chosen: Sequence[Sequence[int]],
        name: str,
    ) -> Built:
        built = Built(name)
        several = len(chosen) > 1
        a_ports = [f"{name}-{way}" for way in ("tx", "rx")] if several else [name]
        b_ports = a_ports[::-1] if several else [name]
        built.a_port, built.b_port = LIST_SEPARATOR.join(a_ports), LIST_SEPARATOR.join(b_ports)
        first = [self._ended(built, link.runs[0], ends[0][0], one[0], False) for one in chosen]
        self._cords(built, name, link.runs[0].enter, [(link.a, one) for one in a_ports], first)
        for place in range(len(link.runs) - 1):
            self._joined(built, name, link, ends, chosen, place)
        last = [self._ended(built, link.runs[-1], ends[-1][1], one[-1], True) for one in chosen]
        # A link on record has its ports at end b in the order in which go and return arrive.
        self._cords(built, name, link.runs[-1].leave, last, [(link.b, one) for one in b_ports])
        return built

    def _ended(
        self, built: Built, run: CableRun, end: _End, number: int, last: bool
    ) -> tuple[int, str] | None:
        """The port on which a fibre ends, with the work where it does not yet.

        None: no panel is on record; the fibre ends on the equipment itself.
        """
        state = self._state_of_chosen(run.cable, number, end)
        if state.is_ == "port":
            at = state.node - self.graph.ends
            return int(self.graph.port_of[at]), str(self.graph.port[at])
        panel = self._panel(run, last)
        if panel < 0:
            built.bare.append((run.cable, number, end.place, end.side))
            return None
        port = self._new_port(panel)
        self._end_row(built, run.cable, number, end, panel, port)
        return panel, port

    def _state_of_chosen(self, cable: int, number: int, end: _End) -> _State:
        """As `_state`, for a fibre whose port is taken by now for this very link."""
        taken, self._taken_ports = self._taken_ports, set()
        state = self._state(cable, number, end)
        self._taken_ports = taken
        return state

    def _end_row(
        self, built: Built, cable: int, number: int, end: _End, machine: int, port: str
    ) -> None:
        names = self.ground.names
        row: Row = {
            "cable": str(self._cables[cable]),
            "fibre": number,
            "equipment": str(names[machine]),
            "port": port,
        }
        built.rows.append(("terminations", row | self._side("side", cable, end)))
        text = f"end {self._cables[cable]} fibre {number} on port {port} of {names[machine]}"
        built.steps.append(Step("end", end.place, text))

    def _side(self, column: str, cable: int, end: _End) -> Row:
        """The side of a place, where the place alone does not say it."""
        length = float(self.nodes.length(cable))
        course = self.nodes.nodes(cable)
        loop = bool(course) and course[0][0] == course[-1][0]
        if end.position in (0.0, length) and not loop:
            return {}
        return {column: _SIDES[end.side]}

    def _joined(
        self,
        built: Built,
        name: str,
        link: NewLink,
        ends: Sequence[tuple[_End, _End]],
        chosen: Sequence[Sequence[int]],
        place: int,
    ) -> None:
        """Join two runs that follow each other: as they are, by a cord, or in a joint."""
        before, after = link.runs[place], link.runs[place + 1]
        near, far = ends[place][1], ends[place + 1][0]
        open_ = [
            one
            for one in chosen
            if self._state_of_chosen(before.cable, one[place], near)
            != ("spliced", self._node(after.cable, one[place + 1], far))
        ]
        if self._patched(before, after):
            sides = [
                [self._ended(built, before, near, one[place], True) for one in open_],
                [self._ended(built, after, far, one[place + 1], False) for one in open_],
            ]
            self._cords(built, name, before.leave, *sides)
            return
        for one in open_:
            self._splice_row(
                built, (before.cable, one[place]), near, (after.cable, one[place + 1]), far
            )

    def _splice_row(self, built: Built, a: Fibre, a_end: _End, b: Fibre, b_end: _End) -> None:
        names, graph = self._cables, self.graph
        states = [(fibre, self._state(*fibre, end)) for fibre, end in ((a, a_end), (b, b_end))]
        parted = [(fibre, state) for fibre, state in states if state.is_ == "spliced"]
        opened = self._spliced_in(parted[0][1]) if parted else None
        joint = self._joint(built, a_end.place, frozenset((a[0], b[0])), opened)
        tray = self._tray(joint, a, b)
        if parted:
            was = self.ground.study.tables["splices"]["tray"].iloc[self._row(parted[0][1])]
            tray = was if isinstance(was, str) else tray
        row: Row = {
            "joint": joint,
            "a_cable": str(names[a[0]]),
            "a_fibre": a[1],
            "b_cable": str(names[b[0]]),
            "b_fibre": b[1],
            **self._side("a_side", a[0], a_end),
            **self._side("b_side", b[0], b_end),
        }
        built.rows.append(("splices", row if tray is None else {**row, "tray": tray}))
        said = f", tray {tray}" if tray is not None else ""
        text = f"joint {joint}{said}: {names[a[0]]} fibre {a[1]} to {names[b[0]]} fibre {b[1]}"
        for (cable, number), state in states:
            if state.is_ == "uncut":
                text += f" ({names[cable]} fibre {number} goes through uncut: cut it there)"
            if state.is_ == "spliced":
                other = f"{names[int(graph.cable[state.node])]} fibre {graph.fibre[state.node]}"
                text += f" (part {names[cable]} fibre {number} from {other} first: both are spare)"
        built.steps.append(Step("splice", a_end.place, text))

    def _cords(
        self,
        built: Built,
        name: str,
        place: int,
        left: Sequence[tuple[int, str] | None],
        right: Sequence[tuple[int, str] | None],
    ) -> None:
        """Cords from ports to ports; those between the same two pieces of equipment are one."""
        names = self.ground.names
        pairs: dict[tuple[int, int], list[tuple[str, str]]] = {}
        for one, other in zip(left, right, strict=True):
            if one is None or other is None:
                known = one or other
                assert known is not None
                cable, number, at, side = built.bare.pop(0)
                where = self.nodes.positions(cable, at)[0]
                self._end_row(built, cable, number, _End(at, where, side), *known)
                continue
            pairs.setdefault((one[0], other[0]), []).append((one[1], other[1]))
        for (a, b), several in pairs.items():
            a_ports, b_ports = zip(*several, strict=True)
            row: Row = {
                "id": fresh_id(f"{name}-cord", self._known),
                "a": str(names[a]),
                "a_port": LIST_SEPARATOR.join(a_ports),
                "b": str(names[b]),
                "b_port": LIST_SEPARATOR.join(b_ports),
            }
            built.rows.append(("patches", row))
            text = f"cord from {_said(a_ports)} of {names[a]} to {_said(b_ports)} of {names[b]}"
            built.steps.append(Step("patch", place, text))


def _said(ports: Sequence[str]) -> str:
    return f"port{'s' if len(ports) > 1 else ''} {' and '.join(ports)}"
