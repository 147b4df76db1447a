"""Splices on record one by one: what each loses, how sure that is, how old it is, who uses it.

A reflectometer sees a splice of two fibres with unequal backscatter as too good from one end and
as too bad from the other; only the mean of both directions is its loss (common practice, no
source).
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from waysapart.network.build_network import Network
from waysapart.network.links import RETURN
from waysapart.network.measurements import newest_measurements
from waysapart.network.trace_steps import splice_losses_db
from waysapart.study.model import Study

MEAN, ROW, ONE_WAY, EVENTS, NOTHING = "mean", "row", "one way", "events", ""
"""What the loss of a splice rests on: both directions of its row, the figure of its row, one
direction only, events of traces from both ends, nothing."""


def splice_table(network: Network) -> pd.DataFrame:
    """List every splice on record.

    Parameters
    ----------
    network : Network

    Returns
    -------
    DataFrame
        One row per row of splices, in order of joint, tray and fibres: `joint`, `tray`, `a_cable`,
        `a_fibre`, `b_cable`, `b_fibre`; `loss_db` (NaN: not on record), `rests_on` (`mean`, `row`,
        `one way`, `events` or empty), `events_db` (mean of events of traces from both ends, NaN
        where there are none), `days` (age on the day of judgement, NaN: undated), `over` (whether
        the loss is over `tests.splice_db`), `links` (ids of the links whose trace passes it),
        `row` (position in the table of splices).
    """
    study = network.study
    table = study.tables["splices"]
    own = splice_losses_db(table)
    ways = table[["loss_ab_db", "loss_ba_db"]].notna().to_numpy().sum(axis=1)
    rests_on = np.select(
        [table["loss_db"].notna().to_numpy(), ways == 2, ways == 1], [ROW, MEAN, ONE_WAY], NOTHING
    ).astype(object)
    events = _events(study)
    lost, dates = own.copy(), table["date"].to_numpy()
    keys = list(
        zip(
            *(
                table[name].to_list()
                for name in ("joint", "a_cable", "a_fibre", "b_cable", "b_fibre")
            ),
            strict=True,
        )
    )
    events_db = np.full(len(table), np.nan)
    for row, (joint, a, a_fibre, b, b_fibre) in enumerate(keys):
        known = [events[key] for key in ((joint, a, a_fibre), (joint, b, b_fibre)) if key in events]
        if known:
            events_db[row] = float(np.mean(known))
    weak = ~np.isnan(events_db) & np.isin(rests_on, [NOTHING, ONE_WAY])
    lost[weak], rests_on[weak] = events_db[weak], EVENTS
    made = table[["joint", "tray", "a_cable", "a_fibre", "b_cable", "b_fibre"]].assign(
        loss_db=lost,
        rests_on=rests_on,
        events_db=events_db,
        days=(pd.Timestamp(study.on) - pd.to_datetime(pd.Series(dates))).dt.days.to_numpy(),
        over=lost > study.rules.tests.splice_db,
        links=_users(study),
        row=np.arange(len(table)),
    )
    order = ["joint", "tray", "a_cable", "a_fibre", "b_cable", "b_fibre"]
    return made.sort_values(order, ignore_index=True)


def _users(study: Study) -> pd.Series:
    """Ids of the links whose trace passes each splice."""
    found: list[list[str]] = [[] for _ in range(len(study.tables["splices"]))]
    if study.traced is not None:
        steps = study.traced.steps
        passed = steps[steps["is"] == "splice"]
        for row, link in zip(passed["row"].to_list(), passed["link"].to_list(), strict=True):
            if link not in found[row]:
                found[row].append(link)
    return pd.Series([tuple(links) for links in found], dtype=object)


def _events(study: Study) -> dict[tuple[object, object, object], float]:
    """By joint, cable and fibre, the mean of the newest events of traces from both ends."""
    table = study.tables["measurements"]
    mine = table[table["joint"].notna() & table["loss_db"].notna() & table["cable"].notna()]
    mine = mine[~(mine["date"].dt.normalize() > pd.Timestamp(study.on))]
    found: dict[tuple[object, object, object], float] = {}
    for key, rows in mine.groupby(["joint", "cable", "fibre"], dropna=False):
        newest = rows.sort_values("date", na_position="first").drop_duplicates(
            "direction", keep="last"
        )
        if {"go", "return"} <= set(newest["direction"].dropna()):
            both = newest[newest["direction"].isin(["go", "return"])]
            joint, cable, fibre = key
            found[joint, cable, fibre] = float(both["loss_db"].mean())
    return found


def explained_losses(network: Network, budgets: pd.DataFrame) -> pd.DataFrame:
    """Hold the measured loss of traced links against the sum of what their records say.

    Parameters
    ----------
    network : Network
    budgets : DataFrame
        From `loss_budgets`.

    Returns
    -------
    DataFrame
        One row per traced link and direction with a measured loss: `link` (id), `way` (`go`,
        `return` or empty: both), `measured_db` (newest), `splices_db` (sum of the splices on
        record), `splices`, `unmeasured` (splices without a figure: each counts
        `defaults.splice_db`), `others_db` (glass, connectors and the rest, as in the budget),
        `unexplained_db` (what is left; below 0: less was measured than the records allow for),
        `explained` (within the tolerance of the rules), `days` (age of the measurement),
        `suspect_row` (the row of splices that most likely is at fault, -1: none) and
        `suspect_db`.

    Notes
    -----
    The likeliest fault is the splice with the greatest mean of both directions; where none of
    them has a figure, none is named.
    """
    study = network.study
    if study.traced is None:
        return pd.DataFrame()
    splices = splice_table(network).set_index("row").sort_index()
    passed = study.traced.steps[study.traced.steps["is"] == "splice"]
    measured = newest_measurements(study, "links", "loss_db")
    ids = study.tables["links"]["id"].to_list()
    terms = ["fibre_db", "connectors_db", "mismatch_db", "via_db"]
    others = budgets.set_index("link")[terms].sum(axis=1, skipna=False).to_dict()
    taken = study.tables["measurements"]["date"]
    rules, default_db = study.rules.tests, study.rules.defaults.splice_db
    found = []
    for row in measured.to_dict("records"):
        link = ids[row["owner"]]
        if link not in study.traced.links:
            continue
        mine = passed[passed["link"] == link]
        if row["said"]:
            back = mine["way"] == RETURN
            mine = mine[back if row["returns"] else ~back]
        elif len(set(mine["way"])) > 1:
            mine = mine[mine["way"] != RETURN]
        losses = splices["loss_db"].reindex(mine["row"]).to_numpy(dtype=np.float64)
        known = losses[~np.isnan(losses)]
        rest = others.get(row["owner"], np.nan)
        computed = rest + known.sum() + default_db * (len(losses) - len(known))
        left = row["value"] - computed
        worst = int(np.nanargmax(losses)) if len(known) else -1
        found.append(
            {
                "link": link,
                "way": ("return" if row["returns"] else "go") if row["said"] else "",
                "measured_db": row["value"],
                "splices_db": float(known.sum()),
                "splices": len(losses),
                "unmeasured": len(losses) - len(known),
                "others_db": rest,
                "unexplained_db": left,
                "explained": bool(left <= max(rules.loss_db, rules.loss_pct / 100 * computed)),
                "days": (pd.Timestamp(study.on) - taken.iloc[row["row"]]).days,
                "suspect_row": int(mine["row"].iloc[worst]) if worst >= 0 else -1,
                "suspect_db": float(losses[worst]) if worst >= 0 else np.nan,
            }
        )
    return pd.DataFrame(found)
