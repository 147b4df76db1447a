"""What falls with what: events that take one asset or many, followed to the paths that they cut."""

from __future__ import annotations

import numpy as np
import scipy.sparse as sp

from waysapart.network.assets import Bools, boolean
from waysapart.reliance.closure import union, without
from waysapart.reliance.plant import named
from waysapart.reliance.rely import Reliance


def falls(reliance: Reliance, events: sp.csr_array, already: Bools | None = None) -> sp.csr_array:
    """Assets that fall in each event, by what they rely on.

    Parameters
    ----------
    reliance : Reliance
    events : csr_array of bool, shape (events, assets)
        What each event takes directly.
    already : ndarray of bool, shape (assets,), optional
        Assets that are down before any of the events (from `falls`): supplies
        among them feed nobody.

    Returns
    -------
    csr_array of bool, shape (events, assets)
        With everything in or fed by what was taken. An equipment falls when all
        of its supplies have fallen, though no single asset took them all. What
        is down already is not added.
    """
    network = reliance.network
    back = sp.csr_array(reliance.closed.T)
    row, supply = named(network, "equipment", "supplies")
    user = network.assets.start["equipment"] + row
    shape = reliance.closed.shape
    if already is not None:
        fed = ~already[supply] & ~already[user]
        supply, user = supply[fed], user[fed]
    feeds = boolean(supply, user, shape)
    supplies_of = np.asarray(feeds.astype(np.int32).sum(axis=0)).ravel()
    fallen = sp.csr_array(events.astype(np.bool_) @ back)
    while feeds.nnz:
        lost = sp.csr_array(fallen.astype(np.int32) @ feeds.astype(np.int32)).tocoo()
        dark = lost.data == supplies_of[lost.col]
        unfed = boolean(
            lost.row[dark].astype(np.int64), lost.col[dark].astype(np.int64), fallen.shape
        )
        if not without(unfed, fallen).nnz:
            break
        fallen = union(fallen, sp.csr_array(unfed @ back))
    return fallen


def paths_lost(reliance: Reliance, fallen: sp.csr_array) -> sp.csr_array:
    """Paths cut in each event: shape (events, paths), from what fell (`falls`)."""
    count = len(reliance.network.assets)
    links = sp.csr_array(fallen @ sp.csr_array(reliance.link_items[:, :count].T))
    return sp.csr_array(links @ sp.csr_array(reliance.along.T))
