"""Writing many rows at once, as fast as the driver takes them."""

import contextlib
from collections.abc import Mapping, Sequence
from typing import Any

import sqlalchemy as sa

_MANY = 1000  # rows for which copying is worth its table


def insert_many(
    connection: sa.Connection,
    table: str,
    columns: Mapping[str, Sequence[object]],
    literals: Mapping[str, str] | None = None,
) -> int:
    """Insert rows, given by column; rows whose key is taken are passed over.

    The driver is called directly: for a million rows the lists of tuples that SQLAlchemy wants
    cost as much as their reading does.

    Args:
        connection: the open transaction. table: its name, one of our own.
        columns: name -> a value for each row. literals: name -> SQL for what all rows have.

    Returns:
        the number of rows that were written.
    """
    made: Any = connection.connection.cursor()
    with contextlib.closing(made) as cursor:
        if connection.dialect.name == "postgresql" and len(next(iter(columns.values()))) >= _MANY:
            return _copied(cursor, table, columns, literals or {})
        mark = "%s" if connection.dialect.name == "postgresql" else "?"
        given = dict.fromkeys(columns, mark) | dict(literals or {})
        cursor.executemany(
            f"INSERT INTO {table} ({_listed(given)}) VALUES ({', '.join(given.values())}) "  # noqa: S608 - names of our own, literals of plain letters
            "ON CONFLICT DO NOTHING",
            zip(*columns.values(), strict=True),
        )
        return int(cursor.rowcount)


def _copied(
    cursor: Any,
    table: str,
    columns: Mapping[str, Sequence[object]],
    literals: Mapping[str, str],
) -> int:
    """The same on PostgreSQL: its COPY knows no taken keys, so rows go by a table of their own."""
    names = _listed(columns)
    given = _listed({**columns, **literals})
    cursor.execute("DROP TABLE IF EXISTS pg_temp.copied")
    cursor.execute(f"CREATE TEMPORARY TABLE copied AS SELECT {names} FROM {table} WITH NO DATA")  # noqa: S608 - as above
    with cursor.copy(f"COPY pg_temp.copied ({names}) FROM STDIN") as copy:
        for row in zip(*columns.values(), strict=True):
            copy.write_row(row)
    cursor.execute(
        f"INSERT INTO {table} ({given}) "  # noqa: S608 - as above
        f"SELECT {', '.join([names, *literals.values()])} FROM pg_temp.copied "
        "ON CONFLICT DO NOTHING"
    )
    written = int(cursor.rowcount)
    cursor.execute("DROP TABLE pg_temp.copied")
    return written


def _listed(names: Mapping[str, object]) -> str:
    return ", ".join(f'"{name}"' for name in names)
