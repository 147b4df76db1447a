"""How often is a path down whose machines either of several supplies feeds?

    RA and RB at sites A and B, joined by two ducts. Each link passes machines at A (`via`),
    which hang on batteries and boards; these need chargers and stand in rooms. Nothing fails
    but what a test lets fail.

Random plants of this sort are held against a sum over all states of what can fail, which is
worked out here from the rows alone, in plain sets.
"""

from __future__ import annotations

import math
import random
from collections import Counter
from collections.abc import Iterator
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import waysapart as wa
from dig_plant import two_ways
from drawn_plant import DrawnPlant
from everyday import some
from oracle_plant import read_plant
from proofs import proof_of
from random_plant import write_random_study
from waysapart.findings import outages
from waysapart.formulas.availability import GREATEST_THINGS
from waysapart.verdicts.prove import Proof
from whatif_oracle import cut, ways

SEEDS = 66
HOURS = 8760.0
REPAIR_H = 100.0
ROLES = ("sites", "structures", "holders", "segments", "cables", "equipment", "supplies", "joints")
QUIET = "".join(
    f"[failures.{kind}]\nper_year = 0.0\nrepair_h = 1\n"
    for kind in (*ROLES, "duct", "charger", "battery")
)


def share(per_year: float) -> float:
    """Part of the time that something is down that takes `REPAIR_H` to mend."""
    return per_year * REPAIR_H / (HOURS + per_year * REPAIR_H)


def rate(down: float) -> float:
    """Failures a year of what is down so much of the time."""
    return down / (1 - down) * HOURS / REPAIR_H


class Plant:
    """The plant above, with what fails in it; `failing` gives the part of the time."""

    def __init__(self) -> None:
        self.drawn = two_ways()
        self.failing: dict[str, float] = {}
        self.rows: dict[str, dict[str, Any]] = {}
        self.ways: dict[str, tuple[str, ...]] = {}

    def add(self, role: str, name: str, **cells: str) -> None:
        """A holder, supply or machine at A; lists with `;` between."""
        row = {"within": "-", "needs": "-", "supplies": "-", **cells}
        self.rows[name] = row
        keep = {"holders": ("within",)}.get(role, ("within", "needs", "supplies"))
        at = {} if role == "holders" else {"site": "A"}
        blank = {"supplies": ""} if role == "supplies" and row["supplies"] == "-" else {}
        self.drawn.rows[role].append(
            {"id": name, "kind": f"k-{name}", **at, **{key: row[key] for key in keep}, **blank}
        )

    def path(self, circuit: str, label: str, cable: str, *machines: str) -> None:
        """A way of a circuit: a link over one of the two ducts, past machines."""
        if circuit not in [row["id"] for row in self.drawn.rows["circuits"]]:
            self.drawn.rows["circuits"].append(
                {"id": circuit, "a": "RA", "b": "RB", "service": "", "group": ""}
            )
        link = f"{circuit}-{label}"
        self.drawn.rows["links"].append(
            {"id": link, "a": "RA", "b": "RB", "wavelength_nm": 1310, "via": ";".join(machines)}
        )
        self.drawn.rows["link_runs"].append({"link": link, "seq": 1, "cable": cable})
        self.drawn.rows["circuit_paths"].append(
            {"circuit": circuit, "path": label, "seq": 1, "link": link}
        )
        self.ways[link] = machines

    def fails(self, **down: float) -> None:
        """Let things fail, each for a part of the time."""
        self.failing |= {name.replace("_", "-"): value for name, value in down.items()}

    def prove(self, folder: Path, rules: str = "") -> Proof:
        for role in ("circuits", "circuit_paths"):
            self.drawn.rows[role] = [
                row for row in self.drawn.rows[role] if row.get("id", row.get("circuit")) != "K"
            ]
        text = QUIET + "".join(
            f'[failures."k-{name}"]\nper_year = {rate(down)!r}\nrepair_h = {REPAIR_H}\n'
            for name, down in self.failing.items()
        )
        self.drawn.settings = 'rules = "rules.toml"\n'
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "rules.toml").write_text(text + rules, encoding="utf-8")
        return self.drawn.proof(folder)

    def states(self) -> Iterator[tuple[float, dict[str, bool], set[str]]]:
        """Probability of every state, what has failed in it, and the paths that are down."""
        names = list(self.failing)
        for down in product((False, True), repeat=len(names)):
            weight = math.prod(
                self.failing[name] if gone else 1 - self.failing[name]
                for name, gone in zip(names, down, strict=True)
            )
            failed = dict(zip(names, down, strict=True))
            lost = self._lost({name for name, gone in failed.items() if gone})
            yield weight, failed, {way for way, met in self.ways.items() if lost & set(met)}

    def _lost(self, lost: set[str]) -> set[str]:
        """Everything that falls with what failed: first what stands on it, then what it fed."""
        while True:
            more = {name for name, row in self.rows.items() if self._falls(row, lost)}
            more |= set(self.rows) & (self._fed(set()) - self._fed(lost))
            if more <= lost:
                return lost
            lost |= more

    def _falls(self, row: dict[str, str], lost: set[str]) -> bool:
        return bool(lost & set((row["within"] + ";" + row["needs"]).split(";")))

    def _fed(self, lost: set[str]) -> set[str]:
        """Everything up that power reaches from a supply that stands by itself."""
        up = {name: row["supplies"].split(";") for name, row in self.rows.items()}
        fed = {name for name, feeding in up.items() if feeding == ["-"] and name not in lost}
        while True:
            more = {n for n, feeding in up.items() if n not in lost and fed & set(feeding)}
            if more <= fed:
                return fed
            fed |= more


def random_plant(seed: int) -> Plant:
    """One to four batteries, up to three boards, machines on any of them, two or three circuits."""
    rng = random.Random(f"either {seed}")
    plant = Plant()
    rooms = [f"RM{n}" for n in range(rng.randint(1, 3))]
    for name in rooms:
        plant.add("holders", name)
    chargers = [f"CH{n}" for n in range(rng.randint(1, 3))]
    for name in chargers:
        plant.add("holders", name, within=rng.choice([*rooms, "-"]))
    guard = rng.random() < 0.4
    batteries = [f"B{n}" for n in range(rng.randint(1, 4))]
    for name in batteries:
        needs = [rng.choice(chargers)] if rng.random() < 0.7 else []
        needs += ["GUARD"] if guard and rng.random() < 0.5 else []
        plant.add("supplies", name, within=rng.choice([*rooms, "-"]), needs=";".join(needs) or "-")
    boards = [f"BRD{n}" for n in range(rng.randint(0, 3))]
    for name in boards:
        # Each has a battery as well: a loop has a source.
        pool = [*boards, *boards, *batteries]
        feeding = {rng.choice(batteries), *rng.sample(pool, rng.randint(0, 2))} - {name}
        plant.add("supplies", name, supplies=";".join(sorted(feeding)))
    supplies = [*batteries, *boards]
    if guard:
        plant.add(
            "equipment", "GUARD", supplies=";".join(rng.sample(supplies, min(2, len(supplies))))
        )
    machines = [f"M{n}" for n in range(rng.randint(2, 5))]
    for place, name in enumerate(machines):
        feeding = rng.sample(supplies, rng.randint(1, min(3, len(supplies))))
        plant.add(
            "equipment",
            name,
            supplies=";".join(feeding),
            within=rng.choice([*rooms, "-"]),
            needs=rng.choice([*machines[:place], "-", "-"]),
        )
    for circuit in ("K1", "K2")[: rng.randint(1, 2)]:
        for label, cable in zip(("main", "alternate", "third"), ("CM", "CA", "CM"), strict=True):
            if label != "third" or rng.random() < 0.2:
                met = rng.sample(machines, rng.randint(1, 2))
                plant.path(circuit, label, cable, *sorted(met))
    for row in plant.drawn.rows["circuits"]:
        row["group"] = "" if row["id"] == "K" else "PAIR"
    frail = rng.sample(sorted(plant.rows), min(9, len(plant.rows)))
    plant.failing = {name: rng.choice([1e-5, 0.01, 0.2, 0.4]) for name in frail}
    return plant


@pytest.mark.parametrize("seed", some(range(SEEDS), every=12))
def test_every_figure_is_the_sum_over_all_states(seed: int, tmp_path: Path) -> None:
    """Each path, all paths of each circuit and group, what each thing brings, and how often."""
    plant = random_plant(seed)
    proof = plant.prove(tmp_path / "study")
    states = list(plant.states())
    links = proof.study.tables["links"]["id"].to_list()
    paths = proof.network.paths
    way = [str(links[paths.links(path)[0]]) for path in range(len(paths))]
    for path, link in enumerate(way):
        exact = math.fsum(weight for weight, _, lost in states if link in lost)
        assert proof.outages.paths[path] == pytest.approx(exact, rel=1e-9)
    tests = [list(paths.of_circuit(circuit)) for circuit in range(proof.circuit_count)]
    if len(proof.trials) > proof.circuit_count:
        tests.append([path for one in tests for path in one])
        tests.append([path for path in tests[-1] if paths.label[path] == "main"])
    ids = proof.network.assets.frame["id"].to_list()
    for test, mine in enumerate(tests):
        needed = {way[path] for path in mine}
        exact = math.fsum(weight for weight, _, lost in states if needed <= lost)
        assert proof.outages.together[test] == pytest.approx(exact, rel=1e-9)
        losses = 0.0
        brings = dict(zip(ids, proof.outages.contributions([test]), strict=True))
        for name, down in plant.failing.items():
            gone, kept = (
                math.fsum(
                    weight / (down if failed[name] else 1 - down)
                    for weight, failed, lost in states
                    if failed[name] is value and needed <= lost
                )
                for value in (True, False)
            )
            assert brings[name] == pytest.approx(down * (gone - kept), rel=1e-8, abs=1e-16)
            losses += (gone - kept) * rate(down) * (1 - down)
        assert proof.outages.losses[test] == pytest.approx(losses, rel=1e-8, abs=1e-14)


def test_the_random_plants_hold_the_hard_cases() -> None:
    """Boards in a loop, supplies behind machines that other supplies feed, three paths, groups."""
    plants = [random_plant(seed) for seed in range(SEEDS)]
    fed = [{n: set(row["supplies"].split(";")) for n, row in p.rows.items()} for p in plants]
    assert sum(any(n in f.get(o, ()) for n in f for o in f[n]) for f in fed) > 5
    assert sum(len(f.get("GUARD", ())) > 1 for f in fed) > 8
    assert sum(any(way.endswith("third") for way in p.ways) for p in plants) > 8
    assert sum(len(p.ways) > 3 for p in plants) > 20
    assert sum(len(p.failing) == 9 for p in plants) > 40


@pytest.mark.parametrize("seed", some(range(8), every=6))
def test_random_studies_against_events_played_through(
    seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whole plants with cables, hazards and boards, in which six things can fail, two of them
    supplies: each path and each circuit against the sum over the 64 states.

    Hops without fibre never fail by themselves, and say so: else no sum is known."""
    sound = dict.fromkeys(("gaps", "blanks", "supply_elsewhere", "joints_elsewhere"), 0.0)
    folder = write_random_study(tmp_path / "study", 6400 + seed, boards=0.9, **sound)
    links = pd.read_csv(folder / "links.csv", dtype=str, keep_default_na=False)
    links["unavailability"] = np.where(links["medium"].isin(["", "fibre"]), "", "0")
    links.to_csv(folder / "links.csv", index=False)
    plant = read_plant(folder)
    rng = random.Random(seed)
    supplies = sorted(one.id for one in plant.of("supplies"))
    frail = {*rng.sample(supplies, 2), *rng.sample(sorted(plant.assets), 4)} - {*plant.out}
    study = wa.read_study(folder)
    monkeypatch.setattr(
        outages,
        "asset_failures",
        lambda network: (
            rate(0.3) * network.assets.frame["id"].isin(frail).to_numpy(),
            np.full(len(network.assets), REPAIR_H),
        ),
    )
    proof = wa.prove(study)
    exact: Counter[tuple[str, ...]] = Counter()
    for down in product((False, True), repeat=len(frail)):
        taken = {name for name, gone in zip(sorted(frail), down, strict=True) if gone}
        weight = 0.3 ** len(taken) * 0.7 ** (len(frail) - len(taken))
        gone = cut(plant, {*taken, *plant.out})
        exact.update(dict.fromkeys(gone, weight))
        exact.update(
            {
                (circuit,): weight
                for circuit, labels in ways(plant).items()
                if labels and all((circuit, label) in gone for label in labels)
            }
        )
    paths, circuits = proof.network.paths, proof.study.tables["circuits"]["id"].to_list()
    for path in range(len(paths)):
        key = str(circuits[paths.circuit[path]]), paths.label[path]
        assert proof.outages.paths[path] == pytest.approx(exact[key], rel=1e-9)
    for circuit, name in enumerate(circuits):
        if paths.of_circuit(circuit):
            found = proof.outages.together[circuit]
            assert found == pytest.approx(exact[(str(name),)], rel=1e-9)


def two_machines_on_two_batteries() -> Plant:
    """M1 on main and M2 on the alternate, each fed by either of B1 and B2."""
    plant = Plant()
    for name in ("B1", "B2"):
        plant.add("supplies", name)
    for name in ("M1", "M2"):
        plant.add("equipment", name, supplies="B1;B2")
    plant.path("K1", "main", "CM", "M1")
    plant.path("K1", "alternate", "CA", "M2")
    return plant


def test_two_paths_on_the_same_two_batteries(tmp_path: Path) -> None:
    """M1 on main and M2 on the alternate hang on B1 and B2, each down 12 % of the time.

    Both down: 0.0144. The two machines fail 0.5 % of the time each: both at once 2.5e-5,
    which the batteries leave 0.9856 of. 0.0144 + 0.9856 x 2.5e-5 = 0.01442464. Each path:
    1 - 0.9856 x 0.995 = 0.019328.
    """
    plant = two_machines_on_two_batteries()
    plant.fails(B1=0.12, B2=0.12, M1=0.005, M2=0.005)
    proof = plant.prove(tmp_path / "study")
    (circuit,) = proof.facts()["circuits"]
    down = circuit["unavailability"]
    assert down["both"] == pytest.approx(0.0144 + 0.9856 * 2.5e-5, rel=1e-5)
    assert down["main"] == down["alternate"] == pytest.approx(1 - 0.9856 * 0.995, rel=1e-5)
    # B1 brings what would be spared if it never failed: all but the two machines' 2.5e-5.
    brings = {row["asset"]: row["share"] for row in down["greatest"]}
    assert brings["B1"] == brings["B2"] == pytest.approx(0.0144 * (1 - 2.5e-5), rel=1e-5)


def test_worst_ranks_that_pair_and_unavailability_agrees(tmp_path: Path) -> None:
    """The pair of batteries loses K1, and each of the two brings 0.0144 of the time."""
    plant = two_machines_on_two_batteries()
    plant.fails(B1=0.12, B2=0.12)
    proof = plant.prove(tmp_path / "study")
    pairs = wa.worst(proof, top=1000).pairs.frame.to_dict("records")
    assert any({*row["a"], *row["b"]} == {"B1", "B2"} for row in pairs)
    brings = proof.outages.contributions([0])
    number = dict(zip(proof.network.assets.frame["id"], brings, strict=True))
    assert number["B1"] == number["B2"] == pytest.approx(0.0144)
    assert proof.outages.together[0] == pytest.approx(0.0144)


def test_a_relay_on_one_battery_and_a_multiplexer_on_both(tmp_path: Path) -> None:
    """Main meets M1 on B1 alone, the alternate meets M2 on B1 or B2, each down 10 %.

    Main is down with B1, 0.1. The alternate with both, 0.01. Both paths: B1 and B2, 0.01: what
    is shared is the state of B1, which a product of 0.1 and 0.01 would miss.
    """
    plant = Plant()
    for name in ("B1", "B2"):
        plant.add("supplies", name)
    plant.add("equipment", "M1", supplies="B1")
    plant.add("equipment", "M2", supplies="B1;B2")
    plant.path("K1", "main", "CM", "M1")
    plant.path("K1", "alternate", "CA", "M2")
    plant.fails(B1=0.1, B2=0.1)
    proof = plant.prove(tmp_path / "study")
    assert proof.outages.paths == pytest.approx([0.1, 0.01])
    assert proof.outages.together[0] == pytest.approx(0.01)


def test_a_board_that_either_charger_feeds(tmp_path: Path) -> None:
    """M1 hangs on BRD alone (1 %), which C1 or C2 feeds (20 % each): 1 - 0.99 x 0.96."""
    plant = Plant()
    for name in ("C1", "C2"):
        plant.add("supplies", name)
    plant.add("supplies", "BRD", supplies="C1;C2")
    plant.add("equipment", "M1", supplies="BRD")
    plant.path("K1", "main", "CM", "M1")
    plant.path("K1", "alternate", "CA", "M1")
    plant.fails(C1=0.2, C2=0.2, BRD=0.01)
    proof = plant.prove(tmp_path / "study")
    assert proof.outages.together[0] == pytest.approx(1 - 0.99 * 0.96)


def test_a_battery_out_of_service_leaves_the_other_alone(tmp_path: Path) -> None:
    """B1 is out: M1 is down with B2, 12 % of the time, not 1.44 %."""
    plant = Plant()
    for name in ("B1", "B2"):
        plant.add("supplies", name)
    plant.add("equipment", "M1", supplies="B1;B2")
    plant.path("K1", "main", "CM", "M1")
    plant.path("K1", "alternate", "CA", "M1")
    plant.fails(B1=0.12, B2=0.12)
    folder = tmp_path / "study"
    plant.prove(folder)
    text = (folder / "study.toml").read_text(encoding="utf-8")
    (folder / "study.toml").write_text(f'out = ["B1"]\n{text}', encoding="utf-8")
    proof = proof_of(folder)
    assert proof.outages.together[0] == pytest.approx(0.12)


def many_batteries(tmp_path: Path, count: int) -> Proof:
    """Machine n hangs on batteries n and n + 1; main meets the even ones, the alternate the odd.

    Batteries are down 10 % of the time, and M0 25 % by itself.
    """
    plant = Plant()
    for n in range(count + 1):
        plant.add("supplies", f"B{n}")
    for n in range(count):
        plant.add("equipment", f"M{n}", supplies=f"B{n};B{n + 1}")
    plant.path("K1", "main", "CM", *(f"M{n}" for n in range(0, count, 2)))
    plant.path("K1", "alternate", "CA", *(f"M{n}" for n in range(1, count, 2)))
    plant.fails(**{f"B{n}": 0.1 for n in range(count + 1)}, M0=0.25)
    return plant.prove(tmp_path / "study")


def test_a_chain_of_batteries_is_exact_up_to_the_greatest_number(tmp_path: Path) -> None:
    """Against a walk along the chain: is battery n down, is main down, is the alternate down?"""
    count = GREATEST_THINGS - 1
    proof = many_batteries(tmp_path, count)
    state = {(False, False, False): 0.9, (True, False, False): 0.1}
    for n in range(count):
        following: dict[tuple[bool, bool, bool], float] = {}
        for (down, main, alternate), weight in state.items():
            for gone, chance in ((True, 0.1), (False, 0.9)):
                dark = down and gone
                key = (gone, main or (dark and n % 2 == 0), alternate or (dark and n % 2 == 1))
                following[key] = following.get(key, 0.0) + weight * chance
        state = following
    main = sum(weight for (_, main, _), weight in state.items() if main)
    both = sum(w for (_, main, alternate), w in state.items() if main and alternate)
    alternate = sum(w for (_, _, alternate), w in state.items() if alternate)
    assert proof.outages.paths[0] == pytest.approx(main + (1 - main) * 0.25)
    assert proof.outages.together[0] == pytest.approx(both + (alternate - both) * 0.25)
    assert proof.outages.left_out == ((),)


def test_what_is_too_much_to_work_out_is_named(tmp_path: Path) -> None:
    """One battery more: that both feeds of a machine are down at once is left out, and said.

    Main alone has eight machines with nothing in common, 1 % each: 1 - 0.75 x 0.99^8.
    """
    proof = many_batteries(tmp_path, GREATEST_THINGS)
    names = proof.network.assets.ids(proof.outages.left_out[0])
    assert names == sorted(f"M{n}" for n in range(GREATEST_THINGS))
    assert np.isnan(proof.outages.together[0])
    assert proof.outages.together_at_least[0] == 0.0
    assert "M0" in " ".join(proof.outages.why[0])
    assert proof.outages.path_left_out == ((), ())
    assert proof.outages.paths[0] == pytest.approx(1 - 0.75 * 0.99**8)


def test_a_drawn_plant_of_this_kind_is_read_as_it_is_meant(tmp_path: Path) -> None:
    """No gaps but of loss and delay, or the figures above would be of something else."""
    assert isinstance(Plant().drawn, DrawnPlant)
    for seed in range(6):
        proof = random_plant(seed).prove(tmp_path / str(seed))
        assert {gap.code for gap in proof.record_gaps} <= {
            "blank-delay",
            "joints-unrecorded",
            "lone-member",
        }
