"""Hostile evidence is refused quickly, with a reason, in little memory."""

from __future__ import annotations

import base64
import json
import subprocess
import sys
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

import waysapart as wa
from small_study import write_small_study
from waysapart.errors import StudyError
from waysapart.recheck import evidence, recheck

MOST_MB = 1_300
"""Address space over what Python and its libraries take before the first file is read."""
MOST_S = 10
"""Processor time for one file."""
CHECK = """
import json, resource, sys, time
from pathlib import Path
from waysapart.recheck import recheck
from waysapart.errors import StudyError
with open('/proc/self/statm') as file:
    now = int(file.read().split()[0]) * resource.getpagesize()
resource.setrlimit(resource.RLIMIT_AS, (now + {mb} * 2**20,) * 2)
for file in sorted(Path(sys.argv[2]).iterdir()):
    begin = time.process_time()
    try:
        told = recheck(sys.argv[1], file)['false']
    except StudyError as error:
        told = [problem.message for problem in error.problems]
    longest = max(map(len, told), default=0)
    print(json.dumps([file.stem, len(told), longest, time.process_time() - begin]), flush=True)
"""
Facts = dict[str, Any]
Told = dict[str, tuple[int, int, float]]
"""By file: how many reasons are given, the longest in characters, and the time in seconds."""


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A small study, and the text of its evidence."""
    folder = write_small_study(tmp_path_factory.mktemp("hostile") / "study")
    return folder, json.dumps(wa.prove(wa.read_study(folder)).facts())


@pytest.fixture(scope="module")
def told(study: tuple[Path, str], tmp_path_factory: pytest.TempPathFactory) -> Told:
    """What one process says of all hostile files, one after the other, in little memory."""
    folder = tmp_path_factory.mktemp("files")
    for name, text in _files(study[1]):
        (folder / f"{name}.json").write_bytes(text if isinstance(text, bytes) else text.encode())
    done = subprocess.run(
        [sys.executable, "-c", CHECK.format(mb=MOST_MB), str(study[0]), str(folder)],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2_000:] + done.stdout[-200:]
    rows = [json.loads(line) for line in done.stdout.splitlines()]
    return {name: (count, longest, seconds) for name, count, longest, seconds in rows}


def _set(facts: Facts, numbers: str) -> None:
    facts["evidence"]["paths"][0]["relies_on"] = numbers


def a_set_of_sixty_million(facts: Facts) -> None:
    _set(facts, "0-60000000")


def a_set_of_sixty_billion(facts: Facts) -> None:
    _set(facts, "0-60000000000")


def a_set_of_many_wide_runs(facts: Facts) -> None:
    _set(facts, " ".join(["0-60000000"] * 20_000))


def a_number_of_many_digits(facts: Facts) -> None:
    _set(facts, "9" * 100_000)


def a_role_of_sixty_million(facts: Facts) -> None:
    facts["evidence"]["roles"]["structures"] = "0-60000000"


def a_huge_id(facts: Facts) -> None:
    facts["evidence"]["assets"][0] = "X" * 20_000_000


def a_huge_verdict(facts: Facts) -> None:
    facts["circuits"][0]["verdict"] = "X" * 20_000_000


def a_huge_name(facts: Facts) -> None:
    facts["circuits"][0]["name"] = "X" * 20_000_000


def a_hundred_thousand_gaps(facts: Facts) -> None:
    gap = {"code": "own-line", "asset": "K1", "message": "", "bears_on": "separation", "count": 1}
    facts["circuits"][0]["gaps"] = [gap] * 100_000


def two_hundred_thousand_assets(facts: Facts) -> None:
    facts["evidence"]["assets"] += [f"X{n}" for n in range(200_000)]


def sides_of_no_path(facts: Facts) -> None:
    facts["evidence"]["verdicts"][0]["sides"] = [[10**12], [-1]]


def a_count_beyond_all(facts: Facts) -> None:
    facts["summary"]["gaps"] = 10**4000


def a_place_nowhere(facts: Facts) -> None:
    facts["evidence"]["verdicts"][0]["closest"][0]["points"] = [[1e300, 1e300], [-1e300, 400.0]]


def a_day_beyond_all(facts: Facts) -> None:
    facts["on"] = "9999-99-99"


def a_crs_without_end(facts: Facts) -> None:
    facts["crs"] = "+proj=pipeline " + "+step +proj=utm +zone=32 " * 200_000


def a_deep_assumption(facts: Facts) -> None:
    facts["assumptions"][0]["value"] = 0
    for _ in range(400):
        facts["assumptions"][0]["value"] = {"x": facts["assumptions"][0]["value"]}


CHANGES: tuple[Callable[[Facts], None], ...] = (
    *(a_set_of_sixty_million, a_set_of_sixty_billion, a_set_of_many_wide_runs),
    *(a_number_of_many_digits, a_role_of_sixty_million, a_huge_id, a_huge_verdict, a_huge_name),
    *(
        a_hundred_thousand_gaps,
        two_hundred_thousand_assets,
        sides_of_no_path,
        a_count_beyond_all,
        a_place_nowhere,
    ),
    *(a_day_beyond_all, a_crs_without_end, a_deep_assumption),
)


TEXTS: dict[str, str] = {
    "open brackets": "[" * 1_000_000,
    "open objects": '{"a":' * 1_000_000,
    "nested brackets": "[" * 1_000_000 + "]" * 1_000_000,
    "a format of a million digits": '{"format": ' + "9" * 1_000_000 + "}",
    "a format beyond all": '{"format": 1e999999, "circuits": []}',
    "a format that is no number": '{"format": NaN, "circuits": []}',
    "noughts": "\x00" * 1_000_000,
    "a text without end": '"' + "x" * 5_000_000,
    "nothing": "",
    "blanks": " " * 5_000_000,
}
NO_NUMBERS = ("NaN", "Infinity", "-Infinity", "1e999")


def _files(sound: str) -> Iterator[tuple[str, str | bytes]]:
    yield from TEXTS.items()
    for change in CHANGES:
        facts = json.loads(sound)
        change(facts)
        yield change.__name__, json.dumps(facts)
    for word in NO_NUMBERS:
        facts = json.loads(sound)
        facts["circuits"][0]["delay"]["worst_us"] = "here"
        yield f"a delay of {word}", json.dumps(facts).replace('"here"', word)
    yield "a page without end", _page()


def _page() -> bytes:
    """Two gigabytes of blanks, packed to two megabytes."""
    pack = zlib.compressobj(9, wbits=31)
    data = b"".join(pack.compress(b" " * (1 << 24)) for _ in range(128)) + pack.flush()
    block = base64.b64encode(data)
    return b'<!doctype html><script type="application/gzip" id="evidence">' + block + b"</script>"


@pytest.mark.parametrize(
    "name",
    [
        *TEXTS,
        *(change.__name__ for change in CHANGES),
        *(f"a delay of {word}" for word in NO_NUMBERS),
        "a page without end",
    ],
)
def test_it_is_refused_quickly_in_few_words(name: str, told: Told) -> None:
    """A figure that is no number is refused as well: nothing compared with it is over a limit."""
    count, longest, seconds = told[name]
    assert 1 <= count <= 2_000
    assert longest <= 10_000
    assert seconds < MOST_S


def test_more_values_than_any_plant_has_are_refused(
    study: tuple[Path, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before they are read: an empty list takes 60 bytes of memory, and three of a file."""
    monkeypatch.setattr(evidence, "MOST_VALUES", 10_000)
    file = tmp_path / "hostile.json"
    file.write_text(f'{{"format": 2, "circuits": [{",".join(["[]"] * 10_000)}]}}')
    with pytest.raises(StudyError, match="larger than evidence of any plant"):
        recheck(study[0], file)
