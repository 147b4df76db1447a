"""Hold what the evidence claims of lengths, delays, losses and limits against the records."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from waysapart.recheck.links import Hop
from waysapart.recheck.paths import Key, service_of
from waysapart.recheck.world import World

if TYPE_CHECKING:
    from waysapart.recheck.claims import Findings

LENGTH_M = 0.02
DELAY_US = 0.003
LOSS_DB = 0.0003
LOSS_TERMS = (
    *("fibre_db", "splices_db", "connectors_db", "via_db", "test_db", "repair_db", "reserve_db"),
)


def check_figures(world: World, facts: dict[str, Any], findings: Findings) -> None:
    """Figures of every path and circuit."""
    turns = world.records.rules["recovery"]["ring_turns_back"]
    ringed = {row["circuit"] for row in world.records.rows["ring_circuits"]}
    for circuit in facts["circuits"]:
        name = circuit["id"]
        if name not in world.records.by["circuits"]:
            continue
        for label, path in circuit["paths"].items():
            if (name, label) in world.paths:
                _check_path(world, (name, label), path, findings)
        _check_delay(world, circuit, findings, turned=turns and name in ringed)
        _check_within(world, circuit, findings)
    findings.skip("unavailability, and losses by statistics: their arithmetic is not repeated")
    findings.skip("recovery, overload, bandwidth and dispersion: taken as the evidence states them")


def _close(findings: Findings, what: str, claimed: Any, found: float | None, by: float) -> bool:
    same = claimed is None if found is None else claimed is not None and abs(claimed - found) <= by
    return findings.holds(same, f"{what}: the evidence says {claimed}, found {_short(found)}")


def _short(figure: float | None) -> str:
    return "none" if figure is None else f"{figure:.4f}"


def _total(values: list[float | None]) -> float | None:
    return None if None in values else sum(one for one in values if one is not None)


def _unsure(world: World, key: Key) -> bool:
    return bool(world.relied[key] & world.cables.unsure)


def _check_path(world: World, key: Key, path: dict[str, Any], findings: Findings) -> None:
    what = f"circuit {key[0]}, {key[1]}"
    links = world.paths[key]
    lengths = [world.figures.lengths[link] for link in links]
    slack = LENGTH_M * max(len(links), 1)
    if not links:
        findings.same(f"{what}: length of no links", path["length_m"], None)
        return
    if _unsure(world, key):
        findings.skip(f"{what}: its length, as the course of a drawn cable is not certain")
    else:
        fibre, ground = [one.longer_m for one in lengths], [one.route_m for one in lengths]
        _close(findings, f"{what}: length_m", path["length_m"], _total(fibre), slack)
        _close(findings, f"{what}: route_m", path["route_m"], _total(ground), slack)
    for told in path.get("lengths", ()):
        terms = [told[name] for name in told if name not in ("link", "length_m")]
        _close(findings, f"{what}: terms of {told['link']}", told["length_m"], _total(terms), 0.002)
        if told["link"] in world.figures.lengths and not _unsure(world, key):
            mine = world.figures.lengths[told["link"]].longer_m
            _close(findings, f"{what}: length of {told['link']}", told["length_m"], mine, LENGTH_M)
    _check_path_delay(world, key, path, findings)
    _check_loss(world, key, path, findings)


def _check_path_delay(world: World, key: Key, path: dict[str, Any], findings: Findings) -> None:
    what, links = f"circuit {key[0]}, {key[1]}", world.paths[key]
    terms = path["delay_terms"]
    _close(
        findings,
        f"{what}: terms of its delay",
        path["delay_us"],
        _total(list(terms.values())),
        DELAY_US,
    )
    ways = [path["go_us"], path["return_us"]]
    longer = None if None in ways else max(ways)
    _close(findings, f"{what}: delay_us of go and return", path["delay_us"], longer, DELAY_US)
    machines = {
        machine
        for link in links
        for machine in (
            world.hops[link].row.get("a"),
            world.hops[link].row.get("b"),
            *(world.hops[link].row.get("via") or ()),
        )
    }
    equipment = world.records.by["equipment"]
    in_machines = sum(equipment[one].get("delay_us") or 0.0 for one in machines if one in equipment)
    _close(findings, f"{what}: equipment_us", terms["equipment_us"], in_machines, DELAY_US)
    extra = sum(world.hops[link].row.get("extra_delay_us") or 0.0 for link in links)
    _close(findings, f"{what}: extra_us", terms["extra_us"], extra, DELAY_US)
    if _unsure(world, key):
        return
    onward, backward = delay_of(world, key)
    by = DELAY_US * (len(links) + 1)
    for name, glass in (("go_us", onward), ("return_us", backward)):
        found = None if glass is None else glass + in_machines
        _close(findings, f"{what}: {name}", path[name], found, by)


def delay_of(world: World, key: Key) -> tuple[float | None, float | None]:
    """Delay of a path's links from end a to end b, and back."""
    node = world.records.by["circuits"][key[0]].get("a")
    onward: list[float | None] = []
    backward: list[float | None] = []
    for link in world.paths[key]:
        row = world.hops[link].row
        go, back = world.figures.delay_us(link)
        turned = node == row.get("b") and node != row.get("a")
        node = row.get("a") if turned else row.get("b")
        onward.append(back if turned else go)
        backward.append(go if turned else back)
    return _total(onward), _total(backward)


def _check_loss(world: World, key: Key, path: dict[str, Any], findings: Findings) -> None:
    what = f"circuit {key[0]}, {key[1]}"
    fibre = [
        link
        for link in world.paths[key]
        if world.hops[link].ways and (world.hops[link].row.get("medium") or "fibre") == "fibre"
    ]
    findings.same(f"{what}: links with a loss", [one["link"] for one in path["loss"]], fibre)
    least = service_of(world.records, key[0]).get("min_margin_db")
    for told in path["loss"]:
        hop = world.hops.get(told["link"])
        if hop is None:
            continue
        said, terms = f"{what}: loss of {told['link']}", told["terms"]
        listed = [terms[name] for name in LOSS_TERMS if name in terms]
        _close(findings, f"{said}, its terms", told["loss_db"], _total(listed), LOSS_DB)
        budget = terms["budget_db"]
        margin = None if None in (budget, told["loss_db"]) else budget - told["loss_db"]
        _close(findings, f"{said}, its margin", told["margin_db"], margin, LOSS_DB)
        findings.same(f"{said}, least margin", told.get("min_margin_db"), least)
        kept = True if least is None else None if margin is None else told["margin_db"] >= least
        if "margin_ok" in told:
            findings.same(f"{said}, margin kept", told["margin_ok"], kept)
            checks = [told[n] for n in told if n.endswith("_ok")]
            findings.same(f"{said}, all kept", told["ok"], _all(checks))
        else:
            findings.same(f"{said}, margin kept", told["ok"], kept)
        findings.same(f"{said}, wavelength", told["wavelength_nm"], hop.row.get("wavelength_nm"))
        if not _unsure(world, key):
            _check_terms(world, hop, terms, said, findings)


def _check_terms(
    world: World, hop: Hop, terms: dict[str, Any], said: str, findings: Findings
) -> None:
    """Terms of a loss from the records: fibre, connectors, what via adds, powers, splices."""
    records, row, name = world.records, hop.row, hop.row["id"]
    length = world.figures.lengths[name]
    by_way = {way: world.figures.fibre_db(name, way) for way in ("go", "return")}
    way = "return" if (by_way["return"] or 0.0) > (by_way["go"] or 0.0) else "go"
    place = 0 if way == "go" else 1
    metres = (length.go_m, length.return_m)[place]
    added = length.by_cables[place]
    _close(findings, f"{said}, fibre_m", terms["fibre_m"], metres, LENGTH_M)
    glass = by_way[way]
    if glass is not None and metres is not None and added:
        glass *= metres / added
    _close(findings, f"{said}, fibre_db", terms["fibre_db"], glass, LOSS_DB)
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
    _check_splices(world, hop, terms, said, findings)
    cables = {use.cable for use in hop.uses()}
    tested = any(
        test.get("loss_db") is not None
        and (test.get("link") == name or test.get("cable") in cables)
        for test in records.rows["measurements"]
    )
    if tested:
        findings.skip(f"{said.rsplit(': ', maxsplit=1)[-1]}: what tests add to it")
    elif "test_db" in terms:
        _close(findings, f"{said}, test_db", terms["test_db"], 0.0, LOSS_DB)


def _check_splices(
    world: World, hop: Hop, terms: dict[str, Any], said: str, findings: Findings
) -> None:
    """The number stated, else the joints passed, else cable changes and one for every reel."""
    records, row = world.records, hop.row
    splice_db, reels = (records.rules["defaults"][name] for name in ("splice_db", "reel_m"))
    joints = world.reliance.items[row["id"]] & set(records.by["joints"])
    loss = [records.by["joints"][str(one)].get("loss_db") for one in joints]
    if row.get("splices") is not None:
        count, basis, db = int(row["splices"]), "given", row["splices"] * splice_db
    elif joints:
        count, basis = len(joints), "joints"
        db = sum(splice_db if one is None else one for one in loss)
    else:
        uses = hop.ways.get("both") or hop.ways.get(_worse(world, row["id"]), [])
        count, basis = len(uses) - 1, "estimate"
        for use in uses:
            kind = records.by["cables"][use.cable].get("kind")
            reel = reels.get(kind, reels["other"])
            metres = world.figures.fibre_m(use) or 0.0
            count += max(-int(-(metres / reel - 1e-9) // 1), 1) - 1
        db = count * splice_db
    findings.same(f"{said}, splices", (terms["splices"], terms["splices_from"]), (count, basis))
    _close(findings, f"{said}, splices_db", terms["splices_db"], db, LOSS_DB)


def _worse(world: World, link: str) -> str:
    go, back = (world.figures.fibre_db(link, way) or 0.0 for way in ("go", "return"))
    return "return" if back > go else "go"


def _all(checks: list[bool | None]) -> bool | None:
    return False if False in checks else None if None in checks else True


def _below(figure: float | None, limit: float | None) -> bool | None:
    return True if limit is None else None if figure is None else figure <= limit


def _check_delay(
    world: World, circuit: dict[str, Any], findings: Findings, *, turned: bool
) -> None:
    what, told = f"circuit {circuit['id']}", circuit["delay"]
    service = service_of(world.records, circuit["id"])
    row = world.records.by["circuits"][circuit["id"]]
    findings.same(f"{what}: service", circuit["service"], row.get("service") or "default")
    for end in ("a", "b", "group", "scheme"):
        findings.same(f"{what}: {end}", circuit.get(end), row.get(end))
    for label, path in circuit["paths"].items():
        if f"{label}_us" in told:
            findings.same(f"{what}: delay of {label}", told[f"{label}_us"], path["delay_us"])
    findings.same(f"{what}: limit of delay", told["limit_us"], service.get("max_delay_us"))
    limit = service.get("max_asymmetry_us")
    findings.same(f"{what}: limit of asymmetry", told["asymmetry_limit_us"], limit)
    findings.same(f"{what}: delay kept", told["ok"], _below(told["worst_us"], told["limit_us"]))
    kept = _below(told["asymmetry_us"], limit)
    findings.same(f"{what}: asymmetry kept", told["asymmetry_ok"], kept)
    switching = row.get("switching") or "each"
    findings.same(f"{what}: switching", told["switching"], switching)
    if turned:
        findings.skip(f"{what}: its delay and asymmetry where its ring turns back")
        return
    paths = list(circuit["paths"].values())
    go, back = [path["go_us"] for path in paths], [path["return_us"] for path in paths]
    if not paths or None in (*go, *back):
        findings.same(f"{what}: worst delay", told["worst_us"], None)
        findings.same(f"{what}: asymmetry", told["asymmetry_us"], None)
        return
    _close(findings, f"{what}: worst delay", told["worst_us"], max(*go, *back), DELAY_US)
    if switching == "both":
        uneven = max(abs(one - other) for one, other in zip(go, back, strict=True))
    else:
        uneven = max(max(go) - min(back), max(back) - min(go))
    _close(findings, f"{what}: asymmetry", told["asymmetry_us"], uneven, DELAY_US)


def _check_within(world: World, circuit: dict[str, Any], findings: Findings) -> None:
    what, told = f"circuit {circuit['id']}", circuit["delay"]
    losses = [one["ok"] for path in circuit["paths"].values() for one in path["loss"]]
    findings.same(f"{what}: losses kept", circuit["loss_ok"], _all(losses))
    down = circuit["unavailability"]
    limit = service_of(world.records, circuit["id"]).get("max_unavailability")
    findings.same(f"{what}: limit of unavailability", down["limit"], limit)
    findings.same(f"{what}: unavailability kept", down["ok"], _below(down["both"], limit))
    checks = [told["ok"], told["asymmetry_ok"], circuit["loss_ok"], down["ok"]]
    if told.get("recovery_ms") is not None:
        findings.same(
            f"{what}: recovery kept",
            told["recovery_ok"],
            _below(told["recovery_ms"], told.get("recovery_limit_ms")),
        )
        checks.append(told["recovery_ok"])
    findings.same(f"{what}: within limits", circuit["within_limits"], _all(checks))
