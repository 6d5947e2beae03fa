"""Holds verdicts against the truth of simulated plants."""

from collections import Counter
from dataclasses import dataclass

import numpy as np

from dashboard.histories import histories_of
from spc.drift import investigate
from tests.plant.plant import CAUSES, Plant, Ranges, Truth, simulate

SMALL = (0.4, 1.5)


@dataclass
class Score:
    """One history: what was true, what was said."""

    label: str
    truth: Truth
    cause_class: str
    suspect: str
    covered: bool | None
    size_covered: bool | None
    what: str
    seed: int

    @property
    def class_right(self) -> bool:
        return self.cause_class in self.truth.classes()

    @property
    def suspect_right(self) -> bool:
        return self.suspect in self.truth.suspects()

    @property
    def class_wrong(self) -> bool:
        """Neither right nor an admission that it cannot be told or seen."""
        return not self.class_right and self.cause_class not in ("cannot_tell", "none")


def verdict_of(plant: Plant):
    """Investigate the first product of a plant, by the same way as a store's."""
    number = int(plant.characteristics.set_index("product").loc["P-0", "id"])
    return investigate(histories_of(plant.readings, plant.characteristics)[number]).verdict


def score(plant: Plant, label: str, seed: int) -> Score:
    verdict, truth = verdict_of(plant), plant.truth
    covered = size = None
    if truth.since is not None and verdict.since is not None and len(truth.causes) == 1:
        covered = verdict.since_low <= truth.since <= verdict.since_high
        if verdict.size_low is not None and truth.percent and label != "unstable_process":
            scale = verdict.size_percent / verdict.size
            ends = sorted((verdict.size_low * scale, verdict.size_high * scale))
            size = ends[0] <= truth.percent <= ends[1]
    return Score(
        label, truth, verdict.cause_class, verdict.suspect, covered, size, verdict.what, seed
    )


def label_of(rng: np.random.Generator) -> str:
    """Draw what is put in: none in one of six, two causes in one of twelve, else one."""
    kind = rng.random()
    if kind < 1 / 6:
        return "none"
    if kind < 1 / 4:
        return "+".join(
            rng.choice(
                [
                    "gain",
                    "raw_material_lot",
                    "operator_or_reading_time",
                    "wear_or_ageing",
                    "temperature_bath",
                    "aeration",
                ],
                2,
                replace=False,
            )
        )
    return str(rng.choice(CAUSES))


def run(n: int, seed: int, small: float = 0.25, **ranges: object) -> list[Score]:
    """Simulate and investigate n histories; a share of `small` has shifts below 1.5."""
    scores = []
    for i in range(n):
        rng = np.random.default_rng([seed, i])
        label = label_of(rng)
        chosen = dict(ranges)
        if rng.random() < small:
            chosen["shift"] = SMALL
        scores.append(score(simulate(rng, label, Ranges(**chosen)), label, i))
    return scores


def share(values: list[bool]) -> float:
    return float(np.mean(values)) if values else float("nan")


def parts(scores: list[Score]) -> dict[str, list[Score]]:
    caused = [s for s in scores if s.truth.causes]
    return {
        "large": [s for s in caused if s.truth.shift >= 1.5],
        "small": [s for s in caused if s.truth.shift < 1.5],
        "none": [s for s in scores if not s.truth.causes],
    }


def accused(one: Score) -> bool:
    """A history without a cause of which something else than "none" was said."""
    return (one.cause_class, one.suspect) != ("none", "none")


def table(scores: list[Score], what: str) -> str:
    said = sorted({getattr(s, what) for s in scores})
    lines = [f"{'true':28s}" + "".join(f"{x[:9]:>10s}" for x in said)]
    for label in [*sorted({s.label for s in scores if "+" not in s.label}), "mixture"]:
        mine = [s for s in scores if s.label == label or (label == "mixture" and "+" in s.label)]
        if not mine:
            continue
        counts = Counter(getattr(s, what) for s in mine)
        right = share([s.class_right if what == "cause_class" else s.suspect_right for s in mine])
        lines.append(
            f"{label:28s}" + "".join(f"{counts[x]:10d}" for x in said) + f"  {100 * right:5.1f} %"
        )
    return "\n".join(lines)


def summary(scores: list[Score]) -> str:
    groups = parts(scores)
    lines = []
    for name in ("large", "small"):
        mine = groups[name]
        lines += [
            f"--- {name} shifts, {len(mine)} histories",
            table(mine, "cause_class"),
            table(mine, "suspect"),
        ]
        lines.append(
            f"class right {100 * share([s.class_right for s in mine]):.1f} %, wrong "
            f"{100 * share([s.class_wrong for s in mine]):.1f} %; suspect right "
            f"{100 * share([s.suspect_right for s in mine]):.1f} %"
        )
        covered = [s.covered for s in mine if s.covered is not None]
        sized = [s.size_covered for s in mine if s.size_covered is not None]
        lines.append(
            f"start covered {100 * share(covered):.1f} % of {len(covered)}; "
            f"size covered {100 * share(sized):.1f} % of {len(sized)}"
        )
    quiet = groups["none"]
    lines.append(
        f"--- none, {len(quiet)} histories: accused "
        f"{100 * share([accused(s) for s in quiet]):.1f} %"
    )
    lines.append(str(Counter((s.cause_class, s.suspect) for s in quiet)))
    return "\n".join(lines)
