"""What a person has said about a file that it does not say itself, and what is still asked.

An answer is a field and a value. Fields are settings of a file (`date_order`), values that hold
for all its rows (`product`), what its columns are (`batch_column=Los`, or the other way round
`column:Los=batch`; `column:Los=ignore`), what became of a column that is gone
(`renamed:Temp=T Probe`, `renamed:Temp=gone`), and products under other names
(`product_alias:P100=P-100`, or `=P100` where it is a product of its own).
"""

from collections.abc import Mapping
from dataclasses import dataclass

from ingest.columns import BY_NAME, IGNORED, match_heading
from ingest.errors import IngestError
from ingest.times import ORDERS, zone
from ingest.units import viscosity_unit

_SETTINGS = {
    "date_order": "dmy, mdy or yy-mm-dd",
    "decimal_mark": "point or comma",
    "time_zone": "such as Europe/Berlin",
    "MPa.s": "mPa.s or MPa.s",
    "sheet": "the sheet of a workbook",
    "member": "the file in a ZIP archive",
    "temperature_unit": "C, F or tenths of C",
    "temperature_range": "the lowest and highest temperature that can be right, in °C: 5 to 200",
    "check_by_name": "check or product: what a name like 'check standard' means",
    "no_result": "numbers that stand for no result, such as 9999",
}
_COLUMN = "_column"
COLUMN, RENAMED, ALIAS = "column:", "renamed:", "product_alias:"
GONE = "gone"
"""What a person answers for a column that a source no longer has."""
_NOT_CONSTANT = {"tested_at", "time_of_day", "sampled_at", "viscosity", "batch", "replicate"}


@dataclass(frozen=True, slots=True)
class Question:
    """One thing a file does not say and a person has to: the field, in words, and the choices.

    Attributes:
        field: the name that an answer is given under (`--set field=value`).
        text: the question as a sentence. choices: what can be answered; empty if free text.
    """

    field: str
    text: str
    choices: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Understood:
    """One thing that was understood of a file, and why."""

    what: str
    value: str
    why: str


def check_answers(answers: Mapping[str, str]) -> dict[str, str]:
    """The answers under their canonical names, each looked at for sense.

    Raises:
        IngestError: an unknown field, or a value that the field cannot take.
    """
    checked: dict[str, str] = {}
    for given, text in answers.items():
        field, value = _canonical(given, text.strip().encode("utf-8", "replace").decode())
        if checked.setdefault(field, value) != value:
            raise IngestError(f"{field} is answered twice, {checked[field]} and {value}: give one.")
    _one_of(checked, "date_order", ORDERS)
    _one_of(checked, "decimal_mark", ("point", "comma"))
    _one_of(checked, "MPa.s", ("mPa.s", "MPa.s"))
    _one_of(checked, "temperature_unit", ("C", "F", "tenths of C"))
    _one_of(checked, "check_by_name", ("check", "product"))
    if "temperature_range" in checked:
        temperature_range(checked)
    if "no_result" in checked:
        no_result_numbers(checked)
    if "time_zone" in checked:
        zone(checked["time_zone"])
    if "unit" in checked and viscosity_unit(checked["unit"]).kind not in ("dynamic", "kinematic"):
        raise IngestError(
            f"unit={checked['unit']} cannot be converted to mPa·s: give one such as mPa.s, cP, "
            "Pa.s, P, kcP, or cSt with a density."
        )
    for name in ("speed", "density", "set_temperature", "reading_time", "torque", "temperature"):
        if name in checked:
            checked[name] = _positive(name, checked[name])
    return checked


def temperature_range(answers: Mapping[str, str]) -> tuple[float, float]:
    """The lowest and the highest temperature in °C that a reading can have been taken at.

    Raises:
        IngestError: not two numbers in order.
    """
    text = answers.get("temperature_range", "5 to 200")
    try:
        low, high = (float(part) for part in text.replace(",", ".").split("to"))
    except ValueError:
        low = high = 0.0
    if not -273 < low < high < 1000:
        raise IngestError(f"temperature_range={text} is not understood: write it as 5 to 200.")
    return low, high


def no_result_numbers(answers: Mapping[str, str]) -> tuple[float, ...]:
    """The numbers that the site writes where there is no result.

    Raises:
        IngestError: something else than numbers.
    """
    text = answers.get("no_result", "")
    try:
        return tuple(float(part) for part in text.replace(";", " ").split())
    except ValueError:
        raise IngestError(f"no_result={text} is not understood: write it as 9999.") from None


def chosen_columns(answers: Mapping[str, str]) -> dict[str, str]:
    """Label of a column -> the canonical column that a person said it is, or IGNORED.

    Raises:
        IngestError: one column is to be two things.
    """
    chosen: dict[str, str] = {}
    for field, value in answers.items():
        if names_column(field):
            label, meant = value, field.removesuffix(_COLUMN)
        elif field.startswith(COLUMN):
            label, meant = field.removeprefix(COLUMN), IGNORED
        else:
            continue
        if chosen.setdefault(label, meant) != meant:
            raise IngestError(
                f"The column '{label}' cannot be both {chosen[label]} and {meant}: say one."
            )
    return chosen


def said_later(before: Mapping[str, str], after: Mapping[str, str]) -> dict[str, str]:
    """Answers followed by later ones: of two about the same field or column the later stands."""
    new = check_answers(after)
    about, fields = chosen_columns(new), set(chosen_columns(new).values()) - {IGNORED}
    kept = {}
    for field, value in before.items():
        name = _canonical(field, value)[0]
        chosen = chosen_columns(dict([_canonical(field, value)]))
        if name in new or set(chosen) & set(about) or set(chosen.values()) & fields:
            continue
        kept[field] = value
    return {**kept, **after}


def names_column(field: str) -> bool:
    """Whether an answer says which column of the file is a canonical one: `batch_column`."""
    return field.endswith(_COLUMN) and field.removesuffix(_COLUMN) in BY_NAME


def column_field(name: str) -> str:
    """The field under which it is answered which column of a file is this canonical one."""
    return f"{name}{_COLUMN}"


def _canonical(field: str, value: str) -> tuple[str, str]:
    """A field under its one name, with its value."""
    name = field.strip()
    if name in _SETTINGS or (name in BY_NAME and name not in _NOT_CONSTANT):
        return name, value
    if names_column(name):
        return name, " ".join(value.split())
    for prefix in (COLUMN, RENAMED, ALIAS):
        if name.startswith(prefix) and name != prefix:
            told = " ".join(name.removeprefix(prefix).split())
            return _of_column(told, value) if prefix == COLUMN else (f"{prefix}{told}", value)
    match = match_heading(name)
    if match is not None and match.column.name not in _NOT_CONSTANT:
        return match.column.name, value
    known = ", ".join(sorted({*_SETTINGS, *BY_NAME} - _NOT_CONSTANT))
    raise IngestError(
        f"'{field}' is nothing that can be set: use one of {known}, or column:HEADING to say what "
        "a column is."
    )


def _of_column(heading: str, value: str) -> tuple[str, str]:
    """`column:HEADING=FIELD` under its one name."""
    if value.casefold() == IGNORED:
        return f"{COLUMN}{heading}", IGNORED
    match = match_heading(value)
    if value not in BY_NAME and match is None:
        known = ", ".join([*BY_NAME, IGNORED])
        raise IngestError(
            f"column:{heading}={value} is no column that is known: use one of {known}."
        )
    return column_field(value if match is None else match.column.name), heading


def _one_of(answers: Mapping[str, str], field: str, allowed: tuple[str, ...]) -> None:
    if field in answers and answers[field] not in allowed:
        raise IngestError(f"{field}={answers[field]} is not known: use {' or '.join(allowed)}.")


def _positive(field: str, value: str) -> str:
    try:
        number = float(value.replace(",", "."))
    except ValueError:
        number = 0.0
    if not 0 < number < float("inf"):
        raise IngestError(f"{field}={value} is not a positive number: write it as 20 or 0.97.")
    return repr(number)
