"""The viscosity of each row: its number, its unit, and the words that stand for no number."""

import unicodedata

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from ingest import reasons
from ingest.csv_file import TextTable
from ingest.fate import Fate
from ingest.meaning import Meaning
from ingest.numbers import NumberColumn, parse_numbers
from ingest.units import ViscosityUnit, viscosity_unit

_DENSITIES = (0.3, 5.0)  # g/cm³: what a liquid in a beaker can have


def add_viscosity(table: TextTable, meaning: Meaning, rows: pd.DataFrame, fate: Fate) -> None:
    """Add columns viscosity (mPa·s, NaN where there is none) and received (text with its unit)."""
    column = table.cells.column(meaning.columns["viscosity"])
    read = parse_numbers(column, meaning.decimal_mark)
    unit_text = _unit_texts(table, meaning, read)
    codes, units = pd.factorize(unit_text)
    meanings = [_unit_meaning(unit, meaning) for unit in units]
    kind = np.array([m.kind for m in meanings], dtype=object)[codes]
    factor = np.array([m.factor for m in meanings])[codes]
    behind = np.array([f" {unit}" if unit else "" for unit in units], dtype=object)[codes]
    behind[read.unit != ""] = ""
    received = pc.binary_join_element_wise(
        pc.utf8_trim_whitespace(column), pa.array(behind, pa.string()), ""
    )
    rows["received"] = pd.Series(received.combine_chunks(), dtype=pd.ArrowDtype(pa.string()))
    _mark_words(column, read, fate)
    fate.mark(is_in(rows["status"], reasons.INVALID_WORDS), "marked_invalid")
    for reason in (
        "unit_missing",
        "unit_megapascal",
        "unit_krebs",
        "unit_flow_cup",
        "unit_unknown",
    ):
        fate.mark(kind == reason, reason, unit_text)
    fate.mark(read.ambiguous, "ambiguous_number", "in the column for viscosity")
    kinematic = kind == "kinematic"
    density = rows["density"].to_numpy(dtype=float)
    dense = (density >= _DENSITIES[0]) & (density <= _DENSITIES[1])
    fate.mark(kinematic & ~dense, "unit_needs_density", unit_text)
    value = np.where(kinematic, read.values * factor * density, read.values * factor)
    value = _without_rounding_dust(value, kinematic | (factor != 1.0))
    usable_unit = (kind == "dynamic") | (kinematic & dense)
    rows["viscosity"] = np.where(usable_unit & ~read.ambiguous & ~read.unreadable, value, np.nan)


def is_in(text: pd.Series, words: frozenset[str]) -> npt.NDArray[np.bool_]:
    """Whether each text is one of some words, in any case."""
    lowered = pc.utf8_lower(pa.array(text))
    return np.asarray(pc.is_in(lowered, value_set=pa.array(sorted(words), pa.string())))


def _without_rounding_dust(
    values: npt.NDArray[np.float64], converted: npt.NDArray[np.bool_]
) -> npt.NDArray[np.float64]:
    """Converted values to 12 digits: 1.0002 Pa·s is 1000.2 mPa·s, not 1000.1999999999999."""
    where = np.flatnonzero(converted & np.isfinite(values))
    if len(where):
        values = values.copy()
        values[where] = [float(f"{value:.12g}") for value in values[where].tolist()]
    return values


def _unit_texts(table: TextTable, meaning: Meaning, read: NumberColumn) -> npt.NDArray[np.object_]:
    """The unit of each row: behind the digits, else in the unit column, the heading, an answer."""
    n = table.cells.num_rows
    unit = np.full(n, meaning.units.get("viscosity") or meaning.constants.get("unit", ""), object)
    index = meaning.columns.get("unit")
    if index is not None:
        encoded = pc.dictionary_encode(pc.utf8_trim_whitespace(table.cells.column(index)))
        encoded = encoded.combine_chunks()
        texts = np.array(encoded.dictionary.to_pylist(), dtype=object)[np.asarray(encoded.indices)]
        unit = np.where(texts != "", texts, unit)
    return np.where(read.unit != "", read.unit, unit)


def _unit_meaning(unit: str, meaning: Meaning) -> ViscosityUnit:
    known = viscosity_unit(unit)
    answer = meaning.constants.get("MPa.s", "")
    if known.kind == "unit_megapascal" and answer == "mPa.s":
        return viscosity_unit("mPa.s")
    if known.kind == "unit_megapascal" and answer == "MPa.s":
        return ViscosityUnit("dynamic", 1e9)
    return known


def _mark_words(column: pa.ChunkedArray, read: NumberColumn, fate: Fate) -> None:
    """Cells with a word or a bound instead of a number: `<500`, OVER, n/a."""
    no_number = read.unreadable | read.blank
    if not no_number.any():
        return
    where = np.flatnonzero(no_number)
    texts = column.take(pa.array(where)).to_pylist()
    keys = np.array([_word(text) for text in texts], dtype=object)
    for reason in ("over_range", "below_range", "no_result", "viscosity_not_a_number"):
        mask = np.zeros(len(read.values), dtype=bool)
        mask[where[keys == reason]] = True
        detail = np.full(len(read.values), "", dtype=object)
        detail[where] = [f"recorded as {text.strip() or 'nothing'}" for text in texts]
        fate.mark(mask, reason, detail)


def _word(text: str) -> str:
    word = " ".join(unicodedata.normalize("NFKC", text).strip().lower().split())
    if word.startswith((">", "≥")) and word[1:].strip():
        return "over_range"
    if word.startswith(("<", "≤")) and word[1:].strip():
        return "below_range"
    if word in reasons.OVER_RANGE_WORDS:
        return "over_range"
    if word in reasons.BELOW_RANGE_WORDS:
        return "below_range"
    if word in reasons.NO_RESULT_WORDS or not word.strip("-–—_.*"):
        return "no_result"
    return "viscosity_not_a_number"
