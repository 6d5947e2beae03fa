"""What a whole file makes doubtful beside its numbers and dates: asked, never assumed.

Temperatures in °F or without their decimal point, check standards that only their name tells
from products, letters that were lost before the file was written.
"""

import re
from collections import Counter
from collections.abc import Mapping, Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from ingest.answers import Question, Understood
from ingest.csv_file import TextTable
from ingest.errors import IngestError
from ingest.numbers import distinct, parse_numbers
from ingest.reasons import CHECK_WORDS
from ingest.spindles import spindle_name

LOST_LETTER = "\ufffd"
TEMPERATURE_UNITS = {"C": "°C", "F": "°F", "tenths of C": "0.1 °C"}
_LOOKED_AT = ("temperature", "product", "spindle")
_MOST_TEXTS = 20_000
_USUAL_IN_FAHRENHEIT = (68.0, 73.4, 77.0)  # 20, 23 and 25 °C, where labs measure
_NEAR = 1.5
_CHECK_NAMES = CHECK_WORDS | {"chk", "ref", "std", "check fluid", "check oil", "prüföl"}
CHECK_NAME = re.compile(
    rf"^(?:{'|'.join(re.escape(word) for word in sorted(_CHECK_NAMES, reverse=True))})(?![^\W\d_])",
    re.IGNORECASE,
)


class Doubts:
    """What the cells of a file make doubtful, gathered block by block: different texts, no rows."""

    def __init__(self) -> None:
        """Begin with nothing seen."""
        self._texts: dict[str, Counter[str]] = {name: Counter() for name in _LOOKED_AT}
        self._lost: dict[int, str] = {}
        self._lost_cells = 0

    def add(self, table: TextTable) -> None:
        """Look at the cells of a block."""
        for index, match in enumerate(table.header.matches):
            column = table.cells.column(index)
            lost = column.filter(pc.match_substring(column, LOST_LETTER))
            if len(lost):
                self._lost_cells += len(lost)
                self._lost.setdefault(index, lost[0].as_py().strip())
            known = self._texts.get(match.column.name) if match is not None else None
            if known is not None and len(known) < _MOST_TEXTS:
                texts, counts = distinct(column)
                known.update(dict(zip(texts, counts.tolist(), strict=True)))

    def decide(
        self,
        headings: Sequence[str],
        columns: dict[str, int],
        units: dict[str, str],
        answers: dict[str, str],
        remembered: Mapping[str, str],
        decimal_mark: str,
        name: str,
    ) -> tuple[list[Question], list[Understood]]:
        """What has to be asked, and what was understood; answers are put into `units`.

        Args:
            headings, columns, units, answers, remembered, name: as in `meaning.understand`.
            decimal_mark: of the file.

        Raises:
            IngestError: a heading, a batch or a product has lost letters.
        """
        said = self._lost_letters(headings, columns, name)
        asked: list[Question] = []
        if "spindle" in columns:
            said += _spindles(self._texts["spindle"])
        labelled = "temperature" in units
        answered = "temperature_unit" in answers
        if labelled and "temperature_unit" in remembered:  # what the file says itself wins
            answered = False
        if "temperature" in columns and answered:
            units["temperature"] = TEMPERATURE_UNITS[answers["temperature_unit"]]
            why = remembered.get("temperature_unit", "as answered")
            said.append(Understood("temperature", units["temperature"], why))
        elif "temperature" in columns:
            asked += _temperature(self._texts["temperature"], decimal_mark, labelled)
        settled = {"sample_type", "check_by_name"} & answers.keys()
        if "product" in columns and "sample_type" not in columns and not settled:
            asked += _check_standards(self._texts["product"])
        return asked, said

    def _lost_letters(
        self, headings: Sequence[str], columns: dict[str, int], name: str
    ) -> list[Understood]:
        """A heading or a name with lost letters is none; elsewhere they are counted."""
        names = [self._lost.get(columns.get(field, -1), "") for field in ("batch", "product")]
        broken = [text for text in (*headings, *names) if LOST_LETTER in text]
        if broken:
            raise IngestError(
                f"{name} has lost letters before it came here, as in '{broken[0].strip()[:40]}': "
                "export it again as UTF-8."
            )
        if not self._lost_cells:
            return []
        why = f"'{LOST_LETTER}' stands for letters that an earlier conversion lost"
        return [Understood("lost letters", f"in {self._lost_cells} cells", why)]


def _spindles(texts: Counter[str]) -> list[Understood]:
    spelled: dict[str, set[str]] = {}
    for text in texts:
        bare = " ".join(text.split())
        if bare:
            spelled.setdefault(spindle_name(bare), set()).add(bare)
    return [
        Understood("spindle", one, f"written as {', '.join(sorted(found)[:6])}")
        for one, found in spelled.items()
        if found != {one}
    ]


def _temperature(texts: Counter[str], decimal_mark: str, labelled: bool) -> list[Question]:
    column = pa.chunked_array([pa.array(list(texts), pa.string())])
    read = parse_numbers(column, decimal_mark)
    plain = np.isfinite(read.values) & (read.unit == "")
    if not plain.any():
        return []
    each = np.array(list(texts.values()))[plain]
    order = np.argsort(read.values[plain])
    upto = np.cumsum(each[order])
    quarters = np.searchsorted(upto, upto[-1] * np.array([0.25, 0.5, 0.75]))
    low, middle, high = read.values[plain][order][quarters].tolist()
    if 200 < middle <= 2000:
        return [_which_unit(f"The temperature is about {middle:g}, far beyond 200 °C")]
    near = min(abs(middle - usual) for usual in _USUAL_IN_FAHRENHEIT)
    if not labelled and near <= _NEAR and high - low <= 2 * _NEAR:
        return [_which_unit(f"The temperature is about {middle:g} throughout, without a unit")]
    return []


def _which_unit(found: str) -> Question:
    return Question(
        "temperature_unit",
        f"{found}: is it in °C, in °F, or in tenths of a °C (250 for 25.0)?",
        tuple(TEMPERATURE_UNITS),
    )


def _check_standards(products: Counter[str]) -> list[Question]:
    named = [text.strip() for text in products if CHECK_NAME.match(text.strip())]
    if not named:
        return []
    more = f" and {len(named) - 1} more" if len(named) > 1 else ""
    return [
        Question(
            "check_by_name",
            f"'{named[0][:40]}'{more} sounds like a check standard, and the file has no column "
            "for the type of sample: which is it?",
            ("check", "product"),
        )
    ]


def named_as_check(products: pa.Array) -> pa.Array:
    """Which products are named like a check standard."""
    return pa.array([bool(CHECK_NAME.match(text)) for text in products.to_pylist()], pa.bool_())
