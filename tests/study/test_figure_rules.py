"""Rules behind the figures: values have sources, a user's own fibre is complete or refused."""

import pytest

from rule_files import load_rules
from waysapart.errors import StudyError
from waysapart.formulas.fibre import attenuation_db_per_km, greatest_dispersion_ps_nm_km
from waysapart.study.rules import shipped_rules


def test_every_value_of_the_figures_has_a_source():
    """A value without a source would raise on building; those without a document say so."""
    keys = {row.key: row for row in shipped_rules().assumptions()}
    for table in ("statistics", "reserve", "tests", "power_system", "recovery"):
        rows = [row for key, row in keys.items() if key.startswith(f"{table}.")]
        assert rows
        assert all(row.source for row in rows)
    assert keys["tests.length_pct"].source == "common practice, no source"
    assert keys["recovery.switching_ms"].unit == "ms"
    assert keys["power_system.frequency_hz"].unit == "Hz"


def test_the_catalogue_covers_the_usual_types():
    fibres = shipped_rules().fibres
    assert {"G.652.D", "G.655", "G.657.A1", "OM1", "OM2", "OM3", "OM4", "OM5"} <= set(fibres)
    for name, fibre in fibres.items():
        assert fibre.db_per_km, name
        assert fibre.group_index, name
        assert bool(fibre.bandwidth_mhz_km) == name.startswith("OM")
        for nm, mean in fibre.mean_db_per_km.items():
            assert mean <= fibre.db_per_km[nm]


def test_a_type_of_ones_own(tmp_path):
    file = tmp_path / "rules.toml"
    file.write_text(
        "[fibres.ours]\n"
        "db_per_km = { 1550 = 0.19 }\n"
        "lambda0_min_nm = 1300\nlambda0_max_nm = 1320\ns0_max_ps_nm2_km = 0.09\n"
        "[tests]\nlength_pct = 1.0\n"
    )
    rules = load_rules(file)
    ours = rules.fibres["ours"]
    assert attenuation_db_per_km(1550, {float(k): v for k, v in ours.db_per_km.items()}) == 0.19
    assert greatest_dispersion_ps_nm_km(1310, 1300, 1320, 0.09) > 0
    assert (rules.tests.length_pct, rules.tests.length_m) == (1.0, 20.0)


@pytest.mark.parametrize(
    ("stated", "said"),
    [
        ("lambda0_min_nm = 1300", "or none of them"),
        (
            "lambda0_min_nm = 1324\nlambda0_max_nm = 1300\ns0_max_ps_nm2_km = 0.09",
            "must not be above",
        ),
    ],
)
def test_half_a_dispersion_is_refused(tmp_path, stated, said):
    file = tmp_path / "rules.toml"
    file.write_text(f"[fibres.ours]\n{stated}\n")
    with pytest.raises(StudyError, match=said):
        load_rules(file)
