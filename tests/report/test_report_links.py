"""Every link of a page lands where it says, on a fresh load, with the motion that browsers have.

Landing is measured in Chromium and in Firefox by the same script: the top of what the hash names
is within 24 px of the top of the window, or the page is at its end and the target is in sight.
"""

from __future__ import annotations

import copy
from pathlib import Path
from urllib.parse import quote

import pytest

import waysapart as wa
from browser import Watched, chromium, firefox
from reroute_plants import Plant
from reroute_studies import ask, one_pit
from waysapart.report.cards import write_cards
from waysapart.report.marks import anchors
from waysapart.report.page import render_report

pytestmark = pytest.mark.browser

NEAR_PX = 24
PROPOSAL = Path(__file__).resolve().parents[2] / "examples" / "proposal-a"

HELPERS = """
const frames = async n => { for (let k = 0; k < n; k++) await new Promise(requestAnimationFrame); };
const named = hash => document.getElementById(hash.slice(1));
const off = hash => {
  const to = named(hash), box = to.getBoundingClientRect(), root = document.documentElement;
  const end = scrollY + innerHeight >= root.scrollHeight - 2;
  const lands = box.top >= -1 && (box.top <= NEAR || end && box.top < innerHeight);
  return { hash, top: box.top, lands };
};
""".replace("NEAR", str(NEAR_PX))
EVERY_LINK = f"""{HELPERS}
const links = new Map();
for (const link of document.querySelectorAll("a[href^='#']:not([href='#'])"))
  links.set(link.getAttribute("href"), link);
const found = [];
for (const [hash, link] of links) {{
  scrollTo({{ top: 0, behavior: "instant" }});
  link.click();
  await frames(3);
  found.push({{ ...off(hash), address: location.hash }});
}}
return found;
"""
ONE_LINK = f"""{HELPERS}
document.querySelector(`a[href="${{given[0]}}"]`).click();
await frames(40);
return off(given[0]);
"""
HERE = f"{HELPERS} await frames(40); return off(given[0]);"


class Chrome:
    """Chromium with the calls of `browser.Fox`."""

    def __init__(self, watched):
        self.watched, self.page = watched, None

    def open(self, path, *, at="", **options):
        if self.page is not None:
            self.page.close()
        self.page = self.watched.open(path, at=at, reduced_motion="no-preference", **options)

    def run(self, script, *arguments):
        return [self.page.evaluate(f"async given => {{ {script} }}", list(arguments)), None]


@pytest.fixture(scope="module")
def chrome():
    with chromium() as found:
        watched = Watched(found)
        yield Chrome(watched)
        watched.close()


@pytest.fixture(scope="module")
def fox(tmp_path_factory):
    with firefox(tmp_path_factory.mktemp("fox")) as found:
        yield found


@pytest.fixture(params=["chrome", "fox"])
def engine(request):
    return request.getfixturevalue(request.param)


@pytest.fixture(scope="module")
def report(tmp_path_factory, estuary_page):
    path = tmp_path_factory.mktemp("links") / "report.html"
    path.write_text(estuary_page, encoding="utf-8")
    return path


def ran(engine, script, *arguments):
    value, error = engine.run(script, *arguments)
    assert error is None, error
    return value


def test_every_link_of_the_report_lands(engine, report):
    engine.open(report)
    found = ran(engine, EVERY_LINK)
    assert {"#answer", "#events", "#sign-off", "#C03", "#C25"} <= {one["hash"] for one in found}
    assert len(found) > 30
    assert [one for one in found if not one["lands"]] == []
    assert [one for one in found if one["address"] != one["hash"]] == []


@pytest.mark.parametrize("hash_", ["#sign-off", "#C25"])
def test_the_first_click_after_loading_lands(engine, report, hash_):
    engine.open(report)
    assert ran(engine, ONE_LINK, hash_)["lands"]


@pytest.mark.parametrize("hash_", ["#C03", "#events"])
def test_a_hash_in_the_address_lands(engine, report, hash_):
    engine.open(report, at=hash_)
    assert ran(engine, HERE, hash_)["lands"]
    assert ran(engine, f"{HELPERS} return named(given[0]).open !== false;", hash_)


def test_links_of_a_large_report_land(engine, estuary_report, tmp_path_factory):
    """Parts far away are laid out when they come near, most entries when they are opened."""
    facts, geo = estuary_report
    more = [{**one, "id": f"{one['id']}-{k}"} for k in (2, 3) for one in facts["circuits"]]
    many = {**facts, "circuits": [*facts["circuits"], *more]}
    path = tmp_path_factory.mktemp("large") / "large.html"
    path.write_text(render_report(many, geo, title="Large"), encoding="utf-8")
    engine.open(path)
    for hash_ in ("#sign-off", "#C29-3", "#gaps", "#C03-2"):
        assert ran(engine, ONE_LINK, hash_)["lands"], hash_
    assert ran(engine, "return document.querySelector('#C29-3 .circuit-body') !== null;")
    engine.open(path, at="#C29-3")
    assert ran(engine, HERE, "#C29-3")["lands"]


STATE = """
const state = () => ({
  y: Math.round(scrollY), chosen: waysapart.chosen(), picked: waysapart.picked || null,
  card: !document.getElementById("plan-card").hidden,
  open: [...document.querySelectorAll("main details[open]")].length,
  zoom: waysapart.map.getZoom(), at: location.hash
});
"""


def test_back_leads_to_where_one_was(engine, report):
    """From a place between two heads, over an entry that the link opens and an asset on the map."""
    engine.open(report)
    steps = ran(
        engine,
        f"""{HELPERS}{STATE}
        waysapart.choose(4, "test");
        document.querySelector("#C03 details.evidence").open = true;
        named("#gaps").scrollIntoView({{ behavior: "instant" }});
        scrollBy({{ top: 311, behavior: "instant" }});
        await frames(3);
        const closed = [...document.querySelectorAll("details.circuit:not([open])")][0];
        const seen = [state()];
        document.querySelector(`tr a[href="#${{closed.id}}"]`).click();
        await frames(12);
        seen.push({{ ...state(), opened: closed.open, top: closed.getBoundingClientRect().top }});
        document.querySelector("#C03 button.asset").click();
        await frames(12);
        seen.push({{ ...state(), top: named("#map").getBoundingClientRect().top }});
        for (const _ of [1, 2]) {{ history.back(); await frames(20); seen.push(state()); }}
        history.forward();
        await frames(20);
        seen.push({{ ...state(), opened: closed.open }});
        return seen;""",
    )
    start, entry, asset, back, first, again = steps
    assert start["chosen"] == 4
    assert start["at"] == ""
    assert entry["opened"]
    assert abs(entry["top"] - 16) < NEAR_PX
    assert asset["card"]
    assert asset["at"] == f"#{asset['picked']}"
    assert asset["chosen"] != 4
    assert abs(asset["top"] - 16) < NEAR_PX
    assert {**back, "y": 0} == {**{key: entry[key] for key in back}, "y": 0}
    assert abs(back["y"] - entry["y"]) <= 2
    assert {**first, "y": 0} == {**start, "y": 0}
    assert abs(first["y"] - start["y"]) <= 2
    assert again["opened"]
    assert again["at"] == entry["at"]


def test_show_on_map_frames_what_was_found(chrome, report):
    """C04 shares a pit and a cable of some hundred metres; its paths are kilometres long."""
    chrome.open(report)
    found = ran(
        chrome,
        f"""{HELPERS}
        const index = waysapart.data.circuits.findIndex(one => one.id === "C04");
        waysapart.view.showCircuit(index);
        const whole = waysapart.map.getZoom();
        document.querySelector("#C04 .lead-finding .pick").click();
        await frames(6);
        const map = waysapart.map, size = map.getSize();
        const {{ pointAt, points }} = waysapart;
        const places = waysapart.data.circuits[index].shared
          .map(one => waysapart.placeOf(one.asset)).filter(id => pointAt.has(id))
          .map(id => pointAt.get(id));
        const inside = places.filter(i => {{
          const north = Math.atan(Math.sinh(Math.PI * (1 - 2 * points.y[i]))) * 180 / Math.PI;
          const p = map.latLngToContainerPoint([north, points.x[i] * 360 - 180]);
          return p.x > 0 && p.y > 0 && p.x < size.x && p.y < size.y;
        }});
        return {{
          whole, zoom: map.getZoom(), places: places.length, inside: inside.length,
          chosen: waysapart.chosen() === index, at: location.hash,
          top: named("#map").getBoundingClientRect().top
        }};""",
    )
    assert found["zoom"] > found["whole"]
    assert found["places"] == found["inside"] > 0
    assert found["chosen"]
    assert abs(found["top"] - 16) < NEAR_PX
    assert found["at"] == "#map:C04"


def renamed(value, names):
    """Facts or geometries with ids replaced, wherever a whole text or key is one."""
    if isinstance(value, str):
        return names.get(value, value)
    if isinstance(value, (list, tuple)):
        return [renamed(one, names) for one in value]
    if isinstance(value, dict):
        return {names.get(key, key): renamed(one, names) for key, one in value.items()}
    return value


def test_odd_ids_have_links_that_work(chrome, estuary_report, tmp_path):
    """A circuit called as a part of the page; ids with blanks, quotes, percent, other scripts."""
    odd = {
        "C03": "map", "C25": "C 4/\"<b>%#&'x", "C04": "пара%2F", "PIT-HER-7": "pit #7? <i>&é",
        "OP-N1": "C01",
    }  # fmt: skip
    facts, geo = (renamed(copy.deepcopy(part), odd) for part in estuary_report)
    path = tmp_path / "odd.html"
    path.write_text(render_report(facts, geo, title="Odd"), encoding="utf-8")
    anchor = anchors([one["id"] for one in facts["circuits"]])
    assert anchor["map"] == "circuit:map"
    chrome.open(path)
    for name in ("map", odd["C25"], odd["C04"], "C01"):
        link = f"#{anchor[name]}"
        landed = ran(chrome, ONE_LINK, link)
        assert landed["lands"], name
        told = ran(
            chrome, f"{HELPERS} return named(given[0]).querySelector('.id').textContent;", link
        )
        assert told == name
    chosen = "return [document.querySelector('#plan-card .id')?.textContent, waysapart.chosen()];"
    number = {one["id"]: place for place, one in enumerate(facts["circuits"])}
    for hash_, card, circuit in (
        (f"#{quote(odd['PIT-HER-7'], safe='')}", odd["PIT-HER-7"], None),
        ("#asset:C01", "C01", None),
        (f"#map:{quote(odd['C25'], safe='')}", None, number[odd["C25"]]),
        ("#map:map", None, number["map"]),
    ):
        ran(chrome, "waysapart.pickAsset(null, false); waysapart.choose(null, 'test');")
        ran(chrome, "scrollTo({ top: 0, behavior: 'instant' }); location.hash = given[0];", hash_)
        assert ran(chrome, HERE, "#map")["lands"], hash_
        assert ran(chrome, chosen) == [card, circuit], hash_
    chrome.open(path, at=f"#{quote(odd['PIT-HER-7'], safe='')}")
    assert ran(chrome, HERE, "#map")["lands"]
    assert ran(chrome, chosen) == [odd["PIT-HER-7"], None]


def test_hashes_do_not_depend_on_the_order_of_circuits():
    assert anchors(["C2", "C1"]) == {"C2": "C2", "C1": "C1"}
    assert anchors(["answer", "k.1"], ["k.1"]) == {"answer": "circuit:answer", "k.1": "circuit:k.1"}
    assert len(set(anchors(["a b", "a%20b", "map", "circuit:map"]).values())) == 4


@pytest.mark.parametrize("what", ["compare", "notice", "reroute", "cards"])
def test_every_link_of_the_other_pages_lands(chrome, what, estuary_proof, tmp_path):
    """In a low window, since these pages are short."""
    page = tmp_path / f"{what}.html"
    if what == "compare":
        wa.write_comparison(wa.compare(estuary_proof, wa.prove(wa.read_study(PROPOSAL))), page)
    elif what == "notice":
        wa.write_notice(wa.dig(estuary_proof, assets=["PIT-HER-7", "OP-N1"]), page)
    elif what == "cards":
        write_cards(estuary_proof.network, page)
    else:
        plant = Plant()
        one_pit(plant)
        wa.write_reroute(ask(plant, tmp_path / "study"), page, options=[])
    chrome.open(page, viewport={"width": 1000, "height": 300})
    found = ran(chrome, EVERY_LINK)
    assert len(found) > 3
    assert [one for one in found if not one["lands"]] == []
    assert [one for one in found if one["address"] != one["hash"]] == []
