"""The viscosity of each row: its number, its unit, and the words that stand for no number."""

import unicodedata
from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from ingest import reasons
from ingest.answers import no_result_numbers
from ingest.coded import Coded, coded, constant, lower_is_in
from ingest.csv_file import TextTable
from ingest.fate import Fate
from ingest.meaning import Meaning
from ingest.numbers import NumberColumn
from ingest.units import ViscosityUnit, viscosity_unit

_DENSITIES = (0.3, 5.0)  # g/cm³: what a liquid in a beaker can have


def add_viscosity(
    table: TextTable,
    meaning: Meaning,
    rows: pd.DataFrame,
    fate: Fate,
    numbers: Callable[[str, pa.ChunkedArray], NumberColumn],
) -> None:
    """Add columns viscosity (mPa·s, NaN where there is none) and received (text with its unit).

    Args:
        table: the cells. meaning: of the file. rows: what was read of them so far.
        fate: their reasons. numbers: reads the cells of a column, by its name, as numbers.
    """
    column = table.cells.column(meaning.columns["viscosity"])
    read = numbers("viscosity", column)
    unit = _unit_texts(table, meaning, read)
    units = unit.texts.to_pylist()
    meanings = [_unit_meaning(text, meaning) for text in units]
    factor = np.array([m.factor for m in meanings])[unit.codes]
    behind = pa.array([f" {text}" if text else "" for text in units], pa.string())
    behind = behind.take(pa.array(unit.codes))
    in_the_cell = read.unit != ""
    if in_the_cell.any():
        behind = pc.if_else(pa.array(in_the_cell), "", behind)
    received = pc.binary_join_element_wise(pc.utf8_trim_whitespace(column), behind, "")
    rows["received"] = pd.Series(received.combine_chunks(), dtype=pd.ArrowDtype(pa.string()))
    _mark_words(column, read, fate)
    nothing = np.isin(read.values, no_result_numbers(meaning.constants))
    fate.mark(nothing, "no_result", "the number that the site writes for no result")
    fate.mark(is_in(rows["status"], reasons.INVALID_WORDS), "marked_invalid")

    def of_kind(kind: str) -> npt.NDArray[np.bool_]:
        return unit.where(np.array([m.kind == kind for m in meanings], dtype=bool))

    for reason in (
        "unit_missing",
        "unit_megapascal",
        "unit_krebs",
        "unit_flow_cup",
        "unit_unknown",
    ):
        where = of_kind(reason)
        if where.any():
            fate.mark(where, reason, unit.objects())
    fate.mark(read.ambiguous, "ambiguous_number", "in the column for viscosity")
    kinematic = of_kind("kinematic")
    density = rows["density"].to_numpy(dtype=float)
    dense = (density >= _DENSITIES[0]) & (density <= _DENSITIES[1])
    if kinematic.any():
        fate.mark(kinematic & ~dense, "unit_needs_density", unit.objects())
    value = np.where(kinematic, read.values * factor * density, read.values * factor)
    value = _without_rounding_dust(value, kinematic | (factor != 1.0))
    usable_unit = of_kind("dynamic") | (kinematic & dense)
    rows["viscosity"] = np.where(usable_unit & ~read.ambiguous & ~read.unreadable, value, np.nan)


def is_in(text: pd.Series, words: frozenset[str]) -> npt.NDArray[np.bool_]:
    """Whether each text of a column of categories is one of some words, in any case."""
    known = np.asarray(lower_is_in(pa.array(text.cat.categories, pa.string()), words), dtype=bool)
    return np.asarray(known[text.cat.codes.to_numpy()])


def _without_rounding_dust(
    values: npt.NDArray[np.float64], converted: npt.NDArray[np.bool_]
) -> npt.NDArray[np.float64]:
    """Converted values to 12 digits: 1.0002 Pa·s is 1000.2 mPa·s, not 1000.1999999999999."""
    where = np.flatnonzero(converted & np.isfinite(values))
    if len(where):
        values = values.copy()
        values[where] = [float(f"{value:.12g}") for value in values[where].tolist()]
    return values


def _unit_texts(table: TextTable, meaning: Meaning, read: NumberColumn) -> Coded:
    """The unit of each row: behind the digits, else in the unit column, the heading, an answer."""
    n = table.cells.num_rows
    other = meaning.units.get("viscosity") or meaning.constants.get("unit", "")
    index = meaning.columns.get("unit")
    unit = constant(other, n)
    if index is not None:
        found = coded(table.cells.column(index))
        texts = pc.utf8_trim_whitespace(found.texts)
        unit = Coded(found.codes, pc.if_else(pc.equal(texts, ""), other, texts))
    in_the_cell = read.unit != ""
    if not in_the_cell.any():
        return unit
    return coded(pa.array(np.where(in_the_cell, read.unit, unit.objects()), pa.string()))


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
