"""Text for people: lists of names cut short, and text and small tables as HTML for a notebook.

Text of a layer is hostile until it is escaped. Characters that cannot be seen are written out: a
name must look like what it is. Which those are is said by the tables of Unicode: the general
categories (in `str.isprintable`), Default_Ignorable_Code_Point, and the names that never change.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Sequence
from functools import cache, lru_cache

from markupsafe import Markup

_DRAWN_AS_NOTHING = ("PATTERN BLANK", "FULL BLANK", "HALF BLANK", "SCRIPT FILLER", "NULL NOTEHEAD")
"""Ends of the names of signs that are drawn as nothing, for which Unicode has no property."""


def no_shape(char: str) -> bool:
    """Whether a character is drawn as nothing, not even as a space: controls, joiners, selectors.

    Parameters
    ----------
    char : str
        One character.

    Returns
    -------
    bool
    """
    return unicodedata.category(char) in {"Cc", "Cf", "Cs"} or _default_ignorable(char)


def blank(char: str) -> bool:
    """Whether a character is drawn as white space only.

    Parameters
    ----------
    char : str
        One character.

    Returns
    -------
    bool
    """
    return char.isspace() or unicodedata.name(char, "").endswith(_DRAWN_AS_NOTHING)


@lru_cache(4096)
def unseen(char: str) -> bool:
    """Whether a character other than the plain space cannot be seen.

    Spaces of other kinds count, and characters that a font may lack (private use, unassigned).

    Parameters
    ----------
    char : str
        One character.

    Returns
    -------
    bool
    """
    return char != " " and (not char.isprintable() or no_shape(char) or blank(char))


def _default_ignorable(char: str) -> bool:
    return _ignorable_pattern()(char) is not None


@cache
def _ignorable_pattern() -> Callable[[str], object]:
    import regex  # when the first sign beyond ASCII is asked about

    match: Callable[[str], object] = regex.compile(r"\p{Default_Ignorable_Code_Point}").match
    return match


def replace_unseen(text: str, shown: Callable[[str], str], keep: str = "") -> str:
    """Replace each character that cannot be seen.

    Parameters
    ----------
    text : str
    shown : callable
        What is written for such a character.
    keep : str
        Characters that stay.

    Returns
    -------
    str
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(shown(char) if unseen(char) and char not in keep else char for char in text)


def visible(text: str) -> str:
    r"""Write out each character that cannot be seen, such as `⟨U+202E⟩`.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
        Line feeds and tabs stay: a page shows them as a space.

    Examples
    --------
    >>> visible("mast\u200b 7")
    'mast⟨U+200B⟩ 7'
    """
    if text.isascii() and text.isprintable():
        return text
    return replace_unseen(text, lambda char: f"⟨U+{ord(char):04X}⟩", keep="\n\t")


def one_line(text: str) -> str:
    """Put a text into one line, what cannot be seen written out, for XML and calendars.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
    """
    return visible(" ".join(text.split("\n"))).replace("\t", " ")


def few(names: Iterable[object], most: int, separator: str = ", ") -> str:
    """The first few of many names and how many more there are.

    Parameters
    ----------
    names : iterable of object
    most : int
        How many are named before the rest are counted.
    separator : str

    Returns
    -------
    str

    Examples
    --------
    >>> few(["C-1", "C-2", "C-3"], most=2)
    'C-1, C-2 and 1 more'
    """
    found = [str(name) for name in names]
    more = f" and {len(found) - most} more" if len(found) > most else ""
    return separator.join(found[:most]) + more


def sentence_list(names: Sequence[str], last: str = "and", most: int | None = None) -> str:
    """List names as in a sentence, a word before the last one.

    Parameters
    ----------
    names : sequence of str
    last : str
        The word before the last name.
    most : int, optional
        How many are named before the rest are counted.

    Returns
    -------
    str

    Examples
    --------
    >>> sentence_list(["D-1", "D-2", "D-3"])
    'D-1, D-2 and D-3'
    >>> sentence_list(["D-1", "D-2", "D-3"], last="or", most=2)
    'D-1, D-2 or 1 more'
    """
    if most is not None and len(names) > most:
        return f"{', '.join(names[:most])} {last} {len(names) - most} more"
    return f" {last} ".join(part for part in (", ".join(names[:-1]), *names[-1:]) if part)


_NO_NOUNS = ("buried", "subsea")


def plural(number: int, what: str) -> str:
    """A number with its noun; a kind that is no noun, such as `buried`, is one of segments.

    Parameters
    ----------
    number : int
    what : str
        The noun in the singular.

    Returns
    -------
    str

    Examples
    --------
    >>> plural(1, "pit"), plural(3, "gantry"), plural(2, "rooms"), plural(4, "trench")
    ('1 pit', '3 gantries', '2 rooms', '4 trenches')
    >>> plural(6, "buried")
    '6 buried segments'
    """
    if what in _NO_NOUNS:
        what = f"{what} segment"
    if number == 1:
        return f"1 {what}"
    if what.endswith("y") and what[-2:-1] not in "aeiou":
        return f"{number} {what[:-1]}ies"
    if what.endswith(("ch", "sh", "x")):
        return f"{number} {what}es"
    return f"{number} {what}" if what.endswith("s") else f"{number} {what}s"


def counted(name: str) -> list[tuple[int, str]]:
    """Sort key of an id: numbers within it count by value, so that `C2` comes before `C10`.

    Parameters
    ----------
    name : str

    Returns
    -------
    list of tuples

    Examples
    --------
    >>> sorted(["C10", "C2"], key=counted)
    ['C2', 'C10']
    """
    parts = re.split(r"(\d+)", name)
    return [(int(part), "") if k % 2 else (0, part) for k, part in enumerate(parts)]


def in_runs(names: Iterable[str]) -> list[str]:
    """Names in order, three or more that follow each other by number as one.

    Parameters
    ----------
    names : iterable of str

    Returns
    -------
    list of str
        Every name is in it, or lies between the two of `A to B`.

    Examples
    --------
    >>> in_runs(["C9", "C10", "C11", "C13", "C14", "X"])
    ['C9 to C11', 'C13', 'C14', 'X']
    """
    runs: list[list[str]] = []
    for name in names:
        if runs and _follows(runs[-1][-1], name):
            runs[-1].append(name)
        else:
            runs.append([name])
    return [
        said for run in runs for said in ([f"{run[0]} to {run[-1]}"] if len(run) > _PAIR else run)
    ]


_PAIR = 2
_NUMBERED = re.compile(r"(.*?)([0-9]{1,9})", re.DOTALL)


def _follows(first: str, second: str) -> bool:
    """Whether two names differ by one in the number at their ends, written in the same way."""
    one, two = _NUMBERED.fullmatch(first), _NUMBERED.fullmatch(second)
    if one is None or two is None or one[1] != two[1]:
        return False
    return two[2] == str(int(one[2]) + 1).zfill(len(one[2]))


def html_text(text: str) -> Markup:
    """Escape text for HTML, between tags or inside a quoted attribute.

    Parameters
    ----------
    text : str

    Returns
    -------
    Markup
        Characters that cannot be seen are written out.

    Examples
    --------
    >>> print(html_text("<b>"))
    &lt;b&gt;
    """
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
        How many rows are not among those given; the table says so.

    Returns
    -------
    str
        HTML.
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
