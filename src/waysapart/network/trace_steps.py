"""Walk all links of a study that give ports, and say step by step what each of them passes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from waysapart.arrays import Ints, expand
from waysapart.gaps import Gap
from waysapart.network.assets import Assets, Holders, place_of, row_gap
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
    ports_of,
    walk,
)
from waysapart.study.model import Study
from waysapart.text import few

PORT, FIBRE, STOP = "port", "fibre", "stop"
_EDGES = {SPLICE: "splice", TERMINATION: "end", CORD: "cord", INNER: "inner"}


@dataclass(frozen=True)
class Trace:
    """One direction of one link: the nodes of its ports, and the way of its light."""

    link: int
    way: int
    start: int
    goal: int


@dataclass
class SplicePassed:
    """A splice that a trace passes.

    Attributes
    ----------
    way : int
    joint : int
        Asset number.
    loss_db : float
        As recorded in its row; NaN where it is not.
    run : int
        Number of the run within which it lies, counted from 0; -1: between two.
    """

    way: int
    joint: int
    loss_db: float
    run: int = -1


@dataclass
class Passed:
    """What the traces of one link tell."""

    runs: dict[int, list[tuple[int, int, float, float]]]
    via: list[int]
    splices: list[SplicePassed]
    cords: list[int]
    ports: int
    loss_db: float
    cord_m: float
    failed: bool


class Traces:
    """Walks of all links of a study that give ports, from end to end and, where they fail, back.

    Attributes
    ----------
    read : Study
        As it was read.
    asked : list of Trace
        What is walked: one direction of one link each.
    walks : Walks
    back : (ndarray of int, Walks)
        Numbers of the traces that fail, and their walks from the other end.
    steps : DataFrame
        Every place and stretch of every trace, see `_steps`.
    gaps : list of Gap
        Links that name unequal ports.
    """

    def __init__(
        self,
        study: Study,
        assets: Assets,
        graph: FibreGraph,
        nodes: CableNodes,
        holders: Holders,
    ) -> None:
        self.read = study
        self.assets, self.graph, self.nodes = assets, graph, nodes
        self._holders = holders
        links = study.tables["links"]
        self.ids = links["id"].to_numpy(dtype=object)
        self.ends = assets.numbers(links["a"]), assets.numbers(links["b"])
        self.gaps: list[Gap] = []
        self._uneven: list[int] = []
        self.asked = self._asked()
        starts, goals = (
            np.array([getattr(one, name) for one in self.asked], dtype=np.int64)
            for name in ("start", "goal")
        )
        self.walks = walk(graph, starts, goals)
        self.back = self._walked_back(goals, starts)
        self._at: dict[int, dict[float, int]] = {}
        self.steps = self._steps()

    @cached_property
    def names(self) -> list[str]:
        """Ids of all assets, by number."""
        return self.assets.ids(np.arange(len(self.assets)))

    # --- Walking

    def _asked(self) -> list[Trace]:
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
                self.gaps.append(self.gap("ports-uneven", link, text, column="a_port"))
                self._uneven.append(link)
            ways = (BOTH,) if len(ports) == len(others) == 1 else (GO, RETURN)
            found += [(link, *one) for one in zip(ways, ports, others, strict=False)]
        number = np.array([one[0] for one in found], dtype=np.int64)
        starts, goals = (
            self.graph.ports(end[number], np.array([one[place] for one in found], dtype=object))
            for end, place in zip(self.ends, (2, 3), strict=True)
        )
        return [
            Trace(one[0], one[1], start, goal)
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
            for number, trace in enumerate(self.asked)
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
        links = np.array([one.link for one in self.asked], dtype=np.int64)
        ways = np.array([one.way for one in self.asked], dtype=np.int64)
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
        extra = len(self.asked) + len(failed)
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
        trace, status = self.asked[number], int(self.walks.status[number])
        stop = int(self.walks.stop[number])
        begin = self._port_named(trace, 0)
        crossed = self._crossed(number)
        if crossed:
            return "trace-crossed", (
                f"the trace from {begin} arrives at {self.node_said(stop)}, the other port of the "
                "link: go and return are crossed; correct the ports, or the record where they cross"
            )
        if stop < 0:
            return "trace-stops", f"nothing is on record that ends on {begin}: record its cord"
        where = self.node_said(stop)
        if status == TWICE:
            code = "end-twice" if stop < self.graph.ends else "port-twice"
            return code, f"the trace from {begin} stops at {where}: {self.double_said(stop)}"
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

    def _port_named(self, trace: Trace, end: int) -> str:
        machine = self.read.tables["links"]["ab"[end]].iloc[trace.link]
        ports = ports_of(self.read.tables["links"][f"{'ab'[end]}_port"].iloc[trace.link])
        name = ports[1 if trace.way == RETURN else 0]
        return f"port {name} of {machine}"

    def _crossed(self, number: int) -> bool:
        """Whether a trace arrives at the other port of its link."""
        trace, stop = self.asked[number], int(self.walks.stop[number])
        if trace.way == BOTH or stop < 0:
            return False
        return any(
            other.link == trace.link and other.way != trace.way and stop == other.goal
            for other in self.asked[max(number - 1, 0) : number + 2]
        )

    def node_said(self, node: int) -> str:
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

    def row_of(self, half: int) -> tuple[str, int]:
        """Role and row of what a half-edge is."""
        kind, row = int(self.graph.kind[half]), int(self.graph.row[half])
        return {SPLICE: "splices", TERMINATION: "terminations"}.get(kind, "patches"), row

    def double_said(self, node: int) -> str:
        """Which rows join a node twice."""
        graph = self.graph
        halves = range(int(graph.first[node]), int(graph.first[node + 1]))
        said = []
        for half in halves:
            role, row = self.row_of(half)
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

    @cached_property
    def passed(self) -> dict[int, Passed]:
        """Runs, equipment, joints and cords of each traced link."""
        found: dict[int, Passed] = {}
        steps = self.steps
        columns = [
            steps[name].to_list()
            for name in ("trace", "is", "asset", "fibre", "begin", "end", "loss_db")
        ]
        default_m = self.read.rules.defaults.cord_m
        length = self.read.tables["patches"]["length_m"].fillna(default_m).to_list()
        at, total = 0, len(steps)
        losses: dict[int, float] = {}
        for number, trace in enumerate(self.asked):
            one = found.setdefault(trace.link, Passed({}, [], [], [], 0, 0.0, 0.0, failed=False))
            one.failed |= bool(self.walks.status[number] != DONE)
            runs: list[tuple[int, int, float, float]] = []
            ports: list[int] = []
            loss = cord_m = 0.0
            crossed: SplicePassed | None = None
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
                        if crossed:
                            crossed.run = len(runs) - 1
                    else:
                        runs.append((cable, fibre, begin, end))
                    crossed = None
                elif what == "splice":
                    crossed = SplicePassed(trace.way, asset, loss_db)
                    one.splices.append(crossed)
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
            one.via, one.cords = list(dict.fromkeys(one.via)), list(dict.fromkeys(one.cords))
        for link in self._uneven:
            found.setdefault(link, Passed({}, [], [], [], 0, 0.0, 0.0, failed=True)).failed = True
        return found

    def _wanted(self, link: int) -> set[int]:
        ports = ports_of(self.read.tables["links"]["a_port"].iloc[link])
        return {GO, RETURN} if len(ports) > 1 else {BOTH}

    def gap(self, code: str, link: int, text: str, **details: object) -> Gap:
        """Make a gap of a link, with the details of a `Gap`."""
        return row_gap(self.read, code, "links", link, text, **details)  # type: ignore[arg-type]


Step = dict[str, Any]
"""One step of a trace, as plain data."""


def trace_steps(
    study: Study, assets: Assets, nodes: CableNodes, link: str | None = None
) -> dict[str, dict[str, list[Step]]]:
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

    found: dict[str, dict[str, list[Step]]] = {}
    for row in steps.itertuples(index=False, name=None):
        step = dict(zip(steps.columns, row, strict=True))
        what, asset = step["is"], step["asset"]
        name = names[asset] if asset >= 0 else None
        loss = None if np.isnan(step["loss_db"]) else step["loss_db"]
        told: Step = {"is": what}
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
