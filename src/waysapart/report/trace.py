"""Traces of links in words and as a line: port, cord, panel, fibre, joint and tray."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple, cast

from waysapart.evidence import Link
from waysapart.figures import plain_decibels

_WAYS = {"go": "go", "return": "return"}


class Stage(NamedTuple):
    """One part of the line of a trace.

    Attributes
    ----------
    kind : str
        `port`, `cord`, `inner`, `fibre`, `splice` or `stop`.
    name : str
        The equipment, cord, cable or joint; of a stop, why.
    detail : str
        Port, fibre or tray.
    loss_db : float or None
        As recorded; of a port with what its fibre end loses.
    """

    kind: str
    name: str
    detail: str
    loss_db: float | None


def stages(steps: Iterable[Mapping[str, Any]]) -> list[Stage]:
    """Put the steps of one direction of a trace into the parts of its line.

    Parameters
    ----------
    steps : iterable of TraceStep
        From `links[...]["trace"]` of the evidence.

    Returns
    -------
    list of Stage
        The end of a fibre on a port stands with the port.

    Examples
    --------
    >>> steps = [
    ...     {"is": "port", "at": "F1", "port": "3"},
    ...     {"is": "end", "cable": "C1", "fibre": 5, "loss_db": 0.2},
    ...     {"is": "fibre", "cable": "C1", "fibre": 5, "from": "A", "to": "P"},
    ... ]
    >>> [(one.kind, one.name, one.detail, one.loss_db) for one in stages(steps)]
    [('port', 'F1', 'port 3', 0.2), ('fibre', 'C1', 'fibre 5, A to P', None)]
    """
    found: list[Stage] = []
    ended: float | None = None
    for step in steps:
        what, loss = _kind(step), step.get("loss_db")
        if what == "end":
            if found and found[-1].kind == "port":
                found[-1] = found[-1]._replace(loss_db=loss)
            else:
                ended = loss
        elif what == "port":
            machine = step["at"] or "unknown equipment"
            found.append(Stage(what, machine, f"port {step['port']}", ended))
            ended = None
        elif what == "fibre":
            ends = [step["from"], step["to"]]
            where = "" if None in ends else f", {ends[0]} to {ends[1]}"
            found.append(Stage(what, step["cable"], f"fibre {step['fibre']}{where}", None))
        elif what == "splice":
            tray = "" if step["tray"] is None else f"tray {step['tray']}"
            found.append(Stage(what, step["joint"], tray, loss))
        elif what == "stop":
            found.append(Stage(what, step["text"], "", None))
        else:
            found.append(Stage(what, step["id"], "", loss))
    return found


def _kind(step: Mapping[str, Any]) -> str:
    """What a step is, by what it holds: its own word for that may be anything in a foreign file."""
    for key, kind in (("port", "port"), ("from", "fibre"), ("joint", "splice"), ("text", "stop")):
        if key in step:
            return kind
    if "cable" in step:
        return "end"
    return "cord" if "loss_db" in step else "inner"


class Line(NamedTuple):
    """The line of one direction of a link: `way` is `go`, `return` or, for both, empty."""

    way: str
    stages: list[Stage]
    says: str


def lines_of(link: Link) -> list[Line]:
    """Draw up the lines of a traced link.

    Parameters
    ----------
    link : Link

    Returns
    -------
    list of Line
        Empty where the link gives no ports.
    """
    trace = cast(Mapping[str, Sequence[Mapping[str, Any]]], link.get("trace") or {})
    return [
        Line(way if len(trace) > 1 else "", stages(trace[way]), summary(trace[way]))
        for way in _WAYS
        if way in trace
    ]


def summary(steps: Sequence[Mapping[str, Any]]) -> str:
    """Count the mated pairs and splices of a trace, with the loss on record.

    Parameters
    ----------
    steps : sequence of TraceStep

    Returns
    -------
    str
        Such as `2 mated pairs, 3 splices, of which 2 with a loss on record: 0.15 dB`.

    Examples
    --------
    >>> summary([{"is": "splice", "joint": "J", "tray": None, "loss_db": 0.05}])
    '0 mated pairs, 1 splice: 0.05 dB on record'
    """
    kinds = [_kind(step) for step in steps]
    if "stop" in kinds:
        return "does not lead from port to port"
    pairs = max(kinds.count("port") - 2, 0)
    losses = [step["loss_db"] for step in steps if _kind(step) == "splice"]
    known = [loss for loss in losses if loss is not None]
    said = f"{pairs} mated pair{'s' * (pairs != 1)}, {len(losses)} splice{'s' * (len(losses) != 1)}"
    if not losses:
        return said
    if not known:
        return f"{said}, none with a loss on record"
    if len(known) < len(losses):
        return (
            f"{said}, {len(known)} of them with a loss on record: {plain_decibels(sum(known))} dB"
        )
    return f"{said}: {plain_decibels(sum(known))} dB on record"


def step_rows(steps: Iterable[Mapping[str, Any]]) -> list[tuple[str, str]]:
    """Say each part of a trace in words, with its loss.

    Parameters
    ----------
    steps : iterable of TraceStep

    Returns
    -------
    list of (str, str)
        What it is, and its loss on record, such as `0.08 dB`; empty where there is none.
    """
    found = []
    for kind, name, detail, loss in stages(steps):
        said = {
            "port": f"{detail} of {name}",
            "cord": f"cord {name}",
            "inner": f"inside, by connection {name}",
            "fibre": f"cable {name}, {detail}",
            "splice": f"joint {name}" + (f", {detail}" if detail else ""),
            "stop": name,
        }[kind]
        none = "loss not on record" if kind == "splice" else ""
        found.append((said, none if loss is None else f"{plain_decibels(loss)} dB"))
    return found
