"""What a store does where its place, its address or its database is not as it should be."""

import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import sqlalchemy as sa

import ingest

HEAD = "timestamp,batch,product,replicate,viscosity cP,comment"
ROW = "2025-01-01T06:00,B1,P,1,2000,"
POSTGRES = os.environ.get("VISCOSITY_SPC_TEST_POSTGRES", "")
needs_postgres = pytest.mark.skipif(not POSTGRES, reason="VISCOSITY_SPC_TEST_POSTGRES is not set")
posix = pytest.mark.skipif(sys.platform == "win32", reason="needs permissions of POSIX systems")


def reading(*lines: str, name: str = "x.csv") -> ingest.FileReading:
    return ingest.read_bytes("\n".join([HEAD, *lines]).encode(), name)


def refusal(address: str, create: bool = True) -> str:
    with pytest.raises(ingest.StoreError) as caught:
        ingest.open_store(address, create)
    told = str(caught.value)
    assert "\n" not in told
    assert told.endswith(".")
    assert "nothing was stored" not in told  # it was only opened
    return told


@contextmanager
def as_ordinary_user() -> Iterator[None]:
    """The superuser may do all, so that permissions are tested as somebody else."""
    superuser = os.geteuid() == 0
    if superuser:
        os.seteuid(65534)
    try:
        yield
    finally:
        if superuser:
            os.seteuid(0)


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that every user can reach (that of `tmp_path` is closed to others)."""
    folder = Path(tempfile.mkdtemp(prefix="spc-faults-"))
    folder.chmod(0o777)
    yield folder
    for path in [folder, *folder.rglob("*")]:
        path.chmod(0o777)
    shutil.rmtree(folder)


# --- names ------------------------------------------------------------------------------------


def test_names_that_are_no_text_are_stored_with_a_question_mark(any_store: ingest.Store) -> None:
    # a Latin-1 file name on disk, as Python gives it; answers are the same kind of text
    file = reading(ROW, name="caf\udce9.csv")
    file.answers["operator"] = "Ren\udce9"
    any_store.add(file, source="B\udcfcro\0")
    kept = any_store.imports().iloc[0]
    assert kept["file"] == "caf?.csv"
    assert kept["source"] == "B?ro␀"
    assert "Ren?" in kept["answers"]
    assert any_store.readings()["file"].tolist() == ["caf?.csv"]


@pytest.mark.parametrize(
    ("address", "told"),
    [
        ("x" * 300, "cannot be opened or made"),
        ("a\0b.sqlite", "cannot be the name of a store"),
        ("caf\udce9.sqlite", "cannot be the name of a store"),
        ("   ", "The name of the store is blank"),
        ("sqlite://", "names no file for the store"),
        ("postgresql://u:secret@h:abc/d", "is not the address of a store"),
        ("http://x y", "is no database that can hold a store"),
        ("mysql://u:secret@h/d", "is no database that can hold a store"),
        ("postgresql+foo://u:secret@h/d", "needs a database driver"),
    ],
)
def test_an_address_that_cannot_be_is_one_sentence(address: str, told: str) -> None:
    text = refusal(address)
    assert told in text
    assert "secret" not in text


def test_only_postgresql_is_said_to_need_its_extra() -> None:
    assert "[postgres]" not in refusal("http://x y")
    assert "[postgres]" not in refusal("mysql://h/d")
    assert "[postgres]" in refusal("postgresql+foo://h/d")


def test_any_character_can_be_in_the_path_of_a_store(tmp_path: Path) -> None:
    path = tmp_path / "50% a?b #1.sqlite"
    store = ingest.open_store(str(path))
    store.add(reading(ROW))
    store.close()
    assert path.exists()
    again = ingest.open_store(store.url, create=False)
    assert len(again.readings()) == 1
    again.close()


# --- damaged stores ---------------------------------------------------------------------------


@pytest.mark.parametrize("version", ["²", "x", "", "9" * 5000])
def test_a_version_that_is_no_number_is_no_store_of_ours(
    any_store: ingest.Store, version: str
) -> None:
    address = any_store._engine.url.render_as_string(hide_password=False)
    change = sa.text("UPDATE meta SET value = :value WHERE name = 'schema_version'")
    with any_store._engine.begin() as connection:
        connection.execute(change, {"value": version})
    assert "not a store of viscosity-spc" in refusal(address)


@pytest.mark.parametrize("change", ["DELETE FROM meta", "UPDATE meta SET value = 'x'"])
def test_a_store_without_its_revision_is_damaged(any_store: ingest.Store, change: str) -> None:
    address = any_store._engine.url.render_as_string(hide_password=False)
    with any_store._engine.begin() as connection:
        connection.exec_driver_sql(f"{change} WHERE name = 'revision'")
    assert "has lost its count of changes" in refusal(address)
    with pytest.raises(ingest.StoreError, match="restore it from a backup"):
        any_store.revision()


# --- permissions ------------------------------------------------------------------------------


@posix
def test_a_store_in_a_closed_folder_is_one_sentence(open_folder: Path) -> None:
    closed = open_folder / "closed"
    closed.mkdir()
    ingest.open_store(str(closed / "s.sqlite")).close()
    closed.chmod(0o600)  # its names can be read, nothing in it reached
    with as_ordinary_user():
        for name in ("s.sqlite", "new.sqlite"):
            assert "cannot be reached" in refusal(str(closed / name))


@posix
@pytest.mark.parametrize("folder_mode", [0o777, 0o555])
@pytest.mark.parametrize("create", [True, False])
def test_a_store_that_may_not_be_written_can_be_read(
    open_folder: Path, folder_mode: int, create: bool
) -> None:
    place = open_folder / "place"
    place.mkdir()
    path = place / "s.sqlite"
    store = ingest.open_store(str(path))
    store.add(reading(ROW))
    store.close()
    before = path.read_bytes()
    path.chmod(0o444)
    place.chmod(folder_mode)
    with as_ordinary_user():
        store = ingest.open_store(str(path), create=create)
        assert store.readings()["viscosity"].tolist() == [2000.0]
        assert store.revision() == 1
        for write in (
            lambda: store.add(reading("2025-01-02T06:00,B2,P,1,2000,")),
            lambda: store.add_specification("P", lower=1),
        ):
            with pytest.raises(ingest.StoreError, match="can only be read: ask for write access"):
                write()
        store.close()
    assert path.read_bytes() == before


@posix
def test_a_read_only_store_shows_what_is_still_in_its_log(open_folder: Path) -> None:
    path = open_folder / "s.sqlite"
    writer = ingest.open_store(str(path))
    writer.add(reading(ROW))
    assert Path(f"{path}-wal").stat().st_size > 0  # not yet in the file itself
    open_folder.chmod(0o555)
    with as_ordinary_user():
        store = ingest.open_store(str(path), create=False)
        assert len(store.readings()) == 1
        open_folder.stat()
    writer.add(reading("2025-01-02T06:00,B2,P,1,2000,"))
    with as_ordinary_user():
        assert len(store.readings()) == 2
        store.close()
    writer.close()


@pytest.mark.skipif(shutil.which("mount") is None, reason="needs a read-only file system")
def test_a_store_on_a_read_only_file_system_can_be_read(tmp_path: Path) -> None:
    place = tmp_path / "place"
    place.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "tmpfs", str(place)], capture_output=True)
    if mounted.returncode:
        pytest.skip("mounting a file system is not allowed here")
    try:
        store = ingest.open_store(str(place / "s.sqlite"))
        store.add(reading(ROW))
        store.close()
        subprocess.run(["mount", "-o", "remount,ro", str(place)], check=True)
        store = ingest.open_store(str(place / "s.sqlite"), create=False)
        assert len(store.readings()) == 1
        with pytest.raises(ingest.StoreError, match=r"can only be read.*nothing was stored"):
            store.add(reading("2025-01-02T06:00,B2,P,1,2000,"))
        store.close()
    finally:
        subprocess.run(["umount", "--lazy", str(place)], check=True)


# --- several processes ------------------------------------------------------------------------

_OPEN_AND_ADD = """
import sys, time, ingest
file = ingest.read_bytes(sys.argv[3].encode(), sys.argv[2])
print("ready", flush=True)
for address in sys.stdin.read().split():
    store = ingest.open_store(address)
    store.add(file)
    store.close()
"""


def open_at_once(addresses: list[str], processes: int) -> None:
    """Let several processes make the same new stores at the same time, and import into each."""
    running = []
    for i in range(processes):
        content = f"{HEAD}\n2025-01-01T06:00,B{i},P,1,2000,"
        command = [sys.executable, "-c", _OPEN_AND_ADD, "-", f"{i}.csv", content]
        running.append(
            subprocess.Popen(
                command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
            )
        )
    for process in running:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
    for process in running:
        assert process.stdin is not None
        process.stdin.write("\n".join(addresses))
        process.stdin.close()
        process.stdin = None
    for process in running:
        _, errors = process.communicate(timeout=120)
        assert process.returncode == 0, errors


def test_processes_that_make_one_store_at_once_all_succeed(tmp_path: Path) -> None:
    paths = [str(tmp_path / f"{i}.sqlite") for i in range(12)]
    open_at_once(paths, 4)
    for path in paths:
        store = ingest.open_store(path, create=False)
        assert sorted(store.readings()["batch"]) == ["B0", "B1", "B2", "B3"]
        store.close()


# --- PostgreSQL -------------------------------------------------------------------------------


@contextmanager
def new_databases(n: int) -> Iterator[list[str]]:
    names = [f"spc_{uuid.uuid4().hex}" for _ in range(n)]
    admin = sa.create_engine(POSTGRES, isolation_level="AUTOCOMMIT")
    with admin.connect() as connection:
        for name in names:
            connection.exec_driver_sql(f'CREATE DATABASE "{name}"')
    url = sa.make_url(POSTGRES)
    try:
        yield [url.set(database=name).render_as_string(hide_password=False) for name in names]
    finally:
        with admin.connect() as connection:
            for name in names:
                connection.exec_driver_sql(f'DROP DATABASE "{name}" WITH (FORCE)')
        admin.dispose()


@needs_postgres
def test_processes_that_make_one_store_on_postgresql_at_once_all_succeed() -> None:
    with new_databases(4) as addresses:
        open_at_once(addresses, 4)
        for address in addresses:
            store = ingest.open_store(address, create=False)
            assert sorted(store.readings()["batch"]) == ["B0", "B1", "B2", "B3"]
            store.close()


@needs_postgres
def test_a_server_that_does_not_let_us_in_is_one_sentence() -> None:
    url = sa.make_url(POSTGRES)
    for changed, told in (
        ({"port": 1}, "does not answer: check the address, and that the server runs"),
        ({"host": "no-such-host.invalid"}, "has a host that is not known"),
        ({"database": "no_such_database"}, "has no database of that name"),
        ({"username": "no_such_user", "password": "secret"}, "does not know the user|password"),
    ):
        text = refusal(url.set(**changed).render_as_string(hide_password=False))
        assert any(words in text for words in told.split("|")), text
        assert "FATAL" not in text
        assert "connection failed" not in text
        assert "secret" not in text


@needs_postgres
def test_a_password_among_the_options_is_not_shown() -> None:
    url = sa.make_url(POSTGRES).set(port=1)
    address = url.update_query_dict({"password": "secret"}).render_as_string(hide_password=False)
    assert "secret" in address
    assert "secret" not in refusal(address)


@needs_postgres
def test_a_name_too_long_for_postgresql_is_one_sentence() -> None:
    # random text, since PostgreSQL compresses what repeats itself
    long = "".join(uuid.uuid4().hex for _ in range(200))
    file = ingest.read_bytes(
        f"timestamp,batch,product,instrument,viscosity cP\n2025-01-01,B1,P,{long},1".encode(), "x"
    )
    with new_databases(1) as [address]:
        store = ingest.open_store(address)
        if file.account.used:
            with pytest.raises(
                ingest.StoreError, match=r"cannot hold a name that long.*nothing was stored"
            ):
                store.add(file)
        assert store.imports().empty
        store.close()


def test_an_error_of_no_known_kind_gives_its_code_and_not_its_text(store: ingest.Store) -> None:
    with sqlite3.connect(store._engine.url.database) as connection:
        connection.execute(
            "CREATE TRIGGER no BEFORE INSERT ON results BEGIN SELECT RAISE(ABORT, 'xyz'); END"
        )
    connection.close()
    with pytest.raises(ingest.StoreError, match=r"gave an error \(code SQLITE_CONST.*\): ask") as e:
        store.add(reading(ROW))
    assert "xyz" not in str(e.value)
    assert str(e.value).endswith("nothing was stored.")
