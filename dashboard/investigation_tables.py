"""Tables of the Investigation page, in words; also as they are taken away."""

import pandas as pd

from dashboard import text
from dashboard.investigation_results import Contents


def moved(about: Contents) -> pd.DataFrame:
    """How far each series moved with the change."""
    return pd.DataFrame(
        {
            "Series": [row.name for row in about.moved],
            "What it is": [row.role for row in about.moved],
            "Change, %": [round(row.percent, 2) for row in about.moved],
            "95 % interval, %": [
                f"{text.signed(row.low)} to {text.signed(row.high)}" for row in about.moved
            ],
            "Torque, %": [text.fixed(row.torque, 0) for row in about.moved],
            "Before": [row.n_before for row in about.moved],
            "In the change": [row.n_after for row in about.moved],
        }
    )


def happened(about: Contents) -> pd.DataFrame:
    """What began or was decided around the start."""
    return pd.DataFrame(
        {
            "From batch": [item.batch for item in about.happened],
            "What": [item.what for item in about.happened],
            "Where": [item.where for item in about.happened],
            "When (UTC)": [text.moment(item.at) for item in about.happened],
        }
    )


def factors(about: Contents) -> pd.DataFrame:
    """Every level of every factor."""
    rows = [
        {
            "Factor": view.name,
            "Level": level.name,
            "Batches": level.n,
            "Mean, mPa·s": level.mean,
            "Low": level.low,
            "High": level.high,
            "Against the rest, %": level.difference_percent,
            "Adjusted p": level.p_adjusted,
        }
        for view in about.factors
        for level in view.table
    ]
    return pd.DataFrame(rows)
