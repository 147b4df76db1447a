"""How far a figure may move between two proofs before it counts as better or worse.

`TOLERANCES` lists all that `waysapart.whatif.reasons` judges, each with its tolerance and the
reason for it. The table in docs/crossing.md says the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True)
class Tolerance:
    """How far a figure may move before it counts.

    Attributes
    ----------
    what : str
        What moves for the worse, in words.
    least : float
        In the unit of the figure.
    share : float
        Part of the lesser of both figures, or of the limit; the greater of this and `least` counts.
    cost : bool
        Whether it only counts as a cost where the verdict or a limit got better.
    said : str
        The tolerance in words.
    because : str
        The reason for it.
    """

    what: str
    least: float = 0.0
    share: float = 0.0
    cost: bool = False
    said: str = "none"
    because: str = ""


_NO_SOURCE = "common practice, no source"
TOLERANCES: Mapping[str, Tolerance] = MappingProxyType(
    {
        "verdict": Tolerance("a worse verdict", because="shared, unproven, accepted, apart"),
        "limit": Tolerance(
            "a limit that was kept and no longer is, or can no longer be checked",
            because="a limit is a limit",
        ),
        "shared": Tolerance(
            "something newly shared, whatever else is no longer shared",
            because="a new single event puts both paths out of service",
        ),
        "accepted": Tolerance(
            "a finding that a waiver accepted and no longer does", because="nobody answers for it"
        ),
        "near": Tolerance(
            "a stretch newly nearer than the separation required",
            because="the separation is the tolerance",
        ),
        "near_m": Tolerance(
            "a longer stretch, or a smaller distance on it",
            least=1.0,
            share=0.1,
            said="1 m and a tenth",
            because=f"assumed survey accuracy; {_NO_SOURCE}",
        ),
        "cross": Tolerance("a new crossing that the rules forbid", because="as for near"),
        "silent": Tolerance(
            "the circuit now loses all its paths when something that it protects falls",
            because="the circuit is silent when it must act",
        ),
        "paths": Tolerance("fewer paths in service, or fewer members", because="a whole path less"),
        "single_points": Tolerance(
            "more single points of failure beyond what is shared",
            because="counted on record, not estimated",
        ),
        "gaps": Tolerance(
            "more record gaps that bear on separation",
            because="counted; a gap in place of another is no change",
        ),
        "new_gaps": Tolerance(
            "more record gaps of plant that was not there before",
            cost=True,
            because="what is new is surveyed once it is built; the verdict says that it is open",
        ),
        "closest_m": Tolerance(
            "paths closer than they were, and closer than 100 m; or no longer known how close",
            least=1.0,
            share=0.1,
            said="1 m and a tenth",
            because="1 m is the survey accuracy assumed where none is stated; farther apart "
            f"than 100 m one excavation does not reach both; {_NO_SOURCE}",
        ),
        "unavailability": Tolerance(
            "all paths down at once more often, or no longer known how often",
            least=1e-9,
            share=0.1,
            said="a tenth and 1e-9",
            because="rates of failure are not known better than to a tenth; 1e-9 is a thirtieth of "
            f"a second a year; {_NO_SOURCE}",
        ),
        "delay_us": Tolerance(
            "less margin to the limit of delay",
            share=0.05,
            cost=True,
            said="5 % of the limit",
            because=_NO_SOURCE,
        ),
        "asymmetry_us": Tolerance(
            "less margin to the limit of asymmetry",
            share=0.05,
            cost=True,
            said="5 % of the limit",
            because=_NO_SOURCE,
        ),
        "margin_db": Tolerance(
            "a smaller least optical margin",
            least=1.0,
            cost=True,
            said="1 dB",
            because=f"more than two splices, and than a measurement varies by; {_NO_SOURCE}",
        ),
        "length_m": Tolerance(
            "more fibre on all paths together",
            least=1000.0,
            share=0.1,
            cost=True,
            said="1 km and a tenth",
            because=f"more plant that can fail; what it brings is judged above; {_NO_SOURCE}",
        ),
        "limit_gaps": Tolerance(
            "more record gaps that bear on limits alone",
            cost=True,
            because="counted; what they leave open of a limit is judged with the limit",
        ),
        "blank_within": Tolerance(
            "more assets without a record of what they lie within",
            cost=True,
            because="counted on record; those that the rules do not explain are gaps",
        ),
    }
)
"""What is judged, in the order in which reasons are given."""

NEAR_M = 100.0
"""Farther apart than this one excavation does not reach both: common practice, no source."""


def allowed(figure: str, one: float, other: float, limit: float | None = None) -> float:
    """How far a figure may move before it counts.

    Parameters
    ----------
    figure : str
        A key of `TOLERANCES`.
    one, other : float
        The figure on both sides.
    limit : float, optional
        Of delay or asymmetry.

    Returns
    -------
    float
        In the unit of the figure.

    Examples
    --------
    >>> allowed("closest_m", 12.0, 0.0), allowed("closest_m", 150.0, 60.0)
    (1.0, 6.0)
    """
    tolerance = TOLERANCES[figure]
    whole = limit if limit is not None else min(abs(one), abs(other))
    return max(tolerance.least, tolerance.share * whole)
