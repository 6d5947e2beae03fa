"""What files that are no plain text are turned into: delimited UTF-8 text, and where it is from.

One rule holds for all of them: a small file must not unfold into a giant one.
"""

import re
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from typing import IO

from ingest.answers import Question, Understood
from ingest.errors import IngestError

# What a folder is searched for; a file that is named by hand may be called anything.
ENDINGS = (
    *(".csv", ".tsv", ".txt", ".tab", ".dat", ".asc", ".prn", ".xlsx", ".xlsm"),
    *(".parquet", ".pq", ".gz", ".bz2", ".xz", ".zip"),
)
_IN_MEMORY = 32 * 1024 * 1024
_ALWAYS_ALLOWED = 64 * 1024 * 1024  # bytes of text that any file may unfold into
_LARGEST_RATIO = 200  # beyond that it is no export of a lab: tables of readings reach about 30
_LARGEST = 8 * 1024**3
_LINE_BREAK = re.compile(r"\s*(?:_x000D_)?(?:\r\n|\r|\n)\s*")
_OPEN_TO_DOUBT = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}\Z")
_QUOTED = re.compile(r'["\t]')


@dataclass(frozen=True, slots=True, eq=False)
class Unfolded:
    """The text of a file.

    Attributes:
        text: the bytes of delimited text, at their beginning. name: the file's name, and behind a
            colon the sheet or member where a person chose one. part: that sheet or member, or "".
        about: what was understood. questions: what must be answered first; then there is no text.
        ours: whether the text was written by us, from a file that holds none.
    """

    text: IO[bytes]
    name: str
    part: str = ""
    about: tuple[Understood, ...] = ()
    questions: tuple[Question, ...] = ()
    ours: bool = False


class TextFile:
    """A temporary file that takes text until it is more than its source can honestly hold."""

    def __init__(self, name: str, source_size: int) -> None:
        """Begin empty. source_size: bytes of the file that is unfolded."""
        self.file: IO[bytes] = tempfile.SpooledTemporaryFile(max_size=_IN_MEMORY)  # noqa: SIM115
        self._name = name
        self._left = min(_LARGEST, max(_ALWAYS_ALLOWED, _LARGEST_RATIO * source_size))

    def write(self, content: bytes) -> None:
        """Append.

        Raises:
            IngestError: the limit is reached.
        """
        self._left -= len(content)
        if self._left < 0:
            self.file.close()
            raise unfolds_too_far(self._name)
        self.file.write(content)

    def expect(self, size: int) -> None:
        """Refuse what is going to be written before it is made.

        Raises:
            IngestError: there will be more than the limit.
        """
        if size > self._left:
            self.file.close()
            raise unfolds_too_far(self._name)

    def done(self) -> IO[bytes]:
        """The file, at its beginning."""
        self.file.seek(0)
        return self.file


def unfolds_too_far(name: str) -> IngestError:
    """The refusal of a file that is small and claims to hold very much."""
    return IngestError(
        f"{name} unfolds into far more than a file of its size can hold in readings, so it was "
        "not read: export the readings as CSV."
    )


def one_line(text: str, mark: str = " ⏎ ") -> str:
    """A cell on one line, so that the lines of the text count as the rows of the sheet do."""
    return _LINE_BREAK.sub(mark, text.strip("\r\n")) if "\n" in text or "\r" in text else text


def tabbed(cells: Iterable[str]) -> str:
    """Cells as one line of tab-separated text, quoted by RFC 4180 where they must be."""
    return "\t".join(
        '"' + cell.replace('"', '""') + '"' if _QUOTED.search(cell) else cell for cell in cells
    )


def certain(number: str) -> str:
    """A number that was no text in its file, so written that its mark can only be a decimal one.

    2.125 would be taken for what it may be in a text file, 2125 with a mark for thousands.
    """
    return f"{number}0" if _OPEN_TO_DOUBT.match(number) else number
