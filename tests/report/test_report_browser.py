"""The report in a real browser: nothing is requested, nothing runs, all works by keyboard."""

import csv
import io
import time

import pytest

from browser import Watched, chromium
from waysapart.report.escape import csv_cell, visible
from waysapart.report.page import render_report

pytestmark = pytest.mark.browser

HOSTILE = (
    "{{ 7*7 }} {% raw {# ${ran(1)} ` \\ \" ' &amp; </script><script>ran(2)</script>"
    "<img src=x onerror=ran(3)><svg onload=ran(4)> \u202eevil\u200b "
)


@pytest.fixture(scope="module")
def browser():
    with chromium() as found:
        yield found


@pytest.fixture
def opened(browser, tmp_path):
    """Opens a report from a file without a network; at the end asks what it did."""
    watched = Watched(browser)

    def opener(facts, geo, **options):
        path = tmp_path / "report.html"
        path.write_text(render_report(facts, geo, title=facts["study"]), encoding="utf-8")
        return watched.open(path, **options)

    yield opener
    watched.close()


@pytest.fixture
def page(opened, estuary_report):
    return opened(*estuary_report)


OURS = {"verdict", "made", "role", "code", "what", "bears_on", "path"}
"""Fields of the facts and of GeoJSON in which the program looks up what it wrote there itself."""
BY_ID = {"of", "inside", "runs", "circuit", "group"}
"""Fields that may hold an object with ids as its keys."""


def respelled(value, spell):
    """The same facts or geometries with every text of a layer put through `spell`, ids alike."""
    if isinstance(value, str):
        return spell(value)
    if isinstance(value, (list, tuple)):
        return [respelled(item, spell) for item in value]
    if not isinstance(value, dict):
        return value
    made = {}
    for key, item in value.items():
        if key in OURS or (key == "type" and isinstance(item, str)):
            made[key] = item
        elif key in BY_ID and isinstance(item, dict):
            made[key] = {spell(name): respelled(one, spell) for name, one in item.items()}
        else:
            made[key] = respelled(item, spell)
    return made


def colours(page):
    """How many pixels of the map's canvas have each of the colours that the page defines."""
    return page.evaluate(
        """() => {
          const drawn = document.querySelector('.plan-canvas');
          const canvas = document.createElement('canvas');
          canvas.width = drawn.width; canvas.height = drawn.height;
          const copy = canvas.getContext('2d', { willReadFrequently: true });
          copy.drawImage(drawn, 0, 0);
          const style = getComputedStyle(document.querySelector('.folium-map'));
          const names = ['main', 'alternate', 'common', 'near', 'soft', 'ink'];
          const wanted = names.map(n => {
            const h = style.getPropertyValue('--' + n).trim();
            return [n, [1, 3, 5].map(i => parseInt(h.slice(i, i + 2), 16))];
          });
          const d = copy.getImageData(0, 0, canvas.width, canvas.height).data;
          const out = Object.fromEntries(names.map(n => [n, 0]));
          out.hazard = 0;  // thin hatching, never quite its full colour: anything greenish
          for (let i = 0; i < d.length; i += 4) {
            if (d[i + 1] - d[i] > 40 && d[i + 1] - d[i + 2] > 10) out.hazard++;
            for (const [n, c] of wanted)
              if (d[i + 3] > 250 && c.every((v, k) => Math.abs(v - d[i + k]) < 4)) out[n]++;
          }
          return out;
        }"""
    )


def test_the_map_is_drawn_and_layers_switch(page):
    before = colours(page)
    assert before["soft"] > 300
    assert before["hazard"] > 50
    assert before["common"] > 50
    assert before["near"] > 50
    assert before["main"] == 0
    page.click("#plan-layers summary")
    page.uncheck("#plan-layers input[value=hazards]")
    assert colours(page)["hazard"] == 0
    page.uncheck("#plan-layers input[value=findings]")
    after = colours(page)
    assert (after["common"], after["near"]) == (0, 0)
    for layer in ("overhead", "buried", "subsea", "grid"):
        page.uncheck(f"#plan-layers input[value={layer}]")
    assert colours(page)["soft"] < before["soft"] / 3


def test_choosing_a_circuit_in_the_table_shows_it_on_the_map(page):
    page.click("tr[data-circuit] >> text=C04")
    assert page.input_value("#plan-circuit") == "3"
    found = colours(page)
    assert found["main"] > 500
    assert found["alternate"] > 300
    assert page.get_attribute("tr.chosen button.pick", "aria-pressed") == "true"
    assert "C04" in page.text_content("details.chosen summary")
    page.click("tr[data-circuit] >> text=C04")
    assert page.input_value("#plan-circuit") == ""
    assert colours(page)["main"] == 0


def test_choosing_a_circuit_on_the_map_marks_it_in_the_table(page):
    page.select_option("#plan-circuit", label="C09 · Marramby-Oysterbeck trip")
    assert page.text_content("tr.chosen button.pick") == "C09"
    box = page.locator("tr.chosen").bounding_box()
    ledger = page.locator(".ledger .scroll").bounding_box()
    assert ledger["y"] <= box["y"] <= ledger["y"] + ledger["height"]


def test_a_click_on_an_asset_tells_what_its_loss_takes(page):
    """C04, C17 and C33 rely on pit PIT-HER-7 with both paths, four circuits with one path."""
    page.fill("#plan-find", "Pit-Her-7")
    page.click("#plan-found button:has-text('PIT-HER-7') >> nth=0")
    page.click("#plan-card button:has-text('Close')")
    assert page.is_hidden("#plan-card")
    frame = page.locator(".folium-map").bounding_box()
    page.mouse.click(frame["x"] + frame["width"] / 2, frame["y"] + frame["height"] / 2)
    card = page.locator("#plan-card")
    assert card.locator(".id").first.text_content() == "PIT-HER-7"
    rows = dict(
        zip(
            card.locator("dt").all_text_contents(),
            card.locator("dd").all_text_contents(),
            strict=True,
        )
    )
    lost, left = ["C04", "C17", "C33"], ["C14", "C22", "C23", "C24"]
    assert rows["Kind"] == "pit"
    assert rows["Shared by both paths of"].split() == lost
    assert rows["If this is lost, circuits lost"].split() == lost
    assert rows["Circuits left with one path"].split() == left
    assert page.locator("tr.relies button.pick").all_text_contents() == [*lost, *left]
    card.locator("button:has-text('C14')").click()
    assert page.text_content("tr.chosen button.pick") == "C14"


def test_an_asset_named_in_a_finding_is_found_on_the_map(page):
    page.click("details.circuit button.asset >> text=PIT-HER-7")
    assert page.text_content("#plan-card .id") == "PIT-HER-7"
    assert page.text_content("tr.chosen button.pick") == "C04"


def ids(page):
    return page.locator(
        "table[data-table=circuits] tbody tr:visible button.pick"
    ).all_text_contents()


def test_the_table_sorts_and_filters(page):
    heading = page.locator("table[data-table=circuits] th button.sort").first
    heading.click()
    assert ids(page) == [f"C{n:02d}" for n in range(1, 34)]
    assert page.get_attribute("table[data-table=circuits] th >> nth=0", "aria-sort") == "ascending"
    heading.click()
    assert ids(page) == [f"C{n:02d}" for n in range(33, 0, -1)]
    page.fill(".ledger input[type=search]", "plovermoor landfall")
    assert ids(page) == []
    page.fill(".ledger input[type=search]", "plovermoor shared:")
    assert ids(page) == ["C33", "C17", "C05", "C04"]
    assert page.text_content(".ledger [role=status]") == "4 of 33 rows"


def saved(page, table):
    with page.expect_download() as download:
        page.click(f"[aria-label='Save as CSV: {table}']")
    with open(download.value.path(), encoding="utf-8-sig", newline="") as file:
        return download.value.suggested_filename, list(csv.reader(io.StringIO(file.read())))


def test_tables_are_saved_as_csv(page, estuary_report):
    name, rows = saved(page, "Circuits")
    assert name == "circuits.csv"
    assert rows[0] == ["Circuit", "Verdict", "Limits", "Found"]
    assert rows[1][:3] == ["C02", "shared", "within"]
    assert len(rows) == 34
    name, rows = saved(page, "Inputs")
    facts, _ = estuary_report
    assert rows[1:] == [[row["file"], row["sha256"]] for row in facts["inputs"]]


def test_csv_cells_follow_the_same_rule_as_in_python(page):
    texts = ["=1+1", "  =1", "+1", "-1.5e3", "-a", "@a", "＝1", 'a"b', "a,b", "a;b", "", "x", " y"]
    texts += ["'=1", "''-a", "'a", "-", "a;=1;-2", "\t=1", "\ta", "a\n@b", "﹢1", ";+;-x;"]
    made = page.evaluate("texts => texts.map(waysapartTables.csvCell)", texts)
    assert made == [csv_cell(text) for text in texts]


def until(page, condition):
    """Whether a condition comes true within 30 s. Asked from outside: the page's policy forbids
    eval, with which Playwright's own waiting asks a second time."""
    end = time.monotonic() + 30
    while time.monotonic() < end:
        if page.evaluate(condition):
            return True
        page.wait_for_timeout(50)
    return False


def test_all_is_done_by_keyboard(page):
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the answer"
    page.focus("#plan-find")
    page.keyboard.type("PIT-HER-7")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    assert page.text_content("#plan-card .id") == "PIT-HER-7"
    page.focus("#plan-circuit")
    page.keyboard.press("Escape")
    assert page.is_hidden("#plan-card")
    page.focus("tr[data-circuit='3'] button.pick")
    page.keyboard.press("Enter")
    assert page.input_value("#plan-circuit") == "3"
    page.keyboard.press("Escape")
    assert page.input_value("#plan-circuit") == ""
    page.focus(".folium-map")
    centre = (
        "(() => { const c = map_plan.getCenter(); return [c.lat, c.lng, map_plan.getZoom()]; })()"
    )
    start = page.evaluate(centre)
    page.keyboard.press("ArrowRight")
    assert until(page, f"{centre}[1] > {start[1]}")
    page.keyboard.press("+")
    assert until(page, f"{centre}[2] > {start[2]}")
    page.focus("details.circuit:not([open]) > summary")
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.parentElement.open")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1300])
def test_no_part_is_wider_than_the_window(opened, estuary_report, width, scheme):
    window = {"width": width, "height": 700}
    page = opened(*estuary_report, viewport=window, color_scheme=scheme)
    assert page.evaluate("document.documentElement.scrollWidth") == width
    if width == 360:
        begins_at_the_first_finding(page, "C25")
    page.select_option("#plan-circuit", "3")
    assert colours(page)["main"] > 100


def begins_at_the_first_finding(page, circuit):
    """A strip wider than the window: the near stretch is in sight, the edges are shaded where
    there is more, and the name of the lane has moved along."""
    box = page.locator(f"details.circuit:has(h3 .id:text-is('{circuit}')) .strip-box")
    box.scroll_into_view_if_needed()
    entry = f"[data-circuit]:has([aria-label='Lanes of {circuit}']) .strip-box"
    assert until(page, f'document.querySelector("{entry}").scrollLeft > 0')
    seen = box.evaluate(
        """box => {
          const svg = box.querySelector('svg'), scale = svg.getBoundingClientRect().width / 1000;
          const name = svg.querySelector('.lane-label').getBoundingClientRect();
          const at = box.getBoundingClientRect();
          return { at: svg.dataset.first * scale - box.scrollLeft, room: box.clientWidth,
                   name: name.left - at.left,
                   more: box.scrollWidth - box.clientWidth - box.scrollLeft,
                   shades: getComputedStyle(box).backgroundAttachment };
        }"""
    )
    assert 0 < seen["at"] < seen["room"] / 2
    assert seen["more"] > 0
    assert 0 <= seen["name"] < 20
    assert seen["shades"] == "local, local, scroll, scroll"


def test_print_opens_what_needs_a_decision_and_draws_on_white(opened, estuary_report):
    page = opened(*estuary_report, color_scheme="dark")
    page.emulate_media(media="print")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    apart = [one["verdict"] for one in estuary_report[0]["circuits"]].count("apart")
    folded = page.locator("details.circuit:not([open])")
    assert 0 < folded.count() < apart  # one that is apart is outside a limit
    for row in folded.all():
        assert row.locator(".verdict").all_text_contents() == ["apart"]
        assert row.is_hidden()
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert page.is_hidden(".plan-tools")
    assert page.is_hidden(".ledger .table-tools")
    assert colours(page)["hazard"] > 50
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    assert page.locator("details.circuit:not([open])").count() > 0


def test_hostile_text_is_shown_as_it_is_and_nothing_runs(opened, estuary_report):
    """Every text of facts and geometries starts with each thing that could run somewhere."""
    page = opened(*(respelled(one, lambda text: HOSTILE + text) for one in estuary_report))
    shown = visible(HOSTILE).strip()
    page.evaluate("document.querySelectorAll('details.circuit').forEach(d => { d.open = true; })")
    for element in (
        "h1",
        "#answer .decide a",
        "#answer li:nth-child(3) .finding",
        "table[data-table=circuits] button.pick",
        "table[data-table=circuits] .sub",
        "#plan-circuit option:nth-child(2)",
        "details.circuit h3",
        "details.circuit .what .asset",
        "details.circuit .chain li",
        "details.circuit .facts b",
        "details.circuit .gaps li",
        "#groups article h3",
        "table[data-table=gaps] td",
        "table[data-table=waivers] td",
        "table[data-table=assumptions] td",
        "table[data-table=inputs] td",
    ):
        assert shown in page.locator(element).first.text_content(), element
    page.select_option("#plan-circuit", "3")
    page.fill("#plan-find", "PIT-HER-7")
    page.click("#plan-found button >> nth=0")
    assert shown in page.text_content("#plan-card .id")
    assert shown in page.locator("#plan-card dd").first.text_content()
    frame = page.locator(".folium-map").bounding_box()
    page.mouse.click(frame["x"] + frame["width"] / 2, frame["y"] + frame["height"] / 2)
    for name in ("circuits", "inputs"):
        page.locator(f"table[data-table={name}] th button").first.click()
    assert "49" not in page.title()
    assert page.evaluate("window.hasRun") is None
    assert page.locator("img, svg[onload]").count() == 0


def test_text_like_a_formula_is_saved_as_text(opened, estuary_report):
    spelled = [respelled(one, lambda text: "=1+1;" + text) for one in estuary_report]
    _, rows = saved(opened(*spelled), "Circuits")
    assert rows[1][0] == "'=1+1;C02"
