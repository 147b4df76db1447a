"""The small study with round lengths, and ways of changing single cells of it.

    West Sands --S1-- T1 --S2-- T2 --S3-- T3 --S4-- Marsh Point    C1, ground wire
    West Sands --D1-- P1 --D2-- P2 --D3-- P3 --D4-- Marsh Point    C2, in ducts

Both cables have a joint in their middle, after one reel of 2000 m: J2 at T2, and J1 at P2 with
0.08 dB on record. Every segment is 1000 m long by record; nothing sags, no cable has overlength
or slack unless a test gives it some. Both relays take 100 us.
"""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

from proofs import proof_of
from small_study import SEGMENTS, lon_lat, write_small_study
from waysapart.recheck import recheck
from waysapart.report.words import link_losses
from waysapart.verdicts.prove import Proof

RULES = """
[defaults]
overlength_pct = { opgw = 0.0, duct = 0.0, other = 0.0 }
[services.default]
separation_m = 0
forbid_cross = false
"""


class SmallStudy:
    """A study in a folder that a test changes before it proves it."""

    def __init__(self, folder: Path) -> None:
        self.folder = write_small_study(folder)
        self.text("rules.toml", RULES)
        toml = (folder / "study.toml").read_text(encoding="utf-8")
        self.text("study.toml", toml + 'rules = "rules.toml"\n')
        for segment in SEGMENTS:
            self.feature("segments", segment, length_m=1000.0)
        for relay in ("R-W", "R-M"):
            self.cell("equipment", relay, delay_us=100)
        for name in ("L1", "L2"):
            self.cell("links", name, splices="")
        self.rows("joints", "J2,T2,C1,\n")
        for duct in ("D1", "D2"):
            self.feature("segments", duct, within="-")

    def text(self, file: str, text: str) -> None:
        """Write a file as it stands."""
        (self.folder / file).write_text(text, encoding="utf-8")

    def rules(self, text: str) -> None:
        """Add to the rules."""
        old = (self.folder / "rules.toml").read_text(encoding="utf-8")
        self.text("rules.toml", old + text)

    def feature(self, role: str, name: str, **cells: Any) -> None:
        """Set properties of one feature."""
        path = self.folder / f"{role}.geojson"
        data = json.loads(path.read_text(encoding="utf-8"))
        for feature in data["features"]:
            if feature["properties"]["id"] == name:
                feature["properties"] |= cells
        path.write_text(json.dumps(data), encoding="utf-8")

    def undraw(self, role: str, name: str) -> None:
        """Take the geometry of one feature away, and its length where it states one."""
        path = self.folder / f"{role}.geojson"
        data = json.loads(path.read_text(encoding="utf-8"))
        (feature,) = (one for one in data["features"] if one["properties"]["id"] == name)
        feature["geometry"] = None
        feature["properties"].pop("length_m", None)
        path.write_text(json.dumps(data), encoding="utf-8")

    def point(self, role: str, name: str, place: tuple[float, float], **cells: Any) -> None:
        """Add a structure or a site so many metres east and north of the estuary's mouth."""
        path = self.folder / f"{role}.geojson"
        data = json.loads(path.read_text(encoding="utf-8"))
        geometry = {"type": "Point", "coordinates": lon_lat(*place)}
        made = {"type": "Feature", "properties": {"id": name, **cells}, "geometry": geometry}
        data["features"].append(made)
        path.write_text(json.dumps(data), encoding="utf-8")

    def cell(self, role: str, name: str, **cells: object) -> None:
        """Set cells of the row of a table whose first column holds a name."""
        path = self.folder / f"{role}.csv"
        rows = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))
        for row in rows:
            if next(iter(row.values())) == name:
                row |= {key: str(value) for key, value in cells.items()}
        fields = list(dict.fromkeys(key for row in rows for key in row))
        out = io.StringIO()
        writer = csv.DictWriter(out, fields, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
        path.write_text(out.getvalue(), encoding="utf-8")

    def rows(self, role: str, text: str) -> None:
        """Add rows to a table, or write it where there is none."""
        path = self.folder / f"{role}.csv"
        old = path.read_text(encoding="utf-8") if path.exists() else ""
        path.write_text(old + text, encoding="utf-8")

    def prove(self) -> Proof:
        """Read and prove it."""
        return proof_of(self.folder)

    def facts(self) -> dict[str, Any]:
        """What `prove` says of it."""
        return self.prove().facts()

    def confirmed(self) -> dict[str, Any]:
        """The same as a file holds it, after `recheck` has found nothing false in it."""
        file = self.folder.parent / "evidence.json"
        text = json.dumps(self.facts())
        file.write_text(text, encoding="utf-8")
        assert recheck(self.folder, file)["false"] == []
        return dict(json.loads(text))


def circuit(facts: dict[str, Any], name: str = "K1") -> dict[str, Any]:
    """One circuit of the facts."""
    found: dict[str, Any] = next(one for one in facts["circuits"] if one["id"] == name)
    return found


def link(facts: dict[str, Any], name: str = "L1") -> dict[str, Any]:
    """One link's entry of the facts, with what is said of its loss."""
    found: dict[str, Any] = next(one for one in facts["links"] if one["id"] == name)
    return {**found, **(found["loss"] or {})}


def lengths(facts: dict[str, Any], path: str = "main") -> dict[str, Any]:
    """Terms of the length of the first link of a path."""
    found: dict[str, Any] = link(facts, circuit(facts)["paths"][path]["links"][0])["lengths"]
    return found


def loss(facts: dict[str, Any], path: str = "main") -> dict[str, Any]:
    """All that is said of the loss of the first link of a path under the circuit's service."""
    links = {one["id"]: one for one in facts["links"]}
    losses: Any = link_losses(circuit(facts), links)  # type: ignore[arg-type]
    found = next(one for one in losses if one.path == path)
    return {**found.link, **found.held, **found.row}
