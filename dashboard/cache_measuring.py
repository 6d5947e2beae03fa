"""What the pages keep of the measuring system: checks, repeatability, instruments, torque.

Keyed as in `cache`: the store's address and its revision.
"""

from datetime import date

import streamlit as st

import ingest
from dashboard import agreement, cache, measuring
from dashboard.agreement import Agreement, Comparison, TorqueShare
from dashboard.assessment import repeatability_by_level
from dashboard.levels import RepeatabilityByLevel
from dashboard.measuring import CheckVerdicts


def check_verdicts() -> list[CheckVerdicts]:
    """Every check standard by its certificate and by its own chart."""
    held = cache.store()
    return _check_verdicts(held.url, held.revision(), cache.now().date(), held)


@st.cache_data(max_entries=4, show_spinner="Judging the check standards …")
def _check_verdicts(
    url: str, revision: int, today: date, _store: ingest.Store
) -> list[CheckVerdicts]:
    return measuring.check_verdicts(_store, today)


def by_instrument() -> list[Agreement]:
    """Repeatability of each instrument over all products."""
    held = cache.store()
    return _by_instrument(held.url, held.revision(), held)


@st.cache_data(max_entries=4, show_spinner=False)
def _by_instrument(url: str, revision: int, _store: ingest.Store) -> list[Agreement]:
    return agreement.by_instrument(_store.batches())


def comparisons() -> tuple[list[Comparison], str]:
    """Every pair of instruments that read the same batches."""
    held = cache.store()
    return _comparisons(held.url, held.revision(), held)


@st.cache_data(max_entries=4, show_spinner="Comparing instruments …")
def _comparisons(url: str, revision: int, _store: ingest.Store) -> tuple[list[Comparison], str]:
    return agreement.compare_instruments(_store, ingest.settings(_store))


def torque_shares() -> list[TorqueShare]:
    """Readings outside the torque window, by product."""
    held = cache.store()
    return _torque_shares(held.url, held.revision(), held)


@st.cache_data(max_entries=4, show_spinner=False)
def _torque_shares(url: str, revision: int, _store: ingest.Store) -> list[TorqueShare]:
    return agreement.torque_shares(_store)


def levels() -> RepeatabilityByLevel:
    """Repeatability over all products."""
    held = cache.store()
    return _levels(held.url, held.revision(), held)


@st.cache_data(max_entries=4, show_spinner=False)
def _levels(url: str, revision: int, _store: ingest.Store) -> RepeatabilityByLevel:
    return repeatability_by_level(_store)
