"""A file is read block by block: where the blocks end changes nothing of what is understood."""

import csv
import io
import random
import statistics
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import sqlalchemy as sa

import ingest
from ingest import checks, importing, schema, text_blocks
from ingest.aliases import Alias
from ingest.checks import Factor
from ingest.errors import IngestError
from ingest.layouts import Layout
from ingest.profiles import Profile
from ingest.row_checks import Usual

HEAD = (
    "timestamp,batch,product,instrument,spindle,speed_rpm,torque_pct,temp_C,viscosity,unit,"
    "replicate,sample_type,status,comment,spare,spare"
)
BLOCKS = (600, 6_000)  # bytes, where the files have about 20 kB


def lines(
    seed: int,
    n: int,
    form: str = "%Y-%m-%dT%H:%M:%S",
    begin: datetime = datetime(2025, 10, 25, 20),
    minutes: int = 7,
    awkward: float = 0.2,
) -> list[str]:
    """Rows of a plant in which many are repeated, contradicted, measured again or damaged."""
    chance = random.Random(seed)
    held: list[list[str]] = []
    found = []
    for k in range(n):
        begin += timedelta(minutes=minutes)
        value = chance.gauss(1000, 30)
        cells = [begin.strftime(form), f"B{k // 2:03d}", f"P{k // 2 % 3}", "V1", "S1", "20"]
        cells += [f"{value / 50:.1f}", "25.0", f"{value:.0f}", "cP", str(k % 2 + 1)]
        cells += ["product", "valid", "", "", ""]
        earlier = list(chance.choice(held)) if held else cells
        odd = {
            0: {8: "<500"},
            1: {8: "OVER"},
            2: {8: "n/a"},
            3: {13: '"two\nlines, of ""text"""'},
            4: {13: '"open'},
            5: {13: "x,y"},
            6: {13: "te\0st"},
            7: {8: f"{value * 10:.0f}"},
            8: {14: "text that means nothing to us"},
            9: {15: "more of it"},
            10: {1: "TEST 3"},
            11: {6: "5.0"},
            12: {7: "warm"},
            13: {0: "2025-02-30T10:00"},
        }
        kind = chance.randrange(19) if chance.random() < awkward else -1
        if kind in odd:
            cells = [odd[kind].get(place, cell) for place, cell in enumerate(cells)]
        elif kind == 14:
            cells = earlier  # a duplicate
        elif kind == 15:
            cells = [*earlier[:8], str(int(earlier[8]) + 3), *earlier[9:]]  # a conflict
        elif kind == 16:
            cells = [*earlier[:13], "foam", *earlier[14:]]  # the same with another remark
        elif kind == 17:
            cells = [begin.strftime(form), *earlier[1:]]  # measured again later
        elif kind == 18:
            cells = [[""] * 16, ["  "], HEAD.split(","), cells[:5]][chance.randrange(4)]
        else:
            held.append(cells)
        found.append(",".join(cells))
    return found


def late(text: str) -> list[str]:
    """Rows that leave open how dates and numbers are written, and at last one that decides."""
    rows = lines(16, 150, "%d/%m/%Y %H:%M", datetime(2025, 3, 3), 1, awkward=0)
    return [*rows, text.join(("", ",B999,P1,V1,S1,20,20.0,25.0,1000,cP,1,product,valid,,,"))]


def grouped_late() -> list[str]:
    """Thousands without a mark, and behind them some that may be thousands with one."""
    rows = [row.split(",") for row in lines(15, 200, awkward=0)]
    for row in rows[150::5]:
        row[8] = '"2,010"'
    return [",".join(row) for row in rows]


def far_apart() -> list[str]:
    """Replicates of a batch all over the file, some missing and some twice; far-off values."""
    rows = lines(17, 300, awkward=0.1)
    random.Random(18).shuffle(rows)
    cells = [row.split(",") for row in rows[20:]]
    for place, row in enumerate(cells):
        if len(row) == 16 and place % 23 == 0:
            row[8], row[6] = (f"{float(row[8]) * (1000 if place % 2 else 10):.0f}", "")
            row[7] = "250"
        if len(row) == 16 and place % 31 == 0:
            row[10] = "3"
    return [",".join(row) for row in cells]


def clock_reset() -> list[str]:
    """Few rows of a clock that was wrong, the first and the last of a file."""
    odd = [row.replace("2025-", "2010-") for row in lines(19, 12, awkward=0)]
    return [*odd[:2], *lines(20, 250), *odd[2:]]


BEFORE = Layout(
    tuple(HEAD.replace("comment", "remark").split(",")),
    {"remark": "comment"},
    {"remark": {"texts": ["foam"], "forms": ["a"]}},
)
SITE = ingest.Site(
    profile=Profile("lab", {}, (BEFORE,)),
    products=frozenset({"P-0", "P3"}),
    aliases={"P1": Alias("P-1", "2025-01-01T00:00:00", "A")},
    methods=(
        ingest.Method(
            "M", spindle="S1", speed=20.0, set_temperature=25.0, temperature_tolerance=0.1,
            replicates=2, torque_low=19.6,
        ),
    ),
    factors={("V1", "S1", "20"): Factor(50.0, 100)},
    usual={("P2", "product", "S1", "20"): Usual(1000.0, 100)},
    targets={"P0": 1000.0, "P-1": 1001.0},
)  # fmt: skip
OTHER = ingest.read_bytes("\n".join([HEAD, *lines(1, 200)[::-1]]).encode(), "y.csv")
SITES = {"known to the store": SITE, "asked by the store": SITE}
WITHOUT_REPLICATES = HEAD.replace("replicate", "nothing")
FILES: dict[str, tuple[str, list[str], dict[str, str]]] = {
    "awkward": (HEAD, lines(24, 300, awkward=0.35), {}),
    "without replicates": (WITHOUT_REPLICATES, lines(2, 300), {}),
    "without times": (WITHOUT_REPLICATES.replace("timestamp", "foo"), lines(3, 300), {}),
    "newest first over the end of summer time": (
        HEAD,
        lines(4, 300, minutes=3, begin=datetime(2025, 10, 25, 23))[::-1],
        {"time_zone": "Europe/Berlin"},
    ),
    "the hour twice": (
        HEAD,
        lines(5, 150, minutes=2, begin=datetime(2025, 10, 25, 23), awkward=0)
        + lines(6, 100, minutes=1, begin=datetime(2025, 10, 26, 2), awkward=0),
        {"time_zone": "Europe/Berlin"},
    ),
    "a date that decides at last": (HEAD, late("25/03/2025 10:00"), {}),
    "the other order at last": (HEAD, late("03/25/2025 10:00"), {}),
    "both orders at last": (HEAD, [*late("25/03/2025 10:00"), late("03/25/2025 11:00")[-1]], {}),
    "no date decides": (HEAD, late("03/04/2025 10:00"), {}),
    "doubtful thousands at last": (HEAD, grouped_late(), {}),
    "far apart": (HEAD, far_apart(), {}),
    "a clock that was reset": (HEAD, clock_reset(), {}),
    "known to the store": (
        HEAD,
        far_apart(),
        {"renamed:remark": "comment", "product_alias:P0": "P0"},
    ),
    "asked by the store": (HEAD, far_apart(), {}),
    "without torque": (HEAD.replace("torque", "foo"), far_apart(), {}),
    "two tables": (
        HEAD,
        [*lines(7, 150), "", HEAD.replace("timestamp", "date"), *lines(8, 99)],
        {},
    ),
    "an empty cell more": (HEAD, [row + "," for row in lines(9, 200, awkward=0)], {}),
    "filled cells more at last": (
        HEAD,
        [*lines(10, 20, awkward=0), *(f"{row}9" for row in lines(11, 300, awkward=0))],
        {},
    ),
}


def content(name: str) -> bytes:
    head, rows, _ = FILES[name]
    return ("\n".join(["a report", head, *rows]) + "\n").encode()


def told(reading: ingest.FileReading) -> tuple[object, ...]:
    """All that a reading says."""
    rows = reading.rows.astype(object) if not reading.questions else None
    return (
        reading.questions,
        reading.understood,
        reading.notes,
        reading.account,
        reading.not_parsed,
        None if rows is None else rows.map(str).to_dict("list"),
        reading.set_aside.astype(object).map(str).to_dict("list"),
        reading.findings,
        reading.layout,
        reading.change,
        reading.answers,
    )


def stored(url: str) -> dict[str, list[tuple[object, ...]]]:
    """Every row of every table, but for the times of the imports and what hangs on them."""
    engine = sa.create_engine(url)
    held = {}
    with engine.connect() as connection:
        for table in schema.METADATA.sorted_tables:
            columns = [
                column for column in table.columns if column.name not in ("at", "hash", "previous")
            ]
            keys = [*table.primary_key.columns] or columns
            rows = connection.execute(sa.select(*columns).order_by(*keys))
            held[table.name] = [
                tuple(bytes(v) if isinstance(v, memoryview) else v for v in row)
                for row in rows
                if row[0] != "journal_head"
            ]
    engine.dispose()
    return held


def outcome(name: str, url: str) -> tuple[object, ...]:
    """What comes of a file that is imported twice, with another file between."""
    try:
        reading = ingest.read_bytes(content(name), "x.csv", FILES[name][2], SITES.get(name))
    except IngestError as error:
        return (str(error),)
    if reading.questions:
        return told(reading)
    with_store: list[object] = []
    store = ingest.open_store(url)
    for one in (reading, OTHER, reading):
        report = store.add(one)
        with_store += [report.account, report.notes]
    assert ingest.verify(store) == []
    store.close()
    return (*told(reading), *with_store, stored(url))


@pytest.fixture(scope="module")
def in_one_block(
    tmp_path_factory: pytest.TempPathFactory,
) -> dict[str, tuple[object, ...]]:
    """What comes of each file where it is read as one block."""
    folder = tmp_path_factory.mktemp("one")
    return {
        name: outcome(name, f"sqlite:///{folder / str(number)}")
        for number, name in enumerate(FILES)
    }


@pytest.mark.parametrize("size", BLOCKS)
@pytest.mark.parametrize("name", FILES)
def test_where_blocks_end_changes_nothing(
    name: str,
    size: int,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    in_one_block: dict[str, tuple[object, ...]],
) -> None:
    monkeypatch.setattr(text_blocks, "BLOCK_BYTES", size)
    monkeypatch.setattr(importing, "_CHUNK", size // 100)
    monkeypatch.setattr(checks, "_ROWS_AT_ONCE", size // 100)
    assert outcome(name, f"sqlite:///{tmp_path / 'store'}") == in_one_block[name]


def test_the_files_above_are_as_awkward_as_they_are_meant(
    in_one_block: dict[str, tuple[object, ...]],
) -> None:
    """Otherwise nothing would be compared."""
    account = in_one_block["awkward"][11]
    assert isinstance(account, ingest.RowAccount)
    assert account.duplicates > 5
    assert account.conflicts > 0
    assert {"retest", "torque_disagrees", "over_range", "conflict"} <= account.set_aside.keys()
    assert {"open_quote", "too_many_fields", "nul_byte"} <= account.not_parsed.keys()
    assert any("twice" in note for note in in_one_block["the hour twice"][2])  # type: ignore[attr-defined]
    assert "doubtful thousands at last" in in_one_block
    assert "ambiguous_number" in in_one_block["doubtful thousands at last"][11].set_aside  # type: ignore[attr-defined]
    far = in_one_block["far apart"][11].remarks  # type: ignore[attr-defined]
    assert {"odd_temperature", "replicate_gap", "replicate_again"} <= far.keys()
    assert in_one_block["without torque"][11].set_aside["impossible_value"] > 0  # type: ignore[attr-defined]
    assert in_one_block["a clock that was reset"][11].set_aside["date_out_of_window"] >= 12  # type: ignore[attr-defined]
    known = in_one_block["known to the store"][11]
    assert isinstance(known, ingest.RowAccount)
    assert known.set_aside["off_temperature"] > 0
    assert known.remarks["replicate_count"] > 0
    fields = [q.field for q in in_one_block["asked by the store"][0]]  # type: ignore[attr-defined]
    assert fields == ["renamed:remark", "product_alias:P0"]
    assert "two orders" in str(in_one_block["both orders at last"][0])
    assert [q.field for q in in_one_block["no date decides"][0]] == ["date_order"]  # type: ignore[attr-defined]


@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("codec", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
@pytest.mark.parametrize("size", [1, 2, 3, 7, 64])
def test_text_comes_whole_out_of_any_blocks(
    size: int, codec: str, newline: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = "batch;Viskosität\nB1;„5“\n\nB2;7–8\n"
    raw = (text.replace("\n", newline) + "\x1a").encode(codec)
    monkeypatch.setattr(text_blocks, "BLOCK_BYTES", size)
    looked_at = text_blocks.look_at(io.BytesIO(raw), "x.csv")
    blocks = list(looked_at.blocks())
    assert b"".join(blocks).decode() == text
    assert all(block.endswith(b"\n") for block in blocks)


def test_rows_are_those_of_the_standard_reader_whatever_the_blocks(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rows = [["batch", "viscosity", "unit", "comment"]]
    chance = random.Random(12)
    for number in range(200):
        comment = "".join(chance.choice('ab,"\n ') for _ in range(chance.randrange(12)))
        rows.append([f"B{number}", "2000", "cP", comment])
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    monkeypatch.setattr(text_blocks, "BLOCK_BYTES", 50)
    reading = ingest.read_bytes(out.getvalue().encode(), "x.csv", {"product": "P"})
    assert reading.account.not_parsed == {}
    got = [" ".join(text.split(" ")) for text in reading.rows["comment"]]
    assert [text.strip() for text in got] == [
        " ".join(part for part in row[3].strip().split(" ") if part)
        if "  " in row[3].strip()
        else row[3].strip()
        for row in rows[1:]
    ]


@pytest.mark.parametrize("seed", range(5))
def test_medians_are_exact_without_holding_the_values(seed: int) -> None:
    chance = np.random.default_rng(seed)
    groups = chance.integers(0, 7, 5_001)
    values = np.exp(chance.normal(0, 20, 5_001)).round(chance.integers(0, 12))
    values[values == 0] = 5e-324
    parts = np.array_split(np.arange(5_001), 9)
    found = checks.medians_of(lambda: iter([(groups[p], values[p]) for p in parts]), 8)
    for group in range(7):
        assert found[group] == statistics.median(values[groups == group].tolist())
    assert np.isnan(found[7])


def test_an_interrupted_import_leaves_the_store_as_it_was(
    any_store: ingest.Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(text_blocks, "BLOCK_BYTES", 3_000)
    monkeypatch.setattr(importing, "_CHUNK", 50)
    any_store.add(ingest.read_bytes("\n".join([HEAD, *lines(1, 50)]).encode(), "first.csv"))
    file = tmp_path / "x.csv"
    file.write_bytes(content("awkward"))
    before = (any_store.revision(), len(any_store.readings(aside=True)), len(any_store.imports()))
    for stop_at in (0.1, 0.9):

        def stop(done: int, total: int, stop_at: float = stop_at) -> None:
            if done > stop_at * total:
                raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            ingest.read_file(file, progress=stop)
        with pytest.raises(KeyboardInterrupt):
            any_store.add(ingest.read_file(file), progress=stop)
    after = (any_store.revision(), len(any_store.readings(aside=True)), len(any_store.imports()))
    assert after == before
    assert any_store.add(ingest.read_file(file)).account.closes


def test_a_file_that_is_written_to_while_it_is_read_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(text_blocks, "BLOCK_BYTES", 3_000)
    file = tmp_path / "x.csv"
    file.write_bytes(content("awkward"))

    written: list[int] = []

    def write(done: int, _total: int) -> None:
        if not written:
            written.append(done)
            with file.open("ab") as more:
                more.write(b"2025-01-01,B,P,V,S,20,20,25,1000,cP,1,product,valid,,,\n")

    with pytest.raises(IngestError, match=r"x\.csv was changed while it was read"):
        ingest.read_file(file, progress=write)
