"""PostgreSQL tables to a raw frame; a password never leaves the address.

What an address leaves out (host, user, password, or all of it) is libpq's to find: in the
environment (`PGHOST`, `PGPASSWORD`, ...), a service file (`?service=NAME`) or a password file.
"""

from __future__ import annotations

import hashlib
import os
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote

from waysapart.study.raw import (
    PASSWORD_MASK,
    ROW,
    SECRET_IN_QUERY,
    InputFile,
    RawLayer,
    fault,
    masked,
    one_line,
    stated_crs,
    user_and_rest,
)

if TYPE_CHECKING:
    import pandas as pd

    from waysapart.study.raw import LayerSpec

_CONNECT_S = 10
_ANSWER_S = 300.0
"""How long a layer may take. The server is asked to give up then, and hung up on soon after."""


def read_database(spec: LayerSpec) -> RawLayer:
    """Read a table or view of a PostgreSQL database, in a transaction that only reads."""
    import numpy as np
    import pandas as pd

    if find_spec("sqlalchemy") is None or find_spec("psycopg") is None:
        raise fault(
            spec,
            "a postgresql:// source needs SQLAlchemy and psycopg: "
            "python -m pip install 'waysapart[database]'",
        )
    if set(user_and_rest(spec.source)[2]) & set("/@?#"):
        raise fault(
            spec, "the password holds one of / @ ? #; write it percent-encoded, such as %2F for /"
        )
    if spec.layer is None:
        raise fault(spec, "say which table or view to read with `layer`, such as 'net.ducts'")
    import geopandas as gpd
    import sqlalchemy as sa

    address = "postgresql+psycopg://" + spec.source.partition("://")[2]
    crs = engine = None
    try:
        engine = sa.create_engine(address, connect_args={"connect_timeout": _CONNECT_S})
        with _no_longer_than(_ANSWER_S, engine), engine.connect() as connection:
            milliseconds = f"{_ANSWER_S * 1000:.0f}"
            connection.execute(sa.text(f"SET LOCAL statement_timeout = {milliseconds}"))
            connection.execute(sa.text("SET TRANSACTION READ ONLY"))
            geometry = connection.execute(
                sa.text(
                    "SELECT attname FROM pg_attribute JOIN pg_type ON pg_type.oid = atttypid "
                    "WHERE attrelid = to_regclass(:name) AND attnum > 0 "
                    "AND typname IN ('geometry', 'geography') ORDER BY attnum LIMIT 1"
                ),
                {"name": _quoted(spec.layer)},
            ).scalar()
            query, values = _query(spec)
            if geometry is None:
                frame = pd.read_sql(query, connection, params=values)
            else:
                frame = gpd.read_postgis(query, connection, geom_col=geometry, params=values)
                crs = frame.crs
                frame = frame.rename_geometry("geometry") if geometry != "geometry" else frame
    except Exception as error:
        said = without_password(one_line(error), spec.source)
        raise fault(spec, f"the database cannot be read: {said}") from None
    finally:
        if engine is not None:
            engine.dispose()
    bare = pd.DataFrame(frame).reset_index(drop=True)
    bare[ROW] = np.arange(1, len(bare) + 1)
    return RawLayer(bare, stated_crs(crs), spec.layer, (_rows_input(spec, bare),))


@contextmanager
def _no_longer_than(seconds: float, engine: Any) -> Iterator[None]:
    """Hang up on a server that does not answer in time.

    Raises
    ------
    TimeoutError
    """
    import sqlalchemy as sa

    sockets: list[socket.socket] = []
    late = threading.Event()

    @sa.event.listens_for(engine, "do_connect")
    def connect(dialect: Any, _record: Any, args: Any, named: Any) -> Any:
        raw = dialect.connect(*args, **named)
        sockets.append(socket.socket(fileno=os.dup(raw.fileno())))
        return raw

    def hang_up() -> None:
        late.set()
        for one in sockets:
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)

    timer = threading.Timer(seconds * 1.1, hang_up)
    timer.daemon = True
    timer.start()
    try:
        yield
    except Exception as error:
        if late.is_set():
            raise TimeoutError(f"it did not answer within {seconds:g} s") from error
        raise
    finally:
        timer.cancel()
        for one in sockets:
            one.close()


def _query(spec: LayerSpec) -> tuple[str, dict[str, bool]]:
    """The rows asked for, as one statement that can be no more than one.

    A filter comes from whoever wrote study.toml. With a value bound to it, PostgreSQL takes a
    single statement only, so that a filter cannot end the transaction that only reads.
    """
    where = f"({spec.where}\n)" if spec.where else "true"
    text = f"SELECT * FROM {_quoted(str(spec.layer))} WHERE {where}".replace("%", "%%")
    return f"{text} AND %(all)s", {"all": True}


def _quoted(name: str) -> str:
    """A table's name, perhaps behind its schema and a full stop, in SQL's quotes."""
    return ".".join('"' + part.replace('"', '""') + '"' for part in name.split(".", 1))


def without_password(text: str, source: str) -> str:
    """A text in which the password of a database address cannot be read."""
    text = text.replace(source, masked(source))
    in_query = [found[2] for found in SECRET_IN_QUERY.finditer(source)]
    stated = [user_and_rest(source)[2], *in_query, os.environ.get("PGPASSWORD", "")]
    secrets = {form for secret in stated for form in (secret, unquote(secret))} - {""}
    for secret in sorted(secrets, key=len, reverse=True):
        text = text.replace(secret, PASSWORD_MASK)
    return text


def _rows_input(spec: LayerSpec, frame: pd.DataFrame) -> InputFile:
    """SHA-256 of the rows read, whatever order the database gave them in."""
    import shapely

    plain = frame.drop(columns=ROW)
    if "geometry" in plain:
        plain["geometry"] = shapely.to_wkb(plain["geometry"].to_numpy(), hex=True)
    header, *lines = plain.to_csv(index=False).splitlines()
    digest = hashlib.sha256("\n".join([header, *sorted(lines)]).encode()).hexdigest()
    return InputFile(f"{spec.shown_source} {spec.layer}", digest)
