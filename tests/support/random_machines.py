"""Equipment of a random study, and what keeps it up."""

from __future__ import annotations

import random
from collections.abc import Callable

from random_study import Study


def place_equipment(study: Study) -> None:
    rng = study.rng
    clocks: list[str] = []
    for site in study.terminals:
        letter = site[-1]
        hall = f"HALL-{letter}"
        rooms = []
        for i in range(rng.randint(1, 2)):
            holder = rng.choice([hall, hall, site, "-", ""])
            rooms.append(
                study.add("holders", id=f"ROOM{i + 1}-{letter}", kind="room", within=holder)
            )
        rack = study.add("holders", id=f"RACK-{letter}", kind="rack", within=study.within(*rooms))
        supplies = _place_supplies(study, site, rooms)
        powered = _supply_choice(study, supplies)
        clock = _machine(study, "CLK", site, "clock", [rack, *rooms], powered(), [])
        clocks.append(clock)
        chassis = _machine(
            study,
            "CH",
            site,
            "chassis",
            [rack, *rooms],
            powered(),
            [clock] if study.chance(0.3) else [],
        )
        for name, count in (("MUX", rng.randint(1, 2)), ("RLY", rng.randint(1, 2)), ("PNL", 1)):
            for _ in range(count):
                holders = [chassis, rack] if name == "MUX" else [rack, *rooms]
                needs = []
                if name != "PNL" and study.chance(0.15):
                    needs.append(rng.choice(clocks))
                chosen = powered() if name != "PNL" else []
                machine = _machine(study, name, site, name.lower(), holders, chosen, needs)
                if name != "PNL":
                    study.equipment[site].append(machine)
    _add_boards(study)


def _machine(
    study: Study,
    letters: str,
    site: str,
    kind: str,
    holders: list[str],
    supplies: list[str],
    needs: list[str],
) -> str:
    letters = f"{letters}{site[-1]}"
    return study.add(
        "equipment",
        id=study.new(letters),
        site=site,
        kind=kind,
        within=study.within(*holders),
        supplies=";".join(supplies) or study.blank("-"),
        needs=";".join(needs) or study.blank("-"),
        delay_us=study.blank(study.rng.choice([0, 12.5, 180, 410])),
    )


def _place_supplies(study: Study, site: str, rooms: list[str]) -> list[str]:
    rng = study.rng
    letter = site[-1]
    chargers = []
    for i in range(rng.randint(1, 2)):
        holder = study.within(*rooms)
        charger = f"CHG{i + 1}-{letter}"
        chargers.append(study.add("holders", id=charger, kind="charger", within=holder))
    guard = ""
    if study.chance(0.2):
        guard = _machine(study, "CTL", site, "controller", rooms, [], [])
    found = []
    for i in range(rng.randint(1, 2)):
        home = site
        if study.chance(study.knobs.supply_elsewhere):
            home = rng.choice(sorted(study.terminals))
        needs = [rng.choice(chargers)] if study.chance(0.7) else []
        if guard and study.chance(0.6):
            needs.append(guard)
        battery = study.add(
            "supplies",
            id=f"BAT{i + 1}-{letter}",
            site=home,
            within=study.within(*rooms),
            needs=";".join(needs) or study.blank("-"),
        )
        found.append(battery)
    return found


def _supply_choice(study: Study, supplies: list[str]) -> Callable[[], list[str]]:
    def choose() -> list[str]:
        if study.chance(0.25):
            return []
        if study.chance(0.4):
            return list(supplies)
        return [study.rng.choice(supplies)]

    return choose


def _add_boards(study: Study) -> None:
    """Boards between batteries and machines: fed by either of two, or tied to each other.

    Drawn by numbers of their own, so that the rest of a study is what it would be without.
    """
    rng = random.Random(f"boards {study.rng.getstate()[1][:8]}")
    for site in study.terminals:
        if rng.random() >= study.knobs.boards:
            continue
        letter = site[-1]
        batteries = [row["id"] for row in study.rows["supplies"] if row["id"].endswith(letter)]
        names = [f"BRD{i + 1}-{letter}" for i in range(rng.randint(1, 2))]
        tied = len(names) > 1 and rng.random() < 0.5
        for place, name in enumerate(names):
            feeding = rng.sample(batteries, rng.randint(1, len(batteries)))
            if tied:
                feeding = [batteries[place % len(batteries)], names[1 - place]]
            study.add(
                "supplies",
                id=name,
                kind="board",
                site=site,
                within=rng.choice([f"ROOM1-{letter}", "-"]),
                supplies=";".join(feeding),
                needs="-",
            )
        for row in study.rows["equipment"]:
            if row["site"] == site and row["supplies"] not in ("", "-") and rng.random() < 0.6:
                row["supplies"] = ";".join(rng.sample(names, rng.randint(1, len(names))))
                if rng.random() < 0.3:
                    row["supplies"] += f";{rng.choice(batteries)}"
