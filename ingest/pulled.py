"""Questions about what was pulled: the sources, the database key of a reading, and changes."""

import json
from collections.abc import Sequence
from typing import Any

import pandas as pd
import sqlalchemy as sa

from ingest import schema
from ingest.pull_state import cells_of
from ingest.source_cells import key_cells
from ingest.store import Store
from ingest.watermarks import from_store

_AT_ONCE = 500


def sources(store: Store) -> pd.DataFrame:
    """Every source that was pulled from: name, pulled_at, watermark, n_rows, n_gone, outcome.

    `outcome` is what the last pull came to, as `PullReport.as_dict` gives it, without the changes.
    """
    table, rows = schema.SOURCES, schema.SOURCE_ROWS
    gone = sa.func.sum(sa.case((rows.c.missing_since != "", 1), else_=0))
    counts = (
        sa.select(rows.c.source_id, sa.func.count().label("n"), gone.label("gone"))
        .group_by(rows.c.source_id)
        .subquery()
    )
    query = (
        sa.select(table, counts.c.n, counts.c.gone)
        .outerjoin(counts, counts.c.source_id == table.c.id)
        .order_by(table.c.name)
    )
    with store.reading() as connection:
        found = connection.execute(query).mappings().all()
    return pd.DataFrame(
        [
            {
                "name": row["name"],
                "pulled_at": pd.Timestamp(row["pulled_at"]) if row["pulled_at"] else pd.NaT,
                "watermark": str(from_store(row["watermark"]) or ""),
                "n_rows": int(row["n"] or 0),
                "n_gone": int(row["gone"] or 0),
                "outcome": json.loads(row["outcome"]),
            }
            for row in found
        ],
        columns=["name", "pulled_at", "watermark", "n_rows", "n_gone", "outcome"],
    )


def source_keys(store: Store, result_ids: Sequence[int]) -> dict[int, str]:
    """Where readings stand in the database that they came from: id of a result -> its key.

    A reading of a file has none and is left out.
    """
    results, rows = schema.RESULTS, schema.PULLED_ROWS
    query = (
        sa.select(results.c.id, rows.c.key)
        .join(
            rows,
            sa.and_(rows.c.import_id == results.c.import_id, rows.c.line == results.c.line),
        )
        .where(results.c.id.in_(sa.bindparam("some", expanding=True)))
    )
    found: dict[int, str] = {}
    ids = [int(number) for number in result_ids]
    with store.reading() as connection:
        for start in range(0, len(ids), _AT_ONCE):
            for number, key in connection.execute(query, {"some": ids[start : start + _AT_ONCE]}):
                found[int(number)] = ", ".join(key_cells(str(key)))
    return found


def source_changes(store: Store, name: str | None = None) -> pd.DataFrame:
    """Every change that pulls came upon, oldest first: one row a cell, old beside new.

    Args:
        store: the store. name: one source only.

    Returns:
        source, key, at (when the new version was pulled), column, old, new, old_import, old_line,
        import_id, line.
    """
    pulled, rows, imports = schema.PULLED_IMPORTS, schema.PULLED_ROWS, schema.IMPORTS
    query = (
        sa.select(schema.SOURCES.c.name, imports.c.at, rows)
        .join(pulled, pulled.c.import_id == rows.c.import_id)
        .join(schema.SOURCES, schema.SOURCES.c.id == pulled.c.source_id)
        .join(imports, imports.c.id == rows.c.import_id)
        .where(pulled.c.n_changed > 0, rows.c.old_import_id.is_not(None))
        .order_by(rows.c.import_id, rows.c.line)
    )
    if name is not None:
        query = query.where(schema.SOURCES.c.name == name)
    told: list[dict[str, Any]] = []
    with store.reading() as connection:
        found = connection.execute(query).mappings().all()
        places = [(row["import_id"], row["line"]) for row in found]
        places += [(row["old_import_id"], row["old_line"]) for row in found]
        cells = cells_of(connection, places)
    for row in found:
        old = cells[row["old_import_id"], row["old_line"]]
        new = cells[row["import_id"], row["line"]]
        told += [
            {
                "source": row["name"],
                "key": ", ".join(key_cells(row["key"])),
                "at": pd.Timestamp(row["at"]),
                "column": column,
                "old": old[column],
                "new": cell,
                "old_import": row["old_import_id"],
                "old_line": row["old_line"],
                "import_id": row["import_id"],
                "line": row["line"],
            }
            for column, cell in new.items()
            if column in old and old[column] != cell
        ]
    columns = ["source", "key", "at", "column", "old", "new"]
    return pd.DataFrame(told, columns=[*columns, "old_import", "old_line", "import_id", "line"])


def faults(connection: sa.Connection) -> list[str]:
    """Pulled imports whose rows are not those that were pulled, a sentence each."""
    pulled, rows, newest = schema.PULLED_IMPORTS, schema.PULLED_ROWS, schema.SOURCE_ROWS
    held = (
        sa.select(rows.c.import_id, sa.func.count().label("n")).group_by(rows.c.import_id)
    ).subquery()
    counts = connection.execute(
        sa.select(pulled.c.import_id, held.c.n, schema.IMPORTS.c.account)
        .join(schema.IMPORTS, schema.IMPORTS.c.id == pulled.c.import_id)
        .outerjoin(held, held.c.import_id == pulled.c.import_id)
        .order_by(pulled.c.import_id)
    ).all()
    found = [
        f"Import {number}: {json.loads(account)['rows_read']} rows were pulled, {n or 0} are kept."
        for number, n, account in counts
        if json.loads(account)["rows_read"] != (n or 0)
    ]
    same = sa.and_(
        rows.c.import_id == newest.c.import_id,
        rows.c.line == newest.c.line,
        rows.c.key == newest.c.key,
    )
    lost = connection.execute(
        sa.select(sa.func.count())
        .select_from(newest.outerjoin(rows, same))
        .where(rows.c.import_id.is_(None))
    ).scalar_one()
    return found + ([f"Sources: {lost} rows point to no row that was pulled."] if lost else [])
