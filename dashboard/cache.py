"""The only caches. Results are keyed on the store's address, its revision and the options.

The store itself is underscored: Streamlit ignores it, the address and revision stand for it.
"""

import os
from collections.abc import Callable, Hashable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import pandas as pd
import streamlit as st

import ingest
from dashboard import drawing
from dashboard.assessment import Assessment, assess_store, renewed
from dashboard.batch_trace import Trace, trace
from dashboard.chart_panels import Panel
from dashboard.drawing import Drawn
from dashboard.figures import palette_for
from dashboard.front import Card, Filters, Front, card_picture, front
from dashboard.grouping import load_batch
from dashboard.investigate import Investigated, investigate_product, sharing
from dashboard.renewal import Judged, judge
from dashboard.serving import import_demo
from ingest import journal

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
    """Every product judged, what needs a person first.

    All sessions share these values: pages read them and never change them.
    """
    held = store()
    tick = _tick()
    work = _assess_all if product is None and subgroups is None else _assess_some
    return work(held.url, held.revision(), rules, product, subgroups, tick.isoformat(), held)


def overview(rules: str, filters: Filters) -> Front:
    """What the overview says under these filters."""
    held = store()
    tick = _tick()
    return _overview(held.url, held.revision(), rules, filters, tick.isoformat(), held)


@st.cache_resource(max_entries=24, show_spinner=False)
def _overview(
    url: str, revision: int, rules: str, filters: Filters, tick: str, _store: ingest.Store
) -> Front:
    found = assessments(rules)
    lines = production_lines() if filters.line else None
    return front(found, ingest.settings(_store), pd.Timestamp(tick), filters, lines)


def pictures(cards: Sequence[Card], ground: str) -> list[dict[str, Any]]:
    """The small pictures of cards, as the browser gets them."""
    held = store()
    revision = held.revision()
    return [
        _picture(held.url, revision, one.rule_set, one.characteristic_id, ground, one)
        for one in (card.one for card in cards)
    ]


# `cache_resource`: the specification is handed on, never changed
@st.cache_resource(max_entries=800, show_spinner=False)
def _picture(
    url: str, revision: int, rules: str, characteristic_id: int, ground: str, _one: Assessment
) -> dict[str, Any]:
    return card_picture(_one, palette_for(ground))


def investigated(one: Assessment, names: bool) -> Investigated | None:
    """What the record of one product shows; operators by name, or by number."""
    held = store()
    number, rules = one.characteristic_id, one.rule_set
    return _investigated(held.url, held.revision(), number, rules, names, held, one)


@st.cache_resource(max_entries=48, show_spinner="Looking for what moved …")
def _investigated(
    url: str,
    revision: int,
    characteristic_id: int,
    rules: str,
    names: bool,
    _store: ingest.Store,
    _one: Assessment,
) -> Investigated | None:
    known = _characteristics(url, revision, _store)
    return investigate_product(_store, _one, _sharing(url, revision, rules), names, known)


@st.cache_resource(max_entries=2, show_spinner=False)
def _sharing(url: str, revision: int, rules: str) -> dict[str, list[int]]:
    return sharing(assessments(rules))


def production_lines() -> dict[int, tuple[str, ...]]:
    """Production lines by characteristic; they come with imports only, so they are kept longer."""
    held = store()
    return _lines(held.url, ingest.newest_import(held), held)


@st.cache_resource(max_entries=2, show_spinner="Looking up production lines …")
def _lines(url: str, newest_import: int, _store: ingest.Store) -> dict[int, tuple[str, ...]]:
    return ingest.production_lines(_store)


def store_is_new() -> bool:
    """Whether nothing was ever imported into the store."""
    return ingest.newest_import(store()) == 0


def fill_with_demo() -> Iterator[tuple[int, int, str]]:
    """Import the invented plant; tells after each file how many of how many, and its name."""
    return import_demo(store())


def find_batches(wanted: str) -> pd.DataFrame:
    """Batches whose number holds a text."""
    return ingest.find_batches(store(), wanted)


def traced(rules: str, characteristic_id: int, batch: str, show_operators: bool) -> Trace:
    """One batch, from its rows to the decision."""
    held = store()
    revision = held.revision()
    return _traced(held.url, revision, rules, characteristic_id, batch, show_operators, held)


@st.cache_resource(max_entries=24, show_spinner="Tracing the batch …")
def _traced(
    url: str,
    revision: int,
    rules: str,
    characteristic_id: int,
    batch: str,
    show_operators: bool,
    _store: ingest.Store,
) -> Trace:
    one = next(one for one in assessments(rules) if one.characteristic_id == characteristic_id)
    return trace(_store, one, batch, show_operators)


def now() -> datetime:
    """The time that the pages go by: the current one, or where the command line has set it."""
    return as_of() or datetime.now(UTC)


def as_of() -> datetime | None:
    """The time that freshness is judged by, where the command line has set one."""
    named = os.environ.get("VISCOSITY_SPC_AS_OF", "")
    return datetime.fromisoformat(named).astimezone(UTC) if named else None


def _tick() -> datetime:
    """Now, in steps of ten minutes."""
    now = as_of() or datetime.now(UTC)
    return datetime.fromtimestamp(now.timestamp() // FRESHNESS * FRESHNESS, UTC)


# `cache_resource`, although these are results: a copy of a whole plant for every click of every
# session would take longer than all else that a page does. They are frozen values.
@st.cache_resource(max_entries=2, show_spinner="Working out limits and signals …")
def _judged(url: str, revision: int, rules: str, _store: ingest.Store) -> list[Assessment]:
    held = _latest(url, rules)
    judged = judge(_store, rules, as_of(), held.get("judged"))
    held["judged"] = judged
    return list(judged.found)


@st.cache_resource(max_entries=4, show_spinner=False)
def _latest(url: str, rules: str) -> dict[str, Judged]:
    """The newest judgement under these rules, whatever the revision, to go on from."""
    return {}


@st.cache_resource(max_entries=2, show_spinner=False)
def _assess_all(
    url: str,
    revision: int,
    rules: str,
    product: None,
    subgroups: None,
    tick: str,
    _store: ingest.Store,
) -> list[Assessment]:
    return renewed(_judged(url, revision, rules, _store), datetime.fromisoformat(tick))


@st.cache_resource(max_entries=24, show_spinner="Working out limits and signals …")
def _assess_some(
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


def site(source: str) -> ingest.Site:
    """What the store knows that helps to read files of a source."""
    held = store()
    return _site(held.url, held.revision(), source, held)


@st.cache_data(max_entries=8, show_spinner=False)
def _site(url: str, revision: int, source: str, _store: ingest.Store) -> ingest.Site:
    return _store.site(source)


def read(
    digest: str, name: str, answers: tuple[tuple[str, str], ...], source: str, raw: bytes
) -> ingest.FileReading:
    """A file as it is understood with these answers and what the store knows of its source."""
    held = store()
    return _read(held.url, held.revision(), digest, name, answers, source, raw)


@st.cache_resource(max_entries=6, show_spinner="Reading the file …")
def _read(
    url: str,
    revision: int,
    digest: str,
    name: str,
    answers: tuple[tuple[str, str], ...],
    source: str,
    _raw: bytes,
) -> ingest.FileReading:
    return ingest.read_bytes(_raw, name, dict(answers), site(source))


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


def characteristics() -> pd.DataFrame:
    """Products at their measuring conditions, by name; check standards are not among them."""
    held = store()
    found = _characteristics(held.url, held.revision(), held)
    return found[(found["product"].str.strip() != "") & (found["sample_type"] == "product")]


@st.cache_data(max_entries=4, show_spinner=False)
def _characteristics(url: str, revision: int, _store: ingest.Store) -> pd.DataFrame:
    return _store.characteristics()


@dataclass(frozen=True, slots=True, eq=False)
class Beside:
    """What a chart page knows of one characteristic beside its assessment."""

    aside: pd.DataFrame
    operators: list[str]
    lots: dict[str, str]
    specifications: list[ingest.Specification]
    imports: pd.DataFrame
    journal: pd.DataFrame


def beside(characteristic_id: int, product: str) -> Beside:
    """Readings set aside, people, lots, specifications, imports and the journal."""
    held = store()
    return _beside(held.url, held.revision(), characteristic_id, product, held)


@st.cache_data(max_entries=24, show_spinner=False)
def _beside(
    url: str, revision: int, characteristic_id: int, product: str, _store: ingest.Store
) -> Beside:
    with _store.reading() as connection:
        entries = journal.as_table(connection)
    return Beside(
        _store.readings(characteristic_id, aside=True, only_aside=True),
        _store.operators(characteristic_id),
        _store.lots(characteristic_id),
        _store.specifications(product),
        _store.imports(),
        entries,
    )


def readings_of_batch(characteristic_id: int, batch: str) -> pd.DataFrame:
    """Every reading of one batch, those set aside too; a number used again is told by its year."""
    held = store()
    return _readings_of_batch(held.url, held.revision(), characteristic_id, batch, held)


@st.cache_data(max_entries=200, show_spinner=False)
def _readings_of_batch(
    url: str, revision: int, characteristic_id: int, batch: str, _store: ingest.Store
) -> pd.DataFrame:
    return load_batch(_store, characteristic_id, batch)


def specifications() -> dict[str, list[ingest.Specification]]:
    """Every dated specification, by product."""
    held = store()
    return _specifications(held.url, held.revision(), held)


@st.cache_data(max_entries=4, show_spinner=False)
def _specifications(
    url: str, revision: int, _store: ingest.Store
) -> dict[str, list[ingest.Specification]]:
    found: dict[str, list[ingest.Specification]] = {}
    for one in _store.specifications():
        found.setdefault(one.product, []).append(one)
    return found


def frozen_limits(characteristic_id: int) -> list[ingest.FrozenLimits]:
    """Every set of limits ever frozen for one characteristic, oldest first."""
    return ingest.frozen_limits(store(), characteristic_id, "individuals")


def settings() -> dict[str, Any]:
    """What the site has set for itself."""
    held = store()
    return _settings(held.url, held.revision(), held)


@st.cache_data(max_entries=4, show_spinner=False)
def _settings(url: str, revision: int, _store: ingest.Store) -> dict[str, Any]:
    return ingest.settings(_store)


def drawn(shown: tuple[Hashable, ...], make: Callable[[], list[Panel]]) -> list[Drawn]:
    """Figures ready to send, made once; `shown` names all that they depend on but the store."""
    held = store()
    return _drawn(held.url, held.revision(), shown, make)


@st.cache_data(max_entries=64, show_spinner=False)
def _drawn(
    url: str, revision: int, shown: tuple[Hashable, ...], _make: Callable[[], list[Panel]]
) -> list[Drawn]:
    return [drawing.drawn(panel) for panel in _make()]


def journal_and_faults() -> tuple[pd.DataFrame, list[str]]:
    """Every decision, and what is wrong with the chain of entries."""
    held = store()
    return _journal(held.url, held.revision(), held)


@st.cache_data(max_entries=2, show_spinner=False)
def _journal(url: str, revision: int, _store: ingest.Store) -> tuple[pd.DataFrame, list[str]]:
    return ingest.journal_table(_store)
