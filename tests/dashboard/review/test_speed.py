"""A pack of 20 products and 10,000 readings has to be there before the meeting begins."""

import time

import numpy as np

import ingest
from dashboard.review import making
from dashboard.review.contents import contents_of
from dashboard.review.period import parse

MOST_SECONDS = 60  # asked for; 15 is the aim, about 7 are measured


def test_a_pack_of_20_products_and_10_000_readings(tmp_path) -> None:
    random = np.random.default_rng(3)
    rows = ["batch,product,replicate,viscosity,unit,instrument,sampled_at,lot"]
    for product in range(20):
        level = 800 + 150 * product
        means = level * np.exp(0.03 * random.standard_normal(250))
        if product % 4 == 0:
            means[200:] *= 1.05
        if product % 5 == 1:
            means[-10:] *= 0.92
        for batch, mean in enumerate(means):
            at = np.datetime64("2025-04-07T06:00") + np.timedelta64(34 * batch, "h")
            for replicate in (1, 2):
                value = mean * np.exp(0.006 * random.standard_normal())
                rows.append(
                    f"K{product:02}{batch:04},P-{product:02},{replicate},{value:.1f},mPa.s,"
                    f"V{product % 4},{at}Z,R{batch // 60}"
                )
    store = ingest.open_store(str(tmp_path / "store.sqlite"))
    store.add(ingest.read_bytes("\n".join(rows).encode(), "plant.csv", {"time_zone": "UTC"}))
    for product in range(20):
        level = 800 + 150 * product
        store.add_specification(f"P-{product:02}", 0.85 * level, 1.15 * level, level)
    began = time.process_time()
    contents = contents_of(store, parse("2026-W12"))
    files = making.made(contents, list(making.MAKERS))
    took = time.process_time() - began
    store.close()
    assert "all 20 products" in contents.products
    assert len(contents.figures) > 4
    assert {ending for ending, raw in files.items() if len(raw) > 50_000} == set(making.MAKERS)
    print(f"{took:.1f} s of processor")
    assert took < MOST_SECONDS
