"""Fixtures of more than one module, and which tests run where and when."""

from __future__ import annotations

import gc
import os
import pickle
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TypeVar

import pytest

import everyday
import proofs
import waysapart as wa
from axe import axe_source
from browser import Watched, chromium
from small_study import write_small_study
from waysapart.report.page import render_report
from waysapart.report.write import report_facts

Made = TypeVar("Made")
ESTUARY = Path(__file__).resolve().parents[1] / "examples" / "estuary"
LONGEST_FIRST = (
    *("test_reroute_demo.py", "test_docs_site.py", "test_build_stories.py", "test_output.py"),
    *("test_reroute_recheck.py", "test_report_works.py", "test_report_access.py"),
    *("test_report_compare.py", "test_report_links.py", "test_report_hostile.py"),
    *("test_waivers.py", "test_unknown_figures.py", "test_optics.py", "test_reroute_study.py"),
    *("test_spacing.py", "test_protects.py", "test_recheck.py", "test_report_outside.py"),
    *("test_rings.py", "test_forged_gaps.py", "test_fuzz_reading.py", "test_mutations.py"),
    *("test_reroute_forgeries.py", "test_report_tools.py", "test_report_valid.py"),
    "test_report_reroute.py",
)
"""Files that take longest: started first, so that no worker is left with one at the end.

`test_report_reroute.py` comes later: it would wait for the demo's rerouting, which is in work.
"""
TEST_BY_TEST = ("test_docs_site.py::test_every_block_runs", "test_output.py", "test_cli.py")
"""Tests that share no costly fixture: each may run on another worker than its neighbour."""
DEMO_ONCE = frozenset(
    {
        *("test_field_files.py", "test_report_compare.py", "test_report_links.py"),
        *("test_report_terminal.py", "test_report_tools.py", "test_report_works.py"),
        *("test_stories.py", "test_unknown_in_words.py"),
    }
)
"""Files whose commands are about the demo, and whose tests are about what comes after its proof.

`test_cli.py` is not among them: there each command reads and proves the demo for itself.
"""


def pytest_addoption(parser: pytest.Parser) -> None:
    """Say that everything is to run, the long tails too."""
    parser.addoption(
        "--all",
        action="store_true",
        help="run the tests marked slow as well: every seed, every damage, every hostile input",
    )


def pytest_configure(config: pytest.Config) -> None:
    """Tell the properties how many examples to try."""
    everyday.WITH_ALL.append(bool(config.getoption("all")))


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what is slow unless it is asked for; put first what takes longest."""
    if not config.getoption("all") and "slow" not in str(config.getoption("markexpr")):
        slow = {item for item in items if item.get_closest_marker("slow")}
        slow |= set(everyday.beyond_one_of(item for item in items if item not in slow))
        if slow:
            config.hook.pytest_deselected(items=[*slow])
            items[:] = [item for item in items if item not in slow]
    if "PYTEST_XDIST_WORKER" in os.environ:
        rank = {name: place for place, name in enumerate(LONGEST_FIRST)}
        items.sort(key=lambda item: rank.get(item.path.name, len(rank)))


def pytest_collection_finish() -> None:
    """What was imported stays: the collector need not look through it again for every study."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 50)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """With --dist loadfile: a file stays on one worker, but for tests that share nothing costly."""
    from xdist.scheduler import LoadFileScheduling

    if config.getvalue("dist") != "loadfile":
        return None

    class ByFile(LoadFileScheduling):
        def _split_scope(self, nodeid: str) -> str:
            alone = any(f"/{name}" in nodeid for name in TEST_BY_TEST)
            return nodeid if alone else str(super()._split_scope(nodeid))

    config.option.loadscopereorder = False
    return ByFile(config, log)


class Shared:
    """Results that take long: made by the first worker that asks, read by the others.

    They are kept as pickles in a folder of the session. The worker that makes a result holds a
    folder beside it as a lock; who waits in vain makes it for itself.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.known: dict[str, Any] = {}

    def made(self, name: str, make: Callable[[], Made]) -> Made:
        """The result of that name; what `make` returns must be picklable."""
        if name not in self.known:
            self.known[name] = self._made(name, make)
        found: Made = self.known[name]
        return found

    def _made(self, name: str, make: Callable[[], Any]) -> Any:
        file, lock = self.folder / f"{name}.pickle", self.folder / f"{name}.lock"
        try:
            lock.mkdir()
        except FileExistsError:
            late = time.monotonic() + 300
            while lock.exists() and not file.exists() and time.monotonic() < late:
                time.sleep(0.1)
            return pickle.loads(file.read_bytes()) if file.exists() else make()
        try:
            made = make()
            half = file.with_suffix(".half")
            half.write_bytes(pickle.dumps(made))
            half.replace(file)
        finally:
            lock.rmdir()
        return made


@pytest.fixture(scope="session")
def of_the_run(tmp_path_factory: pytest.TempPathFactory) -> Shared:
    """What all workers of a run share."""
    base = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        base = base.parent  # a worker's own folder lies in that of the run
    folder = base / "shared"
    folder.mkdir(exist_ok=True)
    return Shared(folder)


@pytest.fixture(scope="session", autouse=True)
def _proofs_are_shared(of_the_run: Shared) -> None:
    proofs.KEPT.append(of_the_run.folder)


@pytest.fixture(scope="session")
def estuary_proof(of_the_run: Shared) -> wa.Proof:
    """The demo, proved once for all tests that only look at it."""
    return of_the_run.made("estuary_proof", lambda: wa.prove(wa.read_study(ESTUARY)))


@pytest.fixture(scope="module", autouse=True)
def _demo_is_proved_once(request: pytest.FixtureRequest) -> Iterator[None]:
    """Commands and functions take the demo, and what extends it, as proved before."""
    if request.path.name not in DEMO_ONCE:
        yield
        return
    with pytest.MonkeyPatch.context() as patch:
        known = {str(ESTUARY): request.getfixturevalue("estuary_proof")}
        proofs.read_and_prove_once(patch, known)
        yield


@pytest.fixture(scope="session")
def estuary_report(
    of_the_run: Shared, estuary_proof: wa.Proof
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Facts and geometry of the demo's report. Look only: whoever changes them copies them."""
    return of_the_run.made("estuary_report", lambda: report_facts(estuary_proof))


@pytest.fixture(scope="session")
def estuary_page(of_the_run: Shared, estuary_report: tuple[dict[str, Any], dict[str, Any]]) -> str:
    """The demo's report as HTML, without pictures and packed evidence."""
    facts, geo = estuary_report
    return of_the_run.made("estuary_page", lambda: render_report(facts, geo, title="Estuary ring"))


@pytest.fixture(scope="session")
def empty_report(
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Facts and geometry of the small study without its circuit."""
    folder = write_small_study(tmp_path_factory.mktemp("empty"))
    for role in ("circuits", "circuit_paths"):
        head, *_ = (folder / f"{role}.csv").read_text(encoding="utf-8").splitlines()
        (folder / f"{role}.csv").write_text(f"{head}\n", encoding="utf-8")
    return report_facts(proofs.proof_of(folder))


@pytest.fixture(scope="session")
def estuary_reroute(of_the_run: Shared, estuary_proof: wa.Proof) -> wa.Reroute:
    """The demo, rerouted once: every circuit and group that is not apart."""
    return of_the_run.made("estuary_reroute", lambda: wa.reroute(estuary_proof))


@pytest.fixture(scope="session")
def axe(of_the_run: Shared, tmp_path_factory: pytest.TempPathFactory) -> str:
    """The script of the accessibility engine, fetched once."""
    return of_the_run.made("axe", lambda: axe_source(tmp_path_factory.mktemp("axe")))


@pytest.fixture(scope="module")
def watched() -> Iterator[Watched]:
    """A browser that complains at the end of a module if a page did, or asked for anything."""
    with chromium() as browser:
        found = Watched(browser)
        yield found
        found.close()
