"""Is the store still what it was written to be: journal, batch table and accounts."""

from ingest import batches, journal, pulled, recount
from ingest.opening import current_revision, next_revision
from ingest.store import Store

_SHOWN = 10


def verify(store: Store) -> list[str]:
    """Everything that does not agree in a store, a sentence each; nothing if all does.

    The journal's chain is followed entry by entry; every batch is made again from its readings;
    every import's account has to close and to be what the store holds, and every row of a source
    has to be there as it was pulled. One transaction, so that
    an import that is running meanwhile does not show.
    """
    with store.reading() as connection:
        if connection.dialect.name == "postgresql":
            connection.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
        found = journal.faults(connection)
        wrong = batches.differences(connection)
        found += [
            f"Batch {batch} of characteristic {owner} is not what its readings come to."
            for owner, batch in wrong[:_SHOWN]
        ]
        if len(wrong) > _SHOWN:
            found.append(f"And {len(wrong) - _SHOWN} more batches.")
        return found + recount.faults(connection) + pulled.faults(connection)


def rebuild(store: Store) -> int:
    """Make the batch table again from the readings; the number of batches that were wrong.

    Raises:
        RuntimeError: the table still differs afterwards, which would be a fault of the program.
    """
    with store.writing() as connection:
        wrong = batches.differences(connection)
        if not wrong:
            return 0
        next_revision(connection)
        batches.renew(connection, wrong, current_revision(connection))
        if batches.differences(connection):
            raise RuntimeError("the rebuilt batch table differs from the readings")
        return len(wrong)
