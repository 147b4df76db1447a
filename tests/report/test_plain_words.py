"""Words that people had to read twice do not come back: on the terminal, in the report, in docs.

The two ways round a ring are a term of the format and stay.
"""

from __future__ import annotations

import io
from html.parser import HTMLParser
from pathlib import Path

import pytest
from click.testing import CliRunner
from rich.console import Console

import waysapart as wa
from old_words import old_words
from waysapart.cli import main
from waysapart.evidence import FORMAT
from waysapart.gaps import GAP_CODES
from waysapart.report.terminal import show_circuit, show_dig, show_proof

ROOT = Path(__file__).resolve().parents[2]
PAGES = [
    ROOT / "README.md",
    *(one for one in sorted((ROOT / "docs").glob("*.md")) if one.name != "changelog.md"),
]


class Visible(HTMLParser):
    """The text of a page that people read or hear, scripts and styles left out."""

    def __init__(self) -> None:
        super().__init__()
        self.hidden = 0
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.hidden += tag in ("script", "style")
        said = (value for name, value in attrs if name in ("title", "aria-label", "placeholder"))
        self.text += [value for value in said if value]

    def handle_endtag(self, tag: str) -> None:
        self.hidden -= tag in ("script", "style")

    def handle_data(self, data: str) -> None:
        if not self.hidden:
            self.text.append(data)


@pytest.mark.parametrize(
    "said",
    [
        "whichever of both ways",
        "every way from A to B relies on pit P",
        "Delay of 3 ms is over its limit of 2 ms.",
        "3 dB are asked",
        "what one event takes",
        "its loss takes none",
        "the loss of a hazard",
        "Escape lets go",
        "draw it, or mend it",
        "could be longer by 2 km, then loss binds",
        "no order loses less",
    ],
)
def test_an_old_word_is_found(said: str) -> None:
    assert old_words(said)


@pytest.mark.parametrize(
    "said",
    [
        "the two ways round a ring",
        "written the other way round",
        "one-way delay",
        "a right-of-way",
        "more than 16 combinations of ways round them",
        "amended records",
    ],
)
def test_what_is_meant_is_left(said: str) -> None:
    assert not old_words(said)


@pytest.mark.parametrize("page", PAGES, ids=[page.name for page in PAGES])
def test_no_page_of_the_docs_has_them(page: Path) -> None:
    assert old_words(page.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize("command", sorted(main.commands))
def test_no_help_has_them(command: str) -> None:
    assert old_words(CliRunner().invoke(main, [command, "--help"]).output) == []


def test_no_gap_has_them() -> None:
    said = [f"{one.means}; {one.action}" for one in GAP_CODES.values()]
    assert old_words(". ".join(said)) == []


def test_no_terminal_output_of_the_demo_has_them(estuary_proof: wa.Proof) -> None:
    """A proof as a whole and every circuit and group of it, and works."""
    console = Console(file=io.StringIO(), width=100, highlight=False)
    facts = estuary_proof.facts()
    assert facts["format"] == FORMAT
    show_proof(console, facts)
    for one in (*facts["circuits"], *facts["groups"]):
        show_circuit(console, facts, one["id"])
    for asset in ("PIT-HER-7", "LINE-N1", "BAT-STK-3"):
        show_dig(console, wa.dig(estuary_proof, assets=[asset]).facts())
    assert isinstance(console.file, io.StringIO)
    said = console.file.getvalue()
    assert len(said) > 20_000
    assert old_words(said) == []


def test_no_text_of_the_report_has_them(estuary_page: str) -> None:
    page = Visible()
    page.feed(estuary_page)
    said = " ".join(page.text)
    assert len(said) > 50_000
    assert old_words(said) == []
