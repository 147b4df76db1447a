"""Whether lengths, delays and losses are as claimed, and kept within the limits of the rules."""

from __future__ import annotations

from math import inf, radians, sin
from typing import Any

from waysapart.evidence import Delay, Unavailability
from waysapart.recheck.evidence import Tally
from waysapart.recheck.figures import _times, assumed_us
from waysapart.recheck.plant import Hop
from waysapart.recheck.reliance import DRAWN_GAPS, UNKNOWN_SERVICE, Key, World, service_of

TOLD_BY_FIGURES = {"blank-delay", "fibre-type", "hop-length"}
"""Gaps that a figure of a path shows by itself."""

TAKEN_AS_TOLD = {"match-uncovered", "match-ambiguous"}
"""Gaps that are not worked out here, and that leave a delay open."""

NO_BOUND = float("inf")

LENGTH_M = 0.02

DELAY_US = 0.003

LOSS_DB = 0.0003

WAVELENGTH_NM = 0.001

LOSS_TERMS = (
    *("fibre_db", "splices_db", "connectors_db", "mismatch_db", "via_db", "test_db"),
    *("repair_db", "reserve_db"),
)


def check_figures(world: World, facts: dict[str, Any], findings: Tally) -> None:
    """Figures of every link, path and circuit."""
    links = {one["id"]: one for one in facts["links"]}
    findings.same_set("links", [one["id"] for one in facts["links"]], set(world.hops))
    for name, link in links.items():
        if name in world.hops:
            _check_link(world, name, link, findings)
    _check_held(world, facts, links, findings)
    turns = world.records.rules["recovery"]["ring_turns_back"]
    ringed = {row["circuit"] for row in world.records.rows["ring_circuits"]}
    for circuit in facts["circuits"]:
        name = circuit["id"]
        if name not in world.records.by["circuits"]:
            continue
        codes = {gap["code"] for gap in circuit["gaps"]}
        for label, path in circuit["paths"].items():
            if (name, label) in world.paths:
                _check_path(world, (name, label), path, codes, findings)
                left_open = "loss" in world.left_open(name) or bool(codes & DRAWN_GAPS)
                _check_loss(world, (name, label), path, links, left_open, findings)
        _check_delay(world, circuit, codes, findings, turned=turns and name in ringed)
        _check_within(world, circuit, findings)


def _close(findings: Tally, what: str, claimed: Any, found: float | None, by: float) -> bool:
    same = claimed is None if found is None else claimed is not None and abs(claimed - found) <= by
    return findings.holds(same, f"{what}: the evidence says {claimed}, found {_short(found)}")


def _short(figure: float | None) -> str:
    return "none" if figure is None else f"{figure:.4f}"


def _total(values: list[float | None]) -> float | None:
    return None if None in values else sum(one for one in values if one is not None)


def _unsure(world: World, key: Key) -> bool:
    return bool(world.relied[key] & world.cables.unsure)


def _figure(
    findings: Tally,
    what: str,
    told: tuple[float | None, float | None],
    found: float | None,
    by: float,
    *,
    sure: float,
    known: float,
    doubted: bool,
) -> None:
    """A figure and the least that it can be; a gap in the records may leave the figure open.

    A bound is at least what no gap leaves open (`sure`), and at most all that is `known`.
    """
    claimed, at_least = told
    if claimed is not None:
        findings.same(f"{what}: the least that it can be, as it is known", at_least, None)
    else:
        right = at_least is not None and sure - by <= at_least <= known + by
        said = f"{what}: at least {sure:.3f} to {known:.3f} is sure, not {at_least}"
        findings.holds(right, said)
    if claimed is None and found is not None and doubted:
        findings.skip("figures that the evidence leaves open because of a gap in the records")
        least = at_least or 0.0
        findings.holds(least <= found + by, f"{what}: it is {found:.3f}, not at least {least}")
        return
    _close(findings, what, claimed, found, by)


def _told(facts: dict[str, Any], name: str, unit: str) -> tuple[float | None, float | None]:
    return facts[f"{name}_{unit}"], facts.get(f"{name}_at_least_{unit}")


def _doubted(world: World, key: Key, codes: set[str]) -> tuple[set[str], bool]:
    """The links of a path that a gap which bears on delay touches, and whether it is the path.

    A gap of drawn cables that is told only may touch any.
    """
    links = world.paths[key]
    touched, whole = set[str](), bool(codes & TAKEN_AS_TOLD)
    used = {}
    for link in links:
        cables = {use.cable for use in world.hops[link].uses()}
        used[link] = cables | {s.segment for cable in cables for s in world.cables.chain[cable]}
    for gap in world.gaps:
        if gap.code in TOLD_BY_FIGURES or "delay" not in gap.limits:
            continue
        touched |= {one for one in links if one in gap.links or used[one] & set(gap.assets)}
        whole = whole or (key[0] in gap.circuits and gap.path in (key[1], None))
    return (set(links), True) if whole else (touched, False)


def _machines(world: World, key: Key) -> tuple[float, set[str]]:
    """Delay of the equipment on a path as far as it is known, and that of which it is not."""
    rows = [world.hops[link].row for link in world.paths[key]]
    names = {
        str(name) for row in rows for name in (row.get("a"), row.get("b"), *(row.get("via") or ()))
    }
    delays = {
        name: assumed_us(world.records, name) for name in names & set(world.records.by["equipment"])
    }
    blank = {name for name, delay in delays.items() if delay is None}
    return sum(delay or 0.0 for delay in delays.values()), blank


def _check_path(
    world: World, key: Key, path: dict[str, Any], codes: set[str], findings: Tally
) -> None:
    what = f"circuit {key[0]}, {key[1]}"
    links = world.paths[key]
    lengths = [world.figures.lengths[link] for link in links]
    slack = LENGTH_M * max(len(links), 1)
    if not links:
        findings.same(f"{what}: length of no links", path["length_m"], None)
        return
    touched, whole = _doubted(world, key, codes)
    doubted = bool(touched)
    if _unsure(world, key):
        findings.skip(f"{what}: its length, as the course of a drawn cable is not certain")
    else:
        over_fibre = [(world.hops[link].row.get("medium") or "fibre") == "fibre" for link in links]
        metres = [None if None in (one.go_m, one.return_m) else one.longer_m for one in lengths]
        fibre = _total([one for one, mine in zip(metres, over_fibre, strict=True) if mine])
        if not any(over_fibre) and None in metres:
            fibre = None
        routes = [one.route_m for one in lengths]
        settled = [link not in touched for link in links]
        counts = [one and mine for one, mine in zip(settled, over_fibre, strict=True)]
        for name, found, each, mine in (
            ("length", fibre, metres, counts),
            ("route", _total(routes), routes, settled),
        ):
            said, told = f"{what}: {name}_m", _told(path, name, "m")
            sure = sum(one or 0.0 for one, sound in zip(each, mine, strict=True) if sound)
            known = NO_BOUND if None in each else sum(one or 0.0 for one in each)
            _figure(findings, said, told, found, slack, sure=sure, known=known, doubted=doubted)
    _check_path_delay(world, key, path, findings, touched, whole=whole)


def _check_path_delay(
    world: World,
    key: Key,
    path: dict[str, Any],
    findings: Tally,
    touched: set[str],
    *,
    whole: bool,
) -> None:
    what, links = f"circuit {key[0]}, {key[1]}", world.paths[key]
    doubted = bool(touched)
    terms = path["delay_terms"]
    said = f"{what}: terms of its delay"
    if path["delay_us"] is not None:
        _close(findings, said, path["delay_us"], _total(list(terms.values())), DELAY_US)
    ways = [path["go_us"], path["return_us"]]
    if ways == [None, None] and not whole:
        findings.holds(None in terms.values(), f"{said}: all are known, and the delay is not")
    longer = None if None in ways else max(ways)
    _close(findings, f"{what}: delay_us of go and return", path["delay_us"], longer, DELAY_US)
    in_machines, blank = _machines(world, key)
    known = None if blank else in_machines
    _close(findings, f"{what}: equipment_us", terms["equipment_us"], known, DELAY_US)
    extra = sum(world.hops[link].row.get("extra_delay_us") or 0.0 for link in links)
    _close(findings, f"{what}: extra_us", terms["extra_us"], extra, DELAY_US)
    if _unsure(world, key):
        return
    by = DELAY_US * (len(links) + 1)
    row = world.records.by["circuits"][key[0]]
    ends = {str(row[end]) for end in ("a", "b") if row.get(end)}
    at_ends = sum(assumed_us(world.records, one) or 0.0 for one in ends)
    sound = delay_of(world, key, touched)
    all_known = delay_of(world, key, set(), in_vacuum=True)
    if None in delay_of(world, key):
        findings.same(f"{said}: of fibre, as it is not known", terms["fibre_us"], None)
        findings.holds(not terms["test_us"], f"{said}: a test of what is not known")
    elif not doubted and path["delay_us"] is None:
        glass_us = max(one for one in delay_of(world, key) if one is not None)
        known_us = _total([terms[name] for name in ("fibre_us", "test_us", "extra_us")])
        _close(findings, f"{said} but for equipment", known_us, glass_us, by)
    for name, glass, least, most in zip(
        ("go", "return"), delay_of(world, key), sound, all_known, strict=True
    ):
        found = None if glass is None or known is None else glass + known
        sure = 0.0 if touched >= set(links) else (least or 0.0) + in_machines
        said, told = f"{what}: {name}_us", _told(path, name, "us")
        top = NO_BOUND if glass is None else (most or 0.0) + in_machines + at_ends + extra
        _figure(findings, said, told, found, by, sure=sure, known=top, doubted=doubted)
        if blank and not doubted:
            at_least = path[f"{name}_at_least_us"]
            if glass is None:
                findings.skip(f"{what}: the least that its delay can be")
            else:
                _close(findings, f"{what}: {name}, at least", at_least, glass + in_machines, by)


def delay_of(
    world: World, key: Key, but: set[str] | None = None, *, in_vacuum: bool = False
) -> tuple[float | None, float | None]:
    """Delay of a path's links from end a to end b, and back; of what is known of all but some.

    `in_vacuum`: glass of an unknown kind counts as no slower than light in vacuum.
    """
    node = world.records.by["circuits"][key[0]].get("a")
    onward: list[float | None] = []
    backward: list[float | None] = []
    for link in world.paths[key]:
        row = world.hops[link].row
        go, back = world.figures.delay_us(link)
        turned = node == row.get("b") and node != row.get("a")
        node = row.get("a") if turned else row.get("b")
        if but is not None:
            least = world.figures.most_sure_us(link) if in_vacuum else 0.0
            go, back = (least if one is None else one for one in (go, back))
            go, back = (0.0, 0.0) if link in but else (go, back)
        onward.append(back if turned else go)
        backward.append(go if turned else back)
    return _total(onward), _total(backward)


def _over_fibre(hop: Hop) -> bool:
    return bool(hop.ways) and (hop.row.get("medium") or "fibre") == "fibre"


def _check_link(world: World, name: str, link: dict[str, Any], findings: Tally) -> None:
    """Lengths and loss of one link."""
    what, hop = f"link {name}", world.hops[name]
    unsure = any(use.cable in world.cables.unsure for use in hop.uses())
    findings.same(f"{what}: medium", link["medium"], hop.row.get("medium") or "fibre")
    told = link["lengths"]
    terms = [told[term] for term in told if term != "length_m"]
    _close(findings, f"{what}: terms of its length", told["length_m"], _total(terms), 0.002)
    measured = told["length_m"] is not None or not told["test_m"]
    findings.holds(measured, f"{what}: a test of a length that is not known")
    if not unsure:
        one = world.figures.lengths[name]
        mine = None if None in (one.go_m, one.return_m) else one.longer_m
        _close(findings, f"{what}: length", told["length_m"], mine, LENGTH_M)
    loss = link["loss"]
    findings.same(f"{what}: over fibre", loss is not None, _over_fibre(hop))
    if loss is None:
        return
    said, of_loss = f"{what}: loss", loss["terms"]
    _check_sum(world, name, loss, said, findings)
    budget, lost, bound = of_loss["budget_db"], loss["loss_db"], loss["loss_at_least_db"]
    margin = None if None in (budget, lost) else budget - lost
    _close(findings, f"{said}, its margin", loss["margin_db"], margin, LOSS_DB)
    most = None if None in (budget, bound) else budget - bound
    _close(findings, f"{said}, most margin", loss["margin_at_most_db"], most, LOSS_DB)
    _close(findings, f"{said}, budget", loss["budget_db"], budget, LOSS_DB)
    wavelength = hop.row.get("wavelength_nm")
    _close(findings, f"{said}, wavelength", loss["wavelength_nm"], wavelength, WAVELENGTH_NM)
    for power in ("tx_min_dbm", "tx_max_dbm", "rx_min_dbm", "rx_max_dbm"):
        _close(findings, f"{said}, {power}", loss[power], hop.row.get(power), LOSS_DB)
    if not unsure:
        _check_terms(world, hop, of_loss, said, findings)


def _check_held(
    world: World, facts: dict[str, Any], links: dict[str, Any], findings: Tally
) -> None:
    """Every link stands under the least margin of each service that runs over it, and no other."""
    asked: dict[str, dict[float | None, set[str]]] = {}
    for (circuit, _), path in world.paths.items():
        service = world.records.by["circuits"][circuit].get("service") or "default"
        least = service_of(world.records, circuit).get("min_margin_db")
        for link in path:
            asked.setdefault(link, {}).setdefault(least, set()).add(service)
    for name, link in links.items():
        held = (link["loss"] or {"held_to": []})["held_to"]
        told = {one["min_margin_db"]: set(one["services"]) for one in held}
        due = asked.get(name, {}) if link["loss"] is not None else {}
        findings.same(f"link {name}: the margins that services ask for", told, due)
        findings.same(f"link {name}: each margin once", len(held), len(told))


def _check_loss(
    world: World,
    key: Key,
    path: dict[str, Any],
    links: dict[str, Any],
    left_open: bool,
    findings: Tally,
) -> None:
    """Losses of a path are those of its links, held to the margin of its service."""
    what = f"circuit {key[0]}, {key[1]}"
    fibre = [link for link in world.paths[key] if _over_fibre(world.hops[link])]
    findings.same(f"{what}: links with a loss", [one["link"] for one in path["loss"]], fibre)
    least = service_of(world.records, key[0]).get("min_margin_db")
    service = world.records.by["circuits"][key[0]].get("service") or "default"
    for told in path["loss"]:
        loss = (links.get(told["link"]) or {}).get("loss") or {"held_to": []}
        held = [one for one in loss["held_to"] if service in one["services"]]
        said = f"{what}: loss of {told['link']}"
        if not findings.holds(len(held) == 1, f"{said}: not among the links"):
            continue
        for name in ("wavelength_nm", "loss_db", "margin_db"):
            findings.same(f"{said}, {name}", told[name], loss[name])
        margin, most = loss["margin_db"], loss["margin_at_most_db"]
        kept: bool | None = True
        if least is not None:
            kept = None if margin is None else margin >= least
            if most is not None and most < least - LOSS_DB:
                kept = False
            if kept and held[0]["margin_ok"] is None and left_open:
                kept = None
        findings.same(f"{said}, margin kept", held[0]["margin_ok"], kept)
        checks = [held[0][name] for name in held[0] if name.endswith("_ok")]
        findings.same(f"{said}, all kept", held[0]["ok"], _all(checks))
        findings.same(f"{said}, kept", told["ok"], held[0]["ok"])


def _check_sum(world: World, link: str, told: dict[str, Any], said: str, findings: Tally) -> None:
    """A loss is the sum of its terms; one that lacks a term is at least the sum of the others."""
    terms = told["terms"]
    listed = [terms.get(name) for name in LOSS_TERMS]
    known = sum(one for one in listed if one is not None)
    lost, bound = told["loss_db"], told.get("loss_at_least_db")
    if lost is None:
        findings.holds(None in listed, f"{said}: no loss, though every term is known")
        enough = bound is not None and bound >= known - LOSS_DB
        findings.holds(enough, f"{said}: at least {bound}, found {known:.4f}")
        return
    if None in listed:
        findings.holds(_tested(world, link), f"{said}: a loss, though a term is not known")
    _close(findings, f"{said}, its terms", lost, known, LOSS_DB)
    findings.same(f"{said}, its bound", bound, None)


def _tested(world: World, link: str) -> bool:
    """Whether some loss of a link, or of one of its cables, was measured."""
    cables = {use.cable for use in world.hops[link].uses()}
    return any(
        test.get("loss_db") is not None
        and (test.get("link") == link or test.get("cable") in cables)
        for test in world.records.rows["measurements"]
    )


def _measured_db(world: World, hop: Hop) -> float:
    """The greatest loss that the newest tests of a link itself found at its wavelength."""
    records, newest = world.records, dict[tuple[Any, ...], tuple[str, float]]()
    for test in records.rows["measurements"]:
        day, nm = str(test.get("date") or "")[:10], test.get("wavelength_nm")
        works_at = hop.row.get("wavelength_nm")
        away = 0.0 if nm is None or works_at is None else abs(nm - works_at)
        counts = test.get("link") == hop.row["id"] and test.get("stage") != "drum"
        if not counts or test.get("loss_db") is None or day > records.on:
            continue
        if away > records.rules["defaults"]["wavelength_tolerance_nm"]:
            continue
        key = test.get("fibre"), test.get("direction") == "return", nm
        newest[key] = max(newest.get(key, ("", 0.0)), (day, test["loss_db"]))
    return max((loss for _, loss in newest.values()), default=0.0)


def _check_terms(world: World, hop: Hop, terms: dict[str, Any], said: str, findings: Tally) -> None:
    """Terms of a loss from the records: fibre, connectors, what via adds, powers, splices."""
    records, row, name = world.records, hop.row, hop.row["id"]
    way = _worse(world, hop, terms)
    metres, glass = _glass(world, name, way)
    _close(findings, f"{said}, fibre_m", terms["fibre_m"], metres, LENGTH_M)
    _close(findings, f"{said}, fibre_db", terms["fibre_db"], glass, LOSS_DB)
    mismatch = world.figures.mismatch_db(name, way)
    _close(findings, f"{said}, mismatch_db", terms["mismatch_db"], mismatch, LOSS_DB)
    rules = records.rules["defaults"]
    stated = row.get("connectors")
    connectors = rules["connectors"] if stated is None else stated
    findings.same(f"{said}, connectors", terms["connectors"], int(connectors))
    _close(
        findings,
        f"{said}, connectors_db",
        terms["connectors_db"],
        connectors * rules["connector_db"],
        LOSS_DB,
    )
    _close(findings, f"{said}, via_db", terms["via_db"], row.get("loss_db") or 0.0, LOSS_DB)
    sent, needed = row.get("tx_min_dbm"), row.get("rx_min_dbm")
    budget = None if sent is None or needed is None else sent - needed
    _close(findings, f"{said}, budget_db", terms["budget_db"], budget, LOSS_DB)
    reserve = row.get("reserve_db")
    own = records.rules["reserve"]["ageing_db"] if reserve is None else reserve
    _close(findings, f"{said}, reserve_db", terms["reserve_db"], own, LOSS_DB)
    count, basis, db = _splices(world, hop, way)
    findings.same(f"{said}, splices", (terms["splices"], terms["splices_from"]), (count, basis))
    _close(findings, f"{said}, splices_db", terms["splices_db"], db, LOSS_DB)
    if _tested(world, name):
        least = max(
            sum(terms[one] or 0.0 for one in ("connectors_db", "mismatch_db", "via_db")),
            _measured_db(world, hop),
        )
        listed = ("fibre_db", "splices_db", "connectors_db", "mismatch_db", "via_db", "test_db")
        found = sum(terms[one] or 0.0 for one in listed)
        findings.holds(
            found >= least - LOSS_DB, f"{said}: {found:.4f}, and its tests say {least:.4f} or more"
        )
    elif "test_db" in terms:
        _close(findings, f"{said}, test_db", terms["test_db"], 0.0, LOSS_DB)


def _glass(world: World, link: str, way: str) -> tuple[float | None, float | None]:
    """Fibre length of a link one way, and the loss of its glass."""
    length, place = world.figures.lengths[link], 0 if way == "go" else 1
    metres, added = (length.go_m, length.return_m)[place], length.by_cables[place]
    glass = world.figures.fibre_db(link, way)
    if glass is not None and metres is not None and added:
        glass *= metres / added
    return metres, glass


def _splices(world: World, hop: Hop, way: str) -> tuple[int, str, float]:
    """Number of splices, on what it rests, and their loss."""
    row, splice_db = hop.row, world.records.rules["defaults"]["splice_db"]
    if row.get("splices") is not None:
        return int(row["splices"]), "given", row["splices"] * splice_db
    joints, estimated = world.figures.splices(row["id"], way)
    loss = [world.records.by["joints"][one].get("loss_db") for one in joints]
    db = sum(splice_db if one is None else one for one in loss) + estimated * splice_db
    basis = ("joints and estimate" if estimated else "joints") if joints else "estimate"
    return len(joints) + estimated, basis, db


def _worse(world: World, hop: Hop, terms: dict[str, Any]) -> str:
    """The direction that loses more, or of which something is not known.

    Where cables were tested that hangs on the tests: either direction may be told.
    """
    name = hop.row["id"]
    if "both" not in hop.ways and _tested(world, name):
        near = [
            way
            for way in ("go", "return")
            if (metres := _glass(world, name, way)[0]) is not None
            and terms["fibre_m"] is not None
            and abs(metres - terms["fibre_m"]) <= LENGTH_M
            and _splices(world, hop, way)[:2] == (terms["splices"], terms["splices_from"])
        ]
        return near[0] if near else "go"
    ranks = {}
    for way in ("go", "return"):
        glass, mismatch = _glass(world, name, way)[1], world.figures.mismatch_db(name, way)
        known = (glass or 0.0) + _splices(world, hop, way)[2] + (mismatch or 0.0)
        ranks[way] = (None in (glass, mismatch), round(known, 6))
    return "return" if ranks["return"] > ranks["go"] else "go"


def _all(checks: list[bool | None]) -> bool | None:
    return False if False in checks else None if None in checks else True


def _below(figure: float | None, limit: float | None, at_least: float | None = None) -> bool | None:
    if limit is None:
        return True
    if figure is None:
        return False if at_least is not None and at_least > limit else None
    return figure <= limit


def _check_delay(
    world: World, circuit: dict[str, Any], codes: set[str], findings: Tally, *, turned: bool
) -> None:
    what, told = f"circuit {circuit['id']}", circuit["delay"]
    service = service_of(world.records, circuit["id"])
    row = world.records.by["circuits"][circuit["id"]]
    findings.same(f"{what}: service", circuit["service"], row.get("service") or "default")
    for end in ("a", "b", "group", "scheme"):
        findings.same(f"{what}: {end}", circuit.get(end), row.get(end))
    for label, path in circuit["paths"].items():
        if f"{label}_us" in told and f"{label}_us" not in Delay.__annotations__:
            findings.same(f"{what}: delay of {label}", told[f"{label}_us"], path["delay_us"])
    findings.same(f"{what}: limit of delay", told["limit_us"], service.get("max_delay_us"))
    limit = service.get("max_asymmetry_us")
    findings.same(f"{what}: limit of asymmetry", told["asymmetry_limit_us"], limit)
    unknown = circuit["service"] not in world.records.rules["services"]
    open_ = world.left_open(circuit["id"]) if unknown else set()
    kept = _below(told["worst_us"], told["limit_us"], told.get("worst_at_least_us"))
    kept = None if "delay" in open_ else kept
    findings.same(f"{what}: delay kept", told["ok"], kept)
    kept = _below(told["asymmetry_us"], limit, told.get("asymmetry_at_least_us"))
    kept = None if "asymmetry" in open_ else kept
    findings.same(f"{what}: asymmetry kept", told["asymmetry_ok"], kept)
    switching = row.get("switching") or "each"
    findings.same(f"{what}: switching", told["switching"], switching)
    if turned:
        findings.skip(f"{what}: its delay and asymmetry where its ring turns back")
        return
    paths = circuit["paths"]
    ways = [path[name] for path in paths.values() for name in ("go_us", "return_us")]
    lacking = not paths or "delay" in world.left_open(circuit["id"])
    worst = None if lacking or None in ways else max(ways)
    _close(findings, f"{what}: worst delay", told["worst_us"], worst, DELAY_US)
    if told["worst_us"] is not None:
        findings.same(f"{what}: worst delay, at least", told["worst_at_least_us"], None)
    if None in ways:
        least = max(_least(path, name) for path in paths.values() for name in ("go", "return"))
        bound = told["worst_at_least_us"]
        _close(findings, f"{what}: worst delay, at least", bound, least, DELAY_US)
    lacking = not paths or "asymmetry" in world.left_open(circuit["id"])
    _check_asymmetry(world, circuit, codes, findings, lacking=lacking)


def _least(path: dict[str, Any], name: str) -> float:
    """A delay of a path, or the least that it can be."""
    known, at_least = _told(path, name, "us")
    return float((at_least or 0.0) if known is None else known)


def _check_asymmetry(
    world: World, circuit: dict[str, Any], codes: set[str], findings: Tally, *, lacking: bool
) -> None:
    """The greatest difference of the two directions.

    Equipment of an unknown delay that both directions pass cancels; what one of them alone
    passes, or a link of an unknown delay, may make the difference any greater.
    """
    what, told = f"circuit {circuit['id']}", circuit["delay"]
    keys = {label: (circuit["id"], label) for label in circuit["paths"]}
    if not keys or not all(key in world.paths and world.paths[key] for key in keys.values()):
        return
    blank = {label: _machines(world, key)[1] for label, key in keys.items()}
    open_ = {
        label: bool(_doubted(world, key, codes)[0])
        or _unsure(world, key)
        or None in delay_of(world, key)
        for label, key in keys.items()
    }
    known = told["asymmetry_us"] is not None
    greatest, most, exact = 0.0, 0.0, not lacking
    for one, go in circuit["paths"].items():
        for other, back in circuit["paths"].items():
            if told["switching"] == "both" and one != other:
                continue
            # A gap may leave a delay open; where it is told, it is held by itself.
            more = bool(blank[one] - blank[other]) or (open_[one] and not known)
            less = bool(blank[other] - blank[one]) or (open_[other] and not known)
            between = _least(go, "go") - _least(back, "return")
            exact = exact and not more and not less
            greatest = max(greatest, 0.0 if less else between, 0.0 if more else -between)
            most = max(most, abs(between))
    bound = told["asymmetry_at_least_us"]
    if any(open_.values()) and not known:
        asked = told["asymmetry_limit_us"] is not None
        doubtful = "asymmetry where a link's delay is in doubt: that it is, and how much more"
        findings.skip(doubtful, *([what] * asked))
        right = bound is not None and greatest - DELAY_US <= bound <= most + DELAY_US
        said = f"{what}: asymmetry of at least {greatest:.3f} to {most:.3f}, not {bound}"
        findings.holds(right, said)
    elif exact:
        _close(findings, f"{what}: asymmetry", told["asymmetry_us"], greatest, DELAY_US)
        findings.same(f"{what}: asymmetry, at least", bound, None)
    else:
        findings.same(f"{what}: asymmetry", told["asymmetry_us"], None)
        _close(findings, f"{what}: asymmetry, at least", bound, greatest, DELAY_US)


def _check_within(world: World, circuit: dict[str, Any], findings: Tally) -> None:
    what, told = f"circuit {circuit['id']}", circuit["delay"]
    losses = [one["ok"] for path in circuit["paths"].values() for one in path["loss"]]
    service = service_of(world.records, circuit["id"])
    open_ = world.left_open(circuit["id"])
    if any(gap["code"] in DRAWN_GAPS for gap in circuit["gaps"]):
        open_ = {*open_, "loss"}
    kept = _all(losses)
    unknown = service is UNKNOWN_SERVICE
    if kept and "loss" in open_ and (unknown or service.get("min_margin_db") is not None):
        kept = None
    findings.same(f"{what}: losses kept", circuit["loss_ok"], kept)
    down = circuit["unavailability"]
    limit = service.get("max_unavailability")
    findings.same(f"{what}: limit of unavailability", down["limit"], limit)
    kept = _below(down["both"], limit)
    least = down.get("at_least", {}).get("both")
    if kept is None and limit is not None and least is not None and least > limit:
        kept = False
    if kept and (unknown or limit is not None) and "unavailability" in open_:
        kept = None
    findings.same(f"{what}: unavailability kept", down["ok"], kept)
    checks = [told["ok"], told["asymmetry_ok"], circuit["loss_ok"], down["ok"]]
    if told.get("recovery_ms") is not None:
        kept = _below(told["recovery_ms"], told.get("recovery_limit_ms"))
        kept = None if kept and "recovery" in open_ else kept
        findings.same(f"{what}: recovery kept", told["recovery_ok"], kept)
        checks.append(told["recovery_ok"])
    findings.same(f"{what}: within limits", circuit["within_limits"], _all(checks))


ADDED_LOSS_DB = 0.0006
"""Terms are rounded to four places before they are added."""

SHARE = 1e-4


# Against the evidence


def check_budgets(world: World, facts: dict[str, Any], findings: Tally) -> None:
    """Tests, statistics, overload, bandwidth and dispersion of every link over fibre."""
    for link in facts["links"]:
        hop, told = world.hops.get(link["id"]), link["loss"]
        over_fibre = hop is not None and hop.ways and hop.row.get("medium") in (None, "fibre")
        if hop is None or told is None or not over_fibre:
            continue  # told where links are held
        if any(use.cable in world.cables.unsure for use in hop.uses()):
            continue
        _check_budget(world, hop, told, findings)


def _check_budget(world: World, hop: Hop, told: dict[str, Any], findings: Tally) -> None:
    name, row = hop.row["id"], hop.row
    budget, rules = world.budgets.of(name), world.records.rules
    what, terms = f"link {name}: loss", told["terms"]

    def close(
        said: str, claimed: float | None, found: float | None, by: float = ADDED_LOSS_DB
    ) -> None:
        same = claimed is found if None in (claimed, found) else abs(claimed - found) <= by  # type: ignore[operator]
        findings.holds(same, f"{what}, {said}: the evidence says {claimed}, found {found}")

    close("test_db", terms["test_db"], budget.test_db)
    keep, metres = rules["reserve"], terms["fibre_m"]
    splices = keep["repair_splices_per_km_year"] * keep["repair_years"]
    repair = splices * rules["defaults"]["splice_db"]
    kept = 0.0 if row.get("reserve_db") is not None or not repair else _times(metres, repair)
    close("repair_db", terms["repair_db"], kept)
    later = None if terms["repair_db"] is None else terms["repair_db"] + terms["reserve_db"]
    mean = None if budget.mean_db is None or later is None else budget.mean_db + later
    close("mean_db", told["mean_db"], mean)
    close("sigma_db", told["sigma_db"], budget.sigma_db)
    for said in ("measured_db", "measured_least_db", "least_db"):
        close(said, told[said], getattr(budget, said))
    statistics = rules["statistics"]
    likely = None
    if told["mean_db"] is not None and told["loss_db"] is not None:
        likely = min(told["mean_db"] + statistics["k"] * told["sigma_db"], told["loss_db"])
    close("statistical_db", told["statistical_db"], likely)
    powers = row.get("tx_min_dbm"), row.get("rx_min_dbm"), likely
    margin = None if None in powers else powers[0] - powers[1] - likely  # type: ignore[operator]
    close("statistical_margin_db", told["statistical_margin_db"], margin)
    strong = row.get("rx_max_dbm"), row.get("tx_max_dbm"), budget.least_db
    overload = None if None in strong else strong[0] - strong[1] + budget.least_db  # type: ignore[operator]
    close("overload_margin_db", told["overload_margin_db"], overload)
    close("attenuator_db", told["attenuator_db"], None if overload is None else max(-overload, 0.0))
    most = told["margin_db"]
    close("attenuator_most_db", told["attenuator_most_db"], None if most is None else max(most, 0))
    bandwidth, dispersion = world.budgets.reach(name)
    bandwidth = None if bandwidth == inf else bandwidth
    close("bandwidth_mhz", told["bandwidth_mhz"], bandwidth, SHARE * (bandwidth or 0.0) + 1e-3)
    spread = SHARE * (dispersion or 0.0) + 1e-3
    close("dispersion_ps_nm", told["dispersion_ps_nm"], dispersion, spread)
    needed, limit = row.get("bandwidth_mhz"), row.get("dispersion_limit_ps_nm")
    close("bandwidth_needed_mhz", told["bandwidth_needed_mhz"], needed)
    close("dispersion_limit_ps_nm", told["dispersion_limit_ps_nm"], limit)
    endless = world.budgets.reach(name)[0]
    due = {
        "overload_ok": _kept(told["overload_margin_db"], 0.0 if strong[0] is not None else None),
        "bandwidth_ok": _kept(inf if endless == inf else told["bandwidth_mhz"], needed),
        "dispersion_ok": _kept(_negative(told["dispersion_ps_nm"]), _negative(limit)),
    }
    for held in told["held_to"]:
        for said, kept_ in due.items():
            findings.same(f"{what}, {said}", held[said], kept_)


def _negative(figure: float | None) -> float | None:
    return None if figure is None else -figure


def _kept(figure: float | None, least: float | None) -> bool | None:
    """Whether a figure is as great as it has to be; where nothing is asked it is."""
    if least is None:
        return True
    return None if figure is None else figure >= least


ROUNDED = 1e-5
"""Share by which a figure of six digits may be off."""

OTHER_LENGTH_M = 0.05


def check_other_lengths(world: World, what: str, circuit: dict[str, Any], findings: Tally) -> None:
    """Lengths of a path's hops that are not over fibre, added up by medium."""
    for label, path in circuit["paths"].items():
        found: dict[str, float | None] = {}
        key = (circuit["id"], label)
        for link in world.paths.get(key, ()):
            medium = world.hops[link].row.get("medium") or "fibre"
            length = world.figures.lengths[link]
            metres = None if None in (length.go_m, length.return_m) else length.longer_m
            if medium != "fibre":
                before = found.get(medium, 0.0)
                found[medium] = None if before is None or metres is None else before + metres
        told = path["other_lengths"]
        said = f"{what}, {label}: lengths other than of fibre"
        findings.same(f"{said}, media", [one["medium"] for one in told], list(found))
        if world.relied.get(key, set()) & world.cables.unsure:
            continue
        for one in told:
            _near(findings, f"{said}, {one['medium']}", one["length_m"],
                  found.get(one["medium"]), OTHER_LENGTH_M)  # fmt: skip


def check_link_fields(world: World, links: list[dict[str, Any]], findings: Tally) -> None:
    """What is only told of a link over fibre: its types of fibre, deviations, services once."""
    k = world.records.rules["statistics"]["k"]
    cables = world.records.by["cables"]
    for one in links:
        loss, hop = one["loss"], world.hops.get(one["id"])
        if loss is None or hop is None:
            continue
        findings.same(f"link {one['id']}: k", loss["k"], k)
        if not any(use.cable in world.cables.unsure for use in hop.uses()):
            types = {cables[use.cable].get("fibre_type") for use in hop.uses()} - {None}
            told = {kind for kind in (loss["fibre_type"] or "").split(";") if kind}
            findings.same(f"link {one['id']}: types of fibre", told, types)
        for held in loss["held_to"]:
            once = len(held["services"]) == len(set(held["services"]))
            findings.holds(once, f"link {one['id']}: a service stands twice")


def check_states(world: World, what: str, circuit: dict[str, Any], findings: Tally) -> None:
    """Delay in every state: of each path, and turned back on each where its ring does that."""
    told = circuit["delay"]["states"]
    paths = [
        {
            "state": label,
            "delay_us": path["delay_us"],
            "delay_at_least_us": path["delay_at_least_us"],
        }
        for label, path in circuit["paths"].items()
    ]
    findings.same(f"{what}: states", told[: len(paths)], paths)
    turns = world.records.rules["recovery"]["ring_turns_back"]
    ringed = {row["circuit"] for row in world.records.rows["ring_circuits"]}
    if turns and circuit["id"] in ringed:
        findings.skip("delays where a ring turns back: taken as the evidence states them")
        known = {f"turned back on {label}" for label in circuit["paths"]}
        findings.holds(
            {one["state"] for one in told[len(paths) :]} <= known, f"{what}: more states"
        )
        return
    findings.same(f"{what}: states of a ring that turns back", told[len(paths) :], [])


def check_labels(what: str, circuit: dict[str, Any], findings: Tally) -> None:
    """Delay and unavailability have a figure of each path by its label, and no others.

    A path that is called like a field of theirs has its delay with the path alone.
    """
    for name, form, ending in (("delay", Delay, "_us"), ("unavailability", Unavailability, "")):
        labels = {f"{label}{ending}" for label in circuit["paths"]} - form.__annotations__.keys()
        extra = set(circuit[name]) - form.__required_keys__ - labels
        findings.holds(not extra, f"{what}: {name} tells of {sorted(extra)}, which are no paths")
        lacking = labels - set(circuit[name])
        findings.holds(not lacking, f"{what}: {name} does not tell of {sorted(lacking)}")


def check_angle(world: World, what: str, delay: dict[str, Any], findings: Tally) -> None:
    """What the asymmetry means: 360 f dt/2 in degrees, and a chord of 2 sin(angle/2)."""
    frequency = world.records.rules["power_system"]["frequency_hz"]
    findings.same(f"{what}: frequency", delay["frequency_hz"], frequency)
    asked = delay["asymmetry_limit_us"] is not None and delay["asymmetry_us"] is not None
    angle = 360.0 * frequency * delay["asymmetry_us"] * 1e-6 / 2 if asked else None
    _near(findings, f"{what}: phase error", delay["phase_error_deg"], angle, 1e-5)
    current = None if angle is None else 2 * abs(sin(radians(angle) / 2))
    said = f"{what}: apparent differential current"
    _near(findings, said, delay["apparent_differential"], current, 2e-7)


def _near(findings: Tally, what: str, told: Any, found: float | None, by: float) -> None:
    if told is None or found is None:
        findings.holds(told is None and found is None, f"{what}: is {found}, not {told}")
        return
    near = abs(told - found) <= by + ROUNDED * abs(found)
    findings.holds(near, f"{what}: is {found:.6g}, not {told}")
