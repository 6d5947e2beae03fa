"""Figures in Altair, usable from a notebook: values in, a chart out, no Streamlit.

import spc
from dashboard.figures import control_chart
control_chart(spc.individuals([10.0, 12.0, 11.0, 13.0]).location, title="Batch mean")
"""

from dashboard.figures.control import ENVELOPE_ABOVE, POINT, control_chart, run_plot
from dashboard.figures.histogram import capability_histogram
from dashboard.figures.levels import level_plot
from dashboard.figures.palette import DARK, LIGHT, Palette, palette_for
from dashboard.figures.strip import check_strip
from dashboard.figures.trend import trend

__all__ = [
    "DARK",
    "ENVELOPE_ABOVE",
    "LIGHT",
    "POINT",
    "Palette",
    "capability_histogram",
    "check_strip",
    "control_chart",
    "level_plot",
    "palette_for",
    "run_plot",
    "trend",
]
