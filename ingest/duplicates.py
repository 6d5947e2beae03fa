"""Rows of a file that the store holds already: told from all others, and kept as repeats."""

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import sqlalchemy as sa
from sqlalchemy.schema import CreateTable

from ingest import schema
from ingest.judging import JUDGED, KEY, REMARKS, VALUES, Found, codes_of
from ingest.reasons import UNDONE
from ingest.result_rows import load, plain_list

_OTHERS = (*VALUES, *REMARKS)
_KEPT = (*KEY, *_OTHERS)

# Rows of a file as they came, to be held against those of the store.
_INCOMING = sa.Table(
    "incoming",
    sa.MetaData(),
    *(sa.Column(name, schema.RESULTS.c[name].type) for name in ("line", *_KEPT)),
    prefixes=["TEMPORARY"],
)

_UNDER_ONE_KEY = 20

# What is to be looked up, for a join: statements with thousands of keys are slow, and limited.
ASKED = {
    n: sa.Table(
        f"asked_{n}",
        sa.MetaData(),
        *(sa.Column(name, schema.RESULTS.c[name].type) for name in KEY[:n]),
        prefixes=["TEMPORARY"],
    )
    for n in (2, len(KEY))
}


def without_twins(connection: sa.Connection, rows: pd.DataFrame, found: Found) -> pd.DataFrame:
    """The rows that the store does not hold identical in every cell; the others are duplicates.

    Results of an undone import are nobody's twins. Rows of which many have one key are left to
    `resolve`: a join would hold each of them against all that is stored under it.
    """
    key = codes_of(rows, KEY)
    looked = rows[(np.bincount(key) <= _UNDER_ONE_KEY)[key]]
    if looked.empty:
        return rows
    results, aside, incoming = schema.RESULTS, schema.SET_ASIDE, _INCOMING
    connection.execute(CreateTable(incoming, if_not_exists=True))
    connection.execute(sa.delete(incoming))
    load(connection, incoming, looked)
    undone = sa.exists().where(aside.c.result_id == results.c.id, aside.c.reason == UNDONE)
    alike = (results.c[name].is_not_distinct_from(incoming.c[name]) for name in _OTHERS)
    same = (results.c[name] == incoming.c[name] for name in KEY)
    result = connection.execute(
        sa.select(incoming.c.line, results.c.id)
        .join(results, sa.and_(*same, *alike))
        .where(~undone)
    )
    cursor: Any = result.cursor  # SQLAlchemy's own rows take longer than finding them does
    twins = cursor.fetchall()
    result.close()
    if not twins:
        return rows
    pairs = np.array(twins, dtype=np.int64)
    found.duplicates.append(stretches_of(pairs))
    return rows[~np.isin(rows["line"].to_numpy(), pairs[:, 0])]


def resolve(
    connection: sa.Connection, again: pd.DataFrame
) -> tuple[pd.DataFrame, npt.NDArray[np.int64]]:
    """Tell apart the rows whose key is taken: records of their own, and duplicates.

    Results of an undone import stand in nobody's way: a row that meets only such is new.

    Returns:
        the rows that differ from all that is stored, with the variant to store them under; and
        (line, id of the result) of those that the store, or the file above them, holds already.
    """
    everything = stored_under(connection, again[list(KEY)].drop_duplicates())
    stored = everything[~everything["undone"]]
    both = pd.DataFrame(
        {
            name: pd.Series(
                stored[name].tolist() + plain_list(again[name]),
                dtype=float if name in VALUES else object,
            )
            for name in ("id", *_KEPT)
        }
    )
    record = codes_of(both, _KEPT)
    first = np.unique(record, return_index=True)[1][record]
    new = (first == np.arange(len(both)))[len(stored) :]
    twin = both["id"].to_numpy()[first[len(stored) :][~new]].astype(np.int64)
    keys = pd.concat([everything[list(KEY)], again[list(KEY)].astype(object)], ignore_index=True)
    key = codes_of(keys.astype(object), KEY)
    highest = np.full(key.max() + 1, -1)
    np.maximum.at(highest, key[: len(everything)], everything["variant"].to_numpy(dtype=np.int64))
    beside, key = again[new], key[len(everything) :][new]
    ahead = pd.Series(key).groupby(key).cumcount().to_numpy()
    beside = beside.assign(variant=highest[key] + 1 + ahead)
    lines = again.loc[~new, "line"].to_numpy(dtype=np.int64)
    return beside, np.column_stack((lines, twin))


def ask(connection: sa.Connection, keys: pd.DataFrame) -> sa.Table:
    """Fill the temporary table for the first columns of the key, as many as there are."""
    asked = ASKED[keys.shape[1]]
    connection.execute(CreateTable(asked, if_not_exists=True))
    connection.execute(sa.delete(asked))
    columns = (plain_list(keys[name]) for name in keys.columns)
    rows = [dict(zip(keys.columns, row, strict=True)) for row in zip(*columns, strict=True)]
    connection.execute(sa.insert(asked), rows)
    return asked


def stored_under(connection: sa.Connection, keys: pd.DataFrame) -> pd.DataFrame:
    """All that is stored under some keys, or first columns of the key, each row with its `own`.

    `own` is the reason that the row brought along, "" where it had none; `undone` whether its
    import was undone.
    """
    results, aside, kinds = schema.RESULTS, schema.SET_ASIDE, schema.CHARACTERISTICS
    asked = ask(connection, keys)
    brought = sa.and_(aside.c.result_id == results.c.id, aside.c.reason.not_in([*JUDGED, UNDONE]))
    gone = aside.alias("gone")
    undone = sa.exists().where(gone.c.result_id == results.c.id, gone.c.reason == UNDONE)
    names = ("id", "variant", *_KEPT)
    query = (
        sa.select(
            *(results.c[name] for name in names),
            sa.func.coalesce(aside.c.reason, "").label("own"),
            undone.label("undone"),
            kinds.c.product,
            kinds.c.sample_type,
        )
        .join(asked, sa.and_(*(results.c[name] == asked.c[name] for name in keys.columns)))
        .join(kinds, kinds.c.id == results.c.characteristic_id)
        .outerjoin(aside, brought)
    )
    columns = [*names, "own", "undone", "product", "sample_type"]
    frame = pd.DataFrame(connection.execute(query).all(), columns=columns, dtype=object)
    numbers = ("id", "variant", "characteristic_id", "replicate", "moment", "sampled_at")
    types = dict.fromkeys(numbers, np.int64) | dict.fromkeys(VALUES, float) | {"undone": bool}
    frame = frame.astype(types)
    # asked for in this order, SQLite would go through all results, to have nothing to sort
    return frame.sort_values("id", kind="stable", ignore_index=True)


def stretches_of(pairs: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Pairs of (line, id) that run side by side: (first line, last line, first id)."""
    if not len(pairs):
        return np.empty((0, 3), dtype=np.int64)
    pairs = pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))]
    begins = (np.diff(pairs, axis=0) != 1).any(axis=1)
    firsts = np.flatnonzero(np.concatenate(([True], begins)))
    lasts = np.concatenate((firsts[1:], [len(pairs)])) - 1
    return np.column_stack((pairs[firsts, 0], pairs[lasts, 0], pairs[firsts, 1]))


def insert_repeated(connection: sa.Connection, import_id: int, found: Found) -> int:
    """Keep which result every repeated line repeats, in stretches; the number of such lines."""
    stretches = np.concatenate([np.empty((0, 3), dtype=np.int64), *found.duplicates])
    if not len(stretches):
        return 0
    stretches = stretches[np.argsort(stretches[:, 0])]
    first, last, number = stretches.T
    follows = (first[1:] == last[:-1] + 1) & (number[1:] - number[:-1] == first[1:] - first[:-1])
    begins = np.flatnonzero(np.concatenate(([True], ~follows)))
    ends = np.concatenate((begins[1:], [len(stretches)])) - 1
    connection.execute(
        sa.insert(schema.REPEATED),
        [
            {
                "import_id": import_id,
                "first_line": int(first[a]),
                "last_line": int(last[b]),
                "first_result_id": int(number[a]),
            }
            for a, b in zip(begins, ends, strict=True)
        ],
    )
    return int((last - first + 1).sum())
