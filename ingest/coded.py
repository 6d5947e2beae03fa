"""A text column as codes of its distinct texts: what is true of a text is found out once."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

TEXT = pd.ArrowDtype(pa.string())
_FEW = 100


@dataclass(frozen=True, slots=True, eq=False)
class Coded:
    """Distinct texts, and for each row the place of its text among them."""

    codes: npt.NDArray[np.int32]
    texts: pa.Array

    def where(self, holds: pa.Array | npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
        """For each row, what is known for each distinct text."""
        known = np.asarray(holds, dtype=bool)
        if not known.any():
            return np.zeros(len(self.codes), dtype=bool)
        return np.asarray(known[self.codes])

    def is_in(self, words: frozenset[str]) -> npt.NDArray[np.bool_]:
        """Whether each row's text is one of some words, in any case."""
        return self.where(lower_is_in(self.texts, words))

    def objects(self) -> npt.NDArray[np.object_]:
        """The texts row by row."""
        distinct = np.empty(len(self.texts), dtype=object)
        distinct[:] = self.texts.to_pylist()
        return np.asarray(distinct[self.codes])

    def series(self) -> pd.Series:
        """The column as categories."""
        return categories(self.codes, self.texts)


def categories(codes: npt.NDArray[np.signedinteger], texts: pa.Array) -> pd.Series:
    """A column of categories from the place of each row's text among the distinct ones."""
    if len(texts) <= _FEW:
        kind = _kind(tuple(texts.to_pylist()))
    else:
        kind = pd.CategoricalDtype(pd.Index(texts.to_pandas()))
    return pd.Series(pd.Categorical.from_codes(codes, dtype=kind, validate=False))


@lru_cache(maxsize=256)
def _kind(texts: tuple[str, ...]) -> pd.CategoricalDtype:
    """The same few texts come in every block: that they are distinct is found out once."""
    return pd.CategoricalDtype(pd.Index(texts, dtype="str"))


def cells_at(values: pd.Series, where: npt.NDArray[np.int64]) -> list[object]:
    """Some cells of a column, without a look at all texts of its categories."""
    if isinstance(values.dtype, pd.CategoricalDtype):
        taken = values.cat.categories.take(values.cat.codes.to_numpy()[where])
        return list(pa.array(taken, pa.string()).to_pylist())  # pandas' own is slower
    return list(values.to_numpy()[where].tolist())


def frame_of(table: pa.Table) -> pd.DataFrame:
    """A table as columns of a frame: dictionaries as categories, other text as it is."""
    columns = {}
    for name, column in zip(table.column_names, table.columns, strict=True):
        array = column.combine_chunks()
        if pa.types.is_dictionary(array.type):
            columns[name] = categories(np.asarray(array.indices), array.dictionary)
        elif pa.types.is_string(array.type):
            columns[name] = pd.Series(array, dtype=TEXT)
        else:
            columns[name] = pd.Series(array.to_numpy(zero_copy_only=False))
    return pd.DataFrame(columns, copy=False)


def coded(column: pa.ChunkedArray | pa.Array) -> Coded:
    """The distinct texts of a column as they stand in it."""
    encoded = pc.dictionary_encode(column)
    if isinstance(encoded, pa.ChunkedArray):
        encoded = encoded.combine_chunks()
    return Coded(np.asarray(encoded.indices, dtype=np.int32), encoded.dictionary)


def constant(text: str, n: int) -> Coded:
    """One text in every row."""
    return Coded(np.zeros(n, dtype=np.int32), pa.array([text], pa.string()))


def tidy(column: pa.ChunkedArray, blank: str = "") -> Coded:
    """A column's texts without blanks at both ends and without runs of them inside.

    Args:
        column: the texts. blank: what stands where a cell is empty.
    """
    found = coded(column)
    texts = pc.utf8_trim_whitespace(found.texts)
    if pc.any(pc.match_substring(texts, "  ")).as_py():
        texts = pc.replace_substring_regex(texts, r" {2,}", " ")
    if blank:
        texts = pc.if_else(pc.equal(texts, ""), blank, texts)
    if texts.equals(found.texts):
        return found
    again = coded(texts)
    return Coded(again.codes[found.codes], again.texts)


def lower_is_in(texts: pa.Array, words: frozenset[str]) -> pa.Array:
    """Whether each text is one of some words, in any case."""
    return pc.is_in(pc.utf8_lower(texts), value_set=pa.array(sorted(words), pa.string()))
