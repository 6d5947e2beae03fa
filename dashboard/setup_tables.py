"""The tables of the set-up, declared once: page, files and checks are made from them."""

from dataclasses import dataclass
from typing import Literal

import spc
from dashboard import setup_rows
from dashboard.reaction import PLAN
from dashboard.setup_rows import Row

Kind = Literal["text", "number", "whole", "date", "yes"]


@dataclass(frozen=True, slots=True)
class Field:
    """One column: its key in files, its heading, kind, and what to put there.

    Attributes:
        fixed: not to be edited: it says which line it is.
        unit: behind the heading, "" without one.
        needed: may not be empty.
    """

    key: str
    label: str
    kind: Kind
    help: str = ""
    unit: str = ""
    needed: bool = False
    fixed: bool = False

    @property
    def heading(self) -> str:
        """The label with its unit."""
        return f"{self.label}, {self.unit}" if self.unit else self.label


@dataclass(frozen=True, slots=True)
class Table:
    """One table of the set-up.

    Attributes:
        key: in files and addresses. title, about: for people. fields: its columns.
        identity: keys of the fields that say which line is which.
        grows: whether lines can be added and taken away.
    """

    key: str
    title: str
    about: str
    fields: tuple[Field, ...]
    identity: tuple[str, ...]
    grows: bool = True

    def field(self, key: str) -> Field:
        """The column with this key."""
        return next(one for one in self.fields if one.key == key)

    def named(self, row: Row) -> str:
        """A line by what says which it is."""
        parts = [setup_rows.shown(row.get(key)) for key in self.identity]
        known = [part for part in parts if part]
        return " ".join(known) or "a line without a name"


EVERY = "*"
_OF = "mPa·s"
TABLES: tuple[Table, ...] = (
    Table(
        "products",
        "Products",
        "Products and the other names that files give them.",
        (
            Field("name", "Product", "text", "As it is to be shown.", needed=True),
            Field("description", "What it is", "text"),
            Field("aliases", "Other names", "text", "As files write them, with ; between."),
        ),
        ("name",),
    ),
    Table(
        "methods",
        "Methods",
        "How a viscosity is to be measured. A method that is to be followed differently from now "
        "on is a new version, a new line.",
        (
            Field("name", "Method", "text", needed=True),
            Field("version", "Version", "text"),
            Field("spindle", "Spindle", "text", "As in the readings, such as S3."),
            Field("speed", "Speed", "number", unit="rpm"),
            Field("set_temperature", "Set temperature", "number", unit="°C"),
            Field("temperature_tolerance", "Tolerance", "number", unit="± °C"),
            Field("reading_time", "Reading time", "number", unit="s"),
            Field("guard", "Guard", "text", "With or without, as in the readings."),
            Field("torque_low", "Torque from", "number", "Usually 10.", "%", needed=True),
            Field("torque_high", "Torque to", "number", "Usually 100.", "%", needed=True),
            Field("replicates", "Readings a batch", "whole", needed=True),
        ),
        ("name", "version"),
    ),
    Table(
        "specifications",
        "Specifications",
        "Each batch is judged by the line that was in force on its day. A line that is changed is "
        "kept as it was in the journal. A limit that does not exist is left empty.",
        (
            Field("product", "Product", "text", "As in the readings.", needed=True),
            Field("valid_from", "Valid from", "date", "Empty: from the beginning."),
            Field("lower", "Lower limit", "number", unit=_OF),
            Field("target", "Target", "number", unit=_OF),
            Field("upper", "Upper limit", "number", unit=_OF),
            Field(
                "decision_rule",
                "Decision rule",
                "text",
                "How uncertainty enters the verdict, and what is done with a result that is not "
                "decided: the site's own words.",
            ),
        ),
        ("product", "valid_from"),
    ),
    Table(
        "uncertainties",
        "Uncertainties",
        "Standard uncertainty of a result, in percent of it. Without one a batch is only inside or "
        "outside; with one it may also be not decided.",
        (
            Field("product", "Product", "text", "* for every other product.", needed=True),
            Field("standard_percent", "Standard uncertainty", "number", unit="%", needed=True),
            Field("source", "Where it comes from", "text", "Such as: budget of the laboratory."),
            Field("date", "Of", "date"),
        ),
        ("product",),
    ),
    Table(
        "check_standards",
        "Check standards",
        "Certificates of the fluids that watch the instruments, named as in the readings.",
        (
            Field("name", "Check standard", "text", "As in the readings.", needed=True),
            Field("lot", "Lot", "text", needed=True),
            Field("certified_value", "Certified value", "number", unit=_OF, needed=True),
            Field(
                "expanded_uncertainty",
                "Expanded uncertainty",
                "number",
                "Coverage factor 2.",
                _OF,
                needed=True,
            ),
            Field("temperature", "At", "number", unit="°C"),
            Field("expires", "Expires", "date"),
        ),
        ("name", "lot"),
    ),
    Table(
        "instruments",
        "Instruments",
        "What an instrument may be off by, and when its calibration is due.",
        (
            Field("instrument", "Instrument", "text", "* for every other one.", needed=True),
            Field(
                "percent_of_full_scale",
                "Accuracy",
                "number",
                "As the maker states it, usually 1.",
                "% of full scale",
            ),
            Field("viscosity", "or fixed", "number", "Instead of the accuracy.", _OF),
            Field("calibration_due", "Calibration due", "date"),
        ),
        ("instrument",),
    ),
    Table(
        "rules",
        "Own rules",
        "A set of rules of your own, on offer beside the usual ones on the control chart. Every "
        "rule that is added finds more, and cries wolf more often.",
        (
            Field("rule", "Rule", "text", fixed=True),
            Field("used", "In the own set", "yes"),
            Field("definition", "What it says", "text", fixed=True),
        ),
        ("rule",),
        grows=False,
    ),
    Table(
        "reaction_plan",
        "Reaction plan",
        "What is asked of whom when something signals. Empty: the usual text, which stands below.",
        (
            Field("when", "When", "text", fixed=True),
            Field("step", "What to do first", "text"),
            Field("who", "Who", "text"),
            Field("usual", "Usual text", "text", fixed=True),
        ),
        ("when",),
        grows=False,
    ),
    Table(
        "numbers",
        "Numbers",
        "Numbers that the site has agreed on. Empty: not set.",
        (
            Field("what", "What", "text", fixed=True),
            Field("value", "Value", "number"),
        ),
        ("what",),
        grows=False,
    ),
)
BY_KEY = {table.key: table for table in TABLES}
NUMBERS = {
    "days between two checks of an instrument": "check_interval_days",
    "margin for comparing instruments, %": "comparison_margin_percent",
}
MOVING_AVERAGE = "a moving average (EWMA)"
MOVING = "Each point is a fifth of the newest mean and four fifths of what was, limits 2.86 sigma."
RULES = {rule.phrase: rule for rule in spc.RULES}
STEPS = {step.when: step for step in PLAN}
