"""The sets of rules a person can choose, and how often each cries wolf."""

from dataclasses import dataclass

import spc
from dashboard.results import AssessmentError

EWMA_WEIGHT = 0.2
EWMA_WIDTH = 2.86


@dataclass(frozen=True, slots=True)
class RuleSet:
    """Rules that are looked at together.

    Attributes:
        key: short name for the command line and stored choices.
        label: name for people, made of what the rules say.
        rules: the rules on the batch means.
        with_ewma: whether the moving average chart signals too.
        explanation: when to choose it and what it costs, in one or two sentences.
    """

    key: str
    label: str
    rules: tuple[spc.Rule, ...]
    with_ewma: bool
    explanation: str

    def false_alarms_per_week(self, batches_per_week: float) -> float:
        """Signals a week to expect by chance alone, while nothing is wrong."""
        return spc.false_alarms_per_week(
            batches_per_week,
            self.rules,
            with_ewma=self.with_ewma,
            weight=EWMA_WEIGHT,
            width=EWMA_WIDTH,
        )


RULE_SETS: dict[str, RuleSet] = {
    chosen.key: chosen
    for chosen in (
        RuleSet(
            key="three-sigma-ewma",
            label="beyond 3 sigma, and a moving average for slow shifts",
            rules=spc.THREE_SIGMA_RULES,
            with_ewma=True,
            explanation=(
                "Finds a shift of one sigma about as fast as the four zone rules, with less than "
                "half of their false alarms."
            ),
        ),
        RuleSet(
            key="three-sigma",
            label="beyond 3 sigma only",
            rules=spc.THREE_SIGMA_RULES,
            with_ewma=False,
            explanation="Fewest false alarms; slow to see a small lasting shift.",
        ),
        RuleSet(
            key="four-zone",
            label="the four zone rules of 1956",
            rules=spc.FOUR_ZONE_RULES,
            with_ewma=False,
            explanation=(
                "Each signal says what pattern made it. About one false alarm in 92 batches."
            ),
        ),
    )
}
DEFAULT_RULES = "three-sigma-ewma"


def rule_set(key: str) -> RuleSet:
    """Look a rule set up by its key.

    Raises:
        AssessmentError: unknown key; the message lists the choices.
    """
    if key not in RULE_SETS:
        raise AssessmentError(f"rules must be one of {', '.join(RULE_SETS)}, got {key!r}.")
    return RULE_SETS[key]


def expected_false_alarms(batches_per_week: float) -> dict[str, float]:
    """False alarms a week to expect from each rule set while nothing is wrong.

    Args:
        batches_per_week: charted batches a week; sum it over all charts for a whole plant.
    """
    return {
        key: chosen.false_alarms_per_week(batches_per_week) for key, chosen in RULE_SETS.items()
    }
