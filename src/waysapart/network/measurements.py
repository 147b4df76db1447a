"""Measured lengths, losses and delays of cables and links.

Of several measurements of one fibre in one direction the newest count. A cable is as long as the
longest of its measured fibres. A loss is a range, from the least to the greatest of the fibres in
use: the margin rests on the greatest, the receiver's overload on the least. Measurements on the
drum count for none of this, since the cable is not in its place yet.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd

from waysapart.arrays import Bools, Floats, Ints
from waysapart.formulas.measured import differs, two_way_mean
from waysapart.gaps import Gap
from waysapart.network.assets import listed, row_gap
from waysapart.network.links import LinkParts, Parts
from waysapart.study.model import Study, kept_by_study

DRUM, END_TO_END = "drum", "end-to-end"
RETURN = "return"
NO_FIBRE = 0
"""Stands for a measurement that names no fibre, and for a link that does not say which it uses."""
_UNNUMBERED = 2
"""Fibres that a link uses where its record names none: one each way."""


@dataclass(frozen=True)
class MeasuredLengths:
    """Measured lengths in metres; NaN where there is none.

    Attributes
    ----------
    cable_m : ndarray of float, shape (cables,)
    link_m : ndarray of float, shape (links,)
        Of both directions together.
    link_go_m, link_return_m : ndarray of float, shape (links,)
        Of one direction.
    """

    cable_m: Floats
    link_m: Floats
    link_go_m: Floats
    link_return_m: Floats


@kept_by_study
def newest_measurements(study: Study, role: str, value: str, *, drum: bool = False) -> pd.DataFrame:
    """Find the newest measurements of one quantity, of cables or of links.

    Parameters
    ----------
    study : Study
    role : str
        `cables` or `links`.
    value : str
        `length_m`, `loss_db` or `delay_us`.
    drum : bool
        True: only measurements on the drum; False: all others.

    Returns
    -------
    DataFrame
        `owner` (number of the cable or link), `fibre` (`NO_FIBRE`: not stated), `wavelength_nm`,
        `returns`, `value`, `date`, `row` (of the measurements table), `said` (whether it states a
        direction). Of one fibre and direction (and wavelength, for loss) only those of the latest
        day; measurements without a date only where none has a date. Those dated after the day of
        judgement do not count, nor do single events of a trace (`joint`, `at_m`).
    """
    table = study.tables["measurements"]
    if not len(table):
        return _no_measurements()
    column = {"cables": "cable", "links": "link"}[role]
    owner = pd.Index(study.tables[role]["id"]).get_indexer(pd.Index(table[column]))
    chosen = (owner >= 0) & table[value].notna().to_numpy()
    chosen &= (table["stage"] == DRUM).to_numpy() == drum
    chosen &= (table["joint"].isna() & table["at_m"].isna()).to_numpy()
    chosen &= ~(table["date"].dt.normalize() > pd.Timestamp(study.on)).to_numpy()
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
    if not frame.duplicated(key).any():
        return frame
    newest = frame.groupby(key, dropna=False)["date"].transform("max")
    return frame[(frame["date"] == newest) | newest.isna()].reset_index(drop=True)


@cache
def _no_measurements() -> pd.DataFrame:
    """The frame of `newest_measurements` without a row."""
    kinds = {
        "owner": "int64",
        "fibre": "int64",
        "wavelength_nm": "float64",
        "returns": "bool",
        "said": "bool",
        "value": "float64",
        "date": "datetime64[ns]",
        "row": "int64",
    }
    return pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in kinds.items()})


def fibre_means(measurements: pd.DataFrame) -> pd.DataFrame:
    """Average the measurements of every fibre from its two ends.

    Parameters
    ----------
    measurements : DataFrame
        From `newest_measurements`.

    Returns
    -------
    DataFrame
        One row per fibre: `owner`, `fibre`, `value` (the two-way mean), `row` of one measurement.
    """
    if not len(measurements):
        return _no_measurements()[["owner", "fibre", "value", "row"]]
    owner, fibre, row = (measurements[name].to_numpy() for name in ("owner", "fibre", "row"))
    order = fibre.max() + 1
    _, first, item = np.unique(owner * order + fibre, return_index=True, return_inverse=True)
    mean = two_way_mean(item, measurements["returns"], measurements["value"], len(first))
    columns = {"owner": owner[first], "fibre": fibre[first], "value": mean, "row": row[first]}
    return pd.DataFrame(columns)


def greatest_of(means: pd.DataFrame, count: int) -> Floats:
    """Find the greatest value of every owner.

    Parameters
    ----------
    means : DataFrame
        With `owner` and `value`.
    count : int
        Number of owners.

    Returns
    -------
    ndarray of float, shape (count,)
        NaN where an owner has none.
    """
    found = np.full(count, np.nan)
    if not len(means):
        return found
    np.fmax.at(found, means["owner"].to_numpy(), means["value"].to_numpy())
    return found


@kept_by_study
def measured_lengths(study: Study) -> MeasuredLengths:
    """Collect the measured lengths of every cable and link.

    Parameters
    ----------
    study : Study

    Returns
    -------
    MeasuredLengths
    """
    cables, links = len(study.tables["cables"]), len(study.tables["links"])
    of_links = newest_measurements(study, "links", "length_m")
    said, back = of_links["said"].to_numpy(), of_links["returns"].to_numpy()
    return MeasuredLengths(
        greatest_of(fibre_means(newest_measurements(study, "cables", "length_m")), cables),
        greatest_of(fibre_means(of_links), links),
        greatest_of(fibre_means(of_links[~back]), links),
        greatest_of(fibre_means(of_links[said & back]), links),
    )


@kept_by_study
def measured_us(study: Study) -> tuple[Floats, Floats]:
    """Return the measured one-way delay of every link, go and return.

    A measurement that states no direction stands for both. The two directions are never averaged:
    line differential protection depends on their difference.

    Parameters
    ----------
    study : Study

    Returns
    -------
    go, back : ndarray of float, shape (links,)
        Microseconds; NaN where it was not measured.
    """
    measurements = newest_measurements(study, "links", "delay_us")
    count = len(study.tables["links"])
    said, back = measurements["said"].to_numpy(), measurements["returns"].to_numpy()
    both = greatest_of(fibre_means(measurements[~said]), count)
    go = greatest_of(fibre_means(measurements[said & ~back]), count)
    returning = greatest_of(fibre_means(measurements[said & back]), count)
    return np.where(np.isnan(go), both, go), np.where(np.isnan(returning), both, returning)


@dataclass(frozen=True)
class Measured:
    """Measured losses in dB, one row per link or stretch of a link.

    Attributes
    ----------
    greatest_db, least_db : ndarray of float
        NaN where none was measured.
    complete : ndarray of bool
        Whether every fibre in use was measured; where not, the loss of the others may be more than
        `greatest_db` or less than `least_db`.
    """

    greatest_db: Floats
    least_db: Floats
    complete: Bools


@kept_by_study
def fibres_in_use(study: Study) -> pd.DataFrame:
    """List every fibre that a link uses.

    Parameters
    ----------
    study : Study

    Returns
    -------
    DataFrame
        `link`, `cable` (numbers), `fibre` (`NO_FIBRE`: not recorded), `way` (the direction as
        recorded, empty where it is blank).
    """
    runs = study.tables["link_runs"]
    link = pd.Index(study.tables["links"]["id"]).get_indexer(pd.Index(runs["link"]))
    cable = pd.Index(study.tables["cables"]["id"]).get_indexer(pd.Index(runs["cable"]))
    row, number = listed(runs["fibres"])
    blank = np.flatnonzero(runs["fibres"].isna().to_numpy())
    rows = np.r_[row, blank]
    fibre = np.r_[number.to_numpy(dtype=np.float64), np.full(len(blank), float(NO_FIBRE))]
    frame = pd.DataFrame(
        {
            "link": link[rows],
            "cable": cable[rows],
            "fibre": fibre.astype(np.int64),
            "way": runs["direction"].fillna("").to_numpy()[rows],
        }
    )
    known = frame[(frame["link"] >= 0) & (frame["cable"] >= 0)]
    return known.drop_duplicates().sort_values(["link", "cable", "fibre", "way"], ignore_index=True)


@kept_by_study
def link_losses(study: Study) -> Measured:
    """Return the measured loss of every link at its wavelength.

    Measurements are not averaged: go and return are two fibres, or the two directions of one, and
    each has its own receiver. A measurement that names neither a fibre nor a direction is of the
    whole link.

    Parameters
    ----------
    study : Study

    Returns
    -------
    Measured
        Arrays of shape (links,).
    """
    links = study.tables["links"]
    measurements = newest_measurements(study, "links", "loss_db")
    works_at = links["wavelength_nm"].to_numpy(dtype=np.float64)
    measurements = _near(study, measurements, works_at[measurements["owner"].to_numpy()])
    owner, count = measurements["owner"].to_numpy(dtype=np.int64), len(links)
    named = (measurements["fibre"] != NO_FIBRE).to_numpy()
    said, back = measurements["said"].to_numpy(), measurements["returns"].to_numpy()
    of_all = np.bincount(owner[~named & ~said], minlength=count) > 0
    directions = sum(
        (np.bincount(owner[~named & said & (back == one)], minlength=count) > 0).astype(np.int64)
        for one in (False, True)
    )
    each = measurements[named].drop_duplicates(["owner", "fibre"])["owner"].to_numpy(dtype=np.int64)
    fibres = np.bincount(each, minlength=count)
    complete = of_all | (directions == 2) | (fibres + directions >= _fibres_needed(study))
    return _range(owner, measurements["value"].to_numpy(dtype=np.float64), complete)


def cable_losses(study: Study, parts: Parts, pieces: LinkParts) -> Measured:
    """Return the measured loss of every stretch of every link that is a whole cable.

    A cable's measurement counts for the links that use the measured fibre at about the measured
    wavelength. The loss of a fibre that was measured from both ends is the mean of both; a
    measurement that names no fibre is of every fibre. A link that does not say which fibres it
    uses may use any of the measured ones.

    Parameters
    ----------
    study : Study
    parts : Parts
    pieces : LinkParts

    Returns
    -------
    Measured
        Arrays of shape (pieces,).
    """
    count = len(pieces.link)
    measurements = newest_measurements(study, "cables", "loss_db")
    if not len(measurements):
        unknown = np.full(count, np.nan)
        return Measured(unknown, unknown, np.zeros(count, dtype=np.bool_))
    used = _used_by_pieces(study, parts, pieces)
    used = used[used["cable"].isin(measurements["owner"])]
    pairs = used.merge(measurements, left_on="cable", right_on="owner", suffixes=("", "_tested"))
    unsaid = (pairs["fibre"] == NO_FIBRE).to_numpy()
    of_all = (pairs["fibre_tested"] == NO_FIBRE).to_numpy()
    pairs = pairs[of_all | unsaid | (pairs["fibre_tested"] == pairs["fibre"]).to_numpy()]
    works_at = study.tables["links"]["wavelength_nm"].to_numpy(dtype=np.float64)
    pairs = _near(study, pairs, works_at[pieces.link[pairs["piece"].to_numpy(dtype=np.int64)]])
    of_all = (pairs["fibre_tested"] == NO_FIBRE).to_numpy()
    named = pairs[~of_all].assign(
        owner=lambda frame: frame["piece"], fibre=lambda frame: frame["fibre_tested"]
    )
    means = fibre_means(named)
    sure = pairs[of_all | (pairs["fibre"] != NO_FIBRE).to_numpy()]
    tested = sure.drop_duplicates(["piece", "fibre"])["piece"].to_numpy(dtype=np.int64)
    wanted = used.drop_duplicates(["piece", "fibre"])["piece"].to_numpy(dtype=np.int64)
    several = np.bincount(wanted, minlength=count)
    complete = (several > 0) & (np.bincount(tested, minlength=count) >= several)
    return _range(
        np.r_[means["owner"].to_numpy(np.int64), pairs["piece"].to_numpy(np.int64)[of_all]],
        np.r_[means["value"].to_numpy(np.float64), pairs["value"].to_numpy(np.float64)[of_all]],
        complete,
    )


def _used_by_pieces(study: Study, parts: Parts, pieces: LinkParts) -> pd.DataFrame:
    """Fibres of every stretch that is a whole cable: `piece`, `cable`, `fibre`."""
    row, number = listed(study.tables["link_runs"]["fibres"])
    fibres = pd.DataFrame({"run": row, "fibre": number.to_numpy(dtype=np.int64)})
    whole = np.flatnonzero(parts.whole[pieces.part])
    frame = pd.DataFrame(
        {"piece": whole, "cable": parts.cable[pieces.part[whole]], "run": pieces.run[whole]}
    )
    frame = frame.merge(fibres, on="run", how="left")
    frame["fibre"] = frame["fibre"].fillna(NO_FIBRE).astype(np.int64)
    return frame.drop_duplicates(ignore_index=True)


@kept_by_study
def _fibres_needed(study: Study) -> Ints:
    """Number of fibres of every link that must be measured, both directions together."""
    used = fibres_in_use(study)
    unnumbered = (used["fibre"] == NO_FIBRE) & (used["way"] == "")
    used = used.assign(several=np.where(unnumbered, _UNNUMBERED, 1))
    per_run = used.groupby(["link", "cable", "way"])["several"].sum()
    fibres = per_run.groupby(["link", "way"]).max().groupby("link").sum()
    needed = np.full(len(study.tables["links"]), _UNNUMBERED, dtype=np.int64)
    needed[fibres.index.to_numpy(dtype=np.int64)] = fibres.to_numpy(dtype=np.int64)
    return needed


def _near(study: Study, measurements: pd.DataFrame, works_at_nm: Floats) -> pd.DataFrame:
    """Measurements at about the wavelength of their link; a blank wavelength counts."""
    away = np.abs(measurements["wavelength_nm"].to_numpy(dtype=np.float64) - works_at_nm)
    near = ~(away > study.rules.defaults.wavelength_tolerance_nm)
    return measurements[near].reset_index(drop=True)


def _range(owner: Ints, value: Floats, complete: Bools) -> Measured:
    """Greatest and least value of every owner."""
    greatest, least = (np.full(len(complete), bound) for bound in (-np.inf, np.inf))
    np.maximum.at(greatest, owner, value)
    np.minimum.at(least, owner, value)
    none = np.isneginf(greatest)
    return Measured(
        np.where(none, np.nan, greatest), np.where(none, np.nan, least), ~none & complete
    )


def length_gaps(study: Study, cable_m: Floats, go_m: Floats, return_m: Floats) -> list[Gap]:
    """Find measurements whose length is not that of the cable or link on record.

    Parameters
    ----------
    study : Study
    cable_m : ndarray of float, shape (cables,)
        Fibre length of every cable by its record.
    go_m, return_m : ndarray of float, shape (links,)
        The same of every link, in both directions.

    Returns
    -------
    list of Gap
        Code `measured-length`.
    """
    two_ways = ~np.isclose(go_m, return_m, rtol=0, atol=1e-9, equal_nan=True)
    of_links = newest_measurements(study, "links", "length_m")
    apart, back = two_ways[of_links["owner"]], of_links["returns"].to_numpy()
    return [
        *_wrong_lengths(study, "cables", newest_measurements(study, "cables", "length_m"), cable_m),
        *_wrong_lengths(study, "links", of_links[~apart | ~back], go_m),
        *_wrong_lengths(study, "links", of_links[apart & back], return_m),
    ]


def _wrong_lengths(
    study: Study, role: str, measurements: pd.DataFrame, expected_m: Floats
) -> list[Gap]:
    rules = study.rules.tests
    means = fibre_means(measurements)
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
            f"measured {row['value']:.1f} m of fibre, but "
            f"{expected_m[row['owner']]:.1f} m by the record: one of them is of another cable "
            "or in another unit",
        )
        for row in means[wrong].to_dict("records")
    ]


def gap_of(study: Study, code: str, role: str, owner: int, fibre: int, row: int, text: str) -> Gap:
    """Make a gap about a measurement of one cable or link.

    Parameters
    ----------
    study : Study
    code : str
        From `waysapart.gaps`.
    role : str
        `cables` or `links`.
    owner : int
        Number of the cable or link.
    fibre : int
        Named in the message, but for `NO_FIBRE`.
    row : int
        Position in the measurements table: the row to look at.
    text : str
        What was found, and what to do.

    Returns
    -------
    Gap
    """
    joined = f", fibre {fibre}: " if fibre != NO_FIBRE else ": "
    shown_by = ("measurements", int(row))
    return row_gap(study, code, role, owner, text, joined=joined, shown_by=shown_by)
