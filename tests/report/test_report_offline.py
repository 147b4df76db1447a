"""The page is self-contained or it is not made."""

import base64
import hashlib
import re

import folium
import pytest
from branca.element import MacroElement
from folium.plugins import Fullscreen
from folium.template import Template

from waysapart.report.standalone_html import CSP_PLACE, JQUERY_SHIM, map_parts, seal


def plain() -> folium.Map:
    return folium.Map(location=[54, 8], tiles=None)


def test_leaflet_comes_from_the_package_and_nothing_from_the_network():
    parts = map_parts(plain())
    assert any("Leaflet 1.9" in script for script in parts.scripts)
    assert any("L.map(" in script for script in parts.scripts)
    assert JQUERY_SHIM in parts.scripts
    assert "folium-map" in parts.body
    assert not any("sourceMappingURL" in script for script in parts.scripts)
    for style in parts.styles:
        urls = re.findall(r"url\(([^)]*)\)", style)
        assert all(url.startswith(("data:image/png;base64,", "#")) for url in urls)


def test_styles_for_the_whole_page_are_left_out():
    """Of the head of folium's page nothing stays but Leaflet's style: no viewport either."""
    parts = map_parts(plain())
    assert not any("html, body" in style for style in parts.styles)
    assert len(parts.styles) == 1
    assert "<meta" not in parts.body


@pytest.mark.parametrize(
    ("libraries", "url"),
    [
        ("default_js", "https://cdn.example/leaflet.draw.js"),
        ("default_css", "https://cdn.example/new.css"),
    ],
)
def test_an_unknown_remote_file_is_an_error(libraries, url):
    fmap = plain()
    setattr(fmap, libraries, [*getattr(fmap, libraries), ("new", url)])
    with pytest.raises(LookupError, match=r"cdn\.example"):
        map_parts(fmap)


def test_a_plugin_that_needs_the_network_is_an_error():
    fmap = plain()
    Fullscreen().add_to(fmap)
    with pytest.raises(LookupError, match="not packaged"):
        map_parts(fmap)


def test_an_element_that_writes_into_the_head_is_an_error():
    """It could bring in a file of which no list says anything."""
    fmap = plain()
    element = MacroElement()
    element._template = Template("{% macro header(this, kwargs) %}<base href='/'>{% endmacro %}")
    element.add_to(fmap)
    with pytest.raises(LookupError, match="markup in the head"):
        map_parts(fmap)


def test_a_newer_leaflet_than_the_packaged_one_is_an_error():
    fmap = plain()
    fmap.default_js = [
        (name, re.sub(r"leaflet@1\.9", "leaflet@2.0", url)) for name, url in fmap.default_js
    ]
    with pytest.raises(LookupError, match="another Leaflet"):
        map_parts(fmap)


def page(body, head=CSP_PLACE):
    return f"<!DOCTYPE html><html><head>{head}</head><body>{body}</body></html>"


def test_the_seal_names_each_script_and_style_by_its_hash():
    """Line ends are line feeds in what is hashed, as the browser sees them; data is no script."""
    sealed = seal(
        page(
            "<script>let a = 1;\r\nlet b = '<p>';</script>"
            '<script type="application/json">{"a": 1}</script><style>p { color: red }</style>'
        )
    )
    digest = base64.b64encode(hashlib.sha256(b"let a = 1;\nlet b = '<p>';").digest()).decode()
    style = base64.b64encode(hashlib.sha256(b"p { color: red }").digest()).decode()
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', sealed).group(1)
    assert policy == (
        f"default-src 'none'; script-src 'sha256-{digest}'; style-src 'sha256-{style}'; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )


def test_only_a_named_host_may_give_images():
    assert "img-src data: https://tiles.example;" in seal(page(""), ["https://tiles.example"])


@pytest.mark.parametrize(
    "body",
    [
        '<img src="https://example.org/a.png">',
        '<a href="https://example.org">x</a>',
        '<script src="other.js"></script>',
        '<a href="javascript:alert(1)">x</a>',
        "<style>p { background: url(https://example.org/a.png) }</style>",
        '<style>@import "a.css";</style>',
    ],
)
def test_an_address_outside_the_page_is_an_error(body):
    with pytest.raises(LookupError):
        seal(page(body))


@pytest.mark.parametrize("body", ['<p onclick="a()">', '<p style="color: red">'])
def test_script_or_style_in_an_attribute_is_an_error(body):
    with pytest.raises(ValueError, match="attributes"):
        seal(page(body))


def test_a_page_without_a_place_for_the_policy_is_an_error():
    with pytest.raises(ValueError, match="exactly once"):
        seal(page("", head=""))
