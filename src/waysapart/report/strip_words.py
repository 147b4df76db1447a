"""What a strip shows, in words: for readers who do not see it, and for its tips."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from waysapart.report import words
from waysapart.report.marks import plural
from waysapart.shown import sentence_list

Facts = Mapping[str, Any]


def near_said(near: Facts) -> str:
    """One near stretch."""
    return (
        f"near: {near['main']} and {near['alternate']}, "
        f"{words.metres(near['distance_m'])} at the closest"
    )


def to_scale(lane: Facts) -> bool:
    """Whether places along a lane are metres; for readers outside they only follow each other."""
    return bool(lane.get("to_scale", True))


def bridge_said(bridge: Facts, lanes: Sequence[Facts]) -> str:
    """One bridge: what it is and where it lies on every lane."""
    places = [
        f"on {lane['label']} {_stretch(spots)}" if to_scale(lane) else f"on {lane['label']}"
        for lane, spots in zip(lanes, bridge["spots"], strict=True)
    ]
    accepted = ", accepted by waiver" if bridge["waived"] else ""
    return f"{bridge['label']}{accepted}: {sentence_list(places)}"


def strip_said(strip: Facts, bridges: Sequence[Facts]) -> str:
    """What the drawing shows, in words."""
    lanes, near_by, crossings = strip["lanes"], strip["near"], strip["cross"]
    parts = []
    for lane in lanes:
        metres = to_scale(lane)
        runs = [
            f"{words.metres(high - low)} {kind}" if metres else str(kind)
            for low, high, kind in lane["stretches"]
        ]
        runs += [
            f"a {hop['medium']} hop {hop['link']}"
            + (", whose route is not on record" if hop.get("unknown") else "")
            for hop in lane["hops"]
        ]
        shown = runs if len(runs) <= 9 else [*runs[:8], f"{len(runs) - 8} more stretches"]
        broken = (
            "; the record breaks off" + (f" at {words.metres(lane['breaks'][0])}" if metres else "")
            if lane["breaks"]
            else ""
        )
        length = f"{_length_said(lane)}, " if metres else ""
        parts.append(
            f"{lane['label']}: {length}{sentence_list(shown)}; {_kinds(lane['marks'])}{broken}."
        )
    parts += [f"Bridge: {bridge_said(bridge, lanes)}." for bridge in bridges]
    parts += [f"{near_said(near)}." for near in near_by]
    parts += [
        f"They cross at {words.metres(cross['on'][0])} along {lanes[0]['label']}."
        if to_scale(lanes[0])
        else "They cross."
        for cross in crossings
    ]
    if not (bridges or near_by or crossings):
        parts.append("Nothing bridges the lanes.")
    return " ".join(parts)


def _length_said(lane: Facts) -> str:
    """Length of a lane by the records, not as it is drawn: hops have a width there all the same."""
    drawn = sum(hop["to_m"] - hop["from_m"] for hop in lane["hops"])
    known = [hop["length_m"] for hop in lane["hops"] if hop["length_m"] is not None]
    least = lane["length_m"] - drawn + sum(known)
    whole = len(known) == len(lane["hops"]) and not lane["breaks"]
    return words.bounded(least if whole else None, least, words.metres)


def _kinds(marks: Sequence[Sequence[Any]]) -> str:
    counts: dict[str, int] = {}
    for _, role, kind, _ in marks:
        what = "joint" if role == "joints" else kind or role
        counts[what] = counts.get(what, 0) + 1
    return "passes " + sentence_list([plural(n, what) for what, n in counts.items()])


def _stretch(spots: Sequence[Sequence[float]]) -> str:
    said = [
        f"at {words.metres(low)}"
        if high - low < 1
        else f"from {words.metres(low)} to {words.metres(high)}"
        for low, high in spots
    ]
    return sentence_list(said if len(said) <= 3 else [*said[:2], f"{len(said) - 2} more places"])
