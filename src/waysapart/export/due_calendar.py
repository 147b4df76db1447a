"""What falls due as a calendar: an event for each waiver, cable, link and layer of surveys.

A calendar that takes the file again moves the events that it has: their UIDs rest on what is due,
not on when. The same study, judged for the same day, gives the same bytes.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

from waysapart.errors import CallError
from waysapart.output_files import OutputFile, write_text
from waysapart.schema import VERSION
from waysapart.text import few, one_line, plural
from waysapart.whatif.due import DueFacts, DueTable

_FIRST_DAY = date(2000, 1, 1)
_MOST_NAMED = 20
_CAUTION = {
    "test": "Light in a fibre can hurt eyes and cannot be seen: test under the owner's safety "
    "rules and the local code for laser light.",
    "survey": "Plant is entered, opened and climbed by those whom its owner has authorised, under "
    "local codes for live lines and confined spaces.",
}


def write_due(table: DueTable, path: str | Path, *, force: bool = False) -> Path:
    """Write what falls due as a calendar file.

    Parameters
    ----------
    table : DueTable
        From `due`.
    path : path
        Ends in `.ics`.
    force : bool
        Whether a file that waysapart did not write may be replaced.

    Returns
    -------
    Path

    Raises
    ------
    CallError
        Another suffix, or a file that waysapart did not write.
    WriteError
        The file cannot be written.
    """
    target = calendar_file(Path(path))
    write_text(target, due_calendar(table), force=force)
    return target.path


def calendar_file(path: Path) -> OutputFile:
    """The file of a calendar.

    Parameters
    ----------
    path : Path

    Returns
    -------
    OutputFile

    Raises
    ------
    CallError
        Its name does not end in `.ics`.
    """
    if path.suffix.casefold() != ".ics":
        raise CallError(f"{path}: a calendar file; give it a name that ends in .ics")
    return OutputFile(path, "ics")


def due_calendar(table: DueTable) -> str:
    """Make the calendar of what falls due.

    Parameters
    ----------
    table : DueTable
        From `due`.

    Returns
    -------
    str
        iCalendar (RFC 5545). Each event lasts a day: the last one on which the record is taken as
        it is; what is overdue stands on the day of judgement.
    """
    from icalendar import Calendar, Event

    on = date.fromisoformat(table["on"])
    calendar = Calendar()
    calendar.add("prodid", f"-//waysapart//waysapart {VERSION}//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    calendar.add("x-wr-calname", one_line(f"Falls due: {table['study']}"))
    for key, rows in _events(table["records"]).items():
        first = rows[0]
        day = on if first["overdue"] else date.fromisoformat(first["due"])
        event = Event()
        event.add("uid", _uid(table["study"], key))
        event.add("dtstamp", datetime.combine(on, time(), UTC))
        event.add("sequence", max(0, (on - _FIRST_DAY).days))
        event.add("dtstart", day)
        event.add("dtend", day + timedelta(days=1))
        event.add("summary", one_line(("Overdue: " if first["overdue"] else "") + _summary(rows)))
        event.add("description", "\n".join(map(one_line, _description(rows))))
        event.add("categories", [_CATEGORY[first["what"]]])
        event.add("transp", "TRANSPARENT")
        calendar.add_component(event)
    return str(calendar.to_ical().decode())


_CATEGORY = {
    "waiver": "Waiver",
    "test": "Test",
    "survey": "Survey",
    "leased_route": "Leased route",
}


def _events(rows: Sequence[DueFacts]) -> dict[tuple[str, ...], list[DueFacts]]:
    """What belongs into one event, the earliest first.

    Surveys of one layer fall due together where they were made on one day, and overdue ones are
    one event, so that a calendar has no thousand events. Tests of one cable or link are one.
    """
    found: dict[tuple[str, ...], list[DueFacts]] = {}
    for one in rows:
        if one["what"] == "survey":
            day = "overdue" if one["overdue"] else one["due"]
            key: tuple[str, ...] = ("survey", one["file"] or "", one["layer"] or "", day)
        elif one["what"] == "waiver":
            key = ("waiver", one["id"], one["about"])
        else:
            key = (one["what"], one["id"], one["rule"])
        found.setdefault(key, []).append(one)
    return found


def _uid(study: str, key: Sequence[str]) -> str:
    name = "\0".join((study, "due", *key))
    return f"{hashlib.sha256(name.encode('utf-8', 'surrogatepass')).hexdigest()[:32]}@waysapart"


def _summary(rows: Sequence[DueFacts]) -> str:
    first = rows[0]
    if first["what"] == "waiver":
        return f"{first['about']} for {first['id']} ends"
    if first["what"] == "leased_route":
        return f"ask again where leased link {first['id']} runs"
    if first["what"] == "test":
        kind = "link" if first["about"].endswith("link") else "cable"
        return f"test {kind} {first['id']} again"
    if len(rows) == 1:
        return f"survey {first['about']} {first['id']} again"
    return f"survey {plural(len(rows), 'record')} of {first['file'] or 'the study'} again"


def _description(rows: Sequence[DueFacts]) -> list[str]:
    """What becomes of it, what rests on it, where it stands, and what was found when."""
    first = rows[0]
    ids = list(dict.fromkeys(one["id"] for one in rows))
    circuits = list(dict.fromkeys(name for one in rows for name in one["circuits"]))
    days = sorted({one["dated"] for one in rows if one["dated"]})
    about = list(dict.fromkeys(one["about"] for one in rows))
    said = [f"{few(about, _MOST_NAMED)}: {few(ids, _MOST_NAMED)}"]
    if days:
        span = days[0] if len(days) == 1 else f"{days[0]} to {days[-1]}"
        said.append(f"On record: {span}. Last day: {first['due']} ({first['rule']}).")
    else:
        said.append(f"Last day: {first['due']}.")
    then = {
        "lapses": "Past it the waiver does not count.",
        "gap": "Past it the record is a gap.",
        "marked as old": "Past it the test is marked as old; no verdict rests on that.",
    }
    said.append(then[first["then"]])
    if circuits:
        said.append(f"Circuits that rest on it: {few(circuits, _MOST_NAMED)}.")
    places = list(dict.fromkeys(_place(one) for one in rows))
    said.append(f"Where it stands: {few(places, _MOST_NAMED, '; ')}.")
    if first["what"] in _CAUTION:
        said.append(_CAUTION[first["what"]])
    return said


def _place(one: DueFacts) -> str:
    if one["what"] == "waiver" and one["row"] is not None:  # rules have no rows
        return f"{one['file'] or 'the study'}, waiver {one['row']}, {one['column']}"
    parts = [one["file"] or "the study", one["layer"] if one["layer"] != one["file"] else None]
    row = None if one["row"] is None else f"row {one['row']}"
    return ", ".join(part for part in (*parts, row, one["column"]) if part)
