"""What the sections of a pack are made from: gathered once, from the store at the cut-off."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cached_property
from typing import Any

import pandas as pd

import ingest
from dashboard import measuring
from dashboard.as_of import StoreAsOf
from dashboard.assessment import assess_store
from dashboard.batches import load_batches
from dashboard.investigate import sharing_of
from dashboard.measuring import CheckVerdicts
from dashboard.results import Assessment, AssessmentError
from dashboard.review.period import Period, local_day
from dashboard.rule_sets import DEFAULT_RULES, RULE_SETS
from ingest import journal
from ingest.minutes import OF_MEETINGS


@dataclass(frozen=True, eq=False)  # no slots: what is worked out on demand is kept
class Facts:
    """The store at the cut-off, judged.

    Attributes:
        store: the store itself. seen: the store at the cut-off. period: of the review.
        rules: key of the rule set. chosen: names of products; empty for all.
        found: every chosen product judged, what needs a person first.
        full: for the full pack; the summary needs no figures and no investigation.
        newest: the newest thing that the store holds (an import, an entry or a reading), UTC.
    """

    store: Any
    seen: StoreAsOf
    period: Period
    rules: str
    chosen: tuple[str, ...]
    found: tuple[Assessment, ...]
    newest: pd.Timestamp | None
    full: bool = True

    @property
    def now(self) -> pd.Timestamp:
        """The moment that ages and due dates are judged by: the cut-off.

        In a period that still goes on, the newest thing that is known: nothing is overdue before.
        """
        end = pd.Timestamp(self.period.end)
        return end if self.newest is None else min(end, self.newest)

    @property
    def today(self) -> date:
        """The day that ends with the cut-off, or the newest one in a period that goes on."""
        return local_day((self.now - pd.Timedelta(1, "us")).to_pydatetime(), self.period.zone)

    def is_past(self, day: date) -> bool:
        """Whether a day is over."""
        return day < self.today or (day == self.today and self.now >= self.period.end)

    @cached_property
    def settings(self) -> dict[str, Any]:
        """What the site has set for itself."""
        return ingest.settings(self.store)

    @cached_property
    def entries(self) -> list[ingest.Entry]:
        """The journal, oldest entry first."""
        return ingest.journal_entries(self.store)

    @cached_property
    def rows(self) -> pd.DataFrame:
        """Readings sampled in the period, those set aside too, of products and check standards."""
        frame = self.store.readings(aside=True, between=(self.period.start, self.period.end))
        named = self.characteristics.set_index("id")["product"]
        frame = frame.assign(product=frame["characteristic_id"].map(named))
        is_check = frame["sample_type"] == "check"
        return frame[is_check | frame["product"].isin(self.products)].reset_index(drop=True)

    @cached_property
    def characteristics(self) -> pd.DataFrame:
        """Every characteristic of the store at the cut-off."""
        return self.seen.characteristics()

    @cached_property
    def verdicts(self) -> list[CheckVerdicts]:
        """The check standards on the instruments of the chosen products, as judged on screen."""
        used = {str(name) for one in self.found for name in one.batches["instrument"].unique()}
        every = measuring.check_verdicts(self.seen, self.today)
        return [one for one in every if not self.chosen or one.standard.instrument in used]

    @cached_property
    def shared(self) -> dict[str, list[int]]:
        """Products by instrument, those that the pack is not about among them."""
        kinds = self.characteristics.set_index("id")["sample_type"]
        batches = load_batches(self.seen, None)
        listed = batches[["instrument", "characteristic_id"]].rename(
            columns={"characteristic_id": "owner"}
        )
        return sharing_of(listed[(listed["owner"].map(kinds) == "product").to_numpy()])

    @cached_property
    def journal(self) -> pd.DataFrame:
        """The journal as a table."""
        return ingest.journal_table(self.store)[0]

    @property
    def products(self) -> list[str]:
        """Names of the products that the pack is about."""
        return sorted({one.product for one in self.found})

    def name_of(self, one: Assessment) -> str:
        """What a row is called: the product, with its condition where it has several charts."""
        several = sum(other.product == one.product for other in self.found) > 1
        return f"{one.product}, {one.condition}" if several else one.product

    def of_period(self, one: Assessment) -> pd.DataFrame:
        """The batches of a product that were made in the period."""
        return one.batches[self.in_period(one.batches["at"])]

    def in_period(self, at: pd.Series) -> pd.Series:
        """Which times lie in the period."""
        return (at >= pd.Timestamp(self.period.start)) & (at < pd.Timestamp(self.period.end))

    def written_in_period(self, at: str) -> bool:
        """Whether an ISO time lies in the period."""
        return self.period.start <= pd.Timestamp(at) < self.period.end

    def written_since(self, at: str) -> bool:
        """Whether an ISO time lies in the period or after it: the meeting comes after."""
        return bool(pd.Timestamp(at) >= self.period.start)

    def written_after(self, at: str) -> bool:
        """Whether an ISO time lies after the cut-off."""
        return bool(pd.Timestamp(at) >= self.period.end)


def facts_of(
    store: Any,
    period: Period,
    products: Sequence[str] = (),
    rules: str = DEFAULT_RULES,
    full: bool = True,
) -> Facts:
    """Judge the store as it was at the end of the period.

    Raises:
        AssessmentError: a product that the store does not hold, or an unknown rule set.
    """
    chosen = tuple(dict.fromkeys(products))
    seen = StoreAsOf(store, period.end)
    known = store.characteristics()
    known = known[(known["sample_type"] == "product") & (known["product"].str.strip() != "")]
    for name in chosen:
        if name not in set(known["product"]):
            held = ", ".join(sorted(known["product"].unique())) or "none yet"
            raise AssessmentError(f"No product {name!r} in this store; it holds {held}.")
    if rules not in RULE_SETS:
        raise AssessmentError(f"rules must be one of {', '.join(RULE_SETS)}, got {rules!r}.")
    bare = Facts(store, seen, period, rules, chosen, (), newest_of(store), full)
    one_product = chosen[0] if len(chosen) == 1 else None
    found = assess_store(seen, one_product, rules, now=bare.now.to_pydatetime())
    mine = tuple(one for one in found if not chosen or one.product in chosen)
    return replace(bare, found=mine)


def newest_of(store: Any) -> pd.Timestamp | None:
    """When the newest import, decision or batch of a store was: the clock of a pack.

    What is minuted in a meeting does not count: it must not change what the meeting looks at.
    """
    times = [pd.Timestamp(at) for at in store.imports()["at"]]
    with store.reading() as connection:
        entries = [one for one in journal.entries(connection) if one.what not in OF_MEETINGS]
        times += [pd.Timestamp(entry.at) for entry in entries[-1:]]
    made = store.batches()["last_at"].max()
    times += [made] if pd.notna(made) else []
    return max(times, default=None)


def data_revision(store: Any) -> int:
    """The revision of a store without what was minuted: each entry of a meeting made one."""
    with store.reading() as connection:
        entries = journal.entries(connection)
    return int(store.revision()) - sum(one.what in OF_MEETINGS for one in entries)


def newest_batch_of(store: Any) -> pd.Timestamp | None:
    """When the newest batch of a store was made; None without any time."""
    made = store.batches()["last_at"].max()
    return made if pd.notna(made) else None
