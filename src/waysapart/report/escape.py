"""Text from layers is hostile until it is escaped: one function per place where it is shown.

Characters that cannot be seen (see `waysapart.text.unseen`) are never passed on in any of
them: a name must look like what it is.
"""

from __future__ import annotations

import base64
import gzip
import json
import re
from collections.abc import Mapping
from typing import Any

from markupsafe import Markup

from waysapart.schema import csv_safe
from waysapart.text import html_text, replace_unseen, visible

__all__ = [
    "csv_cell",
    "html_text",
    "json_for_script",
    "map_text",
    "packed",
    "packed_html",
    "terminal_text",
    "visible",
    "visible_all",
]

# folium's renderer reads what it is given a second time as a template, string tooltips stand in
# JavaScript template literals, and popups are HTML: each character starts something in one of them.
_MAP_REFERENCES = {ord(char): f"&#{ord(char)};" for char in "&<>\"'`{}$\\\n\t"}

_CSV_QUOTED = re.compile(r'[",;\r\n\t]|^\s|\s$')

_SHORT_ESCAPES = {"\n": "\\n", "\r": "\\r", "\t": "\\t"}


def visible_all(value: Any) -> Any:
    """Write out characters that cannot be seen in every text of nested dicts, lists and tuples.

    Parameters
    ----------
    value : object
        Keys of dicts count as texts.

    Returns
    -------
    object
        Of the same shape; tuples become lists.
    """
    if isinstance(value, str):
        return visible(value)
    if isinstance(value, Mapping):
        return {visible_all(key): visible_all(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [visible_all(item) for item in value]
    return value


def map_text(text: str) -> str:
    """Escape text for folium, which shows it verbatim in tooltips, popups, layer names and icons.

    Every character that can start a Jinja expression, a JavaScript substitution or markup becomes
    a numeric character reference.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
    """
    return visible(text).translate(_MAP_REFERENCES)


def json_for_script(value: Any) -> Markup:
    r"""JSON that is safe inside `<script type="application/json">`.

    Parameters
    ----------
    value : object

    Returns
    -------
    Markup
        ASCII only.

    Raises
    ------
    ValueError
        A number is NaN or infinite, which JSON does not know.

    Examples
    --------
    >>> print(json_for_script({"id": "</script>"}))
    {"id":"\u003c/script\u003e"}
    """
    text = _ascii_json(value)
    for char in "<>&":
        text = text.replace(char, f"\\u{ord(char):04x}")
    return Markup(text)


def packed(value: Any) -> Markup:
    """JSON in gzip (RFC 1952) and base64 (RFC 4648): letters, digits, `+`, `/` and `=` alone.

    Parameters
    ----------
    value : object

    Returns
    -------
    Markup
        The same value gives the same text.

    Raises
    ------
    ValueError
        A number is NaN or infinite, which JSON does not know.
    """
    return _packed(json_bytes(value))


def json_bytes(value: Any) -> bytes:
    """JSON as `packed` packs it: ASCII, without blanks.

    Parameters
    ----------
    value : object

    Returns
    -------
    bytes
        The same value gives the same bytes.

    Raises
    ------
    ValueError
        A number is NaN or infinite, which JSON does not know.
    """
    return _ascii_json(value).encode("ascii")


def packed_html(html: str) -> Markup:
    """HTML that waits, in gzip and base64, until a script unpacks it and puts it into the page.

    Parameters
    ----------
    html : str
        Made by a template, so every text in it is escaped.
    """
    return _packed(html.encode("utf-8"))


def _packed(data: bytes) -> Markup:
    return Markup(base64.b64encode(gzip.compress(data, mtime=0)).decode("ascii"))


def _ascii_json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":"))


def css_string(text: str, most: int = 90) -> str:
    """Text as a string of a style sheet; what is longer than `most` characters is cut off.

    Parameters
    ----------
    text : str
    most : int

    Returns
    -------
    str
        In quotes. All but letters and digits of ASCII stand as escapes, so that no text ends it.

    Examples
    --------
    >>> css_string('Bay "2"')
    '"Bay\\\\20 \\\\22 2\\\\22 "'
    """
    cut = text if len(text) <= most else f"{text[: most - 1]}…"
    plain = (
        one if one.isascii() and one.isalnum() else f"\\{ord(one):x} "
        for one in " ".join(cut.split())
    )
    return f'"{"".join(plain)}"'


def csv_cell(value: object) -> str:
    """One cell of a comma-separated file that no spreadsheet takes for a formula.

    Formulas are marked as `waysapart.schema.csv_safe` does it for every file. Cells that hold a
    separator, a quote or a line end are quoted as RFC 4180 says.

    Parameters
    ----------
    value : object
        None is an empty cell.

    Returns
    -------
    str

    Examples
    --------
    >>> csv_cell("a,b"), csv_cell("=1+1"), csv_cell(None)
    ('"a,b"', "'=1+1", '')
    """
    if value is None:
        return ""
    text = csv_safe(replace_unseen(str(value), lambda char: f"⟨U+{ord(char):04X}⟩", keep="\n\r\t"))
    if _CSV_QUOTED.search(text):
        text = '"' + text.replace('"', '""') + '"'
    return text


def terminal_text(text: str) -> str:
    r"""Text for a terminal, on one line: `\x1b`, `\n`, `\u202e` are written out.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
    """
    return replace_unseen(text, _terminal_escape)


def _terminal_escape(char: str) -> str:
    if char in _SHORT_ESCAPES:
        return _SHORT_ESCAPES[char]
    code = ord(char)
    if code <= 0xFF:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"
