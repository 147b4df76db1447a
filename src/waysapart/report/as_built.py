"""Print the plant as it is built: traces of links, splices, spare fibres."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from rich.console import Console
from rich.table import Table

from waysapart.network.spares import FreeRun, SpareRoute, SparesFacts
from waysapart.report import words
from waysapart.report.escape import terminal_text
from waysapart.report.terminal import row_table, styled
from waysapart.report.trace import step_rows, summary
from waysapart.report.words import MOST_NAMED
from waysapart.text import few, sentence_list

# --- `check --trace`


def show_trace(
    console: Console, link: str, a: str, b: str, ways: Mapping[str, Sequence[Mapping[str, Any]]]
) -> None:
    """Print what a link is traced over, a line for each place, with the loss on record.

    Parameters
    ----------
    console : Console
    link, a, b : str
        Ids of the link and of the equipment at its ends.
    ways : mapping of str to sequence of TraceStep
        By direction.
    """
    for way, steps in ways.items():
        said = f", {way}" if len(ways) > 1 else ""
        console.print(styled(f"{link}{said}: from {a} to {b}", "bold"))
        rows = step_rows(steps)
        wide = max(len(terminal_text(what)) for what, _ in rows)
        for what, loss in rows:
            padded = f"{terminal_text(what):<{wide}}  {loss}" if loss else what
            console.print(styled(f"  {padded}"))
        console.print(styled(f"  {summary(steps)}"))


def show_splices(console: Console, table: pd.DataFrame, held: pd.DataFrame, most_db: float) -> None:
    """Print splices joint by joint, then what was measured end to end over them.

    Parameters
    ----------
    console : Console
    table, held : DataFrame
        From `waysapart.findings.splices`.
    most_db : float
        Loss above which a splice is marked.
    """
    if not len(table):
        console.print(styled("no splice is on record"))
    for joint, rows in table.groupby("joint", sort=False):
        console.print(styled(f"joint {joint}", "bold"))
        for row in rows.to_dict("records"):
            tray = f"tray {row['tray']}: " if isinstance(row["tray"], str) else ""
            loss = "loss not on record" if np.isnan(row["loss_db"]) else f"{row['loss_db']:.2f} dB"
            rests = {"one way": ", one direction only", "events": ", by events from both ends"}
            age = "undated" if np.isnan(row["days"]) else f"{row['days']:.0f} days old"
            links = ", ".join(row["links"]) or "not in use"
            over = f", over {most_db:g} dB" if row["over"] else ""
            pair = (
                f"{row['a_cable']} fibre {row['a_fibre']:.0f} to {row['b_cable']} fibre "
                f"{row['b_fibre']:.0f}"
            )
            sure = rests.get(row["rests_on"], "")
            said = f"  {tray}{pair}: {loss}{sure}{over}; {age}; {links}"
            console.print(styled(said, "bold red" if row["over"] else ""))
    if len(held):
        console.print(styled("measured end to end, against the splices on record:", "bold"))
    for row in held.to_dict("records"):
        way = f", {row['way']}" if row["way"] else ""
        said = (
            f"  {row['link']}{way}: measured {row['measured_db']:.2f} dB; glass, connectors and "
            f"the rest {row['others_db']:.2f} dB, {words.count_of(row['splices'], 'splice')} "
            f"{row['splices_db']:.2f} dB"
        )
        if row["unmeasured"]:
            said += f" ({row['unmeasured']} of them without a figure)"
        left = row["unexplained_db"]
        if row["explained"]:
            said += "; the records explain it"
        else:
            said += f"; {left:.2f} dB are not explained"
            if row["suspect_row"] >= 0:
                suspect = table[table["row"] == row["suspect_row"]].iloc[0]
                tray = f", tray {suspect['tray']}" if isinstance(suspect["tray"], str) else ""
                said += (
                    f": look first at joint {suspect['joint']}{tray}, {suspect['a_cable']} fibre "
                    f"{suspect['a_fibre']:.0f} to {suspect['b_cable']} fibre "
                    f"{suspect['b_fibre']:.0f} ({row['suspect_db']:.2f} dB)"
                )
        console.print(styled(said, "" if row["explained"] else "bold red"))


# --- `check --spares`


def show_spares(console: Console, facts: SparesFacts) -> None:
    """Print how many fibres of every cable are spare, and those free from port to port.

    Parameters
    ----------
    console : rich.console.Console
    facts : SparesFacts
        What `check --spares --json` writes.
    """
    console.print(styled("Fibres of each cable", "bold"))
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    for name in ("  cable", "fibres", "in use", "joined", "neither", "used by"):
        table.add_column(name, justify="left" if name in ("  cable", "used by") else "right")
    for cable in facts["cables"]:
        links = dict.fromkeys(link for one in cable["in_use"] for link in one["links"])
        others = [f"{link} (which fibres is not on record)" for link in cable["unsure"]]
        neither = "not known" if cable["neither"] is None else str(len(cable["neither"]))
        at_most = "at most " if cable["unsure"] else ""
        table.add_row(
            styled(f"  {cable['cable']}"),
            styled("not known" if cable["fibres"] is None else cable["fibres"]),
            styled(("at least " if cable["unsure"] else "") + str(len(cable["in_use"]))),
            styled(f"{at_most}{len(cable['joined'])}"),
            styled(neither if cable["neither"] is None else f"{at_most}{neither}"),
            styled(few([*(link for link in links if link not in cable["unsure"]), *others], 6)),
        )
    console.print(table)
    console.print(
        styled(
            "  joined: spliced or on a port, and in use by no link; neither: nothing on record",
            "dim",
        )
    )
    console.print()
    count = sum(len(route["runs"]) for route in facts["routes"])
    console.print(styled(f"Free from port to port: {words.count_of(count, 'fibre')}", "bold"))
    for route in facts["routes"]:
        console.print(styled(f"  {_route_said(route)}"))
        console.print(_free_runs(route))


def _route_said(route: SpareRoute) -> str:
    said = (
        f"{route['a']} to {route['b']} over {sentence_list(route['cables'])}: "
        f"{words.count_of(len(route['runs']), 'fibre')}, "
        + ("length not known" if route["length_m"] is None else words.metres(route["length_m"]))
        + f", {words.count_of(route['splices'], 'splice')}"
    )
    if route["joints"]:
        said += f" ({few(dict.fromkeys(route['joints']), MOST_NAMED)})"
    if route["unsure"]:
        said += f"; unless one of them is a fibre of {sentence_list(route['unsure'])}"
    return said


def _free_runs(route: SpareRoute) -> Table:
    table = row_table()
    for several in _side_by_side(route["runs"]):
        run, last = several[0], several[-1]
        fibres = [
            f"{cable} {words.numbers_said([one['fibres'][place] for one in several])}"
            for place, cable in enumerate(route["cables"])
        ]
        cords = [
            f"cord {cord} on port {port} of {at}, which no link uses"
            for cord, port, at in (
                (run["a_cord"], run["a_port"], route["a"]),
                (run["b_cord"], run["b_port"], route["b"]),
            )
            if cord is not None
        ]
        table.add_row(
            styled(
                f"    port {run['a_port']} to port {run['b_port']}"
                if len(several) == 1
                else f"    ports {run['a_port']}-{last['a_port']} to ports {run['b_port']}-"
                f"{last['b_port']}"
            ),
            styled(", ".join(fibres)),
            styled("; ".join(cords)),
        )
    return table


def _side_by_side(runs: Sequence[FreeRun]) -> list[list[FreeRun]]:
    """Free fibres whose ports and numbers all count up together, as one."""
    found: list[list[FreeRun]] = []
    for run in runs:
        if found and _follows(found[-1][-1], run):
            found[-1].append(run)
        else:
            found.append([run])
    return found


def _follows(one: FreeRun, other: FreeRun) -> bool:
    ports = [(one[name], other[name]) for name in ("a_port", "b_port")]
    if any(run["a_cord"] or run["b_cord"] for run in (one, other)):
        return False
    if not all(a.isdecimal() and b.isdecimal() and int(b) == int(a) + 1 for a, b in ports):
        return False
    return all(b == a + 1 for a, b in zip(one["fibres"], other["fibres"], strict=True))
