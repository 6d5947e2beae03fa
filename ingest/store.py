"""The store: opening it, importing into it in one transaction, and reading from it."""

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pandas as pd
import sqlalchemy as sa

from ingest import importing, schema
from ingest.account import RowAccount
from ingest.errors import IngestError, StoreError
from ingest.opening import (
    current_revision,
    default_url,
    look_at_file,
    make_engine,
    make_or_recognise,
    next_revision,
    parsed_url,
    plain_errors,
    shown_url,
    storable,
    writing,
)
from ingest.reading import FileReading
from ingest.specifications import Specification, checked_specification

_READING_COLUMNS = """
    r.id, r.characteristic_id, r.batch, r.replicate, r.instrument, r.moment, r.sampled_at,
    r.viscosity, r.torque, r.temperature, r.received, r.operator, r.lot, r.line_name, r.shift,
    r.status, r.comment, r.import_id, r.line AS file_line
"""


@dataclass(frozen=True, slots=True)
class ImportReport:
    """What became of a file: the account after the store looked, the import's id, and remarks."""

    account: RowAccount
    import_id: int
    notes: tuple[str, ...]


class _PutBack(Exception):  # noqa: N818 - not an error: it ends a trial import
    """Raised inside a transaction to undo a trial import."""


def open_store(url: str | None = None, create: bool = True) -> "Store":
    """Open a store by URL or by the path of a SQLite file.

    Args:
        url: SQLAlchemy URL or path; `default_url()` if None. create: make it if it is not there.

    Raises:
        StoreError: it is not there, not a store, of a newer version, or cannot be opened.
    """
    parsed = parsed_url(url if url is not None and url != "" else default_url())
    shown = shown_url(parsed)
    read_only = False
    if parsed.get_backend_name() == "sqlite":
        read_only = look_at_file(Path(parsed.database or ""), create)
    with plain_errors(shown, "opening"):
        engine = make_engine(parsed, read_only)
        try:
            make_or_recognise(engine, shown, create and not read_only)
        except BaseException:
            engine.dispose()
            raise
    return Store(engine, shown)


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


def _json(value: Any) -> str:
    return storable(json.dumps(value, ensure_ascii=False))


class Store:
    """An open store. Every method is one transaction of its own."""

    def __init__(self, engine: sa.Engine, url: str) -> None:
        """Use `open_store` instead."""
        self._engine = engine
        self.url = url

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    def revision(self) -> int:
        """The number of changes made to the store so far: screens are renewed by it."""
        with self._reading() as connection:
            return current_revision(connection)

    def add(
        self,
        reading: FileReading,
        source: str | None = None,
        progress: Callable[[int, int], None] | None = None,
    ) -> ImportReport:
        """Import a file's rows in one transaction: all of them or none.

        Args:
            reading: the file as read, without open questions. source: a name for where it is from.
            progress: called with (rows done, rows in all).

        Raises:
            StoreError: the store could not be written. IngestError: questions are open.
        """
        return self._add(reading, source or "", progress, keep=True)

    def preview(self, reading: FileReading) -> RowAccount:
        """The row account that `add` would give, with nothing kept."""
        return self._add(reading, "", None, keep=False).account

    def _add(
        self,
        reading: FileReading,
        source: str,
        progress: Callable[[int, int], None] | None,
        keep: bool,
    ) -> ImportReport:
        if reading.questions:
            asked = " ".join(question.text for question in reading.questions)
            raise IngestError(f"{reading.name} cannot be imported before this is answered: {asked}")
        report: ImportReport | None = None
        try:
            with plain_errors(self.url, "writing"), writing(self._engine) as connection:
                _refuse_other_answers(connection, reading)
                import_id = importing.next_id(connection, schema.IMPORTS)
                connection.execute(
                    sa.insert(schema.IMPORTS).values(
                        id=import_id,
                        at=_now(),
                        file=storable(reading.name),
                        digest=reading.digest,
                        source=storable(source),
                        account="{}",
                        understood=_json([[u.what, u.value, u.why] for u in reading.understood]),
                        answers=_json(reading.answers),
                        revision=next_revision(connection),
                    )
                )
                account, notes = importing.add_rows(connection, import_id, reading, progress)
                connection.execute(
                    sa.update(schema.IMPORTS)
                    .where(schema.IMPORTS.c.id == import_id)
                    .values(account=json.dumps(account.as_dict()))
                )
                report = ImportReport(account, import_id, (*reading.notes, *notes))
                if not keep:
                    raise _PutBack
        except _PutBack:
            pass
        if report is None:
            raise StoreError(f"The store {self.url} did not take {reading.name}: try again.")
        return report

    def imports(self) -> pd.DataFrame:
        """Every import, newest first: id, at, file, digest, source and its account."""
        with self._reading() as connection:
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
                    }
                )
        columns = ["id", "at", "file", "digest", "source", "rows_read", "used", "set_aside"]
        columns += ["not_parsed", "duplicates", "conflicts", "answers"]
        return pd.DataFrame(rows, columns=columns)

    def characteristics(self) -> pd.DataFrame:
        """Every characteristic: id, product, condition, sample_type, stage, n_readings (used)."""
        counted = sa.text(
            "SELECT c.id, c.product, c.condition, c.sample_type, c.stage, "
            "COUNT(r.id) AS n_readings FROM characteristics c "
            "LEFT JOIN results r ON r.characteristic_id = c.id "
            "AND NOT EXISTS (SELECT 1 FROM set_aside a WHERE a.result_id = r.id) "
            "GROUP BY c.id, c.product, c.condition, c.sample_type, c.stage "
            "ORDER BY c.product, c.condition"
        )
        return self._frame(counted, {})

    def readings(
        self,
        characteristic_id: int | None = None,
        aside: bool = False,
        batch: str | None = None,
    ) -> pd.DataFrame:
        """Readings in production order: by sampling time, else time of reading, else file order.

        Args:
            characteristic_id: one characteristic only. batch: one batch only.
            aside: False gives the readings in use; True gives all, with their reason.

        Returns:
            one row a reading; viscosity in mPa·s, torque in %, temperature in °C, times in UTC.
        """
        conditions, values = [], {}
        if characteristic_id is not None:
            conditions.append("r.characteristic_id = :characteristic_id")
            values["characteristic_id"] = characteristic_id
        if batch is not None:
            conditions.append("r.batch = :batch")
            values["batch"] = batch  # type: ignore[assignment]
        reason = "''"
        if aside:
            reason = (
                "COALESCE((SELECT MIN(a.reason) FROM set_aside a WHERE a.result_id = r.id), '')"
            )
        else:
            conditions.append("NOT EXISTS (SELECT 1 FROM set_aside a WHERE a.result_id = r.id)")
        where = f"WHERE {' AND '.join(conditions)}" if conditions else ""
        frame = self._frame(
            sa.text(
                f"SELECT {_READING_COLUMNS}, {reason} AS reason, i.file, c.stage, c.sample_type "  # noqa: S608 - only literals of this file
                "FROM results r JOIN imports i ON i.id = r.import_id "
                f"JOIN characteristics c ON c.id = r.characteristic_id {where}"
            ),
            values,
        )
        return _in_production_order(frame)

    def set_aside(self, import_id: int | None = None) -> pd.DataFrame:
        """Rows set aside: file, line, product, batch, replicate, received, reason, detail."""
        return self._frame(
            sa.text(
                "SELECT i.file, r.line, c.product, r.batch, r.replicate, r.received, a.reason, "
                "a.detail, r.comment FROM set_aside a JOIN results r ON r.id = a.result_id "
                "JOIN imports i ON i.id = r.import_id "
                "JOIN characteristics c ON c.id = r.characteristic_id "
                "WHERE CAST(:import_id AS INTEGER) IS NULL OR r.import_id = :import_id "
                "ORDER BY i.id, r.line"
            ),
            {"import_id": import_id},
        )

    def not_parsed(self, import_id: int | None = None) -> pd.DataFrame:
        """Records that could not be read: import_id, file, line, reason, text."""
        return self._frame(
            sa.text(
                "SELECT n.import_id, i.file, n.line, n.reason, n.text FROM not_parsed n "
                "JOIN imports i ON i.id = n.import_id "
                "WHERE CAST(:import_id AS INTEGER) IS NULL OR n.import_id = :import_id "
                "ORDER BY n.import_id, n.line"
            ),
            {"import_id": import_id},
        )

    def add_specification(
        self,
        product: str,
        lower: float | None = None,
        upper: float | None = None,
        target: float | None = None,
        valid_from: date | None = None,
        unit: str = "mPa.s",
    ) -> Specification:
        """Record a specification that holds from a date; earlier ones stay for earlier batches.

        Raises:
            IngestError: no limit, limits in the wrong order, an unknown unit, or a second
                specification without a date.
        """
        earlier = self.specifications(product)
        specification = checked_specification(
            product, lower, upper, target, valid_from, unit, earlier, _now()
        )
        with plain_errors(self.url, "writing"), writing(self._engine) as connection:
            connection.execute(
                sa.insert(schema.SPECIFICATIONS).values(
                    id=importing.next_id(connection, schema.SPECIFICATIONS),
                    product=specification.product,
                    lower=specification.lower,
                    upper=specification.upper,
                    target=specification.target,
                    valid_from=specification.valid_from.isoformat()
                    if specification.valid_from
                    else "",
                    recorded_at=specification.recorded_at,
                    revision=next_revision(connection),
                )
            )
        return specification

    def specifications(self, product: str | None = None) -> list[Specification]:
        """The specifications of a product, or of all, in the order in which they were recorded."""
        query = sa.select(schema.SPECIFICATIONS).order_by(schema.SPECIFICATIONS.c.id)
        if product is not None:
            query = query.where(schema.SPECIFICATIONS.c.product == product)
        with self._reading() as connection:
            return [
                Specification(
                    product=row["product"],
                    lower=row["lower"],
                    upper=row["upper"],
                    target=row["target"],
                    valid_from=date.fromisoformat(row["valid_from"]) if row["valid_from"] else None,
                    recorded_at=row["recorded_at"],
                )
                for row in connection.execute(query).mappings()
            ]

    @contextmanager
    def _reading(self) -> Iterator[sa.Connection]:
        with plain_errors(self.url), self._engine.connect() as connection, connection.begin():
            yield connection

    def _frame(self, query: sa.TextClause, values: dict[str, Any]) -> pd.DataFrame:
        with self._reading() as connection:
            result = connection.execute(query, values)
            return pd.DataFrame(result.fetchall(), columns=list(result.keys()))


def _refuse_other_answers(connection: sa.Connection, reading: FileReading) -> None:
    """Keep the same bytes from counting twice, read in two ways.

    Raises:
        IngestError: the store holds this file with other answers.
    """
    imports = schema.IMPORTS
    held = connection.execute(
        sa.select(imports.c.file, imports.c.answers).where(imports.c.digest == reading.digest)
    ).all()
    for file, answers in held:
        given = json.loads(answers)
        if given != reading.answers:
            said = ", ".join(f"{field}={value}" for field, value in sorted(given.items()))
            raise IngestError(
                f"{reading.name} is in the store already, as {file}, read with "
                f"{said or 'no answers'}: import it with the same, or its readings would count "
                "twice."
            )


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
