"""Confusion of cause class and suspect over simulated histories: investigations.py [N] [SEED].

Each history is drawn anew: a plant with one of twelve causes, two of them, or none. Prints, for
shifts of 1.5 batch standard deviations and more and for smaller ones, what was said for what was
true, the share of false accusations, and how often the stated start holds the true one.
"""

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.plant.scoring import run, summary

if __name__ == "__main__":
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    began = time.perf_counter()
    scores = run(n, seed)
    print(summary(scores))
    print(f"{n} histories in {time.perf_counter() - began:.0f} s, seed {seed}")
