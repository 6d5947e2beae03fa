"""Typing every row of a file: text, times, numbers, and the reason of each row not used."""

import json
import re
from datetime import UTC, datetime, timedelta

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from ingest import reasons
from ingest.checks import disagrees_with_torque
from ingest.columns import BY_NAME, match_heading
from ingest.csv_file import NotParsed, TextTable
from ingest.fate import Fate
from ingest.meaning import Meaning
from ingest.numbers import NumberColumn, as_text, parse_numbers
from ingest.times import parse_times
from ingest.units import QUANTITY_UNITS, linear_conversion
from ingest.viscosity_column import add_viscosity, is_in

TORQUE_LOW_PERCENT = 10.0
TORQUE_HIGH_PERCENT = 100.0
_EARLIEST = datetime(1990, 1, 1, tzinfo=UTC)
_CLOCK_RESET = datetime(2000, 1, 1, tzinfo=UTC)  # where many instruments begin without a battery
_LONGEST_NAME = 200

_TEXT_COLUMNS = tuple(
    name
    for name, column in BY_NAME.items()
    if column.kind == "text" and name not in ("time_of_day", "unit")
)
_NOTHING = r"^\s*([-–—.]+|[nN]/?[aA]\.?|[kK]\.?\s?[aA]\.?)\s*$"


def type_rows(table: TextTable, meaning: Meaning) -> tuple[pd.DataFrame, list[NotParsed]]:
    """Type every row; give each one that is not used its reason.

    Returns:
        the rows, used and set aside, with columns `reason` and `detail` ("" where used), and the
        records that could not be understood.
    """
    fate = Fate(table.cells.num_rows)
    rows = _text_values(table, meaning)
    _mark_rows_that_are_no_samples(table, meaning, rows, fate)
    _add_times(table, meaning, rows, fate)
    _add_numbers(table, meaning, rows, fate)
    add_viscosity(table, meaning, rows, fate)
    rows["line"] = table.line
    rows["last_line"] = table.last_line
    _mark_values(rows, fate)
    rows["reason"] = fate.reason
    rows["detail"] = fate.detail
    failed = rows["reason"].isin(list(reasons.NOT_PARSED)).to_numpy()
    records: list[NotParsed] = []
    if failed.any():
        records = _as_not_parsed(table, rows, failed)
        rows = rows[~failed].reset_index(drop=True)
    _number_replicates(rows, meaning)
    return rows, records


def _text_values(table: TextTable, meaning: Meaning) -> pd.DataFrame:
    """The text columns, from the file or from an answer, "" where nothing is said."""
    n = table.cells.num_rows
    values: dict[str, pd.Series] = {}
    for name in _TEXT_COLUMNS:
        given = meaning.constants.get(name, "")
        index = meaning.columns.get(name)
        if index is None:
            values[name] = pd.Series(
                pa.array([given], pa.string()).take(pa.array(np.zeros(n, dtype=np.int32))),
                dtype=pd.ArrowDtype(pa.string()),
            )
            continue
        text = as_text(table.cells.column(index))
        values[name] = text.where(text != "", given) if given else text
    values["extra"] = _extra(table, meaning)
    return pd.DataFrame(values)


def _extra(table: TextTable, meaning: Meaning) -> pd.Series:
    """Cells of columns that mean nothing to us, kept as JSON text so that nothing is lost."""
    spare = [i for i in range(len(table.header.cells)) if i not in meaning.columns.values()]
    columns = [table.cells.column(i).to_pylist() for i in spare]
    filled = [i for i, column in enumerate(columns) if any(cell.strip() for cell in column)]
    if not filled:
        return pd.Series([""] * table.cells.num_rows, dtype=pd.ArrowDtype(pa.string()))
    names: list[str] = []
    for i in filled:
        name = table.header.cells[spare[i]].strip() or f"column {spare[i] + 1}"
        names.append(name if name not in names else f"{name} (column {spare[i] + 1})")
    texts = []
    for row in zip(*(columns[i] for i in filled), strict=True):
        cells = {name: cell for name, cell in zip(names, row, strict=True) if cell.strip()}
        texts.append(json.dumps(cells, ensure_ascii=False) if cells else "")
    return pd.Series(texts, dtype=pd.ArrowDtype(pa.string()))


def _mark_rows_that_are_no_samples(
    table: TextTable, meaning: Meaning, rows: pd.DataFrame, fate: Fate
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
    _mark_second_table(table, meaning, again, fate)
    if meaning.units_row and len(rows):
        first = np.arange(len(rows)) == 0
        fate.mark(first, "units_row")
    fate.mark(is_in(rows["batch"].str.rstrip(":="), reasons.SUMMARY_WORDS), "summary_row")
    fate.mark(_begins_with(rows["batch"], reasons.TEST_WORDS), "test_row", "by its batch")
    for name in ("product", "sample_type", "status", "comment"):
        fate.mark(is_in(rows[name], reasons.TEST_WORDS), "test_row", f"by its {name}")
    for name in ("batch", "product"):
        fate.mark(np.asarray(rows[name].str.len() > _LONGEST_NAME), "name_too_long")
    product = is_in(rows["sample_type"], reasons.PRODUCT_WORDS)
    check = is_in(rows["sample_type"], reasons.CHECK_WORDS)
    other = ~product & ~check
    if other.any():
        fate.mark(other, "other_sample_type", rows["sample_type"].to_numpy(dtype=object))
    rows["sample_type"] = np.where(check, "check", np.where(product, "product", "other"))
    fate.mark(np.asarray(rows["product"] == "", dtype=bool), "no_product")
    fate.mark(np.asarray(rows["batch"] == "", dtype=bool), "no_batch")


def _begins_with(text: pd.Series, words: frozenset[str]) -> npt.NDArray[np.bool_]:
    """Whether a text is one of some words, or begins with one that ends there: TEST 2, test-a."""
    pattern = rf"^(?i:{'|'.join(re.escape(word) for word in sorted(words))})([^\pL].*)?$"
    return np.asarray(pc.match_substring_regex(pa.array(text), pattern))


def _mark_second_table(
    table: TextTable, meaning: Meaning, again: npt.NDArray[np.bool_], fate: Fate
) -> None:
    """Another header among the rows begins another table: its rows are not read as ours."""
    column = table.cells.column(meaning.columns["viscosity"])
    suspects = pc.match_substring_regex(column, r"^\s*\pL[^0-9]*$")
    for index in np.flatnonzero(np.asarray(suspects.combine_chunks()) & ~again)[:200]:
        cells = [values[int(index)].as_py() for values in table.cells.columns]
        if sum(match_heading(cell) is not None for cell in cells) >= 3:
            fate.mark(np.arange(len(again)) >= index, "second_table")
            return


def _add_times(table: TextTable, meaning: Meaning, rows: pd.DataFrame, fate: Fate) -> None:
    """Columns tested_at and sampled_at: epoch seconds UTC, 0 where there is none."""
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
        times = parse_times(column, meaning.date_order, meaning.time_zone)
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
        if (odd & times.known).any():
            fate.mark(odd & times.known, "date_out_of_window", np.array(column.to_pylist(), object))
    if dated:
        fate.mark(~known, "no_time")


def _add_numbers(table: TextTable, meaning: Meaning, rows: pd.DataFrame, fate: Fate) -> None:
    """Columns torque, temperature, speed, set_temperature, reading_time, density, replicate."""
    for name in ("torque", "temperature", "speed", "set_temperature", "reading_time", "density"):
        index = meaning.columns.get(name)
        constant = float(meaning.constants[name]) if name in meaning.constants else np.nan
        if index is None:
            rows[name] = np.full(len(rows), constant)
            continue
        column = table.cells.column(index)
        read = parse_numbers(column, meaning.decimal_mark)
        value, foreign = _converted(read, name, meaning.units.get(name, ""))
        wrong = read.unreadable | foreign
        nothing = wrong & np.asarray(pc.match_substring_regex(column, _NOTHING).combine_chunks())
        wrong &= ~nothing
        if name == "temperature":  # a remark in its place must not cost the reading
            _keep_as_extra(rows, column, wrong, table.header.cells[index].strip())
        else:
            fate.mark(wrong, "cell_not_a_number", f"in the column for {name}")
        fate.mark(read.ambiguous, "ambiguous_number", f"in the column for {name}")
        value = np.where(wrong | nothing, np.nan, value)
        rows[name] = np.where(read.blank, constant, value)
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


def _mark_values(rows: pd.DataFrame, fate: Fate) -> None:
    """Checks on the typed values: torque window, sign, and torque against viscosity."""
    torque = rows["torque"].to_numpy(dtype=float)
    viscosity = rows["viscosity"].to_numpy(dtype=float)
    told = _torque_details(torque, fate)
    fate.mark(torque < TORQUE_LOW_PERCENT, "below_range", told)
    fate.mark(torque > TORQUE_HIGH_PERCENT, "over_range", told)
    fate.mark(~(viscosity > 0) & fate.open, "not_positive")
    wrong, factor = disagrees_with_torque(rows, fate.open)
    if wrong.any():
        detail = np.full(len(rows), "", dtype=object)
        where = np.flatnonzero(wrong)
        detail[where] = [
            f"torque {t:g} % says about {_four_digits(k * t)}, recorded {_plain(v)} mPa·s"
            for t, k, v in zip(torque[where], factor[where], viscosity[where], strict=True)
        ]
        fate.mark(wrong, "torque_disagrees", detail)


def _four_digits(value: float) -> str:
    """A number to about four digits, never with an exponent."""
    decimals = max(0, 3 - int(np.floor(np.log10(abs(value))))) if value else 0
    return f"{value:.{decimals}f}"


def _plain(value: float) -> str:
    """A number with all its digits, never with an exponent."""
    return f"{value:.6f}".rstrip("0").rstrip(".")


def _torque_details(torque: npt.NDArray[np.float64], fate: Fate) -> npt.NDArray[np.object_]:
    detail = np.full(len(torque), "", dtype=object)
    outside = (torque < TORQUE_LOW_PERCENT) | (torque > TORQUE_HIGH_PERCENT)
    where = np.flatnonzero(outside & fate.open)
    window = f"outside {TORQUE_LOW_PERCENT:g} to {TORQUE_HIGH_PERCENT:g} %"
    detail[where] = [f"torque {value:g} %, {window}" for value in torque[where]]
    return detail


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


def _number_replicates(rows: pd.DataFrame, meaning: Meaning) -> None:
    """Number the readings of a batch where the file does not: 0, -1, -2 … in file order.

    Rows that differ in time keep 0: the time tells them apart. Where it does not, rows that
    differ in anything are different readings; without any time so are rows that are alike.
    The numbers are not positive, since nobody has said which replicate a reading is.
    """
    if "replicate" in meaning.columns or rows.empty:
        return
    keys = ["product", "batch", "instrument", "spindle", "speed", "stage", "sample_type"]
    keys += ["tested_at", "sampled_at"]
    groups = rows.groupby(keys, sort=False, dropna=False)
    if not rows["tested_at"].any() and not rows["sampled_at"].any():
        rows["replicate"] = -groups.cumcount().to_numpy()
        return
    crowded = groups["line"].transform("count").to_numpy() > 1
    if not crowded.any():
        return
    content = ["received", "torque", "temperature", "operator", "lot", "comment", "status"]
    some = rows.loc[crowded, [*keys, *content]].astype({"received": object})
    first = some.drop_duplicates([*keys, *content])
    order = -first.groupby(keys, sort=False, dropna=False).cumcount()
    numbers = first.assign(number=order.to_numpy())
    merged = some.merge(numbers, on=[*keys, *content], how="left")
    rows.loc[crowded, "replicate"] = merged["number"].to_numpy()
