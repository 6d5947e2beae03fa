"""What the columns of a file mean, decided once for the whole file, and what must be asked."""

from collections.abc import Mapping
from dataclasses import dataclass

import pyarrow as pa
import pyarrow.compute as pc

from ingest.answers import Question, Understood, chosen_columns, column_field
from ingest.columns import BY_NAME, IGNORED, labels
from ingest.csv_file import TextTable
from ingest.errors import IngestError
from ingest.evidence import FileEvidence
from ingest.numbers import DecimalEvidence
from ingest.times import date_order
from ingest.units import QUANTITY_UNITS, viscosity_unit

_NUMBERS = ("viscosity", "torque", "temperature", "speed", "density", "set_temperature")
_ORDER_WORDS = {"dmy": "day first", "mdy": "month first", "yy-mm-dd": "year first"}
_AS_ANSWERED = "as answered"
_LIKE_A_NUMBER = r"^\s*[<>]?\s*\d[\d.,' ]*[^\d]{0,8}$"  # 2.010,5 mPas, and no date
_MARKS = {"comma": ",", "point": "."}
_MAJORITY = 20  # one mark decides for the file where it is proved this many times more often


@dataclass(frozen=True, slots=True)
class Meaning:
    """How a file is to be read.

    Attributes:
        columns: canonical name -> position in the file. units: canonical name -> unit text found
            in the heading. constants: values that hold for every row where the file has none.
        decimal_mark: "." or ",". date_order: "dmy", "mdy" or "ymd". time_zone: of local times.
        understood: each decision with its reason. questions: what is still open.
        units_row: whether the first row holds units instead of values.
    """

    columns: dict[str, int]
    units: dict[str, str]
    constants: dict[str, str]
    decimal_mark: str
    date_order: str
    time_zone: str
    understood: tuple[Understood, ...]
    questions: tuple[Question, ...]
    units_row: bool

    def time_text(self, table: TextTable, name: str) -> pa.ChunkedArray | None:
        """The text of a time column, a separate time of day put behind its date; None if absent."""
        index = self.columns.get(name)
        if index is None:
            return None
        column = table.cells.column(index)
        clock = self.columns.get("time_of_day")
        dated = "tested_at" if "tested_at" in self.columns else "sampled_at"
        if name != dated or clock is None:
            return column
        return pc.utf8_trim_whitespace(
            pc.binary_join_element_wise(column, table.cells.column(clock), " ")
        )


def understand(
    evidence: FileEvidence,
    answers: dict[str, str],
    name: str,
    remembered: Mapping[str, str] | None = None,
) -> Meaning:
    """Decide what every column means, from the whole file and the answers given.

    Args:
        evidence: what the cells say. answers: what was said about the file. name: of the file.
        remembered: of the answers, those that nobody gave for this file but for its source before
            -> how that is told ("as answered on … by …"). What the file says itself wins over them.

    Raises:
        IngestError: what no answer can mend: dates that contradict each other, or a heading with
            a unit that has no conversion.
    """
    remembered = remembered or {}
    questions: list[Question] = []
    columns, units, said = _columns(evidence, answers, questions, remembered)
    units_row = _units_row(evidence, columns, units, said)
    if "viscosity" in columns:
        said += _unit(evidence, columns, units, answers, questions, name, remembered)
    elif not questions:
        questions.append(_which_column(evidence, columns, "viscosity", name))
    if "batch" not in columns:
        questions.append(_which_column(evidence, columns, "batch", name))
    if "product" not in columns and not answers.get("product"):
        questions.append(Question("product", "The file names no product: which one is it?"))
    mark, told = _decimal_mark(evidence, columns, answers, questions, name, remembered)
    said += told
    order, told = _date_order(evidence, columns, answers, questions, name, remembered)
    said += told
    headings = evidence.header.cells
    asked, told = evidence.doubts.decide(headings, columns, units, answers, remembered, mark, name)
    questions += asked
    said += told
    time_zone = answers.get("time_zone", "UTC")
    if "tested_at" in columns or "sampled_at" in columns:
        why = "none is stated, so taken as written"
        if "time_zone" in answers:
            why = remembered.get("time_zone", _AS_ANSWERED)
        said.append(Understood("time zone", time_zone, why))
    for field, value in answers.items():
        if field in BY_NAME and field != "unit":
            why = remembered.get(field, _AS_ANSWERED)
            said.append(Understood(BY_NAME[field].label, value, why))
    return Meaning(
        columns, units, answers, mark, order, time_zone, tuple(said), tuple(questions), units_row
    )


def _which_column(
    evidence: FileEvidence, columns: dict[str, int], field: str, name: str
) -> Question:
    """Ask which column a required one is; those that look like it come first."""
    header, cells = evidence.header, evidence.head.cells
    free = [i for i in range(len(header.cells)) if i not in columns.values()]
    if field == "batch" and "lot" in columns:
        free.insert(0, columns["lot"])
    named = labels(header.cells)

    def unlike(index: int) -> bool:
        likely = pc.match_substring_regex(cells.column(index), _LIKE_A_NUMBER)
        numbers = int(pc.sum(likely).as_py() or 0)
        return bool(numbers * 2 > cells.num_rows) != (field == "viscosity")

    free = [i for i in free if evidence.columns[i].filled]
    choices = tuple(named[index] for index in sorted(free, key=unlike))
    return Question(
        column_field(field),
        f"{name} has no {field} column that is recognised (header in line "
        f"{header.index + 1}): which of its columns is the {BY_NAME[field].label}?",
        choices,
    )


def _columns(
    evidence: FileEvidence,
    answers: dict[str, str],
    questions: list[Question],
    remembered: Mapping[str, str],
) -> tuple[dict[str, int], dict[str, str], list[Understood]]:
    """Positions of the canonical columns: the first of its kind, unless a person named another."""
    header = evidence.header
    columns: dict[str, int] = {}
    units: dict[str, str] = {}
    said: list[Understood] = []
    rivals: list[str] = []
    chosen, named = chosen_columns(answers), labels(header.cells)
    for index, (label, match) in enumerate(zip(named, header.matches, strict=True)):
        heading = header.cells[index].strip()
        meant = chosen.get(label, "")
        field = column_field(meant) if meant and meant != IGNORED else f"column:{label}"
        answered = remembered.get(field, _AS_ANSWERED)
        if match is None:
            if heading:
                why = answered if meant else "not a known heading, or another was chosen"
                said.append(Understood(f"'{heading}'", "kept as it is", why))
            continue
        field = match.column.name
        if field == "viscosity":
            rivals.append(label)
        if field in columns:
            clock = match.column.kind == "time" and "time_of_day" not in columns
            if clock and _holds_only_clock_times(evidence, index):
                columns["time_of_day"] = index
                said.append(Understood(f"'{heading}'", "time of day", "it holds no dates"))
                continue
            said.append(Understood(f"'{heading}'", "kept as it is", f"a second {field} column"))
            continue
        if not meant and field == "replicate" and evidence.columns[index].running_number:
            said.append(Understood(f"'{heading}'", "kept as it is", "a running number"))
            continue
        columns[field] = index
        if match.unit:
            units[field] = match.unit
        why = answered if meant else "by its heading"
        said.append(Understood(f"'{heading}'", match.column.label, why))
    clock_index = columns.get("time_of_day")
    if clock_index is not None and "tested_at" not in columns:
        if not _holds_only_clock_times(evidence, clock_index):
            columns["tested_at"] = columns.pop("time_of_day")  # whole times, headed "time"
        elif "sampled_at" not in columns:  # a time of day without any date orders nothing
            del columns["time_of_day"]
            told = f"'{header.cells[clock_index].strip()}'"
            said.append(Understood(told, "kept as it is", "no dates beside it"))
    if len(rivals) > 1:
        questions.append(
            Question(
                "viscosity_column",
                f"{len(rivals)} columns could be the viscosity: which one is to be used?",
                tuple(rivals),
            )
        )
    return columns, units, said


def _holds_only_clock_times(evidence: FileEvidence, index: int) -> bool:
    """Whether a column holds times of day without a date, in every cell that is filled."""
    column = evidence.columns[index]
    return column.filled and column.only_clock_times


def _units_row(
    evidence: FileEvidence, columns: dict[str, int], units: dict[str, str], said: list[Understood]
) -> bool:
    """Whether the first row holds units; they are then taken where the heading has none."""
    if not evidence.n_rows or "viscosity" not in columns:
        return False
    first = {
        name: evidence.first_row[index].strip(" ()[]{}")
        for name, index in columns.items()
        if BY_NAME[name].quantity
    }
    if viscosity_unit(first["viscosity"]).kind in ("unit_missing", "unit_unknown"):
        return False
    for name, text in first.items():
        if text and QUANTITY_UNITS[BY_NAME[name].quantity](text):
            units.setdefault(name, text)
    said.append(Understood("units", first["viscosity"], "in the row under the header"))
    return True


def _unit(
    evidence: FileEvidence,
    columns: dict[str, int],
    units: dict[str, str],
    answers: dict[str, str],
    questions: list[Question],
    name: str,
    remembered: Mapping[str, str],
) -> list[Understood]:
    heading_unit = units.get("viscosity", "")
    kind = viscosity_unit(heading_unit).kind
    if kind == "unit_unknown":  # a remark in brackets, such as (25 °C)
        units.pop("viscosity")
    elif heading_unit:
        if kind == "unit_megapascal" and "MPa.s" not in answers:
            questions.append(_megapascal_question(heading_unit))
        elif kind in ("unit_krebs", "unit_flow_cup") and "unit" not in columns:
            raise IngestError(
                f"{name}: the viscosity is given in '{heading_unit}', which has no conversion to "
                "mPa·s. Export it in mPa·s, cP or Pa·s."
            )
        wins = "; a row's own unit wins where it has one" if "unit" in columns else ""
        return [Understood("unit", heading_unit, f"in the heading of the viscosity{wins}")]
    if "unit" in columns:
        texts = evidence.columns[columns["unit"]].texts
        if texts:
            shown = ", ".join(texts)
            return [Understood("unit", shown, "in the column for the unit, row by row")]
    if evidence.columns[columns["viscosity"]].carries_units:
        return [Understood("unit", "row by row", "behind the digits of the viscosity")]
    if "unit" in answers:
        why = remembered.get("unit", _AS_ANSWERED)
        return [Understood("unit", answers["unit"], why)]
    questions.append(
        Question(
            "unit",
            "The file gives no unit for the viscosity: which one is it?",
            ("mPa.s", "cP", "Pa.s", "P", "kcP", "cSt"),
        )
    )
    return []


def _megapascal_question(unit: str) -> Question:
    return Question(
        "MPa.s",
        f"The viscosity is headed {unit} (megapascal seconds), almost surely meant as mPa·s: "
        "which one is it?",
        ("mPa.s", "MPa.s"),
    )


def _decimal_mark(
    evidence: FileEvidence,
    columns: dict[str, int],
    answers: dict[str, str],
    questions: list[Question],
    name: str,
    remembered: Mapping[str, str],
) -> tuple[str, list[Understood]]:
    seen = DecimalEvidence()
    for field in _NUMBERS:
        if field in columns:
            seen = seen.with_more(evidence.columns[columns[field]].decimals)
    answer = answers.get("decimal_mark", "")
    why = remembered.get("decimal_mark", _AS_ANSWERED)
    said = [Understood("decimal mark", answer, why)] if answer else []
    if answer and "decimal_mark" not in remembered:
        return _MARKS[answer], said
    if seen.comma > _MAJORITY * seen.point:
        _refuse_other_mark(evidence, columns, ".", name)
        why = f"'{seen.comma_example}' in {seen.comma} cells"
        return ",", [Understood("decimal mark", "comma", why)]
    if seen.point > _MAJORITY * seen.comma:
        _refuse_other_mark(evidence, columns, ",", name)
        why = f"'{seen.point_example}' in {seen.point} cells"
        return ".", [Understood("decimal mark", "point", why)]
    if answer:
        return _MARKS[answer], said
    if seen.point or seen.comma:
        questions.append(
            Question(
                "decimal_mark",
                f"The file writes both '{seen.point_example}' ({seen.point} cells) and "
                f"'{seen.comma_example}' ({seen.comma} cells): which is its decimal mark?",
                ("point", "comma"),
            )
        )
    elif seen.open:
        questions.append(
            Question(
                "decimal_mark",
                f"'{seen.open_example}' can be read two ways and no other cell decides: "
                "what is the decimal mark?",
                ("point", "comma"),
            )
        )
    else:
        return ".", [Understood("decimal mark", "point", "only whole numbers occur")]
    return ".", []


def _refuse_other_mark(
    evidence: FileEvidence, columns: dict[str, int], other: str, name: str
) -> None:
    """A viscosity column of nothing but cells like 2.001 in a file of decimal commas.

    Read as thousands, the viscosity at full torque must be one that such an instrument can have;
    otherwise the column has a decimal mark of its own, which no answer can settle.

    Raises:
        IngestError: thousands are not believable.
    """
    if "viscosity" not in columns or "torque" not in columns:
        return
    index = columns["viscosity"]
    thousands = evidence.thousands[index, other]
    if thousands.every and thousands.median_above_limit:
        raise IngestError(
            f"{name}: the viscosity is written like '{evidence.first_row[index].strip()}', other "
            f"columns with a decimal {'comma' if other == '.' else 'point'}: export it with one "
            "of the two."
        )


def _date_order(
    evidence: FileEvidence,
    columns: dict[str, int],
    answers: dict[str, str],
    questions: list[Question],
    name: str,
    remembered: Mapping[str, str],
) -> tuple[str, list[Understood]]:
    found = [
        evidence.columns[columns[field]].dates
        for field, column in BY_NAME.items()
        if column.kind == "time" and field in columns
    ]
    if not found:
        return "ymd", [Understood("dates", "none", "no column for a time: kept in file order")]
    decided = date_order(found)
    if decided.order == "mixed":
        raise IngestError(
            f"{name}: its dates are written in two orders ({decided.why}). "
            "Export it with one form of date, year first if possible."
        )
    itself = decided.order != "ask" and "convention" not in decided.why
    waits = "date_order" in answers and not ("date_order" in remembered and itself)
    if waits and decided.order != "ymd":
        open_to = decided.choices if decided.order == "ask" else (decided.order,)
        if answers["date_order"] not in open_to and "convention" not in decided.why:
            raise IngestError(
                f"{name}: date_order={answers['date_order']} does not fit: {decided.why}."
            )
        why = remembered.get("date_order", _AS_ANSWERED)
        return answers["date_order"], [Understood("dates", answers["date_order"], why)]
    if decided.order == "ask":
        questions.append(
            Question(
                "date_order",
                f"{decided.why[0].upper()}{decided.why[1:]}, and no date of the file decides: "
                f"{' or '.join(f'{order} ({_ORDER_WORDS[order]})' for order in decided.choices)}?",
                decided.choices,
            )
        )
        return "dmy", []
    words = {"dmy": "day-month", "mdy": "month-day", "ymd": "year first"}[decided.order]
    return decided.order, [Understood("dates", words, decided.why)]
