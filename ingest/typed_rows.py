"""Typing every row of a file: text, times, numbers, and the reason of each row not used."""

import json
import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from ingest import reasons, row_checks
from ingest.coded import categories, coded, constant, tidy
from ingest.columns import BY_NAME, match_heading
from ingest.csv_file import NotParsed, TextTable
from ingest.doubts import named_as_check
from ingest.evidence import is_filled
from ingest.fate import Fate
from ingest.meaning import Meaning
from ingest.numbers import NumberColumn
from ingest.spindles import spindle_names
from ingest.units import QUANTITY_UNITS, linear_conversion
from ingest.viscosity_column import add_viscosity, is_in
from ingest.whole_file import WholeFile

_EARLIEST = datetime(1990, 1, 1, tzinfo=UTC)
_CLOCK_RESET = datetime(2000, 1, 1, tzinfo=UTC)  # where many instruments begin without a battery
_LONGEST_NAME = 200
_FOOTER_ROWS = 10_000  # rows of a block without a batch that are looked at for a total

_TEXT_COLUMNS = tuple(
    name
    for name, column in BY_NAME.items()
    if column.kind == "text" and name not in ("time_of_day", "unit")
)
_TEST = rf"^(?i:{'|'.join(re.escape(word) for word in sorted(reasons.TEST_WORDS))})([^\pL].*)?$"
_SUMMARY = "|".join(re.escape(word) for word in sorted(reasons.SUMMARY_WORDS, reverse=True))
_SUMMARY_BEGINS = re.compile(rf"(?:{_SUMMARY})\s*(?:[:=\d]|$)", re.IGNORECASE)
_NOTHING = r"^\s*([-–—.]+|[nN]/?[aA]\.?|[kK]\.?\s?[aA]\.?)\s*$"


def type_rows(table: TextTable, whole: WholeFile) -> tuple[pd.DataFrame, list[NotParsed]]:
    """Type every row of a block; give each one that is not used its reason.

    What the torque, the method and other readings say about the viscosity, and the numbers of
    replicates where the file has none, follow when all blocks are known; see `late_checks` and
    `ReplicateNumbers`.

    Args:
        table: the block. whole: what is known of the file; what this block says is added.

    Returns:
        the rows, used and set aside, with columns `reason`, `detail` and `proposal` ("" where
        used), and the records that could not be understood.
    """
    meaning = whole.meaning
    fate = Fate(table.cells.num_rows)
    rows = _text_values(table, whole)
    _rename_products(rows, table, whole)
    _mark_rows_that_are_no_samples(table, whole, rows, fate)
    _add_times(table, whole, rows, fate)
    _add_numbers(table, whole, rows, fate)
    add_viscosity(table, meaning, rows, fate, whole.numbers)
    rows["line"] = table.line
    rows["last_line"] = table.last_line
    methods = row_checks.methods_of(rows, whole.site.methods)
    row_checks.mark_torque_window(rows, fate, methods)
    fate.mark(~(rows["viscosity"].to_numpy(dtype=float) > 0) & fate.open, "not_positive")
    rows["reason"] = fate.reasons()
    rows["detail"] = fate.details()
    rows["proposal"] = fate.proposals()
    whole.rows += len(rows)
    failed = is_in(rows["reason"], frozenset(reasons.NOT_PARSED))
    records: list[NotParsed] = []
    if failed.any():
        records = _as_not_parsed(table, rows, failed)
        rows = rows[~failed].reset_index(drop=True)
    return rows, records


def _rename_products(rows: pd.DataFrame, table: TextTable, whole: WholeFile) -> None:
    """Give rows the product that their name stands for; the text received is kept beside them."""
    texts: list[str] = pa.array(rows["product"].cat.categories, pa.string()).to_pylist()
    named = [whole.renaming.of(text) for text in texts]
    if not any(why for _, why in named):
        return
    codes = rows["product"].cat.codes.to_numpy()
    where = np.array([bool(why) for _, why in named])[codes]
    index = whole.meaning.columns.get("product")
    heading = table.header.cells[index].strip() if index is not None else "product"
    received = pa.chunked_array([pa.array(texts, pa.string()).take(pa.array(codes))])
    _keep_as_extra(rows, received, where, heading)
    again = coded(pa.array([product for product, _ in named], pa.string()))
    rows["product"] = categories(again.codes[codes], again.texts)


def _text_values(table: TextTable, whole: WholeFile) -> pd.DataFrame:
    """The text columns, from the file or from an answer, "" where nothing is said."""
    meaning = whole.meaning
    n = table.cells.num_rows
    values: dict[str, pd.Series] = {}
    for name in _TEXT_COLUMNS:
        given = meaning.constants.get(name, "")
        index = meaning.columns.get(name)
        text = constant(given, n) if index is None else tidy(table.cells.column(index), given)
        values[name] = (spindle_names(text) if name == "spindle" else text).series()
    values["extra"] = _extra(table, whole)
    return pd.DataFrame(values)


def _extra(table: TextTable, whole: WholeFile) -> pd.Series:
    """Cells of columns that mean nothing to us, kept as JSON text so that nothing is lost."""
    columns = table.cells.columns
    names = {i: name for i, name in whole.extra.items() if is_filled(columns[i])}
    if not names:
        return constant("", table.cells.num_rows).series()
    texts = []
    for row in zip(*(columns[i].to_pylist() for i in names), strict=True):
        cells = {name: cell for name, cell in zip(names.values(), row, strict=True) if cell.strip()}
        texts.append(json.dumps(cells, ensure_ascii=False) if cells else "")
    return pd.Series(texts, dtype=pd.ArrowDtype(pa.string()))


def _mark_rows_that_are_no_samples(
    table: TextTable, whole: WholeFile, rows: pd.DataFrame, fate: Fate
) -> None:
    everything_blank = np.ones(len(rows), dtype=bool)
    for column in table.cells.columns:
        everything_blank &= np.asarray(pc.equal(pc.utf8_trim_whitespace(column), ""))
        if not everything_blank.any():
            break
    fate.mark(everything_blank, "blank_row")
    again = np.ones(len(rows), dtype=bool)
    for index, heading in enumerate(table.header.cells):
        if heading.strip():
            again &= np.asarray(pc.equal(table.cells.column(index), heading))
            if not again.any():
                break
    fate.mark(again, "repeated_header")
    _mark_second_table(table, whole, again, fate)
    if whole.meaning.units_row and len(rows) and not whole.rows:
        first = np.arange(len(rows)) == 0
        fate.mark(first, "units_row")
    fate.mark(_for_texts(rows["batch"], _is_summary), "summary_row")
    nameless = is_in(rows["batch"], frozenset({""}))
    fate.mark(_begin_as_summaries(table, nameless), "summary_row")
    fate.mark(_for_texts(rows["batch"], _begins_with_test), "test_row", "by its batch")
    for name in ("product", "sample_type", "status", "comment"):
        fate.mark(is_in(rows[name], reasons.TEST_WORDS), "test_row", f"by its {name}")
    for name in ("batch", "product"):
        fate.mark(_for_texts(rows[name], _is_too_long), "name_too_long")
    product = is_in(rows["sample_type"], reasons.PRODUCT_WORDS)
    check = is_in(rows["sample_type"], reasons.CHECK_WORDS)
    if whole.meaning.constants.get("check_by_name") == "check":
        untold = is_in(rows["sample_type"], frozenset({""}))
        check |= untold & _for_texts(rows["product"], named_as_check)
    other = ~product & ~check
    if other.any():
        fate.mark(other, "other_sample_type", rows["sample_type"].to_numpy(dtype=object))
    kind = np.where(check, 1, np.where(product, 0, 2)).astype(np.int8)
    kinds = pa.array(["product", "check", "other"])
    rows["sample_type"] = categories(kind, kinds)
    fate.mark(is_in(rows["product"], frozenset({""})), "no_product")
    fate.mark(nameless, "no_batch")


def _for_texts(text: pd.Series, holds: Callable[[pa.Array], pa.Array]) -> npt.NDArray[np.bool_]:
    """Whether something holds for each row, found out once for each distinct text."""
    known = np.asarray(holds(pa.array(text.cat.categories, pa.string())), dtype=bool)
    if not known.any():
        return np.zeros(len(text), dtype=bool)
    return np.asarray(known[text.cat.codes.to_numpy()])


def _is_summary(texts: pa.Array) -> pa.Array:
    """Whether a batch is no name but Total, or Mean: 2010."""
    return pc.match_substring_regex(texts, rf"^(?i:{_SUMMARY})\s*([:=]+\s*[\d.,\s]*)?$")


def _begin_as_summaries(table: TextTable, nameless: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Rows without a batch whose first cell is Total, or Count: 12."""
    found = np.zeros(len(nameless), dtype=bool)
    for index in np.flatnonzero(nameless)[:_FOOTER_ROWS]:
        cells = (column[int(index)].as_py().strip() for column in table.cells.columns)
        first = next((cell for cell in cells if cell), "")
        found[index] = _SUMMARY_BEGINS.match(first) is not None
    return found


def _is_too_long(texts: pa.Array) -> pa.Array:
    return pc.greater(pc.utf8_length(texts), _LONGEST_NAME)


def _begins_with_test(texts: pa.Array) -> pa.Array:
    """Whether a text is a word for a test, or begins with one that ends there: TEST 2, test-a."""
    return pc.match_substring_regex(texts, _TEST)


def _mark_second_table(
    table: TextTable, whole: WholeFile, again: npt.NDArray[np.bool_], fate: Fate
) -> None:
    """Another header among the rows begins another table: its rows are not read as ours."""
    if whole.second_table:
        fate.mark(np.ones(len(again), dtype=bool), "second_table")
        return
    column = table.cells.column(whole.meaning.columns["viscosity"])
    suspects = pc.match_substring_regex(column, r"^\s*\pL[^0-9]*$")
    where = np.flatnonzero(np.asarray(suspects.combine_chunks()) & ~again)[: whole.suspects]
    whole.suspects -= len(where)
    for index in where:
        cells = [values[int(index)].as_py() for values in table.cells.columns]
        matches = [match_heading(cell) for cell in cells]
        pairs = zip(matches, table.header.matches, strict=True)
        if sum(match is not None for match in matches) < 3:
            continue
        if all(a is None or (b is not None and a.column.name == b.column.name) for a, b in pairs):
            again[index] = True  # the same columns named once more, in another language say
            fate.mark(again, "repeated_header")
            continue
        fate.mark(np.arange(len(again)) >= index, "second_table")
        whole.second_table = True
        return


def _add_times(table: TextTable, whole: WholeFile, rows: pd.DataFrame, fate: Fate) -> None:
    """Columns tested_at and sampled_at: epoch seconds UTC, 0 where there is none."""
    meaning = whole.meaning
    known = np.zeros(len(rows), dtype=bool)
    rows["doubtful_hour"] = False
    tomorrow = (datetime.now(UTC) + timedelta(days=2)).timestamp()
    dated = False
    for name in ("tested_at", "sampled_at"):
        column = meaning.time_text(table, name)
        if column is None:
            rows[name] = np.zeros(len(rows), dtype=np.int64)
            continue
        dated = True
        times = whole.times(name, column)
        rows[name] = times.epoch
        rows["doubtful_hour"] |= times.doubtful
        known |= times.known
        if times.impossible.any():
            text = column.to_pylist()
            told = np.array([f"{t} does not exist in {meaning.time_zone}" for t in text], object)
            fate.mark(times.impossible, "impossible_hour", told)
        fate.mark(times.unreadable, "date_not_read")
        reset = (times.epoch >= _CLOCK_RESET.timestamp()) & (
            times.epoch < (_CLOCK_RESET + timedelta(days=1)).timestamp()
        )
        odd = (times.epoch < _EARLIEST.timestamp()) | (times.epoch > tomorrow) | reset
        odd |= times.epoch < whole.cut(name, times.epoch[times.known & ~odd])
        if (odd & times.known).any():
            fate.mark(odd & times.known, "date_out_of_window", np.array(column.to_pylist(), object))
    if dated:
        fate.mark(~known, "no_time")


def _add_numbers(table: TextTable, whole: WholeFile, rows: pd.DataFrame, fate: Fate) -> None:
    """Columns torque, temperature, speed, set_temperature, reading_time, density, replicate."""
    meaning = whole.meaning
    for name in ("torque", "temperature", "speed", "set_temperature", "reading_time", "density"):
        index = meaning.columns.get(name)
        given = float(meaning.constants[name]) if name in meaning.constants else np.nan
        if index is None:
            rows[name] = np.full(len(rows), given)
            continue
        column = table.cells.column(index)
        read = whole.numbers(name, column)
        value, foreign = _converted(read, name, meaning.units.get(name, ""))
        wrong = read.unreadable | foreign
        nothing = np.zeros(len(rows), dtype=bool)
        if wrong.any():
            hidden = pc.match_substring_regex(column, _NOTHING).combine_chunks()
            nothing = wrong & np.asarray(hidden)
            wrong &= ~nothing
        if name == "temperature":  # a remark in its place must not cost the reading
            _keep_as_extra(rows, column, wrong, table.header.cells[index].strip())
        else:
            fate.mark(wrong, "cell_not_a_number", f"in the column for {name}")
        fate.mark(read.ambiguous, "ambiguous_number", f"in the column for {name}")
        value = np.where(wrong | nothing, np.nan, value)
        rows[name] = np.where(read.blank, given, value)
    rows["replicate"] = _replicates(table, meaning, fate, len(rows))


def _converted(
    read: NumberColumn, name: str, heading_unit: str
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    """Values in our unit, by the unit behind the digits or else in the heading; foreign units."""
    quantity = BY_NAME[name].quantity
    factor, offset = linear_conversion(quantity, heading_unit)
    value = read.values * factor + offset
    foreign = np.zeros(len(value), dtype=bool)
    if not (read.unit != "").any():
        return value, foreign
    codes, units = pd.factorize(read.unit)
    for code, unit in enumerate(units):
        if not unit:
            continue
        mine = codes == code
        factor, offset = linear_conversion(quantity, str(unit))
        value[mine] = read.values[mine] * factor + offset
        foreign |= mine & (not QUANTITY_UNITS[quantity](str(unit)))
    return value, foreign


def _keep_as_extra(
    rows: pd.DataFrame, column: pa.ChunkedArray, where: npt.NDArray[np.bool_], heading: str
) -> None:
    """Keep the text of cells that are no number beside the row, as JSON."""
    if not where.any():
        return
    extra = rows["extra"].astype(object).to_numpy(copy=True)
    for index in np.flatnonzero(where):
        cells = json.loads(extra[index]) if extra[index] else {}
        cells[heading] = column[int(index)].as_py()
        extra[index] = json.dumps(cells, ensure_ascii=False)
    rows["extra"] = pd.Series(extra, dtype=pd.ArrowDtype(pa.string()))


def _replicates(table: TextTable, meaning: Meaning, fate: Fate, n: int) -> npt.NDArray[np.int64]:
    index = meaning.columns.get("replicate")
    if index is None:
        return np.zeros(n, dtype=np.int64)
    encoded = pc.dictionary_encode(pc.utf8_trim_whitespace(table.cells.column(index)))
    encoded = encoded.combine_chunks()
    values = np.zeros(len(encoded.dictionary), dtype=np.int64)
    bad = np.zeros(len(encoded.dictionary), dtype=bool)
    for code, text in enumerate(encoded.dictionary.to_pylist()):
        number = text.removesuffix(".0").removesuffix(",0")
        if number.isascii() and number.isdigit() and len(number) < 5:
            values[code] = int(number)
        elif len(text) == 1 and text.upper() in "ABCDEF":
            values[code] = "ABCDEF".index(text.upper()) + 1
        elif text:
            bad[code] = True
    codes: npt.NDArray[np.int64] = np.asarray(encoded.indices)
    fate.mark(bad[codes], "cell_not_a_number", "in the column for replicate")
    return np.asarray(values[codes])


def _as_not_parsed(
    table: TextTable, rows: pd.DataFrame, failed: npt.NDArray[np.bool_]
) -> list[NotParsed]:
    where = np.flatnonzero(failed)
    cells = table.cells.take(pa.array(where))
    texts = zip(*(column.to_pylist() for column in cells.columns), strict=True)
    return [
        NotParsed(
            int(table.line[index]),
            int(table.last_line[index]),
            str(rows["reason"].iat[index]),
            table.header.delimiter.join(text),
        )
        for index, text in zip(where.tolist(), texts, strict=True)
    ]
