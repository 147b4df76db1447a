"""Text and small tables as HTML, for whatever stage shows itself in a notebook.

Text of a layer is hostile until it is escaped. Characters that cannot be seen are written out: a
name must look like what it is.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Sequence

from markupsafe import Markup

_UNSEEN_CATEGORIES = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})
_BLANK_LETTERS = frozenset("\u115f\u1160\u3164\uffa0")  # letters by category, yet drawn as nothing


def _unseen(char: str) -> bool:
    return unicodedata.category(char) in _UNSEEN_CATEGORIES or char in _BLANK_LETTERS


def replace_unseen(text: str, shown: Callable[[str], str], keep: str = "") -> str:
    """Text with each unseen character, but those to keep, as a function writes it."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(shown(char) if _unseen(char) and char not in keep else char for char in text)


def visible(text: str) -> str:
    """Text with each unseen character written out, such as `⟨U+202E⟩`.

    Line feeds and tabs stay: a page shows them as a space.
    """
    return replace_unseen(text, lambda char: f"⟨U+{ord(char):04X}⟩", keep="\n\t")


def html_text(text: str) -> Markup:
    """Text for HTML, between tags or inside a quoted attribute."""
    return Markup.escape(visible(text))


def html_table(
    title: str, columns: Sequence[str], rows: Sequence[Sequence[object]], left_out: int = 0
) -> str:
    """A table for a notebook, every text in it escaped.

    Parameters
    ----------
    title : str
    columns : sequence of str
    rows : sequence of sequences
        One value for each column; None is an empty cell.
    left_out : int
        Rows that there are beyond those given, which the table tells.
    """
    head = "".join(f"<th>{html_text(name)}</th>" for name in columns)
    body = "".join(
        "<tr>"
        + "".join(f"<td>{html_text('' if cell is None else str(cell))}</td>" for cell in row)
        + "</tr>"
        for row in rows
    )
    more = f"<p>and {left_out} more</p>" if left_out else ""
    return (
        f"<p><strong>{html_text(title)}</strong></p>"
        f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>{more}"
    )
