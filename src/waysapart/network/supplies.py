"""Which supplies feed what, and supplies that nothing feeds."""

from __future__ import annotations

import numpy as np

from waysapart.gaps import Gap
from waysapart.network.assets import Assets, listed
from waysapart.network.records import row_gap
from waysapart.study.model import Study

FEEDING = (
    "supplies feed each other in so many ways that what keeps what up cannot be written out; "
    "something is recorded wrongly: look for supplies that name each other in `supplies`"
)


def fed_by(study: Study, assets: Assets) -> dict[int, tuple[int, ...]]:
    """The supplies of every piece of equipment and every supply that has any: asset numbers."""
    found: dict[int, dict[int, None]] = {}
    for role in ("equipment", "supplies"):
        row, name = listed(study.tables[role]["supplies"])
        user = assets.start[role] + row
        for mine, supply in zip(user.tolist(), assets.numbers(name).tolist(), strict=True):
            if supply >= 0:
                found.setdefault(mine, {})[supply] = None
    return {user: tuple(several) for user, several in found.items()}


def loop_gaps(study: Study, assets: Assets) -> list[Gap]:
    """Supplies that only feed one another, so that nothing is on record that feeds them."""
    fed = fed_by(study, assets)
    supplies = assets.of_role("supplies")
    kept_up = np.zeros(len(assets), dtype=bool)
    kept_up[supplies] = True
    kept_up[[user for user in fed if user >= supplies.start]] = False
    while True:
        more = [u for u, several in fed.items() if not kept_up[u] and kept_up[list(several)].any()]
        if not more:
            break
        kept_up[more] = True
    text = (
        "is fed only by supplies that it feeds in turn: record what feeds one of them, or leave "
        "supplies blank where one stands by itself"
    )
    return [
        row_gap(study, "supply-loop", "supplies", row, text, joined=" ", column="supplies")
        for row in np.flatnonzero(~kept_up[supplies]).tolist()
    ]
