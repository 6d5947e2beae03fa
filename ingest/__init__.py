"""Reading viscosity results from files, and the store that keeps every row of them.

A tour: `read_file` turns a file into typed rows with a reason for each row that is not used;
its `questions` are what a person has to answer first; `open_store` opens the store; `Store.add`
imports a reading in one transaction and returns the row account; `Store.readings` gives the
readings back as a table, `Store.batches` what they come to. Decisions (`exclude_batch`,
`freeze_limits`, `undo_import`, `add_method` …) are functions of a store that write the journal;
`verify` follows it. `backup`, `restore` and `export` carry a store or its tables elsewhere.
"""

from ingest.account import RowAccount
from ingest.answers import Question, Understood
from ingest.batch_frames import batches_of, reading_grid
from ingest.checking import rebuild, verify
from ingest.copying import backup, restore
from ingest.decisions import (
    FrozenLimits,
    exclude_batch,
    exclusion_history,
    exclusions,
    freeze_limits,
    frozen_limits,
    include_batch,
)
from ingest.errors import IngestError, StoreError
from ingest.event_records import EventRecord, event_records, record_event, standing
from ingest.exporting import export
from ingest.opening import default_url
from ingest.reading import FileReading, read_bytes, read_file
from ingest.reasons import REASONS
from ingest.registers import (
    CheckFluid,
    Method,
    Product,
    add_alias,
    add_check_standard,
    add_method,
    add_product,
    check_standards,
    methods,
    products,
)
from ingest.settings import set_setting, settings
from ingest.specifications import Specification, specification_for
from ingest.store import ImportReport, Store, open_store
from ingest.undo import UndoReport, undo_import

__all__ = [
    "REASONS",
    "CheckFluid",
    "EventRecord",
    "FileReading",
    "FrozenLimits",
    "ImportReport",
    "IngestError",
    "Method",
    "Product",
    "Question",
    "RowAccount",
    "Specification",
    "Store",
    "StoreError",
    "Understood",
    "UndoReport",
    "add_alias",
    "add_check_standard",
    "add_method",
    "add_product",
    "backup",
    "batches_of",
    "check_standards",
    "default_url",
    "event_records",
    "exclude_batch",
    "exclusion_history",
    "exclusions",
    "export",
    "freeze_limits",
    "frozen_limits",
    "include_batch",
    "methods",
    "open_store",
    "products",
    "read_bytes",
    "read_file",
    "reading_grid",
    "rebuild",
    "record_event",
    "restore",
    "set_setting",
    "settings",
    "specification_for",
    "standing",
    "undo_import",
    "verify",
]
