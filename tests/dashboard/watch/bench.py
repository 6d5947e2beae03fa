"""What the tests of the watch share: a small plant, a description, a watch with its own clock."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

import ingest
from dashboard.watch import service
from dashboard.watch.description import load_watch
from dashboard.watch.service import Cycle, Running

START = datetime(2026, 3, 2, 6, tzinfo=UTC)
NOW = datetime(2026, 3, 20, 12, tzinfo=UTC)  # a Friday


def readings(batches: Iterable[tuple[str, float]], first: datetime, product: str = "P-1") -> bytes:
    """A file of single readings, one a batch, three hours apart."""
    lines = ["batch,product,viscosity,unit,tested_at"]
    for i, (batch, value) in enumerate(batches):
        at = (first + timedelta(hours=3 * i)).strftime("%Y-%m-%dT%H:%M:%SZ")
        lines.append(f"{batch},{product},{value:.1f},mPa.s,{at}")
    return "\n".join(lines).encode() + b"\n"


def ordinary(n: int, seed: int = 5) -> list[float]:
    return [float(value) for value in np.random.default_rng(seed).normal(2000, 25, n).round(1)]


def make_plant(store: ingest.Store, n: int = 30, product: str = "P-1") -> None:
    """So many ordinary batches before NOW, and a specification that holds them all."""
    values = [(f"B{i:03d}", value) for i, value in enumerate(ordinary(n))]
    first = NOW - timedelta(hours=3 * n)
    store.add(ingest.read_bytes(readings(values, first, product), f"{product} first.csv"))
    store.add_specification(product, 1800, 2200)


def add_batches(
    store: ingest.Store, batches: list[tuple[str, float]], at: datetime, product: str = "P-1"
) -> None:
    store.add(ingest.read_bytes(readings(batches, at, product), f"{batches[0][0]}.csv"))


@dataclass
class Bench:
    """A watch on a store whose clock a test sets."""

    store: ingest.Store
    file: Path
    now: datetime = NOW
    said: list[str] = field(default_factory=list)
    run: Any = None

    def describe(self, text: str) -> "Bench":
        self.file.write_text(text, encoding="utf-8")
        return self.restart()

    def restart(self) -> "Bench":
        """As if the process had been ended and started again."""
        self.run = Running(self.store, load_watch(self.file), self.said.append, lambda: self.now)
        return self

    def look(self, later: timedelta = timedelta(minutes=5)) -> Cycle:
        """Look once, so much later than before."""
        self.now += later
        return service.look(self.run)
