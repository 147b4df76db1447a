"""Figures of a circuit as the page shows them, each with the terms that add up to it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from waysapart.report import words

Facts = Mapping[str, Any]
View = dict[str, Any]

_MINUTES_A_YEAR = 8760 * 60
_LENGTHS = (
    ("route_m", "route"),
    ("sag_m", "sag"),
    ("helix_m", "helix"),
    ("overlength_m", "overlength"),
    ("slack_m", "slack"),
    ("test_m", "by test"),
)
_DELAYS = (
    ("fibre_us", "fibre"),
    ("equipment_us", "equipment"),
    ("extra_us", "extra of links"),
    ("test_us", "by test"),
)


def circuit_figures(circuit: Facts, links: Facts) -> View:
    """Paths, delay, loss, availability, closest approach and single points of one circuit.

    Parameters
    ----------
    circuit : mapping
        Facts of a circuit, as `with_links` gives them.
    links : mapping
        Id of a link to what the facts say of it.
    """
    paths = circuit.get("paths") or {}
    return {
        "closest": _closest(circuit),
        "apart_by": _apart_by(circuit),
        "paths": [_path(label, path) for label, path in paths.items()],
        "lengths": _lengths(paths, links),
        "loss": _loss_rows(paths),
        "limits": _limits(circuit.get("delay") or {}),
        "delay": circuit.get("delay") or {},
        "states": _states(circuit),
        "availability": _availability(circuit.get("unavailability")),
        "contributions": _contributions(circuit.get("unavailability")),
        "availability_why": _listed(circuit.get("unavailability"), "why"),
        "not_counted": _listed(circuit.get("unavailability"), "not_counted"),
        "single_points": single_points(circuit),
        "tests_missing": _tests_missing(paths, links),
    }


def once_each(circuits: Sequence[View]) -> list[View]:
    """The budget of every link once, for reports of many circuits over the same links.

    The loss rows of the circuits gain `budget`, its place in the list.
    """
    places: dict[str, int] = {}
    found: list[View] = []
    for circuit in circuits:
        for row in circuit["loss"]:
            if row["link"] not in places:
                places[row["link"]] = len(found)
                found.append(row)
            row["budget"] = places[row["link"]]
    return found


def position(at: Sequence[float] | None) -> str:
    """Latitude and longitude in words; nothing where there is no place."""
    if at is None:
        return ""
    lon, lat = at[0], at[1]
    return f"{abs(lat):.5f}° {'N' if lat >= 0 else 'S'} {abs(lon):.5f}° {'E' if lon >= 0 else 'W'}"


def _closest(circuit: Facts) -> str:
    if "closest_m" not in circuit:
        return ""
    closest = circuit["closest_m"]
    return "not examined" if closest is None else words.metres(closest)


def _apart_by(circuit: Facts) -> View | None:
    """The closest two points outside the end zones, each with its segment and position."""
    found = circuit.get("closest")
    if not found:
        return None
    return {
        "distance": words.metres(found.get("distance_m")),
        "ends": [
            {"asset": str(found[side]), "at": position(found.get(f"{side}_at")), "path": side}
            for side in ("main", "alternate")
            if found.get(side)
        ],
        "danger": words.metres(found["danger_radius_m"]) if found.get("danger_radius_m") else "",
        "asked": _separation(circuit.get("separation_m")),
        "zone": words.metres(circuit["end_zone_m"]) if circuit.get("end_zone_m") else "",
    }


def _separation(asked: Any) -> str:
    if asked is None:
        return ""
    if isinstance(asked, Mapping):
        return ", ".join(f"{kinds} {words.metres(value)}" for kinds, value in asked.items())
    return words.metres(asked) if asked else "none"


def _path(label: str, path: Facts | None) -> View:
    path = path or {}
    return {
        "path": label,
        "main": label == "main",
        "links": [str(link) for link in path.get("links", [])],
        "route": words.part_of(path, "route", "m", words.metres) if "route_m" in path else "",
        "length": words.lengths_said(path),
        "delay": words.part_of(path, "delay", "us", words.microseconds),
        "relies_on": path.get("relies_on"),
        "out": bool(path.get("out_of_service")),
    }


def _links_of(path: Facts | None, links: Facts) -> list[Facts]:
    """What is said of each link of a path."""
    return [links[str(name)] for name in (path or {}).get("links", []) if str(name) in links]


def single_points(one: Facts) -> list[str]:
    """Everything whose loss alone takes all ways of a circuit or group, stretches written out."""
    found = one.get("single_points")
    if not found:
        return []
    whole = set(found["stretches"])
    members = [entry["asset"] for entry in one.get("shared", []) if entry["stretch"] in whole]
    return [str(name) for name in (*found["assets"], *members)]


def _lengths(paths: Facts, links: Facts) -> View | None:
    """Length of every link as a sum: only terms that any link has."""
    rows = [
        (label, {"link": link["id"], "medium": link["medium"], **link["lengths"]})
        for label, path in paths.items()
        for link in _links_of(path, links)
    ]
    terms = [
        (key, word) for key, word in _LENGTHS if any(row.get(key, 0.0) != 0 for _, row in rows)
    ]
    if not rows or not terms:
        return None
    return {
        "terms": [word for _, word in terms],
        "rows": [
            {
                "path": label,
                "link": str(row["link"]),
                "medium": str(row.get("medium", "fibre")),
                "terms": [_fixed(row.get(key), 1) for key, _ in terms],
                "sum": _fixed(row.get("length_m"), 1),
            }
            for label, row in rows
        ],
    }


def _fixed(value: float | None, digits: int) -> str:
    return "not known" if value is None else f"{value:.{digits}f}"


def with_links(circuit: Facts, links: Facts) -> Facts:
    """A circuit with what is said of the loss of its links, under its service, on every path."""
    service = str(circuit.get("service"))

    def spelled(row: Facts) -> Facts:
        loss: Facts = (links.get(str(row["link"])) or {}).get("loss") or {}
        held = [one for one in loss.get("held_to", []) if service in one["services"]]
        return {**loss, **(held[0] if held else {}), **row}

    return {
        **circuit,
        "paths": {
            label: {**path, "loss": [spelled(row) for row in path.get("loss", [])]}
            for label, path in (circuit.get("paths") or {}).items()
        },
    }


def _loss_rows(paths: Facts) -> list[View]:
    rows = []
    for label, path in paths.items():
        for row in path.get("loss", []):
            link = str(row["link"])
            rows.append(
                {
                    "path": label,
                    "link": link,
                    "wavelength": row.get("wavelength_nm"),
                    "loss": _table_db(row, "loss_db", "loss_at_least_db", "at least"),
                    "margin": _table_db(row, "margin_db", "margin_at_most_db", "at most"),
                    "ok": row.get("ok"),
                    "terms": _loss_terms(row),
                    "sum": _sum_of(row),
                }
            )
    return rows


def _table_db(row: Facts, key: str, bound: str, word: str) -> str:
    """As `words.decibels`, under a heading that gives the unit."""
    return words.decibels(row, key, bound, word).removesuffix(" dB")


_LEFT_OUT_AT_NOUGHT = ("mismatch_db", "via_db", "test_db", "repair_db")


def _loss_terms(row: Facts) -> list[tuple[str, str]]:
    """The budget written out term by term, to be added up by hand."""
    terms = row.get("terms") or {}
    found = []
    for key, said in (
        ("fibre_db", _fibre_said(terms)),
        ("splices_db", _counted(terms, "splices")),
        ("connectors_db", _counted(terms, "connectors")),
        ("mismatch_db", "into the smaller core of other fibre"),
        ("via_db", "what the link passes on its way"),
        ("test_db", "correction by test"),
        ("repair_db", "splices of later repairs"),
        ("reserve_db", "reserve"),
    ):
        if key not in terms or (terms[key] == 0 and key in _LEFT_OUT_AT_NOUGHT):
            continue
        found.append((said, _fixed(terms[key], 2)))
    return found


def _fibre_said(terms: Facts) -> str:
    length, loss = terms.get("fibre_m"), terms.get("fibre_db")
    if not length:
        return "fibre"
    each = "" if loss is None else f" at {1000 * loss / length:.3f} dB/km"
    return f"{length:.0f} m of fibre{each}"


def _counted(terms: Facts, what: str) -> str:
    count = terms.get(what)
    source = terms.get(f"{what}_from")
    said = what if count is None else words.count_of(int(count), what.removesuffix("s"))
    return f"{said} ({source})" if source else said


def _sum_of(row: Facts) -> list[tuple[str, str]]:
    """What the sum is held against: power, margin, and what else limits the link."""
    terms = row.get("terms") or {}
    found = [("loss, the sum", _bounded(row, "loss_db", "loss_at_least_db", "at least"))]
    known = terms.get("budget_db")
    if known is not None:
        sent, needed = row.get("tx_min_dbm"), row.get("rx_min_dbm")
        powers = (
            "" if sent is None or needed is None else f" ({sent:g} dBm sent, {needed:g} dBm needed)"
        )
        found.append((f"budget{powers}", f"{known:.2f} dB"))
    least = row.get("min_margin_db")
    asked = "" if least is None else f" (at least {least:g} dB asked)"
    found.append((f"margin{asked}", _bounded(row, "margin_db", "margin_at_most_db", "at most")))
    for key, word, unit in (
        ("measured_db", "greatest measured loss", "dB"),
        ("measured_least_db", "least measured loss", "dB"),
        ("statistical_db", "statistical loss", "dB"),
        ("least_db", "least loss to reckon with", "dB"),
        ("overload_margin_db", "margin against overload", "dB"),
        ("dispersion_ps_nm", "dispersion", "ps/nm"),
        ("dispersion_limit_ps_nm", "dispersion allowed", "ps/nm"),
        ("bandwidth_mhz", "bandwidth", "MHz"),
        ("bandwidth_needed_mhz", "bandwidth needed", "MHz"),
    ):
        if row.get(key) is not None:
            found.append((word, f"{row[key]:.2f} {unit}"))
    if row.get("could_grow_m") is not None:
        binds = f", then {row['binds']} binds" if row.get("binds") else ""
        found.append((f"could be longer by{binds}", words.metres(row["could_grow_m"])))
    return found + [(str(reason), "") for reason in row.get("not_known") or []]


_WHY = {"worst": "delay"}
"""Whose reason a figure's is, where its name is another."""


def _bounded(row: Facts, key: str, bound: str, word: str) -> str:
    """A figure in dB, or its bound where it is not known."""
    if row.get(key) is None and row.get(bound) is not None:
        return f"not known, {word} {row[bound]:.2f} dB"
    return f"{_fixed(row.get(key), 2)} dB"


def _limits(delay: Facts) -> list[View]:
    """Delay, asymmetry and recovery, each on an axis that the limit divides at 70 %."""
    rows = []
    for name, key, unit, limit_key, ok, said in (
        ("One-way delay", "worst", "us", "limit_us", "ok", words.microseconds),
        ("Asymmetry", "asymmetry", "us", "asymmetry_limit_us", "asymmetry_ok", words.microseconds),
        ("Recovery", "recovery", "ms", "recovery_limit_ms", "recovery_ok", words.milliseconds),
    ):
        limit, least = delay.get(limit_key), delay.get(f"{key}_at_least_{unit}")
        value = delay.get(f"{key}_{unit}")
        if value is None and least is None and limit is None:
            continue
        value = least if value is None else value
        share = None if value is None or not limit else min(1.0, 0.7 * value / limit)
        rows.append(
            {
                "name": name,
                "value": words.part_of(delay, key, unit, said),
                "limit": said(limit) if limit is not None else "",
                "ok": delay.get(ok),
                "why": [str(one) for one in delay.get(f"{_WHY.get(key, key)}_why") or () if one],
                "share": None if share is None else round(200 * share, 1),
            }
        )
    return rows


def _states(circuit: Facts) -> View | None:
    """Delay in every state, and of what each path's delay is made."""
    delay = circuit.get("delay") or {}
    paths = circuit.get("paths") or {}
    states = delay.get("states") or []
    terms = [(label, (path or {}).get("delay_terms") or {}) for label, path in paths.items()]
    used = [(key, word) for key, word in _DELAYS if any(one.get(key, 0.0) != 0 for _, one in terms)]
    if not states and not used:
        return None
    notes = []
    if delay.get("switching"):
        notes.append(
            "Both directions switch together."
            if delay["switching"] == "both"
            else "Each direction may switch alone, so the two may run on different paths."
        )
    if delay.get("phase_error_deg") is not None:
        notes.append(
            f"Asymmetry makes a phase error of {delay['phase_error_deg']:.2f}° at "
            f"{delay.get('frequency_hz', 50):g} Hz."
        )
    return {
        "rows": [
            (str(one["state"]), words.part_of(one, "delay", "us", words.microseconds))
            for one in states
        ],
        "terms": [word for _, word in used],
        "sums": [
            (label, [_fixed(one.get(key), 1) for key, _ in used]) for label, one in terms if one
        ],
        "notes": notes,
    }


def _availability(found: object) -> list[View]:
    if not isinstance(found, Mapping):
        return []
    names = {"both": "both at once", "all": "all at once", "limit": "limit for both at once"}
    minutes = found.get("path_minutes_a_year") or {}
    least = found.get("at_least") or {}
    rows = []
    for label, value in found.items():
        number = isinstance(value, int | float) and not isinstance(value, bool)
        known = label in names or label in minutes or "path_minutes_a_year" not in found
        if not known or label in _NOT_PATHS or not (number or (value is None and label != "limit")):
            continue
        bound = least.get(label) if value is None else None
        time = bound if value is None else value
        each = "" if time is None else f"{time * _MINUTES_A_YEAR:.1f} min a year"
        rows.append(
            {
                "path": names.get(label, label),
                "share": words.unavailable(found, label),
                "minutes": f"at least {each}" if bound is not None else each,
            }
        )
    return rows


_NOT_PATHS = frozenset(
    {
        *("minutes_a_year", "working_minutes_a_year", "losses_a_year", "ok", "greatest"),
        *("not_counted", "at_least", "why"),
    }
)


def _contributions(found: object) -> list[View]:
    """The assets that bring most of the time in which both ways are down."""
    if not isinstance(found, Mapping):
        return []
    return [
        {
            "asset": str(one["asset"]),
            "minutes": f"{one['minutes_a_year']:.2g}",
            "of_all": f"{100 * one['of_all']:.0f} %" if one.get("of_all") is not None else "",
        }
        for one in found.get("greatest") or []
    ]


def _listed(found: object, key: str) -> list[str]:
    if not isinstance(found, Mapping):
        return []
    return [str(one) for one in found.get(key) or []]


def _tests_missing(paths: Facts, links: Facts) -> list[View]:
    used = {str(link["id"]): link for path in paths.values() for link in _links_of(path, links)}
    return [
        {
            "link": name,
            "cable": str(row["cable"]),
            "missing": words.listed([str(stage) for stage in row["missing"]]),
        }
        for name, link in used.items()
        for row in link["tests_missing"]
    ]
