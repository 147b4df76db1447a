"""Plants with paths beside and across each other, drawn by hand in metres."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from drawn_plant import DrawnPlant, Place
from waysapart.recheck import recheck

Facts = dict[str, Any]


SCALE = 0.99966


def ground(drawn_m: float) -> Any:
    """A length on the ground, to a tenth of a per cent."""
    return pytest.approx(drawn_m / SCALE, rel=1e-3)


class Plant(DrawnPlant):
    """A circuit K whose paths are drawn as polylines, one segment each, under rules of its own."""

    def __init__(self, a: Place = (0, 0), b: Place = (1000, 0)) -> None:
        super().__init__(a, b)
        self.rules = 'separation_m = 5\nend_zone_m = 50\nforbid_cross = true\ngroup_test = "all"\n'
        self.waivers = ""

    def way(self, name: str, *line: str | Place, kind: str = "duct", **row: Any) -> None:
        """A cable of its own in one segment of the same name."""
        self.segment(name, kind, *line, **row)
        self.listed(f"C{name}", name)

    def ways(self, circuit: str, *names: str, **row: Any) -> None:
        """A circuit over the ways of these names: main, alternate, and further ones."""
        relays = ["RA", "RB"]
        if row.get("group"):  # members of a group have relays of their own
            relays = [f"{relay}-{circuit}" for relay in relays]
            for relay, site in zip(relays, "AB", strict=True):
                self.rows["equipment"].append(
                    {"id": relay, "site": site, "within": "-", "supplies": "-", "delay_us": 0}
                )
        ends = dict(zip("ab", relays, strict=True))
        self.rows["circuits"].append({"id": circuit, **ends, "service": "", **row})
        for place, name in enumerate(names):
            link = f"L-C{name}"
            if row.get("group"):
                link = f"L-C{name}-{circuit}"
                self.rows["links"].append({"id": link, **ends, "wavelength_nm": 1310})
                self.rows["link_runs"].append({"link": link, "seq": 1, "cable": f"C{name}"})
            label = ("main", "alternate", "third")[place]
            self.rows["circuit_paths"].append(
                {"circuit": circuit, "path": label, "seq": 1, "link": link}
            )

    def proved(self, folder: Path) -> Facts:
        """Facts of the only group, else of the only circuit, which recheck has confirmed."""
        facts = self.whole(folder)
        assert rechecked(folder, facts)["false"] == []
        found: Facts = (facts["groups"] or facts["circuits"])[0]
        return found

    def whole(self, folder: Path) -> Facts:
        """All that `prove --json` writes."""
        facts: Facts = json.loads(json.dumps(self.proof(folder).facts()))
        return facts

    def write(self, folder: Path) -> Path:
        folder.mkdir(parents=True, exist_ok=True)
        text = f"[services.default]\n{self.rules}{self.waivers}"
        (folder / "rules.toml").write_text(text, encoding="utf-8")
        self.settings = 'rules = "rules.toml"\n'
        return super().write(folder)

    def waive_asset(self, asset: str) -> None:
        self.waivers += (
            f'[[waiver]]\ncircuit = "K"\nasset = "{asset}"\n'
            'reason = "agreed"\nby = "note 1"\nuntil = 2999-01-01\n'
        )

    def waive(self, one: str, other: str, until: str = "2999-01-01", circuit: str = "K") -> None:
        self.waivers += (
            f'[[waiver]]\ncircuit = "{circuit}"\npair = ["{one}", "{other}"]\n'
            f'reason = "agreed"\nby = "note 1"\nuntil = {until}\n'
        )


def beside(apart_m: float = 3.0) -> Plant:
    """Main straight from A to B; the alternate 3 m beside it from 300 to 700."""
    plant = Plant()
    plant.way("M", "A", "B")
    plant.way("N", "A", (100, 100), (300, apart_m), (700, apart_m), (900, 100), "B")
    plant.ways("K", "M", "N")
    return plant


def rechecked(folder: Path, facts: Facts) -> Facts:
    """What recheck says of facts about the plant in a folder."""
    (folder / "evidence.json").write_text(json.dumps(facts), encoding="utf-8")
    return recheck(folder, folder / "evidence.json")


def three(*, n_from: float, o_from: float) -> Plant:
    """M straight; N runs 3 m north of it for 100 m from `n_from`, O 3 m south from `o_from`."""
    plant = Plant()
    plant.way("M", "A", "B")
    for name, start, side in (("N", n_from, 1), ("O", o_from, -1)):
        plant.way(
            name,
            "A",
            (60, 90 * side),
            (start, 90 * side),
            (start, 3 * side),
            (start + 100, 3 * side),
            (start + 100, 90 * side),
            (940, 90 * side),
            "B",
        )
    plant.ways("K", "M", "N", "O")
    return plant
