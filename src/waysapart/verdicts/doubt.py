"""Near approaches that only hold as far as the records of where things lie are right."""

from __future__ import annotations

import numpy as np

from waysapart.findings.spacing import Spacing
from waysapart.gaps import Gap
from waysapart.network.tie import Network
from waysapart.verdicts.breaches import Breach, breaches
from waysapart.verdicts.sides import Trial
from waysapart.verdicts.waivers import Waivers


def accuracy_gaps(
    spacing: Spacing, apart: list[Breach], waivers: Waivers, network: Network, trials: list[Trial]
) -> dict[int, Gap]:
    """A gap for each trial whose paths may be nearer than the limit, for all that is on record.

    Parameters
    ----------
    spacing : Spacing
    apart : list of Breach
        What separation means per trial with the records taken as exact.
    waivers, network, trials

    Returns
    -------
    dict of int to Gap
        By trial. A trial that breaks the limit by its records is not among them, nor
        one where what may be near is waived.
    """
    loose = spacing.loose
    if loose is None:
        return {}
    found = {}
    wide = breaches(loose, waivers, network, len(trials))
    test = loose.pairs["test"].to_numpy(dtype=np.int64)
    near = loose.near[(loose.near["under"] < 0).to_numpy()]
    of = test[near["pair"].to_numpy(dtype=np.int64)]
    ids = network.study.tables["segments"]["id"].to_numpy()
    for number, trial in enumerate(trials):
        if apart[number].stands or not wide[number].stands:
            continue
        mine = near[of == number]
        row = mine.iloc[int(np.argmin(mine["distance_m"].to_numpy()))]
        one, other = str(ids[int(row["segment_i"])]), str(ids[int(row["segment_j"])])
        what = "circuit" if trial.group_test is None else "group"
        found[number] = Gap(
            "near-accuracy",
            f"{what} {trial.id}: {one} and {other} run {row['distance_m']:.2f} m apart on record; "
            "as far as their positions are known (accuracy_m) they may be nearer than the rules "
            "allow: survey them",
            trial.id,
            circuits=(trial.id,) if trial.group_test is None else (),
        )
    return found
