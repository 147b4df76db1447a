"""How a figure, a date and a place are written: once, for every text, table, page and file.

A figure that is worked out has three significant digits. Two kinds have fixed decimals instead, so
that what stands in a sum adds up where its terms stand beside it: delays 0.1 µs (more below 10 µs,
for three digits), decibels 0.01 dB. A limit, or another value of the rules, has the digits that the
rules give it. Days and times follow ISO 8601.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any

from waysapart.formulas.availability import MINUTES_PER_YEAR

Figures = Mapping[str, Any]
"""Any part of the facts that holds figures by key."""

_DIGITS = 3
_FINEST = 3
"""No length and no delay is written finer than 0.001: a millimetre, a nanosecond."""


# --- Numbers.


def significant(value: float | None, digits: int = _DIGITS) -> str:
    """A number with so many significant digits, without an exponent.

    Parameters
    ----------
    value : float or None
    digits : int

    Returns
    -------
    str
        `not known` for None.

    Examples
    --------
    >>> significant(1.834), significant(9.996), significant(25), significant(8123.4)
    ('1.83', '10.0', '25.0', '8120')
    >>> significant(0.000123), significant(0)
    ('0.000123', '0')
    """
    return "not known" if value is None else _with_decimals(value, digits, None)


def own_digits(value: float) -> str:
    """A number with the digits that somebody gave it, without an exponent.

    Parameters
    ----------
    value : float

    Returns
    -------
    str

    Examples
    --------
    >>> own_digits(5.0), own_digits(0.35), own_digits(200000.0)
    ('5', '0.35', '200000')
    """
    text = f"{value:.12f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _with_decimals(value: float, digits: int, finest: int | None) -> str:
    rounded = float(f"{value:.{digits - 1}e}")
    if rounded == 0:
        return "0"
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(rounded))))
    if finest is not None and decimals > finest:
        text = f"{value:.{finest}f}"
        return "0" if float(text) == 0 else text
    return f"{rounded:.{decimals}f}"


def plain_metres(value: float) -> str:
    """A length as a number of metres, as it stands in a table with the unit in its heading.

    Parameters
    ----------
    value : float

    Returns
    -------
    str
        The digits of `metres`.

    Examples
    --------
    >>> plain_metres(1.834), plain_metres(8123.4), plain_metres(0.0)
    ('1.83', '8120', '0')
    """
    return _with_decimals(value, _DIGITS, _FINEST)


def plain_microseconds(value: float) -> str:
    """A delay as a number of microseconds, with the digits of `microseconds`.

    Parameters
    ----------
    value : float

    Returns
    -------
    str

    Examples
    --------
    >>> plain_microseconds(322.24), plain_microseconds(5023.4), plain_microseconds(1.2345)
    ('322.2', '5023.4', '1.23')
    """
    if abs(value) >= 9.995:
        return f"{value:.1f}"
    return _with_decimals(value, _DIGITS, _FINEST)


def plain_decibels(value: float) -> str:
    """A loss or margin as a number of decibels: `6.33`.

    Parameters
    ----------
    value : float

    Returns
    -------
    str
    """
    text = f"{value:.2f}"
    return "0.00" if text == "-0.00" else text


def fixed(value: float | None, digits: int) -> str:
    """A number with a given number of decimals, for the terms of a sum.

    Parameters
    ----------
    value : float or None
    digits : int

    Returns
    -------
    str
        `not known` for None.
    """
    return "not known" if value is None else f"{value:.{digits}f}"


# --- Figures with their units.


def metres(value: float | None) -> str:
    """A length with its unit.

    Parameters
    ----------
    value : float or None
        In metres.

    Returns
    -------
    str

    Examples
    --------
    >>> metres(1.83), metres(140.2), metres(8123.0), metres(302_400.0), metres(None)
    ('1.83 m', '140 m', '8.12 km', '302 km', 'not known')
    """
    if value is None:
        return "not known"
    if abs(value) >= 999.5:
        return f"{significant(value / 1000)} km"
    return f"{plain_metres(value)} m"


def microseconds(value: float | None) -> str:
    """A delay with its unit.

    Parameters
    ----------
    value : float or None
        In microseconds.

    Returns
    -------
    str

    Examples
    --------
    >>> microseconds(61.23), microseconds(5000.0), microseconds(None)
    ('61.2 µs', '5000.0 µs', 'not known')
    """
    return "not known" if value is None else f"{plain_microseconds(value)} µs"


def milliseconds(value: float | None) -> str:
    """A time to detect or to switch, with the digits on record: `60 ms`.

    Parameters
    ----------
    value : float or None
        In milliseconds.

    Returns
    -------
    str
    """
    return "not known" if value is None else f"{own_digits(value)} ms"


def probability(value: float | None) -> str:
    """A probability or share of time.

    Parameters
    ----------
    value : float or None

    Returns
    -------
    str

    Examples
    --------
    >>> probability(1.234e-4), probability(0.0), probability(None)
    ('1.23 × 10⁻⁴', '0', 'not known')
    """
    if value is None:
        return "not known"
    if value == 0:
        return "0"
    return _power(f"{value:.{_DIGITS - 1}e}")


def minutes_a_year(share: float) -> str:
    """A share of time as minutes in a year: `12.5`.

    Parameters
    ----------
    share : float

    Returns
    -------
    str

    Examples
    --------
    >>> minutes_a_year(2.2e-5), minutes_a_year(2.15e-3), minutes_a_year(1e-10)
    ('11.6', '1130', '0.0000526')
    """
    return significant(share * MINUTES_PER_YEAR)


def _power(text: str) -> str:
    mantissa, _, exponent = text.partition("e")
    raised = str(int(exponent)).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))
    return f"{mantissa} × 10{raised}"


_SAY: Mapping[str, Callable[[float | None], str]] = {
    "m": metres,
    "us": microseconds,
    "ms": milliseconds,
}
"""Turns a figure into text, by the unit that its name ends with."""
_UNITS = {"m": "m", "us": "µs", "ms": "ms", "db": "dB"}


def limit_said(value: float | None, unit: str) -> str:
    """A limit or another value of the rules with its unit, in the digits that the rules give it.

    Parameters
    ----------
    value : float or None
    unit : str
        `m`, `us`, `ms`, `db`, or `share` for a share of time.

    Returns
    -------
    str

    Examples
    --------
    >>> limit_said(5.0, "m"), limit_said(5000.0, "us"), limit_said(1e-5, "share")
    ('5 m', '5000 µs', '1 × 10⁻⁵')
    """
    if value is None:
        return "not known"
    if unit == "share":
        if value == 0:
            return "0"
        mantissa, _, exponent = f"{value:.9e}".partition("e")
        return _power(f"{mantissa.rstrip('0').rstrip('.')}e{exponent}")
    return f"{own_digits(value)} {_UNITS[unit]}"


def beyond(value: float, limit: float | None, text: str) -> str:
    """The text of a figure that breaks a limit, with more digits where it would read as within.

    Parameters
    ----------
    value : float
    limit : float or None
    text : str
        The figure as it is written elsewhere: a number, with a unit after it or none.

    Returns
    -------
    str
        `text`, unless its number is the limit's or lies on the other side of it.

    Examples
    --------
    >>> beyond(5000.02, 5000, "5000.0 µs"), beyond(2.998, 3, "3.00 dB"), beyond(322.2, 200, "322.2")
    ('5000.02 µs', '2.998 dB', '322.2')
    """
    number, _, unit = text.partition(" ")
    if limit is None or value == limit or " × " in text:
        return text
    while (float(number) > limit) != (value > limit) or float(number) == limit:
        decimals = len(number.partition(".")[2]) + 1
        if decimals > 12:
            return text
        number = f"{value:.{decimals}f}"
    return f"{number} {unit}".rstrip()


def bounded(value: float | None, at_least: float | None, say: Callable[[float], str]) -> str:
    """A figure in words; where it is not known, its lower bound: `at least 97.9 µs`.

    Parameters
    ----------
    value, at_least : float or None
    say : callable
        Turns a value into text with its unit.

    Returns
    -------
    str

    Examples
    --------
    >>> bounded(None, 97.9, microseconds)
    'at least 97.9 µs'
    """
    if value is not None:
        return say(value)
    return f"at least {say(at_least)}" if at_least else "not known"


def figure(figures: Figures, key: str) -> str:
    """A figure with its unit; where it is not known, its lower bound.

    Parameters
    ----------
    figures : mapping
        Facts with the figure. The bound of `delay_us` is `delay_at_least_us` beside it.
    key : str
        Name of the figure, which ends in its unit: `_m`, `_us` or `_ms`.

    Returns
    -------
    str

    Examples
    --------
    >>> figure({"delay_us": None, "delay_at_least_us": 97.9}, "delay_us")
    'at least 97.9 µs'
    """
    name, _, unit = key.rpartition("_")
    return bounded(figures[key], figures.get(f"{name}_at_least_{unit}"), _SAY[unit])


def decibels(row: Figures, name: str, unit: str = " dB") -> str:
    """Loss or margin of a link: `6.33 dB`, `at least 4.20 dB`, `not known`.

    Parameters
    ----------
    row : mapping
        Facts of the link's loss.
    name : str
        `loss`, bounded from below where it is not known, or `margin`, bounded from above.
    unit : str
        Follows the number.

    Returns
    -------
    str

    Examples
    --------
    >>> decibels({"loss_db": None, "loss_at_least_db": 4.2}, "loss")
    'at least 4.20 dB'
    """
    least = "least" if name == "loss" else "most"
    known, bound = row[f"{name}_db"], row[f"{name}_at_{least}_db"]
    if known is not None:
        return f"{plain_decibels(known)}{unit}"
    return "not known" if bound is None else f"at {least} {plain_decibels(bound)}{unit}"


def unavailable(down: Figures, label: str) -> str:
    """Unavailability of a path, or of all; `at least 1.23 × 10⁻⁴` where a failure rate is missing.

    Parameters
    ----------
    down : mapping
        Unavailability by label, with the lower bounds under `at_least`.
    label : str
        A path, `both` or `all`; `limit` is the rule's own figure.

    Returns
    -------
    str
    """
    if label == "limit":
        return limit_said(down["limit"], "share")
    known, least = down[label], down["at_least"].get(label)
    return f"at least {probability(least)}" if known is None and least else probability(known)


def minutes_down(down: Figures, label: str) -> str:
    """Unavailability of a path, or of all, in minutes a year.

    Parameters
    ----------
    down : mapping
        Unavailability by label, with the lower bounds under `at_least`.
    label : str
        A path, `both`, `all` or `limit`.

    Returns
    -------
    str
        `not known` where there is no bound either.

    Examples
    --------
    >>> minutes_down({"alternate": None, "at_least": {"alternate": 2.37454e-05}}, "alternate")
    'at least 12.5 min a year'
    >>> minutes_down({"alternate": None, "at_least": {}}, "alternate")
    'not known'
    """
    known = down[label]
    time = down["at_least"].get(label) if known is None else known
    if time is None or (known is None and time == 0):
        return "not known"
    return f"{'at least ' if known is None else ''}{minutes_a_year(time)} min a year"


def separation_said(required: float | Mapping[str, float]) -> str:
    """Required distance between paths, in the digits of the rules.

    Parameters
    ----------
    required : float or mapping of str to float
        In metres: one figure, or one for each pair of kinds of segments.

    Returns
    -------
    str

    Examples
    --------
    >>> separation_said(30.0), separation_said({"span/span": 40.0}), separation_said(0.0)
    ('30 m', 'span/span 40 m', 'none')
    """
    if isinstance(required, Mapping):
        return ", ".join(f"{kinds} {limit_said(value, 'm')}" for kinds, value in required.items())
    return limit_said(required, "m") if required else "none"


# --- Two figures of one thing.


def before_and_after(
    before: float | None, after: float | None, say: Callable[[float], str]
) -> tuple[str, str]:
    """A figure before and after in words; figures that differ get different texts.

    Parameters
    ----------
    before, after : float or None
        None gives ''.
    say : callable
        Turns a figure into text with its unit. Where both texts are equal but the figures are not,
        eight digits are shown.

    Returns
    -------
    (str, str)

    Examples
    --------
    >>> before_and_after(8123.0, 8124.0, metres)
    ('8123', '8124')
    """
    said = ["" if value is None else say(value) for value in (before, after)]
    if before != after and said[0] == said[1]:
        said = ["" if value is None else f"{value:.8g}" for value in (before, after)]
    return said[0], said[1]


# --- Times and places.


def moment(stamp: str) -> str:
    """A time to the minute.

    Parameters
    ----------
    stamp : str
        In ISO 8601 and UTC; anything else is returned as it is.

    Returns
    -------
    str

    Examples
    --------
    >>> moment("2026-11-25T11:35:02Z")
    '2026-11-25 11:35 UTC'
    """
    found = re.fullmatch(r"(\d{4}-\d\d-\d\d)T(\d\d:\d\d)(:\d\d(\.\d+)?)?Z", stamp)
    try:
        datetime.fromisoformat(stamp)
    except ValueError:  # such as a thirteenth month
        return stamp
    return stamp if found is None else f"{found[1]} {found[2]} UTC"


def position(at: Sequence[float] | None) -> str:
    """Latitude and longitude, to a metre.

    Parameters
    ----------
    at : sequence of float, or None
        Longitude and latitude in degrees, WGS 84.

    Returns
    -------
    str
        Empty for None.

    Examples
    --------
    >>> position([-28.95, 54.4])
    '54.40000° N 28.95000° W'
    """
    if at is None:
        return ""
    return f"{_degrees(at[1], 'NS', 5)} {_degrees(at[0], 'EW', 5)}"


def _degrees(value: float, sides: str, decimals: int) -> str:
    """Degrees with the letter of their side: the first of `sides` from nought up."""
    return f"{abs(value):.{decimals}f}° {sides[int(value < 0)]}"


def latitude(at: Sequence[float]) -> str:
    """Latitude of a place, to 0.1 m.

    Parameters
    ----------
    at : sequence of float
        Longitude and latitude in degrees, WGS 84.

    Returns
    -------
    str

    Examples
    --------
    >>> latitude([-28.95, 54.4])
    '54.400000° N'
    """
    return _degrees(at[1], "NS", 6)


def longitude(at: Sequence[float]) -> str:
    """Longitude of a place, to 0.1 m or better.

    Parameters
    ----------
    at : sequence of float
        Longitude and latitude in degrees, WGS 84.

    Returns
    -------
    str

    Examples
    --------
    >>> longitude([-28.95, 54.4])
    '28.950000° W'
    """
    return _degrees(at[0], "EW", 6)
