"""Whether the results of one batch agree, and what is reported (ISO 5725-6)."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import bdtrc

from spc.errors import TooFewPointsError
from spc.intake import Groups, as_flag, as_groups, as_number, as_series, mean_of
from spc.repeatability import critical_range

# About 1 time in 20 the results of a method in order disagree all the same.
EXPECTED_SHARE = 0.05


@dataclass(frozen=True, slots=True)
class Acceptance:
    """Where the procedure stands after the results so far.

    Attributes:
        n: number of results.
        range: largest minus smallest.
        critical_range: the range that n results stay within 19 times in 20.
        agree: whether the range stays within.
        reported: what is reported; None where two results disagree and more must be taken.
        estimator: "mean" or "median", of all results; None with `reported`.
        further: results to take before anything is reported; 0 where `reported` is final.
        one_more_allowed: True after three results that disagree: their median may be reported,
            or a fourth result taken and all four judged.
    """

    n: int
    range: float
    critical_range: float
    agree: bool
    reported: float | None
    estimator: Literal["mean", "median"] | None
    further: int
    one_more_allowed: bool


def acceptance(results: ArrayLike, sigma_r: float, *, expensive: bool = False) -> Acceptance:
    """Judge two, three or four results of one batch together; none is ever dropped.

    Call with two results first. Where they disagree, take `further` more (two, or one of an
    expensive test) and call again with all of them.

    Args:
        results: shape (n,), n ≥ 2, all valid results of the batch.
        sigma_r: repeatability standard deviation, same unit, known from elsewhere: not from
            these results.
        expensive: one further result is taken in place of two.

    Raises:
        TooFewPointsError: a single result, whose agreement cannot be judged.
        ArgumentError: a result not finite, sigma_r not above 0.

    Source: ISO 5725-6:1994, 5.2.2 and 5.2.3, factors as its Table 1 prints them, with one decimal
        (2.8, 3.3, 3.6 for 2, 3, 4 results).

    Example:
        >>> acceptance([1985, 2025, 1995, 2004], sigma_r=12).reported
        2002.25
    """
    series = as_series(results, name="results")
    if series.size < 2:
        raise TooFewPointsError("results needs at least 2, got 1: take a second result")
    sigma = as_number(sigma_r, name="sigma_r", above=0)
    expensive = as_flag(expensive, name="expensive")
    span = float(series.max() - series.min())
    limit = printed_factor(series.size) * sigma
    # A range of exactly the limit agrees, also when the subtraction rounds it up.
    agree = span <= limit + 4 * float(np.spacing(np.abs(series).max()))
    reported: float
    estimator: Literal["mean", "median"]
    if agree:
        reported, estimator = mean_of(series), "mean"
    elif series.size == 2:
        return Acceptance(2, span, limit, False, None, None, 1 if expensive else 2, False)
    else:
        reported, estimator = float(np.median(series)), "median"
    return Acceptance(
        n=series.size,
        range=span,
        critical_range=limit,
        agree=agree,
        reported=reported,
        estimator=estimator,
        further=0,
        one_more_allowed=series.size == 3 and not agree,
    )


def printed_factor(n: int) -> float:
    """Return the critical-range factor of n results as the standard prints it, one decimal."""
    return round(critical_range(n), 1)


@dataclass(frozen=True, slots=True)
class DisagreementRate:
    """How often batches fail the agreement of their results.

    Attributes:
        n: batches with two results or more.
        n_disagree: those whose range exceeds the critical range.
        percent: their share.
        p: probability of so many or more if sigma_r were true (1 batch in 20 expected). A small
            one says: a problem of measurement, not of batches.
    """

    n: int
    n_disagree: int
    percent: float
    p: float


def disagreement_rate(groups: Groups, sigma_r: float) -> DisagreementRate:
    """Count the batches whose results disagree.

    Args:
        groups: the results of each batch: sequence of arrays, or 2-D array with nan for a missing
            one. Single results tell nothing and are passed over.
        sigma_r: repeatability standard deviation, known from elsewhere.

    Raises:
        TooFewPointsError: no batch with two results.
        ArgumentError: a result infinite, sigma_r not above 0.

    Source: ISO 5725-6:1994, 5.2 (more than 5 % in excess calls for a check of the method).

    Example:
        >>> disagreement_rate([[2000, 2010], [1980, 2030], [1990, 1991]], sigma_r=12).n_disagree
        1
    """
    several = as_groups(groups, name="groups").with_replicates()
    if several.n_groups == 0:
        raise TooFewPointsError(
            "groups needs a batch with two results or more, got none: measure duplicates"
        )
    sigma = as_number(sigma_r, name="sigma_r", above=0)
    different, index = np.unique(several.sizes, return_inverse=True)
    factors = np.array([printed_factor(int(n)) for n in different])[index]
    largest = np.maximum.reduceat(np.abs(several.flat), several.starts)
    beyond = int((several.ranges() > factors * sigma + 4 * np.spacing(largest)).sum())
    n = several.n_groups
    p = 1.0 if beyond == 0 else float(bdtrc(beyond - 1, n, EXPECTED_SHARE))
    return DisagreementRate(n, beyond, 100 * beyond / n, p)
