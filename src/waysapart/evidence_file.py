"""Evidence as it stands in a file: what follows from the rest is left out, and put in on reading.

A file has a line for every finding, and as few bytes as can be for what is the same everywhere:
a figure that is null like most, a list that is empty, what a link relies on once and not with
each path over it. `in_file` leaves such fields out, `in_full` gives them back; `waysapart.evidence`
marks the fields with what they are then (`Absent`). Nothing is worked out here but by looking up,
rounding and counting, so that `recheck` holds every field against the layers as if it had stood
there.
"""

from __future__ import annotations

import base64
import math
import re
import zlib
from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import cache
from itertools import pairwise
from typing import Any

from waysapart.evidence import NUMBER_DIGITS, Evidence, absences, objects_in

Facts = dict[str, Any]
Follows = Iterator[tuple[Facts, str, Any]]
"""An object, a field of it, and the value that follows from the rest."""

_MINUTES_PER_YEAR = 525_600.0
_POINT_DECIMALS = 7
_EXACT = 2.0**53
_DIGITS = "0123456789"
MOST_ASSETS = 20_000_000
"""Ids that runs of a file may stand for; more is no plant."""


def in_file(facts: Any) -> Facts:
    """Evidence without what follows from the rest of it.

    Parameters
    ----------
    facts : Evidence
        In full, as `Proof.facts` gives it; it stays as it is.

    Returns
    -------
    dict
        As `prove --json` writes it.
    """
    found: Facts = _copy(facts, Evidence)
    for path in found["evidence"]["paths"]:
        del path["relies_on"]  # all that its links rely on, in every proof
    for follow in reversed(_FOLLOWING):
        for owner, field, value in follow(found):
            if field in owner and _same(owner[field], value):
                del owner[field]
    found["evidence"]["asset_runs"] = _runs(found["evidence"].pop("assets"))
    for owner in (*found["circuits"], *found["groups"]):
        _as_shares(owner["unavailability"])
    for table in found.get("records", {}).get("tables", ()):
        _as_cells(table)
    _leave_out(found, Evidence)
    for link in found["links"]:
        _as_untested(link)
    if not any(found["evidence"]["paths"]):
        del found["evidence"]["paths"]
    return found


def in_full(facts: Any) -> Facts:
    """Evidence with all that follows from the rest of it.

    Parameters
    ----------
    facts : mapping
        From a file, which may be hostile; it stays as it is.

    Returns
    -------
    dict
        Where the file is no evidence, it holds less than evidence does, or something else:
        `waysapart.evidence.misfits` says what.
    """
    found: Facts = _copy(facts, Evidence)
    if not isinstance(found, dict):
        return found
    with suppress(*_MISSHAPEN):
        for link in found["links"]:
            if "untested" in link:
                link["tests_missing"] = [{"cable": one} for one in link.pop("untested")]
    with suppress(*_MISSHAPEN):
        for profile in found.get("profiles", ()):
            if "ways" in profile:  # as versions up to 0.1 called them
                profile["paths"] = profile.pop("ways")
    _put_in(found, Evidence)
    with suppress(*_MISSHAPEN):
        _as_rows(found.get("records", {}).get("tables", ()))
    with suppress(*_MISSHAPEN):
        if "paths" not in found["evidence"]:
            every = (path for one in found["circuits"] for path in one["paths"])
            found["evidence"]["paths"] = [{"hazards": []} for _ in every]
        if "assets" not in found["evidence"]:
            found["evidence"]["assets"] = _ids(found["evidence"].pop("asset_runs"))
        for owner in (*found["circuits"], *found["groups"]):
            _as_contributions(owner["unavailability"])
    for follow in _FOLLOWING:
        with suppress(*_MISSHAPEN):
            for owner, field, value in follow(found):
                owner.setdefault(field, value)
    with suppress(*_MISSHAPEN):
        _put_in_sets(found)
    return found


def proposals_in_file(facts: Any) -> Facts:
    """What `reroute --json` writes: the proofs of proposals without what follows from the rest."""
    return _of_proposals(facts, in_file)


def proposals_in_full(facts: Any) -> Facts:
    """The same back; where a file holds something else, that stays as it is."""
    return _of_proposals(facts, in_full)


def _of_proposals(facts: Any, made: Callable[[Any], Facts]) -> Facts:
    def of(owner: Any) -> Any:
        held = owner.get("proposal") if isinstance(owner, dict) else None
        if not isinstance(held, dict) or "proof" not in held:
            return owner
        return {**owner, "proposal": {**held, "proof": made(held["proof"])}}

    found: Facts = of(facts)
    build = found.get("build")
    if isinstance(build, dict):
        single = build.get("single")
        single = [of(one) for one in single] if isinstance(single, list) else single
        found = {**found, "build": {**build, "single": single, "set": of(build.get("set"))}}
    return found


# --- The evidence that a report carries.


class NoEvidenceError(Exception):
    """A page that does not carry evidence as reports do."""


_CARRIED = re.compile(rb'<script type="application/gzip" id="evidence">([^<]*)</script>')
_PIECE = 1 << 24


def is_page(data: bytes) -> bool:
    """Whether a file is an HTML page, which may carry evidence."""
    return data.lstrip()[:9].lower() == b"<!doctype"


def carried(page: bytes, most: int) -> bytes:
    """Unpack the evidence that a report carries.

    Parameters
    ----------
    page : bytes
    most : int
        Bytes that it may have when it is unpacked.

    Returns
    -------
    bytes
        JSON.

    Raises
    ------
    NoEvidenceError
        It carries none, or more than one, or what cannot be unpacked.
    """
    found = _CARRIED.findall(page)
    if len(found) != 1:
        raise NoEvidenceError(
            f"carries {len(found) or 'no'} evidence{' blocks, not one' if found else ''}: expected "
            "what prove --json or reroute --json writes, or a report that was not made for "
            "readers outside"
        )
    unpack, data = zlib.decompressobj(wbits=31), bytearray()
    try:
        left = base64.b64decode(found[0], validate=True)
        while left and not unpack.eof and len(data) <= most:
            data += unpack.decompress(left, _PIECE)
            left = unpack.unconsumed_tail
    except (ValueError, zlib.error) as error:
        raise NoEvidenceError(f"carries evidence that cannot be unpacked: {error}") from error
    if not unpack.eof:
        raise NoEvidenceError(f"carries evidence that is cut off, or of more than {most >> 20} MiB")
    return bytes(data)


_MISSHAPEN = (AttributeError, IndexError, KeyError, OverflowError, TypeError, ValueError)
"""What reading a field leads to in a file that is no evidence."""


def _same(one: Any, other: Any) -> bool:
    """Whether two values are the same in JSON; 1 is not true, and 0.0 is 0."""
    return one == other and isinstance(one, bool) == isinstance(other, bool)


# --- Fields with one value that most have.


Usual = tuple[str, Any, type]
"""A field, the value that most have, and its type: 1 is not true."""


@cache
def _plan(kind: Any) -> tuple[list[Usual], list[tuple[str, Any, Any]]]:
    """The fields of an object with a usual value, and those that hold other objects."""
    marked = absences(kind).items()
    usual = [(name, one.value, type(one.value)) for name, one in marked if not one.follows]
    return usual, [(name, *inner) for name, inner in objects_in(kind).items()]


def _copy(value: Any, kind: Any) -> Any:
    """The objects of evidence anew; what stands in them, and anything else, as it is."""
    if not isinstance(value, dict):
        return value
    found = dict(value)
    for name, holder, inner in _plan(kind)[1]:
        one = found.get(name)
        if holder is list and isinstance(one, list):
            found[name] = [_copy(each, inner) for each in one]
        elif holder is dict and isinstance(one, dict):
            found[name] = {key: _copy(each, inner) for key, each in one.items()}
        elif holder is None and name in found:
            found[name] = _copy(one, inner)
    return found


def _leave_out(owner: Facts, kind: Any) -> None:
    usual, holding = _plan(kind)
    for name, value, plain in usual:
        if name in owner and (one := owner[name]) == value and type(one) is plain:
            del owner[name]
    for name, one in owner.items():
        if type(one) is float and one.is_integer() and abs(one) < _EXACT:
            owner[name] = int(one)
    for name, holder, inner in holding:
        one = owner.get(name)
        if one:
            for each in one if holder is list else one.values() if holder is dict else (one,):
                _leave_out(each, inner)


def _put_in(owner: Any, kind: Any) -> None:
    if not isinstance(owner, dict):
        return
    usual, holding = _plan(kind)
    for name, value, plain in usual:
        if name not in owner:
            owner[name] = value.copy() if plain in (list, dict) else value
    for name, holder, inner in holding:
        one = owner.get(name)
        if holder is list and isinstance(one, list):
            for each in one:
                _put_in(each, inner)
        elif holder is dict and isinstance(one, dict):
            for each in one.values():
                _put_in(each, inner)
        elif holder is None:
            _put_in(one, inner)


# --- Ids in runs: ['T7-', '0-2'] for T7-0, T7-1 and T7-2.


def _runs(ids: list[str]) -> list[list[str]]:
    """Ids as runs: how those beside each other begin, and the numbers that they end in.

    The numbers of a run stand for ids in the order of their texts, in which evidence has them:
    '8-11' for 10, 11, 8 and 9.
    """
    found: list[list[str]] = []
    head, texts, known = "", list[str](), 0

    def close() -> None:
        if len(texts) > 1:
            found.append([head, _ranges(sorted(map(int, texts)))])
        elif texts:
            found.append([head + texts[0]])

    for name in ids:
        text = name[known:]
        if texts and text > texts[-1] and _is_number(text) and name.startswith(head):
            texts.append(text)
            continue
        close()
        head, text = _parted(name)
        texts, known = [text] if text else [], len(head)
        if not text:
            found.append([name])
    close()
    return found


def _is_number(text: str) -> bool:
    """Whether a text is a number as it is written, not too long."""
    plain = text.isdecimal() and text.isascii() and (text[0] != "0" or text == "0")
    return plain and len(text) <= NUMBER_DIGITS


def _parted(name: str) -> tuple[str, str]:
    """An id as a beginning and the number it ends in, without noughts before it; '' for none."""
    begin = name.rstrip(_DIGITS)
    tail = name[len(begin) :]
    if not tail:
        return name, ""
    plain = tail.lstrip("0") or "0"
    if len(plain) > NUMBER_DIGITS:
        return name, ""
    return name[: len(name) - len(plain)], plain


def _ranges(numbers: list[int]) -> str:
    """Numbers in their order, those that count up as one: '0-3 7'."""
    if not numbers:
        return ""
    found = []
    low = high = numbers[0]
    for number in numbers[1:]:
        if number != high + 1:
            found.append(str(low) if low == high else f"{low}-{high}")
            low = number
        high = number
    found.append(str(low) if low == high else f"{low}-{high}")
    return " ".join(found)


def _ids(runs: list[list[str]]) -> list[str]:
    """The ids that runs stand for."""
    if not isinstance(runs, list) or not all(isinstance(run, list) for run in runs):
        raise TypeError
    found: list[str] = []
    for run in runs:
        if len(run) == 1:
            found += run
            continue
        begin, text = run
        numbers: list[str] = []
        for low, high in _bounds(text):
            if high - low + len(found) + len(numbers) >= MOST_ASSETS:
                raise ValueError
            numbers += map(str, range(low, high + 1))
        found += [begin + number for number in sorted(numbers)]
    return found


def _bounds(text: str, most: int | None = None) -> list[tuple[int, int]]:
    """'0-3 7' as [(0, 3), (7, 7)]; at most so many numbers."""
    found = []
    for part in text.split():
        low, _, high = part.partition("-")
        found.append((int(low), int(high or low)))
        if most is not None:
            most -= found[-1][1] - found[-1][0] + 1
            if most < 0:
                raise ValueError
    return found


# --- Records by columns: what is the same in many rows, or counts up, stands once.

MOST_CELLS = 50_000_000
"""Cells that the columns of a file may stand for; more is no plant."""
_DRAWN = "geometry"
_POINT, _LINE = "POINT(", "LINESTRING("
_DRAWN_SHORT = (*"-;0123456789",)
_MOST_DECIMALS = 9


def _as_cells(table: Facts) -> None:
    """The rows of a table of records by column, and their numbers as runs."""
    rows, names = table.pop("rows"), table["columns"]
    table["cells"] = {
        name: _packed([row[place] for row in rows], drawn=name == _DRAWN)
        for place, name in enumerate(names)
    }
    if all(isinstance(number, int) and number >= 0 for number in table["at"]):
        table["row_runs"] = _ranges(table.pop("at"))


def _as_rows(tables: list[Facts]) -> None:
    """The same back."""
    left = MOST_CELLS
    for table in tables:
        if "at" not in table:
            table["at"] = [
                number
                for low, high in _bounds(table["row_runs"], left)
                for number in range(low, high + 1)
            ]
            del table["row_runs"]
        if "rows" in table:
            continue
        count = len(table["at"])
        columns = [
            _unpacked(table["cells"][name], count, drawn=name == _DRAWN)
            for name in table["columns"]
        ]
        left -= count * max(len(columns), 1)
        if left < 0 or any(len(cells) != count for cells in columns):
            raise ValueError
        table["rows"] = [list(row) for row in zip(*columns, strict=True)] or [[]] * count
        del table["cells"]


def _packed(cells: list[Any], *, drawn: bool) -> list[Any]:
    """Cells with those that repeat counted, and those that count up as runs of numbers."""
    if drawn:
        cells = _drawn_short(cells)
    found: list[Any] = []
    head: str | None = None
    numbers: list[int] = []

    def close() -> None:
        if len(numbers) > 1:
            found.append([head, _ranges(numbers)])
        elif numbers:
            found.append(numbers[0] if head is None else f"{head}{numbers[0]}")
        numbers.clear()

    place = 0
    while place < len(cells):
        cell, first = cells[place], place
        place += 1  # it is one at least: what is no number is not the same as itself
        while place < len(cells) and _same(cells[place], cell):
            place += 1
        times = place - first
        begin, number = _counted(cell) if times == 1 and not drawn else (None, None)
        if number is None or (numbers and begin != head):
            close()
        if number is not None:
            head = begin
            numbers.append(number)
        else:
            found.append(cell if times == 1 else [times, cell])
    close()
    return found


def _counted(cell: Any) -> tuple[str | None, int | None]:
    """How a text begins and the number it ends in; a whole number begins with nothing."""
    if isinstance(cell, int) and not isinstance(cell, bool) and 0 <= cell < _EXACT:
        return None, cell
    if isinstance(cell, str):
        begin, text = _parted(cell)
        if text:
            return begin, int(text)
    return None, None


def _unpacked(pieces: list[Any], most: int, *, drawn: bool) -> list[Any]:
    """The same back: at most so many cells."""
    if not isinstance(pieces, list):
        raise TypeError
    found: list[Any] = []
    for piece in pieces:
        if not isinstance(piece, list):
            found.append(piece)
            continue
        head, told = piece
        if isinstance(head, int):
            if not 0 < head <= most - len(found):
                raise ValueError
            found += [told] * head
            continue
        for low, high in _bounds(told, most - len(found)):
            several = range(low, high + 1)
            found += several if head is None else [f"{head}{number}" for number in several]
    return _drawn_long(found) if drawn else found


def _drawn_short(cells: list[Any]) -> list[Any]:
    """A point as `x y`; a line as `x y;7;dx dy,...`, steps in units of the seventh decimal.

    A line that begins where the line before it ends leaves its first vertex out.
    """
    found: list[Any] = []
    end = ""
    for cell in cells:
        short = cell
        if isinstance(cell, str) and cell.startswith(_POINT):
            short = cell[len(_POINT) : -1]
        elif isinstance(cell, str) and cell.startswith(_LINE):
            vertices = cell[len(_LINE) : -1].split(",")
            places = [vertex.split(" ") for vertex in vertices]
            decimals = max(len(one.partition(".")[2]) for vertex in places for one in vertex)
            whole = [[round(float(one) * 10**decimals) for one in vertex] for vertex in places]
            steps = [
                " ".join(str(to - at) for at, to in zip(one, other, strict=True))
                for one, other in pairwise(whole)
            ]
            first = "" if vertices[0] == end else vertices[0]
            short = f"{first};{decimals};{','.join(steps)}"
        found.append(short if short == cell or _drawn(short, end)[0] == cell else cell)
        end = _drawn(found[-1], end)[1]
    return found


def _drawn_long(cells: list[Any]) -> list[Any]:
    """The same back; any other text as it is."""
    found: list[Any] = []
    end = ""
    for cell in cells:
        text, end = _drawn(cell, end)
        found.append(text)
    return found


def _drawn(cell: Any, end: str) -> tuple[Any, str]:
    """A geometry in full, and where it ends if it is a line."""
    if not isinstance(cell, str) or cell[:1] not in _DRAWN_SHORT or not cell:
        return cell, ""
    first, *rest = cell.split(";")
    if not rest:
        return f"{_POINT}{first})", ""
    first = first or end
    decimals = int(rest[0])
    if not 0 <= decimals <= _MOST_DECIMALS:
        raise ValueError
    at = [round(float(one) * 10**decimals) for one in first.split(" ")]
    places = [first]
    for step in rest[1].split(","):
        at = [one + int(by) for one, by in zip(at, step.split(" "), strict=True)]
        places.append(" ".join(_decimal(one, decimals) for one in at))
    return f"{_LINE}{','.join(places)})", places[-1]


def _decimal(number: int, decimals: int) -> str:
    """A number of units of the last decimal, as it is written without noughts at its end."""
    if not decimals:
        return str(number)
    text = f"{abs(number):0{decimals + 1}d}"
    tail = text[-decimals:].rstrip("0")
    sign = "-" if number < 0 else ""
    return f"{sign}{text[:-decimals]}{'.' if tail else ''}{tail}"


# --- Fields that follow from others: each step may use what the steps before it put in.


def _of_circuits(facts: Facts) -> Follows:
    known = _assumed(facts)
    frequency = known.get("power_system.frequency_hz")
    for circuit in facts["circuits"]:
        of = f"services.{_key(circuit['service'])}."
        for name in ("separation_m", "end_zone_m"):
            if (stated := known.get(of + name)) is not None:
                yield circuit, name, stated
        yield circuit["delay"], "recovery_limit_ms", known.get(f"{of}max_recovery_ms")
        yield circuit["delay"], "recovery_assumed", circuit["delay"]["recovery_ms"] is not None
        yield circuit["delay"], "frequency_hz", frequency
        for path in circuit["paths"].values():
            yield path, "go_us", path["delay_us"]
            yield path, "return_us", path["delay_us"]
            terms = path["delay_terms"]
            rest = (terms[name] for name in ("equipment_us", "extra_us", "test_us"))
            yield terms, "fibre_us", _less(path["delay_us"], *rest)
        down = circuit["unavailability"]
        yield down, "minutes_a_year", _minutes(down["both"])
        shares = {label: _minutes(down[label]) for label in circuit["paths"]}
        yield down, "path_minutes_a_year", shares
        if all(path["delay_us"] is not None for path in circuit["paths"].values()):
            yield circuit["delay"], "states", _states(circuit)
    for name, whole in (("circuits", "both"), ("groups", "all")):
        for owner in facts[name]:
            down = owner["unavailability"]
            for one in down["greatest"]:
                yield one, "minutes_a_year", _minutes(one["share"])
                yield one, "of_all", _share(one["share"], down[whole])


def _assumed(facts: Facts) -> dict[str, Any]:
    """Values of rules by their keys."""
    return {one["key"]: one["value"] for one in facts["assumptions"] if not one.get("to_sign")}


def _sum(*parts: float | None) -> float | None:
    """What terms add up to, in millimetres; null where one of them is not known."""
    if None in parts:
        return None
    return round(math.fsum(one for one in parts if one is not None), 3) + 0.0


def _less(whole: float | None, *parts: float | None, decimals: int = 3) -> float | None:
    """What parts leave of a figure; null where one of them is not known."""
    if whole is None or None in parts:
        return None
    return round(whole - math.fsum(one for one in parts if one is not None), decimals) + 0.0


def _key(name: str) -> str:
    """A name as `assumptions` spell it in their keys."""
    plain = name.isascii() and name.replace("_", "").replace("-", "").isalnum()
    return name if plain else ""


def _minutes(share: float | None) -> float | None:
    return None if share is None else float(f"{share * _MINUTES_PER_YEAR:.6g}")


def _share(part: float | None, whole: float | None) -> float | None:
    return float(f"{part / whole:.6g}") if part is not None and whole else None


def _as_shares(down: Facts) -> None:
    """What brings most of the time down, by its share alone."""
    if all(set(one) == {"asset", "share"} for one in down["greatest"]):
        down["greatest_shares"] = {one["asset"]: one["share"] for one in down.pop("greatest")}


def _as_untested(link: Facts) -> None:
    """Cables of which no fibre has any test, by their ids alone."""
    if all(set(one) == {"cable"} for one in link.get("tests_missing", ({},))):
        link["untested"] = [one["cable"] for one in link.pop("tests_missing")]


def _as_contributions(down: Facts) -> None:
    if "greatest" not in down:
        shares = down.pop("greatest_shares")
        down["greatest"] = [{"asset": name, "share": share} for name, share in shares.items()]


def _states(circuit: Facts) -> list[Facts]:
    return [
        {
            "state": label,
            "delay_us": path["delay_us"],
            "delay_at_least_us": path["delay_at_least_us"],
        }
        for label, path in circuit["paths"].items()
    ]


def _of_sharing(facts: Facts) -> Follows:
    for owner in (*facts["circuits"], *facts["groups"]):
        stretches = [one["stretch"] for one in owner["stretches"]]
        yield owner, "single_points", {"stretches": stretches, "assets": owner["unavoidable"]}
        for near in (*owner["near"], *owner["near_folded"]):
            for pair in near["members"]:
                yield pair, "kinds", near["kinds"]
                yield pair, "limit_m", near["limit_m"]
                yield pair, "distance_m", near["distance_m"]


_ALIKE = (*("wavelength_nm", "fibre_type", "tx_min_dbm", "tx_max_dbm", "rx_min_dbm", "rx_max_dbm"),)
_TERMS_ALIKE = ("splices_from", "connectors", "connectors_db", "reserve_db")
"""What most links have in common."""


def _of_first_link(facts: Facts) -> Follows:
    losses = [link["loss"] for link in facts["links"] if link["loss"] is not None]
    for loss in losses[1:]:
        for name in _ALIKE:
            yield loss, name, losses[0][name]
        for name in _TERMS_ALIKE:
            yield loss["terms"], name, losses[0]["terms"][name]


def _of_lengths(facts: Facts) -> Follows:
    for link in facts["links"]:
        terms = link["lengths"]
        parts = (terms[name] for name in ("sag_m", "helix_m", "overlength_m", "slack_m", "test_m"))
        yield terms, "length_m", _sum(terms["route_m"], *parts)


def _of_links(facts: Facts) -> Follows:
    known = _assumed(facts)
    for link in facts["links"]:
        if (loss := link["loss"]) is not None:
            for held in loss["held_to"]:
                service = held["services"][0] if held["services"] else ""
                yield held, "min_margin_db", known.get(f"services.{_key(service)}.min_margin_db")
                longest = _sum(loss["terms"]["fibre_m"], held["could_grow_m"])
                yield held["longest"], "by_loss_m", longest
            yield loss, "k", known.get("statistics.k")
            budget = _less(loss["tx_min_dbm"], loss["rx_min_dbm"], decimals=4)
            margin = _less(budget, loss["loss_db"], decimals=4)
            yield loss, "budget_db", budget
            yield loss, "margin_db", margin
            yield loss, "attenuator_most_db", margin
            yield loss, "statistical_margin_db", _less(budget, loss["statistical_db"], decimals=4)
            at_receiver = _less(loss["tx_max_dbm"], loss["least_db"], decimals=4)
            yield loss, "overload_margin_db", _less(loss["rx_max_dbm"], at_receiver, decimals=4)
            yield loss["terms"], "budget_db", budget


def _of_fibre(facts: Facts) -> Follows:
    for link in facts["links"]:
        if link["loss"] is not None:
            yield link["loss"]["terms"], "fibre_m", link["lengths"]["length_m"]


def _of_paths(facts: Facts) -> Follows:
    """Which path each set is of."""
    told = [(one["id"], label) for one in facts["circuits"] for label in one["paths"]]
    for path, (circuit, label) in zip(facts["evidence"]["paths"], told, strict=True):
        yield path, "circuit", circuit
        yield path, "path", label


def _of_path_links(facts: Facts) -> Follows:
    links = {
        (one["id"], label): path["links"]
        for one in facts["circuits"]
        for label, path in one["paths"].items()
    }
    for path in facts["evidence"]["paths"]:
        yield path, "links", links[path["circuit"], path["path"]]


def _put_in_sets(facts: Facts) -> None:
    """Of each path, all that its links rely on."""
    sets = {name: _bounds(text) for name, text in facts["evidence"]["links"].items()}
    for path in facts["evidence"]["paths"]:
        if "relies_on" not in path:
            path["relies_on"] = _together([sets[name] for name in path["links"]])


def _together(sets: list[list[tuple[int, int]]]) -> str:
    """All numbers of some sets, as text."""
    found: list[list[int]] = []
    for low, high in sorted(one for mine in sets for one in mine):
        if found and low <= found[-1][1] + 1:
            found[-1][1] = max(found[-1][1], high)
        else:
            found.append([low, high])
    return " ".join(str(low) if low == high else f"{low}-{high}" for low, high in found)


def _of_verdicts(facts: Facts) -> Follows:
    """Whose verdict each witness is of, and which paths are held apart."""
    owners = [("circuit", one) for one in facts["circuits"]]
    owners += [("group", one) for one in facts["groups"]]
    places: dict[str, list[int]] = {}
    for place, path in enumerate(facts["evidence"]["paths"]):
        places.setdefault(path["circuit"], []).append(place)
    for witness, (kind, owner) in zip(facts["evidence"]["verdicts"], owners, strict=True):
        yield witness, "id", owner["id"]
        yield witness, "kind", kind
        yield witness, "verdict", owner["verdict"]
        if kind == "circuit":
            yield witness, "sides", [[place] for place in places.get(owner["id"], ())]


def _of_closest(facts: Facts) -> Follows:
    """The closest approach of a circuit with two paths, which stands with it and its witness."""
    circuits = {one["id"]: one for one in facts["circuits"]}
    for witness in facts["evidence"]["verdicts"]:
        circuit = circuits.get(witness["id"])
        if witness["kind"] != "circuit" or circuit is None or "closest" not in circuit:
            continue
        closest = circuit["closest"]
        yield closest, "distance_m", circuit["closest_m"]
        yield closest, "danger_radius_m", round(circuit["closest_m"] / 2, 3)
        if len(witness["closest"]) == 1 and len(witness["sides"]) == 2:
            approach = witness["closest"][0]
            yield approach, "paths", [side[0] for side in witness["sides"]]
            yield approach, "segments", [closest["main"], closest["alternate"]]
            yield approach, "distance_m", circuit["closest_m"]
            for name, point in zip(("main_at", "alternate_at"), approach["points"], strict=True):
                yield closest, name, [round(one, _POINT_DECIMALS) + 0.0 for one in point]
            middle = [round((one + other) / 2, _POINT_DECIMALS) for one, other in _both(approach)]
            yield closest, "danger_at", middle


def _both(approach: Facts) -> list[tuple[float, float]]:
    """Longitudes, and latitudes, of the two points of an approach."""
    one, other = approach["points"]
    return list(zip(one, other, strict=True))


_FOLLOWING: tuple[Callable[[Facts], Follows], ...] = (
    _of_circuits,
    _of_sharing,
    _of_first_link,
    _of_lengths,
    _of_fibre,
    _of_links,
    _of_paths,
    _of_path_links,
    _of_verdicts,
    _of_closest,
)
