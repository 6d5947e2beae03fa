"""One batch traced back: its rows as they came in, their files, and where it is found."""

import json
from dataclasses import dataclass

import pandas as pd
import sqlalchemy as sa

from ingest import journal, schema
from ingest.journal import Entry
from ingest.store import Store


@dataclass(frozen=True, slots=True)
class Origin:
    """The file or source that a row came from, and how it was understood.

    Attributes:
        import_id: running number. file, digest: its name and the SHA-256 of its bytes.
        source: name that was given for where it is from. at: when it was imported, ISO 8601 UTC.
        understood: what was decided about it, each (what, taken as, why).
        answers: what a person said about it. undone: whether the import was undone.
    """

    import_id: int
    file: str
    digest: str
    source: str
    at: str
    understood: tuple[tuple[str, str, str], ...]
    answers: dict[str, str]
    undone: bool


@dataclass(frozen=True, slots=True)
class Condition:
    """The measuring condition of a characteristic, each part as recorded, "" where it is not."""

    product: str
    stage: str
    spindle: str
    speed: str
    set_temperature: str
    reading_time: str
    guard: str
    method: str
    words: str


@dataclass(frozen=True, slots=True, eq=False)
class Received:
    """What the store holds about the rows of one batch.

    Attributes:
        condition: the measuring condition.
        details: reading's id to its spindle as an individual piece, and further columns.
        reasons: one row a reading and reason to set it aside: id, reason, detail, import_id.
        repeats: rows that repeated a reading: id, file, line.
        origins: the imports of all of these, oldest first.
    """

    condition: Condition
    details: dict[int, dict[str, str]]
    reasons: pd.DataFrame
    repeats: pd.DataFrame
    origins: tuple[Origin, ...]


def received(store: Store, characteristic_id: int, batch: str) -> Received:
    """Everything about the rows of a batch that its readings alone do not say."""
    results = schema.RESULTS
    mine = (results.c.characteristic_id == characteristic_id) & (results.c.batch == batch)
    with store.reading() as connection:
        rows = connection.execute(
            sa.select(
                results.c.id, results.c.import_id, results.c.spindle_id, results.c.extra
            ).where(mine)
        ).all()
        ids = [int(row.id) for row in rows]
        aside = schema.SET_ASIDE
        reasons = connection.execute(
            sa.select(aside.c.result_id, aside.c.reason, aside.c.detail, aside.c.import_id)
            .where(aside.c.result_id.in_(ids))
            .order_by(aside.c.result_id, aside.c.reason)
        ).all()
        repeats = _repeats(connection, ids)
        wanted = {int(row.import_id) for row in (*rows, *reasons)} | {one[3] for one in repeats}
        return Received(
            condition=_condition(connection, characteristic_id),
            details={int(row.id): _details(row.spindle_id, row.extra) for row in rows},
            reasons=pd.DataFrame(reasons, columns=["id", "reason", "detail", "import_id"]),
            repeats=pd.DataFrame([one[:3] for one in repeats], columns=["id", "file", "line"]),
            origins=tuple(_origins(connection, wanted)),
        )


def _details(spindle_id: str, extra: str) -> dict[str, str]:
    found = {"spindle, the piece": spindle_id} if spindle_id else {}
    held = json.loads(extra) if extra else {}
    return {**found, **{str(name): str(value) for name, value in held.items()}}


def _repeats(connection: sa.Connection, ids: list[int]) -> list[tuple[int, str, int, int]]:
    """The rows of other files, or further down in the same, that said the same once more."""
    repeated, imports = schema.REPEATED, schema.IMPORTS
    length = repeated.c.last_line - repeated.c.first_line
    found: list[tuple[int, str, int, int]] = []
    for number in ids:
        rows = connection.execute(
            sa.select(
                imports.c.file, repeated.c.first_line, repeated.c.first_result_id, imports.c.id
            )
            .join(imports, imports.c.id == repeated.c.import_id)
            .where(
                repeated.c.first_result_id <= number, repeated.c.first_result_id + length >= number
            )
            .order_by(imports.c.id, repeated.c.first_line)
        )
        found += [
            (number, str(file), int(line) + number - int(first), int(owner))
            for file, line, first, owner in rows
        ]
    return found


def _condition(connection: sa.Connection, characteristic_id: int) -> Condition:
    table = schema.CHARACTERISTICS
    row = (
        connection.execute(sa.select(table).where(table.c.id == characteristic_id)).mappings().one()
    )
    names = [name for name in Condition.__dataclass_fields__ if name != "words"]
    return Condition(**{name: str(row[name]) for name in names}, words=str(row["condition"]))


def _origins(connection: sa.Connection, wanted: set[int]) -> list[Origin]:
    table = schema.IMPORTS
    undone = set(connection.execute(sa.select(schema.UNDONE_IMPORTS.c.import_id)).scalars())
    rows = connection.execute(
        sa.select(table).where(table.c.id.in_(sorted(wanted))).order_by(table.c.id)
    ).mappings()
    return [
        Origin(
            import_id=row["id"],
            file=row["file"],
            digest=row["digest"],
            source=row["source"],
            at=row["at"],
            understood=tuple(
                (str(what), str(value), str(why))
                for what, value, why in json.loads(row["understood"])
            ),
            answers={str(key): str(said) for key, said in json.loads(row["answers"]).items()},
            undone=row["id"] in undone,
        )
        for row in rows
    ]


def journal_entries(store: Store) -> list[Entry]:
    """Every decision of the journal, oldest first."""
    with store.reading() as connection:
        return journal.entries(connection)


def find_batches(store: Store, text: str, most: int = 50) -> pd.DataFrame:
    """Batches of products whose number holds a text: characteristic_id, product, condition, batch.

    Those that begin with the text come first. Batches without a used reading are found too.
    """
    wanted = text.strip()
    batches, owners = schema.BATCHES, schema.CHARACTERISTICS
    found = sa.func.lower(batches.c.batch).contains(wanted.lower(), autoescape=True)
    begins = sa.func.lower(batches.c.batch).startswith(wanted.lower(), autoescape=True)
    query = (
        sa.select(owners.c.id, owners.c.product, owners.c.condition, batches.c.batch)
        .join(owners, owners.c.id == batches.c.characteristic_id)
        .where(found, owners.c.sample_type == "product")
        .order_by(sa.case((begins, 0), else_=1), batches.c.batch, owners.c.product, owners.c.id)
        .group_by(owners.c.id, owners.c.product, owners.c.condition, batches.c.batch)
        .limit(most)
    )
    columns = ["characteristic_id", "product", "condition", "batch"]
    if not wanted:
        return pd.DataFrame(columns=columns)
    with store.reading() as connection:
        rows = connection.execute(query).all()
    return pd.DataFrame(rows, columns=columns)


def production_lines(store: Store) -> dict[int, tuple[str, ...]]:
    """The production lines of each characteristic, "" where a reading names none."""
    table = schema.RESULTS
    query = sa.select(table.c.characteristic_id, table.c.line_name).distinct()
    found: dict[int, list[str]] = {}
    with store.reading() as connection:
        for number, name in connection.execute(query):
            found.setdefault(int(number), []).append(str(name))
    return {number: tuple(sorted(names)) for number, names in found.items()}


def newest_import(store: Store) -> int:
    """The number of the newest import, 0 before the first: rows come with imports only."""
    with store.reading() as connection:
        newest = connection.execute(sa.select(sa.func.max(schema.IMPORTS.c.id))).scalar()
    return int(newest or 0)
