"""From a file to typed rows: what every column means, what must be asked, where each row goes.

The steps, in order: text cells -> what is remembered of the source -> meaning of the columns ->
questions -> typed values -> a reason for every row that is not used -> the row account. A file is
gone through block by block, so its size does not matter. What its columns mean is supposed from the
first block and known after the last; where the supposition was wrong, the file is gone through
again.
"""

import hashlib
import io
import os
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import BinaryIO, cast

import pandas as pd

from ingest.account import RowAccount, require_closed
from ingest.answers import Question, Understood, check_answers, column_field
from ingest.columns import labels
from ingest.csv_file import (
    FirstRows,
    NotParsed,
    TextTable,
    first_rows,
    header_of,
    read_tables,
)
from ingest.dialect import DELIMITERS, Header
from ingest.errors import IngestError
from ingest.file_kinds import unfold
from ingest.findings import SHOWN_OF_A_KIND, Finding
from ingest.folders import require_file
from ingest.header_fit import RowWidths
from ingest.layouts import Change, Layout, layout_of
from ingest.meaning import understand
from ingest.reasons import FOUND_BY_CHECKS
from ingest.recalled import Recalled, columns_to_look_for, products_of, recall, renaming_of
from ingest.site import Site
from ingest.text_blocks import Progress, TextFile, look_at
from ingest.typed_blocks import TypedBlocks, as_texts
from ingest.unfolded import Unfolded
from ingest.walk import Tables, Walk
from ingest.whole_file import WholeFile, extra_names


@dataclass(frozen=True, slots=True, eq=False)
class FileReading:
    """A file as it was understood.

    Attributes:
        name, digest: the file's name and the SHA-256 of its bytes; where a person chose one of
            several sheets or members, of its bytes and that name.
        understood: what was decided about the file, with the reason.
        questions: what has to be answered first; then `rows` is empty and nothing may be stored.
        notes: remarks for a person.
        typed: the typed rows, used and set aside, block by block; see `rows`.
        not_parsed: the records that could not be read.
        account: where every row went, before the store has looked for duplicates.
        answers: the answers that it was read with, those remembered of its source among them.
        given: of these, what a person said about this file.
        layout: its headings and what they were taken for; None where nothing is to be remembered.
        remarks: what checks found about rows that are used all the same.
        change: what is different from the last export of its source; None where none is known.
        headings: a label for each column of the file.
    """

    name: str
    digest: str
    understood: tuple[Understood, ...]
    questions: tuple[Question, ...]
    notes: tuple[str, ...]
    typed: TypedBlocks
    not_parsed: tuple[NotParsed, ...]
    account: RowAccount
    answers: dict[str, str]
    given: dict[str, str] = field(default_factory=dict)
    layout: Layout | None = None
    remarks: tuple[Finding, ...] = ()
    change: Change | None = None
    headings: tuple[str, ...] = ()

    @property
    def rows(self) -> pd.DataFrame:
        """All typed rows at once; column `reason` is "" where used. Needs room for all of them."""
        blocks = [as_texts(block) for block in self.typed]
        return pd.concat(blocks, ignore_index=True) if blocks else pd.DataFrame()

    def first_rows(self, count: int) -> pd.DataFrame:
        """The first typed rows."""
        for block in self.typed:
            return as_texts(block.head(count))
        return pd.DataFrame()

    @property
    def set_aside(self) -> pd.DataFrame:
        """The rows that were set aside: line, reason, detail, batch, received, proposal."""
        names = ["line", "reason", "detail", "batch", "received", "proposal"]
        aside = [as_texts(block.loc[block["reason"] != "", names]) for block in self.typed]
        if not aside:
            return pd.DataFrame(columns=names)
        return pd.concat(aside, ignore_index=True)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Rows that a check set aside, and remarks on rows in use; the first hundred of a kind."""
        found: list[Finding] = []
        seen: Counter[str] = Counter()
        names = ("reason", "line", "product", "batch", "detail", "proposal")
        for block in self.typed if FOUND_BY_CHECKS & self.account.set_aside.keys() else ():
            aside = block.loc[block["reason"].isin(list(FOUND_BY_CHECKS)), list(names)]
            for reason, line, *texts in aside.itertuples(index=False):
                seen[reason] += 1
                if seen[reason] <= SHOWN_OF_A_KIND:
                    found.append(Finding(str(reason), int(line), *map(str, texts)))
        return (*found, *self.remarks)


def read_file(
    path: str | os.PathLike[str],
    answers: Mapping[str, str] | None = None,
    name: str | None = None,
    site: Site | None = None,
    progress: Progress | None = None,
) -> FileReading:
    """Read a file of viscosity readings and say where each of its rows goes.

    Args:
        path: the file. answers: what the file does not say, by field (see `Question`).
        name: the name to show; the file's own by default.
        site: what the store knows (`Store.site`): answers given before, methods, usual values.
        progress: called with (bytes done, bytes in all), each time from the file's beginning.

    Raises:
        IngestError: not a readable file, not text, no header, or an answer without sense.
    """
    file = Path(path)
    with _opened(file) as raw, _plain_errors(file):
        return _read(raw, name or file.name, answers, site, progress)


def read_bytes(
    raw: bytes,
    name: str,
    answers: Mapping[str, str] | None = None,
    site: Site | None = None,
) -> FileReading:
    """Read the content of a file; see `read_file`."""
    return _read(io.BytesIO(raw), name, answers, site, None)


def _read(
    raw: BinaryIO,
    name: str,
    answers: Mapping[str, str] | None,
    site: Site | None,
    progress: Progress | None,
) -> FileReading:
    given = check_answers(answers or {})
    unfolded = unfold(raw, shown_name(name), given)
    if unfolded.questions:
        nothing = RowAccount(0, 0)
        asked, digest = unfolded.questions, _digest(raw, "")
        return FileReading(unfolded.name, digest, (), asked, (), TypedBlocks(), (), nothing, given)
    if unfolded.text is raw:
        return _read_text(raw, unfolded, "", given, site, progress)
    with unfolded.text as text:
        digest = _digest(raw, unfolded.part)
        return _read_text(cast(BinaryIO, text), unfolded, digest, given, site, progress)


def _read_text(
    file: BinaryIO,
    unfolded: Unfolded,
    digest: str,
    given: dict[str, str],
    site: Site | None,
    progress: Progress | None,
) -> FileReading:
    """Read delimited text. digest: of the file that it was unfolded from, "" if it is that file."""
    name = unfolded.name
    text = look_at(file, name)
    digest = digest or text.digest
    found, header = header_of(text, columns_to_look_for(given, site, digest))

    def walked(header: Header) -> _Read:
        def tables(widths: RowWidths, progress: Progress | None) -> Iterator[TextTable]:
            return read_tables(text.blocks(progress), recalled.header, found, widths)

        def head() -> FirstRows:
            cells = (t.cells for t in read_tables(text.blocks(), header, found, RowWidths()))
            return first_rows(header, cells)

        recalled = recall(header, head, given, site, digest, name)
        read = _Read(tables, name, digest, recalled, site, progress)
        read.walk.go(progress)
        return read

    read = walked(header)
    fitted = read.walk.widths.fitted(found, name)
    if fitted != header:
        read = walked(fitted)
    written = _about_the_file(text, read.recalled.header)
    # how our own text is written says nothing
    return _typed(read, unfolded.about + (written[2:] if unfolded.ours else written))


def read_table(
    table: TextTable,
    name: str,
    digest: str,
    given: dict[str, str],
    told: tuple[Understood, ...],
    site: Site | None = None,
) -> FileReading:
    """Read rows of text cells, wherever they are from; see `read_file`.

    Nothing is remembered of them, and what is remembered of files is not asked of them: names of
    products in another spelling are only remarked.

    Args:
        table: the cells. name, digest: of what they are from. given: answers, looked at already.
        told: what was understood of the source before its columns were looked at.
        site: what the store knows.
    """

    def tables(_widths: RowWidths, _progress: Progress | None) -> tuple[TextTable]:
        return (table,)

    read = _Read(tables, name, digest, Recalled(table.header, given, {}, part=True), site, None)
    read.walk.go(None)
    return replace(_typed(read, told, asks=False), layout=None)


class _Read:
    """A file that was found to be readable: how to go through it, and the last walk that did."""

    def __init__(
        self,
        tables: Tables,
        name: str,
        digest: str,
        recalled: Recalled,
        site: Site | None,
        progress: Progress | None,
    ) -> None:
        """Begin with a walk that has not gone yet."""
        self.tables, self.name, self.digest, self.progress = tables, name, digest, progress
        self.recalled, self.site = recalled, site
        self.walk = self.another(None)

    def another(self, whole: WholeFile | None) -> Walk:
        """A walk through the file from its beginning, with what is known of it."""
        renaming = renaming_of(self.recalled.answers, self.site, self.digest)
        site = self.site or Site()
        return Walk(self.tables, self.name, self.recalled, site, renaming, whole)


def _typed(read: _Read, told: tuple[Understood, ...], asks: bool = True) -> FileReading:
    """The reading of a file that was gone through once, or more often where that is needed.

    Args:
        read: the file. told: what was understood of it so far.
        asks: whether names of products may be asked about.
    """
    recalled, walk, evidence = read.recalled, read.walk, read.walk.evidence
    meaning = understand(evidence, recalled.answers, read.name, recalled.told)
    products = products_of(evidence, meaning, recalled.answers, read.site, read.digest)
    about = (*told, *meaning.understood, *products.understood)
    used = {**recalled.answers, **products.answers}
    awaited = {*recalled.awaited, *(column_field(name) for name in recalled.awaited)}
    asked = [question for question in meaning.questions if question.field not in awaited]
    questions = (*recalled.questions, *asked, *(products.questions if asks else ()))
    notes = (*recalled.notes, *products.notes)
    headings = labels(recalled.header.cells)
    if questions:
        n = walk.rows_read
        account = RowAccount(n, 0, {"waiting_for_an_answer": n}, blank_lines=walk.blank_lines)
        return FileReading(
            *(read.name, read.digest, about, questions, notes, TypedBlocks(), (), account, used),
            given=recalled.given,
            change=recalled.change,
            headings=headings,
        )
    extra = extra_names(recalled.header, meaning, [column.filled for column in evidence.columns])
    while walk.whole is None or not walk.whole.is_right(meaning, extra):
        if walk.whole is None:
            site = read.site or Site()
            known = WholeFile(meaning, extra, site, products.renaming, recalled.part)
        else:
            known = walk.whole.again(meaning, extra)
        walk = read.another(known)
        walk.go(read.progress)
    account, decided = walk.close()
    require_closed(account, read.name)
    not_parsed = tuple(sorted(walk.not_parsed, key=lambda item: item.line))
    return FileReading(
        *(read.name, read.digest, about, (), (*notes, *decided.notes)),
        *(walk.typed, not_parsed, account, used),
        given=recalled.given,
        layout=layout_of(evidence.head, meaning.columns),
        remarks=tuple(decided.remarks.found),
        change=recalled.change,
        headings=headings,
    )


def shown_name(name: str) -> str:
    """A file's name as text: an old disk's may be none, and some hold letters of control."""
    text = name.encode("utf-8", "replace").decode()
    return "".join(letter if letter.isprintable() else "?" for letter in text)


def _digest(file: BinaryIO, part: str) -> str:
    """SHA-256 of a file and, where a person chose one, the name of a part of it."""
    file.seek(0)
    hashed = hashlib.sha256()
    while block := file.read(1_000_000):
        hashed.update(block)
    hashed.update(part.encode("utf-8", "replace"))
    return hashed.hexdigest()


@contextmanager
def _plain_errors(file: Path) -> Iterator[None]:
    """Say in one sentence what keeps a file from being read."""
    try:
        yield
    except FileNotFoundError:
        raise IngestError(f"There is no file {file}: check the name.") from None
    except PermissionError:
        raise IngestError(f"{file} may not be read: ask for read access to it.") from None
    except OSError as error:
        raise IngestError(f"{file} could not be read ({error.strerror}): try a copy.") from None


def _opened(file: Path) -> BinaryIO:
    """The bytes of a file; whatever kind it is, what comes from here is a text file."""
    with _plain_errors(file):
        try:
            if file.is_dir():
                raise IngestError(
                    f"{file} is a folder: name the files in it that are to be imported."
                )
            require_file(file)
            return file.open("rb")
        except ValueError as error:
            if isinstance(error, IngestError):
                raise
            raise IngestError(f"{file} is not the name of a file: check it.") from None


def _about_the_file(text: TextFile, header: Header) -> tuple[Understood, ...]:
    return (
        Understood("encoding", text.encoding, text.why),
        Understood("delimiter", DELIMITERS[header.delimiter], "most headings recognised with it"),
        Understood(
            "header",
            f"line {header.index + 1}",
            f"{sum(m is not None for m in header.matches)} of {len(header.cells)} headings known",
        ),
    )
