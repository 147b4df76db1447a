"""A national plant of any size from a seed: lines of towers between sites, and a town at each.

Sites stand on an uneven grid, about 14 km apart; towers are 300 m apart on straight lines. (In
`europe` sites are 100 km and supports 2,600 m apart, from 41 to 63 degrees north.)
Each line has an earth wire with fibres, every fourth one a second cable wrapped on it, every
tenth is kept as one polyline that passes its towers; a line reaches its site through a duct in
a trench. Some lines have a twin 25 m beside them. The town at each site has streets of trenches
with two ducts each and a subduct in the first, pits at the corners, and two cables round it
that make a ring with the town's office. Every site has batteries, chargers and racks in rooms.

Most circuits run round the two sides of a rectangle of lines, or round a town's ring; of a
hundred, three have both ways on the first line of one of them, and two run on a line and on
its twin. `grid` is a transmission grid without towns, where most circuits share long stretches.

Run by hand to write one:  python tests/benchmarks/national_plant.py FOLDER [--size 100k]
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

CRS = "EPSG:3035"
MIDDLE = (4_321_000.0, 3_210_000.0)
"""Where the projection keeps lengths best."""
GAP_M = 14_000.0
SPAN_M = 300.0
GANTRY_M = 100.0
TWIN_M = 25.0
STREET_M = 90.0
CORNERS = 3
LONGEST = 4
"""Most lines of a circuit's way in one direction."""
RULES = """[services.default]
max_delay_us = 5000
separation_m = { "span/span" = 40, "duct/duct" = 5, "trench/trench" = 5 }
end_zone_m = 50

[defaults.reel_m]
opgw = 4500
wrapped = 4500
"""

Ints = np.ndarray[tuple[int], np.dtype[np.int64]]


@dataclass(frozen=True)
class Size:
    """Sites east and north, and circuits.

    `gap_m` lies between sites and `span_m` between supports. `riding` is the share of circuits
    whose paths share lines; they share their first line, in a plant without `towns` all of a row
    but the last.
    """

    east: int
    north: int
    circuits: int
    gap_m: float = GAP_M
    towns: bool = True
    riding: float = 0.03
    span_m: float = SPAN_M


SIZES = {
    "1k": Size(2, 3, 30),
    "10k": Size(8, 9, 300),
    "100k": Size(26, 27, 3_000),
    "1M": Size(82, 83, 10_000),
    "grid": Size(21, 21, 400, gap_m=9_800.0, towns=False, riding=0.63),
    "europe": Size(34, 25, 3_000, gap_m=100_000.0, span_m=2_600.0),
}


def numbered(prefix: str, *numbers: Ints) -> np.ndarray:
    """Ids such as L12-3 from a prefix and numbers."""
    text = pd.Series(prefix, index=range(len(numbers[0])), dtype=object)
    for place, number in enumerate(numbers):
        text = text + ("-" if place else "") + pd.Series(number).astype(str).astype(object)
    return text.to_numpy(dtype=object, copy=True)


class Plant:
    """Frames of all roles, and the rows that circuits run over."""

    def __init__(self, size: Size, seed: int = 1) -> None:
        self.size = size
        self.rng = np.random.default_rng(seed)
        self.parts: dict[str, list[pd.DataFrame]] = {}
        grid = np.stack(np.meshgrid(np.arange(size.east), np.arange(size.north), indexing="ij"), -1)
        uneven = self.rng.uniform(-1_500, 1_500, grid.shape)
        middle = np.array([size.east, size.north]) * size.gap_m / 2
        self.at = grid * size.gap_m + uneven + MIDDLE - middle
        self.site = np.arange(size.east * size.north).reshape(size.east, size.north)
        self._sites()
        self._lines()
        if size.towns:
            self._towns()
        self._circuits()

    def add(self, role: str, **columns: object) -> None:
        """Rows of a role; a column is an array or one value."""
        self.parts.setdefault(role, []).append(pd.DataFrame(columns))

    def _sites(self) -> None:
        number = self.site.ravel()
        name = numbered("S", number)
        self.add(
            "sites", id=name, kind="substation", within="-",
            geometry=shapely.points(self.at.reshape(-1, 2)),
        )  # fmt: skip
        for room in ("E", "B1", "B2"):
            self.add("holders", id=f"ROOM-{room}-" + name, kind="room", within=name)
        self.add("holders", id="RACK-" + name, kind="rack", within="ROOM-E-" + name)
        for battery in ("1", "2"):
            room = f"ROOM-B{battery}-" + name
            self.add(
                "equipment", id=f"CH{battery}-" + name, site=name, kind="charger", within=room,
                supplies="-",
            )  # fmt: skip
            self.add(
                "supplies", id=f"BAT{battery}-" + name, site=name, within=room,
                needs=f"CH{battery}-" + name,
            )  # fmt: skip
        self.add(
            "equipment", id="MUX-" + name, site=name, kind="multiplexer", within="RACK-" + name,
            supplies="BAT1-" + name + ";BAT2-" + name, delay_us=30.0,
        )  # fmt: skip

    def _lines(self) -> None:
        """Lines east and north of every site, and twins of one in eight of them."""
        east = np.stack([self.site[:-1].ravel(), self.site[1:].ravel()], -1)
        north = np.stack([self.site[:, :-1].ravel(), self.site[:, 1:].ravel()], -1)
        plain = np.concatenate([east, north])
        self.east = np.arange(len(east)).reshape(self.site[1:].shape)
        self.north = len(east) + np.arange(len(north)).reshape(self.site[:, 1:].shape)
        self.twinned = np.flatnonzero(self.rng.random(len(plain)) < 0.125)
        self.ends = np.concatenate([plain, plain[self.twinned]])
        self.twin_of = len(plain) + np.arange(len(self.twinned))
        twin = np.arange(len(self.ends)) >= len(plain)
        place = self.at.reshape(-1, 2)
        begin, end = place[self.ends[:, 0]], place[self.ends[:, 1]]
        length = np.hypot(*(end - begin).T)
        along = (end - begin) / length[:, None]
        beside = np.where(twin, TWIN_M, 0.0)[:, None] * np.stack([-along[:, 1], along[:, 0]], -1)
        begin = begin + GANTRY_M * along + beside
        end = end - GANTRY_M * along + beside
        spans = np.maximum(2, np.round((length - 2 * GANTRY_M) / self.size.span_m)).astype(np.int64)
        self._towers(begin, end, spans)
        self._approaches(begin, end, spans)

    def _towers(self, begin: np.ndarray, end: np.ndarray, spans: Ints) -> None:
        line = np.repeat(np.arange(len(spans)), spans + 1)
        first = np.cumsum(spans + 1) - (spans + 1)
        step = np.arange(len(line)) - first[line]
        share = (step / spans[line])[:, None]
        point = begin[line] * (1 - share) + end[line] * share
        tower = numbered("T", line, step)
        is_end = (step == 0) | (step == spans[line])
        self.add(
            "structures", id=tower, kind=np.where(is_end, "gantry", "tower"), within="-",
            geometry=shapely.points(point),
        )  # fmt: skip
        whole = np.arange(len(spans)) % 10 == 9
        row = np.flatnonzero((step < spans[line]) & ~whole[line])
        stated = self.rng.random(len(row)) < 0.5
        span = numbered("SP", line[row], step[row])
        self.add(
            "segments", id=span, kind="span", within="-",
            a=np.where(stated, tower[row], None), b=np.where(stated, tower[row + 1], None),
            sag_m=6.0,
            geometry=shapely.linestrings(np.stack([point[row], point[row + 1]], 1)),
        )  # fmt: skip
        kept = whole[line]
        self.add(
            "segments", id=numbered("PL", np.flatnonzero(whole)), kind="span", within="-",
            a=None, b=None, sag_m=6.0,
            geometry=shapely.linestrings(point[kept], indices=np.cumsum(whole)[line[kept]] - 1),
        )  # fmt: skip
        wire = numbered("OPGW", np.arange(len(spans)))
        self.add("cables", id=wire, kind="opgw", fibre_type="G.652.D", fibre_count=48)
        self.add("cable_runs", cable=wire[line[row]], seq=step[row] + 1, segment=span)
        self.add(
            "cable_runs", cable=wire[whole], seq=1, segment=numbered("PL", np.flatnonzero(whole))
        )
        wrapped = np.arange(len(spans)) % 4 == 3
        self.add(
            "cables", id=numbered("WRAP", np.flatnonzero(wrapped)), kind="wrapped",
            fibre_type="G.652.D", fibre_count=24, carried_by=wire[wrapped], wrap_pitch_m=1.0,
            wrap_diameter_mm=20.0,
        )  # fmt: skip
        self.cable = wire.copy()
        self.cable[wrapped] = numbered("WRAP", np.flatnonzero(wrapped))
        spliced = np.flatnonzero((step % 14 == 13) & ~is_end)
        self.add(
            "joints", id=numbered("J", line[spliced], step[spliced]), at=tower[spliced],
            cables=np.where(
                wrapped, wire + ";" + numbered("WRAP", np.arange(len(spans))), wire
            )[line[spliced]],
        )  # fmt: skip
        middle = first + spans // 2
        flooded = np.flatnonzero(self.rng.random(len(spans)) < 0.05)
        self.add(
            "hazards", id=numbered("FLOOD", flooded), kind="flood", per_year=0.01, repair_h=72.0,
            geometry=shapely.buffer(shapely.points(point[middle[flooded]]), 400.0),
        )  # fmt: skip

    def _approaches(self, begin: np.ndarray, end: np.ndarray, spans: Ints) -> None:
        """A trench, a duct and a cable from the gantry at each end of a line to the site."""
        line = np.arange(len(spans))
        place = self.at.reshape(-1, 2)
        names = []
        for side, (gantry, step) in enumerate(((begin, 0 * line), (end, spans))):
            site = self.ends[:, side]
            course = shapely.linestrings(np.stack([gantry, place[site]], 1))
            stands = {"a": numbered("T", line, step), "b": numbered("S", site)}
            trench, duct, cable = (
                numbered(what, line, 0 * line + side) for what in ("AT", "AD", "AC")
            )
            self.add("segments", id=trench, kind="trench", within="-", **stands, geometry=course)
            self.add("segments", id=duct, kind="duct", within=trench, **stands, geometry=course)
            self.add("cables", id=cable, kind="duct", fibre_type="G.652.D", fibre_count=48)
            self.add("cable_runs", cable=cable, seq=1, segment=duct)
            names.append(cable)
        link = numbered("L", line)
        mux = "MUX-" + numbered("S", self.ends[:, 0]), "MUX-" + numbered("S", self.ends[:, 1])
        self._links(link, *mux, self.ends[:, 0] >= 0)
        for seq, cable in enumerate((names[0], self.cable, names[1]), start=1):
            self.add("link_runs", link=link, seq=seq, cable=cable)

    def _links(self, link: np.ndarray, a: np.ndarray, b: np.ndarray, far: np.ndarray) -> None:
        self.add(
            "links", id=link, a=a, b=b, wavelength_nm=np.where(far, 1550, 1310), tx_min_dbm=-3.0,
            tx_max_dbm=-1.0, rx_min_dbm=-28.0, rx_max_dbm=0.0, reserve_db=1.0,
        )  # fmt: skip

    def _towns(self) -> None:
        """Streets between corners (i, j), which lie i steps one way and j another from the site."""
        count = self.site.size
        place = self.at.reshape(-1, 2)
        ways = STREET_M * np.array([[np.cos(a), np.sin(a)] for a in np.radians([30.0, 60.0])])
        i, j = (axis.ravel() for axis in np.meshgrid(range(CORNERS), range(CORNERS)))
        corner = i + CORNERS * j
        last = CORNERS * CORNERS - 1
        town = np.repeat(np.arange(count), len(corner))
        at = np.tile(corner, count)
        step = np.stack([at % CORNERS, at // CORNERS], -1)
        point = place[town] + step @ ways
        name = numbered("P", town, at)
        name[at == 0] = numbered("S", town[at == 0])
        name[at == last] = numbered("O", town[at == last])
        pit = (at != 0) & (at != last)
        self.add(
            "structures", id=name[pit], kind="pit", within="-", geometry=shapely.points(point[pit])
        )
        office = at == last
        self.add(
            "sites", id=name[office], kind="office", within="-",
            geometry=shapely.points(point[office]),
        )  # fmt: skip
        self.add(
            "equipment", id="MUX-" + name[office], site=name[office], kind="multiplexer",
            within="-", supplies="-", delay_us=30.0,
        )  # fmt: skip
        for turn, ahead in ((0, 1), (1, CORNERS)):
            begin = np.flatnonzero(step[:, turn] < CORNERS - 1)
            end = begin + ahead
            number = town[begin], at[begin], 0 * begin + turn
            course = shapely.linestrings(np.stack([point[begin], point[end]], 1))
            stated = self.rng.random(len(begin)) < 0.5
            stands = {
                "a": np.where(stated, name[begin], None),
                "b": np.where(stated, name[end], None),
            }
            trench, one, two, sub = (numbered(what, *number) for what in ("TR", "DA", "DB", "SD"))
            for own, kind, within in (
                (trench, "trench", "-"),
                (one, "duct", trench),
                (two, "duct", trench),
                (sub, "subduct", one),
            ):
                self.add("segments", id=own, kind=kind, within=within, **stands, geometry=course)
        self._rings(count)

    def _rings(self, count: int) -> None:
        """Two cables from the site to the office, first one way then the other; and back."""
        number = np.arange(count)
        edge = CORNERS - 1
        rounds = (
            [(k, 0) for k in range(edge)] + [(edge + CORNERS * k, 1) for k in range(edge)],
            [(CORNERS * k, 1) for k in range(edge)]
            + [(CORNERS * edge + k, 0) for k in range(edge)],
        )
        a, b = "MUX-" + numbered("S", number), "MUX-" + numbered("O", number)
        for which, streets in enumerate(rounds):
            cable, link = (
                numbered("TC", number, 0 * number + which),
                numbered("TL", number, 0 * number + which),
            )
            self.add("cables", id=cable, kind="duct", fibre_type="G.652.D", fibre_count=96)
            for seq, (corner, turn) in enumerate(streets, start=1):
                self.add(
                    "cable_runs", cable=cable, seq=seq,
                    segment=numbered("SD", number, 0 * number + corner, 0 * number + turn),
                )  # fmt: skip
            self._links(link, a if which == 0 else b, b if which == 0 else a, number < 0)
            self.add("link_runs", link=link, seq=1, cable=cable)
            self.add("rings", ring=numbered("R", number), seq=which + 1, link=link)

    def _circuits(self) -> None:
        size, count = self.size, self.size.circuits
        lot = self.rng.random(count)
        name = np.arange(count)
        towns = 0.2 if size.towns else 0.0
        riding = towns + size.riding
        town, shared, twin = lot < towns, (lot >= towns) & (lot < riding), lot >= riding
        twin &= lot < riding + 0.02
        width = np.minimum(self.rng.integers(1, LONGEST + 1, count), size.east - 1)
        width[shared] = np.minimum(np.maximum(width[shared], 2), size.east - 1)
        height = np.minimum(self.rng.integers(1, LONGEST + 1, count), size.north - 1)
        x = self.rng.integers(0, size.east - width)
        y = self.rng.integers(0, size.north - height)

        mine = np.flatnonzero(town)
        at = self.rng.integers(0, self.site.size, len(mine))
        a, b = "MUX-" + numbered("S", at), "MUX-" + numbered("O", at)
        if len(mine):
            self.add("circuits", id=numbered("K", mine), a=a, b=b, service="")
            self.add("ring_circuits", circuit=numbered("K", mine), ring=numbered("R", at))

        mine = np.flatnonzero(twin & (len(self.twinned) > 0))
        pick = self.rng.integers(0, max(len(self.twinned), 1), len(mine))
        if len(mine):
            ends = self.ends[self.twinned[pick]]
            self._between(mine, ends[:, 0], ends[:, 1])
            self._way(mine, "main", [(mine, self.twinned[pick])])
            self._way(mine, "alternate", [(mine, self.twin_of[pick])])

        mine = name[~town & ~twin]
        x, y, width, height = (one[mine] for one in (x, y, width, height))
        self._between(mine, self.site[x, y], self.site[x + width, y + height])
        self._way(
            mine,
            "main",
            [self._east(mine, x, y, width), self._north(mine, x + width, y, height)],
        )
        first = shared[mine].astype(np.int64)
        first *= 1 if size.towns else np.maximum(width - 1, 1)
        self._way(
            mine,
            "alternate",
            [
                self._east(mine, x, y, first),
                self._north(mine, x + first, y, height),
                self._east(mine, x + first, y + height, width - first),
            ],
        )

    def _between(self, circuit: Ints, a: Ints, b: Ints) -> None:
        self.add(
            "circuits", id=numbered("K", circuit), a="MUX-" + numbered("S", a),
            b="MUX-" + numbered("S", b), service="",
        )  # fmt: skip

    def _east(self, circuit: Ints, x: Ints, y: Ints, count: Ints) -> tuple[Ints, Ints]:
        row, step = _steps(count)
        return circuit[row], self.east[x[row] + step, y[row]]

    def _north(self, circuit: Ints, x: Ints, y: Ints, count: Ints) -> tuple[Ints, Ints]:
        row, step = _steps(count)
        return circuit[row], self.north[x[row], y[row] + step]

    def _way(self, circuits: Ints, label: str, parts: list[tuple[Ints, Ints]]) -> None:
        circuit = np.concatenate([one for one, _ in parts])
        line = np.concatenate([one for _, one in parts])
        order = np.argsort(circuit, kind="stable")
        circuit, line = circuit[order], line[order]
        seq = np.arange(len(circuit)) - np.searchsorted(circuit, circuit) + 1
        self.add(
            "circuit_paths", circuit=numbered("K", circuit), path=label, seq=seq,
            link=numbered("L", line),
        )  # fmt: skip

    def write(self, folder: Path) -> Path:
        """Layers with geometry into study.gpkg, the others as CSV."""
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "study.gpkg").unlink(missing_ok=True)
        for role, parts in self.parts.items():
            frame = pd.concat(parts, ignore_index=True)
            if "geometry" in frame:
                layer = gpd.GeoDataFrame(frame, geometry="geometry", crs=CRS)
                layer.to_file(folder / "study.gpkg", layer=role, engine="pyogrio")
            else:
                frame.to_csv(folder / f"{role}.csv", index=False)
        (folder / "study.toml").write_text(
            f'name = "National plant"\ncrs = "{CRS}"\nrules = "rules.toml"\n', encoding="utf-8"
        )
        (folder / "rules.toml").write_text(RULES, encoding="utf-8")
        return folder


def _steps(count: Ints) -> tuple[Ints, Ints]:
    """For each of `count` rows, that many steps: row and step."""
    row = np.repeat(np.arange(len(count)), count)
    return row, np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--size", choices=SIZES, default="100k")
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    plant = Plant(SIZES[chosen.size], chosen.seed)
    plant.write(chosen.folder)
    for role, parts in plant.parts.items():
        print(f"{sum(map(len, parts)):9d} {role}")


if __name__ == "__main__":
    main()
