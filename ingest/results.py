"""Questions to the store about its readings: each is one function on an open connection."""

import json
from typing import Any

import pandas as pd
import sqlalchemy as sa

from ingest import schema

_READING_COLUMNS = """
    r.id, r.characteristic_id, r.batch, r.replicate, r.instrument, r.moment, r.sampled_at,
    r.viscosity, r.torque, r.temperature, r.received, r.operator, r.lot, r.line_name, r.shift,
    r.status, r.comment, r.import_id, r.line AS file_line
"""

_MADE = "(CASE WHEN r.sampled_at <> 0 THEN r.sampled_at ELSE r.moment END)"  # 0: not recorded

# An undo comes before every other reason of a reading; of those the first by name stands.
FIRST_REASON = "LTRIM(MIN(CASE WHEN a.reason = 'import_undone' THEN ' ' ELSE '' END || a.reason))"


def imports(connection: sa.Connection) -> pd.DataFrame:
    """Every import, newest first; see `Store.imports`."""
    undone = set(connection.execute(sa.select(schema.UNDONE_IMPORTS.c.import_id)).scalars())
    found = connection.execute(
        sa.select(schema.IMPORTS).order_by(schema.IMPORTS.c.id.desc())
    ).mappings()
    rows = []
    for row in found:
        account = json.loads(row["account"])
        rows.append(
            {
                "id": row["id"],
                "at": pd.Timestamp(row["at"]),
                "file": row["file"],
                "digest": row["digest"],
                "source": row["source"],
                "rows_read": account["rows_read"],
                "used": account["used"],
                "set_aside": sum(account["set_aside"].values()),
                "not_parsed": sum(account["not_parsed"].values()),
                "duplicates": account["duplicates"],
                "conflicts": account["conflicts"],
                "answers": row["answers"],
                "undone": row["id"] in undone,
            }
        )
    columns = ["id", "at", "file", "digest", "source", "rows_read", "used", "set_aside"]
    columns += ["not_parsed", "duplicates", "conflicts", "answers", "undone"]
    return pd.DataFrame(rows, columns=columns)


def characteristics(connection: sa.Connection) -> pd.DataFrame:
    """Every characteristic, with the number of its readings in use."""
    return _frame(
        connection,
        "SELECT c.id, c.product, c.condition, c.sample_type, c.stage, "
        "CAST(COALESCE(SUM(b.n), 0) AS INTEGER) AS n_readings FROM characteristics c "
        "LEFT JOIN batches b ON b.characteristic_id = c.id "
        "GROUP BY c.id, c.product, c.condition, c.sample_type, c.stage "
        "ORDER BY c.product, c.condition",
        {},
    )


def readings(
    connection: sa.Connection,
    characteristic_id: int | None,
    aside: bool,
    batch: str | None,
    only_aside: bool = False,
    between: tuple[int, int] | None = None,
) -> pd.DataFrame:
    """Readings in production order; see `Store.readings`."""
    conditions: list[str] = []
    values: dict[str, Any] = {}
    if between is not None:
        conditions.append(f"{_MADE} >= :since AND {_MADE} < :before")
        values |= {"since": between[0], "before": between[1]}
    if characteristic_id is not None:
        conditions.append("r.characteristic_id = :characteristic_id")
        values["characteristic_id"] = characteristic_id
    if batch is not None:
        conditions.append("r.batch = :batch")
        values["batch"] = batch
    reason = "''"
    if aside:
        reason = f"COALESCE((SELECT {FIRST_REASON} FROM set_aside a WHERE a.result_id = r.id), '')"  # noqa: S608 - only literals of this file
        if only_aside:
            conditions.append("r.id IN (SELECT a.result_id FROM set_aside a)")
    else:
        conditions.append("NOT EXISTS (SELECT 1 FROM set_aside a WHERE a.result_id = r.id)")
    where = f"WHERE {' AND '.join(conditions)}" if conditions else ""
    key, joined = "''", ""
    if connection.execute(sa.select(schema.PULLED_IMPORTS.c.import_id).limit(1)).first():
        key = "COALESCE(p.key, '')"
        joined = "LEFT JOIN pulled_rows p ON p.import_id = r.import_id AND p.line = r.line "
    frame = _frame(
        connection,
        f"SELECT {_READING_COLUMNS}, {reason} AS reason, i.file, c.stage, c.sample_type, "  # noqa: S608 - only literals of this file
        f"{key} AS source_key FROM results r JOIN imports i ON i.id = r.import_id "
        f"JOIN characteristics c ON c.id = r.characteristic_id {joined}{where}",
        values,
    )
    return _in_production_order(frame)


def operators(connection: sa.Connection, characteristic_id: int) -> list[str]:
    """The people who read this characteristic, by their first reading in the store."""
    rows = connection.execute(
        sa.text(
            "SELECT operator, MIN(id) AS first FROM results "
            "WHERE characteristic_id = :characteristic_id AND operator <> '' "
            "GROUP BY operator ORDER BY first"
        ),
        {"characteristic_id": characteristic_id},
    )
    return [str(row.operator) for row in rows]


def lots(connection: sa.Connection, characteristic_id: int) -> dict[str, str]:
    """Batch to its raw-material lot, where one is recorded; of several the first by name."""
    rows = connection.execute(
        sa.text(
            "SELECT batch, MIN(lot) AS lot FROM results "
            "WHERE characteristic_id = :characteristic_id AND lot <> '' GROUP BY batch"
        ),
        {"characteristic_id": characteristic_id},
    )
    return {str(row.batch): str(row.lot) for row in rows}


def set_aside(connection: sa.Connection, import_id: int | None) -> pd.DataFrame:
    """Rows set aside, with every reason that they have."""
    return _frame(
        connection,
        "SELECT i.file, r.line, c.product, r.batch, r.replicate, r.received, a.reason, "
        "a.detail, r.comment FROM set_aside a JOIN results r ON r.id = a.result_id "
        "JOIN imports i ON i.id = r.import_id "
        "JOIN characteristics c ON c.id = r.characteristic_id "
        "WHERE CAST(:import_id AS INTEGER) IS NULL OR r.import_id = :import_id "
        "ORDER BY i.id, r.line",
        {"import_id": import_id},
    )


def set_aside_counts(connection: sa.Connection, before: int | None = None) -> pd.DataFrame:
    """How many readings are set aside: characteristic_id, reason (the first of each), count."""
    made = "" if before is None else f"WHERE {_MADE} < :before "
    return _frame(
        connection,
        "SELECT r.characteristic_id, f.reason, COUNT(*) AS n FROM results r JOIN "  # noqa: S608 - only literals of this file
        f"(SELECT a.result_id, {FIRST_REASON} AS reason FROM set_aside a GROUP BY a.result_id) f "
        f"ON f.result_id = r.id {made}GROUP BY r.characteristic_id, f.reason "
        "ORDER BY r.characteristic_id, f.reason",
        {} if before is None else {"before": before},
    )


def not_parsed(connection: sa.Connection, import_id: int | None) -> pd.DataFrame:
    """Records that could not be read."""
    return _frame(
        connection,
        "SELECT n.import_id, i.file, n.line, n.reason, n.text FROM not_parsed n "
        "JOIN imports i ON i.id = n.import_id "
        "WHERE CAST(:import_id AS INTEGER) IS NULL OR n.import_id = :import_id "
        "ORDER BY n.import_id, n.line",
        {"import_id": import_id},
    )


def _frame(connection: sa.Connection, query: str, values: dict[str, Any]) -> pd.DataFrame:
    result = connection.execute(sa.text(query), values)
    names, rows = list(result.keys()), result.fetchall()
    if not rows:
        return pd.DataFrame([], columns=names)
    # column by column: pandas asks every single row what kind of tuple it is, which takes longer
    # than all else
    columns = map(list, zip(*rows, strict=True))
    return pd.DataFrame(dict(zip(names, columns, strict=True)), columns=names)


def _in_production_order(frame: pd.DataFrame) -> pd.DataFrame:
    """Times in UTC, and the rows by sampling time, else time of reading, else file order."""
    for name in ("viscosity", "torque", "temperature"):
        frame[name] = frame[name].astype(float)
    sampled = frame["sampled_at"].astype("int64")
    moment = frame["moment"].astype("int64")
    order = sampled.where(sampled != 0, moment)
    frame["at"] = pd.to_datetime(moment.where(moment != 0), unit="s", utc=True)
    frame["sampled_at"] = pd.to_datetime(sampled.where(sampled != 0), unit="s", utc=True)
    frame["_order"] = order
    frame = frame.sort_values(["_order", "import_id", "file_line"], kind="stable")
    return frame.drop(columns=["_order", "moment"]).reset_index(drop=True)
