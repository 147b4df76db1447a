"""The colours of reports, of maps and of exported layers: the one place where they stand.

Those of paths, marks and hazards are from Okabe and Ito, Color Universal Design (2008): they stay
apart for eyes that confuse red and green, and none of them is the only sign of what it stands for.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

_MARKS = {"common": "#f0e442", "near": "#cc79a7", "hazard": "#009e73"}

LIGHT: Mapping[str, str] = MappingProxyType(
    {
        "paper": "#fcfbf7",
        "sheet": "#ffffff",
        "ink": "#1b2127",
        "soft": "#545d66",
        "faint": "#dedbd2",
        "main": "#0072b2",
        "alternate": "#d55e00",
        **_MARKS,
        "wash": "#f3f1ea",
        "choose": "#e4eff6",
        "link": "#00588a",
        "broken": "#9c3d00",
    }
)
"""On a light page, on maps and in exported layers: colour by what it is for."""

DARK: Mapping[str, str] = MappingProxyType(
    {
        "paper": "#14181c",
        "sheet": "#1a1f24",
        "ink": "#e9e5db",
        "soft": "#a7afb6",
        "faint": "#323a41",
        "main": "#56b4e9",
        "alternate": "#e69f00",
        **_MARKS,
        "wash": "#1e242a",
        "choose": "#1d3443",
        "link": "#84c8ef",
        "broken": "#f2b640",
    }
)
"""On a page of a reader who asks for dark ones."""

PRINT: Mapping[str, str] = MappingProxyType(
    {
        **LIGHT,
        "paper": "#ffffff",
        "ink": "#000000",
        "soft": "#444444",
        "faint": "#cccccc",
        "wash": "#ffffff",
        "choose": "#ffffff",
        "link": "#000000",
        "broken": "#000000",
    }
)
"""On paper."""


def style_sheet() -> str:
    """The colours as properties of a page, which its other styles and its scripts refer to.

    Returns
    -------
    str
        CSS: `--main` and so on, for light pages, dark ones and paper.
    """
    light, dark, paper = (_properties(colours) for colours in (LIGHT, DARK, PRINT))
    return (
        f":root {{ {light} }}\n"
        f"@media (prefers-color-scheme: dark) {{ :root {{ {dark} }} }}\n"
        f":root.printing {{ {paper} }}\n"
        f"@media print {{ :root {{ {paper} }} }}\n"
    )


def _properties(colours: Mapping[str, str]) -> str:
    return " ".join(f"--{name}: {colour};" for name, colour in colours.items())
