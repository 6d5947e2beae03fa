"""Figures made ready to send, by several sessions at once."""

import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pyarrow as pa
import pytest

from dashboard import drawing
from dashboard.chart_panels import Panel
from dashboard.figures import run_plot


@pytest.fixture
def _many_turns() -> Iterator[None]:
    """Threads take turns every few instructions, as they sometimes do anyway."""
    usual = sys.getswitchinterval()
    sys.setswitchinterval(1e-5)
    yield
    sys.setswitchinterval(usual)


def drawn_levels(level: int, as_values: bool) -> set[int]:
    """The values that a figure of a flat line at some level holds."""
    figure = run_plot(np.full(12, float(level)), x_title="Batch", title="Mean")
    if as_values:
        tables = drawing.as_specification(figure)["datasets"].values()
        return {int(row["value"]) for table in tables for row in table if row.get("value")}
    packed = drawing.drawn(Panel("means", figure, True)).spec["datasets"].values()
    read = [pa.ipc.open_stream(one).read_all().to_pylist() for one in packed]
    return {int(row["value"]) for table in read for row in table if row.get("value")}


@pytest.mark.usefixtures("_many_turns")
def test_figures_of_several_sessions_keep_their_own_tables() -> None:
    """Altair keeps one setting for all threads: a figure got another one's tables, or none."""
    levels = range(100, 140)
    with ThreadPoolExecutor(8) as sessions:
        found = list(sessions.map(drawn_levels, levels, [i % 3 == 0 for i in levels]))
    assert found == [{level} for level in levels]
