"""The store: opening it, importing into it in one transaction, and reading from it."""

import json
import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pandas as pd
import sqlalchemy as sa

from ingest import aliases, batch_frames, importing, profiles, results, schema, specifications
from ingest.account import RowAccount
from ingest.errors import IngestError, StoreError
from ingest.opening import (
    current_revision,
    default_url,
    look_at_file,
    make_engine,
    make_or_recognise,
    next_id,
    next_revision,
    now,
    parsed_url,
    plain_errors,
    shown_url,
    storable,
    writing,
)
from ingest.reading import FileReading
from ingest.site import Learned, Site, learn
from ingest.site import load as load_site
from ingest.specifications import Specification


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


def _json(value: Any) -> str:
    return storable(json.dumps(value, ensure_ascii=False))


class Store:
    """An open store. Every method is one transaction of its own."""

    def __init__(self, engine: sa.Engine, url: str) -> None:
        """Use `open_store` instead."""
        self._engine = engine
        self._learned: Learned | None = None  # a cache of `site`
        self.url = url

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """A connection in one transaction, for the functions of this package that take one."""
        with plain_errors(self.url), self._engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def writing(self) -> Iterator[sa.Connection]:
        """A connection in one transaction that no other writer can disturb."""
        with plain_errors(self.url, "writing"), writing(self._engine) as connection:
            yield connection

    def revision(self) -> int:
        """The number of changes made to the store so far: screens are renewed by it."""
        with self.reading() as connection:
            return current_revision(connection)

    def site(self, source: str | None = None) -> Site:
        """What is known that helps to read the next file of a source, for `read_file(site=…)`."""
        with self.reading() as connection:
            self._learned = learn(connection, self._learned)
            return load_site(connection, self._learned, source or "")

    def add(
        self,
        reading: FileReading,
        source: str | None = None,
        progress: Callable[[int, int], None] | None = None,
        beside: Callable[[sa.Connection, ImportReport], None] | None = None,
        by: str | None = None,
    ) -> ImportReport:
        """Import a file's rows in one transaction: all of them or none.

        What a person answered for the file is remembered of its source, in the same transaction.

        Args:
            reading: the file as read, without open questions. source: a name for where it is from.
            progress: called with (rows done, rows in all).
            beside: called within the transaction when the rows are written, to keep more with them.
            by: who answered and imports, by default the login name.

        Raises:
            StoreError: the store could not be written. IngestError: questions are open.
        """
        return self._add(reading, source or "", progress, beside, by, keep=True)

    def preview(self, reading: FileReading) -> RowAccount:
        """The row account that `add` would give, with nothing kept."""
        return self._add(reading, "", None, None, None, keep=False).account

    def _add(
        self,
        reading: FileReading,
        source: str,
        progress: Callable[[int, int], None] | None,
        beside: Callable[[sa.Connection, ImportReport], None] | None,
        by: str | None,
        keep: bool,
    ) -> ImportReport:
        if reading.questions:
            asked = " ".join(question.text for question in reading.questions)
            raise IngestError(f"{reading.name} cannot be imported before this is answered: {asked}")
        report: ImportReport | None = None
        try:
            with self.writing() as connection:
                _refuse_other_answers(connection, reading)
                import_id = next_id(connection, schema.IMPORTS)
                revision = next_revision(connection)
                connection.execute(
                    sa.insert(schema.IMPORTS).values(
                        id=import_id,
                        at=now(),
                        file=storable(reading.name),
                        digest=reading.digest,
                        source=storable(source),
                        account="{}",
                        understood=_json([[u.what, u.value, u.why] for u in reading.understood]),
                        answers=_json(reading.answers),
                        revision=revision,
                    )
                )
                account, notes = importing.add_rows(
                    connection, import_id, revision, reading, progress
                )
                connection.execute(
                    sa.update(schema.IMPORTS)
                    .where(schema.IMPORTS.c.id == import_id)
                    .values(account=json.dumps(account.as_dict()))
                )
                if keep:
                    profiles.remember(
                        connection, source, reading.given, reading.layout, import_id, by
                    )
                    notes = (*notes, *aliases.confirm(connection, reading.given, import_id, by))
                report = ImportReport(account, import_id, (*reading.notes, *notes))
                if beside is not None:
                    beside(connection, report)
                if not keep:
                    raise _PutBack
        except _PutBack:
            pass
        if report is None:
            raise StoreError(f"The store {self.url} did not take {reading.name}: try again.")
        return report

    def imports(self) -> pd.DataFrame:
        """Every import, newest first: id, at, file, digest, source, its account, and undone."""
        with self.reading() as connection:
            return results.imports(connection)

    def characteristics(self) -> pd.DataFrame:
        """Every characteristic: id, product, condition, sample_type, stage, n_readings (used)."""
        with self.reading() as connection:
            return results.characteristics(connection)

    def readings(
        self,
        characteristic_id: int | None = None,
        aside: bool = False,
        batch: str | None = None,
        only_aside: bool = False,
        between: tuple[datetime, datetime] | None = None,
    ) -> pd.DataFrame:
        """Readings in production order: by sampling time, else time of reading, else file order.

        Args:
            characteristic_id: one characteristic only. batch: one batch only.
            aside: False gives the readings in use; True gives all, with their reason.
            only_aside: with aside, those set aside alone.
            between: only what was sampled (else read) from the first time to before the second.

        Returns:
            one row a reading; viscosity in mPa·s, torque in %, temperature in °C, times in UTC;
            where it is from as file and file_line, or as file and source_key (JSON, "" for files).
        """
        with self.reading() as connection:
            return results.readings(
                connection,
                characteristic_id,
                aside,
                batch,
                only_aside,
                None if between is None else (_whole(between[0]), _whole(between[1])),
            )

    def operators(self, characteristic_id: int) -> list[str]:
        """The people who read a characteristic, by their first reading in the store."""
        with self.reading() as connection:
            return results.operators(connection, characteristic_id)

    def lots(self, characteristic_id: int) -> dict[str, str]:
        """Batch to its raw-material lot, where one is recorded."""
        with self.reading() as connection:
            return results.lots(connection, characteristic_id)

    def batches(
        self, characteristic_id: int | None = None, since_revision: int | None = None
    ) -> pd.DataFrame:
        """What the readings in use come to, one row a batch in production order.

        Args:
            characteristic_id: one characteristic only.
            since_revision: only batches that changed after this revision of the store, also those
                that have no reading in use any more (n = 0).

        Returns:
            characteristic_id, batch, use (0, or which later use of its number it is), first_at and
            last_at (time of its first and last reading in UTC, NaT where none is recorded), n,
            mean, low, high, range (nan below two readings) and css (sum of squared distances from
            the mean) in mPa·s and its square, instrument (of the last replicate), instruments
            (JSON list where there are several), shift (of the first), readings (list, by
            replicate), revision of the last change.
        """
        with self.reading() as connection:
            return batch_frames.load(connection, characteristic_id, since_revision)

    def set_aside(self, import_id: int | None = None) -> pd.DataFrame:
        """Rows set aside: file, line, product, batch, replicate, received, reason, detail."""
        with self.reading() as connection:
            return results.set_aside(connection, import_id)

    def set_aside_counts(self, before: datetime | None = None) -> pd.DataFrame:
        """How many readings are set aside: characteristic_id, reason, n.

        Args:
            before: only what was sampled (else read) before this time, or at no known time.
        """
        with self.reading() as connection:
            limit = None if before is None else _whole(before)
            return results.set_aside_counts(connection, limit)

    def not_parsed(self, import_id: int | None = None) -> pd.DataFrame:
        """Records that could not be read: import_id, file, line, reason, text."""
        with self.reading() as connection:
            return results.not_parsed(connection, import_id)

    def add_specification(
        self,
        product: str,
        lower: float | None = None,
        upper: float | None = None,
        target: float | None = None,
        valid_from: date | None = None,
        unit: str = "mPa.s",
        by: str | None = None,
        why: str = "",
    ) -> Specification:
        """Record a specification that holds from a date; earlier ones stay for earlier batches.

        Args:
            product: the product. lower, upper, target: limits and aim in `unit`.
            valid_from: first day that it holds for; None from the beginning.
            by: who decided, by default the login name. why: the reason, for the journal.

        Raises:
            IngestError: no limit, limits in the wrong order, an unknown unit, or a second
                specification without a date.
        """
        with self.writing() as connection:
            return specifications.add_specification(
                connection, product, lower, upper, target, valid_from, unit, by, why
            )

    def replace_specification(
        self,
        product: str,
        valid_from: date | None,
        lower: float | None = None,
        upper: float | None = None,
        target: float | None = None,
        by: str | None = None,
        why: str = "",
    ) -> Specification:
        """Put other limits in place of those that hold from a day: a further row, both kept.

        Args:
            product: the product. valid_from: the day that the wrong row begins on.
            lower, upper, target: mPa·s. Neither limit: taken back, what held before holds on.
            by: who decided, by default the login name. why: the reason, for the journal.

        Raises:
            IngestError: no row begins on that day, or limits in the wrong order.
        """
        with self.writing() as connection:
            return specifications.replace_specification(
                connection, product, valid_from, lower, upper, target, by, why
            )

    def specifications(self, product: str | None = None) -> list[Specification]:
        """The specifications of a product, or of all, in the order in which they were recorded."""
        with self.reading() as connection:
            return specifications.specifications(connection, product)


def _whole(at: datetime) -> int:
    """Seconds since 1970, a fraction counting as a whole one: times in the store have none."""
    return math.ceil(at.timestamp())


def _refuse_other_answers(connection: sa.Connection, reading: FileReading) -> None:
    """Keep the same bytes from counting twice, read in two ways.

    Raises:
        IngestError: the store holds this file with other answers, and that import is not undone.
    """
    imports = schema.IMPORTS
    held = connection.execute(
        sa.select(imports.c.file, imports.c.answers).where(
            imports.c.digest == reading.digest,
            imports.c.id.not_in(sa.select(schema.UNDONE_IMPORTS.c.import_id)),
        )
    ).all()
    for file, answers in held:
        given = json.loads(answers)
        if given != reading.answers:
            said = ", ".join(f"{field}={value}" for field, value in sorted(given.items()))
            raise IngestError(
                f"{reading.name} is in the store already, as {file}, read with "
                f"{said or 'no answers'}: import it with the same, or undo that import first, or "
                "its readings would count twice."
            )
