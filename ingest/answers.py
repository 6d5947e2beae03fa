"""What a person has said about a file that it does not say itself, and what is still asked."""

from collections.abc import Mapping
from dataclasses import dataclass

from ingest.columns import BY_NAME, match_heading
from ingest.errors import IngestError
from ingest.times import ORDERS, zone
from ingest.units import viscosity_unit

_SETTINGS = {
    "date_order": "dmy or mdy",
    "decimal_mark": "point or comma",
    "time_zone": "such as Europe/Berlin",
    "MPa.s": "mPa.s or MPa.s",
    "viscosity_column": "the heading of the column to use",
}
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
    for field, value in answers.items():
        checked[_canonical(field)] = value.strip().encode("utf-8", "replace").decode()
    _one_of(checked, "date_order", ORDERS)
    _one_of(checked, "decimal_mark", ("point", "comma"))
    _one_of(checked, "MPa.s", ("mPa.s", "MPa.s"))
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


def _canonical(field: str) -> str:
    name = field.strip()
    if name in _SETTINGS or (name in BY_NAME and name not in _NOT_CONSTANT):
        return name
    match = match_heading(name)
    if match is not None and match.column.name not in _NOT_CONSTANT:
        return match.column.name
    known = sorted({*_SETTINGS, *BY_NAME} - _NOT_CONSTANT)
    raise IngestError(f"'{field}' is nothing that can be set: use one of {', '.join(known)}.")


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
