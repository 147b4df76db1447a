"""Hostile text in every place where it is shown."""

import base64
import csv
import gzip
import io
import json
import re
import sys
import unicodedata

import jinja2
import pytest
import regex
from hypothesis import given, settings
from hypothesis import strategies as st

from waysapart.report.escape import (
    csv_cell,
    html_text,
    json_for_script,
    map_text,
    packed_html,
    terminal_text,
    visible,
    visible_all,
)
from waysapart.schema import csv_meant

HOSTILE = [
    "{{ 7*7 }}",
    "{% raw",
    "{# not a comment",
    "${alert(1)}",
    "`",
    "</script><script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    "\"quoted\" 'text'",
    "back\\slash",
    "&amp;",
]


@pytest.mark.parametrize("text", HOSTILE)
def test_map_text_survives_a_second_pass_as_a_template(text):
    """branca parses what it renders again; nothing in it may start an expression or markup."""
    made = map_text(text)
    assert jinja2.Template(made).render() == made
    assert not set(made) & set("<>\"'`{}$\\")


def test_map_text_is_numeric_references():
    assert map_text("a&b{c}`$\\") == "a&#38;b&#123;c&#125;&#96;&#36;&#92;"


@settings(derandomize=True, deadline=None)
@given(st.text(alphabet=st.characters(exclude_categories=("Cs",))))
def test_map_text_reads_back_as_the_visible_text(text):
    import html

    assert html.unescape(map_text(text)) == visible(text)


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("ab\u202ecd", "ab⟨U+202E⟩cd"),
        ("a\u200bb", "a⟨U+200B⟩b"),
        ("\ufeffa", "⟨U+FEFF⟩a"),
        ("a\x00b", "a⟨U+0000⟩b"),
        ("a\x85b", "a⟨U+0085⟩b"),
        ("a\u3164b", "a⟨U+3164⟩b"),
        ("a\u2800b", "a⟨U+2800⟩b"),
        ("a\u034fb", "a⟨U+034F⟩b"),
        ("a\ufe0fb", "a⟨U+FE0F⟩b"),
        ("a\U000e0041b", "a⟨U+E0041⟩b"),
        ("a\U000e0100b", "a⟨U+E0100⟩b"),
        ("a\u17b4b", "a⟨U+17B4⟩b"),
        ("a\u2066b", "a⟨U+2066⟩b"),
        ("a\u00adb", "a⟨U+00AD⟩b"),
        ("a\u00a0b", "a⟨U+00A0⟩b"),
        ("a\u3000b", "a⟨U+3000⟩b"),
        ("a\ue000b", "a⟨U+E000⟩b"),
        ("a\U00016fe4b", "a⟨U+16FE4⟩b"),
        ("a\ud800b", "a⟨U+D800⟩b"),
        ("Ærø, Łódź, 東京", "Ærø, Łódź, 東京"),
    ],
)
def test_unseen_characters_are_written_out(text, shown):
    assert visible(text) == shown


def test_whatever_unicode_lets_a_reader_ignore_is_written_out():
    """Every sign with Default_Ignorable_Code_Point, and every control, space and surrogate."""
    ignorable = regex.compile(r"[\p{Default_Ignorable_Code_Point}\p{C}\p{Z}]")
    plain = [chr(code) for code in range(sys.maxunicode + 1) if not 0x20000 <= code < 0xE0000]
    wanted = [sign for sign in plain if ignorable.match(sign) and sign not in " \n\t"]
    newer = [sign for sign in wanted if unicodedata.category(sign) == "Cn"]
    assert len(wanted) - len(newer) > 8000
    assert [sign for sign in wanted if visible(sign) == sign and sign not in newer] == []


def test_visible_all_reaches_keys_and_nested_values():
    found = visible_all({"a\u202e": ["\u200b", {"b": "\x1b"}, 3, None]})
    assert found == {"a⟨U+202E⟩": ["⟨U+200B⟩", {"b": "⟨U+001B⟩"}, 3, None]}


def test_html_text_escapes_markup_and_quotes():
    assert html_text('<b a="\'">&\u202e') == "&lt;b a=&#34;&#39;&#34;&gt;&amp;⟨U+202E⟩"


def test_json_for_script_cannot_end_its_element_and_reads_back():
    value = {"name": "</script><!--<script>", "text": HOSTILE, "sep": "\u2028"}
    made = json_for_script(value)
    assert "<" not in made
    assert ">" not in made
    assert "\u2028" not in made
    assert json.loads(made) == value


@pytest.mark.parametrize("number", [float("nan"), float("inf")])
def test_json_for_script_refuses_numbers_that_json_lacks(number):
    with pytest.raises(ValueError, match="JSON"):
        json_for_script([number])


@pytest.mark.parametrize(
    ("value", "cell"),
    [
        ("plain", "plain"),
        ("=1+1", "'=1+1"),
        ("  =1+1", "'  =1+1"),
        ("+cmd|' /C calc'!A0", "'+cmd|' /C calc'!A0"),
        ("-5", "-5"),
        (-1.5e-4, "-0.00015"),
        ("@SUM(1)", "'@SUM(1)"),
        ("\t=1", "\"'\t'=1\""),
        ("\r=1", "\"'\r'=1\""),
        ("\tabc", '"\'\tabc"'),
        ("﹦1", "'﹦1"),
        ("-", "-"),
        ("a;=1;-2;+b", "\"a;'=1;-2;'+b\""),
        ("'=1", "''=1"),
        ("'a", "'a"),
        ("＝1", "'＝1"),
        ('a"b', '"a""b"'),
        ("a,b", '"a,b"'),
        ("a;b", '"a;b"'),
        ("", ""),
        (None, ""),
        ("a\u202eb", "a⟨U+202E⟩b"),
    ],
)
def test_csv_cell(value, cell):
    assert csv_cell(value) == cell


@settings(derandomize=True, deadline=None)
@given(st.lists(st.text(), min_size=2, max_size=4))
def test_csv_cells_are_read_back_as_text_that_starts_no_formula(texts):
    line = ",".join(csv_cell(text) for text in texts)
    (row,) = csv.reader(io.StringIO(line, newline=""), strict=True)
    assert len(row) == len(texts)
    for text, cell in zip(texts, row, strict=True):
        assert csv_meant(cell) == visible(text) or "\r" in text
        number = cell.lstrip("+-").replace(".", "").replace("e", "").replace("E", "")
        assert cell.lstrip(" ")[:1] not in set("=@\t\r\n") or not cell
        assert cell.lstrip(" ")[:1] not in set("+-") or number.strip("+-").isdigit()


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("\x1b[31mred", "\\x1b[31mred"),
        ("two\nlines\t.", "two\\nlines\\t."),
        ("a\u202eb", "a\\u202eb"),
        ("\U000e0041", "\\U000e0041"),
        ("a\u2800b\u034f\ufe0f", "a\\u2800b\\u034f\\ufe0f"),
        ("Ærø", "Ærø"),
    ],
)
def test_terminal_text(text, shown):
    assert terminal_text(text) == shown


@pytest.mark.parametrize("html", ["", "<p>x</ScRipt><!--", "für 塔", "a" * 100_000])
def test_html_that_waits_is_letters_and_digits_alone(html):
    """Nothing in it can end the element that it waits in, and it comes back as it was."""
    packed = packed_html(html)
    assert re.fullmatch("[A-Za-z0-9+/=]+", packed)
    assert gzip.decompress(base64.b64decode(packed)).decode() == html
