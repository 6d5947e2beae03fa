"""What the columns of a file mean, decided once for the whole file, and what must be asked."""

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from ingest.answers import Question, Understood
from ingest.columns import BY_NAME, plain
from ingest.csv_file import TextTable
from ingest.errors import IngestError
from ingest.numbers import DecimalEvidence, decimal_evidence, distinct, parse_numbers
from ingest.times import date_order, holds_only_clock_times
from ingest.units import QUANTITY_UNITS, is_viscosity_unit, viscosity_unit

_NUMBERS = ("viscosity", "torque", "temperature", "speed", "density", "set_temperature")
_LARGEST_SCALE = 1e6  # mPa·s at full torque; our convention for what is still believable
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


def understand(table: TextTable, answers: dict[str, str], name: str) -> Meaning:
    """Decide what every column means, from the whole file and the answers given.

    Raises:
        IngestError: what no answer can mend: no batch column, dates that contradict each other,
            or a heading with a unit that has no conversion.
    """
    questions: list[Question] = []
    columns, units, said = _columns(table, answers, questions)
    units_row = _units_row(table, columns, units, said)
    if "viscosity" in columns:
        said += _unit(table, columns, units, answers, questions, name)
    if "batch" not in columns:
        shown = ", ".join(f"'{cell.strip()[:30]}'" for cell in table.header.cells[:12])
        raise IngestError(
            f"{name} has no batch column: the header in line {table.header.index + 1} has {shown}. "
            "Name the column 'batch' or 'Charge'."
        )
    if "product" not in columns and not answers.get("product"):
        questions.append(Question("product", "The file names no product: which one is it?"))
    mark, told = _decimal_mark(table, columns, answers, questions, name)
    said += told
    order, told = _date_order(table, columns, answers, questions, name)
    said += told
    time_zone = answers.get("time_zone", "UTC")
    if "tested_at" in columns or "sampled_at" in columns:
        why = "as answered" if "time_zone" in answers else "none is stated, so taken as written"
        said.append(Understood("time zone", time_zone, why))
    return Meaning(
        columns, units, answers, mark, order, time_zone, tuple(said), tuple(questions), units_row
    )


def _columns(
    table: TextTable, answers: dict[str, str], questions: list[Question]
) -> tuple[dict[str, int], dict[str, str], list[Understood]]:
    """Positions of the canonical columns: the first of its kind, unless a person named another."""
    header = table.header
    columns: dict[str, int] = {}
    units: dict[str, str] = {}
    said: list[Understood] = []
    rivals: list[str] = []
    chosen = answers.get("viscosity_column", "").strip()
    for index, (cell, match) in enumerate(zip(header.cells, header.matches, strict=True)):
        heading = cell.strip()
        if match is None:
            if heading:
                said.append(Understood(f"'{heading}'", "kept as it is", "not a known heading"))
            continue
        field = match.column.name
        if field == "viscosity":
            rivals.append(heading)
            if chosen and heading != chosen:
                said.append(Understood(f"'{heading}'", "kept as it is", f"{chosen} was chosen"))
                continue
        if field in columns:
            clock = match.column.kind == "time" and "time_of_day" not in columns
            if clock and holds_only_clock_times(table.cells.column(index)):
                columns["time_of_day"] = index
                said.append(Understood(f"'{heading}'", "time of day", "it holds no dates"))
                continue
            said.append(Understood(f"'{heading}'", "kept as it is", f"a second {field} column"))
            continue
        if field == "replicate" and _is_running_number(table, index, heading):
            said.append(Understood(f"'{heading}'", "kept as it is", "a running number"))
            continue
        columns[field] = index
        if match.unit:
            units[field] = match.unit
        said.append(Understood(f"'{heading}'", match.column.label, "by its heading"))
    clock_index = columns.get("time_of_day")
    if clock_index is not None and "tested_at" not in columns:
        if not holds_only_clock_times(table.cells.column(clock_index)):
            columns["tested_at"] = columns.pop("time_of_day")  # whole times, headed "time"
        elif "sampled_at" not in columns:  # a time of day without any date orders nothing
            del columns["time_of_day"]
            told = f"'{header.cells[clock_index].strip()}'"
            said.append(Understood(told, "kept as it is", "no dates beside it"))
    if chosen and chosen not in rivals:
        raise IngestError(
            f"viscosity_column={chosen} is not in the file: choose from {', '.join(rivals)}."
        )
    if len(rivals) > 1 and not chosen:
        questions.append(
            Question(
                "viscosity_column",
                f"{len(rivals)} columns could be the viscosity: which one is to be used?",
                tuple(rivals),
            )
        )
    return columns, units, said


def _is_running_number(table: TextTable, index: int, heading: str) -> bool:
    """Whether a column headed only "Nr" or "No" counts the rows of the file, not replicates."""
    if plain(heading) not in ("nr", "no"):
        return False
    texts = pc.unique(pc.utf8_trim_whitespace(table.cells.column(index))).to_pylist()
    return any(text.isascii() and text.isdigit() and int(text) > 9 for text in texts)


def _units_row(
    table: TextTable, columns: dict[str, int], units: dict[str, str], said: list[Understood]
) -> bool:
    """Whether the first row holds units; they are then taken where the heading has none."""
    if not table.cells.num_rows or "viscosity" not in columns:
        return False
    first = {
        name: table.cells.column(index)[0].as_py().strip(" ()[]{}")
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
    table: TextTable,
    columns: dict[str, int],
    units: dict[str, str],
    answers: dict[str, str],
    questions: list[Question],
    name: str,
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
        found = pc.unique(pc.utf8_trim_whitespace(table.cells.column(columns["unit"])))
        texts = [text for text in found.to_pylist() if text]
        if texts:
            shown = ", ".join(texts[:8])
            return [Understood("unit", shown, "in the column for the unit, row by row")]
    if _cells_carry_units(table, columns["viscosity"]):
        return [Understood("unit", "row by row", "behind the digits of the viscosity")]
    if "unit" in answers:
        return [Understood("unit", answers["unit"], "as answered")]
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


def _cells_carry_units(table: TextTable, index: int) -> bool:
    """Whether most numbers of the viscosity column have a viscosity unit behind their digits."""
    column = table.cells.column(index)
    numbers = column.filter(pc.match_substring_regex(column, r"^\s*[\d.,' ]*\d"))
    parts = pc.extract_regex(numbers, r"^\s*[\d.,' ]*\d\s*(?P<unit>[^\d\s.,'+-].*)$")
    texts, counts = distinct(pc.struct_field(parts, "unit").drop_null())
    carried = sum(
        int(count)
        for text, count in zip(texts, counts, strict=True)
        if is_viscosity_unit(text.strip())
    )
    return carried * 2 > len(numbers)


def _decimal_mark(
    table: TextTable,
    columns: dict[str, int],
    answers: dict[str, str],
    questions: list[Question],
    name: str,
) -> tuple[str, list[Understood]]:
    cells = [table.cells.column(columns[name]) for name in _NUMBERS if name in columns]
    evidence: DecimalEvidence = decimal_evidence(cells)
    if "decimal_mark" in answers:
        mark = "," if answers["decimal_mark"] == "comma" else "."
        return mark, [Understood("decimal mark", answers["decimal_mark"], "as answered")]
    if evidence.comma > _MAJORITY * evidence.point:
        _refuse_other_mark(table, columns, ".", name)
        why = f"'{evidence.comma_example}' in {evidence.comma} cells"
        return ",", [Understood("decimal mark", "comma", why)]
    if evidence.point > _MAJORITY * evidence.comma:
        _refuse_other_mark(table, columns, ",", name)
        why = f"'{evidence.point_example}' in {evidence.point} cells"
        return ".", [Understood("decimal mark", "point", why)]
    if evidence.point or evidence.comma:
        questions.append(
            Question(
                "decimal_mark",
                f"The file writes both '{evidence.point_example}' ({evidence.point} cells) and "
                f"'{evidence.comma_example}' ({evidence.comma} cells): which is its decimal mark?",
                ("point", "comma"),
            )
        )
    elif evidence.open:
        questions.append(
            Question(
                "decimal_mark",
                f"'{evidence.open_example}' can be read two ways and no other cell decides: "
                "what is the decimal mark?",
                ("point", "comma"),
            )
        )
    else:
        return ".", [Understood("decimal mark", "point", "only whole numbers occur")]
    return ".", []


def _refuse_other_mark(table: TextTable, columns: dict[str, int], other: str, name: str) -> None:
    """A viscosity column of nothing but cells like 2.001 in a file of decimal commas.

    Read as thousands, the viscosity at full torque must be one that such an instrument can have;
    otherwise the column has a decimal mark of its own, which no answer can settle.

    Raises:
        IngestError: thousands are not believable.
    """
    if "viscosity" not in columns or "torque" not in columns:
        return
    column = table.cells.column(columns["viscosity"])
    doubtful = rf"^\s*[1-9]\d{{0,2}}[{other}]\d{{3}}\s*$"
    if not pc.all(pc.match_substring_regex(column, doubtful)).as_py():
        return
    mark = "," if other == "." else "."
    viscosity = parse_numbers(column, mark).values
    torque = parse_numbers(table.cells.column(columns["torque"]), mark).values
    match = table.header.matches[columns["viscosity"]]
    factor = viscosity_unit(match.unit if match else "").factor or 1.0
    known = (torque > 0) & (viscosity > 0)
    if (
        known.any()
        and np.median(100.0 * factor * viscosity[known] / torque[known]) > _LARGEST_SCALE
    ):
        raise IngestError(
            f"{name}: the viscosity is written like '{column[0].as_py().strip()}', other columns "
            f"with a decimal {'comma' if mark == ',' else 'point'}: export it with one of the two."
        )


def _date_order(
    table: TextTable,
    columns: dict[str, int],
    answers: dict[str, str],
    questions: list[Question],
    name: str,
) -> tuple[str, list[Understood]]:
    found = [
        table.cells.column(columns[field])
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
    if "date_order" in answers and decided.order != "ymd":
        if decided.order not in ("ask", answers["date_order"]) and "convention" not in decided.why:
            raise IngestError(
                f"{name}: date_order={answers['date_order']} does not fit: {decided.why}."
            )
        return answers["date_order"], [Understood("dates", answers["date_order"], "as answered")]
    if decided.order == "ask":
        questions.append(
            Question(
                "date_order",
                f"{decided.why[0].upper()}{decided.why[1:]}, and no date of the file decides: "
                "dmy (day first) or mdy (month first)?",
                ("dmy", "mdy"),
            )
        )
        return "dmy", []
    words = {"dmy": "day-month", "mdy": "month-day", "ymd": "year first"}[decided.order]
    return decided.order, [Understood("dates", words, decided.why)]
