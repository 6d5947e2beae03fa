"""Parquet files as delimited text: line 1 holds the names, line n + 1 the n-th row."""

import os
from typing import IO

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from ingest.answers import Understood
from ingest.errors import IngestError
from ingest.unfolded import TextFile, Unfolded, certain, one_line, tabbed

_ROWS_AT_ONCE = 20_000
_MOST_COLUMNS = 2_000


def open_parquet(file: IO[bytes], name: str) -> Unfolded:
    """The rows of a Parquet file as text; numbers with all their digits, times as ISO 8601.

    Raises:
        IngestError: damaged, or holding far more than its size allows.
    """
    size = file.seek(0, os.SEEK_END)
    file.seek(0)
    try:
        schema = pq.read_schema(file)
        # strings come as codes into a list: a giant one that is repeated is held once
        strings = [field.name for field in schema if _is_text(field.type)]
        source = pq.ParquetFile(file, read_dictionary=strings)
        kept = [field.name for field in schema if not _is_nested(field.type)]
        if len(kept) > _MOST_COLUMNS or len(set(schema.names)) < len(schema.names):
            raise IngestError(
                f"{name} has {len(schema.names)} columns, or two of one name: export only those "
                "of the readings."
            )
        text = TextFile(name, size)
        text.write((tabbed(one_line(heading, " ") for heading in kept) + "\n").encode())
        text.expect(source.metadata.num_rows * len(kept))  # a mark behind each cell at least
        for batch in source.iter_batches(_ROWS_AT_ONCE, columns=kept):
            columns = [batch.column(heading) for heading in kept]
            text.expect(sum(map(_length, columns)))
            lines = pc.binary_join_element_wise(*map(_texts, columns), "\t")
            text.write(("\n".join(lines.to_pylist()) + "\n").encode("utf-8", "replace"))
    except IngestError:
        raise
    except (pa.ArrowException, OSError, ValueError, MemoryError):
        raise IngestError(
            f"{name} is a Parquet file that is damaged or cut short: export or copy it again."
        ) from None
    rows = source.metadata.num_rows
    about = [Understood("file", "Parquet", f"{rows} rows; the names of its columns are line 1")]
    about += [
        Understood(f"'{field.name}'", "left out", "it holds lists or bytes, not single values")
        for field in schema
        if _is_nested(field.type)
    ]
    return Unfolded(text.done(), name, about=tuple(about), ours=True)


def _is_text(kind: pa.DataType) -> bool:
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind))


def _is_nested(kind: pa.DataType) -> bool:
    binary = pa.types.is_binary(kind) or pa.types.is_large_binary(kind)
    return bool(pa.types.is_nested(kind) or binary or pa.types.is_fixed_size_binary(kind))


def _length(column: pa.Array) -> int:
    """How many bytes of text a column holds, a text that is repeated counted each time."""
    if pa.types.is_dictionary(column.type):
        lengths = pc.binary_length(column.dictionary).take(column.indices)
    elif _is_text(column.type):
        lengths = pc.binary_length(column)
    else:
        return 0
    return int(pc.sum(lengths.cast(pa.int64())).as_py() or 0)


def _texts(column: pa.Array) -> pa.Array:
    """A column as cells of text, "" where it holds nothing."""
    kind = column.type
    if pa.types.is_dictionary(kind):
        # each text is looked at once, however often it is repeated
        known = _texts(column.dictionary)
        return pc.fill_null(known.take(column.indices), "")
    if pa.types.is_timestamp(kind):
        texts = _times(column, kind)
    elif pa.types.is_floating(kind):
        wide = column.cast(pa.float32()) if pa.types.is_float16(kind) else column
        texts = _numbers(pc.cast(wide, pa.string()))
    elif _is_text(kind):
        texts = column.cast(pa.string())
    elif pa.types.is_integer(kind):
        texts = pc.cast(column, pa.string())
    else:
        told = ["" if value is None else str(value) for value in column.to_pylist()]
        texts = pa.array(told, pa.string())
    texts = pc.fill_null(texts, "")
    if pc.any(pc.match_substring_regex(texts, r'["\t\r\n]')).as_py():
        texts = pa.array([tabbed([one_line(text)]) for text in texts.to_pylist()], pa.string())
    return texts


def _numbers(texts: pa.Array) -> pa.Array:
    """Numbers without an exponent, and with a mark that can only be a decimal one."""
    texts = pc.if_else(pc.equal(texts, "nan"), None, texts)
    odd = pc.match_substring_regex(texts, r"e|^[+-]?[1-9]\d{0,2}\.\d{3}$|\.0$")
    if not pc.any(odd).as_py():
        return texts
    return pa.array([None if text is None else _plain(text) for text in texts.to_pylist()])


def _plain(text: str) -> str:
    """A number as its shortest text, without an exponent."""
    if "e" in text:
        text = np.format_float_positional(float(text), trim="-")
    return certain(text.removesuffix(".0"))


def _times(column: pa.Array, kind: pa.TimestampType) -> pa.Array:
    seconds = pc.floor_temporal(column.cast(pa.timestamp(kind.unit)), unit="second")
    texts = pc.strftime(seconds.cast(pa.timestamp("s")), format="%Y-%m-%dT%H:%M:%S")
    return texts if kind.tz is None else pc.binary_join_element_wise(texts, "Z", "")
