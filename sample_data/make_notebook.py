"""Write `wb_240.ipynb`: a drift looked at in a notebook, executed, the same bytes at every run.

Run `python sample_data/make_notebook.py` with the test extra installed. What the cells print is
compared by the test suite with what they print anew.
"""

import os
import sys
from pathlib import Path
from typing import Any

NAME = "wb_240.ipynb"
ROOT = Path(__file__).parent.parent
SECONDS = 180

CELLS = (
    (
        "markdown",
        """# Where the screen ends: WB-240 in a notebook

The same statistics and the same charts as on the screens, as functions. The data are those of the
invented plant in this folder (nothing here was measured); `README.md` beside this file tells its
stories. This notebook follows the second one: a raw-material step.""",
    ),
    (
        "code",
        """from pathlib import Path
from tempfile import mkdtemp

import altair as alt

import ingest
from dashboard.figures import control_chart
from dashboard.serving import import_demo
from spc import (
    THREE_SIGMA_RULES,
    capability,
    capability_gate,
    change_point,
    describe,
    ewma,
    individuals,
    run_rule_signals,
    signal_events,
)

alt.renderers.enable("svg")  # drawn here and now, so that it can be read without the internet

store = ingest.open_store(str(Path(mkdtemp()) / "demo.sqlite"))
for done, files, name in import_demo(store):
    print(f"{done} of {files}: {name}")""",
    ),
    (
        "markdown",
        """## The data
A chart is of one product at one measuring condition. A batch is the mean of its readings; the store
keeps them in production order.""",
    ),
    (
        "code",
        """products = store.characteristics().query("sample_type == 'product'")
print(products[["id", "product", "condition", "n_readings"]].to_string(index=False))

number = int(products.loc[products["product"] == "WB-240", "id"].iloc[0])
batches = store.batches(number)
means, names = batches["mean"].to_numpy(), batches["batch"].tolist()
print(f"\\nWB-240: {len(names)} batches, {names[0]} to {names[-1]}")""",
    ),
    (
        "markdown",
        """## Limits
From the batch-to-batch movement of the first 60 batches, which are then left alone: limits that
are made anew with every batch would follow a drift. Written out: the mean, and 2.66 times the mean
moving range on either side.""",
    ),
    (
        "code",
        """base = individuals(means[:60])
limits, ranges = base.location, base.dispersion
center, sigma = float(limits.center[0]), limits.sigma
print(f"centre   {center:8.1f} mPa·s")
print(f"limits   {limits.lower[0]:8.1f} to {limits.upper[0]:.1f} mPa·s")
print(f"sigma    {sigma:8.1f} mPa·s, from a mean moving range of {ranges.center[0]:.1f}")
reach = 2.66 * ranges.center[0]
print(f"by hand  {center - reach:8.1f} to {center + reach:.1f} mPa·s")""",
    ),
    (
        "markdown",
        """## Signals
All batches against those limits: single ones beyond 3 sigma, and the moving average (EWMA), which
remembers.""",
    ),
    (
        "code",
        """judged = individuals(means, center=center, sigma=sigma).location
average = ewma(means, center=center, sigma=sigma)
beyond = run_rule_signals(judged, THREE_SIGMA_RULES)
print("beyond 3 sigma:", ", ".join(names[i] for i in beyond.index) or "none")
far = [i for i, outside in enumerate(average.outside()) if outside]
print(f"moving average: {len(far)} batches beyond its limits, the first is {names[far[0]]}")
stretches = signal_events(sorted({*beyond.index, *far}), ["either"] * len({*beyond.index, *far}), 1)
for one in stretches:
    print(f"event: {names[one.start]} to {names[one.stop - 1]}")""",
    ),
    (
        "markdown",
        """## When did it start, and how big is it?
Without any limits: a step, a ramp, a stretch and several levels are weighed against no change. Size
and start come with their 95 % intervals.""",
    ),
    (
        "code",
        """change = change_point(means)
print(f"{change.kind}, most likely from {names[change.start]} on")
print(f"between {names[change.start_low]} and {names[change.start_high]}")
print(f"{change.size:+.1f} mPa·s ({change.size_low:+.1f} to {change.size_high:+.1f})")
print(f"{change.percent:+.1f} %")""",
    ),
    (
        "markdown",
        """## Capability, where it is earned
The gate comes first. Over all batches it says no, and why; before the change it is open. An index
never stands without its interval.""",
    ),
    (
        "code",
        """specification = store.specifications("WB-240")[-1]
low, high = specification.lower, specification.upper
print(f"specification {low:.0f} to {high:.0f} mPa·s")


def looked_at(name, values):
    chart = individuals(values).location
    told = describe(values)
    why = capability_gate(
        n=len(values),
        points_outside=int(chart.outside().sum()),
        n_points=len(values),
        lag1=told.lag1,
        lag1_band=1.96 / len(values) ** 0.5,
    )
    index = capability(values, low, high)
    print(f"{name}, {len(values)} batches:")
    for reason in why:
        print(f"  no capability: {reason}")
    if why:
        found, interval = index.ppk, index.ppk_interval
        print(f"  performance Ppk {found:.2f} ({interval[0]:.2f} to {interval[1]:.2f})")
    else:
        found, interval = index.cpk, index.cpk_interval
        print(f"  Cpk {found:.2f} ({interval[0]:.2f} to {interval[1]:.2f})")


looked_at("All", means)
looked_at("Before the change", means[: change.start])""",
    ),
    (
        "markdown",
        """## The chart
As on the screen: a ring is a signal, the shaded stretch is the event.""",
    ),
    (
        "code",
        """shown = slice(60, None)
first = shown.start
control_chart(
    individuals(means[shown], center=center, sigma=sigma).location,
    names[shown],
    title="WB-240, batch mean",
    signals=[(int(i) - first, "beyond 3 sigma") for i in beyond.index if i >= first],
    stretches=[(change.start - first, len(means) - 1 - first)],
    specification={"lower specification": low, "upper specification": high},
).properties(width=760)""",
    ),
    (
        "markdown",
        """From here on it is Python: other factors to split by are columns of
`store.readings(number)`, and every function of `spc` says in its docstring where its formula comes
from.

Decision aid. Release, rejection and adjustment follow the site's approved procedure and authorised
person.""",
    ),
)


def executed() -> Any:
    """The notebook, run from top to bottom in a fresh process, nothing of this machine in it."""
    import nbformat
    from nbclient import NotebookClient

    v4 = nbformat.v4
    cells = [
        v4.new_markdown_cell(text) if kind == "markdown" else v4.new_code_cell(text)
        for kind, text in CELLS
    ]
    notebook = v4.new_notebook(cells=cells)
    for number, cell in enumerate(cells, 1):
        cell["id"] = f"cell-{number:02d}"
    before = os.environ.get("PYTHONPATH")
    os.environ["PYTHONPATH"] = str(ROOT)  # of the process that runs the cells
    try:
        NotebookClient(
            notebook,
            timeout=SECONDS,
            kernel_name="python3",
            record_timing=False,
            resources={"metadata": {"path": str(ROOT)}},
        ).execute()
    finally:
        if before is None:
            del os.environ["PYTHONPATH"]
        else:
            os.environ["PYTHONPATH"] = before
    for cell in notebook["cells"]:
        cell["metadata"] = {}
        if cell["cell_type"] == "code":
            cell["outputs"] = _as_one(cell["outputs"])
    notebook["metadata"] = {
        "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
        "language_info": {"name": "python"},
    }
    return notebook


def _as_one(outputs: list[Any]) -> list[Any]:
    """What is printed comes in pieces as it happens: put together, it is the same every time."""
    merged: list[Any] = []
    for one in outputs:
        stream = one["output_type"] == "stream"
        if stream and merged and merged[-1].get("name") == one["name"]:
            merged[-1]["text"] += one["text"]
        else:
            merged.append(one)
    return merged


def written(notebook: Any) -> bytes:
    """The notebook as the bytes of its file."""
    import nbformat

    return str(nbformat.writes(notebook, version=4)).encode() + b"\n"


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).with_name(NAME)
    target.write_bytes(written(executed()))
    print(f"{target.name}: {target.stat().st_size} bytes")
