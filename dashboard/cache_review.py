"""What the Review page keeps: the contents of a pack and the files that were made of it.

Keyed as in `cache`: the store's address, its revision without what was minuted, and the choices.
"""

from datetime import date

import streamlit as st

import ingest
from dashboard import cache
from dashboard.review import making
from dashboard.review.contents import FULL, assembled, opening
from dashboard.review.facts import Facts, data_revision, facts_of, newest_batch_of
from dashboard.review.model import Contents, Section, checksum
from dashboard.review.period import Period, local_day
from dashboard.review.pictures import Progress


def contents_of(period: Period, products: tuple[str, ...], audience: str, rules: str) -> Contents:
    """What the pack of a review says. Minuting a decision does not make all of it anew."""
    held = cache.store()
    revision = held.revision()
    full = audience == FULL
    facts, sections = _opening(held.url, data_revision(held), period, products, full, rules, held)
    return assembled(facts, sections, revision)


@st.cache_resource(max_entries=8, show_spinner="Gathering what the review has to look at …")
def _opening(
    url: str,
    revision: int,
    period: Period,
    products: tuple[str, ...],
    full: bool,
    rules: str,
    _store: ingest.Store,
) -> tuple[Facts, tuple[Section, ...]]:
    facts = facts_of(_store, period, products, rules, full)
    return facts, opening(facts)


def default_day(zone: str) -> date:
    """The day of the newest batch: what a review is about until somebody says otherwise."""
    newest = newest_batch_of(cache.store())
    return local_day(newest.to_pydatetime() if newest is not None else cache.now(), zone)


MOST_PACKS = 12


@st.cache_resource(show_spinner=False)
def _packs() -> dict[tuple[str, str, str], bytes]:
    return {}


def pack_file(checksum: str, ending: str, paper: str) -> bytes | None:
    """A file of a pack that was made already; None where it was not."""
    return _packs().get((checksum, ending, paper))


def make_pack_file(contents: Contents, ending: str, paper: str, progress: Progress) -> None:
    """Make a file of a pack and keep it; only the newest few are kept."""
    raw = making.made(contents, [ending], paper, progress)[ending]
    held = _packs()
    held[checksum(contents), ending, paper] = raw
    for old in list(held)[:-MOST_PACKS]:
        held.pop(old, None)
