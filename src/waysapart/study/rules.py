"""The rules: limits, catalogue values, defaults, the meaning of blanks, and waivers.

The models of the tables come first (fibre types and what only figures need, then services,
defaults and records), then `Rules`, which holds all of them, and how a study's own rules are laid
over the shipped ones.
"""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from importlib.resources import files
from math import isnan, nan
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any, Literal, TypeVar, get_args

from pydantic import AfterValidator, Field, PrivateAttr, ValidationError, model_validator

from waysapart.schema import ROLES
from waysapart.study.ledger import Ledger, did_you_mean
from waysapart.study.toml import Table, dotted, load_toml, tell_faults

NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
GroupIndex = Annotated[float, Field(ge=1, le=4, allow_inf_nan=False)]
Wavelength = Annotated[int, Field(ge=600, le=2000)]


class Fibre(Table):
    """One type of fibre; values by wavelength in nm, as stated, not interpolated.

    `db_per_km` is the greatest attenuation, `mean_db_per_km` the mean
    (the greatest where blank). Zero dispersion and slope are those of
    single-mode fibre, all three or none; bandwidth is that of multimode fibre.
    `core_um` is the diameter of the core: about 9 um in single-mode fibre.
    """

    core_um: Positive | None = Field(
        default=None,
        examples=[9],
        description="Diameter of the core: below 15 um the fibre is single-mode.",
    )
    db_per_km: dict[Wavelength, NotNegative] = Field(
        default_factory=dict, description="Greatest attenuation, by wavelength in nm."
    )
    mean_db_per_km: dict[Wavelength, NotNegative] = Field(
        default_factory=dict,
        description="Mean attenuation, by wavelength in nm. Left out: the greatest.",
    )
    group_index: dict[Wavelength, GroupIndex] = Field(
        default_factory=dict,
        description="Group index, by wavelength in nm. Left out: that of the medium fibre.",
    )
    bandwidth_mhz_km: dict[Wavelength, Positive] = Field(
        default_factory=dict,
        examples=[{"850": 500, "1300": 500}],
        description="Bandwidth of multimode fibre, by wavelength in nm.",
    )
    lambda0_min_nm: Positive | None = Field(
        default=None, description="Least zero-dispersion wavelength of single-mode fibre."
    )
    lambda0_max_nm: Positive | None = Field(
        default=None, description="Greatest zero-dispersion wavelength of single-mode fibre."
    )
    s0_max_ps_nm2_km: NotNegative | None = Field(
        default=None, description="Greatest dispersion slope at the zero-dispersion wavelength."
    )

    @model_validator(mode="after")
    def _whole_dispersion(self) -> Fibre:
        stated = (self.lambda0_min_nm, self.lambda0_max_nm, self.s0_max_ps_nm2_km)
        if any(value is None for value in stated) != all(value is None for value in stated):
            raise ValueError(
                "state lambda0_min_nm, lambda0_max_nm and s0_max_ps_nm2_km, or none of them"
            )
        if (self.lambda0_min_nm or 0) > (self.lambda0_max_nm or 0):
            raise ValueError("lambda0_min_nm must not be above lambda0_max_nm")
        return self


SINGLE_MODE_BELOW_UM = 15.0
"""A core of a smaller diameter carries one mode: single-mode cores are 8 to 10 um, the thinnest
multimode core in use is 50 um. Common practice, no source."""


def core_um(fibre: Fibre) -> float:
    """Core diameter of a fibre type in micrometres.

    Parameters
    ----------
    fibre : Fibre

    Returns
    -------
    float
        NaN where the rules do not state it. A type with a zero-dispersion wavelength is
        single-mode fibre, whatever the exact diameter of its core.
    """
    if fibre.core_um is not None:
        return fibre.core_um
    return SINGLE_MODE_BELOW_UM / 2 if fibre.lambda0_min_nm is not None else nan


class ModeMismatch(Table):
    """Coupling loss of a step into a smaller core; None: it is not stated.

    `to_single_mode` is from multimode into single-mode fibre, `to_smaller_core`
    from one multimode core into a smaller one, such as 62.5 to 50 um. Into a
    larger core there is no loss.
    """

    to_single_mode: NotNegative | None = Field(
        default=None,
        examples=[20],
        description="Loss from multimode into single-mode fibre. Published on a page of "
        "optics-fibers.com, title not on record: 17 to 20 dB. Left out: not known, so that such a "
        "link has no loss.",
    )
    to_smaller_core: NotNegative | None = Field(
        default=None,
        examples=[1.6],
        description="Loss from one multimode core into a smaller one, 62.5 to 50 um. Published "
        "on a page of optics-fibers.com, title not on record: 0.9 to 1.6 dB. Left out: not known.",
    )

    def step_db(self, before_um: float, after_um: float) -> float:
        """Loss in dB from one core into another.

        Parameters
        ----------
        before_um, after_um : float
            Core diameters in micrometres; NaN where not known.

        Returns
        -------
        float
            0 into an equal or larger core; NaN where a core is not known or no loss is stated.
        """
        if isnan(before_um) or isnan(after_um):
            return nan
        single = after_um < SINGLE_MODE_BELOW_UM
        if before_um <= after_um or (single and before_um < SINGLE_MODE_BELOW_UM):
            return 0.0
        stated = self.to_single_mode if single else self.to_smaller_core
        return nan if stated is None else stated


class Statistics(Table):
    """How losses vary: means and standard deviations; the greatest values are in [defaults].

    `k` standard deviations are added to the mean. The mean attenuation of a
    fibre type stands with the type.
    """

    k: NotNegative = Field(description="Standard deviations that are added to the mean.")
    splice_mean_db: NotNegative = Field(description="Mean loss of a splice.")
    splice_sigma_db: NotNegative = Field(description="Standard deviation of it.")
    connector_mean_db: NotNegative = Field(description="Mean loss of a mated pair of connectors.")
    connector_sigma_db: NotNegative = Field(description="Standard deviation of it.")
    fibre_sigma_db_per_km: NotNegative = Field(
        description="Standard deviation of the attenuation of a reel of fibre."
    )


class Reserve(Table):
    """Loss reserved for later where a link states no `reserve_db` of its own."""

    ageing_db: NotNegative = Field(description="Loss kept for ageing, per link.")
    repair_splices_per_km_year: NotNegative = Field(
        description="Splices that repairs will add, per kilometre of fibre and year."
    )
    repair_years: NotNegative = Field(description="Years for which repairs are reckoned.")


class Tests(Table):
    """How far a measurement may differ from the computed value, and how old it may be.

    Of the two tolerances, in per cent and in the unit of the value, the larger applies.
    """

    __test__ = False

    length_pct: NotNegative = Field(description="Tolerance of a measured length, in per cent.")
    length_m: NotNegative = Field(description="Tolerance of a measured length.")
    loss_pct: NotNegative = Field(description="Tolerance of a measured loss, in per cent.")
    loss_db: NotNegative = Field(description="Tolerance of a measured loss.")
    delay_pct: NotNegative = Field(description="Tolerance of a measured delay, in per cent.")
    delay_us: NotNegative = Field(description="Tolerance of a measured delay.")
    splice_db: NotNegative = Field(
        description="Loss of a splice, mean of both directions, above which it is listed as bad."
    )
    most_years: Positive = Field(
        description="Age from which a test, or one without a date, is listed as old."
    )


class PowerSystem(Table):
    """The power system that is protected."""

    frequency_hz: Positive = Field(
        description="Frequency, for the phase error that an asymmetry causes."
    )


class Recovery(Table):
    """Time to change to the other path, and whether rings loop back at a failure."""

    detection_ms: NotNegative = Field(description="Time until a failure is detected.")
    hold_off_ms: NotNegative = Field(
        description="Hold-off after that, so that another layer can restore the signal first."
    )
    switching_ms: NotNegative = Field(description="Until the other path carries the signal.")
    ring_turns_back: bool = Field(
        description="Whether rings turn back at a failure, so that a signal goes back and round "
        "the rest of the ring: that delay counts too. Equipment that the signal passes both out "
        "and back counts twice, the two nodes at which it is turned once."
    )


class RerouteRules(Table):
    """Weights of shared assets by kind or role, where no separate paths exist.

    `near` is for two segments that come too near or cross, `other` for all
    assets without a weight of their own.
    """

    weights: dict[str, Annotated[int, Field(ge=0, le=1_000_000)]] = Field(
        description="How bad it is to share a thing, by kind, else by role; near: two segments "
        "that come too near or cross; other: all else. A small whole number, since sums of them "
        "are compared."
    )

    @model_validator(mode="after")
    def _with_other(self) -> RerouteRules:
        if "other" not in self.weights:
            raise ValueError("state other, for kinds without a weight of their own")
        return self


ChangeKind = Literal["supply", "move", "optics", "room", "new_supply", "other"]
"""What a change at a site is, for its price."""
Price = Annotated[float, Field(ge=0, allow_inf_nan=False)]


class BuildRules(Table):
    """What building costs. No prices ship, as they are local: without any, cost is in metres.

    Whatever a proposal needs and no price is stated for has an unknown cost, never none.
    """

    unit: Annotated[str, Field(min_length=1, max_length=20, pattern=r"^\S(.*\S)?$")] | None = Field(
        default=None,
        examples=["EUR"],
        description="What the prices are in, such as a currency. Needed once a price or a budget "
        "is stated.",
    )
    per_m: Price | dict[str, Price] | None = Field(
        default=None,
        examples=[{"duct": 120, "span": 60, "other": 100}],
        description="Price of a metre of a new segment, with its cable and new pits: one for all, "
        "or by kind of segment, then other. Left out: not known.",
    )
    per_crossing: dict[str, Price] | None = Field(
        default=None,
        examples=[{"water": 9000, "roads": 2500}],
        description="Price of each crossing of a layer without a role, by the name of the layer, "
        "beside the metres. Left out, or a layer that is crossed and not named: not known.",
    )
    per_joint: Price | None = Field(
        default=None,
        examples=[800],
        description="Price of each joint that is made or opened, with the splices in it. Left out: "
        "not known.",
    )
    per_port: Price | None = Field(
        default=None,
        examples=[40],
        description="Price of each port that a new cord or a new end of a fibre takes; a cord "
        "takes one at each end for each of its fibres. Left out: not known.",
    )
    per_change: Price | dict[ChangeKind, Price] | None = Field(
        default=None,
        examples=[{"supply": 900, "move": 2500, "optics": 700, "room": 60000, "new_supply": 15000}],
        description="Price of each change at a site: one for all, or by what it is, then other: "
        "supply (equipment fed from another supply on record), move (equipment put elsewhere), "
        "optics (fitted at one end of a link), room (a new room with a rack), new_supply (a new "
        "supply with its charger). Left out: not known.",
    )
    budget: Price | None = Field(
        default=None,
        examples=[50000],
        description="Most that a proposal may cost, unless --budget says otherwise. Left out: no "
        "limit.",
    )

    @model_validator(mode="after")
    def _in_a_unit(self) -> BuildRules:
        stated = [name for name in type(self).model_fields if getattr(self, name) is not None]
        if stated and self.unit is None:
            raise ValueError(
                f"state unit, such as a currency: {', '.join(stated)} of [build] "
                f"{'is' if len(stated) == 1 else 'are'} in it"
            )
        return self

    def of_metre(self, kind: str) -> float | None:
        """Price of a metre of a segment of a kind; None where it is not stated."""
        return _price(self.per_m, kind)

    def of_change(self, kind: str) -> float | None:
        """Price of a change at a site of a kind of `ChangeKind`; None where it is not stated."""
        return _price(self.per_change, kind)


def _price(stated: float | Mapping[Any, float] | None, kind: str) -> float | None:
    """The price of a kind, else of all others, else None."""
    if isinstance(stated, Mapping):
        return stated.get(kind, stated.get(OTHER_KIND))
    return stated


DEFAULT_SERVICE = "default"
OTHER_KIND = "other"
"""Key in tables by kind that stands for every kind without a key of its own."""

_WHOLE_KEYS = frozenset({"separation_m", "forbid_cross", "ignore_kinds", "excuse", "passive"})
"""Keys whose value a user replaces as a whole; other tables are merged key by key."""

_UNITS = (
    ("db_per_km", "dB/km"),
    ("per_km_year", "1/(km a)"),
    ("per_year", "1/a"),
    ("ps_nm_km", "ps/(nm km)"),
    ("ps_nm2_km", "ps/(nm2 km)"),
    ("mhz_km", "MHz km"),
    ("us_per_m", "us/m"),
    ("per_m", "1/m"),
    ("_us", "us"),
    ("_ms", "ms"),
    ("_hz", "Hz"),
    ("_years", "a"),
    ("_db", "dB"),
    ("_dbm", "dBm"),
    ("_nm", "nm"),
    ("_mm", "mm"),
    ("_um", "um"),
    ("_m", "m"),
    ("_pct", "%"),
    ("_h", "h"),
    ("oldest", "d"),
)


def _kind_pair(pair: str) -> str:
    first, slash, second = pair.partition("/")
    if not (slash and first.strip() and second.strip()) or "/" in second:
        raise ValueError("expected two kinds with a stroke between, such as 'span/span'")
    return "/".join(sorted((first.strip(), second.strip())))


def _medium(name: str) -> str:
    known = ROLES["links"].column["medium"].choices
    if name not in known:
        raise ValueError(f"expected one of {', '.join(known)}{did_you_mean(name, known)}")
    return name


MediumName = Annotated[str, AfterValidator(_medium)]
Share = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]
KindPair = Annotated[str, AfterValidator(_kind_pair)]
Text = Annotated[str, Field(min_length=1)]


class Service(Table):
    """Limits of one class of circuits; None means that there is no limit.

    `separation_m` and `forbid_cross` hold for all kinds, or for the pairs of kinds they list.
    `tail` says whether assets of all paths inside an end site, before the paths separate, count
    as shared. `own_line` is for assets that put a path and the line that the circuit protects
    out of service at once: none of them count as shared, those that leave no path, or all.
    """

    max_delay_us: Positive | None = Field(
        default=None, description="Longest one-way delay of any path. Left out: no limit."
    )
    max_asymmetry_us: NotNegative | None = Field(
        default=None,
        examples=[200],
        description="Greatest difference between the delays of the two directions, in every state "
        "that switching can leave the circuit in. Left out: no limit.",
    )
    min_margin_db: Annotated[float, Field(allow_inf_nan=False)] | None = Field(
        default=None, description="Least optical margin of every link. Left out: no limit."
    )
    separation_m: NotNegative | dict[KindPair, NotNegative] = Field(
        default=0.0,
        description="Paths that come closer than this outside the end zones are near each other; "
        "0: never. By pairs of kinds, a pair that is not named has no limit.",
    )
    end_zone_m: NotNegative = Field(
        default=0.0,
        description="Around the circuit's two end sites, within which coming near or crossing is "
        "unavoidable.",
    )
    forbid_cross: bool | tuple[KindPair, ...] = Field(
        default=False,
        description="Whether the paths may not cross in plan outside the end zones, or the pairs "
        "of kinds that may not.",
    )
    group_test: Literal["working", "all", "pairwise"] = Field(
        default="working",
        description="Which paths of a group's members are held against each other: the main path "
        "of each, every path of each, or any path of one against any path of another.",
    )
    max_unavailability: Share | None = Field(
        default=None,
        examples=[1e-5],
        description="Greatest share of time with every path down. Left out: no limit.",
    )
    max_recovery_ms: NotNegative | None = Field(
        default=None,
        description="Longest time without signalling while the circuit changes over. Left out: "
        "no limit.",
    )
    tail: Literal["excused", "shared"] = Field(
        default="excused",
        description="What every path runs through inside an end site before the paths part: listed "
        "apart, or counted as shared.",
    )
    own_line: Literal["excused", "shared", "any"] = Field(
        default="excused",
        description="Assets that take a path together with what the circuit protects: listed only, "
        "counted as shared where no path remains, or always.",
    )

    def separation_between_m(self, kind: str, other: str) -> float:
        """Least distance in metres between plant of two kinds; 0 where there is no limit.

        Parameters
        ----------
        kind, other : str
            Kinds of segments, in any order.

        Returns
        -------
        float
        """
        if isinstance(self.separation_m, dict):
            return self.separation_m.get("/".join(sorted((kind, other))), 0.0)
        return self.separation_m

    def widest_separation_m(self) -> float:
        """Greatest distance in metres that any pair of kinds has to keep."""
        if isinstance(self.separation_m, dict):
            return max(self.separation_m.values(), default=0.0)
        return self.separation_m

    def forbids_cross(self, kind: str, other: str) -> bool:
        """Whether plant of two kinds may not cross in plan."""
        if isinstance(self.forbid_cross, bool):
            return self.forbid_cross
        return "/".join(sorted((kind, other))) in self.forbid_cross


class UnknownService(Service):
    """Limits of a circuit whose service the rules do not know: any limit may apply to it."""


_UNKNOWN_SERVICE = UnknownService()


class Defaults(Table):
    """Values where the layers state none. Tables by cable kind have a key `other`."""

    splice_db: NotNegative = Field(description="Loss of a splice that states none.")
    connector_db: NotNegative = Field(description="Loss of a mated pair of connectors.")
    connectors: Annotated[int, Field(ge=0)] = Field(
        description="Mated pairs on a link that states none."
    )
    overlength_pct: dict[str, Annotated[float, Field(ge=0, le=100)]] = Field(
        description="How much longer fibre is than its cable's route, by cable kind, where the "
        "cable states none."
    )
    slack_m: dict[str, NotNegative] = Field(
        description="Coils and loops of a cable that states none, by cable kind."
    )
    reel_m: dict[str, Positive] = Field(
        description="Length of fibre on a reel, by cable kind: one splice is estimated per full "
        "reel between recorded joints, and a longer stretch without a joint is a gap."
    )
    down_lead_m: dict[str, NotNegative] = Field(
        description="Cable from a span down to its joint, at each end that hangs on a span, by "
        "cable kind. Only for whether a drum reaches."
    )
    tail_m: NotNegative = Field(
        description="Cable kept at each end. Only for whether a drum reaches."
    )
    cord_m: NotNegative = Field(
        description="Length of a patch cord that states none; it counts for the delay of links "
        "traced over it."
    )
    cord_us_per_m: NotNegative = Field(description="Delay of a patch cord, per metre.")
    same_place_m: NotNegative = Field(
        description="Two structures of one kind closer than this are a gap: they may be one, "
        "recorded twice."
    )
    survey_accuracy_m: NotNegative = Field(
        description="How far plant may lie from its record where neither its row nor its layer "
        "says: a dig reaches so much farther."
    )
    wavelength_tolerance_nm: NotNegative = Field(
        description="How far a wavelength may lie from one that figures are stated for."
    )
    mode_mismatch_db: ModeMismatch = Field(
        default=ModeMismatch(),
        description="What the light loses where it goes on in a smaller core.",
    )


class Failure(Table):
    """How often something of one kind (or role) fails, and how long until it works again."""

    per_km_year: NotNegative | None = Field(
        default=None,
        examples=[1e-3],
        description="Failures per kilometre and year. State this or per_year.",
    )
    per_year: NotNegative | None = Field(
        default=None,
        examples=[0.01],
        description="Failures per year of the whole thing. State this or per_km_year.",
    )
    repair_h: NotNegative = Field(description="Mean time until it works again.")

    @model_validator(mode="after")
    def _one_rate(self) -> Failure:
        if (self.per_km_year is None) == (self.per_year is None):
            raise ValueError("state either per_km_year or per_year")
        return self


class Medium(Table):
    """Values common to hops of one medium."""

    group_index: GroupIndex = Field(
        description="Group index: how many times slower than light in a vacuum a signal is. Of "
        "fibre, where its type states none at the wavelength."
    )


Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
_WEEKDAYS: tuple[str, ...] = get_args(Weekday)


class WorksRules(Table):
    """The days on which works are carried out; for the order that `dig --plan` proposes."""

    days: tuple[Weekday, ...] | None = Field(
        default=None,
        examples=[["mon", "tue", "wed", "thu", "fri"]],
        description="Days of the week on which works are carried out: the order that `dig --plan` "
        "proposes keeps to them. Left out: every day.",
    )
    closed: tuple[date, ...] | None = Field(
        default=None,
        examples=[[date(2026, 12, 25)]],
        description="Days on which no works are carried out, whatever day of the week.",
    )

    def working(self, day: int) -> bool:
        """Whether works are carried out on a day, counted from 1970-01-01."""
        on = date(1970, 1, 1) + timedelta(days=day)
        return (not self.days or _WEEKDAYS[on.weekday()] in self.days) and on not in (
            self.closed or ()
        )


class RelianceRules(Table):
    """What counts as reliance."""

    ignore_kinds: tuple[str, ...] = Field(
        default=(),
        description="Kinds of holders too large to mean anything, such as a region or an owner: "
        "not reported as shared. Each one left out is an assumption to sign.",
    )


class Groups(Table):
    """What members of a group may share at the sites where they end, apart from the sites.

    `excuse` lists kinds of assets on which the members' own end equipment relies.
    """

    excuse: tuple[Text, ...] = Field(
        default=(),
        description="Kinds that members of a group may share at their ends, such as a room. Each "
        "is an assumption to sign.",
    )


Blank = Literal["gap", "none"]
_Value = TypeVar("_Value")


class Oldest(Table):
    """How old, in days, a record may be before it is a gap; None: ages are listed only."""

    survey: Positive | None = Field(
        default=None,
        examples=[3650],
        description="Age in days from which a survey is a gap, as is one without a date. Left "
        "out: ages are listed only.",
    )
    test: Positive | None = Field(
        default=None, examples=[1825], description="The same of a test result."
    )
    leased_route: Positive | None = Field(
        default=None,
        examples=[400],
        description="The same of what was stated about a leased route. Where it is set, a "
        "statement that nobody is on record as having made (stated_by) is a gap too.",
    )


class RecordRules(Table):
    """What a blank means: `gap` makes what relies on it unproven, `none` takes it as none.

    `within`, `needs` and `delay_us` hold by kind, then role, then `other`; a
    delay may also be a figure in microseconds. What is of a `passive` kind
    needs no supply and adds no delay.
    """

    within: dict[str, Blank] = Field(
        description="What a blank `within` means: one word for everything, or by kind, then role, "
        "then other."
    )
    supplies: Blank = Field(
        description="What blank `supplies` of equipment mean that is not passive."
    )
    needs: dict[str, Blank] = Field(
        description="What blank `needs` mean: one word for everything, or by kind, then role, "
        "then other."
    )
    delay_us: dict[str, Blank | NotNegative] = Field(
        description="What a blank `delay_us` means of equipment that a link ends on or passes and "
        "that is not passive: a word, or a figure that holds instead; for everything, or by kind, "
        "then other."
    )
    passive: tuple[Text, ...] = Field(
        description="Kinds of equipment that need no supply and add no delay."
    )
    oldest: Oldest = Field(
        default=Oldest(), description="How old a record may be before it is a gap."
    )

    def of_within(self, kind: object, role: str) -> Blank:
        """What a blank `within` means for a kind and role."""
        return _by_kind(self.within, kind, role)

    def of_needs(self, kind: object, role: str) -> Blank:
        """What a blank `needs` means for a kind and role."""
        return _by_kind(self.needs, kind, role)

    def of_delay(self, kind: object) -> Blank | float:
        """What a blank `delay_us` of equipment of a kind means; a figure is in microseconds."""
        return _by_kind(self.delay_us, kind, "equipment")


def _by_kind(table: Mapping[str, _Value], kind: object, role: str) -> _Value:
    """The value for a kind, else for a role, else for all others."""
    for key in (kind, role):
        if isinstance(key, str) and key in table:
            return table[key]
    return table[OTHER_KIND]


class Waiver(Table):
    """A shared asset, near approach or crossing that is accepted on record.

    `circuit` is the id of a circuit or the name of a group. `asset` waives one
    asset, `within` everything in one, `pair` a near approach or a crossing.
    `record` is the digest of what was accepted; the waiver ends when it changes.
    """

    circuit: Text = Field(
        examples=["C1"], description="Id of the circuit or group that it holds for."
    )
    asset: Text | None = Field(
        default=None,
        examples=["P-9"],
        description="Id of the shared asset that is accepted. State this, within or pair.",
    )
    within: Text | None = Field(
        default=None,
        examples=["TRENCH-2"],
        description="Id of the thing in which all that is shared is accepted; needs record.",
    )
    pair: tuple[Text, Text] | None = Field(
        default=None,
        examples=[["D-5", "S-3"]],
        description="Ids of the two segments whose near approach or crossing is accepted.",
    )
    reason: Text = Field(
        examples=["until the second entry is built"], description="Why it is accepted."
    )
    by: Text = Field(
        examples=["head of protection"], description="Who accepted it: a role or a reference."
    )
    until: date = Field(
        examples=[date(2027, 6, 30)], description="The last day on which it counts."
    )
    record: Annotated[str, Field(pattern="^[0-9a-f]{12}$")] | None = Field(
        default=None,
        examples=["3f9a1c0b7d2e"],
        description="Digest of what is accepted, as `waysapart prove --circuit` prints it. The "
        "waiver no longer counts when that record changes.",
    )

    @model_validator(mode="after")
    def _one_subject(self) -> Waiver:
        stated = [one for one in (self.asset, self.within, self.pair) if one is not None]
        if len(stated) != 1:
            raise ValueError("state one of asset (one id), within (one id) and pair (two ids)")
        if self.within is not None and self.record is None:
            raise ValueError(
                "within needs record, the digest of what is accepted, as "
                "`waysapart prove --circuit ID` prints it"
            )
        return self

    def counts_on(self, day: date) -> bool:
        """Whether the waiver is valid on a day; `until` is its last day."""
        return day <= self.until


@dataclass(frozen=True, slots=True)
class StatedValue:
    """One value taken from the rules, as the report lists it."""

    key: str
    value: object
    unit: str
    source: str


class Rules(Table):
    """All rules of a study: the shipped ones with the study's own laid over them."""

    services: dict[str, Service] = Field(
        description="Limits by service, as circuits name it; those of `default` hold for circuits "
        "without a service, and where a service states nothing."
    )
    fibres: dict[str, Fibre] = Field(description="Fibre types, by the name that cables give.")
    defaults: Defaults = Field(description="What holds where the layers say nothing.")
    failures: dict[str, Failure] = Field(
        description="How often things fail and how long repair takes, by kind, else by role."
    )
    media: dict[MediumName, Medium] = Field(description="What is common to links of one medium.")
    statistics: Statistics = Field(description="How losses vary, for the statistical loss.")
    reserve: Reserve = Field(description="Loss kept for later where a link states no `reserve_db`.")
    tests: Tests = Field(
        description="How far a test may lie from the computed figure, and how old it may be. Of "
        "the two tolerances, per cent and plain, the larger one holds."
    )
    power_system: PowerSystem = Field(description="The power system that is protected.")
    recovery: Recovery = Field(description="How long a change to the other path takes.")
    reroute: RerouteRules = Field(
        description="What `reroute` avoids first where no separate paths exist."
    )
    build: BuildRules = Field(
        default=BuildRules(),
        description="What building costs, for the proposals of `reroute`. No prices ship, as they "
        "are local: without this table the cost of a proposal is its length in metres. What has no "
        "price here has an unknown cost, never none.",
    )
    records: RecordRules = Field(
        description="What a blank means: `gap` makes what relies on it unproven, `none` takes it "
        "as none, which is an assumption to sign."
    )
    groups: Groups = Field(
        default=Groups(),
        description="What members of a group may share at the sites where they end.",
    )
    reliance: RelianceRules = Field(
        default=RelianceRules(), description="What counts as relied on."
    )
    works: WorksRules = Field(
        default=WorksRules(),
        description="The days on which works are carried out, for plans of works. No verdict "
        "rests on it.",
    )
    waivers: tuple[Waiver, ...] = Field(
        default=(),
        alias="waiver",
        description="What somebody accepts, on record. Any number of them, one table each.",
    )
    _rows: tuple[tuple[tuple[str, ...], object, str], ...] = PrivateAttr(default=())
    _own: Mapping[str, Any] = PrivateAttr(default_factory=dict)
    _file: str = PrivateAttr(default="")

    @property
    def file(self) -> str:
        """Name of the study's own file of rules; '' where only the shipped ones hold."""
        return self._file

    def service(self, name: str | None) -> Service:
        """Limits of a circuit's service; blank or missing: `default`."""
        known = name if isinstance(name, str) and name else DEFAULT_SERVICE
        return self.services.get(known, _UNKNOWN_SERVICE)

    def by_kind(
        self, key: Literal["overlength_pct", "slack_m", "reel_m", "down_lead_m"], kind: object
    ) -> float:
        """Look up a default by cable kind.

        Parameters
        ----------
        key : {'overlength_pct', 'slack_m', 'reel_m', 'down_lead_m'}
        kind : object
            Kind of the cable; blank and unknown kinds have the value of `other`.

        Returns
        -------
        float
            In the unit at the end of `key`.
        """
        table: dict[str, float] = getattr(self.defaults, key)
        return table[kind] if isinstance(kind, str) and kind in table else table[OTHER_KIND]

    @property
    def cable_kinds(self) -> set[str]:
        """Kinds of cable that have defaults of their own."""
        defaults = self.defaults
        tables = (
            defaults.overlength_pct,
            defaults.slack_m,
            defaults.reel_m,
            defaults.down_lead_m,
        )
        return {kind for table in tables for kind in table} - {OTHER_KIND}

    def failure(self, kind: object, role: str) -> Failure | None:
        """Failure data of a kind, or of the role where the kind has none.

        Parameters
        ----------
        kind : object
            Kind of the asset; may be blank.
        role : str

        Returns
        -------
        Failure or None
            None where the rules state neither.
        """
        found = self.failures.get(kind) if isinstance(kind, str) else None
        return found or self.failures.get(role)

    def assumptions(
        self,
        *,
        services: Collection[str] | None = None,
        fibres: Collection[str] | None = None,
        failures: Collection[str] | None = None,
        media: Collection[str] | None = None,
        weights: Collection[str] | None = (),
        prices: bool = False,
    ) -> tuple[StatedValue, ...]:
        """Every value in force with its unit and source.

        Parameters
        ----------
        services, fibres, failures, media : collection of str, optional
            Keys of these tables that were used; None: all of them.
        weights : collection of str, optional
            Weights of rerouting that were used; no other answer rests on them.
        prices : bool
            Whether the prices of building are meant too; only proposals rest on them.

        Returns
        -------
        tuple of StatedValue
            In the order of the shipped file; a value from the study's own
            rules has that file's name as its source.
        """
        used = {
            "services": services,
            "fibres": fibres,
            "failures": failures,
            "media": media,
            "reroute": weights,
        }
        return tuple(
            StatedValue(dotted(path), value, unit_of(path), source)
            for path, value, source in self._rows
            if (path[0] != "build" or prices)
            and path[0] != "works"
            and (
                len(path) == 1
                or used.get(path[0]) is None
                or path[2 if path[0] == "reroute" else 1] in (used[path[0]] or ())
            )
        )

    def own(self) -> Mapping[str, Any]:
        """What the study's own rules file states, as read (for writing it again)."""
        return MappingProxyType(dict(self._own))


_MODELS: Mapping[str, Any] = MappingProxyType(
    {
        "services": Service,
        "fibres": Fibre,
        "defaults": Defaults,
        "failures": Failure,
        "media": Medium,
        "statistics": Statistics,
        "reserve": Reserve,
        "tests": Tests,
        "power_system": PowerSystem,
        "recovery": Recovery,
        "reroute": RerouteRules,
        "build": BuildRules,
        "records": RecordRules,
        "groups": Groups,
        "reliance": RelianceRules,
        "works": WorksRules,
        "waiver": Waiver,
    }
)


def unit_of(path: tuple[str, ...]) -> str:
    """Unit of a rule, from the last of its keys with a unit.

    Parameters
    ----------
    path : tuple of str
        Keys from the table down.

    Returns
    -------
    str
        Empty where no key has a unit.

    Examples
    --------
    >>> unit_of(("services", "default", "max_delay_us"))
    'us'
    """
    for key in reversed(path):
        for ending, unit in _UNITS:
            if key == ending.lstrip("_") or key.endswith(ending):
                return unit
    return ""


_EXPLAINED = "docs/rules.md explains every key, and so does the rules.toml of `waysapart blank`"


def shipped_rules() -> Rules:
    """The rules that ship with the package."""
    return _build({}, "")


def read_rules(path: Path, file: str, ledger: Ledger) -> Rules | None:
    """Read a study's own rules and lay them over the shipped ones.

    The most specific statement wins: shipped `services.default`, then the study's, then the
    shipped service, then the study's.

    Parameters
    ----------
    path : Path
    file : str
        Name of the file in messages and as the source of its values.
    ledger : Ledger
        Collects every fault of the file.

    Returns
    -------
    Rules or None
        None where the file has a fault.
    """
    loaded = load_toml(path, file, ledger)
    if loaded is None:
        return None
    own, read = loaded
    ledger.inputs.append(read)
    try:
        return _build(own, file)
    except ValidationError as error:
        tell_faults(error, file, ledger, _MODELS, Rules, _EXPLAINED)
        return None


@lru_cache(maxsize=1)
def _shipped() -> tuple[Mapping[str, Any], Mapping[str, str]]:
    text = (files("waysapart.study") / "default_rules.toml").read_text(encoding="utf-8")
    tables = tomllib.loads(text)
    sources = tables.pop("sources")
    return tables, sources


def shipped_tables() -> Mapping[str, Any]:
    """The shipped file as read, without its sources."""
    return _shipped()[0]


def source_of(path: tuple[str, ...]) -> str:
    """Source of a shipped value.

    Parameters
    ----------
    path : tuple of str
        Keys from the table down.

    Returns
    -------
    str

    Raises
    ------
    KeyError
        The shipped file states none.
    """
    return _source_of(path, _shipped()[1])


def _build(own: Mapping[str, Any], file: str) -> Rules:
    shipped, shipped_sources = _shipped()
    sources: dict[tuple[str, ...], str] = {}
    merged: dict[str, Any] = {}
    _lay_over(merged, shipped, (), sources, None)
    _lay_over(merged, _one_word(own), (), sources, file)
    names = merged.get("services")
    if isinstance(names, dict) and isinstance(names.get(DEFAULT_SERVICE), dict):
        base = names[DEFAULT_SERVICE]
        for name, service in names.items():
            if isinstance(service, dict):
                for key, value in base.items():
                    if key not in service:
                        service[key] = value
                        origin = ("services", DEFAULT_SERVICE, key)
                        sources[("services", name, key)] = sources.get(origin) or _source_of(
                            origin, shipped_sources
                        )
    for name in ("services", "fibres"):
        _in_order_of_fields(merged.get(name), _MODELS[name])
    rules = Rules.model_validate(merged)
    rules._own = _without_empty(own, shipped)
    rules._file = file
    rules._rows = tuple(
        (path, value, sources.get(path) or _source_of(path, shipped_sources))
        for path, value in _leaves({k: v for k, v in merged.items() if k != "waiver"}, ())
    )
    return rules


def _in_order_of_fields(tables: object, model: type[Table]) -> None:
    """Put the keys of every table of one model in its order, in whichever a file has them."""
    for table in tables.values() if isinstance(tables, dict) else ():
        if isinstance(table, dict):
            known = [key for key in model.model_fields if key in table]
            stated = {key: table[key] for key in dict.fromkeys([*known, *table])}
            table.clear()
            table.update(stated)


def _without_empty(own: Mapping[str, Any], shipped: Mapping[str, Any]) -> dict[str, Any]:
    """Own rules without tables that state nothing; a new name with an empty table states it."""
    kept = {}
    for key, value in own.items():
        known = shipped.get(key)
        if isinstance(value, dict) and isinstance(known, dict) and key not in _WHOLE_KEYS:
            stated = _without_empty(value, known)
            if stated:
                kept[key] = stated
        else:
            kept[key] = value
    return kept


def _one_word(own: Mapping[str, Any]) -> Mapping[str, Any]:
    """Rules in which a word or figure for all kinds of `[records]` stands once per key."""
    records = own.get("records")
    if not isinstance(records, dict):
        return own
    shipped = _shipped()[0]["records"]
    spread = {
        key: dict.fromkeys(shipped[key], value)
        if isinstance(shipped.get(key), dict) and key != "oldest" and not isinstance(value, dict)
        else value
        for key, value in records.items()
    }
    return {**own, "records": spread}


def _lay_over(
    under: dict[str, Any],
    over: Mapping[str, Any],
    path: tuple[str, ...],
    sources: dict[tuple[str, ...], str],
    source: str | None,
) -> None:
    """Put `over` on top of `under`, table by table, noting which values `source` gave."""
    for key, value in over.items():
        here = (*path, key)
        if isinstance(value, dict) and key not in _WHOLE_KEYS:
            if not isinstance(under.get(key), dict):
                under[key] = {}
            _lay_over(under[key], value, here, sources, source)
            _state_one_rate(under[key], value, here)
        else:
            under[key] = value
            if source is not None:
                sources[here] = source


def _state_one_rate(
    merged: dict[str, Any], stated: Mapping[str, Any], path: tuple[str, ...]
) -> None:
    """Let a stated failure rate replace a shipped one given the other way."""
    if len(path) == 2 and path[0] == "failures":
        for rate, other in (("per_year", "per_km_year"), ("per_km_year", "per_year")):
            if rate in stated and other not in stated:
                merged.pop(other, None)


def _leaves(
    table: Mapping[str, Any], path: tuple[str, ...]
) -> Iterator[tuple[tuple[str, ...], object]]:
    for key, value in table.items():
        if isinstance(value, dict) and key not in _WHOLE_KEYS:
            yield from _leaves(value, (*path, key))
        else:
            yield (*path, key), value


def _source_of(path: tuple[str, ...], sources: Mapping[str, str]) -> str:
    """The source stated for a key or the nearest table above it."""
    for length in range(len(path), 0, -1):
        found = sources.get(dotted(path[:length]))
        if found is not None:
            return found
    raise KeyError(f"default_rules.toml states no source for {dotted(path)}")
