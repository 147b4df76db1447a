"""Every rule key is described where it is defined, and stands on the page and in `blank`'s file."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from pydantic import BaseModel

from rule_files import load_rules
from waysapart.errors import StudyError
from waysapart.study.blank import rule_tables, rules_text, toml_value, write_blank
from waysapart.study.read import read_study
from waysapart.study.rules import Rules, shipped_rules

PAGE = Path(__file__).resolve().parents[2] / "docs" / "rules.md"


def _models(annotation: Any) -> Iterator[type[BaseModel]]:
    """Models anywhere in a type."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from _models(part)


def _fields(model: type[BaseModel], path: str) -> Iterator[tuple[str, Any]]:
    """Every field of a model and of the models within, with its dotted path."""
    for name, field in model.model_fields.items():
        here = f"{path}.{field.alias or name}".lstrip(".")
        yield here, field
        for inner in _models(field.annotation):
            yield from _fields(inner, here)


EVERY = dict(_fields(Rules, ""))
KEYS = sorted(
    path
    for path in EVERY
    if "." in path and not any(other.startswith(f"{path}.") for other in EVERY)
)


def load(tmp_path: Path, text: str) -> Rules:
    path = tmp_path / "rules.toml"
    path.write_text(text, encoding="utf-8")
    return load_rules(path)


def test_the_walk_finds_the_keys_that_could_be_learnt_from_the_source_only() -> None:
    assert {
        "recovery.hold_off_ms",
        "recovery.ring_turns_back",
        "statistics.k",
        "reserve.ageing_db",
        "records.oldest.survey",
        "waiver.record",
        "groups.excuse",
        "services.own_line",
    } <= set(KEYS)


@pytest.mark.parametrize("path", sorted(EVERY))
def test_no_key_lacks_a_description(path: str) -> None:
    assert EVERY[path].description, f"{path}: give the field a description"
    assert EVERY[path].description.endswith(".")


def _sections() -> dict[str, str]:
    """The page by table: `services`, `waiver`."""
    parts = re.split(r"^## `\[+([a-z_]+)[^`]*`$", PAGE.read_text(encoding="utf-8"), flags=re.M)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


@pytest.mark.parametrize("path", KEYS)
def test_every_key_has_a_row_on_the_page_with_what_it_means(path: str) -> None:
    table, _, key = path.partition(".")
    (row,) = re.findall(rf"^\| `{re.escape(key)}` \|.*$", _sections()[table], flags=re.M)
    assert EVERY[path].description in row


@pytest.mark.parametrize("path", KEYS)
def test_every_key_stands_in_the_file_that_blank_writes(path: str) -> None:
    table, _, key = path.partition(".")
    head = rf"^(?:# )?\[+{table}[.\]]"
    (start,) = [found.start() for found in re.finditer(head, rules_text(), flags=re.M)][:1]
    rest = rules_text()[start:]
    assert re.search(rf"^# ?{re.escape(key)}(?:\.\w+)? = ", rest, flags=re.M)


def test_a_row_gives_type_unit_default_source_and_meaning() -> None:
    """Hold-off: shipped as 0 ms without a source; the turning ring with the reason for it."""
    section = _sections()["recovery"]
    assert (
        "| `hold_off_ms` | number, at least 0 | ms | `0` | common practice, no source | "
        "Hold-off after that, so that another layer can restore the signal first. |"
    ) in section
    assert re.search(
        r"\| `ring_turns_back` \| true or false \|  \| `false` \| a convention: the two paths",
        section,
    )


def test_allowed_words_are_named() -> None:
    assert (
        '| `group_test` | `working`, `all` or `pairwise` |  | `"working"` |'
        in (_sections()["services"])
    )
    assert '| `supplies` | `gap` or `none` |  | `"gap"` |' in _sections()["records"]


def test_every_shipped_value_stands_on_the_page_with_its_source() -> None:
    """Values by name, such as a fibre's attenuation, one row each; of a table by wavelength the
    row has them all."""
    rows = [row for row in shipped_rules().assumptions(weights=None) if "." in row.key]
    assert len(rows) > 150
    for row in rows:
        head, *rest = row.key.split(".")
        section = _sections()[head]
        assert row.source in section, row.key
        assert rest[-1].strip('"') in section


def test_defaults_on_the_page_are_those_in_force() -> None:
    """What a key of a table without names has for a default is what the rules say there."""
    rules = shipped_rules()
    seen = 0
    for table in rule_tables():
        if (table.shipped and table.key != "services") or table.head.startswith("[["):
            continue
        model: Any = rules.service(None) if table.key == "services" else getattr(rules, table.key)
        for key in table.keys:
            value: Any = model
            for part in key.name.split("."):
                value = getattr(value, part)
            if isinstance(value, tuple):
                value = list(value)
            assert (list(key.default) if isinstance(key.default, tuple) else key.default) == value
            seen += 1
    assert seen > 40


def test_the_file_as_blank_writes_it_changes_nothing(tmp_path: Path) -> None:
    """Nothing is stated, so it equals the shipped rules in every value and every source."""
    rules = load(tmp_path, rules_text())
    assert rules.model_dump() == shipped_rules().model_dump()
    assert rules.assumptions() == shipped_rules().assumptions()
    assert dict(rules.own()) == {}


def test_an_unknown_key_is_told_with_where_all_are_explained(tmp_path: Path) -> None:
    with pytest.raises(StudyError) as told:
        load(tmp_path, "[power_system]\nfrequency_hx = 50\n")
    (problem,) = told.value.problems
    assert "unknown key 'frequency_hx'" in problem.message
    assert "did you mean 'frequency_hz'" in problem.message
    assert problem.message.endswith(
        "docs/rules.md explains every key, and so does the rules.toml of `waysapart blank`"
    )


def _stated(text: str) -> str:
    """The file with every shipped value stated: the sign right before a key taken away."""
    return re.sub(r"^#(?=[^ \n])", "", text, flags=re.M)


def test_stating_every_default_changes_no_value(tmp_path: Path) -> None:
    text = _stated(rules_text())
    assert len(tomllib.loads(text)) >= 13
    rules = load(tmp_path, text)
    assert rules.model_dump() == shipped_rules().model_dump()
    told = {row.key: row for row in rules.assumptions(weights=None)}
    for row in shipped_rules().assumptions(weights=None):
        assert told[row.key].value == row.value
        assert told[row.key].source == "rules.toml"


def test_one_value_stated_changes_that_value_alone(tmp_path: Path) -> None:
    text = rules_text().replace("#hold_off_ms = 0", "hold_off_ms = 25")
    rules = load(tmp_path, text)
    assert rules.recovery.hold_off_ms == 25
    changed = rules.model_copy(update={"recovery": shipped_rules().recovery})
    assert changed.model_dump() == shipped_rules().model_dump()
    assert [row.key for row in rules.assumptions() if row.source == "rules.toml"] == [
        "recovery.hold_off_ms"
    ]


def test_examples_of_keys_without_a_default_are_sound(tmp_path: Path) -> None:
    """What stands behind '# ' may be taken over as it is, one key of a waiver's subject at once."""
    text = rules_text()
    for line in (
        "max_asymmetry_us = 200",
        "max_unavailability = 1e-05",
        "oldest.survey = 3650",
        "oldest.test = 1825",
        "oldest.leased_route = 400",
    ):
        assert text.count(f"\n# {line}") == 1
        text = text.replace(f"\n# {line}", f"\n{line}")
    start = text.index("# [[waiver]]")
    waiver = text[start:]
    for key in (r"\[\[waiver\]\]", "circuit", "within", "reason", "by", "until", "record"):
        waiver = re.sub(rf"^# (?={key}\b|\[\[)", "", waiver, flags=re.M)
    rules = load(tmp_path, text[:start] + waiver)
    assert rules.service(None).max_asymmetry_us == 200
    assert rules.records.oldest.test == 1825
    assert [(one.circuit, one.within) for one in rules.waivers] == [("C1", "TRENCH-2")]


def test_a_service_of_ones_own_may_state_nothing(tmp_path: Path) -> None:
    """An empty table under a new name names a service; under a shipped name it says nothing."""
    rules = load(tmp_path, "[services.mine]\n[services.blocking]\n[tests]\n")
    assert dict(rules.own()) == {"services": {"mine": {}}}
    assert rules.service("mine") == rules.service("default")


def test_blank_writes_the_rules_beside_the_study(tmp_path: Path) -> None:
    paths = write_blank(tmp_path / "new")
    assert tmp_path / "new" / "rules.toml" in paths
    rules = read_study(tmp_path / "new").rules
    assert rules.model_dump() == shipped_rules().model_dump()


_TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=8)
_VALUES = st.recursive(
    st.booleans()
    | st.integers(-(2**63), 2**63 - 1)
    | st.floats(allow_nan=False)
    | st.dates()
    | _TEXTS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(_TEXTS, inner, max_size=3),
    max_leaves=6,
)


@settings(derandomize=True, deadline=None)
@given(_TEXTS, _VALUES)
@example("a\tb", 'quote " backslash \\ tab \t return \r\n delete \x7f line \u2028 end')
@example('"] = 1\n[waiver', ["'''", '"""', "#", "\x00\x1b[31m"])
def test_a_value_on_one_line_means_the_same(key: str, value: object) -> None:
    """Whatever stands in texts and keys: one line, no tab, read back as it was."""
    line = toml_value({key: value})
    assert "\n" not in line
    assert "\t" not in line
    assert tomllib.loads(f"v = {line}") == {"v": {key: value}}
