"""One file, no network: a folium map with packaged libraries, and a seal on the page.

folium names its libraries by address on content delivery networks. Leaflet is
taken from the package XStatic-Leaflet instead; what the report has no use for is
dropped by name; an address that is in neither list is an error, so that a newer
folium can never lead to a report that is blank without a network.

The seal is a Content-Security-Policy that allows the scripts and styles which
stand in the page (by their SHA-256) and nothing else, so that the browser itself
refuses whatever would run or be fetched beyond them.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from html.parser import HTMLParser
from importlib.resources import files
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

if TYPE_CHECKING:
    import folium

# folium's popups use of jQuery one thing only: `$(html)[0]`, the element that a text makes.
JQUERY_SHIM = (
    "window.$ = function (html) {"
    " var box = document.createElement('template');"
    " box.innerHTML = html.trim();"
    " return [box.content.firstChild]; };"
)

_VERSION_ASKED = re.compile(r"leaflet@(\d+\.\d+)")
_VERSION_PACKAGED = re.compile(r"Leaflet (\d+\.\d+)")
_SHIMS = re.compile(r"jquery-[\d.]+(\.min)?\.js")
_DROPPED = (
    re.compile(r"bootstrap(\.bundle)?\.min\.(js|css)"),
    re.compile(r"bootstrap-glyphicons\.css"),
    re.compile(r"leaflet\.awesome-markers\.(js|css)"),
    re.compile(r"leaflet\.awesome\.rotate\.min\.css"),
    re.compile(r"all\.min\.css"),  # Font Awesome
)
_CSS_URL = re.compile(r"""url\(\s*['"]?([^'")]+)['"]?\s*\)""")
_CSS_IMPORT = re.compile(r"@import", re.IGNORECASE)
_DATA_SCRIPT_TYPES = frozenset({"application/json", "application/gzip", "text/html"})
_ADDRESS_ATTRIBUTES = frozenset(
    {"src", "href", "xlink:href", "srcset", "data", "poster", "background", "manifest"}
    | {"action", "formaction", "ping"}
)
_MIME = {"png": "image/png", "gif": "image/gif", "svg": "image/svg+xml"}
CSP_PLACE = '<meta name="content-security-policy-goes-here">'


@dataclass(frozen=True, slots=True)
class MapParts:
    """A folium map for a page of ours.

    Attributes
    ----------
    styles : tuple of str
        Contents for `<style>` elements, in order.
    body : str
        The map's own elements.
    scripts : tuple of str
        Contents for `<script>` elements, in order; all come after `body`.
    """

    styles: tuple[str, ...]
    body: str
    scripts: tuple[str, ...]


def map_parts(drawn: folium.Map) -> MapParts:
    """What a folium map needs to stand in a page of ours.

    Parameters
    ----------
    drawn : folium.Map
        With whatever has been added to it. Its `default_js` and `default_css`, and those of
        what has been added, say which libraries it needs.

    Returns
    -------
    MapParts
        Leaflet's files put in, images as data addresses. folium's styles for the whole page
        and its viewport, which forbids zooming, are left out: the page styles the map.

    Raises
    ------
    LookupError
        Where the map needs a file that is neither packaged nor known to be needless, or
        where something added to it writes markup into the head of the page.
    """
    from branca.element import CssLink, JavascriptLink

    figure: Any = drawn.get_root()
    drawn.render()
    styles: list[str] = []
    scripts: list[str] = []
    for name, element in figure.header._children.items():
        if isinstance(element, JavascriptLink):
            scripts += _packaged_script(element.url)
        elif isinstance(element, CssLink):
            styles += _packaged_style(element.url)
        elif name not in ("meta_http", drawn.get_name()):
            raise LookupError(f"the map needs markup in the head of the page: {name}")
    for style in styles:
        _check_style(style)
    scripts.append(figure.script.render())
    return MapParts(tuple(styles), figure.html.render().strip(), tuple(scripts))


def seal(document: str, image_hosts: Iterable[str] = ()) -> str:
    """Put a Content-Security-Policy into a page at `CSP_PLACE` which pins all that it holds.

    Parameters
    ----------
    document : str
        A whole page, with `CSP_PLACE` before its first style.
    image_hosts : iterable of str
        Origins such as `https://tiles.example` that images may come from;
        nothing else may ever come from elsewhere.

    Returns
    -------
    str
        The page, with line ends as line feeds, since the browser hashes it so.

    Raises
    ------
    LookupError
        Where an element names an address outside the page.
    ValueError
        Where `CSP_PLACE` is missing, or an attribute holds a script or a style,
        which the policy would block.
    """
    document = document.replace("\r\n", "\n").replace("\r", "\n")
    if document.count(CSP_PLACE) != 1:
        raise ValueError("the page must hold the place for its policy exactly once")
    page = _Reader()
    page.feed(document)
    page.close()
    if page.handlers:
        raise ValueError(f"the policy blocks script or style in attributes: {page.handlers[0]}")
    remote = [url for url in page.addresses if not url.startswith(("#", "data:"))]
    if remote:
        raise LookupError(f"the page names an address outside itself: {remote[0]}")
    for style in page.styles:
        _check_style(style)
    scripts = _sources(page.scripts)
    policy = "; ".join(
        [
            "default-src 'none'",
            f"script-src {scripts}",
            f"style-src {_sources(page.styles)}",
            " ".join(["img-src data:", *image_hosts]),
            "base-uri 'none'",
            "form-action 'none'",
        ]
    )
    meta = f'<meta http-equiv="Content-Security-Policy" content="{policy}">'
    return document.replace(CSP_PLACE, meta)


def as_data_addresses(libraries: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
    """Scripts or styles of folium, each taken from its package as a data address.

    Parameters
    ----------
    libraries : iterable of (str, str)
        Name and address on a network.

    Returns
    -------
    list of (str, str)
        Name and data address.

    Raises
    ------
    LookupError
        As `map_parts`.
    """
    found = []
    for name, url in libraries:
        style = _file_name(url).endswith(".css")
        for text in _packaged_style(url) if style else _packaged_script(url):
            mime = "text/css" if style else "text/javascript"
            found.append((name, f"data:{mime};base64,{base64.b64encode(text.encode()).decode()}"))
    return found


def _sources(texts: Iterable[str]) -> str:
    digests = {
        base64.b64encode(hashlib.sha256(text.encode()).digest()).decode(): None for text in texts
    }
    return " ".join(f"'sha256-{digest}'" for digest in digests) or "'none'"


def _check_style(style: str) -> None:
    if _CSS_IMPORT.search(style):
        raise LookupError("a style imports another file")
    for url in _CSS_URL.findall(style):
        if not url.startswith(("#", "data:")):
            raise LookupError(f"a style names an address outside the page: {url}")


def _file_name(url: str) -> str:
    return urlsplit(url).path.rpartition("/")[2]


def _dropped(name: str) -> bool:
    return any(pattern.fullmatch(name) for pattern in _DROPPED)


def _packaged_script(url: str) -> list[str]:
    name = _file_name(url)
    if name == "leaflet.js":
        return [_leaflet(url, name)]
    if _SHIMS.fullmatch(name):
        return [JQUERY_SHIM]
    if _dropped(name):
        return []
    raise LookupError(f"the map needs a script that is not packaged: {url}")


def _packaged_style(url: str) -> list[str]:
    name = _file_name(url)
    if name == "leaflet.css":
        return [_CSS_URL.sub(_as_data, _leaflet(url, name))]
    if _dropped(name):
        return []
    raise LookupError(f"the map needs a style that is not packaged: {url}")


def _as_data(found: re.Match[str]) -> str:
    url = found.group(1)
    if url.startswith(("#", "data:")):
        return found.group(0)
    content = files("xstatic.pkg.leaflet").joinpath("data", *url.split("/")).read_bytes()
    mime = _MIME[url.rpartition(".")[2]]
    return f"url(data:{mime};base64,{base64.b64encode(content).decode()})"


def _leaflet(url: str, name: str) -> str:
    """Leaflet's file, once it is sure that the packaged one is what folium wrote its script for."""
    asked = _VERSION_ASKED.search(url)
    packaged = _VERSION_PACKAGED.search(_leaflet_text("leaflet.js"))
    if asked and (packaged is None or packaged.group(1) != asked.group(1)):
        held = packaged.group(1) if packaged else "unknown"
        raise LookupError(f"the map needs another Leaflet than the packaged {held}: {url}")
    return _leaflet_text(name)


@cache
def _leaflet_text(name: str) -> str:
    text = files("xstatic.pkg.leaflet").joinpath("data", name).read_text(encoding="utf-8")
    # The map of the minified source is for debuggers, which would ask the network for it.
    return re.sub(r"//# sourceMappingURL=\S+", "", text)


class _Reader(HTMLParser):
    """Collects what a page runs, how it is styled, and what it names."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=False)
        self.scripts: list[str] = []
        self.styles: list[str] = []
        self.addresses: list[str] = []
        self.handlers: list[str] = []
        self._into: list[str] | None = None
        self._chunks: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        self.addresses += [value for name, value in given.items() if name in _ADDRESS_ATTRIBUTES]
        self.handlers += [
            f"{tag} {name}" for name in given if name.startswith("on") or name == "style"
        ]
        if tag == "style":
            self._into = self.styles
        elif tag == "script" and given.get("type") not in _DATA_SCRIPT_TYPES:
            self._into = self.scripts

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag in ("script", "style"):
            self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag in ("script", "style"):
            if self._into is not None:
                self._into.append("".join(self._chunks))
            self._into, self._chunks = None, []

    def handle_data(self, data: str) -> None:
        if self._into is not None:
            self._chunks.append(data)
