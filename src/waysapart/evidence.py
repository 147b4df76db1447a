"""The form of the evidence: what `prove --json` and a report carry, each field once, with its type.

The functions that write evidence return these types, `recheck` refuses what does not keep to
them, and `evidence.schema.json` and docs/evidence.md are generated from them (`docs/generate.py`).
Lengths are in metres, delays in microseconds, losses in dB, positions [longitude, latitude] in
degrees (WGS 84). null: the records give no figure.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from types import UnionType
from typing import (
    Annotated,
    Any,
    Literal,
    NotRequired,
    Union,
    get_args,
    get_origin,
    get_type_hints,
)

from pydantic import ConfigDict, Field, TypeAdapter, ValidationError, with_config
from typing_extensions import TypedDict, is_typeddict

from waysapart.gaps import BearsOn

FORMAT = 2
"""Of what `prove --json` and `reroute --json` write. Fields may be added within one."""
SCHEMA = "urn:waysapart:evidence:2"
"""Identifier of the JSON Schema."""


@dataclass(frozen=True, slots=True)
class Absent:
    """Mark of a field that a file leaves out where its value follows (`waysapart.evidence_file`).

    Attributes
    ----------
    value : object
        What it is then.
    follows : str
        Where that says instead what it follows from, in words.
    """

    value: Any = None
    follows: str = ""

    @property
    def said(self) -> str:
        """What the field is where it is absent, in words."""
        plain = {None: "null", True: "true", False: "false"}
        if self.follows:
            return self.follows
        if self.value is None or isinstance(self.value, bool):
            return plain[self.value]
        if not self.value:
            return "0" if isinstance(self.value, float) else "empty"
        return ", ".join(self.value) if isinstance(self.value, list) else str(self.value)


NONE, EMPTY, NO_NAMES, NOUGHT = Absent(), Absent([]), Absent({}), Absent(0.0)
YES, NO = Absent(True), Absent(False)
EVERY_TEST = ["drum", "installed", "end-to-end, go", "end-to-end, return"]
"""What `tests_missing` lists where nothing was measured, as most often."""

NUMBER_DIGITS = 15
"""Most digits of a number that an id ends in, where ids stand in runs."""
Aged = Literal["survey", "test", "leased_route"]
Verdict = Literal["shared", "unproven", "accepted", "apart"]
Id = Annotated[str, Field(min_length=1)]
Count = Annotated[int, Field(ge=0)]
Figure = float | None
Check = Annotated[bool | None, Field(description="null: the records give no figure")]
Bound = Annotated[
    float | None,
    Field(ge=0, description="the least that a figure can be which is null; null where it is known"),
    NONE,
]
Reasons = Annotated[
    list[str], Field(description="what is not on record of a figure that is null"), EMPTY
]
Term = Annotated[float | None, NOUGHT]
"""What a figure is the sum of."""
Optional = Annotated[float | None, NONE]
"""A figure that few records have."""
At = Annotated[list[float], Field(min_length=2, max_length=2)]
Pair = Annotated[list[Id], Field(min_length=2, max_length=2)]
Day = Annotated[str, Field(pattern=r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$")]
Digest = Annotated[str | None, Field(pattern=r"^[0-9a-f]{12}$")]
Numbers = Annotated[
    str,
    Field(
        pattern=r"^(?:[0-9]+(?:-[0-9]+)?(?: [0-9]+(?:-[0-9]+)?)*)?$",
        description="numbers of evidence.assets from 0: '0-3 7' is 0, 1, 2, 3 and 7",
    ),
]

_EXACT = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)
_LABELLED = ConfigDict(extra="allow", strict=True, allow_inf_nan=False)
"""Of objects that also have keys made of the labels of paths, which `recheck` holds by itself."""


@with_config(_EXACT)
class Input(TypedDict):
    """A file that was read."""

    file: str
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]


@with_config(_EXACT)
class Summary(TypedDict):
    """How many circuits have each verdict, and what else is counted."""

    shared: Count
    unproven: Count
    accepted: Count
    apart: Count
    circuits: Count
    groups: Count
    over_a_limit: Count
    silent: Annotated[Count, Field(description="circuits that fail with what they protect")]
    gaps: Annotated[Count, Field(description="before many of one kind are told as one")]


@with_config(_EXACT)
class RecordGap(TypedDict):
    """One record gap, or many of one kind told as one."""

    code: Annotated[str, Field(pattern=r"^[a-z]+(?:-[a-z]+)*$")]
    asset: Annotated[Id, Field(description="the id that it is about; of many the first")]
    message: str
    bears_on: BearsOn
    count: Annotated[int, Field(ge=1, description="how many records it stands for")]
    assets: Annotated[list[Id], Field(description="all their ids")]
    rows: Annotated[list[int | None], Field(description="the row of each in the input")]
    file: str | None
    layer: str | None
    row: Annotated[int | None, Field(description="of many, of the first")]
    column: str | None


@with_config(_EXACT)
class GapBrief(TypedDict):
    """A gap as it stands with each circuit that it touches; its ids stand with the study's."""

    code: str
    asset: Id
    message: str
    bears_on: BearsOn
    count: Annotated[int, Field(ge=1)]


@with_config(_EXACT)
class DelayTerms(TypedDict):
    """What the delay of a path is the sum of."""

    fibre_us: Annotated[Figure, Absent(follows="delay_us less the other terms")]
    equipment_us: Term
    extra_us: Term
    test_us: Term


@with_config(_EXACT)
class PathLoss(TypedDict):
    """Loss of one link of a path, in short; everything else of it stands in `links`."""

    link: Id
    wavelength_nm: Figure
    loss_db: Figure
    margin_db: Figure
    ok: Check


@with_config(_EXACT)
class MediumLength(TypedDict):
    """Length of a path's hops over one medium other than fibre."""

    medium: str
    length_m: Figure


@with_config(_EXACT)
class Path(TypedDict):
    """One path of a circuit."""

    links: list[Id]
    out_of_service: Annotated[bool, NO]
    length_m: Annotated[Figure, Field(description="of fibre")]
    length_at_least_m: Bound
    length_why: Reasons
    route_m: Annotated[Figure, Field(description="over the ground")]
    route_at_least_m: Bound
    other_lengths: Annotated[list[MediumLength], EMPTY]
    delay_us: Annotated[Figure, Field(description="one way, the longer of go and return")]
    delay_at_least_us: Bound
    delay_why: Reasons
    go_us: Annotated[Figure, Absent(follows="as delay_us")]
    go_at_least_us: Bound
    return_us: Annotated[Figure, Absent(follows="as delay_us")]
    return_at_least_us: Bound
    delay_terms: DelayTerms
    loss: list[PathLoss]
    relies_on: Annotated[Count, Field(description="how many assets")]


@with_config(_EXACT)
class Shared(TypedDict):
    """An avoidable shared asset; its stretch says why and where."""

    asset: Id
    role: str
    kind: str | None
    waived: bool
    through: Annotated[str | None, Field(description="the shared thing in it, where only that is")]
    own_line: Annotated[
        str | None,
        Field(description="what the circuit protects, where the asset takes a path with it"),
        NONE,
    ]
    needed: Annotated[
        bool, Field(description="equipment on a path names it in needs: a clock, a controller"), NO
    ]
    stretch: Annotated[int, Field(ge=1, description="number of its stretch, from 1")]
    record: Annotated[NotRequired[Digest], Field(description="with `prove --circuit`")]


@with_config(_EXACT)
class Along(TypedDict):
    """A stretch of one path, in metres from its end a along the line of its plant."""

    from_m: float
    to_m: float


@with_config(_EXACT)
class Stretch(TypedDict):
    """Neighbours that paths share without a break, as one; or one thing without a neighbour.

    What follows without a break on every path, under one cable of one link, is one stretch. Things
    off the line (a room, a battery) stand alone. `holders` are shared only because a member
    lies in them.
    """

    stretch: Annotated[int, Field(ge=1)]
    members: Annotated[list[Id], Field(min_length=1, description="in the order of the first path")]
    holders: Annotated[list[Id], EMPTY]
    waived: Annotated[bool, NO]
    via: Annotated[
        dict[str, list[Id]],
        Field(
            description="by path: from the link down to what leads there; of several members, what "
            "the paths to all of them have in common"
        ),
    ]
    along: Annotated[
        dict[str, Along], Field(description="by path; only what lies on its line"), NO_NAMES
    ]
    at: Annotated[At | None, Field(description="of the first member"), NONE]


@with_config(_EXACT)
class SinglePoints(TypedDict):
    """Everything whose loss alone takes all paths: whole stretches by number, the rest by id."""

    stretches: list[int]
    assets: list[Id]


@with_config(_EXACT)
class WithProtected(TypedDict):
    """An asset that takes a path together with what the circuit protects."""

    asset: Id
    role: str
    kind: str | None
    path: str
    protected: Id
    protected_kind: str | None
    remains: Annotated[
        list[str], Field(description="the paths left; none: silent when it must act")
    ]


_OF_STRETCH = Absent(follows="as of the whole stretch")


@with_config(_EXACT)
class NearPair(TypedDict):
    """Two segments of a near stretch, where they are closest."""

    main: Id
    alternate: Id
    kinds: Annotated[list[str], Field(min_length=2, max_length=2), _OF_STRETCH]
    at: At
    distance_m: Annotated[float, Field(ge=0), _OF_STRETCH]
    length_m: Annotated[float, Field(ge=0, description="of the first path that is near")]
    limit_m: Annotated[float, Field(ge=0), _OF_STRETCH]
    from_m: float
    to_m: float


@with_config(_EXACT)
class Near(NearPair):
    """Where two paths run closer than the rules allow, from end to end of one stretch.

    The closest pair stands in `main`, `alternate`, `kinds`, `at`, `distance_m`; lengths and
    places are of the whole stretch, and the limit is the greatest that its pairs are held to.
    """

    stretch: Annotated[int, Field(ge=1)]
    waived: bool
    members: Annotated[list[NearPair], Field(min_length=1)]
    paths: NotRequired[Pair]
    under: Annotated[NotRequired[Id], Field(description="the structure that both rely on")]
    record: Annotated[NotRequired[Digest], Field(description="with `prove --circuit`")]


@with_config(_EXACT)
class Cross(TypedDict):
    """Where two paths cross in plan without a common asset."""

    main: Id
    alternate: Id
    kinds: Annotated[list[str], Field(min_length=2, max_length=2)]
    at: At
    waived: bool
    crossing: Annotated[str, Field(description="in words")]
    how: str
    forbidden: bool
    paths: NotRequired[Pair]
    record: Annotated[NotRequired[Digest], Field(description="with `prove --circuit`")]


_POINTS = "as evidence.verdicts[].closest[].points of these paths"


@with_config(_EXACT)
class Closest(TypedDict):
    """The least distance of any two paths, and the smallest circle that touches both."""

    distance_m: Annotated[float, Absent(follows="as closest_m")]
    danger_radius_m: Annotated[Figure, Absent(follows="half of closest_m")]
    danger_at: Annotated[At | None, Absent(follows="midway between main_at and alternate_at")]
    danger_radius_at_least_m: NotRequired[Figure]
    main: Id
    alternate: Id
    main_at: Annotated[At, Absent(follows=_POINTS)]
    alternate_at: Annotated[At, Absent(follows=_POINTS)]
    paths: NotRequired[Pair]


@with_config(_EXACT)
class State(TypedDict):
    """Delay in one state that a circuit can end up in."""

    state: str
    delay_us: Figure
    delay_at_least_us: Bound


@with_config(_LABELLED)
class Delay(TypedDict):
    """One-way delay, asymmetry and recovery against the service; also LABEL_us of each path."""

    worst_us: Figure
    worst_at_least_us: Bound
    delay_why: Reasons
    limit_us: Figure
    ok: Check
    states: Annotated[list[State], Absent(follows="the paths alone, none turned back")]
    asymmetry_us: Figure
    asymmetry_at_least_us: Bound
    asymmetry_why: Reasons
    asymmetry_limit_us: Figure
    asymmetry_ok: Check
    switching: Annotated[Literal["each", "both"], Absent("each")]
    frequency_hz: Annotated[float, Absent(follows="as the assumption power_system.frequency_hz")]
    phase_error_deg: Optional
    apparent_differential: Optional
    recovery_ms: Optional
    recovery_assumed: Annotated[
        bool,
        Field(description="the rules fill in for something that must switch and states no time"),
        Absent(follows="true where recovery_ms is a figure"),
    ]
    recovery_limit_ms: Annotated[Figure, Absent(follows="as the assumption of its service")]
    recovery_ok: Annotated[Check, YES]


@with_config(_EXACT)
class Contribution(TypedDict):
    """What one asset contributes to the time in which all paths are down."""

    asset: Id
    share: Figure
    minutes_a_year: Annotated[Figure, Absent(follows="share times minutes a year")]
    of_all: Annotated[Figure, Absent(follows="share of that of all paths at once")]


@with_config(_LABELLED)
class Unavailability(TypedDict):
    """Part of the time that paths are down; also one share for each path, by its label."""

    both: Annotated[Figure, Field(description="all paths at once")]
    minutes_a_year: Annotated[Figure, Absent(follows="both times minutes a year")]
    losses_a_year: Figure
    greatest: Annotated[list[Contribution], Absent(follows="as greatest_shares")]
    greatest_shares: Annotated[
        NotRequired[dict[Id, Figure]], Field(description="in place of greatest: asset and share")
    ]
    path_minutes_a_year: Annotated[
        dict[str, Figure], Absent(follows="the share of each path times minutes a year")
    ]
    at_least: Annotated[
        dict[str, float], Field(description="bounds of figures that are null"), NO_NAMES
    ]
    why: Reasons
    not_counted: Annotated[list[Id], Field(description="what has no failure rate"), EMPTY]
    limit: Optional
    ok: Check


@with_config(_EXACT)
class GroupUnavailability(TypedDict):
    """Part of the time that every path of every member, and that the working paths, are down."""

    all: Figure
    working: Figure
    working_minutes_a_year: Figure
    minutes_a_year: Figure
    losses_a_year: Figure
    greatest: Annotated[list[Contribution], Absent(follows="as greatest_shares")]
    greatest_shares: Annotated[
        NotRequired[dict[Id, Figure]], Field(description="in place of greatest: asset and share")
    ]
    at_least: Annotated[
        dict[str, float], Field(description="bounds of figures that are null"), NO_NAMES
    ]
    why: Reasons
    not_counted: Annotated[list[Id], EMPTY]


@with_config(_EXACT)
class OfferedWaiver(TypedDict):
    """A waiver that would accept what stands; reason, by and until are for whoever signs."""

    circuit: Id
    asset: str | None
    within: str | None
    pair: Pair | None
    record: Digest
    covers: Annotated[int, Field(ge=1)]


_SERVICE = "of a circuit: as the assumption of its service"
Separation = Annotated[
    float | dict[str, float], Field(description="as the rules have it, or by kinds")
]


@with_config(_EXACT)
class HeldApart(TypedDict):
    """What is said of a circuit and of a group alike."""

    id: Id
    verdict: Verdict
    shared: list[Shared]
    stretches: list[Stretch]
    unavoidable: list[Id]
    blank_within: Count
    near: list[Near]
    cross: list[Cross]
    near_folded: Annotated[
        list[Near], Field(description="next to a structure that both rely on"), EMPTY
    ]
    closest_m: Figure
    separation: Literal["measured", "not examined"]
    closest: NotRequired[Closest]
    separation_m: Annotated[Separation, Absent(follows=_SERVICE)]
    end_zone_m: Annotated[float, Absent(follows=_SERVICE)]
    single_points: Annotated[SinglePoints, Absent(follows="all stretches, and what is unavoidable")]
    gaps: list[GapBrief]
    waivers_offered: Annotated[
        NotRequired[list[OfferedWaiver]], Field(description="with --circuit")
    ]


NOT_SAID = "the circuit does not say what it protects (column protects)"


@with_config(_EXACT)
class Circuit(HeldApart):
    """A circuit: its verdict, and all that it rests on."""

    name: Annotated[str | None, NONE]
    a: str | None
    b: str | None
    service: str
    group: Annotated[str | None, NONE]
    scheme: Annotated[str | None, NONE]
    within_limits: Check
    paths: dict[str, Path]
    tail: Annotated[
        list[Id],
        Field(description="shared inside an end site before the paths part, and excused"),
    ]
    protects: Annotated[list[Id], EMPTY]
    with_protected: Annotated[
        list[WithProtected] | None,
        Field(description="null: what it protects is not known"),
    ]
    with_protected_why: Annotated[str | None, Absent(NOT_SAID)]
    delay: Delay
    loss_ok: Annotated[Check, YES]
    unavailability: Unavailability


@with_config(_EXACT)
class Group(HeldApart):
    """Circuits that back each other up."""

    group_test: Literal["working", "all", "pairwise"]
    members: list[Id]
    within_limits: Annotated[
        NotRequired[bool | None],
        Field(
            description="whether all members keep their limits; null: the records give no figure; "
            "absent from earlier evidence"
        ),
    ]
    unavailability: GroupUnavailability


@with_config(_EXACT)
class Scheme(TypedDict):
    """Circuits that are all needed."""

    id: Id
    members: list[Id]
    verdict: Verdict
    within_limits: Check
    single_points: list[Id]


_AS_FIRST = Absent(follows="as of the first link over fibre")


@with_config(_EXACT)
class LengthTerms(TypedDict):
    """Length of a link with the terms that add up to it."""

    route_m: Figure
    sag_m: Term
    helix_m: Term
    overlength_m: Term
    slack_m: Term
    test_m: Term
    length_m: Annotated[Figure, Absent(follows="the sum of the terms")]


@with_config(_EXACT)
class LossTerms(TypedDict):
    """What the loss of a link is the sum of, and the budget that it is held against."""

    fibre_m: Annotated[Figure, Absent(follows="as length_m of the link")]
    fibre_db: Figure
    splices: Count
    splices_from: Annotated[str, _AS_FIRST]
    splices_db: Figure
    connectors: Annotated[Count, _AS_FIRST]
    connectors_db: Annotated[Figure, _AS_FIRST]
    mismatch_db: Term
    via_db: Term
    test_db: Term
    repair_db: Term
    reserve_db: Annotated[Figure, _AS_FIRST]
    budget_db: Annotated[Figure, Absent(follows="as budget_db of the link")]


@with_config(_EXACT)
class Longest(TypedDict):
    """How long the fibre of a link could be by each of what limits it."""

    by_loss_m: Annotated[Figure, Absent(follows="fibre_m and could_grow_m")]
    by_bandwidth_m: Optional
    by_dispersion_m: Optional


@with_config(_EXACT)
class HeldTo(TypedDict):
    """A link under the least margin that services require, each margin once."""

    services: list[str]
    min_margin_db: Annotated[
        Figure, Absent(follows="as the assumption of the first of its services")
    ]
    ok: Annotated[Check, YES]
    margin_ok: Annotated[Check, YES]
    overload_ok: Annotated[Check, YES]
    bandwidth_ok: Annotated[Check, YES]
    dispersion_ok: Annotated[Check, YES]
    could_grow_m: Figure
    binds: Annotated[str | None, Absent("loss")]
    longest: Longest


@with_config(_EXACT)
class Loss(TypedDict):
    """Loss of a link over fibre."""

    wavelength_nm: Annotated[Figure, _AS_FIRST]
    fibre_type: Annotated[str | None, _AS_FIRST]
    loss_db: Annotated[Figure, Field(description="the worst case")]
    loss_at_least_db: Annotated[
        Figure, Field(description="where loss_db is null: what is known"), NONE
    ]
    margin_db: Annotated[Figure, Absent(follows="budget_db less loss_db")]
    margin_at_most_db: Optional
    k: Annotated[
        float,
        Field(description="standard deviations of statistical_db over the mean"),
        Absent(follows="as the assumption statistics.k"),
    ]
    tx_min_dbm: Annotated[Figure, _AS_FIRST]
    tx_max_dbm: Annotated[Figure, _AS_FIRST]
    rx_min_dbm: Annotated[Figure, _AS_FIRST]
    rx_max_dbm: Annotated[Figure, _AS_FIRST]
    budget_db: Annotated[Figure, Absent(follows="tx_min_dbm less rx_min_dbm")]
    measured_db: Optional
    measured_least_db: Optional
    mean_db: Figure
    sigma_db: Figure
    statistical_db: Figure
    statistical_margin_db: Annotated[Figure, Absent(follows="budget_db less statistical_db")]
    least_db: Figure
    overload_margin_db: Annotated[
        Figure, Absent(follows="rx_max_dbm less (tx_max_dbm less least_db)")
    ]
    attenuator_db: Term
    attenuator_most_db: Annotated[Figure, Absent(follows="as margin_db")]
    dispersion_ps_nm: Optional
    dispersion_limit_ps_nm: Optional
    bandwidth_mhz: Optional
    bandwidth_needed_mhz: Optional
    terms: LossTerms
    loss_why: Annotated[list[str], Field(description="why loss_db is null"), EMPTY]
    not_known: Annotated[list[str], Field(description="why figures are null"), EMPTY]
    held_to: list[HeldTo]


@with_config(_EXACT)
class TestsMissing(TypedDict):
    """Fibres of one cable that lack the same tests."""

    cable: Id
    fibres: Annotated[list[int] | None, NONE]
    missing: Annotated[list[str], Absent(EVERY_TEST)]


TraceStep = TypedDict(
    "TraceStep",
    {
        "is": Literal["port", "cord", "inner", "end", "fibre", "splice", "stop"],
        "at": Id | None,
        "port": str,
        "id": Id,
        "cable": Id,
        "fibre": int,
        "from": Id | None,
        "to": Id | None,
        "joint": Id,
        "tray": str | None,
        "loss_db": float | None,
        "code": str,
        "text": str,
    },
    total=False,
)
"""One step of the trace of a link: see `waysapart.network.trace_steps.trace_steps`."""
with_config(_EXACT)(TraceStep)


@with_config(_EXACT)
class StatedRoute(TypedDict):
    """Who stated what a hop relies on, and when."""

    by: Annotated[str | None, NONE]
    on: Annotated[Day | None, NONE]


@with_config(_EXACT)
class Link(TypedDict):
    """Everything about one link, whichever circuits run over it."""

    id: Id
    medium: Annotated[str, Absent("fibre")]
    lengths: LengthTerms
    stated: Annotated[
        StatedRoute | None,
        Field(
            description="who stated the route of the hop, and when; null: no statement on record"
        ),
        NONE,
    ]
    loss: Annotated[Loss | None, Field(description="null: not over fibre, or without a course")]
    tests_missing: Annotated[list[TestsMissing], EMPTY]
    untested: Annotated[
        NotRequired[list[Id]],
        Field(description="in place of tests_missing: cables that lack every test"),
    ]
    trace: Annotated[
        NotRequired[dict[Literal["go", "return"], list[TraceStep]]],
        Field(description="of a link that gives ports: what light passes, from its end a"),
    ]


@with_config(_EXACT)
class Test(TypedDict):
    """A test that gives a figure, beside what the records give."""

    of: Id
    role: Literal["cables", "links"]
    fibre: int | None
    quantity: Literal["length_m", "loss_db", "delay_us"]
    measured: float
    computed_least: Figure
    computed_greatest: Figure
    agrees: bool
    date: Day | None
    old: bool


@with_config(_EXACT)
class Drum(TypedDict):
    """Whether a tested drum reaches, with what is left over or short."""

    cable: Id
    drum_m: Annotated[Figure, Field(description="the least length measured")]
    carried_m: Annotated[Figure, Field(description="route, sag, helix, overlength")]
    slack_m: Figure
    down_leads_m: Figure
    tails_m: Figure
    needed_m: Figure
    left_m: Figure
    reaches: Check


@with_config(_EXACT)
class RecordRows(TypedDict):
    """Records of one kind to enter: the same column of the same layer."""

    code: Annotated[str, Field(description="of the gap that they close")]
    action: str
    file: str | None
    layer: str | None
    column: str | None
    ids: list[Id]
    rows: list[int | None]


@with_config(_EXACT)
class RecordStep(TypedDict):
    """One bundle of records to enter together."""

    step: Annotated[int, Field(ge=1)]
    count: Annotated[int, Field(ge=1, description="how many records")]
    decides: Annotated[list[Id], Field(description="circuits that no gap holds up then")]
    groups: list[Id]
    limits: Annotated[list[Id], Field(description="circuits whose limits no gap leaves open then")]
    best: Annotated[
        bool, Field(description="no other choice of as many records up to here decides more")
    ]
    records: Annotated[list[RecordRows], Field(min_length=1)]


@with_config(_EXACT)
class RecordFirst(TypedDict):
    """Which records to enter first, so that the fewest decide the most circuits."""

    exact: Annotated[bool, Field(description="found exactly, not greedily")]
    left: Annotated[list[Id], Field(description="circuits and groups that no record decides")]
    limits_left: list[Id]
    steps: list[RecordStep]


@with_config(_EXACT)
class JudgedWaiver(TypedDict):
    """A waiver of the rules with what became of it."""

    circuit: Id
    asset: str | None
    within: str | None
    pair: Pair | None
    reason: str
    by: str
    until: Day
    record: Annotated[Digest, Field(description="as the rules state it")]
    record_now: Annotated[Digest, Field(description="of what it would accept now")]
    state: Annotated[
        str,
        Field(
            pattern="^(?:in force|lapsed|nothing to waive|"
            "the record changed: digest was [0-9a-f]{12}, is now [0-9a-f]{12})$"
        ),
    ]
    counts: bool
    lapses_in_days: Annotated[int | None, Field(ge=0, description="null where it does not count")]


@with_config(_EXACT)
class Match(TypedDict):
    """A segment that a drawn cable follows, or may follow."""

    cable: Id
    segment: Id
    state: Literal["followed", "candidate"]
    seq: Annotated[int, Field(ge=1)]
    from_m: float
    to_m: float
    distance_m: Annotated[float, Field(ge=0)]
    coverage: Annotated[float, Field(ge=0, le=1)]


@with_config(_EXACT)
class RecordAge(TypedDict):
    """The ages of one kind of record on the day of judgement.

    `limit_days` is what the rules allow, null where ages are listed only; with a limit, the
    records that are older or undated are gaps.
    """

    what: Aged
    dated: Count
    undated: Count
    oldest: Day | None
    newest: Day | None
    oldest_days: int | None
    limit_days: Figure
    too_old: Count


@with_config(_EXACT)
class DatedColumn(TypedDict):
    """The dates that one column of a layer holds, seen from the day of judgement."""

    column: Literal["surveyed", "date", "stated_on"]
    dated: Count
    undated: Annotated[Count, Field(description="rows without a date, or with one after that day")]
    oldest: Day | None
    newest: Day | None


@with_config(_EXACT)
class LayerAge(TypedDict):
    """A layer as it was read, with the dates in it.

    The day on which its file was modified is left out, since a copy of the file may have another:
    a report shows it beside these.
    """

    role: str
    file: Annotated[str, Field(description="as the study names it")]
    layer: Annotated[str | None, Field(description="the layer or sheet in the file"), NONE]
    rows: Annotated[Count, Field(description="before any are replaced or left out")]
    dates: Annotated[
        list[DatedColumn], Field(description="one for each column of dates of its role"), EMPTY
    ]


SHIFT_KEY = "datum_shift.accuracy_m"
"""Key of the assumption that layers lie no farther off than their datum shift is accurate."""
SHIFT_SOURCE = "PROJ"
RECOVERY_KEY = "recovery.assumed_ms"
"""Key of the assumption that circuits change over in the time that the rules say."""


@with_config(_EXACT)
class Assumption(TypedDict):
    """A value that stands in for the records, and where it comes from."""

    key: str
    value: Any
    unit: str
    source: str
    to_sign: Annotated[NotRequired[bool], Field(description="somebody has to sign that it holds")]
    count: Annotated[NotRequired[int], Field(ge=1, description="of how many records or kinds")]


_IN_ORDER = "paths stand in the order of the circuits"
_VERDICTS = "circuits, then groups, in their order"
_OF_CIRCUIT = "of a circuit with two paths: as its closest"


@with_config(_EXACT)
class PathSet(TypedDict):
    """Everything that one path relies on."""

    circuit: Annotated[Id, Absent(follows=_IN_ORDER)]
    path: Annotated[str, Absent(follows=_IN_ORDER)]
    links: Annotated[list[Id], Absent(follows="as circuits[].paths{}.links")]
    relies_on: Annotated[Numbers, Absent(follows="all that any of its links relies on")]
    hazards: Annotated[list[Id], EMPTY]


@with_config(_EXACT)
class Approach(TypedDict):
    """The closest approach of two paths that were held against each other."""

    paths: Annotated[list[int], Field(min_length=2, max_length=2), Absent(follows="the two paths")]
    segments: Annotated[Pair, Absent(follows=_OF_CIRCUIT)]
    points: Annotated[list[At], Field(min_length=2, max_length=2)]
    distance_m: Annotated[float, Field(ge=0), Absent(follows=_OF_CIRCUIT)]


@with_config(_EXACT)
class VerdictWitness(TypedDict):
    """What the verdict of a circuit or group rests on."""

    id: Annotated[Id, Absent(follows=_VERDICTS)]
    kind: Annotated[Literal["circuit", "group"], Absent(follows=_VERDICTS)]
    verdict: Annotated[Verdict, Absent(follows="as that of the circuit or group")]
    sides: Annotated[
        list[list[int]],
        Field(description="numbers of evidence.paths from 0"),
        Absent(follows="each path of the circuit by itself"),
    ]
    hazards_on_all: Annotated[list[Id], EMPTY]
    no_hazard_on_all: Annotated[bool, YES]
    closest: Annotated[list[Approach], EMPTY]


@with_config(_EXACT)
class Witness(TypedDict):
    """What all verdicts rest on, once for the study."""

    schema: Annotated[str, Field(pattern=f"^{SCHEMA}$")]
    says: str
    assets: Annotated[
        list[Id],
        Field(description="all that any path relies on; ids of hops without cables come last"),
        Absent(follows="as asset_runs"),
    ]
    asset_runs: Annotated[
        NotRequired[list[list[str]]],
        Field(
            description="the ids in runs: how they begin and the numbers that they end in, in the "
            "order of their texts; `['T7-', '8-11']` is T7-10, T7-11, T7-8 and T7-9, `['X']` is X"
        ),
    ]
    roles: dict[str, Numbers]
    links: Annotated[
        dict[str, Numbers], Field(description="by link of any path: what it relies on")
    ]
    paths: Annotated[list[PathSet], Absent(follows="one for each path, with nothing of its own")]
    verdicts: list[VerdictWitness]


@with_config(_EXACT)
class ProfileOfPath(TypedDict):
    """Distance from one path to another, arc by arc; `rows` has a value for each column."""

    along: str
    to: str
    rows: list[list[Any]]


@with_config(_EXACT)
class Profile(TypedDict):
    """Distance profiles of a circuit or group."""

    id: Id
    columns: list[str]
    paths: list[ProfileOfPath]


Cell = float | int | str | None
"""A cell of a record: a number in our units, a text, a day, a list with `;` between, or blank."""


@with_config(_EXACT)
class RecordTable(TypedDict):
    """The records of one role that one layer gave, in the natural order of their keys."""

    role: str
    layer: Annotated[int, Field(ge=0, description="number of the layer in layers, from 0")]
    crs: Annotated[
        str | None,
        Field(description="of the geometry; null: longitude and latitude, WGS 84"),
        NONE,
    ]
    accuracy_m: Annotated[
        float, Field(ge=0, description="what study.toml states for the whole layer"), NOUGHT
    ]
    named: Annotated[
        dict[str, str],
        Field(description="what the layer calls a column, where that is not our name"),
        NO_NAMES,
    ]
    columns: Annotated[
        list[str], Field(description="those that hold anything; geometry comes last")
    ]
    at: Annotated[
        list[int | None],
        Field(description="by row: its number in the layer"),
        Absent(follows="as row_runs"),
    ]
    rows: Annotated[
        list[list[Cell]],
        Field(
            description="a cell for each column; geometry as WKT, rounded to a millimetre or "
            "seven decimals of a degree"
        ),
        Absent(follows="as cells"),
    ]
    row_runs: Annotated[
        NotRequired[str], Field(description="in place of at: '2-14 20' is 2 to 14 and 20")
    ]
    cells: Annotated[
        NotRequired[dict[str, list[Any]]],
        Field(
            description="in place of rows, by column: cells from the first row on; `[3, x]` is x "
            "three times, `['T', '1-3 7']` is T1, T2, T3 and T7"
        ),
    ]


@with_config(_EXACT)
class StudyRecords(TypedDict):
    """The records that a proof rests on, and what study.toml says of all of them."""

    snap_m: Annotated[float, Field(ge=0, description="how far an end may lie from where it ends")]
    tables: Annotated[list[RecordTable], Field(description="by role, then layer")]


@with_config(_EXACT)
class Evidence(TypedDict):
    """What `prove --json` writes: verdicts and the evidence that they rest on."""

    format: Annotated[int, Field(ge=FORMAT, le=FORMAT)]
    waysapart: Annotated[str, Field(description="version of the program")]
    study: str
    revision: str | None
    made: Annotated[str, Field(pattern=r"^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}Z$")]
    on: Annotated[Day, Field(description="the day for which the study is judged")]
    crs: Annotated[str, Field(description="the grid in which positions are also shown")]
    caution: str
    inputs: list[Input]
    out: Annotated[list[Id], Field(description="assets out of service")]
    summary: Summary
    circuits: list[Circuit]
    groups: list[Group]
    schemes: list[Scheme]
    links: list[Link]
    tests: list[Test]
    drums: list[Drum]
    figures_say: dict[str, str]
    gaps: list[RecordGap]
    record_first: RecordFirst
    waivers: list[JudgedWaiver]
    evidence: Witness
    matched: list[Match]
    notes: list[str]
    ages: list[RecordAge]
    layers: Annotated[
        NotRequired[list[LayerAge]],
        Field(description="in the order in which they were read; absent from earlier evidence"),
    ]
    records: Annotated[
        NotRequired[StudyRecords],
        Field(
            description="every record that was read, without columns that waysapart does not "
            "know; absent from earlier evidence and from proofs of proposals"
        ),
    ]
    profiles: Annotated[NotRequired[list[Profile]], Field(description="with `prove --circuit`")]
    assumptions: list[Assumption]


@cache
def absences(kind: Any) -> dict[str, Absent]:
    """The fields of an object that a file may leave out, and what they are then."""
    found = {}
    for name, hint in get_type_hints(kind, include_extras=True).items():
        marks = [one for one in _marks(hint) if isinstance(one, Absent)]
        if marks and not (kind is Near and marks[0].follows):
            found[name] = marks[0]
    return found


@cache
def objects_in(kind: Any) -> dict[str, tuple[Any, Any]]:
    """The fields of an object that hold others: by name, what holds them and their type.

    What holds them is `list` or `dict`, or None where the field is the object itself.
    """
    found = {}
    for name, hint in get_type_hints(kind).items():
        for one in get_args(hint) if get_origin(hint) in (Union, UnionType) else (hint,):
            holder, inner = get_origin(one), (get_args(one) or (one,))[-1]
            if is_typeddict(inner):
                found[name] = holder, inner
    return found


def _marks(hint: Any) -> Iterator[Any]:
    """All that is said of a field beside its type."""
    if get_origin(hint) is Annotated:
        yield from hint.__metadata__
        hint = hint.__origin__
    if get_origin(hint) in (Annotated, NotRequired):
        yield from _marks(get_args(hint)[0])


def every_object() -> list[Any]:
    """The types of all objects in evidence, each once, from the outside in."""
    found = [Evidence]
    for kind in found:  # grows as it goes
        found += [inner for _, inner in objects_in(kind).values() if inner not in found]
    return found


@cache
def form() -> TypeAdapter[Evidence]:
    """Return the type adapter that validates data against `Evidence`.

    Returns
    -------
    TypeAdapter of Evidence
    """
    return TypeAdapter(Evidence)


def schema() -> dict[str, Any]:
    """Return the JSON Schema of evidence in a file (draft 2020-12).

    Returns
    -------
    dict
    """
    found = form().json_schema()
    for kind in every_object():
        of = found if kind is Evidence else found["$defs"][kind.__name__]
        for name, absent in absences(kind).items():
            of["required"].remove(name)
            of["properties"][name] |= {} if absent.follows else {"default": absent.value}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": SCHEMA,
        **found,
    }


_ALWAYS = frozenset({"id", "key", "value", "circuit", "counts", "file", "sha256", "code", "asset"})
"""Fields without which no release wrote an object that has them now."""


def misfits(data: Any, most: int = 20, *, of_any_release: bool = False) -> list[str]:
    """State where data does not keep to the form of the evidence.

    Parameters
    ----------
    data : object
        As parsed from JSON.
    most : int
        At most so many places are named.
    of_any_release : bool
        Whether it may lack fields that came later, and hold some that are not known here.

    Returns
    -------
    list of str
        One sentence each; empty where all is well.
    """
    try:
        form().validate_python(data)
    except ValidationError as error:
        found = [
            one
            for one in error.errors(include_url=False, include_context=False, include_input=False)
            if not (of_any_release and _of_another_release(one["type"], one["loc"]))
        ]
        told = [
            f"{'.'.join(map(str, one['loc'])) or 'the whole'}: {one['msg']}" for one in found[:most]
        ]
        return told + ([f"and {len(found) - most} more like these"] if len(found) > most else [])
    return []


def _of_another_release(kind: str, at: tuple[int | str, ...]) -> bool:
    of_records = at[:1] == ("records",)  # every release that writes them writes all of them
    return kind == "extra_forbidden" or (
        kind == "missing" and at[-1] not in _ALWAYS and not of_records
    )
