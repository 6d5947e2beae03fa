"""Capability: the spread between the specification lines, and an index where it is earned."""

import streamlit as st

import spc
from dashboard import escaping, text, verdicts, widgets
from dashboard.assessment import Assessment
from dashboard.figures import capability_histogram

words = escaping.markdown


def main() -> None:
    """Choose a product, say what is known, draw it."""
    st.title("Capability", anchor=False)
    found = widgets.all_assessments()
    if not found:
        widgets.empty_store()
        return
    one = widgets.choose_characteristic(found)
    view = one.capability
    withheld(one)
    if view.result is not None:
        numbers(one)
    if one.n_batches:
        histogram(one)
    if view.specification is None:
        st.page_link("views/setup.py", label="Add a specification", icon=":material/tune:")
    widgets.caution()


def withheld(one: Assessment) -> None:
    """Why there is no capability index, every reason spelled out."""
    if one.capability.withheld:
        st.markdown("**No capability index, because:**")
        st.markdown("\n".join(f"- {words(text.sentence(r))}" for r in one.capability.withheld))


def numbers(one: Assessment) -> None:
    """Indices with their intervals; performance only where that is all that may be said."""
    view, result = one.capability, one.capability.result
    rows = [
        ("Ppk", "performance, total spread, nearer limit", result.ppk, result.ppk_interval),
        ("Pp", "performance, total spread, both limits", result.pp, result.pp_interval),
    ]
    if not view.performance_only:
        rows = [
            ("Cpk", "capability, short-term spread, nearer limit", result.cpk, result.cpk_interval),
            ("Cp", "capability, short-term spread, both limits", result.cp, result.cp_interval),
            *rows,
            ("Cpm", "as Pp, with the distance from the target", result.cpm, result.cpm_interval),
        ]
    given = [row for row in rows if row[2] is not None]
    what = "Performance of a process not shown to be stable" if view.withheld else "Stable process"
    st.markdown(
        f"**{what}**: {text.batches(result.n)}, specification "
        f"{words(verdicts.limits_in_words(view.specification))} {text.UNIT}"
    )
    for column, (name, what, value, bounds) in zip(st.columns(len(given)), given, strict=True):
        with column:
            st.metric(name, text.fixed(value, 2))
            if bounds is not None:
                percent = text.fixed(100 * result.confidence, 0)
                st.caption(f"{percent} % interval {text.interval(*bounds)}; {what}")


def histogram(one: Assessment) -> None:
    """Where the batch means lie."""
    means = one.batches["mean"].to_numpy()
    about = spc.describe(means) if one.n_batches > 1 else None
    specification = one.capability.specification
    lines = {}
    if specification is not None:
        named = (("lower", specification.lower), ("target", specification.target))
        named += (("upper", specification.upper),)
        lines = {name: value for name, value in named if value is not None}
    mean = about.mean if about else float(means[0])
    sd = about.sd if about else 0.0
    widgets.figure(
        capability_histogram(means, mean, sd, specification=lines, palette=widgets.palette()),
        "histogram",
    )
    spread = f"mean {text.viscosity(mean)}, total standard deviation {text.viscosity(sd, 3)}"
    st.caption(
        f"Bars: batch means. Curve: the normal density of the same {spread}. Where the bars do not "
        "follow the curve, an index from a normal formula misleads. Control limits are not "
        "specification limits."
    )


main()
