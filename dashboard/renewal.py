"""Judging a whole store again after a change: only the products that the change is about.

Most changes are one decision or a few batches, and judging everything anew for each of them would
let whoever opens the overview next wait for all products. What cannot be told to be about a few
products (check standards, settings, other rules) still renews all of them.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import ingest
from dashboard.assessment import Assessment, assess_store, decisions, in_order, known_besides

MOST = 12
"""Products renewed one by one; with more of them, judging all at once takes less time."""


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """A store judged at one revision.

    Attributes:
        found: every product, what needs a person first.
        revision: of the store, read before anything else was.
        of_all: what each product depends on, if it changes.
        of_one: product to what it alone depends on, beside its batches.
        checks: the characteristics of check standards.
    """

    found: tuple[Assessment, ...]
    revision: int
    of_all: Any
    of_one: dict[str, Any]
    checks: frozenset[int]


def judge(store: Any, rules: str, now: datetime | None, before: Judged | None = None) -> Judged:
    """Every product of a store, as `assess_store` judges it.

    Args:
        store: an open `ingest` store. rules: key of RULE_SETS. now: as for `assess_store`.
        before: the same store judged earlier, to renew only what has changed since.
    """
    revision = store.revision()
    characteristics = store.characteristics()
    checks = characteristics[characteristics["sample_type"] == "check"]
    aside, specifications = known_besides(store)
    decided = decisions(store)
    of_all = (
        rules,
        ingest.settings(store),
        [(row, aside.get(row[0])) for row in checks.itertuples(index=False, name=None)],
    )
    of_one: dict[str, Any] = {}
    products = characteristics[characteristics["sample_type"] == "product"]
    for row in products[products["product"].str.strip() != ""].itertuples(index=False):
        number, name = int(row.id), str(row.product)
        besides = of_one.setdefault(name, [specifications.get(name)])
        besides.append((tuple(row), aside.get(number), decided.get(number)))
    names = None
    if before is not None and before.of_all == of_all:
        names = _changed(store, before, of_one, characteristics)
    if before is None or names is None or len(names) > MOST:
        found = assess_store(store, rules=rules, now=now)
    else:
        found = [one for one in before.found if one.product in of_one and one.product not in names]
        for name in sorted(names):
            found += assess_store(store, product=name, rules=rules, now=now)
    numbers = frozenset(int(number) for number in checks["id"])
    return Judged(tuple(in_order(found)), revision, of_all, of_one, numbers)


def _changed(
    store: Any, before: Judged, of_one: dict[str, Any], characteristics: Any
) -> set[str] | None:
    """The products to judge again; None where it is all of them."""
    touched = set(store.batches(since_revision=before.revision)["characteristic_id"])
    if touched & before.checks:
        return None
    named: Sequence[str] = characteristics[characteristics["id"].isin(touched)]["product"]
    return {name for name in of_one if of_one[name] != before.of_one.get(name)} | (
        {str(name) for name in named} & set(of_one)
    )
