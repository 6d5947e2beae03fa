"""A gauge study from an uploaded file: what of the spread is the measurement. Nothing is stored."""

from dataclasses import dataclass

import pandas as pd

import ingest
import spc
from dashboard import text

SOURCES = {
    "part": "between parts",
    "appraiser": "between appraisers",
    "interaction": "appraiser with part",
    "equipment": "repeatability (equipment)",
}
PARTS = {
    "ev": "repeatability (equipment)",
    "av": "between appraisers",
    "interaction": "appraiser with part",
    "grr": "measurement, all of it",
    "pv": "between parts",
}
GOOD, POOR = 10.0, 30.0  # % of the tolerance: guide marks of the trade


@dataclass(frozen=True, slots=True, eq=False)
class GaugeView:
    """A study with its words.

    Attributes:
        study: the analysis. rows: the readings, appraisers as they are to be shown.
        sentences: what it says. table: the parts of the spread. anova: the table behind it.
    """

    study: spc.GaugeStudy
    rows: pd.DataFrame
    sentences: tuple[str, ...]
    table: pd.DataFrame
    anova: pd.DataFrame


def view_of(
    reading: ingest.GaugeReading, tolerance: float | None, show_appraisers: bool
) -> GaugeView:
    """Analyse a study that was read.

    Args:
        reading: without open questions. tolerance: upper less lower limit; None without one.
        show_appraisers: by name; else as "appraiser 1".

    Raises:
        SpcError: the study is not balanced, or too small.
    """
    rows = reading.rows
    appraisers = None if (rows["appraiser"] == "").all() else rows["appraiser"].tolist()
    study = spc.gauge_study(rows["value"].to_numpy(), rows["part"].tolist(), appraisers, tolerance)
    people = {name: f"appraiser {i}" for i, name in enumerate(rows["appraiser"].unique(), 1)}
    if not show_appraisers:
        rows = rows.assign(appraiser=rows["appraiser"].map(people))
    return GaugeView(study, rows, _sentences(study, tolerance), _table(study), _anova(study))


def away_from_parts(rows: pd.DataFrame) -> pd.DataFrame:
    """Each reading less the mean of its part: what the measurement alone does."""
    level = rows.groupby("part")["value"].transform("mean")
    return rows.assign(value=rows["value"] - level, level=level)


def _sentences(study: spc.GaugeStudy, tolerance: float | None) -> tuple[str, ...]:
    said = [
        f"{text.count(study.n_parts, 'part')}, {text.count(study.n_appraisers, 'appraiser')}, "
        f"{text.count(study.n_trials, 'reading')} of each part by each: measurement standard "
        f"deviation {text.with_interval(study.grr, study.grr_interval)}, repeatability "
        f"{text.with_interval(study.ev, study.ev_interval)} (95 % intervals)."
    ]
    percent = study.tolerance_percent
    if percent is not None:
        mark = (
            "below 10 %, usually taken as good"
            if percent < GOOD
            else "above 30 %, usually taken as not fit"
            if percent > POOR
            else "between 10 and 30 %, usually accepted under conditions"
        )
        said.append(
            f"Six of these standard deviations take {text.percent(percent, 0)} of the tolerance of "
            f"{text.number(tolerance)}: {mark}."
        )
    else:
        said.append("Without a tolerance there is no share of it.")
    if study.percent is not None:
        classes = (
            f"{study.ndc} classes of parts can be told apart (5 or more are usually wanted)"
            if study.ndc is not None
            else "the measurement shows no spread at all"
        )
        said.append(
            f"Of the standard deviation of all readings the measurement is "
            f"{text.percent(study.percent.grr, 0)}; {classes}. That means something only where the "
            "parts span what the process makes."
        )
    if study.interaction_pooled:
        said.append(
            "Appraisers do not differ from part to part beyond chance, so that term was pooled "
            "with repeatability."
        )
    if study.set_to_zero:
        named = text.joined([PARTS[name] for name in study.set_to_zero])
        said.append(f"Came out below zero and stands as zero: {named}.")
    return tuple(said)


def _table(study: spc.GaugeStudy) -> pd.DataFrame:
    rows = []
    for key, label in PARTS.items():
        sd = getattr(study, key)
        if sd is None:
            continue
        share = study.contribution and getattr(study.contribution, key)
        percent = study.percent and getattr(study.percent, key)
        tolerance = study.percent_of_tolerance and getattr(study.percent_of_tolerance, key)
        rows.append(
            {
                "Part of the spread": label,
                "Standard deviation": text.number(sd, 4),
                "Of the variance": text.percent(share) if share is not None else text.MISSING,
                "Of the total": text.percent(percent) if percent is not None else text.MISSING,
                "Of the tolerance": (
                    text.percent(tolerance) if tolerance is not None else text.MISSING
                ),
            }
        )
    return pd.DataFrame(rows)


def _anova(study: spc.GaugeStudy) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "Source": [SOURCES[row.source] for row in study.anova],
            "Degrees of freedom": [row.df for row in study.anova],
            "Sum of squares": [text.number(row.ss, 5) for row in study.anova],
            "Mean square": [text.number(row.ms, 5) for row in study.anova],
            "F": [text.number(row.f, 4) for row in study.anova],
            "p": [_p(row.p) for row in study.anova],
        }
    )


def _p(p: float | None) -> str:
    if p is None:
        return text.MISSING
    return "below 0.001" if p < 0.001 else text.fixed(p, 3)
