"""Batches as a table for screens: read from the batch table, or made of readings at hand."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import sqlalchemy as sa

from ingest.batches import PACKED, aggregate, sums_of

_SEPARATOR = "\x1f"


def load(
    connection: sa.Connection, characteristic_id: int | None, since_revision: int | None
) -> pd.DataFrame:
    """The batches in production order, by characteristic; see `Store.batches`.

    The database hands over one row a characteristic with its batches strung together: building
    one Python value for each cell of millions of batches takes ten times as long.
    """
    conditions, given = [], {}
    if characteristic_id is not None:
        conditions.append("characteristic_id = :owner")
        given["owner"] = characteristic_id
    if since_revision is None:
        conditions.append("n > 0")
    else:
        conditions.append("revision > :since")
        given["since"] = since_revision
    where = " AND ".join(conditions)
    kind = connection.dialect.name
    query = _STRUNG[kind].format(
        where=where, plus="+" if since_revision is not None and kind == "sqlite" else ""
    )
    rows = connection.execute(sa.text(query), given).all()
    columns = [list(column) for column in zip(*rows, strict=True)] or [[] for _ in range(9)]
    counts = np.array(columns[1], dtype=np.int64)
    texts = {name: _split(columns[5 + place]) for place, name in enumerate(_TEXTS)}
    if any(len(text) != counts.sum() for text in texts.values()):
        return _row_by_row(connection, where, given)  # a name that holds the separator
    return _as_frame(
        np.repeat(np.array(columns[0], dtype=np.int64), counts),
        _unpacked(columns[2]),
        np.fromstring(",".join(columns[4]), dtype=np.int64, sep=","),
        texts,
        np.frombuffer(_joined(columns[3]), dtype="<f8"),
    )


_TEXTS = ("batch", "instrument", "instruments", "shift")


def _strung(packed: str, number: str, text: str) -> str:
    """One row a characteristic, its batches strung together."""
    columns = [
        packed.format("packed"),
        packed.format("readings"),
        number.format("revision"),
        *(text.format(name) for name in _TEXTS),
    ]
    return (
        f"SELECT characteristic_id, COUNT(*), {', '.join(columns)} FROM batches "  # noqa: S608 - literals of this file
        # The plus keeps SQLite from walking the whole table in the order of the groups where the
        # index on the revision leads to a few rows.
        "WHERE {where} GROUP BY {plus}characteristic_id ORDER BY characteristic_id"
    )


_STRUNG = {
    "sqlite": _strung(
        "CAST(group_concat({}, '') AS BLOB)",
        "group_concat({})",
        "group_concat({}, char(31))",
    ),
    "postgresql": _strung(
        "string_agg({}, CAST('' AS bytea))",
        "string_agg(CAST({} AS text), ',')",
        "string_agg({}, chr(31))",
    ),
}


def _joined(parts: Sequence[bytes]) -> bytes:
    return b"".join(bytes(part) for part in parts)


def _unpacked(parts: Sequence[bytes]) -> dict[str, npt.NDArray[np.int64]]:
    table = np.frombuffer(_joined(parts), dtype="<i8").reshape(-1, len(PACKED))
    return {name: table[:, place].astype(np.int64) for place, name in enumerate(PACKED)}


def _split(parts: list[str]) -> pa.Array:
    if not parts:
        return pa.array([], pa.large_string())
    whole = pa.array([_SEPARATOR.join(parts)], pa.large_string())
    return pc.split_pattern(whole, _SEPARATOR).flatten()


def _row_by_row(connection: sa.Connection, where: str, given: dict[str, int]) -> pd.DataFrame:
    names = ["characteristic_id", "packed", "revision", *_TEXTS, "readings"]
    rows = connection.execute(
        sa.text(f"SELECT {', '.join(names)} FROM batches WHERE {where}"),  # noqa: S608 - literals of this file
        given,
    ).all()
    held = dict(zip(names, zip(*rows, strict=True), strict=True))
    return _as_frame(
        np.array(held["characteristic_id"], dtype=np.int64),
        _unpacked(held["packed"]),
        np.array(held["revision"], dtype=np.int64),
        {name: pa.array(held[name], pa.large_string()) for name in _TEXTS},
        np.frombuffer(_joined(held["readings"]), dtype="<f8"),
    )


def _as_frame(
    owner: npt.NDArray[np.int64],
    numbers: dict[str, npt.NDArray[np.int64]],
    revision: npt.NDArray[np.int64],
    texts: dict[str, pa.Array],
    values: npt.NDArray[np.float64],
) -> pd.DataFrame:
    """Batches sorted into production order, with what their readings come to."""
    order = np.lexsort((numbers["first_id"], numbers["order_at"], owner))
    if (np.diff(order) != 1).any():  # numbers of batches mostly rise with time
        n = numbers["n"]
        begins = np.cumsum(n) - n
        starts = np.cumsum(n[order]) - n[order]
        values = values[np.repeat(begins[order] - starts, n[order]) + np.arange(len(values))]
        owner, revision = owner[order], revision[order]
        numbers = {name: number[order] for name, number in numbers.items()}
        texts = {name: text.take(pa.array(order)) for name, text in texts.items()}
    n = numbers["n"]
    starts = np.cumsum(n) - n
    sums = {name: np.full(len(n), np.nan) for name in ("mean", "low", "high", "range", "css")}
    filled = n > 0  # reduceat has no empty stretches
    for name, found in sums_of(values, starts[filled], n[filled]).items():
        sums[name][filled] = found
    offsets = np.append(starts, len(values)).astype(np.int32)
    listed = pa.ListArray.from_arrays(pa.array(offsets), pa.array(values))
    return pd.DataFrame(
        {
            "characteristic_id": owner,
            "batch": pd.Series(texts["batch"], dtype=str),
            "use": numbers["use"],
            "first_at": _moments(numbers["first_at"]),
            "last_at": _moments(numbers["last_at"]),
            "n": n,
            **sums,
            "instrument": pd.Series(texts["instrument"], dtype=str),
            "instruments": pd.Series(texts["instruments"], dtype=str),
            "shift": pd.Series(texts["shift"], dtype=str),
            "readings": pd.Series(listed, dtype=pd.ArrowDtype(listed.type)),
            "revision": revision,
        },
        copy=False,
    )


def _moments(seconds: npt.NDArray[np.int64]) -> pd.DatetimeIndex:
    moments = seconds.astype("datetime64[s]").astype("datetime64[ns]")
    moments[seconds == 0] = np.datetime64("NaT")
    return pd.DatetimeIndex(moments).tz_localize("UTC")


def batches_of(readings: pd.DataFrame) -> pd.DataFrame:
    """The batches that a table of readings in use comes to, as `Store.batches` gives them.

    Args:
        readings: used readings in production order, with the columns of `Store.readings`.
    """
    order = readings["sampled_at"].fillna(readings["at"])
    seconds = order.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy("datetime64[s]")
    known = order.notna().to_numpy()
    used = readings.assign(
        sampled_at=np.where(known, seconds.astype(np.int64), 0),
        moment=0,
        id=np.arange(len(readings)),
    )
    used = used.fillna({"instrument": "", "shift": "", "batch": ""})
    made = aggregate(used)
    return _as_frame(
        made["characteristic_id"].to_numpy(dtype=np.int64),
        _unpacked(made["packed"].tolist()),
        np.zeros(len(made), dtype=np.int64),
        {name: pa.array(made[name].astype(str).tolist(), pa.large_string()) for name in _TEXTS},
        np.frombuffer(_joined(made["readings"].tolist()), dtype="<f8"),
    )


def reading_grid(batches: pd.DataFrame) -> npt.NDArray[np.float64]:
    """The readings of batches, shape (batches, most readings of any), nan where one has fewer."""
    if batches.empty:
        return np.empty((0, 1))
    listed = pa.array(batches["readings"])
    if isinstance(listed, pa.ChunkedArray):
        listed = listed.combine_chunks()
    values = np.asarray(listed.flatten(), dtype=float)
    n = batches["n"].to_numpy(dtype=np.int64)
    starts = np.cumsum(n) - n
    row = np.repeat(np.arange(len(n)), n)
    grid = np.full((len(n), max(1, int(n.max()))), np.nan)
    grid[row, np.arange(len(values)) - starts[row]] = values
    return grid
