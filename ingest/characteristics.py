"""Characteristics: a product at one measuring condition, under the number that all else uses."""

from functools import lru_cache

import numpy as np
import pandas as pd
import sqlalchemy as sa

from ingest import schema
from ingest.coded import cells_at
from ingest.judging import codes_of, digits_of
from ingest.opening import next_id

_CONDITION = ("spindle", "speed", "set_temperature", "reading_time", "guard", "method")
_NAMES = ("product", "sample_type", "stage", *_CONDITION)


Known = dict[tuple[str, ...], int]
"""The ids of characteristics by what makes them."""


def known_characteristics(connection: sa.Connection) -> Known:
    """All characteristics of the store."""
    columns = (schema.CHARACTERISTICS.c[name] for name in _NAMES)
    found = connection.execute(sa.select(schema.CHARACTERISTICS.c.id, *columns))
    return {tuple(row[1:]): int(row[0]) for row in found}


def with_characteristics(
    connection: sa.Connection, rows: pd.DataFrame, known: Known
) -> pd.DataFrame:
    """The rows with the id of their characteristic, new characteristics written to the store.

    Args:
        connection: the open transaction. rows: as typed.
        known: the characteristics of the store; new ones are added to it.
    """
    if rows.empty:
        return rows.assign(characteristic_id=pd.Series(dtype="int64"), moment=0)
    codes = codes_of(rows, _NAMES)
    firsts = np.unique(codes, return_index=True)[1]
    values = list(zip(*(_as_keys(cells_at(rows[name], firsts)) for name in _NAMES), strict=True))
    fresh = list(dict.fromkeys(value for value in values if value not in known))
    if fresh:
        free = next_id(connection, schema.CHARACTERISTICS)
        named = [dict(zip(_NAMES, value, strict=True)) for value in fresh]
        connection.execute(
            sa.insert(schema.CHARACTERISTICS),
            [
                {"id": number, "condition": condition_label(parts), **parts}
                for number, parts in enumerate(named, start=free)
            ],
        )
        known.update(zip(fresh, range(free, free + len(fresh)), strict=True))
    ids = np.array([known[value] for value in values], dtype=np.int64)
    moment = np.where(rows["tested_at"] != 0, rows["tested_at"], rows["sampled_at"])
    return rows.assign(characteristic_id=ids[codes], moment=moment)


def _as_keys(cells: list[object]) -> list[str]:
    """A part of the measuring condition as texts: "" where it is not recorded."""
    return [
        str(cell) if not isinstance(cell, float) else "" if cell != cell else _digits(cell)
        for cell in cells
    ]


@lru_cache(maxsize=1024)
def _digits(value: float) -> str:
    return digits_of(value, 6)


def condition_label(values: dict[str, str]) -> str:
    """The measuring condition in words, such as "S3 · 20 rpm"."""
    parts = [values["spindle"]] if values["spindle"] else []
    if values["speed"]:
        parts.append(f"{values['speed']} rpm")
    if values["set_temperature"]:
        parts.append(f"{values['set_temperature']} °C")
    if values["reading_time"]:
        parts.append(f"{values['reading_time']} s")
    if values["guard"]:
        parts.append(f"guard {values['guard']}")
    if values["method"]:
        parts.append(values["method"])
    label = " · ".join(parts) or "condition not recorded"
    return f"{label} · {values['stage']}" if values["stage"] else label
