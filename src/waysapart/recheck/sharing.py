"""What paths share, what falls with what they protect, and what waivers accept of it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from itertools import zip_longest
from typing import Any, NamedTuple, cast

import shapely.geometry

from waysapart.evidence import Circuit, Group, JudgedWaiver
from waysapart.recheck.evidence import About, few
from waysapart.recheck.faulty_rows import Row, reached
from waysapart.recheck.paths import Key
from waysapart.recheck.reliance import Asset, Trial, World, name_of, service_of, whole_cable


@dataclass
class SharedAssets:
    """Attributes as in the evidence.

    `tail`: what a circuit shares inside its end sites before its paths separate, where that
    is excused; `own_line`: what counts because a path is lost with it and with what the circuit
    protects, which is named; `through`: what is shared only because something shared lies
    in it, and the things that may be named for it: the fewest steps in, and of those the
    first by role; `supports`: what such a holder directly holds of the shared things.
    """

    shared: set[Asset] = field(default_factory=set)
    avoidable: set[Asset] = field(default_factory=set)
    tail: set[Asset] = field(default_factory=set)
    own_line: dict[Asset, set[str]] = field(default_factory=dict)
    through: dict[Asset, set[str]] = field(default_factory=dict)
    supports: dict[Asset, set[Asset]] = field(default_factory=dict)
    waived: set[Asset] = field(default_factory=set)

    @property
    def unavoidable(self) -> set[Asset]:
        """What is shared only because the circuits end there."""
        return self.shared - self.avoidable - self.tail


class Subject(NamedTuple):
    """A circuit or group: its claim, its trial, and what that shares."""

    claim: Circuit | Group
    trial: Trial
    shared: SharedAssets


def share(world: World, trial: Trial) -> SharedAssets:
    """What the sides of a circuit or group share; of a group, over all its contests.

    Parameters
    ----------
    world : World
    trial : Trial

    Returns
    -------
    SharedAssets
    """
    found, alone = SharedAssets(), set()
    holders = world.reliance.holders
    for contest in trial.contests:
        if len(contest) > 1:
            shared, avoidable = share_contest(world, contest, grouped=bool(trial.group_test))
            found.shared |= shared
            found.avoidable |= avoidable
            alone |= shared.intersection(*(_reached_alone(world, key, shared) for key in contest))
    found.tail = found.avoidable & _tail(world, trial)
    found.avoidable -= found.tail
    folded = (found.shared - alone) & found.avoidable
    if trial.group_test is None:
        counts = service_of(world.records, trial.id)["own_line"]
        lines = own_line(world, trial.id).counted(counts) if counts != "excused" else {}
        unavoidable = found.unavoidable
        found.own_line = {one: named for one, named in lines.items() if one not in unavoidable}
        more = set(found.own_line) - found.avoidable
        found.avoidable |= more
        found.tail -= more
        folded |= {up for one in found.avoidable for up in holders.get(one, ())} & more
    for asset in folded:
        below = {one for one in found.avoidable if asset in holders.get(one, ())}
        inside, layer = {asset}, {asset}
        while layer and layer <= folded:
            layer = {
                one for one in found.avoidable - inside if layer.intersection(holders.get(one, ()))
            }
            inside |= layer
        roots = {name_of(one) for one in layer - folded}
        if roots:
            by_role = (rows.keys() & roots for rows in world.records.by.values())
            found.through[asset] = next(names for names in by_role if names)
            found.supports[asset] = below
    return found


def share_contest(
    world: World, contest: list[Key], *, grouped: bool
) -> tuple[set[Asset], set[Asset]]:
    """What all paths of a contest rely on, and what of it is avoidable.

    Parameters
    ----------
    world : World
    contest : list of (circuit, label)
    grouped : bool
        Whether the paths are those of a group.

    Returns
    -------
    shared, avoidable : set
    """
    asked = grouped, tuple(contest)
    if asked not in world.contested:
        world.contested[asked] = _share_contest(world, contest, grouped=grouped)
    return world.contested[asked]


def _share_contest(
    world: World, contest: list[Key], *, grouped: bool
) -> tuple[set[Asset], set[Asset]]:
    shared = set.intersection(*(world.relied[key] for key in contest))
    ends: dict[Key, set[Asset]] = {key: _ends(world, key[0], grouped=grouped) for key in contest}
    hit = world.ground.hit

    def hazards(key: Key) -> set[Asset]:
        """Hazards that a path meets through other plant than what stands at the ends."""
        away = (world.relied[key] - ends[key]) & hit.keys()
        through_air = world.items[key] & world.records.by["hazards"].keys()
        return {one for asset in away for one in hit[str(asset)]} | through_air

    met = [hazards(key) for key in contest]
    elsewhere = set.union(*met) if grouped else set.intersection(*met)
    at_ends: set[Asset] = set.intersection(*ends.values())
    return shared, shared - ((shared & at_ends) - elsewhere)


def _reached_alone(world: World, key: Key, shared: set[Asset]) -> set[Asset]:
    """What a path uses directly, and relies on other than through what is shared."""
    works, holders, relied = world.reliance.works, world.reliance.holders, world.relied[key]
    return world.items[key].union(
        *(works[one] for one in relied & works.keys()),
        *(holders[one] for one in (relied - shared) & holders.keys()),
    )


def group_ends(world: World, circuit: str) -> set[str]:
    """What a circuit of a group may share because it ends there, by ids.

    Parameters
    ----------
    world : World
    circuit : str

    Returns
    -------
    set of str
        Its sites, what these lie within and what takes them, and kinds that the rules excuse.
    """
    return set(map(name_of, _ends(world, circuit, grouped=True)))


def _ends(world: World, circuit: str, *, grouped: bool) -> set[Asset]:
    """What a circuit's ends rely on: its relays with all they need, or in a group their sites."""
    by = world.records.by
    machines = [name for end in ("a", "b") if (name := by["circuits"][circuit].get(end))]
    brought: set[Asset] = set().union(*(world.leads(one) for one in machines))
    if not grouped:
        return brought
    sites = {by["equipment"][one]["site"] for one in machines}
    excuse = world.records.rules["groups"]["excuse"]
    listed = {one for one in brought if world.ground.kind.get(str(one)) in excuse}
    return listed.union(*(world.leads(site) for site in sites))


def _tail(world: World, trial: Trial) -> set[Asset]:
    """What all paths of a circuit pass inside an end site before they separate."""
    by = world.records.by
    courses = [world.paths[key] for key in trial.paths]
    excused = trial.group_test is None and service_of(world.records, trial.id)["tail"] != "shared"
    if not excused or all(one == courses[0] for one in courses):
        return set()
    found: set[Asset] = set()
    for end, way in (("a", 1), ("b", -1)):
        at = by["circuits"][trial.id].get(end)
        site = by["equipment"][at]["site"] if at else None
        for step in zip(*(one[::way] for one in courses), strict=False):
            link = by["links"][step[0]]
            machines = {link["a"], link["b"], *(link.get("via") or ())}
            inside = site is not None and None not in machines
            inside = inside and {by["equipment"][one]["site"] for one in machines} == {site}
            if len(set(step)) > 1 or not inside or at not in (link["a"], link["b"]):
                break
            found |= _indoors(world, step[0], site)
            at = link["b"] if at == link["a"] else link["a"]
    return found


def _indoors(world: World, hop: str, site: str | None) -> set[Asset]:
    """What a hop inside a site is made of, and what that relies on there; no laid plant."""
    by, ground = world.records.by, world.ground

    def laid(asset: Asset) -> bool:
        if asset in by["structures"]:
            return True
        tray = ground.kind.get(str(asset)) in ("tray", "riser")
        return asset in by["segments"] and not (tray and set(ground.ends[str(asset)]) == {site})

    def stands(asset: Asset) -> bool:
        for role, place in (("equipment", "site"), ("supplies", "site"), ("joints", "at")):
            if asset in by[role]:
                return bool(by[role][str(asset)][place] == site)
        if asset in by["holders"]:
            return _only_at(world, str(asset), site)
        if isinstance(asset, tuple) or asset in by["patches"]:
            return True
        return asset in by["segments"] and not laid(asset)

    items = world.reliance.items[hop]
    cord = not any(laid(one) for one in items)
    start = {one for one in items if stands(one) or (cord and one in by["cables"])}
    holders, works = world.reliance.holders, world.reliance.works

    def onward(at: Asset) -> Iterator[Asset]:
        return filter(stands, (*holders.get(at, ()), *works.get(at, ())))

    return reached(start, onward)


def _only_at(world: World, holder: str, site: str | None) -> bool:
    """Whether a holder lies in no other site, and holds nothing that stands elsewhere."""
    by, ground = world.records.by, world.ground

    def on(place: str | None) -> bool:
        return place is not None and (place == site or site in ground.over(place))

    def here(asset: str) -> bool:
        for role in ("equipment", "supplies"):
            if asset in by[role]:
                return bool(by[role][asset]["site"] == site)
        if asset in by["segments"]:
            return all(on(end) for end in ground.ends[asset])
        return asset in by["holders"] or on(asset)

    if not ground.over(holder) & set(by["sites"]) <= {site}:
        return False
    inside = {one for one in ground.holders if holder in ground.over(one)}
    return all(here(one) for one in inside)


Entry = tuple[str, str, str, tuple[str, ...]]
"""Asset, path lost with it, what is protected, paths that remain."""


@dataclass
class OwnLine:
    """What is known of one circuit.

    `entries` is None where nothing is known of what it protects; `why` says what is not.
    """

    entries: list[Entry] | None = None
    why: list[str] = field(default_factory=list)

    def counted(self, counts: str) -> dict[Asset, set[str]]:
        """Assets that count by the rule `own_line`, with what it protects that falls with each."""
        found: dict[Asset, set[str]] = {}
        for asset, _, protected, remains in self.entries or ():
            if counts == "any" or (counts == "shared" and not remains):
                found.setdefault(asset, set()).add(protected)
        return found


def own_line(world: World, circuit: str) -> OwnLine:
    """Everything whose loss puts what a circuit protects and a path of it out of service at once.

    Parameters
    ----------
    world : World
    circuit : str
        Its id.

    Returns
    -------
    OwnLine
    """
    row = world.records.by["circuits"][circuit]
    named = [one for one in row.get("protects") or () if one != "-"]
    found = OwnLine()
    if not named:
        found.why.append("the circuit does not say what it protects (column protects)")
    equipment = world.records.by["equipment"]
    ends = {equipment[row[end]]["site"] for end in ("a", "b") if row.get(end)}
    paths = world.paths_of.get(circuit, [])
    for protected in named:
        inside, why = _made_of(world, protected)
        if why:
            found.why += [why] if why not in found.why else []
            continue
        found.entries = found.entries or []
        for asset in _above(world, inside, ends):
            taken = [key for key in paths if key in _cut(world, asset) - world.lost]
            gone = {*taken, *world.lost}
            remains = tuple(key[1] for key in paths if key not in gone)
            # Of two named things one may cut another path as well.
            entries = [(asset, key[1], protected, remains) for key in taken]
            found.entries += [one for one in entries if one not in found.entries]
    return found


def _made_of(world: World, protected: str) -> tuple[set[str], str]:
    """What a named asset is made of, or why that is not known."""
    by, ground = world.records.by, world.ground
    if protected not in ground.kind:
        return set(), f"{protected} is not on record"
    if ground.kind[protected] in world.records.rules["reliance"]["ignore_kinds"]:
        return set(), f"{protected} is of a kind that the rules leave out (ignore_kinds)"
    held = {one for one in ground.holders if protected in ground.over(one)}
    if protected in by["holders"] and not held:
        return set(), f"nothing on record lies within {protected}"
    found: set[str] = {protected, *held}
    for one in (protected, *held):
        if one in ground.ends:
            found |= set(ground.nodes(one))
    if protected in by["cables"]:
        course = {str(one) for one in whole_cable(world.cables, protected)}
        if not course & set(ground.ends):
            return set(), f"the course of {protected} is not on record"
        found |= course
    return found, ""


def _above(world: World, inside: set[str], ends: set[str]) -> set[str]:
    """Some assets, what they lie within, and the hazards to any of it; not by the end sites."""
    holders, hit = world.ground.holders, world.ground.hit
    found = reached(inside - ends, lambda at: set(holders.get(at, ())) - ends)
    return found | {hazard for one in found for hazard in hit.get(one, ())}


def _cut(world: World, asset: str) -> set[Key]:
    """Paths that the loss of an asset cuts, with what is out of service down as well."""
    if asset not in world.cut_by:
        feeds, lost = world.reliance.feeds.items(), set[Asset]()
        fresh: set[Asset] = {asset, *world.records.out}
        while fresh:
            lost |= fresh
            more = {two for one in fresh for two in world.led_to.get(one, ())}
            more |= {name for name, mine in feeds if mine and all(feed & lost for feed in mine)}
            fresh = more - lost
        world.cut_by[asset] = {key for key, items in world.items.items() if items & lost}
    return world.cut_by[asset]


IN_FORCE, LAPSED, IDLE = "in force", "lapsed", "nothing to waive"
COVERED = ("structures", "segments", "holders", "joints")
NEVER = ("cables", "links", "supplies", "equipment")
COLUMNS = {
    "sites": "id kind within accuracy_m",
    "structures": "id kind within accuracy_m elevation_m",
    "holders": "id kind within",
    "segments": "id kind a b within accuracy_m sag_m length_m",
    "cables": "id fibre_type fibre_count kind carried_by overlength_pct slack_m wrap_pitch_m "
    "wrap_diameter_mm db_per_km",
    "joints": "id at cables loss_db",
    "supplies": "id site kind within supplies autonomy_h needs",
    "equipment": "id site kind within supplies needs delay_us",
    "links": "id a b wavelength_nm medium via loss_db relies_on stated_by length_m channel "
    "a_port b_port tx_min_dbm tx_max_dbm rx_min_dbm rx_max_dbm connectors splices "
    "reserve_db bandwidth_mhz dispersion_limit_ps_nm extra_delay_us recovery_ms "
    "unavailability",
    "patches": "id a a_port b b_port within fibre_type length_m loss_db",
    "hazards": "id kind reach_m takes per_year repair_h",
}
"""By role, the columns of a record that a digest is made of; no names and no dates."""


@dataclass
class Waived:
    """The effect of a study's waivers.

    `found`: per waiver its state and the digest of what it would accept; `pairs` and
    `inside`: near approaches and crossings that are waived, by their two ids, or as all that
    have both in a set of segments; `doubtful`: waivers whose state is taken from the evidence,
    since recheck cannot settle it.
    """

    found: list[tuple[str, str | None]] = field(default_factory=list)
    pairs: set[tuple[str, frozenset[str]]] = field(default_factory=set)
    inside: list[tuple[str, set[str]]] = field(default_factory=list)
    doubtful: set[int] = field(default_factory=set)

    def pair(self, trial: str, one: str, other: str) -> bool:
        """Whether a near approach or crossing is waived for a circuit or group."""
        return (trial, frozenset((one, other))) in self.pairs or any(
            trial == name and one in segments and other in segments
            for name, segments in self.inside
        )


def lay_waivers(
    world: World, subjects: Iterable[Subject], states: list[str], today: date
) -> Waived:
    """Mark what is waived on a day.

    Parameters
    ----------
    world : World
    subjects : iterable of Subject
        Their claims say which near approaches and crossings there are, which is checked elsewhere.
        What is waived is marked in their shared assets.
    states : list of str
        State of each waiver by the evidence; counts only where the layers alone do not settle it.
    today : date
        The day judged.

    Returns
    -------
    Waived
    """
    waived = Waived()
    # A circuit and a group may bear one name; waivers then count for the circuit.
    named = {subject.trial.id: subject for subject in reversed(list(subjects))}
    stated = world.records.rules.get("waiver", ())
    for place, (waiver, state) in enumerate(zip_longest(stated, states[: len(stated)])):
        subject, counts = named.get(waiver["circuit"]), today <= last_day(waiver)
        if subject is None:
            waived.found.append((IDLE if counts else LAPSED, None))
            continue
        trial = subject.trial
        mine = subject.shared if len(trial.sides) > 1 else SharedAssets()
        now, covers = _accepts(world, trial, mine, _pairs(subject.claim), waiver)
        doubtful = now is None and "asset" not in waiver and _more_may_be_near(world, trial)
        doubtful |= bool(world.unsure(_paths(world, trial)))
        if doubtful:
            waived.doubtful.add(place)
        if not counts:
            waived.found.append((LAPSED, now))
        elif (doubtful and state != IN_FORCE) or (now is None and not doubtful):
            waived.found.append((IDLE, None))
        elif not doubtful and waiver.get("record", now) != now:
            said = f"the record changed: digest was {waiver['record']}, is now {now}"
            waived.found.append((said, now))
        else:
            waived.found.append((IN_FORCE, now))
            mine.waived |= covers
            if "pair" in waiver:
                waived.pairs.add((trial.id, frozenset(waiver["pair"])))
            if "within" in waiver:
                waived.inside.append((trial.id, _lies_in(world, waiver["within"])))
    for subject in named.values():
        _waive_holders(subject.shared)
    return waived


def last_day(waiver: dict[str, Any]) -> date:
    """The last day of a waiver, which the rules may hold as a date, a moment or a text."""
    return date.fromisoformat(str(waiver["until"])[:10])


def _paths(world: World, trial: Trial) -> list[Key]:
    """Every path of a trial's circuits."""
    return [key for name in trial.circuits for key in world.paths_of.get(name, ())]


def _more_may_be_near(world: World, trial: Trial) -> bool:
    """Whether more may be near than is claimed: of many paths, or by survey accuracy."""
    return any(len(contest) > 2 for contest in trial.contests) or any(
        row.get("accuracy_m") or row.get("_accuracy_m") for row in world.records.rows["segments"]
    )


def _pairs(claim: Circuit | Group) -> set[frozenset[str]]:
    """Near approaches and forbidden crossings of a claim."""
    near = [(two["main"], two["alternate"]) for one in claim["near"] for two in one["members"]]
    cross = [(one["main"], one["alternate"]) for one in claim["cross"] if one["forbidden"]]
    return set(map(frozenset, near + cross))


def _accepts(
    world: World,
    trial: Trial,
    mine: SharedAssets,
    told: set[frozenset[str]],
    waiver: dict[str, Any],
) -> tuple[str | None, set[Asset]]:
    """Digest of what a waiver accepts now, and the assets that it covers itself."""
    if "pair" in waiver:
        pair = frozenset(waiver["pair"])
        if pair not in told:
            return None, set()
        inside: set[str] = set().union(*(_lies_in(world, one) for one in pair))
        return _digest(world, trial, mine, set(pair), inside, {pair}), set()
    if "asset" in waiver:
        name = waiver["asset"]
        known = any(name in rows for role, rows in world.records.by.items() if role in COLUMNS)
        wanted: set[Asset] = {name}
        if not known or name in world.hops:
            wanted.add(("hop", name))
        hit = wanted & mine.avoidable
        if not hit:
            return None, set()
        return _digest(world, trial, mine, hit, _lies_in(world, name), set()), hit
    thing = waiver["within"]
    inside = _lies_in(world, thing)
    covers: set[Asset] = {
        one
        for one in inside & mine.avoidable
        if _role(world, one) in COVERED or (one == thing and _role(world, one) not in NEVER)
    }
    pairs = {pair for pair in told if pair <= inside}
    if not covers and not pairs:
        return None, set()
    named = {thing} | covers | {one for pair in pairs for one in pair}
    return _digest(world, trial, mine, named, inside, pairs), covers


def _lies_in(world: World, thing: str) -> set[str]:
    """What lies in a thing at any depth, joints by where they stand, and the thing itself."""
    return reached([thing], lambda at: world.held.get(at, ()))


def _digest(
    world: World,
    trial: Trial,
    mine: SharedAssets,
    named: Iterable[Asset],
    inside: set[str],
    pairs: set[frozenset[str]],
) -> str:
    names = set(map(name_of, named))
    rows = names | _held_through(world, mine, names)
    relied = {
        one for key in _paths(world, trial) for one in world.relied[key] if isinstance(one, str)
    }
    hops = {one[1] for one in named if not isinstance(one, str)}
    accepted = {
        "pairs": sorted(sorted(pair) for pair in pairs),
        "rows": sorted(
            (_row(world, name, hop=name in hops) for name in rows),
            key=lambda row: (row["role"], row["id"]),
        ),
        "within": sorted((inside - names) & relied),
    }
    text = json.dumps(accepted, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def _held_through(world: World, mine: SharedAssets, names: set[str]) -> set[str]:
    """What is shared only because of what lies in it, where some of that is named."""
    holders = world.reliance.holders
    start: set[Asset] = {holder for one in names for holder in holders.get(one, ())}
    found = reached(start, lambda at: holders.get(at, ()))
    return {str(one) for one in found if one in mine.through}


def _role(world: World, name: str) -> str | None:
    roles = (role for role in COLUMNS if role != "links")
    return next((role for role in roles if name in world.records.by[role]), None)


def _row(world: World, name: str, *, hop: bool) -> dict[str, Any]:
    role = "links" if hop else _role(world, name)
    assert role is not None
    row: Row = world.records.by[role][name]
    if hop:  # as it is on record, without what a trace adds
        row = next(one for one in world.records.stated("links") if one["id"] == name)
    found: dict[str, Any] = {"role": role}
    for column in COLUMNS[role].split():
        value = row.get(column)
        if value == []:
            found[column] = ["-"]
        elif value is not None:
            found[column] = _number(float(f"{value:.9g}")) if isinstance(value, float) else value
    if row.get("_given") is not None:
        shape = shapely.geometry.mapping(row["_given"])
        places = _rounded(shape["coordinates"], 7 if row["_given_degrees"] else 3)
        found["geometry"] = {"type": shape["type"], "coordinates": places}
    return found


def _rounded(value: Any, decimals: int) -> Any:
    if isinstance(value, int | float):
        return _number(round(float(value), decimals))
    return [_rounded(part, decimals) for part in value]


def _number(value: float) -> float | int:
    return int(value) if value.is_integer() else value


def _waive_holders(shared: SharedAssets) -> None:
    """Waive a holder where all that it is shared for is waived."""
    while True:
        more = {a for a, inside in shared.supports.items() if inside and inside <= shared.waived}
        if more <= shared.waived:
            return
        shared.waived |= more


# Against the evidence


def check_waivers(
    world: World, told: list[JudgedWaiver], waived: Waived, today: date, about: About
) -> None:
    """Check each waiver against the rules, its state, and the digest of what it accepts.

    Parameters
    ----------
    world : World
    told : list of JudgedWaiver
        From the evidence.
    waived : Waived
        From `lay_waivers`.
    today : date
        The day judged; a waiver that counts then and has lapsed by now is false.
    about : About
        Tallies the claims.
    """
    now, stated = datetime.now(tz=UTC).date(), world.records.rules.get("waiver", ())
    about.same("number of waivers", len(told), len(stated))
    rows = zip(told, stated, waived.found, strict=False)
    for place, (one, waiver, (state, record)) in enumerate(rows):
        mine, fields = about.of(f"waiver {place + 1}, of {one['circuit']}"), dict[str, Any](one)
        for name in ("circuit", "asset", "within", "pair", "record", "reason", "by"):
            mine.same(name, fields[name], waiver.get(name))
        end = last_day(waiver)
        mine.same("until", one["until"], end.isoformat())
        mine.same("counts", one["counts"], one["state"] == IN_FORCE)
        mine.holds(
            not one["counts"] or end >= now,
            f"counts on {today}, the day judged, and lapsed on {end}: what rests on it does not "
            "hold today",
        )
        days = (end - today).days if one["counts"] else None
        mine.same("lapses in days", one["lapses_in_days"], days)
        if place in waived.doubtful and one["state"] != IDLE:
            settled, of = "what it accepts, which the layers alone do not decide", one["circuit"]
            mine.skip(settled, f"circuit {of}", f"group {of}")
            mine.same("lapsed", one["state"] == LAPSED, state == LAPSED)
            continue
        mine.same("state", one["state"], state)
        mine.same("record", one["record_now"], record)


def check_shared(world: World, subject: Subject, about: About) -> None:
    """Check what a circuit or group shares, and what of it is excused or waived.

    Parameters
    ----------
    world : World
    subject : Subject
    about : About
        Tallies the claims.
    """
    claim, trial, shared = subject
    unsure = bool(world.unsure(trial.paths))
    found = {name_of(one): one for one in shared.avoidable}
    claimed, excused = [one["asset"] for one in claim["shared"]], claim["unavoidable"]
    circuit = None if trial.group_test else cast("Circuit", claim)
    tail = [] if circuit is None else circuit["tail"]
    if unsure:
        about.skip("all that is shared, as the course of a drawn cable is not certain")
        lacking = sorted(found.keys() - {*claimed, *excused, *tail})
        about.holds(not lacking, f"shares {few(lacking)} as well")
        ends = _end_sites(world, trial)
        outside = [one for one in tail if not ends & world.leads(one)]
        about.holds(not outside, f"{few(outside)} of its tail lies at neither end")
        on_all = set(claimed)
    else:
        about.same_set("shared", claimed, found)
        on_all = {name for name, one in found.items() if one in shared.shared}
    # Where the paths end, and so what is excused, does not hang on the course of a cable.
    about.same_set("unavoidable", excused, set(map(name_of, shared.unavoidable)))
    if circuit is not None and not unsure:
        about.same_set("tail", tail, set(map(name_of, shared.tail)))
    single = {*on_all, *excused, *tail} if len(trial.sides) > 1 else set()
    about.same_set("single points of failure", single_points(claim), single)
    if circuit is not None:
        _check_own_line(world, circuit, unsure, about)
    if not unsure:
        blank = world.blank_within.intersection(
            set().union(*(world.relied[key] for key in trial.paths))
        )
        about.same("blank within", claim["blank_within"], len(blank))
    for one in claim["shared"]:
        asset, mine = found.get(one["asset"]), about.of(f"shared {one['asset']}")
        if asset is None:
            continue
        mine.same("role and kind", (one["role"], one["kind"]), world.role_of(asset))
        mine.same("needed", one["needed"], _needed(world, trial, asset))
        if not unsure:
            named = shared.through.get(asset, {None})
            mine.holds(one["through"] in named, f"through {one['through']}, not one of {named}")
            mine.same("waived", one["waived"], asset in shared.waived)
            lines = shared.own_line.get(asset, {None})
            mine.holds(one["own_line"] in lines, f"not counted for {one['own_line']}")
        elif one["waived"]:
            mine.holds(asset in shared.waived, "no waiver in force covers it")


def _needed(world: World, trial: Trial, asset: Asset) -> bool:
    """Whether equipment on one of the paths names an asset among what it needs."""
    naming = {
        name
        for name, row in world.records.by["equipment"].items()
        if asset in (row.get("needs") or ())
    }
    return any(naming & world.relied[key] for key in trial.paths)


def single_points(claim: Circuit | Group) -> list[str]:
    """Ids of all that puts all paths out of service by itself, as claimed, stretches written out.

    Parameters
    ----------
    claim : Circuit or Group
        Its entry in the evidence.

    Returns
    -------
    list of str
    """
    told = claim["single_points"]
    whole = set(told["stretches"])
    on_them = (one["asset"] for one in claim["shared"] if one["stretch"] in whole)
    return [*told["assets"], *on_them]


def _end_sites(world: World, trial: Trial) -> set[Any]:
    """The sites where a trial's circuits end."""
    by = world.records.by
    ends = (by["circuits"][circuit].get(end) for circuit in trial.circuits for end in ("a", "b"))
    return {by["equipment"].get(str(end), {}).get("site") for end in ends} - {None}


def _check_own_line(world: World, claim: Circuit, unsure: bool, about: About) -> None:
    """Check what is lost together with what a circuit protects."""
    protects = world.records.by["circuits"][claim["id"]].get("protects") or ()
    about.same("protects", claim["protects"], [one for one in protects if one != "-"])
    if unsure:
        about.skip("which of its paths are lost with what it protects")
        return
    found, told = own_line(world, claim["id"]), claim["with_protected"]
    about.same("why", claim["with_protected_why"], "; ".join(found.why) or None)
    if found.entries is None or told is None:
        about.same("with what it protects", told, found.entries)
        return
    entries = [(one["asset"], one["path"], one["protected"], tuple(one["remains"])) for one in told]
    about.same("with what it protects", sorted(entries), sorted(found.entries))
    for one in told:
        mine = about.of(f"{one['asset']} falls with {one['protected']}")
        mine.same("role and kind", (one["role"], one["kind"]), world.role_of(one["asset"]))
        kind = world.ground.kind.get(one["protected"])
        mine.same("kind", one["protected_kind"], kind)
