"""Whether lengths, delays and losses are as claimed, and kept within the limits of the rules."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import inf, radians, sin
from typing import Any

from waysapart.evidence import Circuit, Delay, Evidence, Link, Loss, LossTerms, Path, Unavailability
from waysapart.recheck.evidence import About
from waysapart.recheck.faulty_rows import day_of, grouped
from waysapart.recheck.figures import DIRECTIONS, assumed_us, link_losses, scaled, total
from waysapart.recheck.paths import Key
from waysapart.recheck.plant import Hop
from waysapart.recheck.reliance import DRAWN_GAPS, UNKNOWN_SERVICE, World, service_of

TOLD_BY_FIGURES = {"blank-delay", "fibre-type", "hop-length"}
"""Gaps that show in a figure of a path."""
TAKEN_AS_TOLD = {"match-uncovered", "match-ambiguous"}
"""Gaps that are not derived here and leave a delay open."""
LENGTH_M = 0.02
OTHER_LENGTH_M = 0.05
DELAY_US = 0.003
LOSS_DB = 0.0003
ADDED_LOSS_DB = 0.0006
"""Terms are rounded to four places before they are added."""
WAVELENGTH_NM = 0.001
SHARE = 1e-4
ROUNDED = 1e-5
"""Relative tolerance of a figure of six digits."""
PASSIVE = ("fibre_db", "splices_db", "connectors_db", "mismatch_db", "via_db")
LOSS_TERMS = (*PASSIVE, "test_db", "repair_db", "reserve_db")


def check_figures(world: World, facts: Evidence, about: About) -> None:
    """Check the figures of every link, path and circuit.

    Parameters
    ----------
    world : World
    facts : Evidence
    about : About
        Tallies the claims.
    """
    links = {one["id"]: one for one in facts["links"]}
    about.same_set("links", [one["id"] for one in facts["links"]], world.hops)
    for link in facts["links"]:
        hop = world.hops.get(link["id"])
        if hop is not None:
            _check_link(world, hop, link, about.of(f"link {link['id']}"))
    _check_held(world, links, about)
    turns = world.records.rules["recovery"]["ring_turns_back"]
    ringed = {row["circuit"] for row in world.records.rows["ring_circuits"]} if turns else set()
    for circuit in facts["circuits"]:
        name = circuit["id"]
        if name not in world.records.by["circuits"]:
            continue
        codes = {gap["code"] for gap in circuit["gaps"]}
        left_open = "loss" in world.left_open(name) or bool(codes & DRAWN_GAPS)
        for label, path in circuit["paths"].items():
            if (name, label) in world.paths:
                mine = about.of(f"circuit {name}, {label}")
                _check_path(world, (name, label), path, codes, mine)
                _check_loss(world, (name, label), path, links, left_open, mine)
        mine = about.of(f"circuit {name}")
        _check_delay(world, circuit, codes, mine, turned=name in ringed)
        _check_within(world, circuit, mine)
        _check_other_lengths(world, circuit, about)
        _check_states(circuit, mine, turned=name in ringed)
        _check_labels(circuit, mine)
        _check_angle(world, circuit["delay"], mine)


def all_kept(checks: Iterable[bool | None]) -> bool | None:
    """Whether all checks are kept.

    Parameters
    ----------
    checks : iterable of bool or None

    Returns
    -------
    bool or None
        None where none is broken and one is not known.
    """
    known = list(checks)
    return False if False in known else None if None in known else True


def _below(figure: float | None, limit: float | None, at_least: float | None = None) -> bool | None:
    """Whether a limit is kept, by a figure or by its lower bound."""
    if limit is None:
        return True
    if figure is None:
        return False if at_least is not None and at_least > limit else None
    return figure <= limit


def _reaches(figure: float | None, least: float | None) -> bool | None:
    """Whether a figure is at least as great as required; true where nothing is required."""
    if least is None:
        return True
    return None if figure is None else figure >= least


def _less(figure: float | None, by: float | None) -> float | None:
    return None if figure is None or by is None else figure - by


# Links


def _check_link(world: World, hop: Hop, link: Link, about: About) -> None:
    """Lengths and loss of one link."""
    name, row, told, loss = hop.row["id"], hop.row, link["lengths"], link["loss"]
    unsure = any(use.cable in world.cables.unsure for use in hop.uses())
    about.same("medium", link["medium"], hop.medium)
    by, day = row.get("stated_by"), day_of(row.get("stated_on"))
    on = None if day is None else day.isoformat()
    about.same("route stated", link["stated"], {"by": by, "on": on} if by or on else None)
    due = None if hop.trace is None else hop.trace.told
    about.same("trace", _without_words(link.get("trace")), due)
    figures: Mapping[str, Any] = told
    terms = total(figures[term] for term in told if term != "length_m")
    about.close("terms of its length", told["length_m"], terms, 0.002)
    measured = told["length_m"] is not None or not told["test_m"]
    about.holds(measured, "a test of a length that is not known")
    if not unsure:
        about.close("length", told["length_m"], world.figures.lengths[name].known_m, LENGTH_M)
    about.same("over fibre", loss is not None, hop.over_fibre)
    if loss is None:
        return
    about.same("k", loss["k"], world.records.rules["statistics"]["k"])
    _check_sum(world, hop, loss, about)
    budget, powers = loss["terms"]["budget_db"], dict[str, Any](loss)
    margins = {
        "margin_db": _less(budget, loss["loss_db"]),
        "margin_at_most_db": _less(budget, loss["loss_at_least_db"]),
        "budget_db": budget,
        **{f"{of}_dbm": row.get(f"{of}_dbm") for of in ("tx_min", "tx_max", "rx_min", "rx_max")},
    }
    for term, found in margins.items():
        about.close(f"loss, {term}", powers[term], found, LOSS_DB)
    nm = row.get("wavelength_nm")
    about.close("loss, wavelength", loss["wavelength_nm"], nm, WAVELENGTH_NM)
    for held in loss["held_to"]:
        once = len(held["services"]) == len(set(held["services"]))
        about.holds(once, "a service stands twice")
    if not unsure:
        direction = world.budgets.of(name).direction
        types = {world.figures.type_of(use) for use in hop.along(direction)} - {None}
        kinds = {kind for kind in (loss["fibre_type"] or "").split(";") if kind}
        about.same("types of fibre", kinds, types)
        _check_terms(world, hop, loss["terms"], about)
        if hop.over_fibre:
            _check_budget(world, hop, loss, about)


def _without_words(trace: Any) -> Any:
    """The steps of a trace as the evidence has them, without the words of a stop."""
    if not isinstance(trace, dict):
        return trace
    return {
        direction: [{key: one for key, one in step.items() if key != "text"} for step in steps]
        for direction, steps in trace.items()
    }


def _check_sum(world: World, hop: Hop, told: Loss, about: About) -> None:
    """Check that a loss is the sum of its terms, or at least that of the terms that are known."""
    terms: Mapping[str, Any] = told["terms"]
    listed = [terms[name] for name in LOSS_TERMS]
    known = sum(one for one in listed if one is not None)
    lost, bound = told["loss_db"], told["loss_at_least_db"]
    if lost is None:
        about.holds(None in listed, "no loss, though every term is known")
        enough = bound is not None and bound >= known - LOSS_DB
        about.holds(enough, f"loss of at least {bound}, found {known:.4f}")
        return
    if None in listed:
        about.holds(_tested(world, hop), "a loss, though a term is not known")
    about.close("loss, its terms", lost, known, LOSS_DB)
    about.same("loss, its bound", bound, None)


def _tested(world: World, hop: Hop) -> bool:
    """Whether some loss of a link, or of one of its cables, was measured."""
    cables = {use.cable for use in hop.uses()}
    return any(
        test.get("loss_db") is not None
        and (test.get("link") == hop.row["id"] or test.get("cable") in cables)
        for test in world.records.tests
    )


def _check_terms(world: World, hop: Hop, told: LossTerms, about: About) -> None:
    """Check the terms of a loss: fibre, connectors, equipment passed, powers, splices."""
    row, rules, direction = hop.row, world.records.rules, world.budgets.of(hop.row["id"]).direction
    defaults, reserve = rules["defaults"], row.get("reserve_db")
    connectors = row.get("connectors")
    connectors = defaults["connectors"] if connectors is None else connectors
    metres, factor = world.figures.lengths[row["id"]].way_m(direction)
    fibre_db = world.figures.fibre_db(hop, direction)
    splices = world.figures.splices(row["id"], direction)
    basis = "given" if splices.given else "joints" if splices.joints else "estimate"
    if splices.joints and splices.count > splices.joints:
        basis = "joints and estimate"
    about.close("loss, fibre_m", told["fibre_m"], metres, LENGTH_M)
    about.same("loss, connectors", told["connectors"], int(connectors))
    about.same(
        "loss, splices", (told["splices"], told["splices_from"]), (int(splices.count), basis)
    )
    found = {
        "fibre_db": None if fibre_db is None else fibre_db * factor,
        "mismatch_db": world.figures.mismatch_db(hop, direction),
        "connectors_db": connectors * defaults["connector_db"],
        "via_db": row.get("loss_db") or 0.0,
        "budget_db": _less(row.get("tx_min_dbm"), row.get("rx_min_dbm")),
        "reserve_db": rules["reserve"]["ageing_db"] if reserve is None else reserve,
        "splices_db": splices.db,
    }
    terms: Mapping[str, Any] = told
    for name, due in found.items():
        about.close(f"loss, {name}", terms[name], due, LOSS_DB)
    if _tested(world, hop):
        least = sum(terms[one] or 0.0 for one in ("connectors_db", "mismatch_db", "via_db"))
        least = max(least, *link_losses(world.records, hop)[0], 0.0)
        sums = sum(terms[one] or 0.0 for one in (*PASSIVE, "test_db"))
        more = f"a loss of {sums:.4f}, and its tests say {least:.4f} or more"
        about.holds(sums >= least - LOSS_DB, more)
    else:
        about.close("loss, test_db", told["test_db"], 0.0, LOSS_DB)


def _check_budget(world: World, hop: Hop, told: Loss, about: About) -> None:
    """Check measurements, statistics, overload, bandwidth and dispersion of a fibre link."""
    row, rules, terms = hop.row, world.records.rules, told["terms"]
    budget, (endless, dispersion) = world.budgets.of(row["id"]), world.budgets.reach(row["id"])
    keep, statistics = rules["reserve"], rules["statistics"]
    splices = keep["repair_splices_per_km_year"] * keep["repair_years"]
    repair = splices * rules["defaults"]["splice_db"]
    none_kept = row.get("reserve_db") is not None or not repair
    later = total((terms["repair_db"], terms["reserve_db"]))
    likely = None
    if told["mean_db"] is not None and told["loss_db"] is not None:
        likely = min(told["mean_db"] + statistics["k"] * (told["sigma_db"] or 0), told["loss_db"])
    strong = row.get("rx_max_dbm"), row.get("tx_max_dbm")
    overload = total((_less(*strong), budget.least_db))
    most = told["margin_db"]
    needed, limit = row.get("bandwidth_mhz"), row.get("dispersion_limit_ps_nm")
    about.close("loss, test_db", terms["test_db"], budget.test_db, ADDED_LOSS_DB)
    kept = 0.0 if none_kept else scaled(terms["fibre_m"], repair)
    about.close("loss, repair_db", terms["repair_db"], kept, ADDED_LOSS_DB)
    found = {
        "mean_db": total((budget.mean_db, later)),
        "sigma_db": budget.sigma_db,
        "measured_db": budget.measured_db,
        "measured_least_db": budget.measured_least_db,
        "least_db": budget.least_db,
        "statistical_db": likely,
        "statistical_margin_db": _less(_less(row.get("tx_min_dbm"), row.get("rx_min_dbm")), likely),
        "overload_margin_db": overload,
        "attenuator_db": None if overload is None else max(-overload, 0.0),
        "attenuator_most_db": None if most is None else max(most, 0.0),
        "bandwidth_mhz": None if endless == inf else endless,
        "dispersion_ps_nm": dispersion,
        "bandwidth_needed_mhz": needed,
        "dispersion_limit_ps_nm": limit,
    }
    figures: Mapping[str, Any] = told
    for name, due in found.items():
        share = SHARE * (due or 0.0) + 1e-3
        by = share if name in ("bandwidth_mhz", "dispersion_ps_nm") else ADDED_LOSS_DB
        about.close(f"loss, {name}", figures[name], due, by)
    bandwidth = inf if endless == inf else told["bandwidth_mhz"]
    checks = {
        "overload_ok": _reaches(told["overload_margin_db"], None if strong[0] is None else 0.0),
        "bandwidth_ok": _reaches(bandwidth, needed),
        "dispersion_ok": _below(told["dispersion_ps_nm"], limit),
    }
    for held in told["held_to"]:
        stated: Mapping[str, Any] = held
        for name, due in checks.items():
            about.same(f"loss, {name}", stated[name], due)


def _check_held(world: World, links: Mapping[str, Link], about: About) -> None:
    """Check that each link is held to the least margin of each service over it, and no other."""
    asked: dict[str, dict[float | None, set[str]]] = {}
    for (circuit, _), path in world.paths.items():
        service = world.records.by["circuits"][circuit].get("service") or "default"
        least = service_of(world.records, circuit).get("min_margin_db")
        for link in path:
            asked.setdefault(link, {}).setdefault(least, set()).add(service)
    for name, told in links.items():
        held = told["loss"]["held_to"] if told["loss"] is not None else []
        mine = {one["min_margin_db"]: set(one["services"]) for one in held}
        due = asked.get(name, {}) if told["loss"] is not None else {}
        about.same(f"link {name}: the margins that services require", mine, due)
        about.same(f"link {name}: each margin once", len(held), len(mine))


# Paths


def _told(facts: Mapping[str, Any], name: str, unit: str) -> tuple[float | None, float | None]:
    """A figure, and its lower bound where it is not known."""
    return facts[f"{name}_{unit}"], facts[f"{name}_at_least_{unit}"]


def _check_figure(
    about: About,
    name: str,
    told: tuple[float | None, float | None],
    found: float | None,
    by: float,
    within: tuple[float, float],
    *,
    doubted: bool,
) -> None:
    """Check a figure and its lower bound; a gap in the records may leave the figure open.

    A bound is at least what no gap leaves open, and at most all that is known (`within`).
    """
    (claimed, at_least), (sure, known) = told, within
    if claimed is not None:
        about.same(f"{name}: its least value, as the figure is known", at_least, None)
    else:
        right = at_least is not None and sure - by <= at_least <= known + by
        said = f"{name}: at least {sure:.3f} to {known:.3f} is sure, not {at_least}"
        about.holds(right, said)
    if claimed is None and found is not None and doubted:
        about.tally.skip("figures that the evidence leaves open because of a record gap")
        least = at_least or 0.0
        about.holds(least <= found + by, f"{name}: it is {found:.3f}, not at least {least}")
    else:
        about.close(name, claimed, found, by)


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
    for gap in world.delay_gaps:
        if gap.code not in TOLD_BY_FIGURES:
            touched |= {one for one in links if one in gap.links or used[one] & set(gap.assets)}
            whole = whole or (key[0] in gap.circuits and gap.path in (key[1], None))
    return (set(links), True) if whole else (touched, False)


def _machines(world: World, key: Key) -> tuple[float, set[str]]:
    """Delay of the equipment on a path as far as it is known, and that of which it is not."""
    rows = [world.hops[link].row for link in world.paths[key]]
    names = {str(n) for row in rows for n in (row["a"], row["b"], *(row.get("via") or ()))}
    machines = names & world.records.by["equipment"].keys()
    delays = {name: assumed_us(world.records, name) for name in machines}
    blank = {name for name, delay in delays.items() if delay is None}
    return sum(delay or 0.0 for delay in delays.values()), blank


def _check_path(world: World, key: Key, path: Path, codes: set[str], about: About) -> None:
    links = world.paths[key]
    if not links:
        about.same("length of no links", path["length_m"], None)
        return
    touched, whole = _doubted(world, key, codes)
    if world.unsure([key]):
        about.skip("its length, as the course of a drawn cable is not certain")
    else:
        over_fibre = [world.hops[link].medium == "fibre" for link in links]
        metres = [world.figures.lengths[link].known_m for link in links]
        routes = [world.figures.lengths[link].route_m for link in links]
        fibre = total(one for one, mine in zip(metres, over_fibre, strict=True) if mine)
        if not any(over_fibre) and None in metres:
            fibre = None
        settled = [link not in touched for link in links]
        counts = [one and mine for one, mine in zip(settled, over_fibre, strict=True)]
        slack = LENGTH_M * len(links)
        for name, found, each, mine in (
            ("length", fibre, metres, counts),
            ("route", total(routes), routes, settled),
        ):
            sure = sum(one or 0.0 for one, sound in zip(each, mine, strict=True) if sound)
            known = inf if None in each else sum(one or 0.0 for one in each)
            told, within, doubted = _told(path, name, "m"), (sure, known), bool(touched)
            _check_figure(about, f"{name}_m", told, found, slack, within, doubted=doubted)
    _check_path_delay(world, key, path, about, touched, whole=whole)


def _check_path_delay(
    world: World, key: Key, path: Path, about: About, touched: set[str], *, whole: bool
) -> None:
    links, terms, doubted = world.paths[key], path["delay_terms"], bool(touched)
    said = "terms of its delay"
    each = (terms["fibre_us"], terms["equipment_us"], terms["extra_us"], terms["test_us"])
    if path["delay_us"] is not None:
        about.close(said, path["delay_us"], total(each), DELAY_US)
    both = path["go_us"], path["return_us"]
    if both == (None, None) and not whole:
        about.holds(None in each, f"{said}: all are known, and the delay is not")
    longer = None if both[0] is None or both[1] is None else max(both[0], both[1])
    about.close("delay_us of go and return", path["delay_us"], longer, DELAY_US)
    in_machines, blank = _machines(world, key)
    known = None if blank else in_machines
    about.close("equipment_us", terms["equipment_us"], known, DELAY_US)
    extra = sum(world.hops[link].row.get("extra_delay_us") or 0.0 for link in links)
    about.close("extra_us", terms["extra_us"], extra, DELAY_US)
    if world.unsure([key]):
        return
    by = DELAY_US * (len(links) + 1)
    row = world.records.by["circuits"][key[0]]
    ends = {str(row[end]) for end in ("a", "b") if row.get(end)}
    at_ends = sum(assumed_us(world.records, one) or 0.0 for one in ends)
    glasses = delay_of(world, key)
    sound, all_known = delay_of(world, key, touched), delay_of(world, key, set(), in_vacuum=True)
    if None in glasses:
        about.same(f"{said}: of fibre, as it is not known", terms["fibre_us"], None)
        about.same(f"{said}: of a test of what is not known", terms["test_us"], 0.0)
    elif not doubted and path["delay_us"] is None:
        glass_us = max(one for one in glasses if one is not None)
        known_us = total((terms["fibre_us"], terms["test_us"], terms["extra_us"]))
        about.close(f"{said} but for equipment", known_us, glass_us, by)
    for name, glass, least, most in zip(DIRECTIONS, glasses, sound, all_known, strict=True):
        found = None if glass is None or known is None else glass + known
        sure = 0.0 if touched >= set(links) else (least or 0.0) + in_machines
        top = inf if glass is None else (most or 0.0) + in_machines + at_ends + extra
        told = _told(path, name, "us")
        _check_figure(about, f"{name}_us", told, found, by, (sure, top), doubted=doubted)
        if blank and not doubted and glass is None:
            about.skip("the least value of its delay")
        elif blank and not doubted:
            about.close(f"{name}, at least", told[1], (glass or 0.0) + in_machines, by)


def delay_of(
    world: World, key: Key, but: set[str] | None = None, *, in_vacuum: bool = False
) -> tuple[float | None, float | None]:
    """Delay of a path's links from end a to end b and back, in microseconds.

    With `but` only what is known counts, without these links. `in_vacuum`: fibre of an unknown
    type is no slower than light in vacuum.
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
    return total(onward), total(backward)


def _check_loss(
    world: World, key: Key, path: Path, links: Mapping[str, Link], left_open: bool, about: About
) -> None:
    """Check that losses of a path are those of its links, held to the margin of its service."""
    fibre = [link for link in world.paths[key] if world.hops[link].over_fibre]
    about.same("links with a loss", [one["link"] for one in path["loss"]], fibre)
    least = service_of(world.records, key[0]).get("min_margin_db")
    service = world.records.by["circuits"][key[0]].get("service") or "default"
    for told in path["loss"]:
        loss = links[told["link"]]["loss"] if told["link"] in links else None
        held = [o for o in (loss["held_to"] if loss else ()) if service in o["services"]]
        mine = about.of(f"loss of {told['link']}")
        if not mine.holds(len(held) == 1, "not among the links") or loss is None:
            continue
        mine.same("wavelength_nm", told["wavelength_nm"], loss["wavelength_nm"])
        mine.same("loss_db", told["loss_db"], loss["loss_db"])
        mine.same("margin_db", told["margin_db"], loss["margin_db"])
        margin, most = loss["margin_db"], loss["margin_at_most_db"]
        kept: bool | None = True
        if least is not None:
            kept = None if margin is None else margin >= least
            if most is not None and most < least - LOSS_DB:
                kept = False
            if kept and held[0]["margin_ok"] is None and left_open:
                kept = None
        mine.same("margin kept", held[0]["margin_ok"], kept)
        stated: Mapping[str, Any] = held[0]
        checks = [stated[name] for name in stated if name.endswith("_ok")]
        mine.same("all kept", held[0]["ok"], all_kept(checks))
        mine.same("kept", told["ok"], held[0]["ok"])


def _check_other_lengths(world: World, circuit: Circuit, about: About) -> None:
    """Check the lengths of a path's hops without fibre, added up by medium."""
    for label, path in circuit["paths"].items():
        key, told = (circuit["id"], label), path["other_lengths"]
        found = grouped(
            (world.hops[link].medium, world.figures.lengths[link].known_m)
            for link in world.paths.get(key, ())
            if world.hops[link].medium != "fibre"
        )
        mine = about.of(f"circuit {key[0]}, {label}: lengths other than of fibre")
        mine.same("media", [one["medium"] for one in told], list(found))
        if key in world.paths and world.unsure([key]):
            continue
        for one in told:
            metres = total(found.get(one["medium"], [None]))
            _rounded(mine, one["medium"], one["length_m"], metres, OTHER_LENGTH_M)


def _rounded(about: About, name: str, told: float | None, found: float | None, by: float) -> None:
    """A figure rounded to six digits."""
    about.close(name, told, found, by + ROUNDED * abs(found or 0.0))


# Circuits


def _check_delay(
    world: World, circuit: Circuit, codes: set[str], about: About, *, turned: bool
) -> None:
    told, paths = circuit["delay"], circuit["paths"]
    service = service_of(world.records, circuit["id"])
    row = world.records.by["circuits"][circuit["id"]]
    about.same("service", circuit["service"], row.get("service") or "default")
    fields: Mapping[str, Any] = circuit
    for end in ("a", "b", "group", "scheme"):
        about.same(end, fields[end], row.get(end))
    delays: Mapping[str, Any] = told
    for label, path in paths.items():
        if f"{label}_us" in delays and f"{label}_us" not in Delay.__annotations__:
            about.same(f"delay of {label}", delays[f"{label}_us"], path["delay_us"])
    about.same("limit of delay", told["limit_us"], service.get("max_delay_us"))
    limit = service.get("max_asymmetry_us")
    about.same("limit of asymmetry", told["asymmetry_limit_us"], limit)
    left_open = world.left_open(circuit["id"])
    unknown = circuit["service"] not in world.records.rules["services"]
    kept = _below(told["worst_us"], told["limit_us"], told["worst_at_least_us"])
    about.same("delay kept", told["ok"], None if unknown and "delay" in left_open else kept)
    kept = _below(told["asymmetry_us"], limit, told["asymmetry_at_least_us"])
    kept = None if unknown and "asymmetry" in left_open else kept
    about.same("asymmetry kept", told["asymmetry_ok"], kept)
    about.same("switching", told["switching"], row.get("switching") or "each")
    if turned:
        about.skip("its delay and asymmetry where its ring turns back")
        return
    figures = [figure for path in paths.values() for figure in (path["go_us"], path["return_us"])]
    known = [figure for figure in figures if figure is not None]
    lacking = not paths or "delay" in left_open
    worst = None if lacking or None in figures else max(known)
    about.close("worst delay", told["worst_us"], worst, DELAY_US)
    if told["worst_us"] is not None:
        about.same("worst delay, at least", told["worst_at_least_us"], None)
    if None in figures:
        least = max(_least(path, name) for path in paths.values() for name in DIRECTIONS)
        about.close("worst delay, at least", told["worst_at_least_us"], least, DELAY_US)
    lacking = not paths or "asymmetry" in left_open
    _check_asymmetry(world, circuit, codes, about, lacking=lacking)


def _least(path: Path, name: str) -> float:
    """A delay of a path, or its lower bound."""
    known, at_least = _told(path, name, "us")
    return float((at_least or 0.0) if known is None else known)


def _check_asymmetry(
    world: World, circuit: Circuit, codes: set[str], about: About, *, lacking: bool
) -> None:
    """Check the greatest difference of the two directions.

    Equipment of an unknown delay that both directions pass cancels; what one of them alone
    passes, or a link of an unknown delay, may make the difference any greater.
    """
    told, paths = circuit["delay"], circuit["paths"]
    keys = {label: (circuit["id"], label) for label in paths}
    if not keys or not all(world.paths.get(key) for key in keys.values()):
        return
    blank = {label: _machines(world, key)[1] for label, key in keys.items()}
    doubted = {
        label: bool(_doubted(world, key, codes)[0])
        or bool(world.unsure([key]))
        or None in delay_of(world, key)
        for label, key in keys.items()
    }
    known = told["asymmetry_us"] is not None
    greatest, most, exact = 0.0, 0.0, not lacking
    for one, go in paths.items():
        for other, back in paths.items():
            if told["switching"] == "both" and one != other:
                continue
            # A gap may leave a delay open; where a delay is claimed, it is checked by itself.
            more = bool(blank[one] - blank[other]) or (doubted[one] and not known)
            less = bool(blank[other] - blank[one]) or (doubted[other] and not known)
            between = _least(go, "go") - _least(back, "return")
            exact = exact and not more and not less
            greatest = max(greatest, 0.0 if less else between, 0.0 if more else -between)
            most = max(most, abs(between))
    bound = told["asymmetry_at_least_us"]
    if any(doubted.values()) and not known:
        asked = told["asymmetry_limit_us"] is not None
        doubtful = "asymmetry where a link's delay is in doubt: whether it is, and how much it adds"
        about.tally.skip(doubtful, *([about.what] * asked))
        right = bound is not None and greatest - DELAY_US <= bound <= most + DELAY_US
        about.holds(right, f"asymmetry of at least {greatest:.3f} to {most:.3f}, not {bound}")
    elif exact:
        about.close("asymmetry", told["asymmetry_us"], greatest, DELAY_US)
        about.same("asymmetry, at least", bound, None)
    else:
        about.same("asymmetry", told["asymmetry_us"], None)
        about.close("asymmetry, at least", bound, greatest, DELAY_US)


def _check_within(world: World, circuit: Circuit, about: About) -> None:
    """Check each limit, and whether the circuit is within all of them."""
    told, down = circuit["delay"], circuit["unavailability"]
    losses = [one["ok"] for path in circuit["paths"].values() for one in path["loss"]]
    service = service_of(world.records, circuit["id"])
    left_open = world.left_open(circuit["id"])
    loss_open = "loss" in left_open or any(gap["code"] in DRAWN_GAPS for gap in circuit["gaps"])
    kept = all_kept(losses)
    unknown = service is UNKNOWN_SERVICE
    if kept and loss_open and (unknown or service.get("min_margin_db") is not None):
        kept = None
    about.same("losses kept", circuit["loss_ok"], kept)
    limit = service.get("max_unavailability")
    about.same("limit of unavailability", down["limit"], limit)
    kept = _below(down["both"], limit, down["at_least"].get("both"))
    if kept and (unknown or limit is not None) and "unavailability" in left_open:
        kept = None
    about.same("unavailability kept", down["ok"], kept)
    checks = [told["ok"], told["asymmetry_ok"], circuit["loss_ok"], down["ok"]]
    if told["recovery_ms"] is not None:
        kept = _below(told["recovery_ms"], told["recovery_limit_ms"])
        kept = None if kept and "recovery" in left_open else kept
        about.same("recovery kept", told["recovery_ok"], kept)
        checks.append(told["recovery_ok"])
    about.same("within limits", circuit["within_limits"], all_kept(checks))


def _check_states(circuit: Circuit, about: About, *, turned: bool) -> None:
    """Check the delay in every state: of each path, and looped back on each in a ring."""
    told, paths = circuit["delay"]["states"], circuit["paths"]
    due = [
        {"state": label, **{name: path[name] for name in ("delay_us", "delay_at_least_us")}}
        for label, path in paths.items()
    ]
    about.same("states", told[: len(paths)], due)
    more = told[len(paths) :]
    if turned:
        about.tally.skip("delays where a ring turns back: taken as the evidence states them")
        known = {f"turned back on {label}" for label in paths}
        about.holds({one["state"] for one in more} <= known, "more states")
    else:
        about.same("states of a ring that turns back", more, [])


def _check_labels(circuit: Circuit, about: About) -> None:
    """Check that delay and unavailability have one figure for each path, by its label.

    A path with the name of a field has its delay with the path only.
    """
    for name, told, form, ending in (
        ("delay", set(circuit["delay"]), Delay, "_us"),
        ("unavailability", set(circuit["unavailability"]), Unavailability, ""),
    ):
        labels = {f"{label}{ending}" for label in circuit["paths"]} - form.__annotations__.keys()
        extra, lacking = told - form.__required_keys__ - labels, labels - told
        about.holds(not extra, f"{name} tells of {sorted(extra)}, which are no paths")
        about.holds(not lacking, f"{name} does not tell of {sorted(lacking)}")


def _check_angle(world: World, delay: Delay, about: About) -> None:
    """Check the angle of the asymmetry, 360 f dt/2 in degrees, and its chord, 2 sin(angle/2)."""
    frequency = world.records.rules["power_system"]["frequency_hz"]
    about.same("frequency", delay["frequency_hz"], frequency)
    angle = None
    if delay["asymmetry_limit_us"] is not None and delay["asymmetry_us"] is not None:
        angle = 360.0 * frequency * delay["asymmetry_us"] * 1e-6 / 2
    _rounded(about, "phase error", delay["phase_error_deg"], angle, 1e-5)
    current = None if angle is None else 2 * abs(sin(radians(angle) / 2))
    said = "apparent differential current"
    _rounded(about, said, delay["apparent_differential"], current, 2e-7)
