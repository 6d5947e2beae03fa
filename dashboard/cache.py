"""The only caches. Results are keyed on the store's address, its revision and the options.

The store itself is underscored: Streamlit ignores it, the address and revision stand for it.
"""

import os
from datetime import UTC, datetime

import pandas as pd
import streamlit as st

import ingest
from dashboard.assessment import Assessment, assess_store, repeatability_by_level
from dashboard.levels import RepeatabilityByLevel

FRESHNESS = 600  # seconds that an assessment may think it is still now


def store() -> ingest.Store:
    """The store that VISCOSITY_SPC_STORE names, else the one in the user's data folder."""
    return _open(os.environ.get("VISCOSITY_SPC_STORE", ""))


@st.cache_resource(max_entries=4, show_spinner=False)
def _open(url: str) -> ingest.Store:
    return ingest.open_store(url or None)


def assessments(
    rules: str, product: str | None = None, subgroups: str | None = None
) -> list[Assessment]:
    """Every product judged, what needs a person first."""
    held = store()
    now = as_of() or datetime.now(UTC)
    tick = datetime.fromtimestamp(now.timestamp() // FRESHNESS * FRESHNESS, UTC)
    return _assess(held.url, held.revision(), rules, product, subgroups, tick.isoformat(), held)


def as_of() -> datetime | None:
    """The time that freshness is judged by, where the command line has set one."""
    named = os.environ.get("VISCOSITY_SPC_AS_OF", "")
    return datetime.fromisoformat(named).astimezone(UTC) if named else None


@st.cache_data(max_entries=24, show_spinner="Working out limits and signals …")
def _assess(
    url: str,
    revision: int,
    rules: str,
    product: str | None,
    subgroups: str | None,
    tick: str,
    _store: ingest.Store,
) -> list[Assessment]:
    now = datetime.fromisoformat(tick)
    return assess_store(_store, product=product, rules=rules, subgroups=subgroups, now=now)


def readings(characteristic_id: int) -> pd.DataFrame:
    """Every reading of one characteristic, those set aside too."""
    held = store()
    return _readings(held.url, held.revision(), characteristic_id, held)


@st.cache_data(max_entries=24, show_spinner=False)
def _readings(
    url: str, revision: int, characteristic_id: int, _store: ingest.Store
) -> pd.DataFrame:
    return _store.readings(characteristic_id, aside=True)


def levels() -> RepeatabilityByLevel:
    """Repeatability over all products."""
    held = store()
    return _levels(held.url, held.revision(), held)


@st.cache_data(max_entries=4, show_spinner=False)
def _levels(url: str, revision: int, _store: ingest.Store) -> RepeatabilityByLevel:
    return repeatability_by_level(_store)


@st.cache_data(max_entries=6, show_spinner="Reading the file …")
def read(
    digest: str, name: str, answers: tuple[tuple[str, str], ...], _raw: bytes
) -> ingest.FileReading:
    """A file as it is understood with these answers; the digest stands for its bytes."""
    return ingest.read_bytes(_raw, name, dict(answers))


def preview(reading: ingest.FileReading) -> ingest.RowAccount:
    """The row account that importing would give, with nothing kept."""
    held = store()
    answers = tuple(sorted(reading.answers.items()))
    return _preview(held.url, held.revision(), reading.digest, reading.name, answers, held, reading)


@st.cache_data(max_entries=12, show_spinner="Comparing with the store …")
def _preview(
    url: str,
    revision: int,
    digest: str,
    name: str,
    answers: tuple[tuple[str, str], ...],
    _store: ingest.Store,
    _reading: ingest.FileReading,
) -> ingest.RowAccount:
    return _store.preview(_reading)
