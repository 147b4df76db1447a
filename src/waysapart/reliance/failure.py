"""What falls with what: events that take one asset or many, followed to the paths that they cut."""

from __future__ import annotations

import numpy as np
import scipy.sparse as sp

from waysapart.arrays import Bools
from waysapart.reliance.feeding import go_dark
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
        With everything in or fed by what was taken. What has feeds falls when all of them
        have fallen, though no single asset took them all. What is down already is not added.
    """
    back = sp.csr_array(reliance.closed.T)
    feeds = reliance.feeds
    if already is not None:
        feeds = feeds.kept(~feeds.hit(already) & ~already[feeds.user])
    return go_dark(feeds, back, sp.csr_array(events.astype(np.bool_) @ back))


def paths_lost(reliance: Reliance, fallen: sp.csr_array) -> sp.csr_array:
    """Paths cut in each event: shape (events, paths), from what fell (`falls`)."""
    count = len(reliance.network.assets)
    links = sp.csr_array(fallen @ sp.csr_array(reliance.link_items[:, :count].T))
    return sp.csr_array(links @ sp.csr_array(reliance.along.T))
