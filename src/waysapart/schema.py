"""The one table of roles and columns: what a study may hold, in which unit, checked how.

Reading, `blank`, the numbering of assets, the documentation and the tests use this table.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib.metadata import PackageNotFoundError, version
from types import MappingProxyType
from typing import Literal

try:
    VERSION = version("waysapart")
except PackageNotFoundError:  # run from a source tree that was never installed
    VERSION = "0+unknown"

ColumnType = Literal["text", "number", "count", "list", "numbers", "date", "time"]
"""text; number (float); count (whole number); list (ids in one cell, `;` between);
numbers (whole numbers in one cell, `;` between); date (ISO 8601); time (date, or date and time)."""

LIST_SEPARATOR = ";"
FIRST_YEAR, LAST_YEAR = 1700, 2200
"""Years in which a date of a record may lie: no cable is older, no record is so far ahead."""
KNOWN_EMPTY = "-"
"""In `MAY_BE_NONE` columns: known to be none. A blank means not recorded."""
MAY_BE_NONE = frozenset({"within", "supplies", "needs", "relies_on"})
"""Columns in which `-` says that there is none, so that a blank is a missing record."""

# What spreadsheets read as the beginning of a formula: OWASP's page 'CSV Injection', and the small
# and full-width forms that some versions read so too. A number is no formula, nor is a lone `-`.
_FORMULA = re.compile(r"'*(?:[\t\r\n]|[ \t\r\n]*[=+\-@﹦﹢﹣﹫＝＋－＠])")
_PLAIN = re.compile(r"'*(?:-|[+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?)", re.ASCII)
_CELL_ENDS = re.compile(r"([;\t\r\n])")
"""What a program that expects another separator takes for the end of a cell, quoted or not."""


def csv_safe(text: str) -> str:
    """Write a text so that no spreadsheet takes any of it for a formula.

    An apostrophe stands before a text that begins like a formula, and before each part of it after
    `;`, a tab or a line end that does so, since a spreadsheet set to another separator begins a
    cell there. Numbers and a lone `-` stay.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
        `csv_meant` takes the apostrophes away again.

    Examples
    --------
    >>> csv_safe("=1+1"), csv_safe("-5.2"), csv_safe("D1;=A1")
    ("'=1+1", '-5.2', "D1;'=A1")
    """
    if not _FORMULA.search(text):
        return text
    first, *rest = _CELL_ENDS.split(text)
    text = first + "".join(f"'{part}" if _acts(part) else part for part in rest)
    return f"'{text}" if _acts(text) else text


def csv_meant(text: str) -> str:
    """Take away the apostrophes of `csv_safe`; any other text stays as it is.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    Examples
    --------
    >>> csv_meant("'=1+1"), csv_meant("it's")
    ('=1+1', "it's")
    """
    if "'" not in text:
        return text
    if text.startswith("'") and _acts(text):
        text = text[1:]
    first, *rest = _CELL_ENDS.split(text)
    return first + "".join(
        part[1:] if part.startswith("'") and _acts(part) else part for part in rest
    )


def _acts(text: str) -> bool:
    """Whether a text, whatever apostrophes stand before it, begins like a formula."""
    ends = text in ("\t", "\r", "\n")  # a separator by itself
    return not ends and _FORMULA.match(text) is not None and _PLAIN.fullmatch(text) is None


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a role.

    Attributes
    ----------
    name, type, says : str
        `says` is its meaning, for docs and templates.
    required : bool
        The column must exist and hold a value in every row, unless `may_be_blank`.
    may_be_blank : bool
    unit : str or None
    minimum, maximum : float or None
        Inclusive, unless `above` is set (minimum only).
    above : bool
    choices : tuple of str
        Values that it may hold; empty: any.
    refers : tuple of str
        Roles whose ids it may hold; `assets`: any asset role.
    default : float or None
        What a blank cell of numbers counts as.
    """

    name: str
    type: ColumnType
    says: str
    required: bool = False
    may_be_blank: bool = False
    unit: str | None = None
    minimum: float | None = None
    maximum: float | None = None
    above: bool = False
    choices: tuple[str, ...] = ()
    refers: tuple[str, ...] = ()
    default: float | None = None


@dataclass(frozen=True, slots=True)
class Role:
    """One kind of table: its columns, its geometry, and what makes a row unique.

    Attributes
    ----------
    name, says : str
    columns : tuple of Column
    asset : bool
        Paths can rely on its rows.
    geometry : tuple of str
        Types that it may have; empty: none.
    geometry_required : bool
    key : tuple of str
        Columns that together make a row unique.
    column : mapping of str to Column
        By name.
    """

    name: str
    says: str
    columns: tuple[Column, ...]
    asset: bool = False
    geometry: tuple[str, ...] = ()
    geometry_required: bool = False
    key: tuple[str, ...] = ("id",)
    column: Mapping[str, Column] = field(init=False)

    @property
    def has_layer(self) -> bool:
        """Whether `blank` makes a layer of it; a link is drawn so seldom that it stays a table."""
        return bool(self.geometry) and self.asset

    def __post_init__(self) -> None:
        object.__setattr__(
            self, "column", MappingProxyType({column.name: column for column in self.columns})
        )


def _text(name: str, says: str, **more: object) -> Column:
    return Column(name, "text", says, **more)  # type: ignore[arg-type]


def _number(name: str, says: str, unit: str | None, **more: object) -> Column:
    return Column(name, "number", says, unit=unit, **more)  # type: ignore[arg-type]


_ID = _text("id", "unique id", required=True)
_NAME = _text("name", "name shown to people")
_WITHIN = Column(
    "within",
    "list",
    "ids of the assets that it lies in; blank: not recorded, -: known to lie in nothing",
    refers=("assets",),
)
_ACCURACY = _number("accuracy_m", "how well its position is surveyed", "m", minimum=0)
_SURVEYED = Column("surveyed", "date", "day of the survey of its position")
_SEQ = Column("seq", "count", "order, counted from the start", required=True)
_PLACES = ("structures", "sites")


def _fibre(name: str) -> Column:
    says = "fibre number, counted from 1 over the whole cable"
    return Column(name, "count", says, required=True, minimum=1)


def _side(name: str) -> Column:
    return _text(
        name,
        "side of the joint or panel, along the cable's runs, on which the fibre lies; needed only "
        "where the cable passes it, or has both ends there",
        choices=("before", "after"),
    )


_ROLES = (
    Role(
        "sites",
        "a place with equipment",
        (_ID, _NAME, _text("kind", "kind of site"), _WITHIN, _ACCURACY, _SURVEYED),
        asset=True,
        geometry=("Point", "Polygon", "MultiPolygon"),
        geometry_required=True,
    ),
    Role(
        "structures",
        "tower, gantry, pole, pit, bridge, building entry",
        (
            _ID,
            _text("kind", "tower, gantry, pole, pit, entry, bridge, ...", required=True),
            _NAME,
            _WITHIN,
            _ACCURACY,
            _SURVEYED,
            _number("elevation_m", "height of the cable's support above a common datum", "m"),
        ),
        asset=True,
        geometry=("Point", "Polygon", "MultiPolygon"),
        geometry_required=True,
    ),
    Role(
        "holders",
        "anything that holds other things and has no role of its own",
        (
            _ID,
            _text("kind", "room, chassis, rack, charger, right-of-way, ...", required=True),
            _NAME,
            _WITHIN,
        ),
        asset=True,
        geometry=("Point", "LineString", "MultiLineString", "Polygon", "MultiPolygon"),
    ),
    Role(
        "segments",
        "a stretch that cables pass through or hang on",
        (
            _ID,
            _text(
                "kind",
                "span, duct, subduct, trench, tray, riser, buried, tunnel, bridge, subsea",
                required=True,
            ),
            _NAME,
            _text("a", "structure or site at its first vertex; blank: snapped", refers=_PLACES),
            _text("b", "structure or site at its last vertex; blank: snapped", refers=_PLACES),
            _WITHIN,
            _ACCURACY,
            _SURVEYED,
            _number("sag_m", "sag of a span at its middle", "m", minimum=0),
            _number(
                "length_m", "measured length, instead of the geometry's", "m", minimum=0, above=True
            ),
        ),
        asset=True,
        geometry=("LineString",),
        geometry_required=True,
    ),
    Role(
        "cables",
        "one cable",
        (
            _ID,
            _text("fibre_type", "a key of [fibres] in the rules, such as G.652.D"),
            Column("fibre_count", "count", "number of fibres", minimum=1),
            _NAME,
            _text("kind", "opgw, wrapped, adss, duct, buried, ..."),
            _text("carried_by", "the cable that it is wrapped on or lashed to", refers=("cables",)),
            _number(
                "overlength_pct", "extra length against its route", "%", minimum=0, maximum=100
            ),
            _number("slack_m", "coils and loops, all together", "m", minimum=0),
            _number(
                "wrap_pitch_m",
                "one turn about the carrier takes this length",
                "m",
                minimum=0,
                above=True,
            ),
            _number("wrap_diameter_mm", "diameter of the helix", "mm", minimum=0),
            _number("db_per_km", "attenuation, instead of the catalogue's", "dB/km", minimum=0),
        ),
        asset=True,
        geometry=("LineString",),
    ),
    Role(
        "cable_runs",
        "one segment that a cable passes through",
        (
            _text("cable", "the cable", required=True, refers=("cables",)),
            _SEQ,
            _text("segment", "the segment", required=True, refers=("segments",)),
        ),
        key=("cable", "seq"),
    ),
    Role(
        "joints",
        "a splice closure",
        (
            _ID,
            _text("at", "structure or site where it is", required=True, refers=_PLACES),
            Column("cables", "list", "the cables that it joins", refers=("cables",)),
            _number("loss_db", "measured splice loss", "dB", minimum=0),
        ),
        asset=True,
    ),
    Role(
        "supplies",
        "a battery or other power supply",
        (
            _ID,
            _text("site", "where it is", required=True, refers=("sites",)),
            _NAME,
            _text("kind", "battery, rectifier, ..."),
            _WITHIN,
            Column(
                "supplies",
                "list",
                "supplies that feed it; any one keeps it up (a board fed by either charger)",
                refers=("supplies",),
            ),
            _number("autonomy_h", "how long it lasts when nothing feeds it", "h", minimum=0),
            Column(
                "needs",
                "list",
                "ids that must work for it, such as its charger; -: known to need nothing",
                refers=("assets",),
            ),
        ),
        asset=True,
    ),
    Role(
        "equipment",
        "relay, multiplexer, repeater, panel, radio",
        (
            _ID,
            _text("site", "where it is", required=True, refers=("sites",)),
            _NAME,
            _text("kind", "relay, multiplexer, repeater, panel, radio, ..."),
            _WITHIN,
            Column(
                "supplies",
                "list",
                "its supplies; any one keeps it up; -: known to have none",
                refers=("supplies",),
            ),
            Column(
                "needs",
                "list",
                "ids that must all work for it; -: known to need nothing",
                refers=("assets",),
            ),
            _number("delay_us", "one-way delay through it", "us", minimum=0),
        ),
        asset=True,
    ),
    Role(
        "links",
        "one hop between two pieces of equipment",
        (
            _ID,
            _text("a", "equipment at one end", required=True, refers=("equipment",)),
            _text("b", "equipment at the other end", required=True, refers=("equipment",)),
            _number("wavelength_nm", "needed for fibre", "nm", minimum=600, maximum=2000),
            _NAME,
            _text(
                "medium",
                "blank: fibre",
                choices=("fibre", "radio", "leased", "electrical", "internal", "carrier"),
            ),
            Column("via", "list", "equipment on the hop, in order", refers=("equipment",)),
            _number("loss_db", "loss of what via adds", "dB", minimum=0),
            Column(
                "relies_on",
                "list",
                "assets that the hop depends on beyond its cables; -: known to be none",
                refers=("assets",),
            ),
            _text("stated_by", "who said what a leased hop relies on"),
            Column("stated_on", "date", "when they said so"),
            _number("length_m", "length of a hop without cables", "m", minimum=0),
            _text(
                "channel",
                "where several links share a fibre at one wavelength, in one multiplexer or filter",
            ),
            Column(
                "a_port",
                "list",
                "port of a, or the two ports that send and receive; the link is then traced over "
                "patches, terminations and splices",
            ),
            Column("b_port", "list", "port of b, or the two ports that receive and send"),
            _number("tx_min_dbm", "least launched power", "dBm"),
            _number("tx_max_dbm", "greatest launched power", "dBm"),
            _number("rx_min_dbm", "receiver sensitivity", "dBm"),
            _number("rx_max_dbm", "receiver overload", "dBm"),
            Column("connectors", "count", "mated pairs (default 2)", minimum=0),
            Column(
                "splices",
                "count",
                "default: recorded joints passed, and between two of them, or a joint and the "
                "cable's end, one per full reel_m; plus cable changes without a joint",
                minimum=0,
            ),
            _number("reserve_db", "kept for ageing and repair", "dB", minimum=0),
            _number("bandwidth_mhz", "what the link needs of multimode fibre", "MHz", minimum=0),
            _number("dispersion_limit_ps_nm", "most that the link stands", "ps/nm", minimum=0),
            _number("extra_delay_us", "delay beyond fibre and equipment", "us", minimum=0),
            _number(
                "recovery_ms",
                "outage while a circuit on it changes over; 0: hitless; blank: as its ring",
                "ms",
                minimum=0,
            ),
            _number(
                "unavailability",
                "part of the time that the hop itself is down, such as by fading: 0 to 1",
                None,
                minimum=0,
                maximum=1,
            ),
        ),
        geometry=("LineString",),
    ),
    Role(
        "link_runs",
        "one cable that a link passes through, in order",
        (
            _text("link", "the link", required=True, refers=("links",)),
            _SEQ,
            _text("cable", "the cable", required=True, refers=("cables",)),
            Column("fibres", "numbers", "fibre numbers, counted from 1", minimum=1),
            _text("direction", "blank: both", choices=("go", "return")),
            _text("from", "structure or site where the link enters the cable", refers=_PLACES),
            _text("to", "structure or site where it leaves the cable", refers=_PLACES),
        ),
        key=("link", "direction", "seq"),
    ),
    Role(
        "circuits",
        "one protection signalling circuit",
        (
            _ID,
            _text("a", "equipment at one end", required=True, refers=("equipment",)),
            _text("b", "equipment at the other end", required=True, refers=("equipment",)),
            _text(
                "service",
                "a key of [services] in the rules; blank: default",
                required=True,
                may_be_blank=True,
            ),
            _NAME,
            Column(
                "protects",
                "list",
                "ids of the assets that the circuit protects, such as a line",
                refers=("assets",),
            ),
            _text("group", "circuits that back each other up"),
            _text("scheme", "circuits that are all needed"),
            _text("switching", "blank: each", choices=("each", "both")),
        ),
    ),
    Role(
        "circuit_paths",
        "one link of a path, in order",
        (
            _text("circuit", "the circuit", required=True, refers=("circuits",)),
            _text("path", "main, alternate, or any further label", required=True),
            _SEQ,
            _text("link", "the link", required=True, refers=("links",)),
        ),
        key=("circuit", "path", "seq"),
    ),
    Role(
        "rings",
        "one link of a closed ring, in order",
        (
            _text("ring", "the ring", required=True),
            _SEQ,
            _text("link", "the link", required=True, refers=("links",)),
            _number(
                "recovery_ms",
                "outage while the ring switches, the same on every row of a ring; 0: hitless",
                "ms",
                minimum=0,
            ),
        ),
        key=("ring", "seq"),
    ),
    Role(
        "ring_circuits",
        "a circuit whose paths are the two ways round a ring, or round several in order",
        (
            _text("circuit", "the circuit", required=True, refers=("circuits",)),
            _text("ring", "the ring", required=True, refers=("rings",)),
            Column(
                "seq", "count", "order of the rings from the circuit's end a; blank: 1", default=1
            ),
            Column(
                "enter",
                "list",
                "equipment at which the circuit comes onto the ring; two where rings join at two "
                "nodes; blank: where its tail or the ring before ends",
                refers=("equipment",),
            ),
            Column(
                "leave",
                "list",
                "equipment at which it leaves the ring; blank: where its tail begins, or where "
                "the next ring is entered",
                refers=("equipment",),
            ),
            Column(
                "a_tail",
                "list",
                "links between the circuit's end a and its first ring, in order",
                refers=("links",),
            ),
            Column(
                "b_tail",
                "list",
                "links between its last ring and the circuit's end b, in order",
                refers=("links",),
            ),
            _text("main_way", "blank: the shorter", choices=("forward", "backward")),
        ),
        key=("circuit", "seq"),
    ),
    Role(
        "hazards",
        "an area or line where one event puts out of service all that it touches",
        (
            _ID,
            _text("kind", "flood, slip, works, crossing, ...", required=True),
            _NAME,
            _number("reach_m", "how far beyond its outline it takes things", "m", minimum=0),
            Column(
                "takes",
                "list",
                "kinds that it takes, radio for paths through the air; blank: all but these",
            ),
            _number("per_year", "events a year", "1/a", minimum=0),
            _number("repair_h", "hours to repair", "h", minimum=0),
        ),
        asset=True,
        geometry=("Point", "LineString", "MultiLineString", "Polygon", "MultiPolygon"),
        geometry_required=True,
    ),
    Role(
        "splices",
        "one fibre joined to one fibre in a joint",
        (
            _text("joint", "the joint", required=True, refers=("joints",)),
            _text("a_cable", "cable of one of the two fibres", required=True, refers=("cables",)),
            _fibre("a_fibre"),
            _text("b_cable", "cable of the other fibre", required=True, refers=("cables",)),
            _fibre("b_fibre"),
            _side("a_side"),
            _side("b_side"),
            _text("tray", "tray of the joint in which it lies"),
            _number("loss_db", "loss, mean of both directions", "dB", minimum=0),
            _number("loss_ab_db", "loss measured from a to b; may be negative", "dB"),
            _number("loss_ba_db", "loss measured from b to a; may be negative", "dB"),
            Column("date", "date", "day of the splice or of its test"),
        ),
        key=(),
    ),
    Role(
        "terminations",
        "one end of one fibre on a port",
        (
            _text("cable", "the cable", required=True, refers=("cables",)),
            _fibre("fibre"),
            _text(
                "equipment",
                "the panel, filter or other equipment",
                required=True,
                refers=("equipment",),
            ),
            _text("port", "its port", required=True),
            _side("side"),
            _number("loss_db", "loss of the splice to the pigtail, or the like", "dB", minimum=0),
        ),
        key=(),
    ),
    Role(
        "patches",
        "a cord between two ports, or a connection inside one piece of equipment",
        (
            _text("id", "unique id; blank: made of its ends. Rows with one id are one cord"),
            _text("a", "equipment at one end", required=True, refers=("equipment",)),
            Column("a_port", "list", "its port; two of a duplex cord", required=True),
            _text("b", "equipment at the other end", required=True, refers=("equipment",)),
            Column("b_port", "list", "its port; two of a duplex cord", required=True),
            _WITHIN,
            _text("fibre_type", "a key of [fibres] in the rules, such as G.652.D"),
            _number("length_m", "length of the cord", "m", minimum=0),
            _number("loss_db", "loss of the cord without its connectors", "dB", minimum=0),
        ),
        asset=True,
    ),
    Role(
        "measurements",
        "a test result",
        (
            _text("cable", "the cable tested (or link)", refers=("cables",)),
            _text("link", "the link tested (or cable)", refers=("links",)),
            Column("fibre", "count", "fibre number", minimum=1),
            _number("wavelength_nm", "test wavelength", "nm", minimum=600, maximum=2000),
            _number("length_m", "measured fibre length", "m", minimum=0),
            _number("loss_db", "measured loss", "dB", minimum=0),
            _number("delay_us", "measured one-way delay", "us", minimum=0),
            _text("joint", "the joint, where the row is one event of a trace", refers=("joints",)),
            _number("at_m", "how far along the fibre such an event lies", "m", minimum=0),
            _text("stage", "when it was taken", choices=("drum", "installed", "end-to-end")),
            _text("direction", "direction of the test", choices=("go", "return")),
            Column("date", "date", "day of the test"),
        ),
        key=(),
    ),
)

ROLES: Mapping[str, Role] = MappingProxyType({role.name: role for role in _ROLES})

BACKDROP = Role(
    "backdrop",
    "something that the plant lies among, such as a stretch of water or a road",
    (
        _text("id", "what it is called when something crosses it"),
        _text("name", "name shown to people"),
        _text("kind", "kind of water, road, ..."),
    ),
    geometry=(
        "Point",
        "LineString",
        "Polygon",
        "MultiPoint",
        "MultiLineString",
        "MultiPolygon",
        "GeometryCollection",
    ),
    key=(),
)
"""Rows of a `[[layer]]` with a `name` in place of a `role`. No answer of `prove` depends on it."""
ASSET_ROLES: tuple[str, ...] = tuple(role.name for role in _ROLES if role.asset)

PLAN = Role(
    "works",
    "one work of a plan, as `dig --plan` reads it",
    (
        _ID,
        _text("name", "what is done, shown to people"),
        _text("place", "where it is, in words"),
        Column(
            "from",
            "time",
            "first day, such as 2026-05-04, or when it begins, such as 2026-05-04T08:00, in local "
            "time",
            required=True,
        ),
        Column(
            "to",
            "time",
            "last day, or when it ends; a date, or 00:00, counts that day to its end",
            required=True,
        ),
        Column(
            "assets",
            "list",
            "ids of the assets that it takes out of service; needed where it has no geometry",
            refers=("assets",),
        ),
        _number("reach_m", "how far it reaches beyond its geometry; blank: 0", "m", minimum=0),
        Column(
            "restores",
            "list",
            "ids out of service now that work again once it is done",
            refers=("assets",),
        ),
        Column("after", "list", "ids of works that must be done before"),
        _text("contractor", "who does the work"),
        _text("contact", "whom to call"),
        _text("phone", "number to call"),
    ),
    geometry=("Point", "LineString", "MultiLineString", "Polygon", "MultiPolygon"),
)
"""Columns of a plan of works; it is no role of a study, so that it never feeds one."""

OWNERS: Mapping[str, tuple[tuple[str, str], ...]] = {
    "cable_runs": (("cable", "assets"),),
    "link_runs": (("link", "links"),),
    "circuit_paths": (("circuit", "circuits"),),
    "rings": (("ring", "rings"),),
    "ring_circuits": (("circuit", "circuits"),),
    "splices": (("joint", "assets"), ("a_cable", "assets"), ("b_cable", "assets")),
    "terminations": (("equipment", "assets"), ("cable", "assets")),
    "measurements": (("cable", "assets"), ("link", "links")),
    "links": (("id", "links"),),
    "circuits": (("id", "circuits"),),
}
"""Columns that say what a row is about, and what that is; of all other roles it is an asset."""
