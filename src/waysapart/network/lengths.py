"""Add up the lengths of segments, cables, links, and hops without cables.

Ground lengths come from the geodesic of the geometry or from the record. Fibre is longer: sag, the
helix of a wrapped cable, overlength and slack are added.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely

from waysapart.arrays import Bools, Floats, owners
from waysapart.formulas.length import (
    catenary_length_m,
    fibre_length_m,
    geodesic_length_m,
    helix_factor,
)
from waysapart.gaps import Gap
from waysapart.network.assets import Assets, listed, row_gap
from waysapart.network.ends import GROUND_STRUCTURES, Ends, Passing
from waysapart.network.links import BOTH, GO, RETURN, LinkParts, Parts
from waysapart.network.measurements import MeasuredLengths, measured_us
from waysapart.schema import KNOWN_EMPTY, LIST_SEPARATOR, ROLES
from waysapart.study.model import Study, kept_by_study

SPAN = "span"


@dataclass(frozen=True)
class CableTerms:
    """Terms of the fibre length of each part; arrays of shape (parts,).

    Attributes
    ----------
    route_m, sag_m : ndarray of float
        Ground length, and what sag adds to it.
    helix : ndarray of float
        Factor of a wrapped cable; 1 for others.
    overlength_pct : ndarray of float
    slack_m : ndarray of float
        The part's share of the cable's slack.
    computed_m : ndarray of float
        The length by all of these; NaN where no run is on record.
    fibre_m : ndarray of float
        The part's share of the cable's measured length where there is one, else `computed_m`.
    """

    route_m: Floats
    sag_m: Floats
    helix: Floats
    overlength_pct: Floats
    slack_m: Floats
    computed_m: Floats
    fibre_m: Floats


def positions_deg(study: Study, lines: np.ndarray) -> np.ndarray:
    """Transform geometries of the study's plane to longitude and latitude.

    Parameters
    ----------
    study : Study
    lines : ndarray of Geometry
        None stays None.

    Returns
    -------
    ndarray of Geometry
        Degrees, WGS 84.
    """
    return study.plane.shapes_in_degrees(lines)


def segment_lengths_m(study: Study, lonlat: np.ndarray) -> Floats:
    """Return the ground length of every segment.

    Parameters
    ----------
    study : Study
    lonlat : ndarray of LineString, shape (segments,)
        Degrees, from `positions_deg`.

    Returns
    -------
    ndarray of float, shape (segments,)
        Metres: `length_m` where it was measured, else the length of the geodesic.
    """
    segments = study.tables["segments"]
    measured = segments["length_m"].to_numpy(dtype=np.float64)
    return np.where(np.isnan(measured), geodesic_length_m(lonlat), measured)


def sag_lengths_m(
    study: Study, assets: Assets, length_m: Floats, ends: Ends, passed: Passing
) -> Floats:
    """Return what sag, and supports of unequal height, add to every segment's length.

    A span that passes towers hangs between each two of them. Height counts where both supports
    have an `elevation_m`, and only for spans; a span without a sag on record is as long as the
    straight line between its supports.

    Parameters
    ----------
    study : Study
    assets : Assets
    length_m : ndarray of float, shape (segments,)
        Ground length.
    ends : Ends
    passed : Passing

    Returns
    -------
    ndarray of float, shape (segments,)
        Metres, by `catenary_length_m`.
    """
    segments = study.tables["segments"]
    sag = np.nan_to_num(segments["sag_m"].to_numpy(dtype=np.float64))
    added = np.zeros(len(segments))
    hanging = np.flatnonzero((sag > 0) | (segments["kind"] == SPAN).to_numpy())
    if not len(hanging):
        return added
    mine = np.isin(passed.segment, hanging)
    segment = np.r_[np.repeat(hanging, 2), passed.segment[mine]]
    fraction = np.r_[np.tile([0.0, 1.0], len(hanging)), passed.fraction[mine]]
    support = np.r_[
        np.column_stack([ends.a[hanging], ends.b[hanging]]).ravel(), passed.structure[mine]
    ]
    order = np.lexsort((fraction, segment))
    segment, fraction, support = segment[order], fraction[order], support[order]
    height = _heights_m(study, assets)[support]
    within = segment[1:] == segment[:-1]
    span = (np.diff(fraction) * length_m[segment[1:]])[within]
    rise = np.nan_to_num(np.diff(height)[within])
    owner = segment[1:][within]
    real = span > 0
    extra = catenary_length_m(span[real], sag[owner[real]], rise[real]) - span[real]
    np.add.at(added, owner[real], extra)
    return added


def _heights_m(study: Study, assets: Assets) -> Floats:
    """Elevation of every asset, and a last NaN for an end that meets nothing (-1)."""
    height = np.full(len(assets) + 1, np.nan)
    height[:-1][assets.of_role("structures")] = study.tables["structures"]["elevation_m"]
    return height


def part_terms(
    study: Study,
    parts: Parts,
    length_m: Floats,
    sag_extra_m: Floats,
    tested_m: Floats,
    unclear: Bools,
) -> CableTerms:
    """Compute the route, sag, helix, overlength, slack and fibre length of every part.

    Parameters
    ----------
    study : Study
    parts : Parts
    length_m, sag_extra_m : ndarray of float, shape (segments,)
        Ground length, and what sag adds to it.
    tested_m : ndarray of float, shape (cables,)
        Measured length of every cable; NaN where there is none.
    unclear : ndarray of bool, shape (cables,)
        Cables of which some stretch is not on record.

    Returns
    -------
    CableTerms
    """
    cables, rules = study.tables["cables"], study.rules
    count = len(parts.cable)
    share = np.abs(parts.stop - parts.start)
    rows = owners(parts.first)
    route = np.bincount(rows, length_m[parts.segment] * share, count).astype(np.float64)
    sag = np.bincount(rows, sag_extra_m[parts.segment] * share, count).astype(np.float64)
    empty = np.diff(parts.first) == 0
    route = np.where(empty | unclear[parts.cable], np.nan, route)

    kinds = cables["kind"].to_numpy()
    overlength = cables["overlength_pct"].to_numpy(dtype=np.float64)
    slack = cables["slack_m"].to_numpy(dtype=np.float64)
    default_overlength = np.array([rules.by_kind("overlength_pct", kind) for kind in kinds])
    default_slack = np.array([rules.by_kind("slack_m", kind) for kind in kinds])
    overlength = np.where(np.isnan(overlength), default_overlength, overlength)
    slack = np.where(np.isnan(slack), default_slack, slack)
    pitch = cables["wrap_pitch_m"].to_numpy(dtype=np.float64)
    across = cables["wrap_diameter_mm"].to_numpy(dtype=np.float64) / 1000
    wrapped = ~np.isnan(pitch) & ~np.isnan(across)
    helix = np.ones(len(cables))
    helix[wrapped] = helix_factor(pitch[wrapped], across[wrapped])

    cable = parts.cable
    with np.errstate(invalid="ignore", divide="ignore"):
        share_of_slack = np.where(parts.whole, 1.0, route / route[cable])
        part_slack = np.where(slack[cable] == 0, 0.0, slack[cable] * share_of_slack)
        computed = fibre_length_m(route, sag, helix[cable], overlength[cable], part_slack)
        tested = tested_m[cable] * np.where(parts.whole, 1.0, computed / computed[cable])
    return CableTerms(
        route,
        sag,
        helix[cable],
        overlength[cable],
        part_slack,
        computed,
        np.where(np.isnan(tested), computed, tested),
    )


@dataclass(frozen=True)
class LinkLengths:
    """Lengths of every link in metres; arrays of shape (links,), NaN where not on record.

    Attributes
    ----------
    go_m, return_m : ndarray of float
        Measured where the link as a whole was measured, else the sums over its cables.
    route_m : ndarray of float
        Length on the ground.
    by_cables_go_m, by_cables_return_m : ndarray of float
        Sums over the cables of the link.
    go_least_m, return_least_m, route_least_m : ndarray of float
        Without the stretches that are not on record: the least that the length can be.
    """

    go_m: Floats
    return_m: Floats
    route_m: Floats
    by_cables_go_m: Floats
    by_cables_return_m: Floats
    go_least_m: Floats
    return_least_m: Floats
    route_least_m: Floats


def link_lengths(
    study: Study, pieces: LinkParts, terms: CableTerms, tested: MeasuredLengths, hop_m: Floats
) -> LinkLengths:
    """Add up the parts of every link; a link without cables has the length of its hop.

    Parameters
    ----------
    study : Study
    pieces, terms, tested : LinkParts, CableTerms, MeasuredLengths
        The stretches that links pass through, their lengths, and measured lengths.
    hop_m : ndarray of float, shape (links,)
        Length of every link without cables, from `hop_lengths_m`.

    Returns
    -------
    LinkLengths
    """
    count = len(study.tables["links"])
    without = np.bincount(pieces.link, minlength=count) == 0
    both, go, back = pieces.way == BOTH, pieces.way == GO, pieces.way == RETURN
    two_ways = np.bincount(pieces.link, ~both, count) > 0

    def total(fibre: Floats, route: Floats, alone: Floats) -> tuple[Floats, Floats, Floats]:
        def add(rows: np.ndarray, values: Floats) -> Floats:
            return np.bincount(pieces.link[rows], values[rows], count).astype(np.float64)

        ground = add(both, route) + np.maximum(add(go, route), add(back, route))
        common = add(both, fibre)
        onward, backward = common + add(go, fibre), common + add(back, fibre)
        return (
            np.where(without, alone, onward),
            np.where(without, alone, backward),
            np.where(without, alone, ground),
        )

    fibre, route = terms.fibre_m[pieces.part], terms.route_m[pieces.part]
    onward, backward, ground = total(fibre, route, hop_m)
    least = total(*(np.nan_to_num(values) for values in (fibre, route, hop_m)))
    tested_go = np.where(two_ways, tested.link_go_m, tested.link_m)
    tested_back = np.where(two_ways, tested.link_return_m, tested.link_m)
    return LinkLengths(
        np.where(np.isnan(tested_go), onward, tested_go),
        np.where(np.isnan(tested_back), backward, tested_back),
        ground,
        onward,
        backward,
        np.where(np.isnan(tested_go), least[0], tested_go),
        np.where(np.isnan(tested_back), least[1], tested_back),
        least[2],
    )


WIRED = ("electrical", "carrier")
INTERNAL = "internal"


@kept_by_study
def hop_lengths_m(study: Study) -> Floats:
    """Return the length of every link that has no cables.

    Parameters
    ----------
    study : Study

    Returns
    -------
    ndarray of float, shape (links,)
        Metres; NaN where it is not on record. `length_m` where it is stated. 0 for a wire within
        one site and an internal hop (common practice, no source; a hundred metres are half a
        microsecond). For a radio hop its path (`radio_lines`).

    Notes
    -----
    A length of 0 m of a fibre hop counts as blank.
    """
    links = study.tables["links"]
    medium = links["medium"].fillna("fibre").to_numpy()
    length = links["length_m"].to_numpy(dtype=np.float64).copy()
    bare = np.zeros(len(links), dtype=np.bool_)
    if study.traced is not None:  # traced over cords alone, so that no fibre is missing
        bare = links["id"].isin(study.traced.bare).to_numpy()
    length[(medium == "fibre") & (length == 0) & ~bare] = np.nan
    blank = np.isnan(length)
    site_a, site_b = end_sites(study)
    inside = np.isin(medium, WIRED) & (site_a == site_b)
    inside |= (medium == INTERNAL) & (_internal_apart_m(study, site_a, site_b) == 0)
    length[blank & inside] = 0.0
    radio = np.flatnonzero(blank & (medium == "radio"))
    drawn = study.lonlat("links")[radio]
    straight = positions_deg(study, radio_lines(study)[radio])
    length[radio] = geodesic_length_m(np.where(shapely.is_missing(drawn), straight, drawn))
    return length


@kept_by_study
def end_sites(study: Study) -> tuple[np.ndarray, np.ndarray]:
    """Return the sites of the equipment at both ends of every link.

    Parameters
    ----------
    study : Study

    Returns
    -------
    a, b : ndarray of str, shape (links,)
        Ids; NaN where not known.
    """
    site = study.tables["equipment"].set_index("id")["site"]
    links = study.tables["links"]
    a, b = (links[end].map(site).to_numpy(dtype=object) for end in ("a", "b"))
    return a, b


def _internal_apart_m(study: Study, site_a: np.ndarray, site_b: np.ndarray) -> Floats:
    """Distance between the two sites of every internal hop; 0 for all other links.

    Parameters
    ----------
    study : Study
    site_a, site_b : ndarray, shape (links,)
        From `end_sites`.

    Returns
    -------
    ndarray of float, shape (links,)
        Metres on the ellipsoid. 0 where both ends stand on one site, or on two
        of which one lies within the other or that are no farther apart than
        `snap_m`. Infinite where the place of one is not on record.
    """
    medium = study.tables["links"]["medium"]
    apart_m = np.zeros(len(medium))
    rows = np.flatnonzero((medium == INTERNAL).to_numpy() & (site_a != site_b))
    if not len(rows):
        return apart_m
    sites = study.tables["sites"]
    shape = dict(zip(sites["id"], study.geometries("sites"), strict=True))
    holders = dict(
        zip(sites["id"], sites["within"].fillna("").str.split(LIST_SEPARATOR), strict=True)
    )
    for row in rows.tolist():
        one, other = site_a[row], site_b[row]
        if one in holders.get(other, ()) or other in holders.get(one, ()):
            continue
        metres = float(study.plane.metres(shape.get(one), shape.get(other))[0])
        metres = np.inf if np.isnan(metres) else metres
        apart_m[row] = metres if metres > study.snap_m else 0.0
    return apart_m


@kept_by_study
def radio_lines(study: Study) -> np.ndarray:
    """Draw the path of every radio hop.

    As the link is drawn, else straight from mast to mast: the structures named in `relies_on`,
    except pits, entries and bridges, in their order from end a. A single mast stands at the nearer
    end site; without masts the line goes from site to site.

    Parameters
    ----------
    study : Study

    Returns
    -------
    ndarray of geometry, shape (links,)
        In the study's plane; None for other links, and where a place has no geometry.
    """
    links = study.tables["links"]
    lines = np.full(len(links), None, dtype=object)
    rows = np.flatnonzero((links["medium"] == "radio").to_numpy())
    if not len(rows):
        return lines
    site_a, site_b = end_sites(study)
    points, structures = _points(study), study.tables["structures"]
    masts = set(structures["id"][~structures["kind"].isin(GROUND_STRUCTURES)])
    row, name = listed(study.tables["links"]["relies_on"])
    named: dict[int, list[str]] = {}
    for at, mast in zip(row.tolist(), name.to_list(), strict=True):
        if mast in masts:
            named.setdefault(at, []).append(mast)
    drawn = study.geometries("links")
    for link in rows.tolist():
        ends = [points.get(site) for site in (site_a[link], site_b[link])]
        via = [points.get(mast) for mast in named.get(link, [])]
        course = _mast_to_mast(ends, via)
        if drawn[link] is not None:
            lines[link] = drawn[link]
        elif course is not None:
            lines[link] = shapely.LineString(course)
    return lines


@kept_by_study
def _points(study: Study) -> dict[object, shapely.Point]:
    """One point for every structure and site, in the study's plane."""
    found: dict[object, shapely.Point] = {}
    for role in ("structures", "sites"):
        at = shapely.centroid(study.geometries(role))
        pairs = zip(study.tables[role]["id"].to_list(), at, strict=True)
        found |= {name: point for name, point in pairs if point is not None}
    return found


def _mast_to_mast(
    ends: list[shapely.Point | None], masts: list[shapely.Point | None]
) -> list[shapely.Point] | None:
    """The points between which a radio hop is straight; None where one is not on record."""
    if None in masts:
        return None
    known = [mast for mast in masts if mast is not None]
    first, last = ends
    if len(known) > 1:
        start = known[0] if first is None else first
        return sorted(known, key=start.distance)
    if first is None or last is None:
        return None
    if not known:
        return [first, last]
    far = max((first, last), key=known[0].distance)
    return [known[0], far]


def hop_gaps(study: Study, pieces: LinkParts, lengths: LinkLengths) -> list[Gap]:
    """Find hops whose route or length is not on record, and fibre without a type or a count.

    A leased hop must say what it relies on, since its route is on no record of the owner. So must
    a wire between two sites, and a radio hop (its masts). An internal hop must stay within one
    site. A hop without cables needs a length or a delay. Fibre needs a type for its loss and
    delay, and a count where fibre numbers are given.

    Parameters
    ----------
    study : Study
    pieces : LinkParts
    lengths : LinkLengths

    Returns
    -------
    list of Gap
        Codes `leased-route`, `hop-route`, `radio-route`, `internal-far`, `hop-length`, `fibre-type`
        and `fibre-count`.
    """
    links = study.tables["links"]
    medium = links["medium"].fillna("fibre").to_numpy()
    tied = np.bincount(pieces.link, minlength=len(links)) > 0
    stated = study.as_read("links")["relies_on"]  # cords that a trace adds are no route
    unsaid = stated.isna().to_numpy() & ~tied
    site_a, site_b = end_sites(study)
    far = site_a != site_b
    gaps = []
    for row in np.flatnonzero(unsaid & (medium == "leased")):
        text = "nobody recorded the route of this leased hop: name what it depends on in relies_on"
        gaps.append(row_gap(study, "leased-route", "links", int(row), text, column="relies_on"))
    leased = ~tied & far & (medium == "leased") & stated.notna().to_numpy()
    for row in np.flatnonzero(leased):
        own = named_at_ends(study, int(row))
        if own:
            text = (
                f"relies_on of this leased hop names only {', '.join(own)}, which belongs to its "
                "own ends: ask its owner what lies between, and name that"
            )
            gaps.append(row_gap(study, "leased-route", "links", int(row), text, column="relies_on"))
    for row in np.flatnonzero(unsaid & far & np.isin(medium, WIRED)):
        text = (
            f"this {medium[row]} hop joins two sites but no route is on record: name what it "
            "depends on in relies_on, or its cables in link_runs"
        )
        gaps.append(row_gap(study, "hop-route", "links", int(row), text, column="relies_on"))
    for row in np.flatnonzero(unsaid & far & (medium == "radio")):
        text = "no masts are on record of this radio hop: name them in relies_on (- if it has none)"
        gaps.append(row_gap(study, "radio-route", "links", int(row), text, column="relies_on"))
    apart_m = np.where(tied, 0.0, _internal_apart_m(study, site_a, site_b))
    for row in np.flatnonzero(apart_m > 0):
        ends = " and ".join(
            f"{links[end].iloc[row]} ({site[row]})" for end, site in (("a", site_a), ("b", site_b))
        )
        how_far = f", which are {apart_m[row]:.0f} m apart" if np.isfinite(apart_m[row]) else ""
        text = (
            f"an internal hop stays within one site, but this one joins {ends}{how_far}: correct "
            "the site of one, or the medium of the link"
        )
        gaps.append(row_gap(study, "internal-far", "links", int(row), text, column="medium"))
    unmeasured = np.isnan(np.minimum(*measured_us(study)))
    unknown = np.isnan(np.minimum(lengths.go_m, lengths.return_m))
    unknown &= links["extra_delay_us"].isna().to_numpy() & unmeasured & ~tied
    for row in np.flatnonzero(unknown & ~np.isin(medium, ("fibre", "internal"))):
        text = (
            f"neither the length nor the delay of this {medium[row]} hop is on record: enter "
            "length_m, extra_delay_us or a measured delay_us"
        )
        gaps.append(row_gap(study, "hop-length", "links", int(row), text, column="length_m"))
    return gaps + _fibre_gaps(study, medium)


def named_at_ends(study: Study, link: int) -> list[str]:
    """List what `relies_on` of a hop names where all of it belongs to the hop's own ends.

    Parameters
    ----------
    study : Study
    link : int
        Position in the links.

    Returns
    -------
    list of str
        Equipment of the hop, its sites, and what these lie within, need or are fed by, at any
        depth; empty where it names anything else, or nothing.
    """
    row = study.tables["links"].iloc[link]
    named = _ids(study.as_read("links")["relies_on"].iloc[link])
    ahead = _needed_at_sites(study)
    found = {str(row["a"]), str(row["b"]), *_ids(row["via"])}
    waiting = list(found)
    while waiting:
        more = ahead.get(waiting.pop(), set()) - found
        found |= more
        waiting += more
    return named if set(named) <= found else []


@kept_by_study
def _needed_at_sites(study: Study) -> dict[str, set[str]]:
    """What equipment, supplies, sites and holders lead to directly, by id."""
    found: dict[str, set[str]] = {}
    for role in ("equipment", "supplies", "sites", "holders"):
        table = study.tables[role]
        for column in ("site", "within", "supplies", "needs"):
            if column in ROLES[role].column:
                for name, cell in zip(table["id"], table[column], strict=True):
                    found.setdefault(str(name), set()).update(_ids(cell))
    return found


def _ids(cell: object) -> list[str]:
    """The ids in a cell."""
    return cell.split(LIST_SEPARATOR) if isinstance(cell, str) and cell != KNOWN_EMPTY else []


def _fibre_gaps(study: Study, medium: np.ndarray) -> list[Gap]:
    links, runs, cables = (study.tables[role] for role in ("links", "link_runs", "cables"))
    fibre_links = set(links["id"].to_numpy()[medium == "fibre"])
    number = pd.Index(cables["id"]).get_indexer(pd.Index(runs["cable"]))
    over_fibre = runs["link"].isin(fibre_links).to_numpy() & (number >= 0)
    numbered = over_fibre & runs["fibres"].notna().to_numpy()
    no_type = cables["fibre_type"].isna().to_numpy()
    no_count = cables["fibre_count"].isna().to_numpy()
    gaps = []
    for rows, missing, code, text, column in (
        (
            over_fibre,
            no_type,
            "fibre-type",
            "has no fibre_type, so its loss and delay rest on a guess",
            "fibre_type",
        ),
        (
            numbered,
            no_count,
            "fibre-count",
            "has no fibre_count, so nobody can tell whether its fibre numbers exist",
            "fibre_count",
        ),
    ):
        for cable in np.unique(number[rows]):
            if not missing[cable]:
                continue
            users = tuple(sorted(set(runs["link"].to_numpy()[rows & (number == cable)])))
            said = f"{text}: record it"
            gaps.append(
                row_gap(
                    study, code, "cables", int(cable), said, joined=" ", links=users, column=column
                )
            )
    return gaps
