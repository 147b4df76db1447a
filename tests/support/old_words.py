"""Words that people had to read twice, and where they stand in a text."""

from __future__ import annotations

import re

_PATHS = "main|alternate|other|both|each|every|all|any|no|whichever|working|separate|last|second"
OLD = {
    "way, for a path": rf"\b(?:{_PATHS}) ways?\b(?! (?:round|about|of|to|there|is)\b)",
    "ways, for paths": r"\bways (?:apart|of (?:a|the) circuit)\b",
    "over its limit": r"\bover (?:its|their|a|the) limits?\b",
    "asked, for required": r"\bdB (?:is|are) asked\b|\bnot asked\b|\bservices? asks? for\b",
    "takes, for puts out of service": r"\bone event takes\b|\btakes what it did not\b",
    "its loss takes": r"\bits loss takes\b|\bloss of an? hazard\b",
    "lets go": r"\blets? go\b",
    "mend": r"\bmend(?:s|ed|ing)?\b",
    "loss binds": r"\bloss binds\b|\bcould be longer by\b",
    "no order": r"\bno order (?:loses|helps)\b",
    "by necessity": r"\bby necessity\b",
}


def old_words(text: str) -> list[str]:
    """Every old word in a text, with what stands round it."""
    text = " ".join(text.split())
    return [
        f"{name}: {text[max(0, found.start() - 40) : found.end() + 20]}"
        for name, pattern in OLD.items()
        for found in re.finditer(pattern, text, re.IGNORECASE)
    ]
