"""Every shipped value that cites a document equals that document's number.

`CITED` holds the numbers as the documents state them, apart from the rules file, so that a change
of a shipped value is noticed, whichever it is. What cites none says so.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from copy import deepcopy
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from documents import DOCUMENTS
from published import gather, published
from waysapart.study.rules import shipped_tables, source_of
from waysapart.study.toml import dotted

Path_ = tuple[str, ...]


@dataclass(frozen=True)
class Cited:
    """A number in a document.

    Attributes
    ----------
    document, place : str
        Key of `DOCUMENTS`, and where in it.
    number, unit : float and str
        As the document states it.
    times : float
        From that unit to the shipped one.
    says : str
        Words by which the source in the rules file names the document.
    """

    document: str
    place: str
    number: float
    unit: str
    times: float
    says: str


def _iec() -> Cited:
    return Cited("iec-61850-5", "cl. 11.2, class P2", 10, "ms", 1000, "IEC 61850-5:2013, cl. 11.2")


def _afl(number: float) -> Cited:
    unit = "failures in 1000 km and a year"
    says = "Alcoa Fujikura, Reliability of Fiber Optic Cable Systems (May 2001)"
    return Cited("alcoa-fujikura", "executive summary", number, unit, 1e-3, says)


def _index(number: float) -> Cited:
    place = "SMF-28e, effective group index of refraction"
    return Cited("fis-faq", place, number, "", 1, "Fiber Instrument Sales, FAQ (SMF-28e)")


def _iso(place: str, number: float, unit: str) -> Cited:
    return Cited("iso-iec-11801", place, number, unit, 1, "ISO/IEC 11801, ed. 2.2 (2010)")


def _attenuation(number: float) -> Cited:
    return _iso("cabled attenuation of OM1 and OM2", number, "dB/km")


def _overfilled(number: float) -> Cited:
    return _iso("bandwidth of OM1 and OM2, overfilled launch", number, "MHz km")


def _effective(number: float) -> Cited:
    return _iso("effective modal bandwidth of OM3 and OM4", number, "MHz km")


def _foa(place: str, number: float, unit: str) -> Cited:
    return Cited("foa-loss-budget", place, number, unit, 1, "The Fiber Optic Association, Loss")


def _loose_tube(number: float) -> Cited:
    says = "title not on record: a data sheet of loose-tube cable"
    return Cited("untitled-loose-tube-data-sheet", "fibre table", number, "dB/km", 1, says)


def _opgw(number: float, unit: str) -> Cited:
    says = "title not on record: a data sheet of ground wire"
    return Cited("untitled-opgw-data-sheet", "zero dispersion", number, unit, 1, says)


CITED: dict[Path_, Cited] = {
    **{
        ("services", name, "max_delay_us"): _iec()
        for name in ("default", "direct-intertrip", "permissive", "blocking")
    },
    ("services", "default", "max_recovery_ms"): Cited(
        "itu-t-g841", "50 ms, with 10 ms of detection", 50 + 10, "ms", 1, "ITU-T G.841 (10/98)"
    ),
    ("recovery", "switching_ms"): Cited(
        "itu-t-g841", "switching time of rings", 50, "ms", 1, "ITU-T G.841 (10/98)"
    ),
    ("services", "line-differential", "max_asymmetry_us"): Cited(
        "abb-1mrk-505-370", "p. 535", 0.2, "ms", 1000, "ABB, 1MRK 505 370-UUS, p. 535"
    ),
    ("fibres", "G.652.D", "db_per_km", "1310"): _loose_tube(0.35),
    ("fibres", "G.652.D", "db_per_km", "1550"): _loose_tube(0.22),
    ("fibres", "G.652.D", "db_per_km", "1625"): _loose_tube(0.25),
    ("fibres", "G.655", "db_per_km", "1550"): _loose_tube(0.22),
    ("fibres", "G.655", "db_per_km", "1625"): _loose_tube(0.26),
    ("fibres", "G.652.D", "group_index", "1310"): _index(1.4677),
    ("fibres", "G.652.D", "group_index", "1550"): _index(1.4682),
    **{
        ("media", name, "group_index"): _index(1.4682)
        for name in ("fibre", "leased", "electrical", "internal", "carrier")
    },
    ("media", "radio", "group_index"): Cited(
        "itu-r-p453", "equations 1 and 2", 1.0003, "", 1, "ITU-R P.453-13, equations 1 and 2"
    ),
    ("fibres", "G.652.D", "lambda0_min_nm"): _opgw(1300, "nm"),
    ("fibres", "G.652.D", "lambda0_max_nm"): _opgw(1324, "nm"),
    ("fibres", "G.652.D", "s0_max_ps_nm2_km"): _opgw(0.092, "ps/(nm2 km)"),
    ("fibres", "OM1", "db_per_km", "850"): _attenuation(3.5),
    ("fibres", "OM1", "db_per_km", "1300"): _attenuation(1.5),
    ("fibres", "OM2", "db_per_km", "850"): _attenuation(3.5),
    ("fibres", "OM2", "db_per_km", "1300"): _attenuation(1.5),
    ("fibres", "OM1", "bandwidth_mhz_km", "850"): _overfilled(200),
    ("fibres", "OM1", "bandwidth_mhz_km", "1300"): _overfilled(500),
    ("fibres", "OM2", "bandwidth_mhz_km", "850"): _overfilled(500),
    ("fibres", "OM2", "bandwidth_mhz_km", "1300"): _overfilled(500),
    ("fibres", "OM3", "bandwidth_mhz_km", "850"): _effective(2000),
    ("fibres", "OM4", "bandwidth_mhz_km", "850"): _effective(4700),
    **{
        ("fibres", name, "db_per_km", "850"): _foa("attenuation at 850 nm", 3, "dB/km")
        for name in ("OM3", "OM4", "OM5")
    },
    ("defaults", "connector_db"): _foa("loss of a connection", 0.5, "dB"),
    ("failures", "span", "per_km_year"): _afl(0.085),
    **{
        ("failures", kind, "per_km_year"): _afl(2.130)
        for kind in ("duct", "subduct", "buried", "trench", "segments")
    },
    ("statistics", "k"): Cited(
        "ibm-linuxone-3932",
        "Loss calculation example for a single-mode link",
        3,
        "standard deviations",
        1,
        "IBM documentation, LinuxONE 3932-AGL",
    ),
}

WITHOUT = ("no source", "a convention: ")
"""How a source says that no document stands behind a value: none is known, or none is needed."""


def leaves(table: Mapping[str, Any], path: Path_ = ()) -> Iterator[tuple[Path_, Any]]:
    for key, value in table.items():
        if isinstance(value, Mapping):
            yield from leaves(value, (*path, key))
        else:
            yield (*path, key), value


def differing(tables: Mapping[str, Any]) -> list[Path_]:
    """Keys whose value is not what the document says, those that are gone among them."""
    there = dict(leaves(tables))
    return [
        path
        for path, cited in CITED.items()
        if there.get(path) is None
        or there[path] != pytest.approx(cited.number * cited.times, rel=1e-9)
    ]


@published(
    "iec-61850-5",
    "cl. 11.2, class P2",
    "at most 10 ms for a trip between substations",
    of="defaults",
)
@published(
    "itu-t-g841",
    "switching time of rings",
    "50 ms of switching after the failure is detected",
    of="defaults",
)
@published(
    "abb-1mrk-505-370",
    "p. 535",
    "asymmetry from buffers is below 100 us; at most 0.2 to 0.5 ms without a common clock",
    of="limits",
)
@published(
    "untitled-loose-tube-data-sheet",
    "fibre table",
    "G.652.D: 0.35, 0.22 and 0.25 dB/km at 1310, 1550 and 1625 nm; G.655: 0.22 and 0.26",
    of="defaults",
)
@published(
    "untitled-opgw-data-sheet",
    "zero dispersion",
    "1300 to 1324 nm, at most 0.092 ps/(nm2 km)",
    of="defaults",
)
@published(
    "fis-faq",
    "SMF-28e, effective group index of refraction",
    "1.4682 at 1550 nm, 1.4677 at 1310 nm",
    of="delay",
)
@published(
    "itu-r-p453",
    "equations 1 and 2",
    "n = 1 + (77.6 P / T + 72 e / T + 375000 e / T^2) / 1e6: 1.0003 near the ground",
    of="delay",
)
@published(
    "iso-iec-11801",
    "cabled attenuation of OM1 and OM2",
    "3.5 dB/km at 850 nm, 1.5 dB/km at 1300 nm",
    of="defaults",
)
@published(
    "iso-iec-11801",
    "bandwidth of OM1 and OM2, overfilled launch",
    "OM1 200 and 500, OM2 500 and 500 MHz km at 850 and 1300 nm",
    of="defaults",
)
@published(
    "iso-iec-11801",
    "effective modal bandwidth of OM3 and OM4",
    "2000 and 4700 MHz km at 850 nm",
    of="defaults",
)
@published("foa-loss-budget", "attenuation at 850 nm", "multimode 3 dB/km", of="defaults")
@published("foa-loss-budget", "loss of a connection", "0.5 dB", of="defaults")
@published(
    "alcoa-fujikura",
    "executive summary",
    "failures in 1000 km and a year: buried cable 2.130, ground wire 0.085, over 25 times",
    of="availability",
)
@published(
    "ibm-linuxone-3932",
    "Loss calculation example for a single-mode link",
    "mean 11.05 dB, 0.436 x 3 = 1.31 dB, with 0.50 dB 12.86 dB",
    of="loss",
)
def test_every_cited_value_is_that_of_its_document() -> None:
    assert differing(shipped_tables()) == []


@pytest.mark.parametrize("times", [1.07, 0.93])
def test_every_change_of_a_cited_value_is_noticed(times: float) -> None:
    """Each by 7 %, whole numbers among them, and each left out."""
    for path in CITED:
        for change in (times, None):
            tables = deepcopy(dict(shipped_tables()))
            table = tables
            for key in path[:-1]:
                table = table[key]
            table[path[-1]] = None if change is None else table[path[-1]] * change
            assert differing(tables) == [path]


def test_what_is_not_in_the_table_says_that_it_has_no_source() -> None:
    """Every shipped value, numbers and words, is cited or says that it is not."""
    wrong = [
        dotted(path)
        for path, _ in leaves(shipped_tables())
        if path not in CITED and not any(words in source_of(path) for words in WITHOUT)
    ]
    assert wrong == []


def test_what_is_in_the_table_names_its_document() -> None:
    for path, cited in CITED.items():
        assert cited.says in source_of(path), dotted(path)
        assert not any(words in source_of(path) for words in WITHOUT), dotted(path)
        untitled = DOCUMENTS[cited.document].kind == "untitled"
        assert untitled == ("title not on record" in source_of(path)), dotted(path)


def test_every_place_of_the_table_is_among_the_facts() -> None:
    """All but what adds two numbers, of which one is from memory."""
    here = Path(__file__).name
    marked = {(one.document, one.place) for one in gather() if Path(one.file).name == here}
    told = {(one.document, one.place) for one in CITED.values()}
    assert told - marked == {("itu-t-g841", "50 ms, with 10 ms of detection")}
    assert marked - told == set()


def test_what_was_once_changed_unnoticed_is_in_the_table() -> None:
    """A trial changed shipped values one by one; no check against a document told these."""
    for path in (
        ("failures", "buried", "per_km_year"),
        ("services", "permissive", "max_delay_us"),
        ("services", "blocking", "max_delay_us"),
        ("recovery", "switching_ms"),
        ("fibres", "G.652.D", "group_index", "1550"),
        ("fibres", "G.652.D", "db_per_km", "1550"),
        ("fibres", "OM3", "bandwidth_mhz_km", "850"),
        ("fibres", "G.652.D", "lambda0_max_nm"),
    ):
        assert path in CITED
