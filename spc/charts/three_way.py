"""Batches with replicates: means as individuals, and the replicates on a chart of their own."""

from spc.charts.dispersion_limits import DispersionLimits
from spc.charts.individuals import individuals
from spc.charts.subgroups import range_chart
from spc.errors import TooFewPointsError
from spc.intake import Groups, as_groups, as_sigma
from spc.result import ChartSet


def three_way(
    subgroups: Groups,
    *,
    center: float | None = None,
    sigma: float | None = None,
    sigma_within: float | None = None,
    dispersion_limits: DispersionLimits = "three_sigma",
) -> ChartSet:
    """Chart batch means by their own movement and the replicates by their range.

    The default for batch work. The first two charts watch the process, the third watches the
    measurement; duplicates never set the limits of batches.

    Args:
        subgroups: the readings of each batch, production order: sequence of arrays, or 2-D array
            with nan for a missing reading. A batch with one reading keeps its place; its range
            is nan.
        center: a centre of the batch means fixed earlier; together with `sigma`.
        sigma: the standard deviation of one batch mean fixed earlier with that centre.
        sigma_within: repeatability standard deviation fixed earlier, for the third chart.
        dispersion_limits: "three_sigma" or "probability", as in `individuals` and `xbar_r`.

    Returns:
        ChartSet: `.location` and `.dispersion` as `individuals` of the batch means; `.within`
        the range of the replicates, or None where no batch has two readings.

    Raises:
        TooFewPointsError: fewer than 2 batches (1 where center and sigma are given).
        ArgumentError: only one of `center` and `sigma`.

    Source: three-way chart, D. J. Wheeler, Understanding Statistical Process Control (from memory).

    Example:
        >>> charts = three_way([[10, 12], [14, 14], [12, 13]])
        >>> charts.location.values.tolist()
        [11.0, 14.0, 12.5]
    """
    groups = as_groups(subgroups)
    if groups.n_groups < 2 and (groups.n_groups < 1 or sigma is None):
        raise TooFewPointsError(
            f"subgroups needs at least 2 batches, got {groups.n_groups}: wait for more data"
        )
    means = individuals(
        groups.means(), center=center, sigma=sigma, dispersion_limits=dispersion_limits
    )
    has_replicates = bool((groups.sizes > 1).any())
    known = None if sigma_within is None else as_sigma(sigma_within, name="sigma_within")
    return ChartSet(
        kind="three_way",
        location=means.location,
        dispersion=means.dispersion,
        within=range_chart(groups, known, "range of replicates", dispersion_limits)
        if has_replicates
        else None,
    )
