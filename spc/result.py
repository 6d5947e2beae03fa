"""What every chart is made of: all that a figure, or a run rule, needs to know."""

from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

import numpy as np

from spc.borders import highest_inside, lowest_inside
from spc.intake import BoolArray, FloatArray

# Where limits come from. "estimated": from the plotted points themselves, to look back on them
# (phase I of ISO 7870-2). "baseline": from the first part of them, those after it being judged
# (phase I, then II). "given": from elsewhere, frozen earlier or prescribed; the points are only
# judged (phase II).
Phase: TypeAlias = Literal["estimated", "baseline", "given"]


@dataclass(frozen=True, slots=True, eq=False)
class ControlChart:
    """Plotted points with their centre line and control limits.

    Attributes:
        name: what is plotted, in words.
        values: the plotted points, shape (n,); nan where a point has none (the first moving
            range, the range of a single value).
        center: centre line at each point.
        lower: lower limit at each point; 0.0 where a range or standard deviation has none.
        upper: upper limit at each point.
        sigma: short-term standard deviation of ONE value from which the limits were made.
        standard_error: standard deviation of each plotted point.
        phase: "estimated" where the limits come from these points, "baseline" where they come
            from the first part of them, "given" where the points are judged by limits from
            elsewhere.
        counted: shape (n,), True for each point that the limits were estimated from; a point that
            was left out is plotted and judged all the same. None where the limits were given.
    """

    name: str
    values: FloatArray
    center: FloatArray
    lower: FloatArray
    upper: FloatArray
    sigma: float
    standard_error: FloatArray
    phase: Phase = "given"
    counted: BoolArray | None = None

    def made_from(self, points: BoolArray, phase: Phase = "estimated") -> "ControlChart":
        """Return the chart with the note that its limits come from some of its points.

        Args:
            points: shape (n,), True where a point counts; a missing one never does.
            phase: "estimated" or "baseline".
        """
        return replace(self, phase=phase, counted=points & ~np.isnan(self.values))

    @property
    def n(self) -> int:
        """Number of points, missing ones included."""
        return int(self.values.size)

    @property
    def z(self) -> FloatArray:
        """Distance of each point from the centre, in its own standard deviations.

        As double precision computes it; whether a point is beyond a limit is for `outside` and the
        run rules to say, which allow for rounding (`spc.borders`).

        Convention where there is no spread at all (standard error 0): 0 on the centre line,
        infinite off it, so that no rule is silent about a point that left a constant series.
        """
        z: FloatArray = self.values - self.center
        flat = self.standard_error == 0
        if flat.any():
            on_center = flat & (z == 0)
            with np.errstate(divide="ignore", invalid="ignore"):
                z /= self.standard_error
            z[on_center] = 0.0
        else:
            z /= self.standard_error
        return z

    def outside(self) -> BoolArray:
        """Points strictly beyond a limit; a missing point is not outside.

        A point on a limit is not outside, and to the rounding of the limit's own arithmetic a
        point beside it is on it: 8 units in the last place, about 4e-12 at 2000.
        """
        return (self.values > highest_inside(self.upper, self.center)) | (
            self.values < lowest_inside(self.lower, self.center)
        )


@dataclass(frozen=True, slots=True, eq=False)
class ChartSet:
    """Charts that are read together.

    Attributes:
        kind: "individuals", "xbar_r", "xbar_s" or "three_way".
        location: where the process is (values or means).
        dispersion: how much it moves (moving range, range or standard deviation).
        within: range of the replicates (three_way only; None where no batch has replicates).
    """

    kind: str
    location: ControlChart
    dispersion: ControlChart
    within: ControlChart | None = None
