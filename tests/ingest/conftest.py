"""What the tests of reading and storing share: the scenario files, and a store per backend."""

import os
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa

import ingest

DATA = Path(__file__).parent / "data"


@pytest.fixture
def data() -> Path:
    return DATA


@pytest.fixture
def store(tmp_path: Path) -> Iterator[ingest.Store]:
    opened = ingest.open_store(str(tmp_path / "store.sqlite"))
    yield opened
    opened.close()


@pytest.fixture(params=["sqlite", "postgresql"])
def any_store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[ingest.Store]:
    """A fresh store on SQLite, and on PostgreSQL where the environment names a server."""
    if request.param == "sqlite":
        opened = ingest.open_store(str(tmp_path / "store.sqlite"))
        yield opened
        opened.close()
        return
    server = os.environ.get("VISCOSITY_SPC_TEST_POSTGRES")
    if not server:
        if os.environ.get("VISCOSITY_SPC_REQUIRE_ALL"):
            pytest.fail("VISCOSITY_SPC_TEST_POSTGRES is required here but not set")
        pytest.skip("VISCOSITY_SPC_TEST_POSTGRES names no PostgreSQL server")
    name = f"spc_{uuid.uuid4().hex}"
    admin = sa.create_engine(server, isolation_level="AUTOCOMMIT")
    with admin.connect() as connection:
        connection.exec_driver_sql(f'CREATE DATABASE "{name}"')
    url = sa.make_url(server).set(database=name).render_as_string(hide_password=False)
    opened = ingest.open_store(url)
    yield opened
    opened.close()
    with admin.connect() as connection:
        connection.exec_driver_sql(f'DROP DATABASE "{name}" WITH (FORCE)')
    admin.dispose()


@pytest.fixture
def write(tmp_path: Path):
    """Write text or bytes to a file in a temporary folder and give its path."""

    def _write(content: str | bytes, name: str = "readings.csv") -> Path:
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return _write
