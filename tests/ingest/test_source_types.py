"""Values of databases as text, and what becomes of them: exact, whatever their type."""

import sqlite3
import tracemalloc
from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta, timezone
from decimal import Decimal
from pathlib import Path

import pytest
import sqlalchemy as sa
from hypothesis import given
from hypothesis import strategies as st

import ingest
from ingest.source_cells import cell_text, kept_cells, key_text
from tests.ingest.laboratory import DESCRIPTION, Laboratory, row


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, ""),
        ("", ""),
        ("Prüfung 1", "Prüfung 1"),
        (True, "true"),
        (2010, "2010"),
        (Decimal("2010.50"), "2010.50"),
        (Decimal("1.2E+3"), "1200"),
        (Decimal("NaN"), "nan"),
        (0.1, "0.1"),
        (40.2, "40.2"),
        (float("nan"), "nan"),
        (float("inf"), "inf"),
        (date(2026, 3, 1), "2026-03-01"),
        (datetime(2026, 3, 1, 7, 5), "2026-03-01T07:05:00"),
        (datetime(2026, 3, 1, 7, 5, 1, 250000), "2026-03-01T07:05:01.250000"),
        (datetime(2026, 3, 1, 7, 5, tzinfo=UTC), "2026-03-01T07:05:00+00:00"),
        (
            datetime(2026, 3, 1, 7, 5, tzinfo=timezone(timedelta(hours=2))),
            "2026-03-01T05:05:00+00:00",
        ),
        (time(7, 5), "07:05:00"),
        (timedelta(hours=7, minutes=5), "07:05:00"),
        (b"B0001", "B0001"),
        (b"\xff\x00\x10", "\\xff0010"),
        (memoryview(b"\x00\x01"), "\\x0001"),
        ({"b": 1, "a": "ä"}, '{"a": "ä", "b": 1}'),
    ],
)
def test_a_value_as_text(value: object, text: str) -> None:
    assert cell_text(value) == text


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_no_digit_of_a_number_is_lost(value: float) -> None:
    assert float(cell_text(value)) == value


@given(st.decimals(allow_nan=False, allow_infinity=False, places=6))
def test_no_digit_of_a_decimal_is_lost(value: Decimal) -> None:
    assert Decimal(cell_text(value)) == value


def test_a_key_is_short_enough_for_an_index() -> None:
    assert key_text(["17", "a"]) == '["17", "a"]' or key_text(["17", "a"]) == '["17","a"]'
    long = key_text(["x" * 10_000])
    assert len(long) < 100
    assert long != key_text(["x" * 10_001])


def test_a_cell_too_long_is_kept_by_its_digest() -> None:
    assert kept_cells(["x" * 100_000]) == ["x" * 100_000]
    assert len(kept_cells(["x" * 100_001])[0]) < 250


@pytest.fixture(params=["postgresql", "mariadb"])
def server(request: pytest.FixtureRequest) -> Iterator[sa.Engine]:
    names = {"postgresql": "postgres_source_url", "mariadb": "mariadb_url"}
    engine = sa.create_engine(str(request.getfixturevalue(names[request.param])))
    yield engine
    engine.dispose()


def described(
    url: sa.URL | str, folder: Path, columns: str = "", **changes: str
) -> ingest.SourceDescription:
    parts = {
        "name": "lims",
        "url": str(url),
        "password": "",
        "relation": 'table = "readings"',
        "settings": 'key = ["id"]',
        "columns": columns,
    }
    text = DESCRIPTION.format(**(parts | changes))
    (folder / "sources.toml").write_text(text)
    return ingest.find_source(folder / "sources.toml", "lims")


def test_types_of_the_servers(server: sa.Engine, store: ingest.Store, tmp_path: Path) -> None:
    postgres = server.dialect.name == "postgresql"
    blob, aware, real = (
        ("bytea", "timestamptz", "real") if postgres else ("varbinary(20)", "timestamp", "float")
    )
    uncertain = "'NaN'" if postgres else "NULL"
    at = "'2026-07-01 07:00:00+02'" if postgres else "'2026-07-01 07:00:00'"
    with server.begin() as connection:
        connection.exec_driver_sql(
            f"CREATE TABLE readings (id bigint PRIMARY KEY, measured {aware}, charge_no {blob}, "
            f"product varchar(20), rep smallint, eta numeric(12,3), torque {real}, "
            "device char(4), remark text, sampled date, final boolean)"
        )
        connection.exec_driver_sql(
            "INSERT INTO readings VALUES "
            f"(9007199254740993, {at}, 'B1', 'P', 1, 2010.125, 40.2, 'V1', NULL, '2026-07-01', "
            f"true), (2, {at}, 'B1', 'P', 2, 1990.5, {uncertain}, 'V1', 'x', NULL, false)"
        )
    source = described(
        server.url.render_as_string(),
        tmp_path,
        'sampled_at = "sampled"\nstatus = "final"',
        settings='key = ["id"]\nwatermark = "measured"\noverlap = "30 minutes"',
    )
    report = ingest.pull(store, source)
    assert report.account.used == 2, report
    kept = store.readings().set_index("replicate")
    assert kept.loc[1, "viscosity"] == 2010.125
    assert kept.loc[1, "torque"] == 40.2
    assert kept["torque"].isna().tolist() == [False, True] or kept["torque"].isna().sum() == 1
    assert kept.loc[1, "batch"] == "B1"
    assert kept.loc[1, "instrument"] == "V1"
    zone = timedelta(hours=2)  # the offset that was written, and Berlin's in July
    assert set(kept["at"]) == {datetime(2026, 7, 1, 7, tzinfo=timezone(zone))}
    # a date alone is the midnight of the place
    assert kept.loc[1, "sampled_at"] == datetime(2026, 7, 1, tzinfo=timezone(zone))
    keys = ingest.source_keys(store, kept["id"].tolist())
    assert sorted(keys.values()) == ["2", "9007199254740993"]
    with server.begin() as connection:
        for number, when in ((3, "06:29"), (4, "06:31"), (5, "08:00")):
            later = at.replace("07:00", when)
            connection.exec_driver_sql(
                f"INSERT INTO readings (id, measured, charge_no, product, rep, eta) VALUES "
                f"({number}, {later}, 'B{number}', 'P', 1, 2000)"
            )
    again = ingest.pull(store, source)
    # half an hour behind 7:00 lie 4, both at 7:00 and 5; 3 is found as the counts differ
    assert (again.rows_seen, again.new, again.everything) == (5, 3, True)
    assert not ingest.pull(store, source).everything


@pytest.mark.parametrize("server", ["postgresql"], indirect=True)
def test_dates_that_python_has_none_for(
    server: sa.Engine, store: ingest.Store, tmp_path: Path
) -> None:
    with server.begin() as connection:
        connection.exec_driver_sql(
            "CREATE TABLE readings (id int, measured timestamptz, charge_no text, product text, "
            "rep int, eta real, torque real, device text, remark text, sampled date, due timestamp)"
        )
        connection.exec_driver_sql(
            "INSERT INTO readings VALUES "
            "(1, 'infinity', 'B1', 'P', 1, 2000, 40, 'V1', '', NULL, NULL), "
            "(2, '2026-02-03 07:00+00', 'B2', 'P', 1, 2000, 40, 'V1', '', '0044-03-15 BC', NULL), "
            "(3, '2026-02-03 07:00+00', 'B3', 'P', 1, 2000, 40, 'V1', '', NULL, '-infinity')"
        )
    settings = 'key = ["id"]\nkeep = ["due"]'
    url = server.url.render_as_string()
    source = described(url, tmp_path, 'sampled_at = "sampled"', settings=settings)
    report = ingest.pull(store, source)
    assert report.account.not_parsed == {"date_not_read": 2}
    assert store.readings()["batch"].tolist() == ["B3"]
    with store.reading() as connection:
        extra = connection.exec_driver_sql("SELECT extra FROM results").scalars().all()
    assert extra == ['{"due": "-infinity"}']


@pytest.fixture
def loose(tmp_path: Path) -> sqlite3.Connection:
    """A SQLite table whose columns take anything."""
    connection = sqlite3.connect(tmp_path / "lab.sqlite")
    connection.execute(
        "CREATE TABLE readings (id, measured, charge_no, product, rep, eta, torque, device, remark)"
    )
    return connection


def fill(connection: sqlite3.Connection, *cells: tuple[object, ...]) -> None:
    connection.executemany(f"INSERT INTO readings VALUES ({','.join('?' * 9)})", cells)
    connection.commit()


def line(
    number: int, eta: object = 2000.5, at: object = None, **more: object
) -> tuple[object, ...]:
    when = f"2026-02-03T07:00:{number % 60:02d}" if at is None else at
    remark, torque, batch = more.get("remark"), more.get("torque", 40.01), more.get("batch")
    return (number, when, batch or f"B{number}", "P-1", 1, eta, torque, "V1", remark)


def test_each_cell_finds_its_fate(
    loose: sqlite3.Connection, store: ingest.Store, tmp_path: Path
) -> None:
    fill(
        loose,
        line(1),
        line(2, None),
        line(3, "OVER"),
        line(4, "<500"),
        line(5, "two thousand"),
        line(6, float("inf")),
        line(7, b"\xff\xfe"),
        line(8, remark="a\0b"),
        line(9, remark="x" * 200_000),
        line(10, at="yesterday"),
        line(11, at="2026-02-03"),
        line(12, at="2026-02-03T07:00:12+05:00"),
        line(13, at="2026-03-29T02:30:00"),  # skipped in Berlin
        line(14, torque="n/a"),
        line(15, torque=2.0),
        line(16, batch=4711),
        line(17, torque=40),
        line(18, at=""),
    )
    report = ingest.pull(store, described("sqlite:///lab.sqlite", tmp_path))
    account = report.account
    assert account.set_aside == {
        "no_result": 1,
        "over_range": 1,
        "below_range": 2,
        "impossible_hour": 1,
        "no_time": 1,
    }
    assert account.not_parsed == {
        "viscosity_not_a_number": 3,
        "nul_byte": 1,
        "field_too_long": 1,
        "date_not_read": 1,
    }
    assert account.used == 18 - 6 - 6
    assert account.closes
    assert report.closes
    lost = store.not_parsed().set_index("reason")
    assert len(lost.loc["field_too_long", "text"]) > 200_000
    kept = store.readings().set_index("batch")
    assert kept.loc["B11", "at"] == datetime(2026, 2, 2, 23, tzinfo=UTC)  # midnight in Berlin
    assert kept.loc["B12", "at"] == datetime(2026, 2, 3, 2, 0, 12, tzinfo=UTC)
    assert kept.loc["4711", "viscosity"] == 2000.5
    assert ingest.pull(store, described("sqlite:///lab.sqlite", tmp_path)).imports == ()


def test_bytes_that_are_no_utf8_stay_visible(
    loose: sqlite3.Connection, store: ingest.Store, tmp_path: Path
) -> None:
    fill(loose, line(1))
    loose.execute("UPDATE readings SET remark = CAST(X'5072fc66' AS TEXT)")
    loose.commit()
    ingest.pull(store, described("sqlite:///lab.sqlite", tmp_path))
    assert store.readings()["comment"].tolist() == ["Pr\\xfcf"]


def test_numbers_held_as_text(
    loose: sqlite3.Connection, store: ingest.Store, tmp_path: Path
) -> None:
    fill(loose, line(1, "2.010,5", torque="40,21"), line(2, 1990.5, torque=39.81))
    report = ingest.pull(
        store,
        described(
            "sqlite:///lab.sqlite", tmp_path, settings='key = ["id"]\ndecimal_mark = "comma"'
        ),
    )
    assert report.account.used == 2
    assert store.readings()["viscosity"].tolist() == [2010.5, 1990.5]
    assert store.readings()["torque"].tolist() == [40.21, 39.81]


def test_dates_held_as_text_need_their_order(
    loose: sqlite3.Connection, store: ingest.Store, tmp_path: Path
) -> None:
    fill(loose, line(1, at="03/04/2026 07:00"))
    with pytest.raises(ingest.IngestError, match=r"dmy \(day first\) or mdy"):
        ingest.pull(store, described("sqlite:///lab.sqlite", tmp_path))
    assert store.imports().empty
    settings = 'key = ["id"]\ndate_order = "dmy"'
    ingest.pull(store, described("sqlite:///lab.sqlite", tmp_path, settings=settings))
    assert store.readings()["at"].dt.month.tolist() == [4]


def test_units_of_columns(loose: sqlite3.Connection, store: ingest.Store, tmp_path: Path) -> None:
    loose.execute("ALTER TABLE readings ADD COLUMN t_f REAL DEFAULT 77.0")
    fill_all = "INSERT INTO readings (id, measured, charge_no, product, rep, eta, device) VALUES "
    loose.execute(fill_all + "(1, '2026-02-03T07:00', 'B1', 'P', 1, 2.0, 'V1')")
    loose.commit()
    source = described("sqlite:///lab.sqlite", tmp_path, 'temperature = "t_f"')
    path = tmp_path / "sources.toml"
    path.write_text(
        path.read_text().replace('viscosity = "mPa.s"', 'viscosity = "Pa.s"\ntemperature = "°F"'),
        encoding="utf-8",
    )
    source = ingest.find_source(path, "lims")
    ingest.pull(store, source)
    kept = store.readings()
    assert kept["viscosity"].tolist() == [2000.0]
    assert kept["temperature"].tolist() == pytest.approx([25.0])  # 77 °F by definition


def many(lab: Laboratory, n: int) -> None:
    """Fill the table with n rows, a reading a minute."""
    with lab.engine.begin() as connection:
        connection.exec_driver_sql("DELETE FROM readings")
        connection.exec_driver_sql(
            f"WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < {n}) "
            "INSERT INTO readings SELECT i, datetime('2026-01-05', '+' || i || ' minutes'), NULL, "
            "'B' || (i / 2), 'P-1', i % 2 + 1, 2000 + i % 97, NULL, 'V1', NULL FROM n"
        )


def test_a_hundred_thousand_rows_in_blocks(store: ingest.Store, tmp_path: Path) -> None:
    lab = Laboratory(f"sqlite:///{tmp_path / 'lab.sqlite'}", tmp_path)
    many(lab, 100_000)
    report = ingest.pull(store, lab.describe(settings='key = ["id"]'))
    assert (report.account.used, len(report.imports)) == (100_000, 5)
    assert report.closes
    assert int(store.batches()["n"].sum()) == 100_000
    lab.engine.dispose()


def test_memory_does_not_grow_with_the_source(tmp_path: Path) -> None:
    """Six times the rows, in blocks of one size: what Python holds at most is nearly the same."""
    lab = Laboratory(f"sqlite:///{tmp_path / 'lab.sqlite'}", tmp_path)
    peaks = []
    for n in (2_000, 2_000, 12_000):  # the first one loads what is loaded once
        many(lab, n)
        store = ingest.open_store(str(tmp_path / f"{len(peaks)}.sqlite"))
        tracemalloc.start()
        report = ingest.pull(store, lab.describe(settings='key = ["id"]'), block_rows=1_000)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert report.account.used == n
        store.close()
    lab.engine.dispose()
    assert peaks[2] < 1.5 * peaks[1], peaks


def test_the_first_rows_are_those_that_a_file_would_give(
    store: ingest.Store, tmp_path: Path
) -> None:
    """The same readings, once from a database and once from a file, in two stores."""
    lab = Laboratory(f"sqlite:///{tmp_path / 'lab.sqlite'}", tmp_path)
    rows = [row(n) for n in range(1, 101)]
    rows[16] |= {"eta": 19850.0}  # the torque says otherwise
    rows[17] |= {"torque": 4.0}
    rows[40] |= {"eta": None}
    lab.add(*rows)
    pulled = ingest.pull(store, lab.describe())
    names = ["measured", "charge_no", "product", "rep", "eta", "torque", "device"]
    heads = [
        "tested at",
        "batch",
        "product",
        "replicate",
        "viscosity mPa.s",
        "torque",
        "instrument",
    ]
    cells = [",".join("" if one[n] is None else str(one[n]) for n in names) for one in rows]
    raw = "\n".join([",".join(heads), *cells]).encode()
    answers = {"time_zone": "Europe/Berlin", "spindle": "S3", "speed": "20"}
    other = ingest.open_store(str(tmp_path / "file.sqlite"))
    read = other.add(ingest.read_bytes(raw, "same.csv", answers))
    assert pulled.account.set_aside == read.account.set_aside
    assert set(read.account.set_aside) == {"torque_disagrees", "below_range", "no_result"}
    columns = ["batch", "replicate", "at", "viscosity", "torque", "instrument", "reason"]
    mine, theirs = store.readings(aside=True)[columns], other.readings(aside=True)[columns]
    assert mine.equals(theirs)
    other.close()
    lab.engine.dispose()
