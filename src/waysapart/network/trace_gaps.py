"""Gaps that traces and the rows they follow leave: each names its place and what to do."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import pairwise

import numpy as np

from waysapart.gaps import Gap
from waysapart.network.assets import Place, listed, place_of, row_gap
from waysapart.network.trace import TWICE, ports_of
from waysapart.network.trace_steps import FIBRE, STOP, Traces
from waysapart.text import few


def trace_gaps(traces: Traces) -> list[Gap]:
    """Collect the gaps of the traces of a study.

    Parameters
    ----------
    traces : Traces

    Returns
    -------
    list of Gap
        Codes `splice-off-cable`, `splice-side`, `fibre-beyond`, `end-twice`, `port-twice`,
        `cord-between-sites`, `cord-to-nothing`, `ports-uneven`, `trace-stops`, `trace-loop`,
        `trace-crossed`, `splice-types` and `port-shared`. Rows that no link uses are told too, and
        touch none.
    """
    gaps = _Gaps(traces)
    used = gaps.used()
    return [
        *gaps.of_rows(used),
        *gaps.of_nodes(used),
        *gaps.of_cords(),
        *gaps.of_stops(),
        *gaps.of_types(),
        *gaps.of_ports(),
    ]


class _Gaps:
    """The gaps of some traces, kind by kind."""

    def __init__(self, traces: Traces) -> None:
        self._traces = traces

    def used(self) -> dict[tuple[int, int], set[str]]:
        """Links that use each fibre, by what was traced and what was written."""
        used: dict[tuple[int, int], set[str]] = {}
        for link, one in self._traces.passed.items():
            for runs in one.runs.values():
                for cable, fibre, *_ in runs:
                    used.setdefault((cable, fibre), set()).add(str(self._traces.ids[link]))
        written = self._traces.read.tables["link_runs"]
        row, fibre_of = listed(written["fibres"])
        cable_of = (
            self._traces.assets.numbers(written["cable"]) - self._traces.assets.start["cables"]
        )[row]
        names = written["link"].to_numpy(dtype=object)[row]
        for cable, number, name in zip(cable_of.tolist(), fibre_of.to_list(), names, strict=True):
            if isinstance(name, str):
                used.setdefault((cable, int(float(number))), set()).add(name)
        return used

    def of_rows(self, used: Mapping[tuple[int, int], set[str]]) -> Iterator[Gap]:
        """Rows of splices and terminations that cannot be taken as they stand."""
        for fault in self._traces.graph.faults:
            table = self._traces.read.tables[fault.role]
            name = str(table["joint" if fault.role == "splices" else "equipment"].iloc[fault.row])
            place = place_of(self._traces.read, table, fault.row)
            links = sorted(set().union(*(used.get(one, set()) for one in fault.fibres)))
            yield Gap(
                fault.code, fault.text, name, links=tuple(links), column=fault.column, **place
            )

    def of_nodes(self, used: Mapping[tuple[int, int], set[str]]) -> Iterator[Gap]:
        """Fibre ends and ports on which more ends than there is room for."""
        graph = self._traces.graph
        stopped: dict[int, set[str]] = {}
        for walks, numbers in (
            (self._traces.walks, range(len(self._traces.asked))),
            (self._traces.back[1], self._traces.back[0].tolist()),
        ):
            for number, status, stop in zip(
                numbers, walks.status.tolist(), walks.stop.tolist(), strict=True
            ):
                if status == TWICE:
                    stopped.setdefault(stop, set()).add(
                        str(self._traces.ids[self._traces.asked[number].link])
                    )
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
            where, rows = self._traces.node_said(node), self._traces.double_said(node)
            text = f"{where} has more than one end on it: {rows}"
            yield Gap(code, text, self._about(node), links=tuple(sorted(links)), **place)

    def _about(self, node: int) -> str:
        graph = self._traces.graph
        if node < graph.ends:
            return str(self._traces.read.tables["cables"]["id"].iloc[int(graph.cable[node])])
        return self._traces.assets.ids([graph.port_of[node - graph.ends]])[0]

    def _row_of(self, half: int) -> Place:
        if half < 0:
            return Place(file=None, layer=None, row=None)
        role, row = self._traces.row_of(half)
        return place_of(self._traces.read, self._traces.read.tables[role], row)

    def of_cords(self) -> Iterator[Gap]:
        """Cords between two sites, with unequal ports, or that lead to nothing."""
        patches, equipment = (
            self._traces.read.tables["patches"],
            self._traces.read.tables["equipment"],
        )
        if not len(patches):
            return
        site = equipment.set_index("id")["site"].to_dict()
        kind = equipment.set_index("id")["kind"].to_dict()
        corded = self._traces.steps[self._traces.steps["is"] == "cord"]
        users: dict[int, set[str]] = {}
        pairs = zip(corded["asset"].to_list(), corded["trace"].to_list(), strict=True)
        for asset, trace in pairs:
            users.setdefault(asset - self._traces.assets.start["patches"], set()).add(
                str(self._traces.ids[self._traces.asked[trace].link])
            )
        passive = set(self._traces.read.rules.records.passive)
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
                    self._traces.read,
                    "cord-between-sites",
                    "patches",
                    row,
                    text,
                    joined=" ",
                    links=links,
                )
            if len(ends[0][1]) != len(ends[1][1]):
                text = (
                    f"names {len(ends[0][1])} ports of {a} and {len(ends[1][1])} of {b}: name as "
                    "many of each"
                )
                yield row_gap(
                    self._traces.read,
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
                    self._traces.read,
                    "cord-to-nothing",
                    "patches",
                    row,
                    text,
                    joined=" ",
                    links=links,
                )

    def _named_ports(self) -> set[tuple[str, str]]:
        links = self._traces.read.tables["links"]
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
        graph = self._traces.graph
        once = np.flatnonzero(np.diff(graph.first)[graph.ends :] == 1)
        names = (self._traces.names[one] for one in graph.port_of[once].tolist())
        return set(zip(names, graph.port[once].tolist(), strict=True))

    def of_stops(self) -> Iterator[Gap]:
        """Traces that stop, go round, or arrive at the wrong port."""
        stops = self._traces.steps[self._traces.steps["is"] == STOP]
        told: set[tuple[int, str]] = set()
        for trace, code, text in zip(
            stops["trace"].to_list(), stops["code"].to_list(), stops["label"].to_list(), strict=True
        ):
            link = self._traces.asked[trace].link
            if code in ("end-twice", "port-twice"):
                continue
            if code == "trace-crossed" and (link, code) in told:
                continue
            told.add((link, code))
            yield self._traces.gap(code, link, text)

    def of_types(self) -> Iterator[Gap]:
        """Splices and cords between fibres of two types, whose loss nobody recorded."""
        steps = self._traces.steps
        types = self._traces.read.tables["cables"]["fibre_type"].to_list()
        cord_types = self._traces.read.tables["patches"]["fibre_type"].to_list()
        start = self._traces.assets.start
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
                link, place = self._traces.asked[trace].link, self._traces.assets.ids([at])[0]
                if not lossy and (link, place) not in told:
                    told.add((link, place))
                    text = (
                        f"at {place} fibre of type {last[1]} goes on as fibre of type {kind}, and "
                        "no loss is on record for it: record the loss, or correct one of the types"
                    )
                    yield self._traces.gap("splice-types", link, text)
            if isinstance(kind, str):
                last = trace, kind, asset, known
            elif not cord:
                last = None
            elif last:
                last = (*last[:3], last[3] or known)
            splice = None

    def of_ports(self) -> Iterator[Gap]:
        """Two links that name one port, of which neither passes a cable that would show it."""
        links = self._traces.read.tables["links"]
        said = links[["wavelength_nm", "channel"]].astype(object)
        said = said.where(said.notna(), None)
        terms = list(zip(said["wavelength_nm"].to_list(), said["channel"].to_list(), strict=True))
        users: dict[tuple[object, ...], set[int]] = {}
        for end in ("a", "b"):
            cells = zip(links[end].to_list(), links[f"{end}_port"].to_list(), strict=True)
            for link, (machine, cell) in enumerate(cells):
                item = self._traces.passed.get(link)
                if item is not None and any(item.runs.values()):
                    continue
                for port in ports_of(cell):
                    users.setdefault((machine, port, *terms[link]), set()).add(link)
        for (machine, named, *_), several in users.items():
            for one, other in pairwise(
                sorted(several, key=lambda link: str(self._traces.ids[link]))
            ):
                text = (
                    f"uses port {named} of {machine}, as link {self._traces.ids[other]} does: "
                    "correct the port, or the wavelength_nm or channel of one of them"
                )
                names = (str(self._traces.ids[one]), str(self._traces.ids[other]))
                yield self._traces.gap(
                    "port-shared", one, text, joined=" ", links=names, column="a_port"
                )
