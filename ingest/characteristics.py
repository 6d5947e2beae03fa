"""Characteristics: a product at one measuring condition, under the number that all else uses."""

from typing import Any

import numpy as np
import pandas as pd
import sqlalchemy as sa

from ingest import schema
from ingest.judging import codes_of, digits_of
from ingest.opening import next_id

_CONDITION = ("spindle", "speed", "set_temperature", "reading_time", "guard", "method")


def with_characteristics(connection: sa.Connection, rows: pd.DataFrame) -> pd.DataFrame:
    """The rows with the id of their characteristic, new characteristics written to the store."""
    if rows.empty:
        return rows.assign(characteristic_id=pd.Series(dtype="int64"), moment=0)
    names = ("product", "sample_type", "stage", *_CONDITION)
    codes = codes_of(rows, names)
    firsts = np.unique(codes, return_index=True)[1]
    known = {
        tuple(row[1:]): row[0]
        for row in connection.execute(
            sa.select(
                schema.CHARACTERISTICS.c.id,
                *(schema.CHARACTERISTICS.c[name] for name in names),
            )
        )
    }
    ids = np.zeros(len(firsts), dtype=np.int64)
    free = next_id(connection, schema.CHARACTERISTICS)
    for position, first in enumerate(firsts):
        values = tuple(_as_key(rows[name].iat[int(first)]) for name in names)
        if values not in known:
            known[values] = free
            named = dict(zip(names, values, strict=True))
            connection.execute(
                sa.insert(schema.CHARACTERISTICS).values(
                    id=free, condition=condition_label(named), **named
                )
            )
            free += 1
        ids[position] = known[values]
    moment = np.where(rows["tested_at"] != 0, rows["tested_at"], rows["sampled_at"])
    return rows.assign(characteristic_id=ids[codes], moment=moment)


def _as_key(value: Any) -> str:
    """A part of the measuring condition as text: "" where it is not recorded."""
    if isinstance(value, str):
        return value
    return "" if np.isnan(value) else digits_of(value, 6)


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
