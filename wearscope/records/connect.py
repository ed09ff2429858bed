"""Where records are, and how they are opened: a SQLite file or a PostgreSQL database, brought up to date."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import platformdirs
from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import URL, Connection, Engine, create_engine, event, inspect
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, DBAPIError

from wearscope.errors import RecordsError

__all__ = ["default_url", "migration_config", "opened", "writing"]

EXPECTED = "expected sqlite:///FILE or postgresql://USER@HOST/DATABASE"
PATIENCE_MS = 30_000
"""How long a writer waits for another one."""
WRITES = "wearscope_writes"
LOCK = 0x77656172
"""Number of the advisory lock that makes writers on PostgreSQL take turns, as they do on a SQLite file."""


def default_url() -> str:
    """WEARSCOPE_RECORDS, else a SQLite file in the user's data folder."""
    given = os.environ.get("WEARSCOPE_RECORDS")
    return given or f"sqlite:///{Path(platformdirs.user_data_dir('wearscope')) / 'records.sqlite'}"


@contextmanager
def opened(where: str) -> Iterator[Engine]:
    """An engine on records at a URL, brought up to date. Raises RecordsError where that is not possible.

    Errors of the database inside the block become RecordsError too; passwords are not shown.
    """
    url = _url(where)
    engine = _engine(url)
    shown = url.render_as_string(hide_password=True)
    try:
        _bring_up_to_date(engine, shown)
        yield engine
    except DBAPIError as error:
        first = str(error.orig).strip().partition("\n")[0]
        sqlite = url.get_backend_name() == "sqlite"
        ask = (
            "is it a records file, with room and rights?" if sqlite else "is it there, with rights to write?"
        )
        raise RecordsError(f"records {shown}: {first}; {ask}") from error
    finally:
        engine.dispose()


def writing(engine: Engine) -> Engine:
    """The same database for a transaction that writes: one at a time, the next one sees all of the one before."""
    options: dict[str, Any] = {WRITES: True}
    if engine.dialect.name == "postgresql":
        options["isolation_level"] = "READ COMMITTED"
    return engine.execution_options(**options)


def _url(where: str) -> URL:
    try:
        url = make_url(where)
    except ArgumentError as error:
        raise RecordsError(f"records {where!r}: not a database URL; {EXPECTED}") from error
    if url.get_backend_name() == "sqlite" and url.database and url.database != ":memory:":
        return url
    if url.drivername in ("postgresql", "postgresql+psycopg", "postgres"):
        return url.set(drivername="postgresql+psycopg")
    shown = url.render_as_string(hide_password=True)
    raise RecordsError(f"records {shown}: records are kept in a SQLite file or on PostgreSQL; {EXPECTED}")


def _engine(url: URL) -> Engine:
    return _sqlite(url) if url.get_backend_name() == "sqlite" else _postgresql(url)


def _sqlite(url: URL) -> Engine:
    try:
        Path(url.database or "").parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RecordsError(f"records {url}: the folder cannot be made ({error.strerror})") from error
    engine = create_engine(url)
    event.listen(engine, "connect", _make_safe)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _make_safe(connection: Any, _: object) -> None:
    connection.isolation_level = None  # transactions are begun by `_begin_sqlite`, DDL included
    for pragma in (f"busy_timeout={PATIENCE_MS}", "journal_mode=WAL", "foreign_keys=ON", "synchronous=FULL"):
        connection.execute(f"PRAGMA {pragma}").close()


def _begin_sqlite(connection: Connection) -> None:
    connection.exec_driver_sql("BEGIN IMMEDIATE" if _writes(connection) else "BEGIN")


def _postgresql(url: URL) -> Engine:
    try:
        engine = create_engine(url, isolation_level="REPEATABLE READ")
    except ImportError as error:
        raise RecordsError(
            f"records {url.render_as_string(hide_password=True)}: PostgreSQL needs the psycopg library; "
            "install it with: pip install 'wearscope[postgresql]'"
        ) from error
    event.listen(engine, "begin", _begin_postgresql)
    return engine


def _begin_postgresql(connection: Connection) -> None:
    if _writes(connection):
        connection.exec_driver_sql(f"SET LOCAL lock_timeout = {PATIENCE_MS}")
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({LOCK})")


def _writes(connection: Connection) -> bool:
    return bool(connection.get_execution_options().get(WRITES))


def migration_config(connection: Connection) -> Config:
    """What Alembic needs to migrate over an open connection."""
    config = Config()
    config.set_main_option("script_location", "wearscope.records:migrations")
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    return config


def _bring_up_to_date(engine: Engine, shown: str) -> None:
    with engine.connect() as connection:
        scripts = ScriptDirectory.from_config(migration_config(connection))
        if _form(connection, scripts, shown) == scripts.get_current_head():
            return
    with writing(engine).begin() as connection:
        _form(connection, scripts, shown)
        command.upgrade(migration_config(connection), "head")


def _form(connection: Connection, scripts: ScriptDirectory, shown: str) -> str | None:
    """The version of the tables that are there, None where there are none."""
    form = MigrationContext.configure(connection).get_current_revision()
    if form is None and (names := inspect(connection).get_table_names()):
        raise RecordsError(
            f"records {shown}: holds tables of another program ({', '.join(sorted(names)[:3])}); "
            "give a database of its own"
        )
    if form is not None and form not in {script.revision for script in scripts.walk_revisions()}:
        raise RecordsError(
            f"records {shown}: written by a newer wearscope (form {form}); update wearscope, "
            "for an older one never writes into newer records"
        )
    return form
