"""Files made from clean tables of readings, and the many ways to damage them.

All by a seed. A damaged file is made so that its rows can still be told apart: what stands in a
cell is never replaced by something else that could as well be meant. Two kinds of damage are left
out, since no reader can see them: a file that ends in the middle of a number in its last column,
and a row that loses one delimiter and gains another.
"""

import bz2
import datetime as dt
import gzip
import io
import lzma
import random
from collections.abc import Callable
from dataclasses import dataclass

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq

from .clean_tables import (
    LATIN_COMMENTS,
    Clean,
    Style,
    cells_of,
    clean_rows,
    heading,
    quoted,
    random_style,
    true_answers,
)
from .workbooks import archive, with_shared_strings


@dataclass(slots=True)
class Case:
    """A file: its bytes, what it means, the true answers to what it may leave open, its making."""

    name: str
    content: bytes
    clean: dict[tuple[str, int], Clean]
    answers: dict[str, str]
    done: tuple[str, ...]
    harmless: bool


# --- damage to the table ----------------------------------------------------------------------

Lines = list[list[str]]


def shuffle_columns(lines: Lines, style: Style, rng: random.Random) -> None:
    """The columns in another order."""
    order = list(range(len(lines[0])))
    rng.shuffle(order)
    lines[:] = [[line[i] for i in order] for line in lines]


def rename_a_column(lines: Lines, style: Style, rng: random.Random) -> None:
    """One of the columns that may be missing gets a name that nobody knows."""
    known = {heading(name, style) for name in ("operator", "comment", "instrument", "temperature")}
    places = [i for i, cell in enumerate(lines[0]) if cell in known]
    lines[0][rng.choice(places)] = "Xyz 7"


def add_unknown_columns(lines: Lines, style: Style, rng: random.Random) -> None:
    """Columns that mean nothing, two of one name."""
    place = rng.randint(0, len(lines[0]))
    for index, line in enumerate(lines):
        line[place:place] = ["Mixer", "Mixer"] if index == 0 else ["M7", ""]


def duplicate_a_heading(lines: Lines, style: Style, rng: random.Random) -> None:
    """Another column under the heading of the operator, with other cells."""
    place = lines[0].index(heading("operator", style))
    for index, line in enumerate(lines):
        line.append(line[place] if index == 0 else "ZZ")


def header_again(lines: Lines, style: Style, rng: random.Random) -> None:
    """The header once more among the rows."""
    lines.insert(rng.randint(2, len(lines)), list(lines[0]))


def blank_rows(lines: Lines, style: Style, rng: random.Random) -> None:
    """Lines with nothing, and lines of delimiters only."""
    for _ in range(3):
        blank = rng.choice(([""], [""] * len(lines[0])))
        lines.insert(rng.randint(1, len(lines)), list(blank))


def preamble(lines: Lines, style: Style, rng: random.Random) -> None:
    """Lines above the header."""
    lines[0:0] = [["Bericht Labor 2"], [f"Export 14.03.2025 {style.delimiter} Halle 3"], [""]]


def totals(lines: Lines, style: Style, rng: random.Random) -> None:
    """A mean below the rows."""
    line = [""] * len(lines[0])
    line[lines[0].index(heading("batch", style))] = rng.choice(("Mean", "Summe", "Total:"))
    line[next(i for i, cell in enumerate(lines[0]) if _is_viscosity(cell, style))] = "1"
    lines.append(line)


def _is_viscosity(cell: str, style: Style) -> bool:
    return cell == heading("viscosity", style)


def ragged(lines: Lines, style: Style, rng: random.Random) -> None:
    """A row with cells missing at its end, and one with cells too many."""
    first, second = rng.sample(range(1, len(lines)), 2)
    del lines[first][rng.randint(1, len(lines[first]) - 1) :]
    lines[second] += ["7", "x"][: rng.randint(1, 2)]


def odd_comments(lines: Lines, style: Style, rng: random.Random) -> None:
    """Comments with delimiters, quotes, line breaks and spreadsheets' formulas."""
    place = lines[0].index(heading("comment", style))
    texts = (f"a{style.delimiter}b", 'say "x"', "two\nlines", "=1+1", "'", "a\tb", "x" * 300)
    for line in lines[1:]:
        if len(line) > place and rng.random() < 0.6:
            line[place] = rng.choice(texts)


def huge_field(lines: Lines, style: Style, rng: random.Random) -> None:
    """One comment of a size that nobody means."""
    place = lines[0].index(heading("comment", style))
    line = rng.choice(lines[1:])
    if len(line) > place:
        line[place] = "y" * rng.choice((30_000, 120_000))


def repeated_rows(lines: Lines, style: Style, rng: random.Random) -> None:
    """Some rows once more at the end."""
    lines += [list(line) for line in rng.sample(lines[1:], 2)]


def spaces_around(lines: Lines, style: Style, rng: random.Random) -> None:
    """Blanks around every cell."""
    lines[:] = [[f" {cell} " if cell else cell for cell in line] for line in lines]


def words_for_no_result(lines: Lines, style: Style, rng: random.Random) -> None:
    """A viscosity that is a word or a bound."""
    place = next(i for i, cell in enumerate(lines[0]) if _is_viscosity(cell, style))
    line = rng.choice(lines[1:])
    line[place] = rng.choice(("<10", ">99999", "OL", "n/a", "---", "", "0", "#REF!", "abc"))


# --- damage to the bytes ----------------------------------------------------------------------


def truncate(content: bytes, style: Style, rng: random.Random) -> bytes:
    """The end cut off; the last column is the comment (see above)."""
    return content[: rng.randint(len(content) // 3, len(content) - 1)]


def nul(content: bytes, style: Style, rng: random.Random) -> bytes:
    """NUL bytes somewhere."""
    return _inserted(content, "\0", style, rng)


def stray_quotes(content: bytes, style: Style, rng: random.Random) -> bytes:
    """A quotation mark somewhere, or two."""
    for _ in range(rng.randint(1, 2)):
        content = _inserted(content, '"', style, rng)
    return content


def mixed_line_ends(content: bytes, style: Style, rng: random.Random) -> bytes:
    """Line ends of three systems in one file."""
    text = content.decode(style.encoding).replace("\r\n", "\n").replace("\r", "\n")
    ends = ("\n", "\r\n", "\r")
    return "".join(line + rng.choice(ends) for line in text.split("\n")).encode(style.encoding)


def lose_a_delimiter(content: bytes, style: Style, rng: random.Random) -> bytes:
    """One delimiter less in one row."""
    mark = style.delimiter.encode(_codec(style))
    places = [i for i in range(len(content) // 2, len(content)) if content[i:].startswith(mark)]
    if not places:
        return content
    place = rng.choice(places)
    return content[:place] + content[place + len(mark) :]


def end_mark_and_junk(content: bytes, style: Style, rng: random.Random) -> bytes:
    """The end mark of old systems, and blanks."""
    return content + rng.choice(("\x1a", "\n\n\n", "  \n")).encode(_codec(style))


def _codec(style: Style) -> str:
    """The encoding without a byte order mark."""
    names = {"utf-8-sig": "utf-8", "utf-16": "utf-16-le"}
    return names.get(style.encoding, style.encoding)


def _inserted(content: bytes, text: str, style: Style, rng: random.Random) -> bytes:
    wide = 2 if "16" in style.encoding else 1
    place = rng.randint(len(content) // 4, len(content)) // wide * wide
    if _codec(style) == "utf-8":
        while place < len(content) and content[place] & 0xC0 == 0x80:
            place += 1  # not inside a letter
    return content[:place] + text.encode(_codec(style)) + content[place:]


TABLE_DAMAGE: dict[str, tuple[Callable[[Lines, Style, random.Random], None], bool]] = {
    "shuffle columns": (shuffle_columns, True),
    "rename a column": (rename_a_column, True),
    "unknown columns": (add_unknown_columns, True),
    "duplicate a heading": (duplicate_a_heading, True),
    "header again": (header_again, True),
    "blank rows": (blank_rows, True),
    "preamble": (preamble, True),
    "totals": (totals, True),
    "ragged": (ragged, False),
    "odd comments": (odd_comments, False),
    "huge field": (huge_field, False),
    "repeated rows": (repeated_rows, True),
    "spaces around": (spaces_around, True),
    "words for no result": (words_for_no_result, False),
}
"""Name -> what it does, and whether every reading must still be used."""

BYTE_DAMAGE: dict[str, tuple[Callable[[bytes, Style, random.Random], bytes], bool]] = {
    "truncate": (truncate, False),
    "nul": (nul, False),
    "stray quotes": (stray_quotes, False),
    "mixed line ends": (mixed_line_ends, True),
    "lose a delimiter": (lose_a_delimiter, False),
    "end mark": (end_mark_and_junk, True),
}
_IN_ORDER = (  # what looks for headings, before they are renamed; what needs whole rows, next
    *("odd comments", "huge field", "words for no result", "totals", "duplicate a heading"),
    *("rename a column", "header again", "shuffle columns", "unknown columns", "spaces around"),
    *("repeated rows", "ragged", "blank rows", "preamble"),
)

CONTAINERS: dict[str, Callable[[bytes], bytes]] = {
    "": lambda content: content,
    ".gz": gzip.compress,
    ".bz2": bz2.compress,
    ".xz": lzma.compress,
    ".zip": lambda content: archive({"readings.csv": content}),
}


def case(seed: int) -> Case:
    """The file of a seed."""
    rng = random.Random(seed)
    kind = rng.choices(("text", "packed", "xlsx", "parquet"), (80, 8, 7, 5))[0]
    style = random_style(rng)
    rows = clean_rows(rng)
    if style.encoding == "latin-1":
        for row in rows:
            row.comment = rng.choice(LATIN_COMMENTS)
    if kind in ("xlsx", "parquet"):
        style.dates = rng.choice(("%Y-%m-%d %H:%M", "%d.%m.%Y %H:%M"))
    names = rng.sample(list(TABLE_DAMAGE), rng.choice((0, 1, 1, 1, 2, 3)))
    names.sort(key=_IN_ORDER.index)
    damage = []
    if kind in ("text", "packed"):
        damage = rng.sample(list(BYTE_DAMAGE), rng.choice((0, 0, 1, 1, 2)))
    damage.sort(key=lambda name: (name != "mixed line ends", name))
    if {"truncate", "lose a delimiter"} & set(damage):
        # a last column of text: see above; and no second loss of cells in a row
        drop = {"shuffle columns", "unknown columns", "duplicate a heading", "ragged"}
        drop |= {"odd comments"}
        names = [name for name in names if name not in drop]
    lines = [[heading(column, style) for column in style.columns]]
    lines += [[cells_of(row, style)[column] for column in style.columns] for row in rows]
    for name in names:
        TABLE_DAMAGE[name][0](lines, style, rng)
    harmless = all(TABLE_DAMAGE[name][1] for name in names)
    harmless &= all(BYTE_DAMAGE[name][1] for name in damage)
    if kind == "xlsx":
        content, ending = _as_workbook(lines, style, rng), ".xlsx"
    elif kind == "parquet":
        content, ending = _as_parquet(lines, rng), ".parquet"
        harmless &= "preamble" not in names
    else:
        text = "".join(
            style.delimiter.join(quoted(cell, style) for cell in line) + style.end for line in lines
        )
        content = text.encode(style.encoding, "replace")
        for name in damage:
            content = BYTE_DAMAGE[name][0](content, style, rng)
        ending = rng.choice((".gz", ".bz2", ".xz", ".zip")) if kind == "packed" else ""
        content = CONTAINERS[ending](content)
    return Case(
        f"{seed}.csv{ending}",
        content,
        {(row.batch, row.replicate): row for row in rows},
        true_answers(style),
        (kind, style.encoding, style.delimiter, style.mark, style.dates, *names, *damage),
        harmless,
    )


def _as_workbook(lines: Lines, style: Style, rng: random.Random) -> bytes:
    """The lines as a sheet, numbers as numbers in every second file."""
    book = openpyxl.Workbook()
    sheet = book.active
    typed = rng.random() < 0.5
    for line in lines:
        sheet.append([_typed(cell, style) if typed else cell for cell in line])
    out = io.BytesIO()
    book.save(out)
    return with_shared_strings(out.getvalue()) if rng.random() < 0.5 else out.getvalue()


def _typed(cell: str, style: Style) -> object:
    try:
        return float(cell.replace(style.mark, ".")) if cell[:1].isdigit() else cell
    except ValueError:
        pass
    try:
        return dt.datetime.strptime(cell.strip(), style.dates)  # noqa: DTZ007
    except ValueError:
        return cell


def _as_parquet(lines: Lines, rng: random.Random) -> bytes:
    """The lines as columns of text; a table has headings of its own, each once."""
    width = max(len(line) for line in lines)
    names: list[str] = []
    for index in range(width):
        name = lines[0][index] if index < len(lines[0]) else ""
        names.append(name if name not in names else f"{name} {index}")
    columns = {
        name: pa.array([line[i] if i < len(line) else None for line in lines[1:]], pa.string())
        for i, name in enumerate(names)
    }
    out = io.BytesIO()
    pq.write_table(pa.table(columns), out)
    return out.getvalue()
