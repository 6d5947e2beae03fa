"""Reading viscosity results from files, and the store that keeps every row of them.

A tour: `read_file` turns a file into typed rows with a reason for each row that is not used;
its `questions` are what a person has to answer first; `open_store` opens the store; `Store.add`
imports a reading in one transaction and returns the row account; `Store.readings` gives the
readings back as a table.
"""

from ingest.account import RowAccount
from ingest.answers import Question, Understood
from ingest.errors import IngestError, StoreError
from ingest.opening import default_url
from ingest.reading import FileReading, read_bytes, read_file
from ingest.reasons import REASONS
from ingest.specifications import Specification, specification_for
from ingest.store import ImportReport, Store, open_store

__all__ = [
    "REASONS",
    "FileReading",
    "ImportReport",
    "IngestError",
    "Question",
    "RowAccount",
    "Specification",
    "Store",
    "StoreError",
    "Understood",
    "default_url",
    "open_store",
    "read_bytes",
    "read_file",
    "specification_for",
]
