"""Enter what the traces of links tell in the tables of a study.

Links are then tied, measured and judged alike, whether their runs were traced or written down.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cached_property

import numpy as np
import pandas as pd

from waysapart.gaps import Gap
from waysapart.network.assets import Assets, Holders, listed
from waysapart.network.chains import Chains
from waysapart.network.ends import Passing
from waysapart.network.links import BOTH, GO, RETURN, CableNodes
from waysapart.network.trace import fibre_graph
from waysapart.network.trace_gaps import trace_gaps
from waysapart.network.trace_steps import Passed, Traces
from waysapart.schema import LIST_SEPARATOR
from waysapart.study.model import Study, Traced

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
    return _Entered(Traces(study, assets, graph, CableNodes(chains, passed), holders)).study()


_FED_BY = ("splices", "terminations", "patches")


class _Entered:
    """The tables of a study with what its traces tell; `_gaps` are those of runs that differ."""

    def __init__(self, traces: Traces) -> None:
        self._traces, self._gaps = traces, list[Gap]()
        self._read, self._ids = traces.read, traces.ids

    def study(self) -> Study:
        """The study with what its traces tell."""
        found = self._traces.passed
        tables, spliced = self._tables(found)
        kept = {name: self._read.tables[name] for name in tables}
        failed = frozenset(str(self._ids[link]) for link, one in found.items() if one.failed)
        whole = {str(self._ids[link]): one for link, one in found.items() if not one.failed}
        bare = frozenset(name for name, one in whole.items() if not any(one.runs.values()))
        traced = Traced(
            kept, self._read.gaps, self._traces.steps, spliced, frozenset(whole), failed, bare
        )
        told = (*self._traces.gaps, *self._gaps, *trace_gaps(self._traces))
        gaps = (*self._read.gaps, *told)
        return replace(self._read, tables={**self._read.tables, **tables}, gaps=gaps, traced=traced)

    @cached_property
    def _cables(self) -> list[str]:
        return [str(name) for name in self._read.tables["cables"]["id"].to_list()]

    @cached_property
    def _records(self) -> list[tuple[int, int]]:
        """Layer and row of each link."""
        links = self._read.tables["links"]
        columns = (links[name].astype(int).to_list() for name in ("_layer", "_row"))
        return list(zip(*columns, strict=True))

    def _tables(self, found: Mapping[int, Passed]) -> tuple[dict[str, pd.DataFrame], pd.DataFrame]:
        """Links and link_runs with what the traces tell, and the splices that traces pass."""
        links, written = self._read.tables["links"], self._read.tables["link_runs"]
        number = {name: place for place, name in enumerate(self._ids)}
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
                self._gaps.append(self._traces.gap("runs-differ", link, said, column="a_port"))
        runs = written.drop(index=written.index[dropped])
        if derived:
            fresh = pd.DataFrame(derived).reindex(columns=written.columns)
            fresh = fresh.astype(dict(written.dtypes.items()))
            runs = pd.concat([runs, fresh], ignore_index=True) if len(runs) else fresh
        return (
            {"links": self._links(links, found, also), "link_runs": runs.reset_index(drop=True)},
            self._splices_passed(found),
        )

    def _rows(self, link: int, one: Passed) -> list[dict[str, object]]:
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
                nodes = [self._traces.node_at(cable, begin), self._traces.node_at(cable, end)]
                names = [self._traces.names[node] if node >= 0 else np.nan for node in nodes]
                rows.append(
                    {
                        "link": self._ids[link],
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
                if not isinstance(row["direction"], str) or row["direction"] == way
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
        self, links: pd.DataFrame, found: Mapping[int, Passed], also: Mapping[int, Sequence[str]]
    ) -> pd.DataFrame:
        """The table of links with what their traces tell."""
        cells: dict[str, list[object]] = {
            name: links[name].to_list()
            for name in ("via", "relies_on", "connectors", "loss_db", "extra_delay_us", "length_m")
        }
        us = self._read.rules.defaults.cord_us_per_m
        stated_in: dict[tuple[str, int], list[str]] = {}
        for name in ("via", "relies_on"):
            for row, value in zip(*listed(links[name]), strict=True):
                stated_in.setdefault((name, int(row)), []).append(value)
        known = {name: list(cells[name]) for name in ("loss_db", "extra_delay_us", "length_m")}
        for link, one in found.items():
            for name, assets in (
                ("via", one.via),
                ("relies_on", [*one.cords, *(each.joint for each in one.splices)]),
            ):
                stated = stated_in.get((name, link), [])
                more_ = also.get(link, ()) if name != "via" else ()
                new = [*(self._traces.names[asset] for asset in assets), *more_]
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

    def _splices_passed(self, found: Mapping[int, Passed]) -> pd.DataFrame:
        """Splices of traces: `link`, `way`, `joint` (ids), `loss_db`, and where in the link.

        `run` is the number of the run within which it lies, counted from 0; -1: between two.
        """
        rows = [
            (self._ids[link], one.way, self._traces.names[one.joint], one.loss_db, one.run)
            for link, mine in found.items()
            if not mine.failed
            for one in mine.splices
        ]
        return pd.DataFrame(rows, columns=["link", "way", "joint", "loss_db", "run"])


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
