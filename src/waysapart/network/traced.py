"""What the traces of links tell: cables and fibres, equipment and cords passed, splices, gaps.

The tables of a study are given what its traces find, so that links are tied, measured and judged
alike, whether their runs were traced or written down.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from waysapart.arrays import Ints, expand
from waysapart.gaps import Gap
from waysapart.network.assets import Assets, Holders, Place, listed, place_of, row_gap
from waysapart.network.chains import Chains
from waysapart.network.ends import Passing
from waysapart.network.links import BOTH, GO, RETURN, CableNodes
from waysapart.network.trace import (
    AFTER,
    BRANCH,
    CORD,
    DONE,
    INNER,
    LOOP,
    SPLICE,
    TERMINATION,
    TWICE,
    FibreGraph,
    Walks,
    fibre_graph,
    ports_of,
    walk,
)
from waysapart.schema import LIST_SEPARATOR
from waysapart.study.model import Study, Traced
from waysapart.text import few

PORT, FIBRE, STOP = "port", "fibre", "stop"
_EDGES = {SPLICE: "splice", TERMINATION: "end", CORD: "cord", INNER: "inner"}
_WAYS = {BOTH: None, GO: "go", RETURN: "return"}


def traced_study(
    study: Study, assets: Assets, chains: Chains, passed: Passing, holders: Holders
) -> Study:
    """Trace the links that give ports, and enter what is found in the tables of the study.

    Parameters
    ----------
    study : Study
    assets : Assets
    chains : Chains
    passed : Passing
    holders : callable
        From an asset number to the numbers of everything that it lies in.

    Returns
    -------
    Study
        Its `link_runs`, and `via`, `relies_on`, `connectors`, `loss_db`, `extra_delay_us` and
        `length_m` of its `links`, follow from the traces; `traced` keeps the tables as read and
        the steps of the traces; `gaps` has those of traces and of rows that cannot be taken. A
        study that was traced before, or that has nothing to trace, comes back as it is.
    """
    ports = study.tables["links"][["a_port", "b_port"]].notna().to_numpy().any()
    fed = ports or any(len(study.tables[role]) for role in _FED_BY)
    if study.traced is not None or not fed:
        return study
    graph = fibre_graph(study, assets, chains, passed, holders)
    return _Telling(study, assets, graph, CableNodes(chains, passed), holders).study()


_FED_BY = ("splices", "terminations", "patches")


@dataclass(frozen=True)
class _Trace:
    """One direction of one link: the nodes of its ports, and the way of its light."""

    link: int
    way: int
    start: int
    goal: int


@dataclass
class _Found:
    """What the traces of one link tell."""

    runs: dict[int, list[tuple[int, int, float, float]]]
    via: list[int]
    joints: list[int]
    cords: list[int]
    ports: int
    loss_db: float
    cord_m: float
    failed: bool


class _Telling:
    """Walks of all links of a study that give ports, and what follows from them."""

    def __init__(
        self,
        study: Study,
        assets: Assets,
        graph: FibreGraph,
        nodes: CableNodes,
        holders: Holders,
    ) -> None:
        self.read, self.assets, self.graph, self.nodes = study, assets, graph, nodes
        self._holders = holders
        links = study.tables["links"]
        self.ids = links["id"].to_numpy(dtype=object)
        self.ends = assets.numbers(links["a"]), assets.numbers(links["b"])
        self.gaps: list[Gap] = []
        self.traces = self._traces()
        starts, goals = (
            np.array([getattr(one, name) for one in self.traces], dtype=np.int64)
            for name in ("start", "goal")
        )
        self.walks = walk(graph, starts, goals)
        self.back = self._walked_back(goals, starts)
        self._at: dict[int, dict[float, int]] = {}
        self.steps = self._steps()

    def study(self) -> Study:
        """The study with what its traces tell."""
        found = self._by_link()
        tables, spliced = self._tables(found)
        used = self._used(found)
        self.gaps += self._of_rows(used)
        self.gaps += self._of_nodes(used)
        self.gaps += self._of_cords()
        self.gaps += self._of_stops()
        self.gaps += self._of_types()
        self.gaps += self._of_ports(found)
        kept = {name: self.read.tables[name] for name in tables}
        failed = frozenset(str(self.ids[link]) for link, one in found.items() if one.failed)
        whole = {str(self.ids[link]): one for link, one in found.items() if not one.failed}
        bare = frozenset(name for name, one in whole.items() if not any(one.runs.values()))
        traced = Traced(kept, self.steps, spliced, frozenset(whole), failed, bare)
        gaps = (*self.read.gaps, *self.gaps)
        return replace(self.read, tables={**self.read.tables, **tables}, gaps=gaps, traced=traced)

    @cached_property
    def _cables(self) -> list[str]:
        return [str(name) for name in self.read.tables["cables"]["id"].to_list()]

    @cached_property
    def _names(self) -> list[str]:
        return self.assets.ids(np.arange(len(self.assets)))

    @cached_property
    def _records(self) -> list[tuple[int, int]]:
        """Layer and row of each link."""
        links = self.read.tables["links"]
        columns = (links[name].astype(int).to_list() for name in ("_layer", "_row"))
        return list(zip(*columns, strict=True))

    # --- Walking

    def _traces(self) -> list[_Trace]:
        links = self.read.tables["links"]
        cells = [[ports_of(cell) for cell in links[f"{end}_port"].to_list()] for end in ("a", "b")]
        found: list[tuple[int, int, str, str]] = []
        for link, (ports, others) in enumerate(zip(*cells, strict=True)):
            if not ports and not others:
                continue
            if len(ports) != len(others) or len(ports) > 2:
                text = (
                    f"a_port names {len(ports)} ports and b_port {len(others)}: name one of each "
                    "end, or of each the two that send and receive, in the order go;return"
                )
                self.gaps.append(self._gap("ports-uneven", link, text, column="a_port"))
            ways = (BOTH,) if len(ports) == len(others) == 1 else (GO, RETURN)
            found += [(link, *one) for one in zip(ways, ports, others, strict=False)]
        number = np.array([one[0] for one in found], dtype=np.int64)
        starts, goals = (
            self.graph.ports(end[number], np.array([one[place] for one in found], dtype=object))
            for end, place in zip(self.ends, (2, 3), strict=True)
        )
        return [
            _Trace(one[0], one[1], start, goal)
            for one, start, goal in zip(found, starts.tolist(), goals.tolist(), strict=True)
        ]

    def _walked_back(self, starts: Ints, goals: Ints) -> tuple[Ints, Walks]:
        """The traces that fail, walked from their other end."""
        failed = np.flatnonzero(self.walks.status != DONE)
        return failed, walk(self.graph, starts[failed], goals[failed])

    # --- Steps

    def _steps(self) -> pd.DataFrame:
        """Every place and stretch of every trace, in order from a to b.

        `trace`, `link` (id), `way`, `is`; `asset` (number of the equipment, cord, cable or joint),
        `label` (port or tray), `fibre`, `begin` and `end` (positions on the cable, in the order of
        the trace), `row` and `loss_db` (as recorded).
        """
        graph = self.graph
        pieces: list[tuple[int, int, int, list[int]]] = [
            (number, 0, trace.start, self.walks.steps[number])
            for number, trace in enumerate(self.traces)
        ]
        mate = graph.mate.tolist()
        for number, stop, steps in zip(
            self.back[0].tolist(), self.back[1].stop.tolist(), self.back[1].steps, strict=True
        ):
            far = stop
            if steps and stop == graph.target[steps[-1]] and stop < graph.ends:
                far = -1  # it ends before that fibre
            pieces.append((number, 2, far, [mate[one] for one in reversed(steps)]))
        trace, phase, first = ([one[place] for one in pieces] for place in (0, 1, 2))
        halves = [many for *_, many in pieces]
        length = np.array([len(one) for one in halves], dtype=np.int64)
        half = np.array([one for many in halves for one in many], dtype=np.int64)
        owner = np.repeat(np.arange(len(pieces)), length)
        _, place = expand(np.zeros(len(pieces), dtype=np.int64), length)
        begins = np.array(first, dtype=np.int64)
        known = begins >= 0
        nodes = np.r_[begins[known], graph.target[half]]
        ended = self._ends_before(pieces, owner, place, length)
        frame = pd.concat(
            [
                self._edge_steps(half).assign(owner=owner, order=2 * place + 1),
                self._node_steps(nodes).assign(
                    owner=np.r_[np.flatnonzero(known), owner],
                    order=np.r_[np.zeros(known.sum(), dtype=np.int64), 2 * place + 2],
                )[np.r_[np.ones(known.sum(), dtype=bool), ~ended]],
                self._stop_steps(),
            ]
        )
        own = frame["owner"].to_numpy(dtype=np.int64)
        frame["trace"] = np.where(
            own < len(pieces),
            np.array([*trace, 0])[np.minimum(own, len(pieces))],
            own - len(pieces),
        )
        frame["phase"] = np.where(
            own < len(pieces), np.array([*phase, 0])[np.minimum(own, len(pieces))], 1
        )
        frame = frame.sort_values(["trace", "phase", "order"], kind="stable", ignore_index=True)
        of = frame["trace"].to_numpy(dtype=np.int64)
        links = np.array([one.link for one in self.traces], dtype=np.int64)
        ways = np.array([one.way for one in self.traces], dtype=np.int64)
        frame["link"], frame["way"] = self.ids[links[of]], ways[of]
        return frame.drop(columns=["owner", "order", "phase"])

    def _ends_before(
        self,
        pieces: Sequence[tuple[int, int, int, list[int]]],
        owner: Ints,
        place: Ints,
        length: Ints,
    ) -> np.ndarray:
        """Steps whose trace ends at the near end of a fibre, so that it does not run along it."""
        last = place == length[owner] - 1
        forward = np.array([phase == 0 for _, phase, _, _ in pieces], dtype=bool)[owner]
        trace = np.array([number for number, *_ in pieces], dtype=np.int64)[owner]
        half = np.array([one for *_, many in pieces for one in many], dtype=np.int64)
        stop = self.walks.stop[trace]
        at = self.graph.target[half]
        return np.asarray(last & forward & (stop == at) & (at < self.graph.ends))

    def _edge_steps(self, half: Ints) -> pd.DataFrame:
        """The splice, fibre end, cord or inner connection of half-edges."""
        graph, tables, start = self.graph, self.read.tables, self.assets.start
        kind, row = graph.kind[half], graph.row[half]
        asset = np.full(len(half), -1, dtype=np.int64)
        fibre = np.zeros(len(half), dtype=np.int64)
        loss = np.full(len(half), np.nan)
        label = np.full(len(half), None, dtype=object)
        spliced = kind == SPLICE
        if spliced.any():
            splices = tables["splices"]
            mine = row[spliced]
            asset[spliced] = self.assets.numbers(splices["joint"])[mine]
            loss[spliced] = splice_losses_db(splices)[mine]
            label[spliced] = splices["tray"].to_numpy(dtype=object)[mine]
        ended = kind == TERMINATION
        if ended.any():
            table = tables["terminations"]
            mine = row[ended]
            asset[ended] = self.assets.numbers(table["cable"])[mine]
            fibre[ended] = table["fibre"].to_numpy(dtype=np.float64)[mine].astype(np.int64)
            loss[ended] = table["loss_db"].to_numpy(dtype=np.float64)[mine]
        corded = kind >= CORD
        if corded.any():
            mine = row[corded]
            asset[corded] = start["patches"] + mine
            loss[corded] = tables["patches"]["loss_db"].to_numpy(dtype=np.float64)[mine]
        names = np.array([_EDGES[one] for one in range(4)], dtype=object)
        return pd.DataFrame(
            {
                "is": names[kind],
                "asset": asset,
                "label": label,
                "fibre": fibre,
                "begin": np.nan,
                "end": np.nan,
                "row": row,
                "loss_db": loss,
                "node": -1,
            }
        )

    def _node_steps(self, nodes: Ints) -> pd.DataFrame:
        """The port of a node, or the stretch of fibre from it to its other end."""
        graph = self.graph
        fibre = nodes < graph.ends
        near = np.where(fibre, nodes, 0)
        port = np.where(fibre, 0, nodes - graph.ends)
        none = np.full(len(nodes), -1, dtype=np.int64)
        cable, number, begin, end = none, none, none * np.nan, none * np.nan
        if graph.ends:
            cable = self.assets.start["cables"] + graph.cable[near]
            number = graph.fibre[near]
            begin, end = graph.position[near], graph.position[near ^ 1]
        machine, label = none, np.full(len(nodes), None, dtype=object)
        if len(graph.port):
            machine, label = graph.port_of[port], graph.port[port]
        return pd.DataFrame(
            {
                "is": np.where(fibre, FIBRE, PORT).astype(object),
                "asset": np.where(fibre, cable, machine),
                "label": np.where(fibre, np.array(None, dtype=object), label),
                "fibre": np.where(fibre, number, 0),
                "begin": np.where(fibre, begin, np.nan),
                "end": np.where(fibre, end, np.nan),
                "row": -1,
                "loss_db": np.nan,
                "node": nodes,
            }
        )

    def _stop_steps(self) -> pd.DataFrame:
        """Where traces stop, and why."""
        failed = self.back[0]
        extra = len(self.traces) + len(failed)
        texts = [self._why(int(number)) for number in failed.tolist()]
        return pd.DataFrame(
            {
                "is": np.full(len(failed), STOP, dtype=object),
                "asset": -1,
                "label": [text for _, text in texts],
                "fibre": 0,
                "begin": np.nan,
                "end": np.nan,
                "row": -1,
                "loss_db": np.nan,
                "node": self.walks.stop[failed],
                "code": [code for code, _ in texts],
                "owner": failed + extra,
                "order": 0,
            }
        )

    # --- Words

    def _why(self, number: int) -> tuple[str, str]:
        """Code and sentence of a trace that fails."""
        trace, status = self.traces[number], int(self.walks.status[number])
        stop = int(self.walks.stop[number])
        begin = self._port_named(trace, 0)
        crossed = self._crossed(number)
        if crossed:
            return "trace-crossed", (
                f"the trace from {begin} arrives at {self._node(stop)}, the other port of the "
                "link: go and return are crossed; correct the ports, or the record where they cross"
            )
        if stop < 0:
            return "trace-stops", f"nothing is on record that ends on {begin}: record its cord"
        where = self._node(stop)
        if status == TWICE:
            code = "end-twice" if stop < self.graph.ends else "port-twice"
            return code, f"the trace from {begin} stops at {where}: {self._double(stop)}"
        if status == LOOP:
            return "trace-loop", (
                f"the trace from {begin} goes round and comes back to {where}: correct one of the "
                "splices or cords on it"
            )
        if status == BRANCH:
            return "trace-stops", (
                f"the trace from {begin} reaches {where}, and none of the connections inside leads "
                f"on to {self._port_named(trace, 1)}"
            )
        if stop < self.graph.ends:
            return "trace-stops", (
                f"the trace from {begin} stops at {where}, which no splice and no panel takes on: "
                "record the splice or the termination"
            )
        return "trace-stops", (
            f"the trace from {begin} stops at {where}: nothing goes on from it; record the cord "
            "or the fibre that does"
        )

    def _port_named(self, trace: _Trace, end: int) -> str:
        machine = self.read.tables["links"]["ab"[end]].iloc[trace.link]
        ports = ports_of(self.read.tables["links"][f"{'ab'[end]}_port"].iloc[trace.link])
        name = ports[1 if trace.way == RETURN else 0]
        return f"port {name} of {machine}"

    def _crossed(self, number: int) -> bool:
        """Whether a trace arrives at the other port of its link."""
        trace, stop = self.traces[number], int(self.walks.stop[number])
        if trace.way == BOTH or stop < 0:
            return False
        return any(
            other.link == trace.link and other.way != trace.way and stop == other.goal
            for other in self.traces[max(number - 1, 0) : number + 2]
        )

    def _node(self, node: int) -> str:
        """A port, or the end of a fibre and where it is: joint, tray, cable, fibre."""
        graph = self.graph
        if node >= graph.ends:
            machine = self.assets.ids([graph.port_of[node - graph.ends]])[0]
            return f"port {graph.port[node - graph.ends]} of {machine}"
        cable = int(graph.cable[node])
        name = self.read.tables["cables"]["id"].iloc[cable]
        one = f"fibre {graph.fibre[node]} of cable {name}"
        place = self.node_at(cable, float(graph.position[node]))
        joints = self._joints_at(cable, place)
        if joints:
            trays = sorted({tray for _, tray in joints if tray is not None})
            in_tray = f", tray{'s' * (len(trays) > 1)} {few(trays, 3)}" if trays else ""
            return f"joint {few(sorted({joint for joint, _ in joints}), 3)}{in_tray}: {one}"
        side = "after" if graph.side[node] == AFTER else "before"
        at = self.assets.ids([place])[0] if place >= 0 else "an end of the cable that is not known"
        ends = {0.0, float(self.nodes.length(cable)) or 1.0}
        cut = "" if graph.position[node] in ends else f" ({side} it along the cable)"
        return f"{at}{cut}: {one}"

    def _joints_at(self, cable: int, place: int) -> list[tuple[str, str | None]]:
        """Joints at a place in which a cable is spliced, with the trays of its splices."""
        if place < 0:
            return []
        return [
            (joint, tray)
            for joint, tray, at in self._spliced.get(cable, ())
            if at == place or at in self._holders(place) or place in self._holders(at)
        ]

    @cached_property
    def _spliced(self) -> dict[int, list[tuple[str, str | None, int]]]:
        """By cable, the joints in which it is spliced: joint, tray, place."""
        table, joints = self.read.tables["splices"], self.read.tables["joints"]
        places = dict(zip(joints["id"], self.assets.numbers(joints["at"]).tolist(), strict=True))
        found: dict[int, dict[tuple[str, str | None, int], None]] = {}
        trays = [tray if isinstance(tray, str) else None for tray in table["tray"].to_list()]
        for name in ("a_cable", "b_cable"):
            cables = (self.assets.numbers(table[name]) - self.assets.start["cables"]).tolist()
            for cable, joint, tray in zip(cables, table["joint"].to_list(), trays, strict=True):
                if isinstance(joint, str) and joint in places:
                    found.setdefault(cable, {})[joint, tray, places[joint]] = None
        return {cable: list(several) for cable, several in found.items()}

    def _double(self, node: int) -> str:
        """Which rows join a node twice."""
        graph = self.graph
        halves = range(int(graph.first[node]), int(graph.first[node + 1]))
        said = []
        for half in halves:
            kind, row = int(graph.kind[half]), int(graph.row[half])
            role = {SPLICE: "splices", TERMINATION: "terminations"}.get(kind, "patches")
            table = self.read.tables[role]
            place = place_of(self.read, table, row)
            name = f" ({table['id'].iloc[row]})" if role == "patches" else ""
            said.append(f"{place['layer'] or role} row {place['row']}{name}")
        return f"it is joined by {few(said, 6)}; correct all but one"

    def node_at(self, cable: int, position: float) -> int:
        """Asset number of the structure or site at a position of a cable; -1: not known."""
        if cable not in self._at:
            found: dict[float, int] = {}
            for node, at in self.nodes.nodes(cable):
                if node >= 0 or at not in found:
                    found[at] = node
            self._at[cable] = found
        return self._at[cable].get(position, -1)

    # --- What follows

    def _by_link(self) -> dict[int, _Found]:
        """Runs, equipment, joints and cords of each traced link."""
        found: dict[int, _Found] = {}
        steps = self.steps
        columns = [
            steps[name].to_list()
            for name in ("trace", "is", "asset", "fibre", "begin", "end", "loss_db")
        ]
        default_m = self.read.rules.defaults.cord_m
        length = self.read.tables["patches"]["length_m"].fillna(default_m).to_list()
        at, total = 0, len(steps)
        losses: dict[int, float] = {}
        for number, trace in enumerate(self.traces):
            one = found.setdefault(trace.link, _Found({}, [], [], [], 0, 0.0, 0.0, failed=False))
            one.failed |= bool(self.walks.status[number] != DONE)
            runs: list[tuple[int, int, float, float]] = []
            ports: list[int] = []
            loss = cord_m = 0.0
            while at < total and columns[0][at] == number:
                what, asset, loss_db = columns[1][at], columns[2][at], columns[6][at]
                if what == PORT:
                    ports.append(asset)
                elif what == FIBRE:
                    cable, fibre = asset - self.assets.start["cables"], columns[3][at]
                    begin, end = columns[4][at], columns[5][at]
                    before = runs[-1] if runs else None
                    onward = before and (before[3] > before[2]) == (end > begin)
                    if before and onward and before[:2] == (cable, fibre) and before[3] == begin:
                        runs[-1] = (cable, fibre, before[2], end)
                    else:
                        runs.append((cable, fibre, begin, end))
                elif what == "splice":
                    one.joints.append(asset)
                elif what == "cord":
                    one.cords.append(asset)
                    cord_m += length[asset - self.assets.start["patches"]]
                if what in ("cord", "inner", "end") and not np.isnan(loss_db):
                    loss += loss_db
                at += 1
            one.runs[trace.way] = runs
            own = {int(end[trace.link]) for end in self.ends}
            one.via += [machine for machine in ports if machine not in own]
            one.ports = max(one.ports, len(ports) - 2)
            losses[trace.link] = max(losses.get(trace.link, 0.0), loss)
            one.cord_m = max(one.cord_m, cord_m)
        for link, one in found.items():
            one.loss_db = losses[link]
            one.failed |= len(one.runs) < len(self._wanted(link))
            for name in ("via", "joints", "cords"):
                setattr(one, name, list(dict.fromkeys(getattr(one, name))))
        for link in self._uneven():
            found.setdefault(link, _Found({}, [], [], [], 0, 0.0, 0.0, failed=True)).failed = True
        return found

    def _wanted(self, link: int) -> set[int]:
        ports = ports_of(self.read.tables["links"]["a_port"].iloc[link])
        return {GO, RETURN} if len(ports) > 1 else {BOTH}

    def _uneven(self) -> set[int]:
        names = {gap.asset for gap in self.gaps if gap.code == "ports-uneven"}
        return {number for number, name in enumerate(self.ids) if name in names}

    def _tables(self, found: Mapping[int, _Found]) -> tuple[dict[str, pd.DataFrame], pd.DataFrame]:
        """Links and link_runs with what the traces tell, and the splices that traces pass."""
        links, written = self.read.tables["links"], self.read.tables["link_runs"]
        number = {name: place for place, name in enumerate(self.ids)}
        by_link: dict[int, list[int]] = {}
        for row, name in enumerate(written["link"].to_list()):
            if name in number and number[name] in found:
                by_link.setdefault(number[name], []).append(row)
        derived: list[dict[str, object]] = []
        dropped: list[int] = []
        also: dict[int, list[str]] = {}
        for link, one in found.items():
            rows = self._rows(link, one)
            mine = by_link.get(link, [])
            if not mine:
                derived += rows
                continue
            cables = {str(row["cable"]) for row in rows}
            others = {str(name) for name in written["cable"].iloc[mine].dropna()}
            if one.failed:
                also[link] = sorted(cables - others)
                continue
            dropped += mine
            derived += rows
            said = self._differ(rows, written.iloc[mine].to_dict("records"))
            if said:
                also[link] = sorted(others - cables)
                self.gaps.append(self._gap("runs-differ", link, said, column="a_port"))
        runs = written.drop(index=written.index[dropped])
        if derived:
            fresh = pd.DataFrame(derived).reindex(columns=written.columns)
            fresh = fresh.astype(dict(written.dtypes.items()))
            runs = pd.concat([runs, fresh], ignore_index=True) if len(runs) else fresh
        kept = [str(self.ids[link]) for link, one in found.items() if not one.failed]
        spliced = self._splices_passed(found)
        spliced = spliced[spliced["link"].isin(kept)].reset_index(drop=True)
        return (
            {"links": self._links(links, found, also), "link_runs": runs.reset_index(drop=True)},
            spliced,
        )

    def _rows(self, link: int, one: _Found) -> list[dict[str, object]]:
        """Rows of link_runs of one traced link."""
        ways = one.runs
        if BOTH in ways:
            courses = {BOTH: [(run, [run[1]]) for run in ways[BOTH]]}
        else:
            go, back = ways.get(GO, []), ways.get(RETURN, [])
            together = [(a[0], a[2], a[3]) for a in go] == [(b[0], b[2], b[3]) for b in back]
            courses = (
                {BOTH: [(a, [a[1], b[1]]) for a, b in zip(go, back, strict=True)]}
                if together
                else {way: [(run, [run[1]]) for run in runs] for way, runs in ways.items()}
            )
        layer, row = self._records[link]
        rows: list[dict[str, object]] = []
        for way, course in courses.items():
            for seq, ((cable, _, begin, end), fibres) in enumerate(course, start=1):
                nodes = [self.node_at(cable, begin), self.node_at(cable, end)]
                names = [self._names[node] if node >= 0 else np.nan for node in nodes]
                rows.append(
                    {
                        "link": self.ids[link],
                        "seq": float(seq),
                        "cable": self._cables[cable],
                        "fibres": LIST_SEPARATOR.join(str(one) for one in fibres),
                        "direction": _WAYS[way] or np.nan,
                        "from": names[0],
                        "to": names[1],
                        "_layer": layer,
                        "_row": row,
                    }
                )
        return rows

    def _differ(
        self, traced: Sequence[Mapping[str, object]], written: Sequence[Mapping[object, object]]
    ) -> str:
        """How written runs differ from traced ones; empty where they do not."""
        for way in ("go", "return"):
            mine = [
                row
                for row in traced
                if row["direction"] == way or row["direction"] != row["direction"]
            ]
            other = sorted(
                (
                    row
                    for row in written
                    if not isinstance(row["direction"], str) or row["direction"] == way
                ),
                key=lambda row: float(str(row["seq"])),
            )
            if not _alike(mine, other, way):
                courses = [
                    ", ".join(_said_run(row) for row in rows) or "no cable"
                    for rows in (mine, other)
                ]
                return (
                    f"its splices lead over {courses[0]}, its link_runs over {courses[1]}; both "
                    "are taken to carry it until one of the two is corrected"
                )
        return ""

    def _links(
        self, links: pd.DataFrame, found: Mapping[int, _Found], also: Mapping[int, Sequence[str]]
    ) -> pd.DataFrame:
        """The table of links with what their traces tell."""
        cells: dict[str, list[object]] = {
            name: links[name].to_list()
            for name in ("via", "relies_on", "connectors", "loss_db", "extra_delay_us", "length_m")
        }
        us = self.read.rules.defaults.cord_us_per_m
        stated_in: dict[tuple[str, int], list[str]] = {}
        for name in ("via", "relies_on"):
            for row, value in zip(*listed(links[name]), strict=True):
                stated_in.setdefault((name, int(row)), []).append(value)
        known = {name: list(cells[name]) for name in ("loss_db", "extra_delay_us", "length_m")}
        for link, one in found.items():
            for name, assets in (("via", one.via), ("relies_on", [*one.cords, *one.joints])):
                stated = stated_in.get((name, link), [])
                more_ = also.get(link, ()) if name != "via" else ()
                new = [*(self._names[asset] for asset in assets), *more_]
                order = [*new, *stated] if name == "via" else [*stated, *new]
                if new:
                    cells[name][link] = LIST_SEPARATOR.join(dict.fromkeys(order))
            for name, more in (("loss_db", one.loss_db), ("extra_delay_us", us * one.cord_m)):
                if more:
                    before = float(known[name][link])  # type: ignore[arg-type]
                    cells[name][link] = more + (0.0 if np.isnan(before) else before)
            if one.failed:
                continue
            cells["connectors"][link] = float(max(one.ports, 0))
            if not any(one.runs.values()) and np.isnan(float(known["length_m"][link])):  # type: ignore[arg-type]
                cells["length_m"][link] = 0.0
        columns = {
            name: pd.Series(values, index=links.index, dtype=links[name].dtype)
            for name, values in cells.items()
        }
        return links.assign(**columns)

    def _splices_passed(self, found: Mapping[int, _Found]) -> pd.DataFrame:
        """Splices of traces: `link`, `way`, `joint` (ids), `loss_db`, and where in the link.

        `run` is the number of the run within which it lies, counted from 0; -1: between two.
        """
        steps = self.steps[self.steps["is"].isin([FIBRE, "splice"])]
        trace = steps["trace"].to_numpy(dtype=np.int64)
        what = (steps["is"] == FIBRE).to_numpy()
        key = [steps[name].to_numpy() for name in ("asset", "fibre")]
        begin, end = (steps[name].to_numpy(dtype=np.float64) for name in ("begin", "end"))
        before = np.flatnonzero(~what)
        before = before[(before > 0) & (before < len(trace) - 1)]
        inner = what[before - 1] & what[before + 1] & (trace[before - 1] == trace[before + 1])
        for one in key:
            inner &= one[before - 1] == one[before + 1]
        inner &= end[before - 1] == begin[before + 1]
        # Runs begin at each fibre step that does not continue the run before it.
        fibre = np.flatnonzero(what)
        joined = np.zeros(len(fibre), dtype=bool)
        same = trace[fibre[1:]] == trace[fibre[:-1]]
        goes_on = same & (end[fibre[:-1]] == begin[fibre[1:]])
        for one in key:
            goes_on &= one[fibre[1:]] == one[fibre[:-1]]
        joined[1:] = goes_on
        fresh = (~joined).astype(np.int64)
        upto = np.cumsum(fresh)
        base = np.zeros(len(self.traces) + 1, dtype=np.int64)
        first = np.unique(trace[fibre], return_index=True)
        base[first[0]] = upto[first[1]]
        run = np.full(len(trace), -1, dtype=np.int64)
        run[fibre] = upto - base[trace[fibre]]
        number = np.full(len(trace), -1, dtype=np.int64)
        number[before[inner]] = run[before[inner] - 1]
        spliced = np.flatnonzero(~what)
        ways = np.array([one.way for one in self.traces], dtype=np.int64)
        links = np.array([one.link for one in self.traces], dtype=np.int64)
        joint = steps["asset"].to_numpy(dtype=np.int64)[spliced]
        ids = np.array(self.assets.ids(joint), dtype=object)
        return pd.DataFrame(
            {
                "link": self.ids[links[trace[spliced]]],
                "way": ways[trace[spliced]],
                "joint": ids,
                "loss_db": steps["loss_db"].to_numpy(dtype=np.float64)[spliced],
                "run": number[spliced],
            }
        )

    # --- Gaps

    def _gap(self, code: str, link: int, text: str, **details: object) -> Gap:
        return row_gap(self.read, code, "links", link, text, **details)  # type: ignore[arg-type]

    def _used(self, found: Mapping[int, _Found]) -> dict[tuple[int, int], set[str]]:
        """Links that use each fibre, by what was traced and what was written."""
        used: dict[tuple[int, int], set[str]] = {}
        for link, one in found.items():
            for runs in one.runs.values():
                for cable, fibre, *_ in runs:
                    used.setdefault((cable, fibre), set()).add(str(self.ids[link]))
        written = self.read.tables["link_runs"]
        row, fibre_of = listed(written["fibres"])
        cable_of = (self.assets.numbers(written["cable"]) - self.assets.start["cables"])[row]
        names = written["link"].to_numpy(dtype=object)[row]
        for cable, number, name in zip(cable_of.tolist(), fibre_of.to_list(), names, strict=True):
            if isinstance(name, str):
                used.setdefault((cable, int(float(number))), set()).add(name)
        return used

    def _of_rows(self, used: Mapping[tuple[int, int], set[str]]) -> Iterator[Gap]:
        """Rows of splices and terminations that cannot be taken as they stand."""
        for fault in self.graph.faults:
            table = self.read.tables[fault.role]
            name = str(table["joint" if fault.role == "splices" else "equipment"].iloc[fault.row])
            place = place_of(self.read, table, fault.row)
            links = sorted(set().union(*(used.get(one, set()) for one in fault.fibres)))
            yield Gap(
                fault.code, fault.text, name, links=tuple(links), column=fault.column, **place
            )

    def _of_nodes(self, used: Mapping[tuple[int, int], set[str]]) -> Iterator[Gap]:
        """Fibre ends and ports on which more ends than there is room for."""
        graph = self.graph
        stopped: dict[int, set[str]] = {}
        for walks, numbers in (
            (self.walks, range(len(self.traces))),
            (self.back[1], self.back[0].tolist()),
        ):
            for number, status, stop in zip(
                numbers, walks.status.tolist(), walks.stop.tolist(), strict=True
            ):
                if status == TWICE:
                    stopped.setdefault(stop, set()).add(str(self.ids[self.traces[number].link]))
        nodes = set(np.flatnonzero(graph.twice).tolist()) | set(stopped)
        for node in sorted(nodes):
            links = set(stopped.get(node, ()))
            halves = range(int(graph.first[node]), int(graph.first[node + 1]))
            for half in halves:
                for end in (node, int(graph.target[half])):
                    if end < graph.ends:
                        links |= used.get((int(graph.cable[end]), int(graph.fibre[end])), set())
            half = halves[-1] if halves else -1
            place = self._row_of(half)
            code = "end-twice" if node < graph.ends else "port-twice"
            text = f"{self._node(node)} has more than one end on it: {self._double(node)}"
            yield Gap(code, text, self._about(node), links=tuple(sorted(links)), **place)

    def _about(self, node: int) -> str:
        graph = self.graph
        if node < graph.ends:
            return str(self.read.tables["cables"]["id"].iloc[int(graph.cable[node])])
        return self.assets.ids([graph.port_of[node - graph.ends]])[0]

    def _row_of(self, half: int) -> Place:
        if half < 0:
            return Place(file=None, layer=None, row=None)
        kind, row = int(self.graph.kind[half]), int(self.graph.row[half])
        role = {SPLICE: "splices", TERMINATION: "terminations"}.get(kind, "patches")
        return place_of(self.read, self.read.tables[role], row)

    def _of_cords(self) -> Iterator[Gap]:
        """Cords between two sites, with unequal ports, or that lead to nothing."""
        patches, equipment = self.read.tables["patches"], self.read.tables["equipment"]
        if not len(patches):
            return
        site = equipment.set_index("id")["site"].to_dict()
        kind = equipment.set_index("id")["kind"].to_dict()
        corded = self.steps[self.steps["is"] == "cord"]
        users: dict[int, set[str]] = {}
        pairs = zip(corded["asset"].to_list(), corded["trace"].to_list(), strict=True)
        for asset, trace in pairs:
            users.setdefault(asset - self.assets.start["patches"], set()).add(
                str(self.ids[self.traces[trace].link])
            )
        passive = set(self.read.rules.records.passive)
        named, alone = self._named_ports(), self._alone()
        columns = [patches[name].to_list() for name in ("a", "a_port", "b", "b_port")]
        for row, (a, a_ports, b, b_ports) in enumerate(zip(*columns, strict=True)):
            ends = [(a, ports_of(a_ports)), (b, ports_of(b_ports))]
            links = tuple(sorted(users.get(row, ())))
            sites = {one for one in (site.get(a), site.get(b)) if isinstance(one, str)}
            if len(sites) == 2:
                text = (
                    f"joins {a} on site {site.get(a)} and {b} on site {site.get(b)}: a cord stays "
                    "on one site; correct its ends, or record the cable that leads from one to the "
                    "other"
                )
                yield row_gap(
                    self.read, "cord-between-sites", "patches", row, text, joined=" ", links=links
                )
            if len(ends[0][1]) != len(ends[1][1]):
                text = (
                    f"names {len(ends[0][1])} ports of {a} and {len(ends[1][1])} of {b}: name as "
                    "many of each"
                )
                yield row_gap(
                    self.read,
                    "ports-uneven",
                    "patches",
                    row,
                    text,
                    joined=" ",
                    links=links,
                    column="a_port",
                )
            loose = [
                f"port {port} of {machine}"
                for machine, ports in ends
                if kind.get(machine) in passive
                for port in ports
                if (machine, port) not in named and (machine, port) in alone
            ]
            if loose and a != b and a in site and b in site:
                text = f"leads to {few(loose, 4)}, on which nothing else ends: record what does"
                yield row_gap(
                    self.read, "cord-to-nothing", "patches", row, text, joined=" ", links=links
                )

    def _named_ports(self) -> set[tuple[str, str]]:
        links = self.read.tables["links"]
        return {
            (machine, port)
            for end in ("a", "b")
            for machine, cell in zip(
                links[end].to_list(), links[f"{end}_port"].to_list(), strict=True
            )
            for port in ports_of(cell)
        }

    def _alone(self) -> set[tuple[str, str]]:
        """Ports on which one thing ends and nothing goes on."""
        graph = self.graph
        once = np.flatnonzero(np.diff(graph.first)[graph.ends :] == 1)
        names = (self._names[one] for one in graph.port_of[once].tolist())
        return set(zip(names, graph.port[once].tolist(), strict=True))

    def _of_stops(self) -> Iterator[Gap]:
        """Traces that stop, go round, or arrive at the wrong port."""
        stops = self.steps[self.steps["is"] == STOP]
        told: set[tuple[int, str]] = set()
        for trace, code, text in zip(
            stops["trace"].to_list(), stops["code"].to_list(), stops["label"].to_list(), strict=True
        ):
            link = self.traces[trace].link
            if code in ("end-twice", "port-twice"):
                continue
            if code == "trace-crossed" and (link, code) in told:
                continue
            told.add((link, code))
            yield self._gap(code, link, text)

    def _of_types(self) -> Iterator[Gap]:
        """Splices and cords between fibres of two types, whose loss nobody recorded."""
        steps = self.steps
        types = self.read.tables["cables"]["fibre_type"].to_list()
        cord_types = self.read.tables["patches"]["fibre_type"].to_list()
        start = self.assets.start
        rows = zip(
            *(steps[name].to_list() for name in ("trace", "is", "asset", "loss_db")), strict=True
        )
        last: tuple[int, str, int, bool] | None = None
        splice: tuple[int, float] | None = None
        told: set[tuple[int, str]] = set()
        for trace, what, asset, loss_db in rows:
            if (last and last[0] != trace) or what == STOP:
                last = splice = None
            if what == "splice":
                splice = asset, loss_db
            if what not in (FIBRE, "cord"):
                continue
            cord = what == "cord"
            kind = cord_types[asset - start["patches"]] if cord else types[asset - start["cables"]]
            known = cord and not np.isnan(loss_db)
            if last and isinstance(kind, str) and last[1] != kind:
                lossy = last[3] or known or (splice is not None and not np.isnan(splice[1]))
                at = splice[0] if splice else asset if cord else last[2]
                link, place = self.traces[trace].link, self.assets.ids([at])[0]
                if not lossy and (link, place) not in told:
                    told.add((link, place))
                    text = (
                        f"at {place} fibre of type {last[1]} goes on as fibre of type {kind}, and "
                        "no loss is on record for it: record the loss, or correct one of the types"
                    )
                    yield self._gap("splice-types", link, text)
            if isinstance(kind, str):
                last = trace, kind, asset, known
            elif not cord:
                last = None
            elif last:
                last = (*last[:3], last[3] or known)
            splice = None

    def _of_ports(self, found: Mapping[int, _Found]) -> Iterator[Gap]:
        """Two links that name one port, of which neither passes a cable that would show it."""
        links = self.read.tables["links"]
        said = links[["wavelength_nm", "channel"]].astype(object)
        said = said.where(said.notna(), None)
        terms = list(zip(said["wavelength_nm"].to_list(), said["channel"].to_list(), strict=True))
        users: dict[tuple[object, ...], set[int]] = {}
        for end in ("a", "b"):
            cells = zip(links[end].to_list(), links[f"{end}_port"].to_list(), strict=True)
            for link, (machine, cell) in enumerate(cells):
                item = found.get(link)
                if item is not None and any(item.runs.values()):
                    continue
                for port in ports_of(cell):
                    users.setdefault((machine, port, *terms[link]), set()).add(link)
        for (machine, named, *_), several in users.items():
            for one, other in pairwise(sorted(several, key=lambda link: str(self.ids[link]))):
                text = (
                    f"uses port {named} of {machine}, as link {self.ids[other]} does: correct "
                    "the port, or the wavelength_nm or channel of one of them"
                )
                names = (str(self.ids[one]), str(self.ids[other]))
                yield self._gap("port-shared", one, text, joined=" ", links=names, column="a_port")


def trace_steps(
    study: Study, assets: Assets, nodes: CableNodes, link: str | None = None
) -> dict[str, dict[str, list[dict[str, Any]]]]:
    """Say what each link is traced over, step by step from its end a.

    Parameters
    ----------
    study : Study
        Traced.
    assets : Assets
    nodes : CableNodes
    link : str, optional
        Id of one link; default: all.

    Returns
    -------
    dict
        By link, `go` and, where it has ports of its own, `return`: a list of steps. `is` says
        what a step is: `port` (`at`, `port`), `cord` (`id`, `loss_db`), `inner` (`id`: a
        connection inside equipment), `end` (`cable`, `fibre`, `loss_db`: a fibre ends on a
        port), `fibre` (`cable`, `fibre`, `from`, `to`), `splice` (`joint`, `tray`, `loss_db` as
        recorded in its row), `stop` (`code`, `text`: where the trace fails; what follows was
        traced from end b).
    """
    if study.traced is None:
        return {}
    steps = study.traced.steps
    if link is not None:
        steps = steps[steps["link"] == link]
    names, start = assets.ids(np.arange(len(assets))), assets.start["cables"]
    at: dict[int, dict[float, str]] = {}

    def place(cable: int, position: float) -> str | None:
        if cable not in at:
            known = [(node, where) for node, where in nodes.nodes(cable - start) if node >= 0]
            at[cable] = {where: names[node] for node, where in reversed(known)}
        return at[cable].get(position)

    found: dict[str, dict[str, list[dict[str, Any]]]] = {}
    for row in steps.itertuples(index=False, name=None):
        step = dict(zip(steps.columns, row, strict=True))
        what, asset = step["is"], step["asset"]
        name = names[asset] if asset >= 0 else None
        loss = None if np.isnan(step["loss_db"]) else step["loss_db"]
        told: dict[str, Any] = {"is": what}
        if what == PORT:
            told |= {"at": name, "port": step["label"]}
        elif what == FIBRE:
            told |= {"cable": name, "fibre": int(step["fibre"])}
            told |= {"from": place(asset, step["begin"]), "to": place(asset, step["end"])}
        elif what == "end":
            told |= {"cable": name, "fibre": int(step["fibre"]), "loss_db": loss}
        elif what == "splice":
            tray = step["label"] if isinstance(step["label"], str) else None
            told |= {"joint": name, "tray": tray, "loss_db": loss}
        elif what == STOP:
            told |= {"code": step["code"], "text": step["label"]}
        else:
            told |= {"id": name} | ({"loss_db": loss} if what == "cord" else {})
        ways = found.setdefault(str(step["link"]), {})
        ways.setdefault("return" if step["way"] == RETURN else "go", []).append(told)
    return found


def splice_losses_db(splices: pd.DataFrame) -> np.ndarray:
    """Loss of each splice by its row: the mean of both directions.

    Parameters
    ----------
    splices : DataFrame

    Returns
    -------
    ndarray of float, shape (rows,)
        dB; `loss_db`, else the mean of `loss_ab_db` and `loss_ba_db`, else the one of the two that
        is there; NaN where none is. The mean of two directions cancels what differences of
        the two fibres add in one direction and take away in the other (common practice, no
        source).
    """
    ways = splices[["loss_ab_db", "loss_ba_db"]].to_numpy(dtype=np.float64)
    known = ~np.isnan(ways)
    with np.errstate(invalid="ignore"):
        mean = np.where(known, ways, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    mean = np.where(known.any(axis=1), mean, np.nan)
    own = splices["loss_db"].to_numpy(dtype=np.float64)
    return np.asarray(np.where(np.isnan(own), mean, own), dtype=np.float64)


def _alike(
    traced: Sequence[Mapping[str, object]], written: Sequence[Mapping[object, object]], way: str
) -> bool:
    """Whether written runs say the same as traced ones, from either end."""
    return any(
        len(traced) == len(rows)
        and all(_same_run(one, other, way, turned) for one, other in zip(traced, rows, strict=True))
        for turned, rows in ((False, written), (True, written[::-1]))
    )


def _same_run(
    traced: Mapping[str, object], written: Mapping[object, object], way: str, turned: bool
) -> bool:
    if traced["cable"] != written["cable"]:
        return False
    numbers = str(traced["fibres"]).split(LIST_SEPARATOR)
    both = not isinstance(traced["direction"], str)
    if isinstance(written["fibres"], str):
        said = set(written["fibres"].split(LIST_SEPARATOR))
        whole = not isinstance(written["direction"], str)
        fibres = {numbers[0 if way == "go" else -1]} if both and not whole else set(numbers)
        if said != fibres and not (whole and not both and fibres <= said):
            return False
    ends = ("to", "from") if turned else ("from", "to")
    return all(
        not isinstance(written[name], str)
        or not isinstance(traced[own], str)
        or written[name] == traced[own]
        for name, own in zip(ends, ("from", "to"), strict=True)
    )


def _said_run(row: Mapping[object, object] | Mapping[str, object]) -> str:
    fibres = row["fibres"]
    said = f" fibre {fibres}" if isinstance(fibres, str) else ""
    return f"{row['cable']}{said}"
