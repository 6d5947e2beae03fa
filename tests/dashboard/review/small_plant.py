"""One small plant with everything that a review has to tell, made once for all tests beside."""

from datetime import date
from pathlib import Path

import numpy as np

import ingest

HOSTILE = "<script>alert('x')</script>"
FORMULA = "=HYPERLINK(1)"
WEEK = "2026-W12"  # 16 to 22 March 2026
HEADINGS = (
    "batch,product,replicate,viscosity,unit,torque,spindle,speed,instrument,operator,lot,"
    "sampled_at,stage,sample_type,comment"
)


def rows() -> list[str]:
    """Batches of four products from 1 February to 31 March 2026, two readings each."""
    random = np.random.default_rng(20260316)
    made = []
    for place, (product, level) in enumerate(
        ((HOSTILE, 2000.0), (FORMULA, 900.0), ("P & Q", 4000.0), ("Łąka", 1200.0))
    ):
        n = 58 if place < 3 else 12
        means = level * (1 + 0.02 * random.standard_normal(n))
        if place == 0:
            means[38:] *= 1.09  # from 11 March on
        for i in range(n):
            at = np.datetime64("2026-02-01T08:00") + np.timedelta64(i, "D")
            lot = "R1" if i < 44 else "R2"  # 17 March
            for replicate in (1, 2):
                value = means[i] * (1 + 0.005 * random.standard_normal())
                made.append(
                    f"{'ABCD'[place]}{i:03},{product},{replicate},{value:.1f},mPa.s,,S{place},20,"
                    f"V{1 + place % 2},AK,{lot},{at}Z,,product,"
                )
    # a retest of B045 (18 March), an adjusted C046 (19 March), an over-range reading (20 March)
    made += [
        f"B045,{FORMULA},1,880,mPa.s,,S1,20,V2,AK,R2,2026-03-18T11:00Z,,product,again",
        f"B045,{FORMULA},2,881,mPa.s,,S1,20,V2,AK,R2,2026-03-18T11:05Z,,product,again",
        "C046,P & Q,1,4010,mPa.s,,S2,20,V1,AK,R2,2026-03-19T10:00Z,adjusted,product,",
        "C046,P & Q,2,4015,mPa.s,,S2,20,V1,AK,R2,2026-03-19T10:05Z,adjusted,product,",
        "C047,P & Q,3,OVER,mPa.s,104,S2,20,V1,AK,R2,2026-03-20T08:10Z,,product,",
    ]
    for instrument in ("V1", "V2"):
        for week in range(58):
            at = np.datetime64("2026-02-01T06:00") + np.timedelta64(week, "D")
            value = 1000 + 4 * random.standard_normal()
            made.append(f"CF,CF-1000,1,{value:.1f},mPa.s,50,S2,20,{instrument},AK,,{at}Z,,check,")
    return made


def fill(path: Path, wanted: list[str]) -> ingest.Store:
    """A store of these rows with specifications and an uncertainty."""
    store = ingest.open_store(str(path))
    raw = "\n".join([HEADINGS, *wanted]).encode()
    reading = ingest.read_bytes(raw, "plant.csv", {"time_zone": "UTC"})
    assert reading.questions == (), reading.questions
    store.add(reading, by="Kim")
    for product, level in ((HOSTILE, 2000.0), (FORMULA, 900.0), ("P & Q", 4000.0)):
        store.add_specification(
            product, 0.9 * level, 1.1 * level, level, date(2026, 1, 1), by="Kim"
        )
    ingest.set_setting(
        store, "uncertainty", {"*": {"standard_percent": 1.0, "source": "budget"}}, by="Kim"
    )
    return store


def of(store: ingest.Store, product: str) -> int:
    """The characteristic of a product as made."""
    held = store.characteristics()
    return int(held[(held["product"] == product) & (held["stage"] == "")]["id"].iloc[0])
