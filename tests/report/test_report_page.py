"""The report as a document: what it says, in which order, and what it leaves out."""

import re
from html.parser import HTMLParser

import pytest

from waysapart import figures
from waysapart.output_files import OutputFile, write_text
from waysapart.report import words
from waysapart.report.map import Tiles
from waysapart.report.page import render_report
from waysapart.report.view import page_view


class Text(HTMLParser):
    """The text of a page without its scripts and styles, and its ids."""

    def __init__(self, page):
        super().__init__()
        self.parts, self.ids, self.references, self.skip = [], [], [], False
        self.feed(page)
        self.text = re.sub(r"\s+", " ", " ".join(self.parts))

    def handle_starttag(self, tag, attrs):
        self.skip = tag in ("script", "style")
        for name, value in attrs:
            if name == "id":
                self.ids.append(value)
            if name == "href" and value.startswith("#"):
                self.references.append(value[1:])

    def handle_endtag(self, tag):
        self.skip = False

    def handle_data(self, data):
        if not self.skip:
            self.parts.append(data)


@pytest.fixture
def page(estuary_page):
    return estuary_page


@pytest.fixture
def facts(estuary_report):
    return estuary_report[0]


def entry(page, facts, name):
    """The part of the page that is the entry of one circuit."""
    assert name in [one["id"] for one in facts["circuits"]]
    begin = page.index(f'" id="{name}" data-circuit=')
    return page[begin : page.index('<details class="circuit', begin)]


def in_runs(text):
    """Ids that stand between others: in `T3 to T6` T4 and T5."""
    found = set()
    for head, first, last in re.findall(r"(\S*?)(\d+) to \1(\d+)\b", text):
        wide = len(first) if first.startswith("0") else 0
        low, high = sorted((int(first), int(last)))
        found |= {f"{head}{number:0{wide}d}" for number in range(low, high + 1)}
    return found


def test_all_that_was_found_stands_in_the_page(page, facts):
    text = Text(page).text
    between = in_runs(text)
    for circuit in facts["circuits"]:
        assert circuit["id"] in text
        assert circuit["name"] in text
        for found in circuit["shared"]:
            assert found["asset"] in text or found["asset"] in between
        for stretch in circuit["stretches"]:
            for part in (*stretch["via"]["main"], *stretch["via"]["alternate"]):
                assert part in text
        for found in (*circuit["near"], *circuit["cross"]):
            assert found["main"] in text
            assert found["alternate"] in text
    for row in facts["inputs"]:
        assert row["sha256"] in text
    for row in facts["waivers"]:
        assert row["reason"] in text
        assert row["until"] in text
        assert row["state"] in text
    for row in facts["assumptions"]:
        assert row["key"] in text
        assert " ".join(row["source"].split()) in text
    for row in facts["gaps"]:
        assert row["message"] in text
    assert "cables.csv, layer cables, row 41" in text
    assert "revision A" in text
    assert figures.moment(facts["made"]) in text
    for caution in ("Laser light", "earth wires", "Locate before you dig", "licensed practice"):
        assert caution in text
    assert "no permission to work" in text


def test_ids_are_unique_and_references_meet_them(page):
    found = Text(page)
    assert len(found.ids) == len(set(found.ids))
    assert set(found.references) <= set(found.ids)


def test_without_a_background_the_policy_allows_no_host(page):
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', page).group(1)
    assert "http" not in policy
    assert "unsafe" not in policy
    assert "default-src 'none'" in policy


def test_with_a_background_only_its_host_may_give_images(estuary_report):
    facts, geo = estuary_report
    tiles = Tiles("https://tiles.example/{z}/{x}/{y}.png", "Someone")
    made = render_report(facts, geo, title="t", tiles=tiles)
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', made).group(1)
    assert re.findall(r"https?://[^ ;]+", policy) == ["https://tiles.example"]
    assert "fetched when this page is opened" in made


def test_what_a_person_passes_cannot_act(estuary_report):
    """Heading, licence of the background, revision, who signed a waiver: shown, no more."""
    hostile = "</title></script><script>ran(1)</script>\u202e\ufe0f\u2800{{7*7}}"
    facts, geo = estuary_report
    facts = {**facts, "revision": hostile, "study": hostile}
    facts["waivers"] = [{**one, "by": hostile, "reason": hostile} for one in facts["waivers"]]
    tiles = Tiles("https://tiles.example/{z}/{x}/{y}.png?<b>\"'", hostile)
    made = render_report(facts, geo, title=hostile, tiles=tiles)
    assert "<script>ran" not in made
    assert "?<b>" not in made
    assert not set("\u202e\ufe0f\u2800") & set(made)
    assert "⟨U+202E⟩⟨U+FE0F⟩⟨U+2800⟩{{7*7}}" in made
    assert "tiles.example" in re.search(r'Content-Security-Policy" content="([^"]+)"', made).group(
        1
    )


def test_the_same_facts_give_the_same_file(page, estuary_report):
    facts, geo = estuary_report
    assert render_report(facts, geo, title="Estuary ring") == page


def test_a_study_without_circuits_or_geometry_still_has_a_page(empty_report):
    """Readers outside get no geometry where no grid is named."""
    facts, geo = empty_report
    for given in (geo, {}):
        made = render_report(facts, given, title="Nothing yet")
        assert "The study has no circuits" in made


def test_circuits_stand_in_the_order_of_importance(facts):
    """Shared, then outside a limit, then unproven, accepted, apart; more findings first, then id.

    C02 has six stretches that are shared, C01 four, C08 two; every other circuit that is shared
    has one stretch, one near approach (C25) or one crossing (C06).
    """
    order = [circuit["id"] for circuit in page_view(facts)["circuits"]]
    once = ["C03", "C04", "C05", "C06", "C07", "C10", "C11", "C17", "C25", "C26", "C33"]
    shared, over = ["C02", "C01", "C08", *once], ["C14", "C15"]
    unproven, accepted = ["C09", "C12", "C32"], ["C16"]
    before = [*shared, *over, *unproven, *accepted]
    apart = sorted({circuit["id"] for circuit in facts["circuits"]} - {*before})
    assert len(apart) == 13
    assert order == [*before, *apart]


def test_the_counts_are_those_of_the_circuits(facts):
    """C14 and C15 are apart and over a limit; G1 and G3 share plant; five rules, and the
    recovery time of all circuits that are not on the ring, are to be signed.

    Whether C09 keeps its limits is not known, but it is unproven and counts as that.
    """
    counts = page_view(facts)["counts"]
    assert counts == {
        "shared": 14,
        "unproven": 3,
        "accepted": 1,
        "apart": 15,
        "apart_outside": 2,
        "over_limit": 2,
        "unknown_limit": 0,
        "to_sign": 6,
        "total": 33,
        "groups_shared": 2,
        "groups_unproven": 0,
    }


def counts(**given):
    names = ("shared", "unproven", "accepted", "apart", "over_limit", "unknown_limit")
    filled = dict.fromkeys(names, 0) | given
    return filled | {"total": sum(filled[name] for name in names[:4])}


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (counts(), "The study has no circuits, so there is nothing to judge."),
        (counts(apart=3), "Yes. All 3 circuits are apart or accepted, and within the limits."),
        (
            counts(apart=1, accepted=2),
            "Yes. All 3 circuits are apart or accepted, 2 of them by waiver, and within the "
            "limits.",
        ),
        (
            counts(apart=2, unproven=1),
            "Not proven: 1 of 3 circuits cannot be proven from the records. 2 are apart.",
        ),
        (
            counts(apart=2, shared=1, over_limit=1),
            "No: 1 of 3 circuits shares plant between its paths and 1 is outside a limit. 2 are "
            "apart.",
        ),
        (
            counts(apart=2, unknown_limit=1),
            "Not proven: 1 of 2 circuits cannot be checked against every limit. 2 are apart.",
        ),
        (
            counts(shared=2, over_limit=1, unproven=1, accepted=1),
            "No: 2 of 4 circuits share plant between their paths, 1 is outside a limit and 1 "
            "cannot be proven from the records. 1 is accepted by waiver.",
        ),
        (
            counts(apart=3) | {"groups_shared": 1},
            "No: all 3 circuits are apart or accepted, and within the limits, but 1 group shares "
            "plant between circuits.",
        ),
        (
            counts(apart=3) | {"groups_unproven": 2},
            "Not proven: all 3 circuits are apart or accepted, and within the limits, but 2 groups "
            "cannot be proven.",
        ),
        (
            counts(apart=2, unproven=1) | {"groups_shared": 2},
            "No: 1 of 3 circuits cannot be proven from the records. 2 are apart. 2 groups share "
            "plant between circuits.",
        ),
        (
            counts(unproven=1),
            "Not proven: 1 of 1 circuit cannot be proven from the records. None is apart.",
        ),
    ],
)
def test_the_answer_never_says_yes_where_something_is_open(given, said):
    assert words.answer(given) == said


def test_figures_have_their_units():
    assert words.metres(1.84) == "1.84 m"
    assert words.metres(8123.4) == "8.12 km"
    assert words.metres(None) == "not known"
    assert words.microseconds(61.23) == "61.2 µs"
    assert figures.probability(2.2e-5) == "2.20 × 10⁻⁵"
    assert figures.probability(0) == "0"


def test_what_was_not_examined_is_no_figure(page, facts):
    """The end zones cover a whole path of C13."""
    assert "closest outside the end zones <b>not examined</b>" in entry(page, facts, "C13")
    said = "closest outside the end zones <b>230 m, N3-S29 and U3-D10</b>"
    assert said in entry(page, facts, "C04")


def test_writing_replaces_the_whole_file_or_nothing(tmp_path):
    path = tmp_path / "report.html"
    path.write_text("old")
    target = OutputFile(path, "html")
    write_text(target, "new\nlines\r\n", force=True)
    assert path.read_bytes() == b"new\nlines\r\n"
    with pytest.raises(UnicodeEncodeError):
        write_text(target, "\ud800", force=True)
    assert path.read_bytes() == b"new\nlines\r\n"
    assert [p.name for p in tmp_path.iterdir()] == ["report.html"]
