"""The page of an audit: the answer first, then why, what falls due, records, and where to sign."""

from __future__ import annotations

import base64
import gzip
import hashlib
import io
import json
import re
import shutil
from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from rich.console import Console

import waysapart as wa
from axe import complaints
from hostile_text import HOSTILE
from waysapart.cli import main
from waysapart.evidence_file import in_file
from waysapart.report.audit_page import audit_view
from waysapart.report.audit_terminal import show_audit

PLANT = Path(__file__).resolve().parents[2] / "examples" / "audit"


class Audited:
    """A plant signed in May and audited in February, with a pit moved and two things due."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        facts = wa.prove(wa.read_study(PLANT, on=date(2026, 5, 4))).facts()
        self.signed = folder / "signed.json"
        self.signed.write_text(json.dumps(in_file(facts)), encoding="utf-8")
        self.plant = Path(shutil.copytree(PLANT, folder / "plant"))
        for name in ("structures.csv", "segments.csv"):
            file = self.plant / name
            text = file.read_text(encoding="utf-8")
            file.write_text(text.replace("502000 5979700", "502000 5979712"), encoding="utf-8")

    def run(self, *arguments: object) -> Result:
        words = ["compare", self.signed, self.plant, "--on", "2027-02-10", *arguments]
        return CliRunner().invoke(main, [str(one) for one in words], prog_name="waysapart")


@pytest.fixture(scope="module")
def audited(tmp_path_factory: pytest.TempPathFactory) -> Audited:
    return Audited(tmp_path_factory.mktemp("audited"))


@pytest.fixture(scope="module")
def written(audited: Audited) -> Path:
    """The page, with the calendar and the JSON of one run beside it."""
    page = audited.folder / "audit.html"
    ran = audited.run(
        "-o", page, "--ics", audited.folder / "due.ics", "--json", audited.folder / "audit.json"
    )
    assert ran.exit_code == 0, ran.output
    return page


def test_all_files_are_written_or_none(audited: Audited, tmp_path: Path) -> None:
    """The calendar's place is taken by somebody's file: the page and the JSON stay away."""
    taken = tmp_path / "due.ics"
    taken.write_text("BEGIN:VCALENDAR\nEND:VCALENDAR\n", encoding="utf-8")
    ran = audited.run("-o", tmp_path / "a.html", "--ics", taken, "--json", tmp_path / "a.json")
    assert ran.exit_code == 2
    assert "due.ics" in ran.output
    assert [one.name for one in tmp_path.iterdir()] == ["due.ics"]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--ics", "due.txt"), "ends in .ics"),
        (("--due", "-3"), "-3 days: expected"),
        (("--due", "soon"), "not a valid integer"),
        (("-o", "x.pdf"), "ends in .html"),
    ],
)
def test_wrong_calls_are_told(audited: Audited, arguments: tuple[str, str], said: str) -> None:
    ran = audited.run(*arguments)
    assert ran.exit_code == 2
    assert said in ran.output


def test_the_page_carries_what_its_digest_says(written: Path) -> None:
    """The digest on paper is that of the facts in the file, which are those of the JSON."""
    text = written.read_text(encoding="utf-8")
    packed = re.findall(r'<script type="application/gzip" id="carried">([^<]*)</script>', text)[0]
    data = gzip.decompress(base64.b64decode(packed))
    assert hashlib.sha256(data).hexdigest() in text.replace("<wbr>", "")
    told = json.loads((written.parent / "audit.json").read_text(encoding="utf-8"))
    carried = json.loads(data)["comparison"]
    assert carried["due"] == told["due"]
    assert carried["signatures"] == told["signatures"]


def test_the_order_is_answer_causes_due_records_sign_off(written: Path) -> None:
    text = written.read_text(encoding="utf-8")
    found = re.findall(r'<section id="([\w-]+)"', text)
    assert found == ["answer", "changes", "due", "records", "cautions", "sign-off"]
    answer = text.partition('<section id="changes"')[0]
    assert "Nothing gets worse: 0 better, 2 same." in answer
    assert "Signatures of circuits and groups: 2 hold, 0 lapsed, 0 never signed." in answer
    due = text.partition('<section id="due"')[2].partition("</section>")[0]
    for said in ("2027-03-31", "waiver of ENT-T for K2", "rules.toml, waiver 1", "2027-04-09"):
        assert said in due
    assert "structures.csv" in text.partition('<section id="records"')[2].partition("</section>")[0]


@pytest.mark.slow
def test_what_does_not_hold_gets_a_row_to_decide(audited: Audited, tmp_path: Path) -> None:
    plant = Path(shutil.copytree(audited.plant, tmp_path / "plant"))
    rules = plant / "rules.toml"
    rules.write_text(
        rules.read_text(encoding="utf-8").replace("PD-7", "PD-8")
        + "\n[defaults]\nsplice_db = 0.09\n",
        encoding="utf-8",
    )
    comparison = wa.compare(audited.signed, plant, on=date(2027, 2, 10))
    page = wa.write_comparison(comparison, tmp_path / "a.html").read_text(encoding="utf-8")
    table = re.findall(r'<table class="decisions".*?</table>', page, re.S)[0]
    assert re.findall(r'<span class="id">([^<]*)</span>', table) == [
        "K2",
        "rule defaults.splice_db",
    ]
    assert "accepted now; lapsed: waiver of ENT-T: who accepted it was" in table


def signature(kind: str, name: str, state: str, reason: str) -> dict[str, object]:
    return {
        "id": name,
        "of": None,
        "kind": kind,
        "state": state,
        "reasons": [reason],
        "remarks": [],
        "decision": False,
        "signed": "apart",
        "now": "apart",
    }


LIMIT = "separation_m of line-differential was 5, is now 6"
OPEN = "no decision on record"
MANY = [
    signature("circuit", "C01", "never", OPEN),
    *(signature("circuit", f"C{number:02}", "lapsed", LIMIT) for number in range(2, 31)),
    signature("circuit", "C31", "lapsed", "another reason"),
    signature("circuit", "C33", "lapsed", LIMIT),
    signature("rule", "services.line-differential.separation_m", "lapsed", "5 to 6"),
    signature("circuit", "C40", "never", OPEN),
]


@pytest.fixture(scope="module")
def many(audited: Audited) -> tuple[wa.Comparison, dict[str, object]]:
    """An audit in which 30 signatures lapse for one reason, and its facts."""
    comparison = wa.compare(audited.signed, audited.plant, on=date(2027, 2, 10))
    return comparison, {**comparison.facts(), "signatures": MANY}


def test_the_terminal_says_a_reason_once_and_names_every_circuit(many) -> None:
    console = Console(file=io.StringIO(), width=90)
    show_audit(console, many[1])
    text = console.file.getvalue()
    assert text.count(LIMIT) == text.count(OPEN) == 1
    said = " ".join(text.split())
    assert f"C02 to C30, C33 lapsed {LIMIT}" in said
    assert "C31 lapsed another reason" in said
    assert f"C01, C40 never signed {OPEN}" in said
    assert "rule lapsed services.line-differential.separation_m: 5 to 6" in said


def test_the_page_says_a_reason_once_and_what_lapsed_before_what_was_open(many) -> None:
    comparison, facts = many
    view = audit_view(facts, comparison.after)
    rows = [(row["ids"], row["state"]) for row in view["rows"]]
    assert rows[:4] == [
        ([*(f"C{number:02}" for number in range(2, 31)), "C33"], "lapsed"),
        (["C31"], "lapsed"),
        (["services.line-differential.separation_m"], "lapsed"),
        (["C01", "C40"], "never signed"),
    ]
    # each has a line of its own to sign
    assert len(view["to_decide"]) == len(MANY)


_TEXTS = ("reason", "by", "study", "revision")


def hostile(facts: object) -> object:
    """Texts of the evidence that an audit shows, made hostile."""
    if isinstance(facts, dict):
        return {
            key: f"{value}{HOSTILE}" if key in _TEXTS else hostile(value)
            for key, value in facts.items()
        }
    return [hostile(one) for one in facts] if isinstance(facts, list) else facts


def test_hostile_text_is_escaped(audited: Audited, tmp_path: Path) -> None:
    facts = hostile(wa.prove(wa.read_study(PLANT, on=date(2026, 5, 4))).facts())
    comparison = wa.compare(facts, audited.plant, on=date(2027, 2, 10))
    page = wa.write_comparison(comparison, tmp_path / "a.html").read_text(encoding="utf-8")
    shown = page.partition("<body>")[2].partition('<script type="application/json"')[0]
    assert "who accepted it was" in shown.partition("<main>")[2]
    assert not re.findall(r"<(?:script|img)\b", shown.partition("<main>")[2])
    assert "\u202e" not in shown


@pytest.mark.browser
def test_it_is_one_page_of_paper_and_fits_a_telephone(written: Path, watched, axe):
    page = watched.open(written, drawn=False, viewport={"width": 390, "height": 900})
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert complaints(page, axe, "light") == []
    page.set_viewport_size({"width": 1280, "height": 900})
    assert page.locator("#answer .answer").first.is_visible()
    paper = page.pdf(format="A4", prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b", paper)) == 1
