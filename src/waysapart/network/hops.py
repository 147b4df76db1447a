"""What a hop leaves open: routes that nobody recorded, fibre that has no type."""

from __future__ import annotations

import numpy as np
import pandas as pd

from waysapart.gaps import Gap
from waysapart.network.lengths import WIRED, LinkLengths, end_sites, internal_apart_m
from waysapart.network.links import LinkParts
from waysapart.network.measurements import measured_us
from waysapart.network.records import row_gap
from waysapart.study.model import Study


def hop_gaps(study: Study, pieces: LinkParts, lengths: LinkLengths) -> list[Gap]:
    """Gaps of links that their cables do not show.

    A leased hop must say what it relies on: its route is somebody else's
    knowledge. A wire between two sites runs somewhere, and a radio hop from mast
    to mast. An internal hop stays within a site. A hop without cables has a
    length or a delay. Fibre needs a type for its loss and delay, and a count
    where fibre numbers are given.
    """
    links = study.tables["links"]
    medium = links["medium"].fillna("fibre").to_numpy()
    tied = np.bincount(pieces.link, minlength=len(links)) > 0
    unsaid = links["relies_on"].isna().to_numpy() & ~tied
    site_a, site_b = end_sites(study)
    far = site_a != site_b
    gaps = []
    for row in np.flatnonzero(unsaid & (medium == "leased")):
        text = "nobody recorded the route of this leased hop: name what it depends on in relies_on"
        gaps.append(row_gap(study, "leased-route", "links", int(row), text, column="relies_on"))
    for row in np.flatnonzero(unsaid & far & np.isin(medium, WIRED)):
        text = (
            f"this {medium[row]} hop joins two sites but no route is on record: name what it "
            "depends on in relies_on, or its cables in link_runs"
        )
        gaps.append(row_gap(study, "hop-route", "links", int(row), text, column="relies_on"))
    for row in np.flatnonzero(unsaid & far & (medium == "radio")):
        text = (
            "neither masts nor a path are on record of this radio hop: name its masts in "
            "relies_on (- if it has none)"
        )
        gaps.append(row_gap(study, "radio-route", "links", int(row), text, column="relies_on"))
    apart_m = np.where(tied, 0.0, internal_apart_m(study, site_a, site_b))
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
