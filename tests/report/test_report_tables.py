"""The tables of the report: figures that agree everywhere, counts that add up, sorting, filters."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

import waysapart
from browser import Watched, chromium
from waysapart import figures
from waysapart.report import words
from waysapart.report.circuit_table import circuit_rows, circuits_csv, least_margin
from waysapart.report.terminal import show_circuit, show_proof
from waysapart.report.view import causes, event_rows, gap_kinds, page_view
from waysapart.text import counted

Facts = dict[str, Any]


@pytest.fixture(scope="module")
def facts(estuary_report: tuple[Facts, Facts]) -> Facts:
    return estuary_report[0]


@pytest.fixture(scope="module")
def links(facts: Facts) -> Facts:
    return {one["id"]: one for one in facts["links"]}


@pytest.fixture(scope="module")
def rows(facts: Facts, links: Facts) -> list[dict[str, str]]:
    """The file of circuits, read back."""
    return list(csv.DictReader(io.StringIO(circuits_csv(facts["circuits"], links), newline="")))


def printed(show: Any, *args: Any) -> str:
    file = io.StringIO()
    show(Console(file=file, width=400, color_system=None), *args)
    return file.getvalue()


def text_of(html: str) -> str:
    return " ".join(re.sub(r"<[^>]*>", " ", html).split())


# --- The same digits everywhere.


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (0.0, "0 m"),
        (0.0004, "0 m"),
        (0.4, "0.400 m"),
        (9.996, "10.0 m"),
        (25.0, "25.0 m"),
        (322.24, "322 m"),
        (999.4, "999 m"),
        (999.6, "1.00 km"),
        (13_561.0, "13.6 km"),
        (302_400.0, "302 km"),
    ],
)
def test_a_length_has_three_digits(value: float, said: str) -> None:
    assert figures.metres(value) == said


_BY_HAND = re.compile(
    r"\{[^{}]*:,?\.\d[fg]\} ?(?:m|km|µs|us|ms)\b"
    r'|\.toFixed\([^()]*\) *\+ *"(?: m| km| µs)\b'
    r'|\d[fg]"(?:\|format| %)[^}]*\}\} ?(?:m|km|µs|ms)\b'
)
"""A length or a delay with its unit, rounded where it stands."""
_PLACES = {"stretches.py", "places.py"}
"""Where something is along a path, or from a site: whole metres and kilometres, not figures."""


def test_no_length_and_no_delay_is_rounded_where_it_stands() -> None:
    """`waysapart.figures` does that, and one script for what a reader measures on the map."""
    assert _BY_HAND.search('f"{distance_m:.1f} m away"')
    assert _BY_HAND.search('{{ "%.2f"|format(delay) }} µs')
    assert _BY_HAND.search('value.toFixed(1) + " m"')
    package = Path(waysapart.__file__).parent
    found = [
        f"{path.name}: {line.strip()}"
        for stage in ("report", "whatif", "cli")
        for path in sorted((package / stage).rglob("*"))
        if path.suffix in (".py", ".js", ".j2") and path.name not in _PLACES
        for line in path.read_text(encoding="utf-8").splitlines()
        if _BY_HAND.search(line)
    ]
    assert found == []


def test_a_limit_has_the_digits_of_the_rule() -> None:
    assert figures.limit_said(200.0, "us") == "200 µs"
    assert figures.limit_said(0.35, "db") == "0.35 dB"
    assert figures.limit_said(1.5e-5, "share") == "1.5 × 10⁻⁵"
    assert figures.limit_said(None, "m") == "not known"


def test_a_figure_reads_the_same_on_terminal_page_and_in_the_file(
    facts: Facts, links: Facts, rows: list[dict[str, str]], estuary_page: str
) -> None:
    """Every circuit: closest approach, delay, asymmetry, margin, and time down at once."""
    shown = {
        row.id: row
        for row in circuit_rows(
            facts["circuits"], links, {one["id"]: (0, "") for one in facts["circuits"]}
        )
    }
    page = text_of(estuary_page)
    compared = Counter[str]()
    for row, one in (
        (row, one) for one in facts["circuits"] for row in rows if row["circuit"] == one["id"]
    ):
        said = " ".join(printed(show_circuit, facts, one["id"]).split())
        table = shown[one["id"]]
        for name, cell, unit in (
            ("delay us", table.delay, "µs"),
            ("asymmetry us", table.asymmetry, "µs"),
        ):
            if row[name]:
                compared[name] += 1
                assert row[name] == cell.text
                assert f"{row[name]} {unit}" in said
                assert f"{row[name]} {unit}" in page
        if row["closest m"]:
            compared["closest"] += 1
            assert row["closest m"] == table.closest.text
            assert f"closest approach: {row['closest m']} m, " in said
            assert f"{row['closest m']} m" in page
        if row["least margin dB"]:
            compared["margin"] += 1
            assert row["least margin dB"] == table.margin.text
            assert f"margin {row['least margin dB']} dB" in said
            assert f"{row['least margin dB']} dB" in page
        if row["down at once min a year"]:
            compared["down"] += 1
            assert row["down at once min a year"] == table.down.text
            assert f"{table.down.text} min a year" in page
            assert figures.probability(float(row["unavailability"])) in said
    assert min(compared.values()) > 25
    assert set(compared) == {"delay us", "asymmetry us", "closest", "margin", "down"}
    assert "322.2 µs" in page
    assert "Asymmetry of 322.2 µs exceeds its limit of 200 µs" in page
    assert "Asymmetry of 322.2 µs exceeds its limit of 200 µs" in " ".join(
        printed(show_proof, facts).split()
    )


def test_a_figure_that_is_not_known_stands_in_no_column_of_numbers(
    facts: Facts, rows: list[dict[str, str]]
) -> None:
    """C09 lacks the delay of a radio hop, and what fails there."""
    (row,) = [row for row in rows if row["circuit"] == "C09"]
    one = next(one for one in facts["circuits"] if one["id"] == "C09")
    assert one["delay"]["worst_us"] is None
    assert (row["delay us"], row["delay kept"]) == ("", "not known")
    assert row["delay at least us"] == figures.plain_microseconds(one["delay"]["worst_at_least_us"])
    assert row["unavailability"] == row["down at once min a year"] == ""
    assert row["closest m"] == ""
    assert row["closest at most m"] == figures.plain_metres(one["closest_m"])
    assert float(row["down at once at least min a year"]) > 0


def test_the_least_margin_is_a_bound_where_a_link_has_none(facts: Facts, links: Facts) -> None:
    """The least of two links, of which one then has an upper bound, then nothing."""
    one = next(one for one in facts["circuits"] if one["id"] == "C01")
    first, second = words.link_losses(one, links)[:2]
    least = min(first.row["margin_db"], second.row["margin_db"])
    assert least_margin([first, second]).known == least
    bound = least - 1
    open_ = words.LinkLoss(
        second.path,
        {**second.row, "margin_db": None},
        {**second.link, "margin_db": None, "margin_at_most_db": bound},
        second.held,
    )
    found = least_margin([first, open_])
    assert (found.known, found.at_most, found.link) == (None, bound, second.row["link"])
    nothing = words.LinkLoss(
        second.path, open_.row, {**open_.link, "margin_at_most_db": None}, second.held
    )
    found = least_margin([first, nothing])
    assert (found.known, found.at_most) == (None, first.row["margin_db"])
    assert least_margin([nothing]) == (None, None, "", None)


def test_the_file_is_in_the_order_of_the_ids_and_safe(facts: Facts, links: Facts) -> None:
    one = facts["circuits"][0]
    names = ["C10", "C2", "=HYPERLINK(1)", "C1", 'a"b,c']
    made = circuits_csv([{**one, "id": name, "name": "@x\r\n+a"} for name in names], links)
    read = list(csv.reader(io.StringIO(made, newline="")))
    assert [row[0] for row in read[1:]] == ["'=HYPERLINK(1)", "C1", "C2", "C10", 'a"b,c']
    assert all(row[1] == "'@x\r\n'+a" for row in read[1:])
    assert {len(row) for row in read} == {len(read[0])}


# --- Counts that can be redone by hand.


def test_the_verdicts_on_the_page_sum_to_the_circuits(facts: Facts, estuary_page: str) -> None:
    counts = page_view(facts)["counts"]
    verdicts = Counter(one["verdict"] for one in facts["circuits"])
    assert {name: counts[name] for name in verdicts} == verdicts
    assert sum(counts[name] for name in words.VERDICTS) == counts["total"] == len(facts["circuits"])
    shown = re.findall(r'<dd class="count">(\d+)</dd>', estuary_page.split("</dl>", maxsplit=1)[0])
    *parts, _over, total = map(int, shown)
    assert sum(parts) == total == len(facts["circuits"])


def test_gaps_by_kind_sum_to_the_gaps(facts: Facts, estuary_page: str) -> None:
    kinds = gap_kinds(facts["gaps"])
    again = Counter[str]()
    for gap in facts["gaps"]:
        again[gap["code"]] += len(gap["assets"]) if gap["count"] > 1 else 1
    assert {row["code"]: row["count"] for row in kinds} == again
    total = sum(row["count"] for row in kinds)
    assert total == facts["summary"]["gaps"]
    said = text_of(estuary_page.split('<p class="kinds">')[1].split("</p>", maxsplit=1)[0])
    assert said.startswith(f"{total} gaps by kind:")
    assert sum(map(int, re.findall(r" (\d+)\b", said.split(":")[1]))) == total


def test_single_points_are_counted_with_those_at_the_ends(
    facts: Facts, rows: list[dict[str, str]], estuary_page: str
) -> None:
    """C03: the relays, racks, rooms and sites of both ends, and its trench."""
    one = next(one for one in facts["circuits"] if one["id"] == "C03")
    assert words.single_points_said(one) == "10 single points, of which 8 at the ends"
    assert "10 single points, of which 8 at the ends" in text_of(estuary_page)
    assert "10 single points, of which 8 at the ends" in printed(show_circuit, facts, "C03")
    (row,) = [row for row in rows if row["circuit"] == "C03"]
    assert (row["single points"], row["single points at the ends"]) == ("10", "8")
    assert set(row["single points avoidable"].split("; ")) == {"TR-1", "ROW-1"}


def test_causes_of_time_down_sum_to_the_whole(facts: Facts) -> None:
    """And a relay is down by the rate and the hours that stand among the assumptions."""
    rules = {row["key"]: row["value"] for row in facts["assumptions"]}
    rate, hours = rules["failures.equipment.per_year"], rules["failures.equipment.repair_h"]
    by_hand = rate * hours / (8760 + rate * hours) * 525_600
    seen = 0
    for one in facts["circuits"]:
        down = one["unavailability"]
        told = causes(down)
        if down["both"] is None:
            assert told == []
            continue
        seen += 1
        assert sum(cause.minutes for cause in told) == pytest.approx(down["both"] * 525_600)
        assert sum(cause.percent for cause in told) == pytest.approx(100)
        assert down["minutes_a_year"] == pytest.approx(down["both"] * 525_600, rel=1e-5)
        relay = next((cause for cause in told if cause.asset == one["a"]), None)
        if relay is not None:
            assert relay.minutes == pytest.approx(by_hand, rel=1e-4)
    assert seen > 25


# --- Events: the avoidable ones first, those at the ends by themselves.


def test_events_at_the_ends_stand_by_themselves(facts: Facts, estuary_page: str) -> None:
    """An asset is at the ends where all circuits and groups that it puts out of service need it."""
    found = event_rows(facts["effects"], facts["circuits"], facts["groups"])
    needed = {
        one["id"]: {*one["unavoidable"], *one.get("tail", [])}
        for one in (*facts["circuits"], *facts["groups"])
    }
    for some, at_ends in ((found.rows, False), (found.ends, True)):
        assert some
        for row in some:
            for asset in row.assets:
                assert all(asset in needed[name] for name in (*row.lost, *row.groups)) == at_ends
            for names in (row.assets, row.lost, row.left, row.groups):
                assert names == sorted(names, key=counted)
    avoidable = {name for row in found.rows for name in row.assets}
    assert {"PIT-HER-7", "TR-1", "BAT-STK-3"} <= avoidable
    assert {"R-C03-A", "HER"} <= {name for row in found.ends for name in row.assets}
    alone = {
        asset
        for asset, (loss, _, _) in facts["effects"]["of"].items()
        if loss >= 0
        and (facts["effects"]["losses"][loss][0] or facts["effects"]["losses"][loss][2])
    }
    assert found.avoidable + found.at_ends == len(alone)
    said = text_of(estuary_page.split('id="events-head"')[1])
    assert f"{found.avoidable} avoidable" in said
    assert f"{found.at_ends} at the circuits' own ends" in said.replace("&#39;", "'")


# --- In a browser: sorting, filters, files. One page for all.


@pytest.fixture(scope="module")
def page(estuary_page: str, tmp_path_factory: pytest.TempPathFactory) -> Any:
    path = tmp_path_factory.mktemp("tables") / "report.html"
    path.write_text(estuary_page, encoding="utf-8")
    with chromium() as browser:
        watched = Watched(browser)
        yield watched.open(path)
        watched.close()


TABLE = "table[data-table=figures]"


def column(page: Any, number: int) -> list[str]:
    return [
        cell.split(" at the ends")[0].strip()
        for cell in page.locator(f"{TABLE} tbody td:nth-child({number})").all_inner_texts()
    ]


def numbers(texts: list[str]) -> tuple[list[float], int]:
    """Figures down to the first that is none, and how many of the rest are figures."""
    known = [re.fullmatch(r"(?:at \w+ )?(-?[\d.]+)", text) for text in texts]
    first = next((k for k, found in enumerate(known) if found is None), len(known))
    return [float(found[1]) for found in known[:first] if found], sum(
        found is not None for found in known[first:]
    )


@pytest.mark.browser
@pytest.mark.parametrize("number", [4, 6, 7, 8, 9])
def test_figures_sort_as_numbers_and_the_unknown_stand_last(page: Any, number: int) -> None:
    heading = page.locator(f"{TABLE} th >> nth={number - 1}").locator("button")
    for turned in (False, True):
        heading.click()
        texts = column(page, number)
        known, astray = numbers(texts)
        assert len(known) > 20
        assert astray == 0
        assert known == sorted(known, reverse=turned)
    if number in (6, 9):
        assert any(text.startswith("at least") for text in texts)


@pytest.mark.browser
def test_ids_sort_naturally(page: Any) -> None:
    made = page.evaluate(
        """() => {
          const body = document.querySelector('table[data-table=inputs]').tBodies[0];
          const row = body.rows[0];
          ['C10', 'C9', 'C2', '1e3', '2'].forEach(id => {
            const one = row.cloneNode(true); one.cells[0].textContent = id; body.append(one);
          });
          while (body.rows.length > 5) body.rows[0].remove();
          document.querySelector('table[data-table=inputs] th button').click();
          return [...body.rows].map(row => row.cells[0].textContent);
        }"""
    )
    assert made == ["1e3", "2", "C2", "C9", "C10"]


@pytest.mark.browser
@pytest.mark.parametrize(("table", "place"), [("figures", "#figures"), ("circuits", ".ledger")])
def test_a_verdict_filters_as_a_verdict(page: Any, facts: Facts, table: str, place: str) -> None:
    box = page.locator(f"{place} .table-tools input[type=search]")
    verdicts = Counter(one["verdict"] for one in facts["circuits"])

    def left() -> int:
        shown: int = page.locator(f"table[data-table={table}] tbody tr:visible").count()
        return shown

    for verdict, count in verdicts.items():
        box.fill(verdict.capitalize())
        assert left() == count
        told = page.text_content(f"{place} [role=status]")
        assert told.startswith(f"{count} of 33 rows are {verdict}")
    box.fill("outside")
    assert left() == sum(one["within_limits"] is False for one in facts["circuits"]) > 0
    box.fill("shared saltmarsh-heronfleet")
    assert left() == 2
    box.fill("heronfleet")
    assert (
        left() == page.locator(f"table[data-table={table}] tbody tr", has_text="heronfleet").count()
    )
    assert page.text_content(f"{place} [role=status]") == f"{left()} of 33 rows"
    box.fill("")
    assert left() == 33
    assert page.text_content(f"{place} [role=status]") == ""


@pytest.mark.browser
def test_an_event_is_found_by_an_id_within_its_row(page: Any) -> None:
    """A row of thirty spans shows the first and the last of them."""
    rows = page.locator("table[data-table=events] tbody tr")
    whole = rows.filter(has_text="N1-S01").filter(has_text="N1-S30")
    assert whole.count() == 1
    box = page.locator("#events .table-tools input[type=search]").first
    box.fill("n1-s17")
    assert rows.locator("visible=true").count() == whole.locator("visible=true").count() == 1
    box.fill("n1-s31")
    assert not whole.is_visible()
    box.fill("")


@pytest.mark.browser
def test_text_in_quotation_marks_is_found_as_text(page: Any) -> None:
    """Of crossings and near approaches the ledger says how far apart they run."""
    box = page.locator(".ledger .table-tools input[type=search]")
    rows = "table[data-table=circuits] tbody tr"
    box.fill('"apart"')
    texts = page.locator(f"{rows}:visible").all_text_contents()
    assert texts
    assert all("apart" in text for text in texts)
    assert any("shared" in text for text in texts)
    box.fill("")


@pytest.mark.browser
def test_all_columns_are_saved_from_the_page(page: Any, facts: Facts, links: Facts) -> None:
    with page.expect_download() as download:
        page.click("[aria-label='Save all columns as CSV: Figures of every circuit']")
    assert download.value.suggested_filename == "circuits.csv"
    with open(download.value.path(), encoding="utf-8-sig", newline="") as file:
        assert file.read() == circuits_csv(facts["circuits"], links)


@pytest.mark.browser
def test_the_table_of_figures_stays_within_a_phone(page: Any) -> None:
    page.set_viewport_size({"width": 390, "height": 800})
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    page.set_viewport_size({"width": 1300, "height": 900})
