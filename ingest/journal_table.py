"""The journal for people and programs: a table, and whether its chain is whole."""

import pandas as pd

from ingest import journal
from ingest.store import Store


def journal_table(store: Store) -> tuple[pd.DataFrame, list[str]]:
    """All entries, oldest first, and what is wrong with the chain, a sentence each.

    Returns:
        columns id, at, who, what, subject, old, new (JSON), why, previous, hash; and the faults,
        none where the chain is whole. Both from one moment.
    """
    with store.reading() as connection:
        return journal.as_table(connection), journal.faults(connection)
