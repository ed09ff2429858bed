"""Where pictures that are not part of the project are found, and where records are tried out."""

import os
import secrets
from collections.abc import Iterator
from pathlib import Path

import pytest

from wearscope.threads import single_threaded

single_threaded()


def _folder(variable: str) -> Path:
    value = os.environ.get(variable)
    if not value or not Path(value).is_dir():
        pytest.skip(f"{variable} does not name a folder of evaluation pictures")
    return Path(value)


@pytest.fixture(scope="session")
def real_photos() -> Path:
    """Real photographs made by others."""
    return _folder("WEARSCOPE_REAL_PHOTOS")


@pytest.fixture(scope="session")
def renders() -> Path:
    """Rendered pictures with exact truth beside them."""
    return _folder("WEARSCOPE_RENDERS")


@pytest.fixture(params=["sqlite", "postgresql"])
def records_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """The URL of an empty place for records: a SQLite file, and a database of its own on a real PostgreSQL."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path / 'drawer' / 'records.sqlite'}"
        return
    server = os.environ.get("WEARSCOPE_TEST_POSTGRESQL")
    if not server:
        pytest.skip("WEARSCOPE_TEST_POSTGRESQL does not name a PostgreSQL on which databases may be made")
    from sqlalchemy import create_engine
    from sqlalchemy.engine import make_url

    url = make_url(server).set(drivername="postgresql+psycopg")
    engine = create_engine(url, isolation_level="AUTOCOMMIT")
    name = f"records_{secrets.token_hex(8)}"
    with engine.connect() as connection:
        connection.exec_driver_sql(f"CREATE DATABASE {name}")
    yield url.set(drivername="postgresql", database=name).render_as_string(hide_password=False)
    with engine.connect() as connection:
        connection.exec_driver_sql(f"DROP DATABASE {name} WITH (FORCE)")
    engine.dispose()
