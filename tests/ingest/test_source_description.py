"""The file that describes sources: what is refused, in which words, and where passwords are."""

from datetime import timedelta
from pathlib import Path

import pytest

import ingest
from ingest import source_connection
from ingest.source_query import check_query

GOOD = """
[sources.lims]
url = "postgresql://reader@db.example/lims"
table = "qc.results"
time_zone = "Europe/Berlin"
key = ["id"]
watermark = "changed"
overlap = "7 days"
[sources.lims.columns]
tested_at = "measured"
batch = "charge"
viscosity = "eta"
[sources.lims.units]
viscosity = "mPa.s"
[sources.lims.constants]
product = "P-100"
speed = 20
"""


@pytest.fixture
def load(tmp_path: Path):
    def _load(text: str = GOOD) -> ingest.SourceDescription:
        path = tmp_path / "sources.toml"
        path.write_text(text, encoding="utf-8")
        return ingest.find_source(path, "lims")

    return _load


def test_a_description(load) -> None:
    source = load()
    assert source.shown == "postgresql+psycopg://reader@db.example/lims"
    assert (source.schema, source.table, source.query) == ("qc", "results", "")
    assert source.named == ("measured", "charge", "eta", "id", "changed")
    assert source.overlap == timedelta(days=7)
    assert source.answers == {
        "time_zone": "Europe/Berlin",
        "decimal_mark": "point",
        "product": "P-100",
        "speed": "20.0",
    }


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("reader@", "reader:secret@", "a password stands in the url"),
        ("/lims", "/lims?password=secret", "a password stands in the url"),
        ("/lims", "/lims?sslpassword=secret", "a password stands in the url"),
        ("postgresql://reader@db.example/lims", "db.example", "url is not the address"),
        ("reader@db.example/lims", "reader@host:port/lims", "url is not the address"),
        ('url = "postgresql://reader@db.example/lims"', "", "url is missing"),
        ('table = "qc.results"', "", "either a table or a query"),
        ("table =", "query = 'SELECT 1'\ntable =", "either a table or a query"),
        ("table =", "tabel =", "'tabel' means nothing here: use columns, compare_counts"),
        ('time_zone = "Europe/Berlin"', "", "time_zone is missing"),
        ("Europe/Berlin", "Mars/Olympus", "is not a known time zone"),
        ('key = ["id"]', "", "key is missing"),
        ('key = ["id"]', "key = 5", "key is to be a list of column names"),
        ('key = ["id"]', 'key = ["i\\u0000d"]', "key is to be a list of column names"),
        ('"7 days"', '"a week or so"', "overlap is to be a time"),
        ('"7 days"', "-1", "overlap is to be a time"),
        ('watermark = "changed"', "", "overlap has no sense without a watermark"),
        ('batch = "charge"', "", "columns says nothing about the batch"),
        ('tested_at = "measured"', "", "columns says nothing about the time"),
        ('batch = "charge"', 'batsh = "charge"', "'batsh', which is no column of ours"),
        ('batch = "charge"', 'batch = "eta"', "uses 'eta' twice"),
        ('batch = "charge"', "batch = 3", "columns.batch is to be the name of one column"),
        ('viscosity = "mPa.s"', 'viscosity = "KU"', "is no unit that can be converted"),
        ('viscosity = "mPa.s"', 'viscosity = "cSt"', "needs a density"),
        ('viscosity = "mPa.s"', "", "nothing says the unit of the viscosity"),
        ('viscosity = "mPa.s"', 'torque = "%"', "units.torque is to be the unit of a column"),
        ('product = "P-100"', "", "nothing says which product it is"),
        ("speed = 20", "speed = -1", "speed=-1 is not a positive number"),
        ("speed = 20", "sped = 1", "'sped' is nothing that can be set"),
        ("speed = 20", 'unit = "cP"', "does not belong there: use units.viscosity"),
        ("[sources.lims]", "[lims]\n[sources.lims]", "write [sources.lims]"),
        ("[sources.lims]", "[sources.lims", "is not a TOML file"),
        ("table =", "password = 'secret'\ntable =", "never the password itself"),
        ("table =", "password = {file = 'x'}\ntable =", "never the password itself"),
        ("table =", "compare_counts = 'no'\ntable =", "compare_counts is true or false"),
        ("table =", "date_order = 'ydm'\ntable =", "date_order=ydm is not known"),
    ],
)
def test_what_has_no_sense_is_refused_in_a_sentence(load, old: str, new: str, told: str) -> None:
    assert old in GOOD
    with pytest.raises(ingest.IngestError) as refused:
        load(GOOD.replace(old, new, 1))
    sentence = str(refused.value)
    assert told in sentence
    assert "sources.toml" in sentence
    assert "secret" not in sentence


@pytest.mark.parametrize(
    "query",
    [
        "SELECT a FROM t",
        "  select a from t where b = 'x; y' ",
        "SELECT a FROM t -- remark; with a mark's end\n",
        "SELECT a /* two; three */ FROM t",
        'SELECT "update", "into" FROM "drop"',
        "WITH n AS (SELECT 1 AS a) SELECT a FROM n",
        "SELECT 'it''s' AS a, b::text FROM t WHERE c LIKE '10:30%'",
        "SELECT last_update, created_by FROM t",
    ],
)
def test_a_select_is_accepted(query: str) -> None:
    check_query(query, "postgresql", "x")


@pytest.mark.parametrize(
    ("query", "told"),
    [
        ("SELECT 1; DROP TABLE t", "more than one statement"),
        ("SELECT 1 AS a; SELECT 2", "more than one statement"),
        ("DELETE FROM t", "is not a SELECT"),
        ("  /* SELECT */ UPDATE t SET a = 1", "is not a SELECT"),
        ("EXPLAIN ANALYZE SELECT 1", "is not a SELECT"),
        ("", "is not a SELECT"),
        ("WITH d AS (DELETE FROM t RETURNING a) SELECT a FROM d", "holds the word DELETE"),
        ("SELECT a INTO u FROM t", "holds the word INTO"),
        ("SELECT a FROM t INTO OUTFILE '/tmp/x'", "holds the word INTO"),
        ("SELECT a FROM t FOR UPDATE", "holds the word UPDATE"),
        ("SELECT 1) AS q; DROP TABLE t; --", "more than one statement"),
        ("SELECT 1) AS q UNION SELECT (2", "brackets"),
        ("SELECT 'open", "is not closed"),
        ("SELECT 1 /* open", "is not closed"),
        ("SELECT /*! SLEEP(1) */ 1", "hides statements"),
        ("SELECT $$'$$ ; DROP TABLE t; --'", r"quotes a text with \$ signs"),
    ],
)
def test_anything_else_is_refused(query: str, told: str) -> None:
    with pytest.raises(ingest.IngestError, match=told):
        check_query(query, "postgresql", "x")


def test_a_backslash_hides_nothing_where_it_escapes() -> None:
    with pytest.raises(ingest.IngestError, match="more than one statement"):
        check_query("SELECT 'a\\'b' ; DROP TABLE t -- '", "mariadb", "x")


def test_where_the_description_is_looked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("VISCOSITY_SPC_SOURCES", raising=False)
    store = f"sqlite:///{tmp_path / 'store.sqlite'}"
    users_own = ingest.sources_file(store)
    assert users_own.name == "sources.toml"
    assert users_own.parent != tmp_path
    (tmp_path / "sources.toml").write_text("")
    assert ingest.sources_file(store) == tmp_path / "sources.toml"
    assert ingest.sources_file("postgresql://u@h/d") == users_own
    monkeypatch.setenv("VISCOSITY_SPC_SOURCES", str(tmp_path / "other.toml"))
    assert ingest.sources_file(store) == tmp_path / "other.toml"
    assert ingest.sources_file(store, tmp_path / "named.toml") == tmp_path / "named.toml"


def test_no_such_source(tmp_path: Path) -> None:
    path = tmp_path / "sources.toml"
    with pytest.raises(ingest.IngestError, match="there is no such file"):
        ingest.find_source(path, "lims")
    path.write_text(GOOD)
    with pytest.raises(ingest.IngestError, match=r"it describes lims\)"):
        ingest.find_source(path, "other")
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ingest.IngestError, match="is not UTF-8 text"):
        ingest.load_sources(path)


def connect(source: ingest.SourceDescription) -> str:
    """The sentence that a connection fails with."""
    with (
        pytest.raises(ingest.SourceError) as told,
        source_connection.reading(source),
    ):
        pass
    return str(told.value)


def test_a_password_from_the_environment(load, monkeypatch: pytest.MonkeyPatch) -> None:
    given = 'password = { environment = "LIMS_PASSWORD" }\ntable ='
    text = GOOD.replace("table =", given).replace("db.example", "127.0.0.1:1")
    monkeypatch.delenv("LIMS_PASSWORD", raising=False)
    assert "LIMS_PASSWORD, which is not set" in connect(load(text))
    monkeypatch.setenv("LIMS_PASSWORD", "s3cret")
    sentence = connect(load(text))
    assert "does not answer: check the address" in sentence
    assert "s3cret" not in sentence
    assert "s3cret" not in repr(load(text))


def test_a_password_from_the_keyring(load, monkeypatch: pytest.MonkeyPatch) -> None:
    keyring = pytest.importorskip("keyring")
    text = GOOD.replace("table =", 'password = { keyring = "lims" }\ntable =')
    text = text.replace("db.example", "127.0.0.1:1")
    asked = []

    def held(service: str, user: str) -> str | None:
        asked.append((service, user))
        return None if len(asked) == 1 else "s3cret"

    monkeypatch.setattr(keyring, "get_password", held)
    assert "holds no password for lims and user reader" in connect(load(text))
    assert "does not answer: check the address" in connect(load(text))
    assert asked == [("lims", "reader")] * 2


def test_a_file_that_is_not_there(load, tmp_path: Path) -> None:
    text = GOOD.replace("postgresql://reader@db.example/lims", "sqlite:///no.sqlite")
    sentence = connect(load(text))
    assert f"there is no file {tmp_path / 'no.sqlite'}" in sentence
    assert not (tmp_path / "no.sqlite").exists()
    (tmp_path / "no.sqlite").write_text("this is no database, but it is long enough for a header")
    assert "is no SQLite database" in connect(load(text))


def test_a_driver_that_is_not_installed(load) -> None:
    sentence = connect(load(GOOD.replace("postgresql://", "postgresql+nodriver://")))
    assert "needs a database driver that is not there" in sentence
