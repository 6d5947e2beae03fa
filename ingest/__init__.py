"""Reading viscosity results from files, and the store that keeps every row of them.

A tour: `read_file` turns a file into typed rows with a reason for each row that is not used;
its `questions` are what a person has to answer first; `open_store` opens the store; `Store.site`
says what it knows already, for `read_file`; `Store.add` imports a reading in one transaction and
returns the row account; `Store.readings` gives the readings back as a table,
`Store.batches` what they come to. Decisions (`exclude_batch`,
`freeze_limits`, `undo_import`, `add_method` …) are functions of a store that write the journal;
`verify` follows it. `backup`, `restore` and `export` carry a store or its tables elsewhere.
"""

from ingest.account import RowAccount
from ingest.answers import Question, Understood, said_later
from ingest.batch_frames import batches_of, reading_grid
from ingest.checking import rebuild, verify
from ingest.columns import COLUMN_LABELS
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
from ingest.event_records import TRIED, EventRecord, event_records, record_event, standing
from ingest.exporting import export
from ingest.findings import Finding
from ingest.folders import FoundFiles, find_files
from ingest.gauge_file import GaugeReading, read_gauge_study
from ingest.journal import Entry
from ingest.journal_table import journal_table
from ingest.minutes import Minute, add_minute, minutes, take_back_minute
from ingest.opening import default_url
from ingest.outbox import see_matter
from ingest.profiles import Profile, Remembered, forget, remembered
from ingest.pull_report import Change, PullReport
from ingest.pulled import source_changes, source_keys, sources
from ingest.pulling import pull
from ingest.reading import FileReading, read_bytes, read_file
from ingest.reasons import REASONS
from ingest.register_edits import change_check_standard, change_method, change_product
from ingest.registers import (
    CheckFluid,
    Method,
    Product,
    add_alias,
    add_check_standard,
    add_method,
    add_product,
    check_standards,
    merge_product,
    methods,
    products,
    remove_alias,
    revise_method,
)
from ingest.services import (
    Service,
    record_service,
    services,
    services_in,
    take_back_service,
)
from ingest.settings import set_setting, settings
from ingest.site import Site
from ingest.source_connection import SourceError
from ingest.source_description import (
    SOURCES_FILE,
    SourceDescription,
    find_source,
    load_sources,
    sources_file,
)
from ingest.specifications import Specification, specification_for
from ingest.store import ImportReport, Store, open_store
from ingest.tracing import (
    Condition,
    Origin,
    Received,
    find_batches,
    journal_entries,
    newest_import,
    production_lines,
    received,
)
from ingest.undo import UndoReport, undo_import

__all__ = [
    "COLUMN_LABELS",
    "REASONS",
    "SOURCES_FILE",
    "TRIED",
    "Change",
    "CheckFluid",
    "Condition",
    "Entry",
    "EventRecord",
    "FileReading",
    "Finding",
    "FoundFiles",
    "FrozenLimits",
    "GaugeReading",
    "ImportReport",
    "IngestError",
    "Method",
    "Minute",
    "Origin",
    "Product",
    "Profile",
    "PullReport",
    "Question",
    "Received",
    "Remembered",
    "RowAccount",
    "Service",
    "Site",
    "SourceDescription",
    "SourceError",
    "Specification",
    "Store",
    "StoreError",
    "Understood",
    "UndoReport",
    "add_alias",
    "add_check_standard",
    "add_method",
    "add_minute",
    "add_product",
    "backup",
    "batches_of",
    "change_check_standard",
    "change_method",
    "change_product",
    "check_standards",
    "default_url",
    "event_records",
    "exclude_batch",
    "exclusion_history",
    "exclusions",
    "export",
    "find_batches",
    "find_files",
    "find_source",
    "forget",
    "freeze_limits",
    "frozen_limits",
    "include_batch",
    "journal_entries",
    "journal_table",
    "load_sources",
    "merge_product",
    "methods",
    "minutes",
    "newest_import",
    "open_store",
    "production_lines",
    "products",
    "pull",
    "read_bytes",
    "read_file",
    "read_gauge_study",
    "reading_grid",
    "rebuild",
    "received",
    "record_event",
    "record_service",
    "remembered",
    "remove_alias",
    "restore",
    "revise_method",
    "said_later",
    "see_matter",
    "services",
    "services_in",
    "set_setting",
    "settings",
    "source_changes",
    "source_keys",
    "sources",
    "sources_file",
    "specification_for",
    "standing",
    "take_back_minute",
    "take_back_service",
    "undo_import",
    "verify",
]
