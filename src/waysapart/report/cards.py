"""Cards of the plant as it is built: one for each joint and each panel, to print and take along."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import shapely

from waysapart.figures import moment
from waysapart.findings.splices import splice_table
from waysapart.network.build_network import Network
from waysapart.network.spares import fibre_use_of
from waysapart.network.trace import ports_of
from waysapart.output_files import OutputFile, refuse_unsafe, write_text
from waysapart.report.page import render_page
from waysapart.report.words import numbers_said
from waysapart.schema import VERSION
from waysapart.text import counted

QUESTION = (
    "Which fibre is joined to which in each joint, what ends on each port of each panel, and which "
    "protection circuits are on it?"
)


def write_cards(network: Network, path: str | Path, *, force: bool = False) -> Path:
    """Write a card for each joint and each panel as one HTML file, made to be printed.

    Parameters
    ----------
    network : Network
        From `tie`.
    path : path
        Where to; an old file there is replaced only by a whole new one.
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
    >>> network = wa.tie(wa.read_study("examples/estuary"))
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     wa.write_cards(network, f"{folder}/cards.html").name
    'cards.html'
    """
    study = network.study
    target = OutputFile(Path(path), "html")
    refuse_unsafe([target], study.files, force=force)
    view = {
        **cards_view(network),
        "question": QUESTION,
        "made": moment(datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")),
        "version": VERSION,
        "study": study.name,
        "revision": study.revision,
        "inputs": [{"file": one.file, "sha256": one.sha256} for one in study.inputs],
    }
    title = f"Joints and panels: {study.name}"
    page = render_page("cards.html.j2", view, {"circuits": []}, {}, title=title, label=title)
    write_text(target, page, study.files, force=force)
    return target.path


def cards_view(network: Network) -> dict[str, list[dict[str, Any]]]:
    """Make what the cards show.

    Parameters
    ----------
    network : Network

    Returns
    -------
    dict
        `joints`: `id`, `at`, `lon_lat`, `trays` (tray and its rows) and `uncut`; `panels`: `id`,
        `site`, `within`, `rows` (port, fibre, where that leads, cord, what it leads to, links).
    """
    users = _Users.of(network)
    return {"joints": _joints(network, users), "panels": _panels(network, users)}


@dataclass(frozen=True)
class _Users:
    """Which links use what, and which circuits run over each link.

    Attributes
    ----------
    circuits : dict of str to list of str
        By link, such as `C03 main`.
    fibres : dict
        By cable and fibre, the links.
    """

    circuits: dict[str, list[str]]
    fibres: dict[tuple[str, int], list[str]]

    @classmethod
    def of(cls, network: Network) -> _Users:
        """Read them from the tied paths and the runs of links."""
        tables, paths = network.study.tables, network.paths
        links = tables["links"]["id"].to_list()
        names = tables["circuits"]["id"].to_list()
        circuits: dict[str, list[str]] = {}
        for path, label in enumerate(paths.label):
            for link in paths.links(path).tolist():
                said = f"{names[int(paths.circuit[path])]} {label}"
                circuits.setdefault(links[link], []).append(said)
        cables = tables["cables"]["id"].to_list()
        used = fibre_use_of(network).links
        fibres = {(cables[cable], fibre): mine for (cable, fibre), mine in used.items()}
        return cls(circuits, fibres)

    def said(self, links: Sequence[str]) -> list[dict[str, Any]]:
        """Links with their circuits, for the page."""
        return [{"link": link, "circuits": self.circuits.get(link, [])} for link in links]


def _joints(network: Network, users: _Users) -> list[dict[str, Any]]:
    study = network.study
    table = splice_table(network)
    joints = study.tables["joints"]
    where = _places(network)
    counts = study.tables["cables"].set_index("id")["fibre_count"].to_dict()
    by_joint = dict(iter(table.groupby("joint")))
    found = []
    for joint, at in zip(joints["id"].to_list(), joints["at"].to_list(), strict=True):
        rows = by_joint.get(joint)
        if rows is None:
            continue
        trays = [
            {
                "tray": tray if isinstance(tray, str) else "",
                "rows": [_splice(row, users) for row in mine.to_dict("records")],
            }
            for tray, mine in rows.groupby("tray", dropna=False, sort=True)
        ]
        ends = pd.concat(
            [
                rows[[f"{side}_cable", f"{side}_fibre"]].set_axis(["cable", "fibre"], axis=1)
                for side in "ab"
            ]
        )
        others = []
        for cable, fibres in ends.groupby("cable")["fibre"]:
            used = {int(one) for one in fibres}
            count = counts.get(cable, np.nan)
            rest = (
                [one for one in range(1, int(count) + 1) if one not in used]
                if not np.isnan(count)
                else []
            )
            others.append(
                {"cable": cable, "fibres": numbers_said(rest), "known": not np.isnan(count)}
            )
        found.append(
            {
                "id": joint,
                "at": at,
                "lon_lat": where.get(at),
                "trays": trays,
                "others": others,
            }
        )
    return found


def _splice(row: Mapping[Any, Any], users: _Users) -> dict[str, Any]:
    age = row["days"]
    return {
        "a": f"{row['a_cable']} fibre {row['a_fibre']:.0f}",
        "b": f"{row['b_cable']} fibre {row['b_fibre']:.0f}",
        "loss_db": None if np.isnan(row["loss_db"]) else float(row["loss_db"]),
        "rests_on": row["rests_on"],
        "over": bool(row["over"]),
        "days": None if np.isnan(age) else int(age),
        "links": users.said(row["links"]),
    }


def _places(network: Network) -> dict[str, tuple[float, float]]:
    """Longitude and latitude of every structure and site, by id."""
    found: dict[str, tuple[float, float]] = {}
    for role in ("structures", "sites"):
        points = shapely.centroid(network.study.lonlat(role))
        for name, point in zip(network.study.tables[role]["id"].to_list(), points, strict=True):
            if point is not None:
                found[name] = (float(point.x), float(point.y))
    return found


def _panels(network: Network, users: _Users) -> list[dict[str, Any]]:
    tables = network.study.tables
    rows: dict[str, dict[str, dict[str, Any]]] = {}

    def port(machine: object, name: object) -> dict[str, Any]:
        blank: dict[str, Any] = {"port": name, "fibres": [], "cords": [], "links": []}
        return rows.setdefault(str(machine), {}).setdefault(str(name), blank)

    ended = tables["terminations"]
    for cable, fibre, machine, name in zip(
        *(ended[column].to_list() for column in ("cable", "fibre", "equipment", "port")),
        strict=True,
    ):
        if not all(isinstance(one, str) for one in (cable, machine, name)) or np.isnan(fibre):
            continue
        one = port(machine, name)
        one["fibres"].append(f"{cable} fibre {fibre:.0f}")
        one["links"] += users.said(users.fibres.get((cable, int(fibre)), []))
    panels = set(rows)
    cords = tables["patches"]
    columns = ("id", "a", "a_port", "b", "b_port")
    for cord, a, a_ports, b, b_ports in zip(
        *(cords[column].to_list() for column in columns), strict=True
    ):
        for mine, other in zip(ports_of(a_ports), ports_of(b_ports), strict=False):
            for machine, name, far, far_port in ((a, mine, b, other), (b, other, a, mine)):
                if machine in panels:
                    port(machine, name)["cords"].append(
                        {"id": cord, "to": f"port {far_port} of {far}"}
                    )
    equipment = tables["equipment"].set_index("id")
    return [
        {
            "id": machine,
            "kind": _text(equipment["kind"].get(machine)),
            "site": _text(equipment["site"].get(machine)),
            "within": _text(equipment["within"].get(machine)),
            "rows": sorted(rows[machine].values(), key=lambda one: counted(one["port"])),
        }
        for machine in sorted(rows)
    ]


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""
