"""The statements that a source is asked with: SELECT only, every name quoted, values bound.

What is checked here is said early and in words; what keeps a source from being written to is the
read-only transaction, and the rights of the account.
"""

import hashlib
import re
from collections.abc import Sequence
from typing import Any

import sqlalchemy as sa
from sqlalchemy.sql.elements import quoted_name

from ingest.errors import IngestError

_FORBIDDEN = {
    *("insert", "update", "delete", "merge", "into", "create", "drop", "alter", "truncate"),
    *("grant", "revoke", "call", "copy", "attach", "detach", "pragma", "vacuum", "lock"),
    *("begin", "commit", "rollback", "savepoint", "execute", "exec", "load", "handler"),
}
_ALIAS = "pulled"
_BACKSLASHES = ("mysql", "mariadb")  # where \ escapes within a text, and # begins a remark


def check_query(query: str, backend: str, where: str) -> None:
    """Refuse what is not one SELECT.

    Raises:
        IngestError: more than one statement, another kind of statement, or a text left open.
    """
    bare = _without_texts(query, backend, where)
    if ";" in bare:
        raise IngestError(f"{where}: query holds more than one statement: give one SELECT.")
    words = re.findall(r"[^\W\d]\w*", bare.lower())
    if not words or words[0] not in ("select", "with"):
        raise IngestError(f"{where}: query is not a SELECT: a source is only read.")
    wrong = next((word for word in words if word in _FORBIDDEN), None)
    if wrong is not None:
        raise IngestError(
            f"{where}: query holds the word {wrong.upper()}, which can change something: a source "
            "is only read. Put it in quotation marks if it is the name of a column."
        )
    depth = 0
    for mark in re.findall(r"[()]", bare):
        depth += 1 if mark == "(" else -1
        if depth < 0:
            break
    if depth:
        raise IngestError(f"{where}: the brackets in query do not close: look at it.")


def _without_texts(query: str, backend: str, where: str) -> str:
    """The query with texts, quoted names and remarks blanked out, so that its words can be read."""
    if "/*!" in query or "/*M!" in query:
        raise IngestError(f"{where}: query hides statements in remarks: take /*! … */ out.")
    if re.search(r"\$\w*\$", query):
        raise IngestError(f"{where}: query quotes a text with $ signs: use ' instead.")
    slashes = backend in _BACKSLASHES
    pattern = re.compile(
        r"--[^\n]*"
        + (r"|\#[^\n]*" if slashes else "")
        + r"|/\*.*?\*/"
        + (r"|'(?:[^'\\]|''|\\.)*'" if slashes else r"|'(?:[^']|'')*'")
        + r'|"(?:[^"]|"")*"|`(?:[^`]|``)*`',
        re.DOTALL,
    )
    bare = pattern.sub(" ", query)
    if re.search(r"['\"`]|/\*", bare):
        raise IngestError(f"{where}: a text or remark in query is not closed: look at it.")
    return bare


def _relation(
    schema: str, table: str, query: str, columns: Sequence[str]
) -> sa.TableClause | sa.Subquery:
    """The table or the query as something to select from, every name of it quoted."""
    listed: list[sa.ColumnClause[Any]] = [
        sa.column(quoted_name(name, quote=True)) for name in columns
    ]
    if query:
        return sa.text(f"{_literal(query)}\n").columns(*listed).subquery(_ALIAS)
    return sa.table(
        quoted_name(table, quote=True),
        *listed,
        schema=quoted_name(schema, quote=True) if schema else None,
    )


def _literal(query: str) -> str:
    """A query in which a colon is a colon and begins no parameter of ours."""
    return query.replace(":", r"\:")


def statement(
    schema: str,
    table: str,
    query: str,
    columns: Sequence[str],
    key: Sequence[str],
    watermark: str,
    since: sa.BindParameter[object] | None,
) -> sa.Select[Any]:
    """Rows from a watermark on, and those that have none, in the order of watermark and key."""
    relation = _relation(schema, table, query, columns)
    select = sa.select(*(relation.c[name] for name in columns))
    order = [
        relation.c[name] for name in dict.fromkeys([*([watermark] if watermark else []), *key])
    ]
    if since is not None:
        mark = relation.c[watermark]
        select = select.where(sa.or_(mark >= since, mark.is_(None)))
    return select.order_by(*order)


def count_statement(schema: str, table: str, query: str, key: Sequence[str]) -> sa.Select[Any]:
    """How many rows there are."""
    return sa.select(sa.func.count()).select_from(_relation(schema, table, query, key))


def column_statement(schema: str, table: str, query: str) -> sa.TextClause | sa.Select[Any]:
    """No rows, but the names of all columns."""
    if query:
        return sa.text(f"SELECT * FROM (\n{_literal(query)}\n) AS {_ALIAS} WHERE 1 = 0")  # noqa: S608 - a query that was checked, and read-only
    relation = _relation(schema, table, query, ())
    return sa.select(sa.literal_column("*")).select_from(relation).where(sa.text("1 = 0"))


def digest_of(text: str) -> str:
    """SHA-256 of a statement."""
    return hashlib.sha256(text.encode()).hexdigest()
