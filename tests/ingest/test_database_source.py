"""Pulling from a database: late, changed and deleted rows, and the source never written to.

Each runs on SQLite, and on PostgreSQL and MariaDB where the environment names a server. Expected
numbers come from the rows that the test itself puts into the database.
"""

import hashlib
import json
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import sqlalchemy as sa

import ingest
from ingest import schema
from tests.ingest.laboratory import SETTINGS, START, Laboratory, row

OLD = START + timedelta(days=30)


@pytest.fixture(params=["sqlite", "postgresql", "mariadb"])
def lab(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Laboratory]:
    url = f"sqlite:///{tmp_path / 'lab.sqlite'}"
    if request.param != "sqlite":
        servers = {"postgresql": "postgres_source_url", "mariadb": "mariadb_url"}
        url = str(request.getfixturevalue(servers[request.param]))
    laboratory = Laboratory(url, tmp_path)
    yield laboratory
    laboratory.engine.dispose()


def values(store: ingest.Store) -> list[tuple[str, int, float]]:
    kept = store.readings()
    return sorted(zip(kept["batch"], kept["replicate"], kept["viscosity"], strict=True))


def expected(*rows: dict[str, object]) -> list[tuple[object, object, object]]:
    return sorted((one["charge_no"], one["rep"], one["eta"]) for one in rows)  # type: ignore[type-var]


def test_every_row_is_in_the_store_once_with_its_key(lab: Laboratory, store: ingest.Store) -> None:
    rows = [row(n) for n in range(1, 61)]
    lab.add(*rows)
    report = ingest.pull(store, lab.describe(), block_rows=25)
    assert (report.rows_seen, report.new, report.account.used) == (60, 60, 60)
    assert report.closes
    assert report.account.closes
    assert values(store) == expected(*rows)
    kept = store.readings()
    # Berlin is one hour ahead of UTC in January
    assert kept["at"].iloc[0] == datetime(2026, 1, 5, 6, 0, tzinfo=UTC)
    keys = ingest.source_keys(store, kept["id"].tolist())
    by_batch = {(one["charge_no"], one["rep"]): str(one["id"]) for one in rows}
    for number, batch, replicate in zip(kept["id"], kept["batch"], kept["replicate"], strict=True):
        assert keys[number] == by_batch[batch, replicate]
    assert [json.loads(key)[0] for key in kept["source_key"]] == [keys[n] for n in kept["id"]]
    assert len(report.imports) == 3  # blocks of 25
    assert ingest.verify(store) == []


def test_the_same_pull_twice_changes_nothing(lab: Laboratory, any_store: ingest.Store) -> None:
    lab.add(*(row(n) for n in range(1, 41)))
    ingest.pull(any_store, lab.describe())
    before, revision = any_store.readings(aside=True), any_store.revision()
    for everything in (False, True):
        again = ingest.pull(any_store, lab.describe(), everything=everything)
        assert (again.new, again.changed, again.gone, again.imports) == (0, 0, 0, ())
        assert again.closes
        assert any_store.readings(aside=True).equals(before)
        assert any_store.revision() == revision
    assert again.unchanged == 40


def test_only_rows_behind_the_watermark_are_looked_at(lab: Laboratory, store: ingest.Store) -> None:
    lab.add(*(row(n) for n in range(1, 201)))  # 100 hours
    ingest.pull(store, lab.describe())
    lab.add(row(201), row(202))
    report = ingest.pull(store, lab.describe())
    assert report.new == 2
    assert not report.everything
    behind = row(200)["changed"] - timedelta(days=2)
    assert report.rows_seen == sum(row(n)["changed"] >= behind for n in range(1, 203))


def test_late_rows_within_the_overlap_come_in(lab: Laboratory, store: ingest.Store) -> None:
    lab.add(*(row(n) for n in range(1, 101) if n != 60))
    ingest.pull(store, lab.describe())
    lab.add(row(60))  # changed as long ago as its measurement
    report = ingest.pull(store, lab.describe())
    assert (report.new, report.everything) == (1, False)
    assert values(store) == expected(*(row(n) for n in range(1, 101)))


def test_rows_dated_back_beyond_the_overlap_come_in(lab: Laboratory, store: ingest.Store) -> None:
    lab.add(*(row(n) for n in range(1, 201) if n != 3))
    ingest.pull(store, lab.describe())
    lab.add(row(3))  # 99 hours back, where the overlap is 48
    report = ingest.pull(store, lab.describe())
    assert (report.new, report.everything) == (1, True)
    assert any("200 rows where 199 were known" in note for note in report.notes)
    assert values(store) == expected(*(row(n) for n in range(1, 201)))
    assert not ingest.pull(store, lab.describe()).everything


def test_rows_without_a_watermark_come_in(lab: Laboratory, store: ingest.Store) -> None:
    lab.add(row(1), row(2, changed=None))
    ingest.pull(store, lab.describe())
    lab.add(row(4, changed=None))
    report = ingest.pull(store, lab.describe())
    assert report.new == 1
    assert values(store) == expected(row(1), row(2), row(4))


def test_a_watermark_in_the_future_does_not_stop_the_source(
    lab: Laboratory, store: ingest.Store
) -> None:
    future = datetime.now(UTC).replace(tzinfo=None) + timedelta(days=3000)
    lab.add(row(1), row(2, changed=future))
    first = ingest.pull(store, lab.describe())
    assert first.watermark_after.startswith("2026-01-05")
    lab.add(row(3))
    assert ingest.pull(store, lab.describe()).new == 1


def test_a_changed_value_is_shown_and_neither_is_used(lab: Laboratory, store: ingest.Store) -> None:
    lab.add(*(row(n) for n in range(1, 11)))
    ingest.pull(store, lab.describe())
    lab.change(7, eta=1985.5, torque=39.71, changed=OLD)
    report = ingest.pull(store, lab.describe())
    assert (report.changed, report.new, report.account.set_aside) == (1, 0, {"conflict": 1})
    change = report.changes[0]
    assert (change.key, change.kind, change.batch) == ({"id": "7"}, "changed", "B0004")
    old = row(7)["eta"]
    assert float(change.cells["eta"][0]) == old
    assert float(change.cells["eta"][1]) == 1985.5
    assert "Row id 7 (batch B0004) was changed in the source: eta was" in change.sentence
    kept = store.readings(aside=True)
    both = kept[(kept["batch"] == "B0004") & (kept["replicate"] == 1)]
    assert sorted(both["viscosity"]) == sorted([old, 1985.5])
    assert set(both["reason"]) == {"conflict"}
    told = ingest.source_changes(store, "lims")
    assert set(told["column"]) == {"eta", "torque"}
    assert ingest.pull(store, lab.describe()).changed == 0  # said once
    assert ingest.verify(store) == []


def test_a_changed_remark_changes_no_number(lab: Laboratory, store: ingest.Store) -> None:
    lab.add(*(row(n) for n in range(1, 5)))
    ingest.pull(store, lab.describe())
    before = values(store)
    lab.change(2, remark="looked at by the shift lead", changed=OLD)
    report = ingest.pull(store, lab.describe())
    assert report.changed == 1
    assert report.account.set_aside == {} or report.account.set_aside == {"other_remarks": 1}
    assert values(store) == before


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"charge_no": "B0099"}, "charge_no was B0001, is B0099"),
        ({"product": "P-200"}, "product was P-100, is P-200"),
        ({"measured": OLD}, "measured was"),
        ({"rep": 9}, "rep was 1, is 9"),
        ({"device": None}, "device was V1, is empty"),
    ],
)
def test_a_row_that_became_another_reading_does_not_count_twice(
    lab: Laboratory, store: ingest.Store, change: dict[str, object], told: str
) -> None:
    lab.add(row(1), row(2))
    ingest.pull(store, lab.describe())
    before = values(store)
    lab.change(1, **change, changed=OLD)
    report = ingest.pull(store, lab.describe())
    assert report.account.set_aside == {"changed_in_source": 1}
    assert values(store) == before  # what was pulled first stands until a person decides
    aside = store.set_aside()
    assert told in aside["detail"].iloc[0]
    assert ingest.verify(store) == []


def test_a_touched_row_is_no_change(lab: Laboratory, store: ingest.Store) -> None:
    lab.add(row(1), row(2))
    ingest.pull(store, lab.describe())
    lab.change(1, changed=OLD)
    report = ingest.pull(store, lab.describe())
    assert (report.changed, report.imports) == (0, ())
    assert report.watermark_after.startswith(str(OLD.date()))
    assert ingest.sources(store)["watermark"].iloc[0].startswith(str(OLD.date()))


def test_a_change_without_a_new_watermark_is_found_by_comparing_all(
    lab: Laboratory, store: ingest.Store
) -> None:
    lab.add(*(row(n) for n in range(1, 201)))
    ingest.pull(store, lab.describe())
    lab.change(5, eta=1990.0)
    assert ingest.pull(store, lab.describe()).changed == 0
    report = ingest.pull(store, lab.describe(), everything=True)
    assert (report.changed, report.unchanged) == (1, 199)


def test_deleted_rows_are_said_and_stay(lab: Laboratory, store: ingest.Store) -> None:
    rows = [row(n) for n in range(1, 21)]
    lab.add(*rows)
    ingest.pull(store, lab.describe())
    lab.delete(3, 4)
    report = ingest.pull(store, lab.describe())
    assert report.gone == 2
    assert [change.kind for change in report.changes] == ["gone", "gone"]
    assert "id 3 (batch B0002) is not in the source any more" in report.changes[0].sentence
    assert values(store) == expected(*rows)
    assert ingest.sources(store)["n_gone"].tolist() == [2]
    assert ingest.pull(store, lab.describe()).gone == 0  # said once
    lab.add(row(3))
    again = ingest.pull(store, lab.describe())
    assert (again.back, again.new, again.imports) == (1, 0, ())
    assert values(store) == expected(*rows)
    assert ingest.sources(store)["n_gone"].tolist() == [1]
    # in the journal too
    with store.reading() as connection:
        told = list(connection.execute(sa.select(schema.JOURNAL)).mappings())
    gone = [json.loads(one["new"]) for one in told if one["what"].startswith("rows of a source")]
    assert gone[0]["gone"] == [["3"], ["4"]]


def test_two_sources_keep_apart(lab: Laboratory, store: ingest.Store) -> None:
    lab.add(*(row(n) for n in range(1, 11)))
    narrow = "query = 'SELECT * FROM readings WHERE id <= 4'"
    assert ingest.pull(store, lab.describe("first", relation=narrow)).new == 4
    report = ingest.pull(store, lab.describe("second"))
    assert (report.new, report.account.used, report.account.duplicates) == (10, 6, 4)
    assert values(store) == expected(*(row(n) for n in range(1, 11)))
    assert ingest.sources(store)["name"].tolist() == ["first", "second"]
    assert ingest.pull(store, lab.describe("first", relation=narrow)).unchanged == 4


def test_an_undone_pull_is_pulled_again_only_when_asked_for(
    lab: Laboratory, store: ingest.Store
) -> None:
    rows = [row(n) for n in range(1, 11)]
    lab.add(*rows)
    first = ingest.pull(store, lab.describe())
    ingest.undo_import(store, first.imports[0], "rows of a trial")
    assert ingest.pull(store, lab.describe()).new == 0
    assert values(store) == []
    report = ingest.pull(store, lab.describe(), everything=True)
    assert (report.new, report.changed) == (10, 0)
    assert values(store) == expected(*rows)
    assert ingest.verify(store) == []


def test_a_description_that_reads_otherwise_is_refused(
    lab: Laboratory, store: ingest.Store
) -> None:
    lab.add(row(1), row(2))
    first = ingest.pull(store, lab.describe())
    other = lab.describe(settings=f'decimal_mark = "comma"\n{SETTINGS}')
    with pytest.raises(ingest.IngestError, match="decimal_mark was point, is comma") as refused:
        ingest.pull(store, other)
    assert f"Undo those imports first ({first.imports[0]})" in str(refused.value)
    ingest.undo_import(store, first.imports[0], "the decimal mark was wrong")
    assert ingest.pull(store, other).new == 2


def test_a_further_column_of_remarks_is_no_change(lab: Laboratory, store: ingest.Store) -> None:
    lab.run("ALTER TABLE readings ADD COLUMN shift_name VARCHAR(20)")
    lab.add(row(1), row(2))
    ingest.pull(store, lab.describe())
    wider = lab.describe(columns='shift = "shift_name"')
    assert ingest.pull(store, wider, everything=True).unchanged == 2
    lab.add(row(3))
    lab.run("UPDATE readings SET shift_name = 'early' WHERE id = 3")
    assert ingest.pull(store, wider).new == 1
    assert store.readings()["shift"].tolist() == ["", "", "early"]


def test_what_a_pull_leaves_behind(lab: Laboratory, store: ingest.Store) -> None:
    lab.add(*(row(n) for n in range(1, 5)))
    source = lab.describe()
    first = ingest.pull(store, source)
    lab.add(row(5))
    second = ingest.pull(store, source)
    with store.reading() as connection:
        pulled = connection.execute(
            sa.select(schema.PULLED_IMPORTS).order_by(schema.PULLED_IMPORTS.c.import_id)
        ).mappings()
        pulled = [dict(one) for one in pulled]
        journal = connection.execute(sa.select(schema.JOURNAL).order_by("id")).mappings()
        entries = [dict(one) for one in journal]
    assert [one["import_id"] for one in pulled] == [first.imports[0], second.imports[0]]
    assert pulled[0]["watermark_before"] == ""
    assert pulled[0]["watermark_after"] == pulled[1]["watermark_before"]
    for one in pulled:
        assert one["query_digest"] == hashlib.sha256(one["query"].encode()).hexdigest()
        assert "readings" in one["query"]
    assert [entry["what"] for entry in entries] == ["source pulled", "source pulled"]
    said = json.loads(entries[0]["new"])
    assert said["account"]["used"] == 4
    assert said["query"] == pulled[0]["query_digest"]
    imports = store.imports()
    assert set(imports["source"]) == {"lims"}


def test_a_row_that_was_pulled_and_is_gone_is_found(
    lab: Laboratory, any_store: ingest.Store
) -> None:
    lab.add(*(row(n) for n in range(1, 5)))
    ingest.pull(any_store, lab.describe())
    assert ingest.verify(any_store) == []
    with any_store.writing() as connection:
        connection.exec_driver_sql("DELETE FROM pulled_rows WHERE line = 2")
    assert ingest.verify(any_store) == [
        "Import 1: 4 rows were pulled, 3 are kept.",
        "Sources: 1 rows point to no row that was pulled.",
    ]


def test_a_copy_of_the_store_goes_on_pulling(
    lab: Laboratory, any_store: ingest.Store, tmp_path: Path
) -> None:
    lab.add(*(row(n) for n in range(1, 5)))
    ingest.pull(any_store, lab.describe())
    ingest.backup(any_store, tmp_path / "copy.sqlite")
    restored = ingest.restore(tmp_path / "copy.sqlite", str(tmp_path / "restored.sqlite"))
    lab.add(row(5))
    report = ingest.pull(restored, lab.describe())
    assert (report.new, report.everything) == (1, False)
    assert ingest.verify(restored) == []
    restored.close()


def test_the_source_is_never_written_to(lab: Laboratory, store: ingest.Store) -> None:
    lab.add(*(row(n) for n in range(1, 11)))
    before = lab.content()
    source = lab.describe()
    ingest.pull(store, source)
    assert lab.content() == before
    from ingest import source_connection

    for statement in (
        "DELETE FROM readings",
        "INSERT INTO readings (id, measured) VALUES (99, '2026-01-01 00:00:00')",
        "DROP TABLE readings",
        "CREATE TABLE elsewhere (x INT)",
    ):
        with (
            pytest.raises(ingest.SourceError, match="a source is only read"),
            source_connection.reading(source) as connection,
        ):
            connection.exec_driver_sql(statement)
    assert lab.content() == before


def test_others_go_on_writing_to_the_source_meanwhile(lab: Laboratory, store: ingest.Store) -> None:
    lab.add(*(row(n) for n in range(1, 41)))

    def write(seen: int) -> None:
        lab.change(40, remark=f"seen {seen}")
        if seen == 10:
            lab.add(row(41))

    report = ingest.pull(store, lab.describe(), block_rows=10, progress=write)
    assert report.new == 40  # as it was when the pull began
    assert ingest.pull(store, lab.describe()).new == 1


INJECTED = 'readings"; DROP TABLE readings; --'


@pytest.mark.parametrize(
    "name", [INJECTED, "readings; DROP TABLE readings", "readings` -- ", "x')"]
)
def test_a_table_or_column_with_sql_in_its_name_does_nothing(
    lab: Laboratory, store: ingest.Store, name: str
) -> None:
    lab.add(row(1))
    quoted = json.dumps(name)
    with pytest.raises(ingest.SourceError, match="has no table of that name"):
        ingest.pull(store, lab.describe(relation=f"table = {quoted}"))
    with pytest.raises(ingest.IngestError, match="has no column"):
        ingest.pull(store, lab.describe(columns=f"operator = {quoted}"))
    settings = f'key = ["id", {quoted}]'
    with pytest.raises(ingest.IngestError, match="has no column"):
        ingest.pull(store, lab.describe(settings=settings))
    assert len(lab.content()) == 1
    assert store.imports().empty


def test_columns_with_odd_names_are_quoted(lab: Laboratory, store: ingest.Store) -> None:
    mark = "`" if lab.kind in ("mysql", "mariadb") else '"'
    lab.add(row(1))
    lab.run(f"ALTER TABLE readings ADD COLUMN {mark}order by; % :x{mark} VARCHAR(20) DEFAULT 'HV'")
    ingest.pull(store, lab.describe(columns='operator = "order by; % :x"'))
    assert store.readings()["operator"].tolist() == ["HV"]


def test_a_query_with_joins_percent_signs_and_colons(lab: Laboratory, store: ingest.Store) -> None:
    lab.add(*(row(n) for n in range(1, 7)), row(7, remark="10:30 % done"))
    lab.run("CREATE TABLE names (device VARCHAR(20), label VARCHAR(20))")
    lab.run("INSERT INTO names VALUES ('V1', 'V-one')")
    query = """query = '''
        -- the newest first; with a remark that isn't closed
        SELECT r.id, measured, changed, charge_no, product, rep, eta, torque, n.label AS device,
               remark
        FROM readings r JOIN names n ON n.device = r.device
        WHERE remark LIKE '%: %%' OR remark LIKE '10:30 %' OR remark IS NULL
        ORDER BY r.id DESC -- last
    '''"""
    report = ingest.pull(store, lab.describe(relation=query))
    assert report.new == 7
    assert set(store.readings()["instrument"]) == {"V-one"}
    assert store.readings()["comment"].tolist()[-1] == "10:30 % done"


@pytest.mark.parametrize(
    ("parts", "message"),
    [
        ({"relation": 'table = "nothing"'}, "has no table of that name"),
        ({"columns": 'operator = "who"'}, "its table readings has no column 'who'; it has id, "),
        ({"relation": "query = 'SELECT id, eta FROM readings'"}, "its query has no column"),
        ({"relation": "query = 'SELECT nonsense FROM readings'"}, "has no column of a name"),
        ({"relation": "query = 'SELECT FROM WHERE'"}, "does not understand the query"),
        ({"settings": 'key = ["product"]'}, "does not tell its rows apart"),
        ({"settings": 'key = ["remark"]'}, "a row has no remark"),
        ({"settings": 'key = ["id"]\nwatermark = "changed"\noverlap = 5'}, "does not go with"),
        ({"settings": 'key = ["id"]\nwatermark = "id"\noverlap = "2 days"'}, "does not go with"),
    ],
)
def test_a_description_that_does_not_fit(
    lab: Laboratory, store: ingest.Store, parts: dict[str, str], message: str
) -> None:
    lab.add(row(1), row(2))
    source = lab.describe(**parts)

    def twice() -> None:
        ingest.pull(store, source)
        ingest.pull(store, source)  # an overlap is looked at by the second pull

    with pytest.raises(ingest.IngestError, match=message) as told:
        twice()
    assert "Traceback" not in str(told.value)
    assert "\n" not in str(told.value)


def test_a_watermark_that_counts(lab: Laboratory, store: ingest.Store) -> None:
    settings = 'key = ["id"]\nwatermark = "id"\noverlap = 10\n'
    lab.add(*(row(n) for n in range(1, 101) if n not in (95, 20)))
    assert ingest.pull(store, lab.describe(settings=settings)).watermark_after == "100"
    lab.add(row(95))
    report = ingest.pull(store, lab.describe(settings=settings))
    assert (report.new, report.everything, report.rows_seen) == (1, False, 11)
    lab.add(row(20))
    report = ingest.pull(store, lab.describe(settings=settings))
    assert (report.new, report.everything, report.rows_seen) == (1, True, 100)


def test_without_a_watermark_all_rows_are_compared(lab: Laboratory, store: ingest.Store) -> None:
    lab.add(*(row(n) for n in range(1, 11)))
    assert ingest.pull(store, lab.describe(settings='key = ["id"]')).new == 10
    lab.delete(10)
    lab.add(row(11))
    report = ingest.pull(store, lab.describe(settings='key = ["id"]'))
    assert (report.new, report.unchanged, report.gone, report.everything) == (1, 9, 1, True)


def test_another_watermark_compares_all_rows(lab: Laboratory, store: ingest.Store) -> None:
    lab.add(*(row(n) for n in range(1, 11)))
    ingest.pull(store, lab.describe())
    for settings in ('key = ["id"]\nwatermark = "id"', 'key = ["id"]'):
        report = ingest.pull(store, lab.describe(settings=settings))
        assert (report.everything, report.unchanged, report.new) == (True, 10, 0)


def test_two_pulls_of_one_source_at_once(lab: Laboratory, any_store: ingest.Store) -> None:
    rows = [row(n) for n in range(1, 31)]
    lab.add(*rows)
    other = ingest.open_store(any_store.url)
    reports = []

    def meanwhile(seen: int) -> None:
        if not reports:
            reports.append(ingest.pull(other, lab.describe()))

    with pytest.raises(ingest.IngestError, match="by another program at the same time"):
        ingest.pull(any_store, lab.describe(), progress=meanwhile)
    other.close()
    assert values(any_store) == expected(*rows)
    assert ingest.pull(any_store, lab.describe(), everything=True).unchanged == 30
    assert any_store.imports()["duplicates"].sum() == 0
    assert ingest.verify(any_store) == []


def test_a_key_of_two_columns(lab: Laboratory, store: ingest.Store) -> None:
    lab.add(*(row(n) for n in range(1, 11)))
    settings = 'key = ["charge_no", "rep"]'
    assert ingest.pull(store, lab.describe(settings=settings)).new == 10
    lab.change(10, eta=2010.0)
    report = ingest.pull(store, lab.describe(settings=settings))
    assert report.changes[0].key == {"charge_no": "B0005", "rep": "2"}


def test_hostile_text_stays_text(lab: Laboratory, store: ingest.Store) -> None:
    words = [
        "'; DROP TABLE results; --",
        '=HYPERLINK("http://x")',
        "<script>alert(1)</script>",
        'two\nlines, "quoted"; and\ttabs',
        "{{ 7*7 }} %s %(x)s :y",
        "viscosity",
    ]
    lab.add(*(row(n, remark=text) for n, text in enumerate(words, start=1)))
    report = ingest.pull(store, lab.describe())
    assert report.account.used == len(words)
    assert sorted(store.readings()["comment"]) == sorted(words)
    assert ingest.verify(store) == []


def test_columns_that_are_mixed_up(lab: Laboratory, store: ingest.Store) -> None:
    lab.add(*(row(n, remark="as usual") for n in range(1, 11)))
    mixed = lab.write_description()
    text = mixed.read_text().replace('"eta"', '"charge"').replace('"charge_no"', '"eta"')
    text = text.replace('"charge"', '"charge_no"')
    mixed.write_text(text)
    with pytest.raises(ingest.IngestError, match="not one of its first 10 rows gives a reading"):
        ingest.pull(store, ingest.find_source(mixed, "lims"))
    assert store.imports().empty
    assert ingest.sources(store).empty


@pytest.mark.parametrize("lab", ["postgresql", "mariadb"], indirect=True)
def test_a_connection_that_is_cut(
    lab: Laboratory, store: ingest.Store, caplog: pytest.LogCaptureFixture
) -> None:
    long = "x" * 8_000  # so that not all of it is on its way already
    lab.add(*(row(n, remark=long) for n in range(1, 3001)))
    cut: list[int] = []

    def kill(seen: int) -> None:
        if seen < 800 or cut:
            return
        with lab.engine.connect() as connection:
            if lab.kind == "postgresql":
                others = (
                    "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
                    "WHERE datname = current_database() AND pid <> pg_backend_pid()"
                )
                cut.extend(connection.exec_driver_sql(others).scalars())
            else:
                others = (
                    "SELECT id FROM information_schema.processlist "
                    "WHERE db = database() AND id <> connection_id()"
                )
                for number in connection.exec_driver_sql(others).scalars().all():
                    connection.exec_driver_sql(f"KILL {int(number)}")
                    cut.append(number)

    with pytest.raises(ingest.SourceError, match="does not answer any more") as told:
        ingest.pull(store, lab.describe(), block_rows=400, progress=kill)
    assert cut
    assert not caplog.records  # no driver tells its own story beside the sentence
    found = re.search(r"it runs\. (\d+) rows are stored", str(told.value))
    assert found
    stored = int(found[1])  # what was on its way when the connection was cut still came
    assert stored in range(800, 3000, 400)
    assert len(store.readings()) == stored
    assert ingest.pull(store, lab.describe()).new == 3000 - stored
    assert values(store) == expected(*(row(n) for n in range(1, 3001)))


def test_pulling_says_how_far_it_is(lab: Laboratory, store: ingest.Store) -> None:
    lab.add(*(row(n) for n in range(1, 41)))
    told: list[int] = []
    ingest.pull(store, lab.describe(), block_rows=10, progress=told.append)
    assert told == [10, 20, 30, 40]


def test_an_empty_source(lab: Laboratory, store: ingest.Store) -> None:
    report = ingest.pull(store, lab.describe())
    assert (report.rows_seen, report.imports) == (0, ())
    assert report.closes
    assert ingest.sources(store)["name"].tolist() == ["lims"]
    lab.add(row(1))
    assert ingest.pull(store, lab.describe()).new == 1
