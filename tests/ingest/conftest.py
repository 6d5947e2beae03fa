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


def _postgres_database() -> Iterator[str]:
    server = os.environ.get("VISCOSITY_SPC_TEST_POSTGRES")
    if not server:
        if os.environ.get("VISCOSITY_SPC_REQUIRE_ALL"):
            pytest.fail("VISCOSITY_SPC_TEST_POSTGRES is required here but not set")
        pytest.skip("VISCOSITY_SPC_TEST_POSTGRES names no PostgreSQL server")
    name = f"spc_{uuid.uuid4().hex}"
    admin = sa.create_engine(server, isolation_level="AUTOCOMMIT")
    with admin.connect() as connection:
        connection.exec_driver_sql(f'CREATE DATABASE "{name}"')
    yield sa.make_url(server).set(database=name).render_as_string(hide_password=False)
    with admin.connect() as connection:
        connection.exec_driver_sql(f'DROP DATABASE "{name}" WITH (FORCE)')
    admin.dispose()


@pytest.fixture
def postgres_url() -> Iterator[str]:
    """The address of an empty database on the server that the environment names."""
    yield from _postgres_database()


@pytest.fixture
def postgres_source_url() -> Iterator[str]:
    """As `postgres_url`, for the database of a laboratory beside that of a store."""
    yield from _postgres_database()


@pytest.fixture
def mariadb_url() -> Iterator[str]:
    """The address of an empty MariaDB database on the server that the environment names."""
    server = os.environ.get("VISCOSITY_SPC_TEST_MARIADB")
    if not server:
        if os.environ.get("VISCOSITY_SPC_REQUIRE_ALL"):
            pytest.fail("VISCOSITY_SPC_TEST_MARIADB is required here but not set")
        pytest.skip("VISCOSITY_SPC_TEST_MARIADB names no MariaDB server")
    name = f"spc_{uuid.uuid4().hex}"
    admin = sa.create_engine(server, isolation_level="AUTOCOMMIT")
    with admin.connect() as connection:
        connection.exec_driver_sql(f"CREATE DATABASE {name} CHARACTER SET utf8mb4")
    yield sa.make_url(server).set(database=name).render_as_string(hide_password=False)
    with admin.connect() as connection:
        connection.exec_driver_sql(f"DROP DATABASE {name}")
    admin.dispose()


@pytest.fixture
def postgres_url_or_none(request: pytest.FixtureRequest) -> str | None:
    """As `postgres_url`, but a test that needs it only beside another store goes on without."""
    if os.environ.get("VISCOSITY_SPC_TEST_POSTGRES"):
        return str(request.getfixturevalue("postgres_url"))
    return None


@pytest.fixture(params=["sqlite", "postgresql"])
def any_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of a store that is not there yet, on SQLite and on PostgreSQL."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'store.sqlite'}"
    return str(request.getfixturevalue("postgres_url"))


@pytest.fixture
def any_store(any_url: str) -> Iterator[ingest.Store]:
    """A fresh store on SQLite, and on PostgreSQL where the environment names a server."""
    opened = ingest.open_store(any_url)
    yield opened
    opened.close()


@pytest.fixture
def write(tmp_path: Path):
    """Write text or bytes to a file in a temporary folder and give its path."""

    def _write(content: str | bytes, name: str = "readings.csv") -> Path:
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return _write
