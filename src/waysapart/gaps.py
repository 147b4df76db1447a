"""The table of record gaps: what each code means and what to do about it.

A gap is something that the records leave open. Where it bears on separation, a verdict whose paths
it touches is `unproven`, never `apart`; where it bears on limits, a limit that it concerns is
neither kept nor broken. Every stage takes its codes from here, so that docs and reports explain
each of them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

Limit = Literal["delay", "asymmetry", "loss", "unavailability", "recovery"]
BearsOn = Literal["separation", "limits", "both"]
_BY_LENGTH: tuple[Limit, ...] = ("delay", "asymmetry", "loss")
_EVERY: tuple[Limit, ...] = (*_BY_LENGTH, "unavailability")


@dataclass(frozen=True, slots=True)
class GapCode:
    """One kind of gap.

    Attributes
    ----------
    code : str
    means : str
        What the records leave open, in one line.
    action : str
        What to do about it.
    separation : bool
        Whether it leaves open what a path relies on or where it runs.
    limits : tuple of str
        The limits whose figures it leaves open.
    doubt : bool
        Whether it puts in doubt what is on record, so that a figure may be false that looks
        known; else something is missing, and a figure that needs it is not known.
    """

    code: str
    means: str
    action: str
    separation: bool = True
    limits: tuple[Limit, ...] = ()
    doubt: bool = False

    @property
    def bears_on(self) -> BearsOn:
        """`separation`, `limits` or `both`."""
        if self.separation:
            return "both" if self.limits else "separation"
        return "limits"


_CODES = (
    GapCode(
        "removed-reference",
        "a row refers to an id that the proposal removes",
        "say what takes its place, or remove the referring row as well",
        limits=_EVERY,
    ),
    GapCode(
        "dangling-reference",
        "a row refers to an id that no row of the expected role has",
        "correct the id, or enter the record that it names",
        limits=_EVERY,
        doubt=True,
    ),
    GapCode(
        "duplicate-id",
        "several records that differ have one id",
        "give each thing an id of its own, or keep one of the records",
        limits=_EVERY,
        doubt=True,
    ),
    GapCode(
        "duplicate-step",
        "several rows that differ have one place in a course, such as the same cable and seq",
        "number the steps, or keep one of the rows",
        limits=_EVERY,
        doubt=True,
    ),
    GapCode(
        "no-id",
        "a row has no id that can be used, so that nobody can tell what it touches",
        "give it an id",
        limits=_EVERY,
        doubt=True,
    ),
    GapCode(
        "blank-required",
        "a row lacks a value that every row needs",
        "enter it",
        limits=_EVERY,
        doubt=True,
    ),
    GapCode(
        "unreadable-value",
        "a cell holds what its column cannot hold; it counts as blank",
        "correct the cell",
        limits=_EVERY,
        doubt=True,
    ),
    GapCode(
        "unreadable-figure",
        "a cell holds no figure that its column can hold; it counts as blank",
        "correct the cell",
        separation=False,
        limits=_EVERY,
        doubt=True,
    ),
    GapCode(
        "unusable-geometry",
        "a geometry is missing, in several parts, of the wrong type or at an impossible place",
        "draw it, or correct it",
        limits=_EVERY,
        doubt=True,
    ),
    GapCode(
        "lies-in-itself",
        "things lie within, or cables are carried by, each other in a circle",
        "correct one of the rows",
        limits=_EVERY,
        doubt=True,
    ),
    GapCode(
        "paths-twice",
        "the paths of a circuit stand in circuit_paths and in ring_circuits",
        "state them in one of the two tables",
        limits=_EVERY,
        doubt=True,
    ),
    GapCode(
        "unknown-service",
        "the service of a circuit is none that the rules know, so that nobody can tell its limits",
        "correct it, or add it to [services] of the rules",
        limits=(*_EVERY, "recovery"),
        doubt=True,
    ),
    GapCode(
        "unknown-fibre-type",
        "the fibre_type of a cable is none that the rules know",
        "correct it, or add it to [fibres] of the rules",
        separation=False,
        limits=_BY_LENGTH,
        doubt=True,
    ),
    GapCode(
        "no-wavelength",
        "a fibre link has no wavelength on record",
        "enter wavelength_nm, or another medium",
        separation=False,
        limits=_BY_LENGTH,
    ),
    GapCode(
        "power-limits",
        "the least of two powers of a link is greater than the greatest; neither counts",
        "correct them",
        separation=False,
        limits=("loss",),
        doubt=True,
    ),
    GapCode(
        "test-owner",
        "a test is of a cable and a link at once, or of neither; it does not count",
        "say which one was tested",
        separation=False,
        limits=_BY_LENGTH,
        doubt=True,
    ),
    GapCode(
        "waiver-owner",
        "a waiver names neither a circuit nor a group of the study, so that it waives nothing",
        "correct circuit in the waiver, or take it out",
        separation=False,
    ),
    GapCode(
        "end-meets-nothing",
        "no structure or site lies within snap_m of a segment's end",
        "move the end, enter the missing structure, or state a or b",
        limits=_EVERY,
    ),
    GapCode(
        "end-ambiguous",
        "several structures or sites lie within snap_m of a segment's end",
        "state a or b",
    ),
    GapCode(
        "end-far",
        "a stated end of a segment lies farther than snap_m from its vertex",
        "correct the id or the geometry",
    ),
    GapCode(
        "same-place",
        "two structures lie in one place under two ids",
        "merge them, or correct the position of one",
    ),
    GapCode(
        "cable-without-runs",
        "a cable that a path needs has neither runs, nor a carrier, nor a geometry to match",
        "enter its cable_runs, or carried_by",
        limits=_EVERY,
    ),
    GapCode(
        "match-uncovered",
        "a cable that is drawn but not listed follows no segment along part of its line",
        "enter the missing segment, correct the drawing, or list the cable in cable_runs",
        limits=_EVERY,
    ),
    GapCode(
        "match-ambiguous",
        "a cable that is drawn but not listed may follow one segment or another",
        "list what it follows in cable_runs, or lower snap_m if the records are that good",
        limits=_EVERY,
    ),
    GapCode(
        "cable-broken",
        "two consecutive segments of a cable do not meet",
        "enter the missing segment, or correct the order",
        limits=_EVERY,
    ),
    GapCode(
        "link-without-runs",
        "a fibre link has no cables on record",
        "enter its link_runs, or its ports with the splices and cords between",
        limits=_EVERY,
    ),
    GapCode(
        "link-broken",
        "two consecutive cables of a link do not meet at a structure, site or joint",
        "enter the missing cable or joint, or correct the order",
        limits=_EVERY,
    ),
    GapCode(
        "link-end",
        "a link's first or last cable does not reach the site of its equipment",
        "enter the missing cable, or correct the equipment's site",
        limits=_EVERY,
    ),
    GapCode(
        "path-broken",
        "two consecutive links of a path do not meet at one piece of equipment",
        "enter the missing link, or correct the order",
        limits=_EVERY,
    ),
    GapCode(
        "path-end",
        "a path does not begin and end at its circuit's equipment",
        "enter the missing link, or correct the circuit's a and b",
        limits=_EVERY,
    ),
    GapCode(
        "single-path",
        "fewer than two complete paths of a circuit are on record",
        "enter its other path, or put it on a ring",
        limits=_EVERY,
    ),
    GapCode(
        "ring-broken",
        "the links of a ring do not close, or do not pass the circuit's equipment",
        "correct the ring's links and their order",
        limits=_EVERY,
    ),
    GapCode(
        "ring-recovery",
        "rows of one ring state different recovery times; none of them counts",
        "state one recovery_ms for the ring",
        separation=False,
        limits=("recovery",),
        doubt=True,
    ),
    GapCode(
        "leased-route",
        "nobody has recorded what a leased hop relies on between its own ends",
        "ask its owner for the route and enter relies_on",
    ),
    GapCode(
        "hop-route",
        "what a hop without cables relies on between its ends is not on record",
        "enter relies_on, or cables where it has them",
    ),
    GapCode(
        "radio-route",
        "the masts of a radio hop between two sites are not on record",
        "enter its masts in relies_on, or - where it has none",
    ),
    GapCode(
        "internal-far",
        "an internal hop joins equipment of two sites that do not touch each other",
        "correct the site of one, or the medium of the link",
        limits=_EVERY,
    ),
    GapCode(
        "hop-length",
        "a hop without cables has neither a length nor a delay on record",
        "enter length_m, extra_delay_us or a measured delay_us",
        separation=False,
        limits=("delay", "asymmetry"),
    ),
    GapCode(
        "fibre-type",
        "the type of fibre of a cable that a link needs is not on record",
        "enter fibre_type",
        separation=False,
        limits=_BY_LENGTH,
    ),
    GapCode(
        "fibre-count",
        "the number of fibres of a cable that a link needs is not on record",
        "enter fibre_count",
        separation=False,
        limits=("loss",),
    ),
    GapCode(
        "trace-stops",
        "the trace of a link stops before its port: a splice, termination or cord is missing",
        "record what goes on from the place where it stops",
        limits=_EVERY,
    ),
    GapCode(
        "trace-loop",
        "the trace of a link goes round and comes back to where it was",
        "correct one of the splices or cords on it",
        limits=_EVERY,
        doubt=True,
    ),
    GapCode(
        "trace-crossed",
        "go and return of a link are crossed: the port that sends leads to the port that sends",
        "correct the ports, or the splice or cord where they cross",
        limits=_EVERY,
        doubt=True,
    ),
    GapCode(
        "runs-differ",
        "the cables and fibres that a link is traced over are not those of its link_runs",
        "correct the splices and cords, or the link_runs; or leave the link_runs out",
        limits=_EVERY,
        doubt=True,
    ),
    GapCode(
        "ports-uneven",
        "the two ends of a link or a cord name different numbers of ports",
        "name one port at each end, or two (go;return)",
        limits=_EVERY,
    ),
    GapCode(
        "port-shared",
        "two links name one port, at one wavelength and on one channel",
        "correct the port, or the wavelength_nm or channel of one of them",
        limits=_EVERY,
        doubt=True,
    ),
    GapCode(
        "end-twice",
        "an end of a fibre is spliced or ended more than once",
        "correct all rows but one",
        limits=_EVERY,
        doubt=True,
    ),
    GapCode(
        "port-twice",
        "more fibres or cords end on a port than there is room for",
        "correct the port of one of them",
        limits=_EVERY,
        doubt=True,
    ),
    GapCode(
        "splice-off-cable",
        "a fibre is spliced in a joint, or ends on a panel, where its cable is not",
        "correct the cable, the place of the joint or panel, or the cable's course",
        limits=_EVERY,
        doubt=True,
    ),
    GapCode(
        "splice-side",
        "a splice or termination does not say on which side of its place the fibre lies",
        "enter before or after, along the runs of the cable",
        limits=_EVERY,
    ),
    GapCode(
        "cord-between-sites",
        "a patch cord joins equipment on two sites",
        "correct its ends, or record the cable between the sites",
        limits=_EVERY,
        doubt=True,
    ),
    GapCode(
        "cord-to-nothing",
        "a patch cord leads to a port of a panel on which nothing else ends",
        "record the fibre or the cord that goes on from it",
        limits=_EVERY,
    ),
    GapCode(
        "splice-types",
        "fibres of two types follow each other, and the loss between them is not on record",
        "record the loss of the splice or cord, or correct one of the types",
        separation=False,
        limits=("loss",),
    ),
    GapCode(
        "fibre-beyond",
        "a link, splice or termination uses a fibre number that its cable has not",
        "correct the number, or the cable's fibre_count",
        limits=("loss",),
    ),
    GapCode(
        "fibre-twice",
        "a row of link_runs names one fibre twice",
        "correct one of the two numbers, or name the fibre once",
        separation=False,
        limits=("loss",),
    ),
    GapCode(
        "fibre-merged",
        "two fibres of one cable go on as one fibre of the next, or one as two",
        "correct the fibres of one of the two",
        separation=False,
        limits=("loss",),
    ),
    GapCode(
        "fibre-shared",
        "two links use one fibre, and nothing on record parts them",
        "correct the fibre; or name in via of both links the multiplexer or filter that parts "
        "their wavelengths or channels",
        limits=("loss",),
    ),
    GapCode(
        "mode-mismatch",
        "a link goes on in fibre of another core, and what the light loses there is not known",
        "correct fibre_type, state the loss in [defaults.mode_mismatch_db] of the rules, or "
        "measure the link end to end",
        separation=False,
        limits=("loss",),
    ),
    GapCode(
        "joints-unrecorded",
        "a stretch of cable is longer than its reel, and no joint is on record in it",
        "record its joints, or the splices of the link; or state how much a reel holds in "
        "[defaults.reel_m] of the rules",
        separation=False,
        limits=("loss",),
    ),
    GapCode(
        "blank-within",
        "an asset does not say what it lies within, and the rules do not say what a blank means",
        "enter within, or - where it lies in nothing",
    ),
    GapCode(
        "blank-supplies",
        "a piece of equipment does not say what supplies it",
        "enter supplies, or - where it needs none",
        limits=("unavailability",),
    ),
    GapCode(
        "supply-loop",
        "supplies feed only each other: nothing on record feeds them",
        "record what feeds one of them, or leave supplies blank where one stands by itself",
        limits=("unavailability",),
    ),
    GapCode(
        "blank-needs",
        "a supply or a piece of equipment does not say what it needs",
        "enter needs, or - where it needs nothing",
        limits=("unavailability",),
    ),
    GapCode(
        "blank-delay",
        "a piece of equipment that a link ends on or passes has no delay on record",
        "enter delay_us, or state a figure for its kind in [records] of the rules",
        separation=False,
        limits=("delay", "asymmetry"),
    ),
    GapCode(
        "hop-rate",
        "neither a failure rate nor an unavailability of a hop is on record",
        "record its unavailability, or what it relies on",
        separation=False,
        limits=("unavailability",),
    ),
    GapCode(
        "way-out",
        "a path of a circuit is out of service now, which leaves it fewer than two",
        "prove it again when the work is done",
    ),
    GapCode(
        "own-line",
        "the service counts what puts a circuit out of service together with what it protects, and "
        "what it protects is not on record",
        "enter protects, and what lies within the line: its towers and spans",
    ),
    GapCode(
        "lone-member",
        "a circuit is the only one of its group",
        "give the circuits that back it up the same group",
    ),
    GapCode(
        "near-accuracy",
        "two paths keep the separation on record, but not if their positions are as wrong as "
        "stated",
        "survey the two segments, and state how well in accuracy_m",
    ),
    GapCode(
        "joint-off-cable",
        "a joint lists a cable that never passes the place where the joint is",
        "correct where the joint is, which cables it joins, or the cable's course",
        limits=("loss", "unavailability"),
        doubt=True,
    ),
    GapCode(
        "site-contradiction",
        "the site of equipment or of a supply is not the one that it lies within",
        "correct site or within",
        limits=("unavailability",),
    ),
    GapCode(
        "survey-old",
        "a position was surveyed longer ago than the rules allow, or nobody knows when",
        "survey it, and enter surveyed",
    ),
    GapCode(
        "leased-old",
        "the route of a leased hop was stated longer ago than the rules allow, or nobody knows "
        "when or by whom",
        "ask its owner again, and enter stated_on and stated_by",
    ),
    GapCode(
        "test-old",
        "a test is older than the rules allow, or nobody knows how old",
        "test it again, and enter date",
        separation=False,
        limits=_BY_LENGTH,
        doubt=True,
    ),
    GapCode(
        "test-future",
        "a test is dated after the day for which the study is judged; it does not count",
        "correct its date",
        separation=False,
        limits=_BY_LENGTH,
        doubt=True,
    ),
    GapCode(
        "measured-length",
        "a test measured a length that the record does not explain: one is of another cable, or "
        "in another unit",
        "look at the unit of the table; find out which cable was tested, and correct the record or "
        "the test",
        limits=_BY_LENGTH,
        doubt=True,
    ),
    GapCode(
        "measured-loss",
        "a test measured a loss that the record does not explain, and no length test confirms it",
        "find out which fibre was tested, and correct the record or test its length",
        limits=("loss",),
        doubt=True,
    ),
    GapCode(
        "measured-delay",
        "a test measured a delay that the record does not explain: one is of another route",
        "find out which link was tested, and correct the record or the test",
        limits=("delay", "asymmetry"),
        doubt=True,
    ),
)

GAP_CODES: Mapping[str, GapCode] = MappingProxyType({entry.code: entry for entry in _CODES})
"""Every gap code with its meaning, in the order of the flow."""


@dataclass(frozen=True, slots=True)
class Gap:
    """One thing that the records leave open: a verdict or a limit that rests on it is not proved.

    Attributes
    ----------
    code : str
        What kind of gap, from `waysapart.gaps`.
    message : str
        What is missing, where, and what to do.
    asset : str
        The id that the gap is about.
    assets, links, circuits : tuple of str
        What the gap touches: every path that relies on one of the assets or
        runs over one of the links, and the circuits.
    path : str or None
        With `circuits`: the one path of theirs that the gap is about.
    with_groups : bool
        Whether the gap touches the groups of its circuits as well, whatever paths count there.
    only : tuple of str or None
        The limits that it leaves open, where they are fewer than those of its code.
    file, layer, row, column
        Where it stands in the input, as in `waysapart.errors.Problem`.
    fold : str or None
        What many gaps of one kind say together, with `{count}` and `{names}` to fill in, such
        as "{count} ducts do not say what they lie within: {names}". Gaps with the same code,
        column and `fold` are shown as one.
    """

    code: str
    message: str
    asset: str
    assets: tuple[str, ...] = ()
    links: tuple[str, ...] = ()
    circuits: tuple[str, ...] = ()
    path: str | None = None
    with_groups: bool = False
    only: tuple[Limit, ...] | None = None
    file: str | None = None
    layer: str | None = None
    row: int | None = None
    column: str | None = None
    fold: str | None = None

    @property
    def bears_on(self) -> BearsOn:
        """`separation`, `limits` or `both`."""
        if not GAP_CODES[self.code].separation:
            return "limits"
        return "both" if self.limits else "separation"

    @property
    def limits(self) -> tuple[Limit, ...]:
        """The limits whose figures it leaves open."""
        return GAP_CODES[self.code].limits if self.only is None else self.only


CONTRADICTIONS = frozenset(
    {
        "fibre-beyond",
        "fibre-twice",
        "fibre-merged",
        "fibre-shared",
        "joint-off-cable",
        "site-contradiction",
        "test-future",
        "trace-crossed",
        "runs-differ",
        "port-shared",
        "end-twice",
        "port-twice",
        "splice-off-cable",
        "cord-between-sites",
    }
)
"""Gaps of tying: two records that cannot both be true. Strict reading makes errors of them."""
