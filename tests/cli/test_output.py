"""What commands write: over no input, over nobody's files unasked, whole or not at all."""

from __future__ import annotations

import errno
import json
import os
import random
import re
import shutil
import signal
import socket
import stat
import subprocess
import sys
import threading
import time
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from click.testing import CliRunner, Result

import waysapart as wa
from small_study import CRS_NAME, X0, Y0, write_small_study
from waysapart.cli import main
from waysapart.output_files import OutputFile, clear_left_over, replacing, write_text, written_by_us

ROOT = Path(__file__).resolve().parents[2]
POSIX = pytest.mark.skipif(os.name != "posix", reason="pipes, locks and users of a POSIX system")
AS_ROOT = pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() != 0, reason="only root can become somebody else"
)


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(one) for one in arguments])


def content(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def python(code: str, *arguments: object, **more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)],
        env={**os.environ, "PYTHONPATH": str(ROOT / "src"), **more},
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


@pytest.fixture
def study(tmp_path: Path) -> Path:
    """The small study with every layer named in study.toml, its sites in a Shapefile."""
    folder = write_small_study(tmp_path / "study")
    gpd.read_file(folder / "sites.geojson").to_file(folder / "plant.shp")
    (folder / "sites.geojson").unlink()
    gpd.read_file(folder / "structures.geojson").to_file(folder / "points.gpkg")
    (folder / "structures.geojson").unlink()
    toml = 'name = "Small"\nrules = "limits.toml"\n'
    names = {path.stem: path.name for path in folder.iterdir() if path.suffix in (".csv",)}
    names |= {"segments": "segments.geojson", "sites": "plant.shp", "structures": "points.gpkg"}
    for role, name in names.items():
        toml += f'[[layer]]\nrole = "{role}"\nsource = "{name}"\n'
    (folder / "study.toml").write_text(toml)
    (folder / "limits.toml").write_text("[defaults]\nsplice_db = 0.2\n")
    return folder


# Inputs


@pytest.mark.parametrize("force", [[], ["--force"]], ids=["", "forced"])
@pytest.mark.parametrize(
    ("command", "output"),
    [
        (["export", "-o"], "study.gpkg"),  # its study.toml is the study's
        (["export", "-o"], "STUDY.gpkg"),
        (["export", "-o"], "limits-of-it.gpkg"),  # its -rules.toml is a hard link to the rules
        (["prove", "--json"], "plant.dbf"),
        (["prove", "--json"], "plant.QIX"),
        (["prove", "--json"], "Study.TOML"),
        (["prove", "--json"], "points.gpkg-wal"),
        (["prove", "--json"], "Circuits.CSV"),
        (["prove", "--json"], "rules.toml"),
        (["prove", "--json"], "hard.json"),  # a hard link to circuits.csv
        (["prove", "--json"], "soft.json"),  # a link to a link to plant.shx
        (["check", "--csv"], "links.csv"),
        (["report", "-o"], "page.html"),  # a link to study.toml
        (["reroute", "--proposal"], "."),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else value,
)
def test_no_name_leads_over_an_input(
    study: Path, command: list[str], output: str, force: list[str]
) -> None:
    """Links, hard links, capitals, sidecars, and files that would become part of the study."""
    os.link(study / "limits.toml", study / "limits-of-it-rules.toml")
    os.link(study / "circuits.csv", study / "hard.json")
    (study / "between").symlink_to("plant.shx")
    (study / "soft.json").symlink_to(study / "between")
    (study / "page.html").symlink_to("study.toml")
    before = content(study)
    result = run(command[0], study, command[1], study / output, *force)
    assert result.exit_code == 2, result.output
    assert "is an input" in result.output
    assert "nothing was written" in result.output
    assert content(study) == before


@pytest.mark.parametrize("output", ["sites.json", "study.gpkg", "rules.toml", "Circuits.shp"])
def test_a_folder_read_by_names_gets_no_file_of_such_a_name(tmp_path: Path, output: str) -> None:
    """`sites.json` beside `sites.geojson` would leave open which of them counts."""
    study = write_small_study(tmp_path / "study")
    (study / "study.toml").unlink(missing_ok=True)
    assert run("check", study).exit_code in (0, 3)
    result = run("check", study, "--json", study / output)
    assert result.exit_code == 2
    assert "is an input" in result.output
    assert not (study / output).exists()


def test_evidence_areas_and_bases_are_inputs_too(study: Path, tmp_path: Path) -> None:
    evidence = tmp_path / "evidence.json"
    assert run("prove", study, "--json", evidence).exit_code in (0, 1, 3)
    os.link(evidence, tmp_path / "again.json")
    proposal = tmp_path / "proposal"
    proposal.mkdir()
    (proposal / "study.toml").write_text('extends = "../study"\n')
    shutil.copytree(study, tmp_path / "works")
    area = tmp_path / "works" / "plant.shp"
    before = content(tmp_path)
    for call in (
        ["recheck", study, evidence, "--json", tmp_path / "again.json", "--force"],
        ["compare", evidence, study, "--json", tmp_path / "again.json", "--force"],
        ["prove", proposal, "--json", study / "links.csv", "--force"],
        ["dig", study, "--area", area, "--json", area.with_suffix(".dbf"), "--force"],
        ["report", study, "--since", evidence, "-o", tmp_path / "evidence.html", "--force"],
    ):
        if "report" in call:
            (tmp_path / "evidence.html").symlink_to("evidence.json")
        result = run(*call)
        assert result.exit_code == 2, result.output
        assert "is an input" in result.output
    (tmp_path / "evidence.html").unlink()
    assert content(tmp_path) == before


def test_functions_refuse_inputs_as_commands_do(study: Path) -> None:
    records = wa.read_study(study)
    proof = wa.prove(records)
    before = content(study)
    (study / "page.html").symlink_to("links.csv")
    for write in (
        lambda: wa.export(records, study / "study.gpkg", force=True),
        lambda: wa.write_report(proof, study / "page.html", force=True),
        lambda: wa.write_notice(wa.dig(records, assets=["P2"]), study / "page.html", force=True),
        lambda: wa.write_comparison(wa.compare(proof, proof), study / "page.html", force=True),
        lambda: wa.write_reroute(wa.reroute(proof), study / "page.html", force=True),
    ):
        with pytest.raises(wa.CallError, match="is an input"):
            write()
    (study / "page.html").unlink()
    assert content(study) == before


def test_two_outputs_need_two_names(study: Path, tmp_path: Path) -> None:
    result = run("check", study, "--json", tmp_path / "out.x", "--csv", tmp_path / "OUT.x")
    assert result.exit_code == 2
    assert "are one file" in result.output
    assert not (tmp_path / "out.x").exists()


# Files of others


CALLS = {
    "html": ["report", "-o"],
    "json": ["check", "--json"],
    "csv": ["check", "--csv"],
    "gpkg": ["export", "-o"],
}


@pytest.mark.parametrize("kind", CALLS)
def test_files_of_others_are_replaced_when_forced_own_ones_always(
    study: Path, tmp_path: Path, kind: str
) -> None:
    """An empty file may be replaced; each kind of file is known again by its own content."""
    command, option = CALLS[kind]
    out = tmp_path / f"out.{kind}"
    call = [command, study, option, out]
    out.write_text("")
    assert run(*call).exit_code in (0, 1, 3), "an empty file"
    assert run(*call).exit_code in (0, 1, 3), "its own"
    out.write_text("mine\n")
    refused = run(*call)
    assert refused.exit_code == 2
    assert out.name in refused.output
    assert "--force" in refused.output
    assert out.read_text() == "mine\n"
    assert run(*call, "--force").exit_code in (0, 1, 3)
    assert out.read_bytes() != b"mine\n"
    assert not list(tmp_path.glob(".waysapart*"))


def test_what_somebody_changed_is_no_longer_ours(study: Path, tmp_path: Path) -> None:
    """Of an export: a line added to its TOML, a layer added to its GeoPackage."""
    package = tmp_path / "ring.gpkg"
    assert run("export", study, "-o", package).exit_code == 0
    toml, rules = tmp_path / "ring.toml", tmp_path / "ring-rules.toml"
    whole = toml.read_text()
    for path in (toml, rules):
        kept = path.read_text()
        path.write_text(kept + "# mine\n")
        result = run("export", study, "-o", package)
        assert result.exit_code == 2
        assert path.name in result.output
        path.write_text(kept)
    assert run("export", study, "-o", package).exit_code == 0
    assert toml.read_text() == whole
    assert written_by_us(OutputFile(package, "gpkg"))
    gpd.GeoDataFrame({"a": [1]}, geometry=[shapely.Point(0, 0)], crs=CRS_NAME).to_file(
        package, layer="notes", mode="a"
    )
    assert not written_by_us(OutputFile(package, "gpkg"))
    assert run("export", study, "-o", package).exit_code == 2


def test_a_mark_of_another_kind_does_not_count(tmp_path: Path) -> None:
    """A report is not replaced by JSON, nor evidence by a report, nor a view that never ends."""
    page, data = tmp_path / "a", tmp_path / "b"
    page.write_text('<!DOCTYPE html><meta name="generator" content="waysapart 1">')
    data.write_text('{\n"format": 2,\n"waysapart": "1"}')
    assert written_by_us(OutputFile(page, "html"))
    assert written_by_us(OutputFile(data, "json"))
    for target in (
        OutputFile(page, "json"),
        OutputFile(data, "html"),
        OutputFile(data),
        OutputFile(data, "csv"),
    ):
        assert not written_by_us(target)
    data.write_text('{"study": "x", "waysapart": "1"}')
    assert not written_by_us(OutputFile(data, "json"))
    import sqlite3

    with sqlite3.connect(tmp_path / "c") as base:
        base.execute(
            "CREATE VIEW gpkg_contents AS WITH RECURSIVE n(x) AS "
            "(SELECT 1 UNION ALL SELECT x + 1 FROM n WHERE x > 0) "
            "SELECT x AS table_name FROM n WHERE x < 0"
        )
    started = time.monotonic()
    assert not written_by_us(OutputFile(tmp_path / "c", "gpkg"))
    assert time.monotonic() - started < 10


def test_entered_files_are_never_taken_for_ours(study: Path, tmp_path: Path) -> None:
    """blank, demo: what may have been filled in since is replaced when forced only."""
    assert run("blank", tmp_path / "new").exit_code == 0
    assert run("blank", tmp_path / "new").exit_code == 2
    (tmp_path / "new" / "circuits.csv").write_text("entered\n")
    assert run("blank", tmp_path / "new", "--force").exit_code == 0
    assert not (tmp_path / "new" / "circuits.csv").read_text().startswith("entered")
    demo = tmp_path / "demo"
    wa_example(demo)
    wa_example(demo)
    (demo / "circuits.csv").write_text("entered\n")
    with pytest.raises(wa.CallError, match=r"circuits\.csv"):
        wa_example(demo)
    wa_example(demo, force=True)


def wa_example(folder: Path, *, force: bool = False) -> None:
    from waysapart.examples import write_example

    write_example(folder, force=force)


def test_an_export_without_a_study_takes_an_earlier_one_away(study: Path, tmp_path: Path) -> None:
    """A study cut by a proposal fits into no TOML; an old one beside new layers would be false."""
    package = tmp_path / "ring.gpkg"
    assert len(wa.export(wa.read_study(study), package)) == 3
    (tmp_path / "cut").mkdir()
    (tmp_path / "cut" / "study.toml").write_text('extends = "../study"\nremove = ["S2"]\n')
    assert wa.export(wa.read_study(tmp_path / "cut"), package) == [package]
    assert sorted(one.name for one in tmp_path.glob("ring*")) == ["ring.gpkg"]


# Devices, pipes, links, folders


@POSIX
def test_a_pipe_is_written_to(study: Path, tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe, 0o640)
    heard: list[str] = []
    reader = threading.Thread(target=lambda: heard.append(pipe.read_text()), daemon=True)
    reader.start()
    assert run("check", study, "--json", pipe).exit_code in (0, 3)
    reader.join(20)
    assert json.loads(heard[0])["errors"] == []
    assert stat.S_ISFIFO(pipe.stat().st_mode)
    assert stat.S_IMODE(pipe.stat().st_mode) == 0o640


@POSIX
def test_a_device_stays_a_device(study: Path, tmp_path: Path) -> None:
    """A node of its own where one can be made, as root; else the machine's."""
    device = tmp_path / "null"
    try:
        os.mknod(device, 0o666 | stat.S_IFCHR, os.makedev(1, 3))
    except OSError:
        device = Path("/dev/null")
    before = device.stat()
    assert run("check", study, "--json", device, "--csv", device).exit_code in (0, 3)
    after = device.stat()
    assert stat.S_ISCHR(after.st_mode)
    assert (before.st_mode, before.st_ino) == (after.st_mode, after.st_ino)
    result = run("export", study, "-o", tmp_path / "null.gpkg")
    assert result.exit_code == 0
    (tmp_path / "null.gpkg").unlink()
    (tmp_path / "null.gpkg").symlink_to("/dev/null")
    result = run("export", study, "-o", tmp_path / "null.gpkg", "--force")
    assert result.exit_code == 2
    assert "no regular file" in result.output


@POSIX
@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="no /proc here")
def test_descriptors_are_written_to(tmp_path: Path) -> None:
    """Appended to as they stand: a file that was opened stays the file, with what it held."""
    log = tmp_path / "log"
    log.write_text("first\n")
    with log.open("ab") as file:
        os.set_inheritable(file.fileno(), True)
        before = log.stat().st_ino
        write_text(OutputFile(Path(f"/dev/fd/{file.fileno()}"), "json"), "second\n")
        write_text(OutputFile(Path(f"/proc/self/fd/{file.fileno()}"), "json"), "third\n")
    assert log.read_text() == "first\nsecond\nthird\n"
    assert log.stat().st_ino == before
    with pytest.raises(wa.WriteError, match="/dev/fd/987"):
        write_text(OutputFile(Path("/dev/fd/987")), "x")


@POSIX
def test_standard_output_by_name_is_standard_output(study: Path) -> None:
    """Nothing but JSON stands there, as with `-`."""
    code = "from waysapart.cli import main; main()"
    done = python(code, "check", study, "--json", "/dev/stdout")
    assert done.returncode in (0, 3), done.stderr
    assert json.loads(done.stdout)["errors"] == []


@POSIX
def test_of_a_link_the_target_is_replaced(study: Path, tmp_path: Path) -> None:
    """A link stays one, absolute or relative; where its target is missing, that is made."""
    real = tmp_path / "elsewhere" / "real.json"
    real.parent.mkdir()
    first, second = tmp_path / "first.json", tmp_path / "second.json"
    first.symlink_to(real)
    second.symlink_to("first.json")
    for _ in range(2):
        assert run("check", study, "--json", second).exit_code in (0, 3)
        assert first.is_symlink()
        assert second.is_symlink()
        assert json.loads(real.read_text())["errors"] == []
    assert [one.name for one in real.parent.iterdir()] == ["real.json"]
    package = tmp_path / "ring.gpkg"
    package.symlink_to(tmp_path / "elsewhere" / "kept.gpkg")
    (tmp_path / "ring.toml").symlink_to(tmp_path / "elsewhere" / "kept.toml")
    for _ in range(2):
        assert run("export", study, "-o", package).exit_code == 0
        assert (tmp_path / "ring.toml").is_symlink()
        assert (tmp_path / "elsewhere" / "kept.gpkg").stat().st_size > 0
        assert "ring.gpkg" in (tmp_path / "elsewhere" / "kept.toml").read_text()


@POSIX
def test_other_places_get_a_plain_error(study: Path, tmp_path: Path) -> None:
    (tmp_path / "loop").symlink_to("loop")
    (tmp_path / "astray").symlink_to("nowhere/out.json")
    (tmp_path / "file").write_text("")
    with socket.socket(socket.AF_UNIX) as one:
        one.bind(str(tmp_path / "socket"))
    for name, said in {
        ".": "is a folder",
        "loop": "cannot be written",
        "astray": "there is no folder",
        "file/out.json": "there is no folder",
        "socket": "cannot be written",
        "x" * 300: "cannot be written",
    }.items():
        result = run("check", study, "--json", tmp_path / name)
        assert result.exit_code == 2, result.output
        assert said in result.output
        assert "fault of waysapart" not in result.output
    assert stat.S_ISSOCK((tmp_path / "socket").stat().st_mode)


# Disks that are full, folders that may not be written


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
def test_a_full_disk_is_told_plainly(study: Path) -> None:
    for option in ("--json", "--csv"):
        result = run("check", study, option, "/dev/full")
        assert result.exit_code == 2
        assert "/dev/full cannot be written: the disk is full" in result.output
    command = f"{sys.executable} -c 'from waysapart.cli import main; main()'"
    for more in ("--json -", ""):
        done = subprocess.run(
            f"{command} check {study} {more} > /dev/full",
            shell=True,
            env={**os.environ, "PYTHONPATH": str(ROOT / "src")},
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 2, more
        assert "standard output cannot be written: the disk is full" in done.stderr
        assert "Traceback" not in done.stderr
        assert "Exception ignored" not in done.stderr


FULL = """
import resource, signal, sys
from pathlib import Path
import waysapart as wa
from waysapart.reroute.proposal_rows import Draft, write_drafts
from waysapart.study.blank import write_blank
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
study, folder, limit = Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3])
records = wa.read_study(study)
proof = wa.prove(records)
def attempt(name, write):
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))
    try:
        write()
    except wa.WriteError as error:
        print(name, "|", " ".join(str(error).split()))
    else:
        print(name, "| written")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY,) * 2)
attempt("ring.gpkg", lambda: wa.export(proof, folder / "ring.gpkg"))
attempt("page.html", lambda: wa.write_report(proof, folder / "page.html"))
attempt("new", lambda: write_blank(folder / "new"))
line = records.tables["segments"].geometry.iloc[0]
segments = [{"id": f"D-{number}", "geometry": line} for number in range(20)]
for name, rows in (("lines", {"segments": segments}), ("cells", {"cables": [{"id": "x" * 900}]})):
    attempt(name, lambda: write_drafts(records, [(Draft(rows=rows), folder / name, "")]))
"""


@POSIX
def test_a_disk_that_fills_up_leaves_the_old_files(study: Path, tmp_path: Path) -> None:
    """Files end at 700 bytes, as those of a full disk do, whoever writes them: also GDAL."""
    folder = tmp_path / "out"
    folder.mkdir()
    wa.export(wa.read_study(study), folder / "ring.gpkg")
    before = content(folder)
    done = python(FULL, study, folder, 700)
    assert done.returncode == 0, done.stderr
    told = dict(line.split(" | ", 1) for line in done.stdout.splitlines())
    assert set(told) == {"ring.gpkg", "page.html", "new", "lines", "cells"}
    for name, text in told.items():
        assert re.search(r"cannot be written: .*what was there before is unchanged", text), text
        assert (name if "." in name else f"{folder}/{name}") in text
    assert content(folder) == before
    assert sorted(one.name for one in folder.iterdir()) == sorted(before)


QUICK = [
    ["check", "STUDY", "--csv"],
    ["walkdown", "STUDY", "--csv"],
    ["recheck", "STUDY", "EVIDENCE", "--json"],
    ["export", "STUDY", "-o"],
    ["outage", "STUDY", "--asset", "P2", "-o"],
    ["blank"],
    ["demo"],
]
LONGER = [
    ["prove", "STUDY", "--json"],
    ["worst", "STUDY", "--json"],
    ["dig", "STUDY", "--asset", "P2", "--json"],
    ["compare", "STUDY", "STUDY", "--json"],
    ["reroute", "STUDY", "--no-build", "--json"],
    ["report", "STUDY", "-o"],
    ["walkdown", "STUDY", "-o"],
    ["compare", "STUDY", "STUDY", "-o"],
    ["reroute", "STUDY", "--no-build", "-o"],
]


@pytest.mark.parametrize(
    "calls", [QUICK, pytest.param(LONGER, marks=pytest.mark.slow)], ids=["quick", "longer"]
)
def test_errors_of_writing_end_with_a_sentence(
    calls: list[list[str]], study: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every command that writes: exit status 2, the file and the reason, nothing new."""
    evidence = tmp_path / "evidence.json"
    run("prove", study, "--json", evidence)
    before = content(tmp_path)

    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("waysapart.output_files.os.fsync", full)
    given = {"STUDY": str(study), "EVIDENCE": str(evidence)}
    for call in calls:
        out = tmp_path / {"report": "o.html", "export": "o.gpkg"}.get(call[0], "o.html")
        last = out if len(call) > 1 else tmp_path / "new"
        result = run(*(given.get(one, one) for one in call), last)
        assert result.exit_code == 2, result.output
        assert "cannot be written: the disk is full" in result.output, call
        assert str(tmp_path) in result.output
        assert "fault of waysapart" not in result.output
        assert content(tmp_path) == before
        assert not (tmp_path / "new").exists()


AS_SOMEBODY = """
import importlib, os, pkgutil, sys
from pathlib import Path
import pyogrio, waysapart
from click.testing import CliRunner
from waysapart.cli import main
for module in pkgutil.walk_packages(waysapart.__path__, "waysapart."):
    importlib.import_module(module.name)  # while it may still be read
waysapart.read_study(Path(sys.argv[1].split()[1]))
os.setgroups([]); os.setegid(65534); os.seteuid(65534)
for line in sys.argv[1:]:
    result = CliRunner().invoke(main, line.split())
    print(result.exit_code, "|", " ".join(result.output.split()))
"""


@POSIX
@AS_ROOT
def test_read_only_places_as_an_ordinary_user(study: Path, tmp_path: Path) -> None:
    """Told before anything is worked out, by the name of the file; in a folder and of a file."""
    locked, opened = tmp_path / "locked", tmp_path / "opened"
    for folder in (locked, opened):
        folder.mkdir()
        (folder / "old.json").write_text('{"waysapart": "1"}')
    opened.chmod(0o777)
    (opened / "old.json").chmod(0o444)
    for folder in (tmp_path, *tmp_path.parents):
        if folder != Path("/") and not folder.stat().st_mode & 0o001:
            folder.chmod(folder.stat().st_mode | 0o011)
    before = content(tmp_path)
    calls = {
        f"check {study} --json {locked}/new.json": f"{locked}/new.json cannot be written",
        f"check {study} --json {locked}/old.json": f"{locked}/old.json cannot be written",
        f"check {study} --json {opened}/old.json": f"{opened}/old.json cannot be written",
        f"check {study} --csv {locked}/new.csv": f"{locked}/new.csv cannot be written",
        f"report {study} -o {locked}/new.html": f"{locked}/new.html cannot be written",
        f"export {study} -o {locked}/new.gpkg": f"{locked}/new.gpkg cannot be written",
        f"reroute {study} --proposal {locked}/new": f"{locked}/new/study.toml cannot be written",
        f"blank {locked}/new": f"{locked}/new/study.toml cannot be written",
        f"demo {locked}/new": f"{locked}/new/report.html cannot be written",
    }
    done = python(AS_SOMEBODY, *calls)
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    for line, (call, said) in zip(lines, calls.items(), strict=True):
        assert line.startswith("2 |"), (call, line)
        assert said in line
    assert content(tmp_path) == before


# Together or not at all, and no litter


def three(folder: Path, version: object, *, force: bool = True) -> None:
    """One change of three files, one of them in a folder below."""
    (folder / "below").mkdir(exist_ok=True)
    places = [folder / "a", folder / "b", folder / "below" / "c"]
    with replacing([OutputFile(place) for place in places], force=force) as change:
        for place in places:
            change.place(place).write_text(f"{version}")


def versions(folder: Path) -> set[str]:
    return {path.read_text() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize("step", range(12))
@pytest.mark.parametrize("old", ["replaced", "new"])
def test_an_error_at_any_step_leaves_all_as_it_was(
    step: int, old: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The n-th time that something is renamed, linked, kept on disk or removed goes wrong."""
    if old == "replaced":
        three(tmp_path, "old")
    before = content(tmp_path)
    done: list[str] = []

    def failing(name: str) -> None:
        really = getattr(os, name)

        def call(*args: object, **more: object) -> object:
            done.append(name)
            if len(done) == step + 1:
                raise OSError(errno.EIO, "Input/output error")
            return really(*args, **more)

        monkeypatch.setattr(os, name, call)

    for name in ("replace", "link", "fsync", "chmod"):
        failing(name)
    told = ""
    try:
        three(tmp_path, "new")
    except wa.WriteError as error:
        told = str(error)
    if told:
        assert "Input/output error" in told
        assert content(tmp_path) == before
    else:
        assert versions(tmp_path) == {"new"}
        assert step + 1 > len(done) or done[step] == "link", "a link that fails is moved instead"
    assert not list(tmp_path.rglob(".waysapart*"))


@POSIX
def test_a_kill_at_any_moment_leaves_files_that_belong_together(tmp_path: Path) -> None:
    """Killed 12 times; the next run that writes there, or clears up, finds one version of all."""
    rng = random.Random(7)
    three(tmp_path, "0" * 50_000)
    for _ in range(12):
        child = os.fork()
        if child == 0:  # quick: no interpreter has to start
            number = 0
            while True:
                number += 1
                three(tmp_path, str(number % 10) * 50_000)
        time.sleep(rng.uniform(0.005, 0.08))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        clear_left_over(tmp_path)
        assert not list(tmp_path.rglob(".waysapart*"))
        assert len(versions(tmp_path)) == 1


@POSIX
@pytest.mark.parametrize("at", range(1, 7))
def test_a_kill_between_two_renames_is_taken_back(at: int, tmp_path: Path) -> None:
    """Killed at the n-th renaming or linking: the old files come back with the next run."""
    three(tmp_path, "old")
    child = os.fork()
    if child == 0:
        left = [at]
        for name in ("replace", "link"):
            really = getattr(os, name)

            def call(*args: object, _really: object = really, **more: object) -> object:
                left[0] -= 1
                if not left[0]:
                    os.kill(os.getpid(), signal.SIGKILL)
                return _really(*args, **more)  # type: ignore[operator]

            setattr(os, name, call)
        three(tmp_path, "new")
        os._exit(0)
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status)
    write_text(OutputFile(tmp_path / "d"), "old")
    assert versions(tmp_path) == {"old"}
    assert not list(tmp_path.rglob(".waysapart*"))


@POSIX
def test_only_what_a_dead_run_left_is_cleared(tmp_path: Path) -> None:
    """Not the folder of a run that goes on, not others' names, not files changed by hand since."""
    left = tmp_path / ".waysapart-abcdefgh.part"
    left.mkdir()
    (left / "new-0").mkdir()
    others = [tmp_path / ".waysapart-x.part", tmp_path / "waysapart-abcdefgh.part"]
    for one in others:
        one.mkdir()
    (tmp_path / ".waysapart-filefile.part").write_text("a file")
    (tmp_path / ".waysapart-linklink.part").symlink_to(others[0])
    with replacing([OutputFile(tmp_path / "a")]) as change:
        change.place(tmp_path / "a").write_text("a")
        write_text(OutputFile(tmp_path / "b"), "b")
        assert not left.exists()
        assert change.folder.exists()
    assert (tmp_path / "a").read_text() == "a"
    assert all(one.exists() for one in others)
    assert (tmp_path / ".waysapart-filefile.part").exists()
    assert (tmp_path / ".waysapart-linklink.part").is_symlink()


@POSIX
def test_a_journal_of_files_changed_since_is_not_followed(tmp_path: Path) -> None:
    place, left = tmp_path / "a", tmp_path / ".waysapart-abcdefgh.part"
    place.write_text("entered by hand since")
    (left / "old").mkdir(parents=True)
    (left / "old" / "0").write_text("old")
    entry = {"new": str(left / "new-0" / "a"), "place": str(place), "is": [1, 2, 3], "had": True}
    (left / "journal.json").write_text(json.dumps([entry]))
    clear_left_over(tmp_path)
    assert place.read_text() == "entered by hand since"
    assert not left.exists()


# Modes, modules, the network


@POSIX
def test_new_files_get_the_usual_mode_and_old_ones_keep_theirs(tmp_path: Path) -> None:
    """The mask of the process is never touched: other threads write files meanwhile."""
    for path in (ROOT / "src").rglob("*.py"):
        assert "umask(" not in path.read_text(encoding="utf-8"), path
    before = os.umask(0o027)
    try:
        write_text(OutputFile(tmp_path / "new"), "x")
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "new").stat().st_mode) == 0o640
    (tmp_path / "new").chmod(0o606)
    write_text(OutputFile(tmp_path / "new"), "y", force=True)
    assert stat.S_IMODE((tmp_path / "new").stat().st_mode) == 0o606


OFFLINE = """
import json, sys
from pathlib import Path
opened = []
def note(event, arguments):
    if event.startswith("socket."):
        opened.append([event, [str(one) for one in arguments[1:]]])
sys.addaudithook(note)
from click.testing import CliRunner
from waysapart.cli import main
for number, call in enumerate(json.loads(sys.argv[1])):
    if call == "folium":
        bare = sorted({"folium", "requests", "urllib3"} & set(sys.modules))
        print(json.dumps({"bare": bare + opened}))
        continue
    result = CliRunner().invoke(main, call)
    print(json.dumps({"call": call[0], "exit": result.exit_code, "output": result.output}))
print(json.dumps({"opened": opened}))
"""


def test_no_command_opens_a_socket_and_few_load_folium(study: Path, tmp_path: Path) -> None:
    """Every command in one process that notes sockets; pages, which need folium, come last.

    A module of folium's binds one to this machine's own address, once, to see whether it knows
    IPv6. Nothing is ever looked up, connected or sent.
    """
    out = {
        name: str(tmp_path / name)
        for name in ("e.json", "c.csv", "x.gpkg", "o.html", "w.html", "n", "p")
    }
    one = str(study)
    calls = [
        ["prove", one, "--json", out["e.json"]],
        ["check", one, "--csv", out["c.csv"]],
        ["recheck", one, out["e.json"]],
        ["reroute", one, "--no-build", "--proposal", out["p"]],
        ["dig", one, "--asset", "P2"],
        ["worst", one],
        ["walkdown", one, "-o", out["w.html"]],
        ["compare", one, one],
        ["export", one, "-o", out["x.gpkg"]],
        ["blank", out["n"]],
        "folium",
        ["report", one, "-o", out["o.html"]],
        ["compare", one, one, "-o", out["o.html"]],
        ["dig", one, "--asset", "P2", "-o", out["o.html"]],
        ["reroute", one, "--no-build", "-o", out["o.html"]],
    ]
    done = python(OFFLINE, json.dumps(calls))
    assert done.returncode == 0, done.stderr
    *told, last = map(json.loads, done.stdout.splitlines())
    assert [event for event, _ in last["opened"]] in ([], ["socket.__new__", "socket.bind"])
    assert all(what == ["('::1', 0)"] for event, what in last["opened"] if event == "socket.bind")
    assert {"bare": []} in told
    for one_told in told:
        assert "bare" in one_told or one_told["exit"] in (0, 1, 3), one_told


def test_no_command_fetches_grids_though_the_machine_allows_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("PROJ_NETWORK", "ON")
    asked = "import {}pyproj.network; print(pyproj.network.is_network_enabled())"
    assert python(asked.format("")).stdout.split() == ["True"]
    assert python(asked.format("waysapart.cli, ")).stdout.split() == ["False"]


# What a GIS gets


NAMES = [
    "fid", "_fid", "_FID", "ogc_fid", "geom", "GEOM", "geom_", "rowid", "ROWID", "_rowid_", "oid",
    "select", "a\"b", "a'b", "a.b", "a;b", "a\nb", " ", "é", "É", "x" * 500, "owner", "Owner",
    "gpkg_contents", "found_shared", "=1+1",
]  # fmt: skip
TEXTS = ["=1+1", "'", '"', "\x01\x1f", "\r\n", "NULL", "nan", "\ufeffx", "\u202ex", "x" * 300_000]


def hostile(folder: Path) -> Path:
    """The small study with odd columns and odd texts on its structures."""
    study = write_small_study(folder)
    frame = gpd.read_file(study / "structures.geojson")
    for number, name in enumerate(NAMES):
        frame[name] = [TEXTS[(number + row) % len(TEXTS)] for row in range(len(frame))]
    (study / "structures.geojson").unlink()
    frame.to_parquet(study / "structures.parquet")
    return study


def test_odd_columns_and_texts_come_through_an_export(tmp_path: Path) -> None:
    """Names that a GeoPackage keeps for itself, or does not tell apart, and texts of any kind."""
    before = wa.read_study(hostile(tmp_path / "study"))
    wa.export(before, tmp_path / "out.gpkg")
    after = wa.read_study(tmp_path / "out.toml")
    old, new = before.tables["structures"], after.tables["structures"]
    kept = set(old.columns) & set(new.columns)
    renamed = set(old.columns) - kept
    assert renamed == {"_FID", "GEOM", "ROWID", "Owner", "É"}, "differ in case only"
    for name in kept - {"geometry", "_layer", "_row"}:
        pd.testing.assert_series_equal(old[name], new[name], obj=name)
    for name in renamed:
        pd.testing.assert_series_equal(old[name], new[f"{name}_2"], check_names=False)


def test_hostile_ids_come_through_an_export(tmp_path: Path) -> None:
    ids = ["=1+1", "'x'", 'a"b', "<b>", "\u202ex", "{{7*7}}", "a/b", "%s", "-- ;"[:2], "x" * 5_000]
    study = tmp_path / "study"
    study.mkdir()
    gpd.GeoDataFrame(
        {"id": ids, "kind": "pit"},
        geometry=[shapely.Point(X0 + 100 * n, Y0) for n in range(len(ids))],
        crs=CRS_NAME,
    ).to_parquet(study / "structures.parquet")
    before = wa.read_study(study)
    wa.export(before, tmp_path / "out.gpkg")
    after = wa.read_study(tmp_path / "out.toml")
    assert after.tables["structures"]["id"].tolist() == before.tables["structures"]["id"].tolist()


@pytest.mark.parametrize("where", ["text", "column"])
def test_what_a_gis_file_cannot_hold_is_told(where: str, tmp_path: Path) -> None:
    """NUL ends a text for GDAL, so that what follows would be lost in silence."""
    study = write_small_study(tmp_path / "study")
    frame = gpd.read_file(study / "structures.geojson")
    frame["note\0x" if where == "column" else "note"] = "fine"
    if where == "text":
        frame.loc[1, "note"] = "a\0b"
    (study / "structures.geojson").unlink()
    frame.to_parquet(study / "structures.parquet")
    result = run("export", study, "-o", tmp_path / "out.gpkg")
    assert result.exit_code == 2
    assert "structures" in result.output
    assert "NUL" in result.output
    assert "note" in result.output
    if where == "text":
        assert repr(str(frame.loc[1, "id"])) in result.output
    assert not list(tmp_path.glob("*out*"))
