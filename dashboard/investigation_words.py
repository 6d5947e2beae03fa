"""Words of an investigation: classes of cause, suspects, and the checks that would decide.

The checks are common trade practice in its fixed order: is the row right, process or measurement,
then an experiment. No step adjusts a recipe or lets a batch go.
"""

CLASSES: dict[str, str] = {
    "process": "The process moved",
    "measurement": "The measurement moved",
    "preparation": "Sample preparation or reading",
    "data": "A record is wrong",
    "cannot_tell": "Cannot be told",
    "none": "Nothing moved",
}
"""Class of a cause in words: the computed one, and what a person can choose."""

SUSPECTS: dict[str, str] = {
    "spindle": "the mounted spindle or its code",
    "zero_offset": "a shifted zero of the instrument",
    "gain": "the instrument reads by a percentage too high or too low",
    "temperature_bath": "bath or thermometer",
    "raw_material_lot": "a raw-material lot",
    "operator_or_reading_time": "technique or reading time",
    "units": "the unit of a record",
    "transcription": "a value written wrongly",
    "wear_or_ageing": "wear or ageing",
    "aeration": "air in the sample",
    "autocorrelation": "neighbouring batches are alike, which is no separate cause",
    "unstable_process": "a process that is not stable",
    "none": "nothing",
    "unknown": "not known",
}

ROW = "Is the row right: unit, torque factor, temperature, spindle, date, readings of one batch?"
RETAINED = "Measure retained samples from before and after side by side"
SECOND = "Measure a retained sample on a second instrument"
STANDARD = "Run a check standard, at low and at high torque"

CHECKS: dict[str, tuple[str, ...]] = {
    "spindle": (ROW, "Look which spindle is mounted and which code is keyed in", RETAINED),
    "zero_offset": (ROW, "Zero the instrument in air without spindle", STANDARD, SECOND),
    "gain": (ROW, STANDARD, SECOND, "Look at certificate, expiry and opening date of the fluid"),
    "temperature_bath": (
        ROW,
        "Independent calibrated thermometer in a dummy beaker, beside the display",
        "Read the sample temperature at the end of a measurement",
        SECOND,
    ),
    "raw_material_lot": (
        ROW,
        "Compare certificates and charge sheets of both lots",
        "Make one batch with the former lot",
        RETAINED,
    ),
    "operator_or_reading_time": (
        ROW,
        "Observe the technique step by step (how the method is carried out, not who)",
        "Read one sample at 30, 60 and 120 s",
    ),
    "units": (ROW, "Look at the source record: which unit was meant?"),
    "transcription": (ROW, "Look at the source record: which value was read?"),
    "wear_or_ageing": (
        ROW,
        "Look for what changes slowly: wear, filter, ageing stock, season",
        "Measure a retained early sample again beside a new one",
    ),
    "aeration": (
        ROW,
        "Look for bubbles, and how the sample is poured and rested",
        "Let one sample stand and read it again",
    ),
    "autocorrelation": (ROW, "Find what neighbouring batches share: tank heel, lot, season"),
    "unstable_process": (ROW, "Find what changed at each of the changes of level", RETAINED),
    "unknown": (ROW, "Compare lots, service, recipe and cleaning with the start", RETAINED),
    "none": (ROW,),
}
"""Suspect to the checks that are offered, in their order."""

WITHOUT_STANDARDS = (STANDARD, RETAINED)
"""What is asked first where no check standard could tell process from measurement."""

ROLES: dict[str, str] = {
    "target": "this product",
    "check": "check standard",
    "other": "other product",
}
EXPLANATIONS: dict[str, str] = {
    "process": "process",
    "gain": "same percentage for all",
    "zero_offset": "shifted zero",
    "temperature_bath": "bath or thermometer",
    "reference": "reference value of a check standard",
}

_FOUND = " — found: "
_CLASS_END = ": "


def tried_words(check: str, found: str) -> str:
    """What is recorded of a check: which one, and what it showed."""
    return f"{' '.join(check.split()).replace(_FOUND, ' ')}{_FOUND}{found.strip()}"


def tried_parts(words: str) -> tuple[str, str]:
    """Which check, and what it showed, from what was recorded."""
    check, mark, found = words.partition(_FOUND)
    return (check, found) if mark else ("", words)


def conclusion_words(cause_class: str, words: str) -> str:
    """What is recorded of a conclusion: the class that a person chose, and their words."""
    return f"{CLASSES[cause_class]}{_CLASS_END}{words.strip()}"


def conclusion_parts(words: str) -> tuple[str, str]:
    """Class and words of a recorded cause; class "" where it was recorded without one."""
    for key, said in CLASSES.items():
        if words.startswith(said + _CLASS_END):
            return key, words[len(said) + len(_CLASS_END) :]
    return "", words


def checks_for(suspect: str, cause_class: str, with_standards: bool) -> tuple[str, ...]:
    """The checks to try: of the suspect, and first of all what could tell where nothing can."""
    first, *rest = CHECKS[suspect]
    if cause_class == "cannot_tell" and not with_standards:
        rest = [*WITHOUT_STANDARDS, *rest]
    return tuple(dict.fromkeys([first, *rest]))
