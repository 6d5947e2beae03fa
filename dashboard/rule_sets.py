"""The sets of rules a person can choose, and how often each cries wolf."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

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
        return batches_per_week * _false_alarms(self.rules, self.with_ewma)

    @property
    def run_length(self) -> float:
        """Batches from one false alarm to the next, on average, while nothing is wrong."""
        return 1.0 / _false_alarms(self.rules, self.with_ewma)


@lru_cache(maxsize=64)
def _false_alarms(rules: tuple[spc.Rule, ...], with_ewma: bool) -> float:
    """False alarms a batch. Kept: some rules are followed by simulation, which takes a second."""
    return spc.false_alarms_per_week(
        1.0, rules, with_ewma=with_ewma, weight=EWMA_WEIGHT, width=EWMA_WIDTH
    )


OWN_RULES = "own_rules"
"""Name of the setting: {"rules": keys of spc.RULES, "with_ewma": whether}."""
_OWN = "own:"
_EWMA = "ewma"


def own_key(rules: Sequence[str], with_ewma: bool) -> str:
    """The key of a set that a site has put together: it names its rules."""
    return _OWN + "+".join([*rules, *([_EWMA] if with_ewma else [])])


def own_key_of(settings: Mapping[str, Any]) -> str | None:
    """The key of the site's own set; None where it has none."""
    held = settings.get(OWN_RULES) or {}
    key = own_key(held.get("rules") or (), bool(held.get("with_ewma")))
    return key if key in RULE_SETS else None


def _own(key: str) -> RuleSet:
    names = key.removeprefix(_OWN).split("+")
    rules = tuple(rule for rule in spc.RULES if rule.key in names)
    unknown = set(names) - {rule.key for rule in rules} - {_EWMA}
    if unknown or not rules:
        raise KeyError(key)
    with_ewma = _EWMA in names
    phrases = [rule.phrase for rule in rules] + (["a moving average"] if with_ewma else [])
    return RuleSet(
        key=key,
        label=f"the site's own: {', '.join(phrases)}",
        rules=rules,
        with_ewma=with_ewma,
        explanation="Put together in Set-up.",
    )


class _RuleSets(dict[str, RuleSet]):
    """The sets on offer, and any set of rules by a key that names them."""

    def __missing__(self, key: str) -> RuleSet:
        if not key.startswith(_OWN):
            raise KeyError(key)
        return _own(key)

    def __contains__(self, key: object) -> bool:
        if super().__contains__(key):
            return True
        try:
            return isinstance(key, str) and bool(self[key])
        except KeyError:
            return False


RULE_SETS: dict[str, RuleSet] = _RuleSets(
    (chosen.key, chosen)
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
)
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
