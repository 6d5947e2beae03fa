"""What if: the slow drift of S08 under frozen limits, other rules, and limits made anew.

Expected batches and counts are those of the plant scenario: nothing beyond 3 sigma where limits are
made anew every 20 batches; with limits frozen on the first 20 the moving average signals at B028,
8 on one side at B029, 3 sigma at B036.
"""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

import ingest
from dashboard.assessment import assess_store
from dashboard.replay import replay_recalculated, replay_rules

DATA = Path(__file__).parent / "data"


@pytest.fixture(scope="module")
def frozen(tmp_path_factory):
    (path,) = DATA.glob("S08_*.csv")
    store = ingest.open_store(str(tmp_path_factory.mktemp("replay") / "store.sqlite"))
    store.add(ingest.read_file(path))
    ingest.freeze_limits(
        store, 1, center=1996.6, sigma=37.2, first_batch="B001", last_batch="B020", n=20,
        method="moving_range", why="first stable stretch",
    )  # fmt: skip
    (found,) = assess_store(store, now=datetime(2025, 4, 1, tzinfo=UTC))
    yield found
    store.close()


def test_limits_made_anew_hide_the_drift(frozen):
    found = replay_recalculated(frozen, 20, "three-sigma")
    assert found.n_batches_flagged == 0
    assert found.first == ""
    means = frozen.batches["mean"].to_numpy()
    for start in (0, 20, 40):
        block = means[start : start + 20]
        assert found.location.center[start] == pytest.approx(block.mean())
        sigma = np.abs(np.diff(block)).mean() * np.sqrt(np.pi) / 2
        assert found.location.upper[start] == pytest.approx(block.mean() + 3 * sigma)


def test_other_rules_over_the_same_limits(frozen):
    found = replay_rules(frozen, "four-zone")
    assert found.first_by_rule["8 on one side"] == "B029"
    assert found.first_by_rule["beyond 3 sigma"] == "B036"
    average = replay_rules(frozen, "three-sigma-ewma")
    assert average.first == "B028"
    assert found.false_alarms_per_week > average.false_alarms_per_week


def test_months_with_few_batches_join_their_neighbours(frozen):
    found = replay_recalculated(frozen, "month")
    lengths = np.diff(np.flatnonzero(np.diff(found.location.center, prepend=np.nan) != 0))
    assert (lengths >= 8).all()


def test_without_limits_there_is_nothing_to_replay(tmp_path):
    (path,) = DATA.glob("S08_*.csv")
    lines = path.read_text().splitlines()[:7]
    few = tmp_path / "few.csv"
    few.write_text("\n".join(lines) + "\n")
    store = ingest.open_store(str(tmp_path / "few.sqlite"))
    store.add(ingest.read_file(few))
    (found,) = assess_store(store)
    assert replay_rules(found, "four-zone") is None
    assert replay_recalculated(found) is None
    store.close()
