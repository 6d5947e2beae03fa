"""Computed run lengths against 200,000 simulated charts each, by loops apart from the package.

Run as a script: prints a table; ends with 1 where a computed mean lies more than four standard
errors from the simulated one. Takes minutes.
"""

import math
import sys

import numpy as np

import spc

RUNS, AT_A_TIME = 200_000, 20_000
FOUR = ((2, 1), (1, 3))  # beyond so many sigma, with so many others before it


def simulate(shift: float, rules: str, rng: np.random.Generator, quiet: int = 0) -> np.ndarray:
    """Run lengths of charts, one point of all of them at a time.

    `rules`: letters, 3 for beyond 3 sigma, z for the other zone rules, e for an EWMA of 0.2 and
    2.86, c for a CUSUM of 0.5 and 4. `quiet`: points in control first.
    """
    n = AT_A_TIME
    average, up, down, side = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n, dtype=int)
    far = [np.zeros((n, 2, window), dtype=bool) for window in (2, 4)]
    lengths, t = [], 0
    while average.size:
        t += 1
        z = rng.normal(shift if t > quiet else 0.0, 1, average.size)
        average = 0.2 * z + 0.8 * average
        up, down = np.maximum(0, up + z - 0.5), np.maximum(0, down - z - 0.5)
        side = np.where(np.sign(z) == np.sign(side), side + np.sign(z).astype(int), np.sign(z))
        signal = np.zeros(z.size, dtype=bool)
        if "3" in rules:
            signal |= np.abs(z) > 3
        if "e" in rules:
            signal |= np.abs(average) > 2.86 * math.sqrt(0.2 / 1.8 * (1 - 0.8 ** (2 * t)))
        if "c" in rules:
            signal |= (up > 4) | (down > 4)
        if "z" in rules:
            signal |= np.abs(side) >= 8
            for place, (distance, others) in enumerate(FOUR):
                hits = np.stack([z > distance, z < -distance], axis=1)
                signal |= (hits & (far[place].sum(axis=2) >= others)).any(axis=1)
                far[place] = np.concatenate([far[place][:, :, 1:], hits[:, :, None]], axis=2)
        if t > quiet:
            lengths.append(np.full(int(signal.sum()), t - quiet))
        keep = ~signal
        average, up, down, side = average[keep], up[keep], down[keep], side[keep]
        far = [hits[keep] for hits in far]
    return np.concatenate(lengths)


def main() -> int:
    """Print the table and tell whether every run length agrees."""
    four = spc.FOUR_ZONE_RULES
    cases = [
        ("3 sigma", "3", lambda s, late: spc.run_length(spc.THREE_SIGMA, s, settled=late)),
        ("the four rules", "3z", lambda s, late: spc.run_length(four, s, settled=late)),
        ("3 sigma and EWMA", "3e", lambda s, late: spc.ewma_run_length(shift=s, settled=late)),
        ("the four and EWMA", "3ze",
         lambda s, late: spc.combined_run_length(four, s, settled=late)),
        ("CUSUM, h 4", "c", lambda s, late: spc.cusum_run_length(0.5, 4, s, settled=late)),
    ]  # fmt: skip
    missed = 0
    print(f"{'chart':<20} {'shift':>5} {'comes':>6} {'computed':>9} {'simulated':>9} {'error':>7}")
    for name, rules, computed in cases:
        for shift, quiet in ((0.0, 0), (1.0, 0), (1.0, 60)):
            rng = np.random.default_rng(200)
            parts: list[np.ndarray] = []
            while sum(part.size for part in parts) < RUNS:
                parts.append(simulate(shift, rules, rng, quiet))
            lengths = np.concatenate(parts)  # whole batches: a batch lists its short runs first
            mean, error = lengths.mean(), lengths.std() / math.sqrt(lengths.size)
            found = computed(shift, quiet > 0).mean
            off = abs(found - mean) > 4 * error
            missed += off
            print(
                f"{name:<20} {shift:>5} {'late' if quiet else 'first':>6} {found:>9.3f} "
                f"{mean:>9.3f} {error:>7.3f}{'  OFF' if off else ''}"
            )
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
