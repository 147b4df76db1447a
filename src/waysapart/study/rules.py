"""The rules: limits, catalogue values, defaults and waivers, each value with its source."""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any, Literal, TypeVar

from pydantic import AfterValidator, Field, PrivateAttr, ValidationError, model_validator

from waysapart.errors import StudyError
from waysapart.study.figure_rules import (
    Fibre,
    GroupIndex,
    NotNegative,
    Positive,
    PowerSystem,
    Recovery,
    Reroute,
    Reserve,
    Statistics,
    Tests,
)
from waysapart.study.ledger import Ledger
from waysapart.study.toml_input import Table, dotted, load_toml, tell_faults

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
    ("_us", "us"),
    ("_ms", "ms"),
    ("_hz", "Hz"),
    ("_years", "a"),
    ("_db", "dB"),
    ("_dbm", "dBm"),
    ("_nm", "nm"),
    ("_mm", "mm"),
    ("_m", "m"),
    ("_pct", "%"),
    ("_h", "h"),
)


def _kind_pair(pair: str) -> str:
    first, slash, second = pair.partition("/")
    if not (slash and first.strip() and second.strip()) or "/" in second:
        raise ValueError("expected two kinds with a stroke between, such as 'span/span'")
    return "/".join(sorted((first.strip(), second.strip())))


Share = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]
KindPair = Annotated[str, AfterValidator(_kind_pair)]
Text = Annotated[str, Field(min_length=1)]


class Service(Table):
    """Limits of one class of circuits; None means that there is no limit.

    `separation_m` and `forbid_cross` hold for all kinds, or for the pairs of kinds they list.
    `tail` says whether what all paths run through inside an end site, before they part, counts
    as shared. `own_line` says which assets count as shared that take a path and the line that
    the circuit protects at once: none of them, those that leave no path, or any.
    """

    max_delay_us: Positive | None = None
    max_asymmetry_us: NotNegative | None = None
    min_margin_db: Annotated[float, Field(allow_inf_nan=False)] | None = None
    separation_m: NotNegative | dict[KindPair, NotNegative] = 0.0
    end_zone_m: NotNegative = 0.0
    forbid_cross: bool | tuple[KindPair, ...] = False
    group_test: Literal["working", "all", "pairwise"] = "working"
    max_unavailability: Share | None = None
    max_recovery_ms: NotNegative | None = None
    tail: Literal["excused", "shared"] = "excused"
    own_line: Literal["excused", "shared", "any"] = "excused"

    def separation_between_m(self, kind: str, other: str) -> float:
        """Least distance in metres between plant of two kinds; 0 where there is no limit."""
        if isinstance(self.separation_m, dict):
            return self.separation_m.get("/".join(sorted((kind, other))), 0.0)
        return self.separation_m

    def widest_separation_m(self) -> float:
        """The greatest distance in metres that any pair of kinds has to keep."""
        if isinstance(self.separation_m, dict):
            return max(self.separation_m.values(), default=0.0)
        return self.separation_m

    def forbids_cross(self, kind: str, other: str) -> bool:
        """Whether plant of two kinds may not cross in plan."""
        if isinstance(self.forbid_cross, bool):
            return self.forbid_cross
        return "/".join(sorted((kind, other))) in self.forbid_cross


class Defaults(Table):
    """What counts where the layers say nothing. Tables by cable kind have a key `other`."""

    splice_db: NotNegative
    connector_db: NotNegative
    connectors: Annotated[int, Field(ge=0)]
    overlength_pct: dict[str, Annotated[float, Field(ge=0, le=100)]]
    slack_m: dict[str, NotNegative]
    reel_m: dict[str, Positive]
    down_lead_m: dict[str, NotNegative]
    tail_m: NotNegative
    same_place_m: NotNegative
    survey_accuracy_m: NotNegative
    wavelength_tolerance_nm: NotNegative


class Failure(Table):
    """How often something of one kind (or role) fails, and how long until it works again."""

    per_km_year: NotNegative | None = None
    per_year: NotNegative | None = None
    repair_h: NotNegative

    @model_validator(mode="after")
    def _one_rate(self) -> Failure:
        if (self.per_km_year is None) == (self.per_year is None):
            raise ValueError("state either per_km_year or per_year")
        return self


class Medium(Table):
    """What is common to hops of one medium."""

    group_index: GroupIndex


class Reliance(Table):
    """What counts as relied on."""

    ignore_kinds: tuple[str, ...] = ()


class Groups(Table):
    """What members of a group may share at the sites where they end, beyond the sites.

    `excuse` lists kinds of what the members' own end equipment relies on.
    """

    excuse: tuple[Text, ...] = ()


Blank = Literal["gap", "none"]
_Value = TypeVar("_Value")


class Oldest(Table):
    """How old, in days, a record may be before it is a gap; None: ages are listed only."""

    survey: Positive | None = None
    test: Positive | None = None
    leased_route: Positive | None = None


class Records(Table):
    """What a blank means: `gap` makes what relies on it unproven, `none` takes it as none.

    `within`, `needs` and `delay_us` hold by kind, then role, then `other`; a
    delay may also be a figure in microseconds. What is of a `passive` kind
    needs no supply and adds no delay.
    """

    within: dict[str, Blank]
    supplies: Blank
    needs: dict[str, Blank]
    delay_us: dict[str, Blank | NotNegative]
    passive: tuple[Text, ...]
    oldest: Oldest = Oldest()

    def of_within(self, kind: object, role: str) -> Blank:
        """What a blank `within` means for a kind and role."""
        return _by_kind(self.within, kind, role)

    def of_needs(self, kind: object, role: str) -> Blank:
        """What a blank `needs` means for a kind and role."""
        return _by_kind(self.needs, kind, role)

    def of_delay(self, kind: object) -> Blank | float:
        """What a blank `delay_us` of equipment of a kind means; a figure is in microseconds."""
        return _by_kind(self.delay_us, kind, "equipment")

    def is_passive(self, kind: object) -> bool:
        """Whether equipment of a kind needs no supply and adds no delay."""
        return isinstance(kind, str) and kind in self.passive


def _by_kind(table: Mapping[str, _Value], kind: object, role: str) -> _Value:
    """The value for a kind, else for a role, else for all others."""
    for key in (kind, role):
        if isinstance(key, str) and key in table:
            return table[key]
    return table[OTHER_KIND]


class Waiver(Table):
    """A shared asset, or a near approach or crossing, that somebody accepts, on record.

    `circuit` is the id of a circuit or the name of a group. `asset` waives one
    asset, `within` all that lies in one, `pair` a near approach or a crossing.
    `record` is the digest of what was accepted; the waiver ends when it changes.
    """

    circuit: Text
    asset: Text | None = None
    within: Text | None = None
    pair: tuple[Text, Text] | None = None
    reason: Text
    by: Text
    until: date
    record: Annotated[str, Field(pattern="^[0-9a-f]{12}$")] | None = None

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
        """Whether the waiver counts on a day; `until` is the last day that it does."""
        return day <= self.until


@dataclass(frozen=True, slots=True)
class Assumption:
    """One value that the rules put in, as the report lists it."""

    key: str
    value: object
    unit: str
    source: str


class Rules(Table):
    """All rules of a study: the shipped ones with the study's own laid over them."""

    services: dict[str, Service]
    fibres: dict[str, Fibre]
    defaults: Defaults
    failures: dict[str, Failure]
    media: dict[str, Medium]
    statistics: Statistics
    reserve: Reserve
    tests: Tests
    power_system: PowerSystem
    recovery: Recovery
    reroute: Reroute
    records: Records
    groups: Groups = Groups()
    reliance: Reliance = Reliance()
    waivers: tuple[Waiver, ...] = Field(default=(), alias="waiver")
    _rows: tuple[tuple[tuple[str, ...], object, str], ...] = PrivateAttr(default=())
    _own: Mapping[str, Any] = PrivateAttr(default_factory=dict)

    def service(self, name: str | None) -> Service:
        """Limits of a circuit's service; blank or missing: `default`. KeyError where unknown."""
        return self.services[name if isinstance(name, str) and name else DEFAULT_SERVICE]

    def by_kind(
        self, key: Literal["overlength_pct", "slack_m", "reel_m", "down_lead_m"], kind: object
    ) -> float:
        """A default by cable kind, in the unit its name ends with."""
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
        """Failure data of a kind, else of a role, else None."""
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
    ) -> tuple[Assumption, ...]:
        """Every value in force with its unit and source.

        Parameters
        ----------
        services, fibres, failures, media : collection of str, optional
            Keys of these tables that were used; None: all of them.
        weights : collection of str, optional
            Weights of rerouting that were used; no other answer rests on them.

        Returns
        -------
        tuple of Assumption
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
            Assumption(dotted(path), value, unit_of(path), source)
            for path, value, source in self._rows
            if len(path) == 1
            or used.get(path[0]) is None
            or path[2 if path[0] == "reroute" else 1] in (used[path[0]] or ())
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
        "reroute": Reroute,
        "records": Records,
        "groups": Groups,
        "reliance": Reliance,
        "waiver": Waiver,
    }
)


def unit_of(path: tuple[str, ...]) -> str:
    """Unit of a rule, from the last of its keys that ends in one; '' where it has none."""
    for key in reversed(path):
        for ending, unit in _UNITS:
            if key == ending.lstrip("_") or key.endswith(ending):
                return unit
    return ""


def shipped_rules() -> Rules:
    """The rules that ship with the package."""
    return _build({}, "")


def read_rules(path: Path, file: str, ledger: Ledger) -> Rules | None:
    """The shipped rules with a study's own laid over them.

    The most specific statement wins: shipped `services.default`, then the
    study's, then the shipped service, then the study's.

    Parameters
    ----------
    path : Path
    file : str
        Name of the file in messages and as the source of its values.
    ledger : Ledger
        Takes every fault of the file; None is returned where there is one.
    """
    own = load_toml(path, file, ledger)
    if own is None:
        return None
    try:
        return _build(own, file)
    except ValidationError as error:
        tell_faults(error, file, ledger, _MODELS, Rules)
        return None


def load_rules(path: Path) -> Rules:
    """Rules from a file, outside a study.

    Raises
    ------
    StudyError
        With every fault of the file.
    """
    ledger = Ledger()
    rules = read_rules(path, path.name, ledger)
    if rules is None:
        raise StudyError(ledger.problems)
    return rules


@lru_cache(maxsize=1)
def _shipped() -> tuple[Mapping[str, Any], Mapping[str, str]]:
    text = (files("waysapart.study") / "default_rules.toml").read_text(encoding="utf-8")
    tables = tomllib.loads(text)
    sources = tables.pop("sources")
    return tables, sources


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
    rules = Rules.model_validate(merged)
    rules._own = own
    rules._rows = tuple(
        (path, value, sources.get(path) or _source_of(path, shipped_sources))
        for path, value in _leaves({k: v for k, v in merged.items() if k != "waiver"}, ())
    )
    return rules


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
