"""The literal lists of pages and charts. A new one is one file or function, and one line here."""

from collections.abc import Callable
from dataclasses import dataclass

from dashboard import chart_panels, more_panels
from dashboard.results import IN_DOUBT, NOT_ENOUGH, NOT_FRESH, QUIET, SIGNAL


@dataclass(frozen=True, slots=True)
class PageRow:
    """One page: its file in `views/`, the words in the menu, its place in the address, an icon."""

    file: str
    title: str
    url_path: str
    icon: str


PAGES: tuple[PageRow, ...] = (
    PageRow("overview.py", "Overview", "overview", ":material/list:"),
    PageRow("control_chart.py", "Control chart", "control-chart", ":material/show_chart:"),
    PageRow("investigation.py", "Investigation", "investigation", ":material/troubleshoot:"),
    PageRow("capability.py", "Capability", "capability", ":material/align_horizontal_center:"),
    PageRow("measuring_system.py", "Measuring system", "measuring-system", ":material/straighten:"),
    PageRow("batch.py", "Batch", "batch", ":material/search:"),
    PageRow("review.py", "Review", "review", ":material/groups:"),
    PageRow("import_file.py", "Import", "import", ":material/upload_file:"),
    PageRow("setup.py", "Set-up", "set-up", ":material/tune:"),
)


@dataclass(frozen=True, slots=True)
class ChartRow:
    """One way to chart a product: when to use it, and what makes its panels.

    Attributes:
        key: stable name for stored choices.
        label: name for people.
        when: when to use it, as a sentence.
        needs_subgroups: a person has to say what one subgroup is.
        panels: from an assessment and options to the panels, top to bottom.
        several_products: from a view of several products instead of one assessment.
    """

    key: str
    label: str
    when: str
    needs_subgroups: bool
    panels: Callable[..., list[chart_panels.Panel]]
    several_products: bool = False


CHARTS: tuple[ChartRow, ...] = (
    ChartRow(
        "three-way",
        "Batch means, moving range, duplicates",
        "For batches: limits come from batch-to-batch movement, never from duplicates.",
        False,
        chart_panels.three_way,
    ),
    ChartRow(
        "xbar-r",
        "X-bar and range of subgroups",
        "For several samples of one continuous run or shift, when you can say what a subgroup is.",
        True,
        chart_panels.xbar_r,
    ),
    ChartRow(
        "xbar-s",
        "X-bar and standard deviation of subgroups",
        "As X-bar and range, for subgroups of more than about five values.",
        True,
        chart_panels.xbar_s,
    ),
    ChartRow(
        "ewma",
        "Moving average of batch means (EWMA)",
        "For slow shifts: each point is a fifth of the newest mean and four fifths of what was.",
        False,
        chart_panels.moving_average,
    ),
    ChartRow(
        "cusum",
        "Cumulative sums of batch means (CUSUM)",
        "For small lasting shifts, when you want to know since when and how large.",
        False,
        more_panels.cumulative_sums,
    ),
    ChartRow(
        "short-run",
        "Several products, few batches each",
        "For products of one process that each have too few batches: ln(result ÷ target).",
        False,
        more_panels.short_run,
        several_products=True,
    ),
)

SUBGROUPS: dict[str, str] = {
    "batch": "the readings of one batch",
    "day": "the batches of one day",
    "shift": "the batches of one shift",
    "2": "2 batches in a row",
    "3": "3 batches in a row",
    "4": "4 batches in a row",
    "5": "5 batches in a row",
}

STATE_FORMS: dict[str, tuple[str, str]] = {
    SIGNAL: (":material/radio_button_checked:", "orange"),
    IN_DOUBT: (":material/question_mark:", "orange"),
    NOT_ENOUGH: (":material/more_horiz:", "gray"),
    NOT_FRESH: (":material/history_toggle_off:", "gray"),
    QUIET: (":material/horizontal_rule:", "gray"),
}
