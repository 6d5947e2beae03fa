"""Writing many rows at once, as fast as the driver takes them."""

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Any

import sqlalchemy as sa

_MANY = 1000  # rows for which copying is worth its table
_ROWS = 100  # of one statement on SQLite: more of them gain nothing
_VARIABLES = 999  # that every SQLite takes in one statement


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
        if connection.dialect.name == "sqlite":
            return _in_bundles(cursor, table, columns, literals or {})
        if len(next(iter(columns.values()))) >= _MANY:
            return _copied(cursor, table, columns, literals or {})
        given = dict.fromkeys(columns, "%s") | dict(literals or {})
        cursor.executemany(
            f"INSERT INTO {table} ({_listed(given)}) VALUES ({', '.join(given.values())}) "  # noqa: S608 - names of our own, literals of plain letters
            "ON CONFLICT DO NOTHING",
            zip(*columns.values(), strict=True),
        )
        return int(cursor.rowcount)


def _in_bundles(
    cursor: Any,
    table: str,
    columns: Mapping[str, Sequence[object]],
    literals: Mapping[str, str],
) -> int:
    """The same on SQLite: many rows to a statement, as each statement has its own price."""
    held = [values if isinstance(values, list) else list(values) for values in columns.values()]
    size = max(1, min(_ROWS, _VARIABLES // len(held)))
    n = len(held[0])
    whole = n - n % size
    begin = f"INSERT INTO {table} ({_listed({**columns, **literals})}) VALUES "  # noqa: S608 - as above

    def bundles() -> Iterator[list[object]]:
        for start in range(0, whole, size):
            cells: list[object] = []
            for values in held:
                cells += values[start : start + size]
            yield cells

    written = 0
    if whole:
        rows = _marks(len(held), size, tuple(literals.values()))
        cursor.executemany(f"{begin} {rows} ON CONFLICT DO NOTHING", bundles())
        written += int(cursor.rowcount)
    if whole < n:
        row = _marks(len(held), 1, tuple(literals.values()))
        left = zip(*(values[whole:] for values in held), strict=True)
        cursor.executemany(f"{begin} {row} ON CONFLICT DO NOTHING", left)
        written += int(cursor.rowcount)
    return written


@lru_cache(maxsize=16)
def _marks(width: int, rows: int, literals: tuple[str, ...]) -> str:
    """The places of the cells of some rows, given column by column: pieces of lists, unmixed."""
    each = (
        [*(f"?{place}" for place in range(row, width * rows + 1, rows)), *literals]
        for row in range(1, rows + 1)
    )
    return ", ".join(f"({', '.join(cells)})" for cells in each)


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
