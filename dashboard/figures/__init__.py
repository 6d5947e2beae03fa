"""Figures in Altair, usable from a notebook: values in, a chart out, no Streamlit.

import spc
from dashboard.figures import control_chart
control_chart(spc.individuals([10.0, 12.0, 11.0, 13.0]).location, title="Batch mean")
"""

from dashboard.figures.control import CHOSEN, ENVELOPE_ABOVE, POINT, control_chart, run_plot
from dashboard.figures.fluid import fluid_runs
from dashboard.figures.gauge import gauge_figure
from dashboard.figures.histogram import capability_histogram
from dashboard.figures.intervals import interval_by_size, interval_rows, interval_trend
from dashboard.figures.levels import level_plot
from dashboard.figures.moved import moved_series
from dashboard.figures.navigator import STRETCH, WINDOW, navigator
from dashboard.figures.normal_plot import normal_figure
from dashboard.figures.palette import DARK, LIGHT, Palette, palette_for
from dashboard.figures.ribbon import Bar, Lane, Mark, event_ribbon
from dashboard.figures.strip import check_strip
from dashboard.figures.trend import trend

__all__ = [
    "CHOSEN",
    "DARK",
    "ENVELOPE_ABOVE",
    "LIGHT",
    "POINT",
    "STRETCH",
    "WINDOW",
    "Bar",
    "Lane",
    "Mark",
    "Palette",
    "capability_histogram",
    "check_strip",
    "control_chart",
    "event_ribbon",
    "fluid_runs",
    "gauge_figure",
    "interval_by_size",
    "interval_rows",
    "interval_trend",
    "level_plot",
    "moved_series",
    "navigator",
    "normal_figure",
    "palette_for",
    "run_plot",
    "trend",
]
