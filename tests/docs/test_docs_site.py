"""The documentation as a site: builds without a warning, fetches nothing, every block runs."""

from __future__ import annotations

import json
import re
import runpy
import shlex
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner

import waysapart as wa
from proofs import read_and_prove_once
from waysapart.cli import main

ROOT = Path(__file__).resolve().parents[2]
DOCS = ROOT / "docs"
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted(DOCS.glob("*.md"))]
LANGUAGES = {
    "sh",
    "python",
    "toml",
    "json",
    "text",
    "console",  # tests/docs/test_audit_story.py
    "bash",
    "yaml",
    "figures",
    "reroute",
    "build",
    "cost",
    "pycon",
    "{toctree}",
}
"""Blocks of figures, reroute and pycon have tests of their own."""
_FENCE = re.compile(r"^( *)```([^\n]*)\n(.*?)^ *```$", re.DOTALL | re.MULTILINE)
_RUN_BY_CI = ("python -m pip install", "python tests/run.py")


def _blocks(page: Path) -> Iterator[tuple[str, str]]:
    """Language and text of each fenced block of a page."""
    for indent, language, text in _FENCE.findall(page.read_text(encoding="utf-8")):
        block = re.sub(rf"^{indent}", "", text, flags=re.MULTILINE)
        yield language.partition(" ")[0].strip(), block


class _Addresses(HTMLParser):
    """The addresses that a page fetches by itself, without the links that a person follows."""

    def __init__(self) -> None:
        super().__init__()
        self.fetched: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        for name, value in attrs:
            if name == "src" or (tag == "link" and name == "href"):
                self.fetched.append(value or "")


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    pytest.importorskip("sphinx")
    out = tmp_path_factory.mktemp("site")
    command = [sys.executable, "-m", "sphinx", "-q", "-W", "--keep-going", "-b", "html"]
    done = subprocess.run(
        [*command, "-d", str(out / "trees"), str(DOCS), str(out / "html")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return out / "html"


def test_the_site_builds_with_no_broken_link_and_holds_every_page(site: Path) -> None:
    made = {path.stem for path in site.glob("*.html")}
    assert {path.stem for path in DOCS.glob("*.md")} <= made


def test_the_site_fetches_nothing_from_elsewhere(site: Path) -> None:
    remote = re.compile(r"^(https?:)?//")
    for page in site.rglob("*.html"):
        reader = _Addresses()
        reader.feed(page.read_text(encoding="utf-8"))
        assert reader.fetched
        assert not [url for url in reader.fetched if remote.match(url)], page.name
    for style in site.rglob("*.css"):
        text = style.read_text(encoding="utf-8")
        assert not re.search(
            r"url\(\s*['\"]?(https?:)?//|@import\s+(url\()?['\"]?(https?:)?//", text
        )


def test_every_fenced_block_has_a_language_that_a_test_knows() -> None:
    unknown = {
        f"{page.name}: {language}"
        for page in PAGES
        for language, _ in _blocks(page)
        if language not in LANGUAGES
    }
    assert not unknown


@pytest.fixture
def _read_and_proved_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """The pages name the demo eighty times. After reading, each command does its own work."""
    read_and_prove_once(monkeypatch)


RUN_HERE = [page for page in PAGES if page.name != "first-hour.md"]
"""test_first_hour.py runs that page, and looks at what each of its commands says."""


@pytest.mark.parametrize("page", RUN_HERE, ids=[page.name for page in RUN_HERE])
@pytest.mark.usefixtures("_read_and_proved_once")
def test_every_block_runs(page: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In order, in one folder with a copy of the examples, as a reader would."""
    shutil.copytree(ROOT / "examples", tmp_path / "examples")
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    for language, text in _blocks(page):
        if language == "sh":
            _run_commands(text)
        elif language == "python":
            exec(compile(text, page.name, "exec"), names)
        elif language == "toml":
            tomllib.loads(text)
        elif language == "json":
            json.loads(text)


def _run_commands(text: str) -> None:
    for line in text.replace("\\\n", " ").splitlines():
        for words in _commands(line):
            if " ".join(words).startswith(_RUN_BY_CI):
                continue
            assert words[0] == "waysapart", f"cannot run {line!r}: mark the block as text"
            done = CliRunner().invoke(main, words[1:], prog_name="waysapart")
            assert done.exit_code in (0, 1, 3), f"{line}\n{done.output}"


def _commands(line: str) -> Iterator[list[str]]:
    words: list[str] = []
    for word in [*shlex.split(line, comments=True), "&&"]:
        if word != "&&":
            words.append(word)
        elif words:
            yield words
            words = []


def test_the_awkward_export_proves_as_the_page_says(tmp_path: Path) -> None:
    """From the page's own words, and an export made afresh, as a new user would."""
    blocks = [text for language, text in _blocks(DOCS / "mapping.md") if language == "toml"]
    rules = [text for text in blocks if text.startswith("# rules.toml")]
    study = "\n".join(text for text in blocks if text not in rules)
    kept = (ROOT / "examples" / "awkward" / "study.toml").read_text(encoding="utf-8")
    assert tomllib.loads(study) == tomllib.loads(kept)
    script = ROOT / "examples" / "awkward" / "make_export.py"
    subprocess.run([sys.executable, str(script), str(tmp_path / "export")], check=True)
    (tmp_path / "study.toml").write_text(study, encoding="utf-8")
    (tmp_path / "rules.toml").write_text("\n".join(rules), encoding="utf-8")
    proof = wa.prove(wa.read_study(tmp_path))
    facts = {one["id"]: one for one in proof.facts()["circuits"]}
    assert {name: one["verdict"] for name, one in facts.items()} == {
        "PW-1": "apart",
        "PW-2": "shared",
        "PW-3": "unproven",
    }
    assert [one["asset"] for one in facts["PW-2"]["shared"]] == ["MH-3"]
    assert [gap.code for gap in proof.record_gaps] == ["cable-broken"]


def test_the_splice_sheet_of_the_awkward_export_is_numbered() -> None:
    """Tube blue, fibre green is 3 and tube orange, fibre green 15; the channels over it are traced.

    Their cords are 23 feet long. What channel fibres state agrees, so nothing differs.
    """
    folder = ROOT / "examples" / "awkward"
    module = runpy.run_path(str(folder / "number_fibres.py"))
    assert [module["number"](*pair) for pair in (("BL", "GR"), ("OR", "GR"), ("AQ", "AQ"))] == [
        3,
        15,
        144,
    ]
    network = wa.tie(wa.read_study(folder))
    runs = network.study.tables["link_runs"].set_index("link")
    assert runs.loc["PW-1S", ["cable", "fibres"]].to_list() == ["F-201", "1;2"]
    assert runs.loc["PW-2P", ["cable", "fibres"]].to_list() == ["F-201", "3;4"]
    links = network.study.tables["links"].set_index("id")
    assert links.loc["PW-2P", "via"] == "FP-EEL;FP-SPR"
    assert links.loc["PW-2P", "extra_delay_us"] == pytest.approx(2 * 23 * 0.3048 * 0.005)


def test_a_colour_that_is_none_is_told_by_its_row(tmp_path: Path) -> None:
    sheet = tmp_path / "SHEET.csv"
    sheet.write_text("PORT,TUBE,FIBER\n1,BL,OR\n2,BL,PINK\n", encoding="utf-8")
    script = ROOT / "examples" / "awkward" / "number_fibres.py"
    command = [sys.executable, str(script), str(sheet), str(tmp_path / "OUT.csv")]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "row 3: no such colour" in done.stderr


def test_the_awkward_export_is_read_in_metres() -> None:
    """26.5 US survey feet of sag; 13 901 feet of fibre; towers 330 m apart, drawn in feet."""
    study = wa.read_study(ROOT / "examples" / "awkward")
    spans = study.tables["segments"].query("kind == 'span'")
    assert spans["sag_m"].to_numpy() == pytest.approx(26.5 * 1200 / 3937)
    tests = study.tables["measurements"].sort_values("fibre")
    assert tests["length_m"].iloc[0] == pytest.approx(13_901 * 0.3048)
    assert tests["wavelength_nm"].to_numpy() == pytest.approx(1310)
    between = spans[~spans["id"].isin(["SP001", "SP012"])]
    assert between.geometry.to_crs(study.crs).length.to_numpy() == pytest.approx(330, abs=0.01)


def _picture() -> ElementTree.Element:
    return ElementTree.parse(DOCS / "architecture.svg").getroot()


def test_the_picture_names_the_folders_that_there_are() -> None:
    package = ROOT / "src" / "waysapart"
    there = {path.parent.name for path in package.glob("*/__init__.py")}
    drawn = {
        (text.text or "").removesuffix("/")
        for text in _picture().iter("{http://www.w3.org/2000/svg}text")
        if text.get("class") == "folder"
    }
    assert drawn == there
    page = (DOCS / "architecture.md").read_text(encoding="utf-8")
    assert {name for name in there if f"| `{name}/` |" in page} == there


def test_the_picture_draws_the_stages_in_the_order_of_their_imports() -> None:
    from test_architecture import FLOW

    boxes = [
        (float(box.get("x", "0")), (name.text or "").removesuffix("/"))
        for box, name in zip(
            [
                rect
                for rect in _picture().iter("{http://www.w3.org/2000/svg}rect")
                if rect.get("class")
            ],
            [
                text
                for text in _picture().iter("{http://www.w3.org/2000/svg}text")
                if text.get("class") == "folder"
            ],
            strict=True,
        )
        if box.get("class") == "stage"
    ]
    drawn = [name for _, name in sorted(boxes)]
    assert drawn == [stage for stage in FLOW if stage in drawn]
    assert len(drawn) == 6
