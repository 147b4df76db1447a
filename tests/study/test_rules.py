"""The rules: what ships, what a study lays over it, and what is refused."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from rule_files import load_rules
from waysapart.errors import StudyError
from waysapart.study.rules import Rules, UnknownService, shipped_rules

COMMON = "common practice, no source"


def rules_from(tmp_path: Path, text: str) -> Rules:
    path = tmp_path / "rules.toml"
    path.write_text(text, encoding="utf-8")
    return load_rules(path)


def faults(tmp_path: Path, text: str) -> dict[str | None, str]:
    with pytest.raises(StudyError) as raised:
        rules_from(tmp_path, text)
    return {problem.column: problem.message for problem in raised.value.problems}


def test_every_shipped_value_has_a_source() -> None:
    rows = shipped_rules().assumptions()
    assert len(rows) > 80
    assert all(row.source for row in rows)
    assert len({row.key for row in rows}) == len(rows)


def test_shipped_services_and_fibres_are_there() -> None:
    rules = shipped_rules()
    assert {
        "default",
        "line-differential",
        "direct-intertrip",
        "permissive",
        "blocking",
        "pole-control",
    } == set(rules.services)
    assert {"G.652.D", "G.655", "G.657.A1", "OM1", "OM2", "OM3", "OM4", "OM5"} == set(rules.fibres)
    assert rules.media["radio"].group_index == 1.0003
    assert rules.defaults.same_place_m == 0.5


def test_shipped_intertrip_limit_is_that_of_the_standard() -> None:
    """IEC 61850-5:2013 cl. 11.2: 10 ms for a trip between substations."""
    assert shipped_rules().service("direct-intertrip").max_delay_us == 10_000


def test_shipped_failure_rates_are_those_published() -> None:
    """Alcoa Fujikura, Reliability of Fiber Optic Cable Systems, May 2001: buried 2.130 and ground
    wire 0.085 failures in 1000 km years, a ratio of 25.06 (printed there as 'over 25')."""
    rules = shipped_rules()
    duct, span = rules.failure("duct", "segments"), rules.failure("span", "segments")
    assert duct is not None
    assert span is not None
    assert duct.per_km_year == pytest.approx(2.130 / 1000)
    assert span.per_km_year == pytest.approx(0.085 / 1000)


def test_multimode_attenuation_is_that_tabulated_in_the_standards() -> None:
    """ISO/IEC 11801, ed. 2.2 (2010), as others tabulate it: 3.5 dB/km at 850 nm, 1.5 at 1300."""
    for name in ("OM1", "OM2"):
        assert shipped_rules().fibres[name].db_per_km == {850: 3.5, 1300: 1.5}


def test_a_blank_service_is_the_default_one() -> None:
    rules = shipped_rules()
    assert rules.service(None) is rules.services["default"]
    assert rules.service("") is rules.services["default"]
    assert isinstance(rules.service("no such service"), UnknownService)


def test_the_most_specific_statement_wins(tmp_path: Path) -> None:
    """Study's default over shipped default; shipped service over study's default; study's
    service over all."""
    rules = rules_from(
        tmp_path,
        """
        [services.default]
        separation_m = 12
        max_delay_us = 9000
        [services.line-differential]
        max_asymmetry_us = 150
        [services.mine]
        """,
    )
    line = rules.service("line-differential")
    assert (line.separation_m, line.max_delay_us, line.max_asymmetry_us) == (12, 5000, 150)
    assert rules.service("mine") == rules.service("default")
    assert rules.service("default").end_zone_m == 50


def test_a_value_of_the_study_has_its_file_as_source(tmp_path: Path) -> None:
    rules = rules_from(
        tmp_path,
        """
        [services.default]
        separation_m = 12
        [fibres."G.652.D"]
        db_per_km = { 1550 = 0.19 }
        """,
    )
    source = {row.key: (row.value, row.unit, row.source) for row in rules.assumptions()}
    assert source["services.line-differential.separation_m"] == (12, "m", "rules.toml")
    assert source['fibres."G.652.D".db_per_km.1550'] == (0.19, "dB/km", "rules.toml")
    assert source['fibres."G.652.D".db_per_km.1310'][0] == 0.35
    assert "data sheet" in source['fibres."G.652.D".db_per_km.1310'][2]
    assert source["services.default.end_zone_m"] == (50.0, "m", COMMON)


def test_assumptions_of_what_was_used_only() -> None:
    rows = shipped_rules().assumptions(
        services=["blocking"], fibres=[], failures=["span"], media=[]
    )
    heads = {".".join(row.key.split(".")[:2]) for row in rows}
    by_name = {
        head for head in heads if head.startswith(("services", "fibres", "failures", "media"))
    }
    assert by_name == {"services.blocking", "failures.span"}
    assert any(row.key == "defaults.splice_db" for row in rows)


def test_separation_by_kinds_whichever_comes_first(tmp_path: Path) -> None:
    service = rules_from(
        tmp_path,
        '[services.default]\nseparation_m = { "span/duct" = 3, "span/span" = 40 }\n'
        'forbid_cross = ["span/duct"]\n',
    ).service(None)
    assert service.separation_between_m("duct", "span") == 3
    assert service.separation_between_m("span", "span") == 40
    assert service.separation_between_m("duct", "duct") == 0
    assert service.widest_separation_m() == 40
    assert service.forbids_cross("duct", "span")
    assert not service.forbids_cross("span", "span")


def test_by_kind_falls_back_to_other(tmp_path: Path) -> None:
    rules = rules_from(tmp_path, "[defaults]\noverlength_pct = { opgw = 0.9, other = 3 }\n")
    assert rules.by_kind("overlength_pct", "opgw") == 0.9
    assert rules.by_kind("overlength_pct", "duct") == 2.0
    assert rules.by_kind("overlength_pct", "hosepipe") == 3
    assert rules.by_kind("overlength_pct", float("nan")) == 3


def test_failures_by_kind_then_role() -> None:
    rules = shipped_rules()
    assert rules.failure("relay", "equipment") is rules.failures["equipment"]
    assert rules.failure("span", "segments") is rules.failures["span"]
    assert rules.failure("no such kind", "no such role") is None


def test_a_rate_given_the_other_way_replaces_the_shipped_one(tmp_path: Path) -> None:
    rules = rules_from(tmp_path, "[failures.span]\nper_year = 0.01\n")
    assert rules.failures["span"].per_year == 0.01
    assert rules.failures["span"].per_km_year is None
    assert rules.failures["span"].repair_h == 24


def test_a_waiver_counts_up_to_its_last_day(tmp_path: Path) -> None:
    rules = rules_from(
        tmp_path,
        '[[waiver]]\ncircuit = "K1"\npair = ["D1", "S1"]\nreason = "r"\nby = "b"\n'
        "until = 2027-06-30\n",
    )
    (waiver,) = rules.waivers
    assert waiver.pair == ("D1", "S1")
    assert waiver.counts_on(date(2027, 6, 30))
    assert not waiver.counts_on(date(2027, 7, 1))


def test_all_faults_of_a_file_come_at_once(tmp_path: Path) -> None:
    told = faults(
        tmp_path,
        """
        serivces = 1
        [services.default]
        max_dely_us = 1
        end_zone_m = -1
        group_test = "some"
        forbid_cross = ["span"]
        [defaults]
        splice = 0.1
        [failures.span]
        per_km_year = 1e-3
        per_year = 1
        [[waiver]]
        circuit = "K1"
        asset = "P1"
        reason = ""
        by = "b"
        """,
    )
    assert "did you mean 'services'" in told["serivces"]
    assert "did you mean 'max_delay_us'" in told["services.default.max_dely_us"]
    assert "greater than or equal to 0" in told["services.default.end_zone_m"]
    assert "'working', 'all' or 'pairwise'" in told["services.default.group_test"]
    assert "two kinds" in told["services.default.forbid_cross.1"]
    assert "did you mean 'splice_db'" in told["defaults.splice"]
    assert "either per_km_year or per_year" in told["failures.span"]
    assert told["waiver.1.until"] == "the key 'until' is required and missing"
    assert "waiver.1.reason" in told


def test_a_table_is_known_by_its_documented_name_alone(tmp_path: Path) -> None:
    """`[[waiver]]`, not `[[waivers]]`: one spelling for all who read the file."""
    text = '[[waivers]]\ncircuit = "C1"\nasset = "T1"\nreason = "r"\nuntil = 2030-01-01\n'
    assert "did you mean 'waiver'?" in faults(tmp_path, text)["waivers"]


def test_values_stand_in_one_order_whatever_that_of_the_file(tmp_path: Path) -> None:
    """TOML wants tables behind single values; a rules file written anew tells the same list."""
    one = '[services.new.separation_m]\n"duct/duct" = 7\n[services.new]\nend_zone_m = 40\n'
    other = '[services.new]\nend_zone_m = 40\nseparation_m = { "duct/duct" = 7 }\n'
    rows = [rules_from(tmp_path, text).assumptions(services={"new"}) for text in (one, other)]
    assert [row.key for row in rows[0]] == [row.key for row in rows[1]]


def test_rules_cannot_be_changed() -> None:
    rules = shipped_rules()
    with pytest.raises(ValueError, match="frozen"):
        rules.service(None).end_zone_m = 1.0  # type: ignore[misc]


def test_no_price_ships_and_every_price_needs_a_unit(tmp_path: Path) -> None:
    """Prices are local: none ships. One that is stated is in a unit, as is a budget."""
    assert shipped_rules().build.model_dump() == dict.fromkeys(shipped_rules().build.model_dump())
    for stated in ("per_m = 3", "per_crossing = { creek = 3 }", "per_joint = 0", "budget = 9"):
        message = faults(tmp_path, f"[build]\n{stated}\n")["build"]
        assert message.startswith(f"state unit, such as a currency: {stated.split()[0]} of [build]")
    rules = rules_from(tmp_path, '[build]\nunit = "EUR"\nper_m = { span = 60, other = 100 }\n')
    assert [rules.build.of_metre(kind) for kind in ("span", "duct")] == [60, 100]
    rules = rules_from(tmp_path, '[build]\nunit = "EUR"\nper_m = { span = 60 }\nper_change = 7\n')
    assert rules.build.of_metre("duct") is None
    assert rules.build.of_change("room") == 7


def test_prices_that_are_none_are_told_all_at_once(tmp_path: Path) -> None:
    found = faults(
        tmp_path,
        """
        [build]
        unit = " "
        per_m = { duct = -1 }
        per_port = inf
        per_joints = 3
        per_change = { moves = 3 }
        """,
    )
    told = {str(key) for key in found}
    assert {"build.unit", "build.per_m.duct", "build.per_port", "build.per_joints"} <= told
    assert "did you mean 'per_joint'" in found["build.per_joints"]
    assert any("'supply', 'move', 'optics', 'room', 'new_supply'" in one for one in found.values())


def test_prices_stand_in_no_proof(tmp_path: Path) -> None:
    """No verdict rests on them: they are no assumption, unless the prices are asked for."""
    rules = rules_from(tmp_path, '[build]\nunit = "EUR"\nper_m = { duct = 120 }\n')
    assert rules.assumptions() == shipped_rules().assumptions()
    rows = [row for row in rules.assumptions(prices=True) if row.key.startswith("build.")]
    assert [(row.key, row.value, row.unit, row.source) for row in rows] == [
        ("build.unit", "EUR", "", "rules.toml"),
        ("build.per_m.duct", 120, "1/m", "rules.toml"),
    ]
