"""A PostgreSQL server of the tests' own, from the system's packages, gone when they are done."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

OWNER, OWNER_PASSWORD = "plant_owner", "Hedge&field%7"
READER, READER_PASSWORD = "plant_reader", "Stile/stone@4"
DATABASE = "estuary"
_PACKAGED = Path("/usr/lib/postgresql")


@dataclass(frozen=True)
class Server:
    """Where a server listens; a database with PostGIS is there, an owner, and one who may read."""

    port: int
    folder: Path


def programs() -> Path | None:
    """Folder with initdb, pg_ctl and postgres; None where there is no server with PostGIS."""
    found = [path.parent for path in _PACKAGED.glob("*/bin/initdb")]
    on_path = shutil.which("initdb")
    found += [Path(on_path).resolve().parent] if on_path else []
    for folder in sorted(found, key=lambda path: path.parent.name, reverse=True):
        said = subprocess.run(
            [folder / "pg_config", "--sharedir"], capture_output=True, text=True, check=False
        )
        if (Path(said.stdout.strip()) / "extension" / "postgis.control").is_file():
            return folder
    return None


def _as_server_user(command: list[str]) -> list[str]:
    """A server refuses to run as root, so that root runs it as the packages' user."""
    return ["runuser", "-u", "postgres", "--", *command] if os.geteuid() == 0 else command


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def running(folder: Path) -> Iterator[Server]:
    """A server on a port of 127.0.0.1 that asks for passwords; `folder` is `programs()`."""
    home = Path(tempfile.mkdtemp(prefix="waysapart-postgres-"))
    server = Server(_free_port(), home)
    data = home / "data"
    (home / "password").write_text("only for setting up")
    if os.geteuid() == 0:
        for path in (home, home / "password"):
            shutil.chown(path, "postgres", "postgres")
    control = [str(folder / "pg_ctl"), "-D", str(data), "-w", "-s"]
    options = f"-c listen_addresses=127.0.0.1 -p {server.port} -k {home} -c fsync=off"
    try:
        first = [str(folder / "initdb"), "-D", str(data), "-U", "setup", "-E", "UTF8"]
        asking = ["--auth=scram-sha-256", f"--pwfile={home / 'password'}"]
        _run([*first, *asking, "--locale=C", "--no-sync"], home)
        _run([*control, "-l", str(home / "log"), "-o", options, "start"], home)
        try:
            _set_up(server)
            yield server
        finally:
            _run([*control, "-m", "immediate", "stop"], home)
    finally:
        shutil.rmtree(home)


def _run(command: list[str], home: Path) -> None:
    done = subprocess.run(
        _as_server_user(command),
        cwd=home,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        check=False,
        timeout=120,
    )
    assert done.returncode == 0, f"{command[0]}: {done.stderr}"


def _set_up(server: Server) -> None:
    import psycopg
    from psycopg import sql

    where = f"host=127.0.0.1 port={server.port} user=setup password='only for setting up'"
    with psycopg.connect(f"{where} dbname=postgres", autocommit=True) as connection:
        for role, password in ((OWNER, OWNER_PASSWORD), (READER, READER_PASSWORD)):
            connection.execute(
                sql.SQL("CREATE ROLE {} LOGIN PASSWORD {}").format(
                    sql.Identifier(role), sql.Literal(password)
                )
            )
        connection.execute(
            sql.SQL("CREATE DATABASE {} OWNER {}").format(
                sql.Identifier(DATABASE), sql.Identifier(OWNER)
            )
        )
    with psycopg.connect(f"{where} dbname={DATABASE}", autocommit=True) as connection:
        connection.execute("CREATE EXTENSION postgis")
