"""Steps that bring a store of an older version to the newest, each in the opener's transaction.

A step is a module `to_version_N.py` with one function `upgrade(operations)`, and a line in STEPS.
It spells its tables out, as they were at that version: `ingest/schema.py` goes on changing. The
test suite holds that a migrated store equals a new one.
"""

import sqlalchemy as sa


def upgrade(connection: sa.Connection, version: int) -> None:
    """Run every step after `version`, and make anew what is derived from the readings."""
    from alembic.migration import MigrationContext  # slow to import and seldom needed
    from alembic.operations import Operations

    from ingest import batches
    from ingest.migrations import (
        to_version_2,
        to_version_3,
        to_version_4,
        to_version_5,
        to_version_6,
    )

    steps = {
        2: to_version_2.upgrade,
        3: to_version_3.upgrade,
        4: to_version_4.upgrade,
        5: to_version_5.upgrade,
        6: to_version_6.upgrade,
    }
    operations = Operations(MigrationContext.configure(connection))
    for number in sorted(steps):
        if number > version:
            steps[number](operations)
    if version >= 2:
        return
    revision = connection.execute(sa.text("SELECT value FROM meta WHERE name = 'revision'"))
    every = connection.execute(sa.text("SELECT DISTINCT characteristic_id, batch FROM results"))
    keys = {(int(owner), str(batch)) for owner, batch in every}
    batches.renew(connection, keys, int(revision.scalar_one()))
