"""From a file to typed rows: what every column means, what must be asked, where each row goes.

The steps, in order: text cells -> meaning of the columns -> questions -> typed values -> a reason
for every row that is not used -> the row account.
"""

import hashlib
import os
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from ingest.account import RowAccount, require_closed
from ingest.answers import Question, Understood, check_answers
from ingest.csv_file import NotParsed, TextTable, check_lines_close, read_csv_text
from ingest.dialect import DELIMITERS
from ingest.errors import IngestError
from ingest.meaning import understand
from ingest.typed_rows import type_rows


@dataclass(frozen=True, slots=True, eq=False)
class FileReading:
    """A file as it was understood.

    Attributes:
        name, digest: the file's name and the SHA-256 of its bytes.
        understood: what was decided about the file, with the reason.
        questions: what has to be answered first; then `rows` is empty and nothing may be stored.
        notes: remarks for a person.
        rows: the typed rows, used and set aside; column `reason` is "" where used.
        not_parsed: the records that could not be read.
        account: where every row went, before the store has looked for duplicates.
        answers: the answers that it was read with.
    """

    name: str
    digest: str
    understood: tuple[Understood, ...]
    questions: tuple[Question, ...]
    notes: tuple[str, ...]
    rows: pd.DataFrame
    not_parsed: tuple[NotParsed, ...]
    account: RowAccount
    answers: dict[str, str]

    @property
    def set_aside(self) -> pd.DataFrame:
        """The rows that were set aside: line, reason, detail, batch, received."""
        if self.rows.empty:
            return pd.DataFrame(columns=["line", "reason", "detail", "batch", "received"])
        aside = self.rows[self.rows["reason"] != ""]
        return aside[["line", "reason", "detail", "batch", "received"]].reset_index(drop=True)


def read_file(
    path: str | os.PathLike[str],
    answers: Mapping[str, str] | None = None,
    name: str | None = None,
) -> FileReading:
    """Read a file of viscosity readings and say where each of its rows goes.

    Args:
        path: the file. answers: what the file does not say, by field (see `Question`).
        name: the name to show; the file's own by default.

    Raises:
        IngestError: not a readable file, not text, no viscosity column, or an answer without sense.
    """
    file = Path(path)
    return read_bytes(_bytes_of(file), name or file.name, answers)


def read_bytes(raw: bytes, name: str, answers: Mapping[str, str] | None = None) -> FileReading:
    """Read the content of a file; see `read_file`."""
    given = check_answers(answers or {})
    name = name.encode("utf-8", "replace").decode()  # an old disk's file name may be no text
    digest = hashlib.sha256(raw).hexdigest()
    table = read_csv_text(raw, name)
    del raw  # a large file need not be held twice
    check_lines_close(table, name)
    meaning = understand(table, given, name)
    about = _about_the_file(table) + meaning.understood
    if meaning.questions:
        waiting = table.cells.num_rows + len(table.not_parsed)
        account = RowAccount(
            waiting, 0, {"waiting_for_an_answer": waiting}, blank_lines=table.blank_lines
        )
        return FileReading(
            name, digest, about, meaning.questions, (), pd.DataFrame(), (), account, given
        )
    rows, failed = type_rows(table, meaning)
    not_parsed = tuple(sorted((*table.not_parsed, *failed), key=lambda item: item.line))
    aside = rows.loc[rows["reason"] != "", "reason"].value_counts().sort_index()
    account = RowAccount(
        rows_read=table.cells.num_rows + len(table.not_parsed),
        used=int((rows["reason"] == "").sum()),
        set_aside={str(key): int(count) for key, count in aside.items()},
        not_parsed=dict(sorted(Counter(item.reason for item in not_parsed).items())),
        blank_lines=table.blank_lines,
    )
    require_closed(account, name)
    return FileReading(name, digest, about, (), _notes(rows), rows, not_parsed, account, given)


def _bytes_of(file: Path) -> bytes:
    try:
        if file.is_dir():
            raise IngestError(f"{file} is a folder: name the files in it that are to be imported.")
        return file.read_bytes()
    except IngestError:
        raise
    except FileNotFoundError:
        raise IngestError(f"There is no file {file}: check the name.") from None
    except PermissionError:
        raise IngestError(f"{file} may not be read: ask for read access to it.") from None
    except OSError as error:
        raise IngestError(f"{file} could not be read ({error.strerror}): try a copy.") from None
    except ValueError:  # a NUL in the name
        raise IngestError(f"{file} is not the name of a file: check it.") from None


def _about_the_file(table: TextTable) -> tuple[Understood, ...]:
    header = table.header
    return (
        Understood("encoding", table.encoding, table.encoding_why),
        Understood("delimiter", DELIMITERS[header.delimiter], "most headings recognised with it"),
        Understood(
            "header",
            f"line {header.index + 1}",
            f"{sum(m is not None for m in header.matches)} of {len(header.cells)} headings known",
        ),
    )


def _notes(rows: pd.DataFrame) -> tuple[str, ...]:
    """Remarks on batches whose rows contradict each other, and on hours that were guessed."""
    told = []
    doubtful = int((rows["doubtful_hour"] & (rows["reason"] == "")).sum())
    if doubtful:
        told.append(
            f"{doubtful} rows lie in an hour that the clocks went through twice: they are kept in "
            "the order of the file."
        )
    ranges = rows[rows["reason"].isin(["over_range", "below_range"])]
    kinds = ranges.groupby(["product", "batch"], sort=False)["reason"].nunique().reset_index()
    both = kinds[kinds["reason"] > 1]
    told += [
        f"Batch {batch} of {product} is recorded both over range and below range: "
        "one batch cannot be both, so look at its spindle and speed."
        for product, batch in zip(both["product"], both["batch"], strict=True)
    ]
    return tuple(told)
