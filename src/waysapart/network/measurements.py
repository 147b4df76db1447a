"""Which tests are on record of which cables and links, and the lengths that they give.

Of several tests of one fibre in one direction the newest count. A cable is as
long as the longest of its fibres that was tested. Tests of the drum are of
cable that is not in its place yet: they give no length here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from waysapart.formulas.measured import differs, two_way_mean
from waysapart.network.assets import Floats
from waysapart.network.records import place_of
from waysapart.study.model import Gap, Study

DRUM, INSTALLED, END_TO_END = "drum", "installed", "end-to-end"
RETURN = "return"
NO_FIBRE = 0
"""Stands for a test that names no fibre: it is of all of them."""


@dataclass(frozen=True)
class Tested:
    """Lengths that tests give, in metres; NaN where there is none.

    `cable_m` per cable; `link_m` per link, both ways together, and
    `link_go_m`, `link_return_m` where only that way was tested.
    """

    cable_m: Floats
    link_m: Floats
    link_go_m: Floats
    link_return_m: Floats


def newest_tests(study: Study, role: str, value: str, *, drum: bool = False) -> pd.DataFrame:
    """The newest tests of a role's items that give one value.

    Parameters
    ----------
    study : Study
    role : str
        `cables` or `links`.
    value : str
        `length_m`, `loss_db` or `delay_us`.
    drum : bool
        The tests of the drum instead of all others.

    Returns
    -------
    DataFrame
        `owner` (number of the cable or link), `fibre` (`NO_FIBRE`: unsaid),
        `wavelength_nm`, `returns`, `value`, `date`, `row` (of the measurements
        table), `said` (whether it states a direction). Of one fibre and
        direction (and wavelength, for loss) only those of the latest day; tests
        without a date give way to tests with one.
    """
    table = study.tables["measurements"]
    column = {"cables": "cable", "links": "link"}[role]
    owner = pd.Index(study.tables[role]["id"]).get_indexer(pd.Index(table[column]))
    chosen = (owner >= 0) & table[value].notna().to_numpy()
    chosen &= (table["stage"] == DRUM).to_numpy() == drum
    rows = np.flatnonzero(chosen)
    mine = table.iloc[rows]
    frame = pd.DataFrame(
        {
            "owner": owner[rows],
            "fibre": mine["fibre"].fillna(NO_FIBRE).to_numpy(dtype=np.int64),
            "wavelength_nm": mine["wavelength_nm"].to_numpy(dtype=np.float64),
            "returns": (mine["direction"] == RETURN).to_numpy(),
            "said": mine["direction"].notna().to_numpy(),
            "value": mine[value].to_numpy(dtype=np.float64),
            "date": mine["date"].to_numpy(),
            "row": rows,
        }
    )
    key = ["owner", "fibre", "returns"] + (["wavelength_nm"] if value == "loss_db" else [])
    newest = frame.groupby(key, dropna=False)["date"].transform("max")
    return frame[(frame["date"] == newest) | newest.isna()].reset_index(drop=True)


def fibre_means(tests: pd.DataFrame) -> pd.DataFrame:
    """Two-way mean of every fibre tested: `owner`, `fibre`, `value`, `row` of one of its tests."""
    if not len(tests):
        return pd.DataFrame({"owner": [], "fibre": [], "value": [], "row": []}).astype(
            {"owner": np.int64, "fibre": np.int64, "value": np.float64, "row": np.int64}
        )
    grouped = tests.groupby(["owner", "fibre"], sort=True)
    item = grouped.ngroup().to_numpy()
    first = grouped["row"].first().reset_index()
    first["value"] = two_way_mean(item, tests["returns"], tests["value"], len(first))
    return first


def greatest_of(means: pd.DataFrame, count: int) -> Floats:
    """The greatest mean of every owner; NaN where it has none."""
    found = np.full(count, np.nan)
    top = means.groupby("owner")["value"].max()
    found[top.index.to_numpy(dtype=np.int64)] = top.to_numpy(dtype=np.float64)
    return found


def tested_lengths(study: Study) -> Tested:
    """Lengths by test of every cable and link."""
    cables, links = len(study.tables["cables"]), len(study.tables["links"])
    of_links = newest_tests(study, "links", "length_m")
    said, back = of_links["said"].to_numpy(), of_links["returns"].to_numpy()
    return Tested(
        greatest_of(fibre_means(newest_tests(study, "cables", "length_m")), cables),
        greatest_of(fibre_means(of_links), links),
        greatest_of(fibre_means(of_links[~back]), links),
        greatest_of(fibre_means(of_links[said & back]), links),
    )


def measured_us(study: Study) -> tuple[Floats, Floats]:
    """Measured one-way delay of every link, go and return; NaN where it was not measured.

    A test that states no direction stands for both. The two directions are
    never averaged: their difference is what line differential protection minds.
    """
    tests = newest_tests(study, "links", "delay_us")
    count = len(study.tables["links"])
    said, back = tests["said"].to_numpy(), tests["returns"].to_numpy()
    both = greatest_of(fibre_means(tests[~said]), count)
    go = greatest_of(fibre_means(tests[said & ~back]), count)
    returning = greatest_of(fibre_means(tests[said & back]), count)
    return np.where(np.isnan(go), both, go), np.where(np.isnan(returning), both, returning)


def length_gaps(study: Study, cable_m: Floats, go_m: Floats, return_m: Floats) -> list[Gap]:
    """Tests whose length is not that of the cable or link on record.

    Parameters
    ----------
    study : Study
    cable_m : ndarray of float, shape (cables,)
        Fibre length of every cable by its record.
    go_m, return_m : ndarray of float, shape (links,)
        The same of every link, both ways.
    """
    two_ways = ~np.isclose(go_m, return_m, rtol=0, atol=1e-9, equal_nan=True)
    of_links = newest_tests(study, "links", "length_m")
    apart, back = two_ways[of_links["owner"]], of_links["returns"].to_numpy()
    return [
        *_wrong_lengths(study, "cables", newest_tests(study, "cables", "length_m"), cable_m),
        *_wrong_lengths(study, "links", of_links[~apart | ~back], go_m),
        *_wrong_lengths(study, "links", of_links[apart & back], return_m),
    ]


def _wrong_lengths(study: Study, role: str, tests: pd.DataFrame, expected_m: Floats) -> list[Gap]:
    rules = study.rules.tests
    means = fibre_means(tests)
    owner = means["owner"].to_numpy()
    wrong = differs(means["value"], expected_m[owner], rules.length_pct, rules.length_m)
    return [
        gap_of(
            study,
            "measured-length",
            role,
            row["owner"],
            row["fibre"],
            row["row"],
            f"measured {row['value']:.1f} m of fibre, the record makes it "
            f"{expected_m[row['owner']]:.1f} m: one of them is of another cable or in "
            "another unit",
        )
        for row in means[wrong].to_dict("records")
    ]


def gap_of(study: Study, code: str, role: str, owner: int, fibre: int, row: int, text: str) -> Gap:
    """A gap about a test of one cable or link."""
    name = str(study.tables[role]["id"].iloc[owner])
    what = f"{role[:-1]} {name}" + (f", fibre {fibre}" if fibre != NO_FIBRE else "")
    measurements = study.tables["measurements"]
    return Gap(
        code,
        f"{what}: {text}",
        name,
        assets=(name,) if role == "cables" else (),
        links=(name,) if role == "links" else (),
        **place_of(study, measurements, int(row)),
    )
