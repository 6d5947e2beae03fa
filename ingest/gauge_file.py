"""Reading a gauge study: part, appraiser and value, one reading a line; nothing of it is kept.

As careful as the reading of results: the encoding and the decimal mark are decided for the whole
file and said, quotes are read strictly, every line is a row or is named with its reason.
"""

import io
from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd
import pyarrow as pa

from ingest.answers import Question, Understood
from ingest.columns import plain
from ingest.dialect import DELIMITERS, split_line
from ingest.errors import IngestError
from ingest.numbers import decimal_evidence, parse_numbers
from ingest.text_blocks import look_at

HEADINGS: dict[str, tuple[str, ...]] = {
    "part": ("part", "sample", "batch", "item", "teil", "probe", "muster", "charge"),
    "appraiser": ("appraiser", "operator", "analyst", "pruefer", "bediener", "instrument"),
    "value": ("value", "viscosity", "reading", "result", "wert", "messwert", "viskositaet"),
}
"""Of two headings that fit, the one named first here is taken. An appraiser may be missing."""
_MOST_LINES = 20_000
_LONGEST_LABEL = 200
_SEARCHED = 60


@dataclass(frozen=True, slots=True, eq=False)
class GaugeReading:
    """A gauge study as it was understood.

    Attributes:
        name: of the file. rows: line, part, appraiser ("" where the file has none), value.
        understood: what was decided, and why. questions: what has to be said first.
        faults: lines that could not be used, a sentence each.
    """

    name: str
    rows: pd.DataFrame
    understood: tuple[Understood, ...]
    questions: tuple[Question, ...]
    faults: tuple[str, ...]


def read_gauge_study(
    raw: bytes, name: str, answers: Mapping[str, str] | None = None
) -> GaugeReading:
    """Read the content of a gauge study file.

    Args:
        raw: the bytes. name: for messages. answers: {"decimal_mark": "point" or "comma"}.

    Raises:
        IngestError: not a text file, no part or no value column, or too many lines to be a study.
    """
    decoded = look_at(io.BytesIO(raw), name)
    lines = b"".join(decoded.blocks()).decode("utf-8", "replace").split("\n")
    if len(lines) > _MOST_LINES:
        raise IngestError(f"{name} has more than {_MOST_LINES} lines: that is no gauge study.")
    start, delimiter, places = _header(lines, name)
    width = len(split_line(lines[start], delimiter) or [])
    kept: list[tuple[int, str, str, str]] = []
    faults: list[str] = []
    for number, line in enumerate(lines[start + 1 :], start + 2):
        if not line.strip():
            continue
        cells = split_line(line, delimiter) if "\0" not in line else None
        if cells is None:
            faults.append(f"Line {number}: a quotation mark or a NUL byte in the wrong place.")
            continue
        if any(cell.strip() for cell in cells[width:]) or len(cells) <= max(places.values()):
            faults.append(f"Line {number}: {len(cells)} cells where the header has {width}.")
            continue
        part, value = cells[places["part"]].strip(), cells[places["value"]].strip()
        appraiser = cells[places["appraiser"]].strip() if "appraiser" in places else ""
        missing = [
            what
            for what, said in (("part", part), ("value", value), ("appraiser", appraiser))
            if not said and what in places
        ]
        if missing:
            faults.append(f"Line {number}: no {' and no '.join(missing)}.")
        elif max(len(part), len(appraiser)) > _LONGEST_LABEL:
            faults.append(f"Line {number}: a label too long to be meant.")
        else:
            kept.append((number, part, appraiser, value))
    mark, told, questions = _mark([row[3] for row in kept], answers or {}, name)
    understood = (
        Understood("encoding", decoded.encoding, decoded.why),
        Understood("delimiter", DELIMITERS[delimiter], "most headings recognised with it"),
        Understood("header", f"line {start + 1}", f"names {', '.join(places)}"),
        *told,
    )
    if questions:
        return GaugeReading(name, _frame([]), understood, questions, tuple(faults))
    numbers = parse_numbers(pa.chunked_array([pa.array([r[3] for r in kept], pa.string())]), mark)
    rows = []
    for i, (number, part, appraiser, text) in enumerate(kept):
        bad = numbers.unreadable[i] or numbers.blank[i] or numbers.ambiguous[i]
        if bad or not float(numbers.values[i]) > 0:
            faults.append(f"Line {number}: '{text[:40]}' is not a value above 0.")
        else:
            rows.append((number, part, appraiser, float(numbers.values[i])))
    return GaugeReading(name, _frame(rows), understood, (), tuple(faults))


def _frame(rows: list[tuple[int, str, str, float]]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=["line", "part", "appraiser", "value"])


def _header(lines: list[str], name: str) -> tuple[int, str, dict[str, int]]:
    """Where the header is: its line, the delimiter, and the place of each column."""
    for index, line in enumerate(lines[:_SEARCHED]):
        for delimiter in DELIMITERS:
            cells = [plain(cell.split("(")[0]) for cell in split_line(line, delimiter) or []]
            places = {}
            for column, headings in HEADINGS.items():
                found = next((cells.index(one) for one in headings if one in cells), None)
                if found is not None:
                    places[column] = found
            if "part" in places and "value" in places:
                return index, delimiter, places
    raise IngestError(
        f"{name} has no header line with a part and a value: name the columns part, appraiser and "
        "value."
    )


def _mark(
    texts: list[str], answers: Mapping[str, str], name: str
) -> tuple[str, tuple[Understood, ...], tuple[Question, ...]]:
    """The decimal mark of the whole file: as answered, as proved, or a question."""
    answered = answers.get("decimal_mark", "")
    if answered in ("point", "comma"):
        return (
            "," if answered == "comma" else ".",
            (Understood("decimal mark", answered, "as answered"),),
            (),
        )
    evidence = decimal_evidence([pa.chunked_array([pa.array(texts, pa.string())])])
    if evidence.comma and not evidence.point:
        why = f"'{evidence.comma_example}' in {evidence.comma} cells"
        return ",", (Understood("decimal mark", "comma", why),), ()
    if evidence.point and not evidence.comma:
        why = f"'{evidence.point_example}' in {evidence.point} cells"
        return ".", (Understood("decimal mark", "point", why),), ()
    if not evidence.open and not evidence.point:
        return ".", (Understood("decimal mark", "point", "only whole numbers occur"),), ()
    shown = " and ".join(
        f"'{one}'"
        for one in (evidence.point_example, evidence.comma_example, evidence.open_example)
        if one
    )
    asked = Question(
        "decimal_mark", f"{name} has {shown}: what is its decimal mark?", ("point", "comma")
    )
    return ".", (), (asked,)
