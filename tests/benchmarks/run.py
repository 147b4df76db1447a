"""All benchmarks with one command; the table goes into docs/performance.md.

    python tests/benchmarks/run.py [--runs 5] [--without-large]

Whole processes are started one after another, the program and what it is held against in turn,
so that a ratio is of one run. Processor time is user and system time of the process; it says
more than the clock where other work goes on on the machine, so both are given. The scripts, the
dense plants and the plant of a million segments run once: they take minutes.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
from answers import agrees
from dense_plant import KINDS, spliced_lines
from national_plant import SIZES, Plant, Size

import waysapart as wa
from waysapart.cli.common import json_text
from waysapart.findings.separation.places import worst_places
from waysapart.findings.sharing import share
from waysapart.findings.spacing import space
from waysapart.network.build_network import tie
from waysapart.network.traced import traced_study
from waysapart.reliance.rely import rely
from waysapart.verdicts.contests import contests_of, sides_of, trials_of
from waysapart.verdicts.proof import services_of
from waysapart.whatif.worst import contingency

HERE = Path(__file__).resolve().parent
PAGE = HERE.parents[1] / "docs" / "performance.md"
BEGIN, END = "<!-- table: begin -->", "<!-- table: end -->"
MB = 1e6
FLOOR = """
import sys
from pathlib import Path
import geopandas, pandas, pyogrio
folder = Path(sys.argv[1])
for name in pyogrio.list_layers(folder / "study.gpkg")[:, 0]:
    geopandas.read_file(folder / "study.gpkg", layer=name)
for path in folder.glob("*.csv"):
    pandas.read_csv(path)
"""
COMMAND = "from waysapart.cli import main; main()"
NO_BYTECODE = "PYTHONDONTWRITEBYTECODE"
"""Where this is set every process compiles the program anew: another thing, and left out."""
ESTUARY = HERE.parents[1] / "examples" / "estuary"
Tell = Callable[[str, str, str], None]
"""Takes a row of the table: what, its goal, and what is reached."""


@dataclass(frozen=True)
class Taken:
    """What one run took: seconds of processor and on the clock, and its greatest memory."""

    cpu_s: float
    wall_s: float
    peak_bytes: float = 0.0


def process(*arguments: str | Path) -> Taken:
    """Run Python with these arguments; its exit status says nothing here."""
    begin = time.perf_counter()
    child = subprocess.Popen(
        [sys.executable, *map(str, arguments)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        env={name: value for name, value in os.environ.items() if name != NO_BYTECODE},
    )
    assert child.stderr is not None
    told = child.stderr.read().decode()
    _, status, used = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode < 0 or "Traceback" in told:
        raise RuntimeError(f"{arguments[0]}: {told}")
    return Taken(used.ru_utime + used.ru_stime, time.perf_counter() - begin, used.ru_maxrss * 1024)


def within(act: Callable[[], Any]) -> Taken:
    """Run something in this process."""
    begin, before = time.perf_counter(), time.process_time()
    act()
    return Taken(time.process_time() - before, time.perf_counter() - begin)


def median(taken: list[Taken]) -> Taken:
    """Median of each figure."""
    return Taken(
        statistics.median(one.cpu_s for one in taken),
        statistics.median(one.wall_s for one in taken),
        max(one.peak_bytes for one in taken),
    )


def prove(folder: Path) -> tuple[str | Path, ...]:
    return "-c", COMMAND, "prove", folder, "--json", folder / "evidence.json"


def whole_process(folder: Path, runs: int) -> tuple[Taken, Taken, float]:
    """Medians of proving and of only reading, and the median ratio of neighbouring runs."""
    proved, read = [], []
    for _ in range(runs):
        read.append(process("-c", FLOOR, folder))
        proved.append(process(*prove(folder)))
    ratio = statistics.median(a.cpu_s / b.cpu_s for a, b in zip(proved, read, strict=True))
    return median(proved), median(read), ratio


def plain(script: str, folder: Path) -> tuple[Taken, int]:
    """A script once, and in how many circuits its answer is not the program's."""
    taken = process(HERE / script, folder, folder / "plain.json")
    found = json.loads((folder / "evidence.json").read_text())["circuits"]
    theirs = json.loads((folder / "plain.json").read_text())
    return taken, sum(not agrees(one, theirs[one["id"]]) for one in found)


def separation(folder: Path, runs: int) -> Taken:
    network = tie(wa.read_study(folder))
    reliance = rely(network)
    contests, owner = contests_of(trials_of(reliance, np.zeros(len(network.paths), dtype=bool)))
    held = sides_of(reliance, contests)
    between = share(reliance, held)
    asked = [services_of(network, trial) for trial in contests]
    return median(
        [
            within(lambda: space(reliance, held, between, asked, np.array(owner, dtype=np.int64)))
            for _ in range(runs)
        ]
    )


def events(folder: Path, runs: int) -> tuple[Taken, int]:
    """Every single event against every circuit, and how many events there are."""
    proof = wa.prove(wa.read_study(folder))
    return median([within(lambda: contingency(proof)) for _ in range(runs)]), len(
        proof.network.assets
    )


def circle(folder: Path, runs: int) -> Taken:
    layout = wa.prove(wa.read_study(folder)).spacing.layout
    return median([within(lambda: worst_places(layout, 50.0)) for _ in range(runs)])


def stages(folder: Path, runs: int) -> list[tuple[str, float]]:
    """Median processor time of every stage of proving, in a process that has imported all."""
    taken: dict[str, list[float]] = {}

    def timed(name: str, act: Callable[..., Any], *given: Any) -> Any:
        begin = time.process_time()
        found = act(*given)
        taken.setdefault(name, []).append(time.process_time() - begin)
        return found

    for _ in range(runs):
        study = timed("read, validate and hash the layers", wa.read_study, folder)
        network = timed("tie ends, cables, links and paths", tie, study)
        proof = timed("reliance, findings, verdicts", wa.prove, network)
        facts = timed("facts and evidence as plain data", proof.facts)
        timed("JSON text", json_text, facts)
    return [(name, statistics.median(each)) for name, each in taken.items()]


def seconds(taken: Taken) -> str:
    return f"{taken.cpu_s:.2f} s ({taken.wall_s:.2f} s)"


def cli(*arguments: str | Path) -> tuple[str | Path, ...]:
    return "-c", COMMAND, *arguments


def beside_prove(folder: Path, runs: int, *arguments: str | Path) -> tuple[Taken, Taken, float]:
    """Medians of a command and of `prove --json`, and the median ratio of neighbouring runs."""
    others, proved = [], []
    for _ in range(runs):
        proved.append(process(*prove(folder)))
        others.append(process(*cli(*arguments)))
    ratio = statistics.median(a.cpu_s / b.cpu_s for a, b in zip(others, proved, strict=True))
    return median(others), median(proved), ratio


def first_not_apart(folder: Path) -> str:
    found = json.loads((folder / "evidence.json").read_text())["circuits"]
    return next(one["id"] for one in found if one["verdict"] == "shared")


def commands(tell: Tell, folders: dict[str, Path], demo: Path, runs: int) -> None:
    """Other commands, each beside `prove` of the same plant."""
    for folder, name in ((demo, "the demo"), (folders["10k"], "10,000 segments")):
        page = folder / "report.html"
        told, proved, _ = beside_prove(folder, runs, "report", folder, "-o", page, "--force")
        tell(
            f"`report`, {name}, whole process",
            f"1.5 times `prove` and 1 s: {1.5 * proved.cpu_s + 1:.1f} s",
            f"{seconds(told)}; `prove` {seconds(proved)}; {page.stat().st_size / MB:.1f} MB",
        )
    middle = folders["100k"]
    told, proved, ratio = beside_prove(
        middle, runs, "compare", middle / "evidence.json", middle
    )  # fmt: skip
    tell(
        "`compare` of evidence with its study, 100,000 segments",
        "1.3 times `prove`",
        f"{seconds(told)}: {ratio:.1f} times",
    )
    circuit = first_not_apart(middle)
    told, proved, ratio = beside_prove(middle, runs, "reroute", middle, "--circuit", circuit)
    tell(
        "`reroute` of one circuit, 100,000 segments",
        "2 times `prove`",
        f"{seconds(told)}: {ratio:.1f} times",
    )
    circuit = first_not_apart(demo)
    told = median([process(*cli("reroute", demo, "--circuit", circuit)) for _ in range(runs)])
    tell("`reroute` of one circuit, the demo, whole process", "3 s", seconds(told))


def tracing(place: Path, runs: int) -> Taken:
    """Links traced over 100,000 splices, after the plant is tied."""
    study = wa.read_study(spliced_lines(50).write(place / "spliced"))
    network = tie(replace(study, tables={**study.tables, "links": study.tables["links"].iloc[:0]}))
    chains, passed = network.chains, network.passed
    nothing: frozenset[int] = frozenset()
    return median(
        [
            within(lambda: traced_study(study, network.assets, chains, passed, lambda _: nothing))
            for _ in range(runs)
        ]
    )


def spares(place: Path, runs: int) -> Taken:
    """Spare fibres of every cable and from port to port, of 100,000 splices no link uses."""
    made = spliced_lines(50)
    del made.rows["links"], made.rows["patches"]
    network = tie(wa.read_study(made.write(place / "spare")))
    return median([within(lambda: wa.spare_fibres(replace(network))) for _ in range(runs)])


def density(tell: Tell, place: Path) -> None:
    """Half of what is asked for and all of it, one run each: how time and memory grow."""
    for name, (full, make) in KINDS.items():
        half, whole = (
            process(*prove(make(count).write(place / f"{name} {count}")))
            for count in (full // 2, full)
        )
        tell(
            f"`prove --json`, {full // 2:,} and {full:,} {name}",
            "1.3 times linear: 2.6 times, memory too",
            f"{seconds(half)} and {seconds(whole)}: {whole.cpu_s / half.cpu_s:.1f} times; "
            f"{half.peak_bytes / MB:.0f} and {whole.peak_bytes / MB:.0f} MB: "
            f"{whole.peak_bytes / half.peak_bytes:.1f} times",
        )


def table(runs: int, large: bool) -> list[str]:
    """The table of goals, then that of stages."""
    rows = ["| work | goal | reached |", "| --- | --- | --- |"]

    def tell(work: str, goal: str, reached: str) -> None:
        rows.append(f"| {work} | {goal} | {reached} |")
        print(rows[-1], flush=True)

    with tempfile.TemporaryDirectory() as temporary:
        place = Path(temporary)
        folders = {size: Plant(SIZES[size]).write(place / size) for size in ("10k", "100k")}
        demo = Path(shutil.copytree(ESTUARY, place / "estuary"))
        middle = folders["100k"]
        process(*prove(demo))  # keeps the bytecode of all modules
        proved, read, ratio = whole_process(middle, runs)
        size = (middle / "evidence.json").stat().st_size
        tell(
            "`prove --json`, 100,000 segments, 3,000 circuits, whole process",
            "5 times a process that only reads the layers",
            f"{seconds(proved)}, reading {seconds(read)}: {ratio:.1f} times; "
            f"{proved.peak_bytes / MB:.0f} MB",
        )
        tell("its JSON", "10 MB", f"{size / MB:.1f} MB")
        tell(
            "`prove --json`, the demo, whole process",
            "1.3 s",
            seconds(median([process(*prove(demo)) for _ in range(runs)])),
        )
        small, _, _ = whole_process(folders["10k"], runs)
        tell("`prove --json`, 10,000 segments, 300 circuits, whole process", "", seconds(small))
        for script, said in (
            ("plain_script.py", "a script with spatial indexes, for part of the answer"),
            ("first_script.py", "the same script with loops and no index, as one writes it first"),
        ):
            taken, differing = plain(script, folders["10k"])
            tell(
                f"10,000 segments: {said} (one run)",
                "",
                f"{seconds(taken)}: {taken.cpu_s / small.cpu_s:.1f} times `prove`; "
                f"answers differ for {differing} circuits",
            )
        taken, differing = plain("plain_script.py", middle)
        tell(
            "100,000 segments: the script with spatial indexes (one run)",
            "",
            f"{seconds(taken)}: {taken.cpu_s / proved.cpu_s:.1f} times `prove`; "
            f"answers differ for {differing} circuits",
        )
        commands(tell, folders, demo, runs)
        density(tell, place)
        tell(
            "separation of 3,000 circuits, 100,000 segments, after tying",
            "5 s",
            seconds(separation(middle, runs)),
        )
        tell(
            "links traced port to port over 100,000 splices, after reading",
            "2 s",
            seconds(tracing(place, runs)),
        )
        tell(
            "spare fibres over 100,000 splices, after tying",
            "2 s",
            seconds(spares(place, runs)),
        )
        many = Plant(Size(SIZES["100k"].east, SIZES["100k"].north, 10_000)).write(place / "many")
        taken, count = events(many, runs)
        tell(
            f"every single event against every circuit, {count:,} events, 10,000 circuits",
            "2 s after reading (100,000 events)",
            seconds(taken),
        )
        tell(
            "worst circle of 50 m radius, 10,000 segments", "1 s",
            seconds(circle(folders["10k"], runs)),
        )  # fmt: skip
        parts = stages(middle, runs)
        for call, name in ((("--help",), "`--help`"), (("prove", "--wrong"), "a wrong argument")):
            tell(
                name, "0.2 s", seconds(median([process("-c", COMMAND, *call) for _ in range(runs)]))
            )
        if large:
            folder = Plant(SIZES["1M"]).write(place / "1M")
            taken = process(*prove(folder))
            size = (folder / "evidence.json").stat().st_size
            tell(
                "`prove --json`, 1,000,000 segments, 10,000 circuits (one run)",
                "60 s, 6 GiB",
                f"{seconds(taken)}; {taken.peak_bytes / 2**30:.1f} GiB, output {size / MB:.0f} MB",
            )
            tell(
                "growth from 100,000 to 1,000,000 segments",
                "12 times",
                f"{taken.cpu_s / proved.cpu_s:.1f} times",
            )
    rows += ["", "| stage, 100,000 segments | processor time |", "| --- | --- |"]
    return rows + [f"| {name} | {spent:.2f} s |" for name, spent in parts]


def machine() -> str:
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    libraries = ", ".join(
        f"{name} {version(name)}"
        for name in ("numpy", "scipy", "pandas", "geopandas", "shapely", "pyogrio", "pyarrow")
    )
    return (
        f"{os.cpu_count()} cores ({platform.machine()}), {memory:.0f} GiB memory, "
        f"{platform.system()}, Python {platform.python_version()}, {libraries}."
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--without-large", action="store_true")
    chosen = parser.parse_args()
    rows = table(chosen.runs, not chosen.without_large)
    told = [
        machine(),
        f"Processor time (time on the clock); medians of {chosen.runs} runs.",
        "",
        *rows,
    ]
    text = PAGE.read_text(encoding="utf-8")
    before, after = text.split(BEGIN)[0], text.split(END)[1]
    PAGE.write_text("\n".join([before + BEGIN, *told, END]) + after, encoding="utf-8")


if __name__ == "__main__":
    main()
