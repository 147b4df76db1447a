"""What follows from the traces of links: their runs, what they rely on, their splices, their gaps.

Nothing of it is told twice: what a trace finds stands in the row of the link and in its rows of
`link_runs`, as if it had been written there.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from waysapart.recheck.faulty_rows import Gap, Row, grouped
from waysapart.recheck.plant import Cables, Hop, in_order, tie_links
from waysapart.recheck.records import Records
from waysapart.recheck.trace import (
    ENDS,
    TWICE,
    Direction,
    End,
    Fibre,
    Joined,
    Port,
    Stretch,
    loss_of_splice,
    traced_both_ways,
)


@dataclass
class Traced:
    """A link that names ports: its traces, the gaps of these, and what follows for its records.

    Attributes
    ----------
    link : dict
        The row as it is tied: with all that the trace adds.
    go, back : Direction or None
        `back` is None where one port carries both directions.
    rows : list of dict
        The rows of `link_runs` that it is tied by: as traced, or as written where that failed.
    codes : list of str
        Codes of gaps of the link.
    uneven : bool
        Whether its two ends name different numbers of ports.
    full : list of Port or End
        Places with more on them than there is room for, at which its traces stop.
    """

    link: Row
    go: Direction | None = None
    back: Direction | None = None
    rows: list[Row] = field(default_factory=list)
    codes: list[str] = field(default_factory=list)
    uneven: bool = False
    full: list[Port | End] = field(default_factory=list)

    @property
    def directions(self) -> list[Direction]:
        """Its traces, one or two."""
        return [one for one in (self.go, self.back) if one is not None]

    @property
    def failed(self) -> bool:
        """Whether a trace stopped, or could not be begun."""
        return self.uneven or any(one.code is not None for one in self.directions)

    def along(self, direction: str) -> Direction | None:
        """The trace in a direction."""
        return self.back if direction == "return" and self.back is not None else self.go

    @property
    def over_cords(self) -> bool:
        """Whether it was traced from end to end and meets no cable."""
        return not self.failed and not self.rows

    def splices(self, direction: str) -> list[tuple[int | None, Row]]:
        """The splices passed, each with the number of the run that it lies within.

        Parameters
        ----------
        direction : {'go', 'return'}

        Returns
        -------
        list of (int or None, row)
            None: it lies between two runs.
        """
        trace = self.along(direction)
        return [] if trace is None else _runs(trace)[1]

    @property
    def told(self) -> dict[str, Any] | None:
        """The traces as evidence tells them."""
        if self.go is None:
            return None
        back = {} if self.back is None else {"return": self.back.told}
        return {"go": self.go.told, **back}


def _runs(trace: Direction) -> tuple[list[Stretch], list[tuple[int | None, Row]]]:
    """Stretches of fibre, spliced straight through as one, and splices within and between them."""
    runs: list[Stretch] = []
    splices: list[tuple[int | None, Row]] = []
    waiting: Row | None = None
    for step in trace.all_steps:
        if step.told["is"] == "splice":
            waiting = step.behind
            continue
        if step.told["is"] == "fibre":
            mine, last = step.behind, runs[-1] if runs else None
            onward = last is not None and _goes_on(last, mine)
            if onward and last is not None:
                runs[-1] = last._replace(end=mine.end, to=mine.to)
            else:
                runs.append(mine)
            if waiting is not None:
                splices.append((len(runs) - 1 if onward else None, waiting))
            waiting = None
    return runs, splices


def _goes_on(one: Stretch, two: Stretch) -> bool:
    same = (one.cable, one.fibre, one.end) == (two.cable, two.fibre, two.begin)
    return same and (one.begin < one.end) == (two.begin < two.end)


def follow_links(cables: Cables) -> tuple[dict[str, Hop], list[Gap]]:
    """Trace the links that name ports, put what follows into the records, and tie all links.

    Parameters
    ----------
    cables : Cables

    Returns
    -------
    hops : dict of str to Hop
        By id of the link.
    gaps : list of Gap
    """
    traced, gaps = trace_links(cables)
    cables.ground.records.lay_traced(
        {name: one.link for name, one in traced.items()},
        {name: one.rows for name, one in traced.items()},
    )
    hops, tied = tie_links(cables)
    for name, one in traced.items():
        hops[name].trace = one
    told = {name for name, one in traced.items() if one.failed or one.over_cords}
    return hops, [*gaps, *(gap for gap in tied if gap.about not in told)]


def trace_links(cables: Cables) -> tuple[dict[str, Traced], list[Gap]]:
    """Trace every link that names ports.

    Parameters
    ----------
    cables : Cables

    Returns
    -------
    traced : dict of str to Traced
        By id of the link.
    gaps : list of Gap
    """
    records = cables.ground.records
    asked = [row for row in records.stated("links") if row["a_port"] or row["b_port"]]
    if not asked and not any(records.rows[one] for one in ("splices", "terminations", "patches")):
        return {}, []
    joined = Joined(cables)
    written = grouped((row["link"], row) for row in records.stated("link_runs") if row["cable"])
    traced = {
        row["id"]: _traced(joined, row, sorted(written.get(row["id"], ()), key=in_order))
        for row in asked
    }
    gaps = [Gap(code, name, links=(name,)) for name, one in traced.items() for code in one.codes]
    gaps += _row_gaps(joined, traced, written)
    gaps += _patch_gaps(joined, traced)
    gaps += _shared_ports(traced)
    return traced, gaps


def _traced(joined: Joined, link: Row, written: list[Row]) -> Traced:
    """One link: its traces, its gaps, and its records with what follows from them."""
    mine = Traced(dict(link), rows=written)
    a_ports, b_ports = link["a_port"] or [], link["b_port"] or []
    mine.uneven = len(a_ports) != len(b_ports) or len(a_ports) > 2
    mine.codes += ["ports-uneven"] * mine.uneven
    ports = zip(a_ports[:2], b_ports[:2], strict=False)
    pairs = [((link["a"], one), (link["b"], other)) for one, other in ports]
    found = [traced_both_ways(joined, *pair) for pair in pairs]
    for one in found:
        walks = [walk for walk in (one.walk, one.back) if walk is not None]
        mine.full += [walk.at for walk in walks if walk.at and walk.code in TWICE]
    others = [target for _, target in reversed(pairs)]
    for one, other in zip(found, others, strict=True):
        if len(pairs) == 2 and one.code is not None and one.walk.at == other:
            one.walk.code = "trace-crossed"
    mine.go, mine.back = (*found, None, None)[:2]
    codes = [one.code for one in found if one.code is not None and one.code not in TWICE]
    mine.codes += dict.fromkeys(codes) if "trace-crossed" in codes[:1] else codes
    derived = _derived_runs(link["id"], mine)
    cables = {row["cable"] for row in derived}
    others_written = {row["cable"] for row in written}
    if mine.failed and written:
        added = cables - others_written
    else:
        mine.rows, added = derived, others_written - cables
        if written and not mine.failed and _differ(mine, written):
            mine.codes.append("runs-differ")
    _fill_in(joined.records, mine, added)
    mine.codes += _unlike_types(joined.records, mine)
    return mine


def _courses(mine: Traced) -> tuple[list[Stretch], list[Stretch] | None]:
    """What was traced there and back; None where one port carries both directions."""
    go = [] if mine.go is None else _runs(mine.go)[0]
    if mine.back is None:
        return go, [] if mine.uneven else None
    return go, _runs(mine.back)[0]


def _derived_runs(name: str, mine: Traced) -> list[Row]:
    """Rows of `link_runs` as traced: one for both directions where they run alike."""
    go, back = _courses(mine)
    if back is None or _places(go) == _places(back):
        numbers = [[one.fibre] for one in go]
        for several, other in zip(numbers, back or (), strict=False):
            several.append(other.fibre)
        each = enumerate(zip(go, numbers, strict=True), start=1)
        return [_run(name, seq, run, number) for seq, (run, number) in each]
    return [
        {**_run(name, seq, run, [run.fibre]), "direction": direction}
        for direction, runs in (("go", go), ("return", back))
        for seq, run in enumerate(runs, start=1)
    ]


def _places(runs: list[Stretch]) -> list[tuple[str, float, float]]:
    return [(run.cable, run.begin, run.end) for run in runs]


def _run(link: str, seq: int, run: Stretch, fibres: list[int]) -> Row:
    return {
        **{"link": link, "seq": float(seq), "cable": run.cable, "direction": None},
        **{"fibres": ";".join(map(str, fibres)), "from": run.from_, "to": run.to, "_faults": []},
    }


def _differ(mine: Traced, written: list[Row]) -> bool:
    """Whether the runs written differ from those traced, in either direction."""
    go, found = _courses(mine)
    back = go if found is None else found
    alike = [run.cable for run in go] == [run.cable for run in back]
    for direction, runs, others in (("go", go, back), ("return", back, go)):
        rows = [row for row in written if row["direction"] in (None, direction)]
        if len(rows) != len(runs):
            return True
        of_both = [{run.fibre} for run in runs]
        for numbers, other in zip(of_both, others if alike else (), strict=False):
            numbers.add(other.fibre)
        if not (
            _fits(rows, runs, of_both)
            or _fits(rows, [run.turned for run in reversed(runs)], of_both[::-1])
        ):
            return True
    return False


def _fits(rows: list[Row], runs: list[Stretch], of_both: list[set[int]]) -> bool:
    """Whether rows of `link_runs` say the same as what was traced, in this order."""
    for row, run, numbers in zip(rows, runs, of_both, strict=True):
        due = numbers if row["direction"] is None else {run.fibre}
        said = {int(one) for one in str(row["fibres"] or "").split(";") if one.strip()}
        places = ((row["from"], run.from_), (row["to"], run.to))
        if row["cable"] != run.cable or (said and said != due):
            return False
        if any(None not in place and place[0] != place[1] for place in places):
            return False
    return True


def _fill_in(records: Records, mine: Traced, cables: set[str]) -> None:
    """Add to the row of a link what its traces pass."""
    link, rules = mine.link, records.rules["defaults"]
    ends = {link["a"], link["b"]}
    machines = [port[0] for one in mine.directions for port in one.rows("port")]
    via = [one for one in dict.fromkeys([*machines, *(link["via"] or ())]) if one not in ends]
    link["via"] = via or link["via"]
    cords = [row["id"] for one in mine.directions for row in one.rows("cord")]
    joints = [row["joint"] for one in mine.directions for row in one.rows("splice")]
    relied = dict.fromkeys([*(link["relies_on"] or ()), *cords, *joints, *sorted(cables)])
    link["_stated"] = link["relies_on"]
    link["relies_on"] = list(relied) or link["relies_on"]
    if not mine.failed:
        ports = max(len(one.rows("port")) for one in mine.directions)
        link["connectors"] = float(max(ports - 2, 0))
    losses, delays = [0.0], [0.0]
    for one in mine.directions:
        patches = [*one.rows("cord"), *one.rows("inner")]
        losses.append(sum(row["loss_db"] or 0.0 for row in [*patches, *one.rows("end")]))
        metres = [_cord_m(row, rules["cord_m"]) for row in one.rows("cord")]
        delays.append(sum(metres) * rules["cord_us_per_m"])
    for name, added in (("loss_db", max(losses)), ("extra_delay_us", max(delays))):
        if added:
            link[name] = (link[name] or 0.0) + added
    if mine.over_cords and link["length_m"] is None:
        link["length_m"] = 0.0


def _cord_m(row: Row, otherwise: float) -> float:
    return float(otherwise if row["length_m"] is None else row["length_m"])


def _unlike_types(records: Records, mine: Traced) -> list[str]:
    """A code for each joint and cord at which the type of fibre changes at a loss not recorded."""
    cables, places = records.by["cables"], set[str]()
    for one in mine.directions:
        pieces = [one.walk.steps, *([] if one.back is None else [one.back.steps[::-1]])]
        for steps in pieces:
            last: tuple[str, str, bool] | None = None
            splice: Row | None = None
            for step in steps:
                what, row = step.told["is"], step.behind
                if what == "splice":
                    splice = row
                if what not in ("fibre", "cord"):
                    continue
                corded = what == "cord"
                kind = (row if corded else cables[row.cable])["fibre_type"]
                known = corded and row["loss_db"] is not None
                if last is not None and kind is not None and kind != last[0]:
                    lossy = last[2] or known or (splice and loss_of_splice(splice) is not None)
                    place = splice["joint"] if splice else row["id"] if corded else last[1]
                    places |= set() if lossy else {place}
                if kind is not None:
                    last = kind, row["id"] if corded else row.cable, known
                elif not corded:
                    last = None
                elif last is not None:
                    last = last[0], last[1], last[2] or known
                splice = None
    return ["splice-types"] * len(places)


# Gaps of rows and patches


def _row_gaps(
    joined: Joined, traced: dict[str, Traced], written: dict[str, list[Row]]
) -> Iterator[Gap]:
    """Faulty splices and terminations, and places with more on them than there is room for.

    They touch the links that use one of their fibres, and those whose traces stop there.
    """
    said = [(name, run) for name, one in traced.items() for run in _traced_fibres(one)]
    said += [
        (name, (row["cable"], int(number)))
        for name, rows in written.items()
        for row in rows
        for number in str(row["fibres"] or "").split(";")
        if number.strip()
    ]
    users = grouped((fibre, name) for name, fibre in said)
    for fault in joined.faults:
        links = {name for fibre in fault.fibres for name in users.get(fibre, ())}
        yield Gap(fault.code, fault.about, links=tuple(sorted(links)))
    stopped = grouped((place, name) for name, one in traced.items() for place in one.full)
    ends = {end for end, edges in joined.ends.items() if len(edges) > 1}
    ports = {port for port in joined.ports if joined.full(port)}
    for place in ends | ports | set(stopped):
        is_end = isinstance(place, End)
        edges = joined.edges(place)
        here = [one for one in (place, *(edge.to for edge in edges)) if isinstance(one, End)]
        links = {name for one in here for name in users.get((one.cable, one.fibre), ())}
        links |= set(stopped.get(place, ()))
        yield Gap(TWICE[not is_end], str(place[0]), links=tuple(sorted(links)))


def _traced_fibres(one: Traced) -> set[Fibre]:
    rows = [run for direction in one.directions for run in direction.rows("fibre")]
    return {(run.cable, run.fibre) for run in rows}


def _patch_gaps(joined: Joined, traced: dict[str, Traced]) -> Iterator[Gap]:
    """Cords from site to site, with uneven ports, or to passive equipment where nothing goes on."""
    records = joined.records
    machines, passive = records.by["equipment"], records.rules["records"]["passive"]
    users = grouped(
        (row["id"], name)
        for name, one in traced.items()
        for direction in one.directions
        for row in direction.rows("cord")
    )
    rows = records.stated("links")
    named = {(row[end], port) for row in rows for end in ENDS for port in row[f"{end}_port"] or ()}
    for row in records.rows["patches"]:
        links = tuple(sorted(set(users.get(row["id"], ()))))
        if len(row["a_port"] or ()) != len(row["b_port"] or ()):
            yield Gap("ports-uneven", row["id"], links=links)
        if None in (row["a"], row["b"]) or row["a"] == row["b"]:
            continue
        if len({machines[row[end]]["site"] for end in ENDS} - {None}) == 2:
            yield Gap("cord-between-sites", row["id"], links=links)
        ports = [
            (row[end], port)
            for end in ENDS
            if machines[row[end]]["kind"] in passive
            for port in row[f"{end}_port"] or ()
        ]
        if any(port not in named and len(joined.ports.get(port, ())) == 1 for port in ports):
            yield Gap("cord-to-nothing", row["id"], links=links)


def _shared_ports(traced: dict[str, Traced]) -> Iterator[Gap]:
    """Links without cables that name one port, at one wavelength and in one channel."""
    users = grouped(
        ((one.link[end], port, one.link["wavelength_nm"], one.link["channel"]), name)
        for name, one in traced.items()
        if not _traced_fibres(one)
        for end in ENDS
        for port in one.link[f"{end}_port"] or ()
    )
    for names in users.values():
        for pair in pairwise(sorted(set(names))):
            yield Gap("port-shared", pair[0], links=pair)
